//! What events do to deliveries and lots.

use crate::body::Body;
use crate::event::{Thing, ThingKind};
use crate::state::{Claim, Delivery, Lot, Ordered, State};

/// Applies one event to a delivery or a lot.
pub(super) fn step(state: Option<State>, thing: Thing, body: &Body, at_ms: u64) -> Option<State> {
    match thing.kind {
        ThingKind::Delivery => delivery(state.and_then(State::delivery), thing, body, at_ms).map(State::Delivery),
        _ => lot(state.and_then(State::lot), thing, body, at_ms).map(State::Lot),
    }
}

fn delivery(state: Option<Delivery>, thing: Thing, body: &Body, at_ms: u64) -> Option<Delivery> {
    let new = |supplier: &Option<String>| Delivery {
        id: thing.id,
        lots: Vec::new(),
        supplier: supplier.clone(),
        at_ms,
        name: String::new(),
        ordered: Vec::new(),
        due: None,
        dropped: None,
        freight: 0,
        freight_by: None,
        duty: 0,
        note_weight_g: None,
        weighed_g: None,
    };
    match body {
        Body::OnOrder(b) => {
            let mut delivery = state.unwrap_or_else(|| new(&b.supplier));
            delivery.name.clone_from(&b.name);
            delivery.due.clone_from(&b.due);
            delivery.ordered.extend(b.lines.iter().map(|line| Ordered { line: line.clone(), came: 0 }));
            Some(delivery)
        }
        Body::OnOrderDropped(b) => {
            let mut delivery = state?;
            delivery.dropped = Some(b.why.clone());
            Some(delivery)
        }
        Body::Delivered(b) => {
            let mut delivery = state.unwrap_or_else(|| new(&b.supplier));
            if delivery.name.is_empty() {
                delivery.name.clone_from(&b.name);
            }
            delivery.freight += b.freight;
            delivery.freight_by = Some(b.freight_by);
            delivery.duty += b.duty;
            delivery.note_weight_g = b.note_weight_g.or(delivery.note_weight_g);
            delivery.weighed_g = b.weighed_g.or(delivery.weighed_g);
            Some(delivery)
        }
        Body::Received(b) => {
            let mut delivery = state.unwrap_or_else(|| new(&b.supplier));
            delivery.lots.push(b.lot);
            if let Some(line) = delivery.ordered.iter_mut().find(|o| Some(o.line.line) == b.on_order) {
                line.came += b.sheets;
            }
            Some(delivery)
        }
        _ => state,
    }
}

fn lot(state: Option<Lot>, thing: Thing, body: &Body, at_ms: u64) -> Option<Lot> {
    match body {
        Body::Received(b) => Some(Lot {
            id: thing.id,
            name: b.lot_name.clone(),
            material: b.material,
            supplier: b.supplier.clone(),
            thickness_um: b.thickness_um,
            delivery: Some(b.delivery),
            received: b.line_total + b.freight + b.duty,
            written_off: b.written_off,
            at_ms,
            claims: Vec::new(),
        }),
        Body::Recorded(b) => Some(Lot {
            id: thing.id,
            name: b.new_lot.clone().unwrap_or_default(),
            material: b.material,
            supplier: None,
            thickness_um: None,
            delivery: None,
            received: 0,
            written_off: 0,
            at_ms,
            claims: Vec::new(),
        }),
        Body::LotAdjusted(b) => {
            let mut lot = state?;
            lot.received += b.amount;
            lot.written_off += b.written_off;
            if let Some(claim) = lot.claims.iter_mut().find(|c| Some(c.id) == b.claim) {
                claim.credited = Some(claim.credited.unwrap_or(0) - b.amount);
            }
            Some(lot)
        }
        Body::Claimed(b) => {
            let mut lot = state?;
            lot.claims.push(Claim { id: b.claim, amount: b.amount, why: b.why.clone(), at_ms, credited: None });
            Some(lot)
        }
        Body::Withdrawn(b) => {
            let mut lot = state?;
            lot.received -= b.amount;
            Some(lot)
        }
        Body::LotCorrected(b) => {
            let mut lot = state?;
            let changed: i64 = b.shares.iter().map(|s| s.amount).sum();
            let born: i64 = b.born.iter().map(|b| b.cost).sum();
            lot.received += changed + born + b.damaged_off;
            lot.written_off += b.damaged_off;
            lot.material = b.material;
            lot.name.clone_from(&b.name);
            lot.supplier.clone_from(&b.supplier);
            lot.thickness_um = b.thickness_um;
            Some(lot)
        }
        _ => state,
    }
}

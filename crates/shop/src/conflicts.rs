//! `conflicts`: each side of each double use, with who, when, where, and what it means for the books.

use std::collections::HashMap;

use sheetloft_ledger::body::{Body, TakenFor};
use sheetloft_ledger::event::Event;
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::state::{Device, Piece};
use sheetloft_store::{ActionRow, PieceFilter, Reader};
use uuid::Uuid;

use crate::answer::{ConflictRow, ConflictShort, ConflictsAnswer, SideRow};
use crate::error::Error;
use crate::shop::Shop;
use crate::view::Names;
use crate::{history, piece, say, view};

/// The pieces that are in conflict, by code.
pub fn pieces(reader: &Reader<'_>) -> Result<Vec<Piece>, Error> {
    let filter = PieceFilter { statuses: vec!["conflict"], ..PieceFilter::default() };
    let mut found = reader.pieces(&filter)?;
    found.retain(|p| p.conflict);
    found.sort_by(|a, b| (&a.code, a.id).cmp(&(&b.code, b.id)));
    Ok(found)
}

/// The events that contradict each other on a piece: the uses that claim it, the one that counts first, what was said of
/// its worth meanwhile, and the holds that stand.
pub fn sides(reader: &Reader<'_>, piece: &Piece) -> Result<Vec<Event>, Error> {
    let mut found = reader.claims(piece.id)?;
    for hold in &piece.holds {
        found.extend(reader.event(hold.event)?);
    }
    Ok(found)
}

/// Each conflict in short: the piece and the events on both sides.
pub fn short(reader: &Reader<'_>) -> Result<Vec<ConflictShort>, Error> {
    let row = |piece: &Piece| -> Result<ConflictShort, Error> {
        let events = sides(reader, piece)?.iter().map(|e| e.envelope.id.to_string()).collect();
        Ok(ConflictShort { piece: piece.code.clone(), events })
    };
    pieces(reader)?.iter().map(row).collect()
}

/// All double uses, with both sides.
pub fn list(shop: &Shop) -> Result<ConflictsAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let devices: HashMap<Uuid, Device> = reader.devices()?.into_iter().map(|d| (d.id, d)).collect();
    let mut conflicts = Vec::new();
    for piece in pieces(&reader)? {
        let mut events = Vec::new();
        for event in sides(&reader, &piece)? {
            events.push(side(shop, &reader, &names, &devices, &piece, event)?);
        }
        conflicts.push(ConflictRow {
            piece: piece.code.clone(),
            uuid: piece.id.to_string(),
            material: names.material(piece.material),
            size: view::size_text(&piece.shape, shop),
            cost: shop.money(piece.cost.max(0)),
            events,
            waiting: descendants(&reader, piece.id)?,
        });
    }
    Ok(ConflictsAnswer { conflicts })
}

fn side(
    shop: &Shop,
    reader: &Reader<'_>,
    names: &Names,
    devices: &HashMap<Uuid, Device>,
    of: &Piece,
    event: Event,
) -> Result<SideRow, Error> {
    let device = devices.get(&event.envelope.device);
    let down = matches!(&event.body, Some(Body::WrittenDownTo(_)));
    let counts = match down {
        true => reader.standing(event.hash)? == Some(Standing::Counts),
        false => of.used.as_ref().is_some_and(|u| u.event == event.hash),
    };
    let (kind, orders, charged, born) = match &event.body {
        Some(Body::Cut(b)) => {
            let orders: Vec<Uuid> = b.charges.iter().map(|c| c.order).collect();
            ("cut", orders, b.charges.iter().map(|c| c.charge.total()).sum::<i64>(), &b.born[..])
        }
        Some(Body::Taken(b)) => match &b.paid_by {
            TakenFor::Order { order, charge } => ("taken", vec![*order], charge.total(), &b.born[..]),
            TakenFor::Shop { amount, .. } => ("taken", Vec::new(), *amount, &b.born[..]),
        },
        Some(Body::Scrapped(b)) => ("scrapped", Vec::new(), b.written_off, &[][..]),
        Some(Body::HandedBack(_)) => ("handed_back", Vec::new(), 0, &[][..]),
        Some(Body::Withdrawn(_)) => ("withdrawn", Vec::new(), 0, &[][..]),
        Some(Body::WrittenDownTo(b)) => ("written_down", Vec::new(), b.amount, &[][..]),
        Some(Body::Held(b)) => ("held", b.orders.clone(), 0, &[][..]),
        _ => ("", Vec::new(), 0, &[][..]),
    };
    let orders: Vec<String> = orders.into_iter().map(|o| names.order(o)).collect();
    let offcuts = piece::new_offcuts(shop, born);
    let payers = orders.len();
    let (sum, offcuts_left, to) = (shop.money(charged), born.len(), orders.join(", "));
    let means = match (kind, counts) {
        ("held", _) => say!("side-held", orders = to),
        ("written_down", true) => say!("side-worth", sum = sum),
        ("written_down", false) => say!("side-worth-aside", sum = sum),
        (_, true) => say!("side-counts", sum = sum, payers = payers, orders = to, offcuts = offcuts_left),
        (_, false) => say!("side-aside", sum = sum, payers = payers, orders = to, offcuts = offcuts_left),
    };
    let row = ActionRow { event: event.clone(), standing: Some(Standing::Counts) };
    Ok(SideRow {
        event: event.envelope.id.to_string(),
        kind: kind.to_owned(),
        when: view::when(event.envelope.clock.ms),
        device: device.map_or_else(|| event.envelope.device.to_string(), |d| d.tag.clone()),
        device_name: device.and_then(|d| d.name.clone()),
        text: history::sentence(shop, reader, &event, &[row])?,
        means: means.text(),
        counts,
        orders,
        charged: shop.money(charged),
        offcuts,
    })
}

/// Codes of the pieces on hand that come from a piece, however far down.
fn descendants(reader: &Reader<'_>, of: Uuid) -> Result<Vec<String>, Error> {
    let mut found = Vec::new();
    let mut queue = vec![of];
    while let Some(id) = queue.pop() {
        for child in reader.children(id)? {
            queue.push(child.id);
            if child.used.is_none() && child.gone.is_none() && found.len() < history::MOST {
                found.push(child.code);
            }
        }
    }
    found.sort();
    Ok(found)
}

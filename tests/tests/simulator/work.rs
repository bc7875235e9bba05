//! Random work on one device: what its own state allows, by the rules that bind when acting; now and then a mistake.

use sheetloft_ledger::body::*;
use sheetloft_ledger::event::{Hash, Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Status};
use sheetloft_shapes::Shape;
use sheetloft_store::{DeviceKey, PieceFilter, StoreError, Tx};
use uuid::Uuid;

use crate::dice::Dice;

fn thing(kind: ThingKind, id: Uuid) -> Thing {
    Thing::new(kind, id)
}

fn piece_thing(id: Uuid) -> Thing {
    thing(ThingKind::Piece, id)
}

fn born(tx: &mut Tx<'_>, height: i64, cost: i64) -> Result<Born, StoreError> {
    Ok(Born {
        id: tx.ids.uuid(),
        code: tx.next_code(sheetloft_ledger::code::Noun::Piece)?,
        shape: Shape::rectangle(1_000, height).expect("a rectangle"),
        flaws: vec![],
        grain_udeg: None,
        known: Known::Machine,
        known_within_um: 300,
        rack: None,
        cost,
    })
}

/// What a person did, in a word; `None` where there was nothing to do it with.
pub type Did = Option<&'static str>;

/// One thing that a person does.
pub fn work(dice: &mut Dice, tx: &mut Tx<'_>, key: &mut DeviceKey) -> Result<Did, StoreError> {
    let pieces = tx.read().pieces(&PieceFilter::default())?;
    let mut pieces = pieces;
    pieces.sort_by_key(|p| p.id);
    let free: Vec<Piece> = pieces.iter().filter(|p| rules::free(p).is_ok()).cloned().collect();
    let on_hand: Vec<Piece> = pieces.iter().filter(|p| rules::on_hand(p).is_ok()).cloned().collect();
    let thawed = |tx: &Tx<'_>, id: Uuid| tx.read().folded(piece_thing(id)).map(|f| !f.frozen);
    if dice.once_in(3)
        && let Some(did) = settle(dice, tx, &pieces, &free)?
    {
        return Ok(Some(did));
    }
    // Devices that choose alike meet in conflicts.
    let [free, on_hand] = [free, on_hand].map(|mut all| {
        if dice.once_in(2) {
            all.truncate(2);
        }
        all
    });
    match dice.roll(30) {
        0 | 1 => receive(dice, tx),
        2 | 3 => Ok(None),
        4 | 5 => {
            let order = tx.ids.uuid();
            let body = OrderMade { order, code: "O".into(), name: "n".into(), customer: None, due: None };
            tx.draft(Body::OrderMade(body), [thing(ThingKind::Order, order)]);
            Ok(Some("order"))
        }
        6 => {
            let rack = tx.ids.uuid();
            let name = format!("R{}", dice.roll(4));
            tx.draft(
                Body::RackAdded(RackAdded { name, within: None, size_um: None, note: None }),
                [thing(ThingKind::Rack, rack)],
            );
            Ok(Some("rack"))
        }
        7 | 8 => material(dice, tx),
        9 | 10 => {
            let Some(piece) = dice.pick(&on_hand) else { return Ok(None) };
            let racks = tx.read().racks()?;
            let rack = dice.pick(&racks).map(|r| r.id);
            if thawed(tx, piece.id)? {
                tx.draft(Body::Moved(Moved { piece: piece.id, rack }), [piece_thing(piece.id)]);
            }
            Ok(Some("move"))
        }
        11 => {
            let Some(piece) = dice.pick(&on_hand) else { return Ok(None) };
            let body = match piece.flaws.first() {
                Some(flaw) if dice.once_in(2) => Body::Mended(Mended { piece: piece.id, flaw: flaw.id }),
                _ => {
                    let shape = Shape::rectangle(10, 10).expect("a rectangle");
                    let flaw = Flaw { id: tx.ids.uuid(), shape, side: FlawSide::Through, why: "crack".into() };
                    Body::Flawed(Flawed { piece: piece.id, flaw })
                }
            };
            if thawed(tx, piece.id)? {
                tx.draft(body, [piece_thing(piece.id)]);
            }
            Ok(Some("flaw"))
        }
        12 => {
            let ids: Vec<Uuid> = on_hand.iter().filter(|p| p.label_due).map(|p| p.id).take(3).collect();
            if !ids.is_empty() {
                let things: Vec<Thing> = ids.iter().copied().map(piece_thing).collect();
                tx.draft(Body::Labelled(Labelled { pieces: ids }), things);
            }
            Ok(Some("label"))
        }
        13 | 14 => {
            let Some(piece) = dice.pick(&free) else { return Ok(None) };
            if thawed(tx, piece.id)? {
                let scrapped = Scrapped { piece: piece.id, why: "bent".into(), written_off: piece.carried() };
                tx.draft(Body::Scrapped(scrapped), [piece_thing(piece.id)]);
            }
            Ok(Some("scrap"))
        }
        15..=17 => {
            let orders = tx.read().orders()?;
            let (Some(piece), Some(order)) = (dice.pick(&free), dice.pick(&orders)) else { return Ok(None) };
            if !thawed(tx, piece.id)? {
                return Ok(None);
            }
            let plan = tx.ids.uuid();
            let made = PlanMade {
                plan,
                code: "P".into(),
                orders: vec![order.id],
                machine: None,
                pieces: vec![],
                not_placed: vec![],
                lower_bound: None,
                to_buy: vec![],
                instead: vec![],
                least_pieces: 0,
            };
            let held = Held { plan, orders: vec![order.id], pieces: vec![piece.id] };
            tx.draft(Body::PlanMade(made), [thing(ThingKind::Plan, plan)]);
            // Two events of one action: one needs the other.
            tx.draft(Body::Held(held), [thing(ThingKind::Plan, plan), piece_thing(piece.id)]);
            Ok(Some("hold"))
        }
        18 => {
            let held: Vec<&Piece> = on_hand.iter().filter(|p| !p.holds.is_empty()).collect();
            let Some(piece) = dice.pick(&held) else { return Ok(None) };
            let plan = piece.holds[0].plan;
            if thawed(tx, piece.id)? {
                let released = Released { plan, pieces: vec![piece.id], taken_over: None };
                tx.draft(Body::Released(released), [thing(ThingKind::Plan, plan), piece_thing(piece.id)]);
            }
            Ok(Some("release"))
        }
        19..=24 => {
            let Some(piece) = dice.pick(&on_hand) else { return Ok(None) };
            if piece.carried() < 4 || !thawed(tx, piece.id)? { Ok(None) } else { cut(dice, tx, piece) }
        }
        27 => {
            let Some(piece) = dice.pick(&on_hand).filter(|p| p.carried() > 1) else { return Ok(None) };
            let to = piece.carried() / [2, 3][dice.roll(2)];
            if thawed(tx, piece.id)? {
                let down = WrittenDownTo { piece: piece.id, to, amount: piece.carried() - to, why: "bent".into() };
                tx.draft(Body::WrittenDownTo(down), [piece_thing(piece.id)]);
            }
            Ok(Some("write down"))
        }
        28 => {
            let sheets: Vec<&Piece> = free.iter().filter(|p| p.kind == PieceKind::Sheet).collect();
            let Some(piece) = dice.pick(&sheets) else { return Ok(None) };
            if thawed(tx, piece.id)? { remeasure(dice, tx, piece) } else { Ok(None) }
        }
        _ => take_back(dice, tx, key.device),
    }
}

/// A sheet of a lot turns out to be of another size.
fn remeasure(dice: &mut Dice, tx: &mut Tx<'_>, piece: &Piece) -> Result<Did, StoreError> {
    let lot = piece.lot.expect("sheets came with a delivery");
    let shape = Shape::rectangle(1_000, 1_000 + 10 * dice.roll(3) as i64).expect("a rectangle");
    let body = LotCorrected {
        lot,
        material: piece.material,
        name: "lot".into(),
        supplier: None,
        thickness_um: None,
        sheets: 1,
        damaged: 0,
        line_total: 0,
        freight: 0,
        duty: 0,
        shares: vec![],
        damaged_off: 0,
        born: vec![],
        why: "measured".into(),
        really: Some(SheetsAre { pieces: vec![piece.id], shape, grain_udeg: None }),
    };
    tx.draft(Body::LotCorrected(body), [thing(ThingKind::Lot, lot), piece_thing(piece.id)]);
    Ok(Some("remeasure"))
}

fn receive(dice: &mut Dice, tx: &mut Tx<'_>) -> Result<Did, StoreError> {
    let (delivery, lot) = (tx.ids.uuid(), tx.ids.uuid());
    let materials = tx.read().materials()?;
    let material = dice.pick(&materials).map_or(Uuid::nil(), |m| m.id);
    let pieces = (0..=dice.roll(2)).map(|_| born(tx, 1_000, 5_000)).collect::<Result<Vec<_>, _>>()?;
    let total = 5_000 * pieces.len() as i64;
    let mut things = vec![thing(ThingKind::Delivery, delivery), thing(ThingKind::Lot, lot)];
    things.extend(pieces.iter().map(|p| piece_thing(p.id)));
    let body = Received {
        delivery,
        lot,
        lot_name: "lot".into(),
        material,
        supplier: None,
        thickness_um: None,
        sheets: pieces.len() as u32,
        damaged: 0,
        line_total: total,
        freight: 0,
        written_off: 0,
        pieces,
        duty: 0,
        on_order: None,
        owner: None,
    };
    tx.draft(Body::Received(body), things);
    Ok(Some("receive"))
}

/// A material, or a change of one: two devices may change the same field.
fn material(dice: &mut Dice, tx: &mut Tx<'_>) -> Result<Did, StoreError> {
    let materials = tx.read().materials()?;
    if let Some(material) = dice.pick(&materials).filter(|_| !dice.once_in(4)) {
        let name = Some(format!("m{}", dice.roll(1_000)));
        let price_per_m2 = (dice.roll(2) == 0).then(|| dice.roll(9_999) as i64);
        let change = MaterialChanged { name, price_per_m2, ..MaterialChanged::default() };
        tx.draft(Body::MaterialChanged(change), [thing(ThingKind::Material, material.id)]);
        return Ok(Some("material change"));
    }
    let id = tx.ids.uuid();
    let added = MaterialAdded {
        name: format!("m{}", dice.roll(1_000)),
        thickness_um: 3_000,
        density_g_m3: None,
        grain: Grain::None,
        sides: Sides::Same,
        kerf_um: 200,
        gap_um: 0,
        margin_um: 0,
        keep_from_um: [0, 0],
        not_for_laser: None,
        price_per_m2: None,
        offcut_value_percent: 100,
        size_tolerance_um: 0,
        stock_sizes: vec![],
        reorder: None,
        sort: None,
        made: None,
        substitutes: vec![],
    };
    tx.draft(Body::MaterialAdded(added), [thing(ThingKind::Material, id)]);
    Ok(Some("material"))
}

fn cut(dice: &mut Dice, tx: &mut Tx<'_>, piece: &Piece) -> Result<Did, StoreError> {
    let orders = tx.read().orders()?;
    let Some(order) = dice.pick(&orders).map(|o| o.id) else { return Ok(None) };
    let (order, plan) = match piece.holds.first() {
        Some(hold) => (hold.orders[0], hold.plan),
        None => (order, tx.ids.uuid()),
    };
    let area2 = piece.shape.area2();
    let left = area2 / 4 / 1_000;
    let born: Vec<Born> = if left > 1 { vec![born(tx, left, piece.carried() / 4)?] } else { vec![] };
    let returned: i64 = born.iter().map(|b| b.cost).sum();
    let offcuts2: i64 = born.iter().map(|b| b.shape.area2()).sum();
    let charge = Charge { parts: piece.carried() - returned, ..Charge::default() };
    let areas = Areas { parts2: area2 - offcuts2, kerf2: 0, offcuts2, scrap2: 0 };
    let mut things = vec![piece_thing(piece.id), thing(ThingKind::Order, order)];
    things.extend(born.iter().map(|b| piece_thing(b.id)));
    if dice.once_in(3) && piece.holds.is_empty() {
        let paid_by = TakenFor::Order { order, charge };
        let taken =
            Taken { piece: piece.id, material: piece.material, lot: piece.lot, paid_by, born, areas, owner: None };
        tx.draft(Body::Taken(taken), things);
        return Ok(Some("take"));
    }
    things.push(thing(ThingKind::Plan, plan));
    let part = CutPart { id: "1".into(), order, line: Uuid::nil(), part: "p".into(), outcome: Outcome::Good, area2: 1 };
    let body = Cut {
        plan,
        piece: piece.id,
        material: piece.material,
        lot: piece.lot,
        parts: vec![part],
        born,
        charges: vec![OrderCharge { order, charge }],
        areas,
        why: None,
        owner: None,
    };
    tx.draft(Body::Cut(body), things);
    Ok(Some("cut"))
}

/// Takes back one of the last actions of this device, whether or not something was built on it.
fn take_back(dice: &mut Dice, tx: &mut Tx<'_>, device: Uuid) -> Result<Did, StoreError> {
    let own = tx.read().own_events(device, 6)?;
    let Some(row) = dice.pick(&own) else { return Ok(None) };
    let action = row.event.envelope.action;
    let events = tx.read().events_of_action(action)?;
    if events.iter().any(|e| matches!(e.event.body, Some(Body::DeviceBegan(_) | Body::ShopNamed(_)) | None)) {
        return Ok(None);
    }
    let mut things: Vec<Thing> = events.iter().flat_map(|e| e.event.things().collect::<Vec<_>>()).collect();
    things.sort();
    things.dedup();
    tx.draft(Body::Undone(Undone { action }), things);
    Ok(Some("undo"))
}

/// Something to work with, from the first day on.
pub fn stock_up(dice: &mut Dice, tx: &mut Tx<'_>) -> Result<Did, StoreError> {
    let order = tx.ids.uuid();
    let body = OrderMade { order, code: "O".into(), name: "n".into(), customer: None, due: None };
    tx.draft(Body::OrderMade(body), [thing(ThingKind::Order, order)]);
    material(dice, tx)?;
    receive(dice, tx)
}

/// A person looks for conflicts and settles one.
pub fn settle_one(dice: &mut Dice, tx: &mut Tx<'_>) -> Result<Did, StoreError> {
    let pieces = tx.read().pieces(&PieceFilter::default())?;
    let free: Vec<Piece> = pieces.iter().filter(|p| rules::free(p).is_ok()).cloned().collect();
    settle(dice, tx, &pieces, &free)
}

/// Somebody settles a conflict, in one of the ways that there are.
fn settle(dice: &mut Dice, tx: &mut Tx<'_>, pieces: &[Piece], free: &[Piece]) -> Result<Did, StoreError> {
    let wanted: Vec<&Piece> = pieces.iter().filter(|p| p.conflict).collect();
    let Some(piece) = dice.pick(&wanted) else { return Ok(None) };
    let history = tx.read().history(Some(piece.id), 1_000)?;
    let sides: Vec<(Hash, Body)> = history
        .into_iter()
        .filter_map(|row| Some((row.event.hash, row.event.body?)))
        .filter(|(_, b)| b.uses() == Some(piece.id) || matches!(b, Body::Held(_)))
        .collect();
    let Some((happened, really)) = dice.pick(&sides).cloned() else { return Ok(None) };
    let mut others = Vec::new();
    let mut left: Vec<&Piece> = free.iter().filter(|p| p.shape == piece.shape).collect();
    for (event, body) in sides.iter().filter(|(hash, _)| *hash != happened) {
        let was = match (dice.roll(4), body.uses(), left.pop()) {
            (0, Some(_), _) => {
                let (one, two) = (body.born().iter(), really.born().iter());
                Was::Same { names: one.zip(two).map(|(a, b)| OtherName { name: a.id, is: b.id }).collect() }
            }
            (1 | 2, Some(_), Some(other)) => used(body, other),
            _ => Was::Nothing,
        };
        others.push(Other { event: *event, was });
    }
    let settled = Settled { piece: piece.id, happened, others };
    let mut ids: Vec<Uuid> = settled.pieces().chain([piece.id]).collect();
    ids.sort();
    ids.dedup();
    tx.draft(Body::Settled(settled), ids.into_iter().map(piece_thing));
    Ok(Some("settle"))
}

fn used(body: &Body, other: &Piece) -> Was {
    let returned: Vec<Carried> =
        body.born().iter().map(|b| Carried { piece: b.id, cost: other.carried() / 5 }).collect();
    let kept: i64 = returned.iter().map(|r| r.cost).sum();
    let charge = Charge { parts: other.carried() - kept, ..Charge::default() };
    let (charges, areas) = match body {
        Body::Cut(b) => (vec![OrderCharge { order: b.charges[0].order, charge }], Some(b.areas)),
        Body::Taken(b) => match b.paid_by {
            TakenFor::Order { order, .. } => (vec![OrderCharge { order, charge }], Some(b.areas)),
            TakenFor::Shop { .. } => (vec![], Some(b.areas)),
        },
        _ => (vec![], None),
    };
    let written_off = if charges.is_empty() { other.carried() - kept } else { 0 };
    Was::Used(Split { piece: other.id, charges, returned, written_off, areas })
}

/// Whether two uses of a piece say different things.
pub fn differ(a: &Body, b: &Body) -> bool {
    !matches!((a, b), (Body::Scrapped(a), Body::Scrapped(b)) if a.written_off == b.written_off)
}

/// Whether a piece shows that it is contradicted.
pub fn shows(piece: &Piece) -> bool {
    piece.conflict && piece.status() == Status::Conflict
}

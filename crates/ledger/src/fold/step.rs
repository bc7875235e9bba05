//! What one event does to one of the things it touches.

use uuid::Uuid;

use crate::body::{Body, MaterialField, PieceKind, Split, TakenFor, WrittenDown, WrittenDownTo};
use crate::count::{self, Count};
use crate::event::{Event, Thing, ThingKind};
use crate::state::{
    Device, Film, Hold, How, KeptQuote, Machine, Material, Noted, Order, Person, Piece, Plan, Rack, Remake, Returned,
    Setting, State, Use,
};

use super::receipts;

/// Applies one event to one of the things it touches.
pub(super) fn step(state: Option<State>, thing: Thing, event: &Event, aside: bool) -> Option<State> {
    let Some(body) = &event.body else { return state };
    let at_ms = event.envelope.clock.ms;
    if thing.kind == ThingKind::Piece {
        return step_piece(state.and_then(State::piece), thing.id, event, body, aside).map(State::Piece);
    }
    if aside {
        return state;
    }
    if thing.kind == ThingKind::Count {
        return step_count(state.and_then(State::count), thing.id, event, body).map(State::Count);
    }
    if matches!(thing.kind, ThingKind::Delivery | ThingKind::Lot) {
        return receipts::step(state, thing, body, at_ms);
    }
    match (body, thing.kind) {
        (Body::DeviceBegan(b), ThingKind::Device) => Some(State::Device(Device {
            id: thing.id,
            tag: b.tag.clone(),
            public_key: b.public_key.clone(),
            name: None,
            through: b.through,
            at_ms,
            revoked: false,
        })),
        (Body::DeviceNamed(b), ThingKind::Device) => {
            let mut device = state.and_then(State::device)?;
            device.name = b.name.clone().or(device.name);
            b.tag.iter().for_each(|tag| device.tag.clone_from(tag));
            Some(State::Device(device))
        }
        (Body::DeviceTrusted(b), ThingKind::Device) => {
            let mut device = state.and_then(State::device)?;
            device.revoked = !b.trusted;
            Some(State::Device(device))
        }
        (Body::PersonAdded(b), ThingKind::Person) => {
            Some(State::Person(Person { id: thing.id, data: b.clone(), left: false }))
        }
        (Body::PersonChanged(b), ThingKind::Person) => {
            let mut person = state.and_then(State::person)?;
            let data = &mut person.data;
            b.name.iter().for_each(|name| data.name.clone_from(name));
            data.role = b.role.unwrap_or(data.role);
            data.costs = b.costs.unwrap_or(data.costs);
            data.pin = b.pin.clone().or(data.pin.take());
            person.left = b.left.unwrap_or(person.left);
            Some(State::Person(person))
        }
        (Body::ShopNamed(b), ThingKind::Setting) => {
            Some(State::Setting(Setting { id: thing.id, data: b.clone(), address: None }))
        }
        (Body::AddressSet(b), ThingKind::Setting) => {
            let mut setting = state.and_then(State::setting)?;
            setting.address.clone_from(&b.address);
            Some(State::Setting(setting))
        }
        (Body::PaperKept(b), ThingKind::Setting) => Some(State::Paper(b.clone())),
        (Body::PaperDropped(_), ThingKind::Setting) => None,
        (Body::RackAdded(b), ThingKind::Rack) => Some(State::Rack(Rack {
            id: thing.id,
            name: b.name.clone(),
            within: b.within,
            size_um: b.size_um,
            note: b.note.clone(),
        })),
        (Body::RackDescribed(b), ThingKind::Rack) => {
            let mut rack = state.and_then(State::rack)?;
            (rack.within, rack.size_um, rack.note) = (b.within, b.size_um, b.note.clone());
            Some(State::Rack(rack))
        }
        (Body::MaterialAdded(b), ThingKind::Material) => {
            Some(State::Material(Box::new(Material { id: thing.id, data: b.clone(), retired: false })))
        }
        (Body::MaterialChanged(change), ThingKind::Material) => {
            let mut material = state.and_then(State::material)?;
            let data = &mut material.data;
            let c = change.clone();
            c.name.into_iter().for_each(|v| data.name = v);
            data.density_g_m3 = c.density_g_m3.or(data.density_g_m3);
            data.not_for_laser = c.not_for_laser.or(data.not_for_laser.take());
            data.price_per_m2 = c.price_per_m2.or(data.price_per_m2);
            c.kerf_um.into_iter().for_each(|v| data.kerf_um = v);
            c.gap_um.into_iter().for_each(|v| data.gap_um = v);
            c.margin_um.into_iter().for_each(|v| data.margin_um = v);
            c.keep_from_um.into_iter().for_each(|v| data.keep_from_um = v);
            c.offcut_value_percent.into_iter().for_each(|v| data.offcut_value_percent = v);
            c.size_tolerance_um.into_iter().for_each(|v| data.size_tolerance_um = v);
            c.stock_sizes.into_iter().for_each(|v| data.stock_sizes = v);
            data.reorder = c.reorder.or(data.reorder);
            data.sort = c.sort.or(data.sort);
            data.made = c.made.or(data.made);
            c.substitutes.into_iter().for_each(|v| data.substitutes = v);
            for field in c.cleared {
                match field {
                    MaterialField::Density => data.density_g_m3 = None,
                    MaterialField::NotForLaser => data.not_for_laser = None,
                    MaterialField::Price => data.price_per_m2 = None,
                    MaterialField::Reorder => data.reorder = None,
                    MaterialField::Sort => data.sort = None,
                    MaterialField::Made => data.made = None,
                }
            }
            Some(State::Material(material))
        }
        (Body::MachineAdded(b), ThingKind::Machine) => {
            let data = b.clone();
            let machine = Machine {
                id: thing.id,
                data,
                tuned: Vec::new(),
                retired: false,
                limits: Vec::new(),
                focus_above_um: 0,
                notes: Vec::new(),
            };
            Some(State::Machine(machine))
        }
        (Body::MachineChanged(change), ThingKind::Machine) => {
            let mut machine = state.and_then(State::machine)?;
            let c = change.clone();
            c.bed_um.into_iter().for_each(|v| machine.data.bed_um = v);
            c.kind.into_iter().for_each(|v| machine.data.kind = v);
            machine.data.max_thickness_um = c.max_thickness_um.or(machine.data.max_thickness_um);
            c.limits.into_iter().for_each(|v| machine.limits = v);
            c.focus_above_um.into_iter().for_each(|v| machine.focus_above_um = v);
            Some(State::Machine(machine))
        }
        (Body::CuttingNoted(b), ThingKind::Machine) => {
            let mut machine = state.and_then(State::machine)?;
            machine.notes.push(Noted { note: b.clone(), at_ms });
            Some(State::Machine(machine))
        }
        (Body::Retired(b), ThingKind::Machine) => {
            let mut machine = state.and_then(State::machine)?;
            machine.retired = b.retired;
            Some(State::Machine(machine))
        }
        (Body::Retired(b), ThingKind::Material) => {
            let mut material = state.and_then(State::material)?;
            material.retired = b.retired;
            Some(State::Material(material))
        }
        (Body::MachineTuned(b), ThingKind::Machine) => {
            let mut machine = state.and_then(State::machine)?;
            machine.tuned.retain(|t| t.material != b.material);
            machine.tuned.push(b.clone());
            Some(State::Machine(machine))
        }
        (Body::OrderMade(b), ThingKind::Order) => Some(State::Order(Box::new(Order {
            id: thing.id,
            code: b.code.clone(),
            name: b.name.clone(),
            customer: b.customer.clone(),
            due: b.due.clone(),
            lines: Vec::new(),
            drawings: Vec::new(),
            done: Vec::new(),
            remakes: Vec::new(),
            at_ms,
            price: None,
            closed: false,
            quotes: Vec::new(),
        }))),
        (Body::OrderPriced(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            order.price = b.price;
            Some(State::Order(order))
        }
        (Body::Quoted(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            let (device, person) = (event.envelope.device, event.envelope.person);
            order.quotes.push(KeptQuote { quote: b.clone(), at_ms, device, person });
            Some(State::Order(order))
        }
        (Body::OrderClosed(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            order.closed = b.closed;
            Some(State::Order(order))
        }
        (Body::LineAdded(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            order.lines.push(b.clone());
            Some(State::Order(order))
        }
        (Body::Remade(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            let (line, part, quantity) = (b.line, b.part.clone(), b.quantity);
            order.remakes.push(Remake { line, part, quantity, why: b.why.clone(), at_ms });
            Some(State::Order(order))
        }
        (Body::DrawingRead(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            order.drawings.push(b.clone());
            Some(State::Order(order))
        }
        (Body::Cut(b), ThingKind::Order) => {
            let mut order = state.and_then(State::order)?;
            for part in b.parts.iter().filter(|p| p.order == thing.id) {
                order.count(part.line, &part.part, part.outcome);
            }
            Some(State::Order(order))
        }
        (Body::PlanMade(b), ThingKind::Plan) => Some(State::Plan(Box::new(Plan {
            id: thing.id,
            code: b.code.clone(),
            orders: b.orders.clone(),
            machine: b.machine,
            pieces: b.pieces.clone(),
            not_placed: b.not_placed.clone(),
            lower_bound: b.lower_bound,
            least_pieces: b.least_pieces,
            held: false,
            cut: Vec::new(),
            to_buy: b.to_buy.clone(),
            instead: b.instead.clone(),
            taken_over: None,
            at_ms,
        }))),
        (Body::Held(_) | Body::Released(_), ThingKind::Plan) => {
            let mut plan = state.and_then(State::plan)?;
            plan.held = matches!(body, Body::Held(_));
            plan.taken_over = match body {
                Body::Released(b) => b.taken_over.clone(),
                _ => None,
            };
            Some(State::Plan(plan))
        }
        (Body::Cut(b), ThingKind::Plan) => {
            let mut plan = state.and_then(State::plan)?;
            plan.cut.push(b.piece);
            Some(State::Plan(plan))
        }
        _ => state,
    }
}

/// Applies one event to a count.
fn step_count(state: Option<Box<Count>>, id: Uuid, event: &Event, body: &Body) -> Option<Box<Count>> {
    let step = match body {
        Body::CountStarted(b) => count::Step::Started(b),
        Body::CountExpected(b) => count::Step::Expected(b),
        Body::CountSeen(b) => count::Step::Seen(b),
        Body::CountPaused(b) => count::Step::Paused(b),
        Body::CountSettled(b) => count::Step::Settled(b),
        Body::CountFinished(b) => count::Step::Finished(b),
        _ => return state,
    };
    count::step(state.map(|c| *c), id, event, step).map(Box::new)
}

/// Applies one event to a piece. `aside`: the event does not count; only what it left is kept, at nothing.
fn step_piece(piece: Option<Box<Piece>>, id: Uuid, event: &Event, body: &Body, aside: bool) -> Option<Box<Piece>> {
    if let Some(born) = body.born().iter().find(|b| b.id == id) {
        let (kind, material, lot, from, owner) = match body {
            Body::Received(b) => (PieceKind::Sheet, b.material, Some(b.lot), None, &b.owner),
            Body::LotCorrected(b) => (PieceKind::Sheet, b.material, Some(b.lot), None, &None),
            Body::Recorded(b) => (b.kind, b.material, b.lot, b.from, &b.owner),
            Body::Cut(b) => (PieceKind::Offcut, b.material, b.lot, Some(b.piece), &b.owner),
            Body::Taken(b) => (PieceKind::Offcut, b.material, b.lot, Some(b.piece), &b.owner),
            _ => return piece,
        };
        let (received, note) = match body {
            Body::Recorded(b) => (born.cost, b.note.clone()),
            _ => (0, None),
        };
        return Some(Box::new(Piece {
            id,
            code: born.code.clone(),
            kind,
            material,
            lot,
            from,
            shape: born.shape.clone(),
            flaws: born.flaws.clone(),
            grain_udeg: born.grain_udeg,
            known: born.known,
            known_within_um: born.known_within_um,
            rack: born.rack,
            note,
            received,
            cost: if aside { 0 } else { born.cost },
            born: event.hash,
            born_ms: event.envelope.clock.ms,
            label_due: true,
            holds: Vec::new(),
            used: None,
            conflict: false,
            blocked: false,
            set_aside: aside,
            gone: None,
            later: 0,
            written_down: 0,
            owner: owner.clone(),
            film: None,
        }));
    }
    let mut piece = piece?;
    if aside {
        return Some(piece);
    }
    match body {
        Body::Moved(b) => piece.rack = b.rack,
        Body::Flawed(b) => piece.flaws.push(b.flaw.clone()),
        Body::Mended(b) => piece.flaws.retain(|f| f.id != b.flaw),
        Body::Labelled(_) => piece.label_due = false,
        Body::LabelWanted(_) => piece.label_due = true,
        Body::Held(b) => {
            piece.holds.push(Hold { event: event.hash, plan: b.plan, orders: b.orders.clone() });
            piece.holds.sort_by_key(|h| h.event);
        }
        Body::Released(b) => piece.holds.retain(|h| h.plan != b.plan),
        Body::LotAdjusted(b) => {
            let by = b.shares.iter().filter(|s| s.piece == id).map(|s| s.amount).sum();
            piece.later += by;
            piece.change_cost(by);
        }
        Body::LotCorrected(b) => {
            piece.change_cost(b.shares.iter().filter(|s| s.piece == id).map(|s| s.amount).sum());
            if let Some(really) = b.really.as_ref().filter(|r| r.pieces.contains(&id) && piece.used.is_none()) {
                piece.material = b.material;
                piece.shape.clone_from(&really.shape);
                piece.grain_udeg = really.grain_udeg;
            }
        }
        // What was set aside carries nothing, so nothing can be taken off it.
        Body::WrittenDown(_) | Body::WrittenDownTo(_) if piece.set_aside => {}
        Body::WrittenDown(WrittenDown { amount, .. }) | Body::WrittenDownTo(WrittenDownTo { amount, .. }) => {
            piece.later -= amount;
            piece.written_down += amount;
            piece.change_cost(-amount);
        }
        Body::FilmNoted(b) => {
            piece.film = (b.face || b.back).then(|| Film { face: b.face, back: b.back, since: b.since.clone() });
        }
        Body::FoundAgain(b) => {
            piece.rack = b.rack;
            piece.label_due = true;
        }
        Body::Cut(_) | Body::Taken(_) | Body::Scrapped(_) | Body::Withdrawn(_) | Body::HandedBack(_) => {
            piece.used = Some(used(&piece, event, body, None));
            piece.holds.clear();
        }
        _ => {}
    }
    Some(piece)
}

/// The use that an event records, with the difference to what the piece carries. Where it used another piece than was
/// written down, the split that was settled stands in the place of what the event says.
pub(super) fn used(piece: &Piece, event: &Event, body: &Body, split: Option<&Split>) -> Use {
    let mut used = Use {
        event: event.hash,
        at_ms: event.envelope.clock.ms,
        how: How::Scrapped,
        charges: Vec::new(),
        returned: body
            .born()
            .iter()
            .map(|b| Returned { piece: b.id, code: b.code.clone(), cost: b.cost, area2: b.shape.area2() })
            .collect(),
        written_off: 0,
        why: None,
        difference: 0,
        areas: None,
        withdrawn: 0,
    };
    match body {
        Body::Cut(b) => {
            used.how = How::Cut { plan: b.plan };
            used.charges.clone_from(&b.charges);
            used.areas = Some(b.areas);
        }
        Body::Taken(b) => {
            used.how = How::Taken;
            used.areas = Some(b.areas);
            match &b.paid_by {
                TakenFor::Order { order, charge } => {
                    used.charges.push(crate::body::OrderCharge { order: *order, charge: *charge });
                }
                TakenFor::Shop { why, amount } => {
                    used.written_off = *amount;
                    used.why = Some(why.clone());
                }
            }
        }
        Body::Scrapped(b) => {
            used.written_off = b.written_off;
            used.why = Some(b.why.clone());
        }
        // Of another piece than the one that never came there is nothing to take out of the books: it is written off.
        Body::Withdrawn(b) if split.is_some() || b.piece != piece.id => used.why = Some(b.why.clone()),
        Body::Withdrawn(b) => {
            used.how = How::Withdrawn;
            used.withdrawn = b.amount;
            used.why = Some(b.why.clone());
        }
        Body::HandedBack(b) => {
            used.how = How::HandedBack;
            used.why.clone_from(&b.why);
        }
        _ => {}
    }
    if let Some(split) = split {
        let carries = |id| split.returned.iter().find(|r| r.piece == id).map_or(0, |r| r.cost);
        used.charges.clone_from(&split.charges);
        used.returned.iter_mut().for_each(|r| r.cost = carries(r.piece));
        used.written_off = split.written_off;
        used.areas = split.areas;
    }
    // Areas of another outline say nothing here: the use was settled to be of this piece, or decided while the outline
    // stood otherwise, by a correction that was taken back too late.
    used.areas = used.areas.filter(|areas| areas.total2() == piece.shape.area2());
    let recorded: i64 = used.charges.iter().map(|c| c.charge.total()).sum::<i64>()
        + used.returned.iter().map(|r| r.cost).sum::<i64>()
        + used.written_off
        + used.withdrawn;
    used.difference = piece.cost - recorded;
    used
}

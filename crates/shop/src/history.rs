//! `history`: every action, who and when, in a sentence.

use std::collections::HashMap;

use sheetloft_ledger::body::{Body, Born, Released, TakenFor, WrittenDown, WrittenDownTo};
use sheetloft_ledger::event::{Event, Thing, ThingKind};
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::state::State;
use sheetloft_store::{ActionRow, Reader};
use uuid::Uuid;

use crate::action::History;
use crate::answer::{HistoryAnswer, HistoryRow};
use crate::error::Error;
use crate::exchange;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled};
use crate::view::{self, size_text};

/// The most events that one look at the history reads.
pub const MOST: usize = 2_000;

/// The history of everything, of a piece or of an order; newest first.
pub fn history(shop: &Shop, with: &History) -> Result<HistoryAnswer, Error> {
    let reader = shop.read();
    let thing = match (filled(with.piece.as_deref()), filled(with.order.as_deref())) {
        (Some(_), Some(_)) => return Err(Error::bad(say!("error-history-one")).at("order")),
        (Some(code), None) => Some(reader.find_piece(code).map_err(|e| e.at("piece"))?.id),
        (None, Some(code)) => Some(reader.find_order(code).map_err(|e| e.at("order"))?.id),
        (None, None) => None,
    };
    Ok(HistoryAnswer { actions: rows(shop, reader.history(thing, MOST)?)? })
}

/// Events, newest first, as one row an action.
pub fn rows(shop: &Shop, events: Vec<ActionRow>) -> Result<Vec<HistoryRow>, Error> {
    let reader = shop.read();
    let tags: HashMap<Uuid, String> = reader.devices()?.into_iter().map(|d| (d.id, d.tag)).collect();
    let people: HashMap<Uuid, String> = reader.people()?.into_iter().map(|p| (p.id, p.data.name)).collect();
    let mut rows: Vec<HistoryRow> = Vec::new();
    let mut at = 0;
    while at < events.len() {
        let action = events[at].event.envelope.action;
        let together = events[at..].iter().take_while(|e| e.event.envelope.action == action).count();
        let first = &events[at + together - 1];
        let envelope = &first.event.envelope;
        rows.push(HistoryRow {
            when: view::when(envelope.clock.ms),
            by: envelope.person.and_then(|id| people.get(&id).cloned()),
            device: tags.get(&envelope.device).cloned().unwrap_or_else(|| envelope.device.to_string()),
            text: sentence(shop, &reader, &first.event, &events[at..at + together])?,
            standing: match first.standing {
                Some(Standing::Counts) | None => "counts",
                Some(Standing::Undone) => "undone",
                Some(Standing::TooLate) => "too_late",
                Some(Standing::SetAside) => "set_aside",
                Some(Standing::NotUnderstood) => "not_understood",
            }
            .to_owned(),
            action: action.to_string(),
        });
        at += together;
    }
    Ok(rows)
}

/// What an action did, in one sentence, by its first event; `events` are all that it has.
pub fn sentence(shop: &Shop, reader: &Reader<'_>, first: &Event, events: &[ActionRow]) -> Result<String, Error> {
    let text = one(shop, reader, first)?.text();
    // That a drawing's layers are remembered is nothing to be told.
    let told = events.iter().filter(|e| !matches!(e.event.body, Some(Body::DrawingRead(_)))).count();
    Ok(match told {
        0 | 1 => text,
        n => say!("history-more", text = text, count = n - 1).text(),
    })
}

fn piece(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    match reader.piece(id)? {
        Some(piece) => Ok(piece.code),
        None => name_at_birth(reader, id),
    }
}

fn order(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    named(reader, Thing::new(ThingKind::Order, id), |s| s.order().map(|o| o.code))
}

fn plan(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    named(reader, Thing::new(ThingKind::Plan, id), |s| s.plan().map(|p| p.code))
}

fn material(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    named(reader, Thing::new(ThingKind::Material, id), |s| s.material().map(|m| m.data.name))
}

fn lot(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    named(reader, Thing::new(ThingKind::Lot, id), |s| s.lot().map(|l| l.name))
}

fn delivery(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    named(reader, Thing::new(ThingKind::Delivery, id), |s| s.delivery().map(|d| d.name))
}

/// The name of the material or machine that an event is about.
fn catalogued(reader: &Reader<'_>, event: &Event) -> Result<String, Error> {
    let Some(thing) = event.things().next() else { return Ok(String::new()) };
    named(reader, thing, |s| match s {
        State::Material(m) => Some(m.data.name),
        State::Machine(m) => Some(m.data.name),
        _ => None,
    })
}

fn rack(reader: &Reader<'_>, id: Option<Uuid>) -> Result<String, Error> {
    let Some(id) = id else { return Ok("—".to_owned()) };
    named(reader, Thing::new(ThingKind::Rack, id), |s| s.rack().map(|r| r.name))
}

/// The rack that a count is of.
fn counted(reader: &Reader<'_>, count: Uuid) -> Result<String, Error> {
    let count = reader.folded(Thing::new(ThingKind::Count, count))?.state.and_then(State::count);
    rack(reader, count.map(|c| c.rack))
}

fn named(reader: &Reader<'_>, thing: Thing, name: impl Fn(State) -> Option<String>) -> Result<String, Error> {
    match reader.folded(thing)?.state.and_then(name) {
        Some(name) => Ok(name),
        None => name_at_birth(reader, thing.id),
    }
}

/// What a thing was called by the event that made it: of things whose making was undone there is no state.
fn name_at_birth(reader: &Reader<'_>, id: Uuid) -> Result<String, Error> {
    let born = |all: &[Born]| all.iter().find(|b| b.id == id).map(|b| b.code.clone());
    let name = reader.birth(id)?.and_then(|row| match &row.event.body {
        Some(Body::Received(b)) => born(&b.pieces),
        Some(Body::Recorded(b)) => Some(b.piece.code.clone()),
        Some(Body::Cut(b)) => born(&b.born),
        Some(Body::Taken(b)) => born(&b.born),
        Some(Body::LotCorrected(b)) => born(&b.born),
        Some(Body::MachineAdded(b)) => Some(b.name.clone()),
        Some(Body::OnOrder(b)) => Some(b.name.clone()),
        Some(Body::Delivered(b)) => Some(b.name.clone()),
        Some(Body::OrderMade(b)) => Some(b.code.clone()),
        Some(Body::PlanMade(b)) => Some(b.code.clone()),
        Some(Body::MaterialAdded(b)) => Some(b.name.clone()),
        Some(Body::RackAdded(b)) => Some(b.name.clone()),
        _ => None,
    });
    Ok(name.unwrap_or_else(|| id.to_string()))
}

fn one(shop: &Shop, reader: &Reader<'_>, event: &Event) -> Result<Say, Error> {
    let Some(body) = &event.body else {
        return Ok(say!("history-unknown", kind = &event.envelope.kind));
    };
    Ok(match body {
        Body::DeviceBegan(b) => say!("history-device-began", tag = &b.tag),
        Body::DeviceNamed(b) => match (&b.tag, &b.name) {
            (Some(tag), _) => say!("history-device-tagged", tag = tag),
            (None, name) => say!("history-device-named", name = name.clone().unwrap_or_default()),
        },
        Body::DeviceTrusted(b) => {
            let id = event.things().next().map(|t| t.id).unwrap_or_default();
            let device = exchange::tag(&reader.devices()?, id);
            match b.trusted {
                true => say!("history-device-let-in", device = device),
                false => say!("history-device-sent-away", device = device),
            }
        }
        Body::PersonAdded(b) => say!("history-person-added", name = &b.name),
        Body::PersonChanged(b) => {
            let id = event.things().next().map(|t| t.id).unwrap_or_default();
            let person = reader.people()?.into_iter().find(|p| p.id == id);
            let name = person.map(|p| p.data.name).unwrap_or_default();
            match b.left {
                Some(true) => say!("history-person-left", name = name),
                _ => say!("history-person-changed", name = name),
            }
        }
        Body::ShopNamed(b) => say!("history-shop-named", name = &b.name),
        Body::MaterialAdded(b) => say!("history-material-added", name = &b.name),
        Body::MaterialChanged(_) => {
            let id = event.things().next().map(|t| t.id).unwrap_or_default();
            say!("history-material-changed", name = material(reader, id)?)
        }
        Body::MachineAdded(b) => say!("history-machine-added", name = &b.name),
        Body::MachineTuned(b) => say!("history-machine-tuned", material = material(reader, b.material)?),
        Body::RackAdded(b) => say!("history-rack-added", name = &b.name),
        Body::Received(b) => say!(
            "history-received",
            count = b.sheets - b.damaged,
            damaged = b.damaged,
            material = material(reader, b.material)?,
            lot = &b.lot_name,
        ),
        Body::Recorded(b) => {
            say!("history-recorded", piece = &b.piece.code, material = material(reader, b.material)?)
        }
        Body::Moved(b) => say!("history-moved", piece = piece(reader, b.piece)?, rack = rack(reader, b.rack)?),
        Body::Flawed(b) => say!("history-flawed", piece = piece(reader, b.piece)?, why = &b.flaw.why),
        Body::Mended(b) => say!("history-mended", piece = piece(reader, b.piece)?),
        Body::Scrapped(b) => {
            say!("history-scrapped", piece = piece(reader, b.piece)?, why = &b.why, sum = shop.money(b.written_off),)
        }
        Body::Taken(b) => match &b.paid_by {
            TakenFor::Order { order: id, charge } => say!(
                "history-taken",
                piece = piece(reader, b.piece)?,
                order = order(reader, *id)?,
                sum = shop.money(charge.total()),
            ),
            TakenFor::Shop { why, amount } => {
                say!("history-taken-shop", piece = piece(reader, b.piece)?, why = why, sum = shop.money(*amount),)
            }
        },
        Body::OrderMade(b) => say!("history-order-made", order = &b.code, name = &b.name),
        Body::LineAdded(b) => {
            let parts: u32 = b.parts.iter().map(|p| p.quantity.saturating_mul(b.quantity)).sum();
            say!("history-line-added", order = order(reader, b.order)?, count = parts, name = &b.name)
        }
        Body::DrawingRead(b) => say!("history-drawing-read", order = order(reader, b.order)?),
        Body::PlanMade(b) => say!("history-plan-made", plan = &b.code, count = b.pieces.len()),
        Body::Held(b) => say!("history-held", plan = plan(reader, b.plan)?, count = b.pieces.len()),
        Body::Remade(b) => {
            say!("history-remade", order = order(reader, b.order)?, count = b.quantity, part = &b.part, why = &b.why,)
        }
        Body::Released(Released { plan: from, taken_over: Some(t), .. }) => {
            say!("history-taken-over", plan = plan(reader, *from)?, by = plan(reader, t.by)?, why = &t.why,)
        }
        Body::Released(b) => say!("history-released", plan = plan(reader, b.plan)?, count = b.pieces.len()),
        Body::Cut(b) => {
            let sum: i64 = b.charges.iter().map(|c| c.charge.total()).sum();
            let cut = say!(
                "history-cut",
                piece = piece(reader, b.piece)?,
                plan = plan(reader, b.plan)?,
                offcuts = b.born.len(),
                sum = shop.money(sum),
            );
            match &b.why {
                Some(why) => say!("history-why", text = cut.text(), why = why),
                None => cut,
            }
        }
        Body::Settled(b) => say!("history-settled", piece = piece(reader, b.piece)?),
        Body::OnOrder(b) => {
            let sheets: u32 = b.lines.iter().map(|l| l.sheets).sum();
            say!("history-on-order", count = sheets, name = &b.name)
        }
        Body::OnOrderDropped(b) => {
            say!("history-on-order-dropped", name = delivery(reader, b.delivery)?, why = &b.why)
        }
        Body::Delivered(b) => say!("history-delivered", name = &b.name),
        Body::LotAdjusted(b) if b.amount < 0 => {
            say!("history-lot-credit", lot = lot(reader, b.lot)?, sum = shop.money(-b.amount), why = &b.why)
        }
        Body::LotAdjusted(b) => {
            say!("history-lot-cost", lot = lot(reader, b.lot)?, sum = shop.money(b.amount), why = &b.why)
        }
        Body::Claimed(b) => {
            say!("history-claimed", lot = lot(reader, b.lot)?, sum = shop.money(b.amount), why = &b.why)
        }
        Body::Withdrawn(b) => {
            say!("history-withdrawn", piece = piece(reader, b.piece)?, lot = lot(reader, b.lot)?, why = &b.why)
        }
        Body::LotCorrected(b) => match &b.really {
            Some(really) => say!(
                "history-lot-really",
                lot = lot(reader, b.lot)?,
                count = really.pieces.len() + b.born.len(),
                size = size_text(&really.shape, shop),
                material = material(reader, b.material)?,
                why = &b.why,
            ),
            None => say!("history-lot-corrected", lot = lot(reader, b.lot)?, why = &b.why),
        },
        Body::WrittenDown(WrittenDown { piece: of, amount, why })
        | Body::WrittenDownTo(WrittenDownTo { piece: of, amount, why, .. }) => {
            say!("history-written-down", piece = piece(reader, *of)?, sum = shop.money(*amount), why = why)
        }
        Body::FoundAgain(b) => {
            say!("history-found-again", piece = piece(reader, b.piece)?, rack = rack(reader, b.rack)?)
        }
        Body::HandedBack(b) => say!("history-handed-back", piece = piece(reader, b.piece)?),
        Body::FilmNoted(b) => say!("history-film", piece = piece(reader, b.piece)?),
        Body::Retired(b) => match b.retired {
            true => say!("history-retired", name = catalogued(reader, event)?),
            false => say!("history-back-in-use", name = catalogued(reader, event)?),
        },
        Body::MachineChanged(_) => say!("history-machine-changed", name = catalogued(reader, event)?),
        Body::CuttingNoted(b) => say!(
            "history-cutting-noted",
            machine = catalogued(reader, event)?,
            material = material(reader, b.material)?,
        ),
        Body::OrderPriced(b) => match b.price {
            Some(sum) => say!("history-order-priced", order = order(reader, b.order)?, sum = shop.money(sum)),
            None => say!("history-order-unpriced", order = order(reader, b.order)?),
        },
        Body::Quoted(b) => {
            say!("history-quoted", sum = shop.money(b.total), order = order(reader, b.order)?, number = &b.name)
        }
        Body::OrderClosed(b) => match b.closed {
            true => say!("history-order-closed", order = order(reader, b.order)?),
            false => say!("history-order-reopened", order = order(reader, b.order)?),
        },
        Body::Labelled(b) => say!("history-labelled", count = b.pieces.len()),
        Body::LabelWanted(b) => say!("history-label-wanted", count = b.pieces.len()),
        Body::AddressSet(b) => match &b.address {
            Some(address) => say!("history-address-set", address = address),
            None => say!("history-address-none"),
        },
        Body::PaperKept(b) => say!("history-paper-kept", name = &b.name),
        Body::PaperDropped(_) => say!("history-paper-dropped"),
        Body::RackDescribed(b) => say!("history-rack-described", name = rack(reader, Some(b.rack))?),
        Body::CountStarted(b) => say!("history-count-started", rack = rack(reader, Some(b.rack))?),
        Body::CountExpected(b) => say!("history-count-expected", count = b.pieces.len()),
        Body::CountSeen(b) => {
            say!("history-count-seen", rack = counted(reader, b.count)?, count = b.pieces.len() + b.unknown.len())
        }
        Body::CountPaused(b) if b.paused => say!("history-count-paused", rack = counted(reader, b.count)?),
        Body::CountPaused(b) => say!("history-count-resumed", rack = counted(reader, b.count)?),
        Body::CountSettled(b) => say!("history-count-settled", rack = counted(reader, b.count)?),
        Body::CountFinished(b) => say!("history-count-finished", rack = counted(reader, b.count)?),
        Body::Undone(b) => {
            let first_of = |action| Ok::<_, Error>(reader.events_of_action(action)?.into_iter().next());
            // What was taken back or done again; never an undo itself, so that no chain of them is followed.
            let name = |row: Option<ActionRow>| match row {
                Some(row) if !row.event.is_undo() => Ok::<_, Error>(one(shop, reader, &row.event)?.text()),
                _ => Ok("—".to_owned()),
            };
            let first = first_of(b.action)?;
            match first.as_ref().and_then(|row| row.event.body.as_ref()) {
                Some(Body::Undone(again)) => say!("history-redone", text = name(first_of(again.action)?)?),
                _ => say!("history-undone", text = name(first)?),
            }
        }
    })
}

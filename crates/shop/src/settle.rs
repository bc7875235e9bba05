//! `settle`: which of the uses of a piece happened, and what the others were. The books are right afterwards.

use std::collections::BTreeSet;

use sheetloft_ledger::body::{
    Areas, Body, Born, Carried, Other, OtherName, Outcome, Released, Settled, Split, TakenFor, TakenOver, Was,
};
use sheetloft_ledger::event::{Event, Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, State};
use sheetloft_store::{Reader, Tx};
use uuid::Uuid;

use crate::action::{OtherGiven, Settle};
use crate::answer::{Changed, SettleAnswer};
use crate::conflicts::sides;
use crate::error::Error;
use crate::host::Host;
use crate::shop::{Lookup, Shop, shown};
use crate::{hold, order, say};

/// What one of the other events was, as given.
enum Said {
    Nothing,
    Same,
    Used(Box<Piece>),
}

/// Settles a conflict of a piece.
pub fn settle(shop: &mut Shop, host: &mut dyn Host, with: &Settle) -> Result<(SettleAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let piece = reader.find_piece(&with.piece).map_err(|e| e.at("piece"))?;
    reader.not_frozen(Thing::piece(piece.id), &piece.code)?;
    if !piece.conflict {
        return Err(Error::refused(say!("refused-no-conflict", piece = &piece.code)).at("piece"));
    }
    let sides = sides(&reader, &piece)?;
    let happened = named(&sides, &with.happened, &piece).map_err(|e| e.at("happened"))?;
    let mut others: Vec<(Event, Said)> = Vec::new();
    for given in &with.others {
        let event = named(&sides, &given.event, &piece).map_err(|e| e.at("other"))?;
        if event.hash == happened.hash || others.iter().any(|(e, _)| e.hash == event.hash) {
            return Err(Error::bad(say!("error-settle-twice", event = shown(&given.event))).at("other"));
        }
        let said = said(&reader, given, &piece, &event, &happened).map_err(|e| e.at("other"))?;
        others.push((event, said));
    }
    // What is left out was nothing; but for what the one that happened goes on from.
    for event in &sides {
        let down = matches!(&event.body, Some(Body::WrittenDownTo(_)));
        if down && reader.knew(Thing::piece(piece.id), happened.hash, event.hash)? {
            continue;
        }
        if event.hash != happened.hash && others.iter().all(|(e, _)| e.hash != event.hash) {
            others.push((event.clone(), Said::Nothing));
        }
    }
    others.sort_by_key(|(event, _)| event.hash);
    let used: BTreeSet<Uuid> =
        others.iter().filter_map(|(_, s)| if let Said::Used(p) = s { Some(p.id) } else { None }).collect();
    if used.len() != others.iter().filter(|(_, s)| matches!(s, Said::Used(_))).count() {
        return Err(Error::bad(say!("error-settle-one-piece")).at("other"));
    }
    let ((again, names, used), changed) = shop.write(host, |tx| {
        let mut again: BTreeSet<String> = BTreeSet::new();
        let mut names = Vec::new();
        let mut used = Vec::new();
        let mut settled = Settled { piece: piece.id, happened: happened.hash, others: Vec::new() };
        for (event, said) in &others {
            let was = match said {
                Said::Nothing => {
                    again.extend(let_go(tx, event, &happened, &piece)?);
                    Was::Nothing
                }
                Said::Same => {
                    let pairs = pair(born(event), born(&happened));
                    let code =
                        |all: &[Born], id| all.iter().find(|b| b.id == id).map_or_else(String::new, |b| b.code.clone());
                    names.extend(pairs.iter().map(|n| [code(born(event), n.name), code(born(&happened), n.is)]));
                    Was::Same { names: pairs }
                }
                Said::Used(other) => {
                    let now = tx.read().piece(other.id)?.unwrap_or_else(|| (**other).clone());
                    rules::free(&now)?;
                    used.push(now.code.clone());
                    Was::Used(split(&tx.read(), event, &now)?)
                }
            };
            settled.others.push(Other { event: event.hash, was });
        }
        let ids: BTreeSet<Uuid> = settled.pieces().chain([piece.id]).collect();
        tx.draft(Body::Settled(settled), ids.into_iter().map(Thing::piece));
        Ok((again, names, used))
    })?;
    let status = shop.read().piece(piece.id)?.map_or_else(String::new, |p| p.status().word().to_owned());
    let answer = SettleAnswer { piece: piece.code, status, again: again.into_iter().collect(), names, used };
    Ok((answer, changed))
}

/// The side that a person named, by its UUID or the beginning of its hash.
fn named(sides: &[Event], text: &str, piece: &Piece) -> Result<Event, Error> {
    let given = text.trim().to_lowercase();
    let is =
        |e: &&Event| e.envelope.id.to_string() == given || (given.len() >= 8 && e.hash.to_string().starts_with(&given));
    let mut found = sides.iter().filter(is);
    match (found.next(), found.next()) {
        (Some(event), None) => Ok(event.clone()),
        _ => Err(Error::bad(say!("error-settle-event", event = shown(text), piece = &piece.code))),
    }
}

fn said(
    reader: &Reader<'_>,
    given: &OtherGiven,
    piece: &Piece,
    event: &Event,
    happened: &Event,
) -> Result<Said, Error> {
    let is_use = |e: &Event| e.body.as_ref().is_some_and(|b| b.uses().is_some());
    let never_came = matches!(&event.body, Some(Body::Withdrawn(_)));
    let other = given.piece.as_deref().map(str::trim).filter(|t| !t.is_empty());
    match (given.was.trim(), other) {
        ("nothing", None) => Ok(Said::Nothing),
        ("same", None) if is_use(event) && is_use(happened) => Ok(Said::Same),
        ("used", Some(_)) if never_came => Err(Error::bad(say!("error-settle-never-came", piece = &piece.code))),
        ("used", Some(code)) if is_use(event) => {
            let other = reader.find_piece(code)?;
            reader.not_frozen(Thing::piece(other.id), &other.code)?;
            rules::free(&other)?;
            if other.material != piece.material || other.owner != piece.owner {
                return Err(Error::refused(say!("refused-settle-material", piece = &other.code, than = &piece.code)));
            }
            Ok(Said::Used(Box::new(other)))
        }
        ("same" | "used", _) => Err(Error::bad(say!("error-settle-hold"))),
        (word, _) => Err(Error::bad(say!("error-settle-word", word = shown(word)))),
    }
}

fn born(event: &Event) -> &[Born] {
    event.body.as_ref().map_or(&[], |b| b.born())
}

/// Which offcut of the one record is which of the other: the nearest in area, largest first.
fn pair(names: &[Born], really: &[Born]) -> Vec<OtherName> {
    let mut names: Vec<&Born> = names.iter().collect();
    names.sort_by_key(|b| (-b.shape.area2(), b.id));
    let mut left: Vec<&Born> = really.iter().collect();
    let mut pairs = Vec::new();
    for name in names {
        let nearest = (0..left.len()).min_by_key(|i| {
            ((left[*i].shape.area2() - name.shape.area2()).abs(), left[*i].shape != name.shape, left[*i].id)
        });
        if let Some(i) = nearest {
            pairs.push(OtherName { name: name.id, is: left.remove(i).id });
        }
    }
    pairs
}

/// How the cost and area of the piece that was really used went to those who got them.
fn split(reader: &Reader<'_>, event: &Event, other: &Piece) -> Result<Split, Error> {
    let material = reader.material(other.material)?;
    let cost = other.carried();
    let empty = Split { piece: other.id, charges: Vec::new(), returned: Vec::new(), written_off: 0, areas: None };
    let (recorded, shares) = match &event.body {
        Some(Body::Cut(b)) => {
            let mut shares = Vec::new();
            for part in &b.parts {
                let order_code = order::by_id(reader, part.order)?.map_or_else(String::new, |o| o.code);
                shares.push(CutShare { order: part.order, order_code, area2: part.area2, outcome: part.outcome });
            }
            (b.areas, shares)
        }
        Some(Body::Taken(b)) => {
            let order = match &b.paid_by {
                TakenFor::Order { order, .. } => *order,
                TakenFor::Shop { .. } => Uuid::nil(),
            };
            let order_code = order::by_id(reader, order)?.map_or_else(|| "~".to_owned(), |o| o.code);
            (b.areas, vec![CutShare { order, order_code, area2: b.areas.parts2, outcome: Outcome::Good }])
        }
        _ => return Ok(Split { written_off: cost, ..empty }),
    };
    // More or less of it may have gone to scrap than of the piece that was written down.
    let scrap2 = other.shape.area2() - recorded.parts2 - recorded.kerf2 - recorded.offcuts2;
    if scrap2 < 0 {
        return Err(Error::refused(say!("refused-settle-small", piece = &other.code)));
    }
    let areas = Areas { scrap2, ..recorded };
    let kept: Vec<KeptOffcut> =
        born(event).iter().map(|b| KeptOffcut { code: b.code.clone(), area2: b.shape.area2() }).collect();
    let shared = outcome::share(cost, other.kind, material.data.offcut_value_percent, &kept, &shares, &areas);
    let returned = born(event).iter().zip(shared.offcuts).map(|(b, cost)| Carried { piece: b.id, cost }).collect();
    let (charges, shops): (Vec<_>, Vec<_>) = shared.charges.into_iter().partition(|c| !c.order.is_nil());
    let written_off = shops.iter().map(|c| c.charge.total()).sum();
    Ok(Split { charges, returned, written_off, areas: Some(areas), ..empty })
}

/// A use or hold that was nothing: its plan lets go of its pieces, and its orders are to be planned again.
fn let_go(tx: &mut Tx<'_>, event: &Event, happened: &Event, piece: &Piece) -> Result<Vec<String>, Error> {
    let plan_of = |event: &Event| match &event.body {
        Some(Body::Cut(b)) => Some(b.plan),
        Some(Body::Held(b)) => Some(b.plan),
        _ => None,
    };
    let orders = match &event.body {
        Some(Body::Cut(b)) => b.charges.iter().map(|c| c.order).collect(),
        Some(Body::Held(b)) => b.orders.clone(),
        Some(Body::Taken(b)) => match b.paid_by {
            TakenFor::Order { order, .. } => vec![order],
            TakenFor::Shop { .. } => Vec::new(),
        },
        _ => Vec::new(),
    };
    let mut codes = Vec::new();
    for order in orders {
        codes.extend(order::by_id(&tx.read(), order)?.map(|o| o.code));
    }
    let winner = plan_of(happened);
    if let Some(id) = plan_of(event).filter(|id| Some(*id) != winner)
        && let Some(plan) = tx.read().folded(Thing::new(ThingKind::Plan, id))?.state.and_then(State::plan)
    {
        let mut pieces: Vec<Uuid> = Vec::new();
        for open in hold::open_pieces(&tx.read(), &plan)? {
            if open.holds.iter().any(|h| h.plan == id) {
                pieces.push(open.id);
            }
        }
        let why = say!("settled-why", piece = &piece.code).text();
        let taken_over = Some(TakenOver { by: winner.unwrap_or(id), why });
        let touches =
            pieces.iter().copied().map(Thing::piece).chain([Thing::new(ThingKind::Plan, id)]).collect::<Vec<_>>();
        tx.draft(Body::Released(Released { plan: id, pieces, taken_over }), touches);
    }
    Ok(codes)
}

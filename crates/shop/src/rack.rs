//! `rack add`, `rack list`, `rack describe`, `rack show`, and moving in bulk: racks with their bays and slots, and what is
//! on them.

use sheetloft_ledger::body::{Body, Moved, RackAdded, RackDescribed};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Rack};
use sheetloft_store::{By, PieceFilter, Reader};
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, MoveManyAnswer, RackAnswer, RackRow, RackShowAnswer, RacksAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, text};
use crate::stock;
use crate::view::{self, Names, mm, piece_row};

/// Most pieces moved at once.
const MOVED_AT_ONCE: usize = 5_000;
/// Pieces offered as the biggest that fit a place.
const BIGGEST: usize = 5;

/// Adds a rack, or a bay or slot of one.
pub fn add(shop: &mut Shop, host: &mut dyn Host, with: &action::RackAdd) -> Result<(RackAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let given = needed(&with.name, "name")?;
    let within = within(&reader, with.within.as_deref())?;
    let name = match &within {
        // A slot says whose it is, so that its label can be read alone.
        Some(rack) if !given.to_lowercase().starts_with(&rack.name.to_lowercase()) => format!("{} {given}", rack.name),
        _ => given,
    };
    if reader.rack_named(&name)?.is_some() {
        return Err(Error::bad(say!("error-name-taken", name = name)).at("name"));
    }
    let added = RackAdded {
        name: name.clone(),
        within: within.map(|r| r.id),
        size_um: size(shop, with.size.as_deref())?,
        note: text(with.note.as_deref(), "note")?,
    };
    let (id, changed) = shop.write(host, |tx| {
        let id = tx.ids.uuid();
        tx.draft(Body::RackAdded(added), [Thing::new(ThingKind::Rack, id)]);
        Ok(id)
    })?;
    Ok((RackAnswer { rack: one(shop, id)? }, changed))
}

fn within(reader: &Reader<'_>, named: Option<&str>) -> Result<Option<Rack>, Error> {
    let Some(name) = named.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    let rack = reader.find_rack(name).map_err(|e| e.at("within"))?;
    match rack.within {
        Some(_) => Err(Error::bad(say!("error-rack-deep", rack = rack.name)).at("within")),
        None => Ok(Some(rack)),
    }
}

fn size(shop: &Shop, given: Option<&str>) -> Result<Option<[i64; 2]>, Error> {
    let given = filled(given);
    given.map(|text| shop.size(text, "size").map(|(w, h)| [w, h])).transpose()
}

/// Says how a place measures, whose bay or slot it is, and what is to be known about it.
pub fn describe(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::RackDescribe,
) -> Result<(RackAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let rack = reader.find_rack(&with.rack)?;
    let wanted = within(&reader, with.within.as_deref())?;
    if let Some(wanted) = &wanted {
        let has_slots = reader.racks()?.iter().any(|r| r.within == Some(rack.id));
        if wanted.id == rack.id || has_slots {
            return Err(Error::bad(say!("error-rack-deep", rack = rack.name)).at("within"));
        }
    }
    let cleared = |field: &str| with.clear.iter().any(|c| c.trim().eq_ignore_ascii_case(field));
    if let Some(other) = with.clear.iter().find(|c| !["size", "note", "within"].contains(&c.trim())) {
        return Err(Error::bad(say!("error-word", text = other, words = "size, note, within")).at("clear"));
    }
    let keep = |field: &str| !cleared(field);
    let described = RackDescribed {
        rack: rack.id,
        within: wanted.map(|r| r.id).or(rack.within.filter(|_| keep("within"))),
        size_um: size(shop, with.size.as_deref())?.or(rack.size_um.filter(|_| keep("size"))),
        note: text(with.note.as_deref(), "note")?.or(rack.note.clone().filter(|_| keep("note"))),
    };
    let mut changed = Vec::new();
    if (described.within, described.size_um, &described.note) != (rack.within, rack.size_um, &rack.note) {
        changed = shop
            .write(host, |tx| {
                tx.draft(Body::RackDescribed(described), [Thing::new(ThingKind::Rack, rack.id)]);
                Ok(())
            })?
            .1;
    }
    Ok((RackAnswer { rack: one(shop, rack.id)? }, changed))
}

fn one(shop: &Shop, id: Uuid) -> Result<RackRow, Error> {
    let missing = || Error::bad(say!("error-unknown-rack", name = id.to_string()));
    list(shop)?.racks.into_iter().find(|r| r.uuid == id.to_string()).ok_or_else(missing)
}

/// The racks, by name, with how many pieces stand there. Racks of one name are one.
pub fn list(shop: &Shop) -> Result<RacksAnswer, Error> {
    let reader = shop.read();
    let counts = reader.on_hand_by(By::Rack)?;
    let all = reader.racks()?;
    let name_of = |id: Uuid| all.iter().find(|r| r.id == id).map(|r| r.name.clone());
    let mut racks: Vec<RackRow> = Vec::new();
    for rack in &all {
        let pieces = counts.iter().find(|(id, _)| *id == rack.id).map_or(0, |(_, n)| *n);
        match racks.iter_mut().find(|r| r.name.to_lowercase() == rack.name.to_lowercase()) {
            Some(same) => {
                same.pieces += pieces;
                same.note = same.note.take().or(rack.note.clone());
                same.size = same.size.or(rack.size_um.map(|s| s.map(mm)));
            }
            None => racks.push(RackRow {
                name: rack.name.clone(),
                uuid: rack.id.to_string(),
                pieces,
                within: rack.within.and_then(name_of),
                size: rack.size_um.map(|s| s.map(mm)),
                note: rack.note.clone(),
            }),
        }
    }
    Ok(RacksAnswer { racks })
}

/// One rack with what is on it, its bays and slots, and the biggest pieces from elsewhere that go in.
pub fn show(shop: &Shop, with: &action::RackShow) -> Result<RackShowAnswer, Error> {
    let reader = shop.read();
    let rack = reader.find_rack(&with.rack)?;
    let rows = list(shop)?.racks;
    let all = reader.racks()?;
    let same: Vec<Uuid> =
        all.iter().filter(|r| r.name.to_lowercase() == rack.name.to_lowercase()).map(|r| r.id).collect();
    let slots: Vec<&Rack> = all.iter().filter(|r| r.within.is_some_and(|w| same.contains(&w))).collect();
    let here: Vec<Uuid> = same.iter().copied().chain(slots.iter().map(|s| s.id)).collect();
    let on_hand = reader.pieces(&PieceFilter::on_hand())?;
    let names = Names::read(&reader)?;
    let stacks = stock::stacks(&on_hand);
    let row = |p: &Piece, shapes| piece_row(p, &names, shop, stacks.get(&p.id).cloned(), shapes);
    let stands_here = |p: &&Piece| p.rack.is_some_and(|r| here.contains(&r));
    let pieces: Vec<&Piece> = on_hand.iter().filter(stands_here).collect();
    let weights =
        pieces.iter().map(|p| names.material_data(p.material).and_then(|m| view::weight_kg(p.shape.area2(), m)));
    let weight_kg = weights.sum::<Option<f64>>().map(|kg| kg + 0.0);
    let mut biggest: Vec<&Piece> = match rack.size_um {
        None => Vec::new(),
        Some(size) => on_hand.iter().filter(|p| !stands_here(p) && goes_in(p, size)).collect(),
    };
    biggest.sort_by(|a, b| b.shape.area2().cmp(&a.shape.area2()).then_with(|| a.code.cmp(&b.code)));
    let stick_out = |p: &&&Piece| {
        let place = all.iter().find(|r| Some(r.id) == p.rack);
        place.and_then(|r| r.size_um).is_some_and(|size| !goes_in(p, size))
    };
    Ok(RackShowAnswer {
        too_large: pieces.iter().filter(stick_out).map(|p| p.code.clone()).collect(),
        biggest: biggest.iter().take(BIGGEST).map(|p| row(p, false)).collect(),
        slots: rows.iter().filter(|r| slots.iter().any(|s| s.id.to_string() == r.uuid)).cloned().collect(),
        pieces: pieces.iter().map(|p| row(p, true)).collect(),
        rack: one(shop, same.first().copied().unwrap_or(rack.id))?,
        weight_kg,
    })
}

/// Whether a piece, upright on either of its sides, goes into an opening.
fn goes_in(piece: &Piece, [w, h]: [i64; 2]) -> bool {
    let (low, high) = piece.shape.bounds();
    let (a, b) = (i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y));
    a.max(b) <= w.max(h) && a.min(b) <= w.min(h)
}

/// Puts pieces somewhere else, all or none. Those that stand there already are left alone.
pub fn move_many(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &action::MoveMany,
) -> Result<(MoveManyAnswer, Vec<Changed>), Error> {
    if with.pieces.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("pieces"));
    }
    if with.pieces.len() > MOVED_AT_ONCE {
        return Err(Error::bad(say!("error-move-many", most = MOVED_AT_ONCE)).at("pieces"));
    }
    let reader = shop.read();
    let rack = reader.find_rack(&with.rack)?;
    let mut pieces: Vec<Piece> = Vec::new();
    for code in &with.pieces {
        let piece = reader.find_piece(code).map_err(|e| e.at("pieces"))?;
        reader.not_frozen(Thing::new(ThingKind::Piece, piece.id), &piece.code)?;
        rules::on_hand(&piece)?;
        if !pieces.iter().any(|p| p.id == piece.id) {
            pieces.push(piece);
        }
    }
    let (stay, go): (Vec<_>, Vec<_>) = pieces.into_iter().partition(|p| p.rack == Some(rack.id));
    let too_large = rack.size_um.map_or_else(Vec::new, |size| {
        go.iter().filter(|p| !goes_in(p, size)).map(|p| p.code.clone()).collect::<Vec<_>>()
    });
    let mut changed = Vec::new();
    if !go.is_empty() {
        changed = shop
            .write(host, |tx| {
                for piece in &go {
                    tx.read().piece(piece.id)?.iter().try_for_each(rules::on_hand)?;
                    let thing = [Thing::new(ThingKind::Piece, piece.id)];
                    tx.draft(Body::Moved(Moved { piece: piece.id, rack: Some(rack.id) }), thing);
                }
                Ok(())
            })?
            .1;
    }
    let codes = |pieces: Vec<Piece>| pieces.into_iter().map(|p| p.code).collect();
    Ok((MoveManyAnswer { rack: rack.name, moved: codes(go), there_already: codes(stay), too_large }, changed))
}

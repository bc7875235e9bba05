//! `lot correct`: what was said of a delivery line was wrong.

use sheetloft_ledger::body::{Body, Born, Known, LotCorrected, SheetsAre, Withdrawn};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::Thing;
use sheetloft_ledger::landing::{self, Facts, LotSheet};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Lot, Material, Piece, Status};
use sheetloft_shapes::{Shape, boolean};
use uuid::Uuid;

use super::{Said, answer, find, lot_sheet, may_carry, said, sheets, thing};
use crate::action::LotCorrect;
use crate::answer::{Changed, LotAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::receive::sheet_grain;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, text, whole};

/// What the sheets of a lot really are, where that was said wrong.
struct Really {
    material: Material,
    shape: Shape,
    grain_udeg: Option<i64>,
    /// They are of another material than was said.
    other: bool,
}

/// Reads the right size and material. None where neither is another one than was said.
fn really(shop: &Shop, with: &LotCorrect, lot: &Lot, before: &Said) -> Result<Option<Really>, Error> {
    let reader = shop.read();
    let was = reader.material(lot.material)?;
    let material = match filled(with.right_material.as_deref()) {
        Some(name) => reader.find_material(name).map_err(|e| e.at("right_material"))?,
        None => was.clone(),
    };
    let other = material.id != was.id;
    if other && material.retired {
        return Err(Error::refused(say!("refused-retired", name = &material.data.name)).at("right_material"));
    }
    let less = material.data.size_tolerance_um;
    let (w_um, h_um, shape) = match (filled(with.size.as_deref()), &before.like) {
        (Some(size), _) => {
            let (w, h) = shop.size(size, "size")?;
            (w, h, Shape::rectangle(w - less, h - less).map_err(|e| Error::from(e).at("size"))?)
        }
        // What is stored is smaller than nominal by the tolerance of the material that it was said to be.
        (None, _) if other && less != was.data.size_tolerance_um => {
            return Err(Error::bad(say!("error-size-tolerance", name = &material.data.name)).at("size"));
        }
        (None, Some(like)) => {
            let (low, high) = like.shape.bounds();
            (i64::from(high.x) - i64::from(low.x), i64::from(high.y) - i64::from(low.y), like.shape.clone())
        }
        (None, None) => return Ok(None),
    };
    let grain_udeg = sheet_grain(&material, w_um, h_um);
    let same = |like: &Born| !other && (&like.shape, like.grain_udeg) == (&shape, grain_udeg);
    let named = filled(with.size.as_deref()).is_some() || other;
    if !named || before.like.as_ref().is_some_and(same) {
        return Ok(None);
    }
    Ok(Some(Really { material, shape, grain_udeg, other }))
}

/// The sheets that are put right: those that nobody has used or promised. What was cut keeps the outline that the cut
/// saw; of another material it cannot have been without the cut being wrong too.
fn put_right(kept: &[Piece], really: &Really, lot: &Lot, was: &Material) -> Result<Vec<Uuid>, Error> {
    let (free, others): (Vec<&Piece>, Vec<&Piece>) = kept.iter().partition(|p| p.status() == Status::Free);
    if let Some(promised) = others.iter().find(|p| matches!(p.status(), Status::Held | Status::Conflict)) {
        rules::free(promised).map_err(Error::from).map_err(|e| e.at("lot"))?;
    }
    if really.other && !others.is_empty() {
        let said = say!(
            "refused-lot-used-as",
            lot = &lot.name,
            used = others.len(),
            free = free.len(),
            material = &was.data.name,
            other = &really.material.data.name,
        );
        return Err(Error::refused(said).at("right_material"));
    }
    if free.is_empty() && !others.is_empty() {
        return Err(Error::refused(say!("refused-lot-used-up", lot = &lot.name)).at("size"));
    }
    for piece in &free {
        for flaw in &piece.flaws {
            let common = boolean::intersection(std::slice::from_ref(&flaw.shape), std::slice::from_ref(&really.shape));
            if common.is_ok_and(|c| c.is_empty()) {
                return Err(Error::refused(say!("refused-flaw-outside", piece = &piece.code)).at("size"));
            }
        }
    }
    Ok(free.into_iter().map(|p| p.id).collect())
}

/// Corrects what was said of a delivery line. Sheets on hand get what they would have cost; the share of what is used
/// up is written off; sheets that never came leave the books, those that were missed enter them.
pub fn correct(shop: &mut Shop, host: &mut dyn Host, with: &LotCorrect) -> Result<(LotAnswer, Vec<Changed>), Error> {
    let lot = find(shop, &with.lot, with.material.as_deref())?;
    let why = needed(&with.why, "why")?;
    let not = || Error::refused(say!("refused-not-delivered", lot = &lot.name)).at("lot");
    let before = said(&shop.read(), lot.id)?.ok_or_else(not)?;
    let sheets_now =
        filled(with.sheets.as_deref()).map(|t| whole(t, 0, limits::SHEETS_PER_LINE, "sheets")).transpose()?;
    let arrived = sheets_now.unwrap_or(before.sheets);
    let damaged = filled(with.damaged.as_deref()).map(|t| whole(t, 0, arrived, "damaged")).transpose()?;
    let damaged = damaged.unwrap_or(before.facts.damaged.min(arrived));
    let facts = facts(shop, with, &before, arrived, damaged)?;
    let name = text(with.name.as_deref(), "name")?.unwrap_or_else(|| lot.name.clone());
    let supplier = text(with.supplier.as_deref(), "supplier")?.or_else(|| lot.supplier.clone());
    let thickness_um =
        filled(with.thickness.as_deref()).map(|t| shop.extent(t, "thickness")).transpose()?.or(lot.thickness_um);
    let really = really(shop, with, &lot, &before)?;
    let was = shop.read().material(lot.material)?;
    let same = (name.as_str(), &supplier, thickness_um) == (lot.name.as_str(), &lot.supplier, lot.thickness_um);
    if same && facts == before.facts && arrived == before.sheets && really.is_none() {
        return Err(Error::bad(say!("error-nothing-to-correct")).at("lot"));
    }
    let good = (arrived - damaged) as usize;
    let ((), changed) = shop.write(host, |tx| {
        let mut kept = sheets(&tx.read(), lot.id)?;
        if facts.line_total + facts.freight + facts.duty > 0 && kept.iter().any(|p| p.owner.is_some()) {
            return Err(Error::refused(say!("refused-owned-cost", lot = &lot.name)).at("lot"));
        }
        let mut gone = Vec::new();
        while kept.len() > good {
            // The last that nobody has used or promised.
            let free = kept.iter().rposition(|p| p.status() == Status::Free);
            let free = free.ok_or_else(|| {
                let left = kept.len() - good;
                Error::refused(say!("refused-sheets-used", lot = &lot.name, count = left)).at("sheets")
            })?;
            gone.push(kept.remove(free));
        }
        let mut codes = Vec::new();
        for _ in kept.len()..good {
            codes.push(tx.next_code(Noun::Piece)?);
        }
        let like = like(&before, really.as_ref());
        if !codes.is_empty() && like.is_none() {
            return Err(Error::refused(say!("refused-no-sheet-like", lot = &lot.name)).at("sheets"));
        }
        let right_pieces = match &really {
            Some(really) => put_right(&kept, really, &lot, &was)?,
            None => Vec::new(),
        };
        let sheets: Vec<LotSheet> = kept.iter().map(lot_sheet).collect();
        let right = landing::corrected(&sheets, &codes, &facts);
        for share in &right.shares {
            may_carry(&tx.read(), kept.iter().find(|p| p.id == share.piece), share.amount)?;
        }
        for id in &right_pieces {
            may_carry(&tx.read(), kept.iter().find(|p| p.id == *id), 0)?;
        }
        for piece in gone {
            let body = Withdrawn { piece: piece.id, lot: lot.id, amount: piece.carried(), why: why.clone() };
            tx.draft(Body::Withdrawn(body), [Thing::piece(piece.id), thing(&lot)]);
        }
        let born: Vec<Born> = codes
            .into_iter()
            .zip(right.born)
            .filter_map(|(code, cost)| {
                let like = like.clone()?;
                Some(Born { id: tx.ids.uuid(), code, cost, flaws: Vec::new(), ..like })
            })
            .collect();
        let mut pieces: Vec<Uuid> = right.shares.iter().map(|s| s.piece).chain(born.iter().map(|b| b.id)).collect();
        pieces.extend(right_pieces.iter().filter(|id| right.shares.iter().all(|s| s.piece != **id)));
        let touches: Vec<Thing> = std::iter::once(thing(&lot)).chain(pieces.into_iter().map(Thing::piece)).collect();
        let material = really.as_ref().map_or(lot.material, |r| r.material.id);
        let body = LotCorrected {
            lot: lot.id,
            material,
            name,
            supplier,
            thickness_um,
            sheets: arrived,
            damaged,
            line_total: facts.line_total,
            freight: facts.freight,
            duty: facts.duty,
            shares: right.shares,
            damaged_off: right.written_off - before.written_off(),
            born,
            why,
            really: really.map(|r| SheetsAre { pieces: right_pieces, shape: r.shape, grain_udeg: r.grain_udeg }),
        };
        tx.draft(Body::LotCorrected(body), touches);
        Ok(())
    })?;
    answer(shop, lot.id).map(|answer| (answer, changed))
}

/// What the line cost, as it is said now; what is left out stays, the price of one sheet among it.
fn facts(shop: &Shop, with: &LotCorrect, before: &Said, arrived: u32, damaged: u32) -> Result<Facts, Error> {
    let sum = |given: Option<&str>, field, was| filled(given).map_or(Ok(was), |t| shop.sum(t, field));
    let line_total = match filled(with.unit_cost.as_deref()).map(|t| shop.sum(t, "unit_cost")).transpose()? {
        Some(one) => one.checked_mul(i64::from(arrived)).filter(|t| *t <= limits::MONEY_MINOR),
        None if before.sheets == 0 => Some(0),
        None => {
            i64::try_from(i128::from(before.facts.line_total) * i128::from(arrived) / i128::from(before.sheets)).ok()
        }
    };
    let large = || Error::bad(say!("error-delivery-large")).at("unit_cost");
    Ok(Facts {
        damaged,
        line_total: line_total.ok_or_else(large)?,
        freight: sum(with.freight.as_deref(), "freight", before.facts.freight)?,
        duty: sum(with.duty.as_deref(), "duty", before.facts.duty)?,
    })
}

/// A sheet to make others by, as it really is.
fn like(before: &Said, really: Option<&Really>) -> Option<Born> {
    match (before.like.clone(), really) {
        (Some(like), Some(r)) => Some(Born { shape: r.shape.clone(), grain_udeg: r.grain_udeg, ..like }),
        (None, Some(r)) => Some(Born {
            id: Uuid::nil(),
            code: String::new(),
            shape: r.shape.clone(),
            flaws: Vec::new(),
            grain_udeg: r.grain_udeg,
            known: Known::Machine,
            known_within_um: Known::Machine.within_um(),
            rack: None,
            cost: 0,
        }),
        (like, None) => like,
    }
}

//! `lot`: what came of a delivery line, and what comes later: costs, credits, claims, corrections.

mod correct;

use sheetloft_ledger::body::{Body, Born, Claimed, CostShare, LotAdjusted};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::landing::{self, Facts, LotSheet};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{How, Lot, Piece, State, Status, Use};
use sheetloft_store::{PieceFilter, Reader};
use uuid::Uuid;

pub use correct::correct;

use crate::action::{LotClaim, LotCost, LotCredit, LotList, LotShow};
use crate::answer::{Changed, ClaimRow, LotAnswer, LotRow, LotSheetRow, LotsAnswer};
use crate::error::Error;
use crate::history;
use crate::host::Host;
use crate::receive::thickness_warning;
use crate::say;
use crate::say::Say;
use crate::shop::{Lookup, Shop, filled, needed, shown, whole};
use crate::view::{self, Names, mm, size_text};

fn thing(lot: &Lot) -> Thing {
    Thing::new(ThingKind::Lot, lot.id)
}

/// The lot with this name or UUID; lots of several materials may have one name.
fn find(shop: &Shop, name: &str, material: Option<&str>) -> Result<Lot, Error> {
    let reader = shop.read();
    let name = needed(name, "lot")?;
    let material = filled(material).map(|m| reader.find_material(m)).transpose()?;
    let mut found: Vec<Lot> = match Uuid::try_parse(&name) {
        Ok(id) => reader.folded(Thing::new(ThingKind::Lot, id))?.state.and_then(State::lot).into_iter().collect(),
        Err(_) => reader.lots_named(&name)?,
    };
    found.retain(|l| material.as_ref().is_none_or(|m| m.id == l.material));
    let lot = match found.len() {
        1 => found.remove(0),
        0 => return Err(Error::bad(say!("error-unknown-lot", name = shown(&name))).at("lot")),
        n => return Err(Error::refused(say!("refused-ambiguous-lot", name = shown(&name), count = n)).at("lot")),
    };
    reader.not_frozen(thing(&lot), &lot.name)?;
    Ok(lot)
}

/// What was last said of a delivery line.
struct Said {
    sheets: u32,
    facts: Facts,
    /// A sheet of it, where there was a good one.
    like: Option<Born>,
}

impl Said {
    /// What was written off on arrival by it, minor units.
    fn written_off(&self) -> i64 {
        let good: Vec<String> = (self.facts.damaged..self.sheets).map(|n| n.to_string()).collect();
        landing::corrected(&[], &good, &self.facts).written_off
    }
}

/// What was last said of a lot as a delivery line; none where it is not one.
fn said(reader: &Reader<'_>, lot: Uuid) -> Result<Option<Said>, Error> {
    let mut found: Option<Said> = None;
    let rows = reader.history(Some(lot), history::MOST)?;
    for row in rows.iter().filter(|r| r.standing.is_none_or(|s| s == Standing::Counts)).rev() {
        match &row.event.body {
            Some(Body::Received(b)) => {
                let facts = Facts { damaged: b.damaged, line_total: b.line_total, freight: b.freight, duty: b.duty };
                found = Some(Said { sheets: b.sheets, facts, like: b.pieces.first().cloned() });
            }
            Some(Body::LotCorrected(b)) => {
                let facts = Facts { damaged: b.damaged, line_total: b.line_total, freight: b.freight, duty: b.duty };
                let mut like = found.and_then(|f| f.like).or_else(|| b.born.first().cloned());
                if let (Some(like), Some(really)) = (&mut like, &b.really) {
                    like.shape.clone_from(&really.shape);
                    like.grain_udeg = really.grain_udeg;
                }
                found = Some(Said { sheets: b.sheets, facts, like });
            }
            _ => {}
        }
    }
    Ok(found)
}

/// The sheets of a lot by code, those left out that were booked in and never came.
fn sheets(reader: &Reader<'_>, lot: Uuid) -> Result<Vec<Piece>, Error> {
    let filter = PieceFilter { lot: Some(lot), kind: Some("sheet"), ..PieceFilter::default() };
    let mut sheets = reader.pieces(&filter)?;
    sheets.retain(|p| !matches!(p.used, Some(Use { how: How::Withdrawn, .. })));
    sheets.sort_by(|a, b| a.code.cmp(&b.code));
    Ok(sheets)
}

/// Refuses a share that would leave a piece with less than nothing.
fn may_carry(reader: &Reader<'_>, piece: Option<&Piece>, by: i64) -> Result<(), Error> {
    let Some(piece) = piece else { return Ok(()) };
    reader.not_frozen(Thing::piece(piece.id), &piece.code)?;
    Ok(rules::may_bear(piece, by)?)
}

fn is_on_hand(piece: &Piece) -> bool {
    rules::on_hand(piece).is_ok()
}

fn lot_sheet(piece: &Piece) -> LotSheet {
    LotSheet { code: piece.code.clone(), piece: piece.id, landed: piece.cost - piece.later }
}

fn row(shop: &Shop, reader: &Reader<'_>, names: &Names, lot: &Lot) -> Result<LotRow, Error> {
    let pieces = reader.pieces(&PieceFilter { lot: Some(lot.id), ..PieceFilter::default() })?;
    let sum = |of: &dyn Fn(&Piece) -> i64| pieces.iter().map(of).sum::<i64>();
    let delivery = lot.delivery.map(|id| reader.folded(Thing::new(ThingKind::Delivery, id))).transpose()?;
    let delivery = delivery.and_then(|f| f.state).and_then(State::delivery).map(|d| d.name);
    let came = |p: &&Piece| !matches!(p.used, Some(Use { how: How::Withdrawn, .. }));
    Ok(LotRow {
        lot: lot.name.clone(),
        uuid: lot.id.to_string(),
        material: names.material(lot.material),
        supplier: lot.supplier.clone(),
        delivery: delivery.filter(|name| !name.is_empty()),
        when: view::when(lot.at_ms),
        sheets: pieces.iter().filter(|p| p.kind == sheetloft_ledger::body::PieceKind::Sheet).filter(came).count(),
        on_hand: pieces.iter().filter(|p| is_on_hand(p)).count(),
        thickness: lot.thickness_um.map(mm),
        received: shop.money(lot.received + sum(&|p| p.received)),
        carried: shop.money(sum(&Piece::carried)),
        charged: shop.money(sum(&|p| p.charged_and_written_off().0)),
        written_off: shop.money(lot.written_off + sum(&|p| p.charged_and_written_off().1)),
        open_claims: lot.claims.iter().filter(|c| c.credited.is_none()).count(),
    })
}

/// The lots, newest first.
pub fn list(shop: &Shop, with: &LotList) -> Result<LotsAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let material = filled(with.material.as_deref());
    let material = material.map(|m| reader.find_material(m)).transpose()?;
    let mut lots = reader.lots()?;
    lots.retain(|l| material.as_ref().is_none_or(|m| m.id == l.material));
    lots.sort_by_key(|l| (std::cmp::Reverse(l.at_ms), l.name.clone(), l.id));
    Ok(LotsAnswer { lots: lots.iter().map(|l| row(shop, &reader, &names, l)).collect::<Result<_, _>>()? })
}

/// One lot, whole.
pub fn show(shop: &Shop, with: &LotShow) -> Result<LotAnswer, Error> {
    let lot = find(shop, &with.lot, with.material.as_deref())?;
    answer(shop, lot.id)
}

fn answer(shop: &Shop, id: Uuid) -> Result<LotAnswer, Error> {
    let lot = find(shop, &id.to_string(), None)?;
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let sheets = sheets(&reader, id)?;
    let said = said(&reader, id)?;
    let material = reader.material(lot.material)?;
    let money = |of: &dyn Fn(&Facts) -> i64| said.as_ref().map(|s| shop.money(of(&s.facts)));
    Ok(LotAnswer {
        lot: row(shop, &reader, &names, &lot)?,
        line_total: money(&|f| f.line_total),
        // As typed, where the sheets' prices are alike.
        unit_cost: said
            .as_ref()
            .filter(|s| s.sheets > 0 && s.facts.line_total % i64::from(s.sheets) == 0)
            .map(|s| shop.money(s.facts.line_total / i64::from(s.sheets))),
        freight: money(&|f| f.freight),
        duty: money(&|f| f.duty),
        arrived: said.as_ref().map(|s| s.sheets),
        damaged: said.as_ref().map(|s| s.facts.damaged),
        size: said.as_ref().and_then(|s| s.like.as_ref()).map(|like| size_text(&like.shape, shop)),
        untouched: sheets.iter().all(|p| p.status() == Status::Free),
        sheets: sheets
            .iter()
            .map(|p| LotSheetRow {
                piece: p.code.clone(),
                uuid: p.id.to_string(),
                status: p.status().word().to_owned(),
                rack: names.rack(p.rack),
                cost: shop.money(p.carried()),
            })
            .collect(),
        claims: lot
            .claims
            .iter()
            .enumerate()
            .map(|(n, c)| ClaimRow {
                claim: n + 1,
                amount: shop.money(c.amount),
                why: c.why.clone(),
                when: view::when(c.at_ms),
                credited: c.credited.map(|sum| shop.money(sum)),
            })
            .collect(),
        history: history::rows(shop, reader.history(Some(id), history::MOST)?)?,
        warnings: thickness_warning(&material, lot.thickness_um).iter().map(Say::text).collect(),
    })
}

/// A sum above nothing.
fn more_than_nothing(shop: &Shop, given: &str, field: &'static str) -> Result<i64, Error> {
    match shop.sum(given, field)? {
        0 => Err(Error::bad(say!("error-money-nothing")).at(field)),
        sum => Ok(sum),
    }
}

/// Writes what came later, after the rules have looked at each share.
fn adjust(
    shop: &mut Shop,
    host: &mut dyn Host,
    lot: &Lot,
    decide: impl FnOnce(&[Piece]) -> Result<LotAdjusted, Error>,
) -> Result<(LotAnswer, Vec<Changed>), Error> {
    if lot.delivery.is_none() {
        return Err(Error::refused(say!("refused-not-delivered", lot = &lot.name)).at("lot"));
    }
    let ((), changed) = shop.write(host, |tx| {
        let sheets = sheets(&tx.read(), lot.id)?;
        let adjusted = decide(&sheets)?;
        for share in &adjusted.shares {
            let id = share.piece;
            let piece = match sheets.iter().find(|p| p.id == id) {
                Some(sheet) => Some(sheet.clone()),
                None => tx.read().piece(id)?,
            };
            may_carry(&tx.read(), piece.as_ref(), share.amount)?;
        }
        let touches: Vec<Thing> =
            std::iter::once(thing(lot)).chain(adjusted.shares.iter().map(|s| Thing::piece(s.piece))).collect();
        tx.draft(Body::LotAdjusted(adjusted), touches);
        Ok(())
    })?;
    answer(shop, lot.id).map(|answer| (answer, changed))
}

/// A cost that came later, shared over the lot's sheets; the share of what is used up is written off.
pub fn cost(shop: &mut Shop, host: &mut dyn Host, with: &LotCost) -> Result<(LotAnswer, Vec<Changed>), Error> {
    let lot = find(shop, &with.lot, with.material.as_deref())?;
    let amount = more_than_nothing(shop, &with.amount, "amount")?;
    let why = needed(&with.why, "why")?;
    adjust(shop, host, &lot, |sheets| {
        if sheets.iter().any(|p| p.owner.is_some()) {
            return Err(Error::refused(say!("refused-owned-cost", lot = &lot.name)).at("lot"));
        }
        let (shares, written_off) = landing::later(amount, &sheets.iter().map(lot_sheet).collect::<Vec<_>>());
        Ok(LotAdjusted { lot: lot.id, amount, shares, written_off, why, claim: None })
    })
}

/// A credit from the supplier: for one sheet, for a claim, or shared over the lot's sheets.
pub fn credit(shop: &mut Shop, host: &mut dyn Host, with: &LotCredit) -> Result<(LotAnswer, Vec<Changed>), Error> {
    let lot = find(shop, &with.lot, with.material.as_deref())?;
    let amount = more_than_nothing(shop, &with.amount, "amount")?;
    let why = needed(&with.why, "why")?;
    let piece = filled(with.piece.as_deref());
    let piece = piece.map(|code| shop.read().find_piece(code).map_err(|e| e.at("piece"))).transpose()?;
    let number = filled(with.claim.as_deref());
    let number = number.map(|t| whole(t, 1, 1_000, "claim")).transpose()?;
    if piece.is_some() && number.is_some() {
        return Err(Error::bad(say!("error-credit-one")).at("claim"));
    }
    let claim = match number {
        None => None,
        Some(n) => {
            let unknown = || Error::bad(say!("error-unknown-claim", number = n, lot = &lot.name)).at("claim");
            let claim = lot.claims.get(n as usize - 1).ok_or_else(unknown)?;
            if claim.credited.is_some() {
                return Err(Error::refused(say!("refused-claim-answered", number = n, lot = &lot.name)).at("claim"));
            }
            // No more can come back than was written off when the delivery arrived.
            if amount > lot.written_off {
                return Err(Error::refused(say!("refused-credit-large", lot = &lot.name)).at("amount"));
            }
            Some(claim.id)
        }
    };
    if let Some(piece) = piece.as_ref().filter(|p| p.lot != Some(lot.id)) {
        return Err(Error::bad(say!("error-not-of-lot", piece = &piece.code, lot = &lot.name)).at("piece"));
    }
    adjust(shop, host, &lot, |sheets| {
        let (shares, written_off) = match (&piece, claim) {
            (_, Some(_)) => (Vec::new(), -amount),
            (Some(piece), None) => {
                rules::on_hand(piece)?;
                (vec![CostShare { piece: piece.id, amount: -amount }], 0)
            }
            (None, None) => landing::later(-amount, &sheets.iter().map(lot_sheet).collect::<Vec<_>>()),
        };
        Ok(LotAdjusted { lot: lot.id, amount: -amount, shares, written_off, why, claim })
    })
}

/// Claims something from the supplier; the credit comes later.
pub fn claim(shop: &mut Shop, host: &mut dyn Host, with: &LotClaim) -> Result<(LotAnswer, Vec<Changed>), Error> {
    let lot = find(shop, &with.lot, with.material.as_deref())?;
    let why = needed(&with.why, "why")?;
    let given = filled(with.amount.as_deref());
    let amount = match given {
        Some(given) => more_than_nothing(shop, given, "amount")?,
        None => {
            let open: i64 = lot.claims.iter().filter(|c| c.credited.is_none()).map(|c| c.amount).sum();
            let lost = lot.written_off - open;
            if lost <= 0 {
                return Err(Error::refused(say!("refused-nothing-lost", lot = &lot.name)).at("amount"));
            }
            lost
        }
    };
    let ((), changed) = shop.write(host, |tx| {
        let claim = tx.ids.uuid();
        tx.draft(Body::Claimed(Claimed { lot: lot.id, claim, amount, why }), [thing(&lot)]);
        Ok(())
    })?;
    answer(shop, lot.id).map(|answer| (answer, changed))
}

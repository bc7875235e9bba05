//! `hold`, `release`: a plan's pieces are promised to its orders, or let go.

use sheetloft_ledger::body::{Body, Held, Released};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Plan};
use sheetloft_store::{Reader, Tx};
use uuid::Uuid;

use crate::answer::{Changed, HoldAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop};

/// The pieces of a plan that are not cut yet.
pub fn open_pieces(reader: &Reader<'_>, plan: &Plan) -> Result<Vec<Piece>, Error> {
    let mut pieces = Vec::new();
    for planned in plan.pieces.iter().filter(|p| !plan.cut.contains(&p.piece)) {
        let gone = || Error::refused(say!("refused-piece-gone", plan = &plan.code));
        pieces.push(reader.piece(planned.piece)?.ok_or_else(gone)?);
    }
    Ok(pieces)
}

fn touches(plan: Uuid, pieces: &[Piece]) -> Vec<Thing> {
    let pieces = pieces.iter().map(|p| Thing::new(ThingKind::Piece, p.id));
    std::iter::once(Thing::new(ThingKind::Plan, plan)).chain(pieces).collect()
}

/// Promises the pieces of a plan to its orders, within a transaction.
pub fn hold_in(tx: &mut Tx<'_>, plan: &Plan) -> Result<Vec<Piece>, Error> {
    let pieces = open_pieces(&tx.read(), plan)?;
    rules::may_hold(plan, &pieces)?;
    let ids = pieces.iter().map(|p| p.id).collect();
    tx.draft(Body::Held(Held { plan: plan.id, orders: plan.orders.clone(), pieces: ids }), touches(plan.id, &pieces));
    Ok(pieces)
}

/// Promises the pieces of a plan to its orders.
pub fn hold(shop: &mut Shop, host: &mut dyn Host, code: &str) -> Result<(HoldAnswer, Vec<Changed>), Error> {
    let known = shop.read().find_plan(code).map_err(|e| e.at("plan"))?;
    shop.read().not_frozen(Thing::new(ThingKind::Plan, known.id), &known.code)?;
    if known.pieces.is_empty() {
        return Err(Error::refused(say!("refused-plan-empty", plan = &known.code)));
    }
    let (pieces, changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&known.id.to_string())?;
        hold_in(tx, &plan)
    })?;
    Ok((answer(&known, &pieces, true), changed))
}

/// Lets the pieces of a plan go.
pub fn release(shop: &mut Shop, host: &mut dyn Host, code: &str) -> Result<(HoldAnswer, Vec<Changed>), Error> {
    let known = shop.read().find_plan(code).map_err(|e| e.at("plan"))?;
    shop.read().not_frozen(Thing::new(ThingKind::Plan, known.id), &known.code)?;
    let (pieces, changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&known.id.to_string())?;
        rules::may_release(&plan)?;
        let mut pieces = open_pieces(&tx.read(), &plan)?;
        pieces.retain(|p| p.holds.iter().any(|h| h.plan == plan.id));
        let ids = pieces.iter().map(|p| p.id).collect();
        tx.draft(Body::Released(Released { plan: plan.id, pieces: ids }), touches(plan.id, &pieces));
        Ok(pieces)
    })?;
    Ok((answer(&known, &pieces, false), changed))
}

fn answer(plan: &Plan, pieces: &[Piece], held: bool) -> HoldAnswer {
    HoldAnswer { plan: plan.code.clone(), pieces: pieces.iter().map(|p| p.code.clone()).collect(), held }
}

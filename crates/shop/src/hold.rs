//! `hold`, `release`: a plan's pieces are promised to its orders, or let go.

use std::collections::BTreeSet;

use sheetloft_ledger::body::{Body, Held, Released, TakenOver};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Piece, Plan};
use sheetloft_store::{Reader, Tx};
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, HoldAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::order;
use crate::plan::of_the_material;
use crate::say;
use crate::shop::{Lookup, Shop, text};

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

/// Promises the pieces of a plan to its orders.
///
/// With `over`, pieces that are held for other plans are taken over from them: each of these is let go as a whole,
/// with the reason, and its orders are to be planned again.
pub fn hold(shop: &mut Shop, host: &mut dyn Host, with: &action::Hold) -> Result<(HoldAnswer, Vec<Changed>), Error> {
    let known = shop.read().find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    shop.read().not_frozen(Thing::new(ThingKind::Plan, known.id), &known.code)?;
    if known.pieces.is_empty() {
        return Err(Error::refused(say!("refused-plan-empty", plan = &known.code)));
    }
    let over = text(with.over.as_deref(), "over")?;
    let ((pieces, losers), changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&known.id.to_string())?;
        let pieces = open_pieces(&tx.read(), &plan)?;
        rules::may_hold(&plan, &pieces, over.is_some())?;
        for order in &plan.orders {
            order::by_id(&tx.read(), *order)?.as_ref().map_or(Ok(()), rules::open)?;
        }
        pieces.iter().try_for_each(|piece| of_the_material(&tx.read(), &plan, piece))?;
        let others: BTreeSet<Uuid> =
            pieces.iter().flat_map(|p| p.holds.iter().map(|h| h.plan)).filter(|other| *other != plan.id).collect();
        let mut losers = Vec::new();
        for other in others {
            let loser = tx.read().find_plan(&other.to_string())?;
            let taken_over = over.clone().map(|why| TakenOver { by: plan.id, why });
            let_go(tx, &loser, taken_over)?;
            losers.push(loser.code);
        }
        let ids = pieces.iter().map(|p| p.id).collect();
        tx.draft(
            Body::Held(Held { plan: plan.id, orders: plan.orders.clone(), pieces: ids }),
            touches(plan.id, &pieces),
        );
        Ok((pieces, losers))
    })?;
    Ok((HoldAnswer { taken_over: losers, ..answer(&known, &pieces, true) }, changed))
}

/// Lets go what a plan still holds.
fn let_go(tx: &mut Tx<'_>, plan: &Plan, taken_over: Option<TakenOver>) -> Result<Vec<Piece>, Error> {
    let mut pieces = open_pieces(&tx.read(), plan)?;
    pieces.retain(|p| p.holds.iter().any(|h| h.plan == plan.id));
    let ids = pieces.iter().map(|p| p.id).collect();
    tx.draft(Body::Released(Released { plan: plan.id, pieces: ids, taken_over }), touches(plan.id, &pieces));
    Ok(pieces)
}

/// Lets the pieces of a plan go.
pub fn release(shop: &mut Shop, host: &mut dyn Host, code: &str) -> Result<(HoldAnswer, Vec<Changed>), Error> {
    let known = shop.read().find_plan(code).map_err(|e| e.at("plan"))?;
    shop.read().not_frozen(Thing::new(ThingKind::Plan, known.id), &known.code)?;
    let (pieces, changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&known.id.to_string())?;
        rules::may_release(&plan)?;
        let_go(tx, &plan, None)
    })?;
    Ok((answer(&known, &pieces, false), changed))
}

fn answer(plan: &Plan, pieces: &[Piece], held: bool) -> HoldAnswer {
    HoldAnswer {
        plan: plan.code.clone(),
        pieces: pieces.iter().map(|p| p.code.clone()).collect(),
        held,
        taken_over: Vec::new(),
    }
}

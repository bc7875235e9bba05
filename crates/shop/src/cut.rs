//! `cut`: it has been cut; the piece is used up, what is left becomes stock, the orders are charged.

use std::collections::BTreeSet;

use sheetloft_ledger::body::{Areas, Body, Born, Cut, CutPart, Flaw, Known, Outcome, PlannedPiece};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Material, Order, Piece, Plan};
use sheetloft_shapes::{Placement, Shape, boolean};
use sheetloft_store::{Reader, Tx};
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, CutAnswer, CutRow, OrderCharged};
use crate::error::Error;
use crate::host::Host;
use crate::order;
use crate::piece::new_offcuts;
use crate::plan::placed_part;
use crate::remains;
use crate::say;
use crate::shop::{Lookup, Shop, shown};

/// One piece that was cut, ready to be written.
struct Done {
    event: Cut,
    code: String,
    orders: Vec<(Uuid, String)>,
}

/// It has been cut: all open pieces of the plan, or the one named.
pub fn cut(shop: &mut Shop, host: &mut dyn Host, with: &action::Cut) -> Result<(CutAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let plan = reader.find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    reader.not_frozen(Thing::new(ThingKind::Plan, plan.id), &plan.code)?;
    let only = with.piece.as_deref().filter(|t| !t.trim().is_empty());
    let only = only.map(|code| reader.find_piece(code).map_err(|e| e.at("piece"))).transpose()?;
    if let Some(piece) = &only
        && plan.pieces.iter().all(|p| p.piece != piece.id)
    {
        return Err(Error::bad(say!("error-not-in-plan", piece = &piece.code, plan = &plan.code)).at("piece"));
    }
    let wanted: Vec<&PlannedPiece> = plan
        .pieces
        .iter()
        .filter(|p| only.as_ref().map_or(!plan.cut.contains(&p.piece), |piece| piece.id == p.piece))
        .collect();
    if wanted.is_empty() {
        return Err(Error::refused(match plan.pieces.is_empty() {
            true => say!("refused-plan-empty", plan = &plan.code),
            false => say!("refused-plan-cut", plan = &plan.code),
        }));
    }
    let known = |ids: &[String], field| {
        let all: BTreeSet<&str> = wanted.iter().flat_map(|p| p.parts.iter().map(|q| q.id.as_str())).collect();
        match ids.iter().find(|id| !all.contains(id.as_str())) {
            Some(id) => Err(Error::bad(say!("error-unknown-plan-part", id = shown(id), plan = &plan.code)).at(field)),
            None => Ok(()),
        }
    };
    known(&with.failed, "failed")?;
    known(&with.not_started, "not_started")?;
    if let Some(id) = with.failed.iter().find(|id| with.not_started.contains(id)) {
        return Err(Error::bad(say!("error-failed-and-not-started", id = shown(id))).at("failed"));
    }
    let outcome = |id: &str| {
        if with.failed.iter().any(|f| f == id) {
            Outcome::Failed
        } else if with.not_started.iter().any(|n| n == id) {
            Outcome::NotStarted
        } else {
            Outcome::Good
        }
    };
    let (done, changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&plan.id.to_string())?;
        wanted.iter().map(|planned| cut_piece(tx, &plan, planned, &outcome)).collect::<Result<Vec<Done>, Error>>()
    })?;
    let cuts = done
        .iter()
        .map(|d| CutRow {
            piece: d.code.clone(),
            orders: d
                .event
                .charges
                .iter()
                .map(|c| OrderCharged {
                    order: d
                        .orders
                        .iter()
                        .find(|(id, _)| *id == c.order)
                        .map_or_else(String::new, |(_, code)| code.clone()),
                    charged: shop.money(c.charge.total()),
                })
                .collect(),
            charged: shop.money(d.event.charges.iter().map(|c| c.charge.total()).sum()),
            scrap: shop.money(d.event.charges.iter().map(|c| c.charge.scrap).sum()),
            offcuts: new_offcuts(shop, &d.event.born),
        })
        .collect();
    Ok((CutAnswer { cuts }, changed))
}

fn cut_piece(
    tx: &mut Tx<'_>,
    plan: &Plan,
    planned: &PlannedPiece,
    outcome: &dyn Fn(&str) -> Outcome,
) -> Result<Done, Error> {
    let gone = || Error::refused(say!("refused-piece-gone", plan = &plan.code));
    let piece = tx.read().piece(planned.piece)?.ok_or_else(gone)?;
    rules::may_cut(plan, &piece)?;
    let material = tx.read().material(piece.material)?;
    let orders = orders_of(&tx.read(), planned)?;
    let mut parts = Vec::new();
    let mut started = Vec::new();
    for p in &planned.parts {
        let shape = placed_part(&orders, p)?;
        parts.push(CutPart {
            id: p.id.clone(),
            order: p.order,
            line: p.line,
            part: p.part.clone(),
            outcome: outcome(&p.id),
            area2: shape.area2(),
        });
        if outcome(&p.id) != Outcome::NotStarted {
            started.push(shape);
        }
    }
    if started.is_empty() {
        return Err(Error::bad(say!("error-nothing-cut", piece = &piece.code)).at("not_started"));
    }
    let (kept, areas) = if started.len() == planned.parts.len() {
        // As planned: what the person saw is what is recorded.
        let kept: Vec<Shape> = planned.leftovers.iter().filter(|l| l.keep).map(|l| l.shape.clone()).collect();
        (kept, planned.areas)
    } else {
        // What was not started stays material.
        let left = remains::of(&piece.shape, &started, planned.kerf_um, &material)?;
        (left.kept, left.areas)
    };
    let born = offcuts(tx, &piece, kept)?;
    let event = shared(&piece, &material, plan, parts, born, areas, &orders);
    let mut touches = vec![Thing::new(ThingKind::Piece, piece.id), Thing::new(ThingKind::Plan, plan.id)];
    touches.extend(orders.iter().map(|o| Thing::new(ThingKind::Order, o.id)));
    touches.extend(event.born.iter().map(|b| Thing::new(ThingKind::Piece, b.id)));
    tx.draft(Body::Cut(event.clone()), touches);
    Ok(Done { event, code: piece.code, orders: orders.into_iter().map(|o| (o.id, o.code)).collect() })
}

/// The orders that have parts on a piece, by code.
pub fn orders_of(reader: &Reader<'_>, planned: &PlannedPiece) -> Result<Vec<Order>, Error> {
    let ids: BTreeSet<Uuid> = planned.parts.iter().map(|p| p.order).collect();
    let mut orders = Vec::new();
    for id in ids {
        let gone = || Error::refused(say!("refused-order-gone"));
        orders.push(order::by_id(reader, id)?.ok_or_else(gone)?);
    }
    orders.sort_by(|a, b| a.code.cmp(&b.code));
    Ok(orders)
}

/// What is kept becomes stock, each in coordinates of its own with its lower left corner at 0,0; flaws and
/// grain come along.
fn offcuts(tx: &mut Tx<'_>, piece: &Piece, kept: Vec<Shape>) -> Result<Vec<Born>, Error> {
    let mut born = Vec::new();
    for shape in kept {
        let (low, _) = shape.bounds();
        let home = Placement { dx: -low.x, dy: -low.y, ..Placement::default() };
        let mut flaws = Vec::new();
        for flaw in &piece.flaws {
            let common = boolean::intersection(std::slice::from_ref(&flaw.shape), std::slice::from_ref(&shape));
            if common.is_ok_and(|c| !c.is_empty()) {
                let moved = flaw.shape.placed(&home)?;
                flaws.push(Flaw { id: tx.ids.uuid(), shape: moved, side: flaw.side, why: flaw.why.clone() });
            }
        }
        born.push(Born {
            id: tx.ids.uuid(),
            code: tx.next_code(Noun::Piece)?,
            shape: shape.placed(&home)?,
            flaws,
            grain_udeg: piece.grain_udeg,
            known: Known::Machine,
            known_within_um: Known::Machine.within_um(),
            rack: piece.rack,
            cost: 0,
        });
    }
    Ok(born)
}

/// Shares the piece's cost and makes the event.
fn shared(
    piece: &Piece,
    material: &Material,
    plan: &Plan,
    parts: Vec<CutPart>,
    mut born: Vec<Born>,
    areas: Areas,
    orders: &[Order],
) -> Cut {
    let kept: Vec<KeptOffcut> =
        born.iter().map(|b| KeptOffcut { code: b.code.clone(), area2: b.shape.area2() }).collect();
    let shares: Vec<CutShare> = parts
        .iter()
        .map(|p| CutShare {
            order: p.order,
            order_code: orders.iter().find(|o| o.id == p.order).map_or_else(String::new, |o| o.code.clone()),
            area2: p.area2,
            outcome: p.outcome,
        })
        .collect();
    let value = material.data.offcut_value_percent;
    let shared = outcome::share(piece.carried(), piece.kind, value, &kept, &shares, &areas);
    for (offcut, cost) in born.iter_mut().zip(shared.offcuts) {
        offcut.cost = cost;
    }
    Cut {
        plan: plan.id,
        piece: piece.id,
        material: piece.material,
        lot: piece.lot,
        parts,
        born,
        charges: shared.charges,
        areas,
    }
}

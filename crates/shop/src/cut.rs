//! `cut`: it has been cut; the piece is used up, what is left becomes stock, the orders are charged.

use std::collections::{BTreeSet, HashMap};

use sheetloft_fit::plan::Leave;
use sheetloft_ledger::body::{
    Areas, Body, Born, Cut, CutPart, Flaw, FlawSide, Known, Outcome, PlannedPart, PlannedPiece,
};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Material, Order, Piece, Plan};
use sheetloft_shapes::offset::{self, Corners};
use sheetloft_shapes::{Placement, boolean};
use sheetloft_store::{Reader, Tx};
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, CutAnswer, CutRow, OrderCharged};
use crate::error::Error;
use crate::host::Host;
use crate::layout::which;
use crate::leftovers::{self, Changes, Kept};
use crate::order;
use crate::piece::new_offcuts;
use crate::plan::{of_the_material, placed_part};
use crate::remains;
use crate::say;
use crate::shop::{Lookup, Shop, filled, shown, text};

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
    let only = filled(with.piece.as_deref());
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
    let said = [
        (&with.failed, Outcome::Failed, "failed"),
        (&with.not_started, Outcome::NotStarted, "not_started"),
        (&with.half_cut, Outcome::HalfCut, "half_cut"),
    ];
    let mut outcomes: HashMap<&str, Outcome> = HashMap::new();
    for (ids, outcome, field) in said {
        known(ids, field)?;
        for id in ids {
            if outcomes.insert(id, outcome).is_some_and(|before| before != outcome) {
                return Err(Error::bad(say!("error-two-outcomes", id = shown(id))).at(field));
            }
        }
    }
    let outcome = |id: &str| outcomes.get(id).copied().unwrap_or_default();
    let why = text(with.why.as_deref(), "why")?;
    let changes = leftovers::changes(shop, &with.leftovers)?;
    if !changes.is_empty() && wanted.len() > 1 {
        return Err(which(shop, &plan, &wanted)?);
    }
    if !changes.is_empty() && outcomes.values().any(|o| !o.is_loose()) {
        return Err(Error::bad(say!("error-leftovers-not-planned")).at("leftovers"));
    }
    let (done, changed) = shop.write(host, |tx| {
        let plan = tx.read().find_plan(&plan.id.to_string())?;
        let cut = |planned: &&PlannedPiece| cut_piece(tx, &plan, planned, &outcome, &changes, why.clone());
        wanted.iter().map(cut).collect::<Result<Vec<Done>, Error>>()
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
    changes: &Changes,
    why: Option<String>,
) -> Result<Done, Error> {
    let gone = || Error::refused(say!("refused-piece-gone", plan = &plan.code));
    let piece = tx.read().piece(planned.piece)?.ok_or_else(gone)?;
    rules::may_cut(plan, &piece)?;
    of_the_material(&tx.read(), plan, &piece)?;
    let material = tx.read().material(piece.material)?;
    let orders = orders_of(&tx.read(), planned)?;
    orders.iter().try_for_each(rules::open)?;
    let mut parts = Vec::new();
    let (mut loose, mut half_cut) = (Vec::new(), Vec::new());
    for p in &planned.parts {
        let shape = placed_part(&orders, p)?;
        let outcome = outcome(&p.id);
        parts.push(CutPart {
            id: p.id.clone(),
            order: p.order,
            line: p.line,
            part: p.part.clone(),
            outcome,
            area2: shape.area2(),
        });
        match outcome {
            Outcome::Good | Outcome::Failed => loose.push(shape),
            Outcome::HalfCut => half_cut.push((p.id.clone(), shape)),
            Outcome::NotStarted => {}
        }
    }
    if loose.is_empty() && half_cut.is_empty() {
        return Err(Error::bad(say!("error-nothing-cut", piece = &piece.code)).at("not_started"));
    }
    let (kept, areas) = if loose.len() == planned.parts.len() {
        // As planned: what the person saw, and changed, is what is recorded.
        leftovers::kept(planned, changes, &piece.code)?
    } else {
        // What was not cut loose stays material.
        let left = remains::sawn(&piece.shape, &planned.saws, &loose, planned.kerf_um, &material, Leave::Largest)?;
        (left.kept.into_iter().map(|shape| Kept { shape, known: Known::Machine }).collect(), left.areas)
    };
    let mut spoilt = piece.flaws.clone();
    for (id, shape) in half_cut {
        let grown = offset::grown(&shape, planned.kerf_um, Corners::Round).ok().and_then(|mut g| g.pop());
        let shape = grown.unwrap_or(shape);
        let said = say!("flaw-half-cut", id = &id, plan = &plan.code);
        spoilt.push(Flaw { id: tx.ids.uuid(), shape, side: FlawSide::Through, why: said.text() });
    }
    let born = offcuts(tx, &piece, kept, &spoilt)?;
    let event = Cut { why, ..shared(&piece, &material, plan, parts, born, areas, &orders) };
    let mut touches = vec![Thing::new(ThingKind::Piece, piece.id), Thing::new(ThingKind::Plan, plan.id)];
    touches.extend(orders.iter().map(|o| Thing::new(ThingKind::Order, o.id)));
    touches.extend(event.born.iter().map(|b| Thing::new(ThingKind::Piece, b.id)));
    tx.draft(Body::Cut(event.clone()), touches);
    Ok(Done { event, code: piece.code, orders: orders.into_iter().map(|o| (o.id, o.code)).collect() })
}

/// The orders that have parts on a piece, by code.
pub fn orders_of(reader: &Reader<'_>, planned: &PlannedPiece) -> Result<Vec<Order>, Error> {
    orders_of_parts(reader, &planned.parts)
}

/// The orders of planned parts, by code.
pub fn orders_of_parts(reader: &Reader<'_>, parts: &[PlannedPart]) -> Result<Vec<Order>, Error> {
    let ids: BTreeSet<Uuid> = parts.iter().map(|p| p.order).collect();
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
fn offcuts(tx: &mut Tx<'_>, piece: &Piece, kept: Vec<Kept>, flaws: &[Flaw]) -> Result<Vec<Born>, Error> {
    let mut born = Vec::new();
    for Kept { shape, known } in kept {
        let (low, _) = shape.bounds();
        let home = Placement { dx: -low.x, dy: -low.y, ..Placement::default() };
        let mut own = Vec::new();
        // Where the flaws lie on a leftover that was redrawn, nobody said.
        for flaw in flaws.iter().filter(|_| known == Known::Machine) {
            let common = boolean::intersection(std::slice::from_ref(&flaw.shape), std::slice::from_ref(&shape));
            if common.is_ok_and(|c| !c.is_empty()) {
                let moved = flaw.shape.placed(&home)?;
                own.push(Flaw { id: tx.ids.uuid(), shape: moved, side: flaw.side, why: flaw.why.clone() });
            }
        }
        born.push(Born {
            id: tx.ids.uuid(),
            code: tx.next_code(Noun::Piece)?,
            shape: shape.placed(&home)?,
            flaws: own,
            grain_udeg: piece.grain_udeg,
            known,
            known_within_um: known.within_um(),
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
        why: None,
        owner: piece.owner.clone(),
    }
}

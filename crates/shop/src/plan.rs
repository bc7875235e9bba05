//! `plan`, `plan show`: which pieces to cut, and every part's place on them.

use std::collections::{BTreeMap, HashMap, HashSet};

use sheetloft_fit as fit;
use sheetloft_ledger::body::{
    Body, LinePart, NotPlaced, Outcome, PieceKind, PlanMade, PlannedLeftover, PlannedPart, PlannedPiece,
};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome::{self, CutShare, KeptOffcut};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Material, Order, Piece, Plan};
use sheetloft_shapes::Shape;
use sheetloft_store::PieceFilter;
use uuid::Uuid;

use crate::action;
use crate::answer::{Changed, LeftoverRow, NotPlacedRow, PlanAnswer, PlannedPartRow, PlannedPieceRow};
use crate::cautions;
use crate::cut::orders_of;
use crate::door::Job;
use crate::error::Error;
use crate::find::{flaws, grain, turns};
use crate::host::Host;
use crate::limits;
use crate::material::{self, Clear, Prices};
use crate::order::{self, plan_state};
use crate::remains;
use crate::say;
use crate::shop::{Lookup, Shop, whole};
use crate::view::{self, Names, holes_mm, mm2, ring_mm, shape_mm, size_text, weight_kg};

/// How long a plan may take unless said otherwise, s.
const SECONDS: u32 = 10;

/// One part still to be cut.
struct Want {
    order: Uuid,
    order_code: String,
    line: Uuid,
    part: LinePart,
    turn: sheetloft_ledger::body::TurnRule,
    flip: bool,
    material: Uuid,
    id: String,
}

/// A plan worked out, not yet written.
pub struct Made {
    urgent: bool,
    orders: Vec<Uuid>,
    machine: Option<Uuid>,
    pieces: Vec<PlannedPiece>,
    not_placed: Vec<NotPlaced>,
    lower_bound: Option<i64>,
    seconds: f64,
}

/// Works out a plan for the parts of the orders that are still to be cut.
pub fn make(shop: &Shop, with: &action::Plan, job: &Job, clock_ms: &dyn Fn() -> f64) -> Result<Made, Error> {
    let begun = clock_ms();
    let reader = shop.read();
    if with.orders.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("orders"));
    }
    let seconds = with.seconds.as_deref().filter(|t| !t.trim().is_empty());
    let seconds = seconds.map_or(Ok(SECONDS), |t| whole(t, 1, 3_600, "seconds"))?;
    let seed = with.seed.as_deref().filter(|t| !t.trim().is_empty());
    seed.map_or(Ok(0), |t| whole(t, 0, u32::MAX, "seed"))?;
    let mut orders: Vec<Order> = Vec::new();
    for code in &with.orders {
        let order = reader.find_order(code).map_err(|e| e.at("orders"))?;
        if orders.iter().all(|o| o.id != order.id) {
            orders.push(order);
        }
    }
    let wants = wanted(&orders)?;
    let prices = Prices::read(&reader)?;
    let mut by_material: BTreeMap<Uuid, Vec<&Want>> = BTreeMap::new();
    for want in &wants {
        by_material.entry(want.material).or_default().push(want);
    }
    let mut made = Made {
        urgent: with.urgent,
        orders: orders.iter().map(|o| o.id).collect(),
        machine: None,
        pieces: Vec::new(),
        not_placed: Vec::new(),
        lower_bound: Some(0),
        seconds: 0.0,
    };
    let deadline = begun + f64::from(seconds) * 1_000.0;
    let total = wants.len();
    let mut before = 0;
    for (id, wants) in by_material {
        let material = reader.material(id)?;
        let (clear, machine) = material::clear(shop, &material, &with.clearance)?;
        material::may_be_cut_on(&material, machine.as_ref())?;
        made.machine = machine.map(|m| m.id);
        let area2: i64 = wants.iter().map(|w| w.part.shape.area2()).sum();
        made.lower_bound = made.lower_bound.zip(prices.of(&material, area2)).map(|(a, b)| a + b);
        let filter = PieceFilter {
            material: Some(id),
            kind: if with.sheets_only { Some("sheet") } else { None },
            statuses: if with.urgent { vec!["free", "held"] } else { vec!["free"] },
            ..PieceFilter::default()
        };
        let mut stock = reader.pieces(&filter)?;
        // Offcuts before sheets; smallest first; of equal ones the oldest.
        stock.sort_by(|a, b| {
            let key = |p: &Piece| (p.kind == PieceKind::Sheet, p.shape.area2(), p.born_ms);
            key(a).cmp(&key(b)).then_with(|| a.code.cmp(&b.code))
        });
        let mut watch = |done: usize, _: usize| {
            job.report(before + done, total);
            !job.is_cancelled() && clock_ms() < deadline
        };
        let (pieces, left_over) = place(&material, &wants, &stock, clear, &prices, &mut watch)?;
        made.pieces.extend(pieces);
        made.not_placed.extend(left_over);
        before += wants.len();
        job.report(before, total);
    }
    made.seconds = (clock_ms() - begun) / 1_000.0;
    Ok(made)
}

/// The parts of the orders that are still to be cut, each with an id unique in the plan: the part's own
/// where it is cut once, else with a number behind it; with the order's code before it where orders differ.
fn wanted(orders: &[Order]) -> Result<Vec<Want>, Error> {
    let mut wants = Vec::new();
    let mut names: HashMap<String, u32> = HashMap::new();
    for order in orders {
        for (n, line) in order.lines.iter().enumerate() {
            for part in &line.parts {
                let (wanted, good) = order.wanted_and_good(line, &part.id);
                let name = part.id.clone();
                *names.entry(name.clone()).or_default() += wanted.saturating_sub(good);
                for _ in good..wanted {
                    wants.push(Want {
                        order: order.id,
                        order_code: order.code.clone(),
                        line: line.line,
                        part: part.clone(),
                        turn: line.turn,
                        flip: line.flip,
                        material: line.material,
                        id: name.clone(),
                    });
                }
                let _ = n;
                if wants.len() > limits::PARTS_PER_PLAN {
                    return Err(Error::bad(say!("error-many-parts", most = limits::PARTS_PER_PLAN)).at("orders"));
                }
            }
        }
    }
    let mut used: HashMap<String, u32> = HashMap::new();
    let mut taken: HashSet<String> = names.iter().filter(|(_, n)| **n == 1).map(|(id, _)| id.clone()).collect();
    for want in &mut wants {
        if names.get(&want.id).copied().unwrap_or(0) <= 1 {
            continue;
        }
        let counter = used.entry(want.id.clone()).or_default();
        loop {
            *counter += 1;
            let id = format!("{}/{}", want.id, counter);
            if taken.insert(id.clone()) {
                want.id = id;
                break;
            }
        }
    }
    if wants.is_empty() {
        let code = orders.first().map_or_else(String::new, |o| o.code.clone());
        return Err(Error::refused(say!("refused-nothing-to-plan", order = code)));
    }
    Ok(wants)
}

/// Places the parts of one material on its stock, and works out what each piece leaves and costs.
fn place(
    material: &Material,
    wants: &[&Want],
    stock: &[Piece],
    clear: Clear,
    prices: &Prices,
    watch: &mut dyn fit::Watch,
) -> Result<(Vec<PlannedPiece>, Vec<NotPlaced>), Error> {
    let all_flaws: Vec<Vec<Shape>> = stock.iter().map(flaws).collect();
    let mut lots: Vec<Option<Uuid>> = stock.iter().map(|p| p.lot).collect();
    lots.sort_unstable();
    lots.dedup();
    let candidates: Vec<fit::plan::Stock<'_>> = stock
        .iter()
        .zip(&all_flaws)
        .map(|(p, flaws)| {
            let is_sheet = p.kind == PieceKind::Sheet;
            fit::plan::Stock {
                shape: &p.shape,
                flaws,
                grain: grain(p),
                is_sheet,
                supply: fit::plan::Supply::OnHand,
                // Without a price, a unit for each mm².
                price: prices.of(material, p.shape.area2()).unwrap_or(p.shape.area2() / 2_000_000),
                leftover_percent: if is_sheet { material.data.offcut_value_percent.into() } else { 100 },
                age: p.born_ms,
                lot: lots.iter().position(|l| *l == p.lot).unwrap_or(0) as u64,
            }
        })
        .collect();
    let all_turns: Vec<fit::Turns> = wants.iter().map(|w| turns(w.turn)).collect();
    let parts: Vec<fit::plan::Wanted<'_>> =
        wants.iter().zip(&all_turns).map(|(w, turns)| fit::plan::Wanted::new(&w.part.shape, turns, w.flip)).collect();
    let options = fit::plan::Options {
        kerf_um: clear.kerf_um,
        gap_um: clear.gap_um,
        margin_um: clear.margin_um,
        keep: fit::KeepFrom { w_um: material.data.keep_from_um[0], h_um: material.data.keep_from_um[1] },
        ..fit::plan::Options::default()
    };
    let plan = fit::plan::plan(&parts, &candidates, &options, watch);
    let mut pieces = Vec::new();
    for used in plan.used {
        let piece = &stock[used.stock];
        let planned: Vec<PlannedPart> = used
            .parts
            .iter()
            .map(|p| {
                let want = wants[p.wanted];
                PlannedPart {
                    id: want.id.clone(),
                    order: want.order,
                    line: want.line,
                    part: want.part.id.clone(),
                    place: p.placement,
                }
            })
            .collect();
        let shapes: Vec<Shape> =
            used.parts.iter().map(|p| wants[p.wanted].part.shape.placed(&p.placement)).collect::<Result<_, _>>()?;
        let left = remains::of(&piece.shape, &shapes, clear.kerf_um, material)?;
        let kept: Vec<KeptOffcut> = left
            .kept
            .iter()
            .enumerate()
            .map(|(i, s)| KeptOffcut { code: format!("{i:06}"), area2: s.area2() })
            .collect();
        let shares: Vec<CutShare> = used
            .parts
            .iter()
            .zip(&shapes)
            .map(|(p, shape)| CutShare {
                order: wants[p.wanted].order,
                order_code: wants[p.wanted].order_code.clone(),
                area2: shape.area2(),
                outcome: Outcome::Good,
            })
            .collect();
        let value = material.data.offcut_value_percent;
        let shared = outcome::share(piece.carried(), piece.kind, value, &kept, &shares, &left.areas);
        let keep = |keep: bool| move |shape: Shape| PlannedLeftover { shape, keep };
        pieces.push(PlannedPiece {
            piece: piece.id,
            kerf_um: clear.kerf_um,
            gap_um: clear.gap_um,
            margin_um: clear.margin_um,
            parts: planned,
            leftovers: left.kept.into_iter().map(keep(true)).chain(left.scrap.into_iter().map(keep(false))).collect(),
            areas: left.areas,
            charged: shared.charges.iter().map(|c| c.charge.total()).sum(),
            scrap: shared.charges.iter().map(|c| c.charge.scrap).sum(),
            price: prices.of(material, piece.shape.area2() - left.areas.offcuts2),
            saws: Vec::new(),
        });
    }
    let not_placed = plan
        .not_placed
        .iter()
        .map(|n| {
            let want = wants[n.wanted];
            let why = why(&n.why, stock, material);
            NotPlaced { order: want.order, line: want.line, id: want.id.clone(), part: want.part.id.clone(), why }
        })
        .collect();
    Ok((pieces, not_placed))
}

/// Why a part was not placed, in words.
fn why(why: &fit::plan::Why, stock: &[Piece], material: &Material) -> String {
    let name = &material.data.name;
    match why {
        fit::plan::Why::NothingThere => say!("why-none-on-hand", material = name),
        fit::plan::Why::TooBig => say!("why-too-big", material = name),
        // Nothing is locked and nothing has to come from one lot as long as an order cannot say so.
        fit::plan::Why::NoRoom
        | fit::plan::Why::MoreSheets { .. }
        | fit::plan::Why::Apart
        | fit::plan::Why::Locked { .. } => say!("why-no-room", material = name),
        fit::plan::Why::TooClose { stock: near } => {
            let codes: Vec<&str> = near.iter().map(|i| stock[*i].code.as_str()).collect();
            say!("why-too-close", pieces = codes.join(", "))
        }
        fit::plan::Why::Stopped => say!("why-stopped"),
    }
    .text()
}

/// Writes a plan; its pieces must still be free.
pub fn keep(shop: &mut Shop, host: &mut dyn Host, made: Made) -> Result<(PlanAnswer, Vec<Changed>), Error> {
    let Made { urgent, orders, machine, pieces, not_placed, lower_bound, seconds } = made;
    let (id, changed) = shop.write(host, |tx| {
        for planned in &pieces {
            let gone = || Error::refused(say!("refused-plan-stale"));
            let piece = tx.read().piece(planned.piece)?.ok_or_else(gone)?;
            if urgent { rules::on_hand(&piece) } else { rules::free(&piece) }.map_err(|_| gone())?;
        }
        let (plan, code) = (tx.ids.uuid(), tx.next_code(Noun::Plan)?);
        let made = PlanMade { plan, code, orders, machine, pieces, not_placed, lower_bound, to_buy: Vec::new() };
        tx.draft(Body::PlanMade(made), [Thing::new(ThingKind::Plan, plan)]);
        Ok(plan)
    })?;
    let plan = shop.read().find_plan(&id.to_string())?;
    Ok((answer(shop, &plan, seconds)?, changed))
}

/// A plan made before.
pub fn show(shop: &Shop, with: &action::PlanShow) -> Result<PlanAnswer, Error> {
    let plan = shop.read().find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    answer(shop, &plan, 0.0)
}

/// A planned part as it lies on its piece.
pub fn placed_part(orders: &[Order], p: &PlannedPart) -> Result<Shape, Error> {
    let line = orders.iter().find(|o| o.id == p.order).and_then(|o| o.lines.iter().find(|l| l.line == p.line));
    let part = line.and_then(|l| l.parts.iter().find(|q| q.id == p.part));
    let part = part.ok_or_else(|| Error::refused(say!("refused-order-gone")))?;
    Ok(part.shape.placed(&p.place)?)
}

/// The number of a line within its order, from 1.
fn line_number(orders: &[Order], order: Uuid, line: Uuid) -> usize {
    let order = orders.iter().find(|o| o.id == order);
    order.and_then(|o| o.lines.iter().position(|l| l.line == line)).map_or(0, |n| n + 1)
}

fn answer(shop: &Shop, plan: &Plan, seconds: f64) -> Result<PlanAnswer, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let mut all: Vec<Order> = Vec::new();
    for id in &plan.orders {
        all.extend(order::by_id(&reader, *id)?);
    }
    let mut rows = Vec::new();
    let mut warnings = Vec::new();
    let mut said = Vec::new();
    for planned in &plan.pieces {
        let Some(piece) = reader.piece(planned.piece)? else { continue };
        let material = reader.material(piece.material)?;
        let orders = orders_of(&reader, planned)?;
        let weight = weight_kg(piece.shape.area2(), &material);
        for line in cautions::cutting(&material, weight, cautions::longest_um(&piece.shape)) {
            if !said.contains(&line) {
                said.push(line);
            }
        }
        if planned.gap_um > 0 && planned.gap_um < planned.kerf_um {
            warnings.push(say!("warning-gap", material = &material.data.name).text());
        }
        let mut parts = Vec::new();
        for p in &planned.parts {
            let shape = placed_part(&orders, p)?;
            parts.push(PlannedPartRow {
                line: line_number(&all, p.order, p.line),
                order: names.order(p.order),
                id: p.id.clone(),
                part: p.part.clone(),
                place: view::place(&p.place),
                outline: ring_mm(shape.outline()),
                holes: holes_mm(&shape),
            });
        }
        rows.push(PlannedPieceRow {
            piece: piece.code.clone(),
            kind: view::kind_word(piece.kind).to_owned(),
            material: material.data.name.clone(),
            rack: names.rack(piece.rack),
            weight_kg: weight,
            grain_deg: view::grain_deg(&piece),
            outline: ring_mm(piece.shape.outline()),
            holes: holes_mm(&piece.shape),
            flaws: piece.flaws.iter().map(|f| shape_mm(&f.shape)).collect(),
            tight: is_tight(&piece, planned, &orders)?,
            parts,
            leftovers: planned
                .leftovers
                .iter()
                .map(|l| LeftoverRow {
                    outline: ring_mm(l.shape.outline()),
                    holes: holes_mm(&l.shape),
                    keep: l.keep,
                    area_mm2: mm2(l.shape.area2()),
                    size: size_text(&l.shape, shop),
                })
                .collect(),
            charged: shop.money(planned.charged),
            scrap: shop.money(planned.scrap),
            price: planned.price.map(|p| shop.money(p)),
            cut: plan.cut.contains(&planned.piece),
        });
    }
    warnings.sort();
    warnings.dedup();
    let price: Option<i64> = plan.pieces.iter().map(|p| p.price).sum();
    Ok(PlanAnswer {
        plan: plan.code.clone(),
        uuid: plan.id.to_string(),
        orders: plan.orders.iter().map(|o| names.order(*o)).collect(),
        state: plan_state(plan).to_owned(),
        price: price.map(|p| shop.money(p)),
        cost: shop.money(plan.pieces.iter().map(|p| p.charged).sum()),
        pieces: rows,
        not_placed: plan
            .not_placed
            .iter()
            .map(|n| NotPlacedRow {
                line: line_number(&all, n.order, n.line),
                order: names.order(n.order),
                id: n.id.clone(),
                why: n.why.clone(),
            })
            .collect(),
        lower_bound: plan.lower_bound.map(|b| shop.money(b)),
        seconds,
        warnings,
        cautions: said,
    })
}

/// Whether some part keeps less from the rim, beyond the kerf, than the outline is known to. The margin
/// counts as room here: a plan pushes parts against it on purpose.
fn is_tight(piece: &Piece, planned: &PlannedPiece, orders: &[Order]) -> Result<bool, Error> {
    let asked = planned.kerf_um;
    for p in &planned.parts {
        let part = placed_part(orders, p)?;
        let kept = sheetloft_shapes::clear::inside_spare_um(&part, &piece.shape).unwrap_or(0);
        if kept - asked < piece.known_within_um {
            return Ok(true);
        }
    }
    Ok(false)
}

//! `plan`, `plan show`, `plan change`: which pieces to cut, and every part's place on them.

mod answer;
pub mod bed;
mod change;
mod place;
mod wanted;

use std::collections::BTreeMap;

use sheetloft_fit as fit;
use sheetloft_ledger::body::{Body, NotPlaced, PieceKind, PlanMade, PlannedPart, PlannedPiece, StandsIn, ToBuy};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Machine, Material, Order, Piece, Plan};
use sheetloft_shapes::Shape;
use sheetloft_store::{PieceFilter, Reader};
use uuid::Uuid;

pub use answer::used_price;
pub use change::{change, try_change};

use crate::action;
use crate::answer::{Changed, PlanAnswer};
use crate::door::Job;
use crate::error::Error;
use crate::host::Host;
use crate::material::{self, Prices};
use crate::say;
use crate::shop::{Lookup, Shop, filled, shown, whole, word};
use place::{Found, Ground, Locked};
use wanted::Want;

/// How long a plan may take unless said otherwise, s.
const SECONDS: u32 = 10;
/// Longest that one may ask for, s.
const SECONDS_MOST: u32 = 3_600;
/// Rounds of improvement unless rounds or a time are asked for: the same plan on every machine that is not too slow
/// for it.
const ROUNDS: u32 = 40;
/// Rounds of improvement where only the time bounds them.
const ROUNDS_ANY: u32 = u32::MAX;
/// Rounds in a row without a better plan after which a search ends that was given neither a time nor rounds; and one
/// that was.
const PATIENCE: u32 = 16;
const PATIENCE_ASKED: u32 = 500;

/// A plan worked out, not yet written.
pub struct Made {
    urgent: bool,
    orders: Vec<Uuid>,
    machine: Option<Uuid>,
    pieces: Vec<PlannedPiece>,
    to_buy: Vec<ToBuy>,
    not_placed: Vec<NotPlaced>,
    lower_bound: Option<i64>,
    least_pieces: u32,
    instead: Vec<StandsIn>,
    seconds: f64,
    warnings: Vec<String>,
}

impl Made {
    fn add(&mut self, found: Found) {
        self.pieces.extend(found.pieces);
        self.to_buy.extend(found.to_buy);
        self.not_placed.extend(found.not_placed);
        self.lower_bound = self.lower_bound.zip(found.lower_bound).map(|(a, b)| a + b);
        self.least_pieces += found.least_pieces;
        self.warnings.extend(found.warnings);
    }
}

/// How far a plan may go, from what was asked.
struct Budget {
    /// When to stop, by the caller's clock, ms.
    deadline: f64,
    rounds: u32,
    patience: u32,
    seed: u64,
    leave: fit::plan::Leave,
    saw_kerf_um: i64,
}

impl Budget {
    fn of(shop: &Shop, with: &action::Plan, begun: f64) -> Result<Self, Error> {
        let rounds = filled(with.rounds.as_deref()).map(|t| whole(t, 0, 1_000_000, "rounds")).transpose()?;
        let seconds = filled(with.seconds.as_deref()).map(|t| whole(t, 1, SECONDS_MOST, "seconds")).transpose()?;
        let timed = seconds.is_some();
        let patience = if timed || rounds.is_some() { PATIENCE_ASKED } else { PATIENCE };
        // A number of rounds alone is not cut short, so that the plan is the same on every machine.
        let seconds = seconds.unwrap_or(if rounds.is_some() { SECONDS_MOST } else { SECONDS });
        let seed = filled(with.seed.as_deref()).map_or(Ok(0), |t| whole(t, 0, u32::MAX, "seed"))?;
        let leaves = [("largest", fit::plan::Leave::Largest), ("straight", fit::plan::Leave::Straight)];
        let saw_kerf_um = filled(with.saw_kerf.as_deref()).map(|t| shop.allowance(t, "saw_kerf")).transpose()?;
        Ok(Self {
            deadline: begun + f64::from(seconds) * 1_000.0,
            rounds: rounds.unwrap_or(if timed { ROUNDS_ANY } else { ROUNDS }),
            patience,
            seed: u64::from(seed),
            leave: word(with.leave.as_deref(), &leaves, fit::plan::Leave::Largest, "leave")?,
            saw_kerf_um: saw_kerf_um.unwrap_or(bed::SAW_KERF_UM),
        })
    }
}

/// Tells a job how far a plan is, and asks it and the clock whether to go on.
struct Watching<'a> {
    shop: &'a Shop,
    job: &'a Job,
    clock_ms: &'a dyn Fn() -> f64,
    deadline: f64,
    before: usize,
    total: usize,
}

impl fit::Watch for Watching<'_> {
    fn go_on(&mut self, done: usize, _of: usize) -> bool {
        self.job.report(self.before + done, self.total);
        !self.job.is_cancelled() && (self.clock_ms)() < self.deadline
    }

    fn plan_goes_on(&mut self, so_far: &fit::watch::Progress) -> bool {
        self.job.say(say!(
            "plan-progress",
            placed = so_far.placed,
            of = so_far.of,
            cost = self.shop.money(so_far.cost),
            bound = self.shop.money(so_far.lower_bound),
        ));
        self.go_on(so_far.placed, so_far.of)
    }
}

/// Works out a plan for the parts of the orders that are still to be cut.
pub fn make(shop: &Shop, with: &action::Plan, job: &Job, clock_ms: &dyn Fn() -> f64) -> Result<Made, Error> {
    let begun = clock_ms();
    let reader = shop.read();
    if with.orders.is_empty() {
        return Err(Error::bad(say!("error-needed")).at("orders"));
    }
    let budget = Budget::of(shop, with, begun)?;
    let mut orders: Vec<Order> = Vec::new();
    for code in &with.orders {
        let order = reader.find_order(code).map_err(|e| e.at("orders"))?;
        rules::open(&order)?;
        if orders.iter().all(|o| o.id != order.id) {
            orders.push(order);
        }
    }
    let mut wants = wanted::wanted(&orders)?;
    let mut instead = instead(&reader, &with.instead)?;
    instead.retain(|i| wants.iter().any(|w| w.material == i.of));
    stand_in(&mut wants, &instead);
    let kinds = if with.sheets_only { Some("sheet") } else { None };
    let stock = |material: Uuid| free(&reader, material, kinds, with.urgent, &orders);
    let mut made = work(shop, with, &budget, &wants, &stock, &[], job, clock_ms)?;
    made.orders = orders.iter().map(|o| o.id).collect();
    made.instead = instead;
    made.seconds = (clock_ms() - begun) / 1_000.0;
    Ok(made)
}

/// Puts what stands in in the place of what the lines ask for.
fn stand_in(wants: &mut [Want], instead: &[StandsIn]) {
    for want in wants {
        if let Some(i) = instead.iter().find(|i| i.of == want.material) {
            want.material = i.other;
        }
    }
}

/// Materials that stand in this time: each must be allowed for the other, and is never taken unasked.
fn instead(reader: &Reader<'_>, given: &[String]) -> Result<Vec<StandsIn>, Error> {
    let mut found: Vec<StandsIn> = Vec::new();
    for text in given.iter().filter(|t| !t.trim().is_empty()) {
        let wrong = || Error::bad(say!("error-instead", text = shown(text))).at("instead");
        let (material, other) = text.split_once('=').ok_or_else(wrong)?;
        let material = reader.find_material(material).map_err(|e| e.at("instead"))?;
        let other = reader.find_material(other).map_err(|e| e.at("instead"))?;
        if !material.data.substitutes.contains(&other.id) {
            let said = say!("refused-no-substitute", material = &material.data.name, other = &other.data.name);
            return Err(Error::refused(said).at("instead"));
        }
        if found.iter().any(|i| i.of == material.id) {
            return Err(Error::bad(say!("error-instead-twice", material = &material.data.name)).at("instead"));
        }
        found.push(StandsIn { of: material.id, other: other.id });
    }
    Ok(found)
}

/// The pieces of a material that a plan may use: offcuts before sheets; smallest first; of equal ones the oldest.
/// A customer's own pieces are for that customer's orders only.
fn free(
    reader: &Reader<'_>,
    material: Uuid,
    kind: Option<&'static str>,
    urgent: bool,
    orders: &[Order],
) -> Result<Vec<Piece>, Error> {
    let filter = PieceFilter {
        material: Some(material),
        kind,
        statuses: if urgent { vec!["free", "held"] } else { vec!["free"] },
        ..PieceFilter::default()
    };
    let mut stock = reader.pieces(&filter)?;
    stock.retain(|p| orders.iter().all(|o| p.is_for(o.customer.as_deref())));
    stock.sort_by(|a, b| {
        let key = |p: &Piece| (p.kind == PieceKind::Sheet, p.shape.area2(), p.born_ms);
        key(a).cmp(&key(b)).then_with(|| a.code.cmp(&b.code))
    });
    Ok(stock)
}

/// Places all wants, material by material; each gets its share of what time is left.
#[allow(clippy::too_many_arguments)]
fn work(
    shop: &Shop,
    with: &action::Plan,
    budget: &Budget,
    wants: &[Want],
    stock: &dyn Fn(Uuid) -> Result<Vec<Piece>, Error>,
    locked: &[(String, Uuid, sheetloft_shapes::Placement)],
    job: &Job,
    clock_ms: &dyn Fn() -> f64,
) -> Result<Made, Error> {
    let reader = shop.read();
    let prices = Prices::read(&reader)?;
    let mut by_material: BTreeMap<Uuid, Vec<&Want>> = BTreeMap::new();
    for want in wants {
        by_material.entry(want.material).or_default().push(want);
    }
    let mut made = Made {
        urgent: with.urgent,
        orders: Vec::new(),
        machine: None,
        pieces: Vec::new(),
        to_buy: Vec::new(),
        not_placed: Vec::new(),
        lower_bound: Some(0),
        least_pieces: 0,
        instead: Vec::new(),
        seconds: 0.0,
        warnings: Vec::new(),
    };
    let (total, mut before, mut left) = (wants.len(), 0, by_material.len());
    for (id, wants) in by_material {
        let (material, machine, clear) = ground_of(shop, &reader, id, with)?;
        made.machine = machine.as_ref().map(|m| m.id);
        let stock = stock(id)?;
        let ground = Ground {
            material: &material,
            clear,
            machine: machine.as_ref(),
            saw_kerf_um: budget.saw_kerf_um,
            prices: &prices,
            unit: shop.unit(),
            may_buy: with.may_buy,
            leave: budget.leave,
            seed: budget.seed,
            rounds: budget.rounds,
            patience: budget.patience,
        };
        let now = clock_ms();
        let deadline = now + (budget.deadline - now).max(0.0) / left as f64;
        let mut watch = Watching { shop, job, clock_ms, deadline, before, total };
        let locked: Vec<Locked> = locked
            .iter()
            .filter_map(|(id, piece, placement)| {
                let want = wants.iter().position(|w| w.id == *id)?;
                Some(Locked { want, piece: stock.iter().position(|p| p.id == *piece)?, placement: *placement })
            })
            .collect();
        made.add(place::place(&ground, &wants, &stock, &locked, &mut watch)?);
        before += wants.len();
        left -= 1;
        job.report(before, total);
    }
    Ok(made)
}

/// A material with the machine and the clearances that hold for it.
fn ground_of(
    shop: &Shop,
    reader: &Reader<'_>,
    material: Uuid,
    with: &action::Plan,
) -> Result<(Material, Option<Machine>, material::Clear), Error> {
    let material = reader.material(material)?;
    let (clear, machine) = material::clear(shop, &material, &with.clearance)?;
    material::may_be_cut_on(&material, machine.as_ref())?;
    Ok((material, machine, clear))
}

/// Writes a plan; its pieces must still be free.
pub fn keep(shop: &mut Shop, host: &mut dyn Host, made: Made) -> Result<(PlanAnswer, Vec<Changed>), Error> {
    let Made { urgent, seconds, warnings, .. } = made;
    let Made { orders, machine, pieces, to_buy, not_placed, lower_bound, least_pieces, instead, .. } = made;
    let (id, changed) = shop.write(host, |tx| {
        for planned in &pieces {
            let gone = || Error::refused(say!("refused-plan-stale"));
            let piece = tx.read().piece(planned.piece)?.ok_or_else(gone)?;
            if urgent { rules::on_hand(&piece) } else { rules::free(&piece) }.map_err(|_| gone())?;
            if planned.areas.total2() != piece.shape.area2() {
                return Err(gone());
            }
        }
        let (plan, code) = (tx.ids.uuid(), tx.next_code(Noun::Plan)?);
        let made =
            PlanMade { plan, code, orders, machine, pieces, not_placed, lower_bound, least_pieces, to_buy, instead };
        tx.draft(Body::PlanMade(made), [Thing::new(ThingKind::Plan, plan)]);
        Ok(plan)
    })?;
    let plan = shop.read().find_plan(&id.to_string())?;
    let mut answer = answer::answer(shop, &plan, seconds)?;
    answer.warnings.splice(0..0, warnings);
    Ok((answer, changed))
}

/// Refuses where a piece is not of the material that the plan took it for: what a lot is of may have been corrected.
pub fn of_the_material(reader: &Reader<'_>, plan: &Plan, piece: &Piece) -> Result<(), Error> {
    let Some(planned) = plan.pieces.iter().find(|p| p.piece == piece.id) else { return Ok(()) };
    let orders = crate::cut::orders_of(reader, planned)?;
    for part in &planned.parts {
        let lines = orders.iter().filter(|o| o.id == part.order).flat_map(|o| &o.lines);
        let Some(asked) = lines.filter(|l| l.line == part.line).map(|l| l.material).next() else { continue };
        let stands_in = StandsIn { of: asked, other: piece.material };
        let fits = asked == piece.material
            || plan.instead.contains(&stands_in)
            || reader.material(asked)?.data.substitutes.contains(&piece.material);
        if !fits {
            return Err(rules::Refusal::NotAsPlanned { piece: piece.code.clone(), plan: plan.code.clone() }.into());
        }
    }
    Ok(())
}

/// A plan made before.
pub fn show(shop: &Shop, with: &action::PlanShow) -> Result<PlanAnswer, Error> {
    let plan = shop.read().find_plan(&with.plan).map_err(|e| e.at("plan"))?;
    answer::answer(shop, &plan, 0.0)
}

/// The plan's answer by its state.
pub fn answer_of(shop: &Shop, plan: &Plan) -> Result<PlanAnswer, Error> {
    answer::answer(shop, plan, 0.0)
}

/// A planned part as it lies on its piece.
pub fn placed_part(orders: &[Order], p: &PlannedPart) -> Result<Shape, Error> {
    let line = orders.iter().find(|o| o.id == p.order).and_then(|o| o.lines.iter().find(|l| l.line == p.line));
    let part = line.and_then(|l| l.parts.iter().find(|q| q.id == p.part));
    let part = part.ok_or_else(|| Error::refused(say!("refused-order-gone")))?;
    Ok(part.shape.placed(&p.place)?)
}

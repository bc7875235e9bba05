//! `plan change`, `plan try`: parts of a plan moved by hand, the rest left or planned anew around them.
//!
//! What comes of it is checked by the same exact tests as any plan; a change that breaks a clearance is not written.

use sheetloft_fit::plan::{Breach, Laid, Stock, Supply, check};
use sheetloft_ledger::body::{PlannedPart, PlannedPiece, SawCut};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{Machine, Order, Piece, Plan};
use sheetloft_ledger::units::{Unit, format_length, format_mm};
use sheetloft_shapes::{Placement, Shape, Turn, limits as bounds};
use uuid::Uuid;

use super::answer::leftover_row;
use super::place::{self, Ground};
use super::wanted::Want;
use super::{Budget, Made, bed, free, work};
use crate::action::{self, Clearance, PartMove, PlanChange, PlanTry};
use crate::answer::{BreachRow, LeftoversOf, TryAnswer};
use crate::door::Job;
use crate::error::Error;
use crate::find::{flaws, grain, turns};
use crate::material::{Clear, Prices};
use crate::order;
use crate::say;
use crate::shop::{Lookup, Shop, filled, shown};
use crate::view::mm;

/// A piece with parts on it, while it is changed.
struct Table {
    piece: Piece,
    clear: Clear,
    saws: Vec<SawCut>,
    /// Wanted parts by index, and where they lie.
    parts: Vec<(usize, Placement)>,
    /// Something on it was moved, or taken off it.
    touched: bool,
}

/// A plan laid out to be changed.
struct Bench {
    plan: Plan,
    machine: Option<Machine>,
    wants: Vec<Want>,
    tables: Vec<Table>,
    moved: Vec<String>,
}

impl Bench {
    /// The plan as it is, its pieces that are not cut yet.
    fn of(shop: &Shop, code: &str) -> Result<Self, Error> {
        let reader = shop.read();
        let plan = reader.find_plan(code).map_err(|e| e.at("plan"))?;
        reader.not_frozen(Thing::new(ThingKind::Plan, plan.id), &plan.code)?;
        let mut orders: Vec<Order> = Vec::new();
        for id in &plan.orders {
            orders.extend(order::by_id(&reader, *id)?);
        }
        let mut bench = Self { machine: None, wants: Vec::new(), tables: Vec::new(), moved: Vec::new(), plan };
        if let Some(id) = bench.plan.machine {
            bench.machine = reader.machines()?.into_iter().find(|m| m.id == id);
        }
        let gone = || Error::refused(say!("refused-piece-gone", plan = &bench.plan.code));
        let mut tables = Vec::new();
        let mut wants = Vec::new();
        for planned in bench.plan.pieces.iter().filter(|p| !bench.plan.cut.contains(&p.piece)) {
            let piece = reader.piece(planned.piece)?.ok_or_else(gone)?;
            let mut parts = Vec::new();
            for part in &planned.parts {
                parts.push((wants.len(), part.place));
                wants.push(want(&orders, part)?);
            }
            tables.push(Table { clear: clear_of(planned), saws: planned.saws.clone(), piece, parts, touched: false });
        }
        for n in &bench.plan.not_placed {
            let part = PlannedPart {
                id: n.id.clone(),
                order: n.order,
                line: n.line,
                part: n.part.clone(),
                place: Placement::default(),
            };
            wants.push(want(&orders, &part)?);
        }
        super::stand_in(&mut wants, &bench.plan.instead);
        (bench.tables, bench.wants) = (tables, wants);
        Ok(bench)
    }

    /// Puts the parts where they are wanted.
    fn lay(&mut self, shop: &Shop, moves: &[PartMove]) -> Result<(), Error> {
        for one in moves {
            let unknown = || {
                let said = say!("error-unknown-plan-part", id = shown(&one.id), plan = &self.plan.code);
                Error::bad(said).at("moves")
            };
            let want = self.wants.iter().position(|w| w.id == one.id).ok_or_else(unknown)?;
            let placement = placement(one)?;
            let from = self.tables.iter().position(|t| t.parts.iter().any(|(w, _)| *w == want));
            let to = match filled(one.piece.as_deref()) {
                Some(code) => self.table(shop, code, want)?,
                None => from.ok_or_else(|| Error::bad(say!("error-needed")).at("piece"))?,
            };
            if let Some(from) = from {
                self.tables[from].parts.retain(|(w, _)| *w != want);
                self.tables[from].touched = true;
            }
            self.tables[to].parts.push((want, placement));
            self.tables[to].touched = true;
            self.moved.push(one.id.clone());
        }
        Ok(())
    }

    /// The table of a piece, which may be new to the plan.
    fn table(&mut self, shop: &Shop, code: &str, want: usize) -> Result<usize, Error> {
        let reader = shop.read();
        let piece = reader.find_piece(code).map_err(|e| e.at("piece"))?;
        if piece.material != self.wants[want].material {
            return Err(Error::bad(say!("error-other-material", piece = &piece.code)).at("piece"));
        }
        if let Some(at) = self.tables.iter().position(|t| t.piece.id == piece.id) {
            return Ok(at);
        }
        rules::free(&piece)?;
        let alike = self.tables.iter().find(|t| t.piece.material == piece.material).map(|t| t.clear);
        let material = reader.material(piece.material)?;
        let own =
            Clear { kerf_um: material.data.kerf_um, gap_um: material.data.gap_um, margin_um: material.data.margin_um };
        let saws = match self.machine.as_ref().map(|m| (m, bed::lies(&piece.shape, m, bed::SAW_KERF_UM))) {
            Some((_, bed::Lies::Sawn(saws))) => saws,
            Some((machine, bed::Lies::Not)) => {
                let said = say!("error-off-bed", piece = &piece.code, machine = &machine.data.name);
                return Err(Error::bad(said).at("piece"));
            }
            _ => Vec::new(),
        };
        self.tables.push(Table { clear: alike.unwrap_or(own), saws, piece, parts: Vec::new(), touched: true });
        Ok(self.tables.len() - 1)
    }

    /// What breaks on the pieces that were touched.
    fn breaches(&self, unit: Unit) -> Vec<BreachRow> {
        let mut rows = Vec::new();
        for table in self.tables.iter().filter(|t| t.touched) {
            let all_flaws: Vec<Shape> =
                flaws(&table.piece).into_iter().chain(table.saws.iter().filter_map(bed::strip)).collect();
            let stock = Stock {
                shape: &table.piece.shape,
                flaws: &all_flaws,
                grain: grain(&table.piece),
                is_sheet: false,
                supply: Supply::OnHand,
                price: 0,
                leftover_percent: 0,
                age: 0,
                lot: 0,
            };
            let all_turns: Vec<_> = table.parts.iter().map(|(w, _)| turns(self.wants[*w].turn)).collect();
            let laid: Vec<Laid<'_>> = table
                .parts
                .iter()
                .zip(&all_turns)
                .map(|((w, placement), turns)| Laid {
                    shape: &self.wants[*w].part.shape,
                    turns,
                    flip: self.wants[*w].flip,
                    placement: *placement,
                })
                .collect();
            let options = sheetloft_fit::plan::Options {
                kerf_um: table.clear.kerf_um,
                gap_um: table.clear.gap_um,
                margin_um: table.clear.margin_um,
                ..sheetloft_fit::plan::Options::default()
            };
            let id = |n: usize| self.wants[table.parts[n].0].id.clone();
            rows.extend(check(&stock, &laid, &options).into_iter().map(|b| row(&table.piece.code, &b, unit, &id)));
        }
        rows
    }

    /// The pieces as they would be cut.
    fn pieces(&self, shop: &Shop) -> Result<Vec<PlannedPiece>, Error> {
        let reader = shop.read();
        let prices = Prices::read(&reader)?;
        let mut pieces = Vec::new();
        for table in self.tables.iter().filter(|t| !t.parts.is_empty()) {
            let material = reader.material(table.piece.material)?;
            let ground = Ground {
                material: &material,
                clear: table.clear,
                machine: self.machine.as_ref(),
                saw_kerf_um: bed::SAW_KERF_UM,
                prices: &prices,
                unit: shop.unit(),
                may_buy: false,
                leave: sheetloft_fit::plan::Leave::Largest,
                seed: 0,
                rounds: 0,
                patience: 0,
            };
            let placed: Vec<(&Want, Placement)> = table.parts.iter().map(|(w, p)| (&self.wants[*w], *p)).collect();
            pieces.push(place::planned_piece(&ground, &table.piece, table.saws.clone(), &placed)?);
        }
        Ok(pieces)
    }
}

fn clear_of(planned: &PlannedPiece) -> Clear {
    Clear { kerf_um: planned.kerf_um, gap_um: planned.gap_um, margin_um: planned.margin_um }
}

/// A planned part as something that is wanted.
fn want(orders: &[Order], part: &PlannedPart) -> Result<Want, Error> {
    let gone = || Error::refused(say!("refused-order-gone"));
    let order = orders.iter().find(|o| o.id == part.order).ok_or_else(gone)?;
    let line = order.lines.iter().find(|l| l.line == part.line).ok_or_else(gone)?;
    let of_line = line.parts.iter().find(|p| p.id == part.part).ok_or_else(gone)?;
    Ok(Want {
        order: order.id,
        order_code: order.code.clone(),
        line: line.line,
        alike: line.alike,
        part: of_line.clone(),
        turn: line.turn,
        flip: line.flip,
        material: line.material,
        id: part.id.clone(),
    })
}

fn placement(one: &PartMove) -> Result<Placement, Error> {
    let wrong = || Error::bad(say!("error-move", id = shown(&one.id))).at("moves");
    let um = |v: f64| {
        let um = libm::round(v * 1_000.0);
        (um.abs() <= bounds::COORDINATE_UM as f64 * 2.0).then_some(um as i32).ok_or_else(wrong)
    };
    if !one.turn_deg.is_finite() || one.turn_deg.abs() > 1_000_000.0 {
        return Err(wrong());
    }
    let udeg = libm::round(one.turn_deg * 1_000_000.0) as i64;
    Ok(Placement {
        turn: Turn(udeg.rem_euclid(360_000_000)),
        flip: one.flip,
        dx: um(one.move_mm[0])?,
        dy: um(one.move_mm[1])?,
    })
}

fn row(piece: &str, breach: &Breach, unit: Unit, id: &dyn Fn(usize) -> String) -> BreachRow {
    let part = id(breach.part());
    let lacks = |um: &Option<i64>| um.map_or_else(String::new, |um| format_length(um, unit));
    let (what, other, lacks_um, said) = match breach {
        Breach::NoShape { .. } => ("place", None, None, say!("breach-place", part = &part)),
        Breach::Turn { .. } => ("turn", None, None, say!("breach-turn", part = &part)),
        Breach::Flip { .. } => ("flip", None, None, say!("breach-flip", part = &part)),
        Breach::Rim { lacks_um, .. } => (
            "rim",
            None,
            *lacks_um,
            match lacks_um {
                None => say!("breach-rim-over", part = &part),
                Some(_) => say!("breach-rim", part = &part, lacks = lacks(lacks_um)),
            },
        ),
        Breach::Flaw { lacks_um, flaw, .. } => (
            "flaw",
            None,
            *lacks_um,
            match lacks_um {
                None => say!("breach-flaw-over", part = &part, flaw = flaw + 1),
                Some(_) => say!("breach-flaw", part = &part, flaw = flaw + 1, lacks = lacks(lacks_um)),
            },
        ),
        Breach::Part { other, lacks_um, .. } => {
            let other = id(*other);
            let said = match lacks_um {
                None => say!("breach-part-over", part = &part, other = &other),
                Some(_) => say!("breach-part", part = &part, other = &other, lacks = lacks(lacks_um)),
            };
            ("part", Some(other), *lacks_um, said)
        }
    };
    BreachRow {
        piece: piece.to_owned(),
        part,
        other,
        what: what.to_owned(),
        lacks_mm: lacks_um.map(mm),
        text: said.text(),
    }
}

/// What a change would come to: what breaks, or what would be left of the pieces it touches.
pub fn try_change(shop: &Shop, with: &PlanTry) -> Result<TryAnswer, Error> {
    let mut bench = Bench::of(shop, &with.plan)?;
    bench.lay(shop, &with.moves)?;
    let breaches = bench.breaches(shop.unit());
    let mut leftovers = Vec::new();
    if breaches.is_empty() {
        bench.tables.retain(|t| t.touched);
        for planned in bench.pieces(shop)? {
            let code = bench.tables.iter().find(|t| t.piece.id == planned.piece).map(|t| t.piece.code.clone());
            leftovers.push(LeftoversOf {
                piece: code.unwrap_or_default(),
                leftovers: planned.leftovers.iter().map(|l| leftover_row(l, shop)).collect(),
            });
        }
    }
    Ok(TryAnswer { ok: breaches.is_empty(), breaches, leftovers })
}

/// Works out the changed plan. Parts that were moved or are locked stay where they are; the others too, or, with
/// `replan`, are planned anew.
///
/// # Errors
/// Where the plan is held or being cut, and where a clearance is broken: the first breach is said.
pub fn change(shop: &Shop, with: &PlanChange, job: &Job, clock_ms: &dyn Fn() -> f64) -> Result<Made, Error> {
    let begun = clock_ms();
    let mut bench = Bench::of(shop, &with.plan)?;
    let code = bench.plan.code.clone();
    if bench.plan.held {
        return Err(Error::refused(say!("refused-change-held", plan = code)));
    }
    if !bench.plan.cut.is_empty() {
        return Err(Error::refused(say!("refused-plan-cut", plan = code)));
    }
    bench.lay(shop, &with.moves)?;
    let unknown = with
        .lock
        .iter()
        .find(|id| !bench.tables.iter().any(|t| t.parts.iter().any(|(w, _)| bench.wants[*w].id == **id)));
    if let Some(id) = unknown {
        return Err(Error::bad(say!("error-unknown-plan-part", id = shown(id), plan = code)).at("lock"));
    }
    if let Some(breach) = bench.breaches(shop.unit()).into_iter().next() {
        return Err(Error::refused(say!("refused-breach", text = breach.text, piece = breach.piece)).at("moves"));
    }
    let mut made = if with.replan {
        replan(shop, with, &bench, begun, job, clock_ms)?
    } else {
        let placed: Vec<usize> = bench.tables.iter().flat_map(|t| t.parts.iter().map(|(w, _)| *w)).collect();
        let not_placed = bench
            .plan
            .not_placed
            .iter()
            .filter(|n| bench.wants.iter().position(|w| w.id == n.id).is_none_or(|w| !placed.contains(&w)));
        Made {
            urgent: false,
            orders: Vec::new(),
            machine: bench.plan.machine,
            pieces: bench.pieces(shop)?,
            to_buy: bench.plan.to_buy.clone(),
            not_placed: not_placed.cloned().collect(),
            lower_bound: bench.plan.lower_bound,
            least_pieces: bench.plan.least_pieces,
            instead: Vec::new(),
            seconds: 0.0,
            warnings: Vec::new(),
        }
    };
    made.orders.clone_from(&bench.plan.orders);
    made.instead.clone_from(&bench.plan.instead);
    made.seconds = (clock_ms() - begun) / 1_000.0;
    Ok(made)
}

/// Plans anew what is neither moved nor locked.
fn replan(
    shop: &Shop,
    with: &PlanChange,
    bench: &Bench,
    begun: f64,
    job: &Job,
    clock_ms: &dyn Fn() -> f64,
) -> Result<Made, Error> {
    let reader = shop.read();
    let clear = bench.tables.first().map(|t| t.clear);
    let length = |um: i64| Some(format!("{}mm", format_mm(um).trim_end_matches(" mm")));
    let asked = action::Plan {
        seconds: with.seconds.clone(),
        seed: with.seed.clone(),
        rounds: with.rounds.clone(),
        may_buy: !bench.plan.to_buy.is_empty(),
        clearance: Clearance {
            kerf: clear.and_then(|c| length(c.kerf_um)),
            gap: clear.and_then(|c| length(c.gap_um)),
            margin: clear.and_then(|c| length(c.margin_um)),
            machine: bench.machine.as_ref().map(|m| m.data.name.clone()),
        },
        ..action::Plan::default()
    };
    let budget = Budget::of(shop, &asked, begun)?;
    let stays = |id: &str| bench.moved.iter().chain(&with.lock).any(|l| l == id);
    let locked: Vec<(String, Uuid, Placement)> = bench
        .tables
        .iter()
        .flat_map(|t| t.parts.iter().map(move |(w, p)| (bench.wants[*w].id.clone(), t.piece.id, *p)))
        .filter(|(id, _, _)| stays(id))
        .collect();
    let mut orders: Vec<Order> = Vec::new();
    for id in &bench.plan.orders {
        orders.extend(order::by_id(&reader, *id)?);
    }
    let stock = |material: Uuid| free(&reader, material, None, false, &orders);
    work(shop, &asked, &budget, &bench.wants, &stock, &locked, job, clock_ms)
}

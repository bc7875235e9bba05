//! Parts put down one after another: each on the first piece that still holds it beside those already placed,
//! pieces opened before others first. Several orders of parts and of pieces give several plans.

use std::cmp::Reverse;
use std::collections::{HashMap, HashSet};

use sheetloft_shapes::Placement;

use super::check::{self, Laid};
use super::problem::{Draft, DraftPiece, Problem};
use super::table::{Table, empty};
use super::{More, PlacedPart, Supply, Together, Why};
use crate::pack::Rng;
use crate::solve::{Caps, Verdict};
use crate::watch::Watch;

/// Boxes opened at most by the full search on a piece with parts on it.
const BOXES_BESIDE_OTHERS: usize = 20_000;
/// Full searches for one part on pieces with parts on them, at most.
const SEARCHES_BESIDE_OTHERS: usize = 4;
/// Different orders there are.
pub(super) const ORDERS: u32 = 5;

/// A draft of places that are quickly found; only parts that have none on any piece are sought a place thoroughly.
pub(super) fn quick(problem: &Problem<'_>, watch: &mut dyn Watch) -> Draft {
    let mut build = Build::new(problem, 0);
    build.quick = true;
    build.all(watch)
}

/// A draft by one of the orders, see [`ORDERS`]. `watch` hears how many parts are settled; where it says stop, the
/// rest is not placed.
pub(super) fn build(problem: &Problem<'_>, order: u32, watch: &mut dyn Watch) -> Draft {
    Build::new(problem, order).all(watch)
}

/// The pieces of a draft as they are, and all parts that are not on them put down in a random order that has large
/// ones early, on pieces opened in a random order that has cheap ones early.
pub(super) fn rebuild(
    problem: &Problem<'_>,
    keep: &[&DraftPiece],
    rng: &mut Rng,
    watch: &mut dyn Watch,
) -> Option<Draft> {
    let mut build = Build::new(problem, rng.below(ORDERS as usize) as u32);
    let mut there = vec![false; problem.wanted.len()];
    for piece in keep {
        let mut table = Table::new(problem, problem.kind_of[piece.stock]);
        for part in &piece.parts {
            there[part.wanted] = true;
            table.put(*part);
        }
        build.slots.push(Slot { stock: piece.stock, copy: piece.copy, table });
    }
    if keep.is_empty() {
        build.locks();
    }
    for n in 1..build.opening.len() {
        if rng.below(3) == 0 {
            build.opening.swap(n - 1, n);
        }
    }
    let parts = |of: &[usize]| -> Vec<usize> { of.iter().copied().filter(|&i| !there[i]).collect() };
    for (together, group) in problem.groups() {
        let missing = parts(&group);
        if !missing.is_empty() {
            if missing.len() < group.len() {
                // A group that is cleared in part only: left to others.
                return None;
            }
            build.group(together, &missing, watch);
        }
    }
    let rest: Vec<usize> = (0..problem.wanted.len()).filter(|&i| problem.wanted[i].together.is_none()).collect();
    build.noise = Some(rng.next());
    build.place_all(&parts(&rest), None, watch);
    (!build.stopped).then(|| build.draft())
}

/// How many sheets more the parts need for which there was no room.
pub(super) fn missing(problem: &Problem<'_>, draft: &Draft) -> Vec<More> {
    let mut by_size: Vec<(usize, Vec<usize>)> = Vec::new();
    for (i, why) in &draft.not_placed {
        if let Why::MoreSheets { stock } = why {
            match by_size.iter_mut().find(|(s, _)| s == stock) {
                Some((_, parts)) => parts.push(*i),
                None => by_size.push((*stock, vec![*i])),
            }
        }
    }
    by_size.sort_unstable();
    by_size
        .into_iter()
        .map(|(stock, parts)| {
            let mut build = Build::new(problem, 0);
            build.only = Some(stock);
            build.place_all(&parts, None, &mut ());
            More { stock, sheets: build.slots.len() }
        })
        .collect()
}

/// A piece in use.
struct Slot<'a> {
    stock: usize,
    copy: u32,
    table: Table<'a>,
}

struct Build<'a> {
    problem: &'a Problem<'a>,
    order: u32,
    slots: Vec<Slot<'a>>,
    /// Stock in the order in which it is opened.
    opening: Vec<usize>,
    /// Nothing but copies of this size.
    only: Option<usize>,
    not_placed: Vec<(usize, Why)>,
    stopped: bool,
    /// Seed of a random order.
    noise: Option<u64>,
    /// Quick places before all others.
    quick: bool,
}

/// What a part may be placed on.
#[derive(Clone, Copy)]
enum Within {
    Lot(u64),
    Piece { stock: usize, copy: u32 },
}

impl<'a> Build<'a> {
    fn new(problem: &'a Problem<'a>, order: u32) -> Self {
        let stock = problem.stock;
        let mut opening: Vec<usize> = (0..stock.len()).filter(|&s| stock[s].supply != Supply::Known).collect();
        let area = |s: usize| stock[s].shape.area2();
        let bought = |s: usize| stock[s].supply == Supply::ToBuy;
        // What is there before what has to be bought, offcuts before sheets, small before large; old before new.
        opening.sort_by_key(|&s| (bought(s), stock[s].is_sheet, area(s), stock[s].age, s));
        if order == 3 {
            // By the price of the area that is used up at the least.
            opening.sort_by_key(|&s| (bought(s), stock[s].price, stock[s].age, s));
        }
        Self {
            problem,
            order,
            slots: Vec::new(),
            opening,
            only: None,
            not_placed: Vec::new(),
            stopped: false,
            noise: None,
            quick: false,
        }
    }

    /// All parts.
    fn all(mut self, watch: &mut dyn Watch) -> Draft {
        let problem = self.problem;
        self.locks();
        for (together, parts) in problem.groups() {
            self.group(together, &parts, watch);
        }
        let rest: Vec<usize> = (0..problem.wanted.len()).filter(|&i| problem.wanted[i].together.is_none()).collect();
        self.place_all(&rest, None, watch);
        self.draft()
    }

    fn draft(self) -> Draft {
        let pieces = self.slots.into_iter().filter(|s| !s.table.parts.is_empty());
        Draft {
            pieces: pieces.map(|s| DraftPiece { stock: s.stock, copy: s.copy, parts: s.table.parts }).collect(),
            not_placed: self.not_placed,
        }
    }

    /// Puts down what is locked, where it holds.
    fn locks(&mut self) {
        let problem = self.problem;
        for (i, wanted) in problem.wanted.iter().enumerate() {
            let Some(lock) = wanted.locked else { continue };
            let Some(stock) = problem.stock.get(lock.stock) else {
                self.not_placed.push((i, Why::NothingThere));
                continue;
            };
            let found = self.slots.iter().position(|s| s.stock == lock.stock && s.copy == lock.copy);
            let slot = found.unwrap_or_else(|| {
                let table = Table::new(problem, problem.kind_of[lock.stock]);
                self.slots.push(Slot { stock: lock.stock, copy: lock.copy, table });
                self.slots.len() - 1
            });
            let table = &mut self.slots[slot].table;
            let mut laid: Vec<Laid<'_>> = vec![Laid::of(wanted, lock.placement)];
            laid.extend(table.parts.iter().map(|p| Laid::of(&problem.wanted[p.wanted], p.placement)));
            // What breaks between those put down before was said then.
            let breach = check::check(stock, &laid, problem.options).into_iter().find(|b| b.part() == 0);
            match breach {
                None => table.put(PlacedPart { wanted: i, placement: lock.placement }),
                Some(breach) => {
                    let others: Vec<usize> = table.parts.iter().map(|p| p.wanted).collect();
                    let breach = breach.renumbered(|n| if n == 0 { i } else { others[n - 1] });
                    self.not_placed.push((i, Why::Locked { breach }));
                }
            }
        }
    }

    /// Places parts that must come from one lot or one piece: where all of them hold, else where most of their area
    /// does.
    fn group(&mut self, together: Together, parts: &[usize], watch: &mut dyn Watch) {
        let free: Vec<usize> = parts.iter().copied().filter(|&i| self.problem.wanted[i].locked.is_none()).collect();
        let locked = parts.iter().find_map(|&i| {
            self.slots.iter().find(|s| s.table.parts.iter().any(|p| p.wanted == i)).map(|s| (s.stock, s.copy))
        });
        let places: Vec<Within> = match (locked, together) {
            (Some((stock, _)), Together::Lot(_)) => vec![Within::Lot(self.problem.stock[stock].lot)],
            (Some((stock, copy)), Together::Piece(_)) => vec![Within::Piece { stock, copy }],
            (None, Together::Lot(_)) => self.lots().into_iter().map(Within::Lot).collect(),
            (None, Together::Piece(_)) => self.pieces(),
        };
        for within in places {
            let before: Vec<usize> = self.slots.iter().map(|s| s.table.parts.len()).collect();
            let refused = self.not_placed.len();
            self.place_all(&free, Some(within), watch);
            if self.not_placed.len() == refused {
                return;
            }
            if self.stopped {
                break;
            }
            // Not all: as before.
            self.not_placed.truncate(refused);
            self.undo(&before);
        }
        let why = if self.stopped { Why::Stopped } else { Why::Apart };
        for i in free {
            if !self.slots.iter().any(|s| s.table.parts.iter().any(|p| p.wanted == i))
                && !self.not_placed.iter().any(|n| n.0 == i)
            {
                // One that fits nowhere at all is named so.
                let why = match self.reason(self.problem.class_of[i], watch) {
                    why @ (Why::NothingThere | Why::TooBig | Why::TooClose { .. }) => why,
                    _ => why.clone(),
                };
                self.not_placed.push((i, why));
            }
        }
    }

    /// Lots, the oldest first.
    fn lots(&self) -> Vec<u64> {
        let mut lots: Vec<(bool, u64, u64)> = self
            .opening
            .iter()
            .map(|&s| &self.problem.stock[s])
            .map(|s| (s.supply == Supply::ToBuy, s.age, s.lot))
            .collect();
        lots.sort_unstable();
        let mut seen = HashSet::new();
        lots.into_iter().map(|l| l.2).filter(|&l| seen.insert(l)).collect()
    }

    /// Pieces in use, then others in the order of opening.
    fn pieces(&self) -> Vec<Within> {
        let used = self.slots.iter().map(|s| Within::Piece { stock: s.stock, copy: s.copy });
        let fresh = self.opening.iter().filter_map(|&stock| Some(Within::Piece { stock, copy: self.next(stock)? }));
        used.chain(fresh).collect()
    }

    /// The copy of a stock that would be opened next.
    fn next(&self, stock: usize) -> Option<u32> {
        let copies = self.slots.iter().filter(|s| s.stock == stock).map(|s| s.copy + 1).max().unwrap_or(0);
        let any_number = self.problem.stock[stock].supply == Supply::ToBuy || self.only == Some(stock);
        (any_number || copies == 0).then_some(copies)
    }

    /// Leaves only so many parts on each piece in use, and takes up those opened since.
    fn undo(&mut self, before: &[usize]) {
        self.slots.truncate(before.len());
        for (slot, &keep) in self.slots.iter_mut().zip(before) {
            if slot.table.parts.len() > keep {
                let mut table = Table::new(self.problem, slot.table.kind);
                slot.table.parts[..keep].iter().for_each(|p| table.put(*p));
                slot.table = table;
            }
        }
    }

    fn place_all(&mut self, parts: &[usize], within: Option<Within>, watch: &mut dyn Watch) {
        let problem = self.problem;
        let mut order: Vec<usize> = parts.iter().copied().filter(|&i| problem.wanted[i].locked.is_none()).collect();
        let shape = |i: usize| problem.wanted[i].shape;
        let size = |i: usize| {
            let (lo, hi) = shape(i).bounds();
            (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y))
        };
        let key = |i: usize| match self.order {
            1 => size(i).0.max(size(i).1),
            2 => size(i).0.min(size(i).1),
            4 => size(i).0 + size(i).1,
            _ => shape(i).area2(),
        };
        let mut noise = self.noise.map(Rng::new);
        // Equal parts stay together in the order.
        let mut factors: HashMap<usize, i64> = HashMap::new();
        for &i in &order {
            let factor = noise.as_mut().map_or(100, |rng| 60 + rng.below(80) as i64);
            factors.entry(problem.class_of[i]).or_insert(factor);
        }
        let key = |i: usize| key(i) / 100 * factors.get(&problem.class_of[i]).copied().unwrap_or(100);
        order.sort_by_cached_key(|&i| (Reverse(key(i)), Reverse(shape(i).area2()), problem.class_of[i], i));
        // Parts equal to one for which there was no place have none either: pieces only get fuller.
        let mut refused: HashMap<usize, Why> = HashMap::new();
        for (done, i) in order.into_iter().enumerate() {
            let class = problem.class_of[i];
            let mut stopped = self.stopped;
            let mut go_on = |_: usize, _: usize| {
                stopped = stopped || !watch.go_on(done, problem.wanted.len());
                !stopped
            };
            let mut place = None;
            let mut why = refused.get(&class).cloned();
            if why.is_none() && go_on(0, 0) {
                place = self.find_place(class, within, &mut go_on);
                if place.is_none() {
                    why = Some(if within.is_some() { Why::Apart } else { self.reason(class, &mut go_on) });
                }
            }
            self.stopped = stopped;
            if let Some((slot, placement)) = place {
                self.slots[slot].table.put(PlacedPart { wanted: i, placement });
                continue;
            }
            let why = if stopped { Why::Stopped } else { why.unwrap_or(Why::Stopped) };
            self.not_placed.push((i, why.clone()));
            if !stopped {
                if within.is_some() {
                    // One missing is as bad as all.
                    return;
                }
                refused.insert(class, why);
            }
        }
    }

    /// The first piece that holds another part of this class, opened if need be, and where.
    fn find_place(
        &mut self,
        class: usize,
        within: Option<Within>,
        watch: &mut dyn Watch,
    ) -> Option<(usize, Placement)> {
        let problem = self.problem;
        let allowed = |stock: usize, copy: u32| match within {
            None => true,
            Some(Within::Lot(lot)) => problem.stock[stock].lot == lot,
            Some(Within::Piece { stock: s, copy: c }) => (s, c) == (stock, copy),
        };
        // Quick places on all pieces in use, then the full search on some of them.
        for (n, slot) in self.slots.iter_mut().enumerate() {
            if allowed(slot.stock, slot.copy)
                && let Some(placement) = slot.table.quick(class)
            {
                return Some((n, placement));
            }
        }
        let opening = self.only.map_or_else(|| self.opening.clone(), |s| vec![s]);
        if self.quick {
            for &stock in &opening {
                let Some(copy) = self.next(stock).filter(|&copy| allowed(stock, copy)) else { continue };
                let kind = problem.kind_of[stock];
                if problem.kinds[kind].rules_out(&problem.classes[class], problem.rim_um()) {
                    continue;
                }
                let mut table = Table::new(problem, kind);
                if let Some(placement) = table.quick(class) {
                    self.slots.push(Slot { stock, copy, table });
                    return Some((self.slots.len() - 1, placement));
                }
                if !watch.go_on(0, 0) {
                    return None;
                }
            }
        }
        let mut searches = 0;
        for (n, slot) in self.slots.iter_mut().enumerate() {
            if searches < SEARCHES_BESIDE_OTHERS && allowed(slot.stock, slot.copy) && slot.table.may_hold(class) {
                searches += 1;
                let caps = Caps { boxes: problem.options.caps.boxes.min(BOXES_BESIDE_OTHERS) };
                if let Verdict::Fits { placement, .. } = slot.table.search(class, &caps, watch) {
                    return Some((n, placement));
                }
            }
        }
        for stock in opening {
            let Some(copy) = self.next(stock).filter(|&copy| allowed(stock, copy)) else { continue };
            let kind = problem.kind_of[stock];
            if let Verdict::Fits { placement, .. } = empty(problem, kind, class, watch) {
                self.slots.push(Slot { stock, copy, table: Table::new(problem, kind) });
                return Some((self.slots.len() - 1, placement));
            }
        }
        None
    }

    /// Why no piece took a part of this class.
    fn reason(&mut self, class: usize, watch: &mut dyn Watch) -> Why {
        let problem = self.problem;
        if problem.stock.is_empty() {
            return Why::NothingThere;
        }
        let mut near = Vec::new();
        let mut holds = false;
        let mut sheets = Vec::new();
        for (s, stock) in problem.stock.iter().enumerate() {
            match empty(problem, problem.kind_of[s], class, watch) {
                Verdict::Fits { .. } if stock.is_sheet => sheets.push(s),
                Verdict::Fits { .. } => holds = true,
                Verdict::TooClose { .. } => near.push(s),
                Verdict::No { .. } => {}
            }
        }
        // A size that is known, else a sheet like one that is there.
        let price = |s: usize| (problem.stock[s].supply == Supply::OnHand, problem.stock[s].price, s);
        if let Some(stock) = sheets.into_iter().min_by_key(|&s| price(s)) {
            Why::MoreSheets { stock }
        } else if holds {
            Why::NoRoom
        } else if near.is_empty() {
            Why::TooBig
        } else {
            Why::TooClose { stock: near }
        }
    }
}

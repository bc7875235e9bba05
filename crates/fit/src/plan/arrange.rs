//! Parts put on one piece, or on several equal ones, all together: overlaps allowed at first and then taken out, pushed
//! to one end where that leaves more, rounded and verified.

use sheetloft_shapes::Placement;

use super::PlacedPart;
use super::engine::{Engine, Set};
use super::table::Table;
use crate::num::{V, v};
use crate::pack::{Diligence, Effort, Floor, Item, Patience, Run, restore, separate, settle};

/// Parts on one piece, at most, that the engine deals with.
const PARTS_MOST: usize = 400;
/// How much shorter the used end is tried to be made, as a share, at first and at last.
const SHORTER: (f64, f64) = (0.06, 0.004);

/// Along which side of the piece parts are pushed together.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Push {
    /// Not at all.
    No,
    /// To the end at low x.
    X,
    /// To the end at low y.
    Y,
}

/// A part for a piece, and where it lies already.
#[derive(Clone, Copy, Debug)]
pub(super) struct Placing {
    pub wanted: usize,
    pub at: Option<Placement>,
}

/// A little, for what is tried often.
pub(super) const QUICK: Diligence =
    Diligence { effort: Effort { wide: 30, near: 15, walks: 2 }, patience: Patience { passes: 25, strikes: 1 } };
/// More, where it is worth it.
pub(super) const CAREFUL: Diligence =
    Diligence { effort: Effort { wide: 40, near: 20, walks: 3 }, patience: Patience { passes: 80, strikes: 2 } };

/// As much as pays, where a whole piece is to be saved.
pub(super) const THOROUGH: Diligence =
    Diligence { effort: Effort { wide: 40, near: 20, walks: 3 }, patience: Patience { passes: 200, strikes: 3 } };

/// Parts for one piece: `fixed` ones stay where they are.
pub(super) struct Layout<'l> {
    pub engine: &'l Engine<'l>,
    pub kind: usize,
    pub fixed: &'l [PlacedPart],
    pub parts: &'l [Placing],
}

/// The forms that each part may take.
type Choices<'c> = [&'c [u32]];

impl Layout<'_> {
    /// Places for all the parts, verified; `None` where none were found.
    pub fn arrange(&self, push: Push, diligence: &Diligence, run: &mut Run<'_>) -> Option<Vec<PlacedPart>> {
        let problem = self.engine.problem;
        let parts = self.parts;
        if parts.is_empty() || parts.len() > PARTS_MOST {
            return parts.is_empty().then(|| self.fixed.to_vec());
        }
        let all = self.fixed.iter().map(|p| p.wanted).chain(parts.iter().map(|p| p.wanted));
        if all.map(|i| problem.wanted[i].shape.area2()).sum::<i64>() > problem.kinds[self.kind].shape.area2() {
            return None;
        }
        let [ground, wide] = self.engine.grounds(self.kind)?;
        let set = self.engine.set(self.kind);
        let class = |wanted: usize| problem.class_of[wanted];
        let fixed: Vec<Item> =
            self.fixed.iter().map(|p| set.fixed(class(p.wanted), &p.placement)).collect::<Option<_>>()?;
        // Which forms have room here at all.
        let empty = Floor::new(&set.forms, ground, Vec::new(), &[]);
        let choices = choices(set, &empty, parts.iter().map(|p| class(p.wanted)));
        let mut items = Vec::with_capacity(parts.len());
        for (part, choices) in parts.iter().zip(&choices) {
            let there = part.at.and_then(|at| set.item(class(part.wanted), &at));
            let item = there.filter(|i| empty.room(i.form).is_some());
            items.push(match item {
                Some(item) => item,
                None => {
                    let form = *choices.get(run.rng.below(choices.len().max(1)))?;
                    let (lo, hi) = empty.room(form)?;
                    Item { form, at: v(run.rng.between(lo.x, hi.x), run.rng.between(lo.y, hi.y)) }
                }
            });
        }
        let mut floor = Floor::new(&set.forms, ground, items, &fixed);
        floor.clamp();
        let choices: Vec<&[u32]> = choices.iter().map(Vec::as_slice).collect();
        if !separate(&mut floor, &choices, diligence, run) {
            return None;
        }
        let apart = floor.items().to_vec();
        if push != Push::No {
            shorten(&mut floor, &choices, push, run);
        }
        if let Some(places) = self.settled(&floor) {
            return Some(places);
        }
        // With a little between parts where rounding needs it.
        let mut floor = Floor::new(&set.spaced, wide, floor.items().to_vec(), &fixed);
        if !separate(&mut floor, &choices, &QUICK, run) {
            restore(&mut floor, &apart);
            if push == Push::No || !separate(&mut floor, &choices, &QUICK, run) {
                return None;
            }
        }
        self.settled(&floor)
    }

    /// All places rounded to the grid and verified.
    fn settled(&self, floor: &Floor<'_>) -> Option<Vec<PlacedPart>> {
        let problem = self.engine.problem;
        let table = std::cell::RefCell::new(Table::new(problem, self.kind));
        let mut begin = || {
            let mut fresh = Table::new(problem, self.kind);
            self.fixed.iter().for_each(|p| fresh.put(*p));
            table.replace(fresh);
        };
        let mut put = |i: usize, placement: Placement| {
            let wanted = self.parts[i].wanted;
            let holds = table.borrow().holds(problem.wanted[wanted].shape, &placement);
            if holds {
                table.borrow_mut().put(PlacedPart { wanted, placement });
            }
            holds
        };
        settle(floor, &mut begin, &mut put).then(|| table.into_inner().parts)
    }
}

/// For each part, given by its class, the forms that have room at all.
fn choices(set: &Set, empty: &Floor<'_>, classes: impl Iterator<Item = usize>) -> Vec<Vec<u32>> {
    classes.map(|c| set.choices[c].iter().copied().filter(|&f| empty.room(f).is_some()).collect()).collect()
}

/// A part for one of several equal pieces, and on which and where it lies already.
#[derive(Clone, Copy, Debug)]
pub(super) struct Strewn {
    pub wanted: usize,
    pub at: Option<(usize, Placement)>,
}

/// Places anywhere that are tried more, for each piece.
const WIDE_MORE: usize = 15;
/// How often two parts are exchanged where they do not come apart, each time from the least overlap seen.
const EXCHANGES: usize = 2;

/// Places for all the parts on so many pieces of one kind, verified; `None` where none were found. What has no place yet
/// is strewn at random.
pub(super) fn spread(
    engine: &Engine<'_>,
    kind: usize,
    copies: usize,
    parts: &[Strewn],
    run: &mut Run<'_>,
) -> Option<Vec<Vec<PlacedPart>>> {
    let problem = engine.problem;
    let area2: i64 = parts.iter().map(|p| problem.wanted[p.wanted].shape.area2()).sum();
    if copies == 0 || parts.len() > PARTS_MOST || area2 > problem.kinds[kind].shape.area2() * copies as i64 {
        return None;
    }
    let [ground, wide] = engine.grounds(kind)?;
    let set = engine.set(kind);
    let class = |wanted: usize| problem.class_of[wanted];
    let empty = Floor::in_a_row(&set.forms, ground, copies, Vec::new(), &[]);
    let choices = choices(set, &empty, parts.iter().map(|p| class(p.wanted)));
    let mut items = Vec::with_capacity(parts.len());
    for (part, choices) in parts.iter().zip(&choices) {
        let there = part.at.and_then(|(copy, at)| {
            let item = set.item(class(part.wanted), &at).filter(|i| empty.room(i.form).is_some())?;
            Some(Item { at: item.at + empty.offset(copy), ..item })
        });
        items.push(match there {
            Some(item) => item,
            None => {
                let form = *choices.get(run.rng.below(choices.len().max(1)))?;
                let (lo, hi) = empty.room(form)?;
                let at = v(run.rng.between(lo.x, hi.x), run.rng.between(lo.y, hi.y));
                Item { form, at: at + empty.offset(run.rng.below(copies)) }
            }
        });
    }
    let mut floor = Floor::in_a_row(&set.forms, ground, copies, items, &[]);
    floor.clamp();
    let choices: Vec<&[u32]> = choices.iter().map(Vec::as_slice).collect();
    let mut thorough = THOROUGH;
    thorough.effort.wide += WIDE_MORE * copies;
    let mut apart = separate(&mut floor, &choices, &thorough, run);
    let mut best = (floor.total(), floor.items().to_vec());
    for _ in 0..EXCHANGES {
        if apart || !(run.go_on)() {
            break;
        }
        restore(&mut floor, &best.1);
        exchange(&mut floor, parts.len(), run);
        floor.forget();
        apart = separate(&mut floor, &choices, &thorough, run);
        let total = floor.total();
        if total < best.0 {
            best = (total, floor.items().to_vec());
        }
    }
    if !apart {
        return None;
    }
    let settled = |floor: &Floor<'_>| {
        let fresh = || -> Vec<Table<'_>> { (0..copies).map(|_| Table::new(problem, kind)).collect() };
        let tables = std::cell::RefCell::new(fresh());
        let mut begin = || drop(tables.replace(fresh()));
        let mut put = |i: usize, placement: Placement| {
            let wanted = parts[i].wanted;
            let copy = floor.copy_of(&floor.items()[i]);
            let placement = Placement { dx: placement.dx - floor.offset(copy).x as i32, ..placement };
            let table = &mut tables.borrow_mut()[copy];
            let holds = table.holds(problem.wanted[wanted].shape, &placement);
            if holds {
                table.put(PlacedPart { wanted, placement });
            }
            holds
        };
        let all = settle(floor, &mut begin, &mut put);
        all.then(|| tables.into_inner().into_iter().map(|t| t.parts).collect())
    };
    if let Some(places) = settled(&floor) {
        return Some(places);
    }
    let mut floor = Floor::in_a_row(&set.spaced, wide, copies, floor.items().to_vec(), &[]);
    if separate(&mut floor, &choices, &CAREFUL, run) { settled(&floor) } else { None }
}

/// Two parts change places.
fn exchange(floor: &mut Floor<'_>, count: usize, run: &mut Run<'_>) {
    let (i, k) = (run.rng.below(count), run.rng.below(count));
    let (a, b) = (floor.items()[i], floor.items()[k]);
    let middle = |item: &Item| item.at + floor.forms.get(item.form).middle();
    let (to_a, to_b) = (middle(&b), middle(&a));
    for (i, item, to) in [(i, a, to_a), (k, b, to_b)] {
        let at = to - floor.forms.get(item.form).middle();
        floor.put(i, item.form, at);
    }
    floor.clamp();
}

/// Draws the end of the floor in as long as the parts still find places.
fn shorten(floor: &mut Floor<'_>, choices: &Choices<'_>, push: Push, run: &mut Run<'_>) {
    let along = |p: &mut V, to: f64| *(if push == Push::X { &mut p.x } else { &mut p.y }) = to;
    let of = |p: V| if push == Push::X { p.x } else { p.y };
    let mut best = floor.items().to_vec();
    let mut step = SHORTER.0;
    let begin = of(floor.lo);
    let mut end = of(floor.ends());
    while step >= SHORTER.1 && (run.go_on)() {
        along(&mut floor.hi, begin + (end - begin) * (1.0 - step));
        // Every part must have room at some turn that it may take.
        let room: Option<Vec<u32>> =
            choices.iter().map(|c| c.iter().copied().find(|&f| floor.room(f).is_some())).collect();
        let done = room.is_some_and(|room| {
            for (i, form) in room.into_iter().enumerate() {
                if floor.room(floor.items()[i].form).is_none() {
                    floor.turn(i, form);
                }
            }
            floor.clamp();
            floor.forget();
            separate(floor, choices, &QUICK, run)
        });
        if done {
            best = floor.items().to_vec();
            end = of(floor.ends());
        } else {
            restore(floor, &best);
            step *= 0.4;
        }
        along(&mut floor.hi, end);
    }
}

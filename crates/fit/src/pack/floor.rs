//! A floor with parts on it that may overlap: how much each does, and where one of them would overlap least.
//!
//! A floor may be several equal ones in a row, apart from each other: parts lie on any of them, never between.
//!
//! Between the edges of the Minkowski sums the measure is concave, so that its least values lie where two of these
//! edges cross: from a sample, the search walks from crossing to crossing.

use super::form::{Forms, Ground, Meet, Other, TOUCH_UM, meet};
use super::probe::{Entry, Probe};
use super::rng::Rng;
use crate::num::{V, v};

/// Steps from crossing to crossing, at most.
const STEPS: usize = 12;
/// How far lines are looked at first and at least, as a share of the form's smaller side.
const REACH: f64 = 0.2;
const REACH_LEAST: f64 = 0.02;
/// Forms of one item that are tried at once, besides the one that it has.
const FORMS: usize = 4;

/// A part on the floor, or something fixed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Item {
    pub form: u32,
    pub at: V,
}

/// How hard a better place is looked for.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Effort {
    /// Places anywhere.
    pub wide: usize,
    /// Places near where it lies.
    pub near: usize,
    /// Of these, how many are walked from.
    pub walks: usize,
}

/// What lies between the boxes of equal floors in a row, at least, µm.
const ASUNDER: f64 = 1_000.0;

/// The floor: an upright box, with things on it.
#[derive(Clone, Debug)]
pub(crate) struct Floor<'f> {
    pub forms: &'f Forms,
    ground: &'f Ground,
    /// The box; within that of the ground.
    pub lo: V,
    pub hi: V,
    /// Equal floors in a row along x, and how far it is from one to the next, whole µm.
    copies: usize,
    step: f64,
    items: Vec<Item>,
    /// How many of the items move, the first ones.
    movable: usize,
    /// Boxes around the items, then around the things in the way.
    lo_x: Vec<f64>,
    hi_x: Vec<f64>,
    lo_y: Vec<f64>,
    hi_y: Vec<f64>,
    /// For each movable item, how deep it overlaps each item and thing.
    depth: Vec<f64>,
    /// What each such overlap weighs.
    weight: Vec<f64>,
}

/// A place that an item might take.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spot {
    pub form: u32,
    pub at: V,
    pub weighed: f64,
}

impl<'f> Floor<'f> {
    /// Items that move, and such that stay where they are.
    pub fn new(forms: &'f Forms, ground: &'f Ground, movable: Vec<Item>, fixed: &[Item]) -> Self {
        Self::in_a_row(forms, ground, 1, movable, fixed)
    }

    /// So many equal floors in a row; see [`Self::offset`].
    pub fn in_a_row(forms: &'f Forms, ground: &'f Ground, copies: usize, movable: Vec<Item>, fixed: &[Item]) -> Self {
        let count = movable.len();
        let mut items = movable;
        items.extend_from_slice(fixed);
        let n = items.len() + ground.things.len() * copies;
        let mut floor = Self {
            forms,
            ground,
            lo: ground.lo,
            hi: ground.hi,
            copies,
            step: step(ground),
            items,
            movable: count,
            lo_x: vec![0.0; n],
            hi_x: vec![0.0; n],
            lo_y: vec![0.0; n],
            hi_y: vec![0.0; n],
            depth: vec![0.0; count * n],
            weight: vec![1.0; count * n],
        };
        for i in 0..n {
            floor.bound(i);
        }
        floor.measure_all();
        floor
    }

    pub fn items(&self) -> &[Item] {
        &self.items[..self.movable]
    }

    /// How far the `copy`th floor of a row is from the first.
    pub fn offset(&self, copy: usize) -> V {
        v(self.step * copy as f64, 0.0)
    }

    /// The floor of the row on which a form lies.
    pub fn copy_of(&self, item: &Item) -> usize {
        self.copy_at(item.at.x + self.forms.get(item.form).lo.x)
    }

    /// The floor of the row on which what begins at this x lies.
    fn copy_at(&self, x: f64) -> usize {
        // What lies at the very begin may lack a hair.
        (((x - self.lo.x + 1.0) / self.step).max(0.0) as usize).min(self.copies - 1)
    }

    /// The same as [`Self::room`] on one floor of the row.
    fn room_on(&self, copy: usize, form: u32) -> Option<(V, V)> {
        let offset = self.offset(copy);
        self.room(form).map(|(lo, hi)| (lo + offset, hi + offset))
    }

    /// The places at which the form's box lies in the floor, the first of the row; `None` where it is too large.
    pub fn room(&self, form: u32) -> Option<(V, V)> {
        let form = self.forms.get(form);
        let (lo, hi) = (self.lo - form.lo, self.hi - form.hi);
        // What just fits may lack a hair.
        let (lacks_x, lacks_y) = (lo.x - hi.x, lo.y - hi.y);
        if lacks_x > TOUCH_UM || lacks_y > TOUCH_UM {
            return None;
        }
        Some((lo, v(hi.x.max(lo.x), hi.y.max(lo.y))))
    }

    fn bound(&mut self, i: usize) {
        let (form, at) = match self.other(i) {
            (Other::Form(form), at) => (self.forms.get(form), at),
            (Other::Thing(k), at) => (&self.ground.things[k], at),
        };
        self.lo_x[i] = form.lo.x + at.x;
        self.hi_x[i] = form.hi.x + at.x;
        self.lo_y[i] = form.lo.y + at.y;
        self.hi_y[i] = form.hi.y + at.y;
    }

    fn other(&self, j: usize) -> (Other, V) {
        match self.items.get(j) {
            Some(item) => (Other::Form(item.form), item.at),
            None => {
                let (things, j) = (self.ground.things.len(), j - self.items.len());
                (Other::Thing(j % things), self.offset(j / things))
            }
        }
    }

    /// Where a form meets item or thing `j`, and the move of the form at `at` in its terms.
    fn meet(&self, form: u32, at: V, j: usize) -> (&'f Meet, f64, V) {
        let (other, there) = self.other(j);
        let (meet, sign) = meet(self.forms, self.ground, other, form);
        (meet, sign, (at - there) * sign)
    }

    fn measure_all(&mut self) {
        for i in 0..self.movable {
            self.measure(i);
        }
    }

    fn measure(&mut self, i: usize) {
        let n = self.lo_x.len();
        for j in 0..n {
            let depth = if j == i { 0.0 } else { self.depth_of(self.items[i], j, f64::INFINITY) };
            self.depth[i * n + j] = depth;
            if j < self.movable {
                self.depth[j * n + i] = depth;
            }
        }
    }

    fn depth_of(&self, item: Item, j: usize, enough: f64) -> f64 {
        let (meet, _, q) = self.meet(item.form, item.at, j);
        meet.depth(q, enough)
    }

    /// Puts an item elsewhere.
    pub fn put(&mut self, i: usize, form: u32, at: V) {
        self.items[i] = Item { form, at };
        self.bound(i);
        self.measure(i);
    }

    /// Turns an item about the middle of its box.
    pub fn turn(&mut self, i: usize, form: u32) {
        let item = self.items[i];
        let at = item.at + self.forms.get(item.form).middle() - self.forms.get(form).middle();
        self.put(i, form, at);
    }

    /// Moves all items into the box that have room there.
    pub fn clamp(&mut self) {
        for i in 0..self.movable {
            let item = self.items[i];
            if let Some((lo, hi)) = self.room_on(self.copy_of(&item), item.form) {
                let at = v(item.at.x.clamp(lo.x, hi.x), item.at.y.clamp(lo.y, hi.y));
                if at != item.at {
                    self.put(i, item.form, at);
                }
            }
        }
    }

    /// The box around an item.
    pub fn bounds_of(&self, i: usize) -> (V, V) {
        (v(self.lo_x[i], self.lo_y[i]), v(self.hi_x[i], self.hi_y[i]))
    }

    /// How far the items reach, each way.
    pub fn ends(&self) -> V {
        let most = |of: &[f64]| of[..self.items.len()].iter().fold(f64::NEG_INFINITY, |m, e| m.max(*e));
        v(most(&self.hi_x), most(&self.hi_y))
    }

    /// How deep an item overlaps all others together.
    pub fn overlap(&self, i: usize) -> f64 {
        let n = self.lo_x.len();
        self.depth[i * n..(i + 1) * n].iter().sum()
    }

    /// The same with each overlap weighed.
    pub fn weighed(&self, i: usize) -> f64 {
        let n = self.lo_x.len();
        let row = i * n..(i + 1) * n;
        self.depth[row.clone()].iter().zip(&self.weight[row]).map(|(d, w)| d * w).sum()
    }

    /// All overlaps, each once.
    pub fn total(&self) -> f64 {
        let n = self.lo_x.len();
        let mut total = 0.0;
        for i in 0..self.movable {
            let row = &self.depth[i * n..(i + 1) * n];
            total += row[..self.movable].iter().sum::<f64>() / 2.0 + row[self.movable..].iter().sum::<f64>();
        }
        total
    }

    /// Makes what overlaps weigh more, the deeper the more, and lets what does not weigh less.
    pub fn learn(&mut self) {
        let most = self.depth.iter().fold(0.0f64, |m, d| m.max(*d));
        if most <= 0.0 {
            return;
        }
        for (w, d) in self.weight.iter_mut().zip(&self.depth) {
            if *d > 0.0 {
                *w *= 1.2 + 0.8 * d / most;
            } else {
                *w = (*w * 0.95).max(1.0);
            }
        }
    }

    /// All weights as at first.
    pub fn forget(&mut self) {
        self.weight.fill(1.0);
    }

    /// A form of item `i` against all the others on one floor of the row; what it overlaps now first, for that is likely
    /// to weigh most.
    fn probe(&self, i: usize, form: u32, copy: usize) -> Probe<'f> {
        let n = self.lo_x.len();
        let here = |j: usize| self.copies == 1 || self.copy_at(self.lo_x[j]) == copy;
        let row = i * n..(i + 1) * n;
        let (depth, weight) = (&self.depth[row.clone()], &self.weight[row]);
        let entry = |j: usize| {
            let (other, there) = self.other(j);
            let (meet, sign) = meet(self.forms, self.ground, other, form);
            Entry::new(meet, sign, there, weight[j])
        };
        let mut entries = Vec::with_capacity(n);
        entries.extend((0..n).filter(|&j| depth[j] > 0.0 && here(j)).map(entry));
        entries.extend((0..n).filter(|&j| depth[j] <= 0.0 && j != i && here(j)).map(entry));
        Probe { form, copy, entries }
    }

    /// Looks for a place where item `i` weighs less than it does, among these forms; the best found.
    pub fn better(&self, i: usize, forms: &[u32], effort: &Effort, rng: &mut Rng) -> Option<Spot> {
        let here = self.items[i];
        let now = self.weighed(i);
        let copy = self.copy_of(&here);
        // Not more forms, and floors, than it is worth making ready for.
        let mut probes = vec![self.probe(i, here.form, copy)];
        for _ in 0..forms.len().min(FORMS) {
            let form = forms[rng.below(forms.len())];
            if probes.iter().all(|p| p.form != form) && self.room(form).is_some() {
                probes.push(self.probe(i, form, copy));
            }
        }
        let near = probes.len();
        if self.copies > 1 {
            for copy in (0..self.copies).filter(|&c| c != copy) {
                let form = probes[rng.below(near)].form;
                probes.push(self.probe(i, form, copy));
            }
        }
        let most = effort.walks.max(1) + 1;
        let mut best: Vec<(usize, Spot)> = vec![(0, Spot { form: here.form, at: here.at, weighed: now })];
        let middle = here.at + self.forms.get(here.form).middle();
        for n in 0..effort.wide + effort.near {
            let k = rng.below(if n < effort.wide { probes.len() } else { near });
            let (probe, form) = (&probes[k], probes[k].form);
            let Some((lo, hi)) = self.room_on(probe.copy, form) else { continue };
            let at = if n < effort.wide {
                v(rng.between(lo.x, hi.x), rng.between(lo.y, hi.y))
            } else {
                let shape = self.forms.get(form);
                let size = shape.size() * 0.5;
                let at = middle - shape.middle() + v(rng.between(-size.x, size.x), rng.between(-size.y, size.y));
                v(at.x.clamp(lo.x, hi.x), at.y.clamp(lo.y, hi.y))
            };
            let bound = if best.len() < most { f64::INFINITY } else { best[best.len() - 1].1.weighed };
            let weighed = probe.gauge(at, bound);
            if weighed < bound {
                let pos = best.partition_point(|(_, s)| s.weighed <= weighed);
                best.insert(pos, (k, Spot { form, at, weighed }));
                best.truncate(most);
            }
        }
        let mut found: Option<Spot> = None;
        for (k, spot) in best {
            let spot = self.walk(&probes[k], spot);
            if spot.weighed < found.map_or(now, |f| f.weighed) {
                found = Some(spot);
            }
            if spot.weighed <= 0.0 {
                break;
            }
        }
        found
    }

    /// From crossing to crossing, each better than the last.
    fn walk(&self, probe: &Probe<'_>, from: Spot) -> Spot {
        let mut best = from;
        let Some((lo, hi)) = self.room_on(probe.copy, best.form) else { return best };
        let size = self.forms.get(best.form).size();
        let mut lines = Vec::new();
        let mut reach = size.x.min(size.y) * REACH;
        for _ in 0..STEPS {
            if best.weighed <= 0.0 {
                break;
            }
            probe.lines_near(best.at, reach, (lo, hi), &mut lines);
            let start = best.at;
            let mut moved = false;
            let mut offer = |at: V| {
                let out = |at: f64, lo: f64, hi: f64| at < lo - TOUCH_UM || at > hi + TOUCH_UM;
                if out(at.x, lo.x, hi.x) || out(at.y, lo.y, hi.y) {
                    return;
                }
                let at = v(at.x.clamp(lo.x, hi.x), at.y.clamp(lo.y, hi.y));
                let weighed = probe.gauge(at, best.weighed);
                if weighed < best.weighed {
                    best.at = at;
                    best.weighed = weighed;
                    moved = true;
                }
            };
            for (k, (_, a)) in lines.iter().enumerate() {
                offer(start + a.n * a.depth(start));
                for (_, b) in &lines[..k] {
                    let cross = a.n.cross(b.n);
                    if cross.abs() > 1e-3 {
                        let at = v(a.d * b.n.y - b.d * a.n.y, b.d * a.n.x - a.d * b.n.x) * (1.0 / cross);
                        if (at - start).norm2() < 4.0 * reach * reach {
                            offer(at);
                        }
                    }
                }
            }
            if !moved {
                reach *= 0.25;
                if reach < size.x.min(size.y) * REACH_LEAST {
                    break;
                }
            }
        }
        best
    }
}

fn step(ground: &Ground) -> f64 {
    (ground.hi.x - ground.lo.x + ASUNDER).ceil()
}

//! All parts on a strip of given width, as short as can be: the engine's own measure, and what a roll would need.
//!
//! First the strip is made shorter and shorter, each time until the parts lie apart again; where that fails, one of
//! the best layouts with overlaps is taken up again with two large parts exchanged. Then the best layout is pushed
//! together by less and less, at another place each time.

use std::sync::atomic::{AtomicU64, Ordering};

use sheetloft_shapes::{Placement, Rim, Shape, Turn};

use super::floor::{Effort, Floor, Item};
use super::form::{Form, Forms, Ground};
use super::outline::{ROUNDED_UM, of_part, turns_to_try};
use super::rng::Rng;
use super::separate::{Diligence, Patience, Run, restore, separate};
use super::settle::settle;
use crate::num::v;
use crate::part::Part;
use crate::turns::Turns;
use crate::watch::Watch;

/// A part for the strip.
#[derive(Clone, Copy, Debug)]
pub struct StripPart<'a> {
    /// Its shape.
    pub shape: &'a Shape,
    /// How it may be turned; of spans their ends and middles are tried.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
}

/// What is asked of a strip.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct StripOptions {
    /// Its width (along y), µm.
    pub width_um: i64,
    /// What parts keep from each other, µm; nothing is kept from the rim.
    pub between_um: i64,
    /// Another seed, another layout of about the same length.
    pub seed: u64,
    /// Separations tried by each of the two searches.
    pub rounds: u32,
    /// 1, or 2 to let the two searches run at once. The answer does not depend on it.
    pub threads: usize,
}

/// Parts on a strip, verified.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Strip {
    /// How far they reach along x, µm.
    pub length_um: i64,
    /// Where each part lies.
    pub placements: Vec<Placement>,
}

/// Of the time or the rounds, what goes into shortening; the rest into pushing together.
const SHORTENING: f64 = 0.8;
/// By how much the strip is made shorter, as a share, at first and at least.
const STEP: (f64, f64) = (0.04, 0.001);
/// By how much it is pushed together, as a share, at first and at last.
const PUSH: (f64, f64) = (5e-4, 1e-5);
/// Layouts with overlaps kept to be taken up again.
const POOL: usize = 10;
/// What is asked between parts where rounding to the grid does not hold without, µm; and what the strip is made longer
/// by then, as a share, try after try.
const SLACK_UM: f64 = 1.5;
const LONGER: [f64; 4] = [0.0, 1e-5, 1e-4, 1e-3];
const SEARCHING: Diligence =
    Diligence { effort: Effort { wide: 40, near: 20, walks: 3 }, patience: Patience { passes: 100, strikes: 3 } };
const PUSHING: Diligence =
    Diligence { effort: Effort { wide: 40, near: 20, walks: 3 }, patience: Patience { passes: 50, strikes: 2 } };
const SEARCHES: u64 = 2;

/// Lays the parts on a strip. `watch` hears how many of a million parts of the rounds or the time are over; where it
/// says stop, the best layout is returned. `None` where a part is wider than the strip at any turn, or where it was
/// stopped too soon.
pub fn strip(parts: &[StripPart<'_>], options: &StripOptions, watch: &mut dyn Watch) -> Option<Strip> {
    let task = Task::new(parts, options)?;
    // What the caller's time says, for the search that runs beside; rounds are each search's own.
    let time = AtomicU64::new(0f64.to_bits());
    let mut best: Option<Layout> = None;
    // Each phase: both searches, then the shorter layout.
    for phase in [Phase::Shorten, Phase::Push] {
        let from = best.clone();
        let search = |n: u64, time: &mut dyn FnMut(f64) -> f64| {
            let number = if phase == Phase::Shorten { n } else { SEARCHES + n };
            let rng = Rng::for_part(options.seed, number);
            match (phase, &from) {
                (Phase::Shorten, _) => task.shorten(rng, time),
                (Phase::Push, Some(from)) => task.push(from, rng, time),
                (Phase::Push, None) => None,
            }
        };
        let mut own = |share: f64| {
            let told = watch.share().unwrap_or(0.0);
            let on = watch.go_on((share.max(told) * 1e6) as usize, 1_000_000);
            let told = if on { told } else { f64::INFINITY };
            time.store(told.to_bits(), Ordering::Relaxed);
            share.max(told)
        };
        let found = if options.threads > 1 {
            std::thread::scope(|scope| {
                let other = || search(1, &mut |share: f64| share.max(f64::from_bits(time.load(Ordering::Relaxed))));
                let second = scope.spawn(other);
                [search(0, &mut own), second.join().unwrap_or_default()]
            })
        } else {
            [search(0, &mut own), search(1, &mut own)]
        };
        best = found.into_iter().flatten().chain(best).min_by(|a, b| a.length.total_cmp(&b.length));
    }
    task.finish(&best?)
}

#[derive(Clone, Copy, PartialEq)]
enum Phase {
    Shorten,
    Push,
}

/// Parts apart, and how long they are.
#[derive(Clone)]
struct Layout {
    length: f64,
    items: Vec<Item>,
}

struct Task<'a> {
    parts: &'a [StripPart<'a>],
    options: &'a StripOptions,
    forms: Forms,
    /// For each part the forms it may take.
    choices: Vec<Vec<u32>>,
    /// Far longer than needed.
    ground: Ground,
    /// The length at which the strip would be full.
    full: f64,
    /// Numbers of the parts, the largest first.
    by_area: Vec<usize>,
}

impl<'a> Task<'a> {
    fn new(parts: &'a [StripPart<'a>], options: &'a StripOptions) -> Option<Self> {
        let half_um = (options.between_um.max(0) + 1) / 2;
        let mut forms: Vec<Form> = Vec::new();
        let mut choices: Vec<Vec<u32>> = Vec::new();
        for (i, part) in parts.iter().enumerate() {
            let alike = |p: &StripPart<'_>| (p.shape, p.turns, p.flip) == (part.shape, part.turns, part.flip);
            if let Some(same) = parts[..i].iter().position(alike) {
                choices.push(choices[same].clone());
                continue;
            }
            let ready = Part::new(part.shape);
            let exact = of_part(part.shape, half_um);
            let mut rounded = None;
            let mut own = Vec::new();
            for turn in turns_to_try(part.turns, &[Turn(0)], Turn(0), ready.period_udeg()) {
                let pieces = if turn.is_quarter() {
                    &exact
                } else {
                    &*rounded.get_or_insert_with(|| of_part(part.shape, half_um + ROUNDED_UM))
                };
                for face in ready.faces(part.flip) {
                    let form = Form::new(pieces, turn, face.flip);
                    if form.size().y <= options.width_um as f64 + (2 * half_um) as f64 {
                        own.push(forms.len() as u32);
                        forms.push(form);
                    }
                }
            }
            if own.is_empty() {
                return None;
            }
            choices.push(own);
        }
        let half = half_um as f64;
        let area: f64 = parts.iter().map(|p| p.shape.area2() as f64 / 2.0).sum();
        let longest: f64 = forms.iter().map(|f| f.size().x).fold(0.0, f64::max);
        let width = options.width_um as f64;
        let most = (forms.iter().map(|f| f.size().x).sum::<f64>() + longest).max(area / width * 10.0);
        let ground = Ground::plain(v(-half, -half), v(most, width + half));
        let mut by_area: Vec<usize> = (0..parts.len()).collect();
        by_area.sort_by_key(|&i| (std::cmp::Reverse(parts[i].shape.area2()), i));
        Some(Self {
            parts,
            options,
            forms: Forms::new(forms),
            choices,
            ground,
            full: (area / width).max(longest),
            by_area,
        })
    }

    fn share(&self, round: u32) -> f64 {
        f64::from(round) / f64::from(self.options.rounds.max(1))
    }

    fn floor(&self, items: Vec<Item>, length: f64) -> Floor<'_> {
        let mut floor = Floor::new(&self.forms, &self.ground, items, &[]);
        floor.hi.x = length;
        floor.clamp();
        floor
    }

    fn layout(&self, floor: &Floor<'_>) -> Layout {
        Layout { length: floor.ends().x, items: floor.items().to_vec() }
    }

    fn separate(
        &self,
        floor: &mut Floor<'_>,
        diligence: &Diligence,
        rng: &mut Rng,
        go_on: &mut dyn FnMut() -> bool,
    ) -> bool {
        let choices: Vec<&[u32]> = self.choices.iter().map(Vec::as_slice).collect();
        floor.forget();
        let mut run = Run { rng: rng.clone(), go_on };
        let apart = separate(floor, &choices, diligence, &mut run);
        *rng = run.rng;
        apart
    }

    /// Makes the strip shorter and shorter. `time` is told the share of the rounds that is over, and says what share of
    /// all is.
    fn shorten(&self, mut rng: Rng, time: &mut dyn FnMut(f64) -> f64) -> Option<Layout> {
        let mut length = self.full / 0.6;
        let items = self.choices.iter().map(|choices| {
            let form = choices[rng.below(choices.len())];
            Item { form, at: v(rng.between(0.0, length), rng.between(0.0, self.ground.hi.y)) }
        });
        let items = items.collect();
        let mut floor = self.floor(items, length);
        let mut best: Option<Layout> = None;
        let mut pool: Vec<(f64, Vec<Item>)> = Vec::new();
        let mut step = STEP.0;
        let mut round = 0;
        while time(self.share(round)) < SHORTENING {
            let share = self.share(round);
            let apart = self.separate(&mut floor, &SEARCHING, &mut rng, &mut || time(share) < SHORTENING);
            round += 1;
            if apart {
                let found = self.layout(&floor);
                length = found.length * (1.0 - step);
                best = Some(found);
                pool.clear();
            } else if let Some(best) = &best {
                step = (step * 0.5).max(STEP.1);
                let total = floor.total();
                let at = pool.partition_point(|p| p.0 < total);
                pool.insert(at, (total, floor.items().to_vec()));
                pool.truncate(POOL);
                // The less overlap, the likelier.
                let again = (rng.unit() * rng.unit() * pool.len() as f64) as usize;
                restore(&mut floor, &pool[again].1);
                self.exchange(&mut floor, &mut rng);
                length = best.length * (1.0 - step);
            } else {
                length *= 1.1;
            }
            length = length.clamp(self.full.min(length), self.ground.hi.x);
            floor.hi.x = length;
            floor.clamp();
        }
        best
    }

    /// Two large parts change places.
    fn exchange(&self, floor: &mut Floor<'_>, rng: &mut Rng) {
        let large = (self.by_area.len() / 3).max(2).min(self.by_area.len());
        let a = self.by_area[rng.below(large)];
        let mut b = self.by_area[rng.below(large)];
        if self.parts[a].shape == self.parts[b].shape {
            b = self.by_area[rng.below(self.by_area.len())];
        }
        let (p, q) = (floor.items()[a], floor.items()[b]);
        let middle = |item: Item| item.at + self.forms.get(item.form).middle();
        for (i, form, to) in [(a, p.form, middle(q)), (b, q.form, middle(p))] {
            floor.put(i, form, to - self.forms.get(form).middle());
        }
        floor.clamp();
    }

    /// Pushes a layout together, less each time.
    fn push(&self, from: &Layout, mut rng: Rng, time: &mut dyn FnMut(f64) -> f64) -> Option<Layout> {
        let mut best = from.clone();
        let mut floor = self.floor(best.items.clone(), best.length);
        // The rounds of the first phase count as over.
        let mut round = (f64::from(self.options.rounds) * SHORTENING) as u32;
        loop {
            let share = self.share(round);
            let over = time(share);
            if over >= 1.0 {
                return Some(best);
            }
            let left = ((1.0 - over) / (1.0 - SHORTENING)).clamp(0.0, 1.0);
            let by = best.length * (PUSH.1 + (PUSH.0 - PUSH.1) * left);
            floor.hi.x = best.length;
            restore(&mut floor, &best.items);
            let split = rng.between(0.0, best.length);
            for (i, item) in best.items.iter().enumerate() {
                if item.at.x + self.forms.get(item.form).middle().x > split {
                    floor.put(i, item.form, v(item.at.x - by, item.at.y));
                }
            }
            floor.hi.x = best.length - by;
            floor.clamp();
            if self.separate(&mut floor, &PUSHING, &mut rng, &mut || time(share) < 1.0) {
                best = self.layout(&floor);
            }
            round += 1;
        }
    }

    /// Rounded to the grid and verified; where that does not hold, with a little between parts and a little longer.
    fn finish(&self, best: &Layout) -> Option<Strip> {
        let floor = self.floor(best.items.clone(), self.ground.hi.x);
        if let Some(strip) = self.settled(&floor) {
            return Some(strip);
        }
        let forms = Forms::spaced(self.forms.all().to_vec(), SLACK_UM);
        let ground = self.ground.again();
        LONGER.into_iter().find_map(|longer| {
            let mut floor = Floor::new(&forms, &ground, best.items.clone(), &[]);
            floor.hi.x = best.length * (1.0 + longer) + 10.0 * SLACK_UM;
            let mut rng = Rng::new(self.options.seed);
            if !self.separate(&mut floor, &PUSHING, &mut rng, &mut || true) {
                return None;
            }
            floor.hi.x = ground.hi.x;
            self.settled(&floor)
        })
    }

    fn settled(&self, floor: &Floor<'_>) -> Option<Strip> {
        let mut lying: Vec<(Rim, i64)> = Vec::new();
        let mut placements: Vec<Option<Placement>> = Vec::new();
        let mut length_um = 0;
        let begun = std::cell::Cell::new(false);
        let mut put = |i: usize, placement: Placement| {
            if begun.replace(false) {
                lying.clear();
                length_um = 0;
                placements = vec![None; self.parts.len()];
            }
            let Ok(shape) = self.parts[i].shape.placed(&placement) else { return false };
            let (lo, hi) = shape.bounds();
            let rounded = i64::from(!placement.turn.is_quarter());
            let asked = self.options.between_um.max(0) + rounded;
            let rim = Rim::new(&shape);
            let within = lo.x >= 0 && lo.y >= 0 && i64::from(hi.y) <= self.options.width_um;
            let holds = within && lying.iter().all(|(other, r)| rim.apart_by(other, asked + r));
            if holds {
                lying.push((rim, rounded));
                length_um = length_um.max(i64::from(hi.x));
                placements[i] = Some(placement);
            }
            holds
        };
        let settled = settle(floor, &mut || begun.set(true), &mut put);
        let placements: Option<Vec<Placement>> = placements.into_iter().collect();
        placements.filter(|_| settled).map(|placements| Strip { length_um, placements })
    }
}

#[cfg(test)]
mod tests {
    use sheetloft_shapes::Point;

    use super::*;

    #[test]
    fn six_squares_fill_a_strip_and_the_seed_says_how() {
        let (square, turns) = (Shape::rectangle(100_000, 100_000).unwrap(), Turns::quarter());
        let bar = Shape::rectangle(200_000, 100_000).unwrap();
        let part = |shape| StripPart { shape, turns: &turns, flip: false };
        let parts = [part(&square), part(&bar), part(&square), part(&bar), part(&bar), part(&square)];
        let options = StripOptions { width_um: 300_000, between_um: 0, seed: 1, rounds: 60, threads: 1 };
        let found = strip(&parts, &options, &mut ()).unwrap();
        // Full, to within what the last push and rounding leave.
        assert!((300_000..=300_020).contains(&found.length_um), "{}", found.length_um);
        assert_eq!(strip(&parts, &StripOptions { threads: 2, ..options }, &mut ()), Some(found));
        let apart = StripOptions { between_um: 1_000, ..options };
        let found = strip(&parts, &apart, &mut ()).unwrap();
        assert!((502_000..=502_100).contains(&found.length_um), "{}", found.length_um);
        assert_eq!(strip(&parts, &StripOptions { width_um: 99_999, ..options }, &mut ()), None);
        assert_eq!(strip(&parts, &options, &mut |_: usize, _: usize| false), None);
    }

    #[test]
    fn slanted_parts_that_take_up_the_whole_width_keep_their_places() {
        let cut =
            |at: &[(i32, i32)]| Shape::new(at.iter().map(|&(x, y)| Point::new(x, y)).collect(), Vec::new()).unwrap();
        let bar = cut(&[(0, 0), (20_000, 0), (20_000, 100_000), (0, 100_000)]);
        // No grid point lies where their slanted edges all touch.
        let kites = [(31_415, 62_718), (57_722, 44_721), (26_457, 71_828), (50_001, 33_333)]
            .map(|(a, b)| cut(&[(0, 0), (a, 7_001), (a + 13_007, b), (3_331, b / 2 + 1)]));
        let shapes: Vec<Shape> = std::iter::once(bar).chain(kites).collect();
        let turns = Turns::none();
        let parts: Vec<StripPart<'_>> =
            shapes.iter().map(|shape| StripPart { shape, turns: &turns, flip: false }).collect();
        let options = StripOptions { width_um: 100_000, between_um: 0, seed: 1, rounds: 30, threads: 2 };
        let found = strip(&parts, &options, &mut ()).expect("a layout");
        assert!(found.length_um < 180_000, "{}", found.length_um);
        let placed: Vec<Rim> =
            shapes.iter().zip(&found.placements).map(|(s, p)| Rim::new(&s.placed(p).unwrap())).collect();
        for (i, rim) in placed.iter().enumerate() {
            assert!(placed[..i].iter().all(|other| rim.apart_by(other, 0)));
            let (lo, hi) = rim.bounds();
            assert!(lo.x >= 0 && lo.y >= 0 && hi.y <= 100_000);
        }
    }
}

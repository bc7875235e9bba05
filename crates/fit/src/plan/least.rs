//! What any plan costs at least.
//!
//! Two bounds, the better of which counts. By area: parts lie at least a kerf apart, and from the rim, so each has half
//! a kerf around it to itself, of an area that H. Brunn and H. Minkowski's inequality bounds from below. By number:
//! where parts are rectangles along the sides of the piece, weights from pairs of dual feasible functions, one for each
//! side, add up to no more than 1 on any piece (S. P. Fekete, J. Schepers, "A general framework for bounds for
//! higher-dimensional orthogonal packing problems", Mathematical Methods of Operations Research 60, 2004): so many
//! pieces must be begun, and each costs what a leftover never brings back.

use std::collections::HashMap;

use sheetloft_shapes::Shape;
use sheetloft_shapes::place::QUARTER_TURN_UDEG;

use super::Supply;
use super::problem::{Class, Problem, turns_on};

/// No plan that places some parts needs less.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Least {
    /// Twice the area used up, µm².
    pub area2: i64,
    /// Pieces.
    pub pieces: usize,
    /// Price, less what leftovers count for, minor units.
    pub price: i64,
}

/// Kinds of pieces for each of which parts are weighed in all ways; of more, the one on which they weigh least hardly
/// lets any of these say more than the area.
const KINDS_MOST: usize = 24;

/// Rounding of sums of real numbers never makes a bound too great.
const SAFE: f64 = 1.0 - 1e-9;

/// For all parts for which `counts`.
pub(super) fn least(problem: &Problem<'_>, counts: impl Fn(usize) -> bool) -> Least {
    let mut of_class = vec![0usize; problem.classes.len()];
    (0..problem.wanted.len()).filter(|&i| counts(i)).for_each(|i| of_class[problem.class_of[i]] += 1);
    let half = problem.options.kerf_um.max(0) as f64 / 2.0;
    let used2: Vec<f64> = problem
        .classes
        .iter()
        .map(|class| {
            let grown = (class.shape.area2() as f64 / 2.0).sqrt() + std::f64::consts::PI.sqrt() * half;
            2.0 * grown * grown
        })
        .collect();
    let all = |of: &dyn Fn(usize) -> f64| of_class.iter().zip(0..).map(|(&n, c)| n as f64 * of(c)).sum::<f64>() * SAFE;
    let area2 = all(&|c| used2[c]).floor() as i64;

    // Whatever piece a part comes from, it takes at least so much of it.
    let kinds = kinds(problem);
    let mut weight = vec![f64::INFINITY; problem.classes.len()];
    let mut by_area = vec![f64::INFINITY; problem.classes.len()];
    let many = kinds.len() > KINDS_MOST;
    for (&kind, prices) in &kinds {
        let weights = weights(problem, kind, &of_class, &used2, many);
        let kind2 = problem.kinds[kind].shape.area2() as f64;
        for (c, w) in weights.into_iter().enumerate().filter(|(_, w)| w.is_finite()) {
            weight[c] = weight[c].min(w);
            by_area[c] = by_area[c].min(prices.by_area * used2[c] / kind2);
        }
    }
    // A part that no piece holds cannot be placed at all: it bounds nothing.
    for w in weight.iter_mut().chain(&mut by_area).filter(|w| !w.is_finite()) {
        *w = 0.0;
    }
    let pieces = (all(&|c| weight[c]) - 1e-9).ceil().max(0.0);
    let begun = kinds.values().map(|p| p.begun).fold(f64::INFINITY, f64::min);
    let begun = if begun.is_finite() { begun } else { 0.0 };
    let price = (pieces * begun + all(&|c| by_area[c])).floor() as i64;
    Least { area2, pieces: pieces as usize, price }
}

/// What a piece costs: for being begun, and, all of its area used up, beyond that.
#[derive(Clone, Copy)]
struct Prices {
    begun: f64,
    by_area: f64,
}

/// The kinds of pieces that may be used, at the lowest prices that any of them has.
fn kinds(problem: &Problem<'_>) -> HashMap<usize, Prices> {
    let mut kinds: HashMap<usize, Prices> = HashMap::new();
    for (stock, &kind) in problem.stock.iter().zip(&problem.kind_of).filter(|(s, _)| s.supply != Supply::Known) {
        let back = stock.price as f64 * f64::from(stock.leftover_percent.min(100)) / 100.0;
        let begun = stock.price as f64 - back;
        let prices = kinds.entry(kind).or_insert(Prices { begun, by_area: back });
        *prices = Prices { begun: prices.begun.min(begun), by_area: prices.by_area.min(back) };
    }
    kinds
}

/// For each class a weight, the weights of all parts on any piece of this kind being no more than 1; infinite where it
/// surely does not hold such a part. Of several ways to weigh, the one that makes all parts weigh most; `by_area`: the
/// share of the area.
fn weights(problem: &Problem<'_>, kind: usize, of_class: &[usize], used2: &[f64], by_area: bool) -> Vec<f64> {
    let shape = problem.kinds[kind].shape;
    let (lo, hi) = shape.bounds();
    let less = problem.between_um() - 2 * problem.rim_um();
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x) + less, i64::from(hi.y) - i64::from(lo.y) + less);
    let area2 = shape.area2() as f64;
    let sizes: Vec<Lies> = problem.classes.iter().map(|class| lies(problem, class, kind, (w, h))).collect();
    let impossible = |c: usize| used2[c] > area2 || matches!(&sizes[c], Lies::Upright(sizes) if sizes.is_empty());
    let total = |of: &[f64]| -> f64 { of.iter().zip(of_class).map(|(w, &n)| w * n as f64).sum() };
    let mut best: Vec<f64> = used2.iter().map(|a| a / area2).collect();
    let mut most = total(&best);
    let needed = |c: usize| of_class[c] > 0 && !impossible(c);
    let upright = |c: usize| match &sizes[c] {
        Lies::Upright(sizes) if needed(c) => sizes.as_slice(),
        _ => &[],
    };
    let sides = |of: fn(&(i64, i64)) -> i64| -> Vec<i64> {
        let mut sides: Vec<i64> = (0..sizes.len()).flat_map(upright).map(of).collect();
        sides.sort_unstable();
        sides.dedup();
        sides
    };
    let pairs = if by_area { Vec::new() } else { functions(&sides(|s| s.0), w) };
    for f in pairs {
        for g in functions(&sides(|s| s.1), h) {
            let weigh = |c: usize| {
                let least = upright(c).iter().map(|s| f.of(s.0, w) * g.of(s.1, h)).fold(f64::INFINITY, f64::min);
                if least.is_finite() { least } else { 0.0 }
            };
            let weights: Vec<f64> = (0..sizes.len()).map(weigh).collect();
            let total = total(&weights);
            if total > most {
                (best, most) = (weights, total);
            }
        }
    }
    best.iter().enumerate().map(|(c, &w)| if impossible(c) { f64::INFINITY } else { w }).collect()
}

/// How a part may lie.
enum Lies {
    /// As a rectangle along the sides of the piece, with these sizes, grown by what parts keep from each other.
    Upright(Vec<(i64, i64)>),
    Anyhow,
}

fn lies(problem: &Problem<'_>, class: &Class<'_>, kind: usize, (w, h): (i64, i64)) -> Lies {
    let turns = turns_on(class.turns, problem.kinds[kind].grain);
    let quarter = |from: i64| from % QUARTER_TURN_UDEG == 0;
    let Some((a, b)) = rectangle(class.shape) else { return Lies::Anyhow };
    if !turns.as_spans().iter().all(|s| s.width == 0 && quarter(s.from)) {
        return Lies::Anyhow;
    }
    let (a, b) = (a + problem.between_um(), b + problem.between_um());
    let mut sizes: Vec<(i64, i64)> = turns
        .as_spans()
        .iter()
        .map(|s| if s.from % (2 * QUARTER_TURN_UDEG) == 0 { (a, b) } else { (b, a) })
        .filter(|s| s.0 <= w && s.1 <= h)
        .collect();
    sizes.sort_unstable();
    sizes.dedup();
    Lies::Upright(sizes)
}

/// The sides of an upright rectangle.
fn rectangle(shape: &Shape) -> Option<(i64, i64)> {
    let (lo, hi) = shape.bounds();
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y));
    (shape.area2() == 2 * w * h).then_some((w, h))
}

/// A dual feasible function: of numbers that add up to no more than 1, the values add up to no more than 1 either. The
/// argument is a length as a share of a whole.
#[derive(Clone, Copy, Debug)]
enum Function {
    /// The number itself.
    Same,
    /// Rounded down to parts of a `k + 1`th, each then counting for a `k`th; what is whole stays.
    Rounded(i64),
    /// What leaves less than this beside it counts as all, what is less than it as nothing.
    Cut(i64),
    /// The same, and what lies between counts by how often this length goes into what it leaves.
    Counted(i64),
}

/// Thresholds of a function at most, and the greatest `k`.
const THRESHOLDS: usize = 10;
const ROUNDED_TO: i64 = 5;

fn functions(sides: &[i64], whole: i64) -> Vec<Function> {
    let mut functions = vec![Function::Same];
    functions.extend((1..=ROUNDED_TO).map(Function::Rounded));
    // Nothing changes but at a side, or at what it leaves.
    let mut at: Vec<i64> =
        sides.iter().flat_map(|&s| [s, whole - s + 1]).filter(|&e| e > 0 && e <= whole / 2).collect();
    at.sort_unstable();
    at.dedup();
    let stride = at.len().div_ceil(THRESHOLDS).max(1);
    functions.extend(at.iter().step_by(stride).flat_map(|&e| [Function::Cut(e), Function::Counted(e)]));
    functions
}

impl Function {
    /// The value for a length of at most `whole`.
    fn of(self, length: i64, whole: i64) -> f64 {
        let same = length as f64 / whole as f64;
        match self {
            Self::Same => same,
            Self::Rounded(k) => {
                let times = (k + 1) * length;
                if times % whole == 0 { same } else { (times / whole) as f64 / k as f64 }
            }
            Self::Cut(e) if length > whole - e => 1.0,
            Self::Cut(e) if length < e => 0.0,
            Self::Cut(_) => same,
            Self::Counted(e) => {
                let times = (whole / e) as f64;
                if 2 * length > whole {
                    1.0 - ((whole - length) / e) as f64 / times
                } else if length >= e {
                    1.0 / times
                } else {
                    0.0
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use sheetloft_shapes::Shape;

    use super::*;
    use crate::plan::{Options, Stock, Supply, Wanted};
    use crate::turns::Turns;

    /// The least for rectangles on sheets of 1000 × 1000 µm at 1000, with a leftover counting for so much percent.
    fn of(parts: &[(i64, i64)], turns: &Turns, leftover_percent: u32) -> Least {
        let sheet = Shape::rectangle(1_000, 1_000).unwrap();
        let shapes: Vec<Shape> = parts.iter().map(|&(w, h)| Shape::rectangle(w, h).unwrap()).collect();
        let wanted: Vec<Wanted<'_>> = shapes.iter().map(|s| Wanted::new(s, turns, false)).collect();
        let stock = [Stock {
            shape: &sheet,
            flaws: &[],
            grain: None,
            is_sheet: true,
            supply: Supply::ToBuy,
            price: 1_000,
            leftover_percent,
            age: 0,
            lot: 0,
        }];
        let options = Options::default();
        least(&Problem::new(&wanted, &stock, &options), |_| true)
    }

    #[test]
    fn functions_say_more_than_the_area() {
        // No two of them lie on one sheet, for 2 × 501 > 1000; by area 26 of 100 would do.
        assert_eq!(of(&[(501, 501); 100], &Turns::quarter(), 0).pieces, 100);
        // Four to a sheet at the most, though nine times a third would be as much.
        assert_eq!(of(&[(334, 500); 12], &Turns::none(), 0).pieces, 3);
        assert_eq!(of(&[(334, 334); 12], &Turns::quarter(), 0).pieces, 3);
        // Beside 700 only up to 300 remains: 8 × (700 × 700) and 8 × (400 × 400), one each.
        let mut parts = vec![(700, 700); 8];
        parts.extend([(400, 400); 8]);
        assert_eq!(of(&parts, &Turns::quarter(), 0).pieces, 10);
        // Where any angle is allowed only the area counts.
        assert_eq!(of(&[(501, 501); 100], &Turns::any(), 0).pieces, 26);
    }

    #[test]
    fn each_piece_costs_at_least_what_a_leftover_does_not_bring_back() {
        let of = |percent| of(&[(501, 501); 10], &Turns::quarter(), percent).price;
        assert_eq!(of(0), 10_000);
        // Half of each price is gone when it is begun; of the rest 10 × 0.251001.
        assert_eq!(of(50), 6_255);
        assert_eq!(of(100), 2_510);
        assert_eq!(self::of(&[], &Turns::none(), 0), Least::default());
    }

    /// Cuts a rectangle up at random, by straight cuts from side to side.
    fn cut(w: i64, h: i64, cuts: &mut std::slice::Iter<'_, (bool, i64)>, out: &mut Vec<(i64, i64)>) {
        match cuts.next() {
            Some(&(upright, percent)) if w > 20 && h > 20 => {
                let at = |of: i64| (of * percent / 100).clamp(1, of - 1);
                let (a, b) = if upright { ((at(w), h), (w - at(w), h)) } else { ((w, at(h)), (w, h - at(h))) };
                cut(a.0, a.1, cuts, out);
                cut(b.0, b.1, cuts, out);
            }
            _ => out.push((w, h)),
        }
    }

    proptest! {
        #[test]
        fn what_was_cut_from_some_sheets_never_needs_more(
            cuts in prop::collection::vec(prop::collection::vec((proptest::bool::ANY, 5i64..95), 0..12), 1..6),
            lost in 0usize..8,
        ) {
            let mut parts = Vec::new();
            for cuts in &cuts {
                cut(1_000, 1_000, &mut cuts.iter(), &mut parts);
            }
            parts.truncate(parts.len().saturating_sub(lost).max(1));
            for turns in [Turns::none(), Turns::quarter()] {
                let least = of(&parts, &turns, 0);
                prop_assert!(least.pieces <= cuts.len(), "{} of {}", least.pieces, cuts.len());
                prop_assert!(least.price <= 1_000 * cuts.len() as i64);
            }
        }

        #[test]
        fn functions_are_dual_feasible(
            lengths in prop::collection::vec(1i64..600, 1..12), k in 1i64..6, e in 1i64..501,
        ) {
            // Numbers that add up to no more than the whole.
            let mut sum = 0;
            let fits = |l: &&i64| { sum += **l; sum <= 1_000 };
            let lengths: Vec<i64> = lengths.iter().take_while(fits).copied().collect();
            for f in [Function::Same, Function::Rounded(k), Function::Cut(e), Function::Counted(e)] {
                let total: f64 = lengths.iter().map(|&l| f.of(l, 1_000)).sum();
                prop_assert!(total <= 1.0 + 1e-12, "{f:?}: {lengths:?} {total}");
            }
        }
    }
}

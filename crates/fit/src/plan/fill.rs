//! Pieces filled one after another. Where `greedy` has each part choose a piece, here each piece takes what parts it
//! can, and the one whose parts cost least for their area is used: so several small offcuts, each for one part, give
//! way to one that all of them fill well.
//!
//! What a piece costs for its area only grows as parts get fewer, so it is worked out anew only where it matters (the
//! lazy form of the greedy rule: M. Minoux, "Accelerated greedy algorithms for maximizing submodular set functions",
//! Optimization Techniques, 1978; from memory).

use std::cmp::Reverse;

use sheetloft_shapes::Point;
use sheetloft_shapes::shape::bounds;

use super::problem::{DraftPiece, Problem};
use super::table::Table;
use super::{PlacedPart, Supply};
use crate::pack::Rng;
use crate::solve::Verdict;

/// By how much chance changes what a piece seems to cost, and how large a part seems, in percent.
const COST_NOISE_PERCENT: f64 = 15.0;
const SIZE_NOISE_PERCENT: f64 = 40.0;

/// Pieces that may be filled: `taken` of a stock are in use already.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate {
    pub stock: usize,
    pub taken: u32,
}

/// A piece with the parts that it would take, and what they cost there for their area.
struct Load {
    candidate: Candidate,
    parts: Vec<PlacedPart>,
    cost: f64,
}

/// All of the parts on some of the candidates; `None` where some found no place.
pub(super) fn fill(
    problem: &Problem<'_>,
    parts: &[usize],
    candidates: &[Candidate],
    rng: &mut Rng,
    go_on: &mut dyn FnMut() -> bool,
) -> Option<Vec<DraftPiece>> {
    let mut left = Left::new(problem, parts, rng);
    let mut loads: Vec<Load> = Vec::new();
    for &candidate in candidates {
        let noise = 1.0 + (rng.unit() - 0.5) * COST_NOISE_PERCENT / 50.0;
        loads.extend(left.load(problem, candidate).map(|l| Load { cost: l.cost * noise, ..l }));
        if !go_on() {
            return None;
        }
    }
    let mut filled = Vec::new();
    while !left.is_empty() {
        let best = (0..loads.len()).min_by(|&a, &b| loads[a].cost.total_cmp(&loads[b].cost))?;
        let Load { candidate, parts, cost } = loads.swap_remove(best);
        let next = if left.has(problem, &parts) {
            let parts = left.take(problem, parts);
            filled.push(DraftPiece { stock: candidate.stock, copy: candidate.taken, parts });
            let any_number = problem.stock[candidate.stock].supply == Supply::ToBuy;
            any_number.then_some(Candidate { taken: candidate.taken + 1, ..candidate })
        } else {
            Some(candidate)
        };
        let load = next.and_then(|next| left.load(problem, next));
        loads.extend(load.map(|l| Load { cost: l.cost.max(cost), ..l }));
        if !go_on() {
            return None;
        }
    }
    Some(filled)
}

/// Parts that have no place yet.
struct Left {
    /// By class.
    of_class: Vec<Vec<usize>>,
    /// Classes in the order in which they are put down: large ones rather first.
    order: Vec<usize>,
}

impl Left {
    fn new(problem: &Problem<'_>, parts: &[usize], rng: &mut Rng) -> Self {
        let mut of_class: Vec<Vec<usize>> = vec![Vec::new(); problem.classes.len()];
        parts.iter().for_each(|&i| of_class[problem.class_of[i]].push(i));
        let mut order: Vec<(Reverse<u64>, usize)> = (0..of_class.len())
            .filter(|&c| !of_class[c].is_empty())
            .map(|c| {
                let noise = 1.0 + (rng.unit() - 0.5) * SIZE_NOISE_PERCENT / 50.0;
                (Reverse((problem.classes[c].shape.area2() as f64 * noise) as u64), c)
            })
            .collect();
        order.sort_unstable();
        Self { of_class, order: order.into_iter().map(|o| o.1).collect() }
    }

    fn is_empty(&self) -> bool {
        self.of_class.iter().all(Vec::is_empty)
    }

    /// Whether there are still as many of each class as these.
    fn has(&self, problem: &Problem<'_>, parts: &[PlacedPart]) -> bool {
        let mut needed = vec![0; self.of_class.len()];
        parts.iter().for_each(|p| needed[problem.class_of[p.wanted]] += 1);
        needed.iter().zip(&self.of_class).all(|(&n, there)| n <= there.len())
    }

    /// Takes so many of each class, in the places given.
    fn take(&mut self, problem: &Problem<'_>, mut parts: Vec<PlacedPart>) -> Vec<PlacedPart> {
        for part in &mut parts {
            let there = &mut self.of_class[problem.class_of[part.wanted]];
            part.wanted = there.pop().unwrap_or(part.wanted);
        }
        parts
    }

    /// What a piece would take; `None` where that is nothing.
    fn load(&self, problem: &Problem<'_>, candidate: Candidate) -> Option<Load> {
        let kind = problem.kind_of[candidate.stock];
        let piece = &problem.kinds[kind];
        let mut table = Table::new(problem, kind);
        for &class in &self.order {
            if piece.rules_out(&problem.classes[class], problem.rim_um()) {
                continue;
            }
            for &wanted in &self.of_class[class] {
                let found = table.quick(class).or_else(|| match piece.known(class) {
                    Some(Verdict::Fits { placement, .. }) if table.parts.is_empty() => Some(placement),
                    _ => None,
                });
                let Some(placement) = found else { break };
                table.put(PlacedPart { wanted, placement });
            }
        }
        let parts = table.parts;
        if parts.is_empty() {
            return None;
        }
        let area2: i64 = parts.iter().map(|p| problem.wanted[p.wanted].shape.area2()).sum();
        let stock = &problem.stock[candidate.stock];
        let back = beyond2(problem, candidate.stock, &parts) as f64 / stock.shape.area2() as f64;
        let back = back * f64::from(problem.weighed_percent(candidate.stock)) / 100.0;
        let cost = problem.weighed_price(candidate.stock) as f64 * (1.0 - back) / area2 as f64;
        Some(Load { candidate, parts, cost })
    }
}

/// Twice the area of the piece's box beyond the parts' box, on the side where most is left and where that is worth
/// keeping, as far as the piece is as full as its box: a quick look at what will be left.
fn beyond2(problem: &Problem<'_>, stock: usize, parts: &[PlacedPart]) -> i64 {
    let shape = problem.stock[stock].shape;
    let (lo, hi) = shape.bounds();
    let placed = parts.iter().filter_map(|p| problem.wanted[p.wanted].shape.placed(&p.placement).ok());
    let corners: Vec<Point> = placed.flat_map(|s| <[Point; 2]>::from(s.bounds())).collect();
    let (from, to) = bounds(&corners);
    let span = |a: i32, b: i32| (i64::from(b) - i64::from(a) - problem.options.kerf_um.max(0)).max(0);
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y));
    let worth = |(a, b): (i64, i64)| if problem.options.keep.is_met_by(a, b) { a * b } else { 0 };
    let strips = [(span(lo.x, from.x), h), (span(to.x, hi.x), h), (w, span(lo.y, from.y)), (w, span(to.y, hi.y))];
    let most = strips.into_iter().map(worth).max().unwrap_or(0);
    (most as f64 * shape.area2() as f64 / (w * h).max(1) as f64) as i64
}

//! Discs inside a shape: the largest one, and a few dozen that together stand for the shape.

use std::collections::BinaryHeap;

use crate::field::Field;
use crate::num::V;
use crate::squares::{Square, Squares};

/// A disc.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Disc {
    pub c: V,
    pub r: f64,
}

/// Places tried along each edge, as shares of its length; of many edges only the first.
const ALONG: [f64; 3] = [0.5, 0.2, 0.8];
/// Edges from which discs are grown at each of the places; and at all, about.
const EDGES: (usize, usize) = (40, 120);
/// Halvings of the range of a disc's radius.
const HALVINGS: usize = 12;

/// Squares that the search for the largest disc splits at most.
const SQUARES: usize = 2_000;

/// The largest disc on the free side within the field's bounds, to within `precision` or so many squares: where it
/// lies, and the radius that no disc exceeds.
pub(crate) fn largest(field: &Field, precision: f64) -> (Disc, f64) {
    largest_up_to(field, precision, f64::INFINITY)
}

/// The same where it is known that no disc has a radius above `limit`: what comes near it is not improved upon.
/// That saves the long way along a bar, where all middle points are as good.
pub(crate) fn largest_up_to(field: &Field, precision: f64, limit: f64) -> (Disc, f64) {
    let (lo, hi) = field.bounds();
    let mut best = Disc { c: (lo + hi) * 0.5, r: f64::NEG_INFINITY };
    // Squares by the most that any point in them can have; the first of the list is split.
    let mut open: BinaryHeap<Most> = BinaryHeap::new();
    let mut squares = Squares::new(field);
    let put = |square: Square, best: &mut Disc, open: &mut BinaryHeap<Most>| {
        if square.here > best.r {
            *best = Disc { c: square.c, r: square.here };
        }
        let most = square.here + square.reach();
        if most > best.r + precision {
            open.push(Most { most, square });
        }
    };
    for square in squares.first() {
        put(square, &mut best, &mut open);
    }
    let mut most = f64::INFINITY;
    for _ in 0..SQUARES {
        let Some(next) = open.pop() else { break };
        most = next.most;
        if most <= best.r + precision || limit <= best.r + precision {
            break;
        }
        for quarter in squares.quarters(&next.square) {
            put(quarter, &mut best, &mut open);
        }
    }
    // What is still open has no more than the last square looked at; what is not has no more than the best.
    most = if open.is_empty() { best.r + precision } else { most.max(best.r + precision) };
    (best, most.min(limit.max(best.r)))
}

/// A square of centres, ordered by the largest radius possible in it.
struct Most {
    most: f64,
    square: Square,
}

impl PartialEq for Most {
    fn eq(&self, o: &Self) -> bool {
        self.cmp(o).is_eq()
    }
}
impl Eq for Most {}
impl PartialOrd for Most {
    fn partial_cmp(&self, o: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(o))
    }
}
impl Ord for Most {
    fn cmp(&self, o: &Self) -> std::cmp::Ordering {
        let (a, b) = (self.square.c, o.square.c);
        self.most.total_cmp(&o.most).then_with(|| b.x.total_cmp(&a.x)).then_with(|| b.y.total_cmp(&a.y))
    }
}

/// Up to `count` discs on the free side, `first` leading: each next one is that which sticks out most from those
/// chosen before. Grown from the edges inwards until they touch the far side (discs of the medial axis).
pub(crate) fn standing_for(field: &Field, first: Disc, count: usize) -> Vec<Disc> {
    let step = field.edges().len().div_ceil(EDGES.1).max(1);
    let places = if field.edges().len() <= EDGES.0 { ALONG.len() } else { 1 };
    let mut grown: Vec<(Disc, f64)> = Vec::new();
    for edge in field.edges().iter().step_by(step) {
        for share in &ALONG[..places] {
            let foot = edge.a + edge.u * (edge.len * share);
            let normal = edge.normal();
            let (mut lo, mut hi) = (0.0, first.r * 1.01 + 1.0);
            for _ in 0..HALVINGS {
                let r = (lo + hi) / 2.0;
                if field.exceeds(foot + normal * r, r * 0.999_999 - 1e-3) {
                    lo = r;
                } else {
                    hi = r;
                }
            }
            let c = foot + normal * lo;
            let r = field.slack(c).min(lo);
            if r > 0.0 {
                grown.push((Disc { c, r }, f64::INFINITY));
            }
        }
    }
    let mut chosen = vec![first];
    while chosen.len() < count {
        let last = chosen[chosen.len() - 1];
        let mut best: Option<(f64, Disc)> = None;
        for (disc, out) in &mut grown {
            *out = out.min((disc.c - last.c).norm() + disc.r - last.r);
            if best.is_none_or(|b| *out > b.0) {
                best = Some((*out, *disc));
            }
        }
        match best {
            Some((out, disc)) if out > first.r * 0.02 => chosen.push(disc),
            _ => break,
        }
    }
    chosen
}

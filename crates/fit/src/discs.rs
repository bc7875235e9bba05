//! Discs inside a shape: the largest one, and a few dozen that together stand for the shape.

use crate::field::Field;
use crate::num::{V, v};

/// A disc.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Disc {
    pub c: V,
    pub r: f64,
}

/// Places tried along each edge, as shares of its length.
const ALONG: [f64; 3] = [0.5, 0.2, 0.8];
/// Most edges from which discs are grown.
const EDGES: usize = 300;

/// The largest disc on the free side within the field's bounds, to within `precision` or 2 000 squares: where it
/// lies, and the radius that no disc exceeds.
pub(crate) fn largest(field: &Field, precision: f64) -> (Disc, f64) {
    let (lo, hi) = field.bounds();
    let half = ((hi.x - lo.x).max(hi.y - lo.y) / 2.0).max(1.0);
    let centre = (lo + hi) * 0.5;
    let mut best = Disc { c: centre, r: f64::NEG_INFINITY };
    // Squares by the most that any point in them can have; the first of the list is split.
    let mut open: std::collections::BinaryHeap<Square> = std::collections::BinaryHeap::new();
    let mut put = |c: V, half: f64, open: &mut std::collections::BinaryHeap<Square>| {
        let here = field.slack(c);
        if here > best.r {
            best = Disc { c, r: here };
        }
        let most = here + half * std::f64::consts::SQRT_2;
        if most > best.r + precision {
            open.push(Square { most, c, half });
        }
        best
    };
    let mut disc = put(centre, half, &mut open);
    let mut most = disc.r + precision;
    for _ in 0..2_000 {
        let Some(square) = open.pop() else { break };
        if square.most <= disc.r + precision {
            open.clear();
            break;
        }
        let h = square.half / 2.0;
        for (sx, sy) in [(-h, -h), (h, -h), (-h, h), (h, h)] {
            disc = put(square.c + v(sx, sy), h, &mut open);
        }
    }
    most = most.max(disc.r + precision);
    if let Some(square) = open.pop() {
        most = most.max(square.most);
    }
    (disc, most)
}

/// A square region of centres, ordered by the largest radius possible in it.
struct Square {
    most: f64,
    c: V,
    half: f64,
}

impl PartialEq for Square {
    fn eq(&self, o: &Self) -> bool {
        self.cmp(o).is_eq()
    }
}
impl Eq for Square {}
impl PartialOrd for Square {
    fn partial_cmp(&self, o: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(o))
    }
}
impl Ord for Square {
    fn cmp(&self, o: &Self) -> std::cmp::Ordering {
        self.most.total_cmp(&o.most).then_with(|| o.c.x.total_cmp(&self.c.x)).then_with(|| o.c.y.total_cmp(&self.c.y))
    }
}

/// Up to `count` discs on the free side, `first` leading: each next one is that which sticks out most from those
/// chosen before. Grown from the edges inwards until they touch the far side (discs of the medial axis).
pub(crate) fn standing_for(field: &Field, first: Disc, count: usize) -> Vec<Disc> {
    let step = field.edges().len().div_ceil(EDGES).max(1);
    let mut grown: Vec<(Disc, f64)> = Vec::new();
    for edge in field.edges().iter().step_by(step) {
        for share in ALONG {
            let foot = edge.a + edge.u * (edge.len * share);
            let normal = edge.normal();
            let (mut lo, mut hi) = (0.0, first.r * 1.01 + 1.0);
            for _ in 0..18 {
                let r = (lo + hi) / 2.0;
                if field.slack(foot + normal * r) >= r * 0.999_999 - 1e-3 {
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

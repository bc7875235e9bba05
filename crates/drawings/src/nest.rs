//! Which closed contours lie in which, which cross, and which are drawn twice.

use std::cell::{Cell, OnceCell};

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};
use sheetloft_shapes::limits;

use crate::DrawingError;
use crate::curve::{Bounds, P, Path, area2, cross, distance, distance_to_segment, lerp, sub};

/// Chords for telling contours apart stay this near to the curves, µm.
const NEAR_UM: f64 = 10.0;
/// Contours that reach into each other less than this only touch, µm.
const TOUCH_UM: f64 = 20.0;
/// Lines this near meet, µm.
const MEET_UM: f64 = 2.0;
/// Contours this near all along are the same: nobody cuts a strip of the width of two chords, µm.
const SAME_UM: f64 = 50.0;

/// What was found about each contour, in their order.
pub(crate) struct Nest {
    /// The contour right around each.
    pub(crate) parent: Vec<Option<usize>>,
    /// How many contours are around each.
    pub(crate) depth: Vec<usize>,
    /// Where each crosses another, µm.
    pub(crate) crossed: Vec<Option<P>>,
    /// Those that are drawn on top of an earlier one.
    pub(crate) twice: Vec<bool>,
}

/// Finds out about closed paths in µm.
///
/// # Errors
/// Where there are too many pairs to look at.
pub(crate) fn nest(paths: &[Path]) -> Result<Nest, DrawingError> {
    let rings: Vec<Flat> = paths.iter().map(Flat::new).collect();
    let boxes = RTree::bulk_load(
        rings
            .iter()
            .enumerate()
            .map(|(i, r)| GeomWithData::new(Rectangle::from_corners(r.bounds.lo, r.bounds.hi), i))
            .collect(),
    );
    let budget = Budget::new();
    let n = rings.len();
    let mut nest = Nest { parent: vec![None; n], depth: vec![0; n], crossed: vec![None; n], twice: vec![false; n] };
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&a, &b| rings[b].area.total_cmp(&rings[a].area).then(a.cmp(&b)));
    for &i in &order {
        let ring = &rings[i];
        let envelope = AABB::from_corners(ring.bounds.lo, ring.bounds.hi);
        let mut around: Vec<usize> = Vec::new();
        for other in boxes.locate_in_envelope_intersecting(&envelope) {
            budget.spend(1)?;
            let j = other.data;
            // Each pair once, from the later and smaller one.
            let is_before = (rings[j].area, i) > (ring.area, j) && j != i;
            if !is_before || nest.twice[j] {
                continue;
            }
            if ring.same(&rings[j], &budget)? {
                // The one drawn first stays.
                nest.twice[i.max(j)] = true;
                if i > j {
                    break;
                }
                continue;
            }
            if let Some(at) = ring.crosses(&rings[j], &budget)? {
                nest.crossed[i].get_or_insert(at);
                nest.crossed[j].get_or_insert(at);
            }
            if rings[j].holds_box(ring) {
                around.push(j);
            }
        }
        if nest.twice[i] {
            continue;
        }
        around.retain(|&j| !nest.twice[j]);
        around.sort_by(|&a, &b| rings[a].area.total_cmp(&rings[b].area).then(b.cmp(&a)));
        for j in around {
            if rings[j].contains(ring.inner, &budget)? {
                nest.parent[i] = Some(j);
                nest.depth[i] = nest.depth[j] + 1;
                break;
            }
        }
    }
    Ok(nest)
}

/// How many more pairs may be looked at.
pub(crate) struct Budget(Cell<usize>);

impl Budget {
    pub(crate) fn new() -> Self {
        Self(Cell::new(limits::DRAWING_PAIRS))
    }

    pub(crate) fn spend(&self, n: usize) -> Result<(), DrawingError> {
        let left = self.0.get().checked_sub(n);
        self.0.set(left.unwrap_or(0));
        left.map(|_| ()).ok_or(DrawingError::TooInvolved)
    }

    pub(crate) fn is_spent(&self) -> bool {
        self.0.get() == 0
    }
}

type Edge = GeomWithData<Rectangle<P>, usize>;

/// A contour as a polygon.
struct Flat {
    corners: Vec<P>,
    bounds: Bounds,
    area: f64,
    /// A point inside it.
    inner: P,
    edges: OnceCell<RTree<Edge>>,
}

impl Flat {
    fn new(path: &Path) -> Self {
        let mut corners = Vec::new();
        for piece in path.pieces() {
            // The same stroke gives the same corners, whichever way it is drawn.
            let (a, b) = (piece.from, piece.to());
            if (a[0], a[1]) <= (b[0], b[1]) {
                piece.chords(NEAR_UM, &mut |p| corners.push(p));
            } else {
                let first = corners.len();
                piece.reversed().chords(NEAR_UM, &mut |p| corners.push(p));
                corners.pop();
                corners[first..].reverse();
                corners.push(b);
            }
        }
        let mut bounds = Bounds::of(path.start);
        corners.iter().for_each(|p| bounds.add(*p));
        let area = area2(path).abs() / 2.0;
        let inner = inner_point(&corners, &bounds);
        Self { corners, bounds, area, inner, edges: OnceCell::new() }
    }

    fn edge(&self, i: usize) -> (P, P) {
        (self.corners[i], self.corners[if i + 1 == self.corners.len() { 0 } else { i + 1 }])
    }

    fn tree(&self) -> &RTree<Edge> {
        self.edges.get_or_init(|| {
            RTree::bulk_load(
                (0..self.corners.len())
                    .map(|i| {
                        let (a, b) = self.edge(i);
                        GeomWithData::new(Rectangle::from_corners(a, b), i)
                    })
                    .collect(),
            )
        })
    }

    fn holds_box(&self, other: &Self) -> bool {
        (0..2).all(|k| {
            self.bounds.lo[k] <= other.bounds.lo[k] + TOUCH_UM && self.bounds.hi[k] >= other.bounds.hi[k] - TOUCH_UM
        })
    }

    /// Whether a point lies inside, by the edges to the right of it.
    fn contains(&self, p: P, budget: &Budget) -> Result<bool, DrawingError> {
        let ray = AABB::from_corners(p, [f64::max(self.bounds.hi[0], p[0]), p[1]]);
        let mut inside = false;
        for edge in self.tree().locate_in_envelope_intersecting(&ray) {
            budget.spend(1)?;
            let (a, b) = self.edge(edge.data);
            if (a[1] > p[1]) != (b[1] > p[1]) {
                let x = a[0] + (b[0] - a[0]) * ((p[1] - a[1]) / (b[1] - a[1]));
                inside ^= x > p[0];
            }
        }
        Ok(inside)
    }

    /// Distance of a point from the boundary, where that is no more than `most`; else something larger.
    fn distance(&self, p: P, most: f64) -> f64 {
        let near = AABB::from_corners([p[0] - most, p[1] - most], [p[0] + most, p[1] + most]);
        self.tree()
            .locate_in_envelope_intersecting(&near)
            .map(|e| {
                let (a, b) = self.edge(e.data);
                distance_to_segment(p, a, b)
            })
            .fold(f64::MAX, f64::min)
    }

    /// Whether both are the same contour, wherever they start.
    fn same(&self, other: &Self, budget: &Budget) -> Result<bool, DrawingError> {
        let near = distance(self.bounds.lo, other.bounds.lo).max(distance(self.bounds.hi, other.bounds.hi)) <= SAME_UM;
        let reach = distance(self.bounds.lo, self.bounds.hi);
        if !near || (self.area - other.area).abs() > 4.0 * SAME_UM * (reach + SAME_UM) {
            return Ok(false);
        }
        budget.spend(self.corners.len() + other.corners.len())?;
        // Corners on curves of one may lie beside chords of the other.
        let most = NEAR_UM + SAME_UM;
        let close = |a: &Self, b: &Self| a.corners.iter().all(|p| b.distance(*p, most) <= most);
        Ok(close(self, other) && close(other, self))
    }

    /// Where both cross, if they reach into each other further than touching does.
    fn crosses(&self, other: &Self, budget: &Budget) -> Result<Option<P>, DrawingError> {
        let (few, many) = if self.corners.len() <= other.corners.len() { (self, other) } else { (other, self) };
        let mut grazed = None;
        let all = AABB::from_corners(few.bounds.lo, few.bounds.hi);
        if many.tree().locate_in_envelope_intersecting(&all).next().is_none() {
            return Ok(None);
        }
        for i in 0..few.corners.len() {
            let (a, b) = few.edge(i);
            let reach = AABB::from_corners(
                [a[0].min(b[0]) - MEET_UM, a[1].min(b[1]) - MEET_UM],
                [a[0].max(b[0]) + MEET_UM, a[1].max(b[1]) + MEET_UM],
            );
            budget.spend(1)?;
            for edge in many.tree().locate_in_envelope_intersecting(&reach) {
                budget.spend(1)?;
                let (c, d) = many.edge(edge.data);
                let off = [(a, c, d), (b, c, d), (c, a, b), (d, a, b)].map(|(p, q, r)| distance_to_segment(p, q, r));
                let least = off.into_iter().fold(f64::MAX, f64::min);
                match crossing(a, b, c, d) {
                    Some(at) if least > TOUCH_UM => return Ok(Some(at)),
                    Some(at) => grazed = Some(at),
                    None if least <= MEET_UM => {
                        let near = [a, b, c, d].into_iter().zip(off).min_by(|x, y| x.1.total_cmp(&y.1));
                        grazed = grazed.or(near.map(|n| n.0));
                    }
                    None => {}
                }
            }
        }
        let Some(at) = grazed else { return Ok(None) };
        Ok((few.is_astride(many, budget)? || many.is_astride(few, budget)?).then_some(at))
    }

    /// Whether some of this contour lies inside the other for good, and some outside.
    fn is_astride(&self, other: &Self, budget: &Budget) -> Result<bool, DrawingError> {
        let (mut inside, mut outside) = (false, false);
        for i in 0..self.corners.len() {
            let (a, b) = self.edge(i);
            for p in [a, lerp(a, b, 0.5)] {
                budget.spend(1)?;
                if other.distance(p, TOUCH_UM) > TOUCH_UM {
                    let within = other.contains(p, budget)?;
                    inside |= within;
                    outside |= !within;
                }
            }
            if inside && outside {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// Where two straight lines cross between their ends.
pub(crate) fn crossing(a: P, b: P, c: P, d: P) -> Option<P> {
    let (ab, cd) = (sub(b, a), sub(d, c));
    let (c_side, d_side) = (cross(ab, sub(c, a)), cross(ab, sub(d, a)));
    let (a_side, b_side) = (cross(cd, sub(a, c)), cross(cd, sub(b, c)));
    let apart = (c_side > 0.0 && d_side < 0.0) || (c_side < 0.0 && d_side > 0.0);
    let across = (a_side > 0.0 && b_side < 0.0) || (a_side < 0.0 && b_side > 0.0);
    (apart && across).then(|| lerp(c, d, c_side / (c_side - d_side)))
}

/// A point well inside a polygon: in the middle of the widest stretch of a level line.
fn inner_point(corners: &[P], bounds: &Bounds) -> P {
    let mut best = (0.0, lerp(bounds.lo, bounds.hi, 0.5));
    for part in [0.5, 0.382, 0.618, 0.271, 0.729] {
        let y = bounds.lo[1] + (bounds.hi[1] - bounds.lo[1]) * part;
        let mut xs = Vec::new();
        for (i, a) in corners.iter().enumerate() {
            let b = corners[if i + 1 == corners.len() { 0 } else { i + 1 }];
            if (a[1] > y) != (b[1] > y) {
                xs.push(a[0] + (b[0] - a[0]) * ((y - a[1]) / (b[1] - a[1])));
            }
        }
        xs.sort_by(f64::total_cmp);
        for pair in xs.chunks_exact(2) {
            if pair[1] - pair[0] > best.0 {
                best = (pair[1] - pair[0], [0.5 * (pair[0] + pair[1]), y]);
            }
        }
    }
    best.1
}

//! Exact answers about two shapes as they lie: inside, apart, crossing, and how far their rims are apart.
//!
//! Every comparison is made on whole numbers (products in `i64`, squared distances in `i128`), edge to edge, on
//! the coordinates as stored; no offset outline takes part. These are the tests that stand behind every
//! placement that is reported.
//!
//! Two shapes with connected insides: if no edge of `b` enters the inside of `a`, then the inside of `a` lies
//! wholly inside `b` or wholly outside it, and one look at one corner tells which. Whether an edge enters is
//! decided where it crosses an edge, and at the corners of either that lie on the other.

use crate::rim::{Rim, RimEdge};
use crate::shape::{Point, Shape, Side, orient};

/// How one shape lies to another.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Relation {
    /// The first lies inside the second; their rims may touch.
    Inside,
    /// Their insides have no point in common; their rims may touch. One may lie in a hole of the other.
    Apart,
    /// Anything else: rims that cross, or the second inside the first.
    Crossing,
}

impl Rim {
    /// How the shape of this rim lies to the shape of another; exact.
    pub fn relation(&self, other: &Rim) -> Relation {
        let entered = other.any_pair(self, |gap2| gap2 == 0, enters)
            || other.ring_starts().any(|p| self.side_of(p) == Side::Inside);
        if entered {
            Relation::Crossing
        } else if self.starts_inside(other) {
            Relation::Inside
        } else {
            Relation::Apart
        }
    }

    /// Whether this shape lies inside the other and its rim keeps at least `min_um` from every ring of it.
    /// 0 allows touching.
    pub fn inside_by(&self, piece: &Rim, min_um: i64) -> bool {
        !self.closer_than(piece, min_um) && self.relation(piece) == Relation::Inside
    }

    /// Whether the insides of the two have nothing in common and their rims keep at least `min_um` from each
    /// other. 0 allows touching; either may lie in a hole of the other.
    pub fn apart_by(&self, other: &Rim, min_um: i64) -> bool {
        !self.closer_than(other, min_um) && self.relation(other) == Relation::Apart
    }

    /// Whether the material next to this outline's first corner belongs to the other shape. Only meaningful
    /// where no edge of the other enters this shape.
    fn starts_inside(&self, other: &Rim) -> bool {
        let Some(corner) = self.ring_starts().next() else {
            return false;
        };
        match other.side_of(corner) {
            Side::Inside => true,
            Side::Outside => false,
            Side::Boundary => {
                let (Some(edge), Some(at)) = (self.edge_at(corner), other.edge_at(corner)) else {
                    return false;
                };
                // Just left of our first edge is our material. Is it theirs?
                if at.a == corner {
                    in_cone(corner, edge.b, at.b, at.before, true)
                } else {
                    let side = orient(at.a, at.b, edge.b);
                    side > 0 || (side == 0 && same_direction((corner, edge.b), (at.a, at.b)))
                }
            }
        }
    }
}

/// Whether the part lies inside the piece and keeps at least `min_um` from its outline and every hole of it;
/// 0 allows touching. Build [`Rim`]s and use [`Rim::inside_by`] where one shape is asked about often.
pub fn inside_by(part: &Shape, piece: &Shape, min_um: i64) -> bool {
    boxes_allow_inside(part, piece) && Rim::new(part).inside_by(&Rim::new(piece), min_um)
}

/// Whether two shapes have no inside in common and their rims keep at least `min_um` from each other; either
/// may lie in a hole of the other; 0 allows touching.
pub fn apart_by(a: &Shape, b: &Shape, min_um: i64) -> bool {
    let min = min_um.max(0);
    if crate::rim::boxes_gap2(a.bounds(), b.bounds()) >= min.saturating_mul(min).max(1) {
        return true;
    }
    Rim::new(a).apart_by(&Rim::new(b), min_um)
}

/// What the part keeps from the piece's outline and holes, in whole µm rounded down; `None` where it does not
/// lie inside.
pub fn inside_spare_um(part: &Shape, piece: &Shape) -> Option<i64> {
    if !boxes_allow_inside(part, piece) {
        return None;
    }
    let (part, piece) = (Rim::new(part), Rim::new(piece));
    (part.relation(&piece) == Relation::Inside).then(|| part.distance_um(&piece))
}

/// How far two shapes are apart, in whole µm rounded down; `None` where their insides meet. Where one lies in
/// a hole of the other, what it keeps from that hole's rim.
pub fn apart_um(a: &Shape, b: &Shape) -> Option<i64> {
    let (a, b) = (Rim::new(a), Rim::new(b));
    (a.relation(&b) == Relation::Apart).then(|| a.distance_um(&b))
}

fn boxes_allow_inside(part: &Shape, piece: &Shape) -> bool {
    let ((plo, phi), (lo, hi)) = (part.bounds(), piece.bounds());
    plo.x >= lo.x && plo.y >= lo.y && phi.x <= hi.x && phi.y <= hi.y
}

/// Whether edge `e` enters the inside of the shape of which `f` is an edge, at a point of `f` (its end left
/// out: the next edge starts there).
fn enters(e: &RimEdge, f: &RimEdge) -> bool {
    let (from, to) = (orient(f.a, f.b, e.a), orient(f.a, f.b, e.b));
    let (start, end) = (orient(e.a, e.b, f.a), orient(e.a, e.b, f.b));
    // They cross between their ends.
    if from.signum() * to.signum() < 0 && start.signum() * end.signum() < 0 {
        return true;
    }
    // The corner at which f starts lies on e: does e leave it towards the inside, one way or the other?
    if start == 0 && e.holds(f.a) {
        return [e.a, e.b].into_iter().any(|to| to != f.a && in_cone(f.a, to, f.b, f.before, false));
    }
    // An end of e lies on f between its ends: does e come from the inside or go there?
    let between = |p: Point| p != f.a && p != f.b && f.holds(p);
    (from == 0 && between(e.a) && to > 0) || (to == 0 && between(e.b) && from > 0)
}

/// Whether the direction from corner `v` to `to` lies in the material at that corner: turning
/// counter-clockwise from the edge to `next` to the edge to `before`, ends left out. With `first`, the
/// direction of `next` counts as well: then it says whether what lies just left of `v → to` is material.
pub(crate) fn in_cone(v: Point, to: Point, next: Point, before: Point, first: bool) -> bool {
    // In the open angle of less than half a turn from a to b; its first leg counts on request.
    let between = |a: Point, b: Point, first: bool| {
        let from_a = orient(v, a, to);
        (from_a > 0 || (first && from_a == 0 && same_direction((v, a), (v, to)))) && orient(v, to, b) > 0
    };
    if orient(before, v, next) > 0 {
        between(next, before, first)
    } else {
        // A reflex corner: the material is what the angle outside leaves. That angle starts at `before`; its
        // first leg is outside in both readings, its last leg (`next`) only where `first` does not count it.
        !(between(before, next, true) || (!first && along(v, to, next)))
    }
}

/// Whether `v → to` points the same way as `v → leg`.
fn along(v: Point, to: Point, leg: Point) -> bool {
    orient(v, leg, to) == 0 && same_direction((v, leg), (v, to))
}

/// For segments on parallel lines: whether they point the same way.
pub(crate) fn same_direction((a, b): (Point, Point), (c, d): (Point, Point)) -> bool {
    let (ux, uy) = (i64::from(b.x) - i64::from(a.x), i64::from(b.y) - i64::from(a.y));
    let (vx, vy) = (i64::from(d.x) - i64::from(c.x), i64::from(d.y) - i64::from(c.y));
    ux * vx + uy * vy > 0
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::place::{Placement, Turn};
    use crate::samples;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    fn rect(x: i32, y: i32, w: i32, h: i32) -> Shape {
        Shape::new(vec![p(x, y), p(x + w, y), p(x + w, y + h), p(x, y + h)], vec![]).unwrap()
    }

    fn frame(x: i32, y: i32, side: i32, wall: i32) -> Shape {
        let hole = rect(x + wall, y + wall, side - 2 * wall, side - 2 * wall);
        Shape::new(rect(x, y, side, side).outline().to_vec(), vec![hole.outline().to_vec()]).unwrap()
    }

    fn relation(a: &Shape, b: &Shape) -> Relation {
        Rim::new(a).relation(&Rim::new(b))
    }

    #[test]
    fn touching_is_allowed_where_nothing_is_asked() {
        let piece = rect(0, 0, 100, 100);
        assert!(inside_by(&piece, &piece, 0));
        assert!(inside_by(&rect(0, 0, 50, 100), &piece, 0));
        assert!(!inside_by(&rect(0, 0, 50, 100), &piece, 1));
        assert!(!inside_by(&rect(-1, 0, 50, 100), &piece, 0));
        assert!(inside_by(&rect(10, 10, 80, 80), &piece, 10));
        assert!(!inside_by(&rect(10, 10, 80, 80), &piece, 11));
        assert_eq!(inside_spare_um(&rect(10, 12, 80, 80), &piece), Some(8));
        assert_eq!(inside_spare_um(&rect(30, 30, 80, 80), &piece), None);
    }

    #[test]
    fn a_part_may_lie_in_a_hole_but_not_in_its_place_twice() {
        let frame = frame(0, 0, 100, 20);
        assert_eq!(relation(&rect(20, 20, 60, 60), &frame), Relation::Apart);
        assert_eq!(relation(&frame, &rect(20, 20, 60, 60)), Relation::Apart);
        assert_eq!(relation(&frame, &frame), Relation::Inside);
        assert_eq!(relation(&rect(0, 0, 100, 100), &frame), Relation::Crossing);
        assert_eq!(relation(&frame, &rect(0, 0, 100, 100)), Relation::Inside);
        assert_eq!(apart_um(&rect(25, 30, 40, 40), &frame), Some(5));
        assert!(apart_by(&rect(25, 30, 40, 40), &frame, 5));
        assert!(!apart_by(&rect(25, 30, 40, 40), &frame, 6));
        // A hole of the piece in a hole of the part.
        let washer = self::frame(-50, -50, 200, 40);
        let holed = self::frame(-100, -100, 300, 120);
        assert_eq!(relation(&washer, &holed), Relation::Inside);
        // A hole of the piece in the part's material.
        let solid = rect(-50, -50, 200, 200);
        assert_eq!(relation(&solid, &holed), Relation::Crossing);
    }

    #[test]
    fn neighbours_that_share_edges_or_corners_are_apart() {
        let l = Shape::new(vec![p(0, 0), p(90, 0), p(90, 30), p(30, 30), p(30, 90), p(0, 90)], vec![]).unwrap();
        assert_eq!(relation(&rect(30, 30, 60, 60), &l), Relation::Apart);
        assert_eq!(relation(&l, &rect(30, 30, 60, 60)), Relation::Apart);
        assert_eq!(relation(&rect(90, 30, 10, 10), &l), Relation::Apart);
        assert_eq!(relation(&rect(0, 0, 90, 90), &l), Relation::Crossing);
        assert_eq!(relation(&l, &rect(0, 0, 90, 90)), Relation::Inside);
        // All corners of one on the rim of the other, once outside it, once across.
        let notch = Shape::new(vec![p(90, 30), p(30, 90), p(30, 30)], vec![]).unwrap();
        assert_eq!(relation(&notch, &l), Relation::Apart);
        let across = Shape::new(vec![p(0, 0), p(90, 0), p(0, 90)], vec![]).unwrap();
        assert_eq!(relation(&across, &l), Relation::Crossing);
    }

    #[test]
    fn distances_are_compared_exactly() {
        // Two parallel slanted lines, 3-4-5: exactly 5 000 apart, measured across the edges.
        let a = Shape::new(vec![p(0, 0), p(40_000, 30_000), p(30_000, 60_000)], vec![]).unwrap();
        let b = Shape::new(vec![p(3_000, -4_000), p(20_000, -40_000), p(43_000, 26_000)], vec![]).unwrap();
        assert_eq!(apart_um(&a, &b), Some(5_000));
        assert!(apart_by(&a, &b, 5_000) && !apart_by(&a, &b, 5_001));
        // One µm nearer in x is 0.6 µm nearer across.
        let moved = b.placed(&Placement { dx: -1, ..Placement::default() }).unwrap();
        assert_eq!(apart_um(&a, &moved), Some(4_999));
        assert!(!apart_by(&a, &moved, 5_000));
        // As far apart as shapes can be.
        let (near, far) = (rect(-20_000_000, -20_000_000, 9, 9), rect(19_999_991, 19_999_991, 9, 9));
        assert_eq!(apart_um(&near, &far), Some((2.0f64.sqrt() * 39_999_982.0) as i64));
    }

    #[test]
    fn ten_thousand_corners_are_compared_quickly() {
        let comb = samples::comb(2_400, 2_000, 2_000, 3_000_000, 1_000);
        let turned = comb.placed(&Placement { turn: Turn::new(180_000_000), ..Placement::default() }).unwrap();
        // The teeth of one between the teeth of the other, as far apart as possible: 0 at the sides.
        let (dx, dy) = (2_000 + 2_399 * 4_000 + 2_000, 3_000_000 + 2_000);
        let other = turned.placed(&Placement { dx, dy, ..Placement::default() }).unwrap();
        assert_eq!(apart_um(&comb, &other), Some(0));
        assert_eq!(relation(&comb, &other), Relation::Apart);
        let nearer = other.placed(&Placement { dx: -1, ..Placement::default() }).unwrap();
        assert_eq!(relation(&comb, &nearer), Relation::Crossing);
    }

    /// Shapes on a grid so small that two of them nearly always touch, share edges or corners, or coincide.
    fn on_small_grid() -> impl Strategy<Value = Shape> {
        let ring = |n| prop::collection::vec((0i32..6, 0i32..6), 3..n);
        (ring(9), ring(5), any::<bool>()).prop_filter_map("makes a shape", |(mut outer, hole, sorted)| {
            if sorted {
                // In order of angle about the middle: simple more often than not.
                outer.sort_by(|a, b| {
                    let angle = |c: &(i32, i32)| libm::atan2(f64::from(c.1) - 2.6, f64::from(c.0) - 2.7);
                    angle(a).total_cmp(&angle(b))
                });
            }
            let points = |v: &[(i32, i32)]| v.iter().map(|&c| c.into()).collect::<Vec<Point>>();
            let holed = Shape::new(points(&outer), vec![points(&hole)]);
            holed.or_else(|_| Shape::new(points(&outer), vec![])).ok()
        })
    }

    fn distance_by_brute_force(a: &Shape, b: &Shape) -> i64 {
        use geo::{Distance, Euclidean};
        let line =
            |(a, b): (Point, Point)| geo::Line::new((f64::from(a.x), f64::from(a.y)), (f64::from(b.x), f64::from(b.y)));
        let mut best = f64::INFINITY;
        for e in a.edges() {
            for f in b.edges() {
                best = best.min(Euclidean.distance(&line(e), &line(f)));
            }
        }
        (best + 1e-6).floor() as i64
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(3_000))]

        #[test]
        fn relations_on_a_small_grid_agree_with_geo(a in on_small_grid(), b in on_small_grid()) {
            use geo::Relate;
            let matrix = samples::to_geo(&a).relate(&samples::to_geo(&b));
            let theirs = if matrix.is_coveredby() {
                Relation::Inside
            } else if matrix.matches("F********").unwrap() {
                Relation::Apart
            } else {
                Relation::Crossing
            };
            prop_assert_eq!(relation(&a, &b), theirs);
            prop_assert_eq!(apart_by(&a, &b, 0), theirs == Relation::Apart);
            prop_assert_eq!(inside_by(&a, &b, 0), theirs == Relation::Inside);
        }
    }

    proptest! {
        #[test]
        fn distances_agree_with_geo(a in samples::shape(), b in samples::shape(), dx in -400_000i32..400_000) {
            let b = b.placed(&Placement { dx, ..Placement::default() }).unwrap();
            let (ra, rb) = (Rim::new(&a), Rim::new(&b));
            let d = ra.distance_um(&rb);
            prop_assert_eq!(d, distance_by_brute_force(&a, &b));
            prop_assert!(!ra.closer_than(&rb, d) && ra.closer_than(&rb, d + 1));
        }

        #[test]
        fn sides_are_the_same_with_and_without_the_index(
            shape in samples::shape(), x in -300_000i32..300_000, y in -300_000i32..300_000,
        ) {
            let rim = Rim::new(&shape);
            let on = shape.edges().next().unwrap();
            for q in [p(x, y), shape.centroid(), on.0, p(on.0.x.midpoint(on.1.x), on.0.y.midpoint(on.1.y))] {
                prop_assert_eq!(rim.side_of(q), shape.side_of(q));
                let (distance, near) = rim.nearest([f64::from(q.x), f64::from(q.y)]);
                let to_near = (near[0] - f64::from(q.x)).hypot(near[1] - f64::from(q.y));
                prop_assert!((distance - to_near).abs() < 1e-6);
                prop_assert_eq!(distance < 1e-9, shape.side_of(q) == Side::Boundary);
            }
        }
    }
}

//! Shapes grown and shrunk by a distance, with round or square corners.
//!
//! Along each edge a strip of the asked width is laid, at each corner it ends in tips outside the circle;
//! growing adds these to the shape, shrinking takes them off. Both err to the same side: a grown shape covers
//! what it should, a shrunk one lies within what it should; [`Corners`] says how much they differ from it.
//! Upright edges are moved exactly. Where strips cross, the result is rounded to the grid and may miss its promise by
//! 2 µm; so no clearance is ever decided by an offset outline, but by [`crate::clear`].

use crate::boolean::{BooleanError, difference_of_rings, union_of_rings};
use crate::shape::{Point, Ring, Shape, orient, ring_area2};

/// How far round corners may stand out beyond the circle, µm; and by what rounding outwards adds, less than 3.
pub const EXCESS_UM: f64 = 10.0;

/// What becomes of a corner that is moved outwards.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Corners {
    /// Follows the circle, at most [`EXCESS_UM`] outside it.
    Round,
    /// A tip for each quarter turn or less: right angles stay right angles. Stands out by up to 0.42 of the
    /// distance, at corners only.
    Square,
}

/// All that lies in the shape or within `by_um` of it. `by_um` of 0 or less gives the shape as it is. Mostly
/// one shape; two where parts of it hang together in a point.
///
/// # Errors
/// [`BooleanError`], also where the result would reach past the limit of coordinates.
pub fn grown(shape: &Shape, by_um: i64, corners: Corners) -> Result<Vec<Shape>, BooleanError> {
    if by_um <= 0 {
        return Ok(vec![shape.clone()]);
    }
    let mut rings: Vec<Ring> = shape.rings().map(<[Point]>::to_vec).collect();
    rings.extend(band(shape, by_um, Across::Outwards, corners)?);
    union_of_rings(&rings)
}

/// All that lies in the shape and further than `by_um` from its rim. `by_um` of 0 or less gives the shape as it
/// is. Nothing, one shape or several.
///
/// # Errors
/// [`BooleanError`].
pub fn shrunk(shape: &Shape, by_um: i64, corners: Corners) -> Result<Vec<Shape>, BooleanError> {
    if by_um <= 0 {
        return Ok(vec![shape.clone()]);
    }
    difference_of_rings(shape, &band(shape, by_um, Across::Inwards, corners)?)
}

#[derive(Clone, Copy, PartialEq)]
enum Across {
    Outwards,
    Inwards,
}

/// Strips along the edges on one side of the rim, from tip to tip at the corners that open to that side, and fans
/// where a corner has several tips; each counter-clockwise.
fn band(shape: &Shape, by_um: i64, across: Across, corners: Corners) -> Result<Vec<Ring>, BooleanError> {
    // Past this a result could not be a shape anyway.
    let by = by_um.min(crate::limits::COORDINATE_UM) as f64;
    // The turn that one tip of a corner takes; for square corners a hair more than a quarter.
    let step = match corners {
        Corners::Round => 2.0 * libm::acos(by / (by + EXCESS_UM)),
        Corners::Square => std::f64::consts::FRAC_PI_2 + 1e-6,
    };
    let mut rings = Vec::with_capacity(2 * shape.corner_count());
    for ring in shape.rings() {
        let n = ring.len();
        let lines: Vec<Line> = (0..n).map(|i| Line::new(ring[i], ring[(i + 1) % n], by, across)).collect();
        // For each corner where the rim that is moved begins and ends: one point where one tip will do.
        let mut ends = Vec::with_capacity(n);
        for i in 0..n {
            let (corner, before, after) = (ring[i], &lines[(i + n - 1) % n], &lines[i]);
            let turn = orient(ring[(i + n - 1) % n], corner, ring[(i + 1) % n]);
            let open = if across == Across::Outwards { turn > 0 } else { turn < 0 };
            if !open {
                ends.push((before.foot(corner)?, after.foot(corner)?));
                continue;
            }
            let tips = tips(before, after, by, step)
                .into_iter()
                .map(|[x, y]| {
                    // Rounded away from the corner, but for what floating point adds to a whole number.
                    let out = |v: f64| (v.abs() - 1e-6).ceil().copysign(v);
                    moved(corner, out(x), out(y))
                })
                .collect::<Result<Ring, _>>()?;
            ends.push((tips[0], tips[tips.len() - 1]));
            if tips.len() > 1 {
                push(&mut rings, std::iter::once(corner).chain(tips).collect());
            }
        }
        for i in 0..n {
            let next = (i + 1) % n;
            push(&mut rings, vec![ring[i], ends[i].1, ends[next].0, ring[next]]);
        }
    }
    Ok(rings)
}

/// The line to which an edge is moved: `unit · p = by`, about either end of the edge.
struct Line {
    unit: [f64; 2],
    by: f64,
}

impl Line {
    fn new(a: Point, b: Point, by: f64, across: Across) -> Self {
        let (dx, dy) = (f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y));
        let length = libm::sqrt(dx * dx + dy * dy);
        // The material lies to the left.
        let unit = match across {
            Across::Outwards => [dy / length, -dx / length],
            Across::Inwards => [-dy / length, dx / length],
        };
        // Slanted edges: a µm more, so that rounding their ends takes nothing off.
        let upright = a.x == b.x || a.y == b.y;
        Self { unit, by: if upright { by } else { by + 1.0 } }
    }

    /// Where the perpendicular in an end of the edge meets the line.
    fn foot(&self, p: Point) -> Result<Point, BooleanError> {
        moved(p, self.unit[0] * self.by, self.unit[1] * self.by)
    }

    /// Where two lines meet.
    fn meets(&self, other: &Self) -> [f64; 2] {
        let [ax, ay] = self.unit;
        let [bx, by] = other.unit;
        let cross = ax * by - ay * bx;
        [(self.by * by - other.by * ay) / cross, (other.by * ax - self.by * bx) / cross]
    }
}

/// Corners of a rim outside the circle from one line to the next, relative to the corner about which they turn.
fn tips(before: &Line, after: &Line, by: f64, step: f64) -> Vec<[f64; 2]> {
    let cross = before.unit[0] * after.unit[1] - before.unit[1] * after.unit[0];
    let dot = before.unit[0] * after.unit[0] + before.unit[1] * after.unit[1];
    let angle = libm::atan2(cross, dot);
    let count = (angle.abs() / step).ceil().max(1.0);
    let start = libm::atan2(before.unit[1], before.unit[0]);
    if count == 1.0 && angle.abs() < 0.1 {
        // Nearly straight, where lines at unlike distances would meet far off: the bisector will do.
        let (radius, at) = (before.by.max(after.by) / libm::cos(angle / 2.0), start + angle / 2.0);
        return vec![[radius * libm::cos(at), radius * libm::sin(at)]];
    }
    let between = (1..count as usize).map(|i| {
        let at = start + angle * i as f64 / count;
        Line { unit: [libm::cos(at), libm::sin(at)], by: by + 1.0 }
    });
    let lines: Vec<Line> = std::iter::once(Line { ..*before }).chain(between).chain([Line { ..*after }]).collect();
    lines.windows(2).map(|w| w[0].meets(&w[1])).collect()
}

fn moved(p: Point, dx: f64, dy: f64) -> Result<Point, BooleanError> {
    let within = |v: f64| v.abs() <= crate::limits::COORDINATE_UM as f64;
    let (x, y) = ((f64::from(p.x) + dx).round(), (f64::from(p.y) + dy).round());
    if within(x) && within(y) {
        Ok(Point::new(x as i32, y as i32))
    } else {
        Err(crate::shape::ShapeError::OutOfRange { ring: 0, corner: 0 }.into())
    }
}

/// Adds a ring, made to run counter-clockwise; without area, as between two points of a fine curve, it is left out.
fn push(rings: &mut Vec<Ring>, mut ring: Ring) {
    let area2 = ring_area2(&ring);
    if area2 < 0 {
        ring.reverse();
    }
    if area2 != 0 {
        rings.push(ring);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::clear::{Relation, inside_spare_um};
    use crate::rim::Rim;
    use crate::samples;
    use crate::shape::Side;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    #[test]
    fn upright_edges_move_exactly() {
        let sheet = Shape::rectangle(100_000, 50_000).unwrap();
        let grown = grown(&sheet, 200, Corners::Square).unwrap();
        assert_eq!(grown.len(), 1);
        assert_eq!(grown[0].bounds(), (p(-200, -200), p(100_200, 50_200)));
        assert_eq!(inside_spare_um(&sheet, &grown[0]), Some(200));
        assert_eq!(grown[0].corner_count(), 4);
        let round = super::grown(&sheet, 200, Corners::Round).unwrap();
        assert_eq!(inside_spare_um(&sheet, &round[0]), Some(200));
        assert!(round[0].corner_count() > 4 && round[0].area2() < grown[0].area2());
        let shrunk = shrunk(&sheet, 200, Corners::Round).unwrap();
        let inner = vec![p(200, 200), p(99_800, 200), p(99_800, 49_800), p(200, 49_800)];
        assert_eq!(shrunk, [Shape::new(inner, vec![]).unwrap()]);
        assert_eq!(super::shrunk(&sheet, 25_000, Corners::Round).unwrap(), []);
        assert_eq!(super::grown(&sheet, 0, Corners::Round).unwrap(), [sheet]);
    }

    #[test]
    fn shrinking_parts_a_dumb_bell_and_growing_closes_a_slot() {
        let ring = vec![
            p(0, 0),
            p(40_000, 0),
            p(40_000, 18_000),
            p(60_000, 18_000),
            p(60_000, 0),
            p(100_000, 0),
            p(100_000, 40_000),
            p(60_000, 40_000),
            p(60_000, 22_000),
            p(40_000, 22_000),
            p(40_000, 40_000),
            p(0, 40_000),
        ];
        let bell = Shape::new(ring, vec![]).unwrap();
        assert_eq!(shrunk(&bell, 2_001, Corners::Round).unwrap().len(), 2);
        let closed = grown(&bell, 10_000, Corners::Round).unwrap();
        assert_eq!(closed.len(), 1);
        assert!(closed[0].holes().is_empty());
    }

    #[test]
    fn out_of_range_is_an_error() {
        let edge = Shape::new(vec![p(19_999_000, 0), p(20_000_000, 0), p(20_000_000, 9)], vec![]).unwrap();
        assert!(grown(&edge, 1, Corners::Round).is_err());
        assert!(grown(&edge, i64::MAX, Corners::Round).is_err());
        assert_eq!(shrunk(&edge, i64::MAX, Corners::Round).unwrap_or_default(), []);
    }

    fn corners(square: bool, by: i64) -> (Corners, i64) {
        if square { (Corners::Square, by * 42 / 100) } else { (Corners::Round, EXCESS_UM as i64) }
    }

    proptest! {
        #[test]
        fn a_grown_shape_keeps_the_distance_all_around(shape in samples::shape(), by in 1i64..20_000, square: bool) {
            let (corners, excess) = corners(square, by);
            let grown = grown(&shape, by, corners).unwrap();
            prop_assert_eq!(grown.len(), 1);
            let (inner, outer) = (Rim::new(&shape), Rim::new(&grown[0]));
            prop_assert_eq!(inner.relation(&outer), Relation::Inside);
            prop_assert!(inner.distance_um(&outer) >= by - 2);
            // And no further than it should: each corner of the result is that near.
            for q in grown[0].corners() {
                prop_assert!(inner.distance_from_um(q) <= by + excess + 4);
            }
        }

        #[test]
        fn a_shrunk_shape_keeps_the_distance_and_leaves_nothing_out(
            shape in samples::shape(), by in 1i64..20_000, x in 0.0f64..1.0, y in 0.0f64..1.0, square: bool,
        ) {
            let (corners, excess) = corners(square, by);
            let shrunk = shrunk(&shape, by, corners).unwrap();
            let rim = Rim::new(&shape);
            for s in &shrunk {
                let inner = Rim::new(s);
                prop_assert_eq!(inner.relation(&rim), Relation::Inside);
                prop_assert!(inner.distance_um(&rim) >= by - 2);
            }
            let (lo, hi) = shape.bounds();
            let at = |lo: i32, hi: i32, t: f64| lo + (f64::from(hi - lo) * t) as i32;
            let q = p(at(lo.x, hi.x, x), at(lo.y, hi.y, y));
            if shape.side_of(q) == Side::Inside && rim.distance_from_um(q) > by + excess + 4 {
                prop_assert!(shrunk.iter().any(|s| s.contains_point(q)));
            }
        }
    }
}

//! The largest circle inside a shape, by subdivision of the plane into squares, best first.
//!
//! The distance to the rim grows by no more than one moves; so a square whose middle has distance `d` and whose
//! half diagonal is `h` holds no point with more than `d + h`. The same idea serves to place labels on maps.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use crate::rim::Rim;
use crate::shape::{Point, Shape, Side};
use crate::width::least_width;

/// Squares looked at before the search contents itself with the bounds that it has.
const SQUARES_MOST: usize = 20_000;

/// A circle inside a shape, and how much larger none can be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Circle {
    /// Middle.
    pub centre: Point,
    /// Radius in µm, such that the circle lies inside the shape, exactly.
    pub radius_um: i64,
    /// No circle inside the shape has a larger radius, µm. Mostly within 0.1 % of `radius_um`,
    /// within a few percent where the circle has much room to move.
    pub at_most_um: i64,
}

/// A square by its middle and half its side, with the most that a circle around a point of it can have.
struct Square {
    at_most: f64,
    middle: [f64; 2],
    half: f64,
}

impl PartialEq for Square {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Square {}

impl PartialOrd for Square {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Square {
    fn cmp(&self, other: &Self) -> Ordering {
        let [x, y] = self.middle;
        self.at_most.total_cmp(&other.at_most).then(x.total_cmp(&other.middle[0])).then(y.total_cmp(&other.middle[1]))
    }
}

/// The largest circle inside a shape.
pub fn largest_circle(shape: &Shape) -> Circle {
    let rim = &Rim::new(shape);
    // No circle is wider than the shape; for long shapes with parallel sides this bound is the sharp one.
    let half_width = (least_width(shape).0 + 1) as f64 / 2.0;
    let inner = |p: [f64; 2]| {
        let near = Point::new(p[0].round() as i32, p[1].round() as i32);
        let distance = rim.distance_to(p);
        if rim.side_of(near) == Side::Outside { -distance } else { distance }
    };
    let (lo, hi) = rim.bounds();
    let (x, y) = (f64::from(lo.x), f64::from(lo.y));
    let (w, h) = (f64::from(hi.x) - x, f64::from(hi.y) - y);
    let half = w.min(h).max(w.max(h) / 128.0).max(1.0) / 2.0;

    let mut best = ([x + w / 2.0, y + h / 2.0], f64::NEG_INFINITY);
    let mut queue = BinaryHeap::new();
    let look = |middle: [f64; 2], half: f64, best: &mut ([f64; 2], f64), queue: &mut BinaryHeap<Square>| {
        let distance = inner(middle);
        if distance > best.1 {
            *best = (middle, distance);
        }
        // A hair for the floating point of the distance and the rounded middle.
        let at_most = distance + half * std::f64::consts::SQRT_2 + 0.8;
        if at_most > best.1 {
            queue.push(Square { at_most, middle, half });
        }
    };
    let steps = |length: f64| (length / (2.0 * half)).ceil().max(1.0) as i32;
    for i in 0..steps(w) {
        for j in 0..steps(h) {
            let middle = [x + half * f64::from(2 * i + 1), y + half * f64::from(2 * j + 1)];
            look(middle, half, &mut best, &mut queue);
        }
    }
    let mut at_most = best.1;
    let mut looked = 0;
    while let Some(square) = queue.pop() {
        at_most = square.at_most.min(half_width).max(best.1);
        if at_most <= best.1 * 1.0001 + 2.0 || looked >= SQUARES_MOST {
            break;
        }
        looked += 4;
        let half = square.half / 2.0;
        for (dx, dy) in [(-half, -half), (half, -half), (-half, half), (half, half)] {
            look([square.middle[0] + dx, square.middle[1] + dy], half, &mut best, &mut queue);
        }
    }
    let best = climb(best, half, &inner);
    let round = |p: [f64; 2]| Point::new(p[0].round() as i32, p[1].round() as i32);
    let centre = round(best.0);
    // Slivers may have no grid point inside; then the circle is a point on a corner.
    let radius = |p: Point| if rim.side_of(p) == Side::Outside { None } else { Some(rim.distance_from_um(p)) };
    let (centre, radius_um) = match (radius(centre), rim.ring_starts().next()) {
        (None, Some(corner)) => (corner, 0),
        (r, _) => (centre, r.unwrap_or(0)),
    };
    Circle { centre, radius_um, at_most_um: (at_most.ceil() as i64).max(radius_um) }
}

/// Moves a point to where it is furthest from the rim, by ever smaller steps.
fn climb(mut best: ([f64; 2], f64), mut step: f64, inner: &impl Fn([f64; 2]) -> f64) -> ([f64; 2], f64) {
    while step > 0.25 {
        let tries = [
            (step, 0.0),
            (-step, 0.0),
            (0.0, step),
            (0.0, -step),
            (step, step),
            (-step, step),
            (step, -step),
            (-step, -step),
        ];
        let better = tries.into_iter().find_map(|(dx, dy)| {
            let p = [best.0[0] + dx, best.0[1] + dy];
            let distance = inner(p);
            (distance > best.1 + 0.01).then_some((p, distance))
        });
        match better {
            Some(found) => best = found,
            None => step /= 2.0,
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::samples;

    #[test]
    fn circles_that_can_be_computed_by_hand() {
        let sheet = largest_circle(&Shape::rectangle(1_219_200, 2_438_400).unwrap());
        assert_eq!(sheet.radius_um, 609_600);
        assert!(sheet.at_most_um <= 609_602, "{sheet:?}");
        // The incircle of a 3-4-5 triangle has radius 1.
        let p = Point::new;
        let triangle = Shape::new(vec![p(0, 0), p(300_000, 0), p(0, 400_000)], vec![]).unwrap();
        let circle = largest_circle(&triangle);
        assert!((99_998..=100_000).contains(&circle.radius_um), "{circle:?}");
        assert!((100_000..=100_015).contains(&circle.at_most_um), "{circle:?}");
    }

    #[test]
    fn slivers_and_specks_are_answered() {
        let p = Point::new;
        let sliver = Shape::new(vec![p(0, 0), p(1_000_000, 1), p(999_999, 1)], vec![]).unwrap();
        assert_eq!(largest_circle(&sliver).radius_um, 0);
        let speck = Shape::rectangle(1, 1).unwrap();
        let circle = largest_circle(&speck);
        assert!(circle.radius_um == 0 && circle.at_most_um >= 1);
        let long = Shape::rectangle(20_000_000, 3).unwrap();
        assert_eq!(largest_circle(&long).radius_um, 1);
    }

    proptest! {
        #[test]
        fn the_circle_lies_inside_and_no_point_of_a_raster_beats_the_bound(shape in samples::shape()) {
            let rim = Rim::new(&shape);
            let circle = largest_circle(&shape);
            prop_assert!(rim.side_of(circle.centre) != Side::Outside);
            prop_assert!(rim.distance_from_um(circle.centre) >= circle.radius_um);
            prop_assert!(circle.at_most_um <= circle.radius_um + circle.radius_um / 30 + 60, "{:?}", circle);
            let (lo, hi) = shape.bounds();
            for i in 1..20 {
                for j in 1..20 {
                    let q = Point::new(lo.x + (hi.x - lo.x) / 20 * i, lo.y + (hi.y - lo.y) / 20 * j);
                    if rim.side_of(q) == Side::Inside {
                        prop_assert!(rim.distance_from_um(q) <= circle.at_most_um);
                    }
                }
            }
        }
    }
}

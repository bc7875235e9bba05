//! Convex hull, by A. M. Andrew's monotone chain (Inf. Proc. Letters 9, 1979), exact.

use crate::shape::{Point, Ring, orient};

/// The convex hull of points, counter-clockwise from the least one, without points on its edges. Fewer than
/// three corners where all points lie on one line.
pub fn hull(points: impl IntoIterator<Item = Point>) -> Ring {
    let mut points: Vec<Point> = points.into_iter().collect();
    points.sort_unstable();
    points.dedup();
    if points.len() < 3 {
        return points;
    }
    let mut hull: Ring = Vec::with_capacity(points.len() + 1);
    let add = |hull: &mut Ring, floor: usize, p: Point| {
        while hull.len() > floor && orient(hull[hull.len() - 2], hull[hull.len() - 1], p) <= 0 {
            hull.pop();
        }
        hull.push(p);
    };
    for &p in &points {
        add(&mut hull, 1, p);
    }
    let lower = hull.len();
    for &p in points.iter().rev().skip(1) {
        add(&mut hull, lower, p);
    }
    // The way back ends at the first point again.
    hull.pop();
    hull
}

#[cfg(test)]
mod tests {
    use geo::ConvexHull;
    use proptest::prelude::*;

    use super::*;
    use crate::samples;
    use crate::shape::ring_area2;

    #[test]
    fn points_on_one_line_have_no_hull() {
        assert_eq!(hull([]), []);
        let line = (0..5).map(|i| Point::new(i, 2 * i));
        assert_eq!(hull(line), [Point::new(0, 0), Point::new(4, 8)]);
    }

    proptest! {
        #[test]
        fn the_hull_holds_every_corner_and_agrees_with_geo(shape in samples::shape()) {
            let hull = hull(shape.corners());
            for (a, b) in crate::shape::edges(&hull) {
                for p in shape.corners() {
                    prop_assert!(orient(a, b, p) >= 0);
                }
            }
            let theirs = samples::to_geo(&shape).convex_hull();
            prop_assert_eq!(theirs.exterior().0.len() - 1, hull.len());
            use geo::Area;
            prop_assert!((theirs.unsigned_area() * 2.0 - ring_area2(&hull) as f64).abs() < 1.0);
        }
    }
}

//! Least width: the narrowest slot between two parallel lines through which a shape passes.
//!
//! One of the two lines lies along an edge of the hull (M. E. Houle, G. T. Toussaint, "Computing the width of a
//! set", IEEE PAMI 10, 1988), so rotating calipers find it in linear time once the hull is known.

use crate::hull::hull;
use crate::shape::{Shape, dist2, orient};

/// Least width of a shape in whole µm, rounded down, and the hull edge that it stands on as an angle in
/// radians. Exact but for the angle.
pub fn least_width(shape: &Shape) -> (i64, f64) {
    let hull = hull(shape.corners());
    let n = hull.len();
    let mut far = 1;
    let mut best = (i64::MAX, 0.0);
    for i in 0..n {
        let (a, b) = (hull[i], hull[(i + 1) % n]);
        // The corner furthest from this edge only ever moves on as the edge does.
        while orient(a, b, hull[(far + 1) % n]) > orient(a, b, hull[far]) {
            far = (far + 1) % n;
        }
        let cross = i128::from(orient(a, b, hull[far]));
        let width = (cross * cross / i128::from(dist2(a, b))).isqrt() as i64;
        if width < best.0 {
            best = (width, libm::atan2(f64::from(b.y) - f64::from(a.y), f64::from(b.x) - f64::from(a.x)));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::samples;
    use crate::shape::Point;

    #[test]
    fn widths_that_can_be_computed_by_hand() {
        assert_eq!(least_width(&Shape::rectangle(300_000, 70_000).unwrap()).0, 70_000);
        // A 3-4-5 triangle is narrowest over its longest side: 3 · 4 / 5.
        let p = Point::new;
        let triangle = Shape::new(vec![p(0, 0), p(30_000, 0), p(0, 40_000)], vec![]).unwrap();
        assert_eq!(least_width(&triangle).0, 24_000);
    }

    proptest! {
        #[test]
        fn no_direction_is_narrower(shape in samples::shape()) {
            let (width, angle) = least_width(&shape);
            let across = |angle: f64| {
                let (s, c) = angle.sin_cos();
                let along = |p: Point| f64::from(p.y) * c - f64::from(p.x) * s;
                let high = shape.corners().map(along).fold(f64::MIN, f64::max);
                high - shape.corners().map(along).fold(f64::MAX, f64::min)
            };
            for step in 0..180 {
                prop_assert!(across(f64::from(step).to_radians()) >= width as f64);
            }
            prop_assert!((across(angle) - width as f64).abs() < 1.001);
        }
    }
}

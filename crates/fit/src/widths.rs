//! How wide a convex ring is in each of many directions, and how narrow it is between them.

use std::f64::consts::PI;

use crate::num::{V, v};

/// Directions over half a circle; the other half is the same.
pub(crate) const DIRECTIONS: usize = 64;
/// From one direction to the next, microdegrees.
pub(crate) const STEP_UDEG: i64 = 180_000_000 / DIRECTIONS as i64;
/// The same, radians.
const STEP: f64 = PI / DIRECTIONS as f64;

fn direction(angle: f64) -> V {
    v(libm::cos(angle), libm::sin(angle))
}

/// Two corners that are furthest apart along a direction, followed while it turns counter-clockwise.
struct Across<'a> {
    ring: &'a [V],
    high: usize,
    low: usize,
}

impl<'a> Across<'a> {
    fn new(ring: &'a [V], along: V) -> Self {
        let by = |sign: f64| {
            (0..ring.len())
                .max_by(|&i, &j| (sign * along.dot(ring[i])).total_cmp(&(sign * along.dot(ring[j]))))
                .unwrap_or(0)
        };
        Self { ring, high: by(1.0), low: by(-1.0) }
    }

    fn at(&mut self, along: V) -> f64 {
        let n = self.ring.len();
        while along.dot(self.ring[(self.high + 1) % n] - self.ring[self.high]) > 0.0 {
            self.high = (self.high + 1) % n;
        }
        while along.dot(self.ring[(self.low + 1) % n] - self.ring[self.low]) < 0.0 {
            self.low = (self.low + 1) % n;
        }
        along.dot(self.ring[self.high] - self.ring[self.low])
    }
}

/// Width of a convex ring (counter-clockwise) in direction `k` · 180° / 64.
pub(crate) fn widths(hull: &[V]) -> [f64; DIRECTIONS] {
    let mut across = Across::new(hull, direction(0.0));
    std::array::from_fn(|k| across.at(direction(k as f64 * STEP)))
}

/// Least width over all directions within half a step of direction `k`.
pub(crate) fn least_widths(hull: &[V]) -> [f64; DIRECTIONS] {
    let mut across = Across::new(hull, direction(-STEP / 2.0));
    let ends: [f64; DIRECTIONS + 1] = std::array::from_fn(|k| across.at(direction((k as f64 - 0.5) * STEP)));
    let mut least: [f64; DIRECTIONS] = std::array::from_fn(|k| ends[k].min(ends[k + 1]));
    // Between the ends the width is least where it is taken across a side: from one such direction to the next it
    // is the length of one diagonal times a cosine, which is concave.
    let n = hull.len();
    let mut far = 1 % n.max(1);
    for i in 0..n {
        let side = hull[(i + 1) % n] - hull[i];
        let across = side.left() * (1.0 / side.norm().max(1e-9));
        for _ in 0..n {
            let next = (far + 1) % n;
            if across.dot(hull[next] - hull[far]) <= 0.0 {
                break;
            }
            far = next;
        }
        let width = across.dot(hull[far] - hull[i]);
        let k = (libm::atan2(across.y, across.x) / STEP).round() as i64;
        let k = k.rem_euclid(DIRECTIONS as i64) as usize;
        least[k] = least[k].min(width);
    }
    least
}

/// Length of a convex ring.
pub(crate) fn perimeter(hull: &[V]) -> f64 {
    (0..hull.len()).map(|i| (hull[(i + 1) % hull.len()] - hull[i]).norm()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn hull(points: &[(i32, i32)]) -> Vec<V> {
        let points = points.iter().map(|&(x, y)| sheetloft_shapes::Point::new(x, y));
        sheetloft_shapes::hull::hull(points).into_iter().map(V::from).collect()
    }

    proptest! {
        #[test]
        fn no_direction_is_missed(points in prop::collection::vec((-9_000i32..9_000, -9_000i32..9_000), 3..40)) {
            let hull = hull(&points);
            prop_assume!(hull.len() > 2);
            let across = |angle: f64| {
                let along = hull.iter().map(|p| direction(angle).dot(*p));
                along.clone().fold(f64::MIN, f64::max) - along.fold(f64::MAX, f64::min)
            };
            let (at, least) = (widths(&hull), least_widths(&hull));
            for k in 0..DIRECTIONS {
                prop_assert!((at[k] - across(k as f64 * STEP)).abs() < 1e-6);
                let mut seen = f64::MAX;
                for i in -50..=50 {
                    let width = across((k as f64 + f64::from(i) / 100.0) * STEP);
                    prop_assert!(least[k] <= width + 1e-6, "{} {}", least[k], width);
                    seen = seen.min(width);
                }
                prop_assert!(seen - least[k] < 20.0, "{} {}", least[k], seen);
            }
        }
    }
}

//! Straight sides of an outline along which a ruler, or a machine's stop, can lie.

use crate::hull::hull;
use crate::shape::{Point, Shape};

/// A straight side: the whole shape lies on its left, seen from `from` to `to`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Straight {
    /// Where it begins.
    pub from: Point,
    /// Where it ends.
    pub to: Point,
    /// How much of it the outline runs along, µm, rounded down: less than its length where it is notched.
    pub touching_um: i64,
    /// Whether the outline leaves its beginning at a right angle, to a twentieth of a degree.
    pub square: bool,
}

impl Straight {
    /// From end to end, µm, rounded down.
    pub fn length_um(&self) -> i64 {
        length(self.from, self.to) as i64
    }
}

/// All straight sides, counter-clockwise, in the order of the outline's corners.
pub fn straight_sides(shape: &Shape) -> Vec<Straight> {
    let ring = shape.outline();
    let corners = hull(ring.iter().copied());
    let mut sides: Vec<Straight> = Vec::new();
    for (i, &a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        if corners.iter().any(|&p| cross(a, b, p) < 0) {
            continue;
        }
        let touching = length(a, b);
        let on = |s: &Straight| cross(s.from, s.to, a) == 0 && cross(s.from, s.to, b) == 0;
        if let Some(side) = sides.iter_mut().find(|s| on(s)) {
            let along = |p: Point| dot(side.from, side.to, p);
            let (first, last) = (along(a) < 0, along(b) > along(side.to));
            if first {
                side.from = a;
            }
            if last {
                side.to = b;
            }
            side.touching_um += touching as i64;
        } else {
            sides.push(Straight { from: a, to: b, touching_um: touching as i64, square: false });
        }
    }
    for side in &mut sides {
        let at = ring.iter().position(|p| *p == side.from).unwrap_or(0);
        let before = ring[(at + ring.len() - 1) % ring.len()];
        let turn = dot(side.from, side.to, before) as f64;
        let product = length(side.from, side.to) * length(side.from, before);
        side.square = turn.abs() <= product * 0.05_f64.to_radians();
    }
    sides
}

/// Twice the area of the triangle; above zero where `p` lies left of `a` → `b`.
fn cross(a: Point, b: Point, p: Point) -> i128 {
    let d = |u: i32, v: i32| i128::from(u) - i128::from(v);
    d(b.x, a.x) * d(p.y, a.y) - d(b.y, a.y) * d(p.x, a.x)
}

fn dot(a: Point, b: Point, p: Point) -> i128 {
    let d = |u: i32, v: i32| i128::from(u) - i128::from(v);
    d(b.x, a.x) * d(p.x, a.x) + d(b.y, a.y) * d(p.y, a.y)
}

fn length(a: Point, b: Point) -> f64 {
    libm::hypot(f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(corners: &[(i32, i32)]) -> Shape {
        Shape::new(corners.iter().map(|&(x, y)| Point::new(x, y)).collect(), vec![]).unwrap()
    }

    #[test]
    fn a_rectangle_has_four_square_sides() {
        let sides = straight_sides(&Shape::rectangle(300, 200).unwrap());
        assert_eq!(sides.len(), 4);
        assert!(sides.iter().all(|s| s.square && s.touching_um == s.length_um()));
        assert_eq!(sides.iter().map(Straight::length_um).sum::<i64>(), 1_000);
    }

    #[test]
    fn a_notched_side_is_one_and_a_bay_is_none() {
        // Two feet on one line, an upright left side, a slanted right one.
        let comb = shape(&[(0, 0), (300, 0), (300, 100), (600, 100), (600, 0), (1_000, 0), (800, 500), (0, 500)]);
        let sides = straight_sides(&comb);
        let foot = sides.iter().find(|s| s.from == Point::new(0, 0)).unwrap();
        assert_eq!((foot.to, foot.touching_um, foot.square), (Point::new(1_000, 0), 700, true));
        assert_eq!(sides.len(), 4);
        let slanted = sides.iter().find(|s| s.from == Point::new(1_000, 0)).unwrap();
        assert!(!slanted.square);
    }

    #[test]
    fn a_round_outline_has_only_its_chords() {
        let ring = (0..64).map(|i| {
            let a = f64::from(i) * std::f64::consts::TAU / 64.0;
            Point::new((1e6 * a.cos()) as i32, (1e6 * a.sin()) as i32)
        });
        let disc = Shape::new(ring.collect(), vec![]).unwrap();
        assert!(straight_sides(&disc).iter().all(|s| s.length_um() < 100_000));
    }
}

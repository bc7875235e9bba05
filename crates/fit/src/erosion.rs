//! How much area is left of a shape after its rim is taken off to a depth, by squares of ever smaller size.
//!
//! A square in which the distance from the rim passes the depth is split, until one straight edge alone decides in
//! it (then the area is exact) or it is small (then it is bounded from the side that was asked for).

use std::collections::VecDeque;

use crate::field::Field;
use crate::num::V;
use crate::squares::{Square, Squares};

/// Which bound is wanted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Side {
    /// Never less than the true area.
    AtMost,
    /// Never more. Only for fields of one object.
    AtLeast,
}

/// The smallest squares are the field's width plus height over this.
const FINENESS: f64 = 80.0;
/// Squares looked at before the rest is bounded as it is.
const SQUARES: usize = 12_000;

/// For each depth (ascending, µm, above 0) the area of what keeps at least that distance from all that is forbidden,
/// µm², bounded from the given side.
pub(crate) fn areas(field: &Field, depths: &[f64], side: Side) -> Vec<f64> {
    let mut areas = vec![0.0; depths.len()];
    if depths.is_empty() {
        return areas;
    }
    let (lo, hi) = field.bounds();
    let finest = (hi.x - lo.x + hi.y - lo.y) / FINENESS;
    let mut squares = Squares::new(field);
    // Each with the depths that are still open in it.
    let mut open: VecDeque<(Square, usize, usize)> =
        squares.first().into_iter().map(|s| (s, 0, depths.len())).collect();
    let mut shares: Vec<(f64, bool)> = Vec::new();
    let mut looked = 0;
    while let Some((square, mut from, mut to)) = open.pop_front() {
        looked += 1;
        // All of it keeps the lesser depths, none of it the greater ones.
        while from < to && square.here - square.reach() >= depths[from] {
            areas[from] += whole(&square);
            from += 1;
        }
        while from < to && square.here + square.reach() < depths[to - 1] {
            to -= 1;
        }
        let last = 2.0 * square.half <= finest || looked + open.len() >= SQUARES;
        shares.clear();
        shares.extend(depths[from..to].iter().map(|&depth| {
            let (share, exact) = match side {
                Side::AtLeast => at_least(&squares, &square, depth),
                Side::AtMost => at_most(&squares, &square, depth),
            };
            (share, exact || last)
        }));
        // What is not settled goes on in the four quarters, with all that lies between.
        let first = shares.iter().position(|s| !s.1).unwrap_or(shares.len());
        let end = shares.iter().rposition(|s| !s.1).map_or(first, |i| i + 1);
        for (k, share) in shares.iter().enumerate() {
            if k < first || k >= end {
                areas[from + k] += share.0;
            }
        }
        if first < end {
            open.extend(squares.quarters(&square).map(|quarter| (quarter, from + first, from + end)));
        }
    }
    areas
}

fn whole(square: &Square) -> f64 {
    4.0 * square.half * square.half
}

/// A lower bound on the part of a square that keeps the depth, and whether it is exact: what is left when all is taken
/// off that any edge near may take, each for itself.
fn at_least(squares: &Squares<'_>, square: &Square, depth: f64) -> (f64, bool) {
    let (c, half, reach) = (square.c, square.half, square.reach());
    // Where the square may reach past the rim, an edge's whole line is taken as the limit: what lies past the rim lies
    // behind the line of the edge nearest to it.
    let inside = square.here >= reach;
    let near = squares.edges(square);
    let edges = squares.field().edges();
    let (mut taken, mut takers, mut straight) = (0.0, 0, true);
    let mut take = |area: f64| {
        taken += area;
        takers += usize::from(area > 0.0);
    };
    for (i, &id) in near.iter().enumerate() {
        let e = &edges[id as usize];
        let along = (c - e.a).dot(e.u);
        let reach_along = (e.u.x.abs() + e.u.y.abs()) * half;
        let beside = along + reach_along > 0.0 && along - reach_along < e.len;
        if !inside || beside {
            take(below(half, e.normal(), depth - e.height(c)));
        }
        if !inside {
            continue;
        }
        for (end, past) in [(e.a, along - reach_along < 0.0), (e.b(), along + reach_along > e.len)] {
            let from = c - end;
            let distance = from.norm();
            if !past || distance > depth + reach {
                continue;
            }
            // The corner of two edges takes only once.
            let again = near[..i].iter().any(|&o| {
                let o = &edges[o as usize];
                (o.a - end).norm2().min((o.b() - end).norm2()) < 0.01
            });
            if !again {
                let area = below(half, from * (1.0 / distance.max(1e-9)), depth - distance);
                straight &= area == 0.0;
                take(area);
            }
        }
    }
    ((whole(square) - taken).max(0.0), takers <= 1 && straight)
}

/// An upper bound on the part of a square that keeps the depth, and whether it is exact: what is left when that is
/// taken off which the nearest edge takes for certain.
fn at_most(squares: &Squares<'_>, square: &Square, depth: f64) -> (f64, bool) {
    let (c, half) = (square.c, square.half);
    let e = &squares.field().edges()[square.nearest as usize];
    let along = (c - e.a).dot(e.u);
    // The same upwards as along.
    let reach_along = (e.u.x.abs() + e.u.y.abs()) * half;
    let height = e.height(c);
    if along >= reach_along && along + reach_along <= e.len {
        if height - reach_along < -depth {
            return (whole(square), false);
        }
        let left = whole(square) - below(half, e.normal(), depth - height);
        return (left, squares.edges(square).len() == 1);
    }
    // A corner: within a square that is small next to the depth, the circle lies beyond its chord.
    let from = c - if along < e.len / 2.0 { e.a } else { e.b() };
    let distance = from.norm();
    let way = from * (1.0 / distance.max(1e-9));
    let lateral = (way.x.abs() + way.y.abs()) * half;
    let chord = if lateral < depth { (depth * depth - lateral * lateral).sqrt() } else { 0.0 };
    if distance - lateral <= -chord {
        return (whole(square), false);
    }
    (whole(square) - below(half, way, chord - distance), false)
}

/// The area of that part of the square of half width `half` around 0 in which `way · p < limit`.
fn below(half: f64, way: V, limit: f64) -> f64 {
    let (a, b) = (way.x.abs(), way.y.abs());
    let (a, b) = (a.max(b) * half, a.min(b) * half);
    if limit >= a + b {
        return 4.0 * half * half;
    }
    if limit <= -a - b {
        return 0.0;
    }
    let share = if b < 1e-6 * a {
        (limit + a) / (2.0 * a)
    } else {
        let square = |x: f64| if x > 0.0 { x * x } else { 0.0 };
        (square(limit + a + b) - square(limit + a - b) - square(limit - a + b) + square(limit - a - b)) / (8.0 * a * b)
    };
    share.clamp(0.0, 1.0) * 4.0 * half * half
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{FieldBuilder, ring_of};
    use crate::num::v;
    use proptest::prelude::*;
    use sheetloft_shapes::{Point, Shape};

    fn field(shape: &Shape) -> Field {
        let mut field = FieldBuilder::default();
        field.object(shape.rings().map(|r| ring_of(r, V::default(), false)), true, 0.0);
        field.build(0.0)
    }

    fn bounds(shape: &Shape, depths: &[f64]) -> Vec<(f64, f64)> {
        let field = field(shape);
        areas(&field, depths, Side::AtLeast).into_iter().zip(areas(&field, depths, Side::AtMost)).collect()
    }

    #[test]
    fn what_is_left_of_a_rectangle_can_be_computed_by_hand() {
        let shape = Shape::rectangle(600_000, 200_000).unwrap();
        let depths = [1_000.0, 30_000.0, 60_000.0, 99_000.0, 100_500.0];
        for ((low, high), d) in bounds(&shape, &depths).into_iter().zip(depths) {
            let area = (600_000.0 - 2.0 * d).max(0.0) * (200_000.0f64 - 2.0 * d).max(0.0);
            assert!(low <= area * (1.0 + 1e-9) && high >= area * (1.0 - 1e-9), "{low} {area} {high}");
            assert!(high - low < 600_000.0 * 200_000.0 * 0.002, "{low} {area} {high}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]

        #[test]
        fn a_half_plane_takes_its_share(x in -1.0f64..1.0, y in -1.0f64..1.0, limit in -2.0f64..2.0) {
            prop_assume!(v(x, y).norm() > 0.01);
            let way = v(x, y) * (1.0 / v(x, y).norm());
            let n = 200;
            let at = |i: i32| (f64::from(i) + 0.5) / f64::from(n) * 2.0 - 1.0;
            let counted = (0..n * n).filter(|i| way.dot(v(at(i / n), at(i % n))) < limit).count();
            let share = counted as f64 / f64::from(n * n) * 4.0;
            prop_assert!((share - below(1.0, way, limit)).abs() < 0.03);
        }

        /// The true area lies between the bounds: it is counted on a raster of random shapes with holes.
        #[test]
        fn the_bounds_hold(
            radii in prop::collection::vec(0.2f64..1.0, 5..40), hole in prop::option::of(3usize..9),
            depth in 500.0f64..40_000.0, more in 1_000.0f64..30_000.0,
        ) {
            let ring = |radii: &[f64], size: f64| -> Vec<Point> {
                radii.iter().enumerate().map(|(i, r)| {
                    let angle = i as f64 / radii.len() as f64 * std::f64::consts::TAU;
                    Point::new((size * r * angle.cos()).round() as i32, (size * r * angle.sin()).round() as i32)
                }).collect()
            };
            let holes = hole.map(|n| ring(&vec![1.0; n], 20_000.0));
            let Ok(shape) = Shape::new(ring(&radii, 200_000.0), holes.into_iter().collect()) else { return Ok(()) };
            let depths = [depth, depth + more];
            let field = field(&shape);
            let (lo, hi) = field.bounds();
            let n = 150;
            let step = (hi - lo) * (1.0 / f64::from(n));
            for ((low, high), d) in bounds(&shape, &depths).into_iter().zip(depths) {
                let kept = (0..n * n).filter(|i| {
                    let p = lo + v((f64::from(i % n) + 0.5) * step.x, (f64::from(i / n) + 0.5) * step.y);
                    field.slack(p) >= d
                }).count();
                let area = kept as f64 * step.x * step.y;
                let raster = shape.perimeter_um() * step.norm() * 0.35 + 1e7;
                prop_assert!(low <= high && low <= area + raster && high >= area - raster, "{low} {area} {high} {raster}");
                // And they are near each other, unless the shape is all spikes.
                let (w, h) = (hi.x - lo.x, hi.y - lo.y);
                prop_assert!(high - low <= w * h * 0.06 || radii.iter().any(|&r| r < 0.6), "{low} {area} {high}");
            }
        }
    }
}

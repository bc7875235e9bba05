//! Shapes for this crate's tests: random ones of several families, and a brute-force second opinion.

use proptest::prelude::*;

use crate::shape::{Point, Ring, Shape, edges};
use crate::valid::segments_meet;

/// A ring around `centre` whose corners lie in order of angle, each at its own distance.
pub fn star_ring(centre: [f64; 2], radii: &[f64]) -> Ring {
    let n = radii.len() as f64;
    let corner = |(i, r): (usize, &f64)| {
        let angle = i as f64 * std::f64::consts::TAU / n;
        Point::new((centre[0] + r * libm::cos(angle)).round() as i32, (centre[1] + r * libm::sin(angle)).round() as i32)
    };
    radii.iter().enumerate().map(corner).collect()
}

/// A comb: a back with `teeth` teeth, all sizes in µm.
pub fn comb(teeth: usize, tooth: i32, gap: i32, depth: i32, back: i32) -> Shape {
    let pitch = tooth + gap;
    let mut ring = vec![Point::new(0, 0), Point::new(pitch * (teeth as i32 - 1) + tooth, 0)];
    for t in (0..teeth as i32).rev() {
        let x = t * pitch;
        ring.extend([
            Point::new(x + tooth, back + depth),
            Point::new(x, back + depth),
            Point::new(x, back),
            Point::new(x - gap, back),
        ]);
    }
    ring.pop();
    ring.pop();
    Shape::new(ring, Vec::new()).expect("a comb is a shape")
}

/// Blobs of 3 to 40 corners, spiky to round, some with a hole around their middle.
pub fn blob() -> impl Strategy<Value = Shape> {
    let at = (-200_000i32..200_000, -200_000i32..200_000);
    (at, 20_000f64..300_000.0, prop::collection::vec(0.3f64..1.0, 3..40), prop::option::of(3usize..12)).prop_filter_map(
        "rounds to a valid shape",
        |((x, y), size, factors, hole)| {
            let centre = [f64::from(x), f64::from(y)];
            let radii: Vec<f64> = factors.iter().map(|f| f * size).collect();
            let hole = hole.map(|n| star_ring(centre, &vec![0.12 * size; n]));
            Shape::new(star_ring(centre, &radii), hole.into_iter().collect()).ok()
        },
    )
}

/// Shapes of all families.
pub fn shape() -> impl Strategy<Value = Shape> {
    prop_oneof![
        4 => blob(),
        1 => (1i64..400_000, 1i64..400_000).prop_map(|(w, h)| Shape::rectangle(w, h).expect("above 0")),
        1 => (2usize..8, 1_000i32..30_000, 1_000i32..30_000, 1_000i32..90_000, 1_000i32..30_000)
            .prop_map(|(n, t, g, d, b)| comb(n, t, g, d, b)),
        1 => (40_000i32..200_000, 1_000i32..19_000).prop_map(|(a, w)| {
            let p = Point::new;
            // A square frame: two rings, nothing in the middle.
            let hole = vec![p(w, w), p(a - w, w), p(a - w, a - w), p(w, a - w)];
            Shape::new(vec![p(0, 0), p(a, 0), p(a, a), p(0, a)], vec![hole]).expect("a frame")
        }),
    ]
}

/// Whether a cleaned ring is simple, by comparing all pairs of edges.
pub fn simple_by_brute_force(ring: &[Point]) -> bool {
    let all: Vec<_> = edges(ring).collect();
    let n = all.len();
    (0..n).all(|i| {
        (i + 1..n).all(|j| {
            let neighbours = j == i + 1 || (i == 0 && j == n - 1);
            neighbours || !segments_meet(all[i], all[j])
        })
    })
}

/// The shape as a polygon of the `geo` library, coordinates in µm.
pub fn to_geo(shape: &Shape) -> geo::Polygon {
    let line = |ring: &[Point]| ring.iter().map(|p| (f64::from(p.x), f64::from(p.y))).collect::<geo::LineString>();
    geo::Polygon::new(line(shape.outline()), shape.holes().iter().map(|h| line(h)).collect())
}

//! However a drawing is cut up, shuffled and turned round, it is the same drawing.

mod common;

use common::*;
use proptest::prelude::*;
use sheetloft_shapes::Shape;

/// A loose stroke: a line, or an arc by its bulge.
type Stroke = (P, P, f64);

fn drawn(stroke: &Stroke, reverse: bool) -> String {
    let (a, b, bulge) = *stroke;
    let (a, b, bulge) = if reverse { (b, a, -bulge) } else { (a, b, bulge) };
    if bulge == 0.0 {
        return line("0", a, b);
    }
    // The arc as an entity of its own: centre, radius and angles, always counter-clockwise.
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let k = (1.0 - bulge * bulge) / (4.0 * bulge);
    let c = [(a[0] + b[0]) / 2.0 - dy * k, (a[1] + b[1]) / 2.0 + dx * k];
    let angle = |p: P| (p[1] - c[1]).atan2(p[0] - c[0]).to_degrees();
    let (from, to) = if bulge > 0.0 { (angle(a), angle(b)) } else { (angle(b), angle(a)) };
    arc("0", c, (a[0] - c[0]).hypot(a[1] - c[1]), from, to)
}

/// A star-shaped contour around a centre, its corners at rising angles, its strokes bent a little.
fn star(c: P, r: f64) -> impl Strategy<Value = Vec<Stroke>> {
    (5usize..14).prop_flat_map(move |n| {
        (prop::collection::vec(0.6f64..1.0, n), prop::collection::vec(-0.12f64..0.12, n)).prop_map(
            move |(radii, bends)| {
                let corner = |i: usize| {
                    let angle = std::f64::consts::TAU * i as f64 / n as f64;
                    [c[0] + r * radii[i] * angle.cos(), c[1] + r * radii[i] * angle.sin()]
                };
                (0..n)
                    // Every third stroke straight.
                    .map(|i| (corner(i), corner((i + 1) % n), if i % 3 == 0 { 0.0 } else { bends[i] }))
                    .collect()
            },
        )
    })
}

fn shape_of(text: &str) -> (Shape, f64) {
    let drawing = parse(text);
    let part = only(&drawing);
    assert!(drawing.left_out.is_empty(), "{:?}", left_out(&drawing));
    (part.shape.clone(), part.area_mm2)
}

/// Whether two shapes are the same but for the corner at which their rings start, and for rounding.
fn same(a: &Shape, b: &Shape) -> bool {
    let near = |a: &Shape, b: &Shape| {
        let rings: Vec<Vec<P>> = b.rings().map(ring_um).collect();
        a.corners().all(|p| {
            let p = [f64::from(p.x), f64::from(p.y)];
            rings.iter().any(|ring| distance_to_ring(p, ring) <= 60.0)
        })
    };
    a.holes().len() == b.holes().len() && near(a, b) && near(b, a)
}

proptest! {
    // A failing case is told of in full; none is kept in a file.
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn shuffled_and_reversed_strokes_make_the_same_part(
        outline in star([0.0, 0.0], 300.0),
        hole in star([20.0, 10.0], 90.0),
        shuffle in any::<prop::sample::Index>(),
        keys in prop::collection::vec(any::<u32>(), 28),
    ) {
        let strokes: Vec<Stroke> = outline.into_iter().chain(hole).collect();
        let plain: String = strokes.iter().map(|s| drawn(s, false)).collect();
        let mut order: Vec<usize> = (0..strokes.len()).collect();
        order.sort_by_key(|&i| keys[i]);
        order.rotate_left(shuffle.index(strokes.len()));
        let mixed: String = order.iter().map(|&i| drawn(&strokes[i], keys[i] % 2 == 1)).collect();
        let (one, area) = shape_of(&file(&plain));
        let (other, again) = shape_of(&file(&mixed));
        prop_assert!(same(&one, &other));
        prop_assert!((area - again).abs() <= 1e-6 * area, "{area} {again}");
    }

    #[test]
    fn ends_that_miss_each_other_within_the_tolerance_meet(
        outline in star([0.0, 0.0], 300.0),
        misses in prop::collection::vec((-0.015f64..0.015, -0.015f64..0.015), 14),
    ) {
        let plain: String = outline.iter().map(|s| drawn(s, false)).collect();
        let (one, area) = shape_of(&file(&plain));
        let missed: String = outline
            .iter()
            .zip(&misses)
            .map(|(&(a, b, bulge), m)| drawn(&(a, [b[0] + m.0, b[1] + m.1], bulge), false))
            .collect();
        let drawing = parse(&file(&missed));
        let part = only(&drawing);
        prop_assert!(same(&one, &part.shape));
        prop_assert!((area - part.area_mm2).abs() <= 0.02 * 2000.0);
    }

    #[test]
    fn chords_are_on_the_safe_side_of_parts_and_pieces(
        outline in star([0.0, 0.0], 300.0),
        hole in star([-15.0, 5.0], 90.0),
        bend in -60.0f64..60.0,
    ) {
        // One stroke of the outline as a cubic curve that may bend both ways.
        let (a, b, _) = outline[0];
        let (dx, dy) = ((b[0] - a[0]) / 3.0, (b[1] - a[1]) / 3.0);
        let mut codes = vec![(70, 8.0), (71, 3.0)];
        codes.extend([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
        let side = bend / 200.0;
        for p in [a, [a[0] + dx + side * dy, a[1] + dy - side * dx], [b[0] - dx, b[1] - dy + bend / 10.0], b] {
            codes.extend([(10, p[0]), (20, p[1])]);
        }
        let strokes: String = outline[1..].iter().chain(&hole).map(|s| drawn(s, false)).collect();
        let text = file(&(entity("SPLINE", "0", &codes) + &strokes));
        for (role, grows) in [(sheetloft_drawings::Role::Part, true), (sheetloft_drawings::Role::Piece, false)] {
            let options = sheetloft_drawings::Options { role, ..Default::default() };
            let drawing = try_parse(&text, &options).unwrap();
            let part = only(&drawing);
            prop_assert_eq!(part.source.len(), 2);
            assert_safe(&part.shape, &part.source, grows, 200);
        }
    }
}

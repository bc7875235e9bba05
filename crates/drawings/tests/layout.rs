//! Layouts, read back and looked at.

mod common;

use common::*;
use sheetloft_drawings::layout::{CUT_LAYER, KEPT_LAYER, NOTES_LAYER, STRAIGHT_LAYER, placed_contour};
use sheetloft_drawings::{Frame, Label, Layout, LayoutFormat, Options, Part, Placed, contours_of_shape, layout, read};
use sheetloft_shapes::{Contour, Placement, Point, Segment, Shape, Turn};

fn place(udeg: i64, flip: bool, dx: i32, dy: i32) -> Placement {
    Placement { turn: Turn(udeg), flip, dx, dy }
}

fn rectangle_part(w: i64, h: i64, place: Placement) -> Placed {
    Placed { source: contours_of_shape(&Shape::rectangle(w, h).unwrap()), place }
}

/// A part with lines, arcs, a curve and two holes.
fn bracket() -> Part {
    let mut curve = vec![(70, 8.0), (71, 3.0)];
    curve.extend([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
    for p in [[90.0, 60.0], [60.0, 80.0], [40.0, 30.0], [0.0, 60.0]] {
        curve.extend([(10, p[0]), (20, p[1])]);
    }
    let text = file(
        &[
            line("0", [0.0, 0.0], [80.0, 0.0]),
            arc("0", [80.0, 10.0], 10.0, 270.0, 0.0),
            line("0", [90.0, 10.0], [90.0, 60.0]),
            entity("SPLINE", "0", &curve),
            line("0", [0.0, 60.0], [0.0, 0.0]),
            circle("0", [20.0, 20.0], 8.0),
            polyline("0", &[(50.0, 15.0, 0.0), (65.0, 15.0, 1.0), (65.0, 25.0, 0.0), (50.0, 25.0, 1.0)], true),
        ]
        .concat(),
    );
    only(&parse(&text)).clone()
}

fn sheet(parts: Vec<Placed>) -> Layout {
    Layout {
        title: "P-7K-003D: 7K-004TK <plywood & Co> Büro 4′".to_owned(),
        rim: Shape::rectangle(600_000, 400_000).unwrap(),
        parts,
        frame: Frame::default(),
        kept: Vec::new(),
        straight: Vec::new(),
        marks: Vec::new(),
        labels: vec![Label { text: "7K-00F4S".to_owned(), at: Point::new(400_000, 300_000), height_um: 12_000 }],
    }
}

fn dxf_of(l: &Layout) -> String {
    let bytes = layout(l, LayoutFormat::Dxf);
    bytes.iter().map(|&b| char::from(b)).collect()
}

/// The closed and open polylines on a layer of a DXF text: their corners (x, y, bulge) in mm and whether they close.
fn polylines(text: &str, layer: &str) -> Vec<(Vec<[f64; 3]>, bool)> {
    let mut found = Vec::new();
    let tags: Vec<(i32, &str)> = {
        let lines: Vec<&str> = text.lines().collect();
        lines.chunks_exact(2).map(|c| (c[0].trim().parse().unwrap(), c[1])).collect()
    };
    for (i, _) in tags.iter().enumerate().filter(|(_, t)| **t == (0, "LWPOLYLINE")) {
        let body: Vec<_> = tags[i + 1..].iter().take_while(|t| t.0 != 0).collect();
        if !body.contains(&&(8, layer)) {
            continue;
        }
        let mut corners: Vec<[f64; 3]> = Vec::new();
        for (code, value) in &body {
            match code {
                10 => corners.push([value.parse().unwrap(), 0.0, 0.0]),
                20 => corners.last_mut().unwrap()[1] = value.parse().unwrap(),
                42 => corners.last_mut().unwrap()[2] = value.parse().unwrap(),
                _ => {}
            }
        }
        found.push((corners, body.contains(&&(70, "1"))));
    }
    found
}

#[test]
fn what_is_written_reads_back_to_a_micrometre() {
    let part = bracket();
    assert_eq!(part.source.len(), 3);
    for place in [
        place(0, false, 0, 0),
        place(90_000_000, false, 300_000, 20_000),
        place(37_204_113, false, 200_000, 100_000),
        place(123_456_789, true, 300_000, 200_000),
    ] {
        let l = sheet(vec![Placed { source: part.source.clone(), place }]);
        let back = read("l.dxf", &layout(&l, LayoutFormat::Dxf), &Options::default()).unwrap();
        let got = only(&back);
        // The cubic curve, some 100 mm long, is written by chords.
        assert!((got.area_mm2 - part.area_mm2).abs() < 0.01 * 100.0, "{} {}", got.area_mm2, part.area_mm2);
        let arcs =
            |c: &[Contour]| c.iter().flat_map(|c| &c.segments).filter(|s| matches!(s, Segment::Arc { .. })).count();
        assert_eq!(arcs(&got.source), arcs(&part.source));
        for (k, contour) in part.source.iter().enumerate() {
            let want = samples(&placed_contour(contour, &place), 60);
            // Holes may come in another order: the nearest one.
            let off = got
                .source
                .iter()
                .map(|g| {
                    let drawn = samples(g, if g.segments.len() > 20 { 60 } else { 300 });
                    want.iter().map(|p| distance_to_ring(*p, &drawn)).fold(0.0, f64::max)
                })
                .fold(f64::MAX, f64::min);
            // Lines and arcs to a micrometre (and what a chord of the samples is off), the cubic curve to its chords.
            assert!(off <= if k == 0 { 10.0 + 1.0 } else { 1.0 }, "contour {k} is {off} µm off");
        }
    }
}

#[test]
fn placing_a_contour_is_placing_its_points() {
    let ring = [Point::new(10_000, 20_000), Point::new(110_000, 20_000), Point::new(110_000, 50_000)];
    let source = sheetloft_drawings::contour_of_ring(&ring);
    for flip in [false, true] {
        for udeg in [0, 90_000_000, 180_000_000, 270_000_000, 12_345_678] {
            let place = place(udeg, flip, 7_000, -3_000);
            let mut want: Vec<[i64; 2]> = ring
                .iter()
                .map(|p| place.motion().point(*p).unwrap())
                .map(|p| [i64::from(p.x), i64::from(p.y)])
                .collect();
            let placed = placed_contour(&source, &place);
            let mut got: Vec<[i64; 2]> = placed
                .segments
                .iter()
                .map(|s| match *s {
                    Segment::Line { to } => to.map(|v| (v as f64 / 1e3).round() as i64),
                    other => panic!("{other:?}"),
                })
                .collect();
            got.sort_unstable();
            want.sort_unstable();
            assert_eq!(got, want, "{place:?}");
        }
    }
}

#[test]
fn inner_contours_come_before_outer_ones() {
    // A frame, a part in its hole, and a hole in that.
    let frame =
        only(&parse(&file(&(rectangle("0", [0.0, 0.0], [200.0, 200.0]) + &circle("0", [100.0, 100.0], 80.0))))).clone();
    let disc = only(&parse(&file(&(circle("0", [0.0, 0.0], 50.0) + &circle("0", [0.0, 0.0], 10.0))))).clone();
    let l = sheet(vec![
        Placed { source: frame.source, place: place(0, false, 0, 0) },
        Placed { source: disc.source, place: place(0, false, 100_000, 100_000) },
    ]);
    let widths: Vec<f64> = polylines(&dxf_of(&l), CUT_LAYER)
        .iter()
        .map(|(corners, closed)| {
            assert!(closed);
            let xs = corners.iter().map(|c| c[0]);
            xs.clone().fold(f64::MIN, f64::max) - xs.fold(f64::MAX, f64::min)
        })
        .collect();
    assert_eq!(widths, [20.0, 100.0, 160.0, 200.0]);
}

/// The straight lines of polylines, each with its lower left end first.
fn lines_of(found: &[(Vec<[f64; 3]>, bool)]) -> Vec<(P, P)> {
    found
        .iter()
        .flat_map(|(c, closed)| {
            let n = c.len();
            (0..if *closed { n } else { n - 1 })
                .map(move |i| ([c[i][0], c[i][1]], [c[(i + 1) % n][0], c[(i + 1) % n][1]]))
        })
        .map(|(a, b)| if (a[0], a[1]) <= (b[0], b[1]) { (a, b) } else { (b, a) })
        .collect()
}

fn length(lines: &[(P, P)]) -> f64 {
    lines.iter().map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).sum()
}

#[test]
fn a_common_line_is_written_once() {
    // Side by side, the second shorter than the first; a third on top of both, turned by a quarter.
    let l = sheet(vec![
        rectangle_part(100_000, 80_000, place(0, false, 0, 0)),
        rectangle_part(60_000, 50_000, place(0, false, 100_000, 10_000)),
        rectangle_part(40_000, 100_000, place(90_000_000, false, 100_000, 80_000)),
    ]);
    let found = polylines(&dxf_of(&l), CUT_LAYER);
    let lines = lines_of(&found);
    // All three, less the 50 and the 100 that are shared.
    assert!((length(&lines) - (360.0 + 220.0 + 280.0 - 50.0 - 100.0)).abs() < 1e-9);
    for (i, (a, b)) in lines.iter().enumerate() {
        for (c, d) in &lines[i + 1..] {
            let middle = |p: &P, q: &P| [(p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0];
            let apart = distance_to_segment(middle(a, b), *c, *d).max(distance_to_segment(middle(c, d), *a, *b));
            assert!(apart > 0.001, "{a:?} {b:?} and {c:?} {d:?} lie on each other");
        }
    }
    // A part that lies free stays closed.
    assert_eq!(found.iter().filter(|f| f.1).count(), 1);
    // The same two parts a hundredth of a millimetre apart share nothing.
    let apart = sheet(vec![
        rectangle_part(100_000, 80_000, place(0, false, 0, 0)),
        rectangle_part(60_000, 50_000, place(0, false, 100_010, 10_000)),
    ]);
    let found = polylines(&dxf_of(&apart), CUT_LAYER);
    assert!(found.iter().all(|f| f.1) && (length(&lines_of(&found)) - 580.0).abs() < 1e-9);
}

#[test]
fn a_dxf_is_the_same_each_time_and_in_millimetres() {
    let l = sheet(vec![rectangle_part(100_000, 80_000, place(0, false, 10_000, 10_000))]);
    let text = dxf_of(&l);
    assert_eq!(text, dxf_of(&l));
    assert!(text.contains("$INSUNITS\r\n 70\r\n4\r\n") && text.contains("$ACADVER\r\n  1\r\nAC1015\r\n"));
    // Latin letters as they are, all else by number; no text is ever more than a line.
    assert!(text.contains("P-7K-003D: 7K-004TK <plywood & Co> B\u{fc}ro 4\\U+2032\r\n"));
    insta::assert_snapshot!(text.replace('\r', ""));
}

#[test]
fn an_svg_is_in_millimetres_with_its_y_turned_over() {
    let l = sheet(vec![
        Placed { source: bracket().source, place: place(0, false, 10_000, 10_000) },
        rectangle_part(50_000, 50_000, place(0, false, 300_000, 10_000)),
    ]);
    let text = String::from_utf8(layout(&l, LayoutFormat::Svg)).unwrap();
    assert!(text.contains("&lt;plywood &amp; Co&gt; Büro 4′"));
    insta::assert_snapshot!(text);
}

#[test]
fn the_frame_turns_moves_and_mirrors_everything() {
    let part = bracket();
    let place = place(37_204_113, false, 200_000, 100_000);
    let straight = sheet(vec![Placed { source: part.source.clone(), place }]);
    // The upper right corner of the sheet becomes the origin, its upper side (leftwards) the x axis.
    let frame = Frame { origin: Point::new(600_000, 400_000), along: [-3.0, 0.0], face_down: false };
    let marks = vec![[Point::new(0, 400_000), Point::new(600_000, 400_000)]];
    let turned = Layout { frame, marks, ..straight.clone() };
    let face_down = Frame { origin: Point::new(600_000, 0), along: [-1.0, 0.0], face_down: true };
    let mirrored = Layout { frame: face_down, ..straight.clone() };
    let read_back =
        |l: &Layout| only(&read("l.dxf", &layout(l, LayoutFormat::Dxf), &Options::default()).unwrap()).clone();
    let (before, after, down) = (read_back(&straight), read_back(&turned), read_back(&mirrored));
    assert!((before.area_mm2 - after.area_mm2).abs() < 1e-3 && (before.area_mm2 - down.area_mm2).abs() < 1e-3);
    let corners = |l: &Layout, layer| polylines(&dxf_of(l), layer).into_iter().next().unwrap().0;
    for (a, (b, c)) in
        corners(&straight, CUT_LAYER).iter().zip(corners(&turned, CUT_LAYER).iter().zip(&corners(&mirrored, CUT_LAYER)))
    {
        assert!((600.0 - a[0] - b[0]).abs() < 1e-6 && (400.0 - a[1] - b[1]).abs() < 1e-6);
        assert!((600.0 - a[0] - c[0]).abs() < 1e-6 && (a[1] - c[1]).abs() < 1e-6);
        assert!((a[2] - b[2]).abs() < 1e-12 && (a[2] + c[2]).abs() < 1e-12);
    }
    let (mark, closed) = polylines(&dxf_of(&turned), NOTES_LAYER).into_iter().next().unwrap();
    assert_eq!((mark, closed), (vec![[600.0, 0.0, 0.0], [0.0, 0.0, 0.0]], false));
}

#[test]
fn what_is_kept_and_how_it_is_cut_off_is_drawn_on_layers_that_are_not_read_as_parts() {
    let mut l = sheet(vec![rectangle_part(50_000, 400_000, place(0, false, 0, 0))]);
    l.kept = vec![Shape::rectangle(549_800, 400_000).unwrap().placed(&place(0, false, 50_200, 0)).unwrap()];
    l.straight = vec![[Point::new(50_100, 0), Point::new(50_100, 400_000)]];
    let text = dxf_of(&l);
    let (kept, closed) = polylines(&text, KEPT_LAYER).into_iter().next().unwrap();
    assert!(closed && kept.len() == 4 && kept.contains(&[50.2, 0.0, 0.0]));
    let cut = (vec![[50.1, 0.0, 0.0], [50.1, 400.0, 0.0]], false);
    assert_eq!(polylines(&text, STRAIGHT_LAYER), [cut]);
    let part = only(&read("l.dxf", &layout(&l, LayoutFormat::Dxf), &Options::default()).unwrap()).clone();
    assert!((part.area_mm2 - 20_000.0).abs() < 1e-3);
}

//! What is read from DXF, entity by entity, against areas known by formula.

mod common;

use std::f64::consts::PI;

use common::*;
use sheetloft_drawings::{DrawingError, Format, Options, Role, Unit, UnitSaidBy, read};
use sheetloft_shapes::Segment;

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-6 * want.abs() + 1e-6, "{got} is not {want}");
}

#[test]
fn loose_lines_and_arcs_make_a_part_with_its_holes() {
    // A slot 100 long between centres and 40 wide, with a hole, drawn in no order.
    let text = file(
        &[
            line("0", [100.0, 20.0], [0.0, 20.0]),
            circle("0", [50.0, 0.0], 10.0),
            arc("0", [0.0, 0.0], 20.0, 90.0, 270.0),
            line("0", [100.0, -20.0], [0.0, -20.0]),
            arc("0", [100.0, 0.0], 20.0, 270.0, 90.0),
        ]
        .concat(),
    );
    let drawing = parse(&text);
    let part = only(&drawing);
    assert_eq!((drawing.unit, drawing.unit_said_by), (Unit::Mm, UnitSaidBy::File));
    near(part.area_mm2, 4000.0 + PI * 400.0 - PI * 100.0);
    assert_eq!((part.id.as_str(), part.name.as_str(), part.quantity), ("p1", "1", 1));
    assert_eq!(part.source.len(), 2);
    assert_eq!(part.source[0].segments.iter().filter(|s| matches!(s, Segment::Arc { .. })).count(), 2);
    assert!(drawing.left_out.is_empty() && drawing.notes.is_empty());
    assert_safe(&part.shape, &part.source, true, 1000);
}

#[test]
fn units_come_from_the_file_the_option_or_are_assumed() {
    let square = rectangle("0", [0.0, 0.0], [2.0, 2.0]);
    for (code, unit, mm2) in [
        (1, Unit::In, 4.0 * 25.4 * 25.4),
        (2, Unit::Ft, 4.0 * 304.8 * 304.8),
        (4, Unit::Mm, 4.0),
        (5, Unit::Cm, 400.0),
        (6, Unit::M, 4e6),
        (9, Unit::Mil, 4.0 * 0.0254 * 0.0254),
    ] {
        let drawing = parse(&file_in(code, "", &square));
        assert_eq!((drawing.unit, drawing.unit_said_by), (unit, UnitSaidBy::File));
        near(only(&drawing).area_mm2, mm2);
    }
    let assumed = parse(&file_in(0, "", &square));
    assert_eq!((assumed.unit, assumed.unit_said_by), (Unit::Mm, UnitSaidBy::Assumed));
    let options = Options { unit: Some(Unit::In), ..Options::default() };
    let told = try_parse(&file_in(4, "", &square), &options).unwrap();
    assert_eq!((told.unit, told.unit_said_by), (Unit::In, UnitSaidBy::Option));
    near(only(&told).area_mm2, 4.0 * 25.4 * 25.4);
    // Decimetres are a unit of DXF but not of ours.
    assert_eq!(try_parse(&file_in(14, "", &square), &Options::default()), Err(DrawingError::UnitNotTaken { code: 14 }));
}

#[test]
fn bulges_bend_to_the_right_side() {
    // Half circles on two sides of a square: one outward, one inward.
    let corners = [(0.0, 0.0, 0.0), (20.0, 0.0, 1.0), (20.0, 20.0, 0.0), (0.0, 20.0, -1.0)];
    let drawing = parse(&file(&polyline("0", &corners, true)));
    let part = only(&drawing);
    near(part.area_mm2, 400.0);
    assert_safe(&part.shape, &part.source, true, 1000);
    // The old form of the same polyline, with its corners as entities of their own.
    let mut old = entity("POLYLINE", "0", &[(66, 1.0), (70, 1.0), (10, 0.0), (20, 0.0)]);
    for c in corners {
        old += &entity("VERTEX", "0", &[(10, c.0), (20, c.1), (42, c.2)]);
    }
    old += "0\nSEQEND\n8\n0\n";
    let old = parse(&file(&old));
    assert_eq!(only(&old).source, part.source);
}

#[test]
fn ellipses_and_splines_have_their_areas() {
    let ellipse = [(10, 50.0), (20, 50.0), (11, 0.0), (21, 40.0), (40, 0.5), (41, 0.0), (42, 2.0 * PI)];
    near(only(&parse(&file(&entity("ELLIPSE", "0", &ellipse)))).area_mm2, PI * 40.0 * 20.0);
    // Half of one, closed by a line; seen from below the other half is drawn.
    for (z, top) in [(1.0, true), (-1.0, false)] {
        let half = [(10, 0.0), (20, 0.0), (11, 40.0), (21, 0.0), (40, 0.5), (41, 0.0), (42, PI), (230, z)];
        let text = file(&(entity("ELLIPSE", "0", &half) + &line("0", [-40.0, 0.0], [40.0, 0.0])));
        let drawing = parse(&text);
        let part = only(&drawing);
        near(part.area_mm2, PI * 40.0 * 20.0 / 2.0);
        assert_eq!(part.shape.bounds().1.y > 1000, top);
    }
    // A quarter of a circle as a rational spline of degree 2, closed by two lines.
    let w = 0.5f64.sqrt();
    let mut codes = vec![(70, 4.0), (71, 2.0), (72, 6.0), (73, 3.0), (74, 0.0)];
    codes.extend([0.0, 0.0, 0.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
    codes.extend([1.0, w, 1.0].map(|w| (41, w)));
    for p in [[30.0, 0.0], [30.0, 30.0], [0.0, 30.0]] {
        codes.extend([(10, p[0]), (20, p[1]), (30, 0.0)]);
    }
    let quarter = entity("SPLINE", "0", &codes);
    let lines = line("0", [0.0, 0.0], [30.0, 0.0]) + &line("0", [0.0, 0.0], [0.0, 30.0]);
    near(only(&parse(&file(&(quarter.clone() + &lines)))).area_mm2, PI * 900.0 / 4.0);
    // Programs differ in whether they write the height of each point.
    let flat = quarter.replace("30\n0\n", "");
    near(only(&parse(&file(&(flat + &lines)))).area_mm2, PI * 900.0 / 4.0);
    // A cubic Bézier curve: the area under it is known exactly.
    let mut codes = vec![(70, 8.0), (71, 3.0)];
    codes.extend([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
    for p in [[0.0, 0.0], [0.0, 40.0], [60.0, 40.0], [60.0, 0.0]] {
        codes.extend([(10, p[0]), (20, p[1])]);
    }
    let text = file(&(entity("SPLINE", "0", &codes) + &line("0", [0.0, 0.0], [60.0, 0.0])));
    let drawing = parse(&text);
    near(only(&drawing).area_mm2, 60.0 * 40.0 * 0.6);
    assert_safe(&only(&drawing).shape, &only(&drawing).source, true, 1000);
}

#[test]
fn a_spline_with_nothing_but_fit_points_goes_through_them_and_is_noted() {
    let mut codes = vec![(70, 1.0), (71, 3.0), (74, 24.0)];
    for i in 0..24 {
        let angle = PI * f64::from(i) / 12.0;
        codes.extend([(11, 50.0 * angle.cos()), (21, 50.0 * angle.sin())]);
    }
    let drawing = parse(&file(&entity("SPLINE", "0", &codes)));
    let part = only(&drawing);
    // Smooth all round: next to a circle.
    assert!((part.area_mm2 - PI * 2500.0).abs() < 1.0, "{}", part.area_mm2);
    let drawn = samples(&part.source[0], 40);
    assert!(drawn.iter().all(|p| (p[0].hypot(p[1]) - 50_000.0).abs() < 20.0));
    assert_eq!(drawing.notes.iter().map(|n| n.key()).collect::<Vec<_>>(), ["through-points"]);
}

#[test]
fn blocks_are_followed_nested_turned_mirrored_squeezed_and_in_rows() {
    let inner = block("Inner", [1.0, 1.0], &(rectangle("0", [1.0, 1.0], [11.0, 5.0]) + &circle("0", [4.0, 3.0], 1.0)));
    let outer = block("Outer", [0.0, 0.0], &insert("Inner", "0", &[(10, 5.0), (20, 5.0), (50, 90.0)]));
    let one = 40.0 - PI;
    let place = |codes: &[(i32, f64)]| parse(&file_in(4, &(inner.clone() + &outer), &insert("Outer", "0", codes)));
    let plain = place(&[(10, 100.0), (20, 50.0)]);
    near(only(&plain).area_mm2, one);
    // (0,0) of the inner block's rectangle comes to (105, 55); a quarter turn puts 10 upwards and 4 to the left.
    assert_eq!(only(&plain).shape.bounds().0, sheetloft_shapes::Point::new(101_000, 55_000));
    assert_eq!(only(&plain).shape.bounds().1, sheetloft_shapes::Point::new(105_000, 65_000));
    assert_eq!(only(&plain).name, "Inner");
    // Twice as wide and three times as high: the round hole becomes an ellipse.
    let squeezed = place(&[(10, 0.0), (20, 0.0), (41, 2.0), (42, 3.0)]);
    near(only(&squeezed).area_mm2, 6.0 * one);
    assert!(only(&squeezed).source[1].segments.iter().all(|s| matches!(s, Segment::Cubic { .. })));
    assert_safe(&only(&squeezed).shape, &only(&squeezed).source, true, 1000);
    // Mirrored, and seen from below, which mirrors too: outlines still run counter-clockwise.
    let mirrored = place(&[(10, 0.0), (20, 0.0), (41, -1.0)]);
    near(only(&mirrored).area_mm2, one);
    let below = place(&[(10, 0.0), (20, 0.0), (230, -1.0)]);
    assert_eq!(only(&below).shape.bounds(), only(&mirrored).shape.bounds());
    // Three columns and two rows of one part.
    let rows = place(&[(10, 0.0), (20, 0.0), (70, 3.0), (71, 2.0), (44, 20.0), (45, 30.0), (50, 30.0)]);
    assert_eq!((only(&rows).quantity, rows.left_out.len()), (6, 0));
    near(only(&rows).area_mm2, one);
}

#[test]
fn alike_parts_are_counted_whatever_their_turn_but_mirrored_ones_apart() {
    // A hook without symmetry, its copy turned by 33° and started elsewhere, its mirror image, and a larger one.
    let hook = [[0.0, 0.0], [30.0, 0.0], [30.0, 10.0], [10.0, 10.0], [10.0, 20.0], [0.0, 20.0]];
    let drawn = |start: usize, map: &dyn Fn([f64; 2]) -> [f64; 2]| {
        let corners: Vec<_> = (0..6).map(|i| map(hook[(start + i) % 6])).map(|p| (p[0], p[1], 0.0)).collect();
        polyline("0", &corners, true)
    };
    let (s, c) = 33f64.to_radians().sin_cos();
    let text = file(
        &[
            drawn(0, &|p| p),
            drawn(3, &|p| [200.0 + p[0] * c - p[1] * s, p[0] * s + p[1] * c]),
            drawn(0, &|p| [-100.0 - p[0], p[1]]),
            drawn(0, &|p| [400.0 + 1.01 * p[0], p[1]]),
        ]
        .concat(),
    );
    let drawing = parse(&text);
    assert_eq!(drawing.parts.iter().map(|p| p.quantity).collect::<Vec<_>>(), [2, 1, 1]);
    assert_eq!(drawing.parts.iter().map(|p| p.id.as_str()).collect::<Vec<_>>(), ["p1", "p2", "p3"]);
    // Discs, of which the holes say how they are turned.
    let disc = |x: f64, holes: &[f64]| {
        let hole = |a: &f64| circle("0", [x + 30.0 * a.to_radians().cos(), 30.0 * a.to_radians().sin()], 5.0);
        circle("0", [x, 0.0], 50.0) + &holes.iter().map(hole).collect::<String>()
    };
    let text = file(
        &[disc(0.0, &[0.0, 60.0, 200.0]), disc(200.0, &[77.0, 137.0, 277.0]), disc(400.0, &[0.0, 60.0, 220.0])]
            .concat(),
    );
    assert_eq!(parse(&text).parts.iter().map(|p| p.quantity).collect::<Vec<_>>(), [2, 1]);
}

#[test]
fn a_part_in_a_hole_is_a_part_of_its_own() {
    let rings: String = (1..=5).map(|i| circle("CUT", [0.0, 0.0], 10.0 * f64::from(i))).collect();
    let drawing = parse(&file(&rings));
    let areas: Vec<f64> = drawing.parts.iter().map(|p| p.area_mm2 / PI).collect();
    assert_eq!(drawing.parts.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), ["CUT 1", "CUT 2", "CUT 3"]);
    for (got, want) in areas.iter().zip([100.0, 500.0, 900.0]) {
        near(*got, want);
    }
    assert_eq!(drawing.parts.iter().map(|p| p.source.len()).collect::<Vec<_>>(), [1, 2, 2]);
}

#[test]
fn outlines_that_share_a_line_are_two() {
    // Two rectangles with one common line, seven lines in all.
    let text = file(
        &[
            line("0", [0.0, 0.0], [50.0, 0.0]),
            line("0", [50.0, 0.0], [90.0, 0.0]),
            line("0", [90.0, 0.0], [90.0, 30.0]),
            line("0", [90.0, 30.0], [50.0, 30.0]),
            line("0", [50.0, 30.0], [0.0, 30.0]),
            line("0", [0.0, 30.0], [0.0, 0.0]),
            line("0", [50.0, 0.0], [50.0, 30.0]),
        ]
        .concat(),
    );
    let mut areas: Vec<f64> = parse(&text).parts.iter().map(|p| p.area_mm2).collect();
    areas.sort_by(f64::total_cmp);
    assert_eq!(areas, [1200.0, 1500.0]);
}

#[test]
fn gaps_within_the_tolerance_are_bridged_and_told_of() {
    let text = file(
        &[
            line("0", [0.0, 0.0], [100.0, 0.03]),
            line("0", [100.0, 0.0], [100.0, 50.0]),
            line("0", [100.0, 50.0], [0.0, 0.0]),
        ]
        .concat(),
    );
    let drawing = parse(&text);
    assert!((only(&drawing).area_mm2 - 2500.0).abs() < 1.0);
    assert_eq!(
        drawing.notes.iter().map(ToString::to_string).collect::<Vec<_>>(),
        ["a gap of 0.030 mm was bridged at 100.000, 0.015 on layer '0'"]
    );
    let options = Options { join_um: 20, ..Options::default() };
    let strict = try_parse(&text, &options).unwrap();
    assert_eq!(strict.parts.len(), 0);
    assert_eq!(
        left_out(&strict),
        ["1 × open line at 100.000, 0.030 on layer '0': it does not close: there is a gap of 0.030 mm"]
    );
}

#[test]
fn what_is_left_out_is_said_with_its_place() {
    let text = file_in(
        4,
        &block("Frame", [0.0, 0.0], &entity("HATCH", "0", &[(10, 0.0), (20, 0.0)])),
        &[
            rectangle("0", [0.0, 0.0], [100.0, 100.0]),
            // Twice: one on the other.
            rectangle("0", [0.0, 0.0], [100.0, 100.0]),
            entity("MTEXT", "NAMES", &[(10, 7.0), (20, 8.0), (40, 2.5)]),
            entity("MTEXT", "NAMES", &[(10, 9.0), (20, 8.0), (40, 2.5)]),
            entity("DIMENSION", "SIZES", &[(10, 1.0), (20, 2.0)]),
            insert("Frame", "0", &[(10, 0.0), (20, 0.0)]),
            insert("Nowhere", "0", &[(10, 3.0), (20, 4.0)]),
            // A figure of eight, and a line that stays open.
            polyline("0", &[(200.0, 0.0, 0.0), (300.0, 100.0, 0.0), (300.0, 0.0, 0.0), (200.0, 100.0, 0.0)], true),
            line("0", [400.0, 0.0], [400.0, 50.0]),
            // A hole that sticks out.
            rectangle("0", [500.0, 0.0], [600.0, 100.0]),
            circle("0", [600.0, 50.0], 10.0),
            circle("Defpoints", [0.0, 0.0], 1.0),
            circle("0", [0.0, 0.0], f64::NAN),
            entity("CIRCLE", "0", &[(10, 1.0), (40, 1.0)]),
        ]
        .concat(),
    );
    let drawing = parse(&text);
    near(only(&drawing).area_mm2, 10_000.0);
    insta::assert_snapshot!(left_out(&drawing).join("\n"));
}

#[test]
fn layers_that_are_frozen_off_or_not_asked_for_are_skipped_with_a_word() {
    let table = |name: &str, flags: i32, colour: i32| format!("0\nLAYER\n2\n{name}\n70\n{flags}\n62\n{colour}\n6\nX\n");
    let tables = format!(
        "0\nSECTION\n2\nTABLES\n0\nTABLE\n2\nLAYER\n70\n3\n{}{}{}0\nENDTAB\n0\nENDSEC\n",
        table("cut", 0, 7),
        table("Old", 1, 7),
        table("Off", 0, -7)
    );
    let entities = [
        rectangle("CUT", [0.0, 0.0], [10.0, 10.0]),
        rectangle("OLD", [20.0, 0.0], [30.0, 10.0]),
        rectangle("OFF", [40.0, 0.0], [50.0, 10.0]),
        rectangle("OTHER", [60.0, 0.0], [80.0, 10.0]),
        entity("LINE", "CUT", &[(60, 1.0), (10, 0.0), (20, 0.0), (11, 5.0), (21, 5.0)]),
        entity("LINE", "CUT", &[(67, 1.0), (10, 0.0), (20, 0.0), (11, 5.0), (21, 5.0)]),
    ]
    .concat();
    let text = file(&entities).replacen("0\nSECTION\n2\nBLOCKS", &(tables + "0\nSECTION\n2\nBLOCKS"), 1);
    let all = parse(&text);
    assert_eq!(all.parts.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), ["CUT", "OTHER"]);
    insta::assert_snapshot!(left_out(&all).join("\n"));
    let options = Options { only: Some(vec!["Cut".to_owned()]), ..Options::default() };
    let asked = try_parse(&text, &options).unwrap();
    assert_eq!(only(&asked).name, "CUT");
    assert!(left_out(&asked).iter().any(|l| l.contains("'OTHER'") && l.contains("not asked for")));
}

#[test]
fn a_piece_has_its_chords_on_the_other_side() {
    let text = file(&(circle("0", [0.0, 0.0], 200.0) + &circle("0", [50.0, 0.0], 40.0)));
    let part = only(&parse(&text)).clone();
    let options = Options { role: Role::Piece, ..Options::default() };
    let piece = only(&try_parse(&text, &options).unwrap()).clone();
    assert_eq!(part.source, piece.source);
    assert_safe(&part.shape, &part.source, true, 1000);
    assert_safe(&piece.shape, &piece.source, false, 1000);
    let exact = 2e6 * part.area_mm2;
    assert!((part.shape.area2() as f64) > exact && (piece.shape.area2() as f64) < exact);
}

#[test]
fn a_binary_file_reads_as_its_text_does() {
    let text = file_in(
        1,
        &block("Tile", [0.0, 0.0], &polyline("0", &[(0.0, 0.0, 0.4), (3.0, 0.0, 0.0), (3.0, 2.0, 0.0)], true)),
        &[insert("Tile", "ü", &[(10, 1.5), (20, 2.25), (50, 12.5)]), circle("ü", [20.0, 0.0], 3.125)].concat(),
    );
    let want = parse(&text);
    assert_eq!(want.parts.len(), 2);
    for wide in [false, true] {
        let got = read("test.dxf", &binary(&text, wide), &Options::default()).unwrap();
        assert_eq!(got, want);
    }
}

#[test]
fn names_in_old_code_pages_are_read() {
    let text = file(&rectangle("Schnittfl\\U+00E4che", [0.0, 0.0], [10.0, 10.0]));
    assert_eq!(only(&parse(&text)).name, "Schnittfläche");
    let ansi = file(&rectangle("Xche", [0.0, 0.0], [10.0, 10.0])).into_bytes();
    let ansi: Vec<u8> = ansi.iter().map(|&b| if b == b'X' { 0xe4 } else { b }).collect();
    assert_eq!(only(&read("a.dxf", &ansi, &Options::default()).unwrap()).name, "äche");
}

#[test]
fn other_formats_are_named() {
    let is = |name: &str, bytes: &[u8]| match read(name, bytes, &Options::default()) {
        Err(DrawingError::NotRead { format }) => format,
        other => panic!("{other:?}"),
    };
    assert_eq!(is("a.dxf", b"AC1027\0\0\0"), Format::Dwg);
    assert_eq!(is("a.ai", b"%!PS-Adobe-3.0\n"), Format::PostScript);
    assert_eq!(is("a.jpg", b"\xff\xd8\xff\xe0"), Format::Picture);
    for (name, bytes, format) in [
        ("a.dxf", b"%PDF-1.7\n".as_slice(), Format::Pdf),
        ("a.txt", b"<?xml version='1.0'?><svg/>", Format::Svg),
        ("a", b"IN;SP1;PU0,0;", Format::Plt),
        ("a.plt", b"LT;PU;", Format::Plt),
    ] {
        assert_eq!(sheetloft_drawings::format(name, bytes), format, "{name}");
    }
    assert_eq!(is("a", b"hello"), Format::Unknown);
    assert_eq!(read("a.dxf", b" \n", &Options::default()), Err(DrawingError::Empty));
    // The name may be wrong as long as the content is right.
    assert_eq!(read("a.txt", file("").as_bytes(), &Options::default()).unwrap().parts, []);
}

#[test]
fn drawings_past_twenty_metres_are_refused_with_their_size() {
    let text = file_in(6, "", &rectangle("0", [0.0, 0.0], [25.0, 1.0]));
    let error = try_parse(&text, &Options::default()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the drawing reaches 25000 mm from its origin when read in m; at most 20000 mm are taken. Is the unit right?"
    );
    let options = Options { unit: Some(Unit::Cm), ..Options::default() };
    near(only(&try_parse(&text, &options).unwrap()).area_mm2, 2500.0);
}

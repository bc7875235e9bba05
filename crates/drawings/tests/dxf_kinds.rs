//! Each kind of DXF entity, colours, hatches, writing, and lines drawn twice in part.

mod common;

use std::f64::consts::PI;

use common::*;
use sheetloft_drawings::{Colour, LayerChoice, LayerSaidBy, NoteOf, Options, Unit, UnitSaidBy, Why};

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-6 * want.abs() + 1e-6, "{got} is not {want}");
}

/// A hatch with these group codes between its head and its tail.
fn hatch(layer: &str, boundary: &[(i32, f64)]) -> String {
    let mut codes = vec![(10, 0.0), (20, 0.0), (30, 0.0), (210, 0.0), (220, 0.0), (230, 1.0)];
    codes.extend([(70, 1.0), (71, 0.0), (91, 1.0)]);
    codes.extend(boundary);
    codes.extend([(75, 0.0), (76, 1.0), (98, 1.0), (10, 5.0), (20, 5.0)]);
    entity("HATCH", layer, &codes).replacen(&format!("8\n{layer}\n"), &format!("8\n{layer}\n2\nSOLID\n"), 1)
}

#[test]
fn hatches_are_outlines_by_polylines_with_bulges() {
    let mut codes = vec![(92, 7.0), (72, 1.0), (73, 1.0), (93, 4.0)];
    for (x, y, bulge) in [(0.0, 0.0, 0.0), (20.0, 0.0, 1.0), (20.0, 20.0, 0.0), (0.0, 20.0, 0.0)] {
        codes.extend([(10, x), (20, y), (42, bulge)]);
    }
    codes.push((97, 0.0));
    near(only(&parse(&file(&hatch("0", &codes)))).area_mm2, 400.0 + PI * 50.0);
}

#[test]
fn hatches_are_outlines_by_edges_of_each_kind() {
    // Half a circle (drawn clockwise, as seen from below) closed by a line.
    let codes = [
        (92, 1.0),
        (93, 2.0),
        (72, 1.0),
        (10, -10.0),
        (20, 0.0),
        (11, 10.0),
        (21, 0.0),
        (72, 2.0),
        (10, 0.0),
        (20, 0.0),
        (40, 10.0),
        (50, 0.0),
        (51, 180.0),
        (73, 1.0),
        (97, 0.0),
    ];
    let drawing = parse(&file(&hatch("0", &codes)));
    near(only(&drawing).area_mm2, PI * 50.0);
    assert!(only(&drawing).shape.bounds().1.y > 9_000);
    // The same turned over: the angles of a clockwise arc are those seen from below.
    let mut below = codes;
    below[13].1 = 0.0;
    let drawing = parse(&file(&hatch("0", &below)));
    near(only(&drawing).area_mm2, PI * 50.0);
    assert!(only(&drawing).shape.bounds().0.y < -9_000);
    // A whole ellipse, and a Bézier curve as a spline closed by a line.
    let ellipse = [
        (92, 1.0),
        (93, 1.0),
        (72, 3.0),
        (10, 0.0),
        (20, 0.0),
        (11, 30.0),
        (21, 0.0),
        (40, 0.5),
        (50, 0.0),
        (51, 360.0),
        (73, 1.0),
        (97, 0.0),
    ];
    near(only(&parse(&file(&hatch("0", &ellipse)))).area_mm2, PI * 30.0 * 15.0);
    let mut spline = vec![(92, 1.0), (93, 2.0), (72, 4.0), (94, 3.0), (73, 0.0), (74, 0.0), (95, 8.0), (96, 4.0)];
    spline.extend([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
    for p in [[0.0, 0.0], [0.0, 40.0], [60.0, 40.0], [60.0, 0.0]] {
        spline.extend([(10, p[0]), (20, p[1])]);
    }
    spline.extend([(97, 0.0), (72, 1.0), (10, 60.0), (20, 0.0), (11, 0.0), (21, 0.0), (97, 0.0)]);
    near(only(&parse(&file(&hatch("0", &spline)))).area_mm2, 60.0 * 40.0 * 0.6);
}

#[test]
fn a_hatch_along_lines_that_are_drawn_is_left_out_with_a_word() {
    let codes = [
        (92, 7.0),
        (72, 0.0),
        (73, 1.0),
        (93, 3.0),
        (10, 0.0),
        (20, 0.0),
        (10, 40.0),
        (20, 0.0),
        (10, 0.0),
        (20, 30.0),
    ];
    let lines =
        line("0", [0.0, 0.0], [40.0, 0.0]) + &line("0", [40.0, 0.0], [0.0, 30.0]) + &line("0", [0.0, 30.0], [0.0, 0.0]);
    let drawing = parse(&file(&(hatch("FILL", &codes) + &lines)));
    near(only(&drawing).area_mm2, 600.0);
    assert_eq!(drawing.left_out.iter().map(|l| l.why.clone()).collect::<Vec<_>>(), [Why::RimDrawn]);
    // A filled corner of a plate touches its rim: nobody can tell whether it is a hole, and that is said.
    let plate = rectangle("0", [0.0, 0.0], [100.0, 100.0]);
    let drawing = parse(&file(&(hatch("0", &codes) + &plate)));
    assert!(drawing.parts.is_empty());
    assert!(drawing.left_out.iter().any(|l| l.why == Why::CrossesAnother), "{:?}", left_out(&drawing));
    for broken in [&codes[..2], &codes[..5], &[(92, 1.0), (93, 1.0), (72, 9.0)], &[(92, 7.0), (93, 1e9)]] {
        let drawing = parse(&file(&hatch("0", broken)));
        assert!(drawing.parts.is_empty() && drawing.left_out.len() == 1, "{:?}", left_out(&drawing));
    }
}

#[test]
fn parts_are_named_by_the_writing_in_them() {
    let text = |at: P, height: f64, said: &str| {
        entity("TEXT", "NAMES", &[(10, at[0]), (20, at[1]), (40, height)]) + &format!("1\n{said}\n")
    };
    let entities = [
        rectangle("CUT", [0.0, 0.0], [100.0, 100.0]),
        circle("CUT", [50.0, 50.0], 20.0),
        text([10.0, 10.0], 3.0, "3 mm ply"),
        text([10.0, 80.0], 8.0, "%%uLid%%u"),
        // In the hole: names what lies there, not the part around.
        text([50.0, 50.0], 30.0, "waste"),
        rectangle("CUT", [200.0, 0.0], [300.0, 100.0]),
        rectangle("CUT", [400.0, 0.0], [500.0, 110.0]),
        entity("MTEXT", "NAMES", &[(10, 420.0), (20, 50.0), (40, 5.0)]) + "1\n{\\fArial;Side\\Ppanel}\n",
    ]
    .concat();
    let drawing = parse(&file(&entities));
    assert_eq!(drawing.parts.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), ["Lid", "CUT", "Side panel"]);
    // Attributes of a block name the part where the block is put.
    let blocks = block("TILE", [0.0, 0.0], &rectangle("0", [0.0, 0.0], [30.0, 20.0]));
    let attribute = entity("ATTRIB", "0", &[(10, 105.0), (20, 5.0), (40, 4.0)]) + "1\nA7\n2\nNUMBER\n70\n0\n";
    let put = insert("TILE", "0", &[(10, 100.0), (20, 0.0), (66, 1.0)]) + &attribute + "0\nSEQEND\n8\n0\n";
    assert_eq!(only(&parse(&file_in(4, &blocks, &put))).name, "A7");
}

#[test]
fn lines_drawn_twice_in_part_are_drawn_once() {
    // A rectangle of which one side is a long and a short line, one on the other, and another side is drawn in two
    // that overlap; the corner is an arc drawn in two that overlap.
    let text = file(
        &[
            line("0", [0.0, 0.0], [100.0, 0.0]),
            line("0", [60.0, 0.0], [20.0, 0.0]),
            line("0", [100.0, 0.0], [100.0, 40.0]),
            line("0", [100.0, 30.0], [100.0, 70.0]),
            line("0", [100.0, 60.0], [100.0, 80.0]),
            arc("0", [80.0, 80.0], 20.0, 0.0, 60.0),
            arc("0", [80.0, 80.0], 20.0, 30.0, 90.0),
            line("0", [80.0, 100.0], [0.0, 100.0]),
            line("0", [0.0, 100.0], [0.0, 0.0]),
        ]
        .concat(),
    );
    let drawing = parse(&text);
    near(only(&drawing).area_mm2, 10_000.0 - 400.0 + PI * 100.0);
    near(only(&drawing).cut_mm, 360.0 + PI * 10.0);
    assert!(drawing.left_out.iter().all(|l| l.why == Why::DrawnTwice), "{:?}", left_out(&drawing));
    // Loose lines on an outline that is closed without them are no open lines.
    let doubled = rectangle("0", [0.0, 0.0], [50.0, 50.0]) + &line("1", [10.0, 0.0], [40.0, 0.0]);
    let drawing = parse(&file(&doubled));
    assert_eq!(
        left_out(&drawing),
        ["1 × line or curve at 25.000, 0.000 on layer '1': it is drawn twice, one on the other"]
    );
    // Two rectangles that share part of a side stay two.
    let sides = |lo: P, hi: P| {
        let c = [lo, [hi[0], lo[1]], hi, [lo[0], hi[1]]];
        (0..4).map(|i| line("0", c[i], c[(i + 1) % 4])).collect::<String>()
    };
    let drawing = parse(&file(&(sides([0.0, 0.0], [100.0, 50.0]) + &sides([100.0, 20.0], [200.0, 40.0]))));
    let mut areas: Vec<f64> = drawing.parts.iter().map(|p| p.area_mm2).collect();
    areas.sort_by(f64::total_cmp);
    assert_eq!(areas, [2000.0, 5000.0], "{:?}", left_out(&drawing));
}

#[test]
fn colours_are_of_the_entity_its_layer_or_its_block() {
    let tables = "0\nSECTION\n2\nTABLES\n0\nTABLE\n2\nLAYER\n0\nLAYER\n2\nRED\n70\n0\n62\n1\n0\nENDTAB\n0\nENDSEC\n";
    let blue = |codes: &[(i32, f64)]| entity("CIRCLE", "RED", &[&[(10, 0.0), (20, 0.0), (40, 5.0)], codes].concat());
    let entities = [
        circle("RED", [50.0, 0.0], 5.0),
        blue(&[(62, 5.0)]),
        entity("CIRCLE", "0", &[(420, f64::from(0x12_34_56)), (10, 100.0), (20, 0.0), (40, 5.0)]),
        insert("B", "RED", &[(62, 3.0), (10, 200.0), (20, 0.0)]),
    ]
    .concat();
    let blocks = block("B", [0.0, 0.0], &entity("CIRCLE", "0", &[(62, 0.0), (10, 0.0), (20, 0.0), (40, 7.0)]));
    let text = file_in(4, &blocks, &entities).replacen(
        "0\nSECTION\n2\nBLOCKS",
        &(tables.to_owned() + "0\nSECTION\n2\nBLOCKS"),
        1,
    );
    let drawing = parse(&text);
    let keys: Vec<String> = drawing.layers.iter().map(|l| l.key()).collect();
    assert_eq!(keys, ["RED #ff0000", "RED #0000ff", "0 #123456", "RED #00ff00"]);
    assert_eq!(drawing.layers[3].colour, Some(Colour([0, 255, 0])));
    let options = Options { only: Some(vec!["#0000FF".to_owned(), "0".to_owned()]), ..Options::default() };
    assert_eq!(try_parse(&text, &options).unwrap().parts.iter().map(|p| p.quantity).sum::<u32>(), 2);
}

#[test]
fn layers_are_cut_by_their_names_unless_a_person_says_otherwise() {
    let text = file(&(rectangle("Plates", [0.0, 0.0], [10.0, 10.0]) + &rectangle("Frame", [-5.0, -5.0], [30.0, 30.0])));
    let said = |options: &Options| -> Vec<(String, bool, LayerSaidBy)> {
        try_parse(&text, options).unwrap().layers.into_iter().map(|l| (l.name, l.cut, l.said_by)).collect()
    };
    let row = |name: &str, cut, by| (name.to_owned(), cut, by);
    use LayerSaidBy::{Name, Nobody, Person, Remembered};
    assert_eq!(said(&Options::default()), [row("Plates", true, Nobody), row("Frame", false, Name)]);
    let choice = |layer: &str, cut| LayerChoice { layer: layer.to_owned(), cut };
    let remembered = vec![choice("frame", true), choice("PLATES", false)];
    let options = Options { remembered: remembered.clone(), ..Options::default() };
    assert_eq!(said(&options), [row("Plates", false, Remembered), row("Frame", true, Remembered)]);
    let options = Options { remembered, skip: vec!["frame".to_owned()], ..Options::default() };
    assert_eq!(said(&options), [row("Plates", false, Remembered), row("Frame", false, Person)]);
    let options = Options { only: Some(vec!["Frame #000000".to_owned()]), ..Options::default() };
    assert_eq!(said(&options), [row("Plates", false, Person), row("Frame", true, Person)]);
    // A drawing of nothing but a frame is the frame.
    let frame = parse(&file(&rectangle("Frame", [0.0, 0.0], [30.0, 30.0])));
    assert_eq!(frame.parts.len(), 1);
    assert_eq!(frame.notes.iter().map(|n| n.key()).collect::<Vec<_>>(), ["named-but-alone"]);
    // What is off is taken where a person asks for it.
    let off = "0\nSECTION\n2\nTABLES\n0\nTABLE\n2\nLAYER\n0\nLAYER\n2\nPLATES\n70\n0\n62\n-7\n0\nENDTAB\n0\nENDSEC\n";
    let text = text.replacen("0\nSECTION\n2\nBLOCKS", &(off.to_owned() + "0\nSECTION\n2\nBLOCKS"), 1);
    let options = Options { only: Some(vec!["Plates".to_owned()]), ..Options::default() };
    near(only(&try_parse(&text, &options).unwrap()).area_mm2, 100.0);
}

#[test]
fn mirrored_parts_are_counted_as_the_faces_are() {
    let hook = |x: f64, side: f64| {
        let corners = [[0.0, 0.0], [30.0, 0.0], [30.0, 10.0], [10.0, 10.0], [10.0, 20.0], [0.0, 20.0]];
        polyline("0", &corners.map(|c| (x + side * c[0], c[1], 0.0)), true)
    };
    let text = file(
        &[
            hook(0.0, 1.0),
            hook(100.0, -1.0),
            hook(200.0, -1.0),
            hook(250.0, 1.0),
            rectangle("0", [0.0, 50.0], [9.0, 60.0]),
        ]
        .concat(),
    );
    let counts = |mirrored_alike| -> Vec<(String, u32)> {
        let options = Options { mirrored_alike, ..Options::default() };
        try_parse(&text, &options).unwrap().parts.into_iter().map(|p| (p.id, p.quantity)).collect()
    };
    let row = |id: &str, n| (id.to_owned(), n);
    assert_eq!(counts(false), [row("p1", 2), row("p2", 2), row("p3", 1)]);
    // Parts keep their names.
    assert_eq!(counts(true), [row("p1", 4), row("p3", 1)]);
}

#[test]
fn a_unit_that_is_not_said_is_asked_with_the_sizes_it_would_give() {
    let text = file_in(0, "", &(rectangle("0", [0.0, 0.0], [12.0, 8.0]) + &circle("0", [50.0, 0.0], 2.0)));
    let drawing = parse(&text);
    assert_eq!((drawing.unit, drawing.unit_said_by), (Unit::Mm, UnitSaidBy::Assumed));
    let choices: Vec<String> =
        drawing.choices.iter().map(|c| format!("{} {:.0} × {:.0}", c.unit, c.size_mm[0], c.size_mm[1])).collect();
    assert_eq!(choices, ["mm 12 × 8", "cm 120 × 80", "in 305 × 203", "ft 3658 × 2438", "pt 4 × 3"]);
    let options = Options { remembered_unit: Some(Unit::In), ..Options::default() };
    let again = try_parse(&text, &options).unwrap();
    assert_eq!((again.unit, again.unit_said_by), (Unit::In, UnitSaidBy::Remembered));
    for (one, other) in again.choices.iter().zip(&drawing.choices) {
        assert_eq!(one.unit, other.unit);
        near(one.size_mm[0], other.size_mm[0]);
    }
    assert_eq!(again.choices.len(), drawing.choices.len());
    // A file that says it is not asked about, and not doubted.
    let said = try_parse(&file_in(4, "", &rectangle("0", [0.0, 0.0], [12.0, 8.0])), &options).unwrap();
    assert_eq!((said.unit, said.unit_said_by, said.choices), (Unit::Mm, UnitSaidBy::File, vec![]));
}

#[test]
fn open_splines_through_points_keep_the_tangents_they_are_given() {
    // Through three points, level at both ends, closed by a line: symmetrical, above the points' triangle.
    let mut codes = vec![(70, 8.0), (71, 3.0), (74, 3.0), (12, 1.0), (22, 0.0), (13, 1.0), (23, 0.0)];
    for p in [[0.0, 0.0], [50.0, 30.0], [100.0, 0.0]] {
        codes.extend([(11, p[0]), (21, p[1])]);
    }
    let drawing = parse(&file(&(entity("SPLINE", "0", &codes) + &line("0", [0.0, 0.0], [100.0, 0.0]))));
    let part = only(&drawing);
    assert!(matches!(drawing.notes[0].of, NoteOf::ThroughPoints));
    let drawn = samples(&part.source[0], 40);
    // Level at the ends: next to them it hardly rises.
    assert!(drawn.iter().filter(|p| p[0] < 2_000.0).all(|p| p[1] < 200.0));
    assert!(drawn.iter().any(|p| (p[0] - 50_000.0).abs() < 1.0 && (p[1] - 30_000.0).abs() < 1.0));
}

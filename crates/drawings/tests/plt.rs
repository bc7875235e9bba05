//! What is read from HP-GL, command by command, against sizes known by formula. 40 plotter units are a millimetre.

mod common;

use std::f64::consts::PI;

use common::{assert_safe, left_out, only};
use sheetloft_drawings::{Drawing, DrawingError, Format, NoteOf, Options, Unit, UnitSaidBy, read};
use sheetloft_shapes::{Segment, limits};

fn parse(text: &str) -> Drawing {
    read("a.plt", text.as_bytes(), &Options::default()).expect("the drawing is read")
}

fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-6 * want.abs() + 1e-3, "{got} is not {want}");
}

#[test]
fn pens_up_and_down_absolute_and_relative() {
    for text in [
        "IN;SP1;PU0,0;PD4000,0,4000,2000,0,2000,0,0;PU;SP0;",
        "IN;SP1;PA;PU0,0;PD;PA4000,0,4000,2000,0,2000,0,0;PU",
        "IN;SP1;PU;PA0,0;PR;PD4000,0,0,2000;PD-4000,0,0,-2000;",
        "IN SP1 PU 0 0 PD 4000 0 PR 0 2000 -4000 0 0 -2000",
    ] {
        let drawing = parse(text);
        near(only(&drawing).area_mm2, 5000.0);
        assert_eq!((drawing.format, drawing.unit, drawing.unit_said_by), (Format::Plt, Unit::Mm, UnitSaidBy::File));
        assert_eq!(only(&drawing).layer, "pen 1");
    }
}

#[test]
fn arcs_circles_rectangles_and_wedges() {
    // A slot of lines and arcs: AA around centres, AR from where the pen is.
    let slot = "IN;SP1;PU0,-800;PD4000,-800;AA4000,0,180;PD0,800;AR0,-800,180;PU;";
    let drawing = parse(slot);
    near(only(&drawing).area_mm2, 4000.0 + PI * 400.0);
    assert_eq!(only(&drawing).source[0].segments.iter().filter(|s| matches!(s, Segment::Arc { .. })).count(), 2);
    assert_safe(&only(&drawing).shape, &only(&drawing).source, true, 1000);
    for (text, area) in [
        ("IN;SP1;PU4000,4000;CI2000;", PI * 2500.0),
        ("IN;SP1;PU0,0;EA4000,2000;", 5000.0),
        ("IN;SP1;PU100,100;ER4000,2000;", 5000.0),
        ("IN;SP1;PU100,100;RR-4000,2000;", 5000.0),
        ("IN;SP1;PU0,0;RA4000,2000;", 5000.0),
        ("IN;SP1;PU0,0;EW2000,0,90;", PI * 625.0),
        ("IN;SP1;PU0,0;WG-2000,30,90;", PI * 625.0),
        ("IN;SP1;PU0,0;WG2000,0,360;", PI * 2500.0),
        // Through a point: half a circle, closed.
        ("IN;SP1;PU0,0;PD;AT2000,2000,4000,0;PD0,0;", PI * 1250.0),
        ("IN;SP1;PU0,0;PD;RT2000,-2000,4000,0;PD0,0;", PI * 1250.0),
        // A cubic curve and its chord (as in the DXF test).
        ("IN;SP1;PU0,0;PD;BZ0,1600,2400,1600,2400,0;PD0,0;", 60.0 * 40.0 * 0.6),
        ("IN;SP1;PU100,0;PD;BR0,1600,2400,1600,2400,0;PD100,0;", 60.0 * 40.0 * 0.6),
    ] {
        near(only(&parse(text)).area_mm2, area);
    }
}

#[test]
fn scales_windows_and_turns() {
    // Numbers from 0 to 10 over 4000 units each way; then not the same both ways: circles become ellipses.
    near(only(&parse("IN;IP0,0,4000,4000;SC0,10,0,10;SP1;PU0,0;PD10,0,10,5,0,5,0,0;")).area_mm2, 5000.0);
    near(only(&parse("IN;IP0,0,4000,2000;SC0,10,0,10;SP1;PU5,5;CI2;")).area_mm2, PI * 20.0 * 10.0);
    // The same scale both ways, and so many units to the number.
    near(only(&parse("IN;IP0,0,4000,2000;SC0,10,0,10,1;SP1;PU5,5;CI2;")).area_mm2, PI * 100.0);
    near(only(&parse("IN;IP0,0,4000,2000;SC0,40,0,40,2;SP1;PU5,5;CI2;")).area_mm2, PI * 4.0);
    let turned = parse("IN;RO90;SP1;PU0,0;PD4000,0,4000,2000,0,2000,0,0;");
    let (low, high) = only(&turned).shape.bounds();
    assert_eq!((high.x - low.x, high.y - low.y), (50_000, 100_000));
    // A scale without its points hangs on the plotter: the unit is asked.
    let unknown = parse("IN;SC0,300,0,200;SP1;PU0,0;PD200,0,200,100,0,100,0,0;");
    assert_eq!((unknown.unit_said_by, unknown.choices.is_empty()), (UnitSaidBy::Assumed, false));
    near(only(&unknown).area_mm2, 20_000.0);
    let window = parse(
        "IN;SP1;IW0,0,3000,3000;PU0,0;PD2000,0,2000,2000,0,0;PU5000,0;PD6000,0,6000,900,5000,0;PU2000,0;PD3500,0,3500,900,2000,0",
    );
    assert_eq!(window.parts.len(), 2, "{:?}", left_out(&window));
    assert!(left_out(&window)[0].contains("clip") && matches!(window.notes[0].of, NoteOf::Clip));
}

#[test]
fn pens_are_layers_and_a_pen_put_away_draws_nothing() {
    let drawing = parse(
        "IN;SP1;PU0,0;PD400,0,400,400,0,0;SP3;PU1000,0;PD1800,0,1800,400,1000,0;SP0;PU0,900;PD800,900,0,1500,0,900;",
    );
    assert_eq!(drawing.layers.iter().map(|l| l.name.as_str()).collect::<Vec<_>>(), ["pen 1", "pen 3"]);
    assert_eq!(left_out(&drawing), ["1 × line or curve at 0.000, 22.500 on layer 'pen 0': the pen had been put away"]);
    let options = Options { skip: vec!["pen 3".to_owned()], ..Options::default() };
    let some =
        read("a.plt", b"IN;SP1;PU0,0;PD400,0,400,400,0,0;SP3;PU1000,0;PD1800,0,1800,400,1000,0;", &options).unwrap();
    assert_eq!(some.parts.len(), 1);
}

#[test]
fn labels_are_noted_left_out_and_name_parts() {
    let drawing =
        parse("IN;SP1;PU0,0;PD4000,0,4000,2000,0,2000,0,0;PU400,400;SI0.5,0.7;LBDoor\x03PU9000,0;DT*;LBoutside;PD0,0*");
    assert_eq!(only(&drawing).name, "Door");
    assert_eq!(left_out(&drawing), ["2 × label at 10.000, 10.000 on layer 'pen 1': it is no outline to cut"]);
}

#[test]
fn polygons_pages_and_what_is_unknown() {
    // A square with a square hole, defined, then drawn by its edges.
    let edges = "PU0,0;PM0;PD4000,0,4000,4000,0,4000;PM1;PU1000,1000;PD2000,1000,2000,2000,1000,2000;PM2;";
    for draw in ["EP;", "FP;"] {
        near(only(&parse(&format!("IN;SP1;{edges}{draw}"))).area_mm2, 10_000.0 - 625.0);
    }
    let two = parse("IN;SP1;PU0,0;PD4000,0,4000,2000,0,0;PG;PU0,0;PD4000,0,4000,2000,0,0;PG;");
    assert_eq!(only(&two).quantity, 2);
    assert_eq!(only(&two).page, Some(1));
    let odd = parse("IN;SP1;VS10;QX1,2;PU0,0;PD4000,0,4000,2000,0,0;");
    assert_eq!(left_out(&odd)[0].split(" on").next(), Some("1 × QX"));
    let short = parse("IN;SP1;AA1;CI;EA5;EW2;BZ1,2;");
    assert!(short.parts.is_empty() && short.left_out.len() >= 4, "{:?}", left_out(&short));
}

#[test]
fn too_much_ends_with_a_word() {
    let many = "CI9;".repeat(limits::DRAWING_ENTITIES + 1);
    let text = format!("IN;SP1;{many}");
    let most = limits::DRAWING_ENTITIES;
    assert_eq!(read("a.plt", text.as_bytes(), &Options::default()), Err(DrawingError::TooManyEntities { most }));
    let text = format!("IN;SP1;PD{}", "1,2,3,4,".repeat(limits::DRAWING_SEGMENTS / 2 + 1));
    assert!(matches!(read("a.plt", text.as_bytes(), &Options::default()), Err(DrawingError::TooManyCorners { .. })));
    let pages = "CI9;PG;".repeat(limits::DRAWING_PAGES + 1);
    let text = format!("IN;SP1;{pages}");
    assert!(matches!(read("a.plt", text.as_bytes(), &Options::default()), Err(DrawingError::TooManyPages { .. })));
    assert_eq!(read("a.plt", b"IN;SP1;PU1.2.3;", &Options::default()), Err(DrawingError::NotANumber { at: 10 }));
}

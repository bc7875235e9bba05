//! Files that mean harm: an answer or an error, never a panic, and never a long wait.

mod common;

use common::*;
use proptest::prelude::*;
use sheetloft_drawings::{DrawingError, Options, read};
use sheetloft_shapes::limits;

/// A file with one of everything that is read.
fn everything() -> String {
    let mut spline = vec![(70, 8.0), (71, 3.0)];
    spline.extend([0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0].map(|k| (40, k)));
    for p in [[0.0, 0.0], [0.0, 40.0], [60.0, 40.0], [60.0, 0.0]] {
        spline.extend([(10, p[0]), (20, p[1])]);
    }
    let old = entity("POLYLINE", "0", &[(66, 1.0), (70, 1.0)])
        + &entity("VERTEX", "0", &[(10, 0.0), (20, 0.0), (42, 0.5)])
        + &entity("VERTEX", "0", &[(10, 5.0), (20, 0.0)])
        + &entity("VERTEX", "0", &[(10, 5.0), (20, 5.0)])
        + "0\nSEQEND\n";
    file_in(
        1,
        &block("B", [1.0, 1.0], &(circle("0", [15.0, 5.0], 2.0) + &old)),
        &[
            line("0", [0.0, 0.0], [60.0, 0.0]),
            entity("SPLINE", "0", &spline),
            arc("1", [3.0, 100.0], 5.0, 0.0, 180.0),
            line("1", [-2.0, 100.0], [8.0, 100.0]),
            entity("ELLIPSE", "2", &[(10, 200.0), (20, 0.0), (11, 4.0), (21, 1.0), (40, 0.5)]),
            polyline("0", &[(300.0, 0.0, 0.5), (310.0, 0.0, 0.0), (305.0, 9.0, -0.2)], true),
            insert("B", "0", &[(10, 100.0), (20, 7.0), (41, 2.0), (50, 30.0), (70, 2.0), (44, 30.0)]),
            entity("TEXT", "0", &[(10, 1.0), (20, 1.0)]),
        ]
        .concat(),
    )
}

#[test]
fn the_file_itself_is_sound() {
    let drawing = parse(&everything());
    assert_eq!(drawing.parts.iter().map(|p| p.quantity).sum::<u32>(), 8, "{:?}", left_out(&drawing));
    assert_eq!(read("a.dxf", &binary(&everything(), false), &Options::default()).unwrap().parts, drawing.parts);
}

#[test]
fn a_file_cut_short_is_said_to_be_wherever_it_is_cut() {
    let text = everything();
    let entities = text.find("ENTITIES").unwrap();
    let end = text.rfind("0\nENDSEC").unwrap();
    for cut in (0..end).step_by(7) {
        match read("a.dxf", &text.as_bytes()[..cut], &Options::default()) {
            Err(_) => {}
            Ok(drawing) => panic!("cut at {cut} of {entities}..{end}: {} parts", drawing.parts.len()),
        }
    }
}

#[test]
fn blocks_that_stand_in_themselves_end() {
    let text = file_in(4, &block("A", [0.0, 0.0], &insert("A", "0", &[(10, 1.0), (20, 0.0)])), &insert("A", "0", &[]));
    assert!(matches!(try_parse(&text, &Options::default()), Err(DrawingError::TooDeep { .. })));
}

#[test]
fn blocks_that_multiply_end() {
    // Twenty levels of ten each, with a circle at the bottom, and the same with nothing at the bottom.
    for bottom in [circle("0", [0.0, 0.0], 1.0), String::new()] {
        let mut blocks = block("B0", [0.0, 0.0], &bottom);
        for level in 1..20 {
            let below = format!("B{}", level - 1);
            let ten: String = (0..10).map(|i| insert(&below, "0", &[(10, f64::from(i) * 3.0), (20, 0.0)])).collect();
            blocks += &block(&format!("B{level}"), [0.0, 0.0], &ten);
        }
        let text = file_in(4, &blocks, &insert("B19", "0", &[]));
        let error = try_parse(&text, &Options::default()).unwrap_err();
        assert_eq!(error, DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
    }
    let rows = insert("B", "0", &[(10, 0.0), (20, 0.0), (70, 32767.0), (71, 32767.0), (44, 0.1), (45, 0.1)]);
    let text = file_in(4, &block("B", [0.0, 0.0], &circle("0", [0.0, 0.0], 0.01)), &rows);
    assert!(matches!(try_parse(&text, &Options::default()), Err(DrawingError::TooManyEntities { .. })));
}

#[test]
fn too_much_is_refused_before_it_is_read() {
    let zeros = vec![b'0'; limits::FILE_BYTES + 1];
    assert_eq!(
        read("a.dxf", &zeros, &Options::default()),
        Err(DrawingError::TooLarge { bytes: zeros.len(), most: limits::FILE_BYTES })
    );
    let points = "0\nPOINT\n".repeat(limits::DRAWING_ENTITIES + 1);
    assert!(matches!(try_parse(&file(&points), &Options::default()), Err(DrawingError::TooManyEntities { .. })));
}

#[test]
fn outlines_without_end_are_refused_or_read_in_bounds() {
    // Rings in rings in rings: each lies in all before it.
    let rings: String = (1..9000).map(|i| circle("0", [0.0, 0.0], f64::from(i) * 0.5)).collect();
    assert_eq!(try_parse(&file(&rings), &Options::default()), Err(DrawingError::TooInvolved));
    // A comb against a comb: each tooth of one crosses each of the other.
    let comb = |turn: bool| {
        let corners: Vec<_> = (0..6000)
            .map(|i| (f64::from(i / 2) * 0.4, if i % 4 < 2 { 0.0 } else { 1200.0 }))
            .chain([(1200.0, -5.0), (0.0, -5.0)])
            .map(|(x, y)| if turn { (y, x, 0.0) } else { (x, y, 0.0) })
            .collect();
        polyline("0", &corners, true)
    };
    let drawing = try_parse(&file(&(comb(false) + &comb(true))), &Options::default());
    assert!(drawing.is_err() || drawing.is_ok_and(|d| d.parts.is_empty()));
}

#[test]
fn numbers_out_of_all_bounds_are_left_out_or_refused() {
    for value in ["1e300", "-1e300", "1e999", "NaN", "inf", "9999999999999999999999", "1e-320", "x", ""] {
        for code in ["10", "20", "40", "50", "42", "44", "70"] {
            // Every line of the file that carries this code gets the value, one at a time.
            let text = everything();
            let lines: Vec<&str> = text.lines().collect();
            for i in (0..lines.len() - 1).step_by(2).filter(|&i| lines[i] == code) {
                let mut spoilt = lines.clone();
                spoilt[i + 1] = value;
                let _ = try_parse(&spoilt.join("\n"), &Options::default());
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn spoilt_files_never_panic(
        spoils in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..4), 1..12),
    ) {
        let mut bytes = everything().into_bytes();
        for (at, value, how) in spoils {
            let i = at.index(bytes.len());
            match how {
                0 => bytes[i] = value,
                1 => bytes[i] = b"0123456789.-eE\n"[usize::from(value) % 15],
                2 => {
                    bytes.remove(i);
                }
                _ => bytes.insert(i, value),
            }
        }
        let _ = read("a.dxf", &bytes, &Options::default());
    }

    #[test]
    fn spoilt_binary_files_never_panic(
        wide in any::<bool>(),
        spoils in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0u8..3), 1..8),
    ) {
        let mut bytes = binary(&everything(), wide);
        for (at, value, how) in spoils {
            let i = at.index(bytes.len());
            match how {
                0 => bytes[i] = value,
                1 => {
                    bytes.remove(i);
                }
                _ => bytes.truncate(i.max(30)),
            }
        }
        let _ = read("a.dxf", &bytes, &Options::default());
    }

    #[test]
    fn lines_in_any_order_never_panic(keys in prop::collection::vec(any::<prop::sample::Index>(), 40)) {
        let text = everything();
        let mut lines: Vec<&str> = text.lines().collect();
        for pair in keys.chunks_exact(2) {
            let (a, b) = (pair[0].index(lines.len() / 2) * 2, pair[1].index(lines.len() / 2) * 2);
            lines.swap(a, b);
            if a % 4 == 0 {
                lines.swap(a + 1, b + 1);
            }
        }
        let _ = try_parse(&lines.join("\n"), &Options::default());
    }

    #[test]
    fn garbage_behind_a_good_start_never_panics(garbage in prop::collection::vec(any::<u8>(), 0..400)) {
        for start in [&b"AutoCAD Binary DXF\r\n\x1a\0"[..], b"AutoCAD Binary DXF\r\n\x1a\0\0\0SECTION\0", b"0\nSECTION\n", b""] {
            let bytes: Vec<u8> = start.iter().chain(&garbage).copied().collect();
            let _ = read("a.dxf", &bytes, &Options::default());
        }
    }
}

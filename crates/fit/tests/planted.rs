//! Parts planted in offcuts: what fits is found, what does not is never reported, and nearly all of it is proven.
//! The ignored tests are the same over ten times as many cases (`make test-slow`).

mod support;

use std::path::PathBuf;

use sheetloft_fit::{Caps, Host, Part, Turns, Verdict, solve, verify};
use sheetloft_shapes::{Placement, Shape, Turn};
use support::{FAMILIES, Planted, Rng, from_geo, grown, kept_by_geo, planted};

fn answer(part: &Shape, piece: &Shape, clearance_um: i64) -> Verdict {
    let host = Host::new(piece, &[], clearance_um, &[]);
    solve(&Part::new(part), &Turns::any(), true, &host, &Caps::default(), &mut ())
}

/// Every placement is checked by the exact test and, with real numbers, by another library.
fn holds(part: &Shape, piece: &Shape, clearance_um: i64, placement: &Placement, spare_um: i64) {
    let host = Host::new(piece, &[], clearance_um, &[]);
    assert_eq!(verify(part, placement, &host), Ok(spare_um));
    let kept = kept_by_geo(part, placement, piece).expect("inside");
    assert!(kept + 1e-3 >= (clearance_um + spare_um) as f64, "{kept} of {clearance_um} + {spare_um}");
}

fn all_that_fit_are_found(seed: u64, cases_per_family: usize) {
    let mut rng = Rng(seed);
    for family in FAMILIES {
        for i in 0..cases_per_family {
            let spare = [20.0, 100.0, 500.0, 2_000.0][i % 4];
            let clearance = (rng.unit() * 3_000.0) as i64;
            let Planted { part, piece, placement, .. } = planted(&mut rng, family, clearance, spare);
            // The case is what it says: the planted placement keeps the spare, and hardly more.
            let kept = verify(&part, &placement, &Host::new(&piece, &[], clearance, &[])).expect("planted");
            assert!((kept as f64 - spare).abs() < 8.0, "{kept} for {spare}");
            match answer(&part, &piece, clearance) {
                Verdict::Fits { placement, spare_um } => holds(&part, &piece, clearance, &placement, spare_um),
                other => panic!("missed {family:?} {i} with {spare} µm to spare: {other:?}"),
            }
        }
    }
}

fn none_that_lack_are_reported(seed: u64, cases_per_family: usize) {
    let mut rng = Rng(seed);
    let (mut proven, mut capped) = (0, 0);
    for family in FAMILIES {
        for i in 0..cases_per_family {
            let lack = [20.0, 50.0, 100.0, 500.0, 1_000.0, 2_000.0, 5_000.0][i % 7];
            let clearance = (rng.unit() * 3_000.0) as i64;
            let Planted { part, piece, .. } = planted(&mut rng, family, clearance, -lack);
            match answer(&part, &piece, clearance) {
                Verdict::No { .. } => proven += 1,
                Verdict::TooClose { within_um } => capped += usize::from(within_um.is_none()),
                Verdict::Fits { placement, .. } => panic!("{family:?} {i} lacks {lack} µm, yet {placement:?}"),
            }
        }
    }
    let cases = FAMILIES.len() * cases_per_family;
    println!("{proven} of {cases} proven");
    assert!(proven * 100 >= cases * 99, "{proven} of {cases}");
    assert_eq!(capped, 0);
}

#[test]
fn every_planted_fit_is_found_and_holds_by_another_library() {
    all_that_fit_are_found(7, 40);
}

#[test]
#[ignore = "slow: make test-slow"]
fn every_planted_fit_is_found_and_holds_by_another_library_in_2000_cases() {
    all_that_fit_are_found(70, 400);
}

#[test]
fn what_is_too_large_is_never_reported_and_nearly_always_disproven() {
    none_that_lack_are_reported(8, 40);
}

#[test]
#[ignore = "slow: make test-slow"]
fn what_is_too_large_is_never_reported_and_nearly_always_disproven_in_2000_cases() {
    none_that_lack_are_reported(80, 400);
}

/// Sheets cut up without waste: the second set of H. Terashima-Marín and others, from the ESICUP data sets (CC0 1.0,
/// repository ESICUP/datasets). Each part goes into the hole that it left where that is 0.1 mm larger all around, and
/// not where it is smaller.
///
/// The file lies in the folder that `SHEETLOFT_DATA` names, or beside the repository; without it there is nothing
/// to check.
#[test]
fn parts_of_published_sheets_fit_the_holes_they_left() {
    let folder = std::env::var_os("SHEETLOFT_DATA")
        .map_or_else(|| PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/data")), PathBuf::from);
    let Ok(text) = std::fs::read_to_string(folder.join("sheets/solved.json")) else { return };
    let cases: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let mut rng = Rng(9);
    let mut parts = 0;
    for case in cases.as_array().expect("a list") {
        let sheets = case["solution"].as_array().expect("sheets");
        for part in sheets.iter().flat_map(|sheet| sheet.as_array().expect("parts")) {
            let corners: Vec<[f64; 2]> = serde_json::from_value(part.clone()).expect("corners");
            let hole = Shape::from_mm(&corners, &[]).expect("a part");
            // Not as it lay.
            let turn = Turn::new((rng.unit() * 360e6) as i64);
            let part = hole.placed(&Placement { turn, ..Placement::default() }).expect("within the limits");
            let wider = from_geo(&grown(&hole, 100.0)).expect("a hole");
            match answer(&part, &wider, 0) {
                Verdict::Fits { placement, spare_um } => holds(&part, &wider, 0, &placement, spare_um),
                other => panic!("{}: {corners:?}: {other:?}", case["name"]),
            }
            // A sliver may be gone altogether.
            if let Some(narrower) = from_geo(&grown(&hole, -100.0)) {
                let verdict = answer(&part, &narrower, 0);
                assert!(matches!(verdict, Verdict::No { .. }), "{}: {corners:?}: {verdict:?}", case["name"]);
            }
            parts += 1;
        }
    }
    assert!(parts > 1_000, "{parts}");
}

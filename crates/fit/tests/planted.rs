//! Parts planted in offcuts: what fits is found, what does not is never reported, and nearly all of it is proven.

mod support;

use sheetloft_fit::{Caps, Host, Part, Turns, Verdict, solve, verify};
use support::{FAMILIES, Planted, Rng, kept_by_geo, planted};

fn answer(case: &Planted) -> Verdict {
    let part = Part::new(&case.part);
    let host = Host::new(&case.piece, &[], case.clearance_um, &[]);
    solve(&part, &Turns::any(), true, &host, &Caps::default(), &mut ())
}

#[test]
fn every_planted_fit_is_found_and_holds_by_another_library() {
    let mut rng = Rng(7);
    for family in FAMILIES {
        for i in 0..40 {
            let spare = [20.0, 100.0, 500.0, 2_000.0][i % 4];
            let clearance = (rng.unit() * 3_000.0) as i64;
            let case = planted(&mut rng, family, clearance, spare);
            let host = Host::new(&case.piece, &[], clearance, &[]);
            // The case is what it says: the planted placement keeps the spare, and hardly more.
            let kept = verify(&case.part, &case.placement, &host).expect("planted");
            assert!((kept as f64 - spare).abs() < 8.0, "{kept} for {spare}");
            let Verdict::Fits { placement, spare_um } = answer(&case) else {
                panic!("missed {family:?} {i} with {spare} µm to spare");
            };
            let kept = kept_by_geo(&case.part, &placement, &case.piece).expect("inside");
            assert!(kept + 1e-3 >= (clearance + spare_um) as f64, "{family:?} {i}: {kept} of {clearance} + {spare_um}");
        }
    }
}

#[test]
fn what_is_too_large_is_never_reported_and_nearly_always_disproven() {
    let mut rng = Rng(8);
    let (mut cases, mut proven) = (0, 0);
    for family in FAMILIES {
        for i in 0..40 {
            let lack = [20.0, 50.0, 100.0, 500.0, 1_000.0, 2_000.0, 5_000.0][i % 7];
            let clearance = (rng.unit() * 3_000.0) as i64;
            let case = planted(&mut rng, family, clearance, -lack);
            cases += 1;
            match answer(&case) {
                Verdict::No { .. } => proven += 1,
                Verdict::TooClose { .. } => {}
                Verdict::Fits { placement, .. } => {
                    panic!("{family:?} {i} lacks {lack} µm, yet {placement:?}")
                }
            }
        }
    }
    assert!(proven * 100 >= cases * 99, "{proven} of {cases}");
}

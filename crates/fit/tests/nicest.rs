//! The nicest placement leaves the most useful leftover.

mod support;

use std::borrow::Cow;

use proptest::prelude::*;
use sheetloft_fit::{Candidate, Caps, Host, Part, Turns, Verdict, nicest, solve, tidy, verify};
use sheetloft_shapes::rectangle::{largest_rectangle, room_beside_um2};
use sheetloft_shapes::{Placement, Point, Shape, Turn};
use support::{FAMILIES, Rng, offcut, part};

fn rect(w: i64, h: i64) -> Shape {
    Shape::rectangle(w, h).expect("a rectangle")
}

/// The part where it is found first, and where it lies nicest, with what it keeps there.
fn lay(
    part: &Shape,
    turns: &Turns,
    piece: &Shape,
    flaws: &[Shape],
    clearance: i64,
    ease: i64,
) -> Option<[(Shape, i64); 2]> {
    let ready = Part::new(part);
    let host = Host::new(piece, flaws, clearance, &[]);
    let Verdict::Fits { placement, spare_um } = solve(&ready, turns, false, &host, &Caps::default(), &mut ()) else {
        return None;
    };
    let candidate = Candidate { shape: Cow::Borrowed(piece), flaws: Cow::Borrowed(flaws) };
    let quick = tidy(&ready, turns, &host, &placement, spare_um, ease);
    let lies = nicest(&ready, turns, false, &candidate, &host, (placement, spare_um), ease);
    assert_eq!(lies, nicest(&ready, turns, false, &candidate, &host, (placement, spare_um), ease));
    let nice = (lies.placement, lies.spare_um);
    for (placement, spare) in [quick, nice] {
        assert_eq!(verify(part, &placement, &host), Ok(spare));
        assert!(turns.allow(placement.turn));
    }
    Some([quick, nice].map(|(p, spare)| (part.placed(&p).expect("verified"), spare)))
}

fn room(piece: &Shape, part: &Shape, flaws: &[Shape]) -> f64 {
    let others: Vec<&Shape> = std::iter::once(part).chain(flaws).collect();
    room_beside_um2(piece, &others, &[Turn(0)])
}

#[test]
fn a_part_lies_across_the_end_of_a_long_piece() {
    let piece = rect(1_000_000, 600_000);
    let [_, (lies, spare)] = lay(&rect(300_000, 200_000), &Turns::any(), &piece, &[], 2_000, 3_000).unwrap();
    assert!(spare >= 3_000);
    let (lo, hi) = lies.bounds();
    assert_eq!((lo.x / 10, lo.y / 10, hi.x / 10, hi.y / 10), (500, 500, 20_500, 30_500));
    // Where it may not be turned, along the long side is all there is: 700 × 600.
    let [_, (lies, _)] = lay(&rect(300_000, 200_000), &Turns::none(), &piece, &[], 2_000, 3_000).unwrap();
    assert!(room(&piece, &lies, &[]) > 695_000.0 * 599_000.0);
}

#[test]
fn a_nose_is_used_rather_than_the_body() {
    let p = Point::new;
    // A body of 800 × 500 with a nose of 300 × 150 at its upper right.
    let corners =
        vec![p(0, 0), p(800_000, 0), p(800_000, 350_000), p(1_100_000, 350_000), p(1_100_000, 500_000), p(0, 500_000)];
    let piece = Shape::new(corners, Vec::new()).unwrap();
    for turn in [0, 31_000_000] {
        let turned = piece.placed(&Placement { turn: Turn(turn), ..Placement::default() }).unwrap();
        let body = largest_rectangle(&turned).unwrap();
        let body = body.long_um as f64 * body.short_um as f64;
        let [_, (lies, _)] = lay(&rect(140_000, 250_000), &Turns::any(), &turned, &[], 1_000, 2_000).unwrap();
        let left = room_beside_um2(&turned, &[&lies], &[Turn(turn)]);
        assert!(left > 0.99 * body, "{turn}: {left} of {body}");
    }
}

#[test]
fn a_place_beside_a_flaw_is_as_good_as_spoilt() {
    let piece = rect(1_000_000, 500_000);
    let flaw = rect(60_000, 60_000).placed(&Placement { dx: 800_000, dy: 100_000, ..Placement::default() }).unwrap();
    let flaws = [flaw];
    let [_, (lies, _)] = lay(&rect(150_000, 100_000), &Turns::any(), &piece, &flaws, 1_000, 0).unwrap();
    // Nothing is lost of the 800 × 500 beside the flaw.
    assert!(room(&piece, &lies, &flaws) > 790_000.0 * 500_000.0, "{lies:?}");
}

#[test]
fn a_part_with_no_room_stays_where_it_fits() {
    let piece = rect(301_000, 201_000);
    let [quick, nice] = lay(&rect(300_000, 200_000), &Turns::any(), &piece, &[], 0, 3_000).unwrap();
    assert_eq!(quick, nice);
    assert!(nice.1 >= 490);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Never worse than what was quick, on any piece.
    #[test]
    fn it_never_leaves_less_than_the_quick_way(seed in any::<u64>(), family in 0usize..5, quarter in any::<bool>()) {
        let mut rng = Rng(seed);
        let piece = offcut(&mut rng);
        let size = rng.range(30_000.0, 300_000.0);
        let shape = part(&mut rng, FAMILIES[family], size);
        let turns = if quarter { Turns::quarter() } else { Turns::any() };
        let Some([(quick, _), (nice, _)]) = lay(&shape, &turns, &piece, &[], 1_000, 2_000) else { return Ok(()) };
        let all: Vec<Turn> = (0..9).map(|i| Turn(i * 10_000_000)).collect();
        let (before, after) = (room_beside_um2(&piece, &[&quick], &all), room_beside_um2(&piece, &[&nice], &all));
        prop_assert!(after > before * 0.9, "{before} {after}");
    }
}

//! What `solve` answers where the answer is known from the construction.

mod support;

use proptest::prelude::*;
use sheetloft_fit::{Caps, Host, Needs, Obstacle, Part, Reason, Signature, Span, Turns, Verdict, solve, tidy, verify};
use sheetloft_shapes::{Placement, Point, Shape, Turn};
use support::{FAMILIES, Rng, part, planted};

fn rect(x: i32, y: i32, w: i32, h: i32) -> Shape {
    let p = Point::new;
    Shape::new(vec![p(x, y), p(x + w, y), p(x + w, y + h), p(x, y + h)], Vec::new()).expect("a rectangle")
}

fn moved(shape: &Shape, turn: i64, dx: i32, dy: i32) -> Shape {
    shape.placed(&Placement { turn: Turn(turn), flip: false, dx, dy }).expect("within the limits")
}

fn ask(part: &Shape, turns: &Turns, flip: bool, piece: &Shape, clearance_um: i64) -> Verdict {
    let host = Host::new(piece, &[], clearance_um, &[]);
    solve(&Part::new(part), turns, flip, &host, &Caps::default(), &mut ())
}

fn spare(verdict: Verdict) -> Option<i64> {
    match verdict {
        Verdict::Fits { spare_um, .. } => Some(spare_um),
        _ => None,
    }
}

#[test]
fn a_rectangle_of_exactly_the_size_fits_at_quarter_turns() {
    for (w, h) in [(300_000, 200_000), (1_219_200, 2_438_400), (5_000, 1_234_567)] {
        for clearance in [0, 200, 3_175] {
            let c = clearance as i32;
            for turns in [Turns::any(), Turns::quarter()] {
                for piece in [rect(-7_000, 31, w + 2 * c, h + 2 * c), rect(12, -800_000, h + 2 * c, w + 2 * c)] {
                    let verdict = ask(&rect(500, 600, w, h), &turns, false, &piece, clearance);
                    assert_eq!(spare(verdict), Some(0), "{w} × {h}, {clearance}, {turns:?}: {verdict:?}");
                }
            }
            // One µm too small is too small at every turn where turns are fixed, and too close to call else.
            let piece = rect(0, 0, w + 2 * c - 1, h + 2 * c);
            assert!(matches!(
                ask(&rect(500, 600, w, h), &Turns::quarter(), false, &piece, clearance),
                Verdict::No { .. }
            ));
            assert_eq!(spare(ask(&rect(500, 600, w, h), &Turns::any(), false, &piece, clearance)), None);
        }
    }
}

#[test]
fn every_part_fits_its_own_outline_turned_by_quarters() {
    let mut rng = Rng(3);
    for family in FAMILIES {
        for turn in [0, 90_000_000, 180_000_000, 270_000_000] {
            let size = rng.range(40_000.0, 400_000.0);
            let shape = part(&mut rng, family, size);
            let piece = moved(&shape, turn, 123_456, -98_765);
            for turns in [Turns::any(), Turns::quarter()] {
                let verdict = ask(&shape, &turns, true, &piece, 0);
                assert_eq!(spare(verdict), Some(0), "{family:?} {turn} {turns:?}");
            }
        }
    }
}

/// Next to nothing to spare, at a turn that no one would guess: the turns at which edges are parallel are tried.
#[test]
fn a_hole_made_by_the_part_itself_is_found_at_any_turn() {
    let mut rng = Rng(4);
    for family in FAMILIES {
        for um in [3.0, 5.0, 10.0] {
            let size = rng.range(40_000.0, 400_000.0);
            let shape = part(&mut rng, family, size);
            let hole = moved(&shape, (rng.unit() * 360e6) as i64, 5_000, -7_000);
            let hole = support::from_geo(&support::grown(&hole, um)).unwrap();
            let verdict = ask(&shape, &Turns::any(), true, &hole, 0);
            assert!(spare(verdict).is_some_and(|s| s as f64 <= um), "{family:?} {um}: {verdict:?}");
        }
    }
}

/// At such a turn the corners of the hole are rounded, so that its own part may lack a little: nobody can tell.
#[test]
fn the_place_that_a_part_came_from_is_never_proven_too_small() {
    let mut rng = Rng(41);
    let (mut close, mut fits) = (0, 0);
    for family in FAMILIES {
        for _ in 0..4 {
            let size = rng.range(40_000.0, 400_000.0);
            let shape = part(&mut rng, family, size);
            let hole = moved(&shape, (rng.unit() * 360e6) as i64, 5_000, -7_000);
            let ruled_out = Needs::of(&Part::new(&shape), 0).ruled_out_by(&Signature::of(&hole, &[]));
            assert_eq!(ruled_out, None, "{family:?}");
            match ask(&shape, &Turns::any(), true, &hole, 0) {
                Verdict::Fits { .. } => fits += 1,
                Verdict::TooClose { within_um: Some(within) } if within <= 4 => close += 1,
                other => panic!("{family:?}: {other:?}"),
            }
        }
    }
    assert!(close > 0, "{fits} fit");
}

/// Round parts in holes of their size hold at as many turns as they have corners: answered long before any cap.
#[test]
fn round_parts_of_exactly_the_size_are_answered_soon() {
    let circle = |corners: usize, radius: f64| {
        let corner = |i: usize| {
            let angle = (i as f64 + 0.3) / corners as f64 * std::f64::consts::TAU;
            Point::new((radius * angle.cos()).round() as i32, (radius * angle.sin()).round() as i32)
        };
        Shape::new((0..corners).map(corner).collect(), Vec::new()).unwrap()
    };
    let few = Caps { boxes: 8_000 };
    let any = Turns::any();
    for corners in [32, 90, 200, 500] {
        for clearance in [0, 1_000] {
            let part = Part::new(&circle(corners, 100_000.0));
            let answer = |radius: f64| {
                let hole = circle(corners, radius + clearance as f64);
                solve(&part, &any, true, &Host::new(&hole, &[], clearance, &[]), &few, &mut ())
            };
            let same = answer(100_000.0);
            assert!(!matches!(same, Verdict::TooClose { within_um: None }), "{corners} {clearance}: {same:?}");
            assert!(clearance > 0 || spare(same) == Some(0), "{corners}: {same:?}");
            assert!(spare(answer(100_020.0)).is_some());
            assert!(matches!(answer(99_980.0), Verdict::No { .. }), "{corners} {clearance}");
        }
    }
}

#[test]
fn only_allowed_turns_are_taken() {
    // A bar along a diagonal slot: only a span of turns around 30° lets it in.
    let slot = moved(&rect(0, 0, 400_000, 50_000), 30_000_000, 0, 0);
    let bar = rect(0, 0, 380_000, 49_000);
    let about = |from: i64, to: i64| Turns::spans([Span { from, width: to - from }]);
    assert!(spare(ask(&bar, &Turns::any(), false, &slot, 0)).is_some());
    assert!(spare(ask(&bar, &about(29_950_000, 30_050_000), false, &slot, 0)).is_some());
    assert!(spare(ask(&bar, &Turns::fixed(&[Turn(210_000_000)]), false, &slot, 0)).is_some());
    for turns in
        [Turns::quarter(), Turns::half(), Turns::none(), about(31_000_000, 45_000_000), about(350_000_000, 365_000_000)]
    {
        assert!(matches!(ask(&bar, &turns, false, &slot, 0), Verdict::No { .. }), "{turns:?}");
    }
    // Turns about the grain of a piece that lies slanted.
    let with_grain = Turns::half().about(Turn(30_000_000), 200_000);
    let Verdict::Fits { placement, .. } = ask(&bar, &with_grain, false, &slot, 0) else {
        panic!("lies along the grain")
    };
    assert!(with_grain.allow(placement.turn));
    assert!((29_800_000..=30_200_000).contains(&(placement.turn.0 % 180_000_000)));
    assert!(matches!(ask(&bar, &Turns::spans([]), false, &slot, 0), Verdict::No { reason: Reason::Turn }));
}

#[test]
fn a_mirrored_part_fits_only_where_flipping_is_allowed() {
    let p = Point::new;
    // A lopsided L has no axis of symmetry.
    let l = Shape::new(
        vec![p(0, 0), p(300_000, 0), p(300_000, 60_000), p(80_000, 60_000), p(80_000, 200_000), p(0, 200_000)],
        Vec::new(),
    )
    .unwrap();
    let mirrored = l.placed(&Placement { flip: true, turn: Turn(77_000_000), dx: 5, dy: 9 }).unwrap();
    let grown = support::from_geo(&support::grown(&mirrored, 1_000.0)).unwrap();
    assert!(matches!(ask(&l, &Turns::any(), false, &grown, 0), Verdict::No { .. }));
    let Verdict::Fits { placement, .. } = ask(&l, &Turns::any(), true, &grown, 0) else { panic!("fits flipped") };
    assert!(placement.flip);
}

#[test]
fn flaws_may_lie_anywhere_and_are_kept_clear_of() {
    let piece = rect(0, 0, 500_000, 300_000);
    let part = rect(0, 0, 200_000, 200_000);
    // Over the rim, over each other, over all but a corner.
    let flaws = [
        rect(-50_000, -50_000, 250_000, 400_000),
        rect(150_000, 100_000, 120_000, 20_000),
        rect(480_000, 250_000, 100_000, 100_000),
    ];
    let host = Host::new(&piece, &flaws, 2_000, &[]);
    let solved = solve(&Part::new(&part), &Turns::any(), false, &host, &Caps::default(), &mut ());
    let Verdict::Fits { placement, spare_um } = solved else { panic!("there is room on the right: {solved:?}") };
    let placed = part.placed(&placement).unwrap();
    for flaw in &flaws {
        assert!(sheetloft_shapes::clear::apart_um(&placed, flaw).unwrap() >= 2_000 + spare_um);
    }
    // A flaw in the middle of that room, as small as can be.
    let mut flaws = flaws.to_vec();
    flaws.push(rect(385_000, 150_000, 2, 2));
    let host = Host::new(&piece, &flaws, 2_000, &[]);
    let solved = solve(&Part::new(&part), &Turns::any(), false, &host, &Caps::default(), &mut ());
    assert!(matches!(solved, Verdict::No { .. }), "{solved:?}");
}

#[test]
fn parts_lie_beside_and_within_each_other_with_their_own_clearances() {
    let p = Point::new;
    let ring = |outer: i32, inner: i32| {
        let square = |r: i32| vec![p(-r, -r), p(r, -r), p(r, r), p(-r, r)];
        Shape::new(square(outer), vec![square(inner)]).unwrap()
    };
    let piece = rect(0, 0, 200_000, 200_000);
    let frame = moved(&ring(95_000, 80_000), 0, 100_000, 100_000);
    let clear = |clearance_um| Obstacle { shape: frame.clone(), clearance_um, rounded: false };
    let ask = |part: &Shape, obstacle: Obstacle| {
        let host = Host::new(&piece, &[], 5_000, &[obstacle]);
        solve(&Part::new(part), &Turns::any(), false, &host, &Caps::default(), &mut ())
    };
    // In the hole of a part that lies there already; 160 mm less twice the clearance.
    assert_eq!(spare(ask(&rect(0, 0, 150_000, 150_000), clear(5_000))), Some(0));
    assert!(matches!(ask(&rect(0, 0, 150_100, 150_000), clear(5_000)), Verdict::No { .. }));
    // Around a part that lies there already.
    let core = Obstacle {
        shape: moved(&rect(-70_000, -70_000, 140_000, 140_000), 0, 100_000, 100_000),
        clearance_um: 10_000,
        rounded: false,
    };
    assert_eq!(spare(ask(&ring(95_000, 80_000), core.clone())), Some(0));
    let rounded = Obstacle { rounded: true, ..core };
    assert_eq!(spare(ask(&ring(95_000, 80_000), rounded)), None);
}

#[test]
fn bars_and_slots_of_the_same_width_do_not_run_away() {
    for (lack, fits) in [(-20, true), (20, false)] {
        for turn in [0, 17_123_456] {
            let slot = moved(&rect(0, 0, 1_000_000, 30_000 - lack), turn, 5_000, 7_000);
            let verdict = ask(&rect(0, 0, 300_000, 30_000), &Turns::any(), true, &slot, 0);
            assert_eq!(spare(verdict).is_some(), fits, "{lack} {turn} {verdict:?}");
            assert!(fits || matches!(verdict, Verdict::No { .. }), "{verdict:?}");
        }
    }
}

#[test]
fn a_cap_is_told_from_a_proof() {
    let mut rng = Rng(11);
    let case = planted(&mut rng, support::Family::Comb, 0, -20.0);
    let host = Host::new(&case.piece, &[], 0, &[]);
    let part = Part::new(&case.part);
    let capped = solve(&part, &Turns::any(), true, &host, &Caps { boxes: 3 }, &mut ());
    assert_eq!(capped, Verdict::TooClose { within_um: None });
}

/// A part lies somewhere on a piece with holes, flaws and other parts, climbed to where it has most room around
/// it; then 20 µm less than that room is asked for. It must be found, whatever turns are allowed beside that one.
#[test]
fn what_holds_somewhere_is_found() {
    let mut rng = Rng(5);
    let mut cases = 0;
    while cases < 150 {
        let piece = support::offcut(&mut rng);
        let (lo, hi) = piece.bounds();
        let family = rng.pick(&FAMILIES);
        let size = rng.range(20_000.0, 500_000.0);
        let shape = part(&mut rng, family, size);
        let anywhere = |rng: &mut Rng| Placement {
            turn: Turn(if rng.below(4) == 0 { rng.below(4) as i64 * 90_000_000 } else { (rng.unit() * 360e6) as i64 }),
            flip: rng.below(2) == 0,
            dx: rng.range(f64::from(lo.x), f64::from(hi.x)) as i32,
            dy: rng.range(f64::from(lo.y), f64::from(hi.y)) as i32,
        };
        let small: Vec<Shape> = (0..rng.below(4))
            .map(|_| {
                let family = rng.pick(&FAMILIES);
                let shape = part(&mut rng, family, 60_000.0);
                shape.placed(&anywhere(&mut rng)).expect("within the limits")
            })
            .collect();
        let (flaws, placed) = small.split_at(small.len() / 2);
        let more = rng.below(3_000) as i64;
        let host = |clearance_um: i64| {
            let obstacle = |s: &Shape| Obstacle { shape: s.clone(), clearance_um: clearance_um + more, rounded: true };
            Host::new(&piece, flaws, clearance_um, &placed.iter().map(obstacle).collect::<Vec<_>>())
        };
        let (prepared, loose) = (Part::new(&shape), host(0));
        let Some((placement, spare_um)) = (0..60).find_map(|_| {
            let placement = anywhere(&mut rng);
            verify(&shape, &placement, &loose).ok().map(|spare| (placement, spare))
        }) else {
            continue;
        };
        let (best, most) = tidy(&prepared, &Turns::any(), &loose, &placement, spare_um, 1_000_000);
        assert!(most >= spare_um && verify(&shape, &best, &loose) == Ok(most));
        if most < 30 {
            continue;
        }
        cases += 1;
        let tight = host(most - 20);
        let turn = best.turn.0;
        for turns in [
            Turns::any(),
            Turns::fixed(&[best.turn]),
            Turns::spans([
                Span { from: turn - 3_000_000, width: 4_000_000 },
                Span { from: turn + 7, width: 90_000_000 },
            ]),
        ] {
            let verdict = solve(&prepared, &turns, best.flip, &tight, &Caps::default(), &mut ());
            let Verdict::Fits { placement, spare_um } = verdict else {
                panic!("{family:?}, case {cases}: {best:?} holds, yet {verdict:?} for {turns:?}")
            };
            assert!(turns.allow(placement.turn));
            let kept = support::kept_by_geo(&shape, &placement, &piece).expect("inside");
            assert!(kept + 1e-3 >= (most - 20 + spare_um) as f64);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Turning the piece by quarters and moving it changes nothing but the placement; neither does mirroring
    /// both, nor drawing the part turned by quarters.
    #[test]
    fn answers_turn_with_the_piece(seed in 0u64..1_000_000, family in 0usize..5, quarter in 0i64..4, lack in any::<bool>()) {
        let mut rng = Rng(seed);
        let spare_um = if lack { -60.0 } else { 60.0 };
        let case = planted(&mut rng, FAMILIES[family], 800, spare_um);
        let (dx, dy) = (rng.range(-9e5, 9e5) as i32, rng.range(-9e5, 9e5) as i32);
        let piece = moved(&case.piece, quarter * 90_000_000, dx, dy);
        let mirror = Placement { flip: true, ..Placement::default() };
        let as_they_are = ask(&case.part, &Turns::any(), false, &case.piece, 800);
        let turned = ask(&case.part, &Turns::any(), false, &piece, 800);
        let drawn_turned = ask(&moved(&case.part, quarter * 90_000_000, dx, dy), &Turns::any(), false, &case.piece, 800);
        let mirrored = ask(
            &case.part.placed(&mirror).unwrap(), &Turns::any(), false, &case.piece.placed(&mirror).unwrap(), 800,
        );
        let kind = |v: &Verdict| matches!(v, Verdict::Fits { .. });
        prop_assert_eq!(kind(&as_they_are), !lack);
        for v in [turned, drawn_turned, mirrored] {
            prop_assert_eq!(kind(&v), !lack, "{:?}", v);
        }
    }

    /// Whatever is said to fit holds by the exact test, and equal input gives equal output.
    #[test]
    fn what_fits_holds(seed in 0u64..1_000_000, family in 0usize..5, clearance in 0i64..6_000, flip in any::<bool>()) {
        let mut rng = Rng(seed);
        let piece = support::offcut(&mut rng);
        let size = rng.range(20_000.0, 400_000.0);
        let shape = part(&mut rng, FAMILIES[family], size);
        let (part, host) = (Part::new(&shape), Host::new(&piece, &[], clearance, &[]));
        let verdict = solve(&part, &Turns::any(), flip, &host, &Caps::default(), &mut ());
        if let Verdict::Fits { placement, spare_um } = verdict {
            prop_assert_eq!(verify(&shape, &placement, &host), Ok(spare_um));
            let kept = support::kept_by_geo(&shape, &placement, &piece);
            prop_assert!(kept.is_some_and(|k| k + 1e-3 >= (clearance + spare_um) as f64), "{:?}", kept);
        }
        prop_assert_eq!(verdict, solve(&Part::new(&shape), &Turns::any(), flip, &host, &Caps::default(), &mut ()));
    }
}

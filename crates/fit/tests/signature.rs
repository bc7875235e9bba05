//! Signatures never rule out a piece that holds the part, and are worth their bytes.

mod support;

use proptest::prelude::*;
use sheetloft_fit::{
    Host, Index, Needs, Options, Part, Query, Signature, StaleSignature, Turns, Verdict, find, tidy, verify,
};
use sheetloft_shapes::{Placement, Point, Shape, Turn};
use support::{FAMILIES, Rng, offcut, part, planted};

/// A part somewhere on a piece with flaws, climbed to where it has most room, and the most that can be asked there.
fn lying(rng: &mut Rng) -> Option<(Shape, Shape, Vec<Shape>, Placement, i64)> {
    let piece = offcut(rng);
    let (lo, hi) = piece.bounds();
    let family = rng.pick(&FAMILIES);
    let size = rng.range(20_000.0, 600_000.0);
    let shape = part(rng, family, size);
    let anywhere = |rng: &mut Rng| Placement {
        turn: Turn(if rng.below(3) == 0 { rng.below(4) as i64 * 90_000_000 } else { (rng.unit() * 360e6) as i64 }),
        flip: rng.below(2) == 0,
        dx: rng.range(f64::from(lo.x), f64::from(hi.x)) as i32,
        dy: rng.range(f64::from(lo.y), f64::from(hi.y)) as i32,
    };
    let flaws: Vec<Shape> = (0..rng.below(3))
        .filter_map(|_| {
            let family = rng.pick(&FAMILIES);
            let shape = part(rng, family, 50_000.0);
            shape.placed(&anywhere(rng)).ok()
        })
        .collect();
    let host = Host::new(&piece, &flaws, 0, &[]);
    let (placement, spare) = (0..40).find_map(|_| {
        let placement = anywhere(rng);
        verify(&shape, &placement, &host).ok().map(|spare| (placement, spare))
    })?;
    let (best, most) = tidy(&Part::new(&shape), &Turns::any(), &host, &placement, spare, 1_000_000);
    Some((shape, piece, flaws, best, most))
}

fn allows(part: &Part, piece: &Shape, flaws: &[Shape], placement: &Placement, clearance_um: i64) -> Result<(), String> {
    let signature = Signature::of(piece, flaws);
    let needs = Needs::of(part, clearance_um);
    if let Some(reason) = needs.ruled_out_by(&signature) {
        return Err(format!("{reason:?}"));
    }
    for allowed in [Turns::any(), Turns::fixed(&[placement.turn])] {
        let turns = needs.turns_on(&signature.widths_um, &allowed, placement.flip);
        // Where the part looks the same after a turn, one of these is enough.
        let quarter = |q: i64| turns.allow(Turn::new(placement.turn.0 + q * 90_000_000));
        if !(quarter(0) || allowed.is_any() && (1..4).any(quarter)) {
            return Err(format!("{placement:?} of {turns:?}"));
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn what_holds_is_never_ruled_out(seed in any::<u64>(), share in 0.0f64..1.0) {
        let Some((shape, piece, flaws, placement, most)) = lying(&mut Rng(seed)) else { return Ok(()) };
        let part = Part::new(&shape);
        for clearance in [0, (most as f64 * share) as i64, most] {
            let said = allows(&part, &piece, &flaws, &placement, clearance);
            prop_assert!(said.is_ok(), "{} of {most}: {said:?}", clearance);
        }
    }

    #[test]
    fn planted_parts_are_never_ruled_out(seed in any::<u64>(), family in 0usize..5, clearance in 0i64..30_000) {
        let case = planted(&mut Rng(seed), FAMILIES[family], clearance, 20.0);
        let said = allows(&Part::new(&case.part), &case.piece, &[], &case.placement, clearance);
        prop_assert!(said.is_ok(), "{said:?}");
    }
}

#[test]
fn a_part_of_exactly_the_size_is_not_ruled_out() {
    let mut rng = Rng(61);
    for family in FAMILIES {
        for turn in [0, 90_000_000, 180_000_000, 270_000_000] {
            let size = rng.range(20_000.0, 900_000.0);
            let shape = part(&mut rng, family, size);
            let placement = Placement { turn: Turn(turn), flip: false, dx: 1_234, dy: -99 };
            let piece = shape.placed(&placement).unwrap();
            assert_eq!(allows(&Part::new(&shape), &piece, &[], &placement, 0), Ok(()));
        }
    }
    for clearance in [0, 100, 1_999, 2_000, 2_001, 3_175, 50_000] {
        let side = |um: i64| Shape::rectangle(um, um * 2 / 3).unwrap();
        let piece = Shape::rectangle(300_000 + 2 * clearance, 200_000 + 2 * clearance).unwrap();
        let c = clearance as i32;
        let placement = Placement { dx: c, dy: c, ..Placement::default() };
        assert_eq!(allows(&Part::new(&side(300_000)), &piece, &[], &placement, clearance), Ok(()));
    }
}

/// What is left to search is a small share of the pieces that area alone would leave.
#[test]
fn most_pieces_that_do_not_hold_a_part_are_seen_not_to() {
    let mut rng = Rng(62);
    let pieces: Vec<Shape> = (0..100).map(|_| offcut(&mut rng)).collect();
    let signatures: Vec<Signature> = pieces.iter().map(|p| Signature::of(p, &[])).collect();
    let (mut none, mut seen) = (0, 0);
    for i in 0..20 {
        let size = rng.range(150_000.0, 600_000.0);
        let part = Part::new(&part(&mut rng, FAMILIES[i % 5], size));
        let needs = Needs::of(&part, 2_000);
        for (piece, signature) in pieces.iter().zip(&signatures) {
            let host = Host::new(piece, &[], 2_000, &[]);
            let caps = sheetloft_fit::Caps::default();
            let no =
                matches!(sheetloft_fit::solve(&part, &Turns::any(), true, &host, &caps, &mut ()), Verdict::No { .. });
            let turns = needs.turns_on(&signature.widths_um, &Turns::any(), true);
            let glance = needs.ruled_out_by(signature).is_some() || turns.as_spans().is_empty();
            assert!(no || !glance);
            none += usize::from(no);
            seen += usize::from(no && glance);
        }
    }
    assert!(seen * 10 > none * 8, "{seen} of {none}");
}

#[test]
fn signatures_come_back_from_their_bytes_and_positions_move_as_said() {
    let p = Point::new;
    let piece = Shape::new(vec![p(0, 0), p(700_000, 0), p(650_000, 333_333), p(0, 200_000)], Vec::new()).unwrap();
    let flaw = Shape::rectangle(50_000, 50_000).unwrap();
    let all: Vec<Signature> = [&[][..], std::slice::from_ref(&flaw)].map(|f| Signature::of(&piece, f)).to_vec();
    for s in &all {
        let mut bytes = s.to_bytes().to_vec();
        assert_eq!(Signature::from_bytes(&bytes), Ok(*s));
        assert_eq!(Signature::from_bytes(&bytes[1..]), Err(StaleSignature));
        bytes[0] += 1;
        assert_eq!(Signature::from_bytes(&bytes), Err(StaleSignature));
    }
    assert!(all[1].bounds.inner_mm2[3] < all[0].bounds.inner_mm2[3]);
    // The same whether the order by area was made before or after.
    let mut rng = Rng(63);
    let (mut kept, mut index) = (Vec::new(), Index::new());
    let part = Part::new(&Shape::rectangle(20_000, 10_000).unwrap());
    for step in 0..200 {
        if step % 3 == 2 {
            let at = rng.below(kept.len());
            kept.swap_remove(at);
            index.swap_remove(at);
        } else {
            let (w, h) = (100 + rng.below(5) as i64, 50 + rng.below(5) as i64);
            let piece = Shape::rectangle(w * 1_000, h * 1_000).unwrap();
            index.push(&Signature::of(&piece, &[]), None);
            kept.push((piece, Vec::new()));
        }
        index.swap_remove(kept.len());
        let query = Query { part: &part, turns: &Turns::none(), flip: false, order: None };
        let Ok(answers) = find(&[query], &index, kept.as_slice(), &Options::default(), &mut ());
        let found: Vec<usize> = answers[0].fits.iter().map(|f| f.candidate).collect();
        let mut expected: Vec<usize> = (0..kept.len()).collect();
        expected.sort_by_key(|&at| (kept[at].0.area2(), at));
        assert_eq!(found, expected);
        assert!(index.iter().zip(&kept).all(|((s, _), (piece, _))| s.area2 == piece.area2()));
    }
    assert_eq!(index.len(), index.areas2().len());
}

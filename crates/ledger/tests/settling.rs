//! Conflicts as values, and what settling them does to the books: the cases that the design names, to the cent.

mod common;

use common::{Bench, cut, hold, release, scrapped};
use sheetloft_ledger::body::{Areas, Carried, Charge, OrderCharge, Other, OtherName, Settled, Split, Was};
use sheetloft_ledger::event::Hash;
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::state::{Gone, Status};
use sheetloft_shapes::Shape;
use uuid::Uuid;

/// What one side of a conflict recorded.
struct Side {
    event: Hash,
    order: Uuid,
    offcut: Uuid,
}

/// Two devices cut piece 50.00 without knowing of each other: one charges 30 and leaves 20, the other 45 and 5.
fn double_cut() -> (Bench, Uuid, Side, Side) {
    let mut bench = Bench::new(2);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    let [one, two] = [(0, 3_000, 2_000), (1, 4_500, 500)].map(|(at, charge, left)| {
        let order = bench.order(at);
        let (event, offcut) = bench.cut(at, piece, order, charge, left);
        Side { event, order, offcut }
    });
    bench.meet();
    (bench, piece, one, two)
}

fn settle(bench: &mut Bench, at: usize, piece: Uuid, happened: Hash, others: Vec<(Hash, Was)>) -> Hash {
    let others = others.into_iter().map(|(event, was)| Other { event, was }).collect();
    bench.settle(at, Settled { piece, happened, others })
}

#[test]
fn of_two_cuts_the_smaller_hash_counts_and_the_other_is_set_aside_at_nothing() {
    let (bench, piece, one, two) = double_cut();
    let (counts, aside) = if one.event < two.event { (&one, &two) } else { (&two, &one) };
    for at in 0..2 {
        assert_eq!(bench.piece(at, piece).status(), Status::Conflict);
        assert!(bench.piece(at, counts.offcut).blocked && !bench.piece(at, counts.offcut).set_aside);
        let lost = bench.piece(at, aside.offcut);
        assert!(lost.set_aside && lost.status() == Status::Conflict);
        assert_eq!(lost.cost, 0);
        assert_eq!(bench.standing(at, aside.event), Standing::SetAside);
        assert_eq!(bench.charged(at, aside.order), 0);
        let (on_hand, charged) = if counts.event == one.event { (2_000, 3_000) } else { (500, 4_500) };
        assert_eq!(bench.sums(at), (5_000, on_hand, charged, 0));
    }
}

#[test]
fn what_was_built_on_the_side_that_does_not_count_is_set_aside_too() {
    let (mut bench, _, one, two) = double_cut();
    let (at, aside) = if one.event < two.event { (1, &two) } else { (0, &one) };
    let order = bench.order(at);
    let (event, offcut) = bench.cut(at, aside.offcut, order, 100, 50);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.standing(at, event), Standing::SetAside);
        assert_eq!(bench.piece(at, offcut).cost, 0);
        assert_eq!(bench.charged(at, order), 0);
    }
}

#[test]
fn cut_2_happened_and_cut_1_was_nothing() {
    let (mut bench, piece, one, two) = double_cut();
    settle(&mut bench, 0, piece, two.event, vec![(one.event, Was::Nothing)]);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.sums(at), (5_000, 500, 4_500, 0), "50 = 5 + 45");
        assert_eq!(bench.piece(at, piece).status(), Status::Used);
        assert_eq!(bench.piece(at, two.offcut).status(), Status::Free);
        assert_eq!(bench.piece(at, one.offcut).gone, Some(Gone::Nothing));
        assert_eq!(bench.charged(at, one.order), 0);
    }
}

/// Cut 1 used another sheet of 48.00: 29 for its order, 19 for its offcut.
fn used_another(bench: &mut Bench, at: usize, of: &Side) -> (Uuid, Was) {
    let other = bench.receive(at, 4_800);
    let charge = Charge { parts: 2_900, ..Charge::default() };
    let split = Split {
        piece: other,
        charges: vec![OrderCharge { order: of.order, charge }],
        returned: vec![Carried { piece: of.offcut, cost: 1_900 }],
        written_off: 0,
        areas: Some(Areas::default()),
    };
    (other, Was::Used(split))
}

#[test]
fn both_happened_and_cut_1_used_another_piece() {
    let (mut bench, piece, one, two) = double_cut();
    let (other, was) = used_another(&mut bench, 1, &one);
    settle(&mut bench, 1, piece, two.event, vec![(one.event, was)]);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.sums(at), (9_800, 2_400, 7_400, 0), "98 = on hand 24 + charged 74");
        assert_eq!(bench.piece(at, piece).status(), Status::Used);
        assert_eq!(bench.piece(at, other).status(), Status::Used);
        assert_eq!(bench.piece(at, one.offcut).from, Some(other));
        assert_eq!((bench.piece(at, one.offcut).cost, bench.piece(at, two.offcut).cost), (1_900, 500));
        assert_eq!(bench.piece(at, one.offcut).status(), Status::Free);
        assert_eq!((bench.charged(at, one.order), bench.charged(at, two.order)), (2_900, 4_500));
    }
}

#[test]
fn the_same_cut_recorded_twice_gives_its_offcut_a_second_name() {
    let (mut bench, piece, one, two) = double_cut();
    // Somebody went on with the offcut under the name that is given up.
    let order = bench.order(0);
    let (later, rest) = bench.cut(0, one.offcut, order, 300, 100);
    let names = vec![OtherName { name: one.offcut, is: two.offcut }];
    settle(&mut bench, 1, piece, two.event, vec![(one.event, Was::Same { names })]);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.piece(at, one.offcut).gone, Some(Gone::Same(two.offcut)));
        let used = bench.piece(at, two.offcut).used.expect("used under its other name");
        assert_eq!((used.event, used.difference), (later, 100), "500 carried, 400 recorded");
        assert_eq!(bench.piece(at, rest).from, Some(two.offcut));
        assert_eq!(bench.standing(at, later), Standing::Counts);
        assert_eq!(bench.sums(at), (5_000, 100, 4_800, 100));
    }
}

#[test]
fn a_later_third_use_is_a_new_conflict() {
    let mut bench = Bench::new(3);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    let uses: Vec<Hash> = (0..3)
        .map(|at| {
            let order = bench.order(at);
            bench.cut(at, piece, order, 3_000, 2_000).0
        })
        .collect();
    bench.tell(0, 1);
    settle(&mut bench, 1, piece, uses[0], vec![(uses[1], Was::Nothing)]);
    assert!(!bench.piece(1, piece).conflict);
    bench.meet();
    for at in 0..3 {
        assert!(bench.piece(at, piece).conflict);
        let counts = uses[0].min(uses[2]);
        assert_eq!(bench.piece(at, piece).used.unwrap().event, counts);
        assert_eq!(bench.standing(at, uses[1]), Standing::SetAside);
    }
    settle(&mut bench, 2, piece, uses[2], vec![(uses[0], Was::Nothing), (uses[1], Was::Nothing)]);
    bench.meet();
    assert!((0..3).all(|at| !bench.piece(at, piece).conflict));
}

#[test]
fn two_different_settlements_are_a_new_conflict_and_two_equal_ones_are_none() {
    let (mut bench, piece, one, two) = double_cut();
    let a = settle(&mut bench, 0, piece, one.event, vec![(two.event, Was::Nothing)]);
    let b = settle(&mut bench, 1, piece, two.event, vec![(one.event, Was::Nothing)]);
    bench.meet();
    let counts = if a < b { one.event } else { two.event };
    for at in 0..2 {
        assert!(bench.piece(at, piece).conflict);
        assert_eq!(bench.piece(at, piece).used.unwrap().event, counts);
    }
    // Whoever knows both settles it for good.
    settle(&mut bench, 0, piece, one.event, vec![(two.event, Was::Nothing)]);
    bench.meet();
    assert!((0..2).all(|at| !bench.piece(at, piece).conflict));

    let (mut bench, piece, one, two) = double_cut();
    settle(&mut bench, 0, piece, one.event, vec![(two.event, Was::Nothing)]);
    settle(&mut bench, 1, piece, one.event, vec![(two.event, Was::Nothing)]);
    bench.meet();
    assert!((0..2).all(|at| !bench.piece(at, piece).conflict));
}

#[test]
fn a_settlement_can_be_taken_back() {
    let (mut bench, piece, one, two) = double_cut();
    let before = bench.states(0);
    let settlement = settle(&mut bench, 0, piece, two.event, vec![(one.event, Was::Nothing)]);
    bench.undo(0, settlement);
    bench.meet();
    assert_eq!(bench.states(0), before);
    assert!((0..2).all(|at| bench.piece(at, piece).conflict));
}

#[test]
fn a_hold_against_a_cut_and_against_another_hold() {
    let mut bench = Bench::new(2);
    let (piece, other) = (bench.receive(0, 5_000), bench.receive(0, 5_000));
    bench.meet();
    let (mine, yours) = (bench.order(0), bench.order(1));
    let (held, _) = hold(&mut bench, 0, piece, mine);
    let (cut_by_other, _) = cut(&mut bench, 1, piece, yours, 3_000, 2_000);
    let ((a, plan), (b, _)) = (hold(&mut bench, 0, other, mine), hold(&mut bench, 1, other, yours));
    bench.meet();
    assert!((0..2).all(|at| bench.piece(at, piece).conflict && bench.piece(at, other).conflict));
    settle(&mut bench, 0, piece, cut_by_other, vec![(held, Was::Nothing)]);
    settle(&mut bench, 1, other, b, vec![(a, Was::Nothing)]);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.piece(at, piece).status(), Status::Used);
        assert_eq!(bench.piece(at, other).status(), Status::Held);
        assert_eq!(bench.piece(at, other).holds[0].orders, vec![yours]);
    }
    // Letting go the hold that lost changes nothing.
    release(&mut bench, 0, other, plan);
    bench.meet();
    assert_eq!(bench.piece(1, other).holds[0].orders, vec![yours]);
}

#[test]
fn two_throwings_away_of_one_piece_say_the_same() {
    let mut bench = Bench::new(2);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    scrapped(&mut bench, 0, piece);
    scrapped(&mut bench, 1, piece);
    bench.meet();
    assert!(!bench.piece(0, piece).conflict);
    assert_eq!(bench.sums(1), (5_000, 0, 0, 5_000));
}

#[test]
fn what_this_program_does_not_know_is_kept_and_freezes_what_it_touches() {
    let mut bench = Bench::new(2);
    let (piece, other) = (bench.receive(0, 5_000), bench.receive(0, 1_000));
    bench.meet();
    bench.unknown(0, piece);
    let order = bench.order(0);
    let (_, offcut) = bench.cut(0, other, order, 600, 400);
    bench.meet();
    assert!(bench.frozen(1, piece) && !bench.frozen(1, other));
    assert_eq!(bench.piece(1, piece).status(), Status::Free, "its last state is kept");
    assert_eq!(bench.piece(1, offcut).status(), Status::Free, "all else goes on");
    assert_eq!(bench.states(0), bench.states(1));
}

#[test]
fn a_cut_that_did_not_know_what_the_sheet_really_is_keeps_the_outline_that_it_saw() {
    let really = Shape::rectangle(2_000, 1_500).unwrap();
    // The cut was known to neither; then one that was made of the sheet as it really is.
    for knew in [false, true] {
        let mut bench = Bench::new(2);
        let (piece, order) = (bench.receive(0, 5_000), bench.order(0));
        bench.meet();
        let (was, material) = (bench.piece(0, piece), Uuid::from_u128(7));
        bench.really(1, piece, material, really.clone());
        if knew {
            bench.tell(1, 0);
        }
        bench.cut(0, piece, order, 3_000, 2_000);
        bench.meet();
        for at in 0..2 {
            let now = bench.piece(at, piece);
            assert!(!now.conflict);
            let (of, shape) = if knew { (material, &really) } else { (was.material, &was.shape) };
            assert_eq!((now.material, &now.shape), (of, shape));
            assert_eq!(bench.sums(at), (5_000, 2_000, 3_000, 0));
        }
    }
}

/// Found by the simulator (seed 2355): the areas of the use did not add up to the piece's.
#[test]
fn a_use_decided_on_an_outline_that_was_not_the_piece_s_after_all_has_no_areas() {
    let mut bench = Bench::new(2);
    let (piece, order) = (bench.receive(0, 5_000), bench.order(0));
    let really = bench.really(0, piece, Uuid::nil(), Shape::rectangle(1_000, 1_010).unwrap());
    bench.meet();
    // One device takes the correction back and cuts what was there before; the other one cuts the sheet as corrected,
    // so that the correction stands.
    bench.undo(0, really);
    let (one, _) = bench.cut(0, piece, order, 3_000, 2_000);
    let (two, _) = bench.cut(1, piece, order, 4_500, 500);
    bench.meet();
    for (counts, other, has_areas) in [(one, two, false), (two, one, true)] {
        settle(&mut bench, 0, piece, counts, vec![(other, Was::Nothing)]);
        bench.meet();
        let now = bench.piece(1, piece);
        assert_eq!(now.shape, Shape::rectangle(1_000, 1_010).unwrap());
        let used = now.used.unwrap();
        assert_eq!((used.event, used.areas.is_some()), (counts, has_areas));
        assert!(used.areas.is_none_or(|areas| areas.total2() == now.shape.area2()));
        bench.sums(1);
    }
}

#[test]
fn of_two_write_downs_one_counts_until_it_is_settled_which() {
    let mut bench = Bench::new(2);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    let (a, b) = (bench.write_down(0, piece, 4_000), bench.write_down(1, piece, 1_000));
    bench.meet();
    let worth = if a < b { 4_000 } else { 1_000 };
    for at in 0..2 {
        let now = bench.piece(at, piece);
        assert!(now.conflict && now.carried() == worth, "they do not add up to a piece worth nothing");
        assert_eq!(bench.sums(at), (5_000, worth, 0, 5_000 - worth));
        assert_eq!(bench.standing(at, a.max(b)), Standing::SetAside);
    }
    settle(&mut bench, 0, piece, b, vec![(a, Was::Nothing)]);
    bench.meet();
    for at in 0..2 {
        let now = bench.piece(at, piece);
        assert_eq!((now.status(), now.carried()), (Status::Free, 1_000));
    }
    // One after the other they do add up, and nobody has to settle anything.
    bench.write_down(1, piece, 600);
    bench.meet();
    assert_eq!((bench.piece(0, piece).status(), bench.sums(0)), (Status::Free, (5_000, 600, 0, 4_400)));
}

#[test]
fn two_write_downs_to_the_same_worth_say_the_same() {
    let mut bench = Bench::new(2);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    (0..2).for_each(|at| _ = bench.write_down(at, piece, 2_000));
    bench.meet();
    assert!(!bench.piece(0, piece).conflict);
    assert_eq!(bench.sums(1), (5_000, 2_000, 0, 3_000));
}

#[test]
fn a_write_down_against_a_cut_and_against_a_hold() {
    let mut bench = Bench::new(2);
    let (piece, other) = (bench.receive(0, 5_000), bench.receive(0, 5_000));
    let order = bench.order(0);
    bench.meet();
    let (cut, offcut) = bench.cut(0, piece, order, 3_000, 2_000);
    let down = bench.write_down(1, piece, 1_000);
    let (held, _) = hold(&mut bench, 0, other, order);
    let other_down = bench.write_down(1, other, 1_000);
    bench.meet();
    for at in 0..2 {
        assert!(bench.piece(at, piece).conflict && bench.piece(at, other).conflict);
        assert_eq!(bench.standing(at, down), Standing::SetAside, "what is used up is worth nothing any more");
        assert_eq!(bench.sums(at), (10_000, 3_000, 3_000, 4_000));
    }
    // The cut was none: the sheet is there, and worth less. The other one's promise stands, and it is worth what it was.
    settle(&mut bench, 0, piece, down, vec![(cut, Was::Nothing)]);
    settle(&mut bench, 1, other, held, vec![(other_down, Was::Nothing)]);
    bench.meet();
    for at in 0..2 {
        assert_eq!((bench.piece(at, piece).status(), bench.piece(at, piece).carried()), (Status::Free, 1_000));
        assert_eq!((bench.piece(at, other).status(), bench.piece(at, other).carried()), (Status::Held, 5_000));
        assert_eq!(bench.piece(at, offcut).gone, Some(Gone::Nothing));
        assert_eq!(bench.sums(at), (10_000, 6_000, 0, 4_000));
    }
}

#[test]
fn a_sheet_that_never_came_leaves_the_books_of_its_own_lot_alone() {
    let mut bench = Bench::new(2);
    let (piece, other) = (bench.receive(0, 5_000), bench.receive(0, 4_800));
    let order = bench.order(0);
    bench.meet();
    let (cut, _) = bench.cut(0, piece, order, 3_000, 2_000);
    let withdrawn = bench.withdraw(1, piece);
    bench.meet();
    assert!(bench.piece(0, piece).conflict);
    // No person may say so, but a program might: what never came was another sheet, of another lot.
    let split = Split { piece: other, charges: vec![], returned: vec![], written_off: 4_800, areas: None };
    settle(&mut bench, 0, piece, cut, vec![(withdrawn, Was::Used(split))]);
    bench.meet();
    for at in 0..2 {
        assert_eq!(bench.piece(at, other).status(), Status::WrittenOff);
        assert_eq!(bench.sums(at), (9_800, 2_000, 3_000, 4_800));
    }
}

#[test]
fn a_use_that_is_settled_to_be_of_a_sheet_that_never_came_is_a_conflict_and_balances() {
    let (mut bench, piece, one, two) = double_cut();
    let (other, was) = used_another(&mut bench, 1, &one);
    bench.meet();
    bench.withdraw(0, other);
    settle(&mut bench, 1, piece, two.event, vec![(one.event, was)]);
    bench.meet();
    for at in 0..2 {
        assert!(bench.piece(at, other).conflict);
        bench.sums(at);
    }
}

#[test]
fn a_credit_and_a_write_down_that_did_not_know_of_each_other_leave_a_piece_with_nothing_not_less() {
    let mut bench = Bench::new(2);
    let piece = bench.receive(0, 5_000);
    bench.meet();
    bench.write_down(0, piece, 1_000);
    bench.credit(1, piece, 1_800);
    bench.meet();
    for at in 0..2 {
        assert_eq!((bench.piece(at, piece).status(), bench.piece(at, piece).carried()), (Status::Free, 0));
        assert_eq!(bench.sums(at), (3_200, 0, 0, 3_200), "8.00 of the 40.00 written down was never to be lost");
    }
    // It stays so when the piece goes.
    scrapped(&mut bench, 1, piece);
    bench.meet();
    assert_eq!(bench.sums(0), (3_200, 0, 0, 3_200));
}

#[test]
fn a_credit_for_an_offcut_stays_with_the_lot_that_gave_it() {
    let (mut bench, piece, one, two) = double_cut();
    bench.credit(0, one.offcut, 300);
    bench.meet();
    let (_, was) = used_another(&mut bench, 1, &one);
    settle(&mut bench, 1, piece, two.event, vec![(one.event, was)]);
    bench.meet();
    for at in 0..2 {
        // The offcut came out of the other lot's sheet: what the first lot got for it lessens what that one wrote off.
        assert_eq!(bench.piece(at, one.offcut).carried(), 1_900);
        assert_eq!(bench.sums(at), (9_500, 2_400, 7_400, -300));
    }
}

//! Plans of small cases, each checked by the verifier.

use proptest::prelude::*;

use sheetloft_shapes::{Point, Turn};

use super::*;
use crate::host::{Host, Obstacle};
use crate::verify::verify;

fn p(x: i32, y: i32) -> Point {
    Point::new(x, y)
}

fn rect(w_um: i64, h_um: i64) -> Shape {
    Shape::rectangle(w_um, h_um).unwrap()
}

fn round(radius: f64, corners: usize) -> Shape {
    let corner = |i: usize| {
        let a = std::f64::consts::TAU * i as f64 / corners as f64;
        p((radius * libm::cos(a)).round() as i32, (radius * libm::sin(a)).round() as i32)
    };
    Shape::new((0..corners).map(corner).collect(), vec![]).unwrap()
}

static ANY: std::sync::LazyLock<Turns> = std::sync::LazyLock::new(Turns::any);

fn options() -> Options {
    Options { kerf_um: 200, gap_um: 2_000, margin_um: 5_000, rounds: 3, ..Options::default() }
}

/// A piece at hand that is worth a unit a mm².
fn stock<'a>(shape: &'a Shape, flaws: &'a [Shape], grain: Option<Grain>, is_sheet: bool) -> Stock<'a> {
    let price = shape.area2() / 2_000_000;
    let (supply, leftover_percent) = (Supply::OnHand, 50);
    Stock { shape, flaws, grain, is_sheet, supply, price, leftover_percent, age: 0, lot: 0 }
}

struct Case {
    parts: Vec<(Shape, Turns, bool)>,
    pieces: Vec<(Shape, Vec<Shape>, Option<Grain>)>,
}

impl Case {
    fn new(parts: Vec<Shape>, turns: Turns, pieces: Vec<Shape>) -> Self {
        Self {
            parts: parts.into_iter().map(|s| (s, turns.clone(), false)).collect(),
            pieces: pieces.into_iter().map(|s| (s, vec![], None)).collect(),
        }
    }

    /// Plans, and checks every placement against all others by the verifier.
    fn plan(&self, options: &Options) -> Plan {
        let wanted: Vec<Wanted<'_>> =
            self.parts.iter().map(|(shape, turns, flip)| Wanted::new(shape, turns, *flip)).collect();
        let stock: Vec<Stock<'_>> =
            self.pieces.iter().map(|(shape, flaws, grain)| stock(shape, flaws, *grain, false)).collect();
        let plan = plan(&wanted, &stock, options, &mut ());
        let mut seen: Vec<usize> = plan.not_placed.iter().map(|n| n.wanted).collect();
        for used in &plan.used {
            let piece = &self.pieces[used.stock];
            for (i, part) in used.parts.iter().enumerate() {
                seen.push(part.wanted);
                let obstacles: Vec<Obstacle> = used
                    .parts
                    .iter()
                    .enumerate()
                    .filter(|&(j, _)| j != i)
                    .map(|(_, o)| Obstacle {
                        shape: self.parts[o.wanted].0.placed(&o.placement).unwrap(),
                        clearance_um: options.kerf_um + options.gap_um,
                        rounded: !o.placement.turn.is_quarter(),
                    })
                    .collect();
                let host = Host::new(&piece.0, &piece.1, options.kerf_um + options.margin_um, &obstacles);
                let (shape, turns, flip) = &self.parts[part.wanted];
                assert!(verify(shape, &part.placement, &host).is_ok());
                let allowed = piece.2.map_or(turns.clone(), |g| turns.about(g.at, g.tolerance_udeg));
                assert!(allowed.allow(part.placement.turn));
                assert!(*flip || !part.placement.flip);
            }
        }
        seen.sort_unstable();
        assert_eq!(seen, (0..self.parts.len()).collect::<Vec<_>>(), "each part once");
        plan
    }
}

#[test]
fn two_hundred_rectangles_fill_sheets_from_one_end() {
    let sheet = rect(2_438_400, 1_219_200);
    let case = Case::new(vec![rect(300_000, 200_000); 200], Turns::quarter(), vec![sheet; 8]);
    let plan = case.plan(&options());
    assert_eq!(plan.not_placed, []);
    // 302.2 × 202.2 mm of 2426.2 × 1206.8 each: at least 44 on a sheet, as a grid of 11 × 4 has, so 5 sheets.
    assert_eq!(plan.used.len(), 5, "{:?}", plan.used.iter().map(|u| u.parts.len()).collect::<Vec<_>>());
}

#[test]
fn the_cheapest_piece_that_holds_all_is_used() {
    let pieces = vec![rect(100_000, 100_000), rect(2_438_400, 1_219_200), rect(330_000, 260_000)];
    let case = Case::new(vec![rect(300_000, 200_000), rect(300_000, 30_000)], Turns::any(), pieces);
    let plan = case.plan(&options());
    assert_eq!(plan.not_placed, []);
    let on: Vec<(usize, usize)> = plan.used.iter().map(|u| (u.stock, u.parts.len())).collect();
    assert_eq!(on, [(2, 2)]);
}

#[test]
fn one_piece_that_many_parts_fill_takes_the_place_of_many_that_hold_one_each() {
    // Each of eight offcuts holds one part and is two thirds waste beside it; one more holds all eight.
    let mut pieces = vec![rect(350_000, 330_000); 8];
    pieces.push(rect(822_000, 415_000));
    let case = Case::new(vec![rect(200_000, 200_000); 8], Turns::quarter(), pieces);
    let plan = case.plan(&options());
    let on: Vec<(usize, usize)> = plan.used.iter().map(|u| (u.stock, u.parts.len())).collect();
    assert_eq!(on, [(8, 8)]);
}

#[test]
fn an_offcut_is_used_up_before_a_sheet_is_begun() {
    // On the offcut two thirds are wasted; of the sheet hardly more than the part would be used up.
    let (sheet, offcut) = (rect(2_438_400, 1_219_200), rect(600_000, 400_000));
    let stock = [
        Stock { leftover_percent: 100, ..stock(&sheet, &[], None, true) },
        Stock { leftover_percent: 100, ..stock(&offcut, &[], None, false) },
    ];
    let part = rect(390_000, 200_000);
    let turns = Turns::quarter();
    let keep = KeepFrom { w_um: 450_000, h_um: 450_000 };
    let plan = plan(&[Wanted::new(&part, &turns, false)], &stock, &Options { keep, rounds: 20, ..options() }, &mut ());
    assert_eq!(plan.used.iter().map(|u| u.stock).collect::<Vec<_>>(), [1]);
}

#[test]
fn parts_lie_close_to_each_other_and_to_the_rim() {
    let pieces = [rect(1_000_000, 600_000), rect(900_000, 500_000)];
    let parts = [round(150_000.0, 40), rect(300_000, 200_000), rect(180_000, 120_000), round(60_000.0, 24)];
    let wanted: Vec<Wanted<'_>> = parts.iter().map(|s| Wanted::new(s, &ANY, false)).collect();
    let stock: Vec<Stock<'_>> = pieces.iter().map(|s| stock(s, &[], None, false)).collect();
    let options = Options { rounds: 12, ..options() };
    let plan = plan(&wanted, &stock, &options, &mut ());
    let problem = Problem::new(&wanted, &stock, &options);
    assert!(!plan.used.is_empty());
    for used in &plan.used {
        let piece = DraftPiece { stock: used.stock, copy: used.copy, parts: used.parts.clone() };
        // Moved up once more nothing goes any further.
        let mut again = flush::flush(&problem, &piece);
        again.sort_by_key(|p| p.wanted);
        for (before, after) in used.parts.iter().zip(&again) {
            let by =
                (before.placement.dx - after.placement.dx).abs() + (before.placement.dy - after.placement.dy).abs();
            assert!(by <= 200, "{before:?} {after:?}");
        }
        assert_eq!(
            check(
                &stock[used.stock],
                &again.iter().map(|p| Laid::of(&wanted[p.wanted], p.placement)).collect::<Vec<_>>(),
                &options
            ),
            []
        );
    }
}

#[test]
fn parts_lie_in_the_holes_of_others() {
    let ring = Shape::new(
        rect(500_000, 500_000).outline().to_vec(),
        vec![vec![p(50_000, 50_000), p(450_000, 50_000), p(450_000, 450_000), p(50_000, 450_000)]],
    );
    let case = Case::new(
        vec![ring.unwrap(), rect(390_000, 190_000), rect(190_000, 390_000)],
        Turns::none(),
        vec![rect(512_000, 512_000)],
    );
    let plan = case.plan(&options());
    assert_eq!(plan.not_placed.len(), 1);
    assert_eq!(plan.used[0].parts.len(), 2);
    let case = Case { parts: case.parts.iter().cloned().map(|(s, _, f)| (s, Turns::quarter(), f)).collect(), ..case };
    assert_eq!(case.plan(&options()).used[0].parts.len(), 3);
}

#[test]
fn reasons_are_told_apart() {
    let pieces = vec![rect(400_000, 300_000), rect(1_000_000, 50_000)];
    let parts = vec![rect(380_000, 280_000), rect(380_000, 281_000), rect(500_000, 200_000), rect(290_000, 290_000)];
    let case = Case::new(parts, Turns::any(), pieces);
    let plan = case.plan(&options());
    let why: Vec<(usize, &Why)> = plan.not_placed.iter().map(|n| (n.wanted, &n.why)).collect();
    assert_eq!(why, [(0, &Why::NoRoom), (2, &Why::TooBig), (3, &Why::TooBig)]);
}

#[test]
fn grain_and_flaws_are_kept() {
    let grain = Some(Grain { at: Turn(37_000_000), tolerance_udeg: 0 });
    let flaw = Shape::new(vec![p(0, 0), p(300_000, 0), p(300_000, 300_000), p(0, 300_000)], vec![]).unwrap();
    let case = Case {
        parts: vec![(rect(300_000, 100_000), Turns::half(), false); 3],
        pieces: vec![(rect(1_000_000, 800_000), vec![flaw], grain)],
    };
    let plan = case.plan(&options());
    assert_eq!(plan.not_placed, []);
    assert!(plan.used[0].parts.iter().all(|q| q.placement.turn.0 % 180_000_000 == 37_000_000));
}

#[test]
fn a_slanted_piece_is_filled_along_its_edges() {
    let turn = Placement { turn: Turn(23_456_789), ..Placement::default() };
    let piece = rect(1_000_000, 500_000).placed(&turn).unwrap();
    let case = Case::new(vec![rect(150_000, 100_000); 30], Turns::any(), vec![piece]);
    let plan = case.plan(&Options { rounds: 0, ..options() });
    assert!(plan.not_placed.len() <= 3, "{:?}", plan.not_placed.len());
    let askew = |q: &PlacedPart| (q.placement.turn.0 % 90_000_000 - 23_456_789).abs();
    assert!(plan.used[0].parts.iter().all(|q| askew(q) < 1_000));
}

#[test]
fn round_parts_and_odd_ones_find_their_places() {
    let mut parts = vec![round(80_000.0, 90); 40];
    parts.push(
        Shape::new(
            vec![p(0, 0), p(600_000, 0), p(600_000, 100_000), p(100_000, 100_000), p(100_000, 500_000), p(0, 500_000)],
            vec![],
        )
        .unwrap(),
    );
    let case = Case::new(parts, Turns::any(), vec![rect(2_438_400, 1_219_200)]);
    assert_eq!(case.plan(&options()).not_placed, []);
}

#[test]
fn where_the_watch_says_stop_the_rest_is_left() {
    let case = Case::new(vec![rect(300_000, 200_000); 20], Turns::quarter(), vec![rect(2_438_400, 1_219_200)]);
    let wanted: Vec<Wanted<'_>> =
        case.parts.iter().map(|(shape, turns, flip)| Wanted::new(shape, turns, *flip)).collect();
    let stock = [stock(&case.pieces[0].0, &[], None, true)];
    let mut watch = |done: usize, of: usize| {
        assert_eq!(of, 20);
        done < 7
    };
    let plan = plan(&wanted, &stock, &options(), &mut watch);
    assert_eq!(plan.used[0].parts.len(), 7);
    assert!(plan.not_placed.iter().all(|n| n.why == Why::Stopped));
    assert_eq!(plan.not_placed.len(), 13);
}

/// A size that may be bought, or one that is only known.
fn to_buy(shape: &Shape, supply: Supply) -> Stock<'_> {
    Stock { supply, ..stock(shape, &[], None, true) }
}

fn wanted<'a>(shapes: &'a [Shape], turns: &'a Turns) -> Vec<Wanted<'a>> {
    shapes.iter().map(|s| Wanted::new(s, turns, false)).collect()
}

#[test]
fn what_is_missing_is_bought_or_said() {
    let (offcut, sheet) = (rect(700_000, 500_000), rect(1_000_000, 1_000_000));
    let (shapes, turns) = (vec![rect(600_000, 400_000); 5], Turns::quarter());
    let wanted = wanted(&shapes, &turns);
    let there = stock(&offcut, &[], None, false);
    // One on the offcut, two on each sheet.
    let bought = plan(&wanted, &[there, to_buy(&sheet, Supply::ToBuy)], &options(), &mut ());
    assert_eq!((bought.not_placed.len(), bought.more.len()), (0, 0));
    let on: Vec<(usize, u32, usize)> = bought.used.iter().map(|u| (u.stock, u.copy, u.parts.len())).collect();
    assert_eq!(on, [(0, 0, 1), (1, 0, 2), (1, 1, 2)]);
    // Nor do fewer pieces do: two to a sheet at the most.
    assert_eq!(bought.least_pieces, 3);
    // The two sheets are one drawing.
    assert_eq!(bought.layouts(), 2);

    let said = plan(&wanted, &[there, to_buy(&sheet, Supply::Known)], &options(), &mut ());
    assert_eq!(said.used.len(), 1);
    assert_eq!(said.not_placed.len(), 4);
    assert!(said.not_placed.iter().all(|n| n.why == Why::MoreSheets { stock: 1 }));
    assert_eq!(said.more, [More { stock: 1, sheets: 2 }]);

    let none = plan(&wanted, &[], &options(), &mut ());
    assert!(none.not_placed.iter().all(|n| n.why == Why::NothingThere));
    let small = rect(300_000, 300_000);
    let big = plan(&wanted, &[to_buy(&small, Supply::ToBuy)], &options(), &mut ());
    assert!(big.not_placed.iter().all(|n| n.why == Why::TooBig));
}

#[test]
fn what_nobody_can_say_for_certain_is_too_close() {
    // By real numbers it fits, with half a µm to spare; rounded to the grid nobody can say.
    let piece = rect(310_401, 210_401).placed(&Placement { turn: Turn(31_000_000), ..Placement::default() }).unwrap();
    let (shapes, turns) = (vec![rect(300_000, 200_000)], Turns::fixed(&[Turn(31_000_000)]));
    let mut options = options();
    options.caps.boxes = 50;
    let plan = plan(&wanted(&shapes, &turns), &[stock(&piece, &[], None, false)], &options, &mut ());
    let why: Vec<&Why> = plan.not_placed.iter().map(|n| &n.why).collect();
    assert_eq!(why, [&Why::TooClose { stock: vec![0] }]);
}

#[test]
fn what_belongs_together_and_does_not_find_a_piece_is_said_to_be_apart() {
    let (shapes, turns) = (vec![rect(300_000, 200_000); 2], Turns::quarter());
    let piece = rect(350_000, 250_000);
    let mut wanted = wanted(&shapes, &turns);
    wanted.iter_mut().for_each(|w| w.together = Some(Together::Piece(1)));
    let two = [stock(&piece, &[], None, false), Stock { lot: 1, ..stock(&piece, &[], None, false) }];
    let apart = |wanted: &[Wanted<'_>]| plan(wanted, &two, &options(), &mut ());
    assert!(apart(&wanted).not_placed.iter().all(|n| n.why == Why::Apart));
    wanted.iter_mut().for_each(|w| w.together = Some(Together::Lot(1)));
    assert_eq!(apart(&wanted).not_placed.len(), 2);
    wanted.iter_mut().for_each(|w| w.together = None);
    assert_eq!(apart(&wanted).not_placed, []);
}

#[test]
fn a_lock_that_does_not_hold_says_what_breaks() {
    let (shapes, turns) = (vec![rect(300_000, 200_000); 2], Turns::quarter());
    let piece = rect(800_000, 500_000);
    let mut wanted = wanted(&shapes, &turns);
    let at =
        |dx: i32, dy: i32| Some(Lock { stock: 0, copy: 0, placement: Placement { dx, dy, ..Placement::default() } });
    wanted[0].locked = at(100_000, 100_000);
    wanted[1].locked = at(2_000, 250_000);
    let stock = [stock(&piece, &[], None, false)];
    let plan = plan(&wanted, &stock, &options(), &mut ());
    let first = PlacedPart { wanted: 0, placement: wanted[0].locked.unwrap().placement };
    assert_eq!(plan.used[0].parts, [first]);
    let why: Vec<(usize, &Why)> = plan.not_placed.iter().map(|n| (n.wanted, &n.why)).collect();
    // 5.2 mm from the rim are asked, and 2.2 between parts: of the two the rim is named first.
    assert_eq!(why, [(1, &Why::Locked { breach: Breach::Rim { part: 1, lacks_um: Some(3_200) } })]);
}

#[test]
fn everything_that_breaks_is_named() {
    let (shape, piece) = (rect(300_000, 200_000), rect(800_000, 500_000));
    let flaw = Shape::new(vec![p(500_000, 0), p(600_000, 0), p(600_000, 90_000), p(500_000, 90_000)], vec![]).unwrap();
    let flaws = [flaw];
    let turns = Turns::half();
    let laid = |turn: i64, flip: bool, dx: i32, dy: i32| Laid {
        shape: &shape,
        turns: &turns,
        flip: false,
        placement: Placement { turn: Turn(turn), flip, dx, dy },
    };
    let breaches = |laid: &[Laid<'_>]| check(&stock(&piece, &flaws, None, true), laid, &options());
    assert_eq!(breaches(&[laid(0, false, 5_200, 5_200), laid(0, false, 5_200, 207_400)]), []);
    assert_eq!(
        breaches(&[laid(0, false, 5_200, 5_200), laid(0, false, 5_200, 207_000)]),
        [Breach::Part { part: 0, other: 1, lacks_um: Some(400) }]
    );
    assert_eq!(
        breaches(&[laid(0, false, 5_200, 5_200), laid(0, false, 100_000, 100_000)]),
        [Breach::Part { part: 0, other: 1, lacks_um: None }]
    );
    assert_eq!(breaches(&[laid(0, false, 198_000, 5_200)]), [Breach::Flaw { part: 0, flaw: 0, lacks_um: Some(3_200) }]);
    assert_eq!(breaches(&[laid(0, false, 5_200, 4_000)]), [Breach::Rim { part: 0, lacks_um: Some(1_200) }]);
    assert_eq!(breaches(&[laid(0, false, -5_200, 5_200)]), [Breach::Rim { part: 0, lacks_um: None }]);
    assert_eq!(breaches(&[laid(90_000_000, false, 300_000, 100_000)]), [Breach::Turn { part: 0 }]);
    assert_eq!(breaches(&[laid(0, true, 400_000, 100_000)]), [Breach::Flip { part: 0 }]);
    assert_eq!(breaches(&[laid(0, false, i32::MAX, 0)]), [Breach::NoShape { part: 0 }]);
}

/// Odd parts for more than one sheet.
fn mixed() -> Vec<Shape> {
    let l = Shape::new(
        vec![p(0, 0), p(400_000, 0), p(400_000, 90_000), p(90_000, 90_000), p(90_000, 300_000), p(0, 300_000)],
        vec![],
    );
    let triangle = Shape::new(vec![p(0, 0), p(380_000, 20_000), p(60_000, 310_000)], vec![]).unwrap();
    let mut parts = vec![l.unwrap(); 5];
    parts.extend(vec![triangle; 6]);
    parts.extend(vec![round(70_000.0, 40); 8]);
    parts
}

#[test]
fn the_plan_is_the_same_whatever_the_threads() {
    let (shapes, turns, sheet) = (mixed(), Turns::quarter(), rect(1_000_000, 700_000));
    let stock = [to_buy(&sheet, Supply::ToBuy)];
    let of = |threads: usize, seed: u64| {
        plan(&wanted(&shapes, &turns), &stock, &Options { threads, seed, rounds: 6, ..options() }, &mut ())
    };
    assert_eq!(of(1, 3), of(2, 3));
    assert_eq!(of(2, 4), of(2, 4));
}

/// Stops after so many rounds, and keeps what was said last.
struct After {
    rounds: u32,
    last: Progress,
}

impl Watch for After {
    fn go_on(&mut self, _: usize, _: usize) -> bool {
        true
    }

    fn plan_goes_on(&mut self, so_far: &Progress) -> bool {
        self.last = *so_far;
        so_far.round < self.rounds
    }
}

#[test]
fn cancel_keeps_the_best_plan_so_far() {
    let (shapes, turns, sheet) = (mixed(), Turns::quarter(), rect(1_000_000, 700_000));
    let stock = [to_buy(&sheet, Supply::ToBuy)];
    let options = Options { rounds: 100, patience: 100, ..options() };
    let mut watch = After { rounds: 3, last: Progress::default() };
    let stopped = plan(&wanted(&shapes, &turns), &stock, &options, &mut watch);
    assert_eq!(stopped.not_placed, []);
    assert_eq!((stopped.rounds, stopped.cost), (3, watch.last.cost));
    assert!(stopped.cost >= stopped.lower_bound && watch.last.placed == shapes.len());
    // It is what so many rounds come to.
    let asked = plan(&wanted(&shapes, &turns), &stock, &Options { rounds: 3, ..options }, &mut ());
    assert_eq!(stopped, asked);
}

#[test]
fn a_straight_remainder_is_left_where_it_is_asked_for() {
    let (shapes, turns, sheet) = (mixed(), Turns::quarter(), rect(2_438_400, 1_219_200));
    let stock = [to_buy(&sheet, Supply::ToBuy)];
    let keep = KeepFrom { w_um: 200_000, h_um: 300_000 };
    let options = Options { leave: Leave::Straight, keep, rounds: 8, ..options() };
    let plan = plan(&wanted(&shapes, &turns), &stock, &options, &mut ());
    assert_eq!((plan.not_placed.len(), plan.used.len()), (0, 1));
    let largest = &plan.used[0].remains.kept[0];
    let (lo, hi) = largest.bounds();
    assert_eq!(largest.area2(), 2 * i64::from(hi.x - lo.x) * i64::from(hi.y - lo.y), "a rectangle");
    assert!((lo.y, hi.y) == (0, 1_219_200) || (lo.x, hi.x) == (0, 2_438_400), "over the full width");
    // Half of the sheet at least: the parts take up a fifth of it.
    assert!(largest.area2() * 2 > sheet.area2(), "{lo:?} {hi:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn every_placement_holds_and_every_part_is_accounted_for(
        sizes in prop::collection::vec((20_000i64..400_000, 20_000i64..300_000, 0usize..3), 1..14),
        pieces in prop::collection::vec((100_000i64..900_000, 100_000i64..900_000, 0i64..90_000_000), 1..4),
        turns in 0usize..3, kerf in 0i64..3_000, gap in 0i64..3_000, margin in 0i64..9_000,
    ) {
        let parts = sizes.iter().map(|&(w, h, kind)| match kind {
            0 => rect(w, h),
            1 => round(w as f64 / 2.0, 24),
            _ => Shape::new(vec![p(0, 0), p(w as i32, 0), p(w as i32 / 3, h as i32 / 3), p(0, h as i32)], vec![]).unwrap(),
        }).collect();
        let pieces = pieces.iter().enumerate().map(|(i, &(w, h, turn))| {
            let turn = if i % 2 == 0 { 0 } else { turn };
            rect(w, h).placed(&Placement { turn: Turn(turn), ..Placement::default() }).unwrap()
        }).collect();
        let turns = [Turns::any(), Turns::quarter(), Turns::half()][turns].clone();
        let mut options = Options { kerf_um: kerf, gap_um: gap, margin_um: margin, rounds: 2, ..Options::default() };
        options.caps.boxes = 5_000;
        let case = Case::new(parts, turns, pieces);
        let once = case.plan(&options);
        prop_assert_eq!(once, case.plan(&options));
    }
}

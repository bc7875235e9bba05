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

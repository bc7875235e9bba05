//! What plans leave, checked with another library: inside the piece, outside every part and its kerf, and together with
//! these all of the piece.
//!
//! Source of what is right: `geo` 0.33, areas and distances with real numbers.

mod support;

use geo::{Area, BooleanOps, Buffer, Distance, Euclidean, LinesIter, MultiPolygon, Polygon};
use sheetloft_fit::plan::{Leave, Options, Stock, Supply, Wanted, plan};
use sheetloft_fit::{KeepFrom, Remains, Turns};
use sheetloft_shapes::Shape;
use support::{FAMILIES, Rng, offcut, part, placed_by_geo, to_geo};

/// Corners lie on the grid of 1 µm: a shape's rim is at most this far from where real numbers have it, µm.
const GRID_UM: f64 = 1.5;

/// What of `a` reaches into `b`, further than rounding brings it, has no area.
fn apart(a: &Polygon, b: &Polygon) -> bool {
    a.intersection(b).buffer(-GRID_UM).unsigned_area() == 0.0
}

fn distance(a: &Polygon, b: &Polygon) -> f64 {
    let between = a.lines_iter().flat_map(|l| b.lines_iter().map(move |m| Euclidean.distance(&l, &m)));
    between.fold(f64::INFINITY, f64::min)
}

fn check(piece: &Shape, parts: &[Polygon], kerf_um: i64, keep: KeepFrom, left: &Remains) {
    assert_eq!(left.parts2 + left.kerf2 + left.kept2 + left.scrap2, piece.area2());
    let whole = to_geo(piece);
    let kept: Vec<Polygon> = left.kept.iter().map(to_geo).collect();
    let rims: f64 = left.kept.iter().chain([piece]).map(Shape::perimeter_um).sum();
    let rounding = GRID_UM * (rims + parts.len() as f64 * piece.perimeter_um());
    for (i, k) in kept.iter().enumerate() {
        assert!(k.difference(&whole).buffer(-GRID_UM).unsigned_area() == 0.0, "inside the piece");
        for p in parts {
            assert!(apart(k, p));
            assert!(distance(k, p) >= kerf_um as f64 - GRID_UM, "a kerf from every part");
        }
        assert!(kept[..i].iter().all(|other| apart(k, other)));
    }
    for s in &left.scrap {
        assert!(parts.iter().all(|p| apart(&to_geo(s), p)));
    }
    // What is neither part nor kept is kerf and scrap; and no more than a kerf around parts is kerf.
    let none = MultiPolygon(Vec::new());
    let all = parts.iter().chain(&kept).fold(none.clone(), |all, p| all.union(p));
    let free = whole.difference(&all).unsigned_area();
    assert!((free - (left.kerf2 + left.scrap2) as f64 / 2.0).abs() <= rounding, "{free} {left:?}");
    let around = parts.iter().fold(none, |all, p| all.union(&p.buffer(kerf_um as f64 * 1.5 + GRID_UM)));
    let parts_um2: f64 = parts.iter().map(|p| p.unsigned_area()).sum();
    assert!(left.kerf2 as f64 / 2.0 <= around.unsigned_area() - parts_um2 + rounding);
    // Nothing large enough to be kept is scrap.
    for s in &left.scrap {
        assert!(sheetloft_shapes::rectangle::rectangle_of(s, keep.w_um, keep.h_um).is_none());
    }
}

#[test]
fn what_plans_leave_is_what_another_library_leaves() {
    let mut rng = Rng(41);
    let turns = Turns::any();
    let mut left_something = 0;
    for case in 0..12 {
        let pieces: Vec<Shape> = (0..3).map(|_| offcut(&mut rng)).collect();
        let parts: Vec<Shape> = (0..6)
            .map(|_| {
                let family = rng.pick(&FAMILIES);
                let size = rng.range(60_000.0, 350_000.0);
                part(&mut rng, family, size)
            })
            .collect();
        let wanted: Vec<Wanted<'_>> = parts.iter().map(|s| Wanted::new(s, &turns, case % 2 == 0)).collect();
        let stock: Vec<Stock<'_>> = pieces
            .iter()
            .map(|shape| Stock {
                shape,
                flaws: &[],
                grain: None,
                is_sheet: case % 3 == 0,
                supply: Supply::OnHand,
                price: shape.area2() / 2_000_000,
                leftover_percent: 80,
                age: 0,
                lot: 0,
            })
            .collect();
        let keep = KeepFrom { w_um: 80_000, h_um: 120_000 };
        let leave = if case % 3 == 0 { Leave::Straight } else { Leave::Largest };
        let kerf_um = [0, 200, 3_000][case % 3];
        let options = Options { kerf_um, gap_um: 500, margin_um: 2_000, keep, leave, rounds: 1, ..Options::default() };
        for used in plan(&wanted, &stock, &options, &mut ()).used {
            let placed: Vec<Polygon> =
                used.parts.iter().map(|p| placed_by_geo(&parts[p.wanted], &p.placement)).collect();
            check(&pieces[used.stock], &placed, kerf_um, keep, &used.remains);
            left_something += used.remains.kept.len();
        }
    }
    assert!(left_something > 10, "{left_something}");
}

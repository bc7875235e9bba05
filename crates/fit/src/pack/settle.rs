//! Places rounded to the grid so that they hold exactly.
//!
//! Rounding moves parts by up to half a µm against each other. From one end of the floor to the other, each part is
//! put at the nearest grid point at which it holds beside those put down before, onwards rather than back.

use sheetloft_shapes::Placement;

use super::floor::Floor;

/// How far onwards, and how far to either side, a grid point may lie, µm.
const ONWARDS: i32 = 10;
const ASIDE: i32 = 2;

/// Puts every item down on the grid by `put`, which says whether it holds there beside those put down before, and
/// if so puts it down. Several ways through the floor are tried, `put` being told when one begins; whether one went
/// through.
pub(crate) fn settle(
    floor: &Floor<'_>,
    begin: &mut dyn FnMut(),
    put: &mut dyn FnMut(usize, Placement) -> bool,
) -> bool {
    let offsets = offsets();
    // Onwards along x, along y, and back along both.
    [(1, 0), (0, 1), (-1, 0), (0, -1)].into_iter().any(|(x, y)| {
        begin();
        let far = |i: usize| {
            let (lo, hi) = floor.bounds_of(i);
            let at = if x + y > 0 { lo } else { hi };
            at.x * f64::from(x) + at.y * f64::from(y)
        };
        let mut order: Vec<usize> = (0..floor.items().len()).collect();
        order.sort_by(|&a, &b| far(a).total_cmp(&far(b)).then(a.cmp(&b)));
        order.into_iter().all(|i| {
            let item = floor.items()[i];
            let at = floor.forms.get(item.form).placement(item.at);
            offsets.iter().any(|&(onwards, aside)| {
                let (dx, dy) = (onwards * x + aside * y, onwards * y + aside * x);
                put(i, Placement { dx: at.dx + dx, dy: at.dy + dy, ..at })
            })
        })
    })
}

fn offsets() -> Vec<(i32, i32)> {
    let mut offsets: Vec<(i32, i32)> =
        (-1..=ONWARDS).flat_map(|onwards| (-ASIDE..=ASIDE).map(move |aside| (onwards, aside))).collect();
    offsets.sort_by_key(|&(onwards, aside)| (onwards.abs() + aside.abs(), onwards < 0, aside));
    offsets
}

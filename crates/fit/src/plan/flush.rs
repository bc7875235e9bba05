//! Parts moved up close to each other and to the nearer corner of their piece: what a search for places leaves lying
//! loosely is easier to check with a tape measure so, and what is left is in one place.

use sheetloft_shapes::Placement;

use super::PlacedPart;
use super::problem::{DraftPiece, Problem};
use super::table::Table;

/// Times that all parts are moved up, at most.
const PASSES: usize = 4;
/// Where no part moves further than this in a pass, µm, all lie close.
const CLOSE_UM: i64 = 100;

/// The parts of a piece, moved up; those that are locked stay. Every place is verified.
pub(super) fn flush(problem: &Problem<'_>, piece: &DraftPiece) -> Vec<PlacedPart> {
    let kind = problem.kind_of[piece.stock];
    let (lo, hi) = problem.kinds[kind].shape.bounds();
    let mut table = Table::new(problem, kind);
    piece.parts.iter().for_each(|p| table.put(*p));
    let middle =
        |axis: usize, of: (i64, i64)| (of.0 + of.1) as f64 / 2.0 - [lo.x + hi.x, lo.y + hi.y][axis] as f64 / 2.0;
    let bounds = |p: &PlacedPart, axis: usize| -> (i64, i64) {
        let (l, h) = problem.wanted[p.wanted].shape.placed(&p.placement).map_or((lo, hi), |s| s.bounds());
        if axis == 0 { (i64::from(l.x), i64::from(h.x)) } else { (i64::from(l.y), i64::from(h.y)) }
    };
    // Along each axis to the side where more of them lies.
    let to_low = [0, 1].map(|axis| {
        let off = |p: &PlacedPart| middle(axis, bounds(p, axis)) * problem.wanted[p.wanted].shape.area2() as f64;
        piece.parts.iter().map(off).sum::<f64>() <= 0.0
    });
    let room = |p: &PlacedPart, axis: usize| {
        let (low, high) = if axis == 0 { (lo.x, hi.x) } else { (lo.y, hi.y) };
        let (from, to) = bounds(p, axis);
        if to_low[axis] { from - i64::from(low) } else { i64::from(high) - to }
    };
    let long = usize::from(hi.y - lo.y > hi.x - lo.x);
    for _ in 0..PASSES {
        let mut order: Vec<(i64, usize)> = table.parts.iter().map(|p| (room(p, 0) + room(p, 1), p.wanted)).collect();
        order.sort_unstable();
        let mut furthest = 0;
        for (_, wanted) in order.into_iter().filter(|(_, w)| problem.wanted[*w].locked.is_none()) {
            let Some(mut part) = table.take(wanted) else { continue };
            for axis in [long, 1 - long] {
                let side = if to_low[axis] { -1 } else { 1 };
                let moved = |by: i64| {
                    let mut to: Placement = part.placement;
                    *(if axis == 0 { &mut to.dx } else { &mut to.dy }) += (side * by) as i32;
                    to
                };
                let holds = |by: i64| table.holds(problem.wanted[wanted].shape, &moved(by));
                let by = furthest_by(room(&part, axis), holds);
                part.placement = moved(by);
                furthest = furthest.max(by);
            }
            table.put(part);
        }
        if furthest < CLOSE_UM {
            break;
        }
    }
    table.parts
}

/// How far something may go of `most`, found by ever smaller steps.
fn furthest_by(most: i64, holds: impl Fn(i64) -> bool) -> i64 {
    let (mut by, mut step) = (0, most);
    while step > 0 {
        if by + step <= most && holds(by + step) {
            by += step;
        } else {
            step /= 2;
        }
    }
    by
}

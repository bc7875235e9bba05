//! Parts moved up close to each other and to the nearer corner of their piece: what a search for places leaves lying
//! loosely is easier to check with a tape measure so, and what is left is in one place.

use sheetloft_shapes::{Placement, Point};

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
    let along = |axis: usize, (lo, hi): (Point, Point)| -> (i64, i64) {
        let (low, high) = if axis == 0 { (lo.x, hi.x) } else { (lo.y, hi.y) };
        (i64::from(low), i64::from(high))
    };
    let bounds = |p: &PlacedPart, axis: usize| {
        let shape = problem.wanted[p.wanted].shape.placed(&p.placement);
        along(axis, shape.map_or((lo, hi), |s| s.bounds()))
    };
    // Along each axis to the side where more of them lies.
    let to_low = [0, 1].map(|axis| {
        let (low, high) = along(axis, (lo, hi));
        let off = |p: &PlacedPart| {
            let (from, to) = bounds(p, axis);
            (from + to - low - high) as f64 * problem.wanted[p.wanted].shape.area2() as f64
        };
        piece.parts.iter().map(off).sum::<f64>() <= 0.0
    });
    let room = |p: &PlacedPart, axis: usize| {
        let ((low, high), (from, to)) = (along(axis, (lo, hi)), bounds(p, axis));
        if to_low[axis] { from - low } else { high - to }
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

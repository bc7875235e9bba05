//! What a person changes about the leftovers of a plan before the cut is confirmed: dropped, kept, straightened or
//! redrawn.

use std::collections::BTreeMap;

use sheetloft_fit::{Straightened, straighten};
use sheetloft_ledger::body::{Areas, Known, PlannedPiece};
use sheetloft_shapes::{Point, Shape};

use crate::action::LeftoverChange;
use crate::error::Error;
use crate::given;
use crate::say;
use crate::shop::{Shop, shown};

/// What is to become of one leftover.
#[derive(Clone, PartialEq, Debug)]
pub enum Change {
    /// Thrown away.
    Drop,
    /// Into stock, though the material's rule says otherwise.
    Keep,
    /// Into stock as the rectangle or L that straight cuts make of it.
    Straighten,
    /// Into stock with another shape, in coordinates of its own.
    Redraw(Box<Shape>),
}

/// Changes by the leftover's number, from 0, in the order of the plan.
pub type Changes = BTreeMap<usize, Change>;

/// What goes into stock.
pub struct Kept {
    /// In the piece's coordinates, or in its own where it was redrawn.
    pub shape: Shape,
    /// How its outline is known.
    pub known: Known,
}

/// Reads the changes; numbers count from 1, as the plan shows them.
pub fn changes(shop: &Shop, given: &[LeftoverChange]) -> Result<Changes, Error> {
    let mut changes = Changes::new();
    for one in given {
        let number = one.leftover.trim().parse::<usize>().ok().filter(|n| *n > 0);
        let wrong = || Error::bad(say!("error-leftover-number", text = shown(&one.leftover))).at("leftovers");
        let number = number.ok_or_else(wrong)?;
        let change = match (one.what.trim(), &one.shape) {
            ("drop", None) => Change::Drop,
            ("keep", None) => Change::Keep,
            ("straighten", None) => Change::Straighten,
            ("redraw", Some(shape)) => Change::Redraw(Box::new(given::piece(shop, shape)?)),
            ("redraw", None) => return Err(Error::bad(say!("error-needed")).at("leftovers")),
            (what, _) => {
                let said = say!("error-word", text = shown(what), words = "drop, keep, straighten, redraw");
                return Err(Error::bad(said).at("leftovers"));
            }
        };
        if changes.insert(number - 1, change).is_some() {
            return Err(Error::bad(say!("error-leftover-twice", number = number)).at("leftovers"));
        }
    }
    Ok(changes)
}

/// What of a planned piece goes into stock after the changes, and where the piece's area goes.
///
/// # Errors
/// Where a number is none of the plan's, where a leftover cannot be made straight, or where what was redrawn is more
/// than the cut left.
pub fn kept(planned: &PlannedPiece, changes: &Changes, code: &str) -> Result<(Vec<Kept>, Areas), Error> {
    if let Some(number) = changes.keys().find(|n| **n >= planned.leftovers.len()) {
        let said = say!("error-no-leftover", number = number + 1, piece = code, count = planned.leftovers.len());
        return Err(Error::bad(said).at("leftovers"));
    }
    let mut kept = Vec::new();
    for (n, leftover) in planned.leftovers.iter().enumerate() {
        let machine = |shape: &Shape| Kept { shape: shape.clone(), known: Known::Machine };
        match changes.get(&n) {
            Some(Change::Drop) => {}
            Some(Change::Keep) => kept.push(machine(&leftover.shape)),
            Some(Change::Straighten) => {
                let none = || Error::bad(say!("error-not-straight", number = n + 1, piece = code)).at("leftovers");
                kept.push(machine(&straight(&leftover.shape).ok_or_else(none)?.kept));
            }
            Some(Change::Redraw(shape)) => kept.push(Kept { shape: (**shape).clone(), known: Known::Tape }),
            None if leftover.keep => kept.push(machine(&leftover.shape)),
            None => {}
        }
    }
    let offcuts2: i64 = kept.iter().map(|k| k.shape.area2()).sum();
    let free2 = planned.areas.offcuts2 + planned.areas.scrap2;
    if offcuts2 > free2 {
        return Err(Error::bad(say!("error-left-more", piece = code)).at("leftovers"));
    }
    Ok((kept, Areas { offcuts2, scrap2: free2 - offcuts2, ..planned.areas }))
}

/// The rectangle or L that straight cuts would make of a leftover; `None` where it is one already, or where too
/// little would be left.
pub fn straight(leftover: &Shape) -> Option<Straightened> {
    straighten(leftover).ok().flatten()
}

/// The one straight cut that parts a leftover over the full width of an upright rectangle from the rest of it, along the
/// middle of its kerf; `None` where the leftover is none such.
pub fn parting(piece: &Shape, leftover: &Shape, kerf_um: i64) -> Option<[Point; 2]> {
    let ((lo, hi), (l, h)) = (piece.bounds(), leftover.bounds());
    let upright = |s: &Shape, (lo, hi): (Point, Point)| {
        s.area2() == 2 * (i64::from(hi.x) - i64::from(lo.x)) * (i64::from(hi.y) - i64::from(lo.y))
    };
    if !upright(piece, (lo, hi)) || !upright(leftover, (l, h)) {
        return None;
    }
    let half = i32::try_from(kerf_um / 2).ok()?;
    let upright = |x: i32| [Point::new(x, lo.y), Point::new(x, hi.y)];
    let level = |y: i32| [Point::new(lo.x, y), Point::new(hi.x, y)];
    match (l.x == lo.x, l.y == lo.y, h.x == hi.x, h.y == hi.y) {
        (false, true, true, true) => Some(upright(l.x - half)),
        (true, true, false, true) => Some(upright(h.x + half)),
        (true, false, true, true) => Some(level(l.y - half)),
        (true, true, true, false) => Some(level(h.y + half)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use sheetloft_shapes::Placement;

    use super::*;

    #[test]
    fn the_cut_behind_the_parts_runs_in_the_middle_of_its_kerf() {
        let sheet = Shape::rectangle(2_400_000, 1_200_000).unwrap();
        let at = |w: i64, h: i64, dx: i32, dy: i32| {
            Shape::rectangle(w, h).unwrap().placed(&Placement { dx, dy, ..Placement::default() }).unwrap()
        };
        let right = parting(&sheet, &at(1_000_000, 1_200_000, 1_400_000, 0), 200);
        assert_eq!(right, Some([Point::new(1_399_900, 0), Point::new(1_399_900, 1_200_000)]));
        let below = parting(&sheet, &at(2_400_000, 500_000, 0, 0), 3_000);
        assert_eq!(below, Some([Point::new(0, 501_500), Point::new(2_400_000, 501_500)]));
        assert_eq!(parting(&sheet, &at(1_000_000, 1_000_000, 1_400_000, 0), 200), None);
        assert_eq!(parting(&sheet, &sheet, 200), None);
    }
}

//! Whether a line lies all along others that are drawn.

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use crate::DrawingError;
use crate::curve::{P, Path, distance_to_segment};
use crate::nest::Budget;

/// Lines this near are one, nm.
const NEAR_NM: f64 = 20_000.0;
/// Chords stay this near to their curves, nm.
const CHORD_NM: f64 = 5_000.0;
/// A line is looked at once in so many nm, but at least thrice and at most [`LOOKS_MOST`] times.
const STEP_NM: f64 = 1_000_000.0;
/// So often a stroke is looked at, at most.
const LOOKS_MOST: f64 = 64.0;

/// Lines that are drawn, in nm.
pub(crate) struct Lines(RTree<GeomWithData<Rectangle<P>, (P, P)>>);

impl Lines {
    pub(crate) fn new<'a>(paths: impl Iterator<Item = &'a Path>) -> Self {
        let mut chords = Vec::new();
        for path in paths {
            for piece in path.pieces() {
                let mut last = piece.from;
                piece.chords(CHORD_NM, &mut |p| {
                    chords.push(GeomWithData::new(Rectangle::from_corners(last, p), (last, p)));
                    last = p;
                });
            }
        }
        Self(RTree::bulk_load(chords))
    }

    /// Whether these lines run all along a path.
    ///
    /// # Errors
    /// Where there are too many pairs to look at.
    pub(crate) fn hold(&self, path: &Path, budget: &Budget) -> Result<bool, DrawingError> {
        for piece in path.pieces() {
            let looks = libm::ceil(piece.length() / STEP_NM).clamp(2.0, LOOKS_MOST) as usize;
            for i in 0..=looks {
                let p = piece.point(i as f64 / looks as f64);
                let near = AABB::from_corners(p.map(|v| v - NEAR_NM), p.map(|v| v + NEAR_NM));
                let mut found = false;
                for line in self.0.locate_in_envelope_intersecting(&near) {
                    budget.spend(1)?;
                    let (a, b) = line.data;
                    if distance_to_segment(p, a, b) <= NEAR_NM {
                        found = true;
                        break;
                    }
                }
                if !found {
                    return Ok(false);
                }
            }
        }
        Ok(true)
    }
}

//! Formats made for paper paint: areas, lines, shadows, and the paper itself. What of that is not to be cut.

use crate::curve::{Bounds, Path, Seg};
use crate::{Colour, Why};

/// Areas that let through more than this are shadows or tints.
const OPAQUE: f64 = 0.9;

/// How something is painted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Paint {
    /// A line is drawn along it.
    pub(crate) line: bool,
    /// The area in it is filled.
    pub(crate) area: bool,
    pub(crate) colour: Option<Colour>,
    /// Of the area, 0 to 1.
    pub(crate) opacity: f64,
}

impl Paint {
    /// Why nothing of it is to be seen as a cut line, unless it is asked for.
    pub(crate) fn unseen(&self) -> Option<Why> {
        if self.line {
            (!self.area && self.colour.is_some_and(Colour::is_paper)).then_some(Why::ColourOfPaper)
        } else {
            (self.opacity < OPAQUE).then_some(Why::SeeThrough)
        }
    }

    /// Whether it is the paper: a white area without a line, as large as the page.
    pub(crate) fn is_paper(&self, path: &Path, page: &Bounds) -> bool {
        let straight = path.segs.len() <= 5 && path.segs.iter().all(|s| matches!(s, Seg::Line { .. }));
        !self.line && straight && self.colour.is_some_and(Colour::is_paper) && path.bounds().holds(page)
    }
}

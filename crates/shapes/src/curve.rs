//! Contours as they were drawn: lines, arcs and cubic curves, kept beside the chords used for fitting.

use serde::{Deserialize, Serialize};

/// One closed contour as drawn. Coordinates are whole **nanometres**, so that an arc written out again is
/// the arc that was read. The last segment ends at `start`.
#[derive(Clone, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub struct Contour {
    /// Where the contour starts and ends, nm.
    pub start: [i64; 2],
    /// Its segments, in order.
    pub segments: Vec<Segment>,
}

/// A segment of a [`Contour`]; it starts where the one before ended. All coordinates in nm.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Segment {
    /// A straight line.
    Line {
        /// End point.
        to: [i64; 2],
    },
    /// A circular arc of less than a full turn (a circle is two arcs).
    Arc {
        /// End point.
        to: [i64; 2],
        /// Centre of the circle.
        centre: [i64; 2],
        /// Counter-clockwise.
        ccw: bool,
    },
    /// A cubic Bézier curve.
    Cubic {
        /// First control point.
        c1: [i64; 2],
        /// Second control point.
        c2: [i64; 2],
        /// End point.
        to: [i64; 2],
    },
}

//! Where a part lies: turn, flip, move.

use serde::{Deserialize, Serialize};

/// A turn counter-clockwise, in whole microdegrees, 0 ..= 359 999 999.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Turn(pub i64);

/// A placement: take the part's point as given; where `flip`, mirror x to −x; turn counter-clockwise about
/// the origin; then move. The result is in the piece's own coordinates.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize, Deserialize)]
pub struct Placement {
    /// The turn, in microdegrees.
    pub turn: Turn,
    /// Mirror x to −x before turning.
    #[serde(default)]
    pub flip: bool,
    /// Move along x after turning, µm.
    pub dx: i32,
    /// Move along y after turning, µm.
    pub dy: i32,
}

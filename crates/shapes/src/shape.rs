//! Outlines with holes on the µm grid, and their validation.

use serde::{Deserialize, Serialize};

/// A point in whole micrometres.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(from = "(i32, i32)", into = "(i32, i32)")]
pub struct Point {
    /// To the right, µm.
    pub x: i32,
    /// Up, µm.
    pub y: i32,
}

impl Point {
    /// A point from its coordinates in µm.
    pub const fn new(x: i32, y: i32) -> Self {
        Self { x, y }
    }
}

impl From<(i32, i32)> for Point {
    fn from((x, y): (i32, i32)) -> Self {
        Self { x, y }
    }
}

impl From<Point> for (i32, i32) {
    fn from(p: Point) -> Self {
        (p.x, p.y)
    }
}

/// A ring of corners, closed by itself: the last corner is joined to the first.
pub type Ring = Vec<Point>;

/// An outline with holes. Made by [`Shape::new`], which validates: rings are simple, the outline runs
/// counter-clockwise, holes clockwise, holes lie inside the outline and apart from each other.
///
/// Serialises as `{"outline": [[x, y], …], "holes": [[[x, y], …], …]}` in µm.
#[derive(Clone, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
pub struct Shape {
    outline: Ring,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    holes: Vec<Ring>,
}

/// What is wrong with rings that were to become a [`Shape`]. Ring 0 is the outline, ring n the n-th hole;
/// corners count from 0 in the ring as given.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ShapeError {
    #[error("ring {ring} has fewer than three distinct corners")]
    TooFewCorners { ring: usize },
    #[error("ring {ring} encloses no area")]
    NoArea { ring: usize },
    #[error("ring {ring} crosses or touches itself between corners {corner} and {other}")]
    SelfCrossing { ring: usize, corner: usize, other: usize },
    #[error("corner {corner} of ring {ring} is not a number within ±20 000 mm")]
    OutOfRange { ring: usize, corner: usize },
    #[error("hole {hole} does not lie inside the outline")]
    HoleOutside { hole: usize },
    #[error("holes {hole} and {other} overlap or touch")]
    HolesOverlap { hole: usize, other: usize },
    #[error("the holes leave no area")]
    NothingLeft,
    #[error("ring {ring} has {corners} corners; at most {most} are taken")]
    TooManyCorners { ring: usize, corners: usize, most: usize },
    #[error("the shape has {rings} rings; at most {most} are taken")]
    TooManyRings { rings: usize, most: usize },
}

//! Exact plane geometry on an integer grid: outlines, booleans, offsets, measures.
//!
//! Everything is in whole micrometres. The crate knows no trade: no materials, no money, no orders.

pub mod boolean;
pub mod circle;
pub mod clear;
pub mod curve;
pub mod hull;
pub mod limits;
pub mod narrow;
pub mod offset;
pub mod place;
pub mod rectangle;
pub mod rim;
#[cfg(test)]
mod samples;
pub mod shape;
pub mod straight;
mod valid;
pub mod width;

pub use curve::{Contour, Segment};
pub use place::{Motion, Placement, Turn};
pub use rim::Rim;
pub use shape::{Point, Ring, Shape, ShapeError, Side};

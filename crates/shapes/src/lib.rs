//! Exact plane geometry on an integer grid: outlines, booleans, offsets, measures.
//!
//! Everything is in whole micrometres. The crate knows no trade: no materials, no money, no orders.

pub mod curve;
pub mod limits;
pub mod place;
pub mod shape;

pub use curve::{Contour, Segment};
pub use place::{Placement, Turn};
pub use shape::{Point, Ring, Shape, ShapeError};

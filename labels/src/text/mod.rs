//! Letters: the embedded fonts, text shaped into lines, and lines made to fit a place.

mod fit;
mod font;
mod line;

pub(crate) use fit::{Block, Sizes, Text};
pub(crate) use font::Weight;
pub(crate) use line::{Line, tidied};

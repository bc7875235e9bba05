//! The label of a rack: its name as large as the label allows, to be read from the far side of the gangway.

use super::Split;
use super::column::{Column, Item};
use crate::label::RackLabel;
use crate::mark::{Frame, Mark};
use crate::text::Weight;

/// Smallest type, mm to the em.
const LEAST_MM: f32 = 2.5;
/// Most lines of a name.
const LINES: usize = 4;

pub(super) fn marks(rack: &RackLabel, split: Split, dots_per_mm: f32) -> Vec<Mark> {
    let Split { code, main, .. } = split.centred();
    let name = Item::new(&rack.name, Weight::Bold, 0.85 * main.h, LEAST_MM * dots_per_mm, LINES);
    let column = Column::new(&[name], main.w, main.h);
    let top = main.y + (main.h - column.height) / 2.0;
    let mut marks = vec![code];
    marks.extend(column.marks(Frame { y: top, ..main }));
    marks
}

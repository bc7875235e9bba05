//! Texts one under the other, made to fit a frame.

use crate::mark::{Frame, Mark};
use crate::text::{Block, Sizes, Weight, fit, tidied};

/// One text of a column.
#[derive(Clone, Debug)]
pub(super) struct Item {
    text: String,
    weight: Weight,
    sizes: Sizes,
    /// Air above it, in parts of its size.
    gap: f32,
}

impl Item {
    /// A text that is set from `most` down to `least` dots to the em, on at most `lines` lines.
    pub(super) fn new(text: &str, weight: Weight, most: f32, least: f32, lines: usize) -> Self {
        let sizes = Sizes { most: most.max(least), least, lines };
        Self { text: tidied(text), weight, sizes, gap: 0.12 }
    }

    fn set(&self, share: f32, lines: usize, width: f32, height: f32) -> Option<Block> {
        let sizes = Sizes {
            most: (self.sizes.most * share).max(self.sizes.least),
            lines: self.sizes.lines.min(lines),
            ..self.sizes
        };
        fit(&self.text, self.weight, sizes, width, height)
    }
}

/// Texts as they are set, from the top.
#[derive(Clone, Debug, Default)]
pub(super) struct Column {
    blocks: Vec<Placed>,
    /// Height of all, dots.
    pub(super) height: f32,
    /// Nothing had to be left out or made smaller for want of height.
    pub(super) at_ease: bool,
}

#[derive(Clone, Debug)]
struct Placed {
    block: Block,
    y: f32,
}

impl Column {
    /// Sets the items in `width` × `height` dots, the most important first. Where there is not enough height
    /// all get smaller, then those of several lines are cut to fewer, then the last ones are left out.
    pub(super) fn new(items: &[Item], width: f32, height: f32) -> Self {
        const SMALLEST: f32 = 0.5;
        for (share, lines) in [(1.0, 9), (0.9, 9), (0.8, 9), (0.7, 9), (0.6, 9), (SMALLEST, 9), (SMALLEST, 2)] {
            let column = Self::stacked(items, share, lines, width, height);
            if column.height <= height {
                return Self { at_ease: share == 1.0, ..column };
            }
        }
        let mut items = items;
        loop {
            let column = Self::stacked(items, SMALLEST, 1, width, height);
            match items.split_last() {
                Some((_, fewer)) if column.height > height => items = fewer,
                _ => return column,
            }
        }
    }

    fn stacked(items: &[Item], share: f32, lines: usize, width: f32, height: f32) -> Self {
        let mut column = Self::default();
        for item in items {
            let Some(block) = item.set(share, lines, width, height) else {
                continue;
            };
            if !column.blocks.is_empty() {
                column.height += item.gap * block.size;
            }
            let y = column.height;
            column.height += block.height();
            column.blocks.push(Placed { block, y });
        }
        column
    }

    /// The column's lines, with its upper left corner at `at`.
    pub(super) fn marks(self, at: Frame) -> impl Iterator<Item = Mark> {
        self.blocks.into_iter().flat_map(move |Placed { block, y }| {
            let size = block.size;
            let mut top = at.y + y;
            block.lines.into_iter().map(move |line| {
                let baseline = top + line.ascent * size;
                top += line.height() * size;
                Mark::Text { line, x: at.x, y: baseline, size }
            })
        })
    }
}

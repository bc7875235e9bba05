//! Texts one under the other, made to fit a frame.

use std::rc::Rc;

use crate::mark::{Frame, Mark};
use crate::text::{Block, Sizes, Text, Weight};

/// One text of a column.
#[derive(Clone, Debug)]
pub(super) struct Item {
    text: Rc<Text>,
    sizes: Sizes,
    /// Set no larger than the smallest of the items of this kind.
    even: bool,
}

/// Air above a text that follows another, in parts of its size.
const GAP: f32 = 0.12;

impl Item {
    /// A text that is set from `most` down to `least` dots to the em, on at most `lines` lines.
    pub(super) fn new(text: &str, weight: Weight, most: f32, least: f32, lines: usize) -> Self {
        let sizes = Sizes { most: most.max(least), least, lines };
        Self { text: Rc::new(Text::new(text, weight)), sizes, even: false }
    }

    /// The same text, no larger than the smallest of all that are even.
    pub(super) fn even(mut self) -> Self {
        self.even = true;
        self
    }

    /// The same text on at most `lines` lines.
    pub(super) fn on_lines(mut self, lines: usize) -> Self {
        self.sizes.lines = lines;
        self
    }

    fn at_most(&self, most: f32) -> Self {
        let sizes = Sizes { most: self.sizes.most.min(most), ..self.sizes };
        Self { sizes, ..self.clone() }
    }

    fn set(&self, share: f32, lines: usize, width: f32, height: f32) -> Option<Block> {
        let sizes = Sizes {
            most: (self.sizes.most * share).max(self.sizes.least),
            lines: self.sizes.lines.min(lines),
            ..self.sizes
        };
        self.text.fit(sizes, width, height)
    }
}

/// Texts as they are set, from the top.
#[derive(Clone, Debug, Default)]
pub(super) struct Column {
    blocks: Vec<Placed>,
    /// Height of all, dots.
    pub(super) height: f32,
    /// The least share of its largest size that an item is set in.
    pub(super) share: f32,
    /// Nothing is cut or left out.
    pub(super) whole: bool,
    /// Nothing is made smaller for want of height.
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
        let mut kept = items;
        loop {
            let column = Self::stacked(kept, SMALLEST, 1, width, height);
            match kept.split_last() {
                Some((_, fewer)) if column.height > height => kept = fewer,
                _ => return Self { whole: column.whole && kept.len() == items.len(), ..column },
            }
        }
    }

    fn stacked(items: &[Item], share: f32, lines: usize, width: f32, height: f32) -> Self {
        let mut column = Self { whole: true, share: 1.0, ..Self::default() };
        let set = |item: &Item| item.set(share, lines, width, height);
        let even =
            items.iter().filter(|item| item.even).filter_map(|item| Some(set(item)?.size)).fold(f32::MAX, f32::min);
        for item in items.iter().filter(|item| !item.text.is_empty()) {
            let block = if item.even { set(&item.at_most(even)) } else { set(item) };
            let Some(block) = block else {
                column.whole = false;
                continue;
            };
            column.whole &= !block.cut;
            column.share = column.share.min(block.size / item.sizes.most);
            if !column.blocks.is_empty() {
                column.height += GAP * block.size;
            }
            let y = column.height;
            column.height += block.height();
            column.blocks.push(Placed { block, y });
        }
        column
    }

    /// The column's lines, with its upper left corner at `at`.
    pub(super) fn marks(self, at: Frame) -> impl Iterator<Item = Mark> {
        self.blocks.into_iter().flat_map(move |Placed { block, y }| block.at(at.x, at.y + y))
    }
}

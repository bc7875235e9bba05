//! Text made to fit a place: it shrinks, then wraps, then is cut with an ellipsis.

use std::ops::Range;

use unicode_linebreak::linebreaks;
use unicode_segmentation::UnicodeSegmentation;

use super::font::Weight;
use super::line::{ELLIPSIS, Line, tidied};
use crate::mark::Mark;

/// How large a text may be set. Sizes in dots to the em.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Sizes {
    pub(crate) most: f32,
    pub(crate) least: f32,
    /// Most lines.
    pub(crate) lines: usize,
}

/// Lines of one size, one under the other.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Block {
    pub(crate) lines: Vec<Line>,
    /// Dots to the em.
    pub(crate) size: f32,
    /// The end of the text is left out.
    pub(crate) cut: bool,
}

impl Block {
    /// Height, dots.
    pub(crate) fn height(&self) -> f32 {
        height(&self.lines) * self.size
    }

    /// The lines, the upper left corner of the first at `x`, `y`.
    pub(crate) fn at(self, x: f32, y: f32) -> impl Iterator<Item = Mark> {
        let (size, mut top) = (self.size, y);
        self.lines.into_iter().map(move |line| {
            let baseline = top + line.ascent * size;
            top += line.height() * size;
            Mark::Text { line, x, y: baseline, size }
        })
    }

    /// Width of the longest line, dots.
    #[cfg(test)]
    pub(crate) fn width(&self) -> f32 {
        self.lines.iter().map(|l| l.width).fold(0.0, f32::max) * self.size
    }
}

fn height(lines: &[Line]) -> f32 {
    lines.iter().map(Line::height).sum()
}

/// A text is rather wrapped than shrunk on one line to less than this share of its largest size.
const ONE_LINE_SHRINK: f32 = 0.75;
/// The share by which the size goes down from one try to the next.
const STEP: f32 = 0.9;

/// A text, shaped once, ready to be set in any place.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Text {
    text: String,
    whole: Line,
    /// Width of the text up to each of its bytes, em, as it is where nothing is broken.
    upto: Vec<f32>,
    /// Where a line may end.
    breaks: Vec<usize>,
    /// Where a letter with its marks ends.
    letters: Vec<usize>,
}

impl Text {
    /// The text, [tidied].
    pub(crate) fn new(text: &str, weight: Weight) -> Self {
        let text = tidied(text);
        let whole = Line::new(&text, weight);
        let mut upto = vec![0.0; text.len() + 1];
        for (at, advance) in whole.advances() {
            upto[at + 1] += advance;
        }
        let mut sum = 0.0;
        for width in &mut upto {
            sum += *width;
            *width = sum;
        }
        let letters = text.grapheme_indices(true).map(|(start, letter)| start + letter.len()).collect();
        let breaks = breaks(&text).collect();
        Self { text, whole, upto, breaks, letters }
    }

    /// There is nothing to set.
    pub(crate) fn is_empty(&self) -> bool {
        self.whole.width <= 0.0
    }

    /// Sets the text into `width` × `height` dots: it shrinks, then wraps, then is cut with an ellipsis. `None`
    /// where there is no text, or no room for a single letter.
    pub(crate) fn fit(&self, sizes: Sizes, width: f32, height_most: f32) -> Option<Block> {
        if self.is_empty() || sizes.least <= 0.0 {
            return None;
        }
        let least = sizes.least.min(sizes.most);
        let one_line = sizes.most.min(width / self.whole.width).min(height_most / self.whole.height());
        let shrunk = least.max(if sizes.lines > 1 { sizes.most * ONE_LINE_SHRINK } else { 0.0 });
        if one_line >= shrunk {
            return Some(Block { lines: vec![self.whole.clone()], size: one_line, cut: false });
        }
        let tries = std::iter::successors(Some(shrunk), |s| (*s > least).then(|| (s * STEP).max(least)));
        // Words stay whole where some size allows it.
        for whole_words in [true, false] {
            for size in tries.clone() {
                let spans = self.spans(width / size, sizes.lines, whole_words);
                let all = spans.filter(|(_, rest)| *rest == self.text.len());
                if let Some(lines) = all.and_then(|(spans, _)| self.shaped(&spans, width / size))
                    && height(&lines) * size <= height_most
                {
                    return Some(Block { lines, size, cut: false });
                }
            }
        }
        // At the smallest size: as many lines as there is room for, the last one cut.
        (1..=sizes.lines).rev().find_map(|count| {
            let lines = self.cut(width / least, count)?;
            (height(&lines) * least <= height_most).then_some(Block { lines, size: least, cut: true })
        })
    }

    /// Breaks the text into at most `count` lines of `width` em, and says where the rest begins. `None` where a
    /// word (or, with `whole_words` off, a letter) is wider than that.
    fn spans(&self, width: f32, count: usize, whole_words: bool) -> Option<(Vec<Range<usize>>, usize)> {
        let mut spans = Vec::new();
        let mut start = 0;
        while start < self.text.len() && spans.len() < count {
            let in_words = last_within(&self.breaks, |end| end > start, |end| self.width(start, end) <= width);
            let end = match in_words {
                None if whole_words => return None,
                None => last_within(&self.letters, |end| end > start, |end| self.width(start, end) <= width)?,
                Some(end) => end,
            };
            spans.push(start..self.trimmed(start, end));
            start = self.text.len() - self.text[end..].trim_start().len();
        }
        Some((spans, start))
    }

    /// The lines of some spans. `None` where one is wider than `width` em after all: letters next to a break may
    /// have other forms.
    fn shaped(&self, spans: &[Range<usize>], width: f32) -> Option<Vec<Line>> {
        let mut lines = Vec::new();
        for span in spans {
            let line = Line::new(&self.text[span.clone()], self.whole.weight);
            if line.width > width {
                return None;
            }
            lines.push(line);
        }
        Some(lines)
    }

    /// The text broken into `count` lines of at most `width` em, what does not go in cut off the last.
    fn cut(&self, width: f32, count: usize) -> Option<Vec<Line>> {
        let ellipsis = Line::new(ELLIPSIS, self.whole.weight).width;
        // Letters next to a break may get wider: then a little less is put on a line.
        [1.0, 0.95, 0.85, 0.7].into_iter().map(|share| width * share).find_map(|within| {
            let (mut spans, start) = self.spans(within, count - 1, false)?;
            let last = |end| self.width(start, end) + ellipsis <= within;
            let end = last_within(&self.letters, |end| end > start, last)?;
            spans.push(start..self.trimmed(start, end));
            let last = spans.pop()?;
            let mut lines = self.shaped(&spans, width)?;
            let last = format!("{}{ELLIPSIS}", self.text[last].trim_end_matches(ELLIPSIS));
            let last = Line::new(&last, self.whole.weight);
            if last.width > width {
                return None;
            }
            lines.push(last);
            Some(lines)
        })
    }

    /// The end of `start..end` without the spaces there.
    fn trimmed(&self, start: usize, end: usize) -> usize {
        start + self.text[start..end].trim_end().len()
    }

    /// Width of a part of the text, without the spaces at its end, em.
    fn width(&self, start: usize, end: usize) -> f32 {
        self.upto[self.trimmed(start, end)] - self.upto[start]
    }
}

/// The last of some rising ends after the start that still fits.
fn last_within(ends: &[usize], after: impl Fn(usize) -> bool, fits: impl Fn(usize) -> bool) -> Option<usize> {
    let first = ends.partition_point(|&end| !after(end));
    ends[first..].iter().copied().take_while(|&end| fits(end)).last()
}

/// Where a line may break: as Unicode has it (UAX 14), but a number keeps its unit, and a size stays whole.
fn breaks(text: &str) -> impl Iterator<Item = usize> {
    linebreaks(text).map(|(end, _)| end).filter(|&end| {
        let (before, after) = (text[..end].trim_end(), text[end..].trim_start());
        let joined = |c: char| c.is_ascii_digit() || c == '×';
        let spaced = before.len() < end;
        after.is_empty() || !(spaced && before.ends_with(joined) || after.starts_with('×'))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn said(block: &Block) -> Vec<String> {
        block.lines.iter().map(|line| line.runs.iter().map(|r| r.text.as_str()).collect()).collect()
    }

    fn set(text: &str, width: f32, lines: usize) -> (Vec<String>, f32) {
        let sizes = Sizes { most: 40.0, least: 20.0, lines };
        let block = Text::new(text, Weight::Plain).fit(sizes, width, 1e9).unwrap();
        (said(&block), block.size)
    }

    #[test]
    fn shrinks_then_wraps_then_is_cut() {
        let name = "acrylic clear 3 mm";
        let width = Line::new(name, Weight::Plain).width;
        assert_eq!(set(name, width * 41.0, 2), (vec![name.into()], 40.0));
        let (lines, size) = set(name, width * 32.0, 2);
        assert_eq!(lines, [name]);
        assert!((size - 32.0).abs() < 0.01);
        let (lines, size) = set(name, width * 20.5, 2);
        assert_eq!(lines, ["acrylic clear", "3 mm"]);
        assert!(size > 20.0);
        let (lines, size) = set(name, width * 12.0, 1);
        assert_eq!((lines, size), (vec!["acrylic cl…".into()], 20.0));
        // A size is not broken.
        let size = "overall 900 × 640 mm";
        let width = Line::new(size, Weight::Plain).width;
        assert_eq!(set(size, width * 24.0, 2).0, ["overall", "900 × 640 mm"]);
        // A word that is wider than the place is broken only where no size spares it.
        let (lines, _) = set("polymethylmethacrylate", width * 12.0, 3);
        assert_eq!(lines.concat(), "polymethylmethacrylate");
        assert!(lines.len() > 1);
    }

    proptest! {
        #[test]
        fn what_is_set_stays_in_its_place(
            text in "\\PC{0,60}|[a-z ]{0,240}|[\u{590}-\u{6ff} a-z0-9\u{300}-\u{310}]{0,80}",
            width in 1.0_f32..400.0, height in 1.0_f32..200.0, lines in 1_usize..5,
        ) {
            let sizes = Sizes { most: 40.0, least: 16.0, lines };
            if let Some(block) = Text::new(&text, Weight::Bold).fit(sizes, width, height) {
                prop_assert!(block.width() <= width * 1.0001);
                prop_assert!(block.height() <= height * 1.0001);
                prop_assert!(block.lines.len() <= lines);
                prop_assert!((16.0..=40.0).contains(&block.size));
                for run in block.lines.iter().flat_map(|l| &l.runs) {
                    for glyph in &run.glyphs {
                        prop_assert!(run.text.get(glyph.range.clone()).is_some());
                    }
                }
            }
        }
    }
}

//! Text made to fit a place: it shrinks, then wraps, then is cut with an ellipsis.

use unicode_linebreak::linebreaks;
use unicode_segmentation::UnicodeSegmentation;

use super::font::Weight;
use super::line::{ELLIPSIS, Line};

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

/// Sets a [tidied](super::tidied) text into `width` × `height` dots: it shrinks, then wraps, then is cut with an ellipsis.
/// `None` where there is no text, or no room for a single letter.
pub(crate) fn fit(text: &str, weight: Weight, sizes: Sizes, width: f32, height_most: f32) -> Option<Block> {
    let whole = Line::new(text, weight);
    if whole.width <= 0.0 || sizes.least <= 0.0 {
        return None;
    }
    let least = sizes.least.min(sizes.most);
    let one_line = sizes.most.min(width / whole.width).min(height_most / whole.height());
    let shrunk = least.max(if sizes.lines > 1 { sizes.most * ONE_LINE_SHRINK } else { 0.0 });
    if one_line >= shrunk {
        return Some(Block { lines: vec![whole], size: one_line, cut: false });
    }
    let tries = std::iter::successors(Some(shrunk), |s| (*s > least).then(|| (s * STEP).max(least)));
    // Words stay whole where some size allows it.
    for whole_words in [true, false] {
        for size in tries.clone() {
            let wrapped = wrap(text, weight, width / size, sizes.lines + 1, whole_words);
            if let Some(lines) = wrapped.filter(|lines| lines.len() <= sizes.lines)
                && height(&lines) * size <= height_most
            {
                return Some(Block { lines, size, cut: false });
            }
        }
    }
    // At the smallest size: as many lines as there is room for, the last one cut.
    (1..=sizes.lines).rev().find_map(|count| {
        let lines = wrap_and_cut(text, weight, width / least, count)?;
        (height(&lines) * least <= height_most).then_some(Block { lines, size: least, cut: true })
    })
}

/// Breaks a text into lines of at most `width` em, at most `lines_most` of them (the rest is left out). `None`
/// where a word (or, with `whole_words` off, a letter) is wider than that.
fn wrap(text: &str, weight: Weight, width: f32, lines_most: usize, whole_words: bool) -> Option<Vec<Line>> {
    let mut lines = Vec::new();
    let mut rest = text;
    while !rest.is_empty() && lines.len() < lines_most {
        let (line, left) = first_line(rest, weight, width, whole_words)?;
        lines.push(line);
        rest = left;
    }
    Some(lines)
}

/// As [`wrap`], into exactly `count` lines or fewer, with all that does not go in cut off the last.
fn wrap_and_cut(text: &str, weight: Weight, width: f32, count: usize) -> Option<Vec<Line>> {
    let mut lines = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        if lines.len() + 1 == count {
            lines.push(cut(rest, weight, width)?);
            return Some(lines);
        }
        let (line, left) = first_line(rest, weight, width, false)?;
        lines.push(line);
        rest = left;
    }
    Some(lines)
}

/// The longest beginning of `text` that goes into `width` em and ends where a line may break; and the rest.
fn first_line<'t>(text: &'t str, weight: Weight, width: f32, whole_words: bool) -> Option<(Line, &'t str)> {
    let shaped = |end: usize| Line::new(text[..end].trim_end(), weight);
    let mut best = None;
    for end in breaks(text) {
        let line = shaped(end);
        if line.width > width {
            break;
        }
        best = Some((line, end));
    }
    if best.is_none() && !whole_words {
        best = longest_beginning(text, |end| Some(shaped(end)).filter(|line| line.width <= width));
    }
    best.map(|(line, end)| (line, text[end..].trim_start()))
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

/// The longest beginning of `text` that goes into `width` em with an ellipsis after it, or all of it.
fn cut(text: &str, weight: Weight, width: f32) -> Option<Line> {
    let whole = Line::new(text, weight);
    if whole.width <= width {
        return Some(whole);
    }
    let cut = longest_beginning(text, |end| {
        let beginning = text[..end].trim_end().trim_end_matches(ELLIPSIS);
        Some(Line::new(&format!("{beginning}{ELLIPSIS}"), weight)).filter(|line| line.width <= width)
    });
    cut.map(|(line, _)| line)
}

/// Searches the longest beginning of `text`, in whole letters with their marks, for which `set` gives a line.
fn longest_beginning(text: &str, set: impl Fn(usize) -> Option<Line>) -> Option<(Line, usize)> {
    let ends: Vec<usize> = text.grapheme_indices(true).map(|(start, letter)| start + letter.len()).collect();
    let (mut fits, mut too_long) = (0, ends.len() + 1);
    let mut best = None;
    while too_long - fits > 1 {
        let middle = usize::midpoint(fits, too_long);
        match set(ends[middle - 1]) {
            Some(line) => {
                best = Some((line, ends[middle - 1]));
                fits = middle;
            }
            None => too_long = middle,
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::super::line::tidied;
    use super::*;
    use proptest::prelude::*;

    fn said(block: &Block) -> Vec<String> {
        block.lines.iter().map(|line| line.runs.iter().map(|r| r.text.as_str()).collect()).collect()
    }

    fn set(text: &str, width: f32, lines: usize) -> (Vec<String>, f32) {
        let sizes = Sizes { most: 40.0, least: 20.0, lines };
        let block = fit(&tidied(text), Weight::Plain, sizes, width, 1e9).unwrap();
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
            if let Some(block) = fit(&tidied(&text), Weight::Bold, sizes, width, height) {
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

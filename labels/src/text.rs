//! Letters: the embedded fonts, a text shaped into a line, and lines made to fit a place.
//!
//! A text that is too long shrinks, then wraps, then is cut with an ellipsis. A letter that the fonts do not
//! have is shown as their box for it, never left out.

use std::ops::Range;
use std::sync::LazyLock;

use rustybuzz::{Direction, Face, UnicodeBuffer};
use sheetloft_shapes::limits::TEXT_CHARS;
use unicode_bidi::{BidiClass, BidiInfo};
use unicode_linebreak::linebreaks;
use unicode_segmentation::UnicodeSegmentation;

/// How heavy the letters are.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub(crate) enum Weight {
    Plain,
    Bold,
}

impl Weight {
    /// The font file.
    pub(crate) fn bytes(self) -> &'static [u8] {
        match self {
            Self::Plain => include_bytes!("../fonts/DejaVuSansCondensed.ttf"),
            Self::Bold => include_bytes!("../fonts/DejaVuSansCondensed-Bold.ttf"),
        }
    }

    /// The font, read.
    pub(crate) fn face(self) -> &'static Face<'static> {
        static PLAIN: LazyLock<Face<'static>> = LazyLock::new(|| read(Weight::Plain));
        static BOLD: LazyLock<Face<'static>> = LazyLock::new(|| read(Weight::Bold));
        match self {
            Self::Plain => &PLAIN,
            Self::Bold => &BOLD,
        }
    }
}

fn read(weight: Weight) -> Face<'static> {
    Face::from_slice(weight.bytes(), 0).expect("the embedded fonts are read by every test")
}

/// One glyph of a line. Lengths in em.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Glyph {
    pub(crate) id: u16,
    /// The bytes of the run's text that it stands for.
    pub(crate) range: Range<usize>,
    pub(crate) advance: f32,
    pub(crate) dx: f32,
    /// Up.
    pub(crate) dy: f32,
}

/// Glyphs of one direction, from left to right as printed.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Run {
    pub(crate) text: String,
    pub(crate) glyphs: Vec<Glyph>,
    /// Width, em.
    pub(crate) width: f32,
}

/// One line of text, shaped. Lengths in em.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Line {
    pub(crate) weight: Weight,
    pub(crate) runs: Vec<Run>,
    pub(crate) width: f32,
    /// Furthest ink above the baseline, at least that of a capital with an accent.
    pub(crate) ascent: f32,
    /// Furthest ink below the baseline, at least that of a `g`.
    pub(crate) descent: f32,
}

/// Ascent and descent of ordinary letters, em. Taller piles of accents get the room that they need.
const ASCENT: f32 = 0.93;
const DESCENT: f32 = 0.24;

impl Line {
    /// Shapes a text that has been [`tidied`].
    pub(crate) fn new(text: &str, weight: Weight) -> Self {
        let face = weight.face();
        let em = face.units_per_em() as f32;
        let mut line = Self { weight, runs: Vec::new(), width: 0.0, ascent: ASCENT, descent: DESCENT };
        let bidi = BidiInfo::new(text, None);
        for paragraph in &bidi.paragraphs {
            let (levels, ranges) = bidi.visual_runs(paragraph, paragraph.range.clone());
            for range in ranges {
                let rtl = levels.get(range.start).is_some_and(|level| level.is_rtl());
                let text = &text[range];
                let mut buffer = UnicodeBuffer::new();
                buffer.push_str(text);
                buffer.guess_segment_properties();
                buffer.set_direction(if rtl { Direction::RightToLeft } else { Direction::LeftToRight });
                let shaped = rustybuzz::shape(face, &[], buffer);
                let clusters = ClusterEnds::new(shaped.glyph_infos().iter().map(|g| g.cluster as usize), text);
                let mut run = Run { text: text.to_owned(), glyphs: Vec::new(), width: 0.0 };
                for (info, at) in shaped.glyph_infos().iter().zip(shaped.glyph_positions()) {
                    let id = u16::try_from(info.glyph_id).unwrap_or(0);
                    let glyph = Glyph {
                        id,
                        range: clusters.range(info.cluster as usize),
                        advance: at.x_advance as f32 / em,
                        dx: at.x_offset as f32 / em,
                        dy: at.y_offset as f32 / em,
                    };
                    if let Some(ink) = face.glyph_bounding_box(rustybuzz::ttf_parser::GlyphId(id)) {
                        line.ascent = line.ascent.max(f32::from(ink.y_max) / em + glyph.dy);
                        line.descent = line.descent.max(-f32::from(ink.y_min) / em - glyph.dy);
                    }
                    run.width += glyph.advance;
                    run.glyphs.push(glyph);
                }
                line.width += run.width;
                line.runs.push(run);
            }
        }
        line
    }

    /// Height of the line, em.
    pub(crate) fn height(&self) -> f32 {
        self.ascent + self.descent
    }
}

/// Where each cluster of a shaped run ends in its text: where the next begins.
struct ClusterEnds(Vec<usize>);

impl ClusterEnds {
    fn new(starts: impl Iterator<Item = usize>, text: &str) -> Self {
        let mut all: Vec<usize> = starts.collect();
        all.push(text.len());
        all.sort_unstable();
        all.dedup();
        Self(all)
    }

    fn range(&self, start: usize) -> Range<usize> {
        let next = self.0.partition_point(|&s| s <= start);
        start..self.0.get(next).copied().unwrap_or(start)
    }
}

/// Most marks that are kept on one letter; no language writes more.
const MARKS_ON_A_LETTER: usize = 4;

/// A text as it is printed: one line, single spaces, no control characters, at most [`TEXT_CHARS`] long,
/// piles of accents within reason.
pub(crate) fn tidied(text: &str) -> String {
    let mut tidy = String::new();
    let mut chars = 0;
    let mut marks = 0;
    let gap = |c: char| c.is_whitespace() || c.is_control();
    for c in text.trim_matches(gap).chars() {
        let c = if gap(c) { ' ' } else { c };
        if c == ' ' && tidy.ends_with(' ') {
            continue;
        }
        marks = if unicode_bidi::bidi_class(c) == BidiClass::NSM { marks + 1 } else { 0 };
        if marks > MARKS_ON_A_LETTER {
            continue;
        }
        if chars == TEXT_CHARS {
            tidy.push(ELLIPSIS);
            break;
        }
        tidy.push(c);
        chars += 1;
    }
    tidy
}

const ELLIPSIS: char = '…';

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

/// Sets a [`tidied`] text into `width` × `height` dots: it shrinks, then wraps, then is cut with an ellipsis.
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
        return Some(Block { lines: vec![whole], size: one_line });
    }
    let tries = std::iter::successors(Some(shrunk), |s| (*s > least).then(|| (s * STEP).max(least)));
    // Words stay whole where some size allows it.
    for whole_words in [true, false] {
        for size in tries.clone() {
            let wrapped = wrap(text, weight, width / size, sizes.lines + 1, whole_words);
            if let Some(lines) = wrapped.filter(|lines| lines.len() <= sizes.lines)
                && height(&lines) * size <= height_most
            {
                return Some(Block { lines, size });
            }
        }
    }
    // At the smallest size: as many lines as there is room for, the last one cut.
    (1..=sizes.lines).rev().find_map(|count| {
        let lines = wrap_and_cut(text, weight, width / least, count)?;
        (height(&lines) * least <= height_most).then_some(Block { lines, size: least })
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
    for (end, _) in linebreaks(text) {
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
        // A word that is wider than the place is broken only where no size spares it.
        let (lines, _) = set("polymethylmethacrylate", width * 12.0, 3);
        assert_eq!(lines.concat(), "polymethylmethacrylate");
        assert!(lines.len() > 1);
    }

    #[test]
    fn a_missing_letter_is_a_box_and_keeps_its_place() {
        // No CJK letters in the fonts.
        let line = Line::new("棚 A", Weight::Bold);
        let ids: Vec<u16> = line.runs.iter().flat_map(|r| r.glyphs.iter().map(|g| g.id)).collect();
        assert_eq!(ids[0], 0);
        assert!(ids[1..].iter().all(|&id| id != 0));
        let face = Weight::Bold.face();
        assert!(face.glyph_bounding_box(rustybuzz::ttf_parser::GlyphId(0)).is_some());
        assert!(line.runs[0].glyphs[0].advance > 0.3);
    }

    #[test]
    fn right_to_left_runs_are_shaped_and_ordered() {
        let line = Line::new("רף 12", Weight::Plain);
        assert_eq!(said(&Block { lines: vec![line.clone()], size: 1.0 }).concat(), "12רף ");
        // Joined forms: the letters of one Arabic word are not its isolated glyphs.
        let word = Line::new("رف", Weight::Plain);
        let alone: Vec<u16> = ["ف", "ر"].iter().map(|l| Line::new(l, Weight::Plain).runs[0].glyphs[0].id).collect();
        assert_eq!(alone.len(), 2);
        let word: Vec<u16> = word.runs[0].glyphs.iter().map(|g| g.id).collect();
        assert_eq!(word.len(), 2);
        assert!(!word.contains(&0) && !alone.contains(&0));
    }

    #[test]
    fn every_glyph_of_the_shipped_words_exists() {
        for text in ["Ölfaß", "Łódź", "Żółć", "ξύλο", "фанера", "կաղամախի", "ფანერა", "610 × 403 mm", "12½ in", "⌀ ∠ →"]
        {
            for weight in [Weight::Plain, Weight::Bold] {
                let line = Line::new(text, weight);
                assert!(line.runs.iter().flat_map(|r| &r.glyphs).all(|g| g.id != 0), "{text}");
            }
        }
    }

    #[test]
    fn tidied_is_one_bounded_line() {
        assert_eq!(tidied("  a\n\tb\u{7}  c "), "a b c");
        assert_eq!(tidied(&"x".repeat(TEXT_CHARS)), "x".repeat(TEXT_CHARS));
        assert_eq!(tidied(&"x".repeat(TEXT_CHARS + 1)), format!("{}…", "x".repeat(TEXT_CHARS)));
        let pile = format!("e{}", "\u{301}".repeat(90));
        assert_eq!(tidied(&pile).chars().count(), 1 + MARKS_ON_A_LETTER);
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

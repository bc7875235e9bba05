//! A text shaped into one line of glyphs.
//!
//! Letters are joined, marked and ordered as their script wants it. One that the fonts do not have is shown as
//! their box for it, never left out.

use std::ops::Range;

use rustybuzz::{Direction, UnicodeBuffer};
use sheetloft_shapes::limits::TEXT_CHARS;
use unicode_bidi::{BidiClass, BidiInfo};

use super::font::Weight;

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
    /// Where its text begins in the line's.
    start: usize,
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
        let font = weight.font();
        let face = &font.face;
        let em = face.units_per_em() as f32;
        let mut line = Self { weight, runs: Vec::new(), width: 0.0, ascent: ASCENT, descent: DESCENT };
        let bidi = BidiInfo::new(text, None);
        for paragraph in &bidi.paragraphs {
            let (levels, ranges) = bidi.visual_runs(paragraph, paragraph.range.clone());
            for range in ranges {
                let rtl = levels.get(range.start).is_some_and(|level| level.is_rtl());
                let start = range.start;
                let text = &text[range];
                let mut buffer = UnicodeBuffer::new();
                buffer.push_str(text);
                buffer.guess_segment_properties();
                let direction = if rtl { Direction::RightToLeft } else { Direction::LeftToRight };
                buffer.set_direction(direction);
                let plan = weight.plan(direction, buffer.script());
                let shaped = rustybuzz::shape_with_plan(face, &plan, buffer);
                let clusters = ClusterEnds::new(shaped.glyph_infos().iter().map(|g| g.cluster as usize), text);
                let mut run = Run { text: text.to_owned(), start, glyphs: Vec::new(), width: 0.0 };
                for (info, at) in shaped.glyph_infos().iter().zip(shaped.glyph_positions()) {
                    let id = u16::try_from(info.glyph_id).unwrap_or(0);
                    let glyph = Glyph {
                        id,
                        range: clusters.range(info.cluster as usize),
                        advance: at.x_advance as f32 / em,
                        dx: at.x_offset as f32 / em,
                        dy: at.y_offset as f32 / em,
                    };
                    let (above, below) = font.ink(id);
                    line.ascent = line.ascent.max(above + glyph.dy);
                    line.descent = line.descent.max(below - glyph.dy);
                    run.width += glyph.advance;
                    run.glyphs.push(glyph);
                }
                line.width += run.width;
                line.runs.push(run);
            }
        }
        line
    }

    /// What each glyph adds to the width, and the byte of the line's text that its cluster begins at.
    pub(super) fn advances(&self) -> impl Iterator<Item = (usize, f32)> {
        self.runs.iter().flat_map(|run| run.glyphs.iter().map(|g| (run.start + g.range.start, g.advance)))
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
            tidy.push_str(ELLIPSIS);
            break;
        }
        tidy.push(c);
        chars += 1;
    }
    tidy
}

/// What stands for letters that are left out.
pub(super) const ELLIPSIS: &str = "…";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_letter_is_a_box_and_keeps_its_place() {
        // No CJK letters in the fonts.
        let line = Line::new("棚 A", Weight::Bold);
        let ids: Vec<u16> = line.runs.iter().flat_map(|r| r.glyphs.iter().map(|g| g.id)).collect();
        assert_eq!(ids[0], 0);
        assert!(ids[1..].iter().all(|&id| id != 0));
        let face = &Weight::Bold.font().face;
        assert!(face.glyph_bounding_box(rustybuzz::ttf_parser::GlyphId(0)).is_some());
        assert!(line.runs[0].glyphs[0].advance > 0.3);
    }

    #[test]
    fn right_to_left_runs_are_shaped_and_ordered() {
        let line = Line::new("רף 12", Weight::Plain);
        assert_eq!(line.runs.iter().map(|r| r.text.as_str()).collect::<String>(), "12רף ");
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
}

//! One page as PNG at the printer's own dots: black or white, nothing between, as a thermal printer prints.
//!
//! Lines and letters are turned into dots by `tiny-skia`, the file is written by `png`; none of their types
//! leave this module.

use ::png::{BitDepth, ColorType, Encoder, PixelDimensions, Unit};
use rustybuzz::ttf_parser::{GlyphId, OutlineBuilder};
use sheetloft_shapes::limits::LABEL_PNG_DOTS;
use tiny_skia::{FillRule, LineCap, LineJoin, Mask, Path, PathBuilder, Rect, Stroke, StrokeDash, Transform};

use crate::error::LabelError;
use crate::mark::{Dot, Lines, Mark, Picture};
use crate::page::Page;
use crate::paper::Paper;
use crate::text::Line;

/// The picture of one page.
///
/// # Errors
/// [`LabelError::PageTooLarge`]; [`LabelError::NotWritten`] where a library fails.
pub(crate) fn written(page: &Page, paper: &Paper) -> Result<Vec<u8>, LabelError> {
    let dots = |mm: f64| (mm / 25.4 * f64::from(paper.dpi())).round().max(1.0) as u32;
    let (width, height) = (dots(paper.width_mm()), dots(paper.height_mm()));
    let too_large = LabelError::PageTooLarge { width, height };
    if u64::from(width) * u64::from(height) > LABEL_PNG_DOTS {
        return Err(too_large);
    }
    let mut ink = Mask::new(width, height).ok_or(too_large)?;
    for mark in page {
        draw(&mut ink, mark);
    }
    encoded(&ink, paper.dpi()).map_err(|e| LabelError::NotWritten { why: e.to_string() })
}

fn draw(ink: &mut Mask, mark: &Mark) {
    match mark {
        Mark::Code { qr, x, y, module } => {
            let mut path = PathBuilder::new();
            for (column, row, length) in qr.dark_runs() {
                let (left, top) = ((*x + (column * module) as i32) as f32, (*y + (row * module) as i32) as f32);
                let run = Rect::from_xywh(left, top, (length * module) as f32, *module as f32);
                run.into_iter().for_each(|r| path.push_rect(r));
            }
            fill(ink, path.finish());
        }
        Mark::Text { line, x, y, size } => fill(ink, letters(line, (*x, *y), *size)),
        Mark::Picture(picture) => self::picture(ink, picture),
        Mark::Lines(lines) => self::lines(ink, lines),
    }
}

fn fill(ink: &mut Mask, path: Option<Path>) {
    if let Some(path) = path {
        ink.fill_path(&path, FillRule::Winding, true, Transform::identity());
    }
}

fn picture(ink: &mut Mask, picture: &Picture) {
    let mut lines = PathBuilder::new();
    for ring in &picture.rings {
        polyline(&mut lines, ring);
        lines.close();
    }
    if let Some(arrow) = &picture.grain {
        polyline(&mut lines, &arrow.shaft);
        let mut heads = PathBuilder::new();
        for head in &arrow.heads {
            polyline(&mut heads, head);
            heads.close();
        }
        fill(ink, heads.finish());
    }
    if let Some(datum) = &picture.datum {
        let mut path = PathBuilder::new();
        for part in &datum.filled {
            polyline(&mut path, part);
            path.close();
        }
        fill(ink, path.finish());
    }
    let stroke =
        Stroke { width: picture.stroke, line_cap: LineCap::Butt, line_join: LineJoin::Round, ..Stroke::default() };
    fill(ink, lines.finish().and_then(|path| path.stroke(&stroke, 1.0)));
}

fn lines(ink: &mut Mask, lines: &Lines) {
    let mut path = PathBuilder::new();
    for line in &lines.lines {
        polyline(&mut path, line);
        if lines.closed {
            path.close();
        }
    }
    let stroke = Stroke {
        width: lines.stroke,
        line_cap: LineCap::Butt,
        line_join: LineJoin::Round,
        dash: lines.dash.and_then(|d| StrokeDash::new(vec![d, d], 0.0)),
        ..Stroke::default()
    };
    let dashed = |path: Path| match &stroke.dash {
        Some(dash) => path.dash(dash, 1.0),
        None => Some(path),
    };
    fill(ink, path.finish().and_then(dashed).and_then(|path| path.stroke(&stroke, 1.0)));
}

fn polyline(path: &mut PathBuilder, dots: &[Dot]) {
    for (i, &(x, y)) in dots.iter().enumerate() {
        if i == 0 {
            path.move_to(x, y);
        } else {
            path.line_to(x, y);
        }
    }
}

/// The outlines of a line's letters from where its baseline begins.
pub(crate) fn letters(line: &Line, (x, y): Dot, size: f32) -> Option<Path> {
    let face = &line.weight.font().face;
    let scale = size / f32::from(u16::try_from(face.units_per_em()).unwrap_or(u16::MAX));
    let mut path = PathBuilder::new();
    let mut x = x;
    for glyph in line.runs.iter().flat_map(|run| &run.glyphs) {
        let origin = (x + glyph.dx * size, y - glyph.dy * size);
        let mut outline = Outline { path: &mut path, origin, scale };
        face.outline_glyph(GlyphId(glyph.id), &mut outline);
        x += glyph.advance * size;
    }
    path.finish()
}

/// A glyph's outline on its way from the font, y up, to the page.
struct Outline<'p> {
    path: &'p mut PathBuilder,
    origin: Dot,
    scale: f32,
}

impl Outline<'_> {
    fn at(&self, x: f32, y: f32) -> Dot {
        (self.origin.0 + x * self.scale, self.origin.1 - y * self.scale)
    }
}

impl OutlineBuilder for Outline<'_> {
    fn move_to(&mut self, x: f32, y: f32) {
        let p = self.at(x, y);
        self.path.move_to(p.0, p.1);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let p = self.at(x, y);
        self.path.line_to(p.0, p.1);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let (c, p) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(c.0, c.1, p.0, p.1);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let (c, d, p) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(c.0, c.1, d.0, d.1, p.0, p.1);
    }

    fn close(&mut self) {
        self.path.close();
    }
}

/// One bit a dot, and the dots to the metre, so that it prints at its true size.
fn encoded(ink: &Mask, dpi: u32) -> Result<Vec<u8>, ::png::EncodingError> {
    /// Dots that are covered by this much or more, of 255, are black.
    const BLACK: u8 = 128;
    let rows = ink.data().chunks(ink.width() as usize);
    let bits: Vec<u8> = rows
        .flat_map(|row| {
            row.chunks(8)
                .map(|eight| (0..).zip(eight).fold(0, |byte, (i, &cover)| byte | (u8::from(cover < BLACK) << (7 - i))))
        })
        .collect();
    let mut file = Vec::new();
    let mut encoder = Encoder::new(&mut file, ink.width(), ink.height());
    encoder.set_color(ColorType::Grayscale);
    encoder.set_depth(BitDepth::One);
    let per_metre = (f64::from(dpi) / 0.0254).round() as u32;
    encoder.set_pixel_dims(Some(PixelDimensions { xppu: per_metre, yppu: per_metre, unit: Unit::Meter }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&bits)?;
    writer.finish()?;
    Ok(file)
}

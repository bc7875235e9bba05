//! Pages as PDF (ISO 32000): vectors, and letters as letters, so that a label can be found by its text.
//!
//! The library behind it is `krilla`; none of its types leave this module.

use krilla::Document;
use krilla::geom::{Path, PathBuilder, Point, Rect, Transform};
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineCap, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};

use crate::error::LabelError;
use crate::mark::{Dot, Lines, Mark, Picture};
use crate::page::Page;
use crate::qr::Qr;
use crate::text::{Line, Weight};

/// Points to the inch, the unit of PDF.
const POINTS_PER_INCH: f64 = 72.0;

/// The document, its pages all of one size.
///
/// # Errors
/// [`LabelError::NotWritten`] where the library fails.
pub(crate) fn written(pages: &[Page], (width_mm, height_mm): (f64, f64), dpi: u32) -> Result<Vec<u8>, LabelError> {
    let failed = |why: &str| LabelError::NotWritten { why: why.to_owned() };
    let fonts = Fonts::new().ok_or_else(|| failed("the embedded fonts cannot be read"))?;
    let point = |mm: f64| (mm / 25.4 * POINTS_PER_INCH) as f32;
    // One unit of the page's drawing is one dot, so that whole dots are whole numbers in the file.
    let scale = (POINTS_PER_INCH / f64::from(dpi)) as f32;
    let mut document = Document::new();
    for marks in pages {
        let settings =
            PageSettings::from_wh(point(width_mm), point(height_mm)).ok_or_else(|| failed("the page has no size"))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        surface.push_transform(&Transform::from_scale(scale, scale));
        for mark in marks {
            draw(&mut surface, &fonts, mark);
        }
        surface.pop();
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|e| failed(&format!("{e:?}")))
}

struct Fonts {
    plain: Font,
    bold: Font,
}

impl Fonts {
    fn new() -> Option<Self> {
        let font = |weight: Weight| Font::new(weight.bytes().into(), 0);
        Some(Self { plain: font(Weight::Plain)?, bold: font(Weight::Bold)? })
    }

    fn of(&self, weight: Weight) -> Font {
        match weight {
            Weight::Plain => self.plain.clone(),
            Weight::Bold => self.bold.clone(),
        }
    }
}

fn draw(surface: &mut Surface<'_>, fonts: &Fonts, mark: &Mark) {
    match mark {
        Mark::Code { qr, x, y, module } => filled(surface, code(qr, *x, *y, *module)),
        Mark::Text { line, x, y, size } => text(surface, fonts, line, (*x, *y), *size),
        Mark::Picture(picture) => self::picture(surface, picture),
        Mark::Lines(lines) => self::lines(surface, lines),
    }
}

fn filled(surface: &mut Surface<'_>, path: Option<Path>) {
    if let Some(path) = path {
        surface.set_stroke(None);
        surface.set_fill(Some(Fill::default()));
        surface.draw_path(&path);
    }
}

fn code(qr: &Qr, x: i32, y: i32, module: u32) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (column, row, length) in qr.dark_runs() {
        let (left, top) = ((x + (column * module) as i32) as f32, (y + (row * module) as i32) as f32);
        path.push_rect(Rect::from_xywh(left, top, (length * module) as f32, module as f32)?);
    }
    path.finish()
}

fn text(surface: &mut Surface<'_>, fonts: &Fonts, line: &Line, (x, y): Dot, size: f32) {
    surface.set_stroke(None);
    surface.set_fill(Some(Fill::default()));
    let mut x = x;
    for run in &line.runs {
        let glyphs: Vec<KrillaGlyph> = run
            .glyphs
            .iter()
            .map(|g| KrillaGlyph {
                glyph_id: GlyphId::new(u32::from(g.id)),
                text_range: g.range.clone(),
                x_advance: g.advance,
                x_offset: g.dx,
                y_offset: g.dy,
                y_advance: 0.0,
                location: None,
            })
            .collect();
        surface.draw_glyphs(Point::from_xy(x, y), &glyphs, fonts.of(line.weight), &run.text, size, false);
        x += run.width * size;
    }
}

fn picture(surface: &mut Surface<'_>, picture: &Picture) {
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
        filled(surface, heads.finish());
    }
    if let Some(datum) = &picture.datum {
        let mut path = PathBuilder::new();
        for part in &datum.filled {
            polyline(&mut path, part);
            path.close();
        }
        filled(surface, path.finish());
    }
    if let Some(lines) = lines.finish() {
        surface.set_fill(None);
        surface.set_stroke(Some(Stroke {
            width: picture.stroke,
            line_cap: LineCap::Butt,
            line_join: LineJoin::Round,
            ..Stroke::default()
        }));
        surface.draw_path(&lines);
    }
}

fn lines(surface: &mut Surface<'_>, lines: &Lines) {
    let mut path = PathBuilder::new();
    for line in &lines.lines {
        polyline(&mut path, line);
        if lines.closed {
            path.close();
        }
    }
    if let Some(path) = path.finish() {
        surface.set_fill(None);
        surface.set_stroke(Some(Stroke {
            width: lines.stroke,
            line_cap: LineCap::Butt,
            line_join: LineJoin::Round,
            dash: lines.dash.map(|d| StrokeDash { array: vec![d, d], offset: 0.0 }),
            ..Stroke::default()
        }));
        surface.draw_path(&path);
    }
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

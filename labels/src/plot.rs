//! A plain coloured picture of boxes and lines of text, as PNG: what a report draws.

use png::{BitDepth, ColorType, Encoder};
use sheetloft_shapes::limits::LABEL_PNG_DOTS;
use tiny_skia::{Color, FillRule, Paint, Path, PathBuilder, Pixmap, Rect, Transform};

use crate::error::LabelError;
use crate::png::letters;
use crate::text::{Line, Weight, tidied};

/// A picture; lengths in units of its own from the upper left corner, y down.
#[derive(Clone, PartialEq, Debug, Default)]
#[allow(missing_docs)]
pub struct Plot {
    pub width: f32,
    pub height: f32,
    pub boxes: Vec<PlotBox>,
    pub texts: Vec<PlotText>,
}

/// A filled box.
#[derive(Clone, PartialEq, Debug)]
#[allow(missing_docs)]
pub struct PlotBox {
    pub x: f32,
    pub y: f32,
    pub w: f32,
    pub h: f32,
    /// Red, green, blue.
    pub colour: [u8; 3],
    /// What it means, where the picture can say so.
    pub title: String,
}

/// A line of text.
#[derive(Clone, PartialEq, Debug)]
#[allow(missing_docs)]
pub struct PlotText {
    /// Where it begins, or where it ends.
    pub x: f32,
    /// Its baseline.
    pub y: f32,
    pub ends: bool,
    /// Units to the em.
    pub size: f32,
    pub bold: bool,
    pub text: String,
}

/// The picture as PNG on white, `dots` dots to the unit.
///
/// # Errors
/// [`LabelError::PageTooLarge`]; [`LabelError::NotWritten`] where a library fails.
pub fn plot_png(plot: &Plot, dots: f32) -> Result<Vec<u8>, LabelError> {
    let (width, height) = ((plot.width * dots).ceil() as u32, (plot.height * dots).ceil() as u32);
    let too_large = LabelError::PageTooLarge { width, height };
    if u64::from(width) * u64::from(height) > LABEL_PNG_DOTS {
        return Err(too_large);
    }
    let mut page = Pixmap::new(width, height).ok_or(too_large)?;
    page.fill(Color::WHITE);
    for b in &plot.boxes {
        let area = Rect::from_xywh(b.x * dots, b.y * dots, b.w * dots, b.h * dots);
        fill(&mut page, area.map(PathBuilder::from_rect), b.colour);
    }
    for t in &plot.texts {
        let line = Line::new(&tidied(&t.text), if t.bold { Weight::Bold } else { Weight::Plain });
        let begins = if t.ends { t.x - line.width * t.size } else { t.x };
        fill(&mut page, letters(&line, (begins * dots, t.y * dots), t.size * dots), [0, 0, 0]);
    }
    encoded(&page).map_err(|e| LabelError::NotWritten { why: e.to_string() })
}

fn fill(page: &mut Pixmap, path: Option<Path>, [r, g, b]: [u8; 3]) {
    let Some(path) = path else { return };
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color_rgba8(r, g, b, 255);
    page.fill_path(&path, &paint, FillRule::Winding, Transform::identity(), None);
}

/// Three bytes a dot: on white nothing shines through.
fn encoded(page: &Pixmap) -> Result<Vec<u8>, png::EncodingError> {
    let dots: Vec<u8> = page.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let mut file = Vec::new();
    let mut encoder = Encoder::new(&mut file, page.width(), page.height());
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&dots)?;
    writer.finish()?;
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(bytes: &[u8]) -> (usize, Vec<u8>) {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut dots = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut dots).unwrap();
        (info.width as usize, dots)
    }

    #[test]
    fn boxes_have_their_colour_and_text_is_ink_where_it_belongs() {
        let colour = [0, 114, 178];
        let plot = Plot {
            width: 200.0,
            height: 50.0,
            boxes: vec![PlotBox { x: 100.0, y: 10.0, w: 50.0, h: 20.0, colour, title: String::new() }],
            texts: vec![PlotText { x: 90.0, y: 25.0, ends: true, size: 13.0, bold: false, text: "Ply 9".into() }],
        };
        let (width, dots) = read(&plot_png(&plot, 2.0).unwrap());
        assert_eq!((width, dots.len()), (400, 400 * 100 * 3));
        let at = |x: usize, y: usize| -> [u8; 3] { dots[(y * width + x) * 3..][..3].try_into().unwrap() };
        assert_eq!((at(201, 21), at(299, 59), at(301, 59), at(0, 0)), (colour, colour, [255; 3], [255; 3]));
        // The text ends where it says: black to the left of that, nothing right of it, and letters of some height.
        let ink = |x: usize| (0..100).filter(|y| at(x, *y).iter().all(|c| *c < 100)).count();
        assert!((100..180).any(|x| ink(x) > 12), "the stem of a letter is {} dots high", 2 * 13);
        assert!((181..200).all(|x| ink(x) == 0) && (0..60).all(|x| ink(x) == 0));
    }

    #[test]
    fn what_is_too_large_is_refused() {
        let plot = Plot { width: 1e6, height: 1e6, ..Plot::default() };
        assert!(matches!(plot_png(&plot, 2.0), Err(LabelError::PageTooLarge { .. })));
    }
}

//! Codes found in a photo: of one label or several, turned, in poor light, not quite sharp.
//!
//! `rqrr` finds and reads codes in a grey picture; `image` reads the file. A picture from outside is hostile: its size is
//! looked at before it is unpacked, and what is done with it is bounded. It is looked at in a few sizes, because a code is found
//! most surely where its modules are some dots wide and the camera's noise is averaged away. Where three corner squares may be
//! those of a code ([`places`]), that place is looked at by itself, also with its light stretched. What is left is looked at
//! whole. Last, codes of which dirt hides a corner are looked for where the other corners are ([`worn`]).

mod places;
mod squares;
mod view;
mod worn;

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use image::imageops::{self, FilterType};
use image::{GrayImage, ImageFormat, ImageReader, Limits};
use rqrr::PreparedImage;
use sheetloft_shapes::limits::{PHOTO_BYTES, PHOTO_DOTS, SCAN_CHARS};

use squares::Square;
use view::View;

/// Why a picture cannot be looked at.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ReadError {
    #[error("the picture has {bytes} bytes, {PHOTO_BYTES} are the most")]
    TooLarge { bytes: usize },
    #[error("the picture has {width} × {height} dots, too many to look through")]
    TooManyDots { width: u32, height: u32 },
    #[error("it is no PNG and no JPEG picture")]
    NotAPicture,
    #[error("the picture cannot be read: {why}")]
    Unreadable { why: String },
}

/// A code in a picture.
#[derive(Clone, PartialEq, Debug)]
pub struct FoundCode {
    /// What it says.
    pub text: String,
    /// Its corners in the picture, in dots from the upper left, along its rim.
    pub corners: [[f64; 2]; 4],
}

/// What was found in a picture.
#[derive(Clone, PartialEq, Debug)]
pub struct Photo {
    /// Its size in dots.
    pub width: u32,
    /// Its size in dots.
    pub height: u32,
    /// The codes that could be read, each once, in no certain order.
    pub codes: Vec<FoundCode>,
    /// Things that look like codes and could not be read.
    pub unread: usize,
}

/// Longest sides at which the picture is looked at, dots. It is not made larger, and not looked at twice at one size.
const LONGEST: [u32; 4] = [1_400, 2_600, 4_000, 800];
/// How wide a module is where a code is looked at by itself, dots.
const MODULE: f64 = 5.0;
/// Places that are looked at in vain.
const IN_VAIN: usize = 96;
/// A view is looked at whole where no more than this is left in it: `rqrr` holds every three squares against it, on a copy of it.
const WHOLE_SQUARES: usize = 24;
const WHOLE_SECTIONS: usize = 2_000;
/// Longest sides at which codes with hidden corners are looked for, dots.
const WORN: [u32; 2] = [1_400, 2_600];
/// Most codes of one picture.
const MOST: usize = 500;

/// Finds and reads the codes in a PNG or JPEG picture.
///
/// # Errors
/// [`ReadError`] where the picture is too large, or none.
pub fn codes_in(bytes: &[u8]) -> Result<Photo, ReadError> {
    let grey = picture(bytes)?;
    let (width, height) = grey.dimensions();
    let views: Vec<View> = LONGEST
        .into_iter()
        .enumerate()
        .filter(|(n, longest)| *n == 0 || *longest < 2 * width.max(height))
        .map(|(_, longest)| View::of(&grey, longest))
        .collect();
    let mut found = Found::default();
    for view in &views {
        found.look_one_by_one(&grey, view);
    }
    let mut unread = Vec::new();
    for view in &views {
        let rest = found.without(view);
        let seen = squares::squares(&rest);
        if seen.squares.len() > WHOLE_SQUARES || seen.sections > WHOLE_SECTIONS {
            continue;
        }
        let before = found.codes.len();
        unread = found.look(&rest, view.scale, (0.0, 0.0));
        if unread.is_empty() && !found.codes.is_empty() && found.codes.len() == before {
            break;
        }
    }
    for view in views.iter().filter(|view| WORN.contains(&view.longest)) {
        found.look_closely(view);
    }
    // What was read after all, at another size or closely, is not unread.
    unread.retain(|at| !found.codes.iter().any(|code| worn::is_inside(*at, &code.corners)));
    Ok(Photo { width, height, unread: unread.len().min(MOST), codes: found.codes })
}

fn picture(bytes: &[u8]) -> Result<GrayImage, ReadError> {
    if bytes.len() > PHOTO_BYTES {
        return Err(ReadError::TooLarge { bytes: bytes.len() });
    }
    let reader = || ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(|_| ReadError::NotAPicture);
    if !matches!(reader()?.format(), Some(ImageFormat::Png | ImageFormat::Jpeg)) {
        return Err(ReadError::NotAPicture);
    }
    let unreadable = |e: image::ImageError| ReadError::Unreadable { why: e.to_string() };
    let (width, height) = reader()?.into_dimensions().map_err(unreadable)?;
    if width == 0 || height == 0 || u64::from(width) * u64::from(height) > PHOTO_DOTS {
        return Err(ReadError::TooManyDots { width, height });
    }
    let mut reader = reader()?;
    let mut limits = Limits::default();
    // Four channels of two bytes, and once more on the way.
    limits.max_alloc = Some(PHOTO_DOTS * 16);
    reader.limits(limits);
    Ok(reader.decode().map_err(unreadable)?.to_luma8())
}

/// The picture with its light stretched: all but the darkest and the brightest twentieth between black and white.
fn stretched(grey: &GrayImage) -> GrayImage {
    let mut count = [0_u64; 256];
    grey.pixels().for_each(|p| count[usize::from(p.0[0])] += 1);
    let twentieth = u64::from(grey.width()) * u64::from(grey.height()) / 20;
    let past = |levels: &[usize]| {
        let mut sum = 0;
        let level = levels.iter().copied().find(|&level| {
            sum += count[level];
            sum > twentieth
        });
        level.unwrap_or_default() as i32
    };
    let rising: Vec<usize> = (0..256).collect();
    let falling: Vec<usize> = (0..256).rev().collect();
    let (low, high) = (past(&rising), past(&falling));
    let span = (high - low).max(1);
    let mut out = grey.clone();
    out.pixels_mut().for_each(|p| p.0[0] = ((i32::from(p.0[0]) - low) * 255 / span).clamp(0, 255) as u8);
    out
}

/// What looks like a code in a view: its corners, and what it says where it can be read. A library that stumbles over what
/// a stranger's picture shows has found nothing in it.
fn grids(view: &GrayImage) -> Vec<([[f64; 2]; 4], Option<String>)> {
    let look = || {
        let (w, h) = (view.width() as usize, view.height() as usize);
        let level = |x: usize, y: usize| view.as_raw()[y * w + x];
        let mut prepared = PreparedImage::prepare_from_greyscale(w, h, level);
        let grids = prepared.detect_grids().into_iter().take(MOST);
        grids
            .map(|grid| {
                (grid.bounds.map(|p| [f64::from(p.x), f64::from(p.y)]), grid.decode().ok().map(|(_, text)| text))
            })
            .collect()
    };
    catch_unwind(AssertUnwindSafe(look)).unwrap_or_default()
}

fn middle(corners: &[[f64; 2]; 4]) -> [f64; 2] {
    [0, 1].map(|n| corners.iter().map(|c| c[n]).sum::<f64>() / 4.0)
}

#[derive(Default)]
struct Found {
    codes: Vec<FoundCode>,
    /// How many places were looked at in vain.
    in_vain: usize,
}

impl Found {
    /// Looks for codes in a view of the picture, whose dots are `scale` of the picture's, from `origin`. Gives where
    /// something looked like one and could not be read.
    fn look(&mut self, view: &GrayImage, scale: f64, origin: (f64, f64)) -> Vec<[f64; 2]> {
        let mut unread = Vec::new();
        for (corners, text) in grids(view) {
            let corners = corners.map(|[x, y]| [origin.0 + x * scale, origin.1 + y * scale]);
            match text {
                Some(text) if text.chars().count() <= SCAN_CHARS => self.add(FoundCode { text, corners }),
                _ => unread.push(middle(&corners)),
            }
        }
        unread
    }

    /// Looks at each place by itself where three corner squares of a view may be those of a code.
    fn look_one_by_one(&mut self, grey: &GrayImage, view: &View) {
        for place in places::places(&self.unexplained(view)) {
            if self.in_vain == IN_VAIN {
                break;
            }
            let read = |s: &Square| self.explains([s.x * view.scale, s.y * view.scale]);
            if place.squares.iter().any(read) {
                continue;
            }
            let [left, top, right, bottom] = place.around().map(|n| n * view.scale);
            let (left, top) = (left.max(0.0) as u32, top.max(0.0) as u32);
            let (right, bottom) = ((right as u32).min(grey.width()), (bottom as u32).min(grey.height()));
            if left >= right || top >= bottom {
                continue;
            }
            let part = imageops::crop_imm(grey, left, top, right - left, bottom - top).to_image();
            let longest = f64::from((right - left).max(bottom - top)) * MODULE / (place.module() * view.scale);
            let View { dots: part, scale, .. } = View::of(&part, longest as u32 + 1);
            let origin = (f64::from(left), f64::from(top));
            let before = self.codes.len();
            let looks: [&dyn Fn() -> (GrayImage, f64); 3] = [
                &|| (part.clone(), scale),
                &|| (stretched(&imageops::blur(&part, 0.8)), scale),
                // Modules of a few dots are found more surely on twice as many.
                &|| (imageops::resize(&part, 2 * part.width(), 2 * part.height(), FilterType::Triangle), scale / 2.0),
            ];
            for look in looks {
                let (part, scale) = look();
                self.look(&part, scale, origin);
                if self.codes.len() > before {
                    break;
                }
            }
            self.in_vain += usize::from(self.codes.len() == before);
        }
    }

    /// Whether a point of the picture is in a code that was read.
    fn explains(&self, at: [f64; 2]) -> bool {
        self.codes.iter().any(|code| worn::is_inside(at, &code.corners))
    }

    /// A view without the codes that were read.
    fn without(&self, view: &View) -> GrayImage {
        let mut dots = view.dots.clone();
        for code in &self.codes {
            let corners = code.corners.map(|c| c.map(|n| n / view.scale));
            let least = |axis: usize| corners.iter().map(|c| c[axis]).fold(f64::MAX, f64::min).max(0.0) as u32;
            let most = |axis: usize| corners.iter().map(|c| c[axis]).fold(f64::MIN, f64::max).max(0.0) as u32;
            for y in least(1)..most(1).min(dots.height()) {
                for x in least(0)..most(0).min(dots.width()) {
                    if worn::is_inside([f64::from(x), f64::from(y)], &corners) {
                        dots.put_pixel(x, y, image::Luma([255]));
                    }
                }
            }
        }
        dots
    }

    /// The corner squares in a view that belong to no code that was read.
    fn unexplained(&self, view: &View) -> Vec<Square> {
        let mut squares = squares::squares(&view.dots).squares;
        squares.retain(|s| !self.explains([s.x * view.scale, s.y * view.scale]));
        squares
    }

    /// Looks for codes with hidden corners in a view, where none was read yet.
    fn look_closely(&mut self, view: &View) {
        let look = || worn::worn(&view.dots, &self.unexplained(view));
        for (corners, text) in catch_unwind(AssertUnwindSafe(look)).unwrap_or_default() {
            if text.chars().count() <= SCAN_CHARS {
                self.add(FoundCode { text, corners: corners.map(|c| c.map(|n| n * view.scale)) });
            }
        }
    }

    /// Adds a code, unless it is there already: seen at another size, or in another region.
    fn add(&mut self, code: FoundCode) {
        let [x, y] = middle(&code.corners);
        let side = (code.corners[0][0] - code.corners[1][0]).hypot(code.corners[0][1] - code.corners[1][1]);
        let same = |other: &FoundCode| {
            let [u, v] = middle(&other.corners);
            other.text == code.text && (x - u).hypot(y - v) < side.max(1.0)
        };
        if self.codes.len() < MOST && !self.codes.iter().any(same) {
            self.codes.push(code);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_picture_is_refused_before_it_is_unpacked() {
        assert_eq!(codes_in(b""), Err(ReadError::NotAPicture));
        assert_eq!(codes_in(b"GIF89a\x01\0\x01\0"), Err(ReadError::NotAPicture));
        assert_eq!(codes_in(&vec![0; PHOTO_BYTES + 1]), Err(ReadError::TooLarge { bytes: PHOTO_BYTES + 1 }));
        // The head of a PNG that says it is 60 000 dots wide and high.
        let mut huge = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\0\0\xea\x60\0\0\xea\x60\x08\0\0\0\0".to_vec();
        huge.extend([0x1c, 0x2a, 0x6d, 0x5a]);
        assert!(codes_in(&huge).is_err());
        let cut = [&b"\x89PNG\r\n\x1a\n"[..], &[0; 20]].concat();
        assert!(matches!(codes_in(&cut), Err(ReadError::Unreadable { .. })));
    }

    #[test]
    fn a_whole_sheet_of_labels_is_read_at_once_also_askew() {
        let paper = crate::paper("a4-24").unwrap();
        let labels: Vec<crate::Label> = (0..24)
            .map(|n| {
                let code = format!("7K-{n:03}TK");
                let payload = format!("HTTP://10.0.0.20:8470/{code}");
                crate::Label::Piece(crate::PieceLabel { code, payload, ..Default::default() })
            })
            .collect();
        let png = crate::render_png(&labels, &crate::Onto::new(paper)).unwrap();
        let wanted: Vec<&str> = labels.iter().map(crate::Label::payload).collect();
        let sheet = picture(&png.bytes).unwrap();
        // As it was drawn, and leaning by a tenth in either direction.
        let leaning = GrayImage::from_fn(sheet.width() + 400, sheet.height() + 300, |x, y| {
            let at = (f64::from(x) - f64::from(y) / 10.0, f64::from(y) - f64::from(x) / 10.0);
            let dot = (at.0 >= 0.0 && at.1 >= 0.0).then(|| sheet.get_pixel_checked(at.0 as u32, at.1 as u32)).flatten();
            dot.copied().unwrap_or(image::Luma([190]))
        });
        for view in [&sheet, &leaning] {
            let mut read = texts(view);
            read.sort_unstable();
            assert_eq!(read, wanted);
        }
    }

    #[test]
    fn dim_labels_are_read() {
        let (mut dim, payload, _) = label("7K-004TK");
        // A third of the light, and ever less of it towards one side.
        let width = dim.width() as f32;
        dim.enumerate_pixels_mut().for_each(|(x, _, p)| {
            p.0[0] = ((f32::from(p.0[0]) * 0.35 + 10.0) * (0.3 + 0.7 * x as f32 / width)) as u8;
        });
        assert_eq!(texts(&dim), [payload]);
    }

    #[test]
    fn several_labels_in_one_picture_are_each_read_once() {
        let label = |code: &str| {
            let payload = format!("HTTP://10.0.0.20:8470/{code}");
            crate::Label::Piece(crate::PieceLabel { code: code.into(), payload, ..Default::default() })
        };
        let labels = [label("7K-004TK"), label("7K-0051H"), label("7K-0063X")];
        let paper = crate::paper("label-100x50").unwrap();
        let mut sheet = GrayImage::from_pixel(1_000, 1_400, image::Luma([210]));
        for (n, one) in labels.iter().enumerate() {
            let png = crate::render_png(std::slice::from_ref(one), &crate::Onto::new(paper)).unwrap();
            imageops::overlay(&mut sheet, &picture(&png.bytes).unwrap(), 90, 20 + 450 * n as i64);
        }
        let mut file = Vec::new();
        sheet.write_to(&mut Cursor::new(&mut file), ImageFormat::Png).unwrap();
        let photo = codes_in(&file).unwrap();
        let mut texts: Vec<&str> = photo.codes.iter().map(|c| c.text.as_str()).collect();
        texts.sort_unstable();
        assert_eq!(
            (photo.width, photo.height, texts),
            (1_000, 1_400, labels.iter().map(crate::Label::payload).collect())
        );
    }

    /// A label's picture, and where its code lies in it: column, row and side in dots.
    fn label(code: &str) -> (GrayImage, String, [u32; 3]) {
        let payload = format!("HTTP://10.0.0.20:8470/{code}");
        let label = crate::Label::Piece(crate::PieceLabel {
            code: code.into(),
            payload: payload.clone(),
            ..Default::default()
        });
        let png = crate::render_png(&[label], &crate::Onto::new(crate::paper("label-100x50").unwrap())).unwrap();
        let found = codes_in(&png.bytes).unwrap();
        let [[x, y], [right, _], ..] = found.codes[0].corners;
        (picture(&png.bytes).unwrap(), payload, [x as u32, y as u32, (right - x) as u32])
    }

    fn texts(picture: &GrayImage) -> Vec<String> {
        let mut file = Vec::new();
        picture.write_to(&mut Cursor::new(&mut file), ImageFormat::Png).unwrap();
        codes_in(&file).unwrap().codes.into_iter().map(|c| c.text).collect()
    }

    fn blot(picture: &mut GrayImage, [x, y, side]: [u32; 3], level: u8) {
        let dots = GrayImage::from_pixel(side, side, image::Luma([level]));
        imageops::overlay(picture, &dots, i64::from(x), i64::from(y));
    }

    #[test]
    fn codes_with_a_corner_or_two_under_dirt_are_read() {
        let (clean, payload, [x, y, side]) = label("7K-004TK");
        let spot = side / 5;
        let [left, right, top, bottom] = [x + 4, x + side - spot - 4, y + 4, y + side - spot - 4];
        let corners = [[left, top, spot], [right, top, spot], [left, bottom, spot]];
        for (n, level) in [(0, 0), (1, 255), (2, 128)] {
            let mut one = clean.clone();
            blot(&mut one, corners[n], level);
            assert_eq!(texts(&one), [payload.as_str()], "corner {n} at {level}");
            let mut two = one.clone();
            blot(&mut two, corners[(n + 1) % 3], level);
            assert_eq!(texts(&two), [payload.as_str()], "but for corner {}", (n + 2) % 3);
            assert_eq!(texts(&imageops::rotate90(&two)), [payload.as_str()], "turned");
        }
        // With a fifth of it gone nothing can be read, and nothing is made up.
        let mut gone = clean;
        blot(&mut gone, [x + side / 3, y + side / 3, side / 2], 255);
        assert_eq!(texts(&gone), Vec::<String>::new());
    }

    #[test]
    fn a_picture_full_of_corner_squares_is_no_code() {
        let mut squares = GrayImage::from_pixel(1_200, 900, image::Luma([255]));
        for (x, y) in (0..18).flat_map(|x| (0..13).map(move |y| (20 + 64 * x, 20 + 64 * y))) {
            for (inset, side, level) in [(0, 35, 0), (5, 25, 255), (10, 15, 0)] {
                blot(&mut squares, [x + inset, y + inset, side], level);
            }
        }
        assert_eq!(texts(&squares), Vec::<String>::new());
    }
}

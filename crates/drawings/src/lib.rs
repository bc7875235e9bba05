//! Drawings in (parts) and out (cutting layouts).
//!
//! Reading goes one way: a reader for each format makes strokes in the drawing's own unit (`sketch`); they are
//! brought to nanometres and joined into closed contours (`join`); contours are nested into outlines with holes
//! (`nest`), given chords on the safe side (`chords`) and counted where they repeat (`alike`). What is not taken is
//! listed with its place and the reason.

mod alike;
mod chords;
mod curve;
mod dxf;
mod join;
pub mod layout;
mod left_out;
mod nest;
mod parts;
mod sketch;
mod source;
mod unit;

use sheetloft_shapes::{Contour, Shape, limits};

pub use layout::{Frame, Label, Layout, LayoutFormat, Placed, layout};
pub use left_out::{LeftOut, Note, Place, What, Why};
pub use source::{contour_of_ring, contours_of_shape};
pub use unit::{NotAUnit, Unit, UnitSaidBy};

use sketch::SaidUnit;

/// What a drawing is of: it decides on which side of a curve its chords lie.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum Role {
    /// Something to be cut: its shape never comes out smaller than drawn.
    #[default]
    Part,
    /// Something to cut from: its shape never comes out larger than drawn.
    Piece,
}

/// How a drawing is to be read.
#[derive(Clone, Debug)]
pub struct Options {
    /// The unit, whatever the file says.
    pub unit: Option<Unit>,
    /// Ends this far apart still meet, µm.
    pub join_um: u32,
    /// What the drawing is of.
    pub role: Role,
    /// Only these layers, in any letter case; all that are cut where there is no list.
    pub layers: Option<Vec<String>>,
}

impl Default for Options {
    fn default() -> Self {
        Self { unit: None, join_um: 50, role: Role::Part, layers: None }
    }
}

/// A drawing as read.
#[derive(Clone, PartialEq, Debug)]
pub struct Drawing {
    /// The unit its numbers are in.
    pub unit: Unit,
    /// How that is known.
    pub unit_said_by: UnitSaidBy,
    /// Its parts, in the order in which they are drawn.
    pub parts: Vec<Part>,
    /// What is not in the parts.
    pub left_out: Vec<LeftOut>,
    /// What is in the parts, but not quite as the file has it.
    pub notes: Vec<Note>,
}

/// One part of a drawing.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Unique in the drawing: `p1`, `p2`, …
    pub id: String,
    /// The block or layer it stands on, with a number where several do; else the number alone.
    pub name: String,
    /// Chords on the safe side, at most 0.05 mm off, where the part is drawn.
    pub shape: Shape,
    /// As drawn: the outline, counter-clockwise, then its holes, clockwise.
    pub source: Vec<Contour>,
    /// Area net of holes, from the curves themselves, mm².
    pub area_mm2: f64,
    /// How many such parts there are in the drawing, moved or turned, not mirrored.
    pub quantity: u32,
}

/// Formats of drawings that can be told apart.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub enum Format {
    Dxf,
    Dwg,
    Svg,
    Pdf,
    Plt,
    Picture,
    Unknown,
}

impl std::fmt::Display for Format {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Dxf => "DXF",
            Self::Dwg => "DWG",
            Self::Svg => "SVG",
            Self::Pdf => "PDF",
            Self::Plt => "PLT (HP-GL)",
            Self::Picture => "a picture made of dots",
            Self::Unknown => "of no kind that is known here",
        })
    }
}

/// Why a drawing cannot be read. `at` is a line of a text file, counted from 1, and a byte of a binary one.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum DrawingError {
    #[error("the file is empty")]
    Empty,
    #[error("the file has {bytes} bytes; at most {most} are taken")]
    TooLarge { bytes: usize, most: usize },
    #[error("the file is {format}; DXF is read, so save or export it as DXF")]
    NotRead { format: Format },
    #[error("the file ends at {at} in the middle; save or send it again")]
    Truncated { at: usize },
    #[error("line {at} should be the number of a group code; the file is damaged")]
    NotAGroupCode { at: usize },
    #[error("the entity at {at} cannot be read; the file is damaged")]
    BadEntity { at: usize },
    #[error("the file cannot be read: {why}")]
    Unreadable { why: String },
    #[error("the drawing has more than {most} entities, blocks counted each time they are used")]
    TooManyEntities { most: usize },
    #[error("the drawing has more than {most} lines, arcs and corners, blocks counted each time they are used")]
    TooManyCorners { most: usize },
    #[error("block '{block}' is nested more than {most} deep, or stands in itself")]
    TooDeep { block: String, most: usize },
    #[error("the drawing's outlines are too many and too entangled to be told apart")]
    TooInvolved,
    #[error(
        "the file's unit, number {code} of the DXF list, is not taken; say which of mm, cm, m, in, ft, mil, um it is in"
    )]
    UnitNotTaken { code: i64 },
    #[error(
        "the drawing reaches {mm:.0} mm from its origin when read in {unit}; at most {most} mm are taken. Is the unit right?"
    )]
    TooFar { mm: f64, unit: Unit, most: i64 },
}

/// Reads a drawing. The format is known by its content; its name only helps to say what an unknown one is.
///
/// # Errors
/// Where the file is of another format, damaged, past a limit, or reaches more than 20 m from its origin.
pub fn read(name: &str, bytes: &[u8], options: &Options) -> Result<Drawing, DrawingError> {
    if bytes.len() > limits::FILE_BYTES {
        return Err(DrawingError::TooLarge { bytes: bytes.len(), most: limits::FILE_BYTES });
    }
    let sketch = match format(name, bytes) {
        _ if bytes.trim_ascii().is_empty() => return Err(DrawingError::Empty),
        Format::Dxf => dxf::read(bytes)?,
        format => return Err(DrawingError::NotRead { format }),
    };
    let (unit, unit_said_by) = match (options.unit, sketch.unit) {
        (Some(unit), _) => (unit, UnitSaidBy::Option),
        (None, SaidUnit::Unit(unit)) => (unit, UnitSaidBy::File),
        (None, SaidUnit::Nothing) => (Unit::Mm, UnitSaidBy::Assumed),
        (None, SaidUnit::NotTaken(code)) => return Err(DrawingError::UnitNotTaken { code }),
    };
    let parts::Outcome { parts, left_out, notes } = parts::parts(sketch, unit, options)?;
    Ok(Drawing { unit, unit_said_by, parts, left_out, notes })
}

/// The format of a file, by its first bytes; where these say nothing, by the ending of its name.
pub fn format(name: &str, bytes: &[u8]) -> Format {
    let head = &bytes[..bytes.len().min(1024)];
    let has = |word: &[u8]| head.windows(word.len()).any(|w| w.eq_ignore_ascii_case(word));
    if dxf::is_dxf(bytes) {
        return Format::Dxf;
    }
    if head.starts_with(b"AC10") && bytes.get(4..6).is_some_and(|v| v.iter().all(u8::is_ascii_digit)) {
        return Format::Dwg;
    }
    if has(b"%PDF-") {
        return Format::Pdf;
    }
    if has(b"<svg") {
        return Format::Svg;
    }
    let pictures: [&[u8]; 6] = [b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"BM", b"II*\0", b"MM\0*"];
    if pictures.iter().any(|p| head.starts_with(p)) {
        return Format::Picture;
    }
    let ending = name.rsplit_once('.').map(|(_, e)| e.to_lowercase()).unwrap_or_default();
    match ending.as_str() {
        "dxf" => Format::Dxf,
        "svg" => Format::Svg,
        "pdf" | "ai" => Format::Pdf,
        "plt" | "hpgl" | "hgl" => Format::Plt,
        "dwg" => Format::Dwg,
        _ => Format::Unknown,
    }
}

/// Layers that are never cut: where CAD programs put the points of their dimensions, and what our own layouts hold
/// beside the cut lines.
pub(crate) fn is_not_cut(layer: &str) -> bool {
    ["DEFPOINTS", layout::RIM_LAYER, layout::NOTES_LAYER].iter().any(|n| layer.eq_ignore_ascii_case(n))
}

//! Drawings in (parts) and out (cutting layouts).
//!
//! Reading goes one way: a reader for each format makes strokes in the drawing's own unit (`sketch`); those that are
//! cut lines (`layers`) are brought to nanometres and joined into closed contours (`join`); contours are nested into
//! outlines with holes (`nest`), given chords on the safe side (`chords`), counted where they repeat (`alike`) and
//! named (`names`). What is not taken is listed with its place and the reason.

mod alike;
mod arcs;
mod chords;
mod curve;
mod dxf;
mod join;
mod layers;
pub mod layout;
mod left_out;
mod lies_on;
mod names;
mod nest;
mod overlap;
mod paper;
mod parts;
mod pdf;
mod plt;
mod sketch;
mod source;
mod svg;
mod unit;

use sheetloft_shapes::{Contour, Shape, limits};

pub use layers::{Colour, Layer, LayerSaidBy};
pub use layout::{Frame, Label, Layout, LayoutFormat, Placed, layout};
pub use left_out::{LeftOut, Note, NoteOf, Place, What, Why};
pub use source::{contour_of_ring, contours_of_shape};
pub use unit::{NotAUnit, Unit, UnitChoice, UnitSaidBy};

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

/// How a drawing is to be read. A layer is named by its name, its colour (`#rrggbb`), or both with a space between, in
/// any letter case.
#[derive(Clone, Debug)]
pub struct Options {
    /// The unit, whatever the file says.
    pub unit: Option<Unit>,
    /// The unit where neither the file nor the person says one, as remembered of files of its kind.
    pub remembered_unit: Option<Unit>,
    /// Ends this far apart still meet, µm; at most [`JOIN_MOST_UM`].
    pub join_um: u32,
    /// What the drawing is of.
    pub role: Role,
    /// Only these layers are cut, whatever their names say or whether they are off; where there is no list, all that
    /// look like it.
    pub only: Option<Vec<String>>,
    /// These layers are not cut.
    pub skip: Vec<String>,
    /// What was said of layers of earlier drawings, later choices last; beaten by `only` and `skip`.
    pub remembered: Vec<LayerChoice>,
    /// Mirrored parts count as the same: the material's faces are alike.
    pub mirrored_alike: bool,
    /// A typeface for text of which the machine has none.
    pub typeface: Option<&'static [u8]>,
}

/// How far apart ends are joined where nobody says otherwise, µm.
pub const JOIN_UM: u32 = 50;
/// Ends further apart than this are never joined, µm.
pub const JOIN_MOST_UM: u32 = 5_000;

impl Default for Options {
    fn default() -> Self {
        Self {
            unit: None,
            remembered_unit: None,
            join_um: JOIN_UM,
            role: Role::Part,
            only: None,
            skip: Vec::new(),
            remembered: Vec::new(),
            mirrored_alike: false,
            typeface: None,
        }
    }
}

/// What a person said of a layer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LayerChoice {
    /// The layer, as [`Layer::key`] has it.
    pub layer: String,
    /// Whether its lines are cut.
    pub cut: bool,
}

/// A drawing as read.
#[derive(Clone, PartialEq, Debug)]
pub struct Drawing {
    /// What the file is.
    pub format: Format,
    /// The unit its numbers are in.
    pub unit: Unit,
    /// How that is known.
    pub unit_said_by: UnitSaidBy,
    /// Where the file does not say its unit: how large the largest part is in each that comes into question.
    pub choices: Vec<UnitChoice>,
    /// Its layers and colours, in the order in which they come.
    pub layers: Vec<Layer>,
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
    /// The text inside it, else the block, group or layer it stands on, with a number where several do; else the
    /// number alone.
    pub name: String,
    /// The layer its outline is on.
    pub layer: String,
    /// The page it is on, counted from 1, where the format has pages.
    pub page: Option<u32>,
    /// Chords on the safe side, at most 0.05 mm off, where the part is drawn.
    pub shape: Shape,
    /// As drawn: the outline, counter-clockwise, then its holes, clockwise.
    pub source: Vec<Contour>,
    /// Area net of holes, from the curves themselves, mm².
    pub area_mm2: f64,
    /// Length of all its contours, mm: what is cut of one.
    pub cut_mm: f64,
    /// How many such parts there are in the drawing, moved or turned; mirrored ones only where asked for.
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
    PostScript,
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
            Self::PostScript => "PostScript (EPS)",
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
    #[error("the file is {format}; DXF, SVG, PDF and PLT (HP-GL) are read, so save or export it as one of these")]
    NotRead { format: Format },
    #[error("the file ends at {at} in the middle; save or send it again")]
    Truncated { at: usize },
    #[error("line {at} should be the number of a group code; the file is damaged")]
    NotAGroupCode { at: usize },
    #[error("byte {at} begins something that should be a number and is none; the file is damaged")]
    NotANumber { at: usize },
    #[error("the file is protected; save it again without a password or restrictions")]
    Locked,
    #[error("the illustration was saved without a PDF inside; save it with one, or as PDF, SVG or DXF")]
    NoPdfInside,
    #[error("line {line} cannot be read: {why}")]
    BadXml { line: usize, why: String },
    #[error("the entity at {at} cannot be read; the file is damaged")]
    BadEntity { at: usize },
    #[error("the file cannot be read: {why}")]
    Unreadable { why: String },
    #[error("the drawing has more than {most} entities, blocks counted each time they are used")]
    TooManyEntities { most: usize },
    #[error("the drawing has more than {most} lines, arcs and corners, blocks counted each time they are used")]
    TooManyCorners { most: usize },
    #[error("the drawing has more than {most} pages")]
    TooManyPages { most: usize },
    #[error("what is packed in the file comes to more than {most} bytes")]
    TooMuchUnpacked { most: usize },
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
    if bytes.trim_ascii().is_empty() {
        return Err(DrawingError::Empty);
    }
    let format = format(name, bytes);
    let sketch = match format {
        Format::Dxf => dxf::read(bytes)?,
        Format::Plt => plt::read(bytes)?,
        Format::Svg => svg::read(bytes, options)?,
        Format::Pdf => pdf::read(bytes)?,
        _ => return Err(DrawingError::NotRead { format }),
    };
    let (unit, nm, unit_said_by) = match (options.unit, sketch.unit) {
        (Some(unit), _) => (unit, unit.nm(), UnitSaidBy::Option),
        (None, SaidUnit::Unit(unit)) => (unit, unit.nm(), UnitSaidBy::File),
        (None, SaidUnit::Size(nm)) => (unit::nearest(nm), nm, UnitSaidBy::File),
        (None, SaidUnit::NotTaken(code)) => return Err(DrawingError::UnitNotTaken { code }),
        (None, SaidUnit::Nothing(usual)) => match options.remembered_unit {
            Some(unit) => (unit, unit.nm(), UnitSaidBy::Remembered),
            None => (usual, usual.nm(), UnitSaidBy::Assumed),
        },
    };
    let is_said = !matches!(sketch.unit, SaidUnit::Nothing(_));
    let parts::Outcome { layers, parts, left_out, notes } = parts::parts(sketch, unit, nm, options)?;
    let choices = if is_said { Vec::new() } else { unit::choices(unit, &parts) };
    Ok(Drawing { format, unit, unit_said_by, choices, layers, parts, left_out, notes })
}

/// The format of a file, by its first bytes; where these say nothing, by the ending of its name.
pub fn format(name: &str, bytes: &[u8]) -> Format {
    let head = &bytes[..bytes.len().min(4096)];
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
    if head.starts_with(b"%!") || head.starts_with(b"\xc5\xd0\xd3\xc6") {
        return Format::PostScript;
    }
    let ending = name.rsplit_once('.').map(|(_, e)| e.to_lowercase()).unwrap_or_default();
    if has(b"<svg") || has(b":svg") || svg::is_packed(bytes) && ending != "dxf" {
        return Format::Svg;
    }
    let pictures: [&[u8]; 6] = [b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"BM", b"II*\0", b"MM\0*"];
    if pictures.iter().any(|p| head.starts_with(p)) {
        return Format::Picture;
    }
    if plt::is_plt(bytes) {
        return Format::Plt;
    }
    match ending.as_str() {
        "dxf" => Format::Dxf,
        "svg" | "svgz" => Format::Svg,
        "pdf" | "ai" => Format::Pdf,
        "plt" | "hpgl" | "hgl" | "hpg" | "hp" | "hp2" | "gl2" => Format::Plt,
        "dwg" => Format::Dwg,
        "eps" | "ps" => Format::PostScript,
        _ => Format::Unknown,
    }
}

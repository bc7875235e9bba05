//! Shapes as people give them: a rectangle, a drawing, JSON; turned into parts or pieces.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::Deserialize;
use sheetloft_drawings::{DrawingError, Note, Options, Place, Role, Unit, UnitSaidBy, What, Why};
use sheetloft_ledger::body::TurnRule;
use sheetloft_shapes::{Contour, Shape};

use crate::action::{Given, Upload};
use crate::answer::LeftOut;
use crate::error::Error;
use crate::limits;
use crate::say;
use crate::say::Say;
use crate::shop::{Shop, shown};

/// A part read from what was given.
#[derive(Clone, Debug)]
pub struct GivenPart {
    /// Its name, unique among those given together.
    pub id: String,
    /// Chords on the safe side.
    pub shape: Shape,
    /// As drawn: the outline first, then its holes.
    pub source: Vec<Contour>,
    /// How many the file holds.
    pub quantity: u32,
}

/// What was read, and what of the file was left out.
pub struct Read {
    /// The parts.
    pub parts: Vec<GivenPart>,
    /// What was left out of a drawing, and why.
    pub left_out: Vec<LeftOut>,
}

/// The bytes of an uploaded file.
pub fn bytes(upload: &Upload, field: &'static str) -> Result<Vec<u8>, Error> {
    if upload.data.len() / 4 * 3 > limits::FILE_BYTES + 3 {
        return Err(too_large(upload, field));
    }
    let wrong = |_| Error::bad(say!("error-upload", file = shown(&upload.name))).at(field);
    let bytes = STANDARD.decode(upload.data.as_bytes()).map_err(wrong)?;
    if bytes.len() > limits::FILE_BYTES {
        return Err(too_large(upload, field));
    }
    Ok(bytes)
}

fn too_large(upload: &Upload, field: &'static str) -> Error {
    Error::bad(say!("error-file-large", file = shown(&upload.name), most = limits::FILE_BYTES >> 20)).at(field)
}

/// The text of an uploaded file.
pub fn utf8(upload: &Upload, field: &'static str) -> Result<String, Error> {
    let wrong = |_| Error::bad(say!("error-not-text", file = shown(&upload.name))).at(field);
    let text = String::from_utf8(bytes(upload, field)?).map_err(wrong)?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

/// A shape in JSON, in mm.
#[derive(Deserialize, Debug)]
pub struct ShapeJson {
    /// The outline.
    pub outline: Vec<[f64; 2]>,
    /// Its holes.
    #[serde(default)]
    pub holes: Vec<Vec<[f64; 2]>>,
}

impl ShapeJson {
    /// The validated shape.
    pub fn shape(&self) -> Result<Shape, Error> {
        Ok(Shape::from_mm(&self.outline, &self.holes)?)
    }
}

#[derive(Deserialize)]
struct PartJson {
    id: serde_json::Value,
    #[serde(default)]
    quantity: Option<u32>,
    #[serde(flatten)]
    shape: ShapeJson,
}

/// Reads what was given as parts (curves become chords on the part's safe side).
pub fn parts(shop: &Shop, given: &Given) -> Result<Read, Error> {
    read(shop, given, Role::Part)
}

/// Reads what was given as one piece of stock (the other safe side).
pub fn piece(shop: &Shop, given: &Given) -> Result<Shape, Error> {
    let mut read = read(shop, given, Role::Piece)?;
    let count: usize = read.parts.iter().map(|p| p.quantity as usize).sum();
    match count {
        1 => Ok(read.parts.remove(0).shape),
        n => Err(Error::bad(say!("error-one-outline", count = n)).at("given")),
    }
}

fn read(shop: &Shop, given: &Given, role: Role) -> Result<Read, Error> {
    let rect = given.rect.as_deref().filter(|r| !r.trim().is_empty());
    let said = usize::from(rect.is_some())
        + [given.drawing.is_some(), given.shape.is_some(), given.parts.is_some()].iter().filter(|s| **s).count();
    if said != 1 {
        return Err(Error::bad(say!("error-one-shape", count = said)).at("given"));
    }
    if let Some(rect) = rect {
        let (w, h) = shop.size(rect, "rect")?;
        let shape = Shape::rectangle(w, h).map_err(|e| Error::from(e).at("rect"))?;
        return Ok(Read { parts: vec![plain("1".to_owned(), shape, 1)], left_out: Vec::new() });
    }
    if let Some(upload) = &given.drawing {
        return drawing(upload, given.unit.as_deref(), role);
    }
    if let Some(upload) = &given.shape {
        let text = utf8(upload, "shape")?;
        let wrong = |e: serde_json::Error| {
            Error::bad(say!("error-shape-json", file = shown(&upload.name), why = e.to_string())).at("shape")
        };
        let shape: ShapeJson = serde_json::from_str(&text).map_err(wrong)?;
        let shape = shape.shape().map_err(|e| in_file(e, &upload.name).at("shape"))?;
        return Ok(Read { parts: vec![plain("1".to_owned(), shape, 1)], left_out: Vec::new() });
    }
    match &given.parts {
        Some(upload) => part_lines(upload),
        None => Err(Error::bad(say!("error-one-shape", count = 0_usize)).at("given")),
    }
}

fn plain(id: String, shape: Shape, quantity: u32) -> GivenPart {
    let source = sheetloft_drawings::contours_of_shape(&shape);
    GivenPart { id, shape, source, quantity }
}

fn in_file(error: Error, name: &str) -> Error {
    Error::bad(say!("error-in-file", file = shown(name), why = error.to_string()))
}

/// One line of a file, with its number, that holds something.
pub fn lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines().enumerate().map(|(i, line)| (i + 1, line.trim())).filter(|(_, line)| !line.is_empty())
}

/// An error about a line of a file.
pub fn in_line(line: usize, name: &str, why: &str) -> Error {
    Error::bad(say!("error-in-line", line = line, file = shown(name), why = why))
}

/// What is wrong in one line of JSON; which line, the caller says.
pub fn in_json(error: &serde_json::Error) -> String {
    let said = error.to_string();
    let why = said.rsplit_once(" at line ").map_or(said.as_str(), |(why, _)| why);
    say!("error-json-column", why = why, column = error.column()).text()
}

fn part_lines(upload: &Upload) -> Result<Read, Error> {
    let text = utf8(upload, "parts")?;
    let mut parts: Vec<GivenPart> = Vec::new();
    let mut ids = std::collections::HashSet::new();
    for (number, line) in lines(&text) {
        let wrong = |why: String| in_line(number, &upload.name, &why).at("parts");
        let part: PartJson = serde_json::from_str(line).map_err(|e| wrong(in_json(&e)))?;
        let id = match part.id {
            serde_json::Value::String(id) => id,
            serde_json::Value::Number(id) => id.to_string(),
            _ => return Err(wrong(say!("error-part-id").text())),
        };
        let id = crate::shop::needed(&id, "parts").map_err(|e| wrong(e.to_string()))?;
        if !ids.insert(id.clone()) {
            return Err(wrong(say!("error-part-twice", id = id).text()));
        }
        let quantity = part.quantity.unwrap_or(1);
        if !(1..=limits::QUANTITY).contains(&quantity) {
            return Err(wrong(
                say!("error-whole", text = quantity.to_string(), low = 1_u32, high = limits::QUANTITY).text(),
            ));
        }
        let shape = part.shape.shape().map_err(|e| wrong(e.to_string()))?;
        parts.push(plain(id, shape, quantity));
        if parts.len() > limits::PARTS_PER_PLAN {
            return Err(wrong(say!("error-many-parts", most = limits::PARTS_PER_PLAN).text()));
        }
    }
    if parts.is_empty() {
        return Err(Error::bad(say!("error-no-parts", file = shown(&upload.name))).at("parts"));
    }
    Ok(Read { parts, left_out: Vec::new() })
}

fn drawing(upload: &Upload, unit: Option<&str>, role: Role) -> Result<Read, Error> {
    let drawing = read_drawing(upload, unit, role)?;
    let left_out = left_out(&drawing);
    if drawing.parts.is_empty() {
        return Err(Error::bad(say!("error-nothing-closed", file = shown(&upload.name))).at("drawing"));
    }
    let parts = drawing
        .parts
        .into_iter()
        .map(|p| GivenPart { id: p.id, shape: p.shape, source: p.source, quantity: p.quantity })
        .collect();
    Ok(Read { parts, left_out })
}

/// Reads a drawing's file.
pub fn read_drawing(upload: &Upload, unit: Option<&str>, role: Role) -> Result<sheetloft_drawings::Drawing, Error> {
    let bytes = bytes(upload, "drawing")?;
    let unit = match unit.map(str::trim).filter(|u| !u.is_empty()) {
        None => None,
        Some(word) => {
            let known = Unit::ALL.into_iter().find(|u| u.name().eq_ignore_ascii_case(word));
            Some(known.ok_or_else(|| Error::bad(say!("error-drawing-unit", text = shown(word))).at("unit"))?)
        }
    };
    let options = Options { role, unit, ..Options::default() };
    sheetloft_drawings::read(&upload.name, &bytes, &options).map_err(|e| {
        Error::bad(say!("error-in-file", file = shown(&upload.name), why = drawing_error(&e).text())).at("drawing")
    })
}

fn drawing_error(error: &DrawingError) -> Say {
    match error {
        DrawingError::Empty => say!("drawing-empty"),
        DrawingError::TooLarge { .. } => say!("drawing-too-large", most = limits::FILE_BYTES >> 20),
        DrawingError::NotRead { format } => say!("drawing-not-read", format = format.to_string()),
        DrawingError::Truncated { at } => say!("drawing-truncated", at = *at),
        DrawingError::NotAGroupCode { at } => say!("drawing-no-group-code", at = *at),
        DrawingError::BadEntity { at } => say!("drawing-bad-entity", at = *at),
        DrawingError::Unreadable { why } => say!("drawing-unreadable", why = why),
        DrawingError::TooManyEntities { most } => say!("drawing-many-entities", most = *most),
        DrawingError::TooDeep { block, most } => say!("drawing-too-deep", block = block, most = *most),
        DrawingError::TooManyCorners { most } => say!("drawing-many-corners", most = *most),
        DrawingError::TooInvolved => say!("drawing-too-involved"),
        DrawingError::UnitNotTaken { code } => say!("drawing-unit-not-taken", code = code.to_string()),
        DrawingError::TooFar { mm, unit, .. } => say!("drawing-too-far", mm = format!("{mm:.0}"), unit = unit.name()),
    }
}

/// How the unit of a drawing is known, as promised.
pub fn unit_said_by(said: UnitSaidBy) -> &'static str {
    match said {
        UnitSaidBy::File => "file",
        UnitSaidBy::Option => "option",
        UnitSaidBy::Assumed => "assumed",
    }
}

/// What a drawing left out, for people.
pub fn left_out(drawing: &sheetloft_drawings::Drawing) -> Vec<LeftOut> {
    drawing
        .left_out
        .iter()
        .map(|l| {
            let what = match &l.what {
                What::Entity(kind) => kind.clone(),
                What::Block(name) => say!("left-out-block", name = name).text(),
                What::OpenLine => say!("left-out-open-line").text(),
                What::Outline => say!("left-out-outline").text(),
                What::Hole => say!("left-out-hole").text(),
            };
            let what = if l.count > 1 { say!("left-out-many", count = l.count, what = what).text() } else { what };
            LeftOut { what, r#where: place_text(&l.place), why: why_text(&l.why) }
        })
        .collect()
}

fn why_text(why: &Why) -> String {
    let say = Say::new(format!("left-out-why-{}", why.key()));
    match why {
        Why::NotANumber { at } | Why::Incomplete { at } | Why::BadCurve { at } => say.with("at", *at),
        Why::Open { gap_mm } => say.with("gap", format!("{gap_mm:.3}")),
        _ => say,
    }
    .text()
}

fn place_text(place: &Place) -> String {
    let mut words = Vec::new();
    if let Some([x, y]) = place.at_mm {
        words.push(say!("place-at", x = format!("{x:.3}"), y = format!("{y:.3}")).text());
    }
    if let Some(block) = &place.block {
        words.push(say!("place-block", name = block).text());
    }
    if let Some(layer) = &place.layer {
        words.push(say!("place-layer", name = layer).text());
    }
    words.join(", ")
}

/// What is in the parts, but not quite as the file has it.
pub fn note_text(note: &Note) -> String {
    let place = place_text(note.place());
    match note {
        Note::Bridged { gap_mm, .. } => say!("drawing-bridged", place = place, gap = format!("{gap_mm:.3}")).text(),
        Note::ThroughPoints { .. } => say!("drawing-through-points", place = place).text(),
    }
}

/// The turns a part allows, as a person says them; left out: half turns where the material has grain, else any.
pub fn turn(given: Option<&str>, grained: bool) -> Result<TurnRule, Error> {
    let words =
        [("any", TurnRule::Any), ("quarter", TurnRule::Quarter), ("half", TurnRule::Half), ("none", TurnRule::None)];
    let default = if grained { TurnRule::Half } else { TurnRule::Any };
    crate::shop::word(given, &words, default, "turn")
}

//! Shapes as people give them: a rectangle, a drawing, JSON; turned into parts or pieces.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::Deserialize;
use sheetloft_drawings::Role;
use sheetloft_ledger::body::TurnRule;
use sheetloft_shapes::{Contour, Shape};

use crate::action::{Given, Upload};
use crate::answer::LeftOut;
use crate::drawing::{self, Reading, Told};
use crate::error::Error;
use crate::limits;
use crate::say;
use crate::shop::{Shop, filled, shown};

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
    /// What a person said of a drawing, to be remembered.
    pub told: Option<Told>,
}

impl Read {
    fn of(parts: Vec<GivenPart>) -> Self {
        Self { parts, left_out: Vec::new(), told: None }
    }

    /// Keeps only the parts of these names, all where there are none.
    pub fn keep(&mut self, only: &[String]) -> Result<(), Error> {
        if let Some(id) = only.iter().find(|id| self.parts.iter().all(|p| p.id != **id)) {
            return Err(Error::bad(say!("error-unknown-part", id = shown(id))).at("only"));
        }
        self.parts.retain(|p| only.is_empty() || only.contains(&p.id));
        Ok(())
    }
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

/// Reads what was given as parts (curves become chords on the part's safe side). `mirrored_alike`: the material's faces
/// are alike, so that mirrored parts are the same. `customer`: whose drawings they are.
pub fn parts(shop: &Shop, given: &Given, mirrored_alike: bool, customer: Option<&str>) -> Result<Read, Error> {
    read(shop, given, &Reading { role: Role::Part, mirrored_alike, customer })
}

/// Reads what was given as one piece of stock (the other safe side).
pub fn piece(shop: &Shop, given: &Given) -> Result<Shape, Error> {
    let mut read = read(shop, given, &Reading { role: Role::Piece, mirrored_alike: false, customer: None })?;
    let count: usize = read.parts.iter().map(|p| p.quantity as usize).sum();
    match count {
        1 => Ok(read.parts.remove(0).shape),
        n => Err(Error::bad(say!("error-one-outline", count = n)).at("given")),
    }
}

fn read(shop: &Shop, given: &Given, reading: &Reading<'_>) -> Result<Read, Error> {
    let rect = filled(given.rect.as_deref());
    let said = usize::from(rect.is_some())
        + [given.drawing.is_some(), given.shape.is_some(), given.parts.is_some()].iter().filter(|s| **s).count();
    if said != 1 {
        return Err(Error::bad(say!("error-one-shape", count = said)).at("given"));
    }
    if let Some(rect) = rect {
        let (w, h) = shop.size(rect, "rect")?;
        let shape = Shape::rectangle(w, h).map_err(|e| Error::from(e).at("rect"))?;
        return Ok(Read::of(vec![plain("1".to_owned(), shape, 1)]));
    }
    if let Some(upload) = &given.drawing {
        return drawn(shop, upload, given, reading);
    }
    if let Some(upload) = &given.shape {
        let text = utf8(upload, "shape")?;
        let wrong = |e: serde_json::Error| {
            Error::bad(say!("error-shape-json", file = shown(&upload.name), why = e.to_string())).at("shape")
        };
        let shape: ShapeJson = serde_json::from_str(&text).map_err(wrong)?;
        let shape = shape.shape().map_err(|e| in_file(e, &upload.name).at("shape"))?;
        return Ok(Read::of(vec![plain("1".to_owned(), shape, 1)]));
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
    Ok(Read::of(parts))
}

fn drawn(shop: &Shop, upload: &Upload, given: &Given, reading: &Reading<'_>) -> Result<Read, Error> {
    let said = drawing::Said {
        unit: given.unit.as_deref(),
        join: given.join.as_deref(),
        layers: &given.layers,
        skip: &given.skip,
    };
    let drawing = drawing::read(shop, upload, &said, reading)?;
    if drawing.parts.is_empty() {
        return Err(Error::bad(say!("error-nothing-closed", file = shown(&upload.name))).at("drawing"));
    }
    let (left_out, told) = (drawing::left_out(&drawing), drawing::told(&drawing, &said));
    let parts = drawing
        .parts
        .into_iter()
        .map(|p| GivenPart { id: p.id, shape: p.shape, source: p.source, quantity: p.quantity })
        .collect();
    Ok(Read { parts, left_out, told })
}

/// An angle in degrees, `1.5` or `1.5°`, as whole microdegrees from 0 to `most_deg`; left out: 0.
pub fn angle_udeg(given: Option<&str>, most_deg: u32, field: &'static str) -> Result<i64, Error> {
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(0) };
    let number = text.trim_end_matches('°').trim_end().parse::<f64>().ok();
    let degrees = number.filter(|d| (0.0..=f64::from(most_deg)).contains(d));
    let wrong = || Error::bad(say!("error-angle", text = shown(text), most = most_deg)).at(field);
    Ok((degrees.ok_or_else(wrong)? * 1e6).round() as i64)
}

/// The turns a part allows, as a person says them; left out: half turns where the material has grain, else any.
pub fn turn(given: Option<&str>, grained: bool) -> Result<TurnRule, Error> {
    let words =
        [("any", TurnRule::Any), ("quarter", TurnRule::Quarter), ("half", TurnRule::Half), ("none", TurnRule::None)];
    let default = if grained { TurnRule::Half } else { TurnRule::Any };
    crate::shop::word(given, &words, default, "turn")
}

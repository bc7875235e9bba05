//! What is taken out of a DXF file before the `dxf` crate sees it, and noted.
//!
//! The crate gives each entity its meaning, but it trusts its input: it drops kinds of entities that it does not
//! know without a word, stops at the first entity that it cannot read and says nothing of the rest, takes NaN for
//! a coordinate, keeps no word of frozen layers, knows no bounds, and refuses whole files for a header variable
//! out of place. So the file is first strained: only the numbers that outlines are made of go through, each
//! checked; all else is noted with its kind, layer and place.

use std::collections::HashMap;

use encoding_rs::{Encoding, WINDOWS_1252};
use sheetloft_shapes::limits;

use super::colours::Ink;
use super::tags::{Tag, Tags, Value};
use super::typed::{Batch, Item, Meaning};
use super::{hatch, text};
use crate::curve::P;
use crate::{DrawingError, Why};

/// A strained file.
#[derive(Default)]
pub(super) struct Strained {
    /// `$INSUNITS`, where the header has it.
    pub(super) units: Option<i64>,
    /// What the file says of its layers, by name in lower case.
    pub(super) layers: HashMap<String, LayerState>,
    /// The entities of model and paper space.
    pub(super) model: Contents,
    pub(super) blocks: Vec<Block>,
}

/// A block.
#[derive(Default)]
pub(super) struct Block {
    pub(super) name: String,
    /// The point that an insert puts somewhere.
    pub(super) base: P,
    /// What it holds is in another file.
    pub(super) elsewhere: bool,
    pub(super) contents: Contents,
}

/// Whether a layer is to be seen, and in which colour.
#[derive(Clone, Copy, Default, PartialEq, Eq, Debug)]
pub(super) struct LayerState {
    pub(super) frozen: bool,
    pub(super) off: bool,
    pub(super) ink: Ink,
}

/// The entities of a block or of the drawing itself.
#[derive(Default)]
pub(super) struct Contents {
    /// Those that went through, in their order.
    pub(super) items: Vec<Item>,
    /// Those that did not go through.
    pub(super) dropped: Vec<Dropped>,
}

/// An entity that did not go through.
pub(super) struct Dropped {
    pub(super) kind: String,
    pub(super) layer: String,
    pub(super) point: Option<P>,
    pub(super) on_paper: bool,
    /// What it says, where it is writing, and how high.
    pub(super) writing: Option<(String, f64)>,
    pub(super) why: Why,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Section {
    None,
    Tables,
    Blocks,
    Entities,
    Other,
}

/// Strains a file.
///
/// # Errors
/// Where the file ends before it should, is no DXF at all, or has too many entities.
pub(super) fn strain(bytes: &[u8]) -> Result<Strained, DrawingError> {
    let mut work = Work::new();
    let mut record: Vec<Tag<'_>> = Vec::new();
    let mut variable: &[u8] = b"";
    let (mut seen_end, mut last_at) = (false, 0);
    for tag in Tags::new(bytes) {
        let tag = tag?;
        last_at = tag.at;
        match (tag.code, tag.value) {
            (0, _) => {
                work.record(&record)?;
                record.clear();
                variable = b"";
                if tag.value.is("EOF") {
                    seen_end = true;
                    break;
                }
                record.push(tag);
            }
            // Header variables, also where a bad writer has put them behind the end of the header.
            (9, Value::Text(name)) => variable = name,
            (70, value) if variable == b"$INSUNITS" => {
                work.out.units = value.int();
                variable = b"";
            }
            (1, Value::Text(version)) if variable == b"$ACADVER" => {
                work.is_utf8 = version >= b"AC1021".as_slice();
                variable = b"";
            }
            (3, Value::Text(page)) if variable == b"$DWGCODEPAGE" => {
                work.encoding = code_page(page);
                variable = b"";
            }
            _ if !record.is_empty() => record.push(tag),
            _ => {}
        }
    }
    if !seen_end {
        work.record(&record)?;
        if work.section != Section::None || !work.seen_entities {
            return Err(DrawingError::Truncated { at: last_at });
        }
    }
    work.finish()
}

fn code_page(name: &[u8]) -> &'static Encoding {
    let label = String::from_utf8_lossy(name).to_lowercase().replace("ansi_", "windows-");
    Encoding::for_label(label.as_bytes()).unwrap_or(WINDOWS_1252)
}

struct Work {
    out: Strained,
    batch: Batch,
    section: Section,
    seen_entities: bool,
    in_block: bool,
    polyline: Polyline,
    entities: usize,
    /// Corners and the like that went to the crate, and strokes that came of them.
    corners: usize,
    segments: usize,
    is_utf8: bool,
    encoding: &'static Encoding,
}

/// The POLYLINE whose vertices are being read.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Polyline {
    None,
    /// It went through; its text starts here.
    Kept(usize),
    /// It did not; nor do its vertices.
    Dropped,
}

impl Work {
    fn new() -> Self {
        Self {
            out: Strained::default(),
            batch: Batch::default(),
            section: Section::None,
            seen_entities: false,
            in_block: false,
            polyline: Polyline::None,
            entities: 0,
            corners: 0,
            segments: 0,
            is_utf8: false,
            encoding: WINDOWS_1252,
        }
    }

    /// Whose the entities are that come now: 0 for the drawing itself, else the number of the block.
    fn owner(&self) -> usize {
        if self.section == Section::Blocks { self.out.blocks.len() } else { 0 }
    }

    fn contents(&mut self, owner: usize) -> &mut Contents {
        match owner.checked_sub(1) {
            Some(block) => &mut self.out.blocks[block].contents,
            None => &mut self.out.model,
        }
    }

    /// Has the crate read what is waiting.
    fn flush(&mut self) -> Result<(), DrawingError> {
        for (owner, item) in self.batch.finish()? {
            if let Meaning::Drawn(drawn) = &item.what {
                within_bounds(&mut self.segments, drawn.path.segs.len())?;
            }
            self.contents(owner).items.push(item);
        }
        Ok(())
    }

    /// One record: a tag with code 0 and all up to the next.
    fn record(&mut self, record: &[Tag<'_>]) -> Result<(), DrawingError> {
        let Some((head, rest)) = record.split_first() else { return Ok(()) };
        let Value::Text(kind) = head.value else { return Ok(()) };
        match kind {
            b"SECTION" => {
                self.close_section();
                let name = rest.iter().find(|t| t.code == 2).map(|t| t.value);
                self.open_section(name);
            }
            b"ENDSEC" => self.close_section(),
            _ => match self.section {
                Section::None | Section::Other => {}
                Section::Tables if kind == b"LAYER" => self.layer(rest),
                Section::Tables => {}
                Section::Blocks if kind == b"BLOCK" => self.block(rest)?,
                Section::Blocks if kind == b"ENDBLK" => self.close_block(),
                Section::Blocks if !self.in_block => {}
                Section::Blocks | Section::Entities => self.entity(kind, head.at, rest)?,
            },
        }
        Ok(())
    }

    fn open_section(&mut self, name: Option<Value<'_>>) {
        let is = |word| name.is_some_and(|n| n.is(word));
        self.section = if is("TABLES") {
            Section::Tables
        } else if is("BLOCKS") {
            Section::Blocks
        } else if is("ENTITIES") {
            self.seen_entities = true;
            Section::Entities
        } else {
            Section::Other
        };
    }

    fn close_section(&mut self) {
        self.close_block();
        self.close_polyline();
        self.section = Section::None;
    }

    fn block(&mut self, rest: &[Tag<'_>]) -> Result<(), DrawingError> {
        self.close_block();
        self.count()?;
        let mut block = Block::default();
        for tag in rest {
            match tag.code {
                2 => block.name = self.decoded(&tag.value),
                10 => block.base[0] = tag.value.real().unwrap_or(0.0),
                20 => block.base[1] = tag.value.real().unwrap_or(0.0),
                // External references, of either kind.
                70 => block.elsewhere = tag.value.int().is_some_and(|v| v & (4 | 8) != 0),
                _ => {}
            }
        }
        self.out.blocks.push(block);
        self.in_block = true;
        Ok(())
    }

    fn close_block(&mut self) {
        self.close_polyline();
        self.in_block = false;
    }

    fn close_polyline(&mut self) {
        if matches!(self.polyline, Polyline::Kept(_)) {
            self.put("0\nSEQEND\n");
        }
        self.polyline = Polyline::None;
    }

    fn layer(&mut self, rest: &[Tag<'_>]) {
        let mut name = String::new();
        let mut state = LayerState::default();
        for tag in rest {
            match tag.code {
                2 => name = self.decoded(&tag.value),
                // The lowest bit: frozen. A negative colour: off.
                70 => state.frozen = tag.value.int().is_some_and(|v| v & 1 != 0),
                62 => {
                    state.off = tag.value.int().is_some_and(|v| v < 0);
                    state.ink = tag.value.int().map_or(state.ink, Ink::of_number);
                }
                420 => state.ink = tag.value.int().map_or(state.ink, Ink::of_rgb),
                _ => {}
            }
        }
        self.out.layers.insert(name.to_lowercase(), state);
    }

    fn count(&mut self) -> Result<(), DrawingError> {
        self.entities += 1;
        if self.entities > limits::DRAWING_ENTITIES {
            return Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES });
        }
        Ok(())
    }

    fn entity(&mut self, kind: &[u8], at: usize, rest: &[Tag<'_>]) -> Result<(), DrawingError> {
        let kept = kept_codes(kind);
        if kind == b"VERTEX" {
            match self.polyline {
                Polyline::Kept(start) => match wrong(kind, kept, rest) {
                    None => self.put_record(kind, kept, rest)?,
                    Some(why) => {
                        self.batch.take_back(start);
                        self.polyline = Polyline::Dropped;
                        self.drop_entity(b"POLYLINE", rest, why);
                    }
                },
                Polyline::Dropped | Polyline::None => {}
            }
            return Ok(());
        }
        self.close_polyline();
        if self.batch.is_full() {
            self.flush()?;
        }
        // The end of a polyline is put by ourselves; what a block's attributes would look like is of no use
        // before the block is inserted.
        if kind == b"SEQEND" || kind == b"ATTDEF" {
            return Ok(());
        }
        self.count()?;
        if kind == b"HATCH" {
            return self.hatch(rest);
        }
        let why = if kept.is_empty() { Some(why_not(kind)) } else { wrong(kind, kept, rest) };
        match why {
            Some(why) => {
                self.drop_entity(kind, rest, why);
                if kind == b"POLYLINE" {
                    self.polyline = Polyline::Dropped;
                }
            }
            None => {
                if kind == b"POLYLINE" {
                    self.polyline = Polyline::Kept(self.batch.text.len());
                }
                self.batch.begin(self.owner(), at, ink(rest));
                self.put_record(kind, kept, rest)?;
            }
        }
        Ok(())
    }

    /// A HATCH, which the crate does not know: its boundaries are areas that somebody meant.
    fn hatch(&mut self, rest: &[Tag<'_>]) -> Result<(), DrawingError> {
        within_bounds(&mut self.corners, rest.len() / 2)?;
        match hatch::boundaries(rest) {
            Err(why) => self.drop_entity(b"HATCH", rest, why),
            Ok(found) => {
                let flag = |code| rest.iter().find(|t| t.code == code).and_then(|t| t.value.int());
                let layer = self.layer_of(rest);
                let (hidden, on_paper) = (flag(60) == Some(1), flag(67) == Some(1));
                let owner = self.owner();
                for drawn in found {
                    within_bounds(&mut self.segments, drawn.path.segs.len())?;
                    let what = Meaning::Drawn(drawn);
                    let item = Item { layer: layer.clone(), ink: ink(rest), hidden, on_paper, what };
                    self.contents(owner).items.push(item);
                }
            }
        }
        Ok(())
    }

    fn layer_of(&self, rest: &[Tag<'_>]) -> String {
        rest.iter().find(|t| t.code == 8).map(|t| self.decoded(&t.value)).unwrap_or_default()
    }

    /// What an entity that is writing says, and how high.
    fn writing(&self, kind: &[u8], rest: &[Tag<'_>]) -> Option<(String, f64)> {
        let said = |codes: &[i32]| -> String {
            rest.iter().filter(|t| codes.contains(&t.code)).map(|t| self.decoded(&t.value)).collect()
        };
        let text = match kind {
            b"TEXT" | b"ATTRIB" => text::of_text(&said(&[1])),
            b"MTEXT" => text::of_mtext(&said(&[1, 3])),
            _ => return None,
        };
        Some((text, rest.iter().find(|t| t.code == 40).and_then(|t| t.value.real()).unwrap_or(0.0)))
    }

    fn drop_entity(&mut self, kind: &[u8], rest: &[Tag<'_>], why: Why) {
        let number = |code| rest.iter().find(|t| t.code == code).and_then(|t| t.value.real());
        let layer = self.layer_of(rest);
        let writing = self.writing(kind, rest);
        let dropped = Dropped {
            kind: String::from_utf8_lossy(kind).to_lowercase(),
            layer,
            // A hatch begins with its height, not with a place.
            point: number(10).zip(number(20)).filter(|_| kind != b"HATCH").map(|(x, y)| [x, y]),
            on_paper: number(67) == Some(1.0),
            writing,
            why,
        };
        let owner = self.owner();
        self.contents(owner).dropped.push(dropped);
    }

    fn put_record(&mut self, kind: &[u8], kept: &[i32], rest: &[Tag<'_>]) -> Result<(), DrawingError> {
        if matches!(kind, b"LWPOLYLINE" | b"VERTEX" | b"SPLINE") {
            within_bounds(&mut self.corners, rest.iter().filter(|t| matches!(t.code, 10 | 11 | 40)).count())?;
        }
        self.put("0\n");
        self.put(&String::from_utf8_lossy(kind));
        self.put("\n");
        let is_list = matches!(kind, b"LWPOLYLINE");
        let mut in_list = false;
        for tag in rest.iter().filter(|t| COMMON_CODES.contains(&t.code) || kept.contains(&t.code)) {
            in_list |= tag.code == 10;
            match tag.code {
                2 | 8 => self.put_text(tag),
                // Belongs to a corner that has not begun.
                20 | 42 if is_list && !in_list => {}
                _ => self.put_number(tag),
            }
            // The crate counts points of a spline by their heights.
            if kind == b"SPLINE" && matches!(tag.code, 20 | 21) {
                self.put(if tag.code == 20 { "30\n0\n" } else { "31\n0\n" });
            }
        }
        Ok(())
    }

    fn put(&mut self, text: &str) {
        self.batch.text.push_str(text);
    }

    fn put_text(&mut self, tag: &Tag<'_>) {
        // To the crate a caret is the start of an escape.
        let text = self.decoded(&tag.value).replace('^', "^ ");
        self.put(&format!("{}\n{text}\n", tag.code));
    }

    fn put_number(&mut self, tag: &Tag<'_>) {
        let text = match tag.value {
            // Checked to be a number, so plain letters.
            Value::Text(text) => String::from_utf8_lossy(text).into_owned(),
            Value::Real(v) => v.to_string(),
            Value::Int(v) => v.to_string(),
            Value::Chunk => return,
        };
        self.put(&format!("{}\n{text}\n", tag.code));
    }

    /// A string of the file: UTF-8 where it is that, else in the file's code page; `\U+XXXX` resolved, control
    /// characters dropped.
    fn decoded(&self, value: &Value<'_>) -> String {
        let Value::Text(bytes) = *value else { return String::new() };
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) if self.is_utf8 => String::from_utf8_lossy(bytes).into_owned(),
            Err(_) => self.encoding.decode_without_bom_handling(bytes).0.into_owned(),
        };
        let mut out = String::with_capacity(text.len());
        let mut rest = text.as_str();
        while let Some(i) = rest.find("\\U+") {
            let code =
                rest.get(i + 3..i + 7).and_then(|hex| u32::from_str_radix(hex, 16).ok()).and_then(char::from_u32);
            out.push_str(&rest[..i]);
            match code {
                Some(c) => {
                    out.push(c);
                    rest = &rest[i + 7..];
                }
                None => {
                    out.push_str("\\U+");
                    rest = &rest[i + 3..];
                }
            }
        }
        out.push_str(rest);
        out.chars().filter(|c| !c.is_control()).collect::<String>().trim().to_owned()
    }

    fn finish(mut self) -> Result<Strained, DrawingError> {
        self.close_section();
        self.flush()?;
        Ok(self.out)
    }
}

/// Counts on, up to the limit.
fn within_bounds(count: &mut usize, more: usize) -> Result<(), DrawingError> {
    *count += more;
    if *count > limits::DRAWING_SEGMENTS {
        return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
    }
    Ok(())
}

/// How an entity says its colour.
fn ink(rest: &[Tag<'_>]) -> Ink {
    let number = |code| rest.iter().find(|t| t.code == code).and_then(|t| t.value.int());
    number(420).map(Ink::of_rgb).or_else(|| number(62).map(Ink::of_number)).unwrap_or_default()
}

/// Codes that every entity keeps: layer, hidden, on paper.
const COMMON_CODES: [i32; 3] = [8, 60, 67];

/// The codes of a kind of entity that outlines are made of; none for a kind that is not read.
fn kept_codes(kind: &[u8]) -> &'static [i32] {
    match kind {
        b"LINE" => &[10, 20, 11, 21],
        b"CIRCLE" => &[10, 20, 40, 210, 220, 230],
        b"ARC" => &[10, 20, 40, 50, 51, 210, 220, 230],
        b"ELLIPSE" => &[10, 20, 11, 21, 31, 40, 41, 42, 210, 220, 230],
        b"LWPOLYLINE" => &[10, 20, 42, 70, 210, 220, 230],
        b"POLYLINE" => &[70, 210, 220, 230],
        b"VERTEX" => &[10, 20, 42, 70],
        b"SPLINE" => &[10, 20, 11, 21, 12, 22, 13, 23, 40, 41, 70, 71],
        b"INSERT" => &[2, 10, 20, 41, 42, 44, 45, 50, 70, 71, 210, 220, 230],
        _ => &[],
    }
}

/// The codes without which an entity of a kind means nothing.
fn needed_codes(kind: &[u8]) -> &'static [i32] {
    match kind {
        b"LINE" => &[10, 20, 11, 21],
        b"CIRCLE" => &[10, 20, 40],
        b"ARC" => &[10, 20, 40, 50, 51],
        b"ELLIPSE" => &[10, 20, 11, 21, 40],
        b"VERTEX" => &[10, 20],
        b"INSERT" => &[2],
        _ => &[],
    }
}

/// What is wrong with an entity of a kind that is read.
fn wrong(kind: &[u8], kept: &[i32], rest: &[Tag<'_>]) -> Option<Why> {
    for tag in rest.iter().filter(|t| kept.contains(&t.code) || COMMON_CODES.contains(&t.code)) {
        if !matches!(tag.code, 2 | 8) && tag.value.real().is_none() {
            return Some(Why::NotANumber { at: tag.at });
        }
    }
    let count = |code| rest.iter().filter(|t| t.code == code).count();
    let lacks = needed_codes(kind).iter().any(|&code| count(code) == 0);
    let unpaired = matches!(kind, b"LWPOLYLINE" | b"SPLINE") && (count(10) != count(20) || count(11) != count(21));
    if lacks || unpaired {
        return Some(Why::Incomplete { at: rest.first().map_or(0, |t| t.at) });
    }
    None
}

/// Why a kind of entity is not read.
fn why_not(kind: &[u8]) -> Why {
    match kind {
        b"TEXT"
        | b"MTEXT"
        | b"ATTRIB"
        | b"DIMENSION"
        | b"ARC_DIMENSION"
        | b"LARGE_RADIAL_DIMENSION"
        | b"LEADER"
        | b"MULTILEADER"
        | b"TOLERANCE"
        | b"POINT"
        | b"IMAGE"
        | b"WIPEOUT"
        | b"VIEWPORT"
        | b"ACAD_TABLE"
        | b"XLINE"
        | b"RAY"
        | b"SHAPE"
        | b"LIGHT"
        | b"PDFUNDERLAY"
        | b"DWFUNDERLAY"
        | b"DGNUNDERLAY"
        | b"OLEFRAME"
        | b"OLE2FRAME" => Why::NoOutline,
        _ => Why::KindNotRead,
    }
}

//! A layout as DXF R2000.
//!
//! Written by hand: the `dxf` crate puts the time and random identifiers into each file, so that no two are alike, and
//! table handles that other programs have to mend. What is needed is small: the tables that R2000 asks for, and two
//! kinds of entities.

use std::fmt::Write;

use super::{Drawn, Ink, NEAR_NM, NOTES_LAYER, Sheet, mm};
use crate::curve::{P, Seg};

/// A pen for group codes, with the next free handle.
struct Pen {
    out: String,
    handle: u32,
}

/// Handles that are referred to; those given out start behind them.
const MODEL_RECORD: u32 = 0x10;
const PAPER_RECORD: u32 = 0x11;
const ROOT_DICTIONARY: u32 = 0x12;
const GROUP_DICTIONARY: u32 = 0x13;
const FIRST_FREE: u32 = 0x20;

impl Pen {
    fn put(&mut self, code: i32, value: impl std::fmt::Display) {
        // Writing to a string cannot fail.
        let _ = write!(self.out, "{code:>3}\r\n{value}\r\n");
    }

    fn point(&mut self, code: i32, p: [f64; 2]) {
        self.put(code, p[0]);
        self.put(code + 10, p[1]);
    }

    fn handle(&mut self, code: i32) -> u32 {
        let handle = self.handle;
        self.handle += 1;
        self.put(code, format_args!("{handle:X}"));
        handle
    }

    fn table(&mut self, name: &str, entries: usize) -> u32 {
        self.put(0, "TABLE");
        self.put(2, name);
        let handle = self.handle(5);
        self.put(330, 0);
        self.put(100, "AcDbSymbolTable");
        self.put(70, entries);
        handle
    }

    /// The head of an entry of a table.
    fn record(&mut self, kind: &str, table: u32, class: &str, name: &str) {
        self.put(0, kind);
        self.handle(if kind == "DIMSTYLE" { 105 } else { 5 });
        self.put(330, format_args!("{table:X}"));
        self.put(100, "AcDbSymbolTableRecord");
        self.put(100, class);
        self.put(2, name);
        self.put(70, 0);
    }

    fn end_table(&mut self) {
        self.put(0, "ENDTAB");
    }

    fn section(&mut self, name: &str) {
        self.put(0, "SECTION");
        self.put(2, name);
    }

    fn end_section(&mut self) {
        self.put(0, "ENDSEC");
    }

    fn entity(&mut self, kind: &str, layer: &str) {
        self.put(0, kind);
        self.handle(5);
        self.put(330, format_args!("{MODEL_RECORD:X}"));
        self.put(100, "AcDbEntity");
        self.put(8, layer);
    }
}

/// Writes the file.
pub(super) fn write(sheet: &Sheet) -> Vec<u8> {
    let mut body = Pen { out: String::new(), handle: FIRST_FREE };
    tables(&mut body, sheet);
    blocks(&mut body);
    body.section("ENTITIES");
    for layer in &sheet.layers {
        layer.lines.iter().for_each(|d| polyline(&mut body, d, layer.name));
    }
    for writing in sheet.writing() {
        body.entity("TEXT", NOTES_LAYER);
        body.put(100, "AcDbText");
        body.point(10, writing.at);
        body.put(30, "0.0");
        body.put(40, writing.height);
        body.put(1, latin(&writing.text));
        body.put(100, "AcDbText");
    }
    body.end_section();
    objects(&mut body);
    body.put(0, "EOF");
    // The header comes first but has to know the last handle.
    let mut head = Pen { out: String::new(), handle: 0 };
    head.section("HEADER");
    for (name, code, value) in [
        ("$ACADVER", 1, "AC1015".to_owned()),
        ("$DWGCODEPAGE", 3, "ANSI_1252".to_owned()),
        ("$HANDSEED", 5, format!("{:X}", body.handle)),
        // Millimetres, and metric hatches and line types.
        ("$INSUNITS", 70, "4".to_owned()),
        ("$MEASUREMENT", 70, "1".to_owned()),
    ] {
        head.put(9, name);
        head.put(code, value);
    }
    for (name, p) in [("$EXTMIN", sheet.lo), ("$EXTMAX", sheet.hi)] {
        head.put(9, name);
        head.point(10, p);
        head.put(30, "0.0");
    }
    head.end_section();
    head.section("CLASSES");
    head.end_section();
    bytes(&(head.out + &body.out))
}

fn tables(pen: &mut Pen, sheet: &Sheet) {
    pen.section("TABLES");
    let table = pen.table("VPORT", 1);
    pen.record("VPORT", table, "AcDbViewportTableRecord", "*Active");
    let (w, h) = ((sheet.hi[0] - sheet.lo[0]).max(1.0), (sheet.hi[1] - sheet.lo[1]).max(1.0));
    let middle = [(sheet.lo[0] + sheet.hi[0]) / 2.0, (sheet.lo[1] + sheet.hi[1]) / 2.0];
    // The whole window, looking straight down on the whole drawing.
    pen.point(10, [0.0, 0.0]);
    pen.point(11, [1.0, 1.0]);
    pen.point(12, middle);
    pen.point(16, [0.0, 0.0]);
    pen.put(36, "1.0");
    pen.put(40, 1.2 * h.max(w / 1.5));
    pen.put(41, "1.5");
    pen.end_table();

    let table = pen.table("LTYPE", 3);
    for name in ["ByBlock", "ByLayer", "Continuous"] {
        pen.record("LTYPE", table, "AcDbLinetypeTableRecord", name);
        pen.put(3, "");
        pen.put(72, 65);
        pen.put(73, 0);
        pen.put(40, "0.0");
    }
    pen.end_table();

    let colour = |ink: Ink| match ink {
        Ink::Cut => 7,
        Ink::Grey => 8,
        Ink::Light => 9,
    };
    let table = pen.table("LAYER", 1 + sheet.layers.len());
    for (name, colour) in [("0", 7)].into_iter().chain(sheet.layers.iter().map(|l| (l.name, colour(l.ink)))) {
        pen.record("LAYER", table, "AcDbLayerTableRecord", name);
        pen.put(62, colour);
        pen.put(6, "Continuous");
    }
    pen.end_table();

    let table = pen.table("STYLE", 1);
    pen.record("STYLE", table, "AcDbTextStyleTableRecord", "Standard");
    for (code, value) in [(40, "0.0"), (41, "1.0"), (50, "0.0"), (71, "0"), (42, "2.5"), (3, "txt"), (4, "")] {
        pen.put(code, value);
    }
    pen.end_table();
    for name in ["VIEW", "UCS"] {
        pen.table(name, 0);
        pen.end_table();
    }
    let table = pen.table("APPID", 1);
    pen.record("APPID", table, "AcDbRegAppTableRecord", "ACAD");
    pen.end_table();

    let table = pen.table("DIMSTYLE", 1);
    pen.put(100, "AcDbDimStyleTable");
    pen.record("DIMSTYLE", table, "AcDbDimStyleTableRecord", "Standard");
    pen.end_table();

    let table = pen.table("BLOCK_RECORD", 2);
    for (name, handle) in [("*Model_Space", MODEL_RECORD), ("*Paper_Space", PAPER_RECORD)] {
        pen.put(0, "BLOCK_RECORD");
        pen.put(5, format_args!("{handle:X}"));
        pen.put(330, format_args!("{table:X}"));
        pen.put(100, "AcDbSymbolTableRecord");
        pen.put(100, "AcDbBlockTableRecord");
        pen.put(2, name);
        pen.put(340, 0);
    }
    pen.end_table();
    pen.end_section();
}

fn blocks(pen: &mut Pen) {
    pen.section("BLOCKS");
    for (name, record) in [("*Model_Space", MODEL_RECORD), ("*Paper_Space", PAPER_RECORD)] {
        for (kind, class) in [("BLOCK", "AcDbBlockBegin"), ("ENDBLK", "AcDbBlockEnd")] {
            pen.put(0, kind);
            pen.handle(5);
            pen.put(330, format_args!("{record:X}"));
            pen.put(100, "AcDbEntity");
            if record == PAPER_RECORD {
                pen.put(67, 1);
            }
            pen.put(8, "0");
            pen.put(100, class);
            if kind == "BLOCK" {
                pen.put(2, name);
                pen.put(70, 0);
                pen.point(10, [0.0, 0.0]);
                pen.put(30, "0.0");
                pen.put(3, name);
                pen.put(1, "");
            }
        }
    }
    pen.end_section();
}

fn objects(pen: &mut Pen) {
    pen.section("OBJECTS");
    for (handle, owner) in [(ROOT_DICTIONARY, 0), (GROUP_DICTIONARY, ROOT_DICTIONARY)] {
        pen.put(0, "DICTIONARY");
        pen.put(5, format_args!("{handle:X}"));
        pen.put(330, format_args!("{owner:X}"));
        pen.put(100, "AcDbDictionary");
        pen.put(281, 1);
        if handle == ROOT_DICTIONARY {
            pen.put(3, "ACAD_GROUP");
            pen.put(350, format_args!("{GROUP_DICTIONARY:X}"));
        }
    }
    pen.end_section();
}

/// A path as LWPOLYLINE: arcs by their bulges, other curves by chords.
fn polyline(pen: &mut Pen, drawn: &Drawn, layer: &str) {
    let mut corners: Vec<(P, f64)> = vec![(drawn.path.start, 0.0)];
    for piece in drawn.path.pieces() {
        match piece.seg {
            Seg::Line { to } => corners.push((to, 0.0)),
            Seg::Arc { to, centre, ccw } => {
                if let Some(last) = corners.last_mut() {
                    last.1 = libm::tan(piece.arc(centre, ccw).1 / 4.0);
                }
                corners.push((to, 0.0));
            }
            Seg::Cubic { .. } => piece.chords(NEAR_NM, &mut |p| corners.push((p.map(libm::round), 0.0))),
        }
    }
    if drawn.closed {
        corners.pop();
    }
    pen.entity("LWPOLYLINE", layer);
    pen.put(100, "AcDbPolyline");
    pen.put(90, corners.len());
    pen.put(70, u8::from(drawn.closed));
    pen.put(43, "0.0");
    for (p, bulge) in corners {
        pen.put(10, mm(p[0]));
        pen.put(20, mm(p[1]));
        if bulge != 0.0 {
            pen.put(42, bulge);
        }
    }
}

/// Text for a file in ANSI_1252, of which the first 256 characters are taken: all others by number.
fn latin(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            // A caret starts an escape.
            '^' => out.push_str("^ "),
            ' '..='~' | '\u{a0}'..='\u{ff}' => out.push(c),
            _ => c.encode_utf16(&mut [0; 2]).iter().for_each(|unit| {
                let _ = write!(out, "\\U+{unit:04X}");
            }),
        }
    }
    out
}

/// The bytes of text in the first 256 characters, which ANSI_1252 shares with Unicode.
fn bytes(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?')).collect()
}

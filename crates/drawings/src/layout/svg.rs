//! A layout as SVG, a user unit a millimetre.

use std::fmt::Write;

use super::{Drawn, Ink, Layer, NOTES_LAYER, Sheet, Writing, mm};
use crate::curve::{P, Seg, distance};

/// Width of the lines, mm: one of the pens of ISO 128 (from memory), to be seen on a picture of a whole sheet.
const PEN_MM: f64 = 0.5;
/// Room around the drawing, mm.
const ROOM_MM: f64 = 10.0;

/// Writes the file. SVG's y runs down: the picture is as in the DXF, not mirrored.
pub(super) fn write(sheet: &Sheet) -> String {
    let below = sheet.title.height * 3.0;
    let (w, h) = (sheet.hi[0] - sheet.lo[0] + 2.0 * ROOM_MM, sheet.hi[1] - sheet.lo[1] + 2.0 * ROOM_MM + below);
    let (w, h) = (thousandths(w), thousandths(h));
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(out, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>");
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" version=\"1.1\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">"
    );
    let _ = writeln!(out, "<title>{}</title>", escaped(&sheet.title.text));
    let colour = |ink: Ink| match ink {
        Ink::Cut => "#000000",
        Ink::Grey => "#808080",
        Ink::Light => "#b0b0b0",
    };
    for Layer { name, lines, ink } in &sheet.layers {
        let _ = writeln!(out, "<g id=\"{name}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{PEN_MM}\">", colour(*ink));
        for drawn in lines {
            let _ = writeln!(out, "<path d=\"{}\"/>", data(drawn, sheet));
        }
        if *name == NOTES_LAYER {
            text(&mut out, sheet);
        }
        let _ = writeln!(out, "</g>");
    }
    let _ = writeln!(out, "</svg>");
    out
}

fn text(out: &mut String, sheet: &Sheet) {
    let _ = writeln!(out, "<g stroke=\"none\" fill=\"#808080\" font-family=\"sans-serif\">");
    for Writing { text, at, height } in sheet.writing() {
        let [x, y] = point([at[0] * 1e6, at[1] * 1e6], sheet);
        // The height is that of capitals, about seven tenths of the size of most typefaces.
        let size = thousandths(height / 0.7);
        let _ = writeln!(out, "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\">{}</text>", escaped(text));
    }
    let _ = writeln!(out, "</g>");
}

fn thousandths(v: f64) -> f64 {
    libm::round(v * 1e3) / 1e3
}

/// A point in nm on the page, mm.
fn point(p: P, sheet: &Sheet) -> [String; 2] {
    let (left, top) = ((sheet.lo[0] - ROOM_MM) * 1e6, (sheet.hi[1] + ROOM_MM) * 1e6);
    [mm(libm::round(p[0] - left)), mm(libm::round(top - p[1]))]
}

fn data(drawn: &Drawn, sheet: &Sheet) -> String {
    let at = |p: P| point(p, sheet).join(" ");
    let mut d = format!("M {}", at(drawn.path.start));
    let last = drawn.path.segs.len().saturating_sub(1);
    for (i, piece) in drawn.path.pieces().enumerate() {
        let _ = match piece.seg {
            // Z draws the line back to the start.
            Seg::Line { .. } if drawn.closed && i == last => Ok(()),
            Seg::Line { to } => write!(d, " L {}", at(to)),
            Seg::Arc { to, centre, ccw } => {
                let (_, sweep, _) = piece.arc(centre, ccw);
                let r = mm(libm::round(0.5 * (distance(piece.from, centre) + distance(to, centre))));
                let large = u8::from(sweep.abs() > std::f64::consts::PI);
                write!(d, " A {r} {r} 0 {large} {} {}", u8::from(!ccw), at(to))
            }
            Seg::Cubic { c1, c2, to } => write!(d, " C {} {} {}", at(c1), at(c2), at(to)),
        };
    }
    if drawn.closed {
        d.push_str(" Z");
    }
    d
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

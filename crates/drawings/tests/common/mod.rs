//! Small DXF texts, and measures of contours and shapes that owe nothing to the code under test.
#![allow(dead_code)]

use sheetloft_drawings::{Drawing, DrawingError, Options, Part, read};
use sheetloft_shapes::{Contour, Point, Segment, Shape};

pub type P = [f64; 2];

/// An entity with its group codes.
pub fn entity(kind: &str, layer: &str, codes: &[(i32, f64)]) -> String {
    let mut out = format!("0\n{kind}\n8\n{layer}\n");
    for (code, value) in codes {
        out += &match code {
            60..=79 | 90..=99 => format!("{code}\n{}\n", *value as i64),
            _ => format!("{code}\n{value}\n"),
        };
    }
    out
}

pub fn line(layer: &str, a: P, b: P) -> String {
    entity("LINE", layer, &[(10, a[0]), (20, a[1]), (11, b[0]), (21, b[1])])
}

pub fn circle(layer: &str, c: P, r: f64) -> String {
    entity("CIRCLE", layer, &[(10, c[0]), (20, c[1]), (40, r)])
}

pub fn arc(layer: &str, c: P, r: f64, from: f64, to: f64) -> String {
    entity("ARC", layer, &[(10, c[0]), (20, c[1]), (40, r), (50, from), (51, to)])
}

/// Corners with bulges.
pub fn polyline(layer: &str, corners: &[(f64, f64, f64)], closed: bool) -> String {
    let mut codes = vec![(90, corners.len() as f64), (70, f64::from(u8::from(closed)))];
    for c in corners {
        codes.extend([(10, c.0), (20, c.1), (42, c.2)]);
    }
    entity("LWPOLYLINE", layer, &codes)
}

pub fn rectangle(layer: &str, lo: P, hi: P) -> String {
    polyline(layer, &[(lo[0], lo[1], 0.0), (hi[0], lo[1], 0.0), (hi[0], hi[1], 0.0), (lo[0], hi[1], 0.0)], true)
}

pub fn insert(block: &str, layer: &str, codes: &[(i32, f64)]) -> String {
    entity("INSERT", layer, codes).replacen("8\n", &format!("2\n{block}\n8\n"), 1)
}

pub fn block(name: &str, base: P, entities: &str) -> String {
    format!(
        "0\nBLOCK\n8\n0\n2\n{name}\n70\n0\n10\n{}\n20\n{}\n3\n{name}\n1\n\n{entities}0\nENDBLK\n8\n0\n",
        base[0], base[1]
    )
}

/// A file in a unit of the DXF list, with these blocks and entities.
pub fn file_in(unit: i32, blocks: &str, entities: &str) -> String {
    format!(
        "0\nSECTION\n2\nHEADER\n9\n$ACADVER\n1\nAC1015\n9\n$INSUNITS\n70\n{unit}\n0\nENDSEC\n\
         0\nSECTION\n2\nBLOCKS\n{blocks}0\nENDSEC\n0\nSECTION\n2\nENTITIES\n{entities}0\nENDSEC\n0\nEOF\n"
    )
}

pub fn file(entities: &str) -> String {
    file_in(4, "", entities)
}

pub fn parse(text: &str) -> Drawing {
    try_parse(text, &Options::default()).expect("the drawing is read")
}

pub fn try_parse(text: &str, options: &Options) -> Result<Drawing, DrawingError> {
    read("test.dxf", text.as_bytes(), options)
}

pub fn only(drawing: &Drawing) -> &Part {
    assert_eq!(drawing.parts.len(), 1, "{:?}", drawing.left_out);
    &drawing.parts[0]
}

/// What was left out, a line each.
pub fn left_out(drawing: &Drawing) -> Vec<String> {
    drawing.left_out.iter().map(|l| format!("{} × {} {}: {}", l.count, l.what, l.place, l.why)).collect()
}

/// Points along a contour, µm, by the plain formulas: `n` for each arc, five times as many for a cubic curve, which may
/// bend more sharply.
pub fn samples(contour: &Contour, n: usize) -> Vec<P> {
    let um = |p: [i64; 2]| [p[0] as f64 / 1e3, p[1] as f64 / 1e3];
    let mut from = um(contour.start);
    let mut out = Vec::new();
    for segment in &contour.segments {
        let end = match *segment {
            Segment::Line { to } | Segment::Arc { to, .. } | Segment::Cubic { to, .. } => um(to),
        };
        let n = match segment {
            Segment::Line { .. } => 8,
            Segment::Arc { .. } => n,
            Segment::Cubic { .. } => 5 * n,
        };
        for i in 0..n {
            let t = i as f64 / n as f64;
            out.push(match *segment {
                Segment::Line { .. } => [from[0] + (end[0] - from[0]) * t, from[1] + (end[1] - from[1]) * t],
                Segment::Arc { centre, ccw, .. } => {
                    let c = um(centre);
                    let (a, mut b) = ((from[1] - c[1]).atan2(from[0] - c[0]), (end[1] - c[1]).atan2(end[0] - c[0]));
                    if ccw && b <= a {
                        b += std::f64::consts::TAU;
                    } else if !ccw && b >= a {
                        b -= std::f64::consts::TAU;
                    }
                    let r = (from[0] - c[0]).hypot(from[1] - c[1]);
                    let angle = a + (b - a) * t;
                    [c[0] + r * angle.cos(), c[1] + r * angle.sin()]
                }
                Segment::Cubic { c1, c2, .. } => {
                    let (p, q, s) = (um(c1), um(c2), 1.0 - t);
                    [0, 1].map(|k| {
                        s * s * s * from[k] + 3.0 * s * s * t * p[k] + 3.0 * s * t * t * q[k] + t * t * t * end[k]
                    })
                }
            });
        }
        from = end;
    }
    out
}

pub fn distance_to_segment(p: P, a: P, b: P) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let l2 = dx * dx + dy * dy;
    let t = if l2 > 0.0 { (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / l2).clamp(0.0, 1.0) } else { 0.0 };
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

pub fn distance_to_ring(p: P, ring: &[P]) -> f64 {
    (0..ring.len()).map(|i| distance_to_segment(p, ring[i], ring[(i + 1) % ring.len()])).fold(f64::MAX, f64::min)
}

pub fn inside(p: P, ring: &[P]) -> bool {
    let mut inside = false;
    for i in 0..ring.len() {
        let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0] + (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) {
            inside = !inside;
        }
    }
    inside
}

pub fn ring_um(ring: &[Point]) -> Vec<P> {
    ring.iter().map(|p| [f64::from(p.x), f64::from(p.y)]).collect()
}

/// Checks that each ring of a shape is on the safe side of its contour, 1 µm of rounding allowed, and at most 50 µm
/// off anywhere. `n` points are taken of each arc, so that what their chords are off is
/// well below 1 µm.
pub fn assert_safe(shape: &Shape, source: &[Contour], grows: bool, n: usize) {
    for (i, (ring, contour)) in shape.rings().zip(source).enumerate() {
        let ring = ring_um(ring);
        let curve = samples(contour, n);
        // A part's outline and a piece's holes hold the curve; the others are held by it.
        let holds = grows == (i == 0);
        for p in &curve {
            let off = distance_to_ring(*p, &ring);
            assert!(off <= 50.0, "chords of ring {i} are {off} µm off at {p:?}");
            assert!(off <= 1.0 || inside(*p, &ring) == holds, "ring {i} is {off} µm on the wrong side at {p:?}");
        }
        for k in 0..ring.len() {
            let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
            for t in [0.0, 0.25, 0.5, 0.75] {
                let p = [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t];
                let off = distance_to_ring(p, &curve);
                assert!(off <= 50.0 + 1.0, "ring {i} strays {off} µm from its curve at {p:?}");
                assert!(off <= 1.5 || inside(p, &curve) != holds, "ring {i} is {off} µm on the wrong side at {p:?}");
            }
        }
    }
}

/// The same tags as a binary file, in the form of R12 or, `wide`, of R13 and later.
pub fn binary(text: &str, wide: bool) -> Vec<u8> {
    let mut out = b"AutoCAD Binary DXF\r\n\x1a\0".to_vec();
    let mut lines = text.lines();
    while let (Some(code), Some(value)) = (lines.next(), lines.next()) {
        let code: u16 = code.trim().parse().unwrap();
        if wide {
            out.extend(code.to_le_bytes());
        } else {
            out.push(u8::try_from(code).unwrap());
        }
        match code {
            10..=59 | 210..=239 => out.extend(value.parse::<f64>().unwrap().to_le_bytes()),
            60..=79 => out.extend(value.parse::<i16>().unwrap().to_le_bytes()),
            90..=99 => out.extend(value.parse::<i32>().unwrap().to_le_bytes()),
            _ => {
                out.extend(value.as_bytes());
                out.push(0);
            }
        }
    }
    out
}

//! The boundaries of a HATCH, by the DXF reference ("Boundary path data"): polylines with bulges, or edges that are
//! lines, arcs, ellipses and splines.

use dxf::entities::Spline;
use dxf::{Point, Vector};

use super::curves::{self, Drawn};
use super::spline;
use super::tags::Tag;
use crate::Why;
use crate::curve::{Affine, P, Path, Seg, arc_from, bulged, distance, elliptic, length};

/// The boundary holds a piece of writing free.
const TEXT_BOX: i64 = 8;
const POLYLINE: i64 = 2;

/// The tags of a hatch, one after the other.
struct Reader<'a, 'b> {
    tags: &'b [Tag<'a>],
}

impl Reader<'_, '_> {
    /// The next number with one of these codes, up to any of `stops`.
    fn next(&mut self, code: i32) -> Option<f64> {
        let (tag, rest) = self.tags.split_first().filter(|(t, _)| t.code == code)?;
        self.tags = rest;
        tag.value.real()
    }

    fn int(&mut self, code: i32) -> Option<i64> {
        self.next(code).map(|v| v as i64)
    }

    fn point(&mut self, x: i32) -> Option<P> {
        Some([self.next(x)?, self.next(x + 10)?])
    }

    /// Goes on to the next tag with a code.
    fn seek(&mut self, code: i32) -> Option<()> {
        let at = self.tags.iter().position(|t| t.code == code)?;
        self.tags = &self.tags[at..];
        Some(())
    }
}

/// The boundaries of a hatch, each a closed path or several that hang together.
///
/// # Errors
/// The reason why it is left out.
pub(super) fn boundaries(tags: &[Tag<'_>]) -> Result<Vec<Drawn>, Why> {
    let at = tags.first().map_or(0, |t| t.at);
    let axis = |code| tags.iter().find(|t| t.code == code).and_then(|t| t.value.real());
    let normal = Vector::new(axis(210).unwrap_or(0.0), axis(220).unwrap_or(0.0), axis(230).unwrap_or(1.0));
    let plane = curves::plane(&normal).ok_or(Why::Tilted)?;
    let mut reader = Reader { tags };
    reader.seek(91).ok_or(Why::Incomplete { at })?;
    let count = reader.int(91).unwrap_or(0);
    let mut found = Vec::new();
    for _ in 0..count {
        if reader.seek(92).is_none() {
            break;
        }
        let flags = reader.int(92).unwrap_or(0);
        let line = reader.tags.first().map_or(at, |t| t.at);
        let chains = if flags & POLYLINE != 0 { polyline(&mut reader) } else { edges(&mut reader) };
        let chains = chains.ok_or(Why::BadCurve { at: line })?;
        if flags & TEXT_BOX == 0 {
            let closed = chains.len() == 1;
            found.extend(chains.iter().map(|path| Drawn::rim(path.moved(&plane), closed)));
        }
    }
    if found.is_empty() { Err(Why::NoArea) } else { Ok(found) }
}

fn polyline(reader: &mut Reader<'_, '_>) -> Option<Vec<Path>> {
    let has_bulge = reader.int(72).unwrap_or(0) != 0;
    let _closed = reader.int(73);
    let count = reader.int(93)?;
    let mut corners: Vec<(P, f64)> = Vec::new();
    for _ in 0..count {
        let p = reader.point(10)?;
        let bulge = if has_bulge { reader.next(42).unwrap_or(0.0) } else { 0.0 };
        corners.push((p, bulge));
    }
    let first = *corners.first()?;
    let mut path = Path { start: first.0, segs: Vec::new() };
    let mut at = first;
    for &next in corners[1..].iter().chain([&first]) {
        if next.0 != at.0 {
            bulged(at.0, next.0, at.1, &mut path.segs);
        }
        at = next;
    }
    (!path.segs.is_empty()).then(|| vec![path])
}

fn edges(reader: &mut Reader<'_, '_>) -> Option<Vec<Path>> {
    let count = reader.int(93)?;
    let mut chains: Vec<Path> = Vec::new();
    for _ in 0..count {
        let edge = match reader.int(72)? {
            1 => line(reader)?,
            2 => arc(reader)?,
            3 => ellipse(reader)?,
            4 => spline_edge(reader)?,
            _ => return None,
        };
        let size = edge.pieces().map(|p| p.length()).sum::<f64>();
        if size == 0.0 {
            continue;
        }
        let near = |a: P, b: P| distance(a, b) <= 1e-4 * size;
        let turned = crate::join::reversed(&edge);
        match chains.last_mut() {
            Some(chain) if near(chain.end(), edge.start) => chain.segs.extend(edge.segs),
            Some(chain) if near(chain.end(), turned.start) => chain.segs.extend(turned.segs),
            // The first edge may be drawn the other way round than the rest.
            Some(chain) if chain.segs.len() == 1 && near(chain.start, edge.start) => {
                *chain = crate::join::reversed(chain);
                chain.segs.extend(edge.segs);
            }
            Some(chain) if chain.segs.len() == 1 && near(chain.start, turned.start) => {
                *chain = crate::join::reversed(chain);
                chain.segs.extend(turned.segs);
            }
            _ => chains.push(edge),
        }
    }
    (!chains.is_empty()).then_some(chains)
}

fn line(reader: &mut Reader<'_, '_>) -> Option<Path> {
    let (start, to) = (reader.point(10)?, reader.point(11)?);
    Some(Path { start, segs: if start == to { Vec::new() } else { vec![Seg::Line { to }] } })
}

/// Start and sweep in degrees. Those that run clockwise are written as if seen from below.
fn sweep(reader: &mut Reader<'_, '_>) -> Option<(f64, f64)> {
    let (from, to) = (reader.next(50)?, reader.next(51)?);
    let ccw = reader.int(73).unwrap_or(1) != 0;
    let sweep = match (to - from).rem_euclid(360.0) {
        s if s < 1e-9 => 360.0,
        s => s,
    };
    Some(if ccw { (from, sweep) } else { (-from, -sweep) })
}

fn arc(reader: &mut Reader<'_, '_>) -> Option<Path> {
    let (centre, radius) = (reader.point(10)?, reader.next(40)?.abs());
    let (from, sweep) = sweep(reader)?;
    let on = |degrees: f64| Affine::turn(degrees).then(&Affine::translate(centre)).point([radius, 0.0]);
    let start = on(from);
    let mut segs = Vec::new();
    if radius > 0.0 {
        arc_from(start, centre, sweep.to_radians(), &mut segs);
        if sweep.abs() < 360.0
            && let Some(Seg::Arc { to, .. }) = segs.last_mut()
        {
            *to = on(from + sweep);
        }
    }
    Some(Path { start, segs })
}

fn ellipse(reader: &mut Reader<'_, '_>) -> Option<Path> {
    let (centre, major, ratio) = (reader.point(10)?, reader.point(11)?, reader.next(40)?.abs());
    let (from, sweep) = sweep(reader)?;
    let minor = [-major[1] * ratio, major[0] * ratio];
    let mut segs = Vec::new();
    if length(major) > 0.0 && ratio > 0.0 {
        elliptic(centre, major, minor, from.to_radians(), sweep.to_radians(), |s| segs.push(s));
    }
    let (sin, cos) = (libm::sin(from.to_radians()), libm::cos(from.to_radians()));
    let start = [0, 1].map(|k| centre[k] + major[k] * cos + minor[k] * sin);
    Some(Path { start, segs })
}

fn spline_edge(reader: &mut Reader<'_, '_>) -> Option<Path> {
    let mut spline = Spline { degree_of_curve: reader.int(94)?.clamp(0, 100) as i32, ..Spline::default() };
    let rational = reader.int(73).unwrap_or(0) != 0;
    let _periodic = reader.int(74);
    let (knots, points) = (reader.int(95)?, reader.int(96)?);
    for _ in 0..knots {
        spline.knot_values.push(reader.next(40)?);
    }
    for _ in 0..points {
        let [x, y] = reader.point(10)?;
        spline.control_points.push(Point::new(x, y, 0.0));
        if rational {
            spline.weight_values.push(reader.next(42)?);
        }
    }
    // Fit points and tangents came with R2010; 97 is also the count of the objects that a boundary was made from.
    if reader.tags.get(1).is_some_and(|t| t.code == 11) {
        let fits = reader.int(97)?;
        for _ in 0..fits {
            let [x, y] = reader.point(11)?;
            spline.fit_points.push(Point::new(x, y, 0.0));
        }
    } else if reader.tags.first().is_some_and(|t| t.code == 97) && reader.tags.get(1).is_some_and(|t| t.code != 330) {
        reader.int(97)?;
    }
    for code in [12, 13] {
        if reader.tags.first().is_some_and(|t| t.code == code) {
            reader.point(code)?;
        }
    }
    spline::path(&spline, 0).ok().map(|drawn| drawn.path)
}

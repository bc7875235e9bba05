//! Contours as drawn, in nanometres: made from paths and from shapes that were typed.

use sheetloft_shapes::{Contour, Point, Segment, Shape};

use crate::curve::{Affine, P, Path, Seg, cross, distance, length, lerp, sub};

/// An arc that bulges less than this is a line, nm: its centre would be far away and say nothing.
const FLAT_NM: f64 = 50.0;

/// A contour of straight lines from corner to corner of a ring in µm.
pub fn contour_of_ring(ring: &[Point]) -> Contour {
    let nm = |p: &Point| [i64::from(p.x) * 1000, i64::from(p.y) * 1000];
    let start = ring.first().map_or([0, 0], nm);
    let segments = ring.iter().skip(1).chain(ring.first()).map(|p| Segment::Line { to: nm(p) }).collect();
    Contour { start, segments }
}

/// The contours of a shape that was given by its corners: the outline, then the holes.
pub fn contours_of_shape(shape: &Shape) -> Vec<Contour> {
    shape.rings().map(contour_of_ring).collect()
}

fn round(p: P) -> [i64; 2] {
    [libm::round(p[0]) as i64, libm::round(p[1]) as i64]
}

/// A path in nm, rounded to whole nanometres. Strokes that come to nothing are dropped, arcs that are next to
/// straight become lines.
pub(crate) fn contour_of_path(path: &Path) -> Contour {
    let start = round(path.start);
    let mut at = start;
    let mut segments = Vec::with_capacity(path.segs.len());
    for piece in path.pieces() {
        let to = round(piece.to());
        let segment = match piece.seg {
            Seg::Line { .. } => Segment::Line { to },
            Seg::Arc { centre, ccw, .. } => {
                let bulge = distance(piece.point(0.5), lerp(piece.from, piece.to(), 0.5));
                if bulge < FLAT_NM { Segment::Line { to } } else { Segment::Arc { to, centre: round(centre), ccw } }
            }
            Seg::Cubic { c1, c2, .. } => {
                let chord = sub(piece.to(), piece.from);
                let off = |c: P| cross(sub(c, piece.from), chord).abs() <= length(chord);
                // Control points on the chord, between its ends: a straight line.
                let between = |c: P| distance(c, piece.from) + distance(c, piece.to()) <= length(chord) + 2.0;
                if off(c1) && off(c2) && between(c1) && between(c2) {
                    Segment::Line { to }
                } else {
                    Segment::Cubic { c1: round(c1), c2: round(c2), to }
                }
            }
        };
        let loops = matches!(segment, Segment::Cubic { .. }) && piece.length() > 2.0 * FLAT_NM;
        if to != at || loops {
            segments.push(segment);
            at = to;
        }
    }
    Contour { start, segments }
}

/// A contour as a path, in nm.
pub(crate) fn path_nm(contour: &Contour) -> Path {
    let nm = |p: [i64; 2]| [p[0] as f64, p[1] as f64];
    let segs = contour
        .segments
        .iter()
        .map(|s| match *s {
            Segment::Line { to } => Seg::Line { to: nm(to) },
            Segment::Arc { to, centre, ccw } => Seg::Arc { to: nm(to), centre: nm(centre), ccw },
            Segment::Cubic { c1, c2, to } => Seg::Cubic { c1: nm(c1), c2: nm(c2), to: nm(to) },
        })
        .collect();
    Path { start: nm(contour.start), segs }
}

/// A contour as a path, in µm.
pub(crate) fn path_um(contour: &Contour) -> Path {
    path_nm(contour).moved(&Affine::scale(1e-3, 1e-3))
}

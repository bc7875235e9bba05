//! Finds the circular arcs among cubic curves.
//!
//! SVG is read, and PDF is written, with arcs as cubic curves by one rule: end points and tangents on the circle, the
//! control points 4/3·tan(sweep/4) radii along the tangents. A curve that follows the rule is taken as the arc that
//! was meant, from which it differs by up to 3 parts in 10⁴ of the radius at a quarter of a circle.

use std::f64::consts::{FRAC_PI_2, PI};

use crate::curve::{P, Path, Piece, Seg, add, cross, distance, dot, left, length, lerp, scale, sub, unit};

/// Sweeps of which nobody would make an arc.
const LEAST: f64 = 0.004;
/// The widest sweep that programs write as one curve, and a little for rounding.
const MOST: f64 = FRAC_PI_2 + 0.01;
/// Control points off the rule by more than this part of their distance are off it.
const RULE: f64 = 4e-3;

/// The same path, with arcs where its curves follow the rule to within `near`.
pub(crate) fn with_arcs(path: Path, near: f64) -> Path {
    if !path.segs.iter().any(|s| matches!(s, Seg::Cubic { .. })) {
        return path;
    }
    let pieces: Vec<Piece> = path.pieces().collect();
    let found: Vec<Option<P>> = pieces.iter().map(|p| centre(p, near)).collect();
    let mut out = Path { start: path.start, segs: Vec::with_capacity(pieces.len()) };
    let mut i = 0;
    while i < pieces.len() {
        let Some(first) = found[i] else {
            out.segs.push(pieces[i].seg);
            i += 1;
            continue;
        };
        // What goes on around the same circle has the same centre, to the last digit.
        let (radius, ccw) = (distance(pieces[i].from, first), bends_left(&pieces[i]));
        let alike = |k: usize| {
            let reach = 4.0 * near + 1e-3 * radius;
            found[k].is_some_and(|c| bends_left(&pieces[k]) == ccw && distance(c, first) <= reach)
        };
        let last = (i + 1..pieces.len()).find(|k| !alike(*k)).unwrap_or(pieces.len());
        let (end, centre, radius) = match around(&pieces[i..last], near) {
            Some((centre, radius)) => (last, centre, radius),
            None => (i + 1, first, radius),
        };
        let on = |p: P| add(centre, scale(unit(sub(p, centre)), radius));
        let is_full = i == 0 && end == pieces.len() && distance(pieces[0].from, pieces[end - 1].to()) <= near;
        if is_full {
            out.start = on(path.start);
        }
        let run = &pieces[i..end];
        out.segs.extend(run[..run.len() - 1].iter().map(|p| Seg::Arc { to: on(p.to()), centre, ccw }));
        let to = if is_full { out.start } else { run[run.len() - 1].to() };
        out.segs.push(Seg::Arc { to, centre, ccw });
        i = end;
    }
    out
}

/// The circle around which all these pieces run, if it is one: centre and radius.
fn around(pieces: &[Piece], near: f64) -> Option<(P, f64)> {
    let ends: Vec<P> = pieces.iter().map(|p| p.from).chain(pieces.last().map(Piece::to)).collect();
    let centre = fitted(&ends)?;
    let radius = ends.iter().map(|p| distance(*p, centre)).sum::<f64>() / ends.len() as f64;
    ends.iter().all(|p| (distance(*p, centre) - radius).abs() <= 2.0 * near).then_some((centre, radius))
}

/// The centre of the circle that lies nearest to points, in the sense of least squares of x² + y² + bx + cy + d (Kåsa,
/// IEEE Transactions on Instrumentation and Measurement, 1976); none for fewer than four points or next to straight ones.
fn fitted(points: &[P]) -> Option<P> {
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let mean = points.iter().fold([0.0; 2], |sum, p| add(sum, scale(*p, 1.0 / n)));
    let (mut xx, mut xy, mut yy, mut xz, mut yz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points {
        let [x, y] = sub(*p, mean);
        let z = x * x + y * y;
        (xx, xy, yy, xz, yz) = (xx + x * x, xy + x * y, yy + y * y, xz + x * z, yz + y * z);
    }
    let det = xx * yy - xy * xy;
    if det <= 1e-9 * (xx + yy) * (xx + yy) {
        return None;
    }
    Some(add(mean, [(xz * yy - yz * xy) / (2.0 * det), (yz * xx - xz * xy) / (2.0 * det)]))
}

fn bends_left(piece: &Piece) -> bool {
    cross(piece.direction(0.0), piece.direction(1.0)) > 0.0
}

/// The centre of the arc that a curve stands for.
fn centre(piece: &Piece, near: f64) -> Option<P> {
    let Seg::Cubic { c1, c2, to } = piece.seg else { return None };
    let (a, b, chord) = (sub(c1, piece.from), sub(to, c2), sub(to, piece.from));
    let half_chord = length(chord) / 2.0;
    let sweep = libm::atan2(cross(a, b), dot(a, b));
    if half_chord <= near || !(LEAST..=MOST).contains(&sweep.abs()) {
        return None;
    }
    let radius = half_chord / libm::sin(sweep.abs() / 2.0);
    let middle = lerp(piece.from, to, 0.5);
    let off = radius * libm::cos(sweep / 2.0) * sweep.signum();
    let centre = add(middle, scale(unit(left(chord)), off));
    // Where the rule would have the control points.
    let reach = 4.0 / 3.0 * libm::tan(sweep.abs() / 4.0) * radius;
    let along = |p: P| scale(unit(left(sub(p, centre))), reach * sweep.signum());
    let least = near.min(RULE * reach);
    let follows =
        distance(c1, add(piece.from, along(piece.from))) <= least && distance(c2, sub(to, along(to))) <= least;
    (follows && radius < 1e6 * half_chord && sweep.abs() <= PI).then_some(centre)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::{area2, elliptic};

    fn cubics(centre: P, x: P, y: P, from: f64, sweep: f64) -> Path {
        let mut segs = Vec::new();
        elliptic(centre, x, y, from, sweep, |s| segs.push(s));
        let (sin, cos) = from.sin_cos();
        Path { start: [0, 1].map(|k| centre[k] + x[k] * cos + y[k] * sin), segs }
    }

    #[test]
    fn circles_come_back_and_ellipses_do_not() {
        let circle = cubics([7.0, 9.0], [100.0, 0.0], [0.0, 100.0], 0.3, 2.0 * PI);
        // As a file with three decimals has it.
        let rounded = Path {
            start: circle.start.map(|v| (v * 1e3).round() / 1e3),
            segs: circle
                .segs
                .iter()
                .map(|s| match *s {
                    Seg::Cubic { c1, c2, to } => {
                        let [c1, c2, to] = [c1, c2, to].map(|p| p.map(|v| (v * 1e3).round() / 1e3));
                        Seg::Cubic { c1, c2, to }
                    }
                    other => other,
                })
                .collect(),
        };
        for path in [circle, rounded] {
            let arcs = with_arcs(path, 0.005);
            let centres: Vec<_> = arcs
                .segs
                .iter()
                .map(|s| match s {
                    Seg::Arc { centre, .. } => *centre,
                    other => panic!("{other:?}"),
                })
                .collect();
            assert!(centres.iter().all(|c| *c == centres[0]) && distance(centres[0], [7.0, 9.0]) < 1e-3);
            assert!((area2(&arcs) / 2.0 - PI * 1e4).abs() < 0.5, "{}", area2(&arcs) / 2.0);
            assert_eq!(arcs.end(), arcs.start);
        }
        let ellipse = cubics([0.0; 2], [100.0, 0.0], [0.0, 97.0], 0.0, 2.0 * PI);
        assert_eq!(with_arcs(ellipse.clone(), 0.005), ellipse);
    }

    #[test]
    fn a_curve_that_only_looks_like_an_arc_stays_a_curve() {
        let path = Path {
            start: [0.0, 0.0],
            segs: vec![Seg::Cubic { c1: [55.0, 0.0], c2: [100.0, 45.0], to: [100.0, 100.0] }],
        };
        assert_eq!(with_arcs(path.clone(), 0.005), path);
    }

    #[test]
    fn arcs_between_lines_keep_their_ends() {
        let quarter = cubics([0.0; 2], [50.0, 0.0], [0.0, 50.0], 0.0, PI / 2.0);
        let mut path = quarter.clone();
        path.segs.push(Seg::Line { to: [0.0; 2] });
        let arcs = with_arcs(path.clone(), 0.005);
        assert_eq!((arcs.start, arcs.end()), (path.start, path.end()));
        assert_eq!(arcs.segs.len(), path.segs.len());
        assert!(arcs.segs[..quarter.segs.len()].iter().all(|s| matches!(s, Seg::Arc { ccw: true, .. })));
    }
}

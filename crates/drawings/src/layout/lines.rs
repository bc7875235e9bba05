//! Straight lines that two contours share are kept in the first only.

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use super::Drawn;
use crate::curve::{P, Path, Piece, Seg, distance, distance_to_segment, dot, lerp, sub};

/// Lines this near are one, nm.
const SAME_NM: f64 = 1000.0;
/// What is shared along less than this is not worth opening a contour for, nm.
const LEAST_NM: f64 = 20_000.0;

/// Draws closed paths in their order, leaving out what was drawn before.
pub(super) fn once(paths: Vec<Path>) -> Vec<Drawn> {
    let lines: Vec<(usize, P, P)> = paths
        .iter()
        .enumerate()
        .flat_map(|(i, path)| {
            path.pieces()
                .filter(|p| matches!(p.seg, Seg::Line { .. }))
                .map(move |p| (i, p.from, p.to()))
                .collect::<Vec<_>>()
        })
        .collect();
    let tree = RTree::bulk_load(
        lines.iter().enumerate().map(|(n, l)| GeomWithData::new(Rectangle::from_corners(l.1, l.2), n)).collect(),
    );
    let mut out = Vec::with_capacity(paths.len());
    for (i, path) in paths.into_iter().enumerate() {
        let mut runs: Vec<Path> = Vec::new();
        let mut whole = true;
        for piece in path.pieces() {
            let gone = if matches!(piece.seg, Seg::Line { .. }) {
                let reach = AABB::from_corners(
                    [piece.from[0].min(piece.to()[0]) - SAME_NM, piece.from[1].min(piece.to()[1]) - SAME_NM],
                    [piece.from[0].max(piece.to()[0]) + SAME_NM, piece.from[1].max(piece.to()[1]) + SAME_NM],
                );
                let earlier = tree.locate_in_envelope_intersecting(&reach).map(|l| lines[l.data]).filter(|l| l.0 < i);
                covered(&piece, earlier)
            } else {
                Vec::new()
            };
            whole &= gone.is_empty();
            for (from, seg) in kept(&piece, &gone) {
                match runs.last_mut() {
                    Some(run) if run.end() == from => run.segs.push(seg),
                    _ => runs.push(Path { start: from, segs: vec![seg] }),
                }
            }
        }
        if whole {
            out.push(Drawn { path, closed: true });
            continue;
        }
        // The last run goes on in the first, where the contour's start was not left out.
        if runs.len() > 1 && runs[runs.len() - 1].end() == runs[0].start {
            let first = runs.remove(0);
            if let Some(last) = runs.last_mut() {
                last.segs.extend(first.segs);
            }
        }
        out.extend(runs.into_iter().map(|path| Drawn { path, closed: false }));
    }
    out
}

/// The stretches of a line, as parts of it from 0 to 1, that lie on earlier ones; in order and apart.
fn covered(line: &Piece, earlier: impl Iterator<Item = (usize, P, P)>) -> Vec<(f64, f64)> {
    let (a, b) = (line.from, line.to());
    let along = sub(b, a);
    let l2 = dot(along, along);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (_, c, d) in earlier {
        let (t, u) = (dot(sub(c, a), along) / l2, dot(sub(d, a), along) / l2);
        let (lo, hi) = (t.min(u).max(0.0), t.max(u).min(1.0));
        let long = (hi - lo) * distance(a, b) >= LEAST_NM;
        if long && [lo, hi].iter().all(|t| distance_to_segment(lerp(a, b, *t), c, d) <= SAME_NM) {
            found.push((lo, hi));
        }
    }
    found.sort_by(|x, y| x.0.total_cmp(&y.0));
    let near = SAME_NM / distance(a, b);
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (lo, hi) in found {
        // Ends that are nearly there are there.
        let (lo, hi) = (if lo < near { 0.0 } else { lo }, if hi > 1.0 - near { 1.0 } else { hi });
        match merged.last_mut() {
            Some(last) if lo <= last.1 + near => last.1 = last.1.max(hi),
            _ => merged.push((lo, hi)),
        }
    }
    merged
}

/// What is left of a stroke, each with its start.
fn kept(piece: &Piece, gone: &[(f64, f64)]) -> Vec<(P, Seg)> {
    if gone.is_empty() {
        return vec![(piece.from, piece.seg)];
    }
    let mut left = Vec::new();
    let mut from = 0.0;
    for &(lo, hi) in gone.iter().chain([&(1.0, 1.0)]) {
        if lo > from {
            let point = |t: f64| match t {
                0.0 => piece.from,
                1.0 => piece.to(),
                t => lerp(piece.from, piece.to(), t).map(libm::round),
            };
            left.push((point(from), Seg::Line { to: point(lo) }));
        }
        from = hi;
    }
    left
}

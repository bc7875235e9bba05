//! Lines and arcs that lie on one another in part are cut at each other's ends, so that what is drawn twice becomes
//! twins, of which one is dropped.

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{RTree, RTreeObject};

use crate::DrawingError;
use crate::curve::{Bounds, P, Piece, Seg, cross, distance, dot, length, sub};
use crate::join::SAME_NM;
use crate::nest::Budget;

/// Where each stroke is to be cut, as parts of it between 0 and 1, in order; nothing for most.
///
/// # Errors
/// Where there are too many pairs to look at.
pub(crate) fn cuts(pieces: &[Piece], budget: &Budget) -> Result<Vec<Vec<f64>>, DrawingError> {
    let mut cuts = vec![Vec::new(); pieces.len()];
    let boxes = pieces.iter().enumerate().filter(|(_, p)| !matches!(p.seg, Seg::Cubic { .. })).map(|(i, piece)| {
        let mut bounds = Bounds::of(piece.from);
        piece.grow(&mut bounds);
        GeomWithData::new(Rectangle::from_corners(bounds.lo, bounds.hi), i)
    });
    let tree = RTree::bulk_load(boxes.collect());
    for one in tree.iter() {
        for other in tree.locate_in_envelope_intersecting(&one.envelope()) {
            budget.spend(1)?;
            let (i, j) = (one.data, other.data);
            if i < j && shares(&pieces[i], &pieces[j]) {
                cuts[i].extend(ends_on(&pieces[i], &pieces[j]));
                cuts[j].extend(ends_on(&pieces[j], &pieces[i]));
            }
        }
    }
    for (cuts, piece) in cuts.iter_mut().zip(pieces) {
        cuts.sort_by(f64::total_cmp);
        let near = SAME_NM / piece.length().max(SAME_NM);
        cuts.dedup_by(|b, a| *b - *a <= near);
    }
    Ok(cuts)
}

/// A stroke cut at parts of it between 0 and 1.
pub(crate) fn cut(piece: &Piece, at: &[f64]) -> Vec<Piece> {
    let mut out = Vec::with_capacity(at.len() + 1);
    let mut from = piece.from;
    for to in at.iter().map(|t| piece.point(*t).map(libm::round)).chain([piece.to()]) {
        let seg = match piece.seg {
            Seg::Arc { centre, ccw, .. } => Seg::Arc { to, centre, ccw },
            _ => Seg::Line { to },
        };
        out.push(Piece { from, seg });
        from = to;
    }
    out
}

/// Whether two strokes lie on one line or one circle.
fn shares(a: &Piece, b: &Piece) -> bool {
    match (a.seg, b.seg) {
        (Seg::Line { .. }, Seg::Line { .. }) => {
            let (u, v) = (sub(a.to(), a.from), sub(b.to(), b.from));
            let (long, short, line) = if length(u) >= length(v) { (u, b, a) } else { (v, a, b) };
            let size = length(long);
            let off = |p: P| cross(long, sub(p, line.from)).abs() / size;
            size > 0.0 && off(short.from) <= SAME_NM && off(short.to()) <= SAME_NM
        }
        (Seg::Arc { centre: c, ccw, .. }, Seg::Arc { centre: d, ccw: other, .. }) => {
            let radius = |p: &Piece, c, ccw| p.arc(c, ccw).2;
            distance(c, d) <= SAME_NM && (radius(a, c, ccw) - radius(b, d, other)).abs() <= SAME_NM
        }
        _ => false,
    }
}

/// The ends of `other` that lie between the ends of `piece`, as parts of it. Both lie on one line or one circle.
fn ends_on(piece: &Piece, other: &Piece) -> impl Iterator<Item = f64> {
    let ends = [other.from, other.to()];
    let piece = *piece;
    ends.into_iter().filter_map(move |p| {
        let t = match piece.seg {
            Seg::Line { to } => {
                let along = sub(to, piece.from);
                dot(sub(p, piece.from), along) / dot(along, along)
            }
            Seg::Arc { centre, ccw, .. } => {
                let (_, sweep, _) = piece.arc(centre, ccw);
                let (a, b) = (sub(piece.from, centre), sub(p, centre));
                let angle = libm::atan2(cross(a, b), dot(a, b));
                let full = std::f64::consts::TAU;
                (if ccw { angle.rem_euclid(full) } else { angle.rem_euclid(full) - full }) / sweep
            }
            Seg::Cubic { .. } => return None,
        };
        if !(t > 0.0 && t < 1.0) {
            return None;
        }
        let at = piece.point(t);
        // What lies at an end already cuts nothing off.
        (distance(at, piece.from) > 2.0 * SAME_NM
            && distance(at, piece.to()) > 2.0 * SAME_NM
            && distance(at, p) <= 2.0 * SAME_NM)
            .then_some(t)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(a: P, b: P) -> Piece {
        Piece { from: a, seg: Seg::Line { to: b } }
    }

    #[test]
    fn lines_are_cut_where_others_on_them_end_and_nowhere_else() {
        let mm = 1e6;
        let pieces = [
            line([0.0, 0.0], [100.0 * mm, 0.0]),
            line([60.0 * mm, 0.0], [20.0 * mm, 0.0]),
            // Touches at an end, crosses, runs beside.
            line([100.0 * mm, 0.0], [100.0 * mm, 50.0 * mm]),
            line([50.0 * mm, -50.0 * mm], [50.0 * mm, 50.0 * mm]),
            line([0.0, 0.1 * mm], [100.0 * mm, 0.1 * mm]),
        ];
        let found = cuts(&pieces, &Budget::new()).unwrap();
        let near = |got: &[f64], want: &[f64]| {
            got.len() == want.len() && got.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-9)
        };
        assert!(near(&found[0], &[0.2, 0.6]), "{found:?}");
        assert!(found[1..].iter().all(Vec::is_empty), "{found:?}");
        let parts = cut(&pieces[0], &found[0]);
        assert_eq!(
            parts.iter().map(Piece::to).collect::<Vec<_>>(),
            [[20.0 * mm, 0.0], [60.0 * mm, 0.0], [100.0 * mm, 0.0]]
        );
    }

    #[test]
    fn arcs_are_cut_whichever_way_they_run() {
        let r = 50e6;
        let at = |degrees: f64| [r * degrees.to_radians().cos(), r * degrees.to_radians().sin()];
        let arc = |from: f64, to: f64, ccw: bool| Piece {
            from: at(from),
            seg: Seg::Arc { to: at(to), centre: [0.0; 2], ccw },
        };
        let found = cuts(&[arc(0.0, 100.0, true), arc(160.0, 50.0, false)], &Budget::new()).unwrap();
        assert!((found[0][0] - 0.5).abs() < 1e-9 && (found[1][0] - 60.0 / 110.0).abs() < 1e-9, "{found:?}");
        let parts = cut(&arc(0.0, 100.0, true), &found[0]);
        assert!((parts.iter().map(Piece::length).sum::<f64>() - r * 100f64.to_radians()).abs() < 2.0);
    }
}

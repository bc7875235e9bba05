//! Whether two parts are the same shape, moved or turned but not mirrored.
//!
//! A part is taken as its strokes: where each starts, ends and passes its middle, with arcs of one circle and lines in
//! one direction taken together, so that it does not matter where a contour starts. Two are the same where some turn
//! about their centres of area brings each stroke of one onto one of the other.

use std::collections::HashMap;

use sheetloft_shapes::Contour;

use crate::curve::{P, Path, Piece, Seg, add, area2, cross, distance, distance_to_segment, length, scale, sub, unit};
use crate::source::path_um;

/// Strokes this near are the same, µm: less than any cut can tell, more than rounding to three decimals of
/// a millimetre leaves.
const NEAR_UM: f64 = 10.0;
/// So many turns are tried.
const TURNS_MOST: usize = 512;

/// So many lines in one direction are taken together.
const RUN_MOST: usize = 200;

/// What is compared.
pub(crate) struct Likeness {
    strokes: Vec<Mark>,
    contours: usize,
    area: f64,
}

/// A stroke, or a full circle, relative to the centre of area, µm.
#[derive(Clone, Copy)]
struct Mark {
    kind: u8,
    /// Start, middle and end; of a circle, its centre and the radius.
    points: [P; 3],
}

const LINE: u8 = 0;
const ARC: u8 = 1;
const CUBIC: u8 = 2;
const CIRCLE: u8 = 3;

impl Likeness {
    pub(crate) fn of(source: &[Contour]) -> Self {
        let paths: Vec<Path> = source.iter().map(path_um).collect();
        let mut marks: Vec<Mark> = paths.iter().flat_map(marks).collect();
        let area = paths.iter().map(area2).sum::<f64>() / 2.0;
        let centre = centre(&paths);
        for mark in &mut marks {
            let last = if mark.kind == CIRCLE { 1 } else { 3 };
            mark.points[..last].iter_mut().for_each(|p| *p = sub(*p, centre));
        }
        Self { strokes: marks, contours: source.len(), area }
    }

    /// Numbers that are equal, or next to it for the last, for parts that are the same.
    pub(crate) fn size(&self) -> (usize, usize, i64) {
        // The area of equal parts differs by less than the tolerance times the size: a few parts in a thousand of
        // small ones. The root is a length, and steps of ten tolerances are wide enough.
        (self.contours, self.strokes.len(), (libm::sqrt(self.area.max(0.0)) / (10.0 * NEAR_UM)) as i64)
    }

    /// Whether both are the same but for a move and a turn.
    pub(crate) fn same(&self, other: &Self) -> bool {
        if self.strokes.len() != other.strokes.len() || self.contours != other.contours {
            return false;
        }
        // The mark furthest from the centre says the turn best.
        let off = |m: &Mark| length(m.points[0]);
        let Some(anchor) = self.strokes.iter().max_by(|a, b| off(a).total_cmp(&off(b))) else { return true };
        let far = off(anchor);
        if far <= NEAR_UM {
            // Circles around one centre: no turn makes a difference.
            return matches(self, other, [1.0, 0.0]);
        }
        other.strokes.iter().filter(|m| m.kind == anchor.kind && (off(m) - far).abs() <= NEAR_UM).take(TURNS_MOST).any(
            |m| {
                let (a, b) = (unit(anchor.points[0]), unit(m.points[0]));
                matches(self, other, [a[0] * b[0] + a[1] * b[1], cross(a, b)])
            },
        )
    }
}

/// Whether each stroke of one, turned by this cosine and sine, lies on one of the other.
fn matches(one: &Likeness, other: &Likeness, [cos, sin]: P) -> bool {
    let square = |p: P| ((p[0] / (4.0 * NEAR_UM)).floor() as i64, (p[1] / (4.0 * NEAR_UM)).floor() as i64);
    let mut at: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    for (i, m) in other.strokes.iter().enumerate() {
        at.entry(square(m.points[0])).or_default().push(i);
    }
    let mut taken = vec![false; other.strokes.len()];
    one.strokes.iter().all(|m| {
        let turned = m.points.map(|p| [p[0] * cos - p[1] * sin, p[0] * sin + p[1] * cos]);
        let (x, y) = square(turned[0]);
        let near = (x - 1..=x + 1).flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)));
        let found = near.filter_map(|s| at.get(&s)).flatten().copied().find(|&i| {
            let n = &other.strokes[i];
            let rest = if m.kind == CIRCLE {
                (m.points[1][0] - n.points[1][0]).abs() <= NEAR_UM
            } else {
                (1..3).all(|k| distance(turned[k], n.points[k]) <= NEAR_UM)
            };
            !taken[i] && m.kind == n.kind && distance(turned[0], n.points[0]) <= NEAR_UM && rest
        });
        found.is_some_and(|i| !std::mem::replace(&mut taken[i], true))
    })
}

/// The centre of area of contours whose directions say what is hole, from their corners and middles.
fn centre(paths: &[Path]) -> P {
    let origin = paths.first().map_or([0.0; 2], |p| p.start);
    let (mut sum, mut weight) = ([0.0; 2], 0.0);
    for path in paths {
        let mut corners = vec![path.start];
        path.pieces().for_each(|piece| piece.chords(NEAR_UM, &mut |p| corners.push(p)));
        for pair in corners.windows(2) {
            let (a, b) = (sub(pair[0], origin), sub(pair[1], origin));
            let w = cross(a, b);
            sum = add(sum, scale(add(a, b), w / 3.0));
            weight += w;
        }
    }
    if weight == 0.0 { origin } else { add(origin, scale(sum, 1.0 / weight)) }
}

/// The strokes of a contour, with what belongs together taken together.
fn marks(path: &Path) -> Vec<Mark> {
    let pieces: Vec<Piece> = path.pieces().filter(|p| p.length() > NEAR_UM / 10.0).collect();
    let n = pieces.len();
    // Start behind a corner, if there is one.
    let Some(first) = (0..n).find(|&i| !goes_on(&pieces[(i + n - 1) % n], &pieces[i])) else {
        return match pieces.first() {
            Some(Piece { seg: Seg::Arc { centre, ccw, .. }, .. }) => {
                let (_, sweep, radius) = pieces[0].arc(*centre, *ccw);
                vec![Mark { kind: CIRCLE, points: [*centre, [radius * sweep.signum(), 0.0], [0.0; 2]] }]
            }
            _ => Vec::new(),
        };
    };
    let mut runs: Vec<Vec<&Piece>> = Vec::new();
    for k in 0..n {
        let piece = &pieces[(first + k) % n];
        match runs.last_mut() {
            Some(run) if goes_on(run[run.len() - 1], piece) && on_line(run, piece) => run.push(piece),
            _ => runs.push(vec![piece]),
        }
    }
    runs.iter()
        .map(|run| {
            let (from, to) = (run[0].from, run[run.len() - 1].to());
            let (kind, middle) = match run[0].seg {
                Seg::Line { .. } => (LINE, scale(add(from, to), 0.5)),
                Seg::Cubic { .. } => (CUBIC, run[0].point(0.5)),
                Seg::Arc { centre, ccw, .. } => {
                    let sweep: f64 = run.iter().map(|p| p.arc(centre, ccw).1).sum();
                    let (start, _, radius) = run[0].arc(centre, ccw);
                    let angle = start + sweep / 2.0;
                    (ARC, [centre[0] + radius * libm::cos(angle), centre[1] + radius * libm::sin(angle)])
                }
            };
            Mark { kind, points: [from, middle, to] }
        })
        .collect()
}

/// Whether a stroke goes on in the line or the circle of the one before.
fn goes_on(before: &Piece, piece: &Piece) -> bool {
    match (before.seg, piece.seg) {
        (Seg::Line { .. }, Seg::Line { to }) => {
            distance_to_segment(piece.from, before.from, to) <= NEAR_UM / 10.0
                && crate::curve::dot(before.direction(1.0), piece.direction(0.0)) > 0.0
        }
        (Seg::Arc { centre: a, ccw: x, .. }, Seg::Arc { centre: b, ccw: y, .. }) => {
            x == y && distance(a, b) <= NEAR_UM / 10.0
        }
        _ => false,
    }
}

/// Whether a run of lines stays straight with one more: many small bends are a large one.
fn on_line(run: &[&Piece], piece: &Piece) -> bool {
    !matches!(piece.seg, Seg::Line { .. })
        || run.len() < RUN_MOST
            && run.iter().all(|p| distance_to_segment(p.to(), run[0].from, piece.to()) <= NEAR_UM / 10.0)
}

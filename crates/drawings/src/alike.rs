//! Whether two parts are the same shape, moved or turned but not mirrored.
//!
//! A part is taken as its strokes: where each starts, ends and passes its middle, with arcs of one circle and lines in
//! one direction taken together, so that it does not matter where a contour starts. Two are the same where some turn
//! about their centres of area brings each stroke of one onto one of the other.

use std::collections::HashMap;

use sheetloft_shapes::Contour;

use crate::curve::{
    P, Path, Piece, Seg, add, area2, cross, distance, distance_to_segment, dot, length, scale, sub, unit,
};
use crate::nest::Budget;
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
    /// By kind, then by how far they start from the centre.
    strokes: Vec<Mark>,
    contours: usize,
    area: f64,
    /// The stroke of which there are fewest alike: it says a turn best.
    anchor: usize,
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
        marks.sort_by(|a, b| (a.kind, a.far()).partial_cmp(&(b.kind, b.far())).unwrap_or(std::cmp::Ordering::Equal));
        let anchor = anchor(&marks);
        Self { strokes: marks, contours: source.len(), area, anchor }
    }

    /// Numbers that are equal, or next to it for the last, for parts that are the same.
    pub(crate) fn size(&self) -> (usize, usize, i64) {
        // The area of equal parts differs by less than the tolerance times the size: a few parts in a thousand of
        // small ones. The root is a length, and steps of ten tolerances are wide enough.
        (self.contours, self.strokes.len(), (libm::sqrt(self.area.max(0.0)) / (10.0 * NEAR_UM)) as i64)
    }

    /// Whether both are the same but for a move and a turn. Takes of the budget what it costs; where that is spent,
    /// they count as different.
    pub(crate) fn same(&self, other: &Self, budget: &Budget) -> bool {
        let n = self.strokes.len();
        if n != other.strokes.len() || self.contours != other.contours || budget.spend(1 + n / 16).is_err() {
            return false;
        }
        let Some(anchor) = self.strokes.get(self.anchor) else { return true };
        // Neither a move nor a turn changes how far strokes are from the centre.
        if !self
            .strokes
            .iter()
            .zip(&other.strokes)
            .all(|(a, b)| a.kind == b.kind && (a.far() - b.far()).abs() <= NEAR_UM)
        {
            return false;
        }
        let places = Places::new(&other.strokes);
        if anchor.far() <= NEAR_UM {
            // Circles around one centre: no turn makes a difference.
            return places.hold(&self.strokes, [1.0, 0.0]);
        }
        let towards = unit(anchor.points[0]);
        other
            .strokes
            .iter()
            .filter(|m| m.is_like(anchor))
            .take(TURNS_MOST)
            .take_while(|_| budget.spend(1 + n / 4).is_ok())
            .any(|m| {
                let b = unit(m.points[0]);
                places.hold(&self.strokes, [dot(towards, b), cross(towards, b)])
            })
    }
}

impl Mark {
    /// How far the stroke starts from the centre of area.
    fn far(&self) -> f64 {
        length(self.points[0])
    }

    /// From end to end; of a circle, its radius.
    fn size(&self) -> f64 {
        if self.kind == CIRCLE { self.points[1][0].abs() } else { distance(self.points[0], self.points[2]) }
    }

    /// Whether a turn may bring one onto the other.
    fn is_like(&self, other: &Self) -> bool {
        let near = |a: f64, b: f64| (a - b).abs() <= 2.0 * NEAR_UM;
        self.kind == other.kind && near(self.far(), other.far()) && near(self.size(), other.size())
    }
}

/// The stroke with the fewest like it, of those not too near the centre; of several, the furthest out.
fn anchor(marks: &[Mark]) -> usize {
    let furthest = marks.iter().map(Mark::far).fold(0.0, f64::max);
    let class = |m: &Mark| (m.kind, (m.far() / (4.0 * NEAR_UM)) as i64, (m.size() / (4.0 * NEAR_UM)) as i64);
    let mut classes: HashMap<(u8, i64, i64), usize> = HashMap::new();
    marks.iter().for_each(|m| *classes.entry(class(m)).or_default() += 1);
    let rank = |i: &usize| (std::cmp::Reverse(classes[&class(&marks[*i])]), marks[*i].far());
    (0..marks.len())
        .filter(|&i| marks[i].far() >= 0.2 * furthest)
        .max_by(|a, b| rank(a).partial_cmp(&rank(b)).unwrap_or(std::cmp::Ordering::Equal))
        .unwrap_or(0)
}

/// Strokes by the squares of a grid in which they start.
struct Places<'a> {
    strokes: &'a [Mark],
    squares: HashMap<(i64, i64), Vec<usize>>,
}

impl<'a> Places<'a> {
    fn new(strokes: &'a [Mark]) -> Self {
        let mut squares: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (i, m) in strokes.iter().enumerate() {
            squares.entry(square(m.points[0])).or_default().push(i);
        }
        Self { strokes, squares }
    }

    /// Whether each of these strokes, turned by this cosine and sine, lies on one of ours.
    fn hold(&self, strokes: &[Mark], [cos, sin]: P) -> bool {
        let mut taken = vec![false; self.strokes.len()];
        strokes.iter().all(|m| {
            let turned = m.points.map(|p| [p[0] * cos - p[1] * sin, p[0] * sin + p[1] * cos]);
            let (x, y) = square(turned[0]);
            let near = (x - 1..=x + 1).flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)));
            let found = near.filter_map(|s| self.squares.get(&s)).flatten().copied().find(|&i| {
                let n = &self.strokes[i];
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
}

fn square(p: P) -> (i64, i64) {
    (libm::floor(p[0] / (4.0 * NEAR_UM)) as i64, libm::floor(p[1] / (4.0 * NEAR_UM)) as i64)
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
                && dot(before.direction(1.0), piece.direction(0.0)) > 0.0
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

//! Curves as chords on the safe side.
//!
//! A contour is walked with the material on its left. Where the shape must not come out smaller than drawn, every
//! chord runs to the right of the curve or on it; where it must not come out larger, to the left. Where that is the
//! inside of a bend, corners lie on the curve; where it is the outside, on the tangents.

use sheetloft_shapes::{Point, Ring, limits};

use crate::curve::{
    P, Path, Piece, Seg, add, arc_steps, cross, distance, distance_to_segment, dot, left, length, scale, sub, unit,
};

/// How far chords may be off, µm.
pub(crate) const CHORD_UM: f64 = 50.0;
/// Corners on curves are moved this far to the safe side, µm, so that rounding (0.71 µm) does not bring them back.
const PUSH_UM: f64 = 1.0;
/// What pushing and rounding take of the tolerance.
const TAKEN_UM: f64 = 2.0;
/// How often a curve is halved at most.
const HALVINGS_MOST: u32 = 14;

/// Two arcs of one circle, drawn in one go, are one, µm.
const SAME_CIRCLE_UM: f64 = 0.01;

/// The corners of a closed path in µm, material on its left, with chords to the right of its curves, or to the left.
/// At most `tolerance` µm off, which must be more than 2. `None` where a corner is past the limit of coordinates or
/// there are too many.
pub(crate) fn ring(path: &Path, to_right: bool, tolerance: f64) -> Option<Ring> {
    let strokes = merged(path);
    let mut work = Work { to_right, near: tolerance - TAKEN_UM, corners: Vec::new() };
    for (i, stroke) in strokes.iter().enumerate() {
        let next = &strokes[(i + 1) % strokes.len()];
        work.stroke(stroke);
        if let Stroke::Arc { sweep, .. } = stroke
            && sweep.abs() >= std::f64::consts::TAU
        {
            continue;
        }
        // Where two curves meet the corner may move with them; a straight line keeps its place.
        if stroke.is_curved() && next.is_curved() {
            work.push(stroke.to(), add(stroke.direction_out(), next.direction_in()));
        } else {
            work.corners.push(stroke.to());
        }
    }
    if work.corners.len() > limits::CORNERS_PER_RING {
        return None;
    }
    work.corners.iter().map(|p| rounded(*p)).collect()
}

fn rounded(p: P) -> Option<Point> {
    let most = limits::COORDINATE_UM as f64;
    let [x, y] = p.map(libm::round);
    (x.abs() <= most && y.abs() <= most).then(|| Point::new(x as i32, y as i32))
}

/// A stroke with arcs of one circle taken together, up to the full circle.
#[derive(Clone, Copy)]
enum Stroke {
    Other(Piece),
    Arc { from: P, to: P, centre: P, start: f64, sweep: f64, radius: f64 },
}

impl Stroke {
    fn of(piece: Piece) -> Self {
        match piece.seg {
            Seg::Arc { centre, ccw, to } => {
                let (start, sweep, radius) = piece.arc(centre, ccw);
                Self::Arc { from: piece.from, to, centre, start, sweep, radius }
            }
            _ => Self::Other(piece),
        }
    }

    fn to(&self) -> P {
        match self {
            Self::Other(piece) => piece.to(),
            Self::Arc { to, .. } => *to,
        }
    }

    fn is_curved(&self) -> bool {
        !matches!(self, Self::Other(Piece { seg: Seg::Line { .. }, .. }))
    }

    fn direction_in(&self) -> P {
        match self {
            Self::Other(piece) => piece.direction(0.0),
            Self::Arc { from, centre, sweep, .. } => tangent(*from, *centre, *sweep),
        }
    }

    fn direction_out(&self) -> P {
        match self {
            Self::Other(piece) => piece.direction(1.0),
            Self::Arc { to, centre, sweep, .. } => tangent(*to, *centre, *sweep),
        }
    }

    /// One arc of this and the next, where both are of one circle and run the same way round.
    fn with(&self, next: &Self) -> Option<Self> {
        let (
            Self::Arc { from, centre, start, sweep, radius, .. },
            Self::Arc { to, centre: other, sweep: more, radius: second, .. },
        ) = (self, next)
        else {
            return None;
        };
        let one = distance(*centre, *other) <= SAME_CIRCLE_UM && (radius - second).abs() <= SAME_CIRCLE_UM;
        let full = std::f64::consts::TAU;
        let sum = sweep + more;
        (one && sweep.signum() == more.signum() && sum.abs() <= full + 1e-6).then_some(Self::Arc {
            from: *from,
            to: *to,
            centre: *centre,
            start: *start,
            sweep: if sum.abs() >= full - 1e-9 { full * sum.signum() } else { sum },
            radius: *radius,
        })
    }
}

fn tangent(at: P, centre: P, sweep: f64) -> P {
    scale(left(unit(sub(at, centre))), sweep.signum())
}

fn merged(path: &Path) -> Vec<Stroke> {
    let mut out: Vec<Stroke> = Vec::with_capacity(path.segs.len());
    for piece in path.pieces() {
        let stroke = Stroke::of(piece);
        match out.last().and_then(|last| last.with(&stroke)) {
            Some(both) => *out.last_mut().expect("there is a last one") = both,
            None => out.push(stroke),
        }
    }
    // The contour may start in the middle of an arc.
    if out.len() > 1
        && let Some(both) = out[out.len() - 1].with(&out[0])
    {
        out.pop();
        out[0] = both;
    }
    out
}

struct Work {
    to_right: bool,
    near: f64,
    corners: Vec<P>,
}

impl Work {
    /// A corner on a curve that runs in `direction`, moved a little to the safe side.
    fn push(&mut self, p: P, direction: P) {
        let side = left(unit(direction));
        self.corners.push(add(p, scale(side, if self.to_right { -PUSH_UM } else { PUSH_UM })));
    }

    fn stroke(&mut self, stroke: &Stroke) {
        match *stroke {
            Stroke::Other(Piece { seg: Seg::Line { .. }, .. }) => {}
            Stroke::Other(piece) => self.cubic(&piece),
            Stroke::Arc { centre, start, sweep, radius, .. } => self.arc(centre, start, sweep, radius),
        }
    }

    fn arc(&mut self, centre: P, start: f64, sweep: f64, radius: f64) {
        let outside = (sweep > 0.0) == self.to_right;
        let full = sweep.abs() >= std::f64::consts::TAU;
        let mut n = arc_steps(sweep, radius, self.near, outside);
        if full {
            // A multiple of four, so that the corners or the tangents stand upright.
            n = n.div_ceil(4) * 4;
        }
        let step = sweep / n as f64;
        let on = |angle: f64, r: f64| [centre[0] + r * libm::cos(angle), centre[1] + r * libm::sin(angle)];
        if outside {
            let r = radius / libm::cos(step / 2.0) + PUSH_UM;
            (0..n).for_each(|i| self.corners.push(on(start + step * (i as f64 + 0.5), r)));
        } else {
            let r = if radius > 4.0 * PUSH_UM { radius - PUSH_UM } else { radius };
            (usize::from(!full)..n).for_each(|i| self.corners.push(on(start + step * i as f64, r)));
        }
    }

    fn cubic(&mut self, piece: &Piece) {
        let mut rest = *piece;
        let mut done = 0.0;
        for t in inflections(piece) {
            let (before, after) = rest.split_cubic((t - done) / (1.0 - done));
            self.bend(&before, HALVINGS_MOST);
            self.push(before.to(), before.direction(1.0));
            (rest, done) = (after, t);
        }
        self.bend(&rest, HALVINGS_MOST);
    }

    /// A cubic curve that bends one way only; its ends are put by others.
    fn bend(&mut self, piece: &Piece, halvings: u32) {
        let Seg::Cubic { c1, c2, to } = piece.seg else { return };
        let (d0, d1) = (piece.direction(0.0), piece.direction(1.0));
        let chord = sub(to, piece.from);
        let bends_left = piece.area2(piece.from) > 0.0;
        let outside = bends_left == self.to_right;
        let off = distance_to_segment(c1, piece.from, to).max(distance_to_segment(c2, piece.from, to));
        // Less than rounding: as good as straight.
        if off <= 0.1 {
            return;
        }
        if dot(d0, d1) > 0.0 || halvings == 0 {
            if !outside && (0.75 * off <= self.near || halvings == 0) {
                return;
            }
            let k = cross(d0, d1);
            if outside && k.abs() > 1e-9 {
                let (u, v) = (cross(chord, d1) / k, cross(d0, chord) / k);
                let apex = add(piece.from, scale(d0, u));
                if u >= 0.0 && v >= 0.0 && (from_curve(apex, piece) <= self.near || halvings == 0) {
                    let out = sub(apex, scale(add(piece.from, to), 0.5));
                    self.corners.push(add(apex, scale(unit(out), PUSH_UM)));
                    return;
                }
            }
            if halvings == 0 {
                return;
            }
        }
        let (a, b) = piece.split_cubic(0.5);
        self.bend(&a, halvings - 1);
        // Outside the bend the tangents of both halves run through the point between them: no corner there.
        if !outside {
            self.push(a.to(), a.direction(1.0));
        }
        self.bend(&b, halvings - 1);
    }
}

/// No less than the distance of a point outside the bend of a curve from it.
fn from_curve(p: P, piece: &Piece) -> f64 {
    let mut from = piece.from;
    let mut least = f64::MAX;
    for i in 1..=8 {
        let to = piece.point(f64::from(i) / 8.0);
        least = least.min(distance_to_segment(p, from, to));
        from = to;
    }
    least
}

/// The parameters, in order, at which a cubic curve begins to bend the other way.
fn inflections(piece: &Piece) -> Vec<f64> {
    let Seg::Cubic { c1, c2, to } = piece.seg else { return Vec::new() };
    // B' × B'' is a quadratic in t with these coefficients, up to a factor.
    let a = sub(c1, piece.from);
    let b = sub(sub(c2, c1), a);
    let c = sub(sub(sub(to, c2), sub(c2, c1)), b);
    let (q2, q1, q0) = (cross(b, c), cross(a, c), cross(a, b));
    let mut found = Vec::new();
    let size = length(a) + length(b) + length(c);
    if q2.abs() > 1e-12 * size * size {
        let root = q1 * q1 - 4.0 * q2 * q0;
        if root > 0.0 {
            let root = libm::sqrt(root);
            found.extend([(-q1 - root) / (2.0 * q2), (-q1 + root) / (2.0 * q2)]);
        }
    } else if q1.abs() > 1e-12 * size * size {
        found.push(-q0 / q1);
    }
    found.retain(|t| *t > 1e-6 && *t < 1.0 - 1e-6);
    found.sort_by(f64::total_cmp);
    found
}

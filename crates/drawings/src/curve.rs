//! Lines, arcs and cubic curves in real numbers: what readers make, and the measures of it.
//!
//! Nothing here knows a unit. Sines, cosines and angles come from `libm`, since systems differ in theirs.

use std::f64::consts::{PI, TAU};

/// A point or a vector.
pub(crate) type P = [f64; 2];

pub(crate) fn add(a: P, b: P) -> P {
    [a[0] + b[0], a[1] + b[1]]
}

pub(crate) fn sub(a: P, b: P) -> P {
    [a[0] - b[0], a[1] - b[1]]
}

pub(crate) fn scale(a: P, by: f64) -> P {
    [a[0] * by, a[1] * by]
}

pub(crate) fn lerp(a: P, b: P, t: f64) -> P {
    [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
}

pub(crate) fn cross(a: P, b: P) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

pub(crate) fn dot(a: P, b: P) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

pub(crate) fn length(a: P) -> f64 {
    libm::hypot(a[0], a[1])
}

pub(crate) fn distance(a: P, b: P) -> f64 {
    length(sub(a, b))
}

/// A vector of length 1 in the same direction; the zero vector stays.
pub(crate) fn unit(a: P) -> P {
    let l = length(a);
    if l > 0.0 { scale(a, 1.0 / l) } else { a }
}

/// The vector a quarter turn to the left.
pub(crate) fn left(a: P) -> P {
    [-a[1], a[0]]
}

fn at_angle(centre: P, radius: f64, angle: f64) -> P {
    [centre[0] + radius * libm::cos(angle), centre[1] + radius * libm::sin(angle)]
}

fn angle_of(v: P) -> f64 {
    libm::atan2(v[1], v[0])
}

/// Distance of `p` from the straight line segment `a b`.
pub(crate) fn distance_to_segment(p: P, a: P, b: P) -> f64 {
    let ab = sub(b, a);
    let l2 = dot(ab, ab);
    let t = if l2 > 0.0 { (dot(sub(p, a), ab) / l2).clamp(0.0, 1.0) } else { 0.0 };
    distance(p, lerp(a, b, t))
}

/// One stroke of the pen, from wherever the one before ended.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Seg {
    /// A straight line.
    Line { to: P },
    /// A circular arc of less than a full turn.
    Arc { to: P, centre: P, ccw: bool },
    /// A cubic Bézier curve.
    Cubic { c1: P, c2: P, to: P },
}

impl Seg {
    pub(crate) fn to(self) -> P {
        match self {
            Self::Line { to } | Self::Arc { to, .. } | Self::Cubic { to, .. } => to,
        }
    }
}

/// A start and the strokes from there.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Path {
    pub(crate) start: P,
    pub(crate) segs: Vec<Seg>,
}

impl Path {
    pub(crate) fn end(&self) -> P {
        self.segs.last().map_or(self.start, |s| s.to())
    }

    /// The strokes, each with the point where it starts.
    pub(crate) fn pieces(&self) -> impl Iterator<Item = Piece> {
        let mut from = self.start;
        self.segs.iter().map(move |&seg| {
            let piece = Piece { from, seg };
            from = seg.to();
            piece
        })
    }

    /// The path as moved by `by`. Arcs stay arcs where `by` keeps shapes, else they become cubic curves.
    pub(crate) fn moved(&self, by: &Affine) -> Self {
        let mut segs = Vec::with_capacity(self.segs.len());
        for piece in self.pieces() {
            match piece.seg {
                Seg::Line { to } => segs.push(Seg::Line { to: by.point(to) }),
                Seg::Cubic { c1, c2, to } => {
                    segs.push(Seg::Cubic { c1: by.point(c1), c2: by.point(c2), to: by.point(to) });
                }
                Seg::Arc { to, centre, ccw } => match by.similarity() {
                    Some(mirrors) => {
                        segs.push(Seg::Arc { to: by.point(to), centre: by.point(centre), ccw: ccw != mirrors });
                    }
                    None => {
                        let (a, sweep, r) = piece.arc(centre, ccw);
                        elliptic(centre, [r, 0.0], [0.0, r], a, sweep, |seg| match seg {
                            Seg::Cubic { c1, c2, to } => {
                                segs.push(Seg::Cubic { c1: by.point(c1), c2: by.point(c2), to: by.point(to) });
                            }
                            other => segs.push(other),
                        });
                        if let Some(Seg::Cubic { to: last, .. }) = segs.last_mut() {
                            *last = by.point(to);
                        }
                    }
                },
            }
        }
        Self { start: by.point(self.start), segs }
    }

    /// The box that holds the path and the control points of its curves.
    pub(crate) fn bounds(&self) -> Bounds {
        let mut bounds = Bounds::of(self.start);
        for piece in self.pieces() {
            piece.grow(&mut bounds);
        }
        bounds
    }
}

/// An upright box.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Bounds {
    pub(crate) lo: P,
    pub(crate) hi: P,
}

impl Bounds {
    pub(crate) fn of(p: P) -> Self {
        Self { lo: p, hi: p }
    }

    pub(crate) fn add(&mut self, p: P) {
        self.lo = [self.lo[0].min(p[0]), self.lo[1].min(p[1])];
        self.hi = [self.hi[0].max(p[0]), self.hi[1].max(p[1])];
    }

    /// Whether two boxes have a point in common.
    pub(crate) fn meets(&self, other: &Self) -> bool {
        (0..2).all(|k| self.lo[k] <= other.hi[k] && other.lo[k] <= self.hi[k])
    }

    /// Whether the other box lies in this one, but for a millionth of its size.
    pub(crate) fn holds(&self, other: &Self) -> bool {
        let near = 1e-6 * distance(self.lo, self.hi);
        (0..2).all(|k| self.lo[k] <= other.lo[k] + near && other.hi[k] <= self.hi[k] + near)
    }

    /// The box of what two boxes have in common; where that is nothing, one of no size between them.
    pub(crate) fn common(&self, other: &Self) -> Self {
        let lo = [0, 1].map(|k| self.lo[k].max(other.lo[k]));
        let hi = [0, 1].map(|k| self.hi[k].min(other.hi[k]).max(lo[k]));
        Self { lo, hi }
    }

    /// The largest distance of a coordinate from 0.
    pub(crate) fn reach(&self) -> f64 {
        self.lo.iter().chain(&self.hi).fold(0.0, |m: f64, v| m.max(v.abs()))
    }
}

/// An affine map: `x' = a·x + c·y + e`, `y' = b·x + d·y + f`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Affine {
    x: P,
    y: P,
    origin: P,
}

impl Affine {
    pub(crate) const SAME: Self = Self { x: [1.0, 0.0], y: [0.0, 1.0], origin: [0.0, 0.0] };

    /// From the six numbers of SVG's and PDF's `matrix(a b c d e f)`.
    pub(crate) fn of([a, b, c, d, e, f]: [f64; 6]) -> Self {
        Self { x: [a, b], y: [c, d], origin: [e, f] }
    }

    /// How much longer lengths become, in the mean of all directions.
    pub(crate) fn stretch(&self) -> f64 {
        libm::sqrt(cross(self.x, self.y).abs())
    }

    pub(crate) fn translate(by: P) -> Self {
        Self { origin: by, ..Self::SAME }
    }

    pub(crate) fn scale(x: f64, y: f64) -> Self {
        Self { x: [x, 0.0], y: [0.0, y], origin: [0.0, 0.0] }
    }

    /// A turn counter-clockwise, exact at quarter turns.
    pub(crate) fn turn(degrees: f64) -> Self {
        let degrees = degrees.rem_euclid(360.0);
        let quarters = libm::floor(degrees / 90.0);
        let rest = degrees - 90.0 * quarters;
        let (s, c) =
            if rest == 0.0 { (0.0, 1.0) } else { (libm::sin(rest.to_radians()), libm::cos(rest.to_radians())) };
        let (s, c) = match quarters as u8 {
            0 => (s, c),
            1 => (c, -s),
            2 => (-s, -c),
            _ => (-c, s),
        };
        Self { x: [c, s], y: [-s, c], origin: [0.0, 0.0] }
    }

    /// First `self`, then `next`.
    pub(crate) fn then(&self, next: &Self) -> Self {
        Self { x: next.vector(self.x), y: next.vector(self.y), origin: next.point(self.origin) }
    }

    pub(crate) fn point(&self, p: P) -> P {
        add(self.vector(p), self.origin)
    }

    pub(crate) fn vector(&self, v: P) -> P {
        [self.x[0] * v[0] + self.y[0] * v[1], self.x[1] * v[0] + self.y[1] * v[1]]
    }

    /// The map that undoes this one; none where this one flattens.
    pub(crate) fn inverse(&self) -> Option<Self> {
        if self.is_flat() {
            return None;
        }
        let size = cross(self.x, self.y);
        let linear = Self {
            x: [self.y[1] / size, -self.x[1] / size],
            y: [-self.y[0] / size, self.x[0] / size],
            origin: [0.0; 2],
        };
        let back = linear.vector(self.origin);
        Some(Self { origin: [-back[0], -back[1]], ..linear })
    }

    pub(crate) fn is_finite(&self) -> bool {
        [self.x, self.y, self.origin].iter().flatten().all(|v| v.is_finite())
    }

    /// Whether the map flattens everything onto a line or a point.
    pub(crate) fn is_flat(&self) -> bool {
        cross(self.x, self.y).abs() <= 1e-12 * length(self.x) * length(self.y)
            || length(self.x) == 0.0
            || length(self.y) == 0.0
    }

    /// Whether circles stay circles; if so, whether the map mirrors.
    fn similarity(&self) -> Option<bool> {
        let (lx, ly) = (length(self.x), length(self.y));
        let same = (lx - ly).abs() <= 1e-9 * lx.max(ly) && dot(self.x, self.y).abs() <= 1e-9 * lx * ly;
        same.then(|| cross(self.x, self.y) < 0.0)
    }
}

/// One stroke with the point where it starts.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Piece {
    pub(crate) from: P,
    pub(crate) seg: Seg,
}

impl Piece {
    pub(crate) fn to(&self) -> P {
        self.seg.to()
    }

    /// The same stroke drawn the other way round.
    pub(crate) fn reversed(&self) -> Self {
        let seg = match self.seg {
            Seg::Line { .. } => Seg::Line { to: self.from },
            Seg::Arc { centre, ccw, .. } => Seg::Arc { to: self.from, centre, ccw: !ccw },
            Seg::Cubic { c1, c2, .. } => Seg::Cubic { c1: c2, c2: c1, to: self.from },
        };
        Self { from: self.to(), seg }
    }

    /// Start angle, signed sweep (0 < |sweep| ≤ 2π) and radius of an arc. Where rounding has left the two ends at
    /// slightly different distances from the centre, the radius is the mean.
    pub(crate) fn arc(&self, centre: P, ccw: bool) -> (f64, f64, f64) {
        let (a, b) = (sub(self.from, centre), sub(self.to(), centre));
        let mut sweep = libm::atan2(cross(a, b), dot(a, b));
        if ccw && sweep <= 0.0 {
            sweep += TAU;
        } else if !ccw && sweep >= 0.0 {
            sweep -= TAU;
        }
        (angle_of(a), sweep, 0.5 * (length(a) + length(b)))
    }

    /// The point at parameter `t`, 0 ..= 1.
    pub(crate) fn point(&self, t: f64) -> P {
        match self.seg {
            Seg::Line { to } => lerp(self.from, to, t),
            Seg::Arc { centre, ccw, .. } => {
                let (a, sweep, r) = self.arc(centre, ccw);
                at_angle(centre, r, a + sweep * t)
            }
            Seg::Cubic { c1, c2, to } => {
                let (ab, bc, cd) = (lerp(self.from, c1, t), lerp(c1, c2, t), lerp(c2, to, t));
                lerp(lerp(ab, bc, t), lerp(bc, cd, t), t)
            }
        }
    }

    /// Direction of travel at parameter `t`, of length 1; the zero vector only for a stroke without length.
    pub(crate) fn direction(&self, t: f64) -> P {
        match self.seg {
            Seg::Line { to } => unit(sub(to, self.from)),
            Seg::Arc { centre, ccw, .. } => {
                let (a, sweep, _) = self.arc(centre, ccw);
                let angle = a + sweep * t;
                let v = [-libm::sin(angle), libm::cos(angle)];
                if ccw { v } else { scale(v, -1.0) }
            }
            Seg::Cubic { c1, c2, to } => {
                let (d1, d2, d3) = (sub(c1, self.from), sub(c2, c1), sub(to, c2));
                let s = 1.0 - t;
                let v = add(add(scale(d1, s * s), scale(d2, 2.0 * s * t)), scale(d3, t * t));
                let size = length(d1) + length(d2) + length(d3);
                if length(v) > 1e-9 * size {
                    return unit(v);
                }
                // Control points that coincide: the direction towards the next one that does not.
                let ahead =
                    if t < 0.5 { [sub(c2, self.from), sub(to, self.from)] } else { [sub(to, c1), sub(to, self.from)] };
                ahead.into_iter().find(|v| length(*v) > 1e-9 * size).map_or([0.0, 0.0], unit)
            }
        }
    }

    /// The parts of a cubic curve before and after parameter `t`; other strokes stay whole.
    pub(crate) fn split_cubic(&self, t: f64) -> (Self, Self) {
        let Seg::Cubic { c1, c2, to } = self.seg else { return (*self, *self) };
        let (ab, bc, cd) = (lerp(self.from, c1, t), lerp(c1, c2, t), lerp(c2, to, t));
        let (abc, bcd) = (lerp(ab, bc, t), lerp(bc, cd, t));
        let mid = lerp(abc, bcd, t);
        (
            Self { from: self.from, seg: Seg::Cubic { c1: ab, c2: abc, to: mid } },
            Self { from: mid, seg: Seg::Cubic { c1: bcd, c2: cd, to } },
        )
    }

    /// Length along the stroke: exact for lines and arcs, to about 1 part in 10⁶ for cubic curves.
    pub(crate) fn length(&self) -> f64 {
        match self.seg {
            Seg::Line { to } => distance(self.from, to),
            Seg::Arc { centre, ccw, .. } => {
                let (_, sweep, r) = self.arc(centre, ccw);
                r * sweep.abs()
            }
            Seg::Cubic { .. } => cubic_length(self, 12),
        }
    }

    /// Twice the signed area between the stroke and its rays from `o`: exact for each kind of stroke.
    pub(crate) fn area2(&self, o: P) -> f64 {
        let (a, b) = (sub(self.from, o), sub(self.to(), o));
        match self.seg {
            Seg::Line { .. } => cross(a, b),
            Seg::Arc { centre, ccw, .. } => {
                let (_, sweep, r) = self.arc(centre, ccw);
                // Triangle under the chord plus the segment of the circle beyond it.
                cross(a, b) + r * r * (sweep - libm::sin(sweep))
            }
            Seg::Cubic { c1, c2, .. } => {
                // ∫ B × dB of the Bernstein form.
                let (p, q) = (sub(c1, o), sub(c2, o));
                (6.0 * cross(a, p)
                    + 3.0 * cross(a, q)
                    + cross(a, b)
                    + 3.0 * cross(p, q)
                    + 3.0 * cross(p, b)
                    + 6.0 * cross(q, b))
                    / 10.0
            }
        }
    }

    /// Takes the stroke into a box: exactly for lines and arcs, with its control points for cubic curves.
    pub(crate) fn grow(&self, bounds: &mut Bounds) {
        bounds.add(self.from);
        bounds.add(self.to());
        match self.seg {
            Seg::Line { .. } => {}
            Seg::Arc { centre, ccw, .. } => {
                let (a, sweep, r) = self.arc(centre, ccw);
                for quarter in 0..4 {
                    let angle = f64::from(quarter) * (PI / 2.0);
                    let ahead = if ccw { (angle - a).rem_euclid(TAU) } else { (a - angle).rem_euclid(TAU) };
                    if ahead < sweep.abs() {
                        bounds.add(add(
                            centre,
                            scale([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]][quarter as usize], r),
                        ));
                    }
                }
            }
            Seg::Cubic { c1, c2, .. } => {
                bounds.add(c1);
                bounds.add(c2);
            }
        }
    }

    /// Calls `out` with points on the stroke, the end among them and the start not, so that the chords between
    /// them stay within `tolerance` of it.
    pub(crate) fn chords(&self, tolerance: f64, out: &mut impl FnMut(P)) {
        match self.seg {
            Seg::Line { .. } => {}
            Seg::Arc { centre, ccw, .. } => {
                let (a, sweep, r) = self.arc(centre, ccw);
                let n = arc_steps(sweep, r, tolerance, false);
                for i in 1..n {
                    out(at_angle(centre, r, a + sweep * (i as f64 / n as f64)));
                }
            }
            Seg::Cubic { c1, c2, to } => {
                // A chord over 1/n of the curve is off by at most max|B''| / 8n², and max|B''| is 6 times the
                // larger second difference of the control points.
                let second = |a: P, b: P, c: P| length(add(sub(a, scale(b, 2.0)), c));
                let most = second(self.from, c1, c2).max(second(c1, c2, to));
                let n = libm::ceil(libm::sqrt(0.75 * most / tolerance)).clamp(1.0, STEPS_MOST) as usize;
                for i in 1..n {
                    out(self.point(i as f64 / n as f64));
                }
            }
        }
        out(self.to());
    }
}

/// Most chords that one stroke is cut into.
pub(crate) const STEPS_MOST: f64 = 4096.0;

/// Arcs up to this sweep stay whole: half a circle, and a little for those that rounding has widened.
const HALF_CIRCLE: f64 = PI + 1e-3;

/// Into how many equal parts an arc is cut so that chords, or tangents where `outside`, stay within `tolerance`.
pub(crate) fn arc_steps(sweep: f64, radius: f64, tolerance: f64, outside: bool) -> usize {
    if radius <= tolerance {
        return libm::ceil(sweep.abs() / (PI / 2.0)).max(1.0) as usize;
    }
    let ratio = if outside { radius / (radius + tolerance) } else { 1.0 - tolerance / radius };
    let half = libm::acos(ratio.clamp(0.0, 1.0)).min(PI / 4.0);
    libm::ceil(sweep.abs() / (2.0 * half)).clamp(1.0, STEPS_MOST) as usize
}

fn cubic_length(piece: &Piece, depth: u32) -> f64 {
    let Seg::Cubic { c1, c2, to } = piece.seg else { return 0.0 };
    let chord = distance(piece.from, to);
    let hull = distance(piece.from, c1) + distance(c1, c2) + distance(c2, to);
    if depth == 0 || hull - chord <= 1e-5 * hull {
        // Gravesen's estimate.
        return 0.5 * (chord + hull);
    }
    let (a, b) = piece.split_cubic(0.5);
    cubic_length(&a, depth - 1) + cubic_length(&b, depth - 1)
}

/// Cuts an elliptic arc `centre + major·cos t + minor·sin t` from parameter `a` over `sweep` into cubic curves
/// of at most 1/16 of a turn, each within 7 parts in 10⁸ of the radius (the usual tangent length 4/3·tan(δ/4)).
pub(crate) fn elliptic(centre: P, major: P, minor: P, a: f64, sweep: f64, mut out: impl FnMut(Seg)) {
    let n = libm::ceil(sweep.abs() / (TAU / 16.0) - 1e-9).clamp(1.0, 64.0) as usize;
    let step = sweep / n as f64;
    let k = 4.0 / 3.0 * libm::tan(step / 4.0);
    let point = |t: f64| add(centre, add(scale(major, libm::cos(t)), scale(minor, libm::sin(t))));
    let tangent = |t: f64| add(scale(major, -libm::sin(t)), scale(minor, libm::cos(t)));
    for i in 0..n {
        let (t0, t1) = (a + step * i as f64, a + step * (i + 1) as f64);
        let (p, q) = (point(t0), point(t1));
        out(Seg::Cubic { c1: add(p, scale(tangent(t0), k)), c2: sub(q, scale(tangent(t1), k)), to: q });
    }
}

/// A circular arc from `from`, cut in two where it is more than half a circle: half circles and less have a well
/// determined centre.
pub(crate) fn arc_from(from: P, centre: P, sweep: f64, segs: &mut Vec<Seg>) {
    let ccw = sweep > 0.0;
    let (a, r) = (angle_of(sub(from, centre)), distance(from, centre));
    if sweep.abs() > HALF_CIRCLE {
        segs.push(Seg::Arc { to: at_angle(centre, r, a + sweep / 2.0), centre, ccw });
    }
    let to = if sweep.abs() >= TAU - 1e-12 { from } else { at_angle(centre, r, a + sweep) };
    segs.push(Seg::Arc { to, centre, ccw });
}

/// A full circle, counter-clockwise, as two arcs from its rightmost point.
pub(crate) fn circle(centre: P, radius: f64) -> Path {
    let right = [centre[0] + radius, centre[1]];
    let at_left = [centre[0] - radius, centre[1]];
    Path {
        start: right,
        segs: vec![Seg::Arc { to: at_left, centre, ccw: true }, Seg::Arc { to: right, centre, ccw: true }],
    }
}

/// The stroke from `from` to `to` with a DXF bulge: the tangent of a quarter of the arc's sweep, above 0 where it
/// runs counter-clockwise.
pub(crate) fn bulged(from: P, to: P, bulge: f64, segs: &mut Vec<Seg>) {
    let chord = sub(to, from);
    if bulge.abs() < 1e-10 || !bulge.is_finite() || length(chord) == 0.0 {
        return segs.push(Seg::Line { to });
    }
    let centre = add(lerp(from, to, 0.5), scale(left(chord), (1.0 - bulge * bulge) / (4.0 * bulge)));
    let ccw = bulge > 0.0;
    if bulge.abs() > libm::tan(HALF_CIRCLE / 4.0) {
        // More than half a circle: cut at the far point.
        let far = sub(lerp(from, to, 0.5), scale(left(chord), bulge / 2.0));
        segs.push(Seg::Arc { to: far, centre, ccw });
    }
    segs.push(Seg::Arc { to, centre, ccw });
}

/// Twice the signed area inside a closed path: above 0 where it runs counter-clockwise.
pub(crate) fn area2(path: &Path) -> f64 {
    path.pieces().map(|piece| piece.area2(path.start)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, within: f64) {
        assert!((a - b).abs() <= within, "{a} is not {b}");
    }

    #[test]
    fn a_circle_has_its_area_and_length() {
        let path = circle([1000.0, -500.0], 10.0);
        close(area2(&path) / 2.0, PI * 100.0, 1e-9);
        close(path.pieces().map(|p| p.length()).sum(), TAU * 10.0, 1e-9);
        let b = path.bounds();
        close(b.lo[0], 990.0, 1e-9);
        close(b.hi[1], -490.0, 1e-9);
    }

    #[test]
    fn an_ellipse_of_cubics_has_its_area() {
        let mut segs = Vec::new();
        elliptic([3.0, 4.0], [20.0, 0.0], [0.0, 5.0], 0.0, TAU, |s| segs.push(s));
        close(area2(&Path { start: [23.0, 4.0], segs }) / 2.0, PI * 100.0, 1e-4);
    }

    #[test]
    fn a_bulge_is_the_arc_it_says() {
        // Half a circle to the right of a line upwards, and three quarters of one.
        for (bulge, area) in [(1.0, PI / 2.0), ((3.0 * PI / 8.0).tan(), 0.75 * PI * 2.0 + 1.0)] {
            let mut segs = Vec::new();
            bulged([0.0, -1.0], [0.0, 1.0], bulge, &mut segs);
            segs.push(Seg::Line { to: [0.0, -1.0] });
            close(area2(&Path { start: [0.0, -1.0], segs }) / 2.0, area, 1e-9);
        }
    }

    #[test]
    fn arcs_stay_arcs_only_under_maps_that_keep_shapes() {
        let path = circle([1.0, 2.0], 3.0);
        let mirrored = path.moved(&Affine::scale(-2.0, 2.0).then(&Affine::turn(30.0)));
        assert!(mirrored.segs.iter().all(|s| matches!(s, Seg::Arc { ccw: false, .. })));
        close(area2(&mirrored) / 2.0, -36.0 * PI, 1e-6);
        let squeezed = path.moved(&Affine::scale(2.0, 1.0));
        assert!(squeezed.segs.iter().all(|s| matches!(s, Seg::Cubic { .. })));
        close(area2(&squeezed) / 2.0, 18.0 * PI, 1e-4);
    }

    #[test]
    fn chords_keep_their_tolerance() {
        let piece =
            Piece { from: [0.0, 0.0], seg: Seg::Cubic { c1: [40.0, 90.0], c2: [60.0, -90.0], to: [100.0, 0.0] } };
        let mut points = vec![piece.from];
        piece.chords(0.05, &mut |p| points.push(p));
        for i in 0..=1000 {
            let p = piece.point(f64::from(i) / 1000.0);
            let off = points.windows(2).map(|w| distance_to_segment(p, w[0], w[1])).fold(f64::MAX, f64::min);
            assert!(off <= 0.05, "{off}");
        }
    }

    #[test]
    fn an_inverse_takes_points_back() {
        let map = Affine::scale(3.0, -0.5).then(&Affine::turn(33.0)).then(&Affine::translate([7.0, -9.0]));
        let p = map.inverse().unwrap().point(map.point([2.0, 5.0]));
        close(p[0], 2.0, 1e-12);
        close(p[1], 5.0, 1e-12);
        assert!(Affine::scale(0.0, 1.0).inverse().is_none());
    }

    #[test]
    fn turns_by_quarters_are_exact() {
        assert_eq!(Affine::turn(90.0).point([3.0, 7.0]), [-7.0, 3.0]);
        assert_eq!(Affine::turn(-180.0).point([3.0, 7.0]), [-3.0, -7.0]);
    }
}

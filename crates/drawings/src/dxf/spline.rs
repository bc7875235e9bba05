//! B-splines, rational or not, as cubic curves.
//!
//! Spans of degree 3 and less without weights become the very same curve by knot insertion (Boehm; Piegl and
//! Tiller, "The NURBS Book", A5.1). Higher degrees and weights are followed by cubic curves that share end points and
//! tangents, halved until they are within 10⁻⁷ of the spline's size.

use dxf::entities::Spline;

use super::curves::Drawn;
use crate::Why;
use crate::curve::{Bounds, P, Path, Seg, add, distance, length, lerp, scale, sub};

/// Highest degree that is taken; CAD programs write 3, rarely more than 7.
const DEGREE_MOST: usize = 15;
/// So many cubic curves may follow one spline.
const FOLLOWED_MOST: usize = 50_000;
/// How often a span is halved at most.
const HALVINGS_MOST: u32 = 7;

/// The path of a SPLINE.
///
/// # Errors
/// The reason why it is left out.
pub(super) fn path(spline: &Spline, at: usize) -> Result<Drawn, Why> {
    let wraps = spline.is_closed() || spline.is_periodic();
    if spline.control_points.len() >= 2 {
        let curve = Curve::new(spline, wraps).ok_or(Why::BadCurve { at })?;
        let path = curve.path().ok_or(Why::BadCurve { at })?;
        return Ok(Drawn::new("spline", path, false));
    }
    let points: Vec<P> = spline.fit_points.iter().map(|p| [p.x, p.y]).collect();
    let tangent = |p: &dxf::Point| Some([p.x, p.y]).filter(|v| length(*v) > 0.0);
    let path = through_points(points, wraps, tangent(&spline.start_tangent), tangent(&spline.end_tangent))
        .ok_or(Why::BadCurve { at })?;
    Ok(Drawn { through_points: true, ..Drawn::new("spline", path, false) })
}

/// A point with its weight: (w·x, w·y, w).
type H = [f64; 3];

fn mix(a: H, b: H, t: f64) -> H {
    [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, a[2] + (b[2] - a[2]) * t]
}

fn flat(h: H) -> P {
    [h[0] / h[2], h[1] / h[2]]
}

struct Curve {
    degree: usize,
    knots: Vec<f64>,
    points: Vec<H>,
    rational: bool,
}

impl Curve {
    fn new(spline: &Spline, wraps: bool) -> Option<Self> {
        let degree = usize::try_from(spline.degree_of_curve).ok().filter(|d| (1..=DEGREE_MOST).contains(d))?;
        let mut points: Vec<P> = spline.control_points.iter().map(|p| [p.x, p.y]).collect();
        let mut weights = spline.weight_values.clone();
        weights.resize(points.len(), 1.0);
        if weights.iter().any(|w| *w <= 0.0) {
            return None;
        }
        let mut knots = spline.knot_values.clone();
        if knots.len() != points.len() + degree + 1 {
            // No knots, or not as many as there have to be: even ones, around the loop where it closes and clamped
            // to the ends where it does not.
            if wraps {
                for i in 0..degree {
                    points.push(points[i % spline.control_points.len()]);
                    weights.push(weights[i % spline.control_points.len()]);
                }
                knots = (0..points.len() + degree + 1).map(|i| i as f64).collect();
            } else {
                let spans = points.len().checked_sub(degree)?;
                knots = (0..points.len() + degree + 1).map(|i| i.saturating_sub(degree).min(spans) as f64).collect();
            }
        }
        let follows = degree > 3 || weights.iter().any(|w| *w != weights[0]);
        if follows && points.len() > FOLLOWED_MOST / 2 {
            return None;
        }
        if points.len() <= degree || knots.windows(2).any(|k| k[1] < k[0]) {
            return None;
        }
        let rational = weights.iter().any(|w| (w - weights[0]).abs() > 1e-12 * weights[0]);
        let points = points.iter().zip(&weights).map(|(p, w)| [p[0] * w, p[1] * w, *w]).collect();
        Some(Self { degree, knots, points, rational })
    }

    /// The Bézier points of each span that is not empty.
    fn spans(&self) -> Vec<Vec<H>> {
        let p = self.degree;
        let mut spans = Vec::new();
        for k in p..self.points.len() {
            let (a, b) = (self.knots[k], self.knots[k + 1]);
            if b - a <= 1e-12 * (self.knots[self.knots.len() - 1] - self.knots[0]).abs() {
                continue;
            }
            // The blossom of the span: control point j is the value at (a, …, a, b, …, b) with j times b.
            spans.push((0..=p).map(|j| self.blossom(k, |i| if i < p - j { a } else { b })).collect());
        }
        spans
    }

    /// The blossom of span `k` at `degree` arguments, by de Boor's scheme.
    fn blossom(&self, k: usize, argument: impl Fn(usize) -> f64) -> H {
        let p = self.degree;
        let mut d: Vec<H> = self.points[k - p..=k].to_vec();
        for r in 1..=p {
            let u = argument(r - 1);
            for j in (r..=p).rev() {
                let (lo, hi) = (self.knots[j + k - p], self.knots[j + 1 + k - r]);
                let t = if hi > lo { (u - lo) / (hi - lo) } else { 0.0 };
                d[j] = mix(d[j - 1], d[j], t);
            }
        }
        d[p]
    }

    fn path(&self) -> Option<Path> {
        let spans = self.spans();
        let start = flat(*spans.first()?.first()?);
        let mut segs = Vec::new();
        if self.rational || self.degree > 3 {
            let mut bounds = Bounds::of(start);
            self.points.iter().for_each(|h| bounds.add(flat(*h)));
            let near = 1e-7 * distance(bounds.lo, bounds.hi);
            for span in &spans {
                if segs.len() > FOLLOWED_MOST {
                    return None;
                }
                follow(span, 0.0, 1.0, near, HALVINGS_MOST, &mut segs);
            }
        } else {
            for span in &spans {
                let q: Vec<P> = span.iter().map(|h| flat(*h)).collect();
                segs.push(match *q.as_slice() {
                    [_, to] => Seg::Line { to },
                    [a, b, to] => Seg::Cubic { c1: lerp(a, b, 2.0 / 3.0), c2: lerp(to, b, 2.0 / 3.0), to },
                    [_, c1, c2, to] => Seg::Cubic { c1, c2, to },
                    _ => return None,
                });
            }
        }
        let finite = segs.iter().all(|s| s.to().iter().all(|v| v.is_finite())) && start.iter().all(|v| v.is_finite());
        (finite && !segs.is_empty()).then_some(Path { start, segs })
    }
}

/// Point and derivative of a Bézier span with weights.
fn eval(span: &[H], t: f64) -> (P, P) {
    let mut d = span.to_vec();
    let n = d.len() - 1;
    for r in 1..n {
        for j in 0..=n - r {
            d[j] = mix(d[j], d[j + 1], t);
        }
    }
    let h = mix(d[0], d[1], t);
    let dh = [0, 1, 2].map(|i| n as f64 * (d[1][i] - d[0][i]));
    let p = flat(h);
    (p, scale(sub([dh[0], dh[1]], scale(p, dh[2])), 1.0 / h[2]))
}

/// Follows a span between two parameters with cubic curves.
fn follow(span: &[H], a: f64, b: f64, near: f64, halvings: u32, segs: &mut Vec<Seg>) {
    let ((p, dp), (q, dq)) = (eval(span, a), eval(span, b));
    let third = (b - a) / 3.0;
    let (c1, c2) = (add(p, scale(dp, third)), sub(q, scale(dq, third)));
    let piece = crate::curve::Piece { from: p, seg: Seg::Cubic { c1, c2, to: q } };
    let off = [0.25, 0.5, 0.75].map(|t| distance(piece.point(t), eval(span, a + (b - a) * t).0));
    if halvings == 0 || off.iter().all(|o| *o <= near) {
        segs.push(piece.seg);
        return;
    }
    let mid = 0.5 * (a + b);
    follow(span, a, mid, near, halvings - 1, segs);
    follow(span, mid, b, near, halvings - 1, segs);
}

/// The cubic spline through points, with parameters by the length of the chords; the ends have the tangents given,
/// else no curvature; a closed one is smooth all round. (The DXF reference leaves the curve open; this is the usual one.)
fn through_points(mut points: Vec<P>, wraps: bool, start: Option<P>, end: Option<P>) -> Option<Path> {
    points.dedup();
    if wraps && points.len() > 2 && points.first() != points.last() {
        points.push(points[0]);
    }
    let n = points.len().checked_sub(1).filter(|n| *n > 0)?;
    let h: Vec<f64> = points.windows(2).map(|w| distance(w[0], w[1])).collect();
    let slope: Vec<P> = (0..n).map(|i| scale(sub(points[i + 1], points[i]), 1.0 / h[i])).collect();
    // Unknown derivatives m[i]: h[i]·m[i−1] + 2(h[i−1]+h[i])·m[i] + h[i−1]·m[i+1] = 3(h[i]·s[i−1] + h[i−1]·s[i]).
    let row = |i: usize, before: usize, after: usize| {
        let right = scale(add(scale(slope[before], h[after]), scale(slope[after], h[before])), 3.0);
        (h[after], 2.0 * (h[before] + h[after]), h[before], right, i)
    };
    let derivatives = if wraps && n > 2 {
        let rows: Vec<_> = (0..n).map(|i| row(i, if i == 0 { n - 1 } else { i - 1 }, i)).collect();
        let mut m = cyclic(&rows)?;
        m.push(m[0]);
        m
    } else {
        let ends = |given: Option<P>, s: P| match given {
            Some(v) => (0.0, 1.0, 0.0, scale(v, 1.0 / length(v)), 0),
            None => (1.0, 2.0, 1.0, scale(s, 3.0), 0),
        };
        let mut rows = vec![ends(start, slope[0])];
        rows.extend((1..n).map(|i| row(i, i - 1, i)));
        rows.push(ends(end, slope[n - 1]));
        tridiagonal(&rows)?
    };
    let segs = (0..n)
        .map(|i| Seg::Cubic {
            c1: add(points[i], scale(derivatives[i], h[i] / 3.0)),
            c2: sub(points[i + 1], scale(derivatives[i + 1], h[i] / 3.0)),
            to: points[i + 1],
        })
        .collect();
    Some(Path { start: points[0], segs })
}

type Row = (f64, f64, f64, P, usize);

/// Solves a tridiagonal system with vectors on the right (Thomas).
fn tridiagonal(rows: &[Row]) -> Option<Vec<P>> {
    let n = rows.len();
    let (mut c, mut d): (Vec<f64>, Vec<P>) = (vec![0.0; n], vec![[0.0; 2]; n]);
    for (i, &(below, middle, above, right, _)) in rows.iter().enumerate() {
        let (pivot, right) =
            if i == 0 { (middle, right) } else { (middle - below * c[i - 1], sub(right, scale(d[i - 1], below))) };
        if pivot == 0.0 || !pivot.is_finite() {
            return None;
        }
        c[i] = above / pivot;
        d[i] = scale(right, 1.0 / pivot);
    }
    for i in (0..n.saturating_sub(1)).rev() {
        d[i] = sub(d[i], scale(d[i + 1], c[i]));
    }
    Some(d)
}

/// Solves a tridiagonal system whose first and last rows reach around (Sherman–Morrison).
fn cyclic(rows: &[Row]) -> Option<Vec<P>> {
    let n = rows.len();
    let (corner_low, corner_high) = (rows[n - 1].2, rows[0].0);
    let gamma = -rows[0].1;
    let mut plain = rows.to_vec();
    plain[0].1 -= gamma;
    plain[n - 1].1 -= corner_low * corner_high / gamma;
    let x = tridiagonal(&plain)?;
    let mut bump = plain;
    for (i, row) in bump.iter_mut().enumerate() {
        let v = if i == 0 {
            gamma
        } else if i == n - 1 {
            corner_low
        } else {
            0.0
        };
        row.3 = [v, v];
    }
    let z = tridiagonal(&bump)?;
    let reach = corner_high / gamma;
    let bottom = 1.0 + z[0][0] + reach * z[n - 1][0];
    if bottom == 0.0 || !bottom.is_finite() {
        return None;
    }
    let factor = scale(add(x[0], scale(x[n - 1], reach)), 1.0 / bottom);
    Some(x.iter().zip(&z).map(|(x, z)| sub(*x, [factor[0] * z[0], factor[1] * z[1]])).collect())
}

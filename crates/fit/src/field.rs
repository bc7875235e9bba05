//! How far a point is from what is forbidden: signed distances to many rings, by a grid filled as it is asked.

use std::sync::OnceLock;

use sheetloft_shapes::Point;

use crate::num::{V, v};
use crate::runs::Runs;

/// A directed edge; the free side is on its left.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    pub a: V,
    /// Unit vector along the edge.
    pub u: V,
    pub len: f64,
    /// The object it belongs to.
    pub object: u32,
    /// Which side a point lies on whose nearest point is the start, the end: above zero free, below not,
    /// zero where the edge itself can tell.
    at_a: i8,
    at_b: i8,
}

impl Edge {
    pub fn b(&self) -> V {
        self.a + self.u * self.len
    }

    /// Unit normal towards the free side.
    pub fn normal(&self) -> V {
        self.u.left()
    }

    /// Distance from the edge's line, above zero on the free side.
    pub fn height(&self, p: V) -> f64 {
        self.u.cross(p - self.a)
    }

    /// Nearest point of the edge.
    pub fn foot(&self, p: V) -> V {
        self.a + self.u * (p - self.a).dot(self.u).clamp(0.0, self.len)
    }

    pub fn dist2(&self, p: V) -> f64 {
        (p - self.foot(p)).norm2()
    }
}

/// One thing to keep away from, or to stay inside of: the free side of all its rings is on their left.
#[derive(Debug)]
pub(crate) struct Object {
    pub clearance: f64,
    first: u32,
    end: u32,
    runs: Runs,
}

/// Rings to keep a distance from. `slack` at a point is the least, over the objects, of the signed distance to
/// the object less its clearance; it changes by at most the distance the point moves.
#[derive(Debug)]
pub(crate) struct Field {
    edges: Vec<Edge>,
    objects: Vec<Object>,
    lo: V,
    hi: V,
    /// The square around the bounds, and the edges that may decide in it.
    corner: V,
    side: f64,
    root: Cell,
    /// Whether all outside the bounds is forbidden (by the first object), rather than free.
    bounded: bool,
    /// The greatest clearance of an object.
    clearance: f64,
    pad: f64,
}

/// A square with the edges that may decide for points in it; sixteen smaller ones below, made when first asked.
#[derive(Debug)]
struct Cell {
    /// The slack at its middle, and the edge that decides it.
    mid: f64,
    nearest: u32,
    list: Box<[u32]>,
    kids: OnceLock<Box<[OnceLock<Cell>; SPLIT * SPLIT]>>,
}

/// A square is split into this many along each side,
const SPLIT: usize = 4;
/// where more edges than this may decide in it,
const ENOUGH: usize = 10;
/// this many times at most.
const DEPTH: usize = 5;
/// Up to so many edges are as quick to go through as to look up.
const FEW: usize = 32;

/// Collects the rings of a [`Field`].
#[derive(Debug, Default)]
pub(crate) struct FieldBuilder {
    edges: Vec<Edge>,
    objects: Vec<Object>,
    bounded: bool,
}

impl FieldBuilder {
    /// Adds an object: rings with material on the left, as in a shape; `inside` where the material is the free
    /// side.
    pub fn object<R: AsRef<[V]>>(&mut self, rings: impl IntoIterator<Item = R>, inside: bool, clearance: f64) {
        self.bounded |= inside && self.objects.is_empty();
        let object = self.objects.len() as u32;
        let first = self.edges.len() as u32;
        for ring in rings {
            let ring = ring.as_ref();
            let at = self.edges.len();
            let n = ring.len();
            for i in 0..n {
                let (a, b) =
                    if inside { (ring[i], ring[(i + 1) % n]) } else { (ring[n - 1 - i], ring[(2 * n - 2 - i) % n]) };
                let len = (b - a).norm();
                let u = if len > 0.0 { (b - a) * (1.0 / len) } else { v(1.0, 0.0) };
                self.edges.push(Edge { a, u, len, object, at_a: 0, at_b: 0 });
            }
            for i in 0..n {
                let (this, next) = (at + i, at + (i + 1) % n);
                let (u, w) = (self.edges[this].u, self.edges[next].u);
                // A turn of less than a right angle: the side of either edge is the side of the point. Past it, a
                // point that is nearest to the corner lies on the side with the greater angle.
                let side = if u.dot(w) > 0.0 {
                    0
                } else if u.cross(w) > 0.0 {
                    -1
                } else {
                    1
                };
                self.edges[this].at_b = side;
                self.edges[next].at_a = side;
            }
        }
        let end = self.edges.len() as u32;
        let runs = Runs::new(&self.edges, first as usize, end as usize);
        self.objects.push(Object { clearance, first, end, runs });
    }

    /// The field over `pad` beyond the bounds of all rings.
    pub fn build(self, pad: f64) -> Field {
        let (mut lo, mut hi) = (v(f64::INFINITY, f64::INFINITY), v(f64::NEG_INFINITY, f64::NEG_INFINITY));
        for e in &self.edges {
            lo = v(lo.x.min(e.a.x), lo.y.min(e.a.y));
            hi = v(hi.x.max(e.a.x), hi.y.max(e.a.y));
        }
        lo = lo - v(pad, pad);
        hi = hi + v(pad, pad);
        let size = v((hi.x - lo.x).max(1.0), (hi.y - lo.y).max(1.0));
        let side = size.x.max(size.y) * (1.0 + 1e-9);
        let corner = (lo + hi) * 0.5 - v(side, side) * 0.5;
        let root = Cell { mid: 0.0, nearest: 0, list: (0..self.edges.len() as u32).collect(), kids: OnceLock::new() };
        let clearance = self.objects.iter().fold(0.0, |c: f64, o| c.max(o.clearance));
        let mut field = Field {
            bounded: self.bounded,
            clearance,
            pad,
            edges: self.edges,
            objects: self.objects,
            lo,
            hi,
            corner,
            side,
            root,
        };
        field.root.mid = field.nearest_of(&field.root.list, (lo + hi) * 0.5);
        field
    }
}

impl Field {
    pub fn edges(&self) -> &[Edge] {
        &self.edges
    }

    pub fn objects(&self) -> &[Object] {
        &self.objects
    }

    pub fn bounds(&self) -> (V, V) {
        (self.lo, self.hi)
    }

    /// How far the point lies outside the field's bounds; 0 inside.
    pub fn beyond(&self, p: V) -> f64 {
        let x = (self.lo.x - p.x).max(p.x - self.hi.x).max(0.0);
        let y = (self.lo.y - p.y).max(p.y - self.hi.y).max(0.0);
        v(x, y).norm()
    }

    /// Signed distance less clearance; see [`Field`]. Beyond the field's bounds an upper bound of it.
    pub fn slack(&self, p: V) -> f64 {
        self.slack_between(p, f64::NEG_INFINITY, f64::INFINITY, 0.0).1
    }

    /// Whether the slack is above `limit`.
    pub fn exceeds(&self, p: V, limit: f64) -> bool {
        self.slack_between(p, limit, limit, 0.0).0 > limit
    }

    /// Bounds on the slack, from below and from above, worked out no further than until it is known to be below
    /// `low`, to be above `high`, or to within `tolerance`. Beyond the field's bounds only until it is known
    /// whether it is below `low`.
    pub fn slack_between(&self, p: V, low: f64, high: f64, tolerance: f64) -> (f64, f64) {
        let mut cell = &self.root;
        let mut half = self.side / 2.0;
        let mut middle = self.corner + v(half, half);
        let out = self.beyond(p);
        if out > 0.0 {
            let error = (p - middle).norm();
            let (from, to) = (cell.mid - error, cell.mid + error);
            if self.bounded {
                return (from, to.min(-out - self.objects[0].clearance));
            }
            let from = from.max(out + self.pad - self.clearance);
            if from >= low {
                return (from, to);
            }
        } else {
            for _ in 0..DEPTH {
                let error = (p - middle).norm();
                let (from, to) = (cell.mid - error, cell.mid + error);
                if error <= tolerance || to < low || from > high {
                    return (from, to);
                }
                if cell.list.len() <= ENOUGH {
                    break;
                }
                let width = half * 2.0 / SPLIT as f64;
                let index = |d: f64| (((d + half) / width) as usize).min(SPLIT - 1);
                let (ix, iy) = (index(p.x - middle.x), index(p.y - middle.y));
                middle = middle - v(half, half) + v(ix as f64 + 0.5, iy as f64 + 0.5) * width;
                half = width / 2.0;
                let kids = cell.kids.get_or_init(Default::default);
                // A little more than the half diagonal, so that rounding at the seams does no harm.
                cell = kids[iy * SPLIT + ix].get_or_init(|| self.cell_of(cell, middle, half * 1.4143));
            }
        }
        let exact = self.nearest_of(&cell.list, p);
        (exact, exact)
    }

    /// The edges within `radius` of `p`, in `out` (emptied first), each once; false, and `out` unfinished, where
    /// they are more than `most`.
    pub fn within(&self, p: V, radius: f64, most: usize, out: &mut Vec<u32>) -> bool {
        out.clear();
        let r2 = radius * radius;
        for object in &self.objects {
            object.runs.visit(&self.edges, p, r2, |e, _| {
                out.push(e);
                if out.len() > most { -1.0 } else { r2 }
            });
            if out.len() > most {
                return false;
            }
        }
        true
    }

    /// The cell around `centre`, with those edges that may decide for some point within `radius`, given the cell
    /// above.
    /// Where an object may decide, its nearest edges stay, so that its sign stays right.
    fn cell_of(&self, above: &Cell, centre: V, radius: f64) -> Cell {
        let reach = 2.0 * radius * (1.0 + 1e-9) + 1e-6;
        let mut cell = Cell { mid: f64::INFINITY, nearest: above.nearest, list: Box::default(), kids: OnceLock::new() };
        // Each object's slack at the centre, and its distance; then the edges of those that may decide.
        let mut list = Vec::with_capacity(8);
        let measured = |cell: &mut Cell, (edge, d2): (u32, f64)| {
            let object = self.edges[edge as usize].object;
            let distance = d2.sqrt();
            let signed = if self.free_side(edge, centre) { distance } else { -distance };
            let slack = signed - self.objects[object as usize].clearance;
            if slack < cell.mid {
                (cell.mid, cell.nearest) = (slack, edge);
            }
            (object, slack, distance)
        };
        if above.list.len() <= FEW {
            let mut all = [(0u32, 0.0f64); FEW];
            let all = &mut all[..above.list.len()];
            for (a, &e) in all.iter_mut().zip(&above.list) {
                *a = (e, self.edges[e as usize].dist2(centre));
            }
            let object = |e: u32| self.edges[e as usize].object;
            let objects = || all.chunk_by(|a, b| object(a.0) == object(b.0));
            let least = |run: &[(u32, f64)]| run.iter().fold((0, f64::INFINITY), |b, &e| if e.1 < b.1 { e } else { b });
            for run in objects() {
                measured(&mut cell, least(run));
            }
            for run in objects() {
                let (_, slack, distance) = measured(&mut cell, least(run));
                if slack <= cell.mid + reach {
                    let limit = (distance + reach) * (distance + reach);
                    list.extend(run.iter().filter(|e| e.1 <= limit).map(|e| e.0));
                }
            }
        } else {
            let mut found: Vec<(u32, f64, f64)> = Vec::new();
            for object in &self.objects {
                if object.runs.box_distance(centre) - object.clearance > cell.mid + reach {
                    continue;
                }
                // What is nearest in the square around is a good guess here.
                let mut best = (object.first, f64::INFINITY);
                if (object.first..object.end).contains(&above.nearest) {
                    best = (above.nearest, self.edges[above.nearest as usize].dist2(centre));
                }
                object.runs.visit(&self.edges, centre, best.1, |e, d2| {
                    best = (e, d2);
                    d2
                });
                found.push(measured(&mut cell, best));
            }
            for (object, slack, distance) in found {
                if slack <= cell.mid + reach {
                    let limit = (distance + reach) * (distance + reach);
                    self.objects[object as usize].runs.visit(&self.edges, centre, limit, |e, _| {
                        list.push(e);
                        limit
                    });
                }
            }
        }
        cell.list = list.into_boxed_slice();
        cell
    }

    /// Whether the point lies on the free side, the given edge being its nearest.
    fn free_side(&self, edge: u32, p: V) -> bool {
        let e = &self.edges[edge as usize];
        let along = (p - e.a).dot(e.u);
        let corner = if along <= 0.0 {
            e.at_a
        } else if along >= e.len {
            e.at_b
        } else {
            0
        };
        if corner == 0 { e.height(p) >= 0.0 } else { corner > 0 }
    }

    fn nearest_of(&self, list: &[u32], p: V) -> f64 {
        let mut least = f64::INFINITY;
        let mut i = 0;
        while i < list.len() {
            let object = self.edges[list[i] as usize].object;
            let mut best = (f64::INFINITY, list[i]);
            while i < list.len() {
                let e = &self.edges[list[i] as usize];
                if e.object != object {
                    break;
                }
                let d = e.dist2(p);
                if d < best.0 {
                    best = (d, list[i]);
                }
                i += 1;
            }
            least = least.min(self.slack_by(best.1, best.0, p));
        }
        least
    }

    /// The slack with regard to the object of the given edge, which is its nearest; by the square of the distance.
    pub fn slack_by(&self, edge: u32, d2: f64, p: V) -> f64 {
        let distance = d2.sqrt();
        let signed = if self.free_side(edge, p) { distance } else { -distance };
        signed - self.objects[self.edges[edge as usize].object as usize].clearance
    }
}

/// A ring of grid points as vectors relative to `origin`, mirrored where asked (and then run the other way, so
/// that the material stays on the left).
pub(crate) fn ring_of(ring: &[Point], origin: V, flip: bool) -> Vec<V> {
    let at = |p: &Point| {
        let p = V::from(*p);
        (if flip { v(-p.x, p.y) } else { p }) - origin
    };
    if flip { ring.iter().rev().map(at).collect() } else { ring.iter().map(at).collect() }
}

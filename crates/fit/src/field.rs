//! How far a point is from what is forbidden: signed distances to many rings, by a grid filled as it is asked.

use std::sync::OnceLock;

use sheetloft_shapes::Point;

use crate::num::{V, v};

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
#[derive(Clone, Copy, Debug)]
pub(crate) struct Object {
    pub clearance: f64,
    pub first: u32,
    pub end: u32,
}

/// Rings to keep a distance from. `slack` at a point is the least, over the objects, of the signed distance to
/// the object less its clearance; it changes by at most the distance the point moves.
#[derive(Debug)]
pub(crate) struct Field {
    edges: Vec<Edge>,
    objects: Vec<Object>,
    lo: V,
    hi: V,
    cell: f64,
    nx: usize,
    ny: usize,
    fine: Vec<OnceLock<Box<[u32]>>>,
    coarse: Vec<OnceLock<Box<[u32]>>>,
    coarse_nx: usize,
    /// Edges by the squares their bounds touch, for asking what lies within a distance.
    buckets: Vec<Vec<u32>>,
    bucket: f64,
    bucket_nx: usize,
    bucket_ny: usize,
}

/// Fine cells along one side of a coarse cell.
const BLOCK: usize = 8;

/// Collects the rings of a [`Field`].
#[derive(Debug, Default)]
pub(crate) struct FieldBuilder {
    edges: Vec<Edge>,
    objects: Vec<Object>,
}

impl FieldBuilder {
    /// Adds an object: rings with material on the left, as in a shape; `inside` where the material is the free
    /// side.
    pub fn object<R: AsRef<[V]>>(&mut self, rings: impl IntoIterator<Item = R>, inside: bool, clearance: f64) {
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
        self.objects.push(Object { clearance, first, end: self.edges.len() as u32 });
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
        let wanted = (self.edges.len() as f64 * 24.0).clamp(1_024.0, 65_536.0);
        let cell = (size.x * size.y / wanted).sqrt().max(size.x.max(size.y) / 1_000.0);
        let nx = (size.x / cell) as usize + 1;
        let ny = (size.y / cell) as usize + 1;
        let (coarse_nx, coarse_ny) = (nx.div_ceil(BLOCK), ny.div_ceil(BLOCK));
        let bucket = (size.x * size.y / (self.edges.len() as f64 * 2.0).clamp(64.0, 4_096.0))
            .sqrt()
            .max(size.x.max(size.y) / 256.0);
        let bucket_nx = (size.x / bucket) as usize + 1;
        let bucket_ny = (size.y / bucket) as usize + 1;
        let mut buckets = vec![Vec::new(); bucket_nx * bucket_ny];
        for (i, e) in self.edges.iter().enumerate() {
            let (a, b) = (e.a - lo, e.b() - lo);
            let index = |v: f64, n: usize| ((v / bucket).max(0.0) as usize).min(n - 1);
            for y in index(a.y.min(b.y), bucket_ny)..=index(a.y.max(b.y), bucket_ny) {
                for x in index(a.x.min(b.x), bucket_nx)..=index(a.x.max(b.x), bucket_nx) {
                    // Long slanted edges touch far fewer squares than their bounds do.
                    let centre = v(x as f64 + 0.5, y as f64 + 0.5) * bucket + lo;
                    if e.dist2(centre) <= bucket * bucket * 0.501 {
                        buckets[y * bucket_nx + x].push(i as u32);
                    }
                }
            }
        }
        Field {
            edges: self.edges,
            objects: self.objects,
            lo,
            hi,
            cell,
            nx,
            ny,
            fine: vec![OnceLock::new(); nx * ny],
            coarse: vec![OnceLock::new(); coarse_nx * coarse_ny],
            coarse_nx,
            buckets,
            bucket,
            bucket_nx,
            bucket_ny,
        }
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

    /// Signed distance less clearance; see [`Field`].
    pub fn slack(&self, p: V) -> f64 {
        let (fx, fy) = ((p.x - self.lo.x) / self.cell, (p.y - self.lo.y) / self.cell);
        // Also false where a coordinate is not a number.
        if fx >= 0.0 && fy >= 0.0 && fx < self.nx as f64 && fy < self.ny as f64 {
            self.nearest_of(self.cell_edges(fx as usize, fy as usize), p)
        } else {
            self.nearest_of_all(p)
        }
    }

    /// The edges within `radius` of `p`, in `out` (emptied first), each once.
    pub fn within(&self, p: V, radius: f64, out: &mut Vec<u32>) {
        out.clear();
        let r2 = radius * radius;
        let index = |v: f64, n: usize| ((v / self.bucket).max(0.0) as usize).min(n - 1);
        let (lo, hi) = (p - self.lo - v(radius, radius), p - self.lo + v(radius, radius));
        let (x0, x1) = (index(lo.x, self.bucket_nx), index(hi.x, self.bucket_nx));
        let (y0, y1) = (index(lo.y, self.bucket_ny), index(hi.y, self.bucket_ny));
        for y in y0..=y1 {
            for x in x0..=x1 {
                for &e in &self.buckets[y * self.bucket_nx + x] {
                    if self.edges[e as usize].dist2(p) <= r2 && !out.contains(&e) {
                        out.push(e);
                    }
                }
            }
        }
    }

    fn cell_edges(&self, ix: usize, iy: usize) -> &[u32] {
        self.fine[iy * self.nx + ix].get_or_init(|| {
            let (cx, cy) = (ix / BLOCK, iy / BLOCK);
            let coarse = self.coarse[cy * self.coarse_nx + cx].get_or_init(|| {
                let half = self.cell * BLOCK as f64 / 2.0;
                let centre = self.lo + v((2 * cx + 1) as f64, (2 * cy + 1) as f64) * half;
                self.candidates(0..self.edges.len() as u32, centre, half * 1.415)
            });
            let half = self.cell / 2.0;
            let centre = self.lo + v((2 * ix + 1) as f64, (2 * iy + 1) as f64) * half;
            self.candidates(coarse.iter().copied(), centre, half * 1.415)
        })
    }

    /// Those edges of the given ones that may decide for some point within `radius` of `centre`. Where an object
    /// may decide, its nearest edges stay, so that its sign stays right.
    fn candidates(&self, of: impl Iterator<Item = u32> + Clone, centre: V, radius: f64) -> Box<[u32]> {
        let reach = 2.0 * radius * (1.0 + 1e-9) + 1e-6;
        // Each object's signed distance at the centre, less clearance.
        let mut at_centre: Vec<(u32, f64, f64)> = Vec::new();
        let mut least = f64::INFINITY;
        let mut rest = of.clone().peekable();
        while let Some(&first) = rest.peek() {
            let object = self.edges[first as usize].object;
            let mut best = (f64::INFINITY, first);
            while let Some(e) = rest.next_if(|&e| self.edges[e as usize].object == object) {
                let d = self.edges[e as usize].dist2(centre);
                if d < best.0 {
                    best = (d, e);
                }
            }
            let distance = best.0.sqrt();
            let signed = if self.free_side(best.1, centre) { distance } else { -distance };
            let slack = signed - self.objects[object as usize].clearance;
            least = least.min(slack);
            at_centre.push((object, slack, distance));
        }
        let mut at = at_centre.iter().peekable();
        of.filter(|&e| {
            let edge = &self.edges[e as usize];
            while at.next_if(|o| o.0 != edge.object).is_some() {}
            at.peek().is_some_and(|&&(_, slack, distance)| {
                slack <= least + reach && edge.dist2(centre) <= (distance + reach) * (distance + reach)
            })
        })
        .collect()
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
            least = least.min(self.object_slack(object, best, p));
        }
        least
    }

    fn nearest_of_all(&self, p: V) -> f64 {
        let mut least = f64::INFINITY;
        for (k, o) in self.objects.iter().enumerate() {
            let mut best = (f64::INFINITY, o.first);
            for e in o.first..o.end {
                let d = self.edges[e as usize].dist2(p);
                if d < best.0 {
                    best = (d, e);
                }
            }
            least = least.min(self.object_slack(k as u32, best, p));
        }
        least
    }

    fn object_slack(&self, object: u32, (d2, edge): (f64, u32), p: V) -> f64 {
        let distance = d2.sqrt();
        let signed = if self.free_side(edge, p) { distance } else { -distance };
        signed - self.objects[object as usize].clearance
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

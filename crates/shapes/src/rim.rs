//! The edges of a shape, indexed: which pairs of edges are near each other, how near, where a point lies.
//!
//! Edges that follow each other along a ring lie close together, so a binary tree over the edges in the order
//! of the rings, each node with the box around its edges, is as good as a sorted index and built in one pass.

use crate::limits::COORDINATE_UM;
use crate::shape::{Point, Shape, Side, dist2, orient};

/// Edges in one leaf of the tree.
const LEAF: usize = 4;
/// More than any two points within the limits of coordinates are apart; its square times that of a distance
/// fits an `i128`, and twice itself squared an `i64`.
const FURTHEST_UM: i64 = 5 * COORDINATE_UM;

/// A shape's edges under a tree of boxes. Built once, asked often.
#[derive(Clone, Debug)]
pub struct Rim {
    edges: Vec<RimEdge>,
    nodes: Vec<Node>,
    /// The first edge of each ring.
    rings: Vec<usize>,
}

/// An edge with its neighbours in the ring; the material lies to the left of `a → b`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct RimEdge {
    /// The corner before `a`.
    pub before: Point,
    pub a: Point,
    pub b: Point,
}

#[derive(Clone, Copy, Debug)]
struct Node {
    lo: Point,
    hi: Point,
    /// Range of edges under this node.
    from: u32,
    to: u32,
    /// The second child; the first one follows its parent. 0 for a leaf.
    second: u32,
}

impl Rim {
    /// Indexes the edges of a shape.
    pub fn new(shape: &Shape) -> Self {
        Self::of_rings(shape.rings())
    }

    /// Indexes the edges of rings that need not make a shape. At least one ring must have a corner.
    pub(crate) fn of_rings<'a>(given: impl Iterator<Item = &'a [Point]>) -> Self {
        let mut edges = Vec::new();
        let mut rings = Vec::new();
        for ring in given.filter(|r| !r.is_empty()) {
            rings.push(edges.len());
            let mut before = ring[ring.len() - 1];
            for (a, b) in crate::shape::edges(ring) {
                edges.push(RimEdge { before, a, b });
                before = a;
            }
        }
        let mut nodes = Vec::with_capacity(edges.len());
        build(&edges, 0, edges.len(), &mut nodes);
        Self { edges, nodes, rings }
    }

    /// Lower left and upper right corner of the upright box around all edges.
    pub fn bounds(&self) -> (Point, Point) {
        (self.nodes[0].lo, self.nodes[0].hi)
    }

    /// The first corner of each ring, the outline's first.
    pub(crate) fn ring_starts(&self) -> impl Iterator<Item = Point> + '_ {
        self.rings.iter().map(|&e| self.edges[e].a)
    }

    /// Where a point lies, exactly; the same as [`Shape::side_of`], in logarithmic time for most shapes.
    pub fn side_of(&self, p: Point) -> Side {
        let mut inside = false;
        let mut stack = vec![0];
        while let Some(n) = stack.pop() {
            let node = &self.nodes[n];
            // Only edges at the level of `p` and not wholly left of it count.
            if p.y < node.lo.y || p.y > node.hi.y || p.x > node.hi.x {
                continue;
            }
            if node.second != 0 {
                stack.extend([n + 1, node.second as usize]);
                continue;
            }
            for e in self.leaf(node) {
                let turn = orient(e.a, e.b, p);
                if turn == 0 && e.holds(p) {
                    return Side::Boundary;
                }
                if (e.a.y > p.y) != (e.b.y > p.y) && (turn > 0) == (e.b.y > e.a.y) {
                    inside = !inside;
                }
            }
        }
        if inside { Side::Inside } else { Side::Outside }
    }

    /// An edge that the point lies on; where it is a corner, the edge that starts there.
    pub(crate) fn edge_at(&self, p: Point) -> Option<RimEdge> {
        let mut found = None;
        let mut stack = vec![0];
        while let Some(n) = stack.pop() {
            let node = &self.nodes[n];
            if p.x < node.lo.x || p.x > node.hi.x || p.y < node.lo.y || p.y > node.hi.y {
                continue;
            }
            if node.second != 0 {
                stack.extend([n + 1, node.second as usize]);
                continue;
            }
            for e in self.leaf(node) {
                if e.a == p {
                    return Some(*e);
                }
                if orient(e.a, e.b, p) == 0 && e.holds(p) {
                    found = Some(*e);
                }
            }
        }
        // A corner where an edge ends is the start of another, which was found before.
        found
    }

    /// Whether some point of this rim is closer than `min_um` to some point of the other; exact. Rims that
    /// touch or cross are at distance 0.
    pub fn closer_than(&self, other: &Rim, min_um: i64) -> bool {
        if min_um <= 0 {
            return false;
        }
        let min_um = min_um.min(FURTHEST_UM);
        let min2 = min_um * min_um;
        self.any_pair(other, |gap2| gap2 < min2, |e, f| segments_closer(e, f, min_um))
    }

    /// Whether `test` holds for any pair of edges, one of each rim, whose boxes lie near each other: `near` is
    /// asked with the squared distance of two boxes.
    pub(crate) fn any_pair(
        &self,
        other: &Rim,
        near: impl Fn(i64) -> bool,
        mut test: impl FnMut(&RimEdge, &RimEdge) -> bool,
    ) -> bool {
        let mut stack = vec![(0usize, 0usize)];
        while let Some((m, n)) = stack.pop() {
            let (a, b) = (&self.nodes[m], &other.nodes[n]);
            if !near(boxes_gap2((a.lo, a.hi), (b.lo, b.hi))) {
                continue;
            }
            match (a.second, b.second) {
                (0, 0) => {
                    for e in self.leaf(a) {
                        for f in other.leaf(b) {
                            if near(boxes_gap2(e.bounds(), f.bounds())) && test(e, f) {
                                return true;
                            }
                        }
                    }
                }
                (second, 0) => stack.extend([(m + 1, n), (second as usize, n)]),
                (0, second) => stack.extend([(m, n + 1), (m, second as usize)]),
                (s, _) if a.to - a.from >= b.to - b.from => stack.extend([(m + 1, n), (s as usize, n)]),
                (_, s) => stack.extend([(m, n + 1), (m, s as usize)]),
            }
        }
        false
    }

    /// Least distance between the two rims in whole µm, rounded down: exact.
    pub fn distance_um(&self, other: &Rim) -> i64 {
        // The floor of a least distance is the least of the floors, so whole numbers are enough throughout.
        let mut best = FURTHEST_UM;
        let mut stack = vec![(0usize, 0usize)];
        while let Some((m, n)) = stack.pop() {
            let (a, b) = (&self.nodes[m], &other.nodes[n]);
            let best2 = best * best;
            if boxes_gap2((a.lo, a.hi), (b.lo, b.hi)) >= best2 {
                continue;
            }
            let pairs = match (a.second, b.second) {
                (0, 0) => {
                    for e in self.leaf(a) {
                        for f in other.leaf(b) {
                            if boxes_gap2(e.bounds(), f.bounds()) < best * best && segments_closer(e, f, best) {
                                best = segments_distance_um(e, f);
                            }
                        }
                    }
                    continue;
                }
                (second, 0) => [(m + 1, n), (second as usize, n)],
                (0, second) => [(m, n + 1), (m, second as usize)],
                (s, _) if a.to - a.from >= b.to - b.from => [(m + 1, n), (s as usize, n)],
                (_, s) => [(m, n + 1), (m, s as usize)],
            };
            // The nearer pair is taken off the stack first.
            let gap2 = |&(m, n): &(usize, usize)| {
                let (a, b) = (&self.nodes[m], &other.nodes[n]);
                boxes_gap2((a.lo, a.hi), (b.lo, b.hi))
            };
            if gap2(&pairs[0]) <= gap2(&pairs[1]) {
                stack.extend([pairs[1], pairs[0]]);
            } else {
                stack.extend(pairs);
            }
        }
        best
    }

    /// All edges, ring by ring.
    pub(crate) fn all_edges(&self) -> &[RimEdge] {
        &self.edges
    }

    /// For each ring the range of its edges in [`Rim::all_edges`].
    pub(crate) fn ring_ranges(&self) -> impl Iterator<Item = std::ops::Range<usize>> + '_ {
        let ends = self.rings.iter().skip(1).copied().chain([self.edges.len()]);
        self.rings.iter().copied().zip(ends).map(|(from, to)| from..to)
    }

    /// Shows `look` the edges near a point, nearer ones mostly first, until none is left whose box is within the
    /// distance whose square `look` asked for last; that of `within_um` at first.
    pub(crate) fn nearest_first(&self, p: Point, within_um: i64, mut look: impl FnMut(&RimEdge) -> Option<i64>) {
        let um = within_um.clamp(0, FURTHEST_UM);
        let mut most2 = um * um;
        let gap2 = |n: usize| boxes_gap2((self.nodes[n].lo, self.nodes[n].hi), (p, p));
        let mut stack = vec![(gap2(0), 0)];
        while let Some((gap, n)) = stack.pop() {
            if gap > most2 {
                continue;
            }
            let node = &self.nodes[n];
            if node.second == 0 {
                for e in self.leaf(node) {
                    most2 = look(e).map_or(most2, |asked| asked.min(most2));
                }
                continue;
            }
            let (first, second) = ((gap2(n + 1), n + 1), (gap2(node.second as usize), node.second as usize));
            stack.extend(if first.0 <= second.0 { [second, first] } else { [first, second] });
        }
    }

    /// Whether `test` holds for any edge whose box meets that of the segment `a b`.
    pub(crate) fn any_edge_meeting(&self, a: Point, b: Point, mut test: impl FnMut(&RimEdge) -> bool) -> bool {
        let segment = RimEdge { before: a, a, b }.bounds();
        let mut stack = vec![0];
        while let Some(n) = stack.pop() {
            let node = &self.nodes[n];
            if boxes_gap2((node.lo, node.hi), segment) > 0 {
                continue;
            }
            if node.second != 0 {
                stack.extend([n + 1, node.second as usize]);
            } else if self.leaf(node).iter().any(|e| boxes_gap2(e.bounds(), segment) == 0 && test(e)) {
                return true;
            }
        }
        false
    }

    /// Distance from a point to the nearest edge in whole µm, rounded down; exact.
    pub fn distance_from_um(&self, p: Point) -> i64 {
        let mut best = FURTHEST_UM;
        let mut stack = vec![0];
        while let Some(n) = stack.pop() {
            let node = &self.nodes[n];
            if boxes_gap2((node.lo, node.hi), (p, p)) >= best * best {
                continue;
            }
            if node.second != 0 {
                stack.extend([n + 1, node.second as usize]);
                continue;
            }
            for e in self.leaf(node) {
                best = best.min(point_distance_um(p, e.a, e.b));
            }
        }
        best
    }

    /// Distance from a point to the nearest edge, µm; in floating point, right to about 1e-9 of the distance
    /// plus 1e-6 µm. For searching, never for deciding.
    pub fn distance_to(&self, p: [f64; 2]) -> f64 {
        self.nearest(p).0
    }

    /// Distance to the nearest edge and the point nearest on it, in floating point: for searching, never for
    /// deciding.
    pub fn nearest(&self, p: [f64; 2]) -> (f64, [f64; 2]) {
        let gap2 = |n: usize| {
            let node = &self.nodes[n];
            let outside = |v: f64, lo: i32, hi: i32| (f64::from(lo) - v).max(v - f64::from(hi)).max(0.0);
            let (dx, dy) = (outside(p[0], node.lo.x, node.hi.x), outside(p[1], node.lo.y, node.hi.y));
            dx * dx + dy * dy
        };
        let mut best = (f64::INFINITY, p);
        let mut stack = vec![(gap2(0), 0)];
        while let Some((gap, n)) = stack.pop() {
            if gap >= best.0 {
                continue;
            }
            let node = &self.nodes[n];
            if node.second == 0 {
                for e in self.leaf(node) {
                    let near = nearest_on_segment(e.a, e.b, p);
                    let (dx, dy) = (near[0] - p[0], near[1] - p[1]);
                    let d2 = dx * dx + dy * dy;
                    if d2 < best.0 {
                        best = (d2, near);
                    }
                }
                continue;
            }
            let (first, second) = ((gap2(n + 1), n + 1), (gap2(node.second as usize), node.second as usize));
            stack.extend(if first.0 <= second.0 { [second, first] } else { [first, second] });
        }
        (best.0.sqrt(), best.1)
    }

    fn leaf(&self, node: &Node) -> &[RimEdge] {
        &self.edges[node.from as usize..node.to as usize]
    }
}

impl RimEdge {
    fn bounds(&self) -> (Point, Point) {
        (
            Point::new(self.a.x.min(self.b.x), self.a.y.min(self.b.y)),
            Point::new(self.a.x.max(self.b.x), self.a.y.max(self.b.y)),
        )
    }

    /// Whether a point on the edge's line lies on the edge, ends included.
    pub(crate) fn holds(&self, p: Point) -> bool {
        let (lo, hi) = self.bounds();
        p.x >= lo.x && p.x <= hi.x && p.y >= lo.y && p.y <= hi.y
    }
}

fn build(edges: &[RimEdge], from: usize, to: usize, nodes: &mut Vec<Node>) {
    let at = nodes.len();
    let (mut lo, mut hi) = edges[from].bounds();
    for e in &edges[from + 1..to] {
        let (l, h) = e.bounds();
        lo = Point::new(lo.x.min(l.x), lo.y.min(l.y));
        hi = Point::new(hi.x.max(h.x), hi.y.max(h.y));
    }
    nodes.push(Node { lo, hi, from: from as u32, to: to as u32, second: 0 });
    if to - from > LEAF {
        let middle = from + (to - from) / 2;
        build(edges, from, middle, nodes);
        nodes[at].second = nodes.len() as u32;
        build(edges, middle, to, nodes);
    }
}

/// Squared distance of two upright boxes, µm²; 0 where they meet.
pub(crate) fn boxes_gap2((alo, ahi): (Point, Point), (blo, bhi): (Point, Point)) -> i64 {
    let gap = |alo: i32, ahi: i32, blo: i32, bhi: i32| {
        (i64::from(alo) - i64::from(bhi)).max(i64::from(blo) - i64::from(ahi)).max(0)
    };
    let (dx, dy) = (gap(alo.x, ahi.x, blo.x, bhi.x), gap(alo.y, ahi.y, blo.y, bhi.y));
    dx * dx + dy * dy
}

/// Whether two segments are closer than `min_um` (above 0), exactly: distances squared are whole numbers or
/// quotients of a squared cross product by a squared length, compared crosswise in `i128`.
fn segments_closer(e: &RimEdge, f: &RimEdge, min_um: i64) -> bool {
    point_closer(e.a, f.a, f.b, min_um)
        || point_closer(e.b, f.a, f.b, min_um)
        || point_closer(f.a, e.a, e.b, min_um)
        || point_closer(f.b, e.a, e.b, min_um)
        || crate::valid::segments_meet((e.a, e.b), (f.a, f.b))
}

fn point_closer(p: Point, a: Point, b: Point, min_um: i64) -> bool {
    let min = i128::from(min_um);
    match foot(p, a, b) {
        Foot::Corner(d2) => i128::from(d2) < min * min,
        Foot::Edge { cross, len2 } => i128::from(cross) * i128::from(cross) < min * min * i128::from(len2),
    }
}

fn segments_distance_um(e: &RimEdge, f: &RimEdge) -> i64 {
    if crate::valid::segments_meet((e.a, e.b), (f.a, f.b)) {
        return 0;
    }
    point_distance_um(e.a, f.a, f.b)
        .min(point_distance_um(e.b, f.a, f.b))
        .min(point_distance_um(f.a, e.a, e.b))
        .min(point_distance_um(f.b, e.a, e.b))
}

/// Distance from a point to a segment in whole µm, rounded down; exact.
fn point_distance_um(p: Point, a: Point, b: Point) -> i64 {
    let d2 = match foot(p, a, b) {
        Foot::Corner(d2) => i128::from(d2),
        Foot::Edge { cross, len2 } => i128::from(cross) * i128::from(cross) / i128::from(len2),
    };
    d2.isqrt() as i64
}

/// Where the perpendicular from a point to a segment stands.
enum Foot {
    /// Beyond an end: the squared distance to it.
    Corner(i64),
    /// On the segment: the distance is |cross| / √len2.
    Edge { cross: i64, len2: i64 },
}

fn foot(p: Point, a: Point, b: Point) -> Foot {
    let (dx, dy) = (i64::from(b.x) - i64::from(a.x), i64::from(b.y) - i64::from(a.y));
    let along = (i64::from(p.x) - i64::from(a.x)) * dx + (i64::from(p.y) - i64::from(a.y)) * dy;
    let len2 = dx * dx + dy * dy;
    if along <= 0 {
        Foot::Corner(dist2(p, a))
    } else if along >= len2 {
        Foot::Corner(dist2(p, b))
    } else {
        Foot::Edge { cross: orient(a, b, p), len2 }
    }
}

/// The point of a segment nearest to `p`, in floating point.
pub(crate) fn nearest_on_segment(a: Point, b: Point, p: [f64; 2]) -> [f64; 2] {
    let (ax, ay) = (f64::from(a.x), f64::from(a.y));
    let (dx, dy) = (f64::from(b.x) - ax, f64::from(b.y) - ay);
    let t = (((p[0] - ax) * dx + (p[1] - ay) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    [ax + t * dx, ay + t * dy]
}

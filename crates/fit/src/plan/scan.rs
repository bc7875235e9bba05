//! Quick places for parts beside what lies already: the part's box, pushed to one end of the free space.
//!
//! For each place to which the box could be pushed sideways (next to a corner of the rim or of a part), the
//! ways up that the rim and the parts leave open there are worked out, and the lowest one that is high enough
//! is taken: the bottom-left rule of B. S. Baker, E. G. Coffman, R. L. Rivest ("Orthogonal packings in two
//! dimensions", SIAM J. Comput. 9, 1980) for boxes among polygons. Clearances are kept as boxes, too: more than
//! is asked at corners, never less. What comes out is a proposal; the caller verifies it.

use sheetloft_shapes::shape::edges;
use sheetloft_shapes::{Point, Shape, Turn};

/// Most sideways places tried for one box.
const PLACES_MOST: usize = 600;
/// Outlines without holes and with more corners than this stand in the way as their box.
const CORNERS_MOST: usize = 24;

/// Sideways places this near to each other, µm, count as one: then the lower one is taken. Otherwise the µm by
/// which turned parts are rounded would decide which column a part goes to.
const ALIKE_UM: f64 = 100.0;

/// Free space seen in a turned frame whose x axis is the way along which parts are pushed together.
#[derive(Debug)]
pub(super) struct Scan {
    /// How the frame's axes are turned out of the piece's, counter-clockwise.
    pub turn: Turn,
    /// Whether x and y are exchanged in the frame: parts are pushed along the piece's y.
    swapped: bool,
    edges: Vec<Edge>,
    /// Bounds of the piece.
    lo: [f64; 2],
    hi: [f64; 2],
}

#[derive(Clone, Copy, Debug)]
struct Edge {
    a: [f64; 2],
    b: [f64; 2],
    clearance: f64,
}

/// A box to be placed: least corner and size in the frame, of the part turned but not yet moved.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Extent {
    lo: [f64; 2],
    size: [f64; 2],
}

/// A place found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Spot {
    /// Move of the turned part in the piece's coordinates, µm.
    pub by: [f64; 2],
    /// How far the box reaches along the way parts are pushed from, and where it begins: smaller is better.
    pub end: f64,
    /// Where to begin the search for the next equal box.
    pub start: f64,
}

impl Extent {
    /// Whether the other box has the same size, to within what turning rounds.
    pub fn same_size(&self, other: &Self) -> bool {
        (0..2).all(|i| (self.size[i] - other.size[i]).abs() < 0.5)
    }

    /// Whether this box is no larger than the other, either way.
    pub fn within(&self, other: &Self) -> bool {
        (0..2).all(|i| self.size[i] <= other.size[i])
    }
}

impl Scan {
    /// The free space of a piece in a frame turned by `turn`; parts are pushed along its longer side.
    pub fn new(piece: &Shape, flaws: &[Shape], clearance_um: i64, turn: Turn) -> Self {
        let mut scan = Self { turn, swapped: false, edges: Vec::new(), lo: [0.0; 2], hi: [0.0; 2] };
        (scan.lo, scan.hi) = scan.bounds(piece.outline());
        if scan.hi[1] - scan.lo[1] > scan.hi[0] - scan.lo[0] {
            scan.swapped = true;
            (scan.lo, scan.hi) = scan.bounds(piece.outline());
        }
        scan.add_rings(piece, clearance_um as f64);
        for flaw in flaws {
            scan.add_rings(flaw, clearance_um as f64);
        }
        scan
    }

    /// Puts a placed part into the way, to be kept clear of by `clearance_um`.
    pub fn add(&mut self, part: &Shape, clearance_um: i64) {
        if part.holes().is_empty() && part.corner_count() > CORNERS_MOST {
            let (lo, hi) = self.bounds(part.outline());
            let corners = [lo, [hi[0], lo[1]], hi, [lo[0], hi[1]]];
            for i in 0..4 {
                self.edges.push(Edge { a: corners[i], b: corners[(i + 1) % 4], clearance: clearance_um as f64 });
            }
        } else {
            self.add_rings(part, clearance_um as f64);
        }
    }

    /// The box around a part's turned corners, given relative to the part's origin.
    pub fn extent(&self, turned: &[[f64; 2]]) -> Extent {
        let (lo, hi) = around(turned.iter().map(|&p| self.seen(p)));
        Extent { lo, size: [hi[0] - lo[0], hi[1] - lo[1]] }
    }

    /// The place nearest to the end from which parts are pushed, not before `start`, at which the box keeps all
    /// clearances and `slack` more. `free` says whether a point of the piece's plane lies in free material; it is
    /// asked only about points to which no rim is near.
    pub fn spot(&self, extent: &Extent, start: f64, slack: f64, free: &dyn Fn(Point) -> bool) -> Option<Spot> {
        let [w, h] = extent.size;
        let mut places: Vec<f64> = self
            .edges
            .iter()
            .flat_map(|e| {
                let clear = e.clearance + slack;
                [e.a[0].max(e.b[0]) + clear, e.a[0].min(e.b[0]) - clear - w]
            })
            .chain([start])
            .filter(|&x| x >= start && x >= self.lo[0] && x + w <= self.hi[0])
            .collect();
        places.sort_by(f64::total_cmp);
        places.dedup();
        if places.len() > PLACES_MOST {
            let stride = places.len().div_ceil(PLACES_MOST);
            places = places.into_iter().step_by(stride).collect();
        }
        let mut blocked: Vec<(f64, f64)> = Vec::new();
        let mut best: Option<[f64; 2]> = None;
        let mut first = f64::INFINITY;
        for x in places {
            if x > first + ALIKE_UM {
                break;
            }
            blocked.clear();
            for e in &self.edges {
                let clear = e.clearance + slack;
                if let Some((low, high)) = within_strip(e, x - clear, x + w + clear) {
                    blocked.push((low - clear, high + clear));
                }
            }
            blocked.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut y = self.lo[1];
            for &(low, high) in &blocked {
                if low - y >= h && best.is_none_or(|b| y < b[1]) {
                    let middle = self.back([x + w / 2.0, y + h / 2.0]);
                    if free(Point::new(middle[0].round() as i32, middle[1].round() as i32)) {
                        best = Some([x, y]);
                        first = first.min(x);
                        break;
                    }
                }
                y = y.max(high);
            }
        }
        let [x, y] = best?;
        let by = self.back([x - extent.lo[0], y - extent.lo[1]]);
        Some(Spot { by, end: x + w - self.lo[0], start: first })
    }

    fn add_rings(&mut self, shape: &Shape, clearance: f64) {
        for ring in shape.rings() {
            for (a, b) in edges(ring) {
                let (a, b) = (self.seen_point(a), self.seen_point(b));
                self.edges.push(Edge { a, b, clearance });
            }
        }
    }

    fn bounds(&self, ring: &[Point]) -> ([f64; 2], [f64; 2]) {
        around(ring.iter().map(|&p| self.seen_point(p)))
    }

    fn seen_point(&self, p: Point) -> [f64; 2] {
        self.seen([f64::from(p.x), f64::from(p.y)])
    }

    /// From the piece's axes into the frame.
    fn seen(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.turn.sin_cos();
        let [x, y] = [x * cos + y * sin, y * cos - x * sin];
        if self.swapped { [y, x] } else { [x, y] }
    }

    /// From the frame into the piece's axes.
    fn back(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [x, y] = if self.swapped { [y, x] } else { [x, y] };
        let (sin, cos) = self.turn.sin_cos();
        [x * cos - y * sin, x * sin + y * cos]
    }
}

fn around(points: impl Iterator<Item = [f64; 2]>) -> ([f64; 2], [f64; 2]) {
    points.fold(([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]), |(lo, hi), [x, y]| {
        ([lo[0].min(x), lo[1].min(y)], [hi[0].max(x), hi[1].max(y)])
    })
}

/// Least and most y of the part of an edge that lies in the open strip between two x.
fn within_strip(e: &Edge, from: f64, to: f64) -> Option<(f64, f64)> {
    let (l, r) = if e.a[0] <= e.b[0] { (e.a, e.b) } else { (e.b, e.a) };
    if r[0] <= from || l[0] >= to {
        return None;
    }
    let at = |x: f64| {
        if r[0] > l[0] { l[1] + (x.clamp(l[0], r[0]) - l[0]) / (r[0] - l[0]) * (r[1] - l[1]) } else { l[1] }
    };
    let (y, z) = if r[0] > l[0] { (at(from), at(to)) } else { (l[1], r[1]) };
    Some((y.min(z), y.max(z)))
}

//! Parts as they lie at one turn, and where two of them meet.
//!
//! Two convex polygons A and B overlap where B's move lies in the Minkowski sum of A and −B, a convex polygon again;
//! how deep it lies in it is the least move that takes them apart. For parts made up of convex pieces the depths of
//! all pairs of pieces are added up: no more than a measure for overlap, but one that is 0 exactly where there is
//! none, and linear between the edges of the sums.

use std::sync::OnceLock;

use sheetloft_shapes::{Placement, Point, Turn};

use super::outline::Ways;
use crate::num::{V, v};

/// Depths below this are none, µm.
pub(crate) const TOUCH_UM: f64 = 0.02;

/// A part at one turn, on one of its faces.
#[derive(Clone, Debug)]
pub(crate) struct Form {
    pub turn: Turn,
    pub flip: bool,
    /// Convex, counter-clockwise; as placed by turn and flip alone.
    pub pieces: Vec<Vec<V>>,
    pub lo: V,
    pub hi: V,
}

impl Form {
    /// From convex pieces of the part as drawn.
    pub fn new(pieces: &[Vec<Point>], turn: Turn, flip: bool) -> Self {
        let (sin, cos) = turn.sin_cos();
        let placed = |p: &Point| {
            let (x, y) = (if flip { -f64::from(p.x) } else { f64::from(p.x) }, f64::from(p.y));
            v(x * cos - y * sin, x * sin + y * cos)
        };
        let pieces: Vec<Vec<V>> = pieces
            .iter()
            .map(|ring| {
                let mut ring: Vec<V> = ring.iter().map(placed).collect();
                if flip {
                    ring.reverse();
                }
                ring
            })
            .collect();
        let (mut lo, mut hi) = (v(f64::INFINITY, f64::INFINITY), v(f64::NEG_INFINITY, f64::NEG_INFINITY));
        for p in pieces.iter().flatten() {
            lo = v(lo.x.min(p.x), lo.y.min(p.y));
            hi = v(hi.x.max(p.x), hi.y.max(p.y));
        }
        Self { turn, flip, pieces, lo, hi }
    }

    pub fn size(&self) -> V {
        self.hi - self.lo
    }

    pub fn middle(&self) -> V {
        (self.lo + self.hi) * 0.5
    }

    /// The placement that brings the form to `at`, rounded to the grid.
    pub fn placement(&self, at: V) -> Placement {
        Placement { turn: self.turn, flip: self.flip, dx: at.x.round() as i32, dy: at.y.round() as i32 }
    }
}

/// A line `n · q = d`, with the overlapping side where `n · q` is less.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub n: V,
    pub d: f64,
}

impl Line {
    /// How far a point lies on the overlapping side.
    pub fn depth(&self, q: V) -> f64 {
        self.d - self.n.dot(q)
    }
}

/// The moves of one form at which it overlaps another, as convex polygons.
#[derive(Clone, Debug)]
pub(crate) struct Meet {
    pub lo: V,
    pub hi: V,
    pub sums: Vec<Sum>,
    lines: Vec<Line>,
    /// A raster over the box: for each cell the sums that reach into it. Empty where there are few sums.
    cells: Vec<Cell>,
    per_um: V,
}

/// One cell of a raster.
#[derive(Clone, Debug, Default)]
struct Cell {
    sums: Vec<u16>,
    /// Depths at its corners, where all of it lies in one sum: in between they are near enough.
    deep: Option<[f32; 4]>,
}

/// Cells of the raster each way.
const CELLS: usize = 16;
/// With so few sums all are looked at.
const FEW: usize = 3;

/// One of the convex polygons.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sum {
    lo: V,
    hi: V,
    from: u32,
    to: u32,
}

impl Meet {
    /// For `b` moved, `a` staying, both to keep so much more from each other along slanted edges.
    fn new(a: &Form, b: &Form, slack: f64) -> Self {
        let mut meet = Self {
            lo: a.lo - b.hi,
            hi: a.hi - b.lo,
            sums: Vec::new(),
            lines: Vec::new(),
            cells: Vec::new(),
            per_um: V::default(),
        };
        for p in &a.pieces {
            for q in &b.pieces {
                let ring = minkowski(p, q);
                let from = meet.lines.len() as u32;
                let (mut lo, mut hi) = (ring[0], ring[0]);
                for i in 0..ring.len() {
                    let (c, d) = (ring[i], ring[(i + 1) % ring.len()]);
                    lo = v(lo.x.min(c.x - slack), lo.y.min(c.y - slack));
                    hi = v(hi.x.max(c.x + slack), hi.y.max(c.y + slack));
                    let n = -(d - c).left();
                    let n = n * (1.0 / n.norm());
                    let slanted = n.x.abs() > 1e-9 && n.y.abs() > 1e-9;
                    meet.lines.push(Line { n, d: n.dot(c) + if slanted { slack } else { 0.0 } });
                }
                meet.sums.push(Sum { lo, hi, from, to: meet.lines.len() as u32 });
            }
        }
        // The largest first: they decide soonest.
        meet.sums.sort_by(|a, b| b.area().total_cmp(&a.area()));
        meet.raster();
        meet
    }

    fn raster(&mut self) {
        if self.sums.len() <= FEW {
            return;
        }
        let size = self.hi - self.lo;
        let cell = v(size.x / CELLS as f64, size.y / CELLS as f64);
        self.per_um = v(1.0 / cell.x, 1.0 / cell.y);
        let mut cells = vec![Cell::default(); CELLS * CELLS];
        for (k, sum) in self.sums.iter().enumerate() {
            for (at, to) in cells.iter_mut().enumerate() {
                let middle = self.lo + v(((at % CELLS) as f64 + 0.5) * cell.x, ((at / CELLS) as f64 + 0.5) * cell.y);
                // No point of the cell lies deeper, or less deep, than the middle by more than half the cell's reach
                // towards the line.
                let (mut most, mut least) = (f64::INFINITY, f64::INFINITY);
                for line in self.lines(sum) {
                    let (depth, reach) =
                        (line.depth(middle), 0.5001 * (line.n.x.abs() * cell.x + line.n.y.abs() * cell.y));
                    most = most.min(depth + reach);
                    least = least.min(depth - reach);
                    if most <= 0.0 {
                        break;
                    }
                }
                if most > 0.0 {
                    to.sums.push(k as u16);
                    if least > TOUCH_UM {
                        to.deep = Some([0.0; 4]);
                    }
                }
            }
        }
        let corner = |ix: usize, iy: usize| {
            let q = self.lo + v(ix as f64 * cell.x, iy as f64 * cell.y);
            self.sums.iter().map(|sum| self.depth_in(sum, q)).sum::<f64>() as f32
        };
        for (at, to) in cells.iter_mut().enumerate() {
            let (ix, iy) = (at % CELLS, at / CELLS);
            if to.deep.is_some() {
                to.deep = Some([corner(ix, iy), corner(ix + 1, iy), corner(ix, iy + 1), corner(ix + 1, iy + 1)]);
            }
        }
        self.cells = cells;
    }

    /// The cell in which a move lies.
    fn cell(&self, q: V) -> Option<(&Cell, f64, f64)> {
        let (x, y) = ((q.x - self.lo.x) * self.per_um.x, (q.y - self.lo.y) * self.per_um.y);
        let (ix, iy) = ((x.max(0.0) as usize).min(CELLS - 1), (y.max(0.0) as usize).min(CELLS - 1));
        self.cells.get(iy * CELLS + ix).map(|c| (c, x - ix as f64, y - iy as f64))
    }

    /// Sums that may contain the move, and some that pass near it.
    pub fn sums_near(&self, q: V) -> impl Iterator<Item = &Sum> {
        let cell = self.cell(q);
        let all = if cell.is_none() { &self.sums[..] } else { &[] };
        let listed = cell.map_or(&[][..], |(c, ..)| &c.sums[..]);
        all.iter().chain(listed.iter().map(|&k| &self.sums[usize::from(k)]))
    }

    pub fn lines(&self, sum: &Sum) -> &[Line] {
        &self.lines[sum.from as usize..sum.to as usize]
    }

    /// How deep the two forms overlap at this move; 0 where they do not. No further than until it is `enough`.
    pub fn depth(&self, q: V, enough: f64) -> f64 {
        if !(q.x > self.lo.x && q.x < self.hi.x && q.y > self.lo.y && q.y < self.hi.y) {
            return 0.0;
        }
        let Some((cell, x, y)) = self.cell(q) else {
            return self.sums.iter().map(|sum| self.depth_in(sum, q)).sum();
        };
        if let Some(deep) = cell.deep {
            let [a, b, c, d] = deep.map(f64::from);
            return (a * (1.0 - x) + b * x) * (1.0 - y) + (c * (1.0 - x) + d * x) * y;
        }
        let mut depth = 0.0;
        for &k in &cell.sums {
            depth += self.depth_in(&self.sums[usize::from(k)], q);
            if depth >= enough {
                break;
            }
        }
        depth
    }

    fn depth_in(&self, sum: &Sum, q: V) -> f64 {
        if !sum.near(q, 0.0) {
            return 0.0;
        }
        let mut least = f64::INFINITY;
        for line in self.lines(sum) {
            let depth = line.depth(q);
            if depth <= TOUCH_UM {
                return 0.0;
            }
            least = least.min(depth);
        }
        least
    }
}

impl Sum {
    fn area(&self) -> f64 {
        (self.hi.x - self.lo.x) * (self.hi.y - self.lo.y)
    }

    /// Whether the point lies within `reach` of the box around the sum.
    pub fn near(&self, q: V, reach: f64) -> bool {
        q.x > self.lo.x - reach && q.x < self.hi.x + reach && q.y > self.lo.y - reach && q.y < self.hi.y + reach
    }
}

/// The Minkowski sum of `p` and `−q`, counter-clockwise: their edges by angle.
fn minkowski(p: &[V], q: &[V]) -> Vec<V> {
    let least = |ring: &[V], sign: f64| {
        (0..ring.len())
            .min_by(|&i, &j| {
                let (a, b) = (ring[i] * sign, ring[j] * sign);
                a.y.total_cmp(&b.y).then(a.x.total_cmp(&b.x))
            })
            .unwrap_or(0)
    };
    let (i, k) = (least(p, 1.0), least(q, -1.0));
    let edge = |ring: &[V], at: usize, sign: f64| (ring[(at + 1) % ring.len()] - ring[at % ring.len()]) * sign;
    let mut at = p[i] - q[k];
    let mut ring = Vec::with_capacity(p.len() + q.len());
    let (mut m, mut n) = (0, 0);
    while m < p.len() || n < q.len() {
        ring.push(at);
        let (e, f) = (edge(p, i + m, 1.0), edge(q, k + n, -1.0));
        let turn = if m == p.len() {
            -1.0
        } else if n == q.len() {
            1.0
        } else {
            e.cross(f)
        };
        // Parallel to within what turning rounds.
        let flat = m < p.len() && n < q.len() && turn.abs() <= 1e-9 * e.norm() * f.norm() && e.dot(f) > 0.0;
        if turn > 0.0 || flat {
            at = at + e;
            m += 1;
        }
        if turn <= 0.0 || flat {
            at = at + f;
            n += 1;
        }
    }
    ring
}

/// Forms by number, and where each two meet, worked out when first asked.
#[derive(Debug, Default)]
pub(crate) struct Forms {
    forms: Vec<Form>,
    /// What they keep from each other along slanted edges, µm.
    slack: f64,
    meets: Meets,
}

/// For each form of one list, where it meets those of another.
type Meets = Vec<OnceLock<Box<[OnceLock<Box<Meet>>]>>>;

impl Forms {
    pub fn new(forms: Vec<Form>) -> Self {
        Self::spaced(forms, 0.0)
    }

    /// Forms that keep so much from each other, and from what is in the way, along slanted edges, µm: then rounding to
    /// the grid does no harm there. (Upright edges lie on the grid.)
    pub fn spaced(forms: Vec<Form>, slack: f64) -> Self {
        let meets = forms.iter().map(|_| OnceLock::new()).collect();
        Self { forms, slack, meets }
    }

    /// All forms.
    pub fn all(&self) -> &[Form] {
        &self.forms
    }

    pub fn get(&self, form: u32) -> &Form {
        &self.forms[form as usize]
    }

    /// Where two forms meet: for the one with the greater number moved, the other staying. The number is the sign of
    /// the move of the second of the two given.
    fn meet(&self, a: u32, b: u32) -> (&Meet, f64) {
        let (first, second, sign) = if a <= b { (a, b, 1.0) } else { (b, a, -1.0) };
        (meet_of(&self.meets[first as usize], self.get(first), self, second as usize), sign)
    }
}

fn meet_of<'a>(row: &'a OnceLock<Box<[OnceLock<Box<Meet>>]>>, a: &Form, forms: &Forms, second: usize) -> &'a Meet {
    let row = row.get_or_init(|| forms.forms.iter().map(|_| OnceLock::new()).collect());
    row[second].get_or_init(|| Box::new(Meet::new(a, &forms.forms[second], forms.slack)))
}

/// A piece as the engine sees it: a box, and things in it that nothing may overlap.
#[derive(Debug)]
pub(crate) struct Ground {
    pub lo: V,
    pub hi: V,
    pub things: Vec<Form>,
    meets: Meets,
}

impl Ground {
    /// A box with nothing in the way.
    pub fn plain(lo: V, hi: V) -> Self {
        Self { lo, hi, things: Vec::new(), meets: Vec::new() }
    }

    pub fn new(ways: &Ways) -> Self {
        let things = ways.things.iter().map(|t| Form::new(t, Turn(0), false)).collect();
        Self::of(V::from(ways.lo), V::from(ways.hi), things)
    }

    /// The same, to be used with other forms.
    pub fn again(&self) -> Self {
        Self::of(self.lo, self.hi, self.things.clone())
    }

    fn of(lo: V, hi: V, things: Vec<Form>) -> Self {
        let meets = things.iter().map(|_| OnceLock::new()).collect();
        Self { lo, hi, things, meets }
    }
}

/// Where a form meets another, or a thing in the way.
pub(crate) fn meet<'a>(forms: &'a Forms, ground: &'a Ground, other: Other, form: u32) -> (&'a Meet, f64) {
    match other {
        Other::Form(other) => forms.meet(other, form),
        Other::Thing(k) => (meet_of(&ground.meets[k], &ground.things[k], forms, form as usize), 1.0),
    }
}

/// What a form may meet.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Other {
    /// A form by its number.
    Form(u32),
    /// A thing in the way, by its number.
    Thing(usize),
}

#[cfg(test)]
mod tests {
    use sheetloft_shapes::Shape;

    use super::super::convex::convex_pieces;
    use super::*;

    fn form(shape: &Shape, udeg: i64) -> Form {
        Form::new(&convex_pieces(shape).unwrap(), Turn(udeg), false)
    }

    #[test]
    fn squares_overlap_by_the_least_move() {
        let forms = Forms::new(vec![
            form(&Shape::rectangle(100, 100).unwrap(), 0),
            form(&Shape::rectangle(60, 30).unwrap(), 90_000_000),
        ]);
        let (meet, sign) = forms.meet(0, 1);
        assert_eq!(sign, 1.0);
        // The second lies in (−30 .. 0, 0 .. 60).
        assert_eq!(meet.lines(&meet.sums[0]).len(), 4);
        assert_eq!(meet.depth(v(30.0, 0.0), f64::INFINITY), 30.0);
        assert_eq!(meet.depth(v(0.0, 0.0), f64::INFINITY), 0.0);
        assert_eq!(meet.depth(v(130.0, 0.0), f64::INFINITY), 0.0);
        assert!((meet.depth(v(120.0, 40.0), f64::INFINITY) - 10.0).abs() < 1e-9);
        assert!((meet.depth(v(60.0, 95.0), f64::INFINITY) - 5.0).abs() < 1e-9);
        assert_eq!(forms.meet(1, 0).1, -1.0);
    }
}

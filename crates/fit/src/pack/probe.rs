//! One form against all that lies on the floor: what it would weigh anywhere, and the edges near a place.

use super::form::{Line, Meet};
use crate::num::{V, v};

/// Lines near a point that are looked at, at most.
const LINES: usize = 6;

/// A form against everything it may meet on one floor.
pub(crate) struct Probe<'f> {
    pub form: u32,
    /// Which floor of the row.
    pub copy: usize,
    pub entries: Vec<Entry<'f>>,
}

/// One thing that a form may meet.
#[derive(Clone, Copy)]
pub(crate) struct Entry<'f> {
    /// Where the form may overlap it.
    lo: V,
    hi: V,
    there: V,
    sign: f64,
    weight: f64,
    meet: &'f Meet,
}

impl<'f> Entry<'f> {
    /// For a thing that lies at `there`; `sign` says which of the two the meet moves.
    pub fn new(meet: &'f Meet, sign: f64, there: V, weight: f64) -> Self {
        let (lo, hi) = if sign > 0.0 { (meet.lo, meet.hi) } else { (-meet.hi, -meet.lo) };
        Self { lo: lo + there, hi: hi + there, there, sign, weight, meet }
    }
}

/// The lines nearest to a place, and how far from it they pass.
pub(crate) type Near = Vec<(f64, Line)>;

impl Probe<'_> {
    /// What the form weighs there; infinite where that is `bound` or more.
    pub fn gauge(&self, at: V, bound: f64) -> f64 {
        let mut sum = 0.0;
        for e in &self.entries {
            if e.lo.x < at.x && e.hi.x > at.x && e.lo.y < at.y && e.hi.y > at.y {
                sum += e.weight * e.meet.depth((at - e.there) * e.sign, (bound - sum) / e.weight);
                if sum >= bound {
                    return f64::INFINITY;
                }
            }
        }
        sum
    }

    /// Edges of sums that pass near a place, of each sum the two nearest; and those of the box of places.
    pub fn lines_near(&self, at: V, reach: f64, (lo, hi): (V, V), lines: &mut Near) {
        lines.clear();
        for e in &self.entries {
            let near = e.lo.x - reach < at.x && e.hi.x + reach > at.x;
            if !(near && e.lo.y - reach < at.y && e.hi.y + reach > at.y) {
                continue;
            }
            let q = (at - e.there) * e.sign;
            for sum in e.meet.sums_near(q).filter(|s| s.near(q, reach)) {
                // Inside: the ways out. Outside: what is nearest to come in by.
                let mut two: [(f64, Line); 2] = [(f64::INFINITY, Line { n: v(0.0, 0.0), d: 0.0 }); 2];
                let mut least = f64::INFINITY;
                for line in e.meet.lines(sum) {
                    let depth = line.depth(q);
                    least = least.min(depth);
                    let off = depth.abs();
                    if off < two[1].0 {
                        two[1] = (off, *line);
                        if off < two[0].0 {
                            two.swap(0, 1);
                        }
                    }
                }
                if least >= -reach {
                    for (off, line) in two {
                        if off < 2.0 * reach {
                            // In terms of the place itself.
                            let n = line.n * e.sign;
                            keep_near(lines, off, Line { n, d: line.d + n.dot(e.there) });
                        }
                    }
                }
            }
        }
        for (n, d) in [(v(1.0, 0.0), hi.x), (v(-1.0, 0.0), -lo.x), (v(0.0, 1.0), hi.y), (v(0.0, -1.0), -lo.y)] {
            let line = Line { n, d };
            keep_near(lines, line.depth(at).abs(), line);
        }
    }
}

/// Puts a line among the nearest, sorted by distance.
fn keep_near(lines: &mut Near, off: f64, line: Line) {
    if lines.len() < LINES || off < lines[LINES - 1].0 {
        let at = lines.partition_point(|l| l.0 <= off);
        lines.truncate(LINES - 1);
        lines.insert(at, (off, line));
    }
}

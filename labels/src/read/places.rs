//! Where codes lie of which all three corner squares show. Each is then looked at by itself: what is around it cannot mislead,
//! and `rqrr` tries every three squares of a picture on a copy of the whole of it, which takes long where there are many.

use super::squares::Square;

/// How far from each other the middles of two corner squares of one code are, in modules as a row shows them: 14 to 38 of them
/// for versions 1 to 7, and a row through a square that is turned by an eighth shows modules 1.41 times as wide.
const APART: std::ops::Range<f64> = 9.0..48.0;
/// How much longer one side may be than the other, and how far from square (cosine): as seen from well aside.
const LONGER: f64 = 2.4;
const ASKEW: f64 = 0.7;
/// How much wider a module may be at one corner than at another.
const WIDER: f64 = 2.0;

/// A place where a code may lie: its corner squares, the one between the other two first; and how odd that would be, 0 not at
/// all.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Place {
    pub(super) squares: [Square; 3],
    odd: f64,
}

impl Place {
    /// The place of a code with these squares, the one between the others first; none where they can hardly be of one code.
    fn of(squares: [Square; 3]) -> Option<Self> {
        let [corner, a, b] = squares;
        let (ax, ay, bx, by) = (a.x - corner.x, a.y - corner.y, b.x - corner.x, b.y - corner.y);
        let (along, down) = (ax.hypot(ay), bx.hypot(by));
        let askew = ((ax * bx + ay * by) / (along * down)).abs();
        let longer = (along / down).max(down / along);
        let modules = squares.map(|s| s.module);
        let wider = modules.iter().fold(f64::MIN, |a, b| a.max(*b)) / modules.iter().fold(f64::MAX, |a, b| a.min(*b));
        let may = askew <= ASKEW && longer <= LONGER && wider <= WIDER;
        may.then(|| Self { squares, odd: askew + longer.ln() + wider.ln() })
    }

    /// The box around the whole code with what belongs around it: left, top, right, bottom.
    pub(super) fn around(&self) -> [f64; 4] {
        let [corner, a, b] = self.squares;
        let across = (a.x + b.x - corner.x, a.y + b.y - corner.y);
        let least = |n: [f64; 4]| n.into_iter().fold(f64::MAX, f64::min);
        let most = |n: [f64; 4]| n.into_iter().fold(f64::MIN, f64::max);
        let (xs, ys) = ([corner.x, a.x, b.x, across.0], [corner.y, a.y, b.y, across.1]);
        // Half a square, the quiet zone, and some more: the fourth corner is only about there.
        let rim = 9.0 * self.module();
        [least(xs) - rim, least(ys) - rim, most(xs) + rim, most(ys) + rim]
    }

    /// About how wide a module is, dots.
    pub(super) fn module(&self) -> f64 {
        self.squares.iter().map(|s| s.module).sum::<f64>() / 3.0
    }
}

/// All places where a code may lie, the likeliest first.
pub(super) fn places(squares: &[Square]) -> Vec<Place> {
    let mut places = Vec::new();
    for (n, corner) in squares.iter().enumerate() {
        let near = |s: &&Square| APART.contains(&((s.x - corner.x).hypot(s.y - corner.y) / corner.module));
        let around: Vec<Square> = squares[..n].iter().chain(&squares[n + 1..]).filter(near).copied().collect();
        for (m, a) in around.iter().enumerate() {
            places.extend(around[m + 1..].iter().filter_map(|b| Place::of([*corner, *a, *b])));
        }
    }
    places.sort_by(|a, b| a.odd.total_cmp(&b.odd));
    places
}

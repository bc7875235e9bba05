//! The largest rectangle inside a shape, at any angle or upright: what a person writes on an offcut.
//!
//! A good answer, not a proven largest one: at each of some promising angles the shape is laid on a raster
//! whose lines run through its corners, the best block of free cells is found in one pass (the largest
//! rectangle under a histogram, D. Vandevoorde, Dr. Dobb's Journal, April 1998), and its sides are then moved
//! one by one until none can be. What is returned has been verified exactly to lie inside.

use crate::circle::largest_circle;
use crate::clear::Relation;
use crate::place::Turn;
use crate::rim::Rim;
use crate::shape::{Point, Shape};
use crate::width::least_width;

/// Raster lines each way besides those through corners; fewer where many ways to lie are compared.
const LINES: usize = 40;
const LINES_TO_COMPARE: usize = 8;
/// Most raster lines through corners each way.
const CORNER_LINES: usize = 64;
/// Angles at which edges lie, and angles spread evenly over a quarter turn, that are tried.
const EDGE_ANGLES: usize = 12;
const SPREAD_ANGLES: usize = 12;
/// Angles of these for which the sides are moved, and about the best of which other angles are tried.
const REFINED: usize = 3;
/// Finest steps by which sides are moved, µm: while angles are compared, and at the end.
const COARSE_UM: f64 = 500.0;
const FINE_UM: f64 = 4.0;

/// A rectangle inside a shape.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rectangle {
    /// Longer side, µm. Both sides are what fits for certain, with rounded corners taken into account.
    pub long_um: i64,
    /// Shorter side, µm.
    pub short_um: i64,
    /// Its corners, counter-clockwise, rounded to the grid; exactly inside the shape.
    pub corners: [Point; 4],
    /// How far its sides are turned out of the upright, less than a quarter turn.
    pub turn: Turn,
}

/// The largest rectangle found inside the shape, at any angle. `None` where the shape is so fine that no
/// rectangle on the grid was found.
pub fn largest_rectangle(shape: &Shape) -> Option<Rectangle> {
    Search::new(shape).any_angle(&|w, h| w * h)
}

/// The largest upright rectangle found inside the shape.
pub fn largest_upright_rectangle(shape: &Shape) -> Option<Rectangle> {
    Search::new(shape).at(Turn(0), &|w, h| w * h)
}

/// About the area of the largest rectangle in what is left of a shape beside others that lie on it, in µm², with its
/// sides at one of the given turns: quick, to compare ways of laying them. The others may touch or overlap the rim and
/// each other; what of them lies outside is ignored.
pub fn room_beside_um2(shape: &Shape, others: &[&Shape], turns: &[Turn]) -> f64 {
    let area = |w: f64, h: f64| w * h;
    let shapes: Vec<&Shape> = std::iter::once(shape).chain(others.iter().copied()).collect();
    let found = turns.iter().filter_map(|&turn| {
        let turned = Turned::of(&shapes, turn, LINES_TO_COMPARE);
        let block = turned.best_block(&area)?;
        Some(worth(&area, turned.grown(block, f64::INFINITY, &area)))
    });
    found.fold(0.0, f64::max)
}

/// A rectangle of at least the given sides (either way round) inside the shape, at any angle, if one was found.
/// `None` is no proof that there is none.
pub fn rectangle_of(shape: &Shape, w_um: i64, h_um: i64) -> Option<Rectangle> {
    let (long, short) = (w_um.max(h_um), w_um.min(h_um));
    // Cheap proofs that there is none.
    let (lo, hi) = shape.bounds();
    let diagonal2 = |w: i64, h: i64| i128::from(w) * i128::from(w) + i128::from(h) * i128::from(h);
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y));
    if i128::from(long) * i128::from(short) * 2 > i128::from(shape.area2())
        || diagonal2(long, short) > diagonal2(w, h)
        || least_width(shape).0 < short
        || 2 * largest_circle(shape).at_most_um < short
    {
        return None;
    }
    let (long_side, short_side) = (long as f64, short as f64);
    // How many times over the wanted rectangle fits, the tighter side counting.
    let score = |w: f64, h: f64| (w.max(h) / long_side).min(w.min(h) / short_side);
    let search = Search::new(shape);
    let holds = |r: &Rectangle| r.long_um >= long && r.short_um >= short;
    search.at(Turn(0), &score).filter(holds).or_else(|| search.any_angle(&score).filter(holds))
}

/// An upright box in the turned plane: least and most x, least and most y.
type Block = [f64; 4];

struct Search<'a> {
    shape: &'a Shape,
    rim: Rim,
}

/// What a rectangle of width × height is worth; grows with both.
type Score<'a> = &'a dyn Fn(f64, f64) -> f64;

fn worth(score: Score<'_>, b: Block) -> f64 {
    score((b[1] - b[0]).max(0.0), (b[3] - b[2]).max(0.0))
}

impl<'a> Search<'a> {
    fn new(shape: &'a Shape) -> Self {
        Self { shape, rim: Rim::new(shape) }
    }

    fn any_angle(&self, score: Score<'_>) -> Option<Rectangle> {
        let mut tried: Vec<(f64, Turn, Block)> = self
            .angles()
            .into_iter()
            .filter_map(|turn| {
                let block = Turned::new(self.shape, turn).best_block(score)?;
                Some((worth(score, block), turn, block))
            })
            .collect();
        tried.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        tried.truncate(REFINED);
        let mut best: Option<(f64, Turn, Block)> = None;
        let better = |best: &Option<(f64, Turn, Block)>, worth: f64| best.is_none_or(|b| worth > b.0 * (1.0 + 1e-9));
        for (_, turn, block) in tried {
            let block = Turned::new(self.shape, turn).grown(block, COARSE_UM, score);
            if better(&best, worth(score, block)) {
                best = Some((worth(score, block), turn, block));
            }
        }
        // Angles near the best one.
        let mut step = 2_000_000;
        while step >= 60_000 {
            let around = best?.1.0;
            for udeg in [around - step, around + step] {
                let turn = Turn(udeg.rem_euclid(90_000_000));
                let turned = Turned::new(self.shape, turn);
                let Some(block) = turned.best_block(score) else { continue };
                let block = turned.grown(block, COARSE_UM, score);
                if better(&best, worth(score, block)) {
                    best = Some((worth(score, block), turn, block));
                }
            }
            step /= 2;
        }
        let (_, turn, block) = best?;
        self.verified(turn, Turned::new(self.shape, turn).grown(block, FINE_UM, score))
    }

    fn at(&self, turn: Turn, score: Score<'_>) -> Option<Rectangle> {
        let turned = Turned::new(self.shape, turn);
        let block = turned.best_block(score)?;
        self.verified(turn, turned.grown(block, FINE_UM, score))
    }

    /// Angles at which much of the rim lies, that of the least width, and some spread evenly.
    fn angles(&self) -> Vec<Turn> {
        let quarter = 90_000_000;
        let mut directions: Vec<(i64, f64)> = self
            .shape
            .edges()
            .map(|(a, b)| {
                let (dx, dy) = (f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y));
                (Turn::from_radians(libm::atan2(dy, dx)).0 % quarter, libm::sqrt(dx * dx + dy * dy))
            })
            .collect();
        directions.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        // Edges within a hundredth of a degree count together, at the angle of the longest.
        let mut groups: Vec<(i64, f64, f64)> = Vec::new();
        for (udeg, length) in directions {
            match groups.last_mut() {
                Some(g) if udeg - g.0 <= 10_000 => {
                    g.2 += length;
                    if length > g.1 {
                        (g.0, g.1) = (udeg, length);
                    }
                }
                _ => groups.push((udeg, length, length)),
            }
        }
        groups.sort_unstable_by(|a, b| b.2.total_cmp(&a.2).then(a.0.cmp(&b.0)));
        let mut turns: Vec<Turn> = groups.iter().take(EDGE_ANGLES).map(|g| Turn(g.0)).collect();
        turns.push(Turn(Turn::from_radians(least_width(self.shape).1).0 % quarter));
        turns.extend((0..SPREAD_ANGLES as i64).map(|i| Turn(i * quarter / SPREAD_ANGLES as i64)));
        turns.sort_unstable();
        turns.dedup();
        turns
    }

    /// The block as corners on the grid, drawn in by as many µm as it takes to lie inside, exactly.
    fn verified(&self, turn: Turn, block: Block) -> Option<Rectangle> {
        let (sin, cos) = turn.sin_cos();
        for inset in [0.0, 1.0, 2.0, 4.0, 8.0, 32.0, 128.0, 512.0] {
            let mut b = [block[0] + inset, block[1] - inset, block[2] + inset, block[3] - inset];
            if turn.0 == 0 {
                // Upright: whole numbers that lie inside are exact.
                b = [(b[0] - 1e-4).ceil(), (b[1] + 1e-4).floor(), (b[2] - 1e-4).ceil(), (b[3] + 1e-4).floor()];
            }
            let back =
                |x: f64, y: f64| Point::new((x * cos - y * sin).round() as i32, (x * sin + y * cos).round() as i32);
            let corners = [back(b[0], b[2]), back(b[1], b[2]), back(b[1], b[3]), back(b[0], b[3])];
            // Rounded corners take up to 0.71 µm off at each end.
            let lost = if turn.0 == 0 { 0.0 } else { 2.0 };
            let (w, h) = ((b[1] - b[0] - lost).floor() as i64, (b[3] - b[2] - lost).floor() as i64);
            if w <= 0 || h <= 0 {
                return None;
            }
            let Ok(rectangle) = Shape::new(corners.to_vec(), Vec::new()) else { continue };
            if Rim::new(&rectangle).relation(&self.rim) == Relation::Inside {
                return Some(Rectangle { long_um: w.max(h), short_um: w.min(h), corners, turn });
            }
        }
        None
    }
}

/// Edges turned back, so that the rectangle wanted is upright.
struct Turned {
    edges: Vec<([f64; 2], [f64; 2])>,
    /// Where the edges of each shape end: that of the first is wanted, those of the others are not.
    ends: Vec<usize>,
    lines: [Vec<f64>; 2],
}

/// Rims closer to a raster line than this lie on it, µm.
const ON_LINE: f64 = 0.01;

impl Turned {
    fn new(shape: &Shape, turn: Turn) -> Self {
        Self::of(&[shape], turn, LINES)
    }

    fn of(shapes: &[&Shape], turn: Turn, spread: usize) -> Self {
        let (sin, cos) = turn.sin_cos();
        let back = |p: Point| {
            let (x, y) = (f64::from(p.x), f64::from(p.y));
            [x * cos + y * sin, y * cos - x * sin]
        };
        let mut all = Vec::with_capacity(shapes.iter().map(|s| s.corner_count()).sum());
        let mut ends = Vec::with_capacity(shapes.len());
        for shape in shapes {
            for ring in shape.rings() {
                let corners: Vec<[f64; 2]> = ring.iter().map(|&p| back(p)).collect();
                all.extend((0..corners.len()).map(|i| (corners[i], corners[(i + 1) % corners.len()])));
            }
            ends.push(all.len());
        }
        let lines = [0, 1].map(|axis| {
            // Lines through the ends of edges; where there are many, of those that lie longest along a line.
            let along =
                |e: &&([f64; 2], [f64; 2])| (e.1[1 - axis] - e.0[1 - axis]).abs() - 4.0 * (e.1[axis] - e.0[axis]).abs();
            let mut chosen: Vec<&([f64; 2], [f64; 2])> = all.iter().collect();
            chosen.sort_by(|a, b| along(b).total_cmp(&along(a)));
            let mut lines: Vec<f64> = chosen.iter().take(CORNER_LINES).map(|e| e.0[axis]).collect();
            lines.extend(chosen.iter().take(CORNER_LINES).map(|e| e.1[axis]));
            let low = all.iter().map(|e| e.0[axis]).fold(f64::INFINITY, f64::min);
            let high = all.iter().map(|e| e.0[axis]).fold(f64::NEG_INFINITY, f64::max);
            lines.extend((0..=spread).map(|i| low + (high - low) * i as f64 / spread as f64));
            lines.sort_by(f64::total_cmp);
            lines.dedup_by(|a, b| *a - *b < 2.0 * ON_LINE);
            lines
        });
        Self { edges: all, ends, lines }
    }

    /// The best block of free raster cells.
    fn best_block(&self, score: Score<'_>) -> Option<Block> {
        let [xs, ys] = &self.lines;
        let (columns, rows) = (xs.len() - 1, ys.len() - 1);
        // For each cell: whether a rim enters it, whether its middle is wanted, and, for one shape after the other, how
        // often the rim passes below its middle.
        let mut taken = vec![false; columns * rows];
        let mut free = vec![true; columns * rows];
        let mut inside = vec![false; columns * rows];
        let mut from_edge = 0;
        for (n, &end) in self.ends.iter().enumerate() {
            inside.fill(false);
            for &(a, b) in &self.edges[from_edge..end] {
                let (l, r) = if a[0] <= b[0] { (a, b) } else { (b, a) };
                let slope = if r[0] > l[0] { (r[1] - l[1]) / (r[0] - l[0]) } else { 0.0 };
                let at = |x: f64| if r[0] > l[0] { l[1] + (x.clamp(l[0], r[0]) - l[0]) * slope } else { l[1] };
                let first = xs.partition_point(|&x| x <= l[0]).saturating_sub(1);
                for i in first..columns {
                    let (from, to) = (xs[i] + ON_LINE, xs[i + 1] - ON_LINE);
                    if from > r[0] {
                        break;
                    }
                    let middle = xs[i].midpoint(xs[i + 1]);
                    if l[0] <= middle && middle < r[0] {
                        let y = at(middle);
                        for j in ys.partition_point(|&line| line < y).saturating_sub(1)..rows {
                            if ys[j].midpoint(ys[j + 1]) > y {
                                inside[i * rows + j] ^= true;
                            }
                        }
                    }
                    if l[0] > to {
                        continue;
                    }
                    let (y, z) = if r[0] - l[0] > 0.0 { (at(from), at(to)) } else { (l[1], r[1]) };
                    let (low, high) = (y.min(z), y.max(z));
                    for j in ys.partition_point(|&line| line < low).saturating_sub(1)..rows {
                        if ys[j] + ON_LINE > high {
                            break;
                        }
                        if ys[j + 1] - ON_LINE > low {
                            taken[i * rows + j] = true;
                        }
                    }
                }
            }
            from_edge = end;
            for (free, &inside) in free.iter_mut().zip(&inside) {
                *free &= inside == (n == 0);
            }
        }
        // Row by row: how far down each column is free, and the largest block under that skyline. The stack holds
        // ever greater depths, each with the leftmost column from which it is free.
        let mut best: Option<(f64, Block)> = None;
        let mut depths = vec![0usize; columns + 1];
        let mut stack: Vec<(usize, usize)> = Vec::new();
        for j in 0..rows {
            for (i, depth) in depths.iter_mut().enumerate().take(columns) {
                let free = free[i * rows + j] && !taken[i * rows + j];
                *depth = if free { *depth + 1 } else { 0 };
            }
            // The last column has depth 0 and so ends all blocks.
            for (i, &depth) in depths.iter().enumerate() {
                let mut left = i;
                while let Some(&(start, above)) = stack.last().filter(|s| s.1 >= depth) {
                    stack.pop();
                    left = start;
                    if above > 0 {
                        let block = [xs[start], xs[i], ys[j + 1 - above], ys[j + 1]];
                        let worth = worth(score, block);
                        if best.is_none_or(|b| worth > b.0) {
                            best = Some((worth, block));
                        }
                    }
                }
                stack.push((left, depth));
            }
            stack.clear();
        }
        best.map(|b| b.1)
    }

    /// How far a side of a free block can be moved out until it meets the rim: sides 0 and 2 towards less.
    fn reach(&self, block: Block, side: usize) -> f64 {
        let (axis, other) = (side / 2, 1 - side / 2);
        let (low, high) = (block[2 * other] + 1e-6, block[2 * other + 1] - 1e-6);
        let sign = if side.is_multiple_of(2) { -1.0 } else { 1.0 };
        // Measured outwards from the side across, so that a rim that touches the side itself counts.
        let from = sign * block[2 * axis].midpoint(block[2 * axis + 1]);
        let mut reach = f64::INFINITY;
        for &(a, b) in &self.edges {
            let (l, r) = if a[other] <= b[other] { (a, b) } else { (b, a) };
            if r[other] <= low || l[other] >= high {
                continue;
            }
            let at = |v: f64| {
                let v = v.clamp(l[other], r[other]);
                let t = if r[other] > l[other] { (v - l[other]) / (r[other] - l[other]) } else { 0.0 };
                sign * (l[axis] + t * (r[axis] - l[axis]))
            };
            let nearest =
                if r[other] > l[other] { at(low).min(at(high)) } else { (sign * l[axis]).min(sign * r[axis]) };
            if nearest > from - 1e-6 {
                reach = reach.min(nearest);
            }
        }
        // Never drawn in: the block is free as it is.
        sign * reach.max(sign * block[side])
    }

    /// The block with its sides moved for as long as that makes it better, by steps down to `finest`, µm.
    fn grown(&self, block: Block, finest: f64, score: Score<'_>) -> Block {
        let orders = [[0, 1, 2, 3], [2, 3, 0, 1], [1, 0, 3, 2], [3, 2, 1, 0]];
        let fill = |mut b: Block, order: [usize; 4]| {
            for side in order {
                let reach = self.reach(b, side);
                if reach.is_finite() {
                    b[side] = reach;
                }
            }
            b
        };
        let mut best = block;
        for order in orders {
            let filled = fill(block, order);
            if worth(score, filled) > worth(score, best) {
                best = filled;
            }
        }
        let mut step = (best[1] - best[0]).max(best[3] - best[2]) / 8.0;
        while step >= finest {
            let mut better = false;
            // Draw one side in, then let the others out: so corners slide along slanted rims.
            for side in 0..4 {
                let mut drawn = best;
                drawn[side] += if side.is_multiple_of(2) { step } else { -step };
                if drawn[1] - drawn[0] <= 1.0 || drawn[3] - drawn[2] <= 1.0 {
                    continue;
                }
                for order in if side < 2 { [[2, 3, 0, 1], [3, 2, 1, 0]] } else { [[0, 1, 2, 3], [1, 0, 3, 2]] } {
                    let filled = fill(drawn, order);
                    if worth(score, filled) > worth(score, best) * (1.0 + 1e-7) {
                        best = filled;
                        better = true;
                    }
                }
            }
            if !better {
                step /= 2.0;
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::clear::inside_by;
    use crate::place::Placement;
    use crate::samples;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    #[test]
    fn the_room_beside_others_is_that_of_what_is_left() {
        let sheet = Shape::rectangle(1_000, 500).unwrap();
        let at = |w, h, dx, dy| {
            let place = Placement { dx, dy, ..Placement::default() };
            Shape::rectangle(w, h).unwrap().placed(&place).unwrap()
        };
        let room = |others: &[Shape]| {
            room_beside_um2(&sheet, &others.iter().collect::<Vec<_>>(), &[Turn(0), Turn(30_000_000)])
        };
        assert_eq!(room(&[]), 500_000.0);
        assert_eq!(room(&[at(300, 500, 0, 0)]), 350_000.0);
        assert_eq!(room(&[at(300, 200, 700, 300)]), 350_000.0);
        // Over the rim, and over each other.
        assert_eq!(room(&[at(300, 200, -200, 100), at(300, 200, -250, 150)]), 450_000.0);
        assert_eq!(room(&[at(2_000, 2_000, -500, -500)]), 0.0);
    }

    #[test]
    fn a_sheet_is_its_own_largest_rectangle() {
        let sheet = Shape::rectangle(1_219_200, 2_438_400).unwrap();
        for found in [largest_rectangle(&sheet), largest_upright_rectangle(&sheet)] {
            let found = found.unwrap();
            assert_eq!((found.long_um, found.short_um, found.turn), (2_438_400, 1_219_200, Turn(0)));
        }
        assert!(rectangle_of(&sheet, 2_438_400, 1_219_200).is_some());
        assert!(rectangle_of(&sheet, 1_219_200, 2_438_400).is_some());
        assert!(rectangle_of(&sheet, 2_438_400, 1_219_201).is_none());
    }

    #[test]
    fn rectangles_that_can_be_computed_by_hand() {
        // An L: the longer arm wins.
        let l =
            vec![p(0, 0), p(900_000, 0), p(900_000, 300_000), p(400_000, 300_000), p(400_000, 600_000), p(0, 600_000)];
        let l = Shape::new(l, vec![]).unwrap();
        let found = largest_rectangle(&l).unwrap();
        assert_eq!((found.long_um, found.short_um), (900_000, 300_000));
        // But one of other proportions is there as well.
        assert!(rectangle_of(&l, 590_000, 390_000).is_some());
        assert!(rectangle_of(&l, 590_000, 401_000).is_none());
        // Half of a right triangle's area, and no rectangle has more.
        let triangle = Shape::new(vec![p(0, 0), p(400_000, 0), p(0, 300_000)], vec![]).unwrap();
        let found = largest_rectangle(&triangle).unwrap();
        let share = (found.long_um * found.short_um) as f64 / 60e9;
        assert!((0.499..=0.5).contains(&share), "{share}");
        // Around a hole in the middle.
        let hole = vec![p(300_000, 300_000), p(700_000, 300_000), p(700_000, 700_000), p(300_000, 700_000)];
        let frame = Shape::new(vec![p(0, 0), p(1_000_000, 0), p(1_000_000, 1_000_000), p(0, 1_000_000)], vec![hole]);
        let found = largest_rectangle(&frame.unwrap()).unwrap();
        assert_eq!((found.long_um, found.short_um), (1_000_000, 300_000));
    }

    #[test]
    fn a_turned_sheet_is_still_found() {
        let sheet = Shape::rectangle(600_000, 400_000).unwrap();
        for degrees in [1, 17, 45, 60, 89] {
            let turned = sheet.placed(&Placement { turn: Turn(degrees * 1_000_000), ..Placement::default() }).unwrap();
            let found = largest_rectangle(&turned).unwrap();
            assert!(found.long_um >= 599_990 && found.short_um >= 399_990, "{degrees}: {found:?}");
        }
    }

    #[test]
    fn a_round_piece_holds_a_square() {
        // The largest rectangle in a circle is the square: 2 r².
        let round = Shape::new(samples::star_ring([0.0, 0.0], &[500_000.0; 360]), vec![]).unwrap();
        let found = largest_rectangle(&round).unwrap();
        let share = (found.long_um * found.short_um) as f64 / 500e9;
        assert!(share > 0.995, "{share}");
    }

    #[test]
    fn ten_thousand_corners_are_answered() {
        let comb = samples::comb(2_400, 2_000, 2_000, 3_000_000, 10_000);
        let found = largest_upright_rectangle(&comb).unwrap();
        // Along the back, or up one tooth.
        assert_eq!((found.long_um, found.short_um), (9_598_000, 10_000));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn what_is_found_lies_inside_and_is_as_large_as_said(shape in samples::shape()) {
            for found in [largest_rectangle(&shape), largest_upright_rectangle(&shape)].into_iter().flatten() {
                let rectangle = Shape::new(found.corners.to_vec(), vec![]).unwrap();
                prop_assert!(inside_by(&rectangle, &shape, 0));
                let [a, b, c, _] = found.corners;
                let side = |a: Point, b: Point| (crate::shape::dist2(a, b) as f64).sqrt();
                let (long, short) = (side(a, b).max(side(b, c)), side(a, b).min(side(b, c)));
                prop_assert!(long >= found.long_um as f64 && short >= found.short_um as f64);
                let found_again = rectangle_of(&shape, found.long_um / 2, found.short_um / 2);
                prop_assert!(found_again.is_some());
            }
        }

        #[test]
        fn a_rectangle_planted_in_a_shape_is_found(
            w in 50_000i32..400_000, h in 50_000i32..400_000, turn in 0i64..90_000_000, bumps in prop::collection::vec(0i32..40_000, 8),
        ) {
            // A rectangle with bumps added outside two sides: the rectangle stays inside.
            let mut ring = vec![p(0, 0), p(w, 0), p(w, h)];
            for (i, b) in bumps.iter().enumerate() {
                ring.push(p(w - (i as i32 + 1) * w / 10, h + b));
            }
            ring.push(p(0, h));
            let shape = Shape::new(ring, vec![]).unwrap();
            let turned = shape.placed(&Placement { turn: Turn(turn), ..Placement::default() }).unwrap();
            let found = largest_rectangle(&turned).unwrap();
            prop_assert!(found.long_um * found.short_um >= i64::from(w) * i64::from(h) / 1_000 * 995, "{:?}", found);
        }
    }
}

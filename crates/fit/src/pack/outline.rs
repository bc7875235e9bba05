//! Shapes made ready for the engine: grown by half the clearance, with fewer corners, in convex pieces.
//!
//! What stands for a part covers it, what stands for a piece lies within it: where nothing overlaps here, the
//! clearances hold, but for what rounding to the grid takes.

use sheetloft_shapes::boolean::{difference, union};
use sheetloft_shapes::hull::hull;
use sheetloft_shapes::offset::{Corners, grown, shrunk};
use sheetloft_shapes::place::{FULL_TURN_UDEG, QUARTER_TURN_UDEG};
use sheetloft_shapes::shape::orient;
use sheetloft_shapes::{Point, Ring, Shape, Turn};

use super::convex::convex_pieces;
use crate::turns::Turns;

/// Up to so many corners a ring stays as it is.
const CORNERS_FEW: usize = 16;
/// More corners than this are not wanted.
const CORNERS_MANY: usize = 36;
/// By how much a corner may stand out, as a share of the shape's size, at first and at most.
const OFF: (f64, f64) = (0.002, 0.02);
/// What rounding may take from a ring with fewer corners, and turning by other than quarter turns from a distance: it
/// rounds corners, and the verifier asks for more; µm.
pub(crate) const ROUNDED_UM: i64 = 2;
/// Turns tried where every turn is allowed, at most, each on every face.
const TURNS_MOST: usize = 12;
/// Turns nearer to each other than this are one.
const ALIKE_UDEG: i64 = 2_000_000;

/// Convex pieces that cover the part grown by `by_um`.
pub(crate) fn of_part(shape: &Shape, by_um: i64) -> Vec<Vec<Point>> {
    let many = shape.rings().any(|r| r.len() > CORNERS_FEW);
    let by_um = by_um + if many { ROUNDED_UM } else { 0 };
    let cover = grown(shape, by_um, Corners::Square).unwrap_or_else(|_| vec![shape.clone()]);
    let mut pieces = Vec::new();
    for shape in cover {
        let simple = if many { simplified(&shape) } else { shape };
        pieces.extend(convex_pieces(&simple).unwrap_or_else(|| vec![hull(simple.corners())]));
    }
    pieces
}

/// What is in the way on a piece: convex pieces around all of which parts grown by `half_um` must stay, each group
/// one thing: the outside with the holes, then each flaw. Also the box in which all that is free lies. `None` where
/// nothing is free or it is too involved.
pub(crate) fn of_piece(piece: &Shape, flaws: &[Shape], rim_um: i64, half_um: i64) -> Option<Ways> {
    let by_um = rim_um - half_um;
    let free = if by_um >= 0 {
        shrunk(piece, by_um, Corners::Square).ok()?
    } else {
        grown(piece, -by_um, Corners::Square).ok()?
    };
    let (mut lo, mut hi) = free.first()?.bounds();
    for shape in &free {
        let (l, h) = shape.bounds();
        lo = Point::new(lo.x.min(l.x), lo.y.min(l.y));
        hi = Point::new(hi.x.max(h.x), hi.y.max(h.y));
    }
    let mut things = Vec::new();
    let is_box = |s: &Shape| s.holes().is_empty() && s.outline().len() == 4 && s.area2() == box_area2(lo, hi);
    if !(free.len() == 1 && is_box(&free[0])) {
        // A frame so wide that no way out leads through it.
        let reach = (hi.x - lo.x).max(hi.y - lo.y) / 2;
        let frame = Shape::new(
            vec![
                Point::new(lo.x - reach, lo.y - reach),
                Point::new(hi.x + reach, lo.y - reach),
                Point::new(hi.x + reach, hi.y + reach),
                Point::new(lo.x - reach, hi.y + reach),
            ],
            Vec::new(),
        )
        .ok()?;
        let mut pieces = Vec::new();
        for shape in difference(&[frame], &free).ok()? {
            pieces.extend(convex_pieces(&simplified(&shape))?);
        }
        things.push(pieces);
    }
    if !flaws.is_empty() {
        let mut around = Vec::new();
        for flaw in flaws {
            around.extend(grown(flaw, by_um.max(0), Corners::Square).ok()?);
        }
        // Where parts keep less from a flaw than from each other, they may reach into it by the difference.
        for flaw in union(&around).ok()? {
            if by_um >= 0 {
                things.push(covered(&flaw));
            } else {
                let inner = shrunk(&flaw, -by_um, Corners::Square).ok()?;
                things.extend(inner.iter().map(covered));
            }
        }
    }
    Some(Ways { lo, hi, things })
}

/// See [`of_piece`].
#[derive(Clone, Debug)]
pub(crate) struct Ways {
    pub lo: Point,
    pub hi: Point,
    pub things: Vec<Vec<Vec<Point>>>,
}

/// The turns to try out of those allowed, each once for a part that looks the same after `period` microdegrees: all fixed
/// ones, quarter turns out of the frames and of the part laid `upright` in them, ends and middles of spans.
pub(crate) fn turns_to_try(allowed: &Turns, frames: &[Turn], upright: Turn, period: i64) -> Vec<Turn> {
    let mut turns: Vec<Turn> = Vec::new();
    let offer = |turns: &mut Vec<Turn>, turn: Turn, near: i64| {
        let off = |t: &Turn| {
            let d = (t.0 - turn.0).rem_euclid(period);
            d.min(period - d)
        };
        if allowed.allow(turn) && turns.len() < TURNS_MOST && turns.iter().all(|t| off(t) > near) {
            turns.push(turn);
        }
    };
    for span in allowed.as_spans() {
        if span.width == 0 {
            offer(&mut turns, Turn::new(span.from), 0);
        }
    }
    let quarters = |base: i64| (0..4).map(move |q| Turn::new(base + q * QUARTER_TURN_UDEG));
    for frame in frames {
        quarters(frame.0).for_each(|t| offer(&mut turns, t, ALIKE_UDEG));
    }
    for frame in frames {
        quarters(frame.0 + upright.0).for_each(|t| offer(&mut turns, t, ALIKE_UDEG));
    }
    for span in allowed.as_spans().iter().filter(|s| s.width > 0 && s.width < FULL_TURN_UDEG) {
        for share in [1, 0, 2] {
            offer(&mut turns, Turn::new(span.from + span.width * share / 2), ALIKE_UDEG);
        }
    }
    if allowed.is_any() {
        let frame = frames.first().map_or(0, |f| f.0);
        for base in [45_000_000, 22_500_000, 67_500_000] {
            quarters(frame + base).for_each(|t| offer(&mut turns, t, ALIKE_UDEG));
        }
    }
    turns
}

fn covered(shape: &Shape) -> Vec<Vec<Point>> {
    let simple = simplified(shape);
    convex_pieces(&simple).unwrap_or_else(|| vec![hull(simple.corners())])
}

fn box_area2(lo: Point, hi: Point) -> i64 {
    2 * (i64::from(hi.x) - i64::from(lo.x)) * (i64::from(hi.y) - i64::from(lo.y))
}

/// A shape that covers the given one, to within what rounding takes, with fewer corners; the same where it has few
/// or where fewer would make it no shape.
pub(crate) fn simplified(shape: &Shape) -> Shape {
    if shape.rings().all(|r| r.len() <= CORNERS_FEW) {
        return shape.clone();
    }
    let size = (shape.area2() as f64 / 2.0).sqrt();
    let mut best = shape.clone();
    let mut off = OFF.0 * size;
    while off <= OFF.1 * size * 1.001 {
        let outline = fewer(shape.outline(), off);
        // A hole that fills up is gone.
        let holes: Vec<Ring> = shape.holes().iter().map(|h| fewer(h, off)).filter(|h| h.len() >= 3).collect();
        if let Ok(simple) = Shape::new(outline, holes)
            && simple.corner_count() < best.corner_count()
        {
            best = simple;
        }
        if best.rings().all(|r| r.len() <= CORNERS_MANY) {
            break;
        }
        off *= 2.0;
    }
    best
}

/// The ring (material on its left) with corners taken out so that material is only added: where it is hollow a
/// straight line across, where it bulges the edges on both sides drawn on until they cross; least first, none
/// further off than `off`.
fn fewer(ring: &[Point], off: f64) -> Ring {
    let mut ring: Vec<Point> = ring.to_vec();
    loop {
        let n = ring.len();
        if n <= 4 {
            return ring;
        }
        // All that can be done at once: the least of those near each other.
        let mut offers: Vec<(f64, usize, Option<Point>)> = Vec::new();
        for i in 0..n {
            let (a, b, c, d) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n], ring[(i + 2) % n]);
            if orient(a, b, c) <= 0 {
                let away = height(b, a, c);
                if away <= off {
                    offers.push((away, i, None));
                }
            } else if orient(b, c, d) > 0
                && let Some(x) = crossing(a, b, d, c)
            {
                let away = height(x, b, c);
                if away <= off {
                    offers.push((away, i, Some(x)));
                }
            }
        }
        if offers.is_empty() {
            return ring;
        }
        offers.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut touched = vec![false; n];
        let mut gone = vec![false; n];
        let mut left = n;
        for (_, i, tip) in offers {
            let around = [(i + n - 1) % n, i, (i + 1) % n, (i + 2) % n];
            if left <= 4 || around.iter().any(|&k| touched[k]) {
                continue;
            }
            around.iter().for_each(|&k| touched[k] = true);
            gone[i] = true;
            left -= 1;
            if let Some(tip) = tip {
                ring[(i + 1) % n] = tip;
            }
        }
        ring = ring.into_iter().zip(gone).filter(|(_, gone)| !gone).map(|(p, _)| p).collect();
    }
}

/// Where the line from `a` through `b` and that from `d` through `c` cross, beyond `b` and `c`.
fn crossing(a: Point, b: Point, d: Point, c: Point) -> Option<Point> {
    let f = |p: Point| (f64::from(p.x), f64::from(p.y));
    let ((ax, ay), (bx, by), (dx, dy), (cx, cy)) = (f(a), f(b), f(d), f(c));
    let (ux, uy, vx, vy) = (bx - ax, by - ay, cx - dx, cy - dy);
    let cross = ux * vy - uy * vx;
    if cross.abs() < 1e-9 {
        return None;
    }
    let t = ((cx - bx) * vy - (cy - by) * vx) / cross;
    let s = ((cx - bx) * uy - (cy - by) * ux) / cross;
    // `s` runs along the other line from c, onwards.
    if t < 0.0 || s < 0.0 {
        return None;
    }
    let (x, y) = (bx + t * ux, by + t * uy);
    (x.abs() < 4e7 && y.abs() < 4e7).then(|| Point::new(x.round() as i32, y.round() as i32))
}

/// How far `p` lies from the line through two points.
fn height(p: Point, a: Point, b: Point) -> f64 {
    let (dx, dy) = (f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y));
    let length = (dx * dx + dy * dy).sqrt();
    if length > 0.0 { (orient(a, b, p) as f64).abs() / length } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use sheetloft_shapes::boolean::difference;
    use sheetloft_shapes::shape::ring_area2;

    use super::*;

    fn round(radius: f64, corners: usize) -> Shape {
        let corner = |i: usize| {
            let a = std::f64::consts::TAU * i as f64 / corners as f64;
            Point::new((radius * libm::cos(a)).round() as i32, (radius * libm::sin(a)).round() as i32)
        };
        Shape::new((0..corners).map(corner).collect(), vec![]).unwrap()
    }

    fn wave(corners: usize) -> Shape {
        let corner = |i: usize| {
            let a = std::f64::consts::TAU * i as f64 / corners as f64;
            let r = 100_000.0 * (1.0 + 0.3 * libm::sin(5.0 * a));
            Point::new((r * libm::cos(a)).round() as i32, (r * libm::sin(a)).round() as i32)
        };
        Shape::new((0..corners).map(corner).collect(), vec![]).unwrap()
    }

    #[test]
    fn fewer_corners_cover_the_shape_and_little_more() {
        for shape in [round(80_000.0, 90), round(3_000.0, 200), wave(300)] {
            let grown = grown(&shape, 2, Corners::Square).unwrap().remove(0);
            let simple = simplified(&grown);
            assert!(simple.corner_count() <= CORNERS_MANY, "{}", simple.corner_count());
            assert!(difference(std::slice::from_ref(&shape), std::slice::from_ref(&simple)).unwrap().is_empty());
            assert!((simple.area2() as f64) < shape.area2() as f64 * 1.03);
            let pieces: i64 = of_part(&shape, 0).iter().map(|p| ring_area2(p)).sum();
            assert_eq!(pieces, simple.area2());
        }
    }

    #[test]
    fn what_is_in_the_way_and_what_is_free_make_up_the_box() {
        let ring = vec![
            Point::new(0, 0),
            Point::new(900_000, 0),
            Point::new(700_000, 400_000),
            Point::new(300_000, 300_000),
            Point::new(0, 600_000),
        ];
        let hole = vec![
            Point::new(100_000, 100_000),
            Point::new(100_000, 200_000),
            Point::new(200_000, 200_000),
            Point::new(200_000, 100_000),
        ];
        let piece = Shape::new(ring, vec![hole]).unwrap();
        let ways = of_piece(&piece, &[], 5_000, 0).unwrap();
        let free = shrunk(&piece, 5_000, Corners::Square).unwrap();
        let taken: i64 = ways.things.iter().flatten().map(|p| ring_area2(p)).sum();
        let reach = (ways.hi.x - ways.lo.x).max(ways.hi.y - ways.lo.y) / 2;
        let (w, h) = (i64::from(ways.hi.x - ways.lo.x + 2 * reach), i64::from(ways.hi.y - ways.lo.y + 2 * reach));
        assert_eq!(taken + free.iter().map(Shape::area2).sum::<i64>(), 2 * w * h);
        // An upright rectangle has nothing in the way.
        assert!(of_piece(&Shape::rectangle(10, 20).unwrap(), &[], 1, 0).unwrap().things.is_empty());
    }
}

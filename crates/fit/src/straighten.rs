//! A ragged leftover made into a rectangle or an L by straight cuts.
//!
//! In the direction in which most of the rim lies: everything of the rim that does not lie on the sides of the box
//! around the leftover lies in a smaller box, the notch. Where that takes up a whole side of the large box or one of its
//! corners, what is left without it is a rectangle or an L. Other leftovers are cut off first at one or two of their
//! corners; what keeps most area is suggested.

use sheetloft_shapes::boolean::BooleanError;
use sheetloft_shapes::offset::{Corners, shrunk};
use sheetloft_shapes::place::QUARTER_TURN_UDEG;
use sheetloft_shapes::{Point, Rim, Shape, Turn};

use crate::num::{V, v};

/// A leftover made simple.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Straightened {
    /// The cuts, in the order in which they are made, each from end to end; the leftover lies on one side of each, or
    /// around the corner in which the last two meet.
    pub cuts: Vec<[Point; 2]>,
    /// What is kept, in the leftover's coordinates: exactly inside it.
    pub kept: Shape,
    /// Whether it is an L; else a rectangle.
    pub is_l: bool,
}

impl Straightened {
    /// The sides of what is kept that do not lie on the leftover's rim: where the cuts show.
    pub fn edges(&self, leftover: &Shape) -> Vec<[Point; 2]> {
        let rim = Rim::new(leftover);
        let near = DRAWN_IN_UM[DRAWN_IN_UM.len() - 1] + FLUSH_UM as i64;
        let on_rim = |a: Point, b: Point| {
            let middle = Point::new(i32::midpoint(a.x, b.x), i32::midpoint(a.y, b.y));
            [a, middle, b].into_iter().all(|p| rim.distance_from_um(p) <= near)
        };
        self.kept.edges().filter(|(a, b)| !on_rim(*a, *b)).map(|(a, b)| [a, b]).collect()
    }
}

/// Corners at which cuts are tried, at most, each way.
const CORNERS: usize = 40;
/// Of the first cuts those that are followed by a second one.
const FOLLOWED: usize = 6;
/// What lies off a side by less counts as on it, µm.
const FLUSH_UM: f64 = 20.0;
/// An L counts for this share of its area beside a rectangle.
const L_SHARE: f64 = 0.9;
/// And each cut must be worth this share.
const CUT_SHARE: f64 = 0.02;
/// Less than this share of the leftover is not suggested.
const LEAST_SHARE: f64 = 0.3;
/// From this share on the leftover is a rectangle or an L as it is.
const SIMPLE_SHARE: f64 = 0.9999;
/// By how much what is kept is drawn in where rounding, or a side that is not quite straight, brought it out, µm.
const DRAWN_IN_UM: [i64; 6] = [0, 1, 2, 5, 12, 30];

/// The cuts that make a rectangle or an L of a leftover; what they take is on the side that comes off. `None` where it
/// is a rectangle or an L already, or where too little would be left.
///
/// # Errors
/// [`BooleanError`] where shapes cannot be cut.
pub fn straighten(leftover: &Shape) -> Result<Option<Straightened>, BooleanError> {
    let frame = frame(leftover);
    let (sin, cos) = frame.sin_cos();
    // Seen along the frame.
    let seen = |p: Point| v(f64::from(p.x) * cos + f64::from(p.y) * sin, f64::from(p.y) * cos - f64::from(p.x) * sin);
    let rings: Vec<Vec<V>> = leftover.rings().map(|r| r.iter().map(|&p| seen(p)).collect()).collect();
    let whole = Try { rings, cuts: Vec::new() };
    let area = leftover.area2() as f64 / 2.0;
    if whole.kept().is_some_and(|k| k.area >= SIMPLE_SHARE * area) {
        return Ok(None);
    }
    let first = whole.after_cuts();
    let mut all: Vec<Try> = vec![whole];
    all.extend(first.iter().take(FOLLOWED).flat_map(Try::after_cuts));
    all.extend(first);
    let worth = |t: &Try| {
        let shape = t.kept().map_or(0.0, |k| k.area * if k.is_l { L_SHARE } else { 1.0 });
        shape * (1.0 - CUT_SHARE * t.lines().len() as f64)
    };
    let best = all.iter().map(|t| (worth(t), t)).reduce(|best, t| if t.0 > best.0 { t } else { best });
    let Some((kept, cuts)) = best.and_then(|(_, t)| Some((t.kept()?, t.lines()))) else { return Ok(None) };
    if kept.area < LEAST_SHARE * area {
        return Ok(None);
    }
    let back = |p: V| -> Point {
        let (x, y) = (p.x * cos - p.y * sin, p.x * sin + p.y * cos);
        Point::new(x.round() as i32, y.round() as i32)
    };
    let Ok(asked) = Shape::new(kept.ring.iter().map(|&p| back(p)).collect(), Vec::new()) else { return Ok(None) };
    let rim = Rim::new(leftover);
    let mut inside = None;
    for um in DRAWN_IN_UM {
        let drawn_in = if um == 0 { vec![asked.clone()] } else { shrunk(&asked, um, Corners::Square)? };
        inside = drawn_in.into_iter().max_by_key(Shape::area2).filter(|s| Rim::new(s).inside_by(&rim, 0));
        if inside.is_some() {
            break;
        }
    }
    let Some(kept_shape) = inside else { return Ok(None) };
    let cuts = cuts.into_iter().map(|[a, b]| [back(a), back(b)]).collect();
    Ok(Some(Straightened { cuts, kept: kept_shape, is_l: kept.is_l }))
}

/// The direction in which most of the rim lies, less than a quarter turn.
fn frame(shape: &Shape) -> Turn {
    let mut along: std::collections::BTreeMap<i64, f64> = std::collections::BTreeMap::new();
    for (a, b) in shape.edges() {
        let (dx, dy) = (f64::from(b.x) - f64::from(a.x), f64::from(b.y) - f64::from(a.y));
        let turn = Turn::from_radians(libm::atan2(dy, dx)).0 % QUARTER_TURN_UDEG;
        *along.entry(turn).or_default() += libm::sqrt(dx * dx + dy * dy);
    }
    let most = along.into_iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    Turn(most.map_or(0, |m| m.0))
}

/// An upright box.
#[derive(Clone, Copy, Debug)]
struct Box2 {
    lo: V,
    hi: V,
}

/// A leftover, seen along its frame, with some cuts made.
#[derive(Clone, Debug)]
struct Try {
    rings: Vec<Vec<V>>,
    /// Cuts made: whether at an x, where, and whether what lies below is kept.
    cuts: Vec<(bool, f64, bool)>,
}

/// What would be kept.
struct Kept {
    ring: Vec<V>,
    area: f64,
    is_l: bool,
}

impl Try {
    fn bounds(&self) -> Option<Box2> {
        let mut points = self.rings.first()?.iter();
        let first = *points.next()?;
        Some(points.fold(Box2 { lo: first, hi: first }, |b, p| Box2 {
            lo: v(b.lo.x.min(p.x), b.lo.y.min(p.y)),
            hi: v(b.hi.x.max(p.x), b.hi.y.max(p.y)),
        }))
    }

    /// The box around all of the rim that does not lie on the sides of the bounds: `None` inside where there is nothing,
    /// outside where there is no shape.
    fn notch(&self) -> Option<Option<Box2>> {
        let b = self.bounds()?;
        let mut notch: Option<Box2> = None;
        for ring in &self.rings {
            for (i, &p) in ring.iter().enumerate() {
                let q = ring[(i + 1) % ring.len()];
                let on = |p: f64, q: f64, side: f64| (p - side).abs() <= FLUSH_UM && (q - side).abs() <= FLUSH_UM;
                let flush =
                    on(p.x, q.x, b.lo.x) || on(p.x, q.x, b.hi.x) || on(p.y, q.y, b.lo.y) || on(p.y, q.y, b.hi.y);
                if !flush {
                    for p in [p, q] {
                        let n = notch.get_or_insert(Box2 { lo: p, hi: p });
                        *n = Box2 { lo: v(n.lo.x.min(p.x), n.lo.y.min(p.y)), hi: v(n.hi.x.max(p.x), n.hi.y.max(p.y)) };
                    }
                }
            }
        }
        Some(notch)
    }

    /// The bounds without the notch, where that is a rectangle or an L.
    fn kept(&self) -> Option<Kept> {
        let b = self.bounds()?;
        let size = b.hi - b.lo;
        let Some(n) = self.notch()? else {
            let ring = vec![b.lo, v(b.hi.x, b.lo.y), b.hi, v(b.lo.x, b.hi.y)];
            return Some(Kept { ring, area: size.x * size.y, is_l: false });
        };
        let touch = [
            n.lo.x - b.lo.x <= FLUSH_UM,
            n.lo.y - b.lo.y <= FLUSH_UM,
            b.hi.x - n.hi.x <= FLUSH_UM,
            b.hi.y - n.hi.y <= FLUSH_UM,
        ];
        let rectangle = |lo: V, hi: V| {
            let (w, h) = (hi.x - lo.x, hi.y - lo.y);
            let ring = vec![lo, v(hi.x, lo.y), hi, v(lo.x, hi.y)];
            (w > 0.0 && h > 0.0).then_some(Kept { ring, area: w * h, is_l: false })
        };
        match touch {
            [_, true, false, true] => rectangle(v(n.hi.x, b.lo.y), b.hi),
            [false, true, true, true] => rectangle(b.lo, v(n.lo.x, b.hi.y)),
            [true, _, true, false] => rectangle(v(b.lo.x, n.hi.y), b.hi),
            [true, false, true, true] => rectangle(b.lo, v(b.hi.x, n.lo.y)),
            _ => {
                let ring = match touch {
                    [true, true, false, false] => {
                        vec![v(n.hi.x, b.lo.y), v(b.hi.x, b.lo.y), b.hi, v(b.lo.x, b.hi.y), v(b.lo.x, n.hi.y), n.hi]
                    }
                    [false, true, true, false] => {
                        vec![b.lo, v(n.lo.x, b.lo.y), v(n.lo.x, n.hi.y), v(b.hi.x, n.hi.y), b.hi, v(b.lo.x, b.hi.y)]
                    }
                    [false, false, true, true] => {
                        vec![b.lo, v(b.hi.x, b.lo.y), v(b.hi.x, n.lo.y), n.lo, v(n.lo.x, b.hi.y), v(b.lo.x, b.hi.y)]
                    }
                    [true, false, false, true] => {
                        vec![b.lo, v(b.hi.x, b.lo.y), b.hi, v(n.hi.x, b.hi.y), v(n.hi.x, n.lo.y), v(b.lo.x, n.lo.y)]
                    }
                    _ => return None,
                };
                let area = size.x * size.y - (n.hi.x - n.lo.x) * (n.hi.y - n.lo.y);
                Some(Kept { ring, area, is_l: true })
            }
        }
    }

    /// With one more cut through a corner, those first that keep most.
    fn after_cuts(&self) -> Vec<Self> {
        let mut tries = Vec::new();
        for upright in [true, false] {
            let of = |p: &V| if upright { p.x } else { p.y };
            let mut at: Vec<f64> = self.rings.iter().flatten().map(of).collect();
            at.sort_by(f64::total_cmp);
            at.dedup_by(|a, b| (*a - *b).abs() <= FLUSH_UM);
            let stride = at.len().div_ceil(CORNERS).max(1);
            for &c in at.iter().step_by(stride) {
                for below in [true, false] {
                    let mut next = self.clone();
                    next.rings =
                        self.rings.iter().map(|r| clipped(r, upright, c, below)).filter(|r| r.len() > 2).collect();
                    next.cuts.push((upright, c, below));
                    if next.bounds().is_some_and(|b| b.hi.x - b.lo.x > FLUSH_UM && b.hi.y - b.lo.y > FLUSH_UM) {
                        tries.push(next);
                    }
                }
            }
        }
        let mut tries: Vec<(f64, Self)> = tries.into_iter().map(|t| (t.kept().map_or(0.0, |k| k.area), t)).collect();
        tries.sort_by(|a, b| b.0.total_cmp(&a.0));
        tries.into_iter().map(|t| t.1).collect()
    }

    /// The cuts as lines, those around the notch included.
    fn lines(&self) -> Vec<[V; 2]> {
        let Some(b) = self.bounds() else { return Vec::new() };
        let mut lines: Vec<[V; 2]> = self
            .cuts
            .iter()
            .map(|&(upright, c, _)| if upright { [v(c, b.lo.y), v(c, b.hi.y)] } else { [v(b.lo.x, c), v(b.hi.x, c)] })
            .collect();
        let inside = |p: f64, q: f64, lo: f64, hi: f64| (p - q).abs() < 1e-6 && p - lo > FLUSH_UM && hi - p > FLUSH_UM;
        let ring = self.kept().map_or_else(Vec::new, |k| k.ring);
        for (i, &p) in ring.iter().enumerate() {
            let q = ring[(i + 1) % ring.len()];
            if inside(p.x, q.x, b.lo.x, b.hi.x) || inside(p.y, q.y, b.lo.y, b.hi.y) {
                lines.push([p, q]);
            }
        }
        lines
    }
}

/// A ring cut off along an upright or level line (I. E. Sutherland, G. W. Hodgman, 1974).
fn clipped(ring: &[V], upright: bool, c: f64, below: bool) -> Vec<V> {
    let height = |p: V| {
        let d = if upright { p.x - c } else { p.y - c };
        if below { -d } else { d }
    };
    let mut out = Vec::with_capacity(ring.len() + 2);
    for (i, &p) in ring.iter().enumerate() {
        let q = ring[(i + 1) % ring.len()];
        let (a, b) = (height(p), height(q));
        if a >= 0.0 {
            out.push(p);
        }
        if (a > 0.0 && b < 0.0) || (a < 0.0 && b > 0.0) {
            let t = a / (a - b);
            out.push(p + (q - p) * t);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use sheetloft_shapes::Placement;
    use sheetloft_shapes::clear::inside_by;

    use super::*;

    fn shape(corners: &[(i32, i32)]) -> Shape {
        Shape::new(corners.iter().map(|&(x, y)| Point::new(x * 1_000, y * 1_000)).collect(), vec![]).unwrap()
    }

    fn check(leftover: &Shape) -> Straightened {
        let s = straighten(leftover).unwrap().expect("something to cut");
        assert!(inside_by(&s.kept, leftover, 0));
        assert_eq!(s.kept.outline().len(), if s.is_l { 6 } else { 4 });
        assert_eq!(s.kept.holes().len(), 0);
        s
    }

    #[test]
    fn what_is_simple_stays() {
        assert_eq!(straighten(&Shape::rectangle(900_000, 400_000).unwrap()).unwrap(), None);
        let l = shape(&[(0, 0), (900, 0), (900, 200), (300, 200), (300, 400), (0, 400)]);
        assert_eq!(straighten(&l).unwrap(), None);
    }

    #[test]
    fn a_ragged_end_is_cut_off_straight() {
        let ragged = shape(&[(0, 0), (1000, 0), (1000, 500), (80, 500), (30, 400), (110, 300), (40, 200), (90, 100)]);
        let s = check(&ragged);
        assert!(!s.is_l);
        assert_eq!(s.kept, shape(&[(110, 0), (1000, 0), (1000, 500), (110, 500)]));
        assert_eq!(s.cuts, [[Point::new(110_000, 500_000), Point::new(110_000, 0)]]);
        assert_eq!(s.edges(&ragged), [[Point::new(110_000, 500_000), Point::new(110_000, 0)]]);
    }

    #[test]
    fn a_ragged_corner_leaves_an_l() {
        let ragged = shape(&[
            (0, 0),
            (1000, 0),
            (1000, 300),
            (950, 310),
            (980, 390),
            (760, 400),
            (800, 480),
            (700, 500),
            (0, 500),
        ]);
        let s = check(&ragged);
        assert!(s.is_l);
        assert_eq!(s.kept, shape(&[(0, 0), (1000, 0), (1000, 300), (700, 300), (700, 500), (0, 500)]));
        assert_eq!(s.cuts.len(), 2);
    }

    #[test]
    fn turned_leftovers_are_cut_along_their_own_sides() {
        let ragged = shape(&[(0, 0), (1000, 0), (1000, 500), (80, 500), (30, 400), (110, 300), (40, 200), (90, 100)]);
        let turned = ragged.placed(&Placement { turn: Turn(23_456_789), ..Placement::default() }).unwrap();
        let s = check(&turned);
        assert!((s.kept.area2() as f64 / 2e6 - 445_000.0).abs() < 100.0);
    }

    #[test]
    fn two_cuts_where_one_does_not_do() {
        // Ragged on two neighbouring sides.
        let ragged = shape(&[(20, 0), (60, 40), (1000, 0), (960, 200), (1000, 500), (0, 500)]);
        let s = check(&ragged);
        assert!(s.kept.area2() as f64 > 0.85 * ragged.area2() as f64);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]

        #[test]
        fn what_is_kept_lies_inside_whatever_the_leftover(
            ragged in prop::collection::vec(1i32..400, 2..30), udeg in 0i64..360_000_000, hole in proptest::bool::ANY,
        ) {
            let n = ragged.len() as i32;
            let mut ring = vec![(0, 0), (1000, 0), (1000, 500)];
            ring.extend(ragged.iter().zip(0..).map(|(&x, i)| (x, 499 - 498 * i / n)));
            let outline = shape(&ring).outline().to_vec();
            let holes = if hole { vec![shape(&[(600, 200), (650, 210), (640, 260)]).outline().to_vec()] } else { vec![] };
            let placement = Placement { turn: Turn(udeg), ..Placement::default() };
            let leftover = Shape::new(outline, holes).unwrap().placed(&placement).unwrap();
            if let Some(s) = straighten(&leftover).unwrap() {
                prop_assert!(inside_by(&s.kept, &leftover, 0));
                prop_assert!(s.kept.area2() as f64 >= 0.29 * leftover.area2() as f64);
                prop_assert_eq!(straighten(&s.kept).unwrap(), None, "straight");
            }
        }
    }
}

//! What a cut leaves of a piece: shapes worth keeping, and the areas of parts, kerf, kept and scrap.
//!
//! What is left is the piece less the parts grown by the kerf, parted wherever it is narrower than what is worth
//! keeping; of the pieces so made, those are kept in which the least rectangle worth keeping fits. The middle
//! of a ring-shaped part counts like any other. What comes out has been verified exactly: kept shapes lie
//! inside the piece, at least a kerf from every part, and apart from each other.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::boolean::{BooleanError, difference, intersection};
use sheetloft_shapes::limits::LEAST_KEPT_UM;
use sheetloft_shapes::narrow::parted;
use sheetloft_shapes::offset::{Corners, grown, shrunk};
use sheetloft_shapes::rectangle::rectangle_of;
use sheetloft_shapes::shape::bounds;
use sheetloft_shapes::{Point, Rim, Shape};

/// The smallest leftover worth a label: a rectangle that must fit into it, either way round and at any angle.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct KeepFrom {
    /// One side, µm.
    pub w_um: i64,
    /// The other side, µm.
    pub h_um: i64,
}

impl KeepFrom {
    /// Whether a rectangle with these sides, µm, is worth a label.
    pub(crate) fn is_met_by(self, w_um: i64, h_um: i64) -> bool {
        let (short, long) = (self.w_um.min(self.h_um), self.w_um.max(self.h_um));
        w_um.min(h_um) >= short.max(LEAST_KEPT_UM) && w_um.max(h_um) >= long
    }
}

/// What a cut leaves. The four areas are twice the area in µm² and add up to the piece's exactly.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Remains {
    /// Leftovers worth keeping, largest first, in the piece's coordinates.
    pub kept: Vec<Shape>,
    /// What else is left, largest first; for the eye: slivers of a few µm are left out, and so is the web of
    /// material around many parts where it has thousands of corners.
    pub scrap: Vec<Shape>,
    /// Twice the area of the parts.
    pub parts2: i64,
    /// Twice the area that the beam or bit turns to dust: within a kerf of a part, each place once.
    pub kerf2: i64,
    /// Twice the area of the kept shapes.
    pub kept2: i64,
    /// Twice the area of all the rest: what the others leave of the piece, never below 0.
    pub scrap2: i64,
}

/// Why it cannot be said what is left.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum RemainsError {
    /// A part lies outside the piece, or over its rim or a hole.
    #[error("part {part} does not lie inside the piece")]
    Outside {
        /// Its number in the list, from 0.
        part: usize,
    },
    /// Two parts overlap.
    #[error("parts {part} and {other} overlap")]
    Overlap {
        /// The number of one in the list, from 0.
        part: usize,
        /// The number of the other.
        other: usize,
    },
    /// Kerf or keep-from below zero.
    #[error("kerf and keep-from must not be below zero")]
    Negative,
    /// The shapes could not be cut.
    #[error(transparent)]
    Boolean(#[from] BooleanError),
}

/// Most corners of all scrap shapes together.
const SCRAP_CORNERS: usize = 4_000;
/// By how much more a shape is drawn in from what it was found too near to, µm, try after try.
const REPAIRS_UM: [i64; 4] = [1, 2, 4, 16];

/// What is left of `piece` when `parts` (as placed) are cut out of it and the cut takes `kerf_um` all around
/// them. Flaws are not looked at here: they stay with what is left.
///
/// # Errors
/// [`RemainsError`]; parts may touch each other and the rim, but not overlap.
pub fn remains(piece: &Shape, parts: &[Shape], kerf_um: i64, keep: KeepFrom) -> Result<Remains, RemainsError> {
    if kerf_um < 0 || keep.w_um < 0 || keep.h_um < 0 {
        return Err(RemainsError::Negative);
    }
    let whole = Placed::new(piece.clone());
    let parts: Vec<Placed> = parts.iter().cloned().map(Placed::new).collect();
    check(&whole, &parts)?;

    let mut taken = Vec::with_capacity(parts.len());
    for part in &parts {
        taken.extend(grown(&part.shape, kerf_um, Corners::Square)?);
    }
    let left = difference(std::slice::from_ref(piece), &taken)?;
    let (w_um, h_um) = (keep.w_um.max(LEAST_KEPT_UM), keep.h_um.max(LEAST_KEPT_UM));
    let worth_keeping = |s: &Shape| rectangle_of(s, w_um, h_um).is_some();

    let mut kept: Vec<Placed> = Vec::new();
    for region in left.iter().filter(|s| worth_keeping(s)) {
        for shape in worthwhile(region, w_um.min(h_um), &worth_keeping)? {
            if let Some(shape) = repaired(shape, &whole, &parts, kerf_um, &kept)?
                && worth_keeping(&shape.shape)
                && shape.shape.is_within_limits()
            {
                kept.push(shape);
            }
        }
    }
    let mut kept: Vec<Shape> = kept.into_iter().map(|k| k.shape).collect();
    let mut scrap = difference(&left, &kept)?;
    // Slivers along rims that were rounded or drawn in: less than 5 µm wide on the whole.
    scrap.retain(|s| s.area2() as f64 > 5.0 * s.perimeter_um());
    for shapes in [&mut kept, &mut scrap] {
        shapes.sort_by(|a, b| b.area2().cmp(&a.area2()).then_with(|| a.outline().cmp(b.outline())));
    }

    let mut corners = 0;
    scrap.retain(|s| {
        corners += s.corner_count();
        corners <= SCRAP_CORNERS
    });

    let area2 = |shapes: &[Shape]| shapes.iter().map(Shape::area2).sum::<i64>();
    let parts2: i64 = parts.iter().map(|p| p.shape.area2()).sum();
    let kept2 = area2(&kept);
    // Kept shapes and parts lie in the piece and apart, exactly: what is free for kerf and scrap is not below 0.
    // The kerf is what growing the parts took; where that was rounded beyond what is there, it gives way.
    let free2 = piece.area2() - parts2 - kept2;
    let kerf2 = (piece.area2() - parts2 - area2(&left)).clamp(0, free2);
    Ok(Remains { kept, scrap, parts2, kerf2, kept2, scrap2: free2 - kerf2 })
}

/// The same where a sheet is to leave one remainder over its full width: the parts' end is cut off straight right behind
/// them, at the side where most is left. Where that is not worth keeping, or the piece is no upright rectangle, as
/// [`remains()`] has it.
///
/// # Errors
/// As of [`remains()`].
pub fn straight_remains(piece: &Shape, parts: &[Shape], kerf_um: i64, keep: KeepFrom) -> Result<Remains, RemainsError> {
    let Some((ends, remainder)) = straight_end(piece, parts, kerf_um, keep) else {
        return remains(piece, parts, kerf_um, keep);
    };
    let mut left = remains(&ends, parts, kerf_um, keep)?;
    left.kept2 += remainder.area2();
    left.kerf2 += piece.area2() - ends.area2() - remainder.area2();
    left.kept.push(remainder);
    left.kept.sort_by(|a, b| b.area2().cmp(&a.area2()).then_with(|| a.outline().cmp(b.outline())));
    Ok(left)
}

/// The end of an upright rectangle that holds all parts, and the largest remainder beyond a kerf behind it.
fn straight_end(piece: &Shape, parts: &[Shape], kerf_um: i64, keep: KeepFrom) -> Option<(Shape, Shape)> {
    let (lo, hi) = piece.bounds();
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y));
    let kerf = i32::try_from(kerf_um).ok().filter(|_| piece.area2() == 2 * w * h)?;
    if parts.is_empty() {
        return None;
    }
    let corners: Vec<Point> = parts.iter().flat_map(|s| <[Point; 2]>::from(s.bounds())).collect();
    let (from, to) = bounds(&corners);
    let rectangle = |lo: Point, hi: Point| {
        let ring = vec![lo, Point::new(hi.x, lo.y), hi, Point::new(lo.x, hi.y)];
        (lo.x < hi.x && lo.y < hi.y).then(|| Shape::new(ring, Vec::new()).ok()).flatten()
    };
    let sides = [
        ((lo, Point::new(to.x, hi.y)), (Point::new(to.x + kerf, lo.y), hi)),
        ((lo, Point::new(hi.x, to.y)), (Point::new(lo.x, to.y + kerf), hi)),
        ((Point::new(from.x, lo.y), hi), (lo, Point::new(from.x - kerf, hi.y))),
        ((Point::new(lo.x, from.y), hi), (lo, Point::new(hi.x, from.y - kerf))),
    ];
    let worth = |s: &Shape| {
        let (lo, hi) = s.bounds();
        keep.is_met_by(i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y))
    };
    let both = sides.into_iter().filter_map(|(end, rest)| Some((rectangle(end.0, end.1)?, rectangle(rest.0, rest.1)?)));
    both.filter(|(_, rest)| worth(rest)).reduce(|best, next| if next.1.area2() > best.1.area2() { next } else { best })
}

/// The pieces of a region worth keeping, freed of what is narrower than `width_um`. A cut through a narrow place
/// may cross the corner of the only rectangle that is large enough; so where what is left over is still worth
/// keeping, it is tried again with finer cuts.
fn worthwhile(
    region: &Shape,
    width_um: i64,
    worth_keeping: &impl Fn(&Shape) -> bool,
) -> Result<Vec<Shape>, BooleanError> {
    if width_um < LEAST_KEPT_UM {
        return Ok(vec![region.clone()]);
    }
    let mut kept = parted(region, width_um)?;
    kept.retain(worth_keeping);
    for rest in difference(std::slice::from_ref(region), &kept)? {
        if worth_keeping(&rest) {
            kept.extend(worthwhile(&rest, width_um / 2, worth_keeping)?);
        }
    }
    Ok(kept)
}

/// A shape where it lies, with its rim indexed.
struct Placed {
    shape: Shape,
    rim: Rim,
    bounds: (Point, Point),
}

impl Placed {
    fn new(shape: Shape) -> Self {
        Self { rim: Rim::new(&shape), bounds: shape.bounds(), shape }
    }

    /// Whether the boxes around both, one grown by `um`, do not meet: then the shapes lie further apart.
    fn far_from(&self, other: &Self, um: i64) -> bool {
        let beyond = |hi: i32, lo: i32| i64::from(lo) - i64::from(hi) > um;
        let ((alo, ahi), (blo, bhi)) = (self.bounds, other.bounds);
        beyond(ahi.x, blo.x) || beyond(bhi.x, alo.x) || beyond(ahi.y, blo.y) || beyond(bhi.y, alo.y)
    }

    fn apart_by(&self, other: &Self, um: i64) -> bool {
        self.far_from(other, um) || self.rim.apart_by(&other.rim, um)
    }
}

fn check(piece: &Placed, parts: &[Placed]) -> Result<(), RemainsError> {
    for (i, part) in parts.iter().enumerate() {
        if !part.rim.inside_by(&piece.rim, 0) {
            return Err(RemainsError::Outside { part: i });
        }
    }
    for (i, part) in parts.iter().enumerate() {
        if let Some(other) = parts[..i].iter().position(|other| !part.apart_by(other, 0)) {
            return Err(RemainsError::Overlap { part: other, other: i });
        }
    }
    Ok(())
}

/// A leftover drawn in by a few µm from whatever rounding brought it too near to, or `None` where that does
/// not help. Where it falls apart, the largest shape is what is left of it.
fn repaired(
    mut shape: Shape,
    piece: &Placed,
    parts: &[Placed],
    kerf_um: i64,
    kept: &[Placed],
) -> Result<Option<Placed>, BooleanError> {
    for more_um in REPAIRS_UM {
        let placed = Placed::new(shape);
        let crosses_rim = !placed.rim.inside_by(&piece.rim, 0);
        let too_near: Vec<(&Placed, i64)> = parts
            .iter()
            .map(|p| (p, kerf_um))
            .chain(kept.iter().map(|k| (k, 0)))
            .filter(|(other, um)| !placed.apart_by(other, *um))
            .collect();
        if !crosses_rim && too_near.is_empty() {
            return Ok(Some(placed));
        }
        let mut take = Vec::new();
        for (other, um) in too_near {
            take.extend(grown(&other.shape, um + more_um, Corners::Square)?);
        }
        let mut drawn_in = vec![placed.shape];
        if crosses_rim {
            drawn_in = intersection(&drawn_in, &shrunk(&piece.shape, more_um, Corners::Square)?)?;
        }
        drawn_in = difference(&drawn_in, &take)?;
        match drawn_in.into_iter().max_by_key(Shape::area2) {
            Some(largest) => shape = largest,
            None => return Ok(None),
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use sheetloft_shapes::clear::{apart_by, inside_by};
    use sheetloft_shapes::{Placement, Turn};

    use super::*;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    fn rect(x: i32, y: i32, w: i32, h: i32) -> Shape {
        Shape::new(vec![p(x, y), p(x + w, y), p(x + w, y + h), p(x, y + h)], vec![]).unwrap()
    }

    fn keep(w_um: i64, h_um: i64) -> KeepFrom {
        KeepFrom { w_um, h_um }
    }

    fn check_books(piece: &Shape, parts: &[Shape], kerf_um: i64, keep: KeepFrom, r: &Remains) {
        assert_eq!(r.parts2 + r.kerf2 + r.kept2 + r.scrap2, piece.area2());
        assert_eq!(r.parts2, parts.iter().map(Shape::area2).sum::<i64>());
        assert_eq!(r.kept2, r.kept.iter().map(Shape::area2).sum::<i64>());
        assert!(r.parts2 >= 0 && r.kerf2 >= 0 && r.kept2 >= 0 && r.scrap2 >= 0);
        for (i, k) in r.kept.iter().enumerate() {
            assert!(inside_by(k, piece, 0));
            assert!(parts.iter().all(|part| apart_by(k, part, kerf_um)));
            assert!(r.kept[..i].iter().all(|other| apart_by(k, other, 0)));
            assert!(rectangle_of(k, keep.w_um, keep.h_um).is_some());
        }
    }

    #[test]
    fn a_strip_off_a_sheet_leaves_a_rectangle() {
        let sheet = rect(0, 0, 2_438_400, 1_219_200);
        let part = rect(0, 0, 400_000, 1_219_200);
        let r = remains(&sheet, std::slice::from_ref(&part), 200, keep(100_000, 300_000)).unwrap();
        assert_eq!(r.kept, [rect(400_200, 0, 2_038_200, 1_219_200)]);
        assert_eq!((r.kerf2, r.scrap2, r.scrap.len()), (2 * 200 * 1_219_200, 0, 0));
        check_books(&sheet, &[part], 200, keep(100_000, 300_000), &r);
    }

    #[test]
    fn a_straight_remainder_is_cut_off_behind_the_parts() {
        let sheet = rect(0, 0, 2_400_000, 1_200_000);
        let parts = [rect(5_000, 5_000, 700_000, 400_000), rect(5_000, 410_000, 500_000, 700_000)];
        let keep = keep(150_000, 300_000);
        let r = straight_remains(&sheet, &parts, 200, keep).unwrap();
        assert_eq!(r.kept[0], rect(705_200, 0, 1_694_800, 1_200_000));
        // Beside the shorter part, up to the end of the longer one.
        assert_eq!(r.kept[1..], [rect(505_200, 405_200, 199_800, 794_800)]);
        check_books(&sheet, &parts, 200, keep, &r);
        // At the other end; and with nothing worth a straight cut, as ever.
        let parts = [rect(1_000_000, 5_000, 1_395_000, 1_190_000)];
        let r = straight_remains(&sheet, &parts, 200, keep).unwrap();
        assert_eq!(r.kept, [rect(0, 0, 999_800, 1_200_000)]);
        check_books(&sheet, &parts, 200, keep, &r);
        let parts = [rect(100_000, 100_000, 2_200_000, 1_000_000)];
        assert_eq!(straight_remains(&sheet, &parts, 200, keep), remains(&sheet, &parts, 200, keep));
    }

    #[test]
    fn webs_between_parts_are_scrap_and_the_rest_stays_a_rectangle() {
        let sheet = rect(0, 0, 2_400_000, 1_200_000);
        let parts: Vec<Shape> = (0..5)
            .flat_map(|i| (0..4).map(move |j| rect(5_200 + i * 202_200, 5_200 + j * 297_800, 200_000, 295_600)))
            .collect();
        let r = remains(&sheet, &parts, 200, keep(100_000, 100_000)).unwrap();
        let right = 5_200 + 4 * 202_200 + 200_000 + 200;
        assert_eq!(r.kept, [rect(right, 0, 2_400_000 - right, 1_200_000)]);
        check_books(&sheet, &parts, 200, keep(100_000, 100_000), &r);
        assert!(r.scrap2 > 0);
    }

    #[test]
    fn the_middle_of_a_ring_is_kept_where_it_is_large_enough() {
        let sheet = rect(0, 0, 500_000, 500_000);
        let ring = Shape::new(
            rect(10_000, 10_000, 480_000, 480_000).outline().to_vec(),
            vec![rect(50_000, 50_000, 400_000, 400_000).outline().to_vec()],
        );
        let ring = [ring.unwrap()];
        let r = remains(&sheet, &ring, 3_000, keep(200_000, 300_000)).unwrap();
        assert_eq!(r.kept, [rect(53_000, 53_000, 394_000, 394_000)]);
        check_books(&sheet, &ring, 3_000, keep(200_000, 300_000), &r);
        let r = remains(&sheet, &ring, 3_000, keep(200_000, 400_000)).unwrap();
        assert_eq!(r.kept, []);
        check_books(&sheet, &ring, 3_000, keep(200_000, 400_000), &r);
    }

    #[test]
    fn nothing_cut_and_all_cut() {
        let sheet = rect(0, 0, 500_000, 500_000);
        let r = remains(&sheet, &[], 200, keep(0, 0)).unwrap();
        assert_eq!((r.kept, r.scrap2, r.kerf2), (vec![sheet.clone()], 0, 0));
        let r = remains(&sheet, std::slice::from_ref(&sheet), 200, keep(0, 0)).unwrap();
        assert_eq!((r.kept, r.parts2), (vec![], sheet.area2()));
    }

    #[test]
    fn a_common_line_is_counted_once_and_touching_parts_leave_no_kerf() {
        let sheet = rect(0, 0, 500_000, 500_000);
        let two = [rect(0, 0, 100_000, 500_000), rect(100_200, 0, 100_000, 500_000)];
        let r = remains(&sheet, &two, 200, keep(0, 0)).unwrap();
        assert_eq!(r.kerf2, 2 * 2 * 200 * 500_000);
        let r = remains(&sheet, &[rect(0, 0, 100_000, 500_000), rect(100_000, 0, 400_000, 500_000)], 0, keep(0, 0))
            .unwrap();
        assert_eq!((r.kerf2, r.scrap2, r.kept2), (0, 0, 0));
    }

    #[test]
    fn mistakes_are_named() {
        let sheet = rect(0, 0, 500_000, 500_000);
        let off = rect(450_000, 0, 50_001, 100);
        assert_eq!(remains(&sheet, &[rect(0, 0, 9, 9), off], 0, keep(0, 0)), Err(RemainsError::Outside { part: 1 }));
        let twice = [rect(0, 0, 100, 100), rect(200, 0, 100, 100), rect(50, 50, 100, 100)];
        assert_eq!(remains(&sheet, &twice, 0, keep(0, 0)), Err(RemainsError::Overlap { part: 0, other: 2 }));
        assert_eq!(remains(&sheet, &[], -1, keep(0, 0)), Err(RemainsError::Negative));
    }

    /// Rings of corners at growing angles.
    fn blob(size: std::ops::Range<f64>) -> impl Strategy<Value = Shape> {
        (size, prop::collection::vec(0.4f64..1.0, 3..24)).prop_filter_map("is a shape", |(size, radii)| {
            let n = radii.len() as f64;
            let corner = |(i, r): (usize, &f64)| {
                let a = std::f64::consts::TAU * i as f64 / n;
                p((size * r * libm::cos(a)).round() as i32, (size * r * libm::sin(a)).round() as i32)
            };
            Shape::new(radii.iter().enumerate().map(corner).collect(), vec![]).ok()
        })
    }

    proptest! {
        #[test]
        fn areas_add_up_and_what_is_kept_is_clear_of_everything(
            piece in prop_oneof![Just(rect(-300_000, -300_000, 600_000, 600_000)), blob(200_000.0..500_000.0)],
            parts in prop::collection::vec(
                (blob(10_000.0..120_000.0), 0i64..360_000_000, -250_000i32..250_000, -250_000i32..250_000), 0..12),
            kerf in prop_oneof![Just(0i64), Just(200), 1i64..6_000],
            w in 20_000i64..150_000, h in 20_000i64..150_000,
        ) {
            let mut placed: Vec<Shape> = Vec::new();
            for (part, turn, dx, dy) in parts {
                let Ok(part) = part.placed(&Placement { turn: Turn(turn), flip: false, dx, dy }) else { continue };
                if inside_by(&part, &piece, kerf) && placed.iter().all(|other| apart_by(&part, other, kerf)) {
                    placed.push(part);
                }
            }
            let r = remains(&piece, &placed, kerf, keep(w, h)).unwrap();
            check_books(&piece, &placed, kerf, keep(w, h), &r);
            // Nothing large is lost: what is neither part, kerf nor kept holds no such rectangle with room to spare.
            for s in &r.scrap {
                prop_assert!(rectangle_of(s, w.max(h) + 1_000, w.max(h) + 1_000).is_none(), "{:?}", s);
            }
        }
    }
}

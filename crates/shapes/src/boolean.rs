//! Union, difference and intersection of shapes, through the `i_overlay` library in 64-bit integers.
//!
//! Where edges cross, the crossing is rounded to the µm grid, and edges that meet it are bent by as much; so a
//! result is right to within about a micrometre along its rim, and every operation checks that the areas still
//! add up: |A∩B| + |A∖B| = |A|. Results are valid [`Shape`]s in an order that depends on the region alone: where material would hang together in a single
//! point, a few micrometres around that point are taken away. They may have more corners than shapes from outside.

use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::point::IntPoint;

use crate::rim::Rim;
use crate::shape::{Point, Ring, Shape, ShapeError, dist2, edges, orient, ring_area2};

/// Why a boolean operation has no answer. None of these is known to happen for valid shapes; they are checked
/// because what rests on the answer is stock and money.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum BooleanError {
    /// The areas do not add up beyond what rounding explains.
    #[error("areas do not add up after cutting shapes: off by {off_um2} µm², {allowed_um2} allowed")]
    Area {
        /// How far off, µm².
        off_um2: i64,
        /// What rounding may explain, µm².
        allowed_um2: i64,
    },
    /// The result is not a shape: too many corners, or touching itself in a way that cannot be mended.
    #[error("the result of cutting shapes is not a shape: {0}")]
    Shape(#[from] ShapeError),
}

/// All that any of the shapes covers.
///
/// # Errors
/// [`BooleanError`], as said there.
pub fn union(shapes: &[Shape]) -> Result<Vec<Shape>, BooleanError> {
    overlay(&rings(shapes), &[], OverlayRule::Subject)
}

/// What of `from` no shape of `take` covers.
///
/// # Errors
/// [`BooleanError`], as said there.
pub fn difference(from: &[Shape], take: &[Shape]) -> Result<Vec<Shape>, BooleanError> {
    overlay(&rings(from), &rings(take), OverlayRule::Difference)
}

/// What some shape of `a` and some shape of `b` both cover.
///
/// # Errors
/// [`BooleanError`], as said there.
pub fn intersection(a: &[Shape], b: &[Shape]) -> Result<Vec<Shape>, BooleanError> {
    overlay(&rings(a), &rings(b), OverlayRule::Intersect)
}

/// What the rings cover, each point to the left of more rings than it is to the right of.
pub(crate) fn union_of_rings(rings: &[Ring]) -> Result<Vec<Shape>, BooleanError> {
    overlay(rings, &[], OverlayRule::Subject)
}

/// What of a shape the rings do not cover.
pub(crate) fn difference_of_rings(from: &Shape, take: &[Ring]) -> Result<Vec<Shape>, BooleanError> {
    overlay(&rings(std::slice::from_ref(from)), take, OverlayRule::Difference)
}

fn rings(shapes: &[Shape]) -> Vec<Ring> {
    shapes.iter().flat_map(Shape::rings).map(<[Point]>::to_vec).collect()
}

/// Rings of one shape as the library gives them: the outline first.
type Raw = Vec<Ring>;

fn overlay(a: &[Ring], b: &[Ring], rule: OverlayRule) -> Result<Vec<Shape>, BooleanError> {
    let [result, whole, common, rest] =
        extract(a, b, [rule, OverlayRule::Subject, OverlayRule::Intersect, OverlayRule::Difference])?;
    let area2 = |raw: &[Raw]| raw.iter().flatten().map(|r| ring_area2(r)).sum::<i64>();

    // Rims may move by two micrometres; what is mended takes away a few more.
    let all = || a.iter().chain(b);
    let rims: f64 = all().flat_map(|r| edges(r)).map(|(a, b)| (dist2(a, b) as f64).sqrt()).sum();
    let corners: usize = all().map(Vec::len).sum();
    let allowed2 = (4.0 * rims) as i64 + 256 * corners as i64;
    let check = |off2: i64| {
        if off2.abs() <= allowed2 {
            Ok(())
        } else {
            Err(BooleanError::Area { off_um2: off2.abs() / 2, allowed_um2: allowed2 / 2 })
        }
    };
    check(area2(&common) + area2(&rest) - area2(&whole))?;
    // Rings of one shape never overlap; then what they cover is known beforehand.
    if let [outline] = a {
        check(area2(&whole) - ring_area2(outline))?;
    }
    let mut shapes = Vec::with_capacity(result.len());
    for raw in &result {
        shapes.extend(mended(raw)?);
    }
    check(shapes.iter().map(Shape::area2).sum::<i64>() - area2(&result))?;
    let mut shapes: Vec<Shape> = shapes.into_iter().map(Shape::in_order).collect();
    shapes.sort_unstable_by(|a, b| a.outline().cmp(b.outline()));
    Ok(shapes)
}

/// Several results from one pass over the same rings. Rings count with their direction.
fn extract<const N: usize>(
    subject: &[Ring],
    clip: &[Ring],
    rules: [OverlayRule; N],
) -> Result<[Vec<Raw>; N], BooleanError> {
    let capacity = subject.iter().chain(clip).map(Vec::len).sum();
    let mut overlay = Overlay::<i64>::new(capacity);
    for (rings, kind) in [(subject, ShapeType::Subject), (clip, ShapeType::Clip)] {
        for ring in rings {
            let points = ring.iter().map(|p| IntPoint::new(i64::from(p.x), i64::from(p.y)));
            overlay.add_path_iter(points, kind);
        }
    }
    let mut results = [const { Vec::new() }; N];
    let Some(graph) = overlay.build_graph_view(FillRule::NonZero) else { return Ok(results) };
    let narrow = |v: i64| i32::try_from(v).map_err(|_| ShapeError::OutOfRange { ring: 0, corner: 0 });
    for (result, rule) in results.iter_mut().zip(rules) {
        let shapes = graph.extract_shapes(rule, &mut Default::default());
        for shape in shapes {
            let mut raw = Vec::with_capacity(shape.len());
            for contour in shape {
                let ring: Result<Ring, ShapeError> =
                    contour.iter().map(|p| Ok(Point::new(narrow(p.x)?, narrow(p.y)?))).collect();
                raw.push(ring?);
            }
            result.push(raw);
        }
    }
    Ok(results)
}

/// Valid shapes from the rings of one region: rings without area are dropped, and where rings touch themselves
/// or each other, a few µm around the place are taken out of the material.
pub(crate) fn mended(raw: &[Ring]) -> Result<Vec<Shape>, BooleanError> {
    mended_by(raw, 0)
}

/// How far along the edges that meet in a touching point material is taken away, µm, round after round. Edges
/// that part at a fine angle are no further than the grid apart for that long.
const MEND_ALONG_UM: [f64; 6] = [0.0, 16.0, 128.0, 1_024.0, 8_192.0, 65_536.0];
/// How far to either side, µm.
const MEND_ASIDE_UM: i32 = 2;

fn mended_by(raw: &[Ring], round: usize) -> Result<Vec<Shape>, BooleanError> {
    let Some((outline, holes)) = raw.split_first() else { return Ok(Vec::new()) };
    let no_area = |ring: &Ring| crate::valid::clean(ring).len() < 3;
    if no_area(outline) {
        return Ok(Vec::new());
    }
    let holes: Vec<Ring> = holes.iter().filter(|h| !no_area(h)).cloned().collect();
    let error = match Shape::computed(outline.clone(), holes.clone()) {
        Ok(shape) => return Ok(vec![shape]),
        Err(ShapeError::NothingLeft) => return Ok(Vec::new()),
        Err(error) => error,
    };
    let touching = matches!(
        error,
        ShapeError::SelfCrossing { .. } | ShapeError::HoleOutside { .. } | ShapeError::HolesOverlap { .. }
    );
    let Some(&along_um) = MEND_ALONG_UM.get(round).filter(|_| touching) else { return Err(error.into()) };
    let rings: Vec<Ring> = std::iter::once(outline.clone())
        .chain(holes)
        .map(|ring| crate::valid::clean(&ring).into_iter().map(|c| c.0).collect())
        .collect();
    let [parts] = extract(&rings, &mends(&rings, along_um), [OverlayRule::Difference])?;
    let mut shapes = Vec::with_capacity(parts.len());
    for part in &parts {
        shapes.extend(mended_by(part, round + 1)?);
    }
    Ok(shapes)
}

/// What is to be taken out where corners lie on other corners or on edges to which they do not belong: a square
/// around the point and strips along all edges there.
fn mends(rings: &[Ring], along_um: f64) -> Vec<Ring> {
    let rim = Rim::of_rings(rings.iter().map(Vec::as_slice));
    let mut stubs: Vec<(Point, Point)> = Vec::new();
    rim.any_pair(
        &rim,
        |gap2| gap2 == 0,
        |e, f| {
            let corner = e.a == f.a && (e.before, e.b) != (f.before, f.b);
            let edge = e.a != f.a && e.a != f.b && orient(f.a, f.b, e.a) == 0 && f.holds(e.a);
            if corner || edge {
                stubs.extend([e.before, e.b, f.a, f.b].map(|to| (e.a, to)));
            }
            false
        },
    );
    stubs.sort_unstable();
    stubs.dedup();
    let mut rings: Vec<Ring> = Vec::new();
    for &(p, to) in &stubs {
        let aside = MEND_ASIDE_UM;
        let corner = |x: i32, y: i32| Point::new(p.x + x * aside, p.y + y * aside);
        rings.push(vec![corner(-1, -1), corner(1, -1), corner(1, 1), corner(-1, 1)]);
        let (dx, dy) = (f64::from(to.x) - f64::from(p.x), f64::from(to.y) - f64::from(p.y));
        let length = (dx * dx + dy * dy).sqrt();
        if length == 0.0 || along_um == 0.0 {
            continue;
        }
        let (ux, uy) = (dx / length, dy / length);
        let at = |along: f64, aside: f64| {
            let (x, y) = (along * ux - aside * uy, along * uy + aside * ux);
            Point::new(p.x + x.round() as i32, p.y + y.round() as i32)
        };
        let (along, aside) = (along_um.min(length), f64::from(aside));
        rings.push(vec![at(0.0, -aside), at(along, -aside), at(along, aside), at(0.0, aside)]);
    }
    rings
}

#[cfg(test)]
mod tests {
    use geo::{Area, BooleanOps};
    use proptest::prelude::*;

    use super::*;
    use crate::clear::{apart_by, inside_by};
    use crate::place::{Placement, Turn};
    use crate::samples;

    fn p(x: i32, y: i32) -> Point {
        Point::new(x, y)
    }

    fn rect(x: i32, y: i32, w: i32, h: i32) -> Shape {
        Shape::new(vec![p(x, y), p(x + w, y), p(x + w, y + h), p(x, y + h)], vec![]).unwrap()
    }

    fn area2(shapes: &[Shape]) -> i64 {
        shapes.iter().map(Shape::area2).sum()
    }

    #[test]
    fn rectangles_are_cut_exactly() {
        let sheet = rect(0, 0, 1_000, 500);
        let left = difference(std::slice::from_ref(&sheet), &[rect(0, 0, 400, 500)]).unwrap();
        assert_eq!(left, [Shape::new(vec![p(400, 0), p(1_000, 0), p(1_000, 500), p(400, 500)], vec![]).unwrap()]);
        let two = difference(std::slice::from_ref(&sheet), &[rect(300, -5, 100, 600)]).unwrap();
        assert_eq!((two.len(), area2(&two)), (2, 900_000));
        let framed = difference(std::slice::from_ref(&sheet), &[rect(300, 100, 100, 100)]).unwrap();
        assert_eq!((framed.len(), framed[0].holes().len()), (1, 1));
        assert_eq!(difference(std::slice::from_ref(&sheet), std::slice::from_ref(&sheet)).unwrap(), []);
        assert_eq!(union(&[sheet.clone(), sheet.clone()]).unwrap(), std::slice::from_ref(&sheet));
        assert_eq!(union(&[]).unwrap(), []);
        assert_eq!(intersection(std::slice::from_ref(&sheet), &[]).unwrap(), []);
        // The hole of one shape is covered by another.
        let covered = union(&[framed[0].clone(), rect(250, 50, 300, 300)]).unwrap();
        assert_eq!(covered, [sheet]);
    }

    #[test]
    fn material_that_hangs_together_in_one_point_is_parted() {
        // Two squares that meet at a corner.
        let both = union(&[rect(0, 0, 100, 100), rect(100, 100, 100, 100)]).unwrap();
        assert_eq!(both.len(), 2);
        assert!(40_000 - area2(&both) < 64);
        // A hole that touches the rim at one point: it opens to the outside.
        let diamond = Shape::new(vec![p(50, 0), p(80, 50), p(50, 80), p(20, 50)], vec![]).unwrap();
        let bitten = difference(&[rect(0, 0, 100, 100)], &[diamond]).unwrap();
        assert_eq!((bitten.len(), bitten[0].holes().len()), (1, 0));
        // Two holes that touch each other.
        let holes = [rect(10, 10, 20, 20), rect(30, 30, 20, 20)];
        let holed = difference(&[rect(0, 0, 100, 100)], &holes).unwrap();
        assert_eq!((holed.len(), holed[0].holes().len()), (1, 1));
    }

    proptest! {
        #[test]
        fn areas_agree_with_geo_and_add_up(
            a in samples::shape(), b in samples::shape(), turn in 0i64..360_000_000, dx in -200_000i32..200_000,
        ) {
            let b = b.placed(&Placement { turn: Turn::new(turn), dx, ..Placement::default() });
            prop_assume!(b.is_ok());
            let b = b.unwrap();
            let (ga, gb) = (samples::to_geo(&a), samples::to_geo(&b));
            let (a, b) = ([a], [b]);
            let common = intersection(&a, &b).unwrap();
            let rest = difference(&a, &b).unwrap();
            let all = union(&[a[0].clone(), b[0].clone()]).unwrap();
            let allowed = 2.0 * (a[0].perimeter_um() + b[0].perimeter_um());
            let near = |ours: &[Shape], theirs: f64| (area2(ours) as f64 / 2.0 - theirs).abs() <= allowed;
            prop_assert!(near(&common, ga.intersection(&gb).unsigned_area()));
            prop_assert!(near(&rest, ga.difference(&gb).unsigned_area()));
            prop_assert!(near(&all, ga.union(&gb).unsigned_area()));
            // The pieces of one answer lie apart, and what was cut off is gone, to within the grid.
            for (i, s) in rest.iter().enumerate() {
                for t in &rest[..i] {
                    prop_assert!(apart_by(s, t, 0));
                }
            }
        }

        #[test]
        fn upright_cuts_are_exact(
            outer in (0i32..50, 0i32..50, 10i32..90, 10i32..90), cuts in prop::collection::vec((0i32..90, 0i32..90, 1i32..60, 1i32..60), 0..5),
        ) {
            let piece = rect(outer.0, outer.1, outer.2, outer.3);
            let cuts: Vec<Shape> = cuts.into_iter().map(|(x, y, w, h)| rect(x, y, w, h)).collect();
            let left = difference(std::slice::from_ref(&piece), &cuts).unwrap();
            for l in &left {
                prop_assert!(inside_by(l, &piece, 0));
                for c in &cuts {
                    prop_assert!(apart_by(l, c, 0));
                }
            }
        }
    }
}

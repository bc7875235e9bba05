//! Cleaning and validation of rings: what makes corners from outside a shape, in exact integer arithmetic.
//!
//! Whether rings touch or cross is decided by one sweep over all edges that stops at the first contact
//! (M. I. Shamos, D. Hoey, "Geometric intersection problems", FOCS 1976), in O(n log n) for n corners; where a
//! hole lies is read off the edge below its leftmost corner during the same sweep.

use crate::limits::{COORDINATE_UM, CORNERS_PER_RING, CORNERS_PER_SHAPE, RINGS_PER_SHAPE};
use crate::shape::{Point, Ring, ShapeError, bounds, orient, ring_area2};

/// A corner that was kept, with its number in the ring as given.
type Corner = (Point, usize);

/// Refuses rings from outside that are too many, too long or reach too far.
pub(crate) fn bounded(outline: &[Point], holes: &[Ring]) -> Result<(), ShapeError> {
    if holes.len() + 1 > RINGS_PER_SHAPE {
        return Err(ShapeError::TooManyRings { rings: holes.len() + 1, most: RINGS_PER_SHAPE });
    }
    let mut total = 0;
    for (ring, corners) in given(outline, holes) {
        if corners.len() > CORNERS_PER_RING {
            return Err(ShapeError::TooManyCorners { ring, corners: corners.len(), most: CORNERS_PER_RING });
        }
        total += corners.len();
        if total > CORNERS_PER_SHAPE {
            return Err(ShapeError::TooManyCorners { ring, corners: total, most: CORNERS_PER_SHAPE });
        }
    }
    Ok(())
}

fn given<'a>(outline: &'a [Point], holes: &'a [Ring]) -> impl Iterator<Item = (usize, &'a [Point])> {
    std::iter::once(outline).chain(holes.iter().map(Vec::as_slice)).enumerate()
}

/// The outline and the holes, cleaned and oriented, or what is wrong with them.
pub(crate) fn validated(outline: &[Point], holes: &[Ring]) -> Result<Vec<Ring>, ShapeError> {
    for (ring, corners) in given(outline, holes) {
        let within = |v: i32| i64::from(v).abs() <= COORDINATE_UM;
        if let Some(corner) = corners.iter().position(|p| !within(p.x) || !within(p.y)) {
            return Err(ShapeError::OutOfRange { ring, corner });
        }
    }

    let mut rings: Vec<Vec<Corner>> = Vec::with_capacity(holes.len() + 1);
    for (ring, corners) in given(outline, holes) {
        let cleaned = clean(corners);
        if cleaned.len() < 3 {
            return Err(if distinct_at_least_3(corners) {
                ShapeError::NoArea { ring }
            } else {
                ShapeError::TooFewCorners { ring }
            });
        }
        sweep(std::slice::from_ref(&cleaned)).map_err(|c| ShapeError::SelfCrossing {
            ring,
            corner: c.first.1.min(c.second.1),
            other: c.first.1.max(c.second.1),
        })?;
        rings.push(cleaned);
    }

    if rings.len() > 1 {
        // A hole that swallows the outline crosses it, encloses it or is it: one and the same mistake.
        let outside = |hole: usize| {
            let ring = |r: usize| rings[r].iter().map(|c| c.0).collect::<Ring>();
            let (ours, theirs) = (bounds(&ring(0)), bounds(&ring(hole)));
            let around =
                theirs.0.x <= ours.0.x && theirs.0.y <= ours.0.y && theirs.1.x >= ours.1.x && theirs.1.y >= ours.1.y;
            if around && ring_area2(&ring(hole)).abs() >= ring_area2(&ring(0)).abs() {
                ShapeError::NothingLeft
            } else {
                ShapeError::HoleOutside { hole }
            }
        };
        let parents = sweep(&rings).map_err(|c| match (c.first.0.min(c.second.0), c.first.0.max(c.second.0)) {
            (0, hole) => outside(hole),
            (hole, other) => ShapeError::HolesOverlap { hole, other },
        })?;
        if let Some(hole) = (1..rings.len()).find(|&h| parents[h].is_none()) {
            return Err(outside(hole));
        }
        for (ring, parent) in parents.iter().enumerate() {
            match *parent {
                Some(parent) if parent != 0 && ring != 0 => {
                    return Err(ShapeError::HolesOverlap { hole: ring.min(parent), other: ring.max(parent) });
                }
                _ => {}
            }
        }
    }

    let oriented = rings.into_iter().enumerate().map(|(i, ring)| {
        let mut ring: Ring = ring.into_iter().map(|c| c.0).collect();
        if (ring_area2(&ring) > 0) != (i == 0) {
            ring[1..].reverse();
        }
        ring
    });
    Ok(oriented.collect())
}

/// Drops corners repeated in a row and corners on one line with their neighbours, until none is left. What
/// remains has fewer than three corners where the ring encloses nothing in this way.
pub(crate) fn clean(ring: &[Point]) -> Vec<Corner> {
    let mut kept: Vec<Corner> = Vec::with_capacity(ring.len());
    for (i, &p) in ring.iter().enumerate() {
        loop {
            match kept.as_slice() {
                [.., last] if last.0 == p => break,
                [.., before, last] if orient(before.0, last.0, p) == 0 => {
                    kept.pop();
                }
                _ => {
                    kept.push((p, i));
                    break;
                }
            }
        }
    }
    // The same across the seam between the last corner and the first.
    let mut from = 0;
    while kept.len() - from >= 3 {
        let (first, second) = (kept[from].0, kept[from + 1].0);
        let (last, before) = (kept[kept.len() - 1].0, kept[kept.len() - 2].0);
        if last == first || orient(before, last, first) == 0 {
            kept.pop();
        } else if orient(last, first, second) == 0 {
            from += 1;
        } else {
            break;
        }
    }
    kept.drain(..from);
    kept
}

fn distinct_at_least_3(ring: &[Point]) -> bool {
    let Some(&first) = ring.first() else {
        return false;
    };
    let Some(&second) = ring.iter().find(|&&p| p != first) else {
        return false;
    };
    ring.iter().any(|&p| p != first && p != second)
}

/// Two edges that meet, each as (ring, corner as given at which the edge starts).
struct Contact {
    first: (usize, usize),
    second: (usize, usize),
}

/// An edge with its ends in order of x, then y.
struct Edge {
    left: Point,
    right: Point,
    ring: usize,
    corner: usize,
    /// Position of the edge in its ring, to know neighbours.
    at: usize,
    /// The ring runs from `left` to `right` here.
    forward: bool,
}

/// Walks over all edges from left to right. Gives for each ring the ring that directly encloses it, or the
/// first two edges found that meet other than as neighbours in their ring.
fn sweep(rings: &[Vec<Corner>]) -> Result<Vec<Option<usize>>, Contact> {
    let mut edges = Vec::with_capacity(rings.iter().map(Vec::len).sum());
    for (ring, corners) in rings.iter().enumerate() {
        for (at, &(a, corner)) in corners.iter().enumerate() {
            let b = corners[(at + 1) % corners.len()].0;
            let forward = a < b;
            let (left, right) = if forward { (a, b) } else { (b, a) };
            edges.push(Edge { left, right, ring, corner, at, forward });
        }
    }
    let contact = |a: &Edge, b: &Edge| Contact { first: (a.ring, a.corner), second: (b.ring, b.corner) };

    // Two corners in one place are a contact; afterwards every point has exactly two edges.
    let mut corners: Vec<(Point, usize, usize)> =
        rings.iter().enumerate().flat_map(|(r, ring)| ring.iter().map(move |&(p, i)| (p, r, i))).collect();
    corners.sort_unstable();
    if let Some(pair) = corners.windows(2).find(|w| w[0].0 == w[1].0) {
        return Err(Contact { first: (pair[0].1, pair[0].2), second: (pair[1].1, pair[1].2) });
    }

    let neighbours = |a: &Edge, b: &Edge| {
        let n = rings[a.ring].len();
        a.ring == b.ring && ((a.at + 1) % n == b.at || (b.at + 1) % n == a.at)
    };
    let check = |a: &Edge, b: &Edge| {
        if !neighbours(a, b) && meet(a, b) { Err(contact(a, b)) } else { Ok(()) }
    };

    // At each point first the edges that end there leave, then those that start there enter.
    let mut events: Vec<(Point, bool, usize)> = Vec::with_capacity(2 * edges.len());
    for (e, edge) in edges.iter().enumerate() {
        events.push((edge.left, true, e));
        events.push((edge.right, false, e));
    }
    events.sort_unstable();

    let counter_clockwise: Vec<bool> =
        rings.iter().map(|r| ring_area2(&r.iter().map(|c| c.0).collect::<Ring>()) > 0).collect();
    let mut parents: Vec<Option<usize>> = vec![None; rings.len()];
    let mut seen = vec![false; rings.len()];
    // Edges under the sweep line, from bottom to top.
    let mut active: Vec<usize> = Vec::new();
    for &(point, enters, e) in &events {
        let edge = &edges[e];
        let place = active.partition_point(|&f| {
            let f = &edges[f];
            match orient(f.left, f.right, point) {
                // Both start here: the further ends decide. (Both end here: either order finds the edge.)
                0 if enters && f.left == point => orient(f.left, f.right, edge.right) > 0,
                turn => turn > 0,
            }
        });
        if enters {
            // An edge under the point that does not start there is touched by it.
            let touched = active.get(place).map(|&f| &edges[f]);
            if let Some(f) = touched.filter(|f| f.left != point && orient(f.left, f.right, point) == 0) {
                return Err(contact(f, edge));
            }
            if !seen[edge.ring] {
                seen[edge.ring] = true;
                parents[edge.ring] = place.checked_sub(1).and_then(|below| {
                    let below = &edges[active[below]];
                    // A counter-clockwise ring has its inside above the edges that run from left to right.
                    if below.forward == counter_clockwise[below.ring] { Some(below.ring) } else { parents[below.ring] }
                });
            }
            if place > 0 {
                check(&edges[active[place - 1]], edge)?;
            }
            if let Some(&above) = active.get(place) {
                check(edge, &edges[above])?;
            }
            active.insert(place, e);
        } else {
            let place = match active[place..].iter().take(4).position(|&f| f == e) {
                Some(steps) => Some(place + steps),
                None => active.iter().position(|&f| f == e),
            };
            let Some(place) = place else { continue };
            active.remove(place);
            if place > 0
                && let Some(&above) = active.get(place)
            {
                check(&edges[active[place - 1]], &edges[above])?;
            }
        }
    }
    Ok(parents)
}

/// Whether two edges have a point in common, ends included.
fn meet(a: &Edge, b: &Edge) -> bool {
    segments_meet((a.left, a.right), (b.left, b.right))
}

/// Whether two segments have a point in common, ends included; exact.
pub(crate) fn segments_meet((a, b): (Point, Point), (c, d): (Point, Point)) -> bool {
    let overlap = |a: i32, b: i32, c: i32, d: i32| a.min(b) <= c.max(d) && c.min(d) <= a.max(b);
    if !overlap(a.x, b.x, c.x, d.x) || !overlap(a.y, b.y, c.y, d.y) {
        return false;
    }
    let sides = |p, q, r, s| {
        let (r, s) = (orient(p, q, r).signum(), orient(p, q, s).signum());
        r * s <= 0
    };
    sides(a, b, c, d) && sides(c, d, a, b)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::samples;
    use crate::shape::Shape;

    fn ring(corners: &[(i32, i32)]) -> Ring {
        corners.iter().map(|&c| c.into()).collect()
    }

    fn square(x: i32, y: i32, side: i32) -> Ring {
        ring(&[(x, y), (x + side, y), (x + side, y + side), (x, y + side)])
    }

    #[test]
    fn repeated_and_collinear_corners_and_spikes_are_dropped() {
        let given =
            ring(&[(0, 0), (0, 0), (50, 0), (100, 0), (100, 40), (130, 40), (100, 40), (100, 100), (0, 100), (0, 0)]);
        let shape = Shape::new(given, vec![]).unwrap();
        assert_eq!(shape.outline(), square(0, 0, 100));
        // A spike across the seam of the ring.
        let given = ring(&[(-20, 0), (0, 0), (100, 0), (100, 100), (0, 100), (0, 0)]);
        assert_eq!(Shape::new(given, vec![]).unwrap().area2(), 20_000);
    }

    #[test]
    fn rings_are_oriented_and_keep_their_place_and_first_corner() {
        let mut outline = square(10, 20, 100);
        outline[1..].reverse();
        let shape = Shape::new(outline, vec![square(30, 40, 10)]).unwrap();
        assert_eq!(shape.outline(), square(10, 20, 100));
        assert_eq!(shape.holes()[0], ring(&[(30, 40), (30, 50), (40, 50), (40, 40)]));
        assert_eq!(shape.area2(), 2 * (10_000 - 100));
    }

    #[test]
    fn each_mistake_is_named_with_its_place_as_given() {
        let outline = || square(0, 0, 100);
        let new = |outline: Ring, holes: Vec<Ring>| Shape::new(outline, holes).unwrap_err();
        assert_eq!(new(ring(&[(0, 0), (5, 5), (0, 0)]), vec![]), ShapeError::TooFewCorners { ring: 0 });
        assert_eq!(new(vec![], vec![]), ShapeError::TooFewCorners { ring: 0 });
        assert_eq!(new(ring(&[(0, 0), (5, 5), (9, 9)]), vec![]), ShapeError::NoArea { ring: 0 });
        assert_eq!(
            new(ring(&[(0, 0), (0, 0), (100, 100), (100, 0), (0, 100)]), vec![]),
            ShapeError::SelfCrossing { ring: 0, corner: 0, other: 3 }
        );
        // Two squares that touch at a corner.
        assert_eq!(
            new(ring(&[(0, 0), (50, 0), (50, 50), (100, 50), (100, 100), (50, 100), (50, 50), (0, 50)]), vec![]),
            ShapeError::SelfCrossing { ring: 0, corner: 2, other: 6 }
        );
        // A corner on another edge.
        assert!(matches!(
            new(ring(&[(0, 0), (100, 0), (100, 100), (50, 0), (0, 100)]), vec![]),
            ShapeError::SelfCrossing { ring: 0, .. }
        ));
        assert_eq!(
            new(ring(&[(0, 0), (20_000_001, 0), (0, 5)]), vec![]),
            ShapeError::OutOfRange { ring: 0, corner: 1 }
        );
        let hole = |h: Ring| new(outline(), vec![square(2, 2, 3), h]);
        assert_eq!(hole(square(200, 0, 10)), ShapeError::HoleOutside { hole: 2 });
        assert_eq!(hole(square(90, 50, 10)), ShapeError::HoleOutside { hole: 2 });
        assert_eq!(hole(square(90, 50, 30)), ShapeError::HoleOutside { hole: 2 });
        assert_eq!(hole(square(5, 5, 10)), ShapeError::HolesOverlap { hole: 1, other: 2 });
        assert_eq!(hole(square(1, 1, 10)), ShapeError::HolesOverlap { hole: 1, other: 2 });
        assert_eq!(hole(square(3, 3, 1)), ShapeError::HolesOverlap { hole: 1, other: 2 });
        assert_eq!(hole(square(2, 2, 3)), ShapeError::HolesOverlap { hole: 1, other: 2 });
        assert_eq!(new(outline(), vec![outline()]), ShapeError::NothingLeft);
        assert_eq!(new(outline(), vec![square(-1, -1, 102)]), ShapeError::NothingLeft);
        assert_eq!(new(outline(), vec![ring(&[(1, 1), (2, 1), (3, 1)])]), ShapeError::NoArea { ring: 1 });
        let many = vec![Point::new(0, 0); CORNERS_PER_RING + 1];
        assert!(matches!(new(many, vec![]), ShapeError::TooManyCorners { ring: 0, .. }));
        assert!(matches!(new(outline(), vec![vec![]; RINGS_PER_SHAPE]), ShapeError::TooManyRings { .. }));
    }

    #[test]
    fn millimetres_are_rounded_away_from_zero_and_bounded() {
        let shape = Shape::from_mm(&[[-0.0005, -0.0005], [10.0, -0.0005], [10.0, 5.0004]], &[]).unwrap();
        assert_eq!(shape.outline(), ring(&[(-1, -1), (10_000, -1), (10_000, 5_000)]));
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 20_000.001, 1e300] {
            let given = [[0.0, 0.0], [1.0, bad], [0.0, 1.0]];
            assert_eq!(Shape::from_mm(&given, &[]), Err(ShapeError::OutOfRange { ring: 0, corner: 1 }));
        }
        assert!(Shape::from_mm(&[[0.0, 0.0], [20_000.0, 0.0], [-20_000.0, 20_000.0]], &[]).is_ok());
    }

    #[test]
    fn ten_thousand_corners_are_checked_quickly() {
        // Long teeth: every edge overlaps thousands of others in one direction or the other.
        let comb = samples::comb(2_400, 2_000, 2_000, 3_000_000, 1_000);
        assert_eq!(comb.corner_count(), 9_600);
        let mut crossed = comb.outline().to_vec();
        crossed[5_000].y = -5;
        assert!(Shape::new(crossed, vec![]).is_err());
    }

    /// Outlines on a small grid.
    fn solid(most: usize) -> impl Strategy<Value = Shape> {
        prop::collection::vec((-9i32..9, -9i32..9), 3..most)
            .prop_filter_map("is a shape", |corners| Shape::new(ring(&corners), vec![]).ok())
    }

    proptest! {
        #[test]
        fn the_sweep_agrees_with_all_pairs(corners in prop::collection::vec((-9i32..9, -9i32..9), 3..9)) {
            let cleaned = clean(&ring(&corners));
            let points: Ring = cleaned.iter().map(|c| c.0).collect();
            let simple = points.len() < 3 || sweep(&[cleaned]).is_ok();
            prop_assert_eq!(simple, points.len() < 3 || samples::simple_by_brute_force(&points), "{:?}", points);
        }

        #[test]
        fn no_rings_make_it_panic(
            outline in prop::collection::vec((any::<i32>(), any::<i32>()), 0..12),
            near in prop::collection::vec((-20_000_001i32..20_000_002, -20_000_001i32..20_000_002), 0..12),
            mm in prop::collection::vec((any::<f64>(), any::<f64>()), 0..6),
        ) {
            for (a, b) in [(&outline, &near), (&near, &outline), (&near, &near)] {
                if let Ok(shape) = Shape::new(ring(a), vec![ring(b)]) {
                    prop_assert!(shape.area2() > 0);
                }
            }
            let mm: Vec<[f64; 2]> = mm.into_iter().map(|(x, y)| [x, y]).collect();
            let _ = Shape::from_mm(&mm, std::slice::from_ref(&mm));
        }

        #[test]
        fn a_mistake_is_named_with_its_ring_and_corner(
            sides in 4usize..40, holes in 0usize..5, at in any::<prop::sample::Index>(), corner in any::<prop::sample::Index>(),
        ) {
            // A round outline with a row of round holes, and one thing wrong in one of them.
            let round = |n: usize, x: i32, r: f64| -> Ring {
                let at = |i: usize| libm::sincos(i as f64 / n as f64 * std::f64::consts::TAU);
                (0..n).map(|i| Point::new(x + (r * at(i).1) as i32, (r * at(i).0) as i32)).collect()
            };
            let rings: Vec<Ring> = std::iter::once(round(sides, 0, 1e6))
                .chain((0..holes).map(|h| round(sides + h, h as i32 * 200_000 - 400_000, 8e4)))
                .collect();
            let new = |rings: &[Ring]| Shape::new(rings[0].clone(), rings[1..].to_vec());
            prop_assert!(new(&rings).is_ok());
            let ring = at.index(rings.len());
            let corner = corner.index(rings[ring].len());
            let with = |change: &dyn Fn(&mut Ring)| {
                let mut wrong = rings.clone();
                change(&mut wrong[ring]);
                new(&wrong)
            };
            prop_assert_eq!(with(&|r| r[corner].x = -20_000_001), Err(ShapeError::OutOfRange { ring, corner }));
            prop_assert_eq!(with(&|r| *r = vec![r[corner]; 9]), Err(ShapeError::TooFewCorners { ring }));
            let line = |r: &mut Ring| r.iter_mut().enumerate().for_each(|(i, c)| *c = Point::new(i as i32, 5));
            prop_assert_eq!(with(&line), Err(ShapeError::NoArea { ring }));
            let n = rings[ring].len();
            match with(&|r| r.swap(corner, (corner + 1) % n)) {
                Err(ShapeError::SelfCrossing { ring: named, corner: one, other }) => {
                    prop_assert_eq!(named, ring);
                    // The two edges beside what was swapped.
                    let beside = [(corner + n - 1) % n, (corner + 1) % n];
                    prop_assert!(beside.contains(&one) && beside.contains(&other), "{} and {} for {}", one, other, corner);
                }
                other => prop_assert!(false, "{:?}", other),
            }
        }

        #[test]
        fn cleaning_twice_changes_nothing(corners in prop::collection::vec((-4i32..4, -4i32..4), 0..20)) {
            let once: Ring = clean(&ring(&corners)).iter().map(|c| c.0).collect();
            let twice: Ring = clean(&once).iter().map(|c| c.0).collect();
            prop_assert_eq!(once, twice);
        }

        #[test]
        fn a_hole_is_taken_exactly_where_it_lies_inside(solid in solid(8), other in solid(6)) {
            let apart = solid.edges().all(|a| other.edges().all(|b| !segments_meet(a, b)));
            let inside = apart && other.corners().all(|p| solid.contains_point(p));
            let holed = Shape::new(solid.outline().to_vec(), vec![other.outline().to_vec()]);
            prop_assert_eq!(holed.is_ok(), inside);
        }
    }
}

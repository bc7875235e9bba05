//! Parting a shape where it is narrow: slivers and necks come off in straight cuts.
//!
//! Wherever a shape narrows suddenly, on one side at least there is a reflex corner. From each of these, the
//! shortest way across the material is a candidate for a cut; those shorter than the asked width are made,
//! shortest first, none across another. Unlike opening with a disc this leaves the corners of the wide parts
//! alone, and what was straight before stays straight. Tips that narrow evenly to a point stay on.
//!
//! The pieces are the faces of the plane graph of rims and cuts, traced along its half-edges.

use std::cmp::Ordering;
use std::collections::{BTreeMap, HashMap, HashSet};

use crate::boolean::{BooleanError, mended, union_of_rings};
use crate::clear::{in_cone, same_direction};
use crate::rim::{Rim, RimEdge};
use crate::shape::{Point, Ring, Shape, Side, dist2, orient, ring_area2, ring_side_of};
use crate::valid::segments_meet;

/// Most cuts made in one shape; the shortest are made.
const CUTS_MOST: usize = 50_000;
/// A cut leaves its corner at no less than 45° from either edge.
const COS_LEAST_ANGLE: f64 = 0.7072;

/// The pieces that a shape falls into when all its narrow places, less than `width_um` across, are cut through.
/// A cut that would only open a ring, and so part nothing, is not made. Ends of cuts on slanted edges are
/// rounded to the grid. The pieces have the shape's area and lie apart to within that rounding.
///
/// # Errors
/// [`BooleanError`] where a piece cannot be made a shape.
pub fn parted(shape: &Shape, width_um: i64) -> Result<Vec<Shape>, BooleanError> {
    if width_um <= 0 {
        return Ok(vec![shape.clone()]);
    }
    let rim = Rim::new(shape);
    let mut cuts = chosen(candidates(&rim, width_um), width_um);
    let cycles = loop {
        let (cycles, idle) = trace(shape, &cuts);
        if idle.is_empty() {
            break cycles;
        }
        let idle: HashSet<usize> = idle.into_iter().collect();
        cuts = cuts.into_iter().enumerate().filter(|(i, _)| !idle.contains(i)).map(|c| c.1).collect();
    };
    if cuts.is_empty() {
        return Ok(vec![shape.clone()]);
    }

    let (outlines, holes): (Vec<Ring>, Vec<Ring>) =
        cycles.into_iter().filter(|c| ring_area2(c) != 0).partition(|c| ring_area2(c) > 0);
    let mut faces: Vec<Vec<Ring>> = outlines.into_iter().map(|o| vec![o]).collect();
    // Smallest first, so that a hole goes to the outline right around it.
    faces.sort_by_key(|f| ring_area2(&f[0]));
    for hole in holes {
        let around = faces.iter_mut().find(|f| hole.iter().any(|&p| ring_side_of(&f[0], p) == Side::Inside));
        if let Some(face) = around {
            face.push(hole);
        }
    }
    let mut parts = Vec::with_capacity(faces.len());
    for face in &faces {
        // Where rounding an end made a face cross itself, the library sorts it out.
        parts.extend(mended(face).or_else(|_| union_of_rings(face))?);
    }
    let mut parts: Vec<Shape> = parts.into_iter().map(Shape::in_order).collect();
    parts.sort_unstable_by(|a, b| a.outline().cmp(b.outline()));
    Ok(parts)
}

/// A straight cut from a corner to a point on the rim.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Cut {
    length2: i64,
    from: Point,
    to: Point,
    /// The edge on which `to` lies, as its ends; where `to` is its first end, a corner.
    on: (Point, Point),
}

/// Cuts from reflex corners the shortest way across the material, shortest first; none crosses the rim.
fn candidates(rim: &Rim, width_um: i64) -> Vec<Cut> {
    let edges = rim.all_edges();
    let ways: Vec<Option<Cut>> =
        edges.iter().map(|corner| shortest_across(rim, corner, width_um).filter(|c| !crosses_rim(rim, c))).collect();
    // Along a fine curve every corner has its way across. Of a run of them that lead to the same place, the first
    // and the last are enough: what lies between is narrow.
    let near = i128::from(width_um) * i128::from(width_um) / 16;
    let same_place =
        |a: &Cut, b: Option<&Cut>| b.is_some_and(|b| i128::from(dist2(a.from, b.from).max(dist2(a.to, b.to))) <= near);
    let mut cuts = Vec::new();
    for ring in rim.ring_ranges() {
        let n = ring.len();
        let way = |i: usize| ways[ring.start + i % n].as_ref();
        for i in 0..n {
            if let Some(cut) = way(i)
                && !(same_place(cut, way(i + n - 1)) && same_place(cut, way(i + 1)))
            {
                cuts.push(*cut);
            }
        }
    }
    cuts.sort_unstable();
    // The same way seen from both ends is one cut.
    let mut seen = HashSet::new();
    cuts.retain(|c| seen.insert((c.from.min(c.to), c.from.max(c.to))));
    cuts
}

/// The shortest way across the material from the corner at which an edge starts, if that is reflex and the way
/// shorter than `width_um`.
fn shortest_across(rim: &Rim, corner: &RimEdge, width_um: i64) -> Option<Cut> {
    if orient(corner.before, corner.a, corner.b) >= 0 {
        return None;
    }
    let v = corner.a;
    let from = [f64::from(v.x), f64::from(v.y)];
    let steep = |to: [f64; 2], leg: Point| {
        let (lx, ly) = (f64::from(leg.x) - from[0], f64::from(leg.y) - from[1]);
        (to[0] * lx + to[1] * ly) <= COS_LEAST_ANGLE * libm::sqrt((to[0] * to[0] + to[1] * to[1]) * (lx * lx + ly * ly))
    };
    let mut best: Option<Cut> = None;
    rim.nearest_first(v, width_um, |e| {
        if e.a == v || e.b == v {
            return None;
        }
        let foot = crate::rim::nearest_on_segment(e.a, e.b, from);
        let to = Point::new(foot[0].round() as i32, foot[1].round() as i32);
        let way = [f64::from(to.x) - from[0], f64::from(to.y) - from[1]];
        let length2 = dist2(v, to);
        // An end counts as the corner of the edge that starts there.
        let on = if to == e.b { (e.b, e.b) } else { (e.a, e.b) };
        let cut = Cut { length2, from: v, to, on };
        let shorter = to != v
            && i128::from(length2) < i128::from(width_um) * i128::from(width_um)
            && best.is_none_or(|b| cut < b)
            && steep(way, corner.b)
            && steep(way, corner.before)
            && in_cone(v, to, corner.b, corner.before, false);
        if shorter {
            best = Some(cut);
        }
        // A little more than the best so far: ends were rounded.
        best.map(|b| b.length2 + 4 * ((b.length2 as f64).sqrt() as i64) + 4)
    });
    best
}

/// Whether a cut meets the rim elsewhere than at its ends, or arrives from outside the material.
fn crosses_rim(rim: &Rim, cut: &Cut) -> bool {
    let (v, q) = (cut.from, cut.to);
    rim.any_edge_meeting(v, q, |e| {
        if e.a == q {
            return !in_cone(q, v, e.b, e.before, false);
        }
        let own = e.a == v || e.b == v || e.b == q || (e.a, e.b) == cut.on;
        !own && segments_meet((v, q), (e.a, e.b))
    })
}

/// Those cuts that do not cross a shorter one.
fn chosen(candidates: Vec<Cut>, width_um: i64) -> Vec<Cut> {
    // Cuts by the cells of a grid that their boxes meet; none is longer than a cell, so these are few.
    let mut cells: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    let mut cuts: Vec<Cut> = Vec::new();
    for cut in candidates.into_iter().take(CUTS_MOST) {
        let cell = |p: Point| (i64::from(p.x).div_euclid(width_um), i64::from(p.y).div_euclid(width_um));
        let ((ax, ay), (bx, by)) = (cell(cut.from), cell(cut.to));
        let own = move || (ax.min(bx)..=ax.max(bx)).flat_map(move |x| (ay.min(by)..=ay.max(by)).map(move |y| (x, y)));
        if own().filter_map(|c| cells.get(&c)).flatten().any(|&i| cross(&cut, &cuts[i])) {
            continue;
        }
        for c in own() {
            cells.entry(c).or_default().push(cuts.len());
        }
        cuts.push(cut);
    }
    cuts
}

/// Whether two cuts have more in common than an end.
fn cross(a: &Cut, b: &Cut) -> bool {
    let ends = [(b.from, b.to), (b.to, b.from)];
    match ends.into_iter().find(|&(end, _)| end == a.from || end == a.to) {
        Some((end, far)) => {
            let other = if end == a.from { a.to } else { a.from };
            orient(end, far, other) == 0 && same_direction((end, far), (end, other))
        }
        None => segments_meet((a.from, a.to), (b.from, b.to)),
    }
}

/// The cycles around the faces left of all rims and on both sides of all cuts, and the cuts that have the same
/// face on both sides.
fn trace(shape: &Shape, cuts: &[Cut]) -> (Vec<Ring>, Vec<usize>) {
    // Ends of cuts within edges part these.
    let mut ends: BTreeMap<(Point, Point), Vec<Point>> = BTreeMap::new();
    for cut in cuts.iter().filter(|c| c.on.0 != c.to && c.on.1 != c.to) {
        ends.entry(cut.on).or_default().push(cut.to);
    }
    struct Half {
        from: Point,
        to: Point,
        cut: Option<usize>,
    }
    let mut halves = Vec::new();
    for (a, b) in shape.edges() {
        let mut from = a;
        if let Some(points) = ends.get_mut(&(a, b)) {
            points.sort_unstable_by_key(|&p| (dist2(a, p), p));
            points.dedup();
            for &to in points.iter() {
                halves.push(Half { from, to, cut: None });
                from = to;
            }
        }
        halves.push(Half { from, to: b, cut: None });
    }
    for (i, c) in cuts.iter().enumerate() {
        halves.push(Half { from: c.from, to: c.to, cut: Some(i) });
        halves.push(Half { from: c.to, to: c.from, cut: Some(i) });
    }
    let mut leaving: BTreeMap<Point, Vec<usize>> = BTreeMap::new();
    for (i, h) in halves.iter().enumerate() {
        leaving.entry(h.from).or_default().push(i);
    }

    let mut cycles = Vec::new();
    let mut cycle_of = vec![usize::MAX; halves.len()];
    for start in 0..halves.len() {
        if cycle_of[start] != usize::MAX {
            continue;
        }
        let mut ring = Ring::new();
        let mut at = start;
        while cycle_of[at] == usize::MAX {
            cycle_of[at] = cycles.len();
            ring.push(halves[at].from);
            let (back, here) = (halves[at].from, halves[at].to);
            // Sharpest to the left: the first one clockwise from where we came.
            let next = leaving
                .get(&here)
                .and_then(|l| l.iter().copied().min_by(|&i, &j| clockwise(here, back, halves[i].to, halves[j].to)));
            match next {
                Some(next) => at = next,
                None => break,
            }
        }
        cycles.push(ring);
    }
    let mut sides: Vec<Vec<usize>> = vec![Vec::new(); cuts.len()];
    for (i, h) in halves.iter().enumerate() {
        if let Some(cut) = h.cut {
            sides[cut].push(cycle_of[i]);
        }
    }
    let idle = (0..cuts.len()).filter(|&c| sides[c][0] == sides[c][1]).collect();
    (cycles, idle)
}

/// Orders directions from `here` by how far they lie clockwise from the one to `back`; that one itself is last.
fn clockwise(here: Point, back: Point, i: Point, j: Point) -> Ordering {
    let half = |to: Point| match orient(here, back, to) {
        turn if turn < 0 => 0,
        0 if !same_direction((here, back), (here, to)) => 1,
        0 => 3,
        _ => 2,
    };
    half(i).cmp(&half(j)).then_with(|| orient(here, i, j).cmp(&0))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::boolean::{difference, intersection};
    use crate::clear::{apart_by, inside_by};
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
    fn what_is_wide_everywhere_stays_whole() {
        let sheet = rect(0, 0, 1_000, 500);
        assert_eq!(parted(&sheet, 500).unwrap(), std::slice::from_ref(&sheet));
        // A small notch does no harm.
        let notched = difference(&[sheet], &[rect(400, 490, 100, 10)]).unwrap();
        assert_eq!(parted(&notched[0], 300).unwrap(), notched);
    }

    #[test]
    fn webs_between_parts_come_off_straight() {
        // Four parts in a row with webs between them, along the lower edge of a sheet.
        let parts: Vec<Shape> = (0..4).map(|i| rect(20 + i * 220, 20, 200, 100)).collect();
        let left = difference(&[rect(0, 0, 900, 1_000)], &parts).unwrap();
        assert_eq!(left.len(), 1);
        let cut = parted(&left[0], 100).unwrap();
        assert!(cut.contains(&rect(0, 120, 900, 880)), "{cut:?}");
        assert_eq!(area2(&cut), area2(&left));
    }

    #[test]
    fn a_neck_is_cut_and_a_ring_is_not() {
        let two = difference(&[rect(0, 0, 900, 300)], &[rect(400, 50, 100, 300)]).unwrap();
        let cut = parted(&two[0], 60).unwrap();
        assert_eq!(cut, [rect(0, 0, 400, 300), rect(400, 0, 100, 50), rect(500, 0, 400, 300)]);
        assert_eq!(parted(&two[0], 50).unwrap(), two);
        // A ring with one narrow place, at a single corner: cutting it would part nothing.
        let hole = Shape::new(vec![p(300, 10), p(600, 300), p(300, 600), p(20, 300)], vec![]).unwrap();
        let ring = difference(&[rect(0, 0, 900, 900)], &[hole]).unwrap();
        assert_eq!(parted(&ring[0], 15).unwrap(), ring);
    }

    #[test]
    fn between_round_parts_the_wide_places_are_left() {
        let disc = |x: f64, y: f64| Shape::new(samples::star_ring([x, y], &[50_000.0; 64]), vec![]).unwrap();
        let discs: Vec<Shape> = (0..3)
            .flat_map(|i| (0..3).map(move |j| (i, j)))
            .map(|(i, j)| disc(f64::from(i) * 102_000.0, f64::from(j) * 102_000.0))
            .collect();
        let left = difference(&[rect(-60_000, -60_000, 600_000, 324_000)], &discs).unwrap();
        let cut = parted(&left[0], 100_000).unwrap();
        let largest = cut.iter().max_by_key(|s| s.area2()).unwrap();
        // The free end of the sheet, less than one row of discs away from them.
        assert!(largest.area2() > 2 * 270_000 * 324_000, "{}", largest.area2());
        assert!(largest.corner_count() < 60);
    }

    proptest! {
        #[test]
        fn pieces_add_up_lie_apart_and_inside(
            shape in samples::shape(), holes in prop::collection::vec((0.0f64..1.0, 0.0f64..1.0, 2_000i32..40_000, 3usize..9), 0..5),
            width in 100i64..100_000,
        ) {
            let (lo, hi) = shape.bounds();
            let discs: Vec<Shape> = holes.iter().filter_map(|&(x, y, r, n)| {
                let at = |lo: i32, hi: i32, t: f64| f64::from(lo) + f64::from(hi - lo) * t;
                let ring = samples::star_ring([at(lo.x, hi.x, x), at(lo.y, hi.y, y)], &vec![f64::from(r); n]);
                Shape::new(ring, vec![]).ok()
            }).collect();
            for left in difference(std::slice::from_ref(&shape), &discs).unwrap() {
                let cut = parted(&left, width).unwrap();
                let off = (area2(&cut) - left.area2()).abs() as f64;
                // Ends on slanted edges are rounded: less than a µm along the rim; pinched corners a few µm².
                prop_assert!(off <= 2.0 * left.perimeter_um() + 64.0 * left.corner_count() as f64, "{off}");
                for (i, a) in cut.iter().enumerate() {
                    let allowed = crate::offset::grown(&left, 2, crate::offset::Corners::Square).unwrap();
                    prop_assert!(allowed.iter().any(|l| inside_by(a, l, 0)));
                    for b in &cut[..i] {
                        // Apart, but for the rounding where a pinched corner was parted.
                        let common = intersection(std::slice::from_ref(a), std::slice::from_ref(b)).unwrap();
                        prop_assert!(apart_by(a, b, 0) || area2(&common) < 1_000_000, "{a:?} {b:?}");
                    }
                }
            }
        }
    }
}

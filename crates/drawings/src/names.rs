//! Names of parts from the writing that stands inside them.

use rstar::RTree;
use rstar::primitives::GeomWithData;
use sheetloft_shapes::{Point, Shape};

use crate::nest::Budget;
use crate::sketch::Word;

/// For each shape, given with its page, the writing inside it: of several the largest, of equal ones the first.
pub(crate) fn named(shapes: &[(u32, &Shape)], words: &[Word]) -> Vec<Option<String>> {
    if words.is_empty() {
        return vec![None; shapes.len()];
    }
    let tree = RTree::bulk_load(words.iter().enumerate().map(|(i, w)| GeomWithData::new(w.at, i)).collect());
    // Writing belongs to the smallest part around it.
    let mut owner: Vec<Option<(i64, usize)>> = vec![None; words.len()];
    let budget = Budget::new();
    'all: for (s, (page, shape)) in shapes.iter().enumerate() {
        let (low, high) = shape.bounds();
        let corner = |p: Point| [f64::from(p.x), f64::from(p.y)];
        for found in tree.locate_in_envelope(&rstar::AABB::from_corners(corner(low), corner(high))) {
            let word = &words[found.data];
            // Numbers will do where there is more writing than anyone reads.
            if budget.spend(1 + shape.corner_count() / 8).is_err() {
                break 'all;
            }
            let at = Point::new(libm::round(word.at[0]) as i32, libm::round(word.at[1]) as i32);
            let smaller = owner[found.data].is_none_or(|(area, _)| shape.area2() < area);
            if word.page == *page && smaller && shape.contains_point(at) {
                owner[found.data] = Some((shape.area2(), s));
            }
        }
    }
    let mut best: Vec<Option<usize>> = vec![None; shapes.len()];
    for (w, owner) in owner.iter().enumerate() {
        if let Some((_, s)) = owner
            && best[*s].is_none_or(|b| words[w].height > words[b].height)
        {
            best[*s] = Some(w);
        }
    }
    best.into_iter().map(|w| w.map(|w| words[w].text.clone())).collect()
}

//! What a draft costs, and which of two is better.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use sheetloft_shapes::rectangle::largest_rectangle;
use sheetloft_shapes::{Placement, Shape};

use super::problem::{Draft, DraftPiece, Problem};
use super::{Leave, PlacedPart, Supply, Used};
use crate::remains::{Remains, remains, straight_remains};

/// What of a leftover's value does not count when plans are compared, in percent of the share that lies outside its
/// largest rectangle: what is ragged is used up less often than what is not.
const RAGGED_PERCENT: i64 = 20;
/// The same for all but the straight remainder where one is asked for.
const NOT_STRAIGHT_PERCENT: i64 = 50;
/// What each different layout counts for when plans are compared, in thousandths of the price of its piece: one drawing
/// for several pieces saves work and mistakes.
const LAYOUT_PERMILLE: i64 = 5;

/// Less is better: area that was not placed, cost with what else counts, pieces, their ages.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Score {
    pub missing2: i64,
    weighed: i64,
    pub cost: i64,
    pub pieces: usize,
    /// Of pieces that are there, how many are younger than those used: the sum of their ages.
    pub ages: u128,
}

/// A draft with its score.
#[derive(Clone)]
pub(super) struct Scored {
    pub draft: Draft,
    pub score: Score,
}

/// What lies where on a piece, whatever its number: the key of what it leaves.
type Layout = (usize, bool, Vec<(usize, Placement)>);

/// What parts a piece carries, wherever they lie: the piece's kind, whether it is to leave a straight remainder, and the
/// parts' classes in order.
type Carried = (usize, bool, Vec<usize>);

/// What a piece leaves, and twice the area of what of that is kept and of most use.
struct Left {
    remains: Arc<Remains>,
    useful2: i64,
}

/// What pieces leave, worked out once for each layout.
pub(super) struct Books<'a> {
    problem: &'a Problem<'a>,
    known: Mutex<HashMap<Layout, Arc<Left>>>,
}

impl<'a> Books<'a> {
    pub fn new(problem: &'a Problem<'a>) -> Self {
        Self { problem, known: Mutex::default() }
    }

    /// What is left of a piece of a draft.
    pub fn remains(&self, piece: &DraftPiece) -> Arc<Remains> {
        self.left(piece).remains.clone()
    }

    fn left(&self, piece: &DraftPiece) -> Arc<Left> {
        let problem = self.problem;
        let layout = layout(problem, piece.stock, &piece.parts);
        if let Some(known) = self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&layout) {
            return known.clone();
        }
        let shapes: Vec<Shape> =
            piece.parts.iter().filter_map(|p| problem.wanted[p.wanted].shape.placed(&p.placement).ok()).collect();
        let whole = problem.kinds[problem.kind_of[piece.stock]].shape;
        let straight = self.is_straight(piece.stock);
        let (kerf_um, keep) = (problem.options.kerf_um.max(0), problem.options.keep);
        let left = if straight {
            straight_remains(whole, &shapes, kerf_um, keep)
        } else {
            remains(whole, &shapes, kerf_um, keep)
        };
        let remains = left.unwrap_or_else(|_| {
            // Placements were verified: only the making of shapes can fail. Then nothing counts as left.
            let parts2 = shapes.iter().map(Shape::area2).sum();
            let scrap2 = whole.area2() - parts2;
            Remains { kept: Vec::new(), scrap: Vec::new(), parts2, kerf2: 0, kept2: 0, scrap2 }
        });
        let useful2 = if straight {
            remains.kept.first().map_or(0, Shape::area2)
        } else {
            remains.kept.iter().map(rectangle2).sum()
        };
        let left = Arc::new(Left { remains: Arc::new(remains), useful2 });
        self.known.lock().unwrap_or_else(PoisonError::into_inner).insert(layout, left.clone());
        left
    }

    /// Whether the stock is to leave one straight remainder.
    fn is_straight(&self, stock: usize) -> bool {
        self.problem.options.leave == Leave::Straight && self.problem.stock[stock].is_sheet
    }

    /// What the leftovers worth keeping of a piece count for, minor units.
    pub fn leftover_value(&self, piece: &DraftPiece) -> i64 {
        let percent = self.problem.stock[piece.stock].leftover_percent.min(100);
        self.value(piece.stock, self.left(piece).remains.kept2, percent)
    }

    /// What they count for when plans are compared, the less useful ones less.
    pub fn use_left(&self, piece: &DraftPiece) -> i64 {
        let left = self.left(piece);
        let value = |kept2: i64| self.value(piece.stock, kept2, self.problem.weighed_percent(piece.stock));
        let less = if self.is_straight(piece.stock) { NOT_STRAIGHT_PERCENT } else { RAGGED_PERCENT };
        value(left.remains.kept2) - value(left.remains.kept2 - left.useful2) * less / 100
    }

    fn value(&self, stock: usize, kept2: i64, percent: u32) -> i64 {
        let stock = &self.problem.stock[stock];
        let percent = i128::from(percent);
        let value = i128::from(stock.price) * i128::from(kept2) * percent / (100 * i128::from(stock.shape.area2()));
        i64::try_from(value).unwrap_or(i64::MAX)
    }

    /// Equal pieces that carry equal parts carry them at equal places: those that leave most.
    fn alike(&self, draft: &mut Draft) {
        let problem = self.problem;
        let mut best: HashMap<Carried, (i64, Vec<PlacedPart>)> = HashMap::new();
        let free = |p: &DraftPiece| p.parts.iter().all(|q| problem.wanted[q.wanted].locked.is_none());
        let key = |p: &DraftPiece| -> Carried {
            let mut classes: Vec<usize> = p.parts.iter().map(|q| problem.class_of[q.wanted]).collect();
            classes.sort_unstable();
            (problem.kind_of[p.stock], self.is_straight(p.stock), classes)
        };
        for piece in draft.pieces.iter().filter(|p| free(p)) {
            let useful2 = self.left(piece).useful2;
            let found = best.entry(key(piece)).or_insert_with(|| (useful2, piece.parts.clone()));
            if useful2 > found.0 {
                *found = (useful2, piece.parts.clone());
            }
        }
        for piece in draft.pieces.iter_mut().filter(|p| free(p)) {
            let Some((_, parts)) = best.get(&key(piece)) else { continue };
            let class = |p: &PlacedPart| problem.class_of[p.wanted];
            let mut places = parts.clone();
            places.sort_by_key(|p| (class(p), p.wanted));
            piece.parts.sort_by_key(|p| (class(p), p.wanted));
            piece.parts.iter_mut().zip(places).for_each(|(p, place)| p.placement = place.placement);
        }
    }

    /// Of pieces that are equal in all that counts the oldest are taken, then the first ones.
    fn oldest_first(&self, draft: &mut Draft) {
        let problem = self.problem;
        let equal = |a: usize, b: usize| {
            let (s, t) = (&problem.stock[a], &problem.stock[b]);
            problem.kind_of[a] == problem.kind_of[b]
                && (s.is_sheet, s.supply, s.price, s.leftover_percent)
                    == (t.is_sheet, t.supply, t.price, t.leftover_percent)
        };
        let locked = |p: &DraftPiece| p.parts.iter().any(|q| problem.wanted[q.wanted].locked.is_some());
        let lots_count = problem.wanted.iter().any(|w| w.together.is_some());
        for n in 0..draft.pieces.len() {
            let now = draft.pieces[n].stock;
            if problem.stock[now].supply != Supply::OnHand || locked(&draft.pieces[n]) {
                continue;
            }
            let older = |s: usize| (problem.stock[s].age, s) < (problem.stock[now].age, now);
            let free = |s: usize| draft.pieces.iter().all(|p| p.stock != s);
            let same_lot = |s: usize| !lots_count || problem.stock[s].lot == problem.stock[now].lot;
            let best = (0..problem.stock.len())
                .filter(|&s| older(s) && equal(s, now) && same_lot(s) && free(s))
                .min_by_key(|&s| (problem.stock[s].age, s));
            if let Some(stock) = best {
                draft.pieces[n].stock = stock;
            }
        }
    }

    pub fn score(&self, mut draft: Draft) -> Scored {
        let problem = self.problem;
        self.oldest_first(&mut draft);
        self.alike(&mut draft);
        let cost: i64 = draft.pieces.iter().map(|p| problem.stock[p.stock].price - self.leftover_value(p)).sum();
        let weighed: i64 = draft.pieces.iter().map(|p| problem.weighed_price(p.stock) - self.use_left(p)).sum();
        let mut layouts: HashMap<Layout, i64> = HashMap::new();
        for piece in &draft.pieces {
            let price = problem.stock[piece.stock].price;
            layouts.entry(layout(problem, piece.stock, &piece.parts)).or_insert(price * LAYOUT_PERMILLE / 1_000);
        }
        let on_hand = draft.pieces.iter().filter(|p| problem.stock[p.stock].supply == Supply::OnHand);
        let score = Score {
            missing2: draft.not_placed.iter().map(|n| problem.wanted[n.0].shape.area2()).sum(),
            weighed: weighed + layouts.values().sum::<i64>(),
            cost,
            pieces: draft.pieces.len(),
            ages: on_hand.map(|p| u128::from(problem.stock[p.stock].age)).sum(),
        };
        Scored { draft, score }
    }
}

fn layout(problem: &Problem<'_>, stock: usize, parts: &[PlacedPart]) -> Layout {
    let mut laid: Vec<(usize, Placement)> = parts.iter().map(|p| (problem.class_of[p.wanted], p.placement)).collect();
    laid.sort_unstable_by_key(|(class, p)| (*class, p.dx, p.dy, p.turn, p.flip));
    (problem.kind_of[stock], problem.stock[stock].is_sheet, laid)
}

/// Gives equal layouts equal numbers, in the order in which they come.
pub(super) fn number_layouts(problem: &Problem<'_>, used: &mut [Used]) {
    let mut numbers: HashMap<Layout, usize> = HashMap::new();
    for piece in used {
        let next = numbers.len();
        piece.layout = *numbers.entry(layout(problem, piece.stock, &piece.parts)).or_insert(next);
    }
}

/// Twice the area of the largest rectangle in a shape, µm².
fn rectangle2(shape: &Shape) -> i64 {
    if shape.outline().len() == 4 && shape.holes().is_empty() {
        // Its own, or nearly so.
        return shape.area2();
    }
    largest_rectangle(shape).map_or(0, |r| 2 * r.long_um * r.short_um).min(shape.area2())
}

//! What a draft costs, and which of two is better.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use sheetloft_shapes::{Placement, Shape};

use super::problem::{Draft, DraftPiece, Problem};
use super::{Supply, Used};
use crate::remains::{Remains, remains};

/// What an offcut counts for less than its price when plans are compared, in percent: at nearly equal cost old stock
/// goes first, for it takes up room and attention as long as it stands there.
const OFFCUT_FIRST_PERCENT: i64 = 10;

/// Less is better: area that was not placed, cost with [`OFFCUT_FIRST_PERCENT`] taken off, pieces, their ages.
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
type Layout = (usize, Vec<(usize, Placement)>);

/// What pieces leave, worked out once for each layout.
pub(super) struct Books<'a> {
    problem: &'a Problem<'a>,
    known: Mutex<HashMap<Layout, Arc<Remains>>>,
}

impl<'a> Books<'a> {
    pub fn new(problem: &'a Problem<'a>) -> Self {
        Self { problem, known: Mutex::default() }
    }

    /// What is left of a piece of a draft.
    pub fn remains(&self, piece: &DraftPiece) -> Arc<Remains> {
        let problem = self.problem;
        let layout = layout(problem, piece.stock, &piece.parts);
        if let Some(known) = self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&layout) {
            return known.clone();
        }
        let shapes: Vec<Shape> =
            piece.parts.iter().filter_map(|p| problem.wanted[p.wanted].shape.placed(&p.placement).ok()).collect();
        let whole = problem.kinds[problem.kind_of[piece.stock]].shape;
        let left = remains(whole, &shapes, problem.options.kerf_um.max(0), problem.options.keep);
        let left = Arc::new(left.unwrap_or_else(|_| {
            // Placements were verified: only the making of shapes can fail. Then nothing counts as left.
            let parts2 = shapes.iter().map(Shape::area2).sum();
            let scrap2 = whole.area2() - parts2;
            Remains { kept: Vec::new(), scrap: Vec::new(), parts2, kerf2: 0, kept2: 0, scrap2 }
        }));
        self.known.lock().unwrap_or_else(PoisonError::into_inner).insert(layout, left.clone());
        left
    }

    /// What the leftovers worth keeping of a piece count for, minor units.
    pub fn leftover_value(&self, piece: &DraftPiece) -> i64 {
        let stock = &self.problem.stock[piece.stock];
        let kept2 = i128::from(self.remains(piece).kept2);
        let percent = i128::from(stock.leftover_percent.min(100));
        let value = i128::from(stock.price) * kept2 * percent / (100 * i128::from(stock.shape.area2()));
        i64::try_from(value).unwrap_or(i64::MAX)
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
        let cost: i64 = draft.pieces.iter().map(|p| problem.stock[p.stock].price - self.leftover_value(p)).sum();
        let offcuts = draft.pieces.iter().map(|p| &problem.stock[p.stock]).filter(|s| !s.is_sheet);
        let off: i64 = offcuts.map(|s| s.price * OFFCUT_FIRST_PERCENT / 100).sum();
        let on_hand = draft.pieces.iter().filter(|p| problem.stock[p.stock].supply == Supply::OnHand);
        let score = Score {
            missing2: draft.not_placed.iter().map(|n| problem.wanted[n.0].shape.area2()).sum(),
            weighed: cost - off,
            cost,
            pieces: draft.pieces.len(),
            ages: on_hand.map(|p| u128::from(problem.stock[p.stock].age)).sum(),
        };
        Scored { draft, score }
    }
}

fn layout(problem: &Problem<'_>, stock: usize, parts: &[super::PlacedPart]) -> Layout {
    let mut laid: Vec<(usize, Placement)> = parts.iter().map(|p| (problem.class_of[p.wanted], p.placement)).collect();
    laid.sort_unstable_by_key(|(class, p)| (*class, p.dx, p.dy, p.turn, p.flip));
    (problem.kind_of[stock], laid)
}

/// Gives equal layouts equal numbers, in the order in which they come.
pub(super) fn number_layouts(problem: &Problem<'_>, used: &mut [Used]) {
    let mut numbers: HashMap<Layout, usize> = HashMap::new();
    for piece in used {
        let next = numbers.len();
        piece.layout = *numbers.entry(layout(problem, piece.stock, &piece.parts)).or_insert(next);
    }
}

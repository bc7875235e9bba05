//! What a draft costs, and which of two is better.

use std::collections::HashMap;

use sheetloft_shapes::{Placement, Shape};

use super::problem::{Draft, DraftPiece, Problem};
use super::{Supply, Used};
use crate::remains::{Remains, remains};

/// Less is better: area that was not placed, cost, pieces, their ages, layouts.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Score {
    pub missing2: i64,
    pub cost: i64,
    pub pieces: usize,
    /// Of pieces that are there, how many are younger than those used: the sum of their ages.
    pub ages: u128,
}

/// A draft with its score.
pub(super) struct Scored {
    pub draft: Draft,
    pub score: Score,
}

/// What lies where on a piece, whatever its number: the key of what it leaves.
type Layout = (usize, Vec<(usize, Placement)>);

/// What pieces leave, worked out once for each layout.
pub(super) struct Books<'a> {
    problem: &'a Problem<'a>,
    known: HashMap<Layout, Remains>,
}

impl<'a> Books<'a> {
    pub fn new(problem: &'a Problem<'a>) -> Self {
        Self { problem, known: HashMap::new() }
    }

    /// What is left of a piece of a draft.
    pub fn remains(&mut self, piece: &DraftPiece) -> &Remains {
        let problem = self.problem;
        self.known.entry(layout(problem, piece.stock, &piece.parts)).or_insert_with(|| {
            let shapes: Vec<Shape> =
                piece.parts.iter().filter_map(|p| problem.wanted[p.wanted].shape.placed(&p.placement).ok()).collect();
            let whole = problem.kinds[problem.kind_of[piece.stock]].shape;
            remains(whole, &shapes, problem.options.kerf_um.max(0), problem.options.keep).unwrap_or_else(|_| {
                // Placements were verified: only the making of shapes can fail. Then nothing counts as left.
                let parts2 = shapes.iter().map(Shape::area2).sum();
                Remains {
                    kept: Vec::new(),
                    scrap: Vec::new(),
                    parts2,
                    kerf2: 0,
                    kept2: 0,
                    scrap2: whole.area2() - parts2,
                }
            })
        })
    }

    /// What the leftovers worth keeping of a piece count for, minor units.
    pub fn leftover_value(&mut self, piece: &DraftPiece) -> i64 {
        let stock = &self.problem.stock[piece.stock];
        let kept2 = i128::from(self.remains(piece).kept2);
        let percent = i128::from(stock.leftover_percent.min(100));
        let value = i128::from(stock.price) * kept2 * percent / (100 * i128::from(stock.shape.area2()));
        i64::try_from(value).unwrap_or(i64::MAX)
    }

    pub fn score(&mut self, draft: Draft) -> Scored {
        let problem = self.problem;
        let cost = draft.pieces.iter().map(|p| problem.stock[p.stock].price - self.leftover_value(p)).sum();
        let on_hand = draft.pieces.iter().filter(|p| problem.stock[p.stock].supply == Supply::OnHand);
        let score = Score {
            missing2: draft.not_placed.iter().map(|n| problem.wanted[n.0].shape.area2()).sum(),
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

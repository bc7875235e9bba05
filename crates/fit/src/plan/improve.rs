//! A draft made better, one change after another.
//!
//! Each change starts from the best draft: a piece is emptied onto others, parts move to a cheaper piece or to one
//! that is not in use yet, a few pieces are cleared and their parts put down anew in another order or other pieces filled
//! with them, or the parts of a piece are pushed closer to one end. What is cheapest stays; of equal ones the newer, so
//! that the search goes on drifting.

use std::cell::RefCell;
use std::collections::HashMap;

use super::arrange::{CAREFUL, Layout, Placing, Push, QUICK, Strewn, spread};
use super::engine::Engine;
use super::fill::{Candidate, fill};
use super::greedy;
use super::problem::{Draft, DraftPiece, Problem};
use super::score::{Books, Scored};
use super::{Leave, PlacedPart, Supply};
use crate::pack::{Diligence, Rng, Run};

/// Parts that are tried in vain on one piece before the next is taken.
const IN_VAIN: usize = 3;
/// Pieces that are tried for one part.
const PIECES_TRIED: usize = 6;
/// How often a layout is tried again that did not work out.
const TRIES: u32 = 2;

/// Kinds of changes, the more often tried the more numbers they have.
pub(super) const WAYS: usize = 15;
/// Pieces cleared at most to be filled anew, and those among which is chosen.
const REFILLED: usize = 9;
const FILLED_MOST: usize = 24;
/// Equal pieces, and parts on them, that are laid anew at once at most.
const ROW_PIECES: usize = 16;
const ROW_PARTS: usize = 130;

/// How often parts of some classes were not brought onto a piece of some kind.
pub(super) type Failed = HashMap<(usize, Vec<usize>), u32>;

/// Whether the parts of a piece may go anywhere.
fn is_free(problem: &Problem<'_>, piece: &DraftPiece) -> bool {
    piece.parts.iter().map(|p| &problem.wanted[p.wanted]).all(|w| w.locked.is_none() && w.together.is_none())
}

/// A draft of all parts that may go anywhere, on pieces that are filled one after another; `None` where some have no
/// place so, or some may not go anywhere.
pub(super) fn filled(problem: &Problem<'_>, rng: &mut Rng, go_on: &mut dyn FnMut() -> bool) -> Option<Draft> {
    let parts: Vec<usize> = (0..problem.wanted.len()).collect();
    if problem.wanted.iter().any(|w| w.locked.is_some() || w.together.is_some()) {
        return None;
    }
    let candidates = candidates(problem, &[], &[], &parts, rng);
    let pieces = fill(problem, &parts, &candidates, rng, go_on)?;
    Some(Draft { pieces, not_placed: Vec::new() })
}

/// How many copies of a stock are in use; 0 or 1 where there is one.
fn taken(pieces: &[DraftPiece], stock: usize) -> u32 {
    pieces.iter().filter(|p| p.stock == stock).map(|p| p.copy + 1).max().unwrap_or(0)
}

/// Pieces not in use that may take some of the parts: `own` and so many by chance, of equal ones no more than there are
/// parts.
fn candidates(
    problem: &Problem<'_>,
    used: &[DraftPiece],
    own: &[usize],
    parts: &[usize],
    rng: &mut Rng,
) -> Vec<Candidate> {
    let areas = parts.iter().map(|&i| problem.wanted[i].shape.area2());
    let Some(least2) = areas.min() else { return Vec::new() };
    let mut all: Vec<Candidate> = (0..problem.stock.len())
        .filter(|&s| problem.stock[s].shape.area2() >= least2)
        .map(|stock| Candidate { stock, taken: taken(used, stock) })
        .filter(|c| match problem.stock[c.stock].supply {
            Supply::OnHand => c.taken == 0,
            Supply::ToBuy => true,
            Supply::Known => false,
        })
        .collect();
    rng.shuffle(&mut all);
    all.sort_by_key(|c| !own.contains(&c.stock));
    let mut of_kind: HashMap<usize, usize> = HashMap::new();
    all.retain(|c| {
        let there = of_kind.entry(problem.kind_of[c.stock]).or_default();
        *there += 1;
        *there <= parts.len()
    });
    all.truncate(FILLED_MOST.max(parts.len()));
    all
}

/// One change in the making: what it works with.
pub(super) struct Change<'a> {
    engine: &'a Engine<'a>,
    books: &'a Books<'a>,
    /// What did not work out before, and now: apart, so that what runs beside this changes nothing.
    failed: &'a Failed,
    failing: RefCell<Failed>,
}

impl<'a> Change<'a> {
    pub fn new(engine: &'a Engine<'a>, books: &'a Books<'a>, failed: &'a Failed) -> Self {
        Self { engine, books, failed, failing: RefCell::default() }
    }

    fn problem(&self) -> &'a Problem<'a> {
        self.engine.problem
    }

    /// A changed draft, scored; `None` where the change came to nothing. And what did not work out. What kind of change
    /// it is, is given by a number below [`WAYS`].
    pub fn make(self, way: usize, from: &Scored, run: &mut Run<'_>) -> (Option<Scored>, Failed) {
        let draft = &from.draft;
        let changed = match way {
            // With one piece in use there is nothing to bring its parts onto.
            0..=4 if draft.pieces.len() == 1 => self.push(draft, run),
            0..=1 => self.on_one_less(draft, run).or_else(|| self.empty_one(draft, run)),
            2..=4 => self.empty_one(draft, run),
            5..=6 => self.replace(draft, run),
            7..=8 => self.anew(draft, run),
            9..=13 => self.refill(draft, run),
            _ => self.push(draft, run),
        };
        let scored = if (run.go_on)() { changed.map(|d| self.books.score(d)) } else { None };
        (scored, self.failing.into_inner())
    }

    /// A piece in use, dear ones more often: those of which much is used up for few parts.
    fn pick(&self, draft: &Draft, rng: &mut Rng) -> Option<usize> {
        let problem = self.problem();
        let mut wasted: Vec<(f64, usize)> = draft
            .pieces
            .iter()
            .enumerate()
            .map(|(n, p)| {
                let stock = &problem.stock[p.stock];
                let cost = (stock.price - self.books.leftover_value(p)) as f64;
                let parts: f64 = p.parts.iter().map(|p| problem.wanted[p.wanted].shape.area2() as f64).sum();
                (cost - stock.price as f64 * parts / stock.shape.area2() as f64, n)
            })
            .collect();
        wasted.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let n = (rng.unit() * rng.unit() * wasted.len() as f64) as usize;
        wasted.get(n).map(|w| w.1)
    }

    /// Parts that may be moved, the largest first.
    fn loose(&self, piece: &DraftPiece) -> Vec<PlacedPart> {
        let problem = self.problem();
        let mut parts: Vec<PlacedPart> =
            piece.parts.iter().copied().filter(|p| problem.wanted[p.wanted].locked.is_none()).collect();
        parts.sort_by_key(|p| (std::cmp::Reverse(problem.wanted[p.wanted].shape.area2()), p.wanted));
        parts
    }

    fn fixed(&self, piece: &DraftPiece) -> Vec<PlacedPart> {
        let problem = self.problem();
        piece.parts.iter().copied().filter(|p| problem.wanted[p.wanted].locked.is_some()).collect()
    }

    /// Whether these parts may lie on this stock, with the others where they are.
    fn may(&self, draft: &Draft, stock: usize, parts: &[usize]) -> bool {
        let problem = self.problem();
        parts.iter().all(|&i| match problem.wanted[i].together {
            None => true,
            // Parts of one piece stay together where they are; moving them all at once is for whole pieces.
            Some(super::Together::Piece(_)) => draft.pieces.iter().all(|p| {
                let on = p.parts.iter().filter(|q| problem.wanted[q.wanted].together == problem.wanted[i].together);
                on.clone().count() == 0 || on.into_iter().all(|q| parts.contains(&q.wanted))
            }),
            Some(super::Together::Lot(_)) => draft.pieces.iter().all(|p| {
                let others = p.parts.iter().any(|q| {
                    problem.wanted[q.wanted].together == problem.wanted[i].together && !parts.contains(&q.wanted)
                });
                !others || problem.stock[p.stock].lot == problem.stock[stock].lot
            }),
        })
    }

    /// Brings parts together on a piece, unless that was tried often enough.
    fn together(
        &self,
        (stock, fixed): (usize, &[PlacedPart]),
        parts: &[Placing],
        push: Push,
        diligence: &Diligence,
        run: &mut Run<'_>,
    ) -> Option<Vec<PlacedPart>> {
        let problem = self.problem();
        let kind = problem.kind_of[stock];
        // What surely is too large for the piece is not tried.
        let area = |i: usize| problem.wanted[i].shape.area2();
        let area2: i64 = fixed.iter().map(|p| area(p.wanted)).chain(parts.iter().map(|p| area(p.wanted))).sum();
        if area2 > problem.kinds[kind].shape.area2() {
            return None;
        }
        let class = |p: &Placing| &problem.classes[problem.class_of[p.wanted]];
        if parts.iter().any(|p| problem.kinds[kind].rules_out(class(p), problem.rim_um())) {
            return None;
        }
        let mut classes: Vec<usize> = parts.iter().map(|p| problem.class_of[p.wanted]).collect();
        classes.sort_unstable();
        let key = (kind, classes);
        let tried = |of: &Failed| of.get(&key).copied().unwrap_or(0);
        if tried(self.failed) + tried(&self.failing.borrow()) >= TRIES {
            return None;
        }
        let places = Layout { engine: self.engine, kind, fixed, parts }.arrange(push, diligence, run);
        if places.is_none() {
            *self.failing.borrow_mut().entry(key).or_default() += 1;
        }
        places
    }

    /// The way parts are pushed on a stock where something is left.
    fn way(&self, stock: usize, rng: &mut Rng) -> Push {
        let problem = self.problem();
        let (lo, hi) = problem.stock[stock].shape.bounds();
        let long_x = hi.x - lo.x >= hi.y - lo.y;
        let straight = problem.options.leave == Leave::Straight && problem.stock[stock].is_sheet;
        if long_x == (straight || rng.below(4) > 0) { Push::X } else { Push::Y }
    }

    /// Moves the parts of one piece onto others, as many as go.
    fn empty_one(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let problem = self.problem();
        let victim = self.pick(draft, &mut run.rng)?;
        let mut draft = draft.clone();
        let mut loose = self.loose(&draft.pieces[victim]);
        let mut others: Vec<usize> = (0..draft.pieces.len()).filter(|&n| n != victim).collect();
        run.rng.shuffle(&mut others);
        let mut moved_any = false;
        for other in others.into_iter().take(PIECES_TRIED) {
            let mut vain = 0;
            let mut n = 0;
            while n < loose.len() && vain < IN_VAIN && (run.go_on)() {
                let part = loose[n];
                let (stock, fixed) = (draft.pieces[other].stock, self.fixed(&draft.pieces[other]));
                let area = |i: usize| problem.wanted[i].shape.area2();
                let on: i64 = draft.pieces[other].parts.iter().map(|p| area(p.wanted)).sum();
                if on + area(part.wanted) > problem.stock[stock].shape.area2()
                    || !self.may(&draft, stock, &[part.wanted])
                {
                    n += 1;
                    continue;
                }
                let mut parts: Vec<Placing> = self
                    .loose(&draft.pieces[other])
                    .iter()
                    .map(|p| Placing { wanted: p.wanted, at: Some(p.placement) })
                    .collect();
                parts.push(Placing { wanted: part.wanted, at: None });
                let Some(places) = self.together((stock, &fixed), &parts, Push::No, &QUICK, run) else {
                    vain += 1;
                    n += 1;
                    continue;
                };
                draft.pieces[other].parts = places;
                draft.pieces[victim].parts.retain(|p| p.wanted != part.wanted);
                loose.remove(n);
                moved_any = true;
            }
        }
        if !moved_any {
            return None;
        }
        if draft.pieces[victim].parts.is_empty() {
            draft.pieces.remove(victim);
        } else {
            self.push_piece(&mut draft, victim, run);
        }
        Some(draft)
    }

    /// The parts of some equal pieces on one less of them, all laid at once.
    fn on_one_less(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let problem = self.problem();
        let free = |n: usize| is_free(problem, &draft.pieces[n]);
        let victim = self.pick(draft, &mut run.rng).filter(|&n| free(n))?;
        let kind = problem.kind_of[draft.pieces[victim].stock];
        let mut others: Vec<usize> = (0..draft.pieces.len())
            .filter(|&n| n != victim && problem.kind_of[draft.pieces[n].stock] == kind && free(n))
            .collect();
        run.rng.shuffle(&mut others);
        // The more of them, the more room there is beside their parts all together.
        others.truncate(ROW_PIECES - 1);
        let mut count = draft.pieces[victim].parts.len();
        others.retain(|&n| {
            count += draft.pieces[n].parts.len();
            count <= ROW_PARTS
        });
        if others.is_empty() {
            return None;
        }
        let fresh = run.rng.below(3) == 0;
        let lying = others.iter().enumerate().flat_map(|(copy, &n)| {
            draft.pieces[n].parts.iter().map(move |p| Strewn { wanted: p.wanted, at: Some((copy, p.placement)) })
        });
        let mut parts: Vec<Strewn> = lying.map(|s| Strewn { at: s.at.filter(|_| !fresh), ..s }).collect();
        parts.extend(draft.pieces[victim].parts.iter().map(|p| Strewn { wanted: p.wanted, at: None }));
        let places = spread(self.engine, kind, others.len(), &parts, run)?;
        let mut draft = draft.clone();
        for (&n, parts) in others.iter().zip(places) {
            draft.pieces[n].parts = parts;
        }
        draft.pieces[victim].parts.clear();
        draft.pieces.retain(|p| !p.parts.is_empty());
        Some(draft)
    }

    /// Brings the parts of one piece, or of two, onto another that is not in use.
    fn replace(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let problem = self.problem();
        let mut from = vec![self.pick(draft, &mut run.rng)?];
        if draft.pieces.len() > 1 && run.rng.below(4) == 0 {
            let second = run.rng.below(draft.pieces.len());
            if second != from[0] {
                from.push(second);
            }
        }
        if from.iter().any(|&n| !self.fixed(&draft.pieces[n]).is_empty()) {
            return None;
        }
        let loose: Vec<PlacedPart> = from.iter().flat_map(|&n| self.loose(&draft.pieces[n])).collect();
        let wanted: Vec<usize> = loose.iter().map(|p| p.wanted).collect();
        let area2: i64 = wanted.iter().map(|&i| problem.wanted[i].shape.area2()).sum();
        let cost: i64 = from
            .iter()
            .map(|&n| problem.stock[draft.pieces[n].stock].price - self.books.leftover_value(&draft.pieces[n]))
            .sum();
        let mut stocks: Vec<(i64, usize)> = (0..problem.stock.len())
            .filter(|&s| {
                let stock = &problem.stock[s];
                let free = match stock.supply {
                    Supply::OnHand => draft.pieces.iter().all(|p| p.stock != s),
                    Supply::ToBuy => true,
                    Supply::Known => false,
                };
                // What it costs if only the parts are used up must be less.
                let least = stock.price - stock.price * i64::from(stock.leftover_percent.min(100)) / 100;
                free && stock.shape.area2() >= area2 && least < cost && self.may(draft, s, &wanted)
            })
            .map(|s| (problem.stock[s].price, s))
            .collect();
        stocks.sort_unstable();
        if stocks.is_empty() {
            return None;
        }
        let (_, stock) = stocks[(run.rng.unit() * run.rng.unit() * stocks.len() as f64) as usize];
        let parts: Vec<Placing> = wanted.iter().map(|&wanted| Placing { wanted, at: None }).collect();
        let push = self.way(stock, &mut run.rng);
        let places = self.together((stock, &[]), &parts, push, &CAREFUL, run)?;
        let mut draft = draft.clone();
        from.sort_unstable();
        for n in from.into_iter().rev() {
            draft.pieces.remove(n);
        }
        let copy = taken(&draft.pieces, stock);
        draft.pieces.push(DraftPiece { stock, copy, parts: places });
        Some(draft)
    }

    /// Clears one to three pieces, or all where they are few, and puts their parts down anew.
    fn anew(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let count = 1 + run.rng.below(3);
        let mut cleared = Vec::new();
        for _ in 0..count {
            let n = self.pick(draft, &mut run.rng)?;
            if !cleared.contains(&n) {
                cleared.push(n);
            }
        }
        let keep: Vec<&DraftPiece> =
            draft.pieces.iter().enumerate().filter(|(n, _)| !cleared.contains(n)).map(|(_, p)| p).collect();
        let go_on = &mut *run.go_on;
        greedy::rebuild(self.problem(), &keep, &mut run.rng, &mut |_: usize, _: usize| go_on())
    }

    /// Clears a few pieces, or all where they are few, and fills others, or these anew, with their parts.
    fn refill(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let problem = self.problem();
        let count = 1 + run.rng.below(REFILLED.min(draft.pieces.len()));
        let mut cleared = Vec::new();
        for _ in 0..count {
            let n = self.pick(draft, &mut run.rng)?;
            if !cleared.contains(&n) && is_free(problem, &draft.pieces[n]) {
                cleared.push(n);
            }
        }
        let parts: Vec<usize> = cleared.iter().flat_map(|&n| draft.pieces[n].parts.iter().map(|p| p.wanted)).collect();
        let kept: Vec<DraftPiece> =
            draft.pieces.iter().enumerate().filter(|(n, _)| !cleared.contains(n)).map(|(_, p)| p.clone()).collect();
        let own: Vec<usize> = cleared.iter().map(|&n| draft.pieces[n].stock).collect();
        let candidates = candidates(problem, &kept, &own, &parts, &mut run.rng);
        let filled = fill(problem, &parts, &candidates, &mut run.rng, run.go_on)?;
        let mut pieces = kept;
        pieces.extend(filled);
        Some(Draft { pieces, not_placed: draft.not_placed.clone() })
    }

    /// Pushes the parts of a piece to one end.
    fn push(&self, draft: &Draft, run: &mut Run<'_>) -> Option<Draft> {
        let mut draft = draft.clone();
        let piece = self.pick(&draft, &mut run.rng)?;
        self.push_piece(&mut draft, piece, run).then_some(draft)
    }

    fn push_piece(&self, draft: &mut Draft, n: usize, run: &mut Run<'_>) -> bool {
        let piece = &draft.pieces[n];
        let (stock, fixed) = (piece.stock, self.fixed(piece));
        let fresh = run.rng.below(3) == 0;
        let parts: Vec<Placing> = self
            .loose(piece)
            .iter()
            .map(|p| Placing { wanted: p.wanted, at: (!fresh).then_some(p.placement) })
            .collect();
        let push = self.way(stock, &mut run.rng);
        let kind = self.problem().kind_of[stock];
        let layout = Layout { engine: self.engine, kind, fixed: &fixed, parts: &parts };
        match layout.arrange(push, &CAREFUL, run) {
            Some(places) => {
                draft.pieces[n].parts = places;
                true
            }
            None => false,
        }
    }
}

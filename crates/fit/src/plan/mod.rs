//! Plans: all parts of one or more orders on a choice of pieces, so that what is used up costs least.
//!
//! What a plan costs is the price of the pieces it uses less the value of the leftovers that are worth keeping. Of
//! plans that cost the same the one on fewer pieces is better, then the one on older pieces. Every placement that
//! comes out has passed exact tests on whole numbers against the piece, its flaws and all other parts on it.
//!
//! `problem` holds what is asked, `table` a piece with parts on it, `greedy` has parts choose pieces and `fill` pieces
//! choose parts, `improve` changes drafts, `flush` moves parts up close at the end, `score` says what a draft costs,
//! `least` what any plan costs at least, `check` names what is wrong with a layout.

mod arrange;
mod check;
mod engine;
mod fill;
mod flush;
mod greedy;
mod improve;
mod least;
mod problem;
mod scan;
mod score;
mod table;

use std::sync::atomic::{AtomicBool, Ordering};

use sheetloft_shapes::{Placement, Shape};

pub use check::{Breach, Laid, check};

use crate::pack::{Rng, Run};
use crate::piece::Grain;
use crate::remains::{KeepFrom, Remains};
use crate::solve::Caps;
use crate::turns::Turns;
use crate::watch::{Progress, Watch};
use engine::Engine;
use problem::{DraftPiece, Problem};
use score::{Books, Scored};

/// Drafts begun by filling pieces.
const FILLED: u64 = 2;
/// Changes tried in each round, whatever the threads.
const JOBS: u64 = 2;

/// A part to be placed.
#[derive(Clone, Copy, Debug)]
pub struct Wanted<'a> {
    /// Its shape.
    pub shape: &'a Shape,
    /// How it may be turned: relative to the grain on pieces that have one, to the piece's axes on others.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
    /// Whether it has to come from one lot, or one piece, together with others.
    pub together: Option<Together>,
    /// Where it lies already and is to stay.
    pub locked: Option<Lock>,
}

impl<'a> Wanted<'a> {
    /// A part with no more to it.
    pub fn new(shape: &'a Shape, turns: &'a Turns, flip: bool) -> Self {
        Self { shape, turns, flip, together: None, locked: None }
    }
}

/// Parts that carry the same of these come from one lot or from one piece.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Together {
    /// All parts with this number from pieces of one lot.
    Lot(u32),
    /// All parts with this number from one piece.
    Piece(u32),
}

/// A place that a part keeps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Lock {
    /// Index of the piece.
    pub stock: usize,
    /// Which copy of it, from 0; above 0 only where there are any number of copies.
    pub copy: u32,
    /// Where on it.
    pub placement: Placement,
}

/// A piece that may be used, or a size of sheet that may be bought.
#[derive(Clone, Copy, Debug)]
pub struct Stock<'a> {
    /// Its outline and holes.
    pub shape: &'a Shape,
    /// Areas of it not to be used.
    pub flaws: &'a [Shape],
    /// Its grain, where it has one.
    pub grain: Option<Grain>,
    /// A full sheet, not an offcut.
    pub is_sheet: bool,
    /// Whether it is there.
    pub supply: Supply,
    /// What using it up costs, minor units; of an offcut what it counts for as one. Where no price is known, any
    /// numbers in proportion to the areas will do.
    pub price: i64,
    /// What a leftover worth keeping counts for, in percent of its share of the price by area; 0 ..= 100.
    pub leftover_percent: u32,
    /// The older the piece, the smaller: of equal ones the older is used.
    pub age: u64,
    /// Pieces with the same number come from one lot.
    pub lot: u64,
}

/// Whether a piece is there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Supply {
    /// One piece, at hand.
    OnHand,
    /// A size that may be bought: as many copies as needed, each at its price.
    ToBuy,
    /// A size that is not to be bought in this plan; only what would be needed of it is said.
    Known,
}

/// What is to be left of a piece that is not filled.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Leave {
    /// What is worth most.
    #[default]
    Largest,
    /// On sheets: one remainder over the full width, parts pushed to one end.
    Straight,
}

/// What is asked of a plan. Lengths in µm.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Options {
    /// Width the beam removes.
    pub kerf_um: i64,
    /// Extra distance between parts.
    pub gap_um: i64,
    /// Rim not to be used.
    pub margin_um: i64,
    /// The least leftover worth keeping.
    pub keep: KeepFrom,
    /// What leftovers are to look like.
    pub leave: Leave,
    /// Another seed, another plan of about the same quality.
    pub seed: u64,
    /// Rounds of improvement at most, each of about the same work whatever the machine; 0 for the first plan found.
    /// Equal input, seed and rounds give the same plan on every machine, whatever the threads.
    pub rounds: u32,
    /// Rounds in a row without a better plan after which the search ends.
    pub patience: u32,
    /// Threads to use, at least 1.
    pub threads: usize,
    /// Bounds on each full search for a place.
    pub caps: Caps,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            kerf_um: 0,
            gap_um: 0,
            margin_um: 0,
            keep: KeepFrom { w_um: 0, h_um: 0 },
            leave: Leave::Largest,
            seed: 0,
            rounds: 30,
            patience: 12,
            threads: 1,
            caps: Caps::default(),
        }
    }
}

/// A part in its place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PlacedPart {
    /// Index of the part.
    pub wanted: usize,
    /// Where it lies on the piece.
    pub placement: Placement,
}

/// A piece that the plan uses.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Used {
    /// Index of the piece.
    pub stock: usize,
    /// Which copy of it, from 0; above 0 only where it is to be bought.
    pub copy: u32,
    /// What lies on it.
    pub parts: Vec<PlacedPart>,
    /// What the cut will leave.
    pub remains: Remains,
    /// Its price, minor units.
    pub price: i64,
    /// What the leftovers worth keeping count for, minor units.
    pub leftover_value: i64,
    /// Number of its layout: pieces with the same number are equal and carry equal parts at equal places.
    pub layout: usize,
}

/// Why a part was not placed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Why {
    /// There is no piece at all to place it on, and no size to be bought is known.
    NothingThere,
    /// It is bigger than any piece or size: proven for each, empty as it is.
    TooBig,
    /// All pieces that hold it are taken; it would fit on sheets of this size. How many more are needed for all parts
    /// of which this is said stands in [`Plan::more`].
    MoreSheets {
        /// Index of the size, or of a sheet like those needed.
        stock: usize,
    },
    /// There are pieces large enough, but no room was found on them beside what was placed before, or none within
    /// the caps; and no sheet would hold it.
    NoRoom,
    /// No piece is large enough for certain; these may or may not hold it, empty as they are.
    TooClose {
        /// Indices of the pieces.
        stock: Vec<usize>,
    },
    /// No one lot, or no one piece, was found that holds it together with the others that must come from there.
    Apart,
    /// It is locked at a place that does not hold it.
    Locked {
        /// What breaks there.
        breach: Breach,
    },
    /// The watch said stop.
    Stopped,
}

/// A part that was not placed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NotPlaced {
    /// Index of the part.
    pub wanted: usize,
    /// The reason.
    pub why: Why,
}

/// Sheets of one size that are missing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct More {
    /// Index of the size, or of a sheet like those needed.
    pub stock: usize,
    /// How many a plan of the missing parts needs.
    pub sheets: usize,
}

/// A plan.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Plan {
    /// The pieces used: cheapest first.
    pub used: Vec<Used>,
    /// The parts that were not placed, by number.
    pub not_placed: Vec<NotPlaced>,
    /// Sheets that would be needed for parts that were not placed.
    pub more: Vec<More>,
    /// Price of the pieces used less the value of the leftovers worth keeping, minor units.
    pub cost: i64,
    /// No plan that places the same parts costs less, minor units.
    pub lower_bound: i64,
    /// Nor does one use up less: twice the area, µm².
    pub least_area2: i64,
    /// Nor does one need fewer pieces.
    pub least_pieces: usize,
    /// Rounds of improvement done.
    pub rounds: u32,
}

impl Plan {
    /// How many different layouts there are.
    pub fn layouts(&self) -> usize {
        self.used.iter().map(|u| u.layout + 1).max().unwrap_or(0)
    }
}

/// Places the parts on the pieces, see [`Options`]. `watch` hears how far the best plan is; where it says stop, that
/// one is returned, and parts that had no place yet are left.
pub fn plan(wanted: &[Wanted<'_>], stock: &[Stock<'_>], options: &Options, watch: &mut dyn Watch) -> Plan {
    let problem = Problem::new(wanted, stock, options);
    let books = Books::new(&problem);
    let lower_bound = least::least(&problem, |_| true).price;
    let mut search =
        Search { problem: &problem, books: &books, lower_bound, best: None, now: None, round: 0, stopped: false };
    search.first(watch);
    search.improve(watch);
    search.flush();
    let rounds = search.round;
    let Some(best) = search.best else { return Plan::default() };
    let more = greedy::missing(&problem, &best.draft);
    finish(&problem, &books, best, more, rounds)
}

/// How a draft is begun.
#[derive(Clone, Copy)]
enum Start {
    /// See [`greedy::quick`].
    Quick,
    /// See [`improve::filled`], with chance of this number.
    Filled(u64),
    /// See [`greedy::build`].
    InOrder(u32),
}

/// The best draft so far.
struct Search<'a> {
    problem: &'a Problem<'a>,
    books: &'a Books<'a>,
    lower_bound: i64,
    best: Option<Scored>,
    /// As good as the best: where the search goes on.
    now: Option<Scored>,
    round: u32,
    stopped: bool,
}

impl Search<'_> {
    fn progress(&self) -> Progress {
        let of = self.problem.wanted.len();
        Progress {
            placed: self.best.as_ref().map_or(0, |b| of - b.draft.not_placed.len()),
            of,
            cost: self.best.as_ref().map_or(0, |b| b.score.cost),
            lower_bound: self.lower_bound,
            round: self.round,
            rounds: self.problem.options.rounds,
        }
    }

    /// Whether nothing better can be.
    fn is_done(&self) -> bool {
        self.stopped
            || self.best.as_ref().is_some_and(|b| b.draft.not_placed.is_empty() && b.score.cost <= self.lower_bound)
    }

    fn offer(&mut self, found: Scored) -> bool {
        let better = self.best.as_ref().is_none_or(|b| found.score < b.score);
        if better {
            self.best = Some(found.clone());
        }
        if self.best.as_ref().is_some_and(|b| found.score == b.score) {
            self.now = Some(found);
        }
        better
    }

    /// Whole drafts: what is quickly found first, so that there is a plan early; then pieces filled, and parts put down
    /// one after another in each of the orders.
    fn first(&mut self, watch: &mut dyn Watch) {
        let problem = self.problem;
        let orders = (0..greedy::ORDERS).map(Start::InOrder);
        let starts: Vec<Start> = match problem.options.rounds {
            0 => vec![Start::InOrder(0)],
            _ => [Start::Quick].into_iter().chain((0..FILLED).map(Start::Filled)).chain(orders).collect(),
        };
        for start in starts {
            let so_far = self.progress();
            let mut stopped = false;
            let mut go_on = |done: usize, _: usize| {
                let placed = if so_far.placed == 0 { done } else { so_far.placed };
                stopped = stopped || !watch.plan_goes_on(&Progress { placed, ..so_far });
                !stopped
            };
            let draft = match start {
                Start::Quick => Some(greedy::quick(problem, &mut go_on)),
                Start::InOrder(order) => Some(greedy::build(problem, order, &mut go_on)),
                Start::Filled(n) => {
                    let mut rng = Rng::for_part(problem.options.seed, u64::MAX - n);
                    improve::filled(problem, &mut rng, &mut || go_on(0, 0))
                }
            };
            self.stopped = stopped;
            if let Some(draft) = draft.filter(|_| !stopped || self.best.is_none()) {
                self.offer(self.books.score(draft));
            }
            if self.is_done() {
                break;
            }
        }
    }

    /// The parts of the best draft moved up close, where that leaves no less of a piece.
    fn flush(&mut self) {
        let Some(best) = &self.best else { return };
        let mut draft = best.draft.clone();
        for piece in &mut draft.pieces {
            let parts = flush::flush(self.problem, piece);
            let moved = DraftPiece { parts, ..piece.clone() };
            if self.books.use_left(&moved) >= self.books.use_left(piece) {
                *piece = moved;
            }
        }
        let flush = self.books.score(draft);
        if flush.score <= best.score {
            self.best = Some(flush);
        }
    }

    /// Round after round, two changes of the best draft are tried and the better one kept.
    fn improve(&mut self, watch: &mut dyn Watch) {
        let options = self.problem.options;
        let engine = Engine::new(self.problem);
        let mut failed = improve::Failed::default();
        let mut vain = 0;
        while self.round < options.rounds && vain < options.patience && !self.is_done() {
            let Some(now) = &self.now else { break };
            let so_far = self.progress();
            let stop = AtomicBool::new(false);
            // Both of one kind, so that neither waits long for the other.
            let way = Rng::for_part(!options.seed, u64::from(self.round)).below(improve::WAYS);
            let change = |job: u64, go_on: &mut dyn FnMut() -> bool| {
                let number = u64::from(self.round) * JOBS + job;
                let mut run = Run { rng: Rng::for_part(options.seed, number), go_on };
                improve::Change::new(&engine, self.books, &failed).make(way, now, &mut run)
            };
            let other = || change(1, &mut || !stop.load(Ordering::Relaxed));
            let mut own = || {
                change(0, &mut || {
                    if !stop.load(Ordering::Relaxed) && !watch.plan_goes_on(&so_far) {
                        stop.store(true, Ordering::Relaxed);
                    }
                    !stop.load(Ordering::Relaxed)
                })
            };
            let found = if options.threads > 1 {
                std::thread::scope(|scope| {
                    let second = scope.spawn(other);
                    let first = own();
                    [first, second.join().unwrap_or_default()]
                })
            } else {
                [own(), other()]
            };
            self.stopped = stop.into_inner();
            if self.stopped {
                break;
            }
            let mut better = false;
            for (found, failing) in found {
                better |= found.is_some_and(|found| self.offer(found));
                for (key, times) in failing {
                    *failed.entry(key).or_default() += times;
                }
            }
            vain = if better { 0 } else { vain + 1 };
            self.round += 1;
        }
    }
}

/// The plan of a draft.
fn finish(problem: &Problem<'_>, books: &Books<'_>, best: Scored, more: Vec<More>, rounds: u32) -> Plan {
    let mut draft = best.draft;
    for piece in &mut draft.pieces {
        piece.parts.sort_by_key(|p| p.wanted);
    }
    let mut used: Vec<Used> = draft
        .pieces
        .iter()
        .map(|p| Used {
            stock: p.stock,
            copy: p.copy,
            parts: p.parts.clone(),
            remains: Remains::clone(&books.remains(p)),
            price: problem.stock[p.stock].price,
            leftover_value: books.leftover_value(p),
            layout: 0,
        })
        .collect();
    used.sort_by_key(|u| (problem.stock[u.stock].is_sheet, u.price, u.stock, u.copy));
    score::number_layouts(problem, &mut used);
    let mut not_placed: Vec<NotPlaced> =
        draft.not_placed.into_iter().map(|(wanted, why)| NotPlaced { wanted, why }).collect();
    not_placed.sort_by_key(|n| n.wanted);
    let missing: Vec<usize> = not_placed.iter().map(|n| n.wanted).collect();
    let least = least::least(problem, |i| missing.binary_search(&i).is_err());
    Plan {
        used,
        not_placed,
        more,
        cost: best.score.cost,
        lower_bound: least.price,
        least_area2: least.area2,
        least_pieces: least.pieces,
        rounds,
    }
}

#[cfg(test)]
mod tests;

//! Plans: all parts of one or more orders on a choice of pieces, so that what is used up costs least.
//!
//! What a plan costs is the price of the pieces it uses less the value of the leftovers that are worth keeping. Of
//! plans that cost the same the one on fewer pieces is better, then the one on older pieces. Every placement that
//! comes out has passed exact tests on whole numbers against the piece, its flaws and all other parts on it.
//!
//! `problem` holds what is asked, `table` a piece with parts on it, `greedy` puts parts down one after another,
//! `score` says what that costs, `least` what any plan costs at least, `check` names what is wrong with a layout.

mod check;
mod greedy;
mod least;
mod problem;
mod scan;
mod score;
mod table;

use sheetloft_shapes::{Placement, Shape};

pub use check::{Breach, Laid, check};

use crate::piece::Grain;
use crate::remains::{KeepFrom, Remains};
use crate::solve::Caps;
use crate::turns::Turns;
use crate::watch::{Progress, Watch};
use problem::Problem;
use score::Books;

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
    /// What using it up costs, minor units. Where no price is known, any numbers in proportion to the areas will do.
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
            rounds: 8,
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
    let mut books = Books::new(&problem);
    let lower_bound = least::price(&problem, |_| true);
    let mut stopped = false;
    let mut best: Option<score::Scored> = None;
    let mut rounds = 0;
    for round in 0..=options.rounds.min(greedy::ORDERS) {
        let so_far = best.as_ref().map_or(0, |b| wanted.len() - b.draft.not_placed.len());
        let cost = best.as_ref().map_or(0, |b| b.score.cost);
        let mut go_on = |done: usize, _: usize| {
            let placed = if so_far == 0 { done } else { so_far };
            let progress = Progress { placed, of: wanted.len(), cost, lower_bound, round, rounds: options.rounds };
            stopped = stopped || !watch.plan_goes_on(&progress);
            !stopped
        };
        let draft = greedy::build(&problem, round, &mut go_on);
        if stopped && best.is_some() {
            break;
        }
        let scored = books.score(draft);
        if best.as_ref().is_none_or(|b| scored.score < b.score) {
            best = Some(scored);
        }
        rounds = round;
        if stopped || best.as_ref().is_some_and(|b| b.draft.not_placed.is_empty() && b.score.cost <= lower_bound) {
            break;
        }
    }
    let Some(best) = best else { return Plan::default() };
    let more = greedy::missing(&problem, &best.draft);
    finish(&problem, &mut books, best, more, rounds)
}

/// The plan of a draft.
fn finish(problem: &Problem<'_>, books: &mut Books<'_>, best: score::Scored, more: Vec<More>, rounds: u32) -> Plan {
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
            remains: books.remains(p).clone(),
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
    Plan {
        used,
        not_placed,
        more,
        cost: best.score.cost,
        lower_bound: least::price(problem, |i| missing.binary_search(&i).is_err()),
        rounds,
    }
}

#[cfg(test)]
mod tests;

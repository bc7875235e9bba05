//! The first pieces, in an order that a person may choose, that hold each part.
//!
//! One scan over the [`Index`] leaves the pieces worth a search. These are solved in order, by one thread or
//! several, each with its shape fetched when its turn comes, until enough fits are found; so what is listed first
//! is proven to come first, but for those that are named as too close to call.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError, mpsc};

use serde::{Deserialize, Serialize};
use sheetloft_shapes::{Placement, Shape};

use crate::host::Host;
use crate::index::Index;
use crate::needs::Needs;
use crate::part::Part;
use crate::solve::{Caps, Reason, Verdict, solve};
use crate::tidy::tidy;
use crate::turns::Turns;
use crate::watch::Watch;

/// More threads than this are not started.
const THREADS_MOST: usize = 64;
/// Pieces that are put in order at once, at least: most questions need no more of them.
const IN_ORDER: usize = 256;

/// A part to find pieces for.
#[derive(Clone, Copy, Debug)]
pub struct Query<'a> {
    /// The part, made ready.
    pub part: &'a Part,
    /// How it may be turned: relative to the grain on pieces that have one, to the piece's own axes on others.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
    /// For each piece of the index its rank: those with the least are wanted first; of equal ones, those that come
    /// first in the index. `None`: the smallest area first.
    pub order: Option<&'a [i64]>,
}

/// A piece as it is needed to be searched.
#[derive(Clone, Debug)]
pub struct Candidate<'a> {
    /// Its outline and holes.
    pub shape: Cow<'a, Shape>,
    /// Areas of it not to be used; they may overlap anything.
    pub flaws: Cow<'a, [Shape]>,
}

/// Whoever keeps the pieces of an [`Index`], each at its position. Asked by several threads.
pub trait Stock: Sync {
    /// Why a piece cannot be had.
    type Error: Send;

    /// The piece at a position of the index; the same shape and flaws as its signature was made from.
    ///
    /// # Errors
    /// Ends the search; it is what [`find`] returns.
    fn candidate(&self, at: usize) -> Result<Candidate<'_>, Self::Error>;
}

/// Pieces in memory.
impl Stock for [(Shape, Vec<Shape>)] {
    type Error = Infallible;

    fn candidate(&self, at: usize) -> Result<Candidate<'_>, Infallible> {
        let (shape, flaws) = &self[at];
        Ok(Candidate { shape: Cow::Borrowed(shape), flaws: Cow::Borrowed(flaws) })
    }
}

/// What is asked of all answers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Options {
    /// Width the beam removes, µm.
    pub kerf_um: i64,
    /// Rim not to be used, µm.
    pub margin_um: i64,
    /// Stop after this many fits; `None` lists all.
    pub top: Option<usize>,
    /// Where nothing fits, look for a piece that would do without the margin.
    pub without_margin: bool,
    /// Bounds on each solve.
    pub caps: Caps,
    /// Make the placements of so many of the first fits better ones; see [`tidy`].
    pub tidy: usize,
    /// What a better placement keeps beyond the clearance where there is room, µm.
    pub ease_um: i64,
    /// Threads to use, at least 1. The answer does not depend on it.
    pub threads: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            kerf_um: 0,
            margin_um: 0,
            top: None,
            without_margin: false,
            caps: Caps::default(),
            tidy: 20,
            ease_um: 0,
            threads: 1,
        }
    }
}

/// A verified place on a candidate.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Fit {
    /// Its position in the index.
    pub candidate: usize,
    /// Where on it.
    pub placement: Placement,
    /// What is kept beyond the clearance, µm, rounded down.
    pub spare_um: i64,
}

/// A candidate about which neither answer was shown.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct TooClose {
    /// Its position in the index.
    pub candidate: usize,
    /// No placement keeps more than this beyond the clearance, µm; `None` where a cap ended the search.
    pub within_um: Option<i64>,
}

/// The answer for one part: every piece is in `fits`, counted in `ruled_out`, in `too_close`, or counted in
/// `not_needed`.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct QueryAnswer {
    /// The pieces that hold the part, in the order asked for.
    pub fits: Vec<Fit>,
    /// How many pieces there were.
    pub looked_at: usize,
    /// Of these, how many are proven not to hold the part.
    pub ruled_out: usize,
    /// What proved it, for how many of them.
    pub reasons: BTreeMap<Reason, usize>,
    /// Those that may or may not, in the order asked for.
    pub too_close: Vec<TooClose>,
    /// Those that come after the last fit that was asked for.
    pub not_needed: usize,
    /// A piece that is ruled out, but holds the part where its rim may serve as the part's side. The spare is
    /// beyond the kerf alone.
    pub without_margin: Option<Fit>,
}

/// Finds, for each query, the first pieces in its order that hold its part. `watch` hears how many pieces of all
/// queries are settled; where it says stop, what is left counts as too close to call, ended by a cap.
///
/// # Errors
/// What the stock says where it cannot give a piece that it has in its index.
pub fn find<S: Stock + ?Sized>(
    queries: &[Query<'_>],
    index: &Index,
    stock: &S,
    options: &Options,
    watch: &mut dyn Watch,
) -> Result<Vec<QueryAnswer>, S::Error> {
    let of = queries.len() * index.len();
    let mut stopped = false;
    queries
        .iter()
        .enumerate()
        .map(|(n, query)| {
            let progress = Progress { watch: &mut *watch, base: n * index.len(), of, stopped };
            let mut one = One { query, index, stock, options, progress };
            let answer = one.find();
            stopped = one.progress.stopped;
            answer
        })
        .collect()
}

struct Progress<'w> {
    watch: &'w mut dyn Watch,
    base: usize,
    of: usize,
    stopped: bool,
}

impl Progress<'_> {
    fn tell(&mut self, done: usize) -> bool {
        if !self.stopped && !self.watch.go_on(self.base + done, self.of) {
            self.stopped = true;
        }
        !self.stopped
    }
}

/// One query being answered.
struct One<'a, 'w, S: ?Sized> {
    query: &'a Query<'a>,
    index: &'a Index,
    stock: &'a S,
    options: &'a Options,
    progress: Progress<'w>,
}

impl<S: Stock + ?Sized> One<'_, '_, S> {
    fn find(&mut self) -> Result<QueryAnswer, S::Error> {
        let all = self.index.len();
        let (query, options) = (self.query, self.options);
        if options.top == Some(0) {
            return Ok(QueryAnswer { looked_at: all, not_needed: all, ..QueryAnswer::default() });
        }
        let top = options.top.unwrap_or(usize::MAX);
        let clearance = options.kerf_um.max(0) + options.margin_um.max(0);
        let needs = Needs::of(query.part, clearance);
        let scanned = self.index.scan(&needs);
        let open = (0..all).filter(|&at| scanned[at].is_none()).map(|at| self.rank(at)).collect();
        let verdicts = self.settle(open, &needs, clearance, top)?;
        let mut answer = QueryAnswer { looked_at: all, ..QueryAnswer::default() };
        // What was solved beyond the last fit asked for does not count, so that threads don't change the answer.
        let mut end = None;
        for (rank, verdict) in verdicts {
            let candidate = rank.1;
            match verdict {
                Some(Verdict::Fits { placement, spare_um }) => answer.fits.push(Fit { candidate, placement, spare_um }),
                Some(Verdict::No { reason }) => *answer.reasons.entry(reason).or_default() += 1,
                Some(Verdict::TooClose { within_um }) => answer.too_close.push(TooClose { candidate, within_um }),
                None => answer.too_close.push(TooClose { candidate, within_um: None }),
            }
            if answer.fits.len() >= top {
                end = Some(rank);
                break;
            }
        }
        for (at, reason) in scanned.iter().enumerate() {
            let Some(reason) = reason else { continue };
            if end.is_none_or(|end| self.rank(at) < end) {
                *answer.reasons.entry(*reason).or_default() += 1;
            }
        }
        answer.ruled_out = answer.reasons.values().sum();
        answer.not_needed = all - answer.ruled_out - answer.fits.len() - answer.too_close.len();
        for fit in answer.fits.iter_mut().take(options.tidy) {
            let candidate = self.stock.candidate(fit.candidate)?;
            let host = Host::new(&candidate.shape, &candidate.flaws, clearance, &[]);
            let turns = turns_on(query, self.index, fit.candidate);
            (fit.placement, fit.spare_um) =
                tidy(query.part, &turns, &host, &fit.placement, fit.spare_um, options.ease_um);
        }
        if options.without_margin && options.margin_um > 0 && answer.fits.is_empty() {
            answer.without_margin = self.without_margin(&answer.too_close)?;
        }
        Ok(answer)
    }

    /// Where a piece stands in the order asked for.
    fn rank(&self, at: usize) -> Rank {
        (self.query.order.map_or_else(|| self.index.areas2()[at], |o| o.get(at).copied().unwrap_or(i64::MAX)), at)
    }

    /// The first piece that holds the part with the kerf alone around it.
    fn without_margin(&mut self, too_close: &[TooClose]) -> Result<Option<Fit>, S::Error> {
        let clearance = self.options.kerf_um.max(0);
        let needs = Needs::of(self.query.part, clearance);
        let scanned = self.index.scan(&needs);
        let open = (0..scanned.len())
            .filter(|&at| scanned[at].is_none() && too_close.iter().all(|t| t.candidate != at))
            .map(|at| self.rank(at))
            .collect();
        let verdicts = self.settle(open, &needs, clearance, 1)?;
        Ok(verdicts.into_iter().find_map(|(rank, verdict)| match verdict {
            Some(Verdict::Fits { placement, spare_um }) => Some(Fit { candidate: rank.1, placement, spare_um }),
            _ => None,
        }))
    }

    /// Solves the open pieces in order until `top` fits are found: those that count, with the verdict; without one
    /// those not reached. What comes after the last of the fits may follow.
    fn settle(
        &mut self,
        open: Vec<Rank>,
        needs: &Needs,
        clearance_um: i64,
        top: usize,
    ) -> Result<Vec<(Rank, Option<Verdict>)>, S::Error> {
        let count = open.len();
        let ruled_out = self.index.len() - count;
        let work = Work {
            query: self.query,
            index: self.index,
            stock: self.stock,
            needs,
            clearance_um,
            caps: &self.options.caps,
            top,
            ruled_out,
            end: AtomicUsize::new(count),
            stop: AtomicBool::new(false),
            settled: Mutex::new(Settled { open, sorted: 0, verdicts: Vec::new(), first_open: 0, fits: 0, error: None }),
        };
        if count > 0 && self.progress.tell(ruled_out) {
            let helpers = self.options.threads.clamp(1, THREADS_MOST).min(count) - 1;
            work.with_helpers(helpers, &mut self.progress);
        }
        let mut settled = work.settled.into_inner().unwrap_or_else(PoisonError::into_inner);
        if let Some(error) = settled.error {
            return Err(error);
        }
        if settled.fits < top {
            settled.open[settled.sorted..].sort_unstable();
            settled.verdicts.resize(count, None);
        }
        Ok(settled.open.into_iter().zip(settled.verdicts).collect())
    }
}

/// Where a piece stands in the order asked for, and its position in the index.
type Rank = (i64, usize);

/// What is settled so far of the open pieces.
struct Settled<E> {
    /// The open pieces; the first ones in order.
    open: Vec<Rank>,
    sorted: usize,
    /// Of those that were begun, in order.
    verdicts: Vec<Option<Verdict>>,
    /// All before this one are settled.
    first_open: usize,
    fits: usize,
    error: Option<E>,
}

impl<E> Settled<E> {
    /// The next piece to solve.
    fn next(&mut self) -> Option<(usize, Rank)> {
        let i = self.verdicts.len();
        if i >= self.open.len() {
            return None;
        }
        if i >= self.sorted {
            let rest = &mut self.open[i..];
            let count = (i + IN_ORDER).min(rest.len());
            if count < rest.len() {
                rest.select_nth_unstable(count);
            }
            rest[..count].sort_unstable();
            self.sorted = i + count;
        }
        self.verdicts.push(None);
        Some((i, self.open[i]))
    }
}

/// The open pieces of one query, being solved by one or more threads.
struct Work<'a, S: Stock + ?Sized> {
    query: &'a Query<'a>,
    index: &'a Index,
    stock: &'a S,
    needs: &'a Needs,
    clearance_um: i64,
    caps: &'a Caps,
    top: usize,
    ruled_out: usize,
    /// None from here on is needed.
    end: AtomicUsize,
    stop: AtomicBool,
    settled: Mutex<Settled<S::Error>>,
}

impl<S: Stock + ?Sized> Work<'_, S> {
    fn with_helpers(&self, helpers: usize, progress: &mut Progress<'_>) {
        let waiting = AtomicBool::new(false);
        std::thread::scope(|scope| {
            let waiting = &waiting;
            let (send, signs_of_life) = mpsc::channel::<()>();
            for _ in 0..helpers {
                let send = send.clone();
                scope.spawn(move || {
                    self.run(&mut || {
                        // Only this thread's caller may ask the watch, so wake it where it has nothing else to do.
                        if waiting.load(Ordering::Acquire) {
                            let _ = send.send(());
                        }
                        true
                    });
                });
            }
            drop(send);
            self.run(&mut || progress.tell(self.done()));
            waiting.store(true, Ordering::Release);
            for () in signs_of_life {
                if !progress.tell(self.done()) {
                    self.stop.store(true, Ordering::Release);
                }
            }
        });
    }

    /// Solves one piece after the other; `watch` is asked on the way.
    fn run(&self, watch: &mut dyn FnMut() -> bool) {
        while !self.stop.load(Ordering::Acquire) {
            let Some((i, rank)) = self.lock().next() else { break };
            if i >= self.end.load(Ordering::Acquire) {
                break;
            }
            let mut go_on = |_: usize, _: usize| {
                if !watch() {
                    self.stop.store(true, Ordering::Release);
                }
                i < self.end.load(Ordering::Acquire) && !self.stop.load(Ordering::Acquire)
            };
            let verdict = self.solve(rank.1, &mut go_on);
            self.settle(i, verdict);
            go_on(0, 1);
        }
    }

    fn solve(&self, at: usize, watch: &mut dyn Watch) -> Result<Verdict, S::Error> {
        let turns = turns_on(self.query, self.index, at);
        if turns.as_spans().is_empty() {
            return Ok(Verdict::No { reason: Reason::Turn });
        }
        let turns = self.needs.turns_on(self.index.widths_um(at), &turns, self.query.flip);
        if turns.as_spans().is_empty() {
            return Ok(Verdict::No { reason: Reason::Width });
        }
        let candidate = self.stock.candidate(at)?;
        let host = Host::new(&candidate.shape, &candidate.flaws, self.clearance_um, &[]);
        Ok(solve(self.query.part, &turns, self.query.flip, &host, self.caps, watch))
    }

    fn settle(&self, i: usize, verdict: Result<Verdict, S::Error>) {
        let mut guard = self.lock();
        let settled = &mut *guard;
        match verdict {
            Ok(verdict) => settled.verdicts[i] = Some(verdict),
            Err(error) => {
                settled.error.get_or_insert(error);
                self.stop.store(true, Ordering::Release);
            }
        }
        while let Some(Some(v)) = settled.verdicts.get(settled.first_open) {
            settled.first_open += 1;
            settled.fits += usize::from(matches!(v, Verdict::Fits { .. }));
            if settled.fits == self.top {
                self.end.fetch_min(settled.first_open, Ordering::AcqRel);
            }
        }
    }

    /// How many of all pieces are settled, those ruled out at a glance among them.
    fn done(&self) -> usize {
        self.ruled_out + self.lock().first_open
    }

    fn lock(&self) -> MutexGuard<'_, Settled<S::Error>> {
        // A thread that panicked while it held this is on its way to end the whole scope.
        self.settled.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The turns allowed on a piece: relative to its grain, where it has one.
fn turns_on<'a>(query: &Query<'a>, index: &Index, at: usize) -> Cow<'a, Turns> {
    match index.grain(at) {
        Some(grain) => Cow::Owned(query.turns.about(grain.at, grain.tolerance_udeg)),
        None => Cow::Borrowed(query.turns),
    }
}

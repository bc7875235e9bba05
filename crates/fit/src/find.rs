//! The smallest pieces that hold each part.

use std::borrow::Cow;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError, mpsc};

use serde::{Deserialize, Serialize};
use sheetloft_shapes::{Placement, Shape};

use crate::host::Host;
use crate::part::Part;
use crate::piece::{Grain, Signature};
use crate::solve::{Caps, Verdict, solve};
use crate::tidy::tidy;
use crate::turns::Turns;
use crate::watch::Watch;

/// More threads than this are not started.
const THREADS_MOST: usize = 64;

/// A part to find pieces for.
#[derive(Clone, Copy, Debug)]
pub struct Query<'a> {
    /// The part, made ready.
    pub part: &'a Part,
    /// How it may be turned: relative to the grain on pieces that have one, to the piece's own axes on others.
    pub turns: &'a Turns,
    /// Whether it may be mirrored.
    pub flip: bool,
}

/// A piece that may be used.
#[derive(Clone, Copy, Debug)]
pub struct Candidate<'a> {
    /// Its outline and holes.
    pub shape: &'a Shape,
    /// Areas of it not to be used; they may overlap anything.
    pub flaws: &'a [Shape],
    /// Its grain, where the part is bound to it.
    pub grain: Option<Grain>,
    /// Its signature, of shape and flaws as above.
    pub signature: Signature,
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
    /// Index of the candidate.
    pub candidate: usize,
    /// Where on it.
    pub placement: Placement,
    /// What is kept beyond the clearance, µm, rounded down.
    pub spare_um: i64,
}

/// A candidate about which neither answer was shown.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct TooClose {
    /// Index of the candidate.
    pub candidate: usize,
    /// No placement keeps more than this beyond the clearance, µm; `None` where a cap ended the search.
    pub within_um: Option<i64>,
}

/// The answer for one part: every candidate is in `fits`, counted in `ruled_out`, in `too_close`, or counted in
/// `not_needed`.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct QueryAnswer {
    /// The candidates that hold the part, smallest area first; equal ones in the order given.
    pub fits: Vec<Fit>,
    /// How many candidates there were.
    pub looked_at: usize,
    /// Of these, how many are proven not to hold the part.
    pub ruled_out: usize,
    /// Those that may or may not, smallest area first.
    pub too_close: Vec<TooClose>,
    /// Those larger than the last fit that was asked for.
    pub not_needed: usize,
    /// A candidate that is ruled out, but holds the part where its rim may serve as the part's side. The spare is
    /// beyond the kerf alone.
    pub without_margin: Option<Fit>,
}

/// Finds, for each query, the smallest candidates that hold its part. `watch` hears how many candidates of all
/// queries are settled; where it says stop, what is left counts as too close to call, ended by a cap.
pub fn find(
    queries: &[Query<'_>],
    candidates: &[Candidate<'_>],
    options: &Options,
    watch: &mut dyn Watch,
) -> Vec<QueryAnswer> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by_key(|&i| (candidates[i].signature.area2, i));
    let of = queries.len() * order.len();
    let mut stopped = false;
    queries
        .iter()
        .enumerate()
        .map(|(n, query)| {
            let mut progress = Progress { watch: &mut *watch, base: n * order.len(), of, stopped };
            let answer = find_one(query, candidates, &order, options, &mut progress);
            stopped = progress.stopped;
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

fn find_one(
    query: &Query<'_>,
    candidates: &[Candidate<'_>],
    order: &[usize],
    options: &Options,
    progress: &mut Progress<'_>,
) -> QueryAnswer {
    if options.top == Some(0) {
        return QueryAnswer { looked_at: order.len(), not_needed: order.len(), ..QueryAnswer::default() };
    }
    let clearance = options.kerf_um.max(0) + options.margin_um.max(0);
    // One scan over the signatures leaves those worth a search, still in order.
    let open: Vec<usize> = (0..order.len())
        .filter(|&at| candidates[order[at]].signature.rules_out(query.part, clearance).is_none())
        .collect();
    let top = options.top.unwrap_or(usize::MAX);
    let verdicts = settle(query, candidates, order, &open, clearance, options, progress);
    let mut answer = QueryAnswer { looked_at: order.len(), ..QueryAnswer::default() };
    // What was solved beyond the last fit asked for does not count, so that threads don't change the answer.
    let mut end = order.len();
    for (&at, verdict) in open.iter().zip(&verdicts) {
        let candidate = order[at];
        match verdict {
            Some(Verdict::Fits { placement, spare_um }) => {
                answer.fits.push(Fit { candidate, placement: *placement, spare_um: *spare_um })
            }
            Some(Verdict::No { .. }) => {}
            Some(Verdict::TooClose { within_um }) => {
                answer.too_close.push(TooClose { candidate, within_um: *within_um })
            }
            None => answer.too_close.push(TooClose { candidate, within_um: None }),
        }
        if answer.fits.len() >= top {
            end = at + 1;
            break;
        }
    }
    for fit in answer.fits.iter_mut().take(options.tidy) {
        let candidate = &candidates[fit.candidate];
        let host = Host::new(candidate.shape, candidate.flaws, clearance, &[]);
        let turns = turns_on(query, candidate);
        (fit.placement, fit.spare_um) = tidy(query.part, &turns, &host, &fit.placement, fit.spare_um, options.ease_um);
    }
    answer.not_needed = order.len() - end;
    answer.ruled_out = end - answer.fits.len() - answer.too_close.len();
    if options.without_margin && options.margin_um > 0 && answer.fits.is_empty() {
        answer.without_margin = without_margin(query, candidates, order, options, &answer, progress);
    }
    answer
}

/// What is settled so far of the open candidates, in order.
struct Settled {
    verdicts: Vec<Option<Verdict>>,
    /// All before this one are settled.
    first_open: usize,
    fits: usize,
}

/// The open candidates of one query, being solved by one or more threads.
struct Work<'a> {
    query: &'a Query<'a>,
    candidates: &'a [Candidate<'a>],
    order: &'a [usize],
    open: &'a [usize],
    clearance: i64,
    options: &'a Options,
    next: AtomicUsize,
    /// No candidate from here on is needed.
    end: AtomicUsize,
    stop: AtomicBool,
    settled: Mutex<Settled>,
}

impl Work<'_> {
    /// Solves one candidate after the other; `watch` is asked on the way.
    fn run(&self, watch: &mut dyn FnMut() -> bool) {
        loop {
            let i = self.next.fetch_add(1, Ordering::Relaxed);
            if i >= self.end.load(Ordering::Acquire) || self.stop.load(Ordering::Acquire) {
                break;
            }
            let mut go_on = |_: usize, _: usize| {
                if !watch() {
                    self.stop.store(true, Ordering::Release);
                }
                i < self.end.load(Ordering::Acquire) && !self.stop.load(Ordering::Acquire)
            };
            let candidate = &self.candidates[self.order[self.open[i]]];
            let verdict = solve_candidate(self.query, candidate, self.clearance, &self.options.caps, &mut go_on);
            self.settle(i, verdict);
            go_on(0, 1);
        }
    }

    fn settle(&self, i: usize, verdict: Verdict) {
        // A thread that panicked while it held this is on its way to end the whole scope.
        let mut guard = self.settled.lock().unwrap_or_else(PoisonError::into_inner);
        let settled = &mut *guard;
        settled.verdicts[i] = Some(verdict);
        while let Some(Some(v)) = settled.verdicts.get(settled.first_open) {
            settled.first_open += 1;
            settled.fits += usize::from(matches!(v, Verdict::Fits { .. }));
            if settled.fits == self.options.top.unwrap_or(usize::MAX) {
                self.end.fetch_min(settled.first_open, Ordering::AcqRel);
            }
        }
    }

    /// How many of all candidates are settled, those ruled out at a glance among them.
    fn done(&self) -> usize {
        let settled = self.settled.lock().unwrap_or_else(PoisonError::into_inner);
        self.open.get(settled.first_open).copied().unwrap_or(self.order.len())
    }
}

/// Solves the open candidates in order until enough fits are found; `None` for those not reached.
fn settle(
    query: &Query<'_>,
    candidates: &[Candidate<'_>],
    order: &[usize],
    open: &[usize],
    clearance: i64,
    options: &Options,
    progress: &mut Progress<'_>,
) -> Vec<Option<Verdict>> {
    let verdicts = vec![None; open.len()];
    if open.is_empty() || !progress.tell(0) {
        return verdicts;
    }
    let work = Work {
        query,
        candidates,
        order,
        open,
        clearance,
        options,
        next: AtomicUsize::new(0),
        end: AtomicUsize::new(open.len()),
        stop: AtomicBool::new(false),
        settled: Mutex::new(Settled { verdicts, first_open: 0, fits: 0 }),
    };
    let helpers = options.threads.clamp(1, THREADS_MOST).min(open.len()) - 1;
    let waiting = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let (work, waiting) = (&work, &waiting);
        let (send, signs_of_life) = mpsc::channel::<()>();
        for _ in 0..helpers {
            let send = send.clone();
            scope.spawn(move || {
                work.run(&mut || {
                    // Only this thread's caller may ask the watch, so wake it where it has nothing else to do.
                    if waiting.load(Ordering::Acquire) {
                        let _ = send.send(());
                    }
                    true
                });
            });
        }
        drop(send);
        work.run(&mut || progress.tell(work.done()));
        waiting.store(true, Ordering::Release);
        for () in signs_of_life {
            if !progress.tell(work.done()) {
                work.stop.store(true, Ordering::Release);
            }
        }
    });
    work.settled.into_inner().unwrap_or_else(PoisonError::into_inner).verdicts
}

fn solve_candidate(
    query: &Query<'_>,
    candidate: &Candidate<'_>,
    clearance: i64,
    caps: &Caps,
    watch: &mut dyn Watch,
) -> Verdict {
    let host = Host::new(candidate.shape, candidate.flaws, clearance, &[]);
    solve(query.part, &turns_on(query, candidate), query.flip, &host, caps, watch)
}

/// The turns allowed on a candidate: relative to its grain, where it has one.
fn turns_on<'a>(query: &Query<'a>, candidate: &Candidate<'_>) -> Cow<'a, Turns> {
    match candidate.grain {
        Some(grain) => Cow::Owned(query.turns.about(grain.at, grain.tolerance_udeg)),
        None => Cow::Borrowed(query.turns),
    }
}

/// The smallest candidate that holds the part with the kerf alone around it.
fn without_margin(
    query: &Query<'_>,
    candidates: &[Candidate<'_>],
    order: &[usize],
    options: &Options,
    answer: &QueryAnswer,
    progress: &mut Progress<'_>,
) -> Option<Fit> {
    let clearance = options.kerf_um.max(0);
    for &i in order {
        if candidates[i].signature.rules_out(query.part, clearance).is_some()
            || answer.too_close.iter().any(|t| t.candidate == i)
        {
            continue;
        }
        let mut tell = |_: usize, _: usize| progress.tell(order.len());
        if let Verdict::Fits { placement, spare_um } =
            solve_candidate(query, &candidates[i], clearance, &options.caps, &mut tell)
        {
            return Some(Fit { candidate: i, placement, spare_um });
        }
        if !progress.tell(order.len()) {
            return None;
        }
    }
    None
}

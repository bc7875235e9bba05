//! The first pieces, in an order that a person may choose, that hold each part.
//!
//! The pieces of the [`Index`] are gone through in order, by one thread or several. A glance at the numbers there
//! rules most of them out; of the others the shape is fetched and the part is searched a place, until enough fits
//! are found. So what is listed first is proven to come first, but for pieces that are named as too close to call.

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
use crate::nicest::nicest;
use crate::part::Part;
use crate::solve::{Caps, Reason, Verdict, solve};
use crate::tidy::tidy;
use crate::turns::Turns;
use crate::watch::Watch;

/// More threads than this are not started.
const THREADS_MOST: usize = 64;
/// After so many pieces without a fit, some that come much later are looked at, so that a person has one to go by.
const BEFORE_PROBES: usize = 12;
/// Boxes for each of these.
const BOXES_PER_PROBE: usize = 1_000;
/// Losses that differ by less are equal: one square decimetre, in µm².
const LOST_STEP_UM2: i64 = 10_000_000_000;
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
    /// Of so many of the first fits give the placement that leaves the most useful leftover; see [`nicest`].
    pub nicest: usize,
    /// Look at so many fits (or `top`, if that is more), and list those first on which least is lost of the largest
    /// rectangle; of equal ones those that come first in the order of the query.
    pub by_leftover: Option<usize>,
    /// Of so many make the placement a better one where that is quick; see [`tidy`].
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
            nicest: 1,
            by_leftover: None,
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
    /// About the area of the largest rectangle in what is left, µm²; where the nicest placement was asked for.
    pub left_um2: Option<i64>,
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
            let progress = Progress { watch: &mut *watch, query: n, base: n * index.len(), of, stopped };
            let mut one = One { query, index, stock, options, progress };
            let answer = one.find();
            stopped = one.progress.stopped;
            answer
        })
        .collect()
}

struct Progress<'w> {
    watch: &'w mut dyn Watch,
    query: usize,
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

impl<'a, S: Stock + ?Sized> One<'a, '_, S> {
    fn find(&mut self) -> Result<QueryAnswer, S::Error> {
        let all = self.index.len();
        let (query, options) = (self.query, self.options);
        if options.top == Some(0) {
            return Ok(QueryAnswer { looked_at: all, not_needed: all, ..QueryAnswer::default() });
        }
        let asked = options.top.unwrap_or(usize::MAX);
        let top = asked.max(options.by_leftover.unwrap_or(0));
        let clearance = options.kerf_um.max(0) + options.margin_um.max(0);
        let needs = Needs::of(query.part, clearance);
        let settled = self.settle(&needs, clearance, top, &[])?;
        let mut answer = QueryAnswer { looked_at: all, ..QueryAnswer::default() };
        // What was solved beyond the last fit asked for does not count, so that threads don't change the answer.
        let mut end = all;
        for (piece, verdict) in settled.open.iter().zip(&settled.verdicts) {
            let candidate = piece.at;
            match *verdict {
                Some(Verdict::Fits { placement, spare_um }) => {
                    answer.fits.push(Fit { candidate, placement, spare_um, left_um2: None });
                }
                Some(Verdict::No { reason }) => *answer.reasons.entry(reason).or_default() += 1,
                Some(Verdict::TooClose { within_um }) => answer.too_close.push(TooClose { candidate, within_um }),
                None => answer.too_close.push(TooClose { candidate, within_um: None }),
            }
            if answer.fits.len() >= top {
                end = piece.place + 1;
                break;
            }
        }
        let too_small = settled.order.start.min(end);
        if too_small > 0 {
            *answer.reasons.entry(Reason::Area).or_default() += too_small;
        }
        for reason in settled.order.glanced.iter().take(end - too_small).flatten() {
            *answer.reasons.entry(*reason).or_default() += 1;
        }
        answer.ruled_out = answer.reasons.values().sum();
        answer.not_needed = all - end;
        self.lay(&mut answer.fits, clearance)?;
        if answer.fits.len() > asked {
            answer.not_needed += answer.fits.len() - asked;
            answer.fits.truncate(asked);
        }
        if options.without_margin && options.margin_um > 0 && answer.fits.is_empty() {
            answer.without_margin = self.without_margin(&answer.too_close)?;
        }
        Ok(answer)
    }

    /// Betters the placements of the fits as far as it is asked for, and puts them in order of what they leave.
    fn lay(&self, fits: &mut Vec<Fit>, clearance_um: i64) -> Result<(), S::Error> {
        let (query, options) = (self.query, self.options);
        let nice = if options.by_leftover.is_some() { usize::MAX } else { options.nicest };
        let lay = |n: usize, fit: &mut Fit| -> Result<i64, S::Error> {
            if n >= options.tidy.max(nice) {
                return Ok(0);
            }
            let candidate = self.stock.candidate(fit.candidate)?;
            let host = Host::new(&candidate.shape, &candidate.flaws, clearance_um, &[]);
            let turns = turns_on(query, self.index, fit.candidate);
            if n >= nice {
                (fit.placement, fit.spare_um) =
                    tidy(query.part, &turns, &host, &fit.placement, fit.spare_um, options.ease_um);
                return Ok(0);
            }
            let found = (fit.placement, fit.spare_um);
            let lies = nicest(query.part, &turns, query.flip, &candidate, &host, found, options.ease_um);
            *fit = Fit { placement: lies.placement, spare_um: lies.spare_um, left_um2: Some(lies.left_um2), ..*fit };
            Ok(lies.lost_um2)
        };
        // Each thread takes a run of them.
        let threads = options.threads.clamp(1, THREADS_MOST);
        let run = fits.len().min(options.tidy.max(nice)).div_ceil(threads).max(1);
        let lost: Result<Vec<Vec<i64>>, S::Error> = std::thread::scope(|scope| {
            let lay_run = |(n, fits): (usize, &mut [Fit])| -> Result<Vec<i64>, S::Error> {
                fits.iter_mut().enumerate().map(|(i, fit)| lay(n * run + i, fit)).collect()
            };
            let mut runs = fits.chunks_mut(run).enumerate();
            let first = runs.next();
            let others: Vec<_> = runs.map(|run| scope.spawn(move || lay_run(run))).collect();
            let first = first.map_or(Ok(Vec::new()), lay_run);
            std::iter::once(first)
                .chain(others.into_iter().map(|t| t.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))))
                .collect()
        });
        let lost: Vec<i64> = lost?.into_iter().flatten().collect();
        if options.by_leftover.is_some() {
            let mut order: Vec<usize> = (0..fits.len()).collect();
            order.sort_by_key(|&i| (lost[i] / LOST_STEP_UM2, i));
            *fits = order.iter().map(|&i| fits[i]).collect();
        }
        Ok(())
    }

    /// The first piece that holds the part with the kerf alone around it.
    fn without_margin(&mut self, too_close: &[TooClose]) -> Result<Option<Fit>, S::Error> {
        let clearance = self.options.kerf_um.max(0);
        let needs = Needs::of(self.query.part, clearance);
        let settled = self.settle(&needs, clearance, 1, too_close)?;
        Ok(settled.open.iter().zip(&settled.verdicts).find_map(|(piece, verdict)| match *verdict {
            Some(Verdict::Fits { placement, spare_um }) => {
                Some(Fit { candidate: piece.at, placement, spare_um, left_um2: None })
            }
            _ => None,
        }))
    }

    /// Goes through the pieces in order until `top` fits are found, leaving out those named. What comes after the
    /// last of the fits may follow; what was not reached is open without a verdict.
    fn settle<'b>(
        &mut self,
        needs: &'b Needs,
        clearance_um: i64,
        top: usize,
        without: &'b [TooClose],
    ) -> Result<Settled<'b, S::Error>, S::Error>
    where
        'a: 'b,
    {
        let order = InOrder::new(self.index, self.query.order, needs, without);
        let work = Work {
            query: self.query,
            index: self.index,
            stock: self.stock,
            needs,
            clearance_um,
            caps: &self.options.caps,
            top,
            end: AtomicUsize::new(usize::MAX),
            stop: AtomicBool::new(false),
            news: AtomicBool::new(false),
            settled: Mutex::new(Settled {
                order,
                open: Vec::new(),
                verdicts: Vec::new(),
                first_open: 0,
                fits: 0,
                best: None,
                error: None,
            }),
        };
        if !self.index.is_empty() && self.progress.tell(0) {
            let helpers = self.options.threads.clamp(1, THREADS_MOST).min(self.index.len()) - 1;
            work.with_helpers(helpers, &mut self.progress);
        }
        let mut settled = work.settled.into_inner().unwrap_or_else(PoisonError::into_inner);
        if let Some(error) = settled.error {
            return Err(error);
        }
        if settled.fits < top {
            while settled.next().is_some() {}
        }
        Ok(settled)
    }
}

/// The pieces of an index in the order asked for, as far as it was needed, and what a glance says of each.
struct InOrder<'a> {
    index: &'a Index,
    needs: &'a Needs,
    without: &'a [TooClose],
    /// Ranks, where another order is asked for than that by area.
    ranks: Option<&'a [i64]>,
    order: Cow<'a, [u32]>,
    /// So many are in order.
    sorted: usize,
    /// All before this place are too small.
    start: usize,
    /// From there on, as far as it was looked.
    glanced: Vec<Option<Reason>>,
}

impl<'a> InOrder<'a> {
    fn new(index: &'a Index, ranks: Option<&'a [i64]>, needs: &'a Needs, without: &'a [TooClose]) -> Self {
        let mut all = Self {
            index,
            needs,
            without,
            ranks,
            order: Cow::Owned(Vec::new()),
            sorted: 0,
            start: 0,
            glanced: Vec::new(),
        };
        if ranks.is_some() {
            all.order = Cow::Owned((0..index.len() as u32).collect());
        } else {
            all.order = Cow::Borrowed(index.by_area());
            all.sorted = all.order.len();
            all.start = all.order.partition_point(|&at| index.areas2()[at as usize] < needs.area2);
        }
        all
    }

    /// The piece at a place of the order.
    fn piece(&mut self, place: usize) -> Piece {
        if place >= self.sorted {
            self.sort_to(place);
        }
        Piece { at: self.order[place] as usize, place }
    }

    /// Puts the first pieces in order, with that at `place` among them.
    fn sort_to(&mut self, place: usize) {
        let ranks = self.ranks.unwrap_or_default();
        let key = |&at: &u32| (ranks.get(at as usize).copied().unwrap_or(i64::MAX), at);
        let rest = &mut self.order.to_mut()[self.sorted..];
        // As many again as before, so that going through all of them costs no more than sorting all.
        let count = (place + 1 - self.sorted).max(self.sorted).max(IN_ORDER).min(rest.len());
        if count < rest.len() {
            rest.select_nth_unstable_by_key(count, key);
        }
        rest[..count].sort_unstable_by_key(key);
        self.sorted += count;
    }

    fn glance(&self, at: usize) -> Option<Reason> {
        if self.index.areas2()[at] < self.needs.area2 {
            Some(Reason::Area)
        } else {
            self.needs.ruled_out_by_bounds(self.index.bounds(at))
        }
    }

    /// The next piece that a glance does not rule out.
    fn next(&mut self) -> Option<Piece> {
        loop {
            let place = self.start + self.glanced.len();
            if place >= self.order.len() {
                return None;
            }
            let piece = self.piece(place);
            let reason = self.glance(piece.at);
            self.glanced.push(reason);
            if reason.is_none() && self.without.iter().all(|t| t.candidate != piece.at) {
                return Some(piece);
            }
        }
    }
}

/// A piece that may hold the part.
#[derive(Clone, Copy)]
struct Piece {
    /// Its position in the index.
    at: usize,
    /// Its place in the order asked for.
    place: usize,
}

/// What is settled so far.
struct Settled<'a, E> {
    order: InOrder<'a>,
    /// The pieces that were begun, in order, with their verdicts.
    open: Vec<Piece>,
    verdicts: Vec<Option<Verdict>>,
    /// All before this one of them are settled.
    first_open: usize,
    fits: usize,
    /// The first fit of those found until now, and its place.
    best: Option<(usize, Fit)>,
    error: Option<E>,
}

impl<E> Settled<'_, E> {
    /// The next piece to solve, and its number among those begun.
    fn next(&mut self) -> Option<(usize, Piece)> {
        let piece = self.order.next()?;
        self.open.push(piece);
        self.verdicts.push(None);
        Some((self.open.len() - 1, piece))
    }

    fn offer(&mut self, piece: Piece, verdict: &Verdict, news: &AtomicBool) {
        if let Verdict::Fits { placement, spare_um } = *verdict
            && self.best.is_none_or(|(best, _)| piece.place < best)
        {
            self.best = Some((piece.place, Fit { candidate: piece.at, placement, spare_um, left_um2: None }));
            news.store(true, Ordering::Release);
        }
    }

    /// How many of all pieces are settled, those ruled out at a glance among them.
    fn done(&self) -> usize {
        self.open.get(self.first_open).map_or(self.order.start + self.order.glanced.len(), |piece| piece.place)
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
    /// Of those begun, none from here on is needed.
    end: AtomicUsize,
    stop: AtomicBool,
    /// Whether there is a better fit than was last told.
    news: AtomicBool,
    settled: Mutex<Settled<'a, S::Error>>,
}

impl<'a, S: Stock + ?Sized> Work<'a, S> {
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
            self.run(&mut || self.tell(progress));
            waiting.store(true, Ordering::Release);
            for () in signs_of_life {
                if !self.tell(progress) {
                    self.stop.store(true, Ordering::Release);
                }
            }
            self.tell(progress);
        });
    }

    /// Solves one piece after the other; `watch` is asked on the way.
    fn run(&self, watch: &mut dyn FnMut() -> bool) {
        while !self.stop.load(Ordering::Acquire) {
            let Some((i, piece)) = self.lock().next() else { break };
            if i >= self.end.load(Ordering::Acquire) {
                break;
            }
            let mut go_on = |_: usize, _: usize| {
                if !watch() {
                    self.stop.store(true, Ordering::Release);
                }
                i < self.end.load(Ordering::Acquire) && !self.stop.load(Ordering::Acquire)
            };
            if i == BEFORE_PROBES {
                self.probe(&mut go_on);
            }
            let verdict = self.solve(piece.at, self.caps, &mut go_on);
            self.settle(i, piece, verdict);
            go_on(0, 1);
        }
    }

    /// Looks at the last piece, then half way to the first one and so on, as long as they hold the part: not for
    /// the answer, but for a fit that can be shown while all before it are looked at.
    fn probe(&self, watch: &mut dyn Watch) {
        let caps = Caps { boxes: self.caps.boxes.min(BOXES_PER_PROBE) };
        let mut place = self.index.len() - 1;
        loop {
            let piece = {
                let mut settled = self.lock();
                if settled.fits > 0 || place < settled.order.start + settled.order.glanced.len() {
                    break;
                }
                settled.order.piece(place)
            };
            // An error comes up again when the turn comes to the piece.
            let Ok(verdict @ Verdict::Fits { .. }) = self.solve(piece.at, &caps, watch) else { break };
            self.lock().offer(piece, &verdict, &self.news);
            watch.go_on(0, 1);
            place /= 2;
        }
    }

    /// Tells how far it has come, and what is new.
    fn tell(&self, progress: &mut Progress<'_>) -> bool {
        let (done, best) = {
            let settled = self.lock();
            (settled.done(), settled.best)
        };
        if self.news.swap(false, Ordering::AcqRel)
            && let Some((_, fit)) = best
        {
            progress.watch.found(progress.query, &fit);
        }
        progress.tell(done)
    }

    fn solve(&self, at: usize, caps: &Caps, watch: &mut dyn Watch) -> Result<Verdict, S::Error> {
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
        Ok(solve(self.query.part, &turns, self.query.flip, &host, caps, watch))
    }

    fn settle(&self, i: usize, piece: Piece, verdict: Result<Verdict, S::Error>) {
        let mut guard = self.lock();
        let settled = &mut *guard;
        match verdict {
            Ok(verdict) => {
                settled.verdicts[i] = Some(verdict);
                settled.offer(piece, &verdict, &self.news);
            }
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

    fn lock(&self) -> MutexGuard<'_, Settled<'a, S::Error>> {
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

//! Progress, cancelling and the caller's time limit, without a clock in here.

use crate::find::Fit;

/// Asked now and then during long work. The caller's clock, progress bar and "cancel" button live behind it.
pub trait Watch {
    /// Whether to go on; `done` of `of` pieces are settled.
    fn go_on(&mut self, done: usize, of: usize) -> bool;

    /// A verified fit for the query of this number, while pieces that come before it are still looked at: each time
    /// one that is better than the last. Which ones are seen on the way may differ with the number of threads.
    fn found(&mut self, query: usize, fit: &Fit) {
        let _ = (query, fit);
    }

    /// Whether to go on with a plan that has come this far.
    fn plan_goes_on(&mut self, so_far: &Progress) -> bool {
        self.go_on(so_far.placed, so_far.of)
    }

    /// How much of the time that the caller gives is over, 0 to 1; `None` where there is no such limit.
    fn share(&self) -> Option<f64> {
        None
    }
}

/// How far a plan has come: what the best one found until now says.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Progress {
    /// Parts placed.
    pub placed: usize,
    /// Parts asked for.
    pub of: usize,
    /// What it costs: price of the pieces used less the value of the leftovers kept, minor units.
    pub cost: i64,
    /// No plan that places all parts costs less, minor units.
    pub lower_bound: i64,
    /// Rounds of improvement done.
    pub round: u32,
    /// Rounds asked for.
    pub rounds: u32,
}

/// Never stops anything.
impl Watch for () {
    fn go_on(&mut self, _done: usize, _of: usize) -> bool {
        true
    }
}

impl<F: FnMut(usize, usize) -> bool> Watch for F {
    fn go_on(&mut self, done: usize, of: usize) -> bool {
        self(done, of)
    }
}

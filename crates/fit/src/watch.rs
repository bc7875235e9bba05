//! Progress, cancelling and the caller's time limit, without a clock in here.

/// Asked now and then during long work. The caller's clock, progress bar and "cancel" button live behind it.
pub trait Watch {
    /// Whether to go on; `done` of `of` pieces are settled.
    fn go_on(&mut self, done: usize, of: usize) -> bool;
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

//! Faults that the simulator of several devices switches on, one at a time, to see that it finds them. Compiled in for
//! its tests alone (feature `mutants`); everywhere else none is ever on.

/// A fault.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mutant {
    /// Events of a thing are folded in the order of their clocks.
    OrderByClock,
    /// Events of a thing are folded in the order in which they came.
    OrderByArrival,
    /// The highest number seen of a device is taken for what is here of it.
    HighestNumber,
    /// An event names only one of several heads as its parent.
    LostParent,
    /// That uses contradict each other is not marked.
    ConflictDropped,
}

#[cfg(feature = "mutants")]
thread_local! {
    static ON: std::cell::Cell<Option<Mutant>> = const { std::cell::Cell::new(None) };
}

/// Switches a fault on in this thread, or all off.
#[cfg(feature = "mutants")]
pub fn switch(mutant: Option<Mutant>) {
    ON.set(mutant);
}

/// Whether a fault is on in this thread.
#[cfg(feature = "mutants")]
pub fn on(mutant: Mutant) -> bool {
    ON.get() == Some(mutant)
}

/// Whether a fault is on: none is.
#[cfg(not(feature = "mutants"))]
pub const fn on(_: Mutant) -> bool {
    false
}

//! The trade itself: events, the rules that allow them, the state they add up to, money.
//!
//! Pure: no clock, no I/O, no randomness. Everything that happens is an [`event::Event`]; the state of a
//! thing is a function of the *set* of events that touch it, never of the order in which they arrived.

pub mod body;
pub mod code;
pub mod count;
pub mod event;
pub mod exchange;
pub mod fold;
pub mod kinds;
pub mod labelling;
pub mod landing;
pub mod memory;
pub mod money;
pub mod mutant;
pub mod outcome;
pub mod rules;
pub mod state;
pub mod tolerance;
pub mod units;

pub use sheetloft_shapes::limits;

//! Exchange of events between devices, and its carriers.
//!
//! Each side says, for each device, the unbroken run of numbers that it has (never the highest), and gets what it
//! lacks. Everything is idempotent: a carrier may drop, repeat and reorder, and whatever comes is checked by the shop
//! file that takes it in. Nothing here knows the shop file; it is a [`Replica`].

pub mod batch;
mod carrier;
pub mod folder;
pub mod hub;
pub mod net;
mod replica;
mod seen;
pub mod start;

pub use carrier::{Carrier, ExchangeError, begin, exchange, give_all, take_all};
pub use replica::{Problem, Replica, Report};
pub use sheetloft_ledger::limits;

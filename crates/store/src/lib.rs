//! SQLite: append events, keep the state tables, answer queries, back up. The only SQL of the program.
//!
//! **One write path**: [`Store::transact`]. An action's events and the change of the state tables are one
//! SQLite transaction; nothing else writes.

mod book;
mod check;
mod device;
mod error;
mod exchange;
mod file;
mod fork;
mod network;
mod notes;
mod query;
mod reading;
mod start;
mod stock;
mod taking;
#[cfg(test)]
mod testing;
mod write;

pub use check::{Finding, Sums, What};
pub use device::DeviceKey;
pub use error::StoreError;
pub use exchange::Waiting;
pub use file::{SCHEMA, Store};
pub use fork::{Fork, Frozen, is_written_again};
pub use network::Peer;
pub use query::{ActionRow, By, PieceFilter, Reader};
pub use stock::{Signer, Snapshot, StockRow};
pub use write::{Draft, Ids, Tx};

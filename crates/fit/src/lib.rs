//! Will it fit, where, on which piece; whole orders on many pieces; what is left.

mod bound;
mod discs;
mod field;
pub mod find;
pub mod host;
mod knots;
mod lp;
mod num;
pub mod part;
pub mod piece;
pub mod plan;
pub mod remains;
mod runs;
mod scan;
mod search;
pub mod solve;
pub mod tidy;
pub mod turns;
pub mod verify;
pub mod watch;

pub use find::{Candidate, Fit, Options, Query, QueryAnswer, TooClose, find};
pub use host::{Host, Obstacle};
pub use part::Part;
pub use piece::{Grain, Signature};
pub use remains::{KeepFrom, Remains, RemainsError, remains};
pub use solve::{Caps, Reason, Verdict, solve};
pub use tidy::tidy;
pub use turns::{Span, Turns};
pub use verify::{Misfit, verify};
pub use watch::Watch;

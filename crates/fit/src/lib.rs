//! Will it fit, where, on which piece; whole orders on many pieces; what is left.
//!
//! [`find()`] asks for the smallest of many pieces; [`solve()`] answers for one part and one piece, from a [`Part`]
//! and a [`Host`] made ready once; [`verify()`] stands behind every placement that leaves the crate, with whole
//! numbers; [`nicest()`] and [`tidy()`] make a placement one that a person would choose. Below them: `search` (boxes of positions and
//! turns), `bound` (proofs over many constraints at once, by `lp`), `field` (distances), `knots` and `discs` (what
//! stands for a part). Nothing here knows a clock, a file or chance.

mod bound;
mod discs;
mod erosion;
mod field;
pub mod find;
pub mod host;
pub mod index;
mod knots;
mod lp;
pub mod needs;
pub mod nicest;
mod num;
mod pack;
pub mod part;
pub mod piece;
pub mod plan;
pub mod remains;
mod runs;
mod search;
pub mod solve;
mod squares;
pub mod straighten;
pub mod tidy;
pub mod turns;
pub mod verify;
pub mod watch;
mod widths;

pub use find::{Candidate, Fit, Options, Query, QueryAnswer, Stock, TooClose, find};
pub use host::{Host, Obstacle};
pub use index::Index;
pub use needs::Needs;
pub use nicest::{Lies, nicest};
pub use pack::{Strip, StripOptions, StripPart, strip};
pub use part::Part;
pub use piece::{Grain, Signature, StaleSignature};
pub use remains::{KeepFrom, Remains, RemainsError, remains, straight_remains};
pub use solve::{Caps, Reason, Verdict, solve};
pub use straighten::{Straightened, straighten};
pub use tidy::tidy;
pub use turns::{Span, Turns};
pub use verify::{Misfit, verify};
pub use watch::{Progress, Watch};

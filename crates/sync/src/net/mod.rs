//! The shop's network: devices that reach each other exchange directly, over TLS with keys that they know.
//!
//! One side serves, the other calls. Both show a certificate of their own making ([`Identity`]); each knows the other's
//! by its fingerprint since they were paired, and nothing else about it counts (no names, no dates, no authority).
//! They are paired by a code that is good once and for minutes ([`pair`]): it proves to both that nobody stands
//! between them, without ever being sent.
//!
//! Where others are is typed, or found ([`nearby`]).
//!
//! [`server`] holds the answers, as functions of a shop file and a request; [`Caller`] asks. How requests reach the
//! server is up to whoever listens.

mod caller;
mod identity;
pub mod nearby;
pub mod pair;
pub mod server;
pub mod tls;
pub mod wire;

pub use caller::{Caller, NetError};
pub use identity::{Fingerprint, Identity, IdentityError};

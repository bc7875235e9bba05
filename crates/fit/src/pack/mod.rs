//! Parts laid on a floor with overlaps, which are then taken out: the engine behind plans.

mod convex;
mod floor;
mod form;
mod outline;
mod probe;
mod rng;
mod separate;
mod settle;
mod strip;

pub(crate) use floor::{Effort, Floor, Item};
pub(crate) use form::{Form, Forms, Ground};
pub(crate) use outline::{ROUNDED_UM, of_part, of_piece, turns_to_try};
pub(crate) use rng::Rng;
pub(crate) use separate::{Diligence, Patience, Run, restore, separate};
pub(crate) use settle::settle;
pub use strip::{Strip, StripOptions, StripPart, strip};

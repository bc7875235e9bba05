//! How a person settled a conflict: which use of a piece happened, and what the others were.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Areas, OrderCharge};
use crate::event::Hash;

/// Of the holds and uses of one piece that contradict each other, one happened. For each other it is said what it
/// was; one that is not named, because it was not known, is a new conflict.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settled {
    /// The piece.
    pub piece: Uuid,
    /// The event that happened.
    pub happened: Hash,
    /// The others.
    pub others: Vec<Other>,
}

/// A hold or use that did not happen as it was recorded.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Other {
    pub event: Hash,
    pub was: Was,
}

/// What it was instead.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Was {
    /// Nothing: its order goes back to be planned.
    Nothing,
    /// The same use, recorded twice.
    Same {
        /// Its offcuts' codes are further names of those of the use that happened.
        names: Vec<OtherName>,
    },
    /// It used up another piece.
    Used(Split),
}

/// A piece that is another one under a second name.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OtherName {
    /// What was recorded twice.
    pub name: Uuid,
    /// What it is.
    pub is: Uuid,
}

/// How the cost and the area of the piece that was really used went to those who got them. Sums in minor units,
/// areas in twice µm².
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Split {
    /// The piece that was really used.
    pub piece: Uuid,
    /// What each order pays.
    pub charges: Vec<OrderCharge>,
    /// What each offcut that came of it carries.
    pub returned: Vec<Carried>,
    /// Written off.
    pub written_off: i64,
    /// Where the area went; none for a piece thrown away.
    pub areas: Option<Areas>,
}

/// What an offcut carries, minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Carried {
    pub piece: Uuid,
    pub cost: i64,
}

impl Settled {
    /// What became of one of the events; `None` for the one that happened and for those that are not named.
    pub fn was(&self, event: Hash) -> Option<&Was> {
        self.others.iter().find(|o| o.event == event && event != self.happened).map(|o| &o.was)
    }

    /// Every other piece that it changes: those really used, and both names of those recorded twice.
    pub fn pieces(&self) -> impl Iterator<Item = Uuid> + '_ {
        self.others.iter().flat_map(|o| match &o.was {
            Was::Nothing => Vec::new(),
            Was::Same { names } => names.iter().flat_map(|n| [n.name, n.is]).collect(),
            Was::Used(split) => vec![split.piece],
        })
    }
}

//! What labels need that is no piece: the address that codes begin with, and papers that people measured themselves.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The address that the content of codes begins with from now on; none: the code alone. The setting's UUID is the shop's.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct AddressSet {
    pub address: Option<String>,
}

/// A label paper that a person described. Lengths in µm.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PaperKept {
    pub paper: Uuid,
    pub name: String,
    pub dpi: u32,
    pub page_um: [i64; 2],
    pub inset_um: i64,
    pub columns: u32,
    pub rows: u32,
    pub label_um: [i64; 2],
    pub pitch_um: [i64; 2],
    /// From the left and the upper edge of the page to the first label.
    pub margin_um: [i64; 2],
}

/// A paper is not used any more.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct PaperDropped {
    pub paper: Uuid,
}

/// The labels of these pieces are lost or unreadable: new ones are due.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct LabelWanted {
    pub pieces: Vec<Uuid>,
}

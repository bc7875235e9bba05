//! What is said of materials and machines: how they are made, what they can do, what worked.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::MachineKind;

/// What sort of material it is: machines' limits go by it, and published tolerances.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Sort {
    Acrylic,
    Plywood,
    Mdf,
    Other,
}

impl Sort {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Acrylic, Self::Plywood, Self::Mdf, Self::Other];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Acrylic => "acrylic",
            Self::Plywood => "plywood",
            Self::Mdf => "mdf",
            Self::Other => "other",
        }
    }
}

/// How a plastic sheet was made: cast and extruded ones cut and engrave differently.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Made {
    Cast,
    Extruded,
}

impl Made {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Cast => "cast",
            Self::Extruded => "extruded",
        }
    }
}

/// A material, machine or rack is no longer used for anything new, or is again. What is recorded of it stays.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Retired {
    pub thing: Uuid,
    pub retired: bool,
    pub why: Option<String>,
}

/// The most thickness of one sort of material that a machine cuts, µm.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct SortLimit {
    pub sort: Sort,
    pub most_um: i64,
}

/// Some fields of a machine changed; those left out stay. µm.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MachineChanged {
    /// The bed.
    pub bed_um: Option<[i64; 2]>,
    /// How it cuts.
    pub kind: Option<MachineKind>,
    /// The most thickness of any material.
    pub max_thickness_um: Option<i64>,
    /// The most thickness of one sort of material each, in the place of those before.
    pub limits: Option<Vec<SortLimit>>,
    /// Above this thickness the focus is set another way; 0: at none.
    pub focus_above_um: Option<i64>,
}

/// What worked for a material on a machine.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CuttingNoted {
    /// The material.
    pub material: Uuid,
    /// Power in hundredths of a percent.
    pub power: Option<u32>,
    /// Speed, µm a second.
    pub speed_um_s: Option<i64>,
    /// How often each line is gone over.
    pub passes: u32,
    /// Air, as people say it.
    pub air: Option<String>,
    /// Lens, bit or focus.
    pub lens: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// Who found it out.
    pub by: Option<String>,
}

//! What the books record beyond receiving and cutting: what is on order, deliveries, later costs and credits, claims,
//! corrections, write-downs, what was found again or handed back, film.

use serde::{Deserialize, Serialize};
use sheetloft_shapes::Shape;
use uuid::Uuid;

use super::Born;

/// What a delivery's freight was shared by.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum FreightBy {
    #[default]
    Weight,
    /// Where the density of a material is missing.
    Area,
    /// On request.
    Value,
}

impl FreightBy {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Weight => "weight",
            Self::Area => "area",
            Self::Value => "value",
        }
    }
}

/// Sheets that were asked for from a supplier. Lengths in µm, money in minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OnOrderLine {
    pub line: Uuid,
    pub material: Uuid,
    pub w_um: i64,
    pub h_um: i64,
    pub sheets: u32,
    pub unit_cost: Option<i64>,
}

/// Sheets are on order: a delivery that is to come.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OnOrder {
    pub delivery: Uuid,
    /// What people call it: the number of the purchase.
    pub name: String,
    pub supplier: Option<String>,
    /// A date, `YYYY-MM-DD`.
    pub due: Option<String>,
    pub lines: Vec<OnOrderLine>,
}

/// What of an order to a supplier has not come will not come.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OnOrderDropped {
    pub delivery: Uuid,
    pub why: String,
}

/// A delivery as a whole; its lines are `received` events. Money in minor units, weights in grams.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Delivered {
    pub delivery: Uuid,
    /// What people call it: the number of the delivery note.
    pub name: String,
    pub supplier: Option<String>,
    pub freight: i64,
    pub freight_by: FreightBy,
    pub duty: i64,
    /// As the delivery note has it.
    pub note_weight_g: Option<i64>,
    /// As the pallet was weighed.
    pub weighed_g: Option<i64>,
}

/// A change of what one piece carries, minor units.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CostShare {
    pub piece: Uuid,
    pub amount: i64,
}

/// A cost (above 0) or a credit (below 0) for a lot that came after it, shared over its sheets. A share changes what its
/// piece carries; where that is used up already, the share is written off with it. `written_off`: what belongs to no
/// sheet that is in the books. `amount` = Σ `shares` + `written_off`. Minor units.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct LotAdjusted {
    pub lot: Uuid,
    pub amount: i64,
    pub shares: Vec<CostShare>,
    pub written_off: i64,
    pub why: String,
    /// The claim that it answers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub claim: Option<Uuid>,
}

/// Something is claimed from the supplier. No money moves before the credit comes.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Claimed {
    pub lot: Uuid,
    pub claim: Uuid,
    /// What is expected, minor units.
    pub amount: i64,
    pub why: String,
}

/// A sheet was booked in and never came: it leaves the books, and what it carries leaves what was received.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Withdrawn {
    pub piece: Uuid,
    pub lot: Uuid,
    /// What it carried, minor units.
    pub amount: i64,
    pub why: String,
}

/// What was said of a delivery line was wrong: what is right, and the differences. Minor units, µm. What was received
/// changes by Σ `shares` + Σ costs of `born` + `damaged_off`.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LotCorrected {
    /// The lot.
    pub lot: Uuid,
    /// Of what material; what is born inherits it.
    pub material: Uuid,
    /// Its name from now on.
    pub name: String,
    /// From whom.
    pub supplier: Option<String>,
    /// Measured thickness.
    pub thickness_um: Option<i64>,
    /// Sheets that arrived, damaged ones included.
    pub sheets: u32,
    /// Sheets damaged on arrival.
    pub damaged: u32,
    /// Invoiced for the line.
    pub line_total: i64,
    /// Freight for the line.
    pub freight: i64,
    /// Duty for the line.
    pub duty: i64,
    /// What its sheets carry more or less; of those that are used up already it is written off.
    pub shares: Vec<CostShare>,
    /// What was written off on arrival more or less.
    pub damaged_off: i64,
    /// Sheets that came and were not booked in.
    pub born: Vec<Born>,
    /// Why.
    pub why: String,
    /// Where size or material had been said wrong: what the sheets really are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub really: Option<SheetsAre>,
}

/// What sheets of a lot really are; their material is that of the correction. A use of one of them that did not know of
/// it stands as it is, with the outline that it saw.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetsAre {
    /// The sheets, nobody's use among them.
    pub pieces: Vec<Uuid>,
    /// Their outline.
    pub shape: Shape,
    /// Direction of their grain, microdegrees; none where there is none.
    pub grain_udeg: Option<i64>,
}

/// A piece is worth less than it carries and stays on hand, and nobody else may have said so: two such that did not know
/// of each other contradict each other, as does one that did not know of a use or a promise.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct WrittenDownTo {
    pub piece: Uuid,
    /// What it carries from then on, minor units.
    pub to: i64,
    /// By so much less, minor units; above 0.
    pub amount: i64,
    pub why: String,
}

/// A piece is worth less than it carries and stays on hand; all such of one piece add up. Not written any more.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct WrittenDown {
    pub piece: Uuid,
    /// By so much, minor units; above 0.
    pub amount: i64,
    pub why: String,
}

/// A piece that was thrown away, as the books have it, is there: the writing off no longer counts.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct FoundAgain {
    pub piece: Uuid,
    /// The event that wrote it off.
    pub of: crate::event::Hash,
    pub rack: Option<Uuid>,
}

/// A customer's own piece goes back to the customer.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct HandedBack {
    pub piece: Uuid,
    pub why: Option<String>,
}

/// Which faces of a piece have their protective film.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FilmNoted {
    /// The piece.
    pub piece: Uuid,
    /// On its face.
    pub face: bool,
    /// On its back.
    pub back: bool,
    /// Since when it is on, `YYYY-MM-DD`; old film is hard to peel.
    pub since: Option<String>,
}

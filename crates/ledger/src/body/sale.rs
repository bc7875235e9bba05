//! What is said of an order as a sale: what was quoted and asked for it, that it is done with.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What the customer is asked for an order, minor units; none: not said any more.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OrderPriced {
    pub order: Uuid,
    pub price: Option<i64>,
}

/// An order is closed, or open again.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct OrderClosed {
    pub order: Uuid,
    pub closed: bool,
}

/// What was quoted to the customer, word for word. Sums in minor units, areas in twice µm².
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quoted {
    /// The order.
    pub order: Uuid,
    /// What this quote is called: the device's tag and a number.
    pub name: String,
    /// The plan that it goes by.
    pub plan: Option<Uuid>,
    /// What is asked for, line by line.
    pub lines: Vec<QuotedLine>,
    /// The material in it.
    pub material: i64,
    /// What is asked altogether.
    pub total: i64,
    /// What the material costs by the books, where a plan says which pieces.
    pub cost: Option<i64>,
    /// What else it says.
    pub notes: Vec<String>,
}

/// A line of a quote.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct QuotedLine {
    pub text: String,
    pub area2: Option<i64>,
    pub sum: i64,
}

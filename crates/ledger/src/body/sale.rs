//! What is said of an order as a sale: what was asked for it, that it is done with.

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

//! Who works with the shop: people on shared devices, and which devices are let in.

use serde::{Deserialize, Serialize};

/// What a person may do. Each may do what those below it may.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Look, scan and search; no sums of money.
    Viewer,
    /// The work with material too: receive, move, count, plan, cut, label.
    Hand,
    /// Everything: money, people, devices, settings.
    Owner,
}

/// Somebody works here.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PersonAdded {
    /// What they are called.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Whether they see what things cost although their role alone does not show it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub costs: bool,
    /// The hash of their PIN (Argon2id, as a PHC string); none: no PIN is asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pin: Option<String>,
}

/// Something about a person is different now; what is not said stays.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PersonChanged {
    /// Their name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What they may do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Whether they see costs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub costs: Option<bool>,
    /// The hash of another PIN.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pin: Option<String>,
    /// Whether they have left.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<bool>,
}

/// Whether a device is let in. One that is not gets nothing from devices of the shop any more; what it did stays.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviceTrusted {
    /// Whether it is.
    pub trusted: bool,
}

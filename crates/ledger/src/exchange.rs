//! What devices say to each other: who has what of whom, and events with their seals.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::event::{Hash, Thing};

/// What is here of one device's events.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Have {
    /// The end of the unbroken run from 1: every event up to it is here. Never the highest number seen.
    pub run: u64,
    /// The hash of the event at its end: two copies of a device may have given the same numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<Hash>,
    /// Where two events with one number are known, the run ends before them; this says which ones are here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub forked: Option<Hash>,
}

/// What is here, by device.
pub type Runs = BTreeMap<Uuid, Have>;

/// An event as it is stored and passed on, with its device's seal where it has one.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sealed {
    /// Its bytes, never written anew.
    pub bytes: Vec<u8>,
    /// Ed25519 over its hash: the last event of an action has it. It covers the device's events before.
    pub seal: Option<[u8; 64]>,
}

/// What came of taking events in.
#[derive(Clone, Default, Debug)]
pub struct TakenIn {
    /// Events that were not here before.
    pub new: u64,
    /// What changed by those that have effect.
    pub changed: Vec<Thing>,
    /// Events that were not let in.
    pub refused: Vec<Refused>,
}

/// An event that was not let in, and why. Nothing of its device after it is taken either.
#[derive(Clone, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub struct Refused {
    pub device: Uuid,
    pub number: u64,
    pub why: WhyRefused,
}

/// Why an event was not let in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum WhyRefused {
    /// Its bytes are no event, or its body does not fit its kind.
    Unreadable(String),
    /// It is of another shop.
    OtherShop,
    /// No seal of its device covers it: it was changed, forged, or is not complete yet.
    NotSealed,
}

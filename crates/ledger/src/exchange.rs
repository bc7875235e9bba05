//! What devices say to each other: who has what of whom, and events with their seals.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::event::{Hash, Thing};
use crate::fold::Standing;

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

/// A part of a *start*: what one device has, with what all of it comes to, for a new device to begin with. It saves
/// folding the whole history anew, and is no more than that: without it, a new device is only slower.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Part {
    /// Events in the order in which they took effect there, and how each stands.
    Events(Vec<(Sealed, Standing)>),
    /// Things as they are stored, after all of the events.
    Things(Vec<Stored>),
    /// The end.
    End {
        /// The device that made it.
        device: Uuid,
        /// SHA-256 of everything before.
        hash: Hash,
        /// That device's seal over it.
        seal: [u8; 64],
    },
}

/// A thing as it is stored.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Stored {
    /// Which.
    pub thing: Thing,
    /// Whether it waits for a newer program.
    pub frozen: bool,
    /// Its state as JSON; none where its birth was taken back.
    pub state: Option<String>,
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

//! Counting what is in a rack: the bodies of its events, and what they add up to.
//!
//! A count is a thing of its own, so that several people and devices add to it at once. All of its kinds are shared:
//! what one device saw and what another did are joined, whatever came first. While it goes on, what is missing and what
//! was not expected follows from the sets; what was told at its end is kept.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::event::Event;

/// Most pieces named in one event of a count: above that, several follow each other in one action.
pub const PIECES_PER_EVENT: usize = 5_000;
/// Most labels read in one count that are no piece of the shop.
pub const UNKNOWN_PER_COUNT: usize = 2_000;

/// A count of a rack begins.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountStarted {
    pub count: Uuid,
    pub rack: Uuid,
}

/// What the books say is there; part of the action that starts the count.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountExpected {
    pub count: Uuid,
    pub pieces: Vec<Uuid>,
}

/// These labels were read there.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountSeen {
    pub count: Uuid,
    pub pieces: Vec<Uuid>,
    /// Those of the pieces that were used up or written off by the books when their labels were read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gone: Vec<Uuid>,
    /// What was read and is no piece of this shop.
    pub unknown: Vec<String>,
}

/// The count rests, or goes on.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountPaused {
    pub count: Uuid,
    pub paused: bool,
}

/// What of a count is settled.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Counted {
    Piece(Uuid),
    Unknown(String),
}

/// How it was settled. What that changes is an event of its own in the same action.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Settled {
    /// It was not expected and belongs here from now on.
    MovedHere,
    /// It was missing and stands in that rack.
    MovedTo(Uuid),
    /// It was missing and is gone: written off, minor units.
    WrittenOff(i64),
    /// It was missing and has turned up here.
    Seen,
    /// By the books it was used up or written off; it is in stock again as this piece.
    FoundAgain(Uuid),
    /// The unreadable label was this piece's; a new one is due.
    Relabelled(Uuid),
    /// Looked at and left as it is.
    Left,
}

/// One thing of a count is settled.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountSettled {
    pub count: Uuid,
    pub what: Counted,
    pub how: Settled,
}

/// The count is finished; which differences its person was told.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct CountFinished {
    pub count: Uuid,
    pub missing: Vec<Uuid>,
    pub unexpected: Vec<Uuid>,
}

/// What was told when a count was finished.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Told {
    pub at_ms: u64,
    pub missing: BTreeSet<Uuid>,
    pub unexpected: BTreeSet<Uuid>,
}

/// When and by which device something was read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Read {
    pub at_ms: u64,
    pub device: Uuid,
}

/// What a count has come to.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Count {
    pub id: Uuid,
    pub rack: Uuid,
    /// What the books said was there when it began.
    pub expected: BTreeSet<Uuid>,
    pub seen: BTreeMap<Uuid, Read>,
    /// Those of what was seen that the books said was gone.
    pub gone: BTreeSet<Uuid>,
    /// Texts that are no piece of this shop.
    pub unknown: BTreeMap<String, Read>,
    pub settled: Vec<CountSettled>,
    pub paused: bool,
    pub at_ms: u64,
    pub finished: Option<Told>,
}

impl Count {
    /// How a difference was settled last.
    pub fn settled(&self, what: &Counted) -> Option<&Settled> {
        self.settled.iter().rev().find(|s| s.what == *what).map(|s| &s.how)
    }

    /// The same, with what other counts of the rack have: two that were started without knowing of each other are one.
    pub fn joined(mut self, other: Self) -> Self {
        self.expected.extend(other.expected);
        self.gone.extend(other.gone);
        for (piece, read) in other.seen {
            self.seen.entry(piece).or_insert(read);
        }
        for (text, read) in other.unknown {
            self.unknown.entry(text).or_insert(read);
        }
        self.settled.extend(other.settled);
        self.paused &= other.paused;
        self.at_ms = self.at_ms.min(other.at_ms);
        self.finished = match (self.finished, other.finished) {
            (Some(mut a), Some(b)) => {
                a.at_ms = a.at_ms.max(b.at_ms);
                a.missing.extend(b.missing);
                a.unexpected.extend(b.unexpected);
                Some(a)
            }
            (a, b) => a.or(b),
        };
        self
    }
}

/// What happened, as far as a count is concerned.
pub(crate) enum Step<'a> {
    Started(&'a CountStarted),
    Expected(&'a CountExpected),
    Seen(&'a CountSeen),
    Paused(&'a CountPaused),
    Settled(&'a CountSettled),
    Finished(&'a CountFinished),
}

/// The count after an event. What only adds to a set comes to the same in any order; of what replaces, the last in the
/// order of the fold counts.
pub(crate) fn step(count: Option<Count>, id: Uuid, event: &Event, step: Step<'_>) -> Option<Count> {
    let read = Read { at_ms: event.envelope.clock.ms, device: event.envelope.device };
    if let Step::Started(b) = step {
        return Some(Count {
            id,
            rack: b.rack,
            expected: BTreeSet::new(),
            seen: BTreeMap::new(),
            gone: BTreeSet::new(),
            unknown: BTreeMap::new(),
            settled: Vec::new(),
            paused: false,
            at_ms: read.at_ms,
            finished: None,
        });
    }
    let mut count = count?;
    match step {
        Step::Started(_) => {}
        Step::Expected(b) => count.expected.extend(&b.pieces),
        Step::Seen(b) => {
            for piece in &b.pieces {
                count.seen.entry(*piece).or_insert(read);
            }
            count.gone.extend(&b.gone);
            for text in &b.unknown {
                count.unknown.entry(text.clone()).or_insert(read);
            }
        }
        Step::Paused(b) => count.paused = b.paused,
        Step::Settled(b) => count.settled.push(b.clone()),
        Step::Finished(b) => {
            let told = count.finished.get_or_insert_with(|| Told {
                at_ms: read.at_ms,
                missing: BTreeSet::new(),
                unexpected: BTreeSet::new(),
            });
            told.at_ms = told.at_ms.max(read.at_ms);
            told.missing.extend(&b.missing);
            told.unexpected.extend(&b.unexpected);
        }
    }
    Some(count)
}

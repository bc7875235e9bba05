//! The envelope of an event: immutable, hashed as stored, chained by device and by the things it touches.

use std::collections::HashSet;
use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::body::{Body, BodyError};
use crate::limits;

/// SHA-256 of an event's stored bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// The hash of these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// Reads 64 hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let mut out = [0; 32];
        if text.len() != 64 || !text.is_ascii() {
            return None;
        }
        for (i, byte) in out.iter_mut().enumerate() {
            *byte = u8::from_str_radix(&text[2 * i..2 * i + 2], 16).ok()?;
        }
        Some(Self(out))
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:.8}")
    }
}

impl Serialize for Hash {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Hash {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        Self::from_hex(&text).ok_or_else(|| D::Error::custom("a hash is 64 hexadecimal digits"))
    }
}

/// The kinds of thing that events touch.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum ThingKind {
    Piece,
    Lot,
    Delivery,
    Order,
    Plan,
    Rack,
    Material,
    Machine,
    Count,
    Person,
    Setting,
    Device,
}

impl ThingKind {
    /// Every kind of thing.
    pub const ALL: [Self; 12] = [
        Self::Piece,
        Self::Lot,
        Self::Delivery,
        Self::Order,
        Self::Plan,
        Self::Rack,
        Self::Material,
        Self::Machine,
        Self::Count,
        Self::Person,
        Self::Setting,
        Self::Device,
    ];

    /// The kind's word, as in events.
    pub fn word(self) -> &'static str {
        match self {
            Self::Piece => "piece",
            Self::Lot => "lot",
            Self::Delivery => "delivery",
            Self::Order => "order",
            Self::Plan => "plan",
            Self::Rack => "rack",
            Self::Material => "material",
            Self::Machine => "machine",
            Self::Count => "count",
            Self::Person => "person",
            Self::Setting => "setting",
            Self::Device => "device",
        }
    }

    /// The kind with this word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One thing: its kind and UUID.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Thing {
    /// What kind of thing.
    pub kind: ThingKind,
    /// Which one.
    pub id: Uuid,
}

impl Thing {
    /// A thing from its kind and UUID.
    pub const fn new(kind: ThingKind, id: Uuid) -> Self {
        Self { kind, id }
    }

    /// A piece, what most things are.
    pub const fn piece(id: Uuid) -> Self {
        Self::new(ThingKind::Piece, id)
    }
}

/// That an event changes a thing, and on top of which events of that thing it was made.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Touch {
    /// The thing changed.
    #[serde(flatten)]
    pub thing: Thing,
    /// All heads of that thing known when the event was made, sorted; empty at its birth.
    pub parents: Vec<Hash>,
}

/// A hybrid logical clock: milliseconds since 1970 and a counter within one. Shown, never decides.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
#[serde(from = "(u64, u32)", into = "(u64, u32)")]
pub struct Clock {
    /// Milliseconds since 1970-01-01 UTC.
    pub ms: u64,
    /// Counts events within a millisecond, or while the wall clock stands behind.
    pub count: u32,
}

impl From<(u64, u32)> for Clock {
    fn from((ms, count): (u64, u32)) -> Self {
        Self { ms, count }
    }
}

impl From<Clock> for (u64, u32) {
    fn from(clock: Clock) -> Self {
        (clock.ms, clock.count)
    }
}

impl Clock {
    /// The next reading after `self`, given the wall clock: never runs backwards.
    pub fn tick(self, wall_ms: u64) -> Self {
        if wall_ms > self.ms {
            Self { ms: wall_ms, count: 0 }
        } else {
            Self { ms: self.ms, count: self.count.saturating_add(1) }
        }
    }
}

/// Everything about an event but what happened.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Envelope {
    /// The shop.
    pub shop: Uuid,
    /// The device that wrote it.
    pub device: Uuid,
    /// 1, 2, … on that device.
    pub number: u64,
    /// The device's event before; none for its first.
    pub prev: Option<Hash>,
    /// UUIDv7 of the event.
    pub id: Uuid,
    /// The action it is part of.
    pub action: Uuid,
    /// More events of the same action follow.
    pub more: bool,
    /// When, as the device believed.
    pub clock: Clock,
    /// Who, where people are told apart.
    pub person: Option<Uuid>,
    /// What kind of event.
    pub kind: String,
    /// The version of that kind.
    pub version: u32,
    /// What it changes.
    pub touches: Vec<Touch>,
}

/// An event: its bytes' hash, its envelope, and its body where this program knows the kind.
#[derive(Clone, PartialEq, Debug)]
pub struct Event {
    /// SHA-256 of the stored bytes.
    pub hash: Hash,
    /// Everything but what happened.
    pub envelope: Envelope,
    /// What happened; `None` where the kind or version is unknown to this program.
    pub body: Option<Body>,
}

/// Why bytes are not an event.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum EventError {
    #[error("the event is not readable: {0}")]
    Unreadable(#[from] serde_json::Error),
    #[error("the event has {bytes} bytes; at most {most} are taken")]
    TooLarge { bytes: usize, most: usize },
    #[error("the event's body does not fit its kind: {0}")]
    Body(#[from] BodyError),
    #[error("the event has the number {0}")]
    Number(u64),
    #[error("the event touches {0} twice")]
    Twice(Uuid),
}

impl Event {
    /// Writes an event: its bytes as they will be stored and passed on, and the event itself.
    pub fn write(envelope: Envelope, body: Body) -> Result<(Vec<u8>, Self), EventError> {
        #[derive(Serialize)]
        struct Out<'a> {
            shop: Uuid,
            device: Uuid,
            number: u64,
            prev: Option<Hash>,
            id: Uuid,
            action: Uuid,
            #[serde(skip_serializing_if = "std::ops::Not::not")]
            more: bool,
            clock: Clock,
            #[serde(skip_serializing_if = "Option::is_none")]
            person: Option<Uuid>,
            kind: &'a str,
            version: u32,
            touches: &'a [Touch],
            body: &'a RawValue,
        }
        let e = &envelope;
        let raw = body.encode()?;
        let bytes = serde_json::to_vec(&Out {
            shop: e.shop,
            device: e.device,
            number: e.number,
            prev: e.prev,
            id: e.id,
            action: e.action,
            more: e.more,
            clock: e.clock,
            person: e.person,
            kind: &e.kind,
            version: e.version,
            touches: &e.touches,
            body: &raw,
        })?;
        if bytes.len() > limits::EVENT_BYTES {
            return Err(EventError::TooLarge { bytes: bytes.len(), most: limits::EVENT_BYTES });
        }
        Ok((bytes.clone(), Self { hash: Hash::of(&bytes), envelope, body: Some(body) }))
    }

    /// Reads an event from its stored bytes. An unknown kind or version is read without its body.
    pub fn read(bytes: &[u8]) -> Result<Self, EventError> {
        #[derive(Deserialize)]
        struct In {
            shop: Uuid,
            device: Uuid,
            number: u64,
            prev: Option<Hash>,
            id: Uuid,
            action: Uuid,
            #[serde(default)]
            more: bool,
            clock: Clock,
            #[serde(default)]
            person: Option<Uuid>,
            kind: String,
            version: u32,
            touches: Vec<Touch>,
            body: Box<RawValue>,
        }
        if bytes.len() > limits::EVENT_BYTES {
            return Err(EventError::TooLarge { bytes: bytes.len(), most: limits::EVENT_BYTES });
        }
        let i: In = serde_json::from_slice(bytes)?;
        // What could not be stored is not taken from anybody.
        if i.number == 0 || i64::try_from(i.number).is_err() {
            return Err(EventError::Number(i.number));
        }
        let mut touched = HashSet::new();
        if let Some(twice) = i.touches.iter().find(|t| !touched.insert(t.thing.id)) {
            return Err(EventError::Twice(twice.thing.id));
        }
        let body = Body::decode(&i.kind, i.version, &i.body)?;
        let envelope = Envelope {
            shop: i.shop,
            device: i.device,
            number: i.number,
            prev: i.prev,
            id: i.id,
            action: i.action,
            more: i.more,
            clock: i.clock,
            person: i.person,
            kind: i.kind,
            version: i.version,
            touches: i.touches,
        };
        Ok(Self { hash: Hash::of(bytes), envelope, body })
    }

    /// The parents of this event within one thing; empty if it does not touch it.
    pub fn parents_in(&self, thing: Thing) -> &[Hash] {
        self.envelope.touches.iter().find(|t| t.thing == thing).map_or(&[], |t| &t.parents)
    }

    /// The things it touches.
    pub fn things(&self) -> impl Iterator<Item = Thing> + '_ {
        self.envelope.touches.iter().map(|t| t.thing)
    }

    /// Every event it needs before it can take effect: its device's event before, and all parents.
    pub fn needs(&self) -> impl Iterator<Item = Hash> + '_ {
        self.envelope.prev.into_iter().chain(self.envelope.touches.iter().flat_map(|t| t.parents.iter().copied()))
    }

    /// Whether it takes another action back.
    pub fn is_undo(&self) -> bool {
        matches!(self.body, Some(Body::Undone(_)))
    }
}

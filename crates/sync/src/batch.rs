//! A batch: events with their seals as they travel, whatever carries them.
//!
//! ```text
//! "sheetloft batch 1\n"
//! for each event: length (u32, big-endian), 1 where a seal follows else 0, the event's bytes, the seal (64 bytes)
//! SHA-256 of everything before
//! ```
//! A batch that was cut short, or changed on the way, does not end in its own hash.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sheetloft_ledger::event::Hash;
use sheetloft_ledger::exchange::Sealed;
use uuid::Uuid;

use crate::limits;

const MARK: &[u8] = b"sheetloft batch ";
const VERSION: &[u8] = b"1\n";
const HASH: usize = 32;

/// Why bytes are not a batch.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum BatchError {
    #[error("the batch is damaged or not complete")]
    Damaged,
    #[error("the batch was written by a newer program")]
    Newer,
    #[error("the batch is too large")]
    TooLarge,
}

/// Events as they travel.
pub fn write<'a>(events: impl IntoIterator<Item = &'a Sealed, IntoIter: Clone>) -> Vec<u8> {
    let events = events.into_iter();
    let size: usize = events.clone().map(|e| e.bytes.len() + 69).sum();
    let mut out = Vec::with_capacity(MARK.len() + VERSION.len() + size + HASH);
    out.extend_from_slice(MARK);
    out.extend_from_slice(VERSION);
    for event in events {
        // An event has at most 1 MiB.
        out.extend_from_slice(&u32::try_from(event.bytes.len()).unwrap_or(u32::MAX).to_be_bytes());
        out.push(u8::from(event.seal.is_some()));
        out.extend_from_slice(&event.bytes);
        if let Some(seal) = &event.seal {
            out.extend_from_slice(seal);
        }
    }
    let hash = Sha256::digest(&out);
    out.extend_from_slice(&hash);
    out
}

/// Reads a batch whole, or not at all. What its events are worth is for whoever takes them in to check.
pub fn read(bytes: &[u8]) -> Result<Vec<Sealed>, BatchError> {
    if bytes.len() > limits::BATCH_BYTES_TAKEN {
        return Err(BatchError::TooLarge);
    }
    let (body, hash) = bytes.split_at_checked(bytes.len().saturating_sub(HASH)).ok_or(BatchError::Damaged)?;
    let rest = body.strip_prefix(MARK).ok_or(BatchError::Damaged)?;
    if Sha256::digest(body)[..] != *hash {
        return Err(BatchError::Damaged);
    }
    let mut rest = rest.strip_prefix(VERSION).ok_or(BatchError::Newer)?;
    let mut take = |n: usize| -> Result<&[u8], BatchError> {
        let (taken, left) = rest.split_at_checked(n).ok_or(BatchError::Damaged)?;
        rest = left;
        Ok(taken)
    };
    let mut events = Vec::new();
    while let Ok(head) = take(5) {
        let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let sealed = match head[4] {
            0 => false,
            1 => true,
            _ => return Err(BatchError::Damaged),
        };
        if length > limits::EVENT_BYTES {
            return Err(BatchError::TooLarge);
        }
        let bytes = take(length)?.to_vec();
        let seal = if sealed { take(64)?.try_into().ok() } else { None };
        events.push(Sealed { bytes, seal });
    }
    match rest.is_empty() {
        true => Ok(events),
        false => Err(BatchError::Damaged),
    }
}

/// A row of one device's events without a gap.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Range {
    pub device: Uuid,
    pub from: u64,
    pub to: u64,
    /// The hash of the last one; it stands for all before it.
    pub last: Hash,
}

/// Which numbers of which devices are among these events; what cannot be read is left out.
pub fn ranges(events: &[Sealed]) -> Vec<Range> {
    let mut all: BTreeMap<(Uuid, u64, Hash), Option<Hash>> = BTreeMap::new();
    for event in events {
        if let Some(head) = Head::of(event) {
            all.insert((head.device, head.number, Hash::of(&event.bytes)), head.prev);
        }
    }
    let mut found: Vec<Range> = Vec::new();
    for ((device, number, hash), prev) in all {
        match found.last_mut() {
            Some(last) if last.device == device && last.to + 1 == number && prev == Some(last.last) => {
                (last.to, last.last) = (number, hash);
            }
            _ => found.push(Range { device, from: number, to: number, last: hash }),
        }
    }
    found
}

/// As much of an event's envelope as says whose it is.
#[derive(Deserialize)]
pub(crate) struct Head {
    pub device: Uuid,
    pub number: u64,
    prev: Option<Hash>,
}

impl Head {
    pub fn of(event: &Sealed) -> Option<Self> {
        serde_json::from_slice(&event.bytes).ok()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn event(text: &str, seal: Option<u8>) -> Sealed {
        Sealed { bytes: text.as_bytes().to_vec(), seal: seal.map(|b| [b; 64]) }
    }

    #[test]
    fn the_form_is_fixed() {
        let bytes = write(&[event("ab", None), event("c", Some(7))]);
        let mut want = b"sheetloft batch 1\n\0\0\0\x02\0ab\0\0\0\x01\x01c".to_vec();
        want.extend([7; 64]);
        let hash = Sha256::digest(&want);
        want.extend_from_slice(&hash);
        assert_eq!(bytes, want);
    }

    #[test]
    fn a_newer_version_is_told_from_damage() {
        let mut newer = b"sheetloft batch 2\nwhatever".to_vec();
        let hash = Sha256::digest(&newer);
        newer.extend_from_slice(&hash);
        assert_eq!(read(&newer), Err(BatchError::Newer));
        for damaged in [&b""[..], b"x", &[0; 100], &newer[..newer.len() - 1]] {
            assert_eq!(read(damaged), Err(BatchError::Damaged));
        }
    }

    proptest! {
        #[test]
        fn what_was_written_is_read_and_any_change_is_found(
            texts in prop::collection::vec(("[a-z]{0,40}", prop::option::of(any::<u8>())), 0..6),
            at in any::<prop::sample::Index>(),
            cut: bool,
        ) {
            let events: Vec<Sealed> = texts.iter().map(|(t, s)| event(t, *s)).collect();
            let mut bytes = write(&events);
            prop_assert_eq!(read(&bytes), Ok(events));
            let at = at.index(bytes.len());
            if cut { bytes.truncate(at) } else { bytes[at] ^= 0x10 }
            prop_assert!(read(&bytes).is_err());
        }
    }
}

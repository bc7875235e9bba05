//! A start: what one device has, with what all of it comes to, in one file. A new device begins with it and takes the
//! rest event by event.
//!
//! ```text
//! "sheetloft start 1\n"
//! length (u32, big-endian), then as JSON: the shop, the device that made it, the form of what is stored, how many events
//! for each part: 1 for events or 2 for things, its length packed and unpacked (u32 each), the part packed (zlib)
//! 0, the seal of that device (64 bytes) over SHA-256 of everything before the 0
//! ```
//! Unpacked, events are a row of standings (one byte each) behind their count (u32), then a [`crate::batch`]; things are
//! one after the other: length of the kind's word (u8), the word, UUID, 1 where it waits for a newer program else 0,
//! length of the state plus one (u32; 0 where there is none), the state as JSON.
//!
//! A start is only ever a shorter way: one that is missing, damaged, or of another form is left alone, and everything is
//! taken event by event.

use std::io::{self, BufReader, BufWriter, Read, Write};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use sheetloft_ledger::event::{Hash, Thing, ThingKind};
use sheetloft_ledger::exchange::{Part, Runs, Stored};
use sheetloft_ledger::fold::Standing;
use uuid::Uuid;

use crate::batch;
use crate::limits;
use crate::replica::Replica;

const MARK: &[u8] = b"sheetloft start 1\n";
const END: u8 = 0;
const EVENTS: u8 = 1;
const THINGS: u8 = 2;
/// Longest description at the beginning, in bytes.
const HEAD_BYTES: usize = 4 << 10;

/// What a start is of.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct Head {
    pub shop: Uuid,
    /// Which device made it.
    pub device: Uuid,
    /// The form in which things are stored: another one is of no use.
    pub form: u32,
    pub events: u64,
}

/// Why no start was made.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum NoStart<E> {
    #[error("the shop file")]
    Shop(E),
    #[error("{0}")]
    File(#[from] io::Error),
    /// Something waits here, or this file is nobody's.
    #[error("there is nothing to start from")]
    NotNow,
}

/// Writes a start to be left for others, where it is worth its room: the last one that lies there is of `before` events.
/// Of how many this one is; none where none is to be left. It is no more than a shorter way: where `to` cannot be had or
/// written, all is as it was.
pub(crate) fn leave<R: Replica, W: Write>(
    replica: &R,
    before: u64,
    to: impl FnOnce() -> io::Result<W>,
) -> Result<Option<(u64, W)>, R::Error> {
    let now = count(&replica.runs()?);
    if now < limits::START_EVENTS || now < before + before / 2 {
        return Ok(None);
    }
    let Ok(to) = to() else { return Ok(None) };
    let mut out = BufWriter::new(to);
    match write(replica, &mut out) {
        Ok(head) => Ok(out.into_inner().ok().map(|to| (head.events, to))),
        Err(NoStart::Shop(e)) => Err(e),
        Err(NoStart::File(_) | NoStart::NotNow) => Ok(None),
    }
}

/// How many events are here.
fn count(runs: &Runs) -> u64 {
    runs.values().map(|have| have.run).sum()
}

/// Writes what is here as a start.
///
/// # Errors
/// There is none to be made, or it cannot be written.
pub fn write<R: Replica>(replica: &R, to: &mut impl Write) -> Result<Head, NoStart<R::Error>> {
    let events = count(&replica.runs().map_err(NoStart::Shop)?);
    let head = Head { shop: replica.shop(), device: replica.device(), form: replica.form(), events };
    let json = serde_json::to_vec(&head).map_err(io::Error::from)?;
    let mut hasher = Sha256::new();
    let mut put = |bytes: &[u8]| {
        hasher.update(bytes);
        to.write_all(bytes)
    };
    put(MARK)?;
    put(&length(json.len())?)?;
    put(&json)?;
    let mut written = Ok(());
    let mut each = |part: Part| {
        written = pack(&part).and_then(|packed| put(&packed));
        written.is_ok()
    };
    if !replica.start(&mut each).map_err(NoStart::Shop)? {
        return Err(NoStart::NotNow);
    }
    written?;
    let seal = replica.seal(Hash(hasher.finalize().into())).ok_or(NoStart::NotNow)?;
    to.write_all(&[END])?;
    to.write_all(&seal)?;
    Ok(head)
}

fn length(bytes: usize) -> io::Result<[u8; 4]> {
    let too_large = |_| io::Error::from(io::ErrorKind::FileTooLarge);
    Ok(u32::try_from(bytes).map_err(too_large)?.to_be_bytes())
}

/// A part as it stands in the file.
fn pack(part: &Part) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let kind = match part {
        Part::Events(events) => {
            bytes.extend(length(events.len())?);
            bytes.extend(events.iter().map(|(_, standing)| standing.number()));
            bytes.extend(batch::write(events.iter().map(|(sealed, _)| sealed)));
            EVENTS
        }
        Part::Things(things) => {
            for Stored { thing, frozen, state } in things {
                let word = thing.kind.word().as_bytes();
                bytes.push(word.len() as u8);
                bytes.extend(word);
                bytes.extend(thing.id.as_bytes());
                bytes.push(u8::from(*frozen));
                let state = state.as_ref().map(|s| s.as_bytes());
                bytes.extend(length(state.map_or(0, |s| s.len() + 1))?);
                bytes.extend(state.unwrap_or_default());
            }
            THINGS
        }
        Part::End { .. } => return Err(io::ErrorKind::InvalidInput.into()),
    };
    if bytes.len() > limits::START_PART_BYTES_TAKEN {
        return Err(io::ErrorKind::FileTooLarge.into());
    }
    let mut packer = ZlibEncoder::new(Vec::new(), Compression::fast());
    packer.write_all(&bytes)?;
    let packed = packer.finish()?;
    let mut out = vec![kind];
    out.extend(length(packed.len())?);
    out.extend(length(bytes.len())?);
    out.extend(packed);
    Ok(out)
}

/// Begins a replica in which nothing is yet with a start: how many events came by that, or none where it was of no use
/// and nothing is changed.
///
/// # Errors
/// The shop file cannot be written.
pub fn begin<R: Replica>(from: impl Read, replica: &mut R) -> Result<Option<u64>, R::Error> {
    let mut reading = Reading { from: BufReader::new(from.take(limits::START_BYTES)), hasher: Sha256::new() };
    let Some(head) = reading.head().filter(|h| h.shop == replica.shop() && h.form == replica.form()) else {
        return Ok(None);
    };
    replica.begin_from(&mut Parts { reading, device: head.device, is_over: false })
}

/// What a start is of; none where that cannot be read.
pub fn read_head(from: impl Read) -> Option<Head> {
    Reading { from, hasher: Sha256::new() }.head()
}

/// Reads a start, and hashes what it has read.
struct Reading<R> {
    from: R,
    hasher: Sha256,
}

impl<R: Read> Reading<R> {
    fn exact<const N: usize>(&mut self) -> Option<[u8; N]> {
        let mut bytes = [0; N];
        self.from.read_exact(&mut bytes).ok()?;
        Some(bytes)
    }

    /// So many bytes, if they are no more than `most`.
    fn bytes(&mut self, count: u32, most: usize) -> Option<Vec<u8>> {
        let count = usize::try_from(count).ok().filter(|n| *n <= most)?;
        let mut bytes = Vec::new();
        self.from.by_ref().take(count as u64).read_to_end(&mut bytes).ok()?;
        self.hasher.update(&bytes);
        (bytes.len() == count).then_some(bytes)
    }

    fn length(&mut self) -> Option<u32> {
        let bytes = self.exact()?;
        self.hasher.update(bytes);
        Some(u32::from_be_bytes(bytes))
    }

    fn head(&mut self) -> Option<Head> {
        let mark: [u8; MARK.len()] = self.exact()?;
        self.hasher.update(mark);
        let length = Some(self.length()?).filter(|_| mark == MARK)?;
        serde_json::from_slice(&self.bytes(length, HEAD_BYTES)?).ok()
    }
}

/// The parts of a start, one after the other; `None` where one cannot be read, and nothing after it.
struct Parts<R> {
    reading: Reading<R>,
    device: Uuid,
    is_over: bool,
}

impl<R: Read> Parts<R> {
    fn part(&mut self) -> Option<Part> {
        let [kind] = self.reading.exact()?;
        if kind == END {
            self.is_over = true;
            let hash = Hash(self.reading.hasher.clone().finalize().into());
            return Some(Part::End { device: self.device, hash, seal: self.reading.exact()? });
        }
        self.reading.hasher.update([kind]);
        let (packed, unpacked) = (self.reading.length()?, self.reading.length()?);
        let packed = self.reading.bytes(packed, limits::START_PART_BYTES_TAKEN)?;
        let size = usize::try_from(unpacked).ok().filter(|n| *n <= limits::START_PART_BYTES_TAKEN)?;
        let mut bytes = Vec::new();
        ZlibDecoder::new(&packed[..]).take(size as u64 + 1).read_to_end(&mut bytes).ok()?;
        if bytes.len() != size {
            return None;
        }
        match kind {
            EVENTS => events(&bytes),
            THINGS => things(&bytes),
            _ => None,
        }
    }
}

impl<R: Read> Iterator for Parts<R> {
    type Item = Option<Part>;

    fn next(&mut self) -> Option<Option<Part>> {
        if self.is_over {
            return None;
        }
        let part = self.part();
        self.is_over |= part.is_none();
        Some(part)
    }
}

fn events(bytes: &[u8]) -> Option<Part> {
    let (count, rest) = bytes.split_first_chunk()?;
    let (standings, batch) = rest.split_at_checked(usize::try_from(u32::from_be_bytes(*count)).ok()?)?;
    let events = batch::read(batch).ok().filter(|events| events.len() == standings.len())?;
    let standings = standings.iter().map(|number| Standing::from_number(*number));
    events.into_iter().zip(standings).map(|(e, s)| Some((e, s?))).collect::<Option<_>>().map(Part::Events)
}

fn things(mut rest: &[u8]) -> Option<Part> {
    let mut take = |n: usize| -> Option<&[u8]> {
        let (taken, left) = rest.split_at_checked(n)?;
        rest = left;
        Some(taken)
    };
    let mut things = Vec::new();
    while let Some(&[word]) = take(1) {
        let kind = ThingKind::from_word(std::str::from_utf8(take(usize::from(word))?).ok()?)?;
        let thing = Thing::new(kind, Uuid::from_slice(take(16)?).ok()?);
        let frozen = match take(1)? {
            [0] => false,
            [1] => true,
            _ => return None,
        };
        let length = usize::try_from(u32::from_be_bytes(take(4)?.try_into().ok()?)).ok()?;
        let state = match length.checked_sub(1) {
            Some(length) => Some(String::from_utf8(take(length)?.to_vec()).ok()?),
            None => None,
        };
        things.push(Stored { thing, frozen, state });
    }
    Some(Part::Things(things))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::convert::Infallible;

    use proptest::prelude::*;
    use sheetloft_ledger::exchange::{Have, Sealed, TakenIn};

    use super::*;

    /// What a start is made of, and what becomes of one.
    #[derive(Default)]
    struct Few {
        parts: Vec<Part>,
        form: u32,
    }

    fn seal(hash: Hash) -> [u8; 64] {
        let mut seal = [7; 64];
        seal[..32].copy_from_slice(&hash.0);
        seal
    }

    impl Replica for Few {
        type Error = Infallible;

        fn shop(&self) -> Uuid {
            Uuid::from_u128(1)
        }

        fn device(&self) -> Uuid {
            Uuid::from_u128(2)
        }

        fn runs(&self) -> Result<Runs, Infallible> {
            Ok(Runs::from([(self.device(), Have { run: 12, ..Have::default() })]))
        }

        fn lacking(&self, _: &Runs, _: usize) -> Result<Vec<Sealed>, Infallible> {
            Ok(Vec::new())
        }

        fn has(&self, _: Hash) -> Result<bool, Infallible> {
            Ok(false)
        }

        fn hash_at(&self, _: Uuid, _: u64) -> Result<Option<Hash>, Infallible> {
            Ok(None)
        }

        fn notes(&self, _: &str) -> Result<BTreeMap<String, String>, Infallible> {
            Ok(BTreeMap::new())
        }

        fn note(&mut self, _: &str, _: &BTreeMap<String, Option<String>>) -> Result<(), Infallible> {
            Ok(())
        }

        fn take_in(&mut self, _: Vec<Sealed>) -> Result<TakenIn, Infallible> {
            Ok(TakenIn::default())
        }

        fn form(&self) -> u32 {
            self.form
        }

        fn start(&self, each: &mut dyn FnMut(Part) -> bool) -> Result<bool, Infallible> {
            Ok(self.parts.iter().cloned().all(each))
        }

        fn seal(&self, hash: Hash) -> Option<[u8; 64]> {
            Some(seal(hash))
        }

        fn begin_from(&mut self, parts: &mut dyn Iterator<Item = Option<Part>>) -> Result<Option<u64>, Infallible> {
            let Some(mut parts) = parts.collect::<Option<Vec<Part>>>() else { return Ok(None) };
            let holds = |end: Part| matches!(end, Part::End { device, hash, seal: s } if device == self.device() && s == seal(hash));
            if !parts.pop().is_some_and(holds) {
                return Ok(None);
            }
            self.parts = parts;
            Ok(Some(self.parts.len() as u64))
        }
    }

    fn events() -> impl Strategy<Value = Part> {
        let event = ("[a-z]{0,40}", prop::option::of(any::<u8>()), 1_u8..6).prop_map(|(text, seal, standing)| {
            let sealed = Sealed { bytes: text.into_bytes(), seal: seal.map(|b| [b; 64]) };
            (sealed, Standing::from_number(standing).unwrap())
        });
        prop::collection::vec(event, 0..5).prop_map(Part::Events)
    }

    fn things() -> impl Strategy<Value = Part> {
        let kind = prop::sample::select(&ThingKind::ALL[..]);
        let thing =
            (kind, any::<u128>(), any::<bool>(), prop::option::of(".{0,30}")).prop_map(|(kind, id, frozen, state)| {
                Stored { thing: Thing::new(kind, Uuid::from_u128(id)), frozen, state }
            });
        prop::collection::vec(thing, 0..5).prop_map(Part::Things)
    }

    proptest! {
        #[test]
        fn what_was_written_is_read_and_any_change_is_found(
            parts in prop::collection::vec(prop_oneof![events(), things()], 0..4),
            at in any::<prop::sample::Index>(),
            cut: bool,
        ) {
            let few = Few { parts, form: 3 };
            let mut file = Vec::new();
            let head = write(&few, &mut file).unwrap();
            prop_assert_eq!(read_head(&file[..]), Some(head));
            let mut read = Few { form: 3, ..Few::default() };
            prop_assert_eq!(begin(&file[..], &mut read), Ok(Some(few.parts.len() as u64)));
            prop_assert_eq!(&read.parts, &few.parts);
            prop_assert_eq!(begin(&file[..], &mut Few::default()), Ok(None), "of another form");
            let at = at.index(file.len());
            if cut { file.truncate(at) } else { file[at] ^= 0x10 }
            prop_assert_eq!(begin(&file[..], &mut read), Ok(None));
        }
    }

    #[test]
    fn the_beginning_is_fixed() {
        let mut file = Vec::new();
        write(&Few { form: 3, ..Few::default() }, &mut file).unwrap();
        let head = br#"{"shop":"00000000-0000-0000-0000-000000000001","device":"00000000-0000-0000-0000-000000000002","form":3,"events":12}"#;
        let mut want = b"sheetloft start 1\n\0\0\0".to_vec();
        want.push(head.len() as u8);
        want.extend(head);
        let end = [vec![END], seal(Hash(Sha256::digest(&want).into())).to_vec()].concat();
        assert_eq!(file, [want, end].concat());
    }

    #[test]
    fn a_part_that_swells_up_is_not_read() {
        let mut packer = ZlibEncoder::new(Vec::new(), Compression::fast());
        packer.write_all(&vec![0; limits::START_PART_BYTES_TAKEN + 1]).unwrap();
        let packed = packer.finish().unwrap();
        let mut file = Vec::new();
        write(&Few::default(), &mut file).unwrap();
        file.truncate(file.len() - 65);
        let many = limits::START_PART_BYTES_TAKEN as u32 + 1;
        for (packed_says, says) in [(packed.len() as u32, 10), (packed.len() as u32, many), (u32::MAX, 10)] {
            let mut file = file.clone();
            file.push(EVENTS);
            file.extend(packed_says.to_be_bytes());
            file.extend(says.to_be_bytes());
            file.extend(&packed);
            let mut from = &file[..];
            assert_eq!(begin(&mut from, &mut Few::default()), Ok(None));
        }
    }
}

//! What is known of a folder's files since they were last read, so that an exchange reads what is new and little more.
//!
//! A file that looks as it did when it was read and checked (size, times, place on the disk) is taken for the same. One
//! in [`CYCLE`] is read again all the same at each exchange, in turns, so that what a disk loses silently is found too.
//! A file that was written only just now is not relied on: it might change once more within one tick of the clock.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::Metadata;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};

use crate::batch::Range;
use crate::replica::Replica;

/// What the notes are about.
const ABOUT: &str = "folder";
/// The note of where the turns are.
const TURN: &str = "";
/// Exchanges in which every file is read again once.
const CYCLE: usize = 100;
/// The coarsest ticks of the clocks of file systems.
const TICK: Duration = Duration::from_secs(3);

/// How a file looks from outside.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Look {
    bytes: u64,
    written_ns: u64,
    /// When anything of it was changed last, and its place on the disk, where the system says so.
    changed: (i64, i64),
    place: u64,
}

impl Look {
    fn of(data: &Metadata) -> Option<Self> {
        let written = data.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        #[cfg(unix)]
        let (changed, place) = {
            use std::os::unix::fs::MetadataExt as _;
            ((data.ctime(), data.ctime_nsec()), data.ino())
        };
        #[cfg(not(unix))]
        let (changed, place) = ((0, 0), 0);
        Some(Self { bytes: data.len(), written_ns: u64::try_from(written.as_nanos()).ok()?, changed, place })
    }

    fn is_settled(&self, now: SystemTime) -> bool {
        let written = UNIX_EPOCH + Duration::from_nanos(self.written_ns);
        now.duration_since(written).is_ok_and(|age| age > TICK)
    }
}

/// A file as it was when it was read.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
struct Read {
    look: Look,
    ranges: Vec<Range>,
}

/// A file that is about to be read: how it looked before.
pub(crate) struct Before {
    key: String,
    look: Option<Look>,
}

/// What is known of the files of one folder.
pub(crate) struct Seen {
    known: BTreeMap<String, Read>,
    met: BTreeSet<String>,
    changes: BTreeMap<String, Option<String>>,
    /// Whose turn it is to be read again.
    due: BTreeSet<String>,
}

fn key(file: &Path) -> String {
    file.to_string_lossy().into_owned()
}

/// The next few after where the turns were last, and from the first on again after the last.
fn due<T>(known: &BTreeMap<String, T>, turn: &str) -> Vec<String> {
    use std::ops::Bound::{Excluded, Included, Unbounded};
    let after = known.range::<str, _>((Excluded(turn), Unbounded));
    let before = known.range::<str, _>((Unbounded, Included(turn)));
    after.chain(before).take(known.len().div_ceil(CYCLE)).map(|(key, _)| key.clone()).collect()
}

impl Seen {
    /// What the shop file has noted.
    pub fn open<R: Replica>(replica: &R) -> Result<Self, R::Error> {
        let mut notes = replica.notes(ABOUT)?;
        let turn = notes.remove(TURN).unwrap_or_default();
        let known: BTreeMap<String, Read> =
            notes.into_iter().filter_map(|(key, text)| Some((key, serde_json::from_str(&text).ok()?))).collect();
        let due = due(&known, &turn);
        let changes = due.last().map(|last| (TURN.to_owned(), Some(last.clone()))).into_iter().collect();
        Ok(Self { known, met: BTreeSet::new(), changes, due: due.into_iter().collect() })
    }

    /// What a file holds, where it is known; or how it looks before it is read.
    pub fn look(&mut self, file: &Path) -> Result<Vec<Range>, Before> {
        let key = key(file);
        self.met.insert(key.clone());
        let look = std::fs::metadata(file).ok().and_then(|data| Look::of(&data));
        match self.known.get(&key) {
            Some(read) if Some(read.look) == look && !self.due.contains(&key) => Ok(read.ranges.clone()),
            _ => Err(Before { key, look }),
        }
    }

    /// How a file looks that has to be read whatever is known of it.
    pub fn look_again(file: &Path) -> Before {
        Before { key: key(file), look: std::fs::metadata(file).ok().and_then(|data| Look::of(&data)) }
    }

    /// A file was read, and is whole.
    pub fn learn(&mut self, before: Before, ranges: &[Range], now: SystemTime) {
        self.due.remove(&before.key);
        let Some(look) = before.look.filter(|look| look.is_settled(now)) else { return self.forget(before) };
        let read = Read { look, ranges: ranges.to_vec() };
        if self.known.get(&before.key) != Some(&read) {
            self.changes.insert(before.key.clone(), serde_json::to_string(&read).ok());
            self.known.insert(before.key, read);
        }
    }

    /// A file was read, and nothing of that is to be relied on.
    pub fn forget(&mut self, before: Before) {
        if self.known.remove(&before.key).is_some() {
            self.changes.insert(before.key, None);
        }
    }

    /// Notes it for the next time; files that were not met are gone, or in another folder.
    pub fn keep<R: Replica>(mut self, replica: &mut R) -> Result<(), R::Error> {
        for key in self.known.keys().filter(|key| !self.met.contains(*key)) {
            self.changes.insert(key.clone(), None);
        }
        replica.note(ABOUT, &self.changes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_has_its_turn_within_a_cycle() {
        let known: BTreeMap<String, ()> = (0..250).map(|i| (format!("{i:03}"), ())).collect();
        let (mut turn, mut read) = (String::new(), Vec::new());
        for _ in 0..CYCLE {
            let now = due(&known, &turn);
            assert_eq!(now.len(), 3);
            turn = now.last().unwrap().clone();
            read.extend(now);
        }
        assert_eq!(read.iter().collect::<BTreeSet<_>>().len(), 250);
        // The one at which the turns were is gone.
        assert_eq!(due(&known, "100x")[0], "101");
        assert_eq!(due(&known, "zzz")[0], "000");
        assert_eq!(due(&BTreeMap::<String, ()>::new(), ""), Vec::<String>::new());
    }

    #[test]
    fn what_was_written_just_now_is_not_relied_on() {
        let look = Look { bytes: 1, written_ns: 1_000_000_000, changed: (0, 0), place: 0 };
        let at = |s| UNIX_EPOCH + Duration::from_secs(s);
        assert!(!look.is_settled(at(0)));
        assert!(!look.is_settled(at(4)));
        assert!(look.is_settled(at(5)));
    }
}

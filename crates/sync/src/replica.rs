//! What an exchange needs of a shop file, and what comes of one.

use std::collections::BTreeMap;
use std::path::PathBuf;

use sheetloft_ledger::event::Hash;
use sheetloft_ledger::exchange::{Part, Refused, Runs, Sealed, TakenIn};
use uuid::Uuid;

/// A shop file, as an exchange sees it. No call keeps a transaction open.
pub trait Replica {
    /// What can go wrong with it.
    type Error;
    /// The shop.
    fn shop(&self) -> Uuid;
    /// The device that writes in it.
    fn device(&self) -> Uuid;
    /// What is here, by device.
    fn runs(&self) -> Result<Runs, Self::Error>;
    /// Events that somebody who has `theirs` lacks, about so many bytes at most; empty where they lack nothing.
    fn lacking(&self, theirs: &Runs, bytes_most: usize) -> Result<Vec<Sealed>, Self::Error>;
    /// Whether an event is here.
    fn has(&self, event: Hash) -> Result<bool, Self::Error>;
    /// The hash of a device's event with this number, if exactly one is here.
    fn hash_at(&self, device: Uuid, number: u64) -> Result<Option<Hash>, Self::Error>;
    /// Notes about something that were kept before, by key; what it is about is one word.
    fn notes(&self, about: &str) -> Result<BTreeMap<String, String>, Self::Error>;
    /// Keeps notes, or drops them; they only save work, and may be gone at any time.
    fn note(&mut self, about: &str, changes: &BTreeMap<String, Option<String>>) -> Result<(), Self::Error>;
    /// Checks events and takes in what is new.
    fn take_in(&mut self, events: Vec<Sealed>) -> Result<TakenIn, Self::Error>;
    /// Names the form in which things are stored here.
    fn form(&self) -> u32;
    /// Tells `each` all parts of a start but for its end; it says whether to go on. False where none is to be made now.
    fn start(&self, each: &mut dyn FnMut(Part) -> bool) -> Result<bool, Self::Error>;
    /// This device's seal over a hash; none where this file is nobody's.
    fn seal(&self, hash: Hash) -> Option<[u8; 64]>;
    /// Begins, where nothing is here yet, with the parts of a start; `None` is one that could not be read. How many
    /// events came, or none where that was not to be taken as it is: nothing is changed then.
    fn begin_from(&mut self, parts: &mut dyn Iterator<Item = Option<Part>>) -> Result<Option<u64>, Self::Error>;
}

/// Something that was not taken, or could not be done, while the rest went on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Problem {
    /// A file is damaged, or has not arrived whole yet.
    Damaged {
        /// Which.
        file: PathBuf,
    },
    /// A file was written by a newer program.
    Newer {
        /// Which.
        file: PathBuf,
    },
    /// A file or folder cannot be read.
    NotRead {
        /// Which.
        file: PathBuf,
        /// What the system says.
        why: String,
    },
    /// An event was not let in.
    Refused(Refused),
    /// What a new device was to start from was of no use; everything was taken event by event.
    NoStart,
}

/// What an exchange came to.
#[derive(Clone, Default, PartialEq, Eq, Debug)]
pub struct Report {
    /// Events handed on.
    pub sent: u64,
    /// Events that were not here before.
    pub received: u64,
    /// Files of a folder that were read and checked; the others were since they were last changed.
    pub files_read: u64,
    /// What was left out, and named.
    pub problems: Vec<Problem>,
}

impl Report {
    /// Adds what another exchange came to.
    pub fn add(&mut self, more: Self) {
        self.sent += more.sent;
        self.received += more.received;
        self.files_read += more.files_read;
        for problem in more.problems {
            if !self.problems.contains(&problem) {
                self.problems.push(problem);
            }
        }
    }
}

//! The shop file as an exchange with other devices sees it.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use sheetloft_ledger::event::{Hash, Thing};
use sheetloft_ledger::exchange::{Part, Runs, Sealed, TakenIn};
use sheetloft_store::{SCHEMA, Store, StoreError};
use sheetloft_sync::Replica;
use uuid::Uuid;

/// A shop file in an exchange, with what changed in it by that.
pub struct Local<'a> {
    /// The file.
    pub store: &'a mut Store,
    /// The shop.
    pub shop: Uuid,
    /// The wall clock, ms since 1970.
    pub now_ms: u64,
    /// The things that changed so far.
    pub changed: Vec<Thing>,
}

impl<'a> Local<'a> {
    /// A shop file about to exchange.
    pub fn new(store: &'a mut Store, shop: Uuid, now_ms: u64) -> Self {
        Self { store, shop, now_ms, changed: Vec::new() }
    }

    /// An empty file without a name beside the shop file: nothing of it is left when the program ends, however it does.
    pub fn scratch(&self) -> std::io::Result<File> {
        let folder = self.store.path().parent().filter(|p| !p.as_os_str().is_empty());
        tempfile::tempfile_in(folder.unwrap_or(Path::new(".")))
    }
}

impl Replica for Local<'_> {
    type Error = StoreError;

    fn shop(&self) -> Uuid {
        self.shop
    }

    fn device(&self) -> Uuid {
        self.store.device().unwrap_or_default()
    }

    fn runs(&self) -> Result<Runs, StoreError> {
        self.store.read().runs()
    }

    fn lacking(&self, theirs: &Runs, bytes_most: usize) -> Result<Vec<Sealed>, StoreError> {
        self.store.read().lacking(theirs, bytes_most)
    }

    fn has(&self, event: Hash) -> Result<bool, StoreError> {
        self.store.read().has(event)
    }

    fn hash_at(&self, device: Uuid, number: u64) -> Result<Option<Hash>, StoreError> {
        self.store.read().hash_at(device, number)
    }

    fn notes(&self, about: &str) -> Result<BTreeMap<String, String>, StoreError> {
        self.store.read().notes(about)
    }

    fn note(&mut self, about: &str, changes: &BTreeMap<String, Option<String>>) -> Result<(), StoreError> {
        self.store.note(about, changes)
    }

    fn take_in(&mut self, events: Vec<Sealed>) -> Result<TakenIn, StoreError> {
        let taken = self.store.take_in(self.shop, self.now_ms, events)?;
        self.changed.extend(&taken.changed);
        Ok(taken)
    }

    fn form(&self) -> u32 {
        SCHEMA.unsigned_abs()
    }

    fn start(&self, each: &mut dyn FnMut(Part) -> bool) -> Result<bool, StoreError> {
        self.store.start(each)
    }

    fn seal(&self, hash: Hash) -> Option<[u8; 64]> {
        self.store.seal(hash)
    }

    fn begin_from(&mut self, parts: &mut dyn Iterator<Item = Option<Part>>) -> Result<Option<u64>, StoreError> {
        self.store.begin_from(self.shop, self.now_ms, parts)
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::PathBuf;
    use std::time::{Duration, SystemTime};

    use sheetloft_sync::{Problem, Report, folder};

    use super::*;
    use crate::action;
    use crate::door::{Door, Job};

    /// A shop file with a few racks, each left in `dir` in a file of its own, all written an hour ago.
    fn shop_with_files(at: &Path, dir: &Path, count: usize) -> Door {
        let door = Door::new(at.join("shop.db"));
        door.act(&action::Init::default().into(), &Job::default()).unwrap();
        for i in 0..count {
            door.act(&action::RackAdd { name: format!("R{i}"), ..Default::default() }.into(), &Job::default()).unwrap();
            exchange(&door, dir);
        }
        for file in files(dir) {
            set_age(&file, 3_600);
        }
        door
    }

    fn set_age(file: &Path, seconds: u64) {
        let when = SystemTime::now() - Duration::from_secs(seconds);
        File::options().append(true).open(file).unwrap().set_modified(when).unwrap();
    }

    fn exchange(door: &Door, dir: &Path) -> Report {
        let mut shop = door.open().unwrap();
        let id = shop.setting.id;
        folder::exchange(dir, &mut Local::new(&mut shop.store, id, 1_000)).unwrap()
    }

    fn files(dir: &Path) -> Vec<PathBuf> {
        let below = |dir: &Path| fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect::<Vec<_>>();
        let mut found: Vec<PathBuf> = below(dir).iter().flat_map(|shop| below(shop)).flat_map(|d| below(&d)).collect();
        found.sort();
        found
    }

    #[test]
    fn an_exchange_reads_the_files_that_are_new_or_changed_and_one_more_in_turn() {
        let (at, shared) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let door = shop_with_files(at.path(), shared.path(), 12);
        assert_eq!(exchange(&door, shared.path()).files_read, 12, "not since they were touched");
        assert_eq!(exchange(&door, shared.path()), Report { files_read: 1, ..Report::default() });
        // One that was changed, though neither its length nor its date tells it.
        let file = &files(shared.path())[5];
        let modified = fs::metadata(file).unwrap().modified().unwrap();
        let mut bytes = fs::read(file).unwrap();
        let at_byte = bytes.len() / 2;
        bytes[at_byte] ^= 1;
        fs::write(file, &bytes).unwrap();
        File::options().append(true).open(file).unwrap().set_modified(modified).unwrap();
        let damaged = exchange(&door, shared.path());
        assert_eq!(damaged.problems, [Problem::Damaged { file: file.clone() }]);
        assert!(damaged.sent > 0, "what was lost is left once more");
        assert_eq!(exchange(&door, shared.path()).problems.len(), 1, "it is named as long as it is there");
        // One that is gone is missed at once.
        fs::remove_file(file).unwrap();
        fs::remove_file(&files(shared.path())[0]).unwrap();
        assert!(exchange(&door, shared.path()).sent > 0);
        assert_eq!(exchange(&door, shared.path()).problems, []);
    }

    #[test]
    fn what_a_disk_loses_silently_is_found_when_its_turn_comes() {
        let (at, shared) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let door = shop_with_files(at.path(), shared.path(), 6);
        exchange(&door, shared.path());
        let file = &files(shared.path())[3];
        let mut bytes = fs::read(file).unwrap();
        let at_byte = bytes.len() / 2;
        bytes[at_byte] ^= 1;
        fs::write(file, &bytes).unwrap();
        set_age(file, 3_600);
        // The notes are made to say that it looks as it always did.
        let mut shop = door.open().unwrap();
        let notes = shop.store.read().notes("folder").unwrap();
        let (key, note) = notes.iter().find(|(key, _)| Path::new(key) == file).unwrap();
        let mut note: serde_json::Value = serde_json::from_str(note).unwrap();
        let data = fs::metadata(file).unwrap();
        let written = data.modified().unwrap().duration_since(SystemTime::UNIX_EPOCH).unwrap();
        note["look"]["written_ns"] = u64::try_from(written.as_nanos()).unwrap().into();
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt as _;
            note["look"]["changed"] = serde_json::json!([data.ctime(), data.ctime_nsec()]);
        }
        shop.store.note("folder", &BTreeMap::from([(key.clone(), Some(note.to_string()))])).unwrap();
        drop(shop);
        let found = (1..=6).find(|_| !exchange(&door, shared.path()).problems.is_empty());
        assert!(found.is_some_and(|n| n > 1), "{found:?}");
    }
}

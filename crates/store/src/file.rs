//! A shop file: made, opened, migrated, backed up.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use sheetloft_ledger::event::Hash;
use uuid::Uuid;

use crate::check::refold_all;
use crate::device::DeviceKey;
use crate::error::StoreError;
use crate::stock::Signer;

/// The schema that this program writes.
pub const SCHEMA: i32 = 5;

/// Marks a SQLite file as a shop file ("Shlf").
const APPLICATION: i32 = 0x5368_6c66;

/// Forward only; entry n leads from schema n to n + 1.
const MIGRATIONS: &[&str] = &[
    include_str!("../../../migrations/0001_first.sql"),
    include_str!("../../../migrations/0002_stock.sql"),
    include_str!("../../../migrations/0003_exchange.sql"),
    include_str!("../../../migrations/0004_network.sql"),
    include_str!("../../../migrations/0005_charges.sql"),
];

/// How long to wait for others who are writing.
pub(crate) const BUSY: Duration = Duration::from_secs(5);

/// An open shop file.
pub struct Store {
    pub(crate) conn: Connection,
    pub(crate) path: PathBuf,
    pub(crate) key: Option<DeviceKey>,
    pub(crate) signer: Option<Signer>,
    read_only: bool,
}

impl Store {
    /// Makes a new, empty shop file; refuses to overwrite. The device that writes in it begins with the
    /// first action.
    pub fn create(path: &Path, key: DeviceKey) -> Result<Self, StoreError> {
        let file_error = |source| StoreError::File { path: path.to_owned(), source };
        match fs::OpenOptions::new().write(true).create_new(true).open(path) {
            Ok(_) => {}
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
                return Err(StoreError::Exists { path: path.to_owned() });
            }
            Err(e) => return Err(file_error(e)),
        }
        let made = Self::fill_new(path, key);
        if made.is_err() {
            // Nothing half done: the file was ours alone and is empty.
            let _ = fs::remove_file(path);
            let _ = fs::remove_file(DeviceKey::path(path));
        }
        made
    }

    fn fill_new(path: &Path, key: DeviceKey) -> Result<Self, StoreError> {
        let mut conn = Connection::open(path)?;
        settle(&conn)?;
        let tx = conn.transaction()?;
        tx.pragma_update(None, "application_id", APPLICATION)?;
        for sql in MIGRATIONS {
            tx.execute_batch(sql)?;
        }
        tx.pragma_update(None, "user_version", SCHEMA)?;
        tx.commit()?;
        key.write(path)?;
        Ok(Self { conn, path: path.to_owned(), key: Some(key), signer: None, read_only: false })
    }

    /// Opens a shop file. One of a newer program is opened for reading only. Where the key beside it does
    /// not match what the file knows of that device, the store has no device: see [`Store::adopt`].
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        if !path.is_file() {
            return Err(StoreError::Missing { path: path.to_owned() });
        }
        let not = || StoreError::NotAShop { path: path.to_owned() };
        let (application, version) = {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let probe = Connection::open_with_flags(path, flags)?;
            probe.busy_timeout(BUSY)?;
            let pragma = |name: &str| {
                probe.pragma_query_value(None, name, |row| row.get::<_, i32>(0)).map_err(|e| {
                    match StoreError::from(e) {
                        StoreError::Damaged { .. } => not(),
                        other => other,
                    }
                })
            };
            (pragma("application_id")?, pragma("user_version")?)
        };
        if application != APPLICATION || version < 1 {
            return Err(not());
        }
        let newer = version > SCHEMA;
        let writable = fs::OpenOptions::new().append(true).open(path).is_ok();
        let read_only = newer || !writable;
        let mut conn = if read_only {
            Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)?
        } else {
            Connection::open(path)?
        };
        if read_only {
            conn.busy_timeout(BUSY)?;
            keep_statements(&conn)?;
        } else {
            settle(&conn)?;
            migrate(&mut conn, path, version)?;
        }
        let mut store = Self { conn, path: path.to_owned(), key: None, signer: None, read_only };
        store.key = if read_only { None } else { store.matching_key()? };
        Ok(store)
    }

    /// The key beside the file, if it belongs to the device that this file's events end with.
    fn matching_key(&self) -> Result<Option<DeviceKey>, StoreError> {
        let Some(mut key) = DeviceKey::read(&self.path) else { return Ok(None) };
        let known: Option<u64> = self
            .conn
            .query_row("SELECT number FROM run WHERE device = ?1", [key.device], |row| row.get::<_, i64>(0))
            .optional()?
            .and_then(|n| u64::try_from(n).ok());
        // Behind: an older copy came back, its numbers would be given twice. Ahead: the program ended
        // between writing the events and acknowledging them; they are ours.
        let known = known.unwrap_or(0);
        if known < key.number {
            return Ok(None);
        }
        if key.number != known {
            key.number = known;
            // Put right at once: a backup that is restored later must be seen to be older.
            key.write(&self.path)?;
        }
        Ok(Some(key))
    }

    /// Whether this file belongs to this device; where not, it is a copy or a restored backup.
    pub fn device(&self) -> Option<Uuid> {
        self.key.as_ref().map(|k| k.device)
    }

    /// This device's seal over a hash; none where the file is nobody's.
    pub fn seal(&self, hash: Hash) -> Option<[u8; 64]> {
        self.key.as_ref()?.seal(hash)
    }

    /// Makes this file the place where a new device writes.
    pub fn adopt(&mut self, key: DeviceKey) -> Result<(), StoreError> {
        if self.read_only {
            return Err(StoreError::ReadOnly);
        }
        key.write(&self.path)?;
        self.key = Some(key);
        Ok(())
    }

    /// Where the file lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether nothing can be written: the file is of a newer program or write-protected.
    pub fn is_read_only(&self) -> bool {
        self.read_only
    }

    /// Whether the file is of a newer program.
    pub fn is_newer(&self) -> Result<bool, StoreError> {
        Ok(self.conn.pragma_query_value(None, "user_version", |row| row.get::<_, i32>(0))? > SCHEMA)
    }

    /// The version of the SQLite library in use, as a number: 3.54.0 is 3 054 000.
    pub fn sqlite_version() -> i32 {
        rusqlite::version_number()
    }

    /// Copies the shop file while it is open: a temporary file beside `to`, checked, then renamed.
    pub fn backup(&self, to: &Path) -> Result<(), StoreError> {
        if to.exists() {
            return Err(StoreError::Exists { path: to.to_owned() });
        }
        let file_error = |source| StoreError::File { path: to.to_owned(), source };
        let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let temporary = tempfile::Builder::new().prefix(".backup").tempfile_in(folder).map_err(file_error)?;
        {
            let mut copy = Connection::open(temporary.path())?;
            rusqlite::backup::Backup::new(&self.conn, &mut copy)?.run_to_completion(256, Duration::ZERO, None)?;
            let sound: String = copy.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
            if sound != "ok" {
                return Err(StoreError::Damaged { what: sound });
            }
            copy.pragma_update(None, "journal_mode", "DELETE")?;
        }
        temporary.as_file().sync_all().map_err(file_error)?;
        temporary.persist_noclobber(to).map_err(|e| file_error(e.error))?;
        Ok(())
    }

    /// Puts a copy of the shop file `from` where `to` is. What stood at `to` is kept beside it; its new name
    /// is returned. The key beside `to` stays: it will not match, so that a new device begins.
    ///
    /// # Errors
    /// [`StoreError::OpenElsewhere`] where any other connection has `to` open.
    pub fn restore(from: &Path, to: &Path) -> Result<Option<PathBuf>, StoreError> {
        let source = Self::open_for_copy(from)?;
        let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file_error = |source| StoreError::File { path: to.to_owned(), source };
        let staging = tempfile::tempdir_in(folder).map_err(file_error)?;
        let staged = staging.path().join("shop");
        source.backup(&staged)?;
        // Held until the other file stands there, so that nobody opens this one meanwhile.
        let (kept, _claimed) = if to.exists() { put_aside(to)? } else { (None, None) };
        fs::rename(&staged, to).map_err(file_error)?;
        Ok(kept)
    }

    fn open_for_copy(path: &Path) -> Result<Self, StoreError> {
        let store = Self::open(path)?;
        let sound: String = store.conn.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if sound == "ok" { Ok(store) } else { Err(StoreError::Damaged { what: sound }) }
    }
}

/// Gives the shop file a second name beside it, so that another may take its place at once; at no time is there none
/// under the first name. Fails where anyone else has it open: what they wrote would be lost.
fn put_aside(file: &Path) -> Result<(Option<PathBuf>, Option<Connection>), StoreError> {
    let file_error = |source| StoreError::File { path: file.to_owned(), source };
    let beside = |of: &Path, ending: &str| PathBuf::from(format!("{}{ending}", of.display()));
    let claimed = match claim(file) {
        Ok(conn) => Some(conn),
        // A backup is wanted most where this file cannot be read any more: it is put aside as it is.
        Err(StoreError::Damaged { .. }) => None,
        Err(e) => return Err(e),
    };
    let kept = (1..)
        .map(|n| PathBuf::from(format!("{}.before-restore-{n}", file.display())))
        .find(|p| !p.exists())
        .unwrap_or_default();
    // Some file systems know no second names.
    if fs::hard_link(file, &kept).is_err() {
        fs::copy(file, &kept).map_err(file_error)?;
    }
    if claimed.is_none() {
        for ending in ["-wal", "-shm"] {
            let _ = fs::rename(beside(file, ending), beside(&kept, ending));
        }
    }
    Ok((Some(kept), claimed))
}

/// The shop file for this connection alone, everything of it in the one file.
fn claim(file: &Path) -> Result<Connection, StoreError> {
    let conn = Connection::open(file)?;
    conn.busy_timeout(Duration::from_millis(500))?;
    conn.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    // Leaving the write-ahead log is possible only where nobody else has the file open.
    let mode: rusqlite::Result<String> = conn.query_row("PRAGMA journal_mode = DELETE", [], |row| row.get(0));
    match mode.map_err(StoreError::from) {
        Ok(mode) if mode != "wal" => {}
        Ok(_) | Err(StoreError::Locked) => return Err(StoreError::OpenElsewhere),
        Err(e) => return Err(e),
    }
    conn.execute_batch("BEGIN EXCLUSIVE")?;
    Ok(conn)
}

/// How every writing connection is set: write-ahead log, full sync on commit, patience with others.
fn settle(conn: &Connection) -> Result<(), StoreError> {
    conn.busy_timeout(BUSY)?;
    conn.pragma_update(None, "journal_mode", "WAL")?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "foreign_keys", true)?;
    conn.pragma_update(None, "cache_size", -65_536)?;
    keep_statements(conn)
}

/// Every statement is prepared once: one action uses more of them than are kept unless said otherwise, and SQLite would
/// plan some anew for each value that is looked up.
pub(crate) fn keep_statements(conn: &Connection) -> Result<(), StoreError> {
    conn.set_prepared_statement_cache_capacity(256);
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    Ok(())
}

/// Brings an older file forward; a backup is taken before.
fn migrate(conn: &mut Connection, path: &Path, version: i32) -> Result<(), StoreError> {
    let from = usize::try_from(version).unwrap_or(0);
    if from >= MIGRATIONS.len() {
        return Ok(());
    }
    let copy = PathBuf::from(format!("{}.before-schema-{SCHEMA}", path.display()));
    if !copy.exists() {
        let mut to = Connection::open(&copy)?;
        rusqlite::backup::Backup::new(conn, &mut to)?.run_to_completion(256, Duration::ZERO, None)?;
    }
    let tx = conn.transaction()?;
    for sql in &MIGRATIONS[from..] {
        tx.execute_batch(sql)?;
    }
    // What is stored of the state is thrown away: a newer program may write it down in more words.
    refold_all(&tx)?;
    tx.pragma_update(None, "user_version", SCHEMA)?;
    tx.commit()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use sheetloft_ledger::body::{Body, Moved};
    use sheetloft_ledger::event::{Thing, ThingKind};

    use super::*;
    use crate::testing::Counter;

    fn new(folder: &Path) -> (PathBuf, Store, Counter) {
        let path = folder.join("shop.db");
        let store = Store::create(&path, DeviceKey::new(Uuid::from_u128(7), [7; 32])).unwrap();
        (path, store, Counter(100))
    }

    /// An action that touches a piece; enough for the file, whatever it means.
    fn act(store: &mut Store, ids: &mut Counter) -> Result<(), StoreError> {
        let piece = Uuid::from_u128(1);
        let draft = |tx: &mut crate::Tx<'_>, _: &mut DeviceKey| {
            tx.draft(Body::Moved(Moved { piece, rack: None }), [Thing::new(ThingKind::Piece, piece)]);
            Ok::<_, StoreError>(())
        };
        store.transact(Uuid::nil(), ids, draft).map(|_| ())
    }

    #[test]
    fn the_linked_sqlite_has_the_fix_for_lost_writes() {
        // Release notes of SQLite 3.51.3: the WAL-reset fault that could lose writes is mended from there on.
        assert!(Store::sqlite_version() >= 3_051_003, "{}", Store::sqlite_version());
    }

    #[test]
    fn a_file_that_is_no_shop_is_refused_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let text = folder.path().join("notes.txt");
        fs::write(&text, "not a database, only some text that is long enough to have a header".repeat(20)).unwrap();
        assert!(matches!(Store::open(&text), Err(StoreError::NotAShop { .. })));
        let other = folder.path().join("other.db");
        Connection::open(&other).unwrap().execute_batch("CREATE TABLE t (x); INSERT INTO t VALUES (1)").unwrap();
        let before = fs::read(&other).unwrap();
        assert!(matches!(Store::open(&other), Err(StoreError::NotAShop { .. })));
        assert_eq!(fs::read(&other).unwrap(), before);
        assert!(matches!(Store::open(&folder.path().join("none.db")), Err(StoreError::Missing { .. })));
    }

    #[test]
    fn an_existing_file_is_never_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let (path, _store, _) = new(folder.path());
        let again = Store::create(&path, DeviceKey::new(Uuid::from_u128(8), [8; 32]));
        assert!(matches!(again, Err(StoreError::Exists { .. })));
        assert_eq!(Store::open(&path).unwrap().device(), Some(Uuid::from_u128(7)));
    }

    #[test]
    fn a_file_of_a_newer_program_is_read_and_not_changed() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        act(&mut store, &mut ids).unwrap();
        store.conn.pragma_update(None, "user_version", SCHEMA + 1).unwrap();
        drop(store);
        let mut store = Store::open(&path).unwrap();
        assert!(store.is_read_only() && store.is_newer().unwrap());
        assert_eq!(store.read().events().unwrap(), 1);
        assert!(matches!(act(&mut store, &mut ids), Err(StoreError::ReadOnly)));
    }

    #[test]
    fn a_full_disk_is_said_and_loses_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let (_, mut store, mut ids) = new(folder.path());
        act(&mut store, &mut ids).unwrap();
        let pages: i64 = store.conn.pragma_query_value(None, "page_count", |row| row.get(0)).unwrap();
        store.conn.query_row(&format!("PRAGMA max_page_count = {}", pages + 2), [], |_| Ok(())).unwrap();
        let mut done = 1;
        let full = loop {
            match act(&mut store, &mut ids) {
                Ok(()) => done += 1,
                Err(e) => break e,
            }
            assert!(done < 10_000);
        };
        assert!(matches!(full, StoreError::DiskFull), "{full:?}");
        assert_eq!(store.read().events().unwrap(), done);
        store.conn.query_row("PRAGMA max_page_count = 100000", [], |_| Ok(())).unwrap();
        act(&mut store, &mut ids).unwrap();
        assert_eq!(store.read().events().unwrap(), done + 1);
    }

    #[test]
    fn a_file_that_another_program_holds_is_said_to_be_in_use() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        let other = Connection::open(&path).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        store.conn.busy_timeout(Duration::from_millis(1)).unwrap();
        assert!(matches!(act(&mut store, &mut ids), Err(StoreError::Locked)));
        other.execute_batch("ROLLBACK").unwrap();
        act(&mut store, &mut ids).unwrap();
        assert_eq!(store.read().events().unwrap(), 1);
    }

    #[test]
    fn a_copy_and_a_restored_backup_are_no_longer_this_device() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        act(&mut store, &mut ids).unwrap();
        let copy = folder.path().join("copy.db");
        store.backup(&copy).unwrap();
        assert_eq!(Store::open(&copy).unwrap().device(), None);
        assert!(matches!(store.backup(&copy), Err(StoreError::Exists { .. })));
        act(&mut store, &mut ids).unwrap();
        drop(store);
        assert_eq!(Store::open(&path).unwrap().device(), Some(Uuid::from_u128(7)));
        // The backup lacks the second event: its number would be given twice.
        let kept = Store::restore(&copy, &path).unwrap().unwrap();
        let mut restored = Store::open(&path).unwrap();
        assert_eq!(restored.device(), None);
        assert_eq!(restored.read().events().unwrap(), 1);
        assert_eq!(Store::open(&kept).unwrap().read().events().unwrap(), 2);
        restored.adopt(DeviceKey::new(Uuid::from_u128(9), [9; 32])).unwrap();
        act(&mut restored, &mut ids).unwrap();
        assert_eq!(Store::open(&path).unwrap().device(), Some(Uuid::from_u128(9)));
    }

    #[test]
    fn a_backup_takes_the_place_of_a_file_that_cannot_be_read() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        act(&mut store, &mut ids).unwrap();
        let copy = folder.path().join("copy.db");
        store.backup(&copy).unwrap();
        drop(store);
        let ruined = vec![0x5a; 9000];
        fs::write(&path, &ruined).unwrap();
        let kept = Store::restore(&copy, &path).unwrap().unwrap();
        assert_eq!(fs::read(kept).unwrap(), ruined);
        assert_eq!(Store::open(&path).unwrap().read().events().unwrap(), 1);
    }

    #[test]
    fn nothing_is_restored_over_a_file_that_is_open_elsewhere() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        act(&mut store, &mut ids).unwrap();
        let copy = folder.path().join("copy.db");
        store.backup(&copy).unwrap();
        assert!(matches!(Store::restore(&copy, &path), Err(StoreError::OpenElsewhere)));
        // It goes on as if nothing had been asked.
        act(&mut store, &mut ids).unwrap();
        assert_eq!(Store::open(&path).unwrap().read().events().unwrap(), 2);
        drop(store);
        let kept = Store::restore(&copy, &path).unwrap().unwrap();
        assert_eq!(Store::open(&path).unwrap().read().events().unwrap(), 1);
        assert_eq!(Store::open(&kept).unwrap().read().events().unwrap(), 2);
    }

    #[test]
    fn an_acknowledgement_that_came_too_late_is_put_right() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut store, mut ids) = new(folder.path());
        let early = fs::read(DeviceKey::path(&path)).unwrap();
        act(&mut store, &mut ids).unwrap();
        drop(store);
        // The program ended between writing the event and acknowledging it.
        fs::write(DeviceKey::path(&path), early).unwrap();
        let mut store = Store::open(&path).unwrap();
        assert_eq!(store.device(), Some(Uuid::from_u128(7)));
        act(&mut store, &mut ids).unwrap();
        assert_eq!(store.read().events().unwrap(), 2);
    }
}

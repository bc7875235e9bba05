//! Notes that this file keeps for itself, so that what was looked through before need not be again. They go to no other
//! device; without them everything is only slower.

use std::collections::BTreeMap;

use rusqlite::{TransactionBehavior, params};

use crate::error::StoreError;
use crate::file::Store;
use crate::query::Reader;

/// Where the notes about something begin among what the file remembers, and where they end.
fn bounds(about: &str) -> (String, String) {
    (format!("note {about} "), format!("note {about}!"))
}

impl Reader<'_> {
    /// All notes about something, by key. What it is about has no spaces.
    pub fn notes(&self, about: &str) -> Result<BTreeMap<String, String>, StoreError> {
        let (from, to) = bounds(about);
        let mut statement = self.0.prepare_cached("SELECT key, value FROM local WHERE key >= ?1 AND key < ?2")?;
        let rows = statement.query_map(params![from, to], |row| Ok((row.get::<_, String>(0)?, row.get(1)?)))?;
        rows.map(|row| {
            let (key, value) = row?;
            Ok((key.get(from.len()..).unwrap_or_default().to_owned(), value))
        })
        .collect()
    }
}

impl Store {
    /// Changes notes, in one transaction; none: the note is dropped.
    pub fn note(&mut self, about: &str, changes: &BTreeMap<String, Option<String>>) -> Result<(), StoreError> {
        if self.is_read_only() || changes.is_empty() {
            return Ok(());
        }
        let (from, _) = bounds(about);
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for (key, value) in changes {
            let key = format!("{from}{key}");
            match value {
                Some(value) => {
                    tx.prepare_cached("REPLACE INTO local (key, value) VALUES (?1, ?2)")?.execute([&key, value])?
                }
                None => tx.prepare_cached("DELETE FROM local WHERE key = ?1")?.execute([&key])?,
            };
        }
        Ok(tx.commit()?)
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;
    use crate::device::DeviceKey;

    #[test]
    fn notes_are_kept_apart_and_dropped_one_by_one() {
        let folder = tempfile::tempdir().unwrap();
        let key = DeviceKey::new(Uuid::from_u128(1), [7; 32]);
        let mut store = Store::create(&folder.path().join("shop.db"), key).unwrap();
        let note = |key: &str, value: Option<&str>| BTreeMap::from([(key.to_owned(), value.map(str::to_owned))]);
        for key in ["a b", "", "ü"] {
            store.note("folder", &note(key, Some("1"))).unwrap();
        }
        store.note("folders", &note("x", Some("2"))).unwrap();
        store.note("folder", &note("ü", None)).unwrap();
        let kept: Vec<String> = store.read().notes("folder").unwrap().into_keys().collect();
        assert_eq!(kept, ["", "a b"]);
        assert_eq!(store.read().notes("hub").unwrap().len(), 0);
    }
}

//! Exchange with other devices: what is here, and what another one lacks. How what they have is taken in is `taking`'s.

use rusqlite::{Connection, OptionalExtension, Rows, TransactionBehavior, params};
use sheetloft_ledger::event::{Event, Hash, Thing};
use sheetloft_ledger::exchange::{Have, Runs, Sealed};
use sheetloft_ledger::fold::{self, Book as _, Standing};
use sheetloft_ledger::mutant::{self, Mutant};
use uuid::Uuid;

use crate::book::{SqlBook, hash_from};
use crate::error::StoreError;
use crate::file::Store;
use crate::query::Reader;

/// How far back both sides of a fork are looked through at a time, in events.
const FORK_STEP: u64 = 500;

/// How many events wait, and what for.
#[derive(Clone, Default, PartialEq, Eq, Debug)]
pub struct Waiting {
    /// Events that are here without effect.
    pub events: u64,
    /// Things that a newer program changed.
    pub unknown: u64,
    /// Devices of which two copies went on writing, with the number from which on nothing counts.
    pub forked: Vec<(Uuid, u64)>,
}

impl Reader<'_> {
    /// What is here, by device.
    pub fn runs(&self) -> Result<Runs, StoreError> {
        let mut statement =
            self.0.prepare_cached("SELECT r.device, r.number, f.number FROM run r LEFT JOIN fork f USING (device)")?;
        let rows: Vec<(Uuid, i64, Option<i64>)> =
            statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect::<Result<_, _>>()?;
        let mut runs = Runs::new();
        for (device, number, fork) in rows {
            let forked = match fork {
                None => None,
                Some(from) => {
                    let mut all = Vec::new();
                    for (hash, _) in stored_from(self.0, device, from)? {
                        all.extend(hash.0);
                    }
                    Some(Hash::of(&all))
                }
            };
            let mut run = fork.map_or(number, |from| number.min(from - 1));
            if mutant::on(Mutant::HighestNumber) {
                let all = stored_from(self.0, device, 1)?;
                let numbers = all.iter().filter_map(|(_, sealed)| Event::read(&sealed.bytes).ok());
                let highest = numbers.map(|e| e.envelope.number).max().unwrap_or(0);
                run = i64::try_from(highest).unwrap_or(run);
            }
            let run = u64::try_from(run).unwrap_or(0);
            runs.insert(device, Have { run, last: self.hash_at(device, run)?, forked });
        }
        Ok(runs)
    }

    /// Events that somebody who has `theirs` lacks, in an order in which they can be taken in; about so many bytes at
    /// most, and always whole actions. Empty where they lack nothing.
    pub fn lacking(&self, theirs: &Runs, bytes_most: usize) -> Result<Vec<Sealed>, StoreError> {
        let mine = self.runs()?;
        let mut found: Vec<(i64, Sealed)> = Vec::new();
        let mut wanted = Vec::new();
        for (device, have) in &mine {
            let other = theirs.get(device).copied().unwrap_or_default();
            if have.forked.is_some() && have.forked != other.forked {
                // Whoever does not know of the fork yet needs both sides of it.
                let from = i64::try_from(have.run.min(other.run)).unwrap_or(0) + 1;
                for (hash, sealed) in stored_from(self.0, *device, from)? {
                    found.push((sequence(self.0, hash)?, sealed));
                }
                continue;
            }
            let mut from = other.run;
            // They have other events under these numbers: both need to see where that begins.
            if other.run <= have.run
                && other
                    .last
                    .is_some_and(|last| !matches!(self.hash_at(*device, other.run), Ok(Some(mine)) if mine == last))
            {
                from = from.saturating_sub(FORK_STEP);
            }
            if from < have.run {
                wanted.push((*device, i64::try_from(from).unwrap_or(0), i64::try_from(have.run).unwrap_or(0)));
            }
        }
        self.ranges(&wanted, bytes_most, &mut found)?;
        found.sort_by_key(|(seq, _)| *seq);
        Ok(found.into_iter().map(|(_, sealed)| sealed).collect())
    }

    /// Events of devices, each after one number and up to another, with their places; about so many bytes at most, and
    /// always whole actions. What took effect here first comes first, so that what it builds on comes with it or before.
    fn ranges(
        &self,
        wanted: &[(Uuid, i64, i64)],
        bytes_most: usize,
        found: &mut Vec<(i64, Sealed)>,
    ) -> Result<(), StoreError> {
        let sql = "SELECT e.seq, e.bytes, s.signature, e.number FROM event e LEFT JOIN seal s USING (hash) \
                   WHERE e.device = ?1 AND e.number > ?2 AND e.number <= ?3 \
                   UNION ALL SELECT 9223372036854775807, w.bytes, s.signature, w.number FROM waiting w \
                   LEFT JOIN seal s USING (hash) WHERE w.device = ?1 AND w.number > ?2 AND w.number <= ?3 \
                   ORDER BY 4";
        let next = |rows: &mut Rows<'_>| -> Result<Option<(i64, Sealed)>, StoreError> {
            let Some(row) = rows.next()? else { return Ok(None) };
            Ok(Some((row.get(0)?, Sealed { bytes: row.get(1)?, seal: seal_from(row.get(2)?) })))
        };
        let mut statements = wanted.iter().map(|_| self.0.prepare_cached(sql)).collect::<Result<Vec<_>, _>>()?;
        let mut of_device = Vec::new();
        for (statement, (device, from, to)) in statements.iter_mut().zip(wanted) {
            let mut rows = statement.query(params![device, from, to])?;
            let first = next(&mut rows)?;
            of_device.push((first, rows));
        }
        let mut bytes = 0;
        while bytes < bytes_most {
            let ahead = of_device.iter_mut().filter(|(next, _)| next.is_some());
            let first = ahead.min_by_key(|(next, _)| next.as_ref().map(|(seq, _)| *seq));
            let Some((upcoming, rows)) = first else { break };
            while let Some((seq, sealed)) = upcoming.take() {
                bytes += sealed.bytes.len();
                let is_whole = sealed.seal.is_some();
                found.push((seq, sealed));
                *upcoming = next(rows)?;
                if is_whole {
                    break;
                }
            }
        }
        Ok(())
    }

    /// The hash of a device's event with this number, if exactly one is here.
    pub fn hash_at(&self, device: Uuid, number: u64) -> Result<Option<Hash>, StoreError> {
        let mut found = stored_at(self.0, device, i64::try_from(number).unwrap_or(i64::MAX))?;
        Ok(if found.len() == 1 { found.pop().map(|(hash, _)| hash) } else { None })
    }

    /// Whether an event is here, with effect or waiting.
    pub fn has(&self, hash: Hash) -> Result<bool, StoreError> {
        let sql = "SELECT 1 FROM event WHERE hash = ?1 UNION ALL SELECT 1 FROM waiting WHERE hash = ?1";
        Ok(self.0.prepare_cached(sql)?.exists([&hash.0[..]])?)
    }

    /// The events of a thing that no other is built on.
    pub fn heads(&self, thing: Thing) -> Result<Vec<Hash>, StoreError> {
        SqlBook(self.0).heads(thing)
    }

    /// The standing uses that claim a piece, the one that counts first, and the write-downs that contradict something.
    pub fn claims(&self, piece: Uuid) -> Result<Vec<Event>, StoreError> {
        let found = fold::claims(&SqlBook(self.0), piece)?;
        Ok(found.into_iter().map(|e| (*e).clone()).collect())
    }

    /// Whether the one event of a thing knew of the other.
    pub fn knew(&self, thing: Thing, one: Hash, of: Hash) -> Result<bool, StoreError> {
        fold::knew(&SqlBook(self.0), thing, one, of)
    }

    /// Whether an event counts here; none where it is not in effect.
    pub fn standing(&self, hash: Hash) -> Result<Option<Standing>, StoreError> {
        SqlBook(self.0).standing(hash)
    }

    /// An event that is in effect here.
    pub fn event(&self, hash: Hash) -> Result<Option<Event>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT bytes FROM event WHERE hash = ?1")?;
        let bytes: Option<Vec<u8>> = statement.query_row([&hash.0[..]], |row| row.get(0)).optional()?;
        Ok(bytes.map(|b| Event::read(&b)).transpose()?)
    }

    /// What a device wrote here and what has no effect since a copy of it was found writing under its name; in order.
    pub fn frozen_own(&self, device: Uuid) -> Result<Vec<Event>, StoreError> {
        let sql = "SELECT bytes FROM waiting WHERE device = ?1 AND own = 1 ORDER BY number";
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query([device])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            found.push(Event::read(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
        }
        Ok(found)
    }

    /// Something that this file alone remembers.
    pub fn remembered(&self, key: &str) -> Result<Option<String>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT value FROM local WHERE key = ?1")?;
        Ok(statement.query_row([format!("own {key}")], |row| row.get(0)).optional()?)
    }

    /// What waits.
    pub fn waiting(&self) -> Result<Waiting, StoreError> {
        let count = |sql: &str| -> Result<u64, StoreError> {
            let n: i64 = self.0.prepare_cached(sql)?.query_row([], |row| row.get(0))?;
            Ok(u64::try_from(n).unwrap_or(0))
        };
        let mut statement = self.0.prepare_cached("SELECT device, number FROM fork ORDER BY device")?;
        let forked = statement
            .query_map([], |row| Ok((row.get(0)?, u64::try_from(row.get::<_, i64>(1)?).unwrap_or(0))))?
            .collect::<Result<_, _>>()?;
        Ok(Waiting {
            events: count("SELECT count(*) FROM waiting")?,
            unknown: count(
                "SELECT (SELECT count(*) FROM piece WHERE frozen = 1) + (SELECT count(*) FROM thing WHERE frozen = 1)",
            )?,
            forked,
        })
    }
}

impl Store {
    /// Remembers something in this file alone; it goes to no other device.
    pub fn remember(&self, key: &str, value: &str) -> Result<(), StoreError> {
        if self.is_read_only() {
            return Err(StoreError::ReadOnly);
        }
        remember(&self.conn, key, value)
    }

    /// Changes what this file alone remembers under a key, whoever else is at it: `change` gets what is kept, and gives
    /// what shall be, where that is something else, with an answer.
    pub fn change_remembered<T>(
        &mut self,
        key: &str,
        change: impl FnOnce(&str) -> (Option<String>, T),
    ) -> Result<T, StoreError> {
        if self.is_read_only() {
            return Err(StoreError::ReadOnly);
        }
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let kept = Reader(&tx).remembered(key)?.unwrap_or_default();
        let (new, answer) = change(&kept);
        if let Some(new) = new {
            remember(&tx, key, &new)?;
        }
        tx.commit()?;
        Ok(answer)
    }

    /// Whether another copy of this device's shop file went on writing under its name.
    pub fn is_forked(&self) -> Result<bool, StoreError> {
        let Some(device) = self.device() else { return Ok(false) };
        is_written_elsewhere(&self.conn, device)
    }
}

/// Whether a copy of a device's file writes under its name: a number was given twice, or what came of the device lies
/// beyond numbers that this file has not seen and would give anew.
pub(crate) fn is_written_elsewhere(conn: &Connection, device: Uuid) -> Result<bool, StoreError> {
    let sql = "SELECT 1 FROM fork WHERE device = ?1 UNION ALL SELECT 1 FROM waiting w LEFT JOIN run r USING (device) \
               WHERE w.device = ?1 AND w.number > coalesce(r.number, 0) LIMIT 1";
    Ok(conn.prepare_cached(sql)?.exists([device])?)
}

pub(crate) fn remember(conn: &Connection, key: &str, value: &str) -> Result<(), StoreError> {
    let mut statement = conn.prepare_cached("REPLACE INTO local (key, value) VALUES (?1, ?2)")?;
    statement.execute([&format!("own {key}"), value])?;
    Ok(())
}

pub(crate) fn seal_from(bytes: Option<Vec<u8>>) -> Option<[u8; 64]> {
    bytes?.try_into().ok()
}

/// Events of a device with one number, whether with effect or waiting.
pub(crate) fn stored_at(conn: &Connection, device: Uuid, number: i64) -> Result<Vec<(Hash, Sealed)>, StoreError> {
    stored(conn, "= ?2", device, number)
}

/// Events of a device from a number on, by number, then hash.
fn stored_from(conn: &Connection, device: Uuid, number: i64) -> Result<Vec<(Hash, Sealed)>, StoreError> {
    stored(conn, ">= ?2", device, number)
}

fn stored(conn: &Connection, which: &str, device: Uuid, number: i64) -> Result<Vec<(Hash, Sealed)>, StoreError> {
    let sql = format!(
        "SELECT e.hash, e.bytes, s.signature, e.number FROM event e LEFT JOIN seal s USING (hash) \
         WHERE e.device = ?1 AND e.number {which} \
         UNION ALL SELECT w.hash, w.bytes, s.signature, w.number FROM waiting w LEFT JOIN seal s USING (hash) \
         WHERE w.device = ?1 AND w.number {which} ORDER BY 4, 1"
    );
    let mut statement = conn.prepare_cached(&sql)?;
    let mut rows = statement.query(params![device, number])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let hash = hash_from(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
        found.push((hash, Sealed { bytes: row.get(1)?, seal: seal_from(row.get(2)?) }));
    }
    Ok(found)
}

/// An event's place in the order of taking effect here; last where it waits.
fn sequence(conn: &Connection, hash: Hash) -> Result<i64, StoreError> {
    let mut statement = conn.prepare_cached("SELECT seq FROM event WHERE hash = ?1")?;
    Ok(statement.query_row([&hash.0[..]], |row| row.get(0)).optional()?.unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::DeviceKey;
    use crate::testing::{all, device, history, moves};

    /// Found by the simulator (seed 3723): the device gave the missing number anew and went on from its copy's event.
    #[test]
    fn a_device_that_sees_that_a_copy_is_ahead_of_it_writes_nothing_until_it_has_all_of_that() {
        let folder = tempfile::tempdir().unwrap();
        let (mut one, mut ids) = device(folder.path(), 1);
        let copy = folder.path().join("copy.db");
        one.backup(&copy).unwrap();
        std::fs::copy(DeviceKey::path(one.path()), DeviceKey::path(&copy)).unwrap();
        let mut copy = Store::open(&copy).unwrap();
        moves(&mut copy, &mut ids, 0..1);
        moves(&mut copy, &mut ids, 1..2);
        let [.., missing, last] = &all(&copy)[..] else { unreachable!() };
        one.take_in(Uuid::nil(), 0, vec![last.clone()]).unwrap();
        assert!(one.is_forked().unwrap());
        let nothing = |_: &mut crate::Tx<'_>, _: &mut DeviceKey| Ok::<_, StoreError>(());
        assert!(matches!(one.transact(Uuid::nil(), &mut ids, nothing), Err(StoreError::Forked)));
        // It has all of it, and goes on from there.
        one.take_in(Uuid::nil(), 0, vec![missing.clone()]).unwrap();
        moves(&mut one, &mut ids, 2..3);
        copy.take_in(Uuid::nil(), 0, all(&one)).unwrap();
        assert_eq!(copy.digest().unwrap(), one.digest().unwrap());
        assert_eq!(one.check().unwrap(), vec![]);
    }

    #[test]
    fn what_comes_in_small_batches_never_waits_for_a_later_one() {
        let folder = tempfile::tempdir().unwrap();
        let (two, events) = history(folder.path());
        let (mut three, _) = device(folder.path(), 3);
        let mut batches = 0;
        loop {
            let some = two.read().lacking(&three.read().runs().unwrap(), 1).unwrap();
            if some.is_empty() {
                break;
            }
            three.take_in(Uuid::nil(), 0, some).unwrap();
            assert_eq!(three.read().waiting().unwrap().events, 0);
            batches += 1;
        }
        assert_eq!(three.read().events().unwrap(), events.len() as u64 + 1);
        assert!(batches > 8, "{batches}");
    }
}

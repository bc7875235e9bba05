//! The one write path: an action's events and the change of the state tables, in one transaction.

use std::collections::BTreeSet;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use sheetloft_ledger::body::Body;
use sheetloft_ledger::code::{self, Noun};
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use sheetloft_ledger::fold::{self, Book, Folded, Standing};
use sheetloft_ledger::mutant::{self, Mutant};
use sheetloft_ledger::state::State;
use uuid::Uuid;

use crate::book::{SqlBook, hash_from};
use crate::device::DeviceKey;
use crate::error::StoreError;
use crate::file::Store;
use crate::query::Reader;
use crate::{exchange, network, stock, taking};

/// Where new UUIDs come from, and what the wall clock says: given, so that a test can replay.
pub trait Ids {
    /// A new UUIDv7.
    fn uuid(&mut self) -> Uuid;
    /// Milliseconds since 1970.
    fn wall_ms(&mut self) -> u64;
}

/// An event about to be written: what happened, and which things it changes.
pub struct Draft {
    /// What happened.
    pub body: Body,
    /// What it changes.
    pub touches: Vec<Thing>,
    /// The id that it had before, where it is written again.
    pub id: Option<Uuid>,
}

/// An action in the making: reads, and events to be written at its end.
pub struct Tx<'a> {
    transaction: Transaction<'a>,
    /// Where new UUIDs and the time come from.
    pub ids: &'a mut dyn Ids,
    drafts: Vec<Draft>,
    shop: Uuid,
    device: Uuid,
    last_action: Option<Uuid>,
    person: Option<Uuid>,
    /// Pieces that changed so far.
    pieces: BTreeSet<Uuid>,
    tag: Option<String>,
}

impl Tx<'_> {
    /// The read side, within the transaction.
    pub fn read(&self) -> Reader<'_> {
        Reader(&self.transaction)
    }

    /// Adds an event to the action.
    pub fn draft(&mut self, body: Body, touches: impl IntoIterator<Item = Thing>) {
        self.drafts.push(Draft { body, touches: touches.into_iter().collect(), id: None });
    }

    /// Adds an event that was written before where it counts no more; it keeps its id.
    pub fn draft_again(&mut self, id: Uuid, body: Body, touches: impl IntoIterator<Item = Thing>) {
        self.drafts.push(Draft { body, touches: touches.into_iter().collect(), id: Some(id) });
    }

    /// Remembers something in this file alone, together with what the action writes.
    pub fn remember(&self, key: &str, value: &str) -> Result<(), StoreError> {
        exchange::remember(&self.transaction, key, value)
    }

    /// Says who does it.
    pub fn by(&mut self, person: Option<Uuid>) {
        self.person = person;
    }

    /// The device that is writing.
    pub fn device(&self) -> Uuid {
        self.device
    }

    /// The shop.
    pub fn shop(&self) -> Uuid {
        self.shop
    }

    /// The next code of this device for a noun. A number is given once, even if the action is undone later:
    /// its label may have been printed.
    pub fn next_code(&mut self, noun: Noun) -> Result<String, StoreError> {
        let reader = Reader(&self.transaction);
        let tag = match &self.tag {
            Some(tag) => tag.clone(),
            None => {
                let thing = Thing::new(ThingKind::Device, self.device);
                let device = reader.folded(thing)?.state.and_then(State::device);
                let missing = || StoreError::Damaged { what: "this device has no tag".into() };
                self.tag.insert(device.ok_or_else(missing)?.tag).clone()
            }
        };
        let (code, number) = code::next(noun, &tag, reader.highest_code(self.device, noun)? + 1);
        reader.remember_code(self.device, noun, number)?;
        Ok(code)
    }

    /// Keeps something for this machine alone: what printer stands beside it is nobody else's business.
    pub fn keep_here(&self, name: &str, value: &str) -> Result<(), StoreError> {
        self.read().keep_here(name, value)
    }

    /// Whether nothing has been drafted since the last flush.
    pub fn is_empty(&self) -> bool {
        self.drafts.is_empty()
    }

    /// The action that was written, after [`Tx::flush`].
    pub fn last_action(&self) -> Option<Uuid> {
        self.last_action
    }

    /// Writes the events drafted so far as one action, inside the transaction, and returns what changed
    /// and how each event stands. Called at the end by [`Store::transact`]; called earlier only to look at
    /// what an undo would do.
    pub fn flush(&mut self, key: &mut DeviceKey) -> Result<(Vec<Thing>, Vec<Standing>), StoreError> {
        let drafts = std::mem::take(&mut self.drafts);
        if drafts.is_empty() {
            return Ok((Vec::new(), Vec::new()));
        }
        let action = self.ids.uuid();
        let wall_ms = self.ids.wall_ms();
        let conn: &Connection = &self.transaction;
        network::none_claimed(conn, &drafts, key.device, wall_ms)?;
        let mut last = last_event(conn, key.device)?;
        let mut clock = latest_clock(conn)?;
        let mut changed = BTreeSet::new();
        let mut standings = Vec::new();
        let count = drafts.len();
        for (i, draft) in drafts.into_iter().enumerate() {
            clock = clock.tick(wall_ms);
            let number = last.map_or(1, |(number, _)| number + 1);
            let mut touches = Vec::with_capacity(draft.touches.len());
            for thing in draft.touches {
                let mut parents = SqlBook(conn).heads(thing)?;
                parents.sort_unstable();
                if mutant::on(Mutant::LostParent) {
                    parents.truncate(1);
                }
                touches.push(Touch { thing, parents });
            }
            let (kind, version) = draft.body.kind();
            let envelope = Envelope {
                shop: self.shop,
                device: key.device,
                number,
                prev: last.map(|(_, hash)| hash),
                id: draft.id.unwrap_or_else(|| self.ids.uuid()),
                action,
                more: i + 1 < count,
                clock,
                person: self.person,
                kind: kind.to_owned(),
                version,
                touches,
            };
            let (bytes, event) = Event::write(envelope, draft.body)?;
            let event = Arc::new(event);
            last = Some((number, event.hash));
            changed.extend(insert(conn, &bytes, &event)?);
            taking::advance(conn, key.device)?;
            if i + 1 == count
                && let Some(signature) = key.seal(event.hash)
            {
                insert_seal(conn, event.hash, &signature)?;
            }
            let stands: u8 = conn
                .prepare_cached("SELECT standing FROM event WHERE hash = ?1")?
                .query_row([&event.hash.0[..]], |row| row.get(0))?;
            standings.extend(Standing::from_number(stands));
        }
        remember_clock(conn, clock)?;
        key.number = last.map_or(0, |(number, _)| number);
        self.last_action = Some(action);
        self.pieces.extend(changed.iter().filter(|t: &&Thing| t.kind == ThingKind::Piece).map(|t| t.id));
        Ok((changed.into_iter().collect(), standings))
    }
}

impl Store {
    /// Does one action: `decide` reads, refuses or drafts events; they and the state they give are one
    /// transaction. Returns its answer and the things that changed. Where `decide` refuses, nothing is changed.
    pub fn transact<T, E: From<StoreError>>(
        &mut self,
        shop: Uuid,
        ids: &mut dyn Ids,
        decide: impl FnOnce(&mut Tx<'_>, &mut DeviceKey) -> Result<T, E>,
    ) -> Result<(T, Vec<Thing>), E> {
        let Some(key) = self.key.clone() else { return Err(StoreError::ReadOnly.into()) };
        let (answer, changed, key) = self.transact_by(key, shop, ids, decide)?;
        if let Some(key) = key {
            // The events are safe; a number acknowledged too low is put right at the next opening.
            let _ = key.write(&self.path);
            self.key = Some(key);
        }
        Ok((answer, changed))
    }

    /// Does actions of another device than this file's own, which writes this once and never again: in its name, what a
    /// copy left that is gone for good. Otherwise as [`Store::transact`].
    pub fn transact_once<T, E: From<StoreError>>(
        &mut self,
        key: DeviceKey,
        shop: Uuid,
        ids: &mut dyn Ids,
        decide: impl FnOnce(&mut Tx<'_>, &mut DeviceKey) -> Result<T, E>,
    ) -> Result<(T, Vec<Thing>), E> {
        self.transact_by(key, shop, ids, decide).map(|(answer, changed, _)| (answer, changed))
    }

    /// The same, by the device of a key; gives the key with what it has written, if it has.
    fn transact_by<T, E: From<StoreError>>(
        &mut self,
        mut key: DeviceKey,
        shop: Uuid,
        ids: &mut dyn Ids,
        decide: impl FnOnce(&mut Tx<'_>, &mut DeviceKey) -> Result<T, E>,
    ) -> Result<(T, Vec<Thing>, Option<DeviceKey>), E> {
        if self.is_read_only() {
            return Err(StoreError::ReadOnly.into());
        }
        let transaction =
            self.conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(StoreError::from)?;
        if exchange::is_written_elsewhere(&transaction, key.device)? {
            return Err(StoreError::Forked.into());
        }
        // Another program of the same device may have written since.
        key.number = last_event(&transaction, key.device)?.map_or(0, |(number, _)| number);
        let device = key.device;
        let mut tx = Tx {
            transaction,
            ids,
            drafts: Vec::new(),
            shop,
            device,
            last_action: None,
            person: None,
            pieces: BTreeSet::new(),
            tag: None,
        };
        let answer = decide(&mut tx, &mut key)?;
        let (mut changed, _) = tx.flush(&mut key)?;
        if let Some(signer) = self.signer {
            stock::sign(&tx.transaction, signer, tx.pieces.iter().copied())?;
        }
        let written = tx.last_action.is_some();
        tx.transaction.commit().map_err(StoreError::from)?;
        changed.dedup();
        Ok((answer, changed, written.then_some(key)))
    }
}

/// The device's last event, with effect or waiting: its own may come back from others after a backup was restored.
fn last_event(conn: &Connection, device: Uuid) -> Result<Option<(u64, Hash)>, StoreError> {
    let sql = "SELECT r.number, coalesce(e.hash, w.hash) FROM run r \
               LEFT JOIN event e ON e.device = r.device AND e.number = r.number \
               LEFT JOIN waiting w ON w.device = r.device AND w.number = r.number WHERE r.device = ?1";
    let row: Option<(i64, Vec<u8>)> =
        conn.prepare_cached(sql)?.query_row([device], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    row.map(|(number, hash)| Ok((u64::try_from(number).unwrap_or(0), hash_from(&hash)?))).transpose()
}

/// The latest clock seen, of any device.
pub(crate) fn latest_clock(conn: &Connection) -> Result<Clock, StoreError> {
    let text: Option<String> = conn
        .prepare_cached("SELECT value FROM local WHERE key = 'clock'")?
        .query_row([], |row| row.get(0))
        .optional()?;
    Ok(text.map(|t| serde_json::from_str(&t)).transpose()?.unwrap_or_default())
}

pub(crate) fn remember_clock(conn: &Connection, clock: Clock) -> Result<(), StoreError> {
    conn.prepare_cached("REPLACE INTO local (key, value) VALUES ('clock', ?1)")?
        .execute([serde_json::to_string(&clock)?])?;
    Ok(())
}

/// Stores an event with its standing, 0 where it is not judged yet; gives its place.
pub(crate) fn insert_event(conn: &Connection, bytes: &[u8], event: &Event, standing: u8) -> Result<i64, StoreError> {
    let undoes = match &event.body {
        Some(Body::Undone(undo)) => Some(undo.action),
        _ => None,
    };
    let e = &event.envelope;
    let number = i64::try_from(e.number).map_err(|_| StoreError::Damaged { what: "event number".into() })?;
    conn.prepare_cached(
        "INSERT INTO event (hash, device, number, action, kind, undoes, known, standing, bytes) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
    )?
    .execute(params![
        &event.hash.0[..],
        e.device,
        number,
        e.action,
        e.kind,
        undoes,
        event.body.is_some(),
        standing,
        bytes
    ])?;
    Ok(conn.last_insert_rowid())
}

/// Stores that the event at a place touches a thing; a head: no other of the thing is built on it.
pub(crate) fn insert_touch(conn: &Connection, thing: Thing, seq: i64, is_head: bool) -> Result<(), StoreError> {
    conn.prepare_cached("INSERT INTO touch (thing, seq, head) VALUES (?1, ?2, ?3)")?
        .execute(params![thing.id, seq, is_head])?;
    Ok(())
}

/// Stores a seal, if it is not there.
pub(crate) fn insert_seal(conn: &Connection, hash: Hash, seal: &[u8; 64]) -> Result<(), StoreError> {
    conn.prepare_cached("INSERT OR IGNORE INTO seal (hash, signature) VALUES (?1, ?2)")?
        .execute(params![&hash.0[..], &seal[..]])?;
    Ok(())
}

/// Stores the end of a device's unbroken run.
pub(crate) fn set_run(conn: &Connection, device: Uuid, number: u64) -> Result<(), StoreError> {
    conn.prepare_cached("REPLACE INTO run (device, number) VALUES (?1, ?2)")?
        .execute(params![device, i64::try_from(number).unwrap_or(i64::MAX)])?;
    Ok(())
}

/// Stores an event all of whose needs are here, and folds it in. The end of its device's run is not moved.
pub(crate) fn insert(conn: &Connection, bytes: &[u8], event: &Arc<Event>) -> Result<Vec<Thing>, StoreError> {
    let e = &event.envelope;
    let mut book = SqlBook(conn);
    // Most events come after all heads: how they stand and what they change is known before they are written.
    let at_once = fold::at_once(&book, event)?;
    let standing = if at_once.is_some() { Standing::Counts.number() } else { 0 };
    let seq = insert_event(conn, bytes, event, standing)?;
    if let Some(states) = at_once {
        for touch in &e.touches {
            // Its parents are all the heads that there were.
            if !touch.parents.is_empty() {
                conn.prepare_cached("UPDATE touch SET head = 0 WHERE thing = ?1 AND head = 1")?
                    .execute([touch.thing.id])?;
            }
            insert_touch(conn, touch.thing, seq, true)?;
        }
        let changed = states.iter().map(|(thing, _)| *thing).collect();
        for (thing, state) in states {
            book.put(thing, Folded { state, frozen: false })?;
        }
        return Ok(changed);
    }
    for touch in &e.touches {
        insert_touch(conn, touch.thing, seq, false)?;
    }
    let changed = fold::refold(&mut book, event.things().collect())?;
    for touch in &e.touches {
        for parent in &touch.parents {
            conn.prepare_cached(
                "UPDATE touch SET head = 0 WHERE thing = ?1 AND seq = (SELECT seq FROM event WHERE hash = ?2)",
            )?
            .execute(params![touch.thing.id, &parent.0[..]])?;
        }
        conn.prepare_cached("UPDATE touch SET head = 1 WHERE thing = ?1 AND seq = ?2")?
            .execute(params![touch.thing.id, seq])?;
    }
    Ok(changed.into_iter().collect())
}

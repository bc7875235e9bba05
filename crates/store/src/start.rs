//! What a new device begins with: what one device has with what all of it comes to, so that the whole history need not
//! be folded anew. How it travels is for others to say; here are its parts.
//!
//! Nothing in it is believed but the states: each event is hashed anew, follows its device's event before, and is
//! covered by a seal that holds; all that is looked up by is worked out here. The states are as the device says that
//! made it, which seals the whole; [`Store::check`] folds all events anew and compares.

use std::collections::{BTreeMap, HashMap, HashSet};

use ed25519_dalek::VerifyingKey;
use rusqlite::{Connection, TransactionBehavior};
use sheetloft_ledger::body::Body;
use sheetloft_ledger::event::{Clock, Event, Hash, Thing, ThingKind};
use sheetloft_ledger::exchange::{Part, Sealed, Stored};
use sheetloft_ledger::fold::{Book as _, Folded, Standing};
use sheetloft_ledger::limits;
use sheetloft_ledger::state::State;
use uuid::Uuid;

use crate::book::SqlBook;
use crate::device::{seal_holds, seal_key};
use crate::error::StoreError;
use crate::exchange::seal_from;
use crate::file::Store;
use crate::query::Reader;
use crate::reading::{read_all, which_hold};
use crate::taking::follow;
use crate::write;

impl Store {
    /// Tells `each` all parts of what a new device begins with, but for the end; it says whether to go on. All of it is
    /// of one moment. False where nothing can begin with what is here: something in the middle of it waits.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn start(&self, each: &mut dyn FnMut(Part) -> bool) -> Result<bool, StoreError> {
        let tx = self.conn.unchecked_transaction()?;
        let sql = "SELECT 1 FROM waiting w JOIN event e ON e.device = w.device AND e.number > w.number LIMIT 1";
        if tx.prepare(sql)?.exists([])? {
            return Ok(false);
        }
        let mut events = Batch::new(Part::Events, each);
        let sql = "SELECT e.bytes, e.standing, s.signature FROM event e LEFT JOIN seal s USING (hash) ORDER BY e.seq";
        let mut statement = tx.prepare(sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let sealed = Sealed { bytes: row.get(0)?, seal: seal_from(row.get(2)?) };
            let not_judged = || StoreError::Damaged { what: "an event without standing".into() };
            let standing = Standing::from_number(row.get(1)?).ok_or_else(not_judged)?;
            let bytes = sealed.bytes.len();
            if !events.add((sealed, standing), bytes) {
                return Ok(true);
            }
        }
        if !events.end() {
            return Ok(true);
        }
        let mut things = Batch::new(Part::Things, each);
        let sql = "SELECT 'piece', id, frozen, body FROM piece UNION ALL SELECT kind, id, frozen, body FROM thing";
        let mut statement = tx.prepare(sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let kind: String = row.get(0)?;
            let unknown = || StoreError::Damaged { what: format!("a thing of the kind {kind}") };
            let thing = Thing::new(ThingKind::from_word(&kind).ok_or_else(unknown)?, row.get(1)?);
            let stored = Stored { thing, frozen: row.get(2)?, state: row.get(3)? };
            let bytes = stored.state.as_ref().map_or(0, String::len);
            if !things.add(stored, bytes) {
                return Ok(true);
            }
        }
        things.end();
        Ok(true)
    }

    /// Begins this file, in which nothing is yet, with the parts of another device's; a part that is `None` could not
    /// be read. How many events there are now, or none where that was not to be taken as it is; then nothing is changed.
    /// `now_ms` is the wall clock's.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn begin_from(
        &mut self,
        shop: Uuid,
        now_ms: u64,
        parts: &mut dyn Iterator<Item = Option<Part>>,
    ) -> Result<Option<u64>, StoreError> {
        if self.is_read_only() {
            return Err(StoreError::ReadOnly);
        }
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if !Reader(&tx).runs()?.is_empty() {
            return Ok(None);
        }
        let indexes = take_indexes_away(&tx)?;
        let mut loading = Loading::new(&tx, shop, now_ms);
        let mut ended = false;
        for part in parts {
            let taken = match part {
                _ if ended => false,
                Some(Part::Events(events)) => loading.take_events(events)?,
                Some(Part::Things(things)) => loading.take_things(things)?,
                Some(Part::End { device, hash, seal }) => {
                    ended = true;
                    loading.end(device, hash, &seal)?
                }
                None => false,
            };
            if !taken {
                return Ok(None);
            }
        }
        let events = loading.hashes.len() as u64;
        if ended {
            tx.execute_batch(&indexes)?;
            tx.commit()?;
        }
        Ok(ended.then_some(events))
    }
}

/// Takes away the indexes of the large tables that nothing is looked up by while they are filled: made of all rows at
/// once they cost far less. Gives how to make them again.
fn take_indexes_away(conn: &Connection) -> Result<String, StoreError> {
    let sql = "SELECT name, sql FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL \
               AND tbl_name IN ('event', 'touch', 'thing', 'piece')";
    let mut statement = conn.prepare(sql)?;
    let indexes: Vec<(String, String)> =
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?;
    for (name, _) in &indexes {
        conn.execute_batch(&format!("DROP INDEX {name}"))?;
    }
    Ok(indexes.into_iter().map(|(_, sql)| sql + ";").collect())
}

/// Gathers what belongs into one part.
struct Batch<'a, T> {
    items: Vec<T>,
    bytes: usize,
    part: fn(Vec<T>) -> Part,
    each: &'a mut dyn FnMut(Part) -> bool,
}

impl<'a, T> Batch<'a, T> {
    fn new(part: fn(Vec<T>) -> Part, each: &'a mut dyn FnMut(Part) -> bool) -> Self {
        Self { items: Vec::new(), bytes: 0, part, each }
    }

    fn add(&mut self, item: T, bytes: usize) -> bool {
        self.items.push(item);
        self.bytes += bytes;
        self.bytes < limits::START_PART_BYTES || self.end()
    }

    fn end(&mut self) -> bool {
        self.bytes = 0;
        let items = std::mem::take(&mut self.items);
        items.is_empty() || (self.each)((self.part)(items))
    }
}

/// One device's events, as far as they follow each other.
#[derive(Default)]
struct Chain {
    key: Option<VerifyingKey>,
    number: u64,
    last: Option<Hash>,
    /// Whether a seal covers the last one.
    is_sealed: bool,
    /// What took effect before an earlier one of the same device: its hash, the one before, whether it has a seal.
    early: BTreeMap<u64, (Hash, Option<Hash>, bool)>,
}

impl Chain {
    /// Adds an event; false where its number was given already, or it does not follow.
    fn add(&mut self, number: u64, hash: Hash, prev: Option<Hash>, is_sealed: bool) -> bool {
        if number <= self.number || self.early.insert(number, (hash, prev, is_sealed)).is_some() {
            return false;
        }
        while let Some((hash, prev, is_sealed)) = self.early.remove(&(self.number + 1)) {
            if prev != self.last {
                return false;
            }
            (self.number, self.last, self.is_sealed) = (self.number + 1, Some(hash), is_sealed);
        }
        true
    }
}

/// A file that is being begun. Each step says whether what came can be taken.
struct Loading<'a> {
    conn: &'a Connection,
    shop: Uuid,
    chains: HashMap<Uuid, Chain>,
    hashes: HashSet<Hash>,
    not_understood: HashSet<Hash>,
    /// The events of each thing that no other of it is built on so far, with their places.
    heads: HashMap<Thing, Vec<(Hash, i64)>>,
    clock: Clock,
    now_ms: u64,
}

impl<'a> Loading<'a> {
    fn new(conn: &'a Connection, shop: Uuid, now_ms: u64) -> Self {
        let (chains, hashes, not_understood, heads) = Default::default();
        Self { conn, shop, chains, hashes, not_understood, heads, clock: Clock::default(), now_ms }
    }

    fn take_events(&mut self, events: Vec<(Sealed, Standing)>) -> Result<bool, StoreError> {
        let (sealed, standings): (Vec<Sealed>, Vec<Standing>) = events.into_iter().unzip();
        let Ok(events) = read_all(&sealed).into_iter().collect::<Result<Vec<Event>, _>>() else { return Ok(false) };
        for event in &events {
            if let Some(Body::DeviceBegan(began)) = event.body.as_ref().filter(|_| event.envelope.number == 1) {
                self.chains.entry(event.envelope.device).or_default().key = seal_key(&began.public_key);
            }
        }
        let mut seals = Vec::new();
        for (event, sealed) in events.iter().zip(&sealed) {
            let key = self.chains.get(&event.envelope.device).and_then(|chain| chain.key.as_ref());
            let Some(key) = key else { return Ok(false) };
            seals.extend(sealed.seal.map(|seal| (key, event.hash, seal)));
        }
        if !which_hold(&seals).into_iter().all(|holds| holds) {
            return Ok(false);
        }
        for ((event, sealed), standing) in events.iter().zip(&sealed).zip(standings) {
            if !self.take_event(event, sealed, standing)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn take_event(&mut self, event: &Event, sealed: &Sealed, standing: Standing) -> Result<bool, StoreError> {
        let e = &event.envelope;
        let chain = self.chains.entry(e.device).or_default();
        if e.shop != self.shop || !chain.add(e.number, event.hash, e.prev, sealed.seal.is_some()) {
            return Ok(false);
        }
        // What one program understands and the other does not is folded by each for itself.
        let after = e.touches.iter().flat_map(|t| &t.parents).any(|p| self.not_understood.contains(p));
        let understood = standing != Standing::NotUnderstood;
        if understood && event.body.is_none() || !understood && event.body.is_some() && !after {
            return Ok(false);
        }
        if !understood {
            self.not_understood.insert(event.hash);
        }
        if e.touches.iter().flat_map(|t| &t.parents).any(|p| !self.hashes.contains(p)) {
            return Ok(false);
        }
        let seq = write::insert_event(self.conn, &sealed.bytes, event, standing.number())?;
        if let Some(seal) = &sealed.seal {
            write::insert_seal(self.conn, event.hash, seal)?;
        }
        for touch in &e.touches {
            let heads = self.heads.entry(touch.thing).or_default();
            for (_, seq) in heads.extract_if(.., |(head, _)| touch.parents.contains(head)) {
                write::insert_touch(self.conn, touch.thing, seq, false)?;
            }
            heads.push((event.hash, seq));
        }
        self.clock = follow(self.clock, e.clock, self.now_ms);
        Ok(self.hashes.insert(event.hash))
    }

    fn take_things(&mut self, things: Vec<Stored>) -> Result<bool, StoreError> {
        let mut book = SqlBook(self.conn);
        for Stored { thing, frozen, state } in things {
            let Ok(state) = state.map(|s| serde_json::from_str::<State>(&s)).transpose() else { return Ok(false) };
            if !self.heads.contains_key(&thing) || state.as_ref().is_some_and(|s| s.kind() != thing.kind) {
                return Ok(false);
            }
            book.put(thing, Folded { state, frozen })?;
        }
        Ok(true)
    }

    fn end(&mut self, device: Uuid, hash: Hash, seal: &[u8; 64]) -> Result<bool, StoreError> {
        let maker = self.chains.get(&device).and_then(|chain| chain.key.as_ref());
        if !maker.is_some_and(|key| seal_holds(key, hash, seal)) {
            return Ok(false);
        }
        let sent_away = Reader(self.conn).devices()?.iter().any(|d| d.id == device && d.revoked);
        if sent_away || self.chains.values().any(|c| !c.early.is_empty() || !c.is_sealed) {
            return Ok(false);
        }
        // In the order in which they are stored: each page is written to once.
        let mut heads: Vec<(Thing, i64)> =
            self.heads.drain().flat_map(|(thing, heads)| heads.into_iter().map(move |(_, seq)| (thing, seq))).collect();
        heads.sort_unstable_by_key(|(thing, seq)| (thing.id, *seq));
        for (thing, seq) in heads {
            write::insert_touch(self.conn, thing, seq, true)?;
        }
        for (device, chain) in &self.chains {
            write::set_run(self.conn, *device, chain.number)?;
        }
        write::remember_clock(self.conn, self.clock)?;
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::DeviceKey;
    use crate::testing::{all, device, history, moves};

    /// All parts of a file, in small ones, sealed by its device over a hash that stands for them.
    fn parts(store: &Store) -> Vec<Part> {
        let mut parts = Vec::new();
        let mut each = |part: Part| {
            match part {
                Part::Events(events) => parts.extend(events.into_iter().map(|e| Part::Events(vec![e]))),
                Part::Things(things) => parts.extend(things.into_iter().map(|t| Part::Things(vec![t]))),
                Part::End { .. } => unreachable!(),
            }
            true
        };
        assert!(store.start(&mut each).unwrap());
        let hash = Hash([5; 32]);
        parts.push(Part::End { device: store.device().unwrap(), hash, seal: store.seal(hash).unwrap() });
        parts
    }

    fn empty(folder: &tempfile::TempDir) -> Store {
        let path = folder.path().join(format!("{}.db", folder.path().read_dir().unwrap().count()));
        Store::create(&path, DeviceKey::new(Uuid::from_u128(9), [9; 32])).unwrap()
    }

    fn begin(store: &mut Store, parts: Vec<Part>) -> Option<u64> {
        store.begin_from(Uuid::nil(), 0, &mut parts.into_iter().map(Some)).unwrap()
    }

    #[test]
    fn a_file_that_was_begun_so_is_the_same_and_goes_on_like_any_other() {
        let folder = tempfile::tempdir().unwrap();
        let (mut two, events) = history(folder.path());
        let mut new = empty(&folder);
        assert_eq!(begin(&mut new, parts(&two)), Some(events.len() as u64));
        assert_eq!(new.check().unwrap(), vec![]);
        assert_eq!(new.digest().unwrap(), two.digest().unwrap());
        assert_eq!(all(&new), events);
        // What each of them does next is built on all that both have.
        let (mut three, mut ids) = device(folder.path(), 3);
        let begun = all(&three);
        for store in [&mut new, &mut two] {
            store.take_in(Uuid::nil(), 0, begun.clone()).unwrap();
        }
        three.take_in(Uuid::nil(), 0, all(&new)).unwrap();
        moves(&mut three, &mut ids, 0..5);
        for store in [&mut new, &mut two] {
            store.take_in(Uuid::nil(), 0, all(&three)).unwrap();
            assert_eq!(store.check().unwrap(), vec![]);
            assert_eq!(store.digest().unwrap(), three.digest().unwrap());
            let thing = Thing::piece(Uuid::from_u128(500));
            assert_eq!(store.read().heads(thing).unwrap(), three.read().heads(thing).unwrap());
        }
        // Only a file in which nothing is yet begins so.
        assert_eq!(begin(&mut new, parts(&two)), None);
    }

    #[test]
    fn what_is_not_as_it_was_made_is_left_alone() {
        type Change = fn(&mut Vec<Part>);
        fn event(parts: &mut [Part], at: usize) -> &mut (Sealed, Standing) {
            match &mut parts[at] {
                Part::Events(events) => &mut events[0],
                _ => unreachable!(),
            }
        }
        fn end(parts: &mut [Part]) -> (&mut Uuid, &mut [u8; 64]) {
            match parts.last_mut() {
                Some(Part::End { device, seal, .. }) => (device, seal),
                _ => unreachable!(),
            }
        }
        fn first_thing(parts: &mut [Part]) -> &mut Stored {
            let found = parts.iter_mut().find_map(|p| if let Part::Things(t) = p { Some(&mut t[0]) } else { None });
            found.unwrap()
        }
        let changes: &[(&str, Change)] = &[
            ("an event is gone", |p| drop(p.remove(3))),
            ("the last event is gone", |p| {
                let last = p.iter().rposition(|p| matches!(p, Part::Events(_))).unwrap();
                p.remove(last);
            }),
            ("an event comes twice", |p| p.insert(4, p[3].clone())),
            ("an event comes before what it builds on", |p| {
                let last = p.iter().rposition(|p| matches!(p, Part::Events(_))).unwrap();
                let event = p.remove(last);
                p.insert(4, event);
            }),
            ("an event was changed", |p| *event(p, 5).0.bytes.last_mut().unwrap() = b' '),
            ("an event's clock was changed", |p| {
                let text = String::from_utf8(event(p, 5).0.bytes.clone()).unwrap();
                event(p, 5).0.bytes = text.replacen("\"clock\":[", "\"clock\":[1", 1).into_bytes();
            }),
            ("a seal was changed", |p| {
                let at = (0..).find(|at| event(p, *at).0.seal.is_some()).unwrap();
                event(p, at).0.seal = Some([1; 64]);
            }),
            ("the last seal is gone", |p| {
                let last = p.iter().rposition(|p| matches!(p, Part::Events(_))).unwrap();
                event(p, last).0.seal = None;
            }),
            ("an event is said not to be understood", |p| event(p, 2).1 = Standing::NotUnderstood),
            ("a state cannot be read", |p| first_thing(p).state = Some("{}".into())),
            ("a thing that nothing touched", |p| first_thing(p).thing.id = Uuid::from_u128(77)),
            ("a state of another kind", |p| first_thing(p).thing.kind = ThingKind::Order),
            ("it does not end", |p| drop(p.pop())),
            ("it goes on after its end", |p| {
                let first = p[0].clone();
                p.push(first);
            }),
            ("its seal does not hold", |p| end(p).1[7] ^= 1),
            ("it was made by a device of which it says nothing", |p| *end(p).0 = Uuid::from_u128(8)),
            ("it was made by another device", |p| *end(p).0 = Uuid::from_u128(1)),
        ];
        let folder = tempfile::tempdir().unwrap();
        let (two, events) = history(folder.path());
        let whole = parts(&two);
        for (what, change) in changes {
            let mut changed = whole.clone();
            change(&mut changed);
            let mut new = empty(&folder);
            assert_eq!(begin(&mut new, changed), None, "{what}");
            assert_eq!(new.read().events().unwrap(), 0, "{what}");
            // Everything is taken one by one, then.
            new.take_in(Uuid::nil(), 0, events.clone()).unwrap();
            assert_eq!(new.digest().unwrap(), two.digest().unwrap(), "{what}");
        }
        let mut new = empty(&folder);
        let mut other = whole.clone().into_iter().map(Some);
        assert_eq!(new.begin_from(Uuid::from_u128(4), 0, &mut other).unwrap(), None, "another shop");
        let mut broken = whole.into_iter().map(Some).take(7).chain([None]);
        assert_eq!(new.begin_from(Uuid::nil(), 0, &mut broken).unwrap(), None, "a part cannot be read");
    }
}

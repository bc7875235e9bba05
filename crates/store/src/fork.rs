//! What two copies of one device's shop file left behind: events that count nowhere, and which of them were written
//! again under a name of one's own since. An event that is written again keeps its `id`; by that it is known.

use std::collections::{BTreeMap, HashMap, HashSet};

use rusqlite::params;
use serde::Deserialize;
use sheetloft_ledger::body::Body;
use sheetloft_ledger::event::{Event, Hash};
use uuid::Uuid;

use crate::book::hash_from;
use crate::error::StoreError;
use crate::query::Reader;

/// A device of which two copies went on writing.
#[derive(Clone, PartialEq, Debug)]
pub struct Fork {
    /// Which.
    pub device: Uuid,
    /// The number from which on nothing of it counts.
    pub number: u64,
    /// Those of its events that were not written again yet, in order, each action's together.
    pub open: Vec<Event>,
}

/// What is here without effect because of copies, and what became of it.
#[derive(Clone, Default, PartialEq, Debug)]
pub struct Frozen {
    /// The devices with copies.
    pub forks: Vec<Fork>,
    /// Of other devices: events that were built on what counts no more and were not written again yet, in order.
    pub built_on: BTreeMap<Uuid, Vec<Event>>,
    /// By which event each one that was written again counts now.
    pub events: HashMap<Hash, Hash>,
    /// The same for actions.
    pub actions: HashMap<Uuid, Uuid>,
    /// Events that wait for what has not come yet.
    pub waiting: u64,
}

impl Frozen {
    /// How many events count nowhere and were not written again yet.
    pub fn open(&self) -> u64 {
        let of_copies = self.forks.iter().map(|f| &f.open);
        of_copies.chain(self.built_on.values()).map(|events| events.len() as u64).sum()
    }
}

/// Whether an event of a copy is written again: what it says of the copy's old name is not.
pub fn is_written_again(body: &Body) -> bool {
    !matches!(body, Body::DeviceBegan(_) | Body::DeviceNamed(_))
}

/// Everything that counts nowhere because of copies: what they wrote after they parted, and what was built on that.
const DEAD: &str = "WITH RECURSIVE dead (hash) AS ( \
        SELECT w.hash FROM waiting w JOIN fork f ON f.device = w.device WHERE w.number >= f.number OR w.own = 1 \
        UNION SELECT w.hash FROM dead d JOIN want n ON n.missing = d.hash \
            JOIN waiting w ON w.action = n.action AND w.device = n.device) \
    SELECT w.hash, w.bytes FROM dead JOIN waiting w USING (hash) ORDER BY w.device, w.number, w.hash";

/// As much of an event as says which one it is.
#[derive(Deserialize)]
struct Names {
    id: Uuid,
    action: Uuid,
}

impl Reader<'_> {
    /// What copies left behind.
    pub fn frozen(&self) -> Result<Frozen, StoreError> {
        let all: i64 = self.0.prepare_cached("SELECT count(*) FROM waiting")?.query_row([], |row| row.get(0))?;
        let all = u64::try_from(all).unwrap_or(0);
        let mut statement = self.0.prepare_cached("SELECT device, number FROM fork ORDER BY device")?;
        let forks: Vec<(Uuid, i64)> =
            statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?;
        if forks.is_empty() {
            return Ok(Frozen { waiting: all, ..Frozen::default() });
        }
        let mut dead: BTreeMap<Uuid, Vec<Event>> = BTreeMap::new();
        let mut count = 0;
        {
            let mut statement = self.0.prepare_cached(DEAD)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let event = Event::read(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?;
                count += 1;
                if event.body.as_ref().is_none_or(is_written_again) {
                    dead.entry(event.envelope.device).or_default().push(event);
                }
            }
        }
        let mut frozen = Frozen { waiting: all.saturating_sub(count), ..Frozen::default() };
        let devices = self.devices()?;
        for (device, number) in forks {
            let events = dead.remove(&device).unwrap_or_default();
            // A copy writes again what it did right after it began under a name of its own.
            let most = i64::try_from(events.len()).unwrap_or(i64::MAX).saturating_add(2);
            for copy in devices.iter().filter(|d| d.through == Some(device)) {
                self.find_again(&events, copy.id, 0, most, &mut frozen)?;
            }
            let mut open: Vec<Event> = Vec::new();
            for event in events.into_iter().filter(|e| !frozen.events.contains_key(&e.hash)) {
                // What two copies did under the same numbers does not mix.
                let same = |e: &Event| e.envelope.action == event.envelope.action;
                let after = open.iter().rposition(same).map_or(open.len(), |at| at + 1);
                open.insert(after, event);
            }
            frozen.forks.push(Fork { device, number: u64::try_from(number).unwrap_or(0), open });
        }
        for (device, events) in dead {
            let after = events.iter().map(|e| e.envelope.number).min().unwrap_or(0);
            self.find_again(&events, device, i64::try_from(after).unwrap_or(i64::MAX), i64::MAX, &mut frozen)?;
            let open: Vec<Event> = events.into_iter().filter(|e| !frozen.events.contains_key(&e.hash)).collect();
            if !open.is_empty() {
                frozen.built_on.insert(device, open);
            }
        }
        Ok(frozen)
    }

    /// Which of `events` a device wrote again, among those that it numbered after `after` and up to `to`.
    fn find_again(
        &self,
        events: &[Event],
        device: Uuid,
        after: i64,
        to: i64,
        frozen: &mut Frozen,
    ) -> Result<(), StoreError> {
        let by_id: HashMap<Uuid, &Event> = events.iter().map(|e| (e.envelope.id, e)).collect();
        let mut left: HashSet<Uuid> = by_id.keys().copied().collect();
        let sql = "SELECT hash, bytes FROM event WHERE device = ?1 AND number > ?2 AND number <= ?3 ORDER BY number";
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query(params![device, after, to])?;
        while let Some(row) = rows.next()? {
            if left.is_empty() {
                break;
            }
            let Ok(names) = serde_json::from_slice::<Names>(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)
            else {
                continue;
            };
            if let Some(event) = by_id.get(&names.id).filter(|_| left.remove(&names.id)) {
                let hash = hash_from(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
                frozen.events.insert(event.hash, hash);
                frozen.actions.insert(event.envelope.action, names.action);
            }
        }
        Ok(())
    }
}

//! Taking in what other devices did: checked, kept, and given effect once everything that it builds on has.
//!
//! All of it is idempotent: an event that is here already changes nothing. What comes is checked first: its hash is
//! worked out from its bytes, its device's events follow each other by `prev`, and a seal of that device covers them;
//! what is not so covered is refused and named.
//!
//! Most of what comes directly follows the end of its device's run, in an order in which it can take effect: that is
//! written as it comes. Anything else waits first, until everything that it builds on has effect; and a number that was
//! given twice is a fork.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet, VecDeque};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use sheetloft_ledger::body::Body;
use sheetloft_ledger::event::{Clock, Event, EventError, Hash, Thing, ThingKind};
use sheetloft_ledger::exchange::{Refused, Sealed, TakenIn, WhyRefused};
use sheetloft_ledger::fold::{Book as _, Folded};
use sheetloft_ledger::state::State;
use uuid::Uuid;

use crate::book::{SqlBook, hash_from};
use crate::check::refold_all;
use crate::device::seal_key;
use crate::error::StoreError;
use crate::exchange::stored_at;
use crate::file::Store;
use crate::query::Reader;
use crate::reading::{read_all, which_hold};
use crate::stock;
use crate::write::{insert, insert_seal, latest_clock, remember_clock, set_run};

/// A clock further ahead than this is not followed, so that one device with a wrong date does not date all others'.
const CLOCK_AHEAD_MS: u64 = 10 * 60 * 1_000;

/// One device's events, by number; two copies of a device may have given a number twice.
type ByNumber = BTreeMap<(u64, Hash), (Event, Sealed)>;

impl Store {
    /// Takes events in, in one transaction. `now_ms` is the wall clock's.
    pub fn take_in(&mut self, shop: Uuid, now_ms: u64, events: Vec<Sealed>) -> Result<TakenIn, StoreError> {
        if self.is_read_only() {
            return Err(StoreError::ReadOnly);
        }
        let mut taken = TakenIn::default();
        let mut of_device: BTreeMap<Uuid, ByNumber> = BTreeMap::new();
        // Whoever sends them has them in an order in which they can take effect.
        let mut sent: HashMap<Hash, usize> = HashMap::new();
        for (event, sealed) in read_all(&events).into_iter().zip(events) {
            match event {
                Ok(event) if event.envelope.shop != shop => taken.refused.push(refused(&event, WhyRefused::OtherShop)),
                Ok(event) => {
                    let of = of_device.entry(event.envelope.device).or_default();
                    sent.insert(event.hash, sent.len());
                    of.insert((event.envelope.number, event.hash), (event, sealed));
                }
                Err(e) => taken.refused.push(unreadable(&sealed.bytes, &e)),
            }
        }
        let signer = self.signer;
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut clock = latest_clock(&tx)?;
        let mut ready: VecDeque<(Uuid, Uuid)> = VecDeque::new();
        let mut forks = BTreeSet::new();
        let mut whole: Vec<WholeAction> = Vec::new();
        for (device, events) in of_device {
            let end = quiet_end(&tx, device)?;
            let mut fresh = Vec::new();
            for (event, sealed) in events.into_values() {
                let beyond = end.is_some_and(|(run, _)| event.envelope.number > run);
                if beyond || !Reader(&tx).has(event.hash)? {
                    fresh.push((event, sealed));
                }
            }
            let covered = covered(&tx, device, &mut fresh)?;
            let (fresh, unsealed): (Vec<_>, Vec<_>) =
                fresh.into_iter().partition(|(event, _)| covered.contains(&event.hash));
            taken.refused.extend(unsealed.iter().map(|(event, _)| refused(event, WhyRefused::NotSealed)));
            for (event, _) in &fresh {
                clock = follow(clock, event.envelope.clock, now_ms);
            }
            taken.new += fresh.len() as u64;
            let fresh = match end {
                Some(end) => whole_actions(&tx, device, end, fresh, &mut whole)?,
                None => fresh,
            };
            for (event, sealed) in fresh {
                forks.extend(keep(&tx, &event, &sealed)?.map(|number| (device, number)));
                let action = (device, event.envelope.action);
                if ready.back() != Some(&action) {
                    ready.push_back(action);
                }
            }
        }
        remember_clock(&tx, clock)?;
        let mut changed = BTreeSet::new();
        whole.sort_by_key(|action| action.last().and_then(|(event, _)| sent.get(&event.hash)));
        let mut wanted = tx.prepare_cached("SELECT 1 FROM want LIMIT 1")?.exists([])?;
        for action in whole {
            changed.extend(take_effect(&tx, action, &mut wanted, &mut ready)?);
        }
        for (device, number) in forks {
            changed.extend(freeze(&tx, device, number)?);
        }
        while let Some((device, action)) = ready.pop_front() {
            changed.extend(give_effect(&tx, device, action, &mut ready)?);
        }
        let pieces: Vec<Uuid> = changed.iter().filter(|t| t.kind == ThingKind::Piece).map(|t| t.id).collect();
        // Where many come at once, their signatures can wait: `Store::sign` works them out by and by.
        if let Some(signer) = signer.filter(|_| pieces.len() <= stock::AT_ONCE) {
            stock::sign(&tx, signer, pieces.into_iter())?;
        }
        tx.commit()?;
        taken.refused.sort_by_key(|r| (r.device, r.number));
        taken.refused.dedup_by_key(|r| r.device);
        taken.changed = changed.into_iter().collect();
        Ok(taken)
    }
}

/// The clock after one was seen; `now_ms` is the wall clock's.
pub(crate) fn follow(clock: Clock, seen: Clock, now_ms: u64) -> Clock {
    if seen.ms <= now_ms.saturating_add(CLOCK_AHEAD_MS) { clock.max(seen) } else { clock }
}

fn refused(event: &Event, why: WhyRefused) -> Refused {
    Refused { device: event.envelope.device, number: event.envelope.number, why }
}

/// Names an event that cannot be read by as much of its envelope as can be.
fn unreadable(bytes: &[u8], error: &EventError) -> Refused {
    #[derive(serde::Deserialize)]
    struct Names {
        device: Uuid,
        number: u64,
    }
    let names: Option<Names> = serde_json::from_slice(bytes).ok();
    Refused {
        device: names.as_ref().map_or(Uuid::nil(), |n| n.device),
        number: names.map_or(0, |n| n.number),
        why: WhyRefused::Unreadable(error.to_string()),
    }
}

/// Which of a device's new events a good seal covers: each one that is followed, by `prev`, by a sealed one. A seal that
/// does not hold is taken off: whoever gets the events from here would stumble over it.
fn covered(conn: &Connection, device: Uuid, events: &mut [(Event, Sealed)]) -> Result<HashSet<Hash>, StoreError> {
    let key = public_key(conn, device, events)?.and_then(|key| seal_key(&key));
    let Some(key) = key else { return Ok(HashSet::new()) };
    let seals: Vec<_> = events.iter().filter_map(|(event, sealed)| Some((&key, event.hash, sealed.seal?))).collect();
    let hold = which_hold(&seals);
    let sealed = events.iter_mut().map(|(_, sealed)| sealed).filter(|sealed| sealed.seal.is_some());
    for (sealed, _) in sealed.zip(hold).filter(|(_, holds)| !holds) {
        sealed.seal = None;
    }
    let by_hash: BTreeMap<Hash, &(Event, Sealed)> = events.iter().map(|e| (e.0.hash, e)).collect();
    let mut covered = HashSet::new();
    for (event, sealed) in events.iter().rev() {
        // Covered by its own seal, or by what came before and was checked then.
        if covered.contains(&event.hash) || (sealed.seal.is_none() && !is_followed(conn, event)?) {
            continue;
        }
        let mut at = Some(event);
        while let Some(event) = at.filter(|e| covered.insert(e.hash)) {
            let before = event.envelope.prev.and_then(|prev| by_hash.get(&prev)).map(|(e, _)| e);
            at = before.filter(|b| b.envelope.number + 1 == event.envelope.number);
        }
    }
    // The first one has nothing before it, and every other one has.
    let first = |e: &Event| (e.envelope.number == 1) == e.envelope.prev.is_none() && e.envelope.number > 0;
    covered.retain(|hash| by_hash.get(hash).is_some_and(|(e, _)| first(e)));
    Ok(covered)
}

/// Whether the device's next event is here already, and names this one as the one before.
fn is_followed(conn: &Connection, event: &Event) -> Result<bool, StoreError> {
    let next = i64::try_from(event.envelope.number).unwrap_or(i64::MAX).saturating_add(1);
    let after = stored_at(conn, event.envelope.device, next)?;
    Ok(after.iter().any(|(_, later)| Event::read(&later.bytes).is_ok_and(|l| l.envelope.prev == Some(event.hash))))
}

/// A device's public key: as it stands in the event by which it began, here or among those that came with it.
fn public_key(conn: &Connection, device: Uuid, events: &[(Event, Sealed)]) -> Result<Option<String>, StoreError> {
    let Folded { state, .. } = Reader(conn).folded(Thing::new(ThingKind::Device, device))?;
    if let Some(known) = state.and_then(State::device) {
        return Ok(Some(known.public_key));
    }
    let mut firsts: Vec<Event> = Vec::new();
    for (_, sealed) in stored_at(conn, device, 1)? {
        firsts.extend(Event::read(&sealed.bytes).ok());
    }
    let began = |e: &Event| match &e.body {
        Some(Body::DeviceBegan(b))
            if e.envelope.number == 1 && e.things().eq([Thing::new(ThingKind::Device, device)]) =>
        {
            Some(b.public_key.clone())
        }
        _ => None,
    };
    Ok(firsts.iter().chain(events.iter().map(|(e, _)| e)).find_map(began))
}

/// Keeps an event that is new here, without effect yet. Returns the number at which its device turns out forked.
fn keep(conn: &Connection, event: &Event, sealed: &Sealed) -> Result<Option<u64>, StoreError> {
    let e = &event.envelope;
    let number = i64::try_from(e.number).map_err(|_| StoreError::Damaged { what: "event number".into() })?;
    let beside = stored_at(conn, e.device, number)?;
    let before = if e.number > 1 { stored_at(conn, e.device, number - 1)? } else { Vec::new() };
    let after = stored_at(conn, e.device, number + 1)?;
    put_aside(conn, event, &sealed.bytes)?;
    if let Some(seal) = &sealed.seal {
        insert_seal(conn, event.hash, seal)?;
    }
    advance(conn, e.device)?;
    let follows = |later: &Sealed| Event::read(&later.bytes).is_ok_and(|l| l.envelope.prev == Some(event.hash));
    Ok(if !before.is_empty() && before.iter().all(|(hash, _)| Some(*hash) != e.prev) {
        Some(e.number - 1)
    } else if !beside.is_empty() || (!after.is_empty() && !after.iter().any(|(_, later)| follows(later))) {
        Some(e.number)
    } else {
        None
    })
}

/// Moves the end of a device's unbroken run forward over what is here.
pub(crate) fn advance(conn: &Connection, device: Uuid) -> Result<(), StoreError> {
    let mut statement = conn.prepare_cached("SELECT number FROM run WHERE device = ?1")?;
    let before: i64 = statement.query_row([device], |row| row.get(0)).optional()?.unwrap_or(0);
    let mut run = before;
    let sql = "SELECT 1 FROM event WHERE device = ?1 AND number = ?2 \
               UNION ALL SELECT 1 FROM waiting WHERE device = ?1 AND number = ?2";
    let mut there = conn.prepare_cached(sql)?;
    while there.exists(params![device, run + 1])? {
        run += 1;
    }
    if run != before {
        set_run(conn, device, u64::try_from(run).unwrap_or(0))?;
    }
    Ok(())
}

/// The end of a device's run with the hash of the event there, where nothing of the device waits or is forked: what
/// comes next after it can be no second version of anything.
fn quiet_end(conn: &Connection, device: Uuid) -> Result<Option<(u64, Option<Hash>)>, StoreError> {
    let sql = "SELECT 1 FROM waiting WHERE device = ?1 UNION ALL SELECT 1 FROM fork WHERE device = ?1 LIMIT 1";
    if conn.prepare_cached(sql)?.exists([device])? {
        return Ok(None);
    }
    let sql = "SELECT e.number, e.hash FROM run r JOIN event e USING (device, number) WHERE r.device = ?1";
    let row: Option<(i64, Vec<u8>)> =
        conn.prepare_cached(sql)?.query_row([device], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    let Some((number, hash)) = row else { return Ok(Some((0, None))) };
    Ok(Some((u64::try_from(number).unwrap_or(0), Some(hash_from(&hash)?))))
}

/// An action of which every event is here, in order.
type WholeAction = Vec<(Event, Sealed)>;

/// Sorts out the whole actions of what directly follows the end of a quiet device's run, and moves that end over them.
/// Gives back what is not so simple: everything where a number is missing or given twice, else what is left of an
/// action that is not all here.
fn whole_actions(
    conn: &Connection,
    device: Uuid,
    (run, last): (u64, Option<Hash>),
    events: Vec<(Event, Sealed)>,
    whole: &mut Vec<WholeAction>,
) -> Result<Vec<(Event, Sealed)>, StoreError> {
    let (mut number, mut prev, mut within) = (run, last, None);
    for (event, _) in &events {
        let e = &event.envelope;
        if e.number != number + 1 || e.prev != prev || within.is_some_and(|action| action != e.action) {
            return Ok(events);
        }
        (number, prev, within) = (e.number, Some(event.hash), e.more.then_some(e.action));
    }
    let mut action: WholeAction = Vec::new();
    let mut end = run;
    for (event, sealed) in events {
        if let Some(seal) = &sealed.seal {
            insert_seal(conn, event.hash, seal)?;
        }
        let (more, number) = (event.envelope.more, event.envelope.number);
        action.push((event, sealed));
        if !more {
            end = number;
            whole.push(std::mem::take(&mut action));
        }
    }
    if end > run {
        set_run(conn, device, end)?;
    }
    Ok(action)
}

/// Notes that an action waits for an event.
fn want(conn: &Connection, missing: Hash, device: Uuid, action: Uuid) -> Result<(), StoreError> {
    conn.prepare_cached("INSERT OR IGNORE INTO want (missing, device, action) VALUES (?1, ?2, ?3)")?
        .execute(params![&missing.0[..], device, action])?;
    Ok(())
}

/// The first of what an action builds on that has no effect here yet.
fn lacks<'a>(conn: &Connection, events: impl Iterator<Item = &'a Event> + Clone) -> Result<Option<Hash>, StoreError> {
    let own: HashSet<Hash> = events.clone().map(|e| e.hash).collect();
    let mut in_effect = conn.prepare_cached("SELECT 1 FROM event WHERE hash = ?1")?;
    for parent in events.flat_map(|e| &e.envelope.touches).flat_map(|t| &t.parents).filter(|p| !own.contains(p)) {
        if !in_effect.exists([&parent.0[..]])? {
            return Ok(Some(*parent));
        }
    }
    Ok(None)
}

/// Adds what waited for an event to `ready`.
fn wake(conn: &Connection, event: Hash, ready: &mut VecDeque<(Uuid, Uuid)>) -> Result<(), StoreError> {
    let mut waiting = conn.prepare_cached("SELECT device, action FROM want WHERE missing = ?1")?;
    for other in waiting.query_map([&event.0[..]], |row| Ok((row.get(0)?, row.get(1)?)))? {
        ready.push_back(other?);
    }
    conn.prepare_cached("DELETE FROM want WHERE missing = ?1")?.execute([&event.0[..]])?;
    Ok(())
}

/// Gives a whole action that has just come effect, if everything that it builds on has; else it waits. `wanted`: whether
/// anything waits for something.
fn take_effect(
    conn: &Connection,
    action: WholeAction,
    wanted: &mut bool,
    ready: &mut VecDeque<(Uuid, Uuid)>,
) -> Result<Vec<Thing>, StoreError> {
    if let Some(missing) = lacks(conn, action.iter().map(|(event, _)| event))? {
        for (event, sealed) in &action {
            put_aside(conn, event, &sealed.bytes)?;
        }
        if let Some((event, _)) = action.first() {
            want(conn, missing, event.envelope.device, event.envelope.action)?;
        }
        *wanted = true;
        return Ok(Vec::new());
    }
    let mut changed = Vec::new();
    for (event, sealed) in action {
        let event = Arc::new(event);
        changed.extend(insert(conn, &sealed.bytes, &event)?);
        if *wanted {
            wake(conn, event.hash, ready)?;
        }
    }
    Ok(changed)
}

/// Keeps an event without effect.
fn put_aside(conn: &Connection, event: &Event, bytes: &[u8]) -> Result<(), StoreError> {
    let e = &event.envelope;
    let number = i64::try_from(e.number).map_err(|_| StoreError::Damaged { what: "event number".into() })?;
    conn.prepare_cached(
        "INSERT INTO waiting (hash, device, number, action, own, bytes) VALUES (?1, ?2, ?3, ?4, 0, ?5)",
    )?
    .execute(params![&event.hash.0[..], e.device, number, e.action, bytes])?;
    Ok(())
}

/// Gives a waiting action effect if everything that it needs has; else notes what it lacks. Actions that waited for it
/// are added to `ready`.
fn give_effect(
    conn: &Connection,
    device: Uuid,
    action: Uuid,
    ready: &mut VecDeque<(Uuid, Uuid)>,
) -> Result<Vec<Thing>, StoreError> {
    // By the order alone, SQLite would go through all that waits of the device, for each action anew.
    let mut statement = conn.prepare_cached(
        "SELECT bytes FROM waiting INDEXED BY waiting_by_action WHERE action = ?1 AND device = ?2 \
         ORDER BY number, hash",
    )?;
    let mut rows = statement.query(params![action, device])?;
    let mut events: Vec<(Vec<u8>, Arc<Event>)> = Vec::new();
    while let Some(row) = rows.next()? {
        let bytes: Vec<u8> = row.get(0)?;
        let event = Arc::new(Event::read(&bytes)?);
        events.push((bytes, event));
    }
    drop(rows);
    let (Some((_, first)), Some((_, last))) = (events.first(), events.last()) else { return Ok(Vec::new()) };
    let in_a_row = events.windows(2).all(|w| w[1].1.envelope.prev == Some(w[0].1.hash) && w[0].1.envelope.more);
    if last.envelope.more || !in_a_row {
        return Ok(Vec::new());
    }
    let from: Option<i64> = conn
        .prepare_cached("SELECT number FROM fork WHERE device = ?1")?
        .query_row([device], |row| row.get(0))
        .optional()?;
    if from.is_some_and(|from| i64::try_from(last.envelope.number).unwrap_or(i64::MAX) >= from) {
        return Ok(Vec::new());
    }
    // What comes before on its own device need only be here: it may have to wait for something else.
    if let Some(prev) = first.envelope.prev
        && !Reader(conn).has(prev)?
    {
        want(conn, prev, device, action)?;
        return Ok(Vec::new());
    }
    if let Some(missing) = lacks(conn, events.iter().map(|(_, event)| &**event))? {
        want(conn, missing, device, action)?;
        return Ok(Vec::new());
    }
    let mut changed = Vec::new();
    for (bytes, event) in &events {
        conn.prepare_cached("DELETE FROM waiting WHERE hash = ?1")?.execute([&event.hash.0[..]])?;
        changed.extend(insert(conn, bytes, event)?);
        advance(conn, device)?;
        wake(conn, event.hash, ready)?;
    }
    // The next of the same device may have waited for this to be here.
    let next = i64::try_from(last.envelope.number).unwrap_or(i64::MAX).saturating_add(1);
    let mut statement = conn.prepare_cached("SELECT action FROM waiting WHERE device = ?1 AND number = ?2")?;
    for other in statement.query_map(params![device, next], |row| row.get(0))? {
        ready.push_back((device, other?));
    }
    Ok(changed)
}

/// Two copies of one device went on writing: from this number on its events have no effect, nor has what was built on
/// them, until a person has given one copy a new name. Everything else goes on.
fn freeze(conn: &Connection, device: Uuid, number: u64) -> Result<Vec<Thing>, StoreError> {
    let number = i64::try_from(number).unwrap_or(i64::MAX);
    conn.prepare_cached(
        "INSERT INTO fork (device, number) VALUES (?1, ?2) \
         ON CONFLICT DO UPDATE SET number = min(number, excluded.number)",
    )?
    .execute(params![device, number])?;
    // An action is taken back whole, and whatever was built on it with it.
    let mut events = Vec::new();
    {
        let mut statement =
            conn.prepare_cached("SELECT bytes, device = ?1 AND number >= ?2 FROM event ORDER BY seq")?;
        let mut rows = statement.query(params![device, number])?;
        while let Some(row) = rows.next()? {
            let event = Event::read(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
            events.push((event, row.get::<_, bool>(1)?));
        }
    }
    let mut out: HashSet<Hash> = HashSet::new();
    let mut actions: HashSet<(Uuid, Uuid)> = HashSet::new();
    loop {
        let before = out.len();
        for (event, forked) in &events {
            let e = &event.envelope;
            let built_on = || e.touches.iter().flat_map(|t| &t.parents).any(|p| out.contains(p));
            if *forked || actions.contains(&(e.device, e.action)) || built_on() {
                out.insert(event.hash);
                actions.insert((e.device, e.action));
            }
        }
        if out.len() == before {
            break;
        }
    }
    if out.is_empty() {
        return Ok(Vec::new());
    }
    let mut changed: BTreeSet<Thing> = BTreeSet::new();
    for (event, _) in events.iter().filter(|(e, _)| out.contains(&e.hash)) {
        changed.extend(event.things());
        let hash = &event.hash.0[..];
        conn.prepare_cached(
            "INSERT INTO waiting (hash, device, number, action, own, bytes) \
             SELECT hash, device, number, action, 1, bytes FROM event WHERE hash = ?1",
        )?
        .execute([hash])?;
        conn.prepare_cached("DELETE FROM touch WHERE seq = (SELECT seq FROM event WHERE hash = ?1)")?
            .execute([hash])?;
        conn.prepare_cached("DELETE FROM event WHERE hash = ?1")?.execute([hash])?;
        for parent in event.envelope.touches.iter().flat_map(|t| &t.parents).filter(|p| out.contains(p)) {
            conn.prepare_cached("INSERT OR IGNORE INTO want (missing, device, action) VALUES (?1, ?2, ?3)")?
                .execute(params![&parent.0[..], event.envelope.device, event.envelope.action])?;
        }
    }
    for thing in &changed {
        mend_heads(conn, *thing)?;
    }
    refold_all(conn)?;
    Ok(changed.into_iter().collect())
}

/// Works out anew which events of a thing no other one is built on.
fn mend_heads(conn: &Connection, thing: Thing) -> Result<(), StoreError> {
    let events = SqlBook(conn).events_of(thing)?;
    let inner: HashSet<Hash> = events.iter().flat_map(|e| e.parents_in(thing).to_vec()).collect();
    for event in events {
        conn.prepare_cached(
            "UPDATE touch SET head = ?3 WHERE thing = ?1 AND seq = (SELECT seq FROM event WHERE hash = ?2)",
        )?
        .execute(params![thing.id, &event.hash.0[..], !inner.contains(&event.hash)])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::exchange::Waiting;
    use crate::testing::{all, device, history};

    proptest! {
        #![proptest_config(ProptestConfig { cases: 16, ..ProptestConfig::default() })]

        #[test]
        fn however_events_come_they_end_in_the_same(seed in any::<u64>(), step in 1_usize..40) {
            let folder = tempfile::tempdir().unwrap();
            let (two, events) = history(folder.path());
            let (mut three, _) = device(folder.path(), 3);
            let begun = all(&three);
            // In the sender's order, shuffled, and some of them twice.
            let mut order: Vec<usize> = (0..events.len()).chain(0..events.len() / 3).collect();
            let mut dice = seed;
            for i in (1..order.len()).rev().filter(|_| seed % 3 > 0) {
                dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                order.swap(i, (dice >> 33) as usize % (i + 1));
            }
            for some in order.chunks(step) {
                // Whole runs to each seal are what others send; pieces of one wait for their seal and are refused.
                three.take_in(Uuid::nil(), 0, some.iter().map(|i| events[*i].clone()).collect()).unwrap();
            }
            three.take_in(Uuid::nil(), 0, events.clone()).unwrap();
            prop_assert_eq!(three.read().waiting().unwrap(), Waiting::default());
            prop_assert_eq!(three.check().unwrap(), vec![]);
            let mut runs = three.read().runs().unwrap();
            runs.remove(&Uuid::from_u128(3));
            prop_assert_eq!(runs, two.read().runs().unwrap());
            let mut two = two;
            two.take_in(Uuid::nil(), 0, begun).unwrap();
            prop_assert_eq!(three.digest().unwrap(), two.digest().unwrap());
        }
    }

    /// One of the shop's own devices hands on what no shop file could store: it is refused and named, and holds up nobody.
    #[test]
    fn what_cannot_be_stored_is_refused_and_the_rest_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let (_, events) = history(folder.path());
        let (bad, _) = device(folder.path(), 4);
        let begun = all(&bad);
        let first = Event::read(&begun[0].bytes).unwrap();
        let text = String::from_utf8(begun[0].bytes.clone()).unwrap();
        let thing = text.split("\"touches\":[").nth(1).unwrap().split("],\"body\"").next().unwrap().to_owned();
        for changed in [
            text.replace("\"number\":1", "\"number\":18446744073709551615"),
            text.replace(&format!("[{thing}]"), &format!("[{thing},{thing}]")),
        ] {
            assert_ne!(changed, text);
            let hash = Hash::of(changed.as_bytes());
            let sealed = Sealed { bytes: changed.into_bytes(), seal: bad.seal(hash) };
            let (mut three, _) = device(folder.path(), 3);
            let taken = three.take_in(Uuid::nil(), 0, [vec![sealed], events.clone()].concat()).unwrap();
            assert_eq!(taken.new, events.len() as u64);
            assert_eq!(taken.refused.len(), 1);
            assert_eq!(taken.refused[0].device, first.envelope.device);
            assert!(matches!(taken.refused[0].why, WhyRefused::Unreadable(_)));
            std::fs::remove_file(three.path()).unwrap();
        }
    }

    #[test]
    fn a_seal_that_does_not_hold_is_not_handed_on() {
        let folder = tempfile::tempdir().unwrap();
        let (_, mut events) = history(folder.path());
        let sealed: Vec<usize> = (0..events.len()).filter(|i| events[*i].seal.is_some()).collect();
        let altered = sealed[sealed.len() / 2];
        events[altered].seal = Some([3; 64]);
        let (mut three, _) = device(folder.path(), 3);
        let taken = three.take_in(Uuid::nil(), 0, events.clone()).unwrap();
        assert_eq!((taken.new, taken.refused), (events.len() as u64, vec![]));
        // What came later of that device covers it.
        assert_eq!(three.check().unwrap(), vec![]);
        let (mut four, _) = device(folder.path(), 4);
        let handed_on = all(&three);
        assert!(handed_on.iter().all(|e| e.seal != Some([3; 64])));
        assert_eq!(four.take_in(Uuid::nil(), 0, handed_on).unwrap().refused, vec![]);
        assert_eq!(four.check().unwrap(), vec![]);
    }
}

//! A book in memory: what a device knows, without a disk. Used by the tests and as the oracle for the store.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::convert::Infallible;
use std::sync::Arc;

use uuid::Uuid;

use crate::event::{Event, Hash, Thing};
use crate::fold::{self, Book, Folded, Standing};

/// Events that have taken effect, events that wait, and the states.
#[derive(Clone, Default, Debug)]
pub struct MemoryBook {
    events: HashMap<Hash, Arc<Event>>,
    waiting: BTreeMap<Hash, Arc<Event>>,
    of_thing: BTreeMap<Thing, Vec<Arc<Event>>>,
    of_action: HashMap<Uuid, Vec<Arc<Event>>>,
    undos: HashMap<Uuid, Vec<Arc<Event>>>,
    heads: HashMap<Thing, BTreeSet<Hash>>,
    standing: BTreeMap<Hash, Standing>,
    folded: BTreeMap<Thing, Folded>,
    unknown: bool,
}

impl MemoryBook {
    /// Takes an event, or lets it wait for what it needs; then whatever waited for it. Idempotent.
    pub fn offer(&mut self, event: Arc<Event>) {
        if self.events.contains_key(&event.hash) {
            return;
        }
        self.waiting.insert(event.hash, event);
        while let Some(action) = self.ready() {
            for event in action {
                self.waiting.remove(&event.hash);
                self.take(&event);
            }
        }
    }

    /// The states by thing, without those that are nothing.
    pub fn states(&self) -> BTreeMap<Thing, Folded> {
        self.folded.iter().filter(|(_, f)| f.state.is_some() || f.frozen).map(|(t, f)| (*t, f.clone())).collect()
    }

    /// The standings of all events that have taken effect.
    pub fn standings(&self) -> &BTreeMap<Hash, Standing> {
        &self.standing
    }

    /// How many events wait for others.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// The same events folded anew, everything from the full fold.
    pub fn refolded(&self) -> Self {
        let mut fresh = Self { standing: BTreeMap::new(), folded: BTreeMap::new(), ..self.clone() };
        let things = fresh.of_thing.keys().copied().collect();
        let Ok(_) = fold::refold(&mut fresh, things);
        fresh
    }

    /// A whole action all of whose needs are met, in order.
    fn ready(&self) -> Option<Vec<Arc<Event>>> {
        self.waiting.values().filter(|e| !e.envelope.more).find_map(|last| {
            let mut action = vec![last.clone()];
            loop {
                let first = action.last()?.clone();
                let before = first.envelope.prev.and_then(|prev| self.waiting.get(&prev));
                match before {
                    Some(before) if before.envelope.action == first.envelope.action => action.push(before.clone()),
                    _ => break,
                }
            }
            action.reverse();
            let own: HashSet<Hash> = action.iter().map(|e| e.hash).collect();
            action.iter().all(|e| e.needs().all(|h| own.contains(&h) || self.events.contains_key(&h))).then_some(action)
        })
    }

    fn take(&mut self, event: &Arc<Event>) {
        self.unknown |= event.body.is_none();
        self.events.insert(event.hash, event.clone());
        for thing in event.things() {
            self.of_thing.entry(thing).or_default().push(event.clone());
        }
        self.of_action.entry(event.envelope.action).or_default().push(event.clone());
        if let Some(crate::body::Body::Undone(undo)) = &event.body {
            self.undos.entry(undo.action).or_default().push(event.clone());
        }
        let Ok(_) = fold::take_in(self, event);
        for touch in &event.envelope.touches {
            let heads = self.heads.entry(touch.thing).or_default();
            touch.parents.iter().for_each(|p| {
                heads.remove(p);
            });
            heads.insert(event.hash);
        }
    }
}

impl Book for MemoryBook {
    type Error = Infallible;

    fn events_of(&self, thing: Thing) -> Result<Vec<Arc<Event>>, Infallible> {
        Ok(self.of_thing.get(&thing).cloned().unwrap_or_default())
    }

    fn events_of_action(&self, action: Uuid) -> Result<Vec<Arc<Event>>, Infallible> {
        Ok(self.of_action.get(&action).cloned().unwrap_or_default())
    }

    fn undos_of(&self, action: Uuid) -> Result<Vec<Arc<Event>>, Infallible> {
        Ok(self.undos.get(&action).cloned().unwrap_or_default())
    }

    fn heads(&self, thing: Thing) -> Result<Vec<Hash>, Infallible> {
        Ok(self.heads.get(&thing).map(|h| h.iter().copied().collect()).unwrap_or_default())
    }

    fn has_unknown(&self) -> Result<bool, Infallible> {
        Ok(self.unknown)
    }

    fn standing(&self, event: Hash) -> Result<Option<Standing>, Infallible> {
        Ok(self.standing.get(&event).copied())
    }

    fn set_standing(&mut self, event: Hash, standing: Standing) -> Result<(), Infallible> {
        self.standing.insert(event, standing);
        Ok(())
    }

    fn folded(&self, thing: Thing) -> Result<Folded, Infallible> {
        Ok(self.folded.get(&thing).cloned().unwrap_or_default())
    }

    fn put(&mut self, thing: Thing, folded: Folded) -> Result<(), Infallible> {
        self.folded.insert(thing, folded);
        Ok(())
    }
}

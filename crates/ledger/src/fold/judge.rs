//! Whether an event counts: a pure function of the set of events in the book.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use uuid::Uuid;

use super::settled::{Settlement, Target, settled};
use super::{Book, Standing};
use crate::body::{Body, LotAdjusted, LotCorrected};
use crate::event::{Event, Hash, Thing, ThingKind};
use crate::mutant::{self, Mutant};

/// Finds out, once for each event, whether it counts. A pure function of the set of events in the book.
#[derive(Default)]
pub(super) struct Judge {
    undone: HashMap<Uuid, bool>,
    standing: HashMap<Hash, Standing>,
    after_unknown: HashMap<Hash, bool>,
    events: HashMap<Thing, Arc<Vec<Arc<Event>>>>,
    pub(super) settlements: HashMap<Uuid, Settlement>,
    pub(super) said: HashMap<Hash, Target>,
    pub(super) targets: HashMap<Hash, Target>,
    /// Pieces whose uses are being looked for.
    pub(super) looking: Vec<Uuid>,
}

impl Judge {
    /// The events of a thing by hash: a book gives them as they came, and nothing may hang on that.
    pub(super) fn events_of<B: Book>(&mut self, book: &B, thing: Thing) -> Result<Arc<Vec<Arc<Event>>>, B::Error> {
        if let Some(events) = self.events.get(&thing) {
            return Ok(events.clone());
        }
        let mut events = book.events_of(thing)?;
        events.sort_unstable_by_key(|e| e.hash);
        let events = Arc::new(events);
        self.events.insert(thing, events.clone());
        Ok(events)
    }

    pub(super) fn standing<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<Standing, B::Error> {
        if let Some(standing) = self.standing.get(&event.hash) {
            return Ok(*standing);
        }
        let standing = if self.after_unknown(book, event)? {
            Standing::NotUnderstood
        } else if self.undone(book, event.envelope.action)? || self.found_again(book, event)? {
            Standing::Undone
        } else if let Some(Body::Undone(undo)) = &event.body {
            if self.in_time(book, event, undo.action)? { Standing::Counts } else { Standing::TooLate }
        } else if self.set_aside(book, event)? {
            Standing::SetAside
        } else {
            Standing::Counts
        };
        self.standing.insert(event.hash, standing);
        Ok(standing)
    }

    /// Unknown itself, or built, through any of its things, on an unknown event.
    pub(super) fn after_unknown<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<bool, B::Error> {
        if !book.has_unknown()? {
            return Ok(event.body.is_none());
        }
        // Depth first with a stack of its own: a chain of events may be long.
        let mut stack = vec![event.clone()];
        while let Some(top) = stack.last().cloned() {
            if self.after_unknown.contains_key(&top.hash) {
                stack.pop();
                continue;
            }
            let mut missing = Vec::new();
            let mut found = top.body.is_none();
            for thing in top.things().collect::<Vec<_>>() {
                let parents = top.parents_in(thing);
                for parent in self.events_of(book, thing)?.iter().filter(|e| parents.contains(&e.hash)) {
                    match self.after_unknown.get(&parent.hash) {
                        Some(after) => found |= after,
                        None => missing.push(parent.clone()),
                    }
                }
            }
            if found || missing.is_empty() {
                self.after_unknown.insert(top.hash, found);
                stack.pop();
            } else {
                stack.extend(missing);
            }
        }
        Ok(self.after_unknown.get(&event.hash).copied().unwrap_or(false))
    }

    /// Whether an action is taken back by an undo that is understood, came in time and still stands.
    pub(super) fn undone<B: Book>(&mut self, book: &B, action: Uuid) -> Result<bool, B::Error> {
        if let Some(undone) = self.undone.get(&action) {
            return Ok(*undone);
        }
        // Every look goes strictly to later events, so this ends; the entry stops a forged circle.
        self.undone.insert(action, false);
        let mut undone = false;
        for undo in book.undos_of(action)? {
            if !self.after_unknown(book, &undo)?
                && !self.undone(book, undo.envelope.action)?
                && self.in_time(book, &undo, action)?
            {
                undone = true;
                break;
            }
        }
        self.undone.insert(action, undone);
        Ok(undone)
    }

    /// An undo comes in time where nothing that still stands, but undos, was built on what it undoes
    /// without knowing of the undo.
    fn in_time<B: Book>(&mut self, book: &B, undo: &Arc<Event>, action: Uuid) -> Result<bool, B::Error> {
        let targets = book.events_of_action(action)?;
        if targets.is_empty() {
            return Ok(false);
        }
        for target in &targets {
            let undoable =
                crate::kinds::find(&target.envelope.kind, target.envelope.version).is_some_and(|k| k.undoable);
            if !undoable {
                return Ok(false);
            }
            for thing in target.things() {
                let events = self.events_of(book, thing)?;
                let family = Family::of(thing, &events);
                if !family.ancestors(undo.hash).contains(&target.hash) {
                    return Ok(false);
                }
                for later in events.iter().filter(|e| !e.is_undo() && e.envelope.action != action) {
                    let ancestors = family.ancestors(later.hash);
                    if ancestors.contains(&target.hash)
                        && !ancestors.contains(&undo.hash)
                        && !self.undone(book, later.envelope.action)?
                    {
                        return Ok(false);
                    }
                }
            }
        }
        Ok(true)
    }

    /// A use is set aside where it was settled that it used nothing up, where the birth of what it used does not
    /// count, or where another standing use of that piece has a smaller hash.
    fn set_aside<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<bool, B::Error> {
        if let Some(Body::LotAdjusted(LotAdjusted { lot, .. }) | Body::LotCorrected(LotCorrected { lot, .. })) =
            &event.body
        {
            return self.lot_is_gone(book, *lot);
        }
        if let Some(Body::WrittenDownTo(b)) = &event.body {
            return Ok(!self.write_downs(book, b.piece)?.iter().any(|w| w.counts && w.event.hash == event.hash));
        }
        if event.body.as_ref().and_then(Body::uses).is_none() {
            return Ok(false);
        }
        let Target::Piece { piece, .. } = self.target(book, event)? else { return Ok(true) };
        if self.claims(book, piece)?.first().is_none_or(|first| first.event.hash != event.hash) {
            return Ok(true);
        }
        // In a circle of births none counts.
        self.standing.insert(event.hash, Standing::SetAside);
        for other in self.events_of(book, Thing::new(ThingKind::Piece, piece))?.iter() {
            let bears = other.body.as_ref().is_some_and(|b| b.born().iter().any(|b| b.id == piece));
            if bears && self.standing(book, other)? != Standing::Counts {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// What changes a lot counts only where the delivery that made it does.
    fn lot_is_gone<B: Book>(&mut self, book: &B, lot: Uuid) -> Result<bool, B::Error> {
        for other in self.events_of(book, Thing::new(ThingKind::Lot, lot))?.iter() {
            if matches!(&other.body, Some(Body::Received(_))) && self.standing(book, other)? != Standing::Counts {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Whether the use of a piece that counts did not know of this event.
    pub(super) fn used_meanwhile<B: Book>(&mut self, book: &B, of: Uuid, event: &Event) -> Result<bool, B::Error> {
        let Some(via) = self.claims(book, of)?.first().map(|claim| claim.via) else { return Ok(false) };
        let events = self.events_of(book, Thing::piece(of))?;
        Ok(!Family::of(Thing::piece(of), &events).ancestors(via).contains(&event.hash))
    }

    /// Whether a writing off no longer counts, because the piece was found and that still stands.
    pub(super) fn found_again<B: Book>(&mut self, book: &B, event: &Event) -> Result<bool, B::Error> {
        let Some(Body::Scrapped(scrapped)) = &event.body else { return Ok(false) };
        let thing = Thing::new(ThingKind::Piece, scrapped.piece);
        for later in self.events_of(book, thing)?.iter() {
            let Some(Body::FoundAgain(found)) = &later.body else { continue };
            if found.of == event.hash
                && !self.after_unknown(book, later)?
                && !self.undone(book, later.envelope.action)?
            {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// That a piece is worth less, as long as it stands.
pub(super) struct WriteDown {
    pub event: Arc<Event>,
    /// What the piece was to carry.
    pub to: i64,
    /// It does; or another one, or a use, does in its place.
    pub counts: bool,
}

impl Judge {
    /// The write-downs of a piece that stand, by hash. Of those that did not know of each other the one with the
    /// smallest hash counts; none counts that did not know of the use that does.
    pub(super) fn write_downs<B: Book>(&mut self, book: &B, of: Uuid) -> Result<Vec<WriteDown>, B::Error> {
        let events = self.events_of(book, Thing::piece(of))?;
        let said = |e: &Event| match &e.body {
            Some(Body::WrittenDownTo(b)) if b.piece == of => Some(b.to),
            _ => None,
        };
        if events.iter().all(|e| said(e).is_none()) {
            return Ok(Vec::new());
        }
        let family = Family::of(Thing::piece(of), &events);
        let settlement = self.settlement(book, of)?.0;
        let used = self.claims(book, of)?.first().map(|claim| claim.via);
        let mut found: Vec<WriteDown> = Vec::new();
        for event in events.iter() {
            let Some(to) = said(event) else { continue };
            let nothing = settlement.as_ref().is_some_and(|s| settled(s).is_some_and(|s| s.was(event.hash).is_some()));
            if nothing || self.after_unknown(book, event)? || self.undone(book, event.envelope.action)? {
                continue;
            }
            let counted = found.iter().filter(|w| w.counts).map(|w| w.event.hash);
            let counts = !counted.chain(used).any(|other| family.concurrent(event.hash, other));
            found.push(WriteDown { event: event.clone(), to, counts });
        }
        Ok(found)
    }
}

/// Who is built on whom within one thing.
pub(super) struct Family {
    parents: HashMap<Hash, Vec<Hash>>,
}

impl Family {
    pub(super) fn of(thing: Thing, events: &[Arc<Event>]) -> Self {
        Self { parents: events.iter().map(|e| (e.hash, e.parents_in(thing).to_vec())).collect() }
    }

    /// Neither knew of the other.
    pub(super) fn concurrent(&self, a: Hash, b: Hash) -> bool {
        a != b && !self.ancestors(a).contains(&b) && !self.ancestors(b).contains(&a)
    }

    /// All events of the thing that this one is built on.
    pub(super) fn ancestors(&self, event: Hash) -> HashSet<Hash> {
        let mut found = HashSet::new();
        let mut queue = vec![event];
        while let Some(hash) = queue.pop() {
            for parent in self.parents.get(&hash).into_iter().flatten() {
                if found.insert(*parent) {
                    queue.push(*parent);
                }
            }
        }
        found
    }
}

/// The events of a thing in canonical order: ancestors first, then by hash.
pub fn canonical_order(thing: Thing, events: &[Arc<Event>]) -> Vec<Arc<Event>> {
    let by_hash: BTreeMap<Hash, &Arc<Event>> = events.iter().map(|e| (e.hash, e)).collect();
    let mut waits: HashMap<Hash, usize> = HashMap::new();
    let mut then: HashMap<Hash, Vec<Hash>> = HashMap::new();
    let mut ready: BTreeSet<Hash> = BTreeSet::new();
    for (hash, event) in &by_hash {
        let parents: BTreeSet<Hash> =
            event.parents_in(thing).iter().copied().filter(|p| by_hash.contains_key(p) && p != hash).collect();
        if parents.is_empty() {
            ready.insert(*hash);
        }
        waits.insert(*hash, parents.len());
        for parent in parents {
            then.entry(parent).or_default().push(*hash);
        }
    }
    let mut order = Vec::with_capacity(by_hash.len());
    if mutant::on(Mutant::OrderByClock) {
        order.extend(by_hash.values().copied().cloned());
        order.sort_by_key(|e| (e.envelope.clock, e.hash));
        return order;
    }
    while let Some(hash) = ready.pop_first() {
        order.push(by_hash[&hash].clone());
        for next in then.remove(&hash).unwrap_or_default() {
            if let Some(left) = waits.get_mut(&next) {
                *left -= 1;
                if *left == 0 {
                    ready.insert(next);
                }
            }
        }
    }
    order
}

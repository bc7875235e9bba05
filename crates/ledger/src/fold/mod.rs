//! The fold: from the set of events of a thing to its state.
//!
//! **State is a function of the set of events, never of the order in which they arrived.** An event that
//! comes after all known heads of what it touches is applied directly (`step`); any other one, and every
//! undo, judges anew the events around it and refolds what hangs on them. Both give the same state; a
//! property test holds them together.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;

use uuid::Uuid;

use crate::body::Body;
use crate::event::{Event, Hash, Thing, ThingKind};
use crate::state::{Hold, Piece, State};

mod step;

use step::step;

/// Whether an event counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Standing {
    /// It does.
    Counts,
    /// It was taken back; or, for an undo, another undo took it back.
    Undone,
    /// An undo of something on which other things had been built already.
    TooLate,
    /// Another use of the same piece counts, or it hangs on one that does not.
    SetAside,
    /// A kind or version that this program does not know, or an event after such a one.
    NotUnderstood,
}

/// A thing's state, and whether it waits for a newer program.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Folded {
    /// The state; `None` where its birth was taken back.
    pub state: Option<State>,
    /// An event that this program does not know touches it: actions are refused.
    pub frozen: bool,
}

/// Where events that have taken effect are kept, with their standing and the states that they add up to.
/// Events that wait for others are not in it.
pub trait Book {
    /// What can go wrong with reading or writing.
    type Error;
    /// All events that touch a thing, in any order.
    fn events_of(&self, thing: Thing) -> Result<Vec<Arc<Event>>, Self::Error>;
    /// All events of an action.
    fn events_of_action(&self, action: Uuid) -> Result<Vec<Arc<Event>>, Self::Error>;
    /// All events that undo an action.
    fn undos_of(&self, action: Uuid) -> Result<Vec<Arc<Event>>, Self::Error>;
    /// The heads of a thing **before** the event that is being taken in: events that no other is built on.
    fn heads(&self, thing: Thing) -> Result<Vec<Hash>, Self::Error>;
    /// Whether any event in the book is of a kind that this program does not know.
    fn has_unknown(&self) -> Result<bool, Self::Error>;
    /// The standing given to an event before, if any.
    fn standing(&self, event: Hash) -> Result<Option<Standing>, Self::Error>;
    /// Gives an event its standing.
    fn set_standing(&mut self, event: Hash, standing: Standing) -> Result<(), Self::Error>;
    /// A thing's state.
    fn folded(&self, thing: Thing) -> Result<Folded, Self::Error>;
    /// Puts a thing's state.
    fn put(&mut self, thing: Thing, folded: Folded) -> Result<(), Self::Error>;
}

/// Takes an event in: it must be in the book already, with its parents; `heads` must still be those before
/// it. Returns the things whose state was written.
pub fn take_in<B: Book>(book: &mut B, event: &Arc<Event>) -> Result<BTreeSet<Thing>, B::Error> {
    if let Some(states) = directly(book, event)? {
        book.set_standing(event.hash, Standing::Counts)?;
        let things = states.iter().map(|(thing, _)| *thing).collect();
        for (thing, state) in states {
            book.put(thing, Folded { state, frozen: false })?;
        }
        return Ok(things);
    }
    refold(book, event.things().collect())
}

/// Judges the events of these things anew and refolds whatever follows. Returns what was written.
pub fn refold<B: Book>(book: &mut B, mut queue: BTreeSet<Thing>) -> Result<BTreeSet<Thing>, B::Error> {
    let mut written = BTreeSet::new();
    let mut judge = Judge::default();
    let mut judged: BTreeSet<Thing> = BTreeSet::new();
    while let Some(thing) = queue.pop_first() {
        judged.insert(thing);
        for event in book.events_of(thing)? {
            let standing = judge.standing(book, &event)?;
            if book.standing(event.hash)? != Some(standing) {
                book.set_standing(event.hash, standing)?;
                // An action is taken back whole, whichever of its things the reason came through.
                for part in book.events_of_action(event.envelope.action)? {
                    queue.extend(part.things().filter(|t| !judged.contains(t)));
                }
            }
        }
    }
    let mut queue = judged;
    while let Some(thing) = queue.pop_first() {
        let before = book.folded(thing)?;
        let after = fold_thing(book, &mut judge, thing)?;
        if blocks(&before) != blocks(&after) {
            queue.extend(children(&judge.events_of(book, thing)?, thing));
        }
        if before != after {
            book.put(thing, after)?;
        }
        written.insert(thing);
    }
    Ok(written)
}

/// Whether what comes out of a piece must not be planned with.
fn blocks(folded: &Folded) -> bool {
    folded.frozen || matches!(&folded.state, Some(State::Piece(p)) if p.conflict || p.blocked || p.set_aside)
}

/// The pieces born by uses of a piece.
fn children(events: &[Arc<Event>], thing: Thing) -> Vec<Thing> {
    events
        .iter()
        .filter_map(|e| e.body.as_ref())
        .filter(|b| b.uses() == Some(thing.id))
        .flat_map(|b| b.born().iter().map(|born| Thing::new(ThingKind::Piece, born.id)))
        .collect()
}

/// A thing with the state that an event gives it.
type NewState = (Thing, Option<State>);

/// The states after an event that comes after all heads, where nothing unusual is about; else `None`.
fn directly<B: Book>(book: &B, event: &Event) -> Result<Option<Vec<NewState>>, B::Error> {
    let Some(body) = &event.body else { return Ok(None) };
    if event.is_undo() {
        return Ok(None);
    }
    let mut states = Vec::with_capacity(event.envelope.touches.len());
    for touch in &event.envelope.touches {
        let mut heads = book.heads(touch.thing)?;
        heads.sort_unstable();
        if heads != touch.parents {
            return Ok(None);
        }
        let folded = book.folded(touch.thing)?;
        // An undo that came too late lets a device believe that a used piece is there again, and take it.
        let takes = body.uses() == Some(touch.thing.id) || matches!(body, Body::Held(_));
        let plain = match &folded.state {
            _ if folded.frozen => false,
            // Only a birth may have no parents; a thing whose birth was undone needs the full fold.
            None => heads.is_empty(),
            Some(State::Piece(p)) => !(p.conflict || p.blocked || p.set_aside || (takes && p.used.is_some())),
            Some(_) => true,
        };
        if !plain {
            return Ok(None);
        }
        states.push((touch.thing, step(folded.state, touch.thing, event, false)));
    }
    Ok(Some(states))
}

/// Finds out, once for each event, whether it counts. A pure function of the set of events in the book.
#[derive(Default)]
struct Judge {
    undone: HashMap<Uuid, bool>,
    standing: HashMap<Hash, Standing>,
    after_unknown: HashMap<Hash, bool>,
    events: HashMap<Thing, Arc<Vec<Arc<Event>>>>,
}

impl Judge {
    fn events_of<B: Book>(&mut self, book: &B, thing: Thing) -> Result<Arc<Vec<Arc<Event>>>, B::Error> {
        if let Some(events) = self.events.get(&thing) {
            return Ok(events.clone());
        }
        let events = Arc::new(book.events_of(thing)?);
        self.events.insert(thing, events.clone());
        Ok(events)
    }

    fn standing<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<Standing, B::Error> {
        if let Some(standing) = self.standing.get(&event.hash) {
            return Ok(*standing);
        }
        let standing = if self.after_unknown(book, event)? {
            Standing::NotUnderstood
        } else if self.undone(book, event.envelope.action)? {
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
    fn after_unknown<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<bool, B::Error> {
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
    fn undone<B: Book>(&mut self, book: &B, action: Uuid) -> Result<bool, B::Error> {
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

    /// A use is set aside where the piece's own birth does not count, or where another standing use of the
    /// piece has a smaller hash.
    fn set_aside<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<bool, B::Error> {
        let Some(piece) = event.body.as_ref().and_then(Body::uses) else { return Ok(false) };
        let events = self.events_of(book, Thing::new(ThingKind::Piece, piece))?;
        for other in events.iter().filter(|e| e.hash != event.hash) {
            let Some(body) = &other.body else { continue };
            if body.born().iter().any(|b| b.id == piece) && self.standing(book, other)? != Standing::Counts {
                return Ok(true);
            }
            if body.uses() == Some(piece)
                && other.hash < event.hash
                && !self.after_unknown(book, other)?
                && !self.undone(book, other.envelope.action)?
            {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// Who is built on whom within one thing.
struct Family {
    parents: HashMap<Hash, Vec<Hash>>,
}

impl Family {
    fn of(thing: Thing, events: &[Arc<Event>]) -> Self {
        Self { parents: events.iter().map(|e| (e.hash, e.parents_in(thing).to_vec())).collect() }
    }

    /// All events of the thing that this one is built on.
    fn ancestors(&self, event: Hash) -> HashSet<Hash> {
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

/// Folds one thing from all its events.
fn fold_thing<B: Book>(book: &B, judge: &mut Judge, thing: Thing) -> Result<Folded, B::Error> {
    let events = judge.events_of(book, thing)?;
    let mut state = None;
    let mut frozen = false;
    for event in canonical_order(thing, &events) {
        match judge.standing(book, &event)? {
            Standing::Counts => state = step(state, thing, &event, false),
            // What a set-aside use left exists, at 0.00 and marked; everything else about it is as if it had not been.
            Standing::SetAside => state = step(state, thing, &event, true),
            Standing::NotUnderstood => frozen = true,
            Standing::Undone | Standing::TooLate => {}
        }
    }
    if let Some(State::Piece(piece)) = &mut state {
        mark_contradictions(book, judge, piece, &events)?;
    }
    Ok(Folded { state, frozen })
}

/// Finds the standing holds and uses of a piece, and whether any two contradict each other.
fn mark_contradictions<B: Book>(
    book: &B,
    judge: &mut Judge,
    piece: &mut Piece,
    events: &[Arc<Event>],
) -> Result<(), B::Error> {
    let thing = Thing::new(ThingKind::Piece, piece.id);
    let born_of = events.iter().find(|e| e.hash == piece.born).and_then(|e| e.body.as_ref()?.uses());
    if let Some(parent) = born_of {
        piece.blocked = blocks(&book.folded(Thing::new(ThingKind::Piece, parent))?);
    }
    let family = Family::of(thing, events);
    let mut uses = Vec::new();
    let mut holds = Vec::new();
    let mut releases = Vec::new();
    for event in events {
        let standing = judge.standing(book, event)?;
        if !matches!(standing, Standing::Counts | Standing::SetAside) {
            continue;
        }
        match &event.body {
            Some(body) if body.uses() == Some(piece.id) => uses.push((event, body)),
            Some(Body::Held(held)) => holds.push((event, held)),
            Some(Body::Released(released)) => releases.push((event, released.plan)),
            _ => {}
        }
    }
    let concurrent = |a: Hash, b: Hash| !family.ancestors(a).contains(&b) && !family.ancestors(b).contains(&a);
    let standing_holds: Vec<_> = holds
        .into_iter()
        .filter(|(event, held)| {
            let released = releases
                .iter()
                .any(|(release, plan)| *plan == held.plan && family.ancestors(release.hash).contains(&event.hash));
            let cut = uses.iter().any(|(_, body)| matches!(body, Body::Cut(cut) if cut.plan == held.plan));
            !released && !cut
        })
        .collect();
    let different_uses =
        uses.iter().enumerate().any(|(i, (_, a))| uses[i + 1..].iter().any(|(_, b)| different_outcome(a, b)));
    let hold_against_use =
        standing_holds.iter().any(|(hold, _)| uses.iter().any(|(used, _)| concurrent(hold.hash, used.hash)));
    let hold_against_hold = standing_holds.iter().enumerate().any(|(i, (a, of_a))| {
        standing_holds[i + 1..].iter().any(|(b, of_b)| of_a.orders != of_b.orders && concurrent(a.hash, b.hash))
    });
    piece.conflict = different_uses || hold_against_use || hold_against_hold;
    piece.holds = standing_holds
        .iter()
        .map(|(event, held)| Hold { event: event.hash, plan: held.plan, orders: held.orders.clone() })
        .collect();
    piece.holds.sort_by_key(|h| h.event);
    if piece.used.is_some() && !piece.conflict {
        piece.holds.clear();
    }
    Ok(())
}

/// Two throwings-away of one piece say the same; any other two uses differ.
fn different_outcome(a: &Body, b: &Body) -> bool {
    !matches!((a, b), (Body::Scrapped(a), Body::Scrapped(b)) if a.written_off == b.written_off)
}

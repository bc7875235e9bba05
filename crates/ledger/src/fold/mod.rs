//! The fold: from the set of events of a thing to its state.
//!
//! **State is a function of the set of events, never of the order in which they arrived.** An event that
//! comes after all known heads of what it touches is applied directly (`step`); any other one, and every
//! undo, judges anew the events around it and refolds what hangs on them. Both give the same state; a
//! property test holds them together.

use std::collections::BTreeSet;
use std::sync::Arc;

use sheetloft_shapes::Shape;
use uuid::Uuid;

use crate::body::Body;
use crate::event::{Event, Hash, Thing, ThingKind};
use crate::mutant::{self, Mutant};
use crate::state::{Piece, State};

mod contradictions;
mod judge;
mod receipts;
mod settled;
mod step;

use contradictions::mark_contradictions;
use judge::Judge;
pub use judge::canonical_order;
use settled::Target;
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

impl Standing {
    const ALL: [Self; 5] = [Self::Counts, Self::Undone, Self::TooLate, Self::SetAside, Self::NotUnderstood];

    /// Its number where it is stored or travels, from 1; 0 is not judged yet.
    pub fn number(self) -> u8 {
        Self::ALL.iter().zip(1..).find(|(standing, _)| **standing == self).map_or(0, |(_, number)| number)
    }

    /// The standing with this number.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.get(usize::from(number).checked_sub(1)?).copied()
    }
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
    if let Some(states) = at_once(book, event)? {
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
    let mut actions: BTreeSet<Uuid> = BTreeSet::new();
    while let Some(thing) = queue.pop_first() {
        judged.insert(thing);
        for event in book.events_of(thing)? {
            let standing = judge.standing(book, &event)?;
            if book.standing(event.hash)? != Some(standing) {
                book.set_standing(event.hash, standing)?;
                // An action is taken back whole, whichever of its things the reason came through. Looked at once: an
                // import may be an action of very many events.
                if actions.insert(event.envelope.action) {
                    for part in book.events_of_action(event.envelope.action)? {
                        queue.extend(part.things().filter(|t| !judged.contains(t)));
                    }
                }
            }
            // What it really used up, and whatever else was settled.
            if event.body.as_ref().and_then(Body::uses) == Some(thing.id)
                && let Target::Piece { piece, .. } = judge.target(book, &event)?
            {
                queue.extend(Some(Thing::new(ThingKind::Piece, piece)).filter(|t| !judged.contains(t)));
            }
            queue.extend(judge.hangs_on(book, &event)?.into_iter().filter(|t| !judged.contains(t)));
            if settled::settled(&event).is_some() {
                queue.extend(children(book, &mut judge, thing)?.into_iter().filter(|t| !judged.contains(t)));
            }
        }
    }
    let mut queue = judged;
    while let Some(thing) = queue.pop_first() {
        let before = book.folded(thing)?;
        let after = fold_thing(book, &mut judge, thing)?;
        if inherited(&before) != inherited(&after) {
            queue.extend(children(book, &mut judge, thing)?);
        }
        if inherited(&before).lot != inherited(&after).lot {
            queue.extend(sharing_lots(book, &mut judge, thing)?);
        }
        // Put first: what hangs on it reads it.
        if before != after {
            book.put(thing, after)?;
        }
        written.insert(thing);
    }
    Ok(written)
}

/// What the pieces that come out of a piece take over from it.
#[derive(PartialEq, Eq, Default)]
struct Inherited {
    /// They must not be planned with.
    blocked: bool,
    /// There are none: a person settled that there is no such piece.
    gone: bool,
    /// The lot whose books they belong to; a use may have been settled to be of a piece of another lot.
    lot: Option<Uuid>,
}

fn inherited(folded: &Folded) -> Inherited {
    match &folded.state {
        Some(State::Piece(p)) => Inherited {
            blocked: folded.frozen || p.conflict || p.blocked || p.set_aside,
            gone: p.gone.is_some(),
            lot: p.lot,
        },
        _ => Inherited { blocked: folded.frozen, ..Inherited::default() },
    }
}

/// The pieces born by uses of a piece.
fn children<B: Book>(book: &B, judge: &mut Judge, thing: Thing) -> Result<Vec<Thing>, B::Error> {
    if thing.kind != ThingKind::Piece {
        return Ok(Vec::new());
    }
    let uses = judge.candidates(book, thing.id)?;
    let born = uses.iter().filter_map(|(e, _)| e.body.as_ref()).flat_map(|b| b.born().iter().map(|b| b.id));
    Ok(born.map(|id| Thing::new(ThingKind::Piece, id)).collect())
}

/// The standing uses that claim a piece, the one that counts first: its own, those that were settled to be of it, those
/// under its other names; then the write-downs that contradict one of them, a promise, or one another.
pub fn claims<B: Book>(book: &B, piece: Uuid) -> Result<Vec<Arc<Event>>, B::Error> {
    let mut judge = Judge::default();
    let mut found: Vec<_> = judge.claims(book, piece)?.into_iter().map(|claim| claim.event).collect();
    found.extend(contradictions::contradicting_write_downs(book, &mut judge, piece)?);
    Ok(found)
}

/// Whether the one event of a thing knew of the other.
pub fn knew<B: Book>(book: &B, thing: Thing, one: Hash, of: Hash) -> Result<bool, B::Error> {
    let events = book.events_of(thing)?;
    Ok(judge::Family::of(thing, &events).ancestors(one).contains(&of))
}

/// A thing with the state that an event gives it.
pub type NewState = (Thing, Option<State>);

/// The states after an event that comes after all heads, where nothing unusual is about; it counts, then. Else `None`:
/// it wants [`refold`]. The event itself need not be in the book yet.
pub fn at_once<B: Book>(book: &B, event: &Event) -> Result<Option<Vec<NewState>>, B::Error> {
    let Some(body) = &event.body else { return Ok(None) };
    // These change the standing of earlier events.
    if event.is_undo() || matches!(body, Body::Settled(_) | Body::FoundAgain(_)) {
        return Ok(None);
    }
    let mut states = Vec::with_capacity(event.envelope.touches.len());
    for touch in &event.envelope.touches {
        let mut heads = book.heads(touch.thing)?;
        heads.sort_unstable();
        if heads != touch.parents && !mutant::on(Mutant::OrderByArrival) {
            return Ok(None);
        }
        let folded = book.folded(touch.thing)?;
        // An undo that came too late lets a device believe that a used piece is there again, and take it.
        let takes = body.uses() == Some(touch.thing.id) || matches!(body, Body::Held(_));
        // What is left belongs to the lot that the piece belongs to, whatever lot it was thought to be of.
        let other_lot = |p: &Piece| match body {
            Body::Cut(b) if b.piece == p.id => b.lot != p.lot,
            Body::Taken(b) if b.piece == p.id => b.lot != p.lot,
            _ => body.shares().is_some_and(|(lot, _)| p.lot != Some(lot)),
        };
        let plain = match &folded.state {
            Some(State::Piece(p)) if other_lot(p) => false,
            _ if folded.frozen => false,
            // Only a birth may have no parents; a thing whose birth was undone needs the full fold.
            None => heads.is_empty(),
            Some(State::Piece(p)) => {
                !(p.conflict || p.blocked || p.set_aside || p.gone.is_some() || (takes && p.used.is_some()))
            }
            Some(_) => true,
        };
        if !plain {
            return Ok(None);
        }
        states.push((touch.thing, step(folded.state, touch.thing, event, false)));
    }
    Ok(Some(states))
}

/// What was shared to pieces that turned out to be of another lot, minor units: this one bears it.
fn elsewhere<B: Book>(book: &B, judge: &mut Judge, lot: Thing, events: &[Arc<Event>]) -> Result<i64, B::Error> {
    let mut sum = 0;
    for event in events {
        let Some((_, shares)) = event.body.as_ref().and_then(Body::shares) else { continue };
        if judge.standing(book, event)? != Standing::Counts {
            continue;
        }
        for share in shares {
            let of = book.folded(Thing::piece(share.piece))?.state.and_then(State::piece).and_then(|p| p.lot);
            sum += if of == Some(lot.id) { 0 } else { share.amount };
        }
    }
    Ok(sum)
}

/// The lots that shared something to a piece.
fn sharing_lots<B: Book>(book: &B, judge: &mut Judge, thing: Thing) -> Result<Vec<Thing>, B::Error> {
    let events = judge.events_of(book, thing)?;
    let lots = events.iter().filter_map(|e| e.body.as_ref()?.shares()).map(|(lot, _)| Thing::new(ThingKind::Lot, lot));
    Ok(lots.collect())
}

/// What a piece is of and its outline, before an event that says that it is another one.
fn outline_of(state: &Option<State>, thing: Thing, event: &Event) -> Option<(Uuid, Shape, Option<i64>)> {
    match (&event.body, state) {
        (Some(Body::LotCorrected(b)), Some(State::Piece(p))) => {
            b.really.as_ref()?.pieces.contains(&thing.id).then(|| (p.material, p.shape.clone(), p.grain_udeg))
        }
        _ => None,
    }
}

/// Folds one thing from all its events.
fn fold_thing<B: Book>(book: &B, judge: &mut Judge, thing: Thing) -> Result<Folded, B::Error> {
    let events = judge.events_of(book, thing)?;
    let mut state = None;
    let mut frozen = false;
    for event in canonical_order(thing, &events) {
        let standing = judge.standing(book, &event)?;
        let uses = event.body.as_ref().and_then(Body::uses);
        match standing {
            // It counts, and it used up another piece; or what never came was another sheet than was written down.
            Standing::Counts if uses == Some(thing.id) && !judge.is_on(book, &event, thing.id)? => {}
            Standing::Counts if thing.kind == ThingKind::Lot && !judge.is_as_recorded(book, &event)? => {}
            Standing::Counts => {
                let seen = outline_of(&state, thing, &event);
                state = step(state, thing, &event, false);
                // A use that did not know that the sheet is another one stands, and saw what it saw.
                if let (Some(seen), Some(State::Piece(piece))) = (seen, &mut state)
                    && judge.used_meanwhile(book, thing.id, &event)?
                {
                    (piece.material, piece.shape, piece.grain_udeg) = seen;
                }
            }
            // What a set-aside use left exists, at 0.00 and marked; everything else about it is as if it had not been.
            Standing::SetAside => state = step(state, thing, &event, true),
            Standing::NotUnderstood => frozen = true,
            Standing::Undone | Standing::TooLate => {}
        }
        if uses.is_some()
            && let Some(State::Piece(piece)) = &mut state
            && piece.born == event.hash
        {
            match judge.target(book, &event)? {
                Target::Piece { piece: from, split } => {
                    piece.from = Some(from);
                    let of_split = |s: crate::body::Split| s.returned.into_iter().find(|r| r.piece == thing.id);
                    if let (Standing::Counts, Some(split)) = (standing, split) {
                        piece.cost = of_split(split).map_or(0, |r| r.cost);
                    }
                }
                Target::None { .. } => piece.gone = judge.gone(book, &event, thing.id)?,
            }
        }
    }
    match &mut state {
        Some(State::Piece(piece)) => mark_contradictions(book, judge, piece, &events)?,
        Some(State::Lot(lot)) => lot.written_off += elsewhere(book, judge, thing, &events)?,
        _ => {}
    }
    Ok(Folded { state, frozen })
}

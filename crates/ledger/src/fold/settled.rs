//! What people settled: which piece a use really used up, and which pieces are another one's second name.
//!
//! All of it follows from the settlements that stand, and whether one stands follows from undos alone; so nothing
//! here asks whether a use counts, and a circle of settlements ends in "none".

use std::collections::BTreeMap;
use std::sync::Arc;

use uuid::Uuid;

use super::Book;
use super::judge::{Family, Judge};
use crate::body::{Body, Settled, Split, Was};
use crate::event::{Event, Hash, Thing};
use crate::state::Gone;

/// What a use uses up.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Target {
    /// This piece; with the split that was recorded where it is another one than was written down.
    Piece { piece: Uuid, split: Option<Split> },
    /// None: it did not happen, or was recorded twice.
    None { same: Vec<(Uuid, Uuid)> },
}

/// A use that claims a piece.
#[derive(Clone, Debug)]
pub(super) struct Claim {
    pub event: Arc<Event>,
    pub split: Option<Split>,
    /// The event of the piece's own history by which the claim came: the use, or the settlement that moved it here.
    pub via: Hash,
}

/// What was settled about a piece: the settlement that counts, and whether another one says something else.
pub(super) type Settlement = (Option<Arc<Event>>, bool);

/// The body of a settlement.
pub(super) fn settled(event: &Event) -> Option<&Settled> {
    match &event.body {
        Some(Body::Settled(settled)) => Some(settled),
        _ => None,
    }
}

impl Judge {
    /// Of the settlements of a piece that stand, a later one that knew an earlier one replaces it; of those that did
    /// not know of each other, the one with the smallest hash counts.
    pub(super) fn settlement<B: Book>(&mut self, book: &B, of: Uuid) -> Result<Settlement, B::Error> {
        if let Some(found) = self.settlements.get(&of) {
            return Ok(found.clone());
        }
        let events = self.events_of(book, Thing::piece(of))?;
        let mut standing = Vec::new();
        for event in events.iter().filter(|e| settled(e).is_some_and(|s| s.piece == of)) {
            if !self.after_unknown(book, event)? && !self.undone(book, event.envelope.action)? {
                standing.push(event.clone());
            }
        }
        if standing.len() > 1 {
            let family = Family::of(Thing::piece(of), &events);
            let replaced: Vec<_> = standing.iter().map(|e| family.ancestors(e.hash)).collect();
            standing.retain(|e| !replaced.iter().any(|before| before.contains(&e.hash)));
        }
        standing.sort_by_key(|e| e.hash);
        let differ = standing.windows(2).any(|w| w[0].body != w[1].body);
        let found = (standing.into_iter().next(), differ);
        self.settlements.insert(of, found.clone());
        Ok(found)
    }

    /// What a use really used up. Nothing comes out of itself: of uses that were settled in a circle, none used
    /// anything up.
    pub(super) fn target<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<Target, B::Error> {
        if let Some(target) = self.targets.get(&event.hash) {
            return Ok(target.clone());
        }
        let mut target = self.said(book, event)?;
        let mut seen = Vec::new();
        let mut at = target.clone();
        while let Target::Piece { piece, .. } = at {
            let Some(birth) = self.birth_by_use(book, piece)? else { break };
            if birth.hash == event.hash {
                target = Target::None { same: Vec::new() };
            }
            if birth.hash == event.hash || seen.contains(&birth.hash) {
                break;
            }
            seen.push(birth.hash);
            at = self.said(book, &birth)?;
        }
        self.targets.insert(event.hash, target.clone());
        Ok(target)
    }

    /// The use of another piece by which this one was born.
    fn birth_by_use<B: Book>(&mut self, book: &B, of: Uuid) -> Result<Option<Arc<Event>>, B::Error> {
        let events = self.events_of(book, Thing::piece(of))?;
        let born = |e: &&Arc<Event>| e.body.as_ref().is_some_and(|b| b.born().iter().any(|b| b.id == of));
        let birth = events.iter().filter(born).min_by_key(|e| e.hash);
        Ok(birth.filter(|e| e.body.as_ref().and_then(Body::uses).is_some()).cloned())
    }

    /// What was settled that a use used up.
    fn said<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<Target, B::Error> {
        if let Some(target) = self.said.get(&event.hash) {
            return Ok(target.clone());
        }
        let nothing = || Target::None { same: Vec::new() };
        // Stands while it is being worked out, and so ends every circle.
        self.said.insert(event.hash, nothing());
        let mut target = nothing();
        let mut at = event.body.as_ref().and_then(Body::uses);
        let mut split = None;
        let mut seen = Vec::new();
        while let Some(here) = at.take() {
            if seen.contains(&here) {
                break;
            }
            seen.push(here);
            let settlement = self.settlement(book, here)?.0;
            let was = settlement.as_ref().and_then(|s| settled(s)?.was(event.hash));
            match was {
                Some(Was::Nothing) => {}
                Some(Was::Same { names }) => {
                    target = Target::None { same: names.iter().map(|n| (n.name, n.is)).collect() };
                }
                Some(Was::Used(other)) => {
                    split = Some(other.clone());
                    at = Some(other.piece);
                }
                None => match self.really(book, here)? {
                    Some(is) => {
                        split = None;
                        at = Some(is);
                    }
                    None => target = Target::Piece { piece: here, split: split.take() },
                },
            }
        }
        self.said.insert(event.hash, target.clone());
        Ok(target)
    }

    /// Whether a use really used up this piece.
    pub(super) fn is_on<B: Book>(&mut self, book: &B, event: &Arc<Event>, of: Uuid) -> Result<bool, B::Error> {
        Ok(matches!(self.target(book, event)?, Target::Piece { piece, .. } if piece == of))
    }

    /// Whether what never came is the sheet that was written down as such; true of every other event.
    pub(super) fn is_as_recorded<B: Book>(&mut self, book: &B, event: &Arc<Event>) -> Result<bool, B::Error> {
        let Some(Body::Withdrawn(b)) = &event.body else { return Ok(true) };
        Ok(matches!(self.target(book, event)?, Target::Piece { piece, split: None } if piece == b.piece))
    }

    /// The piece that this one is a second name of, if it is.
    pub(super) fn really<B: Book>(&mut self, book: &B, name: Uuid) -> Result<Option<Uuid>, B::Error> {
        let Some(birth) = self.birth_by_use(book, name)? else { return Ok(None) };
        match self.said(book, &birth)? {
            Target::None { same } => Ok(same.into_iter().find(|(n, _)| *n == name).map(|(_, is)| is)),
            Target::Piece { .. } => Ok(None),
        }
    }

    /// How a piece came not to be one: the use that made it did not happen, or it is another piece's second name.
    pub(super) fn gone<B: Book>(&mut self, book: &B, birth: &Arc<Event>, born: Uuid) -> Result<Option<Gone>, B::Error> {
        if birth.body.as_ref().and_then(Body::uses).is_none() {
            return Ok(None);
        }
        Ok(match self.target(book, birth)? {
            Target::Piece { .. } => None,
            Target::None { same } => match same.into_iter().find(|(name, _)| *name == born) {
                Some((_, is)) => Some(Gone::Same(is)),
                None => Some(Gone::Nothing),
            },
        })
    }

    /// The standing uses that claim a piece, the one with the smallest hash first: that one counts.
    pub(super) fn claims<B: Book>(&mut self, book: &B, of: Uuid) -> Result<Vec<Claim>, B::Error> {
        let mut found: BTreeMap<Hash, Claim> = BTreeMap::new();
        for (event, via) in self.candidates(book, of)? {
            if self.after_unknown(book, &event)?
                || self.undone(book, event.envelope.action)?
                || self.found_again(book, &event)?
            {
                continue;
            }
            if let Target::Piece { piece, split } = self.target(book, &event)?
                && piece == of
            {
                found.entry(event.hash).or_insert(Claim { event, split, via });
            }
        }
        Ok(found.into_values().collect())
    }

    /// Every use that may claim a piece: its own, those that settlements moved to it, those under its other names;
    /// each with the event of the piece's own history by which it came.
    pub(super) fn candidates<B: Book>(&mut self, book: &B, of: Uuid) -> Result<Vec<(Arc<Event>, Hash)>, B::Error> {
        let mut found = Vec::new();
        let mut names: Vec<(Uuid, Option<Hash>)> = vec![(of, None)];
        let mut next = 0;
        while let Some((name, via)) = names.get(next).copied() {
            next += 1;
            for event in self.events_of(book, Thing::piece(name))?.iter() {
                let via = via.unwrap_or(event.hash);
                if event.body.as_ref().and_then(Body::uses) == Some(name) {
                    found.push((event.clone(), via));
                }
                let Some(settled) = settled(event) else { continue };
                for other in &settled.others {
                    match &other.was {
                        Was::Used(split) if split.piece == name => {
                            let there = self.named(book, settled.piece, other.event)?;
                            found.extend(there.map(|e| (e, via)));
                        }
                        Was::Same { names: same } => {
                            for n in same.iter().filter(|n| n.is == name) {
                                if names.iter().all(|(known, _)| *known != n.name) {
                                    names.push((n.name, Some(via)));
                                }
                            }
                        }
                        _ => {}
                    }
                }
            }
        }
        Ok(found)
    }

    /// A use that a settlement of a piece names. It may have come there from elsewhere.
    fn named<B: Book>(&mut self, book: &B, of: Uuid, event: Hash) -> Result<Option<Arc<Event>>, B::Error> {
        if let Some(found) = self.events_of(book, Thing::piece(of))?.iter().find(|e| e.hash == event) {
            return Ok(Some(found.clone()));
        }
        if self.looking.contains(&of) {
            return Ok(None);
        }
        self.looking.push(of);
        let found = self.candidates(book, of)?.into_iter().map(|(e, _)| e).find(|e| e.hash == event);
        self.looking.pop();
        Ok(found)
    }

    /// Everything whose state may hang on a settlement.
    pub(super) fn hangs_on<B: Book>(&mut self, book: &B, of: &Event) -> Result<Vec<Thing>, B::Error> {
        let Some(settled) = settled(of) else { return Ok(Vec::new()) };
        let mut things: Vec<Thing> = settled.pieces().chain([settled.piece]).map(Thing::piece).collect();
        for event in settled.others.iter().map(|o| o.event).chain([settled.happened]) {
            if let Some(event) = self.named(book, settled.piece, event)? {
                things.extend(event.things());
            }
        }
        Ok(things)
    }
}

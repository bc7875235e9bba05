//! What contradicts what on one piece: its standing holds, the uses that claim it, its settlements.

use std::sync::Arc;

use uuid::Uuid;

use super::judge::{Family, Judge, WriteDown};
use super::settled::{Claim, settled};
use super::step::used;
use super::{Book, Standing, inherited};
use crate::body::{Body, Held};
use crate::event::{Event, Hash, Thing, ThingKind};
use crate::mutant::{self, Mutant};
use crate::state::{Gone, Hold, Piece};

/// Finds the standing holds of a piece and the uses that claim it, and whether any two contradict each other.
pub(super) fn mark_contradictions<B: Book>(
    book: &B,
    judge: &mut Judge,
    piece: &mut Piece,
    events: &[Arc<Event>],
) -> Result<(), B::Error> {
    let thing = Thing::new(ThingKind::Piece, piece.id);
    if let Some(parent) = piece.from.filter(|_| born_of_a_use(piece.born, events)) {
        let parent = book.folded(Thing::new(ThingKind::Piece, parent))?;
        let from_it = inherited(&parent);
        piece.blocked = from_it.blocked;
        if parent.state.is_some() {
            piece.lot = from_it.lot;
        }
        if from_it.gone && piece.gone.is_none() {
            piece.set_aside = true;
            piece.gone = Some(Gone::Nothing);
        }
    }
    only_its_own_lot(book, judge, piece, events)?;
    let family = Family::of(thing, events);
    let claims = judge.claims(book, piece.id)?;
    let (_, settlements_differ) = judge.settlement(book, piece.id)?;
    // A use that was written down on this piece and came to it by a settlement is not among its own events.
    if piece.used.is_none()
        && let Some(first) = claims.first()
        && judge.standing(book, &first.event)? == Standing::Counts
        && let Some(body) = &first.event.body
    {
        piece.used = Some(used(piece, &first.event, body, first.split.as_ref()));
    }
    let holds = standing_holds(book, judge, piece.id, events)?;
    let downs = judge.write_downs(book, piece.id)?;
    // Two holds of which one knew the other were no mistake; neither were those that were settled together.
    let concurrent = |a: Hash, b: Hash| family.concurrent(a, b);
    let different_uses =
        claims.iter().enumerate().any(|(i, a)| claims[i + 1..].iter().any(|b| different_outcome(a, b)));
    let hold_against_use = holds.iter().any(|(hold, _)| claims.iter().any(|claim| concurrent(hold.hash, claim.via)));
    let hold_against_hold = holds.iter().enumerate().any(|(i, (a, of_a))| {
        holds[i + 1..].iter().any(|(b, of_b)| of_a.orders != of_b.orders && concurrent(a.hash, b.hash))
    });
    let by_downs = downs.iter().enumerate().any(|(i, down)| {
        let with = |other: Hash| concurrent(down.event.hash, other);
        downs[i + 1..].iter().any(|other| other.to != down.to && with(other.event.hash))
            || claims.iter().any(|claim| with(claim.via))
            || holds.iter().any(|(hold, _)| with(hold.hash))
    });
    piece.conflict = different_uses || hold_against_use || hold_against_hold || by_downs || settlements_differ;
    piece.conflict &= !mutant::on(Mutant::ConflictDropped);
    piece.holds = holds
        .iter()
        .map(|(event, held)| Hold { event: event.hash, plan: held.plan, orders: held.orders.clone() })
        .collect();
    piece.holds.sort_by_key(|h| h.event);
    if piece.used.is_some() && !piece.conflict {
        piece.holds.clear();
    }
    Ok(())
}

/// The promises of a piece that stand: neither let go nor cut, nor settled to have been nothing.
fn standing_holds<'a, B: Book>(
    book: &B,
    judge: &mut Judge,
    of: Uuid,
    events: &'a [Arc<Event>],
) -> Result<Vec<(&'a Arc<Event>, &'a Held)>, B::Error> {
    let family = Family::of(Thing::piece(of), events);
    let settlement = judge.settlement(book, of)?.0;
    let (mut holds, mut releases, mut cut_for) = (Vec::new(), Vec::new(), Vec::new());
    for event in events {
        if !matches!(judge.standing(book, event)?, Standing::Counts | Standing::SetAside) {
            continue;
        }
        match &event.body {
            Some(Body::Cut(cut)) if cut.piece == of => cut_for.push(cut.plan),
            Some(Body::Held(held)) => {
                let was = settlement.as_ref().and_then(|s| settled(s)?.was(event.hash));
                if was.is_none() {
                    holds.push((event, held));
                }
            }
            Some(Body::Released(released)) => releases.push((event, released.plan)),
            _ => {}
        }
    }
    let released = |hold: Hash, plan| {
        releases.iter().any(|(release, of)| *of == plan && family.ancestors(release.hash).contains(&hold))
    };
    holds.retain(|(event, held)| !released(event.hash, held.plan) && !cut_for.contains(&held.plan));
    Ok(holds)
}

/// What was said of a piece's worth and contradicts another such saying, a use or a promise.
pub(super) fn contradicting_write_downs<B: Book>(
    book: &B,
    judge: &mut Judge,
    of: Uuid,
) -> Result<Vec<Arc<Event>>, B::Error> {
    let events = judge.events_of(book, Thing::piece(of))?;
    let family = Family::of(Thing::piece(of), &events);
    let downs = judge.write_downs(book, of)?;
    let mut others: Vec<Hash> = judge.claims(book, of)?.iter().map(|claim| claim.via).collect();
    others.extend(standing_holds(book, judge, of, &events)?.iter().map(|(hold, _)| hold.hash));
    let contradicts = |down: &WriteDown| {
        let with = |other: Hash| family.concurrent(down.event.hash, other);
        others.iter().any(|other| with(*other)) || downs.iter().any(|d| d.to != down.to && with(d.event.hash))
    };
    Ok(downs.iter().filter(|d| contradicts(d)).map(|d| d.event.clone()).collect())
}

/// Takes back what was shared to a piece of another lot than it turned out to be of: there the lot bears it.
fn only_its_own_lot<B: Book>(
    book: &B,
    judge: &mut Judge,
    piece: &mut Piece,
    events: &[Arc<Event>],
) -> Result<(), B::Error> {
    for event in events {
        let Some((lot, shares)) = event.body.as_ref().and_then(Body::shares) else { continue };
        if Some(lot) == piece.lot || judge.standing(book, event)? != Standing::Counts {
            continue;
        }
        let by: i64 = shares.iter().filter(|s| s.piece == piece.id).map(|s| s.amount).sum();
        if matches!(&event.body, Some(Body::LotAdjusted(_))) {
            piece.later -= by;
        }
        piece.change_cost(-by);
    }
    Ok(())
}

fn born_of_a_use(birth: Hash, events: &[Arc<Event>]) -> bool {
    events.iter().any(|e| e.hash == birth && e.body.as_ref().is_some_and(|b| b.uses().is_some()))
}

/// Two throwings-away of one piece say the same, and two givings back; any other two uses differ.
fn different_outcome(a: &Claim, b: &Claim) -> bool {
    match (&a.event.body, &b.event.body) {
        (Some(Body::Scrapped(a)), Some(Body::Scrapped(b))) => a.written_off != b.written_off,
        (Some(Body::HandedBack(_)), Some(Body::HandedBack(_))) => false,
        _ => true,
    }
}

//! What contradicts what on one piece: its standing holds and uses.

use std::sync::Arc;

use super::judge::{Family, Judge};
use super::{Book, Standing, blocks};
use crate::body::Body;
use crate::event::{Event, Hash, Thing, ThingKind};
use crate::state::{Hold, Piece};

/// Finds the standing holds and uses of a piece, and whether any two contradict each other.
pub(super) fn mark_contradictions<B: Book>(
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

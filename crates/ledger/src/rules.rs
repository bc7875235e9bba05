//! What may be done, given the state. Rules bind when acting; the fold never refuses.

use uuid::Uuid;

use crate::state::{Order, Piece, Plan, Status};

/// Why the shop's state does not allow an action.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum Refusal {
    #[error("{piece} is used up already")]
    Used { piece: String },
    #[error("{piece} was written off")]
    WrittenOff { piece: String },
    #[error("{piece} is in conflict")]
    InConflict { piece: String },
    #[error("{piece} is held for another plan")]
    HeldForOther { piece: String },
    #[error("{piece} is held")]
    IsHeld { piece: String },
    #[error("plan {plan} is held already")]
    PlanHeld { plan: String },
    #[error("plan {plan} is not held")]
    PlanNotHeld { plan: String },
    #[error("plan {plan} has been cut")]
    PlanCut { plan: String },
    #[error("{piece} of plan {plan} has been cut already")]
    PieceCut { piece: String, plan: String },
    #[error("{thing} waits for a newer version of the program")]
    Frozen { thing: String },
    #[error("{piece} belongs to a customer")]
    Owned { piece: String, owner: String },
    #[error("{piece} belongs to nobody else")]
    NotOwned { piece: String },
    #[error("{piece} carries less than that")]
    CarriesLess { piece: String },
    #[error("{piece} is not what plan {plan} was made for")]
    NotAsPlanned { piece: String, plan: String },
    #[error("{piece} was not thrown away")]
    NotWrittenOff { piece: String },
    #[error("order {order} is closed")]
    OrderClosed { order: String },
}

/// On hand: neither used, nor written off, nor in conflict.
pub fn on_hand(piece: &Piece) -> Result<(), Refusal> {
    let code = || piece.code.clone();
    match piece.status() {
        Status::Free | Status::Held => Ok(()),
        Status::Used => Err(Refusal::Used { piece: code() }),
        Status::WrittenOff => Err(Refusal::WrittenOff { piece: code() }),
        Status::Conflict => Err(Refusal::InConflict { piece: code() }),
    }
}

/// On hand and promised to nobody.
pub fn free(piece: &Piece) -> Result<(), Refusal> {
    on_hand(piece)?;
    match piece.holds.is_empty() {
        true => Ok(()),
        false => Err(Refusal::IsHeld { piece: piece.code.clone() }),
    }
}

/// On hand, and held by no other plan than this one.
pub fn free_for(piece: &Piece, plan: Uuid) -> Result<(), Refusal> {
    on_hand(piece)?;
    match piece.holds.iter().all(|h| h.plan == plan) {
        true => Ok(()),
        false => Err(Refusal::HeldForOther { piece: piece.code.clone() }),
    }
}

/// A plan's pieces can be promised to it; with `take_over`, also those that are promised to other plans.
pub fn may_hold(plan: &Plan, pieces: &[Piece], take_over: bool) -> Result<(), Refusal> {
    if plan.held {
        return Err(Refusal::PlanHeld { plan: plan.code.clone() });
    }
    if !plan.cut.is_empty() {
        return Err(Refusal::PlanCut { plan: plan.code.clone() });
    }
    pieces.iter().try_for_each(|piece| {
        as_planned(plan, piece)?;
        if take_over { on_hand(piece) } else { free_for(piece, plan.id) }
    })
}

/// A piece has the area that a plan was made for; its size may have been corrected since.
pub fn as_planned(plan: &Plan, piece: &Piece) -> Result<(), Refusal> {
    match plan.pieces.iter().find(|p| p.piece == piece.id) {
        Some(planned) if planned.areas.total2() != piece.shape.area2() => {
            Err(Refusal::NotAsPlanned { piece: piece.code.clone(), plan: plan.code.clone() })
        }
        _ => Ok(()),
    }
}

/// A plan's pieces can be let go.
pub fn may_release(plan: &Plan) -> Result<(), Refusal> {
    match plan.held {
        true => Ok(()),
        false => Err(Refusal::PlanNotHeld { plan: plan.code.clone() }),
    }
}

/// A piece of a plan can be cut: held by this plan, or by nobody.
pub fn may_cut(plan: &Plan, piece: &Piece) -> Result<(), Refusal> {
    if plan.cut.contains(&piece.id) {
        return Err(Refusal::PieceCut { piece: piece.code.clone(), plan: plan.code.clone() });
    }
    free_for(piece, plan.id)?;
    as_planned(plan, piece)
}

/// May be used for an order of this customer, or for the shop itself where there is none.
pub fn own_or_of(piece: &Piece, customer: Option<&str>) -> Result<(), Refusal> {
    match piece.is_for(customer) {
        true => Ok(()),
        false => Err(Refusal::Owned { piece: piece.code.clone(), owner: piece.owner.clone().unwrap_or_default() }),
    }
}

/// More can be planned, promised, cut and charged for an order: it is not closed.
pub fn open(order: &Order) -> Result<(), Refusal> {
    match order.closed {
        false => Ok(()),
        true => Err(Refusal::OrderClosed { order: order.code.clone() }),
    }
}

/// Can be handed back: on hand, free, and a customer's own.
pub fn may_hand_back(piece: &Piece) -> Result<(), Refusal> {
    free(piece)?;
    match piece.owner {
        Some(_) => Ok(()),
        None => Err(Refusal::NotOwned { piece: piece.code.clone() }),
    }
}

/// Can carry so much more, or less where `by` is below 0: never less than nothing.
pub fn may_change_cost(piece: &Piece, by: i64) -> Result<(), Refusal> {
    on_hand(piece)?;
    match piece.carried() + by >= 0 {
        true => Ok(()),
        false => Err(Refusal::CarriesLess { piece: piece.code.clone() }),
    }
}

/// Can bear so much of what comes later for its lot. What is used up is not left with less than nothing either: it may
/// be found again.
pub fn may_bear(piece: &Piece, by: i64) -> Result<(), Refusal> {
    match piece.used {
        Some(_) if piece.cost + by < 0 => Err(Refusal::CarriesLess { piece: piece.code.clone() }),
        Some(_) => Ok(()),
        None => may_change_cost(piece, by),
    }
}

/// Can be found again: the event that threw it away.
pub fn may_find_again(piece: &Piece) -> Result<crate::event::Hash, Refusal> {
    match (&piece.used, piece.status()) {
        (Some(used), Status::WrittenOff) if matches!(used.how, crate::state::How::Scrapped) => Ok(used.event),
        (_, Status::Conflict) => Err(Refusal::InConflict { piece: piece.code.clone() }),
        _ => Err(Refusal::NotWrittenOff { piece: piece.code.clone() }),
    }
}

//! What a server answers to a device that it knows, as functions of its shop file and the request.

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::wire::{RunsSaid, Taken, Why};
use crate::batch;
use crate::limits;
use crate::replica::{Problem, Replica};

/// Reads a body.
pub fn read<T: DeserializeOwned>(body: &[u8]) -> Result<T, Why> {
    serde_json::from_slice(body).map_err(|_| Why::Unreadable)
}

/// Writes one.
pub fn write(value: &impl Serialize) -> Result<Vec<u8>, Why> {
    serde_json::to_vec(value).map_err(|_| Why::Fault)
}

fn same_shop<R: Replica>(replica: &R, said: &RunsSaid) -> Result<(), Why> {
    if said.shop == replica.shop() { Ok(()) } else { Err(Why::OtherShop) }
}

/// What is here.
pub fn runs<R: Replica>(replica: &R, body: &[u8]) -> Result<Vec<u8>, Why> {
    same_shop(replica, &read(body)?)?;
    write(&RunsSaid { shop: replica.shop(), runs: replica.runs().map_err(|_| Why::Fault)? })
}

/// The next of what the caller lacks; a batch without events where that is nothing.
pub fn take<R: Replica>(replica: &R, body: &[u8]) -> Result<Vec<u8>, Why> {
    let said: RunsSaid = read(body)?;
    same_shop(replica, &said)?;
    let events = replica.lacking(&said.runs, limits::BATCH_BYTES).map_err(|_| Why::Fault)?;
    Ok(batch::write(&events))
}

/// Whether something is here that the caller lacks.
pub fn has_more<R: Replica>(replica: &R, body: &[u8]) -> Result<bool, Why> {
    let said: RunsSaid = read(body)?;
    same_shop(replica, &said)?;
    Ok(!replica.lacking(&said.runs, 1).map_err(|_| Why::Fault)?.is_empty())
}

/// Takes in what the caller hands over; with what was not let in.
pub fn give<R: Replica>(replica: &mut R, body: &[u8]) -> Result<(Vec<u8>, Vec<Problem>), Why> {
    let events = batch::read(body).map_err(|e| match e {
        batch::BatchError::TooLarge => Why::TooLarge,
        batch::BatchError::Damaged | batch::BatchError::Newer => Why::Unreadable,
    })?;
    let taken = replica.take_in(events).map_err(|_| Why::Fault)?;
    let problems: Vec<Problem> = taken.refused.into_iter().map(Problem::Refused).collect();
    Ok((write(&Taken { new: taken.new, refused: problems.len() as u64 })?, problems))
}

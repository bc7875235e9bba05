//! What every carrier that answers questions has in common, and the exchange over it. (A folder answers none: it is
//! read as a whole.)

use std::fs::File;
use std::io::Seek as _;

use sheetloft_ledger::exchange::{Runs, Sealed};
use uuid::Uuid;

use crate::limits;
use crate::replica::{Problem, Replica, Report};
use crate::start;

/// The other side of an exchange.
pub trait Carrier {
    /// What can go wrong with it.
    type Error;
    /// What is there, by device, for one who has `mine`.
    fn runs(&mut self, shop: Uuid, mine: &Runs) -> Result<Runs, Self::Error>;
    /// The next of what one who has `mine` lacks, in whole actions; empty where that is nothing.
    fn lacking(&mut self, shop: Uuid, mine: &Runs) -> Result<Vec<Sealed>, Self::Error>;
    /// Hands events over; how many were new there.
    fn give(&mut self, shop: Uuid, events: Vec<Sealed>) -> Result<u64, Self::Error>;
    /// Writes the start that is there into a file; false where there is none.
    fn start(&mut self, shop: Uuid, to: &mut File) -> Result<bool, Self::Error>;
}

/// Why an exchange came to nothing, or not to its end.
#[derive(Debug, thiserror::Error)]
pub enum ExchangeError<C, R> {
    /// The carrier.
    #[error("the other side")]
    Carrier(C),
    /// The shop file.
    #[error("the shop file")]
    Shop(R),
}

/// Begins a replica in which nothing is yet: with a start, if the other side has one, and the rest event by event.
/// `scratch` is an empty file for the start.
pub fn begin<C: Carrier, R: Replica>(
    carrier: &mut C,
    replica: &mut R,
    scratch: &mut File,
    report: &mut Report,
) -> Result<(), ExchangeError<C::Error, R::Error>> {
    if carrier.start(replica.shop(), scratch).map_err(ExchangeError::Carrier)? {
        let begun = match scratch.rewind() {
            Ok(()) => start::begin(scratch, replica).map_err(ExchangeError::Shop)?,
            Err(_) => None,
        };
        match begun {
            Some(events) => report.received += events,
            None => report.problems.push(Problem::NoStart),
        }
    }
    take_all(carrier, replica, report)
}

/// Takes in everything that the other side has and this one lacks.
pub fn take_all<C: Carrier, R: Replica>(
    carrier: &mut C,
    replica: &mut R,
    report: &mut Report,
) -> Result<(), ExchangeError<C::Error, R::Error>> {
    loop {
        let mine = replica.runs().map_err(ExchangeError::Shop)?;
        let events = carrier.lacking(replica.shop(), &mine).map_err(ExchangeError::Carrier)?;
        if events.is_empty() {
            return Ok(());
        }
        let taken = replica.take_in(events).map_err(ExchangeError::Shop)?;
        let new = taken.new;
        let problems = taken.refused.into_iter().map(Problem::Refused).collect();
        report.add(Report { received: new, problems, ..Report::default() });
        // What is sent again and again without any of it being let in would never end.
        if new == 0 {
            return Ok(());
        }
    }
}

/// Hands over everything that this side has and the other one lacks.
pub fn give_all<C: Carrier, R: Replica>(
    carrier: &mut C,
    replica: &R,
    report: &mut Report,
) -> Result<(), ExchangeError<C::Error, R::Error>> {
    let mut before = None;
    loop {
        let mine = replica.runs().map_err(ExchangeError::Shop)?;
        let theirs = carrier.runs(replica.shop(), &mine).map_err(ExchangeError::Carrier)?;
        let events = replica.lacking(&theirs, limits::BATCH_BYTES).map_err(ExchangeError::Shop)?;
        // Nothing left, or nothing of the last batch was let in.
        if events.is_empty() || before.as_ref() == Some(&theirs) {
            return Ok(());
        }
        report.sent += carrier.give(replica.shop(), events).map_err(ExchangeError::Carrier)?;
        before = Some(theirs);
    }
}

/// An exchange: first what they have, so that what is handed over is judged on all that is known.
pub fn exchange<C: Carrier, R: Replica>(
    carrier: &mut C,
    replica: &mut R,
) -> Result<Report, ExchangeError<C::Error, R::Error>> {
    let mut report = Report::default();
    take_all(carrier, replica, &mut report)?;
    give_all(carrier, replica, &mut report)?;
    Ok(report)
}

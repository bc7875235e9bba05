//! Reading and checking many events at once, on every core: hashes and signatures are what taking in costs most of.

use std::num::NonZero;
use std::thread;

use ed25519_dalek::VerifyingKey;
use sheetloft_ledger::event::{Event, EventError, Hash};
use sheetloft_ledger::exchange::Sealed;

use crate::device::seal_holds;

/// Fewer than so many are not worth a thread.
const FEW: usize = 64;

/// What `each` makes of every item, in order.
fn in_parallel<T: Sync, R: Send>(items: &[T], each: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let threads = thread::available_parallelism().map_or(1, NonZero::get).min(items.len() / FEW);
    if threads < 2 {
        return items.iter().map(each).collect();
    }
    thread::scope(|scope| {
        let each = &each;
        let of_thread = items.len().div_ceil(threads);
        let running: Vec<_> = items
            .chunks(of_thread)
            .map(|some| scope.spawn(move || some.iter().map(each).collect::<Vec<R>>()))
            .collect();
        running
            .into_iter()
            .flat_map(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    })
}

/// Reads events from their bytes, in order.
pub(crate) fn read_all(events: &[Sealed]) -> Vec<Result<Event, EventError>> {
    in_parallel(events, |sealed| Event::read(&sealed.bytes))
}

/// Which of these seals are their key's signature over their hash, in order.
pub(crate) fn which_hold(seals: &[(&VerifyingKey, Hash, [u8; 64])]) -> Vec<bool> {
    in_parallel(seals, |(key, hash, seal)| seal_holds(key, *hash, seal))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_has_its_turn_and_its_place() {
        for count in [0, 1, FEW - 1, 2 * FEW, 2 * FEW + 1, 10 * FEW + 7] {
            let items: Vec<usize> = (0..count).collect();
            assert_eq!(in_parallel(&items, |n| n * 2), items.iter().map(|n| n * 2).collect::<Vec<_>>());
        }
    }
}

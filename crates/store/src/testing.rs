//! What the tests of this crate have in common.

use std::path::Path;

use sheetloft_ledger::body::{Body, DeviceBegan, Moved};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::exchange::{Runs, Sealed};
use uuid::Uuid;

use crate::device::DeviceKey;
use crate::error::StoreError;
use crate::file::Store;
use crate::write::{Ids, Tx};

/// Ids that count up; so does the clock, within what a count of milliseconds holds.
pub(crate) struct Counter(pub u128);

impl Ids for Counter {
    fn uuid(&mut self) -> Uuid {
        self.0 += 1;
        Uuid::from_u128(self.0)
    }

    fn wall_ms(&mut self) -> u64 {
        u64::try_from(self.0 % (1 << 40)).unwrap_or(0)
    }
}

/// A shop file of a device of its own.
pub(crate) fn device(folder: &Path, n: u8) -> (Store, Counter) {
    let id = Uuid::from_u128(u128::from(n));
    let key = DeviceKey::new(id, [n; 32]);
    let began = DeviceBegan { shop: Uuid::nil(), public_key: key.public_key(), tag: format!("{n}A"), through: None };
    let mut store = Store::create(&folder.join(format!("{n}.db")), key).unwrap();
    let mut ids = Counter(u128::from(n) << 64);
    act(&mut store, &mut ids, &[(Body::DeviceBegan(began), Thing::new(ThingKind::Device, id))]);
    (store, ids)
}

/// One action.
pub(crate) fn act(store: &mut Store, ids: &mut Counter, events: &[(Body, Thing)]) {
    let draft = |tx: &mut Tx<'_>, _: &mut DeviceKey| {
        events.iter().for_each(|(body, thing)| tx.draft(body.clone(), [*thing]));
        Ok::<_, StoreError>(())
    };
    store.transact(Uuid::nil(), ids, draft).unwrap();
}

/// Moves of a few things; enough for the order in which events take effect, whatever they mean.
pub(crate) fn moves(store: &mut Store, ids: &mut Counter, of: impl Iterator<Item = u128>) {
    let events: Vec<_> = of
        .map(|n| (Body::Moved(Moved { piece: Uuid::from_u128(500 + n), rack: None }), Uuid::from_u128(500 + n)))
        .map(|(body, id)| (body, Thing::piece(id)))
        .collect();
    act(store, ids, &events);
}

/// All events of a file, as they travel.
pub(crate) fn all(store: &Store) -> Vec<Sealed> {
    store.read().lacking(&Runs::new(), usize::MAX).unwrap()
}

/// What two devices did who built on each other's work, in the order of the second.
pub(crate) fn history(folder: &Path) -> (Store, Vec<Sealed>) {
    let ((mut one, mut ids1), (mut two, mut ids2)) = (device(folder, 1), device(folder, 2));
    for round in 0..4 {
        moves(&mut one, &mut ids1, 0..3);
        moves(&mut two, &mut ids2, round..round + 2);
        for _ in 0..2 {
            two.take_in(Uuid::nil(), 0, all(&one)).unwrap();
            one.take_in(Uuid::nil(), 0, all(&two)).unwrap();
        }
    }
    let events = all(&two);
    (two, events)
}

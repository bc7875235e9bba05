//! The shop file as an exchange with other devices sees it.

use sheetloft_ledger::event::{Hash, Thing};
use sheetloft_ledger::exchange::{Runs, Sealed, TakenIn};
use sheetloft_store::{Store, StoreError};
use sheetloft_sync::Replica;
use uuid::Uuid;

/// A shop file in an exchange, with what changed in it by that.
pub struct Local<'a> {
    /// The file.
    pub store: &'a mut Store,
    /// The shop.
    pub shop: Uuid,
    /// The wall clock, ms since 1970.
    pub now_ms: u64,
    /// The things that changed so far.
    pub changed: Vec<Thing>,
}

impl<'a> Local<'a> {
    /// A shop file about to exchange.
    pub fn new(store: &'a mut Store, shop: Uuid, now_ms: u64) -> Self {
        Self { store, shop, now_ms, changed: Vec::new() }
    }
}

impl Replica for Local<'_> {
    type Error = StoreError;

    fn shop(&self) -> Uuid {
        self.shop
    }

    fn device(&self) -> Uuid {
        self.store.device().unwrap_or_default()
    }

    fn runs(&self) -> Result<Runs, StoreError> {
        self.store.read().runs()
    }

    fn lacking(&self, theirs: &Runs, bytes_most: usize) -> Result<Vec<Sealed>, StoreError> {
        self.store.read().lacking(theirs, bytes_most)
    }

    fn has(&self, event: Hash) -> Result<bool, StoreError> {
        self.store.read().has(event)
    }

    fn hash_at(&self, device: Uuid, number: u64) -> Result<Option<Hash>, StoreError> {
        self.store.read().hash_at(device, number)
    }

    fn take_in(&mut self, events: Vec<Sealed>) -> Result<TakenIn, StoreError> {
        let taken = self.store.take_in(self.shop, self.now_ms, events)?;
        self.changed.extend(&taken.changed);
        Ok(taken)
    }
}

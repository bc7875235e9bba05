//! What the tests of this crate have in common.

use uuid::Uuid;

use crate::write::Ids;

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

//! `check` and `digest`: the file's integrity, every rule of the books, and the hash of the state.

use std::collections::HashMap;
use std::sync::Arc;

use sha2::{Digest, Sha256};
use sheetloft_ledger::event::{Event, Hash, Thing};
use sheetloft_ledger::fold;
use sheetloft_ledger::state::Piece;
use uuid::Uuid;

use crate::book::{SqlBook, hash_from};
use crate::device::{seal_holds, seal_key};
use crate::error::StoreError;
use crate::file::Store;
use crate::query::PieceFilter;

/// Something that is off: a message key and where.
#[derive(Clone, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub struct Finding {
    pub what: What,
    pub place: String,
}

/// What can be off.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub enum What {
    File,
    EventChanged,
    ChainBroken,
    SealWrong,
    SealMissing,
    LotOff,
    PieceCostOff,
    AreaOff,
    StateOff,
}

/// The books' sums, minor units.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[allow(missing_docs)]
pub struct Sums {
    pub received: i64,
    pub on_hand: i64,
    pub charged: i64,
    pub written_off: i64,
}

impl Store {
    /// Checks the file, the chain of events, the seals, every sum of the books, and that all state rebuilt
    /// from the events equals what is stored.
    pub fn check(&mut self) -> Result<Vec<Finding>, StoreError> {
        let mut found = Vec::new();
        let sound: String = self.conn.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
        if sound != "ok" {
            found.push(Finding { what: What::File, place: sound });
        }
        self.check_chain(&mut found)?;
        self.check_books(&mut found)?;
        for place in self.rebuilt_differences()? {
            found.push(Finding { what: What::StateOff, place });
        }
        Ok(found)
    }

    fn check_chain(&self, found: &mut Vec<Finding>) -> Result<(), StoreError> {
        let devices = self.read().devices()?;
        let keys: HashMap<Uuid, _> =
            devices.iter().filter_map(|d| seal_key(&d.public_key).map(|key| (d.id, key))).collect();
        let mut unsealed: Option<(Uuid, String)> = None;
        // Up to the end of a device's unbroken run nothing may be missing; what waits beyond has gaps.
        let sql = "SELECT a.hash, a.bytes, s.signature FROM \
                   (SELECT hash, device, number, bytes FROM event UNION ALL SELECT hash, device, number, bytes FROM waiting) a \
                   JOIN run r ON r.device = a.device LEFT JOIN fork f ON f.device = a.device LEFT JOIN seal s ON s.hash = a.hash \
                   WHERE a.number <= r.number AND a.number < coalesce(f.number, a.number + 1) ORDER BY a.device, a.number";
        let mut statement = self.conn.prepare(sql)?;
        let mut rows = statement.query([])?;
        let mut before: Option<(Uuid, u64, Hash)> = None;
        while let Some(row) = rows.next()? {
            let bytes = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
            let stored = hash_from(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
            let event = Event::read(bytes)?;
            let e = &event.envelope;
            let place = || format!("{} {}", e.device, e.number);
            if event.hash != stored {
                found.push(Finding { what: What::EventChanged, place: place() });
            }
            // A seal covers all that came before it on its device.
            if unsealed.as_ref().is_some_and(|(device, _)| *device != e.device) {
                found.extend(unsealed.take().map(|(_, place)| Finding { what: What::SealMissing, place }));
            }
            let expected = match before {
                Some((device, number, hash)) if device == e.device => (number + 1, Some(hash)),
                _ => (1, None),
            };
            if (e.number, e.prev) != expected {
                found.push(Finding { what: What::ChainBroken, place: place() });
            }
            let signature: Option<Vec<u8>> = row.get(2)?;
            match (signature, e.more) {
                (None, true) => {}
                (None, false) => {
                    unsealed.get_or_insert_with(|| (e.device, place()));
                }
                (Some(signature), _) if keys.get(&e.device).is_some_and(|key| seal_holds(key, stored, &signature)) => {
                    unsealed = None;
                }
                (Some(_), _) => found.push(Finding { what: What::SealWrong, place: place() }),
            }
            before = Some((e.device, e.number, stored));
        }
        found.extend(unsealed.map(|(_, place)| Finding { what: What::SealMissing, place }));
        Ok(())
    }

    fn check_books(&self, found: &mut Vec<Finding>) -> Result<(), StoreError> {
        for lot in self.read().lots()? {
            let sums = self.lot_sums(Some(lot.id))?;
            let received = lot.received + sums.received;
            if received != sums.on_hand + sums.charged + sums.written_off + lot.written_off {
                found.push(Finding { what: What::LotOff, place: lot.name });
            }
        }
        let loose = self.lot_sums(None)?;
        if loose.received != loose.on_hand + loose.charged + loose.written_off {
            found.push(Finding { what: What::LotOff, place: "—".into() });
        }
        for piece in self.read().pieces(&PieceFilter::default())? {
            check_piece(&piece, found);
        }
        Ok(())
    }

    fn lot_sums(&self, lot: Option<Uuid>) -> Result<Sums, StoreError> {
        let sql = "SELECT coalesce(sum(received), 0), coalesce(sum(carried), 0), coalesce(sum(charged), 0), \
                   coalesce(sum(written_off), 0) FROM piece WHERE lot IS ?1";
        Ok(self.conn.prepare_cached(sql)?.query_row([lot], |row| {
            Ok(Sums { received: row.get(0)?, on_hand: row.get(1)?, charged: row.get(2)?, written_off: row.get(3)? })
        })?)
    }

    /// The sums of the whole books.
    pub fn sums(&self) -> Result<Sums, StoreError> {
        let sql = "SELECT coalesce(sum(received), 0), coalesce(sum(carried), 0), coalesce(sum(charged), 0), \
                   coalesce(sum(written_off), 0) FROM piece";
        let mut sums = self.conn.prepare_cached(sql)?.query_row([], |row| {
            Ok(Sums { received: row.get(0)?, on_hand: row.get(1)?, charged: row.get(2)?, written_off: row.get(3)? })
        })?;
        for lot in self.read().lots()? {
            sums.received += lot.received;
            sums.written_off += lot.written_off;
        }
        Ok(sums)
    }

    /// How many pieces are in conflict.
    pub fn conflicts(&self) -> Result<usize, StoreError> {
        let pieces = self.read().pieces(&PieceFilter { statuses: vec!["conflict"], ..PieceFilter::default() })?;
        Ok(pieces.iter().filter(|p| p.conflict).count())
    }

    /// SHA-256 over the stored state rows in key order, without what is local to a device.
    pub fn digest(&self) -> Result<String, StoreError> {
        let mut hasher = Sha256::new();
        let sql = "SELECT id, frozen, body FROM piece WHERE body IS NOT NULL OR frozen = 1 \
                   UNION ALL SELECT id, frozen, body FROM thing WHERE body IS NOT NULL OR frozen = 1 ORDER BY 1";
        let mut statement = self.conn.prepare(sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let id: Uuid = row.get(0)?;
            let frozen: bool = row.get(1)?;
            let body: Option<String> = row.get(2)?;
            let body = body.unwrap_or_default();
            hasher.update(id.as_bytes());
            hasher.update([u8::from(frozen)]);
            hasher.update(u64::try_from(body.len()).unwrap_or(u64::MAX).to_le_bytes());
            hasher.update(body.as_bytes());
        }
        Ok(Hash(hasher.finalize().into()).to_string())
    }

    /// Throws the state tables away and folds all events anew, in a transaction that is kept.
    pub fn rebuild(&mut self) -> Result<(), StoreError> {
        let tx = self.conn.transaction()?;
        refold_all(&tx)?;
        tx.commit()?;
        Ok(())
    }

    /// Where a rebuild would differ from what is stored; nothing is kept of it.
    fn rebuilt_differences(&mut self) -> Result<Vec<String>, StoreError> {
        // A thing whose birth was taken back has a row without a body, or none: both say the same. Signatures are
        // not worked out anew for this, only that each is of the shape that its piece has.
        let sql = "SELECT id, 0, frozen, body FROM piece WHERE body IS NOT NULL OR frozen = 1 \
                   UNION ALL SELECT id, 0, frozen, body FROM thing WHERE body IS NOT NULL OR frozen = 1 \
                   UNION ALL SELECT piece, 1, free, json_array(hex(material), kind, hex(lot), grain, born_ms, area2, \
                   hex(made_from)) FROM stock ORDER BY 1, 2";
        type Rows = Vec<((Uuid, bool), (bool, Option<String>))>;
        let read = |conn: &rusqlite::Connection| -> Result<Rows, StoreError> {
            let mut statement = conn.prepare(sql)?;
            let rows = statement.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), (row.get(2)?, row.get(3)?))))?;
            Ok(rows.collect::<Result<_, _>>()?)
        };
        if self.is_read_only() {
            return Ok(Vec::new());
        }
        let before = read(&self.conn)?;
        let tx = self.conn.transaction()?;
        refold_all(&tx)?;
        let after = read(&tx)?;
        tx.rollback()?;
        let after: HashMap<_, _> = after.into_iter().collect();
        let mut differ: Vec<String> =
            before.iter().filter(|(id, row)| after.get(id) != Some(row)).map(|((id, _), _)| id.to_string()).collect();
        differ.dedup();
        if after.len() != before.len() && differ.is_empty() {
            differ.push(format!("{} / {}", before.len(), after.len()));
        }
        Ok(differ)
    }
}

pub(crate) fn refold_all(conn: &rusqlite::Connection) -> Result<(), StoreError> {
    conn.execute_batch(
        "DELETE FROM piece; DELETE FROM thing; DELETE FROM charge; DELETE FROM stock; UPDATE event SET standing = 0;",
    )?;
    let mut things = std::collections::BTreeSet::new();
    let mut statement = conn.prepare("SELECT bytes FROM event ORDER BY seq")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let event = Arc::new(Event::read(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
        things.extend(event.things());
    }
    let things: std::collections::BTreeSet<Thing> = things;
    fold::refold(&mut SqlBook(conn), things)?;
    Ok(())
}

/// What must hold for each piece alone: its cost went somewhere to the last minor unit, its area too.
fn check_piece(piece: &Piece, found: &mut Vec<Finding>) {
    let place = || piece.code.clone();
    let Some(used) = &piece.used else { return };
    let (charged, written_off) = piece.charged_and_written_off();
    let returned: i64 = used.returned.iter().map(|r| r.cost).sum();
    if charged + written_off - piece.written_down + returned + used.withdrawn != piece.cost {
        found.push(Finding { what: What::PieceCostOff, place: place() });
    }
    if let Some(areas) = used.areas {
        let returned2: i64 = used.returned.iter().map(|r| r.area2).sum();
        if areas.total2() != piece.shape.area2() || returned2 != areas.offcuts2 {
            found.push(Finding { what: What::AreaOff, place: place() });
        }
    }
}

impl Finding {
    /// The message's key in the catalogue.
    pub fn key(&self) -> &'static str {
        match self.what {
            What::File => "check-file",
            What::EventChanged => "check-event-changed",
            What::ChainBroken => "check-chain-broken",
            What::SealWrong => "check-seal-wrong",
            What::SealMissing => "check-seal-missing",
            What::LotOff => "check-lot-off",
            What::PieceCostOff => "check-piece-cost-off",
            What::AreaOff => "check-area-off",
            What::StateOff => "check-state-off",
        }
    }
}

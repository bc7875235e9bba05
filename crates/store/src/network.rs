//! What this device keeps of the shop's network: whom it was paired with, and pieces that others claimed.

use rusqlite::{Connection, OptionalExtension, Row, TransactionBehavior, params};
use sheetloft_ledger::event::{Hash, ThingKind};
use uuid::Uuid;

use crate::error::StoreError;
use crate::file::Store;
use crate::query::Reader;
use crate::write::Draft;

/// Somebody whom this device was paired with.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Peer {
    /// By what it is known: SHA-256 of a device's certificate, or of what a browser keeps as its key.
    pub fingerprint: Hash,
    /// The device; none for a browser.
    pub device: Option<Uuid>,
    /// What a browser is called.
    pub name: Option<String>,
    /// What a browser may do.
    pub role: Option<String>,
    /// Where this device calls it; none where only the other one calls.
    pub address: Option<String>,
    /// When they were paired, ms since 1970.
    pub paired_ms: u64,
    /// When they last spoke, ms since 1970.
    pub seen_ms: u64,
}

const COLUMNS: &str = "fingerprint, device, name, role, address, paired_ms, seen_ms";

fn peer(row: &Row<'_>) -> rusqlite::Result<Peer> {
    let ms = |n: i64| u64::try_from(n).unwrap_or(0);
    Ok(Peer {
        fingerprint: Hash(row.get(0)?),
        device: row.get(1)?,
        name: row.get(2)?,
        role: row.get(3)?,
        address: row.get(4)?,
        paired_ms: ms(row.get(5)?),
        seen_ms: ms(row.get(6)?),
    })
}

fn whole(ms: u64) -> i64 {
    i64::try_from(ms).unwrap_or(i64::MAX)
}

impl Reader<'_> {
    /// Everybody whom this device was paired with, in the order in which that happened.
    pub fn peers(&self) -> Result<Vec<Peer>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM peer ORDER BY paired_ms, fingerprint");
        let mut statement = self.0.prepare_cached(&sql)?;
        Ok(statement.query_map([], peer)?.collect::<Result<_, _>>()?)
    }

    /// The one with this fingerprint.
    pub fn peer(&self, fingerprint: Hash) -> Result<Option<Peer>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM peer WHERE fingerprint = ?1");
        Ok(self.0.prepare_cached(&sql)?.query_row([fingerprint.0], peer).optional()?)
    }

    /// What differs whenever an event came or went, whoever wrote it.
    pub fn stamp(&self) -> Result<(i64, i64), StoreError> {
        let sql = "SELECT coalesce((SELECT max(seq) FROM event), 0), (SELECT count(*) FROM waiting)";
        Ok(self.0.prepare_cached(sql)?.query_row([], |row| Ok((row.get(0)?, row.get(1)?)))?)
    }
}

impl Store {
    /// Remembers somebody; a device that was paired before under another fingerprint is known by the new one alone.
    pub fn remember_peer(&mut self, peer: &Peer) -> Result<(), StoreError> {
        self.must_be_writable()?;
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute(
            "DELETE FROM peer WHERE device = ?1 AND fingerprint <> ?2",
            params![peer.device, peer.fingerprint.0],
        )?;
        tx.execute(
            &format!("REPLACE INTO peer ({COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"),
            params![
                peer.fingerprint.0,
                peer.device,
                peer.name,
                peer.role,
                peer.address,
                whole(peer.paired_ms),
                whole(peer.seen_ms)
            ],
        )?;
        Ok(tx.commit()?)
    }

    /// Forgets somebody: they are strangers from now on.
    pub fn forget_peer(&self, fingerprint: Hash) -> Result<(), StoreError> {
        self.must_be_writable()?;
        self.conn.execute("DELETE FROM peer WHERE fingerprint = ?1", [fingerprint.0])?;
        Ok(())
    }

    /// Notes that they spoke.
    pub fn peer_seen(&self, fingerprint: Hash, now_ms: u64) -> Result<(), StoreError> {
        self.must_be_writable()?;
        let sql = "UPDATE peer SET seen_ms = ?2 WHERE fingerprint = ?1";
        self.conn.prepare_cached(sql)?.execute(params![fingerprint.0, whole(now_ms)])?;
        Ok(())
    }

    /// Claims pieces for a device: all of them or none. Gives who has claimed one already, and which.
    pub fn claim(
        &mut self,
        pieces: &[Uuid],
        device: Uuid,
        now_ms: u64,
        until_ms: u64,
    ) -> Result<Option<(Uuid, Uuid)>, StoreError> {
        self.must_be_writable()?;
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute("DELETE FROM claim WHERE until_ms <= ?1", [whole(now_ms)])?;
        for piece in pieces {
            if let Some(by) = claimed_by(&tx, *piece, device)? {
                return Ok(Some((by, *piece)));
            }
            tx.prepare_cached("REPLACE INTO claim (piece, device, until_ms) VALUES (?1, ?2, ?3)")?.execute(params![
                piece,
                device,
                whole(until_ms)
            ])?;
        }
        tx.commit()?;
        Ok(None)
    }

    /// Gives free what a device has claimed.
    pub fn release_claims(&mut self, pieces: &[Uuid], device: Uuid) -> Result<(), StoreError> {
        self.must_be_writable()?;
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for piece in pieces {
            tx.prepare_cached("DELETE FROM claim WHERE piece = ?1 AND device = ?2")?.execute(params![piece, device])?;
        }
        Ok(tx.commit()?)
    }

    fn must_be_writable(&self) -> Result<(), StoreError> {
        if self.is_read_only() { Err(StoreError::ReadOnly) } else { Ok(()) }
    }
}

/// Who other than `device` has claimed a piece, whatever the time.
fn claimed_by(conn: &Connection, piece: Uuid, device: Uuid) -> Result<Option<Uuid>, StoreError> {
    let mut statement = conn.prepare_cached("SELECT device FROM claim WHERE piece = ?1 AND device <> ?2")?;
    Ok(statement.query_row(params![piece, device], |row| row.get(0)).optional()?)
}

/// Refuses where an action is about to use a piece that another device has claimed: the two would be a conflict.
pub(crate) fn none_claimed(conn: &Connection, drafts: &[Draft], device: Uuid, now_ms: u64) -> Result<(), StoreError> {
    // Hardly ever is anything claimed.
    if !conn.prepare_cached("SELECT 1 FROM claim WHERE until_ms > ?1")?.exists([whole(now_ms)])? {
        return Ok(());
    }
    for draft in drafts.iter().filter(|d| d.body.is_exclusive()) {
        for thing in draft.touches.iter().filter(|t| t.kind == ThingKind::Piece) {
            let sql = "SELECT device FROM claim WHERE piece = ?1 AND device <> ?2 AND until_ms > ?3";
            let mut statement = conn.prepare_cached(sql)?;
            let by: Option<Uuid> =
                statement.query_row(params![thing.id, device, whole(now_ms)], |row| row.get(0)).optional()?;
            if let Some(device) = by {
                return Err(StoreError::Claimed { piece: thing.id, device });
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::DeviceKey;

    fn store(folder: &std::path::Path) -> Store {
        Store::create(&folder.join("shop.db"), DeviceKey::new(Uuid::from_u128(1), [7; 32])).unwrap()
    }

    fn somebody(fingerprint: u8, device: Option<u128>) -> Peer {
        Peer {
            fingerprint: Hash([fingerprint; 32]),
            device: device.map(Uuid::from_u128),
            name: None,
            role: None,
            address: None,
            paired_ms: u64::from(fingerprint),
            seen_ms: 0,
        }
    }

    #[test]
    fn a_device_paired_again_is_known_by_its_new_certificate_alone() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = store(folder.path());
        for peer in [somebody(1, Some(5)), somebody(2, None), somebody(3, None), somebody(4, Some(5))] {
            store.remember_peer(&peer).unwrap();
        }
        let known: Vec<u8> = store.read().peers().unwrap().iter().map(|p| p.fingerprint.0[0]).collect();
        assert_eq!(known, [2, 3, 4]);
        store.forget_peer(Hash([4; 32])).unwrap();
        assert_eq!(store.read().peer(Hash([4; 32])).unwrap(), None);
        store.peer_seen(Hash([2; 32]), 77).unwrap();
        assert_eq!(store.read().peer(Hash([2; 32])).unwrap().unwrap().seen_ms, 77);
    }

    #[test]
    fn a_claim_is_for_one_device_all_or_none_and_ends() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = store(folder.path());
        let [a, b] = [Uuid::from_u128(10), Uuid::from_u128(11)];
        let [one, two, three] = [1, 2, 3].map(Uuid::from_u128);
        assert_eq!(store.claim(&[one, two], a, 0, 100).unwrap(), None);
        assert_eq!(store.claim(&[one], a, 0, 100).unwrap(), None, "its own");
        assert_eq!(store.claim(&[three, two], b, 50, 150).unwrap(), Some((a, two)));
        assert_eq!(store.claim(&[three], a, 50, 150).unwrap(), None, "nothing of the refused claim is left");
        store.release_claims(&[three], b).unwrap();
        assert_eq!(store.claim(&[three], b, 50, 150).unwrap(), Some((a, three)), "only who has it gives it free");
        store.release_claims(&[one, two], a).unwrap();
        assert_eq!(store.claim(&[one, two], b, 50, 150).unwrap(), None);
        assert_eq!(store.claim(&[three], b, 150, 250).unwrap(), None, "over");
    }
}

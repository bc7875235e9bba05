//! What a question over the whole stock looks at: a row for each piece on hand with its signature, so that no body
//! of a piece is read that the answer does not need.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use rusqlite::{Connection, OpenFlags, OptionalExtension, TransactionBehavior, params};
use sha2::{Digest, Sha256};
use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::state::{Piece, Status};
use sheetloft_shapes::Shape;
use uuid::Uuid;

use crate::error::StoreError;
use crate::file::{BUSY, Store, keep_statements};
use crate::query::Reader;

/// How signatures are worked out, given by whoever searches the stock. They depend on a piece's shape and flaws alone.
#[derive(Clone, Copy, Debug)]
pub struct Signer {
    /// Of the way of working them out; at least 1. Stored ones of another version are worked out anew.
    pub version: u8,
    /// Works out the signature of a piece with its flaws.
    pub of: fn(&Shape, &[Shape]) -> Vec<u8>,
}

/// Threads that work out signatures.
const THREADS: usize = 2;
/// Pieces whose shapes are in memory at once for that.
pub(crate) const AT_ONCE: usize = 512;

/// A free piece, without its shape.
#[derive(Clone, Copy, Debug)]
#[allow(missing_docs)]
pub struct StockRow<'a> {
    pub piece: Uuid,
    pub lot: Option<Uuid>,
    /// Direction of the grain, microdegrees.
    pub grain_udeg: Option<i64>,
    pub born_ms: u64,
    /// Twice the net area, µm².
    pub area2: i64,
    /// A customer's own: for that customer's orders only.
    pub owned: bool,
    /// As stored, of whatever version; empty where there is none yet.
    pub signature: &'a [u8],
}

impl Reader<'_> {
    /// Goes through the free pieces of a material, in order of their UUIDs.
    pub fn stock(
        &self,
        material: Uuid,
        kind: Option<PieceKind>,
        mut each: impl FnMut(StockRow<'_>),
    ) -> Result<(), StoreError> {
        let sql = "SELECT piece, lot, grain, born_ms, area2, signature, free FROM stock \
                   WHERE material = ?1 AND free > 0 AND (?2 IS NULL OR kind = ?2) ORDER BY piece";
        let mut statement = self.0.prepare_cached(sql)?;
        let mut rows = statement.query(params![material, kind.map(PieceKind::word)])?;
        while let Some(row) = rows.next()? {
            let signature = row.get_ref(5)?.as_blob_or_null().map_err(rusqlite::Error::from)?;
            each(StockRow {
                piece: row.get(0)?,
                lot: row.get(1)?,
                grain_udeg: row.get(2)?,
                born_ms: u64::try_from(row.get::<_, i64>(3)?).unwrap_or(0),
                area2: row.get(4)?,
                owned: row.get::<_, i64>(6)? == 2,
                signature: signature.unwrap_or_default(),
            });
        }
        Ok(())
    }

    /// The code of a piece.
    pub fn piece_code(&self, id: Uuid) -> Result<Option<String>, StoreError> {
        let mut statement = self.0.prepare_cached("SELECT code FROM piece WHERE id = ?1")?;
        Ok(statement.query_row([id], |row| row.get(0)).optional()?.flatten())
    }
}

impl Store {
    /// The same store, keeping signatures: in the transaction in which a piece enters or changes.
    pub fn signing(mut self, signer: Signer) -> Self {
        self.signer = Some(signer);
        self
    }

    /// Works out signatures of a material's pieces, or of any, that are missing or of another version, some at a time:
    /// how many were left before. There are some after many pieces came at once from another device, and after a
    /// program of another version wrote the file.
    ///
    /// # Errors
    /// [`StoreError::ReadOnly`] where there is something to do and nothing can be written.
    pub fn sign(&mut self, material: Option<Uuid>) -> Result<usize, StoreError> {
        let Some(signer) = self.signer else { return Ok(0) };
        let unsigned = |conn: &Connection| -> Result<Vec<Uuid>, StoreError> {
            let of = if material.is_some() { "material = ?1 AND" } else { "?1 IS NULL AND" };
            let mut statement = conn.prepare_cached(&format!("SELECT piece FROM stock WHERE {of} version <> ?2"))?;
            let rows = statement.query_map(params![material, signer.version], |row| row.get(0))?;
            Ok(rows.collect::<Result<_, _>>()?)
        };
        if unsigned(&self.conn)?.is_empty() {
            return Ok(0);
        }
        if self.is_read_only() {
            return Err(StoreError::ReadOnly);
        }
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let left = unsigned(&tx)?;
        sign(&tx, signer, left.iter().copied().take(AT_ONCE))?;
        tx.commit()?;
        Ok(left.len())
    }

    /// The file as it is now, to be read by several threads while others go on writing.
    pub fn snapshot(&self) -> Result<Snapshot, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = Connection::open_with_flags(&self.path, flags)?;
        conn.busy_timeout(BUSY)?;
        keep_statements(&conn)?;
        conn.execute_batch("BEGIN DEFERRED; SELECT 1 FROM stock LIMIT 1;")?;
        Ok(Snapshot(Mutex::new(conn)))
    }
}

/// A shop file as it was at one moment.
#[derive(Debug)]
pub struct Snapshot(Mutex<Connection>);

impl Snapshot {
    /// Reads, one thread after the other.
    pub fn read<T>(&self, reading: impl FnOnce(&Reader<'_>) -> T) -> T {
        reading(&Reader(&self.0.lock().unwrap_or_else(PoisonError::into_inner)))
    }

    /// One piece. Only fetching it is one thread's at a time.
    pub fn piece(&self, id: Uuid) -> Result<Option<Piece>, StoreError> {
        let body = self.read(|reader| reader.piece_body(id))?;
        Ok(match body {
            Some(body) => piece_from(&body)?,
            None => None,
        })
    }
}

fn piece_from(body: &str) -> Result<Option<Piece>, StoreError> {
    let state: sheetloft_ledger::state::State = serde_json::from_str(body)?;
    Ok(state.piece().map(|p| *p))
}

/// Keeps a piece's row: there as long as it is on hand, its signature as long as shape and flaws stay what they are.
pub(crate) fn put(conn: &Connection, id: Uuid, piece: Option<&Piece>) -> Result<(), StoreError> {
    let on_hand = piece.filter(|p| !matches!(p.status(), Status::Used | Status::WrittenOff));
    let Some(piece) = on_hand else {
        conn.prepare_cached("DELETE FROM stock WHERE piece = ?1")?.execute([id])?;
        return Ok(());
    };
    conn.prepare_cached(
        "INSERT INTO stock (material, piece, kind, free, lot, grain, born_ms, area2, made_from, version) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, 0) \
         ON CONFLICT DO UPDATE SET material = excluded.material, kind = excluded.kind, free = excluded.free, \
         lot = excluded.lot, grain = excluded.grain, born_ms = excluded.born_ms, area2 = excluded.area2, \
         version = iif(made_from = excluded.made_from, version, 0), \
         signature = iif(made_from = excluded.made_from, signature, NULL), made_from = excluded.made_from",
    )?
    .execute(params![
        piece.material,
        id,
        piece.kind.word(),
        match (piece.status() == Status::Free, &piece.owner) {
            (false, _) => 0,
            (true, None) => 1,
            (true, Some(_)) => 2,
        },
        piece.lot,
        piece.grain_udeg,
        i64::try_from(piece.born_ms).unwrap_or(i64::MAX),
        piece.shape.area2(),
        &made_from(piece)[..],
    ])?;
    Ok(())
}

/// What a signature is worked out from, as a hash.
fn made_from(piece: &Piece) -> [u8; 16] {
    let mut hasher = Sha256::new();
    let shapes = std::iter::once(&piece.shape).chain(piece.flaws.iter().map(|f| &f.shape));
    for shape in shapes {
        hasher.update((shape.holes().len() as u64).to_le_bytes());
        for ring in shape.rings() {
            hasher.update((ring.len() as u64).to_le_bytes());
            for corner in ring {
                hasher.update(corner.x.to_le_bytes());
                hasher.update(corner.y.to_le_bytes());
            }
        }
    }
    let hash: [u8; 32] = hasher.finalize().into();
    std::array::from_fn(|i| hash[i])
}

/// Works out the signatures of these pieces, where they are on hand and have none of this version.
pub(crate) fn sign(conn: &Connection, signer: Signer, pieces: impl Iterator<Item = Uuid>) -> Result<(), StoreError> {
    type Hash = [u8; 16];
    let mut read = conn.prepare_cached(
        "SELECT s.made_from, p.body FROM stock s JOIN piece p ON p.id = s.piece WHERE s.piece = ?1 AND s.version <> ?2",
    )?;
    let mut write = conn.prepare_cached("UPDATE stock SET version = ?2, signature = ?3 WHERE piece = ?1")?;
    let mut pieces = pieces.peekable();
    while pieces.peek().is_some() {
        let mut wanted: Vec<(Uuid, Hash)> = Vec::new();
        // Sheets of a stack are alike.
        let mut shapes: HashMap<Hash, (Shape, Vec<Shape>)> = HashMap::new();
        for id in pieces.by_ref().take(AT_ONCE) {
            let row = read.query_row(params![id, signer.version], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)));
            let Some((hash, body)) = row.optional()? else { continue };
            let Some(piece) = piece_from(&body)? else { continue };
            shapes.entry(hash).or_insert_with(|| (piece.shape, piece.flaws.into_iter().map(|f| f.shape).collect()));
            wanted.push((id, hash));
        }
        let signatures = worked_out(signer, &shapes.into_iter().collect::<Vec<_>>());
        for (id, hash) in wanted {
            if let Some(signature) = signatures.get(&hash) {
                write.execute(params![id, signer.version, signature])?;
            }
        }
    }
    Ok(())
}

fn worked_out<K: Copy + Eq + std::hash::Hash + Send + Sync>(
    signer: Signer,
    shapes: &[(K, (Shape, Vec<Shape>))],
) -> HashMap<K, Vec<u8>> {
    let some = |shapes: &[(K, (Shape, Vec<Shape>))]| -> Vec<(K, Vec<u8>)> {
        shapes.iter().map(|(key, (shape, flaws))| (*key, (signer.of)(shape, flaws))).collect()
    };
    std::thread::scope(|scope| {
        let share = shapes.len().div_ceil(THREADS).max(1);
        let others: Vec<_> = shapes.chunks(share).skip(1).map(|chunk| scope.spawn(move || some(chunk))).collect();
        let mut all: HashMap<K, Vec<u8>> = shapes.chunks(share).take(1).flat_map(some).collect();
        for other in others {
            // A thread that panicked leaves its pieces without; the next question over the stock tries again.
            all.extend(other.join().unwrap_or_default());
        }
        all
    })
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use sheetloft_ledger::body::{
        Body, Born, Flaw, FlawSide, Flawed, Known, Mended, Moved, Recorded, Scrapped, Undone,
    };
    use sheetloft_ledger::event::{Thing, ThingKind};

    use super::*;
    use crate::device::DeviceKey;
    use crate::testing::Counter;
    use crate::write::Tx;

    const MATERIAL: Uuid = Uuid::from_u128(77);

    fn told(shape: &Shape, flaws: &[Shape]) -> Vec<u8> {
        format!("{} with {}", shape.area2(), flaws.len()).into_bytes()
    }

    const SIGNER: Signer = Signer { version: 1, of: told };

    fn new(folder: &Path) -> (Store, Counter) {
        let key = DeviceKey::new(Uuid::from_u128(7), [7; 32]);
        (Store::create(&folder.join("shop.db"), key).unwrap().signing(SIGNER), Counter(1_000))
    }

    fn act(store: &mut Store, ids: &mut Counter, body: Body, touched: &[Uuid]) -> Uuid {
        let things: Vec<Thing> = touched.iter().map(|id| Thing::new(ThingKind::Piece, *id)).collect();
        let write = |tx: &mut Tx<'_>, key: &mut DeviceKey| {
            tx.draft(body, things);
            tx.flush(key)?;
            Ok::<_, StoreError>(tx.last_action().unwrap())
        };
        store.transact(Uuid::nil(), ids, write).unwrap().0
    }

    fn enter(store: &mut Store, ids: &mut Counter, id: u128, width: i64) -> (Uuid, Uuid) {
        let id = Uuid::from_u128(id);
        let piece = Born {
            id,
            code: format!("P{}", id.as_u128()),
            shape: Shape::rectangle(width, 100).unwrap(),
            flaws: Vec::new(),
            grain_udeg: Some(5),
            known: Known::Tape,
            known_within_um: 2_000,
            rack: None,
            cost: 100,
        };
        let kind = PieceKind::Offcut;
        let body =
            Recorded { kind, material: MATERIAL, lot: None, new_lot: None, from: None, owner: None, note: None, piece };
        let action = act(store, ids, Body::Recorded(body), &[id]);
        (id, action)
    }

    fn flaw(piece: Uuid) -> Body {
        let shape = Shape::rectangle(10, 10).unwrap();
        Body::Flawed(Flawed {
            piece,
            flaw: Flaw { id: Uuid::from_u128(9), shape, side: FlawSide::Through, why: "crack".to_owned() },
        })
    }

    /// Each free piece's number with its signature.
    fn rows(store: &Store) -> Vec<(u128, String)> {
        let mut rows = Vec::new();
        let row = |r: StockRow<'_>| {
            assert_eq!(r.grain_udeg, Some(5));
            rows.push((r.piece.as_u128(), String::from_utf8(r.signature.to_vec()).unwrap()));
        };
        store.snapshot().unwrap().read(|reader| reader.stock(MATERIAL, Some(PieceKind::Offcut), row)).unwrap();
        rows
    }

    /// As if it had been worked out some other way, so that one sees whether it is kept.
    fn mark(store: &Store) {
        store.conn.execute("UPDATE stock SET signature = ?1", [b"kept"]).unwrap();
    }

    #[test]
    fn a_piece_has_a_row_as_long_as_it_is_on_hand_and_a_signature_of_what_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let (mut store, mut ids) = new(folder.path());
        let (one, _) = enter(&mut store, &mut ids, 1, 300);
        let (_, second) = enter(&mut store, &mut ids, 2, 200);
        let told = |id: u128, text: &str| (id, text.to_owned());
        assert_eq!(rows(&store), [told(1, "60000 with 0"), told(2, "40000 with 0")]);

        mark(&store);
        act(&mut store, &mut ids, Body::Moved(Moved { piece: one, rack: None }), &[one]);
        assert_eq!(rows(&store)[0], told(1, "kept"), "it is the same piece elsewhere");
        act(&mut store, &mut ids, flaw(one), &[one]);
        assert_eq!(rows(&store), [told(1, "60000 with 1"), told(2, "kept")]);
        act(&mut store, &mut ids, Body::Mended(Mended { piece: one, flaw: Uuid::from_u128(9) }), &[one]);
        assert_eq!(rows(&store)[0], told(1, "60000 with 0"));

        let undo = |action| Body::Undone(Undone { action });
        act(&mut store, &mut ids, undo(second), &[Uuid::from_u128(2)]);
        assert_eq!(rows(&store), [told(1, "60000 with 0")], "its birth was taken back");
        let scrapped = Body::Scrapped(Scrapped { piece: one, why: "broken".to_owned(), written_off: 100 });
        let scrapped = act(&mut store, &mut ids, scrapped, &[one]);
        assert_eq!(rows(&store), []);
        act(&mut store, &mut ids, undo(scrapped), &[one]);
        assert_eq!(rows(&store), [told(1, "60000 with 0")], "it is back, and signed at once");
        assert_eq!(store.check().unwrap().iter().filter(|f| f.what == crate::What::StateOff).count(), 0);
    }

    #[test]
    fn signatures_of_another_version_are_worked_out_anew() {
        let folder = tempfile::tempdir().unwrap();
        let (mut store, mut ids) = new(folder.path());
        for id in 1..=3 {
            enter(&mut store, &mut ids, id, 100 * i64::try_from(id).unwrap());
        }
        mark(&store);
        assert_eq!(store.sign(Some(MATERIAL)).unwrap(), 0);
        let mut store = store.signing(Signer { version: 2, of: |_, _| b"newer".to_vec() });
        assert_eq!(store.sign(Some(Uuid::from_u128(5))).unwrap(), 0, "of that material alone");
        assert_eq!(store.sign(Some(MATERIAL)).unwrap(), 3);
        assert_eq!(store.sign(Some(MATERIAL)).unwrap(), 0);
        assert!(rows(&store).iter().all(|(_, text)| text == "newer"), "{:?}", rows(&store));
    }

    #[test]
    fn rebuilt_with_the_state_and_compared_with_it() {
        let folder = tempfile::tempdir().unwrap();
        let (mut store, mut ids) = new(folder.path());
        let (one, _) = enter(&mut store, &mut ids, 1, 300);
        enter(&mut store, &mut ids, 2, 200);
        act(&mut store, &mut ids, flaw(one), &[one]);
        let (before, digest) = (rows(&store), store.digest().unwrap());
        store.rebuild().unwrap();
        assert_eq!(store.sign(Some(MATERIAL)).unwrap(), 2);
        assert_eq!(rows(&store), before);
        let off = |store: &mut Store| -> Vec<String> {
            let state_off = |f: crate::Finding| (f.what == crate::What::StateOff).then_some(f.place);
            store.check().unwrap().into_iter().filter_map(state_off).collect()
        };
        assert!(off(&mut store).is_empty());
        for off_by in [
            "UPDATE stock SET free = 0 WHERE area2 = 60000",
            "UPDATE stock SET made_from = x'00' WHERE area2 = 60000",
            "DELETE FROM stock WHERE area2 = 60000",
        ] {
            store.conn.execute(off_by, []).unwrap();
            assert_eq!(store.digest().unwrap(), digest, "not part of the digest");
            assert_eq!(off(&mut store).len(), 1, "{off_by}");
            store.rebuild().unwrap();
        }
    }

    #[test]
    fn a_snapshot_stays_as_it_was_and_hinders_nobody() {
        let folder = tempfile::tempdir().unwrap();
        let (mut store, mut ids) = new(folder.path());
        let (one, _) = enter(&mut store, &mut ids, 1, 300);
        let snapshot = store.snapshot().unwrap();
        let scrapped = Body::Scrapped(Scrapped { piece: one, why: "broken".to_owned(), written_off: 100 });
        act(&mut store, &mut ids, scrapped, &[one]);
        let mut seen = 0;
        snapshot.read(|reader| reader.stock(MATERIAL, None, |_| seen += 1)).unwrap();
        assert_eq!(seen, 1);
        assert_eq!(snapshot.piece(one).unwrap().unwrap().status(), Status::Free);
        assert_eq!(snapshot.read(|reader| reader.piece_code(one)).unwrap().as_deref(), Some("P1"));
        assert_eq!(snapshot.piece(Uuid::from_u128(2)).unwrap(), None);
        assert_eq!(rows(&store), []);
    }
}

//! A shop file with very many events: how fast they are appended, one action at a time and in large ones, how fast the
//! file is opened, and what a fold of all of them from nothing takes; beside raw SQLite inserts of the same rows in the
//! same run. `SHEETLOFT_EVENTS` says how many, 50 000 unless said.

use std::path::Path;
use std::time::Instant;

use rusqlite::{Connection, params};
use sheetloft_ledger::body::{Body, Born, Known, Moved, PieceKind, Recorded};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_shapes::Shape;
use sheetloft_store::{DeviceKey, Ids, Store, StoreError};
use uuid::Uuid;

/// Events of one large action, as an import has them.
const BATCH: usize = 1_000;
/// Single actions that are timed one by one.
const SINGLE: usize = 500;

struct Counter(u128);

impl Ids for Counter {
    fn uuid(&mut self) -> Uuid {
        self.0 += 1;
        Uuid::from_u128(self.0)
    }

    fn wall_ms(&mut self) -> u64 {
        u64::try_from(self.0).unwrap_or(0)
    }
}

fn piece(n: usize) -> Uuid {
    Uuid::from_u128((1 << 100) + n as u128)
}

/// Three of four events record a piece, the fourth moves it.
fn body(n: usize) -> (Body, Thing) {
    let id = piece(n / 4 * 3 + (n % 4).min(2));
    let thing = Thing::new(ThingKind::Piece, id);
    if n % 4 == 3 {
        return (Body::Moved(Moved { piece: id, rack: Some(Uuid::from_u128(5)) }), thing);
    }
    let piece = Born {
        id,
        code: format!("7K-{n:08}"),
        shape: Shape::rectangle(300_000 + n as i64 % 900_000, 200_000).unwrap(),
        flaws: Vec::new(),
        grain_udeg: None,
        known: Known::Tape,
        known_within_um: 2_000,
        rack: None,
        cost: 420,
    };
    let (kind, material) = (PieceKind::Offcut, Uuid::from_u128(3));
    let recorded = Recorded { kind, material, lot: None, new_lot: None, from: None, note: None, piece, owner: None };
    (Body::Recorded(recorded), thing)
}

fn act(store: &mut Store, ids: &mut Counter, range: std::ops::Range<usize>) {
    let write = |tx: &mut sheetloft_store::Tx<'_>, _: &mut DeviceKey| {
        for n in range {
            let (body, thing) = body(n);
            tx.draft(body, [thing]);
        }
        Ok::<_, StoreError>(())
    };
    store.transact(Uuid::nil(), ids, write).unwrap();
}

/// Most memory that this process has had so far, MB; none where the system does not tell.
fn peak_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1_024)
}

/// At most `most` event rows of a shop file into another database, as raw inserts: in transactions of `batch`. Rows a
/// second.
fn raw(from: &Path, to: &Path, batch: usize, most: u32) -> f64 {
    let source = Connection::open(from).unwrap();
    let mut rows: Vec<(Vec<u8>, Vec<u8>)> = Vec::new();
    let mut read = source.prepare("SELECT hash, bytes FROM event ORDER BY seq LIMIT ?1").unwrap();
    let mut found = read.query([most]).unwrap();
    while let Some(row) = found.next().unwrap() {
        rows.push((row.get(0).unwrap(), row.get(1).unwrap()));
    }
    let mut target = Connection::open(to).unwrap();
    target.pragma_update(None, "journal_mode", "WAL").unwrap();
    target.pragma_update(None, "synchronous", "FULL").unwrap();
    target.execute_batch("CREATE TABLE event (seq INTEGER PRIMARY KEY, hash BLOB UNIQUE, bytes BLOB)").unwrap();
    let begun = Instant::now();
    for some in rows.chunks(batch) {
        let tx = target.transaction().unwrap();
        for (hash, bytes) in some {
            tx.prepare_cached("INSERT INTO event (hash, bytes) VALUES (?1, ?2)")
                .unwrap()
                .execute(params![hash, bytes])
                .unwrap();
        }
        tx.commit().unwrap();
    }
    rows.len() as f64 / begun.elapsed().as_secs_f64()
}

fn main() {
    let events: usize = std::env::var("SHEETLOFT_EVENTS").ok().and_then(|t| t.parse().ok()).unwrap_or(50_000);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shop.db");
    let mut store = Store::create(&file, DeviceKey::new(Uuid::from_u128(7), [7; 32])).unwrap();
    let mut ids = Counter(1_000);
    println!("\n{events} events, in actions of {BATCH}, then {SINGLE} actions of one");

    let begun = Instant::now();
    let mut n = 0;
    while n < events {
        let to = (n + BATCH).min(events);
        act(&mut store, &mut ids, n..to);
        n = to;
    }
    let batched = events as f64 / begun.elapsed().as_secs_f64();
    let mut single: Vec<f64> = (0..SINGLE)
        .map(|i| {
            let begun = Instant::now();
            act(&mut store, &mut ids, events + i..events + i + 1);
            begun.elapsed().as_secs_f64() * 1_000.0
        })
        .collect();
    single.sort_by(f64::total_cmp);
    drop(store);

    let begun = Instant::now();
    let store = Store::open(&file).unwrap();
    let count = store.read().events().unwrap();
    let opened = begun.elapsed().as_secs_f64() * 1_000.0;
    drop(store);
    let raw_batched = raw(&file, &folder.path().join("raw.db"), BATCH, 100_000);
    let raw_single = 1_000.0 / raw(&file, &folder.path().join("single.db"), 1, SINGLE as u32);
    let peak_before = peak_mb();
    let mut store = Store::open(&file).unwrap();
    let begun = Instant::now();
    store.rebuild().unwrap();
    let rebuilt = begun.elapsed().as_secs_f64();

    let size = std::fs::metadata(&file).map_or(0, |m| m.len() >> 20);
    println!("appended in large actions     {batched:>12.0} events/s");
    println!("raw SQLite inserts, the same  {raw_batched:>12.0} rows/s   (x {:.1})", raw_batched / batched);
    println!("single action, median         {:>12.2} ms", single[SINGLE / 2]);
    println!("single action, 99 of 100      {:>12.2} ms", single[SINGLE * 99 / 100]);
    println!("raw SQLite insert, the same   {raw_single:>12.2} ms");
    println!("opened ({count} events, {size} MB) {opened:>10.1} ms");
    let peak = |mb: Option<u64>| mb.map_or_else(|| "?".to_owned(), |mb| mb.to_string());
    println!(
        "state folded from nothing     {rebuilt:>12.1} s, peak {} MB ({} before)",
        peak(peak_mb()),
        peak(peak_before)
    );
}

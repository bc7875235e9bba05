//! An exchange between two processes on the loopback, beside copying the same bytes through the same TLS and raw SQLite
//! inserts of the same events, in one run; its parts apart; and how long it takes until what one device did is on the
//! other's screen. `SHEETLOFT_EVENTS` says how many events, 20 000 unless said.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use rusqlite::{Connection, params};
use rustls::pki_types::ServerName;
use sheetloft_ledger::body::{Body, Born, Known, Moved, PieceKind, Recorded};
use sheetloft_ledger::event::{Event, Hash, Thing};
use sheetloft_ledger::exchange::Sealed;
use sheetloft_shapes::Shape;
use sheetloft_shop::action::{Action, Answer, Init, RackAdd, SyncNow, SyncOffer, SyncPair};
use sheetloft_shop::door::{Door, Job};
use sheetloft_shop::network::Live;
use sheetloft_shop::replica::Local;
use sheetloft_store::{DeviceKey, Store, StoreError};
use sheetloft_sync::net::{Identity, tls};
use sheetloft_sync::start;
use uuid::Uuid;

/// Names the shop file that this program, run again, serves.
const SERVES: &str = "SHEETLOFT_BENCH_SERVES";
/// Events of one action.
const OF_ACTION: usize = 4;
/// Actions of one transaction, when the shop is filled.
const TOGETHER: usize = 250;
/// Times that something is done on one device until the other shows it.
const SEEN: usize = 100;

struct Ids(u128);

impl sheetloft_store::Ids for Ids {
    fn uuid(&mut self) -> Uuid {
        self.0 += 1;
        Uuid::from_u128(self.0)
    }

    fn wall_ms(&mut self) -> u64 {
        1_700_000_000_000
    }
}

/// An offcut that was found.
fn found(n: usize) -> (Body, Thing) {
    let id = Uuid::from_u128((1 << 100) + n as u128);
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
    (Body::Recorded(recorded), Thing::piece(id))
}

fn act(door: &Door, action: impl Into<Action>) -> Answer {
    door.act(&action.into(), &Job::default()).unwrap_or_else(|e| panic!("{e}")).answer
}

/// The same offcut is put somewhere else.
fn moved(n: usize) -> (Body, Thing) {
    let (_, thing) = found(n);
    (Body::Moved(Moved { piece: thing.id, rack: None }), thing)
}

/// So many events in a shop, in small actions, each sealed: offcuts that are found, and each moved so many times after.
fn fill(file: &Path, events: usize, moves: usize) {
    let mut store = Store::open(file).unwrap();
    let shop = store.read().setting().unwrap().unwrap().id;
    let mut ids = Ids(1_000);
    let offcuts = events.div_ceil(1 + moves);
    let mut n = 0;
    while n < events {
        let write = |tx: &mut sheetloft_store::Tx<'_>, key: &mut DeviceKey| {
            for _ in 0..TOGETHER {
                for _ in 0..OF_ACTION {
                    let (body, thing) = if n < offcuts { found(n) } else { moved(n % offcuts) };
                    tx.draft(body, [thing]);
                    n += 1;
                }
                tx.flush(key)?;
            }
            Ok::<_, StoreError>(())
        };
        store.transact(shop, &mut ids, write).unwrap();
    }
}

/// Another process that serves a shop file.
fn serve(file: &Path) -> (Child, String) {
    let mut child =
        Command::new(std::env::current_exe().unwrap()).env(SERVES, file).stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    (child, line.trim().to_owned())
}

fn served(door: Arc<Door>, say: impl FnOnce(&str)) {
    let at = sheetloft_web::At { here: None, share: Some("127.0.0.1:0") };
    let ready = |served: &sheetloft_web::Served| {
        say(served.share.as_deref().and_then(|s| s.strip_prefix("https://")).unwrap_or_default());
    };
    sheetloft_web::serve_blocking(door, at, ready).unwrap_or_else(|e| panic!("{e}"));
}

fn pair(from: &Door, to: &Door, address: &str) {
    let Answer::SyncOffer(offer) = act(from, SyncOffer::default()) else { unreachable!() };
    act(to, SyncPair { address: address.to_owned(), code: offer.code });
}

/// All events of a shop file, as they travel.
fn all(file: &Path) -> Vec<Sealed> {
    Store::open(file).unwrap().read().lacking(&Default::default(), usize::MAX).unwrap()
}

/// The same bytes through the same TLS; seconds.
fn copy(bytes: usize) -> f64 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let [ours, theirs] = [Identity::make().unwrap(), Identity::make().unwrap()];
    let sending = std::thread::spawn(move || {
        let (tcp, _) = listener.accept().unwrap();
        let server = rustls::ServerConnection::new(tls::for_devices(&theirs).unwrap()).unwrap();
        let mut stream = rustls::StreamOwned::new(server, tcp);
        let block = vec![7; 64 << 10];
        let mut left = bytes;
        while left > 0 {
            let some = left.min(block.len());
            stream.write_all(&block[..some]).unwrap();
            left -= some;
        }
        stream.flush().unwrap();
    });
    let begun = Instant::now();
    let name = ServerName::try_from("sheetloft.local").unwrap();
    let client = rustls::ClientConnection::new(tls::for_calling(&ours, None).unwrap(), name).unwrap();
    let mut stream = rustls::StreamOwned::new(client, TcpStream::connect(address).unwrap());
    let mut buffer = vec![0; 64 << 10];
    let mut got = 0;
    while got < bytes {
        got += stream.read(&mut buffer).unwrap();
    }
    sending.join().unwrap();
    begun.elapsed().as_secs_f64()
}

/// The events as raw inserts, in transactions of as many as a batch has; seconds.
fn raw(events: &[Sealed], to: &Path) -> f64 {
    let mut target = Connection::open(to).unwrap();
    target.pragma_update(None, "journal_mode", "WAL").unwrap();
    target.pragma_update(None, "synchronous", "FULL").unwrap();
    target.execute_batch("CREATE TABLE event (seq INTEGER PRIMARY KEY, hash BLOB UNIQUE, bytes BLOB)").unwrap();
    let rows: Vec<([u8; 32], &[u8])> = events.iter().map(|e| (Hash::of(&e.bytes).0, &e.bytes[..])).collect();
    let begun = Instant::now();
    for some in rows.chunks(5_000) {
        let tx = target.transaction().unwrap();
        for (hash, bytes) in some {
            tx.prepare_cached("INSERT INTO event (hash, bytes) VALUES (?1, ?2)")
                .unwrap()
                .execute(params![hash, bytes])
                .unwrap();
        }
        tx.commit().unwrap();
    }
    begun.elapsed().as_secs_f64()
}

fn timed<T>(work: impl FnOnce() -> T) -> (f64, T) {
    let begun = Instant::now();
    let done = work();
    (begun.elapsed().as_secs_f64(), done)
}

fn main() {
    if let Some(file) = std::env::var_os(SERVES) {
        served(Arc::new(Door::new(file)), |address| {
            println!("{address}");
            std::io::stdout().flush().unwrap();
        });
        return;
    }
    let events: usize = std::env::var("SHEETLOFT_EVENTS").ok().and_then(|t| t.parse().ok()).unwrap_or(20_000);
    let folder = tempfile::tempdir().unwrap();
    let [a, b, old, new] = ["a.db", "b.db", "old.db", "new.db"].map(|name| folder.path().join(name));
    act(&Door::new(&a), Init::default());
    // Two that know each other, of which one was away while the other one worked.
    let (mut serving, address) = serve(&a);
    pair(&Door::new(&a), &Door::new(&b), &address);
    let before = all(&a).len();
    fill(&a, events, 0);
    let sent = all(&a).split_off(before);
    let bytes: usize = sent.iter().map(|e| e.bytes.len() + 69).sum();
    println!("\n{} events, {:.1} MB, actions of {OF_ACTION}, each sealed", sent.len(), bytes as f64 / 1e6);
    let n = sent.len() as f64;
    let (whole, _) = timed(|| act(&Door::new(&b), SyncNow {}));
    println!("exchange over the network, whole           {whole:7.2} s  {:9.0} events/s", n / whole);
    assert_eq!(all(&b).len(), before + sent.len());
    let transfer = copy(bytes);
    println!("  the same bytes through the same TLS      {transfer:7.2} s");
    let (reading, _) = timed(|| sent.iter().filter(|e| Event::read(&e.bytes).is_ok()).count());
    println!("  reading and hashing each event           {reading:7.2} s");
    let mut store = Store::create(&folder.path().join("c.db"), DeviceKey::new(Uuid::from_u128(9), [9; 32])).unwrap();
    let shop = Event::read(&sent[0].bytes).unwrap().envelope.shop;
    store.take_in(shop, 1_700_000_000_000, all(&a).drain(..before).collect()).unwrap();
    let mut batches = sent.chunks(5_000).map(<[_]>::to_vec).collect::<Vec<_>>();
    let (taking, ()) = timed(|| {
        for batch in batches.drain(..) {
            store.take_in(shop, 1_700_000_000_000, batch).unwrap();
        }
    });
    println!("  checking, folding and writing            {taking:7.2} s");
    let (folding, ()) = timed(|| store.rebuild().unwrap());
    println!("    of which a fold of all takes           {folding:7.2} s");
    let inserts = raw(&sent, &folder.path().join("raw.db"));
    println!("raw SQLite inserts of the same events      {inserts:7.2} s  {:9.0} events/s", n / inserts);
    println!("the exchange is at 1/{:.1} of the raw inserts (aim: 1/5 or better)", whole / inserts);
    serving.kill().unwrap();
    serving.wait().unwrap();

    // As many events of a fifth of the pieces, and a device that is new.
    act(&Door::new(&old), Init::default());
    fill(&old, events, 4);
    let sent = all(&old);
    let n = sent.len() as f64;
    let shop = Event::read(&sent[0].bytes).unwrap().envelope.shop;
    let (mut serving, address) = serve(&old);
    let (joining, ()) = timed(|| pair(&Door::new(&old), &Door::new(&new), &address));
    serving.kill().unwrap();
    serving.wait().unwrap();
    println!("\na new device joins, with a start           {joining:7.2} s  {:9.0} events/s", n / joining);
    let mut file = Vec::new();
    let empty = |name: &str| {
        let key = DeviceKey::new(Uuid::from_u128(8), [8; 32]);
        Store::create(&folder.path().join(name), key).unwrap()
    };
    let (mut made, mut begun, mut slow) = (Store::open(&old).unwrap(), empty("begun.db"), empty("slow.db"));
    let now_ms = 1_700_000_000_000;
    let (making, _) = timed(|| start::write(&Local::new(&mut made, shop, now_ms), &mut file).unwrap());
    println!("  making it, {:6.1} MB                     {making:7.2} s", file.len() as f64 / 1e6);
    let (beginning, _) = timed(|| start::begin(&file[..], &mut Local::new(&mut begun, shop, now_ms)).unwrap().unwrap());
    println!("  checking and writing it                  {beginning:7.2} s");
    let mut batches = sent.chunks(5_000).map(<[_]>::to_vec).collect::<Vec<_>>();
    let (taking, ()) = timed(|| batches.drain(..).for_each(|b| drop(slow.take_in(shop, now_ms, b).unwrap())));
    println!("  the same event by event                  {taking:7.2} s");

    // Two devices that keep a line to each other: from an action on one to the other's news.
    let [c, d] = ["near.db", "far.db"].map(|name| folder.path().join(name));
    act(&Door::new(&c), Init::default());
    let near = Arc::new(Door::new(&c));
    let (tell, told) = std::sync::mpsc::channel();
    let door = near.clone();
    std::thread::spawn(move || served(door, |address| tell.send(address.to_owned()).unwrap()));
    let address = told.recv().unwrap();
    let far = Arc::new(Door::new(&d));
    pair(&near, &far, &address);
    let _lines = Live::start(far.clone());
    let mut number = far.news(0, Duration::ZERO);
    let mut times = Vec::new();
    for i in 0..=SEEN {
        let begun = Instant::now();
        act(&near, RackAdd { name: format!("R{i}"), ..RackAdd::default() });
        number = far.news(number, Duration::from_secs(30));
        // The first one also waits for the line to stand.
        if i > 0 {
            times.push(begun.elapsed().as_secs_f64() * 1_000.0);
        }
    }
    times.sort_by(f64::total_cmp);
    println!(
        "from an action on one device to the other's screen: median {:.1} ms, longest {:.1} ms",
        times[SEEN / 2],
        times[SEEN - 1]
    );
    // Threads that serve are still there; what they served is not needed any more.
    drop(folder);
    std::process::exit(0);
}

//! The lines of a running program: to everybody whom this device calls, one that takes what they have as soon as they
//! have it, and one that hands on what happens here. A line that breaks is tried again, quietly, ever more seldom. The
//! folder and the hub are gone through once a minute.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use sheetloft_ledger::event::Hash;
use sheetloft_store::Peer;
use sheetloft_sync::{Report, give_all, take_all};

use super::desk::Line;
use crate::door::Door;
use crate::error::Error;
use crate::exchange;
use crate::host::Ids as _;
use crate::replica::Local;
use crate::shelf;

/// How long a first answer may take.
const REACH: Duration = Duration::from_secs(5);
/// The first pause after a line broke, and the longest.
const PAUSE: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));
/// How often the folder and the hub are gone through.
const ROUND: Duration = Duration::from_secs(60);
/// How often it is looked whether somebody was paired or sent away.
const LOOK: Duration = Duration::from_secs(1);

/// The lines; they end when this is dropped.
pub struct Live {
    stop: Arc<AtomicBool>,
    watch: Option<JoinHandle<()>>,
}

/// What the threads of one line share.
struct End {
    /// Of the whole program.
    all: Arc<AtomicBool>,
    /// Of this line alone.
    own: AtomicBool,
}

impl End {
    fn is_near(&self) -> bool {
        self.all.load(Ordering::Relaxed) || self.own.load(Ordering::Relaxed)
    }

    /// Waits, unless the end is near.
    fn pause(&self, long: Duration) {
        let step = Duration::from_millis(100);
        let mut left = long;
        while !left.is_zero() && !self.is_near() {
            thread::sleep(left.min(step));
            left = left.saturating_sub(step);
        }
    }
}

impl Live {
    /// Opens the lines of a door's shop, and keeps them open.
    pub fn start(door: Arc<Door>) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let all = stop.clone();
        let watch = thread::spawn(move || {
            let mut lines: BTreeMap<Hash, Arc<End>> = BTreeMap::new();
            let slow = Arc::new(End { all: all.clone(), own: AtomicBool::new(false) });
            round(door.clone(), slow);
            while !all.load(Ordering::Relaxed) {
                let peers = if door.exists() { peers(&door) } else { Vec::new() };
                door.desk.keep_lines(&peers.iter().map(|p| p.fingerprint).collect::<Vec<_>>());
                lines.retain(|fingerprint, end| {
                    let stays = peers.iter().any(|p| p.fingerprint == *fingerprint);
                    end.own.store(!stays, Ordering::Relaxed);
                    stays
                });
                for peer in peers {
                    lines.entry(peer.fingerprint).or_insert_with(|| {
                        let end = Arc::new(End { all: all.clone(), own: AtomicBool::new(false) });
                        keep(&door, &peer, &end, taking);
                        keep(&door, &peer, &end, handing);
                        end
                    });
                }
                thread::park_timeout(LOOK);
            }
        });
        Self { stop, watch: Some(watch) }
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(watch) = self.watch.take() {
            watch.thread().unpark();
            // The lines themselves may be waiting for an answer; they hold nothing that needs an end.
            let _ = watch.join();
        }
    }
}

/// Goes through the folder and the hub again and again, in a thread of its own.
fn round(door: Arc<Door>, end: Arc<End>) {
    thread::spawn(move || {
        while !end.is_near() {
            if let Some(mut shop) = door.exists().then(|| door.open().ok()).flatten() {
                if exchange::quietly(&mut shop, &mut door.machine()).is_ok_and(|came| came) {
                    door.desk.tell();
                }
                // What came in great numbers is made ready to be searched, so that nobody has to wait for it; what goes
                // wrong here is said by the search that does it itself.
                let _ = shelf::sign(&mut shop, None, |_, _| !end.is_near());
            }
            end.pause(ROUND);
        }
    });
}

fn peers(door: &Door) -> Vec<Peer> {
    door.open().ok().and_then(|shop| super::callable(&shop.store).ok()).unwrap_or_default()
}

/// Keeps one direction of a line going in a thread of its own.
fn keep(
    door: &Arc<Door>,
    peer: &Peer,
    end: &Arc<End>,
    work: fn(&Door, &Peer, &End, &mut Duration) -> Result<(), Error>,
) {
    let (door, peer, end) = (door.clone(), peer.clone(), end.clone());
    thread::spawn(move || {
        let mut pause = PAUSE.0;
        while !end.is_near() {
            if let Err(e) = work(&door, &peer, &end, &mut pause) {
                door.desk.note(peer.fingerprint, Line::Down(e.to_string()));
                end.pause(pause);
                pause = (pause * 2).min(PAUSE.1);
            }
        }
    });
}

/// Takes what the other side has, and waits for more.
fn taking(door: &Door, peer: &Peer, end: &End, pause: &mut Duration) -> Result<(), Error> {
    let mut shop = door.open()?;
    let mut caller = super::connect(&shop.store, peer, REACH)?;
    while !end.is_near() {
        let mut report = Report::default();
        let mut local = Local::new(&mut shop.store, shop.setting.id, door.machine().wall_ms());
        take_all(&mut caller, &mut local, &mut report)?;
        if report.received > 0 {
            door.desk.tell();
        }
        shop.store.peer_seen(peer.fingerprint, door.machine().wall_ms())?;
        door.desk.note(peer.fingerprint, Line::Up);
        *pause = PAUSE.0;
        let runs = shop.read().runs()?;
        let more = caller.wait(shop.setting.id, runs)?;
        if more && report.received == 0 && !report.problems.is_empty() {
            // It has what is not let in here; asking again at once would bring the same.
            end.pause(PAUSE.1);
        }
    }
    Ok(())
}

/// Hands on what happens here.
fn handing(door: &Door, peer: &Peer, end: &End, pause: &mut Duration) -> Result<(), Error> {
    let mut shop = door.open()?;
    let mut caller = super::connect(&shop.store, peer, REACH)?;
    let mut number = 0;
    while !end.is_near() {
        let now = door.news(number, Duration::from_secs(15));
        // Also where nothing happened, so that a line that broke is found out.
        let local = Local::new(&mut shop.store, shop.setting.id, door.machine().wall_ms());
        give_all(&mut caller, &local, &mut Report::default())?;
        number = now;
        *pause = PAUSE.0;
    }
    Ok(())
}

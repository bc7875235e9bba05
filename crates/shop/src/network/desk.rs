//! What one running program knows of the shop's network: news, pairings under way, and how its lines stand.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use sheetloft_ledger::event::Hash;
use sheetloft_store::Store;
use sheetloft_sync::net::Fingerprint;
use sheetloft_sync::net::pair::Agreed;
use uuid::Uuid;

use super::Offer;
use super::starts::Starts;

/// How often the shop file is looked at for what another program of this machine wrote.
const LOOK: Duration = Duration::from_millis(250);
/// How long a pairing may take from its first message to its second.
const SESSION: Duration = Duration::from_secs(30);
/// Most pairings under way at once.
const SESSIONS: usize = 8;

/// A pairing between its two messages.
pub struct Session {
    /// Its name.
    pub id: Uuid,
    /// Who called.
    pub from: Fingerprint,
    /// The key, if the code was right.
    pub agreed: Agreed,
    /// The offer that it is about.
    pub offer: Offer,
    began: Instant,
}

/// How a line to another device stands.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Line {
    /// Everything is exchanged, and news is waited for.
    Up,
    /// Tried again by and by; why it does not stand.
    Down(String),
}

#[derive(Default)]
struct News {
    number: u64,
    stamp: Option<(i64, i64)>,
    store: Option<Store>,
}

impl News {
    /// Counts up if events came or went since the last look.
    fn look(&mut self, path: &Path) {
        if self.store.is_none() {
            self.store = Store::open(path).ok();
        }
        let stamp = self.store.as_ref().and_then(|s| s.read().stamp().ok());
        if stamp.is_none() {
            self.store = None;
        }
        if stamp.is_some() && stamp != self.stamp {
            self.stamp = stamp;
            self.number += 1;
        }
    }
}

/// What one running program knows of the network.
#[derive(Default)]
pub struct Desk {
    news: Mutex<News>,
    told: Condvar,
    sessions: Mutex<Vec<Session>>,
    lines: Mutex<BTreeMap<Hash, Line>>,
    ending: AtomicBool,
    /// Starts that others are fetching.
    pub starts: Starts,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    /// Says that something changed, so that whoever waits looks at once.
    pub fn tell(&self) {
        self.told.notify_all();
    }

    /// Says that something changed of which no event tells: screens read again.
    pub fn changed(&self) {
        lock(&self.news).number += 1;
        self.tell();
    }

    /// Says that the program is about to end: whoever waits for news is sent home.
    pub fn end(&self) {
        self.ending.store(true, Ordering::Relaxed);
        self.tell();
    }

    /// Whether the program is about to end.
    pub fn is_ending(&self) -> bool {
        self.ending.load(Ordering::Relaxed)
    }

    /// Lets go of the shop file, which is about to be put in another's place.
    pub fn let_go(&self) {
        lock(&self.news).store = None;
    }

    /// Waits until the shop file holds other events than at number `since`, `within` at most; the number now.
    pub fn news(&self, path: &Path, since: u64, within: Duration) -> u64 {
        let until = Instant::now() + within;
        let mut news = lock(&self.news);
        loop {
            news.look(path);
            let left = until.saturating_duration_since(Instant::now());
            if news.number != since || left.is_zero() || self.is_ending() {
                return news.number;
            }
            news = self.told.wait_timeout(news, left.min(LOOK)).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Keeps a pairing until its second message; false where too many are under way.
    pub fn begin(&self, id: Uuid, from: Fingerprint, agreed: Agreed, offer: Offer) -> bool {
        let mut sessions = lock(&self.sessions);
        sessions.retain(|s| s.began.elapsed() < SESSION);
        if sessions.len() >= SESSIONS {
            return false;
        }
        sessions.push(Session { id, from, agreed, offer, began: Instant::now() });
        true
    }

    /// Takes up a pairing that `from` began; it is over with that, whatever comes of it.
    pub fn take_up(&self, id: Uuid, from: Fingerprint) -> Option<Session> {
        let mut sessions = lock(&self.sessions);
        sessions.retain(|s| s.began.elapsed() < SESSION);
        let at = sessions.iter().position(|s| s.id == id && s.from == from)?;
        Some(sessions.swap_remove(at))
    }

    /// Notes how the line to somebody stands.
    pub fn note(&self, peer: Hash, line: Line) {
        let before = lock(&self.lines).insert(peer, line.clone());
        if before.as_ref() != Some(&line) {
            self.changed();
        }
    }

    /// How it stands; none where this program keeps no line to them.
    pub fn line(&self, peer: Hash) -> Option<Line> {
        lock(&self.lines).get(&peer).cloned()
    }

    /// Forgets about lines to anybody else.
    pub fn keep_lines(&self, peers: &[Hash]) {
        lock(&self.lines).retain(|peer, _| peers.contains(peer));
    }
}

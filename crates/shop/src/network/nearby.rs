//! Devices find each other without anybody typing an address: this one says where it serves, and hears of others.
//! Where the network does not carry that, everything else goes on: people type the address.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use sheetloft_ledger::event::Hash;
use sheetloft_store::Store;
use sheetloft_sync::net::nearby::{self, Announcement, Card, NearbyError};

use super::identity;
use crate::answer::{NearbyAnswer, NearbyRow};
use crate::door::Door;
use crate::error::Error;
use crate::exchange;
use crate::say;
use crate::shop::Shop;

/// What became of the announcement, in the shop file, so that any program of this machine can say it.
const ANNOUNCED: &str = "announced";
/// How long others are listened for.
const LISTEN: Duration = Duration::from_secs(2);
/// How long an announcement may take to go out before that is called a failure.
const PATIENCE: Duration = Duration::from_secs(5);
/// After which pause one that did not go out is tried again: networks come and go.
const AGAIN: Duration = Duration::from_secs(30);
/// How often it is looked whether it still says what is true.
const LOOK: Duration = Duration::from_millis(500);

/// What became of the announcement.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Outcome {
    /// It is out, under this name.
    As(String),
    /// It is not; a sentence that says why.
    Not(String),
}

/// The name under which others find this device by themselves, or why they do not.
pub fn found_as(store: &Store) -> Result<(Option<String>, Option<String>), Error> {
    let kept = store.read().remembered(ANNOUNCED)?.and_then(|text| serde_json::from_str(&text).ok());
    Ok(match kept {
        Some(Outcome::As(name)) => (Some(name), None),
        Some(Outcome::Not(why)) => (None, Some(why)),
        None => (None, None),
    })
}

/// What this device says of itself.
fn card(shop: &Shop) -> Result<Card, Error> {
    let own = shop.store.device().unwrap_or_default();
    Ok(Card {
        device: exchange::tag(&shop.read().devices()?, own),
        shop: shop.setting.data.name.clone(),
        print: nearby::print(identity(&shop.store)?.fingerprint()),
    })
}

fn remember(door: &Door, outcome: Option<&Outcome>) {
    let text = outcome.and_then(|o| serde_json::to_string(o).ok()).unwrap_or_default();
    // Where that cannot be noted, the screen says nothing of it; no more hangs on it.
    let _ = door.open().map(|shop| shop.store.remember(ANNOUNCED, &text));
    door.desk.changed();
}

fn not(why: &NearbyError) -> Outcome {
    Outcome::Not(say!("not-found-failed", why = why.to_string().trim_end_matches('.')).text())
}

/// Says on the network where this device serves, under the name that it has, until this is dropped.
pub struct Announced {
    stop: Arc<AtomicBool>,
    watch: Option<JoinHandle<()>>,
}

impl Announced {
    /// Begins, where others can reach this device at `at` at all.
    pub fn start(door: Arc<Door>, at: SocketAddr) -> Option<Self> {
        if !nearby::is_for_others(at) {
            remember(&door, None);
            return None;
        }
        let stop = Arc::new(AtomicBool::new(false));
        let ending = stop.clone();
        let watch = thread::spawn(move || {
            keep(&door, at, &ending);
            remember(&door, None);
        });
        Some(Self { stop, watch: Some(watch) })
    }
}

impl Drop for Announced {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(watch) = self.watch.take() {
            watch.thread().unpark();
            let _ = watch.join();
        }
    }
}

/// Keeps the announcement true: a device that was given another name is announced under that.
fn keep(door: &Door, at: SocketAddr, stop: &AtomicBool) {
    let mut said: Option<Card> = None;
    let mut out: Option<Announcement> = None;
    let mut began = Instant::now();
    let mut noted: Option<Outcome> = None;
    while !stop.load(Ordering::Relaxed) {
        let wanted = door.open().and_then(|shop| card(&shop)).ok();
        let mut outcome = None;
        let is_due = matches!(noted, Some(Outcome::Not(_))) && began.elapsed() > AGAIN;
        if wanted.is_some() && (wanted != said || is_due) {
            // What was said before is taken back first.
            out = None;
            began = Instant::now();
            match wanted.as_ref().map(|card| Announcement::begin(card, at)) {
                Some(Ok(begun)) => out = Some(begun),
                Some(Err(e)) => outcome = Some(not(&e)),
                None => {}
            }
            said = wanted;
        }
        if let (Some(out), Some(card)) = (&mut out, &said) {
            outcome = match out.state() {
                Some(Ok(())) => Some(Outcome::As(card.device.clone())),
                Some(Err(e)) => Some(not(e)),
                None if began.elapsed() > PATIENCE => Some(Outcome::Not(say!("not-found-silent").text())),
                None => None,
            };
        }
        if outcome.is_some() && outcome != noted {
            remember(door, outcome.as_ref());
            noted = outcome;
        }
        thread::park_timeout(LOOK);
    }
}

/// Listens for a moment for devices of this network that serve others; this one is left out.
pub fn nearby(shop: Option<&Shop>) -> Result<NearbyAnswer, Error> {
    let (own, peers) = match shop {
        Some(shop) => (nearby::print(identity(&shop.store)?.fingerprint()), shop.read().peers()?),
        None => (String::new(), Vec::new()),
    };
    let found = match nearby::find(LISTEN) {
        Ok(found) => found,
        Err(why) => {
            let why = say!("nearby-failed", why = why.to_string().trim_end_matches('.')).text();
            return Ok(NearbyAnswer { found: Vec::new(), why: Some(why) });
        }
    };
    let is_paired = |print: &str| peers.iter().any(|p| p.device.is_some() && begins(p.fingerprint, print));
    let rows = found.into_iter().filter(|heard| heard.card.print != own).map(|heard| NearbyRow {
        paired: is_paired(&heard.card.print),
        device: heard.card.device,
        shop: heard.card.shop,
        address: heard.address.to_string(),
    });
    Ok(NearbyAnswer { found: rows.collect(), why: None })
}

fn begins(fingerprint: Hash, print: &str) -> bool {
    fingerprint.to_string().starts_with(print)
}

//! `sync hub`: exchange through a PostgreSQL database, for several sites.
//!
//! Its address may hold a password, so it is kept beside the shop file, readable by its owner only, and not in it: a
//! backup that is handed on opens nothing.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use sheetloft_ledger::event::Hash;
use sheetloft_store::StoreError;
use sheetloft_sync::Report;
use sheetloft_sync::hub::{self, Hub, HubError};
use uuid::Uuid;

use crate::answer::{Changed, SyncAnswer};
use crate::error::Error;
use crate::exchange::{self, Sum, Way};
use crate::host::Host;
use crate::replica::Local;
use crate::say;
use crate::shop::{Shop, needed};
use crate::view;

/// When the hub was last used.
const USED: &str = "sync hub used";
/// Notes of up to where the hub was looked through, by device.
const ABOUT: &str = "hub";
/// How often it was.
const TURN: &str = "turn";
/// Which hub the notes are about.
const WHICH: &str = "which";
/// Once in so many quiet exchanges, all of it is looked through.
const ALL: u64 = 60;

impl From<HubError> for Error {
    fn from(error: HubError) -> Self {
        match error {
            HubError::Address => Self::bad(say!("error-hub-address")),
            HubError::Certificate(why) => Self::bad(say!("error-hub-certificate", why = why)),
            HubError::Newer => Self::refused(say!("refused-hub-newer")),
            HubError::NotSetUp => Self::refused(say!("refused-hub-not-set-up")),
            HubError::Damaged => Self::refused(say!("refused-hub-damaged")),
            HubError::Database(why) => Self::refused(say!("refused-hub", why = why)),
        }
        .at("url")
    }
}

fn path(shop: &Path) -> PathBuf {
    let mut name = shop.as_os_str().to_owned();
    name.push(".hub");
    PathBuf::from(name)
}

fn keep(shop: &Path, url: &str) -> Result<(), Error> {
    let path = path(shop);
    let failed = |source: std::io::Error| StoreError::File { path: path.clone(), source };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
    file.write_all(url.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
    file.persist(&path).map_err(|e| failed(e.error))?;
    Ok(())
}

/// The hub that is set up, with what opens it.
pub fn kept(shop: &Path) -> Option<String> {
    std::fs::read_to_string(path(shop)).ok().map(|url| url.trim().to_owned()).filter(|url| !url.is_empty())
}

/// The same, to be shown; and when it was last used, in ms.
pub fn shown(shop: &Shop) -> Result<(Option<String>, Option<u64>), Error> {
    let used = shop.read().remembered(USED)?.and_then(|ms| ms.parse().ok());
    Ok((kept(shop.store.path()).map(|url| hub::shown(&url)), used))
}

/// Exchanges through a hub, and remembers it.
pub fn exchange(shop: &mut Shop, host: &mut dyn Host, url: &str) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let url = needed(url, "url")?;
    let mut hub = Hub::connect(&url)?;
    let there = hub.shops()?;
    if !there.is_empty() && !there.contains(&shop.setting.id) {
        return Err(Error::refused(say!("refused-other-shop-hub")).at("url"));
    }
    let (mut answer, changed) = exchange::through(shop, host, Way::Hub(&mut hub))?;
    let now_ms = host.wall_ms();
    keep(shop.store.path(), &url)?;
    shop.store.remember(USED, &now_ms.to_string())?;
    answer.hub = Some(hub::shown(&url));
    answer.hub_used = Some(view::when(now_ms));
    Ok((answer, changed))
}

/// One exchange through the hub that is set up, if one is. Where nobody waits for it, it relies on what was looked
/// through before, but for one time in [`ALL`].
pub fn once(shop: &mut Shop, host: &mut dyn Host, sum: &mut Sum) -> Result<(), Error> {
    let Some(url) = kept(shop.store.path()) else { return Ok(()) };
    let mut hub = Hub::connect(&url)?;
    let notes = shop.read().notes(ABOUT)?;
    let turn = notes.get(TURN).and_then(|turn| turn.parse::<u64>().ok()).unwrap_or(0);
    let same = notes.get(WHICH) == Some(&hub::shown(&url));
    if sum.is_quiet && same && turn % ALL != 0 {
        hub.rely_on(notes.iter().filter_map(|(device, note)| checked(device, note)).collect());
    }
    exchange::once(shop, host, &mut Way::Hub(&mut hub), sum)?;
    let mut changes: BTreeMap<String, Option<String>> = notes.keys().map(|key| (key.clone(), None)).collect();
    changes.insert(TURN.to_owned(), Some((turn + 1).to_string()));
    changes.insert(WHICH.to_owned(), Some(hub::shown(&url)));
    let known =
        hub.checked().iter().map(|(device, (number, hash))| (device.to_string(), Some(format!("{number} {hash}"))));
    changes.extend(known);
    changes.retain(|key, note| note.as_ref() != notes.get(key));
    shop.store.note(ABOUT, &changes)?;
    Ok(shop.store.remember(USED, &host.wall_ms().to_string())?)
}

/// Reads a note of what was looked through.
fn checked(device: &str, note: &str) -> Option<(Uuid, (u64, Hash))> {
    let (number, hash) = note.split_once(' ')?;
    Some((Uuid::try_parse(device).ok()?, (number.parse().ok()?, Hash::from_hex(hash)?)))
}

/// A new shop file at `path` joins the shop on a hub, as a new device.
pub fn join(at: &Path, host: &mut dyn Host, url: &str) -> Result<(Shop, SyncAnswer), Error> {
    let url = needed(url, "url")?;
    let mut hub = Hub::connect(&url)?;
    let shop_id = match hub.shops()?[..] {
        [one] => one,
        [] => return Err(Error::refused(say!("refused-join-hub-none")).at("url")),
        _ => return Err(Error::refused(say!("refused-join-hub-many")).at("url")),
    };
    let joined = exchange::join_by(at, host, |store, host, _| {
        let mut report = Report::default();
        exchange::begin(&mut hub, &mut Local::new(store, shop_id, host.wall_ms()), &mut report)?;
        keep(at, &url)?;
        let through = store.read().devices()?.into_iter().map(|d| (d.at_ms, d.id)).min().map(|(_, id)| id);
        Ok((shop_id, through, report))
    });
    if joined.is_err() {
        let _ = std::fs::remove_file(path(at));
    }
    joined
}

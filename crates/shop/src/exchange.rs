//! `sync`: exchange with the shop's other devices, and how things stand.

use std::collections::HashMap;
use std::convert::Infallible;
use std::path::{Path, PathBuf};

use sheetloft_ledger::body::{Body, DeviceBegan, DeviceNamed};
use sheetloft_ledger::code;
use sheetloft_ledger::event::{Event, Hash, Thing, ThingKind};
use sheetloft_ledger::exchange::{Refused, WhyRefused};
use sheetloft_ledger::state::{Device, State};
use sheetloft_store::{DeviceKey, Frozen, Store, StoreError, Tx, is_written_again};
use sheetloft_sync::folder::{self, FolderError};
use sheetloft_sync::hub::Hub;
use sheetloft_sync::net::{Caller, Identity};
use sheetloft_sync::{Carrier, Problem, Report, take_all};
use uuid::Uuid;

use crate::answer::{Changed, DeviceRow, ProblemRow, SyncAnswer};
use crate::conflicts;
use crate::error::Error;
use crate::host::Host;
use crate::hub;
use crate::network;
use crate::replica::Local;
use crate::say;
use crate::say::Say;
use crate::shop::{Shop, begin_device, changed, needed};
use crate::view;

const FOLDER: &str = "sync folder";
const FOLDER_USED: &str = "sync folder used";
const WRITE_AGAIN: &str = "write again";

/// How things stand.
pub fn status(shop: &Shop) -> Result<SyncAnswer, Error> {
    answer(shop, Report::default(), Vec::new())
}

/// A way to other devices.
pub enum Way<'a> {
    /// A folder or a stick.
    Folder(&'a Path),
    /// A device that serves.
    Peer(&'a mut Caller),
    /// A hub of several sites.
    Hub(&'a mut Hub),
}

/// What exchanges came to so far.
#[derive(Default)]
pub struct Sum {
    /// What was handed on, what came, and what was left out.
    pub report: Report,
    /// Ways that did not work, and what to do about it.
    pub problems: Vec<(Say, Say)>,
    /// What changed here.
    pub things: Vec<Thing>,
    /// Nobody waits for it.
    pub is_quiet: bool,
}

impl Sum {
    fn told(mut self, shop: &Shop) -> Result<(SyncAnswer, Vec<Changed>), Error> {
        self.things.sort();
        self.things.dedup();
        Ok((answer(shop, self.report, self.problems)?, changed(&self.things)))
    }
}

/// Exchanges by `go`. Whoever has to take another tag, with what they then know, says so to the others at once.
fn exchanged(
    shop: &mut Shop,
    host: &mut dyn Host,
    is_quiet: bool,
    mut go: impl FnMut(&mut Shop, &mut dyn Host, &mut Sum) -> Result<(), Error>,
) -> Result<Sum, Error> {
    if shop.store.is_read_only() {
        return Err(StoreError::ReadOnly.into());
    }
    write_again(shop, host)?;
    let mut sum = Sum { is_quiet, ..Sum::default() };
    go(shop, host, &mut sum)?;
    if retag(shop, host)? {
        // What is still wrong is found again.
        sum.report.problems.clear();
        sum.problems.clear();
        go(shop, host, &mut sum)?;
    }
    Ok(sum)
}

/// Exchanges in every way that is set up. A way that does not work is a problem; the others are gone all the same.
pub fn now(shop: &mut Shop, host: &mut dyn Host) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let calls = shop.read().peers()?.iter().any(|p| p.address.is_some());
    if !calls && !has_slow_ways(shop)? {
        return Err(Error::refused(say!("refused-sync-no-way")));
    }
    let sum = exchanged(shop, host, false, |shop, host, sum| {
        network::call_all(shop, host, sum)?;
        slow_ways(shop, host, sum)
    })?;
    sum.told(shop)
}

/// Exchanges through the folder and the hub that are set up, where nobody waits for it; whether anything came. What
/// goes wrong is said when a person asks; until then it is tried again.
pub fn quietly(shop: &mut Shop, host: &mut dyn Host) -> Result<bool, Error> {
    if !has_slow_ways(shop)? {
        return Ok(false);
    }
    Ok(exchanged(shop, host, true, slow_ways)?.report.received > 0)
}

/// Whether a folder or a hub is set up.
fn has_slow_ways(shop: &Shop) -> Result<bool, Error> {
    Ok(shop.read().remembered(FOLDER)?.is_some() || hub::kept(shop.store.path()).is_some())
}

/// The hub and the folder, once.
fn slow_ways(shop: &mut Shop, host: &mut dyn Host, sum: &mut Sum) -> Result<(), Error> {
    if let Err(e) = hub::once(shop, host, sum) {
        sum.problems.push((e.say, say!("problem-hub-do")));
    }
    if let Some(dir) = shop.read().remembered(FOLDER)? {
        match absolute(&dir).and_then(|dir| once(shop, host, &mut Way::Folder(&dir), sum)) {
            Ok(()) => shop.store.remember(FOLDER_USED, &host.wall_ms().to_string())?,
            Err(e) => sum.problems.push((e.say, say!("problem-folder-do"))),
        }
    }
    Ok(())
}

/// Exchanges through a folder, and remembers it.
pub fn folder(shop: &mut Shop, host: &mut dyn Host, dir: &str) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let dir = absolute(dir)?;
    let (mut answer, changed) = through(shop, host, Way::Folder(&dir))?;
    let now_ms = host.wall_ms();
    shop.store.remember(FOLDER, &dir.display().to_string())?;
    shop.store.remember(FOLDER_USED, &now_ms.to_string())?;
    answer.folder = Some(dir.display().to_string());
    answer.folder_used = Some(view::when(now_ms));
    Ok((answer, changed))
}

/// Exchanges in one way.
pub fn through(shop: &mut Shop, host: &mut dyn Host, mut way: Way<'_>) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    exchanged(shop, host, false, |shop, host, sum| once(shop, host, &mut way, sum))?.told(shop)
}

/// One exchange, in which nothing is open in the shop file while files are read or others are waited for.
pub fn once(shop: &mut Shop, host: &mut dyn Host, way: &mut Way<'_>, sum: &mut Sum) -> Result<(), Error> {
    let mut local = Local::new(&mut shop.store, shop.setting.id, host.wall_ms());
    let report = match way {
        Way::Folder(dir) => folder::exchange(dir, &mut local)?,
        Way::Peer(caller) => sheetloft_sync::exchange(*caller, &mut local)?,
        Way::Hub(hub) => {
            let report = sheetloft_sync::exchange(*hub, &mut local)?;
            hub.leave_start(&local, || local.scratch())?;
            report
        }
    };
    sum.report.add(report);
    sum.things.append(&mut local.changed);
    Ok(())
}

/// A new shop file at `path` joins the shop in a folder, as a new device.
pub fn join(path: &Path, host: &mut dyn Host, dir: &str) -> Result<(Shop, SyncAnswer), Error> {
    let dir = absolute(dir)?;
    let found = folder::shops(&dir).map_err(|e| lifted(e).at("dir"))?;
    let shop_id = match found[..] {
        [one] => one,
        [] => return Err(Error::refused(say!("refused-join-none", dir = dir.display().to_string())).at("dir")),
        _ => return Err(Error::refused(say!("refused-join-many", dir = dir.display().to_string())).at("dir")),
    };
    join_by(path, host, |store, host, _| {
        let report = folder::begin(&dir, &mut Local::new(store, shop_id, host.wall_ms()))?;
        store.remember(FOLDER, &dir.display().to_string())?;
        let through = store.read().devices()?.into_iter().map(|d| (d.at_ms, d.id)).min().map(|(_, id)| id);
        Ok((shop_id, through, report))
    })
    .map_err(|e| if e.field.is_none() { e.at("dir") } else { e })
}

/// Gets everything that the other side has into a file in which nothing is yet.
pub fn begin<C: Carrier<Error: Into<Error>>>(
    carrier: &mut C,
    local: &mut Local<'_>,
    report: &mut Report,
) -> Result<(), Error> {
    let done = match local.scratch() {
        Ok(mut scratch) => sheetloft_sync::begin(carrier, local, &mut scratch, report),
        Err(_) => take_all(carrier, local, report),
    };
    Ok(done?)
}

/// A new shop file at `path` joins a shop: `fetch` gets what that shop has, and says which it is and through which
/// device.
pub fn join_by(
    path: &Path,
    host: &mut dyn Host,
    fetch: impl FnOnce(&mut Store, &mut dyn Host, &DeviceKey) -> Result<(Uuid, Option<Uuid>, Report), Error>,
) -> Result<(Shop, SyncAnswer), Error> {
    crate::host::make_data_folder(path);
    let key = DeviceKey::new(host.uuid(), host.secret());
    let mut store = Store::create(path, key.clone())?;
    let joined = fetch(&mut store, host, &key).and_then(|(shop, through, report)| {
        if store.read().setting()?.is_none_or(|s| s.id != shop) {
            let what: Vec<String> = report.problems.iter().map(|p| problem(p, &[]).0.text()).collect();
            return Err(Error::refused(say!("refused-join-damaged", what = what.join("; "))));
        }
        begin_device(&mut store, host, shop, key.device, &key, through)?;
        Ok(report)
    });
    drop(store);
    match joined {
        Ok(report) => {
            let mut shop = Shop::open(path, host)?;
            let (exchanged, _) = now(&mut shop, host)?;
            let own = shop.read().folded(Thing::new(ThingKind::Device, key.device))?.state.and_then(State::device);
            let received = exchanged.received + report.received;
            // What was wrong with the way by which it came is not found again.
            let mut problems = exchanged.problems;
            let devices = shop.read().devices()?;
            let first = report.problems.iter().map(|p| row(problem(p, &devices)));
            let new: Vec<ProblemRow> = first.filter(|row| !problems.contains(row)).collect();
            problems.extend(new);
            Ok((shop, SyncAnswer { received, joined: own.map(|d| d.tag), problems, ..exchanged }))
        }
        Err(e) => {
            // Nothing half done: the files were ours alone.
            for ending in ["", "-wal", "-shm"] {
                let _ = std::fs::remove_file(PathBuf::from(format!("{}{ending}", path.display())));
            }
            let _ = std::fs::remove_file(DeviceKey::path(path));
            let _ = std::fs::remove_file(Identity::path(path));
            Err(e)
        }
    }
}

/// Gives this device a name. Where a copy of it works under the same one, this copy becomes a device of its own, and
/// what it did since the two parted is written again under that.
pub fn rename(shop: &mut Shop, host: &mut dyn Host, name: &str) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let name = needed(name, "name")?;
    if let Some(old) = shop.store.device().filter(|_| shop.store.is_forked().unwrap_or(false)) {
        // Remembered first, so that an end in the middle loses nothing.
        shop.store.remember(WRITE_AGAIN, &old.to_string())?;
        let key = DeviceKey::new(host.uuid(), host.secret());
        shop.store.adopt(key.clone())?;
        begin_device(&mut shop.store, host, shop.setting.id, key.device, &key, Some(old))?;
    }
    write_again(shop, host)?;
    let (_, changed) = shop.write(host, |tx| {
        let device = Thing::new(ThingKind::Device, tx.device());
        tx.draft(Body::DeviceNamed(DeviceNamed { name: Some(name), tag: None }), [device]);
        Ok(())
    })?;
    Ok((status(shop)?, changed))
}

/// Writes again what this copy did under a name that another copy had too; and once all copies have done so, what this
/// device had built on any of that.
fn write_again(shop: &mut Shop, host: &mut dyn Host) -> Result<(), Error> {
    let old = shop.read().remembered(WRITE_AGAIN)?.and_then(|text| Uuid::try_parse(&text).ok());
    if let Some(old) = old.filter(|old| shop.store.device() != Some(*old)) {
        let frozen = shop.read().frozen()?;
        let mut events = shop.read().frozen_own(old)?;
        // Somebody may have taken this copy for lost, and written it again.
        events.retain(|e| !frozen.events.contains_key(&e.hash));
        return write_these_again(shop, host, &events, &frozen);
    }
    let Some(own) = shop.store.device().filter(|_| !shop.store.is_forked().unwrap_or(true)) else { return Ok(()) };
    let mut frozen = shop.read().frozen()?;
    match frozen.built_on.remove(&own) {
        Some(events) if frozen.forks.iter().all(|f| f.open.is_empty()) => {
            write_these_again(shop, host, &events, &frozen)
        }
        _ => Ok(()),
    }
}

/// Writes events again, action by action, in one transaction. What they name by what was written again before is named
/// by what that is called now.
fn write_these_again(shop: &mut Shop, host: &mut dyn Host, events: &[Event], before: &Frozen) -> Result<(), Error> {
    let id = shop.setting.id;
    shop.store.transact(id, host, |tx, key| {
        flush_again(tx, key, events, before)?;
        tx.remember(WRITE_AGAIN, "")?;
        Ok::<_, Error>(())
    })?;
    Ok(())
}

fn flush_again(tx: &mut Tx<'_>, key: &mut DeviceKey, events: &[Event], before: &Frozen) -> Result<(), Error> {
    let (mut actions, mut hashes) = (before.actions.clone(), before.events.clone());
    for together in events.chunk_by(|a, b| a.envelope.action == b.envelope.action) {
        let action = together[0].envelope.action;
        let mut written = Vec::new();
        for event in together {
            let Some(body) = event.body.clone().filter(is_written_again) else { continue };
            written.push(event.hash);
            tx.by(event.envelope.person);
            tx.draft_again(event.envelope.id, again(body, &actions, &hashes), event.things().collect::<Vec<_>>());
        }
        if written.is_empty() {
            continue;
        }
        tx.flush(key)?;
        if let Some(new) = tx.last_action() {
            actions.insert(action, new);
            let rows = tx.read().events_of_action(new)?;
            hashes.extend(written.into_iter().zip(rows.iter().map(|row| row.event.hash)));
        }
    }
    Ok(())
}

/// Writes again what copies of a device left that are gone for good, in the name of a new device that does nothing else:
/// as the copy would have done itself, had somebody given it a name of its own.
pub fn rescue(shop: &mut Shop, host: &mut dyn Host, device: &str) -> Result<(SyncAnswer, Vec<Changed>), Error> {
    let text = needed(device, "device")?;
    let devices = shop.read().devices()?;
    let of = match devices_named(&devices, &text)[..] {
        [of] => of,
        [] => return Err(Error::bad(say!("error-unknown-device", text = text)).at("device")),
        _ => return Err(Error::refused(say!("refused-ambiguous-device", text = text)).at("device")),
    };
    let frozen = shop.read().frozen()?;
    let left = frozen.forks.iter().find(|f| f.device == of.id && !f.open.is_empty());
    let nothing = || Error::refused(say!("refused-rescue-nothing", device = called(of))).at("device");
    let left = left.ok_or_else(nothing)?;
    if shop.store.device() == Some(of.id) {
        return Err(Error::refused(say!("refused-rescue-own")).at("device"));
    }
    let key = DeviceKey::new(host.uuid(), host.secret());
    let tag = free_tag(&devices, key.device).unwrap_or_else(|| code::tag(0));
    let (id, new) = (shop.setting.id, Thing::new(ThingKind::Device, key.device));
    let began = DeviceBegan { shop: id, public_key: key.public_key(), tag, through: Some(of.id) };
    let named = DeviceNamed { name: Some(say!("rescued-device", device = called(of)).text()), tag: None };
    let (_, things) = shop.store.transact_once(key, id, host, |tx, key| {
        tx.draft(Body::DeviceBegan(began), [new]);
        tx.flush(key)?;
        flush_again(tx, key, &left.open, &frozen)?;
        tx.draft(Body::DeviceNamed(named), [new]);
        Ok::<_, Error>(())
    })?;
    write_again(shop, host)?;
    Ok((status(shop)?, changed(&things)))
}

/// A body that names actions and events by what they are called now.
fn again(mut body: Body, actions: &HashMap<Uuid, Uuid>, hashes: &HashMap<Hash, Hash>) -> Body {
    let now = |hash: &mut Hash| *hash = hashes.get(hash).copied().unwrap_or(*hash);
    match &mut body {
        Body::Undone(undone) => undone.action = actions.get(&undone.action).copied().unwrap_or(undone.action),
        Body::Settled(settled) => {
            now(&mut settled.happened);
            settled.others.iter_mut().for_each(|o| now(&mut o.event));
        }
        _ => {}
    }
    body
}

/// Where two devices have one tag, the one with the higher UUID takes another; its codes so far stay.
fn retag(shop: &mut Shop, host: &mut dyn Host) -> Result<bool, Error> {
    let devices = shop.read().devices()?;
    let Some(own) = shop.store.device().and_then(|id| devices.iter().find(|d| d.id == id)) else { return Ok(false) };
    if shop.store.is_forked()? || !devices.iter().any(|d| d.tag == own.tag && d.id < own.id) {
        return Ok(false);
    }
    let Some(tag) = free_tag(&devices, own.id) else { return Ok(false) };
    shop.write(host, |tx| {
        let device = Thing::new(ThingKind::Device, tx.device());
        tx.draft(Body::DeviceNamed(DeviceNamed { name: None, tag: Some(tag) }), [device]);
        Ok(())
    })?;
    Ok(true)
}

/// A tag that no known device has; where to begin looking depends on the device, so that two rarely choose alike.
pub fn free_tag(devices: &[Device], of: Uuid) -> Option<String> {
    let seed = u32::from_be_bytes([0, 0, of.as_bytes()[14], of.as_bytes()[15]]);
    (0..1_024).map(|i| code::tag(seed.wrapping_add(i))).find(|t| devices.iter().all(|d| d.tag != *t))
}

fn absolute(dir: &str) -> Result<PathBuf, Error> {
    let dir = PathBuf::from(needed(dir, "dir")?);
    match dir.canonicalize() {
        Ok(path) if path.is_dir() => Ok(path),
        _ => Err(Error::bad(say!("error-folder", folder = dir.display().to_string())).at("dir")),
    }
}

impl From<FolderError<StoreError>> for Error {
    fn from(error: FolderError<StoreError>) -> Self {
        match error {
            FolderError::Shop(e) => e.into(),
            FolderError::NotAFolder { path } => Self::bad(say!("error-folder", folder = path.display().to_string())),
            FolderError::OtherShop { path } => {
                Self::refused(say!("refused-other-shop", dir = path.display().to_string()))
            }
            FolderError::File { path, source } => StoreError::File { path, source }.into(),
        }
        .at("dir")
    }
}

fn lifted(error: FolderError<Infallible>) -> Error {
    match error {
        FolderError::NotAFolder { path } => FolderError::<StoreError>::NotAFolder { path },
        FolderError::OtherShop { path } => FolderError::OtherShop { path },
        FolderError::File { path, source } => FolderError::File { path, source },
        FolderError::Shop(never) => match never {},
    }
    .into()
}

fn answer(shop: &Shop, report: Report, more: Vec<(Say, Say)>) -> Result<SyncAnswer, Error> {
    let reader = shop.read();
    let devices = reader.devices()?;
    let (waiting, frozen) = (reader.waiting()?, reader.frozen()?);
    let mut problems: Vec<(Say, Say)> = report.problems.iter().map(|p| problem(p, &devices)).collect();
    for fork in &frozen.forks {
        let own = shop.store.device() == Some(fork.device);
        let tag = tag(&devices, fork.device);
        problems.extend(match (own, fork.open.len()) {
            (true, _) => Some((say!("problem-forked-own", number = fork.number), say!("problem-forked-own-do"))),
            // Each copy has its name, and all that they did counts again.
            (false, 0) => None,
            (false, open) => {
                let what = say!("problem-forked", device = &tag, number = fork.number, count = open);
                Some((what, say!("problem-forked-do", device = tag)))
            }
        });
    }
    // Of a copy that is ahead, more has to come before it is seen where the two parted.
    let own = shop.store.device().filter(|own| frozen.forks.iter().all(|f| f.device != *own));
    if let Some(own) = own.filter(|_| shop.store.is_forked().unwrap_or(false)) {
        let next = reader.runs()?.get(&own).map_or(1, |have| have.run + 1);
        problems.push((say!("problem-forked-own", number = next), say!("problem-forked-own-do")));
    }
    for (device, events) in &frozen.built_on {
        let what = say!("problem-built-on-copy", device = tag(&devices, *device), count = events.len());
        problems.push((what, say!("problem-built-on-copy-do")));
    }
    problems.extend(network::share_trouble(&shop.store)?.map(|what| (what, say!("problem-share-do"))));
    problems.extend(more);
    if waiting.unknown > 0 {
        problems.push((say!("problem-newer", count = waiting.unknown), say!("problem-newer-do")));
    }
    let runs = reader.runs()?;
    let mut rows = Vec::new();
    for device in &devices {
        let last = reader.own_events(device.id, 1)?.first().map(|row| view::when(row.event.envelope.clock.ms));
        rows.push(DeviceRow {
            device: device.id.to_string(),
            tag: device.tag.clone(),
            name: device.name.clone(),
            own: shop.store.device() == Some(device.id),
            revoked: device.revoked,
            events: runs.get(&device.id).map_or(0, |have| have.run),
            last,
            adrift: frozen.forks.iter().find(|f| f.device == device.id).map_or(0, |f| f.open.len() as u64),
        });
    }
    let (hub, hub_used) = hub::shown(shop)?;
    let used = reader.remembered(FOLDER_USED)?.and_then(|ms| ms.parse().ok()).map(view::when);
    let serves = network::served_at(&shop.store)?;
    let (found_as, not_found) = if serves.is_empty() { (None, None) } else { network::found_as(&shop.store)? };
    Ok(SyncAnswer {
        sent: report.sent,
        received: report.received,
        conflicts: conflicts::short(&reader)?,
        problems: problems.into_iter().map(row).collect(),
        joined: None,
        waiting: frozen.waiting,
        devices: rows,
        folder: reader.remembered(FOLDER)?,
        folder_used: used,
        hub,
        hub_used: hub_used.map(view::when),
        shares: network::shared_at(&shop.store)?.map(|at| u32::from(at.port())),
        serves,
        found_as,
        not_found,
        peers: network::rows(shop, |_| None)?,
    })
}

/// The devices that somebody may mean: by tag, name or UUID.
pub fn devices_named<'a>(devices: &'a [Device], text: &str) -> Vec<&'a Device> {
    let is = |word: &str| word.eq_ignore_ascii_case(text);
    devices.iter().filter(|d| is(&d.tag) || is(&d.id.to_string()) || d.name.as_deref().is_some_and(is)).collect()
}

/// What a device is called: its name and its tag.
pub fn called(device: &Device) -> String {
    device.name.as_ref().map_or_else(|| device.tag.clone(), |name| format!("{name} ({})", device.tag))
}

/// What the device with this UUID is called.
pub fn tag(devices: &[Device], id: Uuid) -> String {
    devices.iter().find(|d| d.id == id).map_or_else(|| id.to_string(), called)
}

/// What is wrong and what to do about it, as it is shown.
fn row((what, r#do): (Say, Say)) -> ProblemRow {
    ProblemRow { what: what.text().trim_end_matches('.').to_owned(), r#do: r#do.text() }
}

/// A problem in words, and what to do.
fn problem(problem: &Problem, devices: &[Device]) -> (Say, Say) {
    let path = |p: &Path| p.display().to_string();
    match problem {
        Problem::Damaged { file } => (say!("problem-damaged", file = path(file)), say!("problem-damaged-do")),
        Problem::Newer { file } => (say!("problem-newer-file", file = path(file)), say!("problem-newer-do")),
        Problem::NotRead { file, why } => {
            (say!("problem-not-read", file = path(file), why = why), say!("problem-not-read-do"))
        }
        Problem::Refused(Refused { device, number, why }) => {
            let device = tag(devices, *device);
            let what = match why {
                WhyRefused::Unreadable(why) => {
                    say!("problem-unreadable", device = device, number = *number, why = why)
                }
                WhyRefused::OtherShop => say!("problem-other-shop", device = device, number = *number),
                WhyRefused::NotSealed => say!("problem-not-sealed", device = device, number = *number),
            };
            (what, say!("problem-refused-do"))
        }
        Problem::NoStart => (say!("problem-no-start"), say!("problem-no-start-do")),
    }
}

//! The devices and everything between them.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use sheetloft_ledger::body::{Body, DeviceBegan, Moved, ShopNamed};
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use sheetloft_ledger::exchange::{Runs, Sealed};
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::money::Currency;
use sheetloft_ledger::units::Unit;
use sheetloft_shop::replica::Local;
use sheetloft_store::{DeviceKey, PieceFilter, Store, StoreError};
use sheetloft_sync::{folder, start};
use tempfile::TempDir;
use uuid::Uuid;

use crate::dice::{Dice, Rim};
use crate::work::{differ, settle_one, shows, stock_up, work};

/// 2026-03-02 08:00 UTC.
const START_MS: u64 = 1_772_438_400_000;
const YEAR_MS: usize = 365 * 24 * 3_600_000;
const MOST_DEVICES: usize = 5;

/// What a run came to, so that one sees what happens in it.
#[derive(Clone, Default, PartialEq, Eq, Debug)]
pub struct Seen {
    pub events: usize,
    pub conflicts: usize,
    pub settled: usize,
    pub forks: usize,
    pub restored: usize,
    pub crashes: usize,
    pub newer: usize,
    pub half_files: usize,
    pub dropped: usize,
    pub repeated: usize,
    pub waited: usize,
    pub started: usize,
    pub digest: String,
}

impl Seen {
    pub fn add(&mut self, other: &Self) {
        self.events += other.events;
        self.conflicts += other.conflicts;
        self.settled += other.settled;
        self.forks += other.forks;
        self.restored += other.restored;
        self.crashes += other.crashes;
        self.newer += other.newer;
        self.half_files += other.half_files;
        self.dropped += other.dropped;
        self.repeated += other.repeated;
        self.waited += other.waited;
        self.started += other.started;
    }
}

/// One device: its shop file, its own view of the shared folder, a clock that is wrong in its own way.
struct Device {
    shop: PathBuf,
    view: PathBuf,
    store: Option<Store>,
    skew_ms: i64,
    backup: Option<PathBuf>,
    /// What it heard another one say it has, perhaps long ago.
    heard: BTreeMap<usize, Runs>,
}

/// A program of a later version somewhere in the shop: it writes kinds that nobody here knows.
struct Newer {
    key: DeviceKey,
    last: Option<(u64, Hash)>,
    events: Vec<Sealed>,
}

pub struct World {
    dice: Dice,
    root: TempDir,
    shop: Uuid,
    now_ms: u64,
    devices: Vec<Device>,
    /// Events on their way: to whom, and what.
    network: Vec<(usize, Vec<Sealed>)>,
    /// Every event whose writing was acknowledged to a person, with its bytes.
    acknowledged: BTreeMap<Hash, Sealed>,
    newer: Option<Newer>,
    files: usize,
    seen: Seen,
}

/// In memory where the system has a place for that: a run writes thousands of times.
fn place() -> TempDir {
    let memory = Path::new("/dev/shm");
    let within = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    within.expect("a folder")
}

impl World {
    pub fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let root = place();
        let shop = dice.uuid();
        let mut world = Self {
            dice,
            root,
            shop,
            now_ms: START_MS,
            devices: Vec::new(),
            network: Vec::new(),
            acknowledged: BTreeMap::new(),
            newer: None,
            files: 0,
            seen: Seen::default(),
        };
        world.found();
        for _ in 0..=world.dice.roll(2) {
            world.join();
        }
        world
    }

    fn new_device(&mut self) -> usize {
        self.files += 1;
        let folder = self.root.path().join(format!("device-{}", self.files));
        let view = folder.join("view");
        fs::create_dir_all(&view).unwrap();
        let skew = self.dice.roll(2 * YEAR_MS) as i64 - YEAR_MS as i64;
        let skew_ms = if self.dice.once_in(2) { 0 } else { skew };
        let shop = folder.join("shop.db");
        self.devices.push(Device { shop, view, store: None, skew_ms, backup: None, heard: BTreeMap::new() });
        self.devices.len() - 1
    }

    /// The first device, with the shop's name.
    fn found(&mut self) {
        let at = self.new_device();
        let key = self.new_key();
        self.devices[at].store = Some(Store::create(&self.devices[at].shop, key).unwrap());
        self.begin(at);
        let named = ShopNamed { name: "s".into(), unit: Unit::Mm, currency: Currency::new("EUR").unwrap() };
        let shop = self.shop;
        self.write(at, |tx, _, _| {
            tx.draft(Body::ShopNamed(named), [Thing::new(ThingKind::Setting, shop)]);
            Ok(Some("shop"))
        });
        self.write(at, |tx, _, dice| stock_up(dice, tx));
    }

    /// Another device joins with what the first one has.
    fn join(&mut self) {
        let at = self.new_device();
        let key = self.new_key();
        self.devices[at].store = Some(Store::create(&self.devices[at].shop, key).unwrap());
        if self.dice.once_in(2) {
            self.start(at);
        }
        let has = self.store(at).read().runs().unwrap();
        let rest = self.store(0).read().lacking(&has, usize::MAX).unwrap();
        self.take_in(at, rest);
        self.begin(at);
    }

    /// It begins with a start from the first device, if that can make one; perhaps the file was damaged on its way.
    fn start(&mut self, at: usize) {
        let mut file = Vec::new();
        let (shop, now_ms) = (self.shop, self.wall_ms(at));
        let made = start::write(&Local::new(self.devices[0].store.as_mut().unwrap(), shop, now_ms), &mut file);
        let whole = file.len();
        if self.dice.once_in(4) {
            file.truncate(self.dice.roll(whole.max(1)));
        }
        let mut local = Local::new(self.devices[at].store.as_mut().unwrap(), shop, now_ms);
        let begun = start::begin(&file[..], &mut local).unwrap();
        assert_eq!(begun.is_some(), made.is_ok() && file.len() == whole, "device {at}: a start that was not to be");
        self.seen.started += usize::from(begun.is_some());
    }

    fn new_key(&mut self) -> DeviceKey {
        DeviceKey::new(self.dice.uuid(), self.dice.bytes())
    }

    fn store(&self, at: usize) -> &Store {
        self.devices[at].store.as_ref().unwrap()
    }

    fn begin(&mut self, at: usize) {
        let shop = self.shop;
        self.write(at, |tx, key, _| {
            let tag = sheetloft_ledger::code::tag(u32::from(key.device.as_bytes()[3]));
            let began = DeviceBegan { shop, public_key: key.public_key(), tag, through: None };
            tx.draft(Body::DeviceBegan(began), [Thing::new(ThingKind::Device, key.device)]);
            Ok(Some("begin"))
        });
    }

    fn wall_ms(&self, at: usize) -> u64 {
        self.now_ms.saturating_add_signed(self.devices[at].skew_ms)
    }

    /// One action on a device. What it wrote is acknowledged once it returns.
    fn write(
        &mut self,
        at: usize,
        act: impl FnOnce(&mut sheetloft_store::Tx<'_>, &mut DeviceKey, &mut Dice) -> Result<crate::work::Did, StoreError>,
    ) {
        let now_ms = self.wall_ms(at);
        let mut own = Dice::new(self.dice.roll(1 << 31) as u64);
        let store = self.devices[at].store.as_mut().unwrap();
        let device = store.device().unwrap();
        let before = store.read().runs().unwrap().get(&device).map_or(0, |h| h.run);
        let mut rim = Rim { dice: &mut self.dice, now_ms };
        let shop = self.shop;
        match store.transact(shop, &mut rim, |tx, key| act(tx, key, &mut own)) {
            Ok((did, changed)) => {
                if did == Some("settle") && !changed.is_empty() {
                    self.seen.settled += 1;
                }
            }
            // Its name is taken by a copy; a person has to say which one is which.
            Err(StoreError::Forked) => return,
            Err(e) => panic!("device {at}: {e}"),
        }
        let store = self.store(at);
        let from = Runs::from([(device, sheetloft_ledger::exchange::Have { run: before, ..Default::default() })]);
        let written: Vec<Sealed> = store
            .read()
            .lacking(&from, usize::MAX)
            .unwrap()
            .into_iter()
            .filter(|s| Event::read(&s.bytes).unwrap().envelope.device == device)
            .collect();
        for sealed in written {
            let event = Event::read(&sealed.bytes).unwrap();
            for thing in event.things().filter(|_| !event.envelope.more) {
                let heads = self.store(at).read().heads(thing).unwrap();
                assert_eq!(heads.len(), 1, "an event was not built on all heads of {thing:?}");
            }
            self.acknowledged.insert(event.hash, sealed);
        }
    }

    fn take_in(&mut self, at: usize, events: Vec<Sealed>) -> u64 {
        let (shop, now_ms) = (self.shop, self.wall_ms(at));
        let taken = self.devices[at].store.as_mut().unwrap().take_in(shop, now_ms, events).unwrap();
        taken.new
    }

    pub fn play(mut self) -> Seen {
        let steps = 30 + self.dice.roll(40);
        for _ in 0..steps {
            self.step();
        }
        self.come_to_rest();
        self.judge();
        // People look at what is left and settle it, two perhaps at once; then there is rest again.
        for _ in 0..self.dice.roll(4) {
            let at = self.dice.roll(self.devices.len());
            self.write(at, |tx, _, dice| settle_one(dice, tx));
        }
        self.come_to_rest();
        self.judge();
        self.seen.forks += self.store(0).read().waiting().unwrap().forked.len();
        self.seen.events += self.acknowledged.len();
        self.seen.conflicts += self.store(0).conflicts().unwrap();
        self.seen
    }

    fn step(&mut self) {
        // Sometimes the time runs backwards.
        self.now_ms = (self.now_ms + self.dice.roll(600_000) as u64).saturating_sub(self.dice.roll(200_000) as u64);
        let at = self.dice.roll(self.devices.len());
        match self.dice.roll(100) {
            0..=49 => self.write(at, |tx, key, dice| work(dice, tx, key)),
            50..=61 => self.send(at),
            62..=75 => self.deliver(),
            76..=82 => {
                self.use_folder(at);
            }
            83..=88 => self.copy_a_file(),
            89 | 90 => self.crash(at),
            91..=93 => self.back_up(at),
            94..=96 => self.restore(at),
            97 => self.copy_shop(at),
            98 => self.newer_program(at),
            _ => {
                if self.devices.len() < MOST_DEVICES {
                    self.join();
                }
            }
        }
    }

    /// A device tells another what it has; that one sends what it believes to be lacking, on what it heard last.
    fn send(&mut self, from: usize) {
        let to = self.dice.roll(self.devices.len());
        if self.dice.once_in(2) || !self.devices[from].heard.contains_key(&to) {
            let runs = self.store(to).read().runs().unwrap();
            self.devices[from].heard.insert(to, runs);
        }
        let theirs = self.devices[from].heard[&to].clone();
        let most = [1, 2_000, 1 << 20][self.dice.roll(3)];
        let mut events = self.store(from).read().lacking(&theirs, most).unwrap();
        // The network cuts a message anywhere between two events.
        if self.dice.once_in(2) && events.len() > 1 {
            let cut = self.dice.roll(events.len());
            if self.dice.once_in(2) { events.truncate(cut) } else { events.drain(..cut).for_each(drop) }
        }
        self.network.push((to, events));
    }

    /// A message arrives, or two times, or never, in any order.
    fn deliver(&mut self) {
        if self.network.is_empty() {
            return;
        }
        let which = self.dice.roll(self.network.len());
        let (to, events) = match self.dice.roll(5) {
            0 => {
                self.seen.dropped += 1;
                self.network.swap_remove(which);
                return;
            }
            1 => {
                self.seen.repeated += 1;
                self.network[which].clone()
            }
            _ => self.network.swap_remove(which),
        };
        self.take_in(to, events);
        self.seen.waited += usize::from(self.store(to).read().waiting().unwrap().events > 0);
    }

    /// A device exchanges through its own view of the folder.
    fn use_folder(&mut self, at: usize) -> u64 {
        let (shop, now_ms) = (self.shop, self.wall_ms(at));
        let device = &mut self.devices[at];
        let view = device.view.clone();
        let mut local = Local::new(device.store.as_mut().unwrap(), shop, now_ms);
        let report = folder::exchange(&view, &mut local).unwrap_or_else(|e| panic!("device {at}: {e}"));
        self.seen.half_files += report.problems.len();
        report.received + report.sent
    }

    fn files_of(view: &Path) -> Vec<PathBuf> {
        let mut found = Vec::new();
        let mut folders = vec![view.to_owned()];
        while let Some(folder) = folders.pop() {
            let mut entries: Vec<_> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
            entries.sort();
            for path in entries {
                if path.is_dir() { folders.push(path) } else { found.push(path.strip_prefix(view).unwrap().to_owned()) }
            }
        }
        found.sort();
        found
    }

    /// The folder's syncer brings one file from one view into another, whole or only begun.
    fn copy_a_file(&mut self) {
        let (from, to) = (self.dice.roll(self.devices.len()), self.dice.roll(self.devices.len()));
        let (from, to) = (self.devices[from].view.clone(), self.devices[to].view.clone());
        for file in Self::files_of(&from) {
            let target = to.join(&file);
            let whole =
                || fs::metadata(&target).is_ok_and(|m| m.len() >= fs::metadata(from.join(&file)).unwrap().len());
            if from == to || whole() || self.dice.once_in(3) {
                continue;
            }
            fs::create_dir_all(target.parent().unwrap()).unwrap();
            let mut bytes = fs::read(from.join(&file)).unwrap();
            if self.dice.once_in(2) {
                bytes.truncate(self.dice.roll(bytes.len()));
            }
            fs::write(target, bytes).unwrap();
        }
    }

    /// The program ends at once: what it had not yet acknowledged beside the file is behind, a file half written stays.
    fn crash(&mut self, at: usize) {
        self.seen.crashes += 1;
        let key = DeviceKey::path(&self.devices[at].shop);
        let before = fs::read(&key).unwrap();
        self.write(at, |tx, key, dice| work(dice, tx, key));
        if self.dice.once_in(2) {
            fs::write(&key, before).unwrap();
        }
        let own = self.store(at).device().unwrap();
        let folder = self.devices[at].view.join(format!("sheetloft-{}", self.shop)).join(own.to_string());
        if folder.is_dir() {
            fs::write(folder.join(".part-half"), b"sheetloft ba").unwrap();
        }
        self.reopen(at);
    }

    fn reopen(&mut self, at: usize) {
        self.devices[at].store = None;
        let store = Store::open(&self.devices[at].shop).unwrap();
        let is_own = store.device().is_some();
        self.devices[at].store = Some(store);
        if !is_own {
            let key = self.new_key();
            self.devices[at].store.as_mut().unwrap().adopt(key).unwrap();
            self.begin(at);
        }
    }

    fn back_up(&mut self, at: usize) {
        self.files += 1;
        let to = self.root.path().join(format!("backup-{}.db", self.files));
        self.store(at).backup(&to).unwrap();
        self.devices[at].backup = Some(to);
    }

    /// A backup takes the place of the shop file. What was there is lost to this device, and only others have it: so
    /// it hands everything on before, as a person does who restores because of a mistake, not of a broken disk.
    fn restore(&mut self, at: usize) {
        let Some(backup) = self.devices[at].backup.clone() else { return };
        let other = (at + 1) % self.devices.len();
        if other == at {
            return;
        }
        // All of it: the other one may have a copy's events under the same numbers.
        let all = self.store(at).read().lacking(&Runs::new(), usize::MAX).unwrap();
        self.take_in(other, all);
        self.seen.restored += 1;
        self.devices[at].store = None;
        Store::restore(&backup, &self.devices[at].shop).unwrap();
        self.reopen(at);
    }

    /// Somebody copies the shop file: alone, and it is a new device; with the key beside it, and two write under one
    /// name until they meet.
    fn copy_shop(&mut self, from: usize) {
        if self.devices.len() >= MOST_DEVICES {
            return;
        }
        let at = self.new_device();
        self.store(from).backup(&self.devices[at].shop).unwrap();
        if self.dice.once_in(2) {
            fs::copy(DeviceKey::path(&self.devices[from].shop), DeviceKey::path(&self.devices[at].shop)).unwrap();
        }
        self.reopen(at);
    }

    /// A later program writes something that nobody here knows, on top of what one device has.
    fn newer_program(&mut self, at: usize) {
        let pieces = self.store(at).read().pieces(&PieceFilter::default()).unwrap();
        let Some(piece) = self.dice.pick(&pieces).map(|p| p.id) else { return };
        self.seen.newer += 1;
        let mut newer = self.newer.take().unwrap_or_else(|| Newer {
            key: DeviceKey::new(self.dice.uuid(), self.dice.bytes()),
            last: None,
            events: Vec::new(),
        });
        if newer.last.is_none() {
            let (device, shop, public_key) = (newer.key.device, self.shop, newer.key.public_key());
            let began = DeviceBegan { shop, public_key, tag: "ZZ".into(), through: None };
            self.raw(&mut newer, Body::DeviceBegan(began), Thing::new(ThingKind::Device, device), vec![], 1);
        }
        let thing = Thing::new(ThingKind::Piece, piece);
        let mut parents = self.store(at).read().heads(thing).unwrap();
        parents.sort_unstable();
        self.raw(&mut newer, Body::Moved(Moved { piece, rack: None }), thing, parents, 99);
        let events = newer.events.clone();
        self.newer = Some(newer);
        self.network.push((at, events));
    }

    fn raw(&mut self, newer: &mut Newer, body: Body, thing: Thing, parents: Vec<Hash>, version: u32) {
        let number = newer.last.map_or(1, |(number, _)| number + 1);
        let envelope = Envelope {
            shop: self.shop,
            device: newer.key.device,
            number,
            prev: newer.last.map(|(_, hash)| hash),
            id: self.dice.uuid(),
            action: self.dice.uuid(),
            more: false,
            clock: Clock { ms: self.now_ms, count: 0 },
            person: None,
            kind: body.kind().0.to_owned(),
            version,
            touches: vec![Touch { thing, parents }],
        };
        let (bytes, event) = Event::write(envelope, body).unwrap();
        newer.last = Some((number, event.hash));
        let sealed = Sealed { bytes, seal: newer.key.seal(event.hash) };
        self.acknowledged.insert(event.hash, sealed.clone());
        newer.events.push(sealed);
    }

    /// Nobody works any more, everything arrives, until nothing is new to anybody.
    fn come_to_rest(&mut self) {
        self.network.clear();
        if let Some(newer) = self.newer.take() {
            self.take_in(0, newer.events);
        }
        let by_folder = self.dice.once_in(2);
        if by_folder {
            self.merge_views();
        }
        for round in 0.. {
            assert!(round < 60, "the exchange never came to rest");
            let mut new = 0;
            if by_folder {
                new = (0..self.devices.len()).map(|at| self.use_folder(at)).sum();
            }
            for from in 0..if by_folder { 0 } else { self.devices.len() } {
                self.exchange_from(from, &mut new);
            }
            if new == 0 {
                break;
            }
        }
    }

    fn exchange_from(&mut self, from: usize, new: &mut u64) {
        for to in (0..self.devices.len()).filter(|to| *to != from) {
            let theirs = self.store(to).read().runs().unwrap();
            let events = self.store(from).read().lacking(&theirs, 50_000).unwrap();
            *new += self.take_in(to, events);
        }
    }

    /// The syncer is done: everybody sees every file, whole.
    fn merge_views(&mut self) {
        let merged = self.root.path().join("merged");
        for device in &mut self.devices {
            for file in Self::files_of(&device.view) {
                let (from, to) = (device.view.join(&file), merged.join(&file));
                fs::create_dir_all(to.parent().unwrap()).unwrap();
                // Where one view has only half of it, another one has it whole.
                if fs::metadata(&to).map_or(0, |m| m.len()) < fs::metadata(&from).unwrap().len() {
                    fs::copy(from, to).unwrap();
                }
            }
            device.view = merged.clone();
        }
        fs::create_dir_all(merged).unwrap();
    }

    fn judge(&mut self) {
        for at in 0..self.devices.len() {
            let store = self.store(at);
            for (hash, sealed) in &self.acknowledged {
                let event = Event::read(&sealed.bytes).unwrap();
                let e = event.envelope;
                let known = || -> Vec<_> {
                    let readers = self.devices.iter().filter_map(|d| d.store.as_ref()).map(Store::read);
                    readers.map(|r| (r.has(*hash).unwrap(), r.runs().unwrap().remove(&e.device))).collect()
                };
                assert!(
                    store.read().has(*hash).unwrap(),
                    "device {at}: {} {} is missing; who has it: {:?}",
                    e.device,
                    e.number,
                    known()
                );
            }
        }
        let digest = self.store(0).digest().unwrap();
        for at in 1..self.devices.len() {
            if self.store(at).digest().unwrap() != digest {
                panic!("devices 0 and {at} do not agree on {}", self.differences(0, at));
            }
            let (one, two) = (self.store(0).read().waiting().unwrap(), self.store(at).read().waiting().unwrap());
            assert_eq!(one, two, "devices 0 and {at} do not agree on what waits");
        }
        for at in 0..self.devices.len() {
            let found = self.devices[at].store.as_mut().unwrap().check().unwrap();
            assert!(found.is_empty(), "device {at}: check: {found:?}");
            self.double_uses(at);
        }
        let waiting = self.store(0).read().waiting().unwrap();
        if waiting.forked.is_empty() {
            assert_eq!(waiting.events, 0, "something waits that nothing is missing for");
        }
        self.seen.digest = digest;
    }

    /// The first thing on which two devices differ.
    fn differences(&self, one: usize, two: usize) -> String {
        let (one, two) = (self.store(one).read(), self.store(two).read());
        let rows = one.history(None, usize::MAX).unwrap().into_iter().chain(two.history(None, usize::MAX).unwrap());
        let things: BTreeSet<Thing> = rows.flat_map(|r| r.event.things().collect::<Vec<_>>()).collect();
        let differ = things.into_iter().find(|t| one.folded(*t).unwrap() != two.folded(*t).unwrap());
        let Some(thing) = differ else { return "how it is stored".into() };
        let history: Vec<String> = one
            .history(Some(thing.id), usize::MAX)
            .unwrap()
            .into_iter()
            .map(|r| {
                format!(
                    "{} {:?} {} on {:?}",
                    r.event.hash,
                    r.standing,
                    r.event.envelope.kind,
                    r.event.parents_in(thing)
                )
            })
            .collect();
        let here = |reader: &sheetloft_store::Reader<'_>| {
            format!(
                "{:?}\n{:?}\n{:?}",
                reader.folded(thing).unwrap(),
                reader.waiting().unwrap(),
                reader.runs().unwrap()
            )
        };
        format!("{thing:?}:\n{}\n{}\n{}", here(&one), here(&two), history.join("\n"))
    }

    /// Each piece that was used twice, by events that count for nothing more than themselves, shows it.
    fn double_uses(&self, at: usize) {
        let reader = self.store(at).read();
        let mut uses: BTreeMap<Uuid, Vec<Body>> = BTreeMap::new();
        let mut settled: BTreeSet<Uuid> = BTreeSet::new();
        for row in reader.history(None, usize::MAX).unwrap() {
            let Some(body) = row.event.body else { continue };
            if let Body::Settled(s) = &body {
                settled.extend(s.pieces().chain([s.piece]));
                settled.extend(s.others.iter().flat_map(|_| body.born().iter().map(|b| b.id)));
            }
            if let (Some(piece), Some(Standing::Counts | Standing::SetAside)) = (body.uses(), row.standing) {
                uses.entry(piece).or_default().push(body);
            }
        }
        for (id, bodies) in uses {
            let twice = bodies.iter().enumerate().any(|(i, a)| bodies[i + 1..].iter().any(|b| differ(a, b)));
            if let Some(piece) =
                reader.piece(id).unwrap().filter(|p| twice && !settled.contains(&p.id) && p.gone.is_none())
            {
                assert!(shows(&piece), "device {at}: that {} was used twice is not marked", piece.code);
            }
        }
    }
}

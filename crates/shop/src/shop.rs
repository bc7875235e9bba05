//! An open shop: the store, the machine it runs on, and how names and codes are found in it.

use std::path::Path;

use sheetloft_ledger::body::{Body, DeviceBegan, ShopNamed};
use sheetloft_ledger::code::{self, Noun};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::money::Currency;
use sheetloft_ledger::state::{Gone, Machine, Material, Order, Piece, Plan, Rack, Setting};
use sheetloft_ledger::units::{self, Unit};
use sheetloft_store::{DeviceKey, Reader, Store, Tx};
use uuid::Uuid;

use crate::answer::Changed;
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::roles::Worker;
use crate::say;
use crate::shelf::SIGNER;

/// What stands in the place of a sum that somebody is not to see.
const HIDDEN: &str = "—";

/// An open shop.
pub struct Shop {
    /// The shop file.
    pub store: Store,
    /// Its name, unit and currency.
    pub setting: Setting,
    /// Who works with it now.
    pub worker: Worker,
}

impl Shop {
    /// Makes a new shop file with its first device.
    pub fn create(path: &Path, host: &mut dyn Host, named: ShopNamed) -> Result<Self, Error> {
        let device = host.uuid();
        let key = DeviceKey::new(device, host.secret());
        let shop = host.uuid();
        let mut store = Store::create(path, key.clone())?.signing(SIGNER);
        let setting = Setting { id: shop, data: named.clone(), address: None };
        begin_device(&mut store, host, shop, device, &key, None)?;
        store.transact(shop, host, |tx, _| {
            tx.draft(Body::ShopNamed(named), [Thing::new(ThingKind::Setting, shop)]);
            Ok::<_, Error>(())
        })?;
        Ok(Self { store, setting, worker: Worker::OWNER })
    }

    /// Opens a shop file. A copy or a restored backup starts a new device.
    pub fn open(path: &Path, host: &mut dyn Host) -> Result<Self, Error> {
        let mut store = Store::open(path)?.signing(SIGNER);
        let Some(setting) = store.read().setting()? else {
            return Err(Error::bad(say!("error-not-a-shop", file = path.display().to_string())));
        };
        if store.device().is_none() && !store.is_read_only() {
            let device = host.uuid();
            let key = DeviceKey::new(device, host.secret());
            store.adopt(key.clone())?;
            begin_device(&mut store, host, setting.id, device, &key, None)?;
        }
        Ok(Self { store, setting, worker: Worker::OWNER })
    }

    /// The read side.
    pub fn read(&self) -> Reader<'_> {
        self.store.read()
    }

    /// Does one action: `decide` reads, refuses or drafts events; all of it is one transaction.
    pub fn write<T>(
        &mut self,
        host: &mut dyn Host,
        decide: impl FnOnce(&mut Tx<'_>) -> Result<T, Error>,
    ) -> Result<(T, Vec<Changed>), Error> {
        if self.store.is_newer()? {
            return Err(Error::refused(say!("error-newer-shop")));
        }
        let person = self.worker.person;
        let (answer, things) = self.store.transact(self.setting.id, host, |tx, _| {
            tx.by(person);
            decide(tx)
        })?;
        Ok((answer, changed(&things)))
    }

    /// The shop's currency.
    pub fn currency(&self) -> &Currency {
        &self.setting.data.currency
    }

    /// Money as text; nothing of it for whoever is not to see what things cost.
    pub fn money(&self, minor: i64) -> String {
        if self.worker.costs { self.currency().format(minor) } else { HIDDEN.to_owned() }
    }

    /// The shop's unit.
    pub fn unit(&self) -> Unit {
        self.setting.data.unit
    }

    /// Reads a sum of at least nothing.
    pub fn sum(&self, text: &str, field: &'static str) -> Result<i64, Error> {
        match self.currency().parse(text).map_err(|e| Error::from(e).at(field))? {
            minor if minor >= 0 => Ok(minor),
            _ => Err(Error::bad(say!("error-money-negative", text = text)).at(field)),
        }
    }

    /// Reads a length that may be nothing.
    pub fn allowance(&self, text: &str, field: &'static str) -> Result<i64, Error> {
        units::parse_allowance(text, self.unit()).map_err(|e| Error::from(e).at(field))
    }

    /// Reads a length that must be more than nothing.
    pub fn extent(&self, text: &str, field: &'static str) -> Result<i64, Error> {
        units::parse_extent(text, self.unit()).map_err(|e| Error::from(e).at(field))
    }

    /// Reads a size.
    pub fn size(&self, text: &str, field: &'static str) -> Result<(i64, i64), Error> {
        units::parse_size(text, self.unit()).map_err(|e| Error::from(e).at(field))
    }
}

/// The things of a transaction, as the screens are told.
pub fn changed(things: &[Thing]) -> Vec<Changed> {
    things.iter().map(|t| Changed { kind: t.kind.word().to_owned(), uuid: t.id.to_string() }).collect()
}

/// The first event of a device: its key and a tag that no known device has.
pub fn begin_device(
    store: &mut Store,
    host: &mut dyn Host,
    shop: Uuid,
    device: Uuid,
    key: &DeviceKey,
    through: Option<Uuid>,
) -> Result<(), Error> {
    let free = crate::exchange::free_tag(&store.read().devices()?, device);
    let tag = free.unwrap_or_else(|| code::tag(0));
    let began = DeviceBegan { shop, public_key: key.public_key(), tag, through };
    store.transact(shop, host, |tx, _| {
        tx.draft(Body::DeviceBegan(began), [Thing::new(ThingKind::Device, device)]);
        Ok::<_, Error>(())
    })?;
    Ok(())
}

/// What was typed, where anything was: a field that was left blank says nothing.
pub fn filled(given: Option<&str>) -> Option<&str> {
    given.filter(|t| !t.trim().is_empty())
}

/// A text a person typed: trimmed, not too long, no control characters; `None` where there is nothing.
pub fn text(given: Option<&str>, field: &'static str) -> Result<Option<String>, Error> {
    let Some(text) = filled(given).map(str::trim) else { return Ok(None) };
    if text.chars().count() > limits::TEXT_CHARS {
        return Err(Error::bad(say!("error-text-long", most = limits::TEXT_CHARS)).at(field));
    }
    if text.chars().any(char::is_control) {
        return Err(Error::bad(say!("error-text-control")).at(field));
    }
    Ok(Some(text.to_owned()))
}

/// A text that must not be empty.
pub fn needed(given: &str, field: &'static str) -> Result<String, Error> {
    text(Some(given), field)?.ok_or_else(|| Error::bad(say!("error-needed")).at(field))
}

/// A whole number within bounds.
pub fn whole(given: &str, low: u32, high: u32, field: &'static str) -> Result<u32, Error> {
    let number = given.trim().parse::<u32>().ok().filter(|n| (low..=high).contains(n));
    number.ok_or_else(|| Error::bad(say!("error-whole", text = shown(given), low = low, high = high)).at(field))
}

/// One of a few words.
pub fn word<T: Copy>(given: Option<&str>, words: &[(&str, T)], default: T, field: &'static str) -> Result<T, Error> {
    let Some(given) = filled(given).map(str::trim) else { return Ok(default) };
    words.iter().find(|(w, _)| w.eq_ignore_ascii_case(given)).map(|(_, value)| *value).ok_or_else(|| {
        let list: Vec<_> = words.iter().map(|(w, _)| *w).collect();
        Error::bad(say!("error-word", text = shown(given), words = list.join(", "))).at(field)
    })
}

/// As much of a text as fits in an error.
pub fn shown(text: &str) -> String {
    text.trim().chars().take(60).collect()
}

/// Exactly one of what was found by a code; none and many are told apart.
fn one<T>(mut found: Vec<T>, code: &str, unknown: &'static str) -> Result<T, Error> {
    match found.len() {
        0 => Err(Error::bad(say::Say::new(unknown).with("code", shown(code)))),
        1 => Ok(found.remove(0)),
        n => Err(Error::refused(say!("refused-ambiguous", code = shown(code), count = n))),
    }
}

/// How names and codes are found. Every code may also be a UUID.
pub trait Lookup {
    /// A piece by code.
    fn find_piece(&self, text: &str) -> Result<Piece, Error>;
    /// An order by code.
    fn find_order(&self, text: &str) -> Result<Order, Error>;
    /// A plan by code.
    fn find_plan(&self, text: &str) -> Result<Plan, Error>;
    /// A material by name.
    fn find_material(&self, name: &str) -> Result<Material, Error>;
    /// A rack by name.
    fn find_rack(&self, name: &str) -> Result<Rack, Error>;
    /// A machine by name.
    fn find_machine(&self, name: &str) -> Result<Machine, Error>;
    /// The state behind a UUID that the books mention.
    fn material(&self, id: Uuid) -> Result<Material, Error>;
    /// Refuses where a thing waits for a newer program.
    fn not_frozen(&self, thing: Thing, code: &str) -> Result<(), Error>;
}

impl Lookup for Reader<'_> {
    fn find_piece(&self, text: &str) -> Result<Piece, Error> {
        let found = match Uuid::try_parse(text.trim()) {
            Ok(id) => self.piece(id)?.into_iter().collect(),
            Err(_) => match code::parse(text)? {
                (Noun::Piece, code) => self.pieces_coded(&code)?,
                _ => return Err(Error::bad(say!("error-not-a-piece", code = shown(text)))),
            },
        };
        let mut piece: Piece = one(found, text, "error-unknown-piece")?;
        // A piece that was recorded twice has two names; each leads to the one that there is.
        for _ in 0..limits::SECOND_NAMES {
            let Some(Gone::Same(is)) = piece.gone else { break };
            let Some(really) = self.piece(is)? else { break };
            piece = really;
        }
        Ok(piece)
    }

    fn find_order(&self, text: &str) -> Result<Order, Error> {
        let found = match Uuid::try_parse(text.trim()) {
            Ok(id) => {
                let state = self.folded(Thing::new(ThingKind::Order, id))?.state;
                state.and_then(sheetloft_ledger::state::State::order).map(|o| *o).into_iter().collect()
            }
            Err(_) => match code::parse(text)? {
                (Noun::Order, code) => self.orders_coded(&code)?,
                _ => return Err(Error::bad(say!("error-not-an-order", code = shown(text)))),
            },
        };
        one(found, text, "error-unknown-order")
    }

    fn find_plan(&self, text: &str) -> Result<Plan, Error> {
        let found = match Uuid::try_parse(text.trim()) {
            Ok(id) => {
                let state = self.folded(Thing::new(ThingKind::Plan, id))?.state;
                state.and_then(sheetloft_ledger::state::State::plan).map(|p| *p).into_iter().collect()
            }
            Err(_) => match code::parse(text)? {
                (Noun::Plan, code) => self.plans_coded(&code)?,
                _ => return Err(Error::bad(say!("error-not-a-plan", code = shown(text)))),
            },
        };
        one(found, text, "error-unknown-plan")
    }

    fn find_material(&self, name: &str) -> Result<Material, Error> {
        needed(name, "material")?;
        if let Ok(id) = Uuid::try_parse(name.trim()) {
            return self.material(id);
        }
        let mut found = self.materials_named(name.trim())?;
        match found.len() {
            1 => Ok(found.remove(0)),
            0 => {
                let names: Vec<String> = self.materials()?.into_iter().map(|m| m.data.name).take(12).collect();
                Err(Error::bad(match names.is_empty() {
                    true => say!("error-no-materials", name = shown(name)),
                    false => say!("error-unknown-material", name = shown(name), names = names.join(", ")),
                }))
            }
            n => Err(Error::refused(say!("refused-ambiguous-name", name = shown(name), count = n))),
        }
        .map_err(|e| e.at("material"))
    }

    fn find_rack(&self, name: &str) -> Result<Rack, Error> {
        needed(name, "rack")?;
        if let Ok(id) = Uuid::try_parse(name.trim()) {
            let state = self.folded(Thing::new(ThingKind::Rack, id))?.state;
            if let Some(rack) = state.and_then(sheetloft_ledger::state::State::rack) {
                return Ok(rack);
            }
        }
        let unknown = || Error::bad(say!("error-unknown-rack", name = shown(name))).at("rack");
        self.rack_named(name.trim())?.ok_or_else(unknown)
    }

    fn find_machine(&self, name: &str) -> Result<Machine, Error> {
        needed(name, "machine")?;
        let mut found = self.machines_named(name.trim())?;
        match found.len() {
            1 => Ok(found.remove(0)),
            0 => Err(Error::bad(say!("error-unknown-machine", name = shown(name))).at("machine")),
            n => Err(Error::refused(say!("refused-ambiguous-name", name = shown(name), count = n)).at("machine")),
        }
    }

    fn material(&self, id: Uuid) -> Result<Material, Error> {
        let state = self.folded(Thing::new(ThingKind::Material, id))?.state;
        let found = state.and_then(sheetloft_ledger::state::State::material);
        found.map(|m| *m).ok_or_else(|| Error::bad(say!("error-unknown-material", name = id.to_string(), names = "")))
    }

    fn not_frozen(&self, thing: Thing, code: &str) -> Result<(), Error> {
        match self.folded(thing)?.frozen {
            true => Err(sheetloft_ledger::rules::Refusal::Frozen { thing: code.to_owned() }.into()),
            false => Ok(()),
        }
    }
}

//! `material add`, `material change`, `material list`; prices, and clearances that follow from a material.

use sheetloft_ledger::body::{
    Body, Grain, MachineKind, Made, MaterialAdded, MaterialChanged, MaterialField, Reorder, Sides, Sort, StockSize,
};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{Lot, Machine, Material, State};
use sheetloft_ledger::units;
use sheetloft_store::{By, Reader};
use uuid::Uuid;

use crate::action::{Clearance, MaterialAdd, MaterialChange, StockSizeGiven};
use crate::answer::{Changed, MaterialAnswer, MaterialRow, MaterialsAnswer, StockSizeRow};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, shown, text, whole, word};
use crate::view::{Names, mm};

/// Adds a material.
pub fn add(shop: &mut Shop, host: &mut dyn Host, with: &MaterialAdd) -> Result<(MaterialAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?;
    if !shop.read().materials_named(&name)?.is_empty() {
        return Err(Error::bad(say!("error-name-taken", name = name)).at("name"));
    }
    let length = |given: &Option<String>, field| match filled(given.as_deref()) {
        Some(text) => shop.allowance(text, field),
        None => Ok(0),
    };
    let grain = [("none", Grain::None), ("long", Grain::Long), ("short", Grain::Short)];
    let data = MaterialAdded {
        thickness_um: shop.extent(&with.thickness, "thickness")?,
        density_g_m3: density(with.density.as_deref())?,
        grain: word(with.grain.as_deref(), &grain, Grain::None, "grain")?,
        sides: word(with.sides.as_deref(), &[("same", Sides::Same), ("differ", Sides::Differ)], Sides::Same, "sides")?,
        kerf_um: length(&with.kerf, "kerf")?,
        gap_um: length(&with.gap, "gap")?,
        margin_um: length(&with.margin, "margin")?,
        keep_from_um: keep_from(shop, with.keep_from.as_deref())?.unwrap_or([0, 0]),
        not_for_laser: text(with.not_for_laser.as_deref(), "not_for_laser")?,
        price_per_m2: price(shop, with.price.as_deref())?,
        offcut_value_percent: percent(with.offcut_value.as_deref())?.unwrap_or(100),
        size_tolerance_um: length(&with.size_tolerance, "size_tolerance")?,
        stock_sizes: stock_sizes(shop, &with.stock_sizes)?,
        reorder: reorder(with.reorder_at.as_deref(), with.reorder_count.as_deref(), None)?,
        sort: sort(with.sort.as_deref())?,
        made: made(with.made.as_deref())?,
        substitutes: substitutes(shop, &with.substitutes, None)?,
        name,
    };
    let (material, changed) = shop.write(host, |tx| {
        let id = tx.ids.uuid();
        tx.draft(Body::MaterialAdded(data.clone()), [Thing::new(ThingKind::Material, id)]);
        Ok(Material { id, data, retired: false })
    })?;
    Ok((MaterialAnswer { material: row(shop, &Names::read(&shop.read())?, &material, 0) }, changed))
}

/// Changes some fields of a material.
pub fn change(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &MaterialChange,
) -> Result<(MaterialAnswer, Vec<Changed>), Error> {
    let before = shop.read().find_material(&with.material)?;
    let length = |given: &Option<String>, field| match filled(given.as_deref()) {
        Some(text) => shop.allowance(text, field).map(Some),
        None => Ok(None),
    };
    let name = text(with.name.as_deref(), "name")?;
    if let Some(name) = &name
        && shop.read().materials_named(name)?.iter().any(|m| m.id != before.id)
    {
        return Err(Error::bad(say!("error-name-taken", name = name)).at("name"));
    }
    let change = MaterialChanged {
        name,
        density_g_m3: density(with.density.as_deref())?,
        kerf_um: length(&with.kerf, "kerf")?,
        gap_um: length(&with.gap, "gap")?,
        margin_um: length(&with.margin, "margin")?,
        keep_from_um: keep_from(shop, with.keep_from.as_deref())?,
        not_for_laser: text(with.not_for_laser.as_deref(), "not_for_laser")?,
        price_per_m2: price(shop, with.price.as_deref())?,
        offcut_value_percent: percent(with.offcut_value.as_deref())?,
        size_tolerance_um: length(&with.size_tolerance, "size_tolerance")?,
        stock_sizes: match with.stock_sizes.is_empty() {
            true => with.clear.iter().any(|f| is_field(f, "stock-sizes")).then(Vec::new),
            false => Some(stock_sizes(shop, &with.stock_sizes)?),
        },
        reorder: reorder(with.reorder_at.as_deref(), with.reorder_count.as_deref(), before.data.reorder)?,
        sort: sort(with.sort.as_deref())?,
        made: made(with.made.as_deref())?,
        substitutes: match with.substitutes.is_empty() {
            true => with.clear.iter().any(|f| is_field(f, "substitutes")).then(Vec::new),
            false => Some(substitutes(shop, &with.substitutes, Some(before.id))?),
        },
        cleared: cleared(&with.clear)?,
    };
    if let Some(field) = both(&change) {
        return Err(Error::bad(say!("error-set-and-cleared", field = field)).at("clear"));
    }
    let thing = Thing::new(ThingKind::Material, before.id);
    shop.read().not_frozen(thing, &before.data.name)?;
    let changed = match change == MaterialChanged::default() {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::MaterialChanged(change), [thing]);
                Ok(())
            })?
            .1
        }
    };
    let after = shop.read().folded(thing)?.state.and_then(State::material).map_or(before, |m| *m);
    Ok((MaterialAnswer { material: row(shop, &Names::read(&shop.read())?, &after, 0) }, changed))
}

/// The materials, by name.
pub fn list(shop: &Shop) -> Result<MaterialsAnswer, Error> {
    let counts = shop.read().on_hand_by(By::Material)?;
    let count = |id| counts.iter().find(|(m, _)| *m == id).map_or(0, |(_, n)| *n);
    let materials = shop.read().materials()?;
    let names = Names::read(&shop.read())?;
    Ok(MaterialsAnswer { materials: materials.iter().map(|m| row(shop, &names, m, count(m.id))).collect() })
}

/// Most sizes in which sheets of one material can be bought.
const STOCK_SIZES: usize = 20;

fn stock_sizes(shop: &Shop, given: &[StockSizeGiven]) -> Result<Vec<StockSize>, Error> {
    if given.len() > STOCK_SIZES {
        return Err(Error::bad(say!("error-many-stock-sizes", most = STOCK_SIZES)).at("stock_sizes"));
    }
    let mut sizes: Vec<StockSize> = Vec::new();
    for one in given {
        let (w_um, h_um) = shop.size(&one.size, "stock_sizes")?;
        if sizes.iter().any(|s| (s.w_um, s.h_um) == (w_um, h_um)) {
            return Err(Error::bad(say!("error-stock-size-twice", size = shown(&one.size))).at("stock_sizes"));
        }
        let price = filled(one.price.as_deref());
        let price = price.map(|t| shop.sum(t, "stock_sizes")).transpose()?;
        sizes.push(StockSize { w_um, h_um, price, supplier: text(one.supplier.as_deref(), "stock_sizes")? });
    }
    Ok(sizes)
}

/// Whether a person means this field: `not-for-laser` and `not_for_laser` are one.
fn is_field(given: &str, name: &str) -> bool {
    given.trim().replace('_', "-").eq_ignore_ascii_case(name)
}

fn cleared(given: &[String]) -> Result<Vec<MaterialField>, Error> {
    let fields = [
        ("density", Some(MaterialField::Density)),
        ("not-for-laser", Some(MaterialField::NotForLaser)),
        ("price", Some(MaterialField::Price)),
        ("stock-sizes", None),
        ("reorder", Some(MaterialField::Reorder)),
        ("sort", Some(MaterialField::Sort)),
        ("made", Some(MaterialField::Made)),
        ("substitutes", None),
    ];
    let mut found = Vec::new();
    for name in given {
        let name = name.trim().replace('_', "-");
        found.extend(word(Some(&name), &fields, None, "clear")?);
    }
    found.dedup();
    Ok(found)
}

/// A field that a change both sets and clears.
fn both(change: &MaterialChanged) -> Option<&'static str> {
    change.cleared.iter().find_map(|field| match field {
        MaterialField::Density => change.density_g_m3.map(|_| "density"),
        MaterialField::NotForLaser => change.not_for_laser.as_ref().map(|_| "not-for-laser"),
        MaterialField::Price => change.price_per_m2.map(|_| "price"),
        MaterialField::Reorder => change.reorder.map(|_| "reorder"),
        MaterialField::Sort => change.sort.map(|_| "sort"),
        MaterialField::Made => change.made.map(|_| "made"),
    })
}

pub fn row(shop: &Shop, names: &Names, material: &Material, on_hand: usize) -> MaterialRow {
    let data = &material.data;
    MaterialRow {
        name: data.name.clone(),
        uuid: material.id.to_string(),
        thickness: mm(data.thickness_um),
        density: data.density_g_m3.map(|d| d as f64 / 1_000.0),
        grain: match data.grain {
            Grain::None => "none",
            Grain::Long => "long",
            Grain::Short => "short",
        }
        .to_owned(),
        sides: match data.sides {
            Sides::Same => "same",
            Sides::Differ => "differ",
        }
        .to_owned(),
        kerf: mm(data.kerf_um),
        gap: mm(data.gap_um),
        margin: mm(data.margin_um),
        keep_from: data.keep_from_um.map(mm),
        not_for_laser: data.not_for_laser.clone(),
        price: data.price_per_m2.map(|p| shop.money(p)),
        offcut_value: data.offcut_value_percent,
        size_tolerance: mm(data.size_tolerance_um),
        stock_sizes: data
            .stock_sizes
            .iter()
            .map(|s| StockSizeRow {
                size: units::format_size(s.w_um, s.h_um, shop.unit()),
                size_mm: [mm(s.w_um), mm(s.h_um)],
                price: s.price.map(|p| shop.money(p)),
                supplier: s.supplier.clone(),
            })
            .collect(),
        sort: data.sort.map(|s| s.word().to_owned()),
        made: data.made.map(|m| m.word().to_owned()),
        substitutes: data.substitutes.iter().map(|id| names.material(*id)).collect(),
        retired: material.retired,
        reorder_at: data.reorder.map(|r| r.at),
        reorder_count: data.reorder.map(|r| r.count),
        on_hand,
    }
}

fn sort(given: Option<&str>) -> Result<Option<Sort>, Error> {
    word(given, &Sort::ALL.map(|s| (s.word(), Some(s))), None, "sort")
}

fn made(given: Option<&str>) -> Result<Option<Made>, Error> {
    word(given, &[Made::Cast, Made::Extruded].map(|m| (m.word(), Some(m))), None, "made")
}

/// Materials that may stand in, by their names; a material never stands in for itself.
fn substitutes(shop: &Shop, given: &[String], of: Option<Uuid>) -> Result<Vec<Uuid>, Error> {
    let mut found: Vec<Uuid> = Vec::new();
    for name in given.iter().filter(|n| !n.trim().is_empty()) {
        let material = shop.read().find_material(name).map_err(|e| e.at("substitutes"))?;
        if Some(material.id) == of {
            return Err(Error::bad(say!("error-own-substitute", material = &material.data.name)).at("substitutes"));
        }
        if !found.contains(&material.id) {
            found.push(material.id);
        }
    }
    Ok(found)
}

/// When to buy more: both numbers, or one of them where the other is known.
fn reorder(at: Option<&str>, count: Option<&str>, before: Option<Reorder>) -> Result<Option<Reorder>, Error> {
    let number = |given: Option<&str>, low: u32, field: &'static str| {
        filled(given).map(|t| whole(t, low, 10_000, field)).transpose()
    };
    let (at, count) = (number(at, 0, "reorder_at")?, number(count, 1, "reorder_count")?);
    match (at, count) {
        (None, None) => Ok(None),
        (at, count) => {
            let needed = |field: &'static str| move || Error::bad(say!("error-needed")).at(field);
            Ok(Some(Reorder {
                at: at.or(before.map(|r| r.at)).ok_or_else(needed("reorder_at"))?,
                count: count.or(before.map(|r| r.count)).ok_or_else(needed("reorder_count"))?,
            }))
        }
    }
}

fn density(given: Option<&str>) -> Result<Option<i64>, Error> {
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    let wrong = || Error::bad(say!("error-density", text = shown(text))).at("density");
    // kg/m³ with up to three decimals, kept in g/m³.
    let value: f64 = text.replace(',', ".").parse().map_err(|_| wrong())?;
    if !(1.0..=30_000.0).contains(&value) {
        return Err(wrong());
    }
    Ok(Some((value * 1_000.0).round() as i64))
}

fn percent(given: Option<&str>) -> Result<Option<u8>, Error> {
    let Some(text) = given.map(str::trim).filter(|t| !t.is_empty()) else { return Ok(None) };
    let number = whole(text.trim_end_matches('%'), 0, 100, "offcut_value")?;
    Ok(u8::try_from(number).ok())
}

fn price(shop: &Shop, given: Option<&str>) -> Result<Option<i64>, Error> {
    filled(given).map(|text| shop.sum(text, "price")).transpose()
}

fn keep_from(shop: &Shop, given: Option<&str>) -> Result<Option<[i64; 2]>, Error> {
    let given = filled(given);
    given.map(|text| shop.size(text, "keep_from").map(|(w, h)| [w, h])).transpose()
}

/// Kerf, gap and margin that hold for a cut, µm.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Clear {
    /// Width the beam removes.
    pub kerf_um: i64,
    /// Extra distance between parts.
    pub gap_um: i64,
    /// Rim not to be used.
    pub margin_um: i64,
}

/// Options beat the machine's own values, these beat the material's.
pub fn clear(shop: &Shop, material: &Material, given: &Clearance) -> Result<(Clear, Option<Machine>), Error> {
    let machine = match filled(given.machine.as_deref()) {
        Some(name) => Some(shop.read().find_machine(name)?),
        None => None,
    };
    let tuned = machine.as_ref().and_then(|m| m.tuned.iter().find(|t| t.material == material.id));
    let pick = |option: &Option<String>, field, tuned: Option<i64>, own: i64| match filled(option.as_deref()) {
        Some(text) => shop.allowance(text, field),
        None => Ok(tuned.unwrap_or(own)),
    };
    let clear = Clear {
        kerf_um: pick(&given.kerf, "kerf", tuned.and_then(|t| t.kerf_um), material.data.kerf_um)?,
        gap_um: pick(&given.gap, "gap", tuned.and_then(|t| t.gap_um), material.data.gap_um)?,
        margin_um: pick(&given.margin, "margin", tuned.and_then(|t| t.margin_um), material.data.margin_um)?,
    };
    Ok((clear, machine))
}

/// Refuses a material on a machine that must not, or cannot, cut it.
pub fn may_be_cut_on(material: &Material, machine: Option<&Machine>) -> Result<(), Error> {
    let Some(machine) = machine else { return Ok(()) };
    if let (MachineKind::Laser, Some(why)) = (machine.data.kind, &material.data.not_for_laser) {
        let said =
            say!("refused-not-for-laser", material = &material.data.name, machine = &machine.data.name, why = why);
        return Err(Error::refused(said).at("machine"));
    }
    if machine.retired {
        return Err(Error::refused(say!("refused-retired", name = &machine.data.name)).at("machine"));
    }
    let of_sort = machine.limits.iter().find(|l| Some(l.sort) == material.data.sort).map(|l| l.most_um);
    match of_sort.or(machine.data.max_thickness_um) {
        Some(most) if most < material.data.thickness_um => {
            let said = say!(
                "refused-too-thick",
                material = &material.data.name,
                machine = &machine.data.name,
                most = units::format_mm(most),
            );
            Err(Error::refused(said).at("machine"))
        }
        _ => Ok(()),
    }
}

/// Today's price of an area of a material: its price a square metre; none known: the last lot's cost by area.
pub struct Prices {
    lots: Vec<(Lot, i64)>,
}

impl Prices {
    /// Reads what is needed to price any material of a shop.
    pub fn read(reader: &Reader<'_>) -> Result<Self, Error> {
        let mut lots = Vec::new();
        let mut received = reader.lots()?;
        received.sort_by_key(|lot| (lot.at_ms, lot.id));
        for lot in received.into_iter().filter(|l| l.delivery.is_some() && l.received > 0) {
            if let Some(area2) = reader.sheet_area2_of_lot(lot.id)? {
                lots.push((lot, area2));
            }
        }
        Ok(Self { lots })
    }

    /// The price of twice `area2` µm² in minor units, rounded half up; `None` where nothing is known.
    pub fn of(&self, material: &Material, area2: i64) -> Option<i64> {
        if let Some(price) = material.data.price_per_m2 {
            return priced(area2, price);
        }
        let (lot, lot_area2) = self.lots.iter().rev().find(|(lot, _)| lot.material == material.id)?;
        share(area2, lot.received - lot.written_off, (*lot_area2).max(1))
    }
}

/// The price of twice `area2` µm² at so much a square metre, in minor units, rounded half up.
pub fn priced(area2: i64, per_m2: i64) -> Option<i64> {
    share(area2, per_m2, 2_000_000_000_000)
}

/// What an area costs where `of2` costs `sum`, rounded half up.
fn share(area2: i64, sum: i64, of2: i64) -> Option<i64> {
    let of2 = i128::from(of2);
    i64::try_from((i128::from(area2) * i128::from(sum) + of2 / 2) / of2).ok()
}

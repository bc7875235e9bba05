//! `on-order`: sheets that were asked for from a supplier and are to come; `receive` is booked against them.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use sheetloft_ledger::body::{Body, OnOrder, OnOrderDropped, OnOrderLine};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{Delivery, Ordered, State};
use sheetloft_ledger::units;
use uuid::Uuid;

use crate::action::{DeliveryLine, OnOrderAdd, OnOrderDrop, OnOrderList};
use crate::answer::{Changed, OnOrderAnswer, OnOrderLineRow, OnOrderRow, OnOrdersAnswer};
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::receive::{free_name, read_lines};
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, shown, text, whole};
use crate::view::{self, Names, mm};

/// What is on order by this name or UUID.
pub fn find(shop: &Shop, name: &str) -> Result<Delivery, Error> {
    let name = needed(name, "on_order")?;
    let mut found = match Uuid::try_parse(&name) {
        Ok(id) => shop
            .read()
            .folded(Thing::new(ThingKind::Delivery, id))?
            .state
            .and_then(State::delivery)
            .into_iter()
            .collect(),
        Err(_) => shop.read().deliveries_named(&name)?,
    };
    found.retain(|d| !d.ordered.is_empty());
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Error::bad(say!("error-unknown-on-order", name = shown(&name))).at("on_order")),
        n => Err(Error::refused(say!("refused-ambiguous-name", name = shown(&name), count = n)).at("on_order")),
    }
}

/// The line of what is on order that such sheets belong to: one of which something is still to come, else any.
pub fn line_for(of: &Delivery, material: Uuid, w_um: i64, h_um: i64) -> Option<&Ordered> {
    let alike = |o: &&Ordered| o.line.material == material && (o.line.w_um, o.line.h_um) == (w_um, h_um);
    of.open().map(|(o, _)| o).find(alike).or_else(|| of.ordered.iter().find(alike))
}

fn line(shop: &Shop, given: &DeliveryLine) -> Result<OnOrderLine, Error> {
    let material = shop.read().find_material(&given.material)?;
    if material.retired {
        return Err(Error::refused(say!("refused-retired", name = &material.data.name)).at("material"));
    }
    let (w_um, h_um) = shop.size(&given.size, "size")?;
    Ok(OnOrderLine {
        line: Uuid::nil(),
        material: material.id,
        w_um,
        h_um,
        sheets: whole(&given.sheets, 1, limits::SHEETS_PER_LINE, "sheets")?,
        unit_cost: filled(given.unit_cost.as_deref()).map(|t| shop.sum(t, "unit_cost")).transpose()?,
    })
}

/// Records that sheets are on order.
pub fn add(shop: &mut Shop, host: &mut dyn Host, with: &OnOrderAdd) -> Result<(OnOrderAnswer, Vec<Changed>), Error> {
    let lines = read_lines(&with.lines, with.file.as_ref(), |given| line(shop, given))?;
    let name = text(with.name.as_deref(), "name")?;
    if let Some(name) = &name
        && !shop.read().deliveries_named(name)?.is_empty()
    {
        return Err(Error::bad(say!("error-name-taken", name = name)).at("name"));
    }
    let supplier = text(with.supplier.as_deref(), "supplier")?;
    let due = text(with.due.as_deref(), "due")?;
    if let Some(due) = &due {
        let date = NaiveDate::parse_from_str(due, "%Y-%m-%d").ok().filter(|_| due.len() == 10);
        date.ok_or_else(|| Error::bad(say!("error-date", text = shown(due))).at("due"))?;
    }
    let (delivery, changed) = shop.write(host, |tx| {
        let taken: BTreeSet<String> = tx.read().deliveries()?.into_iter().map(|d| d.name).collect();
        let name = name.unwrap_or_else(|| free_name(tx, &taken));
        let delivery = tx.ids.uuid();
        let lines = lines.into_iter().map(|l| OnOrderLine { line: tx.ids.uuid(), ..l }).collect();
        let body = OnOrder { delivery, name, supplier, due, lines };
        tx.draft(Body::OnOrder(body), [Thing::new(ThingKind::Delivery, delivery)]);
        Ok(delivery)
    })?;
    answer(shop, delivery).map(|answer| (answer, changed))
}

fn answer(shop: &Shop, id: Uuid) -> Result<OnOrderAnswer, Error> {
    let delivery = find(shop, &id.to_string())?;
    Ok(OnOrderAnswer { on_order: row(shop, &Names::read(&shop.read())?, &delivery) })
}

/// What is still to come will not come.
pub fn drop(shop: &mut Shop, host: &mut dyn Host, with: &OnOrderDrop) -> Result<(OnOrderAnswer, Vec<Changed>), Error> {
    let delivery = find(shop, &with.name).map_err(|e| Error { field: Some("name"), ..e })?;
    let why = needed(&with.why, "why")?;
    let thing = Thing::new(ThingKind::Delivery, delivery.id);
    shop.read().not_frozen(thing, &delivery.name)?;
    if delivery.open().next().is_none() {
        return Err(Error::refused(say!("refused-nothing-on-order", name = &delivery.name)).at("name"));
    }
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::OnOrderDropped(OnOrderDropped { delivery: delivery.id, why }), [thing]);
        Ok(())
    })?;
    answer(shop, delivery.id).map(|answer| (answer, changed))
}

/// What is on order, soonest first.
pub fn list(shop: &Shop, with: &OnOrderList) -> Result<OnOrdersAnswer, Error> {
    let names = Names::read(&shop.read())?;
    let mut deliveries = shop.read().deliveries()?;
    deliveries.retain(|d| !d.ordered.is_empty() && (with.all || d.open().next().is_some()));
    deliveries.sort_by(|a, b| {
        let key = |d: &Delivery| (d.due.is_none(), d.due.clone(), d.at_ms, d.id);
        key(a).cmp(&key(b))
    });
    Ok(OnOrdersAnswer { on_order: deliveries.iter().map(|d| row(shop, &names, d)).collect() })
}

fn row(shop: &Shop, names: &Names, of: &Delivery) -> OnOrderRow {
    let (came, open) = (of.ordered.iter().any(|o| o.came > 0), of.open().next().is_some());
    OnOrderRow {
        name: of.name.clone(),
        uuid: of.id.to_string(),
        supplier: of.supplier.clone(),
        due: of.due.clone(),
        state: match (of.dropped.is_some(), came, open) {
            (true, _, _) => "dropped",
            (false, false, true) => "open",
            (false, true, true) => "partly_here",
            (false, _, false) => "here",
        }
        .to_owned(),
        lines: of
            .ordered
            .iter()
            .map(|o| OnOrderLineRow {
                material: names.material(o.line.material),
                size: units::format_size(o.line.w_um, o.line.h_um, shop.unit()),
                size_mm: [mm(o.line.w_um), mm(o.line.h_um)],
                sheets: o.line.sheets,
                came: o.came,
                open: of.open().find(|(other, _)| other.line.line == o.line.line).map_or(0, |(_, n)| n),
                unit_cost: o.line.unit_cost.map(|c| shop.money(c)),
            })
            .collect(),
        ordered: view::when(of.at_ms),
    }
}

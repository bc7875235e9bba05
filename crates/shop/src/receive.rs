//! `receive`: a delivery arrives; its sheets become stock, each with its own code and cost.

use chrono::DateTime;
use sheetloft_ledger::body::{Body, Born, Grain, Known, Received};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::outcome;
use sheetloft_ledger::state::Material;
use sheetloft_shapes::Shape;

use crate::action::Receive;
use crate::answer::{Changed, NewPiece, ReceiveAnswer};
use crate::cautions;
use crate::error::Error;
use crate::host::Host;
use crate::limits;
use crate::say;
use crate::shop::{Lookup, Shop, text, whole};
use crate::view::weight_kg;

/// Direction of the grain of a sheet of this size, microdegrees.
pub fn sheet_grain(material: &Material, w_um: i64, h_um: i64) -> Option<i64> {
    let along_x = match material.data.grain {
        Grain::None => return None,
        Grain::Long => w_um >= h_um,
        Grain::Short => w_um < h_um,
    };
    Some(if along_x { 0 } else { 90_000_000 })
}

/// Receives a delivery of one line.
pub fn receive(shop: &mut Shop, host: &mut dyn Host, with: &Receive) -> Result<(ReceiveAnswer, Vec<Changed>), Error> {
    let given = |t: &Option<String>| t.clone().filter(|t| !t.trim().is_empty());
    let material = shop.read().find_material(&with.material)?;
    let sheets = whole(&with.sheets, 1, limits::SHEETS_PER_LINE, "sheets")?;
    let damaged = given(&with.damaged).map(|t| whole(&t, 0, sheets, "damaged")).transpose()?.unwrap_or(0);
    let (w, h) = shop.size(&with.size, "size")?;
    let less = material.data.size_tolerance_um;
    let shape = Shape::rectangle(w - less, h - less).map_err(|e| Error::from(e).at("size"))?;
    let unit_cost = shop.sum(&with.unit_cost, "unit_cost")?;
    let line_total = unit_cost.checked_mul(i64::from(sheets)).filter(|t| *t <= limits::MONEY_MINOR);
    let line_total =
        line_total.ok_or_else(|| Error::bad(say!("error-money-large", text = &with.unit_cost)).at("unit_cost"))?;
    let freight = given(&with.freight).map(|t| shop.sum(&t, "freight")).transpose()?.unwrap_or(0);
    let rack = given(&with.rack).map(|name| shop.read().find_rack(&name)).transpose()?;
    let thickness_um = given(&with.thickness).map(|t| shop.extent(&t, "thickness")).transpose()?;
    let supplier = text(with.supplier.as_deref(), "supplier")?;
    let lot_name = text(with.lot.as_deref(), "lot")?;
    shop.read().not_frozen(Thing::new(ThingKind::Material, material.id), &material.data.name)?;

    let ((lot_name, pieces, written_off), changed) = shop.write(host, |tx| {
        let lot_name = match &lot_name {
            Some(name) => name.clone(),
            None => {
                let today = i64::try_from(tx.ids.wall_ms()).ok().and_then(DateTime::from_timestamp_millis);
                let today = today.map_or_else(String::new, |t| t.format("%Y-%m-%d").to_string());
                let taken: Vec<String> = tx.read().lots()?.into_iter().map(|l| l.name).collect();
                (1..).map(|n| format!("{today}/{n}")).find(|name| !taken.contains(name)).unwrap_or(today)
            }
        };
        let good = sheets - damaged;
        let codes = (0..good).map(|_| tx.next_code(Noun::Piece)).collect::<Result<Vec<_>, _>>()?;
        let landed = outcome::landed(&codes, damaged, line_total, freight);
        let (delivery, lot) = (tx.ids.uuid(), tx.ids.uuid());
        let pieces: Vec<Born> = codes
            .into_iter()
            .zip(landed.good)
            .map(|(code, cost)| Born {
                id: tx.ids.uuid(),
                code,
                shape: shape.clone(),
                flaws: Vec::new(),
                grain_udeg: sheet_grain(&material, w, h),
                known: Known::Machine,
                known_within_um: Known::Machine.within_um(),
                rack: rack.as_ref().map(|r| r.id),
                cost,
            })
            .collect();
        let mut touches = vec![Thing::new(ThingKind::Delivery, delivery), Thing::new(ThingKind::Lot, lot)];
        touches.extend(pieces.iter().map(|p| Thing::new(ThingKind::Piece, p.id)));
        let received = Received {
            delivery,
            lot,
            lot_name: lot_name.clone(),
            material: material.id,
            supplier,
            thickness_um,
            sheets,
            damaged,
            line_total,
            freight,
            written_off: landed.written_off,
            pieces: pieces.clone(),
        };
        tx.draft(Body::Received(received), touches);
        Ok((lot_name, pieces, landed.written_off))
    })?;
    let mut warnings = Vec::new();
    if let Some(measured) = thickness_um
        && (measured - material.data.thickness_um).abs() * 10 > material.data.thickness_um
    {
        warnings.push(say!("warning-thickness").text());
    }
    let weight = weight_kg(shape.area2(), &material);
    Ok((
        ReceiveAnswer {
            lot: lot_name,
            weight_kg: weight.map(|kg| kg * pieces.len() as f64),
            pieces: pieces
                .iter()
                .map(|p| NewPiece { piece: p.code.clone(), uuid: p.id.to_string(), cost: shop.money(p.cost) })
                .collect(),
            written_off: shop.money(written_off),
            warnings,
            cautions: cautions::handling(&material, weight, cautions::longest_um(&shape)),
        },
        changed,
    ))
}

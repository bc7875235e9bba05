//! What to ask for an order: the price that was asked, and a quote by today's prices.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_labels::{self as labels, Section, Table, Ticket};
use sheetloft_ledger::body::{Body, OrderClosed, OrderPriced, PieceKind};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{Order, Plan};
use uuid::Uuid;

use crate::action::{OrderClose, OrderCost, OrderPrice, OrderShow, Quote, QuoteFile};
use crate::answer::{Changed, FileAnswer, OrderAnswer, OrderCostAnswer, QuoteAnswer, QuoteLine};
use crate::error::Error;
use crate::host::Host;
use crate::material::Prices;
use crate::order;
use crate::say;
use crate::shop::{Lookup, Shop, filled, text, word};
use crate::view::mm2;

/// Most percent on the material.
const MARKUP_PERCENT: u32 = 1_000;

/// Says what the customer is asked.
pub fn price(
    shop: &mut Shop,
    host: &mut dyn Host,
    with: &OrderPrice,
) -> Result<(OrderCostAnswer, Vec<Changed>), Error> {
    let found = shop.read().find_order(&with.order).map_err(|e| e.at("order"))?;
    let thing = Thing::new(ThingKind::Order, found.id);
    shop.read().not_frozen(thing, &found.code)?;
    let given = filled(with.price.as_deref());
    let price = given.map(|t| shop.sum(t, "price")).transpose()?;
    let changed = match price == found.price {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::OrderPriced(OrderPriced { order: found.id, price }), [thing]);
                Ok(())
            })?
            .1
        }
    };
    order::cost(shop, &OrderCost { order: found.id.to_string() }).map(|answer| (answer, changed))
}

/// An order is done with, or open again. Its pieces must not be promised to it any more.
pub fn close(shop: &mut Shop, host: &mut dyn Host, with: &OrderClose) -> Result<(OrderAnswer, Vec<Changed>), Error> {
    let found = shop.read().find_order(&with.order).map_err(|e| e.at("order"))?;
    let thing = Thing::new(ThingKind::Order, found.id);
    shop.read().not_frozen(thing, &found.code)?;
    let closed = !with.open;
    if closed {
        let held = |p: &&Plan| p.held && p.orders.contains(&found.id) && p.cut.len() < p.pieces.len();
        if let Some(plan) = shop.read().plans()?.iter().find(held) {
            return Err(Error::refused(say!("refused-close-held", order = &found.code, plan = &plan.code)).at("order"));
        }
    }
    let changed = match found.closed == closed {
        true => Vec::new(),
        false => {
            shop.write(host, |tx| {
                tx.draft(Body::OrderClosed(OrderClosed { order: found.id, closed }), [thing]);
                Ok(())
            })?
            .1
        }
    };
    order::show(shop, &OrderShow { order: found.id.to_string() }).map(|answer| (answer, changed))
}

/// How waste is asked for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Waste {
    /// What is used up, with kerf and scrap.
    Area,
    /// Each piece whole.
    Sheets,
}

/// The plan that a quote goes by: the one named, else the order's last one.
fn plan_of(shop: &Shop, order: &Order, named: Option<&str>) -> Result<Option<Plan>, Error> {
    if let Some(code) = filled(named) {
        let plan = shop.read().find_plan(code).map_err(|e| e.at("plan"))?;
        return match plan.orders.contains(&order.id) {
            true => Ok(Some(plan)),
            false => Err(Error::bad(say!("error-plan-of-other", plan = &plan.code, order = &order.code)).at("plan")),
        };
    }
    Ok(shop.read().plans()?.into_iter().filter(|p| p.orders.contains(&order.id)).max_by_key(|p| (p.at_ms, p.id)))
}

/// Twice the area that is asked for, by material, µm²; the plan's areas by the share of the order's parts.
fn areas(shop: &Shop, order: &Order, plan: Option<&Plan>, waste: Waste) -> Result<BTreeMap<Uuid, i64>, Error> {
    let reader = shop.read();
    let mut sums: BTreeMap<Uuid, i64> = BTreeMap::new();
    let Some(plan) = plan else {
        // Nothing is planned: the parts' own area.
        for line in &order.lines {
            for part in &line.parts {
                let count = i64::from(part.quantity) * i64::from(line.quantity);
                let area2 = part.shape.area2().saturating_mul(count);
                let sum = sums.entry(line.material).or_default();
                *sum = sum.saturating_add(area2);
            }
        }
        return Ok(sums);
    };
    let area_of = |p: &sheetloft_ledger::body::PlannedPart| -> (bool, i64) {
        let of = if p.order == order.id { Some(order.clone()) } else { order::by_id(&reader, p.order).ok().flatten() };
        let line = of.as_ref().and_then(|o| o.lines.iter().find(|l| l.line == p.line));
        let part = line.and_then(|l| l.parts.iter().find(|q| q.id == p.part));
        (p.order == order.id, part.map_or(0, |q| q.shape.area2()))
    };
    let mut add = |material: Uuid, used2: i64, parts: &[sheetloft_ledger::body::PlannedPart]| {
        let all: Vec<(bool, i64)> = parts.iter().map(area_of).collect();
        let whole: i64 = all.iter().map(|(_, a)| a).sum();
        let own: i64 = all.iter().filter(|(own, _)| *own).map(|(_, a)| a).sum();
        if whole > 0 && own > 0 {
            let share = i128::from(used2) * i128::from(own) / i128::from(whole);
            let sum = sums.entry(material).or_default();
            *sum = sum.saturating_add(i64::try_from(share).unwrap_or(i64::MAX));
        }
    };
    for planned in &plan.pieces {
        let Some(piece) = reader.piece(planned.piece)? else { continue };
        let used2 = match waste {
            Waste::Area => planned.areas.total2() - planned.areas.offcuts2,
            Waste::Sheets => piece.shape.area2(),
        };
        add(piece.material, used2, &planned.parts);
    }
    for sheet in &plan.to_buy {
        let whole2 = 2 * sheet.w_um * sheet.h_um;
        let kept2: i64 = sheet.leftovers.iter().filter(|l| l.keep).map(|l| l.shape.area2()).sum();
        add(sheet.material, if waste == Waste::Sheets { whole2 } else { whole2 - kept2 }, &sheet.parts);
    }
    Ok(sums)
}

/// What to ask for an order: today's price of the area, with a mark-up, labour in one free line, at least a minimum.
pub fn quote(shop: &Shop, with: &Quote) -> Result<QuoteAnswer, Error> {
    let reader = shop.read();
    let order = reader.find_order(&with.order).map_err(|e| e.at("order"))?;
    if order.lines.is_empty() {
        return Err(Error::refused(say!("refused-nothing-to-quote", order = &order.code)).at("order"));
    }
    let words = [("area", Waste::Area), ("sheets", Waste::Sheets)];
    let waste = word(with.waste.as_deref(), &words, Waste::Area, "waste")?;
    let markup = match filled(with.markup.as_deref()) {
        None => 0,
        Some(t) => crate::shop::whole(t.trim_end_matches('%').trim_end(), 0, MARKUP_PERCENT, "markup")?,
    };
    let minimum = filled(with.minimum.as_deref()).map(|t| shop.sum(t, "minimum")).transpose()?;
    let labour = text(with.labour.as_deref(), "labour")?;
    let labour_sum = filled(with.labour_sum.as_deref()).map(|t| shop.sum(t, "labour_sum")).transpose()?;
    if labour.is_some() != labour_sum.is_some() {
        return Err(Error::bad(say!("error-labour")).at("labour"));
    }
    let plan = plan_of(shop, &order, with.plan.as_deref())?;
    let prices = Prices::read(&reader)?;
    let mut lines = Vec::new();
    let mut notes = Vec::new();
    let mut material_sum = Some(0_i64);
    for (id, area2) in areas(shop, &order, plan.as_ref(), waste)? {
        let material = reader.material(id)?;
        let sum = prices.of(&material, area2);
        if sum.is_none() {
            notes.push(say!("quote-no-price", material = &material.data.name).text());
        }
        material_sum = material_sum.zip(sum).and_then(|(a, b)| a.checked_add(b));
        let name = &material.data.name;
        let said = match waste {
            Waste::Sheets if plan.is_some() => say!("quote-material-sheets", material = name),
            _ => say!("quote-material", material = name),
        };
        lines.push(QuoteLine { text: said.text(), area_mm2: Some(mm2(area2)), sum: sum.map(|s| shop.money(s)) });
    }
    let mut total = material_sum;
    if markup > 0 {
        // Rounded half up to a whole minor unit.
        let more = material_sum.map(|sum| {
            let product = i128::from(sum) * i128::from(markup);
            i64::try_from((product + 50) / 100).unwrap_or(i64::MAX)
        });
        lines.push(QuoteLine {
            text: say!("quote-markup", percent = markup.to_string()).text(),
            area_mm2: None,
            sum: more.map(|m| shop.money(m)),
        });
        total = total.zip(more).and_then(|(a, b)| a.checked_add(b));
    }
    if let (Some(text), Some(sum)) = (labour, labour_sum) {
        lines.push(QuoteLine { text, area_mm2: None, sum: Some(shop.money(sum)) });
        total = total.and_then(|t| t.checked_add(sum));
    }
    if let (Some(least), Some(sum)) = (minimum, total)
        && sum < least
    {
        lines.push(QuoteLine {
            text: say!("quote-minimum").text(),
            area_mm2: None,
            sum: Some(shop.money(least - sum)),
        });
        total = Some(least);
    }
    match &plan {
        None => notes.push(say!("quote-unplanned").text()),
        Some(plan) if !plan.not_placed.is_empty() => {
            notes.push(say!("quote-not-placed", plan = &plan.code, count = plan.not_placed.len()).text());
        }
        Some(_) => {}
    }
    let offcuts = plan.iter().flat_map(|p| &p.pieces).filter_map(|p| reader.piece(p.piece).ok().flatten());
    if waste == Waste::Sheets && offcuts.into_iter().any(|p| p.kind == PieceKind::Offcut) {
        notes.push(say!("quote-offcuts-whole").text());
    }
    Ok(QuoteAnswer {
        order: order.code,
        name: order.name,
        customer: order.customer,
        plan: plan.map(|p| p.code),
        lines,
        material: material_sum.map(|s| shop.money(s)),
        total: total.map(|s| shop.money(s)),
        notes,
    })
}

/// A quote as a sheet of paper.
pub fn file(shop: &Shop, with: &QuoteFile) -> Result<FileAnswer, Error> {
    let QuoteFile { order, plan, markup, minimum, waste, labour, labour_sum } = with.clone();
    let quote = quote(shop, &Quote { order, plan, markup, minimum, waste, labour, labour_sum })?;
    let mut rows: Vec<Vec<String>> = quote
        .lines
        .iter()
        .map(|l| {
            let area = l.area_mm2.map_or_else(String::new, |mm2| format!("{:.3} m²", mm2 / 1e6));
            vec![l.text.clone(), area, l.sum.clone().unwrap_or_else(|| "—".to_owned())]
        })
        .collect();
    let total = quote.total.clone().unwrap_or_else(|| "—".to_owned());
    rows.push(vec![say!("quote-total", currency = &shop.currency().code).text(), String::new(), total]);
    let heads = say!("quote-head").text().split('|').map(|h| h.trim().to_owned()).collect();
    let table = Table { heads, shares: vec![3.2, 1.0, 1.0], rows, ticks: false };
    let mut about = vec![quote.name.clone()];
    about.extend(quote.customer.as_ref().map(|c| say!("quote-for", customer = c).text()));
    let paper = Ticket {
        title: say!("quote-title", order = &quote.order).text(),
        payload: quote.order.clone(),
        about,
        sections: vec![
            Section { title: String::new(), lines: Vec::new(), urgent: false, table: Some(table) },
            Section { title: say!("quote-notes").text(), lines: quote.notes.clone(), urgent: false, table: None },
        ],
        pieces: Vec::new(),
        foot: say!("quote-foot", shop = &shop.setting.data.name).text(),
    };
    let document = labels::ticket(&paper).map_err(|e| Error::fault(say!("error-label", why = e.to_string())))?;
    Ok(FileAnswer {
        name: format!("{}-quote.pdf", quote.order),
        media_type: "application/pdf".to_owned(),
        data: STANDARD.encode(&document.bytes),
        warnings: Vec::new(),
    })
}

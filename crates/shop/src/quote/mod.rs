//! What to ask for an order: the price that was asked, a quote by today's prices, and the quotes that were kept.

mod kept;

use std::collections::{BTreeMap, BTreeSet};

use sheetloft_ledger::body::{Body, OrderClosed, OrderPriced, PieceKind, PlannedPart};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::money::{Receiver, split};
use sheetloft_ledger::state::{Order, Plan};
use sheetloft_store::Reader;
use uuid::Uuid;

pub use kept::{file, keep, rows};

use crate::action::{OrderClose, OrderCost, OrderPrice, OrderShow, Quote};
use crate::answer::{Changed, OrderAnswer, OrderCostAnswer, QuoteAnswer, QuoteLine};
use crate::error::Error;
use crate::host::Host;
use crate::material::Prices;
use crate::order;
use crate::plan::used_price;
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
    let others = Others::of(&reader, plan)?;
    let mut add = |material: Uuid, used2: i64, parts: &[PlannedPart]| {
        let by_order = others.areas2(parts);
        let whole: i64 = by_order.values().sum();
        let own = by_order.get(&order.id).copied().unwrap_or(0);
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

/// The orders of a plan.
struct Others(Vec<Order>);

impl Others {
    fn of(reader: &Reader<'_>, plan: &Plan) -> Result<Self, Error> {
        let mut found = Vec::new();
        for id in &plan.orders {
            found.extend(order::by_id(reader, *id)?);
        }
        Ok(Self(found))
    }

    /// Twice the area of each order's parts among these, µm².
    fn areas2(&self, parts: &[PlannedPart]) -> BTreeMap<Uuid, i64> {
        let mut sums: BTreeMap<Uuid, i64> = BTreeMap::new();
        for p in parts {
            let line = self.0.iter().filter(|o| o.id == p.order).flat_map(|o| &o.lines).find(|l| l.line == p.line);
            let part = line.and_then(|l| l.parts.iter().find(|q| q.id == p.part));
            *sums.entry(p.order).or_default() += part.map_or(0, |q| q.shape.area2());
        }
        sums
    }

    /// An order's share of what is charged for a piece, by the area of its parts; minor units.
    fn share(&self, order: Uuid, charged: i64, parts: &[PlannedPart]) -> i64 {
        let by_order: Vec<(Uuid, i64)> = self.areas2(parts).into_iter().collect();
        let code = |id: Uuid| self.0.iter().find(|o| o.id == id).map_or_else(String::new, |o| o.code.clone());
        let receivers: Vec<Receiver> = by_order.iter().map(|(id, area2)| Receiver::new(code(*id), *area2)).collect();
        let sums = split(charged, &receivers);
        by_order.iter().zip(sums).find(|((id, _), _)| *id == order).map_or(0, |(_, sum)| sum)
    }
}

/// What a plan's material costs an order before anything is cut: pieces on hand by the books, sheets that are to be
/// bought at today's price; minor units. None where a sheet to be bought has no price.
fn cost_of(reader: &Reader<'_>, order: &Order, plan: &Plan) -> Result<Option<i64>, Error> {
    let others = Others::of(reader, plan)?;
    let mut sum = Some(0_i64);
    for planned in &plan.pieces {
        sum = sum.and_then(|s| s.checked_add(others.share(order.id, planned.charged, &planned.parts)));
    }
    for sheet in &plan.to_buy {
        let used = used_price(sheet, 2 * sheet.w_um * sheet.h_um).map(|p| others.share(order.id, p, &sheet.parts));
        sum = sum.zip(used).and_then(|(a, b)| a.checked_add(b));
    }
    Ok(sum)
}

/// How many lines of an order that are still to be cut came after a plan: none of their parts is in it.
fn not_in(order: &Order, plan: &Plan) -> usize {
    let placed = plan.pieces.iter().flat_map(|p| &p.parts).chain(plan.to_buy.iter().flat_map(|s| &s.parts));
    let lines: BTreeSet<Uuid> = placed.map(|p| p.line).chain(plan.not_placed.iter().map(|n| n.line)).collect();
    let open = |part: &str, line| {
        let (wanted, good) = order.wanted_and_good(line, part);
        good < wanted
    };
    let wanted = order.lines.iter().filter(|l| l.parts.iter().any(|p| open(&p.id, l)));
    wanted.filter(|l| !lines.contains(&l.line)).count()
}

/// A line of a quote, worked out.
struct Line {
    text: String,
    area2: Option<i64>,
    sum: Option<i64>,
}

/// A quote, worked out; sums in minor units.
struct Worked {
    order: Order,
    plan: Option<Plan>,
    lines: Vec<Line>,
    material: Option<i64>,
    total: Option<i64>,
    cost: Option<i64>,
    notes: Vec<String>,
}

/// What to ask for an order: today's price of the area, with a mark-up, labour in one free line, at least a minimum; or
/// what was quoted for it before.
pub fn quote(shop: &Shop, with: &Quote) -> Result<QuoteAnswer, Error> {
    match filled(with.number.as_deref()) {
        Some(_) => kept::show(shop, with),
        None => Ok(answer(shop, work(shop, with)?)),
    }
}

fn answer(shop: &Shop, of: Worked) -> QuoteAnswer {
    let line = |l: Line| QuoteLine { text: l.text, area_mm2: l.area2.map(mm2), sum: l.sum.map(|s| shop.money(s)) };
    QuoteAnswer {
        order: of.order.code,
        name: of.order.name,
        customer: of.order.customer,
        plan: of.plan.map(|p| p.code),
        lines: of.lines.into_iter().map(line).collect(),
        material: of.material.map(|s| shop.money(s)),
        total: of.total.map(|s| shop.money(s)),
        cost: of.cost.map(|s| shop.money(s)),
        notes: of.notes,
        kept: None,
    }
}

/// Works out a quote by today's prices.
fn work(shop: &Shop, with: &Quote) -> Result<Worked, Error> {
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
        lines.push(Line { text: said.text(), area2: Some(area2), sum });
    }
    let mut total = material_sum;
    if markup > 0 {
        // Rounded half up to a whole minor unit.
        let more = material_sum.map(|sum| {
            let product = i128::from(sum) * i128::from(markup);
            i64::try_from((product + 50) / 100).unwrap_or(i64::MAX)
        });
        let text = say!("quote-markup", percent = markup.to_string()).text();
        lines.push(Line { text, area2: None, sum: more });
        total = total.zip(more).and_then(|(a, b)| a.checked_add(b));
    }
    if let (Some(text), Some(sum)) = (labour, labour_sum) {
        lines.push(Line { text, area2: None, sum: Some(sum) });
        total = total.and_then(|t| t.checked_add(sum));
    }
    if let (Some(least), Some(sum)) = (minimum, total)
        && sum < least
    {
        lines.push(Line { text: say!("quote-minimum").text(), area2: None, sum: Some(least - sum) });
        total = Some(least);
    }
    if let Some(plan) = &plan {
        let missing = not_in(&order, plan);
        if missing > 0 {
            notes.push(say!("quote-not-in-plan", plan = &plan.code, count = missing).text());
        }
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
    let cost = plan.as_ref().map(|plan| cost_of(&reader, &order, plan)).transpose()?.flatten();
    Ok(Worked { order, plan, lines, material: material_sum, total, cost, notes })
}

//! `order new`, `order add`, `order remake`, `order list`, `order show`, `order cost`.

use std::collections::HashMap;

use chrono::NaiveDate;
use sheetloft_ledger::body::{Alike, Body, Grain, LineAdded, LinePart, OrderMade, Remade, Sides};
use sheetloft_ledger::code::Noun;
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::rules;
use sheetloft_ledger::state::{How, Material, Order, Plan, State};
use sheetloft_shapes::Shape;
use sheetloft_store::Reader;
use uuid::Uuid;

use crate::action::{Given, OrderAdd, OrderCost, OrderNew, OrderRemake, OrderShow};
use crate::answer::{
    Changed, CostRow, OrderAddAnswer, OrderAnswer, OrderCostAnswer, OrderLine, OrderNewAnswer, OrderPart, OrderRow,
    OrdersAnswer, PlanRow, RemakeAnswer, RemakeRow,
};
use crate::error::Error;
use crate::given::{self, GivenPart};
use crate::history;
use crate::host::Host;
use crate::limits;
use crate::material::Prices;
use crate::quote;
use crate::say;
use crate::shop::{Lookup, Shop, filled, needed, shown, text, whole, word};
use crate::view::{self, Names, mm2, ring_mm};

/// Opens an order.
pub fn new(shop: &mut Shop, host: &mut dyn Host, with: &OrderNew) -> Result<(OrderNewAnswer, Vec<Changed>), Error> {
    let name = needed(&with.name, "name")?;
    let customer = text(with.customer.as_deref(), "customer")?;
    let due = text(with.due.as_deref(), "due")?;
    if let Some(due) = &due
        && NaiveDate::parse_from_str(due, "%Y-%m-%d").is_err()
    {
        return Err(Error::bad(say!("error-date", text = due)).at("due"));
    }
    let ((id, code), changed) = shop.write(host, |tx| {
        let (order, code) = (tx.ids.uuid(), tx.next_code(Noun::Order)?);
        let made = OrderMade { order, code: code.clone(), name, customer, due };
        tx.draft(Body::OrderMade(made), [Thing::new(ThingKind::Order, order)]);
        Ok((order, code))
    })?;
    Ok((OrderNewAnswer { order: code, uuid: id.to_string() }, changed))
}

/// A line about to be added.
struct NewLine {
    name: String,
    material: Material,
    quantity: u32,
    parts: Vec<GivenPart>,
}

/// Adds parts to an order: one line, or one line a row of a list.
pub fn add(shop: &mut Shop, host: &mut dyn Host, with: &OrderAdd) -> Result<(OrderAddAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let order = reader.find_order(&with.order).map_err(|e| e.at("order"))?;
    let thing = Thing::new(ThingKind::Order, order.id);
    reader.not_frozen(thing, &order.code)?;
    rules::open(&order)?;
    let quantity = filled(with.quantity.as_deref());
    let quantity = quantity.map_or(Ok(1), |t| whole(t, 1, limits::QUANTITY, "quantity"))?;
    let material = filled(with.material.as_deref());
    let mut told = None;
    let (news, left_out) = match &with.list {
        Some(list) => {
            if with.given != Given::default() {
                return Err(Error::bad(say!("error-one-shape", count = 2_usize)).at("list"));
            }
            (listed(shop, list, material, quantity)?, Vec::new())
        }
        None => {
            let material = material.ok_or_else(|| Error::bad(say!("error-needed")).at("material"))?;
            let material = reader.find_material(material)?;
            let alike = material.data.sides == Sides::Same;
            let mut read = given::parts(shop, &with.given, alike, order.customer.as_deref())?;
            counted(&mut read, &with.quantities)?;
            read.keep(&with.only)?;
            if read.parts.is_empty() {
                return Err(Error::bad(say!("error-needed")).at("quantities"));
            }
            told = read.told;
            let name = text(with.name.as_deref(), "name")?.unwrap_or_else(|| line_name(shop, &with.given, &read.parts));
            (vec![NewLine { name, material, quantity, parts: read.parts }], read.left_out)
        }
    };
    let alikes = [("no", Alike::No), ("lot", Alike::Lot), ("piece", Alike::Piece)];
    let alike = word(with.alike.as_deref(), &alikes, Alike::No, "alike")?;
    let mut lines = Vec::new();
    for new in news {
        let turn = given::turn(with.turn.as_deref(), new.material.data.grain != Grain::None)?;
        if with.flip && new.material.data.sides == Sides::Differ {
            return Err(Error::bad(say!("error-flip", material = &new.material.data.name)).at("flip"));
        }
        let parts = new
            .parts
            .into_iter()
            .map(|p| LinePart { id: p.id, quantity: p.quantity, shape: p.shape, source: p.source })
            .collect();
        lines.push(LineAdded {
            order: order.id,
            line: Uuid::nil(),
            name: new.name,
            material: new.material.id,
            quantity: new.quantity,
            turn,
            flip: with.flip,
            parts,
            alike,
        });
    }
    let count = |line: &LineAdded| line.parts.iter().map(|p| p.quantity.saturating_mul(line.quantity)).sum::<u32>();
    let parts: u32 = lines.iter().map(count).sum();
    let already: u32 = order.lines.iter().map(count).sum();
    if (already + parts) as usize > limits::PARTS_PER_PLAN {
        return Err(Error::bad(say!("error-many-parts", most = limits::PARTS_PER_PLAN)).at("quantity"));
    }
    let added = lines.len();
    let ((), changed) = shop.write(host, |tx| {
        for mut line in lines {
            line.line = tx.ids.uuid();
            tx.draft(Body::LineAdded(line), [thing]);
        }
        if let Some(told) = told {
            tx.draft(Body::DrawingRead(told.of(order.id)), [thing]);
        }
        Ok(())
    })?;
    let after = shop.read().find_order(&order.code)?.lines.len();
    let lines: Vec<usize> = (after + 1 - added..=after).collect();
    Ok((OrderAddAnswer { order: order.code, line: lines[0], parts, lines, left_out }, changed))
}

/// As many of each part as a person said; parts of which there are to be none are dropped.
fn counted(read: &mut given::Read, quantities: &[crate::action::PartQuantity]) -> Result<(), Error> {
    for said in quantities {
        let Some(part) = read.parts.iter_mut().find(|p| p.id == said.part) else {
            return Err(Error::bad(say!("error-unknown-part", id = shown(&said.part))).at("quantities"));
        };
        part.quantity = whole(&said.quantity, 0, limits::QUANTITY, "quantities")?;
    }
    read.parts.retain(|p| p.quantity > 0);
    Ok(())
}

fn line_name(shop: &Shop, given: &Given, parts: &[GivenPart]) -> String {
    let file = given.drawing.as_ref().or(given.parts.as_ref()).or(given.shape.as_ref());
    match file {
        Some(upload) => upload.name.rsplit(['/', '\\']).next().unwrap_or(&upload.name).chars().take(80).collect(),
        None => parts.first().map_or_else(String::new, |p| view::size_text(&p.shape, shop)),
    }
}

/// A CSV list: name, length along grain, width, quantity, material. A first row of headings is skipped.
fn listed(
    shop: &Shop,
    list: &crate::action::Upload,
    material: Option<&str>,
    times: u32,
) -> Result<Vec<NewLine>, Error> {
    let text = given::utf8(list, "list")?;
    let reader = shop.read();
    let separator = if text.lines().next().is_some_and(|l| l.contains(';')) { b';' } else { b',' };
    let mut csv = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(separator)
        .from_reader(text.as_bytes());
    let mut lines: Vec<NewLine> = Vec::new();
    let mut materials: HashMap<String, Material> = HashMap::new();
    for (i, row) in csv.records().enumerate() {
        let wrong = |why: String| given::in_line(i + 1, &list.name, &why).at("list");
        let row = row.map_err(|e| wrong(e.to_string()))?;
        if row.iter().all(str::is_empty) {
            continue;
        }
        let [name, length, width] = [0, 1, 2].map(|n| row.get(n).unwrap_or("").to_owned());
        let unit = shop.unit();
        let sides =
            (sheetloft_ledger::units::parse_extent(&length, unit), sheetloft_ledger::units::parse_extent(&width, unit));
        let (w, h) = match sides {
            (Ok(w), Ok(h)) => (w, h),
            // A row of headings has no number in it at all.
            (Err(_), Err(_)) if lines.is_empty() && !row.iter().any(|f| f.contains(|c: char| c.is_ascii_digit())) => {
                continue;
            }
            (Err(e), _) | (_, Err(e)) => return Err(wrong(Error::from(e).to_string())),
        };
        let quantity = match row.get(3).filter(|t| !t.is_empty()) {
            Some(text) => whole(text, 1, limits::QUANTITY, "list").map_err(|e| wrong(e.to_string()))?,
            None => 1,
        };
        let quantity = quantity.saturating_mul(times);
        if quantity > limits::QUANTITY {
            return Err(wrong(
                say!("error-whole", text = quantity.to_string(), low = 1_u32, high = limits::QUANTITY).text(),
            ));
        }
        let of = row.get(4).filter(|t| !t.is_empty()).or(material);
        let of = of.ok_or_else(|| wrong(say!("error-list-material").text()))?;
        let material = match materials.get(of) {
            Some(m) => m.clone(),
            None => {
                let found = reader.find_material(of).map_err(|e| wrong(e.to_string()))?;
                materials.insert(of.to_owned(), found.clone());
                found
            }
        };
        let shape = Shape::rectangle(w, h).map_err(|e| wrong(Error::from(e).to_string()))?;
        let name = crate::shop::text(Some(&name), "list").map_err(|e| wrong(e.to_string()))?;
        let name = name.unwrap_or_else(|| view::size_text(&shape, shop));
        let source = sheetloft_drawings::contours_of_shape(&shape);
        let parts = vec![GivenPart { id: "1".to_owned(), shape, source, quantity: 1 }];
        lines.push(NewLine { name, material, quantity, parts });
        if lines.len() > limits::LIST_ROWS {
            return Err(wrong(say!("error-many-lines", most = limits::LIST_ROWS).text()));
        }
    }
    if lines.is_empty() {
        return Err(Error::bad(say!("error-no-lines", file = shown(&list.name))).at("list"));
    }
    Ok(lines)
}

/// `no`, `lot` or `piece`.
fn alike_word(alike: Alike) -> &'static str {
    match alike {
        Alike::No => "no",
        Alike::Lot => "lot",
        Alike::Piece => "piece",
    }
}

/// Parts that came out good turned out not to be: they go back to be planned, and the order says why.
pub fn remake(shop: &mut Shop, host: &mut dyn Host, with: &OrderRemake) -> Result<(RemakeAnswer, Vec<Changed>), Error> {
    let reader = shop.read();
    let order = reader.find_order(&with.order).map_err(|e| e.at("order"))?;
    let thing = Thing::new(ThingKind::Order, order.id);
    reader.not_frozen(thing, &order.code)?;
    rules::open(&order)?;
    let why = needed(&with.why, "why")?;
    let part = needed(&with.part, "part")?;
    let quantity = filled(with.quantity.as_deref());
    let quantity = quantity.map_or(Ok(1), |t| whole(t, 1, limits::QUANTITY, "quantity"))?;
    let number = filled(with.line.as_deref());
    let number = number.map(|t| whole(t, 1, order.lines.len().max(1) as u32, "line")).transpose()?;
    let mut lines = order.lines.iter().enumerate().filter(|(n, line)| {
        number.is_none_or(|number| *n + 1 == number as usize) && line.parts.iter().any(|p| p.id == part)
    });
    let (n, line) = match (lines.next(), lines.next()) {
        (Some(found), None) => found,
        (None, _) => {
            let said = say!("error-unknown-order-part", part = shown(&part), order = &order.code);
            return Err(Error::bad(said).at("part"));
        }
        (Some(_), Some(_)) => {
            let said = say!("error-which-line", part = shown(&part), order = &order.code);
            return Err(Error::bad(said).at("line"));
        }
    };
    let (_, good) = order.wanted_and_good(line, &part);
    if quantity > good {
        let said = say!("refused-remake", part = shown(&part), good = good, order = &order.code);
        return Err(Error::refused(said).at("quantity"));
    }
    let remade = Remade { order: order.id, line: line.line, part: part.clone(), quantity, why };
    let ((), changed) = shop.write(host, |tx| {
        tx.draft(Body::Remade(remade), [thing]);
        Ok(())
    })?;
    Ok((RemakeAnswer { order: order.code.clone(), line: n + 1, part, quantity }, changed))
}

/// The state of an order follows from what happened, it is never typed.
pub fn state(order: &Order, plans: &[Plan]) -> &'static str {
    if order.closed {
        return "closed";
    }
    let (wanted, good) = order.progress();
    let of_order = || plans.iter().filter(|p| p.orders.contains(&order.id));
    if wanted > 0 && good >= wanted {
        "cut"
    } else if good > 0 || of_order().any(|p| !p.cut.is_empty()) {
        "partly_cut"
    } else if of_order().any(|p| p.held) {
        "held"
    } else if of_order().next().is_some() {
        "planned"
    } else {
        "open"
    }
}

/// The state of a plan, likewise.
pub fn plan_state(plan: &Plan) -> &'static str {
    match plan.cut.len() {
        0 if plan.held => "held",
        0 => "made",
        n if n >= plan.pieces.len() => "cut",
        _ => "partly_cut",
    }
}

/// What an order has been charged so far.
pub fn charged(reader: &Reader<'_>, order: Uuid) -> Result<i64, Error> {
    let pieces = reader.charged_to(order)?;
    let charges = pieces.iter().filter_map(|p| p.used.as_ref()).flat_map(|u| &u.charges);
    Ok(charges.filter(|c| c.order == order).map(|c| c.charge.total()).sum())
}

fn row(shop: &Shop, reader: &Reader<'_>, order: &Order, plans: &[Plan]) -> Result<OrderRow, Error> {
    let (parts, good) = order.progress();
    Ok(OrderRow {
        order: order.code.clone(),
        uuid: order.id.to_string(),
        name: order.name.clone(),
        customer: order.customer.clone(),
        due: order.due.clone(),
        state: state(order, plans).to_owned(),
        parts,
        good,
        charged: shop.money(charged(reader, order.id)?),
    })
}

/// The orders, by code.
pub fn list(shop: &Shop) -> Result<OrdersAnswer, Error> {
    let reader = shop.read();
    let plans = reader.plans()?;
    let orders = reader.orders()?.iter().map(|o| row(shop, &reader, o, &plans)).collect::<Result<_, _>>()?;
    Ok(OrdersAnswer { orders })
}

/// One order, whole.
pub fn show(shop: &Shop, with: &OrderShow) -> Result<OrderAnswer, Error> {
    let reader = shop.read();
    let order = reader.find_order(&with.order).map_err(|e| e.at("order"))?;
    let plans: Vec<Plan> = reader.plans()?.into_iter().filter(|p| p.orders.contains(&order.id)).collect();
    let row = row(shop, &reader, &order, &plans)?;
    let names = Names::read(&reader)?;
    let lines = order
        .lines
        .iter()
        .enumerate()
        .map(|(i, line)| OrderLine {
            line: i + 1,
            name: line.name.clone(),
            material: names.material(line.material),
            quantity: line.quantity,
            turn: view::turn_word(line.turn).to_owned(),
            flip: line.flip,
            alike: alike_word(line.alike).to_owned(),
            parts: line
                .parts
                .iter()
                .map(|part| {
                    let (wanted, good) = order.wanted_and_good(line, &part.id);
                    OrderPart {
                        id: part.id.clone(),
                        wanted,
                        good,
                        outline: ring_mm(part.shape.outline()),
                        holes: view::holes_mm(&part.shape),
                        area_mm2: mm2(part.shape.area2()),
                    }
                })
                .collect(),
        })
        .collect();
    let mut plan_rows = Vec::new();
    for plan in &plans {
        let mut pieces = Vec::new();
        for planned in &plan.pieces {
            pieces.extend(reader.piece(planned.piece)?.map(|p| p.code));
        }
        plan_rows.push(PlanRow {
            plan: plan.code.clone(),
            state: plan_state(plan).to_owned(),
            pieces,
            when: view::when(plan.at_ms),
            not_placed: plan.not_placed.len(),
            taken_over: plan.taken_over.as_ref().map(|t| t.why.clone()),
        });
    }
    plan_rows.reverse();
    Ok(OrderAnswer {
        order: row.order,
        uuid: row.uuid,
        name: row.name,
        customer: row.customer,
        due: row.due,
        state: row.state,
        parts: row.parts,
        good: row.good,
        charged: row.charged,
        quotes: quote::rows(shop, &reader, &order)?,
        lines,
        remakes: order
            .remakes
            .iter()
            .map(|r| RemakeRow {
                line: order.lines.iter().position(|l| l.line == r.line).map_or(0, |n| n + 1),
                part: r.part.clone(),
                quantity: r.quantity,
                why: r.why.clone(),
                when: view::when(r.at_ms),
            })
            .collect(),
        plans: plan_rows,
        history: history::rows(shop, reader.history(Some(order.id), history::MOST)?)?,
    })
}

/// What an order has cost in material: each piece's share, line by line, and the total.
pub fn cost(shop: &Shop, with: &OrderCost) -> Result<OrderCostAnswer, Error> {
    let reader = shop.read();
    let order = reader.find_order(&with.order).map_err(|e| e.at("order"))?;
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let mut rows = Vec::new();
    let mut total = 0;
    for piece in reader.charged_to(order.id)? {
        let Some(used) = &piece.used else { continue };
        let returned: i64 = used.returned.iter().map(|r| r.cost).sum();
        let returned2: i64 = used.returned.iter().map(|r| r.area2).sum();
        let price = names.material_data(piece.material).and_then(|m| prices.of(m, piece.shape.area2() - returned2));
        for charge in used.charges.iter().filter(|c| c.order == order.id).map(|c| c.charge) {
            total += charge.total();
            rows.push(CostRow {
                piece: piece.code.clone(),
                material: names.material(piece.material),
                how: if matches!(used.how, How::Taken) { "taken" } else { "cut" }.to_owned(),
                parts: shop.money(charge.parts),
                kerf: shop.money(charge.kerf),
                scrap: shop.money(charge.scrap),
                markdown: shop.money(charge.markdown),
                failed: shop.money(charge.failed),
                returned: shop.money(returned),
                charged: shop.money(charge.total()),
                price: price.map(|p| shop.money(p)),
            });
        }
    }
    Ok(OrderCostAnswer {
        price: order.price.map(|p| shop.money(p)),
        left: order.price.map(|p| shop.money(p - total)),
        order: order.code,
        name: order.name,
        pieces: rows,
        total: shop.money(total),
    })
}

/// The state of an order by UUID.
pub fn by_id(reader: &Reader<'_>, id: Uuid) -> Result<Option<Order>, Error> {
    let state = reader.folded(Thing::new(ThingKind::Order, id))?.state;
    Ok(state.and_then(State::order).map(|o| *o))
}

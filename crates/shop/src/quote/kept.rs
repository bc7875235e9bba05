//! Quotes that were kept: what was said to the customer, word for word, to be read and printed again.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sheetloft_labels::{self as labels, Section, Table, Ticket};
use sheetloft_ledger::body::{Body, Quoted, QuotedLine};
use sheetloft_ledger::event::{Thing, ThingKind};
use sheetloft_ledger::state::{KeptQuote, Order, State};
use sheetloft_store::Reader;

use super::{Worked, work};
use crate::action::{Quote, QuoteFile, QuoteKeep};
use crate::answer::{Changed, FileAnswer, QuoteAnswer, QuoteKept, QuoteLine};
use crate::error::Error;
use crate::host::Host;
use crate::say;
use crate::shop::{Lookup, Shop, filled, shown};
use crate::view::{self, mm2};

/// Keeps a quote as it is worked out now; where the last one says the same, that one is it.
pub fn keep(shop: &mut Shop, host: &mut dyn Host, with: &QuoteKeep) -> Result<(QuoteAnswer, Vec<Changed>), Error> {
    let QuoteKeep { order, plan, markup, minimum, waste, labour, labour_sum } = with.clone();
    let with = Quote { order, plan, markup, minimum, waste, labour, labour_sum, number: None };
    let (order, kept, changed) = kept(shop, host, &with)?;
    Ok((answer(shop, &order, &kept)?, changed))
}

/// A quote as a sheet of paper. It goes to the customer, so it is kept; one that was kept is printed as it was.
pub fn file(shop: &mut Shop, host: &mut dyn Host, with: &QuoteFile) -> Result<(FileAnswer, Vec<Changed>), Error> {
    let QuoteFile { order, plan, markup, minimum, waste, labour, labour_sum, number } = with.clone();
    let with = Quote { order, plan, markup, minimum, waste, labour, labour_sum, number };
    let (order, kept, changed) = match filled(with.number.as_deref()) {
        Some(_) => {
            let (order, kept) = find(shop, &with)?;
            (order, kept, Vec::new())
        }
        None => kept(shop, host, &with)?,
    };
    Ok((paper(shop, &order, &kept)?, changed))
}

/// A quote that was kept.
pub fn show(shop: &Shop, with: &Quote) -> Result<QuoteAnswer, Error> {
    let (order, kept) = find(shop, with)?;
    answer(shop, &order, &kept)
}

/// The quotes that were kept for an order, newest first.
pub fn rows(shop: &Shop, reader: &Reader<'_>, order: &Order) -> Result<Vec<QuoteKept>, Error> {
    order.quotes.iter().rev().map(|kept| row(shop, reader, kept)).collect()
}

fn row(shop: &Shop, reader: &Reader<'_>, kept: &KeptQuote) -> Result<QuoteKept, Error> {
    let device = reader.devices()?.into_iter().find(|d| d.id == kept.device);
    let device = device.map_or_else(|| kept.device.to_string(), |d| d.name.unwrap_or(d.tag));
    let person = kept.person.and_then(|id| Some(reader.people().ok()?.into_iter().find(|p| p.id == id)?.data.name));
    let plan = match kept.quote.plan {
        Some(id) => reader.folded(Thing::new(ThingKind::Plan, id))?.state.and_then(State::plan).map(|p| p.code),
        None => None,
    };
    Ok(QuoteKept {
        number: kept.quote.name.clone(),
        when: view::when(kept.at_ms),
        by: person.unwrap_or(device),
        plan,
        total: shop.money(kept.quote.total),
    })
}

fn find(shop: &Shop, with: &Quote) -> Result<(Order, KeptQuote), Error> {
    let order = shop.read().find_order(&with.order).map_err(|e| e.at("order"))?;
    let said = [&with.plan, &with.markup, &with.minimum, &with.waste, &with.labour, &with.labour_sum];
    if said.into_iter().any(|given| filled(given.as_deref()).is_some()) {
        return Err(Error::bad(say!("error-quote-stands")).at("number"));
    }
    let number = filled(with.number.as_deref()).unwrap_or_default().trim();
    let found = match number {
        "last" => order.quotes.last(),
        _ => order.quotes.iter().find(|q| q.quote.name.eq_ignore_ascii_case(number)),
    };
    let unknown = || Error::bad(say!("error-unknown-quote", number = shown(number), order = &order.code)).at("number");
    let kept = found.cloned().ok_or_else(unknown)?;
    Ok((order, kept))
}

fn kept(shop: &mut Shop, host: &mut dyn Host, with: &Quote) -> Result<(Order, KeptQuote, Vec<Changed>), Error> {
    let of = work(shop, with)?;
    let thing = Thing::new(ThingKind::Order, of.order.id);
    shop.read().not_frozen(thing, &of.order.code)?;
    let quote = said(&of)?;
    let last =
        of.order.quotes.last().filter(|last| Quoted { name: last.quote.name.clone(), ..quote.clone() } == last.quote);
    if let Some(last) = last {
        return Ok((of.order.clone(), last.clone(), Vec::new()));
    }
    let (name, changed) = shop.write(host, |tx| {
        let device = tx.device();
        let own = tx.read().devices()?.into_iter().find(|d| d.id == device).map_or_else(String::new, |d| d.tag);
        let taken = |name: &String| of.order.quotes.iter().any(|q| q.quote.name == *name);
        let name = (1..).map(|n| format!("{own}-{n}")).find(|name| !taken(name)).unwrap_or_default();
        tx.draft(Body::Quoted(Quoted { name: name.clone(), ..quote }), [thing]);
        Ok(name)
    })?;
    let order = shop.read().find_order(&of.order.id.to_string())?;
    let gone = || Error::fault(say!("error-unknown-quote", number = &name, order = &order.code));
    let kept = order.quotes.iter().find(|q| q.quote.name == name).cloned().ok_or_else(gone)?;
    Ok((order, kept, changed))
}

/// A quote as it is said to a customer: with every sum in it.
fn said(of: &Worked) -> Result<Quoted, Error> {
    let no_price = || Error::refused(say!("refused-quote-no-price", order = &of.order.code)).at("order");
    let lines = of
        .lines
        .iter()
        .map(|l| Ok(QuotedLine { text: l.text.clone(), area2: l.area2, sum: l.sum.ok_or_else(no_price)? }));
    Ok(Quoted {
        order: of.order.id,
        name: String::new(),
        plan: of.plan.as_ref().map(|p| p.id),
        lines: lines.collect::<Result<_, Error>>()?,
        material: of.material.ok_or_else(no_price)?,
        total: of.total.ok_or_else(no_price)?,
        cost: of.cost,
        notes: of.notes.clone(),
    })
}

fn answer(shop: &Shop, order: &Order, kept: &KeptQuote) -> Result<QuoteAnswer, Error> {
    let reader = shop.read();
    let row = row(shop, &reader, kept)?;
    let quote = &kept.quote;
    let line =
        |l: &QuotedLine| QuoteLine { text: l.text.clone(), area_mm2: l.area2.map(mm2), sum: Some(shop.money(l.sum)) };
    Ok(QuoteAnswer {
        order: order.code.clone(),
        name: order.name.clone(),
        customer: order.customer.clone(),
        plan: row.plan.clone(),
        lines: quote.lines.iter().map(line).collect(),
        material: Some(shop.money(quote.material)),
        total: Some(shop.money(quote.total)),
        cost: quote.cost.map(|s| shop.money(s)),
        notes: quote.notes.clone(),
        kept: Some(row),
    })
}

fn paper(shop: &Shop, order: &Order, kept: &KeptQuote) -> Result<FileAnswer, Error> {
    let quote = answer(shop, order, kept)?;
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
    let when: String = view::when(kept.at_ms).chars().take(10).collect();
    about.push(say!("quote-number", number = &kept.quote.name, when = when).text());
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
        name: format!("{}-quote-{}.pdf", quote.order, kept.quote.name),
        media_type: "application/pdf".to_owned(),
        data: STANDARD.encode(&document.bytes),
        warnings: Vec::new(),
    })
}

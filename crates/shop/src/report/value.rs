//! What the stock is worth on a day, by material, rack and age.

use std::collections::BTreeMap;

use sheetloft_ledger::body::Body;
use sheetloft_ledger::fold::Standing;
use sheetloft_ledger::state::Piece;
use sheetloft_store::{PieceFilter, Reader};
use uuid::Uuid;

use crate::error::Error;
use crate::history;
use crate::material::Prices;
use crate::say;
use crate::shop::Shop;
use crate::view::Names;

use super::{Between, Column, Kind, Table};

const DAY_MS: u64 = 86_400_000;
/// Ages in days that begin a band; common practice in stock-keeping, no source.
const BANDS: [usize; 4] = [0, 31, 91, 366];

/// The table of what was on hand at the end of the last day, or is now.
pub(super) fn value(shop: &Shop, days: &Between, now_ms: u64) -> Result<Table, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let past = days.end_ms().filter(|end| *end <= now_ms);
    let at = past.unwrap_or(now_ms);
    #[derive(Default)]
    struct Sum {
        pieces: usize,
        area2: i64,
        carried: i64,
        price: Option<i64>,
    }
    let mut sums: BTreeMap<(String, String, usize), Sum> = BTreeMap::new();
    let filter = if past.is_some() { PieceFilter::default() } else { PieceFilter::on_hand() };
    for piece in reader.pieces(&filter)? {
        // What is in conflict is on hand, used or not.
        let gone = piece.used.as_ref().is_some_and(|u| past.is_none() || u.at_ms < at);
        if gone || (past.is_some() && piece.born_ms >= at) {
            continue;
        }
        let rack = if past.is_some() { rack_then(&reader, &piece, at)? } else { piece.rack };
        let age = at.saturating_sub(piece.born_ms) / DAY_MS;
        let band = BANDS.iter().rposition(|from| age >= *from as u64).unwrap_or(0);
        let rack = names.rack(rack).unwrap_or_default();
        let sum = sums.entry((names.material(piece.material), rack, band)).or_default();
        let price = names.material_data(piece.material).and_then(|m| prices.of(m, piece.shape.area2()));
        sum.price = match (sum.pieces, sum.price, price) {
            (0, _, price) => price,
            (_, Some(a), Some(b)) => Some(a.saturating_add(b)),
            _ => None,
        };
        sum.pieces += 1;
        sum.area2 = sum.area2.saturating_add(piece.shape.area2());
        sum.carried += piece.carried();
    }
    let mut table = Table::new(
        say!("report-value"),
        [
            Column::new("material", say!("report-material"), Kind::Text),
            Column::new("rack", say!("report-rack"), Kind::Text),
            Column::new("age", say!("report-age"), Kind::Text),
            Column::new("pieces", say!("report-pieces"), Kind::Count).adds(),
            Column::new("area", say!("report-area"), Kind::Area).adds(),
            Column::new("value", say!("report-carried"), Kind::Money).adds().drawn(),
            Column::new("price", say!("report-price"), Kind::Money).adds(),
        ],
    );
    for ((material, rack, band), sum) in sums {
        let age = match BANDS.get(band + 1) {
            Some(next) => say!("report-days", from = BANDS[band], to = next - 1).text(),
            None => say!("report-days-more", from = BANDS[band] - 1).text(),
        };
        table.rows.push(vec![
            material.into(),
            Some(rack).filter(|r| !r.is_empty()).into(),
            age.into(),
            sum.pieces.into(),
            sum.area2.into(),
            sum.carried.into(),
            sum.price.into(),
        ]);
    }
    if table.rows.iter().any(|row| row[6] == super::table::Value::Nothing) {
        table.notes.push(say!("report-no-price").text());
    }
    Ok(table)
}

/// Where a piece stood: by its last move before then, else where it was born.
fn rack_then(reader: &Reader<'_>, piece: &Piece, at: u64) -> Result<Option<Uuid>, Error> {
    let mut events = reader.history(Some(piece.id), history::MOST)?;
    events.retain(|e| e.standing.is_none_or(|s| s == Standing::Counts) && e.event.envelope.clock.ms < at);
    for row in &events {
        match &row.event.body {
            Some(Body::Moved(moved)) => return Ok(moved.rack),
            Some(body) => {
                if let Some(born) = body.born().iter().find(|b| b.id == piece.id) {
                    return Ok(born.rack);
                }
            }
            None => {}
        }
    }
    Ok(piece.rack)
}

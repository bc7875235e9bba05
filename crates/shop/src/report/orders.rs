//! What each order has cost in material, by order and customer.

use std::collections::BTreeSet;

use sheetloft_ledger::body::Charge;

use crate::error::Error;
use crate::material::Prices;
use crate::order;
use crate::say;
use crate::shop::Shop;
use crate::view::Names;

use super::{Between, Column, Kind, Table, usage};

/// The table: orders that were charged something on these days, by customer, then by code.
pub(super) fn orders(shop: &Shop, days: &Between) -> Result<Table, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let plans = reader.plans()?;
    let mut table = Table::new(
        say!("report-orders"),
        [
            Column::new("customer", say!("report-customer"), Kind::Text),
            Column::new("order", say!("report-order"), Kind::Text),
            Column::new("name", say!("report-name"), Kind::Text),
            Column::new("state", say!("report-state"), Kind::Text),
            Column::new("pieces", say!("report-pieces"), Kind::Count).adds(),
            Column::new("parts", say!("report-parts-cost"), Kind::Money).adds().drawn(),
            Column::new("kerf", say!("report-kerf-cost"), Kind::Money).adds().drawn(),
            Column::new("scrap", say!("report-scrap-cost"), Kind::Money).adds().drawn(),
            Column::new("markdown", say!("report-markdown"), Kind::Money).adds().drawn(),
            Column::new("failed", say!("report-failed"), Kind::Money).adds().drawn(),
            Column::new("charged", say!("report-charged"), Kind::Money).adds(),
            Column::new("spared", say!("report-spared"), Kind::Money).adds(),
        ],
    );
    let mut all = reader.orders()?;
    all.sort_by(|a, b| (&a.customer, &a.code).cmp(&(&b.customer, &b.code)));
    for one in all {
        let mut sum = Charge::default();
        let mut spared = 0;
        let mut pieces = BTreeSet::new();
        for piece in reader.charged_to(one.id)? {
            let Some(used) = piece.used.as_ref().filter(|u| days.hold(u.at_ms)) else { continue };
            let total: i64 = used.charges.iter().map(|c| c.charge.total()).sum();
            for charge in used.charges.iter().filter(|c| c.order == one.id).map(|c| c.charge) {
                sum.parts += charge.parts;
                sum.kerf += charge.kerf;
                sum.scrap += charge.scrap;
                sum.markdown += charge.markdown;
                sum.failed += charge.failed;
                // Of a piece that several orders share, by what each pays; where nobody pays, evenly.
                let (mine, of) = if total > 0 { (charge.total(), total) } else { (1, used.charges.len() as i64) };
                let whole = i128::from(usage::spared(&piece, &names, &prices));
                spared += (whole * i128::from(mine) / i128::from(of.max(1))) as i64;
            }
            pieces.insert(piece.id);
        }
        if pieces.is_empty() {
            continue;
        }
        table.rows.push(vec![
            one.customer.clone().into(),
            one.code.clone().into(),
            one.name.clone().into(),
            order::state(&one, &plans).into(),
            pieces.len().into(),
            sum.parts.into(),
            sum.kerf.into(),
            sum.scrap.into(),
            sum.markdown.into(),
            sum.failed.into(),
            sum.total().into(),
            spared.into(),
        ]);
    }
    table.notes.push(say!("report-spared-means").text());
    Ok(table)
}

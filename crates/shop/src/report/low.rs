//! What to buy: what is on hand and promised, what open orders want, and where a material has come to its reorder point.

use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::state::Status;
use sheetloft_store::PieceFilter;

use crate::error::Error;
use crate::material;
use crate::say;
use crate::shop::Shop;

use super::{Column, Kind, Table};

/// The table: materials of which something is to be bought, by name. By area: whether parts really fit, plans say.
pub(super) fn low(shop: &Shop) -> Result<Table, Error> {
    let reader = shop.read();
    let on_hand = reader.pieces(&PieceFilter::on_hand())?;
    let orders = reader.orders()?;
    let plans = reader.plans()?;
    let deliveries = reader.deliveries()?;
    let mut table = Table::new(
        say!("report-low"),
        [
            Column::new("material", say!("report-material"), Kind::Text),
            Column::new("sheets", say!("report-sheets"), Kind::Count),
            Column::new("free", say!("report-free"), Kind::Area).drawn(),
            Column::new("held", say!("report-held"), Kind::Area).drawn(),
            Column::new("wanted", say!("report-wanted"), Kind::Area),
            Column::new("planned", say!("report-planned"), Kind::Count),
            Column::new("reorder_at", say!("report-reorder-at"), Kind::Count),
            Column::new("on_order", say!("report-on-order"), Kind::Count),
            Column::new("buy", say!("report-buy"), Kind::Count),
            Column::new("size", say!("report-size"), Kind::Text),
            Column::new("price", say!("report-sheet-price"), Kind::Money),
            Column::new("supplier", say!("report-supplier"), Kind::Text),
            Column::new("sum", say!("report-sum"), Kind::Money).adds(),
        ],
    );
    for material in reader.materials()? {
        let mine = || on_hand.iter().filter(|p| p.material == material.id);
        let area = |status: Status| mine().filter(|p| p.status() == status).map(|p| p.shape.area2()).sum::<i64>();
        let (free2, held2) = (area(Status::Free), area(Status::Held));
        let sheets = mine().filter(|p| p.kind == PieceKind::Sheet && p.status() == Status::Free).count();
        let wanted2: i64 = orders
            .iter()
            .flat_map(|o| o.lines.iter().filter(|l| l.material == material.id).map(move |l| (o, l)))
            .flat_map(|(o, l)| {
                l.parts.iter().map(move |part| {
                    let (wanted, good) = o.wanted_and_good(l, &part.id);
                    i64::from(wanted.saturating_sub(good)).saturating_mul(part.shape.area2())
                })
            })
            .fold(0, i64::saturating_add);
        // What plans that are still to be cut would buy; of several for one order, the last.
        let planned = orders
            .iter()
            .filter_map(|o| plans.iter().rfind(|p| p.orders.first() == Some(&o.id)))
            .filter(|p| p.taken_over.is_none() && p.cut.is_empty())
            .flat_map(|p| &p.to_buy)
            .filter(|sheet| sheet.material == material.id)
            .count();
        let size = material.data.stock_sizes.first();
        let sheet2 = match size {
            Some(size) => 2 * size.w_um * size.h_um,
            None => {
                let largest = mine().filter(|p| p.kind == PieceKind::Sheet).map(|p| p.shape.area2()).max();
                largest.unwrap_or(2 * 1_219_200 * 2_438_400)
            }
        };
        let short2 = wanted2.saturating_sub(free2.saturating_add(held2)).max(0);
        let for_orders = planned.max(usize::try_from((short2 + sheet2.max(1) - 1) / sheet2.max(1)).unwrap_or(0));
        let reorder = material.data.reorder.filter(|r| sheets <= r.at as usize);
        let coming = deliveries.iter().flat_map(|d| d.open()).filter(|(o, _)| o.line.material == material.id);
        let on_order: usize = coming.map(|(_, open)| open as usize).sum();
        let needed = for_orders.max(reorder.map_or(0, |r| r.count as usize));
        if needed == 0 || material.retired {
            continue;
        }
        let buy = needed.saturating_sub(on_order);
        let price = size.and_then(|s| s.price).or_else(|| material::priced(sheet2, material.data.price_per_m2?));
        table.rows.push(vec![
            material.data.name.clone().into(),
            sheets.into(),
            free2.into(),
            held2.into(),
            wanted2.into(),
            planned.into(),
            material.data.reorder.map(|r| i64::from(r.at)).into(),
            on_order.into(),
            buy.into(),
            size.map(|s| sheetloft_ledger::units::format_size(s.w_um, s.h_um, shop.unit())).into(),
            price.into(),
            size.and_then(|s| s.supplier.clone()).into(),
            price.map(|p| p.saturating_mul(i64::try_from(buy).unwrap_or(i64::MAX))).into(),
        ]);
    }
    table.notes.push(say!("report-low-means").text());
    Ok(table)
}

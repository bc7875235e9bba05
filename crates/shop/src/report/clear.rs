//! What might be cleared out of the racks: offcuts that are old or too small to be kept by today's measure, and pieces,
//! whole sheets among them, of whose material nobody has used anything since they came; and what that would do to the
//! books.

use std::collections::HashMap;

use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::state::{How, Piece, Status};
use sheetloft_store::PieceFilter;
use uuid::Uuid;

use crate::error::Error;
use crate::material::Prices;
use crate::say;
use crate::shop::Shop;
use crate::view::{Names, size_text, spoken_size};

use super::{Column, Kind, Table};

const DAY_MS: u64 = 86_400_000;
/// An offcut that has lain so many days is old; common practice in stock-keeping, no source.
const OLD_DAYS: u64 = 365;
/// Of what has lain so many days while nothing of its material was cut or taken, nothing is needed; common practice in
/// stock-keeping, no source.
const UNUSED_DAYS: u64 = 180;

/// The table, one row a piece, the oldest first. Held pieces and customers' own are not in it.
pub(super) fn clear(shop: &Shop, now_ms: u64) -> Result<Table, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    let mut table = Table::new(
        say!("report-clear"),
        [
            Column::new("piece", say!("report-piece"), Kind::Text),
            Column::new("material", say!("report-material"), Kind::Text),
            Column::new("rack", say!("report-rack"), Kind::Text),
            Column::new("size", say!("report-size"), Kind::Text),
            Column::new("days", say!("report-lain-days"), Kind::Count),
            Column::new("why", say!("report-why"), Kind::Text),
            Column::new("area", say!("report-area"), Kind::Area).adds(),
            Column::new("value", say!("report-carried"), Kind::Money).adds().drawn(),
            Column::new("price", say!("report-price"), Kind::Money).adds(),
        ],
    );
    let mut pieces = reader.pieces(&PieceFilter::default())?;
    // When something of a material was last cut or taken.
    let mut used: HashMap<Uuid, u64> = HashMap::new();
    for piece in &pieces {
        if let Some(of) = piece.used.as_ref().filter(|u| matches!(u.how, How::Cut { .. } | How::Taken)) {
            let last = used.entry(piece.material).or_default();
            *last = of.at_ms.max(*last);
        }
    }
    let on_hand: i64 = pieces.iter().map(Piece::carried).sum();
    pieces.retain(|p| p.status() == Status::Free && p.owner.is_none());
    let (mut count, mut carried) = (0_usize, 0_i64);
    pieces.sort_by(|a, b| a.born_ms.cmp(&b.born_ms).then_with(|| a.code.cmp(&b.code)));
    for piece in pieces {
        let days = now_ms.saturating_sub(piece.born_ms) / DAY_MS;
        let material = names.material_data(piece.material);
        let (long, short) = spoken_size(&piece.shape);
        let offcut = piece.kind == PieceKind::Offcut;
        let small = offcut
            && material.is_some_and(|m| {
                let [a, b] = m.data.keep_from_um;
                (long, short) < (a.max(b), 0) || short < a.min(b)
            });
        let mut why = Vec::new();
        if offcut && days >= OLD_DAYS {
            why.push(say!("report-why-old").text());
        }
        if small {
            why.push(say!("report-why-small").text());
        }
        if days >= UNUSED_DAYS && used.get(&piece.material).is_none_or(|last| *last < piece.born_ms) {
            why.push(say!("report-why-unused").text());
        }
        if material.is_some_and(|m| m.retired) {
            why.push(say!("report-why-retired").text());
        }
        if why.is_empty() {
            continue;
        }
        count += 1;
        carried += piece.carried();
        table.rows.push(vec![
            piece.code.clone().into(),
            names.material(piece.material).into(),
            names.rack(piece.rack).into(),
            size_text(&piece.shape, shop).into(),
            i64::try_from(days).unwrap_or(i64::MAX).into(),
            why.join(", ").into(),
            piece.shape.area2().into(),
            piece.carried().into(),
            material.and_then(|m| prices.of(m, piece.shape.area2())).into(),
        ]);
    }
    if count > 0 {
        let left = shop.money(on_hand - carried);
        let effect = say!("report-clear-effect", count = count, sum = shop.money(carried), left = left);
        table.notes.push(effect.text());
    }
    table.notes.push(say!("report-clear-means").text());
    Ok(table)
}

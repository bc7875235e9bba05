//! What was used up, month by month and by material: where its area went, and what offcuts spared.

use std::collections::BTreeMap;

use sheetloft_ledger::body::{Areas, PieceKind};
use sheetloft_ledger::state::Piece;
use sheetloft_store::PieceFilter;

use crate::error::Error;
use crate::material::Prices;
use crate::say;
use crate::shop::Shop;
use crate::view::Names;

use super::table::share;
use super::{Between, Column, Kind, Table, month};

/// Where the area of a used piece went; of one thrown away, all of it is scrap.
pub(super) fn areas(piece: &Piece) -> Areas {
    let whole = || Areas { scrap2: piece.shape.area2(), ..Areas::default() };
    piece.used.as_ref().and_then(|u| u.areas).unwrap_or_else(whole)
}

/// What the area that was used up of a piece costs today as new material, where the piece was an offcut.
pub(super) fn spared(piece: &Piece, names: &Names, prices: &Prices) -> i64 {
    if piece.kind != PieceKind::Offcut {
        return 0;
    }
    let of = areas(piece);
    names.material_data(piece.material).and_then(|m| prices.of(m, of.parts2 + of.kerf2)).unwrap_or(0)
}

/// The table.
pub(super) fn usage(shop: &Shop, days: &Between) -> Result<Table, Error> {
    let reader = shop.read();
    let names = Names::read(&reader)?;
    let prices = Prices::read(&reader)?;
    #[derive(Default)]
    struct Sum {
        pieces: usize,
        of: Areas,
        charged: i64,
        written_off: i64,
        spared: i64,
    }
    let mut sums: BTreeMap<(String, String), Sum> = BTreeMap::new();
    for piece in reader.pieces(&PieceFilter::default())? {
        let Some(used) = piece.used.as_ref().filter(|u| days.hold(u.at_ms)) else { continue };
        let sum = sums.entry((month(used.at_ms), names.material(piece.material))).or_default();
        let of = areas(&piece);
        let (charged, written_off) = piece.charged_and_written_off();
        sum.pieces += 1;
        sum.of.parts2 += of.parts2;
        sum.of.kerf2 += of.kerf2;
        sum.of.offcuts2 += of.offcuts2;
        sum.of.scrap2 += of.scrap2;
        sum.charged += charged;
        sum.written_off += written_off;
        if !used.charges.is_empty() {
            sum.spared += spared(&piece, &names, &prices);
        }
    }
    let mut table = Table::new(
        say!("report-use"),
        [
            Column::new("month", say!("report-month"), Kind::Text),
            Column::new("material", say!("report-material"), Kind::Text),
            Column::new("pieces", say!("report-pieces"), Kind::Count).adds(),
            Column::new("parts", say!("report-parts"), Kind::Area).adds().drawn(),
            Column::new("kerf", say!("report-kerf"), Kind::Area).adds().drawn(),
            Column::new("scrap", say!("report-scrap"), Kind::Area).adds().drawn(),
            Column::new("kept", say!("report-kept"), Kind::Area).adds(),
            Column::new("yield", say!("report-yield"), Kind::Share),
            Column::new("scrapped", say!("report-scrapped"), Kind::Share),
            Column::new("charged", say!("report-charged"), Kind::Money).adds(),
            Column::new("written_off", say!("report-written-off"), Kind::Money).adds(),
            Column::new("spared", say!("report-spared"), Kind::Money).adds(),
        ],
    );
    for ((month, material), sum) in sums {
        let gone = sum.of.parts2 + sum.of.kerf2 + sum.of.scrap2;
        table.rows.push(vec![
            month.into(),
            material.into(),
            sum.pieces.into(),
            sum.of.parts2.into(),
            sum.of.kerf2.into(),
            sum.of.scrap2.into(),
            sum.of.offcuts2.into(),
            share(sum.of.parts2, gone).into(),
            share(sum.of.scrap2, gone).into(),
            sum.charged.into(),
            sum.written_off.into(),
            sum.spared.into(),
        ]);
    }
    table.notes.push(say!("report-spared-means").text());
    Ok(table)
}

//! A report printed: the table on A4, as PDF.

use sheetloft_labels::{self as labels, Section, Table as PaperTable, Ticket};

use crate::error::Error;
use crate::say;
use crate::shop::Shop;

use super::table::{Kind, Value, spoken};
use super::{Between, Table};

/// The document.
pub(super) fn pdf(shop: &Shop, table: &Table, days: &Between) -> Result<Vec<u8>, Error> {
    let cells = |row: &[Value]| -> Vec<String> {
        table.columns.iter().zip(row).map(|(c, value)| spoken(shop, c.kind, value)).collect()
    };
    let mut rows: Vec<Vec<String>> = table.rows.iter().map(|r| cells(r)).collect();
    if !rows.is_empty() {
        let mut total = cells(&table.total());
        if let Some(first) = total.first_mut() {
            *first = say!("report-total").text();
        }
        rows.push(total);
    }
    let mut about = Vec::new();
    let day = |d: Option<chrono::NaiveDate>| d.map_or_else(|| "—".to_owned(), |d| d.to_string());
    if days.from.is_some() || days.to.is_some() {
        about.push(say!("report-between", from = day(days.from), to = day(days.to)).text());
    }
    let nothing = if rows.is_empty() { vec![say!("report-nothing").text()] } else { Vec::new() };
    let shown = PaperTable {
        heads: table.columns.iter().map(|c| c.head.text()).collect(),
        // Words take more room than figures.
        shares: table.columns.iter().map(|c| if c.kind == Kind::Text { 1.7 } else { 1.0 }).collect(),
        rows,
        ticks: false,
    };
    let paper = Ticket {
        title: table.title.text(),
        payload: String::new(),
        about,
        sections: vec![
            Section { title: String::new(), lines: nothing, urgent: false, table: Some(shown) },
            Section { title: String::new(), lines: table.notes.clone(), urgent: false, table: None },
        ],
        pieces: Vec::new(),
        foot: say!("quote-foot", shop = &shop.setting.data.name).text(),
    };
    let document = labels::ticket(&paper).map_err(|e| Error::fault(say!("error-label", why = e.to_string())))?;
    Ok(document.bytes)
}

//! A report as CSV (RFC 4180), safe to open in a spreadsheet.

use crate::answer::Cell;
use crate::shop::Shop;

use super::Table;
use super::table::{Value, cell};

/// One line of column names, then the rows; no totals, so that it can be summed.
pub(super) fn csv(shop: &Shop, table: &Table) -> String {
    let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let names = table.columns.iter().map(|c| match c.kind {
        super::Kind::Area => format!("{}_mm2", c.key),
        super::Kind::Share => format!("{}_percent", c.key),
        _ => c.key.to_owned(),
    });
    // Writing into memory does not fail, and all rows are as long as the first.
    let _ = out.write_record(names);
    for row in &table.rows {
        let cells =
            table.columns.iter().zip(row).map(|(column, value)| match (cell(shop, column.kind, value), value) {
                (Some(Cell::Text(text)), Value::Text(_)) => harmless(text),
                (Some(Cell::Text(sum)), _) => sum,
                (Some(Cell::Number(n)), _) => n.to_string(),
                (None, _) => String::new(),
            });
        let _ = out.write_record(cells);
    }
    String::from_utf8(out.into_inner().unwrap_or_default()).unwrap_or_default()
}

/// Text that a spreadsheet would take for a formula gets an apostrophe in front.
/// Source: OWASP, "CSV Injection".
fn harmless(text: String) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::harmless;

    #[test]
    fn no_cell_begins_a_formula() {
        for text in ["=1+1", "+49", "-2", "@SUM(A1)", "\t=1", "\r=1"] {
            assert_eq!(harmless(text.to_owned()), format!("'{text}"));
        }
        assert_eq!(harmless("Birch = ply".to_owned()), "Birch = ply");
    }
}

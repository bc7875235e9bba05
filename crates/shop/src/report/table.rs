//! A report as a table.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use crate::answer::{Cell, ReportAnswer, ReportColumn};
use crate::say::Say;
use crate::shop::Shop;
use crate::view::mm2;

/// What the cells of a column hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Kind {
    /// Words or codes.
    Text,
    /// A number of things.
    Count,
    /// Twice an area, µm².
    Area,
    /// Minor units.
    Money,
    /// Tenths of a percent.
    Share,
}

impl Kind {
    /// Its word in answers.
    pub fn word(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Count => "count",
            Self::Area => "area",
            Self::Money => "money",
            Self::Share => "percent",
        }
    }
}

/// A column: its name in files, its heading for people, what is in it.
pub(crate) struct Column {
    pub key: &'static str,
    pub head: Say,
    pub kind: Kind,
    /// Whether the last row adds it up.
    pub adds: bool,
    /// Whether a plot draws it: one bar behind the other.
    pub drawn: bool,
}

impl Column {
    /// A column that neither adds up nor is drawn.
    pub fn new(key: &'static str, head: Say, kind: Kind) -> Self {
        Self { key, head, kind, adds: false, drawn: false }
    }

    /// The same, added up in the last row.
    pub fn adds(self) -> Self {
        Self { adds: true, ..self }
    }

    /// The same, drawn.
    pub fn drawn(self) -> Self {
        Self { drawn: true, ..self }
    }
}

/// One value.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Value {
    Text(String),
    Number(i64),
    Nothing,
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}
impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}
impl From<i64> for Value {
    fn from(number: i64) -> Self {
        Self::Number(number)
    }
}
impl From<usize> for Value {
    fn from(number: usize) -> Self {
        Self::Number(i64::try_from(number).unwrap_or(i64::MAX))
    }
}
impl<T: Into<Self>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Nothing, Into::into)
    }
}

/// Columns and rows.
pub(crate) struct Table {
    pub title: Say,
    pub columns: Vec<Column>,
    pub rows: Vec<Vec<Value>>,
    pub notes: Vec<String>,
}

impl Table {
    /// No rows yet.
    pub fn new<const N: usize>(title: Say, columns: [Column; N]) -> Self {
        Self { title, columns: columns.into(), rows: Vec::new(), notes: Vec::new() }
    }

    /// The totals of what adds up.
    pub fn total(&self) -> Vec<Value> {
        let sum = |at: usize| {
            let numbers = self.rows.iter().filter_map(|row| match row[at] {
                Value::Number(n) => Some(n),
                _ => None,
            });
            numbers.fold(0_i64, i64::saturating_add)
        };
        let columns = self.columns.iter().enumerate();
        columns.map(|(at, c)| if c.adds { Value::Number(sum(at)) } else { Value::Nothing }).collect()
    }

    /// The answer that the door gives.
    pub fn answer(&self, shop: &Shop, report: &str, from: Option<NaiveDate>, to: Option<NaiveDate>) -> ReportAnswer {
        let row = |row: &[Value]| -> BTreeMap<String, Option<Cell>> {
            let cells = self.columns.iter().zip(row);
            cells.map(|(column, value)| (column.key.to_owned(), cell(shop, column.kind, value))).collect()
        };
        ReportAnswer {
            report: report.to_owned(),
            title: self.title.text(),
            from: from.map(|d| d.to_string()),
            to: to.map(|d| d.to_string()),
            columns: self
                .columns
                .iter()
                .map(|c| ReportColumn {
                    key: c.key.to_owned(),
                    head: c.head.text(),
                    kind: c.kind.word().to_owned(),
                    drawn: c.drawn,
                })
                .collect(),
            rows: self.rows.iter().map(|r| row(r)).collect(),
            total: row(&self.total()),
            notes: self.notes.clone(),
        }
    }
}

/// A value as the door gives it: money as text, areas in mm², shares in percent.
pub(crate) fn cell(shop: &Shop, kind: Kind, value: &Value) -> Option<Cell> {
    match (value, kind) {
        (Value::Nothing, _) => None,
        (Value::Text(text), _) => Some(Cell::Text(text.clone())),
        (Value::Number(n), Kind::Money) => Some(Cell::Text(shop.money(*n))),
        (Value::Number(n), Kind::Area) => Some(Cell::Number(mm2(*n))),
        (Value::Number(n), Kind::Share) => Some(Cell::Number(*n as f64 / 10.0)),
        (Value::Number(n), Kind::Count | Kind::Text) => Some(Cell::Number(*n as f64)),
    }
}

/// A value as a person reads it.
pub(crate) fn spoken(shop: &Shop, kind: Kind, value: &Value) -> String {
    match cell(shop, kind, value) {
        None => String::new(),
        Some(Cell::Number(mm2)) if kind == Kind::Area => format!("{:.2} m²", mm2 / 1e6),
        Some(Cell::Number(n)) => n.to_string(),
        Some(Cell::Text(text)) => text,
    }
}

/// A share in tenths of a percent, rounded half up; nothing of nothing.
pub(crate) fn share(part: i64, whole: i64) -> Option<i64> {
    if whole <= 0 {
        return None;
    }
    let share = (i128::from(part) * 2_000 + i128::from(whole)) / (2 * i128::from(whole));
    i64::try_from(share).ok()
}

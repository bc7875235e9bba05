//! `report`: stock value and age, use and yield, cost by order, what to buy; as a table, CSV or a plot.
//!
//! A report is a table: columns of few kinds, rows of cells under the columns' names, a last row of totals. What is
//! printed, written to files and shown on screens is made of that alone.

mod clear;
mod csv;
mod low;
mod orders;
mod paper;
mod plot;
mod table;
mod usage;
mod value;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Days, NaiveDate};

use crate::action;
use crate::answer::{FileAnswer, ReportAnswer};
use crate::error::Error;
use crate::say;
use crate::say::Say;
use crate::shop::{Shop, filled, shown, word};
use table::{Column, Kind, Table};

/// What a report is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum About {
    Value,
    Use,
    Orders,
    Low,
    Clear,
}

impl About {
    /// The word for it.
    fn word(self) -> &'static str {
        match self {
            Self::Value => "value",
            Self::Use => "use",
            Self::Orders => "orders",
            Self::Low => "low",
            Self::Clear => "clear",
        }
    }
}

/// The days that a report is about, both included; open where nothing was said.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Between {
    from: Option<NaiveDate>,
    to: Option<NaiveDate>,
}

impl Between {
    fn read(from: Option<&str>, to: Option<&str>) -> Result<Self, Error> {
        let days = Self { from: day(from, "from")?, to: day(to, "to")? };
        if days.from.zip(days.to).is_some_and(|(from, to)| from > to) {
            return Err(Error::bad(say!("error-days-turned")).at("to"));
        }
        Ok(days)
    }

    /// The first moment after the last day, ms; none where it is open.
    pub fn end_ms(&self) -> Option<u64> {
        let after = self.to?.checked_add_days(Days::new(1))?.and_hms_opt(0, 0, 0)?;
        Some(u64::try_from(after.and_utc().timestamp_millis()).unwrap_or(0))
    }

    /// Whether a moment lies within.
    pub fn hold(&self, ms: u64) -> bool {
        let begin = self.from.and_then(|day| day.and_hms_opt(0, 0, 0)).map_or(0, |t| t.and_utc().timestamp_millis());
        i64::try_from(ms).is_ok_and(|ms| ms >= begin) && self.end_ms().is_none_or(|end| ms < end)
    }
}

fn day(given: Option<&str>, field: &'static str) -> Result<Option<NaiveDate>, Error> {
    let Some(text) = filled(given).map(str::trim) else { return Ok(None) };
    let day = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|_| text.len() == 10);
    day.map(Some).ok_or_else(|| Error::bad(say!("error-date", text = shown(text))).at(field))
}

/// The month of a moment, `2026-03`.
pub(crate) fn month(ms: u64) -> String {
    let at = i64::try_from(ms).ok().and_then(DateTime::from_timestamp_millis);
    at.map(|t| t.format("%Y-%m").to_string()).unwrap_or_default()
}

/// A report, as of now or between two days (UTC).
pub fn report(shop: &Shop, with: &action::Report, now_ms: u64) -> Result<ReportAnswer, Error> {
    let (about, days, table) = made(shop, &with.report, with.from.as_deref(), with.to.as_deref(), now_ms)?;
    Ok(table.answer(shop, about.word(), days.from, days.to))
}

/// What a report can be written as.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Format {
    Csv,
    Svg,
    Png,
    Pdf,
}

/// A report as a file: CSV, a plot as SVG or PNG, or printed as PDF.
pub fn file(shop: &Shop, with: &action::ReportFile, now_ms: u64) -> Result<FileAnswer, Error> {
    let formats = [("csv", Format::Csv), ("svg", Format::Svg), ("png", Format::Png), ("pdf", Format::Pdf)];
    let format = word(Some(&with.format), &formats, Format::Csv, "format")?;
    let (about, days, table) = made(shop, &with.report, with.from.as_deref(), with.to.as_deref(), now_ms)?;
    let name = match days.to {
        Some(day) => format!("{}-{day}", about.word()),
        None => about.word().to_owned(),
    };
    let (ending, media_type, bytes) = match format {
        Format::Csv => ("csv", "text/csv; charset=utf-8", csv::csv(shop, &table).into_bytes()),
        Format::Svg => ("svg", "image/svg+xml", plot::svg(shop, &table).into_bytes()),
        Format::Png => ("png", "image/png", plot::png(shop, &table)?),
        Format::Pdf => ("pdf", "application/pdf", paper::pdf(shop, &table, &days)?),
    };
    Ok(FileAnswer {
        name: format!("{name}.{ending}"),
        media_type: media_type.to_owned(),
        data: STANDARD.encode(bytes),
        warnings: Vec::new(),
    })
}

fn made(
    shop: &Shop,
    report: &str,
    from: Option<&str>,
    to: Option<&str>,
    now_ms: u64,
) -> Result<(About, Between, Table), Error> {
    let needed = || Error::bad(say!("error-needed")).at("report");
    let given = filled(Some(report)).ok_or_else(needed)?;
    let words = [About::Value, About::Use, About::Orders, About::Low, About::Clear].map(|a| (a.word(), a));
    let about = word(Some(given), &words, About::Value, "report")?;
    let days = Between::read(from, to)?;
    let only_now = |field: Option<NaiveDate>, name: &'static str, said: Say| match field {
        Some(_) => Err(Error::bad(said).at(name)),
        None => Ok(()),
    };
    let table = match about {
        About::Value => {
            only_now(days.from, "from", say!("error-report-one-day"))?;
            value::value(shop, &days, now_ms)?
        }
        About::Use => usage::usage(shop, &days)?,
        About::Orders => orders::orders(shop, &days)?,
        About::Clear => {
            only_now(days.from, "from", say!("error-report-now"))?;
            only_now(days.to, "to", say!("error-report-now"))?;
            clear::clear(shop, now_ms)?
        }
        About::Low => {
            only_now(days.from, "from", say!("error-report-now"))?;
            only_now(days.to, "to", say!("error-report-now"))?;
            low::low(shop)?
        }
    };
    Ok((about, days, table))
}

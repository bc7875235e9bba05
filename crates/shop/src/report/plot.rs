//! A report as a picture: for each row a bar, its drawn columns one behind the other.

use std::fmt::Write as _;

use crate::say;
use crate::shop::Shop;

use super::table::{Column, Value, spoken};
use super::{Kind, Table};

/// Most rows that are drawn: the largest.
const ROWS: usize = 40;
const WIDTH: f64 = 900.0;
const NAMES: f64 = 300.0;
const ROW: f64 = 26.0;
const FONT: &str = "font-family=\"Noto Sans, DejaVu Sans, sans-serif\" font-size=\"13\"";
/// Told apart by people who see colours less, too: Okabe and Ito, "Color Universal Design" (2008).
const COLOURS: [&str; 5] = ["#0072b2", "#e69f00", "#999999", "#009e73", "#d55e00"];

/// The plot as SVG.
pub(super) fn svg(shop: &Shop, table: &Table) -> String {
    let drawn: Vec<(usize, &Column)> = table.columns.iter().enumerate().filter(|(_, c)| c.drawn).collect();
    let named: Vec<usize> = (0..table.columns.len()).filter(|&i| table.columns[i].kind == Kind::Text).collect();
    let number = |value: &Value| if let Value::Number(n) = value { (*n).max(0) } else { 0 };
    let length = |row: &Vec<Value>| drawn.iter().map(|(at, _)| number(&row[*at])).fold(0_i64, i64::saturating_add);
    let mut rows: Vec<&Vec<Value>> = table.rows.iter().collect();
    let left_out = rows.len().saturating_sub(ROWS);
    if left_out > 0 {
        rows.sort_by_key(|row| std::cmp::Reverse(length(row)));
        rows.truncate(ROWS);
    }
    let most = rows.iter().map(|r| length(r)).max().unwrap_or(0).max(1);
    let top = 40.0 + 20.0 * drawn.len() as f64;
    let height = top + ROW * rows.len() as f64 + 40.0;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" height=\"{height}\" {FONT}>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n\
         <text x=\"12\" y=\"24\" font-size=\"17\" font-weight=\"600\">{}</text>\n",
        escaped(&table.title.text()),
    );
    for (n, (_, column)) in drawn.iter().enumerate() {
        let y = 36.0 + 20.0 * n as f64;
        let _ = writeln!(
            out,
            "<rect x=\"12\" y=\"{y}\" width=\"14\" height=\"14\" fill=\"{}\"/><text x=\"32\" y=\"{}\">{}</text>",
            COLOURS[n % COLOURS.len()],
            y + 12.0,
            escaped(&column.head.text()),
        );
    }
    for (n, row) in rows.iter().enumerate() {
        let y = top + ROW * n as f64;
        let name: Vec<String> = named
            .iter()
            .filter_map(|&i| if let Value::Text(text) = &row[i] { Some(text.clone()) } else { None })
            .collect();
        let name: String = name.join(" · ").chars().take(42).collect();
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">{}</text>",
            NAMES - 8.0,
            y + 17.0,
            escaped(&name)
        );
        let mut x = NAMES;
        for (k, (at, column)) in drawn.iter().enumerate() {
            let value = number(&row[*at]);
            let wide = (WIDTH - NAMES - 110.0) * value as f64 / most as f64;
            let _ = writeln!(
                out,
                "<rect x=\"{x:.2}\" y=\"{}\" width=\"{wide:.2}\" height=\"{}\" fill=\"{}\"><title>{}: {}</title></rect>",
                y + 4.0,
                ROW - 8.0,
                COLOURS[k % COLOURS.len()],
                escaped(&column.head.text()),
                escaped(&spoken(shop, column.kind, &row[*at])),
            );
            x += wide;
        }
        if let Some((_, column)) = drawn.first() {
            let all = spoken(shop, column.kind, &Value::Number(length(row)));
            let _ = writeln!(out, "<text x=\"{:.2}\" y=\"{}\">{}</text>", x + 6.0, y + 17.0, escaped(&all));
        }
    }
    let below = match (rows.is_empty(), left_out) {
        (true, _) => say!("report-nothing").text(),
        (_, 0) => String::new(),
        (_, more) => say!("report-more-rows", count = more).text(),
    };
    let _ = writeln!(out, "<text x=\"12\" y=\"{}\">{}</text>\n</svg>", height - 14.0, escaped(&below));
    out
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

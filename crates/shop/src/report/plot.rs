//! A report as a picture: for each row a bar, its drawn columns one behind the other. The same picture as SVG and PNG.

use std::fmt::Write as _;

use sheetloft_labels::{Plot, PlotBox, PlotText, plot_png};

use crate::error::Error;
use crate::say;
use crate::shop::Shop;

use super::table::{Column, Value, spoken};
use super::{Kind, Table};

/// Most rows that are drawn: the largest.
const ROWS: usize = 40;
const WIDTH: f32 = 900.0;
const NAMES: f32 = 300.0;
const ROW: f32 = 26.0;
const TEXT: f32 = 13.0;
const TITLE: f32 = 17.0;
/// Told apart by people who see colours less, too: Okabe and Ito, "Color Universal Design" (2008).
const COLOURS: [[u8; 3]; 5] = [[0, 114, 178], [230, 159, 0], [153, 153, 153], [0, 158, 115], [213, 94, 0]];
/// Dots of a PNG to the unit: sharp on a screen of double density and on paper 18 cm wide at 254 dots to the inch.
const DOTS: f32 = 2.0;

/// The plot as SVG.
pub(super) fn svg(shop: &Shop, table: &Table) -> String {
    let Plot { width, height, boxes, texts } = plot(shop, table);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
         font-family=\"DejaVu Sans Condensed, DejaVu Sans, Noto Sans, sans-serif\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n",
    );
    for PlotBox { x, y, w, h, colour: [r, g, b], title } in &boxes {
        let _ = writeln!(
            out,
            "<rect x=\"{x:.2}\" y=\"{y}\" width=\"{w:.2}\" height=\"{h}\" fill=\"#{r:02x}{g:02x}{b:02x}\"><title>{}</title></rect>",
            escaped(title),
        );
    }
    for PlotText { x, y, ends, size, bold, text } in &texts {
        let anchor = if *ends { " text-anchor=\"end\"" } else { "" };
        let weight = if *bold { " font-weight=\"700\"" } else { "" };
        let text = escaped(text);
        let _ = writeln!(out, "<text x=\"{x:.2}\" y=\"{y}\" font-size=\"{size}\"{anchor}{weight}>{text}</text>");
    }
    out.push_str("</svg>");
    out
}

/// The plot as PNG.
pub(super) fn png(shop: &Shop, table: &Table) -> Result<Vec<u8>, Error> {
    plot_png(&plot(shop, table), DOTS).map_err(|e| Error::fault(say!("error-label", why = e.to_string())))
}

/// The picture itself.
fn plot(shop: &Shop, table: &Table) -> Plot {
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
    let top = 40.0 + 20.0 * drawn.len() as f32;
    let mut plot =
        Plot { width: WIDTH, height: top + ROW * rows.len() as f32 + 40.0, boxes: Vec::new(), texts: Vec::new() };
    let text = |x: f32, y: f32, ends: bool, text: String| PlotText { x, y, ends, size: TEXT, bold: false, text };
    plot.texts.push(PlotText { x: 12.0, y: 24.0, ends: false, size: TITLE, bold: true, text: table.title.text() });
    for (n, (_, column)) in drawn.iter().enumerate() {
        let y = 36.0 + 20.0 * n as f32;
        let colour = COLOURS[n % COLOURS.len()];
        plot.boxes.push(PlotBox { x: 12.0, y, w: 14.0, h: 14.0, colour, title: column.head.text() });
        plot.texts.push(text(32.0, y + 12.0, false, column.head.text()));
    }
    for (n, row) in rows.iter().enumerate() {
        let y = top + ROW * n as f32;
        let name: Vec<String> = named
            .iter()
            .filter_map(|&i| if let Value::Text(text) = &row[i] { Some(text.clone()) } else { None })
            .collect();
        let name: String = name.join(" · ").chars().take(42).collect();
        plot.texts.push(text(NAMES - 8.0, y + 17.0, true, name));
        let mut x = NAMES;
        for (k, (at, column)) in drawn.iter().enumerate() {
            let w = (f64::from(WIDTH - NAMES - 110.0) * number(&row[*at]) as f64 / most as f64) as f32;
            let title = format!("{}: {}", column.head.text(), spoken(shop, column.kind, &row[*at]));
            plot.boxes.push(PlotBox { x, y: y + 4.0, w, h: ROW - 8.0, colour: COLOURS[k % COLOURS.len()], title });
            x += w;
        }
        if let Some((_, column)) = drawn.first() {
            let all = spoken(shop, column.kind, &Value::Number(length(row)));
            plot.texts.push(text(x + 6.0, y + 17.0, false, all));
        }
    }
    let below = match (rows.is_empty(), left_out) {
        (true, _) => say!("report-nothing").text(),
        (_, 0) => String::new(),
        (_, more) => say!("report-more-rows", count = more).text(),
    };
    plot.texts.push(text(12.0, plot.height - 14.0, false, below));
    plot
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

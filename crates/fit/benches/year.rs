//! A year in a workshop: 40 orders planned one after another on 500 offcuts and on sheets that are bought, beside two
//! simple ways to do it. Tells the sheets bought and the money saved. `SHEETLOFT_SECONDS` for each order.

mod open;
#[path = "../tests/support/mod.rs"]
mod support;

use open::{Deadline, seconds};
use sheetloft_fit::plan::{Options, Plan, Stock, Supply, Wanted, plan};
use sheetloft_fit::{KeepFrom, Turns};
use sheetloft_shapes::Shape;
use support::{FAMILIES, Rng, offcut, part};

/// Width and height of a 4 × 8 ft sheet, µm, and its price in cents (invented).
const SHEET_UM: (i64, i64) = (2_438_400, 1_219_200);
const SHEET_CENTS: i64 = 8_000;
const KEEP: KeepFrom = KeepFrom { w_um: 100_000, h_um: 200_000 };
const OFFCUTS: usize = 500;
const ORDERS: usize = 40;

fn main() {
    let seconds = seconds();
    println!(
        "\n{ORDERS} orders one after another, {OFFCUTS} offcuts at first, leftovers become stock; {seconds} s an order"
    );
    println!("kerf 0.2, gap 2, margin 5 mm\n");
    let orders = orders();
    let count: usize = orders.iter().map(Vec::len).sum();
    let area: f64 = orders.iter().flatten().map(|p| p.area2() as f64 / 2e12).sum();
    println!("{count} parts, {area:.1} m²\n");
    println!("{:<44} {:>7} {:>10} {:>14} {:>12}", "", "sheets", "bought", "offcuts after", "of m²");
    let rows = in_rows(&orders);
    let line = |name: &str, sheets: usize, after: Option<(usize, f64)>| {
        let money = sheets as i64 * SHEET_CENTS;
        let (n, m2) =
            after.map_or((String::from("—"), String::from("—")), |(n, a)| (n.to_string(), format!("{a:.1}")));
        println!("{name:<44} {sheets:>7} {:>10.2} {n:>14} {m2:>12}", money as f64 / 100.0);
        money
    };
    let a = line("(a) always a new sheet, boxes in rows", rows, None);
    let (first, stock) = first_by_size(&orders);
    let b = line("(b) first offcut long and wide enough", first, Some(stock));
    let (ours, stock) = planned(&orders, seconds);
    let c = line("plans", ours, Some(stock));
    let saved = |than: i64| (than - c) as f64 / 100.0;
    let percent = |than: i64| 100.0 * (than - c) as f64 / than.max(1) as f64;
    println!(
        "\nsaved beside (a): {:.2} ({:.0} %); beside (b): {:.2} ({:.0} %)",
        saved(a),
        percent(a),
        saved(b),
        percent(b)
    );
}

fn offcuts() -> Vec<Shape> {
    let mut rng = Rng(77);
    (0..OFFCUTS).map(|_| offcut(&mut rng)).collect()
}

/// Mixed parts: panels, odd ones, discs.
fn orders() -> Vec<Vec<Shape>> {
    let mut rng = Rng(78);
    (0..ORDERS)
        .map(|_| {
            let mut parts = Vec::new();
            for _ in 0..2 + rng.below(6) {
                let size = rng.range(80_000.0, 700_000.0);
                let shape = match rng.below(5) {
                    0..3 => Shape::rectangle(size as i64, (size * rng.range(0.25, 1.0)) as i64).ok(),
                    _ => {
                        let family = rng.pick(&FAMILIES);
                        Some(part(&mut rng, family, size * 0.8))
                    }
                };
                let copies = 1 + rng.below(6);
                parts.extend(shape.into_iter().flat_map(|s| std::iter::repeat_n(s, copies)));
            }
            parts
        })
        .collect()
}

/// Sides of the box around a part, the longer first.
fn sides(part: &Shape) -> (i64, i64) {
    let (lo, hi) = part.bounds();
    let (w, h) = (i64::from(hi.x) - i64::from(lo.x), i64::from(hi.y) - i64::from(lo.y));
    (w.max(h), w.min(h))
}

const MARGIN: i64 = 5_200;
const BETWEEN: i64 = 2_200;

/// Boxes in rows on new sheets for each order, highest first; what is left is thrown away.
fn in_rows(orders: &[Vec<Shape>]) -> usize {
    let (w, h) = (SHEET_UM.0 - 2 * MARGIN, SHEET_UM.1 - 2 * MARGIN);
    orders
        .iter()
        .map(|order| {
            let mut boxes: Vec<(i64, i64)> = order.iter().map(sides).collect();
            boxes.sort_by_key(|b| std::cmp::Reverse((b.1, b.0)));
            // Rows of each sheet: (end of the row so far, its height); and the height taken up.
            let mut sheets: Vec<(Vec<(i64, i64)>, i64)> = Vec::new();
            for (long, short) in boxes {
                let place = |(rows, top): &mut (Vec<(i64, i64)>, i64)| {
                    for row in rows.iter_mut() {
                        let at = if row.0 == 0 { 0 } else { row.0 + BETWEEN };
                        if short <= row.1 && at + long <= w {
                            row.0 = at + long;
                            return true;
                        }
                    }
                    let at = if *top == 0 { 0 } else { *top + BETWEEN };
                    let fits = at + short <= h;
                    if fits {
                        rows.push((long, short));
                        *top = at + short;
                    }
                    fits
                };
                if !sheets.iter_mut().any(place) {
                    sheets.push((vec![(long, short)], short));
                }
            }
            sheets.len()
        })
        .sum()
}

/// For each part the first offcut in the list that is longer and wider than the part's box, by the sizes on their
/// labels (largest rectangle); a new sheet where there is none. What is left beside the box goes back with the size of
/// the larger of its two rectangles.
fn first_by_size(orders: &[Vec<Shape>]) -> (usize, (usize, f64)) {
    let label =
        |s: &Shape| sheetloft_shapes::rectangle::largest_rectangle(s).map_or((0, 0), |r| (r.long_um, r.short_um));
    let mut stock: Vec<(i64, i64)> = offcuts().iter().map(label).collect();
    let mut sheets = 0;
    for part in orders.iter().flatten() {
        let (long, short) = sides(part);
        let (long, short) = (long + 2 * MARGIN, short + 2 * MARGIN);
        let (l, s) = match stock.iter().position(|o| o.0 >= long && o.1 >= short) {
            Some(n) => stock.remove(n),
            None => {
                sheets += 1;
                SHEET_UM
            }
        };
        let beside = ((l - long).max(s), (l - long).min(s));
        let above = (l.max(s - short), l.min(s - short));
        let left = if beside.0 * beside.1 >= above.0 * above.1 { beside } else { above };
        if left.0 >= KEEP.h_um && left.1 >= KEEP.w_um {
            stock.push(left);
        }
    }
    let m2 = stock.iter().map(|o| (o.0 * o.1) as f64 / 1e12).sum();
    (sheets, (stock.len(), m2))
}

/// What the plans buy and leave.
fn planned(orders: &[Vec<Shape>], seconds: f64) -> (usize, (usize, f64)) {
    let percent: u32 = std::env::var("SHEETLOFT_PERCENT").ok().and_then(|p| p.parse().ok()).unwrap_or(100);
    let Ok(sheet) = Shape::rectangle(SHEET_UM.0, SHEET_UM.1) else { return (0, (0, 0.0)) };
    let price = |s: &Shape| i64::try_from(i128::from(s.area2()) * i128::from(SHEET_CENTS) / i128::from(sheet.area2()));
    let mut offcuts: Vec<Shape> = offcuts();
    let turns = Turns::any();
    let mut bought = 0;
    for order in orders {
        let wanted: Vec<Wanted<'_>> = order.iter().map(|shape| Wanted::new(shape, &turns, false)).collect();
        let stock: Vec<Stock<'_>> = offcuts
            .iter()
            .chain([&sheet])
            .enumerate()
            .map(|(age, shape)| {
                let is_sheet = age == offcuts.len();
                Stock {
                    shape,
                    flaws: &[],
                    grain: None,
                    is_sheet,
                    supply: if is_sheet { Supply::ToBuy } else { Supply::OnHand },
                    price: price(shape).unwrap_or(0) * if is_sheet { 100 } else { i64::from(percent) } / 100,
                    leftover_percent: if is_sheet { percent } else { 100 },
                    age: age as u64,
                    lot: 0,
                }
            })
            .collect();
        let options = Options {
            kerf_um: 200,
            gap_um: 2_000,
            margin_um: 5_000,
            keep: KEEP,
            rounds: u32::MAX,
            threads: 2,
            ..Options::default()
        };
        let plan: Plan = plan(&wanted, &stock, &options, &mut Deadline::after(seconds));
        assert_eq!(plan.not_placed, [], "a sheet holds every part");
        let mut gone: Vec<usize> = plan.used.iter().map(|u| u.stock).filter(|&s| s < offcuts.len()).collect();
        bought += plan.used.len() - gone.len();
        let left: Vec<Shape> = plan.used.iter().flat_map(|u| u.remains.kept.iter().cloned()).collect();
        gone.sort_unstable();
        gone.into_iter().rev().for_each(|n| drop(offcuts.remove(n)));
        offcuts.extend(left);
    }
    let m2 = offcuts.iter().map(|o| o.area2() as f64 / 2e12).sum();
    (bought, (offcuts.len(), m2))
}

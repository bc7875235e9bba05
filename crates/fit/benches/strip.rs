//! How dense the engine packs strips, beside the best published values: the open data sets, some seconds each.
//!
//! Not a measure of time: a table of densities reached. `SHEETLOFT_SECONDS`, `SHEETLOFT_ONLY`, `SHEETLOFT_SEED`.

mod open;

use open::{Deadline, is_asked, scale, seconds, shape, strips, turns};
use sheetloft_fit::{StripOptions, StripPart, Turns, strip};
use sheetloft_shapes::Shape;

fn main() {
    let seconds = seconds();
    let seed = std::env::var("SHEETLOFT_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(1);
    println!("\nStrips, {seconds} s each on 2 threads: density in %, published (2009, 2013) and reached\n");
    println!("{:<10} {:>6} {:>7} {:>7} {:>8} {:>10}", "set", "parts", "2009", "2013", "reached", "% of 2013");
    let mut shares = Vec::new();
    for set in strips().iter().filter(|s| is_asked(&s.name)) {
        let scale = scale(set.strip_height);
        let parts: Vec<(Shape, Turns)> = set
            .parts
            .iter()
            .flat_map(|p| std::iter::repeat_n((shape(&p.outline, scale), turns(&p.turns_deg)), p.quantity))
            .filter_map(|(s, t)| Some((s?, t)))
            .collect();
        let wanted: Vec<StripPart<'_>> =
            parts.iter().map(|(shape, turns)| StripPart { shape, turns, flip: false }).collect();
        let width_um = (set.strip_height * scale).round() as i64;
        let options = StripOptions { width_um, between_um: 0, seed, rounds: u32::MAX, threads: 2 };
        let found = strip(&wanted, &options, &mut Deadline::after(seconds));
        let density = found.map_or(0.0, |f| set.full_length * scale / f.length_um as f64 * 100.0);
        let share = density / set.published_density_percent.y2013 * 100.0;
        shares.push(share);
        let y2009 = set.published_density_percent.y2009.map_or_else(|| "—".to_owned(), |d| format!("{d:.2}"));
        println!(
            "{:<10} {:>6} {:>7} {:>7.2} {:>8.2} {:>10.2}",
            set.name,
            parts.len(),
            y2009,
            set.published_density_percent.y2013,
            density,
            share
        );
    }
    if !shares.is_empty() {
        let mean = shares.iter().sum::<f64>() / shares.len() as f64;
        let least = shares.iter().copied().fold(f64::INFINITY, f64::min);
        println!("{:<10} {mean:>42.2} on average, {least:.2} at least", "");
    }
}

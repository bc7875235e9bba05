//! How many sheets a plan needs: sets of parts whose least number of sheets is known, and rectangles beside a
//! general-purpose packing library.
//!
//! Not a measure of time: tables of sheets needed. `SHEETLOFT_SECONDS`, `SHEETLOFT_ONLY` (names of sets).

mod open;
#[path = "../tests/support/mod.rs"]
mod support;

use std::collections::BTreeMap;

use open::{Deadline, is_asked, scale, seconds, shape, solved};
use rectangle_pack::{
    GroupedRectsToPlace, RectToInsert, TargetBin, contains_smallest_box, pack_rects, volume_heuristic,
};
use sheetloft_fit::plan::{Options, Stock, Supply, Wanted, plan};
use sheetloft_fit::{KeepFrom, Turns};
use sheetloft_shapes::{Placement, Shape, Turn};
use support::Rng;

fn main() {
    known_optimum();
    rectangles();
}

/// What a plan needs of one size of sheet.
struct Needed {
    sheets: usize,
    /// No plan needs fewer.
    least: usize,
    /// Sheets' worth used up: leftovers worth keeping taken off, at what they count for.
    used: f64,
}

/// Plans the parts on sheets that can be bought, a leftover counting for so much percent of its share.
fn needed(parts: &[Shape], turns: &Turns, sheet: &Shape, leftover_percent: u32, seconds: f64) -> Needed {
    let wanted: Vec<Wanted<'_>> = parts.iter().map(|shape| Wanted::new(shape, turns, false)).collect();
    let stock = [Stock {
        shape: sheet,
        flaws: &[],
        grain: None,
        is_sheet: true,
        supply: Supply::ToBuy,
        price: 1_000_000,
        leftover_percent,
        age: 0,
        lot: 0,
    }];
    let keep = KeepFrom { w_um: 100_000, h_um: 100_000 };
    let options = Options { keep, rounds: u32::MAX, patience: u32::MAX, threads: 2, ..Options::default() };
    let plan = plan(&wanted, &stock, &options, &mut Deadline::after(seconds));
    assert_eq!(plan.not_placed, [], "every part fits on a sheet");
    Needed { sheets: plan.used.len(), least: plan.least_pieces, used: plan.cost as f64 / 1e6 }
}

/// Parts that fill some sheets completely (Terashima and others), shuffled and turned by quarters.
fn known_optimum() {
    let seconds = seconds();
    println!("\nParts that fill so many sheets completely, {seconds} s each on 2 threads\n");
    println!("{:<12} {:>6} {:>8} {:>8} {:>7}", "set", "parts", "optimum", "needed", "excess");
    let mut excess = Vec::new();
    for (n, set) in solved().iter().filter(|s| is_asked(&s.name)).enumerate() {
        let mut rng = Rng(n as u64);
        let scale = scale(set.sheet[0]);
        let outlines = set.solution.iter().flatten();
        let mut parts: Vec<Shape> = outlines
            .filter_map(|o| {
                let turn = Turn(90_000_000 * rng.below(4) as i64);
                shape(o, scale)?.placed(&Placement { turn, ..Placement::default() }).ok()
            })
            .collect();
        for i in (1..parts.len()).rev() {
            parts.swap(i, rng.below(i + 1));
        }
        let Ok(sheet) = Shape::rectangle((set.sheet[0] * scale) as i64, (set.sheet[1] * scale) as i64) else {
            continue;
        };
        let needed = needed(&parts, &Turns::quarter(), &sheet, 0, seconds).sheets;
        let more = needed as f64 - set.optimal_sheets as f64;
        excess.push(more);
        println!("{:<12} {:>6} {:>8} {:>8} {:>7}", set.name, parts.len(), set.optimal_sheets, needed, more);
    }
    if !excess.is_empty() {
        let solved = excess.iter().filter(|e| **e <= 0.0).count();
        let mean = excess.iter().sum::<f64>() / excess.len() as f64;
        println!("{:<12} mean excess {mean:.3}, {solved} of {} with no excess", "", excess.len());
    }
}

/// Width and height of a 4 × 8 ft sheet, µm.
const SHEET_UM: (i64, i64) = (2_438_400, 1_219_200);

/// Rectangles cut from full sheets by this program's own generator: by straight cuts from side to side, or with places
/// where four meet around a fifth; so that the least number of sheets is known.
fn rectangles() {
    let seconds = seconds();
    println!(
        "\nRectangles cut from full sheets, {seconds} s each on 2 threads, beside rectangle-pack 0.4 (best of both"
    );
    println!("ways up for all); used: sheets' worth used up, leftovers worth keeping at 90 % taken off\n");
    println!(
        "{:<16} {:>6} {:>8} {:>9} {:>8} {:>9} {:>9} {:>9}",
        "set", "parts", "optimum", "at least", "needed", "used", "library", "used"
    );
    let (mut ours, mut theirs, mut least) = (0, 0, 0);
    for (name, straight) in [("straight", true), ("pinwheels", false)] {
        for (n, (count, smallest)) in [(2, 300_000), (4, 200_000), (6, 350_000), (10, 250_000)].into_iter().enumerate()
        {
            if !is_asked(name) {
                continue;
            }
            let mut rng = Rng(n as u64 + 10);
            let mut parts = Vec::new();
            for _ in 0..count {
                cut(&mut rng, SHEET_UM.0, SHEET_UM.1, smallest, straight, &mut parts);
            }
            for i in (1..parts.len()).rev() {
                parts.swap(i, rng.below(i + 1));
            }
            let shapes: Vec<Shape> = parts.iter().filter_map(|&(w, h)| Shape::rectangle(w, h).ok()).collect();
            let Ok(sheet) = Shape::rectangle(SHEET_UM.0, SHEET_UM.1) else { continue };
            let needed = needed(&shapes, &Turns::quarter(), &sheet, 90, seconds);
            let (library, library_used) = library(&parts);
            ours += needed.sheets;
            theirs += library;
            least += count;
            println!(
                "{:<16} {:>6} {:>8} {:>9} {:>8} {:>9.2} {:>9} {:>9.2}",
                format!("{name} {count}"),
                parts.len(),
                count,
                needed.least,
                needed.sheets,
                needed.used,
                library,
                library_used
            );
        }
    }
    println!("{:<16} {:>6} {least:>8} {:>9} {ours:>8} {:>9} {theirs:>9}", "all", "", "", "");
}

/// Cuts a rectangle up until its pieces are of about the smallest size.
fn cut(rng: &mut Rng, w: i64, h: i64, smallest: i64, straight: bool, parts: &mut Vec<(i64, i64)>) {
    let between = |rng: &mut Rng, lo: i64, hi: i64| lo + (rng.unit() * (hi - lo) as f64) as i64;
    let large = w.min(h) > 3 * smallest;
    if !straight && large {
        // Four around a fifth.
        let (a, b) = (between(rng, w / 4, w / 2), between(rng, h / 4, h / 2));
        let (c, d) = (between(rng, a + smallest / 2, w * 3 / 4), between(rng, b + smallest / 2, h * 3 / 4));
        for (w, h) in [(c, b), (w - c, d), (w - a, h - d), (a, h - b), (c - a, d - b)] {
            cut(rng, w, h, smallest, straight, parts);
        }
        return;
    }
    if w.max(h) < 2 * smallest || (!large && rng.below(4) == 0) {
        parts.push(if rng.below(2) == 0 { (w, h) } else { (h, w) });
        return;
    }
    if w > h {
        let at = between(rng, smallest.min(w / 2), w - smallest.min(w / 2));
        cut(rng, at, h, smallest, straight, parts);
        cut(rng, w - at, h, smallest, straight, parts);
    } else {
        let at = between(rng, smallest.min(h / 2), h - smallest.min(h / 2));
        cut(rng, w, at, smallest, straight, parts);
        cut(rng, w, h - at, smallest, straight, parts);
    }
}

/// The same by the library: the fewest sheets with all parts lying, or all standing, and what is used up when the last
/// sheet is cut off straight behind its last part.
fn library(parts: &[(i64, i64)]) -> (usize, f64) {
    let mut best = (usize::MAX, f64::INFINITY);
    for lying in [true, false] {
        let mut rects: GroupedRectsToPlace<usize, ()> = GroupedRectsToPlace::new();
        for (i, &(w, h)) in parts.iter().enumerate() {
            let (long, short) = ((w.max(h) / 100) as u32, (w.min(h) / 100) as u32);
            // What does not fit the one way lies the other.
            let lies = lying || i64::from(long) * 100 > SHEET_UM.1;
            let (w, h) = if lies { (long, short) } else { (short, long) };
            rects.push_rect(i, None, RectToInsert::new(w, h, 1));
        }
        for count in 1..=parts.len() {
            let (w, h) = ((SHEET_UM.0 / 100) as u32, (SHEET_UM.1 / 100) as u32);
            let mut bins: BTreeMap<usize, TargetBin> = (0..count).map(|n| (n, TargetBin::new(w, h, 1))).collect();
            let Ok(found) = pack_rects(&rects, &mut bins, &volume_heuristic, &contains_smallest_box) else { continue };
            let mut ends = vec![0u32; count];
            for (bin, at) in found.packed_locations().values() {
                ends[*bin] = ends[*bin].max(at.x() + at.width());
            }
            let left: f64 = ends.iter().map(|&e| f64::from(w - e) / f64::from(w)).filter(|l| *l > 0.041).sum();
            let used = count as f64 - left * 0.9;
            if (count, used) < best {
                best = (count, used);
            }
            break;
        }
    }
    best
}

//! A question over whole stocks, beside two ways in which it is answered today, in one run.
//!
//! Stock: offcuts as a workshop leaves them. Parts: half of them had a piece made for them (with 0.02 to 2 mm to
//! spare, hidden among the others), for half of them none was made. And a few for which hundreds of pieces each were
//! made that are too small by 0.1 to 2 mm, in every form that this leaves: all of these nearly hold them.
//! `STOCK=1000,10000` chooses other sizes of stock; `OURS_ALONE=1` leaves the other ways out.

#[path = "../tests/support/mod.rs"]
mod support;

use std::hint::black_box;
use std::time::{Duration, Instant};

use geo::{BoundingRect, Contains, MultiPolygon, Polygon, Rotate, Translate};
use sheetloft_fit::{Fit, Index, Options, Part, Query, Signature, Turns, Watch, find};
use sheetloft_shapes::rectangle::largest_rectangle;
use sheetloft_shapes::{Shape, width};
use support::{FAMILIES, Planted, Rng, grown, offcut, part, piece_for, planted, to_geo};

/// Parts of each half.
const PARTS: usize = 100;
/// Parts that many pieces nearly hold: one of the stock in so many is such a piece of each of them, and no more than
/// so many are.
const NEARLY: (usize, usize, usize) = (10, 100, 1_000);
/// Kerf and margin together, µm.
const CLEARANCE_UM: i64 = 2_000;
/// Parts and pieces of the first baseline.
const BASELINE: (usize, usize) = (10, 200);
/// Its turns, and positions along each side.
const TURNS: usize = 72;
const POSITIONS: usize = 6;

fn main() {
    // `cargo bench -- --test` and the like only want to know that it runs.
    let args: Vec<String> = std::env::args().skip(1).collect();
    if args.iter().any(|a| a == "--list") {
        return;
    }
    let quick = args.iter().any(|a| a == "--test");
    let sizes = std::env::var("STOCK").unwrap_or_else(|_| if quick { "200" } else { "1000,10000,100000" }.to_owned());
    let sizes: Vec<usize> = sizes.split(',').filter_map(|s| s.trim().parse().ok()).collect();
    let most = sizes.iter().copied().max().unwrap_or(0);

    let mut rng = Rng(2024);
    let made: Vec<Planted> = (0..PARTS)
        .map(|i| planted(&mut rng, FAMILIES[i % 5], CLEARANCE_UM, [20.0, 100.0, 500.0, 2_000.0][i / 5 % 4]))
        .collect();
    let others: Vec<Shape> = (0..PARTS)
        .map(|i| {
            let size = rng.range(40_000.0, 500_000.0);
            part(&mut rng, FAMILIES[i % 5], size)
        })
        .collect();
    // Large and hollow: thousands of pieces have the area and the size, hardly any the form.
    let awkward: Vec<Shape> = (0..PARTS)
        .map(|i| {
            let size = rng.range(500_000.0, 900_000.0);
            part(&mut rng, FAMILIES[i % 5], size)
        })
        .collect();
    let coveted: Vec<Shape> = (0..NEARLY.0)
        .map(|i| {
            let size = rng.range(100_000.0, 350_000.0);
            part(&mut rng, FAMILIES[i % 5], size)
        })
        .collect();
    let begun = Instant::now();
    let (mut pieces, mut signatures) = stock(&made, most);
    let nearly = too_small(&mut rng, &coveted, (most / NEARLY.1).min(NEARLY.2));
    signatures.extend(nearly.iter().map(|shape| Signature::of(shape, &[])));
    pieces.extend(nearly.into_iter().map(|shape| (shape, Vec::new())));
    println!("made {} pieces with their signatures in {:.1} s\n", pieces.len(), begun.elapsed().as_secs_f64());

    loading(&signatures);
    println!(
        "\n{:>7}  {:<8} {:>9} {:>9} {:>9} {:>9} {:>10} {:>9} {:>8} {:>8}",
        "pieces", "parts", "median", "95th", "worst", "first fit", "95th first", "searched", "open", "found"
    );
    let mut last = Vec::new();
    for &size in &sizes {
        let mut index = Index::new();
        // Those that nearly hold the coveted parts lie behind all others, by part in turn.
        let of_them = (size / NEARLY.1).min(NEARLY.2) * NEARLY.0;
        let chosen: Vec<usize> = (0..size).chain(most..most + of_them).collect();
        let there: Vec<(Shape, Vec<Shape>)> = chosen.iter().map(|&i| pieces[i].clone()).collect();
        for &i in &chosen {
            index.push(&signatures[i], None);
        }
        last.clear();
        for (name, parts) in [
            ("made for", made.iter().map(|m| &m.part).collect::<Vec<_>>()),
            ("not made", others.iter().collect()),
            ("awkward", awkward.iter().collect()),
            ("coveted", coveted.iter().collect()),
        ] {
            let times: Vec<Measured> = parts.iter().map(|p| ask(p, &index, &there)).collect();
            let found = times
                .iter()
                .enumerate()
                .filter(|(i, t)| t.smallest_area2.is_some_and(|a| name != "made for" || a <= made[*i].piece.area2()));
            println!(
                "{size:>7}  {name:<8} {} {} {} {} {:>10} {:>9} {:>8} {:>7}%",
                show(share(&times, 0.5, |t| t.whole)),
                show(share(&times, 0.95, |t| t.whole)),
                show(share(&times, 1.0, |t| t.whole)),
                show(share(&times, 0.5, |t| t.first)),
                show(share(&times, 0.95, |t| t.first)),
                times.iter().map(|t| t.searched).sum::<usize>() / times.len(),
                times.iter().filter(|t| t.open).count(),
                found.count() * 100 / times.len(),
            );
            last.extend(times);
        }
    }
    println!();
    if std::env::var_os("OURS_ALONE").is_some() {
        return;
    }
    pieces.truncate(most);
    by_grid(&made, &pieces, &last[..PARTS]);
    by_list(&made, &pieces);
}

/// The pieces made for parts, then offcuts; the same whatever the number of threads.
fn stock(made: &[Planted], count: usize) -> (Vec<(Shape, Vec<Shape>)>, Vec<Signature>) {
    let one = |i: usize| -> ((Shape, Vec<Shape>), Signature) {
        // Among the first thousand, so that stocks of all sizes hold them.
        let shape = if i < made.len() { made[i].piece.clone() } else { offcut(&mut Rng(77_000_000 + i as u64)) };
        let signature = Signature::of(&shape, &[]);
        ((shape, Vec::new()), signature)
    };
    let half = count / 2;
    let (mut first, second) = std::thread::scope(|scope| {
        let second = scope.spawn(|| (half..count).map(one).collect::<Vec<_>>());
        ((0..half).map(one).collect::<Vec<_>>(), second.join().unwrap_or_default())
    });
    first.extend(second);
    first.into_iter().unzip()
}

/// So many pieces for each part, too small for it by 0.1 to 2 mm: one for each part, then the next for each.
fn too_small(rng: &mut Rng, parts: &[Shape], count: usize) -> Vec<Shape> {
    let mut pieces = Vec::new();
    for _ in 0..count {
        for part in parts {
            let piece = loop {
                let lack = rng.range(100.0, 2_000.0);
                if let Some((piece, _)) = piece_for(rng, part, CLEARANCE_UM, -lack) {
                    break piece;
                }
            };
            pieces.push(piece);
        }
    }
    pieces
}

/// How long the index takes to come back from its stored form, and what it takes in memory.
fn loading(signatures: &[Signature]) {
    let stored: Vec<[u8; Signature::BYTES]> = signatures.iter().map(Signature::to_bytes).collect();
    let before = resident_kib();
    let begun = Instant::now();
    let mut index = Index::new();
    for bytes in &stored {
        if let Ok(signature) = Signature::from_bytes(bytes) {
            index.push(&signature, None);
        }
    }
    let took = begun.elapsed();
    let more = resident_kib().saturating_sub(before) / 1024;
    println!("index of {} pieces: loaded in {:.0} ms, {more} MiB", index.len(), took.as_secs_f64() * 1e3);
    black_box(&index);
}

fn resident_kib() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
    line.and_then(|l| l.trim().trim_end_matches("kB").trim().parse().ok()).unwrap_or(0)
}

#[derive(Clone, Copy)]
struct Measured {
    /// To the smallest piece, proven.
    whole: Duration,
    /// To the first fit that was shown, if any.
    first: Duration,
    smallest_area2: Option<i64>,
    /// Pieces no smaller than the part and no larger than the answer.
    between: usize,
    /// Pieces of them that no look at the index ruled out.
    searched: usize,
    /// Whether a smaller one is left too close to call.
    open: bool,
}

struct First {
    begun: Instant,
    at: Option<Duration>,
}

impl Watch for First {
    fn go_on(&mut self, _: usize, _: usize) -> bool {
        true
    }

    fn found(&mut self, _: usize, _: &Fit) {
        self.at.get_or_insert(self.begun.elapsed());
    }
}

fn ask(shape: &Shape, index: &Index, pieces: &[(Shape, Vec<Shape>)]) -> Measured {
    let mut first = First { begun: Instant::now(), at: None };
    let part = Part::new(shape);
    let turns = Turns::any();
    let query = Query { part: &part, turns: &turns, flip: false, order: None };
    let options = Options { kerf_um: CLEARANCE_UM, top: Some(1), threads: 2, nicest: 0, tidy: 0, ..Options::default() };
    let Ok(answers) = find(&[query], index, pieces, &options, &mut first);
    let whole = first.begun.elapsed();
    let answer = &answers[0];
    let smallest_area2 = answer.fits.first().map(|f| pieces[f.candidate].0.area2());
    let between = |a: i64| a >= shape.area2() && smallest_area2.is_none_or(|s| a <= s);
    Measured {
        whole,
        first: first.at.unwrap_or(whole),
        smallest_area2,
        between: index.areas2().iter().filter(|&&a| between(a)).count(),
        searched: answer.reasons.get(&sheetloft_fit::Reason::Places).copied().unwrap_or(0) + answer.too_close.len(),
        open: !answer.too_close.is_empty(),
    }
}

fn share<T>(of: &[T], share: f64, time: impl Fn(&T) -> Duration) -> Duration {
    let mut times: Vec<Duration> = of.iter().map(time).collect();
    times.sort_unstable();
    let at = ((times.len() as f64 * share).ceil() as usize).clamp(1, times.len()) - 1;
    times[at]
}

fn show(time: Duration) -> String {
    let ms = time.as_secs_f64() * 1e3;
    if ms < 100.0 { format!("{ms:>6.2} ms") } else { format!("{ms:>6.0} ms") }
}

/// Ascending area, turns every 5°, a grid of positions, containment by `geo`.
fn by_grid(made: &[Planted], pieces: &[(Shape, Vec<Shape>)], ours: &[Measured]) {
    let mut by_area: Vec<usize> = (0..pieces.len()).collect();
    by_area.sort_by_key(|&i| pieces[i].0.area2());
    let (mut pairs, mut found) = (0usize, 0usize);
    let mut took = Duration::ZERO;
    let step = (made.len() / BASELINE.0).max(1);
    // One of each family and of each spare.
    let chosen: Vec<usize> = (0..BASELINE.0).map(|i| (i * (step + 1)) % made.len()).collect();
    for &n in &chosen {
        let case = &made[n];
        let Some(grown) = grown(&case.part, case.clearance_um as f64).into_iter().next() else { continue };
        let turned: Vec<Polygon> =
            (0..TURNS).map(|t| grown.rotate_around_point(t as f64 * 5.0, geo::point!(x: 0.0, y: 0.0))).collect();
        let from = by_area.partition_point(|&i| pieces[i].0.area2() < case.part.area2());
        // The piece made for it lies among these.
        let own = by_area.iter().position(|&i| i == n).unwrap_or(from);
        let from = from.max(own.saturating_sub(BASELINE.1 / 2)).min(own);
        for &i in by_area[from..].iter().take(BASELINE.1) {
            let piece = to_geo(&pieces[i].0);
            let begun = Instant::now();
            let holds = holds_on_grid(&turned, &piece);
            took += begun.elapsed();
            pairs += 1;
            if i == n {
                found += usize::from(holds);
            }
        }
    }
    let pair_ms = took.as_secs_f64() * 1e3 / pairs.max(1) as f64;
    let looked: f64 = chosen.iter().map(|&n| ours[n].between as f64).sum::<f64>() / chosen.len() as f64;
    let mine: f64 = chosen.iter().map(|&n| ours[n].whole.as_secs_f64() * 1e3).sum::<f64>() / chosen.len() as f64;
    println!(
        "baseline (a), turns every 5° on a grid of {POSITIONS} × {POSITIONS} positions, containment by geo: {pair_ms:.2} ms a piece \
         ({pairs} pairs), {:.0} ms a query of {} pieces ({looked:.0} in the way on average), planted fits found {}%",
        pair_ms * looked,
        pieces.len(),
        found * 100 / chosen.len(),
    );
    println!("    ours for the same parts: {mine:.2} ms, {:.0} times faster", pair_ms * looked / mine);
}

fn holds_on_grid(turned: &[Polygon], piece: &Polygon) -> bool {
    let Some(room) = piece.bounding_rect() else { return false };
    turned.iter().any(|part| {
        let Some(size) = part.bounding_rect() else { return false };
        let (x, y) = (room.width() - size.width(), room.height() - size.height());
        if x < 0.0 || y < 0.0 {
            return false;
        }
        (0..POSITIONS * POSITIONS).any(|i| {
            let at = |i: usize, room: f64| room * i as f64 / (POSITIONS - 1) as f64;
            let part = part.translate(
                room.min().x - size.min().x + at(i % POSITIONS, x),
                room.min().y - size.min().y + at(i / POSITIONS, y),
            );
            piece.contains(&part)
        })
    })
}

/// A list of lengths and widths: of each piece the largest rectangle in it, of a part the one around it.
fn by_list(made: &[Planted], pieces: &[(Shape, Vec<Shape>)]) {
    let count = pieces.len().min(1_000);
    let rectangles: Vec<(i64, i64)> = pieces[..count]
        .iter()
        .map(|(shape, _)| largest_rectangle(shape).map_or((0, 0), |r| (r.long_um, r.short_um)))
        .collect();
    let mut list: Vec<(i64, i64, usize)> =
        (0..pieces.len()).map(|i| (rectangles[i % count].0, rectangles[i % count].1, i)).collect();
    list.sort_unstable_by_key(|&(l, w, _)| l * w);
    let mut found = 0;
    let begun = Instant::now();
    for (i, case) in made.iter().enumerate() {
        let (long, short) = around(&case.part);
        let needs = (long + 2 * case.clearance_um, short + 2 * case.clearance_um);
        let first = list.iter().find(|&&(l, w, _)| l >= needs.0 && w >= needs.1);
        black_box(first);
        found += usize::from(rectangles[i].0 >= needs.0 && rectangles[i].1 >= needs.1);
    }
    println!(
        "baseline (b), a list of length × width: {:.3} ms a query of {} pieces, planted fits found {}%",
        begun.elapsed().as_secs_f64() * 1e3 / made.len() as f64,
        pieces.len(),
        found * 100 / made.len(),
    );
}

/// Sides of the rectangle around a part that stands on its least width.
fn around(shape: &Shape) -> (i64, i64) {
    let (short, angle) = width::least_width(shape);
    let polygon: MultiPolygon = MultiPolygon(vec![to_geo(shape)]);
    let straight = polygon.rotate_around_point(-angle.to_degrees(), geo::point!(x: 0.0, y: 0.0));
    let long = straight.bounding_rect().map_or(0.0, |r| r.width()).ceil() as i64;
    (long.max(short), long.min(short))
}

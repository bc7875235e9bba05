//! How long a large DXF takes to become parts, on one core, beside ezdxf.

use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use criterion::{Criterion, criterion_group, criterion_main};
use sheetloft_drawings::{Options, read};

/// A drawing of `entities` entities: plates of loose lines with round corners and four holes each, 12 entities a
/// plate, no two of one size, in rows.
fn plates(entities: usize) -> String {
    let mut out = String::from("0\nSECTION\n2\nHEADER\n9\n$INSUNITS\n70\n4\n0\nENDSEC\n0\nSECTION\n2\nENTITIES\n");
    for i in 0..entities / 12 {
        let (x, y) = ((i % 80) as f64 * 60.0, (i / 80) as f64 * 60.0);
        let (w, h, r) = (30.0 + (i % 97) as f64 * 0.2, 30.0 + (i % 89) as f64 * 0.2, 5.0);
        let mut line = |a: f64, b: f64, c: f64, d: f64| {
            let _ = write!(out, "0\nLINE\n8\nCUT\n10\n{a}\n20\n{b}\n30\n0.0\n11\n{c}\n21\n{d}\n31\n0.0\n");
        };
        line(x + r, y, x + w - r, y);
        line(x + w, y + r, x + w, y + h - r);
        line(x + w - r, y + h, x + r, y + h);
        line(x, y + h - r, x, y + r);
        for (a, b, from) in
            [(x + r, y + r, 180), (x + w - r, y + r, 270), (x + w - r, y + h - r, 0), (x + r, y + h - r, 90)]
        {
            let _ = write!(out, "0\nARC\n8\nCUT\n10\n{a}\n20\n{b}\n30\n0.0\n40\n{r}\n50\n{from}\n51\n{}\n", from + 90);
            let _ = write!(out, "0\nCIRCLE\n8\nCUT\n10\n{a}\n20\n{b}\n30\n0.0\n40\n2.5\n");
        }
    }
    out.push_str("0\nENDSEC\n0\nEOF\n");
    out
}

fn dxf(c: &mut Criterion) {
    let text = plates(50_000);
    let parts = read("a.dxf", text.as_bytes(), &Options::default()).expect("it is read").parts.len();
    let mut group = c.benchmark_group("a DXF of 50 000 entities becomes parts");
    group.sample_size(10);
    group.bench_function(format!("{parts} kinds of part"), |b| {
        b.iter(|| black_box(read("a.dxf", text.as_bytes(), &Options::default())));
    });
    group.finish();
    beside_ezdxf(&text);
}

/// Tells how long ezdxf takes for the same, where `make reference` has installed it: the least of three runs of each.
fn beside_ezdxf(text: &str) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let python = root.join(".venv/bin/python");
    if !python.exists() {
        println!("ezdxf is not there to be compared with: make reference installs it");
        return;
    }
    let file = std::env::temp_dir().join(format!("sheetloft-bench-{}.dxf", std::process::id()));
    std::fs::write(&file, text).expect("a folder for temporary files");
    let ours = (0..3).map(|_| {
        let begin = Instant::now();
        black_box(read("a.dxf", text.as_bytes(), &Options::default())).expect("it is read");
        begin.elapsed().as_secs_f64()
    });
    let ours = ours.fold(f64::MAX, f64::min);
    let theirs = (0..3).map(|_| {
        let script = root.join("tests/reference/bench_dxf.py");
        let out = Command::new(&python).arg(script).arg(&file).output().expect("Python runs");
        let said = String::from_utf8_lossy(&out.stdout).into_owned();
        let seconds = |word: Option<&str>| word.and_then(|w| w.parse::<f64>().ok()).unwrap_or(f64::NAN);
        let mut words = said.split_whitespace();
        (seconds(words.next()), seconds(words.next()))
    });
    let (reads, whole) = theirs.fold((f64::MAX, f64::MAX), |least, now| (least.0.min(now.0), least.1.min(now.1)));
    let _ = std::fs::remove_file(&file);
    println!(
        "into parts: {ours:.2} s. ezdxf reads it in {reads:.2} s ({:.1} times), with shapely into regions in {whole:.2} s ({:.1} times)",
        reads / ours,
        whole / ours,
    );
}

criterion_group!(benches, dxf);
criterion_main!(benches);

//! How long one solve takes, and a query over a generated shop.

#[path = "../tests/support/mod.rs"]
mod support;

use std::hint::black_box;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use sheetloft_fit::{Caps, Host, Index, Options, Part, Query, Signature, Stock, Turns, find, nicest, solve};
use sheetloft_shapes::Shape;
use support::{FAMILIES, Rng, offcut, part, planted};

/// One part and one piece: with 0.1 mm to spare, and too small by 0.1 mm.
fn solves(c: &mut Criterion) {
    for (name, spare_um) in [("solve, fits by 0.1 mm", 100.0), ("solve, lacks 0.1 mm", -100.0)] {
        let mut group = c.benchmark_group(name);
        group.sample_size(20);
        for family in FAMILIES {
            let mut rng = Rng(1);
            let cases: Vec<_> = (0..20).map(|_| planted(&mut rng, family, 1_500, spare_um)).collect();
            let parts: Vec<_> = cases.iter().map(|case| Part::new(&case.part)).collect();
            let mut next = 0;
            group.bench_function(format!("{family:?}"), |b| {
                b.iter_batched(
                    || {
                        next = (next + 1) % cases.len();
                        next
                    },
                    |i| {
                        let host = Host::new(&cases[i].piece, &[], 1_500, &[]);
                        black_box(solve(&parts[i], &Turns::any(), true, &host, &Caps::default(), &mut ()))
                    },
                    BatchSize::SmallInput,
                );
            });
        }
    }
}

/// The smallest of many offcuts for parts that nothing was made for.
fn queries(c: &mut Criterion) {
    let mut rng = Rng(2);
    let pieces: Vec<_> = (0..2_000).map(|_| offcut(&mut rng)).collect();
    let pieces: Vec<(Shape, Vec<Shape>)> = pieces.into_iter().map(|p| (p, Vec::new())).collect();
    let mut index = Index::new();
    for (shape, flaws) in &pieces {
        index.push(&Signature::of(shape, flaws), None);
    }
    let parts: Vec<_> = (0..40)
        .map(|i| {
            let size = rng.range(40_000.0, 500_000.0);
            Part::new(&part(&mut rng, FAMILIES[i % 5], size))
        })
        .collect();
    let turns = Turns::any();
    let mut group = c.benchmark_group("find, smallest of 2 000");
    group.sample_size(20);
    for threads in [1, 2] {
        let options = Options { kerf_um: 3_000, top: Some(1), threads, nicest: 0, ..Options::default() };
        let mut next = 0;
        group.bench_function(format!("{threads} threads"), |b| {
            b.iter(|| {
                next = (next + 1) % parts.len();
                let query = Query { part: &parts[next], turns: &turns, flip: false, order: None };
                black_box(find(&[query], &index, pieces.as_slice(), &options, &mut ()))
            });
        });
    }
    group.finish();
    // The nicest of the ways to lie on the first piece that holds the part.
    let found: Vec<_> = parts
        .iter()
        .filter_map(|part| {
            let query = Query { part, turns: &turns, flip: false, order: None };
            let options = Options { kerf_um: 3_000, top: Some(1), nicest: 0, tidy: 0, ..Options::default() };
            let Ok(answers) = find(&[query], &index, pieces.as_slice(), &options, &mut ());
            answers[0].fits.first().map(|fit| (part, *fit))
        })
        .collect();
    c.bench_function("nicest placement", |b| {
        let mut next = 0;
        b.iter(|| {
            next = (next + 1) % found.len();
            let (part, fit) = found[next];
            let Ok(candidate) = pieces.as_slice().candidate(fit.candidate);
            let host = Host::new(&candidate.shape, &candidate.flaws, 3_000, &[]);
            black_box(nicest(part, &turns, false, &candidate, &host, (fit.placement, fit.spare_um), 2_000))
        });
    });
    c.bench_function("signature of an offcut", |b| {
        let mut next = 0;
        b.iter(|| {
            next = (next + 1) % pieces.len();
            black_box(Signature::of(&pieces[next].0, &[]))
        });
    });
    c.bench_function("part made ready", |b| {
        let mut next = 0;
        b.iter(|| {
            next = (next + 1) % parts.len();
            black_box(Part::new(parts[next].shape()))
        });
    });
}

criterion_group!(benches, solves, queries);
criterion_main!(benches);

//! Several devices, simulated: real shop files, and a clock, a network, a folder, crashes, backups and copies that all
//! come from one seed. After a quiet exchange every device must agree, nothing acknowledged may be missing, the books
//! must balance, and each double use must be visible everywhere.
//!
//! A run that failed is played again by its seed: `SEED=17 cargo test -p sheetloft-tests --test simulator one_seed`.

mod dice;
mod work;
mod world;

use std::panic::catch_unwind;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use sheetloft_ledger::mutant::{Mutant, switch};
use world::{Seen, World};

fn play(seed: u64) -> Seen {
    World::new(seed).play()
}

fn play_all(seeds: impl Iterator<Item = u64>) -> Seen {
    let mut sum = Seen::default();
    for seed in seeds {
        match catch_unwind(|| play(seed)) {
            Ok(seen) => sum.add(&seen),
            Err(why) => {
                let why = why.downcast_ref::<String>().cloned().unwrap_or_default();
                panic!("seed {seed}: {why}");
            }
        }
    }
    sum
}

#[test]
fn two_hundred_seeds_agree_after_a_quiet_exchange() {
    let seen = play_all(0..200);
    // So that one sees that all of it happens.
    let rare = [
        seen.conflicts,
        seen.settled,
        seen.forks,
        seen.restored,
        seen.crashes,
        seen.newer,
        seen.half_files,
        seen.dropped,
        seen.repeated,
        seen.waited,
        seen.started,
    ];
    assert!(rare.iter().all(|n| *n >= 10), "{seen:?}");
}

#[test]
fn a_seed_replays_exactly() {
    let (one, two) = (play(7), play(7));
    assert_eq!(one.digest, two.digest);
    assert_eq!(one, two);
}

#[test]
fn one_seed() {
    if let Some(seed) = std::env::var("SEED").ok().and_then(|s| s.parse().ok()) {
        println!("{:?}", play(seed));
    }
}

#[test]
#[ignore = "slow: make test-slow"]
fn ten_thousand_seeds_agree_after_a_quiet_exchange() {
    let (first, last) = (200, 10_200);
    let next = AtomicU64::new(first);
    let began = Instant::now();
    let sum = Mutex::new(Seen::default());
    let failed = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= last {
                        break;
                    }
                    match catch_unwind(|| play(seed)) {
                        Ok(seen) => sum.lock().unwrap().add(&seen),
                        Err(_) => failed.lock().unwrap().push(seed),
                    }
                    if seed.is_multiple_of(1_000) {
                        println!("seed {seed} after {:?}", began.elapsed());
                    }
                }
            });
        }
    });
    println!("{} seeds on {threads} threads in {:?}: {:?}", last - first, began.elapsed(), sum.lock().unwrap());
    let failed = failed.into_inner().unwrap();
    assert!(failed.is_empty(), "seeds that failed: {failed:?}");
}

/// The seeds must find the fault: which one does, and by what.
fn caught(mutant: Mutant) -> String {
    let quiet = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let found = (0..200).find_map(|seed| {
        switch(Some(mutant));
        let played = catch_unwind(|| play(seed));
        switch(None);
        let why = played.err()?;
        let text = why.downcast_ref::<String>().cloned();
        Some(format!("seed {seed}: {}", text.unwrap_or_default()))
    });
    std::panic::set_hook(quiet);
    found.unwrap_or_else(|| panic!("{mutant:?} was not found"))
}

/// One test, so that the hook is taken by one thread at a time.
#[test]
fn each_fault_that_is_switched_on_is_found() {
    for (mutant, by) in [
        (Mutant::OrderByClock, &["do not agree", "check"][..]),
        (Mutant::OrderByArrival, &["do not agree", "check"]),
        (Mutant::HighestNumber, &["is missing", "do not agree", "never came to rest"]),
        (Mutant::LostParent, &["do not agree", "was not built on", "conflict"]),
        (Mutant::ConflictDropped, &["not marked"]),
    ] {
        let found = caught(mutant);
        println!("{mutant:?}: {}", found.chars().take(200).collect::<String>());
        assert!(by.iter().any(|by| found.contains(by)), "{mutant:?} was found by something else: {found}");
    }
}

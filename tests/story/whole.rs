//! Some hundred stories of the whole system, and proof that they find what is wrong.
//!
//! More seeds, or one in detail: `cargo run --release -p sumpwarden-tests --bin whole -- --seeds 1..5000`, `--seed 17 --trace`.

use std::sync::atomic::{AtomicU64, Ordering};

use sumpwarden_tests::whole::{Mutation, Outcome, play};

/// Plays seeds on all cores until `stop` says of one that it is enough.
fn each(seeds: std::ops::Range<u64>, mutation: Mutation, stop: impl Fn(u64, &Outcome) -> bool + Sync) {
    let next = AtomicU64::new(seeds.start);
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(|| {
                while let Some(seed) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).filter(|seed| *seed < seeds.end)
                {
                    if stop(seed, &play(seed, mutation, false)) {
                        next.store(seeds.end, Ordering::Relaxed);
                    }
                }
            });
        }
    });
}

#[test]
fn whatever_goes_wrong_nothing_is_lost_and_all_is_right_afterwards() {
    let hours = AtomicU64::new(0);
    each(1..43, Mutation::None, |seed, told| {
        hours.fetch_add(told.hours as u64, Ordering::Relaxed);
        assert!(told.violations.is_empty(), "seed {seed}: {}", told.violations.join("\n"));
        false
    });
    assert!(hours.into_inner() > 24, "simulated hours");
}

#[test]
fn the_same_seed_is_the_same_story() {
    let told = || play(7, Mutation::None, true).trace;
    let first = told();
    assert!(first.len() > 50 && first == told());
}

#[test]
fn every_mutation_is_found() {
    for mutation in Mutation::WRONG {
        let found = AtomicU64::new(0);
        each(1..43, mutation, |seed, told| {
            // Found by what was made wrong, and by nothing else.
            let wrong =
                !told.violations.is_empty() && play(seed, Mutation::None, false).violations.is_empty();
            if wrong {
                found.fetch_max(seed, Ordering::Relaxed);
            }
            wrong
        });
        assert!(found.into_inner() > 0, "{mutation:?} is not found");
    }
}

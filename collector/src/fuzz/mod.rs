//! Every reader of foreign bytes under many changed inputs: none panics, none holds more memory than its input calls for, and what
//! comes next is read all the same.
//!
//! A short run with each test run; `MOSSWARDEN_FUZZ=10000000` for that many inputs in all, `MOSSWARDEN_SEED` for other ones. An input on
//! which a target fails is printed.

mod connections;
mod mutate;
mod seeds;
mod targets;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use mutate::{Chance, mutate};
use targets::Target;

/// Inputs in all where nothing else is asked for: a few seconds.
const INPUTS_BY_DEFAULT: u64 = 300_000;
/// What a long run may add to the process, bytes: the targets hold one input at a time, so anything that grows shows.
const GROWTH_BYTES_MAX: u64 = 64 * 1024 * 1024;

fn number_from(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// Gives the longest time that one input took.
fn run(target: &Target, count: u64, seed: u64) -> Duration {
    let seeds = seeds::of(target.name);
    let mut chance = Chance::new(seed);
    let mut input = Vec::new();
    let mut longest = Duration::ZERO;
    for number in 0..count {
        if (number as usize) < seeds.len() {
            input.clone_from(&seeds[number as usize]);
        } else {
            mutate(&mut chance, &seeds, &mut input);
        }
        let started = Instant::now();
        let result = catch_unwind(AssertUnwindSafe(|| (target.run)(&input)));
        longest = longest.max(started.elapsed());
        assert!(
            result.is_ok(),
            "the target `{}` fails on input {number} of seed {seed}: b\"{}\"",
            target.name,
            input.escape_ascii()
        );
    }
    longest
}

/// The most memory that this process ever held, where the system says so.
fn peak_bytes() -> Option<u64> {
    let status = fs_err::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}

#[test]
fn no_input_makes_a_target_fail() {
    let asked = number_from("MOSSWARDEN_FUZZ");
    let inputs = asked.unwrap_or(INPUTS_BY_DEFAULT);
    let seed = number_from("MOSSWARDEN_SEED").unwrap_or(1);
    let shares: f64 = targets::ALL.iter().map(|target| 1.0 / target.cost as f64).sum();
    let before = peak_bytes();
    let mut total = 0;
    for target in &targets::ALL {
        let count = (inputs as f64 / shares / target.cost as f64).ceil() as u64;
        let started = Instant::now();
        let longest = run(target, count, seed);
        println!(
            "{:12} {count:9} inputs in {:6.1?}, the slowest in {longest:.1?}",
            target.name,
            started.elapsed()
        );
        total += count;
    }
    let growth = peak_bytes().zip(before).map(|(after, before)| after - before);
    println!(
        "{total} inputs over {} targets, seed {seed}: no panic; memory grew by {growth:?} bytes",
        targets::ALL.len()
    );
    // Beside other tests the process's memory says nothing of this one.
    if asked.is_some() {
        assert!(
            growth.is_none_or(|growth| growth <= GROWTH_BYTES_MAX),
            "memory grew by {growth:?} bytes"
        );
    }
}

#[test]
fn every_target_has_seeds() {
    for target in &targets::ALL {
        assert!(!seeds::of(target.name).is_empty(), "{}", target.name);
    }
    assert!(seeds::of("another").is_empty());
}

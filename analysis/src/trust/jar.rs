//! When a sensor was out of its enclosure for a check over salt: what it read then is not the animals' air.
//!
//! The journal says that it was checked, not for how long. The jar shows itself: the humidity leaps away, stays at one value for hours as no
//! planted enclosure does, and leaps back. A check that left no such mark leaves the readings as they are.

use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::scene::NEAR_CHECK_MS;
use crate::series::Series;
use crate::statistics::robust::median;

/// Readings are looked at in stretches of this length.
const BIN_MS: i64 = MS_PER_HOUR / 2;
/// Air over a saturated salt stays within this, ±%RH (own choice: a sensor's noise, and a room that warms by some kelvin).
const FLAT_PCT: f64 = 1.5;
/// For at least this long (own choice).
const FLAT_MS_MIN: i64 = 4 * MS_PER_HOUR;
/// The enclosure's own air differs by at least this, %RH (own choice).
const LEAP_PCT: f64 = 5.0;
/// … for most of so many stretches before it and after it: a misting is over sooner.
const BESIDE: usize = 8;
/// It comes in and goes back within so many stretches (own choice).
const LEAP: usize = 3;
/// After it is back, a thermometer needs this long to be as warm as its place (own choice).
const SETTLES_MS: i64 = MS_PER_HOUR;

/// When the sensor with this humidity was out, by a journal entry; `None` where its record does not show it.
pub(super) fn out_of_enclosure(humidity: &Series, entry_ms: i64) -> Option<Span> {
    // A day more on either side, so that its ends are seen.
    let first_ms = entry_ms - NEAR_CHECK_MS - MS_PER_24_H;
    let count = (2 * (NEAR_CHECK_MS + MS_PER_24_H) / BIN_MS) as usize;
    let bin = |index: usize| Span {
        from_ms: first_ms + index as i64 * BIN_MS,
        until_ms: first_ms + (index as i64 + 1) * BIN_MS,
    };
    let levels: Vec<Option<f64>> = (0..count)
        .map(|index| median(humidity.within(bin(index)).value))
        .collect();
    let last = levels.iter().rposition(Option::is_some)?;
    let apart = |from: usize, until: usize, flat: f64| {
        let known: Vec<f64> = levels[from.min(count)..until.min(count)]
            .iter()
            .flatten()
            .copied()
            .collect();
        median(&known).map(|level| (level - flat).abs())
    };
    let leapt = |index: &usize, flat: f64| {
        let level = levels.get(*index).copied().flatten();
        level.is_some_and(|level| (level - flat).abs() >= LEAP_PCT)
    };
    // By how far it leapt, and when it was out.
    let out = |(from, until, flat): (usize, usize, f64)| {
        let came_in = apart(from.saturating_sub(BESIDE), from, flat)?;
        let first = (from.saturating_sub(LEAP)..from).rev().find(|i| leapt(i, flat))?;
        // It may be out still.
        let (after, went_back) = if until > last {
            (last, came_in)
        } else {
            let after = (until..until + LEAP).find(|i| leapt(i, flat))?;
            (after, apart(until, until + BESIDE, flat)?)
        };
        let leap = came_in.min(went_back);
        let out = Span {
            from_ms: bin(first).from_ms,
            until_ms: bin(after).until_ms + SETTLES_MS,
        };
        (leap >= LEAP_PCT).then_some((leap, out))
    };
    let (_, out) = flats(&levels)
        .filter_map(out)
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let near = Span {
        from_ms: entry_ms - NEAR_CHECK_MS,
        until_ms: entry_ms + NEAR_CHECK_MS,
    };
    out.intersect(near).is_some().then_some(out)
}

/// Stretches of bins that stay at one level for long enough, each with its level, %RH.
fn flats(levels: &[Option<f64>]) -> impl Iterator<Item = (usize, usize, f64)> {
    let count_min = (FLAT_MS_MIN / BIN_MS) as usize;
    (0..levels.len().saturating_sub(count_min)).filter_map(move |from| {
        let settled: Option<Vec<f64>> = levels[from..from + count_min].iter().copied().collect();
        let flat = median(&settled?)?;
        let until = (from..levels.len())
            .find(|&i| levels[i].is_some_and(|level| (level - flat).abs() > FLAT_PCT))
            .unwrap_or(levels.len());
        (until - from >= count_min).then_some((from, until, flat))
    })
}

#[cfg(test)]
mod tests {
    use mosswarden_config::table::Mark;
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    const STEP_MS: i64 = 120_000;
    const DAYS: i64 = 6;
    /// Out from 10:00 on the fourth day on, for fourteen hours.
    const OUT_MS: i64 = 3 * MS_PER_24_H + 10 * MS_PER_HOUR;
    const BACK_MS: i64 = OUT_MS + 14 * MS_PER_HOUR;

    /// Days between 55 and 65 %RH with two mistings each, and within `out` a jar at 75.3 %RH that is reached in some minutes.
    fn humidity(out: Option<Span>, until_ms: i64, seed: u64) -> Series {
        let mut random = StdRng::seed_from_u64(seed);
        let mut series = Series::default();
        let mut shown = 60.0;
        for at_ms in (0..until_ms).step_by(STEP_MS as usize) {
            let hour = (at_ms % MS_PER_24_H) as f64 / MS_PER_HOUR as f64;
            let since_misting = (hour - 8.0).rem_euclid(12.0);
            let air = 60.0
                + 5.0 * (hour / 24.0 * std::f64::consts::TAU).sin()
                + 20.0 * (-2.0 * since_misting).exp();
            let target = if out.is_some_and(|out| out.contains(at_ms)) {
                75.3
            } else {
                air
            };
            shown += (target - shown) * 0.2;
            series.push(at_ms, at_ms, shown + random.random::<f64>() - 0.5, Mark::Ok);
        }
        series
    }

    fn out() -> Span {
        Span {
            from_ms: OUT_MS,
            until_ms: BACK_MS,
        }
    }

    #[test]
    fn a_jar_is_seen_wherever_the_entry_stands() {
        for seed in 0..10 {
            let series = humidity(Some(out()), DAYS * MS_PER_24_H, seed);
            for entry_ms in [
                OUT_MS - 5 * MS_PER_HOUR,
                OUT_MS,
                BACK_MS,
                BACK_MS + 20 * MS_PER_HOUR,
            ] {
                let seen = out_of_enclosure(&series, entry_ms).expect("it was out");
                assert!(
                    (OUT_MS - MS_PER_HOUR..=OUT_MS).contains(&seen.from_ms),
                    "{seen:?}"
                );
                assert!(
                    (BACK_MS..=BACK_MS + 3 * MS_PER_HOUR).contains(&seen.until_ms),
                    "{seen:?}"
                );
            }
        }
    }

    #[test]
    fn one_that_is_out_still_is_out_to_its_last_reading() {
        let until_ms = OUT_MS + 6 * MS_PER_HOUR;
        let seen = out_of_enclosure(&humidity(Some(out()), until_ms, 1), OUT_MS).expect("it is out");
        assert!(seen.until_ms >= until_ms, "{seen:?}");
    }

    #[test]
    fn a_check_without_a_jar_and_one_long_ago_leave_the_readings() {
        for seed in 0..10 {
            let series = humidity(None, DAYS * MS_PER_24_H, seed);
            assert_eq!(out_of_enclosure(&series, OUT_MS), None);
            let series = humidity(Some(out()), DAYS * MS_PER_24_H, seed);
            assert_eq!(out_of_enclosure(&series, OUT_MS - 2 * MS_PER_24_H), None);
        }
    }
}

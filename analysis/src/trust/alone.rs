//! What a humidity sensor that nothing stands beside can't have seen: air that stays at the top of the scale while it warms and no water
//! comes, and air that leaps there in minutes without water and stays.
//!
//! In: its own temperature on cells, and when water was given. Out: what it would read if the air had been saturated when it was coolest
//! and had kept that vapour (warmed by 3 K near 25 °C, that is 84 %RH by the formula in `physics`); and stretches that began with a leap.
//! How far its level moves with its room is judged in `cross`.

use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::grid::Grid;
use super::scene::AFTER_MIST_MS;
use super::signal::{self, SPIKE_PCT};
use crate::physics::humidity::humidity_at_pct;
use crate::series::Series;

/// Air that warmed by so much dries visibly (own choice).
const WARMED_K_MIN: f64 = 3.0;
/// Walls and soil give water slowly: warmth that came over a longer time than this contradicts nothing.
const WARMED_WITHIN_MS: i64 = 6 * MS_PER_HOUR;
/// And so long it stayed at the top against that within a day: lamps warm some hours before the next misting.
const WARMED_MS_MIN: i64 = 2 * MS_PER_HOUR;

/// Stretches at the top of the scale that can't have been air. `watered`: spans that reach [`AFTER_MIST_MS`] beyond the water's fall, or
/// further.
pub(super) fn pinned(series: &Series, temperature: &Grid, watered: &[Span]) -> Vec<Span> {
    let mut found = signal::pinned(series, WARMED_MS_MIN, |at_ms| {
        expected_pct(temperature, watered, at_ms)
    });
    found.extend(leapt_to_top(series, temperature, watered));
    found.sort_unstable();
    found.dedup();
    found
}

/// What the sensor should read at an instant at most, %RH; `None` where it was not warmed, or where water came meanwhile. `watered`: spans.
fn expected_pct(temperature: &Grid, watered: &[Span], at_ms: i64) -> Option<f64> {
    let now = temperature.index_of(at_ms)?;
    let now_c = temperature.cells[now]?;
    let last_water_ms = watered
        .iter()
        .filter(|span| span.from_ms <= at_ms)
        .map(|span| span.until_ms)
        .max();
    let from_ms = (at_ms - WARMED_WITHIN_MS).max(last_water_ms.unwrap_or(i64::MIN));
    let coolest_c = (0..=now)
        .rev()
        .take_while(|index| temperature.start_ms(*index) >= from_ms)
        .filter_map(|index| temperature.cells[index])
        .fold(f64::INFINITY, f64::min);
    (now_c - coolest_c >= WARMED_K_MIN && coolest_c.is_finite())
        .then(|| humidity_at_pct(100.0, coolest_c, now_c))
}

/// A leap to the top takes no longer than this; as long after water fell the leap is its own.
const LEAP_MS: i64 = 10 * 60_000;
/// Water on the element dries sooner (own choice).
const STAYS_MS_MIN: i64 = 12 * MS_PER_HOUR;

/// Stretches at the top of the scale that began with a leap while no water came, and that outlasted half a day and a warming of its air.
fn leapt_to_top(series: &Series, temperature: &Grid, watered: &[Span]) -> Vec<Span> {
    let mut found: Vec<Span> = Vec::new();
    for stretch in signal::top_stretches(series) {
        let first = series.at_ms.partition_point(|at_ms| *at_ms < stretch.from_ms);
        // What was silent for a while and comes back at the top was never away.
        let goes_on = found
            .last()
            .zip(first.checked_sub(1))
            .is_some_and(|(last, before)| last.until_ms > series.at_ms[before]);
        let just_before = Span {
            from_ms: stretch.from_ms - LEAP_MS,
            until_ms: stretch.from_ms,
        };
        let lowest = series
            .within(just_before)
            .value
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        let leapt = lowest.is_finite() && series.value[first] - lowest >= SPIKE_PCT;
        let falls = |span: &Span| Span {
            from_ms: span.from_ms,
            until_ms: span.until_ms - AFTER_MIST_MS + LEAP_MS,
        };
        let by_water = watered
            .iter()
            .any(|span| falls(span).intersect(just_before).is_some());
        let stays = stretch.until_ms - stretch.from_ms >= STAYS_MS_MIN;
        if goes_on || (leapt && !by_water && stays && warms(temperature, stretch)) {
            found.push(stretch);
        }
    }
    found
}

fn warms(temperature: &Grid, stretch: Span) -> bool {
    let cells = temperature
        .index_of(stretch.from_ms)
        .zip(temperature.index_of(stretch.until_ms - 1));
    let levels = cells.map_or(&[][..], |(from, until)| &temperature.cells[from..=until]);
    let low = levels.iter().flatten().copied().fold(f64::INFINITY, f64::min);
    let high = levels.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
    high - low >= WARMED_K_MIN
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn air_that_warmed_without_water_cannot_stay_saturated() {
        let hour = MS_PER_HOUR;
        // Cool until 08:00, then 3.5 K warmer within half an hour.
        let temperature = Grid {
            cell_ms: hour / 6,
            first_index: 0,
            cells: (0..144)
                .map(|cell| Some(20.0 + (f64::from(cell - 47) * 1.2).clamp(0.0, 3.5)))
                .collect(),
        };
        let at = |hours: i64, watered: &[Span]| expected_pct(&temperature, watered, hours * hour);
        assert_eq!(at(7, &[]), None);
        assert!(
            at(9, &[]).is_some_and(|pct| (pct - 80.7).abs() < 0.1),
            "{:?}",
            at(9, &[])
        );
        assert_eq!(at(20, &[]), None, "the cool night is too long ago");
        let misting = Span {
            from_ms: 8 * hour + hour / 2,
            until_ms: 9 * hour,
        };
        assert_eq!(at(10, &[misting]), None, "water came when it was warm");
        let before = Span {
            from_ms: 6 * hour,
            until_ms: 7 * hour,
        };
        assert!(at(10, &[before]).is_some());
    }

    /// Three days at a reading every five minutes: 70 %RH until noon of the first, from there on as `then` says by hours; no reading where it
    /// says none.
    fn course(then: impl Fn(f64) -> Option<f64>) -> Series {
        let mut series = Series::with_capacity(864);
        for step in 0..864 {
            let at_ms = step * 5 * 60_000;
            let hours = at_ms as f64 / MS_PER_HOUR as f64 - 12.0;
            if let Some(pct) = if hours < 0.0 { Some(70.0) } else { then(hours) } {
                series.push(at_ms, at_ms, pct, mosswarden_config::table::Mark::Ok);
            }
        }
        series
    }

    #[test]
    fn a_leap_to_the_top_without_water_that_stays_is_no_air() {
        let hour = MS_PER_HOUR;
        // 4 K warmer by day than by night.
        let temperature = |swing_k: f64| Grid {
            cell_ms: hour / 6,
            first_index: 0,
            cells: (0..432)
                .map(|cell| {
                    Some(22.0 + 0.5 * swing_k * (f64::from(cell) / 144.0 * std::f64::consts::TAU).sin())
                })
                .collect(),
        };
        let found = |series: &Series, swing_k: f64, watered: &[Span]| {
            leapt_to_top(series, &temperature(swing_k), watered)
        };
        let pinned = course(|_| Some(99.9));
        let all = found(&pinned, 4.0, &[]);
        assert_eq!(all.len(), 1);
        assert_eq!(all[0].from_ms, 12 * hour);
        let misted_at = |at_ms: i64| Span {
            from_ms: at_ms,
            until_ms: at_ms + AFTER_MIST_MS,
        };
        let of_misting = |before_ms: i64| found(&pinned, 4.0, &[misted_at(12 * hour - before_ms)]).len();
        assert_eq!(of_misting(0), 1, "it came no sooner than the reading");
        assert_eq!(of_misting(5 * 60_000), 0, "water brought it there");
        assert_eq!(of_misting(hour), 1, "it fell an hour before");
        assert!(
            found(&pinned, 1.0, &[]).is_empty(),
            "nothing dries air that does not warm"
        );
        let risen = course(|hours| Some((70.0 + 30.0 * hours).min(99.9)));
        assert!(
            found(&risen, 4.0, &[]).is_empty(),
            "air may become wet in an hour"
        );
        let wetted = course(|hours| Some(if hours < 6.0 { 99.9 } else { 75.0 }));
        assert!(found(&wetted, 4.0, &[]).is_empty(), "the element dried");
        let silent = course(|hours| (!(20.0..26.0).contains(&hours)).then_some(99.9));
        assert_eq!(found(&silent, 4.0, &[]).len(), 2, "a silence does not mend it");
    }

    #[test]
    fn a_top_that_a_lamp_does_not_move_for_two_hours_is_no_air() {
        let hour = MS_PER_HOUR;
        // Over three days at the top from noon of the first on; a lamp warms by 5 K at eight in the morning.
        let top = course(|_| Some(99.9));
        let lamp_h = |hours: i64| Grid {
            cell_ms: hour / 6,
            first_index: 0,
            cells: (0..432)
                .map(|cell| {
                    Some(if (48..48 + 6 * hours).contains(&(cell % 144)) {
                        26.0
                    } else {
                        21.0
                    })
                })
                .collect(),
        };
        let misted = |at_h: i64| {
            let each = |day: i64| Span {
                from_ms: (24 * day + at_h) * hour,
                until_ms: (24 * day + at_h) * hour + AFTER_MIST_MS,
            };
            // One just before noon of the first day brought it to the top.
            let to_top = Span {
                from_ms: 12 * hour - 5 * 60_000,
                until_ms: 12 * hour + AFTER_MIST_MS,
            };
            [to_top, each(0), each(1), each(2)]
        };
        let found = |lamp: i64, watered: &[Span]| pinned(&top, &lamp_h(lamp), watered).len();
        assert_eq!(found(3, &misted(11)), 1);
        assert_eq!(found(1, &misted(11)), 0, "an hour of warmth");
        assert_eq!(found(3, &misted(9)), 0, "water came when it was warm for an hour");
    }
}

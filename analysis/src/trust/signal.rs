//! Faults that one sensor's own signal shows: silent, stuck at one value, pinned at the top of its scale, spiking.
//!
//! In: one series with its neighbours. Out: stretches of the fault, never a changed value.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use crate::series::Series;
use crate::statistics::robust::median;

/// A sensor is silent after this many of its usual intervals, and never before [`SILENT_MS_MIN`] (the "fail" value of the
/// QARTOD gap test in this use).
const SILENT_INTERVALS: i64 = 12;
/// Radios drop out for an hour or two; six hours is no longer a drop-out (common practice, no source).
pub(super) const SILENT_MS_MIN: i64 = 6 * MS_PER_HOUR;

/// Pauses in `span` that are too long for this sensor; the last may still go on.
pub(super) fn silent(series: &Series, span: Span) -> Vec<Span> {
    let Some(last) = series.at_ms.last() else {
        return vec![span];
    };
    let usual = series.usual_interval_ms().unwrap_or(0);
    let limit = (usual * SILENT_INTERVALS).max(SILENT_MS_MIN);
    let inner = series.at_ms.windows(2).map(|pair| Span {
        from_ms: pair[0],
        until_ms: pair[1],
    });
    inner
        .chain([Span {
            from_ms: *last,
            until_ms: span.until_ms,
        }])
        .filter(|pause| pause.until_ms - pause.from_ms > limit && pause.until_ms > span.from_ms)
        .collect()
}

/// A sensor that is heard less and less: a battery or a radio path that fades.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fading {
    /// The first of the days in a row on which less was heard than usual.
    pub since_ms: i64,
    /// What came in over the last 24 h of what usually does.
    pub heard_frac: f64,
    /// Hours of the span that lie in pauses longer than usual.
    pub missed_h: f64,
}

/// Below this share of the usual readings of a day a sensor fades; a radio loses one in a hundred (common practice, no source).
const FADING_FRAC: f64 = 0.8;
/// It began when the share fell below this.
const FADING_BEGAN_FRAC: f64 = 0.93;
/// Days of usual reception that must be known before.
const FADING_DAYS_BEFORE: usize = 5;
/// A sensor that speaks less often than this a day tells too little by its pace.
const FADING_READINGS_MIN: f64 = 24.0;
/// A pause of this length is a gap of its own and counts on neither side.
const FADING_PAUSE_MS: i64 = MS_PER_HOUR;

/// Whether less and less is heard by the end of `span`.
///
/// One that speaks when its value changes tells nothing by its pace; see [`Series::speaks_on_change`].
pub(super) fn fading(series: &Series, span: Span) -> Option<Fading> {
    if series.speaks_on_change() {
        return None;
    }
    let view = series.view();
    let mut steps: Vec<i64> = view.at_ms.windows(2).map(|pair| pair[1] - pair[0]).collect();
    if steps.is_empty() {
        return None;
    }
    // The lower quartile stays the device's own interval while up to three quarters of its messages are lost.
    let quartile = steps.len() / 4;
    let usual_ms = *steps.select_nth_unstable(quartile).1;
    let expected = MS_PER_24_H as f64 / usual_ms.max(1) as f64;
    let heard_frac = |day: i64| {
        let part = view.within(Span {
            from_ms: span.until_ms - (day + 1) * MS_PER_24_H,
            until_ms: span.until_ms - day * MS_PER_24_H,
        });
        // A pause may lie at the edge of the day.
        let (from_ms, until_ms) = (
            span.until_ms - (day + 1) * MS_PER_24_H,
            span.until_ms - day * MS_PER_24_H,
        );
        let stamps: Vec<i64> = [from_ms]
            .iter()
            .chain(part.at_ms)
            .chain(&[until_ms])
            .copied()
            .collect();
        let paused_ms: i64 = stamps
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .filter(|step| *step > FADING_PAUSE_MS)
            .sum();
        let known = 1.0 - paused_ms as f64 / MS_PER_24_H as f64;
        (known > 0.3).then(|| part.len() as f64 / (expected * known))
    };
    let first = *view.at_ms.first()?;
    let day_count = (span.until_ms - first) / MS_PER_24_H;
    let shares: Vec<Option<f64>> = (0..day_count).map(heard_frac).collect();
    let now = (*shares.first()?)?;
    let low = |share: &Option<f64>, limit: f64| share.is_some_and(|share| share < limit);
    let run = shares
        .iter()
        .take_while(|share| low(share, FADING_BEGAN_FRAC))
        .count();
    let before = shares[run..]
        .iter()
        .flatten()
        .filter(|share| **share >= FADING_BEGAN_FRAC)
        .count();
    if expected < FADING_READINGS_MIN || now >= FADING_FRAC || before < FADING_DAYS_BEFORE {
        return None;
    }
    let missed_ms: i64 = view
        .within(span)
        .at_ms
        .windows(2)
        .map(|pair| pair[1] - pair[0] - usual_ms)
        .filter(|missed| *missed > usual_ms / 2)
        .sum();
    Some(Fading {
        since_ms: span.until_ms - run as i64 * MS_PER_24_H,
        heard_frac: now,
        missed_h: missed_ms as f64 / MS_PER_HOUR as f64,
    })
}

/// A value that has not moved for this long is looked at (QARTOD flat line: 3 h suspect, 12 h fail).
const STUCK_MS_SUSPECT: i64 = 4 * MS_PER_HOUR;
const STUCK_MS_FAIL: i64 = 18 * MS_PER_HOUR;
/// Nothing is said about a value at the top of the humidity scale: see [`pinned`].
pub(super) const TOP_PCT: f64 = 98.5;
/// How much the neighbours must have moved meanwhile: several times the resolution and the noise of a cheap sensor.
const MOVED_HUMIDITY_PCT: f64 = 4.0;
const MOVED_TEMPERATURE_K: f64 = 1.2;
/// And so many of its own steps: one in large steps stands still through small moves (own choice).
const MOVED_RESOLUTIONS: f64 = 4.0;
/// They must have moved so far within its ends: a clock that is an hour off shows what ended a stretch before its end (own choice).
const STUCK_ENDS_MS: i64 = MS_PER_HOUR;
/// Two readings closer than this are one value: half of the 0.1 steps of cheap sensors.
const SAME: f64 = 0.05;

/// The step in which a series gives its values: the least that two of them differ by.
fn resolution(series: &Series) -> f64 {
    let steps = series.value.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    steps.filter(|step| *step > 1e-6).fold(f64::INFINITY, f64::min)
}

/// Stretches at one value while the world moved. `movement(span)`: by how much this reading should have changed, judged by
/// others; `None` where nobody else can say.
pub(super) fn stuck(
    series: &Series,
    quantity: Quantity,
    movement: impl Fn(Span) -> Option<f64>,
) -> Vec<Span> {
    let needed = match quantity {
        Quantity::Humidity => MOVED_HUMIDITY_PCT,
        _ => MOVED_TEMPERATURE_K,
    };
    let resolution = resolution(series);
    // A constant one has no steps.
    let needed = match resolution.is_finite() {
        true => needed.max(MOVED_RESOLUTIONS * resolution),
        false => needed,
    };
    let mut stretches = Vec::new();
    let mut first = 0;
    // What a pause hides nobody knows: it ends a stretch.
    let gap_ms = series.gap_ms();
    for index in 1..=series.len() {
        if index < series.len()
            && (series.value[index] - series.value[first]).abs() < SAME
            && series.at_ms[index] - series.at_ms[index - 1] <= gap_ms.max(MS_PER_HOUR)
        {
            continue;
        }
        let span = Span {
            from_ms: series.at_ms[first],
            until_ms: series.at_ms[index - 1] + 1,
        };
        let length = span.until_ms - span.from_ms;
        let at_top = quantity == Quantity::Humidity && series.value[first] >= TOP_PCT;
        if length >= STUCK_MS_SUSPECT && !at_top {
            let moved = movement(Span {
                from_ms: span.from_ms + STUCK_ENDS_MS,
                until_ms: span.until_ms - STUCK_ENDS_MS,
            });
            if moved.is_some_and(|moved| moved >= needed) || (moved.is_none() && length >= STUCK_MS_FAIL) {
                stretches.push(span);
            }
        }
        first = index;
    }
    stretches
}

/// A sensor is pinned when it stays at the top while the air was this much drier by others, %RH, beyond what it usually reads above them …
const PINNED_BELOW_PCT: f64 = 6.0;
/// … for so long in all within [`PINNED_WITHIN_MS`].
pub(super) const PINNED_MS_MIN: i64 = 3 * MS_PER_HOUR;
const PINNED_WITHIN_MS: i64 = MS_PER_24_H;
/// … in so many readings.
const PINNED_COUNT_MIN: usize = 3;
/// And it left the top for less than this share of the stretch.
const PINNED_FRAC_MIN: f64 = 0.9;
/// One pinned stretch: the top is not left for longer than this.
const PINNED_PAUSE_MS: i64 = 2 * MS_PER_HOUR;

/// Stretches at the top of the scale.
pub(super) fn top_stretches(series: &Series) -> Vec<Span> {
    let mut stretches: Vec<Span> = Vec::new();
    for index in 0..series.len() {
        if series.value[index] < TOP_PCT {
            continue;
        }
        let at = series.at_ms[index];
        match stretches.last_mut() {
            Some(last) if at - last.until_ms <= PINNED_PAUSE_MS => last.until_ms = at + 1,
            _ => stretches.push(Span {
                from_ms: at,
                until_ms: at + 1,
            }),
        }
    }
    stretches
}

/// How far damp readings below the top of the scale usually stand above what others say, %RH: such a sensor reaches the top before the air
/// does. A cheap sensor's own error is no larger than the most (own choice).
pub(super) fn usually_above_pct(series: &Series, expected: impl Fn(i64) -> Option<f64>) -> f64 {
    const DAMP_PCT: f64 = 20.0;
    const ABOVE_PCT_MAX: f64 = 6.0;
    const COUNT_MIN: usize = 24;
    let mut asked_ms = i64::MIN;
    let mut above = Vec::new();
    for (at_ms, value) in series.at_ms.iter().zip(&series.value) {
        if *at_ms >= asked_ms && (TOP_PCT - DAMP_PCT..TOP_PCT).contains(value) {
            above.extend(expected(*at_ms).map(|level| value - level));
            asked_ms = at_ms + MS_PER_HOUR;
        }
    }
    let usual = median(&above).filter(|_| above.len() >= COUNT_MIN);
    usual.unwrap_or(0.0).clamp(0.0, ABOVE_PCT_MAX)
}

/// Stretches at the top of the scale that are contradicted for so long as `least_ms`. `expected(at)`: what it should read, %RH.
pub(super) fn pinned(series: &Series, least_ms: i64, expected: impl Fn(i64) -> Option<f64>) -> Vec<Span> {
    let mut stretches = top_stretches(series);
    let gap_ms = series.gap_ms();
    stretches.retain(|span| {
        let part = series.within(*span);
        let at_top = part.value.iter().filter(|value| **value >= TOP_PCT).count();
        if span.until_ms - span.from_ms < least_ms || (at_top as f64) < PINNED_FRAC_MIN * part.len() as f64 {
            return false;
        }
        // Contradicted readings, each for as long as it holds.
        let ends = part.at_ms.iter().skip(1).copied().chain([span.until_ms]);
        let dry: Vec<(i64, i64)> = part
            .at_ms
            .iter()
            .zip(ends)
            .map(|(at_ms, next_ms)| (*at_ms, (next_ms - at_ms).min(gap_ms)))
            .filter(|(at_ms, _)| expected(*at_ms).is_some_and(|level| level < TOP_PCT - PINNED_BELOW_PCT))
            .collect();
        // The contradiction must be found within one day somewhere in the stretch.
        let (mut first, mut held_ms) = (0, 0);
        (0..dry.len()).any(|last| {
            held_ms += dry[last].1;
            while dry[last].0 - dry[first].0 > PINNED_WITHIN_MS {
                held_ms -= dry[first].1;
                first += 1;
            }
            held_ms >= least_ms && last - first + 1 >= PINNED_COUNT_MIN
        })
    });
    stretches
}

/// A spike leaves and comes back by more than this from one reading to the next (QARTOD spike test, differential method).
pub(super) const SPIKE_PCT: f64 = 10.0;
const SPIKE_K: f64 = 3.0;
/// A pause longer than this many usual intervals hides what lies between: no spike is told across it.
const SPIKE_INTERVALS: i64 = 3;

/// Positions of single readings that jump out and back.
pub(super) fn spikes(series: &Series, quantity: Quantity) -> Vec<usize> {
    let limit = if quantity == Quantity::Humidity {
        SPIKE_PCT
    } else {
        SPIKE_K
    };
    let Some(usual) = series.median_interval_ms() else {
        return Vec::new();
    };
    (1..series.len().saturating_sub(1))
        .filter(|&index| {
            let near = series.at_ms[index + 1] - series.at_ms[index - 1] <= 2 * SPIKE_INTERVALS * usual;
            let (out, back) = (
                series.value[index] - series.value[index - 1],
                series.value[index + 1] - series.value[index],
            );
            // What is left of the jump after it came back: a misting stays, a spike goes.
            let left = (series.value[index + 1] - series.value[index - 1]).abs();
            near && out * back < 0.0 && out.abs().min(back.abs()) > limit && left < out.abs() / 2.0
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use mosswarden_config::table::Mark;

    const STEP: i64 = 5 * 60_000;

    fn series(count: usize, value: impl Fn(usize) -> f64) -> Series {
        let mut series = Series::default();
        for index in 0..count {
            series.push(index as i64 * STEP, index as i64 * STEP, value(index), Mark::Ok);
        }
        series
    }

    fn hours(from: i64, until: i64) -> Span {
        Span {
            from_ms: from * MS_PER_HOUR,
            until_ms: until * MS_PER_HOUR,
        }
    }

    #[test]
    fn silence_is_told_while_it_lasts_and_after_it_ended() {
        let mut gap = series(100, |_| 50.0);
        gap.push(20 * MS_PER_HOUR, 0, 50.0, Mark::Ok);
        assert_eq!(
            silent(&gap, hours(0, 21)),
            vec![Span {
                from_ms: 99 * STEP,
                until_ms: 20 * MS_PER_HOUR
            }]
        );
        assert_eq!(silent(&gap, hours(0, 40)).len(), 2);
        assert_eq!(silent(&Series::default(), hours(0, 40)), vec![hours(0, 40)]);
    }

    #[test]
    fn a_fading_sensor_is_told_before_it_is_silent() {
        let day = 288;
        // Every third reading is lost on the last two days.
        let lost = |index: usize| index > 12 * day && index.is_multiple_of(3);
        let mut faded = Series::default();
        for index in (0..14 * day).filter(|index| !lost(*index)) {
            faded.push(index as i64 * STEP, 0, 50.0, Mark::Ok);
        }
        let found = fading(&faded, hours(7 * 24, 14 * 24)).expect("a third is lost");
        assert!((found.heard_frac - 2.0 / 3.0).abs() < 0.01, "{found:?}");
        assert_eq!(found.since_ms, 12 * MS_PER_24_H);
        assert!((found.missed_h - 16.0).abs() < 0.2, "{found:?}");
        assert_eq!(fading(&faded, hours(5 * 24, 12 * 24)), None);
    }

    #[test]
    fn one_value_is_a_fault_only_while_the_world_moves() {
        let flat = series(100, |index| if index < 80 { 71.3 } else { 70.0 });
        let of = |movement: Option<f64>| stuck(&flat, Quantity::Humidity, |_| movement).len();
        assert_eq!((of(Some(8.0)), of(Some(1.0)), of(None)), (1, 0, 0));
        let saturated = series(100, |_| 99.9);
        assert_eq!(stuck(&saturated, Quantity::Humidity, |_| Some(10.0)).len(), 0);
    }

    #[test]
    fn what_moves_as_a_stretch_ends_does_not_make_it_stuck() {
        let flat = series(100, |index| if index < 80 { 24.5 } else { 22.0 });
        let end_ms = 80 * STEP;
        // Another cools from half an hour before: a clock that is an hour off.
        let cools = |span: Span| Some((span.until_ms - (end_ms - 6 * STEP)).max(0) as f64 / STEP as f64);
        assert_eq!(stuck(&flat, Quantity::Temperature, cools).len(), 0);
        let cools_early = |span: Span| {
            cools(Span {
                until_ms: span.until_ms + 20 * STEP,
                ..span
            })
        };
        assert_eq!(stuck(&flat, Quantity::Temperature, cools_early).len(), 1);
    }

    #[test]
    fn one_in_large_steps_stands_still_through_small_moves() {
        let moved = |_: Span| Some(1.5);
        let in_halves = series(100, |index| if index < 80 { 24.5 } else { 25.0 });
        let in_tenths = series(100, |index| if index < 80 { 24.5 } else { 24.6 });
        assert_eq!(stuck(&in_halves, Quantity::Temperature, moved).len(), 0);
        assert_eq!(stuck(&in_tenths, Quantity::Temperature, moved).len(), 1);
    }

    #[test]
    fn one_that_reads_high_reaches_the_top_before_the_air_does() {
        let air = |at_ms: i64| 91.0 + 3.0 * (at_ms as f64 / MS_PER_24_H as f64 * std::f64::consts::TAU).sin();
        let high = series(2000, |index| (air(index as i64 * STEP) + 5.5).min(100.0));
        let expected = |at_ms: i64| Some(air(at_ms));
        let above_pct = usually_above_pct(&high, expected);
        assert!((above_pct - 5.5).abs() < 0.1, "{above_pct}");
        let told =
            |above_pct: f64| pinned(&high, PINNED_MS_MIN, |at_ms| Some(air(at_ms) - 2.0 + above_pct)).len();
        assert!(told(0.0) > 0, "taken as it stands it would be");
        assert_eq!(told(above_pct), 0);
    }

    #[test]
    fn pinned_needs_a_contradiction() {
        let top = series(200, |_| 99.9);
        assert_eq!(pinned(&top, PINNED_MS_MIN, |_| Some(85.0)).len(), 1);
        assert_eq!(pinned(&top, PINNED_MS_MIN, |_| Some(97.0)).len(), 0);
        assert_eq!(pinned(&top, PINNED_MS_MIN, |_| None).len(), 0);
    }

    #[test]
    fn a_misting_is_no_spike() {
        let spike = series(50, |index| if index == 20 { 95.0 } else { 70.0 });
        assert_eq!(spikes(&spike, Quantity::Humidity), vec![20]);
        let mist = series(50, |index| {
            if index < 20 {
                70.0
            } else {
                70.0 + 25.0 * 0.9_f64.powi(index as i32 - 20)
            }
        });
        assert!(spikes(&mist, Quantity::Humidity).is_empty());
    }
}

//! How a sensor speaks: by the clock, or when its value changes and at the latest after a while.
//!
//! In: the instants and values of one series. Out: its usual pace. A sensor that speaks on change is not silent while it says nothing; taken by
//! the clock its quiet nights would be gaps, and its lively noons a clock that runs twice.
//!
//! Four things tell the two apart, all our own. Of the longer silences of a sensor with a heartbeat most of the time lies in those of one length, while
//! lost messages of one that speaks by the clock leave ever fewer of ever longer ones; or most of all silences have that length, and some are
//! shorter, as none of one that speaks by the clock; or silences of many lengths end at one, at which they heap up. It hardly repeats a value
//! before that length; or, where one message bears several values, its shorter silences have no length of their own. And one that flutters between
//! two values and never repeats the last speaks on change whatever its silences are: noise would repeat it as often.

use mosswarden_config::zone::MS_PER_HOUR;

use super::View;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Rhythm {
    /// The median time between readings, ms.
    pub(super) median_ms: i64,
    /// Of one that speaks when its value changes: after how long it speaks though nothing changed, ms.
    pub(super) heartbeat_ms: Option<i64>,
}

/// A sensor speaks by the clock unless so much of its time lies in silences of one and a half medians; fewer silences than this say nothing.
const UNEVEN_TIME_FRAC_MIN: f64 = 0.1;
const SILENCES_MIN: usize = 100;
/// Where most silences are the heartbeat itself, a quarter and more are no shorter, and so many are shorter than this share of it.
const SHORTER_FRAC: f64 = 0.8;
const SHORTER_COUNT_FRAC_MIN: f64 = 0.1;
/// Silences within this ratio are of one length.
const ALIKE_RATIO: f64 = 1.1;
/// A heartbeat stands out from this many medians on, since one lost message makes two, and with so much of the time in silences of two or more.
const HEARTBEAT_MEDIANS_MIN: f64 = 2.5;
const HEARTBEAT_TIME_FRAC_MIN: f64 = 0.25;
/// One that may be silent for longer says too little: its pauses stay gaps.
const HEARTBEAT_MS_MAX: i64 = 2 * MS_PER_HOUR;
/// Silences end at a heartbeat where, from so many medians on, so many lie within the first of these ratios of it, this many times as many as just
/// below, and only this share of them beyond the second.
const ENDS_MEDIANS_MIN: f64 = 10.0;
const ENDS_COUNT_MIN: usize = 30;
const ENDS_RATIO: f64 = 1.03;
const ENDS_TIMES: usize = 4;
const BEYOND_FRAC_MAX: f64 = 0.2;
/// Silences of one that speaks by the clock are of one length at least so often, whatever is lost.
const BY_THE_CLOCK_FRAC_MIN: f64 = 0.4;
/// Filters and rounding of a sensor that speaks on change let it repeat itself at most so often before its heartbeat.
const REPEATS_FRAC_MAX: f64 = 0.03;
/// One that flutters between two values, so that it often says again what it said before the last, and never repeats the last, says changes only.
const NEVER_REPEATS_FRAC: f64 = 0.005;
const COMES_BACK_FRAC_MIN: f64 = 0.03;
/// Where no length stands out the longest silence is the one that so few are longer than.
const LONGER_FRAC: f64 = 0.005;

impl Rhythm {
    /// `None` below three readings.
    pub(super) fn of(readings: View<'_>) -> Option<Rhythm> {
        if readings.len() < 3 {
            return None;
        }
        let mut silences: Vec<i64> = readings.at_ms.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let middle = silences.len() / 2;
        let median_ms = *silences.select_nth_unstable(middle).1;
        Some(Rhythm {
            median_ms,
            heartbeat_ms: heartbeat_ms(readings, silences, median_ms),
        })
    }
}

fn time(silences: &[i64]) -> f64 {
    silences.iter().sum::<i64>() as f64
}

fn heartbeat_ms(readings: View<'_>, mut silences: Vec<i64>, median_ms: i64) -> Option<i64> {
    let count = silences.len();
    if count < SILENCES_MIN {
        return None;
    }
    silences.sort_unstable();
    let place = |limit_ms: f64| silences.partition_point(|silence| (*silence as f64) < limit_ms);
    let alike = |from_ms: f64| &silences[place(from_ms)..place(from_ms * ALIKE_RATIO)];
    let repeats_frac = |heartbeat_ms: i64| same_frac(readings, 1, heartbeat_ms / 2);
    let around_frac = |ms: i64| alike(ms as f64 / ALIKE_RATIO.sqrt()).len() as f64 / count as f64;
    let upper_ms = silences[count * 3 / 4];
    if around_frac(upper_ms) >= BY_THE_CLOCK_FRAC_MIN
        && place(SHORTER_FRAC * upper_ms as f64) as f64 >= SHORTER_COUNT_FRAC_MIN * count as f64
        && repeats_frac(upper_ms) < REPEATS_FRAC_MAX
    {
        return (upper_ms <= HEARTBEAT_MS_MAX).then_some(upper_ms);
    }
    if time(&silences[place(1.5 * median_ms as f64)..]) < UNEVEN_TIME_FRAC_MIN * time(&silences) {
        return None;
    }
    let longer = &silences[silences.partition_point(|silence| *silence < 2 * median_ms)..];
    let most = longer
        .chunk_by(|a, b| a == b)
        .map(|same| alike(same[0] as f64))
        .max_by(|a, b| time(a).total_cmp(&time(b)))
        .unwrap_or_default();
    let usual_ms = most.get(most.len() / 2).copied().unwrap_or(median_ms);
    let stands_out = usual_ms as f64 >= HEARTBEAT_MEDIANS_MIN * median_ms as f64
        && time(most) >= HEARTBEAT_TIME_FRAC_MIN * time(longer);
    let clocked = around_frac(silences[count / 4]);
    let heaped = |from_ms: f64| &silences[place(from_ms)..place(from_ms * ENDS_RATIO)];
    let ends_at = longer
        .chunk_by(|a, b| a == b)
        .map(|same| same[0] as f64)
        .filter(|ms| *ms >= ENDS_MEDIANS_MIN * median_ms as f64)
        .filter(|ms| {
            let heap = heaped(*ms).len();
            let beyond = count - place(ms * ALIKE_RATIO);
            heap >= ENDS_COUNT_MIN
                && heap >= ENDS_TIMES * (place(*ms) - place(ms / ENDS_RATIO))
                && beyond as f64 <= BEYOND_FRAC_MAX * heap as f64
        })
        .map(heaped)
        .max_by_key(|heap| heap.len())
        .map(|heap| heap[heap.len() / 2]);
    let longest_ms = silences[(count as f64 * (1.0 - LONGER_FRAC)) as usize];
    let heartbeat_ms =
        if stands_out && (clocked < BY_THE_CLOCK_FRAC_MIN || repeats_frac(usual_ms) < REPEATS_FRAC_MAX) {
            usual_ms
        } else if let Some(ends_at_ms) = ends_at {
            ends_at_ms
        } else if repeats_frac(longest_ms) < NEVER_REPEATS_FRAC
            && same_frac(readings, 2, longest_ms) >= COMES_BACK_FRAC_MIN
        {
            longest_ms
        } else {
            return None;
        };
    (heartbeat_ms <= HEARTBEAT_MS_MAX).then_some(heartbeat_ms)
}

/// Of the readings that came within some time of the one so many before, the share that say the same.
fn same_frac(readings: View<'_>, before: usize, within_ms: i64) -> f64 {
    let (mut count, mut same) = (0_usize, 0_usize);
    for now in before..readings.len() {
        let then = now - before;
        if readings.at_ms[now] - readings.at_ms[then] < within_ms {
            count += 1;
            same += usize::from(readings.value[now] == readings.value[then]);
        }
    }
    same as f64 / count.max(1) as f64
}

#[cfg(test)]
pub(crate) mod tests {
    use mosswarden_config::table::Mark;
    use mosswarden_config::zone::Span;

    use crate::series::Series;

    /// A sensor that is read every minute and speaks when its value moved by a tenth, or after half an hour; `lost`: which messages are.
    pub(crate) fn on_change(lost: impl Fn(usize) -> bool) -> Series {
        let mut series = Series::default();
        let (mut said, mut said_min) = (f64::NAN, 0);
        for minute in 0..14 * 24 * 60 {
            let days = minute as f64 / 1440.0;
            let lit = (std::f64::consts::TAU * days).sin().max(0.0);
            let value = ((22.0 + 3.0 * lit + 0.4 * lit * (0.37 * minute as f64).sin()) * 10.0).round() / 10.0;
            if (value - said).abs() >= 0.15 || said.is_nan() || minute - said_min >= 30 {
                (said, said_min) = (value, minute);
                if !lost(minute as usize) {
                    series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
                }
            }
        }
        series
    }

    #[test]
    fn the_silence_of_a_sensor_that_speaks_on_change_is_no_gap_until_it_is_too_long() {
        let series = on_change(|_| false);
        assert!(series.speaks_on_change());
        assert_eq!(series.usual_interval_ms(), Some(30 * 60_000));
        let whole = Span {
            from_ms: series.at_ms[0],
            until_ms: series.at_ms[series.len() - 1],
        };
        let covered = |series: &Series| {
            series
                .view()
                .summary(whole, series.gap_ms())
                .expect("readings")
                .covered_frac
        };
        assert!(covered(&series) > 0.999);
        let six_hours = on_change(|minute| (5000..5360).contains(&minute));
        let away = 360.0 / (14.0 * 1440.0);
        assert!(
            (covered(&six_hours) - (1.0 - away)).abs() < 0.002,
            "a real silence stays a gap"
        );
    }

    #[test]
    fn one_of_which_most_silences_are_its_heartbeat_speaks_on_change() {
        let mut series = Series::default();
        let (mut said, mut said_min) = (f64::NAN, 0);
        for minute in 0..14 * 24 * 60_i64 {
            let day = (std::f64::consts::TAU * minute as f64 / 1440.0).sin();
            let value = (220.0 + 24.0 * day.max(0.0).powi(3)).round() / 10.0;
            if (value - said).abs() >= 0.15 || said.is_nan() || minute - said_min >= 30 {
                (said, said_min) = (value, minute);
                series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
            }
        }
        assert_eq!(series.median_interval_ms(), Some(30 * 60_000));
        assert!(series.speaks_on_change());
    }

    /// Lively by day, quiet by night, and its messages bear a second value that changes by itself: its own repeats.
    #[test]
    fn silences_of_many_lengths_that_end_at_one_are_those_of_a_heartbeat() {
        let speaks = |heartbeat_min: i64| {
            let mut series = Series::default();
            let mut state = 12_345_u64;
            let mut said_min = 0;
            for minute in 0..42 * 24 * 60_i64 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let is_night = minute % 1440 < 480;
                let other_changed = (state >> 33) % 1000 < if is_night { 30 } else { 600 };
                if other_changed || minute - said_min >= heartbeat_min {
                    said_min = minute;
                    let value = 22.0 + (minute / 240 % 6) as f64 / 10.0;
                    series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
                }
            }
            series
        };
        let hourly = speaks(60);
        assert!(hourly.speaks_on_change());
        assert_eq!(hourly.usual_interval_ms(), Some(60 * 60_000));
        assert!(!speaks(i64::MAX).speaks_on_change(), "nothing ends its silences");
    }

    #[test]
    fn one_whose_clock_was_set_back_by_a_day_does_not_speak_on_change() {
        let mut series = Series::default();
        // Through one of eight days its stamps run twice, ten minutes apart.
        let mut minutes: Vec<i64> = (0..8 * 24 * 2).map(|count| count * 30).collect();
        minutes.extend((0..24 * 2).map(|count| 3 * 1440 + count * 30 + 10));
        minutes.sort_unstable();
        for (count, minute) in minutes.into_iter().enumerate() {
            let value = 22.0 + (count % 3) as f64 / 10.0 * f64::from(u8::from(count % 2 == 0));
            series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
        }
        assert!(!series.speaks_on_change());
    }

    #[test]
    fn one_that_flutters_and_never_repeats_itself_speaks_on_change_without_any_heartbeat() {
        let mut series = Series::default();
        let mut said = f64::NAN;
        for minute in 0..14 * 24 * 60_i64 {
            let value = 80.0
                + (6.0 * (std::f64::consts::TAU * minute as f64 / 1440.0).sin() + (minute as f64).sin())
                    .round();
            if value != said {
                said = value;
                series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
            }
        }
        assert!(series.speaks_on_change());
    }

    #[test]
    fn one_that_speaks_by_the_clock_and_loses_messages_has_no_heartbeat() {
        for kept in [2, 3, 5, 9] {
            let mut series = Series::default();
            let mut state = 12_345_u64;
            for minute in 0..14 * 24 * 60_i64 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                // To a hundredth: it hardly ever repeats itself.
                let value = (state >> 40) as f64 / 100.0;
                if (state >> 33) % 10 < kept {
                    series.push(minute * 60_000, minute * 60_000, value, Mark::Ok);
                }
            }
            assert!(
                !series.speaks_on_change(),
                "{kept} of 10 are heard: {:?}",
                series.usual_interval_ms()
            );
        }
    }
}

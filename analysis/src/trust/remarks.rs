//! How a probe sits, by its own signal: water stands on it, it answers more slowly than it used to, a lamp shines on it.
//!
//! Such a probe reads right for most of the time, or for where it hangs, so these are remarks beside its standing and no findings. The
//! limits are our own choice, set wide: of probes that sit well none was remarked on (ACCURACY.md).

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::assess::Room;
use super::grid::CELL_MS;
use super::scene::{Checked, Grids};
use super::signal::TOP_PCT;
use super::{Remark, Sits};
use crate::series::{Series, on_spans};
use crate::statistics::robust::median;
use crate::words;

const MS_PER_MIN: i64 = 60_000;

impl Room<'_> {
    /// What is to be said of a sensor beside its standing.
    pub(super) fn remarks(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        plausible: &Checked<'_>,
        grids: &Grids,
    ) -> Vec<Remark> {
        let Some(series) = plausible.get(&(sensor.id.clone(), quantity)) else {
            return Vec::new();
        };
        let of_others = || {
            let others = self.sensors.iter().filter(|other| other.id != sensor.id);
            others.filter_map(|other| Some(&**plausible.get(&(other.id.clone(), quantity))?))
        };
        match quantity {
            Quantity::Humidity => {
                let expected = |at_ms| self.expected(&sensor.id, quantity, grids, at_ms);
                let times = water_falls_off(series, self.span, expected);
                let water = (times.len() >= WATER_COUNT_MIN).then(|| Remark {
                    sits: Sits::Wet,
                    words: format!(
                        "water stood on it {} times, last until {}: at the top of its scale it then did not read the air",
                        times.len(),
                        words::instant(self.site.zone, times[times.len() - 1])
                    ),
                });
                let mistings = self.mistings();
                let others: Vec<&Series> = of_others().collect();
                let slow = slowed(series, &others, &mistings, self.span.from_ms).map(|(usual, now)| Remark {
                    sits: Sits::Slow,
                    words: format!(
                        "it answers more slowly than it used to: {now:.0} min to two thirds of a misting's rise instead of {usual:.0}"
                    ),
                });
                water.into_iter().chain(slow).collect()
            }
            Quantity::Temperature => {
                let edges = self.lamp_starts();
                let others: Vec<&Series> = of_others().collect();
                let lit = lamp_shines_on(series, &others, &edges);
                let lit = lit.map(|jump_k| Remark {
                    sits: Sits::Lit,
                    words: format!(
                        "it warms by {} within ten minutes of the lamp's start, the others by far less: the lamp seems to shine on it, so it reads too warm by day",
                        words::value(quantity, jump_k)
                    ),
                });
                lit.into_iter().collect()
            }
            _ => Vec::new(),
        }
    }

    /// Starts of the mistings that are known, by device or journal.
    fn mistings(&self) -> Vec<i64> {
        let Some(enclosure) = self.enclosure else {
            return Vec::new();
        };
        let runs = enclosure
            .devices_of(DeviceKind::Mister)
            .filter_map(|device| self.record.get(&device.id, Quantity::State))
            .flat_map(|states| on_spans(states.view(), MS_PER_HOUR))
            .map(|run| run.from_ms);
        let by_hand = self
            .record
            .entries(&enclosure.id, self.history())
            .filter(|entry| entry.kind == journal::MISTED_BY_HAND)
            .map(|entry| entry.at_ms);
        let mut all: Vec<i64> = runs.chain(by_hand).collect();
        all.sort_unstable();
        // Two misters of one schedule, or a device and the journal, tell of one misting.
        all.dedup_by(|later, first| *later - *first < BEFORE_MS);
        all
    }

    /// The hours at which the light of the span's days should begin.
    fn lamp_starts(&self) -> Vec<i64> {
        let Some(enclosure) = self.enclosure else {
            return Vec::new();
        };
        let zone = self.site.zone;
        let light = zone
            .dates(self.span)
            .into_iter()
            .map(|date| zone.light(date, enclosure.light_on(date)));
        light
            .map(|light| light.from_ms)
            .filter(|at_ms| self.span.contains(*at_ms))
            .collect()
    }
}

/// A plateau at the top of the scale this long …
const PLATEAU_MS_MIN: i64 = MS_PER_HOUR;
/// … that ends with a fall of at least this, %RH, within [`FALL_MS`], while the air was as much drier through its last hour.
const FALL_PCT_MIN: f64 = 6.0;
const FALL_MS: i64 = 15 * MS_PER_MIN;
const WATER_COUNT_MIN: usize = 2;

/// When water fell off: the ends, inside `span`, of plateaus that the others (`expected`, %RH) contradict.
fn water_falls_off(series: &Series, span: Span, expected: impl Fn(i64) -> Option<f64>) -> Vec<i64> {
    let gap_ms = series.gap_ms();
    let (at_ms, value) = (&series.at_ms, &series.value);
    let mut ends = Vec::new();
    let mut first = None;
    for index in 0..series.len() {
        let joins = index > 0 && at_ms[index] - at_ms[index - 1] <= gap_ms;
        if value[index] >= TOP_PCT {
            first = first.filter(|_| joins).or(Some(index));
            continue;
        }
        let Some(began) = first.take().filter(|_| joins) else {
            continue;
        };
        let end = index - 1;
        let lowest = (index..series.len())
            .take_while(|later| at_ms[*later] - at_ms[end] <= FALL_MS)
            .map(|later| value[later])
            .fold(f64::INFINITY, f64::min);
        // A cell of the others' means may hold the minutes after the end too: it begins one cell before.
        let was_dry = (1..=PLATEAU_MS_MIN / CELL_MS).all(|cell| {
            expected(at_ms[end] - cell * CELL_MS).is_some_and(|level| level <= TOP_PCT - FALL_PCT_MIN)
        });
        if at_ms[end] - at_ms[began] >= PLATEAU_MS_MIN
            && span.contains(at_ms[end])
            && value[end] - lowest >= FALL_PCT_MIN
            && was_dry
        {
            ends.push(at_ms[end]);
        }
    }
    ends
}

/// A misting's rise counts from this on, %RH.
const RISE_PCT_MIN: f64 = 4.0;
/// The level before it is a median over this time, and the top is looked for as long after it.
const BEFORE_MS: i64 = 20 * MS_PER_MIN;
const AFTER_MS: i64 = 60 * MS_PER_MIN;
/// Two thirds of a rise: where a first-order lag has come after one time constant.
const ANSWERED_FRAC: f64 = 0.632;
/// A sensor that speaks less often tells too little by its pace.
const INTERVAL_MS_MAX: i64 = 5 * MS_PER_MIN;
/// Mistings before and now that are needed.
const ANSWERS_MIN: usize = 6;
/// Slower by this many times and by this much, min, while the others are not.
const SLOWER_RATIO: f64 = 2.5;
const SLOWER_MIN: f64 = 5.0;
const OTHERS_RATIO_MAX: f64 = 1.5;

/// Minutes from a misting's start to two thirds of its rise; `None` where nothing can be measured.
fn answer_min(series: &Series, at_ms: i64) -> Option<f64> {
    let before = series.within(Span {
        from_ms: at_ms - BEFORE_MS,
        until_ms: at_ms,
    });
    let after = series.within(Span {
        from_ms: at_ms,
        until_ms: at_ms + AFTER_MS,
    });
    let around = series.within(Span {
        from_ms: at_ms - BEFORE_MS,
        until_ms: at_ms + AFTER_MS,
    });
    if around
        .at_ms
        .windows(2)
        .any(|pair| pair[1] - pair[0] > series.gap_ms())
    {
        return None;
    }
    let level = median(before.value)?;
    let top = after.value.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top - level < RISE_PCT_MIN || top >= TOP_PCT {
        return None;
    }
    let wanted = level + ANSWERED_FRAC * (top - level);
    let reached = after.value.iter().position(|value| *value >= wanted)?;
    Some((after.at_ms[reached] - at_ms) as f64 / MS_PER_MIN as f64)
}

/// The usual answer before `from_ms` and the answer since, min, each the median over mistings; `None` where there are too few.
fn answers(series: &Series, mistings: &[i64], from_ms: i64) -> Option<(f64, f64)> {
    if series.usual_interval_ms()? > INTERVAL_MS_MAX {
        return None;
    }
    let (before, now) = mistings.split_at(mistings.partition_point(|at| *at < from_ms));
    let usual = |times: &[i64]| {
        let answers: Vec<f64> = times.iter().filter_map(|at| answer_min(series, *at)).collect();
        median(&answers).filter(|_| answers.len() >= ANSWERS_MIN)
    };
    usual(before).zip(usual(now))
}

/// How fast it used to answer and does now, min, where it became slow and the others did not.
fn slowed(series: &Series, others: &[&Series], mistings: &[i64], from_ms: i64) -> Option<(f64, f64)> {
    let (usual, now) = answers(series, mistings, from_ms)?;
    // Longer mistings make all slower: without another one nothing can be said.
    let of_others: Vec<(f64, f64)> = others
        .iter()
        .filter_map(|other| answers(other, mistings, from_ms))
        .collect();
    let others_as_before = of_others
        .iter()
        .all(|(usual, now)| *now <= OTHERS_RATIO_MAX * usual);
    (now >= SLOWER_RATIO * usual && now - usual >= SLOWER_MIN && !of_others.is_empty() && others_as_before)
        .then_some((usual, now))
}

/// A timer is this near to its hour.
const NEAR_EDGE_MS: i64 = 30 * MS_PER_MIN;
/// Air needs tens of minutes to warm; what warms within this stands in the light itself.
const JUMP_MS: i64 = 10 * MS_PER_MIN;
/// It is this much, K …
const JUMP_K_MIN: f64 = 2.0;
/// … and this share of what an hour brings.
const JUMP_FRAC_MIN: f64 = 0.75;
/// Another probe's jump is at most this share of it.
const OTHERS_FRAC_MAX: f64 = 0.5;
/// Days that are needed.
const EDGES_MIN: usize = 4;

/// The largest rise within [`JUMP_MS`] near the lamp's start, and what the hour from there brought, K.
fn jump_k(series: &Series, edge_ms: i64) -> Option<(f64, f64)> {
    let (view, gap_ms) = (series.view(), series.gap_ms());
    let rise = |from_ms: i64, length_ms: i64| {
        Some(view.value_at(from_ms + length_ms, gap_ms)? - view.value_at(from_ms, gap_ms)?)
    };
    (edge_ms - NEAR_EDGE_MS..=edge_ms + NEAR_EDGE_MS)
        .step_by(INTERVAL_MS_MAX as usize)
        .filter_map(|from_ms| Some((rise(from_ms, JUMP_MS)?, rise(from_ms, MS_PER_HOUR)?)))
        .max_by(|a, b| a.0.total_cmp(&b.0))
}

/// By how much a probe jumps when the lamp starts, K, where that is the lamp's light and not the air.
fn lamp_shines_on(series: &Series, others: &[&Series], edges: &[i64]) -> Option<f64> {
    if series.usual_interval_ms()? > INTERVAL_MS_MAX || others.is_empty() {
        return None;
    }
    let jumps: Vec<f64> = edges
        .iter()
        .filter_map(|edge| {
            let (jump, hour) = jump_k(series, *edge)?;
            let of_others = others.iter().filter_map(|other| Some(jump_k(other, *edge)?.0));
            let most = of_others.fold(f64::NEG_INFINITY, f64::max);
            let is_light = jump >= JUMP_K_MIN && jump >= JUMP_FRAC_MIN * hour;
            Some(
                if is_light && most.is_finite() && most <= OTHERS_FRAC_MAX * jump {
                    jump
                } else {
                    0.0
                },
            )
        })
        .collect();
    (jumps.len() >= EDGES_MIN)
        .then(|| median(&jumps))
        .flatten()
        .filter(|jump| *jump >= JUMP_K_MIN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use mosswarden_config::table::Mark;

    fn series(minutes: i64, step: i64, value: impl Fn(i64) -> f64) -> Series {
        let mut series = Series::default();
        for minute in (0..minutes).step_by(step as usize) {
            series.push(minute * MS_PER_MIN, minute * MS_PER_MIN, value(minute), Mark::Ok);
        }
        series
    }

    const DAY: i64 = 24 * 60;

    #[test]
    fn water_on_a_probe_is_a_plateau_that_the_air_contradicts_and_that_falls_at_once() {
        let span = Span {
            from_ms: 0,
            until_ms: 3 * DAY * MS_PER_MIN,
        };
        // Two hours a day at the top, then at once at 85 %RH.
        let wet = series(3 * DAY, 5, |minute| if minute % DAY < 120 { 99.9 } else { 85.0 });
        assert_eq!(water_falls_off(&wet, span, |_| Some(86.0)).len(), 3);
        assert!(water_falls_off(&wet, span, |_| Some(97.0)).is_empty());
        assert!(water_falls_off(&wet, span, |_| None).is_empty());
        // Air that dries slowly.
        let dries = series(3 * DAY, 5, |minute| {
            (99.9 - (minute % DAY - 120).max(0) as f64 / 10.0).max(80.0)
        });
        assert!(water_falls_off(&dries, span, |_| Some(86.0)).is_empty());
        // Air that falls as fast, as when a lid is opened: the others' cell already holds the minutes after.
        let with_the_air = |at_ms: i64| {
            let minute = at_ms / MS_PER_MIN % DAY;
            Some(if minute < 110 { 99.0 } else { 87.0 })
        };
        assert!(water_falls_off(&wet, span, with_the_air).is_empty());
    }

    #[test]
    fn a_probe_that_answers_more_slowly_than_it_used_to_is_told_unless_all_do() {
        // A misting every six hours; a rise of 12 %RH with a lag of so many minutes, gone after three hours.
        let probe = |lag: fn(i64) -> f64| {
            series(20 * DAY, 2, move |minute| {
                let since = (minute % 360) as f64;
                let rise = if since < 180.0 {
                    12.0 * (1.0 - (-since / lag(minute)).exp())
                } else {
                    0.0
                };
                75.0 + rise
            })
        };
        let mistings: Vec<i64> = (0..80).map(|n| n * 360 * MS_PER_MIN).collect();
        let from_ms = 13 * DAY * MS_PER_MIN;
        let (sound, slow) = (
            probe(|_| 4.0),
            probe(|minute| if minute < 10 * DAY { 4.0 } else { 15.0 }),
        );
        let (usual, now) = slowed(&slow, &[&sound], &mistings, from_ms).expect("it is slow");
        assert!(
            (usual - 4.0).abs() <= 2.0 && (now - 15.0).abs() <= 2.0,
            "{usual} {now}"
        );
        assert_eq!(slowed(&sound, &[&slow], &mistings, from_ms), None);
        assert_eq!(slowed(&slow, &[&slow], &mistings, from_ms), None);
        assert_eq!(slowed(&slow, &[], &mistings, from_ms), None);
    }

    #[test]
    fn a_probe_in_the_lamps_light_jumps_and_air_does_not() {
        // The lamp starts at eight each day.
        let probe = |rise_k: f64, lag_min: f64| {
            series(7 * DAY, 5, move |minute| {
                let since = (minute % DAY - 480) as f64;
                22.0 + if since > 0.0 {
                    rise_k * (1.0 - (-since / lag_min).exp())
                } else {
                    0.0
                }
            })
        };
        let edges: Vec<i64> = (0..7).map(|day| (day * DAY + 480) * MS_PER_MIN).collect();
        let (lit, warm, cool) = (probe(4.0, 3.0), probe(4.0, 25.0), probe(1.5, 25.0));
        let jump = lamp_shines_on(&lit, &[&cool], &edges).expect("it stands in the light");
        assert!((3.0..4.0).contains(&jump), "{jump}");
        assert_eq!(lamp_shines_on(&warm, &[&cool], &edges), None);
        assert_eq!(lamp_shines_on(&lit, &[&lit], &edges), None);
        assert_eq!(lamp_shines_on(&lit, &[], &edges), None);
    }
}

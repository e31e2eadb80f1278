//! Several sensors as one line: the coolest place, the warmest place, the mean of places.
//!
//! In: usable series of the sensors at places that animals can reach. Out: lines on the union of their times.
//! Where one sensor pauses, the others stand in for it by its usual difference from them at that hour of the day, so that
//! the line does not jump; where all pause, the line has a gap. Nothing is carried over time.

use std::sync::Arc;

use mosswarden_config::zone::{MS_PER_HOUR, Span, Zone};

use crate::series::{Excess, Series, Summary, View};
use crate::statistics::robust::median;
use crate::trusted::Usable;

/// Differences between places are sampled about this often: they change slowly.
const DIFFERENCE_STEP_MS: i64 = 20 * 60_000;
/// Fewer samples at an hour of the day than this, and the whole day's median stands in.
const DIFFERENCE_COUNT_MIN: usize = 3;
const HOURS: usize = 24;
/// Share of the variance of a sensor's error that others of the enclosure have in common with it: one make, one age, one wet
/// air (our own choice; with it the interval of the mean holds at least as often as it says on simulated sites).
const SHARED_FRAC: f64 = 0.25;

/// Back inside the limits for this long, it is over; less is a reading that wavers about the limit (our own choice).
const BACK_MS: i64 = 10 * 60_000;

/// One sensor's readings or several combined, with the pause that counts as a gap in them. A copy shares them.
#[derive(Debug, Clone, Default)]
pub(super) struct Line {
    at_ms: Arc<Vec<i64>>,
    value: Arc<Vec<f64>>,
    pub(super) gap_ms: i64,
}

impl Line {
    pub(super) fn of(series: &Series) -> Line {
        Line {
            at_ms: Arc::new(series.at_ms.clone()),
            value: Arc::new(series.value.clone()),
            gap_ms: series.gap_ms(),
        }
    }

    pub(super) fn view(&self) -> View<'_> {
        View {
            at_ms: &self.at_ms,
            value: &self.value,
        }
    }

    pub(super) fn summary(&self, span: Span) -> Option<Summary> {
        self.view().summary(span, self.gap_ms)
    }

    pub(super) fn above(&self, limit: f64, span: Span) -> Excess {
        self.view().above(limit, span, self.gap_ms)
    }

    pub(super) fn below(&self, limit: f64, span: Span) -> Excess {
        self.view().below(limit, span, self.gap_ms)
    }

    /// Whether what the line showed up to `last_ms` holds at the end of the record: nothing else was read for long since, and the last
    /// reading is no gap ago, an hour at most.
    pub(super) fn still_shows(&self, last_ms: i64, until_ms: i64) -> bool {
        let read = self.at_ms.partition_point(|at_ms| *at_ms <= until_ms);
        let read_ms = self.at_ms[..read].last().copied().unwrap_or(last_ms);
        read_ms - last_ms < BACK_MS && until_ms - last_ms <= self.gap_ms.min(MS_PER_HOUR)
    }

    pub(super) fn value_at(&self, at_ms: i64) -> Option<f64> {
        self.view().value_at(at_ms, self.gap_ms)
    }

    /// A line's value at each of the rising times; not a number in its gaps.
    pub(super) fn on_times(&self, times: &[i64]) -> Vec<f64> {
        let (at_ms, value) = (&self.at_ms, &self.value);
        let mut next = 0;
        times
            .iter()
            .map(|time| {
                while next < at_ms.len() && at_ms[next] < *time {
                    next += 1;
                }
                if next < at_ms.len() && at_ms[next] == *time {
                    return value[next];
                }
                if next == 0 || next == at_ms.len() || at_ms[next] - at_ms[next - 1] > self.gap_ms {
                    return f64::NAN;
                }
                let share = (time - at_ms[next - 1]) as f64 / (at_ms[next] - at_ms[next - 1]) as f64;
                value[next - 1] + share * (value[next] - value[next - 1])
            })
            .collect()
    }

    /// Known share of a span.
    pub(super) fn known_frac(&self, span: Span) -> f64 {
        self.summary(span).map_or(0.0, |summary| summary.covered_frac)
    }

    /// The whole gap around a stretch that is not known, with the readings at its edges; `None` at the ends of the record.
    pub(super) fn around_gap(&self, part: Span) -> Option<(Span, f64, f64)> {
        let (at_ms, value) = (&self.at_ms, &self.value);
        let before = at_ms.partition_point(|at| *at <= part.from_ms).checked_sub(1)?;
        let after = at_ms.partition_point(|at| *at < part.until_ms);
        let gap = Span {
            from_ms: at_ms[before],
            until_ms: *at_ms.get(after)?,
        };
        Some((gap, value[before], value[after]))
    }

    /// Stretches of a span that are not known.
    pub(super) fn gaps(&self, span: Span) -> Vec<Span> {
        let mut gaps = Vec::new();
        let mut known_until_ms = span.from_ms;
        self.view().pieces(span, self.gap_ms, |from_ms, until_ms, _, _| {
            if from_ms > known_until_ms {
                gaps.push(Span {
                    from_ms: known_until_ms,
                    until_ms: from_ms,
                });
            }
            known_until_ms = until_ms;
        });
        if known_until_ms < span.until_ms {
            gaps.push(Span {
                from_ms: known_until_ms,
                until_ms: span.until_ms,
            });
        }
        gaps
    }
}

/// The lines of one quantity in one enclosure.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    pub(super) lowest: Line,
    pub(super) highest: Line,
    pub(super) mean: Line,
    /// Half-width of one reading's 95 % interval, mean over the sensors.
    pub(super) half_width: f64,
    /// Half-width of the 95 % interval of the mean over the sensors.
    pub(super) mean_half_width: f64,
    /// What was taken off at the end of the record, the largest by size.
    pub(super) corrected_by: f64,
    pub(super) sensors: Vec<(String, Line)>,
}

impl Places {
    /// Combines usable series; `None` without any reading.
    pub(super) fn combine(zone: Zone, sensors: &[(&str, &Usable)]) -> Option<Places> {
        let sensors: Vec<_> = sensors
            .iter()
            .filter(|(_, usable)| !usable.series.is_empty())
            .collect();
        if sensors.is_empty() {
            return None;
        }
        let lines: Vec<(String, Line)> = sensors
            .iter()
            .map(|(id, usable)| ((*id).to_owned(), Line::of(&usable.series)))
            .collect();
        let half_width =
            sensors.iter().map(|(_, usable)| usable.half_width).sum::<f64>() / sensors.len() as f64;
        let squares = sensors
            .iter()
            .map(|(_, usable)| usable.half_width.powi(2))
            .sum::<f64>();
        // What the sensors share does not average out, the rest does.
        let own = squares / (sensors.len() as f64).powi(2);
        let mean_half_width = (SHARED_FRAC * half_width.powi(2) + (1.0 - SHARED_FRAC) * own).sqrt();
        let corrected_by = sensors
            .iter()
            .map(|(_, usable)| usable.corrected_by)
            .fold(0.0, |most: f64, by| if by.abs() > most.abs() { by } else { most });
        let mut places = Places {
            half_width,
            mean_half_width,
            corrected_by,
            ..Places::default()
        };
        if let [(_, only)] = lines.as_slice() {
            (places.lowest, places.highest, places.mean) = (only.clone(), only.clone(), only.clone());
        } else {
            places.fill(zone, &lines);
        }
        places.sensors = lines;
        Some(places)
    }

    fn fill(&mut self, zone: Zone, lines: &[(String, Line)]) {
        let mut times: Vec<i64> = Vec::with_capacity(lines.iter().map(|(_, line)| line.at_ms.len()).sum());
        lines.iter().for_each(|(_, line)| times.extend(line.at_ms.iter()));
        // Each sensor's times are in order: a stable sort merges them.
        times.sort();
        times.dedup();
        let known: Vec<Vec<f64>> = lines.iter().map(|(_, line)| line.on_times(&times)).collect();
        let usual = Differences::of(zone, &times, &known);
        let (mut heard_ms, mut lowest, mut highest, mut mean) = (
            Vec::with_capacity(times.len()),
            Vec::with_capacity(times.len()),
            Vec::with_capacity(times.len()),
            Vec::with_capacity(times.len()),
        );
        let mut values: Vec<f64> = Vec::with_capacity(lines.len());
        for (index, at_ms) in times.iter().enumerate() {
            values.clear();
            values.extend(known.iter().map(|values| values[index]));
            if values.iter().any(|value| value.is_nan()) {
                usual.complete(|| hour_of(zone, *at_ms), &mut values);
            }
            if values.is_empty() {
                continue;
            }
            heard_ms.push(*at_ms);
            lowest.push(values.iter().copied().fold(f64::INFINITY, f64::min));
            highest.push(values.iter().copied().fold(f64::NEG_INFINITY, f64::max));
            mean.push(values.iter().sum::<f64>() / values.len() as f64);
        }
        let gap_ms = lines.iter().map(|(_, line)| line.gap_ms).max().unwrap_or(0);
        let at_ms = Arc::new(heard_ms);
        let line = |value: Vec<f64>| Line {
            at_ms: Arc::clone(&at_ms),
            value: Arc::new(value),
            gap_ms,
        };
        (self.lowest, self.highest, self.mean) = (line(lowest), line(highest), line(mean));
    }

    /// Sensors of which less than `known_frac_min` of a span is known.
    pub(super) fn silent(&self, span: Span, known_frac_min: f64) -> Vec<&str> {
        self.sensors
            .iter()
            .filter(|(_, line)| line.known_frac(span) < known_frac_min)
            .map(|(id, _)| id.as_str())
            .collect()
    }
}

/// The local hour of the day, 0–23.
pub(super) fn hour_of(zone: Zone, at_ms: i64) -> usize {
    use chrono::Timelike;
    zone.local(at_ms).hour() as usize
}

/// Each sensor's usual difference from the mean of all, by hour of the day.
struct Differences {
    by_hour: Vec<[Option<f64>; HOURS]>,
}

impl Differences {
    fn of(zone: Zone, times: &[i64], known: &[Vec<f64>]) -> Differences {
        let mut samples: Vec<[Vec<f64>; HOURS]> = vec![Default::default(); known.len()];
        let mut next_ms = i64::MIN;
        for (index, at_ms) in times.iter().enumerate() {
            if *at_ms < next_ms {
                continue;
            }
            let values: Vec<f64> = known.iter().map(|values| values[index]).collect();
            if values.iter().any(|value| value.is_nan()) {
                continue;
            }
            next_ms = at_ms + DIFFERENCE_STEP_MS;
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let hour = hour_of(zone, *at_ms);
            for (sensor, value) in values.iter().enumerate() {
                samples[sensor][hour].push(value - mean);
            }
        }
        let by_hour = samples
            .iter()
            .map(|hours| {
                let all: Vec<f64> = hours.iter().flatten().copied().collect();
                let whole = median(&all);
                std::array::from_fn(|hour| {
                    if hours[hour].len() < DIFFERENCE_COUNT_MIN {
                        whole
                    } else {
                        median(&hours[hour])
                    }
                })
            })
            .collect();
        Differences { by_hour }
    }

    /// Takes the values of all sensors, those that were not heard as not numbers; gives those heard first, then those that follow from
    /// them by the usual differences, where these are known.
    fn complete(&self, hour: impl Fn() -> usize, values: &mut Vec<f64>) {
        let all = values.clone();
        values.retain(|value| !value.is_nan());
        if values.is_empty() {
            return;
        }
        let hour = hour();
        let usual = |sensor: usize| self.by_hour[sensor][hour];
        let (mut sum, mut count) = (0.0, 0.0);
        for (sensor, value) in all.iter().enumerate().filter(|(_, value)| !value.is_nan()) {
            if let Some(difference) = usual(sensor) {
                sum += value - difference;
                count += 1.0;
            }
        }
        if count > 0.0 {
            let silent = (0..all.len()).filter(|sensor| all[*sensor].is_nan());
            values.extend(silent.filter_map(|sensor| Some(sum / count + usual(sensor)?)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use mosswarden_config::table::Mark;

    const MIN: i64 = 60_000;

    fn usable(points: impl Iterator<Item = (i64, f64)>) -> Usable {
        let mut usable = Usable {
            half_width: 0.3,
            ..Usable::default()
        };
        for (minute, value) in points {
            usable.series.push(minute * MIN, minute * MIN, value, Mark::Ok);
        }
        usable
    }

    #[test]
    fn the_coolest_place_does_not_jump_when_its_sensor_pauses() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let warm = usable((0..3000).step_by(5).map(|m| (m, 30.0)));
        let cool = usable((0..3000).step_by(5).filter(|m| *m < 2000).map(|m| (m, 24.0)));
        let places = Places::combine(zone, &[("warm", &warm), ("cool", &cool)]).expect("two sensors");
        let later = Span {
            from_ms: 2100 * MIN,
            until_ms: 2900 * MIN,
        };
        let summary = places.lowest.summary(later).expect("the other is there");
        assert!((summary.mean - 24.0).abs() < 1e-9, "{summary:?}");
        assert_eq!(places.silent(later, 0.75), vec!["cool"]);
        let mean = places.mean.summary(later).expect("known");
        assert!((mean.mean - 27.0).abs() < 1e-9, "{mean:?}");
    }

    #[test]
    fn a_pause_of_all_is_a_gap() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let points = || (0..600).step_by(5).filter(|m| !(200..300).contains(m));
        let a = usable(points().map(|m| (m, 20.0)));
        let b = usable(points().map(|m| (m, 22.0)));
        let places = Places::combine(zone, &[("a", &a), ("b", &b)]).expect("two sensors");
        let gaps = places.mean.gaps(Span {
            from_ms: 0,
            until_ms: 590 * MIN,
        });
        assert_eq!(gaps.len(), 1);
        assert_eq!((gaps[0].from_ms, gaps[0].until_ms), (195 * MIN, 300 * MIN));
    }
}

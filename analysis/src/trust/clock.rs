//! Is a sensor's clock right? By the marks given at the door, by how its readings arrive, by whether they run twice through one
//! time, and by when it sees what the rest of its enclosure sees.

use std::ops::Range;

use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::grid::Grid;
use crate::load::CLOCK_JUMP_MS_MAX;
use crate::series::Series;
use crate::statistics::robust::median;

/// A clock that is wrong, s, positive where the sensor's stamps are late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Offset {
    pub span: Span,
    pub offset_s: f64,
    /// Half-width of what the method can tell, s.
    pub half_width_s: f64,
    /// How well the shifted readings agree with the rest of the enclosure, 0 to 1.
    pub agreement: f64,
}

/// Share of a sensor's readings with a refused clock from which on it is told.
const MARKED_FRAC_MIN: f64 = 0.05;
/// Or that many of them: an hour at the usual interval of radio sensors.
const MARKED_COUNT_MIN: usize = 12;

/// Stretches in which the device's own time could not be believed.
pub(super) fn marked(series: &Series, span: Span) -> Option<Span> {
    let inside = (0..series.len()).filter(|index| span.contains(series.at_ms[*index]));
    let (mut count, mut wrong) = (0_usize, Vec::new());
    for index in inside {
        count += 1;
        if matches!(series.mark[index], Mark::ClockReset | Mark::ClockAhead) {
            wrong.push(series.at_ms[index]);
        }
    }
    let enough = wrong.len() >= MARKED_COUNT_MIN
        || !wrong.is_empty() && wrong.len() as f64 >= MARKED_FRAC_MIN * count as f64;
    enough.then(|| Span {
        from_ms: wrong[0],
        until_ms: wrong[wrong.len() - 1] + 1,
    })
}

/// Readings that arrive this much later than they say, s, by a steady amount, come from a clock that is behind: radio and broker
/// take seconds (common practice, no source).
const ARRIVAL_LAG_S_MIN: f64 = 90.0;
/// Longest lag that a clock explains; readings of long before were stored and sent later, or imported.
const ARRIVAL_LAG_S_MAX: f64 = 40.0 * 86_400.0;
/// Steady: the middle half of the lags spreads less than this, s.
const ARRIVAL_SPREAD_S_MAX: f64 = 60.0;
/// Readings in a row that a steady lag needs.
const ARRIVAL_COUNT_MIN: usize = 24;

/// The newest stretch of a span in which readings arrive late by a steady amount.
pub(super) fn arriving_late(series: &Series, span: Span) -> Option<Offset> {
    let lag_s = |index: usize| (series.received_ms[index] - series.at_ms[index]) as f64 / 1000.0;
    let late = |index: usize| (ARRIVAL_LAG_S_MIN..ARRIVAL_LAG_S_MAX).contains(&lag_s(index));
    let last = (0..series.len()).rev().find(|index| late(*index))?;
    let first = (0..=last)
        .rev()
        .take_while(|index| late(*index) && (lag_s(*index) - lag_s(last)).abs() < ARRIVAL_SPREAD_S_MAX)
        .last()?;
    let stretch = Span {
        from_ms: series.at_ms[first],
        until_ms: series.at_ms[last] + 1,
    };
    let lags: Vec<f64> = (first..=last).map(lag_s).collect();
    (lags.len() >= ARRIVAL_COUNT_MIN && stretch.intersect(span).is_some()).then_some(Offset {
        span: stretch,
        offset_s: -median(&lags)?,
        half_width_s: ARRIVAL_SPREAD_S_MAX,
        agreement: 1.0,
    })
}

/// A stretch holds readings of two times when it holds this many times the usual number of readings …
const TWICE_RATIO: f64 = 1.5;
/// … over this many usual intervals.
const TWICE_INTERVALS: i64 = 6;
/// A sensor that often speaks faster than usual is one that speaks on change: nothing is told by its pace.
const TWICE_STRETCHES_MAX: usize = 3;

/// Stretches through which a sensor's stamps run twice, as after a clock was set back.
pub(super) fn twice(series: &Series) -> Vec<Span> {
    let usual = series.usual_interval_ms().filter(|usual| *usual > 0);
    let Some(usual) = usual.filter(|_| !series.speaks_on_change()) else {
        return Vec::new();
    };
    let width = TWICE_INTERVALS * usual;
    let needed = (TWICE_RATIO * TWICE_INTERVALS as f64).round() as usize;
    let mut stretches: Vec<Span> = Vec::new();
    for last in needed..series.len() {
        let (from_ms, until_ms) = (series.at_ms[last - needed], series.at_ms[last] + 1);
        if until_ms - from_ms > width {
            continue;
        }
        match stretches.last_mut() {
            Some(stretch) if from_ms <= stretch.until_ms => stretch.until_ms = until_ms,
            _ => stretches.push(Span { from_ms, until_ms }),
        }
    }
    if stretches.len() > TWICE_STRETCHES_MAX {
        stretches.clear();
    }
    stretches.retain(|stretch| keeps_pace_in(series, *stretch, usual));
    stretches
}

/// Whether the readings of a stretch are of two passes, each at the sensor's pace: most have another one usual interval later. More of them for
/// another reason, such as that the air moves faster, have no pace.
fn keeps_pace_in(series: &Series, stretch: Span, usual_ms: i64) -> bool {
    const PACE_FRAC_MIN: f64 = 0.6;
    const OFF_FRAC: f64 = 0.1;
    let times = series.within(stretch).at_ms;
    let off_ms = (OFF_FRAC * usual_ms as f64) as i64;
    let followed = |at_ms: i64| {
        let from = times.partition_point(|at| *at < at_ms + usual_ms - off_ms);
        times.get(from).is_some_and(|at| *at <= at_ms + usual_ms + off_ms)
    };
    let asked: Vec<i64> = times
        .iter()
        .copied()
        .filter(|at_ms| at_ms + usual_ms + off_ms < stretch.until_ms)
        .collect();
    let kept = asked.iter().filter(|at_ms| followed(**at_ms)).count();
    kept as f64 >= PACE_FRAC_MIN * asked.len() as f64
}

/// Width of a cell for comparing clocks.
pub(super) const FINE_MS: i64 = 5 * 60_000;
/// Largest offset that is looked for.
pub(super) const LAG_CELLS_MAX: i64 = CLOCK_JUMP_MS_MAX / FINE_MS;
/// An offset below two cells can't be told from the response of the sensor.
const LAG_CELLS_MIN: i64 = 2;
/// A window is half a day.
const WINDOW_CELLS: i64 = 12 * MS_PER_HOUR / FINE_MS;
/// It needs this many cells in common.
const CELLS_MIN: usize = 90;
/// Windows in a row that must agree.
const WINDOWS_MIN: usize = 2;
/// Mean correlation at the best shift, and how much better it must be than without one, on Fisher's scale (artanh).
pub(super) const AGREEMENT_MIN: f64 = 0.35;
const AGREEMENT_GAIN_MIN: f64 = 0.3;
/// A sensor that agrees this well without a shift is not looked at further.
const AGREEMENT_GOOD: f64 = 0.75;

/// One quantity of a sensor beside what sees the same: other sensors, or the summed work of devices.
pub(super) struct Channel {
    pub own: Changes,
    pub others: Vec<Changes>,
}

/// What changed from cell to cell of a grid, and running sums over it: hundreds of shifts are tried for each half day.
pub(super) struct Changes {
    pub(super) first_index: i64,
    /// 0 where it is not known.
    by_cell: Vec<f64>,
    /// Over the cells before each: how many are known, their sum, the sum of their squares.
    before: Vec<(usize, f64, f64)>,
}

impl Changes {
    pub(super) fn of(grid: &Grid) -> Changes {
        let (mut known, mut sum, mut squares) = (0, 0.0, 0.0);
        let mut changes = Changes {
            first_index: grid.first_index,
            by_cell: Vec::with_capacity(grid.cells.len()),
            before: vec![(0, 0.0, 0.0)],
        };
        for index in 0..grid.cells.len() {
            let change = grid.change(index);
            known += usize::from(change.is_some());
            let change = change.unwrap_or(0.0);
            sum += change;
            squares += change * change;
            changes.by_cell.push(change);
            changes.before.push((known, sum, squares));
        }
        changes
    }

    fn is_known(&self, cell: usize) -> bool {
        self.before[cell + 1].0 > self.before[cell].0
    }

    /// How many cells are known, their sum, the sum of their squares.
    fn over(&self, cells: &Range<usize>) -> (usize, f64, f64) {
        let (from, until) = (self.before[cells.start], self.before[cells.end]);
        (until.0 - from.0, until.1 - from.1, until.2 - from.2)
    }
}

/// The newest stretch of `span` (or longer, where it began before) over which a sensor follows the rest by one shift.
pub(super) fn shifted(channels: &[Channel], span: Span) -> Option<Offset> {
    let first_index = channels.first()?.own.first_index;
    let last = span.until_ms.div_euclid(FINE_MS) - first_index;
    let in_span = |until: i64| (first_index + until) * FINE_MS > span.from_ms;
    let mut run: Vec<(i64, Lag)> = Vec::new();
    let mut until = last;
    let mut missed = 0;
    while until > WINDOW_CELLS && (in_span(until) || !run.is_empty()) {
        match lag(channels, until - WINDOW_CELLS, until) {
            Some(found) if found.shift.abs() >= LAG_CELLS_MIN => {
                let goes_on = run
                    .last()
                    .is_none_or(|(_, known)| (known.shift - found.shift).abs() <= 1);
                if !goes_on && run.len() >= WINDOWS_MIN {
                    break;
                }
                if !goes_on {
                    run.clear();
                }
                run.push((until, found));
                missed = 0;
            }
            // A window without anything to go by may lie inside; one that agrees unshifted ends it.
            found => {
                missed += 1;
                if found.is_some() || missed > 1 {
                    if run.len() >= WINDOWS_MIN {
                        break;
                    }
                    run.clear();
                }
            }
        }
        until -= WINDOW_CELLS;
    }
    if run.len() < WINDOWS_MIN {
        return None;
    }
    let shifts: Vec<f64> = run.iter().map(|(_, lag)| lag.shift as f64).collect();
    let agreement: Vec<f64> = run.iter().map(|(_, lag)| lag.agreement).collect();
    let at = |cell: i64| (first_index + cell) * FINE_MS;
    let (newest, oldest) = (run.first()?.0, run.last()?.0);
    Some(Offset {
        span: Span {
            from_ms: at(oldest - WINDOW_CELLS),
            until_ms: at(newest).min(span.until_ms),
        },
        offset_s: median(&shifts)? * FINE_MS as f64 / 1000.0,
        half_width_s: FINE_MS as f64 / 1000.0,
        agreement: median(&agreement)?,
    })
}

#[derive(Debug, Clone, Copy)]
struct Lag {
    shift: i64,
    agreement: f64,
}

/// The shift in cells at which a window of the sensor follows the rest best, where that is clearly better than none; 0 where none is
/// needed; `None` where nothing can be told.
fn lag(channels: &[Channel], from: i64, until: i64) -> Option<Lag> {
    let at = |shift: i64| agreement(channels, from, until, shift);
    let unshifted = (-1..=1).filter_map(at).fold(f64::NEG_INFINITY, f64::max);
    if unshifted == f64::NEG_INFINITY {
        return None;
    }
    let none = Lag {
        shift: 0,
        agreement: unshifted,
    };
    if unshifted >= AGREEMENT_GOOD {
        return Some(none);
    }
    let (shift, agreement) = (-LAG_CELLS_MAX..=LAG_CELLS_MAX)
        .filter_map(|shift| Some((shift, at(shift)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (shift, agreement) = nearer_by_a_day(shift, agreement, at).unwrap_or((shift, agreement));
    if agreement >= AGREEMENT_MIN && fisher(agreement) - fisher(unshifted) >= AGREEMENT_GAIN_MIN {
        Some(Lag { shift, agreement })
    } else {
        (unshifted >= AGREEMENT_MIN).then_some(none)
    }
}

/// A shift that is nearer by a day and agrees as well: what the mister does at the same minute every day agrees at either.
fn nearer_by_a_day(shift: i64, agreement: f64, at: impl Fn(i64) -> Option<f64>) -> Option<(i64, f64)> {
    const CELLS_PER_DAY: i64 = 24 * MS_PER_HOUR / FINE_MS;
    /// On Fisher's scale (own choice).
    const AS_WELL: f64 = 0.1;
    let nearer = shift - shift.signum() * CELLS_PER_DAY;
    (nearer - 1..=nearer + 1)
        .filter(|nearer| nearer.abs() < shift.abs())
        .filter_map(|nearer| Some((nearer, at(nearer)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, found)| fisher(agreement) - fisher(*found) <= AS_WELL)
}

/// How well a sensor follows the rest over a stretch once it is shifted.
pub(super) fn agreement_over(channels: &[Channel], stretch: Span, offset_s: f64) -> Option<f64> {
    let first_index = channels.first()?.own.first_index;
    let cell = |at_ms: i64| at_ms.div_euclid(FINE_MS) - first_index;
    let shift = (offset_s * 1000.0 / FINE_MS as f64).round() as i64;
    agreement(channels, cell(stretch.from_ms), cell(stretch.until_ms), shift)
}

/// Mean correlation of the sensor's changes with those of the rest, `shift` cells earlier.
pub(super) fn agreement(channels: &[Channel], from: i64, until: i64, shift: i64) -> Option<f64> {
    let (mut sum, mut count, mut wanted) = (0.0, 0_usize, 0_usize);
    for channel in channels {
        for other in &channel.others {
            wanted += 1;
            if let Some(found) = correlation(&channel.own, other, from, until, shift) {
                sum += found;
                count += 1;
            }
        }
    }
    // Most of the rest must have been heard at that time, or the means of two shifts are not alike.
    (count > 0 && 2 * count >= wanted).then(|| sum / count as f64)
}

/// Pearson's correlation of changes over cells known on both sides; `None` where too few are or one side stands still.
fn correlation(own: &Changes, other: &Changes, from: i64, until: i64, shift: i64) -> Option<f64> {
    // The cells that both have.
    let from = from.max(0).max(shift);
    let until = until
        .min(own.by_cell.len() as i64)
        .min(other.by_cell.len() as i64 + shift);
    if until - from < CELLS_MIN as i64 {
        return None;
    }
    let cells = from as usize..until as usize;
    let others = (from - shift) as usize..(until - shift) as usize;
    let (mut count, mut a_sum, mut aa) = own.over(&cells);
    let (b_count, mut b_sum, mut bb) = other.over(&others);
    if count < cells.len() || b_count < cells.len() {
        (count, a_sum, aa, b_sum, bb) = (0, 0.0, 0.0, 0.0, 0.0);
        for (cell, at) in cells.clone().zip(others.clone()) {
            if own.is_known(cell) && other.is_known(at) {
                let (a, b) = (own.by_cell[cell], other.by_cell[at]);
                count += 1;
                a_sum += a;
                aa += a * a;
                b_sum += b;
                bb += b * b;
            }
        }
    }
    if count < CELLS_MIN {
        return None;
    }
    let n = count as f64;
    let ab = dot(&own.by_cell[cells], &other.by_cell[others]) - a_sum * b_sum / n;
    let (aa, bb) = (aa - a_sum * a_sum / n, bb - b_sum * b_sum / n);
    (aa > 1e-9 && bb > 1e-9).then(|| ab / (aa * bb).sqrt())
}

/// The sum of products, in four sums side by side, which takes a quarter of the time of one. `statistics::cholesky` keeps its own order of
/// summing: what is said of a change that is one day old hangs on its last digits (DEVELOPERS.md, "Known gaps").
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a_parts, b_parts) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a_parts
        .remainder()
        .iter()
        .zip(b_parts.remainder())
        .map(|(a, b)| a * b)
        .sum();
    let mut sums = [0.0; 4];
    for (a, b) in a_parts.zip(b_parts) {
        for lane in 0..4 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Where in a sensor's own readings a shift began: a clock that jumps ahead leaves a pause, one that is set back runs twice through a
/// stretch, each about as long as the jump.
pub(super) fn jumped_ms(series: &Series, guess_ms: i64, offset_s: f64) -> Option<i64> {
    const NEAR_MS: i64 = 14 * MS_PER_HOUR;
    const LENGTH_FRAC: f64 = 0.7;
    /// A pause that is longer than the jump by more than this many intervals is a silence, whatever else it is.
    const LONGER_INTERVALS: f64 = 6.0;
    let length_ms = LENGTH_FRAC * offset_s.abs() * 1000.0;
    let longest_ms =
        offset_s.abs() * 1000.0 / LENGTH_FRAC + LONGER_INTERVALS * series.usual_interval_ms()? as f64;
    let near = Span {
        from_ms: guess_ms - NEAR_MS - (offset_s.abs() * 1000.0) as i64,
        until_ms: guess_ms + NEAR_MS,
    };
    let found = if offset_s > 0.0 {
        let pauses = series.within(near).at_ms.windows(2).map(|pair| Span {
            from_ms: pair[0],
            until_ms: pair[1],
        });
        pauses
            .filter(|pause| (pause.until_ms - pause.from_ms) as f64 <= longest_ms)
            .max_by_key(|pause| pause.until_ms - pause.from_ms)?
    } else {
        let stretches = twice(series)
            .into_iter()
            .filter(|stretch| near.contains(stretch.from_ms));
        stretches.min_by_key(|stretch| (stretch.until_ms - guess_ms).abs())?
    };
    let long_enough = (found.until_ms - found.from_ms) as f64 >= length_ms;
    long_enough.then_some(if offset_s > 0.0 {
        found.from_ms
    } else {
        found.until_ms
    })
}

/// Fisher's scale, on which the spread of a correlation does not depend on it.
pub(super) fn fisher(correlation: f64) -> f64 {
    correlation.clamp(0.0, 0.99).atanh()
}

/// A jump of the clock that no shift shows yet: stamps that run twice through a stretch of the span.
pub(super) fn set_back(channels: &[Channel], series: &Series, span: Span) -> Option<Offset> {
    /// Shorter stretches are redelivered readings or a burst.
    const LENGTH_MS_MIN: i64 = 30 * 60_000;
    /// The stretch is longer than the jump by some intervals at each end.
    const LENGTH_CELLS_OFF: i64 = 8;
    const LOOKED_AT_MS: i64 = 7 * 24 * MS_PER_HOUR;
    const CLEAR_GAIN: f64 = 0.1;
    let stretch = twice(series)
        .into_iter()
        .rev()
        .find(|stretch| span.contains(stretch.until_ms))?;
    let length_ms = stretch.until_ms - stretch.from_ms;
    if length_ms < LENGTH_MS_MIN {
        return None;
    }
    let first_index = channels.first()?.own.first_index;
    let cell = |at_ms: i64| at_ms.div_euclid(FINE_MS) - first_index;
    // How much better a stretch agrees if it is off by the jump.
    let gain = |stretch: Span, sign: i64| {
        let at = |shift: i64| agreement(channels, cell(stretch.from_ms), cell(stretch.until_ms), shift);
        let off = sign * length_ms / FINE_MS;
        let shifted = (off - LENGTH_CELLS_OFF..=off + LENGTH_CELLS_OFF).filter_map(at);
        let shifted = shifted.max_by(f64::total_cmp)?;
        Some(fisher(shifted) - fisher(at(0)?))
    };
    let before = Span {
        from_ms: stretch.from_ms - LOOKED_AT_MS,
        until_ms: stretch.from_ms,
    };
    let after = Span {
        from_ms: stretch.until_ms,
        until_ms: span.until_ms.min(stretch.until_ms + LOOKED_AT_MS),
    };
    // Either it was right before and is behind now, or it was ahead and is right now: where days are alike, the first.
    let was_ahead =
        gain(before, 1).is_some_and(|gain_before| gain_before > CLEAR_GAIN + gain(after, -1).unwrap_or(0.0));
    if was_ahead && stretch.from_ms <= span.from_ms {
        return None;
    }
    let length_s = length_ms as f64 / 1000.0;
    Some(Offset {
        span: if was_ahead {
            Span {
                from_ms: span.from_ms,
                until_ms: stretch.from_ms,
            }
        } else {
            Span {
                from_ms: stretch.until_ms,
                until_ms: span.until_ms,
            }
        },
        offset_s: if was_ahead { length_s } else { -length_s },
        half_width_s: FINE_MS as f64 / 1000.0,
        agreement: AGREEMENT_MIN,
    })
}

#[cfg(test)]
pub(super) mod tests {
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    pub(in super::super) const STEP_MS: i64 = 5 * 60_000;
    const DAY_STEPS: usize = 288;

    /// Whether a heater that works at irregular times is on, every five minutes of ten days.
    pub(in super::super) fn heating() -> Vec<bool> {
        let mut random = StdRng::seed_from_u64(7);
        let mut on = false;
        (0..10 * DAY_STEPS)
            .map(|_| {
                on ^= random.random_bool(0.2);
                on
            })
            .collect()
    }

    /// The same on days that are nearly alike.
    pub(in super::super) fn heating_day_by_day() -> Vec<bool> {
        let work = heating();
        let as_first_day = |(step, on): (usize, &bool)| {
            if step % 200 == 0 {
                *on
            } else {
                work[step % DAY_STEPS]
            }
        };
        work.iter().enumerate().map(as_first_day).collect()
    }

    pub(in super::super) fn probe(seed: u64, stamp_ms: impl Fn(i64) -> i64) -> Series {
        probe_of(heating(), seed, stamp_ms)
    }

    /// A heater's work as a probe sees it; stamps by `stamp_ms(true time)`.
    pub(in super::super) fn probe_of(heating: Vec<bool>, seed: u64, stamp_ms: impl Fn(i64) -> i64) -> Series {
        let mut noise = StdRng::seed_from_u64(seed);
        let mut value = 22.0;
        let mut rows: Vec<(i64, i64, f64)> = Vec::new();
        for (step, on) in heating.into_iter().enumerate() {
            value += 0.15 * ((if on { 25.0 } else { 21.0 }) - value);
            let at_ms = step as i64 * STEP_MS;
            let seen: f64 = value + noise.random_range(-0.03..0.03);
            rows.push((stamp_ms(at_ms), at_ms + 300, (seen * 10.0).round() / 10.0));
        }
        rows.sort_by_key(|row| row.0);
        let mut series = Series::default();
        for (at_ms, received_ms, value) in rows {
            series.push(at_ms, received_ms, value, Mark::Ok);
        }
        series
    }

    pub(in super::super) fn span() -> Span {
        Span {
            from_ms: 3 * MS_PER_24_H,
            until_ms: 10 * MS_PER_24_H,
        }
    }

    pub(in super::super) const MS_PER_24_H: i64 = 24 * MS_PER_HOUR;

    /// Off by `offset_ms` from the sixth day on.
    pub(in super::super) fn off(offset_ms: i64) -> Series {
        probe(1, |at_ms| {
            if at_ms >= 6 * MS_PER_24_H {
                at_ms + offset_ms
            } else {
                at_ms
            }
        })
    }

    fn seen_beside_a_right_one(series: &Series) -> Option<Offset> {
        let history = Span {
            from_ms: 0,
            until_ms: 10 * MS_PER_24_H,
        };
        let changes = |series: &Series| Changes::of(&Grid::with_cells(series, history, FINE_MS));
        let channel = Channel {
            own: changes(series),
            others: vec![changes(&probe(2, |at_ms| at_ms))],
        };
        shifted(&[channel], span())
    }

    #[test]
    fn a_clock_that_is_off_is_seen_by_when_it_sees_what_the_rest_sees() {
        assert_eq!(seen_beside_a_right_one(&off(0)), None);
        for minutes in [-300, -60, -20, 15, 60, 300] {
            let found = seen_beside_a_right_one(&off(minutes * 60_000)).expect("it is off");
            assert!(
                (found.offset_s - minutes as f64 * 60.0).abs() <= 300.0,
                "{minutes} min: {found:?}"
            );
        }
    }

    #[test]
    fn a_shift_that_is_nearer_by_a_day_is_taken_where_it_agrees_as_well() {
        let (shift, far) = (18, 18 + 288);
        let agrees = |nearer: f64| move |at: i64| Some(if at == shift { nearer } else { 0.1 });
        assert_eq!(nearer_by_a_day(far, 0.72, agrees(0.71)), Some((shift, 0.71)));
        assert_eq!(nearer_by_a_day(far, 0.72, agrees(0.5)), None);
        assert_eq!(
            nearer_by_a_day(shift, 0.72, |_| Some(0.72)),
            None,
            "it is the nearer one"
        );
    }

    #[test]
    fn a_jump_leaves_a_pause_or_a_stretch_run_through_twice() {
        let day_6 = 6 * MS_PER_24_H;
        let near = |found: Option<i64>| found.is_some_and(|at_ms| (at_ms - day_6).abs() <= 2 * STEP_MS);
        assert!(near(jumped_ms(&off(MS_PER_HOUR), day_6 + MS_PER_HOUR, 3600.0)));
        assert!(near(jumped_ms(&off(-MS_PER_HOUR), day_6 - MS_PER_HOUR, -3600.0)));
        assert_eq!(jumped_ms(&off(0), day_6, 3600.0), None);
        assert_eq!(jumped_ms(&off(0), day_6, -3600.0), None);
        assert_eq!(twice(&off(-MS_PER_HOUR)).len(), 1);
        assert!(twice(&off(MS_PER_HOUR)).is_empty());
    }

    #[test]
    fn stamps_that_run_twice_are_of_a_clock_that_is_behind_now_or_was_ahead_before() {
        let history = Span {
            from_ms: 0,
            until_ms: 10 * MS_PER_24_H,
        };
        let changes = |series: &Series| Changes::of(&Grid::with_cells(series, history, FINE_MS));
        let seen = |series: &Series| {
            let channel = Channel {
                own: changes(series),
                others: vec![changes(&probe(2, |at_ms| at_ms))],
            };
            set_back(&[channel], series, span())
        };
        for hours in [1, 5, 24] {
            let is_near = |found: &Offset, hours: i64| (found.offset_s / 3600.0 - hours as f64).abs() < 0.7;
            let behind = seen(&off(-hours * MS_PER_HOUR)).expect("it runs twice");
            assert!(is_near(&behind, -hours), "{behind:?}");
            let was_ahead = seen(&probe(1, |at_ms| {
                let ahead_ms = if at_ms < 6 * MS_PER_24_H {
                    hours * MS_PER_HOUR
                } else {
                    0
                };
                at_ms + ahead_ms
            }));
            let was_ahead = was_ahead.expect("it runs twice");
            assert!(is_near(&was_ahead, hours), "{was_ahead:?}");
            assert!(was_ahead.span.from_ms < was_ahead.span.until_ms, "{was_ahead:?}");
        }
    }

    #[test]
    fn readings_that_arrive_late_by_a_steady_amount_tell_the_clock() {
        let found = arriving_late(&off(-1_200_000), span()).expect("twenty minutes behind");
        assert!((found.offset_s + 1200.0).abs() < 1.0, "{found:?}");
        // Through the first twenty minutes stamps of both times alternate.
        let began_ms = 6 * MS_PER_24_H;
        assert!(
            (began_ms - 1_200_000..=began_ms).contains(&found.span.from_ms),
            "{found:?}"
        );
        assert_eq!(arriving_late(&off(0), span()), None);
        // An import brings all at once: lags differ from reading to reading.
        let mut imported = off(0);
        imported
            .received_ms
            .iter_mut()
            .for_each(|at| *at = 20 * MS_PER_24_H);
        assert_eq!(arriving_late(&imported, span()), None);
    }
}

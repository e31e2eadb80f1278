//! Marks for single readings after the published QARTOD tests: pass, not evaluated, suspect, fail, missing.
//!
//! In: times in ms, strictly rising, and values beside them, `None` where one is missing. Out: one flag a reading and test. A flag
//! never changes or deletes a value, and "suspect" also means "of high interest": a real event may carry it.
//! Checked against ioos_qc 3.0.0 in `tests`; the differences are on purpose and all of one kind: what could not be tested is "not
//! evaluated", never "pass".
//! Sources: [QARTOD-TS], [QARTOD-Flags] in `SOURCES.md`.

mod archive;
mod series;
#[cfg(test)]
mod tests;

pub use archive::Marks;
pub use series::{Quality, Test, Thresholds, of_series};

/// What a test says of one reading, with the published numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flag {
    Pass = 1,
    /// The test could not be run here: no neighbour, no threshold, too little before it, or suspended while a mister works.
    NotEvaluated = 2,
    Suspect = 3,
    Fail = 4,
    Missing = 9,
}

impl Flag {
    /// The published number.
    pub const fn number(self) -> u8 {
        self as u8
    }

    const fn rank(self) -> u8 {
        match self {
            Flag::Missing => 0,
            Flag::NotEvaluated => 1,
            Flag::Pass => 2,
            Flag::Suspect => 3,
            Flag::Fail => 4,
        }
    }

    /// The flag that stands for several, in the published order: missing, not evaluated, pass, suspect, fail. One passing test hides
    /// one that could not be run, so that is to be shown beside it: [`Quality::not_evaluated`].
    pub fn aggregate(flags: impl IntoIterator<Item = Flag>) -> Flag {
        flags
            .into_iter()
            .max_by_key(|flag| flag.rank())
            .unwrap_or(Flag::NotEvaluated)
    }
}

/// Two thresholds: beyond the first a reading is suspect, beyond the second it fails. Unit: that of what is compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    pub suspect: f64,
    /// `None`: never fails.
    pub fail: Option<f64>,
}

impl Limits {
    pub const fn new(suspect: f64, fail: f64) -> Limits {
        Limits {
            suspect,
            fail: Some(fail),
        }
    }

    /// Strictly above; equality passes.
    fn above(self, size: f64) -> Flag {
        if self.fail.is_some_and(|fail| size > fail) {
            Flag::Fail
        } else if size > self.suspect {
            Flag::Suspect
        } else {
            Flag::Pass
        }
    }

    /// Strictly below.
    fn below(self, size: f64) -> Flag {
        if self.fail.is_some_and(|fail| size < fail) {
            Flag::Fail
        } else if size < self.suspect {
            Flag::Suspect
        } else {
            Flag::Pass
        }
    }
}

/// Two ends, both inside, in either order.
pub type Ends = (f64, f64);

fn holds(ends: Ends, value: f64) -> bool {
    (ends.0.min(ends.1)..=ends.0.max(ends.1)).contains(&value)
}

fn each(values: &[Option<f64>], mut judge: impl FnMut(usize, f64) -> Flag) -> Vec<Flag> {
    values
        .iter()
        .enumerate()
        .map(|(index, value)| value.map_or(Flag::Missing, |value| judge(index, value)))
        .collect()
}

/// Gap: the pause before a reading is longer than a limit, ms; equality passes. The first reading has no pause before it: not evaluated.
pub fn gap(at_ms: &[i64], limits: Limits) -> Vec<Flag> {
    (0..at_ms.len())
        .map(|index| match index.checked_sub(1) {
            Some(before) => limits.above((at_ms[index] - at_ms[before]) as f64),
            None => Flag::NotEvaluated,
        })
        .collect()
}

/// Reception: a reading is older than `fail_ms` at `now_ms`; equality passes.
pub fn reception(at_ms: &[i64], now_ms: i64, fail_ms: i64) -> Vec<Flag> {
    let judge = |at: &i64| {
        if now_ms - at > fail_ms {
            Flag::Fail
        } else {
            Flag::Pass
        }
    };
    at_ms.iter().map(judge).collect()
}

/// Gross range: outside `fail` is a fail, outside `suspect` suspect; ends pass.
pub fn gross_range(values: &[Option<f64>], fail: Ends, suspect: Option<Ends>) -> Vec<Flag> {
    each(values, |_, value| within(value, fail, suspect))
}

fn within(value: f64, fail: Ends, suspect: Option<Ends>) -> Flag {
    if !holds(fail, value) {
        Flag::Fail
    } else if suspect.is_some_and(|ends| !holds(ends, value)) {
        Flag::Suspect
    } else {
        Flag::Pass
    }
}

/// What is usual in one part of the year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Season {
    /// Days of the year, 1 to 366, both inside.
    pub first_day: u32,
    pub last_day: u32,
    pub suspect: Ends,
    pub fail: Option<Ends>,
}

/// Climatology: outside what is usual in the season of a reading. `days`: day of the year of each reading. A day in no season is not
/// evaluated; in several, the last counts.
pub fn climatology(days: &[u32], values: &[Option<f64>], seasons: &[Season]) -> Vec<Flag> {
    each(values, |index, value| {
        let of_day = |season: &&Season| (season.first_day..=season.last_day).contains(&days[index]);
        match seasons.iter().rev().find(of_day) {
            Some(season) => within(
                value,
                season.fail.unwrap_or((f64::NEG_INFINITY, f64::INFINITY)),
                Some(season.suspect),
            ),
            None => Flag::NotEvaluated,
        }
    })
}

/// How a spike is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spike {
    /// Distance from the mean of both neighbours: flags both sides of a step and the rise of a misting.
    Average,
    /// The smaller of the two jumps, where they go opposite ways: a step or a plateau is no spike.
    Differential,
}

/// Spike: strictly above the limits, in the unit of the values. First, last, and neighbours of a missing value are not evaluated.
pub fn spike(values: &[Option<f64>], method: Spike, limits: Limits) -> Vec<Flag> {
    each(values, |index, value| {
        let neighbour = |at: Option<usize>| *values.get(at?)?;
        let (Some(before), Some(after)) = (neighbour(index.checked_sub(1)), neighbour(index.checked_add(1)))
        else {
            return Flag::NotEvaluated;
        };
        let size = match method {
            Spike::Average => (value - (before + after) / 2.0).abs(),
            Spike::Differential => {
                let (out, back) = (value - before, after - value);
                if out * back < 0.0 {
                    out.abs().min(back.abs())
                } else {
                    0.0
                }
            }
        };
        limits.above(size)
    })
}

/// Rate of change, per second, against the last reading that is not missing, by the time that really passed; strictly above. The first
/// reading is not evaluated, nor is one after a pause longer than `gap_ms`, over which a rate says nothing.
pub fn rate_of_change(at_ms: &[i64], values: &[Option<f64>], limits: Limits, gap_ms: i64) -> Vec<Flag> {
    let mut last: Option<(i64, f64)> = None;
    each(values, |index, value| {
        let at = at_ms[index];
        let flag = match last {
            Some((before, level)) if at - before <= gap_ms => {
                limits.above((value - level).abs() / ((at - before) as f64 / 1000.0))
            }
            _ => Flag::NotEvaluated,
        };
        last = Some((at, value));
        flag
    })
}

/// What counts as a flat line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flat {
    /// How long a line must be, ms: suspect, fail.
    pub suspect_ms: i64,
    pub fail_ms: i64,
    /// The range of a flat line is strictly below this; half a step of the resolution takes exact repeats only.
    pub tolerance: f64,
    /// A pause longer than this ends the line: nobody knows what happened in it.
    pub gap_ms: i64,
}

/// Decimal steps have no exact binary form (70.1 − 70.0 is below 0.1): what is within this of the tolerance counts as reaching it.
const ROUNDING: f64 = 1e-9;

/// Flat line: the values up to a reading have not moved for too long. Counted in time, not in readings; a gap ends the line. Not
/// evaluated where the readings since the start, or since the last gap, are all one value and too few to say.
pub fn flat_line(at_ms: &[i64], values: &[Option<f64>], flat: Flat) -> Vec<Flag> {
    // Readings of the current line, kept so that a slow creep is told from a standstill; `known` says since when nothing is hidden.
    let mut line: std::collections::VecDeque<(i64, f64)> = std::collections::VecDeque::new();
    let mut known_from_ms = i64::MIN;
    let mut last_ms = None;
    each(values, |index, value| {
        let at = at_ms[index];
        if last_ms.is_none_or(|last| at - last > flat.gap_ms) {
            line.clear();
            known_from_ms = at;
        }
        last_ms = Some(at);
        line.push_back((at, value));
        let range = |line: &std::collections::VecDeque<(i64, f64)>| {
            let (low, high) = line
                .iter()
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (_, value)| {
                    (low.min(*value), high.max(*value))
                });
            high - low
        };
        while line.len() > 1 && range(&line) >= flat.tolerance - ROUNDING {
            line.pop_front();
        }
        let from = line.front().map_or(at, |(from, _)| *from);
        let is_flat = range(&line) < flat.tolerance - ROUNDING;
        // Older readings of a line that has failed already add nothing.
        while line.len() > 2 && at - line[1].0 >= flat.fail_ms {
            line.pop_front();
        }
        match at - from {
            _ if !is_flat => Flag::Pass,
            length if length >= flat.fail_ms => Flag::Fail,
            length if length >= flat.suspect_ms => Flag::Suspect,
            _ if from == known_from_ms => Flag::NotEvaluated,
            _ => Flag::Pass,
        }
    })
}

/// How the movement of a window is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Movement {
    /// Highest minus lowest.
    Range,
    /// Standard deviation with divisor n.
    StandardDeviation,
}

/// What counts as an attenuated signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attenuated {
    pub movement: Movement,
    /// Strictly below is flagged.
    pub limits: Limits,
    /// The window `(t − period, t]`, ms; `None` judges the whole series at once.
    pub period_ms: Option<i64>,
    /// Fewer readings in the window are not evaluated.
    pub count_min: usize,
    /// The window must reach back this far, ms, or is not evaluated.
    pub covered_ms_min: i64,
}

/// Attenuated signal: the values moved too little over a window.
pub fn attenuated(at_ms: &[i64], values: &[Option<f64>], rule: Attenuated) -> Vec<Flag> {
    let judge = |from: usize, until: usize| {
        let part: Vec<f64> = values[from..until].iter().flatten().copied().collect();
        let oldest = (from..until).find(|index| values[*index].is_some());
        let covered = oldest.map_or(0, |oldest| at_ms[until - 1] - at_ms[oldest]);
        if part.len() < rule.count_min.max(1) || covered < rule.covered_ms_min {
            return Flag::NotEvaluated;
        }
        let size = match rule.movement {
            Movement::Range => {
                part.iter().copied().fold(f64::NEG_INFINITY, f64::max)
                    - part.iter().copied().fold(f64::INFINITY, f64::min)
            }
            Movement::StandardDeviation => {
                let mean = part.iter().sum::<f64>() / part.len() as f64;
                (part.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / part.len() as f64).sqrt()
            }
        };
        rule.limits.below(size)
    };
    let Some(period_ms) = rule.period_ms else {
        if values.is_empty() {
            return Vec::new();
        }
        let whole = judge(0, values.len());
        return each(values, |_, _| whole);
    };
    let mut from = 0;
    each(values, |index, _| {
        while at_ms[from] <= at_ms[index] - period_ms {
            from += 1;
        }
        judge(from, index + 1)
    })
}

//! One sensor's readings of one quantity in order of time, and what can be said of them by time, never by count.
//!
//! Between readings no further apart than `gap_ms` the value is taken as a straight line; a longer pause is a gap and is
//! never bridged. Spans are half-open.

use std::borrow::Cow;
use std::sync::OnceLock;

use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use rhythm::Rhythm;

pub(crate) mod rhythm;

/// Readings of one sensor and quantity: all vectors of one length, times strictly rising. They are added by [`Series::push`].
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    pub at_ms: Vec<i64>,
    pub received_ms: Vec<i64>,
    pub value: Vec<f64>,
    pub mark: Vec<Mark>,
    rhythm: Learned,
}

/// The rhythm once it was asked for, since every duty asks; it makes no difference between two series.
#[derive(Debug, Clone, Default)]
struct Learned(OnceLock<Option<Rhythm>>);

impl PartialEq for Learned {
    fn eq(&self, _: &Learned) -> bool {
        true
    }
}

/// A part of a [`Series`], without copying.
#[derive(Debug, Clone, Copy)]
pub struct View<'s> {
    pub at_ms: &'s [i64],
    pub value: &'s [f64],
}

/// What a series was like over a span, weighted by time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    pub mean: f64,
    pub low: f64,
    pub low_at_ms: i64,
    pub high: f64,
    pub high_at_ms: i64,
    /// Hours of the span that are known.
    pub covered_h: f64,
    /// The same as a share of the span.
    pub covered_frac: f64,
}

/// How far and how long a series lay beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Excess {
    /// Integral of the excess, unit·h.
    pub unit_hours: f64,
    pub hours: f64,
    /// Longest run without coming back, h; a gap ends it.
    pub longest_h: f64,
    pub first_ms: Option<i64>,
    pub last_ms: Option<i64>,
}

impl Series {
    pub const fn empty() -> Series {
        Series {
            at_ms: Vec::new(),
            received_ms: Vec::new(),
            value: Vec::new(),
            mark: Vec::new(),
            rhythm: Learned(OnceLock::new()),
        }
    }

    /// An empty series with room for `count` readings.
    pub fn with_capacity(count: usize) -> Series {
        let mut series = Series::empty();
        series.reserve(count);
        series
    }

    /// The readings from an instant on, and in any case the last three: they say when it was last heard and how often it speaks.
    pub fn since(&self, from_ms: i64) -> Series {
        let from = self.at_ms.partition_point(|at| *at < from_ms);
        let from = from.min(self.len().saturating_sub(3));
        Series {
            at_ms: self.at_ms[from..].to_vec(),
            received_ms: self.received_ms[from..].to_vec(),
            value: self.value[from..].to_vec(),
            mark: self.mark[from..].to_vec(),
            ..Series::empty()
        }
    }

    pub fn len(&self) -> usize {
        self.at_ms.len()
    }

    pub fn is_empty(&self) -> bool {
        self.at_ms.is_empty()
    }

    /// Makes room for so many more.
    pub fn reserve(&mut self, count: usize) {
        self.at_ms.reserve(count);
        self.received_ms.reserve(count);
        self.value.reserve(count);
        self.mark.reserve(count);
    }

    pub fn push(&mut self, at_ms: i64, received_ms: i64, value: f64, mark: Mark) {
        self.extend(std::iter::once((at_ms, received_ms, value, mark)));
    }

    /// Adds many: time, arrival, value and mark of each.
    pub fn extend(&mut self, rows: impl Iterator<Item = (i64, i64, f64, Mark)>) {
        self.rhythm = Learned::default();
        for (at_ms, received_ms, value, mark) in rows {
            self.at_ms.push(at_ms);
            self.received_ms.push(received_ms);
            self.value.push(value);
            self.mark.push(mark);
        }
    }

    pub fn view(&self) -> View<'_> {
        View {
            at_ms: &self.at_ms,
            value: &self.value,
        }
    }

    /// The readings inside `span`.
    pub fn within(&self, span: Span) -> View<'_> {
        self.view().within(span)
    }

    /// The readings for which `keep(at_ms, value, mark)` holds; mostly that is all of them, and nothing is copied.
    pub fn filtered(&self, mut keep: impl FnMut(i64, f64, Mark) -> bool) -> Cow<'_, Series> {
        let kept: Vec<usize> = (0..self.len())
            .filter(|index| keep(self.at_ms[*index], self.value[*index], self.mark[*index]))
            .collect();
        if kept.len() == self.len() {
            return Cow::Borrowed(self);
        }
        let mut rest = Series::with_capacity(kept.len());
        rest.extend(kept.into_iter().map(|index| {
            (
                self.at_ms[index],
                self.received_ms[index],
                self.value[index],
                self.mark[index],
            )
        }));
        Cow::Owned(rest)
    }

    /// The usual time between readings, ms: the median, or of a sensor that speaks when its value changes the longest that it usually says
    /// nothing. `None` below three readings.
    pub fn usual_interval_ms(&self) -> Option<i64> {
        self.rhythm()
            .map(|rhythm| rhythm.heartbeat_ms.unwrap_or(rhythm.median_ms))
    }

    /// The median time between readings, ms, however a sensor speaks.
    pub fn median_interval_ms(&self) -> Option<i64> {
        self.rhythm().map(|rhythm| rhythm.median_ms)
    }

    /// Whether it speaks when its value changes: its pace then says nothing but how the air moves.
    pub fn speaks_on_change(&self) -> bool {
        self.rhythm().is_some_and(|rhythm| rhythm.heartbeat_ms.is_some())
    }

    /// The pause from which on this series counts as interrupted, learned from its rhythm.
    pub fn gap_ms(&self) -> i64 {
        let gap_ms = self.rhythm().map(|rhythm| match rhythm.heartbeat_ms {
            Some(heartbeat_ms) => (heartbeat_ms as f64 * GAP_HEARTBEATS) as i64,
            None => rhythm.median_ms * GAP_INTERVALS,
        });
        gap_ms.unwrap_or(0).max(GAP_MS_MIN)
    }

    fn rhythm(&self) -> Option<Rhythm> {
        *self.rhythm.0.get_or_init(|| Rhythm::of(self.view()))
    }
}

/// A pause of this many usual intervals is a gap: the "suspect" value of the QARTOD gap test in this use (our own choice).
const GAP_INTERVALS: i64 = 3;
/// Of a sensor that speaks on change one silence may end late, none may be missing (own choice).
const GAP_HEARTBEATS: f64 = 1.5;
/// A pause shorter than this never is one, however fast the sensor usually reports.
const GAP_MS_MIN: i64 = 10 * 60_000;

impl<'s> View<'s> {
    pub fn len(self) -> usize {
        self.at_ms.len()
    }

    pub fn is_empty(self) -> bool {
        self.at_ms.is_empty()
    }

    pub fn within(self, span: Span) -> View<'s> {
        let from = self.at_ms.partition_point(|at| *at < span.from_ms);
        let until = self.at_ms.partition_point(|at| *at < span.until_ms);
        let (from, until) = (from.min(until), until);
        View {
            at_ms: &self.at_ms[from..until],
            value: &self.value[from..until],
        }
    }

    /// The span with one reading more on each side, so that a line that enters or leaves the span is known.
    fn around(self, span: Span) -> View<'s> {
        let from = self
            .at_ms
            .partition_point(|at| *at < span.from_ms)
            .saturating_sub(1);
        let until = (self.at_ms.partition_point(|at| *at < span.until_ms) + 1).min(self.len());
        let from = from.min(until);
        View {
            at_ms: &self.at_ms[from..until],
            value: &self.value[from..until],
        }
    }

    /// The value at an instant on the line between its neighbours; `None` in a gap or outside.
    pub fn value_at(self, at_ms: i64, gap_ms: i64) -> Option<f64> {
        let after = self.at_ms.partition_point(|at| *at < at_ms);
        if after < self.len() && self.at_ms[after] == at_ms {
            return Some(self.value[after]);
        }
        if after == 0 || after == self.len() {
            return None;
        }
        let (t0, t1) = (self.at_ms[after - 1], self.at_ms[after]);
        if t1 - t0 > gap_ms {
            return None;
        }
        let share = (at_ms - t0) as f64 / (t1 - t0) as f64;
        Some(self.value[after - 1] + share * (self.value[after] - self.value[after - 1]))
    }

    /// Calls `each(from_ms, until_ms, value_from, value_until)` for every known straight piece inside `span`.
    pub fn pieces(self, span: Span, gap_ms: i64, mut each: impl FnMut(i64, i64, f64, f64)) {
        let part = self.around(span);
        for index in 1..part.len() {
            let (t0, t1) = (part.at_ms[index - 1], part.at_ms[index]);
            if t1 - t0 > gap_ms || t1 <= span.from_ms || t0 >= span.until_ms {
                continue;
            }
            let (v0, v1) = (part.value[index - 1], part.value[index]);
            let at = |t: i64| v0 + (v1 - v0) * ((t - t0) as f64 / (t1 - t0) as f64);
            let (from, until) = (t0.max(span.from_ms), t1.min(span.until_ms));
            if from < until {
                each(from, until, at(from), at(until));
            }
        }
    }

    /// Time-weighted summary over a span; `None` where nothing of it is known.
    pub fn summary(self, span: Span, gap_ms: i64) -> Option<Summary> {
        let (mut area, mut covered_ms) = (0.0, 0_i64);
        let (mut low, mut high) = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
        self.pieces(span, gap_ms, |from, until, v0, v1| {
            covered_ms += until - from;
            area += (until - from) as f64 * (v0 + v1) / 2.0;
            for (at, value) in [(from, v0), (until, v1)] {
                if value < low.0 {
                    low = (value, at);
                }
                if value > high.0 {
                    high = (value, at);
                }
            }
        });
        (covered_ms > 0).then(|| Summary {
            mean: area / covered_ms as f64,
            low: low.0,
            low_at_ms: low.1,
            high: high.0,
            high_at_ms: high.1,
            covered_h: covered_ms as f64 / MS_PER_HOUR as f64,
            covered_frac: covered_ms as f64 / (span.until_ms - span.from_ms) as f64,
        })
    }

    /// How far and how long the series lay above `limit` in a span, with exact crossings of the straight pieces.
    ///
    /// In unit·h and h. Gaps add nothing: the result is a lower bound there.
    pub fn above(self, limit: f64, span: Span, gap_ms: i64) -> Excess {
        self.beyond(span, gap_ms, |value| value - limit)
    }

    /// The same below `limit`.
    pub fn below(self, limit: f64, span: Span, gap_ms: i64) -> Excess {
        self.beyond(span, gap_ms, |value| limit - value)
    }

    fn beyond(self, span: Span, gap_ms: i64, depth: impl Fn(f64) -> f64) -> Excess {
        let mut excess = Excess::default();
        let mut run_ms = 0.0;
        let mut run_until = i64::MIN;
        self.pieces(span, gap_ms, |from, until, v0, v1| {
            let (d0, d1) = (depth(v0), depth(v1));
            let length = (until - from) as f64;
            // The share of the piece, [s0, s1], that lies beyond the limit.
            let (s0, s1) = match (d0 > 0.0, d1 > 0.0) {
                (true, true) => (0.0, 1.0),
                (true, false) => (0.0, d0 / (d0 - d1)),
                (false, true) => (d0 / (d0 - d1), 1.0),
                (false, false) => {
                    run_ms = 0.0;
                    return;
                }
            };
            let beyond_ms = length * (s1 - s0);
            let mean_depth = (d0.max(0.0) + d1.max(0.0)) / 2.0;
            excess.unit_hours += mean_depth * beyond_ms / MS_PER_HOUR as f64;
            excess.hours += beyond_ms / MS_PER_HOUR as f64;
            let joins = s0 == 0.0 && run_until == from;
            run_ms = if joins { run_ms + beyond_ms } else { beyond_ms };
            excess.longest_h = excess.longest_h.max(run_ms / MS_PER_HOUR as f64);
            excess.first_ms.get_or_insert(from + (length * s0) as i64);
            excess.last_ms = Some(from + (length * s1) as i64);
            run_until = if s1 == 1.0 { until } else { i64::MIN };
        });
        excess
    }
}

/// A state that is sent only on change holds until the next, but a device unheard of for a month is not known.
pub const STATE_HOLD_MS_MAX: i64 = 30 * MS_PER_24_H;

/// Device states as spans in which it was on, from a series of 1 and 0. A state holds until the next one, for at most
/// `hold_ms`: after that it is not known.
pub fn on_spans(states: View<'_>, hold_ms: i64) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for index in 0..states.len() {
        if states.value[index] < 0.5 {
            continue;
        }
        let from_ms = states.at_ms[index];
        let until_ms = states
            .at_ms
            .get(index + 1)
            .copied()
            .unwrap_or(from_ms + hold_ms)
            .min(from_ms + hold_ms);
        match spans.last_mut() {
            Some(last) if last.until_ms == from_ms => last.until_ms = until_ms,
            _ if until_ms > from_ms => spans.push(Span { from_ms, until_ms }),
            _ => {}
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIN: i64 = 60_000;

    fn series(points: &[(i64, f64)]) -> Series {
        let mut series = Series::default();
        for (minute, value) in points {
            series.push(minute * MIN, minute * MIN, *value, Mark::Ok);
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
    fn the_mean_is_weighted_by_time_not_by_count() {
        // A burst of four readings at 30 °C, then 57 min falling to 20 °C: 25.25 by time, 28.0 by count (worked by hand).
        let burst = series(&[(0, 30.0), (1, 30.0), (2, 30.0), (3, 30.0), (60, 20.0)]);
        let summary = burst
            .view()
            .summary(hours(0, 1), 60 * MIN)
            .expect("an hour is known");
        assert!((summary.mean - 25.25).abs() < 1e-9, "{summary:?}");
    }

    #[test]
    fn degree_hours_use_exact_crossings() {
        // A triangle from 26 up to 30 and back in 2 h: above 28 for 1 h, area 1 °C·h (worked by hand).
        let day = series(&[(0, 26.0), (60, 30.0), (120, 26.0)]);
        let over = day.view().above(28.0, hours(0, 2), 60 * MIN);
        assert!(
            (over.unit_hours - 1.0).abs() < 1e-9 && (over.hours - 1.0).abs() < 1e-9,
            "{over:?}"
        );
        assert!((over.longest_h - 1.0).abs() < 1e-9);
        assert_eq!(over.first_ms, Some(30 * MIN));
    }

    #[test]
    fn a_gap_is_never_bridged() {
        let day = series(&[(0, 30.0), (10, 30.0), (300, 30.0), (310, 30.0)]);
        let over = day.view().above(28.0, hours(0, 6), 30 * MIN);
        assert!((over.hours - 20.0 / 60.0).abs() < 1e-9, "{over:?}");
        assert!((over.longest_h - 10.0 / 60.0).abs() < 1e-9, "{over:?}");
        assert_eq!(day.view().value_at(100 * MIN, 30 * MIN), None);
    }

    #[test]
    fn a_line_that_enters_the_span_is_counted_from_its_edge() {
        let day = series(&[(-30, 20.0), (30, 20.0), (90, 20.0)]);
        let summary = day.view().summary(hours(0, 1), 60 * MIN).expect("known");
        assert!((summary.covered_frac - 1.0).abs() < 1e-9);
    }

    #[test]
    fn states_hold_until_the_next_or_until_they_are_too_old() {
        let states = series(&[(0, 1.0), (10, 1.0), (20, 0.0), (100, 1.0)]);
        assert_eq!(
            on_spans(states.view(), 60 * MIN),
            vec![
                Span {
                    from_ms: 0,
                    until_ms: 20 * MIN
                },
                Span {
                    from_ms: 100 * MIN,
                    until_ms: 160 * MIN
                }
            ]
        );
    }
}

//! When a device was on, and when that is known, from the states it sent.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use crate::load::Record;
use crate::series::on_spans;

/// A device that sends at least this share of its messages without a change repeats its state by a clock.
const REPEAT_SHARE_MIN: f64 = 0.3;
/// A repeated state holds for this many of its usual pauses (the 90th percentile), as with a gap of a sensor.
const HOLD_PAUSES: i64 = 3;
const HOLD_MS_MIN: i64 = 30 * 60_000;
/// A state that is sent only on change holds until the next, but a device unheard of for a month is not known.
const HOLD_MS_MAX: i64 = 30 * MS_PER_24_H;

/// The states of one device.
#[derive(Debug, Clone, Default)]
pub(super) struct States {
    pub(super) on: Vec<Span>,
    pub(super) known: Vec<Span>,
}

impl States {
    /// The states in a record up to `until_ms`; `None` when the device sent none. An "on" holds for at most `on_ms_max`.
    pub(super) fn of(record: &Record, device: &str, until_ms: i64, on_ms_max: i64) -> Option<States> {
        let all = record.get(device, Quantity::State)?;
        // A lost device says nothing of its state; the broker's will ends what was known.
        let lost: Vec<i64> = all
            .at_ms
            .iter()
            .zip(&all.mark)
            .filter(|(_, mark)| **mark == Mark::DeviceLost)
            .map(|(at, _)| *at)
            .collect();
        let states =
            all.filtered(|at, _, mark| at < until_ms && mark != Mark::Impossible && mark != Mark::DeviceLost);
        if states.is_empty() {
            return None;
        }
        let hold_ms = hold_ms(&states.at_ms, &states.value);
        let end = |span: Span| {
            let lost_ms = lost.iter().copied().find(|at| span.contains(*at));
            Span {
                from_ms: span.from_ms,
                until_ms: span.until_ms.min(until_ms).min(lost_ms.unwrap_or(i64::MAX)),
            }
        };
        let on = on_spans(states.view(), hold_ms.min(on_ms_max))
            .into_iter()
            .map(end)
            .filter(|span| span.from_ms < span.until_ms)
            .collect();
        let mut known: Vec<Span> = Vec::new();
        for (index, from_ms) in states.at_ms.iter().enumerate() {
            let next = states.at_ms.get(index + 1).copied().unwrap_or(until_ms);
            let span = end(Span {
                from_ms: *from_ms,
                until_ms: next.min(from_ms + hold_ms),
            });
            match known.last_mut() {
                Some(last) if last.until_ms == span.from_ms => last.until_ms = span.until_ms,
                _ => known.push(span),
            }
        }
        Some(States { on, known })
    }

    /// Share of a span in which it was on; `None` where less than half of the span is known.
    pub(super) fn on_frac(&self, span: Span) -> Option<f64> {
        const KNOWN_FRAC_MIN: f64 = 0.5;
        let known_h = hours_within(&self.known, span);
        (known_h >= KNOWN_FRAC_MIN * span.hours()).then(|| hours_within(&self.on, span) / known_h)
    }

    /// Spans in which it was on, inside `span`.
    pub(super) fn on_within(&self, span: Span) -> impl Iterator<Item = Span> {
        self.on.iter().filter_map(move |on| on.intersect(span))
    }
}

/// How long a state holds without a further message.
fn hold_ms(at_ms: &[i64], value: &[f64]) -> i64 {
    if at_ms.len() < 3 {
        return HOLD_MS_MAX;
    }
    let repeats = value.windows(2).filter(|pair| pair[0] == pair[1]).count();
    if (repeats as f64) < REPEAT_SHARE_MIN * (value.len() - 1) as f64 {
        return HOLD_MS_MAX;
    }
    let mut pauses: Vec<i64> = at_ms.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let high = pauses.len() * 9 / 10;
    let usual_ms = *pauses.select_nth_unstable(high).1;
    (HOLD_PAUSES * usual_ms).clamp(HOLD_MS_MIN, HOLD_MS_MAX)
}

/// Hours of `spans` (disjoint) inside `span`.
pub(super) fn hours_within(spans: &[Span], span: Span) -> f64 {
    spans
        .iter()
        .filter_map(|part| part.intersect(span))
        .map(|part| (part.until_ms - part.from_ms) as f64 / MS_PER_HOUR as f64)
        .sum()
}

/// The union of spans, in order and disjoint.
pub(super) fn union(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_unstable();
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.from_ms <= last.until_ms => last.until_ms = last.until_ms.max(span.until_ms),
            _ => joined.push(span),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_sent_on_change_holds_and_a_repeated_one_goes_stale() {
        let hour = MS_PER_HOUR;
        assert_eq!(
            hold_ms(&[0, hour, 5 * hour, 9 * hour], &[1.0, 0.0, 1.0, 0.0]),
            HOLD_MS_MAX
        );
        let at: Vec<i64> = (0..50).map(|i| i * hour).collect();
        assert_eq!(hold_ms(&at, &[0.0; 50]), 3 * hour);
    }

    #[test]
    fn spans_that_touch_become_one() {
        let span = |from_ms, until_ms| Span { from_ms, until_ms };
        assert_eq!(
            union(vec![span(5, 9), span(0, 5), span(20, 30)]),
            vec![span(0, 9), span(20, 30)]
        );
    }
}

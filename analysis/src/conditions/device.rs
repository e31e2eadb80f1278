//! When a device was on, and when that is known, from the states it sent.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use crate::load::Record;
use crate::series::STATE_HOLD_MS_MAX;

/// A device that sends at least this share of its messages without a change repeats its state by a clock.
const REPEAT_SHARE_MIN: f64 = 0.3;
/// A repeated state holds for this many of its usual pauses (the 90th percentile), as with a gap of a sensor.
const HOLD_PAUSES: i64 = 3;
const HOLD_MS_MIN: i64 = 30 * 60_000;
/// Where no more than this share of a device's messages, or so many, repeat the one before, a repeat is no word by a clock: the change
/// between the two was lost (own choice).
const LOST_SHARE_MAX: f64 = 0.2;
const LOST_MAX: usize = 2;
/// A message this share of the usual pause after the one before comes by the clock; where so many of the changes come sooner, changes are
/// told at once (own choice).
const BY_CLOCK_FRAC: f64 = 0.95;
const AT_ONCE_SHARE_MIN: f64 = 0.75;
/// An outage in which a device may have changed and changed back.
const LONG_OUTAGE_MS: i64 = MS_PER_HOUR;
/// One at whose time of the day a device on a timer changed within so many days before may have taken that message along.
const TIMED_DAYS: i64 = 3;

/// How a kind of device behaves.
#[derive(Debug, Clone, Copy)]
pub(super) struct Habit {
    /// An "on" holds for at most so long.
    pub(super) on_ms_max: i64,
    /// A timer switches it, not a thermostat or a humidistat.
    pub(super) is_timed: bool,
}

/// The states of one device.
#[derive(Debug, Clone, Default)]
pub struct States {
    pub on: Vec<Span>,
    pub known: Vec<Span>,
    /// When it was on of which the "off" was lost.
    pub(super) unended_ms: Vec<i64>,
    /// Whether the device repeats its state by a clock, so that no change stays unknown for long.
    pub(super) is_repeated: bool,
}

impl States {
    /// The states in a record up to `until_ms`; `None` when the device sent none. What changed in an outage is not known until the next message:
    /// in a long one anything may have, in a short one what a device that repeats its state by a clock says after it, and what a timer usually
    /// switches at that time of the day.
    pub(super) fn of(
        record: &Record,
        device: &str,
        until_ms: i64,
        habit: Habit,
        outages: &[Span],
    ) -> Option<States> {
        let all = record.get(device, Quantity::State)?;
        // A lost device says nothing of its state; the broker's will ends what was known.
        let lost: Vec<i64> = all
            .at_ms
            .iter()
            .zip(&all.mark)
            .filter(|(_, mark)| **mark == Mark::DeviceLost)
            .map(|(at, _)| *at)
            .collect();
        let sent =
            all.filtered(|at, _, mark| at < until_ms && mark != Mark::Impossible && mark != Mark::DeviceLost);
        if sent.is_empty() {
            return None;
        }
        let holds = Holds::of(&sent.at_ms, &sent.value);
        let mut states = States {
            is_repeated: holds.is_repeated,
            ..States::default()
        };
        for (index, from_ms) in sent.at_ms.iter().enumerate() {
            let is_on = sent.value[index] >= 0.5;
            let next = sent.at_ms.get(index + 1).copied();
            if holds.is_broken_by_repeat && sent.value.get(index + 1) == Some(&sent.value[index]) {
                states.unended_ms.extend(is_on.then_some(*from_ms));
                continue;
            }
            let mut known = Span {
                from_ms: *from_ms,
                until_ms: next.unwrap_or(until_ms).min(from_ms + holds.ms),
            };
            if let Some(lost_ms) = lost.iter().find(|at| known.contains(**at)) {
                known.until_ms = *lost_ms;
            }
            let changed = sent
                .value
                .get(index + 1)
                .is_some_and(|next| *next != sent.value[index]);
            let late = |after_ms: i64| next.is_some_and(|next_ms| next_ms - from_ms >= after_ms);
            if changed && holds.told_at_once_ms.is_some_and(late) {
                known.until_ms = *from_ms;
            }
            let hides = |outage: &&Span| {
                // A message of the last moments before it, or of the first after it, is none of its.
                let part_ms = outage
                    .intersect(known)
                    .map_or(0, |part| part.until_ms - part.from_ms);
                let outage_ms = outage.until_ms - outage.from_ms;
                let may_hide = outage_ms >= LONG_OUTAGE_MS
                    || (changed && holds.is_repeated)
                    || (habit.is_timed && !holds.is_repeated && changes_at(&sent.at_ms[..=index], **outage));
                2 * part_ms > outage_ms && may_hide
            };
            if let Some(outage) = outages.iter().find(hides) {
                known.until_ms = outage.from_ms.max(*from_ms);
            }
            join(&mut states.known, known);
            if is_on {
                let until_ms = known.until_ms.min(from_ms.saturating_add(habit.on_ms_max));
                join(&mut states.on, Span { until_ms, ..known });
            }
        }
        Some(states)
    }

    /// Whether its state is known at an instant.
    pub(super) fn is_known(&self, at_ms: i64) -> bool {
        self.known.iter().any(|known| known.contains(at_ms))
    }

    /// Whether nothing was heard of it for so long before an instant, nor since, that its last state holds no more.
    pub(super) fn is_past(&self, at_ms: i64) -> bool {
        self.known.last().is_some_and(|known| known.until_ms <= at_ms)
    }

    /// Share of a span in which it was on; `None` where less than half of the span is known.
    pub(super) fn on_frac(&self, span: Span) -> Option<f64> {
        const KNOWN_FRAC_MIN: f64 = 0.5;
        let known_h = hours_within(&self.known, span);
        (known_h >= KNOWN_FRAC_MIN * span.hours()).then(|| hours_within(&self.on, span) / known_h)
    }

    /// Spans in which it was on, inside `span`.
    pub(super) fn on_within(&self, span: Span) -> impl Iterator<Item = Span> {
        overlapping(&self.on, span)
            .iter()
            .filter_map(move |on| on.intersect(span))
    }
}

/// Those of `spans`, which are disjoint and in order, that overlap `span`: a heater that is pulsed switches a thousand times a day.
pub(super) fn overlapping(spans: &[Span], span: Span) -> &[Span] {
    let from = spans.partition_point(|part| part.until_ms <= span.from_ms);
    let until = spans.partition_point(|part| part.from_ms < span.until_ms);
    &spans[from..until.max(from)]
}

/// How far a state can be believed after its message.
struct Holds {
    /// Without a further message, ms.
    ms: i64,
    /// Whether the device repeats its state by a clock.
    is_repeated: bool,
    /// Whether a message that repeats the one before says that one between them was lost.
    is_broken_by_repeat: bool,
    /// A device that repeats its state by a clock and tells its changes at once: one that is told only so long after the message before, by
    /// the clock, came at some time between the two, and its own message was lost.
    told_at_once_ms: Option<i64>,
}

impl Holds {
    fn of(at_ms: &[i64], value: &[f64]) -> Holds {
        let repeats = value.windows(2).filter(|pair| pair[0] == pair[1]).count();
        let share = repeats as f64 / value.len().saturating_sub(1).max(1) as f64;
        if at_ms.len() < 3 || share < REPEAT_SHARE_MIN {
            return Holds {
                ms: STATE_HOLD_MS_MAX,
                is_repeated: false,
                is_broken_by_repeat: at_ms.len() >= 3 && (share <= LOST_SHARE_MAX || repeats <= LOST_MAX),
                told_at_once_ms: None,
            };
        }
        let mut pauses: Vec<i64> = at_ms.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let by_clock_ms = (BY_CLOCK_FRAC * middle(&mut pauses) as f64) as i64;
        let changes = || (1..value.len()).filter(|index| value[*index] != value[index - 1]);
        let at_once = changes().filter(|index| at_ms[*index] - at_ms[index - 1] < by_clock_ms);
        let tells_at_once = at_once.count() as f64 >= AT_ONCE_SHARE_MIN * changes().count() as f64;
        let high = pauses.len() * 9 / 10;
        let usual_ms = *pauses.select_nth_unstable(high).1;
        Holds {
            ms: (HOLD_PAUSES * usual_ms).clamp(HOLD_MS_MIN, STATE_HOLD_MS_MAX),
            is_repeated: true,
            is_broken_by_repeat: false,
            told_at_once_ms: tells_at_once.then_some(by_clock_ms),
        }
    }
}

/// Whether one of the changes of the last days came at the time of the day of an outage.
fn changes_at(changed_ms: &[i64], outage: Span) -> bool {
    let recent = changed_ms.iter().rev();
    recent
        .take_while(|at_ms| **at_ms >= outage.from_ms - TIMED_DAYS * MS_PER_24_H)
        .any(|at_ms| (1..=TIMED_DAYS).any(|days| outage.contains(at_ms + days * MS_PER_24_H)))
}

fn middle(values: &mut [i64]) -> i64 {
    let half = values.len() / 2;
    *values.select_nth_unstable(half).1
}

/// Puts a span that is not empty behind the others, or to the last where it goes on from it.
fn join(spans: &mut Vec<Span>, span: Span) {
    match spans.last_mut() {
        Some(last) if last.until_ms == span.from_ms => last.until_ms = span.until_ms.max(span.from_ms),
        _ if span.until_ms > span.from_ms => spans.push(span),
        _ => {}
    }
}

/// Hours of `spans` (disjoint) inside `span`.
pub fn hours_within(spans: &[Span], span: Span) -> f64 {
    spans
        .iter()
        .filter_map(|part| part.intersect(span))
        .map(|part| (part.until_ms - part.from_ms) as f64 / MS_PER_HOUR as f64)
        .sum()
}

/// Where the states of all of some devices are known.
pub(super) fn known_together(states: &[States]) -> Vec<Span> {
    let known = states.iter().map(|states| states.known.clone());
    let both = |a: Vec<Span>, b: Vec<Span>| {
        let within = |span: &Span| {
            b.iter()
                .filter_map(|other| span.intersect(*other))
                .collect::<Vec<_>>()
        };
        a.iter().flat_map(within).collect()
    };
    known.reduce(both).unwrap_or_default()
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
    use std::sync::Arc;

    use mosswarden_config::table::{Reading, TimeSource};

    use super::*;

    #[test]
    fn a_state_sent_on_change_holds_and_a_repeated_one_goes_stale() {
        let hour = MS_PER_HOUR;
        let on_change = Holds::of(&[0, hour, 5 * hour, 9 * hour], &[1.0, 0.0, 1.0, 0.0]);
        assert_eq!(on_change.ms, STATE_HOLD_MS_MAX);
        let at: Vec<i64> = (0..50).map(|i| i * hour).collect();
        assert_eq!(Holds::of(&at, &[0.0; 50]).ms, 3 * hour);
    }

    #[test]
    fn a_change_that_only_the_clock_told_came_at_some_time_before() {
        let hour = MS_PER_HOUR;
        let judged = |tells_at_once: bool, lost: Option<i64>| {
            // On from 6:30 to 18:30 every day, repeated at each full hour.
            let is_on = |at_ms: i64| (13..37).contains(&(at_ms.rem_euclid(MS_PER_24_H) / (hour / 2)));
            let sent = (0..5 * 48).map(|half| half * hour / 2).filter(|at_ms| {
                let by_clock = at_ms % hour == 0;
                by_clock
                    || (tells_at_once && is_on(*at_ms) != is_on(at_ms - hour / 2) && Some(*at_ms) != lost)
            });
            let readings: Vec<Reading> = sent
                .map(|at_ms| reading(at_ms, f64::from(u8::from(is_on(at_ms)))))
                .collect();
            let whole = Span {
                from_ms: 0,
                until_ms: 5 * MS_PER_24_H,
            };
            let record = Record::from_readings(readings, Vec::new(), whole);
            let states = States::of(&record, "lamp", whole.until_ms, LAMP, &[]).expect("it sent some");
            let second_day = Span {
                from_ms: MS_PER_24_H,
                until_ms: 2 * MS_PER_24_H,
            };
            (
                hours_within(&states.on, second_day),
                hours_within(&states.known, second_day),
            )
        };
        assert_eq!(judged(true, None), (12.0, 24.0));
        let (on_at, off_at) = (MS_PER_24_H + 13 * hour / 2, MS_PER_24_H + 37 * hour / 2);
        assert_eq!(judged(true, Some(on_at)), (11.5, 23.0));
        assert_eq!(judged(true, Some(off_at)), (11.5, 23.0));
        // One that speaks by the clock alone is as exact as its clock.
        assert_eq!(judged(false, None), (12.0, 24.0));
    }

    fn reading(at_ms: i64, value: f64) -> Reading {
        Reading {
            at_ms,
            received_ms: at_ms,
            time_source: TimeSource::Arrival,
            enclosure: Arc::from("a"),
            sensor: Arc::from("lamp"),
            quantity: Quantity::State,
            value,
            mark: Mark::Ok,
        }
    }

    const LAMP: Habit = Habit {
        on_ms_max: i64::MAX,
        is_timed: true,
    };

    type Hours = Vec<(i64, i64)>;

    /// Spans on and spans known, in hours, of a lamp that is on every other six hours for four days, less the messages that were lost.
    fn lamp(lost: &[i64], outages: &[(i64, i64)]) -> (Hours, Hours) {
        let hours = |h: i64| h * MS_PER_HOUR;
        let sent = (0..16)
            .filter(|index| !lost.contains(index))
            .map(|index| reading(hours(6 * index), ((index + 1) % 2) as f64));
        let whole = Span {
            from_ms: 0,
            until_ms: hours(96),
        };
        let record = Record::from_readings(sent, Vec::new(), whole);
        let outages: Vec<Span> = outages
            .iter()
            .map(|(from, until)| Span {
                from_ms: hours(*from),
                until_ms: hours(*until),
            })
            .collect();
        let states = States::of(&record, "lamp", hours(96), LAMP, &outages).expect("states");
        let in_hours = |spans: Vec<Span>| {
            spans
                .into_iter()
                .map(|span| (span.from_ms / MS_PER_HOUR, span.until_ms / MS_PER_HOUR))
                .collect()
        };
        (in_hours(states.on), in_hours(states.known))
    }

    #[test]
    fn a_change_that_a_repeat_brings_after_a_short_outage_may_have_come_in_it() {
        let hour = MS_PER_HOUR;
        let sent = (0..40).map(|index| reading(index * hour, f64::from(u8::from(index >= 20))));
        let whole = Span {
            from_ms: 0,
            until_ms: 40 * hour,
        };
        let record = Record::from_readings(sent, Vec::new(), whole);
        let outage = |from_ms: i64| Span {
            from_ms,
            until_ms: from_ms + hour / 2,
        };
        let known = |outages: &[Span]| {
            States::of(&record, "lamp", 40 * hour, LAMP, outages)
                .expect("states")
                .known
        };
        assert_eq!(known(&[]), [whole]);
        assert_eq!(
            known(&[outage(10 * hour + 60_000)]),
            [whole],
            "the same before and after"
        );
        let until_then = Span {
            from_ms: 0,
            until_ms: 19 * hour + 60_000,
        };
        let from_then = Span {
            from_ms: 20 * hour,
            until_ms: 40 * hour,
        };
        assert_eq!(known(&[outage(until_then.until_ms)]), [until_then, from_then]);
    }

    #[test]
    fn what_changed_in_an_outage_or_with_a_lost_message_is_not_known() {
        let (on, known) = lamp(&[], &[]);
        assert_eq!((on[1], known), ((12, 18), vec![(0, 96)]));
        // The "off" of hour 18 never came: the next message says "on" again.
        let (on, known) = lamp(&[3], &[]);
        assert_eq!((on[1], known), ((24, 30), vec![(0, 12), (24, 96)]));
        // "Off" and "on" fell into an outage: what was known ends with it.
        let (on, known) = lamp(&[3, 4], &[(16, 26)]);
        assert_eq!(
            (&on[..3], known),
            (&[(0, 6), (12, 16), (36, 42)][..], vec![(0, 16), (30, 96)])
        );
    }

    #[test]
    fn what_a_timer_switches_at_the_time_of_a_short_outage_is_not_known_until_it_speaks_again() {
        // On from hour 6 to 18 of each day; the last "off" was lost, and nothing came since.
        let sent =
            [6, 18, 30, 42, 54].map(|hour| reading(hour * MS_PER_HOUR, f64::from(u8::from(hour % 24 == 6))));
        let whole = Span {
            from_ms: 0,
            until_ms: 72 * MS_PER_HOUR,
        };
        let record = Record::from_readings(sent, Vec::new(), whole);
        let half_an_hour_from = |from_ms: i64| Span {
            from_ms,
            until_ms: from_ms + MS_PER_HOUR / 2,
        };
        let known_until_h = |habit: Habit, outage_from_ms: i64| {
            let outages = [half_an_hour_from(outage_from_ms)];
            let states = States::of(&record, "lamp", whole.until_ms, habit, &outages).expect("states");
            assert_eq!(
                states.on.last().expect("on").until_ms,
                states.known.last().expect("known").until_ms
            );
            states.known.last().expect("known").until_ms as f64 / MS_PER_HOUR as f64
        };
        let at_its_time = 66 * MS_PER_HOUR - MS_PER_HOUR / 4;
        assert_eq!(known_until_h(LAMP, at_its_time), 65.75);
        assert_eq!(known_until_h(LAMP, at_its_time - MS_PER_HOUR), 72.0);
        let by_thermostat = Habit {
            is_timed: false,
            ..LAMP
        };
        assert_eq!(known_until_h(by_thermostat, at_its_time), 72.0);
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

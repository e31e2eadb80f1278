//! Scheduled and observed runs of a mister, matched in local time.

use mosswarden_config::journal;
use mosswarden_config::journal::{CHANGES_AIR, CLEANED, DOOR_OPEN, POWER_CUT};
use mosswarden_config::site::{Device, DeviceKind};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::Ran;
use super::super::context::Context;

/// A run this near its scheduled time is that run.
const MATCH_MS: i64 = 15 * 60_000;
/// A run that took place this late or early, with none nearer, still is that run: a timer that missed a clock change is an
/// hour off, and the animals got their water.
const SHIFTED_MS: i64 = 75 * 60_000;
/// Time for the state to arrive before a run is missed.
const ARRIVAL_MS: i64 = 20 * 60_000;
/// A journal entry this near leaves a run out.
const JOURNAL_MS: i64 = MS_PER_HOUR;
/// Another run this near leaves a run out.
const OVERLAP_MS: i64 = 30 * 60_000;
/// Fog this shortly before or after a run leaves it out: it moves the level before, or the peak.
const FOG_BEFORE_MS: i64 = 25 * 60_000;
const FOG_AFTER_MS: i64 = 25 * 60_000;
/// Events that begin this near to a run are that run, as another device or the keeper wrote it down.
const SAME_RUN_MS: i64 = 60_000;
/// What a misting by hand lasts, s, for its response (common practice, no source).
pub(super) const BY_HAND_S: f64 = 30.0;
/// The device's name for mistings by hand.
pub(in super::super) const BY_HAND: &str = "by hand";

/// One run, scheduled, observed or both.
#[derive(Debug, Clone)]
pub(super) struct Run {
    pub(super) device: String,
    pub(super) at_ms: i64,
    pub(super) duration_s: f64,
    pub(super) scheduled: bool,
    pub(super) ran: Ran,
    /// Place in the device's schedule.
    pub(super) slot: Option<usize>,
    /// The state said so, or the keeper.
    pub(super) stated: bool,
}

/// Every run of a device in the record, in order of time.
pub(super) fn of(context: &Context<'_>, device: &Device) -> Vec<Run> {
    let whole = context.whole();
    let states = context.states(device);
    let mut observed: Vec<(Span, bool)> = states
        .as_ref()
        .map(|states| states.on.iter().map(|on| (*on, false)).collect())
        .unwrap_or_default();
    let mut runs = Vec::new();
    let expected = expected(context, device);
    let mut matched: Vec<Option<Span>> = vec![None; expected.len()];
    for reach_ms in [MATCH_MS, SHIFTED_MS] {
        for (index, (at_ms, _, _)) in expected.iter().enumerate() {
            if matched[index].is_some() {
                continue;
            }
            let nearest = observed
                .iter_mut()
                .filter(|(on, used)| !used && (on.from_ms - at_ms).abs() <= reach_ms)
                .min_by_key(|(on, _)| (on.from_ms - at_ms).abs());
            if let Some((on, used)) = nearest {
                *used = true;
                matched[index] = Some(*on);
            }
        }
    }
    for ((at_ms, duration_s, slot), on) in expected.into_iter().zip(matched) {
        // Of a run whose "off" was lost the beginning is known, and that it went on for as long as asked is likely.
        let unended = states.iter().flat_map(|states| states.unended_ms.iter().copied());
        let began_ms = on.map(|on| on.from_ms).or_else(|| {
            let near = unended.filter(|began_ms| (began_ms - at_ms).abs() <= MATCH_MS);
            near.min_by_key(|began_ms| (began_ms - at_ms).abs())
        });
        let ran = match (began_ms, &states) {
            (Some(_), _) => Ran::Yes,
            // A device that repeats its state and fell silent does nothing, nor one that was heard of its runs and never since.
            (None, Some(states))
                if context.listening(at_ms)
                    && (states.is_repeated || states.is_known(at_ms) || states.is_past(at_ms)) =>
            {
                Ran::No
            }
            (None, _) => Ran::NotKnown,
        };
        if began_ms.is_none() && at_ms + ARRIVAL_MS > whole.until_ms {
            continue;
        }
        runs.push(Run {
            device: device.id.clone(),
            at_ms: began_ms.unwrap_or(at_ms),
            duration_s: on.map_or(duration_s, length_s),
            scheduled: true,
            ran,
            slot: Some(slot),
            stated: began_ms.is_some(),
        });
    }
    for (on, _) in observed.iter().filter(|(_, used)| !used) {
        runs.push(Run {
            device: device.id.clone(),
            at_ms: on.from_ms,
            duration_s: length_s(*on),
            scheduled: false,
            ran: Ran::Yes,
            slot: None,
            stated: true,
        });
    }
    runs.sort_by_key(|run| run.at_ms);
    runs
}

fn length_s(on: Span) -> f64 {
    ((on.until_ms - on.from_ms) as f64 / 1000.0).max(1.0)
}

/// Scheduled instants, lengths in s and places in the schedule, since the schedule last changed.
fn expected(context: &Context<'_>, device: &Device) -> Vec<(i64, f64, usize)> {
    let whole = context.whole();
    let changed_ms = context.last_noted_ms(&[journal::SCHEDULE_CHANGED], device);
    // Before anything was heard here nothing was asked for that could be known.
    let heard_ms = context.heard_from_ms().unwrap_or(i64::MIN);
    device
        .scheduled(context.zone, whole)
        .into_iter()
        .filter(|(_, run)| run.from_ms > changed_ms && run.from_ms >= heard_ms)
        .map(|(slot, run)| (run.from_ms, (run.until_ms - run.from_ms) as f64 / 1000.0, slot))
        .collect()
}

/// Mistings by hand that the journal knows.
pub(super) fn by_hand(context: &Context<'_>) -> Vec<Run> {
    context
        .record
        .entries(&context.enclosure.id, context.whole())
        .filter(|entry| entry.kind == journal::MISTED_BY_HAND)
        .map(|entry| Run {
            device: BY_HAND.to_owned(),
            at_ms: entry.at_ms,
            duration_s: BY_HAND_S,
            scheduled: false,
            ran: Ran::Yes,
            slot: None,
            stated: true,
        })
        .collect()
}

/// Everything that wets the air, each kind in order of time.
pub(super) struct Events {
    /// Runs that may have taken place, and mistings by hand.
    mistings: Vec<Span>,
    fog: Vec<Span>,
}

impl Events {
    pub(super) fn of(context: &Context<'_>, misters: &[Vec<Run>], by_hand: &[Run]) -> Events {
        let mut mistings: Vec<Span> = misters
            .iter()
            .flatten()
            .chain(by_hand)
            .filter(|run| run.ran != Ran::No)
            .map(|run| Span {
                from_ms: run.at_ms,
                until_ms: run.at_ms + (run.duration_s * 1000.0) as i64,
            })
            .collect();
        mistings.sort_unstable();
        let mut fog: Vec<Span> = context
            .enclosure
            .devices_of(DeviceKind::Fogger)
            .filter_map(|device| context.states(device))
            .flat_map(|states| states.on)
            .collect();
        fog.sort_unstable();
        Events { mistings, fog }
    }

    /// The first instant after a run at which something else wets the air.
    pub(super) fn next_ms(&self, run: &Run) -> i64 {
        let after = |events: &[Span]| {
            let index = events.partition_point(|event| event.from_ms <= run.at_ms + SAME_RUN_MS);
            events.get(index).map_or(i64::MAX, |event| event.from_ms)
        };
        after(&self.mistings).min(after(&self.fog))
    }

    fn near(events: &[Span], run: &Run, before_ms: i64, after_ms: i64) -> bool {
        let from = events.partition_point(|event| event.until_ms <= run.at_ms - before_ms);
        events[from..]
            .iter()
            .take_while(|event| event.from_ms < run.at_ms + after_ms)
            // Itself, or the same misting as another device or the keeper wrote it down.
            .any(|event| (event.from_ms - run.at_ms).abs() >= SAME_RUN_MS)
    }

    /// Whether anything is known to have wetted the air this near to an instant.
    pub(super) fn any_near(&self, at_ms: i64, near_ms: i64) -> bool {
        let around = Span {
            from_ms: at_ms - near_ms,
            until_ms: at_ms + near_ms,
        };
        touches(&self.mistings, around) || touches(&self.fog, around)
    }

    /// Whether a misting touches a span.
    pub(super) fn misted_within(&self, span: Span) -> bool {
        touches(&self.mistings, span)
    }

    /// Why a run does not count for trends: another misting near.
    pub(super) fn misting_near(&self, run: &Run) -> Option<String> {
        Events::near(&self.mistings, run, OVERLAP_MS, OVERLAP_MS)
            .then(|| "another misting within half an hour".to_owned())
    }

    pub(super) fn fog_near(&self, run: &Run) -> bool {
        Events::near(&self.fog, run, FOG_BEFORE_MS, FOG_AFTER_MS)
    }
}

/// Whether one of these touches a span.
fn touches(events: &[Span], span: Span) -> bool {
    let from = events.partition_point(|event| event.until_ms <= span.from_ms);
    events
        .get(from)
        .is_some_and(|event| event.from_ms < span.until_ms)
}

/// Why a run does not count at all: the keeper was at work, or the mains were off.
pub(super) fn keeper_near(context: &Context<'_>, run: &Run) -> Option<String> {
    let near = Span {
        from_ms: run.at_ms - JOURNAL_MS,
        until_ms: run.at_ms + JOURNAL_MS,
    };
    context
        .record
        .entries(&context.enclosure.id, near)
        .find(|entry| {
            let kind = entry.kind.as_str();
            [CLEANED, DOOR_OPEN, POWER_CUT].contains(&kind) || CHANGES_AIR.contains(&kind)
        })
        .map(|entry| format!("the journal has \"{}\" within an hour", entry.kind))
}

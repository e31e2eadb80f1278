//! One mister's yield and the enclosure's half-life against their own usual, with intervals: what the keeper is shown each week,
//! whether or not it is a finding.

use std::collections::BTreeMap;

use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::super::Ran;
use super::super::context::Context;
use super::super::places::hour_of;
use super::response::{Probe, Response};
use super::runs::{BY_HAND, Run};
use super::weak::{NOW_MS, VARIANCE_INFLATION};
use super::yields::{By, Sample, Yield, half_lives_min, yields};
use super::{MistTrend, MistWeek, Observed};
use crate::physics::humidity::{vapour_density_g_m3, vapour_pressure_pa};
use crate::statistics::Estimate;
use crate::statistics::robust::{hodges_lehmann_location, hodges_lehmann_shift, median};

/// Runs in the last week that are needed.
const NOW_COUNT_MIN: usize = 3;
/// Half-lives that say what is usual.
const USUAL_HALF_LIVES_MIN: usize = 6;
/// The excess of vapour over the room, for the room to saturation, must differ by this factor, and its interval by the second, before the air
/// is said to be exchanged slower or faster: plants cut or grown change it by a fifth. The half-life speaks where that is not known; it scatters more.
const BY_HELD: Bounds = Bounds {
    slower: (1.35, 1.15),
    faster: (0.68, 0.85),
};
/// Where hands mist, they may have given more or less water as well (own choice).
const BY_HELD_BY_HAND: Bounds = Bounds {
    slower: (1.6, 1.3),
    faster: (0.5, 0.7),
};
const BY_HALF_LIFE: Bounds = Bounds {
    slower: (1.35, 1.15),
    faster: (0.6, 0.7),
};
/// A door ajar multiplies the exchange, soil that dries does not; where a fogger holds the air, its pauses must show that much (own choice).
const BY_PAUSES: Bounds = Bounds {
    slower: (2.0, 1.4),
    faster: (0.5, 0.7),
};
/// Pauses between these shares of their usual have not changed.
const PAUSES_AS_EVER: (f64, f64) = (0.9, 1.1);
/// A half-life between these shares of its usual has not changed.
const UNCHANGED: (f64, f64) = (0.93, 1.07);
/// The excess is taken over this time before a run, where the mister has not run for the second: what it gave is gone by then, and
/// soil and plants, which do not depend on it, hold what is left against the exchange of air.
const BEFORE_MS: i64 = MS_PER_HOUR;
const DRIED_MS: i64 = 4 * MS_PER_HOUR;
const BEFORE_STEP_MS: i64 = 10 * 60_000;
/// The excess of now is that of this long, the usual one that of so long from the first run on, with a pause between them.
pub(super) const EXCESS_NOW_MS: i64 = 4 * MS_PER_24_H;
pub(super) const EXCESS_USUAL_MS: i64 = 21 * MS_PER_24_H;
/// Runs that are needed of now, in all of the usual time, and then in one part of the day.
const EXCESS_COUNT_MIN: (usize, usize, usize) = (4, 10, 4);
const PART_OF_DAY_H: usize = 3;
/// The weather holds for some days: the excess of neighbouring runs counts as this much fewer.
pub(super) const EXCESS_VARIANCE_INFLATION: f64 = 3.0;
pub(super) const CONFIDENCE: f64 = 0.95;

/// A share and the near end of its interval from which on the air is exchanged slower, and down to which faster.
struct Bounds {
    slower: (f64, f64),
    faster: (f64, f64),
}

/// How fast the air is exchanged against the enclosure's own usual.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Airing {
    #[default]
    NotKnown,
    Usual,
    /// A blocked vent, a new lid, plants grown over it.
    Slower,
    /// A door ajar, a lid off, a new fan.
    Faster,
}

/// The trend of one mister; `None` where too few earlier runs say what is usual.
pub(super) fn of(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    probes: &[Probe],
    main: usize,
    pause_share: Option<Estimate>,
) -> Option<MistTrend> {
    let by_main = yields(context, &device.id, observed, probes, main, By::First);
    let held = held_share(context, observed, EXCESS_NOW_MS);
    if by_main.is_none() && held.is_none() {
        return None;
    }
    let week_ms = context.span.until_ms - NOW_MS;
    let half_lives = by_main
        .as_ref()
        .map_or_else(HalfLives::default, |by_main| HalfLives {
            recent: half_lives_min(by_main.later_since(week_ms)),
            usual: by_main.usual_half_lives_min(),
        });
    let mut trend = exchange(&device.id, week_ms, held, &half_lives, pause_share, &BY_HELD);
    trend.left_out = left_out(observed, main, week_ms);
    if let Some(by_main) = by_main {
        trend.tell(By::First, &by_main, context.span.until_ms);
    }
    Some(trend)
}

/// How fast the air is exchanged by mistings by hand. Of what each brought only a clear fall is told, since hands give as they like.
pub(super) fn by_hand(context: &Context<'_>, observed: &[Observed], main: usize) -> Option<MistTrend> {
    // Hands mist at fewer times, each as they like.
    let held = held_share(context, observed, NOW_MS)?;
    let week_ms = context.span.until_ms - NOW_MS;
    let usual_until_ms = (observed.first()?.run.at_ms + EXCESS_USUAL_MS).min(week_ms);
    let mut half_lives = HalfLives::default();
    for one in observed.iter().filter(|one| one.left_out.is_none()) {
        let of_time = match one.run.at_ms {
            at_ms if at_ms >= week_ms => &mut half_lives.recent,
            at_ms if at_ms < usual_until_ms => &mut half_lives.usual,
            _ => continue,
        };
        let response = one.responses[main].as_ref();
        of_time.extend(response.and_then(|response| response.half_life_min));
    }
    Some(exchange(
        BY_HAND,
        week_ms,
        Some(held),
        &half_lives,
        None,
        &BY_HELD_BY_HAND,
    ))
}

/// Half-lives of the last week and the usual ones, min.
#[derive(Default)]
struct HalfLives {
    recent: Vec<f64>,
    usual: Vec<f64>,
}

/// A trend that tells how fast the air is exchanged, and of no yield yet.
fn exchange(
    device: &str,
    week_ms: i64,
    held: Option<(Estimate, i64)>,
    half_lives: &HalfLives,
    pause_share: Option<Estimate>,
    by_held: &Bounds,
) -> MistTrend {
    let HalfLives { recent, usual } = half_lives;
    let compared = recent.len() >= NOW_COUNT_MIN && usual.len() >= USUAL_HALF_LIVES_MIN;
    let half_life_share = compared
        .then(|| hodges_lehmann_shift(&logs(recent), &logs(usual), CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp);
    let held_share = held.map(|(share, _)| share);
    let airing_now = match by_both(held_share, half_life_share, by_held) {
        // A humidistat's fogger holds what it is set to against a drier room, too; then its pauses must say the same.
        Airing::Slower if pause_share.is_some_and(|share| share.value < PAUSES_AS_EVER.1) => Airing::Usual,
        Airing::Faster if pause_share.is_some_and(|share| share.value > PAUSES_AS_EVER.0) => Airing::Usual,
        Airing::Usual | Airing::NotKnown if pause_share.is_some() => {
            pause_share.map_or(Airing::NotKnown, |share| airing(share, &BY_PAUSES))
        }
        airing => airing,
    };
    // What half-lives or pauses tell is of the last week.
    let airing_since_ms = held
        .filter(|(share, _)| airing(*share, by_held) == airing_now)
        .map_or(week_ms, |(_, since_ms)| since_ms);
    MistTrend {
        device: device.to_owned(),
        by: By::First,
        yield_share: None,
        half_life_min: half_life_min(recent),
        usual_half_life_min: median(usual),
        half_life_share,
        held_share,
        pause_share,
        airing: airing_now,
        airing_since_ms,
        counted: 0,
        weeks: Vec::new(),
        left_out: BTreeMap::new(),
    }
}

impl MistTrend {
    /// Says the yield by one measure and one probe, of the last week and of each week before it.
    pub(super) fn tell(&mut self, by: By, told: &Yield, until_ms: i64) {
        let weeks_count = (until_ms - told.since_ms + NOW_MS - 1).div_euclid(NOW_MS);
        self.by = by;
        self.weeks = (0..weeks_count)
            .rev()
            .map(|weeks_before| {
                let week_end_ms = until_ms - weeks_before * NOW_MS;
                let runs = told.runs_within(Span {
                    from_ms: week_end_ms - NOW_MS,
                    until_ms: week_end_ms,
                });
                MistWeek {
                    from_ms: week_end_ms - NOW_MS,
                    yield_share: yield_share(&runs, &told.usual),
                    half_life_min: half_life_min(&half_lives_min(&runs)),
                    counted: runs.len(),
                }
            })
            .collect();
        let now = told.later_since(until_ms - NOW_MS);
        self.yield_share = yield_share(now, &told.usual);
        self.counted = now.len();
    }
}

/// Some runs' middle share of the usual, with its interval.
fn yield_share(runs: &[(Sample, f64)], usual: &[f64]) -> Option<Estimate> {
    let logs: Vec<f64> = runs.iter().map(|(_, log_share)| *log_share).collect();
    (logs.len() >= NOW_COUNT_MIN)
        .then(|| hodges_lehmann_shift(&logs, usual, CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp)
}

/// Some runs' middle half-life, with its interval.
fn half_life_min(minutes: &[f64]) -> Option<Estimate> {
    (minutes.len() >= NOW_COUNT_MIN)
        .then(|| hodges_lehmann_location(&logs(minutes), CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp)
}

fn logs(minutes: &[f64]) -> Vec<f64> {
    minutes.iter().map(|minutes| minutes.ln()).collect()
}

/// By what is held before the runs, where the half-life does not contradict it: soil that dries changes that as well, but not how fast a
/// misting is gone.
fn by_both(held_share: Option<Estimate>, half_life_share: Option<Estimate>, by_held: &Bounds) -> Airing {
    match (held_share, half_life_share) {
        (Some(share), Some(half_life)) => match airing(share, by_held) {
            Airing::Faster if half_life.value > UNCHANGED.0 => Airing::Usual,
            Airing::Slower if half_life.value < UNCHANGED.1 => Airing::Usual,
            airing => airing,
        },
        (Some(share), None) => airing(share, by_held),
        (None, Some(share)) => airing(share, &BY_HALF_LIFE),
        (None, None) => Airing::NotKnown,
    }
}

/// A share with its interval from its logarithm's.
pub(super) fn exp(log: Estimate) -> Estimate {
    Estimate {
        value: log.value.exp(),
        low: log.low.exp(),
        high: log.high.exp(),
    }
}

fn airing(share: Estimate, bounds: &Bounds) -> Airing {
    if share.value >= bounds.slower.0 && share.low >= bounds.slower.1 {
        Airing::Slower
    } else if share.value <= bounds.faster.0 && share.high <= bounds.faster.1 {
        Airing::Faster
    } else {
        Airing::Usual
    }
}

/// What the inside holds over the room before the runs of the last `now_ms` ([`held_before`]) as a multiple of its usual: it stands against the
/// exchange of air, and does not ask how much water the mister gives. With the instant since when that is so.
fn held_share(context: &Context<'_>, observed: &[Observed], now_ms: i64) -> Option<(Estimate, i64)> {
    let before: Vec<(&Run, f64)> = observed
        .iter()
        .enumerate()
        .filter(|(_, one)| one.left_out.is_none() || one.fog_only)
        .filter(|(index, one)| {
            index
                .checked_sub(1)
                .is_none_or(|last| one.run.at_ms - observed[last].run.at_ms >= DRIED_MS)
        })
        .filter_map(|(_, one)| Some((&one.run, held_before(context, one.run.at_ms)?.ln())))
        .filter(|(_, log)| log.is_finite())
        .collect();
    let first_ms = before.first()?.0.at_ms;
    let usual_until_ms = (first_ms + EXCESS_USUAL_MS).min(context.span.until_ms - NOW_MS);
    let now_from_ms = context.span.until_ms - now_ms;
    // Each part of the day has its own usual: day and night differ, and schedules change.
    let part_of_day = |run: &Run| hour_of(context.zone, run.at_ms) / PART_OF_DAY_H;
    let mut usual_of: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (run, log) in before.iter().filter(|(run, _)| run.at_ms < usual_until_ms) {
        usual_of.entry(part_of_day(run)).or_default().push(*log);
    }
    usual_of.retain(|_, usual| usual.len() >= EXCESS_COUNT_MIN.2);
    let course: Vec<(i64, f64)> = before
        .iter()
        .filter_map(|(run, log)| Some((run.at_ms, log - median(usual_of.get(&part_of_day(run))?)?)))
        .collect();
    let within = |from_ms: i64, until_ms: i64| -> Vec<f64> {
        let times = course
            .iter()
            .filter(|(at_ms, _)| (from_ms..until_ms).contains(at_ms));
        times.map(|(_, log)| *log).collect()
    };
    let (usual, now) = (within(i64::MIN, usual_until_ms), within(now_from_ms, i64::MAX));
    if now.len() < EXCESS_COUNT_MIN.0 || usual.len() < EXCESS_COUNT_MIN.1 {
        return None;
    }
    let shift = hodges_lehmann_shift(&now, &usual, CONFIDENCE, EXCESS_VARIANCE_INFLATION).ok()?;
    Some((exp(shift), since_ms(&course, shift.value)))
}

/// Since when a course of logarithms has been beyond half of a change: the first of the runs in a row whose neighbourhood is.
fn since_ms(course: &[(i64, f64)], change: f64) -> i64 {
    let around = |index: usize| {
        let near = &course[index.saturating_sub(1)..(index + 2).min(course.len())];
        median(&near.iter().map(|(_, log)| *log).collect::<Vec<_>>()).unwrap_or(0.0)
    };
    let is_beyond = |index: &usize| around(*index) / change > 0.5;
    let first = (0..course.len()).rev().take_while(is_beyond).last();
    course[first.unwrap_or(course.len() - 1)].0
}

/// The median of the excess over the room, as a share of the room to saturation, in the time before a run: where wet surfaces give off `k` times
/// the room to saturation and the exchange of air takes away `q` times the excess, it is `k / q`, whatever the room's air is.
fn held_before(context: &Context<'_>, at_ms: i64) -> Option<f64> {
    /// Nearer to saturation a sensor's error is all that is left of the room to it (own choice).
    const ROOM_FRAC_MIN: f64 = 0.02;
    let held: Vec<f64> = (at_ms - BEFORE_MS..at_ms)
        .step_by(BEFORE_STEP_MS as usize)
        .filter_map(|at_ms| {
            let room_frac = 1.0 - context.humidity.as_ref()?.mean.value_at(at_ms)? / 100.0;
            let t_c = context.temperature.as_ref()?.mean.value_at(at_ms)?;
            let saturated = vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, 100.0));
            Some(excess_g_m3(context, at_ms)? / (saturated * room_frac.max(ROOM_FRAC_MIN)))
        })
        .collect();
    median(&held)
}

/// The excess of the inside's vapour over the room, g/m³.
pub(super) fn excess_g_m3(context: &Context<'_>, at_ms: i64) -> Option<f64> {
    let t_c = context.temperature.as_ref()?.mean.value_at(at_ms)?;
    let rh_pct = context.humidity.as_ref()?.mean.value_at(at_ms)?;
    let inside = vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct));
    Some(inside - context.room_vapour_g_m3(at_ms)?)
}

/// Runs of the last week that do not count, by their reason.
fn left_out(observed: &[Observed], main: usize, week_ms: i64) -> BTreeMap<String, usize> {
    let mut reasons = BTreeMap::new();
    for one in observed
        .iter()
        .filter(|one| one.run.at_ms >= week_ms && one.run.ran == Ran::Yes && !one.fog_only)
    {
        let response = one.responses[main].as_ref();
        let reason = one.left_out.clone().or_else(|| match response {
            None => Some("readings missing around it".to_owned()),
            Some(response) => Response::left_out(response),
        });
        if let Some(reason) = reason {
            *reasons.entry(reason).or_default() += 1;
        }
    }
    reasons
}

/// That the air's exchange is `changed` as the trends say, to follow a sentence which that would explain; else empty.
pub(in super::super) fn airing_words(trends: &[MistTrend], changed: Airing) -> String {
    let told = trends
        .iter()
        .filter(|trend| trend.airing == changed)
        .find_map(|trend| {
            let (word, look) = match trend.airing {
                Airing::Slower => ("slower", "a covered vent, a new lid or plants before it"),
                Airing::Faster => ("faster", "a door ajar, a lid off or a new draught"),
                Airing::Usual | Airing::NotKnown => return None,
            };
            let by_pauses = trend
                .pause_share
                .filter(|share| airing(*share, &BY_PAUSES) == changed);
            let half_lives = trend.half_life_min.zip(trend.usual_half_life_min);
            let by = match (trend.held_share, by_pauses, half_lives) {
                (Some(share), _, _) if airing(share, &BY_HELD) == changed => {
                    format!(
                        "before mistings it holds {:.1} times its usual excess of vapour over the room, for its distance from saturation",
                        share.value
                    )
                }
                (_, Some(share), _) => {
                    format!(
                        "against the excess of vapour its fogger's pauses are {:.1} times as long as usual",
                        share.value
                    )
                }
                (None, None, Some((now, usual))) => {
                    format!(
                        "half of a misting's rise is gone after {:.0} min, usually {usual:.0}",
                        now.value
                    )
                }
                _ => return None,
            };
            let unless = match (trend.device == BY_HAND, trend.airing) {
                (false, _) => "",
                (true, Airing::Slower) => ", unless more water was given than usual",
                (true, _) => ", unless less water was given than usual",
            };
            Some(format!(
                " The air is exchanged {word} than usual ({by}): look for {look}{unless}."
            ))
        });
    told.unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_air_is_said_to_be_exchanged_otherwise_only_beyond_doubt() {
        let by_held = |value, low, high| airing(share(value, low, high), &BY_HELD);
        assert_eq!(by_held(2.1, 1.6, 2.8), Airing::Slower);
        assert_eq!(by_held(2.1, 1.1, 4.0), Airing::Usual);
        assert_eq!(by_held(1.2, 1.15, 1.25), Airing::Usual, "plants grown");
        assert_eq!(by_held(0.35, 0.25, 0.5), Airing::Faster);
        assert_eq!(by_held(0.85, 0.82, 0.88), Airing::Usual, "plants cut back");
        assert_eq!(airing(share(0.7, 0.65, 0.75), &BY_HALF_LIFE), Airing::Usual);
    }

    const fn share(value: f64, low: f64, high: f64) -> Estimate {
        Estimate { value, low, high }
    }

    #[test]
    fn a_half_life_as_ever_says_that_the_excess_changed_by_something_else() {
        let (little, much) = (Some(share(0.35, 0.25, 0.5)), Some(share(2.1, 1.6, 2.8)));
        let half_life = |value: f64| Some(share(value, 0.9 * value, 1.1 * value));
        assert_eq!(
            by_both(little, half_life(1.0), &BY_HELD),
            Airing::Usual,
            "dry soil"
        );
        assert_eq!(by_both(much, half_life(1.0), &BY_HELD), Airing::Usual, "wet soil");
        assert_eq!(by_both(little, half_life(0.5), &BY_HELD), Airing::Faster);
        assert_eq!(by_both(much, half_life(2.0), &BY_HELD), Airing::Slower);
        assert_eq!(by_both(much, None, &BY_HELD), Airing::Slower);
        assert_eq!(by_both(None, None, &BY_HELD), Airing::NotKnown);
    }

    #[test]
    fn a_changed_exchange_is_told_only_where_it_explains() {
        let trend = MistTrend {
            device: "mister".to_owned(),
            by: By::First,
            yield_share: None,
            half_life_min: None,
            usual_half_life_min: None,
            half_life_share: None,
            held_share: Some(share(2.1, 1.6, 2.8)),
            pause_share: None,
            airing: Airing::Slower,
            airing_since_ms: 0,
            counted: 20,
            weeks: Vec::new(),
            left_out: BTreeMap::new(),
        };
        let told = airing_words(std::slice::from_ref(&trend), Airing::Slower);
        assert!(told.contains("exchanged slower than usual"), "{told}");
        assert_eq!(
            airing_words(&[trend], Airing::Faster),
            "",
            "of air that is too dry"
        );
    }
}

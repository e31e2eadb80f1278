//! One mister's yield and the enclosure's half-life against their own usual, with intervals: what the keeper is shown each week,
//! whether or not it is a finding.

use std::collections::BTreeMap;

use mosswarden_config::site::{Device, DeviceKind};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::Ran;
use super::super::context::Context;
use super::response::{Probe, Response};
use super::weak::{NOW_MS, VARIANCE_INFLATION};
use super::yields::{Measure, yields};
use super::{MistTrend, Observed};
use crate::physics::humidity::{vapour_density_g_m3, vapour_pressure_pa};
use crate::statistics::Estimate;
use crate::statistics::robust::{hodges_lehmann_location, hodges_lehmann_shift, median};

/// Runs in the last week that are needed.
const NOW_COUNT_MIN: usize = 3;
/// Half-lives that say what is usual.
const USUAL_HALF_LIVES_MIN: usize = 6;
/// The half-life, or the excess of vapour over the room, must differ by this factor, and its interval by the second, before the
/// air is said to be exchanged slower or faster: cut plants change it by a fifth, and a mister that gives nothing lowers the
/// excess too.
const SLOWER: (f64, f64) = (1.35, 1.15);
const FASTER: (f64, f64) = (0.6, 0.7);
/// Days that say what is usual of the excess, at least and at most, and those of now.
const EXCESS_DAYS: (usize, usize) = (10, 21);
const EXCESS_DAYS_NOW: usize = 4;
/// Hours of a day that must be known.
const EXCESS_HOURS_MIN: usize = 18;
const CONFIDENCE: f64 = 0.95;

/// How fast the air is exchanged against the enclosure's own usual, by the decay after mistings.
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
) -> Option<MistTrend> {
    let by_main = yields(context, device, observed, probes, main, Measure::Rise, false)?;
    let week_ms = context.span.until_ms - NOW_MS;
    let now: Vec<f64> = by_main
        .later
        .iter()
        .filter(|(sample, _)| sample.at_ms >= week_ms)
        .map(|(_, log_share)| *log_share)
        .collect();
    let yield_share = (now.len() >= NOW_COUNT_MIN)
        .then(|| hodges_lehmann_shift(&now, &by_main.usual, CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp);
    let logs = |minutes: &[f64]| -> Vec<f64> { minutes.iter().map(|m| m.ln()).collect() };
    let recent: Vec<f64> = by_main
        .later
        .iter()
        .filter(|(sample, _)| sample.at_ms >= week_ms)
        .filter_map(|(sample, _)| sample.half_life_min)
        .collect();
    let usual = &by_main.usual_half_lives_min;
    let compared = recent.len() >= NOW_COUNT_MIN && usual.len() >= USUAL_HALF_LIVES_MIN;
    let half_life_share = compared
        .then(|| hodges_lehmann_shift(&logs(&recent), &logs(usual), CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp);
    let half_life_min = (recent.len() >= NOW_COUNT_MIN)
        .then(|| hodges_lehmann_location(&logs(&recent), CONFIDENCE, VARIANCE_INFLATION).ok())
        .flatten()
        .map(exp);
    // Less vapour than usual tells of the air's exchange only where as much water is given as usual.
    let excess_share =
        excess_share(context).filter(|_| yield_share.is_some_and(|share| share.low > YIELD_AS_EVER));
    Some(MistTrend {
        device: device.id.clone(),
        yield_share,
        half_life_min,
        usual_half_life_min: median(usual),
        half_life_share,
        excess_share,
        airing: half_life_share.or(excess_share).map_or(Airing::NotKnown, airing),
        counted: now.len(),
        left_out: left_out(observed, main, week_ms),
    })
}

/// With a yield of less than this share the excess says nothing of the exchange of air.
const YIELD_AS_EVER: f64 = 0.8;

fn exp(log: Estimate) -> Estimate {
    Estimate {
        value: log.value.exp(),
        low: log.low.exp(),
        high: log.high.exp(),
    }
}

fn airing(share: Estimate) -> Airing {
    if share.value >= SLOWER.0 && share.low >= SLOWER.1 {
        Airing::Slower
    } else if share.value <= FASTER.0 && share.high <= FASTER.1 {
        Airing::Faster
    } else {
        Airing::Usual
    }
}

/// The excess of the inside's vapour over the room in the last days as a multiple of its usual: with the same water given, it
/// stands against the exchange of air.
fn excess_share(context: &Context<'_>) -> Option<Estimate> {
    let fogger = context.enclosure.devices_of(DeviceKind::Fogger).next().is_some();
    // A humidistat keeps the excess whatever the exchange.
    if fogger {
        return None;
    }
    let dates = context.zone.dates(context.whole());
    let known: Vec<f64> = dates
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter(|day| day.until_ms <= context.span.until_ms)
        .filter_map(|day| Some(excess_g_m3(context, day)?.ln()).filter(|log| log.is_finite()))
        .collect();
    let now_from = known.len().checked_sub(EXCESS_DAYS_NOW)?;
    let usual = &known[..now_from.min(EXCESS_DAYS.1)];
    if usual.len() < EXCESS_DAYS.0 {
        return None;
    }
    hodges_lehmann_shift(&known[now_from..], usual, CONFIDENCE, VARIANCE_INFLATION)
        .ok()
        .map(exp)
}

/// A day's mean excess over the room, g/m³; `None` where too little of it is known.
fn excess_g_m3(context: &Context<'_>, day: Span) -> Option<f64> {
    let (inside_c, inside_pct) = (context.temperature.as_ref()?, context.humidity.as_ref()?);
    let hours: Vec<f64> = (day.from_ms..day.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter_map(|at_ms| {
            let t_c = inside_c.mean.value_at(at_ms)?;
            let rh_pct = inside_pct.mean.value_at(at_ms)?;
            let inside = vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct));
            Some(inside - context.room_vapour_g_m3(at_ms)?)
        })
        .collect();
    (hours.len() >= EXCESS_HOURS_MIN).then(|| hours.iter().sum::<f64>() / hours.len() as f64)
}

/// Runs of the last week that do not count, by their reason.
fn left_out(observed: &[Observed], main: usize, week_ms: i64) -> BTreeMap<String, usize> {
    let mut reasons = BTreeMap::new();
    for one in observed
        .iter()
        .filter(|one| one.run.at_ms >= week_ms && one.run.ran == Ran::Yes)
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

/// What the trends say of the air's exchange, to follow a sentence; empty where it is as usual or not known.
pub(in super::super) fn airing_words(trends: &[MistTrend]) -> String {
    let told = trends.iter().find_map(|trend| {
        let (word, look) = match trend.airing {
            Airing::Slower => ("slower", "a covered vent, a new lid or plants before it"),
            Airing::Faster => ("faster", "a door ajar, a lid off or a new draught"),
            Airing::Usual | Airing::NotKnown => return None,
        };
        let by = match (
            trend.half_life_share,
            trend.half_life_min,
            trend.usual_half_life_min,
            trend.excess_share,
        ) {
            (Some(_), Some(now), Some(usual), _) => {
                format!(
                    "half of a misting's rise is gone after {:.0} min, usually {usual:.0}",
                    now.value
                )
            }
            (_, _, _, Some(share)) => format!(
                "it holds {:.1} times its usual excess of vapour over the room",
                share.value
            ),
            _ => return None,
        };
        Some(format!(
            " The air is exchanged {word} than usual ({by}): look for {look}."
        ))
    });
    told.unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_air_is_said_to_be_exchanged_otherwise_only_beyond_doubt() {
        let share = |value, low, high| Estimate { value, low, high };
        assert_eq!(airing(share(2.1, 1.6, 2.8)), Airing::Slower);
        assert_eq!(airing(share(2.1, 1.1, 4.0)), Airing::Usual);
        assert_eq!(
            airing(share(1.2, 1.15, 1.25)),
            Airing::Usual,
            "cut or grown plants"
        );
        assert_eq!(airing(share(0.35, 0.25, 0.5)), Airing::Faster);
        assert_eq!(
            airing(share(0.8, 0.75, 0.85)),
            Airing::Usual,
            "a mister that weakens"
        );
    }
}

//! One mister's yield and the enclosure's half-life against their own usual, with intervals: what the keeper is shown each week,
//! whether or not it is a finding.

use std::collections::BTreeMap;

use mosswarden_config::site::Device;

use super::super::Ran;
use super::super::context::Context;
use super::response::{Probe, Response};
use super::weak::{NOW_MS, VARIANCE_INFLATION};
use super::yields::{Measure, yields};
use super::{MistTrend, Observed};
use crate::statistics::Estimate;
use crate::statistics::robust::{hodges_lehmann_location, hodges_lehmann_shift, median};

/// Runs in the last week that are needed.
const NOW_COUNT_MIN: usize = 3;
/// Half-lives that say what is usual.
const USUAL_HALF_LIVES_MIN: usize = 6;
/// The half-life must differ by this factor, and its interval by the second, before the air is said to be exchanged
/// otherwise: cut plants change it by a fifth.
const AIRING_TIMES: f64 = 1.35;
const AIRING_TIMES_SURE: f64 = 1.12;
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
    Some(MistTrend {
        device: device.id.clone(),
        yield_share,
        half_life_min,
        usual_half_life_min: median(usual),
        half_life_share,
        airing: half_life_share.map_or(Airing::NotKnown, airing),
        counted: now.len(),
        left_out: left_out(observed, main, week_ms),
    })
}

fn exp(log: Estimate) -> Estimate {
    Estimate {
        value: log.value.exp(),
        low: log.low.exp(),
        high: log.high.exp(),
    }
}

fn airing(share: Estimate) -> Airing {
    if share.value >= AIRING_TIMES && share.low >= AIRING_TIMES_SURE {
        Airing::Slower
    } else if share.value <= AIRING_TIMES.recip() && share.high <= AIRING_TIMES_SURE.recip() {
        Airing::Faster
    } else {
        Airing::Usual
    }
}

/// Runs of the last week that do not count, by their reason.
fn left_out(observed: &[Observed], main: usize, week_ms: i64) -> BTreeMap<String, usize> {
    let mut reasons = BTreeMap::new();
    for one in observed.iter().filter(|one| one.run.at_ms >= week_ms && one.run.ran == Ran::Yes) {
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
        let (now, usual) = (trend.half_life_min?, trend.usual_half_life_min?);
        let (word, look) = match trend.airing {
            Airing::Slower => ("slower", "a covered vent, a new lid or plants before it"),
            Airing::Faster => ("faster", "a door ajar, a lid off or a new draught"),
            Airing::Usual | Airing::NotKnown => return None,
        };
        Some(format!(
            " The air is exchanged {word} than usual (half of a misting's rise is gone after {:.0} min, usually {usual:.0}): look for {look}.",
            now.value
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
        assert_eq!(airing(share(1.2, 1.15, 1.25)), Airing::Usual, "cut or grown plants");
        assert_eq!(airing(share(0.35, 0.25, 0.5)), Airing::Faster);
    }
}

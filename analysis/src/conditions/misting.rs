//! Mistings: which took place, what each did to the air, and whether they weaken.
//!
//! In: schedules, states, usable humidity and temperature, the journal. Out: every run in the span with its response, and
//! findings about runs missed and mistings that weaken.
//!
//! - [`runs`]: scheduled and observed runs, matched.
//! - [`response`]: what one run did to the vapour density.
//! - [`seen`]: mistings that nobody noted.
//! - [`missed`]: runs that did not take place.
//! - [`yields`]: what a run usually gives; [`weak`]: the yield against it; [`empty`]: runs that gave nothing.
//! - [`fog`]: a fogger's pauses, where it holds the air.
//! - [`trend`]: yield and half-life with intervals, for the report.

mod empty;
mod fog;
mod missed;
mod response;
mod runs;
mod seen;
mod trend;
mod weak;
mod yields;

use std::collections::BTreeMap;

use mosswarden_config::journal;
use mosswarden_config::site::DeviceKind;

use super::context::Context;
use super::{Misting, Ran};
use crate::findings::{Finding, Kind, Verdicts};
use crate::statistics::Estimate;
use crate::trust::NEAR_CHECK_MS;
use response::{Probe, Response};
use runs::{Events, Run};

pub use empty::NOTHING_FRAC;
pub use response::{Dried, PEAK_MIN};
pub(super) use runs::BY_HAND;
pub(super) use seen::SEEN;
pub use trend::Airing;
pub(super) use trend::airing_words;
pub use yields::By as YieldBy;

/// One mister's yield and the enclosure's half-life in the last week against their own usual.
#[derive(Debug, Clone, PartialEq)]
pub struct MistTrend {
    pub device: String,
    /// What of a run the yield is told by: the first minutes, unless a finding was told by how long it lasts.
    pub by: YieldBy,
    /// Vapour per second of run as a share of its usual, with its 95 % interval.
    pub yield_share: Option<Estimate>,
    pub half_life_min: Option<Estimate>,
    pub usual_half_life_min: Option<f64>,
    /// The half-life as a multiple of its usual.
    pub half_life_share: Option<Estimate>,
    /// The excess of vapour over the room before its runs, for the room to saturation, as a multiple of its usual.
    pub held_share: Option<Estimate>,
    /// The pauses of its humidistat's fogger, times that excess, as a multiple of their usual.
    pub pause_share: Option<Estimate>,
    pub airing: Airing,
    /// Since when, as far as that is known; else the last week.
    pub airing_since_ms: i64,
    /// Runs of the last week that count.
    pub counted: usize,
    /// The same for each seven days since the mister, its schedule or the probe last changed, oldest first; the last are the last week.
    pub weeks: Vec<MistWeek>,
    /// Runs of the last week that do not, by reason.
    pub left_out: BTreeMap<String, usize>,
}

/// What one mister's runs of seven days did, with 95 % intervals; `None` where too few count.
#[derive(Debug, Clone, PartialEq)]
pub struct MistWeek {
    pub from_ms: i64,
    pub yield_share: Option<Estimate>,
    pub half_life_min: Option<Estimate>,
    pub counted: usize,
}

/// What is said of the mistings.
#[derive(Debug, Default)]
pub(super) struct Judged {
    pub(super) mistings: Vec<Misting>,
    /// Those before the span.
    pub(super) earlier: Vec<Misting>,
    pub(super) trends: Vec<MistTrend>,
    pub(super) verdicts: Verdicts,
    pub(super) suspected: Vec<Finding>,
}

/// A run with what it did, by one probe.
#[derive(Clone)]
pub(super) struct Observed {
    run: Run,
    /// By each probe, in the order of the probes; `None` where nothing could be measured.
    responses: Vec<Option<Response>>,
    left_out: Option<String>,
    /// It is left out for fog around it and for nothing else: fog bends the decay, but hardly the first minutes.
    fog_only: bool,
}

/// Judges every mister, and lists mistings by hand, noted or seen.
pub(super) fn judge(context: &Context<'_>) -> Judged {
    let mut judged = Judged::default();
    let probes = Probe::of(context);
    let misters: Vec<_> = context.enclosure.devices_of(DeviceKind::Mister).collect();
    let all_runs: Vec<Vec<Run>> = misters.iter().map(|device| runs::of(context, device)).collect();
    let mut by_hand = runs::by_hand(context);
    by_hand.extend(seen::of(
        context,
        &probes,
        &Events::of(context, &all_runs, &by_hand),
    ));
    by_hand.sort_by_key(|run| run.at_ms);
    let events = Events::of(context, &all_runs, &by_hand);
    let pause_share = fog::pause_share(context, &events);
    for (device, device_runs) in misters.iter().zip(all_runs) {
        let mut observed = observe(context, &probes, device_runs, &events);
        let main = response::main_probe(&probes, &observed);
        let assessable = missed::settle(context, device, &mut observed, main, &probes);
        judged
            .verdicts
            .extend(missed::judge(context, device, &observed, assessable));
        match main {
            Some(main) => {
                let mut trend = trend::of(context, device, &observed, &probes, main, pause_share);
                let airing = trend.as_ref().map_or(Airing::NotKnown, |trend| trend.airing);
                let suspected = &mut judged.suspected;
                let weak = weak::judge(context, device, &observed, &probes, main, airing, suspected);
                judged.verdicts.extend(weak.verdicts);
                // The trend beside a finding is by the same measure.
                if let (Some((by, told)), Some(trend)) = (weak.told_by, &mut trend) {
                    trend.tell(by, &told, context.span.until_ms);
                }
                judged.trends.extend(trend);
            }
            None => judged.verdicts.not_assessed.push(context.not_assessed(
                Kind::MistWeak,
                Some(&device.id),
                context.span,
                "no usable humidity and temperature of one sensor".to_owned(),
            )),
        }
        judged
            .mistings
            .extend(observed.iter().map(|one| misting(one, main)));
    }
    let by_hand = observe(context, &probes, by_hand, &events);
    let by_hand_main = response::main_probe(&probes, &by_hand);
    if let Some(main) = by_hand_main.filter(|_| misters.is_empty()) {
        judged.trends.extend(trend::by_hand(context, &by_hand, main));
        judged
            .verdicts
            .findings
            .extend(weak::by_hand(context, &by_hand, &probes, main));
    }
    // A rise that is less because the air goes faster is not the nozzle's fault.
    let airing = airing_words(&judged.trends, Airing::Faster);
    for finding in judged
        .verdicts
        .findings
        .iter_mut()
        .filter(|f| f.kind == Kind::MistWeak)
    {
        finding.message += &airing;
    }
    judged
        .mistings
        .extend(by_hand.iter().map(|one| misting(one, by_hand_main)));
    judged
        .mistings
        .sort_by(|a, b| (a.at_ms, &a.device).cmp(&(b.at_ms, &b.device)));
    let all = std::mem::take(&mut judged.mistings).into_iter();
    (judged.earlier, judged.mistings) = all.partition(|misting| misting.at_ms < context.span.from_ms);
    judged
        .mistings
        .retain(|misting| context.span.contains(misting.at_ms));
    judged
}

fn observe(context: &Context<'_>, probes: &[Probe], runs: Vec<Run>, events: &Events) -> Vec<Observed> {
    // A sensor that is out for a check does not see what a run brings.
    let checks: Vec<Vec<i64>> = probes
        .iter()
        .map(|probe| context.noted(&[journal::SENSOR_CALIBRATED], |id| id == probe.id))
        .collect();
    let is_out = |checks: &[i64], run: &Run| checks.iter().any(|at| (at - run.at_ms).abs() <= NEAR_CHECK_MS);
    runs.into_iter()
        .map(|run| {
            let other = runs::keeper_near(context, &run).or_else(|| events.misting_near(&run));
            let fog_only = other.is_none() && events.fog_near(&run);
            let left_out = other.or_else(|| fog_only.then(|| "fog around it".to_owned()));
            let next_ms = events.next_ms(&run);
            let responses = probes
                .iter()
                .zip(&checks)
                .map(|(probe, checks)| {
                    (!is_out(checks, &run))
                        .then(|| response::measure(context, probe, &run, next_ms))
                        .flatten()
                })
                .collect();
            Observed {
                run,
                responses,
                left_out,
                fog_only,
            }
        })
        .collect()
}

/// One run as it is handed to the report.
fn misting(observed: &Observed, main: Option<usize>) -> Misting {
    let response = main.and_then(|main| observed.responses[main].as_ref());
    let seen = response.filter(|_| observed.run.ran != Ran::No);
    Misting {
        device: observed.run.device.clone(),
        at_ms: observed.run.at_ms,
        duration_s: observed.run.duration_s,
        scheduled: observed.run.scheduled,
        ran: observed.run.ran,
        rise_g_m3: seen.map(|r| r.rise_g_m3),
        rise_pct: seen.map(|r| r.rise_pct),
        minutes_to_peak: seen.map(|r| r.minutes_to_peak),
        half_life_min: seen
            .and_then(|r| r.half_life_min)
            .filter(|_| observed.left_out.is_none()),
        dried: seen.and_then(|r| r.dried),
        censored: seen.is_some_and(|r| r.censored),
        left_out: observed
            .left_out
            .clone()
            .or_else(|| seen.and_then(Response::left_out)),
    }
}

#[cfg(test)]
mod tests;

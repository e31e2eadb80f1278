//! Mistings: which took place, what each did to the air, and whether they weaken.
//!
//! In: schedules, states, usable humidity and temperature, the journal. Out: every run in the span with its response, and
//! findings about runs missed and mistings that weaken.
//!
//! - [`runs`]: scheduled and observed runs, matched.
//! - [`response`]: what one run did to the vapour density.
//! - [`missed`]: runs that did not take place.
//! - [`weak`]: the yield against the enclosure's own usual.

mod missed;
mod response;
mod runs;
mod weak;

use mosswarden_config::site::DeviceKind;

use super::context::Context;
use super::{Misting, Ran};
use crate::findings::{Kind, Verdicts};
use response::{Probe, Response};
use runs::{Events, Run};

/// A run with what it did, by one probe.
pub(super) struct Observed {
    run: Run,
    /// By each probe, in the order of the probes; `None` where nothing could be measured.
    responses: Vec<Option<Response>>,
    left_out: Option<String>,
    /// It is left out for fog around it and for nothing else.
    fog_only: bool,
}

/// Judges every mister, and lists mistings by hand.
pub(super) fn judge(context: &Context<'_>) -> (Vec<Misting>, Verdicts) {
    let mut verdicts = Verdicts::default();
    let mut mistings = Vec::new();
    let probes = Probe::of(context);
    let misters: Vec<_> = context.enclosure.devices_of(DeviceKind::Mister).collect();
    let all_runs: Vec<Vec<Run>> = misters.iter().map(|device| runs::of(context, device)).collect();
    let by_hand = runs::by_hand(context);
    let events = Events::of(context, &all_runs, &by_hand);
    for (device, device_runs) in misters.iter().zip(all_runs) {
        let mut observed = observe(context, &probes, device_runs, &events);
        let main = response::main_probe(&probes, &observed);
        let assessable = missed::settle(context, device, &mut observed, main, &probes);
        verdicts.extend(missed::judge(context, device, &observed, assessable));
        match main {
            Some(main) => verdicts.extend(weak::judge(context, device, &observed, &probes, main)),
            None => verdicts.not_assessed.push(context.not_assessed(
                Kind::MistWeak,
                Some(&device.id),
                context.span,
                "no usable humidity and temperature of one sensor".to_owned(),
            )),
        }
        mistings.extend(observed.iter().map(|one| misting(one, main)));
    }
    let observed = observe(context, &probes, by_hand, &events);
    let main = response::main_probe(&probes, &observed);
    mistings.extend(observed.iter().map(|one| misting(one, main)));
    mistings.retain(|misting| context.span.contains(misting.at_ms));
    mistings.sort_by(|a, b| (a.at_ms, &a.device).cmp(&(b.at_ms, &b.device)));
    (mistings, verdicts)
}

fn observe(context: &Context<'_>, probes: &[Probe], runs: Vec<Run>, events: &Events) -> Vec<Observed> {
    runs.into_iter()
        .map(|run| {
            let other = runs::keeper_near(context, &run).or_else(|| events.misting_near(&run));
            let fog_only = other.is_none() && events.fog_near(&run);
            let left_out = other.or_else(|| fog_only.then(|| "fog around it".to_owned()));
            let next_ms = events.next_ms(&run);
            let responses = probes
                .iter()
                .map(|probe| response::measure(context, probe, &run, next_ms))
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
        censored: seen.is_some_and(|r| r.censored),
        left_out: observed
            .left_out
            .clone()
            .or_else(|| seen.and_then(Response::left_out)),
    }
}

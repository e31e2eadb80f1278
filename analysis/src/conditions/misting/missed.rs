//! Runs that did not take place.
//!
//! Where the mister sends states, a scheduled run without one is missed, unless the humidity shows it. Where it sends none,
//! the humidity alone decides, and only where it shows nearly every run.

use std::collections::{BTreeMap, BTreeSet};

use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::super::Ran;
use super::super::context::Context;
use super::super::moisture::stays_moist_since;
use super::response::{PEAK_MS, Probe, SETTLE_MS, control_rise_g_m3};
use super::yields::{DAMP_START_PCT, bent_from_pct};
use super::{Observed, Response};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::statistics::robust::{median, quantile};
use crate::words::several;

/// A rise of this share of the usual one shows a run although no state came.
const SHOWN_FRAC: f64 = 0.5;
/// Below this share of the usual rise there was no run.
const NOTHING_FRAC: f64 = 0.25;
/// Runs that must be there to say what is usual.
const USUAL_COUNT_MIN: usize = 6;
/// Without states, at least this share of the runs of the record must show, or the humidity can't decide.
const SHOW_SHARE_MIN: f64 = 0.6;
/// Controls are taken this long before a run.
const CONTROL_MS: i64 = MS_PER_HOUR;
const CONTROL_QUANTILE: f64 = 0.9;
/// A fall of the humidity by so much within minutes of a run is a door that was opened: it takes along what the run brought, %RH (own choice).
const OPENED_PCT: f64 = 5.0;
/// Runs whose usual rise is so many times the noise show in spite of what the light's going off takes out of the air, where it went off by the
/// usual ones as well (own choice).
const PLAIN_NOISES: f64 = 4.0;
/// So many runs missed in a row are urgent, unless the air stays moist without them: the enclosure gets no water.
const URGENT_COUNT: usize = 4;

/// What humidity says where states don't; returns why runs can't be judged, if so.
pub(super) fn settle(
    context: &Context<'_>,
    device: &Device,
    observed: &mut [Observed],
    main: Option<usize>,
    probes: &[Probe],
) -> Result<(), String> {
    let stated = context.states(device).is_some();
    let without_states = |why: &str| {
        if stated {
            Ok(())
        } else {
            Err(format!("it sends no states, and {why}"))
        }
    };
    let Some(main) = main else {
        return without_states("no usable humidity shows its runs");
    };
    let noise = noise_g_m3(&probes[main], observed);
    let Some(noise_g_m3) =
        noise.filter(|_| usual_g_m3(&rises(observed, main, stated, None), stated).is_some())
    else {
        return without_states("too few of its runs can be seen in the humidity");
    };
    let shows = Shows::of(context, observed, main, stated, noise_g_m3);
    if !stated && shows.usual_g_m3.is_empty() {
        return without_states("its runs don't stand out in the humidity");
    }
    for one in observed.iter_mut().filter(|one| !one.run.stated) {
        if let Some(response) = &one.responses[main]
            && let Some(ran) = shows.ran(context, one, response)
        {
            one.run.ran = ran;
        }
    }
    Ok(())
}

/// The response of a run at a probe, where nothing speaks against using it.
fn good(one: &Observed, main: usize) -> Option<&Response> {
    let response = one.responses[main].as_ref()?;
    (one.left_out.is_none() && response.left_out().is_none()).then_some(response)
}

/// The rises that say what is usual. Places in the schedule differ in length and hour; without states, each must show by itself.
fn rises(observed: &[Observed], main: usize, stated: bool, slot: Option<usize>) -> Vec<f64> {
    observed
        .iter()
        .filter(|one| one.run.ran == Ran::Yes || !stated)
        .filter(|one| stated || slot.is_none() || one.run.slot == slot)
        .filter_map(|one| good(one, main))
        .map(|response| response.rise_g_m3)
        .collect()
}

/// Without states the record holds missed runs too: the upper half says what a run does.
fn usual_g_m3(rises: &[f64], stated: bool) -> Option<f64> {
    let usual = if stated {
        median(rises)
    } else {
        quantile(rises, 0.7)
    };
    usual.filter(|_| rises.len() >= USUAL_COUNT_MIN)
}

/// How plainly the humidity shows a mister's runs.
struct Shows {
    /// Whether the mister sends states.
    stated: bool,
    noise_g_m3: f64,
    /// By place in the schedule, the usual rise where runs stand out from the air.
    usual_g_m3: BTreeMap<Option<usize>, f64>,
    /// Places whose runs show in spite of the light's going off.
    plain_in_the_dark: BTreeSet<Option<usize>>,
    /// A line that bends by so much is bent by a run.
    bent_from_pct: f64,
}

impl Shows {
    fn of(context: &Context<'_>, observed: &[Observed], main: usize, stated: bool, noise_g_m3: f64) -> Shows {
        let standing_out = |slot: Option<usize>, observed: &[Observed]| -> Option<f64> {
            let rises = rises(observed, main, stated, slot);
            let usual = usual_g_m3(&rises, stated)?;
            let shown = rises.iter().filter(|rise| **rise >= SHOWN_FRAC * usual).count();
            let shows = usual * SHOWN_FRAC > noise_g_m3;
            (shows && (stated || shown as f64 >= SHOW_SHARE_MIN * rises.len() as f64)).then_some(usual)
        };
        // Of all runs, or, where a mister has been dead for weeks, of the first half of them.
        let first_half = &observed[..observed.len() / 2];
        let slots = observed.iter().map(|one| one.run.slot).collect::<BTreeSet<_>>();
        let usual_g_m3: BTreeMap<Option<usize>, f64> = slots
            .into_iter()
            .filter_map(|slot| {
                let usual = standing_out(slot, observed).or_else(|| standing_out(slot, first_half))?;
                Some((slot, usual))
            })
            .collect();
        let is_plain_in_the_dark = |slot: Option<usize>, usual: f64| {
            let shown = observed.iter().filter(|one| {
                let is_shown = |response: &Response| response.rise_g_m3 >= SHOWN_FRAC * usual;
                one.run.slot == slot && good(one, main).is_some_and(is_shown)
            });
            let (dark, lit): (Vec<_>, Vec<_>) = shown.partition(|one| light_went_off(context, one.run.at_ms));
            usual >= PLAIN_NOISES * noise_g_m3 && dark.len() > lit.len()
        };
        let bends: Vec<f64> = observed
            .iter()
            .filter_map(|one| {
                good(one, main)
                    .filter(|response| response.rise_g_m3 > noise_g_m3)?
                    .bend_pct
            })
            .collect();
        Shows {
            stated,
            noise_g_m3,
            plain_in_the_dark: usual_g_m3
                .iter()
                .filter(|(slot, usual)| !stated && is_plain_in_the_dark(**slot, **usual))
                .map(|(slot, _)| *slot)
                .collect(),
            usual_g_m3,
            bent_from_pct: bent_from_pct(&bends).unwrap_or(f64::INFINITY),
        }
    }

    /// Whether a run of which no state tells took place, where the humidity says so.
    fn ran(&self, context: &Context<'_>, one: &Observed, response: &Response) -> Option<Ran> {
        let slot = one.run.slot;
        let usual = *self.usual_g_m3.get(&slot)?;
        if one.left_out.is_some() || response.left_out().is_some() {
            return None;
        }
        if response.rise_g_m3 >= SHOWN_FRAC * usual && response.rise_g_m3 > self.noise_g_m3 {
            return Some(Ran::Yes);
        }
        let did_nothing = !self.stated
            && response.before_pct < DAMP_START_PCT
            // Air that is wet from a hand or another device takes up less, and what it can't hold for cold glass runs down there.
            && response.headroom_g_m3 >= usual
            && !response.glass_is_wet
            && response.rise_g_m3 < NOTHING_FRAC * usual
            && response.bend_pct.is_none_or(|bend_pct| bend_pct < self.bent_from_pct)
            && response.fell_pct < OPENED_PCT
            && (self.plain_in_the_dark.contains(&slot) || !light_went_off(context, one.run.at_ms));
        did_nothing.then_some(Ran::No)
    }
}

/// Whether the light went off shortly before a run or while its rise was looked for: what soil and leaves give off falls then and may hide
/// the rise.
fn light_went_off(context: &Context<'_>, at_ms: i64) -> bool {
    let around = Span {
        from_ms: at_ms - SETTLE_MS,
        until_ms: at_ms + PEAK_MS,
    };
    let before_ms = around.from_ms - MS_PER_24_H;
    let lit = context.light_within(Span {
        from_ms: before_ms,
        until_ms: around.until_ms + MS_PER_24_H,
    });
    lit.iter().any(|lit| around.contains(lit.until_ms))
}

/// What nearly every control stays below: rises at times without a run.
pub(super) fn noise_g_m3(probe: &Probe, observed: &[Observed]) -> Option<f64> {
    let controls = controls(probe, observed);
    if controls.len() < USUAL_COUNT_MIN {
        return None;
    }
    quantile(&controls, CONTROL_QUANTILE).map(|noise| noise.max(0.0))
}

/// Rises an hour before each run, where no other run is near.
pub(super) fn controls(probe: &Probe, observed: &[Observed]) -> Vec<f64> {
    observed
        .iter()
        .enumerate()
        .filter_map(|(index, one)| {
            let at_ms = one.run.at_ms - CONTROL_MS;
            let before = index.checked_sub(1).map(|before| observed[before].run.at_ms);
            if before.is_some_and(|before| at_ms - before < 2 * CONTROL_MS) {
                return None;
            }
            control_rise_g_m3(probe, at_ms, one.run.duration_s, one.run.at_ms)
        })
        .collect()
}

/// One finding for each stretch of missed runs.
pub(super) fn judge(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    assessable: Result<(), String>,
) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let scheduled: Vec<&Observed> = observed.iter().filter(|one| one.run.scheduled).collect();
    if let Err(reason) = assessable {
        if !device.schedule.is_empty() {
            verdicts.not_assessed.push(context.not_assessed(
                Kind::MistMissed,
                Some(&device.id),
                context.span,
                reason,
            ));
        }
        return verdicts;
    }
    let inside: Vec<&&Observed> = scheduled
        .iter()
        .filter(|one| context.span.contains(one.run.at_ms))
        .collect();
    let unknown = inside.iter().filter(|one| one.run.ran == Ran::NotKnown).count();
    if unknown > 0 {
        verdicts.not_assessed.push(context.not_assessed(
            Kind::MistMissed,
            Some(&device.id),
            context.span,
            format!("{} of {} scheduled runs not known", unknown, inside.len()),
        ));
    }
    let mut stretch: Vec<&Observed> = Vec::new();
    let mut stretches: Vec<(Vec<&Observed>, bool)> = Vec::new();
    for one in scheduled {
        match one.run.ran {
            Ran::No => stretch.push(one),
            Ran::NotKnown => {}
            Ran::Yes => stretches.push((std::mem::take(&mut stretch), false)),
        }
    }
    stretches.push((stretch, true));
    for (stretch, open) in stretches {
        if stretch
            .last()
            .is_some_and(|last| last.run.at_ms >= context.span.from_ms)
        {
            verdicts.findings.extend(finding(context, device, &stretch, open));
        }
    }
    verdicts
}

fn finding(context: &Context<'_>, device: &Device, stretch: &[&Observed], open: bool) -> Option<Finding> {
    let (first, last) = (stretch.first()?, stretch.last()?);
    let severity = match stretch.len() {
        1 => Severity::Notice,
        count if count >= URGENT_COUNT && !stays_moist_since(context, first.run.at_ms) => Severity::Urgent,
        _ => Severity::Warning,
    };
    let value = Value::new("runs missed", stretch.len() as f64, "1");
    let mut finding = context.finding(Kind::MistMissed, first.run.at_ms, severity, value);
    finding.subject = device.id.clone();
    finding.end_ms = (!open).then_some(last.run.at_ms + (last.run.duration_s * 1000.0) as i64);
    let still = if open { "; the last one too" } else { "" };
    finding.message = if stretch.len() == 1 {
        format!(
            "{} did not run at {} as scheduled{still}.",
            device.id,
            context.words.moment(first.run.at_ms)
        )
    } else {
        format!(
            "{} missed {} in a row from {} to {}{still}.",
            device.id,
            several(stretch.len(), "run"),
            context.words.moment(first.run.at_ms),
            context.words.moment(last.run.at_ms)
        )
    };
    finding.advice = "Mist by hand if the animals need it. Then check the timer's clock and programme (a power cut or clock \
        change resets it), the pump's plug and its fuse; keep plugs and strips above the water."
        .to_owned();
    if context.states(device).is_none() {
        finding.message += " It sends no states, and a run that brought no water looks the same.";
        finding.advice += " Look at reservoir and nozzle, too.";
    }
    Some(finding)
}

//! The yield of mistings against the enclosure's own usual: a slow fall or a sudden one. Nothing at all is told by `empty`.

use mosswarden_config::site::Device;
use mosswarden_config::zone::MS_PER_24_H;

use super::super::context::Context;
use super::missed::noise_g_m3;
use super::response::Probe;
use super::yields::{USUAL_COUNT_MIN, Yield, yields};
use super::{Observed, empty};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::statistics::robust::{hodges_lehmann_shift, median};
use crate::words::percent;

/// The level now is that of this long, or of the last runs where a change is fresh.
pub(super) const NOW_MS: i64 = 7 * MS_PER_24_H;
const NOW_COUNT_MIN: usize = 6;
/// A finding needs a level below the first with an interval below the second: yields of healthy pumps wander by a tenth (common practice,
/// no source), and with a yield of 60 % the first minutes bring about 70 %, since wet leaves give off as before.
const WEAK_FRAC: f64 = 0.85;
const WEAK_HIGH_FRAC: f64 = 0.94;
/// From here on a warning.
const WARNING_FRAC: f64 = 0.6;
/// Another probe that still sees this much contradicts: then it is the sensor, not the mister.
const OTHER_FRAC: f64 = 0.88;
/// Autocorrelation of yields from run to run widens the interval by this in variance (our own choice, on the safe side).
pub(super) const VARIANCE_INFLATION: f64 = 2.0;
/// A fall within this time is sudden.
const SUDDEN_MS: i64 = 2 * MS_PER_24_H;

/// Judges one mister; what is only suspected of it is set aside.
pub(super) fn judge(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    probes: &[Probe],
    main: usize,
    suspected: &mut Vec<Finding>,
) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let of = |index: usize| yields(context, device, observed, probes, index);
    // A probe that was moved or replaced lately says little of what is usual; another may say more.
    let by_probe: Vec<(usize, Option<Yield>)> = std::iter::once(main)
        .chain((0..probes.len()).filter(|index| *index != main))
        .map(|index| (index, of(index)))
        .collect();
    let known_since_ms = |by: &Option<Yield>| by.as_ref().map_or(i64::MAX, |by| by.since_ms);
    let earliest_ms = by_probe
        .iter()
        .map(|(_, by)| known_since_ms(by))
        .min()
        .unwrap_or(i64::MAX);
    let main = by_probe
        .iter()
        .find(|(_, by)| known_since_ms(by) <= earliest_ms.saturating_add(NOW_MS))
        .map_or(main, |(index, _)| *index);
    let (by_main, others): (Vec<_>, Vec<_>) = by_probe.into_iter().partition(|(index, _)| *index == main);
    let rose_elsewhere = |first_ms: i64, last_ms: i64| {
        (0..probes.len())
            .filter(|index| *index != main)
            .any(|index| rose(&probes[index], index, observed, first_ms, last_ms))
    };
    let Some(by_main) = by_main.into_iter().find_map(|(_, by)| by) else {
        if let Some(nothing) = empty::none_at_all(context, device, observed, main, rose_elsewhere) {
            verdicts.findings.push(nothing);
            return verdicts;
        }
        verdicts.not_assessed.push(context.not_assessed(
            Kind::MistWeak,
            Some(&device.id),
            context.span,
            format!(
                "too few earlier runs whose rise can be measured to say what is usual: {USUAL_COUNT_MIN} are needed, over a week at least"
            ),
        ));
        return verdicts;
    };
    // Nor can one contradict whose usual runs may be weak ones already.
    let others: Vec<Yield> = others
        .into_iter()
        .filter_map(|(_, by)| by)
        .filter(|by| by.since_ms <= by_main.since_ms + NOW_MS)
        .collect();
    let in_span = by_main
        .later
        .iter()
        .any(|(sample, _)| context.span.contains(sample.at_ms));
    if !in_span {
        verdicts.not_assessed.push(context.not_assessed(
            Kind::MistWeak,
            Some(&device.id),
            context.span,
            "no run in this time whose rise can be measured (too wet before, other mistings near, or no readings)"
                .to_owned(),
        ));
        return verdicts;
    }
    let noise = noise_g_m3(&probes[main], observed).unwrap_or(0.0);
    let seen_elsewhere = |first_ms: i64, last_ms: i64| {
        contradicted(&others, first_ms, last_ms) || rose_elsewhere(first_ms, last_ms)
    };
    let nothing = empty::judge(context, device, &by_main, noise, seen_elsewhere);
    // A run of nothing that still goes on says it all.
    let open = nothing.told.iter().any(|finding| finding.end_ms.is_none());
    verdicts.findings.extend(nothing.told);
    suspected.extend(nothing.suspected);
    if !open {
        let alone = (probes.len() == 1).then(|| probes[main].id.as_str());
        let weak = weak(context, device, &by_main, &others).map(|mut finding| {
            if let Some(id) = alone {
                finding.message += &format!(" Only {id} tells it, and a sensor that shows less of each rise looks the same: look at both.");
            }
            finding
        });
        verdicts.findings.extend(weak);
    }
    verdicts
}

/// Whether another probe still sees the mistings.
fn contradicted(others: &[Yield], since_ms: i64, until_ms: i64) -> bool {
    others.iter().any(|other| {
        let shares: Vec<f64> = other
            .later
            .iter()
            .filter(|(sample, _)| (since_ms..=until_ms).contains(&sample.at_ms))
            .map(|(_, log_share)| *log_share)
            .collect();
        median(&shares).is_some_and(|log_share| log_share.exp() > OTHER_FRAC)
    })
}

/// Whether a probe plainly saw the runs of a time, whatever is usual for it.
fn rose(probe: &Probe, index: usize, observed: &[Observed], first_ms: i64, last_ms: i64) -> bool {
    /// A rise by this share of the room to saturation, and so much beyond noise, is plain (own choice).
    const PLAIN_FRAC: f64 = 0.3;
    const PLAIN_NOISES: f64 = 2.0;
    let plain_g_m3 = PLAIN_NOISES * noise_g_m3(probe, observed).unwrap_or(0.0);
    let shares: Vec<f64> = observed
        .iter()
        .filter(|one| (first_ms..=last_ms).contains(&one.run.at_ms))
        .filter_map(|one| one.responses[index].as_ref())
        .filter(|response| response.headroom_g_m3 > 0.0)
        .map(|response| {
            if response.rise_g_m3 > plain_g_m3 {
                response.rise_g_m3 / response.headroom_g_m3
            } else {
                0.0
            }
        })
        .collect();
    median(&shares).is_some_and(|share| share >= PLAIN_FRAC)
}

/// The yield has fallen.
fn weak(context: &Context<'_>, device: &Device, by_main: &Yield, others: &[Yield]) -> Option<Finding> {
    let week_ms = context.span.until_ms - NOW_MS;
    let of_week = by_main
        .later
        .partition_point(|(sample, _)| sample.at_ms < week_ms);
    let last_count = by_main.later.len().saturating_sub(NOW_COUNT_MIN);
    // The last week; where a change is fresh, the last runs; where runs are rare, at least those.
    let starts = [of_week.min(last_count), last_count];
    let (start, share) = starts.into_iter().find_map(|start| {
        let now: Vec<f64> = by_main.later[start..]
            .iter()
            .map(|(_, log_share)| *log_share)
            .collect();
        let shift = hodges_lehmann_shift(&now, &by_main.usual, 0.95, VARIANCE_INFLATION).ok()?;
        let weak =
            shift.value.exp() < WEAK_FRAC && shift.high.exp() < WEAK_HIGH_FRAC && now.len() >= NOW_COUNT_MIN;
        weak.then_some((start, shift))
    })?;
    let since_ms = by_main.later[start].0.at_ms;
    if contradicted(others, since_ms, i64::MAX) {
        return None;
    }
    let (from_ms, sudden) = onset(by_main);
    let (frac, low, high) = (share.value.exp(), share.low.exp(), share.high.exp());
    let severity = if frac < WARNING_FRAC {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let value = Value::new("vapour per misting against its own usual", frac * 100.0, "%")
        .between(low * 100.0, high * 100.0);
    let mut finding = context.finding(Kind::MistWeak, from_ms, severity, value);
    finding.subject = device.id.clone();
    finding.also = half_lives(context, by_main);
    let course = if sudden {
        "it fell within two days, as when a valve, hose or nozzle fails"
    } else {
        "it fell little by little, as when a nozzle clogs"
    };
    finding.message = format!(
        "Mistings of {} now bring {} of their usual vapour in the first minutes ({} to {}), since about {}: {course}.",
        device.id,
        percent(frac),
        percent(low),
        percent(high),
        context.words.day(from_ms)
    );
    finding.advice = "Watch one run: look for a lazy nozzle, an air leak and the water level; descale or replace the nozzle \
        and use low-mineral water. If other enclosures on the same pump are weaker too, look at the pump and its filter. \
        Unplug before you reach into water."
        .to_owned();
    Some(finding)
}

/// Since when the yield is down, and whether it fell all at once.
fn onset(by_main: &Yield) -> (i64, bool) {
    /// The share below which it counts as down, and above which it still was well.
    const DOWN_FRAC: f64 = 0.85;
    const WELL_FRAC: f64 = 0.9;
    /// The share below which it has fallen for good.
    const DEEP_FRAC: f64 = 0.8;
    /// Runs over which a median steadies the course, half on either side.
    const HALF: usize = 2;
    let later = &by_main.later;
    let course: Vec<f64> = (0..later.len())
        .map(|index| {
            let around = &later[index.saturating_sub(HALF)..(index + HALF + 1).min(later.len())];
            median(&around.iter().map(|(_, s)| *s).collect::<Vec<_>>()).map_or(1.0, f64::exp)
        })
        .collect();
    let last = later.len().saturating_sub(1);
    let down = course
        .iter()
        .rposition(|share| *share >= DOWN_FRAC)
        .map_or(0, |last| last + 1);
    let down = down.min(last);
    let well = course[..down].iter().rposition(|share| *share >= WELL_FRAC);
    let deep = course
        .iter()
        .skip(down)
        .position(|share| *share < DEEP_FRAC)
        .map(|i| i + down);
    let sudden = well
        .zip(deep)
        .is_some_and(|(well, deep)| later[deep].0.at_ms - later[well].0.at_ms <= SUDDEN_MS);
    (later[down].0.at_ms, sudden)
}

pub(super) fn half_lives(context: &Context<'_>, by_main: &Yield) -> Vec<Value> {
    let recent: Vec<f64> = by_main
        .later
        .iter()
        .filter(|(sample, _)| sample.at_ms >= context.span.until_ms - NOW_MS)
        .filter_map(|(sample, _)| sample.half_life_min)
        .collect();
    let now = median(&recent).map(|minutes| Value::new("decay half-life", minutes, "min"));
    let usual = median(&by_main.usual_half_lives_min)
        .map(|minutes| Value::new("usual decay half-life", minutes, "min"));
    now.into_iter().chain(usual).collect()
}

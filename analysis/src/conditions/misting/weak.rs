//! The yield of mistings against the enclosure's own usual: a slow fall, a sudden one, or nothing at all.
//!
//! In: runs that took place, with their responses. Compared is the rise per second of run, run by run at its own time of the
//! day, adjusted for how far the air was from saturation; the first stretch of the record says what is usual.

use std::collections::BTreeMap;

use mosswarden_config::site::Device;
use mosswarden_config::zone::MS_PER_24_H;

use super::super::Ran;
use super::super::context::Context;
use super::Observed;
use super::missed::{controls, noise_g_m3};
use super::response::Probe;
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::statistics::robust::{hodges_lehmann_shift, median, quantile};
use crate::statistics::trend::theil_sen;
use crate::words::percent;

/// Length of the stretch that says what is usual: half of the record, between one and three weeks.
const USUAL_MS: (i64, i64) = (7 * MS_PER_24_H, 21 * MS_PER_24_H);
const USUAL_COUNT_MIN: usize = 8;
/// The level now is that of this long, or of the last runs where a change is fresh.
const NOW_MS: i64 = 7 * MS_PER_24_H;
const NOW_COUNT_MIN: usize = 6;
/// A finding needs a level below the first with an interval below the second: yields of healthy pumps wander by a tenth
/// (common practice, no source).
const WEAK_FRAC: f64 = 0.74;
const WEAK_HIGH_FRAC: f64 = 0.9;
/// The same for the dose, which wanders more with the weather.
const WEAK_DOSE_FRAC: f64 = 0.68;
const WEAK_DOSE_HIGH_FRAC: f64 = 0.82;
/// The rise must be below this for the dose to count.
const BEGUN_FRAC: f64 = 0.93;
/// From here on a warning.
const WARNING_FRAC: f64 = 0.6;
/// Another probe that still sees this much contradicts: then it is the sensor, not the mister.
const OTHER_FRAC: f64 = 0.88;
/// A run that gives less than this share of the usual, and no more than noise does, gave nothing.
const NOTHING_FRAC: f64 = 0.2;
/// Runs in a row that gave nothing: two where every usual run stands out, else three.
const NOTHING_COUNT: usize = 2;
const NOTHING_COUNT_UNSURE: usize = 3;
const STANDS_OUT_FRAC: f64 = 0.45;
const LOW_QUANTILE: f64 = 0.1;
/// From this humidity before a run on, %RH, so little is missing to saturation that its rise says little of the water given.
const DAMP_START_PCT: f64 = 91.0;
/// Autocorrelation of yields from run to run widens the interval by this in variance (our own choice, on the safe side).
const VARIANCE_INFLATION: f64 = 2.0;
/// The exponent of the room to saturation: 0 where all mist evaporates in the air, 1 where surfaces give it off.
const HEADROOM_EXPONENT: (f64, f64) = (0.0, 1.0);
const HEADROOM_EXPONENT_UNKNOWN: f64 = 0.5;
/// Spread of ln(room to saturation) that is needed to fit the exponent.
const HEADROOM_SPREAD: f64 = 0.15;
/// The lowest share that is told apart from nothing: keeps the logarithm finite.
const SHARE_FLOOR: f64 = 0.03;
/// A fall within this time is sudden.
const SUDDEN_MS: i64 = 2 * MS_PER_24_H;

/// What is compared from run to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Measure {
    /// The rise: what the keeper sees.
    Rise,
    /// The dose: follows the water given, also where wet surfaces or saturation hold the peak.
    Dose,
}

/// A good run by one probe.
#[derive(Debug, Clone, Copy)]
struct Sample {
    at_ms: i64,
    slot: Option<usize>,
    /// ln of the measure per second of run.
    log_rise: f64,
    log_headroom: f64,
    rise_g_m3: f64,
    censored: bool,
    half_life_min: Option<f64>,
}

/// The usual yield by one probe, and each later run's share of it.
struct Yield {
    /// ln of shares, with time, after the usual stretch.
    later: Vec<(Sample, f64)>,
    /// ln of shares in it.
    usual: Vec<f64>,
    usual_half_life_min: Option<f64>,
}

/// Judges one mister.
pub(super) fn judge(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    probes: &[Probe],
    main: usize,
) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let of =
        |index: usize, measure: Measure| yields(context, device, observed, probes, index, measure, false);
    let Some(by_main) = of(main, Measure::Rise) else {
        verdicts.not_assessed.push(context.not_assessed(
            Kind::MistWeak,
            Some(&device.id),
            context.span,
            "too few earlier runs whose rise can be measured to say what is usual".to_owned(),
        ));
        return verdicts;
    };
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
    let others = |measure: Measure| -> Vec<Yield> {
        (0..probes.len())
            .filter(|index| *index != main)
            .filter_map(|index| of(index, measure))
            .collect()
    };
    let noise = noise_g_m3(&probes[main], observed).unwrap_or(0.0);
    let by_rise = others(Measure::Rise);
    // Runs beside fog are compared with runs beside fog, and only where those stand out too.
    let in_fog = yields(context, device, observed, probes, main, Measure::Rise, true)
        .filter(|fog| quantile(&fog.usual, 0.05).is_some_and(|low| low.exp() >= STANDS_OUT_FRAC));
    let empty = nothing(context, device, &by_main, in_fog.as_ref(), &by_rise, noise);
    // A run of nothing that still goes on says it all.
    let open = empty.iter().any(|finding| finding.end_ms.is_none());
    verdicts.findings.extend(empty);
    if !open {
        let found = weak(context, device, &by_main, &by_rise, Measure::Rise).or_else(|| {
            // The dose drifts with the level before the run: it speaks where the rise has begun to fall too.
            let by_dose = of(main, Measure::Dose)?;
            let begun = level_now(context, &by_main).is_some_and(|frac| frac < BEGUN_FRAC);
            if !begun {
                return None;
            }
            weak(context, device, &by_dose, &others(Measure::Dose), Measure::Dose)
        });
        verdicts.findings.extend(found);
    }
    verdicts
}

/// The usual stretch and the runs after it; `None` with too little of either.
fn yields(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    probes: &[Probe],
    index: usize,
    measure: Measure,
    in_fog: bool,
) -> Option<Yield> {
    let probe = &probes[index];
    let offset = median(&controls(probe, observed)).unwrap_or(0.0).max(0.0);
    let from_ms = reset_ms(context, device, &probe.id);
    let samples: Vec<Sample> = observed
        .iter()
        .filter(|one| one.run.ran == Ran::Yes && one.run.at_ms >= from_ms)
        .filter(|one| {
            if in_fog {
                one.fog_only
            } else {
                one.left_out.is_none()
            }
        })
        .filter_map(|one| {
            let response = one.responses[index].as_ref()?;
            if response.before_pct >= DAMP_START_PCT || response.headroom_g_m3 <= 0.0 {
                return None;
            }
            let rise_g_m3 = response.rise_g_m3 - offset;
            let measured = match measure {
                Measure::Rise => rise_g_m3,
                Measure::Dose => response.dose_g_min_m3?,
            };
            Some(Sample {
                at_ms: one.run.at_ms,
                slot: one.run.slot,
                log_rise: (measured.max(f64::MIN_POSITIVE) / one.run.duration_s).ln(),
                log_headroom: response.headroom_g_m3.ln(),
                rise_g_m3,
                // Water that condenses at saturation comes back into the air: the dose still follows it.
                censored: response.censored && measure == Measure::Rise,
                half_life_min: response.half_life_min,
            })
        })
        .collect();
    let first_ms = samples.first()?.at_ms;
    let usual_ms = ((context.span.until_ms - first_ms) / 2).clamp(USUAL_MS.0, USUAL_MS.1);
    let split = samples.partition_point(|sample| sample.at_ms < first_ms + usual_ms);
    let (usual, later) = samples.split_at(split);
    let slots = standing_out(usual);
    let only = |samples: &[Sample]| -> Vec<Sample> {
        samples
            .iter()
            .copied()
            .filter(|sample| slots.contains(&sample.slot))
            .collect()
    };
    let (usual, later) = (only(usual), only(later));
    if usual.len() < USUAL_COUNT_MIN || later.is_empty() {
        return None;
    }
    let model = Model::of(&usual)?;
    let share = |sample: &Sample| model.log_share(sample).max(SHARE_FLOOR.ln());
    let half_lives: Vec<f64> = usual.iter().filter_map(|sample| sample.half_life_min).collect();
    Some(Yield {
        later: later.iter().map(|sample| (*sample, share(sample))).collect(),
        usual: usual.iter().map(share).collect(),
        usual_half_life_min: median(&half_lives),
    })
}

/// The median share of the last week's runs, or of the last few where runs are rare.
fn level_now(context: &Context<'_>, by_main: &Yield) -> Option<f64> {
    let week_ms = context.span.until_ms - NOW_MS;
    let of_week = by_main
        .later
        .partition_point(|(sample, _)| sample.at_ms < week_ms);
    let start = of_week.min(by_main.later.len().saturating_sub(NOW_COUNT_MIN));
    let shares: Vec<f64> = by_main.later[start..].iter().map(|(_, share)| *share).collect();
    median(&shares).map(f64::exp)
}

/// Places in the schedule whose usual runs stand out from what the air does by itself at that hour: nearly all of them at
/// least half of the usual one.
fn standing_out(usual: &[Sample]) -> Vec<Option<usize>> {
    let mut slots: Vec<Option<usize>> = usual.iter().map(|sample| sample.slot).collect();
    slots.sort_unstable();
    slots.dedup();
    slots.retain(|slot| {
        let measured: Vec<f64> = usual
            .iter()
            .filter(|sample| sample.slot == *slot)
            .map(|sample| sample.log_rise)
            .collect();
        quantile(&measured, LOW_QUANTILE)
            .zip(median(&measured))
            .is_some_and(|(low, middle)| low - middle >= STANDS_OUT_FRAC.ln())
    });
    slots
}

/// Since when the yield can be compared: the mister, its schedule or the probe last changed then.
fn reset_ms(context: &Context<'_>, device: &Device, probe: &str) -> i64 {
    context
        .record
        .entries(&context.enclosure.id, context.whole())
        .filter(|entry| {
            let subject = entry.subject.as_deref();
            match entry.kind.as_str() {
                "device-replaced" | "schedule-changed" => {
                    subject.is_none_or(|s| s == device.id || s == context.enclosure.id)
                }
                "sensor-moved" | "sensor-replaced" => subject.is_none_or(|s| s == probe),
                _ => false,
            }
        })
        .map(|entry| entry.at_ms)
        .max()
        .unwrap_or(i64::MIN)
}

/// What a run usually gives: a level for each place in the schedule, and how it depends on the room to saturation.
struct Model {
    level: f64,
    by_slot: BTreeMap<usize, f64>,
    exponent: f64,
}

impl Model {
    fn of(usual: &[Sample]) -> Option<Model> {
        let centred = |of: fn(&Sample) -> f64| -> Option<Vec<f64>> {
            let mut centres: BTreeMap<Option<usize>, f64> = BTreeMap::new();
            for slot in usual.iter().map(|sample| sample.slot) {
                let values: Vec<f64> = usual.iter().filter(|s| s.slot == slot).map(of).collect();
                centres.insert(slot, median(&values)?);
            }
            Some(
                usual
                    .iter()
                    .map(|sample| of(sample) - centres[&sample.slot])
                    .collect(),
            )
        };
        let headroom = centred(|sample| sample.log_headroom)?;
        let rise = centred(|sample| sample.log_rise)?;
        let spread = quantile(&headroom, 0.9)? - quantile(&headroom, 0.1)?;
        let exponent = if spread < HEADROOM_SPREAD {
            HEADROOM_EXPONENT_UNKNOWN
        } else {
            theil_sen(&headroom, &rise, 0.9, 1.0).map_or(HEADROOM_EXPONENT_UNKNOWN, |line| line.slope.value)
        }
        .clamp(HEADROOM_EXPONENT.0, HEADROOM_EXPONENT.1);
        let left = |sample: &Sample| sample.log_rise - exponent * sample.log_headroom;
        let level = median(&usual.iter().map(left).collect::<Vec<_>>())?;
        /// Runs that a place in the schedule needs for a level of its own.
        const SLOT_COUNT_MIN: usize = 4;
        let mut by_slot = BTreeMap::new();
        for slot in usual.iter().filter_map(|sample| sample.slot) {
            let values: Vec<f64> = usual.iter().filter(|s| s.slot == Some(slot)).map(left).collect();
            if values.len() >= SLOT_COUNT_MIN {
                by_slot.insert(slot, median(&values)?);
            }
        }
        Some(Model {
            level,
            by_slot,
            exponent,
        })
    }

    fn log_share(&self, sample: &Sample) -> f64 {
        let level = sample
            .slot
            .and_then(|slot| self.by_slot.get(&slot))
            .unwrap_or(&self.level);
        let log_share = sample.log_rise - self.exponent * sample.log_headroom - level;
        // At saturation the true rise may be larger: it never counts as weak.
        if sample.censored {
            log_share.max(0.0)
        } else {
            log_share
        }
    }
}

/// Stretches of runs that gave nothing and reach into the span.
fn nothing(
    context: &Context<'_>,
    device: &Device,
    by_main: &Yield,
    in_fog: Option<&Yield>,
    others: &[Yield],
    noise: f64,
) -> Vec<Finding> {
    let Some(lowest_usual) = quantile(&by_main.usual, 0.05).map(f64::exp) else {
        return Vec::new();
    };
    let needed = if lowest_usual >= STANDS_OUT_FRAC {
        NOTHING_COUNT
    } else {
        NOTHING_COUNT_UNSURE
    };
    let gave_nothing = |(sample, log_share): &(Sample, f64)| {
        log_share.exp() < NOTHING_FRAC || (sample.rise_g_m3 <= noise && log_share.exp() < 1.5 * NOTHING_FRAC)
    };
    let mut telling = by_main.later.clone();
    telling.extend(in_fog.iter().flat_map(|fog| fog.later.iter().copied()));
    telling.sort_by_key(|(sample, _)| sample.at_ms);
    let mut streaks: Vec<(&[(Sample, f64)], bool)> = Vec::new();
    let mut from = 0;
    for index in 0..=telling.len() {
        if index < telling.len() && gave_nothing(&telling[index]) {
            continue;
        }
        if index - from >= needed {
            streaks.push((&telling[from..index], index == telling.len()));
        }
        from = index + 1;
    }
    streaks
        .into_iter()
        .filter(|(streak, _)| {
            let (first, last) = (streak[0].0.at_ms, streak[streak.len() - 1].0.at_ms);
            last >= context.span.from_ms && !contradicted(others, first, last)
        })
        .filter_map(|(streak, open)| nothing_finding(context, device, by_main, streak, open))
        .collect()
}

fn nothing_finding(
    context: &Context<'_>,
    device: &Device,
    by_main: &Yield,
    streak: &[(Sample, f64)],
    open: bool,
) -> Option<Finding> {
    let first_ms = streak.first()?.0.at_ms;
    let last_ms = streak.last()?.0.at_ms;
    let shares: Vec<f64> = streak.iter().map(|(_, log_share)| log_share.exp()).collect();
    let share = median(&shares)?;
    let high = shares.iter().copied().fold(0.0, f64::max);
    let value =
        Value::new("rise per misting against its own usual", share * 100.0, "%").between(0.0, high * 100.0);
    let severity = if open { Severity::Urgent } else { Severity::Warning };
    let mut finding = context.finding(Kind::MistWeak, first_ms, severity, value);
    finding.subject = device.id.clone();
    finding.end_ms = (!open).then_some(last_ms);
    finding.also = half_lives(context, by_main);
    let until = if open {
        String::new()
    } else {
        format!(" until {}", context.words.moment(last_ms))
    };
    finding.message = format!(
        "{} runs of {} in a row, from {}{until}, raised the humidity by next to nothing ({} of the usual): an empty \
         reservoir, a pump without water or a shut valve.",
        streak.len(),
        device.id,
        context.words.moment(first_ms),
        percent(share)
    );
    finding.advice = "Mist by hand if the animals need it. Fill and rinse the reservoir, prime the pump, look for a kinked \
        or loose hose and a shut valve; unplug before you reach into water. If other enclosures on the same pump are dry \
        too, it is the pump."
        .to_owned();
    Some(finding)
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

/// The yield has fallen.
fn weak(
    context: &Context<'_>,
    device: &Device,
    by_main: &Yield,
    others: &[Yield],
    measure: Measure,
) -> Option<Finding> {
    let week_ms = context.span.until_ms - NOW_MS;
    let of_week = by_main
        .later
        .partition_point(|(sample, _)| sample.at_ms < week_ms);
    let last_count = by_main.later.len().saturating_sub(NOW_COUNT_MIN);
    let (weak_frac, high_frac) = match measure {
        Measure::Rise => (WEAK_FRAC, WEAK_HIGH_FRAC),
        Measure::Dose => (WEAK_DOSE_FRAC, WEAK_DOSE_HIGH_FRAC),
    };
    // The last week; where a change is fresh, the last runs; where runs are rare, at least those.
    let starts = [of_week.min(last_count), last_count];
    let (start, share) = starts.into_iter().find_map(|start| {
        let now: Vec<f64> = by_main.later[start..]
            .iter()
            .map(|(_, log_share)| *log_share)
            .collect();
        let shift = hodges_lehmann_shift(&now, &by_main.usual, 0.95, VARIANCE_INFLATION).ok()?;
        let weak =
            shift.value.exp() < weak_frac && shift.high.exp() < high_frac && now.len() >= NOW_COUNT_MIN;
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
    let value = Value::new("rise per misting against its own usual", frac * 100.0, "%")
        .between(low * 100.0, high * 100.0);
    let mut finding = context.finding(Kind::MistWeak, from_ms, severity, value);
    finding.subject = device.id.clone();
    finding.also = half_lives(context, by_main);
    let course = if sudden {
        "it fell within two days, as when a valve, hose or nozzle fails"
    } else {
        "it fell little by little, as when a nozzle clogs"
    };
    let does = match measure {
        Measure::Rise => "raise the humidity by",
        Measure::Dose => "bring, summed over the time after them,",
    };
    finding.message = format!(
        "Mistings of {} now {does} {} of their usual ({} to {}), since about {}: {course}.",
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
        .position(|share| *share < WEAK_FRAC)
        .map(|i| i + down);
    let sudden = well
        .zip(deep)
        .is_some_and(|(well, deep)| later[deep].0.at_ms - later[well].0.at_ms <= SUDDEN_MS);
    (later[down].0.at_ms, sudden)
}

fn half_lives(context: &Context<'_>, by_main: &Yield) -> Vec<Value> {
    let recent: Vec<f64> = by_main
        .later
        .iter()
        .filter(|(sample, _)| sample.at_ms >= context.span.until_ms - NOW_MS)
        .filter_map(|(sample, _)| sample.half_life_min)
        .collect();
    let now = median(&recent).map(|minutes| Value::new("decay half-life", minutes, "min"));
    let usual = by_main
        .usual_half_life_min
        .map(|minutes| Value::new("usual decay half-life", minutes, "min"));
    now.into_iter().chain(usual).collect()
}

//! What a run usually gives, and each later run's share of it.
//!
//! Compared is what was given per second of run, by the first minutes or by how long it lasted ([`By`]), run by run at its own time of the
//! day, adjusted for how far the air was from saturation; the first stretch of the record says what is usual.

use std::collections::{BTreeMap, BTreeSet};

use mosswarden_config::journal;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::super::Ran;
use super::super::context::Context;
use super::Observed;
use super::missed::{controls, noise_g_m3};
use super::response::{PEAK_MS, Probe, SETTLE_MS, first_edge};
use super::runs::BY_HAND;
use crate::statistics::robust::{median, quantile};
use crate::statistics::trend::theil_sen;

/// Length of the stretch that says what is usual: half of the record, between one and three weeks.
const USUAL_MS: (i64, i64) = (7 * MS_PER_24_H, 21 * MS_PER_24_H);
pub(super) const USUAL_COUNT_MIN: usize = 8;
/// From this humidity before a run on, %RH, so little is missing to saturation that its rise says little of the water given.
pub(super) const DAMP_START_PCT: f64 = 91.0;
/// A rise by this share of the room to saturation stopped where the air was full, whatever was given (own choice).
const FILLED_FRAC: f64 = 0.85;
/// A usual run that takes less of it leaves the air far from full (own choice).
const ROOMY_FRAC: f64 = 0.5;
/// The exponent of the room to saturation: 0 where all mist evaporates in the air, 1 where surfaces give it off.
const HEADROOM_EXPONENT: (f64, f64) = (0.0, 1.0);
const HEADROOM_EXPONENT_UNKNOWN: f64 = 0.5;
/// Spread of ln(room to saturation) that is needed to fit the exponent.
const HEADROOM_SPREAD: f64 = 0.15;
/// Where the glass grew wet since the usual runs, one that gives this share of them shows that water came, and one that gives less says nothing
/// (own choice).
const WELL_BY_WET_GLASS_FRAC: f64 = 0.85;
/// Where so many of the usual runs found wet glass, it is nothing new (own choice).
const USUALLY_WET_FRAC: f64 = 0.8;
/// The lowest share that is told apart from nothing: keeps the logarithm finite.
const SHARE_FLOOR: f64 = 0.03;
/// A usual run stands out when nearly all of its like give at least this share of the middle one.
pub(super) const STANDS_OUT_FRAC: f64 = 0.45;
/// The middle rise is at least this share of the one that few moments without a run reach; below it, the air's own ways hide it (own choice).
const OF_NOISE_FRAC: f64 = 0.4;

/// The same of mistings by hand.
const BY_HAND_LOW_QUANTILE: f64 = 0.25;

/// So many of the runs must have been seen to their half, else those that were seen are the short ones (own choice).
const SEEN_FRAC: f64 = 0.8;

/// What of a run tells how much water came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// The vapour in the first minutes: at once, and before the exchange of air has its part. Not where the air is full by then.
    First,
    /// Vapour above the level before, times the time until half is gone.
    Lasting,
}

impl By {
    /// From which share of the usual runs on they stand out: how long it lasts also tells by itself where a few of them were weak already.
    const fn low_quantile(self) -> f64 {
        match self {
            By::First => 0.1,
            By::Lasting => 0.25,
        }
    }
}

/// A good run by one probe.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    pub(super) at_ms: i64,
    pub(super) slot: Option<usize>,
    /// ln of what was given per second of run.
    pub(super) log_given: f64,
    pub(super) log_headroom: f64,
    pub(super) rise_g_m3: f64,
    /// Light went on or off shortly before or during it: the air's vapour moves by itself then.
    pub(super) near_edge: bool,
    /// The coldest glass condensed by its peak, and took what the air would have held.
    glass_is_wet: bool,
    pub(super) half_life_min: Option<f64>,
    pub(super) bend_pct: Option<f64>,
}

/// The usual yield by one probe, and each later run's share of it.
pub(super) struct Yield {
    /// The first run that could be measured since the mister, its schedule or the probe last changed.
    pub(super) since_ms: i64,
    /// ln of shares, with time, after the usual stretch.
    pub(super) later: Vec<(Sample, f64)>,
    /// How long the usual stretch is.
    pub(super) usual_ms: i64,
    /// The middle usual run rises by less than few moments without one do: one that gave nothing need not show.
    pub(super) is_hidden: bool,
    /// ln of shares, with time, in it.
    usual_runs: Vec<(Sample, f64)>,
    /// The same without time.
    pub(super) usual: Vec<f64>,
}

/// Of runs that gave something the bend is at least this share of the usual one, and this much, %RH (own choice).
const BENT_FRAC: f64 = 0.4;
const BENT_PCT: f64 = 0.5;

/// From which bend of the humidity on a run gave something, %RH, by those of usual ones; `None` where these are too few.
pub(super) fn bent_from_pct(usual: &[f64]) -> Option<f64> {
    let usual_pct = median(usual).filter(|_| usual.len() >= USUAL_COUNT_MIN)?;
    Some((BENT_FRAC * usual_pct).max(BENT_PCT))
}

impl Yield {
    /// Whether the humidity bent upwards with a run as it does with those that give something.
    pub(super) fn bent(&self, run: &Sample) -> bool {
        let usual: Vec<f64> = self
            .usual_runs
            .iter()
            .filter_map(|(run, _)| run.bend_pct)
            .collect();
        let bent_from_pct = bent_from_pct(&usual);
        run.bend_pct
            .zip(bent_from_pct)
            .is_some_and(|(bend_pct, from_pct)| bend_pct >= from_pct)
    }

    /// By what factor the room to saturation before some runs is larger than before the usual ones.
    pub(super) fn more_room(&self, runs: &[(Sample, f64)]) -> Option<f64> {
        let log_room = |runs: &[(Sample, f64)]| {
            median(&runs.iter().map(|(run, _)| run.log_headroom).collect::<Vec<_>>())
        };
        Some((log_room(runs)? - log_room(&self.usual_runs)?).exp())
    }

    /// Places in the schedule whose usual runs leave the air far from full, where there are others too: those know best how much water came.
    pub(super) fn roomy_slots(&self) -> Vec<Option<usize>> {
        let all: BTreeSet<Option<usize>> = self.usual_runs.iter().map(|(run, _)| run.slot).collect();
        let is_roomy = |slot: &Option<usize>| {
            let of_slot = self.usual_runs.iter().filter(|(run, _)| run.slot == *slot);
            let filled: Vec<f64> = of_slot
                .map(|(run, _)| run.rise_g_m3 / run.log_headroom.exp())
                .collect();
            median(&filled).is_some_and(|filled| filled < ROOMY_FRAC)
        };
        let roomy: Vec<_> = all.iter().copied().filter(is_roomy).collect();
        if roomy.len() < all.len() {
            roomy
        } else {
            Vec::new()
        }
    }

    /// The same by some places in the schedule alone; `None` where their usual runs are too few.
    pub(super) fn only(&self, slots: &[Option<usize>]) -> Option<Yield> {
        let of_slots = |runs: &[(Sample, f64)]| -> Vec<(Sample, f64)> {
            let kept = runs.iter().filter(|(run, _)| slots.contains(&run.slot));
            kept.copied().collect()
        };
        let usual_runs = of_slots(&self.usual_runs);
        (usual_runs.len() >= USUAL_COUNT_MIN).then(|| Yield {
            since_ms: self.since_ms,
            later: of_slots(&self.later),
            usual_ms: self.usual_ms,
            is_hidden: self.is_hidden,
            usual: usual_runs.iter().map(|(_, log_share)| *log_share).collect(),
            usual_runs,
        })
    }

    /// The same with each run's share the middle one of this probe and others that saw the run: water on one of them, or a draught at it,
    /// is not all over the enclosure.
    pub(super) fn with(&self, others: &[Yield]) -> Yield {
        let pooled = |runs: &[(Sample, f64)]| -> Vec<(Sample, f64)> {
            let pooled = |(run, log_share): &(Sample, f64)| {
                let shares: Vec<f64> = others
                    .iter()
                    .filter_map(|other| other.log_share_of(run.at_ms))
                    .chain([*log_share])
                    .collect();
                (*run, median(&shares).unwrap_or(*log_share))
            };
            runs.iter().map(pooled).collect()
        };
        let usual_runs = pooled(&self.usual_runs);
        Yield {
            since_ms: self.since_ms,
            later: pooled(&self.later),
            usual_ms: self.usual_ms,
            is_hidden: self.is_hidden,
            usual: usual_runs.iter().map(|(_, log_share)| *log_share).collect(),
            usual_runs,
        }
    }

    fn log_share_of(&self, at_ms: i64) -> Option<f64> {
        let of = |runs: &[(Sample, f64)]| {
            let index = runs.binary_search_by_key(&at_ms, |(run, _)| run.at_ms).ok()?;
            Some(runs[index].1)
        };
        of(&self.usual_runs).or_else(|| of(&self.later))
    }

    /// Half-lives of the usual runs, min.
    pub(super) fn usual_half_lives_min(&self) -> Vec<f64> {
        half_lives_min(&self.usual_runs)
    }

    /// The later runs from a time on.
    pub(super) fn later_since(&self, from_ms: i64) -> &[(Sample, f64)] {
        &self.later[self.later.partition_point(|(sample, _)| sample.at_ms < from_ms)..]
    }

    /// Every run, usual or later, within a time.
    pub(super) fn runs_within(&self, span: Span) -> Vec<(Sample, f64)> {
        let all = self.usual_runs.iter().chain(&self.later);
        all.filter(|(sample, _)| span.contains(sample.at_ms))
            .copied()
            .collect()
    }

    /// The middle share of the usual of the runs within a time.
    pub(super) fn share_within(&self, first_ms: i64, last_ms: i64) -> Option<f64> {
        let within = self
            .later
            .iter()
            .filter(|(sample, _)| (first_ms..=last_ms).contains(&sample.at_ms));
        median(&within.map(|(_, log_share)| *log_share).collect::<Vec<_>>()).map(f64::exp)
    }
}

/// Half-lives of runs, where known, min.
pub(super) fn half_lives_min(runs: &[(Sample, f64)]) -> Vec<f64> {
    runs.iter()
        .filter_map(|(sample, _)| sample.half_life_min)
        .collect()
}

/// The usual stretch and the runs after it; `None` with too little of either.
pub(super) fn yields(
    context: &Context<'_>,
    device: &str,
    observed: &[Observed],
    probes: &[Probe],
    index: usize,
    by: By,
) -> Option<Yield> {
    let probe = &probes[index];
    let offset = median(&controls(probe, observed)).unwrap_or(0.0).max(0.0);
    let from_ms = reset_ms(context, device, &probe.id);
    // Fog bends the decay, but hardly the first minutes.
    let counts = |one: &&Observed| one.left_out.is_none() || one.fog_only && by == By::First;
    let mut runs = 0;
    let samples: Vec<Sample> = observed
        .iter()
        .filter(|one| one.run.ran == Ran::Yes && one.run.at_ms >= from_ms)
        .filter(counts)
        .filter_map(|one| {
            let response = one.responses[index].as_ref()?;
            // At the top of the probe's scale, or of what the air can hold, a rise is cut off.
            let cut_off =
                response.censored || response.rise_g_m3 >= FILLED_FRAC * response.headroom_g_m3.max(0.0);
            if cut_off && by == By::First || response.before_pct >= DAMP_START_PCT {
                return None;
            }
            runs += 1;
            let given = match by {
                By::First => response.early_g_m3?.max(f64::MIN_POSITIVE),
                By::Lasting => response.lasting_g_min_m3?,
            };
            Some(Sample {
                at_ms: one.run.at_ms,
                slot: one.run.slot,
                log_given: (given / one.run.duration_s).ln(),
                log_headroom: response.headroom_g_m3.ln(),
                rise_g_m3: response.rise_g_m3 - offset,
                near_edge: near_edge(context, one.run.at_ms),
                glass_is_wet: response.glass_grows_wet,
                half_life_min: response.half_life_min.filter(|_| !one.fog_only),
                bend_pct: response.bend_pct,
            })
        })
        .collect();
    if by == By::Lasting && (samples.len() as f64) < SEEN_FRAC * f64::from(runs) {
        return None;
    }
    let first_ms = samples.first()?.at_ms;
    let usual_ms = ((context.span.until_ms - first_ms) / 2).clamp(USUAL_MS.0, USUAL_MS.1);
    let split = samples.partition_point(|sample| sample.at_ms < first_ms + usual_ms);
    let (usual, later) = samples.split_at(split);
    // Hands give as they like, and what they give stands out as a whole.
    let low_quantile = if device == BY_HAND {
        BY_HAND_LOW_QUANTILE
    } else {
        by.low_quantile()
    };
    let noise_g_m3 = noise_g_m3(probe, observed).map_or(f64::NEG_INFINITY, |noise| noise - offset);
    let slots = standing_out(usual, low_quantile, noise_g_m3);
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
    let is_alone = probes.len() == 1;
    let with_share = |samples: Vec<Sample>| -> Vec<(Sample, f64)> {
        let share = |sample: &Sample| model.log_share(sample, is_alone).max(SHARE_FLOOR.ln());
        samples
            .into_iter()
            .map(|sample| (sample, share(&sample)))
            .collect()
    };
    let usual_runs = with_share(usual);
    let rises: Vec<f64> = usual_runs.iter().map(|(run, _)| run.rise_g_m3).collect();
    let is_hidden = median(&rises).is_some_and(|rise| rise < noise_g_m3);
    let wet_count = usual_runs.iter().filter(|(run, _)| run.glass_is_wet).count();
    let is_usually_wet = wet_count as f64 >= USUALLY_WET_FRAC * usual_runs.len() as f64;
    let mut later = with_share(later);
    later.retain(|(run, log_share)| {
        is_usually_wet || !run.glass_is_wet || log_share.exp() >= WELL_BY_WET_GLASS_FRAC
    });
    if later.is_empty() {
        return None;
    }
    Some(Yield {
        since_ms: first_ms,
        later,
        usual_ms,
        is_hidden,
        usual: usual_runs.iter().map(|(_, log_share)| *log_share).collect(),
        usual_runs,
    })
}

/// Whether the light went on or off shortly before a run or while its rise was looked for.
fn near_edge(context: &Context<'_>, at_ms: i64) -> bool {
    let around = Span {
        from_ms: at_ms - SETTLE_MS,
        until_ms: at_ms + PEAK_MS,
    };
    first_edge(context, around).is_some()
}

/// Places in the schedule whose usual runs stand out from what the air does by itself ([`OF_NOISE_FRAC`]), and nearly all of which give about half
/// of the middle one at least.
fn standing_out(usual: &[Sample], low_quantile: f64, noise_g_m3: f64) -> Vec<Option<usize>> {
    let mut slots: Vec<Option<usize>> = usual.iter().map(|sample| sample.slot).collect();
    slots.sort_unstable();
    slots.dedup();
    slots.retain(|slot| {
        let of_slot = || usual.iter().filter(|sample| sample.slot == *slot);
        let given: Vec<f64> = of_slot().map(|sample| sample.log_given).collect();
        let rises: Vec<f64> = of_slot().map(|sample| sample.rise_g_m3).collect();
        let are_alike = quantile(&given, low_quantile)
            .zip(median(&given))
            .is_some_and(|(low, middle)| low - middle >= STANDS_OUT_FRAC.ln());
        are_alike && median(&rises).is_some_and(|rise| rise >= OF_NOISE_FRAC * noise_g_m3)
    });
    slots
}

/// Since when the yield can be compared: the mister, its schedule or the probe last changed then.
fn reset_ms(context: &Context<'_>, device: &str, probe: &str) -> i64 {
    context
        .record
        .entries(&context.enclosure.id, context.whole())
        .filter(|entry| {
            let subject = entry.subject.as_deref();
            match entry.kind.as_str() {
                journal::DEVICE_REPLACED | journal::SCHEDULE_CHANGED => {
                    subject.is_none_or(|s| s == device || s == context.enclosure.id)
                }
                journal::SENSOR_MOVED | journal::SENSOR_REPLACED => subject.is_none_or(|s| s == probe),
                _ => false,
            }
        })
        .map(|entry| entry.at_ms)
        .max()
        .unwrap_or(i64::MIN)
}

/// What a run usually gives: a level for each place in the schedule, and how it depends on the room to saturation.
struct Model {
    usual: Usual,
    by_slot: BTreeMap<usize, Usual>,
    exponent: f64,
    /// The exponent may be as large as this.
    exponent_high: f64,
}

/// Of some usual runs.
struct Usual {
    /// ln of what was given per second of run, less what the room to saturation explains.
    level: f64,
    log_headroom: f64,
}

impl Usual {
    fn of<'s>(runs: impl Iterator<Item = &'s Sample> + Clone, exponent: f64) -> Option<Usual> {
        let middle = |of: &dyn Fn(&Sample) -> f64| median(&runs.clone().map(of).collect::<Vec<_>>());
        Some(Usual {
            level: middle(&|sample| sample.log_given - exponent * sample.log_headroom)?,
            log_headroom: middle(&|sample| sample.log_headroom)?,
        })
    }
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
        let rise = centred(|sample| sample.log_given)?;
        let spread = quantile(&headroom, 0.9)? - quantile(&headroom, 0.1)?;
        let (least, most) = HEADROOM_EXPONENT;
        let fitted = (spread >= HEADROOM_SPREAD)
            .then(|| theil_sen(&headroom, &rise, 0.9, 1.0).ok())
            .flatten();
        let (exponent, exponent_high) = fitted.map_or((HEADROOM_EXPONENT_UNKNOWN, most), |line| {
            (
                line.slope.value.clamp(least, most),
                line.slope.high.clamp(least, most),
            )
        });
        /// Runs that a place in the schedule needs for a level of its own.
        const SLOT_COUNT_MIN: usize = 4;
        let mut by_slot = BTreeMap::new();
        for slot in usual.iter().filter_map(|sample| sample.slot) {
            let runs = usual.iter().filter(|s| s.slot == Some(slot));
            if runs.clone().count() >= SLOT_COUNT_MIN {
                by_slot.insert(slot, Usual::of(runs, exponent)?);
            }
        }
        Some(Model {
            usual: Usual::of(usual.iter(), exponent)?,
            by_slot,
            exponent,
            exponent_high,
        })
    }

    /// ln of the run's share of the usual; where the air had less room than usual, by the exponent that is kindest to the mister. More room by
    /// a probe that stands alone may be its own drift and asks no more of the mister.
    fn log_share(&self, sample: &Sample, is_alone: bool) -> f64 {
        let usual = sample
            .slot
            .and_then(|slot| self.by_slot.get(&slot))
            .unwrap_or(&self.usual);
        let less_room = (usual.log_headroom - sample.log_headroom).max(0.0);
        let room = match is_alone {
            true => sample.log_headroom.min(usual.log_headroom),
            false => sample.log_headroom,
        };
        sample.log_given - self.exponent * room - usual.level
            + (self.exponent_high - self.exponent) * less_room
    }
}

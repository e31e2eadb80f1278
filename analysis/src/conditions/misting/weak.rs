//! The yield of mistings against the enclosure's own usual: a slow fall or a sudden one. Nothing at all is told by `empty`.

use mosswarden_config::site::Device;
use mosswarden_config::zone::MS_PER_24_H;

use super::super::context::Context;
use super::missed::noise_g_m3;
use super::response::Probe;
use super::trend::exp;
use super::yields::{By, USUAL_COUNT_MIN, Yield, half_lives_min, yields};
use super::{Airing, Observed, empty, runs};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::statistics::Estimate;
use crate::statistics::robust::{hodges_lehmann_shift, median};
use crate::words::percent;

/// The level now is that of this long, or of the last runs where a change is fresh.
pub(super) const NOW_MS: i64 = 7 * MS_PER_24_H;
const NOW_COUNT_MIN: usize = 6;
/// From here on a warning: with a yield of 60 % the first minutes bring about 70 %.
const WARNING_FRAC: f64 = 0.75;
/// By how long it lasts a run is weak only where the first minutes do not bring more than this share of the usual: where the air goes
/// faster, or the soil is dry, it lasts less too, but the first minutes bring as much as ever (own choice).
const FIRST_FRAC_MAX: f64 = 0.96;
/// Another probe that still sees this much contradicts: then it is the sensor, not the mister.
const OTHER_FRAC: f64 = 0.88;
/// Autocorrelation of yields from run to run widens the interval by this in variance (our own choice, on the safe side).
pub(super) const VARIANCE_INFLATION: f64 = 2.0;
/// A fall within this time is sudden, one that takes so long is slow, and between them it is not told which (own choice).
const SUDDEN_MS: i64 = 2 * MS_PER_24_H;
const SLOW_MS: i64 = 6 * MS_PER_24_H;

/// What makes a finding: a level of the last runs below the first share, with an interval below the second.
#[derive(Clone, Copy)]
struct Fall {
    weak_frac: (f64, f64),
    /// The same where what is usual was learned in less than [`WELL_KNOWN_MS`].
    weak_early_frac: (f64, f64),
    now_ms: i64,
}

/// A shorter time has not shown yet how much the weather moves what a run brings (own choice).
const WELL_KNOWN_MS: i64 = 14 * MS_PER_24_H;

/// Hands wander by a third from one misting to the next, so they need twice the time, and what is given on purpose is no fault (own choice).
const FALL_BY_HAND: Fall = Fall {
    weak_frac: (0.65, 0.8),
    weak_early_frac: (0.65, 0.8),
    now_ms: 2 * NOW_MS,
};

impl By {
    /// Yields of healthy pumps wander by a tenth (common practice, no source), and with a yield of 60 % the first minutes bring about 70 %,
    /// since wet leaves give off as before. How long it lasts moves with the weather by a third.
    const fn fall(self) -> Fall {
        let (weak_frac, weak_early_frac) = match self {
            By::First => ((0.85, 0.94), (0.7, 0.8)),
            By::Lasting => ((0.65, 0.7), (0.65, 0.7)),
        };
        Fall {
            weak_frac,
            weak_early_frac,
            now_ms: NOW_MS,
        }
    }
}

/// How long it lasts where the first minutes bring less than usual as well, below [`FIRST_TOO_FRAC`] of it: the weather hardly moves both (own
/// choice).
const FALL_OF_BOTH: Fall = Fall {
    weak_frac: (0.75, 0.85),
    weak_early_frac: (0.65, 0.7),
    now_ms: NOW_MS,
};
const FIRST_TOO_FRAC: f64 = 0.88;

/// One mister's yields as all probes see them.
struct Seen {
    /// The probe that tells.
    main: usize,
    by_main: Option<Yield>,
    others: Vec<Yield>,
}

impl Seen {
    fn of(
        context: &Context<'_>,
        device: &str,
        observed: &[Observed],
        probes: &[Probe],
        main: usize,
        by: By,
    ) -> Seen {
        let of = |index: usize| yields(context, device, observed, probes, index, by);
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
        let by_main = by_main.into_iter().find_map(|(_, by)| by);
        // Nor can one contradict whose usual runs may be weak ones already.
        let since_ms = by_main.as_ref().map_or(i64::MIN, |by| by.since_ms);
        let others = others
            .into_iter()
            .filter_map(|(_, by)| by)
            .filter(|by| by.since_ms <= since_ms.saturating_add(NOW_MS))
            .collect();
        Seen {
            main,
            by_main,
            others,
        }
    }

    /// Leaves out the runs up to an instant.
    fn forget_until(&mut self, at_ms: i64) {
        for seen in self.by_main.iter_mut().chain(&mut self.others) {
            seen.later.retain(|(sample, _)| sample.at_ms > at_ms);
        }
    }

    /// The same by the runs that leave the air far from full alone, where there are others.
    fn roomy(&self) -> Option<Seen> {
        let by_main = self.by_main.as_ref()?;
        let slots = by_main.roomy_slots();
        Some(Seen {
            main: self.main,
            by_main: Some(by_main.only(&slots)?),
            others: self
                .others
                .iter()
                .filter_map(|other| other.only(&slots))
                .collect(),
        })
    }

    /// The yields by all probes together, where those of the one that tells reach into the span.
    fn pooled(&self, context: &Context<'_>) -> Option<Yield> {
        Some(self.told(context)?.with(&self.others))
    }

    /// The yields by the probe that tells, where they reach into the span.
    fn told(&self, context: &Context<'_>) -> Option<&Yield> {
        self.by_main.as_ref().filter(|by_main| {
            let mut later = by_main.later.iter();
            later.any(|(sample, _)| context.span.contains(sample.at_ms))
        })
    }
}

/// What is said of one mister.
#[derive(Default)]
pub(super) struct Judged {
    pub(super) verdicts: Verdicts,
    /// What tells that it is weak, by all probes together.
    pub(super) told_by: Option<(By, Yield)>,
}

/// Judges one mister; what is only suspected of it is set aside. `airing` is how fast its air is exchanged.
pub(super) fn judge(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    probes: &[Probe],
    main: usize,
    airing: Airing,
    suspected: &mut Vec<Finding>,
) -> Judged {
    let mut judged = Judged::default();
    let verdicts = &mut judged.verdicts;
    let seen = |by: By| Seen::of(context, &device.id, observed, probes, main, by);
    let (mut first, mut lasting) = (seen(By::First), seen(By::Lasting));
    let rose_elsewhere = |first_ms: i64, last_ms: i64| {
        (0..probes.len())
            .filter(|index| *index != first.main)
            .any(|index| rose(&probes[index], index, observed, first_ms, last_ms))
    };
    let mut is_empty = false;
    match first.told(context) {
        None if first.by_main.is_none() => {
            let nothing = empty::none_at_all(context, device, observed, first.main, rose_elsewhere);
            is_empty = nothing.is_some();
            verdicts.findings.extend(nothing);
        }
        None => {}
        Some(by_main) => {
            let noise = noise_g_m3(&probes[first.main], observed).unwrap_or(0.0);
            let seen_elsewhere = |first_ms: i64, last_ms: i64| {
                contradicted(&first.others, first_ms, last_ms) || rose_elsewhere(first_ms, last_ms)
            };
            let nothing = empty::judge(context, device, by_main, noise, seen_elsewhere);
            // A run of nothing that still goes on says it all.
            is_empty = nothing.told.iter().any(|finding| finding.end_ms.is_none());
            verdicts.findings.extend(nothing.told);
            suspected.extend(nothing.suspected);
        }
    }
    if is_empty {
        return judged;
    }
    if first.told(context).is_none() && lasting.told(context).is_none() {
        let why = match first.by_main {
            None => format!(
                "too few earlier runs whose rise can be measured to say what is usual: {USUAL_COUNT_MIN} are needed, over a week at least"
            ),
            Some(_) => "no run in this time whose rise can be measured (too wet before, other mistings near, or no readings)"
                .to_owned(),
        };
        verdicts
            .not_assessed
            .push(context.not_assessed(Kind::MistWeak, Some(&device.id), context.span, why));
        return judged;
    }
    // Runs that gave nothing until the reservoir was filled are told as such, and say nothing of the nozzle.
    if let Some(filled_ms) = verdicts.findings.iter().filter_map(|empty| empty.end_ms).max() {
        first.forget_until(filled_ms);
        lasting.forget_until(filled_ms);
    }
    let first_pooled = first.pooled(context);
    let in_first_minutes =
        |since_ms: i64| -> Option<f64> { first_pooled.as_ref()?.share_within(since_ms, i64::MAX) };
    // How long it lasts is nearer to the water given; the first minutes tell where that is not seen, or not beyond doubt.
    let by_lasting = fallen(context, &lasting, By::Lasting, By::Lasting.fall())
        .filter(|fallen| {
            in_first_minutes(fallen.since_ms)
                .map_or(airing != Airing::Faster, |share| share <= FIRST_FRAC_MAX)
        })
        .or_else(|| {
            fallen(context, &lasting, By::Lasting, FALL_OF_BOTH).filter(|fallen| {
                in_first_minutes(fallen.since_ms).is_some_and(|share| share <= FIRST_TOO_FRAC)
            })
        });
    let by_first = |seen| fallen(context, seen, By::First, By::First.fall());
    let roomy = first.roomy();
    let weak = if let Some(fallen) = by_lasting {
        let finding = fallen.told(context, device, in_first_minutes(fallen.since_ms));
        Some((fallen, finding))
    } else if let Some(fallen) = roomy.as_ref().and_then(by_first) {
        let mut finding = fallen.told(context, device, None);
        finding.message += " Only runs that leave the air far from full are counted: where it is nearly full, the rise says little of the water.";
        Some((fallen, finding))
    } else {
        by_first(&first).map(|fallen| {
            let finding = fallen.told(context, device, None);
            (fallen, finding)
        })
    };
    // What was found was plain enough; that nothing was says little where it need not have shown.
    let is_hidden = |seen: &Seen| seen.by_main.as_ref().is_none_or(|by_main| by_main.is_hidden);
    if weak.is_none() && verdicts.findings.is_empty() && is_hidden(&first) && is_hidden(&lasting) {
        let why = "its runs raise the humidity by no more than fog and air do by themselves, so that a weak one would not show".to_owned();
        verdicts
            .not_assessed
            .push(context.not_assessed(Kind::MistWeak, Some(&device.id), context.span, why));
    }
    if let Some((fallen, mut finding)) = weak {
        if let [alone] = probes {
            finding.message += &format!(
                " Only {} tells it, and a sensor that shows less of each rise looks the same: look at both.",
                alone.id
            );
        }
        verdicts.findings.push(finding);
        judged.told_by = Some((fallen.by, fallen.pooled));
    }
    judged
}

/// Judges mistings by hand that the keeper noted: those that were only seen are the strong ones.
pub(super) fn by_hand(
    context: &Context<'_>,
    observed: &[Observed],
    probes: &[Probe],
    main: usize,
) -> Option<Finding> {
    // A note that was written long after the misting shows nothing at its time, and is no weak one.
    let noise = noise_g_m3(&probes[main], observed).unwrap_or(0.0);
    let shows = |one: &&Observed| {
        let response = one.responses[main].as_ref();
        one.run.stated && response.is_some_and(|response| response.rise_g_m3 > noise)
    };
    let noted: Vec<Observed> = observed.iter().filter(shows).cloned().collect();
    let seen = |by: By| Seen::of(context, runs::BY_HAND, &noted, probes, main, by);
    let (first, lasting) = (seen(By::First), seen(By::Lasting));
    let found = |seen, by| fallen(context, seen, by, FALL_BY_HAND);
    let fallen = found(&lasting, By::Lasting).or_else(|| found(&first, By::First))?;
    let in_first_minutes = first
        .told(context)
        .and_then(|first| first.share_within(fallen.since_ms, i64::MAX));
    // Where the air goes faster, or the soil is dry, it lasts less, but the first minutes bring as much as ever.
    in_first_minutes
        .is_none_or(|share| share <= FIRST_FRAC_MAX)
        .then(|| fallen.told_by_hand(context))
}

/// Whether another probe still sees the mistings.
fn contradicted(others: &[Yield], since_ms: i64, until_ms: i64) -> bool {
    others.iter().any(|other| {
        other
            .share_within(since_ms, until_ms)
            .is_some_and(|share| share > OTHER_FRAC)
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

/// A yield that has fallen.
struct Fallen {
    /// By all probes together.
    pooled: Yield,
    by: By,
    /// The share of the usual now, and the first of the runs that say so.
    share: Estimate,
    since_ms: i64,
}

/// The yield by one measure, where it has fallen.
fn fallen(context: &Context<'_>, seen: &Seen, by: By, fall: Fall) -> Option<Fallen> {
    let pooled = seen.pooled(context)?;
    let now_ms = context.span.until_ms - fall.now_ms;
    let of_now = pooled.later.len() - pooled.later_since(now_ms).len();
    let (weak_frac, weak_high_frac) = if pooled.usual_ms < WELL_KNOWN_MS {
        fall.weak_early_frac
    } else {
        fall.weak_frac
    };
    let last_count = pooled.later.len().saturating_sub(NOW_COUNT_MIN);
    // The last week or two; where a change is fresh, the last runs; where runs are rare, at least those.
    let starts = [of_now.min(last_count), last_count];
    let (start, share) = starts.into_iter().find_map(|start| {
        let now: Vec<f64> = pooled.later[start..]
            .iter()
            .map(|(_, log_share)| *log_share)
            .collect();
        let shift = hodges_lehmann_shift(&now, &pooled.usual, 0.95, VARIANCE_INFLATION).ok()?;
        let share = exp(shift);
        let weak = share.value < weak_frac && share.high < weak_high_frac && now.len() >= NOW_COUNT_MIN;
        weak.then_some((start, share))
    })?;
    let since_ms = pooled.later[start].0.at_ms;
    (!contradicted(&seen.others, since_ms, i64::MAX)).then_some(Fallen {
        pooled,
        by,
        share,
        since_ms,
    })
}

impl Fallen {
    /// The finding; `in_first_minutes` is the share of the usual that the first minutes still bring, where that is another measure.
    fn told(&self, context: &Context<'_>, device: &Device, in_first_minutes: Option<f64>) -> Finding {
        /// The first minutes are spoken of where they bring more than the whole by this share.
        const MORE_FRAC: f64 = 0.15;
        let (from_ms, fell) = onset(&self.pooled, self.share.value);
        let Estimate { value, low, high } = self.share;
        let severity = if value < WARNING_FRAC {
            Severity::Warning
        } else {
            Severity::Notice
        };
        let mut finding = self.finding(context, from_ms, severity);
        finding.subject = device.id.clone();
        let course = match fell {
            Some(Fell::AtOnce) => ": it fell within two days, as when a valve, hose or nozzle fails",
            Some(Fell::LittleByLittle) => ": it fell little by little, as when a nozzle clogs",
            None => "",
        };
        let counted = self.counted();
        let still = in_first_minutes
            .filter(|first| *first > value + MORE_FRAC)
            .map_or(String::new(), |first| {
                format!(
                    " In the first minutes they still bring {}; what is missing shows in how soon the air dries again.",
                    percent(first)
                )
            });
        finding.message = format!(
            "Mistings of {} now bring {} of their usual vapour{counted} ({} to {}), since about {}{course}.{still}",
            device.id,
            percent(value),
            percent(low),
            percent(high),
            context.words.day(from_ms)
        );
        finding.advice = "Watch one run: look for a lazy nozzle, an air leak and the water level; descale or replace the nozzle \
            and use low-mineral water. If other enclosures on the same pump are weaker too, look at the pump and its filter. \
            Unplug before you reach into water."
            .to_owned();
        finding
    }

    /// The same of mistings by hand: about the enclosure, since no device of the site file gives them.
    fn told_by_hand(&self, context: &Context<'_>) -> Finding {
        let (from_ms, _) = onset(&self.pooled, self.share.value);
        let Estimate { value, low, high } = self.share;
        let mut finding = self.finding(context, from_ms, Severity::Notice);
        finding.message = format!(
            "Mistings by hand now bring {} of the vapour they used to{} ({} to {}), since about {}.",
            percent(value),
            self.counted(),
            percent(low),
            percent(high),
            context.words.day(from_ms)
        );
        "If you mean to give less, all is well. If not, count the strokes and watch one: a worn pump or a clogged nozzle of the sprayer gives less \
            with each; clean it and use low-mineral water."
            .clone_into(&mut finding.advice);
        finding
    }

    fn finding(&self, context: &Context<'_>, from_ms: i64, severity: Severity) -> Finding {
        let Estimate { value, low, high } = self.share;
        let stated = Value::new("vapour per misting against its own usual", value * 100.0, "%")
            .between(low * 100.0, high * 100.0);
        let mut finding = context.finding(Kind::MistWeak, from_ms, severity, stated);
        finding.also = half_lives(context, &self.pooled);
        finding
    }

    /// What is counted, in words.
    fn counted(&self) -> &'static str {
        match self.by {
            By::First => " in the first minutes",
            By::Lasting => ", counted until half of it is gone",
        }
    }
}

/// How a yield fell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fell {
    AtOnce,
    LittleByLittle,
}

/// Since when the yield is down, and how it fell to the share that it has now; `None` where it may be either.
fn onset(by_main: &Yield, now_frac: f64) -> (i64, Option<Fell>) {
    /// The share below which it counts as down, and above which it still was well.
    const DOWN_FRAC: f64 = 0.85;
    const WELL_FRAC: f64 = 0.9;
    /// So much of the fall is behind it where it has fallen for good.
    const FALLEN_FRAC: f64 = 0.75;
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
        .position(|share| *share < 1.0 - FALLEN_FRAC * (1.0 - now_frac))
        .map(|i| i + down);
    let fell = well
        .zip(deep)
        .and_then(|(well, deep)| match later[deep].0.at_ms - later[well].0.at_ms {
            ..=SUDDEN_MS => Some(Fell::AtOnce),
            SLOW_MS.. => Some(Fell::LittleByLittle),
            _ => None,
        });
    (later[down].0.at_ms, fell)
}

pub(super) fn half_lives(context: &Context<'_>, by_main: &Yield) -> Vec<Value> {
    let week_ms = context.span.until_ms - NOW_MS;
    let now = median(&half_lives_min(by_main.later_since(week_ms)))
        .map(|minutes| Value::new("decay half-life", minutes, "min"));
    let usual = median(&by_main.usual_half_lives_min())
        .map(|minutes| Value::new("usual decay half-life", minutes, "min"));
    now.into_iter().chain(usual).collect()
}

//! What one run did to the air: rise of vapour density, time to the peak, half-life of the decay.
//!
//! Work is in vapour density, not in relative humidity: mist also cools the air, and relative humidity would rise twice.

use std::borrow::Cow;
use std::ops::Range;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Role;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::moisture::coldest_glass_c;
use super::super::places::Line;
use super::Observed;
use super::runs::Run;
use crate::physics::humidity::{
    dew_point_c, saturation_vapour_pressure_pa, vapour_density_g_m3, vapour_pressure_pa,
};
use crate::series::Series;
use crate::statistics::exponential::decay;
use crate::statistics::robust::{median, median_of_three};
use crate::statistics::trend::repeated_medians;

/// The level before a run is the median over this time.
const BEFORE_MS: i64 = 12 * 60_000;
/// The peak is looked for until this long after the run's end.
pub(super) const PEAK_MS: i64 = PEAK_MIN * 60_000;
pub const PEAK_MIN: i64 = 25;
/// The decay is followed for at most this long.
const DECAY_MS: i64 = 5 * MS_PER_HOUR;
/// The part of the decay that is fitted, as shares of the rise above the level before.
const DECAY_FROM_FRAC: f64 = 0.8;
const DECAY_UNTIL_FRAC: f64 = 0.2;
/// A rise below this, g/m³, has no decay worth a fit: the noise of a cheap sensor is about a quarter of it.
const DECAY_RISE_G_M3: f64 = 0.8;
/// Half-lives outside this range, min, are a fit to something else.
const HALF_LIFE_MIN: (f64, f64) = (2.0, 600.0);
/// A fit is kept when its interval is no wider than this, high over low.
const HALF_LIFE_RATIO_MAX: f64 = 2.5;
/// After lights on or off the level takes about this long to settle: a few time constants of the air, not of the soil.
pub(super) const SETTLE_MS: i64 = 60 * 60_000;
/// The squares about the decay must be below this share of those about a straight line.
const CURVED_FRAC: f64 = 0.8;
/// Uncertainty of the level to which it decays, as a share of its distance from the room's.
const ASYMPTOTE_U_FRAC: f64 = 0.05;
/// The first minutes: the vapour is read this long after the run's end, at the beginning and at the end of them.
const EARLY_MS: [i64; 2] = [5 * 60_000, 10 * 60_000];
/// An opened door takes vapour out of the air within this long (own choice).
const FALL_MS: i64 = 10 * 60_000;
/// The course before a run is that of this long (own choice).
const COURSE_MS: i64 = 20 * 60_000;
/// The air is as dry again as before a run within this of it, %RH: about the noise of a cheap sensor (own choice).
const DRY_AGAIN_PCT: f64 = 2.0;
/// A rise below this, %RH, is none to dry from.
const DRIES_FROM_PCT: f64 = 2.0 * DRY_AGAIN_PCT;
/// At or above this a reading is at saturation, %RH.
const CEILING_PCT: f64 = 99.0;
/// At or above this before the run, a rise says nothing.
const WET_START_PCT: f64 = 95.0;
/// Readings within the same so many milliseconds are one, their mean: a sensor of air needs longer to follow, and windows over each reading of a
/// fast one would cost the square of its pace.
const THIN_MS: i64 = 20_000;
/// A sensor that speaks on change is taken as read so often, and as not known where that leaves such a gap.
const HELD_MS: i64 = 2 * 60_000;
const HELD_GAP_MS: i64 = 5 * HELD_MS;
/// Readings after the run that are needed.
const AFTER_COUNT_MIN: usize = 2;
/// From so many readings in the window on, the peak is a median of three.
const SMOOTH_COUNT: usize = 9;

/// One sensor that measures temperature and humidity.
pub(super) struct Probe {
    pub(super) id: String,
    pub(super) at_ms: Vec<i64>,
    pub(super) w_g_m3: Vec<f64>,
    rh_pct: Vec<f64>,
    t_c: Vec<f64>,
    gap_ms: i64,
    ceiling_pct: f64,
    pub(super) controller: bool,
}

/// What a run did.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Response {
    pub(super) before_pct: f64,
    /// Room to saturation before the run, g/m³.
    pub(super) headroom_g_m3: f64,
    /// The coldest glass condensed just before the run: it takes what the air would hold.
    pub(super) glass_is_wet: bool,
    /// It condensed then, or at the peak.
    pub(super) glass_grows_wet: bool,
    pub(super) rise_g_m3: f64,
    /// Vapour above the level before in the first minutes after the run, g/m³: mostly what the mist itself brought. The peak comes later,
    /// and wet leaves, which give off much the same whether they got all of the water or some, hold it.
    pub(super) early_g_m3: Option<f64>,
    /// By how much the humidity stands above its own course from before in the first minutes after the run, %RH. Mist raises it at once, also where
    /// an open window takes more vapour out of the air than the mist gives.
    pub(super) bend_pct: Option<f64>,
    /// The most by which the humidity fell within [`FALL_MS`] while the peak was looked for, %RH.
    pub(super) fell_pct: f64,
    /// Vapour above the level before, summed from the run on until half of the rise is gone, g·min/m³. Air that is full takes no more
    /// water, and wet surfaces hold it there: it is the time, not the height, that tells how much came.
    pub(super) lasting_g_min_m3: Option<f64>,
    pub(super) rise_pct: f64,
    pub(super) minutes_to_peak: f64,
    pub(super) half_life_min: Option<f64>,
    pub(super) dried: Option<Dried>,
    pub(super) censored: bool,
}

/// Whether the air was as dry again as before a run when water came again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Dried {
    /// So many hours after the run.
    AfterH(f64),
    NotBeforeTheNext,
}

impl Response {
    /// Why it does not count for trends.
    pub(super) fn left_out(&self) -> Option<String> {
        (self.before_pct >= WET_START_PCT).then(|| format!("already at {:.0} %RH before it", self.before_pct))
    }
}

impl Probe {
    /// Sensors of the enclosure with usable temperature and humidity.
    pub(super) fn of(context: &Context<'_>) -> Vec<Probe> {
        context
            .enclosure
            .sensors
            .iter()
            .filter_map(|sensor| {
                let humidity = context.trusted.get(&sensor.id, Quantity::Humidity)?;
                let temperature = context.trusted.get(&sensor.id, Quantity::Temperature)?;
                let line = Line::of(&temperature.series);
                let mut probe = Probe {
                    id: sensor.id.clone(),
                    at_ms: Vec::new(),
                    w_g_m3: Vec::new(),
                    rh_pct: Vec::new(),
                    t_c: Vec::new(),
                    gap_ms: if humidity.series.speaks_on_change() {
                        HELD_GAP_MS
                    } else {
                        humidity.series.gap_ms()
                    },
                    // A correction moves the top of the scale with it.
                    ceiling_pct: CEILING_PCT - humidity.corrected_by.max(0.0),
                    controller: sensor.role == Role::Controller,
                };
                let (times, values) = as_read(&humidity.series, context.outages());
                let readings: Vec<(i64, f64, f64)> = line
                    .on_times(&times)
                    .into_iter()
                    .zip(times.iter().zip(values.iter()))
                    .filter(|(t_c, _)| !t_c.is_nan())
                    .map(|(t_c, (at_ms, rh_pct))| (*at_ms, *rh_pct, t_c))
                    .collect();
                for (at_ms, rh_pct, t_c) in thinned(&readings) {
                    probe.at_ms.push(at_ms);
                    probe.rh_pct.push(rh_pct);
                    probe.t_c.push(t_c);
                    let pressure_pa = vapour_pressure_pa(t_c, rh_pct);
                    probe.w_g_m3.push(vapour_density_g_m3(t_c, pressure_pa));
                }
                (!probe.at_ms.is_empty()).then_some(probe)
            })
            .collect()
    }

    /// Whether it was heard shortly before an instant.
    pub(super) fn heard_around(&self, at_ms: i64, near_ms: i64) -> bool {
        let near = Span {
            from_ms: at_ms - near_ms,
            until_ms: at_ms + near_ms,
        };
        !self.range(near).is_empty()
    }

    fn w_at(&self, at_ms: i64) -> Option<f64> {
        self.value_at(&self.w_g_m3, at_ms)
    }

    /// One of its lines between the readings around an instant; `None` in a gap.
    fn value_at(&self, values: &[f64], at_ms: i64) -> Option<f64> {
        let after = self.at_ms.partition_point(|at| *at < at_ms);
        let before = after.checked_sub(1)?;
        let (from_ms, until_ms) = (self.at_ms[before], *self.at_ms.get(after)?);
        let share = (at_ms - from_ms) as f64 / (until_ms - from_ms) as f64;
        (until_ms - from_ms <= self.gap_ms).then(|| values[before] + share * (values[after] - values[before]))
    }

    fn range(&self, span: Span) -> Range<usize> {
        let from = self.at_ms.partition_point(|at| *at < span.from_ms);
        let until = self.at_ms.partition_point(|at| *at < span.until_ms);
        from..until.max(from)
    }
}

/// A series; one that speaks on change as if it had been read all along: what it said last still holds until shortly before the next, but not
/// through an outage, in which it could not be heard.
fn as_read<'s>(series: &'s Series, outages: &[Span]) -> (Cow<'s, [i64]>, Cow<'s, [f64]>) {
    if !series.speaks_on_change() {
        return (Cow::Borrowed(&series.at_ms), Cow::Borrowed(&series.value));
    }
    let gap_ms = series.gap_ms();
    let (mut times, mut values) = (Vec::new(), Vec::new());
    for (index, (at_ms, value)) in series.at_ms.iter().zip(&series.value).enumerate() {
        let next_ms = series
            .at_ms
            .get(index + 1)
            .filter(|next_ms| *next_ms - at_ms <= gap_ms);
        let mut until_ms = *next_ms.unwrap_or(&(at_ms + 1));
        let next_outage = outages.get(outages.partition_point(|outage| outage.until_ms <= *at_ms));
        if let Some(outage) = next_outage {
            until_ms = until_ms.min(outage.from_ms.max(at_ms + 1));
        }
        for held_ms in (*at_ms..until_ms).step_by(HELD_MS as usize) {
            times.push(held_ms);
            values.push(*value);
        }
    }
    (Cow::Owned(times), Cow::Owned(values))
}

/// Readings as (instant in ms, %RH, °C), those within one [`THIN_MS`] as their mean.
fn thinned(readings: &[(i64, f64, f64)]) -> impl Iterator<Item = (i64, f64, f64)> {
    readings
        .chunk_by(|a, b| a.0.div_euclid(THIN_MS) == b.0.div_euclid(THIN_MS))
        .map(|together| {
            let count = together.len() as f64;
            let mean = |of: fn(&(i64, f64, f64)) -> f64| together.iter().map(of).sum::<f64>() / count;
            let after_ms: i64 = together.iter().map(|(at_ms, ..)| at_ms - together[0].0).sum();
            let at_ms = together[0].0 + after_ms / together.len() as i64;
            (at_ms, mean(|reading| reading.1), mean(|reading| reading.2))
        })
}

/// The probe that saw most runs well; controllers last, since their own drift changes what they see.
pub(super) fn main_probe(probes: &[Probe], observed: &[Observed]) -> Option<usize> {
    (0..probes.len()).max_by_key(|index| {
        let good = observed
            .iter()
            .filter_map(|one| one.responses[*index].as_ref())
            .filter(|response| !response.censored)
            .count();
        (
            !probes[*index].controller || good == 0,
            good,
            std::cmp::Reverse(*index),
        )
    })
}

/// Measures a run by one probe; `next_ms` is the next event that wets the air. `None` where readings are missing.
pub(super) fn measure(context: &Context<'_>, probe: &Probe, run: &Run, next_ms: i64) -> Option<Response> {
    let (mut response, before_w, peak_ms) = rise(probe, run.at_ms, run.duration_s, next_ms)?;
    response.early_g_m3 = early_g_m3(probe, run, next_ms);
    response.bend_pct = bend_pct(probe, run, next_ms);
    let last = probe.at_ms.partition_point(|at| *at < run.at_ms).checked_sub(1);
    response.glass_is_wet = last.is_some_and(|last| condenses(context, probe, last));
    let peak = probe.at_ms.partition_point(|at| *at < peak_ms);
    response.glass_grows_wet = response.glass_is_wet || condenses(context, probe, peak);
    if response.rise_pct >= DRIES_FROM_PCT {
        response.dried = dried(probe, run.at_ms, response.before_pct, peak_ms, next_ms);
    }
    if response.rise_g_m3 >= DECAY_RISE_G_M3 {
        response.lasting_g_min_m3 = lasting_g_min_m3(probe, run.at_ms, &response, before_w, peak_ms, next_ms);
        response.half_life_min = half_life_min(context, probe, &response, before_w, peak_ms, next_ms);
    }
    Some(response)
}

/// The beginning and the end of the first minutes after a run, where nothing else wets the air before.
fn first_minutes_ms(run: &Run, next_ms: i64) -> Option<[i64; 2]> {
    let end_ms = run.at_ms + (run.duration_s * 1000.0) as i64;
    let ends_ms = EARLY_MS.map(|after_ms| end_ms + after_ms);
    (ends_ms[1] <= next_ms).then_some(ends_ms)
}

/// The humidity in the first minutes after a run above its own course from before, %RH; `None` with too few readings to give one.
fn bend_pct(probe: &Probe, run: &Run, next_ms: i64) -> Option<f64> {
    const COUNT_MIN: usize = 4;
    let [first_ms, last_ms] = first_minutes_ms(run, next_ms)?;
    let before = probe.range(Span {
        from_ms: run.at_ms - COURSE_MS,
        until_ms: run.at_ms,
    });
    if before.len() < COUNT_MIN {
        return None;
    }
    let minutes = |at_ms: i64| (at_ms - run.at_ms) as f64 / 60_000.0;
    let times: Vec<f64> = probe.at_ms[before.clone()]
        .iter()
        .map(|at_ms| minutes(*at_ms))
        .collect();
    let (slope, level) = repeated_medians(&times, &probe.rh_pct[before]).ok()?;
    let now_pct =
        0.5 * (probe.value_at(&probe.rh_pct, first_ms)? + probe.value_at(&probe.rh_pct, last_ms)?);
    Some(now_pct - level - slope * 0.5 * (minutes(first_ms) + minutes(last_ms)))
}

/// Vapour in the first minutes after a run above the last two readings before it, g/m³.
fn early_g_m3(probe: &Probe, run: &Run, next_ms: i64) -> Option<f64> {
    let [first_ms, last_ms] = first_minutes_ms(run, next_ms)?;
    let until = probe.at_ms.partition_point(|at| *at < run.at_ms);
    let before = &probe.w_g_m3[until.checked_sub(2)?..until];
    Some(0.5 * (probe.w_at(first_ms)? + probe.w_at(last_ms)?) - 0.5 * (before[0] + before[1]))
}

/// Vapour above the level before a run, summed from the run on until half of the rise is gone, g·min/m³; `None` where that is not
/// seen before the next event, or readings are missing.
fn lasting_g_min_m3(
    probe: &Probe,
    at_ms: i64,
    response: &Response,
    before_w: f64,
    peak_ms: i64,
    next_ms: i64,
) -> Option<f64> {
    let window = probe.range(Span {
        from_ms: at_ms,
        until_ms: (peak_ms + DECAY_MS).min(next_ms),
    });
    let half_w = before_w + 0.5 * response.rise_g_m3;
    let gone = window
        .clone()
        .find(|index| probe.at_ms[*index] > peak_ms && probe.w_g_m3[*index] < half_w)?;
    let (mut sum, mut last) = (0.0, (at_ms, before_w));
    for index in window.start..=gone {
        let (now_ms, now_w) = (probe.at_ms[index], probe.w_g_m3[index]);
        if now_ms - last.0 > probe.gap_ms {
            return None;
        }
        let minutes = (now_ms - last.0) as f64 / 60_000.0;
        sum += minutes * (0.5 * (last.1 + now_w) - before_w);
        last = (now_ms, now_w);
    }
    (sum > 0.0).then_some(sum)
}

/// The first time that the light goes on or off inside a span.
pub(super) fn first_edge(context: &Context<'_>, span: Span) -> Option<i64> {
    context
        .light_within(span)
        .iter()
        .flat_map(|light| [light.from_ms, light.until_ms])
        .filter(|edge| span.from_ms < *edge && *edge < span.until_ms)
        .min()
}

/// The rise at an instant at which nothing happened: what noise and drift alone make.
pub(super) fn control_rise_g_m3(probe: &Probe, at_ms: i64, duration_s: f64, next_ms: i64) -> Option<f64> {
    let around = Around::run(probe, at_ms, duration_s, next_ms)?;
    Some(around.at_peak(&probe.w_g_m3, around.peak(probe)?) - around.level_before(&probe.w_g_m3)?)
}

/// The rise, the level before and the instant of the peak.
fn rise(probe: &Probe, at_ms: i64, duration_s: f64, next_ms: i64) -> Option<(Response, f64, i64)> {
    let around = Around::run(probe, at_ms, duration_s, next_ms)?;
    let w_before = around.level_before(&probe.w_g_m3)?;
    let rh_before = around.level_before(&probe.rh_pct)?;
    let t_before = around.level_before(&probe.t_c)?;
    let peak = around.peak(probe)?;
    let rh_peak = around
        .inner()
        .map(|index| around.at_peak(&probe.rh_pct, index))
        .fold(f64::NEG_INFINITY, f64::max);
    let saturated = vapour_density_g_m3(t_before, saturation_vapour_pressure_pa(t_before));
    let response = Response {
        before_pct: rh_before,
        headroom_g_m3: saturated - w_before,
        glass_is_wet: false,
        glass_grows_wet: false,
        rise_g_m3: around.at_peak(&probe.w_g_m3, peak) - w_before,
        early_g_m3: None,
        bend_pct: None,
        fell_pct: around.fell_pct(probe),
        lasting_g_min_m3: None,
        rise_pct: rh_peak - rh_before,
        minutes_to_peak: (probe.at_ms[peak] - at_ms) as f64 / 60_000.0,
        half_life_min: None,
        dried: None,
        censored: rh_peak >= probe.ceiling_pct,
    };
    Some((response, w_before, probe.at_ms[peak]))
}

/// When the relative humidity was back where it had been before a run: what leaves and soil dry by. `None` where readings are missing
/// or end before.
fn dried(probe: &Probe, at_ms: i64, before_pct: f64, peak_ms: i64, next_ms: i64) -> Option<Dried> {
    let from = probe.at_ms.partition_point(|at| *at < peak_ms);
    for index in from + 1..probe.at_ms.len() {
        let now_ms = probe.at_ms[index];
        if now_ms >= next_ms {
            return Some(Dried::NotBeforeTheNext);
        }
        if now_ms - probe.at_ms[index - 1] > probe.gap_ms {
            return None;
        }
        if probe.rh_pct[index] <= before_pct + DRY_AGAIN_PCT {
            return Some(Dried::AfterH((now_ms - at_ms) as f64 / MS_PER_HOUR as f64));
        }
    }
    None
}

/// A probe's readings just before a run, and those among which its peak lies.
struct Around {
    before: Range<usize>,
    after: Range<usize>,
}

impl Around {
    /// The most by which the humidity fell within [`FALL_MS`], from the reading just before the run on, %RH; 0 where it only rose.
    fn fell_pct(&self, probe: &Probe) -> f64 {
        let fall = |from: usize| {
            let until_ms = probe.at_ms[from] + FALL_MS;
            let soon = (from..self.after.end).take_while(|index| probe.at_ms[*index] <= until_ms);
            probe.rh_pct[from]
                - soon
                    .map(|index| probe.rh_pct[index])
                    .fold(f64::INFINITY, f64::min)
        };
        let just_before = self.after.start.saturating_sub(1);
        (just_before..self.after.end).map(fall).fold(0.0, f64::max)
    }

    /// `None` where readings are missing.
    fn run(probe: &Probe, at_ms: i64, duration_s: f64, next_ms: i64) -> Option<Around> {
        let lead_ms = BEFORE_MS.max(probe.gap_ms.min(2 * BEFORE_MS));
        let before = probe.range(Span {
            from_ms: at_ms - lead_ms,
            until_ms: at_ms,
        });
        let end_ms = at_ms + (duration_s * 1000.0) as i64;
        let after = probe.range(Span {
            from_ms: at_ms,
            until_ms: (end_ms + PEAK_MS).min(next_ms),
        });
        if before.is_empty() || after.len() < AFTER_COUNT_MIN {
            return None;
        }
        let gap = probe.at_ms[before.start..after.end]
            .windows(2)
            .any(|pair| pair[1] - pair[0] > probe.gap_ms);
        (!gap).then_some(Around { before, after })
    }

    fn level_before(&self, values: &[f64]) -> Option<f64> {
        median(&values[self.before.clone()])
    }

    /// Ends of the window are left out of the smoothed peak: they have no neighbour to check them.
    fn inner(&self) -> Range<usize> {
        if self.after.len() < SMOOTH_COUNT {
            self.after.clone()
        } else {
            self.after.start + 1..self.after.end - 1
        }
    }

    /// A value of the window, smoothed where there are enough.
    fn at_peak(&self, values: &[f64], index: usize) -> f64 {
        if self.after.len() < SMOOTH_COUNT {
            values[index]
        } else {
            median_of_three(values[index - 1], values[index], values[index + 1])
        }
    }

    fn peak(&self, probe: &Probe) -> Option<usize> {
        let smooth = |index: usize| self.at_peak(&probe.w_g_m3, index);
        self.inner().max_by(|a, b| smooth(*a).total_cmp(&smooth(*b)))
    }
}

/// The half-life of the decay after a peak, min; `None` where it can't be fitted well.
///
/// # Method
/// An exponential towards a fixed level, from 80 % to 20 % of the rise, after any plateau of wet surfaces ([`knee`]), while
/// the light does not change. The level is the one before the run, moved with the room's vapour since: it holds what soil
/// and plants give off steadily, and equals the room's where they give nothing.
fn half_life_min(
    context: &Context<'_>,
    probe: &Probe,
    response: &Response,
    before_w: f64,
    peak_ms: i64,
    next_ms: i64,
) -> Option<f64> {
    let longest = Span {
        from_ms: peak_ms,
        until_ms: (peak_ms + DECAY_MS).min(next_ms).min(context.span.until_ms),
    };
    // With lights on or off the level moves: the fit ends there.
    // Soon after lights on or off the level before the run is itself on its way.
    let settling = Span {
        from_ms: peak_ms - (response.minutes_to_peak * 60_000.0) as i64 - SETTLE_MS,
        until_ms: peak_ms,
    };
    if first_edge(context, settling).is_some() {
        return None;
    }
    let edge_ms = first_edge(context, longest).unwrap_or(longest.until_ms);
    let window = probe.range(Span {
        from_ms: peak_ms,
        until_ms: edge_ms,
    });
    let level = |frac: f64| before_w + frac * response.rise_g_m3;
    let until = window
        .clone()
        .find(|index| probe.w_g_m3[*index] < level(DECAY_UNTIL_FRAC))
        .unwrap_or(window.end);
    let from = (window.start..until)
        .rev()
        .find(|index| probe.w_g_m3[*index] > level(DECAY_FROM_FRAC))?;
    // While the coldest glass condenses it dries the air faster than the vents do.
    let from = (from..until).find(|index| !condenses(context, probe, *index))?;
    // A decay that never came below half is not one.
    if probe.w_g_m3[until.checked_sub(1)?] > level(0.5) {
        return None;
    }
    let middle_ms = probe.at_ms[(from + until) / 2];
    let moved = context
        .room_vapour_g_m3(middle_ms)
        .zip(context.room_vapour_g_m3(peak_ms))
        .map_or(0.0, |(then, now)| then - now);
    let asymptote = before_w + moved;
    let times: Vec<f64> = probe.at_ms[from..until]
        .iter()
        .map(|at| (at - peak_ms) as f64 / 60_000.0)
        .collect();
    let values = &probe.w_g_m3[from..until];
    let start = knee(&times, values, asymptote);
    // A plateau that sinks slowly is nearly straight; a decay over this range is not.
    let (bent, straight) = (
        decay_squares(&times[start..], &values[start..], asymptote),
        line_squares(&times[start..], &values[start..]),
    );
    if bent > CURVED_FRAC * straight {
        return None;
    }
    let u = ASYMPTOTE_U_FRAC * response.rise_g_m3;
    let fit = decay(&times[start..], &values[start..], asymptote, u, 0.95).ok()?;
    let (low, high) = HALF_LIFE_MIN;
    let narrow = fit
        .half_life_high
        .is_some_and(|most| most <= HALF_LIFE_RATIO_MAX * fit.half_life_low);
    (narrow && (low..=high).contains(&fit.half_life)).then_some(fit.half_life)
}

/// Whether the coldest glass, taken as halfway between inside and room, lies below the dew point.
fn condenses(context: &Context<'_>, probe: &Probe, index: usize) -> bool {
    let t_c = probe.t_c[index];
    let room_c = context
        .room_c
        .as_ref()
        .and_then(|room| room.value_at(probe.at_ms[index]));
    let glass_c = coldest_glass_c(t_c, room_c);
    dew_point_c(vapour_pressure_pa(t_c, probe.rh_pct[index])).is_some_and(|dew_c| dew_c > glass_c)
}

/// Where the plateau of wet surfaces ends: the break between a line and a decay towards `asymptote` that leaves the least
/// squares; 0 where one decay does as well.
fn knee(times: &[f64], values: &[f64], asymptote: f64) -> usize {
    /// Samples on either side of the break.
    const SIDE_MIN: usize = 5;
    /// The break must leave less than this share of the squares of one decay alone.
    const SQUARES_FRAC: f64 = 0.6;
    let whole = decay_squares(times, values, asymptote);
    let best = (SIDE_MIN..values.len().saturating_sub(SIDE_MIN))
        .map(|at| {
            let squares = line_squares(&times[..at], &values[..at])
                + decay_squares(&times[at..], &values[at..], asymptote);
            (at, squares)
        })
        .min_by(|a, b| a.1.total_cmp(&b.1));
    match best {
        Some((at, squares)) if squares < SQUARES_FRAC * whole => at,
        _ => 0,
    }
}

/// Squares about a decay fitted in logarithms, weighted by the distance from the level (which undoes most of their tilt).
fn decay_squares(times: &[f64], values: &[f64], asymptote: f64) -> f64 {
    let points: Vec<(f64, f64, f64)> = times
        .iter()
        .zip(values)
        .filter(|(_, value)| **value > asymptote)
        .map(|(t, value)| (*t, (value - asymptote).ln(), (value - asymptote).powi(2)))
        .collect();
    let Some((slope, intercept)) = weighted_line(&points) else {
        return f64::INFINITY;
    };
    times
        .iter()
        .zip(values)
        .map(|(t, value)| (value - asymptote - (intercept + slope * t).exp()).powi(2))
        .sum()
}

fn line_squares(times: &[f64], values: &[f64]) -> f64 {
    let points: Vec<(f64, f64, f64)> = times.iter().zip(values).map(|(t, v)| (*t, *v, 1.0)).collect();
    let Some((slope, intercept)) = weighted_line(&points) else {
        return f64::INFINITY;
    };
    points
        .iter()
        .map(|(t, v, _)| (v - intercept - slope * t).powi(2))
        .sum()
}

/// Slope and intercept of the weighted least-squares line through (x, y, weight).
fn weighted_line(points: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = points.iter().map(|(_, _, w)| w).sum();
    let x = points.iter().map(|(x, _, w)| x * w).sum::<f64>() / weight;
    let y = points.iter().map(|(_, y, w)| y * w).sum::<f64>() / weight;
    let xx: f64 = points.iter().map(|(px, _, w)| w * (px - x).powi(2)).sum();
    let xy: f64 = points.iter().map(|(px, py, w)| w * (px - x) * (py - y)).sum();
    (xx > 0.0).then(|| (xy / xx, y - xy / xx * x))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::rhythm::tests::on_change;

    #[test]
    fn a_fast_sensor_gives_three_means_a_minute_and_a_slow_one_stays_as_it_is() {
        let each = |step_ms: i64, count: i64| -> Vec<(i64, f64, f64)> {
            (0..count).map(|n| (n * step_ms, 80.0 + n as f64, 20.1)).collect()
        };
        let fast: Vec<_> = thinned(&each(1000, 120)).collect();
        assert_eq!(fast.len(), 6);
        // Seconds 20 to 39.
        assert_eq!((fast[1].0, fast[1].1), (29_500, 109.5));
        let slow = each(20_000, 50);
        assert_eq!(thinned(&slow).collect::<Vec<_>>(), slow);
    }

    #[test]
    fn what_a_sensor_that_speaks_on_change_said_holds_until_an_outage() {
        const MINUTE_MS: i64 = 60_000;
        let outage = Span {
            from_ms: 4700 * MINUTE_MS,
            until_ms: 4725 * MINUTE_MS,
        };
        let series = on_change(|minute| outage.contains(minute as i64 * MINUTE_MS));
        let longest_pause_ms = |outages: &[Span]| {
            let (times, _) = as_read(&series, outages);
            let around = times
                .windows(2)
                .filter(|pair| pair[0] < outage.until_ms && pair[1] > outage.from_ms);
            around.map(|pair| pair[1] - pair[0]).max().expect("read")
        };
        assert_eq!(longest_pause_ms(&[]), HELD_MS);
        assert!(longest_pause_ms(&[outage]) >= outage.until_ms - outage.from_ms);
    }
}

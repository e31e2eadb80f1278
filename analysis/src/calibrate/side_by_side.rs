//! Several sensors in one tub for some hours: each against a named reference, or against the mean of all.
//!
//! Compared by the water in the air: what the reference's vapour reads at the tested sensor's own temperature.

use mosswarden_config::correction::{Correction, Method};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::run::{CELL_MS, CELLS_PER_HOUR, Fitted, Probe, QUIET_HOURS_MIN, QUIET_K_PER_H, Track};
use super::{Fit, GAIN_SPAN_PCT_MIN, GAIN_U, Refusal, Share, check_reach, check_size, expanded};
use crate::physics::humidity::{log_slope_per_k, relative_humidity_pct, vapour_pressure_pa};
use crate::physics::uncertainty::rectangular;
use crate::statistics::Estimate;
use crate::statistics::least_squares::linear;

/// A tub must stand this long, h (common practice, no source).
const HOURS_MIN: f64 = 4.0;
/// The first half hour after the lid was closed is never used; later beginnings are tried in such steps.
const SETTLE_MS: i64 = MS_PER_HOUR / 2;
/// Sensors differ in how fast they follow: only slower humidity is compared, %RH/h.
const QUIET_PCT_PER_H: f64 = 6.0;
/// The difference may move by this much between the thirds of what is judged, %RH (own choice: a tenth of the
/// usual claim of ±5 %RH).
const SETTLED_PCT: f64 = 0.5;
/// The air of a small closed tub is not the same everywhere, ±%RH (own choice).
const PLACE_LIMIT_PCT: f64 = 0.5;
/// Nor is it as warm everywhere: beyond what the thermometers may be wrong by, K (own choice: five times what a tub in a steady room shows).
const APART_K: f64 = 0.5;
/// A maker's limits may be crossed from one end to the other over this much humidity, %RH (own choice).
const LIMITS_CROSSED_PCT: f64 = 40.0;

/// What the sensors are compared with.
#[derive(Debug, Clone, Copy)]
pub enum Against<'a> {
    /// Position of the reference among the probes, and the correction that it carries already, if any.
    Reference(usize, Option<&'a Correction>),
    /// The mean vapour pressure of all.
    MeanOfAll,
}

/// One sensor beside the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    pub fit: Fit,
    /// What was judged, after settling.
    pub judged: Span,
    /// Quiet hours in it.
    pub quiet_h: f64,
    /// Mean temperature, °C, and lowest and highest humidity by the reference, %RH.
    pub t_c: f64,
    pub level_pct: (f64, f64),
    /// Reading minus reference at the mean level, %RH, with the scatter's 95 % interval alone.
    pub difference: Estimate,
    /// The same as an error of the sensor: with the doubt of the reference and of the tub.
    pub error: Estimate,
    /// %RH per %RH; `None` where the levels lie too close together.
    pub gain: Option<Estimate>,
    pub budget: Vec<Share>,
    /// Own temperature minus the reference's, K, by the scatter alone. Shown, never corrected.
    pub temperature_k: Estimate,
}

/// A sensor and what came of it.
pub(super) type Judged<'p> = (&'p str, Result<Compared, Refusal>);

/// Compares each probe (but the reference) over `span`.
///
/// # Errors
/// The tub's own [`Refusal`]; and one for each sensor that can't be judged, in the order of the probes.
pub fn compare<'p>(
    probes: &[Probe<'p>],
    against: Against<'_>,
    span: Span,
) -> Result<Vec<Judged<'p>>, Refusal> {
    let hours = span.hours();
    if hours < HOURS_MIN {
        return Err(Refusal::TooShort {
            hours,
            needed: HOURS_MIN,
        });
    }
    if matches!(against, Against::MeanOfAll) && probes.len() < 3 {
        return Err(Refusal::NoReference);
    }
    let tracks: Vec<Track> = probes
        .iter()
        .map(|probe| Track::of(probe, span))
        .collect::<Result<_, _>>()?;
    let tested =
        (0..probes.len()).filter(|place| !matches!(against, Against::Reference(r, _) if r == *place));
    Ok(tested
        .map(|place| (probes[place].id, one(probes, &tracks, place, against, span)))
        .collect())
}

/// Cells in which everything that is compared is known and quiet.
#[derive(Default)]
struct Points {
    index: Vec<i64>,
    /// What the sensor should read at its own temperature, %RH.
    level: Vec<f64>,
    difference: Vec<f64>,
    t_c: Vec<f64>,
    t_difference: Vec<f64>,
    known_count: usize,
}

fn points(tracks: &[Track], place: usize, against: Against<'_>, from_ms: i64) -> Points {
    let own = &tracks[place];
    let members: Vec<usize> = match against {
        Against::Reference(reference, _) => vec![reference],
        Against::MeanOfAll => (0..tracks.len()).collect(),
    };
    let reference = |index: i64| {
        let (mut e_pa, mut t_c) = (0.0, 0.0);
        for member in &members {
            let track = &tracks[*member];
            let at = track.place(index)?;
            let mut rh_pct = track.rh_pct[at];
            if let Against::Reference(_, Some(known)) = against {
                rh_pct -= known.bias_at(rh_pct);
            }
            e_pa += vapour_pressure_pa(track.t_c[at], rh_pct);
            t_c += track.t_c[at];
        }
        let count = members.len() as f64;
        Some((e_pa / count, t_c / count))
    };
    let mut all = Track::default();
    let mut reference_t_c = Vec::new();
    for (at, index) in own.index.iter().enumerate() {
        if let Some((e_pa, t_c)) = reference(*index) {
            all.index.push(*index);
            all.t_c.push(own.t_c[at]);
            all.rh_pct.push(relative_humidity_pct(own.t_c[at], e_pa));
            reference_t_c.push(t_c);
        }
    }
    let mut points = Points::default();
    for (at, index) in all.index.iter().enumerate() {
        if index * CELL_MS < from_ms {
            continue;
        }
        points.known_count += 1;
        let rate = all.rate_per_h(&all.rh_pct, *index);
        let quiet = members
            .iter()
            .chain([&place])
            .all(|member| tracks[*member].is_quiet(*index));
        if quiet && rate.is_some_and(|rate| rate.abs() <= QUIET_PCT_PER_H) {
            let own_rh_pct = own.rh_pct[own.place(*index).expect("the cell was taken from it")];
            points.index.push(*index);
            points.level.push(all.rh_pct[at]);
            points.difference.push(own_rh_pct - all.rh_pct[at]);
            points.t_c.push(all.t_c[at]);
            points.t_difference.push(all.t_c[at] - reference_t_c[at]);
        }
    }
    points
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn ends(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(*value), high.max(*value))
        })
}

/// By how much the means of the three thirds of a run differ.
fn change(residuals: &[f64]) -> f64 {
    let third = residuals.len().div_ceil(3).max(1);
    let means: Vec<f64> = residuals.chunks(third).map(mean).collect();
    let (low, high) = ends(&means);
    high - low
}

fn one(
    probes: &[Probe<'_>],
    tracks: &[Track],
    place: usize,
    against: Against<'_>,
    span: Span,
) -> Result<Compared, Refusal> {
    let sensor = probes[place].id;
    let mut from_ms = span.from_ms + SETTLE_MS;
    let mut last_change = None;
    loop {
        let points = points(tracks, place, against, from_ms);
        let quiet_h = points.index.len() as f64 / CELLS_PER_HOUR;
        if quiet_h < QUIET_HOURS_MIN {
            return Err(match last_change {
                Some(change_pct) => Refusal::NotSettled {
                    sensor: sensor.to_owned(),
                    change_pct,
                },
                None if points.known_count as f64 / CELLS_PER_HOUR < QUIET_HOURS_MIN => Refusal::TooFew {
                    sensor: sensor.to_owned(),
                    hours: points.known_count as f64 / CELLS_PER_HOUR,
                    needed: QUIET_HOURS_MIN,
                },
                None => Refusal::Wandering {
                    hours: quiet_h,
                    needed: QUIET_HOURS_MIN,
                    limit_k_per_h: QUIET_K_PER_H,
                },
            });
        }
        let level_mean = mean(&points.level);
        let level_pct = ends(&points.level);
        let ones = vec![1.0; points.level.len()];
        let centred: Vec<f64> = points.level.iter().map(|level| level - level_mean).collect();
        let with_gain = level_pct.1 - level_pct.0 >= GAIN_SPAN_PCT_MIN;
        let columns: Vec<&[f64]> = if with_gain {
            vec![&ones, &centred]
        } else {
            vec![&ones]
        };
        let fitted = Fitted::of(&columns, &points.index, &points.difference)?;
        // What is left after a plain fit: one that reckons with dependent errors may leave a trend.
        let moved = change(&linear(&columns, &points.difference, None)?.residuals);
        if moved <= SETTLED_PCT {
            let judged = Span {
                from_ms: points.index[0] * CELL_MS,
                until_ms: (points.index[points.index.len() - 1] + 1) * CELL_MS,
            };
            return result(probes, place, against, &points, &fitted, moved, judged);
        }
        last_change = Some(moved);
        from_ms += SETTLE_MS;
    }
}

fn result(
    probes: &[Probe<'_>],
    place: usize,
    against: Against<'_>,
    points: &Points,
    fitted: &Fitted,
    moved: f64,
    judged: Span,
) -> Result<Compared, Refusal> {
    let probe = &probes[place];
    let (offset, level_mean, t_c) = (fitted.coefficients[0], mean(&points.level), mean(&points.t_c));
    let level_pct = ends(&points.level);
    check_size(probe.id, offset)?;
    check_reach(probe.id, level_pct.1, probe.working_pct)?;
    let ones = vec![1.0; points.index.len()];
    let temperature = Fitted::of(&[&ones], &points.index, &points.t_difference)?;
    // The share of a temperature in a humidity that is judged by its water.
    let from_t = |limit_k: f64| level_mean * log_slope_per_k(t_c) * rectangular(limit_k);
    let limits: Vec<&Probe<'_>> = match against {
        Against::Reference(reference, _) => vec![&probes[reference]],
        Against::MeanOfAll => probes.iter().collect(),
    };
    let thermometer_k = limits
        .iter()
        .map(|probe| probe.accuracy.temperature_c)
        .fold(probe.accuracy.temperature_c, f64::max);
    let apart_k = temperature.coefficients[0];
    if apart_k.abs() > 2.0 * thermometer_k + APART_K {
        return Err(Refusal::Apart {
            sensor: probe.id.to_owned(),
            apart_k,
        });
    }
    let of_mean = |part: &dyn Fn(&Probe<'_>) -> f64| {
        limits.iter().map(|probe| part(probe).powi(2)).sum::<f64>().sqrt() / limits.len() as f64
    };
    let (u_reference, u_reference_gain) = match against {
        Against::Reference(_, Some(known)) => (
            known.standard_uncertainty_at(level_mean + known.bias_at(level_mean)),
            known.u_gain,
        ),
        _ => {
            let u = of_mean(&|probe| rectangular(probe.accuracy.humidity_pct));
            (u, u / LIMITS_CROSSED_PCT)
        }
    };
    let budget = vec![
        Share {
            what: "scatter of this run, neighbours counted as one",
            u_pct: fitted.errors[0],
        },
        Share {
            what: "the reference's humidity",
            u_pct: u_reference,
        },
        Share {
            what: "the reference's temperature",
            u_pct: of_mean(&|probe| from_t(probe.accuracy.temperature_c)),
        },
        Share {
            what: "its own temperature",
            u_pct: from_t(probe.accuracy.temperature_c),
        },
        Share {
            what: "the air in the tub is not the same everywhere",
            u_pct: rectangular(PLACE_LIMIT_PCT),
        },
        Share {
            what: "what was still settling",
            u_pct: rectangular(moved / 2.0),
        },
    ];
    let error = expanded(offset, &budget, fitted.dof);
    let (mut gain, mut slope, mut u_gain) = (None, 0.0, GAIN_U);
    if let Some(found) = fitted.coefficients.get(1) {
        gain = Some(Estimate::symmetric(*found, fitted.half_width(1)));
        // Of the reading instead of the level: reading = level + offset + g (level − mean).
        slope = found / (1.0 + found);
        u_gain = fitted.errors[1].hypot(u_reference_gain) / (1.0 + found).powi(2);
    }
    let against = match against {
        Against::Reference(reference, _) => {
            format!("{} at {level_mean:.0} %RH, {t_c:.1} °C", probes[reference].id)
        }
        Against::MeanOfAll => format!(
            "the mean of {} sensors at {level_mean:.0} %RH, {t_c:.1} °C",
            probes.len()
        ),
    };
    Ok(Compared {
        fit: Fit {
            sensor: probe.id.to_owned(),
            method: Method::SideBySide,
            against,
            bias_pct: offset,
            u_bias_pct: (error.high - error.low) / 2.0 / super::COVERAGE_K,
            gain: slope,
            u_gain,
            pivot_pct: level_mean + offset,
        },
        judged,
        quiet_h: points.index.len() as f64 / CELLS_PER_HOUR,
        t_c,
        level_pct,
        difference: Estimate::symmetric(offset, fitted.half_width(0)),
        error,
        gain,
        budget,
        temperature_k: Estimate::symmetric(temperature.coefficients[0], temperature.half_width(0)),
    })
}

//! The moisture balance of an enclosure, fitted to its own record.
//!
//! In: a course. Out: the constants, each with an interval, or why they can't be told.

use super::Refusal;
use crate::conditions::{Course, STEP_MS, Step};
use crate::physics::balance::{Acting, Balance, Moist};
use crate::statistics::Estimate;
use crate::statistics::distribution::{normal_quantile, student_quantile};
use crate::statistics::nonlinear::least_squares_in_pieces;

/// Residuals are taken every so many steps: readings come every few minutes.
const RESIDUAL_STEPS: usize = 5;
/// Stretches that are left out in turn for the intervals; the weather and the wander of sensors differ from one to the next.
const BLOCKS: usize = 8;
/// Known time that is needed, days, and runs of the mister.
const DAYS_MIN: f64 = 7.0;
const RUNS_MIN: usize = 10;
/// After a gap or a disturbance the water on surfaces is not known: residuals begin this many steps later.
const SETTLE_STEPS: usize = 120;
/// Spread of the first guesses, in natural logarithms: within a factor of about seven at two of them. It only holds back what
/// the record does not show.
const GUESS_SPREAD: f64 = 1.0;
/// A residual of this size, g/m³, weighs as much as one spread of a guess.
const RESIDUAL_G_M3: f64 = 0.3;
/// Neighbouring residuals carry much of the same error: so many count as one.
const RESIDUALS_PER_INDEPENDENT: f64 = 24.0;

/// The search ends when a step lowers the squares by less than this share.
const GAIN_MIN: f64 = 1e-6;
/// First guess of the time in which a sensor in its case follows the air to 63 %, s (common practice, no source: some minutes).
const SENSOR_S: f64 = 180.0;
/// What one well-mixed volume, the surfaces' unknown warmth and an even film of water leave in doubt of each constant (half-life, mist into
/// the air, mist in all), as a standard uncertainty in logarithms: root mean square errors on simulated enclosures of two zones (bench
/// `changes`, seeds 1 to 6), where the record alone says less.
const MODEL_U: (f64, f64, f64) = (0.09, 0.15, 0.08);

/// A fitted balance.
#[derive(Debug, Clone)]
pub struct Fitted {
    pub balance: Balance,
    /// Half-life of the air's vapour once surfaces are dry, min.
    pub half_life_min: Estimate,
    /// What a second of misting brings into the air, and in all, g/m³.
    pub mist_air_g_m3_s: Estimate,
    pub mist_g_m3_s: Estimate,
    /// Root mean square of modelled minus measured humidity, %RH.
    pub error_pct: f64,
    /// The same balance with one block left out in turn: how far the constants are known.
    pub without_block: Vec<Balance>,
    pub days: f64,
    pub run_count: usize,
}

/// Place of the sensors' time constant among the parameters.
const SENSOR: usize = 8;

/// A stretch of steps that are all known, with where residuals may begin.
struct Stretch<'a> {
    steps: &'a [Step],
    trusted_from: usize,
}

/// Fits the balance to a course.
///
/// # Errors
/// [`Refusal`] where too little is known, a fogger does not say when it runs, or the search does not settle.
///
/// # Method
/// Output error: the balance is run over each known stretch from its first reading, and the constants with the least squares of
/// modelled minus measured vapour density are taken, with wide first guesses as weights for what the record does not show.
/// Intervals by leaving out one of [`BLOCKS`] stretches of time in turn (jackknife), Student's t with one degree less: they hold
/// what neighbouring errors share, but not what all of them share (a sensor that reads wet throughout).
pub fn fit(course: &Course) -> Result<Fitted, Refusal> {
    if course.fogger && !course.fog_known {
        return Err(Refusal("the fogger does not say when it runs".to_owned()));
    }
    let stretches = stretches(&course.steps);
    let known: usize = stretches.iter().map(|s| s.steps.len() - s.trusted_from).sum();
    let days = known as f64 * STEP_MS as f64 / 86_400_000.0;
    let run_count = course
        .mistings
        .iter()
        .filter(|m| m.ran == crate::conditions::Ran::Yes && m.rise_g_m3.is_some())
        .count();
    if days < DAYS_MIN {
        return Err(Refusal(format!(
            "only {days:.1} days of humidity, temperature and room air are known, at least {DAYS_MIN:.0} are needed"
        )));
    }
    if run_count < RUNS_MIN {
        return Err(Refusal(format!(
            "only {run_count} mistings could be measured, at least {RUNS_MIN} are needed"
        )));
    }
    let guess = guess(course);
    let whole = solve(&stretches, &guess, &guess, None, course.fogger)?;
    let balance = balance(&whole, course.fogger);
    let mut without_block = Vec::new();
    for block in 0..BLOCKS {
        let left_out = Some((block, &course.steps));
        without_block.push(self::balance(
            &solve(&stretches, &whole, &guess, left_out, course.fogger)?,
            course.fogger,
        ));
    }
    let interval = |of: &dyn Fn(&Balance) -> f64, model_u: f64| {
        jackknife(
            of(&balance),
            &without_block.iter().map(of).collect::<Vec<_>>(),
            model_u,
        )
    };
    Ok(Fitted {
        half_life_min: interval(&Balance::dry_half_life_min, MODEL_U.0),
        mist_air_g_m3_s: interval(&|b| b.mist_air_g_m3_s, MODEL_U.1),
        mist_g_m3_s: interval(&|b| b.mist_air_g_m3_s + b.mist_surface_g_m3_s, MODEL_U.2),
        error_pct: error_pct(&stretches, &balance, whole[SENSOR].exp()),
        balance,
        without_block,
        days,
        run_count,
    })
}

/// A positive figure with its jackknife interval, in logarithms, and the model's own doubt.
fn jackknife(value: f64, without: &[f64], model_u: f64) -> Estimate {
    let n = without.len() as f64;
    let logs: Vec<f64> = without.iter().map(|v| v.ln()).collect();
    let mean = logs.iter().sum::<f64>() / n;
    let variance = (n - 1.0) / n * logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
    let width = (student_quantile(0.975, n - 1.0) * variance.sqrt()).hypot(normal_quantile(0.975) * model_u);
    Estimate {
        value,
        low: value * (-width).exp(),
        high: value * width.exp(),
    }
}

/// Known stretches of steps; each begins anew after a gap or a disturbance.
fn stretches(steps: &[Step]) -> Vec<Stretch<'_>> {
    let usable = |step: &Step| step.w_g_m3.is_some() && step.room_g_m3.is_some() && !step.disturbed;
    steps
        .chunk_by(|a, b| usable(a) == usable(b))
        .filter(|chunk| usable(&chunk[0]) && chunk.len() > 2 * SETTLE_STEPS)
        .map(|steps| Stretch {
            steps,
            trusted_from: SETTLE_STEPS,
        })
        .collect()
}

/// First guesses of the parameters, in their order: see [`balance`].
fn guess(course: &Course) -> Vec<f64> {
    let means: Vec<(f64, f64)> = course
        .steps
        .iter()
        .filter_map(|step| {
            Some((
                step.w_g_m3? - step.room_g_m3?,
                step.saturation_g_m3? - step.w_g_m3?,
            ))
        })
        .collect();
    let count = means.len().max(1) as f64;
    let excess = (means.iter().map(|m| m.0).sum::<f64>() / count).max(0.5);
    // An hour's half-life; half of what is lost to the room comes from a steady source.
    let rate = std::f64::consts::LN_2 / 3600.0;
    let steady = 0.25 * rate * excess;
    let mut guess = vec![
        rate.ln(),
        -0.5,
        steady.ln(),
        steady.ln(),
        4e-4_f64.ln(),
        0.03_f64.ln(),
        0.06_f64.ln(),
        1e-3_f64.ln(),
        SENSOR_S.ln(),
    ];
    if course.fogger {
        guess.push(8e-3_f64.ln());
    }
    guess
}

/// The balance of a set of parameters: logarithm of the whole dry rate, logit of the soil's share of it, logarithms of the rest;
/// the one before the fog's is the sensors' time constant.
fn balance(p: &[f64], fogger: bool) -> Balance {
    let rate = p[0].exp();
    let soil_frac = 1.0 / (1.0 + (-p[1]).exp());
    Balance {
        exchange_per_s: rate * (1.0 - soil_frac),
        soil_per_s: rate * soil_frac,
        steady_lit_g_m3_s: p[2].exp(),
        steady_dark_g_m3_s: p[3].exp(),
        wet_per_s: p[4].exp(),
        mist_air_g_m3_s: p[5].exp(),
        mist_surface_g_m3_s: p[6].exp(),
        condensation_per_s: p[7].exp(),
        fog_air_g_m3_s: if fogger { p[9].exp() } else { 0.0 },
    }
}

/// Parameters with the least squares; a block of the steps may be left out.
fn solve(
    stretches: &[Stretch<'_>],
    start: &[f64],
    guess: &[f64],
    left_out: Option<(usize, &Vec<Step>)>,
    fogger: bool,
) -> Result<Vec<f64>, Refusal> {
    let block = left_out.map(|(block, steps)| {
        let (first, last) = (steps[0].at_ms, steps[steps.len() - 1].at_ms);
        let length = (last - first) / BLOCKS as i64 + 1;
        first + block as i64 * length..first + (block as i64 + 1) * length
    });
    let counts = |at_ms: i64| block.as_ref().is_none_or(|block| !block.contains(&at_ms));
    let residual_count: usize = stretches
        .iter()
        .map(|s| {
            (s.trusted_from..s.steps.len())
                .step_by(RESIDUAL_STEPS)
                .filter(|index| counts(s.steps[*index].at_ms))
                .count()
        })
        .sum();
    let scale = 1.0 / RESIDUAL_G_M3 / RESIDUALS_PER_INDEPENDENT.sqrt();
    let write = |p: &[f64], out: &mut [f64]| {
        let balance = balance(p, fogger);
        let mut next = 0;
        for stretch in stretches {
            walk(&balance, p[SENSOR].exp(), stretch.steps, |index, modelled| {
                let step = &stretch.steps[index];
                let takes = index >= stretch.trusted_from
                    && (index - stretch.trusted_from).is_multiple_of(RESIDUAL_STEPS)
                    && counts(step.at_ms);
                if takes {
                    out[next] = scale * (modelled - step.w_g_m3.unwrap_or(modelled));
                    next += 1;
                }
            });
        }
        for (index, (value, guess)) in p.iter().zip(guess).enumerate() {
            out[next + index] = (value - guess) / GUESS_SPREAD;
        }
    };
    least_squares_in_pieces(write, residual_count + guess.len(), start, GAIN_MIN)
        .map(|fit| fit.parameters)
        .map_err(|error| Refusal(format!("the moisture balance could not be fitted: {error}")))
}

/// Runs the balance over steps from their first reading and calls `each(index, vapour density as the sensors would show it)` at
/// every step; they follow the air with the time constant `sensor_s`.
fn walk(balance: &Balance, sensor_s: f64, steps: &[Step], mut each: impl FnMut(usize, f64)) {
    let mut state = Moist {
        vapour_g_m3: steps.first().and_then(|step| step.w_g_m3).unwrap_or(0.0),
        surface_g_m3: 0.0,
    };
    let mut shown = state.vapour_g_m3;
    let follows = 1.0 - (-(STEP_MS as f64) / 1000.0 / sensor_s).exp();
    for (index, step) in steps.iter().enumerate() {
        shown += follows * (state.vapour_g_m3 - shown);
        each(index, shown);
        state = balance.step(state, &acting(step, step.mist_s, step.fog_s));
    }
}

/// What acts in a step, with another misting than was seen.
pub(super) fn acting(step: &Step, mist_s: f64, fog_s: f64) -> Acting {
    let saturation = step.saturation_g_m3.unwrap_or(0.0);
    Acting {
        seconds: STEP_MS as f64 / 1000.0,
        saturation_g_m3: saturation,
        glass_saturation_g_m3: step.glass_saturation_g_m3.unwrap_or(saturation),
        room_g_m3: step.room_g_m3.unwrap_or(0.0),
        lit: step.lit,
        mist_s,
        fog_s,
    }
}

fn error_pct(stretches: &[Stretch<'_>], balance: &Balance, sensor_s: f64) -> f64 {
    let (mut squares, mut count) = (0.0, 0_u32);
    for stretch in stretches {
        walk(balance, sensor_s, stretch.steps, |index, modelled| {
            let step = &stretch.steps[index];
            if let (true, Some(w), Some(saturation)) =
                (index >= stretch.trusted_from, step.w_g_m3, step.saturation_g_m3)
            {
                squares += (100.0 * (modelled - w) / saturation).powi(2);
                count += 1;
            }
        });
    }
    (squares / f64::from(count.max(1))).sqrt()
}

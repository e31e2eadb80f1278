//! Learning one place: what acted on it, which hours and days count, and whether the fitted model may speak.

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::device::{States, hours_within, known_together, overlapping, union};
use super::super::places::Line;
use super::model::{self, Inputs, Model};
use super::say::Scene;
use super::{MODEL_DOUBT_FRAC, STEP_MS, Thermal, left_over};
use crate::statistics::Estimate;
use crate::statistics::robust::median;

/// The fit looks back this far: long enough to see warm and cool days, short enough that plants and furniture stay.
const WINDOW_MS: i64 = 28 * MS_PER_24_H;
/// The first day only brings the lags to where they belong.
const BURN_IN_STEPS: usize = (MS_PER_24_H / STEP_MS) as usize;
/// A step counts when everything that acted is known for this share of the day before it.
const KNOWN_FRAC_MIN: f64 = 0.9;
/// Days that count, at least.
const DAYS_MIN: usize = 10;
/// A source must have been on, and off, for this long in all to show what it does, h.
const SOURCE_H_MIN: f64 = 6.0;
/// A day whose residuals are this many times the usual is odd and left out.
const ODD_DAY_FACTOR: f64 = 2.5;
/// What a model of an enclosure may leave over, K; more, and it says nothing (our own choice: twice a cheap probe's claim).
const RESIDUAL_K_MAX: f64 = 1.0;
/// Constants that are not known to this share, or time constants outside this range, h, are not told.
const DOUBT_FRAC_MAX: f64 = 0.6;
const MEAN_LAG_H_RANGE: (f64, f64) = (0.2, 24.0);
/// Two thermometers, each within its claim in 95 of 100: √2 / 2 of the claim as a standard uncertainty.
const TWO_THERMOMETERS: f64 = std::f64::consts::FRAC_1_SQRT_2;
/// An event in the journal after which a place is another one.
const NEW_PLACE_KINDS: [&str; 2] = [journal::SENSOR_MOVED, journal::SENSOR_REPLACED];
const NEW_ENCLOSURE_KINDS: [&str; 1] = [journal::DEVICE_REPLACED];

/// What acted on every place, on equal steps.
pub(super) struct Acting {
    from_ms: i64,
    inputs: Inputs,
    /// Share of each step in which room and devices are known.
    known: Vec<f64>,
    /// Whether the room was read at each step.
    room_known: Vec<bool>,
    pub(super) scene: Scene,
}

impl Acting {
    pub(super) fn of(context: &Context<'_>) -> Result<Acting, String> {
        let room = context
            .room_c
            .as_ref()
            .ok_or("no usable temperature of the room")?;
        let until_ms = context.span.until_ms;
        let from_ms = (until_ms - WINDOW_MS).max(context.record_from_ms());
        let count = usize::try_from((until_ms - from_ms) / STEP_MS).unwrap_or(0);
        let steps: Vec<Span> = (0..count as i64)
            .map(|index| Span {
                from_ms: from_ms + index * STEP_MS,
                until_ms: from_ms + (index + 1) * STEP_MS,
            })
            .collect();
        let heater = source(context, DeviceKind::Heater, &steps)?;
        let lamp = source(context, DeviceKind::Lamp, &steps)?;
        // A fogger that sends no states can't be told apart: what it takes off is then in the lamp's rise.
        let fogger = source(context, DeviceKind::Fogger, &steps).unwrap_or_default();
        let (room_c, room_known) = room_on(room, &steps).ok_or("too little is known of the room")?;
        let known = steps
            .iter()
            .zip(&room_known)
            .map(|(step, room_known)| {
                let hours = step.hours();
                let of = |source: &Option<Source>| {
                    source
                        .as_ref()
                        .map_or(1.0, |source| hours_within(&source.known, *step) / hours)
                };
                of(&heater)
                    .min(of(&lamp))
                    .min(of(&fogger))
                    .min(f64::from(u8::from(*room_known)))
            })
            .collect();
        let share = |source: &Option<Source>| -> Vec<f64> {
            let Some(source) = source.as_ref().filter(|source| source.shows(&steps)) else {
                return Vec::new();
            };
            steps
                .iter()
                .map(|step| hours_within(overlapping(&source.on, *step), *step) / step.hours())
                .collect()
        };
        let inputs = Inputs {
            step_h: STEP_MS as f64 / MS_PER_HOUR as f64,
            heater: share(&heater),
            lamp: share(&lamp),
            fogger: share(&fogger),
            day: steps
                .iter()
                .map(|step| day_number(context, step.from_ms))
                .collect(),
            place_c: Vec::new(),
            room_c,
        };
        let scene = Scene::of(context, &inputs);
        Ok(Acting {
            from_ms,
            inputs,
            known,
            room_known,
            scene,
        })
    }
}

fn day_number(context: &Context<'_>, at_ms: i64) -> i32 {
    use chrono::Datelike;
    context.zone.date(at_ms).num_days_from_ce()
}

/// When the devices of one kind were on, together.
struct Source {
    on: Vec<Span>,
    known: Vec<Span>,
}

impl Source {
    /// Whether it was on long enough, and off, for its heat to be seen.
    fn shows(&self, steps: &[Span]) -> bool {
        let Some((first, last)) = steps.first().zip(steps.last()) else {
            return false;
        };
        let whole = Span {
            from_ms: first.from_ms,
            until_ms: last.until_ms,
        };
        let on_h = hours_within(&self.on, whole);
        on_h >= SOURCE_H_MIN && hours_within(&self.known, whole) - on_h >= SOURCE_H_MIN
    }
}

/// The devices of a kind as one source; a lamp without states shines in its light hours. `Ok(None)`: there is none.
fn source(context: &Context<'_>, kind: DeviceKind, steps: &[Span]) -> Result<Option<Source>, String> {
    let devices: Vec<_> = context.enclosure.devices_of(kind).collect();
    let Some((first, last)) = steps.first().zip(steps.last()).filter(|_| !devices.is_empty()) else {
        return Ok(None);
    };
    let whole = Span {
        from_ms: first.from_ms,
        until_ms: last.until_ms,
    };
    let states: Vec<States> = devices
        .iter()
        .filter_map(|device| context.states(device))
        .collect();
    if states.len() < devices.len() {
        return match kind {
            DeviceKind::Lamp => Ok(Some(Source {
                on: context.light_within(whole),
                known: vec![whole],
            })),
            _ => Err(format!(
                "a {} sends no states, so its heat can't be told from the room's",
                kind.name()
            )),
        };
    }
    let known = known_together(&states);
    Ok(Some(Source {
        on: union(states.into_iter().flat_map(|states| states.on).collect()),
        known,
    }))
}

/// The room at the middle of each step, and whether it was read there; what was not is what was read last.
fn room_on(room: &Line, steps: &[Span]) -> Option<(Vec<f64>, Vec<bool>)> {
    let read: Vec<Option<f64>> = steps
        .iter()
        .map(|step| room.value_at((step.from_ms + step.until_ms) / 2))
        .collect();
    let first = read.iter().flatten().next().copied()?;
    let mut last = first;
    let filled = read
        .iter()
        .map(|value| {
            last = value.unwrap_or(last);
            last
        })
        .collect();
    Some((filled, read.iter().map(Option::is_some).collect()))
}

pub(super) fn learn_place(
    context: &Context<'_>,
    acting: &Acting,
    sensor: &Sensor,
) -> Result<Thermal, String> {
    let usable = context
        .trusted
        .get(&sensor.id, Quantity::Temperature)
        .ok_or("no usable temperature")?;
    let line = Line::of(&usable.series);
    let since_ms = context
        .record
        .entries(&context.enclosure.id, context.whole())
        .filter(|entry| {
            let here = entry.subject.as_deref() == Some(sensor.id.as_str());
            (here && NEW_PLACE_KINDS.contains(&entry.kind.as_str()))
                || NEW_ENCLOSURE_KINDS.contains(&entry.kind.as_str())
        })
        .map(|entry| entry.at_ms)
        .max()
        .unwrap_or(i64::MIN);
    let mut inputs = acting.inputs.clone();
    inputs.place_c = (0..inputs.room_c.len() as i64)
        .map(|index| acting.from_ms + (index + 1) * STEP_MS)
        .map(|at_ms| (at_ms > since_ms).then(|| line.value_at(at_ms)).flatten())
        .collect();
    let rows = without_pauseless_days(&inputs, counted_rows(&inputs, &acting.known));
    if !inputs.fogger.is_empty() && !model::varies(&inputs.fogger, &rows) {
        inputs.fogger.clear();
    }
    let days = day_count(&inputs, &rows);
    if days < DAYS_MIN {
        return Err(format!(
            "only {} known from room, devices and this place together; {DAYS_MIN} are needed",
            crate::words::several(days, "day")
        ));
    }
    let undetermined = |_| "what acted did not change enough to tell one source from another".to_owned();
    let mut first = Model::fit(&inputs, &rows).map_err(undetermined)?;
    if first.values().fogger_k > 0.0 {
        // Fog can only cool: what looks like its warmth came with it by chance.
        inputs.fogger.clear();
        first = Model::fit(&inputs, &rows).map_err(undetermined)?;
    }
    let rows = without_odd_days(&inputs, &rows, &first);
    let days = day_count(&inputs, &rows);
    if days < DAYS_MIN {
        return Err("too many days went otherwise than the others".to_owned());
    }
    let model = first.refit(&inputs, &rows).map_err(undetermined)?;
    if model.residual_k > RESIDUAL_K_MAX {
        return Err(format!(
            "room, heater and lamp explain it only to within {}",
            context.words.difference(model.residual_k)
        ));
    }
    let of = |of: fn(&model::Values) -> f64| model.estimate(of, 0.0).ok_or("its figures are not finite");
    let known = |estimate: &Estimate| {
        (estimate.high - estimate.low) / 2.0 <= DOUBT_FRAC_MAX * estimate.value && estimate.value > 0.0
    };
    let time_constant_h = of(model::Values::mean_lag_h)?;
    if !known(&time_constant_h)
        || time_constant_h.value < MEAN_LAG_H_RANGE.0
        || time_constant_h.value > MEAN_LAG_H_RANGE.1
    {
        return Err("how fast it follows its room can't be told from this record".to_owned());
    }
    let has = |kind| context.enclosure.devices_of(kind).next().is_some();
    let heater_rise_k = of(|v| v.heater_k).ok().filter(known).map(with_model_doubt);
    let lamp_rise_k = of(|v| v.lamp_k + v.shine_k)
        .ok()
        .filter(known)
        .map(with_model_doubt);
    let fogger_rise_k = of(|v| v.fogger_k)
        .ok()
        .filter(|_| !inputs.fogger.is_empty())
        .map(with_model_doubt);
    let lamp_is_unknown = has(DeviceKind::Lamp) && lamp_rise_k.is_none();
    Ok(Thermal {
        sensor: sensor.id.clone(),
        place: sensor
            .place
            .as_ref()
            .map_or_else(|| sensor.id.clone(), |place| format!("“{place}”")),
        time_constant_h,
        unbounded: (has(DeviceKind::Heater) && heater_rise_k.is_none()) || lamp_is_unknown,
        lamp_is_unknown,
        heater_rise_k,
        lamp_rise_k,
        fogger_rise_k,
        offset_k: of(|v| v.offset_k)?,
        residual_k: model.residual_k,
        doubt_k: model.residual_k.hypot(TWO_THERMOMETERS * usable.half_width),
        days,
        model,
        inputs,
        room_known: acting.room_known.clone(),
        from_ms: acting.from_ms,
    })
}

/// A rise with what the model itself may be off by, beside what its fit is.
fn with_model_doubt(rise_k: Estimate) -> Estimate {
    let model_k = MODEL_DOUBT_FRAC * rise_k.value.abs();
    Estimate {
        value: rise_k.value,
        low: rise_k.value - model_k.hypot(rise_k.value - rise_k.low),
        high: rise_k.value + model_k.hypot(rise_k.high - rise_k.value),
    }
}

/// Steps with a reading, after the burn-in, with what acted known over the day before.
fn counted_rows(inputs: &Inputs, known: &[f64]) -> Vec<usize> {
    let mut sum = 0.0;
    let mut rows = Vec::new();
    for (index, share) in known.iter().enumerate() {
        sum += share;
        if index >= BURN_IN_STEPS {
            sum -= known[index - BURN_IN_STEPS];
            if sum >= KNOWN_FRAC_MIN * BURN_IN_STEPS as f64 && inputs.place_c[index].is_some() {
                rows.push(index);
            }
        }
    }
    rows
}

/// Rows of days on which the heater had a pause, where that is the rule: one that had none was stuck, had failed, or was too weak for the cold.
fn without_pauseless_days(inputs: &Inputs, rows: Vec<usize>) -> Vec<usize> {
    let mut paused: Vec<i32> = rows
        .iter()
        .filter(|row| inputs.heater.get(**row).is_none_or(|on_frac| *on_frac < 1.0))
        .map(|row| inputs.day[*row])
        .collect();
    paused.dedup();
    if 2 * paused.len() < day_count(inputs, &rows) {
        return rows;
    }
    let has_pause = |row: &usize| paused.binary_search(&inputs.day[*row]).is_ok();
    rows.into_iter().filter(has_pause).collect()
}

fn day_count(inputs: &Inputs, rows: &[usize]) -> usize {
    let mut days: Vec<i32> = rows.iter().map(|row| inputs.day[*row]).collect();
    days.dedup();
    days.len()
}

/// Rows of days whose residuals are no larger than usual.
fn without_odd_days(inputs: &Inputs, rows: &[usize], model: &Model) -> Vec<usize> {
    let left = left_over(inputs, &model.parts(inputs));
    let mut days: Vec<(i32, f64, f64)> = Vec::new();
    for row in rows {
        let square = left[*row].map_or(0.0, |k| k * k);
        match days.last_mut() {
            Some((day, sum, count)) if *day == inputs.day[*row] => {
                *sum += square;
                *count += 1.0;
            }
            _ => days.push((inputs.day[*row], square, 1.0)),
        }
    }
    let size: Vec<f64> = days.iter().map(|(_, sum, count)| (sum / count).sqrt()).collect();
    let Some(usual) = median(&size) else {
        return rows.to_vec();
    };
    let odd: Vec<i32> = days
        .iter()
        .zip(&size)
        .filter(|(_, size)| **size > ODD_DAY_FACTOR * usual)
        .map(|((day, _, _), _)| *day)
        .collect();
    rows.iter()
        .copied()
        .filter(|row| !odd.contains(&inputs.day[*row]))
        .collect()
}

//! What a fitted model means to a keeper, in sentences with ranges.

use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::super::context::Context;
use super::model::{Inputs, Model, Values};
use super::{MODEL_DOUBT_FRAC, Thermal};
use crate::statistics::Estimate;
use crate::statistics::robust::quantile;

/// A hot room, for the question that keepers ask in summer.
const HOT_ROOM_C: f64 = 30.0;
/// A cold room, for the question that keepers ask in winter.
const COLD_ROOM_C: f64 = 10.0;
/// Beyond this it is not told how long something takes, h.
const HOURS_MAX: f64 = 48.0;
/// A range wider than this says too little to be told, K.
const RANGE_K_MAX: f64 = 6.0;

/// What the sentences start from.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Scene {
    /// Hours of light asked for on the last day.
    pub(super) light_h: f64,
    /// What the room usually goes down to, °C: the 5th percentile of the window.
    cool_room_c: Option<f64>,
    max_c: f64,
    min_c: f64,
    night_low_c: f64,
}

impl Scene {
    pub(super) fn of(context: &Context<'_>, inputs: &Inputs) -> Scene {
        let last = Span {
            from_ms: context.span.until_ms - MS_PER_24_H,
            until_ms: context.span.until_ms,
        };
        let limits = context.limits_at(context.span.until_ms - 1);
        Scene {
            light_h: context.light_within(last).iter().map(|span| span.hours()).sum(),
            cool_room_c: quantile(&inputs.room_c, 0.05),
            max_c: limits.max_c,
            min_c: limits.min_c,
            night_low_c: limits.night_c.low,
        }
    }
}

/// At the end of the light hours of a day on which the room stays as it is, with heater and fogger off, above the room.
fn evening_rise_k(values: &Values, light_h: f64) -> f64 {
    values.offset_k + values.lamp_k * values.followed_frac(light_h) + values.shine_k
}

/// The first time, h, at which `at` is no longer above `limit_c`; `None` if not within [`HOURS_MAX`]. `at` falls.
fn hours_until(at: impl Fn(f64) -> f64, limit_c: f64) -> Option<f64> {
    if at(0.0) <= limit_c {
        return Some(0.0);
    }
    if at(HOURS_MAX) > limit_c {
        return None;
    }
    let (mut low, mut high) = (0.0, HOURS_MAX);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if at(middle) > limit_c {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

/// The sentences about an enclosure: the hot room by the place that stays coolest, the power cut by the place that stays warmest.
pub(super) fn sentences(context: &Context<'_>, places: &[Thermal], scene: &Scene) -> Vec<String> {
    let rise = |place: &Thermal| evening_rise_k(&place.model.values(), scene.light_h);
    let coolest = places.iter().min_by(|a, b| rise(a).total_cmp(&rise(b)));
    let slowest = places
        .iter()
        .max_by(|a, b| a.time_constant_h.value.total_cmp(&b.time_constant_h.value));
    let mut sentences = Vec::new();
    sentences.extend(coolest.map(|place| what_adds(context, place)));
    sentences.extend(coolest.and_then(|place| hot_room(context, place, scene)));
    sentences.extend(slowest.and_then(|place| without_power(context, place, scene)));
    sentences
}

fn range(context: &Context<'_>, estimate: Estimate) -> String {
    format!(
        "{} ({} to {})",
        context.words.temperature(estimate.value),
        context.words.temperature(estimate.low),
        context.words.temperature(estimate.high)
    )
}

fn what_adds(context: &Context<'_>, place: &Thermal) -> String {
    let words = context.words;
    let rise = |what: &str, estimate: Option<Estimate>| {
        estimate.map(|estimate| {
            format!(
                "the {what} in the long run {} ({} to {})",
                words.difference(estimate.value),
                words.difference(estimate.low),
                words.difference(estimate.high)
            )
        })
    };
    let parts: Vec<String> = [
        rise("heater adds", place.heater_rise_k),
        rise("lamp adds", place.lamp_rise_k),
    ]
    .into_iter()
    .flatten()
    .collect();
    let adds = if parts.is_empty() {
        String::new()
    } else {
        format!("; {}", crate::words::list(&parts))
    };
    format!(
        "At {} it follows its room with a delay of about {} ({} to {}){adds}. Learned from {}.",
        place.place,
        words.hours(place.time_constant_h.value),
        words.hours(place.time_constant_h.low.max(0.0)),
        words.hours(place.time_constant_h.high),
        crate::words::several(place.days, "day")
    )
}

/// "When the room reaches 30 °C …", and the room at which the limit is reached.
fn hot_room(context: &Context<'_>, place: &Thermal, scene: &Scene) -> Option<String> {
    let reached = place.evening_c(HOT_ROOM_C, scene.light_h)?;
    // The room at which the limit is reached lies as far below it as the evening lies above its room.
    let rise_k = reached.value - HOT_ROOM_C;
    let passes = Estimate::symmetric(scene.max_c - rise_k, reached.high - reached.value);
    let off = if place.fogger_rise_k.is_some() {
        "heater and fogger off"
    } else {
        "heater off"
    };
    Some(format!(
        "On a day on which the room stays at {}, {} would come to about {} by the end of the light hours, {off}; its limit of {} would \
         be reached in a room of about {}.",
        context.words.temperature(HOT_ROOM_C),
        place.place,
        range(context, reached),
        context.words.temperature(scene.max_c),
        range(context, passes)
    ))
}

/// After a power cut, from where it stands at the end of the record: the hours until each limit.
fn without_power(context: &Context<'_>, place: &Thermal, scene: &Scene) -> Option<String> {
    let words = context.words;
    let row = place.last_row()?;
    let start_c = place.inputs.place_c[row]?;
    let cool_room_c = scene.cool_room_c?;
    let half = place.model.estimate(
        |v| hours_until(|hours| 1.0 - v.followed_frac(hours), 0.5).unwrap_or(f64::NAN),
        0.0,
    )?;
    let mut told = vec![format!(
        "Without power, half of what {} has above its room is gone after about {} ({} to {})",
        place.place,
        words.hours(half.value),
        words.hours(half.low.max(0.0)),
        words.hours(half.high)
    )];
    for (name, limit_c) in [
        ("the wanted night", scene.night_low_c),
        ("the lowest limit", scene.min_c),
    ] {
        let rooms = [cool_room_c, COLD_ROOM_C.min(cool_room_c)];
        // In a room near the limit it only comes near it, for hours that nobody can tell.
        let colder = rooms
            .into_iter()
            .filter(|room_c| *room_c < limit_c - 2.0 * place.doubt_k);
        let found = colder.into_iter().find_map(|room_c| {
            let fall = place.hours_without_power(limit_c, room_c)?;
            Some((room_c, fall))
        });
        let Some((room_c, fall)) = found else { continue };
        told.push(format!(
            "from {} it would fall below {name} ({}) after about {} ({} {}) in a room of {}",
            words.temperature(start_c),
            words.temperature(limit_c),
            words.hours(fall.value),
            words.hours(fall.low),
            if fall.high < HOURS_MAX {
                format!("to {}", words.hours(fall.high))
            } else {
                "or longer".to_owned()
            },
            words.temperature(room_c)
        ));
    }
    if start_c <= scene.min_c {
        told.push(format!(
            "it stands below its lowest limit of {} already",
            words.temperature(scene.min_c)
        ));
    } else if told.len() == 1 {
        told.push(format!(
            "in a room that stays above {} it would not fall below its lowest limit of {}",
            words.temperature(scene.min_c - place.offset_k.low),
            words.temperature(scene.min_c)
        ));
    }
    Some(told.join("; ") + ".")
}

impl Thermal {
    /// At the end of the light hours of a day on which the room stays at `room_c`, heater and fogger off, °C; without light hours as if the
    /// lamps stayed off. `None` where the record does not show what a lamp adds, which makes every figure of a day a guess, or where the range
    /// says too little.
    pub fn evening_c(&self, room_c: f64, light_h: f64) -> Option<Estimate> {
        if self.lamp_is_unknown {
            return None;
        }
        let rise_k = |v: &Values| match light_h > 0.0 {
            true => evening_rise_k(v, light_h),
            false => v.offset_k,
        };
        self.told(room_c, rise_k)
    }

    /// In the long run in a room that stays at `room_c`, with nothing on or with the heater on all the time, °C; `None` as for
    /// [`Thermal::evening_c`].
    pub fn long_run_c(&self, room_c: f64, is_heated: bool) -> Option<Estimate> {
        if is_heated && self.heater_rise_k.is_none() {
            return None;
        }
        self.told(room_c, |v| v.offset_k + if is_heated { v.heater_k } else { 0.0 })
    }

    /// So much above a room, with what the model itself may be off by.
    fn told(&self, room_c: f64, rise_k: impl Fn(&Values) -> f64) -> Option<Estimate> {
        let doubt_k = self
            .doubt_k
            .hypot(MODEL_DOUBT_FRAC / 2.0 * rise_k(&self.model.values()));
        self.model
            .estimate(|v| room_c + rise_k(v), doubt_k)
            .filter(|told| told.high - told.low <= RANGE_K_MAX)
    }

    /// The lowest and the highest of the room in the last weeks that it was learned from, °C.
    pub fn room_was_c(&self) -> Option<(f64, f64)> {
        let known = self.inputs.room_c.iter().zip(&self.room_known);
        known
            .filter(|(_, is_known)| **is_known)
            .map(|(room_c, _)| *room_c)
            .fold(None, |range, room_c| {
                let (low, high) = range.unwrap_or((room_c, room_c));
                Some((f64::min(low, room_c), f64::max(high, room_c)))
            })
    }

    /// Hours from the end of the record until a power cut lets the place fall below a limit, in a room that stays at `room_c`, with the
    /// range that parameters and scatter leave; `None` where it does not within two days, or stands below it already.
    pub fn hours_without_power(&self, limit_c: f64, room_c: f64) -> Option<Estimate> {
        let row = self.last_row()?;
        if self.inputs.place_c[row]? <= limit_c {
            return None;
        }
        let until = |v: &Values, limit_c: f64| {
            let stores = Model::stores(&self.inputs, v, row)?;
            hours_until(|hours| stores.after_c(v, room_c, hours), limit_c)
        };
        let values = self.model.values();
        let value = until(&values, limit_c)?;
        let estimate = self
            .model
            .estimate(|v| until(v, limit_c).unwrap_or(f64::NAN), 0.0)?;
        // The scatter of the temperature itself, as time: how long it takes to fall by it around the limit.
        let doubt_k = 2.0 * self.doubt_k;
        let early = until(&values, limit_c + doubt_k).unwrap_or(0.0);
        let late = until(&values, limit_c - doubt_k).unwrap_or(HOURS_MAX);
        Some(Estimate {
            value,
            low: early.min(estimate.low).max(0.0),
            high: late.max(estimate.high),
        })
    }
}

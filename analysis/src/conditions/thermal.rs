//! What an enclosure would do: how it follows its room, what heater and lamp add and fog takes off, how long it stays warm without power.
//!
//! In: usable temperatures of each place, the room, states of heater, lamp and fogger, over some weeks. Out: a fitted [`Model`] a place, with
//! sentences for the keeper, or why there is none. Odd days (a door ajar, the sun, another lamp) are left out by their residuals.
//!
//! - `thermal/learn.rs`: which hours and days count; `thermal/model.rs`: the model and its fit; `thermal/say.rs`: what is said of it.

mod learn;
mod model;
mod say;

use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::context::Context;
use crate::physics::heat::{Gap, highest_in_gap, lowest_in_gap};
use crate::statistics::Estimate;
use crate::statistics::robust::median;
use learn::{Acting, learn_place};
use model::{Inputs, Model, Parts};

/// Steps of the fit: finer than any enclosure answers, coarser than most sensors speak.
const STEP_MS: i64 = 20 * 60_000;
/// What one air and one store leave out of a real enclosure, as a share of a rise (95 %): on simulated ones with two ends and evaporation
/// the fitted rises of heater and lamp were off by −18 to +4 % (5th to 95th percentile of 149, tuning seeds 1 to 20), mostly too low, since
/// warmer air dries leaves faster and that cools.
const MODEL_DOUBT_FRAC: f64 = 0.25;
/// What is known of one place.
#[derive(Debug, Clone)]
pub struct Thermal {
    /// The sensor there, and the place's name.
    pub sensor: String,
    pub place: String,
    /// Mean time by which it follows its room, h.
    pub time_constant_h: Estimate,
    /// Steady rise above the room with heater or lamp wholly on, K; `None` where the record does not show it.
    pub heater_rise_k: Option<Estimate>,
    pub lamp_rise_k: Option<Estimate>,
    /// What the fogger wholly on takes off, K, as a negative rise; `None` where there is none or the record does not show it.
    pub fogger_rise_k: Option<Estimate>,
    /// What it has above the room with all off, K.
    pub offset_k: Estimate,
    /// Standard deviation of what the model leaves over, K.
    pub residual_k: f64,
    /// What a told temperature may be off by beside the model's own doubt: scatter, and the claims of two thermometers, K (standard).
    doubt_k: f64,
    pub days: usize,
    /// A heater or lamp whose rise the record does not show is there: what a gap can hide is then not bounded.
    unbounded: bool,
    /// A lamp whose rise the record does not show is there.
    lamp_is_unknown: bool,
    model: Model,
    inputs: Inputs,
    /// Whether the room was read at each step.
    room_known: Vec<bool>,
    from_ms: i64,
}

/// What the enclosure would do, in sentences, or why that is not known.
#[derive(Debug, Clone, Default)]
pub struct WhatItWouldDo {
    pub places: Vec<Thermal>,
    /// Hours of light asked for on the last day.
    pub light_h: f64,
    /// Ready for the keeper; empty where nothing could be learned.
    pub sentences: Vec<String>,
    /// Why it is not known, or not of every place.
    pub refused: Vec<String>,
}

impl WhatItWouldDo {
    /// What is said of it, with the places of which it is not known; empty where nothing was asked.
    pub fn lines(&self) -> Vec<String> {
        let refused = self.refused.iter().map(|reason| format!("Not known: {reason}."));
        self.sentences.iter().cloned().chain(refused).collect()
    }
}

/// Departures of one span from what is usual there, by what acted, K.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shares {
    pub(super) room_k: f64,
    pub(super) heater_k: f64,
    pub(super) lamp_k: f64,
    pub(super) fogger_k: f64,
    /// What the model can't explain.
    pub(super) rest_k: f64,
}

/// Learns every place of the enclosure that animals can reach.
pub(super) fn learn(context: &Context<'_>) -> WhatItWouldDo {
    let mut found = WhatItWouldDo::default();
    let acting = match Acting::of(context) {
        Ok(acting) => acting,
        Err(reason) => {
            found.refused.push(reason);
            return found;
        }
    };
    for sensor in context.enclosure.animal_sensors() {
        match learn_place(context, &acting, sensor) {
            Ok(thermal) => found.places.push(thermal),
            Err(reason) => found.refused.push(format!("{}: {reason}", sensor.id)),
        }
    }
    found.light_h = acting.scene.light_h;
    found.sentences = say::sentences(context, &found.places, &acting.scene);
    found
}

/// What the model leaves over at each step that has a reading, K.
fn left_over(inputs: &Inputs, parts: &Parts) -> Vec<Option<f64>> {
    inputs
        .place_c
        .iter()
        .enumerate()
        .map(|(row, read)| Some((*read)? - parts.sum_c(row)))
        .collect()
}

impl Thermal {
    /// Steps that end inside a span.
    fn rows_in(&self, span: Span) -> std::ops::Range<usize> {
        let row = |at_ms: i64| {
            usize::try_from((at_ms - self.from_ms + STEP_MS - 1).div_euclid(STEP_MS) - 1)
                .unwrap_or(0)
                .min(self.inputs.room_c.len())
        };
        row(span.from_ms)..row(span.until_ms)
    }

    /// The last step with a reading, if it lies in the last hours of the record.
    fn last_row(&self) -> Option<usize> {
        /// Older than this, where the place stands is not known.
        const STEPS_MAX: usize = (6 * MS_PER_HOUR / STEP_MS) as usize;
        let count = self.inputs.place_c.len();
        (count.saturating_sub(STEPS_MAX)..count)
            .rev()
            .find(|row| self.inputs.place_c[*row].is_some())
    }

    /// Mean of what was read in a span, °C.
    pub(super) fn mean_c(&self, span: Span) -> Option<f64> {
        let read: Vec<f64> = self
            .rows_in(span)
            .filter_map(|row| self.inputs.place_c.get(row).copied().flatten())
            .collect();
        (!read.is_empty()).then(|| read.iter().sum::<f64>() / read.len() as f64)
    }

    /// By how much each part of a span lies above the same hours of `usual` days, mean over the span; `None` where too little is known.
    pub(super) fn shares(&self, span: Span, usual_days: &[Span]) -> Option<Shares> {
        /// Days that say what is usual.
        const USUAL_MIN: usize = 3;
        let parts = self.model.parts(&self.inputs);
        let left = left_over(&self.inputs, &parts);
        let means = |span: Span| -> Option<[f64; 5]> {
            let rows: Vec<usize> = self.rows_in(span).filter(|row| left[*row].is_some()).collect();
            if rows.is_empty() {
                return None;
            }
            let mean =
                |of: &dyn Fn(usize) -> f64| rows.iter().map(|row| of(*row)).sum::<f64>() / rows.len() as f64;
            Some([
                mean(&|row| parts.room_c[row]),
                mean(&|row| parts.heater_k[row]),
                mean(&|row| parts.lamp_k[row]),
                mean(&|row| parts.fogger_k[row]),
                mean(&|row| left[row].unwrap_or(0.0)),
            ])
        };
        let now = means(span)?;
        let before: Vec<[f64; 5]> = usual_days
            .iter()
            .filter_map(|day| {
                let back_ms = (span.from_ms - day.from_ms).div_euclid(MS_PER_24_H) * MS_PER_24_H;
                means(Span {
                    from_ms: span.from_ms - back_ms,
                    until_ms: span.until_ms - back_ms,
                })
            })
            .collect();
        if before.len() < USUAL_MIN {
            return None;
        }
        let usual = |index: usize| median(&before.iter().map(|means| means[index]).collect::<Vec<_>>());
        Some(Shares {
            room_k: now[0] - usual(0)?,
            heater_k: now[1] - usual(1)?,
            lamp_k: now[2] - usual(2)?,
            fogger_k: now[3] - usual(3)?,
            rest_k: now[4] - usual(4)?,
        })
    }

    /// The highest and the lowest that a gap can hide, °C: full heat first and then free cooling, or the other way round.
    ///
    /// With the upper ends of what heater and lamp add and the time constant with which the air begins to follow: the widest that the
    /// model allows. `None` where the readings around the gap contradict the model, or where the room was not read all through it.
    pub(super) fn extremes_in_gap(&self, gap: Span, before_c: f64, after_c: f64) -> Option<(f64, f64)> {
        if self.unbounded {
            return None;
        }
        let rows = self.rows_in(Span {
            from_ms: gap.from_ms,
            until_ms: gap.until_ms + STEP_MS,
        });
        if gap.from_ms < self.from_ms
            || !self
                .room_known
                .get(rows.clone())?
                .iter()
                .all(|is_known| *is_known)
        {
            return None;
        }
        let room: Vec<f64> = self.inputs.room_c.get(rows)?.to_vec();
        let (low_c, high_c) = room
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), t_c| {
                (low.min(*t_c), high.max(*t_c))
            });
        if !low_c.is_finite() {
            return None;
        }
        let rise = |estimate: Option<Estimate>| estimate.map_or(0.0, |estimate| estimate.high.max(0.0));
        let heating_k = rise(self.heater_rise_k) + rise(self.lamp_rise_k);
        let cooling_k = self.fogger_rise_k.map_or(0.0, |estimate| estimate.low.min(0.0));
        let values = self.model.values();
        let between = |rest_c: f64| Gap {
            before_c,
            after_c,
            room_c: rest_c + values.offset_k,
            heating_k,
            tau_s: values.first_lag_h() * 3600.0,
            gap_s: (gap.until_ms - gap.from_ms) as f64 / 1000.0,
        };
        let highest = highest_in_gap(&between(high_c)).ok()?.temperature_c;
        let lowest = lowest_in_gap(&between(low_c + cooling_k)).ok()?.temperature_c;
        Some((
            highest.max(before_c).max(after_c),
            lowest.min(before_c).min(after_c),
        ))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use mosswarden_config::quantity::Quantity;
    use mosswarden_config::site::Site;

    use super::super::kit::{Kit, quiet_c};
    use super::*;
    use crate::assess::{assess, needed};
    use crate::load::Record;
    use crate::simulate::{Effect, run, scenario};

    #[test]
    fn what_lacks_a_room_or_a_heaters_states_is_refused() {
        let silent_heater = Kit::quiet("2026-05-04", 21).judge("2026-05-18", "2026-05-25");
        assert!(silent_heater.would_do.sentences.is_empty());
        assert!(silent_heater.would_do.refused[0].contains("heater sends no states"));
        let mut kit = Kit::new("2026-05-04", 21);
        kit.fill("check", Quantity::Temperature, |kit, at| Some(quiet_c(kit, at)));
        let no_room = kit.judge("2026-05-18", "2026-05-25");
        assert!(no_room.would_do.refused[0].contains("temperature of the room"));
    }

    /// The simulation, which shares no formula with the fit, goes on for a day: no place gets warmer than what is told for a room that stays at
    /// the day's highest, nor colder than what is told for one at its lowest with nothing on.
    #[test]
    fn a_day_stays_between_what_its_rooms_extremes_are_told_to_do() {
        const DAYS: u64 = 36;
        let mut judged = 0;
        for seed in 1..=6 {
            let spec = scenario::single_healthy(seed, DAYS, 300.0);
            let simulation = run(&spec);
            let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
            let known_ms = spec.at(DAYS - 1, 0);
            let span = Span {
                from_ms: known_ms - 7 * MS_PER_24_H,
                until_ms: known_ms,
            };
            let record = Record::from_readings(simulation.readings.iter().cloned(), Vec::new(), needed(span));
            let outcome = &assess(&site, &record, span).conditions[0];
            let extremes_c = |sensor: &str| {
                simulation
                    .readings
                    .iter()
                    .filter(|r| r.sensor.as_ref() == sensor && r.quantity == Quantity::Temperature)
                    .filter(|r| r.at_ms >= known_ms)
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), r| {
                        (low.min(r.value), high.max(r.value))
                    })
            };
            let (room_low_c, room_high_c) = extremes_c("room-wall");
            for place in &outcome.would_do.places {
                let (low_c, high_c) = extremes_c(&place.sensor);
                let evening = place.evening_c(room_high_c, outcome.would_do.light_h);
                let heated = place.long_run_c(room_high_c, true);
                let Some((evening, cold)) = evening.zip(place.long_run_c(room_low_c, false)) else {
                    continue;
                };
                judged += 1;
                let most_c = heated.map_or(evening.high, |heated| heated.high.max(evening.high));
                assert!(
                    cold.low <= low_c && high_c <= most_c,
                    "seed {seed} {}: {low_c} to {high_c}, told {cold:?} {evening:?} {heated:?}",
                    place.sensor
                );
            }
        }
        assert!(judged >= 6, "only {judged} places were learned");
    }

    /// The simulation, which shares no formula with the fit, cuts the power where the record ends: the temperatures that follow stay
    /// inside the told hours.
    #[test]
    fn a_power_cut_goes_as_told() {
        const DAYS: u64 = 35;
        let mut judged = 0;
        for seed in 1..=6 {
            let mut spec = scenario::single_healthy(seed, DAYS, 300.0);
            let cut_ms = spec.at(DAYS - 1, 0);
            spec.add_fault("room", "room", Effect::PowerCut, cut_ms, None);
            let simulation = run(&spec);
            let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
            let span = Span {
                from_ms: cut_ms - 7 * MS_PER_24_H,
                until_ms: cut_ms,
            };
            let record = Record::from_readings(simulation.readings.iter().cloned(), Vec::new(), needed(span));
            let outcome = &assess(&site, &record, span).conditions[0];
            for place in &outcome.would_do.places {
                let after: Vec<(i64, f64)> = simulation
                    .readings
                    .iter()
                    .filter(|r| r.sensor.as_ref() == place.sensor && r.quantity == Quantity::Temperature)
                    .filter(|r| r.at_ms >= cut_ms)
                    .map(|r| (r.at_ms, r.value))
                    .collect();
                let room: Vec<f64> = simulation
                    .readings
                    .iter()
                    .filter(|r| r.sensor.as_ref() == "room-wall" && r.quantity == Quantity::Temperature)
                    .filter(|r| (cut_ms..cut_ms + 6 * MS_PER_HOUR).contains(&r.at_ms))
                    .map(|r| r.value)
                    .collect();
                let room_c = room.iter().sum::<f64>() / room.len() as f64;
                // Half of the way from where it stood to the room.
                let limit_c = 0.5 * (after[0].1 + room_c);
                let Some(told) = place.hours_without_power(limit_c, room_c) else {
                    continue;
                };
                let fell_ms = after
                    .iter()
                    .find(|(_, t_c)| *t_c <= limit_c)
                    .map(|(at_ms, _)| *at_ms);
                let fell_h = fell_ms.map_or(24.0, |at_ms| (at_ms - cut_ms) as f64 / MS_PER_HOUR as f64);
                judged += 1;
                assert!(
                    told.low - 0.25 <= fell_h && fell_h <= told.high + 0.25,
                    "seed {seed} {}: told {told:?}, was {fell_h:.2} h",
                    place.sensor
                );
            }
        }
        assert!(judged >= 6, "only {judged} places were learned");
    }
}

//! What the humidity of an enclosure follows by nature: the room's vapour, its own warmth, the water that is given, a hand inside.
//!
//! What is left of the sensors' mean after that is little more than their own wander, so that a slow lie of one of them shows in it
//! against no other sensor: with a second sensor beside it, it says which of the two lies, and alone that it or the air changed. In an
//! enclosure that a humidistat holds, the readings stand where their controller wants them and the fogger's work tells: what it gives
//! counts as water like any other, so the mean is asked to follow it as much as physics says.

use std::collections::BTreeMap;

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::zone::MS_PER_24_H;

use super::cross::Blamed;
use super::daily::DayFigure;
use super::grid::Grid;
use super::onset::{Followed, Noise, Shared};
use super::scene::Scene;
use super::witness::{self, Case};
use crate::statistics::robust::median;

/// What is left of the mean of an enclosure's sensors from day to day, once what it follows is taken off: measured on simulated rooms,
/// where it is little more than the sensors' own wander; and as soil that dries for days, plants and hands may have it besides.
const LEFT_OF_MEAN: [Noise; 6] = [
    left_of_mean(0.65, 0.04),
    left_of_mean(0.65, 0.2),
    left_of_mean(0.65, 0.6),
    left_of_mean(0.65, 1.5),
    left_of_mean(0.85, 0.04),
    left_of_mean(0.85, 0.2),
];

const fn left_of_mean(carried_phi: f64, walk_per_sqrt_day: f64) -> Noise {
    Noise {
        sd_min: 0.15,
        sd_usual: 0.27,
        usual_days: 10.0,
        carried_frac: 0.9,
        carried_phi,
        walk_per_sqrt_day,
        // Of a sensor that stands alone (own choices; ACCURACY.md has what they make of rooms without a fault).
        drift_min: 3.0,
        step_min: 3.0,
        evidence_min: 6.0,
        rate_sd_per_day: 5.0 / 30.0,
        step_sd: 4.0,
        unseen_sd: 0.5,
        further_gain_min: 30.0,
        ..witness::NATURAL_HUMIDITY
    }
}

/// How much the humidity of an enclosure follows something, before its record says so: mean and standard deviation.
#[derive(Clone, Copy)]
struct Prior {
    mean: f64,
    sd: f64,
}

const fn prior(mean: f64, sd: f64) -> Prior {
    Prior { mean, sd }
}

/// Each of the same day and of the day before (own choices, wide: the record itself says how much). The room's humidity at the
/// enclosure's own temperature, %RH/%RH: sources and sinks inside leave it about half.
const ROOM: [Prior; 2] = [prior(0.5, 0.25), prior(0.15, 0.15)];
/// The enclosure's temperature, and the room's, %RH/K.
const WARMTH: [Prior; 2] = [prior(0.0, 3.0), prior(0.0, 2.0)];
const ROOM_WARMTH: Prior = prior(0.0, 2.0);
/// %RH per share of the day. An hour of fog of 7 mg/m³ a second in air that is changed once in an hour makes 5 %RH on that day's mean.
const MISTER: [Prior; 2] = [prior(0.0, 7000.0); 2];
const FOGGER: [Prior; 2] = [prior(150.0, 60.0), prior(12.0, 24.0)];
/// A hand inside, %RH.
const HAND: [Prior; 2] = [prior(0.0, 2.0); 2];

/// The sensors' own days, and what they follow.
pub(super) struct Nature {
    /// By sensor.
    own: Vec<Vec<DayFigure>>,
    follows: Vec<Following>,
}

/// By day of the history, less what is usual.
struct Following {
    by_day: BTreeMap<i64, f64>,
    prior: Prior,
}

impl Following {
    fn new(figures: &[DayFigure], prior: Prior) -> Option<Following> {
        let usual = median(&figures.iter().map(|f| f.difference).collect::<Vec<_>>())?;
        let by_day = figures
            .iter()
            .map(|f| (f.day as i64, f.difference - usual))
            .collect();
        Some(Following { by_day, prior })
    }

    /// The same of the day before.
    fn day_later(&self, prior: Prior) -> Following {
        let by_day = self.by_day.iter().map(|(day, value)| (day + 1, *value)).collect();
        Following { by_day, prior }
    }

    fn of(&self, figure: &DayFigure) -> f64 {
        self.by_day.get(&(figure.day as i64)).copied().unwrap_or(0.0)
    }
}

impl Nature {
    /// `None` where the room is not known: its weather would be laid to a sensor. Nor where a humidistat may hold the air without telling:
    /// its work would be laid to the sensor that it does not go by.
    pub(super) fn of(scene: &Scene<'_>, sensors: &[&Sensor]) -> Option<Nature> {
        let case = Case {
            scene,
            quantity: Quantity::Humidity,
        };
        if case.is_held_unseen() {
            return None;
        }
        let own = sensors
            .iter()
            .map(|sensor| Some(case.levels(&case.grid(&sensor.id, Quantity::Humidity)?)))
            .collect::<Option<Vec<_>>>()?;
        let temperatures: Vec<Grid> = sensors
            .iter()
            .filter_map(|sensor| case.grid(&sensor.id, Quantity::Temperature))
            .collect();
        let warmth = mean(&temperatures)?;
        let room = case.room(Some(&warmth));
        let of_room = Case {
            scene,
            quantity: Quantity::Temperature,
        };
        let mut follows = Vec::new();
        let mut add = |figures: &[DayFigure], priors: &[Prior]| {
            let Some((first, later)) = priors.split_first() else {
                return;
            };
            if let Some(following) = Following::new(figures, *first) {
                follows.extend(later.iter().map(|prior| following.day_later(*prior)));
                follows.push(following);
            }
        };
        if room.is_empty() {
            return None;
        }
        add(&room, &ROOM);
        add(&case.levels(&warmth), &WARMTH);
        add(&of_room.room(None), &[ROOM_WARMTH]);
        for (kind, priors) in [(DeviceKind::Mister, MISTER), (DeviceKind::Fogger, FOGGER)] {
            for device in scene.enclosure.devices_of(kind) {
                add(&case.duty(device), &priors);
            }
        }
        for kinds in [
            &[journal::CLEANED, journal::DOOR_OPEN][..],
            &[journal::MISTED_BY_HAND],
        ] {
            let count = case.by_day(|day| {
                let entries = scene.record.entries(&scene.enclosure.id, day);
                Some(
                    entries
                        .filter(|entry| kinds.contains(&entry.kind.as_str()))
                        .count() as f64,
                )
            });
            add(&count, &HAND);
        }
        follows.retain(|following| following.by_day.values().any(|value| *value != 0.0));
        Some(Nature { own, follows })
    }

    /// The mean of some of the sensors over a stretch of time.
    pub(super) fn shared(&self, sensors: &[usize], from_ms: i64, until_ms: i64) -> Option<Shared> {
        let count = sensors.len() as f64;
        let (first, others) = sensors.split_first()?;
        let figures: Vec<DayFigure> = self.own[*first]
            .iter()
            .filter(|f| from_ms <= f.at_ms && f.at_ms + MS_PER_24_H / 2 < until_ms)
            .filter_map(|figure| {
                let mut sum = *figure;
                for other in others {
                    let at = self.own[*other]
                        .binary_search_by_key(&figure.at_ms, |f| f.at_ms)
                        .ok()?;
                    let other = self.own[*other][at];
                    sum.difference += other.difference;
                    sum.hour_count = sum.hour_count.min(other.hour_count);
                }
                sum.difference /= count;
                let followed = |f: &Following| f.prior.mean * f.of(figure);
                sum.difference -= self.follows.iter().map(followed).sum::<f64>();
                Some(sum)
            })
            .collect();
        let follows = self
            .follows
            .iter()
            .map(|following| Followed {
                column: figures.iter().map(|figure| following.of(figure)).collect(),
                prior_sd: following.prior.sd,
            })
            .collect();
        (!figures.is_empty()).then_some(Shared {
            figures,
            share: 1.0 / count,
            follows,
            noises: &LEFT_OF_MEAN,
        })
    }

    /// A sensor's own days.
    pub(super) fn own(&self, sensor: usize) -> &[DayFigure] {
        &self.own[sensor]
    }

    /// Takes off what a sensor is known to have been off by.
    pub(super) fn take_off(&mut self, sensor: usize, found: &Blamed) {
        for figure in &mut self.own[sensor] {
            figure.difference -= found.bias_at(figure.at_ms);
        }
    }
}

/// Cell by cell, where all are known.
fn mean(grids: &[Grid]) -> Option<Grid> {
    let mut mean = grids.first()?.clone();
    for (index, cell) in mean.cells.iter_mut().enumerate() {
        let sum: Option<f64> = grids.iter().map(|grid| grid.cells[index]).sum();
        *cell = sum.map(|sum| sum / grids.len() as f64);
    }
    Some(mean)
}

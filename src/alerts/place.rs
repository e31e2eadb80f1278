//! One enclosure under watch: too hot, too cold, a heater that runs away.
//!
//! Hot is judged by the coolest place that the animals can reach and cold by the warmest, as overheating and overcooling are.
//! What counts as fresh is when a reading came in, so that a device with a wrong clock is still heard. Every number here is our
//! own choice unless it says otherwise.

use std::collections::{BTreeMap, VecDeque};

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Limits};
use mosswarden_config::table::Reading;

use super::open::Open;
use super::watch::{Alert, Danger, MS_PER_MIN, SILENT_MS, What, alert};
use super::words;

/// Readings in a row beyond the emergency limit where one sensor stands alone; two that agree need no second one.
const EMERGENCY_READINGS: usize = 2;
/// Readings in a row, and the time from first to last, beyond the other limits.
const LIMIT_READINGS: usize = 3;
const LIMIT_MS: i64 = 10 * MS_PER_MIN;
/// A rise that no thermostat asks for once the wanted range is passed (common practice, no source).
const RUNAWAY_K: f64 = 3.0;
const RUNAWAY_MS: i64 = 15 * MS_PER_MIN;
/// Told again when it is this much further beyond the limit.
const WORSE_K: f64 = 1.0;
/// Over when this far back inside the limit, for two readings.
pub(super) const CLEAR_K: f64 = 0.5;
pub(super) const CLEAR_READINGS: usize = 2;
/// How long readings are remembered, and at most how many: a sensor that speaks just before it counts as silent fills a run too.
const MEMORY_MS: i64 = LIMIT_READINGS as i64 * SILENT_MS;
const MEMORY_READINGS: usize = 512;

/// The temperature where the animals can be, at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Moment {
    pub(super) at_ms: i64,
    pub(super) coolest_c: f64,
    pub(super) warmest_c: f64,
    pub(super) sensors: usize,
}

/// What the words need of an enclosure, with the limits of the day resolved.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) id: String,
    pub(super) label: String,
    animal_sensors: Vec<String>,
    pub(super) sensors: Vec<String>,
    heaters: Vec<String>,
    /// The limit that counts, and whether it is an emergency limit.
    pub(super) hot_c: f64,
    pub(super) is_emergency: bool,
    pub(super) cold_c: f64,
    wanted_high_c: f64,
}

/// An enclosure, what was heard of it lately, and its dangers that were told and are not over.
pub(super) struct Watched {
    enclosure: Enclosure,
    pub(super) place: Place,
    moments: VecDeque<Moment>,
    pub(super) heard_ms: i64,
    pub(super) was_heard: bool,
    pub(super) open: BTreeMap<Danger, Open>,
}

impl Place {
    fn new(enclosure: &Enclosure, limits: &Limits) -> Place {
        let ids = |sensors: Vec<&mosswarden_config::site::Sensor>| -> Vec<String> {
            sensors.into_iter().map(|sensor| sensor.id.clone()).collect()
        };
        Place {
            id: enclosure.id.clone(),
            label: enclosure.label.clone(),
            animal_sensors: ids(enclosure.animal_sensors()),
            sensors: ids(enclosure.sensors.iter().collect()),
            heaters: enclosure
                .devices_of(DeviceKind::Heater)
                .map(|heater| heater.id.clone())
                .collect(),
            hot_c: limits.emergency_c.unwrap_or(limits.max_c),
            is_emergency: limits.emergency_c.is_some(),
            cold_c: limits.min_c,
            wanted_high_c: limits.day_c.high.max(limits.night_c.high),
        }
    }
}

impl Watched {
    /// Silence is counted from `started_ms` where nothing came before.
    pub(super) fn new(enclosure: &Enclosure, started_ms: i64) -> Watched {
        Watched {
            enclosure: enclosure.clone(),
            place: Place::new(enclosure, &enclosure.limits),
            moments: VecDeque::new(),
            heard_ms: started_ms,
            was_heard: false,
            open: BTreeMap::new(),
        }
    }

    /// From now on the limits of this local date hold: a season has its own.
    pub(super) fn enter(&mut self, local_date: NaiveDate) {
        let place = Place::new(&self.enclosure, &self.enclosure.limits_on(local_date));
        let limits = |of: &Place| (of.hot_c, of.cold_c, of.wanted_high_c);
        if limits(&place) != limits(&self.place) {
            // What was read before is not held against limits that did not hold then.
            self.moments.clear();
        }
        self.place = place;
    }

    /// What an earlier run told as silent is so until it is heard, also where the machine's clock was set back between the runs.
    pub(super) fn silent_since(&mut self, since_ms: i64) {
        self.heard_ms = since_ms.min(self.heard_ms - SILENT_MS - 1);
    }

    /// Takes up a danger that an earlier run told.
    pub(super) fn resume(&mut self, danger: Danger, open: Open) {
        if danger == Danger::Silent {
            self.silent_since(open.since_ms);
        }
        self.open.insert(danger, open);
    }

    /// See [`super::watch::Watch::clock_was_set`].
    pub(super) fn clock_was_set(&mut self, by_ms: i64) {
        let moments = self.moments.iter_mut().map(|moment| &mut moment.at_ms);
        let told = self.open.values_mut().map(|open| &mut open.told_ms);
        for at_ms in moments.chain(told).chain([&mut self.heard_ms]) {
            *at_ms = at_ms.saturating_add(by_ms);
        }
    }

    pub(super) fn take_in(&mut self, now_ms: i64, readings: &[Reading]) {
        let heard = readings
            .iter()
            .filter(|reading| reading.mark.has_value())
            .filter(|reading| self.place.sensors.iter().any(|id| **id == *reading.sensor))
            .map(|reading| reading.received_ms)
            // What was received later than now was so before the machine's clock was set back.
            .filter(|received_ms| *received_ms <= now_ms)
            .max();
        if let Some(heard) = heard {
            // What an earlier run had left in the spool was not heard now.
            self.was_heard |= heard >= self.heard_ms;
            self.heard_ms = self.heard_ms.max(heard);
        }
        let fresh: Vec<&Reading> = readings
            .iter()
            .filter(|reading| {
                reading.quantity == Quantity::Temperature
                    && reading.mark.has_value()
                    && (0..=SILENT_MS).contains(&(now_ms - reading.received_ms))
                    && self.place.animal_sensors.iter().any(|id| **id == *reading.sensor)
            })
            .collect();
        let Some(at_ms) = fresh.iter().map(|reading| reading.received_ms).max() else {
            return;
        };
        if self.moments.back().is_some_and(|last| last.at_ms >= at_ms) {
            return;
        }
        let values = || fresh.iter().map(|reading| reading.value);
        self.moments.push_back(Moment {
            at_ms,
            coolest_c: values().fold(f64::INFINITY, f64::min),
            warmest_c: values().fold(f64::NEG_INFINITY, f64::max),
            sensors: fresh.len(),
        });
        while self.moments.len() > MEMORY_READINGS
            || self
                .moments
                .front()
                .is_some_and(|first| now_ms - first.at_ms > MEMORY_MS)
        {
            self.moments.pop_front();
        }
    }

    /// The last moments, newest first, for which a condition holds without a break or a silence.
    fn run(&self, holds: impl Fn(&Moment) -> bool) -> Vec<Moment> {
        let mut run: Vec<Moment> = Vec::new();
        for moment in self.moments.iter().rev() {
            let is_joined = run
                .last()
                .is_none_or(|later| later.at_ms - moment.at_ms <= SILENT_MS);
            if !is_joined || !holds(moment) {
                break;
            }
            run.push(*moment);
        }
        run
    }

    pub(super) fn heat(&mut self, now_ms: i64, say: &words::Say, alerts: &mut Vec<Alert>) {
        let limit_c = self.place.hot_c;
        let run = self.run(|moment| moment.coolest_c > limit_c);
        let holds = if self.place.is_emergency {
            run.len() >= EMERGENCY_READINGS || run.first().is_some_and(|moment| moment.sensors > 1)
        } else {
            lasts(&run)
        };
        let is_over = self.is_clear(|moment| moment.coolest_c <= limit_c - CLEAR_K);
        self.beyond(Danger::TooHot, holds.then_some(run), is_over, now_ms, say, alerts);
    }

    pub(super) fn cold(&mut self, now_ms: i64, say: &words::Say, alerts: &mut Vec<Alert>) {
        let limit_c = self.place.cold_c;
        let run = self.run(|moment| moment.warmest_c < limit_c);
        let is_over = self.is_clear(|moment| moment.warmest_c >= limit_c + CLEAR_K);
        let run = lasts(&run).then_some(run);
        self.beyond(Danger::TooCold, run, is_over, now_ms, say, alerts);
    }

    fn is_clear(&self, holds: impl Fn(&Moment) -> bool) -> bool {
        self.moments.len() >= CLEAR_READINGS && self.run(holds).len() >= CLEAR_READINGS
    }

    /// Begins, worsens, stays or ends: one way for both sides of the range.
    fn beyond(
        &mut self,
        danger: Danger,
        run: Option<Vec<Moment>>,
        is_over: bool,
        now_ms: i64,
        say: &words::Say,
        alerts: &mut Vec<Alert>,
    ) {
        let is_hot = danger == Danger::TooHot;
        let value = |moment: &Moment| {
            if is_hot {
                moment.coolest_c
            } else {
                moment.warmest_c
            }
        };
        let worse = |a: f64, b: f64| if is_hot { a > b } else { a < b };
        let limit_c = if is_hot {
            self.place.hot_c
        } else {
            self.place.cold_c
        };
        let Some(newest) = self.moments.back().copied() else {
            return;
        };
        let Some(open) = self.open.get_mut(&danger) else {
            let Some(run) = run else { return };
            let since_ms = run.last().map_or(now_ms, |first| first.at_ms);
            let text = say.beyond(&self.place, danger, &newest, since_ms);
            self.open
                .insert(danger, Open::new(since_ms, now_ms, value(&newest), text));
            if is_hot {
                // The rise was the same danger's beginning: one message is enough.
                self.open.remove(&Danger::HeaterRunaway);
            }
            self.tell(danger, What::Begins, now_ms, alerts);
            return;
        };
        let now_c = value(&newest);
        if worse(now_c, open.worst_c) {
            open.worst_c = now_c;
        }
        if is_over {
            open.text = say.back_inside(&self.place, danger, &newest, open.since_ms, open.worst_c);
            self.tell(danger, What::AllClear, now_ms, alerts);
            self.open.remove(&danger);
            return;
        }
        let step_k = if is_hot { WORSE_K } else { -WORSE_K };
        let is_worse = !worse(open.told_c + step_k, now_c);
        // A reading that is no longer fresh says nothing of now; the silence has its own message. One that is back inside, and not
        // yet believed, is no reason to say that it stays.
        let is_fresh = now_ms - newest.at_ms <= SILENT_MS;
        if is_fresh && worse(now_c, limit_c) && (is_worse || open.is_due(now_ms)) {
            let what = if is_worse { What::Worse } else { What::Stays };
            open.told(
                what,
                now_ms,
                say.beyond(&self.place, danger, &newest, open.since_ms),
            );
            open.told_c = now_c;
            self.tell(danger, what, now_ms, alerts);
        }
    }

    pub(super) fn runaway(
        &mut self,
        now_ms: i64,
        say: &words::Say,
        readings: &[Reading],
        alerts: &mut Vec<Alert>,
    ) {
        let Some(newest) = self.moments.back().copied() else {
            return;
        };
        let wanted_c = self.place.wanted_high_c;
        if self.open.contains_key(&Danger::HeaterRunaway) {
            if self.is_clear(|moment| moment.coolest_c <= wanted_c) {
                if let Some(open) = self.open.get_mut(&Danger::HeaterRunaway) {
                    open.text = say.runaway_over(&self.place, &newest, open.since_ms);
                }
                self.tell(Danger::HeaterRunaway, What::AllClear, now_ms, alerts);
                self.open.remove(&Danger::HeaterRunaway);
            }
            return;
        }
        if newest.coolest_c <= wanted_c || self.open.contains_key(&Danger::TooHot) {
            return;
        }
        let states: Vec<Option<f64>> = self.place.heaters.iter().map(|id| state(readings, id)).collect();
        // Without a heater there is none to run away; one that is known to be off did not do it.
        if states.iter().all(|state| *state == Some(0.0)) {
            return;
        }
        let lowest = self
            .moments
            .iter()
            .filter(|moment| newest.at_ms - moment.at_ms <= RUNAWAY_MS)
            .min_by(|a, b| a.coolest_c.total_cmp(&b.coolest_c));
        let Some(lowest) = lowest.copied() else { return };
        let risen = self
            .run(|moment| moment.coolest_c > wanted_c && moment.coolest_c - lowest.coolest_c >= RUNAWAY_K);
        // One wild reading is no rise.
        if risen.is_empty() || (newest.sensors < 2 && risen.len() < EMERGENCY_READINGS) {
            return;
        }
        let is_on = states.contains(&Some(1.0));
        let text = say.runaway(&self.place, &lowest, &newest, is_on);
        let open = Open::new(lowest.at_ms, now_ms, newest.coolest_c, text);
        self.open.insert(Danger::HeaterRunaway, open);
        self.tell(Danger::HeaterRunaway, What::Begins, now_ms, alerts);
    }

    pub(super) fn silence(
        &mut self,
        now_ms: i64,
        may_begin: bool,
        say: &words::Say,
        alerts: &mut Vec<Alert>,
    ) {
        let is_silent = now_ms - self.heard_ms > SILENT_MS;
        match self.open.get_mut(&Danger::Silent) {
            Some(open) if is_silent => {
                if open.is_due(now_ms) {
                    let text = say.silent(&self.place, open.since_ms, self.was_heard, now_ms);
                    open.told(What::Stays, now_ms, text);
                    self.tell(Danger::Silent, What::Stays, now_ms, alerts);
                }
            }
            Some(open) => {
                open.text = say.heard(&self.place, open.since_ms, now_ms);
                self.tell(Danger::Silent, What::AllClear, now_ms, alerts);
                self.open.remove(&Danger::Silent);
            }
            None if is_silent && may_begin => {
                let text = say.silent(&self.place, self.heard_ms, self.was_heard, now_ms);
                let open = Open::new(self.heard_ms, now_ms, 0.0, text);
                self.open.insert(Danger::Silent, open);
                self.tell(Danger::Silent, What::Begins, now_ms, alerts);
            }
            None => {}
        }
    }

    fn tell(&self, danger: Danger, what: What, at_ms: i64, alerts: &mut Vec<Alert>) {
        let open = self.open.get(&danger);
        alerts.extend(open.map(|open| alert(Some(&self.place.id), danger, what, at_ms, open)));
    }
}

fn lasts(run: &[Moment]) -> bool {
    run.len() >= LIMIT_READINGS
        && run
            .first()
            .zip(run.last())
            .is_some_and(|(newest, first)| newest.at_ms - first.at_ms >= LIMIT_MS)
}

fn state(readings: &[Reading], device: &str) -> Option<f64> {
    readings
        .iter()
        .find(|reading| &*reading.sensor == device && reading.quantity == Quantity::State)
        .map(|reading| reading.value)
}

//! Which enclosure is in danger now: a state machine fed with the newest readings.
//!
//! In: the newest reading of each sensor and the time. Out: alerts, each once; again if it worsens or stays; an all-clear.
//! Hot is judged by the coolest place that the animals can reach and cold by the warmest, as overheating and overcooling are.
//! What counts as fresh is when a reading came in, so that a device with a wrong clock is still heard. Silence is never an
//! all-clear. Every number here is our own choice unless it says otherwise.

use std::collections::{BTreeMap, VecDeque};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Site};
use mosswarden_config::table::{Mark, Reading};
use mosswarden_config::zone::MS_PER_HOUR;

use super::words;

pub(super) const MS_PER_MIN: i64 = 60_000;
/// An enclosure from which nothing came for this long is silent; an older reading says nothing of now.
pub(crate) const SILENT_MS: i64 = 30 * MS_PER_MIN;
/// When all enclosures are at least this silent, one is not told alone: power or network is likelier than many sensors.
const TOGETHER_MS: i64 = 20 * MS_PER_MIN;
/// After everything was silent, each enclosure has this long to be heard again before it counts alone.
const RETURN_MS: i64 = 15 * MS_PER_MIN;
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
/// Told again when it stays this long; then each time after twice the pause before.
const STAYS_MS: i64 = 2 * MS_PER_HOUR;
/// Over when this far back inside the limit, for two readings.
const CLEAR_K: f64 = 0.5;
const CLEAR_READINGS: usize = 2;
/// How long readings are remembered, and at most how many.
const MEMORY_MS: i64 = SILENT_MS;
const MEMORY_READINGS: usize = 512;

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Danger {
    TooHot,
    TooCold,
    HeaterRunaway,
    Silent,
}

impl Danger {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Danger::TooHot => "too-hot",
            Danger::TooCold => "too-cold",
            Danger::HeaterRunaway => "heater-runaway",
            Danger::Silent => "silent",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum What {
    Begins,
    Worse,
    Stays,
    AllClear,
}

impl What {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            What::Begins => "begins",
            What::Worse => "worse",
            What::Stays => "stays",
            What::AllClear => "all-clear",
        }
    }
}

/// One message to the keeper.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Alert {
    /// `None` for the whole site.
    pub(crate) enclosure: Option<String>,
    pub(crate) danger: Danger,
    pub(crate) what: What,
    pub(crate) at_ms: i64,
    pub(crate) since_ms: i64,
    pub(crate) text: String,
}

/// The temperature where the animals can be, at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Moment {
    pub(super) at_ms: i64,
    pub(super) coolest_c: f64,
    pub(super) warmest_c: f64,
    pub(super) sensors: usize,
}

/// A danger that was told and is not over.
#[derive(Debug, Clone, PartialEq)]
struct Open {
    since_ms: i64,
    told_ms: i64,
    /// The pause before it is told again.
    again_ms: i64,
    /// What was told last, and the worst so far, °C.
    told_c: f64,
    worst_c: f64,
    text: String,
}

/// What the words need of an enclosure, with its limits resolved.
#[derive(Debug, Clone)]
pub(super) struct Place {
    id: String,
    pub(super) label: String,
    animal_sensors: Vec<String>,
    sensors: Vec<String>,
    heaters: Vec<String>,
    /// The limit that counts, and whether it is an emergency limit.
    pub(super) hot_c: f64,
    pub(super) is_emergency: bool,
    pub(super) cold_c: f64,
    wanted_high_c: f64,
}

struct Watched {
    place: Place,
    moments: VecDeque<Moment>,
    heard_ms: i64,
    was_heard: bool,
    open: BTreeMap<Danger, Open>,
}

/// The watch over a site.
pub(crate) struct Watch {
    say: words::Say,
    watched: Vec<Watched>,
    /// Everything is silent: told as one.
    site_silent: Option<Open>,
    /// No single enclosure counts as silent before this.
    return_until_ms: i64,
}

impl Watch {
    /// Silence is counted from `started_ms` where nothing came before.
    pub(crate) fn new(site: &Site, started_ms: i64) -> Watch {
        let watched = site.enclosures.iter().map(|enclosure| Watched {
            place: Place::new(enclosure),
            moments: VecDeque::new(),
            heard_ms: started_ms,
            was_heard: false,
            open: BTreeMap::new(),
        });
        Watch {
            say: words::Say::new(site),
            watched: watched.collect(),
            site_silent: None,
            return_until_ms: i64::MIN,
        }
    }

    /// Takes in the newest readings and says what must be told now.
    pub(crate) fn look(&mut self, now_ms: i64, readings: &[Reading]) -> Vec<Alert> {
        let mut alerts = Vec::new();
        for watched in &mut self.watched {
            watched.take_in(now_ms, readings);
        }
        self.silence(now_ms, &mut alerts);
        for watched in &mut self.watched {
            watched.heat(now_ms, &self.say, &mut alerts);
            watched.cold(now_ms, &self.say, &mut alerts);
            watched.runaway(now_ms, &self.say, readings, &mut alerts);
        }
        alerts
    }

    /// What was told and is not over, in words, by enclosure; `None` stands for the whole site.
    pub(crate) fn open(&self) -> Vec<(Option<String>, Danger, i64, String)> {
        let site = self
            .site_silent
            .iter()
            .map(|open| (None, Danger::Silent, open.since_ms, open.text.clone()));
        let single = self.watched.iter().flat_map(|watched| {
            watched.open.iter().map(|(danger, open)| {
                let id = Some(watched.place.id.clone());
                (id, *danger, open.since_ms, open.text.clone())
            })
        });
        site.chain(single).collect()
    }

    fn silence(&mut self, now_ms: i64, alerts: &mut Vec<Alert>) {
        let silent_ms = |watched: &Watched| now_ms - watched.heard_ms;
        let is_shared = self.watched.len() > 1;
        if let Some(mut open) = self.site_silent.take() {
            let back: Vec<&str> = self
                .watched
                .iter()
                .filter(|watched| silent_ms(watched) < TOGETHER_MS)
                .map(|watched| watched.place.label.as_str())
                .collect();
            if back.is_empty() {
                if open.is_due(now_ms) {
                    open.told(What::Stays, now_ms, self.say.all_silent(open.since_ms, now_ms));
                    alerts.push(site_alert(What::Stays, now_ms, &open));
                }
                self.site_silent = Some(open);
                return;
            }
            open.text = self.say.all_heard(&back, open.since_ms, now_ms);
            alerts.push(site_alert(What::AllClear, now_ms, &open));
            self.return_until_ms = now_ms + RETURN_MS;
        }
        let is_together = is_shared && self.watched.iter().all(|w| silent_ms(w) > TOGETHER_MS);
        let none_told = self.watched.iter().all(|w| !w.open.contains_key(&Danger::Silent));
        if is_together && none_told {
            if self.watched.iter().all(|w| silent_ms(w) > SILENT_MS) {
                let since_ms = self.watched.iter().map(|w| w.heard_ms).max().unwrap_or(now_ms);
                let text = self.say.all_silent(since_ms, now_ms);
                let open = Open::new(since_ms, now_ms, 0.0, text);
                alerts.push(site_alert(What::Begins, now_ms, &open));
                self.site_silent = Some(open);
            }
            return;
        }
        for watched in &mut self.watched {
            let is_silent = now_ms - watched.heard_ms > SILENT_MS;
            let (heard_ms, was_heard) = (watched.heard_ms, watched.was_heard);
            match watched.open.get_mut(&Danger::Silent) {
                Some(open) if is_silent => {
                    if open.is_due(now_ms) {
                        let text = self.say.silent(&watched.place, open.since_ms, was_heard, now_ms);
                        open.told(What::Stays, now_ms, text);
                        alerts.push(watched.alert(Danger::Silent, What::Stays, now_ms));
                    }
                }
                Some(open) => {
                    open.text = self.say.heard(&watched.place, open.since_ms, now_ms);
                    alerts.push(watched.alert(Danger::Silent, What::AllClear, now_ms));
                    watched.open.remove(&Danger::Silent);
                }
                None if is_silent && now_ms >= self.return_until_ms => {
                    let text = self.say.silent(&watched.place, heard_ms, was_heard, now_ms);
                    watched
                        .open
                        .insert(Danger::Silent, Open::new(heard_ms, now_ms, 0.0, text));
                    alerts.push(watched.alert(Danger::Silent, What::Begins, now_ms));
                }
                None => {}
            }
        }
    }
}

fn site_alert(what: What, at_ms: i64, open: &Open) -> Alert {
    Alert {
        enclosure: None,
        danger: Danger::Silent,
        what,
        at_ms,
        since_ms: open.since_ms,
        text: open.text.clone(),
    }
}

impl Open {
    fn new(since_ms: i64, now_ms: i64, told_c: f64, text: String) -> Open {
        Open {
            since_ms,
            told_ms: now_ms,
            again_ms: STAYS_MS,
            told_c,
            worst_c: told_c,
            text,
        }
    }

    fn is_due(&self, now_ms: i64) -> bool {
        now_ms - self.told_ms > self.again_ms
    }

    fn told(&mut self, what: What, now_ms: i64, text: String) {
        self.told_ms = now_ms;
        if what == What::Stays {
            self.again_ms *= 2;
        }
        self.text = text;
    }
}

impl Place {
    fn new(enclosure: &Enclosure) -> Place {
        let limits = &enclosure.limits;
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
    fn take_in(&mut self, now_ms: i64, readings: &[Reading]) {
        let heard = readings
            .iter()
            .filter(|reading| self.place.sensors.iter().any(|id| **id == *reading.sensor))
            .map(|reading| reading.received_ms.min(now_ms))
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
                    && reading.mark == Mark::Ok
                    && now_ms - reading.received_ms <= SILENT_MS
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

    /// The last moments, newest first, for which a condition holds without a break.
    fn run(&self, holds: impl Fn(&Moment) -> bool) -> Vec<Moment> {
        self.moments
            .iter()
            .rev()
            .take_while(|moment| holds(moment))
            .copied()
            .collect()
    }

    fn heat(&mut self, now_ms: i64, say: &words::Say, alerts: &mut Vec<Alert>) {
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

    fn cold(&mut self, now_ms: i64, say: &words::Say, alerts: &mut Vec<Alert>) {
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
            alerts.push(self.alert(danger, What::Begins, now_ms));
            return;
        };
        let now_c = value(&newest);
        if worse(now_c, open.worst_c) {
            open.worst_c = now_c;
        }
        if is_over {
            open.text = say.back_inside(&self.place, danger, &newest, open.since_ms, open.worst_c);
            alerts.push(self.alert(danger, What::AllClear, now_ms));
            self.open.remove(&danger);
            return;
        }
        let step_k = if is_hot { WORSE_K } else { -WORSE_K };
        let is_worse = !worse(open.told_c + step_k, now_c);
        // A reading that is no longer fresh says nothing of now; the silence has its own message.
        let is_fresh = now_ms - newest.at_ms <= SILENT_MS;
        if is_fresh && (is_worse || open.is_due(now_ms)) {
            let what = if is_worse { What::Worse } else { What::Stays };
            open.told(
                what,
                now_ms,
                say.beyond(&self.place, danger, &newest, open.since_ms),
            );
            open.told_c = now_c;
            alerts.push(self.alert(danger, what, now_ms));
        }
    }

    fn runaway(&mut self, now_ms: i64, say: &words::Say, readings: &[Reading], alerts: &mut Vec<Alert>) {
        let Some(newest) = self.moments.back().copied() else {
            return;
        };
        let wanted_c = self.place.wanted_high_c;
        if self.open.contains_key(&Danger::HeaterRunaway) {
            if self.is_clear(|moment| moment.coolest_c <= wanted_c) {
                if let Some(open) = self.open.get_mut(&Danger::HeaterRunaway) {
                    open.text = say.runaway_over(&self.place, &newest, open.since_ms);
                }
                alerts.push(self.alert(Danger::HeaterRunaway, What::AllClear, now_ms));
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
        alerts.push(self.alert(Danger::HeaterRunaway, What::Begins, now_ms));
    }

    fn alert(&self, danger: Danger, what: What, at_ms: i64) -> Alert {
        let open = self.open.get(&danger);
        Alert {
            enclosure: Some(self.place.id.clone()),
            danger,
            what,
            at_ms,
            since_ms: open.map_or(at_ms, |open| open.since_ms),
            text: open.map_or_else(String::new, |open| open.text.clone()),
        }
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

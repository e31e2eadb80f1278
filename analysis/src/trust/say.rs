//! What was found wrong with sensors by their own signal, in words with figures; `change` says what comparisons found.

mod change;

use std::collections::BTreeMap;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::Outcome;
use super::assess::{CHECKED, Faults, Room};
use super::clocks::ClockFault;
use super::signal::{self, Fading};
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value};
use crate::words;

pub(super) use change::{FIGURES_MIN, beyond_nature};

/// Spikes a day from which on they are told: one may be a hand, three are a loose contact (common practice, no source).
const SPIKES_PER_DAY_MIN: f64 = 3.0;

impl Room<'_> {
    pub(super) fn say_silent(
        &self,
        sensor: &Sensor,
        faults: &BTreeMap<(String, Quantity), Faults>,
        clock: Option<&ClockFault>,
        outcome: &mut Outcome,
    ) {
        let heard: Vec<&Faults> = CHECKED
            .iter()
            .filter_map(|quantity| faults.get(&(sensor.id.clone(), *quantity)))
            .collect();
        let anything = self.record.iter().any(|(id, _, _)| id == sensor.id);
        if !anything {
            outcome.verdicts.not_assessed.push(NotAssessed {
                kind: Kind::SensorSilent,
                enclosure: self.id.to_owned(),
                subject: Some(sensor.id.clone()),
                span: Some(self.history()),
                reason: format!(
                    "no reading of {} has ever come in; check its topic in the site file",
                    sensor.id
                ),
            });
            return;
        }
        // A sensor is silent when all that it measures is; one quantity alone is told as well, being half the sensor.
        let mut told: Vec<i64> = Vec::new();
        for pause in heard.iter().flat_map(|faults| &faults.silent) {
            let known = told.iter().any(|from| (from - pause.from_ms).abs() < MS_PER_HOUR);
            if known || clock.is_some_and(|fault| fault.explains(*pause)) {
                continue;
            }
            told.push(pause.from_ms);
            let lasts = pause.until_ms >= self.span.until_ms;
            let hours = (pause.until_ms - pause.from_ms) as f64 / MS_PER_HOUR as f64;
            let since = words::instant(self.site.zone, pause.from_ms);
            let message = if lasts {
                format!(
                    "{} has been silent for {} (last heard on {since}{}).{}{}",
                    sensor.id,
                    words::duration(hours),
                    self.usual_pace(sensor),
                    self.charge_told(sensor),
                    self.unwatched(sensor, *pause)
                )
            } else {
                format!(
                    "{} was silent for {} from {since}.",
                    sensor.id,
                    words::duration(hours)
                )
            };
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorSilent,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: pause.from_ms,
                end_ms: (!lasts).then_some(pause.until_ms),
                severity: if lasts { Severity::Warning } else { Severity::Notice },
                value: Value::new("hours without a reading", hours, "h"),
                cause: None,
                also: Vec::new(),
                message,
                advice: "Look at its battery, plug and radio path, and read a thermometer and hygrometer by hand until it is \
                         back: what it watches is unknown meanwhile."
                    .to_owned(),
            });
        }
        if told.is_empty()
            && clock.is_none()
            && let Some(fading) = heard.iter().find_map(|faults| faults.fading)
        {
            self.say_fading(sensor, fading, outcome);
        }
    }

    /// Such as ", usually every 5 min".
    fn usual_pace(&self, sensor: &Sensor) -> String {
        let paces = CHECKED
            .iter()
            .filter_map(|quantity| self.record.get(&sensor.id, *quantity)?.usual_interval_ms());
        match paces.min() {
            Some(pace_ms) if pace_ms < MS_PER_HOUR / 60 => format!(", usually every {} s", pace_ms / 1000),
            Some(pace_ms) => {
                let hours = pace_ms as f64 / MS_PER_HOUR as f64;
                format!(", usually every {}", words::duration(hours))
            }
            None => String::new(),
        }
    }

    fn controls(&self, sensor: &Sensor) -> bool {
        self.enclosure.is_some_and(|enclosure| {
            let mut by = enclosure.devices.iter().map(|device| &device.controlled_by);
            by.any(|by| by.as_ref() == Some(&sensor.id))
        })
    }

    fn charge_told(&self, sensor: &Sensor) -> String {
        self.charge(sensor).map_or_else(String::new, |charge| {
            format!(" Its battery stood at {}.", charge.words())
        })
    }

    /// What nobody measures while a sensor is silent.
    fn unwatched(&self, sensor: &Sensor, pause: Span) -> String {
        let after = Span {
            from_ms: pause.from_ms + 1,
            ..pause
        };
        let is_heard = |any: &Sensor, quantity: Quantity| {
            let series = self.record.get(&any.id, quantity);
            series.is_some_and(|series| !series.within(after).is_empty())
        };
        let lost: Vec<String> = CHECKED
            .iter()
            .filter(|quantity| self.record.get(&sensor.id, **quantity).is_some())
            .filter(|quantity| !self.sensors.iter().any(|any| is_heard(any, **quantity)))
            .map(|quantity| words::quantity(*quantity).to_owned())
            .collect();
        if lost.is_empty() {
            return String::new();
        }
        format!(" Nothing else measures the {} there now.", words::list(&lost))
    }

    /// A sensor that is heard less and less, where it is not silent altogether.
    fn say_fading(&self, sensor: &Sensor, fading: Fading, outcome: &mut Outcome) {
        outcome.verdicts.findings.push(Finding {
            kind: Kind::SensorSilent,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: fading.since_ms,
            end_ms: None,
            severity: Severity::Notice,
            value: Value::new("hours without a reading", fading.missed_h, "h"),
            cause: None,
            also: vec![Value::new("readings heard on the last day", 100.0 * fading.heard_frac, "%")],
            message: format!(
                "{} is heard less and less since {}: {:.0} % of its usual readings came in over the last day.{}",
                sensor.id,
                words::date(self.site.zone, fading.since_ms),
                100.0 * fading.heard_frac,
                self.charge_told(sensor)
            ),
            advice: "Change its battery, then look at what stands between it and the receiver; it may fall silent soon.".to_owned(),
        });
    }

    pub(super) fn say_clock(&self, sensor: &Sensor, fault: &ClockFault, outcome: &mut Outcome) {
        let lasts = fault.stretch.until_ms >= self.span.until_ms - MS_PER_24_H;
        outcome.verdicts.findings.push(Finding {
            kind: Kind::ClockWrong,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: fault.stretch.from_ms,
            end_ms: (!lasts).then_some(fault.stretch.until_ms),
            severity: Severity::Notice,
            value: fault.value.clone(),
            cause: None,
            also: Vec::new(),
            message: fault.message.clone(),
            advice: "Set the device's clock or its time zone; let it send UTC or no time at all.".to_owned(),
        });
    }

    pub(super) fn say_signal(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        faults: &Faults,
        outcome: &mut Outcome,
    ) {
        let in_window =
            |stretch: &&Span| stretch.until_ms > self.span.from_ms && stretch.from_ms < self.span.until_ms;
        let stuck = faults.stuck.iter().filter(in_window);
        let mut found: Vec<Finding> = stuck
            .map(|stretch| self.stuck(sensor, quantity, *stretch))
            .collect();
        let mut pinned = faults.pinned.iter().filter(in_window);
        if let Some(first) = pinned.next() {
            found.push(self.pinned(sensor, quantity, *first, *pinned.next_back().unwrap_or(first)));
        }
        found.extend(self.spikes(sensor, quantity, faults.spike_count));
        outcome.verdicts.findings.extend(found);
    }

    fn stuck(&self, sensor: &Sensor, quantity: Quantity, stretch: Span) -> Finding {
        let lasts = self.lasts(sensor, quantity, stretch);
        let value = self
            .record
            .get(&sensor.id, quantity)
            .and_then(|s| s.view().value_at(stretch.from_ms, 0));
        let hours = stretch.hours();
        Finding {
            kind: Kind::SensorStuck,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: stretch.from_ms,
            end_ms: (!lasts).then_some(stretch.until_ms),
            severity: Severity::Warning,
            value: Value::new("hours at one value", hours, "h"),
            cause: None,
            also: value
                .map(|value| Value::new("value", value, quantity.stored_unit()))
                .into_iter()
                .collect(),
            message: format!(
                "The {} of {} stood still at {} for {} from {}, while the enclosure moved.",
                words::quantity(quantity),
                sensor.id,
                value.map_or_else(String::new, |value| words::value(quantity, value)),
                words::duration(hours),
                words::instant(self.site.zone, stretch.from_ms)
            ),
            advice: "Do not act on this reading. Unplug it for a minute; if it comes back stuck, replace it. Read by hand \
                     meanwhile, above all if a heater or fogger follows it."
                .to_owned(),
        }
    }

    /// Of all stretches at the top, from the first to the last.
    fn pinned(&self, sensor: &Sensor, quantity: Quantity, first: Span, last: Span) -> Finding {
        let whole = Span {
            from_ms: first.from_ms,
            until_ms: last.until_ms,
        };
        let lasts = self.lasts(sensor, quantity, last);
        let judged = whole.intersect(self.span).unwrap_or(whole);
        let readings = self
            .record
            .get(&sensor.id, quantity)
            .map(|series| series.within(judged));
        let share = readings.map_or(0.0, |view| {
            100.0 * view.value.iter().filter(|v| **v >= signal::TOP_PCT).count() as f64
                / view.len().max(1) as f64
        });
        Finding {
            kind: Kind::SensorPinned,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: whole.from_ms,
            end_ms: (!lasts).then_some(whole.until_ms),
            severity: Severity::Warning,
            value: Value::new("share of the time at the top of the scale", share, "%"),
            cause: None,
            also: Vec::new(),
            message: format!(
                "{} has read the top of its scale for {share:.0} % of the time since {}, {}.",
                sensor.id,
                words::instant(self.site.zone, whole.from_ms),
                if self.is_alone(&sensor.id) {
                    "although the air warmed, which dries it, and no water came that explains it"
                } else {
                    "while the others say the air was drier"
                }
            ),
            advice: format!(
                "Take it out and let it air in the dry room for a day; if it still reads near 100, replace it.{}",
                if self.controls(sensor) {
                    " What it controls is not controlled meanwhile: look and mist by hand."
                } else {
                    ""
                }
            ),
        }
    }

    fn spikes(&self, sensor: &Sensor, quantity: Quantity, count: usize) -> Option<Finding> {
        let per_day = count as f64 / (self.span.hours() / 24.0).max(1.0);
        (per_day >= SPIKES_PER_DAY_MIN).then(|| Finding {
            kind: Kind::SensorSpikes,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: self.span.from_ms,
            end_ms: None,
            severity: Severity::Notice,
            value: Value::new("spikes per day", per_day, "1/d"),
            cause: None,
            also: Vec::new(),
            message: format!(
                "The {} of {} jumped out and back {per_day:.0} times a day.",
                words::quantity(quantity),
                sensor.id
            ),
            advice: "Check its plug and cable, and move it out of the spray and away from the fogger's outlet. Single \
                     jumps are left out of everything else."
                .to_owned(),
        })
    }
}

//! What was found wrong with sensors, in words with figures.

use std::collections::BTreeMap;

use mosswarden_config::correction::Method;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span, Zone};

use super::Outcome;
use super::assess::{CHECKED, Faults, Room};
use super::clocks::ClockFault;
use super::corrections;
use super::cross::{Blamed, Compared};
use super::onset::Shape;
use super::pattern::Parted;
use super::signal::{self, Fading};
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value};
use crate::statistics::Estimate;
use crate::words;

/// Spikes a day from which on they are told: one may be a hand, three are a loose contact (common practice, no source).
const SPIKES_PER_DAY_MIN: f64 = 3.0;
/// Days of a month in the rate of a drift.
const DAYS_30: f64 = 30.0;
/// A drift's rate in 30 days is told once it lasted for about half of them: until then it is a guess, and stands in the figures only.
const RATE_TOLD_MS: i64 = 14 * MS_PER_24_H;
/// A sensor that is off by less asks for nothing yet: as much as makers of good ones allow, %RH and K (own choice).
const fn small(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Humidity => 3.0,
        _ => 0.5,
    }
}
/// Days that a comparison needs before it may say that nothing changed.
pub(super) const FIGURES_MIN: usize = 7;

/// "its level has risen by 3.0 to 6.1 %RH beyond what room, warmth and water explain since about 3 March" of a humidity sensor that stands
/// alone.
pub(super) fn beyond_nature(blamed: &Blamed, zone: Zone) -> String {
    let now = blamed.change.now;
    format!(
        "its level has {} by {} beyond what room, warmth and water explain since about {}",
        if now.value > 0.0 { "risen" } else { "fallen" },
        words::range(Quantity::Humidity, now),
        words::date(zone, blamed.change.onset_ms)
    )
}

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
        let zone = self.site.zone;
        let (name, unit) = (words::quantity(quantity), quantity.stored_unit());
        let in_window =
            |stretch: &&Span| stretch.until_ms > self.span.from_ms && stretch.from_ms < self.span.until_ms;
        for stretch in faults.stuck.iter().filter(in_window) {
            let lasts = self.lasts(sensor, quantity, *stretch);
            let value = self
                .record
                .get(&sensor.id, quantity)
                .and_then(|s| s.view().value_at(stretch.from_ms, 0));
            let hours = stretch.hours();
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorStuck,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: stretch.from_ms,
                end_ms: (!lasts).then_some(stretch.until_ms),
                severity: Severity::Warning,
                value: Value::new("hours at one value", hours, "h"),
                cause: None,
                also: value.map(|value| Value::new("value", value, unit)).into_iter().collect(),
                message: format!(
                    "The {name} of {} stood still at {} for {} from {}, while the enclosure moved.",
                    sensor.id,
                    value.map_or_else(String::new, |value| words::value(quantity, value)),
                    words::duration(hours),
                    words::instant(zone, stretch.from_ms)
                ),
                advice: "Do not act on this reading. Unplug it for a minute; if it comes back stuck, replace it. Read by hand \
                         meanwhile, above all if a heater or fogger follows it."
                    .to_owned(),
            });
        }
        if let Some(first) = faults.pinned.iter().find(in_window) {
            let last = faults.pinned.iter().rfind(in_window).unwrap_or(first);
            let whole = Span {
                from_ms: first.from_ms,
                until_ms: last.until_ms,
            };
            let lasts = self.lasts(sensor, quantity, *last);
            let judged = whole.intersect(self.span).unwrap_or(whole);
            let readings = self
                .record
                .get(&sensor.id, quantity)
                .map(|series| series.within(judged));
            let share = readings.map_or(0.0, |view| {
                100.0 * view.value.iter().filter(|v| **v >= signal::TOP_PCT).count() as f64
                    / view.len().max(1) as f64
            });
            outcome.verdicts.findings.push(Finding {
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
                    "{} has read the top of its scale for {:.0} % of the time since {}, {}.",
                    sensor.id,
                    share,
                    words::instant(zone, whole.from_ms),
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
            });
        }
        let days = self.span.hours() / 24.0;
        let per_day = faults.spike_count as f64 / days.max(1.0);
        if per_day >= SPIKES_PER_DAY_MIN {
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorSpikes,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: self.span.from_ms,
                end_ms: None,
                severity: Severity::Notice,
                value: Value::new("spikes per day", per_day, "1/d"),
                cause: None,
                also: Vec::new(),
                message: format!("The {name} of {} jumped out and back {per_day:.0} times a day.", sensor.id),
                advice: "Check its plug and cable, and move it out of the spray and away from the fogger's outlet. Single \
                         jumps are left out of everything else."
                    .to_owned(),
            });
        }
    }

    pub(super) fn say_compared(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        measured: bool,
        compared: Option<&Compared>,
        outcome: &mut Outcome,
    ) {
        let kind = if quantity == Quantity::Humidity {
            Kind::HumidityDrift
        } else {
            Kind::TemperatureBias
        };
        if !self.feeds(sensor, quantity) && !measured {
            return;
        }
        match compared {
            Some(Compared {
                change: Some(blamed),
                others,
                ..
            }) if blamed.concerns(self.span) => {
                outcome
                    .verdicts
                    .findings
                    .push(self.change_finding(sensor, quantity, others, blamed));
            }
            Some(Compared {
                parted: Some(parted), ..
            }) if parted.exchanged().is_some() => {
                outcome
                    .verdicts
                    .findings
                    .extend(self.exchange_finding(sensor, quantity, parted));
            }
            Some(found)
                if found.figures.len() >= FIGURES_MIN
                    // Of one that is silent itself that is said.
                    && (found.is_current(self.span) || !self.is_heard(sensor, quantity))
                    && found
                        .parted
                        .as_ref()
                        .is_none_or(|parted| !parted.concerns(self.span)) => {}
            _ => outcome.verdicts.not_assessed.push(NotAssessed {
                kind,
                enclosure: self.id.to_owned(),
                subject: Some(sensor.id.clone()),
                span: Some(self.span),
                reason: self.why_not_compared(sensor, quantity, compared),
            }),
        }
    }

    pub(super) fn why_not_compared(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        compared: Option<&Compared>,
    ) -> String {
        let name = words::quantity(quantity);
        let test = match quantity {
            Quantity::Humidity => {
                "put a second device beside it for a day, or check it over saturated table salt"
            }
            _ => "put a trusted thermometer beside it for a day",
        };
        match compared {
            Some(Compared {
                parted: Some(parted),
                others,
                ..
            }) => {
                format!(
                    "whether the {name} of {} drifts can't be said: {}; {test}",
                    sensor.id,
                    parted.words(quantity, self.site.zone, others)
                )
            }
            Some(found) if found.others.is_empty() && !found.is_alone() => {
                format!(
                    "the {name} of {} has nothing left to be compared with that can be believed; {test}",
                    sensor.id
                )
            }
            Some(found) if !found.is_alone() && found.figures.len() >= FIGURES_MIN => format!(
                "the {name} of {} could last be compared with {} on {}: nothing since says whether it drifts; {test}",
                sensor.id,
                found.others.join(", "),
                words::date(
                    self.site.zone,
                    found.last_compared_ms().unwrap_or(self.span.until_ms) - 1
                )
            ),
            Some(found) if !found.is_alone() => format!(
                "only {} of quiet {name} readings of {} could be compared with {}; {FIGURES_MIN} are needed",
                words::several(found.figures.len(), "day"),
                sensor.id,
                found.others.join(", ")
            ),
            _ => format!(
                "the {name} of {} stands alone: no second sensor says whether it drifts; {test}",
                sensor.id
            ),
        }
    }

    /// What the animals probably had where the sensor hangs, while it showed something else.
    fn true_level(&self, sensor: &Sensor, quantity: Quantity, blamed: &Blamed) -> String {
        let change = &blamed.change;
        let wrong = Span {
            from_ms: change.onset_ms.max(self.span.from_ms),
            until_ms: blamed
                .ended_ms
                .unwrap_or(self.span.until_ms)
                .min(self.span.until_ms),
        };
        let shown = (wrong.from_ms < wrong.until_ms)
            .then(|| self.record.get(&sensor.id, quantity))
            .flatten()
            .and_then(|series| series.view().summary(wrong, series.gap_ms()));
        let Some(shown) = shown else {
            return String::new();
        };
        let middle_ms = wrong.from_ms + (wrong.until_ms - wrong.from_ms) / 2;
        let bias = blamed.bias_at(middle_ms);
        // The doubt of the bias now, which is the widest, stands for that of the week.
        let at_most = if quantity == Quantity::Humidity {
            100.0
        } else {
            f64::INFINITY
        };
        let truth = |bias: f64| (shown.mean - bias).min(at_most);
        let (low, high) = (
            truth(bias + (change.now.high - change.now.value)),
            truth(bias - (change.now.value - change.now.low)),
        );
        let from = words::date(self.site.zone, wrong.from_ms);
        if blamed.is_sure() && quantity == Quantity::Humidity && corrections::hides_air(shown.mean, bias) {
            return format!(
                " It showed {} on average since {from}, the top of its scale: the animals had at least about {} there, and what more can't be told from it.",
                words::value(quantity, shown.mean),
                words::value(quantity, low)
            );
        }
        if !blamed.is_sure() {
            return format!(
                " {} showed {} on average since {from}; what the animals had there may be anything from {} to {}.",
                sensor.id,
                words::value(quantity, shown.mean),
                words::value(quantity, low.min(shown.mean)),
                words::value(quantity, high.max(shown.mean)),
            );
        }
        format!(
            " It showed {} on average since {from}; what the animals had there was probably {} ({} to {}).",
            words::value(quantity, shown.mean),
            words::value(quantity, truth(bias)),
            words::value(quantity, low),
            words::value(quantity, high)
        )
    }

    /// Two sensors that changed places, told once: of the first, by its humidity.
    fn exchange_finding(&self, sensor: &Sensor, quantity: Quantity, parted: &Parted) -> Option<Finding> {
        let (other, since_ms) = parted.exchanged()?;
        let is_first = self
            .sensors
            .iter()
            .find(|s| s.id == sensor.id || s.id == other)?
            .id
            == sensor.id;
        if !is_first || quantity != Quantity::Humidity {
            return None;
        }
        Some(Finding {
            kind: Kind::HumidityStep,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: since_ms,
            end_ms: None,
            severity: Severity::Warning,
            value: Value::new("change against the other", parted.day(), quantity.stored_unit()),
            cause: None,
            also: Vec::new(),
            message: format!(
                "{} and {other} seem to have changed places about {}: since then each reads what the other used to, hour by hour, in humidity and \
                 in temperature. Neither need be wrong, but what is said of their places is.",
                sensor.id,
                words::date(self.site.zone, since_ms)
            ),
            advice: "See where each hangs. Put them back, or say their places anew in the site file; then note `sensor-moved` for both, from when it holds."
                .to_owned(),
        })
    }

    pub(super) fn change_finding(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        others: &[String],
        blamed: &Blamed,
    ) -> Finding {
        let zone = self.site.zone;
        let change = &blamed.change;
        let since = words::date(zone, change.onset_ms);
        let (now, unit) = (change.now, quantity.stored_unit());
        let way = if now.value > 0.0 { "high" } else { "low" };
        let against = others.join(" and ");
        let sure = match blamed.share {
            Some(share) if !blamed.is_sure() => format!(
                " Which of the two it is can't be told from what is known ({:.0} % this one).",
                100.0 * share
            ),
            Some(share) => format!(
                " Two sensors alone can't prove which one: {:.0} % sure it is this one.",
                100.0 * share
            ),
            None => String::new(),
        };
        let value_of = |name, estimate: Estimate, scale: f64, unit| {
            Value::new(name, estimate.value * scale, unit)
                .between(estimate.low * scale, estimate.high * scale)
        };
        let bias = value_of("bias now", now, 1.0, unit);
        let range = words::range(quantity, now);
        let more = if now.value > 0.0 { "more" } else { "less" };
        let controlled: Vec<&str> = self
            .enclosure
            .iter()
            .flat_map(|e| &e.devices)
            .filter(|d| {
                d.controlled_by.as_deref() == Some(sensor.id.as_str()) && d.setpoint.humidity_pct.is_some()
            })
            .map(|d| d.id.as_str())
            .collect();
        let follows = !controlled.is_empty() && quantity == Quantity::Humidity && blamed.is_sure();
        let runs = if now.value > 0.0 { "drier" } else { "wetter" };
        let controlled = controlled.join(" and ");
        let consequence = match follows {
            true => format!(" {controlled} follows it, so the enclosure runs {runs} than it shows."),
            false => String::new(),
        };
        let since_then = |ended_ms: i64| match corrections::method_from(
            self.record,
            sensor,
            quantity,
            ended_ms,
        ) {
            Some(Method::Withdrawn) => "its correction was withdrawn then".to_owned(),
            Some(_) if follows => format!(
                "it is corrected since, but {controlled} still follows what it shows, so the enclosure runs {runs} than that"
            ),
            Some(_) => "it is corrected since".to_owned(),
            None if change.ended_ms.is_none() => "it was checked or replaced then".to_owned(),
            None => "it reads as it used to since".to_owned(),
        };
        let (kind, value, also, what) = match (quantity, change.shape) {
            (Quantity::Humidity, Shape::Drift) => {
                let rate = value_of("drift rate", change.per_day, DAYS_30, "%RH/(30.d)");
                let lasted_ms = blamed.ended_ms.unwrap_or(self.span.until_ms) - change.onset_ms;
                let what = if rate.estimate.signum() != now.value.signum() {
                    "has moved away".to_owned()
                } else if lasted_ms < RATE_TOLD_MS {
                    "is drifting".to_owned()
                } else {
                    format!("drifts by {} in 30 days", words::change(quantity, rate.estimate))
                };
                (Kind::HumidityDrift, rate, vec![bias], what)
            }
            (Quantity::Humidity, Shape::Step) => (
                Kind::HumidityStep,
                value_of("bias change", now, 1.0, unit),
                Vec::new(),
                "has jumped".to_owned(),
            ),
            _ => (
                Kind::TemperatureBias,
                value_of("bias", now, 1.0, unit),
                Vec::new(),
                "has moved away".to_owned(),
            ),
        };
        Finding {
            kind,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: change.onset_ms,
            end_ms: blamed.ended_ms,
            severity: if now.value.abs() < small(quantity) {
                Severity::Notice
            } else {
                Severity::Warning
            },
            value,
            cause: None,
            also,
            message: match blamed.ended_ms {
                None if others.is_empty() => format!(
                    "{} stands alone; {}. It reads wrong, or the enclosure changed (vent, lid, soil, plants): nothing beside it can tell.{}",
                    sensor.id,
                    beyond_nature(blamed, zone),
                    self.true_level(sensor, quantity, blamed)
                ),
                None if !blamed.is_sure() => format!(
                    "{} and {against} part since about {since}: against before, the first reads {range} {more} than the other.{}{sure}",
                    sensor.id,
                    self.true_level(sensor, quantity, blamed)
                ),
                None => format!(
                    "{} {what} against {against} since about {since}: it reads {range} {way} now.{consequence}{}{sure}",
                    sensor.id,
                    self.true_level(sensor, quantity, blamed)
                ),
                Some(ended_ms) => format!(
                    "{} read {range} {way} against {against} from about {since} to {}; {}.{sure}",
                    sensor.id,
                    words::date(zone, ended_ms),
                    since_then(ended_ms)
                ),
            },
            advice: if others.is_empty() {
                "Look at vents, lid, misting and soil. If all is as ever, put a trusted device beside it for a day, or check it over \
                 saturated table salt. Until then go by touch and by the animals."
                    .to_owned()
            } else if !blamed.is_sure() {
                "Put a trusted device beside both for a day: it says which of the two moved. Then note the correction or replace that one. \
                 Until then go by touch and by the animals."
                    .to_owned()
            } else if quantity == Quantity::Humidity {
                "Put a trusted device beside it for a day, or check it over saturated table salt; then note the correction or \
                 replace it. Until then go by the other sensor and by touch."
                    .to_owned()
            } else {
                "See whether the probe still hangs where it should, away from lamp, mat and draught; then compare it with a \
                 trusted thermometer. A thermostat and its independent cut-out protect the animal, not this reading."
                    .to_owned()
            },
        }
    }
}

//! What comparisons found, in words with figures: that a sensor changed, that two changed places, or why nothing can be said.

use mosswarden_config::correction::Method;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::super::Outcome;
use super::super::assess::Room;
use super::super::corrections;
use super::super::cross::{Blamed, Compared};
use super::super::onset::Shape;
use super::super::pattern::Parted;
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value};
use crate::statistics::Estimate;
use crate::words;

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
pub(in super::super) const FIGURES_MIN: usize = 7;

/// "its level has risen by 3.0 to 6.1 %RH beyond what room, warmth and water explain since about 3 March" of a humidity sensor that stands
/// alone.
pub(in super::super) fn beyond_nature(blamed: &Blamed, zone: Zone) -> String {
    let now = blamed.change.now;
    format!(
        "its level has {} by {} beyond what room, warmth and water explain since about {}",
        if now.value > 0.0 { "risen" } else { "fallen" },
        words::range(Quantity::Humidity, now),
        words::date(zone, blamed.change.onset_ms)
    )
}

impl Room<'_> {
    pub(in super::super) fn say_compared(
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
                    .push(Told::of(self, sensor, quantity, others, blamed).finding());
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

    pub(in super::super) fn why_not_compared(
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
}

/// One change of a sensor, with what its words are made of.
struct Told<'a> {
    room: &'a Room<'a>,
    sensor: &'a Sensor,
    quantity: Quantity,
    others: &'a [String],
    blamed: &'a Blamed,
    /// Foggers and misters whose set-point it keeps, where it is surely the one that reads wrong.
    follow: String,
}

/// Kind, figure and further figures of a change, and what the sensor did.
struct Figures {
    kind: Kind,
    value: Value,
    also: Vec<Value>,
    did: String,
}

fn value_of(name: &'static str, estimate: Estimate, scale: f64, unit: &'static str) -> Value {
    Value::new(name, estimate.value * scale, unit).between(estimate.low * scale, estimate.high * scale)
}

impl<'a> Told<'a> {
    fn of(
        room: &'a Room<'a>,
        sensor: &'a Sensor,
        quantity: Quantity,
        others: &'a [String],
        blamed: &'a Blamed,
    ) -> Told<'a> {
        let devices = room.enclosure.iter().flat_map(|enclosure| &enclosure.devices);
        let follow: Vec<&str> = devices
            .filter(|device| device.controlled_by.as_deref() == Some(sensor.id.as_str()))
            .filter(|device| device.setpoint.humidity_pct.is_some())
            .filter(|_| quantity == Quantity::Humidity && blamed.is_sure())
            .map(|device| device.id.as_str())
            .collect();
        Told {
            room,
            sensor,
            quantity,
            others,
            blamed,
            follow: follow.join(" and "),
        }
    }

    fn now(&self) -> Estimate {
        self.blamed.change.now
    }

    /// How an enclosure runs whose humidity is kept by it.
    fn runs(&self) -> &'static str {
        if self.now().value > 0.0 { "drier" } else { "wetter" }
    }

    fn figures(&self) -> Figures {
        let (change, now, unit) = (&self.blamed.change, self.now(), self.quantity.stored_unit());
        let moved_away = || "has moved away".to_owned();
        match (self.quantity, change.shape) {
            (Quantity::Humidity, Shape::Drift) => {
                let rate = value_of("drift rate", change.per_day, DAYS_30, "%RH/(30.d)");
                let lasted_ms = self.blamed.ended_ms.unwrap_or(self.room.span.until_ms) - change.onset_ms;
                let did = if rate.estimate.signum() != now.value.signum() {
                    moved_away()
                } else if lasted_ms < RATE_TOLD_MS {
                    "is drifting".to_owned()
                } else {
                    format!(
                        "drifts by {} in 30 days",
                        words::change(self.quantity, rate.estimate)
                    )
                };
                Figures {
                    kind: Kind::HumidityDrift,
                    value: rate,
                    also: vec![value_of("bias now", now, 1.0, unit)],
                    did,
                }
            }
            (Quantity::Humidity, Shape::Step) => Figures {
                kind: Kind::HumidityStep,
                value: value_of("bias change", now, 1.0, unit),
                also: Vec::new(),
                did: "has jumped".to_owned(),
            },
            _ => Figures {
                kind: Kind::TemperatureBias,
                value: value_of("bias", now, 1.0, unit),
                also: Vec::new(),
                did: moved_away(),
            },
        }
    }

    /// How sure it is that it is this one.
    fn sure(&self) -> String {
        match self.blamed.share {
            Some(share) if !self.blamed.is_sure() => format!(
                " Which of the two it is can't be told from what is known ({:.0} % this one).",
                100.0 * share
            ),
            Some(share) => format!(
                " Two sensors alone can't prove which one: {:.0} % sure it is this one.",
                100.0 * share
            ),
            None => String::new(),
        }
    }

    /// What is so since it ended.
    fn since_then(&self, ended_ms: i64) -> String {
        match corrections::method_from(self.room.record, self.sensor, self.quantity, ended_ms) {
            Some(Method::Withdrawn) => "its correction was withdrawn then".to_owned(),
            Some(_) if !self.follow.is_empty() => format!(
                "it is corrected since, but {} still follows what it shows, so the enclosure runs {} than that",
                self.follow,
                self.runs()
            ),
            Some(_) => "it is corrected since".to_owned(),
            None if self.blamed.change.ended_ms.is_none() => "it was checked or replaced then".to_owned(),
            None => "it reads as it used to since".to_owned(),
        }
    }

    fn message(&self, did: &str) -> String {
        let (id, now) = (&self.sensor.id, self.now());
        let since = words::date(self.room.site.zone, self.blamed.change.onset_ms);
        let against = self.others.join(" and ");
        let range = words::range(self.quantity, now);
        let true_level = || self.room.true_level(self.sensor, self.quantity, self.blamed);
        let (way, more) = match now.value > 0.0 {
            true => ("high", "more"),
            false => ("low", "less"),
        };
        match self.blamed.ended_ms {
            None if self.others.is_empty() => format!(
                "{id} stands alone; {}. It reads wrong, or the enclosure changed (vent, lid, soil, plants): nothing beside it can tell.{}",
                beyond_nature(self.blamed, self.room.site.zone),
                true_level()
            ),
            None if !self.blamed.is_sure() => format!(
                "{id} and {against} part since about {since}: against before, the first reads {range} {more} than the other.{}{}",
                true_level(),
                self.sure()
            ),
            None => {
                let consequence = match self.follow.as_str() {
                    "" => String::new(),
                    devices => format!(
                        " {devices} follows it, so the enclosure runs {} than it shows.",
                        self.runs()
                    ),
                };
                format!(
                    "{id} {did} against {against} since about {since}: it reads {range} {way} now.{consequence}{}{}",
                    true_level(),
                    self.sure()
                )
            }
            Some(ended_ms) => format!(
                "{id} read {range} {way} against {against} from about {since} to {}; {}.{}",
                words::date(self.room.site.zone, ended_ms),
                self.since_then(ended_ms),
                self.sure()
            ),
        }
    }

    fn advice(&self) -> &'static str {
        if self.others.is_empty() {
            "Look at vents, lid, misting and soil. If all is as ever, put a trusted device beside it for a day, or check it over \
             saturated table salt. Until then go by touch and by the animals."
        } else if !self.blamed.is_sure() {
            "Put a trusted device beside both for a day: it says which of the two moved. Then note the correction or replace that one. \
             Until then go by touch and by the animals."
        } else if self.quantity == Quantity::Humidity {
            "Put a trusted device beside it for a day, or check it over saturated table salt; then note the correction or \
             replace it. Until then go by the other sensor and by touch."
        } else {
            "See whether the probe still hangs where it should, away from lamp, mat and draught; then compare it with a \
             trusted thermometer. A thermostat and its independent cut-out protect the animal, not this reading."
        }
    }

    fn finding(&self) -> Finding {
        let Figures {
            kind,
            value,
            also,
            did,
        } = self.figures();
        Finding {
            kind,
            enclosure: self.room.id.to_owned(),
            subject: self.sensor.id.clone(),
            start_ms: self.blamed.change.onset_ms,
            end_ms: self.blamed.ended_ms,
            severity: if self.now().value.abs() < small(self.quantity) {
                Severity::Notice
            } else {
                Severity::Warning
            },
            value,
            cause: None,
            also,
            message: self.message(&did),
            advice: self.advice().to_owned(),
        }
    }
}

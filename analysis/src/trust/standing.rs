//! How a sensor stands, in one sentence, and its readings as others may use them.

use std::borrow::Cow;

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::assess::{Faults, Room};
use super::cross::{Compared, explained};
use super::daily::{DayFigure, usual_level};
use super::say::{FIGURES_MIN, beyond_nature};
use super::{DailyDifference, Remark, SensorTrust, Standing, corrections};
use crate::physics::uncertainty::rectangular;
use crate::series::Series;
use crate::trusted::Usable;
use crate::words;

/// Coverage factor of the expanded uncertainty, about 95 % ([JCGM100] 6.2).
const COVERAGE_K: f64 = 2.0;

/// A humidity without the readings that hide the air by a bias, and the stretches in which they lay.
fn without_hidden(series: Series, bias_at: impl Fn(i64) -> f64) -> (Series, Vec<Span>) {
    let usual_ms = series.usual_interval_ms().unwrap_or(0).max(1);
    let mut hidden: Vec<Span> = Vec::new();
    let kept = series.filtered(|at_ms, shown_pct, _| {
        let hides = corrections::hides_air(shown_pct, bias_at(at_ms));
        if hides {
            let until_ms = at_ms + usual_ms;
            match hidden.last_mut() {
                Some(last) if at_ms <= last.until_ms + usual_ms => last.until_ms = until_ms,
                _ => hidden.push(Span {
                    from_ms: at_ms,
                    until_ms,
                }),
            }
        }
        !hides
    });
    let kept = match kept {
        Cow::Owned(kept) => Some(kept),
        Cow::Borrowed(_) => None,
    };
    (kept.unwrap_or(series), hidden)
}

impl Room<'_> {
    /// What a check said of a sensor, where that holds at the end of the span.
    pub(super) fn correction(&self, sensor: &Sensor, quantity: Quantity) -> Option<corrections::Applied<'_>> {
        corrections::applied(self.site, self.record, self.id, sensor, quantity, self.span)
    }

    pub(super) fn usable(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        clean: Series,
        faults: &Faults,
        compared: Option<&Compared>,
    ) -> Usable {
        let limit = match quantity {
            Quantity::Humidity => sensor.accuracy.humidity_pct,
            _ => sensor.accuracy.temperature_c,
        };
        let mut standard = rectangular(limit);
        let mut corrected_by = 0.0;
        if let Some(applied) = self.correction(sensor, quantity) {
            standard = applied.standard(standard);
            corrected_by = applied.bias;
        }
        // Where it may be the other one, what is expected is taken off, and both stories stay inside the doubt.
        let blamed = || compared.iter().flat_map(|c| c.change.iter().chain(&c.perhaps));
        let expected = |at_ms: i64| -> f64 { blamed().map(|b| b.probability() * b.bias_at(at_ms)).sum() };
        let (mut clean, at_top) = match quantity {
            Quantity::Humidity if blamed().next().is_some() => without_hidden(clean, expected),
            _ => (clean, Vec::new()),
        };
        for (at, value) in clean.at_ms.iter().zip(&mut clean.value) {
            *value = corrections::corrected(quantity, *value, expected(*at));
        }
        for blamed in blamed() {
            let (now, probability) = (blamed.change.now, blamed.probability());
            if blamed.concerns(self.span) {
                standard = standard
                    .hypot(probability * (now.high - now.low) / 2.0 / COVERAGE_K)
                    .hypot((probability * (1.0 - probability)).sqrt() * now.value);
            }
            if blamed.ended_ms.is_none() {
                corrected_by += probability * now.value;
            }
        }
        if let Some(parted) = compared.and_then(|c| c.parted.as_ref()) {
            standard = standard.hypot(parted.standard(self.span));
        }
        let left_out = faults
            .stuck
            .iter()
            .map(|span| (*span, "stuck at one value".to_owned()))
            .chain(
                faults
                    .pinned
                    .iter()
                    .map(|span| (*span, "pinned at the top of the scale".to_owned())),
            )
            .chain(
                faults
                    .out
                    .iter()
                    .map(|span| (*span, "out for a check over salt".to_owned())),
            )
            .chain(at_top.into_iter().map(|span| {
                let why = "at the top of its scale, where a sensor that reads too high hides the air";
                (span, why.to_owned())
            }))
            .collect();
        Usable {
            series: clean,
            half_width: COVERAGE_K * standard,
            left_out,
            corrected_by,
        }
    }

    /// What a sensor read from its first days on beside the others, where that is more than their limits of error and two places explain.
    fn stood_apart(&self, sensor: &Sensor, quantity: Quantity, found: &Compared) -> String {
        let others: Vec<&Sensor> = self
            .sensors
            .iter()
            .filter(|other| found.others.contains(&other.id))
            .collect();
        let explained = explained(quantity, sensor, &others);
        let apart = format!(
            "{} {} than they",
            words::value(quantity, found.stood.abs()),
            if found.stood > 0.0 { "more" } else { "less" }
        );
        match found.together_since_ms {
            Some(since_ms) => format!(
                ", with which it agrees since about {} only: before, it read {apart}, and one of them was wrong or out of place",
                words::date(self.site.zone, since_ms)
            ),
            None if quantity == Quantity::Humidity && found.stood.abs() > explained => format!(
                ", though it has read {apart} from its first days on: by its place, or one of them was wrong before it was first compared"
            ),
            None => String::new(),
        }
    }

    /// That a sensor was moved, replaced or checked of late, and what it read before is another series.
    fn began_anew(&self, sensor: &Sensor) -> String {
        /// Said for this long: by then as much is known of the new series (own choice).
        const TOLD_MS: i64 = 28 * MS_PER_24_H;
        let of_late = Span {
            from_ms: self.span.until_ms - TOLD_MS,
            ..self.span
        };
        let last = self
            .record
            .entries(self.id, of_late)
            .filter(|entry| entry.subject.as_deref() == Some(sensor.id.as_str()))
            .filter_map(|entry| {
                let what = match entry.kind.as_str() {
                    journal::SENSOR_MOVED => "moved",
                    journal::SENSOR_REPLACED => "replaced",
                    journal::SENSOR_CALIBRATED => "checked",
                    _ => return None,
                };
                Some((entry.at_ms, what))
            })
            .max();
        last.map_or(String::new(), |(at_ms, what)| {
            format!(
                ", compared anew since {}, when it was {what}",
                words::date(self.site.zone, at_ms)
            )
        })
    }

    pub(super) fn trust(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        faults: &Faults,
        compared: Option<&Compared>,
        (usable, remarks): (&Usable, Vec<Remark>),
    ) -> SensorTrust {
        let (standing, mut words) = self
            .by_signal(sensor, quantity, faults)
            .or_else(|| self.by_change(quantity, compared?))
            .unwrap_or_else(|| {
                let as_compared = self.as_compared(sensor, quantity, compared, usable);
                (Standing::Believed, as_compared)
            });
        if let Some(applied) = self.correction(sensor, quantity) {
            words += &format!("; {}", applied.words(self.site, quantity));
        }
        // Of one that is not believed or not known nothing more needs to be said.
        if matches!(standing, Standing::Believed | Standing::Doubtful) {
            words.extend(remarks.iter().map(|remark| format!("; {}", remark.words)));
        }
        if let Some(charge) = self.charge(sensor).filter(|charge| charge.is_low()) {
            words += &format!("; its battery was last at {}", charge.words());
        }
        let differences = compared.map_or_else(Vec::new, |found| {
            let usual = usual_level(&found.figures);
            let of_day = |figure: &DayFigure| DailyDifference {
                at_ms: figure.at_ms,
                difference: figure.difference - usual,
                half_width: 0.5 * usable.half_width,
            };
            found.figures.iter().map(of_day).collect()
        });
        SensorTrust {
            enclosure: self.id.to_owned(),
            sensor: sensor.id.clone(),
            quantity,
            standing,
            words,
            compared_with: compared
                .filter(|c| !c.others.is_empty())
                .map(|c| c.others.join(", ")),
            half_width: Some(usable.half_width),
            differences,
            remarks,
        }
    }

    /// One whose own signal says that it tells nothing at the end of the span.
    fn by_signal(&self, sensor: &Sensor, quantity: Quantity, faults: &Faults) -> Option<(Standing, String)> {
        let ongoing = |stretches: &[Span]| {
            let last = stretches.last().copied();
            last.filter(|stretch| self.lasts(sensor, quantity, *stretch))
        };
        let since = |from_ms: i64| words::instant(self.site.zone, from_ms);
        if let Some(stretch) = ongoing(&faults.stuck) {
            let words = format!("not believed: stuck since {}", since(stretch.from_ms));
            return Some((Standing::NotBelieved, words));
        }
        if let Some(stretch) = ongoing(&faults.pinned) {
            let words = format!(
                "not believed: pinned at the top of its scale since {}",
                since(stretch.from_ms)
            );
            return Some((Standing::NotBelieved, words));
        }
        let silent = faults
            .silent
            .iter()
            .find(|pause| pause.until_ms >= self.span.until_ms)?;
        let words = format!("not known: silent since {}", since(silent.from_ms));
        Some((Standing::NotKnown, words))
    }

    /// One that changed, or may have.
    fn by_change(&self, quantity: Quantity, compared: &Compared) -> Option<(Standing, String)> {
        let zone = self.site.zone;
        let change = compared
            .change
            .as_ref()
            .filter(|blamed| blamed.ended_ms.is_none());
        let perhaps = compared.perhaps.as_ref();
        let perhaps = perhaps.filter(|blamed| blamed.ended_ms.is_none() && !blamed.of_other().is_sure());
        let words = match (change, perhaps) {
            (Some(blamed), _) if compared.is_alone() => format!(
                "doubtful: {}, and nothing stands beside it that could tell whether it reads wrong or the enclosure changed",
                beyond_nature(blamed, zone)
            ),
            (Some(blamed), _) => {
                let now = blamed.change.now;
                format!(
                    "doubtful: reads {} {} since about {}",
                    words::range(quantity, now),
                    if now.value > 0.0 { "high" } else { "low" },
                    words::date(zone, blamed.change.onset_ms)
                )
            }
            (None, Some(other)) => format!(
                "doubtful: it and the other sensor there part since about {}, and which of the two changed can't be told",
                words::date(zone, other.change.onset_ms)
            ),
            (None, None) => return None,
        };
        Some((Standing::Doubtful, words))
    }

    /// How far one is believed of which nothing speaks against it, and what it was compared with.
    fn as_compared(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        compared: Option<&Compared>,
        usable: &Usable,
    ) -> String {
        let zone = self.site.zone;
        let width = words::half_width(quantity, usable.half_width);
        let source = if sensor.accuracy.is_stated {
            "by its maker's word"
        } else {
            "as is usual of cheap ones, for its accuracy is not stated"
        };
        let Some(found) = compared.filter(|found| !found.is_alone()) else {
            return format!("believed within {width} {source}; nothing to compare it with");
        };
        let beside = found.others.join(" and ");
        let has_figures = found.figures.len() >= FIGURES_MIN;
        match &found.parted {
            Some(parted) if parted.concerns(self.span) => format!(
                "believed within {width} where it hangs; {}",
                parted.words(quantity, zone, &found.others)
            ),
            _ if has_figures && !found.is_current(self.span) => format!(
                "believed within {width} {source}; last compared with {beside} on {}, when nothing had changed",
                words::date(zone, found.last_compared_ms().unwrap_or(self.span.until_ms) - 1)
            ),
            _ if has_figures => format!(
                "believed within {width}; no change against {beside}{}{}",
                self.began_anew(sensor),
                self.stood_apart(sensor, quantity, found)
            ),
            _ if found.others.is_empty() => {
                format!(
                    "believed within {width} {source}; nothing left to compare it with that can be believed"
                )
            }
            _ => format!(
                "believed within {width} {source}; too few days beside {beside} to say more ({} of {FIGURES_MIN})",
                found.figures.len()
            ),
        }
    }

    pub(super) fn unheard(&self, sensor: &Sensor, quantity: Quantity) -> SensorTrust {
        SensorTrust {
            enclosure: self.id.to_owned(),
            sensor: sensor.id.clone(),
            quantity,
            standing: Standing::NotKnown,
            words: "not known: nothing was heard in this time".to_owned(),
            compared_with: None,
            half_width: None,
            differences: Vec::new(),
            remarks: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use mosswarden_config::zone::MS_PER_24_H;

    use super::super::kit::{START_MS, reading, site};
    use super::*;
    use crate::findings::Kind;
    use crate::load::Record;
    use crate::trust::assess;

    const STEP_MS: i64 = 600_000;
    const DAYS: i64 = 30;
    const CHANGED_ON: i64 = 23;

    /// The last week's judgement of "stat", which reads more than "check" by `before`, then by `after`, %RH: whether a change of it is told,
    /// and its trust in words.
    fn judged(before: f64, after: f64) -> (bool, String) {
        let site = site("stat", "check");
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + DAYS * MS_PER_24_H,
        };
        let changed_ms = START_MS + CHANGED_ON * MS_PER_24_H;
        let readings = (history.from_ms..history.until_ms)
            .step_by(STEP_MS as usize)
            .flat_map(|at_ms| {
                let days = (at_ms - START_MS) as f64 / MS_PER_24_H as f64;
                let air_pct = 65.0 + 5.0 * (std::f64::consts::TAU * days).sin() + 2.0 * days.sin();
                let more = if at_ms < changed_ms { before } else { after };
                let of = [("stat", air_pct + more), ("check", air_pct)];
                of.into_iter().flat_map(move |(sensor, humidity_pct)| {
                    [
                        (Quantity::Humidity, humidity_pct),
                        (Quantity::Temperature, 22.0 + (5.0 * days).sin()),
                    ]
                    .map(|(quantity, value)| reading(sensor, quantity, at_ms, value))
                })
            });
        let record = Record::from_readings(readings, Vec::new(), history);
        let span = Span {
            from_ms: changed_ms,
            ..history
        };
        let outcome = assess(&site, &record, span);
        let of_humidity =
            |trust: &&SensorTrust| trust.quantity == Quantity::Humidity && trust.sensor == "stat";
        let trust = outcome.sensors.iter().find(of_humidity).expect("it is judged");
        let changes = [Kind::HumidityStep, Kind::HumidityDrift];
        let told = outcome
            .verdicts
            .findings
            .iter()
            .any(|finding| changes.contains(&finding.kind));
        (told, trust.words.clone())
    }

    #[test]
    fn one_that_stood_apart_and_comes_to_the_others_was_wrong_before_and_is_not_now() {
        let (told, words) = judged(15.0, 0.0);
        assert!(!told);
        assert!(
            words.contains(
                "it agrees since about Tuesday 24 March only: before, it read 15.0 %RH more than they"
            ),
            "{words}"
        );
    }

    #[test]
    fn one_that_leaves_the_others_or_comes_half_the_way_has_changed() {
        for (before, after) in [(0.0, 15.0), (15.0, 7.0), (4.0, 0.0)] {
            let (told, words) = judged(before, after);
            assert!(
                told && !words.contains("only: before"),
                "{before} {after}: {words}"
            );
        }
    }
}

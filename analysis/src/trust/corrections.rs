//! What a check said of a sensor, taken off its later readings; the stored ones stay as they are.

use std::borrow::Cow;

use mosswarden_config::correction::{Correction, Method, holding};
use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Sensor, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::signal::TOP_PCT;
use crate::load::Record;
use crate::physics::uncertainty::rectangular;
use crate::series::Series;
use crate::statistics::robust::median;
use crate::words;

/// What a check does not see of a cheap sensor: hysteresis and creep after wet hours, ±%RH (published ranges: duct sensors repeatable
/// within 1.5), and the same for a thermometer, ±K (own choice).
const UNSEEN_HUMIDITY_PCT: f64 = 1.5;
const UNSEEN_TEMPERATURE_K: f64 = 0.1;
/// Ageing since the check, ± per year: %RH (published: up to 0.5 in clean air) and K (own choice).
const AGEING_PCT_PER_YEAR: f64 = 0.5;
const AGEING_K_PER_YEAR: f64 = 0.05;
const DAYS_PER_YEAR: f64 = 365.25;

/// A correction that holds at the end of a span.
pub(super) struct Applied<'r> {
    correction: &'r Correction,
    /// What is taken off a usual reading.
    pub bias: f64,
    /// Standard uncertainty of a corrected reading.
    standard: f64,
    /// Whether it held from the beginning of the span on.
    throughout: bool,
}

impl Applied<'_> {
    /// Standard uncertainty of one reading of the span, given the maker's: both stand in the span where the check fell into it.
    pub(super) fn standard(&self, of_maker: f64) -> f64 {
        if self.throughout {
            self.standard
        } else {
            self.standard.max(of_maker)
        }
    }

    /// "corrected by −3.1 %RH since Thursday 12 March (salt check)".
    pub(super) fn words(&self, site: &Site, quantity: Quantity) -> String {
        format!(
            "corrected by {} since {} ({})",
            words::change(quantity, -self.bias).replace('-', "−"),
            words::date(site.zone, self.correction.valid_from_ms),
            self.correction.method.words()
        )
    }
}

/// When a sensor's baseline begins anew because of a check.
pub(super) fn restarts_ms<'r>(
    record: &'r Record,
    sensor: &'r str,
    quantity: Quantity,
) -> impl Iterator<Item = i64> + 'r {
    record
        .corrections
        .iter()
        .filter(move |c| c.sensor == sensor && c.quantity() == Some(quantity))
        .map(|c| c.valid_from_ms)
}

/// What was noted of a sensor from an instant on.
pub(super) fn method_from(
    record: &Record,
    sensor: &Sensor,
    quantity: Quantity,
    at_ms: i64,
) -> Option<Method> {
    let mut noted = record.corrections.iter().rev();
    let is_it =
        |c: &&Correction| c.sensor == sensor.id && c.quantity() == Some(quantity) && c.valid_from_ms == at_ms;
    noted.find(is_it).map(|correction| correction.method)
}

/// What was known of a replaced sensor ends with it.
fn replaced_ms(site: &Site, record: &Record, place: &str, sensor: &Sensor) -> Vec<i64> {
    record
        .journal
        .iter()
        .filter(|entry| entry.kind == journal::SENSOR_REPLACED && entry.enclosure == place)
        .filter(|entry| entry.subject.as_deref().is_none_or(|id| id == sensor.id))
        .map(|entry| entry.at_ms)
        .chain(sensor.installed.map(|date| site.zone.day(date).from_ms))
        .collect()
}

/// The correction that holds at the end of `span`, with its doubt at what the sensor usually reads.
pub(super) fn applied<'r>(
    site: &Site,
    record: &'r Record,
    place: &str,
    sensor: &Sensor,
    quantity: Quantity,
    span: Span,
) -> Option<Applied<'r>> {
    let replaced = replaced_ms(site, record, place, sensor);
    let at = |at_ms| holding(&record.corrections, &sensor.id, quantity, at_ms, &replaced);
    let correction = at(span.until_ms - 1)?;
    let raw = record.get(&sensor.id, quantity)?;
    let since = Span {
        from_ms: correction.valid_from_ms.max(span.from_ms),
        until_ms: span.until_ms,
    };
    let usual = median(raw.within(since).value).unwrap_or(correction.pivot);
    let years = (span.until_ms - correction.valid_from_ms) as f64 / MS_PER_24_H as f64 / DAYS_PER_YEAR;
    let (unseen, ageing) = match quantity {
        Quantity::Humidity => (UNSEEN_HUMIDITY_PCT, AGEING_PCT_PER_YEAR),
        _ => (UNSEEN_TEMPERATURE_K, AGEING_K_PER_YEAR),
    };
    Some(Applied {
        correction,
        bias: correction.bias_at(usual),
        standard: correction
            .standard_uncertainty_at(usual)
            .hypot(rectangular(unseen))
            .hypot(rectangular(ageing * years)),
        throughout: at(span.from_ms).is_some(),
    })
}

/// Whether a humidity says no more than that the air holds so much at least: at the top of its scale a sensor that reads too high by so much
/// stands still whatever the air does.
pub(super) fn hides_air(shown_pct: f64, too_high_pct: f64) -> bool {
    /// Less stays within what is doubted of any sensor in wet air (own choice).
    const HIDES_FROM_PCT: f64 = 3.0;
    shown_pct >= TOP_PCT && too_high_pct >= HIDES_FROM_PCT
}

/// What a reading is once its bias is taken off.
pub(super) fn corrected(quantity: Quantity, shown: f64, bias: f64) -> f64 {
    /// Air holds no more; a saturated reading stays at most this, %RH.
    const SATURATED_PCT: f64 = 100.0;
    match quantity {
        Quantity::Humidity => (shown - bias).clamp(0.0, shown.max(SATURATED_PCT)),
        _ => shown - bias,
    }
}

/// Takes off each reading what was known of the sensor at its time; one that hides the air is taken out.
pub(super) fn take_off(
    site: &Site,
    record: &Record,
    place: &str,
    sensor: &Sensor,
    quantity: Quantity,
    series: &mut Cow<'_, Series>,
) {
    let Some(first) = restarts_ms(record, &sensor.id, quantity).min() else {
        return;
    };
    let replaced = replaced_ms(site, record, place, sensor);
    let known = |at_ms| holding(&record.corrections, &sensor.id, quantity, at_ms, &replaced);
    let kept = series.filtered(|at_ms, value, _| {
        let hidden = |known: &Correction| hides_air(value, known.bias_at(value));
        quantity != Quantity::Humidity || at_ms < first || !known(at_ms).is_some_and(hidden)
    });
    if let Cow::Owned(kept) = kept {
        *series = Cow::Owned(kept);
    }
    let series = series.to_mut();
    for (at, value) in series.at_ms.iter().zip(&mut series.value) {
        if *at < first {
            continue;
        }
        if let Some(known) = known(*at) {
            *value = corrected(quantity, *value, known.bias_at(*value));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use mosswarden_config::journal::Entry;
    use mosswarden_config::table::{Mark, Reading, TimeSource};

    use super::*;
    use crate::trust::assess;

    const SITE: &str = include_str!("../../../tests/reference/site.toml");
    /// 2026-03-01T00:00Z
    const START_MS: i64 = 1_772_323_200_000;
    const STEP_MS: i64 = 600_000;
    const LOW: &str = "mossy-1-low";

    fn site() -> Site {
        Site::from_source(Path::new("site.toml"), SITE).expect("the example is right")
    }

    fn day(day: i64) -> i64 {
        START_MS + day * MS_PER_24_H
    }

    fn span() -> Span {
        Span {
            from_ms: day(0),
            until_ms: day(10),
        }
    }

    fn correction(valid_from_ms: i64, method: Method) -> Correction {
        Correction {
            valid_from_ms,
            written_ms: 0,
            sensor: LOW.to_owned(),
            quantity: "humidity".to_owned(),
            method,
            against: "NaCl".to_owned(),
            bias: 3.1,
            u_bias: 0.6,
            gain: 0.0,
            u_gain: 0.0,
            pivot: 80.0,
            by: None,
        }
    }

    /// Ten days of one sensor that reads about 80 %RH.
    fn record(corrections: Vec<Correction>, journal: Vec<Entry>) -> Record {
        let readings = (0..10 * MS_PER_24_H / STEP_MS).map(|step| Reading {
            at_ms: START_MS + step * STEP_MS,
            received_ms: START_MS + step * STEP_MS,
            time_source: TimeSource::Device,
            enclosure: Arc::from("mossy-1"),
            sensor: Arc::from(LOW),
            quantity: Quantity::Humidity,
            value: 80.0 + (step % 5 - 2) as f64,
            mark: Mark::Ok,
        });
        Record::from_readings(readings, journal, span()).with_corrections(corrections)
    }

    #[test]
    fn a_correction_holds_from_its_day_on_beside_the_raw_reading() {
        let record = record(vec![correction(day(4), Method::Salt)], Vec::new());
        let outcome = assess(&site(), &record, span());
        let usable = outcome
            .trusted
            .get(LOW, Quantity::Humidity)
            .expect("it was heard");
        let raw = record.get(LOW, Quantity::Humidity).expect("it was heard");
        for (index, at) in raw.at_ms.iter().enumerate() {
            let taken = raw.value[index] - usable.series.value[index];
            let expected = if *at < day(4) { 0.0 } else { 3.1 };
            assert!(
                (taken - expected).abs() < 1e-9,
                "{taken} on day {}",
                (at - START_MS) / MS_PER_24_H
            );
        }
        assert!((usable.corrected_by - 3.1).abs() < 1e-9);
        let words = &outcome
            .sensors
            .iter()
            .find(|s| s.sensor == LOW && s.quantity == Quantity::Humidity)
            .expect("it is judged")
            .words;
        assert!(
            words.ends_with("corrected by −3.1 %RH since Thursday 5 March (salt check)"),
            "{words}"
        );
    }

    #[test]
    fn the_doubt_is_that_of_the_check_once_it_held_all_along() {
        let width = |valid_from_ms| {
            let record = record(vec![correction(valid_from_ms, Method::Salt)], Vec::new());
            let outcome = assess(&site(), &record, span());
            outcome
                .trusted
                .get(LOW, Quantity::Humidity)
                .expect("it was heard")
                .half_width
        };
        // 2 √(0.6² + 1.5²/3 + (0.5 · 20 d/a)²/3) = 2.11; a sensor of the usual claim has 2 · 5/√3 = 5.77.
        assert!((width(day(-10)) - 2.11).abs() < 0.01, "{}", width(day(-10)));
        assert!((width(day(4)) - 5.77).abs() < 0.01, "{}", width(day(4)));
    }

    #[test]
    fn a_withdrawal_a_replacement_and_the_future_end_it() {
        let usable = |corrections: Vec<Correction>, journal: Vec<Entry>| {
            let record = record(corrections, journal);
            let outcome = assess(&site(), &record, span());
            let usable = outcome
                .trusted
                .get(LOW, Quantity::Humidity)
                .expect("it was heard");
            (usable.corrected_by, usable.series.value[usable.series.len() - 1])
        };
        let last = 80.0 + ((10 * MS_PER_24_H / STEP_MS - 1) % 5 - 2) as f64;
        let checked = || correction(day(2), Method::SideBySide);
        assert_eq!(
            usable(vec![checked(), correction(day(6), Method::Withdrawn)], Vec::new()),
            (0.0, last)
        );
        let replaced = Entry {
            at_ms: day(5),
            written_ms: day(5),
            enclosure: "mossy-1".to_owned(),
            kind: "sensor-replaced".to_owned(),
            subject: Some(LOW.to_owned()),
            text: String::new(),
            by: None,
            amends: None,
        };
        assert_eq!(usable(vec![checked()], vec![replaced]), (0.0, last));
        assert_eq!(
            usable(vec![correction(day(10), Method::Salt)], Vec::new()),
            (0.0, last)
        );
        let record = record(vec![checked(), correction(day(6), Method::Withdrawn)], Vec::new());
        let sensor = &site().enclosures[0].sensors;
        let low = sensor
            .iter()
            .find(|sensor| sensor.id == LOW)
            .expect("it is there");
        let from = |at_ms| method_from(&record, low, Quantity::Humidity, at_ms);
        assert_eq!(
            (from(day(2)), from(day(6)), from(day(4))),
            (Some(Method::SideBySide), Some(Method::Withdrawn), None)
        );
        let (by, value) = usable(vec![checked()], Vec::new());
        assert!((by - 3.1).abs() < 1e-9 && (last - value - 3.1).abs() < 1e-9);
    }
}

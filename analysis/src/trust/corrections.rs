//! What a check said of a sensor, taken off its later readings; the stored ones stay as they are.

use mosswarden_config::correction::{Correction, holding};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Sensor, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};

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
    sensor: &'r Sensor,
    quantity: Quantity,
) -> impl Iterator<Item = i64> + 'r {
    record
        .corrections
        .iter()
        .filter(move |c| c.sensor == sensor.id && c.quantity() == Some(quantity))
        .map(|c| c.valid_from_ms)
}

/// What was known of a replaced sensor ends with it.
fn replaced_ms(site: &Site, record: &Record, place: &str, sensor: &Sensor) -> Vec<i64> {
    record
        .journal
        .iter()
        .filter(|entry| entry.kind == "sensor-replaced" && entry.enclosure == place)
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

/// Takes off each reading what was known of the sensor at its time.
pub(super) fn take_off(
    site: &Site,
    record: &Record,
    place: &str,
    sensor: &Sensor,
    quantity: Quantity,
    series: &mut Series,
) {
    /// Air holds no more; a saturated reading stays at most this, %RH.
    const SATURATED_PCT: f64 = 100.0;
    let Some(first) = restarts_ms(record, sensor, quantity).min() else {
        return;
    };
    let replaced = replaced_ms(site, record, place, sensor);
    for (at, value) in series.at_ms.iter().zip(&mut series.value) {
        if *at < first {
            continue;
        }
        if let Some(known) = holding(&record.corrections, &sensor.id, quantity, *at, &replaced) {
            let corrected = *value - known.bias_at(*value);
            *value = if quantity == Quantity::Humidity {
                corrected.clamp(0.0, value.max(SATURATED_PCT))
            } else {
                corrected
            };
        }
    }
}

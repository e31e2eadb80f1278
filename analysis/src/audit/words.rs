//! Words of the audit: dates with their year, both temperature scales.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Band, Sensor, Units};
use mosswarden_config::zone::Zone;

use crate::plot::{Display, both_scales, number};
pub(crate) use crate::words::share;

/// "Tue 19 May 2026, 14:10".
pub(crate) fn at(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%a %-d %b %Y, %H:%M").to_string()
}

/// "Tuesday 19 May 2026, 14:10".
pub(crate) fn at_long(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B %Y, %H:%M").to_string()
}

/// "24.3 °C (75.7 °F)".
pub(crate) fn degrees(value_c: f64) -> String {
    both_scales(&Display::new(Units::Metric).temperature_words(value_c))
}

/// "20.0 to 25.0 °C (68.0 to 77.0 °F)".
pub(crate) fn degrees_range(low_c: f64, high_c: f64) -> String {
    both_scales(&Display::new(Units::Metric).range_words(low_c, high_c))
}

/// A value of a followed quantity with its unit, a temperature on both scales.
pub(crate) fn value(quantity: Quantity, value: f64) -> String {
    if quantity == Quantity::Temperature {
        degrees(value)
    } else {
        format!("{} %RH", number(value))
    }
}

pub(crate) fn range(quantity: Quantity, low: f64, high: f64) -> String {
    if quantity == Quantity::Temperature {
        degrees_range(low, high)
    } else {
        format!("{} to {} %RH", number(low), number(high))
    }
}

pub(crate) fn band(quantity: Quantity, band: Band) -> String {
    range(quantity, band.low, band.high)
}

/// "310 h", "9.5 h".
pub(crate) fn hours(hours: f64) -> String {
    if (hours - hours.round()).abs() < 0.05 {
        format!("{hours:.0} h")
    } else {
        format!("{hours:.1} h")
    }
}

/// "mossy-1-check (middle, in shade)".
pub(crate) fn sensor(sensor: &Sensor) -> String {
    match &sensor.place {
        Some(place) => format!("{} ({place})", sensor.id),
        None => sensor.id.clone(),
    }
}

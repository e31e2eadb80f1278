//! How instants, durations and values are said to a keeper: one way for every message.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::Zone;

use crate::statistics::Estimate;

/// "Tuesday 19 May, 14:10" in local time.
pub fn instant(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B, %H:%M").to_string()
}

/// "Tuesday 19 May" in local time.
pub fn date(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B").to_string()
}

/// "2 h 10 min", "35 min", "3 days".
pub fn duration(hours: f64) -> String {
    /// From here on days say more than hours.
    const HOURS_MAX: f64 = 72.0;
    let minutes = (hours * 60.0).round() as i64;
    if hours >= HOURS_MAX {
        return format!("{:.1} days", hours / 24.0);
    }
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

pub fn quantity(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "temperature",
        Quantity::Humidity => "humidity",
        other => other.name(),
    }
}

/// The unit as people write it.
pub fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature | Quantity::WaterTemperature => "°C",
        Quantity::Humidity => "%RH",
        other => other.stored_unit(),
    }
}

/// "81.2 %RH".
pub fn value(quantity: Quantity, value: f64) -> String {
    format!("{value:.1} {}", unit(quantity))
}

/// "±2.1 %RH".
pub fn half_width(quantity: Quantity, half_width: f64) -> String {
    format!("±{half_width:.1} {}", unit(quantity))
}

/// "+4.1 %RH".
pub fn change(quantity: Quantity, value: f64) -> String {
    format!("{value:+.1} {}", unit(quantity))
}

/// "4.0 to 6.1 %RH": the size of an estimate whatever its sign.
pub fn range(quantity: Quantity, estimate: Estimate) -> String {
    let (a, b) = (
        estimate.low * estimate.value.signum(),
        estimate.high * estimate.value.signum(),
    );
    format!("{:.1} to {:.1} {}", a.min(b).max(0.0), a.max(b), unit(quantity))
}

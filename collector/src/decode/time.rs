//! A device's own time: a text is RFC 3339; a number is epoch milliseconds from 1e11 up, else epoch seconds.

use chrono::DateTime;

/// Numbers from here up are milliseconds: as seconds this would be the year 5138.
const MILLISECONDS_FROM: f64 = 1e11;
/// Latest instant that is taken, ms: the year 9999. What lies beyond is not a time.
const LATEST_MS: f64 = 253_402_300_799_999.0;

/// The instant that a number stands for, ms.
pub(super) fn from_epoch(number: f64) -> Option<i64> {
    let ms = if number.abs() >= MILLISECONDS_FROM {
        number
    } else {
        number * 1000.0
    };
    whole_ms(ms)
}

/// The instant that a text stands for, ms; a text of digits counts as a number.
pub(super) fn from_text(text: &str) -> Option<i64> {
    match DateTime::parse_from_rfc3339(text) {
        Ok(at) => Some(at.timestamp_millis()),
        Err(_) => from_epoch(text.parse().ok()?),
    }
}

/// Rounded to whole ms, if it is an instant at all.
pub(super) fn whole_ms(ms: f64) -> Option<i64> {
    // The cast is exact: whole numbers below 2^53.
    (ms.is_finite() && ms.abs() <= LATEST_MS).then(|| ms.round() as i64)
}

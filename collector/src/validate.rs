//! Raw value → reading with its mark.
//!
//! In: a decoded value, its sensor, the instant of arrival. Out: a [`Reading`] that keeps the value as it came, both times
//! as far as they can be believed, and says what is doubtful. Pure. Nothing is dropped or changed here.

use std::sync::Arc;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{AHEAD_MS_MAX, DEVICE_CLOCK_SET_FROM_MS, OWN_CLOCK_SET_FROM_MS};

use crate::decode::Raw;

/// A reading may have waited this long in a device before it arrives, ms: ten years of 365.25 days. Beyond, the clock is wrong.
const WAITED_MS_MAX: i64 = 315_576_000_000;
/// A reading with a device time this much before its arrival, ms, counts as late: five minutes, beyond any usual reporting interval's jitter.
const LATE_MS: i64 = 5 * 60 * 1000;

/// Whether the server's own clock can be believed at all.
pub(crate) fn server_clock_is_set(now_ms: i64) -> bool {
    now_ms >= OWN_CLOCK_SET_FROM_MS
}

/// Whether a reading waited in its device before it arrived.
pub(crate) fn is_late(reading: &Reading) -> bool {
    reading.time_source == TimeSource::Device && reading.received_ms.saturating_sub(reading.at_ms) > LATE_MS
}

/// One value with its sensor, times and mark.
///
/// `is_will`: the message is a device's will, published because the device was lost.
pub(crate) fn reading(
    raw: &Raw,
    enclosure: &Arc<str>,
    sensor: &Arc<str>,
    arrived_ms: i64,
    is_will: bool,
) -> Reading {
    let (at_ms, time_source, clock) = instant(raw.device_time_ms, arrived_ms);
    let mark = if is_will {
        Mark::DeviceLost
    } else if !is_possible(raw.quantity, raw.value) {
        Mark::Impossible
    } else {
        clock
    };
    Reading {
        at_ms,
        received_ms: arrived_ms,
        time_source,
        enclosure: Arc::clone(enclosure),
        sensor: Arc::clone(sensor),
        quantity: raw.quantity,
        value: raw.value,
        mark,
    }
}

/// The mark of a value that a file brings with its time. The file's time stands, however strange: nothing better is known.
pub(crate) fn mark_of_import(quantity: Quantity, value: f64, at_ms: i64, now_ms: i64) -> Mark {
    if !is_possible(quantity, value) {
        Mark::Impossible
    } else if at_ms < DEVICE_CLOCK_SET_FROM_MS {
        Mark::ClockReset
    } else if at_ms > now_ms.saturating_add(AHEAD_MS_MAX) {
        Mark::ClockAhead
    } else {
        Mark::Ok
    }
}

fn is_possible(quantity: Quantity, value: f64) -> bool {
    let possible = quantity.possible();
    possible.low <= value && value <= possible.high
}

/// Which instant a value holds for, where it comes from, and what its clock deserves as a mark.
fn instant(device_time_ms: Option<i64>, arrived_ms: i64) -> (i64, TimeSource, Mark) {
    let server_clock = server_clock_is_set(arrived_ms);
    match device_time_ms {
        None if server_clock => (arrived_ms, TimeSource::Arrival, Mark::Ok),
        // The arrival itself can't be believed: kept, and marked so that no day is judged by it.
        None => (arrived_ms, TimeSource::Arrival, Mark::ClockReset),
        Some(at) if at < DEVICE_CLOCK_SET_FROM_MS => (arrived_ms, TimeSource::Arrival, Mark::ClockReset),
        // A set device clock is better than a server clock that is not.
        Some(at) if !server_clock => (at, TimeSource::Device, Mark::Ok),
        Some(at) if at < arrived_ms - WAITED_MS_MAX => (arrived_ms, TimeSource::Arrival, Mark::ClockReset),
        Some(at) if at > arrived_ms + AHEAD_MS_MAX => (arrived_ms, TimeSource::Arrival, Mark::ClockAhead),
        Some(at) => (at, TimeSource::Device, Mark::Ok),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-03-01T08:00:00Z.
    const NOW_MS: i64 = 1_772_352_000_000;

    fn judged(quantity: Quantity, value: f64, device_time_ms: Option<i64>, arrived_ms: i64) -> Reading {
        let raw = Raw {
            quantity,
            value,
            device_time_ms,
        };
        reading(
            &raw,
            &Arc::from("mossy-1"),
            &Arc::from("mossy-1-stat"),
            arrived_ms,
            false,
        )
    }

    #[track_caller]
    fn check(device_time_ms: Option<i64>, expected: (i64, TimeSource, Mark)) {
        let found = judged(Quantity::Temperature, 20.0, device_time_ms, NOW_MS);
        assert_eq!((found.at_ms, found.time_source, found.mark), expected);
        assert_eq!(found.received_ms, NOW_MS, "the arrival is always kept");
    }

    #[test]
    fn a_night_of_buffered_readings_finds_its_times() {
        let night = NOW_MS - 9 * 3_600_000;
        check(Some(night), (night, TimeSource::Device, Mark::Ok));
        assert!(is_late(&judged(Quantity::Temperature, 20.0, Some(night), NOW_MS)));
        assert!(!is_late(&judged(
            Quantity::Temperature,
            20.0,
            Some(NOW_MS - 1000),
            NOW_MS
        )));
    }

    #[test]
    fn clocks_that_cannot_be_believed_give_way_to_the_arrival() {
        check(None, (NOW_MS, TimeSource::Arrival, Mark::Ok));
        check(Some(0), (NOW_MS, TimeSource::Arrival, Mark::ClockReset));
        check(Some(12_345), (NOW_MS, TimeSource::Arrival, Mark::ClockReset));
        check(
            Some(DEVICE_CLOCK_SET_FROM_MS),
            (NOW_MS, TimeSource::Arrival, Mark::ClockReset),
        );
        check(
            Some(NOW_MS + AHEAD_MS_MAX),
            (NOW_MS + AHEAD_MS_MAX, TimeSource::Device, Mark::Ok),
        );
        check(
            Some(NOW_MS + AHEAD_MS_MAX + 1),
            (NOW_MS, TimeSource::Arrival, Mark::ClockAhead),
        );
        check(Some(i64::MAX), (NOW_MS, TimeSource::Arrival, Mark::ClockAhead));
        check(Some(i64::MIN), (NOW_MS, TimeSource::Arrival, Mark::ClockReset));
    }

    #[test]
    fn a_server_without_the_time_marks_what_it_stamps_itself() {
        let early = judged(Quantity::Temperature, 20.0, None, 3_000);
        assert_eq!((early.at_ms, early.mark), (3_000, Mark::ClockReset));
        let device = judged(Quantity::Temperature, 20.0, Some(NOW_MS), 3_000);
        assert_eq!((device.at_ms, device.mark), (NOW_MS, Mark::Ok));
    }

    #[test]
    fn impossible_values_are_kept_and_marked() {
        for (quantity, value) in [
            (Quantity::Temperature, 85.0),
            (Quantity::Temperature, -127.0),
            (Quantity::Humidity, 105.1),
            (Quantity::Humidity, -0.1),
        ] {
            let found = judged(quantity, value, None, NOW_MS);
            assert_eq!((found.value, found.mark), (value, Mark::Impossible));
        }
        assert_eq!(judged(Quantity::Humidity, 100.0, None, NOW_MS).mark, Mark::Ok);
    }

    #[test]
    fn a_will_says_that_its_device_was_lost() {
        let raw = Raw {
            quantity: Quantity::State,
            value: 0.0,
            device_time_ms: None,
        };
        let found = reading(
            &raw,
            &Arc::from("mossy-1"),
            &Arc::from("mossy-1-mister"),
            NOW_MS,
            true,
        );
        assert_eq!(found.mark, Mark::DeviceLost);
    }
}

//! Local days and light hours as instants, right across clock changes.
//!
//! A local time that a clock change skips takes the offset before the change; one that occurs twice means the first.

use chrono::{DateTime, Days, Duration, LocalResult, NaiveDate, NaiveTime, Offset, TimeZone, Utc};
use chrono_tz::Tz;

/// A local time of day, minutes after midnight.
pub type LocalMin = u32;

pub const MS_PER_MIN: i64 = 60_000;
pub const MS_PER_H: i64 = 3_600_000;
/// Length of a day in drift rates; calendar days are never made from it.
pub const MS_PER_DAY: f64 = 86_400_000.0;

/// The instant of a local date and time of day, ms.
pub fn instant_ms(zone: Tz, date: NaiveDate, local_min: LocalMin) -> i64 {
    let naive = date.and_time(NaiveTime::MIN) + Duration::minutes(i64::from(local_min));
    match zone.from_local_datetime(&naive) {
        LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at.timestamp_millis(),
        LocalResult::None => {
            // No zone has skipped more than a whole day, so a day earlier has the offset before the change.
            let before = naive - Duration::days(1);
            let at = zone
                .from_local_datetime(&before)
                .earliest()
                .map_or(0, |at| at.timestamp_millis());
            at + 24 * MS_PER_H
        }
    }
}

/// Offset of local time from UTC at an instant, ms.
pub fn offset_ms(zone: Tz, at_ms: i64) -> i64 {
    let at = DateTime::<Utc>::from_timestamp_millis(at_ms).unwrap_or_default();
    i64::from(
        zone.offset_from_utc_datetime(&at.naive_utc())
            .fix()
            .local_minus_utc(),
    ) * 1000
}

/// Time as RFC 3339 in UTC, with as many digits as needed.
pub fn rfc3339(at_ms: i64) -> String {
    let at = DateTime::<Utc>::from_timestamp_millis(at_ms).unwrap_or_default();
    at.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true)
}

/// `8:05` as `08:05`, for site files.
pub fn clock_text(local_min: LocalMin) -> String {
    format!("{:02}:{:02}", local_min / 60, local_min % 60)
}

/// One local day of an enclosure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Day {
    pub date: NaiveDate,
    pub from_ms: i64,
    pub until_ms: i64,
    /// The light hours asked for.
    pub light_from_ms: i64,
    pub light_until_ms: i64,
}

/// The days of `[from, until)` with the light hours `light` (start before end, within one date).
pub fn days(zone: Tz, from: NaiveDate, until: NaiveDate, light: (LocalMin, LocalMin)) -> Vec<Day> {
    let mut out = Vec::new();
    let mut date = from;
    while date < until {
        let next = date.checked_add_days(Days::new(1)).unwrap_or(until);
        out.push(Day {
            date,
            from_ms: instant_ms(zone, date, 0),
            until_ms: instant_ms(zone, next, 0),
            light_from_ms: instant_ms(zone, date, light.0),
            light_until_ms: instant_ms(zone, date, light.1),
        });
        if next <= date {
            break;
        }
        date = next;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn nights_across_clock_changes_have_their_real_length() {
        // time_cases.csv (zoneinfo, tzdata 2026.6): 21:00 to 07:00 is 9 h in spring, 11 h in autumn, 9.5 h on Lord Howe.
        for (zone, from, next, hours) in [
            (Tz::Europe__Lisbon, "2026-03-28", "2026-03-29", 9.0),
            (Tz::Europe__Lisbon, "2026-10-24", "2026-10-25", 11.0),
            (Tz::America__New_York, "2026-03-07", "2026-03-08", 9.0),
            (Tz::Australia__Lord_Howe, "2026-10-03", "2026-10-04", 9.5),
        ] {
            let night = instant_ms(zone, date(next), 7 * 60) - instant_ms(zone, date(from), 21 * 60);
            assert_eq!(night as f64 / MS_PER_H as f64, hours, "{zone} {from}");
        }
    }

    #[test]
    fn a_skipped_local_time_takes_the_offset_before_the_change() {
        // Berlin skips 02:00–03:00 on 2026-03-29: 02:30 with the offset before (+01:00) is 01:30 UTC.
        assert_eq!(
            rfc3339(instant_ms(Tz::Europe__Berlin, date("2026-03-29"), 150)),
            "2026-03-29T01:30:00Z"
        );
    }

    #[test]
    fn days_join_without_gap_and_know_23_and_25_hours() {
        let spring = days(
            Tz::Europe__Lisbon,
            date("2026-03-28"),
            date("2026-03-31"),
            (480, 1200),
        );
        assert!(spring.windows(2).all(|d| d[0].until_ms == d[1].from_ms));
        let hours: Vec<i64> = spring
            .iter()
            .map(|d| (d.until_ms - d.from_ms) / MS_PER_H)
            .collect();
        assert_eq!(hours, [24, 23, 24]);
        assert!(
            spring
                .iter()
                .all(|d| d.light_until_ms - d.light_from_ms == 12 * MS_PER_H)
        );
    }
}

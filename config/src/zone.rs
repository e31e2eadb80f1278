//! The only calendar: local days, days and nights by light hours, ISO weeks, across clock changes.
//!
//! In: civil dates and times of the site's IANA zone. Out: half-open spans of instants in ms since 1970-01-01T00:00Z.
//! A local time that a clock change skips means the later instant (the offset before the change is used); one that occurs
//! twice means the first. That is the "compatible" rule of ECMA-262 and of Python's `fold=0`.

use std::fmt;

use chrono::{
    DateTime, Datelike, Days, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, TimeZone, Utc, Weekday,
};
use chrono_tz::{OffsetComponents, Tz};

use crate::sun::Place;

/// A half-open span of instants, ms since 1970-01-01T00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    pub from_ms: i64,
    pub until_ms: i64,
}

impl Span {
    pub fn contains(self, at_ms: i64) -> bool {
        self.from_ms <= at_ms && at_ms < self.until_ms
    }

    pub fn hours(self) -> f64 {
        (self.until_ms - self.from_ms) as f64 / MS_PER_HOUR as f64
    }

    /// The part of this span inside `other`, if any.
    pub fn intersect(self, other: Span) -> Option<Span> {
        let (from_ms, until_ms) = (self.from_ms.max(other.from_ms), self.until_ms.min(other.until_ms));
        (from_ms < until_ms).then_some(Span { from_ms, until_ms })
    }
}

/// One hour of elapsed time. A local day is not always 24 of them; ask [`Zone::day`].
pub const MS_PER_HOUR: i64 = 3_600_000;
/// Twenty-four hours of elapsed time: a length for windows, never a local day.
pub const MS_PER_24_H: i64 = 24 * MS_PER_HOUR;

/// 2000-01-01T00:00Z. A device's or logger's clock before it was never set: counting starts at 1970 or at a firmware's own date
/// (common practice, no source).
pub const DEVICE_CLOCK_SET_FROM_MS: i64 = 946_684_800_000;
/// 2025-01-01T00:00Z. Where it is earlier by this machine's clock, that is not set yet: this program is younger.
pub const OWN_CLOCK_SET_FROM_MS: i64 = 1_735_689_600_000;
/// Another clock may be ahead of this machine's by as much, ms: ten minutes (common practice, no source).
pub const AHEAD_MS_MAX: i64 = 10 * 60_000;
/// A local day is whole from this length on, hours: one that a span cuts short is not like the others; one of 23 hours, by a clock change, is.
pub const WHOLE_DAY_H_MIN: f64 = 22.5;

/// An enclosure's light hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LightHours {
    /// In local time; `end` at or before `start` means that the light goes over midnight.
    Clock { start: NaiveTime, end: NaiveTime },
    /// From sunrise to sunset at the site.
    Sun(Place),
}

impl std::fmt::Display for LightHours {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            LightHours::Clock { start, end } => {
                write!(f, "{} to {}", start.format("%H:%M"), end.format("%H:%M"))
            }
            LightHours::Sun(_) => f.write_str("sunrise to sunset"),
        }
    }
}

/// A point in time that a person wrote.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not a time; {}", as_it_should_be(text))]
pub struct NotATime {
    pub text: String,
}

/// A week that a person wrote.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not an ISO 8601 week; write it as 2026-W21")]
pub struct NotAWeek {
    pub text: String,
}

/// The site's time zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(Tz);

impl Zone {
    /// The zone of that IANA name.
    pub fn from_name(name: &str) -> Option<Zone> {
        name.parse().ok().map(Zone)
    }

    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// Every IANA name known, for suggestions.
    pub fn names() -> impl Iterator<Item = &'static str> {
        chrono_tz::TZ_VARIANTS.iter().map(|tz| tz.name())
    }

    /// The instant of a local date and time, by the rule at the top of this module.
    pub fn instant_ms(self, local: NaiveDateTime) -> i64 {
        match self.0.from_local_datetime(&local) {
            LocalResult::Single(at) => at.timestamp_millis(),
            LocalResult::Ambiguous(first, _) => first.timestamp_millis(),
            LocalResult::None => {
                // In a gap: read the time with the offset that held before it. A day earlier is before any gap.
                let before = self.0.from_utc_datetime(&(local - Days::new(1)));
                let offset = before.offset().base_utc_offset() + before.offset().dst_offset();
                (local - offset).and_utc().timestamp_millis()
            }
        }
    }

    fn at(self, date: NaiveDate, time: NaiveTime) -> i64 {
        self.instant_ms(date.and_time(time))
    }

    /// The local day of `date`, from midnight to midnight: 23 to 25 hours where clocks change by one.
    pub fn day(self, date: NaiveDate) -> Span {
        Span {
            from_ms: self.at(date, NaiveTime::MIN),
            until_ms: self.at(next(date), NaiveTime::MIN),
        }
    }

    /// The light hours that begin on the local `date`.
    pub fn light(self, date: NaiveDate, hours: LightHours) -> Span {
        match hours {
            LightHours::Clock { start, end } => {
                let end_date = if end <= start { next(date) } else { date };
                Span {
                    from_ms: self.at(date, start),
                    until_ms: self.at(end_date, end),
                }
            }
            LightHours::Sun(place) => {
                let (from_ms, until_ms) = place.sun_ms(date);
                Span { from_ms, until_ms }
            }
        }
    }

    /// The night that begins on the local `date`: from the end of the light hours to their next start.
    pub fn night(self, date: NaiveDate, hours: LightHours) -> Span {
        match hours {
            LightHours::Clock { start, end } => {
                let start_date = if start <= end { next(date) } else { date };
                Span {
                    from_ms: self.at(date, end),
                    until_ms: self.at(start_date, start),
                }
            }
            LightHours::Sun(place) => Span {
                from_ms: place.sun_ms(date).1,
                until_ms: place.sun_ms(next(date)).0,
            },
        }
    }

    /// The local date of an instant.
    pub fn date(self, at_ms: i64) -> NaiveDate {
        self.local(at_ms).date()
    }

    /// The local date and time of an instant.
    pub fn local(self, at_ms: i64) -> NaiveDateTime {
        self.0.from_utc_datetime(&utc(at_ms).naive_utc()).naive_local()
    }

    /// RFC 3339 with the site's offset, to the second.
    pub fn rfc3339(self, at_ms: i64) -> String {
        self.0
            .from_utc_datetime(&utc(at_ms).naive_utc())
            .to_rfc3339_opts(chrono::SecondsFormat::Secs, false)
    }

    /// The start of the local clock hour that holds an instant: where the zone is half an hour off, not that of UTC.
    pub fn hour_start_ms(self, at_ms: i64) -> i64 {
        let off_ms = i64::from(self.offset_s(at_ms)) * 1000;
        at_ms - (at_ms + off_ms).rem_euclid(MS_PER_HOUR)
    }

    /// The offset from UTC at an instant, s, east positive.
    pub fn offset_s(self, at_ms: i64) -> i32 {
        use chrono::Offset;
        self.0
            .offset_from_utc_datetime(&utc(at_ms).naive_utc())
            .fix()
            .local_minus_utc()
    }

    /// Local dates whose day overlaps the span, in order.
    pub fn dates(self, span: Span) -> Vec<NaiveDate> {
        if span.until_ms <= span.from_ms {
            return Vec::new();
        }
        let last = self.date(span.until_ms - 1);
        self.date(span.from_ms)
            .iter_days()
            .take_while(|date| *date <= last)
            .collect()
    }

    /// Monday to Monday of an ISO 8601 week in local time.
    ///
    /// # Errors
    /// [`NotAWeek`] when the text is not `YYYY-Www` or the year has no such week.
    pub fn week(self, text: &str) -> Result<Span, NotAWeek> {
        let wrong = || NotAWeek {
            text: text.to_owned(),
        };
        let (year, week) = text.split_once("-W").ok_or_else(wrong)?;
        let monday = NaiveDate::from_isoywd_opt(
            year.parse().map_err(|_| wrong())?,
            week.parse().map_err(|_| wrong())?,
            Weekday::Mon,
        )
        .ok_or_else(wrong)?;
        Ok(Span {
            from_ms: self.day(monday).from_ms,
            until_ms: self.day(monday + Days::new(7)).from_ms,
        })
    }

    /// The ISO 8601 week that holds an instant, as `2026-W21`.
    pub fn week_name(self, at_ms: i64) -> String {
        let week = self.date(at_ms).iso_week();
        format!("{}-W{:02}", week.year(), week.week())
    }

    /// The same for a time that comes after `earlier_ms`, as in a log: in the hour that clocks go through twice, the second
    /// time where the first would go back.
    pub fn instant_after_ms(self, local: NaiveDateTime, earlier_ms: i64) -> i64 {
        match self.0.from_local_datetime(&local) {
            LocalResult::Ambiguous(first, second) if first.timestamp_millis() < earlier_ms => {
                second.timestamp_millis()
            }
            _ => self.instant_ms(local),
        }
    }

    /// An instant that a person wrote: RFC 3339 (with or without seconds), or a local date (its midnight), or a local date and time.
    ///
    /// # Errors
    /// [`NotATime`] for anything else.
    pub fn parse(self, text: &str) -> Result<i64, NotATime> {
        let to_the_minute = || DateTime::parse_from_str(text, "%Y-%m-%dT%H:%M%#z");
        if let Ok(at) = DateTime::parse_from_rfc3339(text).or_else(|_| to_the_minute()) {
            return Ok(at.timestamp_millis());
        }
        if let Ok(date) = NaiveDate::parse_from_str(text, "%Y-%m-%d") {
            return Ok(self.at(date, NaiveTime::MIN));
        }
        local_time(text, DateOrder::YearFirst)
            .map(|local| self.instant_ms(local))
            .ok_or_else(|| NotATime {
                text: text.to_owned(),
            })
    }
}

/// In which order a date is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateOrder {
    /// 2026-03-01 14:05, as ISO 8601 has it.
    YearFirst,
    /// 1/3/2026 14:05, 01.03.26 2:05 PM.
    DayFirst,
    /// 3/1/2026 14:05, 03-01-26 2:05 PM.
    MonthFirst,
}

/// A date and time of day that somebody wrote, with or without seconds; `None` for anything else.
pub fn local_time(text: &str, order: DateOrder) -> Option<NaiveDateTime> {
    let (text, formats) = match order {
        DateOrder::YearFirst => (text.replacen('T', " ", 1), ["%Y-%m-%d"; 2]),
        // `%y` takes no more than two digits, so that it is asked first.
        DateOrder::DayFirst => (text.replace(['.', '-'], "/"), ["%d/%m/%y", "%d/%m/%Y"]),
        DateOrder::MonthFirst => (text.replace(['.', '-'], "/"), ["%m/%d/%y", "%m/%d/%Y"]),
    };
    let text = text.replace(',', " ");
    let mut parts = text.split_whitespace();
    let date = parts.next()?;
    let date = formats
        .iter()
        .find_map(|format| NaiveDate::parse_from_str(date, format).ok())?;
    let time = parts.collect::<Vec<_>>().join(" ");
    let time = ["%H:%M", "%H:%M:%S%.f", "%I:%M %p", "%I:%M:%S %p"]
        .iter()
        .find_map(|format| NaiveTime::parse_from_str(&time, format).ok())?;
    Some(date.and_time(time))
}

/// What is wrong with a date, as far as it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Misdated {
    /// No calendar has that day of that month.
    NoSuchDay { day: u32, month: u32, year: i32 },
    /// The year does not stand first: what it is where the day does, and where the month does.
    YearLast {
        day_first: Option<NaiveDate>,
        month_first: Option<NaiveDate>,
    },
}

impl Misdated {
    /// Looks at the date that a text begins with; `None` where that is none, or a sound one with the year first.
    pub fn of(text: &str) -> Option<Misdated> {
        let date = text.split([' ', 'T', ',']).next()?;
        let parts: Vec<&str> = date.split(['/', '.', '-']).collect();
        let [first, second, third] = parts[..] else {
            return None;
        };
        let number = |text: &str| text.parse::<u32>().ok();
        let (a, b, c) = (number(first)?, number(second)?, number(third)?);
        let no_day = |day: u32, month: u32, year: u32| Misdated::NoSuchDay {
            day,
            month,
            year: year as i32,
        };
        let is_odd = |day: u32, month: u32| (1..=12).contains(&month) && (29..=31).contains(&day);
        if first.len() == 4 {
            let sound = NaiveDate::from_ymd_opt(a as i32, b, c).is_some();
            return (!sound && is_odd(c, b)).then(|| no_day(c, b, a));
        }
        let year = match third.len() {
            2 => 2000 + c,
            4 => c,
            _ => return None,
        };
        let day_first = NaiveDate::from_ymd_opt(year as i32, b, a);
        let month_first = NaiveDate::from_ymd_opt(year as i32, a, b);
        if day_first.is_some() || month_first.is_some() {
            Some(Misdated::YearLast {
                day_first,
                month_first,
            })
        } else if is_odd(a, b) {
            Some(no_day(a, b, year))
        } else {
            is_odd(b, a).then(|| no_day(b, a, year))
        }
    }
}

/// "there is no 31 February 2026"; of a date with its year last what it is with the year first.
impl fmt::Display for Misdated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Misdated::NoSuchDay { day, month, year } => {
                let name = NaiveDate::from_ymd_opt(year, month, 1)
                    .map_or_else(String::new, |first| first.format("%B").to_string());
                write!(f, "there is no {day} {name} {year}")
            }
            Misdated::YearLast {
                day_first,
                month_first,
            } => {
                let mut read: Vec<String> = [day_first, month_first]
                    .iter()
                    .flatten()
                    .map(NaiveDate::to_string)
                    .collect();
                read.dedup();
                write!(f, "write the year first: {}", read.join(" or "))
            }
        }
    }
}

/// How a time is written, for one whose text is not.
fn as_it_should_be(text: &str) -> String {
    Misdated::of(text).map_or_else(
        || "write 2026-05-18, 2026-05-18T14:30 (local time) or 2026-05-18T14:30:00Z".to_owned(),
        |wrong| wrong.to_string(),
    )
}

fn next(date: NaiveDate) -> NaiveDate {
    date.succ_opt().unwrap_or(date)
}

fn utc(at_ms: i64) -> DateTime<Utc> {
    DateTime::from_timestamp_millis(at_ms).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with Python's zoneinfo and tzdata 2026.6, fold=0; the file's header says so.
    const CASES: &str = include_str!("../../tests/reference/time_cases.csv");

    fn time(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").expect("a time of the table")
    }

    #[test]
    fn local_windows_become_the_instants_of_the_reference() {
        let mut seen = 0;
        for line in CASES.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let zone = Zone::from_name(cells[0]).expect("an IANA name");
            let date: NaiveDate = cells[1].parse().expect("a date");
            let hours = LightHours::Clock {
                start: time(cells[3]),
                end: time(cells[2]),
            };
            let night = zone.night(date, hours);
            assert_eq!(
                night.from_ms,
                zone.parse(cells[4]).expect("start"),
                "start of {line}"
            );
            assert_eq!(
                night.until_ms,
                zone.parse(cells[5]).expect("end"),
                "end of {line}"
            );
            assert_eq!(
                night.hours(),
                cells[6].parse::<f64>().expect("hours"),
                "length of {line}"
            );
            seen += 1;
        }
        assert!(seen >= 26, "the table was cut: {seen} rows");
    }

    #[test]
    fn a_date_is_read_in_the_order_that_is_said() {
        let noon = local_time("2026-03-01 14:05", DateOrder::YearFirst).expect("ISO 8601");
        for (text, order) in [
            ("2026-03-01T14:05:00", DateOrder::YearFirst),
            ("1/3/2026 14:05", DateOrder::DayFirst),
            ("01.03.26, 14:05:00", DateOrder::DayFirst),
            ("01-03-2026 2:05 pm", DateOrder::DayFirst),
            ("3/1/26 2:05:00 PM", DateOrder::MonthFirst),
        ] {
            assert_eq!(local_time(text, order), Some(noon), "{text}");
        }
        for (text, order) in [
            ("2026-03-01 14:05", DateOrder::DayFirst),
            ("13/1/2026 14:05", DateOrder::MonthFirst),
            ("1/3/2026 14:05", DateOrder::YearFirst),
            ("1/3/2026", DateOrder::DayFirst),
        ] {
            assert_eq!(local_time(text, order), None, "{text}");
        }
    }

    #[test]
    fn the_hour_that_comes_twice_is_told_apart_by_what_went_before() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let half = local_time("2026-10-25 01:30", DateOrder::YearFirst).expect("a time");
        let first_ms = zone.instant_ms(half);
        assert_eq!(zone.instant_after_ms(half, first_ms - 60_000), first_ms);
        assert_eq!(
            zone.instant_after_ms(half, first_ms + 60_000),
            first_ms + 3_600_000
        );
    }

    #[test]
    fn a_day_of_a_clock_change_has_23_or_25_hours() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let hours = |text: &str| zone.day(text.parse().expect("a date")).hours();
        assert_eq!(hours("2026-03-29"), 23.0);
        assert_eq!(hours("2026-10-25"), 25.0);
        assert_eq!(hours("2026-10-26"), 24.0);
    }

    #[test]
    fn weeks_are_iso_weeks_with_week_53() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let week = zone.week("2026-W53").expect("2026 has 53 weeks");
        assert_eq!(
            zone.date(week.from_ms),
            NaiveDate::from_ymd_opt(2026, 12, 28).expect("a date")
        );
        assert_eq!(zone.week_name(week.from_ms), "2026-W53");
        assert!(zone.week("2025-W53").is_err());
        assert!(zone.week("2025-53").is_err());
    }

    #[test]
    fn a_time_is_read_as_people_write_it() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let noon_ms = zone.parse("2026-05-18T12:00:00Z").expect("RFC 3339");
        for same in [
            "2026-05-18T12:00Z",
            "2026-05-18T14:00+02:00",
            "2026-05-18T13:00",
            "2026-05-18 13:00",
        ] {
            assert_eq!(zone.parse(same), Ok(noon_ms), "{same}");
        }
        assert!(zone.parse("2026-05-18T12Z").is_err());
    }

    #[test]
    fn what_is_wrong_with_a_date_is_said() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        for (text, said) in [
            ("24.11.2026", "write the year first: 2026-11-24"),
            ("11/24/26 14:00", "write the year first: 2026-11-24"),
            ("3/4/2026", "write the year first: 2026-04-03 or 2026-03-04"),
            ("4/4/2026", "write the year first: 2026-04-04"),
            ("2026-02-30", "there is no 30 February 2026"),
            ("31/02/2026 10:00", "there is no 31 February 2026"),
            (
                "soon",
                "write 2026-05-18, 2026-05-18T14:30 (local time) or 2026-05-18T14:30:00Z",
            ),
        ] {
            let wrong = zone.parse(text).expect_err(text).to_string();
            assert_eq!(wrong, format!("`{text}` is not a time; {said}"));
        }
        for sound in ["2026-05-18", "2026-05-18T12Z", "1.2", "32/13/2026"] {
            assert_eq!(Misdated::of(sound), None, "{sound}");
        }
    }

    #[test]
    fn days_by_the_sun_leave_no_time_over() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let hours = LightHours::Sun(Place {
            latitude_deg: 38.7,
            longitude_deg: -9.1,
        });
        let mut date = NaiveDate::from_ymd_opt(2026, 3, 1).expect("a date");
        for _ in 0..60 {
            let (light, night) = (zone.light(date, hours), zone.night(date, hours));
            assert_eq!(light.until_ms, night.from_ms);
            assert_eq!(night.until_ms, zone.light(next(date), hours).from_ms);
            assert!((11.0..14.0).contains(&light.hours()), "{date}: {light:?}");
            date = next(date);
        }
    }

    #[test]
    fn light_over_midnight_leaves_its_night_by_day() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let date = NaiveDate::from_ymd_opt(2026, 5, 1).expect("a date");
        let reversed = LightHours::Clock {
            start: time("20:00"),
            end: time("08:00"),
        };
        assert_eq!(zone.light(date, reversed).hours(), 12.0);
        assert_eq!(
            zone.night(date, reversed).from_ms,
            zone.parse("2026-05-01T08:00").expect("a time")
        );
        assert_eq!(zone.night(date, reversed).hours(), 12.0);
    }
}

//! Words for dates, times, lengths, counts and kinds of findings, as a keeper says them.

use chrono::NaiveDate;
use mosswarden_config::zone::{MS_PER_HOUR, Span, Zone};

use crate::findings::{Cause, Kind};

/// "Tuesday 19 May".
pub(crate) fn day(date: NaiveDate) -> String {
    date.format("%A %-d %B").to_string()
}

/// "Tuesday 19 May, 14:10".
pub(crate) fn moment(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B, %H:%M").to_string()
}

/// "Tue 19 May, 14:10".
pub(crate) fn moment_short(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%a %-d %b, %H:%M").to_string()
}

/// "2 h 10 min", "35 min", "3 days 4 h".
pub(crate) fn length(hours: f64) -> String {
    let minutes = (hours * 60.0).round() as i64;
    let (days, rest) = (minutes / (24 * 60), minutes % (24 * 60));
    let (whole, left) = (rest / 60, rest % 60);
    if days >= 3 {
        let unit = if days == 1 { "day" } else { "days" };
        return match (rest + 30) / 60 {
            0 => format!("{days} {unit}"),
            h => format!("{days} {unit} {h} h"),
        };
    }
    match (days * 24 + whole, left) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

const COUNTS: [&str; 13] = [
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
];

/// "two"; digits from thirteen on.
pub(crate) fn count(count: usize) -> String {
    COUNTS
        .get(count)
        .map_or_else(|| count.to_string(), |word| (*word).to_owned())
}

pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "1 night", "2 nights".
pub(crate) fn several(count: usize, one: &str) -> String {
    if count == 1 {
        format!("1 {one}")
    } else {
        format!("{count} {one}s")
    }
}

/// "a", "a and b", "a, b and c".
pub(crate) fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// What a span is called in the answer: "this week", "this day", "in these 9 days".
pub(crate) fn span_name(zone: Zone, span: Span) -> String {
    let week = zone.week(&zone.week_name(span.from_ms));
    let days = zone.dates(span).len();
    match days {
        _ if week.is_ok_and(|week| week == span) => "this week".to_owned(),
        1 => "on this day".to_owned(),
        days => format!("in these {days} days"),
    }
}

/// "Monday 18 to Sunday 24 May 2026".
pub(crate) fn span_dates(zone: Zone, span: Span) -> String {
    let dates = zone.dates(span);
    let (Some(first), Some(last)) = (dates.first(), dates.last()) else {
        return "no days".to_owned();
    };
    if first == last {
        first.format("%A %-d %B %Y").to_string()
    } else {
        format!("{} to {}", day(*first), last.format("%A %-d %B %Y"))
    }
}

/// Days of the span on which the clocks change, each as a sentence.
pub(crate) fn clock_changes(zone: Zone, span: Span) -> Vec<(NaiveDate, String)> {
    zone.dates(span)
        .into_iter()
        .filter_map(|date| {
            let whole = zone.day(date);
            let shift_min = (zone.offset_s(whole.until_ms) - zone.offset_s(whole.from_ms)) / 60;
            if shift_min == 0 {
                return None;
            }
            let way = if shift_min > 0 { "forward" } else { "back" };
            let hours = whole.hours();
            let by = length(f64::from(shift_min.abs()) / 60.0);
            Some((
                date,
                format!(
                    "On {} the clocks went {way} by {by}: that day has {hours} hours.",
                    day(date)
                ),
            ))
        })
        .collect()
}

/// The start of the local clock hour that holds an instant, and of the next one.
pub(crate) fn hours_of(span: Span) -> impl Iterator<Item = Span> {
    let first = span.from_ms.div_euclid(MS_PER_HOUR) * MS_PER_HOUR;
    (first..span.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .map(|from_ms| Span {
            from_ms,
            until_ms: from_ms + MS_PER_HOUR,
        })
}

/// What a kind of finding is called in a heading.
pub(crate) fn kind(kind: Kind, cause: Option<Cause>) -> &'static str {
    match (kind, cause) {
        (Kind::Overheating, Some(Cause::RoomHeat)) => "Too hot, with the room",
        (Kind::Overheating, Some(Cause::Heater)) => "Too hot, by its heater",
        (Kind::Overheating, Some(Cause::Lamp)) => "Too hot, by its lamp",
        (Kind::Overheating, None) => "Too hot",
        (Kind::HumidityDrift, _) => "A humidity sensor is drifting",
        (Kind::HumidityStep, _) => "A humidity sensor has jumped",
        (Kind::SensorStuck, _) => "A sensor is stuck",
        (Kind::SensorPinned, _) => "A sensor stands at the top of its scale",
        (Kind::SensorSpikes, _) => "A sensor throws spikes",
        (Kind::SensorSilent, _) => "A sensor is silent",
        (Kind::ClockWrong, _) => "A device's clock is wrong",
        (Kind::TemperatureBias, _) => "A temperature sensor is off",
        (Kind::Overcooling, _) => "Too cold",
        (Kind::NightTooWarm, _) => "Nights too warm",
        (Kind::NightTooCold, _) => "Nights too cold",
        (Kind::NoNightDrop, _) => "No cooler at night",
        (Kind::HeaterStuckOn, _) => "The heater stays on",
        (Kind::HeaterFailed, _) => "The heater does not warm",
        (Kind::HumidityTooLow, _) => "Too dry",
        (Kind::HumidityTooHigh, _) => "Too humid",
        (Kind::SetpointMissed, _) => "Humidity misses its set-point",
        (Kind::MistWeak, _) => "Misting has grown weak",
        (Kind::MistMissed, _) => "Mistings were missed",
        (Kind::StaysWet, _) => "Stays wet too long",
        (Kind::LightHoursWrong, _) => "Light hours are off",
        (Kind::CareOverdue, _) => "Care is overdue",
    }
}

/// What a kind judges, for the list of what could not be judged.
pub(crate) fn judged(kind: Kind) -> &'static str {
    match kind {
        Kind::HumidityDrift | Kind::HumidityStep => "humidity drift",
        Kind::SensorStuck => "stuck readings",
        Kind::SensorPinned => "readings at the top of the scale",
        Kind::SensorSpikes => "spikes",
        Kind::SensorSilent => "silence",
        Kind::ClockWrong => "the device's clock",
        Kind::TemperatureBias => "temperature agreement",
        Kind::Overheating => "heat",
        Kind::Overcooling => "cold",
        Kind::NightTooWarm | Kind::NightTooCold => "nights",
        Kind::NoNightDrop => "the drop at night",
        Kind::HeaterStuckOn | Kind::HeaterFailed => "the heater",
        Kind::HumidityTooLow => "dryness",
        Kind::HumidityTooHigh => "excess humidity",
        Kind::SetpointMissed => "the humidity set-point",
        Kind::MistWeak => "what the mistings do",
        Kind::MistMissed => "whether the mistings ran",
        Kind::StaysWet => "time near saturation",
        Kind::LightHoursWrong => "light hours",
        Kind::CareOverdue => "care",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_read_as_people_say_them() {
        assert_eq!(length(2.0 + 10.0 / 60.0), "2 h 10 min");
        assert_eq!(length(0.58), "35 min");
        assert_eq!(length(50.0), "50 h");
        assert_eq!(length(76.0), "3 days 4 h");
    }

    #[test]
    fn a_clock_change_is_named_on_its_day() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let week = zone.week("2026-W13").expect("a week");
        let changes = clock_changes(zone, week);
        assert_eq!(changes.len(), 1);
        assert_eq!(
            changes[0].1,
            "On Sunday 29 March the clocks went forward by 1 h: that day has 23 hours."
        );
        assert_eq!(span_name(zone, week), "this week");
    }
}

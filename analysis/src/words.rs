//! How instants, durations, values, counts and kinds of findings are said to a keeper: one way for every message.

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_HOUR, Span, Zone};

use crate::conditions::{NOTHING_FRAC, WET_RUN_H_MIN};
use crate::findings::{Cause, Finding, Kind, Severity};
use crate::plot::{Display, number};
use crate::statistics::Estimate;

/// "Tuesday 19 May, 14:10" in local time.
pub fn instant(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B, %H:%M").to_string()
}

/// "Tuesday 19 May, 14:10 to 16:20", "Tuesday 19 May, 14:10 to Wednesday 20 May, 02:00", "since Tuesday 19 May, 14:10, still so".
pub fn lasting(zone: Zone, start_ms: i64, end_ms: Option<i64>) -> String {
    let start = instant(zone, start_ms);
    match end_ms {
        None => format!("since {start}, still so"),
        Some(end_ms) if zone.date(end_ms) == zone.date(start_ms) => {
            format!("{start} to {}", zone.local(end_ms).format("%H:%M"))
        }
        Some(end_ms) => format!("{start} to {}", instant(zone, end_ms)),
    }
}

/// "Tuesday 19 May" in local time.
pub fn date(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%A %-d %B").to_string()
}

/// "2 h 10 min", "35 min", "50 h", "3 days 4 h".
pub fn duration(hours: f64) -> String {
    /// From here on days say more than hours.
    const DAYS_MIN: i64 = 3;
    let minutes = (hours * 60.0).round() as i64;
    if minutes >= DAYS_MIN * 24 * 60 {
        let whole_h = (minutes + 30) / 60;
        return match (whole_h / 24, whole_h % 24) {
            (days, 0) => format!("{days} days"),
            (days, hours) => format!("{days} days {hours} h"),
        };
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

/// "82 %" of a share.
pub fn percent(share_frac: f64) -> String {
    // Adding nothing turns the "-0" of a rounded sum into "0".
    format!("{:.0} %", (share_frac * 100.0).round() + 0.0)
}

/// "97 %"; a share that is not whole is never rounded to 0 or 100.
pub fn share(part: f64, whole: f64) -> String {
    let pct = 100.0 * part / whole;
    match pct {
        _ if pct > 99.0 && pct < 99.95 => "over 99 %".to_owned(),
        _ if pct > 0.05 && pct < 1.0 => "under 1 %".to_owned(),
        _ => format!("{pct:.0} %"),
    }
}

/// What stands where a figure would, when there is none.
pub const NOT_KNOWN: &str = "not known";

/// "only 12 %" of something that a sentence goes on to name, "nothing" where it is none of it.
pub fn only_percent(share_frac: f64) -> String {
    if share_frac < 0.005 {
        "nothing".to_owned()
    } else {
        format!("only {}", percent(share_frac))
    }
}

/// "Tuesday 19 May".
pub fn day(date: NaiveDate) -> String {
    date.format("%A %-d %B").to_string()
}

/// "Tue 19 May, 14:10".
pub fn moment_short(zone: Zone, at_ms: i64) -> String {
    zone.local(at_ms).format("%a %-d %b, %H:%M").to_string()
}

const COUNTS: [&str; 13] = [
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
];

/// "two"; digits from thirteen on.
pub fn count(count: usize) -> String {
    COUNTS
        .get(count)
        .map_or_else(|| count.to_string(), |word| (*word).to_owned())
}

pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// "1 night", "2 nights".
pub fn several(count: usize, one: &str) -> String {
    if count == 1 {
        format!("1 {one}")
    } else {
        format!("{count} {one}s")
    }
}

/// "a", "a and b", "a, b and c".
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [only] => only.clone(),
        [head @ .., last] => format!("{} and {last}", head.join(", ")),
    }
}

/// "a, b and c"; of many the first and "and 7 more topics".
pub fn first_few(items: &[String], one: &str) -> String {
    const TOLD_MAX: usize = 5;
    match items.len().checked_sub(TOLD_MAX) {
        None | Some(0) => list(items),
        Some(more) => format!(
            "{} and {}",
            items[..TOLD_MAX].join(", "),
            several(more, &format!("more {one}"))
        ),
    }
}

/// What a span is called in the answer: "this week", "on this day", "in these 9 days", "in these 6 h".
pub fn span_name(zone: Zone, span: Span) -> String {
    let week = zone.week(&zone.week_name(span.from_ms));
    let dates = zone.dates(span);
    let days = (span.hours() / 24.0).round();
    if week.is_ok_and(|week| week == span) {
        "this week".to_owned()
    } else if matches!(dates[..], [date] if zone.day(date) == span) {
        "on this day".to_owned()
    } else if days <= 1.0 {
        format!("in these {}", duration(span.hours().round().max(1.0)))
    } else {
        format!("in these {days:.0} days")
    }
}

/// "Monday 18 to Sunday 24 May 2026".
pub fn span_dates(zone: Zone, span: Span) -> String {
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
pub fn clock_changes(zone: Zone, span: Span) -> Vec<(NaiveDate, String)> {
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
            let by = duration(f64::from(shift_min.abs()) / 60.0);
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
pub fn hours_of(zone: Zone, span: Span) -> impl Iterator<Item = Span> {
    let first = zone.hour_start_ms(span.from_ms);
    (first..span.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .map(|from_ms| Span {
            from_ms,
            until_ms: from_ms + MS_PER_HOUR,
        })
}

/// What a kind of finding is called in a heading.
pub fn kind(finding: &Finding) -> &'static str {
    match (finding.kind, finding.cause) {
        (Kind::Overheating, Some(Cause::RoomHeat)) => "Too hot, with the room",
        (Kind::Overheating, Some(Cause::Heater)) => "Too hot, by its heater",
        (Kind::Overheating, Some(Cause::Lamp)) => "Too hot, by its lamp",
        (Kind::Overheating, None) => "Too hot",
        (Kind::HumidityDrift, _) => "A humidity sensor is drifting",
        (Kind::HumidityStep, _) => "A humidity sensor has jumped",
        (Kind::SensorStuck, _) => "A sensor is stuck",
        (Kind::SensorPinned, _) => "A sensor stands at the top of its scale",
        (Kind::SensorSpikes, _) => "A sensor throws spikes",
        (Kind::SensorSilent, _) if finding.subject == ROOM => "Every sensor is silent",
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
        (Kind::SetpointMissed, _) if is_of_thermostat(finding) => "The heater keeps another set-point",
        (Kind::SetpointMissed, _) => "Humidity misses its set-point",
        (Kind::MistWeak, _) if brings_nothing(finding) => "Misting brings no water",
        (Kind::MistWeak, _) => "Misting has grown weak",
        (Kind::MistMissed, _) => "Mistings were missed",
        (Kind::StaysWet, _) if dries_slower(finding) => "Dries slower than usual",
        (Kind::StaysWet, _) => "Stays wet too long",
        (Kind::LightHoursWrong, _) => "Light hours are off",
        (Kind::CareOverdue, _) => "Care is overdue",
    }
}

/// What a kind of finding is called in a heading once it is over.
pub fn kind_over(finding: &Finding) -> &'static str {
    match finding.kind {
        Kind::HumidityDrift => "A humidity sensor was drifting",
        Kind::HumidityStep => "A humidity sensor had jumped",
        Kind::SensorStuck => "A sensor was stuck",
        Kind::SensorPinned => "A sensor stood at the top of its scale",
        Kind::SensorSpikes => "A sensor threw spikes",
        Kind::SensorSilent if finding.subject == ROOM => "Every sensor was silent",
        Kind::SensorSilent => "A sensor was silent",
        Kind::ClockWrong => "A device's clock was wrong",
        Kind::TemperatureBias => "A temperature sensor was off",
        Kind::HeaterStuckOn => "The heater stayed on",
        Kind::HeaterFailed => "The heater did not warm",
        Kind::SetpointMissed if is_of_thermostat(finding) => "The heater kept another set-point",
        Kind::SetpointMissed => "Humidity missed its set-point",
        Kind::MistWeak if brings_nothing(finding) => "Misting brought no water",
        Kind::MistWeak => "Misting was weak",
        Kind::StaysWet if dries_slower(finding) => "Dried slower than usual",
        Kind::StaysWet => "Stayed wet too long",
        Kind::LightHoursWrong => "Light hours were off",
        Kind::CareOverdue => "Care was overdue",
        _ => kind(finding),
    }
}

/// Whether an enclosure that stays wet does so by how slowly it dries, not by a long time near saturation.
fn dries_slower(finding: &Finding) -> bool {
    finding.value.estimate < WET_RUN_H_MIN
}

/// Whether a missed set-point is one of temperature.
pub fn is_of_thermostat(finding: &Finding) -> bool {
    finding.value.unit == "Cel"
}

/// Whether a weak misting is none at all.
pub fn brings_nothing(finding: &Finding) -> bool {
    finding.value.estimate < 100.0 * NOTHING_FRAC
}

/// What to do next. What asked for hands at once and is over asks for a check before the thing is trusted again.
pub fn next_step(finding: &Finding) -> String {
    let asked_for_hands =
        finding.severity == Severity::Urgent || finding.kind == Kind::MistWeak && brings_nothing(finding);
    if !asked_for_hands || finding.end_ms.is_none() {
        return finding.advice.clone();
    }
    let heater = "Before you trust the heater again, check thermostat, probe and relay or replace them, unplugged and cold; \
        fit an independent high cut-out, by an electrician where your rules ask for one. No software stands in for it.";
    let check = match (finding.kind, finding.cause) {
        (Kind::HeaterStuckOn, _) | (Kind::Overheating, Some(Cause::Heater)) => heater,
        (Kind::HeaterFailed, _) => {
            "Before you trust the heater again, check plug, fuse, cable and the heater itself, unplugged and cold; ask an \
             electrician about anything on the mains near water."
        }
        (Kind::Overheating, Some(Cause::Lamp)) => {
            "Before the lamp shines again, check its type, distance and timer, and its guard and fixing, unplugged and cold."
        }
        (Kind::Overheating, Some(Cause::RoomHeat)) => {
            "Before the next hot hours, cool the room (blinds, night air), shorten the lamp's hours, and move the most delicate animals to the \
             coolest room."
        }
        (Kind::Overheating, None) => {
            "Before the next bright day, look for sun on the glass, a covered vent, a lamp or heater that was changed, and a \
             sensor that hangs in the warm spot."
        }
        (Kind::MistWeak, _) => {
            "See that reservoir, pump and hose can't run dry unseen again: a mark on the reservoir, a day in the calendar."
        }
        (Kind::MistMissed, _) => {
            "Before you trust the mister again, check the timer's clock and programme, the pump's plug and its fuse; keep plugs \
             and strips above the water."
        }
        _ => return format!("It is over. {}", finding.advice),
    };
    // A heater's end is known by its states; of the others only that it cooled.
    let over = match (finding.kind, finding.cause) {
        (Kind::Overheating, cause) if cause != Some(Cause::Heater) => {
            "It cooled again, which does not mean that the cause is gone."
        }
        _ => "It is over.",
    };
    format!("{over} Look how the animals are. {check}")
}

/// The next steps of findings of one cause, each once.
pub fn next_steps(findings: &[&Finding]) -> Vec<String> {
    let mut steps: Vec<String> = Vec::new();
    for step in findings.iter().map(|finding| next_step(finding)) {
        if !steps.contains(&step) {
            steps.push(step);
        }
    }
    steps
}

/// What a kind judges, for the list of what could not be judged.
pub fn judged(kind: Kind) -> &'static str {
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

/// Figures as one site's keeper reads them: local time, units as asked for.
#[derive(Debug, Clone, Copy)]
pub struct Words {
    zone: Zone,
    display: Display,
}

impl Words {
    pub fn of(site: &Site) -> Words {
        Words {
            zone: site.zone,
            display: Display::new(site.units),
        }
    }

    /// `31.4 °C`, or in °F.
    pub fn temperature(self, t_c: f64) -> String {
        self.display.temperature_words(t_c)
    }

    /// `3.4 °C` for a difference.
    pub fn difference(self, difference_k: f64) -> String {
        format!(
            "{} {}",
            number(self.display.difference(difference_k)),
            self.display.degree()
        )
    }

    /// `14:10`.
    pub fn clock(self, at_ms: i64) -> String {
        self.zone.local(at_ms).format("%H:%M").to_string()
    }

    /// `Tuesday 19 May`.
    pub fn day(self, at_ms: i64) -> String {
        date(self.zone, at_ms)
    }

    /// `14:10 on Tuesday 19 May`.
    pub fn moment(self, at_ms: i64) -> String {
        format!("{} on {}", self.clock(at_ms), self.day(at_ms))
    }

    /// `2 h 10 min`, `40 min`, `3 days 4 h`.
    pub fn hours(self, hours: f64) -> String {
        duration(hours)
    }
}

#[cfg(test)]
mod tests {
    use mosswarden_config::site::Units;

    use super::*;

    #[test]
    fn lengths_read_as_people_say_them() {
        assert_eq!(duration(2.0 + 10.0 / 60.0), "2 h 10 min");
        assert_eq!(duration(0.58), "35 min");
        assert_eq!(duration(50.0), "50 h");
        assert_eq!(duration(76.0), "3 days 4 h");
        assert_eq!(duration(8.0 * 24.0 + 23.6), "9 days");
    }

    #[test]
    fn of_many_the_first_are_named() {
        let names = |count: usize| -> Vec<String> { (1..=count).map(|name| name.to_string()).collect() };
        assert_eq!(first_few(&names(0), "topic"), "");
        assert_eq!(first_few(&names(5), "topic"), "1, 2, 3, 4 and 5");
        assert_eq!(first_few(&names(7), "topic"), "1, 2, 3, 4, 5 and 2 more topics");
    }

    #[test]
    fn what_ended_is_said_with_its_end() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let at = |text: &str| zone.parse(text).expect("a time");
        let start = at("2026-05-19T14:10");
        for (end, said) in [
            (None, "since Tuesday 19 May, 14:10, still so"),
            (Some("2026-05-19T16:20"), "Tuesday 19 May, 14:10 to 16:20"),
            (
                Some("2026-05-20T02:00"),
                "Tuesday 19 May, 14:10 to Wednesday 20 May, 02:00",
            ),
        ] {
            assert_eq!(lasting(zone, start, end.map(at)), said);
        }
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

    #[test]
    fn times_are_local_and_figures_in_the_units_asked_for() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let words = |units| Words {
            zone,
            display: Display::new(units),
        };
        let at = zone.parse("2026-05-19T14:10").expect("a time");
        assert_eq!(words(Units::Metric).moment(at), "14:10 on Tuesday 19 May");
        assert_eq!(words(Units::Metric).temperature(31.44), "31.4 °C");
        assert_eq!(words(Units::Imperial).temperature(30.0), "86.0 °F");
        assert_eq!(words(Units::Imperial).difference(1.0), "1.8 °F");
    }
}

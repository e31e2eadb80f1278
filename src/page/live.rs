//! How each enclosure is at this moment: its newest readings, a verdict in words, and why.

use mosswarden_analysis::findings::Severity;
use mosswarden_analysis::plot::{Display, number};
use mosswarden_analysis::report::{EnclosureSection, Verdict};
use mosswarden_analysis::trust::Standing;
use mosswarden_analysis::words;
use mosswarden_collector::last_refused;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Sensor};
use mosswarden_config::table::Mark;

use super::Page;
use super::judged::{Judged, State};
use super::layout::{ago, clock};
use crate::alerts::Told;

/// Older than this says nothing of now. The alerts use the same half hour.
pub(super) const OLD_MS: i64 = 30 * 60_000;

/// One enclosure now.
pub(super) struct Live {
    pub(super) verdict: Verdict,
    /// One sentence each: what the newest readings say.
    pub(super) sentences: Vec<String>,
    pub(super) newest_ms: Option<i64>,
    /// How much of the last seven days could be judged; `None` until they were.
    pub(super) coverage: Option<String>,
}

/// A sensor's newest reading, from the collector or the archive, whichever is newer.
struct Reading<'s> {
    sensor: &'s Sensor,
    at_ms: i64,
    value: f64,
    standing: Option<Standing>,
}

/// Where a sensor is, in the site file's words; its id where that says nothing.
fn called(sensor: &Sensor) -> &str {
    sensor.place.as_deref().unwrap_or(&sensor.id)
}

/// Temperatures that say something of now.
struct Fresh<'r, 's> {
    readings: Vec<&'r Reading<'s>>,
    low_c: f64,
    high_c: f64,
}

impl<'r, 's> Fresh<'r, 's> {
    fn of(temperature: &'r [Reading<'s>], now_ms: i64) -> Option<Fresh<'r, 's>> {
        let readings: Vec<&Reading<'_>> = temperature
            .iter()
            .filter(|reading| now_ms - reading.at_ms <= OLD_MS)
            .collect();
        let values = || readings.iter().map(|reading| reading.value);
        let low_c = values().fold(f64::INFINITY, f64::min);
        let high_c = values().fold(f64::NEG_INFINITY, f64::max);
        (!readings.is_empty()).then_some(Fresh {
            readings,
            low_c,
            high_c,
        })
    }

    /// "22.4 to 23.1 °C (middle, in shade; under leaves), 3 min ago"; of many sensors how many of them.
    fn words(&self, display: Display, enclosure: &Enclosure, now_ms: i64) -> String {
        /// More places than this are not named one by one.
        const NAMED_MAX: usize = 2;
        let read = if number(display.temperature(self.low_c)) == number(display.temperature(self.high_c)) {
            display.temperature_words(self.low_c)
        } else {
            display.range_words(self.low_c, self.high_c)
        };
        let places = if self.readings.len() <= NAMED_MAX {
            let names: Vec<&str> = self
                .readings
                .iter()
                .map(|reading| called(reading.sensor))
                .collect();
            names.join("; ")
        } else {
            format!("{} of {} sensors", self.readings.len(), enclosure.sensors.len())
        };
        let at_ms = self.readings.iter().map(|reading| reading.at_ms).min();
        format!("{read} ({places}), {}", ago(now_ms, at_ms.unwrap_or(now_ms)))
    }
}

/// The newest temperature where the animals are, as a sentence.
pub(super) fn newest_temperature(page: &Page, state: &State, enclosure: &Enclosure) -> String {
    let now_ms = (page.now_ms)();
    let judged = state.judged.as_deref();
    let temperature = readings(page, judged, &enclosure.animal_sensors(), Quantity::Temperature);
    match Fresh::of(&temperature, now_ms) {
        Some(fresh) => {
            let words = fresh.words(Display::new(page.site.units), enclosure, now_ms);
            format!("The newest reading: {words}.")
        }
        None => "No newer reading.".to_owned(),
    }
}

pub(super) fn live(page: &Page, state: &State, told: &[Told], enclosure: &Enclosure) -> Live {
    let now_ms = (page.now_ms)();
    let judged = state.judged.as_deref();
    let display = Display::new(page.site.units);
    let temperature = readings(page, judged, &enclosure.animal_sensors(), Quantity::Temperature);
    let all: Vec<&Sensor> = enclosure.sensors.iter().collect();
    let humidity = readings(page, judged, &all, Quantity::Humidity);
    let newest_ms = temperature
        .iter()
        .chain(&humidity)
        .map(|reading| reading.at_ms)
        .max();
    let today = page.site.zone.date(now_ms);
    let is_day = page
        .site
        .zone
        .light(today, enclosure.light_on(today))
        .contains(now_ms);
    let limits = enclosure.limits_on(today);
    let mut sentences = Vec::new();
    let mut is_outside = false;

    sentences.extend(impossible(page, &all, now_ms));
    if newest_ms.is_none_or(|at_ms| now_ms - at_ms > OLD_MS) {
        sentences.extend(refused(page, &all, now_ms));
    }
    let band = if is_day { limits.day_c } else { limits.night_c };
    match Fresh::of(&temperature, now_ms) {
        None => sentences.push(old_words(
            state,
            temperature.iter(),
            "temperature",
            now_ms,
            |value| display.temperature_words(value),
        )),
        Some(fresh) => {
            is_outside = fresh.low_c > limits.max_c || fresh.high_c < limits.min_c;
            sentences.push(format!(
                "{}; wanted by {} {}, never below {} or above {}.{}",
                fresh.words(display, enclosure, now_ms),
                if is_day { "day" } else { "night" },
                display.range_words(band.low, band.high),
                display.temperature_words(limits.min_c),
                display.temperature_words(limits.max_c),
                doubt(&fresh.readings)
            ));
        }
    }

    let wanted = if is_day {
        limits.humidity_day_pct
    } else {
        limits.humidity_night_pct
    };
    match best(&humidity, now_ms) {
        Some(reading) => {
            let wanted = wanted.map_or_else(String::new, |band| {
                format!("; wanted {:.0} to {:.0} %RH", band.low, band.high)
            });
            sentences.push(format!(
                "{} %RH ({}), {}{wanted}.{}",
                number(reading.value),
                called(reading.sensor),
                ago(now_ms, reading.at_ms),
                doubt(&[reading])
            ));
        }
        None if wanted.is_some() => {
            sentences.push(old_words(state, humidity.iter(), "humidity", now_ms, |value| {
                format!("{} %RH", number(value))
            }));
        }
        None => {}
    }
    Live {
        verdict: verdict(judged, told, enclosure, newest_ms, is_outside, now_ms),
        sentences,
        newest_ms,
        coverage: judged.and_then(|judged| {
            let newest_ms = temperature.iter().map(|reading| reading.at_ms).max();
            coverage(page, judged, enclosure, newest_ms)
        }),
    }
}

/// What the judgement says of how much it knows, or that it is older than what is shown beside it.
fn coverage(page: &Page, judged: &Judged, enclosure: &Enclosure, newest_ms: Option<i64>) -> Option<String> {
    let was_silent = enclosure.animal_sensors().iter().all(|sensor| {
        let latest = judged.latest.get(&(sensor.id.clone(), Quantity::Temperature));
        latest.is_none_or(|(at_ms, _)| !judged.week_span.contains(*at_ms))
    });
    if was_silent && newest_ms.is_some_and(|at_ms| at_ms >= judged.week_span.from_ms) {
        return Some(format!(
            "Too new to judge: temperatures came only after the last seven days were judged, at {}.",
            clock(page, judged.at_ms)
        ));
    }
    section(judged, enclosure).map(|section| section.coverage.clone())
}

pub(super) fn section<'j>(judged: &'j Judged, enclosure: &Enclosure) -> Option<&'j EnclosureSection> {
    judged
        .week
        .enclosures
        .iter()
        .find(|section| section.id == enclosure.id)
}

/// What the room's sensors read now, in words; `None` where the site file names none.
pub(super) fn room(page: &Page, state: &State) -> Option<String> {
    let now_ms = (page.now_ms)();
    let judged = state.judged.as_deref();
    let display = Display::new(page.site.units);
    let sensors: Vec<&Sensor> = page.site.room_sensors.iter().collect();
    let mut said: Vec<String> = impossible(page, &sensors, now_ms).into_iter().collect();
    let read: Vec<String> = [Quantity::Temperature, Quantity::Humidity]
        .into_iter()
        .filter_map(|quantity| {
            let readings = readings(page, judged, &sensors, quantity);
            let reading = best(&readings, now_ms)?;
            let value = match quantity {
                Quantity::Temperature => display.temperature_words(reading.value),
                _ => format!("{} %RH", number(reading.value)),
            };
            let said = format!(
                "{value} ({}), {}",
                called(reading.sensor),
                ago(now_ms, reading.at_ms)
            );
            Some(said + "." + &doubt(&[reading]))
        })
        .collect();
    if read.is_empty() {
        said.extend(refused(page, &sensors, now_ms));
        said.push("Nothing is known of the room now.".to_owned());
    }
    said.extend(read);
    (!sensors.is_empty()).then(|| said.join(" "))
}

/// Topics that came in since the start and that no feed reads, in one sentence.
pub(super) fn unread_topics(page: &Page) -> Option<String> {
    let topics = words::first_few(&page.counts.snapshot().unread_topics, "topic");
    (!topics.is_empty()).then(|| format!("Came in and is read by no feed of the site file: {topics}."))
}

/// Words first: what is so now comes before what was found in the week.
fn verdict(
    judged: Option<&Judged>,
    told: &[Told],
    enclosure: &Enclosure,
    newest_ms: Option<i64>,
    is_outside: bool,
    now_ms: i64,
) -> Verdict {
    let is_here = |told: &&Told| told.enclosure.as_deref() == Some(enclosure.id.as_str());
    let findings = || {
        judged
            .iter()
            .flat_map(|judged| &judged.verdicts.findings)
            .filter(|finding| finding.enclosure == enclosure.id)
    };
    if told
        .iter()
        .filter(is_here)
        .any(|told| !told.danger.is_ignorance())
        || findings().any(|finding| finding.severity == Severity::Urgent && finding.end_ms.is_none())
    {
        return Verdict::ActNow;
    }
    let is_silent = newest_ms.is_none_or(|at_ms| now_ms - at_ms > OLD_MS);
    if is_silent || judged.is_none() {
        return Verdict::NotKnown;
    }
    if is_outside || findings().any(|finding| finding.severity >= Severity::Warning) {
        return Verdict::LookAtThis;
    }
    let of_week = judged.and_then(|judged| section(judged, enclosure));
    match of_week.map(|section| section.verdict) {
        Some(Verdict::Well) => Verdict::Well,
        _ => Verdict::NotKnown,
    }
}

fn readings<'s>(
    page: &Page,
    judged: Option<&Judged>,
    sensors: &[&'s Sensor],
    quantity: Quantity,
) -> Vec<Reading<'s>> {
    sensors
        .iter()
        .filter_map(|sensor| {
            let key = (sensor.id.clone(), quantity);
            let live = page
                .newest
                .get(&sensor.id, quantity)
                .filter(|reading| reading.mark.has_value())
                .map(|reading| (reading.at_ms, reading.value));
            let kept = judged.and_then(|judged| judged.latest.get(&key).copied());
            let (at_ms, value) = [live, kept]
                .into_iter()
                .flatten()
                .max_by_key(|(at_ms, _)| *at_ms)?;
            Some(Reading {
                sensor,
                at_ms,
                value,
                standing: judged.and_then(|judged| judged.standing.get(&key).copied()),
            })
        })
        .collect()
}

/// What came lately that no sensor can have measured.
fn impossible(page: &Page, sensors: &[&Sensor], now_ms: i64) -> Option<String> {
    let mut sent: Vec<String> = Vec::new();
    for sensor in sensors {
        for quantity in [Quantity::Temperature, Quantity::Humidity] {
            let newest = page.newest.get(&sensor.id, quantity);
            let newest =
                newest.filter(|reading| reading.mark == Mark::Impossible && now_ms - reading.at_ms <= OLD_MS);
            if let Some(reading) = newest {
                // As it came, in the unit that is stored.
                let (value, unit) = (number(reading.value), words::unit(quantity));
                sent.push(format!("{value} {unit} by {}", sensor.id));
            }
        }
    }
    (!sent.is_empty()).then(|| {
        format!(
            "What comes can't be so: {}. Many probes send that when plug or cable is broken; look at both.",
            words::list(&sent)
        )
    })
}

/// What came lately and could not be read.
fn refused(page: &Page, sensors: &[&Sensor], now_ms: i64) -> Option<String> {
    let refused = last_refused(&page.site.data_dir);
    let topics = sensors
        .iter()
        .flat_map(|sensor| &sensor.feeds)
        .map(|feed| &feed.topic);
    let (topic, last) = topics
        .filter_map(|topic| Some((topic, refused.get(topic.as_str())?)))
        .max_by_key(|(_, last)| last.at_ms)?;
    (now_ms - last.at_ms <= OLD_MS).then(|| format!("What comes on {topic} can't be read: {}.", last.words()))
}

/// The fresh reading that can be believed most; of equals, the site file's first reference, then the newest.
fn best<'r, 's>(readings: &'r [Reading<'s>], now_ms: i64) -> Option<&'r Reading<'s>> {
    let rank = |reading: &Reading<'_>| match reading.standing {
        Some(Standing::Believed) => 3,
        Some(Standing::NotKnown) | None => 2,
        Some(Standing::Doubtful) => 1,
        Some(Standing::NotBelieved) => 0,
    };
    let is_reference =
        |reading: &Reading<'_>| reading.sensor.role == mosswarden_config::site::Role::Reference;
    readings
        .iter()
        .filter(|reading| now_ms - reading.at_ms <= OLD_MS)
        .max_by_key(|reading| (rank(reading), is_reference(reading), reading.at_ms))
}

/// What must be added where what was just said can't be believed.
fn doubt(readings: &[&Reading<'_>]) -> String {
    let named = |standing| {
        let names: Vec<&str> = readings
            .iter()
            .filter(|reading| reading.standing == Some(standing))
            .map(|reading| called(reading.sensor))
            .collect();
        names.join(" and ")
    };
    let (doubtful, not_believed) = (named(Standing::Doubtful), named(Standing::NotBelieved));
    let mut words = String::new();
    if !doubtful.is_empty() {
        words += &format!(" Doubtful: {doubtful}.");
    }
    if !not_believed.is_empty() {
        words += &format!(" Not believed: {not_believed}.");
    }
    words
}

fn old_words<'r>(
    state: &State,
    readings: impl Iterator<Item = &'r Reading<'r>>,
    name: &str,
    now_ms: i64,
    say: impl Fn(f64) -> String,
) -> String {
    if state.unread().is_some() {
        return format!("No {name} since the start.");
    }
    match readings.max_by_key(|reading| reading.at_ms) {
        Some(last) => format!(
            "No {name} now: the last was {}, {}.",
            say(last.value),
            ago(now_ms, last.at_ms)
        ),
        None => format!("No {name} in the last two weeks."),
    }
}

/// What is wrong with the way in or the disk, and when the last reading came, in words.
pub(super) fn collecting(page: &Page, state: &State, newest_ms: Option<i64>) -> Vec<String> {
    let now_ms = (page.now_ms)();
    let fresh_ms = newest_ms.filter(|at_ms| now_ms - at_ms <= OLD_MS);
    let newest = match (fresh_ms, state.unread(), newest_ms) {
        (None, Some(why), _) => why.to_owned(),
        (Some(at_ms), ..) | (None, None, Some(at_ms)) => {
            format!("The newest reading is from {}.", ago(now_ms, at_ms))
        }
        (None, None, None) => "No reading has come yet.".to_owned(),
    };
    let mut lines = vec![format!("{}. {newest}", words::instant(page.site.zone, now_ms))];
    lines.extend(
        page.counts
            .snapshot()
            .trouble
            .into_iter()
            .map(|(part, text)| format!("Trouble with the {}: {text}.", part.name())),
    );
    let ways = page
        .board
        .ways_in_trouble(|at_ms| words::instant(page.site.zone, at_ms));
    lines.extend(ways.into_iter().map(|words| format!("{words}.")));
    lines
}

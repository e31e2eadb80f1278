//! A scripted week at fast time: what happens in a room, and exactly the messages that a phone would get, each within its time.
//!
//! Invented data. Monday 23 to Sunday 29 March 2026 in Lisbon, whose clocks go from 01:00 to 02:00 on the Sunday. Quiet hours
//! from 22:00 to 07:00. The collector is restarted three times, each time in the middle of something.

use std::collections::BTreeSet;
use std::path::Path;

use mosswarden_collector::Newest;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Reading, TimeSource};

use super::log::{Item, News};
use super::table::{SITE, reading};
use super::watch::{Alert, MS_PER_MIN, Seen, Watch, What};
use super::{quiet, ways};

/// A third enclosure with one sensor, in a cellar that no heat wave reaches.
const CELLAR: &str = r#"
[alerts]
quiet = { start = "22:00", end = "07:00" }
[[enclosure]]
id = "c"
label = "C"
species = "invented"
day = { start = "08:00", end = "20:00" }
limits = { day_c = [16.0, 22.0], night_c = [14.0, 20.0], max_c = 25.0, min_c = 8.0 }
[[enclosure.sensor]]
id = "c1"
feeds = [{ topic = "c1", format = "number", quantity = "temperature", unit = "Cel" }]
"#;

/// Every message of the week: when it goes out, about what; the moment from which it could be known, and how many minutes it
/// may take: the time that the rule waits (for an all-clear at night, until seven), and one. The story was written first, and the
/// rows were worked out from it by hand.
const TABLE: &str = "
goes out         | about           | what      | could be known    | within
Tue 24 11:31:00  | b too-hot       | begins    | 24 11:21          | 11
Tue 24 11:51:00  | b too-hot       | worse     | 24 11:51          | 1
Tue 24 12:01:00  | a too-hot       | begins    | 24 12:01          | 1
Tue 24 12:11:00  | b too-hot       | worse     | 24 12:11          | 1
Tue 24 12:21:00  | a too-hot       | worse     | 24 12:21          | 1
Tue 24 12:31:00  | b too-hot       | worse     | 24 12:31          | 1
Tue 24 12:41:00  | a too-hot       | worse     | 24 12:41          | 1
Tue 24 12:51:00  | b too-hot       | worse     | 24 12:51          | 1
Tue 24 14:41:10  | a too-hot       | stays     | 24 12:41          | 121
Tue 24 14:51:10  | b too-hot       | stays     | 24 12:51          | 121
Tue 24 18:41:20  | a too-hot       | stays     | 24 14:41          | 241
Tue 24 18:51:20  | b too-hot       | stays     | 24 14:51          | 241
Tue 24 19:11:00  | a too-hot       | all-clear | 24 19:10          | 2
Tue 24 19:51:00  | b too-hot       | all-clear | 24 19:50          | 2
Wed 25 02:29:10  | all silent      | begins    | 25 01:59          | 31
Wed 25 04:29:20  | all silent      | stays     | 25 02:29          | 121
Wed 25 06:10:00  | a too-cold      | begins    | 25 06:00          | 11
Wed 25 07:00:00  | all silent      | all-clear | 25 06:00          | 61
Wed 25 07:00:00  | a too-cold      | all-clear | 25 06:31          | 61
Thu 26 14:05:00  | all cut-off     | begins    | 26 14:00          | 6
Thu 26 16:05:10  | all cut-off     | stays     | 26 14:05          | 121
Thu 26 16:30:00  | all cut-off     | all-clear | 26 16:30          | 1
Fri 27 09:41:10  | c silent        | begins    | 27 09:11          | 31
Fri 27 11:41:20  | c silent        | stays     | 27 09:41          | 121
Sat 28 18:00:00  | c silent        | all-clear | 28 18:00          | 1
Sun 29 00:30:00  | b too-hot       | begins    | 29 00:20          | 11
Sun 29 07:00:00  | b too-hot       | all-clear | 29 03:30          | 211
";

/// How the room is at an instant. Times are the site's, so that the story reads as it happened.
struct Story {
    site: Site,
}

impl Story {
    fn at(&self, text: &str) -> i64 {
        self.site.zone.parse(&format!("2026-03-{text}")).expect("a time")
    }

    fn is_between(&self, at_ms: i64, from: &str, until: &str) -> bool {
        self.at(from) <= at_ms && at_ms < self.at(until)
    }

    /// Minutes from a moment of the story.
    fn minutes_after(&self, at_ms: i64, from: &str) -> f64 {
        (at_ms - self.at(from)) as f64 / MS_PER_MIN as f64
    }

    /// The usual day: a slow wave, warmest in the afternoon.
    fn usual_c(&self, at_ms: i64) -> f64 {
        22.0 + (self.minutes_after(at_ms, "23T09:00") * std::f64::consts::TAU / 1440.0).sin()
    }

    /// A and B: Tuesday's heat wave, up and down by 0.05 K a minute.
    fn room_c(&self, at_ms: i64) -> f64 {
        let up = self.minutes_after(at_ms, "24T10:00") * 0.05;
        let down = self.minutes_after(at_ms, "24T18:00") * 0.05;
        if self.is_between(at_ms, "24T10:00", "25T00:00") {
            (24.0 + up).min(33.0).min(33.0 - down).max(24.0)
        } else {
            self.usual_c(at_ms)
        }
    }

    /// A after Wednesday's power cut: 9 °C, and a degree warmer every ten minutes.
    fn a_c(&self, at_ms: i64) -> f64 {
        if self.is_between(at_ms, "25T06:00", "25T12:00") {
            (9.0 + self.minutes_after(at_ms, "25T06:00") / 10.0).min(self.usual_c(at_ms))
        } else {
            self.room_c(at_ms)
        }
    }

    /// B in the night of the clock change: a window heater left on, from 00:20 to 03:30 by the clock on the wall.
    fn b_c(&self, at_ms: i64) -> f64 {
        if self.is_between(at_ms, "29T00:20", "29T03:30") {
            28.6
        } else {
            self.room_c(at_ms)
        }
    }

    fn has_power(&self, at_ms: i64) -> bool {
        !self.is_between(at_ms, "25T02:00", "25T06:00")
    }

    fn has_broker(&self, at_ms: i64) -> bool {
        // Three minutes on Thursday morning are a restart; in the afternoon the broker is gone.
        !self.is_between(at_ms, "26T10:00", "26T10:03") && !self.is_between(at_ms, "26T14:00", "26T16:30")
    }

    /// What comes in within this minute.
    fn readings(&self, at_ms: i64) -> Vec<Reading> {
        if !self.has_power(at_ms) || !self.has_broker(at_ms) {
            return Vec::new();
        }
        let mut readings = vec![
            reading("a1", Quantity::Temperature, at_ms, self.a_c(at_ms)),
            reading("b1", Quantity::Temperature, at_ms, self.b_c(at_ms)),
            reading("ah", Quantity::State, at_ms, 0.0),
        ];
        // A's second sensor dies on Friday evening: the first still speaks, so that is a finding and no danger.
        if !self.is_between(at_ms, "27T20:00", "28T20:00") {
            readings.push(reading("a2", Quantity::Temperature, at_ms, self.a_c(at_ms) + 0.4));
        }
        // C's only sensor dies on Friday morning; its battery is changed on Saturday.
        if !self.is_between(at_ms, "27T09:12", "28T18:00") {
            readings.push(reading("c1", Quantity::Temperature, at_ms, 18.0));
        }
        // From the clock change on, two devices' clocks are an hour wrong: one of A's, and C's only one.
        if at_ms >= self.at("29T02:00") {
            for reading in &mut readings {
                if ["a1", "c1"].contains(&&*reading.sensor) {
                    reading.at_ms -= 60 * MS_PER_MIN;
                    reading.time_source = TimeSource::Device;
                }
            }
        }
        readings
    }
}

/// A message as it went out.
struct Sent {
    at_ms: i64,
    alert: Alert,
}

/// Plays the week minute by minute, looking six times in each, with one way out that never fails.
fn play(story: &Story) -> Vec<Sent> {
    let site = &story.site;
    let restarts = ["24T13:00", "26T15:00", "27T13:00"].map(|text| story.at(text));
    let acknowledged_ms = story.at("27T12:30");
    let mut acknowledged = BTreeSet::new();
    let mut told: Vec<Alert> = Vec::new();
    let mut waiting: Vec<Item> = Vec::new();
    let mut sent = Vec::new();
    let mut newest = Newest::default();
    let mut watch = Watch::new(site, story.at("23T00:00"), &[], &acknowledged);
    let week = story.at("23T00:00")..story.at("30T00:00");
    for now_ms in week.step_by(10_000) {
        if restarts.contains(&now_ms) {
            newest = Newest::default();
            watch = Watch::new(site, now_ms, &told, &acknowledged);
        }
        if now_ms == acknowledged_ms {
            acknowledged.extend(watch.open().into_iter().map(|alert| alert.id));
            watch.acknowledge(&acknowledged);
        }
        if now_ms % MS_PER_MIN == 0 {
            newest.show(story.readings(now_ms).iter());
        }
        let seen = Seen {
            readings: &newest.all(),
            is_connected: story.has_broker(now_ms),
            can_store: true,
        };
        for alert in watch.look(now_ms, &seen) {
            told.push(alert.clone());
            let number = told.len() as u64;
            let news = News::Alert(alert);
            ways::put(&mut waiting, Item { number, news });
        }
        waiting.retain(|item| {
            let is_held = quiet::is_held(&site.alerts, site.zone, &item.news, now_ms);
            if let (false, News::Alert(alert)) = (is_held, &item.news) {
                let alert = alert.clone();
                sent.push(Sent { at_ms: now_ms, alert });
            }
            is_held
        });
    }
    assert!(waiting.is_empty(), "nothing is left over on Sunday night");
    sent
}

#[test]
fn the_week_sends_exactly_the_tables_messages_each_within_its_time() {
    let source = format!("{SITE}{CELLAR}");
    let site =
        Site::from_source(Path::new("site.toml"), &source).unwrap_or_else(|problems| panic!("{problems:?}"));
    let story = Story { site };
    let sent = play(&story);
    let zone = story.site.zone;
    let line = |sent: &Sent| {
        let enclosure = sent.alert.enclosure.as_deref().unwrap_or("all");
        let about = format!("{enclosure} {}", sent.alert.danger.name());
        let at = zone.local(sent.at_ms).format("%a %d %H:%M:%S");
        format!("{at}  | {about:<15} | {:<9}", sent.alert.what.name())
    };
    let said: Vec<String> = sent.iter().map(line).collect();
    let rows: Vec<Vec<&str>> = TABLE
        .trim()
        .lines()
        .skip(1)
        .map(|row| row.split('|').map(str::trim).collect())
        .collect();
    let expected: Vec<String> = rows
        .iter()
        .map(|row| format!("{:<12}  | {:<15} | {:<9}", row[0], row[1], row[2]))
        .collect();
    assert_eq!(said, expected, "\n{}", said.join("\n"));
    for (row, sent) in rows.iter().zip(&sent) {
        let (day, time) = row[3].split_once(' ').expect("day and time");
        let known_ms = story.at(&format!("{day}T{time}"));
        let within_min: i64 = row[4].parse().expect("minutes");
        let took_ms = sent.at_ms - known_ms;
        assert!(
            (0..=within_min * MS_PER_MIN).contains(&took_ms),
            "{row:?} took {} s",
            took_ms / 1000
        );
    }
}

#[test]
fn a_restart_tells_nothing_anew_and_forgets_nothing() {
    let site =
        Site::from_source(Path::new("site.toml"), SITE).unwrap_or_else(|problems| panic!("{problems:?}"));
    let start_ms = 1_772_352_000_000;
    let hot = |now_ms: i64, value: f64| {
        [
            reading("a1", Quantity::Temperature, now_ms, value),
            reading("a2", Quantity::Temperature, now_ms, value),
            reading("b1", Quantity::Temperature, now_ms, 21.0),
        ]
    };
    let look = |watch: &mut Watch, now_ms: i64, value: f64| {
        let seen = Seen {
            readings: &hot(now_ms, value),
            is_connected: true,
            can_store: true,
        };
        let alerts = watch.look(now_ms, &seen);
        alerts
            .into_iter()
            .map(|alert| (alert.what, alert))
            .unzip::<_, _, Vec<What>, Vec<Alert>>()
    };
    let mut first = Watch::new(&site, start_ms, &[], &BTreeSet::new());
    let (what, told) = look(&mut first, start_ms, 30.5);
    assert_eq!(what, [What::Begins]);
    let mut second = Watch::new(&site, start_ms + MS_PER_MIN, &told, &BTreeSet::new());
    assert_eq!(second.open()[0].id, told[0].id);
    assert_eq!(look(&mut second, start_ms + MS_PER_MIN, 30.6).0, []);
    assert_eq!(
        look(&mut second, start_ms + 2 * MS_PER_MIN, 31.5).0,
        [What::Worse]
    );
    // Acknowledged, it stays silent for hours, and speaks up when it gets worse.
    let ids = BTreeSet::from([told[0].id.clone()]);
    let mut third = Watch::new(&site, start_ms + 3 * MS_PER_MIN, &told, &ids);
    assert_eq!(look(&mut third, start_ms + 300 * MS_PER_MIN, 30.6).0, []);
    assert_eq!(
        look(&mut third, start_ms + 301 * MS_PER_MIN, 31.6).0,
        [What::Worse]
    );
    assert_eq!(look(&mut third, start_ms + 302 * MS_PER_MIN, 25.0).0, []);
    assert_eq!(
        look(&mut third, start_ms + 303 * MS_PER_MIN, 25.0).0,
        [What::AllClear]
    );
}

#[test]
fn a_disk_that_takes_nothing_is_told_and_so_is_its_end() {
    let site =
        Site::from_source(Path::new("site.toml"), SITE).unwrap_or_else(|problems| panic!("{problems:?}"));
    let mut watch = Watch::new(&site, 0, &[], &BTreeSet::new());
    let mut told = Vec::new();
    for second in 0..600 {
        let seen = Seen {
            readings: &[],
            is_connected: true,
            can_store: !(100..300).contains(&second),
        };
        for alert in watch.look(second * 1000, &seen) {
            told.push(format!("{second} {} {}", alert.danger.name(), alert.what.name()));
        }
    }
    assert_eq!(told, ["160 not-storing begins", "300 not-storing all-clear"]);
}

/// What is told, with the minute (by the time that passed), where the machine's clock is set by `set_min` at minute 60. C's lone sensor speaks each
/// minute until `silent_min`, and is too hot from minute 80 on.
fn told_around_a_set_clock(set_min: i64, silent_min: i64) -> Vec<String> {
    let source = format!("{SITE}{CELLAR}");
    let site =
        Site::from_source(Path::new("site.toml"), &source).unwrap_or_else(|problems| panic!("{problems:?}"));
    let start_ms = 1_772_352_000_000;
    let mut watch = Watch::new(&site, start_ms, &[], &BTreeSet::new());
    let newest = Newest::default();
    let mut told = Vec::new();
    for minute in 0..150 {
        let is_set = minute >= 60;
        let now_ms = start_ms + (minute + if is_set { set_min } else { 0 }) * MS_PER_MIN;
        if minute == 60 {
            watch.clock_was_set(set_min * MS_PER_MIN);
        }
        let mut said: Vec<Reading> = ["a1", "b1"]
            .map(|sensor| reading(sensor, Quantity::Temperature, now_ms, 22.0))
            .into();
        if minute < silent_min {
            let c_c = if minute < 80 { 18.0 } else { 27.0 };
            said.push(reading("c1", Quantity::Temperature, now_ms, c_c));
        }
        newest.show(said.iter());
        let seen = Seen {
            readings: &newest.all(),
            is_connected: true,
            can_store: true,
        };
        for alert in watch.look(now_ms, &seen) {
            let enclosure = alert.enclosure.as_deref().unwrap_or("all");
            told.push(format!(
                "{minute} {enclosure} {} {}",
                alert.danger.name(),
                alert.what.name()
            ));
        }
    }
    told
}

#[test]
fn a_machines_clock_that_is_set_makes_no_silence_and_hides_neither_heat_nor_silence() {
    for set_min in [-180, -5, 0, 5, 180] {
        let told = |silent_min| told_around_a_set_clock(set_min, silent_min);
        assert_eq!(told(150), ["90 c too-hot begins"], "{set_min}");
        assert_eq!(told(70), ["100 c silent begins"], "{set_min}");
        // What was received a little later by the old clock counts as received so by the new one.
        let late_min = if set_min == -5 { 5 } else { 0 };
        assert_eq!(
            told(50),
            [format!("{} c silent begins", 80 + late_min)],
            "{set_min}"
        );
    }
}

//! Hand-built records for the tests of this module: one enclosure of known limits, filled by plain functions of time.

use std::path::Path;
use std::sync::Arc;

use chrono::Timelike;
use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::{Outcome, assess};
use crate::findings::{Finding, Kind};
use crate::load::Record;
use crate::trusted::{Trusted, Usable};

const STEP_MS: i64 = 5 * 60_000;

const SITE: &str = r#"
[site]
name = "Test bench"
timezone = "Europe/Lisbon"

[broker]
url = "builtin"

[[room.sensor]]
id = "wall"
feeds = [ { topic = "t/wall", format = "senml" } ]

[[enclosure]]
id = "box"
species = "crested-gecko"
day = { start = "08:00", end = "20:00" }
limits = { day_c = [20.0, 26.0], night_c = [16.0, 20.5], max_c = 28.0, min_c = 12.0, emergency_c = 31.0, humidity_pct = [60.0, 95.0] }

  [[enclosure.sensor]]
  id = "stat"
  role = "controller"
  feeds = [ { topic = "t/stat", format = "senml" } ]

  [[enclosure.sensor]]
  id = "check"
  role = "reference"
  feeds = [ { topic = "t/check", format = "senml" } ]

  [[enclosure.sensor]]
  id = "cool"
  role = "probe"
  feeds = [ { topic = "t/cool", format = "senml" } ]

  [[enclosure.device]]
  id = "mister"
  kind = "mister"
  feeds = [ { topic = "t/mister", format = "state" } ]
  schedule = ["10:00 for 30s", "15:00 for 30s"]

  [[enclosure.device]]
  id = "heater"
  kind = "heater"
  controlled_by = "stat"
  setpoint = { temperature_c = 21.0, hysteresis_c = 1.0 }
  feeds = [ { topic = "t/heater", format = "state" } ]

  [[enclosure.device]]
  id = "lamp"
  kind = "lamp"
  feeds = [ { topic = "t/lamp", format = "state" } ]

  [[enclosure.device]]
  id = "fogger"
  kind = "fogger"
  controlled_by = "stat"
  setpoint = { humidity_pct = 75.0, hysteresis_pct = 5.0 }
  feeds = [ { topic = "t/fogger", format = "state" } ]
"#;

/// A record under construction.
pub(super) struct Kit {
    pub(super) site: Site,
    pub(super) zone: Zone,
    pub(super) whole: Span,
    readings: Vec<Reading>,
    journal: Vec<Entry>,
}

impl Kit {
    /// `days` local days from the local date `from`.
    pub(super) fn new(from: &str, days: u64) -> Kit {
        let site = Site::from_source(Path::new("site.toml"), SITE).expect("the bench's site file");
        let zone = site.zone;
        let first: chrono::NaiveDate = from.parse().expect("a date");
        let whole = Span {
            from_ms: zone.day(first).from_ms,
            until_ms: zone.day(first + chrono::Days::new(days)).from_ms,
        };
        Kit {
            site,
            zone,
            whole,
            readings: Vec::new(),
            journal: Vec::new(),
        }
    }

    /// A local time.
    pub(super) fn at(&self, text: &str) -> i64 {
        self.zone.parse(text).expect("a local time")
    }

    /// Local hour of the day with its fraction.
    pub(super) fn hour(&self, at_ms: i64) -> f64 {
        f64::from(self.zone.local(at_ms).num_seconds_from_midnight()) / 3600.0
    }

    /// Whether the light hours hold.
    pub(super) fn lit(&self, at_ms: i64) -> bool {
        (8.0..20.0).contains(&self.hour(at_ms))
    }

    pub(super) fn push(&mut self, sensor: &str, quantity: Quantity, at_ms: i64, value: f64) {
        self.readings.push(Reading {
            at_ms,
            received_ms: at_ms,
            time_source: TimeSource::Arrival,
            enclosure: Arc::from("box"),
            sensor: Arc::from(sensor),
            quantity,
            value,
            mark: Mark::Ok,
        });
    }

    /// Readings every five minutes where `value` gives one.
    pub(super) fn fill(
        &mut self,
        sensor: &str,
        quantity: Quantity,
        value: impl Fn(&Kit, i64) -> Option<f64>,
    ) {
        let mut at_ms = self.whole.from_ms;
        while at_ms < self.whole.until_ms {
            if let Some(value) = value(self, at_ms) {
                self.push(sensor, quantity, at_ms, value);
            }
            at_ms += STEP_MS;
        }
    }

    /// States at every change of `on`, looked at every five minutes.
    pub(super) fn states(&mut self, device: &str, on: impl Fn(&Kit, i64) -> bool) {
        let mut last = None;
        let mut at_ms = self.whole.from_ms;
        while at_ms < self.whole.until_ms {
            let now = on(self, at_ms);
            if last != Some(now) {
                self.push(device, Quantity::State, at_ms, f64::from(u8::from(now)));
                last = Some(now);
            }
            at_ms += STEP_MS;
        }
    }

    /// A run of the mister.
    pub(super) fn mist(&mut self, at_ms: i64) {
        self.push("mister", Quantity::State, at_ms, 1.0);
        self.push("mister", Quantity::State, at_ms + 30_000, 0.0);
    }

    /// Noted for the enclosure or for the room.
    pub(super) fn entry_of(&mut self, place: &str, at_ms: i64, kind: &str) {
        self.journal.push(Entry {
            at_ms,
            written_ms: at_ms,
            enclosure: place.to_owned(),
            kind: kind.to_owned(),
            subject: None,
            text: String::new(),
            by: None,
            amends: None,
        });
    }

    /// A quiet enclosure: 24 °C by day, 19 °C by night, a room of 18 °C, humidity of 75 %RH.
    pub(super) fn quiet(from: &str, days: u64) -> Kit {
        let mut kit = Kit::new(from, days);
        for sensor in ["stat", "check", "cool"] {
            kit.fill(sensor, Quantity::Temperature, |kit, at| Some(quiet_c(kit, at)));
            kit.fill(sensor, Quantity::Humidity, |_, _| Some(75.0));
        }
        kit.fill("wall", Quantity::Temperature, |_, _| Some(18.0));
        kit.fill("wall", Quantity::Humidity, |_, _| Some(50.0));
        kit.states("lamp", |kit, at| kit.lit(at));
        kit
    }

    /// Adds to what a sensor read.
    pub(super) fn add(&mut self, sensor: &str, quantity: Quantity, by: impl Fn(i64) -> f64) {
        let readings = self.readings.iter_mut();
        readings
            .filter(|reading| *reading.sensor == *sensor && reading.quantity == quantity)
            .for_each(|reading| reading.value += by(reading.at_ms));
    }

    /// Replaces what a sensor read.
    pub(super) fn refill(
        &mut self,
        sensor: &str,
        quantity: Quantity,
        value: impl Fn(&Kit, i64) -> Option<f64>,
    ) {
        self.readings
            .retain(|r| r.sensor.as_ref() != sensor || r.quantity != quantity);
        self.fill(sensor, quantity, value);
    }

    /// Adds to what a sensor read.
    pub(super) fn shift(&mut self, sensor: &str, quantity: Quantity, by: impl Fn(&Kit, i64) -> f64) {
        let is_its = |r: &Reading| r.sensor.as_ref() == sensor && r.quantity == quantity;
        let mut readings = std::mem::take(&mut self.readings);
        for reading in readings.iter_mut().filter(|r| is_its(r)) {
            reading.value += by(self, reading.at_ms);
        }
        self.readings = readings;
    }

    /// Takes out everything that a sensor or device said.
    pub(super) fn forget(&mut self, id: &str) {
        self.readings.retain(|r| r.sensor.as_ref() != id);
    }

    /// Takes out what a sensor or device said in a span.
    pub(super) fn forget_within(&mut self, id: &str, from: &str, until: &str) {
        let span = self.at(from)..self.at(until);
        self.readings
            .retain(|r| r.sensor.as_ref() != id || !span.contains(&r.at_ms));
    }

    pub(super) fn restate(&mut self, device: &str, on: impl Fn(&Kit, i64) -> bool) {
        self.readings.retain(|r| r.sensor.as_ref() != device);
        self.states(device, on);
    }

    /// Judges a span; every temperature and humidity is usable, ±0.3 °C and ±3 %RH.
    pub(super) fn judge(&self, from: &str, until: &str) -> Outcome {
        let span = Span {
            from_ms: self.at(from),
            until_ms: self.at(until),
        };
        let history = Span {
            from_ms: span.from_ms - 84 * MS_PER_24_H,
            until_ms: span.until_ms,
        };
        let record = Record::from_readings(self.readings.iter().cloned(), self.journal.clone(), history);
        let mut trusted = Trusted::default();
        for (sensor, quantity, series) in record.iter() {
            let half_width = match quantity {
                Quantity::Temperature => 0.3,
                Quantity::Humidity => 3.0,
                _ => continue,
            };
            trusted.insert(
                sensor,
                quantity,
                Usable {
                    series: series.clone(),
                    half_width,
                    ..Usable::default()
                },
            );
        }
        let enclosure = self.site.enclosure("box").expect("the only enclosure");
        assess(&self.site, enclosure, &record, &trusted, span)
    }
}

pub(super) fn quiet_c(kit: &Kit, at_ms: i64) -> f64 {
    if kit.lit(at_ms) { 24.0 } else { 19.0 }
}

/// Findings of one kind.
pub(super) fn of(outcome: &Outcome, kind: Kind) -> Vec<&Finding> {
    outcome
        .verdicts
        .findings
        .iter()
        .filter(|finding| finding.kind == kind)
        .collect()
}

/// Whether something of that kind was not judged.
pub(super) fn unjudged(outcome: &Outcome, kind: Kind) -> bool {
    outcome.verdicts.not_assessed.iter().any(|item| item.kind == kind)
}

#[test]
fn a_quiet_enclosure_is_silent_also_over_a_clock_change() {
    let mut kit = Kit::quiet("2026-03-02", 35);
    let dates = kit.zone.dates(kit.whole);
    for date in dates {
        for clock in ["10:00", "15:00"] {
            let at_ms = kit.at(&format!("{date}T{clock}"));
            kit.mist(at_ms);
        }
    }
    for (from, until) in [
        ("2026-03-23", "2026-03-30"),
        ("2026-03-30", "2026-04-06"),
        ("2026-03-25T09:30", "2026-03-29T14:20"),
    ] {
        let outcome = kit.judge(from, until);
        let unexpected: Vec<_> = outcome
            .verdicts
            .findings
            .iter()
            // The bench's humidity does not answer to its mister: that alone is said.
            .filter(|finding| finding.kind != Kind::MistWeak)
            .collect();
        assert!(unexpected.is_empty(), "{from}: {unexpected:?}");
    }
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    assert_eq!(outcome.days.len(), 7);
    assert_eq!(
        outcome.days[6].span.hours(),
        23.0,
        "clocks go forward on 29 March"
    );
    assert_eq!(outcome.nights.len(), 7);
    let short = outcome
        .nights
        .iter()
        .find(|night| night.local_date.to_string() == "2026-03-28")
        .expect("the night of the change");
    assert_eq!(short.span.hours(), 11.0);
    assert_eq!(outcome.mistings.len(), 14);
}

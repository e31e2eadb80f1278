//! What a simulation gives: packets as sent, readings as the archive would hold them, the journal, and tidy CSV.

use std::fmt::Write as _;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{Mark, Reading, TimeSource};

use super::calendar::{MS_PER_MIN, rfc3339};
use super::device::StateWire;
use super::probe::tenth;
use super::sensor::Wire;
use super::truth::Truth;

/// A device clock this far behind the arrival was reset; this far ahead it is wrong. The arrival then stands in.
const CLOCK_BEHIND_MS_MAX: i64 = 30 * 24 * 60 * MS_PER_MIN;
const CLOCK_AHEAD_MS_MAX: i64 = 5 * MS_PER_MIN;

/// Everything one run gives.
#[derive(Debug, Clone)]
pub struct Simulation {
    pub site_toml: String,
    /// Who spoke, by [`Packet::source`].
    pub sources: Vec<Source>,
    /// What was sent, sorted by arrival.
    pub packets: Vec<Packet>,
    /// What the archive should hold, sorted by time, sensor and quantity.
    pub readings: Vec<Reading>,
    pub journal: Vec<JournalRow>,
    pub truth: Truth,
}

/// A sensor or device and how it speaks.
#[derive(Debug, Clone)]
pub struct Source {
    pub enclosure: Arc<str>,
    pub id: Arc<str>,
    pub topic: String,
    pub voice: Voice,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Voice {
    Sensor(Wire),
    Device(StateWire),
}

/// One utterance of a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Packet {
    pub received_ms: i64,
    /// The device's own time, in whole seconds as ms, where it sends one.
    pub device_ms: Option<i64>,
    pub source: u32,
    pub body: Body,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Body {
    /// Temperature, °C, and humidity, %RH, each to 0.1.
    Air {
        t_c: f64,
        rh_pct: f64,
    },
    State {
        on: bool,
    },
}

/// An entry of the journal, written down when it happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalRow {
    pub at_ms: i64,
    pub enclosure: String,
    pub kind: String,
    pub subject: String,
    pub text: String,
}

impl JournalRow {
    /// The row as the journal holds it.
    pub fn entry(&self) -> Entry {
        Entry {
            at_ms: self.at_ms,
            written_ms: self.at_ms,
            enclosure: self.enclosure.clone(),
            kind: self.kind.clone(),
            subject: (!self.subject.is_empty()).then(|| self.subject.clone()),
            text: self.text.clone(),
            by: None,
            amends: None,
        }
    }
}

/// What a °F device sends for a temperature, to 0.1.
pub(super) fn fahrenheit(t_c: f64) -> f64 {
    tenth(t_c * 1.8 + 32.0)
}

/// The readings that an archive holds after these packets.
pub(super) fn readings(sources: &[Source], packets: &[Packet]) -> Vec<Reading> {
    gathered(sources, packets, |packet| match packet.device_ms {
        None => (packet.received_ms, TimeSource::Arrival, Mark::Ok),
        Some(at) if at < packet.received_ms - CLOCK_BEHIND_MS_MAX => {
            (packet.received_ms, TimeSource::Arrival, Mark::ClockReset)
        }
        Some(at) if at > packet.received_ms + CLOCK_AHEAD_MS_MAX => {
            (packet.received_ms, TimeSource::Arrival, Mark::ClockAhead)
        }
        Some(at) => (at, TimeSource::Device, Mark::Ok),
    })
}

fn gathered(
    sources: &[Source],
    packets: &[Packet],
    stamp: impl Fn(&Packet) -> (i64, TimeSource, Mark),
) -> Vec<Reading> {
    let mut out = Vec::with_capacity(packets.len() * 2);
    for packet in packets {
        let source = &sources[packet.source as usize];
        let (at_ms, time_source, clock) = stamp(packet);
        let mut push = |quantity: Quantity, value: f64| {
            let possible = quantity.possible();
            let inside = (possible.low..=possible.high).contains(&value);
            out.push(Reading {
                at_ms,
                received_ms: packet.received_ms,
                time_source,
                enclosure: source.enclosure.clone(),
                sensor: source.id.clone(),
                quantity,
                value,
                mark: if inside { clock } else { Mark::Impossible },
            });
        };
        match packet.body {
            Body::Air { t_c, rh_pct } => {
                let t_c = match source.voice {
                    Voice::Sensor(Wire::NumbersFahrenheit) => Quantity::Temperature
                        .to_stored(fahrenheit(t_c), "[degF]")
                        .expect("degrees Fahrenheit measure temperature"),
                    _ => t_c,
                };
                push(Quantity::Temperature, t_c);
                push(Quantity::Humidity, rh_pct);
            }
            Body::State { on } => push(Quantity::State, f64::from(u8::from(on))),
        }
    }
    out.sort_by(|a, b| {
        (a.at_ms, &a.sensor, a.quantity, a.received_ms).cmp(&(b.at_ms, &b.sensor, b.quantity, b.received_ms))
    });
    // The same sensor, quantity, time and value twice is one reading.
    out.dedup_by(|a, b| a.identity() == b.identity());
    out
}

impl Simulation {
    /// The readings that an archive holds after an import of the same, all at once and later, each under its device's own time
    /// where it has one: nobody was there to say when it arrived.
    pub fn readings_as_imported(&self) -> Vec<Reading> {
        let imported_ms = self.truth.until.0;
        let mut readings = gathered(&self.sources, &self.packets, |packet| {
            let at_ms = packet.device_ms.unwrap_or(packet.received_ms);
            (at_ms, TimeSource::Device, Mark::Ok)
        });
        readings
            .iter_mut()
            .for_each(|reading| reading.received_ms = imported_ms);
        readings
    }

    /// Readings as tidy CSV (`time,enclosure,sensor,quantity,value,unit`).
    pub fn readings_csv(&self) -> String {
        let mut out = String::with_capacity(64 * (self.readings.len() + 1));
        out.push_str("time,enclosure,sensor,quantity,value,unit\n");
        for r in &self.readings {
            let (time, unit) = (rfc3339(r.at_ms), r.quantity.stored_unit());
            writeln!(
                out,
                "{time},{},{},{},{},{unit}",
                r.enclosure, r.sensor, r.quantity, r.value
            )
            .expect("writing into a String cannot fail");
        }
        out
    }

    /// The journal as CSV (`time,enclosure,kind,subject,text`).
    pub fn journal_csv(&self) -> String {
        let mut out = String::from("time,enclosure,kind,subject,text\n");
        for row in &self.journal {
            let text = if row.text.contains([',', '"', '\n']) {
                format!("\"{}\"", row.text.replace('"', "\"\""))
            } else {
                row.text.clone()
            };
            writeln!(
                out,
                "{},{},{},{},{text}",
                rfc3339(row.at_ms),
                row.enclosure,
                row.kind,
                row.subject
            )
            .expect("writing into a String cannot fail");
        }
        out
    }

    /// The truth as indented JSON.
    pub fn truth_json(&self) -> String {
        serde_json::to_string_pretty(&self.truth).expect("the truth has only finite numbers and string keys")
    }
}

//! The site file, checked: complete, valid, no option left open.
//!
//! [`Site::load`] reads the one file that a keeper writes and the species files that it names. What it returns needs no
//! further checks; what is wrong comes back as a list of [`Problem`]s, all at once.

mod parse;
mod reader;
mod season;

use std::fmt;
use std::path::{Path, PathBuf};

use chrono::{NaiveDate, NaiveTime};

pub(crate) use parse::every_days;
pub use parse::{MQTT_PORT, MQTTS_PORT};
pub use reader::{Problem, nearest};
pub(crate) use reader::{Reader, Section};
pub use season::{Dates, Season};

use crate::care::Task;
use crate::plain::why_unread;
use crate::quantity::Quantity;
use crate::species::Species;
use crate::sun::Place;
use crate::zone::{LightHours, Span, Zone};

/// Everything that the site file says.
#[derive(Debug, Clone)]
pub struct Site {
    /// The file it was read from.
    pub file: PathBuf,
    pub name: String,
    pub zone: Zone,
    /// Where it is, if the site file says so.
    pub place: Option<Place>,
    /// The folder on this machine: the archive, or with a bucket what stands beside it (spool, journal, a copy of what was read).
    pub data_dir: PathBuf,
    /// Where the archive lies instead, if the site file says so.
    pub bucket: Option<Bucket>,
    /// Archives of the same sensors that are read as well; the site file names none, the caller may.
    pub also_read: Vec<ArchivePlace>,
    pub units: Units,
    pub broker: Broker,
    pub collect: Collect,
    pub page: Page,
    pub journal: Journal,
    pub alerts: Alerts,
    /// Sensors of the room outside every enclosure.
    pub room_sensors: Vec<Sensor>,
    /// Tasks that concern the room as a whole.
    pub room_care: Vec<Task>,
    pub enclosures: Vec<Enclosure>,
    /// What is allowed but worth a word to the keeper.
    pub warnings: Vec<Problem>,
}

/// A place in an object store that speaks S3; who may enter is said by the environment, never by the site file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bucket {
    pub name: String,
    /// What the names of all objects begin with, without a slash at either end; may be empty.
    pub prefix: String,
}

/// Where an archive lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ArchivePlace {
    Folder(PathBuf),
    Bucket(Bucket),
}

impl ArchivePlace {
    /// What a person wrote: a folder, or `s3://bucket/name`.
    ///
    /// # Errors
    /// Says what it is instead.
    pub fn from_text(text: &str) -> Result<ArchivePlace, &'static str> {
        let Some(bucket) = text.strip_prefix("s3://") else {
            return match text.contains("://") {
                true => Err("is neither a folder nor a bucket of an S3-compatible store"),
                false => Ok(ArchivePlace::Folder(PathBuf::from(text))),
            };
        };
        let (name, prefix) = bucket.split_once('/').unwrap_or((bucket, ""));
        let prefix = prefix.trim_matches('/');
        // Both are names of folders of the copy that is read.
        let is_odd = |part: &str| part.is_empty() || part == "." || part == "..";
        if is_odd(name) || (!prefix.is_empty() && prefix.split('/').any(is_odd)) {
            return Err("names no bucket");
        }
        Ok(ArchivePlace::Bucket(Bucket {
            name: name.to_owned(),
            prefix: prefix.to_owned(),
        }))
    }
}

impl fmt::Display for Bucket {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "s3://{}/{}", self.name, self.prefix)
    }
}

/// What people are shown. Stored data is always metric.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Units {
    Metric,
    Imperial,
}

/// The way in for readings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broker {
    pub way: Way,
    pub username: Option<String>,
    pub password_file: Option<PathBuf>,
    pub ca_file: Option<PathBuf>,
    /// Certificate and key for TLS on the built-in listener.
    pub tls: Option<ListenerTls>,
    /// Client id towards a broker; fixed, so that the broker keeps the session.
    pub client_id: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListenerTls {
    pub certificate_file: PathBuf,
    pub key_file: PathBuf,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// Devices connect to the collector itself.
    Builtin { listen: String },
    /// The collector is a client of the keeper's own broker.
    Client { host: String, port: u16, tls: bool },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Collect {
    pub commit_every_s: u64,
    pub publish_every_s: u64,
    /// `None` keeps readings for ever.
    pub keep_s: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// `None` turns the page off.
    pub listen: Option<String>,
    /// Holds the hash of the page's password; until it exists, the page answers to this machine only.
    pub access_file: Option<PathBuf>,
    /// Certificate and key for HTTPS.
    pub tls: Option<ListenerTls>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Journal {
    /// Entries that come in on this topic are written into the journal.
    pub mqtt_topic: Option<String>,
}

/// Whom to tell of danger, and how. Each way is off unless named.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Alerts {
    pub mqtt_topic: Option<String>,
    /// Where the collector says every minute that it lives.
    pub heartbeat_topic: Option<String>,
    /// Hours of local time in which only danger is told.
    pub quiet: Option<Quiet>,
    /// Whether new findings are told once a day.
    pub findings: bool,
    pub webhook: Option<Webhook>,
    pub email: Option<Email>,
}

/// Hours of local time; with an end before the start they go over midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quiet {
    pub local_start: NaiveTime,
    pub local_end: NaiveTime,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    pub url: String,
    /// Its first line is the key with which each message is signed.
    pub secret_file: Option<PathBuf>,
    /// Whom to believe instead of the system's authorities.
    pub ca_file: Option<PathBuf>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Email {
    /// One address, or several with commas between.
    pub to: String,
    pub smtp: Smtp,
}

/// The mail server that takes messages in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Smtp {
    pub host: String,
    pub port: u16,
    pub tls: SmtpTls,
    pub from: String,
    pub login: Option<SmtpLogin>,
    pub ca_file: Option<PathBuf>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SmtpLogin {
    pub username: String,
    pub password_file: PathBuf,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SmtpTls {
    /// In the clear until the server agrees to TLS; nothing is sent where it does not. RFC 3207.
    StartTls,
    /// TLS from the first byte. RFC 8314.
    Tls,
    /// In the clear; only to this machine.
    Off,
}

#[derive(Debug, Clone)]
pub struct Enclosure {
    pub id: String,
    /// As written in the site file, with the id where another enclosure is called the same.
    pub label: String,
    /// As written in the site file.
    pub species_id: String,
    /// `None` only where the species is unknown and the site file gives every limit itself.
    pub species: Option<Species>,
    pub animals: Option<u32>,
    pub light: LightHours,
    /// What holds outside every season; ask [`Enclosure::limits_on`] for a date.
    pub limits: Limits,
    /// The keys of `limits` that the site file gives itself, whatever the species file says.
    pub limits_written: Vec<&'static str>,
    /// In the site file's order; no two hold on one date.
    pub seasons: Vec<Season>,
    pub sensors: Vec<Sensor>,
    pub devices: Vec<Device>,
    /// Tasks that come back.
    pub care: Vec<Task>,
}

/// A closed range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    pub low: f64,
    pub high: f64,
}

impl Band {
    pub fn contains(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// What an animal needs, by the species file and the site file's overrides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Wanted by day and by night, °C.
    pub day_c: Band,
    pub night_c: Band,
    /// Overheating is measured above this, °C.
    pub max_c: f64,
    /// Overcooling is measured below this, °C.
    pub min_c: f64,
    /// Where minutes count, °C.
    pub emergency_c: Option<f64>,
    /// Wanted by day and by night, %RH; `None` where humidity is not what matters (an aquarium).
    pub humidity_day_pct: Option<Band>,
    pub humidity_night_pct: Option<Band>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// The probe that a humidistat or thermostat acts on.
    Controller,
    /// The second, independent device that checks the controller.
    Reference,
    /// Any other position.
    Probe,
}

#[derive(Debug, Clone)]
pub struct Sensor {
    pub id: String,
    pub role: Role,
    pub place: Option<String>,
    pub accuracy: Accuracy,
    pub installed: Option<NaiveDate>,
    pub calibrated: Option<NaiveDate>,
    /// `Some` where the site file says whether the animals can be at this place.
    pub animal_zone: Option<bool>,
    pub feeds: Vec<Feed>,
}

/// Limits of error that the maker states, ±.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    pub humidity_pct: f64,
    pub temperature_c: f64,
    /// Whether the site file says so.
    pub is_stated: bool,
}

impl Accuracy {
    /// Stands in where the site file says nothing: the usual claim of a cheap device (common practice, no source).
    pub const UNSTATED: Accuracy = Accuracy {
        humidity_pct: 5.0,
        temperature_c: 0.5,
        is_stated: false,
    };
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DeviceKind {
    Mister,
    Fogger,
    Heater,
    Lamp,
    UvLamp,
    Fan,
    Pump,
}

impl DeviceKind {
    pub const ALL: [(&'static str, DeviceKind); 7] = [
        ("mister", DeviceKind::Mister),
        ("fogger", DeviceKind::Fogger),
        ("heater", DeviceKind::Heater),
        ("lamp", DeviceKind::Lamp),
        ("uv-lamp", DeviceKind::UvLamp),
        ("fan", DeviceKind::Fan),
        ("pump", DeviceKind::Pump),
    ];

    pub fn name(self) -> &'static str {
        DeviceKind::ALL
            .iter()
            .find(|(_, kind)| *kind == self)
            .map_or("", |(name, _)| name)
    }
}

#[derive(Debug, Clone)]
pub struct Device {
    pub id: String,
    pub kind: DeviceKind,
    pub controlled_by: Option<String>,
    pub setpoint: Setpoint,
    /// When it, or its lamp or tube, was put in.
    pub installed: Option<NaiveDate>,
    /// After how long it is to be renewed, s.
    pub renew_after_s: Option<u64>,
    /// What should happen each local day, in order of time.
    pub schedule: Vec<Run>,
    /// The pump, with its reservoir, that it shares with other misters of the same word.
    pub pump: Option<String>,
    pub feeds: Vec<Feed>,
}

impl Device {
    /// What its schedule asks for that begins within a span: the place in the schedule and the run, in order of time.
    pub fn scheduled(&self, zone: Zone, within: Span) -> Vec<(usize, Span)> {
        let mut runs: Vec<(usize, Span)> = Vec::new();
        for date in zone.dates(within) {
            for (slot, run) in self.schedule.iter().enumerate() {
                let from_ms = zone.instant_ms(date.and_time(run.local_start));
                let until_ms = from_ms + run.duration_s as i64 * 1000;
                if within.contains(from_ms) {
                    runs.push((slot, Span { from_ms, until_ms }));
                }
            }
        }
        runs.sort_unstable_by_key(|(slot, run)| (run.from_ms, *slot));
        runs
    }
}

/// On below set-point minus hysteresis, off at the set-point.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Setpoint {
    pub humidity_pct: Option<f64>,
    pub hysteresis_pct: Option<f64>,
    pub temperature_c: Option<f64>,
    pub hysteresis_c: Option<f64>,
}

/// One scheduled run of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    pub local_start: NaiveTime,
    pub duration_s: u64,
}

/// Where a sensor's or device's values come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Feed {
    pub topic: String,
    pub format: Format,
}

/// How a payload is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Format {
    /// A JSON document; pointers are RFC 6901.
    Json {
        pointer: String,
        time_pointer: Option<String>,
        quantity: Quantity,
        unit: String,
    },
    /// The payload is the number.
    Number { quantity: Quantity, unit: String },
    /// RFC 8428; `quantity` narrows what is taken where a unit is ambiguous.
    Senml { quantity: Option<Quantity> },
    /// On and off words, as text or under a JSON pointer.
    State {
        pointer: Option<String>,
        time_pointer: Option<String>,
        on: Vec<String>,
        off: Vec<String>,
    },
}

impl Site {
    /// Reads and checks a site file.
    ///
    /// # Errors
    /// Every problem found, each with file and line; never an empty list.
    pub fn load(file: &Path) -> Result<Site, Vec<Problem>> {
        let source = fs_err::read_to_string(file).map_err(|error| {
            vec![Problem {
                file: file.to_owned(),
                line: 1,
                message: format!("the site file can't be read: {}", why_unread(&error)),
                hint: Some("name it with --site FILE, or start one with `mosswarden discover`".to_owned()),
            }]
        })?;
        Site::from_source(file, &source)
    }

    /// Checks the text of a site file; `file` names it in messages and anchors relative paths.
    ///
    /// # Errors
    /// Every problem found, each with file and line; never an empty list.
    pub fn from_source(file: &Path, source: &str) -> Result<Site, Vec<Problem>> {
        parse::site(file, source)
    }

    /// The tasks of an enclosure or of the `room`; none where there is no such place.
    pub fn care(&self, place: &str) -> &[Task] {
        if place == crate::table::ROOM {
            return &self.room_care;
        }
        self.enclosure(place)
            .map_or(&[], |enclosure| enclosure.care.as_slice())
    }

    /// Every enclosure's id and then the room's.
    pub fn places(&self) -> impl Iterator<Item = &str> {
        self.enclosures
            .iter()
            .map(|enclosure| enclosure.id.as_str())
            .chain([crate::table::ROOM])
    }

    pub fn enclosure(&self, id: &str) -> Option<&Enclosure> {
        self.enclosures.iter().find(|enclosure| enclosure.id == id)
    }

    /// Every feed with the enclosure's id (or `room`) and the id of its sensor or device.
    pub fn feeds(&self) -> impl Iterator<Item = (&str, &str, &Feed)> {
        let room = self
            .room_sensors
            .iter()
            .map(|sensor| (crate::table::ROOM, sensor.id.as_str(), &sensor.feeds));
        let inside = self.enclosures.iter().flat_map(|enclosure| {
            let id = enclosure.id.as_str();
            let sensors = enclosure
                .sensors
                .iter()
                .map(move |sensor| (id, sensor.id.as_str(), &sensor.feeds));
            let devices = enclosure
                .devices
                .iter()
                .map(move |device| (id, device.id.as_str(), &device.feeds));
            sensors.chain(devices)
        });
        room.chain(inside)
            .flat_map(|(enclosure, id, feeds)| feeds.iter().map(move |feed| (enclosure, id, feed)))
    }
}

impl Enclosure {
    /// The sensor that a device acts on: the one that is named, else the one whose role it is.
    pub fn controller_of<'e>(&'e self, device: &'e Device) -> Option<&'e str> {
        let by_role = || self.sensors.iter().find(|sensor| sensor.role == Role::Controller);
        let named = device.controlled_by.as_deref();
        named.or_else(|| by_role().map(|sensor| sensor.id.as_str()))
    }

    /// Sensors at places that the animals can reach: those marked so; where none is, all but the controllers'; where only
    /// controllers exist, those.
    pub fn animal_sensors(&self) -> Vec<&Sensor> {
        let marked: Vec<&Sensor> = self
            .sensors
            .iter()
            .filter(|s| s.animal_zone == Some(true))
            .collect();
        if !marked.is_empty() {
            return marked;
        }
        let allowed = || self.sensors.iter().filter(|s| s.animal_zone != Some(false));
        let others: Vec<&Sensor> = allowed().filter(|s| s.role != Role::Controller).collect();
        if others.is_empty() {
            allowed().collect()
        } else {
            others
        }
    }

    pub fn sensor(&self, id: &str) -> Option<&Sensor> {
        self.sensors.iter().find(|sensor| sensor.id == id)
    }

    pub fn devices_of(&self, kind: DeviceKind) -> impl Iterator<Item = &Device> {
        self.devices.iter().filter(move |device| device.kind == kind)
    }
}

#[cfg(test)]
mod tests;

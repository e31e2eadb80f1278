//! The loop over time: one room, its enclosures one after another, every [`STEP_S`] seconds.

use std::sync::Arc;

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use mosswarden_config::table::ROOM;
use rand::rngs::StdRng;

use super::calendar::{Day, days, instant_ms};
use super::device::DeviceKind;
use super::enclosure::EnclosureSpec;
use super::fault::{Change, Effect, EventSpec, FaultSpec};
use super::keeping::EnclosureRun;
use super::misting::mister_of;
use super::output::{Body, JournalRow, Packet, Simulation, Source, Voice, readings};
use super::probe::{Local, Probe, Sample};
use super::room::{Air, ROOM_STEP_MS, RoomSpec};
use super::sensor::SensorSpec;
use super::site_file::site_toml;
use super::stream::stream;
use super::truth::{At, RunTruth, SensorDay, Truth, conditions, constants, stated};

/// Step of the physics, s.
pub const STEP_S: i64 = 10;
pub(super) const STEP_MS: i64 = STEP_S * 1000;
/// Days simulated before the first that counts, so that nothing begins from a guess.
const WARM_UP_DAYS: u64 = 2;
/// A site to simulate.
#[derive(Debug, Clone)]
pub struct SiteSpec {
    pub name: String,
    pub zone: Tz,
    pub seed: u64,
    /// Local dates; `until` is the first day no longer simulated.
    pub from: NaiveDate,
    pub until: NaiveDate,
    pub room: RoomSpec,
    pub room_sensors: Vec<SensorSpec>,
    pub enclosures: Vec<EnclosureSpec>,
    pub faults: Vec<FaultSpec>,
    pub events: Vec<EventSpec>,
}

/// Simulates a site.
pub fn run(site: &SiteSpec) -> Simulation {
    let from_ms = instant_ms(site.zone, site.from, 0);
    let until_ms = instant_ms(site.zone, site.until, 0);
    let begin = site
        .from
        .checked_sub_days(Days::new(WARM_UP_DAYS))
        .unwrap_or(site.from);
    let begin_ms = instant_ms(site.zone, begin, 0);
    let span = Span {
        site,
        begin,
        begin_ms,
        from_ms,
        until_ms,
    };
    let air = site
        .room
        .series(site.seed, site.zone, begin_ms, until_ms, &site.faults);
    let mut log = Log {
        sources: Vec::new(),
        packets: Vec::new(),
        from_ms,
    };
    let mut truth = Truth {
        site: site.name.clone(),
        timezone: site.zone.name().to_owned(),
        seed: site.seed,
        from: At(from_ms),
        until: At(until_ms),
        faults: site
            .faults
            .iter()
            .filter(|f| f.from_ms < until_ms)
            .map(|f| stated(f, until_ms))
            .collect(),
        conditions: Vec::new(),
        enclosures: Vec::new(),
        days: Vec::new(),
        runs: Vec::new(),
        sensor_days: Vec::new(),
    };
    run_room(&span, &air, &mut log, &mut truth);
    for spec in &site.enclosures {
        let (days, runs, sensor_days) = EnclosureRun::new(&span, spec, &air, &mut log).run(&mut log);
        truth
            .conditions
            .extend(conditions(&days, spec, &site.faults, &site.events));
        truth
            .enclosures
            .push(constants(spec, mister_of(spec).map(|(_, water)| water)));
        truth.days.extend(days);
        truth.runs.extend(runs);
        truth.sensor_days.extend(sensor_days);
    }
    for missed in truth
        .faults
        .iter_mut()
        .filter(|f| f.kind.as_deref() == Some("mist-missed"))
    {
        let within = |r: &&RunTruth| {
            r.enclosure == missed.enclosure && r.at >= missed.start && missed.end.is_none_or(|end| r.at < end)
        };
        missed.size = truth.runs.iter().filter(within).filter(|r| !r.ran).count() as f64;
    }
    log.packets.sort_by_key(|p| (p.received_ms, p.source));
    let readings = readings(&log.sources, &log.packets);
    Simulation {
        site_toml: site_toml(&as_left(site)),
        sources: log.sources,
        packets: log.packets,
        readings,
        journal: journal(site, until_ms),
        truth,
    }
}

/// The site as its keeper left it: with the last schedules and set-points.
fn as_left(site: &SiteSpec) -> SiteSpec {
    let mut left = site.clone();
    let mut events = site.events.clone();
    events.sort_by_key(|e| e.at_ms);
    for event in &events {
        let devices = left
            .enclosures
            .iter_mut()
            .filter(|e| e.id == event.enclosure)
            .flat_map(|e| &mut e.devices);
        for device in devices.filter(|d| d.id == event.subject) {
            match (&event.change, &mut device.kind) {
                (Change::ScheduleChanged { runs: new }, DeviceKind::Mister { runs, .. }) => {
                    runs.clone_from(new)
                }
                (Change::SetpointChanged { value }, DeviceKind::Fogger { set_pct, .. }) => *set_pct = *value,
                (Change::SetpointChanged { value }, DeviceKind::Heater { set_c, .. }) => *set_c = *value,
                _ => {}
            }
        }
    }
    left
}

fn journal(site: &SiteSpec, until_ms: i64) -> Vec<JournalRow> {
    let row = |at_ms, enclosure: &str, kind: &str, subject: &str, text: String| JournalRow {
        at_ms,
        enclosure: enclosure.to_owned(),
        kind: kind.to_owned(),
        subject: subject.to_owned(),
        text,
    };
    let mut rows: Vec<JournalRow> = site
        .events
        .iter()
        .map(|event| {
            let (kind, text) = event.change.journal();
            row(event.at_ms, &event.enclosure, kind, &event.subject, text)
        })
        .collect();
    for cut in site.faults.iter().filter(|f| f.effect == Effect::PowerCut) {
        rows.push(row(cut.from_ms, ROOM, "power-cut", "", "no mains".to_owned()));
    }
    rows.retain(|r| r.at_ms < until_ms);
    rows.sort_by(|a, b| {
        (a.at_ms, &a.enclosure, &a.kind, &a.subject).cmp(&(b.at_ms, &b.enclosure, &b.kind, &b.subject))
    });
    rows
}

pub(super) struct Span<'a> {
    pub(super) site: &'a SiteSpec,
    pub(super) begin: NaiveDate,
    pub(super) begin_ms: i64,
    pub(super) from_ms: i64,
    pub(super) until_ms: i64,
}

impl Span<'_> {
    pub(super) fn stream(&self, name: &str) -> StdRng {
        stream(self.site.seed, name)
    }

    pub(super) fn probe<'s>(&'s self, spec: &'s SensorSpec, local: Local) -> Probe<'s> {
        let faults = self
            .site
            .faults
            .iter()
            .filter(|f| f.subject == spec.id && f.effect.of_sensor())
            .collect();
        Probe::new(
            spec,
            faults,
            self.stream(&format!("sensor {}", spec.id)),
            self.begin_ms,
            local,
        )
    }
}

/// What was sent.
pub(super) struct Log {
    pub(super) sources: Vec<Source>,
    pub(super) packets: Vec<Packet>,
    pub(super) from_ms: i64,
}

impl Log {
    pub(super) fn source(&mut self, enclosure: &str, id: &str, topic: &str, voice: Voice) -> u32 {
        self.sources.push(Source {
            enclosure: Arc::from(enclosure),
            id: Arc::from(id),
            topic: topic.to_owned(),
            voice,
        });
        (self.sources.len() - 1) as u32
    }

    pub(super) fn sample(&mut self, source: u32, probe: &mut Probe<'_>, at_ms: i64, sample: Sample) {
        let received_ms = at_ms + probe.latency_ms();
        if at_ms >= self.from_ms {
            let device_ms = probe.spec.wire.has_clock().then(|| probe.clock_ms(at_ms));
            let body = Body::Air {
                t_c: sample.t_c,
                rh_pct: sample.rh_pct,
            };
            self.packets.push(Packet {
                received_ms,
                device_ms,
                source,
                body,
            });
        }
    }

    pub(super) fn state(&mut self, source: u32, at_ms: i64, on: bool) {
        if at_ms >= self.from_ms {
            self.packets.push(Packet {
                received_ms: at_ms,
                device_ms: None,
                source,
                body: Body::State { on },
            });
        }
    }
}

/// A sensor's errors, by local day.
#[derive(Default)]
pub(super) struct Errors {
    pub(super) day: usize,
    pub(super) n: u32,
    pub(super) rh_pct: f64,
    pub(super) t_k: f64,
    pub(super) systematic_pct: f64,
}

impl Errors {
    pub(super) fn add(&mut self, probe: &Probe<'_>, at_ms: i64, sample: Sample) {
        self.n += 1;
        self.rh_pct += sample.rh_pct - probe.local.rh_pct;
        self.t_k += sample.t_c - probe.local.t_c;
        self.systematic_pct += probe.systematic_pct(at_ms);
    }

    pub(super) fn close(&mut self, enclosure: &str, spec: &SensorSpec, day: &Day) -> SensorDay {
        let mean = |sum: f64| (self.n > 0).then(|| sum / f64::from(self.n));
        let out = SensorDay {
            enclosure: enclosure.to_owned(),
            sensor: spec.id.clone(),
            date: day.date,
            readings: self.n,
            expected: (day.until_ms - day.from_ms) as f64 / 1000.0 / spec.sampling.interval_s,
            humidity_bias_pct: mean(self.rh_pct),
            temperature_bias_k: mean(self.t_k),
            systematic_pct: mean(self.systematic_pct),
        };
        *self = Errors {
            day: self.day + 1,
            ..Errors::default()
        };
        out
    }
}

fn run_room(span: &Span<'_>, air: &[Air], log: &mut Log, truth: &mut Truth) {
    let calendar = days(span.site.zone, span.site.from, span.site.until, (0, 0));
    for spec in &span.site.room_sensors {
        let source = log.source(ROOM, &spec.id, &spec.topic, Voice::Sensor(spec.wire));
        let mut probe = span.probe(spec, Local::of_room(air[0]));
        let mut errors = Errors::default();
        let mut at_ms = span.begin_ms;
        while at_ms < span.until_ms {
            let room = air[((at_ms - span.begin_ms) / ROOM_STEP_MS) as usize];
            probe.follow(Local::of_room(room), room, 0.0, at_ms, STEP_S as f64);
            at_ms += STEP_MS;
            while errors.day < calendar.len() && at_ms > calendar[errors.day].until_ms {
                truth
                    .sensor_days
                    .push(errors.close(ROOM, spec, &calendar[errors.day]));
            }
            if let Some((sent_ms, sample)) = probe.due(at_ms) {
                log.sample(source, &mut probe, sent_ms, sample);
                if sent_ms >= span.from_ms {
                    errors.add(&probe, sent_ms, sample);
                }
            }
        }
        while errors.day < calendar.len() {
            truth
                .sensor_days
                .push(errors.close(ROOM, spec, &calendar[errors.day]));
        }
    }
}

//! The loop over time: one room, its enclosures one after another, every [`STEP_S`] seconds.

use std::sync::Arc;

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use mosswarden_config::table::ROOM;
use rand::Rng;
use rand::rngs::StdRng;

use super::calendar::{Day, MS_PER_H, days, instant_ms, offset_ms};
use super::device::{DeviceKind, MistRun, WaterYield, two_point};
use super::enclosure::{Drive, EnclosureSpec, State};
use super::fault::{Change, Effect, EventSpec, FaultSpec};
use super::output::{Body, JournalRow, Packet, Simulation, Source, Voice, readings};
use super::probe::{Local, Probe, Sample};
use super::room::{Air, ROOM_STEP_MS, RoomSpec, local_hour};
use super::sensor::{Role, SensorSpec};
use super::site_file::site_toml;
use super::stream::{between, normal, stream};
use super::tally::{Moment, Tally};
use super::truth::{At, DayTruth, RunTruth, SensorDay, Truth, conditions, constants, stated};
use super::vapour::humidity_pct;

/// Step of the physics, s.
pub const STEP_S: i64 = 10;
const STEP_MS: i64 = STEP_S * 1000;
/// Days simulated before the first that counts, so that nothing begins from a guess.
const WARM_UP_DAYS: u64 = 2;
/// States are repeated this often.
const REPEAT_MS: i64 = MS_PER_H;
/// A rise is looked for this long after a misting begins.
const RISE_MS: i64 = 20 * 60_000;
/// Spread of the water given from run to run, as a share.
const RUN_SPREAD_FRAC: f64 = 0.04;
/// A hand sprayer against a pump of the usual yield, per second, g/m³.
const HAND_WATER: WaterYield = WaterYield {
    air_g_m3_s: 0.04,
    store_g_m3_s: 0.12,
};
/// An open door exchanges this many times the usual air.
const DOOR_OPEN_RATIO: f64 = 15.0;

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
        truth.conditions.extend(conditions(&days));
        truth
            .enclosures
            .push(constants(spec, mister_of(spec).map(|(_, water)| water)));
        truth.days.extend(days);
        truth.runs.extend(runs);
        truth.sensor_days.extend(sensor_days);
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

struct Span<'a> {
    site: &'a SiteSpec,
    begin: NaiveDate,
    begin_ms: i64,
    from_ms: i64,
    until_ms: i64,
}

impl Span<'_> {
    fn stream(&self, name: &str) -> StdRng {
        stream(self.site.seed, name)
    }

    fn probe<'s>(&'s self, spec: &'s SensorSpec, local: Local) -> Probe<'s> {
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
struct Log {
    sources: Vec<Source>,
    packets: Vec<Packet>,
    from_ms: i64,
}

impl Log {
    fn source(&mut self, enclosure: &str, id: &str, topic: &str, voice: Voice) -> u32 {
        self.sources.push(Source {
            enclosure: Arc::from(enclosure),
            id: Arc::from(id),
            topic: topic.to_owned(),
            voice,
        });
        (self.sources.len() - 1) as u32
    }

    fn sample(&mut self, source: u32, probe: &mut Probe<'_>, at_ms: i64, sample: Sample) {
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

    fn state(&mut self, source: u32, at_ms: i64, on: bool) {
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
struct Errors {
    day: usize,
    n: u32,
    rh_pct: f64,
    t_k: f64,
    systematic_pct: f64,
}

impl Errors {
    fn add(&mut self, probe: &Probe<'_>, at_ms: i64, sample: Sample) {
        self.n += 1;
        self.rh_pct += sample.rh_pct - probe.local.rh_pct;
        self.t_k += sample.t_c - probe.local.t_c;
        self.systematic_pct += probe.systematic_pct(at_ms);
    }

    fn close(&mut self, enclosure: &str, spec: &SensorSpec, day: &Day) -> SensorDay {
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
            probe.follow(Local::of_room(room), room, at_ms, STEP_S as f64);
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

fn mister_of(spec: &EnclosureSpec) -> Option<(usize, WaterYield)> {
    spec.devices
        .iter()
        .enumerate()
        .find_map(|(index, d)| match d.kind {
            DeviceKind::Mister { water, .. } => Some((index, water)),
            _ => None,
        })
}

struct DeviceState {
    source: u32,
    /// What its controller asks for.
    asked: bool,
    /// What it says.
    said: Option<bool>,
    next_repeat_ms: i64,
    /// Set-point, °C or %RH, where it has one.
    set: f64,
    hysteresis: f64,
    controller: Option<usize>,
}

/// A misting to come.
struct Planned {
    at_ms: i64,
    duration_s: f64,
    by_hand: bool,
    missed: bool,
    spread: f64,
}

/// A misting whose rise is still watched.
struct Watched {
    truth: RunTruth,
    w_g_m3: f64,
    until_ms: i64,
}

/// What faults and events do to the enclosure in a step.
#[derive(Clone, Copy)]
struct Disturbance {
    heater_forced: bool,
    heater_dead: bool,
    heater_unplugged: bool,
    thermostat_k: f64,
    humidistat_pct: f64,
    lamp_forced: bool,
    lamp_dead: bool,
    light_start_ms: i64,
    light_end_ms: i64,
    sun_k_per_s: f64,
    night_k: f64,
    ventilation_ratio: f64,
    yield_frac: f64,
    no_mains: bool,
}

const UNDISTURBED: Disturbance = Disturbance {
    heater_forced: false,
    heater_dead: false,
    heater_unplugged: false,
    thermostat_k: 0.0,
    humidistat_pct: 0.0,
    lamp_forced: false,
    lamp_dead: false,
    light_start_ms: 0,
    light_end_ms: 0,
    sun_k_per_s: 0.0,
    night_k: 0.0,
    ventilation_ratio: 1.0,
    yield_frac: 1.0,
    no_mains: false,
};

fn disturbance(faults: &[&FaultSpec], at_ms: i64, local_h: f64) -> Disturbance {
    let mut d = UNDISTURBED;
    for fault in faults.iter().filter(|f| f.holds(at_ms)) {
        match fault.effect {
            Effect::HeaterStuckOn => d.heater_forced = true,
            Effect::HeaterFailed => d.heater_dead = true,
            Effect::HeaterUnplugged => d.heater_unplugged = true,
            Effect::ThermostatSetWrong { k } => d.thermostat_k += k,
            Effect::HumidistatSetWrong { pct } => d.humidistat_pct += pct,
            Effect::LampLeftOn => d.lamp_forced = true,
            Effect::LampFailed => d.lamp_dead = true,
            Effect::LightHoursWrong { start_h, end_h } => {
                d.light_start_ms += (start_h * MS_PER_H as f64) as i64;
                d.light_end_ms += (end_h * MS_PER_H as f64) as i64;
            }
            Effect::NozzleClog { lost_frac, over_d } => {
                d.yield_frac *= 1.0 - lost_frac * (fault.age_d(at_ms) / over_d.max(1e-6)).min(1.0);
            }
            Effect::ReservoirEmpty | Effect::PumpDead => d.yield_frac = 0.0,
            Effect::Sun {
                peak_k_per_h,
                from_h,
                until_h,
            } => {
                let share = (local_h - from_h) / (until_h - from_h);
                if (0.0..1.0).contains(&share) {
                    d.sun_k_per_s += peak_k_per_h / 3600.0 * (std::f64::consts::PI * share).sin();
                }
            }
            Effect::NightAmbient { k } => d.night_k += k,
            Effect::VentBlocked { ratio } | Effect::DoorAjar { ratio } => d.ventilation_ratio *= ratio,
            Effect::PowerCut => d.no_mains = true,
            _ => {}
        }
    }
    d
}

struct EnclosureRun<'a> {
    span: &'a Span<'a>,
    spec: &'a EnclosureSpec,
    air: &'a [Air],
    calendar: Vec<Day>,
    faults: Vec<&'a FaultSpec>,
    events: Vec<&'a EventSpec>,
    state: State,
    probes: Vec<(u32, Probe<'a>, Errors)>,
    devices: Vec<DeviceState>,
    planned: Vec<Planned>,
    watched: Option<Watched>,
    /// Water of the misting under way and its end.
    misting: Option<(WaterYield, i64)>,
    pruned_ratio: f64,
    door_open_until_ms: i64,
    runs: Vec<RunTruth>,
    sensor_days: Vec<SensorDay>,
    rng: StdRng,
}

impl<'a> EnclosureRun<'a> {
    fn new(span: &'a Span<'a>, spec: &'a EnclosureSpec, air: &'a [Air], log: &mut Log) -> EnclosureRun<'a> {
        let site = span.site;
        let mut rng = span.stream(&format!("enclosure {}", spec.id));
        let state = State {
            t_warm_c: air[0].t_c + 2.0,
            t_cool_c: air[0].t_c + 1.5,
            t_substrate_c: air[0].t_c + 1.0,
            w_g_m3: air[0].w_g_m3 + 4.0,
            store_g_m3: 1.0,
        };
        let probes = spec
            .sensors
            .iter()
            .map(|sensor| {
                let source = log.source(&spec.id, &sensor.id, &sensor.topic, Voice::Sensor(sensor.wire));
                let local = Local::inside(&state, &sensor.position, 0.0, false);
                (source, span.probe(sensor, local), Errors::default())
            })
            .collect();
        let controller_index = |id: &str| spec.sensors.iter().position(|s| s.id == id);
        let devices = spec
            .devices
            .iter()
            .map(|device| {
                let (set, hysteresis, controller) = match &device.kind {
                    DeviceKind::Fogger {
                        controller,
                        set_pct,
                        hysteresis_pct,
                        ..
                    } => (*set_pct, *hysteresis_pct, controller_index(controller)),
                    DeviceKind::Heater {
                        controller,
                        set_c,
                        hysteresis_k,
                    } => (*set_c, *hysteresis_k, controller_index(controller)),
                    DeviceKind::Mister { .. } | DeviceKind::Lamp => (0.0, 0.0, None),
                };
                DeviceState {
                    source: log.source(&spec.id, &device.id, &device.topic, Voice::Device(device.wire)),
                    asked: false,
                    said: None,
                    next_repeat_ms: span.from_ms + (between(&mut rng, 0.0, REPEAT_MS as f64) as i64),
                    set,
                    hysteresis,
                    controller,
                }
            })
            .collect();
        let mut events: Vec<&EventSpec> = site.events.iter().filter(|e| e.enclosure == spec.id).collect();
        events.sort_by_key(|e| e.at_ms);
        let calendar = days(site.zone, span.begin, site.until, spec.light);
        let faults: Vec<&FaultSpec> = site
            .faults
            .iter()
            .filter(|f| (f.enclosure == spec.id || f.enclosure == ROOM) && !f.effect.of_sensor())
            .collect();
        let planned = plan(site.zone, spec, &calendar, &faults, &events, &mut rng);
        EnclosureRun {
            span,
            spec,
            air,
            calendar,
            faults,
            events,
            state,
            probes,
            devices,
            planned,
            watched: None,
            misting: None,
            pruned_ratio: 1.0,
            door_open_until_ms: i64::MIN,
            runs: Vec::new(),
            sensor_days: Vec::new(),
            rng,
        }
    }

    fn run(mut self, log: &mut Log) -> (Vec<DayTruth>, Vec<RunTruth>, Vec<SensorDay>) {
        let (zone, begin_ms, until_ms) = (self.span.site.zone, self.span.begin_ms, self.span.until_ms);
        let judged = self.judged_places();
        let names = judged.iter().map(|&i| self.spec.sensors[i].id.clone()).collect();
        let counted: Vec<Day> = self
            .calendar
            .iter()
            .filter(|d| d.from_ms >= self.span.from_ms)
            .copied()
            .collect();
        let mut tally = Tally::new(self.spec, names, &counted);
        let mut places = vec![
            Local {
                t_c: 0.0,
                rh_pct: 0.0
            };
            judged.len()
        ];
        let mut offset = offset_ms(zone, begin_ms);
        let (mut today, mut event) = (0, 0);
        let mut at_ms = begin_ms;
        while at_ms < until_ms {
            if at_ms.rem_euclid(15 * 60_000) == 0 {
                offset = offset_ms(zone, at_ms);
            }
            while today + 1 < self.calendar.len() && at_ms >= self.calendar[today].until_ms {
                today += 1;
            }
            while event < self.events.len() && self.events[event].at_ms <= at_ms {
                self.apply(self.events[event]);
                event += 1;
            }
            let local_h = local_hour(at_ms, offset);
            let d = disturbance(&self.faults, at_ms, local_h);
            let light = self.calendar[today];
            let lit = (light.light_from_ms..light.light_until_ms).contains(&at_ms);
            let room = self.air[((at_ms - begin_ms) / ROOM_STEP_MS) as usize];
            let around = Air {
                t_c: room.t_c + if lit { 0.0 } else { d.night_k },
                ..room
            };
            self.start_misting(at_ms, &d, log);
            let drive = self.drive(at_ms, today, lit, around, &d, log);
            self.state
                .step(&self.spec.thermal, &self.spec.moisture, &drive, STEP_S as f64);
            self.watch(at_ms, &d);
            for (_, probe, _) in &mut self.probes {
                let local = Local::inside(&self.state, &probe.position, drive.lamp_frac, lit);
                probe.follow(local, around, at_ms, STEP_S as f64);
            }
            for (place, &index) in places.iter_mut().zip(&judged) {
                *place = self.probes[index].1.local;
            }
            tally.add(&Moment {
                at_ms,
                dt_s: STEP_S as f64,
                places: &places,
                lamp_frac: drive.lamp_frac,
            });
            at_ms += STEP_MS;
            self.listen(at_ms, &counted, log);
        }
        self.close_watch();
        for (_, probe, errors) in &mut self.probes {
            while errors.day < counted.len() {
                self.sensor_days
                    .push(errors.close(&self.spec.id, probe.spec, &counted[errors.day]));
            }
        }
        self.sensor_days
            .sort_by(|a, b| (&a.sensor, a.date).cmp(&(&b.sensor, b.date)));
        let set_pct = self.spec.devices.iter().find_map(|d| match d.kind {
            DeviceKind::Fogger { set_pct, .. } => Some(set_pct),
            _ => None,
        });
        (
            tally.finish(until_ms, &self.span.site.faults, set_pct),
            self.runs,
            self.sensor_days,
        )
    }

    /// Sensors whose places count: all but controllers, or all where there is no other.
    fn judged_places(&self) -> Vec<usize> {
        let free = |s: &SensorSpec| s.role != Some(Role::Controller);
        let any = self.spec.sensors.iter().any(free);
        (0..self.spec.sensors.len())
            .filter(|&i| !any || free(&self.spec.sensors[i]))
            .collect()
    }

    fn listen(&mut self, until_ms: i64, counted: &[Day], log: &mut Log) {
        for (source, probe, errors) in &mut self.probes {
            while errors.day < counted.len() && until_ms > counted[errors.day].until_ms {
                self.sensor_days
                    .push(errors.close(&self.spec.id, probe.spec, &counted[errors.day]));
            }
            if let Some((sent_ms, sample)) = probe.due(until_ms) {
                log.sample(*source, probe, sent_ms, sample);
                if sent_ms >= self.span.from_ms {
                    errors.add(probe, sent_ms, sample);
                }
            }
        }
    }

    fn apply(&mut self, event: &EventSpec) {
        let sensor = self
            .probes
            .iter_mut()
            .find(|(_, p, _)| p.spec.id == event.subject);
        match (&event.change, sensor) {
            (Change::SensorMoved { to }, Some((_, probe, _))) => probe.position = *to,
            (Change::SensorReplaced, Some((_, probe, _))) => probe.replace(event.at_ms),
            (Change::BatteryChanged { gap_min }, Some((_, probe, _))) => {
                probe.quiet_until_ms = event.at_ms as f64 + gap_min * 60_000.0;
            }
            (Change::Cleaned { minutes }, _) => {
                self.door_open_until_ms = event.at_ms + (minutes * 60_000.0) as i64;
            }
            (Change::Pruned { ratio }, _) => self.pruned_ratio *= ratio,
            (Change::SetpointChanged { value }, _) => {
                let index = self.spec.devices.iter().position(|d| d.id == event.subject);
                if let Some(device) = index.and_then(|i| self.devices.get_mut(i)) {
                    device.set = *value;
                }
            }
            _ => {}
        }
    }

    fn ventilation_ratio(&self, at_ms: i64, d: &Disturbance) -> f64 {
        let door = if at_ms < self.door_open_until_ms {
            DOOR_OPEN_RATIO
        } else {
            1.0
        };
        d.ventilation_ratio * self.pruned_ratio * door
    }

    /// Begins the mistings that are due.
    fn start_misting(&mut self, at_ms: i64, d: &Disturbance, log: &mut Log) {
        while self.planned.last().is_some_and(|p| p.at_ms <= at_ms) {
            let Some(planned) = self.planned.pop() else { return };
            self.close_watch();
            let mister = mister_of(self.spec);
            let ran = planned.by_hand || !(planned.missed || d.no_mains);
            let yield_frac = if planned.by_hand {
                1.0
            } else if ran {
                d.yield_frac
            } else {
                0.0
            };
            let usual = match mister {
                Some((_, water)) if !planned.by_hand => water,
                _ => HAND_WATER,
            };
            let end_ms = at_ms + (planned.duration_s * 1000.0) as i64;
            if ran {
                let scale = yield_frac * planned.spread;
                let water = WaterYield {
                    air_g_m3_s: usual.air_g_m3_s * scale,
                    store_g_m3_s: usual.store_g_m3_s * scale,
                };
                self.misting = Some((water, end_ms));
            }
            if ran
                && !planned.by_hand
                && let Some((index, _)) = mister
            {
                let late_ms = between(&mut self.rng, 50.0, 900.0) as i64;
                let device = &mut self.devices[index];
                log.state(device.source, at_ms + late_ms, true);
                log.state(device.source, end_ms + late_ms, false);
                device.said = Some(false);
            }
            let before_pct = self.mean_humidity_pct();
            self.watched = Some(Watched {
                w_g_m3: self.state.w_g_m3,
                until_ms: at_ms + RISE_MS,
                truth: RunTruth {
                    enclosure: self.spec.id.clone(),
                    device: mister
                        .filter(|_| !planned.by_hand)
                        .map(|(i, _)| self.spec.devices[i].id.clone()),
                    at: At(planned.at_ms),
                    duration_s: planned.duration_s,
                    by_hand: planned.by_hand,
                    ran,
                    yield_frac,
                    rise_g_m3: 0.0,
                    rise_pct: 0.0,
                    before_pct,
                    saturated: false,
                    half_life_min: 0.0,
                },
            });
        }
    }

    fn mean_humidity_pct(&self) -> f64 {
        humidity_pct(
            self.state.w_g_m3,
            0.5 * (self.state.t_warm_c + self.state.t_cool_c),
        )
        .min(100.0)
    }

    fn watch(&mut self, at_ms: i64, d: &Disturbance) {
        let rh_pct = self.mean_humidity_pct();
        let ventilation_ratio = self.ventilation_ratio(at_ms, d);
        let moisture = &self.spec.moisture;
        let Some(watched) = &mut self.watched else { return };
        let truth = &mut watched.truth;
        truth.rise_g_m3 = truth.rise_g_m3.max(self.state.w_g_m3 - watched.w_g_m3);
        truth.rise_pct = truth.rise_pct.max(rh_pct - truth.before_pct);
        truth.saturated |= rh_pct >= 99.0;
        let per_s = moisture.ventilation_per_s * ventilation_ratio + moisture.substrate_per_s;
        truth.half_life_min = std::f64::consts::LN_2 / per_s / 60.0;
        if at_ms + STEP_MS >= watched.until_ms {
            self.close_watch();
        }
    }

    fn close_watch(&mut self) {
        if let Some(watched) = self.watched.take()
            && watched.truth.at.0 >= self.span.from_ms
        {
            self.runs.push(watched.truth);
        }
    }

    /// What acts in this step; devices say what they do.
    fn drive(
        &mut self,
        at_ms: i64,
        today: usize,
        lit: bool,
        around: Air,
        d: &Disturbance,
        log: &mut Log,
    ) -> Drive {
        let mut drive = Drive {
            room: around,
            heater_frac: 0.0,
            lamp_frac: 0.0,
            sun_k_per_s: d.sun_k_per_s,
            air_g_m3_s: 0.0,
            store_g_m3_s: 0.0,
            ventilation_ratio: self.ventilation_ratio(at_ms, d),
            day: lit,
        };
        if let Some((water, end_ms)) = self.misting {
            let share = ((end_ms - at_ms) as f64 / STEP_MS as f64).clamp(0.0, 1.0);
            drive.air_g_m3_s += water.air_g_m3_s * share;
            drive.store_g_m3_s += water.store_g_m3_s * share;
            if end_ms <= at_ms {
                self.misting = None;
            }
        }
        for index in 0..self.devices.len() {
            let indicated = self.devices[index]
                .controller
                .map(|probe| self.probes[probe].1.indicated(at_ms));
            let device = &mut self.devices[index];
            let says = match (&self.spec.devices[index].kind, indicated) {
                (DeviceKind::Mister { .. }, _) => false,
                (DeviceKind::Heater { .. }, Some(seen)) => {
                    device.asked = two_point(
                        device.asked,
                        seen.t_c,
                        device.set + d.thermostat_k,
                        device.hysteresis,
                    );
                    let on = (device.asked || d.heater_forced) && !d.heater_unplugged;
                    drive.heater_frac = f64::from(u8::from(on && !d.heater_dead && !d.no_mains));
                    on
                }
                (DeviceKind::Fogger { water, .. }, Some(seen)) => {
                    device.asked = two_point(
                        device.asked,
                        seen.rh_pct,
                        device.set + d.humidistat_pct,
                        device.hysteresis,
                    );
                    let on = f64::from(u8::from(device.asked && !d.no_mains));
                    drive.air_g_m3_s += water.air_g_m3_s * on;
                    drive.store_g_m3_s += water.store_g_m3_s * on;
                    device.asked
                }
                (DeviceKind::Lamp, _) => {
                    let within = |day: &Day| {
                        (day.light_from_ms + d.light_start_ms..day.light_until_ms + d.light_end_ms)
                            .contains(&at_ms)
                    };
                    let near = &self.calendar[today.saturating_sub(1)..(today + 2).min(self.calendar.len())];
                    let on = d.lamp_forced || near.iter().any(within);
                    drive.lamp_frac = f64::from(u8::from(on && !d.lamp_dead && !d.no_mains));
                    on
                }
                // A controlled device whose probe does not exist stays off.
                (DeviceKind::Heater { .. } | DeviceKind::Fogger { .. }, None) => false,
            };
            if d.no_mains || at_ms < self.span.from_ms {
                continue;
            }
            let repeat = at_ms >= device.next_repeat_ms;
            if repeat {
                device.next_repeat_ms += REPEAT_MS;
            }
            // A running pump has said so itself; a repeat in that moment would deny it.
            let running =
                self.misting.is_some() && matches!(self.spec.devices[index].kind, DeviceKind::Mister { .. });
            if (device.said != Some(says) || repeat) && !running {
                device.said = Some(says);
                log.state(
                    device.source,
                    at_ms + between(&mut self.rng, 0.0, 900.0) as i64,
                    says,
                );
            }
        }
        drive
    }
}

/// All mistings, latest first so that the next one is popped from the end.
fn plan(
    zone: Tz,
    spec: &EnclosureSpec,
    calendar: &[Day],
    faults: &[&FaultSpec],
    events: &[&EventSpec],
    rng: &mut StdRng,
) -> Vec<Planned> {
    let mut out = Vec::new();
    let scheduled = spec.devices.iter().find_map(|d| match &d.kind {
        DeviceKind::Mister { runs, .. } => Some(runs),
        _ => None,
    });
    let changes: Vec<(i64, &Vec<MistRun>)> = events
        .iter()
        .filter_map(|e| match &e.change {
            Change::ScheduleChanged { runs } => Some((e.at_ms, runs)),
            _ => None,
        })
        .collect();
    let mut versions: Vec<(i64, &Vec<MistRun>)> =
        scheduled.map(|runs| (i64::MIN, runs)).into_iter().collect();
    versions.extend(changes);
    for day in calendar {
        for (index, &(from_ms, runs)) in versions.iter().enumerate() {
            let until_ms = versions.get(index + 1).map_or(i64::MAX, |v| v.0);
            for run in runs {
                let at_ms = instant_ms(zone, day.date, run.local_min);
                if !(from_ms..until_ms).contains(&at_ms) {
                    continue;
                }
                let draw: f64 = rng.random();
                let missed = faults
                    .iter()
                    .filter(|f| f.holds(at_ms))
                    .any(|f| matches!(f.effect, Effect::RunsMissed { frac } if draw < frac));
                let spread = (RUN_SPREAD_FRAC * normal(rng)).exp();
                out.push(Planned {
                    at_ms,
                    duration_s: f64::from(run.duration_s),
                    by_hand: false,
                    missed,
                    spread,
                });
            }
        }
    }
    for event in events {
        if let Change::MistedByHand { seconds } = event.change {
            let duration_s = f64::from(seconds);
            out.push(Planned {
                at_ms: event.at_ms,
                duration_s,
                by_hand: true,
                missed: false,
                spread: 1.0,
            });
        }
    }
    out.sort_by_key(|p| std::cmp::Reverse(p.at_ms));
    out
}

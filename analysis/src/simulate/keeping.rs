//! One enclosure through time: its controllers, devices, air and sensors, step by step.

use mosswarden_config::table::ROOM;
use rand::rngs::StdRng;

use super::calendar::{Day, MS_PER_H, days, offset_ms};
use super::device::{DeviceKind, WaterYield, two_point};
use super::disturbance::{Disturbance, disturbance};
use super::enclosure::{Drive, EnclosureSpec, State};
use super::fault::{Change, EventSpec, FaultSpec};
use super::misting::{Planned, Watched, mister_of, plan};
use super::output::Voice;
use super::probe::{Local, Probe};
use super::room::{Air, ROOM_STEP_MS, local_hour};
use super::run::{Errors, Log, STEP_MS, STEP_S, Span};
use super::sensor::{Role, SensorSpec};
use super::stream::between;
use super::tally::{Moment, Tally};
use super::truth::{At, DayTruth, RunTruth, SensorDay};
use super::vapour::humidity_pct;

/// States are repeated this often.
const REPEAT_MS: i64 = MS_PER_H;
/// A rise is looked for this long after a misting begins.
const RISE_MS: i64 = 20 * 60_000;
/// A hand sprayer against a pump of the usual yield, per second, g/m³.
const HAND_WATER: WaterYield = WaterYield {
    air_g_m3_s: 0.04,
    store_g_m3_s: 0.12,
};
/// An open door exchanges this many times the usual air.
const DOOR_OPEN_RATIO: f64 = 20.0;

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

pub(super) struct EnclosureRun<'a> {
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
    pub(super) fn new(
        span: &'a Span<'a>,
        spec: &'a EnclosureSpec,
        air: &'a [Air],
        log: &mut Log,
    ) -> EnclosureRun<'a> {
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

    pub(super) fn run(mut self, log: &mut Log) -> (Vec<DayTruth>, Vec<RunTruth>, Vec<SensorDay>) {
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
                let local = Local::inside(&self.state, &probe.position_at(at_ms), drive.lamp_frac, lit);
                probe.follow(local, around, drive.lamp_frac, at_ms, STEP_S as f64);
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
                    drive.lamp_frac = if on && !d.lamp_dead && !d.no_mains {
                        d.lamp_ratio
                    } else {
                        0.0
                    };
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

//! Random sites with random faults and confounders, for measuring how often findings are right.

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use rand::Rng;
use rand::rngs::StdRng;
use rand::seq::IndexedRandom;

use super::device::{DeviceKind, MistRun};
use super::enclosure::EnclosureSpec;
use super::fault::{Change, Effect};
use super::planted::{Furnishing, enclosure, kinds};
use super::run::SiteSpec;
use super::scenario::bare;
use super::sensor::Position;
use super::stream::{between, stream};

const DAYS: u64 = 70;
const INTERVAL_S: f64 = 300.0;
/// No fault before this day, so that there is something to learn from, and none begins in the last week.
const FIRST_FAULT_DAY: u64 = 15;
const LAST_FAULT_DAY: u64 = 62;
/// Clocks of [`rated`] sites: minutes, hours of a zone, a day.
const CLOCKS_OFF_S: [f64; 8] = [
    -3600.0, 3600.0, -1200.0, 900.0, -86_400.0, 86_400.0, 25_200.0, -18_000.0,
];
const HEALTHY_SITE_FRAC: f64 = 0.25;
const HEALTHY_ENCLOSURE_FRAC: f64 = 0.35;
const ZONES: [Tz; 6] = [
    Tz::Europe__Lisbon,
    Tz::Europe__Berlin,
    Tz::America__New_York,
    Tz::Australia__Sydney,
    Tz::Pacific__Auckland,
    Tz::America__Sao_Paulo,
];

/// A random site of four or five enclosures over ten weeks at five minutes.
pub fn holdout(seed: u64) -> SiteSpec {
    let (mut site, mut rng) = furnished(seed);
    if rng.random_bool(HEALTHY_SITE_FRAC) {
        return site;
    }
    let specs = site.enclosures.clone();
    for spec in &specs {
        if rng.random_bool(HEALTHY_ENCLOSURE_FRAC) {
            continue;
        }
        if rng.random_bool(0.65) {
            sensor_fault(&mut site, spec, &mut rng);
        }
        if rng.random_bool(0.6) {
            device_fault(&mut site, spec, &mut rng);
        }
    }
    room_faults(&mut site, &specs, &mut rng);
    site
}

/// The same rooms with a sensor's fault of a stated size in every enclosure, for rates and delays by size.
pub fn rated(seed: u64) -> SiteSpec {
    let (mut site, _) = furnished(seed);
    let mut rng = stream(seed, "rated");
    let specs = site.enclosures.clone();
    for spec in &specs {
        rated_fault(&mut site, spec, &mut rng);
    }
    site
}

/// The same rooms with a probe that sits badly in every enclosure that has two: water stays on it, it became slow, or the lamp shines on it.
pub fn sitting(seed: u64) -> SiteSpec {
    let (mut site, _) = furnished(seed);
    let mut rng = stream(seed, "sitting");
    let specs = site.enclosures.clone();
    for spec in specs.iter().filter(|spec| spec.sensors.len() > 1) {
        let Some(sensor) = spec.sensors.choose(&mut rng) else {
            continue;
        };
        let effect = match rng.random_range(0..3) {
            0 => Effect::WetElement {
                holds_h: between(&mut rng, 1.5, 5.0),
            },
            1 => Effect::SlowResponse {
                lag_min: between(&mut rng, 15.0, 45.0),
            },
            _ => Effect::LampOnProbe {
                k: between(&mut rng, 2.5, 6.0),
            },
        };
        let from_ms = site.at(rng.random_range(FIRST_FAULT_DAY..40), rng.random_range(0..1440));
        site.events.retain(|e| e.subject != sensor.id);
        site.add_fault(&spec.id, &sensor.id, effect, from_ms, None);
    }
    site
}

/// Rooms, enclosures and what keepers do there, without faults.
fn furnished(seed: u64) -> (SiteSpec, StdRng) {
    let mut rng = stream(seed, "holdout");
    let zone = *ZONES.choose(&mut rng).unwrap_or(&Tz::Europe__Lisbon);
    let base = NaiveDate::from_ymd_opt(2025, 3, 1).expect("1 March 2025 exists");
    let until = base
        .checked_add_days(Days::new(rng.random_range(0..365)))
        .unwrap_or(base);
    let mut site = bare(
        &format!("Nature room {seed}"),
        zone,
        seed,
        until,
        DAYS,
        INTERVAL_S,
    );
    draw_room(&mut site, &mut rng);
    let mut all: Vec<usize> = (0..kinds().len()).collect();
    let count = rng.random_range(4..=5);
    for number in 0..count {
        let pick = all.remove(rng.random_range(0..all.len()));
        let kind = &kinds()[pick];
        let id = format!("{}-{}", kind.short, number + 1);
        let with = Furnishing {
            reference: rng.random_bool(0.85),
            third: rng.random_bool(0.4),
            fogger: rng.random_bool(0.5),
            mister: rng.random_bool(0.9),
            interval_s: INTERVAL_S,
            today: site.from,
        };
        site.enclosures
            .push(enclosure(kind, &id, kind.species, "nature-room", with, &mut rng));
    }
    let specs = site.enclosures.clone();
    for spec in &specs {
        confounders(&mut site, spec, &mut rng);
    }
    (site, rng)
}

pub(super) fn draw_room(site: &mut SiteSpec, rng: &mut StdRng) {
    let south = matches!(
        site.zone,
        Tz::Australia__Sydney | Tz::Pacific__Auckland | Tz::America__Sao_Paulo
    );
    let room = &mut site.room;
    room.outdoor_mean_c = between(rng, 9.0, 18.0);
    room.outdoor_season_k = between(rng, 5.0, 11.0);
    room.warmest_day = if south { 30.0 } else { 208.0 };
    room.follow_frac = between(rng, 0.05, 0.2);
    room.heated_to_c = between(rng, 19.2, 20.0);
    room.cooled_to_c = between(rng, 21.2, 22.2);
    room.daily_swing_k = between(rng, 0.4, 1.0);
    room.noise_sd_k = between(rng, 0.1, 0.3);
    room.moisture_g_m3 = (between(rng, 6.0, 7.5), between(rng, 10.0, 12.0));
}

fn some_day(site: &SiteSpec, rng: &mut StdRng) -> i64 {
    let (day, local_min) = (
        rng.random_range(FIRST_FAULT_DAY..LAST_FAULT_DAY),
        rng.random_range(0..1440),
    );
    site.at(day, local_min)
}

fn sign(rng: &mut StdRng) -> f64 {
    if rng.random_bool(0.5) { 1.0 } else { -1.0 }
}

pub(super) fn confounders(site: &mut SiteSpec, spec: &EnclosureSpec, rng: &mut StdRng) {
    let id = &spec.id;
    for week in 0..DAYS / 7 {
        if rng.random_bool(0.3) {
            let at_ms = site.at(week * 7 + rng.random_range(0..7), rng.random_range(600..1140));
            site.add_event(
                id,
                "",
                Change::Cleaned {
                    minutes: between(rng, 5.0, 20.0),
                },
                at_ms,
            );
        }
        if rng.random_bool(0.15) {
            let at_ms = site.at(week * 7 + rng.random_range(0..7), rng.random_range(600..1140));
            site.add_event(
                id,
                "",
                Change::MistedByHand {
                    seconds: rng.random_range(15..45),
                },
                at_ms,
            );
        }
    }
    let some_sensor = spec.sensors.choose(rng);
    if let Some(sensor) = some_sensor {
        let at_ms = site.at(rng.random_range(10..65), rng.random_range(600..1140));
        let to = Position {
            warm_frac: between(rng, 0.1, 0.9),
            offset_k: between(rng, -0.4, 0.4),
            lamp_k: between(rng, 0.0, 0.4),
            wet_frac: between(rng, 0.0, 0.15),
        };
        match rng.random_range(0..8) {
            0 | 1 => site.add_event(id, &sensor.id, Change::SensorMoved { to }, at_ms),
            2 => site.add_event(id, &sensor.id, Change::SensorReplaced, at_ms),
            3 | 4 => {
                let gap_min = between(rng, 10.0, 90.0);
                site.add_event(id, &sensor.id, Change::BatteryChanged { gap_min }, at_ms);
            }
            _ => {}
        }
    }
    if rng.random_bool(0.2) {
        let at_ms = site.at(rng.random_range(10..65), rng.random_range(600..1140));
        site.add_event(
            id,
            "",
            Change::Pruned {
                ratio: between(rng, 1.05, 1.2),
            },
            at_ms,
        );
    }
    let mister = spec.devices.iter().find_map(|d| match &d.kind {
        DeviceKind::Mister { runs, .. } => Some((d.id.clone(), runs.clone())),
        _ => None,
    });
    if let Some((mister, runs)) = mister
        && rng.random_bool(0.2)
    {
        let shift = rng.random_range(10..50);
        let runs = runs
            .iter()
            .map(|r| MistRun {
                local_min: r.local_min + shift,
                duration_s: r.duration_s + 10,
            })
            .collect();
        let at_ms = site.at(rng.random_range(10..65), 60);
        site.add_event(id, &mister, Change::ScheduleChanged { runs }, at_ms);
    }
}

fn sensor_fault(site: &mut SiteSpec, spec: &EnclosureSpec, rng: &mut StdRng) {
    let Some(sensor) = spec.sensors.choose(rng) else {
        return;
    };
    // A device renewed or moved in the same weeks would blur what the fault is.
    site.events.retain(|e| e.subject != sensor.id);
    let from_ms = some_day(site, rng);
    let hours = |h: f64| Some(from_ms + (h * 3_600_000.0) as i64);
    let (effect, until_ms) = match rng.random_range(0..14) {
        0..=3 => (
            Effect::HumidityDrift {
                pct_per_30d: sign(rng) * between(rng, 2.0, 12.0),
            },
            None,
        ),
        4 | 5 => (
            Effect::HumidityStep {
                pct: sign(rng) * between(rng, 3.0, 12.0),
            },
            None,
        ),
        6 => (
            Effect::GainLoss {
                lost_frac: between(rng, 0.1, 0.35),
                over_d: between(rng, 10.0, 40.0),
            },
            None,
        ),
        7 => (
            Effect::Stuck {
                temperature_too: rng.random_bool(0.3),
            },
            hours(between(rng, 24.0, 240.0)),
        ),
        8 => (Effect::Pinned, hours(between(rng, 24.0, 240.0))),
        9..=11 => match rng.random_range(0..3) {
            0 => (Effect::Silent, hours(between(rng, 12.0, 120.0))),
            1 => (
                Effect::FadingBattery {
                    half_d: between(rng, 2.0, 8.0),
                },
                None,
            ),
            _ => (
                Effect::Spikes {
                    per_day: between(rng, 3.0, 20.0),
                },
                hours(between(rng, 72.0, 400.0)),
            ),
        },
        12 => {
            let effect = if rng.random_bool(0.4) {
                Effect::ClockReset
            } else {
                Effect::ClockOffset {
                    s: [-3600.0, 3600.0, -1200.0, 900.0, -86_400.0][rng.random_range(0..5)],
                }
            };
            let clocked = spec.sensors.iter().find(|s| s.wire.has_clock()).unwrap_or(sensor);
            site.add_fault(
                &spec.id,
                &clocked.id,
                effect,
                from_ms,
                hours(between(rng, 48.0, 400.0)),
            );
            return;
        }
        _ => {
            let k = sign(rng) * between(rng, 1.0, 3.0);
            if rng.random_bool(0.5) {
                (Effect::TemperatureBias { k }, None)
            } else {
                let toward_room_frac = between(rng, 0.4, 0.9);
                (
                    Effect::Dislodged { toward_room_frac },
                    hours(between(rng, 48.0, 300.0)),
                )
            }
        }
    };
    site.add_fault(&spec.id, &sensor.id, effect, from_ms, until_ms);
}

fn rated_fault(site: &mut SiteSpec, spec: &EnclosureSpec, rng: &mut StdRng) {
    let Some(sensor) = spec.sensors.choose(rng) else {
        return;
    };
    let clocked = spec.sensors.iter().find(|s| s.wire.has_clock()).unwrap_or(sensor);
    // What is rated over four weeks begins early enough for them.
    let from_ms = site.at(rng.random_range(FIRST_FAULT_DAY..40), rng.random_range(0..1440));
    let hours = |h: f64| Some(from_ms + (h * 3_600_000.0) as i64);
    let drift = |rng: &mut StdRng, rate: f64| {
        let pct_per_30d = sign(rng) * rate;
        (sensor, Effect::HumidityDrift { pct_per_30d }, None)
    };
    let (subject, effect, until_ms) = match rng.random_range(0..18) {
        0 | 1 => drift(rng, 2.0),
        2..=4 => drift(rng, 4.0),
        5 | 6 => drift(rng, 8.0),
        7..=9 => (sensor, Effect::HumidityStep { pct: 5.0 * sign(rng) }, None),
        10 => (sensor, Effect::Pinned, hours(between(rng, 24.0, 240.0))),
        11 => {
            let temperature_too = rng.random_bool(0.3);
            (
                sensor,
                Effect::Stuck { temperature_too },
                hours(between(rng, 24.0, 240.0)),
            )
        }
        12 => (sensor, Effect::Silent, hours(between(rng, 12.0, 120.0))),
        13 => (clocked, Effect::ClockReset, hours(between(rng, 48.0, 400.0))),
        14 | 15 => {
            let s = CLOCKS_OFF_S[rng.random_range(0..CLOCKS_OFF_S.len())];
            (
                clocked,
                Effect::ClockOffset { s },
                hours(between(rng, 48.0, 400.0)),
            )
        }
        16 => {
            let k = sign(rng) * between(rng, 1.0, 3.0);
            (sensor, Effect::TemperatureBias { k }, None)
        }
        _ => {
            let half_d = between(rng, 2.0, 8.0);
            (sensor, Effect::FadingBattery { half_d }, None)
        }
    };
    site.events.retain(|e| e.subject != subject.id);
    site.add_fault(&spec.id, &subject.id, effect, from_ms, until_ms);
}

fn device_fault(site: &mut SiteSpec, spec: &EnclosureSpec, rng: &mut StdRng) {
    let id = &spec.id;
    let part = |leaf: &str| format!("{id}-{leaf}");
    let day = rng.random_range(FIRST_FAULT_DAY..LAST_FAULT_DAY);
    let (morning, next) = (site.at(day, rng.random_range(480..780)), site.at(day + 1, 480));
    let dusk = site.at(day, spec.light.1 - 30);
    let later = |h: f64| Some(morning + (h * 3_600_000.0) as i64);
    let has_mister = spec
        .devices
        .iter()
        .any(|d| matches!(d.kind, DeviceKind::Mister { .. }));
    match rng.random_range(0..18) {
        0 | 1 => site.add_fault(
            id,
            &part("heater"),
            Effect::HeaterStuckOn,
            morning,
            later(between(rng, 5.0, 20.0)),
        ),
        2 => {
            // A heater that fails shows where the room is cold enough to need it.
            let nights = rng.random_range(1..4);
            let dawn = site.at(day + nights, spec.light.0);
            site.add_fault(id, &part("heater"), Effect::HeaterFailed, dusk, Some(dawn));
            site.add_fault(
                id,
                id,
                Effect::NightAmbient {
                    k: -between(rng, 3.0, 5.0),
                },
                dusk,
                Some(dawn),
            );
        }
        3 => {
            let dawn = site.at(day + rng.random_range(1..3), spec.light.0);
            let k = if rng.random_bool(0.5) {
                between(rng, 3.5, 6.0)
            } else {
                -between(rng, 3.5, 6.0)
            };
            if k < 0.0 {
                site.add_fault(id, &part("heater"), Effect::HeaterUnplugged, dusk, Some(dawn));
            }
            site.add_fault(id, id, Effect::NightAmbient { k }, dusk, Some(dawn));
        }
        4 => {
            let k = if rng.random_bool(0.6) {
                between(rng, 3.0, 8.0)
            } else {
                -between(rng, 2.0, 4.0)
            };
            site.add_fault(
                id,
                &part("heater"),
                Effect::ThermostatSetWrong { k },
                morning,
                later(between(rng, 30.0, 120.0)),
            );
        }
        5 => site.add_fault(id, &part("lamp"), Effect::LampLeftOn, dusk, Some(next)),
        6 => {
            let (start_h, end_h) = (between(rng, -1.5, 1.5), between(rng, -2.0, 4.0));
            site.add_fault(
                id,
                &part("lamp"),
                Effect::LightHoursWrong { start_h, end_h },
                site.at(day, 180),
                later(170.0),
            );
        }
        7 => {
            let from_h = between(rng, 8.0, 14.0);
            let sun = Effect::Sun {
                peak_k_per_h: between(rng, 8.0, 18.0),
                from_h,
                until_h: from_h + between(rng, 1.5, 3.5),
            };
            site.add_fault(id, id, sun, site.at(day, 60), later(between(rng, 12.0, 80.0)));
        }
        8..=10 if has_mister => {
            let effect = Effect::NozzleClog {
                lost_frac: between(rng, 0.3, 0.85),
                over_d: between(rng, 5.0, 25.0),
            };
            site.add_fault(id, &part("mister"), effect, morning, None);
        }
        11 if has_mister => {
            let refilled = site.at(day + rng.random_range(1..5), 1080);
            site.add_fault(
                id,
                &part("mister"),
                Effect::ReservoirEmpty,
                morning,
                Some(refilled),
            );
            site.add_event(id, &part("mister"), Change::Refilled, refilled);
        }
        12..=14 if has_mister => {
            let effect = if rng.random_bool(0.6) {
                Effect::RunsMissed {
                    frac: between(rng, 0.3, 1.0),
                }
            } else {
                Effect::PumpDead
            };
            site.add_fault(
                id,
                &part("mister"),
                effect,
                morning,
                later(between(rng, 48.0, 240.0)),
            );
        }
        15 => {
            let effect = Effect::LampTooStrong {
                ratio: between(rng, 1.8, 3.2),
            };
            site.add_fault(
                id,
                &part("lamp"),
                effect,
                morning,
                later(between(rng, 24.0, 100.0)),
            );
        }
        _ => {
            let effect = if rng.random_bool(0.5) {
                Effect::VentBlocked {
                    ratio: between(rng, 0.25, 0.5),
                }
            } else {
                Effect::DoorAjar {
                    ratio: between(rng, 2.5, 6.0),
                }
            };
            site.add_fault(id, id, effect, morning, later(between(rng, 12.0, 240.0)));
        }
    }
}

fn room_faults(site: &mut SiteSpec, specs: &[EnclosureSpec], rng: &mut StdRng) {
    if rng.random_bool(0.45) {
        let day = rng.random_range(FIRST_FAULT_DAY..LAST_FAULT_DAY);
        let until_ms = site.at(day + rng.random_range(0..4), 1290);
        let from_ms = site.at(day, 540);
        site.add_fault(
            "room",
            "room",
            Effect::RoomHeat {
                peak_k: between(rng, 3.0, 9.0),
            },
            from_ms,
            Some(until_ms),
        );
    }
    if rng.random_bool(0.15) {
        let from_ms = some_day(site, rng);
        let until_ms = from_ms + (between(rng, 0.5, 10.0) * 3_600_000.0) as i64;
        site.add_fault("room", "room", Effect::PowerCut, from_ms, Some(until_ms));
    }
    // One reservoir for all pumps.
    if rng.random_bool(0.15) {
        let day = rng.random_range(FIRST_FAULT_DAY..LAST_FAULT_DAY);
        let (from_ms, until_ms) = (site.at(day, 300), site.at(day + rng.random_range(1..4), 1080));
        for spec in specs {
            let mister = format!("{}-mister", spec.id);
            if spec.devices.iter().any(|d| d.id == mister) {
                site.add_fault(&spec.id, &mister, Effect::ReservoirEmpty, from_ms, Some(until_ms));
                site.add_event(&spec.id, &mister, Change::Refilled, until_ms);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hold_out_sites_vary_and_name_what_exists() {
        let mut faulty = 0;
        for seed in 0..40 {
            let site = holdout(seed);
            faulty += usize::from(!site.faults.is_empty());
            assert!((4..=5).contains(&site.enclosures.len()));
            for fault in site.faults.iter().filter(|f| f.enclosure != "room") {
                let spec = site
                    .enclosures
                    .iter()
                    .find(|e| e.id == fault.enclosure)
                    .expect("the enclosure exists");
                let named = fault.subject == spec.id
                    || spec.sensors.iter().any(|s| s.id == fault.subject)
                    || spec.devices.iter().any(|d| d.id == fault.subject);
                assert!(named, "seed {seed}: {}", fault.subject);
            }
            let controlled = site.enclosures.iter().flat_map(|e| &e.devices);
            assert!(
                controlled
                    .filter(|d| matches!(d.kind, DeviceKind::Heater { .. }))
                    .count()
                    >= 4
            );
        }
        assert!((20..=38).contains(&faulty), "{faulty}");
    }
}

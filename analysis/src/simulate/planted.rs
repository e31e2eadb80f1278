//! Planted enclosures to choose from: a kind of animal's wants, and glass, plants and devices that meet them.
//!
//! Limits are near husbandry convention (common practice, no source) and wide enough that a healthy enclosure in a room of
//! 19 to 22 °C stays inside them. They judge simulated air only; they are no advice for an animal.

use chrono::NaiveDate;
use rand::Rng;
use rand::rngs::StdRng;

use super::calendar::LocalMin;
use super::device::{DeviceKind, DeviceSpec, MistRun, StateWire, WaterYield};
use super::enclosure::{EnclosureSpec, Limits, Moisture, Thermal};
use super::sensor::{Position, Role, Sampling, SensorSpec, TimeForm, Traits, Wire};
use super::stream::between;
use super::vapour::saturation_g_m3;

/// The room for which the moisture source is sized: 20.5 °C with this vapour density.
const DESIGN_ROOM_C: f64 = 20.5;
const DESIGN_ROOM_G_M3: f64 = 8.8;

/// What a kind of animal is kept at.
#[derive(Debug, Clone)]
pub struct Kind {
    pub species: &'static str,
    pub short: &'static str,
    pub light: (LocalMin, LocalMin),
    pub limits: Limits,
    /// Rise of the warm zone by the lamp; set-point and rise of the heater.
    pub lamp_rise_k: f64,
    pub heater_set_c: f64,
    pub heater_rise_k: f64,
    /// Humidity by day that substrate and plants hold without misting, %RH.
    pub still_pct: f64,
    pub runs: &'static [(LocalMin, u32)],
    /// The humidistat's set-point where there is a fogger.
    pub fogger_set_pct: f64,
}

fn limits(
    day_c: (f64, f64),
    night_c: (f64, f64),
    min_c: f64,
    max_c: f64,
    humidity_pct: (f64, f64),
) -> Limits {
    Limits {
        day_c,
        night_c,
        min_c,
        max_c,
        humidity_pct,
    }
}

/// All kinds.
pub fn kinds() -> [Kind; 6] {
    [
        Kind {
            species: "mossy-frog",
            short: "mossy",
            light: (480, 1200),
            limits: limits((18.0, 25.5), (15.5, 22.5), 10.0, 28.0, (65.0, 99.0)),
            lamp_rise_k: 3.2,
            heater_set_c: 19.0,
            heater_rise_k: 7.0,
            still_pct: 74.0,
            runs: &[(450, 40), (1170, 50)],
            fogger_set_pct: 85.0,
        },
        Kind {
            species: "dyeing-poison-frog",
            short: "dart",
            light: (450, 1170),
            limits: limits((21.0, 27.5), (18.0, 23.5), 16.0, 28.5, (60.0, 99.0)),
            lamp_rise_k: 4.5,
            heater_set_c: 21.3,
            heater_rise_k: 8.0,
            still_pct: 75.0,
            runs: &[(480, 45), (750, 40), (1080, 45)],
            fogger_set_pct: 84.0,
        },
        Kind {
            species: "crested-gecko",
            short: "crested",
            light: (480, 1200),
            limits: limits((19.5, 26.5), (17.5, 22.5), 13.0, 29.0, (46.0, 99.0)),
            lamp_rise_k: 3.2,
            heater_set_c: 19.5,
            heater_rise_k: 8.0,
            still_pct: 60.0,
            runs: &[(510, 25), (1215, 35)],
            fogger_set_pct: 70.0,
        },
        Kind {
            species: "mourning-gecko",
            short: "mourning",
            light: (480, 1200),
            limits: limits((21.5, 29.0), (18.0, 23.5), 16.0, 32.0, (45.0, 96.0)),
            lamp_rise_k: 5.0,
            heater_set_c: 21.8,
            heater_rise_k: 8.0,
            still_pct: 60.0,
            runs: &[(495, 45), (1140, 45)],
            fogger_set_pct: 70.0,
        },
        Kind {
            species: "oriental-fire-bellied-toad",
            short: "toad",
            light: (510, 1200),
            limits: limits((18.0, 25.5), (15.0, 22.5), 8.0, 28.0, (50.0, 98.0)),
            lamp_rise_k: 2.6,
            heater_set_c: 17.5,
            heater_rise_k: 6.0,
            still_pct: 68.0,
            runs: &[(540, 25), (1110, 25)],
            fogger_set_pct: 75.0,
        },
        Kind {
            species: "giant-day-gecko",
            short: "day",
            light: (450, 1200),
            limits: limits((22.0, 30.0), (18.0, 24.0), 16.0, 33.0, (42.0, 95.0)),
            lamp_rise_k: 5.5,
            heater_set_c: 21.5,
            heater_rise_k: 8.0,
            still_pct: 56.0,
            runs: &[(480, 50), (1080, 45)],
            fogger_set_pct: 65.0,
        },
    ]
}

/// The kind with that short name.
pub fn kind(short: &str) -> Kind {
    kinds().into_iter().find(|k| k.short == short).unwrap_or_else(|| {
        let [first, ..] = kinds();
        first
    })
}

/// What stands in an enclosure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Furnishing {
    pub reference: bool,
    pub third: bool,
    pub fogger: bool,
    pub mister: bool,
    pub interval_s: f64,
    pub today: NaiveDate,
}

/// A planted enclosure of that kind, with constants drawn around the kind's own.
pub fn enclosure(
    kind: &Kind,
    id: &str,
    label: &str,
    root: &str,
    with: Furnishing,
    rng: &mut StdRng,
) -> EnclosureSpec {
    let thermal = thermal(kind, rng);
    let moisture = moisture(kind, &thermal, rng);
    let topic = |leaf: &str| format!("{root}/{id}/{leaf}");
    let controller = format!("{id}-stat");
    let mut devices = Vec::new();
    if with.mister {
        let water = WaterYield {
            air_g_m3_s: between(rng, 0.025, 0.045),
            store_g_m3_s: between(rng, 0.05, 0.10),
        };
        let runs = kind
            .runs
            .iter()
            .map(|&(local_min, duration_s)| MistRun {
                local_min,
                duration_s,
            })
            .collect();
        devices.push(DeviceSpec {
            id: format!("{id}-mister"),
            kind: DeviceKind::Mister { runs, water },
            wire: StateWire::OnOff,
            topic: topic("mister"),
        });
    }
    if with.fogger {
        let water = WaterYield {
            air_g_m3_s: between(rng, 0.006, 0.010),
            store_g_m3_s: between(rng, 0.0003, 0.001),
        };
        devices.push(DeviceSpec {
            id: format!("{id}-fogger"),
            kind: DeviceKind::Fogger {
                controller: controller.clone(),
                set_pct: kind.fogger_set_pct,
                hysteresis_pct: 5.0,
                water,
            },
            wire: StateWire::Json,
            topic: topic("fogger"),
        });
    }
    devices.push(DeviceSpec {
        id: format!("{id}-heater"),
        kind: DeviceKind::Heater {
            controller,
            set_c: kind.heater_set_c,
            hysteresis_k: 1.0,
        },
        wire: if rng.random_bool(0.5) {
            StateWire::OneZero
        } else {
            StateWire::OnOff
        },
        topic: topic("heater"),
    });
    devices.push(DeviceSpec {
        id: format!("{id}-lamp"),
        kind: DeviceKind::Lamp,
        wire: StateWire::OnOff,
        topic: topic("lamp"),
    });
    EnclosureSpec {
        id: id.to_owned(),
        label: label.to_owned(),
        species: kind.species.to_owned(),
        animals: rng.random_range(1..=4),
        light: kind.light,
        limits: kind.limits.clone(),
        thermal,
        moisture,
        sensors: sensors(id, root, with, rng),
        devices,
    }
}

fn thermal(kind: &Kind, rng: &mut StdRng) -> Thermal {
    let mut thermal = Thermal {
        room_per_s: 1.0 / (3600.0 * between(rng, 1.1, 2.2)),
        mix_per_s: 1.0 / between(rng, 1500.0, 3600.0),
        to_substrate_per_s: 1.0 / between(rng, 5400.0, 10_800.0),
        substrate_per_s: 1.0 / between(rng, 10_800.0, 28_800.0),
        heater_k_per_s: 0.0,
        heater_cool_frac: between(rng, 0.5, 0.8),
        lamp_k_per_s: 0.0,
        lamp_cool_frac: between(rng, 0.3, 0.6),
        evaporation_k_m3_per_g: between(rng, 0.05, 0.15),
    };
    let heater_rise_k = kind.heater_rise_k * between(rng, 0.9, 1.15);
    let lamp_rise_k = kind.lamp_rise_k * between(rng, 0.92, 1.08);
    thermal.heater_k_per_s = thermal.source_for_k_per_s(heater_rise_k, thermal.heater_cool_frac);
    thermal.lamp_k_per_s = thermal.source_for_k_per_s(lamp_rise_k, thermal.lamp_cool_frac);
    thermal
}

/// Moisture that holds the kind's still humidity by day in the design room.
fn moisture(kind: &Kind, thermal: &Thermal, rng: &mut StdRng) -> Moisture {
    let ventilation_per_s = std::f64::consts::LN_2 / (60.0 * between(rng, 40.0, 90.0));
    let (warm_k, cool_k) = thermal.steady_rise_k(thermal.lamp_k_per_s, thermal.lamp_cool_frac);
    let saturation = saturation_g_m3(DESIGN_ROOM_C + 0.5 * (warm_k + cool_k));
    let surface = saturation_g_m3(DESIGN_ROOM_C + 0.8 * cool_k);
    let held = kind.still_pct / 100.0 * saturation;
    let lost = ventilation_per_s * (held - DESIGN_ROOM_G_M3);
    let steady_frac = between(rng, 0.35, 0.65);
    Moisture {
        ventilation_per_s,
        wet_per_s: between(rng, 2.5e-4, 6.0e-4),
        store_g_m3_max: between(rng, 8.0, 14.0),
        substrate_g_m3_s: steady_frac * lost,
        substrate_night_frac: between(rng, 0.45, 0.65),
        substrate_per_s: (1.0 - steady_frac) * lost / (surface - held).max(1.0),
        condensation_per_s: between(rng, 8.0e-4, 2.0e-3),
        glass_room_frac: between(rng, 0.35, 0.5),
    }
}

fn sensors(id: &str, root: &str, with: Furnishing, rng: &mut StdRng) -> Vec<SensorSpec> {
    let days_ago = |days: u64| with.today.checked_sub_days(chrono::Days::new(days));
    let mut out = Vec::new();
    let mut push = |leaf: &str, role, place: &str, accuracy: (f64, f64), position, wire, rng: &mut StdRng| {
        out.push(SensorSpec {
            id: format!("{id}-{leaf}"),
            role: Some(role),
            place: place.to_owned(),
            accuracy_pct: accuracy.0,
            accuracy_k: accuracy.1,
            installed: days_ago(if role == Role::Controller { 300 } else { 120 }),
            calibrated: if role == Role::Reference {
                days_ago(40)
            } else {
                None
            },
            position,
            traits: Traits::draw(rng, accuracy.0, accuracy.1),
            sampling: Sampling::every(with.interval_s),
            wire,
            topic: format!("{root}/{id}/{leaf}"),
        });
    };
    let form = [TimeForm::Rfc3339, TimeForm::EpochS, TimeForm::EpochMs][rng.random_range(0..3)];
    let near_top = Position {
        warm_frac: between(rng, 0.6, 0.9),
        offset_k: between(rng, -0.2, 0.3),
        lamp_k: between(rng, 0.0, 0.4),
        wet_frac: between(rng, 0.0, 0.08),
    };
    push(
        "stat",
        Role::Controller,
        "upper back",
        (5.0, 0.5),
        near_top,
        Wire::JsonTimed(form),
        rng,
    );
    if with.reference {
        let middle = Position {
            warm_frac: between(rng, 0.4, 0.6),
            offset_k: between(rng, -0.2, 0.2),
            lamp_k: between(rng, 0.0, 0.2),
            wet_frac: between(rng, 0.0, 0.05),
        };
        push(
            "check",
            Role::Reference,
            "middle, in shade",
            (2.0, 0.2),
            middle,
            Wire::SenMl,
            rng,
        );
    }
    if with.third {
        let corner = Position {
            warm_frac: between(rng, 0.0, 0.2),
            offset_k: between(rng, -0.5, 0.2),
            lamp_k: 0.0,
            wet_frac: between(rng, 0.05, 0.25),
        };
        let wire = if rng.random_bool(0.6) {
            Wire::NumbersFahrenheit
        } else {
            Wire::Numbers
        };
        push(
            "low",
            Role::Probe,
            "under leaves, near the water",
            (3.0, 0.3),
            corner,
            wire,
            rng,
        );
    }
    out
}

/// The room's own sensor.
pub fn room_sensor(root: &str, interval_s: f64, rng: &mut StdRng) -> SensorSpec {
    SensorSpec {
        id: "room-wall".to_owned(),
        role: None,
        place: "wall by the door, 1.5 m up".to_owned(),
        accuracy_pct: 3.0,
        accuracy_k: 0.3,
        installed: None,
        calibrated: None,
        position: Position {
            warm_frac: 0.0,
            offset_k: 0.0,
            lamp_k: 0.0,
            wet_frac: 0.0,
        },
        traits: Traits::draw(rng, 3.0, 0.3),
        sampling: Sampling::every(interval_s),
        wire: Wire::Json,
        topic: format!("{root}/room-wall"),
    }
}

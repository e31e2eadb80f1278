//! One enclosure: two air zones and a substrate that hold heat, air that holds vapour, surfaces that hold water.
//!
//! Heat, per node in K/s: exchange with the room, between the zones, with the substrate under the cool zone; heater and
//! lamp; cooling by evaporation. Moisture, in g per m³ of the enclosure's air: mist and fog, evaporation from wet surfaces
//! while they are wet, a slow source from substrate and plants, exchange with the room, condensation on the coldest glass.
//! Water on surfaces comes from mist and condensation, evaporates, and drains above a bound.

use super::calendar::LocalMin;
use super::device::DeviceSpec;
use super::room::Air;
use super::sensor::SensorSpec;
use super::vapour::saturation_g_m3;

/// Share of the heat exchange with the room that the exchanged air carries; glass and lid carry the rest.
const VENTILATION_HEAT_FRAC: f64 = 0.1;

/// How heat moves, per second; all rates are reciprocal time constants.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Thermal {
    /// Exchange of each zone with the room.
    pub room_per_s: f64,
    /// Exchange between warm and cool zone.
    pub mix_per_s: f64,
    /// Exchange of the cool zone with the substrate, and of the substrate with the cool zone (its own, slower side).
    pub to_substrate_per_s: f64,
    pub substrate_per_s: f64,
    /// Warming of the warm zone by the heater fully on, and the share of it that the cool zone gets.
    pub heater_k_per_s: f64,
    pub heater_cool_frac: f64,
    pub lamp_k_per_s: f64,
    pub lamp_cool_frac: f64,
    /// Cooling of the air for each g/m³ that evaporates within; far below the 2 K of dry air because surfaces carry most of it.
    pub evaporation_k_m3_per_g: f64,
}

impl Thermal {
    /// Steady rise of warm and cool zone above the room, K, for a source of `warm_k_per_s` with `cool_frac` in the cool zone.
    ///
    /// Closed form of the two coupled nodes; the substrate, at the cool zone's temperature, takes nothing.
    pub fn steady_rise_k(&self, warm_k_per_s: f64, cool_frac: f64) -> (f64, f64) {
        let sum = warm_k_per_s * (1.0 + cool_frac) / self.room_per_s;
        let difference = warm_k_per_s * (1.0 - cool_frac) / (self.room_per_s + 2.0 * self.mix_per_s);
        ((sum + difference) / 2.0, (sum - difference) / 2.0)
    }

    /// The source that lifts the warm zone by `rise_k` above the room in the long run.
    pub fn source_for_k_per_s(&self, rise_k: f64, cool_frac: f64) -> f64 {
        rise_k / self.steady_rise_k(1.0, cool_frac).0
    }
}

/// How vapour moves.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Moisture {
    /// Air exchange with the room, 1/s.
    pub ventilation_per_s: f64,
    /// Evaporation from wet surfaces towards saturation while water is on them, 1/s.
    pub wet_per_s: f64,
    /// Water that surfaces hold before it drains, g/m³.
    pub store_g_m3_max: f64,
    /// Substrate and plants: a steady part by day, g/(m³ s), the share of it at night, and a part towards saturation, 1/s.
    pub substrate_g_m3_s: f64,
    pub substrate_night_frac: f64,
    pub substrate_per_s: f64,
    /// Condensation on the coldest glass, 1/s (still air gives it some minutes: 2.5 mm/s of mass transfer on 0.5 m² per m³), and how near that glass is to the room (0 inside, 1 room).
    pub condensation_per_s: f64,
    pub glass_room_frac: f64,
}

/// The enclosure's inner state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    pub t_warm_c: f64,
    pub t_cool_c: f64,
    pub t_substrate_c: f64,
    pub w_g_m3: f64,
    /// Water on surfaces, g per m³ of air.
    pub store_g_m3: f64,
}

/// What acts on the enclosure during one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    pub room: Air,
    /// Heat of heater and lamp as a share of their usual full power.
    pub heater_frac: f64,
    pub lamp_frac: f64,
    /// Warming of the warm zone by the sun.
    pub sun_k_per_s: f64,
    /// Mist and fog: into the air and onto surfaces.
    pub air_g_m3_s: f64,
    pub store_g_m3_s: f64,
    /// Ventilation as a multiple of its usual value.
    pub ventilation_ratio: f64,
    /// By the light hours asked for: plants breathe by day.
    pub day: bool,
}

impl State {
    /// The state after `dt_s` (at most 20 s) under a constant drive.
    ///
    /// Heat by the midpoint rule, moisture by the exact solution of its linear balance with saturation held over the step.
    pub fn step(&mut self, thermal: &Thermal, moisture: &Moisture, drive: &Drive, dt_s: f64) {
        let evaporated = self.step_moisture(moisture, drive, dt_s);
        let room_per_s = thermal.room_per_s * (1.0 + VENTILATION_HEAT_FRAC * (drive.ventilation_ratio - 1.0));
        let rates = |s: &State| {
            let warm = room_per_s * (drive.room.t_c - s.t_warm_c)
                + thermal.mix_per_s * (s.t_cool_c - s.t_warm_c)
                + thermal.heater_k_per_s * drive.heater_frac
                + thermal.lamp_k_per_s * drive.lamp_frac
                + drive.sun_k_per_s;
            let cool = room_per_s * (drive.room.t_c - s.t_cool_c)
                + thermal.mix_per_s * (s.t_warm_c - s.t_cool_c)
                + thermal.to_substrate_per_s * (s.t_substrate_c - s.t_cool_c)
                + thermal.heater_k_per_s * thermal.heater_cool_frac * drive.heater_frac
                + thermal.lamp_k_per_s * thermal.lamp_cool_frac * drive.lamp_frac
                + drive.sun_k_per_s * thermal.lamp_cool_frac;
            let substrate = thermal.substrate_per_s * (s.t_cool_c - s.t_substrate_c);
            (warm, cool, substrate)
        };
        let (warm, cool, substrate) = rates(self);
        let mut half = *self;
        half.t_warm_c += warm * dt_s / 2.0;
        half.t_cool_c += cool * dt_s / 2.0;
        half.t_substrate_c += substrate * dt_s / 2.0;
        let (warm, cool, substrate) = rates(&half);
        let cooling_k = thermal.evaporation_k_m3_per_g * (evaporated + drive.air_g_m3_s * dt_s);
        self.t_warm_c += warm * dt_s - cooling_k;
        self.t_cool_c += cool * dt_s - cooling_k;
        self.t_substrate_c += substrate * dt_s;
    }

    /// Moves the moisture on and returns what evaporated from surfaces, g/m³ (negative where it condensed).
    fn step_moisture(&mut self, moisture: &Moisture, drive: &Drive, dt_s: f64) -> f64 {
        let t_surface_c = 0.5 * (self.t_substrate_c + self.t_cool_c);
        let surface_sat = saturation_g_m3(t_surface_c);
        let wet_per_s = if self.store_g_m3 > 0.0 {
            moisture.wet_per_s
        } else {
            0.0
        };
        let t_glass_c = self.t_cool_c + moisture.glass_room_frac * (drive.room.t_c - self.t_cool_c);
        let glass_sat = saturation_g_m3(t_glass_c);
        let glass_per_s = if self.w_g_m3 > glass_sat {
            moisture.condensation_per_s
        } else {
            0.0
        };
        let vent_per_s = moisture.ventilation_per_s * drive.ventilation_ratio;
        let breath = if drive.day {
            1.0
        } else {
            moisture.substrate_night_frac
        };
        let rate = vent_per_s + wet_per_s + glass_per_s + moisture.substrate_per_s;
        let source = drive.air_g_m3_s
            + moisture.substrate_g_m3_s * breath
            + vent_per_s * drive.room.w_g_m3
            + (wet_per_s + moisture.substrate_per_s) * surface_sat
            + glass_per_s * glass_sat;
        let before = self.w_g_m3;
        let left = decay(rate * dt_s);
        let settled = if rate > 0.0 { source / rate } else { before };
        self.w_g_m3 = if rate > 0.0 {
            settled + (before - settled) * left
        } else {
            before + source * dt_s
        };
        let mean = 0.5 * (before + self.w_g_m3);
        let mut evaporated = wet_per_s * (surface_sat - mean) * dt_s;
        let mut condensed = glass_per_s * (mean - glass_sat) * dt_s;
        if evaporated > self.store_g_m3 + drive.store_g_m3_s * dt_s {
            // The film dries within the step: it can give no more than it has.
            let short = evaporated - self.store_g_m3 - drive.store_g_m3_s * dt_s;
            self.w_g_m3 -= short;
            evaporated -= short;
        }
        // Air cannot hold more than saturation at the cooler zone; the rest becomes water on leaves and glass.
        let cap = saturation_g_m3(self.t_cool_c.min(self.t_warm_c));
        if self.w_g_m3 > cap {
            condensed += self.w_g_m3 - cap;
            self.w_g_m3 = cap;
        }
        let store = self.store_g_m3 + drive.store_g_m3_s * dt_s + condensed - evaporated;
        self.store_g_m3 = if store < 1e-9 {
            0.0
        } else {
            store.min(moisture.store_g_m3_max)
        };
        evaporated
    }
}

/// exp(−x) for small x ≥ 0 by its (2,2) Padé approximant: below 1e-7 off for x ≤ 0.5, and never negative.
#[inline]
pub fn decay(x: f64) -> f64 {
    let square = x * x / 12.0;
    (1.0 - x / 2.0 + square) / (1.0 + x / 2.0 + square)
}

/// Limits as the site file states them; all are given, so that truth needs no species file.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Limits {
    pub day_c: (f64, f64),
    pub night_c: (f64, f64),
    pub min_c: f64,
    pub max_c: f64,
    pub humidity_pct: (f64, f64),
}

/// One enclosure as built and kept.
#[derive(Debug, Clone)]
pub struct EnclosureSpec {
    pub id: String,
    pub label: String,
    pub species: String,
    pub animals: u32,
    /// Light hours asked for, local.
    pub light: (LocalMin, LocalMin),
    pub limits: Limits,
    pub thermal: Thermal,
    pub moisture: Moisture,
    pub sensors: Vec<SensorSpec>,
    pub devices: Vec<DeviceSpec>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn still(room: Air) -> Drive {
        Drive {
            room,
            heater_frac: 0.0,
            lamp_frac: 0.0,
            sun_k_per_s: 0.0,
            air_g_m3_s: 0.0,
            store_g_m3_s: 0.0,
            ventilation_ratio: 1.0,
            day: true,
        }
    }

    fn one_node(tau_s: f64, rise_k: f64) -> Thermal {
        Thermal {
            room_per_s: 1.0 / tau_s,
            mix_per_s: 0.0,
            to_substrate_per_s: 0.0,
            substrate_per_s: 0.0,
            heater_k_per_s: rise_k / tau_s,
            heater_cool_frac: 1.0,
            lamp_k_per_s: 0.0,
            lamp_cool_frac: 0.0,
            evaporation_k_m3_per_g: 0.0,
        }
    }

    fn bare(ventilation_per_s: f64) -> Moisture {
        Moisture {
            ventilation_per_s,
            wet_per_s: 0.0,
            store_g_m3_max: 50.0,
            substrate_g_m3_s: 0.0,
            substrate_night_frac: 1.0,
            substrate_per_s: 0.0,
            condensation_per_s: 0.0,
            glass_room_frac: 0.0,
        }
    }

    fn at(t_c: f64, w_g_m3: f64) -> State {
        State {
            t_warm_c: t_c,
            t_cool_c: t_c,
            t_substrate_c: t_c,
            w_g_m3,
            store_g_m3: 0.0,
        }
    }

    #[test]
    fn one_node_warms_as_the_closed_form_says() {
        // Closed form T = T_r + R + (T_0 − T_r − R) exp(−t/τ), values at 10 digits by numpy: T_0 22, room 20, rise 9, τ 5400 s.
        let drive = Drive {
            heater_frac: 1.0,
            ..still(Air {
                t_c: 20.0,
                w_g_m3: 9.0,
            })
        };
        let mut state = at(22.0, 9.0);
        let mut t_s = 0;
        for (until_s, expected_c) in [
            (1800, 23.984_280_83),
            (5400, 26.424_841_91),
            (21_600, 28.871_790_53),
        ] {
            while t_s < until_s {
                state.step(&one_node(5400.0, 9.0), &bare(1e-4), &drive, 10.0);
                t_s += 10;
            }
            assert!(
                (state.t_warm_c - expected_c).abs() < 2e-4,
                "{t_s} s: {}",
                state.t_warm_c
            );
        }
    }

    #[test]
    fn a_mist_pulse_follows_its_closed_form() {
        // dw/dt = g − λ (w − w_room); closed form, numpy: w_0 14, w_room 9, λ 1/1800, g 0.08 for 60 s; and a leaky one.
        for (w0, lambda, expected) in [
            (
                14.0,
                1.0 / 1800.0,
                [(60, 18.556_962_03), (600, 16.079_971_61), (3600, 10.337_233_91)],
            ),
            (
                12.0,
                0.0025,
                [(60, 16.039_468_68), (600, 10.824_913_7), (3600, 9.001_009_331)],
            ),
        ] {
            let mut state = at(25.0, w0);
            let mut t_s = 0;
            for (until_s, w_g_m3) in expected {
                while t_s < until_s {
                    let mut drive = still(Air {
                        t_c: 25.0,
                        w_g_m3: 9.0,
                    });
                    drive.air_g_m3_s = if t_s < 60 { 0.08 } else { 0.0 };
                    state.step(&one_node(5400.0, 0.0), &bare(lambda), &drive, 10.0);
                    t_s += 10;
                }
                assert!((state.w_g_m3 - w_g_m3).abs() < 1e-5, "{t_s} s: {}", state.w_g_m3);
            }
        }
    }

    #[test]
    fn wet_surfaces_hold_the_level_and_dry_when_the_reference_says() {
        // scipy solve_ivp (rtol 1e-10) of dw/dt = g + k (w_sat − w)[m>0] − λ (w − w_room): k 1/900, λ 1/1800, w_room 9,
        // g 0.05 and 0.15 onto surfaces for 60 s, w_sat 23.0; dry at 1575.25 s, w(1800 s) 17.1625, w(3600 s) 12.00282.
        let t_c = bisect(20.0, 30.0, |t| saturation_g_m3(t) < 23.0);
        let moisture = Moisture {
            wet_per_s: 1.0 / 900.0,
            ..bare(1.0 / 1800.0)
        };
        let mut state = at(t_c, 14.0);
        let mut dry_at_s = 0;
        let mut level = Vec::new();
        for t_s in (0..3600).step_by(5) {
            if t_s == 1800 {
                level.push(state.w_g_m3);
            }
            let mut drive = still(Air { t_c, w_g_m3: 9.0 });
            if t_s < 60 {
                (drive.air_g_m3_s, drive.store_g_m3_s) = (0.05, 0.15);
            }
            state.step(&one_node(5400.0, 0.0), &moisture, &drive, 5.0);
            if t_s > 60 && state.store_g_m3 == 0.0 && dry_at_s == 0 {
                dry_at_s = t_s;
            }
        }
        assert!((i64::from(dry_at_s) - 1575).abs() <= 10, "dry at {dry_at_s} s");
        // The reference wets the surface from the first instant, this step only from its end: 5 s of evaporation.
        assert!(
            (level[0] - 17.1625).abs() < 0.06 && (state.w_g_m3 - 12.002_82).abs() < 0.06,
            "{level:?} {}",
            state.w_g_m3
        );
    }

    fn bisect(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if below(middle) {
                low = middle
            } else {
                high = middle
            }
        }
        low
    }

    #[test]
    fn both_zones_settle_at_their_steady_rise() {
        let mut thermal = one_node(5400.0, 0.0);
        (
            thermal.mix_per_s,
            thermal.to_substrate_per_s,
            thermal.substrate_per_s,
        ) = (1e-4, 1e-4, 5e-5);
        (thermal.lamp_k_per_s, thermal.lamp_cool_frac) = (1e-3, 0.4);
        // By hand: sum 1.4 · 5400 · 1e-3 = 7.56; difference 0.6e-3 / (1/5400 + 2e-4) = 1.557692; halves of sum and difference.
        let (warm_k, cool_k) = thermal.steady_rise_k(1e-3, 0.4);
        assert!(
            (warm_k - 4.558_846).abs() < 1e-5 && (cool_k - 3.001_154).abs() < 1e-5,
            "{warm_k} {cool_k}"
        );
        let drive = Drive {
            lamp_frac: 1.0,
            ..still(Air {
                t_c: 20.0,
                w_g_m3: 9.0,
            })
        };
        let mut state = at(20.0, 9.0);
        for _ in 0..60_000 {
            state.step(&thermal, &bare(1e-4), &drive, 10.0);
        }
        assert!(
            (state.t_warm_c - 20.0 - warm_k).abs() < 1e-6 && (state.t_cool_c - 20.0 - cool_k).abs() < 1e-6
        );
    }

    #[test]
    fn water_is_neither_made_nor_lost_in_a_sealed_box() {
        let moisture = Moisture {
            wet_per_s: 5e-4,
            condensation_per_s: 4e-4,
            glass_room_frac: 0.4,
            ..bare(0.0)
        };
        let mut state = State {
            store_g_m3: 8.0,
            ..at(24.0, 12.0)
        };
        let total = state.w_g_m3 + state.store_g_m3;
        for _ in 0..8640 {
            state.step(
                &one_node(5400.0, 0.0),
                &moisture,
                &still(Air {
                    t_c: 18.0,
                    w_g_m3: 8.0,
                }),
                10.0,
            );
        }
        // Only the treatment of saturation within a step is inexact.
        assert!(
            (state.w_g_m3 + state.store_g_m3 - total).abs() < 0.02 * total,
            "{state:?}"
        );
    }
}

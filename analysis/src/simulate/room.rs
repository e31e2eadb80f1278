//! The air of the room outside every enclosure: season, day and night, spells, heating season.
//!
//! Algebraic in the outdoor weather, not a building model: the room follows the outdoors a little, is heated below one
//! bound and cooled above another, and holds the outdoor air's vapour plus what people and plants add. Cold outdoor air
//! therefore dries the room in the heating season without further rules.

use std::f64::consts::TAU;

use chrono_tz::Tz;

use super::calendar::{MS_PER_DAY, MS_PER_MIN, offset_ms};
use super::fault::{Effect, FaultSpec};
use super::stream::{Wander, stream};
use super::vapour::saturation_g_m3;

/// Interval at which the room's air is laid down; between, it is held.
pub const ROOM_STEP_MS: i64 = MS_PER_MIN;
/// The room's warmest local hour: late afternoon, as walls lag behind the sun.
const WARMEST_H: f64 = 16.5;
/// Share of a heat spell's excess that stays through the night.
const SPELL_NIGHT_FRAC: f64 = 0.55;
/// A heat spell comes and goes over this time.
const SPELL_EDGE_MS: f64 = 3.0 * 3_600_000.0;

/// Temperature and vapour density of air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    pub t_c: f64,
    pub w_g_m3: f64,
}

/// How a room behaves.
#[derive(Debug, Clone)]
pub struct RoomSpec {
    /// Yearly mean outdoors, °C, and half the difference of warmest and coldest season, K.
    pub outdoor_mean_c: f64,
    pub outdoor_season_k: f64,
    /// Day of the year (0–365) on which the outdoors is warmest.
    pub warmest_day: f64,
    /// Standard deviation of spells of warm and cold days outdoors, K.
    pub spell_sd_k: f64,
    /// The room's temperature when the outdoors stands at its yearly mean, °C, and how much of its departures it follows.
    pub base_c: f64,
    pub follow_frac: f64,
    /// The heating's and the cooling's bounds, °C.
    pub heated_to_c: f64,
    pub cooled_to_c: f64,
    /// Half the room's daily swing and the spread of its short-term noise, K.
    pub daily_swing_k: f64,
    pub noise_sd_k: f64,
    pub outdoor_humidity_pct: f64,
    /// What people and plants add to the outdoor air's vapour, g/m³.
    pub source_g_m3: f64,
    /// Spread of the room's vapour around that, g/m³, and its bounds (a dehumidifier, an open window).
    pub moisture_sd_g_m3: f64,
    pub moisture_g_m3: (f64, f64),
}

impl RoomSpec {
    /// A steady room with a mild Atlantic climate outside.
    pub fn steady() -> RoomSpec {
        RoomSpec {
            outdoor_mean_c: 16.5,
            outdoor_season_k: 6.0,
            warmest_day: 215.0,
            spell_sd_k: 2.5,
            base_c: 20.2,
            follow_frac: 0.15,
            heated_to_c: 19.2,
            cooled_to_c: 21.4,
            daily_swing_k: 1.0,
            noise_sd_k: 0.2,
            outdoor_humidity_pct: 74.0,
            source_g_m3: 1.2,
            moisture_sd_g_m3: 0.5,
            moisture_g_m3: (7.0, 10.5),
        }
    }

    /// The room's air each [`ROOM_STEP_MS`] over `[from_ms, until_ms)`, with the room's own faults in it.
    pub fn series(&self, seed: u64, zone: Tz, from_ms: i64, until_ms: i64, faults: &[FaultSpec]) -> Vec<Air> {
        let step_s = ROOM_STEP_MS as f64 / 1000.0;
        let mut rng = stream(seed, "room");
        let mut spell = Wander::new(self.spell_sd_k, 4.0 * 86_400.0, step_s, &mut rng);
        let mut noise = Wander::new(self.noise_sd_k, 2.0 * 3600.0, step_s, &mut rng);
        let mut moisture = Wander::new(self.moisture_sd_g_m3, 86_400.0, step_s, &mut rng);
        let mut out = Vec::with_capacity(((until_ms - from_ms) / ROOM_STEP_MS).max(0) as usize + 1);
        let mut offset = offset_ms(zone, from_ms);
        let mut at_ms = from_ms;
        while at_ms < until_ms {
            if at_ms.rem_euclid(15 * MS_PER_MIN) == 0 {
                offset = offset_ms(zone, at_ms);
            }
            let local_h = local_hour(at_ms, offset);
            let year_day = (at_ms as f64 / MS_PER_DAY).rem_euclid(365.2425);
            let season = (TAU * (year_day - self.warmest_day) / 365.2425).cos();
            let outdoor_k = self.outdoor_season_k * season + spell.step(&mut rng);
            let wish_c = self.base_c + self.follow_frac * outdoor_k;
            let held_c = soft_clamp(wish_c, self.heated_to_c, self.cooled_to_c, 0.4);
            let swing_k = self.daily_swing_k * (TAU * (local_h - WARMEST_H) / 24.0).cos();
            let heat_k: f64 = faults.iter().map(|f| spell_excess_k(f, at_ms, local_h)).sum();
            let t_c = held_c + swing_k + noise.step(&mut rng) + heat_k;
            let outdoor_g_m3 =
                saturation_g_m3(self.outdoor_mean_c + outdoor_k) * self.outdoor_humidity_pct / 100.0;
            let wish_g_m3 = outdoor_g_m3 + self.source_g_m3 + moisture.step(&mut rng);
            let w_g_m3 = soft_clamp(wish_g_m3, self.moisture_g_m3.0, self.moisture_g_m3.1, 0.8);
            out.push(Air {
                t_c,
                w_g_m3: w_g_m3.min(0.9 * saturation_g_m3(t_c)),
            });
            at_ms += ROOM_STEP_MS;
        }
        out
    }
}

/// Local hour of the day, 0–24, from the zone's offset.
pub fn local_hour(at_ms: i64, offset_ms: i64) -> f64 {
    (at_ms + offset_ms).rem_euclid(86_400_000) as f64 / 3_600_000.0
}

/// `value` held between `low` and `high`, with a soft knee of width `knee`.
fn soft_clamp(value: f64, low: f64, high: f64, knee: f64) -> f64 {
    let soft_above = |x: f64| {
        let z = x / knee;
        if z > 30.0 { x } else { knee * z.exp().ln_1p() }
    };
    let lifted = low + soft_above(value - low);
    high - soft_above(high - lifted)
}

/// What a heat spell adds to the room at an instant, K.
fn spell_excess_k(fault: &FaultSpec, at_ms: i64, local_h: f64) -> f64 {
    let Effect::RoomHeat { peak_k } = fault.effect else {
        return 0.0;
    };
    if !fault.holds(at_ms) {
        return 0.0;
    }
    let edge = |ms: i64| {
        let x = (ms as f64 / SPELL_EDGE_MS).clamp(0.0, 1.0);
        x * x * (3.0 - 2.0 * x)
    };
    let envelope = edge(at_ms - fault.from_ms) * fault.until_ms.map_or(1.0, |until| edge(until - at_ms));
    let day = 0.5 + 0.5 * (TAU * (local_h - WARMEST_H) / 24.0).cos();
    peak_k * envelope * (SPELL_NIGHT_FRAC + (1.0 - SPELL_NIGHT_FRAC) * day)
}

#[cfg(test)]
mod tests {
    use super::super::vapour::humidity_pct;
    use super::*;

    #[test]
    fn a_room_in_the_heating_season_is_drier_than_in_summer() {
        let mut spec = RoomSpec::steady();
        spec.moisture_g_m3 = (3.0, 14.0);
        spec.outdoor_mean_c = 10.0;
        spec.outdoor_season_k = 9.0;
        let month = |from: i64| {
            let air = spec.series(3, Tz::Europe__Berlin, from, from + 30 * 86_400_000, &[]);
            let n = air.len() as f64;
            (
                air.iter().map(|a| humidity_pct(a.w_g_m3, a.t_c)).sum::<f64>() / n,
                air.iter().map(|a| a.t_c).sum::<f64>() / n,
            )
        };
        // 2026-01-15 and 2026-07-15.
        let (winter_pct, winter_c) = month(1_768_435_200_000);
        let (summer_pct, summer_c) = month(1_784_073_600_000);
        assert!(
            winter_pct < 42.0 && summer_pct > winter_pct + 15.0,
            "{winter_pct} {summer_pct}"
        );
        assert!(winter_c > 19.0 && summer_c < 22.5, "{winter_c} {summer_c}");
    }

    #[test]
    fn a_soft_clamp_stays_between_its_bounds_and_keeps_the_middle() {
        assert!((soft_clamp(20.0, 10.0, 30.0, 0.4) - 20.0).abs() < 1e-6);
        assert!(soft_clamp(50.0, 10.0, 30.0, 0.4) <= 30.0 && soft_clamp(-9.0, 10.0, 30.0, 0.4) >= 10.0);
    }
}

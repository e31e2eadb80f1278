//! The moisture balance of one enclosure's air: mist and fog, wet surfaces while they are wet, soil and plants, the room as the
//! sink, condensation on the coldest glass.
//!
//! In: rates in 1/s, vapour densities in g per m³ of the enclosure's air, step by step. Out: the vapour density. Knows no sensor,
//! clock or file. One well-mixed volume: real air is damper near wet leaves and drier at the vent.

/// The constants of an enclosure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// Exchange of the air with the room, 1/s.
    pub exchange_per_s: f64,
    /// Soil and plants: a part towards saturation, 1/s, and a steady part by light and dark, g/(m³ s).
    pub soil_per_s: f64,
    pub steady_lit_g_m3_s: f64,
    pub steady_dark_g_m3_s: f64,
    /// Evaporation from wet surfaces towards saturation while water is on them, 1/s.
    pub wet_per_s: f64,
    /// What a second of misting brings: into the air, and onto surfaces, g/m³.
    pub mist_air_g_m3_s: f64,
    pub mist_surface_g_m3_s: f64,
    /// What a second of fog brings into the air, g/m³.
    pub fog_air_g_m3_s: f64,
    /// Condensation on glass that is colder than the dew point, 1/s.
    pub condensation_per_s: f64,
}

/// What acts during one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Acting {
    pub seconds: f64,
    /// Saturation at the enclosure's warmth and at its coldest glass, g/m³.
    pub saturation_g_m3: f64,
    pub glass_saturation_g_m3: f64,
    pub room_g_m3: f64,
    pub lit: bool,
    /// Seconds of misting and of fog within the step.
    pub mist_s: f64,
    pub fog_s: f64,
}

/// The air's vapour and the water on surfaces, g per m³ of air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moist {
    pub vapour_g_m3: f64,
    pub surface_g_m3: f64,
}

/// Water that surfaces hold before it drains, g per m³ of air (common practice, no source: a film of a few hundredths of a
/// millimetre on leaves and glass).
const SURFACE_G_M3_MAX: f64 = 12.0;

impl Balance {
    /// The state after a step.
    ///
    /// # Method
    /// `dw/dt = g + λ (w_room − w) + k_s (w_sat − w) + s + k_w (w_sat − w)[m > 0] + k_c (w_glass − w)[w > w_glass]`, the exact
    /// solution with all but `w` held over the step; `dm/dt` is what lands and condenses less what evaporates. Keep steps below
    /// a fifth of the fastest time constant.
    ///
    /// # Accuracy
    /// 1e-6 of the closed form of a pulse, 0.1 g/m³ of an integrated case with wet surfaces at steps of 5 s: `tests`.
    pub fn step(&self, state: Moist, acting: &Acting) -> Moist {
        let dt_s = acting.seconds;
        let wet_per_s = if state.surface_g_m3 > 0.0 {
            self.wet_per_s
        } else {
            0.0
        };
        let glass_per_s = if state.vapour_g_m3 > acting.glass_saturation_g_m3 {
            self.condensation_per_s
        } else {
            0.0
        };
        let steady = if acting.lit {
            self.steady_lit_g_m3_s
        } else {
            self.steady_dark_g_m3_s
        };
        let rate = self.exchange_per_s + self.soil_per_s + wet_per_s + glass_per_s;
        let mist = (self.mist_air_g_m3_s * acting.mist_s + self.fog_air_g_m3_s * acting.fog_s) / dt_s;
        let source = mist
            + steady
            + self.exchange_per_s * acting.room_g_m3
            + (self.soil_per_s + wet_per_s) * acting.saturation_g_m3
            + glass_per_s * acting.glass_saturation_g_m3;
        let settled = source / rate;
        let mut vapour = settled + (state.vapour_g_m3 - settled) * (-rate * dt_s).exp();
        let mean = 0.5 * (state.vapour_g_m3 + vapour);
        let landed = self.mist_surface_g_m3_s * acting.mist_s;
        let mut evaporated = wet_per_s * (acting.saturation_g_m3 - mean) * dt_s;
        let short = evaporated - state.surface_g_m3 - landed;
        if short > 0.0 {
            vapour -= short;
            evaporated -= short;
        }
        let mut condensed = glass_per_s * (mean - acting.glass_saturation_g_m3) * dt_s;
        if vapour > acting.saturation_g_m3 {
            condensed += vapour - acting.saturation_g_m3;
            vapour = acting.saturation_g_m3;
        }
        let surface = state.surface_g_m3 + landed + condensed - evaporated;
        Moist {
            vapour_g_m3: vapour,
            surface_g_m3: if surface < 1e-9 {
                0.0
            } else {
                surface.min(SURFACE_G_M3_MAX)
            },
        }
    }

    /// Half-life of the air's vapour once surfaces are dry, min.
    pub fn dry_half_life_min(&self) -> f64 {
        std::f64::consts::LN_2 / (self.exchange_per_s + self.soil_per_s) / 60.0
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    /// Closed forms, and a case integrated by scipy's `solve_ivp` (rtol 1e-10); made apart from this project.
    fn cases() -> Value {
        serde_json::from_str(include_str!("../../../tests/reference/model_cases.json")).expect("it is JSON")
    }

    fn number(value: &Value) -> f64 {
        value.as_f64().expect("a number")
    }

    fn bare(exchange_per_s: f64) -> Balance {
        Balance {
            exchange_per_s,
            soil_per_s: 0.0,
            steady_lit_g_m3_s: 0.0,
            steady_dark_g_m3_s: 0.0,
            wet_per_s: 0.0,
            mist_air_g_m3_s: 0.0,
            mist_surface_g_m3_s: 0.0,
            fog_air_g_m3_s: 0.0,
            condensation_per_s: 0.0,
        }
    }

    fn acting(seconds: f64, saturation_g_m3: f64, room_g_m3: f64, mist_s: f64) -> Acting {
        Acting {
            seconds,
            saturation_g_m3,
            glass_saturation_g_m3: saturation_g_m3,
            room_g_m3,
            lit: true,
            mist_s,
            fog_s: 0.0,
        }
    }

    #[test]
    fn a_pulse_follows_its_closed_form() {
        let cases = cases();
        for case in cases["moisture_pulse_closed_form"]["cases"]
            .as_array()
            .expect("a list")
        {
            let lambda = number(&case["lambda_per_s"]);
            let mut balance = bare(lambda);
            balance.mist_air_g_m3_s = number(&case["g_over_v_g_m3_s"]);
            let (pulse_s, room) = (number(&case["pulse_s"]), number(&case["w_room"]));
            let mut state = Moist {
                vapour_g_m3: number(&case["w0"]),
                surface_g_m3: 0.0,
            };
            let mut at_s = 0.0;
            for (until_s, expected) in case["t_s"]
                .as_array()
                .expect("times")
                .iter()
                .zip(case["w_g_m3"].as_array().expect("values"))
            {
                while at_s < number(until_s) - 1e-9 {
                    let mist_s = if at_s < pulse_s { 10.0 } else { 0.0 };
                    state = balance.step(state, &acting(10.0, 1e3, room, mist_s));
                    at_s += 10.0;
                }
                assert!(
                    (state.vapour_g_m3 - number(expected)).abs() < 1e-6,
                    "{} at {at_s} s: {state:?}",
                    case["name"]
                );
            }
            assert!((balance.dry_half_life_min() * 60.0 - number(&case["half_life_s"])).abs() < 1e-4);
        }
    }

    #[test]
    fn wet_surfaces_hold_the_level_until_they_are_dry() {
        let cases = cases();
        let case = &cases["moisture_pulse_with_wet_store"];
        let of = |name: &str| number(&case["params"][name]);
        let mut balance = bare(of("lam"));
        (
            balance.wet_per_s,
            balance.mist_air_g_m3_s,
            balance.mist_surface_g_m3_s,
        ) = (of("k"), of("g"), of("gm"));
        let mut state = Moist {
            vapour_g_m3: number(&case["w0"]),
            surface_g_m3: number(&case["m0"]),
        };
        let mut dry_at_s = 0.0;
        let mut at_s = 0.0;
        let mut seen = Vec::new();
        while at_s < 5400.0 {
            let mist_s = if at_s < of("tp") { 5.0 } else { 0.0 };
            state = balance.step(state, &acting(5.0, of("ws"), of("wr"), mist_s));
            at_s += 5.0;
            if state.surface_g_m3 == 0.0 && dry_at_s == 0.0 && at_s > of("tp") {
                dry_at_s = at_s;
            }
            if case["late_t_s"]
                .as_array()
                .expect("times")
                .iter()
                .any(|t| number(t) == at_s)
            {
                seen.push(state.vapour_g_m3);
            }
        }
        assert!(
            (dry_at_s - number(&case["surface_dry_at_s"])).abs() < 15.0,
            "dry at {dry_at_s} s"
        );
        for (seen, expected) in seen.iter().zip(case["late_w_g_m3"].as_array().expect("values")) {
            assert!((seen - number(expected)).abs() < 0.1, "{seen} {expected}");
        }
    }
}

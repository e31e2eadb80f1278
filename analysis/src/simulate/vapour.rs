//! Saturation and vapour density, for the simulation only.
//!
//! The rest of this crate uses another formula on purpose: a shared slip would hide itself.
//! Source: WMO-No. 8 (Guide to Instruments and Methods of Observation), annex 4.B, over liquid water, no enhancement factor.

const MAGNUS_PA: f64 = 611.2;
const MAGNUS_A: f64 = 17.62;
const MAGNUS_B_C: f64 = 243.12;
/// Vapour density in g/m³ is this times e/T, with e in Pa and T in K (1000 / 461.5 J/(kg K)).
const G_K_PER_J: f64 = 2.166_79;
const ZERO_C_IN_K: f64 = 273.15;

/// Saturation vapour density over liquid water, g/m³, of air at `t_c` °C.
#[inline]
pub fn saturation_g_m3(t_c: f64) -> f64 {
    G_K_PER_J * MAGNUS_PA * (MAGNUS_A * t_c / (MAGNUS_B_C + t_c)).exp() / (t_c + ZERO_C_IN_K)
}

/// Relative humidity, %RH, of air at `t_c` °C that holds `w_g_m3` of vapour; not capped.
#[inline]
pub fn humidity_pct(w_g_m3: f64, t_c: f64) -> f64 {
    100.0 * w_g_m3 / saturation_g_m3(t_c)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn saturation_agrees_with_iapws_95_to_a_third_of_a_per_cent() {
        // Absolute humidity at 100 %RH from IAPWS-95 (CoolProp 8.0.0): 9.399, 17.290, 23.037, 30.355 g/m³ at 10, 20, 25, 30 °C.
        for (t_c, expected) in [
            (10.0, 9.39851),
            (20.0, 17.29044),
            (25.0, 23.03676),
            (30.0, 30.35487),
        ] {
            let got: f64 = saturation_g_m3(t_c);
            assert!(
                (got / expected - 1.0).abs() < 0.0035,
                "{t_c} °C gave {got}, expected {expected}"
            );
        }
    }
}

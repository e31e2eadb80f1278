//! Water vapour in air: saturation, dew point, vapour density, deficit.
//!
//! In: temperatures and relative humidities that were validated before. Out: plain numbers.
//! Knows nothing of sensors, time or files. Phase: over liquid water everywhere, also below 0 °C.
//! One formula and its own closed inverse, so that no difference is ever a difference of formulas.
//!
//! All functions are kernels for millions of samples: they do not check their range. They are meant for −40 to 60 °C, the
//! accuracy is checked from 0 to 50 °C. The real-gas enhancement factor is left out: it cancels in every comparison and raises
//! absolute vapour density by 0.4 to 0.6 % at room pressure. Sources: [Buck1996], [IAPWS95] in `SOURCES.md`.

/// Saturation vapour pressure at 0 °C in Pa and the three coefficients of [Buck1996] over liquid water.
const BUCK_PA: f64 = 611.21;
const BUCK_B: f64 = 18.678;
const BUCK_C_C: f64 = 257.14;
const BUCK_D_C: f64 = 234.5;

/// 0 °C in K. Source: BIPM, SI Brochure, 9th edition, 2.3.1.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Specific gas constant of water vapour, J/(kg K): the molar gas constant over the molar mass of water (CODATA 2018; [IAPWS95]).
const WATER_VAPOUR_GAS_CONSTANT_J_KG_K: f64 = 461.523;

/// Grams in a kilogram.
const G_PER_KG: f64 = 1000.0;

/// Saturation vapour pressure over liquid water, in Pa.
///
/// # Arguments
/// - `t_c`: air temperature, °C.
///
/// # Validity
/// −40 to 60 °C; not checked here. Below 0 °C over supercooled water.
///
/// # Method
/// `e_s = 611.21 · exp((18.678 − t/234.5) · t / (257.14 + t))`, [Buck1996]. The inverse is [`dew_point_c`].
///
/// # Accuracy
/// Measured: within 0.0441 % of [IAPWS95] from 5 to 50 °C, within 0.038 % of [MurphyKoop2005] from −10 to 0 °C:
/// `tests::saturation_against_iapws95`. A sensor of ±2 %RH is fifty times coarser.
pub fn saturation_vapour_pressure_pa(t_c: f64) -> f64 {
    BUCK_PA * ((BUCK_B - t_c / BUCK_D_C) * t_c / (BUCK_C_C + t_c)).exp()
}

/// Partial pressure of water vapour, in Pa: `rh_pct / 100 · e_s(t_c)`.
pub fn vapour_pressure_pa(t_c: f64, rh_pct: f64) -> f64 {
    rh_pct / 100.0 * saturation_vapour_pressure_pa(t_c)
}

/// Relative humidity over liquid water, in %, of air at `t_c` that holds the vapour pressure `e_pa`. Not clamped at 100.
pub fn relative_humidity_pct(t_c: f64, e_pa: f64) -> f64 {
    100.0 * e_pa / saturation_vapour_pressure_pa(t_c)
}

/// Dew point over liquid water, in °C, of a vapour pressure in Pa.
///
/// # Returns
/// `None` when `e_pa` is not positive, not finite, or above the pressures for which the formula has an inverse.
///
/// # Method
/// The closed inverse of [`saturation_vapour_pressure_pa`]: with `s = ln(e / 611.21)` the smaller root of
/// `t²/234.5 − (18.678 − s) t + 257.14 s = 0`, written so that nothing cancels near 0 °C.
///
/// # Accuracy
/// Measured against the inverse of [IAPWS95]: within 0.006 K for dew points of 0 to 50 °C, within 0.03 K from −40 °C up
/// (there against [MurphyKoop2005]): `tests::dew_point_against_iapws95`.
pub fn dew_point_c(e_pa: f64) -> Option<f64> {
    if !(e_pa > 0.0 && e_pa.is_finite()) {
        return None;
    }
    let s = (e_pa / BUCK_PA).ln();
    let b = BUCK_B - s;
    let discriminant = b * b - 4.0 * BUCK_C_C * s / BUCK_D_C;
    (b > 0.0 && discriminant >= 0.0).then(|| 2.0 * BUCK_C_C * s / (b + discriminant.sqrt()))
}

/// Vapour density ("absolute humidity"), in g/m³, of air at `t_c` with the vapour pressure `e_pa`, as an ideal gas.
pub fn vapour_density_g_m3(t_c: f64, e_pa: f64) -> f64 {
    G_PER_KG * e_pa / (WATER_VAPOUR_GAS_CONSTANT_J_KG_K * (t_c + ZERO_CELSIUS_K))
}

/// Vapour pressure, in Pa, of air at `t_c` with the vapour density `w_g_m3`: the inverse of [`vapour_density_g_m3`].
pub fn vapour_pressure_from_density_pa(t_c: f64, w_g_m3: f64) -> f64 {
    w_g_m3 / G_PER_KG * WATER_VAPOUR_GAS_CONSTANT_J_KG_K * (t_c + ZERO_CELSIUS_K)
}

/// Vapour pressure deficit, in Pa: what the air could still take up at its own temperature. Negative above 100 %RH.
pub fn vapour_pressure_deficit_pa(t_c: f64, rh_pct: f64) -> f64 {
    (1.0 - rh_pct / 100.0) * saturation_vapour_pressure_pa(t_c)
}

/// Relative humidity, in %, that air of `rh_pct` at `from_t_c` has when brought to `to_t_c` at constant vapour pressure.
/// Not clamped at 100: a value above says that it would condense.
pub fn humidity_at_pct(rh_pct: f64, from_t_c: f64, to_t_c: f64) -> f64 {
    rh_pct * saturation_vapour_pressure_pa(from_t_c) / saturation_vapour_pressure_pa(to_t_c)
}

/// Relative slope of the saturation vapour pressure, `d ln e_s / dT`, in 1/K (about 0.06 at room temperature).
///
/// # Method
/// The derivative of the exponent of [`saturation_vapour_pressure_pa`], closed.
///
/// # Accuracy
/// Within 0.00002 1/K of the slope of [IAPWS95] at 15 to 35 °C: `tests::slope_against_iapws95`.
pub fn log_slope_per_k(t_c: f64) -> f64 {
    let sum = BUCK_C_C + t_c;
    ((BUCK_B - 2.0 * t_c / BUCK_D_C) * sum - (BUCK_B - t_c / BUCK_D_C) * t_c) / (sum * sum)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::physics::reference_table::rows;

    const PSYCHROMETRICS: &str = include_str!("../../../tests/reference/psychrometrics.csv");
    const ANCHORS: &str = include_str!("../../../tests/reference/psychrometrics_anchors.csv");
    const SENSITIVITIES: &str = include_str!("../../../tests/reference/uncertainty_sensitivities.csv");

    /// The largest `|computed / reference − 1|` in per cent over the rows of the table with `low ≤ t ≤ high`.
    fn worst_pct(
        low_c: f64,
        high_c: f64,
        pair: impl Fn(&crate::physics::reference_table::Row) -> (f64, f64),
    ) -> f64 {
        let mut worst: f64 = 0.0;
        let mut count = 0;
        for row in rows(PSYCHROMETRICS) {
            if (low_c..=high_c).contains(&row.number("t_c")) {
                let (computed, reference) = pair(&row);
                worst = worst.max(100.0 * (computed / reference - 1.0).abs());
                count += 1;
            }
        }
        assert!(count > 10, "the table has rows in this range");
        println!("{low_c} to {high_c} °C: worst {worst:.5} % over {count} rows");
        worst
    }

    #[test]
    fn saturation_against_iapws95() {
        let pair = |row: &crate::physics::reference_table::Row| {
            (
                saturation_vapour_pressure_pa(row.number("t_c")),
                row.number("es_water_iapws95_pa"),
            )
        };
        assert!(worst_pct(5.0, 50.0, pair) <= 0.0445);
        assert!(worst_pct(-10.0, 0.0, pair) <= 0.038);
    }

    #[test]
    fn saturation_against_published_anchors() {
        let mut count = 0;
        for row in rows(ANCHORS) {
            let water = matches!(
                row.text("quantity"),
                "saturation pressure water"
                    | "triple-point pressure"
                    | "saturation pressure (ice below 0, water above)"
            );
            let Some(t_c) = row.number_or_none("t_c") else {
                continue;
            };
            if water && (0.0..=60.0).contains(&t_c) {
                let published_pa = row.number("published_value");
                let error_pct = 100.0 * (saturation_vapour_pressure_pa(t_c) / published_pa - 1.0);
                assert!(error_pct.abs() <= 0.06, "{t_c} °C: {error_pct} %");
                count += 1;
            }
        }
        assert_eq!(count, 6);
    }

    #[test]
    fn vapour_pressure_deficit_and_density_against_iapws95() {
        // The relative error is that of e_s; the last printed digit of the smallest entries adds to it.
        assert!(
            worst_pct(5.0, 50.0, |row| (
                vapour_pressure_pa(row.number("t_c"), row.number("rh_pct")),
                row.number("e_pa")
            )) <= 0.0445
        );
        assert!(
            worst_pct(5.0, 50.0, |row| {
                let e_pa = vapour_pressure_pa(row.number("t_c"), row.number("rh_pct"));
                (
                    vapour_density_g_m3(row.number("t_c"), e_pa),
                    row.number("abs_humidity_g_m3"),
                )
            }) <= 0.05
        );
        for row in rows(PSYCHROMETRICS) {
            let (t_c, rh_pct) = (row.number("t_c"), row.number("rh_pct"));
            if t_c >= 5.0 {
                let error_pa = vapour_pressure_deficit_pa(t_c, rh_pct) - row.number("vpd_pa");
                assert!(
                    error_pa.abs() <= 0.000_45 * row.number("es_water_iapws95_pa") + 0.001,
                    "{t_c} {rh_pct}"
                );
            }
        }
    }

    #[test]
    fn dew_point_against_iapws95() {
        let (mut worst_k, mut worst_frost_k): (f64, f64) = (0.0, 0.0);
        for row in rows(PSYCHROMETRICS) {
            let expected_c = row.number("dewpoint_c");
            let e_pa = vapour_pressure_pa(row.number("t_c"), row.number("rh_pct"));
            let error_k = (dew_point_c(e_pa).expect("the vapour pressure is positive") - expected_c).abs();
            if row.number("t_c") >= 5.0 && expected_c >= 0.0 {
                worst_k = worst_k.max(error_k);
            } else if row.number("t_c") >= 0.0 && expected_c >= -40.0 {
                worst_frost_k = worst_frost_k.max(error_k);
            }
        }
        println!("dew point: {worst_k:.5} K from 0 °C up, {worst_frost_k:.5} K from −40 °C up");
        assert!(worst_k <= 0.006);
        assert!(worst_frost_k <= 0.031);
    }

    #[test]
    fn dew_point_of_no_vapour_is_none() {
        for e_pa in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(dew_point_c(e_pa), None);
        }
    }

    #[test]
    fn slope_against_iapws95() {
        for row in rows(SENSITIVITIES) {
            let error_pct = 100.0 * log_slope_per_k(row.number("t_c")) - row.number("dln_es_dt_pct_per_k");
            assert!(error_pct.abs() <= 0.002, "{} °C: {error_pct}", row.number("t_c"));
        }
    }

    #[test]
    fn the_same_air_reads_less_where_it_is_warmer() {
        // Worked with IAPWS-95: 85 %RH at 24 °C is 75.4 %RH at 26 °C.
        assert!((humidity_at_pct(85.0, 24.0, 26.0) - 75.4).abs() < 0.05);
    }

    proptest! {
        #[test]
        fn dew_point_inverts_saturation(t_c in -40.0..60.0_f64) {
            let back_c = dew_point_c(saturation_vapour_pressure_pa(t_c)).expect("the pressure is positive");
            prop_assert!((back_c - t_c).abs() < 1e-10);
        }

        #[test]
        fn carrying_humidity_there_and_back_changes_nothing(
            rh_pct in 0.0..105.0_f64, from_c in -40.0..60.0_f64, to_c in -40.0..60.0_f64,
        ) {
            let there_pct = humidity_at_pct(rh_pct, from_c, to_c);
            prop_assert!((humidity_at_pct(there_pct, to_c, from_c) - rh_pct).abs() < 1e-10);
            // The water stays the same.
            let kept_pa = vapour_pressure_pa(to_c, there_pct);
            prop_assert!((kept_pa - vapour_pressure_pa(from_c, rh_pct)).abs() <= 1e-12 * kept_pa.max(1.0));
            prop_assert!((relative_humidity_pct(to_c, kept_pa) - there_pct).abs() <= 1e-10 * there_pct.max(1.0));
        }

        #[test]
        fn density_and_pressure_invert_each_other(t_c in -40.0..60.0_f64, e_pa in 0.0..20_000.0_f64) {
            let back_pa = vapour_pressure_from_density_pa(t_c, vapour_density_g_m3(t_c, e_pa));
            prop_assert!((back_pa - e_pa).abs() <= 1e-9);
        }

        #[test]
        fn saturation_rises_with_temperature_at_its_stated_slope(t_c in -40.0..60.0_f64) {
            let step_k = 1e-3;
            let (low_pa, high_pa) =
                (saturation_vapour_pressure_pa(t_c - step_k), saturation_vapour_pressure_pa(t_c + step_k));
            prop_assert!(high_pa > low_pa);
            prop_assert!(((high_pa / low_pa).ln() / (2.0 * step_k) - log_slope_per_k(t_c)).abs() < 1e-8);
        }
    }
}

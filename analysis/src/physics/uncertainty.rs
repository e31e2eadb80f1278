//! How far a vapour pressure, a carried humidity or the difference of two sensors can be trusted.
//!
//! In: readings with standard uncertainties, °C and %RH. Out: standard uncertainties by the law of propagation. Knows no
//! sensor, time or file. First order: the relative curvature left out, `(s u_t)²/2`, is below 0.001 for `u_t` up to 0.5 K.
//! Sources: [JCGM100] Eq. 10 and 4.3.7, [ISO13528] in `SOURCES.md`.

use super::humidity::{humidity_at_pct, log_slope_per_k, saturation_vapour_pressure_pa, vapour_pressure_pa};

/// Coverage factor of an expanded uncertainty: about 95 % for a normal distribution. Source: [JCGM100] 6.3.3.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// Standard uncertainty of a value known only to lie within `±limit`: `limit / √3`, in the unit of the limit.
///
/// Data sheets give limits without a coverage; [JCGM100] 4.3.7 then takes every value inside as equally likely.
pub fn rectangular(limit: f64) -> f64 {
    limit / 3.0_f64.sqrt()
}

/// Standard uncertainty of a value that was rounded or digitised to steps of `resolution`: `resolution / √12`.
/// Source: [JCGM100] F.2.2.1.
pub fn of_resolution(resolution: f64) -> f64 {
    resolution / 12.0_f64.sqrt()
}

/// One reading of air with its standard uncertainties, taken as independent of each other.
///
/// A humidity that a chip computed with its own temperature is not independent of it: an error of the chip's own heating then
/// cancels in the vapour pressure, and these functions overstate that part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirReading {
    /// Air temperature, °C.
    pub t_c: f64,
    /// Relative humidity, %.
    pub rh_pct: f64,
    /// Standard uncertainty of the temperature, K.
    pub u_t_k: f64,
    /// Standard uncertainty of the humidity, %RH.
    pub u_rh_pct: f64,
}

impl AirReading {
    /// A reading with the limits of a data sheet, `±rh_limit_pct` and `±t_limit_k`, taken as [`rectangular`].
    pub fn with_limits(t_c: f64, rh_pct: f64, rh_limit_pct: f64, t_limit_k: f64) -> AirReading {
        AirReading {
            t_c,
            rh_pct,
            u_t_k: rectangular(t_limit_k),
            u_rh_pct: rectangular(rh_limit_pct),
        }
    }

    /// Standard uncertainty of the humidity when this air is judged by its water: the humidity's own and the temperature's share,
    /// `√(u_RH² + (RH · s · u_t)²)` in %RH at the reading's temperature, with `s = d ln e_s / dT`.
    fn u_water_pct(&self) -> f64 {
        self.u_rh_pct
            .hypot(self.rh_pct * log_slope_per_k(self.t_c) * self.u_t_k)
    }
}

/// Standard uncertainty of the vapour pressure of a reading, in Pa.
///
/// # Method
/// `(u(e)/e)² = (u(RH)/RH)² + (s u(t))²`, [JCGM100] Eq. 10, written without the division so that 0 %RH is allowed.
///
/// # Accuracy
/// Within 0.1 % of the reference table: `tests::against_the_table_of_sensitivities`.
pub fn vapour_pressure_uncertainty_pa(reading: &AirReading) -> f64 {
    reading.u_water_pct() / 100.0 * saturation_vapour_pressure_pa(reading.t_c)
}

/// Standard uncertainty of the dew point of a reading, in K: `u(e) / (e · s(t_d))`. `None` for dry air, which has no dew point.
pub fn dew_point_uncertainty_k(reading: &AirReading) -> Option<f64> {
    let e_pa = vapour_pressure_pa(reading.t_c, reading.rh_pct);
    let dew_point_c = super::humidity::dew_point_c(e_pa)?;
    Some(vapour_pressure_uncertainty_pa(reading) / (e_pa * log_slope_per_k(dew_point_c)))
}

/// Standard uncertainty, in %RH, of a humidity that was carried to `to_t_c` (see [`humidity_at_pct`]); `to_t_c` is taken as exact.
pub fn carried_humidity_uncertainty_pct(reading: &AirReading, to_t_c: f64) -> f64 {
    humidity_at_pct(reading.u_water_pct(), reading.t_c, to_t_c)
}

/// The difference of two humidity readings, judged at the first one's temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HumidityDifference {
    /// First minus second, both at the first one's temperature, %RH.
    pub difference_pct: f64,
    /// Standard uncertainty, %RH.
    pub standard_uncertainty_pct: f64,
}

impl HumidityDifference {
    /// Expanded uncertainty with [`COVERAGE_FACTOR`], %RH.
    pub fn expanded_uncertainty_pct(&self) -> f64 {
        COVERAGE_FACTOR * self.standard_uncertainty_pct
    }

    /// The difference over its expanded uncertainty: within ±1 the two readings are compatible ([ISO13528], E_n).
    /// `None` when the uncertainty is zero.
    pub fn normalised_error(&self) -> Option<f64> {
        let expanded_pct = self.expanded_uncertainty_pct();
        (expanded_pct > 0.0).then(|| self.difference_pct / expanded_pct)
    }
}

/// The difference of two sensors in the same air, compared by their water and stated in %RH at `a`'s temperature.
///
/// # Arguments
/// - `a`, `b`: the two readings; their errors are taken as independent.
/// - `u_place_pct`: standard uncertainty for the two places not holding the same water, %RH.
///
/// # Method
/// `D = RH_A − RH_B e_s(t_B)/e_s(t_A)` and
/// `u(D)² = u(RH_A)² + (RH_B e_s(t_B)/e_s(t_A))² [(u(RH_B)/RH_B)² + s² (u(t_A)² + u(t_B)²)] + u_place²`, [JCGM100] Eq. 10,
/// with `s` at each reading's own temperature.
///
/// # Accuracy
/// Within 0.1 % of the reference table for two like sensors: `tests::against_the_table_of_sensitivities`.
pub fn humidity_difference(a: &AirReading, b: &AirReading, u_place_pct: f64) -> HumidityDifference {
    let carried_pct = humidity_at_pct(b.rh_pct, b.t_c, a.t_c);
    let from_a_t_pct = carried_pct * log_slope_per_k(a.t_c) * a.u_t_k;
    let from_b_pct = carried_humidity_uncertainty_pct(b, a.t_c);
    let variance = a.u_rh_pct.powi(2) + from_a_t_pct.powi(2) + from_b_pct.powi(2) + u_place_pct.powi(2);
    HumidityDifference {
        difference_pct: a.rh_pct - carried_pct,
        standard_uncertainty_pct: variance.sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::physics::reference_table::rows;

    const SENSITIVITIES: &str = include_str!("../../../tests/reference/uncertainty_sensitivities.csv");

    /// Half of the last printed digit, and 0.1 % for the other saturation formula behind the table.
    #[track_caller]
    fn check(what: &str, computed: f64, expected: f64, last_digit: f64) {
        let allowed = 0.501 * last_digit + 0.001 * expected.abs();
        assert!(
            (computed - expected).abs() <= allowed,
            "{what}: {computed}, expected {expected}"
        );
    }

    #[test]
    fn against_the_table_of_sensitivities() {
        let table = rows(SENSITIVITIES);
        assert_eq!(table.len(), 144);
        for row in table {
            let reading = AirReading::with_limits(
                row.number("t_c"),
                row.number("rh_pct"),
                row.number("rh_accuracy_limit_pct"),
                row.number("t_accuracy_limit_k"),
            );
            let u_e_pa = vapour_pressure_uncertainty_pa(&reading);
            check("u(e)", u_e_pa, row.number("u_vapour_pressure_pa"), 0.01);
            let u_dew_k = dew_point_uncertainty_k(&reading).expect("the air holds water");
            check("u(t_d)", u_dew_k, row.number("u_dewpoint_k"), 0.001);
            let u_carried_pct = carried_humidity_uncertainty_pct(&reading, reading.t_c);
            check(
                "u(RH carried)",
                u_carried_pct,
                row.number("u_rh_at_common_temperature_pp"),
                0.001,
            );
            let difference = humidity_difference(&reading, &reading, 0.0);
            check(
                "u(D)",
                difference.standard_uncertainty_pct,
                row.number("u_difference_two_equal_sensors_pp"),
                0.001,
            );
            check(
                "U(D)",
                difference.expanded_uncertainty_pct(),
                row.number("U_difference_k2_pp"),
                0.01,
            );
            assert!(difference.difference_pct.abs() < 1e-12);
        }
    }

    #[test]
    fn carried_uncertainty_scales_with_the_saturation_ratio() {
        let reading = AirReading::with_limits(24.0, 85.0, 2.0, 0.0);
        // The same air reads 85 %RH at 24 °C and 75.4 %RH at 26 °C (IAPWS-95), so the limit shrinks by the same ratio.
        let expected_pct = 2.0 / 3.0_f64.sqrt() * 75.4 / 85.0;
        assert!((carried_humidity_uncertainty_pct(&reading, 26.0) - expected_pct).abs() < 0.001);
    }

    #[test]
    fn dry_air_has_an_uncertain_vapour_pressure_but_no_dew_point() {
        let dry = AirReading::with_limits(20.0, 0.0, 3.0, 0.3);
        assert!(vapour_pressure_uncertainty_pa(&dry) > 0.0);
        assert_eq!(dew_point_uncertainty_k(&dry), None);
    }

    #[test]
    fn a_difference_without_uncertainty_has_no_normalised_error() {
        let exact = AirReading {
            t_c: 20.0,
            rh_pct: 50.0,
            u_t_k: 0.0,
            u_rh_pct: 0.0,
        };
        assert_eq!(humidity_difference(&exact, &exact, 0.0).normalised_error(), None);
    }

    proptest! {
        /// The closed form against central differences of the definition of D.
        #[test]
        fn propagation_agrees_with_numerical_derivatives(
            t_a in 5.0..45.0_f64, t_b in 5.0..45.0_f64, rh_a in 5.0..100.0_f64, rh_b in 5.0..100.0_f64,
            u_t in 0.05..0.5_f64, u_rh in 0.2..3.0_f64, u_place in 0.0..2.0_f64,
        ) {
            let d = |x: [f64; 4]| x[1] - x[3] * saturation_vapour_pressure_pa(x[2]) / saturation_vapour_pressure_pa(x[0]);
            let (at, u) = ([t_a, rh_a, t_b, rh_b], [u_t, u_rh, u_t, u_rh]);
            let mut variance = u_place * u_place;
            for i in 0..4 {
                let (mut up, mut down) = (at, at);
                up[i] += 1e-4;
                down[i] -= 1e-4;
                variance += ((d(up) - d(down)) / 2e-4 * u[i]).powi(2);
            }
            let a = AirReading { t_c: t_a, rh_pct: rh_a, u_t_k: u_t, u_rh_pct: u_rh };
            let b = AirReading { t_c: t_b, rh_pct: rh_b, u_t_k: u_t, u_rh_pct: u_rh };
            let difference = humidity_difference(&a, &b, u_place);
            prop_assert!((difference.standard_uncertainty_pct - variance.sqrt()).abs() < 1e-5 * variance.sqrt());
            prop_assert!((difference.difference_pct - d(at)).abs() < 1e-10);
        }
    }
}

//! The relative humidity over saturated salt solutions: a fixed point for checking a humidity sensor in a closed jar.
//!
//! In: a salt and the temperature of the jar. Out: %RH with its standard uncertainty. Knows no sensor.
//! Several of these salts are caustic or oxidising; which of them a keeper is told to use is decided elsewhere.
//! Sources: [Greenspan1977], [WexlerHasegawa1954] in `SOURCES.md`.

use super::uncertainty::rectangular;

/// A salt with a tabulated fixed point, from dry to wet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Salt {
    /// LiCl, about 11 %RH.
    LithiumChloride,
    /// MgCl2, about 33 %RH.
    MagnesiumChloride,
    /// K2CO3, about 43 %RH.
    PotassiumCarbonate,
    /// Mg(NO3)2, about 53 %RH.
    MagnesiumNitrate,
    /// NaBr, about 58 %RH.
    SodiumBromide,
    /// NaCl, table salt, about 75 %RH.
    SodiumChloride,
    /// KCl, about 84 %RH.
    PotassiumChloride,
    /// KNO3, about 94 %RH.
    PotassiumNitrate,
    /// K2SO4, about 97 %RH.
    PotassiumSulphate,
}

/// The humidity over a saturated salt at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedPoint {
    /// Equilibrium relative humidity, %.
    pub rh_pct: f64,
    /// Standard uncertainty of the table, %RH: stated uncertainty over √3, since its coverage is not stated clearly.
    pub standard_uncertainty_pct: f64,
    /// Slope of the humidity with temperature, %RH per K.
    pub slope_pct_per_k: f64,
}

/// A temperature outside the range for which the salt is tabulated; never clamped.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{name} {value} °C is outside {low} to {high} °C, the range tabulated for {salt:?}")]
pub struct OutOfRange {
    pub name: &'static str,
    pub salt: Salt,
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

/// Temperature step of the table of uncertainties, K.
const TABLE_STEP_K: f64 = 5.0;

/// Standard uncertainty, %RH, to add for a jar at home: ±0.5 %RH taken as rectangular. Two careful laboratories differ by
/// −0.6 to +0.5 %RH on NaCl ([WexlerHasegawa1954] against [Greenspan1977]), more than either states.
pub const HOME_JAR_LIMIT_PCT: f64 = 0.5;

/// What one salt's table holds.
struct Table {
    /// `RH = a0 + a1 t + a2 t² + a3 t³`, t in °C, RH in %.
    coefficients: [f64; 4],
    /// First tabulated temperature, °C.
    low_c: f64,
    /// Stated uncertainty, %RH, every 5 K from `low_c` on. The last entry is the end of the range.
    stated_uncertainty_pct: &'static [f64],
}

impl Salt {
    /// Every salt, from dry to wet.
    pub const ALL: [Salt; 9] = [
        Salt::LithiumChloride,
        Salt::MagnesiumChloride,
        Salt::PotassiumCarbonate,
        Salt::MagnesiumNitrate,
        Salt::SodiumBromide,
        Salt::SodiumChloride,
        Salt::PotassiumChloride,
        Salt::PotassiumNitrate,
        Salt::PotassiumSulphate,
    ];

    /// The chemical formula in plain letters, as in the reference table.
    pub const fn formula(self) -> &'static str {
        match self {
            Salt::LithiumChloride => "LiCl",
            Salt::MagnesiumChloride => "MgCl2",
            Salt::PotassiumCarbonate => "K2CO3",
            Salt::MagnesiumNitrate => "Mg(NO3)2",
            Salt::SodiumBromide => "NaBr",
            Salt::SodiumChloride => "NaCl",
            Salt::PotassiumChloride => "KCl",
            Salt::PotassiumNitrate => "KNO3",
            Salt::PotassiumSulphate => "K2SO4",
        }
    }

    /// Coefficients and uncertainties of [Greenspan1977]; provenance per salt in `tests/reference/salt_fits.csv` and
    /// `salt_fixed_points.csv`. The linear terms of LiCl and K2CO3 are positive: copies with a minus sign exist and do not
    /// reproduce the printed table. NaBr is a cubic through the remembered table.
    const fn table(self) -> Table {
        let (coefficients, low_c, stated_uncertainty_pct): ([f64; 4], f64, &'static [f64]) = match self {
            Salt::LithiumChloride => (
                [11.2323, 0.008_242_45, -0.000_214_89, 0.0],
                0.0,
                &[0.54, 0.47, 0.41, 0.35, 0.31, 0.27, 0.24, 0.22, 0.21, 0.21, 0.22],
            ),
            Salt::MagnesiumChloride => (
                [33.6686, -0.007_973_97, -0.001_089_88, 0.0],
                0.0,
                &[0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14, 0.13, 0.13, 0.13, 0.14],
            ),
            Salt::PotassiumCarbonate => (
                [43.1315, 0.001_475_23, 0.0, 0.0],
                0.0,
                &[0.66, 0.50, 0.39, 0.33, 0.33, 0.39, 0.50],
            ),
            Salt::MagnesiumNitrate => (
                [60.3514, -0.298_153, 0.0, 0.0],
                0.0,
                &[0.55, 0.43, 0.33, 0.27, 0.23, 0.22, 0.24, 0.29, 0.37, 0.47, 0.60],
            ),
            Salt::SodiumBromide => (
                [64.709_667, -0.221_330_61, -0.004_043_123_5, 5.914_529_9e-5],
                5.0,
                &[0.72, 0.60, 0.51, 0.44, 0.40, 0.38, 0.38, 0.41, 0.47, 0.55],
            ),
            Salt::SodiumChloride => (
                [75.5164, 0.039_832_1, -0.002_654_59, 2.848e-5],
                0.0,
                &[0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11, 0.12, 0.13, 0.16, 0.19],
            ),
            Salt::PotassiumChloride => (
                [88.619, -0.193_34, 0.000_899_706, 0.0],
                0.0,
                &[0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25, 0.25, 0.25, 0.28, 0.31],
            ),
            Salt::PotassiumNitrate => (
                [96.3361, 0.011_237_1, -0.004_845_14, 0.0],
                0.0,
                &[2.90, 2.10, 1.40, 0.96, 0.66, 0.55, 0.60, 0.83, 1.20, 1.80, 2.50],
            ),
            Salt::PotassiumSulphate => (
                [98.7792, -0.059_050_2, 0.0, 0.0],
                0.0,
                &[1.10, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40, 0.38, 0.38, 0.40, 0.45],
            ),
        };
        Table {
            coefficients,
            low_c,
            stated_uncertainty_pct,
        }
    }
}

/// The humidity over a saturated solution of `salt` at `t_c`.
///
/// # Errors
/// [`OutOfRange`] outside the tabulated temperatures (0 to 50 °C; K2CO3 to 30 °C; NaBr from 5 °C) or when not finite.
///
/// # Method
/// The published polynomial; its stated uncertainty is interpolated linearly between the 5 K steps of the table.
///
/// # Accuracy
/// Within 0.0105 %RH of the printed table, which truncates to 0.01: `tests::against_the_printed_table`.
pub fn equilibrium_humidity_pct(salt: Salt, t_c: f64) -> Result<FixedPoint, OutOfRange> {
    let table = salt.table();
    let step_count = table.stated_uncertainty_pct.len() - 1;
    let high_c = table.low_c + TABLE_STEP_K * step_count as f64;
    if !(table.low_c..=high_c).contains(&t_c) {
        return Err(OutOfRange {
            name: "jar temperature",
            salt,
            value: t_c,
            low: table.low_c,
            high: high_c,
        });
    }
    let [a0, a1, a2, a3] = table.coefficients;
    let position = (t_c - table.low_c) / TABLE_STEP_K;
    let index = (position as usize).min(step_count - 1);
    let share = position - index as f64;
    let (before, after) = (
        table.stated_uncertainty_pct[index],
        table.stated_uncertainty_pct[index + 1],
    );
    Ok(FixedPoint {
        rh_pct: a0 + t_c * (a1 + t_c * (a2 + t_c * a3)),
        standard_uncertainty_pct: rectangular(before + share * (after - before)),
        slope_pct_per_k: a1 + t_c * (2.0 * a2 + t_c * 3.0 * a3),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::reference_table::rows;

    const FITS: &str = include_str!("../../../tests/reference/salt_fits.csv");
    const POINTS: &str = include_str!("../../../tests/reference/salt_fixed_points.csv");

    fn salt(formula: &str) -> Salt {
        Salt::ALL
            .into_iter()
            .find(|salt| salt.formula() == formula)
            .expect("every salt of the table is known")
    }

    #[test]
    fn against_the_printed_table() {
        let mut worst_pct: f64 = 0.0;
        let table = rows(POINTS);
        assert_eq!(table.len(), 94);
        for row in table {
            let point = equilibrium_humidity_pct(salt(row.text("salt")), row.number("t_c"))
                .expect("the table is inside the range");
            worst_pct = worst_pct.max((point.rh_pct - row.number("rh_pct")).abs());
            let u_pct = row.number("suggested_standard_uncertainty_pct");
            assert!(
                (point.standard_uncertainty_pct - u_pct).abs() <= 0.000_51,
                "{}",
                row.text("salt")
            );
            assert!((point.slope_pct_per_k - row.number("drh_dt_pct_per_k")).abs() <= 0.000_051);
        }
        println!("fit against table: {worst_pct:.4} %RH");
        assert!(worst_pct <= 0.0105);
    }

    #[test]
    fn coefficients_are_those_of_the_table_of_fits() {
        for row in rows(FITS) {
            let expected = ["a0", "a1", "a2", "a3"].map(|name| row.number(name));
            assert_eq!(
                salt(row.text("salt")).table().coefficients,
                expected,
                "{}",
                row.text("salt")
            );
        }
    }

    #[test]
    fn table_salt_agrees_with_the_handbook_near_room_temperature() {
        // CRC Handbook, section 15, states ±2 %.
        for row in rows(POINTS) {
            if row.text("salt") == "NaCl"
                && let Some(handbook_pct) = row.number_or_none("rh_pct_crc_wexler")
            {
                let point = equilibrium_humidity_pct(Salt::SodiumChloride, row.number("t_c"))
                    .expect("it is tabulated");
                assert!((point.rh_pct - handbook_pct).abs() < 0.3);
            }
        }
    }

    #[test]
    fn outside_the_table_is_refused_not_extrapolated() {
        assert!(equilibrium_humidity_pct(Salt::PotassiumCarbonate, 30.0).is_ok());
        let refused =
            equilibrium_humidity_pct(Salt::PotassiumCarbonate, 31.0).expect_err("tabulated to 30 °C");
        assert_eq!((refused.low, refused.high), (0.0, 30.0));
        assert!(equilibrium_humidity_pct(Salt::SodiumBromide, 4.9).is_err());
        assert!(equilibrium_humidity_pct(Salt::SodiumChloride, f64::NAN).is_err());
    }
}

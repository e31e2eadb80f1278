//! When the sun rises and sets at a place.
//!
//! Method: the spreadsheet of the NOAA Solar Calculator (after Meeus, Astronomical Algorithms): mean longitude and anomaly, equation of the
//! centre, apparent longitude, obliquity, equation of time, hour angle; evaluated at local solar noon of the date, then once more at the
//! event itself. The sun rises and sets with its centre 0.833° below the horizon: half its width and the usual refraction.
//! Accuracy: within a minute of ephem (VSOP87) between 65° south and north: `tests::against_the_reference`. Hills and walls are not known to it.

use chrono::{Datelike, NaiveDate};

/// A place on the earth, degrees; north and east positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    pub latitude_deg: f64,
    pub longitude_deg: f64,
}

/// Beyond this the sun stays up or down on some days of the year; light hours then need a clock.
pub const LATITUDE_DEG_MAX: f64 = 65.0;
/// The sun's centre at rise and set, below the zenith.
const ZENITH_DEG: f64 = 90.833;
const MS_PER_DAY: f64 = 86_400_000.0;
/// 2000-01-01T12:00Z, the epoch J2000.0, in ms since 1970.
const J2000_MS: f64 = 946_728_000_000.0;
const DAYS_PER_CENTURY: f64 = 36_525.0;

impl Place {
    /// Instants of sunrise and sunset on the local `date`, ms; the sun's noon between them falls on that date by mean solar time.
    pub fn sun_ms(self, date: NaiveDate) -> (i64, i64) {
        let days = f64::from(date.num_days_from_ce() - NaiveDate::default().num_days_from_ce());
        let mean_noon_ms = (days + 0.5 - self.longitude_deg / 360.0) * MS_PER_DAY;
        let event = |sign: f64| {
            let at = |near_ms: f64| {
                let (declination, equation_min) = sun(near_ms);
                let cosine = ZENITH_DEG.to_radians().cos()
                    / (self.latitude_deg.to_radians().cos() * declination.cos())
                    - self.latitude_deg.to_radians().tan() * declination.tan();
                let hour_angle_deg = cosine.clamp(-1.0, 1.0).acos().to_degrees();
                mean_noon_ms + (sign * hour_angle_deg * 4.0 - equation_min) * 60_000.0
            };
            at(at(mean_noon_ms)) as i64
        };
        (event(-1.0), event(1.0))
    }
}

/// The sun's declination, rad, and the equation of time, min, at an instant.
fn sun(at_ms: f64) -> (f64, f64) {
    let t = (at_ms - J2000_MS) / MS_PER_DAY / DAYS_PER_CENTURY;
    let mean_longitude = (280.466_46 + t * (36_000.769_83 + t * 0.000_303_2)).rem_euclid(360.0);
    let anomaly = (357.529_11 + t * (35_999.050_29 - 0.000_153_7 * t)).to_radians();
    let eccentricity = 0.016_708_634 - t * (0.000_042_037 + 0.000_000_126_7 * t);
    let centre = anomaly.sin() * (1.914_602 - t * (0.004_817 + 0.000_014 * t))
        + (2.0 * anomaly).sin() * (0.019_993 - 0.000_101 * t)
        + (3.0 * anomaly).sin() * 0.000_289;
    let node = (125.04 - 1934.136 * t).to_radians();
    let longitude = (mean_longitude + centre - 0.005_69 - 0.004_78 * node.sin()).to_radians();
    let obliquity = (23.0
        + (26.0 + (21.448 - t * (46.815 + t * (0.000_59 - t * 0.001_813))) / 60.0) / 60.0
        + 0.002_56 * node.cos())
    .to_radians();
    let declination = (obliquity.sin() * longitude.sin()).asin();
    let y = (obliquity / 2.0).tan().powi(2);
    let twice = 2.0 * mean_longitude.to_radians();
    let equation = y * twice.sin() - 2.0 * eccentricity * anomaly.sin()
        + 4.0 * eccentricity * y * anomaly.sin() * twice.cos()
        - 0.5 * y * y * (2.0 * twice).sin()
        - 1.25 * eccentricity * eccentricity * (2.0 * anomaly).sin();
    (declination, 4.0 * equation.to_degrees())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with ephem; the file's header says how.
    const CASES: &str = include_str!("../../tests/reference/sun_cases.csv");
    const TOLERANCE_MS: i64 = 60_000;

    #[test]
    fn against_the_reference() {
        let mut seen = 0;
        for line in CASES.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |index: usize| cells[index].parse::<f64>().expect("a number of the table");
            let instant = |index: usize| {
                chrono::DateTime::parse_from_rfc3339(cells[index])
                    .expect("an instant of the table")
                    .timestamp_millis()
            };
            let place = Place {
                latitude_deg: number(1),
                longitude_deg: number(2),
            };
            let (rise_ms, set_ms) = place.sun_ms(cells[3].parse().expect("a date"));
            assert!((rise_ms - instant(4)).abs() <= TOLERANCE_MS, "{line}: {rise_ms}");
            assert!((set_ms - instant(5)).abs() <= TOLERANCE_MS, "{line}: {set_ms}");
            seen += 1;
        }
        assert_eq!(seen, 49);
    }
}

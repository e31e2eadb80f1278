//! What can be measured, in which unit it is stored, and every conversion into that unit.
//!
//! In: a number with a unit code as a device or a person wrote it. Out: the same quantity in the one unit that the archive
//! holds. This is the only place with unit arithmetic. Unit codes are those of SenML (RFC 8428, RFC 8798) and UCUM.

use std::fmt;

/// A quantity that a sensor or device reports. The archive holds one unit for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Air temperature, °C.
    Temperature,
    /// Relative humidity over liquid water, 0–100 %RH.
    Humidity,
    /// Air pressure, Pa.
    Pressure,
    /// Illuminance, lx.
    Illuminance,
    /// UV index, dimensionless.
    UvIndex,
    /// Water temperature, °C.
    WaterTemperature,
    /// Soil moisture by volume, %.
    SoilMoisture,
    /// Battery charge, %.
    Battery,
    /// A device on (1) or off (0).
    State,
}

/// What is physically possible for a quantity, in its stored unit. A reading outside is kept and marked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PossibleRange {
    pub low: f64,
    pub high: f64,
}

/// A unit code that does not belong to the quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "unit `{unit}` does not measure {quantity}; expected one of {expected}{}",
    meant(unit)
)]
pub struct WrongUnit {
    pub unit: String,
    pub quantity: Quantity,
    pub expected: String,
}

/// The code of what people often write for a unit, to follow an error.
fn meant(unit: &str) -> String {
    let lower = unit.trim().trim_start_matches('°').to_lowercase();
    match lower.as_str() {
        "f" | "degf" | "fahrenheit" => "; °F is `[degF]`".to_owned(),
        "c" | "degc" | "celsius" => "; °C is `Cel`".to_owned(),
        "rh" | "percent" => "; percent is `%RH`".to_owned(),
        _ => String::new(),
    }
}

impl Quantity {
    /// Every quantity, in the order in which they are listed to people.
    pub const ALL: [Quantity; 9] = [
        Quantity::Temperature,
        Quantity::Humidity,
        Quantity::Pressure,
        Quantity::Illuminance,
        Quantity::UvIndex,
        Quantity::WaterTemperature,
        Quantity::SoilMoisture,
        Quantity::Battery,
        Quantity::State,
    ];

    /// The word used in site files, tidy CSV and the archive.
    pub const fn name(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Pressure => "pressure",
            Quantity::Illuminance => "illuminance",
            Quantity::UvIndex => "uv-index",
            Quantity::WaterTemperature => "water-temperature",
            Quantity::SoilMoisture => "soil-moisture",
            Quantity::Battery => "battery",
            Quantity::State => "state",
        }
    }

    /// The quantity of that name, if there is one.
    pub fn from_name(name: &str) -> Option<Quantity> {
        Quantity::ALL.into_iter().find(|q| q.name() == name)
    }

    /// The SenML code of the one unit in which the archive holds this quantity; empty for states and the UV index.
    pub const fn stored_unit(self) -> &'static str {
        match self {
            Quantity::Temperature | Quantity::WaterTemperature => "Cel",
            Quantity::Humidity => "%RH",
            Quantity::Pressure => "Pa",
            Quantity::Illuminance => "lx",
            Quantity::UvIndex | Quantity::State => "",
            Quantity::SoilMoisture => "%",
            Quantity::Battery => "%EL",
        }
    }

    /// The physically possible range in the stored unit. Outside it a reading is kept with a mark.
    ///
    /// Humidity: a capacitive element may read a little over saturation, so 0 to 105 %RH is still a measurement
    /// (common practice, no source). Temperature: −40 to 85 °C is the span that digital probes cover (common practice, no
    /// source); anything outside is a wire or a fault code, such as 85.0 or −127 from a bus probe, not a room.
    pub const fn possible(self) -> PossibleRange {
        let (low, high) = match self {
            Quantity::Temperature => (-40.0, 84.9),
            Quantity::Humidity => (0.0, 105.0),
            Quantity::Pressure => (50_000.0, 110_000.0),
            Quantity::Illuminance => (0.0, 200_000.0),
            Quantity::UvIndex => (0.0, 20.0),
            Quantity::WaterTemperature => (-2.0, 60.0),
            Quantity::SoilMoisture | Quantity::Battery => (0.0, 100.0),
            Quantity::State => (0.0, 1.0),
        };
        PossibleRange { low, high }
    }

    /// Unit codes accepted for this quantity, the stored one first.
    pub const fn accepted_units(self) -> &'static [&'static str] {
        match self {
            Quantity::Temperature | Quantity::WaterTemperature => &["Cel", "[degF]", "K"],
            Quantity::Humidity => &["%RH", "%", "/"],
            Quantity::Pressure => &["Pa", "hPa", "kPa", "mbar", "bar"],
            Quantity::Illuminance => &["lx", "klx"],
            Quantity::UvIndex | Quantity::State => &["", "1", "/"],
            Quantity::SoilMoisture => &["%", "/"],
            Quantity::Battery => &["%EL", "%", "/"],
        }
    }

    /// `value` with `unit` in the stored unit of this quantity.
    ///
    /// `/` is SenML's ratio: a fraction 0–1 becomes per cent. Kelvin uses 273.15 exactly, °F uses (F − 32) · 5/9 exactly
    /// (BIPM SI brochure; NIST SP 811).
    ///
    /// # Errors
    /// [`WrongUnit`] when the code does not measure this quantity.
    pub fn to_stored(self, value: f64, unit: &str) -> Result<f64, WrongUnit> {
        if !self.accepted_units().contains(&unit) {
            return Err(WrongUnit {
                unit: unit.to_owned(),
                quantity: self,
                expected: self
                    .accepted_units()
                    .iter()
                    .map(|u| format!("`{u}`"))
                    .collect::<Vec<_>>()
                    .join(", "),
            });
        }
        Ok(match (self, unit) {
            (Quantity::Temperature | Quantity::WaterTemperature, "[degF]") => (value - 32.0) * 5.0 / 9.0,
            (Quantity::Temperature | Quantity::WaterTemperature, "K") => value - 273.15,
            (Quantity::Humidity | Quantity::SoilMoisture | Quantity::Battery, "/") => value * 100.0,
            (Quantity::Pressure, "hPa" | "mbar") => value * 100.0,
            (Quantity::Pressure, "kPa") => value * 1000.0,
            (Quantity::Pressure, "bar") => value * 100_000.0,
            (Quantity::Illuminance, "klx") => value * 1000.0,
            _ => value,
        })
    }

    /// Another unit in which stored values of a room or enclosure would be possible, where they are not in the stored one; with what they would be
    /// then, in words. No enclosure's air is as hot as 45 °C or as dry as 1 %RH (common practice, no source).
    pub fn fits_rather(self, low: f64, high: f64) -> Option<(&'static str, &'static str)> {
        match self {
            Quantity::Temperature | Quantity::WaterTemperature if low >= 45.0 && high <= 130.0 => {
                Some(("[degF]", "too hot for any enclosure in °C; they fit in °F"))
            }
            Quantity::Temperature | Quantity::WaterTemperature if low >= 250.0 && high <= 330.0 => {
                Some(("K", "too hot for any enclosure in °C; they fit in K"))
            }
            Quantity::Humidity if low >= 0.0 && high <= 1.0 => {
                Some(("/", "too dry for any enclosure in %RH; they fit as shares of 1"))
            }
            _ => None,
        }
    }

    /// The quantity that a unit code measures when nothing else says so (SenML packs without a declared quantity).
    pub fn from_unit(unit: &str) -> Option<Quantity> {
        match unit {
            "Cel" | "[degF]" | "K" => Some(Quantity::Temperature),
            "%RH" => Some(Quantity::Humidity),
            "Pa" | "hPa" | "kPa" | "mbar" | "bar" => Some(Quantity::Pressure),
            "lx" | "klx" => Some(Quantity::Illuminance),
            "%EL" => Some(Quantity::Battery),
            _ => None,
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(quantity: Quantity, value: f64, unit: &str, expected: f64) {
        let stored = quantity
            .to_stored(value, unit)
            .expect("the unit measures this quantity");
        assert!(
            (stored - expected).abs() < 1e-9,
            "{value} {unit} became {stored}, expected {expected}"
        );
    }

    #[test]
    fn units_become_the_stored_unit() {
        // Fixed points of the scales: NIST SP 811, appendix B.
        check(Quantity::Temperature, 212.0, "[degF]", 100.0);
        check(Quantity::Temperature, -40.0, "[degF]", -40.0);
        check(Quantity::Temperature, 273.15, "K", 0.0);
        check(Quantity::Humidity, 0.812, "/", 81.2);
        check(Quantity::Pressure, 1013.25, "hPa", 101_325.0);
        check(Quantity::Pressure, 1.0, "bar", 100_000.0);
    }

    #[test]
    fn values_that_no_enclosure_has_fit_in_another_unit() {
        let unit = |quantity: Quantity, low, high| quantity.fits_rather(low, high).map(|(unit, _)| unit);
        assert_eq!(unit(Quantity::Temperature, 68.0, 75.2), Some("[degF]"));
        assert_eq!(unit(Quantity::Temperature, 293.0, 298.0), Some("K"));
        assert_eq!(unit(Quantity::Temperature, 20.0, 75.2), None);
        assert_eq!(unit(Quantity::Humidity, 0.61, 0.98), Some("/"));
        assert_eq!(unit(Quantity::Humidity, 0.9, 61.0), None);
    }

    #[test]
    fn a_unit_of_another_quantity_is_refused_with_the_words_to_use() {
        let refused = Quantity::Humidity
            .to_stored(20.0, "Cel")
            .expect_err("degrees do not measure humidity");
        assert_eq!(
            refused.to_string(),
            "unit `Cel` does not measure humidity; expected one of `%RH`, `%`, `/`"
        );
        let refused = Quantity::Temperature
            .to_stored(72.0, "°F")
            .expect_err("not a code");
        assert!(refused.to_string().ends_with("; °F is `[degF]`"), "{refused}");
    }

    #[test]
    fn names_round_trip() {
        for quantity in Quantity::ALL {
            assert_eq!(Quantity::from_name(quantity.name()), Some(quantity));
        }
    }
}

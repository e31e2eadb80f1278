//! How a check is prepared, with its cautions.

use std::fmt::Write;

use crate::physics::salt::{Salt, equilibrium_humidity_pct};

/// The salts that a keeper is told of: none of them is poisonous on touch in this use, and all can be had from a pharmacy or grocer.
const OFFERED: [(Salt, &str); 4] = [
    (Salt::MagnesiumChloride, "magnesium chloride"),
    (Salt::SodiumChloride, "table salt"),
    (Salt::PotassiumChloride, "potassium chloride"),
    (Salt::PotassiumSulphate, "potassium sulphate"),
];
const TABLE_C: [f64; 3] = [20.0, 25.0, 30.0];

const BESIDE: &str = "\
Side by side: several sensors in one tub
  1. Think of the animals first: never take out a probe that a thermostat or humidistat follows while it heats or mists. Switch what
     follows it off or to manual, look in often, and put the probe back as soon as the test is over.
  2. Put the sensors close together in a clean closed tub, not touching the walls, with a damp (not dripping) sponge in a cup apart.
  3. Let it stand where no sun, lamp or heater reaches: at least 4 h, better a night. The temperature must stay within half a degree an hour.
  4. For the gain too, let the humidity move slowly by 20 %RH or more: half the time with the sponge, half without.
  5. Note it for each sensor, or the program can't know that it did not hang in its place:
     mosswarden journal add --enclosure ID --kind sensor-calibrated --subject SENSOR --at T side by side
  6. mosswarden calibrate side-by-side --from T --to T --reference SPARE SENSOR ...
  Without a reference at least three sensors are needed: the mean of all stands in. Sensors of one make may all be wrong together.
";

const SALT: &str = "\
Salt: one sensor in a jar
  1. Stir salt with a little clean water to a wet, sandy slurry: undissolved salt must stay visible. A bottle cap full is enough.
  2. Put it with the sensor in a small jar that closes tightly. The salt must not touch the sensor; nor may drops or creeping salt.
  3. Let it stand at a steady room temperature, away from sun and heaters: at least 8 h, better a night and a day. Do not open it.
  4. One salt shows an offset, two show the gain. Choose one near the humidity at which the sensor works: magnesium chloride alone says
     nothing of a rain-forest box.
  5. mosswarden calibrate salt --salt nacl --sensor ID --from T --to T
     with --second-salt kcl --second-from T --second-to T for a second jar
";

const CAUTIONS: &str = "\
Cautions
  - Keep salts and slurry away from animals, their water and their food: salt kills amphibians and invertebrates. Wipe up spills.
  - Wash your hands before and after. Keep jars closed and labelled, out of reach of children.
  - Rinse nothing into an enclosure; let the sensor air for an hour before it goes back.
  - Unplug mains devices before you reach into a wet enclosure. What heats or mists by this probe must not run without it.
  - A correction does not reach the humidistat: its set point still follows the raw reading. Set it accordingly, or replace the sensor.
";

/// The whole guide as text.
pub fn guide() -> String {
    let mut text = format!("{BESIDE}\n{SALT}\nHumidity over the salts, %RH (Greenspan 1977)\n");
    let _ = write!(text, "  {:20} {:10}", "salt", "--salt");
    for t_c in TABLE_C {
        let _ = write!(text, " {t_c:>5.0} °C");
    }
    text.push('\n');
    for (salt, name) in OFFERED {
        let _ = write!(text, "  {name:20} {:10}", salt.formula().to_lowercase());
        for t_c in TABLE_C {
            if let Ok(point) = equilibrium_humidity_pct(salt, t_c) {
                let _ = write!(text, " {:8.1}", point.rh_pct);
            }
        }
        text.push('\n');
    }
    text.push_str("  A jar at home is no better than ±0.5 %RH; 0.1 °C between salt and sensor is another 0.45 %RH at 75 %RH.\n\n");
    text.push_str(CAUTIONS);
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_guide_gives_the_printed_values_and_the_cautions() {
        let guide = guide();
        // Greenspan 1977, table 2, at 25 °C, rounded.
        for value in ["32.8", "75.3", "84.3", "97.3"] {
            assert!(guide.contains(value), "{value}");
        }
        assert!(guide.contains("must not touch the sensor") && guide.contains("Wash your hands"));
    }
}

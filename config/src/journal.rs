//! What a keeper saw and did: the kinds, one entry, its line in the journal file.
//!
//! The journal is append-only: an amendment is a new entry that names the one it replaces, and both stay.

use serde::{Deserialize, Serialize};

pub const LOOKS_UNWELL: &str = "looks-unwell";
pub const ATE: &str = "ate";
pub const FED: &str = "fed";
pub const REFUSED_FOOD: &str = "refused-food";
pub const SHED: &str = "shed";
pub const WEIGHT: &str = "weight";
pub const LAID_EGGS: &str = "laid-eggs";
pub const TREATED: &str = "treated";
pub const ARRIVED: &str = "arrived";
pub const LEFT: &str = "left";
pub const DIED: &str = "died";
pub const CLEANED: &str = "cleaned";
pub const DOOR_OPEN: &str = "door-open";
pub const LID_OR_VENT_CHANGED: &str = "lid-or-vent-changed";
pub const PRUNED: &str = "pruned";
pub const PLANTED: &str = "planted";
pub const MISTED_BY_HAND: &str = "misted-by-hand";
pub const REFILLED: &str = "refilled";
pub const SENSOR_MOVED: &str = "sensor-moved";
pub const SENSOR_REPLACED: &str = "sensor-replaced";
pub const SENSOR_CALIBRATED: &str = "sensor-calibrated";
pub const BATTERY_CHANGED: &str = "battery-changed";
pub const DEVICE_REPLACED: &str = "device-replaced";
pub const SETPOINT_CHANGED: &str = "setpoint-changed";
pub const SCHEDULE_CHANGED: &str = "schedule-changed";
pub const POWER_CUT: &str = "power-cut";
pub const CARE_DONE: &str = "care-done";
pub const NOTE: &str = "note";

/// After such an entry the air goes otherwise than before.
pub const CHANGES_AIR: [&str; 3] = [LID_OR_VENT_CHANGED, PRUNED, PLANTED];

/// What was usual before such an entry says nothing of what comes after: it is learned anew, for the subject, or for everything
/// in its place where it names none.
pub const BEGINS_ANEW: [&str; 6] = [
    SENSOR_MOVED,
    SENSOR_REPLACED,
    SENSOR_CALIBRATED,
    DEVICE_REPLACED,
    SETPOINT_CHANGED,
    SCHEDULE_CHANGED,
];

/// Kinds of entries, as written in journal CSV and on the command line, and what each says.
pub const MEANINGS: [(&str, &str); 28] = [
    (LOOKS_UNWELL, "an animal looks unwell: the audit begins here"),
    (ATE, "an animal ate"),
    (FED, "food was offered"),
    (REFUSED_FOOD, "food was refused"),
    (SHED, "an animal shed its skin"),
    (WEIGHT, "an animal was weighed; the text begins with the grams"),
    (LAID_EGGS, "eggs were laid"),
    (TREATED, "a medicine or treatment was given"),
    (
        ARRIVED,
        "an animal came in: audits and hand-overs look back to here",
    ),
    (LEFT, "an animal was given away"),
    (DIED, "an animal died"),
    (CLEANED, "the enclosure was cleaned"),
    (DOOR_OPEN, "a door stood open for a while"),
    (
        LID_OR_VENT_CHANGED,
        "another lid, or a vent opened, closed or covered",
    ),
    (PRUNED, "plants were cut back"),
    (PLANTED, "plants were put in"),
    (MISTED_BY_HAND, "somebody misted"),
    (REFILLED, "water or a reservoir was filled up"),
    (
        SENSOR_MOVED,
        "a sensor hangs in another place; name it with --subject",
    ),
    (
        SENSOR_REPLACED,
        "a new sensor hangs where an old one was; name it",
    ),
    (
        SENSOR_CALIBRATED,
        "a sensor was out for a check, or was set right; name it",
    ),
    (BATTERY_CHANGED, "a sensor has new cells; name it"),
    (
        DEVICE_REPLACED,
        "a heater, mister, lamp or other device is a new one; name it",
    ),
    (
        SETPOINT_CHANGED,
        "a thermostat or humidistat was set to another value",
    ),
    (SCHEDULE_CHANGED, "misting or lighting has other times"),
    (
        POWER_CUT,
        "the power was off; noted for the room it concerns every enclosure",
    ),
    (
        CARE_DONE,
        "a task that comes back was done; the subject is the task",
    ),
    (NOTE, "anything else; it needs words"),
];

/// The kinds alone.
pub const KINDS: [&str; MEANINGS.len()] = {
    let mut kinds = [""; MEANINGS.len()];
    let mut place = 0;
    while place < kinds.len() {
        kinds[place] = MEANINGS[place].0;
        place += 1;
    }
    kinds
};

/// The grams and the name in the text of a `weight`: `"41.5 g Juno"` → 41.5 and `"Juno"`; a comma stands for the point too, kilograms are turned into grams.
pub fn weight(text: &str) -> Option<(f64, String)> {
    let text = text.trim();
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ','))
        .unwrap_or(text.len());
    let value: f64 = text[..end].replace(',', ".").parse().ok()?;
    let rest = text[end..].trim_start();
    let (unit, name) = rest.split_once(char::is_whitespace).unwrap_or((rest, ""));
    let (factor, name) = match unit {
        "g" => (1.0, name),
        "kg" => (1000.0, name),
        _ => (1.0, rest),
    };
    let grams = value * factor;
    (grams.is_finite() && grams > 0.0).then(|| (grams, name.trim().to_owned()))
}

/// One entry, as it stands on one line of the journal file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Instant that the entry is about, ms since 1970-01-01T00:00Z.
    pub at_ms: i64,
    /// Instant at which it was written down.
    pub written_ms: i64,
    /// An enclosure's id, or `room`.
    pub enclosure: String,
    /// One of [`KINDS`].
    pub kind: String,
    /// A sensor's or device's id where it concerns one; the task for `care-done`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub text: String,
    /// Who wrote it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// The id of an earlier entry that this one stands for from now on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amends: Option<String>,
}

impl Entry {
    /// Two entries with the same identity are one: an import repeated adds nothing.
    pub fn identity(&self) -> (i64, &str, &str, Option<&str>, &str) {
        (
            self.at_ms,
            &self.enclosure,
            &self.kind,
            self.subject.as_deref(),
            &self.text,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_are_read_as_people_write_them() {
        let check = |text: &str, expected: Option<(f64, &str)>| {
            let expected = expected.map(|(grams, name)| (grams, name.to_owned()));
            assert_eq!(weight(text), expected, "{text}");
        };
        check("41.5 g Juno", Some((41.5, "Juno")));
        check("41,5", Some((41.5, "")));
        check(" 1.2 kg", Some((1200.0, "")));
        check("41 Juno the elder", Some((41.0, "Juno the elder")));
        check("41g", Some((41.0, "")));
        check("heavy", None);
        check("0 g", None);
        check("1.2.3 g", None);
    }
}

//! What a keeper saw and did: the kinds, one entry, its line in the journal file.
//!
//! The journal is append-only: an amendment is a new entry that names the one it replaces, and both stay.

use serde::{Deserialize, Serialize};

/// A task that comes back was done; the subject is the task.
pub const CARE_DONE: &str = "care-done";

/// An animal looks unwell.
pub const LOOKS_UNWELL: &str = "looks-unwell";

/// The power was off; noted for the room it concerns every enclosure.
pub const POWER_CUT: &str = "power-cut";

/// An animal was weighed; the text begins with the grams.
pub const WEIGHT: &str = "weight";

/// Anything else; it is its words.
pub const NOTE: &str = "note";

/// What was usual before such an entry says nothing of what comes after: it is learned anew, for the subject, or for everything
/// in its place where it names none.
pub const BEGINS_ANEW: [&str; 6] = [
    "sensor-moved",
    "sensor-replaced",
    "sensor-calibrated",
    "device-replaced",
    "setpoint-changed",
    "schedule-changed",
];

/// Kinds of entries, as written in journal CSV and on the command line.
pub const KINDS: [&str; 24] = [
    LOOKS_UNWELL,
    "ate",
    "refused-food",
    "shed",
    WEIGHT,
    "laid-eggs",
    "treated",
    "arrived",
    "left",
    "cleaned",
    "door-open",
    "pruned",
    "misted-by-hand",
    "refilled",
    "sensor-moved",
    "sensor-replaced",
    "sensor-calibrated",
    "battery-changed",
    "device-replaced",
    "setpoint-changed",
    "schedule-changed",
    POWER_CUT,
    CARE_DONE,
    NOTE,
];

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

//! What a keeper saw and did: the kinds, one entry, its line in the journal file.
//!
//! The journal is append-only: an amendment is a new entry that names the one it replaces, and both stay.

use serde::{Deserialize, Serialize};

/// A task that comes back was done; the subject is the task.
pub const CARE_DONE: &str = "care-done";

/// Kinds of entries, as written in journal CSV and on the command line.
pub const KINDS: [&str; 24] = [
    "looks-unwell",
    "ate",
    "refused-food",
    "shed",
    "weight",
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
    "power-cut",
    CARE_DONE,
    "note",
];

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

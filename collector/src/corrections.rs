//! Corrections of sensors: append-only, one JSON object a line, durable when a call returns.
//!
//! In: corrections. Out: `corrections.jsonl`. Nothing in it is ever changed: a later line replaces or withdraws an earlier one.

use std::io;
use std::path::{Path, PathBuf};

use mosswarden_config::correction::Correction;
use mosswarden_config::table;

use crate::lines;

/// Why the corrections can't be used.
#[derive(Debug, thiserror::Error)]
#[error("the corrections {} can't be written or read", file.display())]
pub struct CorrectionsError {
    pub file: PathBuf,
    pub source: io::Error,
}

/// What the file holds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Corrections {
    /// In the order in which they were written.
    pub corrections: Vec<Correction>,
    /// Lines that can't be read: a write that a crash interrupted, or a later version's.
    pub unreadable: u64,
}

/// Adds corrections, durably and all or, after a crash, a first part of them.
///
/// # Errors
/// [`CorrectionsError`].
pub fn append(data_dir: &Path, corrections: &[Correction]) -> Result<(), CorrectionsError> {
    let file = table::corrections_file(data_dir);
    lines::append(data_dir, &file, corrections).map_err(|source| CorrectionsError { file, source })
}

/// Every correction that was ever written; none where there is no file.
///
/// # Errors
/// [`CorrectionsError`]; single lines that can't be read are counted.
pub fn list(data_dir: &Path) -> Result<Corrections, CorrectionsError> {
    let file = table::corrections_file(data_dir);
    let (corrections, unreadable) = lines::list(&file).map_err(|source| CorrectionsError { file, source })?;
    Ok(Corrections {
        corrections,
        unreadable,
    })
}

#[cfg(test)]
mod tests {
    use mosswarden_config::correction::Method;

    use super::*;

    #[test]
    fn corrections_come_back_as_they_were_written_and_half_a_line_costs_only_itself() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let data = dir.path().join("data");
        assert_eq!(list(&data).expect("none yet"), Corrections::default());
        let found = Correction {
            valid_from_ms: 1_772_352_000_000,
            written_ms: 1_772_355_600_000,
            sensor: "mossy-1-low".to_owned(),
            quantity: "humidity".to_owned(),
            method: Method::Salt,
            against: "NaCl at 22.4 °C".to_owned(),
            bias: 3.1,
            u_bias: 0.58,
            gain: 0.0,
            u_gain: 0.05,
            pivot: 78.5,
            by: Some("Ana".to_owned()),
        };
        append(&data, std::slice::from_ref(&found)).expect("room");
        let file = table::corrections_file(&data);
        let mut bytes = fs_err::read(&file).expect("it is there");
        bytes.extend_from_slice(b"{\"valid_from_ms\":17");
        fs_err::write(&file, bytes).expect("room");
        append(&data, std::slice::from_ref(&found)).expect("room");
        let all = list(&data).expect("readable");
        assert_eq!((all.corrections, all.unreadable), (vec![found.clone(), found], 1));
    }
}

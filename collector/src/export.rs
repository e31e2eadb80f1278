//! Readings as one Parquet file of the archive's own shape, for other programs.

use std::path::Path;

use mosswarden_config::table::Reading;

use crate::disk::{Disk as _, RealDisk};
use crate::table_file::{self, Effort, TableError};

/// Writes readings to a new file: under a temporary name first, then renamed.
///
/// # Errors
/// [`ExportError`] if the readings can't be encoded or the file can't be written.
pub fn export_parquet(readings: &[Reading], file: &Path) -> Result<(), ExportError> {
    let mut sorted = readings.to_vec();
    sorted.sort_by(table_file::row_order);
    let bytes = table_file::to_bytes(&sorted, Effort::Thorough)?;
    let unfinished = file.with_extension("unfinished");
    let write = || {
        fs_err::write(&unfinished, bytes)?;
        RealDisk.rename(&unfinished, file)
    };
    write().map_err(|source| ExportError::Io {
        file: file.to_owned(),
        source,
    })
}

/// Why readings could not be exported.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    #[error("the readings can't be encoded")]
    Table(#[from] TableError),
    #[error("{} can't be written", file.display())]
    Io {
        file: std::path::PathBuf,
        source: std::io::Error,
    },
}

//! Several files of readings as one stream: sensor by sensor, each reading once.
//!
//! Every file of ours stands in order of sensors, so one row group of each file and the rows of one sensor are all that is held.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use mosswarden_config::table::Reading;

use crate::archive::{self, ArchiveError, Stop};
use crate::disk::Disk;
use crate::table_file::{Source, TableReader};

/// Files that are being merged.
pub(crate) struct Merge {
    inputs: Vec<Input>,
    stop: Stop,
}

struct Input {
    path: PathBuf,
    table: TableReader<Source>,
    group_count: usize,
    next_group: usize,
    /// Rows of the group at hand, the next one last.
    rows: Vec<Reading>,
}

impl Merge {
    pub(crate) fn open(disk: &dyn Disk, paths: &[PathBuf], stop: &Stop) -> Result<Merge, ArchiveError> {
        let inputs = paths.iter().map(|path| Input::open(disk, path));
        Ok(Merge {
            inputs: inputs.collect::<Result<_, _>>()?,
            stop: stop.clone(),
        })
    }

    /// Every row of the next sensor in the table's order, exact repeats dropped; `None` at the end. Ends with
    /// [`ArchiveError::Stopped`] when it is to stop.
    pub(crate) fn next_sensor(&mut self) -> Result<Option<Vec<Reading>>, ArchiveError> {
        self.stop.check()?;
        for input in &mut self.inputs {
            input.fill()?;
        }
        let heads = self.inputs.iter().filter_map(|input| input.rows.last());
        let Some(sensor) = heads.map(|row| Arc::clone(&row.sensor)).min() else {
            return Ok(None);
        };
        let mut rows = Vec::new();
        for input in &mut self.inputs {
            input.take(&sensor, &mut rows)?;
        }
        archive::sort_and_drop_repeats(&mut rows);
        Ok(Some(rows))
    }
}

impl Input {
    fn open(disk: &dyn Disk, path: &Path) -> Result<Input, ArchiveError> {
        let table = archive::open(disk, path)?;
        Ok(Input {
            path: path.to_owned(),
            group_count: table.groups().len(),
            table,
            next_group: 0,
            rows: Vec::new(),
        })
    }

    /// Has a row at hand unless the file is at its end.
    fn fill(&mut self) -> Result<(), ArchiveError> {
        while self.rows.is_empty() && self.next_group < self.group_count {
            let rows = self.table.group(self.next_group);
            self.rows = rows.map_err(|source| ArchiveError::File {
                path: self.path.clone(),
                source,
            })?;
            self.rows.reverse();
            self.next_group += 1;
        }
        Ok(())
    }

    fn take(&mut self, sensor: &str, into: &mut Vec<Reading>) -> Result<(), ArchiveError> {
        loop {
            self.fill()?;
            match self.rows.last() {
                Some(row) if &*row.sensor == sensor => into.extend(self.rows.pop()),
                Some(row) if &*row.sensor < sensor => {
                    return Err(ArchiveError::Unsorted {
                        path: self.path.clone(),
                    });
                }
                _ => return Ok(()),
            }
        }
    }
}

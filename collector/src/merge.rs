//! Several files of readings as one stream: each sensor's days one after the other, each reading once.
//!
//! Every file of ours stands in order of sensors and times, and its footer says which of them a row group holds. So a group is read
//! when its turn comes, and what is held is the day at hand and the groups that reach into it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::NaiveDate;
use mosswarden_config::table::{self, Reading};

use crate::archive::{self, ArchiveError, Stop};
use crate::disk::Disk;
use crate::table_file::{self, Group, Source, TableReader};

/// Files that are being merged.
pub(crate) struct Merge {
    inputs: Vec<Input>,
    stop: Stop,
}

/// What is merged at once, in the table's order: one sensor on one UTC day.
type Turn = (Arc<str>, NaiveDate);

struct Input {
    path: PathBuf,
    table: TableReader<Source>,
    groups: Vec<Group>,
    next_group: usize,
    /// Rows of the groups that were read, the next one last.
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

    /// Every row of the next sensor and UTC day in the table's order, exact repeats dropped; `None` at the end. Ends with
    /// [`ArchiveError::Stopped`] when it is to stop.
    pub(crate) fn next_day(&mut self) -> Result<Option<Vec<Reading>>, ArchiveError> {
        self.stop.check()?;
        let Some(turn) = self.turn()? else {
            return Ok(None);
        };
        let mut rows = Vec::new();
        for input in &mut self.inputs {
            input.take(&turn, &mut rows)?;
        }
        archive::sort_and_drop_repeats(&mut rows);
        Ok(Some(rows))
    }

    /// Whose turn it is. Groups that may come before all rows at hand are read until none may.
    fn turn(&mut self) -> Result<Option<Turn>, ArchiveError> {
        loop {
            let Some(first) = self.inputs.iter().filter_map(Input::earliest).min() else {
                return Ok(None);
            };
            let mut is_known = true;
            for input in &mut self.inputs {
                if input.rows.is_empty() && input.earliest().as_ref() == Some(&first) {
                    input.read_group()?;
                    is_known = false;
                }
            }
            if is_known {
                return Ok(Some(first));
            }
        }
    }
}

impl Input {
    fn open(disk: &dyn Disk, path: &Path) -> Result<Input, ArchiveError> {
        let table = archive::open(disk, path)?;
        let mut input = Input {
            path: path.to_owned(),
            groups: table.groups(),
            table,
            next_group: 0,
            rows: Vec::new(),
        };
        if !input.table.is_in_order() {
            while input.next_group < input.groups.len() {
                input.read_group()?;
            }
            input.rows.sort_by(|a, b| table_file::row_order(b, a));
        }
        Ok(input)
    }

    /// The turn of the next row; where it is not read yet, one that it can't come before.
    fn earliest(&self) -> Option<Turn> {
        if let Some(row) = self.rows.last() {
            return Some(turn_of(row));
        }
        let group = self.groups.get(self.next_group)?;
        let sensor = group.sensors.as_ref().map_or("", |(first, _)| first);
        let date = group
            .times_ms
            .map_or(NaiveDate::MIN, |(first_ms, _)| table::partition_date(first_ms));
        Some((Arc::from(sensor), date))
    }

    /// Reads one more group, behind the rows at hand.
    fn read_group(&mut self) -> Result<(), ArchiveError> {
        let rows = self.table.group(self.next_group);
        let mut rows = rows.map_err(|source| ArchiveError::File {
            path: self.path.clone(),
            source,
        })?;
        rows.reverse();
        rows.append(&mut self.rows);
        self.rows = rows;
        self.next_group += 1;
        Ok(())
    }

    fn take(&mut self, turn: &Turn, into: &mut Vec<Reading>) -> Result<(), ArchiveError> {
        while let Some(next) = self.earliest().filter(|next| next <= turn) {
            if self.rows.is_empty() {
                self.read_group()?;
            } else if next < *turn {
                return Err(ArchiveError::Unsorted {
                    path: self.path.clone(),
                });
            } else {
                let is_other = |row: &Reading| turn_of(row) != *turn;
                let from = self.rows.iter().rposition(is_other).map_or(0, |other| other + 1);
                into.extend(self.rows.drain(from..).rev());
                // Of many files at once, each would keep the room of its largest group.
                self.rows.shrink_to_fit();
            }
        }
        Ok(())
    }
}

fn turn_of(row: &Reading) -> Turn {
    (Arc::clone(&row.sensor), row.partition_date())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::tests::reading;
    use crate::disk::{self, RealDisk};
    use crate::table_file::Effort;

    const HOUR_MS: i64 = 3_600_000;

    /// A month of three sensors, one of which fills several row groups that end in the middle of a day, and late readings beside it,
    /// some of them there already.
    #[test]
    fn sensors_and_days_come_in_turn_however_the_groups_lie() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let every = |sensor: &'static str, step_ms: i64, from: i64, until: i64| {
            (from..until).map(move |n| reading(sensor, n * step_ms, (n % 7) as f64))
        };
        let files: [Vec<Reading>; 3] = [
            every("a", 6 * HOUR_MS, 0, 100)
                .chain(every("b", 4000, 0, 600_000))
                .chain(every("c", HOUR_MS, 0, 600))
                .collect(),
            every("b", 4001, 43_000, 43_200)
                .chain(every("c", HOUR_MS, 30, 40))
                .collect(),
            every("a", HOUR_MS, 70, 80)
                .chain(every("d", HOUR_MS, 500, 501))
                .collect(),
        ];
        let paths: Vec<PathBuf> = (0..files.len())
            .map(|n| dir.path().join(format!("{n}.parquet")))
            .collect();
        for (path, rows) in paths.iter().zip(&files) {
            let bytes = table_file::to_bytes(rows, Effort::Quick).expect("rows in order");
            disk::put(&RealDisk, path, &bytes).expect("room");
        }
        let mut merge = Merge::open(&RealDisk, &paths, &Stop::default()).expect("our own");
        assert!(merge.inputs[0].groups.len() > 2, "several groups");
        let (mut merged, mut turns, mut most) = (Vec::new(), Vec::new(), 0);
        while let Some(rows) = merge.next_day().expect("our own") {
            turns.extend(
                rows.iter()
                    .map(turn_of)
                    .collect::<std::collections::BTreeSet<_>>(),
            );
            most = most.max(rows.len() + merge.inputs.iter().map(|input| input.rows.len()).sum::<usize>());
            merged.extend(rows);
        }
        assert!(turns.is_sorted_by(|a, b| a < b), "one sensor's day at a time");
        assert!(
            most < 300_000,
            "one group and one day are held, not the month: {most} rows"
        );
        let mut wanted = files.concat();
        archive::sort_and_drop_repeats(&mut wanted);
        assert_eq!(merged, wanted);
    }
}

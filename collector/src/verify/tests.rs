//! Archives that are sound, damaged byte by byte, repaired, and copied while files are merged.

use super::*;
use crate::archive::tests::{all, reading};
use crate::compact;
use crate::disk::RealDisk;

const DAY_MS: i64 = 24 * 3_600_000;
/// 2026-03-01T00:00:00Z.
const BEGAN_MS: i64 = 1_772_323_200_000;

fn date(month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, month, day).expect("a date")
}

/// February and March as months of two row groups each, two days of April.
fn archive() -> (tempfile::TempDir, Vec<Reading>) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut written = Vec::new();
    for day in -20..33 {
        let rows: Vec<Reading> = ["a", "b"]
            .iter()
            .flat_map(|sensor| {
                (0..400).map(move |n| reading(sensor, BEGAN_MS + day * DAY_MS + n * 60_000, n as f64))
            })
            .collect();
        archive::put(&RealDisk, dir.path(), rows[0].partition_date(), "day", &rows).expect("room");
        written.extend(rows);
    }
    let now_ms = compact::start_ms(date(4, 10));
    assert_eq!(
        months::merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works"),
        2
    );
    archive::sort_and_drop_repeats(&mut written);
    (dir, written)
}

fn stored(data_dir: &Path) -> Vec<Reading> {
    let mut rows = Vec::new();
    let root = table::readings_dir(data_dir);
    for folder in RealDisk.list(&root).expect("a folder") {
        for name in archive::parquet_names(&RealDisk, &root.join(&folder)).expect("a folder") {
            rows.extend(all(&RealDisk, &root.join(&folder).join(name)).expect("our own"));
        }
    }
    archive::sort_and_drop_repeats(&mut rows);
    rows
}

#[test]
fn a_sound_archive_is_called_sound() {
    let (dir, written) = archive();
    let found = verify(&RealDisk, dir.path(), false).expect("readable");
    assert_eq!(found.problems, []);
    assert_eq!((found.files, found.readings), (4, written.len() as u64));
}

#[test]
fn each_month_has_its_turn_once_in_a_round_and_damage_is_told_on_it() {
    let (dir, _) = archive();
    let look = |stop: &Stop| look_through_month(&RealDisk, dir.path(), date(3, 1), stop);
    for first in [date(2, 1), date(3, 1)] {
        let days = (0..3 * ROUND_DAYS)
            .filter(|day| {
                months_in_turn(&RealDisk, dir.path(), *day)
                    .expect("readable")
                    .contains(&first)
            })
            .count();
        assert_eq!(days, 3, "{first}");
    }
    assert_eq!(look(&Stop::default()).expect("readable"), []);
    let path = table::month_dir(dir.path(), date(3, 1)).join(MONTH_FILE);
    let sound = fs_err::read(&path).expect("the month");
    let mut bytes = sound.clone();
    bytes[20..60].fill(0);
    fs_err::write(&path, &bytes).expect("room");
    let told = look(&Stop::default()).expect("readable");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].what.contains("row group 1"), "{}", told[0]);
    assert_eq!(fs_err::read(&path).expect("still there"), bytes);
    fs_err::write(&path, sound).expect("room");
    assert_eq!(look(&Stop::default()).expect("readable"), []);
    let stopped = Stop::default();
    stopped.now();
    assert!(matches!(look(&stopped), Err(ArchiveError::Stopped)));
}

#[test]
fn no_flipped_bit_of_a_part_changes_a_reading_unseen() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let written: Vec<Reading> = (0..40)
        .map(|n| reading("a", BEGAN_MS + n * 60_000, 80.0 + (n % 7) as f64))
        .collect();
    archive::put(&RealDisk, dir.path(), date(3, 1), "part-1", &written).expect("room");
    let partition = table::partition_dir(dir.path(), date(3, 1));
    let name = archive::parquet_names(&RealDisk, &partition)
        .expect("a folder")
        .remove(0);
    let path = partition.join(name);
    let sound = fs_err::read(&path).expect("the part");
    let mut changed = Vec::new();
    for index in 0..sound.len() {
        let mut bytes = sound.clone();
        bytes[index] ^= 1 << (index % 8);
        fs_err::write(&path, &bytes).expect("room");
        let told = verify(&RealDisk, dir.path(), false).expect("readable").problems;
        if told.is_empty() {
            assert_eq!(
                all(&RealDisk, &path).expect("said to be sound"),
                written,
                "byte {index}"
            );
        } else if told[0].what == "row group 1: its readings are not those that were written" {
            changed = bytes;
        }
    }
    fs_err::write(&path, changed).expect("room");
    let said = verify(&RealDisk, dir.path(), true)
        .expect("works")
        .problems
        .remove(0);
    assert!(
        said.repaired
            .expect("repaired")
            .contains("at least one of 40 of them is not what was written")
    );
    assert_eq!(stored(dir.path()).len(), 40, "none is lost");
    assert_eq!(
        verify(&RealDisk, dir.path(), false).expect("readable").problems,
        []
    );
}

#[test]
fn a_damaged_group_costs_itself_only_and_the_file_is_kept() {
    let (dir, written) = archive();
    let path = table::month_dir(dir.path(), date(3, 1)).join(MONTH_FILE);
    let mut bytes = fs_err::read(&path).expect("the month");
    // The first data page, of the first sensor's times.
    bytes[20..60].fill(0);
    fs_err::write(&path, &bytes).expect("room");
    let told = verify(&RealDisk, dir.path(), false).expect("readable").problems;
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].what.contains("row group 1"), "{}", told[0]);
    assert_eq!(
        fs_err::read(&path).expect("still there"),
        bytes,
        "looking changes nothing"
    );
    let repaired = verify(&RealDisk, dir.path(), true).expect("works").problems;
    let said = repaired[0].repaired.as_deref().expect("repaired");
    assert!(
        said.contains("12400 readings went into their days; 12400 that"),
        "{said}"
    );
    let left: Vec<Reading> = written
        .into_iter()
        .filter(|row| {
            row.partition_date() < date(3, 1) || row.partition_date() > date(3, 31) || &*row.sensor == "b"
        })
        .collect();
    assert_eq!(stored(dir.path()), left);
    assert!(dir.path().join("damaged/month=2026-03-1-month.parquet").is_file());
    assert_eq!(
        verify(&RealDisk, dir.path(), false).expect("readable").problems,
        []
    );
}

#[test]
fn wrong_daily_figures_rows_astray_and_strangers_are_told_and_put_right() {
    let (dir, written) = archive();
    let figures = table::summary_file(dir.path(), date(2, 1));
    fs_err::copy(table::summary_file(dir.path(), date(3, 1)), &figures).expect("room");
    let april = table::partition_dir(dir.path(), date(4, 1));
    fs_err::rename(
        april.join("day.parquet"),
        table::partition_dir(dir.path(), date(4, 2)).join("part-9.parquet"),
    )
    .expect("there");
    fs_err::write(april.join("part-7.parquet"), "not Parquet").expect("room");
    fs_err::write(april.join("notes.txt"), "mine").expect("room");
    let told = verify(&RealDisk, dir.path(), true).expect("works").problems;
    let told: Vec<String> = told.iter().map(Problem::to_string).collect();
    assert_eq!(told.len(), 4, "{told:#?}");
    assert_eq!(stored(dir.path()), written, "no reading was lost");
    let left = verify(&RealDisk, dir.path(), false).expect("readable").problems;
    assert_eq!(left.len(), 1, "only the stranger is left: {left:?}");
    assert!(april.join("notes.txt").is_file());
}

#[test]
fn daily_figures_of_a_later_version_are_left_alone() {
    let (dir, written) = archive();
    let figures = table::summary_file(dir.path(), date(3, 1));
    let mut bytes = fs_err::read(&figures).expect("figures");
    let key = b"mosswarden.summary";
    let at = bytes
        .windows(key.len())
        .rposition(|part| part == key)
        .expect("the version");
    let digit = (at + key.len()..bytes.len()).find(|at| bytes[*at] == b'1');
    bytes[digit.expect("the version")] = b'7';
    fs_err::write(&figures, &bytes).expect("room");
    let told = verify(&RealDisk, dir.path(), true).expect("works").problems;
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].what.contains("later version"), "{}", told[0]);
    months::mend_summaries(&RealDisk, dir.path(), &Stop::default()).expect("works");
    // A late reading has the month made anew: its figures are the later version's matter.
    let late = reading("c", compact::start_ms(date(3, 9)), 9.0);
    archive::put(
        &RealDisk,
        dir.path(),
        date(3, 9),
        "part-1",
        std::slice::from_ref(&late),
    )
    .expect("room");
    let now_ms = compact::start_ms(date(4, 10));
    months::merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works");
    assert_eq!(fs_err::read(&figures).expect("still there"), bytes);
    assert_eq!(stored(dir.path()).len(), written.len() + 1);
}

#[test]
fn files_of_a_later_version_are_left_alone() {
    let (dir, _) = archive();
    let path = table::partition_dir(dir.path(), date(4, 1)).join("day.parquet");
    let mut bytes = fs_err::read(&path).expect("the day");
    let key = b"mosswarden.format";
    let at = bytes
        .windows(key.len())
        .rposition(|part| part == key)
        .expect("the version");
    let digit = (at + key.len()..bytes.len())
        .find(|at| bytes[*at] == b'2')
        .expect("the version");
    bytes[digit] = b'9';
    fs_err::write(&path, &bytes).expect("room");
    let told = verify(&RealDisk, dir.path(), true).expect("works").problems;
    assert!(
        told[0]
            .what
            .contains("has table version 9, this program reads up to 2"),
        "{}",
        told[0]
    );
    assert_eq!(told[0].repaired, None);
    assert_eq!(fs_err::read(&path).expect("still there"), bytes);
}

/// Copies a folder as `cp` does; `false` where something vanished meanwhile.
fn copy(from: &Path, to: &Path) -> bool {
    fs_err::create_dir_all(to).expect("room");
    let Ok(entries) = fs_err::read_dir(from) else {
        return false;
    };
    let mut is_whole = true;
    for entry in entries {
        let path = entry.expect("an entry").path();
        let target = to.join(path.file_name().expect("a name"));
        is_whole &= match path.is_dir() {
            true => copy(&path, &target),
            false => fs_err::copy(&path, &target).is_ok(),
        };
    }
    is_whole
}

#[test]
fn a_copy_taken_while_files_are_merged_is_sound_and_whole() {
    use std::sync::atomic::{AtomicI64, AtomicUsize, Ordering};

    let home = tempfile::tempdir().expect("a temporary folder");
    let data = home.path().join("data");
    archive::prepare(&RealDisk, &data).expect("room");
    let (done, copies) = (AtomicI64::new(0), AtomicUsize::new(0));
    const PARTS: i64 = 200;
    let row = |part: i64| reading("a", BEGAN_MS + part * DAY_MS / 4, part as f64);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for part in 0..PARTS {
                let name = format!("part-{part:012}");
                crate::publish::put_by_day(&RealDisk, &data, &name, vec![row(part)]).expect("room");
                done.store(part + 1, Ordering::Release);
                compact::compact_settled(&RealDisk, &data, row(part).at_ms, &Stop::default()).expect("works");
                months::merge_settled(&RealDisk, &data, row(part).at_ms, None, &Stop::default())
                    .expect("works");
            }
        });
        while done.load(Ordering::Acquire) < PARTS {
            let backup = home
                .path()
                .join(format!("copy-{}", copies.fetch_add(1, Ordering::Relaxed)));
            let before = done.load(Ordering::Acquire);
            // A day that was merged just before it was looked into is empty, and nothing vanished: the second pass finds its month.
            for _ in 0..2 {
                while !copy(&data, &backup) {}
            }
            let found = verify(&RealDisk, &backup, false).expect("readable");
            let broken: Vec<&Problem> = found
                .problems
                .iter()
                .filter(|problem| !problem.path.starts_with(backup.join("summaries")))
                .collect();
            assert!(broken.is_empty(), "{broken:?}");
            let stored = stored(&backup);
            for part in 0..before {
                assert!(
                    stored.contains(&row(part)),
                    "part {part} of {before} is not in the copy"
                );
            }
        }
    });
    assert!(
        copies.into_inner() > 1,
        "the copies came too late to prove anything"
    );
    let rows: Vec<Reading> = (0..PARTS).map(row).collect();
    assert_eq!(stored(&data), rows);
}

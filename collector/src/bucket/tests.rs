//! The bucket's disk and mirror on a store in memory. Lives over faults and power cuts are in `faults`; the real client speaks to a real
//! server in the workspace's `tests/bucket.rs`.

use std::path::{Path as Folder, PathBuf};
use std::time::SystemTime;

use object_store::memory::InMemory;

use super::disk::BucketDisk;
use super::mirror::{HALF_WRITTEN_FOR_MAX, Mirror};
use super::*;
use crate::archive::{self, Stop};
use crate::disk::{Disk, RealDisk};
use crate::own::Tidying;
use crate::{compact, months, verify};
use mosswarden_config::table::{Archive as _, Reading};
use mosswarden_config::zone::Span;

/// 2026-03-01T00:00:00Z.
const BEGAN_MS: i64 = 1_772_323_200_000;
const DAY_MS: i64 = 24 * 3_600_000;

struct Rooms(Arc<InMemory>);

impl Rooms {
    fn new() -> Rooms {
        Rooms(Arc::new(InMemory::new()))
    }

    fn bucket() -> Bucket {
        Bucket {
            name: "rooms".to_owned(),
            prefix: "harbour/north".to_owned(),
        }
    }

    fn client(&self) -> Client {
        let store = Arc::clone(&self.0) as Arc<dyn ObjectStore>;
        Client::on(store, &Rooms::bucket()).expect("threads can be started")
    }

    fn disk(&self, data_dir: &Folder) -> BucketDisk {
        BucketDisk::on(self.client(), Arc::new(RealDisk), data_dir, data_dir)
    }

    fn mirror(&self, data_dir: &Folder) -> Mirror {
        Mirror::on(self.client(), &Rooms::bucket(), data_dir)
    }

    fn names(&self) -> Vec<String> {
        let all = self.client().all("").expect("a store");
        all.into_iter().map(|(name, _)| name).collect()
    }
}

fn row(n: i64) -> Reading {
    archive::tests::reading("a", BEGAN_MS + n * 3_600_000, n as f64)
}

fn put(disk: &dyn Disk, data_dir: &Folder, stem: &str, rows: &[Reading]) {
    let date = rows[0].partition_date();
    archive::put(disk, data_dir, date, stem, rows).expect("a store");
}

/// What files of a mirror hold, by folder.
fn mirrored(mirror: &Mirror, span: Span) -> Vec<(String, Vec<Reading>)> {
    let root = table::readings_dir(&mirror.folders(span).expect("a store")[0]);
    let folders = RealDisk.list(&root).expect("a folder");
    folders
        .into_iter()
        .map(|folder| {
            let dir = root.join(&folder);
            let files = archive::parquet_names(&RealDisk, &dir).expect("a folder");
            let rows = files
                .iter()
                .flat_map(|name| archive::tests::all(&RealDisk, &dir.join(name)).expect("our own"))
                .collect();
            (folder, rows)
        })
        .filter(|(_, rows): &(_, Vec<_>)| !rows.is_empty())
        .collect()
}

#[test]
fn readings_go_into_the_bucket_and_nothing_else_does() {
    let (dir, rooms) = (tempfile::tempdir().expect("a temporary folder"), Rooms::new());
    let disk = rooms.disk(dir.path());
    put(&disk, dir.path(), "part-1", &[row(0)]);
    crate::disk::put(&disk, &dir.path().join("journal.jsonl"), b"{}").expect("room");
    assert_eq!(rooms.names(), ["readings/date=2026-03-01/part-1.parquet"]);
    assert_eq!(RealDisk.list(dir.path()).expect("a folder"), ["journal.jsonl"]);
}

/// Two collectors that forgot to take names: the second's file is refused, and stays in its spool.
#[test]
fn what_another_collector_wrote_is_never_replaced() {
    let (dir, rooms) = (tempfile::tempdir().expect("a temporary folder"), Rooms::new());
    let (one, two) = (rooms.disk(dir.path()), rooms.disk(dir.path()));
    let path = table::partition_dir(dir.path(), row(0).partition_date()).join("part-1.parquet");
    crate::disk::put(&one, &path, b"the first").expect("a store");
    let error = crate::disk::put(&two, &path, b"the second").expect_err("refused");
    assert_eq!(error.kind(), io::ErrorKind::AlreadyExists);
    assert!(error.to_string().contains("--share"), "{error}");
    assert_eq!(one.read(&path).expect("a store"), b"the first");
}

#[test]
fn one_machine_at_a_time_tidies_and_one_that_was_killed_takes_its_own_mark_up_again() {
    let (here, there) = (
        tempfile::tempdir().expect("a temporary folder"),
        tempfile::tempdir().expect("a temporary folder"),
    );
    let rooms = Rooms::new();
    let begin = |dir: &Folder| Tidying::begin(&rooms.disk(dir), dir).expect("a store");
    let held = begin(here.path()).expect("nobody else");
    assert!(begin(there.path()).is_none(), "another machine");
    drop(held);
    let held = begin(there.path()).expect("free again");
    // Killed: the mark stays.
    let said = rooms.client().get("tidying").expect("a mark");
    drop(held);
    rooms
        .client()
        .put("tidying", said, Put::New)
        .expect("it was taken away");
    assert!(begin(here.path()).is_none());
    assert!(begin(there.path()).is_some(), "its own");
    assert_eq!(rooms.names(), [""; 0]);
}

#[test]
fn a_mirror_follows_days_months_and_late_readings_and_fetches_what_is_asked_for() {
    let (dir, here) = (
        tempfile::tempdir().expect("a temporary folder"),
        tempfile::tempdir().expect("a temporary folder"),
    );
    let rooms = Rooms::new();
    let (disk, mirror) = (rooms.disk(dir.path()), rooms.mirror(here.path()));
    put(&disk, dir.path(), "part-1", &[row(0)]);
    put(&disk, dir.path(), "part-2", &[row(1)]);
    put(&disk, dir.path(), "part-3", &[row(24)]);
    let span = Span {
        from_ms: BEGAN_MS,
        until_ms: BEGAN_MS + DAY_MS,
    };
    let day = |rows: Vec<Reading>| vec![("date=2026-03-01".to_owned(), rows)];
    assert_eq!(mirrored(&mirror, span), day(vec![row(0), row(1)]));
    let tidy = |now_ms: i64| {
        compact::compact_settled(&disk, dir.path(), now_ms, &Stop::default()).expect("a store");
        months::merge_settled(&disk, dir.path(), now_ms, None, &Stop::default()).expect("a store");
    };
    tidy(BEGAN_MS + 3 * DAY_MS);
    assert_eq!(mirrored(&mirror, span), day(vec![row(0), row(1)]));
    tidy(BEGAN_MS + 40 * DAY_MS);
    let month = |rows: Vec<Reading>| vec![("month=2026-03".to_owned(), rows)];
    assert_eq!(mirrored(&mirror, span), month(vec![row(0), row(1), row(24)]));
    let figures = || mirror.daily_figures(span).expect("a store");
    let first = figures().remove(0);
    assert_eq!(figures(), std::slice::from_ref(&first), "it is fetched once");
    put(&disk, dir.path(), "part-4", &[row(2)]);
    tidy(BEGAN_MS + 40 * DAY_MS);
    let anew = figures();
    assert!(
        anew.len() == 1 && anew[0] != first && anew[0].exists() && !first.exists(),
        "{anew:?}"
    );
    let later = Span {
        from_ms: BEGAN_MS + 60 * DAY_MS,
        until_ms: BEGAN_MS + 61 * DAY_MS,
    };
    assert_eq!(mirror.daily_figures(later).expect("a store"), [] as [PathBuf; 0]);
    assert_eq!(
        mirrored(&mirror, span),
        month(vec![row(0), row(1), row(2), row(24)])
    );
    assert_eq!(
        mirror.partitions().expect("a store"),
        ["month=2026-03"],
        "days left nothing behind"
    );
    assert_eq!(
        rooms.names(),
        [
            "readings/month=2026-03/month.parquet",
            "summaries/2026-03.parquet"
        ]
    );
}

#[test]
fn a_damaged_object_is_told_and_set_aside_on_this_machine() {
    let (dir, rooms) = (tempfile::tempdir().expect("a temporary folder"), Rooms::new());
    let disk = rooms.disk(dir.path());
    put(&disk, dir.path(), "part-1", &[row(0)]);
    put(&disk, dir.path(), "part-2", &[row(1)]);
    let name = "readings/date=2026-03-01/part-2.parquet";
    let mut bytes = rooms.client().get(name).expect("a store").to_vec();
    let middle = bytes.len() / 2;
    bytes.truncate(middle);
    rooms
        .client()
        .put(name, bytes.into(), Put::Replace)
        .expect("a store");
    assert_eq!(
        verify(&disk, dir.path(), false).expect("readable").problems.len(),
        1
    );
    let repaired = verify(&disk, dir.path(), true).expect("works").problems;
    assert!(repaired[0].repaired.is_some(), "{repaired:?}");
    assert_eq!(verify(&disk, dir.path(), false).expect("readable").problems, []);
    assert!(!rooms.names().iter().any(|left| left == name));
    let aside = RealDisk.list(&dir.path().join("damaged")).expect("a folder");
    assert_eq!(aside.len(), 1, "{aside:?}");
}

#[test]
fn a_mirror_lets_go_of_what_a_kill_left_half_written_and_of_nothing_that_is_on_its_way() {
    let (dir, here) = (
        tempfile::tempdir().expect("a temporary folder"),
        tempfile::tempdir().expect("a temporary folder"),
    );
    let rooms = Rooms::new();
    put(&rooms.disk(dir.path()), dir.path(), "part-1", &[row(0)]);
    let span = Span {
        from_ms: BEGAN_MS,
        until_ms: BEGAN_MS + DAY_MS,
    };
    let mirror = rooms.mirror(here.path());
    let root = mirror.folders(span).expect("a store").remove(0);
    let copies = table::partition_dir(&root, row(0).partition_date());
    let left = fs_err::File::create(copies.join(".left.tmp")).expect("a folder");
    let long_ago = SystemTime::now() - 2 * HALF_WRITTEN_FOR_MAX;
    left.file().set_modified(long_ago).expect("a file of our own");
    fs_err::write(copies.join(".coming.tmp"), "half").expect("a folder");
    mirror.folders(span).expect("a store");
    let there = RealDisk.list(&copies).expect("a folder");
    assert_eq!(there.len(), 2, "{there:?}");
    assert!(there.contains(&".coming.tmp".to_owned()), "{there:?}");
}

/// More than one part on its way.
#[test]
fn a_large_file_is_sent_in_parts_and_comes_back_as_it_was() {
    let (dir, rooms) = (tempfile::tempdir().expect("a temporary folder"), Rooms::new());
    let disk = rooms.disk(dir.path());
    let bytes: Vec<u8> = (0..2 * PART_BYTES + 1000).map(|n| (n % 251) as u8).collect();
    let path = table::month_dir(dir.path(), row(0).partition_date()).join(months::MONTH_FILE);
    crate::disk::put(&disk, &path, &bytes).expect("a store");
    assert_eq!(disk.len(&path).expect("a store"), bytes.len() as u64);
    let part = table::partition_dir(dir.path(), row(0).partition_date()).join("import-1.parquet");
    crate::disk::put(&disk, &part, &bytes).expect("a store");
    let error = crate::disk::put(&disk, &part, &bytes).expect_err("it is there");
    assert_eq!(error.kind(), io::ErrorKind::AlreadyExists, "{error}");
    let open = disk.open_read(&path).expect("a store");
    assert_eq!(open.read_at(0, bytes.len()).expect("whole"), bytes);
}

//! Spool → archive at regular times, and the archive's upkeep, beside the commits.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::NaiveDate;
use mosswarden_config::site::Site;
use mosswarden_config::table;
use mosswarden_config::zone::MS_PER_24_H;
use tokio::sync::watch;
use tokio::time::{Instant, MissedTickBehavior, interval, timeout};

use super::chain;
use crate::archive::{ArchiveError, Stop};
use crate::clock::Clock;
use crate::compact;
use crate::counts::{Counts, Part};
use crate::disk::Disk;
use crate::months::{self, MONTH_FILE};
use crate::own::Tidying;
use crate::store::{PublishError, Store};
use crate::verify;
use crate::writer::SharedStore;

/// Publishing does not wait for its time beyond this many sealed segments: it bounds what readers find in the spool.
const SEALED_MAX: usize = 4;
/// How often the publisher looks whether it is time.
const PUBLISH_TICK: Duration = Duration::from_millis(250);
/// Days are compacted and old ones removed this often.
const UPKEEP_EVERY: Duration = Duration::from_secs(3600);
/// At a stop, tidying has this long to come to its end.
const TIDY_WITHIN: Duration = Duration::from_secs(5);
/// A publication that failed is tried again this much later.
const PUBLISH_RETRY: Duration = Duration::from_secs(10);

/// What publishing needs, on the side of the archive.
#[derive(Clone)]
pub(crate) struct Publishing {
    store: SharedStore,
    disk: Arc<dyn Disk>,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    data_dir: PathBuf,
    publish_every: Duration,
    keep_ms: Option<i64>,
    /// The UTC day on which months were last looked after, in days since 1970.
    months_done: Arc<AtomicI64>,
    /// The one on which the months in turn were looked through.
    looked: Arc<AtomicI64>,
    /// What is wrong with months, by their first days, as far as they were looked through.
    damaged: Arc<Mutex<BTreeMap<NaiveDate, String>>>,
    /// In a bucket the store answers for what it keeps.
    is_in_bucket: bool,
    /// Tidying is broken off by it; publishing never is.
    stop: Stop,
}

impl Publishing {
    pub(crate) fn new(
        site: &Site,
        store: &SharedStore,
        disk: &Arc<dyn Disk>,
        clock: &Arc<dyn Clock>,
        counts: &Arc<Counts>,
    ) -> Publishing {
        Publishing {
            store: Arc::clone(store),
            disk: Arc::clone(disk),
            clock: Arc::clone(clock),
            counts: Arc::clone(counts),
            data_dir: site.data_dir.clone(),
            publish_every: Duration::from_secs(site.collect.publish_every_s.max(1)),
            keep_ms: site
                .collect
                .keep_s
                .and_then(|seconds| i64::try_from(seconds.checked_mul(1000)?).ok()),
            months_done: Arc::new(AtomicI64::new(i64::MIN)),
            looked: Arc::new(AtomicI64::new(i64::MIN)),
            damaged: Arc::default(),
            is_in_bucket: site.bucket.is_some(),
            stop: Stop::default(),
        }
    }

    fn with_store<T>(&self, work: impl FnOnce(&mut Store) -> T) -> T {
        work(&mut self.store.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Aside from the other tasks: the writer holds the store for as long as the disk syncs.
    async fn sealed_count(&self) -> usize {
        let work = self.clone();
        tokio::task::spawn_blocking(move || work.with_store(|store| store.sealed_count()))
            .await
            .unwrap_or_default()
    }

    /// Publishes every segment; `false` when some stay because the archive can't be written.
    pub(crate) fn publish_all(&self) -> bool {
        let segments = self.with_store(Store::seal);
        let publisher = self.with_store(|store| store.publisher());
        for number in segments {
            let result = publisher.publish(number).and_then(|(published, message_count)| {
                self.with_store(|store| store.retire(number, message_count))
                    .map_err(|source| PublishError::Retire { number, source })?;
                self.counts.published(published.readings);
                self.counts.duplicates(published.repeats);
                Ok(published)
            });
            match result {
                Ok(published) => {
                    tracing::debug!(
                        segment = number,
                        readings = published.readings,
                        repeats = published.repeats,
                        "published"
                    );
                }
                Err(error) => {
                    let text = chain(&error);
                    tracing::error!(
                        error = text,
                        hint = "readings stay safe in the spool; it is tried again by itself",
                        "could not publish to the archive"
                    );
                    self.counts.trouble(Part::Archive, Some(text));
                    return false;
                }
            }
        }
        self.counts.trouble(Part::Archive, None);
        true
    }

    /// Tidies unless another collector of this archive is at it.
    fn upkeep_if_free(&self) {
        match Tidying::begin(&*self.disk, &self.data_dir) {
            Ok(Some(_held)) => self.upkeep(),
            Ok(None) => {}
            Err(error) => tracing::warn!(%error, "the archive can't be tidied"),
        }
    }

    /// Days become files, old ones go; months are made once a UTC day, because a late reading makes a whole month anew.
    pub(crate) fn upkeep(&self) {
        let now_ms = self.clock.now_ms();
        match self.tidy(now_ms) {
            Ok(Tidied {
                days: 0,
                months: 0,
                removed: 0,
            }) => {}
            Ok(Tidied {
                days,
                months,
                removed,
            }) => {
                tracing::info!(days, months, removed, "the archive was tidied")
            }
            Err(ArchiveError::Stopped) => tracing::debug!("tidying was broken off"),
            Err(error) => tracing::warn!(error = chain(&error), "the archive can't be tidied"),
        }
        match self.look_through(now_ms) {
            Ok(()) => {}
            Err(ArchiveError::Stopped) => tracing::debug!("looking through the archive was broken off"),
            Err(error) => tracing::warn!(error = chain(&error), "the archive can't be looked through"),
        }
    }

    /// Looks through the months whose turn it is, once a UTC day, and tells what went bad on the disk.
    fn look_through(&self, now_ms: i64) -> Result<(), ArchiveError> {
        let (disk, data_dir) = (&*self.disk, &self.data_dir);
        let today = now_ms.div_euclid(MS_PER_24_H);
        if self.is_in_bucket || self.looked.load(Ordering::Relaxed) == today {
            return Ok(());
        }
        let mut wanted = BTreeSet::from_iter(verify::months_in_turn(disk, data_dir, today)?);
        // What was damaged may have been put right since.
        wanted.extend(self.damaged.lock().unwrap_or_else(PoisonError::into_inner).keys());
        for first in wanted {
            let problems = verify::look_through_month(disk, data_dir, first, &self.stop)?;
            tracing::debug!(month = %first, problems = problems.len(), "looked through");
            let mut damaged = self.damaged.lock().unwrap_or_else(PoisonError::into_inner);
            match problems.as_slice() {
                [] => damaged.remove(&first),
                problems => {
                    let said: Vec<String> = problems.iter().map(ToString::to_string).collect();
                    damaged.insert(first, said.join("; "))
                }
            };
        }
        self.looked.store(today, Ordering::Relaxed);
        let mut damaged = self.damaged.lock().unwrap_or_else(PoisonError::into_inner);
        damaged.retain(|first, _| {
            disk.len(&table::month_dir(data_dir, *first).join(MONTH_FILE))
                .is_ok()
        });
        let said = (!damaged.is_empty()).then(|| {
            let all: Vec<&str> = damaged.values().map(String::as_str).collect();
            format!(
                "{}; bring the file back from a backup, or stop `collect` and run `mosswarden verify --repair`",
                all.join("; ")
            )
        });
        if let Some(text) = &said {
            tracing::error!(text, "a file of the archive is not as it was written");
        }
        self.counts.trouble(Part::Files, said);
        Ok(())
    }

    fn tidy(&self, now_ms: i64) -> Result<Tidied, ArchiveError> {
        let (disk, data_dir, stop) = (&*self.disk, &self.data_dir, &self.stop);
        let keep_from = match self.keep_ms {
            Some(keep_ms) => Some(compact::keep_from(disk, data_dir, now_ms, keep_ms)?),
            None => None,
        };
        // Each step is tried whatever became of the others: a day that can't be read is no reason to keep what `keep` lets go.
        let days = compact::compact_settled(disk, data_dir, now_ms, stop);
        let removed = keep_from.map_or(Ok(0), |keep_from| {
            compact::remove_old(disk, data_dir, keep_from, stop)
        });
        let today = now_ms.div_euclid(MS_PER_24_H);
        let months = if self.months_done.load(Ordering::Relaxed) == today {
            Ok(0)
        } else {
            months::merge_settled(disk, data_dir, now_ms, keep_from, stop).and_then(|merged| {
                months::mend_summaries(disk, data_dir, stop)?;
                self.months_done.store(today, Ordering::Relaxed);
                Ok(merged)
            })
        };
        Ok(Tidied {
            days: days?,
            months: months?,
            removed: removed?,
        })
    }
}

/// What tidying the archive did: days and months made into one file, folders removed.
#[derive(Debug, Default, PartialEq, Eq)]
struct Tidied {
    days: u64,
    months: u64,
    removed: u64,
}

pub(super) async fn publish_regularly(publishing: Publishing, mut stop: watch::Receiver<bool>) {
    // What an earlier run left is published first: compaction must not come before it.
    let mut next_publish = Instant::now();
    let mut next_upkeep = Instant::now();
    let mut tick = interval(PUBLISH_TICK);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    while !*stop.borrow() {
        tokio::select! {
            _ = tick.tick() => {}
            changed = stop.changed() => if changed.is_err() { return },
        }
        let is_due = Instant::now() >= next_publish;
        if is_due || publishing.sealed_count().await >= SEALED_MAX {
            let work = publishing.clone();
            let is_published = tokio::task::spawn_blocking(move || work.publish_all())
                .await
                .unwrap_or_else(|error| {
                    tracing::error!(
                        %error,
                        hint = "`mosswarden verify --repair` sets a damaged file aside; the readings are safe in the spool",
                        "publishing broke off; it is tried again"
                    );
                    false
                });
            let wait = if is_published {
                publishing.publish_every
            } else {
                PUBLISH_RETRY
            };
            next_publish = Instant::now() + wait;
        }
        if Instant::now() >= next_upkeep {
            let work = publishing.clone();
            let mut upkeep = tokio::task::spawn_blocking(move || work.upkeep_if_free());
            tokio::select! {
                _ended = &mut upkeep => {}
                () = async { let _gone = stop.wait_for(|stop| *stop).await; } => {
                    // What a crash left twice is put right by finishing; only a long merge is left for the next start.
                    if timeout(TIDY_WITHIN, &mut upkeep).await.is_err() {
                        publishing.stop.now();
                        let _ended = upkeep.await;
                    }
                }
            }
            next_upkeep = Instant::now() + UPKEEP_EVERY;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use chrono::Datelike as _;
    use mosswarden_config::table::Reading;

    use super::*;
    use crate::archive::{self, tests::reading};
    use crate::counts::Newest;
    use crate::disk::RealDisk;
    use crate::feeds::tests::site;
    use crate::own::Own;

    /// A day later at each upkeep.
    struct Days(AtomicI64);

    impl Clock for Days {
        fn now_ms(&self) -> i64 {
            self.0.load(Ordering::Relaxed)
        }
    }

    /// 2026-04-20T00:00:00Z.
    const NOW_MS: i64 = 1_776_643_200_000;

    fn publishing(data_dir: &Path, clock: &Arc<dyn Clock>, counts: &Arc<Counts>) -> Publishing {
        let disk: Arc<dyn Disk> = Arc::new(RealDisk);
        archive::prepare(&*disk, data_dir).expect("room");
        let mut site = site();
        site.data_dir = data_dir.to_owned();
        let (store, _) = Store::open(
            Arc::clone(&disk),
            Arc::clone(clock),
            &site,
            data_dir,
            Own::default(),
            Arc::clone(counts),
            Arc::new(Newest::default()),
        )
        .expect("an empty spool");
        Publishing::new(&site, &Arc::new(Mutex::new(store)), &disk, clock, counts)
    }

    #[test]
    fn what_goes_bad_on_the_disk_is_told_within_thirty_days_until_it_is_sound_again() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let began_ms = NOW_MS - 45 * MS_PER_24_H;
        let rows: Vec<Reading> = (0..400)
            .map(|n| reading("a", began_ms + n * 60_000, n as f64))
            .collect();
        let date = rows[0].partition_date();
        archive::put(&RealDisk, dir.path(), date, "day", &rows).expect("room");

        let counts = Arc::new(Counts::new(&site()));
        let days = Arc::new(Days(AtomicI64::new(NOW_MS)));
        let clock: Arc<dyn Clock> = Arc::clone(&days) as Arc<dyn Clock>;
        let publishing = publishing(dir.path(), &clock, &counts);
        let after_days = |count: usize| {
            for _ in 0..count {
                publishing.upkeep();
                days.0.fetch_add(MS_PER_24_H, Ordering::Relaxed);
            }
            counts.snapshot().trouble
        };
        assert_eq!(after_days(30), []);
        let path = table::month_dir(dir.path(), date.with_day(1).expect("a first")).join(MONTH_FILE);
        let sound = fs_err::read(&path).expect("the day was merged into its month");
        let mut bytes = sound.clone();
        bytes[20..60].fill(0);
        fs_err::write(&path, bytes).expect("room");
        let told = after_days(30);
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0].0, Part::Files);
        assert!(
            told[0].1.contains("month=2026-03") && told[0].1.contains("backup"),
            "{}",
            told[0].1
        );
        fs_err::write(&path, sound).expect("room");
        assert_eq!(after_days(1), [], "a damaged one is looked at each day");
    }
}

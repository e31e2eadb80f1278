//! Spool → archive at regular times, and the archive's upkeep, beside the commits.

use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use mosswarden_config::site::Site;
use mosswarden_config::zone::MS_PER_24_H;
use tokio::sync::watch;
use tokio::time::{Instant, MissedTickBehavior, interval, timeout};

use super::chain;
use crate::archive::{ArchiveError, Stop};
use crate::clock::Clock;
use crate::compact;
use crate::counts::{Counts, Part};
use crate::disk::Disk;
use crate::months;
use crate::own::Tidying;
use crate::store::{PublishError, Store};
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

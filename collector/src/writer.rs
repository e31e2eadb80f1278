//! From the bounded queue to the disk, and back to whoever waits for an acknowledgement.
//!
//! One task takes what has arrived, makes it durable in one go (group commit) and only then lets it be acknowledged. When the
//! disk fails it keeps the batch, acknowledges nothing, says so, and tries again until there is room.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, timeout, timeout_at};

use crate::counts::{Counts, Part};
use crate::message::Message;
use crate::store::{Batch, Store};

/// Messages between the way in and the disk. Above the largest window offered, so that acknowledged traffic never fills it.
pub(crate) const QUEUE_MESSAGES: usize = 8192;
/// Messages committed at once.
const BATCH_MESSAGES: usize = 4096;
/// The stream counts as idle after this long without a message: a sender waits for acknowledgements then.
const IDLE: Duration = Duration::from_millis(5);
/// With this many messages at hand an idle stream is committed at once: a window has filled (mosquitto's is 20 by default).
const FULL_WINDOW: usize = 16;
/// Commits of a slow stream are spread out to this part of `commit_every`, to spare the disk.
const SPREAD: u32 = 20;
const RETRY_FIRST: Duration = Duration::from_millis(500);
const RETRY_LAST: Duration = Duration::from_secs(15);
/// A disk that fails is said again this often.
const REPEAT_LOG: Duration = Duration::from_secs(60);
/// How often a failing disk is tried again after the stop was asked for.
const TRIES_AT_STOP: u32 = 3;

/// A message and what is to happen when it is durable.
pub(crate) struct Arrival {
    pub(crate) message: Message,
    pub(crate) when_durable: Option<Box<dyn FnOnce() + Send>>,
}

/// The writer had to stop while messages were not durable. None of them was acknowledged.
#[derive(Debug)]
pub(crate) struct LeftBehind {
    pub(crate) messages: usize,
    pub(crate) source: io::Error,
}

pub(crate) type SharedStore = Arc<Mutex<Store>>;

/// Runs until every sender is gone. Gives an error if messages had to be left behind, unacknowledged.
pub(crate) async fn write(
    mut queue: mpsc::Receiver<Arrival>,
    store: SharedStore,
    counts: Arc<Counts>,
    commit_every: Duration,
    stop: watch::Receiver<bool>,
) -> Result<(), LeftBehind> {
    let mut arrivals = Vec::new();
    let mut last_commit = Instant::now();
    while gather(&mut queue, &mut arrivals, last_commit, commit_every).await {
        let mut acknowledge = Vec::with_capacity(arrivals.len());
        let mut messages = Vec::with_capacity(arrivals.len());
        let count = arrivals.len();
        for arrival in arrivals.drain(..) {
            messages.push(arrival.message);
            acknowledge.extend(arrival.when_durable);
        }
        let mut batch = on_disk_thread(&store, move |store| store.judge(messages))
            .await
            .map_err(|source| LeftBehind {
                messages: count,
                source,
            })?;
        let mut retry = Retry::default();
        loop {
            let (returned, result) = on_disk_thread(&store, move |store| {
                let result = store.commit(&mut batch);
                if result.is_ok() {
                    store.settle(&batch);
                }
                (batch, result)
            })
            .await
            .map_err(|source| LeftBehind {
                messages: count,
                source,
            })?;
            batch = returned;
            match result {
                Ok(()) => break,
                Err(error) => retry
                    .wait(error, &counts, &batch, &stop)
                    .await
                    .map_err(|source| LeftBehind {
                        messages: count + queue.len(),
                        source,
                    })?,
            }
        }
        retry.is_over(&counts);
        last_commit = Instant::now();
        acknowledge.into_iter().for_each(|acknowledge| acknowledge());
    }
    Ok(())
}

/// Takes what belongs to one commit; `false` when nothing will come any more.
async fn gather(
    queue: &mut mpsc::Receiver<Arrival>,
    arrivals: &mut Vec<Arrival>,
    last_commit: Instant,
    commit_every: Duration,
) -> bool {
    if queue.recv_many(arrivals, BATCH_MESSAGES).await == 0 {
        return false;
    }
    let latest = Instant::now() + commit_every;
    let spread_until = (last_commit + commit_every / SPREAD).min(latest);
    while arrivals.len() < BATCH_MESSAGES && Instant::now() < latest {
        let room = BATCH_MESSAGES - arrivals.len();
        let is_slow = arrivals.len() < FULL_WINDOW;
        let until = if is_slow {
            spread_until.max(Instant::now() + IDLE)
        } else {
            Instant::now() + IDLE
        };
        match timeout_at(until.min(latest), queue.recv_many(arrivals, room)).await {
            Ok(0) | Err(_) => break,
            Ok(_) => {}
        }
    }
    true
}

async fn on_disk_thread<T: Send + 'static>(
    store: &SharedStore,
    work: impl FnOnce(&mut Store) -> T + Send + 'static,
) -> io::Result<T> {
    let store = Arc::clone(store);
    tokio::task::spawn_blocking(move || work(&mut store.lock().unwrap_or_else(PoisonError::into_inner)))
        .await
        .map_err(io::Error::other)
}

/// A disk that fails: waiting longer each time, saying it again and again.
#[derive(Default)]
struct Retry {
    tries: u32,
    tries_at_stop: u32,
    last_log: Option<Instant>,
}

impl Retry {
    async fn wait(
        &mut self,
        error: io::Error,
        counts: &Counts,
        batch: &Batch,
        stop: &watch::Receiver<bool>,
    ) -> io::Result<()> {
        counts.trouble(
            Part::Spool,
            Some(format!(
                "readings can't be made durable, nothing is acknowledged: {error}"
            )),
        );
        if self.last_log.is_none_or(|last| last.elapsed() >= REPEAT_LOG) {
            self.last_log = Some(Instant::now());
            tracing::error!(
                error = %error,
                waiting = batch.len(),
                hint = "devices and broker keep their messages; free space or repair the disk and it goes on by itself",
                "readings can't be made durable; nothing is acknowledged"
            );
        }
        if *stop.borrow() {
            self.tries_at_stop += 1;
            if self.tries_at_stop > TRIES_AT_STOP {
                return Err(error);
            }
        }
        let wait = (RETRY_FIRST * 2u32.saturating_pow(self.tries.min(10))).min(RETRY_LAST);
        self.tries += 1;
        let mut stop = stop.clone();
        let is_stopping = *stop.borrow();
        // A stop ends the waiting, so that the last tries come soon.
        if is_stopping {
            sleep(RETRY_FIRST).await;
        } else if timeout(wait, stop.changed())
            .await
            .is_ok_and(|changed| changed.is_err())
        {
            sleep(wait).await;
        }
        Ok(())
    }

    fn is_over(&self, counts: &Counts) {
        if self.tries > 0 {
            counts.trouble(Part::Spool, None);
            tracing::info!(tries = self.tries, "readings are durable again");
        }
    }
}

//! From the bounded queue to the disk, and back to whoever waits for an acknowledgement.
//!
//! One task takes what has arrived, makes it durable in one go (group commit) and only then lets it be acknowledged. When the
//! disk fails it keeps the batch, acknowledges nothing, says so, and tries again until there is room.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::time::{Instant, sleep, timeout, timeout_at};

use crate::counts::{Counts, Part};
use crate::disk;
use crate::message::Message;
use crate::store::{Batch, Store};

/// Messages between the way in and the disk. Above the largest window offered, so that acknowledged traffic never fills it.
const QUEUE_MESSAGES: usize = 8192;
/// Bytes of messages that wait there: what a flood of large ones may hold, because writing them takes a few times as much.
const QUEUE_BYTES_MAX: usize = 4 * 1024 * 1024;
/// Counted for a message beside its payload and topic.
const MESSAGE_BYTES: usize = 128;
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

/// What is to happen when a message is durable.
pub(crate) type WhenDurable = Box<dyn FnOnce() + Send>;

/// A message on its way to the disk.
pub(crate) struct Arrival {
    message: Message,
    when_durable: Option<WhenDurable>,
    /// Given back when the message is durable.
    room: OwnedSemaphorePermit,
}

/// The way to the writer, bounded in messages and in bytes: who sends waits for room.
#[derive(Clone)]
pub(crate) struct Queue {
    sender: mpsc::Sender<Arrival>,
    room: Arc<Semaphore>,
}

/// The writer is gone.
#[derive(Debug)]
pub(crate) struct Gone;

impl Queue {
    pub(crate) fn new() -> (Queue, mpsc::Receiver<Arrival>) {
        let (sender, receiver) = mpsc::channel(QUEUE_MESSAGES);
        let room = Arc::new(Semaphore::new(QUEUE_BYTES_MAX));
        (Queue { sender, room }, receiver)
    }

    /// Returns when there was room.
    pub(crate) async fn send(&self, message: Message, when_durable: Option<WhenDurable>) -> Result<(), Gone> {
        let bytes = MESSAGE_BYTES + message.topic.len() + message.payload.len();
        let bytes = u32::try_from(bytes.min(QUEUE_BYTES_MAX)).map_err(|_| Gone)?;
        let room = Arc::clone(&self.room);
        let arrival = Arrival {
            message,
            when_durable,
            room: room.acquire_many_owned(bytes).await.map_err(|_| Gone)?,
        };
        self.sender.send(arrival).await.map_err(|_| Gone)
    }
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
        let mut rooms = Vec::with_capacity(arrivals.len());
        for arrival in arrivals.drain(..) {
            messages.push(arrival.message);
            acknowledge.extend(arrival.when_durable);
            rooms.push(arrival.room);
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
        drop(rooms);
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
                "readings can't be made durable, nothing is acknowledged: {error}; {}",
                disk::next_step(&error)
            )),
        );
        if self.last_log.is_none_or(|last| last.elapsed() >= REPEAT_LOG) {
            self.last_log = Some(Instant::now());
            tracing::error!(
                error = %error,
                waiting = batch.len(),
                hint = disk::next_step(&error),
                "readings can't be made durable; nothing is acknowledged, devices and broker keep their messages"
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feeds::tests::message;

    #[tokio::test]
    async fn the_queue_is_bounded_in_bytes_and_has_room_again() {
        let (queue, mut arrivals) = Queue::new();
        let large = message("a", &"x".repeat(256 * 1024), 0);
        let mut sent = 0;
        while timeout(Duration::from_millis(50), queue.send(large.clone(), None))
            .await
            .is_ok()
        {
            sent += 1;
        }
        assert_eq!(sent, QUEUE_BYTES_MAX / (256 * 1024 + MESSAGE_BYTES + 1));
        drop(arrivals.recv().await);
        queue.send(large, None).await.expect("there is room again");
        // One that is larger than everything waits for everything, and is not stuck for ever.
        while arrivals.try_recv().is_ok() {}
        queue
            .send(message("a", &"x".repeat(2 * QUEUE_BYTES_MAX), 0), None)
            .await
            .expect("an empty queue takes it");
    }
}

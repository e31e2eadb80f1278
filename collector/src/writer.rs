//! From the bounded queue to the disk, and back to whoever waits for an acknowledgement.
//!
//! One task takes what has arrived, makes it durable in one go (group commit) and only then lets it be acknowledged. When the
//! disk fails it keeps the batch, acknowledges nothing, says so, and tries again until there is room.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mosswarden_config::plain::plain;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::time::{Instant, sleep, timeout, timeout_at};

use crate::counts::{Counts, Part};
use crate::disk;
use crate::message::Message;
use crate::store::{Batch, Store};

/// Bytes of messages between the way in and the disk: what a flood may hold, because writing them takes a few times as much. Far above
/// the largest window offered, so that acknowledged traffic never fills it.
const QUEUE_BYTES_MAX: usize = 4 * 1024 * 1024;
/// Counted for a message beside its payload and topic.
const MESSAGE_BYTES: usize = 128;
/// No more is added to a commit that has half of what may wait: the other half fills meanwhile.
const BATCH_BYTES: usize = QUEUE_BYTES_MAX / 2;
/// The stream counts as idle after this long without a message: a sender waits for acknowledgements then.
const IDLE: Duration = Duration::from_millis(5);
/// A stream that is not slow is looked at this often, instead of waking the writer for everything that comes.
const LOOK_EVERY: Duration = Duration::from_millis(1);
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

/// What is to happen when messages are durable.
pub(crate) type WhenDurable = Box<dyn FnOnce() + Send>;

/// Messages that came together, on their way to the disk.
pub(crate) struct Arrivals {
    messages: Vec<Message>,
    when_durable: Option<WhenDurable>,
    /// Given back when they are durable.
    room: Room,
}

/// Room in the queue.
pub(crate) struct Room(OwnedSemaphorePermit);

/// The way to the writer, bounded in bytes: who sends waits for room.
#[derive(Clone)]
pub(crate) struct Queue {
    // Every message holds room, so this is bounded too.
    sender: mpsc::UnboundedSender<Arrivals>,
    room: Arc<Semaphore>,
}

/// The writer is gone.
#[derive(Debug)]
pub(crate) struct Gone;

impl Queue {
    pub(crate) fn new() -> (Queue, mpsc::UnboundedReceiver<Arrivals>) {
        let (sender, receiver) = mpsc::unbounded_channel();
        let room = Arc::new(Semaphore::new(QUEUE_BYTES_MAX));
        (Queue { sender, room }, receiver)
    }

    /// Returns when there is room for these messages.
    pub(crate) async fn room(&self, messages: &[Message]) -> Result<Room, Gone> {
        let bytes = |message: &Message| MESSAGE_BYTES + message.topic.len() + message.payload.len();
        let bytes: usize = messages.iter().map(bytes).sum();
        let bytes = u32::try_from(bytes.min(QUEUE_BYTES_MAX)).map_err(|_| Gone)?;
        let room = Arc::clone(&self.room).acquire_many_owned(bytes).await;
        room.map(Room).map_err(|_| Gone)
    }

    /// Hands messages on that have their room.
    pub(crate) fn put(
        &self,
        messages: Vec<Message>,
        when_durable: Option<WhenDurable>,
        room: Room,
    ) -> Result<(), Gone> {
        let arrivals = Arrivals {
            messages,
            when_durable,
            room,
        };
        self.sender.send(arrivals).map_err(|_| Gone)
    }

    /// Returns when there was room.
    pub(crate) async fn send(
        &self,
        messages: Vec<Message>,
        when_durable: Option<WhenDurable>,
    ) -> Result<(), Gone> {
        let room = self.room(&messages).await?;
        self.put(messages, when_durable, room)
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
    mut queue: mpsc::UnboundedReceiver<Arrivals>,
    store: SharedStore,
    counts: Arc<Counts>,
    commit_every: Duration,
    stop: watch::Receiver<bool>,
) -> Result<(), LeftBehind> {
    let mut last_commit = Instant::now();
    while let Some(gathered) = gather(&mut queue, last_commit, commit_every).await {
        let Gathered {
            messages,
            count,
            acknowledge,
            rooms,
            ..
        } = gathered;
        let left_behind = |source| LeftBehind {
            messages: count,
            source,
        };
        let (mut batch, mut result) = on_disk_thread(&store, move |store| {
            let batch = store.judge(messages.into_iter().flatten());
            commit(store, batch)
        })
        .await
        .map_err(left_behind)?;
        let mut retry = Retry::default();
        while let Err(error) = result {
            if let Err(source) = retry.wait(error, &counts, &batch, &stop).await {
                let waiting = std::iter::from_fn(|| queue.try_recv().ok());
                let waiting: usize = waiting.map(|arrivals| arrivals.messages.len()).sum();
                return Err(LeftBehind {
                    messages: count + waiting,
                    source,
                });
            }
            (batch, result) = on_disk_thread(&store, move |store| commit(store, batch))
                .await
                .map_err(left_behind)?;
        }
        retry.is_over(&counts);
        last_commit = Instant::now();
        drop(rooms);
        acknowledge.into_iter().for_each(|acknowledge| acknowledge());
    }
    Ok(())
}

fn commit(store: &mut Store, mut batch: Batch) -> (Batch, io::Result<()>) {
    let result = store.commit(&mut batch);
    if result.is_ok() {
        store.settle(&batch);
    }
    (batch, result)
}

/// What belongs to one commit.
#[derive(Default)]
struct Gathered {
    messages: Vec<Vec<Message>>,
    count: usize,
    bytes: usize,
    acknowledge: Vec<WhenDurable>,
    rooms: Vec<Room>,
}

impl Gathered {
    fn add(&mut self, arrivals: Arrivals) {
        self.count += arrivals.messages.len();
        self.bytes += arrivals.room.0.num_permits();
        self.messages.push(arrivals.messages);
        self.acknowledge.extend(arrivals.when_durable);
        self.rooms.push(arrivals.room);
    }
}

/// Takes what belongs to one commit; `None` when nothing will come any more.
async fn gather(
    queue: &mut mpsc::UnboundedReceiver<Arrivals>,
    last_commit: Instant,
    commit_every: Duration,
) -> Option<Gathered> {
    let mut gathered = Gathered::default();
    gathered.add(queue.recv().await?);
    let latest = Instant::now() + commit_every;
    let spread_until = (last_commit + commit_every / SPREAD).min(latest);
    let mut last_arrival = Instant::now();
    while gathered.bytes < BATCH_BYTES && Instant::now() < latest {
        if let Ok(arrivals) = queue.try_recv() {
            gathered.add(arrivals);
            last_arrival = Instant::now();
            continue;
        }
        let idle_until = last_arrival + IDLE;
        if gathered.count < FULL_WINDOW {
            match timeout_at(spread_until.max(idle_until).min(latest), queue.recv()).await {
                Ok(Some(arrivals)) => gathered.add(arrivals),
                Ok(None) | Err(_) => break,
            }
            last_arrival = Instant::now();
        } else if Instant::now() < idle_until && !queue.is_closed() {
            sleep(LOOK_EVERY).await;
        } else {
            break;
        }
    }
    Some(gathered)
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
                "readings can't be made durable, nothing is acknowledged: {}; {}",
                plain(&error),
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
        while timeout(
            Duration::from_millis(50),
            queue.send(vec![large.clone(); 2], None),
        )
        .await
        .is_ok()
        {
            sent += 2;
        }
        assert_eq!(sent, QUEUE_BYTES_MAX / (256 * 1024 + MESSAGE_BYTES + 1) / 2 * 2);
        drop(arrivals.recv().await);
        queue.send(vec![large], None).await.expect("there is room again");
        // One that is larger than everything waits for everything, and is not stuck for ever.
        while arrivals.try_recv().is_ok() {}
        let larger = message("a", &"x".repeat(2 * QUEUE_BYTES_MAX), 0);
        queue
            .send(vec![larger], None)
            .await
            .expect("an empty queue takes it");
    }
}

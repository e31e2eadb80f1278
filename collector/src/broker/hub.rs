//! Who listens here: subscribers, and the messages that are kept for new ones.
//!
//! Everything is passed on at QoS 0 and as it comes: this is a window into the room and the way for alerts, not a queue. A subscriber
//! that does not keep up misses messages; the archive never does. Retained messages are kept in memory only.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};

use super::wire;

/// Messages that wait for one subscriber.
const OUTBOX_MESSAGES: usize = 1000;
/// Bytes that wait for all subscribers together. One may hold no more than is still free, so that some that take nothing never leave
/// the others without room: of `n` such each ends up with an equal share, and one share stays free.
const OUTBOX_BYTES_MAX: usize = 4 * 1024 * 1024;
/// Filters of one connection.
pub(super) const FILTERS_MAX: usize = 100;
/// Retained messages, in count and in bytes of payload.
const RETAINED_MAX: usize = 1000;
const RETAINED_BYTES_MAX: usize = 4 * 1024 * 1024;

/// A message on its way to a subscriber.
#[derive(Debug)]
pub(super) struct Delivery {
    pub(super) topic: Arc<str>,
    pub(super) payload: Bytes,
    pub(super) is_retained: bool,
    /// Given back when the message is written.
    _room: OwnedSemaphorePermit,
    _held: Held,
}

/// Bytes that wait for one subscriber.
#[derive(Debug)]
struct Held {
    bytes: usize,
    of_subscriber: Arc<AtomicUsize>,
}

impl Held {
    fn new(bytes: usize, of_subscriber: &Arc<AtomicUsize>) -> Held {
        of_subscriber.fetch_add(bytes, Ordering::Relaxed);
        Held {
            bytes,
            of_subscriber: Arc::clone(of_subscriber),
        }
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        self.of_subscriber.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

/// Where messages for one subscriber go.
#[derive(Clone)]
pub(super) struct Outbox {
    sender: mpsc::Sender<Delivery>,
    held_bytes: Arc<AtomicUsize>,
}

impl Outbox {
    pub(super) fn new() -> (Outbox, mpsc::Receiver<Delivery>) {
        let (sender, deliveries) = mpsc::channel(OUTBOX_MESSAGES);
        let outbox = Outbox {
            sender,
            held_bytes: Arc::default(),
        };
        (outbox, deliveries)
    }
}

pub(super) struct Hub {
    room: Arc<Semaphore>,
    subscriber_count: AtomicUsize,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    subscribers: BTreeMap<u64, Subscriber>,
    retained: BTreeMap<Arc<str>, Bytes>,
    retained_bytes: usize,
}

struct Subscriber {
    filters: Vec<String>,
    outbox: Outbox,
}

impl Default for Hub {
    fn default() -> Hub {
        Hub {
            room: Arc::new(Semaphore::new(OUTBOX_BYTES_MAX)),
            subscriber_count: AtomicUsize::default(),
            state: Mutex::default(),
        }
    }
}

impl Hub {
    /// Puts a message into an outbox, if there is room for it: a subscriber that does not keep up misses it.
    fn deliver(&self, outbox: &Outbox, topic: &Arc<str>, payload: &Bytes, is_retained: bool) {
        let bytes = topic.len() + payload.len();
        let free_after = self.room.available_permits().saturating_sub(bytes);
        if outbox.held_bytes.load(Ordering::Relaxed) + bytes > free_after {
            return;
        }
        let permits = u32::try_from(bytes).unwrap_or(u32::MAX);
        if let Ok(room) = Arc::clone(&self.room).try_acquire_many_owned(permits) {
            let _full = outbox.sender.try_send(Delivery {
                topic: Arc::clone(topic),
                payload: payload.clone(),
                is_retained,
                _room: room,
                _held: Held::new(bytes, &outbox.held_bytes),
            });
        }
    }

    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sets a connection's filters; what is retained under the new ones is sent at once.
    pub(super) fn subscribe(&self, connection: u64, outbox: &Outbox, filters: Vec<String>, new: &[String]) {
        let mut state = self.state();
        for (topic, payload) in &state.retained {
            if new.iter().any(|filter| wire::matches(filter, topic)) {
                self.deliver(outbox, topic, payload, true);
            }
        }
        if filters.is_empty() {
            state.subscribers.remove(&connection);
        } else {
            state.subscribers.insert(
                connection,
                Subscriber {
                    filters,
                    outbox: outbox.clone(),
                },
            );
        }
        self.subscriber_count
            .store(state.subscribers.len(), Ordering::Relaxed);
    }

    pub(super) fn leave(&self, connection: u64) {
        let mut state = self.state();
        state.subscribers.remove(&connection);
        self.subscriber_count
            .store(state.subscribers.len(), Ordering::Relaxed);
    }

    /// Passes a message on to whoever wants it, and keeps it if asked to.
    pub(super) fn publish(&self, topic: &str, payload: &Bytes, retain: bool) {
        if !retain && self.subscriber_count.load(Ordering::Relaxed) == 0 {
            return;
        }
        let topic: Arc<str> = topic.into();
        let mut state = self.state();
        if retain {
            state.keep(topic.clone(), payload);
        }
        for subscriber in state.subscribers.values() {
            if subscriber
                .filters
                .iter()
                .any(|filter| wire::matches(filter, &topic))
            {
                self.deliver(&subscriber.outbox, &topic, payload, false);
            }
        }
    }
}

impl State {
    /// An empty payload forgets (MQTT 3.1.1, section 3.3.1.3).
    fn keep(&mut self, topic: Arc<str>, payload: &Bytes) {
        if let Some(old) = self.retained.remove(&topic) {
            self.retained_bytes -= topic.len() + old.len();
        }
        let bytes = topic.len() + payload.len();
        let fits = self.retained.len() < RETAINED_MAX && self.retained_bytes + bytes <= RETAINED_BYTES_MAX;
        if !payload.is_empty() && fits {
            self.retained_bytes += bytes;
            // Copied, so that it does not hold on to a whole read buffer.
            self.retained.insert(topic, Bytes::copy_from_slice(payload));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_retained_is_bounded_with_its_topics() {
        let mut state = State::default();
        let payload = Bytes::from_static(b"1");
        let long = "t".repeat(60_000);
        for number in 0..RETAINED_MAX {
            state.keep(Arc::from(format!("{long}{number}")), &payload);
        }
        let held: usize = state
            .retained
            .iter()
            .map(|(topic, kept)| topic.len() + kept.len())
            .sum();
        assert_eq!(state.retained_bytes, held);
        assert!(
            held <= RETAINED_BYTES_MAX && held > RETAINED_BYTES_MAX / 2,
            "{held}"
        );
        for topic in state.retained.keys().cloned().collect::<Vec<_>>() {
            state.keep(topic, &Bytes::new());
        }
        assert_eq!((state.retained.len(), state.retained_bytes), (0, 0));
    }

    #[test]
    fn subscribers_that_take_nothing_leave_room_for_the_others() {
        let hub = Hub::default();
        let all = ["#".to_owned()];
        let payload = Bytes::from(vec![b'x'; 60_000]);
        let mut deaf = Vec::new();
        for number in 0..3 {
            let (outbox, deliveries) = Outbox::new();
            hub.subscribe(number, &outbox, all.to_vec(), &all);
            deaf.push(deliveries);
        }
        for _ in 0..OUTBOX_MESSAGES {
            hub.publish("room/loud", &payload, false);
        }
        let (outbox, mut deliveries) = Outbox::new();
        hub.subscribe(9, &outbox, all.to_vec(), &all);
        for _ in 0..2 * OUTBOX_MESSAGES {
            hub.publish("room/a", &payload, false);
            let delivery = deliveries.try_recv().expect("one that keeps up misses nothing");
            assert_eq!(&*delivery.topic, "room/a");
        }
        // Everything is given back, and whoever listens again hears again.
        drop(deaf.remove(0));
        let heard = std::iter::from_fn(|| deaf[0].try_recv().ok()).count();
        assert!(heard > 10, "{heard}");
        hub.publish("room/a", &payload, false);
        assert_eq!(
            deaf[0].try_recv().map(|delivery| delivery.topic.to_string()),
            Ok("room/a".to_owned())
        );
        deaf.clear();
        while deliveries.try_recv().is_ok() {}
        assert_eq!(hub.room.available_permits(), OUTBOX_BYTES_MAX);
    }
}

//! The other way in: as a client of the keeper's own broker, MQTT 5 where it speaks it, else 3.1.1.
//!
//! In: a broker, the site's topics. Out: arrivals into the writer's queue. A message is acknowledged to the broker when it is
//! durable, and only on the connection that brought it: packet ids mean nothing on the next one (invariant M-1). The session is
//! kept by the broker, so that what is sent while the collector is down comes later. The task that polls waits for the disk only by a full
//! queue; acknowledgements never wait, because there is room for as many as there are packet ids.

mod link;

use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use mosswarden_config::site::Broker;
use rustls::ClientConfig;
use tokio::sync::watch;
use tokio::time::{Instant, timeout};

use crate::clock::Clock;
use crate::counts::{Counts, Part};
use crate::message::{Message, Packet};
use crate::run::OwnMessage;
use crate::secrets::{self, SecretError};
use crate::writer::{Gone, Queue, WhenDurable};
use link::{Five, Four, Heard, Link, LinkError};

/// How soon a connection that went silent is noticed, where nothing else is asked for.
pub(crate) const KEEP_ALIVE: Duration = Duration::from_secs(30);
const BACKOFF_FIRST: Duration = Duration::from_millis(500);
const BACKOFF_LAST: Duration = Duration::from_secs(30);
/// A connection that held this long was a good one: the next failure starts from the first pause.
const GOOD_AFTER: Duration = Duration::from_secs(60);
/// A broker that can't be reached is said again this often.
const REPEAT_LOG: Duration = Duration::from_secs(60);
/// At a stop, acknowledgements still on their way are waited for this long.
const STOP_WITHIN: Duration = Duration::from_secs(10);
const GOODBYE_WITHIN: Duration = Duration::from_secs(2);

/// Why the client can't be set up.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    #[error("the broker's secrets can't be used")]
    Secret(#[from] SecretError),
}

/// Where the broker is.
#[derive(Debug, Clone)]
pub(crate) struct Target {
    pub(crate) host: String,
    pub(crate) port: u16,
    pub(crate) tls: bool,
    pub(crate) keep_alive: Duration,
}

/// Everything that a connection needs.
pub(crate) struct Client {
    settings: Settings,
    topics: Vec<Arc<str>>,
    queue: Queue,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    voice: Voice,
    /// Messages handed over and neither acknowledged nor given up.
    in_flight: Arc<AtomicU64>,
    generation: Arc<Mutex<u64>>,
}

#[derive(Clone)]
pub(crate) struct Settings {
    target: Target,
    client_id: String,
    login: Option<(String, String)>,
    tls: Option<Arc<ClientConfig>>,
    will: Option<OwnMessage>,
}

/// Publishes own messages through the client while it is connected.
#[derive(Clone, Default)]
pub(crate) struct Voice(Arc<Mutex<Option<link::Speak>>>);

impl Voice {
    pub(crate) fn say(&self, message: &OwnMessage) {
        let speak = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !speak.as_ref().is_some_and(|speak| speak(message)) {
            tracing::warn!(
                topic = message.topic,
                "an own message was not published: the broker is not there"
            );
        }
    }

    fn set(&self, speak: Option<link::Speak>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = speak;
    }
}

/// Counts a message from its arrival until it is acknowledged or given up.
struct InFlight(Arc<AtomicU64>);

impl InFlight {
    fn new(count: &Arc<AtomicU64>) -> InFlight {
        count.fetch_add(1, Ordering::Relaxed);
        InFlight(Arc::clone(count))
    }
}

impl Drop for InFlight {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Why a version's connection loop ended.
enum Ended {
    Stopped,
    /// The broker does not speak this version, or never answered in it.
    TryOther,
}

impl Client {
    pub(crate) fn new(
        broker: &Broker,
        target: Target,
        will: Option<OwnMessage>,
        topics: Vec<Arc<str>>,
        queue: Queue,
        clock: Arc<dyn Clock>,
        counts: Arc<Counts>,
    ) -> Result<Client, ClientError> {
        let login = match (&broker.username, &broker.password_file) {
            (None, None) => None,
            (username, Some(file)) => Some((username.clone().unwrap_or_default(), secrets::password(file)?)),
            (Some(username), None) => Some((username.clone(), String::new())),
        };
        let tls = if target.tls {
            Some(secrets::client_tls(broker.ca_file.as_deref())?)
        } else {
            None
        };
        Ok(Client {
            settings: Settings {
                target,
                client_id: broker.client_id.clone(),
                login,
                tls,
                will,
            },
            topics,
            queue,
            clock,
            counts,
            voice: Voice::default(),
            in_flight: Arc::default(),
            generation: Arc::default(),
        })
    }

    pub(crate) fn voice(&self) -> Voice {
        self.voice.clone()
    }

    /// Stays connected until told to stop.
    pub(crate) async fn serve(self, stop: watch::Receiver<bool>) {
        let mut is_five = true;
        let mut pause = Pause::default();
        loop {
            let ended = if is_five {
                let link = Five::new(&self.settings);
                self.stay(link, &mut pause, stop.clone()).await
            } else {
                let link = Four::new(&self.settings);
                self.stay(link, &mut pause, stop.clone()).await
            };
            match ended {
                Ended::Stopped => return,
                Ended::TryOther => is_five = !is_five,
            }
        }
    }

    async fn stay<L: Link>(&self, mut link: L, pause: &mut Pause, mut stop: watch::Receiver<bool>) -> Ended {
        let mut connected_at: Option<Instant> = None;
        let mut has_ever_connected = false;
        loop {
            if *stop.borrow() {
                return self.say_goodbye(&mut link, connected_at.is_some()).await;
            }
            let heard = tokio::select! {
                heard = link.poll() => heard,
                // A poll that is cut short may lose an acknowledgement it was writing, so only the end of the connection does that.
                () = wait_for_stop(&mut stop) => continue,
            };
            match heard {
                Ok(Heard::Connected { session_present }) => {
                    connected_at = Some(Instant::now());
                    has_ever_connected = true;
                    // Who sees the connection may speak through it at once.
                    self.voice.set(Some(link.speak()));
                    self.counts.connected(true);
                    self.counts.trouble(Part::Broker, None);
                    pause.last_log = None;
                    tracing::info!(
                        version = L::VERSION,
                        session_present,
                        topics = self.topics.len(),
                        "connected to the broker"
                    );
                    link.subscribe(&self.topics);
                }
                Ok(Heard::Publish(publish)) => {
                    if self
                        .hand_over(self.arrival(publish, &link), &mut stop)
                        .await
                        .is_err()
                    {
                        return Ended::Stopped;
                    }
                }
                Ok(Heard::SubscriptionRefused { count }) => {
                    tracing::error!(
                        count,
                        hint = "allow this user to read the topics of the site file",
                        "the broker refused subscriptions"
                    );
                    self.counts.trouble(
                        Part::Broker,
                        Some(format!("the broker refused {count} subscriptions")),
                    );
                }
                Ok(Heard::Nothing) => {}
                Err(error) => {
                    // A broker without memory will not send these again, so they are kept, though nobody hears that.
                    for publish in link.leftovers() {
                        if self
                            .hand_over(self.arrival(publish, &link), &mut stop)
                            .await
                            .is_err()
                        {
                            return Ended::Stopped;
                        }
                    }
                    self.forget(&mut link);
                    if connected_at
                        .take()
                        .is_some_and(|since| since.elapsed() >= GOOD_AFTER)
                    {
                        pause.tries = 0;
                    }
                    self.counts.connected(false);
                    self.say_trouble(&error, pause);
                    let is_other_wanted = match error {
                        LinkError::Version => true,
                        LinkError::NoAnswer(_) => !has_ever_connected,
                        LinkError::Unreachable(_) | LinkError::Refused(_) | LinkError::Lost(_) => false,
                    };
                    if !matches!(error, LinkError::Version) {
                        let _stopped =
                            timeout(pause.next(self.clock.now_ms()), wait_for_stop(&mut stop)).await;
                    }
                    if is_other_wanted {
                        return Ended::TryOther;
                    }
                }
            }
        }
    }

    /// Puts a message into the queue. A full queue holds the connection back: a broker may send far more than the window that
    /// was asked for (mosquitto 2.0.11 does when a session is resumed). What waits here at a stop was not acknowledged and
    /// comes again. Fails when the collector is gone.
    async fn hand_over(
        &self,
        (message, when_durable): (Message, Option<WhenDurable>),
        stop: &mut watch::Receiver<bool>,
    ) -> Result<(), Gone> {
        tokio::select! {
            sent = self.queue.send(message, when_durable) => sent,
            () = wait_for_stop(stop) => Ok(()),
        }
    }

    /// M-1: acknowledgements of the old connection never reach the new one.
    fn forget<L: Link>(&self, link: &mut L) {
        let mut generation = self.generation.lock().unwrap_or_else(PoisonError::into_inner);
        *generation += 1;
        self.voice.set(None);
        link.forget();
    }

    fn arrival<L: Link>(&self, publish: link::Publish, link: &L) -> (Message, Option<WhenDurable>) {
        let id = publish.id;
        let when_durable = (id != 0).then(|| {
            let born = *self.generation.lock().unwrap_or_else(PoisonError::into_inner);
            let (generation, acknowledge) = (Arc::clone(&self.generation), link.acknowledger());
            let in_flight = InFlight::new(&self.in_flight);
            let when_durable: WhenDurable = Box::new(move || {
                let _ends_here = in_flight;
                let generation = generation.lock().unwrap_or_else(PoisonError::into_inner);
                // M-1.
                if *generation == born && !acknowledge(id) {
                    tracing::warn!(
                        id,
                        "an acknowledgement found no room; the broker will send the message again"
                    );
                }
            });
            when_durable
        });
        let message = Message {
            topic: publish.topic,
            payload: publish.payload,
            arrived_ms: self.clock.now_ms(),
            packet: Packet {
                client: Arc::from(self.settings.client_id.as_str()),
                id,
                is_repeat: publish.is_repeat,
                is_retained: publish.is_retained,
                is_will: false,
            },
        };
        (message, when_durable)
    }

    fn say_trouble(&self, error: &LinkError, pause: &mut Pause) {
        let Target { host, port, .. } = &self.settings.target;
        let hint = match error {
            LinkError::Refused(_) => "check `username` and `password_file` under [broker]",
            _ => "the broker keeps messages meanwhile if its persistence is on; it is tried again by itself",
        };
        let text = format!("no connection to {host}:{port}: {error}; {hint}");
        self.counts.trouble(Part::Broker, Some(text));
        if pause.last_log.is_none_or(|last| last.elapsed() >= REPEAT_LOG) {
            pause.last_log = Some(Instant::now());
            tracing::warn!(host, port, %error, hint, "no connection to the broker");
        }
    }

    /// Nothing new is taken; what is on its way to the disk is acknowledged, then the session is left in order.
    async fn say_goodbye<L: Link>(&self, link: &mut L, is_connected: bool) -> Ended {
        if is_connected {
            let until = Instant::now() + STOP_WITHIN;
            while self.in_flight.load(Ordering::Relaxed) > 0 && Instant::now() < until {
                // Publishes heard now stay unacknowledged and come again at the next start.
                if let Ok(Err(_)) = timeout(Duration::from_millis(20), link.poll()).await {
                    return Ended::Stopped;
                }
            }
            link.disconnect();
            let _late = timeout(GOODBYE_WITHIN, async { while link.poll().await.is_ok() {} }).await;
        }
        self.counts.connected(false);
        Ended::Stopped
    }
}

async fn wait_for_stop(stop: &mut watch::Receiver<bool>) {
    // A lost sender means that the collector is gone: as good as a stop.
    let _gone = stop.wait_for(|stop| *stop).await;
}

/// Growing pauses between tries, with jitter so that many clients of one broker do not come at once.
#[derive(Default)]
struct Pause {
    tries: u32,
    last_log: Option<Instant>,
}

impl Pause {
    fn next(&mut self, now_ms: i64) -> Duration {
        let base = (BACKOFF_FIRST * 2u32.saturating_pow(self.tries.min(10))).min(BACKOFF_LAST);
        self.tries += 1;
        // The clock's last digits are random enough to spread clients out: 75 to 125 %.
        let spread = u32::try_from(now_ms.rem_euclid(51)).unwrap_or(25);
        base * (75 + spread) / 100
    }
}

/// A failure of the network, in words, told apart as far as it matters.
fn io_error(error: &io::Error) -> LinkError {
    match error.kind() {
        io::ErrorKind::ConnectionRefused
        | io::ErrorKind::HostUnreachable
        | io::ErrorKind::NetworkUnreachable
        | io::ErrorKind::NotFound => LinkError::Unreachable(error.to_string()),
        _ => LinkError::Lost(error.to_string()),
    }
}

/// A topic as a shared text.
fn topic_of(bytes: &Bytes) -> Arc<str> {
    String::from_utf8_lossy(bytes).into()
}

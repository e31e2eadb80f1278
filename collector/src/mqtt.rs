//! The other way in: as a client of the keeper's own broker, MQTT 5 where it speaks it, else 3.1.1.
//!
//! In: a broker, the site's topics. Out: arrivals into the writer's queue. A message is acknowledged to the broker when it is
//! durable, and only on the connection that brought it: packet ids mean nothing on the next one (invariant M-1). The session is
//! kept by the broker, so that what is sent while the collector is down comes later. While the queue is full nothing is read, and the
//! connection lives on; acknowledgements never wait.

mod link;
pub(crate) mod packets;

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mosswarden_config::plain::plain;
use mosswarden_config::site::Broker;
use rustls::ClientConfig;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep_until, timeout};

use crate::broker::wire::Level;
use crate::clock::Clock;
use crate::counts::{Counts, Part};
use crate::message::Message;
use crate::run::OwnMessage;
use crate::secrets::{self, SecretError};
use crate::writer::{Queue, WhenDurable};
use link::{Link, LinkError};

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
/// The collector's own messages on their way to the broker.
const OWN_MESSAGES_MAX: usize = 100;

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
    /// The site's topics, and what is subscribed to for them.
    topics: Vec<Arc<str>>,
    filters: Vec<Arc<str>>,
    queue: Queue,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    voice: Voice,
}

pub(crate) struct Settings {
    target: Target,
    client: Arc<str>,
    login: Option<(String, String)>,
    tls: Option<Arc<ClientConfig>>,
    will: Option<OwnMessage>,
}

/// Publishes own messages through the client while it is connected.
#[derive(Clone, Default)]
pub(crate) struct Voice(Arc<Mutex<Option<mpsc::Sender<OwnMessage>>>>);

impl Voice {
    pub(crate) fn say(&self, message: &OwnMessage) {
        let speak = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_said = speak
            .as_ref()
            .is_some_and(|speak| speak.try_send(message.clone()).is_ok());
        if !is_said {
            tracing::warn!(
                topic = message.topic,
                "an own message was not published: the broker is not there"
            );
        }
    }

    fn set(&self, speak: Option<mpsc::Sender<OwnMessage>>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = speak;
    }
}

/// What a connection hears from the rest of the collector while it stands.
struct Inside {
    /// Packet ids of messages that are durable. They go to this connection or nowhere: M-1.
    durable: mpsc::UnboundedReceiver<Vec<u16>>,
    own: mpsc::Receiver<OwnMessage>,
}

/// What the broker is to know us by, and how we know it.
pub(crate) struct Secrets {
    login: Option<(String, String)>,
    tls: Option<Arc<ClientConfig>>,
}

impl Secrets {
    pub(crate) fn of(broker: &Broker, is_tls: bool) -> Result<Secrets, ClientError> {
        let login = match (&broker.username, &broker.password_file) {
            (None, None) => None,
            (username, Some(file)) => Some((username.clone().unwrap_or_default(), secrets::password(file)?)),
            (Some(username), None) => Some((username.clone(), String::new())),
        };
        let tls = if is_tls {
            Some(secrets::client_tls(broker.ca_file.as_deref())?)
        } else {
            None
        };
        Ok(Secrets { login, tls })
    }
}

impl Client {
    pub(crate) fn new(
        broker: &Broker,
        target: Target,
        will: Option<OwnMessage>,
        topics: Vec<Arc<str>>,
        filters: Vec<Arc<str>>,
        queue: Queue,
        clock: Arc<dyn Clock>,
        counts: Arc<Counts>,
    ) -> Result<Client, ClientError> {
        let Secrets { login, tls } = Secrets::of(broker, target.tls)?;
        Ok(Client {
            settings: Settings {
                target,
                client: Arc::from(broker.client_id.as_str()),
                login,
                tls,
                will,
            },
            topics,
            filters,
            queue,
            clock,
            counts,
            voice: Voice::default(),
        })
    }

    pub(crate) fn voice(&self) -> Voice {
        self.voice.clone()
    }

    /// Stays connected until told to stop.
    pub(crate) async fn serve(self, mut stop: watch::Receiver<bool>) {
        let mut level = Level::Five;
        let mut pause = Pause::default();
        let mut has_ever_connected = false;
        while !*stop.borrow() {
            let opened = tokio::select! {
                opened = Link::open(&self.settings, level, &self.topics) => opened,
                () = wait_for_stop(&mut stop) => break,
            };
            let error = match opened {
                Ok((link, session_present)) => {
                    has_ever_connected = true;
                    pause.last_log = None;
                    let since = Instant::now();
                    let ended = self.stay(link, session_present, &mut stop).await;
                    self.counts.connected(false);
                    if since.elapsed() >= GOOD_AFTER {
                        pause.tries = 0;
                    }
                    match ended {
                        Ok(()) => break,
                        Err(error) => error,
                    }
                }
                Err(error) => error,
            };
            self.say_trouble(&error, &mut pause);
            let is_of_version = matches!(error, LinkError::Version);
            if is_of_version || (matches!(error, LinkError::NoAnswer(_)) && !has_ever_connected) {
                level = match level {
                    Level::Five => Level::Four,
                    Level::Four => Level::Five,
                };
            }
            if !is_of_version {
                let _stopped = timeout(pause.next(self.clock.now_ms()), wait_for_stop(&mut stop)).await;
            }
        }
    }

    /// Serves one connection to its end; `Ok` where that is ours.
    async fn stay(
        &self,
        mut link: Link,
        session_present: bool,
        stop: &mut watch::Receiver<bool>,
    ) -> Result<(), LinkError> {
        let (durable, durables) = mpsc::unbounded_channel();
        let (speak, own) = mpsc::channel(OWN_MESSAGES_MAX);
        let mut inside = Inside {
            durable: durables,
            own,
        };
        // Who sees the connection may speak through it at once.
        self.voice.set(Some(speak));
        self.counts.connected(true);
        self.counts.trouble(Part::Broker, None);
        tracing::info!(
            version = ?link.level(),
            session_present,
            topics = self.topics.len(),
            "connected to the broker"
        );
        let mut waiting = Vec::new();
        let ended = self
            .talk(&mut link, &mut waiting, &durable, &mut inside, stop)
            .await;
        self.voice.set(None);
        match ended {
            Ok(()) => {
                drop(durable);
                self.say_goodbye(link, inside).await;
                Ok(())
            }
            Err(error) => {
                // A broker without memory will not send these again, so they are kept, though nobody hears that.
                if !waiting.is_empty() {
                    tokio::select! {
                        _gone = self.queue.send(waiting, None) => {}
                        () = wait_for_stop(stop) => {}
                    }
                }
                Err(error)
            }
        }
    }

    /// Hears messages, hands them on and acknowledges them, until told to stop. `waiting` has those that found no room yet: a broker may send
    /// far more than the window that was asked for (mosquitto 2.0.11 does when a session is resumed). What waits at a stop was not
    /// acknowledged and comes again.
    async fn talk(
        &self,
        link: &mut Link,
        waiting: &mut Vec<Message>,
        durable: &mpsc::UnboundedSender<Vec<u16>>,
        inside: &mut Inside,
        stop: &mut watch::Receiver<bool>,
    ) -> Result<(), LinkError> {
        link.subscribe(&self.filters)?;
        loop {
            tokio::select! {
                heard = link.hear(waiting.is_empty(), || self.clock.now_ms()) => {
                    let heard = heard?;
                    *waiting = heard.messages;
                    if heard.refused_subscriptions > 0 {
                        self.say_subscriptions_refused(heard.refused_subscriptions);
                    }
                }
                room = self.queue.room(waiting), if !waiting.is_empty() => {
                    let messages = std::mem::take(waiting);
                    let when_durable = when_durable(&messages, durable);
                    let handed_on = room.and_then(|room| self.queue.put(messages, when_durable, room));
                    if handed_on.is_err() {
                        return Ok(());
                    }
                }
                Some(ids) = inside.durable.recv() => self.acknowledge(link, &ids),
                Some(message) = inside.own.recv() => link.say(&message),
                () = wait_for_stop(stop) => return Ok(()),
            }
        }
    }

    fn acknowledge(&self, link: &mut Link, ids: &[u16]) {
        link.acknowledge(ids);
        self.counts.acknowledged(ids.len() as u64);
    }

    fn say_subscriptions_refused(&self, count: usize) {
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

    fn say_trouble(&self, error: &LinkError, pause: &mut Pause) {
        let Target { host, port, .. } = &self.settings.target;
        let hint = match error {
            LinkError::Refused(_) => "check `username` and `password_file` under [broker]",
            _ => "the broker keeps messages meanwhile if its persistence is on; it is tried again by itself",
        };
        let text = format!("no connection to {host}:{port}: {}; {hint}", plain(error));
        self.counts.trouble(Part::Broker, Some(text));
        if pause.last_log.is_none_or(|last| last.elapsed() >= REPEAT_LOG) {
            pause.last_log = Some(Instant::now());
            tracing::warn!(host, port, %error, hint, "no connection to the broker");
        }
    }

    /// Nothing new is taken; what is on its way to the disk is acknowledged, then the session is left in order.
    async fn say_goodbye(&self, mut link: Link, mut inside: Inside) {
        while let Ok(message) = inside.own.try_recv() {
            link.say(&message);
        }
        let until = Instant::now() + STOP_WITHIN;
        loop {
            tokio::select! {
                // Ends when the writer is through with the last message of this connection.
                ids = inside.durable.recv() => match ids {
                    Some(ids) => self.acknowledge(&mut link, &ids),
                    None => break,
                },
                heard = link.hear(false, || 0) => if heard.is_err() { return },
                () = sleep_until(until) => break,
            }
        }
        let _late = timeout(GOODBYE_WITHIN, link.finish()).await;
    }
}

/// Has the connection told of those messages that want it, when they are durable.
fn when_durable(messages: &[Message], durable: &mpsc::UnboundedSender<Vec<u16>>) -> Option<WhenDurable> {
    let ids = messages.iter().map(|message| message.packet.id);
    let ids: Vec<u16> = ids.filter(|id| *id != 0).collect();
    let durable = durable.clone();
    // The connection may be gone: then the broker sends them again.
    let tell = move || drop(durable.send(ids));
    Some(Box::new(tell))
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

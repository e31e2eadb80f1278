//! One device's connection: from CONNECT to its end.
//!
//! PUBACK and PUBREC go out when the message is durable, never before. Reading stops while too much waits for the disk. A
//! connection that ends without DISCONNECT publishes its will, which comes in like any message and is marked as one.

use std::sync::Arc;
use std::time::Duration;

use bytes::{Bytes, BytesMut};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, sleep_until, timeout};

use super::hub::{Delivery, FILTERS_MAX, Outbox};
use super::wire::{self, Connect, Level, Publish, Refusal, Request, Will, WireError, reason};
use super::{Guest, Shared};
use crate::message::{Message, Packet};
use crate::writer::WhenDurable;

/// A device has this long to say who it is.
const CONNECT_WITHIN: Duration = Duration::from_secs(10);
/// A device that takes nothing for this long is given up.
const WRITE_WITHIN: Duration = Duration::from_secs(10);
/// After a wrong password, so that guessing takes long.
const LOGIN_PAUSE: Duration = Duration::from_secs(1);
/// A device without keep-alive is given up after this much silence.
const SILENCE_MAX: Duration = Duration::from_secs(24 * 3600);
/// At a stop, acknowledgements still on their way are waited for this long.
const STOP_WITHIN: Duration = Duration::from_secs(20);
/// Longest client id; the standard asks servers for 23 bytes at least (MQTT 3.1.1, section 3.1.3.1).
const CLIENT_ID_BYTES_MAX: usize = 256;
const READ_BYTES: usize = 16 * 1024;

/// How a connection ended.
enum End {
    /// The device said goodbye: no will.
    Goodbye,
    /// We stop: no will.
    Stopped,
    /// Lost, broken, too slow or pushed out: the will is published.
    Lost(String),
}

/// An acknowledgement that may go out now.
#[derive(Debug, Clone, Copy)]
struct Durable {
    id: u16,
    qos: u8,
}

struct Connection<S> {
    stream: S,
    shared: Arc<Shared>,
    guest: Guest,
    level: Level,
    client: Arc<str>,
    keep_alive: Duration,
    filters: Vec<String>,
    outbox: Outbox,
    durable: mpsc::UnboundedSender<Vec<Durable>>,
    in_flight: usize,
    /// Heard and not yet handed on, with who wants to know when they are durable.
    heard: Vec<Message>,
    receipts: Vec<Durable>,
    input: BytesMut,
    output: BytesMut,
}

/// Serves one connection to its end.
pub(super) async fn serve<S>(mut stream: S, shared: Arc<Shared>, stop: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let mut input = BytesMut::with_capacity(1024);
    let connect = match timeout(CONNECT_WITHIN, first_packet(&mut stream, &mut input)).await {
        Ok(Ok(Some(connect))) => connect,
        Ok(Ok(None)) | Err(_) => return,
        Ok(Err(error)) => {
            if let WireError::UnknownLevel { .. } = error {
                let mut out = BytesMut::new();
                wire::write_refusal(&mut out, Level::Four, Refusal::Version);
                let _gone = send(&mut stream, &mut out).await;
            }
            tracing::debug!(%error, "a connection that does not speak MQTT was closed");
            return;
        }
    };
    let level = connect.level;
    match welcome(&connect, &shared) {
        Err(refusal) => {
            if refusal == Refusal::Login {
                tracing::warn!(client = %printable(&connect.client), "a device was refused: wrong user name or password");
                sleep(LOGIN_PAUSE).await;
            }
            let mut out = BytesMut::new();
            wire::write_refusal(&mut out, level, refusal);
            let _gone = send(&mut stream, &mut out).await;
        }
        Ok(client) => {
            let (outbox, deliveries) = Outbox::new();
            let (durable, durables) = mpsc::unbounded_channel();
            let guest = shared.enter(&client);
            // One and a half times the keep-alive (MQTT 3.1.1, section 3.1.2.10).
            let keep_alive = match connect.keep_alive_s {
                0 => SILENCE_MAX,
                seconds => Duration::from_millis(1500 * u64::from(seconds)),
            };
            let connection = Connection {
                stream,
                shared,
                guest,
                level,
                client,
                keep_alive,
                filters: Vec::new(),
                outbox,
                durable,
                in_flight: 0,
                heard: Vec::new(),
                receipts: Vec::new(),
                input,
                output: BytesMut::new(),
            };
            connection.run(connect, deliveries, durables, stop).await;
        }
    }
}

async fn first_packet<S: AsyncRead + Unpin>(
    stream: &mut S,
    input: &mut BytesMut,
) -> Result<Option<Connect>, WireError> {
    loop {
        if let Some(connect) = wire::read_connect(input)? {
            return Ok(Some(connect));
        }
        if !matches!(stream.read_buf(input).await, Ok(bytes) if bytes > 0) {
            return Ok(None);
        }
    }
}

/// The id under which a device is known, if it may come in.
fn welcome(connect: &Connect, shared: &Shared) -> Result<Arc<str>, Refusal> {
    if !shared.may_enter(connect.login.as_ref()) {
        return Err(Refusal::Login);
    }
    let id = &connect.client;
    if id.len() > CLIENT_ID_BYTES_MAX
        || (id.is_empty() && connect.level == Level::Four && !connect.clean_start)
    {
        return Err(Refusal::ClientId);
    }
    if id.is_empty() {
        Ok(shared.new_client_id())
    } else {
        Ok(Arc::from(id.as_str()))
    }
}

async fn send<S: AsyncWrite + Unpin>(stream: &mut S, out: &mut BytesMut) -> std::io::Result<()> {
    if out.is_empty() {
        return Ok(());
    }
    let write = async {
        stream.write_all(out).await?;
        stream.flush().await
    };
    timeout(WRITE_WITHIN, write)
        .await
        .map_err(|_| std::io::Error::from(std::io::ErrorKind::TimedOut))??;
    out.clear();
    Ok(())
}

/// Text from outside, safe in a log line.
fn printable(text: &str) -> String {
    text.chars()
        .take(80)
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

impl<S: AsyncRead + AsyncWrite + Unpin + Send> Connection<S> {
    async fn run(
        mut self,
        connect: Connect,
        mut deliveries: mpsc::Receiver<Delivery>,
        mut durables: mpsc::UnboundedReceiver<Vec<Durable>>,
        stop: watch::Receiver<bool>,
    ) {
        let session = self
            .shared
            .session(&self.client, connect.is_kept, connect.clean_start)
            .await;
        let assigned = connect.client.is_empty().then(|| self.client.to_string());
        wire::write_welcome(
            &mut self.output,
            self.level,
            session.is_some(),
            assigned.as_deref(),
        );
        if let Some(filters) = session.filter(|filters| !filters.is_empty()) {
            self.filters = filters;
            self.shared
                .hub
                .subscribe(self.guest.number, &self.outbox, self.filters.clone(), &[]);
        }
        tracing::debug!(client = %printable(&self.client), level = ?self.level, "a device connected");
        let end = self.talk(&mut deliveries, &mut durables, stop).await;
        self.shared.hub.leave(self.guest.number);
        match end {
            End::Goodbye => tracing::debug!(client = %printable(&self.client), "a device said goodbye"),
            End::Stopped => {}
            End::Lost(why) => {
                tracing::debug!(client = %printable(&self.client), why, "a device was lost");
                if let Some(will) = connect.will {
                    self.publish_will(will).await;
                }
            }
        }
        let _gone = timeout(Duration::from_secs(1), self.stream.shutdown()).await;
    }

    async fn talk(
        &mut self,
        deliveries: &mut mpsc::Receiver<Delivery>,
        durables: &mut mpsc::UnboundedReceiver<Vec<Durable>>,
        mut stop: watch::Receiver<bool>,
    ) -> End {
        let mut silent_until = Instant::now() + self.keep_alive;
        let mut stop_until = None;
        loop {
            if let Err(error) = send(&mut self.stream, &mut self.output).await {
                return End::Lost(error.to_string());
            }
            if stop_until.is_none() && *stop.borrow() {
                stop_until = Some(Instant::now() + STOP_WITHIN);
            }
            let is_stopping = stop_until.is_some();
            if is_stopping && self.in_flight == 0 {
                wire::write_disconnect(&mut self.output, self.level, reason::SHUTTING_DOWN);
                let _gone = send(&mut self.stream, &mut self.output).await;
                return End::Stopped;
            }
            let may_read = !is_stopping && self.in_flight < usize::from(wire::IN_FLIGHT_MAX);
            self.input.reserve(READ_BYTES);
            tokio::select! {
                Some(durable) = durables.recv() => self.acknowledge(&durable),
                Some(delivery) = deliveries.recv() => {
                    let Delivery { topic, payload, is_retained, .. } = delivery;
                    wire::write_publish(&mut self.output, self.level, &topic, &payload, is_retained);
                }
                changed = stop.changed(), if !is_stopping => {
                    if changed.is_err() {
                        return End::Stopped;
                    }
                }
                () = self.guest.is_pushed_out() => {
                    wire::write_disconnect(&mut self.output, self.level, reason::TAKEN_OVER);
                    let _gone = send(&mut self.stream, &mut self.output).await;
                    return End::Lost("another connection took its client id".to_owned());
                }
                () = sleep_until(stop_until.unwrap_or(silent_until)) => {
                    if is_stopping {
                        return End::Stopped;
                    }
                    // While nothing is read, silence is ours.
                    if may_read {
                        wire::write_disconnect(&mut self.output, self.level, reason::KEEP_ALIVE);
                        let _gone = send(&mut self.stream, &mut self.output).await;
                        return End::Lost("it was silent beyond its keep-alive".to_owned());
                    }
                    silent_until = Instant::now() + self.keep_alive;
                }
                read = self.stream.read_buf(&mut self.input), if may_read => {
                    match read {
                        Ok(0) => return End::Lost("the connection was closed without goodbye".to_owned()),
                        Err(error) => return End::Lost(error.to_string()),
                        Ok(_) => silent_until = Instant::now() + self.keep_alive,
                    }
                    if let Some(end) = self.answer_all().await {
                        return end;
                    }
                }
            }
        }
    }

    fn acknowledge(&mut self, durable: &[Durable]) {
        self.in_flight -= durable.len();
        self.shared.counts.acknowledged(durable.len() as u64);
        for Durable { id, qos } in durable {
            match qos {
                1 => wire::write_puback(&mut self.output, *id),
                _ => wire::write_pubrec(&mut self.output, *id),
            }
        }
    }

    /// Answers every whole packet that was read, and hands its messages on; `Some` when the connection ends.
    async fn answer_all(&mut self) -> Option<End> {
        let end = self.answer_each().await;
        let gone = self.hand_over().await;
        end.or(gone)
    }

    async fn answer_each(&mut self) -> Option<End> {
        loop {
            match wire::read(&mut self.input, self.level) {
                Ok(None) => return None,
                Ok(Some(request)) => {
                    if let Some(end) = self.answer(request).await {
                        return Some(end);
                    }
                }
                Err(error) => {
                    let reason = if matches!(error, WireError::TooLarge { .. }) {
                        reason::TOO_LARGE
                    } else {
                        reason::MALFORMED
                    };
                    tracing::warn!(client = %printable(&self.client), %error, "a device's connection was closed");
                    wire::write_disconnect(&mut self.output, self.level, reason);
                    let _gone = send(&mut self.stream, &mut self.output).await;
                    return Some(End::Lost(error.to_string()));
                }
            }
        }
    }

    async fn answer(&mut self, request: Request) -> Option<End> {
        match request {
            Request::Publish(publish) => return self.take(publish),
            // Its first half was durable before PUBREC; if it is unknown, it was completed before.
            Request::Release { id } => wire::write_pubcomp(&mut self.output, id),
            Request::Subscribe { id, filters } => self.subscribe(id, filters).await,
            Request::Unsubscribe { id, filters } => {
                self.filters.retain(|known| !filters.contains(known));
                self.shared
                    .hub
                    .subscribe(self.guest.number, &self.outbox, self.filters.clone(), &[]);
                self.shared.remember_filters(&self.client, &self.filters).await;
                wire::write_unsuback(&mut self.output, self.level, id, filters.len());
            }
            Request::Ping => wire::write_pong(&mut self.output),
            Request::Disconnect { with_will: true } => {
                return Some(End::Lost("it asked for its will".to_owned()));
            }
            Request::Disconnect { with_will: false } => return Some(End::Goodbye),
            Request::Other => {}
            Request::Connect(_) => return Some(End::Lost("a second CONNECT".to_owned())),
        }
        None
    }

    async fn subscribe(&mut self, id: u16, filters: Vec<String>) {
        let mut granted = Vec::with_capacity(filters.len());
        let mut new = Vec::new();
        for filter in filters {
            let is_known = self.filters.contains(&filter);
            let is_granted = wire::is_filter(&filter) && (is_known || self.filters.len() < FILTERS_MAX);
            granted.push(is_granted);
            if is_granted {
                if !is_known {
                    self.filters.push(filter.clone());
                }
                new.push(filter);
            }
        }
        wire::write_suback(&mut self.output, self.level, id, &granted);
        self.shared
            .hub
            .subscribe(self.guest.number, &self.outbox, self.filters.clone(), &new);
        self.shared.remember_filters(&self.client, &self.filters).await;
    }

    fn take(&mut self, publish: Publish) -> Option<End> {
        if !wire::is_topic(&publish.topic) {
            return Some(End::Lost(
                "it published to a topic with a wildcard or none".to_owned(),
            ));
        }
        self.shared
            .hub
            .publish(&publish.topic, &publish.payload, publish.retain);
        if publish.qos > 0 {
            self.in_flight += 1;
            let (id, qos) = (publish.id, publish.qos);
            self.receipts.push(Durable { id, qos });
        }
        let message = self.message(
            &publish.topic,
            publish.payload,
            publish.id,
            publish.is_repeat,
            false,
        );
        self.heard.push(message);
        None
    }

    async fn publish_will(&mut self, will: Will) {
        if wire::is_topic(&will.topic) {
            self.shared.hub.publish(&will.topic, &will.payload, will.retain);
            let message = self.message(&will.topic, will.payload, 0, false, true);
            self.heard.push(message);
            let _stopped = self.hand_over().await;
        }
    }

    fn message(&self, topic: &str, payload: Bytes, id: u16, is_repeat: bool, is_will: bool) -> Message {
        Message {
            topic: Arc::from(topic),
            payload,
            arrived_ms: self.shared.clock.now_ms(),
            // A device that asks to retain its message sends a fresh one; only brokers send old ones.
            packet: Packet {
                client: Arc::clone(&self.client),
                id,
                is_repeat,
                is_retained: false,
                is_will,
            },
        }
    }

    async fn hand_over(&mut self) -> Option<End> {
        if self.heard.is_empty() {
            return None;
        }
        let (messages, receipts) = (
            std::mem::take(&mut self.heard),
            std::mem::take(&mut self.receipts),
        );
        let durable = self.durable.clone();
        // The connection may be gone: then the device sends again.
        let when_durable: WhenDurable = Box::new(move || drop(durable.send(receipts)));
        match self.shared.queue.send(messages, Some(when_durable)).await {
            Ok(()) => None,
            Err(_) => Some(End::Stopped),
        }
    }
}

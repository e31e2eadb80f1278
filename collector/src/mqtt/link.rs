//! One connection to a broker: opened, written to and read from, and asked for a sign of life.
//!
//! On rumqttc's codecs, not on its client: that one sends each acknowledgement by itself, which costs more than everything else that a
//! message needs. Here as many go out together as have become durable.

use std::collections::HashSet;
use std::io;
use std::sync::Arc;
use std::time::Duration;

use bytes::{Buf as _, Bytes, BytesMut};
use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _, ReadHalf, WriteHalf};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep_until, timeout};
use tokio_rustls::TlsConnector;

use super::Settings;
use super::packets::{self, Welcome};
use crate::broker::wire::{self, Level};
use crate::message::{Message, Packet};
use crate::run::OwnMessage;

/// To connect, to agree on TLS, to be welcomed: each has this long.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
const FILTERS_PER_PACKET: usize = 50;
/// Read at once; and room is made anew only when less than the second is left, so that what waits for the disk holds no empty buffers.
const READ_BYTES: usize = 64 * 1024;
const READ_BYTES_MIN: usize = 4 * 1024;

/// Why there is no connection (any more).
#[derive(Debug, thiserror::Error)]
pub(super) enum LinkError {
    #[error("the broker does not speak this version of MQTT")]
    Version,
    #[error("the broker refused: {0}")]
    Refused(String),
    #[error("it can't be reached: {0}")]
    Unreachable(String),
    #[error("no answer: {0}")]
    NoAnswer(String),
    #[error("the connection was lost: {0}")]
    Lost(String),
}

fn lost(error: impl ToString) -> LinkError {
    LinkError::Lost(error.to_string())
}

/// What was heard at once.
#[derive(Default)]
pub(super) struct Heard {
    pub(super) messages: Vec<Message>,
    pub(super) refused_subscriptions: usize,
}

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}

impl<S: AsyncRead + AsyncWrite + Send + Unpin> Stream for S {}

pub(super) struct Link {
    level: Level,
    reader: ReadHalf<Box<dyn Stream>>,
    writer: WriteHalf<Box<dyn Stream>>,
    input: BytesMut,
    output: BytesMut,
    is_flushed: bool,
    client: Arc<str>,
    /// Those of the site file: one text each, however many messages bear it.
    topics: HashSet<Arc<str>>,
    last_id: u16,
    keep_alive: Duration,
    next_ping: Instant,
    /// Something came since the last ping.
    is_alive: bool,
}

impl Link {
    /// Connects; says whether the broker has kept the session.
    pub(super) async fn open(
        settings: &Settings,
        level: Level,
        topics: &[Arc<str>],
    ) -> Result<(Link, bool), LinkError> {
        let (reader, writer) = tokio::io::split(connect(settings).await?);
        let mut link = Link {
            level,
            reader,
            writer,
            input: BytesMut::new(),
            output: BytesMut::new(),
            is_flushed: true,
            client: Arc::clone(&settings.client),
            topics: topics.iter().cloned().collect(),
            last_id: 0,
            keep_alive: settings.target.keep_alive,
            next_ping: Instant::now(),
            is_alive: true,
        };
        packets::write_connect(link.out(), level, settings).map_err(lost)?;
        let session_present = match timeout(ANSWER_WITHIN, link.welcome()).await {
            Ok(Ok(Welcome::Accepted {
                session_present,
                keep_alive_s,
            })) => {
                if let Some(seconds) = keep_alive_s.filter(|seconds| *seconds > 0) {
                    link.keep_alive = Duration::from_secs(u64::from(seconds));
                }
                session_present
            }
            Ok(Ok(Welcome::OtherVersion)) => return Err(LinkError::Version),
            Ok(Ok(Welcome::Refused(code))) => return Err(LinkError::Refused(code)),
            // It may not know the version.
            Ok(Err(error)) => return Err(LinkError::NoAnswer(error)),
            Err(_) => return Err(LinkError::NoAnswer("nothing came in 10 s".to_owned())),
        };
        link.next_ping = Instant::now() + link.keep_alive;
        Ok((link, session_present))
    }

    async fn welcome(&mut self) -> Result<Welcome, String> {
        send(&mut self.writer, &mut self.output)
            .await
            .map_err(|error| error.to_string())?;
        self.is_flushed = true;
        loop {
            let whole = wire::frame(&self.input, packets::bytes_max(self.level));
            if let Some(frame) = whole.map_err(|error| error.to_string())? {
                if frame.kind != packets::CONNACK {
                    return Err("its first packet is no answer to CONNECT".to_owned());
                }
                let packet = self.input.split_to(frame.bytes);
                return packets::read_welcome(&packet, self.level).map_err(|error| error.to_string());
            }
            match self.reader.read_buf(&mut self.input).await {
                Ok(0) => return Err("it closed the connection".to_owned()),
                Ok(_) => {}
                Err(error) => return Err(error.to_string()),
            }
        }
    }

    pub(super) fn level(&self) -> Level {
        self.level
    }

    /// What is put here goes out with the next [`Link::hear`] or [`Link::finish`].
    fn out(&mut self) -> &mut BytesMut {
        self.is_flushed = false;
        &mut self.output
    }

    pub(super) fn subscribe(&mut self, filters: &[Arc<str>]) -> Result<(), LinkError> {
        for chunk in filters.chunks(FILTERS_PER_PACKET) {
            self.last_id += 1;
            let (level, id) = (self.level, self.last_id);
            packets::write_subscribe(self.out(), level, id, chunk.iter().map(|filter| &**filter))
                .map_err(lost)?;
        }
        Ok(())
    }

    pub(super) fn acknowledge(&mut self, ids: &[u16]) {
        let out = self.out();
        ids.iter().for_each(|id| wire::write_puback(out, *id));
    }

    /// Publishes at QoS 0.
    pub(super) fn say(&mut self, own: &OwnMessage) {
        let level = self.level;
        wire::write_publish(self.out(), level, &own.topic, &own.payload, own.retain);
    }

    /// Writes what is to be written and, unless told not to, reads; returns when something was heard.
    ///
    /// May be dropped at any moment and called again: nothing is lost by that.
    pub(super) async fn hear(
        &mut self,
        may_read: bool,
        now_ms: impl Fn() -> i64,
    ) -> Result<Heard, LinkError> {
        loop {
            if self.input.capacity() - self.input.len() < READ_BYTES_MIN {
                self.input.reserve(READ_BYTES);
            }
            tokio::select! {
                sent = send(&mut self.writer, &mut self.output), if !self.is_flushed => {
                    sent.map_err(lost)?;
                    self.is_flushed = true;
                }
                read = self.reader.read_buf(&mut self.input), if may_read => {
                    if read.map_err(lost)? == 0 {
                        return Err(lost("the broker closed it"));
                    }
                    self.is_alive = true;
                    return self.understand(now_ms());
                }
                () = sleep_until(self.next_ping) => {
                    // While nothing is read, silence is ours.
                    if may_read && !self.is_alive {
                        return Err(lost("nothing came within the keep-alive"));
                    }
                    self.is_alive = false;
                    self.next_ping = Instant::now() + self.keep_alive;
                    wire::write_ping(self.out());
                }
            }
        }
    }

    /// Every whole packet that was read.
    fn understand(&mut self, now_ms: i64) -> Result<Heard, LinkError> {
        let bytes_max = packets::bytes_max(self.level);
        let mut end = 0;
        while let Some(frame) = wire::frame(&self.input[end..], bytes_max).map_err(lost)? {
            end += frame.bytes;
        }
        let whole = self.input.split_to(end).freeze();
        let mut heard = Heard::default();
        let mut at = 0;
        while let Some(frame) = wire::frame(&whole[at..], bytes_max).map_err(lost)? {
            let packet = &whole[at..at + frame.bytes];
            match frame.kind {
                packets::PUBLISH => {
                    let publish =
                        packets::read_publish(packet, frame.head_bytes, self.level).map_err(lost)?;
                    let payload = whole.slice(at + publish.payload.start..at + publish.payload.end);
                    heard.messages.push(self.message(&publish, payload, now_ms));
                }
                packets::SUBACK => {
                    heard.refused_subscriptions +=
                        packets::read_refused_subscriptions(packet, self.level).map_err(lost)?;
                }
                packets::DISCONNECT => {
                    let reason = packet.get(frame.head_bytes).copied().unwrap_or(0);
                    return Err(lost(format!("the broker ended it, reason {reason:#04x}")));
                }
                // The answer to a ping: a sign of life like any other.
                _ => {}
            }
            at += frame.bytes;
        }
        Ok(heard)
    }

    fn message(&self, publish: &packets::Publish<'_>, payload: Bytes, arrived_ms: i64) -> Message {
        let topic = String::from_utf8_lossy(publish.topic);
        Message {
            topic: self.topics.get(&*topic).cloned().unwrap_or_else(|| topic.into()),
            payload,
            arrived_ms,
            packet: Packet {
                client: Arc::clone(&self.client),
                id: publish.id,
                is_repeat: publish.is_repeat,
                is_retained: publish.is_retained,
                is_will: false,
            },
        }
    }

    /// Says goodbye, and waits until the broker has closed the connection: then it has read everything.
    pub(super) async fn finish(mut self) -> io::Result<()> {
        wire::write_goodbye(self.out());
        send(&mut self.writer, &mut self.output).await?;
        self.writer.shutdown().await?;
        loop {
            self.input.clear();
            if self.reader.read_buf(&mut self.input).await? == 0 {
                return Ok(());
            }
        }
    }
}

async fn send(writer: &mut WriteHalf<Box<dyn Stream>>, output: &mut BytesMut) -> io::Result<()> {
    while output.has_remaining() {
        writer.write_buf(output).await?;
    }
    writer.flush().await
}

async fn connect(settings: &Settings) -> Result<Box<dyn Stream>, LinkError> {
    let (host, port) = (settings.target.host.as_str(), settings.target.port);
    let unreachable = |why: &dyn ToString| LinkError::Unreachable(why.to_string());
    let stream = match timeout(ANSWER_WITHIN, TcpStream::connect((host, port))).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(unreachable(&error)),
        Err(_) => return Err(unreachable(&"no connection in 10 s")),
    };
    stream.set_nodelay(true).map_err(lost)?;
    let Some(tls) = &settings.tls else {
        return Ok(Box::new(stream));
    };
    let tls_failed = |why: &dyn std::fmt::Display| LinkError::Unreachable(format!("TLS: {why}"));
    let name = ServerName::try_from(host.to_owned()).map_err(|error| tls_failed(&error))?;
    let connector = TlsConnector::from(Arc::clone(tls));
    match timeout(ANSWER_WITHIN, connector.connect(name, stream)).await {
        Ok(Ok(stream)) => Ok(Box::new(stream)),
        Ok(Err(error)) => Err(tls_failed(&error)),
        Err(_) => Err(tls_failed(&"no agreement in 10 s")),
    }
}

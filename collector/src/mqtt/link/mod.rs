//! One connection to a broker in one version of MQTT: rumqttc's two clients behind one small face.
//!
//! rumqttc gives each version types of its own with the same names and the same fields; what is the same word for word stands once, in
//! `link_of_version!`, and `four` and `five` hold what differs: how a connection is set up, and what refusals look like.

mod five;
mod four;

use std::future::Future;
use std::sync::Arc;

use bytes::Bytes;
use rumqttc::{NetworkOptions, TlsConfiguration, Transport};

use super::{Settings, io_error};
use crate::run::OwnMessage;
pub(super) use five::Five;
pub(super) use four::Four;

/// Acknowledgements and subscriptions on their way to the broker: more than there are packet ids, so that none is ever lost
/// for want of room. Memory is taken only as they come.
const REQUESTS_MAX: usize = 70_000;
const CONNECT_WITHIN_S: u64 = 10;
const FILTERS_PER_PACKET: usize = 50;

/// What was heard.
pub(super) enum Heard {
    Connected { session_present: bool },
    Publish(Publish),
    SubscriptionRefused { count: usize },
    Nothing,
}

pub(super) struct Publish {
    pub(super) topic: Arc<str>,
    pub(super) payload: Bytes,
    /// 0 for QoS 0.
    pub(super) id: u16,
    pub(super) is_repeat: bool,
    pub(super) is_retained: bool,
}

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

/// Sends one acknowledgement; `false` if there was no room.
pub(super) type Acknowledge = Box<dyn Fn(u16) -> bool + Send>;
/// Publishes one own message; `false` if there was no room.
pub(super) type Speak = Box<dyn Fn(&OwnMessage) -> bool + Send>;

pub(super) trait Link: Send {
    const VERSION: &'static str;
    fn poll(&mut self) -> impl Future<Output = Result<Heard, LinkError>> + Send;
    fn subscribe(&self, topics: &[Arc<str>]);
    fn acknowledger(&self) -> Acknowledge;
    fn speak(&self) -> Speak;
    /// Messages that were read before the connection was lost and not yet heard.
    fn leftovers(&mut self) -> Vec<Publish>;
    /// Drops everything of the old connection: events not yet seen, acknowledgements not yet sent.
    fn forget(&mut self);
    fn disconnect(&self);
}

fn transport(settings: &Settings) -> Transport {
    match &settings.tls {
        Some(config) => Transport::tls_with_config(TlsConfiguration::Rustls(Arc::clone(config))),
        None => Transport::tcp(),
    }
}

fn network() -> NetworkOptions {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(CONNECT_WITHIN_S);
    network
}

fn warn_if_full<E>(result: Result<(), E>) {
    if result.is_err() {
        tracing::warn!("a request to the broker found no room");
    }
}

/// A loss before the first answer may mean that the broker does not know the version.
fn before_answer(is_connected: bool, error: LinkError) -> LinkError {
    match error {
        LinkError::Lost(why) if !is_connected => LinkError::NoAnswer(why),
        other => other,
    }
}

/// The part of a link that is the same in both versions. Where it is used stand, from rumqttc: `AsyncClient`, `Event`, `EventLoop`,
/// `Filter`, `Packet`, `QoS`, `Wire` (its publish); and of our own `is_refused`, `receipt`, `heard` and the link's `error`.
macro_rules! link_of_version {
    ($name:ident, $version:literal) => {
        pub(in crate::mqtt) struct $name {
            client: AsyncClient,
            events: EventLoop,
            is_connected: bool,
        }

        impl Link for $name {
            const VERSION: &'static str = $version;

            async fn poll(&mut self) -> Result<Heard, LinkError> {
                let event = match self.events.poll().await {
                    Ok(event) => event,
                    Err(error) => return Err(self.error(error)),
                };
                Ok(match event {
                    Event::Incoming(Packet::ConnAck(answer)) => {
                        self.is_connected = true;
                        Heard::Connected {
                            session_present: answer.session_present,
                        }
                    }
                    Event::Incoming(Packet::Publish(publish)) => Heard::Publish(heard(publish)),
                    Event::Incoming(Packet::SubAck(answer)) => {
                        match answer
                            .return_codes
                            .iter()
                            .filter(|code| is_refused(code))
                            .count()
                        {
                            0 => Heard::Nothing,
                            count => Heard::SubscriptionRefused { count },
                        }
                    }
                    _ => Heard::Nothing,
                })
            }

            fn subscribe(&self, topics: &[Arc<str>]) {
                for chunk in topics.chunks(FILTERS_PER_PACKET) {
                    let filters = chunk
                        .iter()
                        .map(|topic| Filter::new(topic.to_string(), QoS::AtLeastOnce));
                    warn_if_full(self.client.try_subscribe_many(filters));
                }
            }

            fn acknowledger(&self) -> Acknowledge {
                let client = self.client.clone();
                Box::new(move |id| client.try_ack(&receipt(id)).is_ok())
            }

            fn speak(&self) -> Speak {
                let client = self.client.clone();
                Box::new(move |own| {
                    let (topic, payload) = (own.topic.as_str(), own.payload.to_vec());
                    client
                        .try_publish(topic, QoS::AtMostOnce, own.retain, payload)
                        .is_ok()
                })
            }

            fn leftovers(&mut self) -> Vec<Publish> {
                let events = self.events.state.events.drain(..);
                let publish = |event| match event {
                    Event::Incoming(Packet::Publish(publish)) => Some(heard(publish)),
                    _ => None,
                };
                events.filter_map(publish).collect()
            }

            fn forget(&mut self) {
                self.is_connected = false;
                // Moves what still waits in the request channel to `pending`, and that is dropped.
                self.events.clean();
                self.events.pending.clear();
                self.events.state.events.clear();
            }

            fn disconnect(&self) {
                warn_if_full(self.client.try_disconnect());
            }
        }
    };
}
use link_of_version;

//! One connection to a broker in one version of MQTT: rumqttc's two clients behind one small face.

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{NetworkOptions, TlsConfiguration, Transport, mqttbytes, v5};

use super::{Settings, io_error, topic_of};
use crate::broker::PACKET_BYTES_MAX;
use crate::run::OwnMessage;

/// Messages that an MQTT 5 broker may send before the first is acknowledged: 1,000 to 4,000 keep both sides busy.
const RECEIVE_MAX: u16 = 2000;
/// Acknowledgements and subscriptions on their way to the broker: more than there are packet ids, so that none is ever lost
/// for want of room. Memory is taken only as they come.
const REQUESTS_MAX: usize = 70_000;
/// The broker keeps the session, and what arrives meanwhile, this long.
const SESSION_EXPIRY_S: u32 = 7 * 24 * 3600;
/// MQTT 3.1.1 can't announce a limit, and a message over it would come back for ever: so it is large, and payloads that are
/// too long are refused later, in order.
const PACKET_BYTES_MAX_FOUR: usize = 16 * 1024 * 1024;
const KEEP_ALIVE: Duration = Duration::from_secs(30);
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

impl From<v5::mqttbytes::v5::Publish> for Publish {
    fn from(publish: v5::mqttbytes::v5::Publish) -> Publish {
        Publish {
            topic: topic_of(&publish.topic),
            payload: publish.payload,
            id: publish.pkid,
            is_repeat: publish.dup,
            is_retained: publish.retain,
        }
    }
}

impl From<mqttbytes::v4::Publish> for Publish {
    fn from(publish: mqttbytes::v4::Publish) -> Publish {
        Publish {
            topic: publish.topic.into(),
            payload: publish.payload,
            id: publish.pkid,
            is_repeat: publish.dup,
            is_retained: publish.retain,
        }
    }
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

/// MQTT 5.
pub(super) struct Five {
    client: v5::AsyncClient,
    events: v5::EventLoop,
    is_connected: bool,
}

impl Five {
    pub(super) fn new(settings: &Settings) -> Five {
        let mut options =
            v5::MqttOptions::new(&settings.client_id, &settings.target.host, settings.target.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_start(false)
            .set_session_expiry_interval(Some(SESSION_EXPIRY_S))
            .set_receive_maximum(Some(RECEIVE_MAX))
            .set_max_packet_size(Some(PACKET_BYTES_MAX as u32))
            .set_connection_timeout(CONNECT_WITHIN_S)
            .set_transport(transport(settings));
        options.set_manual_acks(true);
        options.set_network_options(network());
        if let Some((username, password)) = &settings.login {
            options.set_credentials(username, password);
        }
        if let Some(will) = &settings.will {
            use v5::mqttbytes::{QoS, v5::LastWill};
            let payload = will.payload.to_vec();
            options.set_last_will(LastWill::new(
                will.topic.as_str(),
                payload,
                QoS::AtLeastOnce,
                will.retain,
                None,
            ));
        }
        let (client, events) = v5::AsyncClient::new(options, REQUESTS_MAX);
        Five {
            client,
            events,
            is_connected: false,
        }
    }

    fn error(&self, error: v5::ConnectionError) -> LinkError {
        use v5::mqttbytes::v5::ConnectReturnCode as Code;
        match error {
            v5::ConnectionError::ConnectionRefused(
                Code::RefusedProtocolVersion | Code::UnsupportedProtocolVersion,
            ) => LinkError::Version,
            v5::ConnectionError::ConnectionRefused(code) => LinkError::Refused(format!("{code:?}")),
            v5::ConnectionError::Io(error) => before_answer(self.is_connected, io_error(&error)),
            v5::ConnectionError::Tls(error) => LinkError::Unreachable(format!("TLS: {error}")),
            other => before_answer(self.is_connected, LinkError::Lost(other.to_string())),
        }
    }
}

/// A loss before the first answer may mean that the broker does not know the version.
fn before_answer(is_connected: bool, error: LinkError) -> LinkError {
    match error {
        LinkError::Lost(why) if !is_connected => LinkError::NoAnswer(why),
        other => other,
    }
}

impl Link for Five {
    const VERSION: &'static str = "5";

    async fn poll(&mut self) -> Result<Heard, LinkError> {
        use v5::mqttbytes::v5::{Packet, SubscribeReasonCode};
        let event = match self.events.poll().await {
            Ok(event) => event,
            Err(error) => return Err(self.error(error)),
        };
        Ok(match event {
            v5::Event::Incoming(Packet::ConnAck(answer)) => {
                self.is_connected = true;
                Heard::Connected {
                    session_present: answer.session_present,
                }
            }
            v5::Event::Incoming(Packet::Publish(publish)) => Heard::Publish(publish.into()),
            v5::Event::Incoming(Packet::SubAck(answer)) => {
                let is_refused =
                    |code: &&SubscribeReasonCode| !matches!(code, SubscribeReasonCode::Success(_));
                match answer.return_codes.iter().filter(is_refused).count() {
                    0 => Heard::Nothing,
                    count => Heard::SubscriptionRefused { count },
                }
            }
            _ => Heard::Nothing,
        })
    }

    fn subscribe(&self, topics: &[Arc<str>]) {
        use v5::mqttbytes::{QoS, v5::Filter};
        for chunk in topics.chunks(FILTERS_PER_PACKET) {
            let filters = chunk
                .iter()
                .map(|topic| Filter::new(topic.to_string(), QoS::AtLeastOnce));
            warn_if_full(self.client.try_subscribe_many(filters));
        }
    }

    fn acknowledger(&self) -> Acknowledge {
        use v5::mqttbytes::{QoS, v5::Publish};
        let client = self.client.clone();
        Box::new(move |id| {
            let publish = Publish {
                pkid: id,
                qos: QoS::AtLeastOnce,
                ..Publish::default()
            };
            client.try_ack(&publish).is_ok()
        })
    }

    fn speak(&self) -> Speak {
        use v5::mqttbytes::QoS;
        let client = self.client.clone();
        Box::new(move |own| {
            client
                .try_publish(
                    own.topic.as_str(),
                    QoS::AtMostOnce,
                    own.retain,
                    own.payload.clone(),
                )
                .is_ok()
        })
    }

    fn leftovers(&mut self) -> Vec<Publish> {
        let events = self.events.state.events.drain(..);
        let publish = |event| match event {
            v5::Event::Incoming(v5::mqttbytes::v5::Packet::Publish(publish)) => Some(publish.into()),
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

/// MQTT 3.1.1.
pub(super) struct Four {
    client: rumqttc::AsyncClient,
    events: rumqttc::EventLoop,
    is_connected: bool,
}

impl Four {
    pub(super) fn new(settings: &Settings) -> Four {
        let mut options =
            rumqttc::MqttOptions::new(&settings.client_id, &settings.target.host, settings.target.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_session(false)
            .set_max_packet_size(PACKET_BYTES_MAX_FOUR, PACKET_BYTES_MAX)
            .set_manual_acks(true)
            .set_transport(transport(settings));
        if let Some((username, password)) = &settings.login {
            options.set_credentials(username, password);
        }
        if let Some(will) = &settings.will {
            let payload = will.payload.to_vec();
            options.set_last_will(rumqttc::LastWill::new(
                &will.topic,
                payload,
                mqttbytes::QoS::AtLeastOnce,
                will.retain,
            ));
        }
        let (client, mut events) = rumqttc::AsyncClient::new(options, REQUESTS_MAX);
        events.network_options = network();
        Four {
            client,
            events,
            is_connected: false,
        }
    }

    fn error(&self, error: rumqttc::ConnectionError) -> LinkError {
        use mqttbytes::v4::ConnectReturnCode as Code;
        match error {
            rumqttc::ConnectionError::ConnectionRefused(Code::RefusedProtocolVersion) => LinkError::Version,
            rumqttc::ConnectionError::ConnectionRefused(code) => LinkError::Refused(format!("{code:?}")),
            rumqttc::ConnectionError::Io(error) => before_answer(self.is_connected, io_error(&error)),
            rumqttc::ConnectionError::Tls(error) => LinkError::Unreachable(format!("TLS: {error}")),
            other => before_answer(self.is_connected, LinkError::Lost(other.to_string())),
        }
    }
}

impl Link for Four {
    const VERSION: &'static str = "3.1.1";

    async fn poll(&mut self) -> Result<Heard, LinkError> {
        use mqttbytes::v4::{Packet, SubscribeReasonCode};
        let event = match self.events.poll().await {
            Ok(event) => event,
            Err(error) => return Err(self.error(error)),
        };
        Ok(match event {
            rumqttc::Event::Incoming(Packet::ConnAck(answer)) => {
                self.is_connected = true;
                Heard::Connected {
                    session_present: answer.session_present,
                }
            }
            rumqttc::Event::Incoming(Packet::Publish(publish)) => Heard::Publish(publish.into()),
            rumqttc::Event::Incoming(Packet::SubAck(answer)) => {
                let is_refused = |code: &&SubscribeReasonCode| matches!(code, SubscribeReasonCode::Failure);
                match answer.return_codes.iter().filter(is_refused).count() {
                    0 => Heard::Nothing,
                    count => Heard::SubscriptionRefused { count },
                }
            }
            _ => Heard::Nothing,
        })
    }

    fn subscribe(&self, topics: &[Arc<str>]) {
        use mqttbytes::{QoS, v4::SubscribeFilter};
        for chunk in topics.chunks(FILTERS_PER_PACKET) {
            let filters = chunk
                .iter()
                .map(|topic| SubscribeFilter::new(topic.to_string(), QoS::AtLeastOnce));
            warn_if_full(self.client.try_subscribe_many(filters));
        }
    }

    fn acknowledger(&self) -> Acknowledge {
        use mqttbytes::{QoS, v4::Publish};
        let client = self.client.clone();
        Box::new(move |id| {
            let mut publish = Publish::from_bytes(String::new(), QoS::AtLeastOnce, Bytes::new());
            publish.pkid = id;
            client.try_ack(&publish).is_ok()
        })
    }

    fn speak(&self) -> Speak {
        use mqttbytes::QoS;
        let client = self.client.clone();
        Box::new(move |own| {
            client
                .try_publish(
                    own.topic.as_str(),
                    QoS::AtMostOnce,
                    own.retain,
                    own.payload.to_vec(),
                )
                .is_ok()
        })
    }

    fn leftovers(&mut self) -> Vec<Publish> {
        let events = self.events.state.events.drain(..);
        let publish = |event| match event {
            rumqttc::Event::Incoming(mqttbytes::v4::Packet::Publish(publish)) => Some(publish.into()),
            _ => None,
        };
        events.filter_map(publish).collect()
    }

    fn forget(&mut self) {
        self.is_connected = false;
        self.events.clean();
        self.events.pending.clear();
        self.events.state.events.clear();
    }

    fn disconnect(&self) {
        warn_if_full(self.client.try_disconnect());
    }
}

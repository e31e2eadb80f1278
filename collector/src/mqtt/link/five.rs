//! MQTT 5.

use std::sync::Arc;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode as Code, Filter, LastWill, Packet, Publish as Wire, SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};

use super::*;
use crate::broker::PACKET_BYTES_MAX;
use crate::mqtt::topic_of;

/// Messages that an MQTT 5 broker may send before the first is acknowledged: 1,000 to 4,000 keep both sides busy.
const RECEIVE_MAX: u16 = 2000;
/// The broker keeps the session, and what arrives meanwhile, this long.
const SESSION_EXPIRY_S: u32 = 7 * 24 * 3600;

link_of_version!(Five, "5");

impl Five {
    pub(in crate::mqtt) fn new(settings: &Settings) -> Five {
        let mut options = MqttOptions::new(&settings.client_id, &settings.target.host, settings.target.port);
        options
            .set_keep_alive(settings.target.keep_alive)
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
            let (topic, payload) = (will.topic.as_str(), will.payload.to_vec());
            options.set_last_will(LastWill::new(topic, payload, QoS::AtLeastOnce, will.retain, None));
        }
        let (client, events) = AsyncClient::new(options, REQUESTS_MAX);
        Five {
            client,
            events,
            is_connected: false,
        }
    }

    fn error(&self, error: ConnectionError) -> LinkError {
        match error {
            ConnectionError::ConnectionRefused(
                Code::RefusedProtocolVersion | Code::UnsupportedProtocolVersion,
            ) => LinkError::Version,
            ConnectionError::ConnectionRefused(code) => LinkError::Refused(format!("{code:?}")),
            ConnectionError::Io(error) => before_answer(self.is_connected, io_error(&error)),
            ConnectionError::Tls(error) => LinkError::Unreachable(format!("TLS: {error}")),
            other => before_answer(self.is_connected, LinkError::Lost(other.to_string())),
        }
    }
}

fn is_refused(code: &SubscribeReasonCode) -> bool {
    !matches!(code, SubscribeReasonCode::Success(_))
}

/// What `try_ack` needs of a message.
fn receipt(id: u16) -> Wire {
    Wire {
        pkid: id,
        qos: QoS::AtLeastOnce,
        ..Wire::default()
    }
}

fn heard(publish: Wire) -> Publish {
    Publish {
        topic: topic_of(&publish.topic),
        payload: publish.payload,
        id: publish.pkid,
        is_repeat: publish.dup,
        is_retained: publish.retain,
    }
}

//! MQTT 3.1.1.

use std::sync::Arc;

use bytes::Bytes;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    ConnectReturnCode as Code, Packet, Publish as Wire, SubscribeFilter as Filter, SubscribeReasonCode,
};
use rumqttc::{AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions};

use super::*;
use crate::broker::PACKET_BYTES_MAX;

/// MQTT 3.1.1 can't announce a limit, and a message over it would come back for ever: so it is large, and payloads that are
/// too long are refused later, in order.
const PACKET_BYTES_MAX_FOUR: usize = 16 * 1024 * 1024;

link_of_version!(Four, "3.1.1");

impl Four {
    pub(in crate::mqtt) fn new(settings: &Settings) -> Four {
        let mut options = MqttOptions::new(&settings.client_id, &settings.target.host, settings.target.port);
        options
            .set_keep_alive(settings.target.keep_alive)
            .set_clean_session(false)
            .set_max_packet_size(PACKET_BYTES_MAX_FOUR, PACKET_BYTES_MAX)
            .set_manual_acks(true)
            .set_transport(transport(settings));
        if let Some((username, password)) = &settings.login {
            options.set_credentials(username, password);
        }
        if let Some(will) = &settings.will {
            let payload = will.payload.to_vec();
            options.set_last_will(LastWill::new(&will.topic, payload, QoS::AtLeastOnce, will.retain));
        }
        let (client, mut events) = AsyncClient::new(options, REQUESTS_MAX);
        events.network_options = network();
        Four {
            client,
            events,
            is_connected: false,
        }
    }

    fn error(&self, error: ConnectionError) -> LinkError {
        match error {
            ConnectionError::ConnectionRefused(Code::RefusedProtocolVersion) => LinkError::Version,
            ConnectionError::ConnectionRefused(code) => LinkError::Refused(format!("{code:?}")),
            ConnectionError::Io(error) => before_answer(self.is_connected, io_error(&error)),
            ConnectionError::Tls(error) => LinkError::Unreachable(format!("TLS: {error}")),
            other => before_answer(self.is_connected, LinkError::Lost(other.to_string())),
        }
    }
}

fn is_refused(code: &SubscribeReasonCode) -> bool {
    matches!(code, SubscribeReasonCode::Failure)
}

/// What `try_ack` needs of a message.
fn receipt(id: u16) -> Wire {
    let mut publish = Wire::from_bytes(String::new(), QoS::AtLeastOnce, Bytes::new());
    publish.pkid = id;
    publish
}

fn heard(publish: Wire) -> Publish {
    Publish {
        topic: publish.topic.into(),
        payload: publish.payload,
        id: publish.pkid,
        is_repeat: publish.dup,
        is_retained: publish.retain,
    }
}

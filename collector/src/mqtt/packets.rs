//! The few packets of a client that subscribes at QoS 1, in both versions (MQTT 3.1.1 and MQTT 5.0, OASIS).
//!
//! What is rare is read and written by rumqttc's codecs, in types of their own for each version. PUBLISH, of which there are many, is
//! read here.

use std::ops::Range;

use bytes::BytesMut;
use rumqttc::mqttbytes::{self as four, v4};
use rumqttc::v5::mqttbytes::{self as five, v5};

use super::Settings;
use crate::broker::wire::{Level, PACKET_BYTES_MAX, WireError};

/// Messages that an MQTT 5 broker may send before the first is acknowledged: 1,000 to 4,000 keep both sides busy.
const RECEIVE_MAX: u16 = 2000;
/// The broker keeps the session, and what arrives meanwhile, this long.
const SESSION_EXPIRY_S: u32 = 7 * 24 * 3600;
/// MQTT 3.1.1 can't announce a limit, and a message over it would come back for ever: so it is large, and payloads that are
/// too long are refused later, in order.
const PACKET_BYTES_MAX_FOUR: usize = 16 * 1024 * 1024;

pub(super) const CONNACK: u8 = 2;
pub(super) const PUBLISH: u8 = 3;
pub(super) const SUBACK: u8 = 9;
pub(super) const DISCONNECT: u8 = 14;

/// The largest packet that is read.
pub(super) const fn bytes_max(level: Level) -> usize {
    match level {
        Level::Four => PACKET_BYTES_MAX_FOUR,
        Level::Five => PACKET_BYTES_MAX,
    }
}

fn malformed(error: impl ToString) -> WireError {
    WireError::Malformed(error.to_string())
}

pub(super) fn write_connect(out: &mut BytesMut, level: Level, settings: &Settings) -> Result<(), WireError> {
    let keep_alive = u16::try_from(settings.target.keep_alive.as_secs()).unwrap_or(u16::MAX);
    let client_id = settings.client.to_string();
    let (will, login) = (settings.will.as_ref(), settings.login.as_ref());
    match level {
        Level::Four => {
            let connect = v4::Connect {
                protocol: four::Protocol::V4,
                keep_alive,
                client_id,
                clean_session: false,
                last_will: will.map(|will| {
                    let payload = will.payload.to_vec();
                    v4::LastWill::new(&will.topic, payload, four::QoS::AtLeastOnce, will.retain)
                }),
                login: login.map(|(username, password)| v4::Login::new(username, password)),
            };
            connect.write(out).map_err(malformed)?;
        }
        Level::Five => {
            let properties = v5::ConnectProperties {
                session_expiry_interval: Some(SESSION_EXPIRY_S),
                receive_maximum: Some(RECEIVE_MAX),
                max_packet_size: Some(PACKET_BYTES_MAX as u32),
                ..v5::ConnectProperties::new()
            };
            let connect = v5::Connect {
                keep_alive,
                client_id,
                clean_start: false,
                properties: Some(properties),
            };
            let will = will.map(|will| {
                let (topic, payload) = (will.topic.as_str(), will.payload.to_vec());
                v5::LastWill::new(topic, payload, five::QoS::AtLeastOnce, will.retain, None)
            });
            let login = login.map(|(username, password)| v5::Login::new(username, password));
            connect.write(&will, &login, out).map_err(malformed)?;
        }
    }
    Ok(())
}

pub(super) fn write_subscribe<'t>(
    out: &mut BytesMut,
    level: Level,
    id: u16,
    filters: impl Iterator<Item = &'t str>,
) -> Result<(), WireError> {
    match level {
        Level::Four => {
            let filter = |path: &str| v4::SubscribeFilter::new(path.to_owned(), four::QoS::AtLeastOnce);
            let mut subscribe = v4::Subscribe::new_many(filters.map(filter));
            subscribe.pkid = id;
            subscribe.write(out).map_err(malformed)?;
        }
        Level::Five => {
            let filter = |path: &str| v5::Filter::new(path, five::QoS::AtLeastOnce);
            let mut subscribe = v5::Subscribe::new_many(filters.map(filter), None);
            subscribe.pkid = id;
            subscribe.write(out).map_err(malformed)?;
        }
    }
    Ok(())
}

/// The answer to CONNECT.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Welcome {
    Accepted {
        session_present: bool,
        /// Asked for by the broker (MQTT 5.0, section 3.2.2.3.14).
        keep_alive_s: Option<u16>,
    },
    /// It speaks another version of MQTT.
    OtherVersion,
    Refused(String),
}

/// Reads a whole CONNACK.
pub(super) fn read_welcome(packet: &[u8], level: Level) -> Result<Welcome, WireError> {
    // In the form of 3.1.1 it has no properties: so answers who does not know version 5.
    let is_of_four = packet.len() == 4;
    let mut packet = BytesMut::from(packet);
    if is_of_four {
        return match v4::Packet::read(&mut packet, PACKET_BYTES_MAX).map_err(malformed)? {
            v4::Packet::ConnAck(answer) => Ok(match answer.code {
                v4::ConnectReturnCode::Success if level == Level::Four => Welcome::Accepted {
                    session_present: answer.session_present,
                    keep_alive_s: None,
                },
                v4::ConnectReturnCode::Success | v4::ConnectReturnCode::RefusedProtocolVersion => {
                    Welcome::OtherVersion
                }
                code => Welcome::Refused(format!("{code:?}")),
            }),
            _ => Err(WireError::Unexpected),
        };
    }
    match v5::Packet::read(&mut packet, None).map_err(malformed)? {
        v5::Packet::ConnAck(answer) => Ok(match answer.code {
            v5::ConnectReturnCode::Success => Welcome::Accepted {
                session_present: answer.session_present,
                keep_alive_s: answer
                    .properties
                    .and_then(|properties| properties.server_keep_alive),
            },
            v5::ConnectReturnCode::RefusedProtocolVersion
            | v5::ConnectReturnCode::UnsupportedProtocolVersion => Welcome::OtherVersion,
            code => Welcome::Refused(format!("{code:?}")),
        }),
        _ => Err(WireError::Unexpected),
    }
}

/// How many subscriptions a whole SUBACK refuses.
pub(super) fn read_refused_subscriptions(packet: &[u8], level: Level) -> Result<usize, WireError> {
    let mut packet = BytesMut::from(packet);
    match level {
        Level::Four => match v4::Packet::read(&mut packet, PACKET_BYTES_MAX).map_err(malformed)? {
            v4::Packet::SubAck(answer) => {
                let codes = answer.return_codes.iter();
                Ok(codes
                    .filter(|code| matches!(code, v4::SubscribeReasonCode::Failure))
                    .count())
            }
            _ => Err(WireError::Unexpected),
        },
        Level::Five => match v5::Packet::read(&mut packet, None).map_err(malformed)? {
            v5::Packet::SubAck(answer) => {
                let codes = answer.return_codes.iter();
                Ok(codes
                    .filter(|code| !matches!(code, v5::SubscribeReasonCode::Success(_)))
                    .count())
            }
            _ => Err(WireError::Unexpected),
        },
    }
}

/// A message as it stands in a packet.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Publish<'p> {
    pub(super) topic: &'p [u8],
    /// Where the payload lies in the packet; it ends with it.
    pub(super) payload: Range<usize>,
    /// 0 for QoS 0.
    pub(super) id: u16,
    pub(super) is_repeat: bool,
    pub(super) is_retained: bool,
}

/// Reads a whole PUBLISH (MQTT 3.1.1 and 5.0, section 3.3). Properties are passed over: aliases were not offered, and nothing else
/// changes what a reading says.
pub(super) fn read_publish(packet: &[u8], head_bytes: usize, level: Level) -> Result<Publish<'_>, WireError> {
    let wrong = || malformed("a message ends within its head");
    let first = packet.first().copied().ok_or_else(wrong)?;
    let mut rest = packet.get(head_bytes..).ok_or_else(wrong)?;
    let length = read_u16(&mut rest).ok_or_else(wrong)?;
    let topic = take(&mut rest, usize::from(length)).ok_or_else(wrong)?;
    let id = match (first >> 1) & 3 {
        0 => 0,
        1 | 2 => read_u16(&mut rest).ok_or_else(wrong)?,
        _ => return Err(malformed("a message of QoS 3")),
    };
    if level == Level::Five {
        let length = read_length(&mut rest).ok_or_else(wrong)?;
        take(&mut rest, length).ok_or_else(wrong)?;
    }
    Ok(Publish {
        topic,
        payload: packet.len() - rest.len()..packet.len(),
        id,
        is_repeat: first & 0x08 != 0,
        is_retained: first & 0x01 != 0,
    })
}

fn take<'p>(rest: &mut &'p [u8], length: usize) -> Option<&'p [u8]> {
    let (taken, left) = rest.split_at_checked(length)?;
    *rest = left;
    Some(taken)
}

fn read_u16(rest: &mut &[u8]) -> Option<u16> {
    let bytes = take(rest, 2)?;
    Some(u16::from_be_bytes([bytes[0], bytes[1]]))
}

/// A length of up to four bytes (MQTT 5.0, section 1.5.5).
fn read_length(rest: &mut &[u8]) -> Option<usize> {
    let mut length = 0;
    for index in 0..4 {
        let byte = take(rest, 1)?[0];
        length |= usize::from(byte & 0x7f) << (7 * index);
        if byte & 0x80 == 0 {
            return Some(length);
        }
    }
    None
}

/// Whatever a broker may send, by every reader: nothing may panic or lie outside its packet.
#[cfg(test)]
pub(crate) fn read_any(bytes: &[u8]) {
    for level in [Level::Four, Level::Five] {
        let mut rest = bytes;
        while let Ok(Some(frame)) = crate::broker::wire::frame(rest, bytes_max(level)) {
            let packet = &rest[..frame.bytes];
            if let Ok(publish) = read_publish(packet, frame.head_bytes, level) {
                assert!(publish.payload.start <= publish.payload.end && publish.payload.end <= packet.len());
                assert!(publish.topic.len() < packet.len());
            }
            let _welcome = read_welcome(packet, level);
            if let Ok(refused) = read_refused_subscriptions(packet, level) {
                assert!(refused < packet.len());
            }
            rest = &rest[frame.bytes..];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::broker::wire::frame;
    use proptest::prelude::*;

    #[test]
    fn a_broker_of_the_old_version_is_told_apart_from_one_that_refuses() {
        let accepted = Welcome::Accepted {
            session_present: true,
            keep_alive_s: None,
        };
        for (packet, level, expected) in [
            (&[0x20, 2, 1, 0][..], Level::Four, accepted),
            (
                &[0x20, 2, 0, 5],
                Level::Four,
                Welcome::Refused("NotAuthorized".to_owned()),
            ),
            (&[0x20, 2, 0, 1], Level::Five, Welcome::OtherVersion),
            (&[0x20, 3, 0, 0x84, 0], Level::Five, Welcome::OtherVersion),
            (
                &[0x20, 3, 0, 0x86, 0],
                Level::Five,
                Welcome::Refused("BadUserNamePassword".to_owned()),
            ),
            (
                &[0x20, 6, 0, 0, 3, 0x13, 0, 20],
                Level::Five,
                Welcome::Accepted {
                    session_present: false,
                    keep_alive_s: Some(20),
                },
            ),
        ] {
            assert_eq!(read_welcome(packet, level).expect("well formed"), expected);
        }
    }

    #[test]
    fn refused_subscriptions_are_counted() {
        let four = read_refused_subscriptions(&[0x90, 4, 0, 1, 1, 0x80], Level::Four);
        let five = read_refused_subscriptions(&[0x90, 6, 0, 1, 0, 1, 0x87, 0x80], Level::Five);
        assert_eq!((four.expect("well formed"), five.expect("well formed")), (1, 2));
    }

    proptest! {
        /// What rumqttc's codecs write is read as it was meant.
        #[test]
        fn messages_are_read_as_the_library_writes_them(
            topic in "[a-zäé/]{1,30}", payload in proptest::collection::vec(any::<u8>(), 0..300), id in 1u16.., dup: bool, retain: bool,
            is_five: bool, at_most_once: bool, note in proptest::option::of("[a-z]{0,200}"),
        ) {
            let mut packet = BytesMut::new();
            let level = if is_five { Level::Five } else { Level::Four };
            if is_five {
                let qos = if at_most_once { five::QoS::AtMostOnce } else { five::QoS::AtLeastOnce };
                let properties = note.map(|note| v5::PublishProperties { content_type: Some(note), ..v5::PublishProperties::default() });
                let mut publish = v5::Publish::new(topic.as_str(), qos, payload.clone(), properties);
                (publish.pkid, publish.dup, publish.retain) = (id, dup, retain);
                publish.write(&mut packet).expect("room");
            } else {
                let qos = if at_most_once { four::QoS::AtMostOnce } else { four::QoS::AtLeastOnce };
                let mut publish = v4::Publish::new(topic.as_str(), qos, payload.clone());
                (publish.pkid, publish.dup, publish.retain) = (id, dup, retain);
                publish.write(&mut packet).expect("room");
            }
            let found = frame(&packet, PACKET_BYTES_MAX).expect("a packet").expect("whole");
            let read = read_publish(&packet, found.head_bytes, level).expect("well formed");
            prop_assert_eq!(read.topic, topic.as_bytes());
            prop_assert_eq!(&packet[read.payload], &payload[..]);
            prop_assert_eq!(read.id, if at_most_once { 0 } else { id });
            prop_assert_eq!((read.is_repeat, read.is_retained), (dup, retain));
        }

        #[test]
        fn no_bytes_make_the_readers_panic(bytes in proptest::collection::vec(any::<u8>(), 0..60), head_bytes in 0usize..6, is_five: bool) {
            let level = if is_five { Level::Five } else { Level::Four };
            if let Ok(publish) = read_publish(&bytes, head_bytes, level) {
                prop_assert!(publish.payload.end == bytes.len());
            }
            for kind in [CONNACK, SUBACK] {
                let mut packet = vec![kind << 4, bytes.len() as u8];
                packet.extend_from_slice(&bytes);
                let _ = read_welcome(&packet, level);
                let _ = read_refused_subscriptions(&packet, level);
            }
        }
    }
}

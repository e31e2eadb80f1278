//! MQTT packets on the wire, 3.1.1 and 5, as one set of requests and answers.
//!
//! In: bytes of a connection. Out: what a device asks. Reading is done by rumqttc's public codecs; this module looks at the
//! protocol level first and bounds each packet before it is buffered. `answers` writes what a server says, `topics` knows names and
//! filters.

mod answers;
mod topics;

use bytes::{Bytes, BytesMut};
use rumqttc::mqttbytes::v4;
use rumqttc::v5::mqttbytes::{self as five, v5};

/// The largest packet that is read: a payload of the limit with the longest topic fits.
pub(crate) const PACKET_BYTES_MAX: usize = 256 * 1024;
/// Messages that a device may have unacknowledged (MQTT 5 "receive maximum"; for 3.1.1 reading stops there).
pub(crate) const IN_FLIGHT_MAX: u16 = 1000;
/// Four bytes of remaining length at most (MQTT 3.1.1, section 2.2.3).
const LENGTH_BYTES_MAX: usize = 4;

pub(crate) use answers::*;
pub(crate) use topics::{is_filter, is_topic, matches};

const CONNECT: u8 = 1;
const DISCONNECT: u8 = 14;
const AUTH: u8 = 15;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Level {
    /// MQTT 3.1.1.
    Four,
    /// MQTT 5.
    Five,
}

/// What a device asks.
#[derive(Debug)]
pub(crate) enum Request {
    Connect(Connect),
    Publish(Publish),
    /// Second half of QoS 2.
    Release {
        id: u16,
    },
    Subscribe {
        id: u16,
        filters: Vec<String>,
    },
    Unsubscribe {
        id: u16,
        filters: Vec<String>,
    },
    Ping,
    Disconnect {
        with_will: bool,
    },
    /// Answers to what we send at QoS 0: none is expected.
    Other,
}

#[derive(Debug)]
pub(crate) struct Connect {
    pub(crate) level: Level,
    pub(crate) client: String,
    /// The device wants its session kept.
    pub(crate) is_kept: bool,
    pub(crate) clean_start: bool,
    pub(crate) keep_alive_s: u16,
    pub(crate) will: Option<Will>,
    pub(crate) login: Option<(String, String)>,
}

#[derive(Debug, Clone)]
pub(crate) struct Will {
    pub(crate) topic: String,
    pub(crate) payload: Bytes,
    pub(crate) retain: bool,
}

#[derive(Debug)]
pub(crate) struct Publish {
    pub(crate) topic: String,
    pub(crate) payload: Bytes,
    pub(crate) qos: u8,
    /// 0 for QoS 0.
    pub(crate) id: u16,
    pub(crate) is_repeat: bool,
    pub(crate) retain: bool,
}

/// Why a connection must end.
#[derive(Debug, thiserror::Error)]
pub(crate) enum WireError {
    #[error("packet of {bytes} bytes, more than {bytes_max}")]
    TooLarge { bytes: usize, bytes_max: usize },
    #[error("the packet is malformed: {0}")]
    Malformed(String),
    #[error("MQTT version {level} is not spoken here")]
    UnknownLevel { level: u8 },
    #[error("the first packet is not CONNECT")]
    NotConnect,
    #[error("a second CONNECT, or a packet that only a server sends")]
    Unexpected,
}

/// Where a packet's parts stand.
pub(crate) struct Frame {
    pub(crate) kind: u8,
    pub(crate) head_bytes: usize,
    pub(crate) bytes: usize,
}

/// The packet at the beginning, if it is there whole; one over the limit is refused before it is.
pub(crate) fn frame(buffer: &[u8], bytes_max: usize) -> Result<Option<Frame>, WireError> {
    let Some(first) = buffer.first() else {
        return Ok(None);
    };
    let mut remaining = 0usize;
    for index in 0..LENGTH_BYTES_MAX {
        let Some(byte) = buffer.get(1 + index) else {
            return Ok(None);
        };
        remaining |= usize::from(byte & 0x7f) << (7 * index);
        if byte & 0x80 == 0 {
            let head_bytes = 2 + index;
            let bytes = head_bytes + remaining;
            if bytes > bytes_max {
                return Err(WireError::TooLarge { bytes, bytes_max });
            }
            return Ok((buffer.len() >= bytes).then_some(Frame {
                kind: first >> 4,
                head_bytes,
                bytes,
            }));
        }
    }
    Err(WireError::Malformed(
        "its length has more than four bytes".to_owned(),
    ))
}

/// The first packet of a connection: `None` while it is not there whole.
pub(crate) fn read_connect(buffer: &mut BytesMut) -> Result<Option<Connect>, WireError> {
    if buffer.first().is_some_and(|first| first >> 4 != CONNECT) {
        return Err(WireError::NotConnect);
    }
    let Some(frame) = frame(buffer, PACKET_BYTES_MAX)? else {
        return Ok(None);
    };
    let level = match &buffer[frame.head_bytes..frame.bytes] {
        [0, 4, b'M', b'Q', b'T', b'T', 4, ..] => Level::Four,
        [0, 4, b'M', b'Q', b'T', b'T', 5, ..] => Level::Five,
        [0, 4, b'M', b'Q', b'T', b'T', level, ..] => return Err(WireError::UnknownLevel { level: *level }),
        [0, 6, b'M', b'Q', b'I', b's', b'd', b'p', level, ..] => {
            return Err(WireError::UnknownLevel { level: *level });
        }
        _ => return Err(WireError::Malformed("it does not name MQTT".to_owned())),
    };
    match read(buffer, level)? {
        Some(Request::Connect(connect)) => Ok(Some(connect)),
        _ => Err(WireError::NotConnect),
    }
}

/// The next packet: `None` while it is not there whole.
pub(crate) fn read(buffer: &mut BytesMut, level: Level) -> Result<Option<Request>, WireError> {
    let Some(frame) = frame(buffer, PACKET_BYTES_MAX)? else {
        return Ok(None);
    };
    if frame.kind == DISCONNECT {
        // Read here: the codec of version 5 refuses the usual short form.
        const WITH_WILL: u8 = 4;
        let packet = buffer.split_to(frame.bytes);
        return Ok(Some(Request::Disconnect {
            with_will: packet.get(frame.head_bytes) == Some(&WITH_WILL),
        }));
    }
    if frame.kind == AUTH || frame.kind == 0 {
        return Err(WireError::Unexpected);
    }
    let mut packet = buffer.split_to(frame.bytes);
    let request = match level {
        Level::Four => from_four(
            v4::Packet::read(&mut packet, PACKET_BYTES_MAX)
                .map_err(|error| WireError::Malformed(error.to_string()))?,
        ),
        Level::Five => from_five(
            v5::Packet::read(&mut packet, Some(PACKET_BYTES_MAX as u32))
                .map_err(|error| WireError::Malformed(error.to_string()))?,
        ),
    }?;
    Ok(Some(request))
}

fn from_four(packet: v4::Packet) -> Result<Request, WireError> {
    Ok(match packet {
        v4::Packet::Connect(connect) => Request::Connect(Connect {
            level: Level::Four,
            client: connect.client_id,
            is_kept: !connect.clean_session,
            clean_start: connect.clean_session,
            keep_alive_s: connect.keep_alive,
            will: connect.last_will.map(|will| Will {
                topic: will.topic,
                payload: will.message,
                retain: will.retain,
            }),
            login: connect.login.map(|login| (login.username, login.password)),
        }),
        v4::Packet::Publish(publish) => Request::Publish(Publish {
            topic: publish.topic,
            payload: publish.payload,
            qos: publish.qos as u8,
            id: publish.pkid,
            is_repeat: publish.dup,
            retain: publish.retain,
        }),
        v4::Packet::PubRel(release) => Request::Release { id: release.pkid },
        v4::Packet::Subscribe(subscribe) => Request::Subscribe {
            id: subscribe.pkid,
            filters: subscribe.filters.into_iter().map(|filter| filter.path).collect(),
        },
        v4::Packet::Unsubscribe(unsubscribe) => Request::Unsubscribe {
            id: unsubscribe.pkid,
            filters: unsubscribe.topics,
        },
        v4::Packet::PingReq => Request::Ping,
        v4::Packet::PubAck(_) | v4::Packet::PubRec(_) | v4::Packet::PubComp(_) => Request::Other,
        _ => return Err(WireError::Unexpected),
    })
}

fn from_five(packet: v5::Packet) -> Result<Request, WireError> {
    let text = |bytes: Bytes| {
        String::from_utf8(bytes.to_vec()).map_err(|_| WireError::Malformed("a topic is not UTF-8".to_owned()))
    };
    Ok(match packet {
        v5::Packet::Connect(connect, will, login) => {
            let expiry_s = connect
                .properties
                .as_ref()
                .and_then(|properties| properties.session_expiry_interval);
            let will = match will {
                Some(will) => Some(Will {
                    topic: text(will.topic)?,
                    payload: will.message,
                    retain: will.retain,
                }),
                None => None,
            };
            Request::Connect(Connect {
                level: Level::Five,
                client: connect.client_id,
                is_kept: expiry_s.is_some_and(|seconds| seconds > 0),
                clean_start: connect.clean_start,
                keep_alive_s: connect.keep_alive,
                will,
                login: login.map(|login| (login.username, login.password)),
            })
        }
        v5::Packet::Publish(publish) => Request::Publish(Publish {
            topic: text(publish.topic)?,
            payload: publish.payload,
            qos: match publish.qos {
                five::QoS::AtMostOnce => 0,
                five::QoS::AtLeastOnce => 1,
                five::QoS::ExactlyOnce => 2,
            },
            id: publish.pkid,
            is_repeat: publish.dup,
            retain: publish.retain,
        }),
        v5::Packet::PubRel(release) => Request::Release { id: release.pkid },
        v5::Packet::Subscribe(subscribe) => Request::Subscribe {
            id: subscribe.pkid,
            filters: subscribe.filters.into_iter().map(|filter| filter.path).collect(),
        },
        v5::Packet::Unsubscribe(unsubscribe) => Request::Unsubscribe {
            id: unsubscribe.pkid,
            filters: unsubscribe.filters,
        },
        v5::Packet::PingReq(_) => Request::Ping,
        v5::Packet::PubAck(_) | v5::Packet::PubRec(_) | v5::Packet::PubComp(_) => Request::Other,
        _ => return Err(WireError::Unexpected),
    })
}

#[cfg(test)]
mod tests {
    use super::answers::put_length;
    use super::*;
    use bytes::BufMut;
    use proptest::prelude::*;

    #[test]
    fn an_unknown_level_is_told_apart_from_garbage() {
        let mut old = BytesMut::from(&b"\x10\x0e\x00\x06MQIsdp\x03\x02\x00\x3c\x00\x00"[..]);
        assert!(matches!(
            read_connect(&mut old),
            Err(WireError::UnknownLevel { level: 3 })
        ));
        let mut garbage = BytesMut::from(&b"GET / HTTP/1.1\r\n"[..]);
        assert!(matches!(read_connect(&mut garbage), Err(WireError::NotConnect)));
        let mut large = BytesMut::from(&b"\x10\xff\xff\xff\x7f"[..]);
        assert!(matches!(
            read_connect(&mut large),
            Err(WireError::TooLarge { .. })
        ));
    }

    proptest! {
        #[test]
        fn no_bytes_make_the_reader_panic(first in any::<u8>(), body in proptest::collection::vec(any::<u8>(), 0..120), five in any::<bool>()) {
            let mut buffer = BytesMut::new();
            buffer.put_u8(first);
            put_length(&mut buffer, body.len());
            buffer.put_slice(&body);
            let level = if five { Level::Five } else { Level::Four };
            let _ = read(&mut buffer.clone(), level);
            let _ = read_connect(&mut buffer);
        }

        #[test]
        fn lengths_round_trip(len in 0usize..200_000) {
            let mut out = BytesMut::new();
            out.put_u8(0x30);
            put_length(&mut out, len);
            let head = out.len();
            out.put_bytes(0, len);
            let frame = frame(&out, PACKET_BYTES_MAX).expect("under the limit").expect("whole");
            prop_assert_eq!((frame.head_bytes, frame.bytes), (head, head + len));
        }
    }
}

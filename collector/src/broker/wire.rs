//! MQTT packets on the wire, 3.1.1 and 5, as one set of requests and answers.
//!
//! In: bytes of a connection. Out: what a device asks. Reading is done by rumqttc's public codecs; this module looks at the
//! protocol level first, bounds each packet before it is buffered, and writes the few answers itself (MQTT 3.1.1 and MQTT 5.0, OASIS).

use bytes::{BufMut, Bytes, BytesMut};
use rumqttc::mqttbytes::v4;
use rumqttc::v5::mqttbytes::{self as five, v5};

/// The largest packet that is read: a payload of the limit with the longest topic fits.
pub(crate) const PACKET_BYTES_MAX: usize = 256 * 1024;
/// Messages that a device may have unacknowledged (MQTT 5 "receive maximum"; for 3.1.1 reading stops there).
pub(crate) const IN_FLIGHT_MAX: u16 = 1000;
/// Four bytes of remaining length at most (MQTT 3.1.1, section 2.2.3).
const LENGTH_BYTES_MAX: usize = 4;

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
    #[error("packet of {bytes} bytes, more than {PACKET_BYTES_MAX}")]
    TooLarge { bytes: usize },
    #[error("the packet is malformed: {0}")]
    Malformed(String),
    #[error("MQTT version {level} is not spoken here")]
    UnknownLevel { level: u8 },
    #[error("the first packet is not CONNECT")]
    NotConnect,
    #[error("a second CONNECT, or a packet that only a server sends")]
    Unexpected,
}

struct Frame {
    kind: u8,
    head_bytes: usize,
    bytes: usize,
}

/// The packet at the beginning, if it is there whole.
fn frame(buffer: &[u8]) -> Result<Option<Frame>, WireError> {
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
            if bytes > PACKET_BYTES_MAX {
                return Err(WireError::TooLarge { bytes });
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
    let Some(frame) = frame(buffer)? else {
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
    let Some(frame) = frame(buffer)? else {
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

/// Why a connection is refused, with the codes of both versions (3.1.1 table 3.1; 5.0 table 3-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Refusal {
    Version,
    ClientId,
    Login,
}

impl Refusal {
    const fn code(self, level: Level) -> u8 {
        match (self, level) {
            (Refusal::Version, Level::Four) => 1,
            (Refusal::ClientId, Level::Four) => 2,
            (Refusal::Login, Level::Four) => 4,
            (Refusal::Version, Level::Five) => 0x84,
            (Refusal::ClientId, Level::Five) => 0x85,
            (Refusal::Login, Level::Five) => 0x86,
        }
    }
}

pub(crate) fn write_refusal(out: &mut BytesMut, level: Level, refusal: Refusal) {
    match level {
        Level::Four => out.put_slice(&[0x20, 2, 0, refusal.code(level)]),
        Level::Five => out.put_slice(&[0x20, 3, 0, refusal.code(level), 0]),
    }
}

pub(crate) fn write_welcome(
    out: &mut BytesMut,
    level: Level,
    session_present: bool,
    assigned_id: Option<&str>,
) {
    if level == Level::Four {
        out.put_slice(&[0x20, 2, u8::from(session_present), 0]);
        return;
    }
    // Properties, MQTT 5.0 section 3.2.2.3.
    let mut properties = BytesMut::new();
    properties.put_u8(0x21);
    properties.put_u16(IN_FLIGHT_MAX);
    properties.put_u8(0x27);
    properties.put_u32(PACKET_BYTES_MAX as u32);
    if let Some(id) = assigned_id {
        properties.put_u8(0x12);
        put_text(&mut properties, id.as_bytes());
    }
    // Neither subscription identifiers nor shared subscriptions; topic aliases are off by default.
    properties.put_slice(&[0x29, 0, 0x2a, 0]);
    let mut body = BytesMut::new();
    body.put_slice(&[u8::from(session_present), 0]);
    put_length(&mut body, properties.len());
    body.put_slice(&properties);
    out.put_u8(0x20);
    put_length(out, body.len());
    out.put_slice(&body);
}

/// PUBACK, PUBREC, PUBCOMP: the short form, which means success in both versions.
pub(crate) fn write_puback(out: &mut BytesMut, id: u16) {
    put_short(out, 0x40, id);
}

pub(crate) fn write_pubrec(out: &mut BytesMut, id: u16) {
    put_short(out, 0x50, id);
}

pub(crate) fn write_pubcomp(out: &mut BytesMut, id: u16) {
    put_short(out, 0x70, id);
}

fn put_short(out: &mut BytesMut, first: u8, id: u16) {
    out.put_slice(&[first, 2]);
    out.put_u16(id);
}

/// Granted at QoS 0, or refused, one by one.
pub(crate) fn write_suback(out: &mut BytesMut, level: Level, id: u16, granted: &[bool]) {
    let property_bytes = usize::from(level == Level::Five);
    out.put_u8(0x90);
    put_length(out, 2 + property_bytes + granted.len());
    out.put_u16(id);
    out.put_bytes(0, property_bytes);
    granted
        .iter()
        .for_each(|granted| out.put_u8(if *granted { 0 } else { 0x80 }));
}

pub(crate) fn write_unsuback(out: &mut BytesMut, level: Level, id: u16, count: usize) {
    out.put_u8(0xb0);
    let body = if level == Level::Five { 1 + count } else { 0 };
    put_length(out, 2 + body);
    out.put_u16(id);
    out.put_bytes(0, body);
}

pub(crate) fn write_pong(out: &mut BytesMut) {
    out.put_slice(&[0xd0, 0]);
}

/// A message for a subscriber, at QoS 0.
pub(crate) fn write_publish(out: &mut BytesMut, level: Level, topic: &str, payload: &[u8], retain: bool) {
    let property_bytes = usize::from(level == Level::Five);
    out.put_u8(0x30 | u8::from(retain));
    put_length(out, 2 + topic.len() + property_bytes + payload.len());
    put_text(out, topic.as_bytes());
    out.put_bytes(0, property_bytes);
    out.put_slice(payload);
}

/// Why a server ends a connection; 3.1.1 has no such packet.
pub(crate) fn write_disconnect(out: &mut BytesMut, level: Level, reason: u8) {
    if level == Level::Five {
        out.put_slice(&[0xe0, 1, reason]);
    }
}

pub(crate) mod reason {
    pub(crate) const MALFORMED: u8 = 0x81;
    pub(crate) const SHUTTING_DOWN: u8 = 0x8b;
    pub(crate) const KEEP_ALIVE: u8 = 0x8d;
    pub(crate) const TAKEN_OVER: u8 = 0x8e;
    pub(crate) const TOO_LARGE: u8 = 0x95;
}

fn put_text(out: &mut BytesMut, text: &[u8]) {
    let len = u16::try_from(text.len()).unwrap_or(u16::MAX);
    out.put_u16(len);
    out.put_slice(&text[..usize::from(len)]);
}

fn put_length(out: &mut BytesMut, mut length: usize) {
    loop {
        let low = (length & 0x7f) as u8;
        length >>= 7;
        if length == 0 {
            out.put_u8(low);
            return;
        }
        out.put_u8(low | 0x80);
    }
}

/// Whether a topic name may be published to.
pub(crate) fn is_topic(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0'])
}

/// Whether a filter is well formed (MQTT 3.1.1, section 4.7.1).
pub(crate) fn is_filter(filter: &str) -> bool {
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    !filter.is_empty()
        && !filter.contains('\0')
        && !filter.starts_with("$share/")
        && levels.iter().enumerate().all(|(index, level)| {
            let has_wildcard = level.contains(['+', '#']);
            !has_wildcard || *level == "+" || (*level == "#" && index == last)
        })
}

/// Whether a filter takes a topic (MQTT 3.1.1, sections 4.7.1 and 4.7.2).
pub(crate) fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topics = topic.split('/');
    let mut filters = filter.split('/');
    loop {
        match (filters.next(), topics.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(filter), Some(topic)) if filter == topic => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn filters_match_as_the_standard_says() {
        for (filter, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/score/wimbledon",
                true,
            ),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/x", false),
            ("$SYS/#", "$SYS/x", true),
            ("é/#", "é/x", true),
        ] {
            assert_eq!(matches(filter, topic), expected, "{filter} {topic}");
        }
        for (filter, expected) in [
            ("#", true),
            ("a/#/b", false),
            ("a#", false),
            ("a/+b", false),
            ("", false),
            ("+/a/#", true),
        ] {
            assert_eq!(is_filter(filter), expected, "{filter}");
        }
    }

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
            let frame = frame(&out).expect("under the limit").expect("whole");
            prop_assert_eq!((frame.head_bytes, frame.bytes), (head, head + len));
        }
    }
}

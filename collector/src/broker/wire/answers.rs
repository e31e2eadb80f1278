//! What the listener says: the few packets that a server sends, in both versions (MQTT 3.1.1 and MQTT 5.0, OASIS). Some a client says too.

use bytes::{BufMut, BytesMut};

use super::{IN_FLIGHT_MAX, Level, PACKET_BYTES_MAX};

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

/// A client asks for a sign of life.
pub(crate) fn write_ping(out: &mut BytesMut) {
    out.put_slice(&[0xc0, 0]);
}

pub(crate) fn write_pong(out: &mut BytesMut) {
    out.put_slice(&[0xd0, 0]);
}

/// A message at QoS 0.
pub(crate) fn write_publish(out: &mut BytesMut, level: Level, topic: &str, payload: &[u8], retain: bool) {
    let property_bytes = usize::from(level == Level::Five);
    out.put_u8(0x30 | u8::from(retain));
    put_length(out, 2 + topic.len() + property_bytes + payload.len());
    put_text(out, topic.as_bytes());
    out.put_bytes(0, property_bytes);
    out.put_slice(payload);
}

/// A client leaves in order: its will is not published.
pub(crate) fn write_goodbye(out: &mut BytesMut) {
    out.put_slice(&[0xe0, 0]);
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

pub(super) fn put_length(out: &mut BytesMut, mut length: usize) {
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

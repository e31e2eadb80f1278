//! The spool's file format: a header, then frames; pure functions from messages to bytes and back.
//!
//! Header: magic, version u32, CRC-32 of both. Frame: `[length u32][CRC-32 of the body u32][body]`. Body: version u8, flags u8,
//! arrival i64, packet id u16, length of the client id u16, length of the topic u16, client id, topic, payload.
//! All numbers are little-endian. A file is read as far as it is whole: what stands between whole frames is damage, what
//! follows the last one is a torn tail. A new program reads version 1; an old one refuses a file with a later version.

use std::ops::Range;
use std::sync::Arc;

use bytes::{Buf, BufMut, Bytes};

use crate::decode::PAYLOAD_BYTES_MAX;
use crate::message::{Message, Packet};

const MAGIC: [u8; 8] = *b"mwspool\n";
const VERSION: u32 = 1;
pub(crate) const HEADER_BYTES: usize = 16;
const FRAME_HEAD_BYTES: usize = 8;
const BODY_VERSION: u8 = 1;
const BODY_HEAD_BYTES: usize = 16;
/// Client id and topic are MQTT strings of at most 65,535 bytes each (MQTT 3.1.1, section 1.5.3).
const BODY_BYTES_MAX: usize = BODY_HEAD_BYTES + 2 * 65_535 + PAYLOAD_BYTES_MAX;
/// Work spent on finding the next whole frame behind damage, in bytes checked; what is not found by then is set aside.
const RESYNC_BYTES_MAX: usize = 64 * 1024 * 1024;

const FLAG_REPEAT: u8 = 1;
const FLAG_RETAINED: u8 = 2;
const FLAG_WILL: u8 = 4;

/// A spool file written by a later version of this program.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("spool file has version {found}, this program reads up to {VERSION}")]
pub struct NewerVersion {
    pub found: u32,
}

/// What a file holds.
#[derive(Debug, Default)]
pub(crate) struct Scan {
    pub(crate) messages: Vec<Message>,
    /// Spans of bytes that are not frames though frames follow, or though a frame says that it is complete.
    pub(crate) damage: Vec<Range<usize>>,
    /// Where the last whole frame or damage ends; a torn tail lies beyond.
    pub(crate) good_bytes: usize,
}

pub(crate) fn header() -> [u8; HEADER_BYTES] {
    let mut header = [0; HEADER_BYTES];
    header[..8].copy_from_slice(&MAGIC);
    header[8..12].copy_from_slice(&VERSION.to_le_bytes());
    let check = crc32fast::hash(&header[..12]);
    header[12..].copy_from_slice(&check.to_le_bytes());
    header
}

/// Appends a message as one frame.
pub(crate) fn write(message: &Message, out: &mut Vec<u8>) {
    let (client, topic) = (cut(&message.packet.client), cut(&message.topic));
    let body_bytes = BODY_HEAD_BYTES + client.len() + topic.len() + message.payload.len();
    assert!(
        body_bytes <= BODY_BYTES_MAX,
        "payloads over the limit are refused before the spool"
    );
    let start = out.len();
    out.reserve(FRAME_HEAD_BYTES + body_bytes);
    out.put_u32_le(u32::try_from(body_bytes).expect("BODY_BYTES_MAX fits u32"));
    out.put_u32_le(0);
    out.put_u8(BODY_VERSION);
    let flag = |is_set: bool, flag: u8| if is_set { flag } else { 0 };
    out.put_u8(
        flag(message.packet.is_repeat, FLAG_REPEAT)
            | flag(message.packet.is_retained, FLAG_RETAINED)
            | flag(message.packet.is_will, FLAG_WILL),
    );
    out.put_i64_le(message.arrived_ms);
    out.put_u16_le(message.packet.id);
    out.put_u16_le(u16::try_from(client.len()).expect("cut to u16"));
    out.put_u16_le(u16::try_from(topic.len()).expect("cut to u16"));
    out.extend_from_slice(client);
    out.extend_from_slice(topic);
    out.extend_from_slice(&message.payload);
    let check = crc32fast::hash(&out[start + FRAME_HEAD_BYTES..]);
    out[start + 4..start + FRAME_HEAD_BYTES].copy_from_slice(&check.to_le_bytes());
}

/// MQTT strings are no longer than this; a message from elsewhere is cut.
fn cut(text: &str) -> &[u8] {
    &text.as_bytes()[..text.len().min(usize::from(u16::MAX))]
}

/// Reads a whole file.
///
/// # Errors
/// [`NewerVersion`] where a sound header says so; everything else is damage or a torn tail and is told in [`Scan`].
pub(crate) fn scan(file: Vec<u8>) -> Result<Scan, NewerVersion> {
    let file = Bytes::from(file);
    let mut scan = Scan::default();
    if file.len() < HEADER_BYTES {
        return Ok(scan);
    }
    if let Some(found) = header_version(&file) {
        if found > VERSION {
            return Err(NewerVersion { found });
        }
        scan.good_bytes = HEADER_BYTES;
    } else if file.iter().all(|byte| *byte == 0) {
        // A power cut leaves files of zeros on some file systems: nothing of it was acknowledged.
        return Ok(scan);
    } else {
        scan.damage.push(0..HEADER_BYTES);
    }
    let mut at = HEADER_BYTES;
    let mut budget = RESYNC_BYTES_MAX;
    while at < file.len() {
        if let Some((message, end)) = frame_at(&file, at) {
            scan.messages.push(message);
            at = end;
            scan.good_bytes = at;
        } else if let Some(next) = resync(&file, at + 1, &mut budget) {
            scan.damage.push(at..next);
            at = next;
        } else {
            if claims_to_be_complete(&file[at..]) {
                scan.damage.push(at..file.len());
                scan.good_bytes = file.len();
            }
            break;
        }
    }
    Ok(scan)
}

fn header_version(file: &[u8]) -> Option<u32> {
    let check = u32::from_le_bytes(file[12..16].try_into().ok()?);
    let is_sound = file[..8] == MAGIC && crc32fast::hash(&file[..12]) == check;
    is_sound.then(|| u32::from_le_bytes([file[8], file[9], file[10], file[11]]))
}

/// Length of the body that a frame at `at` claims, if such a frame fits the file.
fn body_bytes_at(file: &[u8], at: usize) -> Option<usize> {
    let head = file.get(at..at + FRAME_HEAD_BYTES)?;
    let len = u32::from_le_bytes([head[0], head[1], head[2], head[3]]) as usize;
    let fits = (BODY_HEAD_BYTES..=BODY_BYTES_MAX).contains(&len) && at + FRAME_HEAD_BYTES + len <= file.len();
    fits.then_some(len)
}

fn frame_at(file: &Bytes, at: usize) -> Option<(Message, usize)> {
    let len = body_bytes_at(file, at)?;
    let body_at = at + FRAME_HEAD_BYTES;
    let check = u32::from_le_bytes([file[at + 4], file[at + 5], file[at + 6], file[at + 7]]);
    let end = body_at + len;
    if crc32fast::hash(&file[body_at..end]) != check {
        return None;
    }
    Some((read_body(file.slice(body_at..end))?, end))
}

fn read_body(mut body: Bytes) -> Option<Message> {
    if body.get_u8() != BODY_VERSION {
        return None;
    }
    let flags = body.get_u8();
    let arrived_ms = body.get_i64_le();
    let id = body.get_u16_le();
    let (client_bytes, topic_bytes) = (usize::from(body.get_u16_le()), usize::from(body.get_u16_le()));
    if body.len() < client_bytes + topic_bytes {
        return None;
    }
    let client: Arc<str> = String::from_utf8_lossy(&body.split_to(client_bytes)).into();
    let topic: Arc<str> = String::from_utf8_lossy(&body.split_to(topic_bytes)).into();
    Some(Message {
        topic,
        payload: body,
        arrived_ms,
        packet: Packet {
            client,
            id,
            is_repeat: flags & FLAG_REPEAT != 0,
            is_retained: flags & FLAG_RETAINED != 0,
            is_will: flags & FLAG_WILL != 0,
        },
    })
}

/// The next place from `from` on where a whole frame stands.
fn resync(file: &Bytes, from: usize, budget: &mut usize) -> Option<usize> {
    (from..file.len().saturating_sub(FRAME_HEAD_BYTES + BODY_HEAD_BYTES - 1)).find(|at| {
        if file[at + FRAME_HEAD_BYTES] != BODY_VERSION {
            return false;
        }
        let Some(len) = body_bytes_at(file, *at) else {
            return false;
        };
        match budget.checked_sub(len) {
            Some(left) => *budget = left,
            None => return false,
        }
        frame_at(file, *at).is_some()
    })
}

/// Whether the bytes behind the last whole frame look like a complete frame, with room behind it or without: then they were damaged later, not torn.
fn claims_to_be_complete(tail: &[u8]) -> bool {
    let Some(len) = body_bytes_at(tail, 0) else {
        return false;
    };
    let (frame, room) = tail.split_at(FRAME_HEAD_BYTES + len);
    // Of a frame that was torn inside its room the end reads as zeros too.
    let is_whole = room.is_empty() || frame.last() != Some(&0);
    frame[FRAME_HEAD_BYTES] == BODY_VERSION && is_whole && room.iter().all(|byte| *byte == 0)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    pub(crate) fn message(number: u32) -> Message {
        Message {
            topic: Arc::from("nature-room/room-wall"),
            payload: Bytes::from(format!("{{\"t\": {number}}}")),
            arrived_ms: 1_772_352_000_000 + i64::from(number),
            packet: Packet {
                client: Arc::from("probe"),
                id: 1 + (number % 60_000) as u16,
                is_repeat: number.is_multiple_of(2),
                is_retained: number.is_multiple_of(3),
                is_will: number.is_multiple_of(5),
            },
        }
    }

    fn file_of(messages: &[Message]) -> (Vec<u8>, Vec<usize>) {
        let mut file = header().to_vec();
        let ends = messages
            .iter()
            .map(|message| {
                write(message, &mut file);
                file.len()
            })
            .collect();
        (file, ends)
    }

    #[test]
    fn messages_come_back_as_they_were() {
        let messages: Vec<Message> = (0..50).map(message).collect();
        let (file, _) = file_of(&messages);
        let len = file.len();
        let scan = scan(file).expect("this version");
        assert_eq!(scan.messages, messages);
        assert_eq!((scan.damage.len(), scan.good_bytes), (0, len));
    }

    #[test]
    fn every_torn_length_gives_the_whole_frames_before_it() {
        let messages: Vec<Message> = (0..4).map(message).collect();
        let (file, ends) = file_of(&messages);
        for len in 0..file.len() {
            let scan = scan(file[..len].to_vec()).expect("this version");
            let whole = ends.iter().filter(|end| **end <= len).count();
            assert_eq!(scan.messages, messages[..whole], "cut at {len}");
            assert!(scan.damage.is_empty(), "a torn tail is no damage, cut at {len}");
            assert!(scan.good_bytes <= len);
        }
    }

    #[test]
    fn every_torn_length_inside_its_room_gives_the_whole_frames_before_it() {
        let messages: Vec<Message> = (0..4).map(message).collect();
        let (file, ends) = file_of(&messages);
        for len in HEADER_BYTES..=file.len() {
            let mut torn = file[..len].to_vec();
            torn.resize(file.len() + 4096, 0);
            let scan = scan(torn).expect("this version");
            let whole = ends.iter().filter(|end| **end <= len).count();
            assert_eq!(scan.messages, messages[..whole], "cut at {len}");
            assert!(scan.damage.is_empty(), "a torn tail is no damage, cut at {len}");
            assert_eq!(
                scan.good_bytes,
                ends[..whole].last().copied().unwrap_or(HEADER_BYTES)
            );
        }
    }

    #[test]
    fn a_last_frame_that_was_damaged_before_its_room_is_told() {
        let (mut file, ends) = file_of(&[message(1), message(2)]);
        file.resize(file.len() + 4096, 0);
        file[ends[1] - 3] ^= 1;
        let scan = scan(file).expect("this version");
        assert_eq!((scan.messages.len(), scan.damage.len()), (1, 1));
        assert_eq!(scan.damage[0], ends[0]..ends[1] + 4096);
    }

    #[test]
    fn every_flipped_bit_costs_at_most_its_own_frame() {
        let messages: Vec<Message> = (0..4).map(message).collect();
        let (file, ends) = file_of(&messages);
        for bit in 0..file.len() * 8 {
            let mut hurt = file.clone();
            hurt[bit / 8] ^= 1 << (bit % 8);
            let scan = scan(hurt).expect("a header that fails its check is damage, not a version");
            let frame = ends
                .iter()
                .position(|end| bit / 8 < *end)
                .expect("inside the file");
            let kept: Vec<Message> = if bit / 8 < HEADER_BYTES {
                messages.clone()
            } else {
                messages
                    .iter()
                    .enumerate()
                    .filter(|(index, _)| *index != frame)
                    .map(|(_, m)| m.clone())
                    .collect()
            };
            assert_eq!(scan.messages, kept, "bit {bit}");
        }
    }

    #[test]
    fn a_tail_of_zeros_is_torn() {
        let (mut file, ends) = file_of(&[message(1)]);
        file.extend_from_slice(&[0; 4096]);
        let scan = scan(file).expect("this version");
        assert_eq!(
            (scan.messages.len(), scan.damage.len(), scan.good_bytes),
            (1, 0, ends[0])
        );
    }

    #[test]
    fn a_later_version_is_refused() {
        let mut file = header();
        file[8..12].copy_from_slice(&7u32.to_le_bytes());
        let check = crc32fast::hash(&file[..12]);
        file[12..].copy_from_slice(&check.to_le_bytes());
        assert_eq!(scan(file.to_vec()).map(|_| ()), Err(NewerVersion { found: 7 }));
    }

    proptest! {
        #[test]
        fn no_bytes_make_the_scan_panic(
            bytes in proptest::collection::vec(any::<u8>(), 0..600),
            with_header in any::<bool>(),
        ) {
            let mut file = if with_header { header().to_vec() } else { Vec::new() };
            file.extend_from_slice(&bytes);
            let len = file.len();
            if let Ok(scan) = scan(file) {
                prop_assert!(scan.good_bytes <= len);
            }
        }

        #[test]
        fn any_message_round_trips(topic in "\\PC{0,40}", client in "\\PC{0,20}", payload in proptest::collection::vec(any::<u8>(), 0..200), arrived_ms in any::<i64>(), id in any::<u16>(), flags in any::<[bool; 3]>()) {
            let message = Message {
                topic: topic.into(),
                payload: payload.into(),
                arrived_ms,
                packet: Packet { client: client.into(), id, is_repeat: flags[0], is_retained: flags[1], is_will: flags[2] },
            };
            let (file, _) = file_of(std::slice::from_ref(&message));
            prop_assert_eq!(scan(file).expect("this version").messages, vec![message]);
        }
    }
}

//! Redeliveries: which QoS 1 and 2 messages were sent before, so that a reading that bears its arrival time is not stored twice.
//!
//! The rule: a message that says of itself that it may be a repeat is one, if the last message stored from the same client under the
//! same packet id had the same topic and payload, within the last [`WINDOW_MESSAGES`] messages. Why the last one: MQTT lets
//! a packet id be used again only after the message was acknowledged, so an older one can't be repeated any more.
//!
//! Where a redelivery can't be told from a new message, for readings without a time of their own (one that bears its time is the same
//! reading however often it comes, and is stored once):
//!
//! - A device that uses one packet id only and loses a fresh message on the way, then repeats it, is taken for repeating the previous
//!   one if both have the same payload: one of two equal readings is missing. A device that counts its packet ids up, as MQTT libraries
//!   do, or sends its time, is not touched by this.
//! - A device that connects under a new client id each time, or without one, has no past: its repeat counts as a new reading.
//! - Behind a broker, a repeat of the *device* is a new message with a new packet id and without a mark: the broker hands it on twice
//!   and it is stored twice. What the *broker* repeats is known here. A device that sends at QoS 2, or its time, is not touched.
//! - At QoS 0 there is no packet id, and nothing is repeated.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use sha2::{Digest, Sha256};

use crate::message::Message;

/// Messages that are remembered: more than there are packet ids (65,535), because a broker may send that many before the first
/// acknowledgement. About 7 MB at most.
pub(crate) const WINDOW_MESSAGES: usize = 70_000;

type Key = (Arc<str>, u16);
type Fingerprint = [u8; 16];

#[derive(Default)]
pub(crate) struct Window {
    last: HashMap<Key, (Fingerprint, u64)>,
    /// In order of arrival, to forget the oldest.
    order: VecDeque<(Key, u64)>,
    next: u64,
}

impl Window {
    pub(crate) fn is_repeat(&self, message: &Message) -> bool {
        message.packet.is_repeat
            && message.packet.id != 0
            && self
                .last
                .get(&key(message))
                .is_some_and(|(known, _)| *known == fingerprint(message))
    }

    pub(crate) fn remember(&mut self, message: &Message) {
        if message.packet.id == 0 {
            return;
        }
        let key = key(message);
        self.last.insert(key.clone(), (fingerprint(message), self.next));
        self.order.push_back((key, self.next));
        self.next += 1;
        while self.order.len() > WINDOW_MESSAGES {
            if let Some((key, number)) = self.order.pop_front()
                && self.last.get(&key).is_some_and(|(_, latest)| *latest == number)
            {
                self.last.remove(&key);
            }
        }
    }
}

fn key(message: &Message) -> Key {
    (Arc::clone(&message.packet.client), message.packet.id)
}

fn fingerprint(message: &Message) -> Fingerprint {
    let mut hash = Sha256::new();
    // The topic's length keeps "a"+"bc" apart from "ab"+"c".
    hash.update((message.topic.len() as u64).to_le_bytes());
    hash.update(message.topic.as_bytes());
    hash.update(&message.payload);
    let digest = hash.finalize();
    let mut short = [0; 16];
    short.copy_from_slice(&digest[..16]);
    short
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spool::frame::tests::message;

    fn sent(id: u16, payload: &'static str, is_repeat: bool) -> Message {
        let mut message = message(1);
        message.payload = payload.into();
        message.packet.id = id;
        message.packet.is_repeat = is_repeat;
        message
    }

    #[test]
    fn only_what_says_so_and_equals_the_last_of_its_id_is_a_repeat() {
        let mut window = Window::default();
        window.remember(&sent(7, "20.5", false));
        assert!(window.is_repeat(&sent(7, "20.5", true)));
        assert!(
            !window.is_repeat(&sent(7, "20.5", false)),
            "an equal value is a new reading"
        );
        assert!(
            !window.is_repeat(&sent(7, "20.6", true)),
            "the first try was lost"
        );
        assert!(!window.is_repeat(&sent(8, "20.5", true)));
        window.remember(&sent(7, "20.6", false));
        assert!(
            !window.is_repeat(&sent(7, "20.5", true)),
            "the id was used again since"
        );
    }

    #[test]
    fn the_memory_is_bounded() {
        let mut window = Window::default();
        window.remember(&sent(9, "old", false));
        for _ in 0..WINDOW_MESSAGES {
            window.remember(&sent(1, "new", false));
        }
        assert!(!window.is_repeat(&sent(9, "old", true)));
        assert!(window.order.len() == WINDOW_MESSAGES && window.last.len() == 1);
    }
}

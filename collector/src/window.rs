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

use std::collections::hash_map::RandomState;
use std::collections::{HashMap, VecDeque};
use std::hash::BuildHasher as _;
use std::sync::Arc;

use crate::message::Message;

/// Messages that are remembered: more than there are packet ids (65,535), because a broker may send that many before the first
/// acknowledgement. About 7 MB at most.
pub(crate) const WINDOW_MESSAGES: usize = 70_000;

#[derive(Default)]
pub(crate) struct Window {
    /// By client and packet id: the last message's fingerprint, and its number.
    last: HashMap<Arc<str>, HashMap<u16, (u64, u64)>>,
    /// In order of arrival, to forget the oldest: client, packet id and number.
    order: VecDeque<(Arc<str>, u16, u64)>,
    next: u64,
    /// A key of its own for each run, so that nobody can choose a payload that is taken for another. A message is compared with one other
    /// only, so 64 bits leave no room for chance.
    key: RandomState,
}

impl Window {
    pub(crate) fn is_repeat(&self, message: &Message) -> bool {
        let packet = &message.packet;
        let known = || self.last.get(&packet.client)?.get(&packet.id);
        packet.is_repeat
            && packet.id != 0
            && known().is_some_and(|(known, _)| *known == self.fingerprint(message))
    }

    pub(crate) fn remember(&mut self, message: &Message) {
        let (client, id) = (&message.packet.client, message.packet.id);
        if id == 0 {
            return;
        }
        let known = (self.fingerprint(message), self.next);
        match self.last.get_mut(client) {
            Some(of_client) => of_client.insert(id, known),
            None => self.last.entry(Arc::clone(client)).or_default().insert(id, known),
        };
        self.order.push_back((Arc::clone(client), id, self.next));
        self.next += 1;
        if self.order.len() > WINDOW_MESSAGES {
            self.forget_oldest();
        }
    }

    fn forget_oldest(&mut self) {
        let Some((client, id, number)) = self.order.pop_front() else {
            return;
        };
        if let Some(of_client) = self.last.get_mut(&client)
            && of_client.get(&id).is_some_and(|(_, latest)| *latest == number)
        {
            of_client.remove(&id);
            if of_client.is_empty() {
                self.last.remove(&client);
            }
        }
    }

    fn fingerprint(&self, message: &Message) -> u64 {
        self.key.hash_one((&message.topic, &message.payload[..]))
    }
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
        assert!(window.order.len() == WINDOW_MESSAGES && window.last["probe"].len() == 1);
        let mut stranger = sent(2, "new", false);
        stranger.packet.client = "stranger".into();
        window.remember(&stranger);
        for _ in 0..WINDOW_MESSAGES {
            window.remember(&sent(1, "new", false));
        }
        assert!(window.last.len() == 1, "clients that are gone are forgotten too");
    }
}

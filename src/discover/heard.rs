//! What came, by topic: counted, with a few payloads kept.

use std::collections::BTreeMap;

/// More topics than this are counted, not kept: a room has some hundred.
const TOPICS_MAX: usize = 2000;
/// Payloads kept of each topic, the first and then the newest: enough to see a range.
const SAMPLES_MAX: usize = 12;
/// A longer payload is no sensor's reading.
const PAYLOAD_BYTES_MAX: usize = 4096;

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Topic {
    pub(crate) messages: u64,
    /// Messages that a broker had kept from before: they say nothing of the rate.
    pub(crate) retained: u64,
    first_ms: i64,
    last_ms: i64,
    pub(crate) samples: Vec<String>,
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Heard {
    pub(crate) topics: BTreeMap<String, Topic>,
    /// Messages on topics beyond the number kept.
    pub(crate) beyond: u64,
}

impl Heard {
    pub(crate) fn take_in(&mut self, topic: &str, payload: &[u8], is_retained: bool, at_ms: i64) {
        if !self.topics.contains_key(topic) && self.topics.len() >= TOPICS_MAX {
            self.beyond += 1;
            return;
        }
        let heard = self.topics.entry(topic.to_owned()).or_default();
        if is_retained {
            heard.retained += 1;
        } else {
            if heard.messages == 0 {
                heard.first_ms = at_ms;
            }
            heard.messages += 1;
            heard.last_ms = at_ms;
        }
        if let Ok(text) = std::str::from_utf8(payload)
            && payload.len() <= PAYLOAD_BYTES_MAX
        {
            if heard.samples.len() >= SAMPLES_MAX {
                heard.samples.remove(1);
            }
            heard.samples.push(text.trim().to_owned());
        }
    }
}

impl Topic {
    /// "12 messages, one every 5 s".
    pub(crate) fn rate(&self) -> String {
        if self.messages == 0 {
            return "kept by the broker from before; nothing new".to_owned();
        }
        if self.messages == 1 {
            return "1 message".to_owned();
        }
        let every_s = (self.last_ms - self.first_ms) as f64 / 1000.0 / (self.messages - 1) as f64;
        let every = match every_s {
            s if s < 1.0 => "less than 1 s".to_owned(),
            s if s < 90.0 => format!("{s:.0} s"),
            s => format!("{:.0} min", s / 60.0),
        };
        format!("{} messages, one every {every}", self.messages)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rate_counts_fresh_messages_only_and_memory_is_bounded() {
        let mut heard = Heard::default();
        heard.take_in("a", b"20.0", true, 0);
        assert_eq!(
            heard.topics["a"].rate(),
            "kept by the broker from before; nothing new"
        );
        for n in 0..100 {
            heard.take_in("a", format!("{n}").as_bytes(), false, 1000 + n * 5000);
        }
        let topic = &heard.topics["a"];
        assert_eq!(topic.rate(), "100 messages, one every 5 s");
        assert_eq!(topic.samples.len(), SAMPLES_MAX);
        assert_eq!(
            (topic.samples[0].as_str(), topic.samples[SAMPLES_MAX - 1].as_str()),
            ("20.0", "99")
        );
        heard.take_in("b", &[0xff, 0xfe], false, 0);
        assert!(heard.topics["b"].samples.is_empty());
        for n in 0..TOPICS_MAX {
            heard.take_in(&format!("t/{n}"), b"1", false, 0);
        }
        assert_eq!((heard.topics.len(), heard.beyond), (TOPICS_MAX, 2));
    }
}

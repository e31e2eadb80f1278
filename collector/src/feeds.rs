//! From a message to readings: which feeds of the site file read its topic, and what they make of it.
//!
//! In: the site, one message. Out: readings with their marks, and refusals with the sensor that they concern. Pure.

use std::collections::HashMap;
use std::sync::Arc;

use mosswarden_config::site::{Format, Site};
use mosswarden_config::table::{Reading, TimeSource};

use crate::decode::{self, Payload, Refusal};
use crate::message::Message;
use crate::validate;

/// The site's feeds by topic.
pub(crate) struct Feeds {
    by_topic: HashMap<Arc<str>, Vec<Feed>>,
}

/// How a sensor reads a topic.
pub(crate) struct Feed {
    enclosure: Arc<str>,
    sensor: Arc<str>,
    format: Format,
}

/// What one message gave.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) readings: Vec<Reading>,
    /// Readings of a retained message that has no time of its own: left out, because nobody knows how old they are.
    pub(crate) stale: usize,
    /// Sensor and reason.
    pub(crate) refusals: Vec<(Arc<str>, Refusal)>,
}

impl Feeds {
    pub(crate) fn new(site: &Site) -> Feeds {
        let mut by_topic: HashMap<Arc<str>, Vec<Feed>> = HashMap::new();
        for (enclosure, sensor, feed) in site.feeds() {
            by_topic
                .entry(Arc::from(feed.topic.as_str()))
                .or_default()
                .push(Feed {
                    enclosure: Arc::from(enclosure),
                    sensor: Arc::from(sensor),
                    format: feed.format.clone(),
                });
        }
        Feeds { by_topic }
    }

    pub(crate) fn topics(&self) -> impl Iterator<Item = &Arc<str>> {
        self.by_topic.keys()
    }

    /// Those that read a topic; none where nobody does.
    pub(crate) fn of(&self, topic: &str) -> &[Feed] {
        self.by_topic.get(topic).map_or(&[], Vec::as_slice)
    }

    /// Readings and refusals of a message; neither for a topic without feeds.
    pub(crate) fn read(&self, message: &Message) -> Outcome {
        Outcome::of(self.of(&message.topic), message)
    }
}

impl Outcome {
    /// What feeds make of a message.
    ///
    /// Where several feeds read one topic, a pointer with nothing under it is no refusal as long as another feed found its
    /// value: devices send temperature and humidity in turn.
    pub(crate) fn of(feeds: &[Feed], message: &Message) -> Outcome {
        let mut outcome = Outcome::default();
        let payload = Payload::new(&message.payload);
        for feed in feeds {
            match decode::decode(&feed.format, &payload, message.arrived_ms) {
                Ok(decoded) => {
                    outcome.readings.extend(decoded.values.iter().map(|raw| {
                        validate::reading(
                            raw,
                            &feed.enclosure,
                            &feed.sensor,
                            message.arrived_ms,
                            message.packet.is_will,
                        )
                    }));
                    let refused = decoded.refused.map(|refusal| (Arc::clone(&feed.sensor), refusal));
                    outcome.refusals.extend(refused);
                }
                Err(refusal) => outcome.refusals.push((Arc::clone(&feed.sensor), refusal)),
            }
        }
        let found = outcome.readings.len();
        if message.packet.is_retained {
            outcome
                .readings
                .retain(|reading| reading.time_source == TimeSource::Device);
            outcome.stale = found - outcome.readings.len();
        }
        if found > 0 {
            let is_absent =
                |refusal: &Refusal| matches!(refusal, Refusal::Absent { .. } | Refusal::SenmlWithout { .. });
            outcome.refusals.retain(|(_, refusal)| !is_absent(refusal));
        }
        outcome
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::message::Packet;
    use mosswarden_config::quantity::Quantity;
    use mosswarden_config::table::TimeSource;
    use std::path::Path;

    pub(crate) const SITE: &str = include_str!("../../tests/reference/site.toml");

    pub(crate) fn site() -> Site {
        Site::from_source(Path::new("site.toml"), SITE).expect("the contract's example")
    }

    pub(crate) fn message(topic: &str, payload: &str, arrived_ms: i64) -> Message {
        Message {
            topic: Arc::from(topic),
            payload: payload.to_owned().into(),
            arrived_ms,
            packet: Packet {
                client: Arc::from("probe"),
                id: 0,
                is_repeat: false,
                is_retained: false,
                is_will: false,
            },
        }
    }

    #[test]
    fn one_message_feeds_every_sensor_that_reads_its_topic() {
        let feeds = Feeds::new(&site());
        let payload = r#"{"at": "2026-03-01T07:59:58Z", "temperature": 22.4, "humidity": 81.2}"#;
        let outcome = feeds.read(&message("nature-room/mossy-1/stat", payload, 1_772_352_000_000));
        assert!(outcome.refusals.is_empty(), "{:?}", outcome.refusals);
        let found: Vec<_> = outcome
            .readings
            .iter()
            .map(|r| (&*r.sensor, r.quantity, r.value, r.time_source))
            .collect();
        assert_eq!(
            found,
            [
                ("mossy-1-stat", Quantity::Humidity, 81.2, TimeSource::Device),
                ("mossy-1-stat", Quantity::Temperature, 22.4, TimeSource::Arrival),
            ]
        );
    }

    #[test]
    fn a_pack_is_stored_as_far_as_it_is_understood_and_refused_for_the_rest() {
        let pack = r#"[{"u":"Cel","v":21.5},{"u":"/","v":0.8}]"#;
        let outcome =
            Feeds::new(&site()).read(&message("nature-room/mossy-1/check", pack, 1_772_352_000_000));
        assert_eq!((outcome.readings.len(), outcome.refusals.len()), (1, 1));
        assert_eq!(&*outcome.refusals[0].0, "mossy-1-check");
    }

    #[test]
    fn an_absent_pointer_is_a_refusal_only_when_nothing_else_was_found() {
        let feeds = Feeds::new(&site());
        let some = feeds.read(&message(
            "nature-room/room-wall",
            r#"{"t": 19.8}"#,
            1_772_352_000_000,
        ));
        assert_eq!((some.readings.len(), some.refusals.len()), (1, 0));
        let none = feeds.read(&message(
            "nature-room/room-wall",
            r#"{"x": 19.8}"#,
            1_772_352_000_000,
        ));
        assert_eq!((none.readings.len(), none.refusals.len()), (0, 2));
        let half = feeds.read(&message(
            "nature-room/room-wall",
            r#"{"t": 19.8, "rh": "wet"}"#,
            1_772_352_000_000,
        ));
        assert_eq!((half.readings.len(), half.refusals.len()), (1, 1));
        let stranger = feeds.read(&message("elsewhere", "1", 0));
        assert_eq!((stranger.readings.len(), stranger.refusals.len()), (0, 0));
    }
}

//! What is fuzzed: everything that reads bytes of another hand. Each target says what must hold whatever the bytes are; none may panic.
//!
//! Fed by seeded changes of good inputs (`mutate`).

use std::collections::HashSet;
use std::path::Path;
use std::sync::{Arc, LazyLock};

use bytes::BytesMut;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Format, Site};
use mosswarden_config::zone::AHEAD_MS_MAX;

use crate::broker::wire::{self, Level, Request};
use crate::columns::Columns;
use crate::decode::{Payload, decode};
use crate::feeds::Feeds;
use crate::import::line::{Known, Lines};
use crate::journal;
use crate::message::{Message, Packet};
use crate::mqtt::packets;
use crate::spool::frame;

pub(crate) struct Target {
    pub(crate) name: &'static str,
    pub(crate) run: fn(&[u8]),
    /// How many of its inputs cost as much as one of the cheapest target's.
    pub(crate) cost: u64,
}

pub(crate) const ALL: [Target; 12] = [
    target("json", json, 1),
    target("number", number, 1),
    target("senml", senml, 1),
    target("state", state, 1),
    target("feeds", feeds, 1),
    target("spool", spool, 1),
    target("wire", mqtt, 1),
    target("answers", packets::read_any, 1),
    target("tidy-csv", tidy_csv, 1),
    target("columns-csv", columns_csv, 1),
    target("journal-csv", journal_csv, 1),
    target("site", site_file, 50),
];

const fn target(name: &'static str, run: fn(&[u8]), cost: u64) -> Target {
    Target { name, run, cost }
}

/// 2026-03-01T08:00:00Z.
const ARRIVED_MS: i64 = 1_772_352_000_000;
/// Readings that one payload of the largest size may give.
const READINGS_MAX: usize = 1000;
pub(crate) const SITE: &str = include_str!("../../../tests/reference/site.toml");
static THE_SITE: LazyLock<Site> =
    LazyLock::new(|| Site::from_source(Path::new("site.toml"), SITE).expect("the contract's example"));

fn check_format(format: &Format, bytes: &[u8]) {
    if let Ok(decoded) = decode(format, &Payload::new(bytes), ARRIVED_MS) {
        assert!((1..=READINGS_MAX).contains(&decoded.values.len()));
        assert!(decoded.values.iter().all(|raw| raw.value.is_finite()));
    }
}

fn json(bytes: &[u8]) {
    for (pointer, time_pointer) in [("/t", Some("/at")), ("", None), ("/a/0/b", Some("/a/1"))] {
        let format = Format::Json {
            pointer: pointer.to_owned(),
            time_pointer: time_pointer.map(str::to_owned),
            quantity: Quantity::Temperature,
            unit: "[degF]".to_owned(),
        };
        check_format(&format, bytes);
    }
}

fn number(bytes: &[u8]) {
    let format = Format::Number {
        quantity: Quantity::Pressure,
        unit: "bar".to_owned(),
    };
    check_format(&format, bytes);
}

fn senml(bytes: &[u8]) {
    for quantity in [None, Some(Quantity::Humidity), Some(Quantity::State)] {
        check_format(&Format::Senml { quantity }, bytes);
    }
}

fn state(bytes: &[u8]) {
    for pointer in [None, Some("/s")] {
        let format = Format::State {
            pointer: pointer.map(str::to_owned),
            time_pointer: pointer.map(|_| "/at".to_owned()),
            on: vec!["ON".to_owned(), "1".to_owned()],
            off: vec!["OFF".to_owned(), "0".to_owned()],
        };
        check_format(&format, bytes);
    }
}

/// The whole way from a message to readings with their marks; the first byte chooses the topic and how the message came.
fn feeds(bytes: &[u8]) {
    static FEEDS: LazyLock<(Feeds, Vec<Arc<str>>)> = LazyLock::new(|| {
        let feeds = Feeds::new(&THE_SITE);
        let topics = feeds.topics().cloned().collect();
        (feeds, topics)
    });
    let (feeds, topics) = &*FEEDS;
    let Some((first, payload)) = bytes.split_first() else {
        return;
    };
    let mut message = message(&topics[usize::from(*first) % topics.len()], payload);
    message.packet.is_retained = first & 0x80 != 0;
    message.packet.is_will = first & 0x40 != 0;
    let outcome = feeds.read(&message);
    for reading in &outcome.readings {
        assert!(reading.value.is_finite() && reading.received_ms == ARRIVED_MS);
        assert!(
            reading.at_ms <= ARRIVED_MS + AHEAD_MS_MAX,
            "a future is never believed"
        );
    }
    // What gave nothing has a reason.
    assert!(!outcome.readings.is_empty() || outcome.stale > 0 || !outcome.refusals.is_empty());
}

fn message(topic: &Arc<str>, payload: &[u8]) -> Message {
    Message {
        topic: Arc::clone(topic),
        payload: payload.to_vec().into(),
        arrived_ms: ARRIVED_MS,
        packet: Packet {
            client: Arc::from("probe"),
            id: 7,
            is_repeat: false,
            is_retained: false,
            is_will: false,
        },
    }
}

/// Any bytes between the header and a sound frame: the sound frame is found. Any bytes as a file: read as far as it is whole.
fn spool(bytes: &[u8]) {
    let good = message(&Arc::from("nature-room/room-wall"), b"{\"t\": 21.5}");
    let mut file = frame::header().to_vec();
    file.extend_from_slice(bytes);
    frame::write(&good, &mut file);
    let scan = frame::scan(file).expect("our own header");
    assert_eq!(scan.messages.last(), Some(&good), "damage hides what follows it");
    if let Ok(scan) = frame::scan(bytes.to_vec()) {
        assert!(scan.good_bytes <= bytes.len());
        assert!(
            scan.damage
                .iter()
                .all(|span| span.start < span.end && span.end <= bytes.len())
        );
    }
}

/// The bytes of a connection, in each version: every packet takes some away, and none gives more than it has.
fn mqtt(bytes: &[u8]) {
    // Refused or not, the packets behind CONNECT are read too.
    let mut buffer = BytesMut::from(bytes);
    if let Ok(Some(connect)) = wire::read_connect(&mut buffer) {
        assert!(buffer.len() < bytes.len());
        assert!(connect.client.len() + connect.will.map_or(0, |will| will.payload.len()) < bytes.len());
    }
    for level in [Level::Four, Level::Five] {
        let mut rest = buffer.clone();
        let mut answers = BytesMut::new();
        loop {
            let before = rest.len();
            let Ok(Some(request)) = wire::read(&mut rest, level) else {
                break;
            };
            assert!(rest.len() < before, "a packet that is never over");
            answer(request, level, &mut answers);
        }
        assert!(answers.len() <= 16 * bytes.len(), "an answer is no amplifier");
    }
}

fn answer(request: Request, level: Level, out: &mut BytesMut) {
    match request {
        Request::Publish(publish) => {
            let is_topic = wire::is_topic(&publish.topic);
            assert!(!is_topic || wire::matches("#", &publish.topic) || publish.topic.starts_with('$'));
            if is_topic {
                wire::write_publish(out, level, &publish.topic, &publish.payload, publish.retain);
            }
            wire::write_puback(out, publish.id);
        }
        Request::Subscribe { id, filters } => {
            let granted: Vec<bool> = filters.iter().map(|filter| wire::is_filter(filter)).collect();
            for filter in &filters {
                let _any = wire::matches(filter, "nature-room/mossy-1/stat");
            }
            wire::write_suback(out, level, id, &granted);
        }
        Request::Unsubscribe { id, filters } => wire::write_unsuback(out, level, id, filters.len()),
        Request::Release { id } => wire::write_pubcomp(out, id),
        Request::Connect(_) | Request::Ping | Request::Disconnect { .. } | Request::Other => {}
    }
}

/// Any lines between the header and a good line: the good line is read.
fn tidy_csv(bytes: &[u8]) {
    static KNOWN: LazyLock<Known> = LazyLock::new(|| Known::new(&THE_SITE));
    const HEADER: &[u8] = b"time,enclosure,sensor,quantity,value,unit\n";
    const GOOD: &[u8] = b"\n2026-03-01T08:00:00Z,room,room-wall,temperature,19.8,Cel\n";
    let text = [HEADER, bytes, GOOD].concat();
    let mut lines = Lines::open(&KNOWN, &text[..], ARRIVED_MS).expect("a good header");
    let mut last = None;
    while let Some(result) = lines.next().expect("memory does not fail") {
        if let Ok(reading) = &result {
            assert!(reading.value.is_finite());
        }
        last = Some(result);
    }
    let last = last
        .and_then(Result::ok)
        .expect("the good line is hidden by what stands before it");
    assert_eq!((last.value, last.at_ms), (19.8, ARRIVED_MS));
    // And with a header of another hand.
    if let Ok(mut lines) = Lines::open(&KNOWN, bytes, ARRIVED_MS) {
        while lines.next().expect("memory does not fail").is_some() {}
    }
}

/// Any table with a column a sensor becomes lines that can be read one by one.
fn columns_csv(bytes: &[u8]) {
    static COLUMNS: LazyLock<Columns> = LazyLock::new(|| {
        let described = [
            "When=time",
            "T=mossy-1-stat temperature [degF]",
            "RH=mossy-1-stat humidity",
        ];
        Columns::parse(&THE_SITE, &described.map(str::to_owned)).expect("sound descriptions")
    });
    static KNOWN: LazyLock<Known> = LazyLock::new(|| Known::new(&THE_SITE));
    let text = [b"When,T,RH\n", bytes].concat();
    let mut tidy = Vec::new();
    COLUMNS
        .rewrite(&THE_SITE, Path::new("log.csv"), &text[..], &mut tidy)
        .expect("a good header");
    let mut lines = Lines::open(&KNOWN, &tidy[..], ARRIVED_MS).expect("our own header");
    while let Some(result) = lines.next().expect("memory does not fail") {
        if let Err(wrong) = result {
            assert!(
                !wrong.message.contains("quote"),
                "our own quotes are wrong: {}",
                wrong.message
            );
        }
    }
    let _other_header = COLUMNS.rewrite(&THE_SITE, Path::new("log.csv"), bytes, std::io::sink());
}

fn journal_csv(bytes: &[u8]) {
    let text = [b"time,enclosure,kind,subject,text\n", bytes].concat();
    for text in [&text[..], bytes] {
        if let Ok((entries, import)) = journal::read_csv(&THE_SITE, text, ARRIVED_MS, None, HashSet::new()) {
            assert_eq!(entries.len() as u64, import.added);
            assert!(
                entries
                    .iter()
                    .all(|entry| journal::check(&THE_SITE, entry).is_ok())
            );
        }
    }
}

/// A site file is taken, or refused with reasons on lines that it has.
fn site_file(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Err(problems) = Site::from_source(Path::new("site.toml"), &text) {
        let lines = text.split('\n').count();
        assert!(!problems.is_empty());
        assert!(problems.iter().all(|problem| problem.line <= lines + 1));
    }
}

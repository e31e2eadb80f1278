//! Where the targets' inputs begin: the invented room's own messages and tables, and what decoders find hard.

const MESSAGES: &str = include_str!("../../../sample-logs/messages.jsonl");
const READINGS: &str = include_str!("../../../sample-logs/readings.csv");
const SAMPLE_SITE: &str = include_str!("../../../sample-logs/site.toml");
/// Sample messages and lines taken as seeds.
const SAMPLES: usize = 40;

/// The seeds of a target; none for a name that is no target.
pub(crate) fn of(target: &str) -> Vec<Vec<u8>> {
    let texts =
        |list: &[&str]| -> Vec<Vec<u8>> { list.iter().map(|text| text.as_bytes().to_vec()).collect() };
    match target {
        "json" => with(
            payloads('{'),
            &[
                "{\"t\": 21.5, \"at\": 1772352000}",
                "{\"a\":[{\"b\":\"68\"},\"2026-03-01T08:00:00Z\"]}",
                "-40.5",
            ],
        ),
        "number" => texts(&["21.5", " 68.0\n", "-1e3", "1013.25"]),
        "senml" => with(
            payloads('['),
            &[
                r#"[{"bn":"a:","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},{"t":60,"v":20.3}]"#,
                r#"[{"bv":20,"bu":"Cel","bt":-10,"v":1.5},{"v":-0.5,"t":5},{"u":"/","v":0.8},{"vb":true},{"vs":"x","bver":10}]"#,
            ],
        ),
        "state" => with(
            payloads('{'),
            &["ON", "off", "{\"s\": true, \"at\": 5}", "{\"s\":\"ON\"}"],
        ),
        "feeds" => {
            let mut all = payloads('{');
            all.extend(payloads('['));
            all.extend(texts(&["85", "ON", "68.0"]));
            // One byte before each for the topic.
            all.iter_mut()
                .enumerate()
                .for_each(|(index, payload)| payload.insert(0, index as u8));
            all
        }
        "spool" => frames(),
        "wire" => packets(),
        "answers" => answers(),
        "tidy-csv" => {
            let lines: Vec<&str> = READINGS.lines().skip(1).step_by(61).take(SAMPLES).collect();
            with(
                lines.iter().map(|line| line.as_bytes().to_vec()).collect(),
                &[
                    include_str!("../../../tests/reference/readings.csv"),
                    "2026-03-01T08:00:00Z,room,\"room-wall\",temperature,\"19.8\",Cel\n2026-03-01T09:00:00.5+01:00,room,room-wall,temperature,67.6,[degF]",
                ],
            )
        }
        "columns-csv" => texts(&[
            "2026-07-01 12:00,71.6,80\n1782000000,,81.5",
            "2026-07-01T11:00:00Z,\"71,6\",\"80\"\"\"\n,,",
        ]),
        "journal-csv" => texts(&[
            "2026-03-01T08:00:00Z,mossy-1,ate,,\"two crickets, \"\"eagerly\"\"\"\n2026-03-01T09:00,mossy-1,sensor-moved,mossy-1-low,\"to the\nback\"",
            "2026-03-01,room,note,room-wall,x\n2026-10-25T01:30,mossy-1,weight,,12.5",
        ]),
        "site" => texts(&[super::targets::SITE, SAMPLE_SITE]),
        _ => Vec::new(),
    }
}

fn with(mut seeds: Vec<Vec<u8>>, more: &[&str]) -> Vec<Vec<u8>> {
    seeds.extend(more.iter().map(|text| text.as_bytes().to_vec()));
    seeds
}

/// Sample payloads that begin with a character.
fn payloads(first: char) -> Vec<Vec<u8>> {
    MESSAGES
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter_map(|message| Some(message["payload"].as_str()?.to_owned()))
        .filter(|payload| payload.starts_with(first))
        .step_by(7)
        .take(SAMPLES)
        .map(String::into_bytes)
        .collect()
}

/// Spool files' insides: frames of our own, and a whole file.
fn frames() -> Vec<Vec<u8>> {
    let mut body = b"\x01\x02\0\0\0\0\0\0\0\0\x07\0\x05\0\x02\0probeab{\"t\": 21}".to_vec();
    let check = crc32fast::hash(&body);
    let mut one = (body.len() as u32).to_le_bytes().to_vec();
    one.extend_from_slice(&check.to_le_bytes());
    one.append(&mut body);
    let two = [&one[..], &one[..]].concat();
    let file = [&crate::spool::frame::header()[..], &two[..]].concat();
    vec![one, two, file]
}

/// Connections: CONNECT of each version, with will and login, then what a device sends.
fn packets() -> Vec<Vec<u8>> {
    let connects: [&[u8]; 5] = [
        b"\x10\x11\x00\x04MQTT\x04\x00\x00\x3c\x00\x05probe",
        b"\x10\x12\x00\x04MQTT\x05\x02\x00\x01\x00\x00\x05probe",
        b"\x10\x28\x00\x04MQTT\x04\xee\x00\x3c\x00\x05probe\x00\x03a/b\x00\x03OFF\x00\x04frog\x00\x04moss",
        b"\x10\x17\x00\x04MQTT\x05\x02\x00\x3c\x05\x11\x00\x00\x0e\x10\x00\x05probe",
        b"\x10\x12\x00\x06MQIsdp\x03\x02\x00\x3c\x00\x04abcd",
    ];
    let more: [&[u8]; 8] = [
        b"\x32\x22\x00\x15nature-room/room-wall\x00\x07{\"t\": 21}",
        b"\x34\x0e\x00\x03a/b\x00\x09{\"t\":1}",
        b"\x62\x02\x00\x09",
        b"\x82\x08\x00\x01\x00\x03a/#\x01",
        b"\x82\x09\x00\x01\x00\x00\x03a/+\x01",
        b"\xa2\x07\x00\x02\x00\x03a/#",
        b"\xc0\x00\xe0\x00",
        b"\x32\x12\x00\x03a/b\x00\x07\x05\x02\x00\x00\x00\x3c{\"t\":1}",
    ];
    let mut all: Vec<Vec<u8>> = more.iter().map(|packet| packet.to_vec()).collect();
    for connect in connects {
        all.push([connect, &more.concat()].concat());
    }
    all
}

/// What a broker sends in each version: welcomes, refusals, granted and refused subscriptions, messages, a ping's answer, an end.
fn answers() -> Vec<Vec<u8>> {
    let all: [&[u8]; 10] = [
        b"\x20\x02\x01\x00",
        b"\x20\x02\x00\x05",
        b"\x20\x06\x01\x00\x03\x13\x00\x1e",
        b"\x20\x03\x00\x87\x00",
        b"\x90\x04\x00\x01\x01\x80",
        b"\x90\x05\x00\x01\x00\x01\x87",
        b"\x3a\x22\x00\x15nature-room/room-wall\x00\x07{\"t\": 21}",
        b"\x32\x12\x00\x03a/b\x00\x07\x05\x02\x00\x00\x00\x3c{\"t\":1}",
        b"\xd0\x00",
        b"\xe0\x01\x8b",
    ];
    let mut seeds: Vec<Vec<u8>> = all.iter().map(|packet| packet.to_vec()).collect();
    seeds.push(all.concat());
    seeds
}

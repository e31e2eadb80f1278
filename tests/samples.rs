//! The sample day: made by the project itself, and the same whether replayed over MQTT or imported.

use crate::archive::{FLAGS_OF_SAMPLE, sample_home};
use crate::harness::{Home, Mosquitto, Python, free_port, root};

const FILES: [&str; 3] = ["site.toml", "readings.csv", "messages.jsonl"];
/// Small enough to read.
const BYTES_MAX: u64 = 300_000;

#[test]
fn they_are_what_the_program_makes() {
    let home = Home::new(crate::harness::SITE);
    home.run(&["simulate", "--scenario", "day", "--out", "day"])
        .expect_code(0);
    for name in FILES {
        let kept = fs_err::read(root().join("sample-logs").join(name)).expect("a sample");
        assert!(kept.len() as u64 <= BYTES_MAX, "{name}: {} bytes", kept.len());
        let made = fs_err::read(home.path("day").join(name)).expect("made");
        assert!(
            kept == made,
            "{name} is not what the program makes now; sample-logs/README.md says how to make it anew"
        );
    }
}

#[test]
fn they_show_what_their_readme_says() {
    let home = sample_home();
    let said = home.run(&FLAGS_OF_SAMPLE).expect_code(3);
    let document = said.json();
    let found: Vec<(&str, &str)> = document["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|finding| {
            (
                finding["kind"].as_str().unwrap_or(""),
                finding["subject"].as_str().unwrap_or(""),
            )
        })
        .collect();
    assert_eq!(
        found,
        [
            ("overheating", "crested-1"),
            ("heater-stuck-on", "crested-1-heater")
        ]
    );
    let readme = fs_err::read_to_string(root().join("sample-logs/README.md")).expect("a README");
    assert!(readme.contains("invented"));
    for (kind, _) in found {
        assert!(readme.contains(kind), "no word of {kind}");
    }
}

/// Replays the sample over a port and gives what the archive then holds.
fn replayed(home: &Home, python: &Python, port: u16) {
    let file = root().join("sample-logs/messages.jsonl");
    python
        .run_file(
            &root().join("sample-logs/replay.py"),
            &[&file.to_string_lossy(), "127.0.0.1", &port.to_string()],
        )
        .expect_code(0);
    let expected = sample_home().exported();
    crate::builtin::wait_for_readings(home, expected.len());
    assert_eq!(home.exported(), expected);
}

#[test]
fn replayed_into_the_collector_they_equal_the_import() {
    let Some(python) = Python::find() else {
        return;
    };
    let port = free_port();
    let site = fs_err::read_to_string(root().join("sample-logs/site.toml")).expect("a sample");
    let home = Home::new(&site.replace("127.0.0.1:1883", &format!("127.0.0.1:{port}")));
    let collector = home.collect_builtin(port);
    replayed(&home, &python, port);
    let log = collector.stop("TERM");
    assert!(log.contains(" 0 refused, 0 repeats"), "{log}");
}

#[test]
fn replayed_into_a_broker_they_equal_the_import() {
    let Some(python) = Python::find() else {
        return;
    };
    let site = fs_err::read_to_string(root().join("sample-logs/site.toml")).expect("a sample");
    let home = Home::new(&site);
    let Some(broker) = Mosquitto::start(&home) else {
        return;
    };
    let port = broker.port;
    let url = format!("url = \"mqtt://127.0.0.1:{port}\"");
    home.write("site.toml", &site.replace("url = \"builtin\"", &url));
    let collector = home.collect_from_broker();
    replayed(&home, &python, port);
    collector.stop("TERM");
}

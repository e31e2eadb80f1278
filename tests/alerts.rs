//! Alerts from outside: real clients, a real broker, a web server and a mail server of other people's making, all on loopback.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};

use chrono::{SecondsFormat, TimeDelta, Timelike as _, Utc};
use serde_json::Value;

use crate::harness::{Home, Mosquitto, Publisher, Python, SITE, Server, free_port, root, wait_until};

const SECRET: &str = "key of the harbour room";
const PASSWORD: &str = "word of the mailbox";

fn certificate(name: &str) -> String {
    root()
        .join("collector/tests/certificates")
        .join(name)
        .display()
        .to_string()
}

/// The ports of a web server and a mail server that write what they get into a file of the home.
struct Ways {
    http: u16,
    smtp: u16,
    page: u16,
}

impl Ways {
    fn new() -> Ways {
        Ways {
            http: free_port(),
            smtp: free_port(),
            page: free_port(),
        }
    }

    fn start(&self, home: &Home, python: &Python, more: &[&str]) -> Server {
        let (out, http, smtp) = (
            home.path("received.jsonl").display().to_string(),
            self.http.to_string(),
            self.smtp.to_string(),
        );
        let mut arguments = vec![out.as_str(), "--http", &http, "--smtp", &smtp];
        arguments.extend(more);
        python.serve("receivers.py", &arguments)
    }

    /// `[alerts]` with every way, in the clear on loopback; `more` goes into it and into `[alerts.smtp]`.
    fn alerts(&self, more: &str, smtp: &str) -> String {
        format!(
            "mqtt_topic = \"nature-room/alerts\"\nheartbeat_topic = \"nature-room/heartbeat\"\n\
             webhook_url = \"http://127.0.0.1:{}/hook/of/the/room\"\nwebhook_secret_file = \"hook\"\n\
             email_to = \"keeper@example.org\"\n{more}\n[alerts.smtp]\nhost = \"127.0.0.1\"\nport = {}\n\
             from = \"mosswarden@example.org\"\n{smtp}\n",
            self.http, self.smtp
        )
    }
}

/// The contract's site with these alerts, and files for secrets that only their owner can read.
fn write_site(home: &Home, ways: &Ways, url: &str, alerts: &str) {
    let site = SITE
        .replacen("[alerts]", &format!("[alerts]\n{alerts}"), 1)
        .replacen("url = \"builtin\"", &format!("url = \"{url}\""), 1)
        .replacen("127.0.0.1:8460", &format!("127.0.0.1:{}", ways.page), 1);
    home.write("site.toml", &site);
    for (name, secret) in [("hook", SECRET), ("smtp", PASSWORD)] {
        private(&home.write(name, &format!("{secret}\n")));
    }
}

fn private(file: &Path) {
    use std::os::unix::fs::PermissionsExt as _;
    fs_err::set_permissions(file, std::fs::Permissions::from_mode(0o600)).expect("it is ours");
}

/// What a way received, in order.
fn received(home: &Home, way: &str) -> Vec<Value> {
    fs_err::read_to_string(home.path("received.jsonl"))
        .unwrap_or_default()
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect("JSON lines"))
        .filter(|message| message["way"] == way)
        .collect()
}

fn bodies(home: &Home) -> Vec<Value> {
    received(home, "webhook")
        .iter()
        .map(|message| serde_json::from_str(message["body"].as_str().expect("a text")).expect("JSON"))
        .collect()
}

/// Both places where the frogs can be read this temperature.
fn read_everywhere(device: &Publisher, celsius: f64) {
    let senml = format!(r#"[{{"n":"temperature","u":"Cel","v":{celsius}}}]"#);
    device.publish("nature-room/mossy-1/check", &senml, &["-q", "1"]);
    let fahrenheit = format!("{:.2}", celsius * 1.8 + 32.0);
    device.publish("nature-room/mossy-1/low/temperature", &fahrenheit, &["-q", "1"]);
}

/// The retained message of a topic, as mosquitto_sub gets it.
fn retained(port: u16, topic: &str) -> Option<Value> {
    let said = Command::new("mosquitto_sub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string()])
        .args(["-t", topic, "-C", "1", "-W", "5", "--retained-only"])
        .stdin(Stdio::null())
        .output()
        .expect("mosquitto_sub comes with mosquitto_pub");
    serde_json::from_slice(&said.stdout).ok()
}

fn page(port: u16, path: &str) -> String {
    let mut answer = String::new();
    let asked = TcpStream::connect(("127.0.0.1", port)).and_then(|mut stream| {
        write!(
            stream,
            "GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n"
        )?;
        stream.read_to_string(&mut answer)
    });
    if asked.is_ok() { answer } else { String::new() }
}

#[test]
fn danger_reaches_the_topic_the_webhook_and_the_mailbox_once_and_so_does_its_end() {
    let home = Home::new(SITE);
    let Some(python) = Python::find() else { return };
    let Some(mut broker) = Mosquitto::start(&home) else {
        return;
    };
    let Some(device) = Publisher::find(broker.port) else {
        return;
    };
    let ways = Ways::new();
    let _receivers = ways.start(&home, &python, &[]);
    let url = format!("mqtt://127.0.0.1:{}", broker.port);
    write_site(&home, &ways, &url, &ways.alerts("", "tls = \"off\""));
    let collector = home.collect_from_broker();
    read_everywhere(&device, 31.0);
    wait_until("both ways got the alert", || {
        !received(&home, "webhook").is_empty() && !received(&home, "email").is_empty()
    });
    let body = &bodies(&home)[0];
    assert_eq!(body["schema"], "mosswarden.alert/1");
    assert_eq!(
        (&body["what"], &body["danger"]),
        (&"begins".into(), &"too-hot".into())
    );
    assert_eq!(body["enclosure"], "mossy-1");
    let text = body["text"].as_str().expect("a text");
    assert!(text.contains("the coolest of 2 places reads 31.0 °C"), "{text}");
    let mail = &received(&home, "email")[0];
    assert_eq!(
        mail["subject"],
        "Danger, Harbour Street nature room: Mossy frogs, tall tank: too hot"
    );
    assert!(mail["text"].as_str().expect("a text").starts_with(text), "{mail}");
    assert_eq!(mail["to"], serde_json::json!(["keeper@example.org"]));
    let state = retained(broker.port, "nature-room/alerts").expect("it is retained");
    assert_eq!(state["open"][0]["id"], body["id"]);
    // The broker restarts without a memory of it: the state is said again.
    device.publish("nature-room/alerts", "", &["-r"]);
    broker.restart();
    wait_until("the state is known again", || {
        retained(broker.port, "nature-room/alerts")
            .is_some_and(|state| state["open"][0]["danger"] == "too-hot")
    });
    wait_until("both ways got the end", || {
        read_everywhere(&device, 24.0);
        received(&home, "webhook").len() > 1 && received(&home, "email").len() > 1
    });
    let alive = retained(broker.port, "nature-room/heartbeat").expect("it is retained");
    assert_eq!(alive["status"], "alive");
    assert!(alive["last_received"].is_string(), "{alive}");
    let log = collector.stop("TERM");
    let what: Vec<Value> = bodies(&home).iter().map(|body| body["what"].clone()).collect();
    assert_eq!(what, ["begins", "all-clear"], "{log}");
    assert_eq!(received(&home, "email").len(), 2, "{log}");
    let state = retained(broker.port, "nature-room/alerts").expect("it is retained");
    assert_eq!(state["open"], serde_json::json!([]));
    let stopped = retained(broker.port, "nature-room/heartbeat").expect("it is retained");
    assert_eq!(stopped["status"], "stopped");
    let file = |name: &str| home.path(name).display().to_string();
    let genuine = python.run("verify_webhook.py", &[&file("received.jsonl"), &file("hook")]);
    assert_eq!(genuine.expect_code(0).stdout.trim(), "2");
    for secret in [SECRET, PASSWORD, "/hook/of/the/room"] {
        assert!(!log.contains(secret), "{secret} in {log}");
    }
}

#[test]
fn a_collector_that_is_killed_leaves_a_will() {
    let home = Home::new(SITE);
    let Some(broker) = Mosquitto::start(&home) else {
        return;
    };
    if Publisher::find(broker.port).is_none() {
        return;
    }
    let ways = Ways::new();
    let url = format!("mqtt://127.0.0.1:{}", broker.port);
    write_site(&home, &ways, &url, "heartbeat_topic = \"nature-room/heartbeat\"");
    let collector = home.collect_from_broker();
    let status = || retained(broker.port, "nature-room/heartbeat").map(|said| said["status"].clone());
    wait_until("it says that it lives", || status() == Some("alive".into()));
    collector.kill();
    wait_until("the broker says that it is lost", || {
        status() == Some("lost".into())
    });
}

#[test]
fn a_way_that_fails_is_shown_tried_again_and_holds_nothing() {
    let home = Home::new(SITE);
    let Some(python) = Python::find() else { return };
    let port = free_port();
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let ways = Ways::new();
    write_site(&home, &ways, "builtin", &ways.alerts("", "tls = \"off\""));
    let site = fs_err::read_to_string(home.path("site.toml")).expect("it was written");
    home.write(
        "site.toml",
        &site.replace("127.0.0.1:1883", &format!("127.0.0.1:{port}")),
    );
    // Nobody listens at either address.
    let collector = home.collect_builtin(port);
    read_everywhere(&device, 31.0);
    wait_until("the failing ways are shown on the page", || {
        let now = page(ways.page, "/");
        now.contains("Alerts by webhook to 127.0.0.1")
            && now.contains("Alerts by email to keeper@example.org")
    });
    let health = page(ways.page, "/health");
    assert!(
        health.contains(r#""ways_failing":["webhook","email"]"#),
        "{health}"
    );
    // The collector goes on, and so does the watch.
    read_everywhere(&device, 32.5);
    wait_until("the readings are stored", || home.exported().len() >= 4);
    wait_until("it is noted that both fail", || {
        let noted = fs_err::read_to_string(home.path("data/alerts.jsonl")).unwrap_or_default();
        noted.matches(r#""line":"failed""#).count() == 2 && noted.contains(r#""what":"worse""#)
    });
    let said = home.run(&["check"]).expect_code(3).stdout;
    assert!(
        said.contains("look at:  Alerts by webhook to 127.0.0.1"),
        "{said}"
    );
    assert!(
        said.contains("look at:  Alerts by email to keeper@example.org fail since"),
        "{said}"
    );
    let log = collector.stop("TERM");
    assert_eq!(log.matches("an alert could not be sent").count(), 2, "{log}");
    // What waited is sent by the next run, the last word only, once the receivers are there; they refuse it at first.
    let _receivers = ways.start(&home, &python, &["--fail", "1"]);
    let collector = home.collect_builtin(port);
    wait_until("both ways got what waited", || {
        !received(&home, "webhook").is_empty() && !received(&home, "email").is_empty()
    });
    wait_until("it is noted that both work", || {
        let noted = fs_err::read_to_string(home.path("data/alerts.jsonl")).unwrap_or_default();
        noted.matches(r#""line":"sent""#).count() == 2
    });
    let said = home.run(&["alerts"]).expect_code(3).stdout;
    assert!(
        said.contains("Alerts by email to keeper@example.org: last sent on"),
        "{said}"
    );
    assert!(said.starts_with("Mossy frogs, tall tank: too hot."), "{said}");
    collector.stop("TERM");
    let alone = home.run(&["alerts"]).expect_code(3).stdout;
    assert!(
        alone.starts_with("Nobody is watching: no collector runs on this folder (last seen on"),
        "{alone}"
    );
    let what: Vec<Value> = bodies(&home).iter().map(|body| body["what"].clone()).collect();
    assert_eq!(what, ["worse"]);
    assert_eq!(received(&home, "email").len(), 1);
}

/// `alerts --test` against receivers that want TLS and a name.
#[track_caller]
fn over_tls(smtp_tls: &str, ca: &str, expected: i32) -> (Home, String) {
    let home = Home::new(SITE);
    let Some(python) = Python::find() else {
        return (home, String::new());
    };
    let ways = Ways::new();
    let (pem, key, ca) = (
        certificate("server.pem"),
        certificate("server.key"),
        certificate(ca),
    );
    let _receivers = ways.start(
        &home,
        &python,
        &[
            "--tls",
            "--smtp-tls",
            smtp_tls,
            "--certificate",
            &pem,
            "--key",
            &key,
            "--login",
            "keeper",
            PASSWORD,
        ],
    );
    let smtp =
        format!("tls = \"{smtp_tls}\"\nusername = \"keeper\"\npassword_file = \"smtp\"\nca_file = \"{ca}\"");
    let alerts = ways.alerts(&format!("webhook_ca_file = \"{ca}\""), &smtp);
    write_site(
        &home,
        &ways,
        "builtin",
        &alerts.replacen("http://", "https://", 1),
    );
    let said = home.run(&["alerts", "--test"]).expect_code(expected).stdout;
    (home, said)
}

#[test]
fn over_tls_with_an_authority_of_ones_own_every_way_works() {
    for smtp_tls in ["starttls", "tls"] {
        let (home, said) = over_tls(smtp_tls, "ca.pem", 0);
        if said.is_empty() {
            return;
        }
        let mail = &received(&home, "email")[0];
        assert_eq!(
            (&mail["tls"], &mail["login"]),
            (&true.into(), &"keeper".into()),
            "{said}"
        );
        assert_eq!(bodies(&home)[0]["what"], "test");
    }
}

#[test]
fn a_certificate_of_a_strange_authority_is_refused() {
    let (home, said) = over_tls("starttls", "other-ca.pem", 3);
    if said.is_empty() {
        return;
    }
    assert_eq!(said.to_lowercase().matches("certificate").count(), 2, "{said}");
    assert!(received(&home, "email").is_empty() && received(&home, "webhook").is_empty());
    assert!(!said.contains(PASSWORD) && !said.contains(SECRET), "{said}");
}

/// Three days of two sensors at ten minutes, with six hours of heat that ended eight hours ago; and a zone where it is noon now.
fn hot_yesterday() -> (String, String) {
    let now = Utc::now();
    let mut csv = String::from("time,enclosure,sensor,quantity,value,unit\n");
    for ago_min in (10..3 * 24 * 60).rev().step_by(10) {
        let time = (now - TimeDelta::minutes(ago_min)).to_rfc3339_opts(SecondsFormat::Secs, true);
        let value = if (8 * 60..14 * 60).contains(&ago_min) {
            33.0
        } else {
            22.0
        };
        for sensor in ["mossy-1-check", "mossy-1-low"] {
            csv += &format!("{time},mossy-1,{sensor},temperature,{value:?},Cel\n");
        }
    }
    let east_h = 12 - i64::from(now.hour());
    // The names of these zones count westwards.
    (csv, format!("Etc/GMT{:+}", -east_h))
}

#[test]
fn what_was_found_is_told_once_a_day() {
    let Some(python) = Python::find() else { return };
    let home = Home::new(SITE);
    let ways = Ways::new();
    let _receivers = ways.start(&home, &python, &[]);
    let (port, (csv, zone)) = (free_port(), hot_yesterday());
    write_site(
        &home,
        &ways,
        "builtin",
        &ways.alerts("findings = true", "tls = \"off\""),
    );
    let site = fs_err::read_to_string(home.path("site.toml"))
        .expect("it was written")
        .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
        .replace("Europe/Lisbon", &zone);
    home.write("site.toml", &site);
    home.write("hot.csv", &csv);
    home.run(&["import", "hot.csv"]).expect_code(0);
    let collector = home.collect_builtin(port);
    wait_until("both ways got the findings", || {
        !received(&home, "webhook").is_empty() && !received(&home, "email").is_empty()
    });
    collector.stop("TERM");
    let body = &bodies(&home)[0];
    assert_eq!(body["what"], "findings");
    let kinds: Vec<&Value> = body["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|found| &found["kind"])
        .collect();
    assert!(kinds.contains(&&"overheating".into()), "{body}");
    let subject = received(&home, "email")[0]["subject"].clone();
    assert!(
        subject
            .as_str()
            .is_some_and(|subject| subject.starts_with("Findings, ")),
        "{subject}"
    );
}

#[test]
fn a_secret_that_others_can_read_is_told() {
    use std::os::unix::fs::PermissionsExt as _;
    let home = Home::new(SITE);
    let ways = Ways::new();
    write_site(&home, &ways, "builtin", &ways.alerts("", "tls = \"off\""));
    let said = home.run(&["check"]).stdout;
    assert!(!said.contains("can be read by others"), "{said}");
    let open = std::fs::Permissions::from_mode(0o644);
    fs_err::set_permissions(home.path("hook"), open).expect("it is ours");
    let said = home.run(&["check"]).expect_code(3).stdout;
    assert!(
        said.contains("hook can be read by others; run chmod 600"),
        "{said}"
    );
}

#[test]
fn the_metrics_are_open_metrics_to_an_independent_parser() {
    let Some(python) = Python::find() else { return };
    let port = free_port();
    let home = Home::new(SITE);
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let ways = Ways::new();
    write_site(&home, &ways, "builtin", &ways.alerts("", "tls = \"off\""));
    let site = fs_err::read_to_string(home.path("site.toml")).expect("it was written");
    home.write(
        "site.toml",
        &site.replace("127.0.0.1:1883", &format!("127.0.0.1:{port}")),
    );
    let _collector = home.collect_builtin(port);
    read_everywhere(&device, 22.0);
    let mut answer = String::new();
    wait_until("both readings are counted", || {
        answer = page(ways.page, "/metrics");
        answer.contains("mosswarden_readings_stored_total 2")
    });
    let (head, body) = answer.split_once("\r\n\r\n").expect("head and body");
    assert!(
        head.contains("application/openmetrics-text; version=1.0.0"),
        "{head}"
    );
    let said = python
        .run_with_input("open_metrics.py", body)
        .expect_code(0)
        .stdout;
    for sample in [
        "mosswarden_readings_stored_total{} 2",
        "mosswarden_open_alerts{} 0",
        "mosswarden_way_failing{way=email} 0",
        "mosswarden_sensor_readings_total{sensor=mossy-1-check} 1",
    ] {
        assert!(said.lines().any(|line| line == sample), "{sample} in {said}");
    }
}

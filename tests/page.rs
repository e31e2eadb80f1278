//! The page in a real browser: every view, the forms, the log-in (`tests/browser/page.mjs`), its calendar, its passwords.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::process::Command;

use crate::browser::Browser;
use crate::harness::{Home, Publisher, Python, Said, free_port, wait_until};

const PASSWORD: &str = "moss and fern";

/// The demo's room with four weeks of history up to now, its page and its way in on free ports.
fn demo_room(page_keys: &str) -> (Home, u16) {
    let home = Home::new("");
    home.run(&["demo", "--once", "--folder", "room"]).expect_code(0);
    let (page, broker) = (free_port(), free_port());
    let file = home.path("room/site.toml");
    let source = fs_err::read_to_string(&file).expect("the demo wrote it");
    let kept: String = source
        .split_inclusive('\n')
        .filter(|line| !line.starts_with("listen ="))
        .collect();
    let kept = kept.replacen(
        "[broker]\n",
        &format!("[broker]\nlisten = \"127.0.0.1:{broker}\"\n"),
        1,
    );
    let kept = kept.replace("[page]\n", "");
    let site = format!("{kept}\n[page]\nlisten = \"127.0.0.1:{page}\"\n{page_keys}");
    home.write(
        "site.toml",
        &site.replace("data_dir = \"data\"", "data_dir = \"room/data\""),
    );
    (home, page)
}

fn set_password(home: &Home, password: &str) -> Said {
    home.run_with_input(&["page", "password"], password)
}

fn certificate(home: &Home) {
    let made = Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=localhost",
        ])
        .args(["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"])
        .arg("-keyout")
        .arg(home.path("key.pem"))
        .arg("-out")
        .arg(home.path("certificate.pem"))
        .output()
        .expect("openssl comes with Debian");
    assert!(made.status.success(), "{made:?}");
}

/// Both places of the mossy frogs read far above their emergency limit.
fn too_hot(room: &Home) {
    let source = fs_err::read_to_string(room.path("site.toml")).expect("it was written");
    let listen = source
        .split("listen = \"127.0.0.1:")
        .nth(1)
        .expect("the way in comes first");
    let port = listen
        .split('"')
        .next()
        .and_then(|port| port.parse().ok())
        .expect("a port");
    let Some(publisher) = Publisher::find(port) else {
        return;
    };
    for _ in 0..3 {
        let at = chrono::Utc::now();
        let low = format!(
            "{{\"temperature\": 38.5, \"humidity\": 70.0, \"at\": \"{}\"}}",
            at.to_rfc3339()
        );
        let check = format!(
            "[{{\"n\":\"temperature\",\"u\":\"Cel\",\"v\":38.0,\"t\":{}}}]",
            at.timestamp()
        );
        publisher.publish("nature-room/mossy-1/low", &low, &["-q", "1"]);
        publisher.publish("nature-room/mossy-1/check", &check, &["-q", "1"]);
        std::thread::sleep(std::time::Duration::from_millis(1100));
    }
}

/// A view as plain HTTP gives it.
fn get(port: u16, path: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    )
    .expect("it reads");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("it answers");
    answer
}

#[test]
fn a_keeper_uses_the_page_on_a_phone_and_on_a_wide_screen() {
    let Some(browser) = Browser::find() else {
        return;
    };
    let (open, open_port) = demo_room("");
    let collector = open.collect();
    wait_until("the open page answers", || {
        collector.log().contains("the page is open")
    });

    let keys =
        "access_file = \"secrets/page\"\ncertificate_file = \"certificate.pem\"\nkey_file = \"key.pem\"\n";
    let (locked, locked_port) = demo_room(keys);
    certificate(&locked);
    set_password(&locked, PASSWORD).expect_code(0);
    let guarded = locked.collect();
    wait_until("the locked page answers", || {
        guarded.log().contains("the page is open")
    });

    let open_address = format!("http://127.0.0.1:{open_port}");
    // The first judgement of four weeks takes some seconds; the views are looked at with it.
    wait_until("the room is judged", || {
        !get(open_port, "/findings").contains("Not judged yet")
    });
    too_hot(&open);
    let said = browser.drive(
        "page.mjs",
        &[
            &open_address,
            &format!("https://localhost:{locked_port}"),
            PASSWORD,
            "mossy-1",
        ],
    );
    println!("{}", said.stdout);
    said.expect_code(0);
    let views = [
        "/",
        "/changes",
        "/care",
        "/journal",
        "/findings",
        "/reports",
        "/enclosure/mossy-1",
        "/weights",
        "/export",
    ];
    let pages: Vec<String> = views.iter().map(|view| format!("{open_address}{view}")).collect();
    browser.must_be_fit(&pages.iter().map(String::as_str).collect::<Vec<_>>());
    assert!(
        guarded.log().contains("wrong password"),
        "a failed log-in is logged"
    );
    assert!(!guarded.log().contains(PASSWORD));
}

#[test]
fn the_page_listens_to_other_machines_only_with_an_access_file() {
    let home = Home::new("");
    let port = free_port();
    let site = crate::harness::SITE
        .replace("listen = \"127.0.0.1:8460\"", "listen = \"0.0.0.0:0\"")
        .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
        .replace("# access_file", "access_file");
    home.write("site.toml", &site);
    let said = home.run(&["check"]).expect_code(3);
    assert!(
        said.stdout.contains("unfit:    page: collect will not start: "),
        "{}",
        said.stdout
    );
    let refused = home.run(&["collect"]).expect_code(2);
    assert!(
        refused.stderr.contains("without a password"),
        "{}",
        refused.stderr
    );
    assert!(
        refused.stderr.contains("mosswarden page password"),
        "{}",
        refused.stderr
    );

    let short = set_password(&home, "short").expect_code(2);
    assert!(short.stderr.contains("at least 8 characters"), "{}", short.stderr);
    let said = set_password(&home, PASSWORD).expect_code(0);
    assert!(!said.stdout.contains(PASSWORD) && !said.stderr.contains(PASSWORD));
    let collector = home.collect_builtin(port);
    wait_until("the page answers", || {
        collector.log().contains("the page is open")
    });
    collector.stop("TERM");
}

#[test]
fn the_calendar_is_read_by_another_program() {
    let Some(python) = Python::find() else {
        return;
    };
    let care = "\n[[enclosure.care]]\ntask = \"wipe-glass\"\nlabel = \"Wipe the glass, front; and top\"\nevery = \"7d\"\n";
    let home = Home::new(&format!("{}{care}", crate::harness::SITE));
    home.run(&[
        "care",
        "done",
        "prune",
        "--enclosure",
        "mossy-1",
        "--at",
        "2026-03-01T10:00",
        "--by",
        "Ana",
    ])
    .expect_code(0);
    let said = home.run(&["care", "calendar"]).expect_code(0);
    let file = home.write("care.ics", &said.stdout);
    let read = python
        .run("read_calendar.py", &[&file.to_string_lossy()])
        .expect_code(0);
    let events = read.json();
    let find = |uid: &str| {
        let found = events
            .as_array()
            .expect("a list")
            .iter()
            .find(|event| event["uid"] == uid);
        found.unwrap_or_else(|| panic!("no {uid} in {events}")).clone()
    };
    let glass = find("wipe-glass.mossy-1@care.mosswarden.invalid");
    assert_eq!(
        glass["summary"],
        "Mossy frogs, tall tank: Wipe the glass, front; and top"
    );
    assert_eq!(glass["interval"], 7);
    assert_eq!(glass["is_all_day"], true);
    let prune = find("prune.mossy-1@care.mosswarden.invalid");
    assert_eq!(prune["interval"], 30);
    assert!(
        prune["summary"]
            .as_str()
            .is_some_and(|text| text.contains("overdue")),
        "{prune}"
    );
    assert_eq!(prune["start"], prune["today"], "what is overdue stands on today");
}

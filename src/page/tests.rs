//! The page from outside: over TCP, as a browser would ask.

mod answered;
mod sent;
mod written;

use std::path::Path;
use std::sync::Arc;

use mosswarden_collector::{Counts, Newest, journal};
use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::MS_PER_HOUR;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use super::*;
use crate::alerts::{Danger, Told};

/// 1 March 2026, 08:00 in Lisbon.
const NOW_MS: i64 = 1_772_352_000_000;

struct Served {
    page: Arc<Page>,
    address: SocketAddr,
    _dir: TempDir,
}

fn site(dir: &Path) -> Site {
    let source = include_str!("../../tests/reference/site.toml").replace(
        "label = \"Mossy frogs, tall tank\"",
        "label = \"Mossy <b>&</b> frogs\"",
    );
    Site::from_source(&dir.join("site.toml"), &source).expect("the contract's example")
}

const PASSWORD: &str = "moss and fern";

async fn served() -> Served {
    served_with(|_| {}).await
}

/// Behind a log-in.
async fn locked() -> Served {
    served_with(|site| {
        let file = site.file.with_file_name("secrets").join("page");
        access::write(&file, PASSWORD).expect("room");
        site.page.access_file = Some(file);
    })
    .await
}

async fn served_with(change: impl FnOnce(&mut Site)) -> Served {
    served_since(NOW_MS - MS_PER_HOUR, change).await
}

async fn served_since(since_ms: i64, change: impl FnOnce(&mut Site)) -> Served {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut site = site(dir.path());
    change(&mut site);
    let mut page = Page::new(
        site.clone(),
        Arc::new(Counts::new(&site)),
        Arc::new(Newest::default()),
        Arc::new(Board::default()),
        || NOW_MS,
    )
    .expect("random numbers");
    page.since_ms = since_ms;
    let page = Arc::new(page);
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let address = listener.local_addr().expect("it is bound");
    let router = router(Arc::clone(&page));
    let service = router.into_make_service_with_connect_info::<Peer>();
    tokio::spawn(async move { axum::serve(door::Door::new(listener), service).await });
    Served {
        page,
        address,
        _dir: dir,
    }
}

impl Served {
    async fn ask(&self, request: &str) -> String {
        let mut stream = TcpStream::connect(self.address).await.expect("it listens");
        stream.write_all(request.as_bytes()).await.expect("it reads");
        let mut answer = String::new();
        stream.read_to_string(&mut answer).await.expect("it answers");
        answer
    }

    async fn get(&self, path: &str) -> String {
        self.ask(&format!(
            "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
        ))
        .await
    }

    async fn post(&self, body: &str) -> String {
        self.post_to("/journal", "", body).await
    }

    /// A form; `headers` are further lines, each with its end.
    async fn post_to(&self, path: &str, headers: &str, body: &str) -> String {
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             {headers}Content-Length: {}\r\n\r\n{body}",
            body.len()
        ))
        .await
    }

    async fn get_with(&self, path: &str, headers: &str) -> String {
        self.ask(&format!(
            "GET {path} HTTP/1.1\r\nHost: moss.example.org\r\nConnection: close\r\n{headers}\r\n"
        ))
        .await
    }

    /// Tries a password as the log-in form does.
    async fn log_in(&self, password: &str) -> String {
        let form = self.get_with("/login?to=/care", "").await;
        let token = between(&form, "name=\"token\" value=\"", "\"");
        let cookie = format!("Cookie: mosswarden_login={token}\r\n");
        let body = format!("token={token}&to=/care&password={}", password.replace(' ', "+"));
        self.post_to("/login", &cookie, &body).await
    }

    fn journal(&self) -> Vec<Entry> {
        journal::list(&self.page.site.data_dir).expect("readable").entries
    }

    /// What the task does in the background, here at once.
    async fn judge(&self) {
        let judging = Arc::clone(&self.page.judging);
        tokio::task::spawn_blocking(move || judging.judge_now())
            .await
            .expect("it ends");
    }
}

#[tokio::test]
async fn every_view_answers_with_its_headers_and_escaped_before_and_after_a_judgement() {
    let served = served().await;
    for is_judged in [false, true] {
        if is_judged {
            served.judge().await;
            let trouble = served.page.judging.look().trouble;
            assert_eq!(trouble, None);
        }
        let paths = [
            "/",
            "/enclosure/mossy-1",
            "/changes",
            "/care",
            "/findings",
            "/reports",
            "/journal",
            "/weights",
            "/export",
        ];
        for path in paths {
            let answer = served.get(path).await;
            assert!(answer.starts_with("HTTP/1.1 200 OK\r\n"), "{path}: {answer}");
            let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
            for header in [
                "content-security-policy: default-src 'none'; style-src 'nonce-",
                "script-src 'self'; connect-src 'self'; form-action 'self'",
                "x-content-type-options: nosniff",
                "referrer-policy: no-referrer",
                "frame-ancestors 'none'",
                "cache-control: no-store",
            ] {
                assert!(head.contains(header), "{path} lacks {header}: {head}");
            }
            let scripts = body.matches("<script").count();
            let own = body.matches("<script src=\"/page.js\" defer></script>").count();
            assert_eq!(scripts, own, "{path}: only our own script, from its own address");
            assert!(
                !body.contains("style=\""),
                "{path}: the policy forbids style attributes"
            );
            assert!(!body.contains("<b>&"), "{path}: the label was not escaped");
        }
    }
    assert!(
        served
            .get("/")
            .await
            .contains("Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs")
    );
    // GET writes nothing: not even the folder is made.
    assert!(!served.page.site.data_dir.exists());
}

#[tokio::test]
async fn without_a_reading_it_is_not_known_never_well() {
    let served = served().await;
    served.judge().await;
    let answer = served.get("/").await;
    let heading = "<h1>How it is with Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs is not known yet.</h1>";
    assert!(answer.contains(heading), "{answer}");
    assert!(
        answer.contains("No temperature in the last two weeks."),
        "{answer}"
    );
    assert!(answer.contains("No reading has come yet."), "{answer}");
    assert!(!answer.contains("Nothing found"), "{answer}");
    let health = served.get("/health").await;
    assert!(health.starts_with("HTTP/1.1 503"), "{health}");
    assert!(health.contains("\"last_received\":null"), "{health}");
}

/// Brings readings into the archive: sensor, quantity, minutes before now, value.
fn import(served: &Served, readings: &[(&str, &str, i64, f64)]) {
    let site = &served.page.site;
    let rows: String = readings
        .iter()
        .map(|(sensor, quantity, minutes, value)| {
            let enclosure = site
                .enclosures
                .iter()
                .find(|enclosure| enclosure.sensors.iter().any(|known| known.id == *sensor));
            let place = enclosure.map_or("room", |enclosure| enclosure.id.as_str());
            let unit = if *quantity == "humidity" { "%RH" } else { "Cel" };
            let at = site.zone.rfc3339(NOW_MS - minutes * 60_000);
            format!("{at},{place},{sensor},{quantity},{value},{unit}\n")
        })
        .collect();
    let file = site.file.with_file_name("readings.csv");
    fs_err::write(
        &file,
        format!("time,enclosure,sensor,quantity,value,unit\n{rows}"),
    )
    .expect("room");
    let taken = mosswarden_collector::import_csv(site, &site.data_dir, &file, &mut |_, _| {});
    assert_eq!(taken.expect("it is sound").added, readings.len() as u64);
}

#[tokio::test]
async fn until_the_archive_is_read_nothing_is_said_of_it() {
    let served = served_since(NOW_MS, |_| {}).await;
    import(
        &served,
        &[
            ("mossy-1-check", "temperature", 5, 22.0),
            ("room-wall", "temperature", 5, 19.5),
        ],
    );
    for path in ["/", "/enclosure/mossy-1"] {
        let answer = served.get(path).await;
        for said in [
            "The archive is being read; look again in a moment.",
            "No temperature since the start. No humidity since the start.",
        ] {
            assert!(answer.contains(said), "{path}: {answer}");
        }
        for untrue in ["two weeks", "No reading has come", "Nothing found"] {
            assert!(!answer.contains(untrue), "{path}: {answer}");
        }
    }
    let health = served.get("/health").await;
    assert!(health.starts_with("HTTP/1.1 200"), "{health}");
    assert!(health.contains("\"status\":\"started just now\""), "{health}");

    served.judge().await;
    let answer = served.get("/").await;
    assert!(
        answer.contains("The newest reading is from 5\u{a0}min ago."),
        "{answer}"
    );
    assert!(
        answer.contains("22.0\u{a0}°C (middle, in shade), 5\u{a0}min ago; wanted by day 20.0 to 25.0\u{a0}°C, never below 10.0\u{a0}°C or above 28.0\u{a0}°C."),
        "{answer}"
    );
    assert!(
        answer.contains(
            "<p>19.5\u{a0}°C (wall by the door, 1.5 m up), 5\u{a0}min ago.</p>\n<p>In the last seven days: "
        ),
        "{answer}"
    );
    let health = served.get("/health").await;
    assert!(health.starts_with("HTTP/1.1 200"), "{health}");
    assert!(
        health.contains("\"status\":\"readings come in\",\"time\""),
        "{health}"
    );
    assert!(
        health.contains("\"last_received\":\"2026-03-01T07:55:00"),
        "{health}"
    );
}

/// A temperature of `mossy-1-check` that comes in at this moment.
fn show_now(served: &Served, value: f64, mark: Mark) {
    show("mossy-1", "mossy-1-check", served, value, mark);
}

fn show(place: &str, sensor: &str, served: &Served, value: f64, mark: Mark) {
    let reading = Reading {
        at_ms: NOW_MS,
        received_ms: NOW_MS,
        time_source: TimeSource::Arrival,
        enclosure: place.into(),
        sensor: sensor.into(),
        quantity: Quantity::Temperature,
        value,
        mark,
    };
    served.page.newest.show([reading].iter());
}

#[tokio::test]
async fn what_is_newer_than_the_judgement_is_too_new_and_never_denied() {
    let served = served().await;
    served.judge().await;
    show_now(&served, 34.4, Mark::Ok);
    for path in ["/", "/enclosure/mossy-1"] {
        let answer = served.get(path).await;
        assert!(
            answer.contains("34.4\u{a0}°C (middle, in shade), just now"),
            "{path}: {answer}"
        );
        let new = "Too new to judge: temperatures came only after the last seven days were judged, at 08:00.";
        assert!(answer.contains(new), "{path}: {answer}");
        for denial in ["no temperature reading came", "Nothing found"] {
            assert!(!answer.contains(denial), "{path}: {answer}");
        }
    }
}

#[tokio::test]
async fn what_cannot_be_is_told_as_what_it_is() {
    let served = served().await;
    served.judge().await;
    show_now(&served, -127.0, Mark::Impossible);
    let answer = served.get("/").await;
    assert!(answer.contains("−127.0\u{a0}°C by mossy-1-check"), "{answer}");
    assert!(answer.contains("look at both"), "{answer}");
    show("room", "room-wall", &served, 85.0, Mark::Impossible);
    let answer = served.get("/").await;
    assert!(
        answer.contains("be so: 85.0\u{a0}°C by room-wall. Many probes"),
        "{answer}"
    );
}

#[tokio::test]
async fn what_was_worse_in_the_week_stands_first() {
    let served = served_with(|site| {
        let mut second = site.enclosures[0].clone();
        second.id = "mossy-2".to_owned();
        second.label = "Second".to_owned();
        for sensor in &mut second.sensors {
            sensor.id = sensor.id.replace("mossy-1", "mossy-2");
        }
        site.enclosures.push(second);
    })
    .await;
    // Until two days ago; then they fall silent, and what is so now is not known of either.
    let readings: Vec<(&str, &str, i64, f64)> = (2 * 24 * 6..7 * 24 * 6)
        .flat_map(|step| {
            let is_hot = (500..530).contains(&step);
            [("mossy-1-check", 29.0), ("mossy-2-check", 36.0)]
                .map(|(sensor, hot)| (sensor, "temperature", step * 10, if is_hot { hot } else { 22.0 }))
        })
        .collect();
    import(&served, &readings);
    served.judge().await;
    let week = served.page.judging.look().judged.expect("judged");
    let order: Vec<(&str, &str)> = week
        .week
        .enclosures
        .iter()
        .map(|section| (section.id.as_str(), section.verdict.name()))
        .collect();
    assert_eq!(order, [("mossy-2", "look-at-this"), ("mossy-1", "look-at-this")]);
    let answer = served.get("/").await;
    let next = &week.week.enclosures[0].needs[0].next;
    assert!(
        answer.contains(&format!("<strong>Next:</strong> {}", layout::prose(next))),
        "{answer}"
    );
    let place = |id: &str| {
        answer
            .find(&format!("<h2><a href=\"/enclosure/{id}\""))
            .expect("it is listed")
    };
    assert!(place("mossy-2") < place("mossy-1"), "{answer}");
}

#[tokio::test]
async fn an_open_alert_stands_before_everything() {
    let served = served().await;
    served.page.board.set(vec![Told {
        id: "mossy-1.too-hot.1772352000".to_owned(),
        acknowledged: None,
        enclosure: Some("mossy-1".to_owned()),
        danger: Danger::TooHot,
        since_ms: NOW_MS,
        text: "Mossy: too hot <now>".to_owned(),
    }]);
    served.judge().await;
    show_now(&served, 22.4, Mark::Ok);
    for path in ["/", "/enclosure/mossy-1"] {
        let answer = served.get(path).await;
        let newest = "<p class=\"newest\">The newest reading: 22.4\u{a0}°C (middle, in shade), just now. It counts as open until two readings in a \
                      row are at least 0.5\u{a0}°C inside the limit.</p>";
        assert!(answer.contains(newest), "{path}: {answer}");
        assert!(!answer.contains("Nothing found"), "{path}");
        let alarm = answer.find("Mossy: too hot &lt;now&gt;").expect("it is shown");
        assert!(alarm < answer.find("<h1>").expect("a heading"), "{path}");
        assert!(answer.contains("act now"), "{path}");
    }
    let token = served.page.token.clone();
    let id = "mossy-1.too-hot.1772352000";
    let refused = served
        .post_to("/alerts/acknowledge", "", &format!("token=0&id={id}"))
        .await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    assert!(served.get("/").await.contains("role=\"alert\""));
    let taken = served
        .post_to(
            "/alerts/acknowledge",
            "",
            &format!("token={token}&id={id}&by=Ana+%3Cb%3E"),
        )
        .await;
    assert!(taken.starts_with("HTTP/1.1 303"), "{taken}");
    let shown = served.get("/").await;
    assert!(shown.contains("Known, and not over"), "{shown}");
    assert!(
        shown.contains("Known by Ana &lt;b&gt; since Sun 1 Mar, 08:00"),
        "{shown}"
    );
    assert!(shown.contains("act now"), "it is still dangerous: {shown}");
    assert!(!shown.contains("role=\"alert\""), "it is not cried out again");
}

#[track_caller]
fn between<'t>(text: &'t str, before: &str, after: &str) -> &'t str {
    let (_, rest) = text
        .split_once(before)
        .unwrap_or_else(|| panic!("no {before} in {text}"));
    rest.split_once(after).map_or(rest, |(found, _)| found)
}

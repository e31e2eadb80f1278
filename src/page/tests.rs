//! The page from outside: over TCP, as a browser would ask.

use std::path::Path;
use std::sync::Arc;

use mosswarden_collector::{Counts, Newest, journal};
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
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

async fn served() -> Served {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let site = site(dir.path());
    let page = Page::new(
        site.clone(),
        Arc::new(Counts::new(&site)),
        Arc::new(Newest::default()),
        Arc::new(Board::default()),
        || NOW_MS,
    );
    let page = Arc::new(page.expect("random numbers"));
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
    let address = listener.local_addr().expect("it is bound");
    let router = router(Arc::clone(&page));
    tokio::spawn(async move { axum::serve(listener, router).await });
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
        self.ask(&format!(
            "POST /journal HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        ))
        .await
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
        for path in ["/", "/enclosure/mossy-1", "/findings", "/reports", "/journal"] {
            let answer = served.get(path).await;
            assert!(answer.starts_with("HTTP/1.1 200 OK\r\n"), "{path}: {answer}");
            let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
            for header in [
                "content-security-policy: default-src 'none'; style-src 'nonce-",
                "x-content-type-options: nosniff",
                "referrer-policy: no-referrer",
                "frame-ancestors 'none'",
                "cache-control: no-store",
            ] {
                assert!(head.contains(header), "{path} lacks {header}: {head}");
            }
            assert!(!body.contains("<script"), "{path}");
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
    assert!(answer.contains("<h1>It is not known.</h1>"), "{answer}");
    assert!(
        answer.contains("No temperature in the last twelve weeks."),
        "{answer}"
    );
    assert!(answer.contains("No reading has come yet."), "{answer}");
    let health = served.get("/health").await;
    assert!(health.starts_with("HTTP/1.1 503"), "{health}");
    assert!(health.contains("\"last_received\":null"), "{health}");
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
    for path in ["/", "/enclosure/mossy-1"] {
        let answer = served.get(path).await;
        let alarm = answer.find("Mossy: too hot &lt;now&gt;").expect("it is shown");
        assert!(alarm < answer.find("<h1>").expect("a heading"), "{path}");
        assert!(answer.contains("act now"), "{path}");
    }
}

#[tokio::test]
async fn the_journal_takes_an_entry_with_the_token_and_none_without() {
    let served = served().await;
    let token = served.page.token.clone();
    let entry = "enclosure=mossy-1&kind=ate&text=two+%3Ccrickets%3E&at=2026-03-01T07%3A30&by=Ana";
    let refused = served.post(entry).await;
    assert!(refused.starts_with("HTTP/1.1 403"), "{refused}");
    assert!(
        refused.contains("two &lt;crickets&gt;"),
        "what was written is given back: {refused}"
    );
    let wrong = served.post(&format!("token={}&{entry}", "0".repeat(32))).await;
    assert!(wrong.starts_with("HTTP/1.1 403"), "{wrong}");
    assert!(served.journal().is_empty());

    let taken = served.post(&format!("token={token}&{entry}")).await;
    assert!(taken.starts_with("HTTP/1.1 303"), "{taken}");
    assert_eq!(
        served.journal(),
        [Entry {
            at_ms: NOW_MS - 30 * 60_000,
            written_ms: NOW_MS,
            enclosure: "mossy-1".to_owned(),
            kind: "ate".to_owned(),
            subject: None,
            text: "two <crickets>".to_owned(),
            by: Some("Ana".to_owned()),
        }]
    );
    let shown = served.get("/journal?noted=1").await;
    assert!(
        shown.contains(
            "Sun 1 Mar, 07:30: Mossy &lt;b&gt;&amp;&lt;/b&gt; frogs, <em>ate</em>: two &lt;crickets&gt; — Ana"
        ),
        "{shown}"
    );

    for wrong in [
        "enclosure=mossy-2&kind=ate",
        "enclosure=mossy-1&kind=eaten",
        "enclosure=mossy-1&kind=note&at=2026-03-02T08:00",
        "enclosure=mossy-1&kind=note&at=soon",
        "enclosure=mossy-1&kind=note&subject=nothing",
    ] {
        let refused = served.post(&format!("token={token}&{wrong}")).await;
        assert!(refused.starts_with("HTTP/1.1 422"), "{wrong}: {refused}");
    }
    assert_eq!(served.journal().len(), 1);
}

#[tokio::test]
async fn another_name_is_not_answered_and_unknown_places_are_not_here() {
    let served = served().await;
    let foreign = served
        .ask("GET / HTTP/1.1\r\nHost: example.org\r\nConnection: close\r\n\r\n")
        .await;
    assert!(foreign.starts_with("HTTP/1.1 421"), "{foreign}");
    assert!(!foreign.contains("Harbour"), "{foreign}");
    for path in [
        "/nothing",
        "/enclosure/mossy-2",
        "/reports/..%2Fsite.toml",
        "/reports/none.html",
    ] {
        let answer = served.get(path).await;
        assert!(answer.starts_with("HTTP/1.1 404"), "{path}: {answer}");
    }
}

#[tokio::test]
async fn reports_are_listed_and_sent_without_script() {
    let served = served().await;
    let dir = mosswarden_config::table::reports_dir(&served.page.site.data_dir);
    fs_err::create_dir_all(&dir).expect("room");
    fs_err::write(dir.join("report-2026-W08.html"), "<p>old</p>").expect("room");
    fs_err::write(dir.join("report-2026-W09.html"), "<p>new</p>").expect("room");
    let list = served.get("/reports").await;
    let place = |name: &str| list.find(name).expect("it is listed");
    assert!(place("report-2026-W09.html") < place("report-2026-W08.html"));
    let file = served.get("/reports/report-2026-W09.html").await;
    assert!(file.ends_with("<p>new</p>"), "{file}");
    assert!(file.contains("sandbox"), "{file}");
}

#[tokio::test]
async fn metrics_are_open_metrics() {
    let served = served().await;
    let answer = served.get("/metrics").await;
    let (head, body) = answer.split_once("\r\n\r\n").expect("a head and a body");
    assert!(
        head.contains("application/openmetrics-text; version=1.0.0"),
        "{head}"
    );
    assert!(
        body.contains("# TYPE mosswarden_readings_stored counter\n"),
        "{body}"
    );
    assert!(
        body.contains("\nmosswarden_sensor_readings_total{sensor=\"mossy-1-stat\"} 0\n"),
        "{body}"
    );
    let feed = "{sensor=\"mossy-1-stat\",topic=\"nature-room/mossy-1/stat\"} 0\n";
    for name in ["messages_received", "readings_stored", "messages_refused", "redelivered", "readings_late"] {
        let line = format!("\nmosswarden_feed_{name}_total{feed}");
        assert!(body.contains(&line), "{line} is not in {body}");
    }
    assert!(body.ends_with("# EOF\n"), "{body}");
}

#[test]
fn only_loopback_is_listened_on() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut site = site(dir.path());
    let mut check = |listen: &str| {
        site.page.listen = Some(listen.to_owned());
        address(&site)
    };
    assert!(matches!(check("127.0.0.1:8460"), Ok(Some(_))));
    assert!(matches!(check("[::1]:8460"), Ok(Some(_))));
    for refused in ["0.0.0.0:8460", "192.0.2.7:8460", "[::]:8460"] {
        let Err(Failure::Usage { message, hint }) = check(refused) else {
            panic!("{refused} was accepted");
        };
        assert!(message.contains(refused), "{message}");
        assert!(hint.is_some_and(|hint| hint.contains("127.0.0.1:8460")));
    }
    assert!(check("nowhere").is_err());
    site.page.listen = None;
    assert!(matches!(address(&site), Ok(None)));
}

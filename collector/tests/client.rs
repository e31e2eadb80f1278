//! The way in as a client: against this program's own listener, against a broker that is old, and, where it is installed, mosquitto.

mod support;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use mosswarden_collector::{CollectError, Counts, OwnMessage, Part, RunOptions, Snapshot, Summary, run};
use mosswarden_config::site::Site;
use rumqttc::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, QoS, TlsConfiguration, Transport};
use support::{SITE, until};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::timeout;

const DEADLINE: Duration = Duration::from_secs(30);

struct Collector {
    address: Option<SocketAddr>,
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<Summary, CollectError>>,
    counts: Arc<Counts>,
    say: mpsc::Sender<OwnMessage>,
}

fn certificate(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/certificates")
        .join(name)
}

impl Collector {
    async fn start(home: &Path, broker: &str) -> Collector {
        Collector::start_on(home, broker, 0).await
    }

    async fn start_on(home: &Path, broker: &str, port: u16) -> Collector {
        let source = SITE
            .replace("url = \"builtin\"", broker)
            .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"));
        let site = Site::from_source(&home.join("site.toml"), &source).expect("a good site file");
        let (stop, stopped) = oneshot::channel::<()>();
        let (on_ready, ready) = oneshot::channel();
        let (say, outgoing) = mpsc::channel(10);
        let counts = Arc::new(Counts::new(&site));
        let options = RunOptions {
            on_ready: Some(on_ready),
            counts: Some(Arc::clone(&counts)),
            outgoing: Some(outgoing),
            ..RunOptions::default()
        };
        let task = tokio::spawn(run(site, options, async {
            let _dropped = stopped.await;
        }));
        Collector {
            address: timeout(DEADLINE, ready).await.expect("in time").ok().flatten(),
            stop,
            task,
            counts,
            say,
        }
    }

    async fn until(&self, what: &str, is_so: impl Fn(&Snapshot) -> bool) -> Snapshot {
        until(&self.counts, what, is_so).await
    }

    async fn stop(self) -> Summary {
        drop(self.stop);
        timeout(DEADLINE, self.task)
            .await
            .expect("in time")
            .expect("no panic")
            .expect("an orderly end")
    }
}

async fn publish_all(client: &AsyncClient, events: &mut EventLoop, messages: &[(&str, bool, &str)]) {
    for (topic, retain, payload) in messages {
        client
            .publish(*topic, QoS::AtLeastOnce, *retain, *payload)
            .await
            .expect("queued");
    }
    let mut left = messages.len();
    while left > 0 {
        if let Event::Incoming(Incoming::PubAck(_)) = timeout(DEADLINE, events.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            left -= 1;
        }
    }
}

#[tokio::test]
async fn a_retained_message_is_no_fresh_reading_unless_it_bears_its_time() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let broker = Collector::start(broker_home.path(), "url = \"builtin\"").await;
    let address = broker.address.expect("built in");
    let (client, mut events) = AsyncClient::new(MqttOptions::new("device", "127.0.0.1", address.port()), 100);
    let old = [
        ("nature-room/mossy-1/low/humidity", true, "71.5"),
        (
            "nature-room/mossy-1/stat",
            true,
            r#"{"humidity": 81.2, "temperature": 22, "at": "2026-03-01T08:00:00Z"}"#,
        ),
    ];
    publish_all(&client, &mut events, &old).await;
    let collector = Collector::start(
        home.path(),
        &format!("url = \"mqtt://127.0.0.1:{}\"", address.port()),
    )
    .await;
    collector
        .until("both retained come", |counts| counts.received == 2)
        .await;
    publish_all(
        &client,
        &mut events,
        &[("nature-room/mossy-1/low/humidity", false, "72.5")],
    )
    .await;
    let counts = collector
        .until("the fresh one comes", |counts| counts.stored == 2)
        .await;
    // The temperature of the second has no `time_pointer` in the site file: nobody knows how old it is.
    assert_eq!((counts.retained, counts.received, counts.refused), (1, 3, 0));
    collector.stop().await;
    broker.stop().await;
    assert_eq!(
        support::values(home.path()).into_iter().collect::<Vec<_>>(),
        [(72, 1), (81, 1)]
    );
}

#[tokio::test]
async fn own_messages_reach_the_brokers_subscribers() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let broker = Collector::start(broker_home.path(), "url = \"builtin\"").await;
    let port = broker.address.expect("built in").port();
    let (client, mut events) = AsyncClient::new(MqttOptions::new("keeper", "127.0.0.1", port), 100);
    client
        .subscribe("nature-room/alerts", QoS::AtLeastOnce)
        .await
        .expect("queued");
    while !matches!(
        events.poll().await.expect("connected"),
        Event::Incoming(Incoming::SubAck(_))
    ) {}
    let collector = Collector::start(home.path(), &format!("url = \"mqtt://127.0.0.1:{port}\"")).await;
    collector.until("it connects", |counts| counts.is_connected).await;
    for (who, text) in [(&collector, "from the client"), (&broker, "from the listener")] {
        let own = OwnMessage {
            topic: "nature-room/alerts".to_owned(),
            payload: text.into(),
            retain: false,
        };
        who.say.send(own).await.expect("it runs");
        let heard = loop {
            if let Event::Incoming(Incoming::Publish(publish)) = timeout(DEADLINE, events.poll())
                .await
                .expect("in time")
                .expect("connected")
            {
                break publish;
            }
        };
        assert_eq!(heard.payload, text.as_bytes());
    }
    collector.stop().await;
    broker.stop().await;
}

#[tokio::test]
async fn tls_is_spoken_both_ways_and_a_stranger_is_not_trusted() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let secrets = format!(
        "url = \"builtin\"\ncertificate_file = \"{}\"\nkey_file = \"{}\"",
        certificate("server.pem").display(),
        certificate("server.key").display()
    );
    let broker = Collector::start(broker_home.path(), &secrets).await;
    let port = broker.address.expect("built in").port();
    let with_ca = |name: &str| {
        format!(
            "url = \"mqtts://localhost:{port}\"\nca_file = \"{}\"",
            certificate(name).display()
        )
    };

    let stranger = Collector::start(home.path(), &with_ca("other-ca.pem")).await;
    let counts = stranger
        .until("it says why", |counts| !counts.trouble.is_empty())
        .await;
    assert_eq!(counts.trouble[0].0, Part::Broker);
    assert!(
        counts.trouble[0].1.contains("certificate"),
        "{:?}",
        counts.trouble
    );
    assert!(!counts.is_connected);
    stranger.stop().await;

    let collector = Collector::start(home.path(), &with_ca("ca.pem")).await;
    collector.until("it connects", |counts| counts.is_connected).await;
    let mut options = MqttOptions::new("device", "localhost", port);
    let mut roots = rustls::RootCertStore::empty();
    let pem = fs_err::read(certificate("ca.pem")).expect("a file");
    roots.add_parsable_certificates(rustls_pemfile::certs(&mut &*pem).map(|c| c.expect("a certificate")));
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(
        config,
    ))));
    let (client, mut events) = AsyncClient::new(options, 10);
    publish_all(
        &client,
        &mut events,
        &[("nature-room/room-wall", false, "{\"t\": 20.5}")],
    )
    .await;
    collector
        .until("it comes through", |counts| counts.stored == 1)
        .await;
    collector.stop().await;
    broker.stop().await;
}

/// A broker of MQTT 3.1.1 only: refuses level 5, or hangs up on it; then serves one message at QoS 1.
async fn old_broker(listener: TcpListener, hangs_up: bool) {
    loop {
        let (mut stream, _) = listener.accept().await.expect("a connection");
        let mut packet = vec![0; 4096];
        let mut read = stream.read(&mut packet).await.expect("CONNECT");
        let level = packet[..read]
            .windows(4)
            .position(|w| w == b"MQTT")
            .map(|at| packet[at + 4])
            .expect("MQTT");
        if level == 5 {
            if !hangs_up {
                stream.write_all(&[0x20, 2, 0, 1]).await.expect("written");
            }
            continue;
        }
        stream.write_all(&[0x20, 2, 0, 0]).await.expect("written");
        while packet[0] != 0x82 {
            read = stream.read(&mut packet).await.expect("SUBSCRIBE");
        }
        let filters = packet[..read]
            .windows(11)
            .filter(|w| *w == b"nature-room")
            .count();
        let mut answer = vec![0x90, (2 + filters) as u8, packet[2], packet[3]];
        answer.resize(4 + filters, 1);
        stream.write_all(&answer).await.expect("written");
        stream
            .write_all(b"\x32\x22\x00\x15nature-room/room-wall\x00\x07{\"t\": 21}")
            .await
            .expect("written");
        let mut ack = [0; 4];
        stream.read_exact(&mut ack).await.expect("PUBACK");
        assert_eq!(ack, [0x40, 2, 0, 7]);
        // Waits for the goodbye.
        let _end = stream.read_to_end(&mut Vec::new()).await;
        return;
    }
}

#[tokio::test]
async fn an_old_broker_is_served_in_its_version() {
    for hangs_up in [false, true] {
        let home = tempfile::tempdir().expect("a temporary folder");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let url = format!(
            "url = \"mqtt://127.0.0.1:{}\"",
            listener.local_addr().expect("an address").port()
        );
        let broker = tokio::spawn(old_broker(listener, hangs_up));
        let collector = Collector::start(home.path(), &url).await;
        collector
            .until("the message comes", |counts| counts.stored == 1)
            .await;
        collector.stop().await;
        timeout(DEADLINE, broker)
            .await
            .expect("in time")
            .expect("it was acknowledged");
    }
}

#[tokio::test]
async fn a_broker_that_is_not_there_is_told_and_waited_for() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let port = support::free_port();
    let collector = Collector::start(home.path(), &format!("url = \"mqtt://127.0.0.1:{port}\"")).await;
    let counts = collector
        .until("it says so", |counts| !counts.trouble.is_empty())
        .await;
    assert!(
        counts.trouble[0].1.contains("can't be reached"),
        "{:?}",
        counts.trouble
    );
    let broker = Collector::start_on(broker_home.path(), "url = \"builtin\"", port).await;
    collector
        .until("it finds the broker", |counts| {
            counts.is_connected && counts.trouble.is_empty()
        })
        .await;
    let (client, mut events) = AsyncClient::new(MqttOptions::new("device", "127.0.0.1", port), 100);
    // The subscription may still be on its way when the first is published.
    while collector.counts.snapshot().stored == 0 {
        publish_all(
            &client,
            &mut events,
            &[("nature-room/room-wall", false, "{\"t\": 20.5}")],
        )
        .await;
    }
    collector.stop().await;
    broker.stop().await;
}

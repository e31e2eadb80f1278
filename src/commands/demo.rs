//! `demo`: the whole job on this machine with invented data, over real MQTT.
//!
//! A simulated room's devices connect to the collector's own listener, send four weeks of history as fast as it goes, and the
//! collector stores them like any others. Then findings and the report, and on it goes live.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::Days;
use indicatif::ProgressBar;
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::simulate::{self, Message, Simulation, messages, scenario};
use mosswarden_collector::{Counts, Newest, RunOptions};
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};
use rumqttc::{AsyncClient, Event, MqttOptions, Outgoing, Packet, QoS};
use tokio::sync::oneshot;

use super::import::bar;
use super::{flags, judge, now_ms, report};
use crate::alerts::Board;
use crate::cli::Demo;
use crate::commands::collect::{runtime, stop_signal};
use crate::page::{self, Page};
use crate::reporter::{Failure, Outcome};

/// How many devices' connections the history comes through.
const CONNECTIONS: usize = 5;
/// Messages that one connection has under way.
const IN_FLIGHT: u16 = 200;
/// The collector has this long to store what was acknowledged.
const STORE_TIMEOUT: Duration = Duration::from_secs(60);

pub(crate) fn run(demo: Demo) -> Result<Outcome, Failure> {
    let started = Instant::now();
    let folder = new_folder(demo.folder)?;
    eprintln!(
        "Invented data: the Harbour Street nature room, simulated, in {}",
        folder.display()
    );
    let now = now_ms();
    // Simulated until the day after tomorrow: what lies ahead is sent live, when it is due.
    let until = chrono::DateTime::from_timestamp_millis(now)
        .unwrap_or_default()
        .date_naive()
        + Days::new(2);
    let simulation = simulate::run(&scenario::demo(demo.seed, until));
    let site = write_site(&folder, &simulation, now)?;
    runtime()?.block_on(show(site, simulation, now, demo.once, started))?;
    Ok(Outcome::Done)
}

/// A folder that is not there yet: nothing is overwritten.
fn new_folder(asked: Option<PathBuf>) -> Result<PathBuf, Failure> {
    let folder = match asked {
        Some(folder) if folder.exists() => {
            return Err(Failure::usage(
                format!("{} exists already", folder.display()),
                "name a new folder with --folder",
            ));
        }
        Some(folder) => folder,
        None => (1..)
            .map(|number| {
                PathBuf::from(if number == 1 {
                    "mosswarden-demo".to_owned()
                } else {
                    format!("mosswarden-demo-{number}")
                })
            })
            .find(|folder| !folder.exists())
            .unwrap_or_default(),
    };
    fs_err::create_dir_all(&folder).map_err(Failure::failed("could not make the demo's folder"))?;
    Ok(folder)
}

fn write_site(folder: &Path, simulation: &Simulation, now: i64) -> Result<Site, Failure> {
    let file = folder.join("site.toml");
    fs_err::write(&file, &simulation.site_toml)
        .map_err(Failure::failed("could not write the demo's site file"))?;
    let site = Site::load(&file).map_err(Failure::Site)?;
    for row in simulation.journal.iter().filter(|row| row.at_ms < now) {
        mosswarden_collector::journal::append(&site.data_dir, &row.entry())
            .map_err(Failure::failed("could not write the journal"))?;
    }
    Ok(site)
}

async fn show(
    site: Site,
    simulation: Simulation,
    now: i64,
    once: bool,
    started: Instant,
) -> Result<(), Failure> {
    let counts = Arc::new(Counts::new(&site));
    let newest = Arc::new(Newest::default());
    let (on_ready, ready) = oneshot::channel();
    let (stop, stopped) = oneshot::channel::<()>();
    let options = RunOptions {
        listen_override: Some("127.0.0.1:0".to_owned()),
        on_ready: Some(on_ready),
        counts: Some(Arc::clone(&counts)),
        newest: Some(Arc::clone(&newest)),
        ..RunOptions::default()
    };
    let collector = tokio::spawn(mosswarden_collector::run(site.clone(), options, async {
        // A dropped sender ends the collector as well.
        let _asked = stopped.await;
    }));
    let Ok(Some(address)) = ready.await else {
        return Err(collector_failure(collector.await));
    };

    let (history, ahead): (Vec<Message>, Vec<Message>) =
        messages(&simulation).partition(|message| message.at_ms <= now);
    let progress = bar("messages");
    progress.set_length(history.len() as u64);
    progress.set_message(format!("MQTT to {address}"));
    let sent = history.len() as u64;
    send_history(address.port(), history, &progress).await?;
    wait_until_stored(&counts, sent).await?;
    progress.finish_and_clear();
    let stored = counts.snapshot();
    println!(
        "{sent} MQTT messages sent at QoS 1, {} readings stored, {} refused, {} repeats, in {:.0} s",
        stored.stored,
        stored.refused,
        stored.duplicate,
        started.elapsed().as_secs_f64()
    );

    let month = Span {
        from_ms: simulation.truth.from.0,
        until_ms: now,
    };
    let week = Span {
        from_ms: now - 7 * MS_PER_24_H,
        until_ms: now,
    };
    let folder = mosswarden_config::table::reports_dir(&site.data_dir);
    let name = report::span_name(&site, week);
    let (_, assessment) = judge(&site, month, Kept::Nothing)?;
    println!("\n{}\n", flags::text(&site, month, &assessment));
    let (_, files) = report::write(&site, week, &folder, &name, false)?;
    println!("The last seven days' report: {}", files[0].display());
    println!(
        "All of it is invented data. {:.0} s in all.",
        started.elapsed().as_secs_f64()
    );

    if !once {
        eprintln!(
            "Going on live on {address} until Ctrl-C; look again with: mosswarden flags --site {}",
            site.file.display()
        );
        let (shown, page) = open_page(&site, counts, newest).await?;
        name_ports(&site.file, address, page)?;
        tokio::select! {
            result = send_live(address.port(), ahead) => result?,
            () = stop_signal() => {}
        }
        shown.abort();
    }
    let _gone = stop.send(());
    collector
        .await
        .map_err(Failure::failed("the collector broke off"))?
        .map_err(Failure::failed("could not collect"))?;
    Ok(())
}

/// Writes into the site file where the demo listens, so that `check` and whoever reads it look there.
fn name_ports(file: &Path, way_in: SocketAddr, page: SocketAddr) -> Result<(), Failure> {
    fs_err::read_to_string(file)
        .and_then(|source| fs_err::write(file, with_ports(&source, way_in, page)))
        .map_err(Failure::failed(
            "could not write the demo's ports into its site file",
        ))
}

/// A simulated site file with other addresses: it has one `listen`, that of the way in, and no page.
fn with_ports(source: &str, way_in: SocketAddr, page: SocketAddr) -> String {
    let lines = source.lines().map(|line| match line.starts_with("listen = ") {
        true => format!("listen = \"{way_in}\"\n\n[page]\nlisten = \"{page}\"\n"),
        false => format!("{line}\n"),
    });
    lines.collect()
}

/// The page on a free port of this machine.
async fn open_page(
    site: &Site,
    counts: Arc<Counts>,
    newest: Arc<Newest>,
) -> Result<(tokio::task::JoinHandle<()>, SocketAddr), Failure> {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0")
        .await
        .map_err(Failure::failed("could not open the page"))?;
    let address = listener
        .local_addr()
        .map_err(Failure::failed("could not open the page"))?;
    let page = Page::new(site.clone(), counts, newest, Arc::new(Board::default()), now_ms)
        .map_err(Failure::failed("could not open the page"))?;
    eprintln!("Its page: http://{address}/");
    Ok((tokio::spawn(page::serve(listener, Arc::new(page))), address))
}

fn collector_failure(
    ended: Result<
        Result<mosswarden_collector::Summary, mosswarden_collector::CollectError>,
        tokio::task::JoinError,
    >,
) -> Failure {
    match ended {
        Ok(Err(error)) => Failure::failed("could not collect")(error),
        Err(error) => Failure::failed("the collector broke off")(error),
        Ok(Ok(_)) => Failure::usage(
            "the collector ended before devices could connect",
            "run the demo again",
        ),
    }
}

fn client(port: u16, name: &str) -> (AsyncClient, rumqttc::EventLoop) {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_inflight(IN_FLIGHT);
    options.set_clean_session(true);
    AsyncClient::new(options, usize::from(IN_FLIGHT))
}

/// Sends messages through several connections; a topic stays on one, so that its order holds.
async fn send_history(port: u16, messages: Vec<Message>, progress: &ProgressBar) -> Result<(), Failure> {
    let mut lanes: Vec<Vec<Message>> = vec![Vec::new(); CONNECTIONS];
    for message in messages {
        let lane = message.topic.bytes().map(usize::from).sum::<usize>() % CONNECTIONS;
        lanes[lane].push(message);
    }
    let mut tasks = tokio::task::JoinSet::new();
    for (number, lane) in lanes.into_iter().enumerate() {
        tasks.spawn(send(port, number, lane, progress.clone()));
    }
    while let Some(ended) = tasks.join_next().await {
        ended.map_err(Failure::failed("a simulated device broke off"))??;
    }
    Ok(())
}

async fn send(port: u16, number: usize, lane: Vec<Message>, progress: ProgressBar) -> Result<(), Failure> {
    let (client, mut events) = client(port, &format!("demo-devices-{number}"));
    let expected = lane.len();
    let publisher = tokio::spawn(async move {
        for message in lane {
            client
                .publish(message.topic, QoS::AtLeastOnce, false, message.payload)
                .await?;
        }
        Ok::<AsyncClient, rumqttc::ClientError>(client)
    });
    let mut acknowledged = 0;
    while acknowledged < expected {
        let event = events
            .poll()
            .await
            .map_err(Failure::failed("a simulated device lost its connection"))?;
        if matches!(event, Event::Incoming(Packet::PubAck(_))) {
            acknowledged += 1;
            progress.inc(1);
        }
    }
    let client = publisher
        .await
        .map_err(Failure::failed("a simulated device broke off"))?
        .map_err(Failure::failed("a simulated device could not send"))?;
    client
        .disconnect()
        .await
        .map_err(Failure::failed("a simulated device could not leave"))?;
    while let Ok(event) = events.poll().await {
        if matches!(event, Event::Outgoing(Outgoing::Disconnect)) {
            break;
        }
    }
    Ok(())
}

/// An acknowledged message is durable; the counters follow at once.
async fn wait_until_stored(counts: &Counts, sent: u64) -> Result<(), Failure> {
    let deadline = Instant::now() + STORE_TIMEOUT;
    while counts.snapshot().received < sent {
        if Instant::now() > deadline {
            let received = counts.snapshot().received;
            return Err(Failure::usage(
                format!("only {received} of {sent} messages arrived"),
                "run the demo again with -v",
            ));
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    Ok(())
}

/// Sends each message when it is due.
async fn send_live(port: u16, ahead: Vec<Message>) -> Result<(), Failure> {
    let (client, mut events) = client(port, "demo-devices-live");
    let publisher = tokio::spawn(async move {
        for message in ahead {
            let wait_ms = u64::try_from(message.at_ms - now_ms()).unwrap_or(0);
            tokio::time::sleep(Duration::from_millis(wait_ms)).await;
            client
                .publish(message.topic, QoS::AtLeastOnce, false, message.payload)
                .await?;
        }
        Ok::<(), rumqttc::ClientError>(())
    });
    loop {
        tokio::select! {
            event = events.poll() => {
                event.map_err(Failure::failed("a simulated device lost its connection"))?;
            }
            () = tokio::time::sleep(Duration::from_secs(5)), if publisher.is_finished() => return Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sites_file_names_the_ports_that_the_demo_took() {
        let until = chrono::NaiveDate::from_ymd_opt(2026, 5, 20).expect("a date");
        let source = simulate::run(&scenario::demo(1, until)).site_toml;
        let address = |port| SocketAddr::from(([127, 0, 0, 1], port));
        let named = with_ports(&source, address(40_001), address(40_002));
        let site = Site::from_source(Path::new("site.toml"), &named).expect("it is sound");
        assert_eq!(site.page.listen.as_deref(), Some("127.0.0.1:40002"));
        assert!(named.contains("listen = \"127.0.0.1:40001\""), "{named}");
        assert_eq!(named.matches("listen =").count(), 2);
    }
}

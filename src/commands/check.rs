//! `check`: are the site file, the way in, the folder and the clock fit? Changes nothing.

use std::net::{TcpStream, ToSocketAddrs as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use mosswarden_analysis::load;
use mosswarden_analysis::words;
use mosswarden_collector::kept_counts;
use mosswarden_config::site::{Site, Way};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::alerts::{self, Way as WayOut};
use crate::commands::{now_ms, open_site};
use crate::reporter::{Failure, Outcome};

/// A broker that does not answer in this time is not there.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// A clock before this was never set: 1 January 2025.
const CLOCK_SET_MS: i64 = 1_735_689_600_000;

pub(crate) fn run(given: Option<PathBuf>) -> Result<Outcome, Failure> {
    let site = open_site(given)?;
    let mut trouble = 0;
    let mut tell = |fit: bool, text: String| {
        trouble += usize::from(!fit);
        println!("{} {text}", if fit { "fit:     " } else { "look at: " });
    };
    let sensors = site.enclosures.iter().map(|e| e.sensors.len()).sum::<usize>() + site.room_sensors.len();
    tell(
        true,
        format!(
            "site file {}: {} enclosures, {sensors} sensors",
            site.file.display(),
            site.enclosures.len()
        ),
    );
    for warning in &site.warnings {
        tell(false, warning.to_string());
    }
    tell(
        now_ms() > CLOCK_SET_MS,
        format!(
            "clock: {} in {}",
            words::instant(site.zone, now_ms()),
            site.zone.name()
        ),
    );
    way_in(&site, &mut tell);
    folder(&site.data_dir, &mut tell);
    secrets(&site, &mut tell);
    ways_out(&site, &mut tell)?;
    came_in(&site, &mut tell);
    last_readings(&site, &mut tell)?;
    Ok(if trouble == 0 {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}

fn way_in(site: &Site, tell: &mut impl FnMut(bool, String)) {
    match &site.broker.way {
        Way::Builtin { listen } => {
            let loopback =
                listen.starts_with("127.") || listen.starts_with("localhost") || listen.starts_with("[::1]");
            let guarded = site.broker.username.is_some() && site.broker.password_file.is_some();
            if loopback || guarded {
                tell(true, format!("way in: built in, devices connect to {listen}"));
            } else {
                tell(
                    false,
                    format!(
                        "way in: {listen} is open to the network without a password; set username and password_file in [broker]"
                    ),
                );
            }
        }
        Way::Client { host, port, .. } => {
            let reached = (host.as_str(), *port)
                .to_socket_addrs()
                .ok()
                .and_then(|mut addresses| addresses.next())
                .is_some_and(|address| TcpStream::connect_timeout(&address, CONNECT_TIMEOUT).is_ok());
            if reached {
                tell(true, format!("way in: the broker {host}:{port} answers"));
                tell(
                    true,
                    "remember: readings sent at QoS 0 can be lost on the way to a broker, and a broker keeps them only as \
                     well as it was told to (persistence on, a long queue); README, \"Your own broker\""
                        .to_owned(),
                );
            } else {
                tell(
                    false,
                    format!(
                        "way in: nothing answers at {host}:{port}; start the broker or correct `url` in [broker]"
                    ),
                );
            }
        }
    }
}

fn folder(data_dir: &Path, tell: &mut impl FnMut(bool, String)) {
    let name = data_dir.display();
    match fs_err::metadata(data_dir) {
        Ok(found) if !found.is_dir() => tell(false, format!("data folder: {name} is not a folder")),
        Ok(found) if found.permissions().readonly() => {
            tell(
                false,
                format!("data folder: {name} is read-only; give this user the right to write"),
            );
        }
        Ok(_) => tell(true, format!("data folder: {name}")),
        Err(_) => tell(
            true,
            format!("data folder: {name} will be made at the first start"),
        ),
    }
}

fn secrets(site: &Site, tell: &mut impl FnMut(bool, String)) {
    use std::os::unix::fs::PermissionsExt as _;
    /// Bits with which others than the owner can read or write.
    const OTHERS: u32 = 0o077;
    let alerts = &site.alerts;
    let login = alerts.email.as_ref().and_then(|email| email.smtp.login.as_ref());
    let files = [
        site.broker.password_file.as_ref(),
        site.broker.tls.as_ref().map(|tls| &tls.key_file),
        site.page.access_file.as_ref(),
        alerts
            .webhook
            .as_ref()
            .and_then(|webhook| webhook.secret_file.as_ref()),
        login.map(|login| &login.password_file),
    ];
    for file in files.into_iter().flatten() {
        match fs_err::metadata(file) {
            Ok(found) if found.permissions().mode() & OTHERS != 0 => {
                tell(
                    false,
                    format!(
                        "{} can be read by others; run chmod 600 {}",
                        file.display(),
                        file.display()
                    ),
                );
            }
            Ok(_) => {}
            Err(_) => tell(
                false,
                format!("{} is named in the site file and is not there", file.display()),
            ),
        }
    }
}

/// Whether alerts get out, as the running collector noted it.
fn ways_out(site: &Site, tell: &mut impl FnMut(bool, String)) -> Result<(), Failure> {
    let past = alerts::read(&site.data_dir).map_err(Failure::failed("could not read what was told"))?;
    for way in WayOut::all(site) {
        if let WayOut::Webhook(webhook) = &way {
            let is_open = webhook.url.starts_with("http://");
            tell(
                webhook.secret_file.is_some() && !(is_open && !leads_here(&webhook.url)),
                format!(
                    "webhook: {}, {}",
                    if is_open { "in the clear" } else { "over TLS" },
                    if webhook.secret_file.is_some() {
                        "signed"
                    } else {
                        "not signed: its receiver can't know who sends; name a webhook_secret_file"
                    }
                ),
            );
        }
        let way = way.as_noted(&past);
        match alerts::trouble(&way, |at_ms| words::instant(site.zone, at_ms)) {
            Some(trouble) => tell(false, trouble),
            None => tell(
                true,
                match way.standing.last_sent_ms {
                    Some(at_ms) => format!(
                        "alerts by {} to {}: last sent on {}",
                        way.name,
                        way.to,
                        words::instant(site.zone, at_ms)
                    ),
                    None => format!(
                        "alerts by {} to {}: nothing sent yet; try it with: mosswarden alerts --test",
                        way.name, way.to
                    ),
                },
            ),
        }
    }
    Ok(())
}

fn leads_here(url: &str) -> bool {
    ["http://127.", "http://localhost", "http://[::1]"]
        .iter()
        .any(|here| url.starts_with(here))
}

/// What the collector counted, in all and by feed, as far as it says so.
fn came_in(site: &Site, tell: &mut impl FnMut(bool, String)) {
    /// Feeds of which more than this share of messages is refused are worth a look (our choice).
    const REFUSED_SHARE: f64 = 0.01;
    /// Feeds told one by one.
    const FEEDS_TOLD: usize = 10;
    let Some(counts) = kept_counts(&site.data_dir) else {
        return tell(true, "came in: no collector has counted here yet".to_owned());
    };
    tell(
        true,
        format!(
            "came in from {} to {}: {} messages, {} readings stored, {} refused, {} repeats, {} late, {} on topics of nobody",
            words::instant(site.zone, counts.since_ms),
            words::instant(site.zone, counts.written_ms),
            counts.received,
            counts.stored,
            counts.refused,
            counts.duplicate,
            counts.late,
            counts.unknown_topic
        ),
    );
    for (part, text) in &counts.trouble {
        tell(false, format!("{part}: {text}"));
    }
    let mut feeds: Vec<_> = counts
        .feeds
        .iter()
        .filter(|feed| feed.refused + feed.duplicate + feed.late > 0)
        .collect();
    feeds.sort_by_key(|feed| std::cmp::Reverse((feed.refused, feed.late, feed.duplicate)));
    for feed in feeds.into_iter().take(FEEDS_TOLD) {
        tell(
            feed.refused as f64 <= REFUSED_SHARE * feed.received as f64,
            format!(
                "{} ({}): {} messages, {} readings stored, {} refused, {} repeats, {} late",
                feed.topic, feed.sensor, feed.received, feed.stored, feed.refused, feed.duplicate, feed.late
            ),
        );
    }
}

/// How long ago each sensor was last heard, within the last week.
fn last_readings(site: &Site, tell: &mut impl FnMut(bool, String)) -> Result<(), Failure> {
    /// A sensor that said nothing for this long is worth a look.
    const SILENT_H: f64 = 6.0;
    let now = now_ms();
    let span = Span {
        from_ms: now - 7 * MS_PER_24_H,
        until_ms: now + MS_PER_24_H,
    };
    let tail = mosswarden_collector::tail(&site.data_dir, site)
        .map_err(Failure::failed("could not read the spool"))?;
    let record = load::load(&site.data_dir, span, None, &tail, Vec::new())
        .map_err(Failure::failed("could not read the archive"))?;
    let sensors = site
        .room_sensors
        .iter()
        .chain(site.enclosures.iter().flat_map(|e| &e.sensors));
    for sensor in sensors {
        let last = record
            .iter()
            .filter(|(id, _, _)| *id == sensor.id)
            .filter_map(|(_, _, s)| s.at_ms.last())
            .max();
        match last {
            Some(at) => {
                let hours = (now - at) as f64 / 3_600_000.0;
                tell(
                    hours < SILENT_H,
                    format!(
                        "{}: last reading {} ago",
                        sensor.id,
                        words::duration(hours.max(0.0))
                    ),
                );
            }
            None => tell(
                false,
                format!(
                    "{}: nothing in the last seven days; check its topic and its battery",
                    sensor.id
                ),
            ),
        }
    }
    Ok(())
}

//! `check`: are the site file, the way in, the folder, the clock and the page fit? Changes nothing, and says what to do.

mod noted;

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Command;

use mosswarden_analysis::load;
use mosswarden_analysis::series::Series;
use mosswarden_analysis::words;
use mosswarden_collector::{chain, is_collecting};
use mosswarden_config::plain::{plain, why_unread};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Bucket, Sensor, Site, Way};
use mosswarden_config::table::{Mark, ROOM};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, OWN_CLOCK_SET_FROM_MS, Span};

use crate::commands::collect::runtime;
use crate::commands::{archive, now_ms, open_site, system_zone};
use crate::dial::Target;
use crate::page::{self, access_file};
use crate::reporter::{Failure, Outcome};

/// A sensor that said nothing for this long is worth a look.
const SILENT_H: f64 = 6.0;
/// With less room than this on the disk something else fills it soon: some years of a large room take less.
const FREE_MB_MIN: u64 = 1024;

/// What was found, line by line.
#[derive(Default)]
struct Told {
    trouble: usize,
}

impl Told {
    fn say(&mut self, is_fit: bool, text: String) {
        if is_fit {
            self.fit(text)
        } else {
            self.look_at(text)
        }
    }

    fn fit(&mut self, text: impl AsRef<str>) {
        println!("fit:      {}", text.as_ref());
    }

    fn look_at(&mut self, text: impl AsRef<str>) {
        self.trouble += 1;
        println!("look at:  {}", text.as_ref());
    }

    /// `collect` ends at its start.
    fn unfit(&mut self, what: &str, why: String, next: Option<&str>) {
        self.trouble += 1;
        let next = next.map_or_else(String::new, |next| format!("; {next}"));
        println!("unfit:    {what}: collect will not start: {why}{next}");
    }
}

pub(crate) fn run(given: Option<PathBuf>) -> Result<Outcome, Failure> {
    let site = open_site(given)?;
    let mut told = Told::default();
    let sensors = site.enclosures.iter().map(|e| e.sensors.len()).sum::<usize>() + site.room_sensors.len();
    told.fit(format!(
        "site file {}: {}, {}",
        site.file.display(),
        words::several(site.enclosures.len(), "enclosure"),
        words::several(sensors, "sensor")
    ));
    for warning in &site.warnings {
        told.look_at(warning.to_string());
    }
    clock(&site, &mut told);
    way_in(&site, &mut told)?;
    let has_folder = folder(&site.data_dir, &mut told);
    let is_reached = site
        .bucket
        .as_ref()
        .is_none_or(|bucket| self::bucket(bucket, &mut told));
    secrets(&site, &mut told);
    page_of(&site, &mut told);
    if has_folder {
        noted::ways_out(&site, &mut told)?;
        noted::came_in(&site, &mut told);
    }
    if has_folder && is_reached {
        last_readings(&site, &mut told)?;
    }
    Ok(if told.trouble == 0 {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}

fn clock(site: &Site, told: &mut Told) {
    let now = words::instant(site.zone, now_ms());
    if now_ms() >= OWN_CLOCK_SET_FROM_MS {
        told.fit(format!("clock: {now} in {}", site.zone.name()));
    } else {
        told.look_at(format!(
            "clock: {now} lies before this program; set it, and let a time service keep it"
        ));
    }
    match said_by("timedatectl", &["show", "--property=NTPSynchronized", "--value"]).as_deref() {
        Some("yes") => told.fit("clock: kept by a time service"),
        Some("no") => told.look_at(
            "clock: no time service keeps it; `timedatectl set-ntp true` starts one, or readings without a time of their \
             own drift with it",
        ),
        // Not every machine can be asked.
        _ => {}
    }
    let machine = system_zone();
    if machine != site.zone.name() {
        told.fit(format!(
            "time zone: days and nights follow {}, as the site file says; this machine's own is {machine}",
            site.zone.name()
        ));
    }
}

/// The first line that a program of this system says; `None` where it is not there or fails.
fn said_by(program: &str, arguments: &[&str]) -> Option<String> {
    let said = Command::new(program).args(arguments).output().ok()?;
    let text = String::from_utf8(said.stdout).ok()?;
    (said.status.success() && !text.trim().is_empty()).then(|| text.trim().to_owned())
}

fn way_in(site: &Site, told: &mut Told) -> Result<(), Failure> {
    if let Err(error) = runtime()?.block_on(mosswarden_collector::try_way_in(site)) {
        told.unfit("way in", chain(&error), error.next_step().as_deref());
        return Ok(());
    }
    if let Way::Builtin { listen } = &site.broker.way {
        told.fit(format!("way in: built in, devices connect to {listen}"));
        return Ok(());
    }
    let Some(target) = Target::of(&site.broker) else {
        return Ok(());
    };
    match runtime()?.block_on(target.try_out("check")) {
        Ok(()) => {
            let safely = if target.tls { " over TLS" } else { "" };
            told.fit(format!("way in: the broker {} lets us in{safely}", target.name()));
            told.fit(
                "remember: readings sent at QoS 0 can be lost on the way to a broker, and a broker keeps them only as well as \
                 it was told to (persistence on, a long queue); README, \"Your own broker\"",
            );
        }
        Err(why) => told.look_at(format!("way in: {why}")),
    }
    Ok(())
}

/// Whether the data folder is one, or can be made: then what it holds can be asked for.
fn folder(data_dir: &Path, told: &mut Told) -> bool {
    let name = data_dir.display();
    // The nearest folder that is there says what holds for one that is not made yet.
    let there = data_dir
        .ancestors()
        .map(|dir| {
            if dir.as_os_str().is_empty() {
                Path::new(".")
            } else {
                dir
            }
        })
        .find(|dir| dir.exists())
        .unwrap_or(Path::new("."));
    if !there.is_dir() {
        told.unfit(
            "data folder",
            format!("{} is not a folder", there.display()),
            Some("choose another data_dir"),
        );
        return false;
    }
    let is_writable = Command::new("test")
        .arg("-w")
        .arg(there)
        .status()
        .map(|status| status.success())
        .unwrap_or_else(|_| fs_err::metadata(there).is_ok_and(|found| !found.permissions().readonly()));
    if !is_writable {
        told.unfit(
            "data folder",
            format!("this user may not write in {}", there.display()),
            Some("run as the user that collects, or change its owner"),
        );
    } else if there == data_dir {
        told.fit(format!("data folder: {name}"));
    } else {
        told.fit(format!("data folder: {name} will be made at the first start"));
    }
    if let Some(free_mb) = free_mb(there) {
        let room = format!("disk: {:.1} GB free", free_mb as f64 / 1000.0);
        if free_mb >= FREE_MB_MIN {
            told.fit(room);
        } else {
            told.look_at(format!(
                "{room}; make room: when the disk is full nothing is acknowledged any more, and devices have to wait"
            ));
        }
    }
    true
}

/// Whether the archive can be reached in its bucket.
fn bucket(bucket: &Bucket, told: &mut Told) -> bool {
    match mosswarden_collector::try_bucket(bucket) {
        Ok(()) => {
            told.fit(format!("archive: {bucket} can be read and written"));
            true
        }
        Err(why) => {
            told.look_at(format!("archive: {why}"));
            false
        }
    }
}

/// Free room for this user, by `df` in the form that POSIX fixes.
fn free_mb(dir: &Path) -> Option<u64> {
    let said = said_by("df", &["-Pk", &dir.to_string_lossy()])?;
    let kb: u64 = said.lines().nth(1)?.split_whitespace().nth(3)?.parse().ok()?;
    Some(kb * 1024 / 1_000_000)
}

fn secrets(site: &Site, told: &mut Told) {
    use std::os::unix::fs::PermissionsExt as _;
    /// Bits with which others than the owner can read or write.
    const OTHERS: u32 = 0o077;
    let email = site.alerts.email.as_ref();
    let webhook = site.alerts.webhook.as_ref();
    let listener = site.broker.tls.as_ref();
    let page = site.page.tls.as_ref();
    let secret = [
        site.broker.password_file.as_ref(),
        site.page.access_file.as_ref().filter(|file| file.exists()),
        webhook.and_then(|webhook| webhook.secret_file.as_ref()),
        email
            .and_then(|email| email.smtp.login.as_ref())
            .map(|login| &login.password_file),
        listener.map(|files| &files.key_file),
        page.map(|files| &files.key_file),
    ];
    let open = [
        site.broker.ca_file.as_ref(),
        listener.map(|files| &files.certificate_file),
        page.map(|files| &files.certificate_file),
    ];
    let files = secret
        .into_iter()
        .flatten()
        .map(|file| (file, true))
        .chain(open.into_iter().flatten().map(|file| (file, false)));
    for (file, is_secret) in files {
        let name = file.display();
        match fs_err::File::open(file).and_then(|open| open.metadata()) {
            Ok(found) if is_secret && found.permissions().mode() & OTHERS != 0 => {
                told.look_at(format!("{name} can be read by others; run chmod 600 {name}"));
            }
            Ok(_) => {}
            Err(error) => told.look_at(format!(
                "{name} is named in the site file and can't be read: {}",
                why_unread(&error)
            )),
        }
    }
    if let Some(files) = page
        && let Err(error) = mosswarden_collector::server_tls(&files.certificate_file, &files.key_file)
    {
        told.look_at(format!("page: certificate and key can't be used: {error}"));
    }
}

fn page_of(site: &Site, told: &mut Told) {
    let Some(listen) = &site.page.listen else {
        return;
    };
    match page::address(site) {
        Err(failure) => told.unfit("page", failure.words(), failure.hint()),
        Ok(None) => {}
        Ok(Some(address)) => {
            if !is_collecting(&site.data_dir).unwrap_or(false)
                && let Err(error) = TcpListener::bind(address)
            {
                told.look_at(format!(
                    "page: {listen}: {}; collect will go on without the page: {}",
                    plain(&error),
                    page::next_step(address, &error)
                ));
                return;
            }
            let scheme = if site.page.tls.is_some() { "https" } else { "http" };
            if let Some(file) = site.page.access_file.as_ref().filter(|file| !file.exists()) {
                told.look_at(format!(
                    "page: {} is named as access_file and is not there; `mosswarden page password` makes it, until then the page has no password",
                    file.display()
                ));
            }
            match (access_file(site), address.ip().is_loopback()) {
                (None, _) => told.fit(format!("page: {scheme}://{listen}, this machine only, without a password")),
                (Some(_), true) => told.fit(format!("page: {scheme}://{listen}, with a password")),
                (Some(_), false) if site.page.tls.is_none() => told.look_at(format!(
                    "page: http://{listen} sends the password in the clear through your network; name certificate_file and \
                     key_file in [page], or put a web server with HTTPS in front"
                )),
                (Some(_), false) => told.fit(format!("page: https://{listen}, with a password")),
            }
        }
    }
}

/// How long ago each sensor was last heard, within the last week.
fn last_readings(site: &Site, told: &mut Told) -> Result<(), Failure> {
    let now = now_ms();
    let span = Span {
        from_ms: now - 7 * MS_PER_24_H,
        until_ms: now + MS_PER_24_H,
    };
    let tail = mosswarden_collector::tail(site).map_err(Failure::failed("could not read the spool"))?;
    let record = load::load(&*archive(site)?, span, None, &tail, Vec::new())
        .map_err(Failure::failed("could not read the archive"))?;
    let room = site.room_sensors.iter().map(|sensor| (ROOM, sensor));
    let inside = site.enclosures.iter().flat_map(|enclosure| {
        enclosure
            .sensors
            .iter()
            .map(|sensor| (enclosure.id.as_str(), sensor))
    });
    for (place, sensor) in room.chain(inside) {
        let own = || record.iter().filter(|(id, _, _)| *id == sensor.id);
        let last = own().filter_map(|(_, _, samples)| samples.at_ms.last()).max();
        let name = format!("{}, {place}", sensor.id);
        let doubts: Vec<String> = own()
            .filter_map(|(_, quantity, samples)| doubtful(quantity, samples))
            .collect();
        for doubt in &doubts {
            told.look_at(format!("{name}: {doubt}"));
        }
        match last {
            None => told.look_at(format!(
                "{name}: nothing in the last seven days on {}; see whether it has power and sends there",
                topics(sensor)
            )),
            Some(at) if *at > now + MS_PER_HOUR => told.look_at(format!(
                "{name}: its last reading bears {}, which lies ahead; set the device's clock",
                words::instant(site.zone, *at)
            )),
            Some(at) => {
                let hours = ((now - at) as f64 / MS_PER_HOUR as f64).max(0.0);
                let said = format!("{name}: last reading {} ago", words::duration(hours));
                if hours < SILENT_H {
                    // Of one that sends what can't be so nothing is fit.
                    if doubts.is_empty() {
                        told.fit(said);
                    }
                } else {
                    told.look_at(format!(
                        "{said}; look at its battery, its network and {}",
                        topics(sensor)
                    ));
                }
            }
        }
    }
    Ok(())
}

/// What is odd about a sensor's last readings of a quantity: none is possible, or they fit another unit.
fn doubtful(quantity: Quantity, samples: &Series) -> Option<String> {
    const LAST: usize = 20;
    let from = samples.len().saturating_sub(LAST);
    let (last, marks) = (&samples.value[from..], &samples.mark[from..]);
    let newest = last.last()?;
    if marks.iter().all(|mark| *mark == Mark::Impossible) {
        return Some(format!(
            "no value of {quantity} in its last {} is possible, the newest is {}: many probes send such a value when plug or cable is broken; \
             look at both",
            words::several(last.len(), "reading"),
            words::value(quantity, *newest)
        ));
    }
    let (low, high) = last
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(*value), high.max(*value))
        });
    let (unit, why) = quantity.fits_rather(low, high)?;
    Some(format!(
        "its last readings of {quantity} are {why}: write unit = \"{unit}\" at that feed in the site file"
    ))
}

fn topics(sensor: &Sensor) -> String {
    let mut topics: Vec<&str> = sensor.feeds.iter().map(|feed| feed.topic.as_str()).collect();
    topics.dedup();
    topics.join(" and ")
}

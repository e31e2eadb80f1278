//! `discover`: listens to a broker for a while, shows what it hears, and drafts a site file.

use std::collections::BTreeMap;
use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use mosswarden_collector::STATE_TOPIC;
use mosswarden_config::site::{MQTT_PORT, MQTTS_PORT, Site, nearest};
use mosswarden_config::species::SpeciesList;
use mosswarden_config::zone::Zone;
use rumqttc::{AsyncClient, Event, Packet, QoS};

use super::collect::{runtime, stop_signal};
use super::{now_ms, system_zone};
use crate::cli::Discover;
use crate::dial::Target;
use crate::discover::draft::{Answers, Layout, draft};
use crate::discover::guess::{Form, guess};
use crate::discover::heard::Heard;
use crate::reporter::{Failure, Outcome};

/// Slow sensors have spoken after this long.
const LONG_ENOUGH_S: u64 = 900;
/// Characters of a payload that are shown as an example.
const EXAMPLE_CHARS: usize = 100;

pub(crate) fn run(asked: &Discover) -> Result<Outcome, Failure> {
    let out = asked.out.clone().unwrap_or_else(|| PathBuf::from("site.toml"));
    if out.exists() {
        return Err(Failure::usage(
            format!("{} is there already and is never overwritten", out.display()),
            "name another file with --out",
        ));
    }
    if !asked.yes && !std::io::stdin().is_terminal() {
        return Err(Failure::usage(
            "questions need a terminal",
            "add --yes: what only you know is then marked in the draft",
        ));
    }
    let target = target(asked)?;
    eprintln!(
        "Listening to {} for {} s; Ctrl-C ends it sooner.",
        target.name(),
        asked.seconds
    );
    let started = Instant::now();
    let heard = runtime()?.block_on(listen(asked, &target))?;
    show(&heard);
    let heard_s = started.elapsed().as_secs();
    if heard_s < LONG_ENOUGH_S {
        eprintln!(
            "Heard for {heard_s} s; what sends more rarely, and switches that did not move, are missing: run 15 min \
             (--seconds {LONG_ENOUGH_S}), over a misting."
        );
    }
    let layout = Layout::new(&heard);
    if layout.is_empty() {
        return Err(Failure::usage(
            "nothing was heard that a site file could use",
            "see whether your devices send to this broker",
        ));
    }
    let answers = answers(asked, &layout)?;
    let source = draft(&layout, &answers);
    Site::from_source(&out, &source).map_err(Failure::Site)?;
    write_new(&out, &source)?;
    println!("{}", out.display());
    eprintln!(
        "  hint: look through it, fill in what is marked, then: mosswarden check --site {}",
        out.display()
    );
    Ok(Outcome::Done)
}

fn target(asked: &Discover) -> Result<Target, Failure> {
    let (tls, host, port) = address(&asked.url)?;
    Ok(Target {
        host,
        port,
        tls,
        username: asked.user.clone(),
        password_file: asked.password_file.clone(),
        ca_file: asked.ca_file.clone(),
    })
}

fn address(url: &str) -> Result<(bool, String, u16), Failure> {
    let wrong = |why: &str| {
        Failure::usage(
            format!("`{url}` {why}"),
            "write --url mqtt://HOST:1883 or mqtts://HOST:8883",
        )
    };
    let (tls, rest) = match (url.strip_prefix("mqtt://"), url.strip_prefix("mqtts://")) {
        (Some(rest), _) => (false, rest),
        (_, Some(rest)) => (true, rest),
        _ => return Err(wrong("is not mqtt://HOST:PORT or mqtts://HOST:PORT")),
    };
    let rest = rest.trim_end_matches('/');
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) => (
            host,
            port.parse().map_err(|_| wrong("has no port that is a number"))?,
        ),
        None => (rest, if tls { MQTTS_PORT } else { MQTT_PORT }),
    };
    if host.is_empty() || host.contains('@') {
        return Err(wrong("needs a host, and no name or password in it"));
    }
    Ok((tls, host.to_owned(), port))
}

async fn listen(asked: &Discover, target: &Target) -> Result<Heard, Failure> {
    let (client, mut events) = AsyncClient::new(target.options("discover")?, 16);
    client
        .subscribe("#", QoS::AtMostOnce)
        .await
        .map_err(Failure::failed("could not subscribe"))?;
    let mut heard = Heard::default();
    let end = tokio::time::sleep(Duration::from_secs(asked.seconds));
    let stop = stop_signal();
    tokio::pin!(end, stop);
    loop {
        tokio::select! {
            event = events.poll() => {
                let event = event.map_err(|error| Failure::Failed {
                    doing: "could not listen".to_owned(),
                    source: target.why(&error).into(),
                    hint: None,
                })?;
                if let Event::Incoming(Packet::Publish(message)) = event
                    && message.topic != STATE_TOPIC
                {
                    heard.take_in(&message.topic, &message.payload, message.retain, now_ms());
                }
            }
            () = &mut end => break,
            () = &mut stop => break,
        }
    }
    // The connection ends with the client; there is nothing to lose in it.
    Ok(heard)
}

/// What was heard, topic by topic, with the guesses and their reasons.
fn show(heard: &Heard) {
    for (topic, said) in &heard.topics {
        eprintln!("{}  ({})", printable(topic), said.rate());
        if let Some(example) = said.samples.last() {
            eprintln!("    such as {}", printable(example));
        }
        let guesses = guess(topic, &said.samples);
        if guesses.is_empty() {
            eprintln!("    not understood");
        }
        for guess in guesses {
            let place = match &guess.form {
                Form::Json { pointer } => format!("{}: ", printable(pointer)),
                Form::State {
                    pointer: Some(pointer),
                } => format!("{}: ", printable(pointer)),
                _ => String::new(),
            };
            let what = match (guess.quantity, &guess.form) {
                (_, Form::Senml) => "says itself what it measures".to_owned(),
                (Some(quantity), _) if guess.unit.is_empty() => quantity.name().to_owned(),
                (Some(quantity), _) => format!("{} in {}", quantity.name(), guess.unit),
                (None, _) => "not used".to_owned(),
            };
            eprintln!("    {place}{what}: {}", guess.reason);
        }
    }
    if heard.beyond > 0 {
        eprintln!(
            "{} messages on further topics were not looked at: too many topics",
            heard.beyond
        );
    }
}

/// Text from outside, shortened, with nothing in it that a terminal would obey.
fn printable(text: &str) -> String {
    let mut shown: String = text
        .chars()
        .take(EXAMPLE_CHARS)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().count() > EXAMPLE_CHARS {
        shown.push('…');
    }
    shown
}

fn answers(asked: &Discover, layout: &Layout) -> Result<Answers, Failure> {
    let system = system_zone();
    let mut answers = Answers {
        url: asked.url.clone(),
        username: asked.user.clone(),
        password_file: asked.password_file.as_deref().map(whole),
        ca_file: asked.ca_file.as_deref().map(whole),
        zone: system.clone(),
        is_zone_said: false,
        species: BTreeMap::new(),
    };
    if asked.yes {
        return Ok(answers);
    }
    answers.zone = ask(
        &format!("Your time zone by continent and city, such as Europe/Lisbon [{system}]: "),
        |text| match text {
            "" => Ok(system.clone()),
            text if Zone::from_name(text).is_some() => Ok(text.to_owned()),
            text => Err(near(text, Zone::names())),
        },
    )?;
    answers.is_zone_said = is_somebodys(&answers.zone);
    let species = SpeciesList::load(None).map_err(Failure::Site)?;
    let known: Vec<&str> = species.ids().collect();
    eprintln!("Species that are known: {}", known.join(", "));
    for place in layout.enclosures() {
        let said = ask(
            &format!("Which of them lives in {place}? [leave it open]: "),
            |text| {
                if text.is_empty() || species.get(text).is_some() {
                    Ok(text.to_owned())
                } else {
                    Err(near(text, known.iter().copied()))
                }
            },
        )?;
        if !said.is_empty() {
            answers.species.insert(place.to_owned(), said);
        }
    }
    Ok(answers)
}

/// A machine that was never told where it stands says UTC, and nobody lives there.
fn is_somebodys(zone: &str) -> bool {
    !["UTC", "GMT", "Etc/"]
        .iter()
        .any(|nobody| zone.starts_with(nobody))
}

/// The draft may lie elsewhere than here: a path in it is whole.
fn whole(file: &Path) -> String {
    std::path::absolute(file)
        .unwrap_or_else(|_| file.to_owned())
        .display()
        .to_string()
}

fn near<'n>(text: &str, known: impl Iterator<Item = &'n str>) -> String {
    match nearest(text, known) {
        Some(near) => format!("`{text}` is not known; did you mean {near}?"),
        None => format!("`{text}` is not known"),
    }
}

/// Asks until the answer will do; the end of the input ends the asking.
fn ask(question: &str, fits: impl Fn(&str) -> Result<String, String>) -> Result<String, Failure> {
    loop {
        eprint!("{question}");
        let mut line = String::new();
        let read = std::io::stderr()
            .flush()
            .and_then(|()| std::io::stdin().read_line(&mut line))
            .map_err(Failure::failed("could not ask"))?;
        if read == 0 {
            return Err(Failure::usage(
                "the answers ended before the questions",
                "add --yes to be asked nothing",
            ));
        }
        match fits(line.trim()) {
            Ok(answer) => return Ok(answer),
            Err(why) => eprintln!("{why}"),
        }
    }
}

fn write_new(file: &Path, source: &str) -> Result<(), Failure> {
    let mut open = fs_err::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(file)
        .map_err(Failure::failed("could not write the draft"))?;
    open.write_all(source.as_bytes())
        .and_then(|()| open.sync_all())
        .map_err(Failure::failed("could not write the draft"))
}

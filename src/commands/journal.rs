//! `journal`: what a keeper saw and did.

use mosswarden_analysis::words;
use mosswarden_collector::journal::{self, Line};
use mosswarden_config::journal::{
    DEVICE_REPLACED, Entry, LOOKS_UNWELL, SCHEDULE_CHANGED, SENSOR_CALIBRATED, SENSOR_MOVED, SENSOR_REPLACED,
    SETPOINT_CHANGED,
};
use mosswarden_config::site::Site;
use serde::Serialize;

use crate::cli::{FlagsFormat, Journal, JournalAdd, JournalAmend, JournalList};
use crate::commands::{now_ms, past, span};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, command: Journal) -> Result<Outcome, Failure> {
    match command {
        Journal::Add(add) => self::add(site, add),
        Journal::Amend(amend) => self::amend(site, amend),
        Journal::List(asked) => list(site, &asked),
        Journal::Import { file } => {
            let doing = format!("could not import {}", file.display());
            let summary = journal::import_csv(site, &site.data_dir, &file, now_ms(), None)
                .map_err(Failure::failed(doing))?;
            println!(
                "{}: {} entries added, {} were there already, {} refused",
                file.display(),
                summary.added,
                summary.repeats,
                summary.refused
            );
            for bad in &summary.examples {
                eprintln!("{}:{}: {}", file.display(), bad.line, bad.message);
            }
            if summary.refused > 0 && summary.added + summary.repeats == 0 {
                return Err(Failure::Failed {
                    doing: format!("could not import {}", file.display()),
                    source: "not one line could be read".into(),
                    hint: Some(
                        "correct the lines above and import it again; nothing counts twice".to_owned(),
                    ),
                });
            }
            Ok(Outcome::Done)
        }
    }
}

fn list(site: &Site, asked: &JournalList) -> Result<Outcome, Failure> {
    let all = journal::list(&site.data_dir).map_err(Failure::failed("could not read the journal"))?;
    let within = match asked.span.from.is_some() || asked.span.to.is_some() {
        true => Some(span(site, &asked.span)?),
        false => None,
    };
    let mut lines: Vec<&Line> = all
        .lines
        .iter()
        .filter(|line| within.is_none_or(|span| span.contains(line.entry.at_ms)))
        .collect();
    lines.sort_by_key(|line| line.entry.at_ms);
    match asked.format {
        FlagsFormat::Text => lines
            .iter()
            .for_each(|line| println!("{}", text(site, line, asked.ids))),
        FlagsFormat::Json => {
            let listed: Vec<Listed<'_>> = lines.iter().map(|line| Listed::new(site, line)).collect();
            let json = serde_json::to_string_pretty(&listed)
                .map_err(Failure::failed("could not write the journal's entries"))?;
            println!("{json}");
        }
    }
    match (all.lines.is_empty(), lines.is_empty()) {
        (true, _) => eprintln!("the journal is empty; note something with: mosswarden journal add"),
        (false, true) => eprintln!("the journal has no entry in that span"),
        (false, false) => {}
    }
    if all.unreadable > 0 {
        eprintln!(
            "{} lines of the journal can't be read and were left as they are",
            all.unreadable
        );
    }
    Ok(Outcome::Done)
}

/// "Fri 2026-11-27 02:42" in the site's zone.
fn moment(site: &Site, at_ms: i64) -> String {
    site.zone.local(at_ms).format("%a %Y-%m-%d %H:%M").to_string()
}

/// One entry for people.
fn text(site: &Site, line: &Line, with_id: bool) -> String {
    let entry = &line.entry;
    let amended = match (&entry.amends, line.is_amended) {
        (_, true) => " [amended]".to_owned(),
        (Some(id), false) => format!(" [amends {id}]"),
        (None, false) => String::new(),
    };
    let by = entry
        .by
        .as_ref()
        .map_or_else(String::new, |by| format!(" ({by})"));
    let id = if with_id {
        format!("{}  ", line.id)
    } else {
        String::new()
    };
    let subject = entry.subject.as_deref().unwrap_or("");
    format!(
        "{id}{}  {}  {}  {subject}  {}{by}{amended}",
        moment(site, entry.at_ms),
        entry.enclosure,
        entry.kind,
        entry.text
    )
}

/// One entry as `journal list --format json` prints it.
#[derive(Serialize)]
struct Listed<'j> {
    id: &'j str,
    time: String,
    enclosure: &'j str,
    kind: &'j str,
    subject: Option<&'j str>,
    text: &'j str,
    by: Option<&'j str>,
    amends: Option<&'j str>,
    is_amended: bool,
}

impl<'j> Listed<'j> {
    fn new(site: &Site, line: &'j Line) -> Listed<'j> {
        let entry = &line.entry;
        Listed {
            id: &line.id,
            time: site.zone.rfc3339(entry.at_ms),
            enclosure: &entry.enclosure,
            kind: &entry.kind,
            subject: entry.subject.as_deref(),
            text: &entry.text,
            by: entry.by.as_deref(),
            amends: entry.amends.as_deref(),
            is_amended: line.is_amended,
        }
    }
}

fn add(site: &Site, add: JournalAdd) -> Result<Outcome, Failure> {
    let written_ms = now_ms();
    let at_ms = match &add.at {
        Some(text) => past(site, "--at", text)?,
        None => written_ms,
    };
    let entry = Entry {
        at_ms,
        written_ms,
        enclosure: add.enclosure,
        kind: add.kind,
        subject: add.subject,
        text: add.text.join(" "),
        by: add.by,
        amends: None,
    };
    note(site, &entry)
}

/// Checks an entry, writes it down and says so.
pub(super) fn note(site: &Site, entry: &Entry) -> Result<Outcome, Failure> {
    journal::check(site, entry).map_err(wrong)?;
    journal::append(&site.data_dir, entry)
        .map_err(Failure::failed_in("could not write the journal", &site.data_dir))?;
    let subject = entry
        .subject
        .as_ref()
        .map_or_else(String::new, |subject| format!(" {subject}"));
    println!(
        "noted: {} {}{subject} at {}",
        entry.enclosure,
        entry.kind,
        moment(site, entry.at_ms)
    );
    if entry.kind == LOOKS_UNWELL {
        println!(
            "Ring a veterinarian who knows such animals. What it lived through, to print and take along: mosswarden audit --enclosure {} --until {}",
            entry.enclosure,
            site.zone.local(entry.at_ms).format("%Y-%m-%dT%H:%M")
        );
    }
    let ids = could_be_about(site, entry);
    if entry.subject.is_none() && !ids.is_empty() {
        eprintln!(
            "  hint: without --subject it counts for everything in {}, and what is usual there is learned anew. If it was about one of \
             {}: mosswarden journal amend {} --subject ID",
            entry.enclosure,
            words::list(&ids),
            journal::id(entry)
        );
    }
    Ok(Outcome::Done)
}

/// The sensors or devices one of which such an entry is usually about; none where it needs none.
fn could_be_about(site: &Site, entry: &Entry) -> Vec<String> {
    let enclosure = site.enclosures.iter().find(|e| e.id == entry.enclosure);
    match entry.kind.as_str() {
        SENSOR_MOVED | SENSOR_REPLACED | SENSOR_CALIBRATED => enclosure
            .map_or(&site.room_sensors, |enclosure| &enclosure.sensors)
            .iter()
            .map(|sensor| sensor.id.clone())
            .collect(),
        DEVICE_REPLACED | SETPOINT_CHANGED | SCHEDULE_CHANGED => enclosure
            .iter()
            .flat_map(|enclosure| &enclosure.devices)
            .map(|device| device.id.clone())
            .collect(),
        _ => Vec::new(),
    }
}

fn wrong(error: journal::JournalError) -> Failure {
    Failure::Usage {
        message: error.to_string(),
        hint: None,
    }
}

fn amend(site: &Site, amend: JournalAmend) -> Result<Outcome, Failure> {
    let all = journal::list(&site.data_dir).map_err(Failure::failed("could not read the journal"))?;
    let mut entry = journal::amendment(&all, &amend.id, now_ms(), amend.by).map_err(wrong)?;
    if let Some(at) = &amend.at {
        entry.at_ms = past(site, "--at", at)?;
    }
    if let Some(enclosure) = amend.enclosure {
        entry.enclosure = enclosure;
    }
    if let Some(kind) = amend.kind {
        entry.kind = kind;
    }
    if let Some(subject) = amend.subject {
        entry.subject = (subject != "none").then_some(subject);
    }
    if !amend.text.is_empty() {
        entry.text = amend.text.join(" ");
    }
    note(site, &entry)
}

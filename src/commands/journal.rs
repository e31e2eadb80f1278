//! `journal`: what a keeper saw and did.

use mosswarden_collector::journal;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;

use crate::cli::{Journal, JournalAdd, JournalAmend};
use crate::commands::{now_ms, span};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, command: Journal) -> Result<Outcome, Failure> {
    match command {
        Journal::Add(add) => self::add(site, add),
        Journal::Amend(amend) => self::amend(site, amend),
        Journal::List(asked) => {
            let all = journal::list(&site.data_dir).map_err(Failure::failed("could not read the journal"))?;
            let within = if asked.span.from.is_some() || asked.span.to.is_some() {
                Some(span(site, &asked.span)?)
            } else {
                None
            };
            let mut lines: Vec<&journal::Line> = all
                .lines
                .iter()
                .filter(|line| within.is_none_or(|span| span.contains(line.entry.at_ms)))
                .collect();
            lines.sort_by_key(|line| line.entry.at_ms);
            for line in lines {
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
                let id = if asked.ids {
                    format!("{}  ", line.id)
                } else {
                    String::new()
                };
                let subject = entry.subject.as_deref().unwrap_or("");
                println!(
                    "{id}{}  {}  {}  {subject}  {}{by}{amended}",
                    site.zone.rfc3339(entry.at_ms),
                    entry.enclosure,
                    entry.kind,
                    entry.text
                );
            }
            if all.unreadable > 0 {
                eprintln!(
                    "{} lines of the journal can't be read and were left as they are",
                    all.unreadable
                );
            }
            Ok(Outcome::Done)
        }
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

fn add(site: &Site, add: JournalAdd) -> Result<Outcome, Failure> {
    let written_ms = now_ms();
    let at_ms = match &add.at {
        Some(text) => super::instant(site, text)?,
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
    journal::append(&site.data_dir, entry).map_err(Failure::failed("could not write the journal"))?;
    let subject = entry
        .subject
        .as_ref()
        .map_or_else(String::new, |subject| format!(" {subject}"));
    println!(
        "noted: {} {}{subject} at {}",
        entry.enclosure,
        entry.kind,
        site.zone.rfc3339(entry.at_ms)
    );
    Ok(Outcome::Done)
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
        entry.at_ms = super::instant(site, at)?;
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

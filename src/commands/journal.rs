//! `journal`: what a keeper saw and did.

use mosswarden_collector::journal;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;

use crate::cli::{Journal, JournalAdd};
use crate::commands::{now_ms, span};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, command: Journal) -> Result<Outcome, Failure> {
    match command {
        Journal::Add(add) => self::add(site, add),
        Journal::List(asked) => {
            let all = journal::list(&site.data_dir).map_err(Failure::failed("could not read the journal"))?;
            let within = if asked.from.is_some() || asked.to.is_some() {
                Some(span(site, &asked)?)
            } else {
                None
            };
            let mut entries: Vec<&Entry> = all
                .entries
                .iter()
                .filter(|e| within.is_none_or(|span| span.contains(e.at_ms)))
                .collect();
            entries.sort_by_key(|entry| entry.at_ms);
            for entry in entries {
                let by = entry
                    .by
                    .as_ref()
                    .map_or_else(String::new, |by| format!(" ({by})"));
                let subject = entry.subject.as_deref().unwrap_or("");
                println!(
                    "{}  {}  {}  {subject}  {}{by}",
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
                    hint: Some("correct the lines above and import it again; nothing counts twice".to_owned()),
                });
            }
            Ok(Outcome::Done)
        }
    }
}

fn add(site: &Site, add: JournalAdd) -> Result<Outcome, Failure> {
    let written_ms = now_ms();
    let at_ms = match &add.at {
        Some(text) => site
            .zone
            .parse(text)
            .map_err(|error| Failure::usage(error.to_string(), "see --help"))?,
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
    };
    journal::check(site, &entry).map_err(|error| Failure::Usage {
        message: error.to_string(),
        hint: None,
    })?;
    journal::append(&site.data_dir, &entry).map_err(Failure::failed("could not write the journal"))?;
    println!(
        "noted: {} {} at {}",
        entry.enclosure,
        entry.kind,
        site.zone.rfc3339(entry.at_ms)
    );
    Ok(Outcome::Done)
}

//! `compare`: what a change did to an enclosure, as text or JSON.

use std::io::Write as _;

use mosswarden_analysis::compare::{Asked, Comparison, Document, changes, compare, readings_needed, text};
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::{Compare, FlagsFormat};
use crate::commands::{Readable, enclosure, now_ms, past};
use crate::reporter::{Failure, Outcome};

/// Changes in the journal are looked for this far back where no time is given.
const BACK_MS: i64 = 56 * MS_PER_24_H;

pub(crate) fn run(site: &Site, asked: &Compare) -> Result<Outcome, Failure> {
    let enclosure = enclosure(site, &asked.enclosure)?;
    let until_ms = now_ms();
    let at = |at_ms: i64, what: String| (at_ms, what);
    let changes: Vec<(i64, String)> = match &asked.at {
        Some(text) => {
            vec![at(
                past(site, "--at", text)?,
                asked.what.clone().unwrap_or_default(),
            )]
        }
        None => {
            let back = Span {
                from_ms: until_ms - BACK_MS,
                until_ms,
            };
            let journal = mosswarden_collector::journal::list(&site.data_dir)
                .map_err(Failure::failed("could not read the journal"))?;
            changes(&journal.entries, &enclosure.id, back)
                .map(|entry| {
                    at(
                        entry.at_ms,
                        format!("{} {}", entry.kind, entry.text).trim().to_owned(),
                    )
                })
                .collect()
        }
    };
    if changes.is_empty() {
        return Err(Failure::usage(
            format!(
                "the journal has no change of {} in the last eight weeks",
                enclosure.id
            ),
            format!(
                "say when it was with --at, or note it: mosswarden journal add --enclosure {} --kind schedule-changed",
                enclosure.id
            ),
        ));
    }
    let mut comparisons: Vec<Comparison> = Vec::new();
    for (at_ms, what) in &changes {
        let asked = Asked {
            at_ms: *at_ms,
            days: asked.days,
            what,
            until_ms,
        };
        let record = Readable::open(site)?.record(readings_needed(&asked))?;
        comparisons.push(compare(site, enclosure, &record, &asked));
    }
    let printed = match asked.format {
        FlagsFormat::Json => {
            serde_json::to_string_pretty(&comparisons.iter().map(Document::new).collect::<Vec<_>>())
                .map_err(Failure::failed("could not write the comparison"))?
        }
        FlagsFormat::Text => comparisons
            .iter()
            .map(|comparison| text(site, comparison))
            .collect::<Vec<_>>()
            .join("\n\n"),
    };
    writeln!(std::io::stdout(), "{printed}").map_err(Failure::failed("could not print the comparison"))?;
    Ok(Outcome::Done)
}

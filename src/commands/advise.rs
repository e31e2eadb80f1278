//! `advise`: misting times that would hold the band, as text or JSON; switches nothing.

use std::io::Write as _;

use mosswarden_analysis::advise::{Document, FITTED_MS, advise, text};
use mosswarden_analysis::assess::needed;
use mosswarden_analysis::trust;
use mosswarden_config::site::Site;
use mosswarden_config::zone::Span;

use crate::cli::{Advise, FlagsFormat};
use crate::commands::{Readable, enclosure, now_ms, past};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &Advise) -> Result<Outcome, Failure> {
    let enclosure = enclosure(site, &asked.enclosure)?;
    let until_ms = match &asked.until {
        Some(text) => past(site, "--until", text)?,
        None => now_ms(),
    };
    let span = Span {
        from_ms: until_ms - FITTED_MS,
        until_ms,
    };
    let record = Readable::open(site)?.record(needed(span))?;
    let trusted = trust::assess(site, &record, span).trusted;
    let advice = advise(site, enclosure, &record, &trusted, until_ms);
    let printed = match asked.format {
        FlagsFormat::Json => serde_json::to_string_pretty(&Document::new(&enclosure.id, &advice))
            .map_err(Failure::failed("could not write the advice"))?,
        FlagsFormat::Text => text(site, &enclosure.id, &advice),
    };
    writeln!(std::io::stdout(), "{printed}").map_err(Failure::failed("could not print the advice"))?;
    Ok(Outcome::Done)
}

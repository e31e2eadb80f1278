//! `handover`: what the next keeper of an enclosure must know, as HTML, PDF, JSON and text.

use std::path::{Path, PathBuf};

use mosswarden_analysis::audit::{self, Asked};
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::handover;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::Handover;
use crate::commands::{Readable, enclosure, now_ms, only, past, say_if_unrecorded, written};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &Handover) -> Result<Outcome, Failure> {
    let until_ms = match &asked.until {
        None => now_ms(),
        Some(text) => past(site, "--until", text)?,
    };
    let folder = asked.paper.folder(site);
    let (answer, files) = write(site, asked, until_ms, &folder)?;
    written::show(answer.first(), &files, asked.paper.open)?;
    Ok(Outcome::Done)
}

/// Writes the hand-over in every form; never over another file unless forced. Gives its answer and its files.
pub(crate) fn write(
    site: &Site,
    asked: &Handover,
    until_ms: i64,
    folder: &Path,
) -> Result<(Vec<String>, Vec<PathBuf>), Failure> {
    let own = enclosure(site, &asked.enclosure)?;
    let name = format!("handover-{}-{}", own.id, site.zone.date(until_ms));
    let files = written::files(folder, &name);
    written::never_over(&files, asked.paper.force)?;

    let readable = Readable::open(site)?;
    let gathered = audit::gather(
        site,
        own,
        Asked {
            enclosure: &own.id,
            until_ms,
            days: asked.days,
        },
        readable.beside(),
        &mut |step| eprintln!("{step}"),
    )
    .map_err(Failure::failed("could not read the archive"))?;
    let open = Span {
        from_ms: until_ms - handover::OPEN_DAYS * MS_PER_24_H,
        until_ms,
    };
    let (_, assessment) = readable.judge(site, open, Kept::Nothing)?;
    let past = Span {
        from_ms: open.from_ms - handover::PAST_DAYS * MS_PER_24_H,
        until_ms: open.from_ms,
    };
    let mut part = site.clone();
    only(&mut part, std::slice::from_ref(&own.id))?;
    let (_, earlier) = readable.judge(&part, past, Kept::Nothing)?;
    let model = handover::handover(&gathered, &assessment, &earlier, written::is_invented(site));
    let forms = written::Forms {
        html: &|| handover::html(&model),
        json: &|| handover::json(&model),
        sheet: handover::sheet(&model),
    };
    written::write(&forms, folder, &name)?;
    let span = Span {
        from_ms: until_ms - i64::from(asked.days) * MS_PER_24_H,
        until_ms,
    };
    say_if_unrecorded(&readable, span)?;
    Ok((model.answer, files))
}

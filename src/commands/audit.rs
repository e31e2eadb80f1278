//! `audit`: what one enclosure's animals lived through before a moment, as HTML, PDF, JSON and text, with the raw readings as CSV.

use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use mosswarden_analysis::audit::{self, Asked, Audit};
use mosswarden_analysis::{load, words};
use mosswarden_config::site::Site;
use mosswarden_config::table::{ROOM, Reading, partition_date};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli;
use crate::commands::export::{self, HEADER};
use crate::commands::{Readable, enclosure, past, say_if_unrecorded, written};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &cli::Audit) -> Result<Outcome, Failure> {
    let until_ms = past(site, "--until", &asked.until)?;
    if asked.until.parse::<NaiveDate>().is_ok() {
        eprintln!(
            "looking at the time before {}: nothing of that day itself (--until {}T18:00 would take it in up to 18:00)",
            words::instant(site.zone, until_ms),
            asked.until
        );
    }
    let folder = asked.paper.folder(site);
    let (answer, files) = write(site, asked, until_ms, &folder)?;
    written::show(answer.first(), &files, asked.paper.open)?;
    Ok(Outcome::Done)
}

/// Writes the audit in every form; never over another file unless forced. Gives its answer and its files.
pub(crate) fn write(
    site: &Site,
    asked: &cli::Audit,
    until_ms: i64,
    folder: &Path,
) -> Result<(Vec<String>, Vec<PathBuf>), Failure> {
    let enclosure = enclosure(site, &asked.enclosure)?;
    let name = format!(
        "audit-{}-{}",
        enclosure.id,
        site.zone.local(until_ms).format("%Y-%m-%d-%H%M")
    );
    let readings_name = format!("{name}-readings.csv");
    let readings_file = folder.join(&readings_name);
    let mut files = written::files(folder, &name);
    files.push(readings_file.clone());
    written::never_over(&files, asked.paper.force)?;
    let readable = Readable::open(site)?;
    let gathered = audit::gather(
        site,
        enclosure,
        Asked {
            enclosure: &enclosure.id,
            until_ms,
            days: asked.days,
        },
        readable.beside(),
        &mut |step| eprintln!("{step}"),
    )
    .map_err(Failure::failed("could not read the archive"))?;

    fs_err::create_dir_all(folder)
        .map_err(Failure::failed_in("could not make the folder of reports", folder))?;
    let span = Span {
        from_ms: until_ms - i64::from(asked.days) * MS_PER_24_H,
        until_ms,
    };
    say_if_unrecorded(&readable, span)?;
    readings(&readable, &enclosure.id, span, &readings_file)?;
    let mut inputs = audit::inputs(&gathered).map_err(Failure::failed("could not read the archive"))?;
    inputs.readings = Some(
        audit::digest(&readings_file, readings_name)
            .map_err(Failure::failed("could not read the raw readings back"))?,
    );
    let model: Audit = audit::audit(&gathered, inputs, written::is_invented(site));
    let forms = written::Forms {
        html: &|| audit::html(&model),
        json: &|| audit::json(&model),
        sheet: audit::sheet(&model),
    };
    written::write(&forms, folder, &name)?;
    Ok((model.answer.clone(), files))
}

/// The raw readings of the enclosure and of the room as tidy CSV with when each came and its mark, day by day, so that a long
/// span needs little memory.
fn readings(readable: &Readable, enclosure: &str, span: Span, file: &Path) -> Result<(), Failure> {
    let unfinished = written::unfinished(file);
    let wrap = || Failure::failed_in(format!("could not write {}", file.display()), file);
    let mut out = BufWriter::new(fs_err::File::create(&unfinished).map_err(wrap())?);
    writeln!(out, "{HEADER},received,time_source,mark").map_err(wrap())?;
    let mut from_ms = span.from_ms;
    while from_ms < span.until_ms {
        let day = Span {
            from_ms,
            until_ms: (from_ms.div_euclid(MS_PER_24_H) + 1) * MS_PER_24_H,
        };
        let part = Span {
            from_ms,
            until_ms: day.until_ms.min(span.until_ms),
        };
        debug_assert_eq!(partition_date(part.from_ms), partition_date(part.until_ms - 1));
        let of_day: Vec<Reading> = readable
            .tail
            .iter()
            .filter(|reading| part.contains(reading.at_ms))
            .cloned()
            .collect();
        let found = load::stored(&*readable.archive, part, of_day)
            .map_err(Failure::failed("could not read the archive"))?;
        let wanted = |reading: &&Reading| *reading.enclosure == *enclosure || *reading.enclosure == *ROOM;
        for reading in found.iter().filter(wanted) {
            let received = export::utc(reading.received_ms);
            let (source, mark) = (reading.time_source.name(), reading.mark.name());
            writeln!(out, "{},{received},{source},{mark}", export::row(reading)).map_err(wrap())?;
        }
        from_ms = day.until_ms;
    }
    out.flush().map_err(wrap())?;
    fs_err::rename(&unfinished, file).map_err(wrap())
}

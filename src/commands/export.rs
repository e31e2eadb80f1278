//! `export`: stored readings as tidy CSV.

use std::io::BufWriter;

use mosswarden_analysis::load;
use mosswarden_analysis::trust::quality::{Marks, Test};
use mosswarden_config::site::Site;
use mosswarden_config::table::Reading;
use mosswarden_config::zone::Span;

use crate::cli::Export;
use crate::commands::span;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, export: &Export) -> Result<Outcome, Failure> {
    let span = span(site, &export.span)?;
    let mut readings = stored(site, span).map_err(Failure::failed("could not read the readings"))?;
    let wanted = |reading: &&Reading| {
        export.enclosures.is_empty() || export.enclosures.iter().any(|id| **id == *reading.enclosure)
    };
    if let Some(file) = &export.parquet {
        if file.exists() {
            return Err(Failure::usage(
                format!("{} exists already", file.display()),
                "name a new file with --parquet",
            ));
        }
        readings.retain(|reading| wanted(&reading));
        mosswarden_collector::export_parquet(&readings, file).map_err(Failure::failed("could not export"))?;
        println!("{} readings in {}", readings.len(), file.display());
        return Ok(Outcome::Done);
    }
    let mut out = BufWriter::new(std::io::stdout().lock());
    let printed = if export.marks {
        let marks = Marks::of(site, &readings, span);
        write_marked(&mut out, readings.iter().filter(wanted), &marks)
    } else {
        write(&mut out, readings.iter().filter(wanted))
    };
    printed.map_err(Failure::failed("could not print the readings"))?;
    Ok(Outcome::Done)
}

/// Tidy CSV with three columns more: the QARTOD flag, the tests that raised it, and those that could not be run; all empty for what is not judged.
fn write_marked<'r>(
    out: &mut impl std::io::Write,
    readings: impl Iterator<Item = &'r Reading>,
    marks: &Marks,
) -> std::io::Result<()> {
    writeln!(out, "{HEADER},flag,raised_by,not_run")?;
    for reading in readings {
        let mut row = Vec::new();
        write_rows(&mut row, std::iter::once(reading))?;
        out.write_all(row.trim_ascii_end())?;
        match marks.get(reading) {
            Some(quality) => {
                let raised: Vec<&str> = quality.raised().map(Test::name).collect();
                let not_run: Vec<&str> = quality.not_evaluated().map(Test::name).collect();
                let flag = quality.flag().number();
                writeln!(out, ",{flag},{},{}", raised.join(" "), not_run.join(" "))?;
            }
            None => writeln!(out, ",,,")?,
        }
    }
    out.flush()
}

/// Every reading of a span, those that no file has yet among them.
pub(crate) fn stored(site: &Site, span: Span) -> std::io::Result<Vec<Reading>> {
    let tail = mosswarden_collector::tail(site).map_err(std::io::Error::other)?;
    let archive = mosswarden_collector::archive(site)?;
    load::stored(&*archive, span, tail).map_err(std::io::Error::other)
}

/// First line of tidy CSV.
pub(crate) const HEADER: &str = "time,enclosure,sensor,quantity,value,unit";

/// Tidy CSV: `time,enclosure,sensor,quantity,value,unit`, times in UTC. Ids hold no comma or quote (the site file's rule).
pub(crate) fn write<'r>(
    out: &mut impl std::io::Write,
    readings: impl Iterator<Item = &'r Reading>,
) -> std::io::Result<()> {
    writeln!(out, "{HEADER}")?;
    write_rows(out, readings)?;
    out.flush()
}

/// The same without the header.
pub(crate) fn write_rows<'r>(
    out: &mut impl std::io::Write,
    readings: impl Iterator<Item = &'r Reading>,
) -> std::io::Result<()> {
    for reading in readings {
        writeln!(out, "{}", row(reading))?;
    }
    Ok(())
}

/// One reading as tidy CSV.
pub(crate) fn row(reading: &Reading) -> String {
    format!(
        "{},{},{},{},{},{}",
        utc(reading.at_ms),
        reading.enclosure,
        reading.sensor,
        reading.quantity,
        reading.value,
        reading.quantity.stored_unit()
    )
}

/// An instant in UTC, RFC 3339.
pub(crate) fn utc(at_ms: i64) -> String {
    let precision = if at_ms % 1000 == 0 {
        chrono::SecondsFormat::Secs
    } else {
        chrono::SecondsFormat::Millis
    };
    chrono::DateTime::from_timestamp_millis(at_ms)
        .unwrap_or_default()
        .to_rfc3339_opts(precision, true)
}

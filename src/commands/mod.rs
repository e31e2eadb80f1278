//! One file a command; what several commands share stands here.

mod advise;
pub(crate) mod alerts;
pub(crate) mod audit;
pub(crate) mod away;
mod calibrate;
mod care;
mod check;
pub(crate) mod collect;
mod compare;
mod demo;
mod describe;
mod discover;
pub(crate) mod export;
mod flags;
pub(crate) mod handover;
mod import;
mod journal;
mod page;
pub(crate) mod report;
mod simulate;
mod verify;
mod written;

use std::collections::BTreeSet;
use std::path::PathBuf;

use chrono::{Days, NaiveDate, Utc};
use indicatif::ProgressBar;
use mosswarden_analysis::assess::Assessment;
use mosswarden_analysis::audit::Beside;
use mosswarden_analysis::by_part::{ByPart, Kept, Pace, assess_by_part};
use mosswarden_analysis::load::{self, LoadError, Record};
use mosswarden_analysis::words;
use mosswarden_config::correction::Correction;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::{Enclosure, Site, nearest};
use mosswarden_config::table::{Archive, Reading, partition_date};
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use crate::cli::{self, Arguments, Calibrate, Command, SpanArguments};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(arguments: Arguments) -> Result<Outcome, Failure> {
    let site = arguments.site;
    let archives = arguments.archives;
    if !archives.is_empty() && !arguments.command.reads() {
        return Err(Failure::usage(
            "this command reads no further archives",
            "`--archive` goes with export, flags, report, audit, compare, advise, handover and away",
        ));
    }
    let reading = |site| -> Result<Site, Failure> {
        Ok(Site {
            also_read: archives,
            ..open_site(site)?
        })
    };
    match arguments.command {
        Command::Demo(demo) => demo::run(demo),
        Command::Collect(collect) => collect::run(open_site(site)?, collect),
        Command::Discover(discover) => discover::run(&discover),
        Command::Check => check::run(site),
        Command::Verify(asked) => verify::run(&open_site(site)?, &asked),
        Command::Import(import) => import::run(&open_site(site)?, &import),
        Command::Export(export) => export::run(&reading(site)?, &export),
        Command::Flags(flags) => flags::run(reading(site)?, &flags),
        Command::Report(report) => report::run(reading(site)?, &report),
        Command::Audit(audit) => audit::run(&reading(site)?, &audit),
        Command::Compare(compare) => compare::run(&reading(site)?, &compare),
        Command::Advise(advise) => advise::run(&reading(site)?, &advise),
        Command::Handover(asked) => handover::run(&reading(site)?, &asked),
        Command::Away(asked) => away::run(reading(site)?, &asked),
        Command::Journal(journal) => journal::run(&open_site(site)?, journal),
        Command::Care(care) => care::run(&open_site(site)?, care),
        Command::Page(page) => page::run(&open_site(site)?, &page),
        Command::Calibrate(Calibrate::Guide) => calibrate::guide(),
        Command::Calibrate(calibrate) => calibrate::run(&open_site(site)?, calibrate),
        Command::Alerts(alerts) => alerts::run(&open_site(site)?, &alerts),
        Command::Simulate(simulate) => simulate::run(&simulate),
        Command::Service => describe::service(),
        Command::Completions { shell } => describe::completions(shell),
        Command::Man { folder } => describe::man(&folder),
    }
}

fn open_site(given: Option<PathBuf>) -> Result<Site, Failure> {
    let site = Site::load(&cli::site_file(given)?).map_err(Failure::Site)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    Ok(site)
}

pub(crate) fn now_ms() -> i64 {
    Utc::now().timestamp_millis()
}

/// An instant that a person wrote: what [`Zone::parse`] reads, or a word for now or for a day's beginning.
fn instant(site: &Site, text: &str) -> Result<i64, Failure> {
    let zone = site.zone;
    let days_ago = |days| zone.day(zone.date(now_ms()) - Days::new(days)).from_ms;
    match text {
        "now" => Ok(now_ms()),
        "today" => Ok(days_ago(0)),
        "yesterday" => Ok(days_ago(1)),
        "tomorrow" => Ok(zone.day(zone.date(now_ms()) + Days::new(1)).from_ms),
        _ => zone.parse(text).map_err(|error| {
            Failure::usage(
                error.to_string(),
                "`now`, `today`, `yesterday` and `tomorrow` are understood as well; a day alone is its beginning, 00:00",
            )
        }),
    }
}

/// An instant that a person wrote after `option`, of what has happened: never in the future.
fn past(site: &Site, option: &str, text: &str) -> Result<i64, Failure> {
    let (at_ms, now_ms) = (instant(site, text)?, now_ms());
    if at_ms > now_ms {
        return Err(Failure::usage(
            format!(
                "{option} {text} lies in the future: it is {} now",
                words::instant(site.zone, now_ms)
            ),
            "name a time that is past, or `now`",
        ));
    }
    Ok(at_ms)
}

/// The first and last day of which the archive or the spool has readings, as dates of UTC.
fn recorded(archive: &dyn Archive, tail: &[Reading]) -> Result<Option<(NaiveDate, NaiveDate)>, Failure> {
    let wrap = || Failure::failed("could not read the archive");
    let stored = [
        load::first_date(archive).map_err(wrap())?,
        load::last_date(archive).map_err(wrap())?,
    ];
    // The first minutes of a new room stand in no file yet.
    let waiting = tail.iter().map(Reading::partition_date);
    let dates = || stored.iter().copied().flatten().chain(waiting.clone());
    Ok(dates().min().zip(dates().max()))
}

/// "10 June 2026 to 11 June 2026"
fn days_of(first: NaiveDate, last: NaiveDate) -> String {
    let mut days = [first, last]
        .map(|day| day.format("%-d %B %Y").to_string())
        .to_vec();
    days.dedup();
    days.join(" to ")
}

/// Says it where the whole record lies outside a span that a paper is asked for.
fn say_if_unrecorded(readable: &Readable, span: Span) -> Result<(), Failure> {
    let within = |(first, last): (NaiveDate, NaiveDate)| {
        first <= partition_date(span.until_ms - 1) && partition_date(span.from_ms) <= last
    };
    match recorded(&*readable.archive, &readable.tail)? {
        None => eprintln!("nothing was recorded yet; mosswarden check says what is missing"),
        Some(dates) if within(dates) => {}
        Some((first, last)) => {
            eprintln!(
                "nothing was recorded then: your readings are of {}",
                days_of(first, last)
            );
        }
    }
    Ok(())
}

/// The zone of this machine; UTC where it does not say.
fn system_zone() -> String {
    let linked = fs_err::read_link("/etc/localtime").ok().and_then(|target| {
        let target = target.to_string_lossy().into_owned();
        Some(target.split_once("zoneinfo/")?.1.to_owned())
    });
    let written = || {
        fs_err::read_to_string("/etc/timezone")
            .ok()
            .map(|text| text.trim().to_owned())
    };
    linked
        .or_else(written)
        .filter(|name| Zone::from_name(name).is_some())
        .unwrap_or_else(|| "UTC".to_owned())
}

/// The span that was asked for; seven days to now where nothing was said.
fn span(site: &Site, asked: &SpanArguments) -> Result<Span, Failure> {
    let parse = |text: &String| instant(site, text);
    let until_ms = asked.to.as_ref().map_or_else(|| Ok(now_ms()), parse)?;
    let from_ms = asked
        .from
        .as_ref()
        .map_or_else(|| Ok(until_ms - 7 * MS_PER_24_H), parse)?;
    if asked.to.is_none() && from_ms >= until_ms {
        return Err(Failure::usage(
            format!(
                "--from lies in the future: it is {} now",
                words::instant(site.zone, until_ms)
            ),
            "name a time that is past; --to is now where it is not given",
        ));
    }
    if from_ms >= until_ms {
        return Err(Failure::usage(
            "the span is empty: --from must lie before --to",
            "swap the two times",
        ));
    }
    Ok(Span { from_ms, until_ms })
}

/// The enclosure of that id.
fn enclosure<'s>(site: &'s Site, id: &str) -> Result<&'s Enclosure, Failure> {
    site.enclosure(id).ok_or_else(|| {
        let known: Vec<&str> = site
            .enclosures
            .iter()
            .map(|enclosure| enclosure.id.as_str())
            .collect();
        let hint = match nearest(id, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`? known: {}", known.join(", ")),
            None => format!("known: {}", known.join(", ")),
        };
        Failure::usage(format!("there is no enclosure `{id}` in the site file"), hint)
    })
}

/// Keeps only the named enclosures of a site.
fn only(site: &mut Site, enclosures: &[String]) -> Result<(), Failure> {
    for id in enclosures {
        enclosure(site, id)?;
    }
    if !enclosures.is_empty() {
        site.enclosures
            .retain(|enclosure| enclosures.contains(&enclosure.id));
    }
    Ok(())
}

/// The site's archive, to be read.
pub(crate) fn archive(site: &Site) -> Result<Box<dyn Archive>, Failure> {
    mosswarden_collector::archive(site).map_err(Failure::failed("could not reach the archive"))
}

/// The archive and what stands beside its files: readings that no file has yet, the journal, the corrections.
pub(crate) struct Readable {
    pub(crate) archive: Box<dyn Archive>,
    pub(crate) tail: Vec<Reading>,
    pub(crate) journal: Vec<Entry>,
    amended: Vec<Entry>,
    corrections: Vec<Correction>,
}

impl Readable {
    pub(crate) fn open(site: &Site) -> Result<Readable, Failure> {
        let journal = mosswarden_collector::journal::list(&site.data_dir)
            .map_err(Failure::failed_in("could not read the journal", &site.data_dir))?;
        let tail = mosswarden_collector::tail(site)
            .map_err(Failure::failed_in("could not read the spool", &site.data_dir))?;
        let known = mosswarden_collector::corrections::list(&site.data_dir)
            .map_err(Failure::failed("could not read the corrections"))?;
        if known.unreadable > 0 {
            eprintln!(
                "{} lines of the corrections can't be read and are not applied",
                known.unreadable
            );
        }
        Ok(Readable {
            archive: archive(site)?,
            tail,
            journal: journal.entries,
            amended: journal
                .lines
                .into_iter()
                .filter(|line| line.is_amended)
                .map(|line| line.entry)
                .collect(),
            corrections: known.corrections,
        })
    }

    /// For what reads the archive itself.
    pub(crate) fn beside(&self) -> Beside<'_> {
        Beside {
            archive: &*self.archive,
            tail: &self.tail,
            journal: &self.journal,
            amended: &self.amended,
            corrections: &self.corrections,
        }
    }

    /// Everything of a span.
    pub(crate) fn record(&self, span: Span) -> Result<Record, Failure> {
        self.load(span, None)
            .map_err(Failure::failed("could not read the archive"))
    }

    /// Judges a span, a few enclosures at a time.
    pub(crate) fn judge(&self, site: &Site, span: Span, kept: Kept) -> Result<(Record, Assessment), Failure> {
        let judged = self.judge_showing(site, span, (Pace::Quick, kept), |_, _, _| ())?;
        Ok((judged.record, judged.assessment))
    }

    /// [`Readable::judge`], and what `show` makes of each part while all its readings are there. Where somebody waits, a terminal shows how
    /// far it has come.
    pub(crate) fn judge_showing<S: Send>(
        &self,
        site: &Site,
        span: Span,
        how: (Pace, Kept),
        show: impl Fn(&Site, &Record, &Assessment) -> S + Sync,
    ) -> Result<ByPart<S>, Failure> {
        let progress = match how.0 {
            Pace::Quick => import::bar("enclosures"),
            Pace::Quiet => ProgressBar::hidden(),
        };
        progress.set_length(site.enclosures.len() as u64);
        progress.set_message("judging");
        let judged = assess_by_part(
            site,
            span,
            how,
            |ids, needed| self.load(needed, Some(ids)),
            |part, record, found| {
                progress.inc(part.enclosures.len() as u64);
                show(part, record, found)
            },
        );
        progress.finish_and_clear();
        judged.map_err(Failure::failed("could not read the archive"))
    }

    fn load(&self, span: Span, ids: Option<&BTreeSet<String>>) -> Result<Record, LoadError> {
        let record = load::load(&*self.archive, span, ids, &self.tail, self.journal.clone())?
            .with_corrections(self.corrections.clone());
        match ids {
            Some(ids) => record.with_days_before(&*self.archive, ids),
            None => Ok(record),
        }
    }
}

/// See [`Readable::judge`].
pub(crate) fn judge(site: &Site, span: Span, kept: Kept) -> Result<(Record, Assessment), Failure> {
    Readable::open(site)?.judge(site, span, kept)
}

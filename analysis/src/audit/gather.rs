//! Reads what an audit needs, part by part: one enclosure's sensors over the whole reach, the others' for the last weeks.
//!
//! In: the site, the archive's folder, durable readings that no file has yet, the journal. Out: usable readings of each
//! sensor over the reach, and the trust as it stands at the end. A part is judged by what was known at that part's end.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use mosswarden_config::correction::Correction;
use mosswarden_config::journal;
use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Band, Enclosure, Site};
use mosswarden_config::table::{Archive, Mark, ROOM, Reading};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::by_part::ids;
use crate::halves::{self, Measured};
use crate::load::{self, LoadError, Record};
use crate::report::chosen;
use crate::series::Series;
use crate::{conditions, trust};

/// Days of the last look, by which trust and comparison are judged.
pub(crate) const LATE_DAYS: i64 = 14;
/// Days that the strips need reading by reading; older ones need usable readings only.
pub(crate) const RECENT_DAYS: i64 = 84;
/// Days before a part by which it is known what is usual for its sensors (our own choice).
const LEAD_DAYS: i64 = 28;
/// Days of one older part.
const PART_DAYS: i64 = 56;
/// An arrival longer ago than this is not followed back: two years.
const REACH_DAYS_MAX: i64 = 731;
pub(crate) const YEAR_DAYS: i64 = 365;

/// The quantities that an audit follows.
pub(crate) const FOLLOWED: [Quantity; 2] = [Quantity::Temperature, Quantity::Humidity];

/// What was asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked<'a> {
    pub enclosure: &'a str,
    /// Nothing later is used.
    pub until_ms: i64,
    /// How far back to look, days; since arrival where that is longer.
    pub days: u32,
}

/// Usable readings of one sensor and quantity over the reach.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    /// An enclosure's id, or `room`.
    pub(crate) place: String,
    pub(crate) sensor: String,
    pub(crate) quantity: Quantity,
    pub(crate) usable: Series,
    /// Everything physically possible, of the last twelve weeks.
    pub(crate) raw: Series,
    pub(crate) left_out: Vec<(Span, String)>,
    pub(crate) half_width: f64,
    pub(crate) gap_ms: i64,
}

impl Track {
    /// Over spans in which one range is wanted, or none.
    pub(crate) fn measure(&self, spans: &[Span], band: Option<Band>) -> Option<Measured> {
        let parts = spans.iter().map(|span| (*span, band));
        halves::measure(self.usable.view(), self.gap_ms, parts)
    }
}

/// Everything that an audit is made from.
pub struct Gathered<'a> {
    pub(crate) site: &'a Site,
    pub(crate) enclosure: &'a Enclosure,
    pub(crate) asked: Asked<'a>,
    /// From the first instant that is looked at to the end.
    pub(crate) reach: Span,
    pub(crate) arrived_ms: Option<i64>,
    /// The enclosure and the room over the last twelve weeks and what is usual before them.
    pub(crate) recent: Record,
    pub(crate) trust: trust::Outcome,
    /// The last fourteen days, for mistings.
    pub(crate) lived: conditions::Outcome,
    pub(crate) tracks: Vec<Track>,
    pub(crate) other_tracks: Vec<Track>,
    /// The same fourteen days a year before.
    pub(crate) year_tracks: Vec<Track>,
    /// Which sensor speaks for a place at the end.
    pub(crate) speakers: BTreeMap<(String, Quantity), String>,
    pub(crate) journal: Vec<Entry>,
    /// Entries that a later one stands for.
    pub(super) amended: Vec<Entry>,
    /// Files that were read, in order.
    pub files: BTreeSet<PathBuf>,
    /// Spans that were read, to tell which files count.
    pub read: Vec<Span>,
    /// Durable readings that no file had yet.
    pub spool_readings: usize,
}

/// What stands beside the archive's files.
#[derive(Debug, Clone, Copy)]
pub struct Beside<'a> {
    pub archive: &'a dyn Archive,
    /// Durable readings that no file has yet.
    pub tail: &'a [Reading],
    /// Entries as they stand.
    pub journal: &'a [Entry],
    /// Entries that a later one stands for: they count for nothing and are shown.
    pub amended: &'a [Entry],
    /// What checks said of sensors.
    pub corrections: &'a [Correction],
}

/// Reads and judges part by part; `progress` hears a sentence before each.
///
/// # Errors
/// [`LoadError`] names the file. Nothing on disk is an audit in which nothing is known, not an error.
pub fn gather<'a>(
    site: &'a Site,
    enclosure: &'a Enclosure,
    asked: Asked<'a>,
    beside: Beside<'_>,
    progress: &mut dyn FnMut(&str),
) -> Result<Gathered<'a>, LoadError> {
    let until_ms = asked.until_ms;
    let Beside {
        archive,
        tail,
        journal,
        amended,
        corrections,
    } = beside;
    // An entry at the very end belongs to it: it is usually what was seen.
    let mut journal: Vec<Entry> = journal
        .iter()
        .filter(|entry| entry.at_ms <= until_ms)
        .cloned()
        .collect();
    journal.sort_by_key(|a| (a.at_ms, a.written_ms));
    let amended: Vec<Entry> = amended
        .iter()
        .filter(|entry| entry.at_ms <= until_ms)
        .cloned()
        .collect();
    let arrived_ms = journal
        .iter()
        .rev()
        .find(|entry| entry.kind == journal::ARRIVED && entry.enclosure == enclosure.id)
        .map(|entry| entry.at_ms)
        .filter(|at| *at < until_ms);
    let asked_from_ms = before(until_ms, i64::from(asked.days));
    let reach = Span {
        from_ms: arrived_ms.map_or(asked_from_ms, |at| {
            asked_from_ms.min(at.max(before(until_ms, REACH_DAYS_MAX)))
        }),
        until_ms,
    };
    let mut reader = Reader {
        archive,
        tail,
        journal: &journal,
        corrections,
        files: BTreeSet::new(),
        read: Vec::new(),
        first_ms: first_ms(archive, tail)?,
    };
    let own = with_only(site, |other| other.id == enclosure.id);
    let recent_span = Span {
        from_ms: before(until_ms, i64::from(asked.days).clamp(LATE_DAYS, RECENT_DAYS)),
        until_ms,
    };
    let late = Span {
        from_ms: before(until_ms, LATE_DAYS),
        until_ms,
    };
    let mut tracks = Vec::new();
    let mut part_until_ms = recent_span.from_ms;
    let mut parts = Vec::new();
    while part_until_ms > reach.from_ms.max(reader.first_ms) {
        let from_ms = before(part_until_ms, PART_DAYS).max(reach.from_ms);
        parts.push(Span {
            from_ms,
            until_ms: part_until_ms,
        });
        part_until_ms = from_ms;
    }
    let count = parts.len() + 2;
    for (index, part) in parts.into_iter().rev().enumerate() {
        progress(&format!(
            "part {} of {count}: {} to {}",
            index + 1,
            site.zone.date(part.from_ms),
            site.zone.date(part.until_ms)
        ));
        let record = reader.record(&own, part)?;
        let trust = trust::assess(&own, &record, part);
        add(&mut tracks, &own, &record, &trust, part, false);
    }
    progress(&format!("part {} of {count}: the last weeks", count - 1));
    let recent = reader.record(&own, recent_span)?;
    let mut trust = trust::assess(&own, &recent, late);
    trust::outage::tell_once(&own, &mut trust.verdicts);
    add(&mut tracks, &own, &recent, &trust, recent_span, true);
    let lived = conditions::assess(&own, enclosure, &recent, &trust.trusted, late);
    let mut speakers = BTreeMap::new();
    speak(&mut speakers, &own, &recent, &trust, late);

    progress(&format!("part {count} of {count}: the other enclosures"));
    let others = with_only(site, |other| other.id != enclosure.id);
    let mut other_tracks = Vec::new();
    if !others.enclosures.is_empty() {
        let record = reader.record(&others, late)?;
        let trust = trust::assess(&others, &record, late);
        add(&mut other_tracks, &others, &record, &trust, late, false);
        speak(&mut speakers, &others, &record, &trust, late);
    }
    let year_before = Span {
        from_ms: before(late.from_ms, YEAR_DAYS),
        until_ms: before(late.until_ms, YEAR_DAYS),
    };
    let mut year_tracks = Vec::new();
    if year_before.until_ms > reader.first_ms {
        let record = reader.record(&own, year_before)?;
        let trust = trust::assess(&own, &record, year_before);
        add(&mut year_tracks, &own, &record, &trust, year_before, false);
    }
    let (files, read) = (reader.files, reader.read);
    let spool_readings = tail
        .iter()
        .filter(|reading| read.iter().any(|span| span.contains(reading.at_ms)))
        .count();
    Ok(Gathered {
        site,
        enclosure,
        asked,
        reach,
        arrived_ms,
        recent,
        trust,
        lived,
        tracks,
        other_tracks,
        year_tracks,
        speakers,
        journal,
        amended,
        files,
        read,
        spool_readings,
    })
}

pub(crate) const fn before(at_ms: i64, days: i64) -> i64 {
    at_ms - days * MS_PER_24_H
}

/// The first instant that anything can be known of.
fn first_ms(archive: &dyn Archive, tail: &[Reading]) -> Result<i64, LoadError> {
    let on_disk = load::first_date(archive)?
        .and_then(|date| date.and_hms_opt(0, 0, 0))
        .map(|at| at.and_utc().timestamp_millis());
    let in_tail = tail.iter().map(|reading| reading.at_ms).min();
    Ok(on_disk.into_iter().chain(in_tail).min().unwrap_or(i64::MAX))
}

/// The site with some of its enclosures.
fn with_only(site: &Site, keep: impl Fn(&Enclosure) -> bool) -> Site {
    let mut part = site.clone();
    part.enclosures.retain(keep);
    part
}

struct Reader<'a> {
    archive: &'a dyn Archive,
    tail: &'a [Reading],
    journal: &'a [Entry],
    corrections: &'a [Correction],
    files: BTreeSet<PathBuf>,
    read: Vec<Span>,
    first_ms: i64,
}

impl Reader<'_> {
    /// The readings of a part of the site over a span and some weeks before it.
    fn record(&mut self, part: &Site, span: Span) -> Result<Record, LoadError> {
        let span = Span {
            from_ms: before(span.from_ms, LEAD_DAYS),
            until_ms: span.until_ms,
        };
        let record = load::load(
            self.archive,
            span,
            Some(&ids(part)),
            self.tail,
            self.journal.to_vec(),
        )?
        .with_corrections(self.corrections.to_vec());
        self.files.extend(record.files.iter().cloned());
        self.read.push(span);
        Ok(record)
    }
}

/// Adds what can be used of a part to the tracks.
fn add(
    tracks: &mut Vec<Track>,
    site: &Site,
    record: &Record,
    trust: &trust::Outcome,
    span: Span,
    keep_raw: bool,
) {
    let inside = site
        .enclosures
        .iter()
        .flat_map(|e| e.sensors.iter().map(move |sensor| (e.id.as_str(), sensor)));
    let room = site.room_sensors.iter().map(|sensor| (ROOM, sensor));
    for (place, sensor) in inside.chain(room) {
        for quantity in FOLLOWED {
            let (Some(usable), Some(all)) = (
                trust.trusted.get(&sensor.id, quantity),
                record.get(&sensor.id, quantity),
            ) else {
                continue;
            };
            let known = tracks
                .iter()
                .position(|track| track.sensor == sensor.id && track.quantity == quantity);
            let index = known.unwrap_or_else(|| {
                tracks.push(Track {
                    place: place.to_owned(),
                    sensor: sensor.id.clone(),
                    quantity,
                    usable: Series::default(),
                    raw: Series::default(),
                    left_out: Vec::new(),
                    half_width: 0.0,
                    gap_ms: 0,
                });
                tracks.len() - 1
            });
            let track = &mut tracks[index];
            track.half_width = usable.half_width;
            track.gap_ms = all.gap_ms();
            let series = &usable.series;
            for index in 0..series.len() {
                let at_ms = series.at_ms[index];
                // A clock that was put right may move a reading over the edge of its part; each instant counts once.
                if span.contains(at_ms) && track.usable.at_ms.last().is_none_or(|last| *last < at_ms) {
                    track.usable.push(
                        at_ms,
                        series.received_ms[index],
                        series.value[index],
                        series.mark[index],
                    );
                }
            }
            track.left_out.extend(
                usable
                    .left_out
                    .iter()
                    .filter_map(|(out, reason)| Some((out.intersect(span)?, reason.clone()))),
            );
            if keep_raw {
                track.raw = all
                    .filtered(|at_ms, value, mark| {
                        span.contains(at_ms) && mark != Mark::Impossible && value.is_finite()
                    })
                    .into_owned();
            }
        }
    }
}

/// Remembers which sensor speaks for each enclosure and for the room.
fn speak(
    speakers: &mut BTreeMap<(String, Quantity), String>,
    site: &Site,
    record: &Record,
    trust: &trust::Outcome,
    span: Span,
) {
    for quantity in FOLLOWED {
        for enclosure in &site.enclosures {
            if let Some(found) = chosen::for_enclosure(enclosure, quantity, record, trust, span) {
                speakers.insert((enclosure.id.clone(), quantity), found.sensor.id.clone());
            }
        }
        if let Some(found) = chosen::best(&site.room_sensors, quantity, record, trust, span) {
            speakers.insert((ROOM.to_owned(), quantity), found.sensor.id.clone());
        }
    }
}

impl Gathered<'_> {
    /// The track that speaks for a place over a span: the one chosen at the end, unless another knows twice as much of it.
    pub(crate) fn speaker<'t>(
        &self,
        tracks: &'t [Track],
        place: &str,
        quantity: Quantity,
        span: Span,
    ) -> Option<&'t Track> {
        let known = |track: &Track| {
            track
                .usable
                .view()
                .summary(span, track.gap_ms)
                .map_or(0.0, |s| s.covered_h)
        };
        let candidates = || {
            tracks
                .iter()
                .filter(move |track| track.place == place && track.quantity == quantity)
        };
        let chosen = self.speakers.get(&(place.to_owned(), quantity));
        let preferred = candidates().find(|track| Some(&track.sensor) == chosen);
        let best = candidates().max_by(|a, b| known(a).total_cmp(&known(b)));
        match (preferred, best) {
            (Some(preferred), Some(best)) if known(preferred) * 2.0 >= known(best) => Some(preferred),
            (_, best) => best,
        }
    }

    /// The last `days` days, no further back than the reach.
    pub(crate) fn last(&self, days: i64) -> Span {
        Span {
            from_ms: before(self.asked.until_ms, days),
            until_ms: self.asked.until_ms,
        }
    }

    /// Where files stand relative to the data folder: the same archive elsewhere gives the same audit.
    pub fn relative<'p>(&self, file: &'p Path) -> &'p Path {
        file.strip_prefix(&self.site.data_dir).unwrap_or(file)
    }
}

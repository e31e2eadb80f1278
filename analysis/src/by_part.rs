//! The whole judgement, a few enclosures at a time: memory is bounded by what one part holds, not by the site.
//!
//! In: the site, a span, and a way to load some sensors. Out: what [`assess`] gives for everything at once (the tests compare), and a record
//! that holds what pictures and tables of the span need, at full resolution.

use std::collections::BTreeSet;

use mosswarden_config::site::{Enclosure, Sensor, Site};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::assess::{Assessment, assess_part, needed};
use crate::load::Record;
use crate::threads::{cores, in_order};
use crate::trusted::Trusted;

/// Sensors times days that are held at once, over all threads. At a reading a minute of two quantities 600 take some 230 MB (measured: about 130 bytes
/// a reading while it is judged). One enclosure is never divided.
const SENSOR_DAYS_MAX: f64 = 600.0;
/// Where single enclosures are larger than their share of that (a year is asked for), this much is held before threads are spared: some 1 GB.
const SENSOR_DAYS_OF_LARGE_MAX: f64 = 2700.0;

/// What of the readings is given back beside the judgement.
#[derive(Debug, Clone, Copy)]
pub enum Kept {
    /// None: findings are all that is asked for.
    Nothing,
    /// At full resolution from this moment on, for pictures and tables.
    Since(i64),
}

impl Kept {
    /// What a report of `span` shows: it, as long a time before it to compare with, and a day more, so that lines enter them.
    pub fn for_report(span: Span) -> Kept {
        Kept::Since(span.from_ms - (span.until_ms - span.from_ms) - MS_PER_24_H)
    }
}

/// How much of the machine a judgement may take.
#[derive(Debug, Clone, Copy)]
pub enum Pace {
    /// Every core (four at most): somebody waits.
    Quick,
    /// One thread and half the memory: beside a collector.
    Quiet,
}

/// What came of judging part by part.
#[derive(Debug)]
pub struct ByPart<S> {
    /// What was kept of the readings.
    pub record: Record,
    pub assessment: Assessment,
    /// What was made of each part.
    pub shown: Vec<S>,
}

/// Judges `span` part by part. `load` is asked for the sensors and devices of each part over the span that [`needed`] says; `show` makes of a
/// part, while all its readings are there, whatever needs more of them than is kept. The result does not depend on the pace.
///
/// # Errors
/// What `load` says, of the first part that it can't load.
pub fn assess_by_part<E: Send, S: Send>(
    site: &Site,
    span: Span,
    (pace, kept): (Pace, Kept),
    load: impl Fn(&BTreeSet<String>, Span) -> Result<Record, E> + Sync,
    show: impl Fn(&Site, &Record, &Assessment) -> S + Sync,
) -> Result<ByPart<S>, E> {
    let needed = needed(span);
    let cores = match pace {
        Pace::Quick => cores(),
        Pace::Quiet => 1,
    };
    let parts = parts(site, needed, SENSOR_DAYS_MAX / cores.max(2) as f64);
    let largest = parts
        .iter()
        .map(|part| sensor_days(part, needed))
        .fold(1.0, f64::max);
    let threads = cores.min((SENSOR_DAYS_OF_LARGE_MAX / largest) as usize).max(1);
    let judged = in_order(&parts, threads, |part| {
        let mut record = load(&ids(part), needed)?;
        let mut found = assess_part(part, &record, span);
        if !part.enclosures.is_empty() {
            // The room is judged beside every enclosure and told once, by the part that has nothing else.
            found.let_go_of(ROOM);
        }
        let shown = show(part, &record, &found);
        match kept {
            Kept::Nothing => {
                record = Record::default();
                found.trust.trusted = Trusted::default();
            }
            Kept::Since(from_ms) => {
                record.let_go_before(from_ms);
                found.trust.trusted.let_go_before(from_ms);
            }
        }
        Ok((record, found, shown))
    });
    let (mut record, mut assessment, mut shown) = (Record::default(), Assessment::default(), Vec::new());
    for part in judged {
        let (its_record, its_assessment, its_shown) = part?;
        record.join(its_record);
        assessment.join(its_assessment);
        shown.push(its_shown);
    }
    Ok(ByPart {
        record,
        assessment: assessment.finish(site),
        shown,
    })
}

/// What a part holds at once.
fn sensor_days(part: &Site, needed: Span) -> f64 {
    let sensors: usize = part
        .enclosures
        .iter()
        .map(|enclosure| enclosure.sensors.len())
        .sum();
    sensors as f64 * (needed.until_ms - needed.from_ms) as f64 / MS_PER_24_H as f64
}

/// The site in parts of a few enclosures of `most` sensor-days or one that is larger, each with the room; the last part is the room alone.
fn parts(site: &Site, needed: Span, most: f64) -> Vec<Site> {
    let with = |enclosures: Vec<Enclosure>| Site {
        enclosures,
        ..site.clone()
    };
    let mut parts: Vec<Site> = Vec::new();
    for enclosure in &site.enclosures {
        let own = with(vec![enclosure.clone()]);
        match parts.last_mut() {
            Some(part) if sensor_days(part, needed) + sensor_days(&own, needed) <= most => {
                part.enclosures.push(enclosure.clone());
            }
            _ => parts.push(own),
        }
    }
    parts.push(with(Vec::new()));
    parts
}

/// Every sensor and device of a site.
pub fn ids(site: &Site) -> BTreeSet<String> {
    let of = |sensors: &[Sensor]| sensors.iter().map(|sensor| sensor.id.clone()).collect::<Vec<_>>();
    let inside = site.enclosures.iter().flat_map(|enclosure| {
        let devices = enclosure.devices.iter().map(|device| device.id.clone());
        of(&enclosure.sensors).into_iter().chain(devices)
    });
    of(&site.room_sensors).into_iter().chain(inside).collect()
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;
    use std::path::Path;

    use mosswarden_config::journal::Entry;

    use super::*;
    use crate::assess::assess;
    use crate::simulate::{holdout, run};

    #[test]
    fn parts_say_what_the_whole_says() {
        let simulation = run(&holdout::holdout(305));
        let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a sound site");
        let journal: Vec<Entry> = simulation.journal.iter().map(|row| row.entry()).collect();
        let until_ms = simulation.truth.until.0;
        let span = Span {
            from_ms: until_ms - 7 * MS_PER_24_H,
            until_ms,
        };
        let of = |ids: &BTreeSet<String>, span: Span| {
            let readings = simulation
                .readings
                .iter()
                .filter(|reading| ids.contains(&*reading.sensor));
            Record::from_readings(readings.cloned(), journal.clone(), span)
        };
        let all = of(&ids(&site), needed(span));
        let whole = assess(&site, &all, span);
        assert!(!whole.verdicts.findings.is_empty(), "nothing to compare");
        assert!(
            parts(&site, needed(span), SENSOR_DAYS_MAX).len() > 2,
            "nothing is divided"
        );
        let load = |ids: &BTreeSet<String>, span: Span| Ok::<_, Infallible>(of(ids, span));
        let count = |part: &Site, _: &Record, _: &Assessment| part.enclosures.len();
        let Ok(alone) = assess_by_part(&site, span, (Pace::Quiet, Kept::Nothing), load, count);
        assert_eq!(alone.assessment.verdicts, whole.verdicts);
        assert_eq!(alone.shown.iter().sum::<usize>(), site.enclosures.len());
        let Ok(quick) = assess_by_part(&site, span, (Pace::Quick, Kept::for_report(span)), load, count);
        let (record, by_part) = (quick.record, quick.assessment);
        assert_eq!(by_part.verdicts, whole.verdicts);
        assert_eq!(by_part.trust.sensors, whole.trust.sensors);
        assert_eq!(by_part.conditions.len(), whole.conditions.len());
        for (parts, whole) in by_part.conditions.iter().zip(&whole.conditions) {
            assert_eq!((&parts.days, &parts.nights), (&whole.days, &whole.nights));
            assert_eq!(parts.mistings, whole.mistings);
        }
        for (sensor, quantity, series) in all.iter() {
            let kept = record.get(sensor, quantity).expect("every sensor");
            assert_eq!(kept.within(span).at_ms, series.within(span).at_ms, "{sensor}");
        }
    }
}

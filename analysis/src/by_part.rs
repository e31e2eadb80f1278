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

/// Sensors times days that are held at once. At a reading a minute of two quantities 600 take some 230 MB (measured: about 130 bytes
/// a reading while it is judged). One enclosure is never divided.
const SENSOR_DAYS_MAX: f64 = 600.0;

/// Judges `span` part by part. `load` is asked for the sensors and devices of each part over the span that [`needed`] says.
///
/// # Errors
/// What `load` says.
pub fn assess_by_part<E>(
    site: &Site,
    span: Span,
    mut load: impl FnMut(&BTreeSet<String>, Span) -> Result<Record, E>,
) -> Result<(Record, Assessment), E> {
    let needed = needed(span);
    // Pictures compare with as long a time before; a day more, so that lines enter them.
    let shown_from_ms = span.from_ms - (span.until_ms - span.from_ms) - MS_PER_24_H;
    let (mut whole, mut judged) = (Record::default(), Assessment::default());
    for part in parts(site, needed) {
        let mut record = load(&ids(&part), needed)?;
        let mut found = assess_part(&part, &record, span);
        if !part.enclosures.is_empty() {
            // The room is judged beside every enclosure and told once, by the part that has nothing else.
            found.let_go_of(ROOM);
        }
        record.let_go_before(shown_from_ms);
        found.trust.trusted.let_go_before(shown_from_ms);
        whole.join(record);
        judged.join(found);
    }
    Ok((whole, judged.finish(site)))
}

/// The site in parts of a few enclosures, each with the room; the last part is the room alone.
fn parts(site: &Site, needed: Span) -> Vec<Site> {
    let days = (needed.until_ms - needed.from_ms) as f64 / MS_PER_24_H as f64;
    let mut groups: Vec<Vec<Enclosure>> = Vec::new();
    let mut held = f64::INFINITY;
    for enclosure in &site.enclosures {
        let cost = enclosure.sensors.len() as f64 * days;
        match groups.last_mut() {
            Some(group) if held + cost <= SENSOR_DAYS_MAX => {
                group.push(enclosure.clone());
                held += cost;
            }
            _ => {
                groups.push(vec![enclosure.clone()]);
                held = cost;
            }
        }
    }
    groups.push(Vec::new());
    let with = |enclosures: Vec<Enclosure>| Site {
        enclosures,
        ..site.clone()
    };
    groups.into_iter().map(with).collect()
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
        assert!(parts(&site, needed(span)).len() > 2, "nothing is divided");
        let Ok((record, by_part)) =
            assess_by_part(&site, span, |ids, span| Ok::<_, Infallible>(of(ids, span)));
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

//! The whole judgement in one call: record in, everything that can be said of a span out.

use std::collections::BTreeSet;

use mosswarden_config::site::{Sensor, Site};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::Span;

use crate::findings::Verdicts;
use crate::load::{HISTORY_MS, Record};
use crate::{care, conditions, trust};

/// Everything that the analysis says of a span.
#[derive(Debug, Clone, Default)]
pub struct Assessment {
    /// Findings of trust and conditions together, in the order in which they are printed.
    pub verdicts: Verdicts,
    pub trust: trust::Outcome,
    /// One an enclosure, in the site file's order.
    pub conditions: Vec<conditions::Outcome>,
    /// Care that is overdue.
    pub care: Verdicts,
    /// Places (an enclosure's id, or `room`) with sensors of which no reading of the span is there.
    pub silent: Vec<String>,
}

impl Assessment {
    /// Takes out what was said of one place (an enclosure's id, or `room`).
    pub(crate) fn let_go_of(&mut self, place: &str) {
        for verdicts in [&mut self.trust.verdicts, &mut self.care] {
            verdicts.findings.retain(|finding| finding.enclosure != place);
            verdicts.not_assessed.retain(|item| item.enclosure != place);
        }
        self.trust.sensors.retain(|sensor| sensor.enclosure != place);
        self.silent.retain(|silent| silent != place);
    }

    /// Takes in what was said of other places.
    pub(crate) fn join(&mut self, other: Assessment) {
        self.trust.verdicts.extend(other.trust.verdicts);
        self.trust.sensors.extend(other.trust.sensors);
        self.trust.trusted.extend(other.trust.trusted);
        self.conditions.extend(other.conditions);
        self.care.extend(other.care);
        self.silent.extend(other.silent);
    }

    /// Says what only the whole site can tell, and puts all verdicts in the order in which they are printed.
    pub(crate) fn finish(mut self, site: &Site) -> Self {
        conditions::together(site, &mut self.conditions);
        trust::outage::tell_once(site, &mut self.trust.verdicts);
        self.verdicts = self.trust.verdicts.clone();
        for outcome in &self.conditions {
            self.verdicts.extend(outcome.verdicts.clone());
        }
        self.verdicts.extend(self.care.clone());
        self.verdicts.sort();
        self
    }
}

/// The span of readings that judging `span` needs: it and what is usual before it.
pub fn needed(span: Span) -> Span {
    Span {
        from_ms: span.from_ms - HISTORY_MS,
        until_ms: span.until_ms,
    }
}

/// Judges `span` by a record that reaches back as [`needed`] says and holds nothing later than the span's end.
pub fn assess(site: &Site, record: &Record, span: Span) -> Assessment {
    assess_part(site, record, span).finish(site)
}

/// Judges the sensors and enclosures of a part of a site, without what [`Assessment::finish`] adds.
pub(crate) fn assess_part(part: &Site, record: &Record, span: Span) -> Assessment {
    let trust = trust::assess(part, record, span);
    let conditions = part
        .enclosures
        .iter()
        .map(|enclosure| conditions::assess(part, enclosure, record, &trust.trusted, span))
        .collect();
    Assessment {
        verdicts: Verdicts::default(),
        trust,
        conditions,
        care: care::assess(part, record, span),
        silent: silent(part, record, span),
    }
}

fn silent(part: &Site, record: &Record, span: Span) -> Vec<String> {
    let heard: BTreeSet<&str> = record
        .iter()
        .filter(|(_, _, samples)| !samples.within(span).at_ms.is_empty())
        .map(|(sensor, _, _)| sensor)
        .collect();
    let is_silent = |sensors: &[Sensor]| {
        !sensors.is_empty() && !sensors.iter().any(|sensor| heard.contains(sensor.id.as_str()))
    };
    let enclosures = part.enclosures.iter().filter(|own| is_silent(&own.sensors));
    let mut places: Vec<String> = enclosures.map(|own| own.id.clone()).collect();
    places.extend(is_silent(&part.room_sensors).then(|| ROOM.to_owned()));
    places
}

//! The whole judgement in one call: record in, everything that can be said of a span out.

use mosswarden_config::site::Site;
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
    let trust = trust::assess(site, record, span);
    let conditions: Vec<conditions::Outcome> = site
        .enclosures
        .iter()
        .map(|enclosure| conditions::assess(site, enclosure, record, &trust.trusted, span))
        .collect();
    let mut verdicts = trust.verdicts.clone();
    for outcome in &conditions {
        verdicts.extend(outcome.verdicts.clone());
    }
    verdicts.extend(care::assess(site, record, span));
    verdicts.sort();
    Assessment {
        verdicts,
        trust,
        conditions,
    }
}

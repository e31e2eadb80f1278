//! What could not be judged, for a reader: neighbouring days and kinds of one reason as one.
//!
//! In: refusals in the order in which they are printed. Out: as few as say the same.

use mosswarden_config::zone::{MS_PER_HOUR, Span, WHOLE_DAY_H_MIN, Zone};

use super::{Kind, NotAssessed};
use crate::words;

/// Two nights lie nearer to each other than this; a day that was judged between two others is longer, also one of 23 hours.
const NEIGHBOUR_MS: i64 = 20 * MS_PER_HOUR;

/// Several refusals of one reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Unjudged {
    pub kinds: Vec<Kind>,
    pub enclosure: String,
    pub subject: Option<String>,
    /// From the first to the end of the last.
    pub span: Option<Span>,
    pub reason: String,
}

impl Unjudged {
    fn new(item: &NotAssessed) -> Unjudged {
        Unjudged {
            kinds: vec![item.kind],
            enclosure: item.enclosure.clone(),
            subject: item.subject.clone(),
            span: item.span,
            reason: item.reason.clone(),
        }
    }

    fn is_alike(&self, other: &Unjudged) -> bool {
        (&self.enclosure, &self.subject, &self.reason) == (&other.enclosure, &other.subject, &other.reason)
    }

    /// When, in words: days where it is days; `None` where it is the whole of `asked` or has no time.
    pub fn when(&self, zone: Zone, asked: Span) -> Option<String> {
        let span = self.span.filter(|span| *span != asked)?;
        let (first, last) = (
            words::date(zone, span.from_ms),
            words::date(zone, span.until_ms - 1),
        );
        Some(if first == last && span.hours() < WHOLE_DAY_H_MIN {
            format!(
                "{} for {}",
                words::moment_short(zone, span.from_ms),
                words::duration(span.hours())
            )
        } else if first == last {
            first
        } else if span.hours() <= 24.0 {
            format!("night of {first}")
        } else {
            format!("{first} to {last}")
        })
    }
}

/// Neighbours in time (a day or a night apart at most) of one kind, place and reason as one; then kinds of one time and reason as one.
pub fn gathered(items: &[NotAssessed]) -> Vec<Unjudged> {
    let mut in_time: Vec<Unjudged> = Vec::new();
    for item in items.iter().map(Unjudged::new) {
        let before = in_time
            .iter_mut()
            .rev()
            .find(|known| known.kinds == item.kinds && known.is_alike(&item));
        match (before.and_then(|known| known.span.as_mut()), item.span) {
            (Some(known), Some(span))
                if known.from_ms <= span.from_ms && span.from_ms - known.until_ms < NEIGHBOUR_MS =>
            {
                known.until_ms = known.until_ms.max(span.until_ms);
            }
            _ => in_time.push(item),
        }
    }
    let mut all: Vec<Unjudged> = Vec::new();
    for item in in_time {
        match all
            .iter_mut()
            .find(|known| known.span == item.span && known.is_alike(&item))
        {
            Some(known) => known.kinds.extend(
                item.kinds
                    .into_iter()
                    .filter(|kind| !known.kinds.contains(kind))
                    .collect::<Vec<_>>(),
            ),
            None => all.push(item),
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use mosswarden_config::zone::MS_PER_24_H;

    use super::*;

    #[test]
    fn neighbouring_days_and_like_kinds_become_one() {
        let item = |kind, day: i64, reason: &str| NotAssessed {
            kind,
            enclosure: "mossy-1".to_owned(),
            subject: None,
            span: Some(Span {
                from_ms: day * MS_PER_24_H,
                until_ms: (day + 1) * MS_PER_24_H,
            }),
            reason: reason.to_owned(),
        };
        let nothing = "nothing of the humidity known";
        let items = [
            item(Kind::HumidityTooLow, 1, nothing),
            item(Kind::HumidityTooLow, 2, nothing),
            item(Kind::HumidityTooLow, 3, "only 12 % of the humidity known"),
            item(Kind::HumidityTooLow, 5, nothing),
            item(Kind::HumidityTooHigh, 1, nothing),
            item(Kind::HumidityTooHigh, 2, nothing),
        ];
        let zone = Zone::from_name("Etc/UTC").expect("a zone");
        let asked = Span {
            from_ms: 0,
            until_ms: 7 * MS_PER_24_H,
        };
        let said: Vec<(usize, String)> = gathered(&items)
            .iter()
            .map(|one| (one.kinds.len(), one.when(zone, asked).unwrap_or_default()))
            .collect();
        let wanted = [
            (2, "Friday 2 January to Saturday 3 January"),
            (1, "Sunday 4 January"),
            (1, "Tuesday 6 January"),
        ];
        assert_eq!(said, wanted.map(|(kinds, when)| (kinds, when.to_owned())));
    }
}

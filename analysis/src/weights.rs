//! An animal's weights from the journal: a line, and a trend only where one can be told.
//!
//! In: entries of the kind `weight`, whose text begins with the weight in grams, and a name where several animals live together
//! (`"41.5 g Juno"`). Out: one [`Animal`] each with its [`Trend`] and picture. A weight says nothing of health by itself.

use mosswarden_config::journal;
use mosswarden_config::journal::{Entry, weight};
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use crate::plot::{Cell, Picture, Table, WeightPlot, number, weight_plot};
use crate::statistics::interval::Estimate;
use crate::statistics::trend::theil_sen;

/// With fewer weighings no rank test reaches 95 %: of four that all rise the exact two-sided p is 2/24 ([Kendall1975]).
const COUNT_MIN: usize = 5;
/// Over a shorter time a trend is food and water, not growth (our own choice).
const DAYS_MIN: f64 = 14.0;
/// Trends are told per this many days.
const DAYS_TOLD: f64 = 30.0;
/// Weighings used: Theil–Sen grows with the square of their number.
const COUNT_MAX: usize = 500;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighing {
    pub at_ms: i64,
    pub grams: f64,
}

/// What can be said of the direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trend {
    /// Too few weighings or too short a time.
    TooFew,
    /// Change in 30 days, g, with its 95 % interval, and the line through the middle of the weighings.
    Slope { per_30_d: Estimate, middle: Weighing },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Animal {
    pub place: String,
    /// Empty where the entries give no name.
    pub name: String,
    /// In order of time.
    pub weighings: Vec<Weighing>,
    pub trend: Trend,
}

/// Every animal that was weighed, by place and name, and the entries whose text holds no weight.
pub fn animals(journal: &[Entry]) -> (Vec<Animal>, Vec<&Entry>) {
    let mut found: std::collections::BTreeMap<(String, String), Vec<Weighing>> = Default::default();
    let mut unread = Vec::new();
    for entry in journal.iter().filter(|entry| entry.kind == journal::WEIGHT) {
        match weight(&entry.text) {
            Some((grams, name)) => found
                .entry((entry.enclosure.clone(), name))
                .or_default()
                .push(Weighing {
                    at_ms: entry.at_ms,
                    grams,
                }),
            None => unread.push(entry),
        }
    }
    let animals = found
        .into_iter()
        .map(|((place, name), mut weighings)| {
            weighings.sort_by_key(|weighing| weighing.at_ms);
            let trend = trend(&weighings);
            Animal {
                place,
                name,
                weighings,
                trend,
            }
        })
        .collect();
    (animals, unread)
}

/// Theil–Sen slope of weight over time, per 30 days, with its 95 % interval.
///
/// Weighings of an animal that has just eaten scatter, and follow each other; the interval takes them as independent and is then
/// too narrow, which is why a trend is told only where it excludes zero.
fn trend(weighings: &[Weighing]) -> Trend {
    let used = &weighings[weighings.len().saturating_sub(COUNT_MAX)..];
    let (Some(first), Some(last)) = (used.first(), used.last()) else {
        return Trend::TooFew;
    };
    let days = |at_ms: i64| (at_ms - first.at_ms) as f64 / MS_PER_24_H as f64;
    if used.len() < COUNT_MIN || days(last.at_ms) < DAYS_MIN {
        return Trend::TooFew;
    }
    let times: Vec<f64> = used.iter().map(|weighing| days(weighing.at_ms)).collect();
    let values: Vec<f64> = used.iter().map(|weighing| weighing.grams).collect();
    let Ok(line) = theil_sen(&times, &values, 0.95, 1.0) else {
        return Trend::TooFew;
    };
    let middle_days = crate::statistics::robust::median(&times).unwrap_or_default();
    Trend::Slope {
        per_30_d: line.slope.scaled(DAYS_TOLD),
        middle: Weighing {
            at_ms: first.at_ms + (middle_days * MS_PER_24_H as f64) as i64,
            grams: line.intercept + line.slope.value * middle_days,
        },
    }
}

impl Animal {
    /// What the weights show, in a sentence or two.
    pub fn words(&self, zone: Zone) -> String {
        let Some(last) = self.weighings.last() else {
            return String::new();
        };
        let newest = format!(
            "{} g on {}.",
            number(last.grams),
            zone.date(last.at_ms).format("%A %-d %B %Y")
        );
        let count = self.weighings.len();
        let said = match self.trend {
            Trend::TooFew => format!(
                "Too few weighings to say whether it gains or loses: {count}, and {COUNT_MIN} over at least {DAYS_MIN:.0} \
                 days are needed."
            ),
            Trend::Slope { per_30_d, .. } => {
                let between = format!("between {} and {} g", signed(per_30_d.low), signed(per_30_d.high));
                if per_30_d.excludes_zero() {
                    let verb = if per_30_d.value > 0.0 { "Gains" } else { "Loses" };
                    format!(
                        "{verb} {} g per 30 days ({between}, 95 %, from {count} weighings).",
                        number(per_30_d.value.abs())
                    )
                } else {
                    format!(
                        "No gain or loss can be told: {between} per 30 days (95 %, from {count} weighings)."
                    )
                }
            }
        };
        format!("{newest} {said}")
    }

    /// The weights over time with the trend and its interval; `None` below two weighings.
    pub fn picture(&self, zone: Zone) -> Option<Picture> {
        if self.weighings.len() < 2 {
            return None;
        }
        let points: Vec<(i64, f64)> = self.weighings.iter().map(|w| (w.at_ms, w.grams)).collect();
        let per_ms = |per_30_d: f64| per_30_d / (DAYS_TOLD * MS_PER_24_H as f64);
        let line = match self.trend {
            Trend::TooFew => None,
            Trend::Slope { per_30_d, middle } => Some((
                (middle.at_ms, middle.grams),
                Estimate {
                    value: per_ms(per_30_d.value),
                    low: per_ms(per_30_d.low),
                    high: per_ms(per_30_d.high),
                },
            )),
        };
        let mut picture = weight_plot(&WeightPlot {
            zone,
            points: &points,
            line,
        });
        picture.title = if self.name.is_empty() {
            "Weights".to_owned()
        } else {
            format!("Weights of {}", self.name)
        };
        picture.alternative = self.words(zone);
        picture.table = Table {
            caption: format!("{}, by day", picture.title),
            columns: vec!["Day".to_owned(), "weight, g".to_owned()],
            rows: self
                .weighings
                .iter()
                .map(|weighing| {
                    vec![
                        Cell::text(zone.date(weighing.at_ms).format("%a %-d %b %Y").to_string()),
                        Cell::number(weighing.grams),
                    ]
                })
                .collect(),
        };
        Some(picture)
    }

    /// The time from the first to the last weighing.
    pub fn span(&self) -> Option<Span> {
        Some(Span {
            from_ms: self.weighings.first()?.at_ms,
            until_ms: self.weighings.last()?.at_ms,
        })
    }
}

fn signed(value: f64) -> String {
    let shown = number(value.abs());
    if value < 0.0 {
        format!("−{shown}")
    } else {
        format!("+{shown}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(day: i64, text: &str) -> Entry {
        Entry {
            at_ms: day * MS_PER_24_H,
            written_ms: day * MS_PER_24_H,
            enclosure: "mossy-1".to_owned(),
            kind: "weight".to_owned(),
            subject: None,
            text: text.to_owned(),
            by: None,
            amends: None,
        }
    }

    fn one(entries: &[Entry]) -> Animal {
        let (mut animals, unread) = animals(entries);
        assert!(unread.is_empty());
        assert_eq!(animals.len(), 1);
        animals.remove(0)
    }

    #[test]
    fn four_weighings_or_a_week_are_too_few_to_say() {
        let four: Vec<Entry> = (0..4).map(|n| entry(n * 10, &format!("{} g", 40 + n))).collect();
        assert_eq!(one(&four).trend, Trend::TooFew);
        let week: Vec<Entry> = (0..7).map(|n| entry(n, &format!("{} g", 40 + n))).collect();
        assert_eq!(one(&week).trend, Trend::TooFew);
        let zone = Zone::from_name("UTC").expect("an IANA name");
        assert!(one(&four).words(zone).contains("Too few weighings to say"));
    }

    #[test]
    fn a_steady_gain_is_told_with_its_interval_and_scatter_is_not() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        // Exactly 0.1 g a day: 3 g in 30 days.
        let gain: Vec<Entry> = (0..8)
            .map(|n| entry(n * 7, &format!("{} g", 40.0 + 0.7 * n as f64)))
            .collect();
        let animal = one(&gain);
        let Trend::Slope { per_30_d, .. } = animal.trend else {
            panic!("eight weighings over seven weeks");
        };
        assert!((per_30_d.value - 3.0).abs() < 1e-9, "{per_30_d:?}");
        assert!(animal.words(zone).contains("Gains 3.0 g per 30 days"));
        let scatter: Vec<Entry> = [41.0, 40.2, 41.3, 40.1, 41.2, 40.4, 40.9, 40.3]
            .iter()
            .zip(0..)
            .map(|(grams, n)| entry(n * 7, &format!("{grams} g")))
            .collect();
        assert!(one(&scatter).words(zone).contains("No gain or loss can be told"));
        assert!(one(&scatter).picture(zone).is_some());
    }

    #[test]
    fn animals_of_one_enclosure_are_kept_apart_and_what_is_no_weight_is_shown() {
        let entries = [
            entry(0, "40 g Juno"),
            entry(1, "52 g Milo"),
            entry(2, "not weighed"),
        ];
        let (animals, unread) = animals(&entries);
        let names: Vec<&str> = animals.iter().map(|animal| animal.name.as_str()).collect();
        assert_eq!(names, ["Juno", "Milo"]);
        assert_eq!(unread.len(), 1);
    }
}

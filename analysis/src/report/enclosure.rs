//! One enclosure's pages: its strip, nights, hours, misting, sensors, changes, journal and limits.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, DeviceKind, Enclosure, Sensor, Site};

use super::chosen;
use super::inside;
use super::limits;
use super::misting::{self, MistingPart};
use super::model::{Judged, Material};
use super::moisture;
use super::need::{Need, Verdict};
use super::nights;
use super::warm_and_cool;
use super::week_before;
use crate::conditions::device_states;
use crate::findings::gathered;
use crate::load::Record;
use crate::plot::{self, Cell, Mark, Picture, Table};
use crate::trust::{SensorTrust, Standing};
use crate::words;

/// Everything about one enclosure.
#[derive(Debug, Clone, PartialEq)]
pub struct EnclosureSection {
    pub id: String,
    pub label: String,
    /// Such as "Vietnamese mossy frog (Theloderma corticale), 3 animals. Light from 08:00 to 20:00."
    pub about: String,
    pub verdict: Verdict,
    pub needs: Vec<Need>,
    pub coverage: String,
    /// `None` where neither temperature nor humidity has ever been read.
    pub strip: Option<Picture>,
    /// Which sensors are drawn, and why parts of them are not.
    pub strip_notes: Vec<String>,
    pub journal: Vec<JournalLine>,
    /// Share of the known time inside the wanted ranges.
    pub inside: Table,
    pub nights: Table,
    pub days: Table,
    /// Wettest, driest, warmest and coolest hour; whether there was warm and cool to choose from; the air's moisture.
    pub hours: Vec<String>,
    /// What each humidistat held hour by hour, and the air's deficit day by day.
    pub hour_pictures: Vec<Picture>,
    /// How it follows its room, heater and lamp, and what would follow from that; or why that is not known.
    pub would_do: Vec<String>,
    pub misting: Option<MistingPart>,
    pub sensors: Table,
    /// Of the sensors that are not simply believed.
    pub trust_lines: Vec<Picture>,
    /// Of those that are.
    pub steady_lines: Vec<Picture>,
    pub before: week_before::Comparison,
    /// What could not be judged, and why.
    pub not_judged: Vec<String>,
    pub limits: Table,
    /// The same as a sentence.
    pub limits_said: String,
    pub limits_note: String,
}

impl EnclosureSection {
    /// When, and what was measured where the first page does not say it.
    pub(super) fn in_short(&self, need: &Need) -> String {
        match (self.verdict.is_needed(), need.evidence.first()) {
            (false, Some(first)) => format!("{}. {first}", need.when),
            _ => format!("{}.", need.when),
        }
    }
}

/// One journal entry with the number under which it stands in the strip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalLine {
    pub number: usize,
    pub when: String,
    pub kind: String,
    pub text: String,
}

/// Least number of days for a trust line: fewer show no course.
const TRUST_DAYS_MIN: usize = 7;

pub(crate) fn section(material: &Material<'_>, judged: &Judged<'_>) -> EnclosureSection {
    let enclosure = judged.enclosure;
    let journal = journal(material, &enclosure.id);
    let limits = limits::table(material.display, enclosure);
    let (nights, days) = nights::tables(material, judged);
    let mut hours = nights::hours(material, judged, &days);
    if let Some(outcome) = judged.conditions {
        let found: Vec<_> = outcome.days.iter().filter_map(|day| day.warm_and_cool).collect();
        hours.extend(warm_and_cool::sentences(material.display, enclosure, &found));
    }
    hours.extend(moisture::sentences(judged));
    EnclosureSection {
        id: enclosure.id.clone(),
        label: enclosure.label.clone(),
        about: about(enclosure),
        verdict: judged.verdict,
        needs: judged.needs.clone(),
        coverage: judged.coverage.clone(),
        strip: (judged.temperature.is_some() || judged.humidity.is_some()).then(|| strip(material, judged)),
        strip_notes: strip_notes(material, judged),
        hours,
        hour_pictures: moisture::pictures(material, judged),
        would_do: judged.conditions.map_or_else(Vec::new, |outcome| {
            let lines = outcome.would_do.lines();
            lines.iter().map(|line| material.display.sentence(line)).collect()
        }),
        inside: inside::table(material, judged),
        nights,
        days,
        misting: misting::part(material, judged),
        sensors: sensors(material, &enclosure.id, &enclosure.sensors),
        trust_lines: trust_lines(material, &enclosure.id, &enclosure.sensors, |said| {
            !is_steady(said)
        }),
        steady_lines: trust_lines(material, &enclosure.id, &enclosure.sensors, is_steady),
        before: week_before::compare(material, judged),
        not_judged: not_judged(material, &enclosure.id),
        limits_said: limits::said(&limits),
        limits,
        limits_note: limits::note(enclosure),
        journal,
    }
}

pub(crate) fn about(enclosure: &Enclosure) -> String {
    let kind = match &enclosure.species {
        Some(species) => format!(
            "{} ({})",
            words::capital(&species.common_name),
            species.scientific_name
        ),
        None => enclosure.species_id.clone(),
    };
    let animals = match enclosure.animals {
        Some(1) => ", 1 animal".to_owned(),
        Some(count) => format!(", {count} animals"),
        None => String::new(),
    };
    format!("{kind}{animals}. Light from {}.", enclosure.light)
}

/// Journal entries of a place in the span, numbered as in the pictures.
pub(crate) fn journal(material: &Material<'_>, place: &str) -> Vec<JournalLine> {
    let zone = material.site.zone;
    material
        .record
        .entries(place, material.span)
        .enumerate()
        .map(|(index, entry)| {
            let mut kind = entry.kind.replace('-', " ");
            if let Some(subject) = &entry.subject {
                kind += &format!(" ({subject})");
            }
            if let Some(by) = &entry.by {
                kind += &format!(", by {by}");
            }
            JournalLine {
                number: index + 1,
                when: words::moment_short(zone, entry.at_ms),
                kind,
                text: entry.text.trim().to_owned(),
            }
        })
        .collect()
}

pub(crate) fn marks(material: &Material<'_>, place: &str) -> Vec<Mark> {
    material
        .record
        .entries(place, material.span)
        .enumerate()
        .map(|(index, entry)| Mark {
            label: (index + 1).to_string(),
            at_ms: entry.at_ms,
        })
        .collect()
}

fn strip(material: &Material<'_>, judged: &Judged<'_>) -> Picture {
    let enclosure = judged.enclosure;
    let last_date = material.site.zone.date(material.span.until_ms - 1);
    plot::week_strip(&plot::Strip {
        name: &enclosure.label,
        span: material.span,
        zone: material.site.zone,
        light: Some(enclosure.light_on(last_date)),
        limits: Some(enclosure.limits_on(last_date)),
        temperature: judged.temperature.as_ref().map(chosen::Chosen::line),
        humidity: judged.humidity.as_ref().map(chosen::Chosen::line),
        mistings: judged
            .mistings()
            .filter(|misting| material.span.contains(misting.at_ms))
            .map(|misting| plot::Stroke {
                at_ms: misting.at_ms,
                ran: misting.ran,
                rise_pct: misting.rise_pct,
            })
            .collect(),
        bars: enclosure
            .devices
            .iter()
            .filter_map(|device| {
                bar(
                    material.site,
                    enclosure,
                    material.record,
                    device,
                    material.span.until_ms,
                )
            })
            .collect(),
        marks: marks(material, &enclosure.id),
        display: material.display,
    })
}

/// A device's bar; a mister has its strokes instead.
pub(crate) fn bar(
    site: &Site,
    enclosure: &Enclosure,
    record: &Record,
    device: &Device,
    until_ms: i64,
) -> Option<plot::Bar> {
    if device.kind == DeviceKind::Mister {
        return None;
    }
    let states = device_states(site, enclosure, record, device, until_ms)?;
    Some(plot::Bar {
        label: device.kind.name().replace('-', " "),
        on: states.on,
        known: states.known,
    })
}

fn strip_notes(material: &Material<'_>, judged: &Judged<'_>) -> Vec<String> {
    let mut notes = Vec::new();
    let drawn = [
        ("Temperature", &judged.temperature),
        ("Humidity", &judged.humidity),
    ];
    for (name, chosen) in drawn {
        let Some(chosen) = chosen else {
            notes.push(format!("{name} has never been read here."));
            continue;
        };
        let words = chosen.trust.map_or("not checked", |trust| trust.words.as_str());
        notes.push(format!(
            "{name} by {}: {}.",
            chosen.label,
            material.display.sentence(words).trim_end_matches('.')
        ));
        notes.extend(
            chosen
                .left_out()
                .filter_map(|(span, reason)| Some((span.intersect(material.span)?, reason)))
                .map(|(span, reason)| {
                    format!(
                        "Not used from {} for {}: {}.",
                        words::instant(material.site.zone, span.from_ms),
                        words::duration(span.hours()),
                        material.display.sentence(reason).trim_end_matches('.')
                    )
                }),
        );
    }
    notes
}

/// The trust of each sensor in words.
pub(crate) fn sensors(material: &Material<'_>, place: &str, sensors: &[Sensor]) -> Table {
    let mut rows = Vec::new();
    for sensor in sensors {
        let said: Vec<_> = material
            .trust
            .sensors
            .iter()
            .filter(|said| said.sensor == sensor.id)
            .collect();
        let name = match &sensor.place {
            Some(place) => format!("{} ({place})", sensor.id),
            None => sensor.id.clone(),
        };
        if said.is_empty() {
            rows.push(vec![
                Cell::text(name),
                Cell::text("all"),
                Cell::text("not known: no reading came, or nothing could be checked"),
                Cell::text("nothing"),
            ]);
            continue;
        }
        for trust in said {
            let words = match (trust.standing, trust.words.is_empty()) {
                (_, false) => material.display.sentence(&trust.words),
                (Standing::Believed, true) => "believed".to_owned(),
                (Standing::Doubtful, true) => "doubtful".to_owned(),
                (Standing::NotBelieved, true) => "not believed".to_owned(),
                (Standing::NotKnown, true) => "not known".to_owned(),
            };
            rows.push(vec![
                Cell::text(name.clone()),
                Cell::text(trust.quantity.name().replace('-', " ")),
                Cell::text(words),
                Cell::text(
                    trust
                        .compared_with
                        .clone()
                        .unwrap_or_else(|| "nothing".to_owned()),
                ),
            ]);
        }
    }
    let caption = if place == mosswarden_config::table::ROOM {
        "How far the room’s sensors can be believed"
    } else {
        "How far its sensors can be believed"
    };
    Table {
        caption: caption.to_owned(),
        columns: ["Sensor", "measures", "trust", "compared with"]
            .map(str::to_owned)
            .to_vec(),
        rows,
    }
}

/// Whether the course of a sensor's difference is no news: it is believed.
pub(crate) fn is_steady(said: &SensorTrust) -> bool {
    said.standing == Standing::Believed
}

/// The trust lines of those that are `wanted`.
pub(crate) fn trust_lines(
    material: &Material<'_>,
    place: &str,
    sensors: &[Sensor],
    wanted: impl Fn(&SensorTrust) -> bool,
) -> Vec<Picture> {
    let mut pictures = Vec::new();
    for sensor in sensors {
        let (marks, marked) = sensor_marks(material, place, sensor);
        for quantity in [Quantity::Humidity, Quantity::Temperature] {
            let Some(said) = chosen::trust_of(material.trust, &sensor.id, quantity) else {
                continue;
            };
            if said.differences.len() < TRUST_DAYS_MIN || !wanted(said) {
                continue;
            }
            let is_humidity = quantity == Quantity::Humidity;
            let tolerance = if is_humidity {
                sensor.accuracy.humidity_pct
            } else {
                material.display.difference(sensor.accuracy.temperature_c)
            };
            let shown: Vec<_> = said
                .differences
                .iter()
                .map(|day| {
                    let turn = |value: f64| {
                        if is_humidity {
                            value
                        } else {
                            material.display.difference(value)
                        }
                    };
                    crate::trust::DailyDifference {
                        at_ms: day.at_ms,
                        difference: turn(day.difference),
                        half_width: turn(day.half_width),
                    }
                })
                .collect();
            let drawn = plot::trust_line(&plot::TrustLine {
                name: &format!("{}, {}", sensor.id, quantity.name()),
                unit: if is_humidity {
                    "%RH"
                } else {
                    material.display.degree()
                },
                zone: material.site.zone,
                differences: &shown,
                tolerance: Some(tolerance),
                marks: marks.clone(),
            });
            pictures.extend(drawn.map(|mut picture| {
                picture.alternative += &marked;
                picture
            }));
        }
    }
    pictures
}

/// What was done to a sensor in the time of its trust line: lettered marks, and a sentence that explains them.
fn sensor_marks(material: &Material<'_>, place: &str, sensor: &Sensor) -> (Vec<Mark>, String) {
    let zone = material.site.zone;
    let concerns = |entry: &&mosswarden_config::journal::Entry| {
        entry.enclosure == place && entry.subject.as_deref() == Some(sensor.id.as_str())
    };
    let (mut marks, mut words) = (Vec::new(), Vec::new());
    for (entry, letter) in material.record.journal.iter().filter(concerns).zip('a'..='z') {
        marks.push(Mark {
            label: letter.to_string(),
            at_ms: entry.at_ms,
        });
        let kind = entry.kind.replace('-', " ");
        words.push(format!(
            "{letter}, {kind} on {}",
            zone.date(entry.at_ms).format("%-d %B")
        ));
    }
    let sentence = if words.is_empty() {
        String::new()
    } else {
        format!(" Marked: {}.", words.join("; "))
    };
    (marks, sentence)
}

/// What could not be judged at a place, one sentence a reason.
pub(crate) fn not_judged(material: &Material<'_>, place: &str) -> Vec<String> {
    gathered(&material.verdicts.not_assessed)
        .iter()
        .filter(|item| item.enclosure == place)
        .map(|item| {
            let subject = item
                .subject
                .as_ref()
                .filter(|subject| *subject != place)
                .map_or_else(String::new, |subject| format!(" of {subject}"));
            let when = item
                .when(material.site.zone, material.span)
                .map_or_else(String::new, |when| format!(", {when}"));
            let mut kinds: Vec<String> = item
                .kinds
                .iter()
                .map(|kind| words::judged(*kind).to_owned())
                .collect();
            kinds.dedup();
            format!(
                "{}{subject}{when}: {}.",
                words::capital(&words::list(&kinds)),
                material.display.sentence(&item.reason).trim_end_matches('.')
            )
        })
        .collect()
}

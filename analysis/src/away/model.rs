//! The sheet for days away as a model: everything that is said is worked out here; the renderers compute nothing.

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::care::Tasks;
use super::{place, warmth};
use crate::assess::Assessment;
use crate::care::{Due, due};
use crate::load::Record;
use crate::plot::{Cell, Display, Table};
use crate::report::WeeklyReport;
use crate::statistics::robust::quantile;
use crate::unwell;
use crate::words::{self, Words};

/// Version of the shape, for JSON.
pub const SCHEMA: &str = "mosswarden.away/1";

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// From leaving to coming back.
    pub span: Span,
    /// What the keeper expects of the room; as of late where they say nothing.
    pub room: Option<Room>,
}

/// The coldest and the warmest of the room, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    pub low_c: f64,
    pub high_c: f64,
}

/// Everything that the sheet is made from.
pub struct Given<'a> {
    pub site: &'a Site,
    pub record: &'a Record,
    /// Of the last days up to `now_ms`.
    pub report: &'a WeeklyReport,
    pub assessment: &'a Assessment,
    /// Its entries up to `now_ms`.
    pub journal: &'a [Entry],
    /// Who would be told of danger, a sentence each.
    pub told: Vec<String>,
    pub asked: Asked,
    pub now_ms: i64,
    pub(super) tasks: Vec<Due>,
    pub(super) room: Option<Room>,
    /// Said where no sensor at all was heard of late.
    pub(super) unheard: Option<String>,
    pub(super) display: Display,
}

impl<'a> Given<'a> {
    pub fn new(
        site: &'a Site,
        record: &'a Record,
        report: &'a WeeklyReport,
        assessment: &'a Assessment,
        journal: &'a [Entry],
        told: Vec<String>,
        asked: Asked,
        now_ms: i64,
    ) -> Given<'a> {
        Given {
            site,
            record,
            report,
            assessment,
            journal,
            told,
            asked,
            now_ms,
            tasks: due(site, journal, now_ms),
            room: asked.room.or_else(|| room_of_late(site, assessment, now_ms)),
            unheard: unheard(site, record, now_ms),
            display: Display::new(site.units),
        }
    }
}

/// What an enclosure asks for, the gravest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Answer {
    SeeToItFirst,
    NotKnown,
    LookIn,
    NothingAgainst,
}

impl Answer {
    const ALL: [Answer; 4] = [
        Answer::SeeToItFirst,
        Answer::NotKnown,
        Answer::LookIn,
        Answer::NothingAgainst,
    ];

    pub const fn words(self) -> &'static str {
        match self {
            Answer::SeeToItFirst => "see to it before you go",
            Answer::NotKnown => "not known",
            Answer::LookIn => "somebody must do something meanwhile",
            Answer::NothingAgainst => "nothing known speaks against it",
        }
    }

    /// The name in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Answer::SeeToItFirst => "see-to-it-first",
            Answer::NotKnown => "not-known",
            Answer::LookIn => "look-in",
            Answer::NothingAgainst => "nothing-against",
        }
    }
}

/// One enclosure.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    pub id: String,
    pub label: String,
    pub answer: Answer,
    /// To be seen to before leaving.
    pub first: Vec<String>,
    /// What somebody must do, or watch for, while the keeper is away.
    pub meanwhile: Vec<String>,
    pub not_known: Vec<String>,
}

/// The whole sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Away {
    pub site: String,
    pub timezone: String,
    /// Nothing later was used.
    pub until: String,
    pub from: String,
    pub to: String,
    /// Said prominently where the data are invented.
    pub invented: Option<String>,
    pub title: String,
    /// When it was made, in words.
    pub made: String,
    pub answer: String,
    /// The enclosures by what they ask for.
    pub answer_more: Vec<String>,
    /// Why the answer may not hold.
    pub warnings: Vec<String>,
    /// The room that is reckoned with.
    pub room: String,
    /// What heat and cold would do, a row an enclosure that is known.
    pub warmth: Table,
    /// Who would be told of danger.
    pub told: Vec<String>,
    /// The gravest first, else in the site file's order.
    pub enclosures: Vec<Place>,
    /// Tasks of the room itself.
    pub room_first: Vec<String>,
    pub room_meanwhile: Vec<String>,
    pub cautions: Vec<String>,
}

/// What must be said of any absence.
const CAUTIONS: [&str; 4] = [
    "An alert can fail to reach anybody, and sensors see no animal: no program stands in for a look each day.",
    "Reservoirs and water dishes are filled with fresh water before leaving; how long it lasts is not measured. Warm standing water can grow and spread \
     Legionella: what will stand is emptied, cleaned and dried.",
    "Every heater keeps its own thermostat and, independent of it, a high cut-out; both are tested while the keeper is there.",
    "Sockets stay above the water, with residual-current protection. A thermometer to read by hand lies ready.",
];

/// A place without a reading for so long is not watched (own choice).
pub(super) const UNHEARD_MS: i64 = MS_PER_HOUR;

/// What stands before some days away.
pub fn away(given: &Given<'_>) -> Away {
    let Given {
        site, asked, now_ms, ..
    } = *given;
    let zone = site.zone;
    let mut found: Vec<(Place, Option<Vec<Cell>>)> = site
        .enclosures
        .iter()
        .filter_map(|own| {
            let section = given
                .report
                .enclosures
                .iter()
                .find(|section| section.id == own.id)?;
            Some(place::place(given, own, section))
        })
        .collect();
    let is_unwell = |place: &Place| !unwell::open(given.journal, &place.id, now_ms).is_empty();
    found.sort_by_key(|(place, _)| (place.answer, !is_unwell(place)));
    let (enclosures, rows): (Vec<Place>, Vec<Option<Vec<Cell>>>) = found.into_iter().unzip();
    let mut of_room = place::Lines::default();
    Tasks::of(given, ROOM).say(&mut of_room);
    of_room.first.extend(of_room.not_known);
    let day = |at_ms: i64| zone.date(at_ms).format("%A %-d %B %Y").to_string();
    let rows: Vec<Vec<Cell>> = rows.into_iter().flatten().collect();
    Away {
        site: site.name.clone(),
        timezone: zone.name().to_owned(),
        until: zone.rfc3339(now_ms),
        from: zone.rfc3339(asked.span.from_ms),
        to: zone.rfc3339(asked.span.until_ms),
        invented: given.report.invented.clone(),
        title: format!(
            "Away from {} to {}",
            day(asked.span.from_ms),
            day(asked.span.until_ms - 1)
        ),
        made: words::instant(zone, now_ms),
        answer: answer(&enclosures),
        answer_more: answer_more(&enclosures),
        warnings: given.unheard.iter().cloned().collect(),
        room: room_words(given),
        warmth: match given.room {
            Some(room) if !rows.is_empty() => warmth::table(given.display, room, rows),
            _ => Table::default(),
        },
        told: given.told.clone(),
        enclosures,
        room_first: of_room.first,
        room_meanwhile: of_room.meanwhile,
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    }
}

/// Said where no sensor at all was heard of late.
fn unheard(site: &Site, record: &Record, now_ms: i64) -> Option<String> {
    let newest = record
        .iter()
        .filter_map(|(_, _, samples)| samples.at_ms.last().copied());
    let since = match newest.max() {
        Some(newest_ms) if now_ms - newest_ms <= UNHEARD_MS => return None,
        Some(newest_ms) => format!("since {}", words::instant(site.zone, newest_ms)),
        None => "in the last weeks".to_owned(),
    };
    Some(format!(
        "No sensor was heard {since}: do not rely on this sheet, and do not leave before readings come again."
    ))
}

/// What the room was in the last days, by its usable thermometers; single minutes are left out.
fn room_of_late(site: &Site, assessment: &Assessment, now_ms: i64) -> Option<Room> {
    const DAYS: i64 = 14;
    const ENDS: [f64; 2] = [0.005, 0.995];
    let of_late = Span {
        from_ms: now_ms - DAYS * MS_PER_24_H,
        until_ms: now_ms,
    };
    let ranges = site.room_sensors.iter().filter_map(|sensor| {
        let usable = assessment.trust.trusted.get(&sensor.id, Quantity::Temperature)?;
        let read = usable.series.view().within(of_late);
        let [low_c, high_c] = ENDS.map(|share| quantile(read.value, share));
        Some(Room {
            low_c: low_c?,
            high_c: high_c?,
        })
    });
    ranges.reduce(|one, other| Room {
        low_c: one.low_c.min(other.low_c),
        high_c: one.high_c.max(other.high_c),
    })
}

fn room_words(given: &Given<'_>) -> String {
    let words = Words::of(given.site);
    match (given.room, given.asked.room) {
        (None, _) => {
            "What heat and cold would do is not known: no thermometer of the room was heard.".to_owned()
        }
        (Some(room), expected) => {
            let whence = match expected {
                Some(_) => "as you expect it.",
                None => {
                    "as in the last 14 days. If the forecast says otherwise, ask again and say what you expect."
                }
            };
            let reckoned = format!(
                "The room: {} to {}, {whence}",
                words.temperature(room.low_c),
                words.temperature(room.high_c)
            );
            reckoned + &never_seen(given, room).unwrap_or_default()
        }
    }
}

/// Said where such a room was not among the weeks that the figures are learned from.
fn never_seen(given: &Given<'_>, room: Room) -> Option<String> {
    /// So far beyond what it ever was, K (own choice).
    const NEVER_SEEN_K: f64 = 2.0;
    let places = given
        .assessment
        .conditions
        .iter()
        .flat_map(|outcome| &outcome.would_do.places);
    let (low_c, high_c) = places
        .filter_map(|place| place.room_was_c())
        .reduce(|one, other| (one.0.min(other.0), one.1.max(other.1)))?;
    let is_beyond = room.low_c < low_c - NEVER_SEEN_K || room.high_c > high_c + NEVER_SEEN_K;
    let words = Words::of(given.site);
    is_beyond.then(|| {
        format!(
            " In the weeks that the figures are learned from it was {} to {}: beyond that they are a straight line drawn on.",
            words.temperature(low_c),
            words.temperature(high_c)
        )
    })
}

/// The first line: whether to go.
fn answer(places: &[Place]) -> String {
    let Some(gravest) = places.iter().map(|place| place.answer).min() else {
        return "Nothing can be said: the site file names no enclosure.".to_owned();
    };
    let count = places.iter().filter(|place| place.answer == gravest).count();
    let (count, all) = (words::count(count), words::count(places.len()));
    match gravest {
        Answer::SeeToItFirst if places.len() == 1 => "Not yet: see to the enclosure first.".to_owned(),
        Answer::SeeToItFirst => format!("Not yet: see to {count} of {all} enclosures first."),
        Answer::NotKnown => "Not all is known: not without somebody who looks in each day.".to_owned(),
        Answer::LookIn => {
            "Only with somebody who does what stands on the page for whoever looks in.".to_owned()
        }
        Answer::NothingAgainst => {
            "Nothing known speaks against it, with somebody who looks in each day.".to_owned()
        }
    }
}

/// The enclosures by what they ask for.
fn answer_more(places: &[Place]) -> Vec<String> {
    let those = |answer: Answer| {
        let those = places.iter().filter(move |place| place.answer == answer);
        let labels: Vec<&str> = those.map(|place| place.label.as_str()).collect();
        (!labels.is_empty()).then(|| format!("{}: {}.", words::capital(answer.words()), labels.join("; ")))
    };
    Answer::ALL.into_iter().filter_map(those).collect()
}

//! Before some days away: what to see to first, what falls due meanwhile, what heat and cold would do, who would be told.
//!
//! In: the report of the last days, the fitted thermal models, the journal, the days away and the room's range in them. Out: a sheet to print for
//! whoever looks in. What a model says holds for the place and the weeks that it was learned from, and is given with its range.
//!
//! - [`Away`]: everything that is said, worked out once by [`away`](away()); `place.rs`: of one enclosure.
//! - [`sheet`](sheet()) and [`json`](json()): renderers, which compute nothing.

mod place;
mod sheet;
#[cfg(test)]
mod tests;

use chrono::NaiveDate;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::Span;
use serde::Serialize;

use crate::assess::Assessment;
use crate::care::{Due, due};
use crate::report::WeeklyReport;
use crate::words::{self, Words};
use place::place;

pub use sheet::{html, sheet};

/// Version of the shape, for JSON.
pub const SCHEMA: &str = "mosswarden.away/1";

/// The JSON Schema (2020-12) of what [`json`](json()) gives.
pub const JSON_SCHEMA: &str = include_str!("away.schema.json");

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// From leaving to coming back.
    pub span: Span,
    /// Lowest and highest that the keeper expects of the room, °C; as in the last weeks where they say nothing.
    pub room_c: Option<(f64, f64)>,
}

/// What an enclosure asks for, the gravest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    SeeToItFirst,
    NotKnown,
    LookIn,
    NothingAgainst,
}

impl Answer {
    pub const fn words(self) -> &'static str {
        match self {
            Answer::SeeToItFirst => "see to it before you go",
            Answer::NotKnown => "not known",
            Answer::LookIn => "somebody must do something meanwhile",
            Answer::NothingAgainst => "nothing known speaks against it",
        }
    }
}

/// One enclosure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    pub id: String,
    pub label: String,
    pub answer: Answer,
    /// To be seen to before leaving.
    pub first: Vec<String>,
    /// What somebody must do, or watch for, while the keeper is away.
    pub meanwhile: Vec<String>,
    /// What room, lamp and heater would make of it.
    pub expected: Vec<String>,
    pub not_known: Vec<String>,
}

/// The whole sheet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Away {
    pub schema: &'static str,
    pub site: String,
    pub timezone: String,
    /// Nothing later was used.
    pub until: String,
    pub from: String,
    pub to: String,
    /// Said prominently where the data are invented.
    pub invented: Option<String>,
    pub title: String,
    pub answer: String,
    /// The room that is reckoned with.
    pub room: String,
    /// Who would be told of danger.
    pub told: String,
    /// The gravest first, else in the site file's order.
    pub enclosures: Vec<Place>,
    /// Of the room itself.
    pub room_care: Vec<String>,
    pub cautions: Vec<String>,
}

/// What must be said of any absence.
const CAUTIONS: [&str; 5] = [
    "Somebody looks at every animal each day: sensors see none, and an alert can fail to reach anybody.",
    "Before you go, fill reservoirs and water dishes with fresh water: how long water lasts is not measured. Warm standing water can grow and \
     spread Legionella: empty, clean and dry what will stand.",
    "Every heater keeps its own thermostat and, independent of it, a high cut-out; test both while you are there. No program replaces them.",
    "Sockets stay above the water, with residual-current protection. Whoever looks in unplugs before reaching in, and leaves mains work to an \
     electrician.",
    "Leave a number of yours and of a veterinarian who knows these animals, and a thermometer to read by hand.",
];

/// What stands before some days away.
///
/// # Arguments
/// - `report`, `assessment`: of the last days up to `now_ms`.
/// - `journal`: its entries up to then.
pub fn away(
    site: &Site,
    report: &WeeklyReport,
    assessment: &Assessment,
    journal: &[Entry],
    asked: Asked,
    now_ms: i64,
) -> Away {
    let words = Words::of(site);
    let tasks = due(site, journal, now_ms);
    let room_c = asked.room_c.or_else(|| room_was_c(assessment));
    let mut enclosures: Vec<Place> = site
        .enclosures
        .iter()
        .filter_map(|own| {
            let section = report.enclosures.iter().find(|section| section.id == own.id)?;
            Some(place(site, own, section, assessment, &tasks, asked, room_c))
        })
        .collect();
    enclosures.sort_by_key(|place| place.answer);
    let room_care = care_lines(site, &tasks, ROOM, asked);
    Away {
        schema: SCHEMA,
        site: site.name.clone(),
        timezone: site.zone.name().to_owned(),
        until: site.zone.rfc3339(now_ms),
        from: site.zone.rfc3339(asked.span.from_ms),
        to: site.zone.rfc3339(asked.span.until_ms),
        invented: report.invented.clone(),
        title: format!(
            "Away from {} to {}",
            words::instant(site.zone, asked.span.from_ms),
            words::instant(site.zone, asked.span.until_ms)
        ),
        answer: answer(&enclosures),
        room: match (room_c, asked.room_c) {
            (None, _) => "The room: not known, and nothing was said of it, so what heat and cold would do can't be told. Say what you expect with --room 17..28."
                .to_owned(),
            (Some((low, high)), Some(_)) => format!(
                "The room: {} to {}, as you expect it.",
                words.temperature(low),
                words.temperature(high)
            ),
            (Some((low, high)), None) => format!(
                "The room: {} to {}, as in the last weeks. If the forecast says otherwise, ask again with --room.",
                words.temperature(low),
                words.temperature(high)
            ),
        },
        told: told(site),
        enclosures,
        room_care: room_care.into_iter().map(|(line, _)| line).collect(),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    }
}

/// The widest range of the room that an enclosure was learned beside, °C.
fn room_was_c(assessment: &Assessment) -> Option<(f64, f64)> {
    let places = assessment
        .conditions
        .iter()
        .flat_map(|outcome| &outcome.would_do.places);
    places
        .filter_map(|place| place.room_was_c())
        .reduce(|one, other| (one.0.min(other.0), one.1.max(other.1)))
}

fn answer(places: &[Place]) -> String {
    let named = |answer: Answer| -> Vec<String> {
        let those = places.iter().filter(|place| place.answer == answer);
        those.map(|place| place.label.clone()).collect()
    };
    let parts: Vec<String> = [
        Answer::SeeToItFirst,
        Answer::NotKnown,
        Answer::LookIn,
        Answer::NothingAgainst,
    ]
    .into_iter()
    .filter_map(|answer| {
        let labels = named(answer);
        (!labels.is_empty()).then(|| format!("{}: {}.", words::capital(answer.words()), labels.join("; ")))
    })
    .collect();
    parts.join(" ")
}

fn told(site: &Site) -> String {
    let alerts = &site.alerts;
    let ways: Vec<String> = [
        alerts.email.as_ref().map(|_| "e-mail"),
        alerts.webhook.as_ref().map(|_| "webhook"),
        alerts.mqtt_topic.as_ref().map(|_| "MQTT"),
    ]
    .into_iter()
    .flatten()
    .map(str::to_owned)
    .collect();
    if ways.is_empty() {
        return "Nobody would be told of danger: the site file names no way ([alerts]). Whoever looks in must read the page."
            .to_owned();
    }
    format!(
        "Danger is told by {}. Send a test before you go (mosswarden alerts --test), and say who answers it while you are away.",
        words::list(&ways)
    )
}

/// Tasks that are kept and due by the day of coming back, and whether they are due before leaving.
fn care_lines(site: &Site, tasks: &[Due], place: &str, asked: Asked) -> Vec<(String, bool)> {
    let (leave, back) = (
        site.zone.date(asked.span.from_ms),
        site.zone.date(asked.span.until_ms),
    );
    let mut due: Vec<(NaiveDate, &Due)> = tasks
        .iter()
        .filter(|due| due.place == place && due.is_kept())
        .filter_map(|due| Some((due.local_due?, due)))
        .filter(|(date, _)| *date <= back)
        .collect();
    due.sort_by_key(|(date, _)| *date);
    due.into_iter()
        .map(|(date, due)| {
            let line = format!("{}: due on {}.", due.task.label, words::day(date));
            (line, date <= leave)
        })
        .collect()
}

/// The whole sheet as JSON, indented, with a line feed at its end.
///
/// # Errors
/// None that is known: it is made of words and lists.
pub fn json(away: &Away) -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(away).map(|text| text + "\n")
}

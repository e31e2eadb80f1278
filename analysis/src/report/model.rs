//! The weekly report as a model: everything that is said is worked out here; the renderers compute nothing.

use std::collections::{BTreeMap, BTreeSet};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Sensor, Site};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::cautions;
use super::chosen::{self, Chosen};
use super::enclosure::{self, EnclosureSection};
use super::need::{self, Need, Standings, Verdict};
use super::room::{self, RoomSection};
use super::week_before::YearBefore;
use crate::conditions;
use crate::findings::{Kind, NotAssessed, Severity, Verdicts, shared};
use crate::load::Record;
use crate::markup::Note;
use crate::plot::Display;
use crate::trust::{self, Standing};
use crate::words;

/// Version of the report's shape, for JSON.
pub const SCHEMA: &str = "mosswarden.report/1";

/// Share of the span that must be known by usable readings before an enclosure is called well (our own choice: a day and
/// three quarters of a week may be missing, not more).
pub const JUDGED_FRAC_MIN: f64 = 0.75;

/// The whole report.
#[derive(Debug, Clone, PartialEq)]
pub struct WeeklyReport {
    pub site: String,
    pub timezone: String,
    /// The ISO week, where the span is one.
    pub week: Option<String>,
    /// Such as "Monday 18 May to Sunday 24 May 2026".
    pub dates: String,
    pub from: String,
    pub until: String,
    /// Said prominently where the data are invented.
    pub invented: Option<String>,
    /// The first line: which enclosures need the keeper.
    pub answer: String,
    /// A second line about what is not known and about the room.
    pub answer_more: Vec<String>,
    pub clock_changes: Vec<String>,
    /// In the order in which they need the keeper.
    pub needs: Vec<PlaceNeeds>,
    pub well: Vec<PlaceLine>,
    /// Where too little is known, also of enclosures that need the keeper for what is known.
    pub not_known: Vec<PlaceLine>,
    /// In the order of the summary: those with needs, the unknown, the well.
    pub enclosures: Vec<EnclosureSection>,
    pub room: RoomSection,
    pub method: Vec<Note>,
    pub cautions: Vec<Note>,
}

/// An enclosure that needs the keeper, with its reasons.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceNeeds {
    pub id: String,
    pub label: String,
    pub verdict: Verdict,
    pub needs: Vec<Need>,
}

/// An enclosure in one line.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceLine {
    pub id: String,
    pub label: String,
    pub verdict: Verdict,
    pub words: String,
}

/// What was judged of one enclosure, before it is put into words.
pub(crate) struct Judged<'a> {
    pub enclosure: &'a Enclosure,
    pub temperature: Option<Chosen<'a>>,
    pub humidity: Option<Chosen<'a>>,
    pub conditions: Option<&'a conditions::Outcome>,
    pub needs: Vec<Need>,
    pub verdict: Verdict,
    /// Whether enough of the time is known to call it well.
    pub is_known: bool,
    /// How much of the time is known, or why nothing can be said.
    pub coverage: String,
}

impl Judged<'_> {
    /// As far back as the record reaches, in order of time.
    pub(super) fn mistings(&self) -> impl Iterator<Item = &conditions::Misting> {
        let known = self.conditions.into_iter();
        known.flat_map(|outcome| outcome.earlier_mistings.iter().chain(&outcome.mistings))
    }
}

/// What all parts are made from.
pub(crate) struct Material<'a> {
    pub site: &'a Site,
    pub record: &'a Record,
    pub trust: &'a trust::Outcome,
    pub verdicts: &'a Verdicts,
    pub span: Span,
    pub display: Display,
    /// Where a comparison with the year before is asked for.
    pub year_before: Option<&'a YearBefore>,
}

impl WeeklyReport {
    /// "Monday 18 May to Sunday 24 May 2026 (2026-W21)".
    pub(super) fn when(&self) -> String {
        match &self.week {
            Some(week) => format!("{} ({week})", self.dates),
            None => self.dates.clone(),
        }
    }

    /// What the document is called.
    pub(super) fn title(&self) -> String {
        format!("{}, {}", self.week.as_ref().unwrap_or(&self.dates), self.site)
    }
}

/// The report of a span: usually an ISO week, any span will do.
///
/// `verdicts` are all findings and refusals to judge of the span, of sensors and of conditions together; `year_before` is what the
/// days are compared with besides those before them.
pub fn weekly(
    site: &Site,
    record: &Record,
    trust: &trust::Outcome,
    conditions: &[conditions::Outcome],
    verdicts: &Verdicts,
    span: Span,
    year_before: Option<&YearBefore>,
    invented: bool,
) -> WeeklyReport {
    let material = Material {
        site,
        record,
        trust,
        verdicts,
        span,
        display: Display::new(site.units),
        year_before,
    };
    let mut judged: Vec<Judged<'_>> = site
        .enclosures
        .iter()
        .map(|enclosure| {
            let outcome = conditions
                .iter()
                .find(|outcome| outcome.enclosure == enclosure.id);
            judge(&material, enclosure, outcome)
        })
        .collect();
    // A stable sort: enclosures that weigh the same stay in the order of the site file.
    judged.sort_by(|a, b| {
        let weight = |judged: &Judged<'_>| judged.needs.iter().map(|need| need.weight).sum::<f64>();
        a.verdict.cmp(&b.verdict).then(weight(b).total_cmp(&weight(a)))
    });
    let room = room::section(&material);
    let until = site.zone.rfc3339(span.until_ms);
    WeeklyReport {
        site: site.name.clone(),
        timezone: site.zone.name().to_owned(),
        week: Some(site.zone.week_name(span.from_ms))
            .filter(|week| site.zone.week(week).is_ok_and(|whole| whole == span)),
        dates: words::span_dates(site.zone, span),
        from: site.zone.rfc3339(span.from_ms),
        invented: invented.then(|| {
            "Invented data: every reading, animal and event in this report is made up to show what the program does."
                .to_owned()
        }),
        answer: answer(&material, &judged),
        answer_more: answer_more(&material, &judged, &room),
        clock_changes: words::clock_changes(site.zone, span)
            .into_iter()
            .map(|(_, sentence)| sentence)
            .collect(),
        needs: places_in_need(&judged),
        well: judged.iter().filter(|j| j.verdict == Verdict::Well).map(|j| line(j, well_words(&material, j))).collect(),
        not_known: judged
            .iter()
            .filter(|j| !j.is_known)
            .map(|j| line(j, j.coverage.clone()))
            .collect(),
        enclosures: judged.iter().map(|j| enclosure::section(&material, j)).collect(),
        room,
        method: cautions::method(
            site.zone.name(),
            &words::instant(site.zone, span.until_ms),
            JUDGED_FRAC_MIN * 100.0,
        ),
        cautions: cautions::cautions(),
        until,
    }
}

/// Those that need the keeper; a step that is all that an earlier one asks for is not told again.
fn places_in_need(judged: &[Judged<'_>]) -> Vec<PlaceNeeds> {
    let mut asked: BTreeMap<String, &str> = BTreeMap::new();
    let mut places = Vec::new();
    for judged in judged.iter().filter(|j| j.verdict.is_needed()) {
        let label = judged.enclosure.label.as_str();
        let mut needs = judged.needs.clone();
        for need in &mut needs {
            if let Some(earlier) = asked.get(&need.next) {
                need.next_told = Some(format!("The same as for {earlier}."));
            }
        }
        if let [only] = judged.needs.as_slice() {
            asked.entry(only.next.clone()).or_insert(label);
        }
        places.push(PlaceNeeds {
            id: judged.enclosure.id.clone(),
            label: label.to_owned(),
            verdict: judged.verdict,
            needs,
        });
    }
    places
}

fn line(judged: &Judged<'_>, words: String) -> PlaceLine {
    PlaceLine {
        id: judged.enclosure.id.clone(),
        label: judged.enclosure.label.clone(),
        verdict: judged.verdict,
        words,
    }
}

/// Why a well enclosure is called so, with what is to note and what was not judged.
fn well_words(material: &Material<'_>, judged: &Judged<'_>) -> String {
    let mut words = judged.coverage.clone();
    let headlines: Vec<String> = judged
        .needs
        .iter()
        .map(|need| need.headline.to_lowercase())
        .collect();
    if !headlines.is_empty() {
        words += &format!(" To note: {}.", words::list(&headlines));
    }
    let kinds: BTreeSet<&str> = refusals(material, &judged.enclosure.id)
        .map(|item| words::judged(item.kind))
        .collect();
    if !kinds.is_empty() {
        let kinds: Vec<String> = kinds.into_iter().map(str::to_owned).collect();
        words += &format!(" Not or only partly judged: {}.", words::list(&kinds));
    }
    words
}

fn refusals<'a>(material: &Material<'a>, id: &'a str) -> impl Iterator<Item = &'a NotAssessed> {
    material
        .verdicts
        .not_assessed
        .iter()
        .filter(move |item| item.enclosure == id)
}

/// Why heat or cold could not be judged for so much of the span that the enclosure can't be called well.
fn danger_not_judged(material: &Material<'_>, id: &str) -> Option<String> {
    let span = material.span;
    [Kind::Overheating, Kind::Overcooling]
        .into_iter()
        .find_map(|kind| {
            let items: Vec<&NotAssessed> = refusals(material, id).filter(|item| item.kind == kind).collect();
            let missing_h: f64 = items
                .iter()
                .filter_map(|item| item.span.unwrap_or(span).intersect(span))
                .map(Span::hours)
                .sum();
            let first = items.first()?;
            (missing_h > (1.0 - JUDGED_FRAC_MIN) * span.hours()).then(|| {
                let reason = material.display.sentence(&first.reason);
                let reason = reason.trim_end_matches('.');
                format!(
                    "Whether it was too hot or too cold could not be judged for {}: {reason}.",
                    words::duration(missing_h)
                )
            })
        })
}

fn judge<'a>(
    material: &Material<'a>,
    enclosure: &'a Enclosure,
    outcome: Option<&'a conditions::Outcome>,
) -> Judged<'a> {
    let (record, trust, span) = (material.record, material.trust, material.span);
    let pick = |quantity| chosen::for_enclosure(enclosure, quantity, record, trust, span);
    let (temperature, humidity) = (pick(Quantity::Temperature), pick(Quantity::Humidity));
    let standing = |chosen: &Option<Chosen<'_>>| chosen.as_ref().map_or(Standing::NotKnown, Chosen::standing);
    let standings = Standings {
        temperature: standing(&temperature),
        humidity: standing(&humidity),
    };
    let needs = need::needs(
        material.site.zone,
        material.display,
        span,
        material.verdicts,
        &enclosure.id,
        standings,
    );
    let (is_known, coverage) = coverage(material, enclosure, outcome, humidity.is_some());
    let verdict = match needs.iter().map(|need| need.severity).max() {
        Some(Severity::Urgent) => Verdict::ActNow,
        Some(Severity::Warning) => Verdict::LookAtThis,
        _ if !is_known => Verdict::NotKnown,
        _ => Verdict::Well,
    };
    Judged {
        enclosure,
        temperature,
        humidity,
        conditions: outcome,
        needs,
        verdict,
        is_known,
        coverage,
    }
}

/// Whether enough of the span is known to call an enclosure well, and the sentence that says so.
fn coverage(
    material: &Material<'_>,
    enclosure: &Enclosure,
    outcome: Option<&conditions::Outcome>,
    has_humidity: bool,
) -> (bool, String) {
    let hours = material.span.hours();
    let days = outcome.map_or(&[][..], |outcome| outcome.days.as_slice());
    let share = |covered: f64| (covered / hours).min(1.0);
    let temperature = share(
        days.iter()
            .filter_map(|day| day.temperature_c)
            .map(|s| s.covered_h)
            .sum(),
    );
    let humidity = share(
        days.iter()
            .filter_map(|day| day.humidity_pct)
            .map(|s| s.covered_h)
            .sum(),
    );
    let asks_humidity =
        enclosure.limits.humidity_day_pct.is_some() || enclosure.limits.humidity_night_pct.is_some();
    let pct = |frac: f64| format!("{:.0} %", frac * 100.0);
    if let Some(first_ms) = first_temperature(material, enclosure) {
        let missing_h = (first_ms - material.span.from_ms) as f64 / MS_PER_HOUR as f64;
        if temperature < JUDGED_FRAC_MIN && share(missing_h) > 1.0 - JUDGED_FRAC_MIN {
            return (
                false,
                format!(
                    "Too new to judge: its temperature has been measured only since {}, and {} of {} must be known to call it well: from {} on, if \
                     readings go on.",
                    words::instant(material.site.zone, first_ms),
                    pct(JUDGED_FRAC_MIN),
                    words::duration(hours),
                    words::instant(
                        material.site.zone,
                        first_ms
                            + (JUDGED_FRAC_MIN * (material.span.until_ms - material.span.from_ms) as f64)
                                as i64
                    )
                ),
            );
        }
    }
    if temperature == 0.0 {
        return (
            false,
            format!(
                "Nothing is known of its temperature: {}.",
                why_no_temperature(material, enclosure)
            ),
        );
    }
    if temperature < JUDGED_FRAC_MIN {
        return (
            false,
            format!(
                "Its temperature is known for only {} of the time; {} are needed to call it well.",
                pct(temperature),
                pct(JUDGED_FRAC_MIN)
            ),
        );
    }
    if let Some(reason) = danger_not_judged(material, &enclosure.id) {
        return (false, reason);
    }
    if !asks_humidity {
        return (
            true,
            format!(
                "Judged by temperature alone, known for {} of the time.",
                pct(temperature)
            ),
        );
    }
    if !has_humidity {
        return (
            true,
            format!(
                "Judged by temperature alone, known for {} of the time; its humidity has never been measured.",
                pct(temperature)
            ),
        );
    }
    if humidity < JUDGED_FRAC_MIN {
        return (
            false,
            format!(
                "Its temperature kept its limits ({} of the time known), but its humidity is known for only {} of it.",
                pct(temperature),
                pct(humidity)
            ),
        );
    }
    (
        true,
        format!(
            "Judged by {} of the hours for temperature and {} for humidity.",
            pct(temperature),
            pct(humidity)
        ),
    )
}

/// When the first usable temperature of an enclosure came, as far back as the record reaches.
fn first_temperature(material: &Material<'_>, enclosure: &Enclosure) -> Option<i64> {
    let trusted = |sensor: &Sensor| material.trust.trusted.get(&sensor.id, Quantity::Temperature);
    let usable = enclosure.sensors.iter().filter_map(trusted);
    usable
        .filter_map(|usable| usable.series.view().at_ms.first().copied())
        .min()
}

/// Why no temperature is known of an enclosure.
fn why_no_temperature(material: &Material<'_>, enclosure: &Enclosure) -> String {
    let ids = || enclosure.sensors.iter().map(|sensor| sensor.id.as_str());
    let came: usize = ids()
        .filter_map(|id| material.record.get(id, Quantity::Temperature))
        .map(|samples| samples.within(material.span).at_ms.len())
        .sum();
    let is_usable = ids().any(|id| {
        let usable = material.trust.trusted.get(id, Quantity::Temperature);
        usable.is_some_and(|usable| !usable.series.within(material.span).at_ms.is_empty())
    });
    match (came, is_usable) {
        (0, _) => "no temperature reading came".to_owned(),
        (1, true) => "one reading came, and nothing is known between single ones".to_owned(),
        (_, true) => format!("{came} readings came, too far apart to know anything between them"),
        (_, false) => format!("of {came} readings that came none can be used"),
    }
}

/// The line that answers.
fn answer(material: &Material<'_>, judged: &[Judged<'_>]) -> String {
    let span = words::span_name(material.site.zone, material.span);
    let all = judged.len();
    let needed = judged.iter().filter(|j| j.verdict.is_needed()).count();
    let unknown = judged.iter().filter(|j| j.verdict == Verdict::NotKnown).count();
    let (all_words, one) = (words::count(all), all == 1);
    match (needed, unknown) {
        _ if all == 0 => "The site file names no enclosure, so nothing was judged.".to_owned(),
        (0, 0) if one => format!("The one enclosure is well {span}."),
        (0, 0) => format!("All {all_words} enclosures are well {span}."),
        (0, unknown) if unknown == all && one => format!("How the one enclosure did {span} is not known."),
        (0, unknown) if unknown == all => format!("How the {all_words} enclosures did {span} is not known."),
        (0, _) => format!("None of {all_words} enclosures is known to need you {span}."),
        (_, _) if one => format!("The one enclosure needs you {span}."),
        (needed, _) if needed == all => format!("All {all_words} enclosures need you {span}."),
        (1, _) => format!("One of {all_words} enclosures needs you {span}."),
        (needed, _) => format!(
            "{} of {all_words} enclosures need you {span}.",
            words::capital(&words::count(needed))
        ),
    }
}

fn answer_more(material: &Material<'_>, judged: &[Judged<'_>], room: &RoomSection) -> Vec<String> {
    let mut more = Vec::new();
    let labels = |verdict: Verdict| -> Vec<String> {
        judged
            .iter()
            .filter(|j| j.verdict == verdict)
            .map(|j| j.enclosure.label.clone())
            .collect()
    };
    // The whole answer in few words, since the reasons may go on over the page; a label may hold a comma.
    for verdict in [Verdict::ActNow, Verdict::LookAtThis] {
        let labels = labels(verdict);
        if !labels.is_empty() {
            more.push(format!(
                "{}: {}.",
                words::capital(verdict.words()),
                labels.join("; ")
            ));
        }
    }
    more.extend(shared(material.site, &material.verdicts.findings));
    match judged.iter().filter(|j| j.verdict == Verdict::NotKnown).count() {
        0 => {}
        // The answer has said so already.
        unknown if unknown == judged.len() => {}
        1 => more.push("One could not be judged.".to_owned()),
        unknown => more.push(format!(
            "{} could not be judged.",
            words::capital(&words::count(unknown))
        )),
    }
    if !room.needs.is_empty() {
        more.push("The room has something for you too.".to_owned());
    }
    more
}

//! The hand-over as a model: everything that is said is worked out here; the renderers compute nothing.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::{kit, needs, setpoints};
use crate::assess::Assessment;
use crate::audit::gather::{FOLLOWED, Gathered};
use crate::audit::model::{StripPart, windows};
use crate::audit::timeline::{self, Event};
use crate::audit::{compare, sensors, strips, words};
use crate::findings::{Kind, Severity, Verdicts};
use crate::halves::{Half, halves, total_h, wanted};
use crate::markup::Note;
use crate::plot::{Display, Table};
use crate::report::need::{self, Need, Standings};
use crate::report::{cautions, enclosure, limits};
use crate::trust::Standing;
use crate::words as report_words;

/// Version of the hand-over's shape, for JSON.
pub const SCHEMA: &str = "mosswarden.handover/1";

/// Entries of the journal no older than this are told: the recent months.
const JOURNAL_DAYS: i64 = 183;
/// Findings of the last days stand open.
pub const OPEN_DAYS: i64 = 14;
/// Of less of them than this no "nothing" is told (own choice).
const HARDLY_KNOWN_FRAC: f64 = 0.5;
/// Of the days before them it is told what went wrong.
pub const PAST_DAYS: i64 = 70;
/// Things that went wrong then that there is room for; the weightiest.
const PAST_MAX: usize = 10;
/// Windows shorter than this say nothing of seasons.
const PICTURE_DAYS_MIN: i64 = 84;

/// The whole hand-over.
#[derive(Debug, Clone, PartialEq)]
pub struct HandOver {
    pub site: String,
    pub timezone: String,
    pub enclosure: String,
    pub label: String,
    pub from: String,
    pub until: String,
    /// Said prominently where the data are invented.
    pub invented: Option<String>,
    pub title: String,
    /// Who lives here, what it ran at, what is open.
    pub answer: Vec<String>,
    /// What the sensors and the readings found in the last 14 days.
    pub open: Vec<Need>,
    pub open_note: Option<String>,
    /// What went wrong in the weeks before those days.
    pub past: Vec<String>,
    /// Care that comes back, with when it is due.
    pub care: Vec<String>,
    /// Month by month: what it truly ran at.
    pub months: Table,
    pub months_notes: Vec<String>,
    /// The last twelve weeks, and the whole time.
    pub strips: Vec<StripPart>,
    /// What devices are set to, and what the sensors read meanwhile.
    pub setpoints: Table,
    pub setpoints_notes: Vec<String>,
    /// Light hours and what runs when.
    pub schedule: Vec<String>,
    /// What devices did.
    pub devices: Vec<String>,
    pub sensors: Table,
    /// What one must know of each sensor.
    pub quirks: Vec<String>,
    pub never_measured: Vec<String>,
    pub limits: Table,
    pub limits_note: String,
    /// What is known of the species besides its limits, with sources.
    pub species: Vec<Note>,
    /// The recent months.
    pub journal: Vec<Event>,
    pub journal_note: Option<String>,
    pub method: Vec<Note>,
    pub cautions: Vec<Note>,
}

/// The hand-over of what was gathered; `assessment` judges the [`OPEN_DAYS`] before its end, `earlier` the [`PAST_DAYS`] before those.
pub fn handover(
    gathered: &Gathered<'_>,
    assessment: &Assessment,
    earlier: &Assessment,
    invented: bool,
) -> HandOver {
    let (site, own, zone) = (gathered.site, gathered.enclosure, gathered.site.zone);
    let until = words::at_long(zone, gathered.asked.until_ms);
    let changes = timeline::events(gathered);
    let open = found(gathered, assessment, &assessment.verdicts, open_span(gathered));
    let known_h = open_known_h(gathered);
    let (months, mut months_notes) = compare::months(gathered);
    months_notes.insert(0, known_since(gathered));
    let (setpoints, setpoints_notes) = setpoints::table(gathered);
    let journal: Vec<Event> = changes
        .iter()
        .filter(|event| event.from == "journal" && event.number.is_some())
        .filter(|event| event.at_ms >= gathered.asked.until_ms - JOURNAL_DAYS * MS_PER_24_H)
        .cloned()
        .collect();
    HandOver {
        site: site.name.clone(),
        timezone: zone.name().to_owned(),
        enclosure: own.id.clone(),
        label: own.label.clone(),
        from: zone.rfc3339(gathered.reach.from_ms),
        until: zone.rfc3339(gathered.asked.until_ms),
        invented: invented.then(|| {
            "Invented data: every reading, animal and event in this hand-over is made up to show what the program does."
                .to_owned()
        }),
        title: format!("{}: for its next keeper", own.label),
        answer: answer(gathered, &open, known_h),
        open_note: open.is_empty().then(|| match known_h > 0.0 {
            true => "Nothing: no finding of the last 14 days stands. What could not be judged is no such finding.",
            false => "Nothing can be said: no reading of the last 14 days can be used.",
        }.to_owned()),
        past: past(gathered, earlier, &open),
        open,
        care: kit::care(gathered),
        months,
        months_notes,
        strips: windows(gathered)
            .iter()
            .filter(|window| window.span.until_ms - window.span.from_ms >= PICTURE_DAYS_MIN * MS_PER_24_H)
            .map(|window| strips::part(gathered, window, &changes))
            .collect(),
        setpoints,
        setpoints_notes,
        schedule: kit::schedule(gathered),
        devices: crate::audit::devices::lines(gathered),
        sensors: without_trust(sensors::table(gathered)),
        quirks: kit::quirks(gathered),
        never_measured: sensors::never_measured(gathered),
        limits: limits::table(Display::new(site.units), own),
        limits_note: limits::note(own),
        species: needs::species(own),
        journal_note: journal
            .is_empty()
            .then(|| "Nothing is in the journal of the last six months.".to_owned()),
        journal,
        method: needs::method(zone.name(), &until),
        cautions: cautions::cautions(),
    }
}

/// The answer: who lives here, what the whole time was like, what waits.
fn answer(gathered: &Gathered<'_>, open: &[Need], known_h: f64) -> Vec<String> {
    let zone = gathered.site.zone;
    let since = gathered.arrived_ms.map_or_else(
        || "Since when is not known: the journal has no entry “arrived”.".to_owned(),
        |at_ms| format!("Here since {}.", zone.date(at_ms).format("%-d %B %Y")),
    );
    let mut lines = vec![format!("{} {since}", enclosure::about(gathered.enclosure))];
    lines.extend(FOLLOWED.iter().map(|quantity| ran_at(gathered, *quantity)));
    lines.push(match open.len() {
        0 if known_h == 0.0 => {
            "What waits for you is not known: no reading of the last 14 days can be used.".to_owned()
        }
        0 if known_h < HARDLY_KNOWN_FRAC * OPEN_DAYS as f64 * 24.0 => format!(
            "What waits for you is hardly known: of the last 14 days only {} are known.",
            words::share(known_h, OPEN_DAYS as f64 * 24.0)
        ),
        0 => format!(
            "Nothing that the readings show waits for you; of the last 14 days {} are known.",
            words::share(known_h, OPEN_DAYS as f64 * 24.0)
        ),
        1 => "One thing that the readings show waits for you; it stands first below.".to_owned(),
        count => format!(
            "{} things that the readings show wait for you; they stand first below.",
            report_words::capital(&report_words::count(count))
        ),
    });
    lines
}

/// What one quantity was over the whole time, day and night apart.
fn ran_at(gathered: &Gathered<'_>, quantity: Quantity) -> String {
    let name = report_words::capital(quantity.name());
    let speaker = gathered.speaker(&gathered.tracks, &gathered.enclosure.id, quantity, gathered.reach);
    let Some((track, first_ms)) = speaker.and_then(|track| Some((track, *track.usable.at_ms.first()?)))
    else {
        return format!("{name} is not known: no reading can be used.");
    };
    let reach = Span {
        from_ms: gathered.reach.from_ms.max(first_ms),
        ..gathered.reach
    };
    let (mut known_h, mut whole_h) = (0.0, 0.0);
    let mut parts = Vec::new();
    for half in Half::BOTH {
        let spans = halves(gathered.site.zone, gathered.enclosure, reach, half);
        whole_h += total_h(&spans);
        let band = wanted(&gathered.enclosure.limits, quantity, half);
        let Some(found) = track.measure(&spans, band) else {
            continue;
        };
        known_h += found.known_h;
        parts.push(format!(
            "{} {} ({} in the mean)",
            words::range(quantity, found.low, found.high),
            half.words(),
            words::value(quantity, found.mean)
        ));
    }
    if parts.is_empty() {
        return format!("{name} is not known: no reading can be used.");
    }
    format!(
        "{name}, from {} on: {}; known for {} of the time.",
        gathered.site.zone.date(reach.from_ms).format("%-d %B %Y"),
        report_words::list(&parts),
        words::share(known_h, whole_h)
    )
}

/// The table of sensors without its words of trust, which stand among the quirks.
fn without_trust(mut table: Table) -> Table {
    if let Some(column) = table.columns.iter().position(|name| name == "trust") {
        table.columns.remove(column);
        for row in &mut table.rows {
            row.remove(column);
        }
    }
    table.caption = "Sensors, and what was so by them in the last 14 days: corrected where they are known to be off, with what they showed beside it".to_owned();
    table
}

/// From when on there is anything to tell.
fn known_since(gathered: &Gathered<'_>) -> String {
    let zone = gathered.site.zone;
    let first_ms = gathered
        .tracks
        .iter()
        .filter(|track| track.place == gathered.enclosure.id)
        .filter_map(|track| track.usable.at_ms.first().copied())
        .min();
    match first_ms {
        None => "Nothing of this enclosure’s conditions is recorded in the time looked at.".to_owned(),
        Some(first_ms) if first_ms - gathered.reach.from_ms > MS_PER_24_H => format!(
            "Nothing is recorded before {}; how it ran in the months before, and in the seasons that are not in the table, is not known.",
            zone.date(first_ms).format("%-d %B %Y")
        ),
        Some(_) => format!(
            "Looked at: {} to {}; how it ran earlier is not told here.",
            zone.date(gathered.reach.from_ms).format("%-d %B %Y"),
            zone.date(gathered.reach.until_ms).format("%-d %B %Y")
        ),
    }
}

/// The days whose findings stand open.
fn open_span(gathered: &Gathered<'_>) -> Span {
    Span {
        from_ms: gathered.asked.until_ms - OPEN_DAYS * MS_PER_24_H,
        until_ms: gathered.asked.until_ms,
    }
}

/// Hours of the open days that are known by the quantity known best.
fn open_known_h(gathered: &Gathered<'_>) -> f64 {
    let span = open_span(gathered);
    FOLLOWED
        .iter()
        .filter_map(|quantity| gathered.speaker(&gathered.tracks, &gathered.enclosure.id, *quantity, span))
        .filter_map(|track| track.usable.view().summary(span, track.gap_ms))
        .map(|summary| summary.covered_h)
        .fold(0.0, f64::max)
}

/// What went wrong in the weeks before the open days, in a line each: what, and when; `open` is what those days show.
fn past(gathered: &Gathered<'_>, earlier: &Assessment, open: &[Need]) -> Vec<String> {
    let open_from_ms = open_span(gathered).from_ms;
    let span = Span {
        from_ms: open_from_ms - PAST_DAYS * MS_PER_24_H,
        until_ms: open_from_ms,
    };
    // What held at the end of that time is told as of that time, and goes on where the open days show it too.
    let mut verdicts = earlier.verdicts.clone();
    let mut held: Vec<(Kind, String)> = Vec::new();
    for finding in &mut verdicts.findings {
        if finding.end_ms.is_none() {
            held.push((finding.kind, finding.subject.clone()));
            finding.end_ms = Some(span.until_ms);
        }
    }
    let goes_on = |need: &Need| {
        let of_need = |(kind, subject): (Kind, &str)| kind == need.kind && subject == need.subject;
        held.iter().any(|(kind, subject)| of_need((*kind, subject)))
            && open.iter().any(|later| of_need((later.kind, &later.subject)))
    };
    let mut needs = found(gathered, earlier, &verdicts, span);
    needs.retain(|need| need.severity > Severity::Notice);
    let more = needs.len().saturating_sub(PAST_MAX);
    let mut lines: Vec<String> = needs
        .iter()
        .take(PAST_MAX)
        .map(|need| {
            let on = if goes_on(need) {
                " or later: it stands among what waits for you, too"
            } else {
                ""
            };
            format!("{} ({}): {}{on}.", need.headline, need.subject, need.when)
        })
        .collect();
    let is_known = gathered
        .tracks
        .iter()
        .any(|track| track.place == gathered.enclosure.id && !track.usable.within(span).is_empty());
    if more > 0 {
        lines.push(format!(
            "And {} of less weight.",
            report_words::several(more, "more thing")
        ));
    }
    if lines.is_empty() {
        lines.push(if is_known {
            "Nothing was found in what could be judged.".to_owned()
        } else {
            "Not known: no reading of that time can be used.".to_owned()
        });
    }
    lines
}

/// What was found in a span, the weightiest first.
fn found(gathered: &Gathered<'_>, assessment: &Assessment, verdicts: &Verdicts, span: Span) -> Vec<Need> {
    let standing = |quantity: Quantity| {
        let speaker = gathered.speaker(&gathered.tracks, &gathered.enclosure.id, quantity, span);
        assessment
            .trust
            .sensors
            .iter()
            .find(|said| {
                speaker.is_some_and(|track| track.sensor == said.sensor) && said.quantity == quantity
            })
            .map_or(Standing::NotKnown, |said| said.standing)
    };
    let standings = Standings {
        temperature: standing(Quantity::Temperature),
        humidity: standing(Quantity::Humidity),
    };
    need::needs(
        gathered.site.zone,
        Display::new(gathered.site.units),
        span,
        verdicts,
        &gathered.enclosure.id,
        standings,
    )
}

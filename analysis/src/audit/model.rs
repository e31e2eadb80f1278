//! The audit as a model: everything that is said is worked out here; the renderers compute nothing.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::cautions::{self, ACT_FIRST, NO_DIAGNOSIS};
use super::gather::{FOLLOWED, Gathered, LATE_DAYS, RECENT_DAYS};
use super::inputs::Inputs;
use super::timeline::{self, Event};
use super::{compare, devices, excursions, sensors, strips, words};
use crate::halves::{Half, halves, total_h, wanted};
use crate::markup::Note;
use crate::plot::{Cell, Display, Picture, Table, both_scales};
use crate::report::model::Material;
use crate::report::{enclosure, limits};
use crate::words as report_words;

/// Version of the audit's shape, for JSON.
pub const SCHEMA: &str = "mosswarden.audit/1";

/// Entries of the animal that the first page has room for; the newest.
const SEEN_MAX: usize = 5;
/// Changes that the first page has room for; the weightiest, of those the newest.
const CHANGES_MAX: usize = 6;
/// Shorter unknown times are a late reading and need no sentence (our own choice), h.
const UNKNOWN_H_MIN: f64 = 0.25;

/// The whole audit.
#[derive(Debug, Clone, PartialEq)]
pub struct Audit {
    pub site: String,
    pub timezone: String,
    pub enclosure: String,
    pub label: String,
    pub from: String,
    pub until: String,
    pub days: u32,
    /// Said prominently where the data are invented.
    pub invented: Option<String>,
    pub title: String,
    pub act_first: String,
    /// The first sentences: what the last days were like.
    pub answer: Vec<String>,
    /// Heading and words: animal, enclosure, since when, how it was measured.
    pub facts: Vec<Note>,
    /// What was noted of the animal itself, newest last.
    pub seen: Vec<Event>,
    pub seen_note: Option<String>,
    /// Windows by day and night in one small table.
    pub glance: Table,
    /// The last 72 hours.
    pub first_strip: StripPart,
    /// The worst of the last 14 days, in words.
    pub worst: Vec<String>,
    /// What changed in the last 14 days, and findings about sensors and devices that still held; newest last.
    pub recent_changes: Vec<Event>,
    pub recent_changes_note: Option<String>,
    /// What was never measured.
    pub never_measured: Vec<String>,
    pub no_diagnosis: String,
    /// 14 days, 12 weeks, since arrival.
    pub strips: Vec<StripPart>,
    pub day_night: Table,
    pub excursions: Table,
    pub excursions_note: Option<String>,
    /// Everything of the reach in order of time.
    pub changes: Vec<Event>,
    /// What devices did, and what they are set to now.
    pub devices: Vec<String>,
    pub months: Table,
    pub months_notes: Vec<String>,
    pub others: Table,
    pub others_notes: Vec<String>,
    pub sensors: Table,
    pub trust_lines: Vec<Picture>,
    /// Stretches of readings that were not used.
    pub left_out: Vec<String>,
    pub not_judged: Vec<String>,
    pub limits: Table,
    pub limits_note: String,
    pub method: Vec<Note>,
    pub cautions: Vec<Note>,
    pub inputs: Inputs,
}

/// One picture with its heading and what must be said below it; no picture where nothing was read.
#[derive(Debug, Clone, PartialEq)]
pub struct StripPart {
    pub heading: String,
    pub picture: Option<Picture>,
    pub notes: Vec<String>,
}

/// A window that is looked at.
pub(crate) struct Window {
    pub(crate) name: String,
    pub(crate) span: Span,
}

/// The audit of what was gathered.
pub fn audit(gathered: &Gathered<'_>, inputs: Inputs, invented: bool) -> Audit {
    let (site, own, zone) = (gathered.site, gathered.enclosure, gathered.site.zone);
    let until = words::at_long(zone, gathered.asked.until_ms);
    let windows = windows(gathered);
    let changes = timeline::events(gathered);
    let late = gathered.last(LATE_DAYS);
    let (seen, seen_note) = seen(&changes);
    let recent: Vec<Event> = timeline::of_conditions(&changes)
        .filter(|event| event.until_ms >= late.from_ms)
        .cloned()
        .collect();
    let (recent, more) = weightiest(recent, CHANGES_MAX);
    let recent_changes_note = match (recent.len(), more) {
        (0, _) if excursions::is_anything_known(gathered, late) => Some(
            "Nothing was noted, and the checks of sensors and devices found nothing, in the last 14 days."
                .to_owned(),
        ),
        (0, _) => Some("Nothing was noted in the last 14 days; there were no readings to check.".to_owned()),
        (_, 0) => None,
        (_, more) => Some(further(more, "lesser or earlier one")),
    };
    let (excursions, none) = excursions::table(gathered);
    let (months, months_notes) = compare::months(gathered);
    let (others, others_notes) = compare::others(gathered);
    let mut strips: Vec<StripPart> = windows
        .iter()
        .map(|window| strips::part(gathered, window, &changes))
        .collect();
    let mut first_strip = strips.remove(0);
    if first_strip.picture.is_some() {
        // Its figures and sensors stand in the table and the facts of the first page already.
        first_strip.notes = vec![format!("{}. {}", first_strip.heading, strips::SCALE)];
    }
    let material = Material {
        site,
        record: &gathered.recent,
        trust: &gathered.trust,
        verdicts: &gathered.trust.verdicts,
        span: late,
        display: Display::new(site.units),
        year_before: None,
    };
    let mut trust_lines = enclosure::trust_lines(&material, &own.id, &own.sensors, |_| true);
    trust_lines.extend(enclosure::trust_lines(
        &material,
        ROOM,
        &site.room_sensors,
        |_| true,
    ));
    let not_judged = [own.id.as_str(), ROOM]
        .iter()
        .flat_map(|place| enclosure::not_judged(&material, place))
        .collect();
    Audit {
        site: site.name.clone(),
        timezone: zone.name().to_owned(),
        enclosure: own.id.clone(),
        label: own.label.clone(),
        from: zone.rfc3339(gathered.reach.from_ms),
        until: zone.rfc3339(gathered.asked.until_ms),
        days: gathered.asked.days,
        invented: invented.then(|| {
            "Invented data: every reading, animal and event in this sheet is made up to show what the program does."
                .to_owned()
        }),
        title: format!("{}: conditions before {until} ({})", own.label, zone.name()),
        act_first: ACT_FIRST.to_owned(),
        answer: answer(gathered),
        facts: facts(gathered),
        seen,
        seen_note,
        glance: glance(gathered, &windows),
        first_strip,
        worst: excursions::worst(gathered),
        recent_changes: recent,
        recent_changes_note,
        never_measured: sensors::never_measured(gathered),
        no_diagnosis: NO_DIAGNOSIS.to_owned(),
        strips,
        day_night: day_night(gathered, &windows),
        excursions,
        excursions_note: excursions::none_words(gathered, &none),
        changes,
        devices: devices::lines(gathered),
        months,
        months_notes,
        others,
        others_notes,
        sensors: sensors::table(gathered),
        trust_lines,
        left_out: sensors::left_out(gathered),
        not_judged,
        limits: limits_table(gathered),
        limits_note: limits::note(own),
        method: cautions::method(zone.name(), &until),
        cautions: crate::report::cautions::cautions(),
        inputs,
    }
}

/// The windows that are looked at, shortest first; the first is always the last 72 hours.
pub(crate) fn windows(gathered: &Gathered<'_>) -> Vec<Window> {
    let days = i64::from(gathered.asked.days);
    let of = |name: &str, days: i64| Window {
        name: name.to_owned(),
        span: gathered.last(days),
    };
    let mut windows = vec![of("the last 72 hours", 3)];
    if days >= LATE_DAYS {
        windows.push(of("the last 14 days", LATE_DAYS));
    }
    if days >= RECENT_DAYS {
        windows.push(of("the last 12 weeks", RECENT_DAYS));
    }
    if ![3, LATE_DAYS, RECENT_DAYS].contains(&days) {
        windows.push(of(&format!("the last {days} days"), days));
        windows.sort_by_key(|window| std::cmp::Reverse(window.span.from_ms));
    }
    if let Some(at_ms) = gathered.arrived_ms {
        let from_ms = at_ms.max(gathered.reach.from_ms);
        let date = gathered.site.zone.date(at_ms).format("%-d %B %Y");
        let name = if from_ms == at_ms {
            format!("since arrival on {date}")
        } else {
            format!("two years, of the time since arrival on {date}")
        };
        windows.push(Window {
            name,
            span: Span {
                from_ms,
                until_ms: gathered.asked.until_ms,
            },
        });
    }
    windows
}

/// What the last fourteen days were like, in sentences.
fn answer(gathered: &Gathered<'_>) -> Vec<String> {
    let late = gathered.last(LATE_DAYS.min(i64::from(gathered.asked.days)));
    let days = (late.until_ms - late.from_ms) / MS_PER_24_H;
    let mut sentences = Vec::new();
    for quantity in FOLLOWED {
        let name = report_words::capital(quantity.name());
        let Some(track) = gathered.speaker(&gathered.tracks, &gathered.enclosure.id, quantity, late) else {
            sentences.push(format!(
                "{name} is not known: no reading of the last {days} days can be used."
            ));
            continue;
        };
        let Some(all) = track.measure(&[late], None) else {
            sentences.push(format!(
                "{name} is not known: no reading of the last {days} days can be used."
            ));
            continue;
        };
        let shares: Vec<String> = Half::BOTH
            .iter()
            .filter_map(|half| {
                let spans = halves(gathered.site.zone, gathered.enclosure, late, *half);
                let band = wanted(&gathered.enclosure.limits, quantity, *half)?;
                let Some(found) = track.measure(&spans, Some(band)) else {
                    return Some(format!("not known {}", half.words()));
                };
                Some(format!(
                    "for {} of the {} known {}",
                    words::share(found.inside_h?, found.known_h),
                    words::hours(found.known_h),
                    half.words()
                ))
            })
            .collect();
        let inside = if shares.is_empty() {
            String::new()
        } else {
            format!(", inside the wanted range {}", report_words::list(&shares))
        };
        let unknown_h = (late.hours() - all.known_h).max(0.0);
        let unknown = if unknown_h < UNKNOWN_H_MIN {
            String::new()
        } else {
            format!(
                " {} of {} are not known.",
                words::hours(unknown_h),
                words::hours(late.hours())
            )
        };
        sentences.push(format!(
            "{name} in the last {days} days: {}{inside}.{unknown}",
            words::range(quantity, all.low, all.high)
        ));
    }
    sentences
}

fn facts(gathered: &Gathered<'_>) -> Vec<Note> {
    let (own, zone) = (gathered.enclosure, gathered.site.zone);
    let late = gathered.last(LATE_DAYS);
    let arrived = gathered.arrived_ms.map_or_else(
        || "Since when it is here is not known: the journal has no entry “arrived”.".to_owned(),
        |at_ms| {
            let days = usize::try_from((gathered.asked.until_ms - at_ms) / MS_PER_24_H).unwrap_or(0);
            format!(
                "Here since {}, {} before the end of this sheet.",
                words::at(zone, at_ms),
                report_words::several(days, "day")
            )
        },
    );
    let mut facts = vec![Note::new(
        "Animal and light",
        &format!("{} {arrived}", enclosure::about(own)),
    )];
    let measured: Vec<String> = FOLLOWED
        .iter()
        .map(|quantity| {
            let name = quantity.name();
            match gathered.speaker(&gathered.tracks, &own.id, *quantity, late) {
                Some(track) => {
                    let place = own
                        .sensor(&track.sensor)
                        .map_or_else(|| track.sensor.clone(), words::sensor);
                    format!(
                        "{name} by {place}: {}",
                        sensors::trust_words(gathered, &track.sensor, *quantity).trim_end_matches('.')
                    )
                }
                None => format!("{name}: not known, no sensor’s readings can be used"),
            }
        })
        .collect();
    facts.push(Note::new(
        "How measured",
        &format!(
            "{}. All sensors stand below.",
            report_words::capital(&measured.join("; "))
        ),
    ));
    facts
}

/// "2 earlier ones stand in the list below."
fn further(count: usize, one: &str) -> String {
    let stand = if count == 1 { "stands" } else { "stand" };
    format!("{} {stand} in the list below.", report_words::several(count, one))
}

/// The weightiest of some events, of equals the newest, in order of time; and how many there are beside them.
pub(super) fn weightiest(mut events: Vec<Event>, most: usize) -> (Vec<Event>, usize) {
    let more = events.len().saturating_sub(most);
    events.sort_by_key(|event| std::cmp::Reverse((event.weight, event.at_ms)));
    events.truncate(most);
    events.sort_by_key(|event| event.at_ms);
    (events, more)
}

fn seen(changes: &[Event]) -> (Vec<Event>, Option<String>) {
    let mut seen: Vec<Event> = timeline::of_animal(changes).cloned().collect();
    let more = seen.len().saturating_sub(SEEN_MAX);
    seen.drain(..more);
    let note = match (seen.len(), more) {
        (0, _) => Some(
            "Nothing about the animal itself is in the journal for this time: what was seen, and when, is for the keeper to tell."
                .to_owned(),
        ),
        (_, 0) => None,
        (_, more) => Some(further(more, "earlier one")),
    };
    (seen, note)
}

/// The windows, each by day and night, in one row.
fn glance(gathered: &Gathered<'_>, windows: &[Window]) -> Table {
    let rows = windows
        .iter()
        .map(|window| {
            let mut cells = vec![Cell::text(report_words::capital(&window.name))];
            for quantity in FOLLOWED {
                let track = gathered.speaker(&gathered.tracks, &gathered.enclosure.id, quantity, window.span);
                for half in Half::BOTH {
                    let spans = halves(gathered.site.zone, gathered.enclosure, window.span, half);
                    let band = wanted(&gathered.enclosure.limits, quantity, half);
                    let found = track.and_then(|track| track.measure(&spans, band));
                    let whole = total_h(&spans);
                    cells.push(Cell::text(found.map_or_else(
                        || crate::words::NOT_KNOWN.to_owned(),
                        |m| {
                            let inside = m
                                .inside_words()
                                .map_or_else(String::new, |share| format!("; {share} inside"));
                            format!(
                                "{}{inside}; {} known",
                                words::range(quantity, m.low, m.high),
                                words::share(m.known_h, whole)
                            )
                        },
                    )));
                }
            }
            cells
        })
        .collect();
    let limits = &gathered.enclosure.limits;
    let heading = |quantity: Quantity, half: Half| {
        let name = report_words::capital(&format!("{} {}", quantity.name(), half.words()));
        wanted(limits, quantity, half).map_or_else(
            || format!("{name}, no range wanted"),
            |band| format!("{name}, wanted {}", words::band(quantity, band)),
        )
    };
    let mut columns = vec!["Window".to_owned()];
    for quantity in FOLLOWED {
        columns.extend(Half::BOTH.map(|half| heading(quantity, half)));
    }
    Table {
        caption: "Lowest to highest; share of the known hours inside the wanted range; share of the hours that is known"
            .to_owned(),
        columns,
        rows,
    }
}

/// Every window, quantity, day and night with all its figures.
fn day_night(gathered: &Gathered<'_>, windows: &[Window]) -> Table {
    let mut rows = Vec::new();
    for window in windows {
        for quantity in FOLLOWED {
            let track = gathered.speaker(&gathered.tracks, &gathered.enclosure.id, quantity, window.span);
            for half in Half::BOTH {
                let spans = halves(gathered.site.zone, gathered.enclosure, window.span, half);
                let band = wanted(&gathered.enclosure.limits, quantity, half);
                let found = track.and_then(|track| track.measure(&spans, band));
                let show = |value: Option<f64>| {
                    Cell::text(value.map_or_else(
                        || crate::words::NOT_KNOWN.to_owned(),
                        |value| words::value(quantity, value),
                    ))
                };
                let hours = |value: Option<f64>| {
                    Cell::text(value.map_or_else(|| crate::words::NOT_KNOWN.to_owned(), words::hours))
                };
                let judged = found.filter(|m| m.inside_h.is_some());
                let known_h = found.map_or(0.0, |m| m.known_h);
                rows.push(vec![
                    Cell::text(window.name.clone()),
                    Cell::text(format!("{} {}", quantity.name(), half.words())),
                    Cell::text(band.map_or_else(|| "none".to_owned(), |band| words::band(quantity, band))),
                    show(found.map(|m| m.low)),
                    show(found.map(|m| m.mean)),
                    show(found.map(|m| m.high)),
                    Cell::text(
                        judged
                            .and_then(|m| m.inside_words())
                            .unwrap_or_else(|| crate::words::NOT_KNOWN.to_owned()),
                    ),
                    hours(judged.map(|m| m.below_h)),
                    hours(judged.map(|m| m.above_h)),
                    Cell::text(words::hours(known_h)),
                    Cell::text(words::hours((total_h(&spans) - known_h).max(0.0))),
                    Cell::text(track.map_or("none", |track| track.sensor.as_str())),
                ]);
            }
        }
    }
    Table {
        caption:
            "Days and nights apart; hours beyond the range are at least these, where hours are not known"
                .to_owned(),
        columns: [
            "Window",
            "what",
            "wanted",
            "lowest",
            "mean",
            "highest",
            "inside",
            "below it",
            "above it",
            "known",
            "not known",
            "by",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    }
}

/// The limits on both scales.
fn limits_table(gathered: &Gathered<'_>) -> Table {
    let metric = Display::new(mosswarden_config::site::Units::Metric);
    let mut table = limits::table(metric, gathered.enclosure);
    for row in &mut table.rows {
        if let Some(cell) = row.get_mut(1) {
            cell.text = both_scales(&cell.text);
        }
    }
    table
}

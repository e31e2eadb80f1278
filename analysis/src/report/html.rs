//! The report as one HTML file: no script, no request to anywhere, light and dark, for screens, paper and screen readers.

use std::fmt::Write as _;

use super::enclosure::{EnclosureSection, JournalLine};
use super::model::{PlaceLine, PlaceNeeds, WeeklyReport};
use super::need::Need;
use super::room::RoomSection;
use super::week_before::Comparison;
use crate::markup::{figure, head, heading, lines, notes, pictures, prose, table};
use crate::plot::{Picture, escape};

/// The whole file.
pub fn html(report: &WeeklyReport) -> String {
    let mut page = String::new();
    page += &head(&report.title(), "answer", "Skip to the answer");
    masthead(&mut page, report);
    page += "<main>\n";
    summary(&mut page, report);
    page += "<section aria-labelledby=\"each\">\n<h2 id=\"each\">Enclosure by enclosure</h2>\n";
    for (index, section) in report.enclosures.iter().enumerate() {
        enclosure(&mut page, section, index);
    }
    page += "</section>\n";
    room(&mut page, &report.room);
    notes(&mut page, "judged", "How it was judged", &report.method);
    notes(&mut page, "cautions", "Cautions", &report.cautions);
    page += "</main>\n";
    page += &format!(
        "<footer class=\"small faint\"><p>{}, {}. Times are local time of {}. From {} until {}.</p></footer>\n</div>\n</body>\n</html>\n",
        escape(&report.site),
        escape(&report.when()),
        escape(&report.timezone),
        escape(&report.from),
        escape(&report.until)
    );
    page
}

fn masthead(page: &mut String, report: &WeeklyReport) {
    *page += &format!(
        "<header class=\"masthead small faint\"><p>{}. Health report for {}.</p></header>\n",
        escape(&report.site),
        escape(&report.when())
    );
}

fn summary(page: &mut String, report: &WeeklyReport) {
    if let Some(invented) = &report.invented {
        *page += &format!("<p class=\"invented\">{}</p>\n", escape(invented));
    }
    *page += &format!("<h1 id=\"answer\">{}</h1>\n", prose(&report.answer));
    for line in report.answer_more.iter().chain(&report.clock_changes) {
        *page += &format!("<p>{}</p>\n", prose(line));
    }
    if !report.needs.is_empty() {
        *page += "<section aria-labelledby=\"needs\">\n<h2 id=\"needs\">What needs you, in order</h2>\n<ol class=\"needs\">\n";
        for place in &report.needs {
            place_needs(page, place, &anchor(report, &place.id));
        }
        *page += "</ol>\n</section>\n";
    }
    place_lines(
        page,
        report,
        "well",
        "What is well, and how it was judged",
        &report.well,
    );
    place_lines(page, report, "unknown", "What is not known", &report.not_known);
    *page += "<nav aria-label=\"Enclosures\" class=\"small\"><p>On this page: ";
    for (index, section) in report.enclosures.iter().enumerate() {
        let _ = write!(page, "<a href=\"#e{index}\">{}</a>, ", escape(&section.label));
    }
    *page += "<a href=\"#room\">the room</a>, <a href=\"#judged\">how it was judged</a>, <a href=\"#cautions\">cautions</a>.</p></nav>\n";
}

/// The place on the page of an enclosure: a number, so that no id of the site file can clash.
fn anchor(report: &WeeklyReport, id: &str) -> String {
    report
        .enclosures
        .iter()
        .position(|section| section.id == id)
        .map_or_else(|| "each".to_owned(), |index| format!("e{index}"))
}

fn place_needs(page: &mut String, place: &PlaceNeeds, anchor: &str) {
    *page += &format!(
        "<li class=\"{}\">\n<h3><a href=\"#{anchor}\">{}</a>: <span class=\"verdict\">{}</span></h3>\n",
        place.verdict.name(),
        escape(&place.label),
        place.verdict.words()
    );
    for need in &place.needs {
        need_html(page, need);
    }
    *page += "</li>\n";
}

fn need_html(page: &mut String, need: &Need) {
    *page += &format!(
        "<div class=\"need\"><p class=\"head\">{}, <span>{}.</span></p>\n",
        escape(&need.headline),
        prose(&need.when)
    );
    for sentence in &need.evidence {
        *page += &format!("<p>{}</p>\n", prose(sentence));
    }
    *page += &format!(
        "<p><strong>Next:</strong> {}</p>\n<p class=\"sure\">How sure: {}</p></div>\n",
        prose(need.next_in_turn()),
        prose(&need.sure)
    );
}

fn place_lines(page: &mut String, report: &WeeklyReport, id: &str, heading: &str, lines: &[PlaceLine]) {
    if lines.is_empty() {
        return;
    }
    *page += &format!(
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{heading}</h2>\n<ul class=\"lines\">\n"
    );
    for line in lines {
        *page += &format!(
            "<li class=\"{}\"><a href=\"#{}\">{}</a>: <span class=\"verdict\">{}</span>. {}</li>\n",
            line.verdict.name(),
            anchor(report, &line.id),
            escape(&line.label),
            line.verdict.words(),
            prose(&line.words)
        );
    }
    *page += "</ul>\n</section>\n";
}

fn enclosure(page: &mut String, section: &EnclosureSection, index: usize) {
    *page += &format!(
        "<article class=\"place {}\" aria-labelledby=\"e{index}\">\n<header><h3 id=\"e{index}\">{}: <span class=\"verdict\">{}</span></h3>\n\
         <p class=\"small faint\">{}</p></header>\n<p>{}</p>\n",
        section.verdict.name(),
        escape(&section.label),
        section.verdict.words(),
        escape(&section.about),
        prose(&section.coverage)
    );
    for need in &section.needs {
        *page += &format!(
            "<p><strong>{}</strong>, {}</p>\n",
            escape(&need.headline),
            prose(&section.in_short(need))
        );
    }
    match &section.strip {
        Some(strip) => figure(page, strip, &format!("p{index}"), &section.strip_notes),
        None => lines(page, &section.strip_notes, ""),
    }
    journal(page, &section.journal, 4);
    if !section.inside.rows.is_empty() {
        heading(page, "Inside the wanted range");
        table(page, &section.label, &section.inside, true);
    }
    heading(page, "Nights");
    if section.nights.rows.is_empty() {
        *page += "<p>Not known: no night could be judged.</p>\n";
    } else {
        table(page, &section.label, &section.nights, false);
    }
    heading(page, "Hours");
    lines(page, &section.hours, "Not known: no hour was read well enough.");
    if !section.days.rows.is_empty() {
        table(page, &section.label, &section.days, false);
    }
    pictures(page, &section.hour_pictures, &format!("h{index}"));
    if !section.would_do.is_empty() {
        heading(page, "What it would do");
        lines(page, &section.would_do, "");
    }
    if let Some(misting) = &section.misting {
        heading(page, "Misting");
        *page += "<div class=\"pair\">\n";
        lines(page, &misting.sentences, "");
        if let Some(picture) = &misting.picture {
            figure(page, picture, &format!("m{index}"), &[]);
        }
        *page += "</div>\n";
        pictures(page, &misting.trend_pictures, &format!("w{index}"));
        let steady_words = "Week by week, of those that bring what they usually do";
        steady(page, steady_words, &misting.steady_pictures, &format!("u{index}"));
    }
    heading(page, "Sensors");
    table(page, &section.label, &section.sensors, true);
    pictures(page, &section.trust_lines, &format!("t{index}"));
    steady(page, STEADY_SENSORS, &section.steady_lines, &format!("s{index}"));
    heading(page, "Against the days before, and a year before");
    match &section.before {
        Comparison::Table(found) => table(page, &section.label, found, false),
        Comparison::NotCompared(reason) => *page += &format!("<p>Not compared: {}.</p>\n", prose(reason)),
    }
    if !section.not_judged.is_empty() {
        heading(page, "What could not be judged");
        lines(page, &section.not_judged, "");
    }
    heading(page, "Limits used");
    table(page, &section.label, &section.limits, true);
    *page += &format!(
        "<p class=\"small faint\">{}</p>\n</article>\n",
        prose(&section.limits_note)
    );
}

const STEADY_SENSORS: &str = "The course of those that are believed";

/// Courses of what is well, folded away: there for who looks.
fn steady(page: &mut String, summary: &str, steady: &[Picture], id: &str) {
    if steady.is_empty() {
        return;
    }
    *page += &format!("<details class=\"steady\"><summary>{summary}</summary>\n");
    pictures(page, steady, id);
    *page += "</details>\n";
}

fn room(page: &mut String, room: &RoomSection) {
    *page += "<section aria-labelledby=\"room\">\n<h2 id=\"room\">The room</h2>\n";
    for need in &room.needs {
        need_html(page, need);
    }
    *page += &format!("<p>{}</p>\n", prose(&room.words));
    if let Some(strip) = &room.strip {
        figure(page, strip, "pr", &[]);
    }
    journal(page, &room.journal, 3);
    if !room.sensors.rows.is_empty() {
        table(page, "The room", &room.sensors, true);
    }
    pictures(page, &room.trust_lines, "tr");
    steady(page, STEADY_SENSORS, &room.steady_lines, "sr");
    if !room.not_judged.is_empty() {
        *page += "<h3>What could not be judged</h3>\n";
        lines(page, &room.not_judged, "");
    }
    *page += "</section>\n";
}

fn journal(page: &mut String, entries: &[JournalLine], level: u8) {
    if entries.is_empty() {
        return;
    }
    *page += &format!("<h{level}>From the journal</h{level}>\n<ol class=\"journal\">\n");
    for entry in entries {
        *page += &format!(
            "<li value=\"{}\">{}, <em>{}</em>{}</li>\n",
            entry.number,
            escape(&entry.when),
            escape(&entry.kind),
            if entry.text.is_empty() {
                String::new()
            } else {
                format!(": {}", prose(&entry.text))
            }
        );
    }
    *page += "</ol>\n";
}

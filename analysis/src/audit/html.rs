//! The audit as one HTML file: a page for the veterinarian on top, the evidence below it.

use super::inputs::Inputs;
use super::model::{Audit, StripPart};
use super::timeline::Event;
use crate::markup::{figure, head, lines, notes, pictures, prose, table};
use crate::plot::{Cell, Table, escape};

/// Said where nothing is known to have changed.
pub(super) const NOTHING_CHANGED: &str =
    "Nothing is known: no entry in the journal, no date in the site file, no finding by the readings.";
/// Said where no reading was left out.
pub(super) const ALL_USED: &str = "None: every reading that is physically possible was used.";

/// The whole file.
pub fn html(audit: &Audit) -> String {
    let mut page = head(&audit.title, "sheet", "Skip to the sheet");
    page += &format!(
        "<header class=\"masthead wide small faint\"><p>{}. What was recorded of {} ({}), for a veterinarian.</p></header>\n<main>\n",
        escape(&audit.site),
        escape(&audit.label),
        escape(&audit.enclosure)
    );
    sheet(&mut page, audit);
    for (index, strip) in audit.strips.iter().enumerate() {
        section(&mut page, &format!("w{index}"), &strip.heading);
        strip_part(&mut page, strip, &format!("p{index}"));
        page += "</section>\n";
    }
    section(&mut page, "apart", "Days and nights apart");
    table(&mut page, "", &audit.day_night, true);
    page += "</section>\n";
    section(&mut page, "excursions", "Worst excursions");
    if !audit.excursions.rows.is_empty() {
        table(&mut page, "", &audit.excursions, true);
    }
    paragraph(&mut page, audit.excursions_note.as_deref());
    page += "</section>\n";
    section(&mut page, "changes", "What changed, in order of time");
    if audit.changes.is_empty() {
        paragraph(&mut page, Some(NOTHING_CHANGED));
    } else {
        table(&mut page, "", &changes_table(&audit.changes), true);
    }
    page += "<h3>Devices</h3>\n";
    lines(&mut page, &audit.devices, "");
    page += "</section>\n";
    section(&mut page, "months", "Its own earlier months");
    table(&mut page, "", &audit.months, true);
    paragraphs(&mut page, &audit.months_notes);
    page += "</section>\n";
    section(&mut page, "others", "The other enclosures of the room");
    table(&mut page, "", &audit.others, true);
    paragraphs(&mut page, &audit.others_notes);
    page += "</section>\n";
    section(&mut page, "sensors", "The sensors over the time");
    table(&mut page, "", &audit.sensors, true);
    pictures(&mut page, &audit.trust_lines, "t");
    page += "<h3>Readings that were not used</h3>\n";
    lines(&mut page, &audit.left_out, ALL_USED);
    if !audit.not_judged.is_empty() {
        page += "<h3>What could not be checked</h3>\n";
        lines(&mut page, &audit.not_judged, "");
    }
    page += "</section>\n";
    section(&mut page, "limits", "Wanted ranges and limits");
    table(&mut page, "", &audit.limits, true);
    page += &format!(
        "<p class=\"small faint\">{}</p>\n</section>\n",
        prose(&audit.limits_note)
    );
    notes(&mut page, "method", "How it was worked out", &audit.method);
    notes(&mut page, "cautions", "Cautions", &audit.cautions);
    inputs(&mut page, &audit.inputs);
    page += &format!(
        "</main>\n<footer class=\"small faint\"><p>{}, {}. Local time of {}. From {} until {}. {}</p></footer>\n</div>\n</body>\n</html>\n",
        escape(&audit.site),
        escape(&audit.label),
        escape(&audit.timezone),
        escape(&audit.from),
        escape(&audit.until),
        escape(&audit.no_diagnosis)
    );
    page
}

fn section(page: &mut String, id: &str, heading: &str) {
    *page += &format!(
        "<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{}</h2>\n",
        escape(heading)
    );
}

fn paragraph(page: &mut String, text: Option<&str>) {
    if let Some(text) = text {
        *page += &format!("<p>{}</p>\n", prose(text));
    }
}

fn paragraphs(page: &mut String, texts: &[String]) {
    for text in texts {
        paragraph(page, Some(text));
    }
}

/// The page for the veterinarian.
fn sheet(page: &mut String, audit: &Audit) {
    *page += "<article class=\"sheet\" aria-labelledby=\"sheet\">\n";
    if let Some(invented) = &audit.invented {
        *page += &format!("<p class=\"invented\">{}</p>\n", escape(invented));
    }
    *page += &format!("<h1 id=\"sheet\">{}</h1>\n", prose(&audit.title));
    *page += &format!(
        "<p class=\"first\"><strong>Act first.</strong> {}</p>\n",
        prose(&audit.act_first)
    );
    paragraphs(page, &audit.answer);
    *page += "<dl class=\"facts\">\n";
    for fact in &audit.facts {
        *page += &format!(
            "<div><dt>{}</dt><dd>{}</dd></div>\n",
            escape(&fact.heading),
            prose(&fact.text)
        );
    }
    *page += "<div><dt>Seen</dt><dd>";
    events(page, &audit.seen, audit.seen_note.as_deref());
    *page += "</dd></div>\n</dl>\n";
    table(page, "Windows", &audit.glance, true);
    strip_part(page, &audit.first_strip, "p-first");
    *page += "<div class=\"columns\">\n<div><h2 class=\"inner\">Worst of the last 14 days, longest and furthest together</h2>\n";
    lines(page, &audit.worst, "");
    *page += "</div>\n<div><h2 class=\"inner\">Changed in the last 14 days, or still so</h2>\n";
    events(page, &audit.recent_changes, audit.recent_changes_note.as_deref());
    *page += "</div>\n<div class=\"never\"><h2 class=\"inner\">Never measured</h2>\n";
    lines(page, &audit.never_measured, "");
    *page += "</div>\n</div>\n";
    *page += &format!(
        "<p><strong>{}</strong></p>\n</article>\n",
        prose(&audit.no_diagnosis)
    );
}

fn strip_part(page: &mut String, part: &StripPart, id: &str) {
    match &part.picture {
        Some(picture) => figure(page, picture, id, &part.notes),
        None => paragraphs(page, &part.notes),
    }
}

fn events(page: &mut String, events: &[Event], note: Option<&str>) {
    if !events.is_empty() {
        *page += "<ul class=\"journal events\">\n";
        for event in events {
            let number = event
                .number
                .map_or_else(String::new, |number| format!("<b>{number}</b> "));
            let text = if event.text.is_empty() {
                String::new()
            } else {
                format!(": {}", prose(&event.text))
            };
            let late = event
                .late
                .as_ref()
                .map_or_else(String::new, |late| format!(" ({})", escape(late)));
            let from = if event.from == "journal" {
                String::new()
            } else {
                format!(" ({})", escape(&event.from))
            };
            *page += &format!(
                "<li>{number}{}, <em>{}</em>{text}{late}{from}</li>\n",
                escape(&event.at),
                escape(&event.what)
            );
        }
        *page += "</ul>\n";
    }
    paragraph(page, note);
}

/// The list of everything that changed as a table.
pub(super) fn changes_table(events: &[Event]) -> Table {
    Table {
        caption: "Numbers are those of the pictures; late entries are marked; nothing was left out"
            .to_owned(),
        columns: ["When", "no.", "what", "where", "text", "from"]
            .map(str::to_owned)
            .to_vec(),
        rows: events
            .iter()
            .map(|event| {
                let from = event
                    .late
                    .as_ref()
                    .map_or_else(|| event.from.clone(), |late| format!("{}, {late}", event.from));
                vec![
                    Cell::text(event.at.clone()),
                    Cell::text(event.number.map_or_else(String::new, |number| number.to_string())),
                    Cell::text(event.what.clone()),
                    Cell::text(event.place.clone()),
                    Cell::text(event.text.clone()),
                    Cell::text(from),
                ]
            })
            .collect(),
    }
}

fn inputs(page: &mut String, inputs: &Inputs) {
    section(page, "inputs", "What it rests on");
    paragraphs(page, &inputs_words(inputs));
    let files = digest_table(inputs);
    if !files.rows.is_empty() {
        *page += "<div class=\"digests\">\n";
        table(page, "", &files, true);
        *page += "</div>\n";
    }
    *page += "</section>\n";
}

/// What the audit was made from, in sentences.
pub(super) fn inputs_words(inputs: &Inputs) -> Vec<String> {
    let mut words = vec![
        "SHA-256 digests (FIPS 180-4) of everything that was read. The same data gives the same bytes of this sheet; no time of its \
         making stands in it. When the archive packs small files of a day into one, that day’s digests change, and the digest of \
         the raw readings stays."
            .to_owned(),
    ];
    if let Some(readings) = &inputs.readings {
        words.push(format!("Raw readings beside this sheet: {}.", readings.path));
    }
    words.push(match &inputs.journal {
        Some(journal) => format!(
            "Journal: journal.jsonl, its first {} bytes with {} entries of this time.",
            journal.bytes, journal.entries
        ),
        None => "Journal: it holds no entry of this time.".to_owned(),
    });
    if inputs.spool_readings > 0 {
        words.push(format!(
            "{} readings were durable but in no file yet.",
            inputs.spool_readings
        ));
    }
    if inputs.files.is_empty() {
        words.push("No file of readings.".to_owned());
    }
    words
}

/// Every file with its length and digest.
pub(super) fn digest_table(inputs: &Inputs) -> Table {
    let row = |path: &str, bytes: u64, sha256: &str| {
        vec![
            Cell::text(path),
            Cell::text(bytes.to_string()),
            Cell::text(sha256),
        ]
    };
    let mut rows = Vec::new();
    rows.extend(
        inputs
            .readings
            .iter()
            .map(|file| row(&file.path, file.bytes, &file.sha256)),
    );
    rows.extend(inputs.journal.iter().map(|journal| {
        let path = format!("journal.jsonl, first {} bytes", journal.bytes);
        row(&path, journal.bytes, &journal.sha256)
    }));
    rows.extend(
        inputs
            .sources
            .iter()
            .map(|file| row(&file.path, file.bytes, &file.sha256)),
    );
    rows.extend(
        inputs
            .files
            .iter()
            .map(|file| row(&file.path, file.bytes, &file.sha256)),
    );
    Table {
        caption: format!(
            "Digests; {} files of readings under the data folder stand last",
            inputs.files.len()
        ),
        columns: ["File", "bytes", "SHA-256"].map(str::to_owned).to_vec(),
        rows,
    }
}

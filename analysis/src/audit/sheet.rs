//! The audit as blocks, for its text and its paper form: one page for the veterinarian, the evidence after it.

use super::html::{changes_table, digest_table, inputs_words};
use super::model::{Audit, StripPart};
use super::timeline::Event;
use crate::plot::Table;
use crate::sheet::{Block, Figure, Sheet};

/// Everything that the audit says, in its order.
pub fn sheet(audit: &Audit) -> Sheet {
    let mut blocks = vec![Block::OnePage(first_page(audit)), Block::NewPage];
    for strip in &audit.strips {
        blocks.push(Block::heading(2, &strip.heading));
        blocks.push(strip_part(strip));
    }
    blocks.extend(evidence(audit));
    Sheet {
        title: audit.title.clone(),
        site: audit.site.clone(),
        about: format!("{} ({}), for a veterinarian", audit.label, audit.enclosure),
        until: audit.until.clone(),
        blocks,
    }
}

fn first_page(audit: &Audit) -> Vec<Block> {
    let mut blocks: Vec<Block> = audit.invented.iter().cloned().map(Block::Framed).collect();
    blocks.push(Block::Heading {
        level: 1,
        text: audit.title.clone(),
        beside: audit.enclosure.clone(),
    });
    blocks.push(Block::Framed(format!("Act first. {}", audit.act_first)));
    blocks.extend(audit.answer.iter().cloned().map(Block::Paragraph));
    for fact in &audit.facts {
        blocks.push(Block::labelled(&format!("{}:", fact.heading), &fact.text));
    }
    let seen = events(&audit.seen, audit.seen_note.as_deref());
    blocks.push(Block::labelled("Seen:", seen.join(" ")));
    blocks.push(Block::Table {
        table: audit.glance.clone(),
        is_words: true,
    });
    blocks.push(strip_part(&audit.first_strip));
    let list = |heading: &str, lines: &[String]| {
        let mut blocks = vec![Block::heading(4, heading)];
        blocks.extend(Block::bullets(lines));
        blocks
    };
    let changed = events(&audit.recent_changes, audit.recent_changes_note.as_deref());
    blocks.push(Block::Columns(vec![
        (
            1.2,
            list(
                "Worst of the last 14 days, longest and furthest together",
                &audit.worst,
            ),
        ),
        (1.0, list("Changed in the last 14 days, or still so", &changed)),
        (1.0, list("Never measured", &audit.never_measured)),
    ]));
    blocks.push(Block::labelled(&audit.no_diagnosis, ""));
    blocks
}

pub(crate) fn strip_part(part: &StripPart) -> Block {
    match &part.picture {
        Some(picture) => Block::Figures(vec![Figure {
            picture: picture.clone(),
            notes: part.notes.clone(),
        }]),
        None => Block::Paragraph(part.notes.join(" ")),
    }
}

/// Entries and findings in one line each, and the note that belongs to them.
pub(crate) fn events(events: &[Event], note: Option<&str>) -> Vec<String> {
    let line = |event: &Event| {
        let number = event
            .number
            .map_or_else(String::new, |number| format!("[{number}] "));
        let text = if event.text.is_empty() {
            String::new()
        } else {
            format!(": {}", event.text)
        };
        let late = event
            .late
            .as_ref()
            .map_or_else(String::new, |late| format!(" ({late})"));
        let from = if event.from == "journal" {
            String::new()
        } else {
            format!(" ({})", event.from)
        };
        format!("{number}{}, {}{text}{late}{from}", event.at, event.what)
    };
    events.iter().map(line).chain(note.map(str::to_owned)).collect()
}

fn evidence(audit: &Audit) -> Vec<Block> {
    let words = |table: &Table| Block::table(table, true);
    let mut blocks = vec![Block::heading(2, "Days and nights apart")];
    blocks.extend(words(&audit.day_night));
    blocks.push(Block::heading(2, "Worst excursions"));
    blocks.extend(words(&audit.excursions));
    blocks.extend(audit.excursions_note.iter().cloned().map(Block::Paragraph));
    blocks.push(Block::heading(2, "What changed, in order of time"));
    if audit.changes.is_empty() {
        blocks.push(Block::Paragraph(super::html::NOTHING_CHANGED.to_owned()));
    }
    blocks.extend(words(&changes_table(&audit.changes)));
    blocks.push(Block::heading(3, "Devices"));
    blocks.extend(Block::bullets(&audit.devices));
    for (heading, table, notes) in [
        ("Its own earlier months", &audit.months, &audit.months_notes),
        (
            "The other enclosures of the room",
            &audit.others,
            &audit.others_notes,
        ),
    ] {
        blocks.push(Block::heading(2, heading));
        blocks.extend(words(table));
        blocks.extend(notes.iter().cloned().map(Block::Paragraph));
    }
    blocks.push(Block::heading(2, "The sensors over the time"));
    blocks.extend(words(&audit.sensors));
    blocks.extend(Block::figures(&audit.trust_lines));
    blocks.push(Block::heading(3, "Readings that were not used"));
    if audit.left_out.is_empty() {
        blocks.push(Block::Paragraph(super::html::ALL_USED.to_owned()));
    }
    blocks.extend(Block::bullets(&audit.left_out));
    if !audit.not_judged.is_empty() {
        blocks.push(Block::heading(3, "What could not be checked"));
        blocks.extend(Block::bullets(&audit.not_judged));
    }
    blocks.push(Block::heading(2, "Wanted ranges and limits"));
    blocks.extend(words(&audit.limits));
    blocks.push(Block::Small(audit.limits_note.clone()));
    blocks.push(Block::heading(2, "How it was worked out"));
    blocks.push(Block::Terms(audit.method.clone()));
    blocks.push(Block::heading(2, "Cautions"));
    blocks.push(Block::Terms(audit.cautions.clone()));
    blocks.push(Block::heading(2, "What it rests on"));
    blocks.extend(inputs_words(&audit.inputs).into_iter().map(Block::Paragraph));
    blocks.extend(words(&digest_table(&audit.inputs)));
    blocks
}

//! The report as blocks, for its text and its paper form.

use super::enclosure::{EnclosureSection, JournalLine};
use super::model::{PlaceLine, PlaceNeeds, WeeklyReport};
use super::need::{Need, Verdict};
use super::week_before::Comparison;
use crate::markup::Note;
use crate::sheet::{Block, Entry, Sheet};

/// Everything that the report says, in its order.
pub fn sheet(report: &WeeklyReport) -> Sheet {
    let mut blocks = summary(report);
    for section in &report.enclosures {
        blocks.push(Block::NewPage);
        blocks.extend(enclosure(section));
    }
    blocks.push(Block::NewPage);
    blocks.extend(room(report));
    blocks.push(Block::heading(2, "How it was judged"));
    blocks.push(Block::Terms(report.method.clone()));
    // They seldom change from week to week.
    blocks.push(Block::heading(4, "Limits used"));
    blocks.push(Block::Terms(report.enclosures.iter().map(limits).collect()));
    blocks.push(Block::heading(2, "Cautions"));
    blocks.push(Block::Terms(report.cautions.clone()));
    Sheet {
        title: report.title(),
        site: report.site.clone(),
        about: report.when(),
        until: report.until.clone(),
        blocks,
    }
}

fn summary(report: &WeeklyReport) -> Vec<Block> {
    let mut blocks: Vec<Block> = report.invented.iter().cloned().map(Block::Framed).collect();
    blocks.push(Block::heading(1, &report.answer));
    blocks.extend(
        report
            .answer_more
            .iter()
            .chain(&report.clock_changes)
            .cloned()
            .map(Block::Paragraph),
    );
    blocks.push(Block::Small(format!(
        "{}, {}. Times are local time of {}.",
        report.site,
        report.when(),
        report.timezone
    )));
    if !report.needs.is_empty() {
        blocks.push(Block::heading(2, "What needs you, in order"));
        blocks.extend(
            report
                .needs
                .iter()
                .enumerate()
                .map(|(index, place)| entry(index + 1, place)),
        );
    }
    for (heading, places) in [
        ("What is well, and how it was judged", &report.well),
        ("What is not known", &report.not_known),
    ] {
        if !places.is_empty() {
            blocks.push(Block::heading(2, heading));
            blocks.push(Block::Bullets(places.iter().map(place_line).collect()));
        }
    }
    blocks
}

fn entry(number: usize, place: &PlaceNeeds) -> Block {
    Block::Entry(Entry {
        number,
        head: place.label.clone(),
        beside: place.id.clone(),
        verdict: place.verdict.words().to_owned(),
        is_urgent: place.verdict == Verdict::ActNow,
        body: place.needs.iter().flat_map(need).collect(),
    })
}

pub(crate) fn need(need: &Need) -> Vec<Block> {
    let mut blocks = vec![Block::labelled(
        &format!("{},", need.headline),
        format!("{}.", need.when),
    )];
    blocks.extend(need.evidence.iter().cloned().map(Block::Paragraph));
    blocks.push(Block::labelled("Next:", need.next_in_turn()));
    blocks.push(Block::Small(format!("How sure: {}", need.sure)));
    blocks
}

fn place_line(line: &PlaceLine) -> String {
    format!("{}: {}. {}", line.label, line.verdict.words(), line.words)
}

fn enclosure(section: &EnclosureSection) -> Vec<Block> {
    let mut blocks = vec![
        Block::Heading {
            level: 2,
            text: format!("{}: {}", section.label, section.verdict.words()),
            beside: section.id.clone(),
        },
        Block::Small(section.about.clone()),
        Block::Paragraph(section.coverage.clone()),
    ];
    for need in &section.needs {
        blocks.push(Block::labelled(
            &format!("{},", need.headline),
            section.in_short(need),
        ));
    }
    match &section.strip {
        Some(strip) => blocks.push(Block::figure(strip, section.strip_notes.clone())),
        None => blocks.extend(Block::bullets(&section.strip_notes)),
    }
    blocks.extend(journal(&section.journal));
    blocks.extend(Block::table(&section.inside, false));
    blocks.extend(Block::table(&section.nights, false));
    blocks.extend(Block::table(&section.days, false));
    blocks.extend(Block::bullets(&section.hours));
    blocks.extend(Block::bullets(&section.would_do));
    // Side by side with those of the hours they take half of the paper.
    let mut pictures = section.hour_pictures.clone();
    if let Some(misting) = &section.misting {
        blocks.push(Block::heading(4, "Misting"));
        blocks.extend(Block::bullets(&misting.sentences));
        pictures.splice(
            ..0,
            misting.picture.iter().chain(&misting.trend_pictures).cloned(),
        );
    }
    blocks.extend(Block::figures(&pictures));
    blocks.push(Block::heading(4, "Sensors"));
    blocks.extend(Block::table(&section.sensors, true));
    blocks.extend(Block::figures(&section.trust_lines));
    blocks.push(Block::heading(4, "Against the days before, and a year before"));
    match &section.before {
        Comparison::Table(table) => blocks.extend(Block::table(table, false)),
        Comparison::NotCompared(reason) => blocks.push(Block::Paragraph(format!("Not compared: {reason}."))),
    }
    if !section.not_judged.is_empty() {
        blocks.push(Block::heading(4, "What could not be judged"));
        blocks.extend(Block::bullets(&section.not_judged));
    }
    blocks
}

fn limits(section: &EnclosureSection) -> Note {
    let said = format!("{} {}", section.limits_said, section.limits_note);
    Note::new(&section.label, said.trim_end())
}

fn room(report: &WeeklyReport) -> Vec<Block> {
    let room = &report.room;
    let mut blocks = vec![Block::heading(2, "The room")];
    blocks.extend(room.needs.iter().flat_map(need));
    match &room.strip {
        Some(strip) => blocks.push(Block::figure(strip, vec![room.words.clone()])),
        None => blocks.push(Block::Paragraph(room.words.clone())),
    }
    blocks.extend(journal(&room.journal));
    blocks.extend(Block::table(&room.sensors, true));
    blocks.extend(Block::figures(&room.trust_lines));
    if !room.not_judged.is_empty() {
        blocks.push(Block::heading(4, "What could not be judged"));
        blocks.extend(Block::bullets(&room.not_judged));
    }
    blocks
}

fn journal(entries: &[JournalLine]) -> Option<Block> {
    let line = |entry: &JournalLine| {
        let text = if entry.text.is_empty() {
            String::new()
        } else {
            format!(": {}", entry.text)
        };
        (
            entry.number.to_string(),
            format!("{}, {}{text}", entry.when, entry.kind),
        )
    };
    (!entries.is_empty()).then(|| Block::Numbered(entries.iter().map(line).collect()))
}

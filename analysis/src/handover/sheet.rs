//! The hand-over as blocks, for all its forms.

use super::model::HandOver;
use crate::audit::{event_lines, strip_block};
use crate::report::need_blocks;
use crate::sheet::{self, Block, Sheet};

/// The whole HTML file.
pub fn html(handover: &HandOver) -> String {
    sheet::html(&sheet(handover))
}

/// Everything that the hand-over says, in its order.
pub fn sheet(handover: &HandOver) -> Sheet {
    let mut blocks: Vec<Block> = handover.invented.iter().cloned().map(Block::Framed).collect();
    blocks.push(Block::Heading {
        level: 1,
        text: handover.title.clone(),
        beside: handover.enclosure.clone(),
    });
    blocks.extend(handover.answer.iter().cloned().map(Block::Paragraph));
    blocks.push(Block::heading(2, "What waits for you"));
    blocks.extend(handover.open.iter().flat_map(need_blocks));
    blocks.extend(handover.open_note.iter().cloned().map(Block::Paragraph));
    blocks.push(Block::heading(3, "What went wrong in the ten weeks before"));
    blocks.extend(Block::bullets(&handover.past));
    blocks.push(Block::heading(3, "Care that comes back"));
    blocks.extend(Block::bullets(&handover.care));
    blocks.push(Block::heading(2, "What it truly ran at"));
    blocks.extend(handover.months_notes.first().cloned().map(Block::Paragraph));
    blocks.extend(Block::table(&handover.months, true));
    blocks.extend(handover.months_notes.iter().skip(1).cloned().map(Block::Small));
    for strip in &handover.strips {
        blocks.push(Block::heading(3, &strip.heading));
        blocks.push(strip_block(strip));
    }
    blocks.extend(kit(handover));
    blocks.extend(needs(handover));
    Sheet {
        title: handover.title.clone(),
        site: handover.site.clone(),
        about: format!("{} ({}), for its next keeper", handover.label, handover.enclosure),
        until: handover.until.clone(),
        blocks,
    }
}

/// Settings, equipment and sensors.
fn kit(handover: &HandOver) -> Vec<Block> {
    let mut blocks = vec![Block::heading(2, "What is set, and what comes of it")];
    blocks.extend(Block::table(&handover.setpoints, true));
    blocks.extend(handover.setpoints_notes.iter().cloned().map(Block::Small));
    blocks.push(Block::heading(3, "By clock and calendar"));
    blocks.extend(Block::bullets(&handover.schedule));
    blocks.push(Block::heading(3, "Devices"));
    blocks.extend(Block::bullets(&handover.devices));
    blocks.push(Block::heading(2, "Sensors and their quirks"));
    blocks.extend(Block::bullets(&handover.quirks));
    blocks.extend(Block::table(&handover.sensors, true));
    blocks.push(Block::heading(3, "Never measured"));
    blocks.extend(Block::bullets(&handover.never_measured));
    blocks
}

/// What the animals need, what was noted, how it was worked out.
fn needs(handover: &HandOver) -> Vec<Block> {
    let mut blocks = vec![Block::heading(2, "What the animals need")];
    blocks.extend(Block::table(&handover.limits, true));
    blocks.push(Block::Small(handover.limits_note.clone()));
    blocks.push(Block::Terms(handover.species.clone()));
    blocks.push(Block::heading(2, "From the journal of the last six months"));
    blocks.extend(handover.journal_note.iter().cloned().map(Block::Paragraph));
    blocks.extend(Block::bullets(&event_lines(&handover.journal, None)));
    blocks.push(Block::heading(2, "How it was worked out"));
    blocks.push(Block::Terms(handover.method.clone()));
    blocks.push(Block::heading(2, "Cautions"));
    blocks.push(Block::Terms(handover.cautions.clone()));
    blocks
}

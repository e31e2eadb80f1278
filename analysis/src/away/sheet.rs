//! The sheet as blocks, for all its forms.

use super::{Away, Place};
use crate::sheet::{self, Block, Sheet};
use crate::words;

/// The whole HTML file.
pub fn html(away: &Away) -> String {
    sheet::html(&sheet(away))
}

/// Everything that is said, in its order.
pub fn sheet(away: &Away) -> Sheet {
    let mut blocks: Vec<Block> = away.invented.iter().cloned().map(Block::Framed).collect();
    blocks.push(Block::heading(1, &away.title));
    blocks.push(Block::Paragraph(away.answer.clone()));
    blocks.push(Block::Paragraph(away.room.clone()));
    blocks.push(Block::Paragraph(away.told.clone()));
    for place in &away.enclosures {
        blocks.extend(of_place(place));
    }
    if !away.room_care.is_empty() {
        blocks.push(Block::heading(2, "The room itself"));
        blocks.extend(Block::bullets(&away.room_care));
    }
    blocks.push(Block::heading(2, "For every absence"));
    blocks.extend(Block::bullets(&away.cautions));
    Sheet {
        title: format!("{}, {}", away.title, away.site),
        site: away.site.clone(),
        about: "for days away, and for whoever looks in".to_owned(),
        until: away.until.clone(),
        blocks,
    }
}

fn of_place(place: &Place) -> Vec<Block> {
    let mut blocks = vec![Block::Heading {
        level: 2,
        text: format!("{}: {}", place.label, place.answer.words()),
        beside: place.id.clone(),
    }];
    for (heading, lines) in [
        ("Before you go", &place.first),
        ("While you are away", &place.meanwhile),
        ("What heat and cold would do", &place.expected),
        ("Not known", &place.not_known),
    ] {
        if !lines.is_empty() {
            blocks.push(Block::heading(3, heading));
            blocks.extend(Block::bullets(lines));
        }
    }
    if blocks.len() == 1 {
        blocks.push(Block::Paragraph(words::capital("nothing to add.")));
    }
    blocks
}

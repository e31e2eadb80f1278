//! The sheet as blocks, for all its forms: the keeper's page, and then the one for whoever looks in.

use super::model::{Answer, Away, Place};
use crate::sheet::{self, Block, Sheet};

/// A box to be ticked by hand.
const BOX: &str = "[  ] ";
/// To be filled in by hand.
const LINE: &str = "______________________";

/// The whole HTML file.
pub fn html(away: &Away) -> String {
    sheet::html(&sheet(away))
}

/// Everything that is said, in its order.
pub fn sheet(away: &Away) -> Sheet {
    let mut blocks: Vec<Block> = away.invented.iter().cloned().map(Block::Framed).collect();
    blocks.push(Block::heading(1, &away.answer));
    blocks.extend(away.answer_more.iter().cloned().map(Block::Paragraph));
    blocks.extend(away.warnings.iter().cloned().map(Block::Framed));
    blocks.push(Block::Small(format!("{}. Made on {}.", away.title, away.made)));
    blocks.push(Block::heading(2, "Before you go"));
    for place in &away.enclosures {
        blocks.extend(for_keeper(place));
    }
    blocks.extend(headed("The room itself", &away.room_first, BOX));
    blocks.push(Block::heading(2, "Who would be told"));
    blocks.extend(Block::bullets(&away.told));
    blocks.push(Block::heading(2, "Heat and cold"));
    blocks.push(Block::Paragraph(away.room.clone()));
    blocks.extend(Block::table(&away.warmth, true));
    blocks.push(Block::heading(2, "For every absence"));
    blocks.extend(Block::bullets(&away.cautions));
    blocks.push(Block::NewPage);
    blocks.extend(for_whoever_looks_in(away));
    Sheet {
        title: format!("{}, {}", away.title, away.site),
        site: away.site.clone(),
        about: away.title.clone(),
        until: away.until.clone(),
        blocks,
    }
}

fn headed(heading: &str, lines: &[String], mark: &str) -> Vec<Block> {
    if lines.is_empty() {
        return Vec::new();
    }
    let marked: Vec<String> = lines.iter().map(|line| format!("{mark}{line}")).collect();
    let mut blocks = vec![Block::heading(3, heading)];
    blocks.extend(Block::bullets(&marked));
    blocks
}

fn for_keeper(place: &Place) -> Vec<Block> {
    let mut blocks = vec![Block::Heading {
        level: 3,
        text: format!("{}: {}", place.label, place.answer.words()),
        beside: place.id.clone(),
    }];
    let first = place.first.iter().map(|line| format!("{BOX}{line}"));
    let unknown = place.not_known.iter().map(|line| format!("Not known: {line}"));
    let mut lines: Vec<String> = first.chain(unknown).collect();
    if lines.is_empty() {
        lines.push(match place.answer {
            Answer::LookIn => "Nothing but what is told on the page for whoever looks in.".to_owned(),
            _ => "Nothing.".to_owned(),
        });
    }
    blocks.extend(Block::bullets(&lines));
    blocks
}

fn for_whoever_looks_in(away: &Away) -> Vec<Block> {
    let mut blocks = vec![
        Block::heading(2, "For whoever looks in"),
        Block::Paragraph(format!("Keeper: {LINE}    Veterinarian: {LINE}    Electrician: {LINE}")),
        Block::Paragraph(
            "Look at every animal each day, and ring if one lies oddly, does not move or breathes hard. Never raise the heat for an animal that looks \
             unwell: ring the veterinarian. Dry hands; unplug before you reach into water; leave mains work to an electrician. Wash your hands before \
             and after. Who is fed what, and when:"
                .to_owned(),
        ),
    ];
    for place in &away.enclosures {
        blocks.push(Block::Heading {
            level: 3,
            text: place.label.clone(),
            beside: place.id.clone(),
        });
        let mut lines = vec![format!("Food: {LINE}")];
        lines.extend(place.meanwhile.iter().map(|line| format!("{BOX}{line}")));
        blocks.extend(Block::bullets(&lines));
    }
    blocks.extend(headed("The room itself", &away.room_meanwhile, BOX));
    blocks
}

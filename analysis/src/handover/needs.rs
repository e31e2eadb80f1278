//! What the species needs besides its limits, with sources; and how the hand-over was worked out.

use mosswarden_config::site::Enclosure;

use crate::markup::Note;
use crate::report::limits;
use crate::words;

/// Notes of the life stage and what was published, each with its source.
pub(super) fn species(enclosure: &Enclosure) -> Vec<Note> {
    let Some(species) = &enclosure.species else {
        return vec![Note::new(
            "Species",
            &format!(
                "“{}” is not among the species that are known here; the limits above are the keeper’s own.",
                enclosure.species_id
            ),
        )];
    };
    let mut notes = vec![Note::new(
        "Way of life",
        &format!(
            "{}; lives in {}.",
            words::capital(&species.activity),
            species.medium
        ),
    )];
    if let Some(stage) = limits::stage(species, enclosure).and_then(|index| species.stages.get(index)) {
        let from = "From the program’s species file; no source is given for it there.";
        if !stage.humidity_pattern.is_empty() {
            let pattern = words::capital(stage.humidity_pattern.trim_end_matches('.'));
            notes.push(Note::new("Moisture", &format!("{pattern}. {from}")));
        }
        if !stage.note.is_empty() {
            notes.push(Note::new("Note", &format!("{} {from}", stage.note)));
        }
    }
    notes.extend(species.evidence.iter().map(|evidence| {
        Note::new(
            "Published",
            &format!(
                "{} Source: {}. Confidence: {}.",
                evidence.says,
                evidence.source.trim_end_matches('.'),
                evidence.confidence
            ),
        )
    }));
    notes
}

pub(super) fn method(timezone: &str, until: &str) -> Vec<Note> {
    vec![
        Note::new(
            "Time",
            &format!(
                "Local time of {timezone}. Days are the enclosure’s light hours by the site file now, nights the hours between them, also for earlier months. No reading later than {until} was used."
            ),
        ),
        Note::new(
            "What it ran at",
            "By time, not by number of readings, at the one sensor that speaks for the enclosure. A pause of three usual intervals, and at least ten minutes, is a gap, and its hours are not known. Readings that can’t be believed are left out, a drift that is known is taken off. The range is the one wanted now, also for earlier months.",
        ),
        Note::new(
            "What is open",
            "The findings of the last 14 days that stand, as the weekly report gives them. What could not be judged is not among them.",
        ),
        Note::new(
            "Pictures",
            "Each day is a step: pale, lowest to highest; darker, the middle half; line, the median. The range that is wanted is not drawn. Dashed: a limit. Bare paper: no readings. Numbers: entries of the journal. Scales start where the data needs it.",
        ),
    ]
}

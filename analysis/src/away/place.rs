//! One enclosure before some days away.

use mosswarden_config::journal::{ARRIVED, DIED, Entry, REFUSED_FOOD, TREATED};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure};
use mosswarden_config::zone::MS_PER_24_H;

use super::care::Tasks;
use super::model::{Answer, Given, Place, UNHEARD_MS};
use super::warmth::Warmth;
use crate::conditions::Outcome;
use crate::findings::Severity;
use crate::plot::Cell;
use crate::report::{EnclosureSection, Verdict};
use crate::unwell;
use crate::words::{self, Words, several};

/// What the journal says of animals is told for this long.
const LATELY_MS: i64 = 14 * MS_PER_24_H;

/// What is gathered of an enclosure.
#[derive(Default)]
pub(super) struct Lines {
    pub(super) first: Vec<String>,
    pub(super) meanwhile: Vec<String>,
    pub(super) not_known: Vec<String>,
}

/// The place, and its row in the table of heat and cold.
pub(super) fn place(
    given: &Given<'_>,
    own: &Enclosure,
    section: &EnclosureSection,
) -> (Place, Option<Vec<Cell>>) {
    let outcome = given
        .assessment
        .conditions
        .iter()
        .find(|outcome| outcome.enclosure == own.id);
    let mut lines = Lines::default();
    animals(given, own, &mut lines);
    for need in section
        .needs
        .iter()
        .filter(|need| need.severity > Severity::Notice)
    {
        // That it is over stands in the next step.
        let when = need.when.trim_end_matches("; it is over");
        lines.first.push(format!(
            "{} ({}), {when}. {}",
            need.headline,
            need.subject,
            need.next_in_turn()
        ));
    }
    Tasks::of(given, &own.id).say(&mut lines);
    by_hand(own, outcome, &mut lines);
    let is_heard = heard(given, own, &mut lines);
    let (row, is_warmth_known) = warmth(given, own, outcome, &mut lines);
    let is_unknown = section.verdict == Verdict::NotKnown;
    if is_unknown {
        lines.not_known.insert(0, section.coverage.clone());
    }
    let answer = match () {
        () if !lines.first.is_empty() => Answer::SeeToItFirst,
        () if is_unknown || !is_heard || !is_warmth_known => Answer::NotKnown,
        () if !lines.meanwhile.is_empty() => Answer::LookIn,
        () => Answer::NothingAgainst,
    };
    let place = Place {
        id: own.id.clone(),
        label: own.label.clone(),
        answer,
        first: lines.first,
        meanwhile: lines.meanwhile,
        not_known: lines.not_known,
    };
    (place, row)
}

/// What the journal says of the animals.
fn animals(given: &Given<'_>, own: &Enclosure, lines: &mut Lines) {
    let on = |entry: &Entry| {
        let date = words::date(given.site.zone, entry.at_ms);
        match entry.text.trim() {
            "" => date,
            text => format!("{date} (“{text}”)"),
        }
    };
    for entry in unwell::open(given.journal, &own.id, given.now_ms) {
        lines.first.push(format!(
            "An animal looked unwell on {}. Do not leave it before a veterinarian who knows such animals has said what to do.",
            on(entry)
        ));
        lines.meanwhile.push(format!(
            "An animal looked unwell on {}: look at it twice a day, and ring the veterinarian if it is no better.",
            on(entry)
        ));
    }
    let lately = given
        .journal
        .iter()
        .filter(|entry| entry.enclosure == own.id && (0..=LATELY_MS).contains(&(given.now_ms - entry.at_ms)));
    for entry in lately {
        match entry.kind.as_str() {
            TREATED => lines.meanwhile.push(format!(
                "Treated on {}: go on with it only as the veterinarian said.",
                on(entry)
            )),
            ARRIVED => lines.meanwhile.push(format!(
                "New since {}: look whether it eats, and whether it hides as it should.",
                on(entry)
            )),
            DIED => lines.first.push(format!(
                "An animal died on {}: ask a veterinarian whether the others are in danger.",
                on(entry)
            )),
            REFUSED_FOOD => lines
                .meanwhile
                .push(format!("It refused food on {}: look whether it eats.", on(entry))),
            _ => {}
        }
    }
}

/// An enclosure that nothing mists.
fn by_hand(own: &Enclosure, outcome: Option<&Outcome>, lines: &mut Lines) {
    let wants_moisture = own
        .limits
        .humidity_day_pct
        .or(own.limits.humidity_night_pct)
        .is_some();
    let waters = |kind: DeviceKind| own.devices_of(kind).next().is_some();
    if !wants_moisture || waters(DeviceKind::Mister) || waters(DeviceKind::Fogger) {
        return;
    }
    let noted = outcome.map_or(0, |outcome| outcome.mistings.len());
    let how_often = match noted {
        0 => "how often is not known".to_owned(),
        noted => format!(
            "{} in the last seven days, noted or seen",
            several(noted, "misting")
        ),
    };
    lines
        .meanwhile
        .push(format!("Mist by hand: no device does it ({how_often})."));
}

/// Whether it was heard lately, and by how many thermometers.
fn heard(given: &Given<'_>, own: &Enclosure, lines: &mut Lines) -> bool {
    let thermometers: Vec<(&str, i64)> = own
        .sensors
        .iter()
        .filter_map(|sensor| {
            let series = given.record.get(&sensor.id, Quantity::Temperature)?;
            Some((sensor.id.as_str(), *series.at_ms.last()?))
        })
        .collect();
    let Some(newest_ms) = thermometers.iter().map(|(_, at_ms)| *at_ms).max() else {
        lines
            .not_known
            .push("No temperature was heard of it: nobody would be told of heat or cold.".to_owned());
        return false;
    };
    if given.now_ms - newest_ms > UNHEARD_MS {
        // Of all of them that is said once.
        if given.unheard.is_none() {
            lines.not_known.push(format!(
                "How it stands now: no temperature was heard since {}. Nobody would be told of heat or cold.",
                words::instant(given.site.zone, newest_ms)
            ));
        }
        return false;
    }
    if let [(only, _)] = thermometers.as_slice() {
        lines.not_known.push(format!(
            "Whether {only} is right: it is its only thermometer, and if it falls silent nobody is told of heat or cold."
        ));
    }
    true
}

/// Its row in the table, and whether the models know it.
fn warmth(
    given: &Given<'_>,
    own: &Enclosure,
    outcome: Option<&Outcome>,
    lines: &mut Lines,
) -> (Option<Vec<Cell>>, bool) {
    let Some((outcome, room)) = outcome.zip(given.room) else {
        return (None, false);
    };
    let words = Words::of(given.site);
    let found = Warmth::of(given.site, own, outcome, given.asked, room);
    found.say(words, lines);
    let reasons = outcome.would_do.refused.join("; ");
    if !found.is_known() {
        let why = if reasons.is_empty() {
            String::new()
        } else {
            format!(": {reasons}")
        };
        lines.not_known.push(
            given
                .display
                .sentence(&format!("What heat and cold would do to it{why}.")),
        );
        return (None, false);
    }
    let mut row = vec![Cell::text(own.label.clone())];
    row.extend(found.row(given.display));
    (Some(row), true)
}

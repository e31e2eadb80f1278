//! The room outside the enclosures: its strip, its sensors, what was found about it.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::ROOM;

use super::chosen::{self, Chosen};
use super::enclosure::{self, JournalLine};
use super::model::Material;
use super::need::{self, Need, Standings};
use crate::plot::{self, Picture, Table};
use crate::trust::Standing;

/// Everything about the room.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomSection {
    pub needs: Vec<Need>,
    /// `None` where no sensor of the room has ever reported.
    pub strip: Option<Picture>,
    pub words: String,
    pub journal: Vec<JournalLine>,
    pub sensors: Table,
    pub trust_lines: Vec<Picture>,
    pub steady_lines: Vec<Picture>,
    pub not_judged: Vec<String>,
}

pub(super) fn section(material: &Material<'_>) -> RoomSection {
    let site = material.site;
    let pick = |quantity| {
        chosen::best(
            &site.room_sensors,
            quantity,
            material.record,
            material.trust,
            material.span,
        )
    };
    let (temperature, humidity) = (pick(Quantity::Temperature), pick(Quantity::Humidity));
    let standing = |chosen: &Option<Chosen<'_>>| chosen.as_ref().map_or(Standing::NotKnown, Chosen::standing);
    let standings = Standings {
        temperature: standing(&temperature),
        humidity: standing(&humidity),
    };
    let needs = need::needs(
        site.zone,
        material.display,
        material.span,
        material.verdicts,
        ROOM,
        standings,
    );
    let is_drawn = temperature.is_some() || humidity.is_some();
    let strip = is_drawn.then(|| {
        plot::week_strip(&plot::Strip {
            name: "The room",
            span: material.span,
            zone: site.zone,
            light: None,
            limits: None,
            temperature: temperature.as_ref().map(Chosen::line),
            humidity: humidity.as_ref().map(Chosen::line),
            mistings: Vec::new(),
            bars: Vec::new(),
            marks: enclosure::marks(material, ROOM),
            display: material.display,
        })
    });
    let words = match (&strip, site.room_sensors.is_empty()) {
        (Some(strip), _) => strip.alternative.clone(),
        (None, true) => "The site file names no sensor of the room: whether heat or dryness came from outside the enclosures cannot be told.".to_owned(),
        (None, false) => "Not known: no sensor of the room has reported.".to_owned(),
    };
    RoomSection {
        needs,
        strip,
        words,
        journal: enclosure::journal(material, ROOM),
        sensors: enclosure::sensors(material, ROOM, &site.room_sensors),
        trust_lines: enclosure::trust_lines(material, ROOM, &site.room_sensors, |said| {
            !enclosure::is_steady(said)
        }),
        steady_lines: enclosure::trust_lines(material, ROOM, &site.room_sensors, enclosure::is_steady),
        not_judged: enclosure::not_judged(material, ROOM),
    }
}

//! The verdict about a cause: with its evidence, how sure it is, and what to do.

use super::super::context::Context;
use super::super::thermal::Shares;
use super::DEPARTURE_K_MIN;
use crate::findings::Cause;

/// A share smaller than this would be told as zero, K.
const SHARE_TOLD_K_MIN: f64 = 0.05;

#[derive(Debug)]
pub(in super::super) struct Verdict {
    pub(in super::super) cause: Option<Cause>,
    pub(in super::super) evidence: String,
    pub(in super::super) advice: String,
    /// The sun is likely, and a probe in it reads warmer than the air.
    pub(in super::super) in_sun: bool,
}

impl Verdict {
    /// Weighs the verdict against what the thermal model makes of the same hours, and says how sure it is.
    pub(super) fn weighed(mut self, context: &Context<'_>, shares: Option<Shares>) -> Verdict {
        let Some(shares) = shares else {
            return self;
        };
        let room_k = shares.room_k;
        let inside_k = shares.heater_k + shares.lamp_k + shares.fogger_k + shares.rest_k;
        let agrees = match self.cause {
            Some(Cause::RoomHeat) => room_k > inside_k,
            Some(Cause::Heater) => {
                shares.heater_k >= DEPARTURE_K_MIN && shares.heater_k > shares.lamp_k.max(room_k)
            }
            // A lamp that is stronger than before, or nearer, is not in the model: it is what is left over.
            Some(Cause::Lamp) => shares.lamp_k + shares.rest_k > room_k.max(shares.heater_k),
            None => return self,
        };
        // What the model leaves over says only that it is none of the things that it knows.
        let is_explained = shares.rest_k <= room_k.max(shares.heater_k).max(shares.lamp_k);
        let mut acted: Vec<(&str, f64)> = [
            ("the room", shares.room_k),
            ("the heater", shares.heater_k),
            ("the lamp", shares.lamp_k),
            ("the fogger", shares.fogger_k),
            ("something else", shares.rest_k),
        ]
        .into_iter()
        .filter(|(_, k)| k.abs() >= SHARE_TOLD_K_MIN)
        .collect();
        acted.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
        let parts: Vec<String> = acted
            .into_iter()
            .map(|(name, k)| {
                let way = if k < 0.0 { "cooler" } else { "warmer" };
                format!("{} {way} by {name}", context.words.difference(k.abs()))
            })
            .collect();
        if parts.is_empty() {
            return self;
        }
        self.evidence += &format!(
            "; {}: as this enclosure answers to its room and devices, it was {} than usual",
            if agrees && is_explained {
                "that is sure"
            } else {
                "likely, but not sure"
            },
            crate::words::list(&parts)
        );
        self
    }
}

const ANIMALS_FIRST: &str = "Look at the animals first and give them shade, air and water.";

pub(super) fn room_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::RoomHeat),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Cool the room (blinds, night air), shorten the lamp's hours while it lasts, and move the \
             most delicate animals to the coolest room; no ice, no sudden cold."
        ),
        in_sun: false,
    }
}

pub(super) fn heater_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::Heater),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Pull the heater's plug (dry hands, dry floor) and leave it out until thermostat, probe and \
             relay are checked or replaced; fit an independent high cut-out, by an electrician where your rules ask for \
             one. No software stands in for it."
        ),
        in_sun: false,
    }
}

pub(super) fn lamp_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::Lamp),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Check lamp type, distance and timer; a lamp changed for a stronger one or left on needs its \
             guard and fixing looked at, unplugged and cold."
        ),
        in_sun: false,
    }
}

pub(super) fn unknown(evidence: &str) -> Verdict {
    Verdict {
        cause: None,
        evidence: format!("the cause can't be told ({evidence})"),
        advice: format!(
            "{ANIMALS_FIRST} Then look for sun on the glass, a covered vent, a lamp or heater that was changed, and a \
             sensor that hangs in the warm spot."
        ),
        in_sun: false,
    }
}

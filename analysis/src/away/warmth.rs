//! What the room's warmest and coldest days would make of an enclosure, by its fitted models.

use mosswarden_config::site::{DeviceKind, Enclosure, Limits, Site};

use super::model::{Asked, Room};
use super::place::Lines;
use crate::conditions::{Outcome, Thermal};
use crate::plot::{Cell, Display, Table, number};
use crate::statistics::Estimate;
use crate::words::Words;

/// What would come of the room's ends.
pub(super) struct Warmth<'a> {
    limits: Limits,
    is_heated: bool,
    has_lamps: bool,
    /// The coolest place at the end of the light hours in the warmest room, with its lamps as ever and off.
    hot: Option<(&'a Thermal, Estimate, Option<Estimate>)>,
    /// The coldest place in the coldest room with nothing on, and with the heater on all the time.
    cold: Option<(&'a Thermal, Estimate, Option<Estimate>)>,
    room: Room,
}

/// The strictest limits of the days away.
fn limits(site: &Site, own: &Enclosure, asked: Asked) -> Limits {
    let first = own.limits_on(site.zone.date(asked.span.from_ms));
    let of_days = site
        .zone
        .dates(asked.span)
        .into_iter()
        .map(|date| own.limits_on(date));
    of_days.fold(first, |strictest, limits| Limits {
        max_c: strictest.max_c.min(limits.max_c),
        min_c: strictest.min_c.max(limits.min_c),
        ..strictest
    })
}

impl<'a> Warmth<'a> {
    pub(super) fn of(
        site: &Site,
        own: &Enclosure,
        outcome: &'a Outcome,
        asked: Asked,
        room: Room,
    ) -> Warmth<'a> {
        let would_do = &outcome.would_do;
        let lowest = |of: &dyn Fn(&'a Thermal) -> Option<Estimate>| {
            let places = would_do
                .places
                .iter()
                .filter_map(|place| Some((place, of(place)?)));
            places.min_by(|(_, a), (_, b)| a.value.total_cmp(&b.value))
        };
        let has_lamps = own.devices_of(DeviceKind::Lamp).next().is_some() && would_do.light_h > 0.0;
        let hot = lowest(&|place| place.evening_c(room.high_c, would_do.light_h));
        let cold = lowest(&|place| place.long_run_c(room.low_c, false));
        Warmth {
            limits: limits(site, own, asked),
            is_heated: own.devices_of(DeviceKind::Heater).next().is_some(),
            has_lamps,
            hot: hot.map(|(place, lit)| {
                let dark = has_lamps.then(|| place.evening_c(room.high_c, 0.0)).flatten();
                (place, lit, dark)
            }),
            cold: cold.map(|(place, off)| (place, off, place.long_run_c(room.low_c, true))),
            room,
        }
    }

    pub(super) fn is_known(&self) -> bool {
        self.hot.is_some() && self.cold.is_some()
    }

    /// What it asks for, before leaving and meanwhile.
    pub(super) fn say(&self, words: Words, lines: &mut Lines) {
        self.say_hot(words, lines);
        self.say_cold(words, lines);
    }

    fn say_hot(&self, words: Words, lines: &mut Lines) {
        let Some((place, lit, dark)) = &self.hot else {
            return;
        };
        let max_c = words.temperature(self.limits.max_c);
        if lit.high <= self.limits.max_c {
            return;
        }
        let lamps_off = match dark.filter(|dark| dark.value <= self.limits.max_c) {
            _ if !self.has_lamps => String::new(),
            Some(dark) => format!(
                "switch its lamps off (then about {}), ",
                words.temperature(dark.value)
            ),
            None => "switch its lamps off, which alone is not enough, ".to_owned(),
        };
        lines.meanwhile.push(format!(
            "If it is warmer than {max_c} at {}: {lamps_off}shade and air the room, ring the keeper. It is warmest at the end of the light hours.",
            place.place
        ));
        if lit.value > self.limits.max_c {
            lines.first.push(format!(
                "Too warm on a day on which the room stays at {}: about {} by evening where it is coolest; {max_c} is its limit. Find a cooler place for \
                 it, shade the room{}.",
                words.temperature(self.room.high_c),
                words.temperature(lit.value),
                if self.has_lamps { ", shorten its lamps' hours" } else { "" }
            ));
        }
    }

    fn say_cold(&self, words: Words, lines: &mut Lines) {
        let Some((place, off, heated)) = &self.cold else {
            return;
        };
        let (min_c, night_low_c) = (self.limits.min_c, self.limits.night_c.low);
        let room = words.temperature(self.room.low_c);
        if off.low < min_c {
            let within = place.hours_without_power(min_c, self.room.low_c);
            let after = within.map_or_else(String::new, |hours| {
                format!(
                    " after about {} ({} to {})",
                    words.hours(hours.value),
                    words.hours(hours.low),
                    words.hours(hours.high)
                )
            });
            lines.meanwhile.push(format!(
                "If {} in a room of {room}, it may fall below {}{after}: somebody must be able to come by then. Warm the room, and wrap the enclosure \
                 once its lamps are off, air holes free.",
                if self.is_heated { "its heater or the mains fail" } else { "the mains fail" },
                words.temperature(min_c)
            ));
        }
        let holds = heated.filter(|_| self.is_heated).unwrap_or(*off);
        let with = match (self.is_heated, heated) {
            (true, Some(_)) => "its heater, on all the time, would hold",
            (true, None) => {
                if off.value < min_c.max(night_low_c) {
                    lines.not_known.push(format!(
                        "Whether its heater holds it warm in a room of {room}: the record does not show what it adds."
                    ));
                }
                return;
            }
            (false, _) => "it has no heater, and would stand at",
        };
        let wanted = if holds.value < min_c {
            format!("its lowest limit is {}", words.temperature(min_c))
        } else if holds.value < night_low_c {
            format!("nights from {} on are wanted", words.temperature(night_low_c))
        } else {
            return;
        };
        lines.first.push(format!(
            "Too cold in a room that stays at {room}: {with} about {} at {}; {wanted}. Keep the room warmer.",
            words.temperature(holds.value),
            place.place
        ));
    }

    /// A row of [`table`], after the enclosure's name.
    pub(super) fn row(&self, display: Display) -> Vec<Cell> {
        let degrees = |t_c: f64| number(display.temperature(t_c));
        let range = |estimate: Option<Estimate>| {
            Cell::text(estimate.map_or_else(
                || crate::words::NOT_KNOWN.to_owned(),
                |e| format!("{} ({} to {})", degrees(e.value), degrees(e.low), degrees(e.high)),
            ))
        };
        let hot = self.hot.as_ref();
        let cold = self.cold.as_ref();
        vec![
            range(hot.map(|(_, lit, _)| *lit)),
            range(hot.map(|(_, lit, dark)| dark.unwrap_or(*lit))),
            Cell::text(degrees(self.limits.max_c)),
            match self.is_heated {
                true => range(cold.and_then(|(_, _, heated)| *heated)),
                false => Cell::text("no heater"),
            },
            range(cold.map(|(_, off, _)| *off)),
            Cell::text(degrees(self.limits.min_c)),
        ]
    }
}

/// What heat and cold would do, a row an enclosure.
pub(super) fn table(display: Display, room: Room, rows: Vec<Vec<Cell>>) -> Table {
    let (high, low) = (
        display.temperature_words(room.high_c),
        display.temperature_words(room.low_c),
    );
    Table {
        caption: format!(
            "What heat and cold would do, {}, with the range in which it lies in 95 of 100 cases: the coolest place at the end of the light hours of a day on \
             which the room stays at {high}, heater off; the coldest place in the end, in a room that stays at {low}. A room hardly ever stays so: \
             the day itself is milder",
            display.degree()
        ),
        columns: [
            "enclosure",
            "warm day, lamps as ever",
            "warm day, lamps off",
            "never above",
            "cold, heater on all the time",
            "cold, all off",
            "never below",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    }
}

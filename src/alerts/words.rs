//! What an alert says: which enclosure, what, since when, how sure, go and look, one plain action.

use mosswarden_analysis::plot::Display;
use mosswarden_analysis::words;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_HOUR, Zone};

use super::place::{CLEAR_K, CLEAR_READINGS, Moment, Place};
use super::watch::Danger;

/// The unit in which a reading far too hot would be inside the limits.
fn another_unit(place: &Place, value_c: f64) -> Option<&'static str> {
    let (unit, _) = Quantity::Temperature.fits_rather(value_c, value_c)?;
    let meant_c = Quantity::Temperature.to_stored(value_c, unit).ok()?;
    (place.cold_c..=place.hot_c).contains(&meant_c).then_some(unit)
}

/// When a danger that was told is over, for whoever shows it beside newer readings; `None` where any reading ends it.
pub(crate) fn over_when(danger: Danger, display: Display) -> Option<String> {
    let inside = match danger {
        Danger::TooHot | Danger::TooCold => format!(
            "at least {:.1} {} inside the limit",
            display.difference(CLEAR_K),
            display.degree()
        ),
        Danger::HeaterRunaway => "back in the wanted range".to_owned(),
        Danger::Silent | Danger::CutOff | Danger::NotStoring => return None,
    };
    let readings = words::count(CLEAR_READINGS);
    Some(format!(
        "It counts as open until {readings} readings in a row are {inside}"
    ))
}

pub(super) struct Say {
    zone: Zone,
    display: Display,
}

impl Say {
    pub(super) fn new(site: &Site) -> Say {
        Say {
            zone: site.zone,
            display: Display::new(site.units),
        }
    }

    fn clock(&self, at_ms: i64) -> String {
        self.zone.local(at_ms).format("%H:%M").to_string()
    }

    fn moment(&self, at_ms: i64) -> String {
        words::instant(self.zone, at_ms)
    }

    fn lasted(&self, from_ms: i64, until_ms: i64) -> String {
        words::duration((until_ms - from_ms).max(0) as f64 / MS_PER_HOUR as f64)
    }

    fn degrees(&self, value_c: f64) -> String {
        self.display.temperature_words(value_c)
    }

    /// "1.2 °C above"; "just above" where the difference would be shown as nothing.
    fn beyond_by(&self, value_k: f64, side: &str) -> String {
        let shown = format!("{:.1}", self.display.difference(value_k));
        if shown == "0.0" {
            format!("just {side}")
        } else {
            format!("{shown} {} {side}", self.display.degree())
        }
    }

    pub(super) fn beyond(&self, place: &Place, danger: Danger, newest: &Moment, since_ms: i64) -> String {
        let is_hot = danger == Danger::TooHot;
        let (state, side, limit_c, value_c, which) = if is_hot {
            ("too hot", "above", place.hot_c, newest.coolest_c, "coolest")
        } else {
            ("too cold", "below", place.cold_c, newest.warmest_c, "warmest")
        };
        let limit = match (is_hot, place.is_emergency) {
            (true, true) => "emergency limit",
            (true, false) => "highest limit",
            _ => "lowest limit",
        };
        let by = if newest.sensors > 1 {
            format!(
                "the {which} of {} places reads {}",
                newest.sensors,
                self.degrees(value_c)
            )
        } else {
            format!(
                "one sensor, with no second one to confirm it, reads {}",
                self.degrees(value_c)
            )
        };
        let action = match another_unit(place, value_c) {
            Some(unit) => format!(
                "Go and look now, with a thermometer; if it is hot, switch off its lamps and heating. If it is well, the sensor sends another unit: \
                 write unit = \"{unit}\" at its feed in the site file."
            ),
            None if is_hot => "Go and look now; switch off its lamps and heating.".to_owned(),
            None => "Go and look now; see whether its heating has power.".to_owned(),
        };
        format!(
            "{}: {state}. At {} {by}, {} the {limit} of {}, since {}. {action}",
            place.label,
            self.clock(newest.at_ms),
            self.beyond_by((value_c - limit_c).abs(), side),
            self.degrees(limit_c),
            self.moment(since_ms)
        )
    }

    pub(super) fn back_inside(
        &self,
        place: &Place,
        danger: Danger,
        newest: &Moment,
        since_ms: i64,
        worst_c: f64,
    ) -> String {
        let (state, value_c, worst) = if danger == Danger::TooHot {
            ("too hot", newest.coolest_c, "highest")
        } else {
            ("too cold", newest.warmest_c, "lowest")
        };
        format!(
            "{}: no longer {state}. {} at {}. It lasted {}; the {worst} was {}. Look at the animals all the same.",
            place.label,
            self.degrees(value_c),
            self.clock(newest.at_ms),
            self.lasted(since_ms, newest.at_ms),
            self.degrees(worst_c)
        )
    }

    pub(super) fn runaway(&self, place: &Place, lowest: &Moment, newest: &Moment, is_on: bool) -> String {
        let heater = if is_on {
            "its heater reports that it is on"
        } else {
            "whether its heater is on is not known"
        };
        format!(
            "{}: warming fast. From {} to {} between {} and {}, past the wanted range; {heater}. Sun or a lamp can do this too. \
             Go and look now; if it is the heater, switch it off at a dry plug.",
            place.label,
            self.degrees(lowest.coolest_c),
            self.degrees(newest.coolest_c),
            self.clock(lowest.at_ms),
            self.clock(newest.at_ms)
        )
    }

    pub(super) fn runaway_over(&self, place: &Place, newest: &Moment, since_ms: i64) -> String {
        format!(
            "{}: back in the wanted range, {} at {}. The fast warming began {} before. Have its heater and thermostat checked.",
            place.label,
            self.degrees(newest.coolest_c),
            self.clock(newest.at_ms),
            self.lasted(since_ms, newest.at_ms)
        )
    }

    pub(super) fn silent(&self, place: &Place, since_ms: i64, was_heard: bool, now_ms: i64) -> String {
        let last = if was_heard {
            format!("the last came on {}", self.moment(since_ms))
        } else {
            "none since the collector started".to_owned()
        };
        format!(
            "{}: no reading for {}; {last}. How it is there is not known, and heat or cold would not be told. \
             Go and look; check its sensors' power and batteries.",
            place.label,
            self.lasted(since_ms, now_ms)
        )
    }

    pub(super) fn heard(&self, place: &Place, since_ms: i64, now_ms: i64) -> String {
        format!(
            "{}: readings come again, after {} of silence. What happened meanwhile is not known.",
            place.label,
            self.lasted(since_ms, now_ms)
        )
    }

    pub(super) fn collector_gone(&self, danger: Danger, since_ms: i64, now_ms: i64) -> String {
        let lasted = self.lasted(since_ms, now_ms);
        let since = self.moment(since_ms);
        if danger == Danger::NotStoring {
            format!(
                "Readings can't be stored for {lasted}, since {since}: the disk takes nothing. How the enclosures are is not known. \
                 See whether the disk is full; go and look at the enclosures."
            )
        } else {
            format!(
                "Cut off from the broker for {lasted}, since {since}. No reading can come in, so how the enclosures are is not known. \
                 Go and look at them; see whether the broker and the network run."
            )
        }
    }

    pub(super) fn collector_back(&self, danger: Danger, since_ms: i64, now_ms: i64) -> String {
        let what = if danger == Danger::NotStoring {
            "Readings are stored again"
        } else {
            "The broker is there again"
        };
        format!(
            "{what}, after {}. What was waiting comes in late; what did not wait is not known.",
            self.lasted(since_ms, now_ms)
        )
    }

    pub(super) fn all_silent(&self, since_ms: i64, now_ms: i64) -> String {
        format!(
            "No reading from any enclosure for {}, since {}. How they are is not known. Go and look; see whether the power \
             or the network is out.",
            self.lasted(since_ms, now_ms),
            self.moment(since_ms)
        )
    }

    pub(super) fn all_heard(&self, back: &[&str], since_ms: i64, now_ms: i64) -> String {
        format!(
            "Readings come again from {}, after {} of silence everywhere. What happened meanwhile is not known; look at the \
             animals.",
            back.join(", "),
            self.lasted(since_ms, now_ms)
        )
    }
}

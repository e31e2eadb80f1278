//! Figures as a keeper reads them: local time, units as asked for, one digit after the point.

use mosswarden_config::site::{Site, Units};
use mosswarden_config::zone::Zone;

/// How figures are written for one site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Words {
    zone: Zone,
    units: Units,
}

impl Words {
    pub(super) fn of(site: &Site) -> Words {
        Words {
            zone: site.zone,
            units: site.units,
        }
    }

    /// `31.4 °C`, or in °F.
    pub(super) fn temperature(self, t_c: f64) -> String {
        match self.units {
            Units::Metric => format!("{t_c:.1} °C"),
            Units::Imperial => format!("{:.1} °F", t_c * 9.0 / 5.0 + 32.0),
        }
    }

    /// `3.4 °C` for a difference.
    pub(super) fn difference(self, difference_k: f64) -> String {
        match self.units {
            Units::Metric => format!("{difference_k:.1} °C"),
            Units::Imperial => format!("{:.1} °F", difference_k * 9.0 / 5.0),
        }
    }

    /// `14:10`.
    pub(super) fn clock(self, at_ms: i64) -> String {
        self.zone.local(at_ms).format("%H:%M").to_string()
    }

    /// `Tuesday 19 May`.
    pub(super) fn day(self, at_ms: i64) -> String {
        self.zone.local(at_ms).format("%A %-d %B").to_string()
    }

    /// `14:10 on Tuesday 19 May`.
    pub(super) fn moment(self, at_ms: i64) -> String {
        format!("{} on {}", self.clock(at_ms), self.day(at_ms))
    }

    /// `2 h 10 min`, `40 min`, `3 days 4 h`.
    pub(super) fn hours(self, hours: f64) -> String {
        const MINUTES_PER_DAY: i64 = 24 * 60;
        let minutes = (hours * 60.0).round() as i64;
        let (days, rest) = (minutes / MINUTES_PER_DAY, minutes % MINUTES_PER_DAY);
        match (days, rest / 60, rest % 60) {
            (0, 0, minutes) => format!("{minutes} min"),
            (0, hours, 0) => format!("{hours} h"),
            (0, hours, minutes) => format!("{hours} h {minutes} min"),
            (1, hours, _) => format!("1 day {hours} h"),
            (days, hours, _) => format!("{days} days {hours} h"),
        }
    }
}

/// `1 run`, `3 runs`.
pub(super) fn counted(count: usize, word: &str) -> String {
    if count == 1 {
        format!("1 {word}")
    } else {
        format!("{count} {word}s")
    }
}

/// `82 %` of a share.
pub(super) fn percent(share_frac: f64) -> String {
    format!("{:.0} %", share_frac * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_local_and_lengths_are_plain() {
        let zone = Zone::from_name("Europe/Lisbon").expect("an IANA name");
        let words = Words {
            zone,
            units: Units::Metric,
        };
        let at = zone.parse("2026-05-19T14:10").expect("a time");
        assert_eq!(words.moment(at), "14:10 on Tuesday 19 May");
        assert_eq!(words.hours(2.0 + 10.0 / 60.0), "2 h 10 min");
        assert_eq!(words.hours(0.25), "15 min");
        assert_eq!(words.hours(50.0), "2 days 2 h");
        assert_eq!(words.temperature(31.44), "31.4 °C");
    }
}

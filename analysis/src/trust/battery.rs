//! What a sensor tells of its battery's charge.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::assess::Room;
use crate::series::View;
use crate::statistics::robust::median;

/// A charge at or below this is worth a word before anything is lost, % (common practice, no source).
const LOW_PCT: f64 = 20.0;
const WEEK_MS: i64 = 7 * MS_PER_24_H;

/// The charge over the last day that it was told of, %, and over the same day a week before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Charge {
    last_pct: f64,
    week_before_pct: Option<f64>,
}

impl Charge {
    fn of(view: View<'_>) -> Option<Charge> {
        let until_ms = view.at_ms.last()? + 1;
        let day = |before_ms: i64| {
            let span = Span {
                from_ms: until_ms - before_ms - MS_PER_24_H,
                until_ms: until_ms - before_ms,
            };
            median(view.within(span).value)
        };
        Some(Charge {
            last_pct: day(0)?,
            week_before_pct: day(WEEK_MS),
        })
    }

    pub(super) fn is_low(self) -> bool {
        self.last_pct <= LOW_PCT
    }

    /// Such as "12 %, a week before 20 %".
    pub(super) fn words(self) -> String {
        match self.week_before_pct {
            Some(before) => format!("{:.0} %, a week before {before:.0} %", self.last_pct),
            None => format!("{:.0} %", self.last_pct),
        }
    }
}

impl Room<'_> {
    /// `None` where a sensor does not tell of its battery.
    pub(super) fn charge(&self, sensor: &Sensor) -> Option<Charge> {
        Charge::of(self.record.get(&sensor.id, Quantity::Battery)?.view())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::Series;
    use mosswarden_config::table::Mark;

    #[test]
    fn a_charge_is_that_of_the_last_day_beside_a_week_before() {
        let mut series = Series::default();
        let mut tell = |day: i64, hour: i64, pct: f64| {
            let at_ms = day * MS_PER_24_H + hour * 3_600_000;
            series.push(at_ms, at_ms, pct, Mark::Ok);
        };
        // It falls by 2 % a day from 40 %; one reading of the last day is out of line.
        for day in 0..12 {
            for hour in [2, 10, 18] {
                let slip = if (day, hour) == (11, 10) { 30.0 } else { 0.0 };
                tell(day, hour, 40.0 - 2.0 * day as f64 + slip);
            }
        }
        let charge = Charge::of(series.view()).expect("it tells of its battery");
        assert_eq!(charge.words(), "18 %, a week before 32 %");
        assert!(charge.is_low());
        let first = series.within(Span {
            from_ms: 0,
            until_ms: MS_PER_24_H,
        });
        let charge = Charge::of(first).expect("one day of it");
        assert_eq!(charge.words(), "40 %");
        assert!(!charge.is_low());
        assert_eq!(Charge::of(Series::empty().view()), None);
    }
}

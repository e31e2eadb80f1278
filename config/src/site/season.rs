//! Dated seasons of an enclosure: a cooling, a rain season, a quarantine, hatchlings; each with limits and light hours of its own.

use chrono::{Datelike, NaiveDate};

use super::{Enclosure, Limits};
use crate::zone::LightHours;

/// A stretch of dates, both ends included, in which other limits hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Season {
    pub name: String,
    pub dates: Dates,
    pub limits: Limits,
    pub light: LightHours,
}

/// When a season holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dates {
    /// Month and day, every year; may go over the turn of the year.
    Yearly {
        from: (u32, u32),
        to: (u32, u32),
    },
    Once {
        from: NaiveDate,
        to: NaiveDate,
    },
}

impl Dates {
    pub fn contains(self, date: NaiveDate) -> bool {
        match self {
            Dates::Once { from, to } => from <= date && date <= to,
            Dates::Yearly { from, to } => {
                let day = (date.month(), date.day());
                if from <= to {
                    from <= day && day <= to
                } else {
                    from <= day || day <= to
                }
            }
        }
    }
}

impl Enclosure {
    /// The season that holds on a local date, if any.
    pub fn season_on(&self, date: NaiveDate) -> Option<&Season> {
        self.seasons.iter().find(|season| season.dates.contains(date))
    }

    /// The limits that hold on a local date; a night goes by the date on which it begins.
    pub fn limits_on(&self, date: NaiveDate) -> Limits {
        self.season_on(date).map_or(self.limits, |season| season.limits)
    }

    /// The light hours asked for on a local date.
    pub fn light_on(&self, date: NaiveDate) -> LightHours {
        self.season_on(date).map_or(self.light, |season| season.light)
    }
}

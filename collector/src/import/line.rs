//! One line of tidy CSV → one reading, or what is wrong with it.
//!
//! In: text with the header `time,enclosure,sensor,quantity,value,unit`, the ids of the site. Out: readings one by one. Pure: no files,
//! no clock. A line that is wrong costs only itself: no quote reaches over a line's end.

use std::collections::BTreeMap;
use std::io::{self, BufRead};
use std::sync::Arc;

use chrono::{DateTime, NaiveDate};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Site, nearest};
use mosswarden_config::table::{self, Reading, TimeSource};
use mosswarden_config::zone::{DateOrder, Misdated, local_time};

use crate::csv::{Next, Records};
use crate::validate;

/// Columns, in the contract's order; a file may have them in another.
const COLUMNS: [&str; 6] = ["time", "enclosure", "sensor", "quantity", "value", "unit"];

/// A line that was refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadLine {
    pub line: u64,
    /// What is wrong, what was expected, and the nearest known word.
    pub message: String,
}

/// The ids of the site.
pub(crate) struct Known {
    enclosure_of: BTreeMap<Arc<str>, Arc<str>>,
    enclosures: Vec<Arc<str>>,
}

impl Known {
    pub(crate) fn new(site: &Site) -> Known {
        let room: Arc<str> = Arc::from(table::ROOM);
        let mut enclosure_of = BTreeMap::new();
        for sensor in &site.room_sensors {
            enclosure_of.insert(Arc::from(sensor.id.as_str()), Arc::clone(&room));
        }
        let mut enclosures = Vec::new();
        for enclosure in &site.enclosures {
            let home: Arc<str> = Arc::from(enclosure.id.as_str());
            let sensors = enclosure.sensors.iter().map(|sensor| &sensor.id);
            let devices = enclosure.devices.iter().map(|device| &device.id);
            for id in sensors.chain(devices) {
                enclosure_of.insert(Arc::from(id.as_str()), Arc::clone(&home));
            }
            enclosures.push(home);
        }
        enclosures.push(room);
        Known {
            enclosure_of,
            enclosures,
        }
    }

    fn ids(&self, enclosure: &str, sensor: &str) -> Result<(Arc<str>, Arc<str>), Wrong> {
        let unknown = |message| Wrong {
            message,
            is_unknown_id: true,
        };
        if !self.enclosures.iter().any(|known| &**known == enclosure) {
            let known = self.enclosures.iter().map(|known| &**known);
            return Err(unknown(unknown_word("enclosure", enclosure, known)));
        }
        let Some((known_sensor, home)) = self.enclosure_of.get_key_value(sensor) else {
            let known = self.enclosure_of.keys().map(|known| &**known);
            return Err(unknown(unknown_word("sensor", sensor, known)));
        };
        if &**home != enclosure {
            return Err(unknown(format!(
                "sensor `{sensor}` stands in `{home}`, not in `{enclosure}`"
            )));
        }
        Ok((Arc::clone(home), Arc::clone(known_sensor)))
    }
}

/// What is wrong with a line.
#[derive(Debug)]
pub(crate) struct Wrong {
    pub(crate) message: String,
    pub(crate) is_unknown_id: bool,
}

impl From<String> for Wrong {
    fn from(message: String) -> Wrong {
        Wrong {
            message,
            is_unknown_id: false,
        }
    }
}

/// Why nothing behind the first line can be read.
#[derive(Debug)]
pub(crate) enum NoLines {
    Read(io::Error),
    Empty,
    Header(String),
}

/// The lines behind a header.
pub(crate) struct Lines<'k, R> {
    known: &'k Known,
    records: Records<R>,
    /// Where each of [`COLUMNS`] stands.
    places: [usize; 6],
    now_ms: i64,
}

impl<'k, R: BufRead> Lines<'k, R> {
    /// Reads the header.
    pub(crate) fn open(known: &'k Known, input: R, now_ms: i64) -> Result<Lines<'k, R>, NoLines> {
        let mut records = Records::of_lines(input);
        match records.next().map_err(NoLines::Read)? {
            Next::End => return Err(NoLines::Empty),
            Next::Broken(why) => return Err(NoLines::Header(why.to_owned())),
            Next::Record => {}
        }
        let places = places(&records, &COLUMNS, &[]).map_err(NoLines::Header)?;
        Ok(Lines {
            known,
            records,
            places,
            now_ms,
        })
    }

    /// The next line's reading; `None` at the end.
    pub(crate) fn next(&mut self) -> io::Result<Option<Result<Reading, Wrong>>> {
        Ok(match self.records.next()? {
            Next::End => None,
            Next::Broken(why) => Some(Err(why.to_owned().into())),
            Next::Record => Some(self.reading()),
        })
    }

    /// The number of the last line, from 1.
    pub(crate) fn line(&self) -> u64 {
        self.records.line()
    }

    /// The last line as it stands in the file.
    pub(crate) fn raw(&self) -> &[u8] {
        self.records.raw()
    }

    /// Bytes read so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.records.bytes()
    }

    fn reading(&self) -> Result<Reading, Wrong> {
        let [time, enclosure, sensor, quantity, value, unit] =
            self.places.map(|place| self.records.cell(place));
        let at_ms = instant_ms(time).ok_or_else(|| no_instant(time))?;
        let (enclosure, sensor) = self.known.ids(enclosure, sensor)?;
        let quantity = Quantity::from_name(quantity)
            .ok_or_else(|| unknown_word("quantity", quantity, Quantity::ALL.map(Quantity::name)))?;
        let number: f64 = self
            .records
            .decimal(value)
            .parse()
            .ok()
            .filter(|number: &f64| number.is_finite())
            .ok_or_else(|| {
                let point = if value.contains(',') {
                    "; write it with a point"
                } else {
                    ""
                };
                format!("`{}` is not a number{point}", short(value))
            })?;
        let value = quantity
            .to_stored(number, unit)
            .map_err(|error| error.to_string())?
            + 0.0;
        if !value.is_finite() {
            return Err(format!("`{number}` is too large").into());
        }
        let mark = validate::mark_of_import(quantity, value, at_ms, self.now_ms);
        Ok(Reading {
            at_ms,
            received_ms: self.now_ms,
            time_source: TimeSource::Import,
            enclosure,
            sensor,
            quantity,
            value,
            mark,
        })
    }
}

/// Where a column stands that a file does not have: no record reaches so far, and absent cells are empty.
const ABSENT: usize = usize::MAX;

/// At which place each wanted column stands; unknown, missing and double ones are told. Those of `optional` may be absent.
pub(crate) fn places<const N: usize>(
    records: &Records<impl io::BufRead>,
    wanted: &[&'static str; N],
    optional: &[&str],
) -> Result<[usize; N], String> {
    let mut places = [None; N];
    for index in 0..records.cell_count() {
        let name = records.cell(index);
        match wanted.iter().position(|wanted| *wanted == name) {
            None => {
                return Err(unknown_word("column", name, wanted.iter().copied())
                    + &format!("; the header is `{}`", wanted.join(",")));
            }
            Some(place) if places[place].is_some() => {
                return Err(format!("the column `{name}` stands twice"));
            }
            Some(place) => places[place] = Some(index),
        }
    }
    let mut found = [0; N];
    for (index, place) in places.iter().enumerate() {
        let absent = optional.contains(&wanted[index]).then_some(ABSENT);
        found[index] = place.or(absent).ok_or_else(|| {
            format!(
                "the column `{}` is missing; the header is `{}`",
                wanted[index],
                wanted.join(",")
            )
        })?;
    }
    Ok(found)
}

/// "unknown sensor `x`; did you mean `y`?"
pub(crate) fn unknown_word<'w>(what: &str, word: &str, known: impl IntoIterator<Item = &'w str>) -> String {
    let known: Vec<&str> = known.into_iter().collect();
    let word_told = short(word);
    match nearest(word, known.iter().copied()) {
        Some(near) => format!("unknown {what} `{word_told}`; did you mean `{near}`?"),
        None if known.is_empty() => format!("unknown {what} `{word_told}`"),
        None => format!("unknown {what} `{word_told}`; known are {}", known.join(", ")),
    }
}

/// The beginning of what somebody wrote, on one line.
pub(crate) fn short(text: &str) -> String {
    text.chars()
        .take(60)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// Why a text is no instant, and what to write instead.
fn no_instant(text: &str) -> String {
    let orders: Vec<String> = [
        ("day-first", DateOrder::DayFirst),
        ("month-first", DateOrder::MonthFirst),
    ]
    .iter()
    .filter(|(_, order)| local_time(text, *order).is_some())
    .map(|(name, _)| format!("\"HEADER=time {name}\""))
    .collect();
    let told = short(text);
    match Misdated::of(text) {
        Some(wrong @ Misdated::NoSuchDay { .. }) => format!("`{told}` is not a time: {wrong}"),
        Some(Misdated::YearLast { .. }) if orders.is_empty() => format!("`{told}` has no time of day"),
        Some(Misdated::YearLast { .. }) => {
            format!("`{told}` is read with --columns {}", orders.join(" or "))
        }
        None => format!(
            "`{told}` is not a time; write it with its distance from UTC, as 2026-03-01T09:00:00+01:00, or in UTC with Z (RFC 3339); --columns reads local times as well"
        ),
    }
}

/// RFC 3339, with a quick way for the usual form `2026-03-01T08:00:00Z`.
fn instant_ms(text: &str) -> Option<i64> {
    quick_instant_ms(text.as_bytes()).or_else(|| {
        DateTime::parse_from_rfc3339(text)
            .ok()
            .map(|at| at.timestamp_millis())
    })
}

fn quick_instant_ms(text: &[u8]) -> Option<i64> {
    let [
        y1,
        y2,
        y3,
        y4,
        b'-',
        m1,
        m2,
        b'-',
        d1,
        d2,
        b'T',
        h1,
        h2,
        b':',
        i1,
        i2,
        b':',
        s1,
        s2,
        b'Z',
    ] = *text
    else {
        return None;
    };
    let digits = |digits: &[u8]| {
        digits.iter().try_fold(0u32, |number, digit| {
            digit
                .is_ascii_digit()
                .then(|| number * 10 + u32::from(digit - b'0'))
        })
    };
    let year = i32::try_from(digits(&[y1, y2, y3, y4])?).ok()?;
    let date = NaiveDate::from_ymd_opt(year, digits(&[m1, m2])?, digits(&[d1, d2])?)?;
    let at = date.and_hms_opt(digits(&[h1, h2])?, digits(&[i1, i2])?, digits(&[s1, s2])?)?;
    Some(at.and_utc().timestamp_millis())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_date_that_is_no_instant_is_told_how_it_is_read() {
        for (text, said) in [
            (
                "28/11/2026 14:00",
                "`28/11/2026 14:00` is read with --columns \"HEADER=time day-first\"",
            ),
            (
                "3/4/2026 2:00 PM",
                "`3/4/2026 2:00 PM` is read with --columns \"HEADER=time day-first\" or \"HEADER=time month-first\"",
            ),
            ("28/11/2026", "`28/11/2026` has no time of day"),
            (
                "31/02/2026 14:00",
                "`31/02/2026 14:00` is not a time: there is no 31 February 2026",
            ),
        ] {
            assert_eq!(no_instant(text), said);
        }
        assert!(no_instant("soon").contains("RFC 3339"));
    }

    #[test]
    fn times_in_every_form_of_rfc_3339() {
        for (text, expected) in [
            ("2026-03-01T08:00:00Z", Some(1_772_352_000_000)),
            ("2026-03-01T09:00:00.5+01:00", Some(1_772_352_000_500)),
            ("2026-02-29T08:00:00Z", None),
            ("2026-03-01T24:00:00Z", None),
            ("2026-03-01 08:00:00", None),
        ] {
            assert_eq!(instant_ms(text), expected, "{text}");
        }
    }
}

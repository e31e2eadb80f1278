//! Logs with a column for each sensor, as loggers and spreadsheets write them, to tidy CSV that [`import_csv`](crate::import_csv) takes.
//!
//! Between cells stands a comma, or a semicolon; then a decimal comma is understood too.
//! A column is described as `HEADER=time` or `HEADER=SENSOR QUANTITY [UNIT]`. Times are RFC 3339, local date-times of the site's zone
//! (year first, or as the description says), or seconds or milliseconds since 1970. Cells that are empty are no readings; what is no
//! number, no time or no record at all goes on as it is, so that the import refuses it, whole, and takes the rest.

use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use chrono::DateTime;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Site, nearest};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{DateOrder, local_time};

use crate::csv::{Next, Records};

/// Numbers from here up are milliseconds, below they are seconds: the rule of the site file's `time_pointer`.
const EPOCH_MS_FROM: f64 = 1e11;

/// Why a file could not be read by its columns.
#[derive(Debug, thiserror::Error)]
pub enum ColumnsError {
    #[error(
        "`{0}` does not describe a column; write HEADER=time, or \"HEADER=time day-first\" or \"HEADER=time month-first\" where dates are like 1/3/2026, or \"HEADER=SENSOR QUANTITY UNIT\""
    )]
    Description(String),
    #[error("there is no sensor or device `{id}` in the site file{}", near.as_ref().map_or_else(String::new, |near| format!("; the nearest is `{near}`")))]
    UnknownSensor { id: String, near: Option<String> },
    #[error(
        "`{0}` is no quantity; known: temperature, humidity, pressure, illuminance, uv-index, water-temperature, soil-moisture, battery, state"
    )]
    UnknownQuantity(String),
    #[error("no column is the time; describe one as HEADER=time")]
    NoTime,
    #[error("{}:1: there is no column `{header}`; the file has: {found}", file.display())]
    NoColumn {
        file: PathBuf,
        header: String,
        found: String,
    },
    #[error("{}: {why}", file.display())]
    Broken { file: PathBuf, why: String },
    #[error("{} can't be read or the tidy copy can't be written", file.display())]
    Io { file: PathBuf, source: io::Error },
}

struct Column {
    header: String,
    enclosure: String,
    sensor: String,
    quantity: Quantity,
    unit: String,
}

/// What the columns of a file mean.
pub struct Columns {
    time: String,
    order: DateOrder,
    columns: Vec<Column>,
}

/// From which lines of a log the lines of its tidy copy come.
#[derive(Debug, Default)]
pub struct Origins {
    /// Runs of records that give the same number of tidy lines each: the first tidy line, the line of its record, lines a record.
    runs: Vec<(u64, u64, u64)>,
    tidy_lines: u64,
}

impl Origins {
    /// The log's line for a line of the tidy copy, both from 1.
    pub fn line(&self, tidy_line: u64) -> u64 {
        let after = self.runs.partition_point(|(first, ..)| *first <= tidy_line);
        match after.checked_sub(1).map(|run| self.runs[run]) {
            Some((first, line, per)) => line + (tidy_line - first) / per,
            None => tidy_line,
        }
    }

    /// A record that ended at a line became so many tidy lines.
    fn add(&mut self, line: u64, count: u64) {
        if count == 0 {
            return;
        }
        let first = self.tidy_lines + 1;
        self.tidy_lines += count;
        let goes_on = self
            .runs
            .last()
            .is_some_and(|(_, _, per)| *per == count && self.line(first) == line);
        if !goes_on {
            self.runs.push((first, line, count));
        }
    }
}

impl Columns {
    /// Reads descriptions against the site's sensors.
    ///
    /// # Errors
    /// The first description that can't be used, with the nearest known word.
    pub fn parse(site: &Site, descriptions: &[String]) -> Result<Columns, ColumnsError> {
        let mut time = None;
        let mut order = DateOrder::YearFirst;
        let mut columns = Vec::new();
        for description in descriptions {
            let wrong = || ColumnsError::Description(description.clone());
            let (header, meaning) = description.rsplit_once('=').ok_or_else(wrong)?;
            let words: Vec<&str> = meaning.split_whitespace().collect();
            if words.first() == Some(&"time") {
                order = match words[1..] {
                    [] => DateOrder::YearFirst,
                    ["day-first"] => DateOrder::DayFirst,
                    ["month-first"] => DateOrder::MonthFirst,
                    _ => return Err(wrong()),
                };
                time = Some(header.trim().to_owned());
                continue;
            }
            let (sensor, quantity, unit) = match words[..] {
                [sensor, quantity] => (sensor, quantity, None),
                [sensor, quantity, unit] => (sensor, quantity, Some(unit)),
                _ => return Err(wrong()),
            };
            let known = Quantity::from_name(quantity)
                .ok_or_else(|| ColumnsError::UnknownQuantity(quantity.to_owned()))?;
            columns.push(Column {
                header: header.trim().to_owned(),
                enclosure: enclosure_of(site, sensor)?,
                sensor: sensor.to_owned(),
                quantity: known,
                unit: unit.unwrap_or(known.stored_unit()).to_owned(),
            });
        }
        Ok(Columns {
            time: time.ok_or(ColumnsError::NoTime)?,
            order,
            columns,
        })
    }

    /// Writes the file's readings as tidy CSV to `out`; says from which lines they come.
    ///
    /// # Errors
    /// [`ColumnsError`] with the file; `out` is then not whole.
    pub fn tidy(&self, site: &Site, file: &Path, out: &Path) -> Result<Origins, ColumnsError> {
        let io = |source| ColumnsError::Io {
            file: file.to_owned(),
            source,
        };
        let input = BufReader::new(fs_err::File::open(file).map_err(io)?);
        let tidy = BufWriter::new(fs_err::File::create(out).map_err(io)?);
        self.rewrite(site, file, input, tidy)
    }

    /// The same from any text to any; `file` is its name.
    pub(crate) fn rewrite(
        &self,
        site: &Site,
        file: &Path,
        input: impl BufRead,
        mut tidy: impl Write,
    ) -> Result<Origins, ColumnsError> {
        let io = |source| ColumnsError::Io {
            file: file.to_owned(),
            source,
        };
        let broken = |why: &str| ColumnsError::Broken {
            file: file.to_owned(),
            why: why.to_owned(),
        };
        let mut records = Records::new(input);
        match records.next().map_err(io)? {
            Next::Record => {}
            Next::End => return Err(broken("the file is empty")),
            Next::Broken(why) => return Err(broken(why)),
        }
        let (time, places) = self.places(&records, file)?;
        let mut origins = Origins::default();
        let mut before_ms = i64::MIN;
        writeln!(tidy, "time,enclosure,sensor,quantity,value,unit").map_err(io)?;
        origins.add(records.line(), 1);
        loop {
            match records.next().map_err(io)? {
                Next::End => break,
                Next::Broken(_) => {
                    let raw = String::from_utf8_lossy(records.raw());
                    writeln!(tidy, "{}", quoted(&raw)).map_err(io)?;
                    origins.add(records.line(), 1);
                    continue;
                }
                Next::Record => {}
            }
            let written = records.cell(time);
            let at_ms = self.instant_ms(site, &records.decimal(written), before_ms);
            before_ms = at_ms.unwrap_or(before_ms);
            let at = at_ms
                .and_then(DateTime::from_timestamp_millis)
                .map(|at| at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true))
                .unwrap_or_else(|| quoted(written));
            let mut count = 0;
            for (column, place) in self.columns.iter().zip(&places) {
                let value = records.cell(*place);
                if !value.is_empty() {
                    writeln!(
                        tidy,
                        "{at},{},{},{},{},{}",
                        column.enclosure,
                        column.sensor,
                        column.quantity,
                        quoted(&records.decimal(value)),
                        column.unit
                    )
                    .map_err(io)?;
                    count += 1;
                }
            }
            origins.add(records.line(), count);
        }
        tidy.flush().map_err(io)?;
        Ok(origins)
    }

    /// Where the time and each column stand.
    fn places(
        &self,
        records: &Records<impl BufRead>,
        file: &Path,
    ) -> Result<(usize, Vec<usize>), ColumnsError> {
        let headers: Vec<&str> = (0..records.cell_count())
            .map(|place| records.cell(place))
            .collect();
        let place = |header: &str| {
            headers
                .iter()
                .position(|found| *found == header)
                .ok_or_else(|| ColumnsError::NoColumn {
                    file: file.to_owned(),
                    header: header.to_owned(),
                    found: headers.join(", "),
                })
        };
        let columns = self.columns.iter().map(|column| place(&column.header));
        Ok((place(&self.time)?, columns.collect::<Result<_, _>>()?))
    }

    /// The instant that a cell tells; `before_ms` is the record's before.
    fn instant_ms(&self, site: &Site, text: &str, before_ms: i64) -> Option<i64> {
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Some(
                (if number.abs() >= EPOCH_MS_FROM {
                    number
                } else {
                    number * 1000.0
                }) as i64,
            ),
            _ => match local_time(text, self.order) {
                Some(local) => Some(site.zone.instant_after_ms(local, before_ms)),
                None => site.zone.parse(text).ok(),
            },
        }
    }
}

/// A cell that stays on its line: line breaks, which mean nothing in a reading, become spaces.
fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", cell.replace('"', "\"\"").replace(['\n', '\r'], " "))
    } else {
        cell.to_owned()
    }
}

fn enclosure_of(site: &Site, sensor: &str) -> Result<String, ColumnsError> {
    let room = site.room_sensors.iter().map(|s| (ROOM, s.id.as_str()));
    let inside = site.enclosures.iter().flat_map(|e| {
        let sensors = e.sensors.iter().map(|s| s.id.as_str());
        sensors
            .chain(e.devices.iter().map(|d| d.id.as_str()))
            .map(|id| (e.id.as_str(), id))
    });
    let known: Vec<(&str, &str)> = room.chain(inside).collect();
    match known.iter().find(|(_, id)| *id == sensor) {
        Some((enclosure, _)) => Ok((*enclosure).to_owned()),
        None => Err(ColumnsError::UnknownSensor {
            id: sensor.to_owned(),
            near: nearest(sensor, known.iter().map(|(_, id)| *id)).map(str::to_owned),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SITE: &str = include_str!("../../tests/reference/site.toml");

    fn site() -> Site {
        Site::from_source(Path::new("site.toml"), SITE).expect("the contract's example")
    }

    #[test]
    fn a_column_a_sensor_becomes_tidy_lines_in_utc() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (file, out) = (folder.path().join("log.csv"), folder.path().join("tidy.csv"));
        fs_err::write(
            &file,
            "When,\"Temp, F\",RH\n2026-07-01 12:00,71.6,80\nsoon,,80\n\"a\"b,\n1782000000,,81.5\n",
        )
        .expect("written");
        let descriptions = [
            "When=time",
            "Temp, F=mossy-1-stat temperature [degF]",
            "RH=mossy-1-stat humidity",
        ]
        .map(str::to_owned);
        let columns = Columns::parse(&site(), &descriptions).expect("sound descriptions");
        let origins = columns.tidy(&site(), &file, &out).expect("a sound log");
        assert_eq!(
            [1, 2, 3, 4, 5, 6].map(|line| origins.line(line)),
            [1, 2, 2, 3, 4, 5]
        );
        assert_eq!(
            fs_err::read_to_string(&out).expect("written"),
            "time,enclosure,sensor,quantity,value,unit\n\
             2026-07-01T11:00:00.000Z,mossy-1,mossy-1-stat,temperature,71.6,[degF]\n\
             2026-07-01T11:00:00.000Z,mossy-1,mossy-1-stat,humidity,80,%RH\n\
             soon,mossy-1,mossy-1-stat,humidity,80,%RH\n\
             \"\"\"a\"\"b,\"\n\
             2026-06-21T00:00:00.000Z,mossy-1,mossy-1-stat,humidity,81.5,%RH\n"
        );
    }

    #[test]
    fn a_log_with_semicolons_and_decimal_commas_is_read_as_it_is() {
        let columns = ["When=time", "T=mossy-1-stat temperature"].map(str::to_owned);
        let columns = Columns::parse(&site(), &columns).expect("sound descriptions");
        let mut tidy = Vec::new();
        let log = "When;T;RH\n2026-07-01 12:00;21,7;80\n";
        columns
            .rewrite(&site(), Path::new("log.csv"), log.as_bytes(), &mut tidy)
            .expect("a sound log");
        assert_eq!(
            String::from_utf8(tidy).expect("text"),
            "time,enclosure,sensor,quantity,value,unit\n2026-07-01T11:00:00.000Z,mossy-1,mossy-1-stat,temperature,21.7,Cel\n"
        );
    }

    #[test]
    fn local_times_day_first_are_read_through_the_hour_that_comes_twice() {
        let columns = ["When=time day-first", "T=mossy-1-stat temperature"].map(str::to_owned);
        let columns = Columns::parse(&site(), &columns).expect("sound descriptions");
        let mut tidy = Vec::new();
        let log =
            "When,T\n25/10/2026 01:30,21\n25/10/2026 01:00,22\n25/10/2026 01:30,23\n25/10/2026 02:00,24\n";
        columns
            .rewrite(&site(), Path::new("log.csv"), log.as_bytes(), &mut tidy)
            .expect("a sound log");
        let times: Vec<String> = String::from_utf8(tidy)
            .expect("text")
            .lines()
            .skip(1)
            .map(|line| line[11..16].to_owned())
            .collect();
        assert_eq!(times, ["00:30", "01:00", "01:30", "02:00"]);
    }

    #[test]
    fn what_is_wrong_is_said_with_the_nearest_word() {
        let wrong = |text: &str| {
            Columns::parse(&site(), &[text.to_owned()])
                .map(|_| ())
                .expect_err("wrong")
                .to_string()
        };
        assert_eq!(
            wrong("RH=mossy-1-stt humidity"),
            "there is no sensor or device `mossy-1-stt` in the site file; the nearest is `mossy-1-stat`"
        );
        assert!(wrong("RH").starts_with("`RH` does not describe a column"));
        assert_eq!(
            wrong("RH=mossy-1-stat humidity"),
            "no column is the time; describe one as HEADER=time"
        );
    }
}

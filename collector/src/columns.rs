//! Logs with a column for each sensor, as loggers and spreadsheets write them, to tidy CSV that [`import_csv`](crate::import_csv) takes.
//!
//! Between cells stands a comma, or a semicolon; then a decimal comma is understood too.
//! A column is described as `HEADER=time` or `HEADER=SENSOR QUANTITY [UNIT]`. Times are RFC 3339, local date-times of the site's zone,
//! or seconds or milliseconds since 1970. Cells that are empty are no readings; what is no number, no time or no record at all goes on as
//! it is, so that the import refuses it, whole, and takes the rest.

use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Site, nearest};
use mosswarden_config::table::ROOM;

use crate::csv::{Next, Records};

/// Numbers from here up are milliseconds, below they are seconds: the rule of the site file's `time_pointer`.
const EPOCH_MS_FROM: f64 = 1e11;

/// Why a file could not be read by its columns.
#[derive(Debug, thiserror::Error)]
pub enum ColumnsError {
    #[error("`{0}` does not describe a column; write HEADER=time or \"HEADER=SENSOR QUANTITY UNIT\"")]
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
    columns: Vec<Column>,
}

impl Columns {
    /// Reads descriptions against the site's sensors.
    ///
    /// # Errors
    /// The first description that can't be used, with the nearest known word.
    pub fn parse(site: &Site, descriptions: &[String]) -> Result<Columns, ColumnsError> {
        let mut time = None;
        let mut columns = Vec::new();
        for description in descriptions {
            let wrong = || ColumnsError::Description(description.clone());
            let (header, meaning) = description.rsplit_once('=').ok_or_else(wrong)?;
            if meaning.trim() == "time" {
                time = Some(header.trim().to_owned());
                continue;
            }
            let words: Vec<&str> = meaning.split_whitespace().collect();
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
            columns,
        })
    }

    /// Writes the file's readings as tidy CSV to `out`.
    ///
    /// # Errors
    /// [`ColumnsError`] with the file; `out` is then not whole.
    pub fn tidy(&self, site: &Site, file: &Path, out: &Path) -> Result<(), ColumnsError> {
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
    ) -> Result<(), ColumnsError> {
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
        writeln!(tidy, "time,enclosure,sensor,quantity,value,unit").map_err(io)?;
        loop {
            match records.next().map_err(io)? {
                Next::End => break,
                Next::Broken(_) => {
                    let raw = String::from_utf8_lossy(records.raw());
                    writeln!(tidy, "{}", quoted(&raw)).map_err(io)?;
                    continue;
                }
                Next::Record => {}
            }
            let written = records.cell(time);
            let at = self
                .instant(site, &records.decimal(written))
                .unwrap_or_else(|| quoted(written));
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
                }
            }
        }
        tidy.flush().map_err(io)
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

    fn instant(&self, site: &Site, text: &str) -> Option<String> {
        let at_ms = match text.parse::<f64>() {
            Ok(number) if number.is_finite() => {
                (if number.abs() >= EPOCH_MS_FROM {
                    number
                } else {
                    number * 1000.0
                }) as i64
            }
            _ => site.zone.parse(text).ok()?,
        };
        let at = chrono::DateTime::from_timestamp_millis(at_ms)?;
        Some(at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true))
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
        columns.tidy(&site(), &file, &out).expect("a sound log");
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

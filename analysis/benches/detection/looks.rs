//! A simulated site that can be looked at on any day, with nothing later than that look.

use std::path::Path;

use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::load::Record;
use mosswarden_analysis::simulate::Simulation;
use mosswarden_analysis::simulate::truth::TrueFault;
use mosswarden_analysis::trust;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::table::{ROOM, Reading};
use mosswarden_config::zone::{MS_PER_24_H, Span};

pub(crate) const WEEK_MS: i64 = 7 * MS_PER_24_H;
const SENSOR_KINDS: [Kind; 8] = [
    Kind::HumidityDrift,
    Kind::HumidityStep,
    Kind::SensorStuck,
    Kind::SensorPinned,
    Kind::SensorSpikes,
    Kind::SensorSilent,
    Kind::ClockWrong,
    Kind::TemperatureBias,
];

pub(crate) struct Watched {
    pub(crate) seed: u64,
    pub(crate) simulation: Simulation,
    pub(crate) site: Site,
    readings: Vec<Reading>,
    journal: Vec<Entry>,
}

impl Watched {
    pub(crate) fn new(seed: u64, simulation: Simulation, received: bool) -> Watched {
        let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml)
            .expect("the simulation writes a sound site file");
        Watched {
            seed,
            site,
            readings: if received {
                simulation.readings.clone()
            } else {
                simulation.readings_as_imported()
            },
            journal: simulation.journal.iter().map(|row| row.entry()).collect(),
            simulation,
        }
    }

    /// Takes away all sensors of each enclosure but its first.
    pub(crate) fn leave_alone(&mut self) {
        for enclosure in &mut self.site.enclosures {
            enclosure.sensors.truncate(1);
        }
        let kept: Vec<String> = self.sensors().map(str::to_owned).collect();
        self.simulation
            .truth
            .faults
            .retain(|fault| kept.contains(&fault.subject));
    }

    pub(crate) fn begins_ms(&self) -> i64 {
        self.simulation.truth.from.0
    }

    /// Ends of the weeks.
    pub(crate) fn ends(&self) -> impl Iterator<Item = i64> {
        let (from, until) = (self.begins_ms(), self.simulation.truth.until.0);
        (1..)
            .map(move |week| from + week * WEEK_MS)
            .take_while(move |end| *end <= until)
    }

    /// The findings about the seven days that end at `end`, of one enclosure or of all.
    pub(crate) fn look(&self, end: i64, only: Option<&str>) -> Vec<Finding> {
        self.judge(end, only).verdicts.findings
    }

    /// Everything that is said of them.
    pub(crate) fn judge(&self, end: i64, only: Option<&str>) -> trust::Outcome {
        let mut site = self.site.clone();
        if let Some(id) = only {
            site.enclosures.retain(|enclosure| enclosure.id == id);
        }
        let wanted = |reading: &&Reading| {
            reading.at_ms < end
                && only.is_none_or(|id| &*reading.enclosure == id || &*reading.enclosure == ROOM)
        };
        let history = Span {
            from_ms: self.begins_ms(),
            until_ms: end,
        };
        let record = Record::from_readings(
            self.readings.iter().filter(wanted).cloned(),
            self.journal.clone(),
            history,
        );
        let span = Span {
            from_ms: end - WEEK_MS,
            until_ms: end,
        };
        trust::assess(&site, &record, span)
    }

    /// Faults of sensors that this room of the analysis should tell.
    pub(crate) fn sensor_faults(&self) -> impl Iterator<Item = &TrueFault> {
        self.simulation.truth.faults.iter().filter(|fault| {
            fault
                .kind
                .as_deref()
                .is_some_and(|kind| SENSOR_KINDS.iter().any(|known| known.name() == kind))
        })
    }

    /// Sensors with the id of their enclosure.
    pub(crate) fn sensors(&self) -> impl Iterator<Item = &str> {
        let inside = self
            .site
            .enclosures
            .iter()
            .flat_map(|enclosure| &enclosure.sensors);
        inside
            .chain(&self.site.room_sensors)
            .map(|sensor| sensor.id.as_str())
    }

    /// How many sensors hang beside a fault's subject, itself counted.
    pub(crate) fn company(&self, fault: &TrueFault) -> usize {
        self.site
            .enclosure(&fault.enclosure)
            .map_or(1, |enclosure| enclosure.sensors.len())
    }
}

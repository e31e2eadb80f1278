//! Which sensor speaks for an enclosure in a figure, and its line.

use std::borrow::Cow;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Role, Sensor};
use mosswarden_config::table::Mark;
use mosswarden_config::zone::Span;

use crate::load::Record;
use crate::plot::Line;
use crate::series::{Series, View};
use crate::trust::{self, SensorTrust, Standing};
use crate::trusted::Usable;

/// One sensor's readings of one quantity, with what is known of their trust.
pub(crate) struct Chosen<'a> {
    pub sensor: &'a Sensor,
    pub trust: Option<&'a SensorTrust>,
    /// Everything that is physically possible.
    pub raw: Cow<'a, Series>,
    usable: Option<&'a Usable>,
    pub label: String,
    doubtful: Vec<Span>,
    gap_ms: i64,
}

static NOTHING: Series = Series::empty();

impl<'a> Chosen<'a> {
    fn new(
        sensor: &'a Sensor,
        quantity: Quantity,
        record: &'a Record,
        trust: &'a trust::Outcome,
        span: Span,
    ) -> Option<Chosen<'a>> {
        let all = record.get(&sensor.id, quantity)?;
        let raw = all.filtered(|_, value, mark| mark != Mark::Impossible && value.is_finite());
        let usable = trust.trusted.get(&sensor.id, quantity);
        let said = trust_of(trust, &sensor.id, quantity);
        let doubtful = match usable {
            Some(usable) => usable.left_out.iter().map(|(span, _)| *span).collect(),
            // Nothing was checked, so nothing is drawn as if it had been.
            None => vec![span],
        };
        let label = match &sensor.place {
            Some(place) => format!("{} ({place})", sensor.id),
            None => sensor.id.clone(),
        };
        let gap_ms = raw.gap_ms();
        Some(Chosen {
            sensor,
            trust: said,
            raw,
            usable,
            label,
            doubtful,
            gap_ms,
        })
    }

    /// Readings that can be used; none where the sensor is not believed or was not checked.
    pub(crate) fn usable(&self) -> View<'_> {
        self.usable.map_or(NOTHING.view(), |usable| usable.series.view())
    }

    pub(crate) fn gap_ms(&self) -> i64 {
        self.gap_ms
    }

    pub(crate) fn line(&self) -> Line<'_> {
        Line {
            label: &self.label,
            usable: self.usable(),
            raw: self.raw.view(),
            gap_ms: self.gap_ms,
            half_width: self.usable.map(|usable| usable.half_width),
            doubtful: &self.doubtful,
        }
    }

    /// Stretches that are not used, each with its reason.
    pub(crate) fn left_out(&self) -> impl Iterator<Item = (Span, &str)> {
        self.usable.into_iter().flat_map(|usable| {
            usable
                .left_out
                .iter()
                .map(|(span, reason)| (*span, reason.as_str()))
        })
    }

    pub(crate) fn standing(&self) -> Standing {
        self.trust.map_or(Standing::NotKnown, |trust| trust.standing)
    }

    fn covered_frac(&self, span: Span) -> f64 {
        self.usable()
            .summary(span, self.gap_ms)
            .map_or(0.0, |s| s.covered_frac)
    }
}

pub(crate) fn trust_of<'a>(
    trust: &'a trust::Outcome,
    sensor: &str,
    quantity: Quantity,
) -> Option<&'a SensorTrust> {
    trust
        .sensors
        .iter()
        .find(|said| said.sensor == sensor && said.quantity == quantity)
}

/// Better to worse: believed before doubtful, then the one with more of the span known in tenths, then the reference.
fn rank(chosen: &Chosen<'_>, span: Span) -> (u8, u8, u8) {
    let standing = match chosen.standing() {
        Standing::Believed => 0,
        Standing::NotKnown => 1,
        Standing::Doubtful => 2,
        Standing::NotBelieved => 3,
    };
    let unknown_tenths = 10 - (chosen.covered_frac(span) * 10.0).round() as u8;
    let role = match chosen.sensor.role {
        Role::Reference => 0,
        Role::Probe => 1,
        Role::Controller => 2,
    };
    (standing, unknown_tenths, role)
}

/// The sensor that speaks for a list of them, if any has ever reported the quantity.
pub(crate) fn best<'a>(
    sensors: impl IntoIterator<Item = &'a Sensor>,
    quantity: Quantity,
    record: &'a Record,
    trust: &'a trust::Outcome,
    span: Span,
) -> Option<Chosen<'a>> {
    sensors
        .into_iter()
        .filter_map(|sensor| Chosen::new(sensor, quantity, record, trust, span))
        .min_by_key(|chosen| rank(chosen, span))
}

/// The sensor that speaks for an enclosure: one where the animals can be, otherwise any.
pub(crate) fn for_enclosure<'a>(
    enclosure: &'a Enclosure,
    quantity: Quantity,
    record: &'a Record,
    trust: &'a trust::Outcome,
    span: Span,
) -> Option<Chosen<'a>> {
    best(enclosure.animal_sensors(), quantity, record, trust, span)
        .or_else(|| best(&enclosure.sensors, quantity, record, trust, span))
}

//! What all duties share for one enclosure: its lines, its room, its devices.

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, DeviceKind, Enclosure, Limits, Sensor, Site};
use mosswarden_config::sun::Place;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span, Zone};

use super::device::{Habit, States};
use super::places::{Line, Places};
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value};
use crate::load::Record;
use crate::physics::humidity::{vapour_density_g_m3, vapour_pressure_pa};
use crate::series::Series;
use crate::trusted::{Trusted, Usable};
use crate::words::Words;

/// A mister that said "on" and then nothing runs for at most this long: longer runs are not asked for by anyone.
const MIST_MS_MAX: i64 = MS_PER_HOUR;
/// An outage is a pause of everything that is longer than this, or than some of the usual intervals (own choice).
const OUTAGE_MS: i64 = 10 * 60_000;
const USUAL_INTERVALS: i64 = 3;

/// One enclosure, its record and the span to judge.
pub(super) struct Context<'a> {
    pub(super) zone: Zone,
    pub(super) enclosure: &'a Enclosure,
    pub(super) record: &'a Record,
    pub(super) trusted: &'a Trusted,
    pub(super) span: Span,
    pub(super) words: Words,
    /// Where the site is, if its file says so.
    pub(super) place: Option<Place>,
    /// Temperature at the places that animals can reach.
    pub(super) temperature: Option<Places>,
    /// Humidity there, or at the enclosure's other usable sensors where none is there.
    pub(super) humidity: Option<Places>,
    pub(super) room_c: Option<Line>,
    pub(super) room_pct: Option<Line>,
    /// Instants at which its sensors were heard, each in order.
    heard_ms: Vec<&'a [i64]>,
    /// The same of its sensors and its room's, each with the pause from which on it was not heard.
    all_heard_ms: Vec<(&'a [i64], i64)>,
    /// A pause longer than this is an outage.
    outage_ms: i64,
    /// Pauses of its sensors and its room's all together: what a device sent then is lost.
    outages: Vec<Span>,
}

/// The pauses longer than `longer_than_ms` that all series have in common, each from its last reading to its next or to `until_ms`.
fn common_pauses<'s>(
    heard_ms: impl Iterator<Item = &'s [i64]>,
    until_ms: i64,
    longer_than_ms: i64,
) -> Vec<Span> {
    let is_long = |span: &Span| span.until_ms - span.from_ms > longer_than_ms;
    let pauses = |at_ms: &[i64]| -> Vec<Span> {
        let nexts = at_ms.iter().skip(1).copied().chain([until_ms]);
        at_ms
            .iter()
            .zip(nexts)
            .map(|(from_ms, until_ms)| Span {
                from_ms: *from_ms,
                until_ms,
            })
            .filter(is_long)
            .collect()
    };
    let shared = |a: Vec<Span>, b: Vec<Span>| -> Vec<Span> {
        let both = a
            .iter()
            .flat_map(|one| b.iter().filter_map(|other| one.intersect(*other)));
        both.filter(is_long).collect()
    };
    heard_ms.map(pauses).reduce(shared).unwrap_or_default()
}

/// What was heard of an enclosure, and when nothing was heard of it and its room.
struct Hearing<'a> {
    heard_ms: Vec<&'a [i64]>,
    all_heard_ms: Vec<(&'a [i64], i64)>,
    outage_ms: i64,
    outages: Vec<Span>,
}

impl<'a> Hearing<'a> {
    fn of(site: &Site, enclosure: &Enclosure, record: &'a Record, until_ms: i64) -> Hearing<'a> {
        let series = |sensors: &[Sensor]| -> Vec<&'a Series> {
            let of = |sensor: &Sensor| {
                [Quantity::Temperature, Quantity::Humidity].map(|q| record.get(&sensor.id, q))
            };
            sensors.iter().flat_map(of).flatten().collect()
        };
        let own = series(&enclosure.sensors);
        let usual_ms = own
            .iter()
            .filter_map(|series| series.usual_interval_ms())
            .min()
            .unwrap_or(0);
        let outage_ms = OUTAGE_MS.max(USUAL_INTERVALS * usual_ms);
        let all_heard_ms: Vec<(&[i64], i64)> = own
            .iter()
            .copied()
            .chain(series(&site.room_sensors))
            .map(|series| {
                let usual_ms = series.usual_interval_ms().unwrap_or(0);
                (&series.at_ms[..], outage_ms.max(USUAL_INTERVALS * usual_ms))
            })
            .collect();
        let everything = all_heard_ms.iter().map(|(heard_ms, _)| *heard_ms);
        Hearing {
            outages: common_pauses(everything, until_ms, outage_ms),
            all_heard_ms,
            heard_ms: own.iter().map(|series| &series.at_ms[..]).collect(),
            outage_ms,
        }
    }
}

/// When a device was on, and when that is known, up to an instant; `None` where it sent no state.
pub fn device_states(
    site: &Site,
    enclosure: &Enclosure,
    record: &Record,
    device: &Device,
    until_ms: i64,
) -> Option<States> {
    states(
        record,
        device,
        until_ms,
        &Hearing::of(site, enclosure, record, until_ms).outages,
    )
}

fn states(record: &Record, device: &Device, until_ms: i64, outages: &[Span]) -> Option<States> {
    let habit = Habit {
        on_ms_max: match device.kind {
            DeviceKind::Mister => MIST_MS_MAX,
            _ => i64::MAX,
        },
        is_timed: [DeviceKind::Mister, DeviceKind::Lamp].contains(&device.kind),
    };
    States::of(record, &device.id, until_ms, habit, outages)
}

impl<'a> Context<'a> {
    pub(super) fn new(
        site: &'a Site,
        enclosure: &'a Enclosure,
        record: &'a Record,
        trusted: &'a Trusted,
        span: Span,
    ) -> Context<'a> {
        let zone = site.zone;
        let usable = |sensors: &[&'a Sensor], quantity: Quantity| {
            let found: Vec<(&str, &Usable)> = sensors
                .iter()
                .filter_map(|sensor| Some((sensor.id.as_str(), trusted.get(&sensor.id, quantity)?)))
                .collect();
            Places::combine(zone, &found)
        };
        let animal = enclosure.animal_sensors();
        let all: Vec<&Sensor> = enclosure.sensors.iter().collect();
        let room: Vec<&Sensor> = site.room_sensors.iter().collect();
        let Hearing {
            heard_ms,
            all_heard_ms,
            outage_ms,
            outages,
        } = Hearing::of(site, enclosure, record, span.until_ms);
        Context {
            zone,
            enclosure,
            record,
            trusted,
            span,
            words: Words::of(site),
            place: site.place,
            temperature: usable(&animal, Quantity::Temperature),
            humidity: usable(&animal, Quantity::Humidity).or_else(|| usable(&all, Quantity::Humidity)),
            room_c: usable(&room, Quantity::Temperature).map(|places| places.mean),
            room_pct: usable(&room, Quantity::Humidity).map(|places| places.mean),
            heard_ms,
            all_heard_ms,
            outage_ms,
            outages,
        }
    }

    /// States of a device up to the end of the span.
    pub(super) fn states(&self, device: &Device) -> Option<States> {
        states(self.record, device, self.span.until_ms, &self.outages)
    }

    /// When nothing at all was heard.
    pub(super) fn outages(&self) -> &[Span] {
        &self.outages
    }

    /// Whether the enclosure was heard around an instant: a message that is missing then was not sent. Where most sensors that speak before
    /// and after pause at once, what a device sent may be lost as theirs is; the one that was heard may have another clock.
    pub(super) fn listening(&self, at_ms: i64) -> bool {
        let around = |heard_ms: &[i64]| {
            let place = heard_ms.partition_point(|at| *at <= at_ms);
            let before_ms = place.checked_sub(1).map(|last| heard_ms[last]);
            (before_ms, heard_ms.get(place).copied())
        };
        let own = || self.heard_ms.iter().map(|heard_ms| around(heard_ms));
        let before = own().filter_map(|(before_ms, _)| before_ms).max();
        let after = own().filter_map(|(_, after_ms)| after_ms).min();
        let is_heard = before
            .zip(after)
            .is_some_and(|(before, after)| after - before <= self.outage_ms);
        let speaks: Vec<bool> = self
            .all_heard_ms
            .iter()
            .filter_map(|(heard_ms, pause_ms)| {
                let (before_ms, after_ms) = around(heard_ms);
                Some(after_ms? - before_ms? <= *pause_ms)
            })
            .collect();
        is_heard && 2 * speaks.iter().filter(|speaks| **speaks).count() >= speaks.len()
    }

    /// When any of its sensors was first heard in the record.
    pub(super) fn heard_from_ms(&self) -> Option<i64> {
        self.heard_ms
            .iter()
            .filter_map(|heard| heard.first().copied())
            .min()
    }

    /// The first instant of the record.
    pub(super) fn record_from_ms(&self) -> i64 {
        let first = self.heard_from_ms().unwrap_or(self.span.from_ms);
        self.record
            .span
            .map_or(first, |span| span.from_ms.max(first))
            .min(self.span.from_ms)
    }

    /// When the journal notes one of these kinds of entries about what `concerns` says, or about all of the enclosure.
    pub(super) fn noted(&self, kinds: &[&str], concerns: impl Fn(&str) -> bool) -> Vec<i64> {
        self.record
            .entries(&self.enclosure.id, self.whole())
            .filter(|entry| kinds.contains(&entry.kind.as_str()))
            .filter(|entry| {
                let subject = entry.subject.as_deref();
                subject.is_none_or(|id| id == self.enclosure.id || concerns(id))
            })
            .map(|entry| entry.at_ms)
            .collect()
    }

    /// The last such entry about a device; the beginning of time where there is none.
    pub(super) fn last_noted_ms(&self, kinds: &[&str], device: &Device) -> i64 {
        let noted = self.noted(kinds, |id| id == device.id);
        noted.into_iter().max().unwrap_or(i64::MIN)
    }

    /// The whole record up to the end of the span.
    pub(super) fn whole(&self) -> Span {
        Span {
            from_ms: self.record_from_ms(),
            until_ms: self.span.until_ms,
        }
    }

    /// Vapour density of the room's air at an instant, g/m³.
    pub(super) fn room_vapour_g_m3(&self, at_ms: i64) -> Option<f64> {
        let t_c = self.room_c.as_ref()?.value_at(at_ms)?;
        let rh_pct = self.room_pct.as_ref()?.value_at(at_ms)?;
        Some(vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct)))
    }

    /// The limits that hold on the local date of an instant: a season's, or the enclosure's own.
    pub(super) fn limits_at(&self, at_ms: i64) -> Limits {
        self.enclosure.limits_on(self.zone.date(at_ms))
    }

    /// The light hours that begin on a local date.
    pub(super) fn light_on(&self, date: NaiveDate) -> Span {
        self.zone.light(date, self.enclosure.light_on(date))
    }

    /// The night that begins on a local date; it bears that date, and its limits.
    pub(super) fn night_on(&self, date: NaiveDate) -> Span {
        self.zone.night(date, self.enclosure.light_on(date))
    }

    /// Light hours asked for that overlap a span.
    pub(super) fn light_within(&self, span: Span) -> Vec<Span> {
        let around = Span {
            from_ms: span.from_ms - MS_PER_24_H,
            until_ms: span.until_ms,
        };
        self.zone
            .dates(around)
            .into_iter()
            .filter_map(|date| self.light_on(date).intersect(span))
            .collect()
    }

    /// A finding about this enclosure's conditions.
    pub(super) fn finding(&self, kind: Kind, start_ms: i64, severity: Severity, value: Value) -> Finding {
        Finding {
            kind,
            enclosure: self.enclosure.id.clone(),
            subject: self.enclosure.id.clone(),
            start_ms,
            end_ms: None,
            severity,
            value,
            cause: None,
            also: Vec::new(),
            message: String::new(),
            advice: String::new(),
        }
    }

    pub(super) fn not_assessed(
        &self,
        kind: Kind,
        subject: Option<&str>,
        span: Span,
        reason: String,
    ) -> NotAssessed {
        NotAssessed {
            kind,
            enclosure: self.enclosure.id.clone(),
            subject: subject.map(str::to_owned),
            span: Some(span),
            reason,
        }
    }
}

/// Words for sensors that were silent: "low and check were silent; judged by the others".
pub(super) fn silent_words(silent: &[&str], sensor_count: usize) -> String {
    if silent.is_empty() || silent.len() >= sensor_count {
        return String::new();
    }
    format!(
        " (for much of it nothing of {} could be used: judged by the others and the usual difference)",
        silent.join(" and ")
    )
}

//! Ready sites: the demo's nature room, a healthy site, and one enclosure with one fault. All data are invented.

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;

use super::calendar::instant_ms;
use super::fault::{Change, Effect, EventSpec, FaultSpec};
use super::planted::{Furnishing, enclosure, kind, kinds, room_sensor};
use super::room::RoomSpec;
use super::run::SiteSpec;
use super::sensor::Wire;
use super::stream::stream;

/// Length of the demo, days.
pub const DEMO_DAYS: u64 = 28;
const DEMO_INTERVAL_S: f64 = 120.0;
/// What the window adds to the poison frogs' day in the demo.
const WINDOW_K: f64 = 1.7;
const HEALTHY_DAYS: u64 = 70;
const HEALTHY_INTERVAL_S: f64 = 300.0;
/// The enclosure of [`single`]; its parts are `bench-stat`, `bench-check`, `bench-low`, `bench-mister`, `bench-fogger`,
/// `bench-heater`, `bench-lamp`.
pub const SINGLE_ID: &str = "bench";
/// Where [`single`] begins: a Monday four weeks before Lisbon's clocks change.
pub const SINGLE_FROM: NaiveDate = NaiveDate::from_ymd_opt(2026, 3, 2).expect("2 March 2026 exists");

impl SiteSpec {
    /// The instant of a local time of day, `day` days after the first, ms.
    pub fn at(&self, day: u64, local_min: u32) -> i64 {
        let date = self.from.checked_add_days(Days::new(day)).unwrap_or(self.until);
        instant_ms(self.zone, date, local_min)
    }

    /// Puts a fault in.
    pub fn add_fault(
        &mut self,
        enclosure: &str,
        subject: &str,
        effect: Effect,
        from_ms: i64,
        until_ms: Option<i64>,
    ) {
        self.faults.push(FaultSpec {
            enclosure: enclosure.to_owned(),
            subject: subject.to_owned(),
            effect,
            from_ms,
            until_ms,
        });
    }

    /// Puts in what a keeper did.
    pub fn add_event(&mut self, enclosure: &str, subject: &str, change: Change, at_ms: i64) {
        self.events.push(EventSpec {
            enclosure: enclosure.to_owned(),
            subject: subject.to_owned(),
            change,
            at_ms,
        });
    }
}

/// An empty site of `days` days that ends before the local date `until`.
pub(super) fn bare(
    name: &str,
    zone: Tz,
    seed: u64,
    until: NaiveDate,
    days: u64,
    interval_s: f64,
) -> SiteSpec {
    let from = until.checked_sub_days(Days::new(days)).unwrap_or(until);
    let mut rng = stream(seed, "site");
    SiteSpec {
        name: name.to_owned(),
        zone,
        seed,
        from,
        until,
        room: RoomSpec::steady(),
        room_sensors: vec![room_sensor("nature-room", interval_s, &mut rng)],
        enclosures: Vec::new(),
        faults: Vec::new(),
        events: Vec::new(),
    }
}

/// The Harbour Street nature room: four weeks that end before the local date `end`.
///
/// Five enclosures. The mossy frogs' humidistat probe drifts upward; the poison frogs have one day of room heat and a
/// nozzle that clogs; the crested gecko has a heater stuck on one day and a night too cold. The other two are well.
pub fn demo(seed: u64, end: NaiveDate) -> SiteSpec {
    let mut site = bare(
        "Harbour Street nature room",
        Tz::Europe__Lisbon,
        seed,
        end,
        DEMO_DAYS,
        DEMO_INTERVAL_S,
    );
    // The room is kept alike in every season, so that the demo holds the same on any date.
    site.room.follow_frac = 0.05;
    site.room.moisture_g_m3 = (8.0, 10.2);
    for (short, id, label, third, fogger) in [
        ("mossy", "mossy-1", "Mossy frogs, tall tank", true, true),
        (
            "dart",
            "dart-1",
            "Dyeing poison frogs by the window",
            false,
            false,
        ),
        ("crested", "crested-1", "Crested gecko", false, false),
        ("mourning", "mourning-1", "Mourning geckos", false, false),
        ("toad", "toad-1", "Fire-bellied toads", false, false),
    ] {
        let with = Furnishing {
            reference: true,
            third,
            fogger,
            mister: true,
            interval_s: DEMO_INTERVAL_S,
            today: site.from,
        };
        let mut rng = stream(seed, id);
        let mut kind = kind(short);
        if short == "dart" {
            // The window's warmth is part of what its lamp gives; the others stand in the shade.
            kind.lamp_rise_k += WINDOW_K;
        }
        if short == "mossy" {
            // The coolest corner.
            kind.lamp_rise_k = 2.4;
        }
        if short == "crested" {
            // Misted before dusk, so that the cold night is cold only, not wet as well.
            kind.runs = &[(510, 25), (1035, 25)];
            kind.heater_rise_k = 9.5;
            // Hot air is dry air; a band this wide keeps the hot day a matter of heat alone.
            kind.limits.humidity_pct.0 = 38.0;
        }
        site.enclosures
            .push(enclosure(&kind, id, label, "nature-room", with, &mut rng));
    }
    // One device speaks °F in bare numbers, so that the demo shows that shape whatever the seed.
    for sensor in site
        .enclosures
        .iter_mut()
        .flat_map(|e| &mut e.sensors)
        .filter(|s| s.id == "mossy-1-low")
    {
        sensor.wire = Wire::NumbersFahrenheit;
    }
    let drift = Effect::HumidityDrift { pct_per_30d: 8.0 };
    site.add_fault("mossy-1", "mossy-1-stat", drift, site.at(5, 600), None);
    site.add_fault(
        "dart-1",
        "dart-1-mister",
        Effect::NozzleClog {
            lost_frac: 0.7,
            over_d: 14.0,
        },
        site.at(11, 0),
        None,
    );
    site.add_fault(
        "room",
        "room",
        Effect::RoomHeat { peak_k: 4.5 },
        site.at(22, 570),
        Some(site.at(22, 1290)),
    );
    site.add_fault(
        "crested-1",
        "crested-1-heater",
        Effect::HeaterStuckOn,
        site.at(24, 615),
        Some(site.at(24, 1140)),
    );
    let (dusk, dawn) = (site.at(20, 1170), site.at(21, 470));
    site.add_fault(
        "crested-1",
        "crested-1-heater",
        Effect::HeaterUnplugged,
        dusk,
        Some(dawn),
    );
    site.add_fault(
        "crested-1",
        "crested-1",
        Effect::NightAmbient { k: -6.0 },
        dusk,
        Some(dawn),
    );
    site.add_event("toad-1", "", Change::Cleaned { minutes: 15.0 }, site.at(9, 1020));
    site.add_event("mourning-1", "", Change::Pruned { ratio: 1.1 }, site.at(13, 1000));
    site
}

/// A site where nothing is wrong: five enclosures over ten weeks.
pub fn healthy(seed: u64) -> SiteSpec {
    let until = SINGLE_FROM
        .checked_add_days(Days::new(HEALTHY_DAYS))
        .unwrap_or(SINGLE_FROM);
    let mut site = bare(
        "Mill Lane plant room",
        Tz::Europe__Lisbon,
        seed,
        until,
        HEALTHY_DAYS,
        HEALTHY_INTERVAL_S,
    );
    for (index, kind) in kinds().iter().take(5).enumerate() {
        let id = format!("{}-1", kind.short);
        let with = Furnishing {
            reference: true,
            third: index % 2 == 0,
            fogger: index < 2,
            mister: true,
            interval_s: HEALTHY_INTERVAL_S,
            today: site.from,
        };
        let mut rng = stream(seed, &id);
        site.enclosures
            .push(enclosure(kind, &id, kind.species, "nature-room", with, &mut rng));
    }
    site
}

/// A healthy room with one enclosure ([`SINGLE_ID`]) of poison frogs, from [`SINGLE_FROM`] on.
pub fn single_healthy(seed: u64, days: u64, interval_s: f64) -> SiteSpec {
    let until = SINGLE_FROM
        .checked_add_days(Days::new(days))
        .unwrap_or(SINGLE_FROM);
    let mut site = bare("Bench room", Tz::Europe__Lisbon, seed, until, days, interval_s);
    let with = Furnishing {
        reference: true,
        third: true,
        fogger: true,
        mister: true,
        interval_s,
        today: site.from,
    };
    let mut rng = stream(seed, SINGLE_ID);
    site.enclosures.push(enclosure(
        &kind("dart"),
        SINGLE_ID,
        "Bench",
        "nature-room",
        with,
        &mut rng,
    ));
    site
}

/// Eight weeks of [`single_healthy`] at five minutes with one fault.
pub fn single(seed: u64, fault: FaultSpec) -> SiteSpec {
    let mut site = single_healthy(seed, 56, 300.0);
    site.faults.push(fault);
    site
}

//! An invented room for the tests of the report: the Harbour Street nature room, its readings, and verdicts as the analysis
//! would hand them on. Nothing here is measured, and nothing of it is judged by the code under test.

use std::path::Path;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Site};
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

use crate::conditions::{self, Day, Dried, Misting, Night, Ran};
use crate::findings::{Cause, Finding, Kind, NotAssessed, Severity, Value, Verdicts};
use crate::load::Record;
use crate::series::Excess;
use crate::trust::{self, DailyDifference, SensorTrust, Standing};
use crate::trusted::Usable;

pub(crate) struct Sample {
    pub site: Site,
    pub record: Record,
    pub trust: trust::Outcome,
    pub conditions: Vec<conditions::Outcome>,
    pub verdicts: Verdicts,
    pub span: Span,
}

const ROOM: [(&str, &str, &str); 5] = [
    ("mossy-1", "Mossy frogs, tall tank", "mossy-frog"),
    ("gecko-1", "Crested geckos, window shelf", "crested-gecko"),
    ("dart-1", "Dyeing poison frogs", "dyeing-poison-frog"),
    ("sal-1", "Fire salamanders, cool corner", "fire-salamander"),
    ("mantis-1", "Orchid mantises", "orchid-mantis"),
];

const MINUTE: i64 = 60_000;
const STEP_MS: i64 = 5 * MINUTE;
const MIST_HOURS: [f64; 3] = [7.5, 13.0, 19.5];

/// A site of these enclosures, each with a humidistat, a second sensor, a mister, a heater and a lamp.
pub(crate) fn site(zone: &str, units: &str, enclosures: &[(&str, &str, &str)]) -> Site {
    let mut source = format!(
        "[site]\nname = \"Harbour Street nature room\"\ntimezone = \"{zone}\"\ndata_dir = \"data\"\nunits = \"{units}\"\n\
         [broker]\nurl = \"builtin\"\n[[room.sensor]]\nid = \"room-wall\"\nplace = \"wall by the door\"\n\
         feeds = [ {{ topic = \"room/t\", format = \"number\", quantity = \"temperature\", unit = \"Cel\" }}, \
         {{ topic = \"room/h\", format = \"number\", quantity = \"humidity\", unit = \"%RH\" }} ]\n"
    );
    for (id, label, species) in enclosures {
        source += &format!(
            "[[enclosure]]\nid = \"{id}\"\nlabel = {label:?}\nspecies = \"{species}\"\nanimals = 3\n\
             day = {{ start = \"08:00\", end = \"20:00\" }}\n"
        );
        for (name, role, place, accuracy) in [
            ("stat", "controller", "upper back", "5.0"),
            ("check", "reference", "middle, in shade", "2.0"),
        ] {
            source += &format!(
                "[[enclosure.sensor]]\nid = \"{id}-{name}\"\nrole = \"{role}\"\nplace = \"{place}\"\n\
                 accuracy = {{ humidity_pct = {accuracy}, temperature_c = 0.3 }}\n\
                 feeds = [ {{ topic = \"{id}/{name}/t\", format = \"number\", quantity = \"temperature\", unit = \"Cel\" }}, \
                 {{ topic = \"{id}/{name}/h\", format = \"number\", quantity = \"humidity\", unit = \"%RH\" }} ]\n"
            );
        }
        for kind in ["mister", "heater", "lamp"] {
            source += &format!(
                "[[enclosure.device]]\nid = \"{id}-{kind}\"\nkind = \"{kind}\"\n\
                 feeds = [ {{ topic = \"{id}/{kind}\", format = \"state\" }} ]\n"
            );
        }
    }
    Site::from_source(Path::new("site.toml"), &source).unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// The room in a week: a drifting humidistat, a hot day, a clogging nozzle, a gap, and a sensor that fell silent.
pub(crate) fn harbour(units: &str) -> Sample {
    let mut sample = ordinary(site("Europe/Lisbon", units, &ROOM), "2026-W21");
    hot_day(&mut sample);
    drift(&mut sample);
    clogging(&mut sample);
    sample.verdicts.sort();
    sample
}

/// A week without findings: readings everywhere, but for what [`is_missing`] leaves out.
pub(crate) fn ordinary(site: Site, week: &str) -> Sample {
    let span = site.zone.week(week).expect("an ISO week");
    let history = Span {
        from_ms: span.from_ms - 7 * MS_PER_24_H,
        until_ms: span.until_ms,
    };
    let mut readings = Vec::new();
    let mut rng = StdRng::seed_from_u64(18);
    for (index, enclosure) in site.enclosures.iter().enumerate() {
        inside(&site, enclosure, index, (history, span), &mut rng, &mut readings);
    }
    for at_ms in (history.from_ms..history.until_ms).step_by(STEP_MS as usize) {
        let hour = local_hour(&site, at_ms);
        let swing = ((hour - 15.0) / 24.0 * std::f64::consts::TAU).cos();
        let hot = heat(&site, span, at_ms);
        push(
            &mut readings,
            "room",
            "room-wall",
            Quantity::Temperature,
            at_ms,
            20.5 + 1.5 * swing + hot,
        );
        push(
            &mut readings,
            "room",
            "room-wall",
            Quantity::Humidity,
            at_ms,
            52.0 - 4.0 * swing,
        );
    }
    let journal = journal(&site, span);
    let record = Record::from_readings(readings, journal, history);
    let trust = trusted(&site, &record);
    let conditions = site
        .enclosures
        .iter()
        .map(|enclosure| lived(&site, enclosure, &trust, span))
        .collect();
    let mut verdicts = Verdicts::default();
    if site.enclosure("mantis-1").is_some() {
        silent(&site, span, &mut verdicts);
    }
    Sample {
        site,
        record,
        trust,
        conditions,
        verdicts,
        span,
    }
}

fn push(
    readings: &mut Vec<Reading>,
    enclosure: &str,
    sensor: &str,
    quantity: Quantity,
    at_ms: i64,
    value: f64,
) {
    readings.push(Reading {
        at_ms,
        received_ms: at_ms,
        time_source: TimeSource::Device,
        enclosure: Arc::from(enclosure),
        sensor: Arc::from(sensor),
        quantity,
        value: (value * 100.0).round() / 100.0,
        mark: Mark::Ok,
    });
}

fn local_hour(site: &Site, at_ms: i64) -> f64 {
    let day = site.zone.day(site.zone.date(at_ms));
    (at_ms - day.from_ms) as f64 / MS_PER_HOUR as f64
}

/// A hot Sunday afternoon.
fn heat(site: &Site, span: Span, at_ms: i64) -> f64 {
    let day = (at_ms - span.from_ms).div_euclid(MS_PER_24_H);
    let hour = local_hour(site, at_ms);
    if day == 6 && (9.0..21.0).contains(&hour) {
        7.5 * ((hour - 9.0) / 12.0 * std::f64::consts::PI).sin()
    } else {
        0.0
    }
}

/// A gap in the salamanders' record, and the mantises' sensors silent from Tuesday 03:10 on.
fn is_missing(enclosure: &Enclosure, span: Span, at_ms: i64) -> bool {
    let since_h = (at_ms - span.from_ms) as f64 / MS_PER_HOUR as f64;
    match enclosure.id.as_str() {
        "sal-1" => (85.0..101.0).contains(&since_h),
        "mantis-1" => since_h >= 27.0 + 10.0 / 60.0,
        _ => false,
    }
}

fn inside(
    site: &Site,
    enclosure: &Enclosure,
    index: usize,
    (history, span): (Span, Span),
    rng: &mut StdRng,
    readings: &mut Vec<Reading>,
) {
    let limits = enclosure.limits;
    let middle = |low: f64, high: f64| (low + high) / 2.0;
    let (warm_c, cool_c) = (
        middle(limits.day_c.low, limits.day_c.high),
        middle(limits.night_c.low, limits.night_c.high),
    );
    let band = limits.humidity_day_pct;
    let base_pct = band.map_or(60.0, |band| band.low + 0.25 * (band.high - band.low));
    let id = enclosure.id.as_str();
    let mut temperature_c = cool_c;
    let mut heater_on = false;
    for at_ms in (history.from_ms..history.until_ms).step_by(STEP_MS as usize) {
        let hour = local_hour(site, at_ms);
        let lit = (8.0..20.0).contains(&hour);
        let aim_c = if lit { warm_c } else { cool_c };
        temperature_c += (aim_c - temperature_c) * 0.045 + rng.random_range(-0.06..0.06);
        let heat = if index == 1 {
            heat(site, span, at_ms)
        } else {
            0.25 * heat(site, span, at_ms)
        };
        let wet: f64 = MIST_HOURS
            .iter()
            .map(|start| {
                let since_min = (hour - start) * 60.0;
                let share = if index == 2 { clogged(span, at_ms) } else { 1.0 };
                if since_min < 0.0 {
                    0.0
                } else {
                    11.0 * share * (1.0 - (-since_min / 4.0).exp()) * (-since_min / 65.0).exp()
                }
            })
            .sum();
        let shown_c = temperature_c + heat;
        let humidity_pct = (base_pct + wet - 1.6 * (shown_c - middle(warm_c, cool_c))
            + rng.random_range(-0.5..0.5))
        .min(100.0);
        if is_missing(enclosure, span, at_ms) {
            continue;
        }
        for (name, off_c, off_pct) in [
            ("stat", 0.4, if index == 0 { 4.5 } else { 0.8 }),
            ("check", 0.0, 0.0),
        ] {
            let sensor = format!("{id}-{name}");
            push(
                readings,
                id,
                &sensor,
                Quantity::Temperature,
                at_ms,
                shown_c + off_c,
            );
            push(
                readings,
                id,
                &sensor,
                Quantity::Humidity,
                at_ms,
                (humidity_pct + off_pct).min(100.0),
            );
        }
        let wants = if heater_on {
            temperature_c < aim_c + 0.1
        } else {
            temperature_c < aim_c - 0.15
        };
        if wants != heater_on {
            heater_on = wants;
            push(
                readings,
                id,
                &format!("{id}-heater"),
                Quantity::State,
                at_ms,
                f64::from(u8::from(wants)),
            );
        }
        if (hour - 8.0).abs() < 0.01 || (hour - 20.0).abs() < 0.01 {
            push(
                readings,
                id,
                &format!("{id}-lamp"),
                Quantity::State,
                at_ms,
                f64::from(u8::from(lit)),
            );
        }
    }
}

/// The share of its usual rise that the clogging nozzle still makes.
fn clogged(span: Span, at_ms: i64) -> f64 {
    let days = (at_ms - span.from_ms) as f64 / MS_PER_24_H as f64;
    (0.62 - 0.06 * days).clamp(0.2, 1.0)
}

fn journal(site: &Site, span: Span) -> Vec<Entry> {
    let entry = |enclosure: &str, hours: i64, kind: &str, text: &str| Entry {
        at_ms: span.from_ms + hours * MS_PER_HOUR,
        written_ms: span.from_ms + hours * MS_PER_HOUR,
        enclosure: enclosure.to_owned(),
        kind: kind.to_owned(),
        subject: None,
        text: text.to_owned(),
        by: Some("Ines".to_owned()),
        amends: None,
    };
    let mut entries = vec![entry("room", 62, "note", "window left open until evening")];
    if let Some(first) = site.enclosures.first() {
        entries.push(Entry {
            subject: Some(format!("{}-stat", first.id)),
            ..entry(&first.id, -39 * 24 + 10, "sensor-moved", "closer to the vent")
        });
        entries.push(entry(&first.id, 33, "cleaned", "front glass and water part"));
        entries.push(entry(&first.id, 35, "ate", "all three, crickets"));
        entries.push(entry(&first.id, 130, "misted-by-hand", ""));
    }
    entries
}

fn trusted(site: &Site, record: &Record) -> trust::Outcome {
    let mut outcome = trust::Outcome::default();
    let inside = site.enclosures.iter().flat_map(|enclosure| {
        enclosure
            .sensors
            .iter()
            .map(move |sensor| (enclosure.id.as_str(), sensor))
    });
    for (place, sensor) in site
        .room_sensors
        .iter()
        .map(|sensor| ("room", sensor))
        .chain(inside)
    {
        for (quantity, half_width, unit) in [
            (Quantity::Temperature, 0.4, "°C"),
            (Quantity::Humidity, 2.1, "%RH"),
        ] {
            let Some(series) = record.get(&sensor.id, quantity) else {
                continue;
            };
            outcome.trusted.insert(
                &sensor.id,
                quantity,
                Usable {
                    series: series.clone(),
                    half_width,
                    left_out: Vec::new(),
                    corrected_by: 0.0,
                },
            );
            outcome.sensors.push(SensorTrust {
                enclosure: place.to_owned(),
                sensor: sensor.id.clone(),
                quantity,
                standing: Standing::Believed,
                words: format!("believed within ±{half_width} {unit}"),
                compared_with: (place != "room")
                    .then(|| "the other sensor of this enclosure, by vapour".to_owned()),
                half_width: Some(half_width),
                differences: Vec::new(),
                remarks: Vec::new(),
            });
        }
    }
    outcome
}

/// Days, nights and mistings as the conditions room gives them.
fn lived(site: &Site, enclosure: &Enclosure, trust: &trust::Outcome, span: Span) -> conditions::Outcome {
    let sensor = format!("{}-check", enclosure.id);
    let of = |quantity| {
        trust
            .trusted
            .get(&sensor, quantity)
            .map(|usable| usable.series.view())
    };
    let (temperature, humidity) = (of(Quantity::Temperature), of(Quantity::Humidity));
    let gap_ms = 3 * STEP_MS;
    let limits = enclosure.limits;
    let mut outcome = conditions::Outcome {
        enclosure: enclosure.id.clone(),
        ..conditions::Outcome::default()
    };
    for date in site.zone.dates(span) {
        let day = site.zone.day(date);
        let warm = temperature.and_then(|view| view.summary(day, gap_ms));
        outcome.days.push(Day {
            local_date: date,
            span: day,
            temperature_c: warm,
            humidity_pct: humidity.and_then(|view| view.summary(day, gap_ms)),
            deficit_pa: None,
            over: temperature.map_or_else(Excess::default, |view| view.above(limits.max_c, day, gap_ms)),
            under: temperature.map_or_else(Excess::default, |view| view.below(limits.min_c, day, gap_ms)),
            dry_h: humidity
                .zip(limits.humidity_day_pct)
                .map_or(0.0, |(view, band)| view.below(band.low, day, gap_ms).hours),
            wet_h: humidity
                .zip(limits.humidity_day_pct)
                .map_or(0.0, |(view, band)| view.above(band.high, day, gap_ms).hours),
            longest_wet_run_h: humidity.map_or(0.0, |view| view.above(95.0, day, gap_ms).longest_h),
            light_h: warm.map(|_| 12.0),
            warm_and_cool: None,
        });
        let Some(night) = site.zone.night(date, enclosure.light).intersect(span) else {
            continue;
        };
        let cool = temperature.and_then(|view| view.summary(night, gap_ms));
        let judged = cool.filter(|s| s.covered_frac > 0.75);
        outcome.nights.push(Night {
            local_date: date,
            span: site.zone.night(date, enclosure.light),
            temperature_c: judged,
            outside_h: temperature.map_or(0.0, |view| {
                let band = limits.night_c;
                view.above(band.high, night, gap_ms).hours + view.below(band.low, night, gap_ms).hours
            }),
            drop_k: judged.zip(warm).map(|(night, day)| day.mean - night.mean),
            usual_mean_c: None,
            not_judged: judged.is_none().then(|| {
                format!(
                    "only {:.0} % of it is known",
                    cool.map_or(0.0, |s| s.covered_frac * 100.0)
                )
            }),
        });
        for (run, start) in MIST_HOURS.iter().enumerate() {
            let at_ms = day.from_ms + (start * MS_PER_HOUR as f64) as i64;
            let is_known = humidity.is_some_and(|view| view.value_at(at_ms, gap_ms).is_some());
            let share = if enclosure.id == "dart-1" {
                clogged(span, at_ms)
            } else {
                1.0
            };
            let is_missed = enclosure.id == "sal-1" && run == 1 && at_ms - span.from_ms < MS_PER_24_H;
            outcome.mistings.push(Misting {
                device: format!("{}-mister", enclosure.id),
                at_ms,
                duration_s: 40.0,
                scheduled: true,
                ran: if is_missed {
                    Ran::No
                } else if is_known {
                    Ran::Yes
                } else {
                    Ran::NotKnown
                },
                rise_g_m3: None,
                rise_pct: (is_known && !is_missed).then_some((9.0 + run as f64) * share),
                minutes_to_peak: (is_known && !is_missed).then_some(8.0 + run as f64),
                half_life_min: (is_known && !is_missed).then_some(44.0 + 3.0 * run as f64),
                dried: (is_known && !is_missed).then_some(Dried::AfterH(2.5 + run as f64)),
                censored: false,
                left_out: None,
            });
        }
    }
    outcome
}

fn finding(
    site: &Site,
    kind: Kind,
    enclosure: &str,
    subject: &str,
    (start, end): (&str, Option<&str>),
) -> Finding {
    let at = |text: &str| site.zone.parse(text).expect("a local time");
    Finding {
        kind,
        enclosure: enclosure.to_owned(),
        subject: subject.to_owned(),
        start_ms: at(start),
        end_ms: end.map(at),
        severity: Severity::Warning,
        value: Value::new("", 0.0, ""),
        cause: None,
        also: Vec::new(),
        message: String::new(),
        advice: String::new(),
    }
}

fn hot_day(sample: &mut Sample) {
    let when = ("2026-05-24T11:20", Some("2026-05-24T18:39"));
    sample.verdicts.findings.push(Finding {
        severity: Severity::Urgent,
        value: Value::new("degree-hours above the limit", 15.1, "Cel.h").between(13.4, 16.9),
        cause: Some(Cause::RoomHeat),
        message: "It was above 28.0 °C for 7 h 19 min on Sunday 24 May, 31.3 °C at its hottest at 15:05, 3.3 °C above the limit; the room rose with it.".to_owned(),
        advice: "Go and look at the animals now, shade the window shelf, and move the tank to a cooler place before the next hot day.".to_owned(),
        ..finding(&sample.site, Kind::Overheating, "gecko-1", "gecko-1", when)
    });
}

fn drift(sample: &mut Sample) {
    let site = &sample.site;
    sample.verdicts.findings.push(Finding {
        value: Value::new("rate", 3.2, "%RH/30d").between(2.4, 4.1),
        message: "The humidistat mossy-1-stat reads 4 to 6 %RH high, since about 12 April, and drifts by 3.2 %RH in 30 days: the tank is kept drier than its set-point says.".to_owned(),
        advice: "Check mossy-1-stat in a closed jar over damp table salt (75 %RH) overnight; correct or replace it.".to_owned(),
        ..finding(site, Kind::HumidityDrift, "mossy-1", "mossy-1-stat", ("2026-04-12", None))
    });
    let from_ms = site.zone.parse("2026-03-30").expect("a date");
    let said = sample
        .trust
        .sensors
        .iter_mut()
        .find(|said| said.sensor == "mossy-1-stat" && said.quantity == Quantity::Humidity)
        .expect("the humidistat reports");
    said.standing = Standing::Doubtful;
    said.words = "doubtful: reads 4 to 6 %RH high since about 12 April".to_owned();
    said.differences = (0..55_i64)
        .filter(|day| !(20..24).contains(day))
        .map(|day| DailyDifference {
            at_ms: from_ms + day * MS_PER_24_H,
            difference: (0.11 * (day - 13) as f64).max(0.0) + 0.4 * ((day * 7 % 11) as f64 / 11.0 - 0.5),
            half_width: 0.9,
        })
        .collect();
}

fn clogging(sample: &mut Sample) {
    sample.verdicts.findings.push(Finding {
        value: Value::new("share of the usual rise", 41.0, "%").between(33.0, 49.0),
        message: "A misting now raises the humidity by 41 % of what is usual here; the other tanks on the same pump are as they were.".to_owned(),
        advice: "Soak the nozzle in vinegar, rinse it, and watch the next misting.".to_owned(),
        ..finding(&sample.site, Kind::MistWeak, "dart-1", "dart-1-mister", ("2026-05-16", None))
    });
    let span = sample.span;
    let outcome = sample
        .conditions
        .iter_mut()
        .find(|outcome| outcome.enclosure == "dart-1")
        .expect("sampled");
    let earlier: Vec<Misting> = outcome.mistings[..9]
        .iter()
        .map(|misting| Misting {
            at_ms: misting.at_ms - 28 * MS_PER_24_H,
            rise_pct: Some(10.2),
            ..misting.clone()
        })
        .collect();
    outcome.earlier_mistings = earlier;
    // The nozzle's own afternoon of doubt: a splash on the sensor.
    let left_out = Span {
        from_ms: span.from_ms + 4 * MS_PER_24_H,
        until_ms: span.from_ms + 4 * MS_PER_24_H + 15 * MS_PER_HOUR,
    };
    let usable = sample
        .trust
        .trusted
        .get("dart-1-check", Quantity::Humidity)
        .expect("sampled")
        .clone();
    let series = usable.series.filtered(|at_ms, _, _| !left_out.contains(at_ms));
    sample.trust.trusted.insert(
        "dart-1-check",
        Quantity::Humidity,
        Usable {
            series: series.into_owned(),
            left_out: vec![(left_out, "wet element after a splash".to_owned())],
            ..usable
        },
    );
}

fn silent(site: &Site, span: Span, verdicts: &mut Verdicts) {
    for sensor in ["mantis-1-check", "mantis-1-stat"] {
        verdicts.findings.push(Finding {
            severity: Severity::Notice,
            value: Value::new("hours without a reading", 140.8, "h"),
            message: format!("{sensor} has sent nothing since Tuesday 19 May, 03:10."),
            advice: "Check its battery and its radio.".to_owned(),
            ..finding(
                site,
                Kind::SensorSilent,
                "mantis-1",
                sensor,
                ("2026-05-19T03:10", None),
            )
        });
    }
    verdicts.not_assessed.push(NotAssessed {
        kind: Kind::Overheating,
        enclosure: "mantis-1".to_owned(),
        subject: None,
        span: Some(Span {
            from_ms: span.from_ms + MS_PER_24_H,
            until_ms: span.until_ms,
        }),
        reason: "both sensors have been silent since Tuesday 19 May, 03:10".to_owned(),
    });
}

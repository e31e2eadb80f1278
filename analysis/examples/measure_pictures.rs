//! Draws the pictures of `MEASURES.md` about sensors, moisture, set-point, misting and changes, from invented rooms:
//! `cargo build --release --workspace --examples && target/release/examples/measure_pictures sample-logs/pictures`.

use std::path::{Path, PathBuf};

use chrono::Days;
use mosswarden_analysis::assess::{assess, needed};
use mosswarden_analysis::compare::{Asked, compare, picture, readings_needed};
use mosswarden_analysis::conditions::Outcome;
use mosswarden_analysis::load::Record;
use mosswarden_analysis::plot::{
    self, Bars, Brought, Display, Line, MistingGroup, MistingPlot, Picture, Strip, TrustLine,
};
use mosswarden_analysis::report::{deficit_by_day, humidistat_day};
use mosswarden_analysis::simulate::{Effect, Simulation, SiteSpec, run, scenario};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

fn main() -> std::io::Result<()> {
    let folder = std::env::args()
        .nth(1)
        .map_or_else(|| PathBuf::from("."), PathBuf::from);
    let write = |name: &str, picture: Option<Picture>| -> std::io::Result<()> {
        let picture = picture.ok_or_else(|| std::io::Error::other(format!("nothing to draw for {name}")))?;
        fs_err::write(folder.join(name), standing_alone(&picture))
    };
    write("measure-sensor-drifts.svg", against_others("mossy-1-stat"))?;
    write("measure-sensor-well.svg", against_others("mossy-1-check"))?;
    write("measure-sensor-pinned.svg", pinned())?;
    write("measure-moisture.svg", moisture())?;
    write("measure-setpoint.svg", setpoint())?;
    write("measure-misting.svg", misting())?;
    write("measure-change.svg", change())
}

/// The demo's room with its faults, and its last week judged.
fn demo() -> (Simulation, Site, Vec<Outcome>, Span) {
    let end = scenario::SINGLE_FROM + Days::new(28);
    judged(&scenario::demo(1, end))
}

fn judged(spec: &SiteSpec) -> (Simulation, Site, Vec<Outcome>, Span) {
    let simulation = run(spec);
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let (record, span) = (record_of(&simulation), last_week(&simulation));
    let outcomes = assess(&site, &record, span).conditions;
    (simulation, site, outcomes, span)
}

/// A file of its own: as wide as its place, on white, with its words for those who can't see it.
fn standing_alone(picture: &Picture) -> String {
    let drawn = picture.paper_svg();
    let (head, body) = drawn.split_once('>').unwrap_or((&drawn, ""));
    let (_, view) = head.split_once("viewBox").unwrap_or((head, ""));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" viewBox{view}><title>{}. {}</title><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>{body}",
        plot::escape(&picture.title),
        plot::escape(&picture.alternative)
    )
}

/// How far a sensor of the demo lies from what the others say, day by day.
fn against_others(sensor: &str) -> Option<Picture> {
    let simulation = run(&scenario::demo(1, scenario::SINGLE_FROM + Days::new(28)));
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let record = record_of(&simulation);
    let judged = assess(&site, &record, last_week(&simulation)).trust.sensors;
    let said = judged
        .into_iter()
        .find(|said| said.sensor == sensor && said.quantity == Quantity::Humidity)?;
    plot::trust_line(&TrustLine {
        name: &format!("{sensor}: {}", said.words),
        unit: "%RH",
        zone: site.zone,
        differences: &said.differences,
        tolerance: None,
        marks: Vec::new(),
    })
}

/// A humidity sensor that stands at the top of its scale for two days while its air warms and dries: read, and not used.
fn pinned() -> Option<Picture> {
    const SENSOR: &str = "toad-1-stat";
    let mut spec = scenario::demo(1, scenario::SINGLE_FROM + Days::new(28));
    let (from_ms, until_ms) = (spec.at(23, 600), spec.at(25, 600));
    spec.add_fault("toad-1", SENSOR, Effect::Pinned, from_ms, Some(until_ms));
    let simulation = run(&spec);
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let (record, span) = (record_of(&simulation), last_week(&simulation));
    let trusted = assess(&site, &record, span).trust.trusted;
    let usable = trusted.get(SENSOR, Quantity::Humidity)?;
    let raw = record.get(SENSOR, Quantity::Humidity)?;
    let doubtful: Vec<Span> = usable.left_out.iter().map(|(span, _)| *span).collect();
    let enclosure = site.enclosure("toad-1")?;
    Some(plot::week_strip(&Strip {
        name: &format!("{}, by {SENSOR}", enclosure.label),
        span,
        zone: site.zone,
        light: Some(enclosure.light),
        limits: Some(enclosure.limits),
        temperature: None,
        humidity: Some(Line {
            label: SENSOR,
            usable: usable.series.within(span),
            raw: raw.within(span),
            gap_ms: raw.gap_ms(),
            half_width: Some(usable.half_width),
            doubtful: &doubtful,
        }),
        mistings: Vec::new(),
        bars: Vec::new(),
        marks: Vec::new(),
        display: Display::new(site.units),
    }))
}

fn record_of(simulation: &Simulation) -> Record {
    let journal = simulation.journal.iter().map(|row| row.entry()).collect();
    let readings = simulation.readings.iter().cloned();
    Record::from_readings(readings, journal, needed(last_week(simulation)))
}

fn last_week(simulation: &Simulation) -> Span {
    Span {
        from_ms: simulation.truth.until.0 - 7 * MS_PER_24_H,
        until_ms: simulation.truth.until.0,
    }
}

/// Deficit by day and night, and hours of dew on the glass.
fn moisture() -> Option<Picture> {
    let (_, site, outcomes, _) = demo();
    let dew = |o: &Outcome| o.moisture.iter().filter_map(|day| day.dew_h).sum::<f64>();
    let dampest = outcomes.iter().max_by(|a, b| dew(a).total_cmp(&dew(b)))?;
    deficit_by_day(site.enclosure(&dampest.enclosure)?, &dampest.moisture)
}

fn setpoint() -> Option<Picture> {
    let (_, site, outcomes, span) = demo();
    let mossy = outcomes.iter().find(|o| o.enclosure == "mossy-1")?;
    let last_day = site.zone.date(span.until_ms - 1);
    humidistat_day(
        site.zone,
        site.enclosure("mossy-1")?,
        last_day,
        mossy.held.first()?,
    )
}

/// The clogging nozzle of the demo, day by day over four weeks.
fn misting() -> Option<Picture> {
    let end = scenario::SINGLE_FROM + Days::new(28);
    let simulation = run(&scenario::demo(1, end));
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let span = Span {
        from_ms: simulation.truth.from.0,
        until_ms: simulation.truth.until.0,
    };
    let record = Record::from_readings(simulation.readings.iter().cloned(), Vec::new(), needed(span));
    let outcomes = assess(&site, &record, span).conditions;
    let dart = outcomes.iter().find(|o| o.enclosure == "dart-1")?;
    let triple = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        Some([*values.get(values.len() / 2)?, *values.first()?, *values.last()?])
    };
    let groups: Vec<MistingGroup> = dart
        .days
        .iter()
        .map(|day| {
            let of: Vec<_> = dart
                .mistings
                .iter()
                .filter(|m| day.span.contains(m.at_ms) && m.left_out.is_none())
                .collect();
            MistingGroup {
                label: day.local_date.format("%-d %b").to_string(),
                count: of.len(),
                brought: triple(&mut of.iter().filter_map(|m| m.rise_pct).collect()),
                half_life_min: triple(&mut of.iter().filter_map(|m| m.half_life_min).collect()),
            }
        })
        .collect();
    let usual = |pick: fn(&MistingGroup) -> Option<[f64; 3]>| {
        let mut values: Vec<f64> = groups[..11].iter().filter_map(pick).map(|t| t[0]).collect();
        triple(&mut values).map(|t| t[0])
    };
    plot::misting_plot(&MistingPlot {
        title: format!("{}: what the mistings did", site.enclosure("dart-1")?.label),
        brought: Brought::Rise,
        usual: usual(|g| g.brought),
        usual_half_life_min: usual(|g| g.half_life_min),
        bars: Bars::LowestToHighest,
        groups,
    })
}

/// A tighter lid on the bench enclosure.
fn change() -> Option<Picture> {
    let mut spec = scenario::single_healthy(5, 56, 300.0);
    spec.enclosures[0]
        .devices
        .retain(|device| device.kind.name() != "fogger");
    let at_ms = spec.at(30, 600);
    spec.add_fault(
        scenario::SINGLE_ID,
        scenario::SINGLE_ID,
        Effect::VentBlocked { ratio: 0.6 },
        at_ms,
        None,
    );
    let simulation = run(&spec);
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let asked = Asked {
        at_ms,
        days: 21,
        what: "tighter lid",
        until_ms: simulation.truth.until.0,
    };
    let record = Record::from_readings(
        simulation.readings.iter().cloned(),
        Vec::new(),
        readings_needed(&asked),
    );
    let comparison = compare(&site, &site.enclosures[0], &record, &asked);
    picture("A tighter lid: before and after", &comparison)
}

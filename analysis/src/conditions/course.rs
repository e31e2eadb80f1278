//! The course of one enclosure's air on an even grid, with all that acts on it: what a moisture model is fitted to.
//!
//! In: usable readings, states, the journal. Out: steps; what is not known stays so, and times at which the keeper was at work
//! are marked.

use mosswarden_config::journal;
use mosswarden_config::site::{DeviceKind, Enclosure, Site};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::context::Context;
use super::device::hours_within;
use super::moisture::coldest_glass_c;
use super::{Misting, Ran, misting};
use crate::load::Record;
use crate::physics::humidity::{saturation_vapour_pressure_pa, vapour_density_g_m3, vapour_pressure_pa};
use crate::trusted::Trusted;

/// Length of a step.
pub const STEP_MS: i64 = 60_000;
/// Times around the keeper's work that say nothing of the usual air.
const WORK_BEFORE_MS: i64 = MS_PER_HOUR / 2;
const WORK_AFTER_MS: i64 = 3 * MS_PER_HOUR;

/// One step of a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    pub at_ms: i64,
    /// Mean warmth, humidity and vapour density over the places of the animals.
    pub t_c: Option<f64>,
    pub rh_pct: Option<f64>,
    pub w_g_m3: Option<f64>,
    /// Saturation at that warmth and at the coldest glass, g/m³.
    pub saturation_g_m3: Option<f64>,
    pub glass_saturation_g_m3: Option<f64>,
    pub room_g_m3: Option<f64>,
    pub lit: bool,
    /// Seconds of misting by the mister and of fog in this step.
    pub mist_s: f64,
    pub fog_s: f64,
    /// The keeper was at work, misted by hand, or a run is not known: it says nothing of the usual air.
    pub disturbed: bool,
}

/// A course with the mistings in it.
#[derive(Debug, Clone, Default)]
pub struct Course {
    pub steps: Vec<Step>,
    pub mistings: Vec<Misting>,
    /// Half-width of the 95 % interval of the mean humidity, %RH.
    pub humidity_half_width_pct: f64,
    /// Whether a fogger acts, and whether it says when.
    pub fogger: bool,
    pub fog_known: bool,
}

/// The course of an enclosure over a span.
pub fn course(site: &Site, enclosure: &Enclosure, record: &Record, trusted: &Trusted, span: Span) -> Course {
    let context = Context::new(site, enclosure, record, trusted, span);
    let mistings = misting::judge(&context).mistings;
    let foggers: Vec<_> = enclosure.devices_of(DeviceKind::Fogger).collect();
    let states: Vec<_> = foggers.iter().map(|device| context.states(device)).collect();
    let fog: Vec<Span> = states
        .iter()
        .flatten()
        .flat_map(|states| states.on.clone())
        .collect();
    let disturbed = disturbed(&context, &mistings);
    let runs: Vec<Span> = mistings
        .iter()
        .filter(|m| m.ran == Ran::Yes)
        .map(|m| Span {
            from_ms: m.at_ms,
            until_ms: m.at_ms + (m.duration_s * 1000.0) as i64,
        })
        .collect();
    let lit = context.light_within(span);
    let seconds = |spans: &[Span], step: Span| hours_within(spans, step) * 3600.0;
    let steps = (span.from_ms..span.until_ms)
        .step_by(STEP_MS as usize)
        .map(|at_ms| {
            let step = Span {
                from_ms: at_ms,
                until_ms: at_ms + STEP_MS,
            };
            let value =
                |places: &Option<super::places::Places>| places.as_ref().and_then(|p| p.mean.value_at(at_ms));
            let (t_c, rh_pct) = (value(&context.temperature), value(&context.humidity));
            let room_c = context.room_c.as_ref().and_then(|room| room.value_at(at_ms));
            let saturation = |t_c: f64| vapour_density_g_m3(t_c, saturation_vapour_pressure_pa(t_c));
            Step {
                at_ms,
                t_c,
                rh_pct,
                w_g_m3: t_c
                    .zip(rh_pct)
                    .map(|(t_c, rh_pct)| vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct))),
                saturation_g_m3: t_c.map(saturation),
                glass_saturation_g_m3: t_c.map(|t_c| saturation(coldest_glass_c(t_c, room_c))),
                room_g_m3: context.room_vapour_g_m3(at_ms),
                lit: lit.iter().any(|light| light.contains(at_ms)),
                mist_s: seconds(near(&runs, step), step),
                fog_s: seconds(near(&fog, step), step),
                disturbed: disturbed.iter().any(|span| span.contains(at_ms)),
            }
        })
        .collect();
    Course {
        steps,
        mistings,
        humidity_half_width_pct: context
            .humidity
            .as_ref()
            .map_or(f64::INFINITY, |p| p.mean_half_width),
        fogger: !foggers.is_empty(),
        fog_known: states.iter().all(Option::is_some),
    }
}

/// The spans, in order and disjoint, that may overlap a step.
fn near(spans: &[Span], step: Span) -> &[Span] {
    let from = spans.partition_point(|span| span.until_ms <= step.from_ms);
    let until = spans.partition_point(|span| span.from_ms < step.until_ms);
    &spans[from.min(until)..until]
}

fn disturbed(context: &Context<'_>, mistings: &[Misting]) -> Vec<Span> {
    const WORK: [&str; 8] = [
        journal::CLEANED,
        journal::DOOR_OPEN,
        journal::PRUNED,
        journal::POWER_CUT,
        journal::MISTED_BY_HAND,
        journal::SENSOR_MOVED,
        journal::SENSOR_REPLACED,
        journal::REFILLED,
    ];
    let around = |at_ms: i64| Span {
        from_ms: at_ms - WORK_BEFORE_MS,
        until_ms: at_ms + WORK_AFTER_MS,
    };
    let by_entry = context
        .record
        .entries(&context.enclosure.id, context.span)
        .filter(|entry| WORK.contains(&entry.kind.as_str()))
        .map(|entry| around(entry.at_ms));
    let unsure = mistings
        .iter()
        .filter(|m| m.ran == Ran::NotKnown || (!m.scheduled && m.device.starts_with(misting::BY_HAND)))
        .map(|m| around(m.at_ms));
    by_entry.chain(unsure).collect()
}

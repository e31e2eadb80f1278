//! What a humidistat's enclosure held, hour by hour: the trusted sensors beside the controller's own reading, and the duty.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Device;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::moisture::{Bands, Beyond};
use super::super::places::{Line, Places, hour_of};
use super::super::usual::hour_mean;
use crate::statistics::robust::median;

const HOURS: usize = 24;
/// Switchings that are needed to say at which humidity it switches.
const SWITCHINGS_MIN: usize = 5;
/// Steps on which the controller's reading is compared with the trusted sensors.
const STEP_MS: i64 = 5 * 60_000;

/// One local hour of the day, over the days of the span.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HeldHour {
    /// Mean humidity by the trusted sensors, and by the controller's own probe as it reads, %RH.
    pub held_pct: Option<f64>,
    pub shown_pct: Option<f64>,
    /// Share of the time on.
    pub on_frac: Option<f64>,
}

/// What the enclosure of one device with a humidity set-point held in the span.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    pub device: String,
    pub set_pct: f64,
    /// By local hour, 0 to 23.
    pub hours: [HeldHour; HOURS],
    /// Humidity by the trusted sensors at which it went on and off, the middle of all switchings, %RH.
    pub on_at_pct: Option<f64>,
    pub off_at_pct: Option<f64>,
    /// The controller's reading minus the trusted sensors, mean, %RH.
    pub shows_more_pct: Option<f64>,
    /// Hours in which the trusted sensors lay beyond the wanted band while the controller's reading lay inside it: what its
    /// error hid from the keeper.
    pub hidden_h: Option<f64>,
}

/// What the controller's own probe showed, right or wrong.
pub(super) fn shown_by_controller(context: &Context<'_>, device: &Device) -> Option<Line> {
    let series = context
        .record
        .get(device.controlled_by.as_deref()?, Quantity::Humidity)?;
    let mut line = Line::of(&series.filtered(|_, _, mark| mark == Mark::Ok));
    line.gap_ms = series.gap_ms();
    Some(line)
}

/// Measures a device by the places that are not its controller's.
pub(super) fn measure(context: &Context<'_>, device: &Device, set_pct: f64, places: &Places) -> Held {
    let own = shown_by_controller(context, device);
    let states = context.states(device);
    let mut samples: [[Vec<f64>; 3]; HOURS] = Default::default();
    let mut from_ms = context.zone.hour_start_ms(context.span.from_ms);
    while from_ms < context.span.until_ms {
        let hour = &mut samples[hour_of(context.zone, from_ms)];
        let span = Span {
            from_ms,
            until_ms: from_ms + MS_PER_HOUR,
        };
        hour[0].extend(hour_mean(&places.mean, from_ms));
        hour[1].extend(own.as_ref().and_then(|line| hour_mean(line, from_ms)));
        hour[2].extend(states.as_ref().and_then(|states| states.on_frac(span)));
        from_ms += MS_PER_HOUR;
    }
    let mean =
        |values: &[f64]| (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64);
    let hours = samples.map(|[held, shown, on]| HeldHour {
        held_pct: mean(&held),
        shown_pct: mean(&shown),
        on_frac: mean(&on),
    });
    let at = |pick: fn(&Span) -> i64| {
        let values: Vec<f64> = states
            .iter()
            .flat_map(|states| &states.on)
            .map(pick)
            .filter(|at_ms| context.span.contains(*at_ms))
            .filter_map(|at_ms| places.mean.value_at(at_ms))
            .collect();
        (values.len() >= SWITCHINGS_MIN)
            .then(|| median(&values))
            .flatten()
    };
    let (shows_more_pct, hidden_h) = own.map_or((None, None), |own| against(context, places, &own));
    Held {
        device: device.id.clone(),
        set_pct,
        hours,
        on_at_pct: at(|on| on.from_ms),
        off_at_pct: at(|on| on.until_ms),
        shows_more_pct,
        hidden_h,
    }
}

/// The controller's reading against the trusted sensors: mean difference, and hours beyond the band that it hid.
fn against(context: &Context<'_>, places: &Places, own: &Line) -> (Option<f64>, Option<f64>) {
    let step_h = STEP_MS as f64 / MS_PER_HOUR as f64;
    let (mut sum, mut count, mut hidden_h) = (0.0, 0_u32, 0.0);
    let bands = Bands::of(context, context.span);
    for at_ms in (context.span.from_ms..context.span.until_ms).step_by(STEP_MS as usize) {
        let (Some(held), Some(shown)) = (places.mean.value_at(at_ms), own.value_at(at_ms)) else {
            continue;
        };
        sum += shown - held;
        count += 1;
        let beyond = |pct: f64| bands.side_at(at_ms, pct);
        // A controller that shows the same side too dry or too wet hides nothing.
        hidden_h += match (beyond(held), beyond(shown)) {
            (Some(Beyond::Below | Beyond::Above), None) => step_h,
            _ => 0.0,
        };
    }
    let known = count > 0;
    (known.then(|| sum / f64::from(count)), known.then_some(hidden_h))
}

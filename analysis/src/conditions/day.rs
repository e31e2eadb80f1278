//! The measures of each local day; judged elsewhere.

use mosswarden_config::zone::Span;

use super::Day;
use super::context::Context;
use super::light;
use super::moisture::{self, Bands, Beyond};
use crate::physics::humidity::vapour_pressure_deficit_pa;
use crate::series::Excess;

/// The deficit is averaged on steps of this length: it follows temperature and humidity, which move slowly.
const DEFICIT_STEP_MS: i64 = 10 * 60_000;

/// Every local day that overlaps the span, as far as its end.
pub(super) fn measure(context: &Context<'_>) -> Vec<Day> {
    let lit = light::lit(context);
    context
        .zone
        .dates(context.span)
        .into_iter()
        .filter_map(|local_date| {
            let until_ms = context.span.until_ms;
            let span = context.zone.day(local_date).intersect(Span {
                from_ms: i64::MIN,
                until_ms,
            })?;
            let limits = context.enclosure.limits_on(local_date);
            let bands = Bands::of(context, span);
            let beyond_h = |side: Beyond| {
                let places = context.humidity.as_ref();
                places.map_or(0.0, |places| bands.hours(&places.mean, side, 0.0))
            };
            Some(Day {
                local_date,
                span,
                temperature_c: context.temperature.as_ref().and_then(|p| p.lowest.summary(span)),
                humidity_pct: context.humidity.as_ref().and_then(|p| p.mean.summary(span)),
                deficit_pa: deficit_pa(context, span),
                over: context
                    .temperature
                    .as_ref()
                    .map_or(Excess::default(), |p| p.lowest.above(limits.max_c, span)),
                under: context
                    .temperature
                    .as_ref()
                    .map_or(Excess::default(), |p| p.highest.below(limits.min_c, span)),
                dry_h: beyond_h(Beyond::Below),
                wet_h: beyond_h(Beyond::Above),
                longest_wet_run_h: context.humidity.as_ref().map_or(0.0, |p| {
                    p.mean.above(moisture::NEAR_SATURATION_PCT, span).longest_h
                }),
                light_h: lit.as_ref().and_then(|lit| lit.hours(span)),
            })
        })
        .collect()
}

fn deficit_pa(context: &Context<'_>, span: Span) -> Option<f64> {
    let (temperature, humidity) = (context.temperature.as_ref()?, context.humidity.as_ref()?);
    let (mut sum, mut count) = (0.0, 0_u32);
    let mut at_ms = span.from_ms;
    while at_ms < span.until_ms {
        if let (Some(t_c), Some(rh_pct)) = (temperature.mean.value_at(at_ms), humidity.mean.value_at(at_ms)) {
            // A sensor that reads a little over saturation does not make the deficit negative.
            sum += vapour_pressure_deficit_pa(t_c, rh_pct).max(0.0);
            count += 1;
        }
        at_ms += DEFICIT_STEP_MS;
    }
    (count > 0).then(|| sum / f64::from(count))
}

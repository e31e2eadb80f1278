//! The measures of each local day; judged elsewhere.

use chrono::NaiveDate;
use mosswarden_config::site::Band;
use mosswarden_config::zone::Span;

use super::context::Context;
use super::light;
use super::moisture::{self, Bands, Beyond};
use super::{Day, WarmAndCool};
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
                warm_and_cool: warm_and_cool(context, local_date, limits.day_c),
            })
        })
        .collect()
}

/// Over the light hours that begin on a date, as far as the end of the span.
fn warm_and_cool(context: &Context<'_>, local_date: NaiveDate, wanted_c: Band) -> Option<WarmAndCool> {
    let places = context.temperature.as_ref().filter(|p| p.sensors.len() > 1)?;
    let lit = context.light_on(local_date).intersect(Span {
        from_ms: i64::MIN,
        until_ms: context.span.until_ms,
    })?;
    let (coolest, warmest) = (places.lowest.summary(lit)?, places.highest.summary(lit)?);
    Some(WarmAndCool {
        known_h: coolest.covered_h,
        apart_k: warmest.mean - coolest.mean,
        no_cool: places.lowest.above(wanted_c.high, lit),
        no_warm: places.highest.below(wanted_c.low, lit),
    })
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

#[cfg(test)]
mod tests {
    use chrono::Timelike;
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::Kit;

    #[test]
    fn warm_and_cool_are_asked_of_the_light_hours_at_the_same_moment() {
        // Wanted by day 20 to 26 °C, light from 8 to 20: too warm everywhere for an hour, too cool everywhere for two.
        let mut kit = Kit::quiet("2026-03-02", 7);
        let by_hour = |kit: &Kit, at: i64, of: fn(u32) -> f64| Some(of(kit.zone.local(at).hour()));
        kit.refill("check", Quantity::Temperature, |kit, at| {
            by_hour(kit, at, |hour| match hour {
                10 | 11 => 29.0,
                8..=17 => 25.0,
                _ => 18.0,
            })
        });
        kit.refill("cool", Quantity::Temperature, |kit, at| {
            by_hour(kit, at, |hour| match hour {
                10 => 27.0,
                8..=17 => 22.0,
                _ => 18.0,
            })
        });
        let outcome = kit.judge("2026-03-04", "2026-03-05");
        let found = outcome.days[0].warm_and_cool.expect("two places");
        let near = |is: f64, should: f64| assert!((is - should).abs() < 0.1, "{is} is not about {should}");
        near(found.known_h, 12.0);
        near(found.no_cool.hours, 1.0);
        near(found.no_warm.longest_h, 2.0);
        // 2, 7 and 3 K apart for one, one and eight hours, nothing for two (worked by hand).
        near(found.apart_k, (2.0 + 7.0 + 8.0 * 3.0) / 12.0);
        kit.forget("cool");
        assert_eq!(kit.judge("2026-03-04", "2026-03-05").days[0].warm_and_cool, None);
    }
}

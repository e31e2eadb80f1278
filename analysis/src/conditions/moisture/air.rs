//! A local day's moisture in figures: by light and dark, the deficit beside the humidity, time wet, time with dew on the glass.
//!
//! Judged elsewhere; hours are lower bounds where readings are missing, and known hours stand beside them.

use chrono::NaiveDate;
use mosswarden_config::zone::Span;

use super::super::context::Context;
use super::bands::{Bands, Beyond, halves};
use crate::physics::humidity::{
    dew_point_c, vapour_density_g_m3, vapour_pressure_deficit_pa, vapour_pressure_pa,
};

/// Steps on which the derived measures are taken: they follow temperature and humidity, which move slowly.
const STEP_MS: i64 = 5 * 60_000;
/// At or above this the air is called damp, %RH (common practice, no source: hours above 95 % as a measure of too little air).
const DAMP_PCT: f64 = 95.0;
/// Below this deficit, Pa, leaves stay wet and moulds gain (an extension service's sheet on greenhouses, from memory).
pub(in super::super) const STILL_PA: f64 = 200.0;
/// Where between inside (0) and room (1) the coldest glass stands: single glass, equal films (common practice, no source).
const GLASS_FRAC: f64 = 0.5;

/// The lit or the dark hours of one local date.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct HalfDay {
    /// Hours of it in which temperature and humidity are known.
    pub known_h: f64,
    pub temperature_c: Option<f64>,
    pub humidity_pct: Option<f64>,
    /// Vapour pressure deficit, Pa.
    pub deficit_pa: Option<f64>,
    /// Hours below and above the wanted band.
    pub dry_h: f64,
    pub wet_h: f64,
    /// The room at the same times: warmth and vapour density.
    pub room_c: Option<f64>,
    pub room_g_m3: Option<f64>,
}

/// One local day of an enclosure.
#[derive(Debug, Clone, PartialEq)]
pub struct MoistDay {
    pub local_date: NaiveDate,
    pub span: Span,
    pub lit: HalfDay,
    pub dark: HalfDay,
    /// Hours at or above 95 %RH.
    pub damp_h: f64,
    /// Longest time without a break in which the deficit stayed below 200 Pa, h: nothing dries then.
    pub longest_still_h: f64,
    /// Hours in which the coldest glass or the coolest place lay below the dew point; `None` where no temperature is known.
    pub dew_h: Option<f64>,
}

/// The coldest glass, taken as halfway between inside and room where the room is cooler, °C.
pub(in super::super) fn coldest_glass_c(inside_c: f64, room_c: Option<f64>) -> f64 {
    let room_c = room_c.unwrap_or(inside_c).min(inside_c);
    inside_c + GLASS_FRAC * (room_c - inside_c)
}

/// Means of what was known, step by step.
#[derive(Default)]
struct Sums {
    sum: f64,
    count: u32,
}

impl Sums {
    fn add(&mut self, value: Option<f64>) {
        if let Some(value) = value {
            self.sum += value;
            self.count += 1;
        }
    }

    fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / f64::from(self.count))
    }
}

/// Every local day that overlaps the span, as far as its end.
pub(in super::super) fn measure(context: &Context<'_>) -> Vec<MoistDay> {
    context
        .zone
        .dates(context.span)
        .into_iter()
        .filter_map(|local_date| {
            let known = Span {
                from_ms: i64::MIN,
                until_ms: context.span.until_ms,
            };
            let span = context.zone.day(local_date).intersect(known)?;
            Some(day(context, local_date, span))
        })
        .collect()
}

fn day(context: &Context<'_>, local_date: NaiveDate, span: Span) -> MoistDay {
    let mut day = MoistDay {
        local_date,
        span,
        lit: HalfDay::default(),
        dark: HalfDay::default(),
        damp_h: 0.0,
        longest_still_h: 0.0,
        dew_h: None,
    };
    let step_h = STEP_MS as f64 / mosswarden_config::zone::MS_PER_HOUR as f64;
    let mut still_h = 0.0;
    for (is_lit, half) in [(true, &mut day.lit), (false, &mut day.dark)] {
        let parts: Vec<Span> = halves(context, span)
            .into_iter()
            .filter(|(_, lit)| *lit == is_lit)
            .map(|(part, _)| part)
            .collect();
        let mut sums: [Sums; 5] = Default::default();
        for at_ms in parts
            .iter()
            .flat_map(|part| (part.from_ms..part.until_ms).step_by(STEP_MS as usize))
        {
            let (t_c, rh_pct) = inside(context, at_ms);
            let deficit = t_c
                .zip(rh_pct)
                .map(|(t_c, rh_pct)| vapour_pressure_deficit_pa(t_c, rh_pct).max(0.0));
            let room = room(context, at_ms);
            sums[0].add(t_c);
            sums[1].add(rh_pct);
            sums[2].add(deficit);
            sums[3].add(room.map(|(room_c, _)| room_c));
            sums[4].add(room.map(|(_, room_g_m3)| room_g_m3));
            half.known_h += if deficit.is_some() { step_h } else { 0.0 };
        }
        (half.temperature_c, half.humidity_pct, half.deficit_pa) =
            (sums[0].mean(), sums[1].mean(), sums[2].mean());
        (half.room_c, half.room_g_m3) = (sums[3].mean(), sums[4].mean());
        for part in parts {
            let bands = Bands::of(context, part);
            if let Some(places) = &context.humidity {
                half.dry_h += bands.hours(&places.mean, Beyond::Below, 0.0);
                half.wet_h += bands.hours(&places.mean, Beyond::Above, 0.0);
            }
        }
    }
    for at_ms in (span.from_ms..span.until_ms).step_by(STEP_MS as usize) {
        let (Some(t_c), Some(rh_pct)) = inside(context, at_ms) else {
            still_h = 0.0;
            continue;
        };
        day.damp_h += if rh_pct >= DAMP_PCT { step_h } else { 0.0 };
        still_h = if vapour_pressure_deficit_pa(t_c, rh_pct) < STILL_PA {
            still_h + step_h
        } else {
            0.0
        };
        day.longest_still_h = day.longest_still_h.max(still_h);
        let dew_h = day.dew_h.get_or_insert(0.0);
        *dew_h += if dew(context, at_ms, t_c, rh_pct) {
            step_h
        } else {
            0.0
        };
    }
    day
}

fn inside(context: &Context<'_>, at_ms: i64) -> (Option<f64>, Option<f64>) {
    let of =
        |places: &Option<super::super::places::Places>| places.as_ref().and_then(|p| p.mean.value_at(at_ms));
    (of(&context.temperature), of(&context.humidity))
}

/// Warmth and vapour density of the room.
fn room(context: &Context<'_>, at_ms: i64) -> Option<(f64, f64)> {
    let t_c = context.room_c.as_ref()?.value_at(at_ms)?;
    let rh_pct = context.room_pct.as_ref()?.value_at(at_ms)?;
    Some((t_c, vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct))))
}

/// Whether the coldest glass or the coolest place lies below the dew point.
fn dew(context: &Context<'_>, at_ms: i64, t_c: f64, rh_pct: f64) -> bool {
    let room_c = context.room_c.as_ref().and_then(|room| room.value_at(at_ms));
    let coolest = context
        .temperature
        .as_ref()
        .and_then(|places| places.lowest.value_at(at_ms));
    let coldest = coolest.unwrap_or(t_c).min(coldest_glass_c(t_c, room_c));
    dew_point_c(vapour_pressure_pa(t_c, rh_pct)).is_some_and(|dew_c| dew_c > coldest)
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::super::kit::Kit;

    /// 24 °C by day and 19 °C by night in a room of 18 °C: the glass stands at 21.0 and 18.5 °C. By [Buck1996] the dew point
    /// of 24 °C and 90 %RH is 22.3 °C, of 24 °C and 75 %RH 19.3 °C, of 19 °C and 75 %RH 14.5 °C (worked apart, two digits).
    #[test]
    fn glass_is_wet_where_the_dew_point_lies_above_it() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                Some(if (10.0..13.0).contains(&kit.hour(at)) {
                    90.0
                } else {
                    75.0
                })
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let day = &outcome.moisture[1];
        assert!((day.dew_h.expect("known") - 3.0).abs() < 0.2, "{day:?}");
        assert!((day.lit.known_h - 12.0).abs() < 0.1 && (day.dark.known_h - 12.0).abs() < 0.1);
        // 25 % of the saturation pressure at 24 °C, 2984 Pa ([WagnerPruss2002]): 746 Pa; 9 h of it and 3 h of 298 Pa by day.
        let expected_pa = (9.0 * 746.0 + 3.0 * 298.4) / 12.0;
        assert!(
            (day.lit.deficit_pa.expect("known") - expected_pa).abs() < 12.0,
            "{day:?}"
        );
        assert_eq!(day.longest_still_h, 0.0);
    }

    #[test]
    fn hours_with_no_reading_are_not_counted() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                (kit.zone.date(at).to_string() != "2026-05-20").then_some(99.9)
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let (missing, wet) = (&outcome.moisture[2], &outcome.moisture[4]);
        assert!(missing.lit.known_h < 0.2 && missing.damp_h < 0.2 && missing.dew_h.is_none_or(|h| h < 0.2));
        assert!(
            (wet.damp_h - 24.0).abs() < 0.1 && (wet.longest_still_h - 24.0).abs() < 0.1,
            "{wet:?}"
        );
    }
}

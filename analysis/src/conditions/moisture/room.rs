//! How much of a day's change of humidity the room made.
//!
//! Compared hour by hour with the enclosure's own usual at that hour. The room's part is what its own change of warmth and
//! vapour would have made with the enclosure's usual excess over it; the rest is the enclosure's, and of that the part of its own warmth
//! is what its excess of warmth would have made with the usual vapour.

use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::places::hour_of;
use super::super::usual::hour_mean;
use super::Beyond;
use crate::physics::humidity::{
    relative_humidity_pct, vapour_density_g_m3, vapour_pressure_from_density_pa, vapour_pressure_pa,
};
use crate::statistics::robust::median;

/// Days before the judged one that say what is usual.
const DAYS: usize = 14;
/// Fewer samples at an hour of the day say nothing.
const COUNT_MIN: usize = 5;
/// A change below this, %RH in the mean, has no share worth naming.
const CHANGE_PCT_MIN: f64 = 2.0;

/// Warmth and vapour inside and in the room, hour means.
#[derive(Debug, Clone, Copy)]
struct Air {
    inside_c: f64,
    inside_g_m3: f64,
    room_c: f64,
    room_g_m3: f64,
}

impl Air {
    fn at(context: &Context<'_>, from_ms: i64) -> Option<Air> {
        let inside_c = hour_mean(&context.temperature.as_ref()?.mean, from_ms)?;
        let inside_pct = hour_mean(&context.humidity.as_ref()?.mean, from_ms)?;
        let room_c = hour_mean(context.room_c.as_ref()?, from_ms)?;
        let room_pct = hour_mean(context.room_pct.as_ref()?, from_ms)?;
        Some(Air {
            inside_c,
            inside_g_m3: density(inside_c, inside_pct),
            room_c,
            room_g_m3: density(room_c, room_pct),
        })
    }

    fn inside_pct(&self) -> f64 {
        relative_humidity_pct(
            self.inside_c,
            vapour_pressure_from_density_pa(self.inside_c, self.inside_g_m3),
        )
    }

    /// This air with the room of another moment and the same excess over it.
    fn with_room_of(&self, other: &Air) -> Air {
        Air {
            inside_c: self.inside_c + other.room_c - self.room_c,
            inside_g_m3: (self.inside_g_m3 + other.room_g_m3 - self.room_g_m3).max(0.0),
            ..*other
        }
    }

    /// This air as much warmer than its room as at another moment, with the same vapour.
    fn with_own_warmth_of(&self, other: &Air) -> Air {
        Air {
            inside_c: self.room_c + other.inside_c - other.room_c,
            ..*self
        }
    }
}

/// What is its own warmth's when it made this share or more (own choice).
const OWN_WARMTH_FRAC: f64 = 0.5;

fn density(t_c: f64, rh_pct: f64) -> f64 {
    vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct))
}

/// Shares of a change of humidity: 0 none, 1 all of it, above 1 where the rest worked against it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Made {
    pub(super) by_room: f64,
    /// By what the enclosure was warmer over its room than usual, or less so.
    pub(super) by_own_warmth: f64,
}

impl Made {
    pub(super) fn is_by_own_warmth(self) -> bool {
        self.by_own_warmth >= OWN_WARMTH_FRAC && self.by_own_warmth > self.by_room
    }
}

/// What made the change from the usual, over the hours of `day` that lie in `wanted`. `None` where the room or the usual is not known, or
/// little changed.
pub(super) fn made(context: &Context<'_>, day: Span, wanted: &[Span]) -> Option<Made> {
    let (mut all, mut by_room, mut by_own_warmth, mut hours) = (0.0, 0.0, 0.0, 0);
    let mut from_ms = context.zone.hour_start_ms(day.from_ms);
    while from_ms < day.until_ms {
        let hour = Span {
            from_ms,
            until_ms: from_ms + MS_PER_HOUR,
        };
        from_ms += MS_PER_HOUR;
        if !wanted.iter().any(|part| part.intersect(hour).is_some()) {
            continue;
        }
        let (Some(now), Some(usual)) = (Air::at(context, hour.from_ms), usual(context, hour.from_ms, day))
        else {
            continue;
        };
        all += now.inside_pct() - usual.inside_pct();
        by_room += usual.with_room_of(&now).inside_pct() - usual.inside_pct();
        by_own_warmth += usual.with_own_warmth_of(&now).inside_pct() - usual.inside_pct();
        hours += 1;
    }
    let enough = hours > 0 && (all / f64::from(hours)).abs() >= CHANGE_PCT_MIN;
    enough.then(|| Made {
        by_room: by_room / all,
        by_own_warmth: by_own_warmth / all,
    })
}

/// The middle air at the same local hour on the days before.
fn usual(context: &Context<'_>, at_ms: i64, day: Span) -> Option<Air> {
    let hour = hour_of(context.zone, at_ms);
    let past = Span {
        from_ms: context.record_from_ms(),
        until_ms: day.from_ms,
    };
    let airs: Vec<Air> = context
        .zone
        .dates(past)
        .into_iter()
        .rev()
        .take(DAYS)
        .filter_map(|date| {
            let local = date.and_hms_opt(u32::try_from(hour).ok()?, 0, 0)?;
            Air::at(context, context.zone.instant_ms(local))
        })
        .collect();
    if airs.len() < COUNT_MIN {
        return None;
    }
    let middle = |of: fn(&Air) -> f64| median(&airs.iter().map(of).collect::<Vec<_>>());
    Some(Air {
        inside_c: middle(|a| a.inside_c)?,
        inside_g_m3: middle(|a| a.inside_g_m3)?,
        room_c: middle(|a| a.room_c)?,
        room_g_m3: middle(|a| a.room_g_m3)?,
    })
}

/// The share in words, to follow a sentence; empty where it is not known.
pub(super) fn words(made: Option<Made>, beyond: Beyond) -> String {
    let part = match made.map(|made| (made.is_by_own_warmth(), made.by_room)) {
        None => return String::new(),
        Some((true, _)) => match beyond {
            Beyond::Below => "It was warmer over its room than usual, and by that the air was drier.",
            Beyond::Above => "It was cooler over its room than usual, and by that the air was damper.",
        }
        .to_owned(),
        Some((_, share)) if share < 0.15 => "The room's air had next to no part in it.".to_owned(),
        Some((_, share)) if share > 0.85 => "The room's air alone made it so.".to_owned(),
        Some((_, share)) => format!(
            "About {:.0} % of the change came from the room's air.",
            share * 100.0
        ),
    };
    format!(" {part}")
}

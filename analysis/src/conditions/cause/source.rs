//! What the heaters or the lamps of an enclosure did around the hours in question.

use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::device::{hours_within, union};
use super::super::heater;
use super::super::usual::Usual;
use super::{ON_MORE_FRAC, STUCK_FRAC_MIN};

/// What the devices of one kind did.
pub(super) struct Source {
    pub(super) present: bool,
    /// Share of the time on, where states are known.
    pub(super) on_frac: Option<f64>,
    pub(super) usual_on_frac: Option<f64>,
    /// Share of the time on beyond the set-point (heaters).
    pub(super) stuck_frac: f64,
    pub(super) on: Vec<Span>,
}

impl Source {
    pub(super) fn of(context: &Context<'_>, kind: DeviceKind, window: Span, usual: Option<&Usual>) -> Source {
        let mut source = Source {
            present: false,
            on_frac: None,
            usual_on_frac: None,
            stuck_frac: 0.0,
            on: Vec::new(),
        };
        for device in context.enclosure.devices_of(kind) {
            source.present = true;
            let Some(states) = context.states(device) else {
                continue;
            };
            if kind == DeviceKind::Heater {
                let beyond = heater::beyond_setpoint(context, device, &states, window);
                source.stuck_frac = source
                    .stuck_frac
                    .max(hours_within(&beyond, window) / window.hours());
            }
            let on_frac = states.on_frac(window);
            if on_frac > source.on_frac {
                source.on_frac = on_frac;
                source.usual_on_frac = usual.and_then(|usual| usual.on_frac(&states, window));
            }
            source.on.extend(states.on_within(window_of_two_days(window)));
        }
        source.on = union(std::mem::take(&mut source.on));
        source
    }

    pub(super) fn more_than_usual(&self) -> bool {
        self.on_frac
            .zip(self.usual_on_frac)
            .is_some_and(|(now, usual)| now - usual >= ON_MORE_FRAC)
    }

    /// Known to have been no more on than usual.
    pub(super) fn as_usual(&self) -> bool {
        !self.present
            || self.on_frac.is_some_and(|now| {
                self.stuck_frac < STUCK_FRAC_MIN
                    && self.usual_on_frac.is_none_or(|usual| now - usual < ON_MORE_FRAC)
            })
    }
}

fn window_of_two_days(window: Span) -> Span {
    Span {
        from_ms: window.from_ms - 24 * MS_PER_HOUR,
        until_ms: window.until_ms,
    }
}

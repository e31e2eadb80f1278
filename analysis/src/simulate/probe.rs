//! How one sensor follows the air at its place and what it says.

use rand::Rng;
use rand::rngs::StdRng;

use super::enclosure::{State, decay};
use super::fault::{Effect, FaultSpec, GAIN_PIVOT_PCT};
use super::room::Air;
use super::sensor::{Position, SensorSpec, Traits};
use super::stream::{Wander, between, normal};
use super::vapour::saturation_g_m3;

/// Wander is stepped this often.
const WANDER_STEP_S: f64 = 60.0;
const SLOW_TAU_S: f64 = 2.0 * 86_400.0;
const FAST_TAU_S: f64 = 1.5 * 3600.0;
/// Air this moist for this long puts water on an element.
const WETTING_S: f64 = 600.0;

/// When water comes onto an element, and how long it stays.
#[derive(Clone, Copy)]
struct Holding {
    wetting_pct: f64,
    /// Water starts to leave below this, and is gone after this long.
    drying_pct: f64,
    holds_s: f64,
}

impl Holding {
    /// Clean: near saturation only.
    fn clean(holds_s: f64) -> Holding {
        Holding {
            wetting_pct: 99.0,
            drying_pct: 96.0,
            holds_s,
        }
    }

    /// With dirt on it that draws water, as salts do from some way below saturation on.
    fn dirty(holds_s: f64) -> Holding {
        Holding {
            wetting_pct: 90.0,
            drying_pct: 88.0,
            holds_s,
        }
    }
}

/// True air at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Local {
    pub(super) t_c: f64,
    pub(super) rh_pct: f64,
}

impl Local {
    /// The room's air.
    pub(super) fn of_room(air: Air) -> Local {
        Local {
            t_c: air.t_c,
            rh_pct: (100.0 * air.w_g_m3 / saturation_g_m3(air.t_c)).min(100.0),
        }
    }

    /// The enclosure's air at a position.
    pub(super) fn inside(state: &State, position: &Position, lamp_frac: f64, day: bool) -> Local {
        let t_c = state.t_cool_c
            + position.warm_frac * (state.t_warm_c - state.t_cool_c)
            + position.offset_k
            + position.lamp_k * lamp_frac;
        let mean_pct = (100.0 * state.w_g_m3 / saturation_g_m3(t_c)).min(100.0);
        let wet_frac = if day {
            0.5 * position.wet_frac
        } else {
            position.wet_frac
        };
        Local {
            t_c,
            rh_pct: mean_pct + wet_frac * (100.0 - mean_pct),
        }
    }

    /// What a probe feels that is warmer than the air by this much, K: the vapour is the same.
    fn warmed(self, k: f64) -> Local {
        let t_c = self.t_c + k;
        Local {
            t_c,
            rh_pct: self.rh_pct * saturation_g_m3(self.t_c) / saturation_g_m3(t_c),
        }
    }

    /// A share of the way to the room's air, in temperature and vapour.
    fn toward(self, air: Air, frac: f64) -> Local {
        let w = self.rh_pct / 100.0 * saturation_g_m3(self.t_c);
        let t_c = self.t_c + frac * (air.t_c - self.t_c);
        let rh_pct = 100.0 * (w + frac * (air.w_g_m3 - w)) / saturation_g_m3(t_c);
        Local {
            t_c,
            rh_pct: rh_pct.min(100.0),
        }
    }
}

/// One sample as the device makes it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    pub(super) t_c: f64,
    pub(super) rh_pct: f64,
}

/// A sensor at work.
pub(super) struct Probe<'a> {
    pub(super) spec: &'a SensorSpec,
    pub(super) position: Position,
    pub(super) traits: Traits,
    pub(super) faults: Vec<&'a FaultSpec>,
    rng: StdRng,
    slow: Wander,
    fast: Wander,
    since_wander_s: f64,
    t_c: f64,
    rh_pct: f64,
    played_pct: f64,
    wet: bool,
    wetting_s: f64,
    drying_s: f64,
    held: Option<Sample>,
    pub(super) next_ms: f64,
    pub(super) quiet_until_ms: f64,
    /// The air really at the device.
    pub(super) local: Local,
}

impl<'a> Probe<'a> {
    pub(super) fn new(
        spec: &'a SensorSpec,
        faults: Vec<&'a FaultSpec>,
        mut rng: StdRng,
        from_ms: i64,
        local: Local,
    ) -> Probe<'a> {
        let traits = spec.traits.clone();
        let slow = Wander::new(traits.slow_sd_pct, SLOW_TAU_S, WANDER_STEP_S, &mut rng);
        let fast = Wander::new(traits.fast_sd_pct, FAST_TAU_S, WANDER_STEP_S, &mut rng);
        let next_ms = from_ms as f64 + 1000.0 * between(&mut rng, 0.0, spec.sampling.interval_s);
        Probe {
            spec,
            position: spec.position,
            traits,
            faults,
            rng,
            slow,
            fast,
            since_wander_s: 0.0,
            t_c: local.t_c,
            rh_pct: local.rh_pct,
            played_pct: local.rh_pct,
            wet: false,
            wetting_s: 0.0,
            drying_s: 0.0,
            held: None,
            next_ms,
            quiet_until_ms: f64::MIN,
            local,
        }
    }

    /// A new device of the same class in its place: other fixed errors, no fault from before `at_ms`.
    pub(super) fn replace(&mut self, at_ms: i64) {
        self.traits = Traits::draw(&mut self.rng, self.spec.accuracy_pct, self.spec.accuracy_k);
        self.faults.retain(|f| f.from_ms >= at_ms);
        self.held = None;
    }

    /// Follows the air at its place for one step; `lamp_frac` is how bright the lamp shines.
    pub(super) fn follow(&mut self, local: Local, room: Air, lamp_frac: f64, at_ms: i64, dt_s: f64) {
        self.local = local;
        let mut felt = local;
        let mut lag_humidity_s = self.traits.lag_humidity_s;
        let mut holding = self.traits.water_holds_s.map(Holding::clean);
        for fault in self.faults.iter().filter(|fault| fault.holds(at_ms)) {
            match fault.effect {
                Effect::Dislodged { toward_room_frac } => felt = felt.toward(room, toward_room_frac),
                Effect::LampOnProbe { k } => felt = felt.warmed(k * lamp_frac),
                Effect::SlowResponse { lag_min } => lag_humidity_s = 60.0 * lag_min,
                Effect::WetElement { holds_h } => holding = Some(Holding::dirty(3600.0 * holds_h)),
                _ => {}
            }
        }
        self.t_c = felt.t_c + (self.t_c - felt.t_c) * decay(dt_s / self.traits.lag_temperature_s);
        self.rh_pct = felt.rh_pct + (self.rh_pct - felt.rh_pct) * decay(dt_s / lag_humidity_s);
        let half_pct = self.traits.hysteresis_pct / 2.0;
        self.played_pct = self
            .played_pct
            .clamp(self.rh_pct - half_pct, self.rh_pct + half_pct);
        match holding {
            Some(holding) => self.soak(felt.rh_pct, holding, dt_s),
            None => self.wet = false,
        }
        self.since_wander_s += dt_s;
        if self.since_wander_s >= WANDER_STEP_S {
            self.since_wander_s -= WANDER_STEP_S;
            self.slow.step(&mut self.rng);
            self.fast.step(&mut self.rng);
        }
    }

    fn soak(&mut self, rh_pct: f64, holding: Holding, dt_s: f64) {
        if rh_pct >= holding.wetting_pct {
            self.wetting_s += dt_s;
            self.drying_s = 0.0;
            self.wet |= self.wetting_s > WETTING_S;
        } else {
            self.wetting_s = 0.0;
            if rh_pct < holding.drying_pct {
                self.drying_s += dt_s;
                self.wet &= self.drying_s < holding.holds_s;
            }
        }
    }

    /// What the device has in itself: all but white noise and rounding. A controller acts on this.
    pub(super) fn indicated(&mut self, at_ms: i64) -> Sample {
        let traits = &self.traits;
        let mut rh_pct = if self.wet { traits.top_pct } else { self.played_pct };
        let mut t_c = self.t_c + traits.offset_k;
        rh_pct += traits.offset_pct
            + traits.gain_error_frac * (rh_pct - 50.0)
            + traits.temperature_coefficient_pct_per_k * (self.t_c - 25.0)
            + self.slow.value
            + self.fast.value;
        let mut stuck = None;
        for fault in &self.faults {
            if !fault.holds(at_ms) {
                continue;
            }
            match fault.effect {
                Effect::HumidityDrift { pct_per_30d } => rh_pct += pct_per_30d * fault.age_d(at_ms) / 30.0,
                Effect::HumidityStep { pct } => rh_pct += pct,
                Effect::GainLoss { lost_frac, over_d } => {
                    let lost = lost_frac * (fault.age_d(at_ms) / over_d.max(1e-6)).min(1.0);
                    rh_pct -= lost * (rh_pct - GAIN_PIVOT_PCT).max(0.0);
                }
                Effect::TemperatureBias { k } => t_c += k,
                Effect::Pinned => rh_pct = 200.0,
                Effect::Stuck { temperature_too } => stuck = Some(temperature_too),
                _ => {}
            }
        }
        let mut sample = Sample {
            t_c,
            rh_pct: rh_pct.clamp(0.0, self.traits.top_pct),
        };
        match stuck {
            Some(temperature_too) => {
                let held = *self.held.get_or_insert(sample);
                sample.rh_pct = held.rh_pct;
                if temperature_too {
                    sample.t_c = held.t_c;
                }
            }
            None => self.held = None,
        }
        sample
    }

    /// The systematic part of the humidity error now: everything fixed or drifting, without lag, wander and noise.
    pub(super) fn systematic_pct(&self, at_ms: i64) -> f64 {
        let rh_pct = self.local.rh_pct;
        let mut bias = self.traits.offset_pct
            + self.traits.gain_error_frac * (rh_pct - 50.0)
            + self.traits.temperature_coefficient_pct_per_k * (self.local.t_c - 25.0);
        for fault in self.faults.iter().filter(|f| f.holds(at_ms)) {
            match fault.effect {
                Effect::HumidityDrift { pct_per_30d } => bias += pct_per_30d * fault.age_d(at_ms) / 30.0,
                Effect::HumidityStep { pct } => bias += pct,
                Effect::GainLoss { lost_frac, over_d } => {
                    let lost = lost_frac * (fault.age_d(at_ms) / over_d.max(1e-6)).min(1.0);
                    bias -= lost * (rh_pct - GAIN_PIVOT_PCT).max(0.0);
                }
                _ => {}
            }
        }
        bias
    }

    /// The sample due at or before `at_ms`, if one is due and heard; the next one is then planned.
    pub(super) fn due(&mut self, until_ms: i64) -> Option<(i64, Sample)> {
        if self.next_ms >= until_ms as f64 {
            return None;
        }
        let at_ms = self.next_ms as i64;
        let sampling = self.spec.sampling;
        let interval_s =
            (sampling.interval_s + sampling.jitter_s * normal(&mut self.rng)).max(0.2 * sampling.interval_s);
        self.next_ms += 1000.0 * interval_s;
        let mut sample = self.indicated(at_ms);
        // Draws happen whether or not the sample is heard, so that a fault does not shift later noise.
        let white_pct = self.traits.white_sd_pct * normal(&mut self.rng);
        let white_k = self.traits.white_sd_k * normal(&mut self.rng);
        let lost = self.rng.random::<f64>() < sampling.dropout_frac;
        if self.rng.random::<f64>() < sampling.gaps_per_day * interval_s / 86_400.0 {
            self.quiet_until_ms = at_ms as f64 + 60_000.0 * between(&mut self.rng, 10.0, 60.0);
        }
        let (chance, size) = (self.rng.random::<f64>(), between(&mut self.rng, 15.0, 45.0));
        let mut heard = !lost && at_ms as f64 >= self.quiet_until_ms;
        let mut noisy = true;
        let mut spike_pct = 0.0;
        for fault in self.faults.iter().filter(|f| f.holds(at_ms)) {
            match fault.effect {
                Effect::Silent => heard = false,
                Effect::FadingBattery { half_d } => {
                    let kept = 0.5_f64.powf(fault.age_d(at_ms) / half_d);
                    heard &= chance < if kept < 0.06 { 0.0 } else { kept };
                }
                Effect::Spikes { per_day } if chance < per_day * interval_s / 86_400.0 => {
                    spike_pct = if self.local.rh_pct > 50.0 { -size } else { size };
                }
                Effect::Stuck { temperature_too } => {
                    noisy = false;
                    if !temperature_too {
                        sample.t_c += white_k;
                    }
                }
                Effect::Pinned => {
                    noisy = false;
                    sample.t_c += white_k;
                }
                _ => {}
            }
        }
        if noisy {
            sample.t_c += white_k;
            sample.rh_pct += white_pct + spike_pct;
        }
        sample.rh_pct = tenth(sample.rh_pct.clamp(0.0, self.traits.top_pct));
        sample.t_c = tenth(sample.t_c);
        heard.then_some((at_ms, sample))
    }

    /// Where it hangs.
    pub(super) fn position_at(&self, at_ms: i64) -> Position {
        let moved = self.faults.iter().rev().filter(|fault| fault.holds(at_ms));
        let to = moved.filter_map(|fault| match fault.effect {
            Effect::Relocated { to } => Some(to),
            _ => None,
        });
        to.into_iter().next().unwrap_or(self.position)
    }

    /// What the device's clock says at `at_ms`, in whole seconds as ms.
    pub(super) fn clock_ms(&self, at_ms: i64) -> i64 {
        let mut clock_ms = at_ms;
        for fault in self.faults.iter().filter(|f| f.holds(at_ms)) {
            match fault.effect {
                Effect::ClockOffset { s } => clock_ms += (s * 1000.0) as i64,
                Effect::ClockDrift { s_per_day } => {
                    clock_ms += (s_per_day * 1000.0 * fault.age_d(at_ms)) as i64
                }
                Effect::ClockReset => clock_ms = at_ms - fault.from_ms,
                _ => {}
            }
        }
        clock_ms.div_euclid(1000) * 1000
    }

    /// Time between sample and arrival, ms.
    pub(super) fn latency_ms(&mut self) -> i64 {
        between(&mut self.rng, 60.0, 900.0) as i64
    }
}

/// To the nearest 0.1, exactly as the decimal text would be read.
pub(super) fn tenth(value: f64) -> f64 {
    let rounded = (value * 10.0).round() / 10.0;
    if rounded == 0.0 { 0.0 } else { rounded }
}

//! Sums over the true air of one enclosure, step by step, into days and nights.

use super::calendar::{Day, MS_PER_H};
use super::enclosure::{EnclosureSpec, Limits};
use super::fault::{Effect, FaultSpec};
use super::probe::Local;
use super::truth::{AFTERMATH_MS, At, DayTruth, NEAR_SATURATION_PCT, NightTruth, PlaceDay};

const S_PER_H: f64 = 3600.0;

#[derive(Debug, Clone)]
struct PlaceSums {
    over_k_s: f64,
    over_s: f64,
    peak_c: f64,
    under_k_s: f64,
    under_s: f64,
    lowest_c: f64,
    t_s: f64,
    rh_s: f64,
    below_s: f64,
    above_s: f64,
}

impl PlaceSums {
    const EMPTY: PlaceSums = PlaceSums {
        over_k_s: 0.0,
        over_s: 0.0,
        peak_c: f64::MIN,
        under_k_s: 0.0,
        under_s: 0.0,
        lowest_c: f64::MAX,
        t_s: 0.0,
        rh_s: 0.0,
        below_s: 0.0,
        above_s: 0.0,
    };

    fn add(&mut self, air: Local, limits: &Limits, dt_s: f64) {
        let over_k = air.t_c - limits.max_c;
        if over_k > 0.0 {
            self.over_k_s += over_k * dt_s;
            self.over_s += dt_s;
        }
        let under_k = limits.min_c - air.t_c;
        if under_k > 0.0 {
            self.under_k_s += under_k * dt_s;
            self.under_s += dt_s;
        }
        self.peak_c = self.peak_c.max(air.t_c);
        self.lowest_c = self.lowest_c.min(air.t_c);
        self.t_s += air.t_c * dt_s;
        self.rh_s += air.rh_pct * dt_s;
        self.below_s += if air.rh_pct < limits.humidity_pct.0 {
            dt_s
        } else {
            0.0
        };
        self.above_s += if air.rh_pct > limits.humidity_pct.1 {
            dt_s
        } else {
            0.0
        };
    }
}

#[derive(Debug, Clone, Default)]
struct DaySums {
    s: f64,
    no_refuge_s: f64,
    no_refuge_k_s: f64,
    all_cold_k_s: f64,
    rh_s: f64,
    below_s: f64,
    above_s: f64,
    wet_s: f64,
    wet_s_max: f64,
    lamp_s: f64,
    light_s: f64,
    light_t_s: f64,
    light_rh_s: f64,
}

#[derive(Debug, Clone)]
struct NightSums {
    from_ms: i64,
    s: f64,
    t_s: f64,
    lowest_c: f64,
    highest_c: f64,
    below_s: f64,
    above_s: f64,
}

/// What one step showed.
pub(super) struct Moment<'a> {
    pub(super) at_ms: i64,
    pub(super) dt_s: f64,
    pub(super) places: &'a [Local],
    pub(super) lamp_frac: f64,
}

/// Adds up one enclosure's days.
pub(super) struct Tally<'a> {
    spec: &'a EnclosureSpec,
    names: Vec<String>,
    days: &'a [Day],
    index: usize,
    sums: DaySums,
    places: Vec<PlaceSums>,
    night: Option<(usize, NightSums)>,
    out: Vec<DayTruth>,
}

impl<'a> Tally<'a> {
    /// `days` join without gap; `names` are the sensors whose places count.
    pub(super) fn new(spec: &'a EnclosureSpec, names: Vec<String>, days: &'a [Day]) -> Tally<'a> {
        let places = vec![PlaceSums::EMPTY; names.len()];
        Tally {
            spec,
            names,
            days,
            index: 0,
            sums: DaySums::default(),
            places,
            night: None,
            out: Vec::new(),
        }
    }

    pub(super) fn add(&mut self, moment: &Moment<'_>) {
        while self.index < self.days.len() && moment.at_ms >= self.days[self.index].until_ms {
            self.close_day();
        }
        let Some(day) = self.days.get(self.index).copied() else {
            return;
        };
        if moment.at_ms < day.from_ms || moment.places.is_empty() {
            return;
        }
        let (limits, dt_s, n) = (&self.spec.limits, moment.dt_s, moment.places.len() as f64);
        let (mut t_c, mut rh_pct, mut coolest_c, mut warmest_c) = (0.0, 0.0, f64::MAX, f64::MIN);
        for (sums, &air) in self.places.iter_mut().zip(moment.places) {
            sums.add(air, limits, dt_s);
            t_c += air.t_c / n;
            rh_pct += air.rh_pct / n;
            coolest_c = coolest_c.min(air.t_c);
            warmest_c = warmest_c.max(air.t_c);
        }
        let sums = &mut self.sums;
        sums.s += dt_s;
        sums.no_refuge_s += if coolest_c > limits.max_c { dt_s } else { 0.0 };
        sums.no_refuge_k_s += (coolest_c - limits.max_c).max(0.0) * dt_s;
        sums.all_cold_k_s += (limits.min_c - warmest_c).max(0.0) * dt_s;
        sums.rh_s += rh_pct * dt_s;
        sums.below_s += if rh_pct < limits.humidity_pct.0 { dt_s } else { 0.0 };
        sums.above_s += if rh_pct > limits.humidity_pct.1 { dt_s } else { 0.0 };
        sums.wet_s = if rh_pct >= NEAR_SATURATION_PCT {
            sums.wet_s + dt_s
        } else {
            0.0
        };
        sums.wet_s_max = sums.wet_s_max.max(sums.wet_s);
        sums.lamp_s += moment.lamp_frac.min(1.0) * dt_s;
        if (day.light_from_ms..day.light_until_ms).contains(&moment.at_ms) {
            sums.light_s += dt_s;
            sums.light_t_s += t_c * dt_s;
            sums.light_rh_s += rh_pct * dt_s;
            self.close_night(moment.at_ms);
        } else if moment.at_ms >= day.light_until_ms {
            let index = self.index;
            let (_, night) = self.night.get_or_insert((
                index,
                NightSums {
                    from_ms: moment.at_ms,
                    s: 0.0,
                    t_s: 0.0,
                    lowest_c: f64::MAX,
                    highest_c: f64::MIN,
                    below_s: 0.0,
                    above_s: 0.0,
                },
            ));
            night.add(t_c, limits, dt_s);
        } else if let Some((_, night)) = &mut self.night {
            night.add(t_c, limits, dt_s);
        }
    }

    fn close_day(&mut self) {
        let day = self.days[self.index];
        let sums = std::mem::take(&mut self.sums);
        let h = |s: f64| s / S_PER_H;
        let mean = |sum: f64, s: f64| if s > 0.0 { sum / s } else { 0.0 };
        let places: Vec<PlaceDay> = self
            .names
            .iter()
            .zip(&self.places)
            .map(|(sensor, p)| PlaceDay {
                sensor: sensor.clone(),
                over_degree_hours: h(p.over_k_s),
                over_min: p.over_s / 60.0,
                peak_c: p.peak_c,
                under_degree_hours: h(p.under_k_s),
                lowest_c: p.lowest_c,
                mean_c: mean(p.t_s, sums.s),
                humidity_mean_pct: mean(p.rh_s, sums.s),
                below_band_h: h(p.below_s),
                above_band_h: h(p.above_s),
            })
            .collect();
        let most = |value: fn(&PlaceSums) -> f64| self.places.iter().map(value).fold(f64::MIN, f64::max);
        self.out.push(DayTruth {
            enclosure: self.spec.id.clone(),
            date: day.date,
            from: At(day.from_ms),
            until: At(day.until_ms),
            over_degree_hours: h(most(|p| p.over_k_s)),
            over_min: most(|p| p.over_s) / 60.0,
            peak_c: most(|p| p.peak_c),
            under_degree_hours: h(most(|p| p.under_k_s)),
            under_min: most(|p| p.under_s) / 60.0,
            lowest_c: self.places.iter().map(|p| p.lowest_c).fold(f64::MAX, f64::min),
            no_refuge_min: sums.no_refuge_s / 60.0,
            over_at_coolest_degree_hours: h(sums.no_refuge_k_s),
            under_at_warmest_degree_hours: h(sums.all_cold_k_s),
            humidity_mean_pct: mean(sums.rh_s, sums.s),
            humidity_lit_pct: mean(sums.light_rh_s, sums.light_s),
            humidity_dark_pct: mean(sums.rh_s - sums.light_rh_s, sums.s - sums.light_s),
            below_band_h: h(sums.below_s),
            above_band_h: h(sums.above_s),
            wet_run_h: h(sums.wet_s_max),
            light_h: h(sums.lamp_s),
            light_asked_h: (day.light_until_ms - day.light_from_ms) as f64 / MS_PER_H as f64,
            day_mean_c: mean(sums.light_t_s, sums.light_s),
            setpoint_miss_pct: None,
            faults: Vec::new(),
            over_cause: None,
            night: None,
            places,
        });
        self.places.fill(PlaceSums::EMPTY);
        // A wet spell goes on over midnight.
        self.sums.wet_s = sums.wet_s;
        self.index += 1;
    }

    fn close_night(&mut self, at_ms: i64) {
        let Some((index, night)) = self.night.take() else {
            return;
        };
        let Some(day) = self.out.get_mut(index) else {
            return;
        };
        let limits = &self.spec.limits.night_c;
        let mean_c = night.t_s / night.s;
        day.night = Some(NightTruth {
            from: At(night.from_ms),
            until: At(at_ms),
            mean_c,
            lowest_c: night.lowest_c,
            highest_c: night.highest_c,
            below_h: night.below_s / S_PER_H,
            above_h: night.above_s / S_PER_H,
            excess_k: (mean_c - limits.1).max(0.0) + (mean_c - limits.0).min(0.0),
            drop_k: day.day_mean_c - mean_c,
        });
    }

    /// The days, with the faults that held in each and the set-point's miss.
    pub(super) fn finish(
        mut self,
        until_ms: i64,
        faults: &[FaultSpec],
        set_pct: Option<f64>,
    ) -> Vec<DayTruth> {
        while self.index < self.days.len() && self.days[self.index].until_ms <= until_ms {
            self.close_day();
        }
        let enclosure = &self.spec.id;
        for day in &mut self.out {
            let end_ms = day.night.as_ref().map_or(day.until.0, |night| night.until.0);
            let here =
                |f: &&FaultSpec| f.enclosure == *enclosure || f.enclosure == mosswarden_config::table::ROOM;
            let overlaps = |f: &FaultSpec, from: i64, until: i64| {
                f.from_ms < until && f.until_ms.is_none_or(|end| end > from)
            };
            day.faults = faults
                .iter()
                .filter(here)
                .filter(|f| overlaps(f, day.from.0, end_ms))
                .map(|f| f.effect.meaning().fault.to_owned())
                .collect();
            let hot = faults
                .iter()
                .filter(here)
                .filter(|f| overlaps(f, day.from.0 - AFTERMATH_MS, day.until.0));
            // A source inside the enclosure that is wrong is named before the room.
            day.over_cause = hot
                .filter_map(|f| {
                    f.effect
                        .meaning()
                        .cause
                        .map(|cause| (matches!(f.effect, Effect::RoomHeat { .. }), cause))
                })
                .min_by_key(|&(room, _)| room)
                .map(|(_, cause)| cause.to_owned())
                .filter(|_| day.over_degree_hours > 0.0);
            day.setpoint_miss_pct = set_pct.map(|set| day.humidity_mean_pct - set);
        }
        self.out
    }
}

impl NightSums {
    fn add(&mut self, t_c: f64, limits: &Limits, dt_s: f64) {
        self.s += dt_s;
        self.t_s += t_c * dt_s;
        self.lowest_c = self.lowest_c.min(t_c);
        self.highest_c = self.highest_c.max(t_c);
        self.below_s += if t_c < limits.night_c.0 { dt_s } else { 0.0 };
        self.above_s += if t_c > limits.night_c.1 { dt_s } else { 0.0 };
    }
}

//! The readings of a test on common cells, and which of them are quiet enough to be compared.

use mosswarden_config::site::Accuracy;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::Refusal;
use crate::series::View;
use crate::statistics::autocorrelation::effective_count;
use crate::statistics::distribution::student_quantile;
use crate::statistics::least_squares::linear_autoregressive_fitted;

/// One sensor in a test.
#[derive(Debug, Clone, Copy)]
pub struct Probe<'a> {
    pub id: &'a str,
    pub accuracy: Accuracy,
    pub humidity: View<'a>,
    /// Its own temperature.
    pub temperature: View<'a>,
    /// What it usually works at, %RH.
    pub working_pct: f64,
}

/// Readings are averaged over cells of ten minutes: longer than most sensors' interval.
pub(super) const CELL_MS: i64 = 10 * 60_000;
pub(super) const CELLS_PER_HOUR: f64 = (MS_PER_HOUR / CELL_MS) as f64;
/// A run is compared only where the temperature moves slower than this, K/h: a case follows with a delay of minutes (own choice).
pub(super) const QUIET_K_PER_H: f64 = 0.5;
/// At least this much of a run must be quiet, h.
pub(super) const QUIET_HOURS_MIN: f64 = 2.0;
/// A sensor reads nothing here, %RH.
const TOP_PCT: f64 = 98.5;
/// Share of a run at the top from which on it is refused.
const TOP_FRAC_MAX: f64 = 0.05;

/// A probe's means by cell; cells in which it gave no humidity or no temperature are left out.
#[derive(Debug, Clone, Default)]
pub(super) struct Track {
    /// Start of a cell over [`CELL_MS`], strictly rising.
    pub index: Vec<i64>,
    pub t_c: Vec<f64>,
    pub rh_pct: Vec<f64>,
}

impl Track {
    pub(super) fn of(probe: &Probe<'_>, span: Span) -> Result<Track, Refusal> {
        let (humidity, temperature) = (means(probe.humidity, span), means(probe.temperature, span));
        let mut track = Track::default();
        for (index, rh_pct) in humidity {
            if let Ok(at) = temperature.binary_search_by_key(&index, |cell| cell.0) {
                track.index.push(index);
                track.rh_pct.push(rh_pct);
                track.t_c.push(temperature[at].1);
            }
        }
        let hours = track.index.len() as f64 / CELLS_PER_HOUR;
        if hours < QUIET_HOURS_MIN {
            return Err(Refusal::TooFew {
                sensor: probe.id.to_owned(),
                hours,
                needed: QUIET_HOURS_MIN,
            });
        }
        let top = track.rh_pct.iter().filter(|value| **value >= TOP_PCT).count() as f64;
        if top > TOP_FRAC_MAX * track.rh_pct.len() as f64 {
            return Err(Refusal::TopOfScale {
                sensor: probe.id.to_owned(),
            });
        }
        Ok(track)
    }

    pub(super) fn place(&self, index: i64) -> Option<usize> {
        self.index.binary_search(&index).ok()
    }

    /// Change of `values` about a cell, per hour: over one hour where both ends are known, else over the half that is.
    pub(super) fn rate_per_h(&self, values: &[f64], index: i64) -> Option<f64> {
        const HALF: i64 = MS_PER_HOUR / CELL_MS / 2;
        let value = |index: i64| self.place(index).map(|place| values[place]);
        match (value(index - HALF), value(index), value(index + HALF)) {
            (Some(before), _, Some(after)) => Some(after - before),
            (Some(before), Some(now), None) => Some(2.0 * (now - before)),
            (None, Some(now), Some(after)) => Some(2.0 * (after - now)),
            _ => None,
        }
    }

    pub(super) fn is_quiet(&self, index: i64) -> bool {
        self.rate_per_h(&self.t_c, index)
            .is_some_and(|rate| rate.abs() <= QUIET_K_PER_H)
    }
}

fn means(view: View<'_>, span: Span) -> Vec<(i64, f64)> {
    let inside = view.within(span);
    let mut cells: Vec<(i64, f64, f64)> = Vec::new();
    for (at, value) in inside.at_ms.iter().zip(inside.value) {
        let index = at.div_euclid(CELL_MS);
        match cells.last_mut() {
            Some(cell) if cell.0 == index => {
                cell.1 += value;
                cell.2 += 1.0;
            }
            _ => cells.push((index, *value, 1.0)),
        }
    }
    cells
        .into_iter()
        .map(|(index, sum, count)| (index, sum / count))
        .collect()
}

/// A fit with errors that depend on their neighbours.
pub(super) struct Fitted {
    pub coefficients: Vec<f64>,
    pub errors: Vec<f64>,
    /// Of the effective count of values, since neighbours repeat each other.
    pub dof: f64,
}

impl Fitted {
    /// `columns`: one for each coefficient; `index`: cells, strictly rising.
    pub(super) fn of(columns: &[&[f64]], index: &[i64], values: &[f64]) -> Result<Fitted, Refusal> {
        let times: Vec<f64> = index.iter().map(|index| *index as f64).collect();
        let found = linear_autoregressive_fitted(columns, &times, values)?;
        let effective = effective_count(values.len(), found.phi)?;
        Ok(Fitted {
            errors: (0..columns.len()).map(|i| found.fit.standard_error(i)).collect(),
            coefficients: found.fit.coefficients,
            dof: (effective - columns.len() as f64).max(DOF_MIN),
        })
    }

    /// Half-width of the 95 % interval of a coefficient from the scatter alone.
    pub(super) fn half_width(&self, coefficient: usize) -> f64 {
        student_quantile(0.975, self.dof) * self.errors[coefficient]
    }
}

/// Fewer degrees of freedom than this are not told apart: the interval is wide enough.
const DOF_MIN: f64 = 2.0;

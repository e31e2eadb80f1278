//! The two-sided cumulative-sum chart: a small lasting shift is found sooner than by any limit on single values.
//!
//! In: standardised, independent values (daily, whitened if need be: raw autocorrelated values raise ten times the false alarms).
//! Out: alarms, and how long the chart runs between false ones. Sources: [Page1954], [BrookEvans1972], [Montgomery] in `SOURCES.md`.

use super::distribution::{bisect, normal_density, normal_probability};

/// Nodes of the integral: enough for the run lengths of the reference tables to 3e-5.
const NODE_COUNT: usize = 64;

/// Widest limit that is looked for, in standard deviations.
const LIMIT_MAX: f64 = 30.0;

/// The design of a chart, in standard deviations of the values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Slack k: half of the shift that should be found soonest.
    pub allowance: f64,
    /// Decision limit h.
    pub limit: f64,
}

/// Which way the mean went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    Up,
    Down,
}

/// The chart went over its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alarm {
    /// Index of the value that raised it.
    pub index: usize,
    /// Index of the first value of the run-up: the usual estimate of where the shift began.
    pub onset_index: usize,
    pub direction: Direction,
}

/// A chart in use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CusumState {
    design: Cusum,
    /// Sum above and below zero, each with the index at which it last left zero.
    up: (f64, usize),
    down: (f64, usize),
    count: usize,
}

impl CusumState {
    /// A chart that has seen nothing.
    pub fn new(design: Cusum) -> CusumState {
        CusumState {
            design,
            up: (0.0, 0),
            down: (0.0, 0),
            count: 0,
        }
    }

    /// Adds one standardised value. After an alarm the chart goes on; call [`CusumState::new`] to start afresh.
    pub fn push(&mut self, z: f64) -> Option<Alarm> {
        let index = self.count;
        self.count += 1;
        let grow = |(sum, onset): (f64, usize), step: f64| {
            let next = (sum + step - self.design.allowance).max(0.0);
            (next, if sum > 0.0 { onset } else { index })
        };
        self.up = grow(self.up, z);
        self.down = grow(self.down, -z);
        let (side, direction) = if self.up.0 >= self.down.0 {
            (self.up, Direction::Up)
        } else {
            (self.down, Direction::Down)
        };
        (side.0 > self.design.limit).then_some(Alarm {
            index,
            onset_index: side.1,
            direction,
        })
    }

    /// The sums above and below zero, for a figure.
    pub fn sums(&self) -> (f64, f64) {
        (self.up.0, self.down.0)
    }
}

/// The first alarm of a chart over standardised values; values that are not finite are an error of the caller and raise none.
pub fn first_alarm(design: Cusum, values: &[f64]) -> Option<Alarm> {
    let mut state = CusumState::new(design);
    values.iter().find_map(|z| state.push(*z))
}

/// Average number of values until an alarm, for independent normal values whose mean is `shift` standard deviations off.
///
/// # Method
/// The integral equation of [Page1954] by Gauss–Legendre nodes; both sides combined by `1/ARL = 1/ARL⁺ + 1/ARL⁻`, exact for
/// `h ≥ 0` and `k ≥ 0` charts that start at zero (Van Dobben de Bruyn).
///
/// # Accuracy
/// 0.003 % against the computed column of the reference table: `tests::run_lengths_against_the_table`.
pub fn average_run_length(design: Cusum, shift: f64) -> f64 {
    1.0 / (1.0 / one_sided(design, shift) + 1.0 / one_sided(design, -shift))
}

/// The limit h with which a chart of the given allowance runs `run_length` values between false alarms on average.
///
/// # Returns
/// `None` when no limit below 30 does, or the run length is not above 1. Valid for independent values with a known mean; with a mean
/// from few values, false alarms come sooner.
pub fn limit_for_run_length(allowance: f64, run_length: f64) -> Option<f64> {
    let length = |limit: f64| average_run_length(Cusum { allowance, limit }, 0.0);
    if !(run_length > length(0.0) && run_length < length(LIMIT_MAX)) {
        return None;
    }
    Some(bisect(0.0, LIMIT_MAX, |limit| length(limit) < run_length))
}

/// Run length of the upper side alone; infinite where it exceeds what the digits can hold.
fn one_sided(design: Cusum, shift: f64) -> f64 {
    let Cusum {
        allowance: k,
        limit: h,
    } = design;
    let (nodes, weights) = gauss_legendre(h);
    // Unknowns: the run length from zero, then from each node.
    let starts: Vec<f64> = std::iter::once(0.0).chain(nodes.iter().copied()).collect();
    let mut rows: Vec<Vec<f64>> = starts
        .iter()
        .map(|u| {
            let mut row = vec![-normal_probability(k - u - shift)];
            row.extend(
                nodes
                    .iter()
                    .zip(&weights)
                    .map(|(x, w)| -w * normal_density(x + k - u - shift)),
            );
            row.push(1.0);
            row
        })
        .collect();
    for (i, row) in rows.iter_mut().enumerate() {
        row[i] += 1.0;
    }
    let length = eliminate(rows);
    if length.is_finite() && length >= 1.0 {
        length
    } else {
        f64::INFINITY
    }
}

/// First unknown of a linear system, the right-hand side in the last column; by elimination with pivots.
fn eliminate(mut rows: Vec<Vec<f64>>) -> f64 {
    let n = rows.len();
    for k in 0..n {
        let pivot = (k..n)
            .max_by(|a, b| rows[*a][k].abs().total_cmp(&rows[*b][k].abs()))
            .unwrap_or(k);
        rows.swap(k, pivot);
        let (above, below) = rows.split_at_mut(k + 1);
        let lead = &above[k];
        for row in below {
            let factor = row[k] / lead[k];
            for (value, top) in row[k..].iter_mut().zip(&lead[k..]) {
                *value -= factor * top;
            }
        }
    }
    let mut solution = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| rows[i][j] * solution[j]).sum();
        solution[i] = (rows[i][n] - known) / rows[i][i];
    }
    solution[0]
}

/// Nodes and weights on 0 to `length`, by Newton's method on the Legendre polynomial.
fn gauss_legendre(length: f64) -> (Vec<f64>, Vec<f64>) {
    const NEWTON_COUNT: usize = 20;
    let n = NODE_COUNT;
    (0..n)
        .map(|i| {
            let mut x = -((i as f64 + 0.75) / (n as f64 + 0.5) * std::f64::consts::PI).cos();
            let mut slope = 1.0;
            for _ in 0..NEWTON_COUNT {
                let (mut last, mut value) = (1.0, x);
                for j in 2..=n {
                    let degree = j as f64;
                    (last, value) = (
                        value,
                        ((2.0 * degree - 1.0) * x * value - (degree - 1.0) * last) / degree,
                    );
                }
                slope = n as f64 * (x * value - last) / (x * x - 1.0);
                x -= value / slope;
            }
            (0.5 * length * (x + 1.0), length / ((1.0 - x * x) * slope * slope))
        })
        .unzip()
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    use super::*;
    use crate::physics::reference_table::rows;
    use crate::statistics::reference::{list, number, robust};

    const RUN_LENGTHS: &str = include_str!("../../../tests/reference/control_chart_arl.csv");
    const DESIGNS: &str = include_str!("../../../tests/reference/cusum_design.csv");

    /// The design in a cell such as `k=0.5;h=4`.
    fn design(text: &str) -> Cusum {
        let (k, h) = text.split_once(';').expect("two parameters");
        let value = |part: &str| part[2..].parse().expect("a number");
        Cusum {
            allowance: value(k),
            limit: value(h),
        }
    }

    #[test]
    fn run_lengths_against_the_table() {
        let mut worst: f64 = 0.0;
        let mut count = 0;
        for row in rows(RUN_LENGTHS) {
            if row.text("chart") == "cusum_two_sided" {
                let computed =
                    average_run_length(design(row.text("parameters")), row.number("mean_shift_sigma"));
                let expected = row.number("computed_arl_integral_equation");
                worst = worst.max((computed / expected - 1.0).abs());
                // The published run lengths have three digits or fewer.
                assert!((computed / row.number("published_arl") - 1.0).abs() < 0.02);
                count += 1;
            }
        }
        println!("run length against the table: {worst:.1e} over {count} rows");
        assert_eq!(count, 26);
        assert!(worst < 3e-5);
    }

    #[test]
    fn limits_against_the_table_of_designs() {
        for row in rows(DESIGNS) {
            let (k, run_length) = (row.number("k"), row.number("arl0_two_sided"));
            let limit = limit_for_run_length(k, run_length).expect("a limit below 30");
            assert!(
                (limit - row.number("h")).abs() < 2e-4,
                "k {k}, {run_length}: {limit}"
            );
            for (shift, column) in [(1.0, "arl_shift_1"), (3.0, "arl_shift_3")] {
                let delay = average_run_length(Cusum { allowance: k, limit }, shift);
                assert!(
                    (delay / row.number(column) - 1.0).abs() < 2e-3,
                    "k {k}, shift {shift}: {delay}"
                );
            }
        }
        assert_eq!(limit_for_run_length(0.5, 1.0), None);
    }

    /// Mean run length of the chart itself over seeded runs, with its standard error. `phi`: lag-one correlation.
    fn simulated(design: Cusum, shift: f64, phi: f64, run_count: usize, seed: u64) -> (f64, f64) {
        const RUN_BOUND: usize = 6_000;
        let mut rng = StdRng::seed_from_u64(seed);
        let lengths: Vec<f64> = (0..run_count)
            .map(|_| {
                let mut state = CusumState::new(design);
                let mut level: f64 = rng.sample(StandardNormal);
                for count in 1..=RUN_BOUND {
                    if state.push(level + shift).is_some() {
                        return count as f64;
                    }
                    let innovation: f64 = rng.sample(StandardNormal);
                    level = phi * level + (1.0 - phi * phi).sqrt() * innovation;
                }
                RUN_BOUND as f64
            })
            .collect();
        let (mean, sd) = crate::statistics::robust::mean_and_standard_deviation(&lengths).expect("many runs");
        (mean, sd / (run_count as f64).sqrt())
    }

    #[test]
    fn the_chart_runs_as_long_as_published() {
        for row in rows(RUN_LENGTHS) {
            let shift = row.number("mean_shift_sigma");
            if row.text("chart") == "cusum_two_sided"
                && row.text("parameters") == "k=0.5;h=4"
                && [0.0, 0.5, 1.0, 2.0].contains(&shift)
            {
                let (mean, error) = simulated(design(row.text("parameters")), shift, 0.0, 2_000, 11);
                let expected = row.number("computed_arl_integral_equation");
                assert!(
                    (mean - expected).abs() < 4.0 * error,
                    "shift {shift}: {mean} ± {error}, {expected}"
                );
            }
        }
    }

    #[test]
    fn autocorrelated_values_raise_false_alarms_as_simulated_elsewhere() {
        for row in robust()["cusum_k0.5_h5_on_ar1"]["rows"].as_array().expect("rows") {
            let row = list(row);
            let (mean, error) = simulated(
                Cusum {
                    allowance: 0.5,
                    limit: 5.0,
                },
                row[1],
                row[0],
                800,
                12,
            );
            let allowed = 4.0 * error.hypot(row[3]);
            assert!(
                (mean - row[2]).abs() < allowed,
                "phi {}, shift {}: {mean}, {}",
                row[0],
                row[1],
                row[2]
            );
        }
    }

    #[test]
    fn the_largest_sum_of_a_step_starts_at_the_step() {
        let table = robust();
        let case = &table["change_points"][0];
        let y = list(&case["y"]);
        let (mean, sd) =
            crate::statistics::robust::mean_and_standard_deviation(&y[..20]).expect("a baseline");
        let z: Vec<f64> = y.iter().map(|value| (value - mean) / sd).collect();
        let alarm = first_alarm(
            Cusum {
                allowance: 1.0,
                limit: 5.0,
            },
            &z,
        )
        .expect("a step of two");
        assert_eq!(alarm.direction, Direction::Up);
        assert_eq!(
            alarm.onset_index,
            number(&case["max_abs_cusum_of_deviations_at"]) as usize
        );
        assert!(alarm.index < 24);
    }
}

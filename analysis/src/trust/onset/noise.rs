//! How much a daily figure moves by itself.

use crate::statistics::robust::robust_standard_deviation;

use crate::trust::daily::DayFigure;

/// How the noise of a quantity is tuned.
#[derive(Debug, Clone, Copy)]
pub(in crate::trust) struct Noise {
    /// Least standard deviation of a day's figure, whatever the record says: quantisation and placement.
    pub sd_min: f64,
    /// What is usual, and how many days of the record weigh as much as that.
    pub sd_usual: f64,
    pub usual_days: f64,
    /// Share of the variance that carries over from day to day, and how much of it does.
    pub carried_frac: f64,
    pub carried_phi: f64,
    /// Random walk, standard deviation per square root of a day.
    pub walk_per_sqrt_day: f64,
    /// Prior standard deviation of the sensitivity to level.
    pub gain_sd: f64,
    /// A drift or a step that has come less far than this is not worth a word.
    pub drift_min: f64,
    pub step_min: f64,
    /// Natural logarithm of the odds that a change needs.
    pub evidence_min: f64,
    /// Twice the gain in log-likelihood that a further change in the same history needs, and a jump that rests on a single day.
    pub further_gain_min: f64,
    /// Prior standard deviation of a drift's rate, per day, and of a step: what runs much faster is a mood of the weather more often
    /// than a fault.
    pub rate_sd_per_day: f64,
    pub step_sd: f64,
    /// Standard uncertainty of a stated bias that no noise of the days shows: hysteresis, and the levels that happened to be met.
    pub unseen_sd: f64,
}

impl Noise {
    /// The same with its random walk as the figures themselves show it: what the spread of differences over a week has more than that
    /// of a stationary noise; never below what is tuned.
    pub(in crate::trust) fn walking_as(self, figures: &[DayFigure]) -> Noise {
        const WEEK_D: f64 = 7.0;
        let over = |days: f64| {
            let differences: Vec<f64> = figures
                .iter()
                .flat_map(|a| figures.iter().map(move |b| (a, b)))
                .filter(|(a, b)| ((b.day - a.day) - days).abs() < 0.1)
                .map(|(a, b)| b.difference - a.difference)
                .collect();
            robust_standard_deviation(&differences)
        };
        let Some(week) = over(WEEK_D) else {
            return self;
        };
        let stationary =
            day_sd(figures, self).powi(2) * 2.0 * (1.0 - self.carried_frac * self.carried_phi.powf(WEEK_D));
        let walk = ((week * week - stationary).max(0.0) / WEEK_D).sqrt();
        Noise {
            walk_per_sqrt_day: walk.max(self.walk_per_sqrt_day),
            ..self
        }
    }
}

/// Standard deviation of a day's figure, from differences of neighbouring days and what is usual.
pub(super) fn day_sd(figures: &[DayFigure], noise: Noise) -> f64 {
    let steps: Vec<f64> = figures
        .windows(2)
        .filter(|pair| pair[1].day - pair[0].day < 1.5)
        .map(|pair| pair[1].difference - pair[0].difference)
        .collect();
    // var(step) = 2 · var · (white + carried · (1 − phi))
    let spread = 2.0 * ((1.0 - noise.carried_frac) + noise.carried_frac * (1.0 - noise.carried_phi));
    let seen = robust_standard_deviation(&steps).unwrap_or(0.0).powi(2) / spread;
    let days = steps.len() as f64;
    let weighed =
        (days * seen + noise.usual_days * noise.sd_usual.powi(2)) / (days + noise.usual_days).max(1.0);
    weighed.sqrt().max(noise.sd_min)
}

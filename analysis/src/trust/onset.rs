//! Did a daily difference begin to drift or jump, when, and how far has it come?
//!
//! In: one figure a day, with gaps. Out: a drift (a bent line) or a step with intervals, or nothing.
//!
//! Method: generalised least squares. The noise of a day is the sum of white noise, a first-order autoregressive part (weather
//! and placement carry over) and a slow random walk (a planted enclosure is never the same for months): its size comes
//! from the differences of neighbouring days, which a drift or a step hardly touches, held towards what is usual while few days are
//! known. Whether anything happened is the odds of all bends and steps of every day together, each with a prior on its size, against
//! "nothing happened" [KassRaftery1995]; it is believed when these odds pass [`Noise::evidence_min`] and it has come far enough to
//! matter. The likeliest one gives it its name and day. Sensitivity to the level (a gain error that was always there) is a nuisance
//! with a prior.
//!
//! Two sensors that part do not say which of them moved. What both show of the enclosure does ([`Shared`]): their mean follows the
//! room, the warmth and the water that is given, and a sensor that begins to read wrong takes it along by its share. Something that
//! happened to the air itself (a blocked vent, a door ajar) moves the mean alone: with that open, the mean says nothing.
//!
//! Sources: [Searle1992] for the model; thresholds and noise shape are our own, measured on simulated sites.

mod change;
mod fit;
mod noise;
mod whitening;

use mosswarden_config::zone::MS_PER_24_H;

use crate::statistics::cholesky::dot;
use crate::statistics::robust::median;

use super::daily::DayFigure;
pub(super) use change::{Change, Part, Shape};
use fit::{Fit, hull, with_unseen};
pub(super) use noise::Noise;
use noise::day_sd;
use whitening::{Basis, Whitener, without};

/// What all sensors of an enclosure show together, as a further witness of the change of one of them.
#[derive(Debug, Clone)]
pub(super) struct Shared {
    /// Mean of the sensors by day.
    pub figures: Vec<DayFigure>,
    /// How much of the change of one sensor the mean goes along with.
    pub share: f64,
    /// What the mean follows by nature.
    pub follows: Vec<Followed>,
    /// How the air may wander beyond that: the record itself says which is likely, and what it leaves open stays open.
    pub noises: &'static [Noise],
}

/// Something that figures follow, by figure, with the prior standard deviation of how much they do.
#[derive(Debug, Clone)]
pub(super) struct Followed {
    pub column: Vec<f64>,
    pub prior_sd: f64,
}

/// How often something happens to the air itself in the weeks that are looked at, as a probability (own choice; the odds hardly depend
/// on it).
const AIR_CHANGED_FRAC: f64 = 0.1;
/// Days before the onset that must be known, and after it.
const DAYS_BEFORE_MIN: usize = 7;
const DAYS_AFTER_MIN: usize = 2;
/// What is over before this long is an event, no fault.
const EXCURSION_MS_MIN: i64 = 2 * MS_PER_24_H;
/// Onsets whose gain lies this close to the best fit about as well (chi-square, one degree of freedom, 95 %).
const ONSET_SLACK: f64 = 3.84;

/// Bends and steps that one history may hold: a fault that came and went, and another.
const PARTS_MAX: usize = 4;
/// Figures came back when what is left is below this share of how far they had gone, or below this share of a step worth a word.
const BACK_FRAC: f64 = 0.3;
const BACK_STEP_FRAC: f64 = 0.8;

/// The change that the days show, if they show one. `breaks_day`: days at which a step is allowed without being a fault
/// (the sensor was moved).
pub(super) fn find(
    figures: &[DayFigure],
    noise: Noise,
    breaks_day: &[f64],
    shared: Option<&Shared>,
) -> Option<Change> {
    let count = figures.len();
    if count < DAYS_BEFORE_MIN + DAYS_AFTER_MIN {
        return None;
    }
    let search = Search::new(figures, noise, breaks_day)?;
    let weighed = search
        .weigh(shared, breaks_day)
        .filter(|weighed| weighed.evidence >= noise.evidence_min);
    let weighed = match (weighed, search.jump_of_last_day(weighed)) {
        (_, Some((best, gain))) if gain >= noise.further_gain_min => {
            let evidence = gain / 2.0;
            let other_by = weighed.and_then(|weighed| Some(weighed.of_other? - weighed.evidence));
            Weighed {
                best,
                evidence,
                of_other: other_by.map(|by| evidence + by),
            }
        }
        (Some(weighed), None) => weighed,
        _ => return None,
    };
    search.change(&search.with_further(weighed.best), &weighed)
}

/// The change that the days of a sensor show which nothing stands beside, beyond what they follow by nature, if they show one: the air may
/// have changed as well as the sensor. Over all noises that the air may have, each as likely as the days make it.
pub(super) fn find_alone(own: &Shared, breaks_day: &[f64]) -> Option<Change> {
    if own.figures.len() < DAYS_BEFORE_MIN + DAYS_AFTER_MIN {
        return None;
    }
    let of_noises: Vec<(Search<'_>, Weighed)> = own
        .noises
        .iter()
        .filter_map(|noise| {
            let search = Search::following(&own.figures, *noise, breaks_day, &own.follows)?;
            let weighed = search.weigh(None, breaks_day)?;
            Some((search, weighed))
        })
        .collect();
    let all = log_sum(of_noises.iter().map(|(search, _)| search.whitened.likelihood));
    let odds =
        |(search, weighed): &(Search<'_>, Weighed)| search.whitened.likelihood - all + weighed.evidence;
    let evidence = log_sum(of_noises.iter().map(odds));
    let (search, weighed) = of_noises.iter().max_by(|a, b| odds(a).total_cmp(&odds(b)))?;
    let weighed = Weighed { evidence, ..*weighed };
    (evidence >= search.noise.evidence_min)
        .then(|| search.change(&search.with_further(weighed.best), &weighed))
        .flatten()
}

/// Every bend and step that may have begun, whitened, with what is natural taken out.
struct Search<'f> {
    figures: &'f [DayFigure],
    noise: Noise,
    candidates: Vec<Part>,
    whitened: Whitened,
}

/// What the days say of all bends and steps together.
#[derive(Clone, Copy)]
struct Weighed {
    /// The likeliest one.
    best: usize,
    /// Natural logarithm of the odds of all of them against "nothing happened".
    evidence: f64,
    /// See [`Change::evidence_of_other`].
    of_other: Option<f64>,
}

/// Candidates and figures after what is natural is taken out, in units of the noise.
struct Whitened {
    /// By candidate.
    columns: Vec<Vec<f64>>,
    y: Vec<f64>,
    /// Natural logarithm of the restricted likelihood of the noise if nothing happened, but for a constant [Searle1992].
    likelihood: f64,
}

impl Whitened {
    fn new(
        figures: &[DayFigure],
        whitener: &Whitener,
        breaks_day: &[f64],
        candidates: &[Part],
    ) -> Option<Whitened> {
        let mut nuisance: Vec<Vec<f64>> = vec![vec![1.0; figures.len()]];
        for at in breaks_day {
            let column: Vec<f64> = figures
                .iter()
                .map(|f| if f.day >= *at { 1.0 } else { 0.0 })
                .collect();
            if column.contains(&1.0) && column.contains(&0.0) {
                nuisance.push(column);
            }
        }
        let basis = Basis::new(whitener, &nuisance);
        let columns = candidates
            .iter()
            .map(|part| basis.whitened(&figures.iter().map(|f| part.reach(f.at_ms)).collect::<Vec<_>>()))
            .collect();
        let values: Vec<f64> = figures.iter().map(|f| f.difference).collect();
        let centre = median(&values)?;
        let y = basis.whitened(&values.iter().map(|value| value - centre).collect::<Vec<_>>());
        Some(Whitened {
            columns,
            likelihood: -0.5 * dot(&y, &y) - whitener.log_size() - basis.log_size(),
            y,
        })
    }

    fn sums(&self) -> Vec<Sums> {
        self.columns
            .iter()
            .map(|column| Sums {
                xx: dot(column, column),
                xy: dot(column, &self.y),
            })
            .collect()
    }
}

/// What whitened figures say of one candidate's size.
#[derive(Clone, Copy)]
struct Sums {
    xx: f64,
    xy: f64,
}

impl Sums {
    /// Likeliest size, given the prior's standard deviation.
    fn size(self, prior_sd: f64) -> f64 {
        self.xy / (self.xx + prior_sd.powi(-2))
    }

    /// Natural logarithm of the odds of some size over none [KassRaftery1995].
    fn odds(self, prior_sd: f64) -> f64 {
        0.5 * self.xy * self.size(prior_sd) - 0.5 * (prior_sd.powi(2) * self.xx).ln_1p()
    }

    /// Both together, where the other moves by `share` of the size.
    fn with(self, other: Sums, share: f64) -> Sums {
        Sums {
            xx: self.xx + share * share * other.xx,
            xy: self.xy + share * other.xy,
        }
    }
}

/// What the mean says of the candidates if its noise is one of those that may be.
struct OfMean {
    /// Natural logarithm of the probability of that noise, by the days themselves.
    probability: f64,
    /// By candidate.
    sums: Vec<Sums>,
}

/// With the size of the noise by what is left of the figures.
fn whitener_following(figures: &[DayFigure], noise: Noise, follows: &[Followed]) -> Option<Whitener> {
    let usual = Whitener::new(figures, noise, noise.sd_usual, follows)?;
    let left = usual.left(figures, follows);
    Whitener::new(figures, noise, day_sd(&left, noise), follows)
}

impl Shared {
    /// By noise; empty where too little is known.
    fn by_noise(&self, breaks_day: &[f64], candidates: &[Part]) -> Vec<OfMean> {
        let mut of_mean: Vec<OfMean> = self
            .noises
            .iter()
            .filter_map(|noise| {
                let whitener = whitener_following(&self.figures, *noise, &self.follows)?;
                let whitened = Whitened::new(&self.figures, &whitener, breaks_day, candidates)?;
                Some(OfMean {
                    probability: whitened.likelihood,
                    sums: whitened.sums(),
                })
            })
            .collect();
        let all = log_sum(of_mean.iter().map(|of| of.probability));
        of_mean.iter_mut().for_each(|of| of.probability -= all);
        of_mean
    }
}

/// Natural logarithm of the sum of what is given as logarithms.
fn log_sum(of: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = of.clone().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + of.map(|value| (value - most).exp()).sum::<f64>().ln()
}

impl<'f> Search<'f> {
    fn new(figures: &'f [DayFigure], noise: Noise, breaks_day: &[f64]) -> Option<Search<'f>> {
        let levels: Vec<f64> = figures.iter().map(|f| f.level).collect();
        let level_centre = median(&levels)?;
        let level = Followed {
            column: levels.iter().map(|level| level - level_centre).collect(),
            prior_sd: noise.gain_sd,
        };
        let whitener = Whitener::new(figures, noise, day_sd(figures, noise), &[level])?;
        Search::with(figures, noise, breaks_day, &whitener)
    }

    /// Of figures that follow something.
    fn following(
        figures: &'f [DayFigure],
        noise: Noise,
        breaks_day: &[f64],
        follows: &[Followed],
    ) -> Option<Search<'f>> {
        let whitener = whitener_following(figures, noise, follows)?;
        Search::with(figures, noise, breaks_day, &whitener)
    }

    fn with(
        figures: &'f [DayFigure],
        noise: Noise,
        breaks_day: &[f64],
        whitener: &Whitener,
    ) -> Option<Search<'f>> {
        let count = figures.len();
        let mut candidates = Vec::new();
        for onset in DAYS_BEFORE_MIN..count {
            for shape in [Shape::Drift, Shape::Step] {
                // One day may be a jump, which is then told once it is beyond doubt; a bend of one day is nothing.
                if shape == Shape::Drift && onset > count - DAYS_AFTER_MIN {
                    continue;
                }
                // A bend's foot may lie before the first day that shows it.
                let first = if shape == Shape::Drift { onset - 1 } else { onset };
                candidates.push(Part {
                    shape,
                    at_ms: figures[first].at_ms,
                    size: 1.0,
                });
            }
        }
        Some(Search {
            whitened: Whitened::new(figures, whitener, breaks_day, &candidates)?,
            figures,
            noise,
            candidates,
        })
    }

    fn weigh(&self, shared: Option<&Shared>, breaks_day: &[f64]) -> Option<Weighed> {
        let last_ms = self.figures.last()?.at_ms;
        let prior_sd = |part: &Part| match part.shape {
            Shape::Drift => self.noise.rate_sd_per_day,
            Shape::Step => self.noise.step_sd,
        };
        let least = |part: &Part| match part.shape {
            Shape::Drift => self.noise.drift_min,
            Shape::Step => self.noise.step_min,
        };
        let own = self.whitened.sums();
        // Bends and steps are as likely, and so is every day.
        let each = -(own.len() as f64).ln();
        let odds = |sums: &[Sums], worth_a_word: bool| -> Vec<f64> {
            let of = |(part, sums): (&Part, &Sums)| {
                let far = (sums.size(prior_sd(part)) * part.reach(last_ms)).abs() >= least(part);
                // What rests on one day is weighed by itself.
                if (worth_a_word && !far) || part.at_ms == last_ms {
                    f64::NEG_INFINITY
                } else {
                    each + sums.odds(prior_sd(part))
                }
            };
            self.candidates.iter().zip(sums).map(of).collect()
        };
        let likeliest = |odds: &[f64]| (0..odds.len()).max_by(|a, b| odds[*a].total_cmp(&odds[*b]));
        let alone = odds(&own, true);
        let alone_sum = log_sum(alone.iter().copied());
        let of_mean = shared.map_or(Vec::new(), |shared| shared.by_noise(breaks_day, &self.candidates));
        let Some(shared) = shared.filter(|_| !of_mean.is_empty()) else {
            return Some(Weighed {
                best: likeliest(&alone)?,
                evidence: alone_sum,
                of_other: None,
            });
        };
        // Over all noises that the mean may have.
        let over_noises = |sums: &dyn Fn(&[Sums]) -> Vec<Sums>, worth_a_word: bool| -> Vec<f64> {
            let by_noise: Vec<Vec<f64>> = of_mean
                .iter()
                .map(|of| {
                    let odds = odds(&sums(&of.sums), worth_a_word);
                    odds.into_iter().map(|odds| of.probability + odds).collect()
                })
                .collect();
            (0..own.len())
                .map(|index| log_sum(by_noise.iter().map(|odds| odds[index])))
                .collect()
        };
        let together = |share: f64| {
            let both = |of_mean: &[Sums]| {
                own.iter()
                    .zip(of_mean)
                    .map(|(own, mean)| own.with(*mean, share))
                    .collect()
            };
            over_noises(&both, true)
        };
        let air =
            AIR_CHANGED_FRAC.ln() + log_sum(over_noises(&|of_mean| of_mean.to_vec(), false).into_iter());
        let still = (1.0 - AIR_CHANGED_FRAC).ln();
        let nothing = log_sum([still, air].into_iter());
        let if_changed = air + alone_sum;
        let evidence = |odds: &[f64]| {
            let if_still = still + log_sum(odds.iter().copied());
            (if_still, log_sum([if_still, if_changed].into_iter()) - nothing)
        };
        let (of_this, of_other) = (together(shared.share), together(-shared.share));
        let (if_still, of_this_sum) = evidence(&of_this);
        Some(Weighed {
            best: likeliest(if if_still >= if_changed { &of_this } else { &alone })?,
            evidence: of_this_sum,
            of_other: Some(evidence(&of_other).1),
        })
    }

    /// The step on the last day, with twice its gain in log-likelihood, where it explains the days plainly better than what was weighed: a
    /// bend that ends there bends for that one day.
    fn jump_of_last_day(&self, weighed: Option<Weighed>) -> Option<(usize, f64)> {
        let last_ms = self.figures.last()?.at_ms;
        let (best, gain) = self.next_best(&[])?;
        let is_better = weighed.is_none_or(|weighed| {
            let column = &self.whitened.columns[weighed.best];
            let of_weighed = dot(column, &self.whitened.y).powi(2) / dot(column, column);
            gain > of_weighed + ONSET_SLACK
        });
        (self.candidates[best].at_ms == last_ms && is_better).then_some((best, gain))
    }

    /// The candidate that adds most to those chosen, with twice its gain in log-likelihood.
    fn next_best(&self, chosen: &[usize]) -> Option<(usize, f64)> {
        let columns = &self.whitened.columns;
        let mut kept: Vec<Vec<f64>> = Vec::new();
        for index in chosen {
            let mut direction = without(&columns[*index], &kept);
            let size = dot(&direction, &direction).sqrt();
            if size > 1e-9 {
                direction.iter_mut().for_each(|value| *value /= size);
                kept.push(direction);
            }
        }
        let y = without(&self.whitened.y, &kept);
        (0..columns.len())
            .filter(|index| !chosen.contains(index))
            .filter_map(|index| {
                let x = without(&columns[index], &kept);
                let xx = dot(&x, &x);
                // What the chosen ones explain nearly wholly can't be told from them.
                let alone = dot(&columns[index], &columns[index]).max(1e-9);
                (xx > 1e-4 * alone).then_some((index, dot(&x, &y).powi(2) / xx))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// The likeliest candidate with the further ones that the days show beside it, in their order.
    fn with_further(&self, likeliest: usize) -> Vec<usize> {
        let mut chosen = vec![likeliest];
        while chosen.len() < PARTS_MAX {
            match self.next_best(&chosen) {
                Some((best, gain)) if gain >= self.noise.further_gain_min => chosen.push(best),
                _ => break,
            }
        }
        chosen.sort_by_key(|index| self.candidates[*index].at_ms);
        chosen
    }

    fn fit(&self, chosen: &[usize]) -> Option<Fit> {
        let columns: Vec<&[f64]> = chosen
            .iter()
            .map(|index| &*self.whitened.columns[*index])
            .collect();
        Fit::new(&columns, &self.whitened.y)
    }

    /// What the chosen bends and steps say together.
    fn change(&self, chosen: &[usize], weighed: &Weighed) -> Option<Change> {
        let fit = self.fit(chosen)?;
        let sizes = fit.sizes();
        let parts: Vec<Part> = chosen
            .iter()
            .zip(&sizes)
            .map(|(index, size)| Part {
                size: *size,
                ..self.candidates[*index]
            })
            .collect();
        let last_ms = self.figures.last()?.at_ms;
        let reaches = |at_ms: i64| parts.iter().map(|part| part.reach(at_ms)).collect::<Vec<f64>>();
        let total = |at_ms: i64| {
            parts
                .iter()
                .map(|part| part.size * part.reach(at_ms))
                .sum::<f64>()
        };
        // The newest step that brought the figures back, if one did, splits what is over from what is still so.
        let back = (1..parts.len()).rev().find(|index| {
            let before_ms = parts[*index].at_ms - 1;
            let (gone, left) = (total(before_ms).abs(), total(parts[*index].at_ms).abs());
            parts[*index].shape == Shape::Step
                && left
                    < (BACK_FRAC * gone)
                        .max(BACK_STEP_FRAC * self.noise.step_min)
                        .min(gone)
        });
        let since = back.map_or(0, |index| index + 1);
        let (first, ended_ms, until_ms) = if since < parts.len() {
            (since, None, last_ms)
        } else {
            let ended_ms = parts[since - 1].at_ms;
            (0, Some(ended_ms), ended_ms - 1)
        };
        let now = fit.of(&reaches(until_ms));
        // What went furthest gives the change its name and its day.
        let gone = |index: usize| (parts[index].size * parts[index].reach(until_ms)).abs();
        let first = (first..parts.len()).max_by(|a, b| gone(*a).total_cmp(&gone(*b)))?;
        let main = parts[first];
        let far_enough = match main.shape {
            Shape::Drift => self.noise.drift_min,
            Shape::Step => self.noise.step_min,
        };
        let brief = ended_ms.is_some_and(|ended| ended - main.at_ms < EXCURSION_MS_MIN);
        if now.value.abs() < far_enough || brief {
            return None;
        }
        let only: Vec<f64> = (0..parts.len())
            .map(|index| f64::from(u8::from(index == first)))
            .collect();
        let per_day = match main.shape {
            Shape::Drift => fit.of(&only),
            Shape::Step => fit.of(&vec![0.0; parts.len()]),
        };
        let mut change = Change {
            shape: main.shape,
            onset_ms: main.at_ms,
            onset_low_ms: main.at_ms,
            onset_high_ms: main.at_ms,
            per_day,
            now,
            ended_ms,
            evidence: weighed.evidence,
            evidence_of_other: weighed.of_other,
            parts: parts.clone(),
        };
        self.widen(&mut change, chosen, first, until_ms);
        change.now = with_unseen(change.now, self.noise.unseen_sd);
        Some(change)
    }

    /// Onsets that fit about as well widen every interval: the day is part of what is not known.
    fn widen(&self, change: &mut Change, chosen: &[usize], first: usize, until_ms: i64) {
        let Some(best) = self.fit(chosen).map(|fit| fit.explained()) else {
            return;
        };
        for (index, candidate) in self.candidates.iter().enumerate() {
            let near = (candidate.at_ms - change.onset_ms).abs() < ONSET_NEAR_MS;
            if candidate.shape != change.shape || chosen.contains(&index) || !near {
                continue;
            }
            let mut other = chosen.to_vec();
            other[first] = index;
            let Some(fit) = self
                .fit(&other)
                .filter(|fit| best - fit.explained() < ONSET_SLACK)
            else {
                continue;
            };
            let reaches: Vec<f64> = other
                .iter()
                .map(|index| self.candidates[*index].reach(until_ms))
                .collect();
            change.onset_low_ms = change.onset_low_ms.min(candidate.at_ms);
            change.onset_high_ms = change.onset_high_ms.max(candidate.at_ms);
            change.now = hull(change.now, fit.of(&reaches));
            if change.shape == Shape::Drift {
                let only: Vec<f64> = (0..other.len())
                    .map(|index| f64::from(u8::from(index == first)))
                    .collect();
                change.per_day = hull(change.per_day, fit.of(&only));
            }
        }
    }
}

/// Onsets further away than this from the best are another story.
const ONSET_NEAR_MS: i64 = 21 * MS_PER_24_H;

/// How far another daily figure went along with a change: its estimate by the last day of it, and the standard deviation of that.
pub(super) fn went_along(figures: &[DayFigure], change: &Change, noise: Noise) -> Option<(f64, f64)> {
    let column: Vec<f64> = figures
        .iter()
        .map(|figure| change.bias_at(figure.at_ms) / change.now.value)
        .collect();
    let before = figures
        .iter()
        .filter(|figure| figure.at_ms < change.onset_ms)
        .count();
    if before < DAYS_BEFORE_MIN || column.iter().all(|along| *along == 0.0) {
        return None;
    }
    let whitener = Whitener::new(figures, noise, day_sd(figures, noise), &[])?;
    let basis = Basis::new(&whitener, &[vec![1.0; figures.len()]]);
    let centre = median(&figures.iter().map(|f| f.difference).collect::<Vec<_>>())?;
    let y = basis.whitened(&figures.iter().map(|f| f.difference - centre).collect::<Vec<_>>());
    let x = basis.whitened(&column);
    let xx = dot(&x, &x);
    (xx > 1e-12).then(|| (dot(&x, &y) / xx, 1.0 / xx.sqrt()))
}

#[cfg(test)]
mod tests;

//! A sensor that came away from the others so slowly, or so long ago, that the weeks of readings do not show it: by the daily figures that
//! the collector keeps beside each month, over two years.
//!
//! In: daily means of humidity and temperature, from before the record by those figures and within it by its readings. Each is compared with
//! the others at its own temperature, as everywhere; a fortnight makes one figure, its median, which a few bad days do not move. Seasons move
//! the places of an enclosure against each other as well, so the same weeks a year before are compared; where there are none yet, more is
//! asked. Where the weeks of the record tell of a drift and the same weeks a year before lay just so, it was the season.
//!
//! What began within the record is judged there, by the hour, and not here. The limits are our own choice.

use std::collections::BTreeMap;
use std::sync::Arc;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::assess::ComparedMap;
use super::cross::{Blamed, Compared, unchanged_since_ms};
use super::onset::{Change, Part, Shape};
use super::pattern::Parted;
use super::scene::{LEVEL_PCT_MAX, Scene};
use super::suspicion::suspicion;
use crate::physics::humidity::humidity_at_pct;
use crate::statistics::Estimate;
use crate::statistics::least_squares::linear;
use crate::statistics::robust::{median, robust_standard_deviation};

/// Days that make one figure, and how many of them must be known.
const BLOCK_DAYS: i64 = 14;
const BLOCK_MS: i64 = BLOCK_DAYS * MS_PER_24_H;
const BLOCK_DAYS_MIN: usize = 7;
/// A day needs this share of a sensor's usual number of readings.
const DAY_FRAC_MIN: f64 = 0.5;
/// How far it must have come, %RH: against the same weeks of a year before, and where there are none (two places of an enclosure part by some
/// %RH from summer to winter).
const LEAST_PCT: f64 = 4.0;
const LEAST_OF_ONE_SEASON_PCT: f64 = 6.0;
const BLOCKS_PER_YEAR: i64 = 26;
/// Fortnights that make a season, of which the middle counts.
const SEASON_BLOCKS: usize = 4;
/// Fortnights that are needed in all: well beyond what the record itself holds.
const BLOCKS_MIN: usize = 12;
/// What the middle of a season may be off by beside its own scatter, standard uncertainties: an element's wander in a year, and the places'.
const WANDER_PER_YEAR_PCT: f64 = 0.6;
const PLACES_PCT: f64 = 0.5;
/// A drift of the weeks was the season's where the same weeks a year before lay no further off than this share of it.
const SEASON_FRAC: f64 = 0.4;
/// The others agree where none of them came away from the rest by more than this share of it.
const OTHERS_FRAC: f64 = 0.5;

/// Lays what the weeks of the record show of humidity to the season where a year before they lay just so; and where nothing is laid to any sensor, a
/// slow change to the one that came away from the others.
pub(super) fn judge(compared: &mut ComparedMap, scene: &Scene<'_>, window: Span) {
    if scene.record.days_before.is_empty() {
        return;
    }
    let sensors: Vec<(&Sensor, Days)> = scene
        .enclosure
        .sensors
        .iter()
        .filter(|sensor| compared.contains_key(&(sensor.id.clone(), Quantity::Humidity)))
        .map(|sensor| (sensor, days(scene, sensor)))
        .collect();
    let table = Table { scene, sensors };
    let mut is_told = false;
    for (a, (sensor, _)) in table.sensors.iter().enumerate() {
        let found = compared.get_mut(&(sensor.id.clone(), Quantity::Humidity));
        let Some(found) = found.filter(|found| concerns(found, window)) else {
            continue;
        };
        match found
            .change
            .as_ref()
            .filter(|blamed| table.is_seasons(a, &found.others, &blamed.change))
        {
            Some(blamed) => {
                found.parted = Some(Parted::with_season(blamed));
                found.change = None;
            }
            None => is_told = true,
        }
    }
    if is_told {
        return;
    }
    if let Some((guilty, blamed)) = table.blamed(window)
        && let Some(found) = compared.get_mut(&(table.sensors[guilty].0.id.clone(), Quantity::Humidity))
    {
        found.change = Some(blamed);
    }
}

fn concerns(found: &Compared, window: Span) -> bool {
    found
        .change
        .as_ref()
        .is_some_and(|blamed| blamed.concerns(window))
        || found
            .parted
            .as_ref()
            .is_some_and(|parted| parted.concerns(window))
}

/// Mean humidity, %RH, and temperature, °C, of UTC days, under their start in ms.
type Days = BTreeMap<i64, (f64, f64)>;

fn days(scene: &Scene<'_>, sensor: &Sensor) -> Days {
    let [humidity, temperature] =
        [Quantity::Humidity, Quantity::Temperature].map(|quantity| means(scene, sensor, quantity));
    let both = humidity
        .iter()
        .filter_map(|(day, rh_pct)| Some((*day, (*rh_pct, *temperature.get(day)?))));
    both.filter(|(_, (rh_pct, _))| *rh_pct < LEVEL_PCT_MAX).collect()
}

/// Daily means before the record and within it, of days with enough readings.
fn means(scene: &Scene<'_>, sensor: &Sensor, quantity: Quantity) -> BTreeMap<i64, f64> {
    let key = (Arc::from(sensor.id.as_str()), quantity);
    let before = scene.record.days_before.get(&key);
    let mut days: BTreeMap<i64, (f64, i64)> = before
        .into_iter()
        .flatten()
        .map(|(day_ms, day)| (*day_ms, (day.mean, day.reading_count)))
        .collect();
    if let Some(series) = scene.record.get(&sensor.id, quantity) {
        let whole =
            |at_ms: i64| at_ms >= scene.history.from_ms && at_ms + MS_PER_24_H <= scene.history.until_ms;
        let mut sums: BTreeMap<i64, (f64, i64)> = BTreeMap::new();
        for index in (0..series.len()).filter(|index| series.mark[*index] == Mark::Ok) {
            let day_ms = series.at_ms[index].div_euclid(MS_PER_24_H) * MS_PER_24_H;
            let (sum, count) = sums.entry(day_ms).or_default();
            *sum += series.value[index];
            *count += 1;
        }
        let within = sums.into_iter().filter(|(day_ms, _)| whole(*day_ms));
        days.extend(within.map(|(day_ms, (sum, count))| (day_ms, (sum / count as f64, count))));
    }
    let counts: Vec<f64> = days.values().map(|(_, count)| *count as f64).collect();
    let needed = DAY_FRAC_MIN * median(&counts).unwrap_or(0.0);
    let known = days.into_iter().filter(|(_, (_, count))| *count as f64 >= needed);
    known.map(|(day_ms, (mean, _))| (day_ms, mean)).collect()
}

/// The humidity sensors of an enclosure with their days.
struct Table<'a> {
    scene: &'a Scene<'a>,
    sensors: Vec<(&'a Sensor, Days)>,
}

/// Figures by fortnight, counted back from the end: −1 is the last.
type Blocks = BTreeMap<i64, f64>;

impl Table<'_> {
    /// Which sensor came away from the others.
    fn blamed(&self, window: Span) -> Option<(usize, Blamed)> {
        let all: Vec<usize> = (0..self.sensors.len()).collect();
        let of = |a: usize, among: &[usize]| {
            let others: Vec<usize> = among.iter().copied().filter(|b| *b != a).collect();
            self.change(a, &others)
        };
        let reach = |change: &Option<Change>| change.as_ref().map_or(0.0, |change| change.now.value.abs());
        let found = all.iter().map(|a| (*a, of(*a, &all)));
        let (a, change) = found.max_by(|x, y| reach(&x.1).total_cmp(&reach(&y.1)))?;
        let change = change?;
        let blamed = |change, share| Blamed {
            change,
            share,
            ended_ms: None,
        };
        if let [first, second] = *all.as_slice() {
            let b = if a == first { second } else { first };
            let today = self.scene.site.zone.date(window.until_ms);
            let [of_a, of_b] = [a, b].map(|of| suspicion(self.sensors[of].0, today));
            let share = of_a / (of_a + of_b);
            return Some(match share >= 0.5 {
                true => (a, blamed(change, Some(share))),
                false => (b, blamed(change.mirrored(), Some(1.0 - share))),
            });
        }
        let rest: Vec<usize> = all.into_iter().filter(|b| *b != a).collect();
        let agree = rest
            .iter()
            .all(|b| reach(&of(*b, &rest)) <= OTHERS_FRAC * change.now.value.abs());
        agree.then(|| (a, blamed(change, None)))
    }

    /// The slow change of one sensor against some others, if there is one.
    fn change(&self, a: usize, others: &[usize]) -> Option<Change> {
        let history = self.scene.history;
        let blocks = self.blocks(a, others);
        let begun = fitted(&blocks)?;
        let (first, last) = (*blocks.keys().next()?, *blocks.keys().next_back()?);
        let years = (last - first) as f64 / BLOCKS_PER_YEAR as f64;
        let season = scatter(&blocks)? / (SEASON_BLOCKS as f64).sqrt();
        let standard =
            (2.0 * season.powi(2) + years * WANDER_PER_YEAR_PCT.powi(2) + PLACES_PCT.powi(2)).sqrt();
        let now = Estimate::symmetric(begun.now, 2.0 * standard);
        let is_far = match in_a_year(&blocks) {
            Some(moved) => moved.abs() >= LEAST_PCT && moved.signum() == now.value.signum(),
            None => now.value.abs() >= LEAST_OF_ONE_SEASON_PCT,
        };
        let at_ms = |block: f64| history.until_ms + (block * BLOCK_MS as f64) as i64;
        let onset_ms = at_ms(begun.block);
        if !is_far || now.value.abs() < LEAST_PCT || now.holds(0.0) || onset_ms >= history.from_ms {
            return None;
        }
        let lasted_d = (history.until_ms - onset_ms) as f64 / MS_PER_24_H as f64;
        let per_day = match begun.shape {
            Shape::Drift => [now.value, now.low, now.high].map(|now| now / lasted_d),
            Shape::Step => [0.0; 3],
        };
        Some(Change {
            shape: begun.shape,
            onset_ms,
            onset_low_ms: onset_ms - BLOCK_MS,
            onset_high_ms: onset_ms + BLOCK_MS,
            per_day: Estimate {
                value: per_day[0],
                low: per_day[1],
                high: per_day[2],
            },
            now,
            ended_ms: None,
            evidence: 0.5 * (now.value / standard).powi(2),
            evidence_of_other: None,
            parts: vec![Part {
                shape: begun.shape,
                at_ms: onset_ms,
                size: match begun.shape {
                    Shape::Drift => per_day[0],
                    Shape::Step => now.value,
                },
            }],
        })
    }

    /// Whether a drift that the weeks show was there a year before as well.
    fn is_seasons(&self, a: usize, others: &[String], change: &Change) -> bool {
        let others: Vec<usize> = (0..self.sensors.len())
            .filter(|b| others.contains(&self.sensors[*b].0.id))
            .collect();
        change.shape == Shape::Drift
            && in_a_year(&self.blocks(a, &others))
                .is_some_and(|moved| moved.abs() <= SEASON_FRAC * change.now.value.abs())
    }

    /// Medians of the difference to the mean of some others, at the sensor's own temperature, since any of them was last another or elsewhere.
    fn blocks(&self, a: usize, others: &[usize]) -> Blocks {
        let until_ms = self.scene.history.until_ms;
        let concerned = others.iter().chain([&a]).map(|index| self.sensors[*index].0);
        let begins_ms = concerned
            .filter_map(|sensor| unchanged_since_ms(self.scene, sensor))
            .max()
            .unwrap_or(i64::MIN);
        let mut by_block: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for (day_ms, (rh_pct, t_c)) in self.sensors[a].1.range(begins_ms..) {
            let levels: Option<Vec<f64>> = others
                .iter()
                .map(|b| {
                    let (other_pct, other_c) = self.sensors[*b].1.get(day_ms)?;
                    Some(humidity_at_pct(*other_pct, *other_c, *t_c))
                })
                .collect();
            if let Some(levels) = levels.filter(|levels| !levels.is_empty()) {
                let difference = rh_pct - levels.iter().sum::<f64>() / levels.len() as f64;
                let block = (day_ms - until_ms).div_euclid(BLOCK_MS);
                by_block.entry(block).or_default().push(difference);
            }
        }
        by_block
            .into_iter()
            .filter(|(_, days)| days.len() >= BLOCK_DAYS_MIN)
            .filter_map(|(block, days)| Some((block, median(&days)?)))
            .collect()
    }
}

/// How far the last fortnights lie from the same ones of a year before; `None` where these are not known.
fn in_a_year(blocks: &Blocks) -> Option<f64> {
    let moved: Vec<f64> = blocks
        .range(-(SEASON_BLOCKS as i64)..)
        .filter_map(|(block, now)| Some(now - blocks.get(&(block - BLOCKS_PER_YEAR))?))
        .collect();
    median(&moved).filter(|_| moved.len() == SEASON_BLOCKS)
}

/// Standard deviation of single fortnights, by the steps from one to the next.
fn scatter(blocks: &Blocks) -> Option<f64> {
    let values: Vec<f64> = blocks.values().copied().collect();
    let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    Some(robust_standard_deviation(&steps)? / std::f64::consts::SQRT_2)
}

/// A change as least squares has it: since which fortnight, and how far it has come.
struct Begun {
    shape: Shape,
    block: f64,
    now: f64,
}

/// The step, or the line from some fortnight on, that leaves the least squares.
fn fitted(blocks: &Blocks) -> Option<Begun> {
    let (times, values): (Vec<f64>, Vec<f64>) = blocks
        .iter()
        .map(|(block, value)| (*block as f64, *value))
        .unzip();
    if times.len() < BLOCKS_MIN {
        return None;
    }
    let last_onset = times.len() - SEASON_BLOCKS;
    let ones = vec![1.0; times.len()];
    let fit = |shape: Shape, onset: usize| {
        let since = |time: &f64| match shape {
            // A line runs through the middles of the fortnights, up to the end of the last.
            Shape::Drift => (time - times[onset]).max(0.0) / (-0.5 - times[onset]),
            Shape::Step => f64::from(u8::from(*time >= times[onset])),
        };
        let column: Vec<f64> = times.iter().map(since).collect();
        let fit = linear(&[&ones, &column], &values, None).ok()?;
        let begun = Begun {
            shape,
            block: times[onset] + if shape == Shape::Drift { 0.5 } else { 0.0 },
            now: fit.coefficients[1],
        };
        Some((fit.residuals.iter().map(|left| left.powi(2)).sum::<f64>(), begun))
    };
    let steps = (SEASON_BLOCKS..=last_onset).filter_map(|onset| fit(Shape::Step, onset));
    let lines = (0..=last_onset).filter_map(|onset| fit(Shape::Drift, onset));
    steps
        .chain(lines)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, begun)| begun)
}

#[cfg(test)]
mod tests;

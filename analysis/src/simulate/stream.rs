//! Seeded random streams: one for each name, so that a further fault or sensor does not shift the draws of the others.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

/// The stream of `name` under `seed`; FNV-1a spreads the name over the seed.
pub fn stream(seed: u64, name: &str) -> StdRng {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64 ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    for byte in name.bytes() {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    StdRng::seed_from_u64(hash)
}

/// A standard normal draw.
pub fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

/// A value between `low` and `high`, evenly.
pub fn between(rng: &mut StdRng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// A first-order autoregressive noise in continuous time: stationary standard deviation `sd`, memory `tau_s`.
#[derive(Debug, Clone)]
pub struct Wander {
    pub value: f64,
    sd: f64,
    phi: f64,
    kick: f64,
}

impl Wander {
    /// A wander that will be stepped every `step_s`, begun from its stationary distribution.
    pub fn new(sd: f64, tau_s: f64, step_s: f64, rng: &mut StdRng) -> Wander {
        let phi = (-step_s / tau_s).exp();
        Wander {
            value: sd * normal(rng),
            sd,
            phi,
            kick: (1.0 - phi * phi).sqrt(),
        }
    }

    pub fn step(&mut self, rng: &mut StdRng) -> f64 {
        self.value = self.phi * self.value + self.sd * self.kick * normal(rng);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wander_has_the_spread_and_memory_asked_for() {
        let mut rng = stream(7, "wander");
        let mut wander = Wander::new(2.0, 600.0, 60.0, &mut rng);
        let values: Vec<f64> = (0..200_000).map(|_| wander.step(&mut rng)).collect();
        let variance = values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64;
        let lagged = values.windows(11).map(|w| w[0] * w[10]).sum::<f64>() / values.len() as f64;
        assert!((variance - 4.0).abs() < 0.2, "variance {variance}");
        // Ten steps of 60 s are one time constant: correlation exp(-1).
        assert!(
            (lagged / variance - (-1.0f64).exp()).abs() < 0.03,
            "correlation {}",
            lagged / variance
        );
    }

    #[test]
    fn streams_differ_by_name_and_by_seed() {
        let first = normal(&mut stream(1, "a"));
        assert_ne!(first.to_bits(), normal(&mut stream(1, "b")).to_bits());
        assert_ne!(first.to_bits(), normal(&mut stream(2, "a")).to_bits());
        assert_eq!(first.to_bits(), normal(&mut stream(1, "a")).to_bits());
    }
}

//! Repeatable randomness: a small generator, and noise that is a pure function of place and seed.
//!
//! Generator and hash: SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number
//! generators", OOPSLA 2014).

/// One step of SplitMix64's output function: mixes all bits of `z`.
#[inline]
pub fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A seed for a purpose of its own, derived from `seed`.
pub fn derive(seed: u64, purpose: u64) -> u64 {
    mix(mix(seed) ^ purpose.wrapping_mul(0xd6e8_feb8_6659_fd93))
}

/// A derived seed short enough for every number format (JSON in a browser holds 53 bits).
pub fn short_seed(seed: u64, purpose: u64) -> u64 {
    derive(seed, purpose) >> 12
}

/// A sequence of random numbers that depends on its seed alone.
#[derive(Debug, Clone)]
pub struct Seeded {
    state: u64,
}

impl Seeded {
    /// Starts the sequence of `seed`.
    pub fn new(seed: u64) -> Self {
        Seeded { state: mix(seed) }
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let out = mix(self.state);
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        out
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        unit_of(self.bits())
    }

    /// Uniform in [from, to).
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number in 0…n−1.
    pub fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        normal_of(self.bits(), self.bits())
    }
}

fn unit_of(bits: u64) -> f64 {
    (bits >> 11) as f64 / (1u64 << 53) as f64
}

fn normal_of(a: u64, b: u64) -> f64 {
    (-2.0 * (1.0 - unit_of(a)).ln()).sqrt() * (std::f64::consts::TAU * unit_of(b)).cos()
}

/// Standard normal number number `index` of the endless sequence `seed`.
pub fn normal_at(seed: u64, index: i64) -> f64 {
    let bits = mix(seed ^ (index as u64).wrapping_mul(0xa24b_aed4_963e_e407));
    normal_of(bits, mix(bits ^ 0x5851_f42d_4c95_7f2d))
}

/// Uniform in [0, 1) at a lattice point.
#[inline]
pub fn lattice(seed: u32, ix: i32, iy: i32) -> f32 {
    // A 32-bit finaliser (Wellons' "lowbias32") is enough for textures and twice as fast.
    let mut h = seed
        ^ (ix as u32).wrapping_mul(0x9e37_79b1)
        ^ (iy as u32).wrapping_mul(0x85eb_ca77).rotate_left(13);
    h = (h ^ (h >> 16)).wrapping_mul(0x7feb_352d);
    h = (h ^ (h >> 15)).wrapping_mul(0x846c_a68b);
    ((h ^ (h >> 16)) >> 8) as f32 / (1u32 << 24) as f32
}

/// Smooth noise in −1…1 whose features are about one unit wide.
#[inline]
pub fn value_noise(seed: u32, x: f32, y: f32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let ease = |t: f32| t * t * (3.0 - 2.0 * t);
    let (u, v) = (ease(x - fx), ease(y - fy));
    let (a, b) = (lattice(seed, ix, iy), lattice(seed, ix + 1, iy));
    let (c, d) = (lattice(seed, ix, iy + 1), lattice(seed, ix + 1, iy + 1));
    let (top, bottom) = (a + (b - a) * u, c + (d - c) * u);
    2.0 * (top + (bottom - top) * v) - 1.0
}

/// A stationary Gaussian process over one coordinate, the same for the same seed wherever it is read.
///
/// Its autocorrelation is `exp(−(d / correlation)²)`, so `correlation` is where it has fallen to 1/e.
#[derive(Debug, Clone, Copy)]
pub struct Wander {
    seed: u64,
    rms: f64,
    correlation: f64,
}

impl Wander {
    /// A process with this RMS and correlation length.
    pub fn new(seed: u64, rms: f64, correlation: f64) -> Self {
        Wander {
            seed,
            rms,
            correlation,
        }
    }

    /// Its value at `at` (same unit as the correlation length).
    pub fn at(&self, at: f64) -> f64 {
        if self.rms == 0.0 {
            return 0.0;
        }
        // White noise on a fine lattice, smoothed by exp(−2 d²/c²): convolving that with itself
        // gives exp(−d²/c²). Four points per c, ±1.6 c (6e-3 of the peak) are ample for both.
        let step = self.correlation / 4.0;
        let nearest = (at / step).round() as i64;
        let (mut sum, mut power) = (0.0, 0.0);
        for index in nearest - 7..=nearest + 7 {
            let d = (at - index as f64 * step) / self.correlation;
            let weight = (-2.0 * d * d).exp();
            sum += weight * normal_at(self.seed, index);
            power += weight * weight;
        }
        self.rms * sum / power.sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wobble_has_its_stated_rms_and_correlation_length() {
        let (rms, correlation) = (0.6, 12.0);
        let step = 1.0;
        let n = 200_000;
        let w = Wander::new(7, rms, correlation);
        let values: Vec<f64> = (0..n).map(|i| w.at(f64::from(i) * step)).collect();
        let correlation_at = |lag: usize| {
            let products = values.iter().zip(&values[lag..]).map(|(a, b)| a * b);
            products.sum::<f64>() / (values.len() - lag) as f64
        };
        let variance = correlation_at(0);
        // About 200 000 / (12·√(2π)/2) = 13 000 independent values: 0.6 % of the RMS is one sigma.
        assert!((variance.sqrt() - rms).abs() < 0.025 * rms, "{variance}");
        for lag in [6_usize, 12, 18] {
            let expected = (-(lag as f64 / correlation).powi(2)).exp();
            let found = correlation_at(lag) / variance;
            assert!((found - expected).abs() < 0.03, "{lag}: {found} {expected}");
        }
    }
}

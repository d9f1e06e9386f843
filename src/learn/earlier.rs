//! What earlier quilts of the same quilter say of a new one's advances.
//!
//! Hierarchical normal model, for the middle, the lean and the sag alone. The advance errors of quilt k have the
//! mean bₖ and the scatter σ, and are measured with uₖ:
//!
//! ```text
//! bₖ ~ N(m, τ²)      the quilt's bias about the quilter's own
//! m  ~ N(0, ω²)      the quilter's own bias, as usual;   ω² = ρ s², τ² = (1 − ρ) s²
//! ȳₖ ~ N(bₖ, vₖ/nₖ)  vₖ = σ² + uₖ²     Sₖ/vₖ ~ χ²(nₖ − 1)   mean and squared deviations of nₖ errors
//! ```
//!
//! s, σ and ρ are taken from grids. For each of them m has a normal posterior and ȳ₁, ȳ₂ … a likelihood in closed
//! form (A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 5.4, equations 5.17 to 5.21, where m has a
//! flat prior; from memory). The new quilt's bias is then N(m̂, Var m + τ²). With no earlier quilt every ρ says the
//! same, and the belief is about [`Prior::default`].
//!
//! A new quilt may be another matter: other batting, another frame, another person's journal. So a share of the
//! belief stays what is usual (H. Schmidli et al., Biometrics 70, 2014, "Robust meta-analytic-predictive priors"; from
//! memory): where the new quilt's own rows disagree with the earlier ones, that share soon outweighs the rest.

use super::state::{Belief, Guess, Prior, USUAL_SCALE};
use super::statistics::{deviation, mean};
use crate::units::Uncertain;

/// Errors of one mode of an earlier quilt's advances.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation as measured, the measurement's share included; 0 of a single advance.
    pub scatter: f64,
    /// RMS standard uncertainty of one measured advance.
    pub u: f64,
}

/// What one earlier quilt showed.
#[derive(Debug, Clone, PartialEq)]
pub struct EarlierQuilt {
    /// Its name.
    pub name: String,
    /// Measured advances.
    pub advances: u32,
    /// Middle, mm; skew, mm/m, as quilts are not all of one width; sag, mm.
    pub modes: [Seen; 3],
}

impl EarlierQuilt {
    /// From the errors of its advances in middle (mm), skew (mm/m) and sag (mm); `None` when there are none.
    pub fn of(name: &str, errors: &[[Uncertain; 3]]) -> Option<EarlierQuilt> {
        let seen = |mode: usize| {
            let values: Vec<f64> = errors.iter().map(|e| e[mode].value).collect();
            let squares: Vec<f64> = errors.iter().map(|e| e[mode].u.powi(2)).collect();
            Seen {
                mean: mean(&values),
                scatter: deviation(&values).unwrap_or(0.0),
                u: mean(&squares).sqrt(),
            }
        };
        (!errors.is_empty()).then(|| EarlierQuilt {
            name: name.to_owned(),
            advances: errors.len() as u32,
            modes: [0, 1, 2].map(seen),
        })
    }
}

/// What is believed of a new quilt whose gaps are taken at this half-width: what these quilts say, or
/// [`Prior::default`] when there are none.
pub fn prior(earlier: &[EarlierQuilt], half_width_mm: f64) -> Prior {
    if earlier.is_empty() {
        return Prior::default();
    }
    let belief = |mode: usize| {
        let seen: Vec<(f64, Seen)> = (earlier.iter())
            .map(|quilt| (f64::from(quilt.advances), quilt.modes[mode]))
            .collect();
        let learned = learned(&seen, USUAL_SCALE[mode]);
        // The lean is what the skew comes to at the ends.
        let learned = match mode {
            1 => learned.times(half_width_mm / 1000.0),
            _ => learned,
        };
        let with = |belief: Belief, share: f64| {
            belief.0.into_iter().map(move |guess| Guess {
                weight: share * guess.weight,
                ..guess
            })
        };
        let usual = with(Belief::usual(USUAL_SCALE[mode]), UNLIKE);
        Belief(with(learned, 1.0 - UNLIKE).chain(usual).collect())
    };
    Prior([0, 1, 2].map(belief))
}

/// How likely it is that the new quilt is unlike the earlier ones.
const UNLIKE: f64 = 0.1;
/// Spreads s of a bias and their weights, as in [`Belief::usual`] but finer.
const SPREADS: [(f64, f64); 6] = [
    (0.1, 0.4),
    (0.5, 0.12),
    (0.8, 0.12),
    (1.25, 0.12),
    (2.0, 0.12),
    (3.2, 0.12),
];
/// Shares ρ of the bias's variance that are the quilter's own, alike likely.
const OWN_SHARES: [f64; 3] = [0.0, 0.5, 0.9];
/// Scatters: from the least, each so many times the one before.
const LEAST_SCATTER: f64 = 0.2;
const FINER: f64 = 1.2;
const SCATTERS: i32 = 18;
/// Logarithmic spread of the scatter about 1 mm: that of the weights in [`Belief::usual`].
const SCATTER_LOG_SD: f64 = 0.6;
/// Guesses less likely than this against the likeliest are left out.
const NEGLIGIBLE: f64 = 1e-3;

/// The belief after these quilts: measured advances and what they showed of one mode; `scale` is its [`USUAL_SCALE`].
fn learned(quilts: &[(f64, Seen)], scale: f64) -> Belief {
    let mut guesses: Vec<(Guess, f64)> = Vec::new();
    for step in 0..SCATTERS {
        let scatter = LEAST_SCATTER * FINER.powi(step);
        let usual = -0.5 * (scatter.ln() / SCATTER_LOG_SD).powi(2);
        for (spread, weight) in SPREADS {
            for own in OWN_SHARES {
                let usual = usual + (weight / OWN_SHARES.len() as f64).ln();
                let [own_sd, quilt_sd] =
                    [own, 1.0 - own].map(|share: f64| scale * spread * share.sqrt());
                let (guess, fits) = after(quilts, own_sd, quilt_sd, scale * scatter);
                guesses.push((guess, usual + fits));
            }
        }
    }
    let best = guesses
        .iter()
        .map(|g| g.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let kept = guesses
        .into_iter()
        .map(|(guess, fits)| Guess {
            weight: (fits - best).exp(),
            ..guess
        })
        .filter(|guess| guess.weight >= NEGLIGIBLE);
    let mut kept: Vec<Guess> = kept.collect();
    let total: f64 = kept.iter().map(|guess| guess.weight).sum();
    for guess in &mut kept {
        guess.weight /= total;
    }
    Belief(kept)
}

/// The next quilt's bias when ω, τ and σ are known, and the log-likelihood of the quilts but for a constant.
fn after(quilts: &[(f64, Seen)], own_sd: f64, quilt_sd: f64, scatter_mm: f64) -> (Guess, f64) {
    let (mut bias_mm, mut variance, mut fits) = (0.0, own_sd * own_sd, 0.0);
    for (n, seen) in quilts {
        let v = scatter_mm * scatter_mm + seen.u * seen.u;
        let squares = (n - 1.0) * seen.scatter * seen.scatter;
        fits -= 0.5 * ((n - 1.0) * v.ln() + squares / v);
        let s = variance + quilt_sd * quilt_sd + v / n;
        let off = seen.mean - bias_mm;
        fits -= 0.5 * (s.ln() + off * off / s);
        bias_mm += variance / s * off;
        variance -= variance * variance / s;
    }
    let guess = Guess {
        bias_mm,
        bias_sd_mm: (variance + quilt_sd * quilt_sd).sqrt(),
        scatter_mm,
        weight: 1.0,
    };
    (guess, fits)
}

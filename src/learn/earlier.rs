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

/// No advance is this far off, mm or mm/m: 4 in.
pub const MOST_OFF: f64 = 100.0;

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
    /// From the errors of its advances in middle (mm), skew (mm/m) and sag (mm); `None` when there are
    /// none, or none that can be.
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
        let modes = [0, 1, 2].map(seen);
        let possible = |s: &Seen| [s.mean, s.scatter, s.u].iter().all(|v| v.abs() <= MOST_OFF);
        (!errors.is_empty() && modes.iter().all(possible)).then(|| EarlierQuilt {
            name: name.to_owned(),
            advances: errors.len() as u32,
            modes,
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

/// The belief after these quilts, without what is next to impossible.
fn learned(quilts: &[(f64, Seen)], scale: f64) -> Belief {
    let Belief(guesses) = weighed(quilts, scale);
    let likeliest = guesses.iter().map(|g| g.weight).fold(0.0, f64::max);
    let kept = |guess: &Guess| guess.weight >= NEGLIGIBLE * likeliest;
    Belief(with_sum_1(guesses.into_iter().filter(kept).collect()))
}

/// The belief after these quilts: measured advances and what they showed of one mode; `scale` is its [`USUAL_SCALE`].
fn weighed(quilts: &[(f64, Seen)], scale: f64) -> Belief {
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
    let relative = guesses.into_iter().map(|(guess, fits)| Guess {
        weight: (fits - best).exp(),
        ..guess
    });
    Belief(with_sum_1(relative.collect()))
}

fn with_sum_1(mut guesses: Vec<Guess>) -> Vec<Guess> {
    let total: f64 = guesses.iter().map(|guess| guess.weight).sum();
    for guess in &mut guesses {
        guess.weight /= total;
    }
    guesses
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

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::close;
    use super::*;

    fn quilts(case: &serde_json::Value) -> Vec<(f64, Seen)> {
        let quilts = case["quilts"].as_array().unwrap().iter();
        quilts
            .map(|quilt| {
                let errors: Vec<f64> = serde_json::from_value(quilt["errors"].clone()).unwrap();
                let u = quilt["u"].as_f64().unwrap();
                let errors: Vec<[Uncertain; 3]> = errors
                    .iter()
                    .map(|value| [Uncertain { value: *value, u }; 3])
                    .collect();
                let quilt = EarlierQuilt::of("quilt", &errors).unwrap();
                (f64::from(quilt.advances), quilt.modes[0])
            })
            .collect()
    }

    /// Mean and standard deviation of the next bias, and mean scatter.
    fn moments(Belief(guesses): &Belief) -> [f64; 3] {
        let mean =
            |of: &dyn Fn(&Guess) -> f64| guesses.iter().map(|g| g.weight * of(g)).sum::<f64>();
        let bias = mean(&|g| g.bias_mm);
        let variance = mean(&|g| g.bias_sd_mm.powi(2) + (g.bias_mm - bias).powi(2));
        [bias, variance.sqrt(), mean(&|g| g.scatter_mm)]
    }

    /// scipy's multivariate normal over all single advances (tests/reference/learn/earlier.py).
    #[test]
    fn the_next_bias_is_that_of_the_whole_normal_model_by_brute_force() {
        let reference: serde_json::Value =
            serde_json::from_str(include_str!("../../tests/reference/learn/earlier.json")).unwrap();
        let cases = reference["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 4);
        for case in cases {
            let quilts = quilts(case);
            let mut constant = None;
            for cell in case["cells"].as_array().unwrap() {
                let number = |key: &str| cell[key].as_f64().unwrap();
                let (guess, fits) = after(&quilts, number("omega"), number("tau"), number("sigma"));
                close(guess.bias_mm, &cell["bias"], 1e-9);
                close(guess.bias_sd_mm, &cell["bias_sd"], 1e-9);
                // The likelihoods differ by what does not depend on the cell.
                let differs = number("log_likelihood") - fits;
                let first = *constant.get_or_insert(differs);
                assert!((differs - first).abs() < 1e-8, "{differs} {first}");
            }
            let [bias, sd, scatter] = moments(&weighed(&quilts, 1.0));
            close(bias, &case["whole"]["bias"], 1e-9);
            close(sd, &case["whole"]["bias_sd"], 1e-9);
            close(scatter, &case["whole"]["scatter"], 1e-9);
            // What is left out as next to impossible hardly matters.
            let kept = moments(&learned(&quilts, 1.0));
            for (kept, all) in kept.into_iter().zip([bias, sd, scatter]) {
                assert!((kept - all).abs() < 0.02, "{kept} {all}");
            }
        }
    }

    /// The eight schools (D. B. Rubin 1981; Gelman et al., Bayesian Data Analysis, section 5.5; from memory): taken as
    /// all alike, their mean is 7.7 with a standard error of 4.1.
    #[test]
    fn alike_quilts_are_pooled_as_the_eight_schools_are() {
        let schools = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0];
        let errors = [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0];
        let quilts: Vec<(f64, Seen)> = schools
            .into_iter()
            .zip(errors)
            .map(|(mean, u)| {
                (
                    1.0,
                    Seen {
                        mean,
                        scatter: 0.0,
                        u,
                    },
                )
            })
            .collect();
        let (guess, _) = after(&quilts, 1e6, 0.0, 1e-9);
        assert!((guess.bias_mm - 7.7).abs() < 0.05, "{guess:?}");
        assert!((guess.bias_sd_mm - 4.1).abs() < 0.05, "{guess:?}");
    }

    fn showed(means: &[f64]) -> Vec<EarlierQuilt> {
        let quilt = |mean: &f64| EarlierQuilt {
            name: "quilt".into(),
            advances: 13,
            modes: [
                Seen {
                    mean: *mean,
                    scatter: 0.8,
                    u: 0.3,
                },
                Seen {
                    mean: *mean,
                    scatter: 0.4,
                    u: 0.2,
                },
                Seen {
                    mean: 0.0,
                    scatter: 0.3,
                    u: 0.2,
                },
            ],
        };
        means.iter().map(quilt).collect()
    }

    #[test]
    fn a_habit_shifts_what_is_expected_and_contradiction_widens_it() {
        let usual = moments(&prior(&[], 1000.0).0[0]);
        assert_eq!(usual[0], 0.0);
        let habit = moments(&prior(&showed(&[1.5, 1.4, 1.6]), 1000.0).0[0]);
        assert!(
            (1.0..1.5).contains(&habit[0]) && habit[1] < usual[1],
            "{habit:?}"
        );
        // One quilt may have been an accident: it is drawn further towards 0.
        let one = moments(&prior(&showed(&[1.5]), 1000.0).0[0]);
        assert!(one[0] < habit[0] - 0.3 && one[0] > 0.3, "{one:?}");
        let [mean, spread, _] = moments(&prior(&showed(&[2.0, -2.0]), 1000.0).0[0]);
        assert!(
            mean.abs() < 0.01 && spread > usual[1] + 0.3,
            "{mean} {spread}"
        );
    }

    #[test]
    fn a_skew_is_as_wide_as_the_quilt() {
        let at = |half_width_mm: f64| moments(&prior(&showed(&[1.5; 4]), half_width_mm).0[1]);
        let ([narrow, ..], [wide, ..]) = (at(500.0), at(1000.0));
        assert!(
            (wide - 2.0 * narrow).abs() < 1e-9 && wide > 1.0,
            "{wide} {narrow}"
        );
    }

    #[test]
    fn beliefs_add_up_to_one() {
        for quilts in [showed(&[1.0]), showed(&[1.0, 3.0, -2.0])] {
            for Belief(guesses) in prior(&quilts, 1000.0).0 {
                let sum: f64 = guesses.iter().map(|g| g.weight).sum();
                assert!((sum - 1.0).abs() < 1e-9, "{sum}");
            }
        }
    }

    #[test]
    fn what_cannot_be_is_not_taken_in() {
        assert_eq!(EarlierQuilt::of("none", &[]), None);
        let at = |value: f64| [[Uncertain { value, u: 0.2 }; 3]];
        assert_eq!(EarlierQuilt::of("a row was left out", &at(152.0)), None);
        assert_eq!(EarlierQuilt::of("no number", &at(f64::NAN)), None);
        assert_eq!(
            EarlierQuilt::of("one", &at(1.0)).unwrap().modes[0].scatter,
            0.0
        );
    }
}

//! Where the newest row lies and how the advance is biased, kept by a Kalman filter over the gaps.
//!
//! For each mode (see the [module](super)) with drift d, bias b, trim u, measured gap deviation y:
//!
//! ```text
//! d' = d + b + u + w     w ~ N(0, σ²)     the advance error adds up
//! y  = b + u + w + v     v ~ N(0, r²)     the gap is measured, not the drift itself
//! ```
//!
//! The measurement shares w with the drift, so innovation and state are correlated:
//! `S = Var b + σ² + r²`, `C = (Cov(d,b) + Var b + σ², Var b)`, gain `C/S` (R. E. Kalman, J. Basic
//! Engineering 82, 1960, with correlated noise as in B. D. O. Anderson and J. B. Moore, Optimal
//! Filtering, 1979, section 5.5). With σ known and r = 0 the bias gain is Grubbs' extended harmonic
//! rule `1/(t + σ²/s²)`.

use super::earlier;
use crate::gap;
use crate::plan::Plan;
use crate::record::{Action, AdvanceTrim, GapRecord, VerdictRecord};
use crate::units::Uncertain;

/// Left, centre, right.
pub type Sides = [f64; 3];

/// An advance as it was meant and as it was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advance {
    /// The row it led to.
    pub to_row: u32,
    /// The gap's difference from the plan at left, centre, right, mm; `None` when nobody measured it.
    pub deviation_mm: Option<Sides>,
    /// Standard uncertainty of each mode of the measured gap, mm.
    pub u_mm: Sides,
    /// Trim that was advised for it, mm.
    pub trim_mm: Sides,
    /// Whether the quilt was to be set square for it, so that the trim holds a turn that is not to go on.
    pub squared: bool,
}

/// A trim that was advised.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advised {
    /// The row that the advance leads to.
    pub to_row: u32,
    /// The trim.
    pub trim: AdvanceTrim,
    /// Whether the quilt was to be set square for it.
    pub squared: bool,
}

impl Advised {
    /// What the verdict on a row advises for the next advance, if anything.
    pub fn by(row: u32, verdict: &VerdictRecord) -> Option<Advised> {
        Some(Advised {
            to_row: row + 1,
            trim: verdict.next_advance_mm?,
            squared: verdict.action == Action::ReSquare,
        })
    }
}

/// What may hold of a mode's advances, before any row of this quilt was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Guess {
    /// Mean of the bias, mm.
    pub bias_mm: f64,
    /// Standard deviation of the bias about it, mm.
    pub bias_sd_mm: f64,
    /// Scatter of the advance, mm.
    pub scatter_mm: f64,
    /// How likely this guess is; all of a belief's add up to 1.
    pub weight: f64,
}

/// What is believed of a mode's advances before any row of this quilt was measured: one of these holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Belief(pub Vec<Guess>);

impl Belief {
    /// Mean and spread of the bias and the scatter known exactly.
    pub fn known(bias_mm: f64, bias_sd_mm: f64, scatter_mm: f64) -> Belief {
        Belief(vec![Guess {
            bias_mm,
            bias_sd_mm,
            scatter_mm,
            weight: 1.0,
        }])
    }

    /// One of some spreads of a bias about 0 and one of some scatters, each with its weight.
    pub(super) fn usual(scale: f64) -> Belief {
        let spreads = [(0.1, 0.4), (0.7, 0.2), (1.4, 0.2), (2.8, 0.2)];
        let scatters = [
            (0.35, 0.1),
            (0.6, 0.25),
            (1.0, 0.3),
            (1.7, 0.25),
            (3.0, 0.1),
        ];
        let pairs = spreads
            .iter()
            .flat_map(|spread| scatters.iter().map(move |scatter| (spread, scatter)));
        Belief(
            pairs
                .map(|((bias_sd, weight), (scatter, other))| Guess {
                    bias_mm: 0.0,
                    bias_sd_mm: scale * bias_sd,
                    scatter_mm: scale * scatter,
                    weight: weight * other,
                })
                .collect(),
        )
    }

    /// The same in a unit so many times smaller.
    pub(super) fn times(self, factor: f64) -> Belief {
        let guesses = self.0.into_iter().map(|guess| Guess {
            bias_mm: factor * guess.bias_mm,
            bias_sd_mm: factor * guess.bias_sd_mm,
            scatter_mm: factor * guess.scatter_mm,
            ..guess
        });
        Belief(guesses.collect())
    }

    /// Mean scatter, mm.
    fn scatter(&self) -> f64 {
        let sums = self.0.iter().fold((0.0, 0.0), |(s, w), guess| {
            (s + guess.weight * guess.scatter_mm, w + guess.weight)
        });
        sums.0 / sums.1
    }
}

/// What is believed of middle, lean and sag.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior(pub [Belief; 3]);

/// How much of what is usual in the middle is usual of the lean and of the sag.
pub(super) const USUAL_SCALE: [f64; 3] = [1.0, 0.6, 0.6];

impl Default for Prior {
    /// Four quilters of ten have no bias to speak of, the others one of half a millimetre to three; a scatter of
    /// about 1 mm in the middle; lean and sag less by the factor 0.6. Common practice, no source; of the spreads
    /// tried in simulation, on other seeds than `examples/closed_loop.rs` reports, these lost least to a rule
    /// that is told each quilter's own.
    fn default() -> Self {
        Prior(USUAL_SCALE.map(Belief::usual))
    }
}

/// One mode: drift and bias with their covariance.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Mode {
    /// Drift of the newest row, mm.
    pub drift_mm: f64,
    /// Bias of one advance, mm.
    pub bias_mm: f64,
    /// Variance of the drift, mm².
    pub drift_variance: f64,
    /// Covariance of drift and bias, mm².
    pub covariance: f64,
    /// Variance of the bias, mm².
    pub bias_variance: f64,
    /// Scatter of one advance, mm.
    pub scatter_mm: f64,
}

impl Mode {
    /// At row 1, which is the datum.
    pub fn at_row_1(bias_mm: f64, bias_sd_mm: f64, scatter_mm: f64) -> Mode {
        Mode {
            bias_mm,
            bias_variance: bias_sd_mm * bias_sd_mm,
            scatter_mm,
            ..Mode::default()
        }
    }

    /// After one more advance with this trim, unmeasured.
    pub fn advanced(self, trim_mm: f64) -> Mode {
        let scatter = self.scatter_mm * self.scatter_mm;
        Mode {
            drift_mm: self.drift_mm + self.bias_mm + trim_mm,
            drift_variance: self.drift_variance
                + 2.0 * self.covariance
                + self.bias_variance
                + scatter,
            covariance: self.covariance + self.bias_variance,
            ..self
        }
    }

    /// After one more advance with this trim, its gap measured; and the log-likelihood of what was
    /// measured.
    pub fn measured(self, trim_mm: f64, deviation: Uncertain) -> (Mode, f64) {
        let next = self.advanced(trim_mm);
        let scatter = self.scatter_mm * self.scatter_mm;
        let innovation = deviation.value - self.bias_mm - trim_mm;
        let s = self.bias_variance + scatter + deviation.u * deviation.u;
        // An advance without scatter, bias or uncertainty has nothing to learn.
        if s <= 0.0 {
            return (next, 0.0);
        }
        let c_drift = self.covariance + self.bias_variance + scatter;
        let c_bias = self.bias_variance;
        let mode = Mode {
            drift_mm: next.drift_mm + c_drift / s * innovation,
            bias_mm: next.bias_mm + c_bias / s * innovation,
            drift_variance: (next.drift_variance - c_drift * c_drift / s).max(0.0),
            covariance: next.covariance - c_drift * c_bias / s,
            bias_variance: (next.bias_variance - c_bias * c_bias / s).max(0.0),
            ..next
        };
        let log_likelihood =
            -0.5 * ((std::f64::consts::TAU * s).ln() + innovation * innovation / s);
        (mode, log_likelihood)
    }

    /// The drift with its standard uncertainty, mm.
    pub fn drift(&self) -> Uncertain {
        Uncertain {
            value: self.drift_mm,
            u: self.drift_variance.sqrt(),
        }
    }

    /// The bias with its standard uncertainty, mm.
    pub fn bias(&self) -> Uncertain {
        Uncertain {
            value: self.bias_mm,
            u: self.bias_variance.sqrt(),
        }
    }
}

/// State of the quilt at its newest row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuiltState {
    /// Middle, lean, sag.
    pub modes: [Mode; 3],
    /// How far the newest gap was to differ from the plan, chance apart: the bias and the trim that was rolled;
    /// middle and lean, mm.
    pub meant_mm: [f64; 2],
    /// Half of the distance between left and right, mm.
    pub half_width_mm: f64,
    /// Whether the advised trims seem to have been rolled.
    pub followed: bool,
    /// Measured advances behind it.
    pub measured: usize,
    /// RMS standard uncertainty of the measured gaps, by mode, mm.
    pub u_mm: Sides,
}

/// Middle, lean and sag of three places.
pub fn to_modes([left, centre, right]: Sides) -> Sides {
    let ends = f64::midpoint(left, right);
    [
        f64::midpoint(ends, centre),
        (right - left) / 2.0,
        centre - ends,
    ]
}

/// Left, centre and right of three modes.
pub fn to_places([middle, lean, sag]: Sides) -> Sides {
    let ends = middle - sag / 2.0;
    [ends - lean, middle + sag / 2.0, ends + lean]
}

/// Log-odds before any measurement that a quilter rolls what was advised: 99 to 1 (common practice, no
/// source).
const FOLLOWS_LOG_ODDS: f64 = 4.6;

/// Whether the gaps look as if the trims that were advised had been rolled.
///
/// Judged by what is usual, whatever earlier quilts say: one that goes otherwise than they did is not to look like
/// one on which the advice was ignored.
pub fn followed(advances: &[Advance]) -> bool {
    let trimmed = |a: &Advance| a.trim_mm.iter().any(|t| t.abs() > 1e-9);
    if !advances.iter().any(trimmed) {
        return true;
    }
    let usual = Prior::default();
    let [as_advised, as_planned] = [true, false].map(|rolled| filter(advances, &usual, rolled).1);
    as_advised + FOLLOWS_LOG_ODDS >= as_planned
}

impl QuiltState {
    /// The state of the plan's quilt after these advances; what was believed beforehand is what its plan says of
    /// earlier quilts, or what is usual.
    pub fn of(plan: &Plan, advances: &[Advance], half_width_mm: f64) -> QuiltState {
        let prior = earlier::prior(&plan.earlier, half_width_mm);
        QuiltState::after(advances, &prior, half_width_mm)
    }

    /// The state after these advances, in order from the one that led to row 2.
    ///
    /// Every belief is filtered and weighted by how well the gaps agree with it.
    pub fn after(advances: &[Advance], prior: &Prior, half_width_mm: f64) -> QuiltState {
        let followed = followed(advances);
        let modes = filter(advances, prior, followed).0;
        QuiltState {
            modes,
            meant_mm: meant(advances, &modes, followed),
            half_width_mm,
            followed,
            measured: advances.iter().filter(|a| a.deviation_mm.is_some()).count(),
            u_mm: typical_u(advances),
        }
    }

    /// The state when every trim is known to have been rolled.
    pub fn known(advances: &[Advance], prior: &Prior, half_width_mm: f64) -> QuiltState {
        let modes = filter(advances, prior, true).0;
        QuiltState {
            modes,
            meant_mm: meant(advances, &modes, true),
            half_width_mm,
            followed: true,
            measured: advances.iter().filter(|a| a.deviation_mm.is_some()).count(),
            u_mm: typical_u(advances),
        }
    }

    /// The state with this drift instead of its own: what the bias was learned from stays.
    pub fn with_drift(self, places: [Uncertain; 3], skew_u_mm_per_m: f64) -> QuiltState {
        let drift = to_modes(places.map(|p| p.value));
        let u = mode_u(places.map(|p| p.u), skew_u_mm_per_m, self.half_width_mm);
        let mode = |i: usize| Mode {
            drift_mm: drift[i],
            drift_variance: u[i] * u[i],
            covariance: 0.0,
            ..self.modes[i]
        };
        QuiltState {
            modes: [mode(0), mode(1), mode(2)],
            ..self
        }
    }

    /// The state when nothing is known of a bias, nor of any drift.
    pub fn unknown(prior: &Prior, half_width_mm: f64) -> QuiltState {
        QuiltState {
            modes: [0, 1, 2].map(|i| Mode::at_row_1(0.0, 0.0, prior.0[i].scatter())),
            meant_mm: [0.0; 2],
            half_width_mm,
            followed: true,
            measured: 0,
            u_mm: [0.0; 3],
        }
    }

    /// The state once the quilt is set square on the bars.
    pub fn set_square(self) -> QuiltState {
        let [middle, lean, sag] = self.modes;
        let square = Mode {
            drift_mm: 0.0,
            ..lean
        };
        QuiltState {
            modes: [middle, square, sag],
            meant_mm: [self.meant_mm[0], 0.0],
            ..self
        }
    }

    /// Drift at left, centre, right, mm.
    pub fn drift_mm(&self) -> [Uncertain; 3] {
        self.places(Mode::drift)
    }

    /// Bias of one advance at left, centre, right, mm.
    pub fn bias_mm(&self) -> [Uncertain; 3] {
        self.places(Mode::bias)
    }

    fn places(&self, of: impl Fn(&Mode) -> Uncertain) -> [Uncertain; 3] {
        places_of([0, 1, 2].map(|i| of(&self.modes[i])))
    }
}

/// Left, centre and right of three modes that are known independently.
pub fn places_of(modes: [Uncertain; 3]) -> [Uncertain; 3] {
    let values = to_places(modes.map(|m| m.value));
    let [m, h, s] = modes.map(|m| m.u * m.u);
    let u = [m + s / 4.0 + h, m + s / 4.0, m + s / 4.0 + h].map(f64::sqrt);
    [0, 1, 2].map(|i| Uncertain {
        value: values[i],
        u: u[i],
    })
}

/// Standard uncertainty of middle, lean and sag from those of the places and of the skew.
///
/// The record does not say how the places' errors are correlated: the middle is taken as if they were
/// fully correlated, which is on the safe side.
pub fn mode_u([left, centre, right]: Sides, skew_u_mm_per_m: f64, half_width_mm: f64) -> Sides {
    let ends = f64::midpoint(left, right);
    [
        f64::midpoint(ends, centre),
        skew_u_mm_per_m * half_width_mm / 1000.0,
        (centre * centre + ends * ends).sqrt(),
    ]
}

fn meant(advances: &[Advance], modes: &[Mode; 3], followed: bool) -> [f64; 2] {
    let Some(newest) = advances.last() else {
        return [0.0; 2];
    };
    let rolled = match followed {
        true => to_modes(newest.trim_mm),
        false => [0.0; 3],
    };
    let [middle, lean] = [0, 1].map(|i| modes[i].bias_mm + rolled[i]);
    // What set the quilt square was turned once; the lean meant to go on with was none.
    [
        middle,
        if newest.squared && followed {
            0.0
        } else {
            lean
        },
    ]
}

fn typical_u(advances: &[Advance]) -> Sides {
    let measured = || advances.iter().filter(|a| a.deviation_mm.is_some());
    let count = measured().count().max(1) as f64;
    [0, 1, 2].map(|i| (measured().map(|a| a.u_mm[i].powi(2)).sum::<f64>() / count).sqrt())
}

fn filter(advances: &[Advance], prior: &Prior, followed: bool) -> ([Mode; 3], f64) {
    let mut fits = 0.0;
    let modes = [0, 1, 2].map(|i| {
        let belief = &prior.0[i];
        let steps: Vec<(f64, Option<Uncertain>)> = advances
            .iter()
            .map(|advance| {
                let trim = if followed {
                    to_modes(advance.trim_mm)[i]
                } else {
                    0.0
                };
                let seen = advance.deviation_mm.map(|deviation| Uncertain {
                    value: to_modes(deviation)[i],
                    u: advance.u_mm[i],
                });
                (trim, seen)
            })
            .collect();
        let candidates: Vec<(Mode, f64)> = belief
            .0
            .iter()
            .map(|guess| {
                let mode = Mode::at_row_1(guess.bias_mm, guess.bias_sd_mm, guess.scatter_mm);
                let start = (mode, guess.weight.ln());
                steps
                    .iter()
                    .fold(start, |(mode, fits), (trim, seen)| match seen {
                        None => (mode.advanced(*trim), fits),
                        Some(seen) => {
                            let (next, likelihood) = mode.measured(*trim, *seen);
                            (next, fits + likelihood)
                        }
                    })
            })
            .collect();
        let (mode, log_likelihood) = mixed(&candidates);
        fits += log_likelihood;
        mode
    });
    (modes, fits)
}

/// Candidates weighted by their log-likelihoods: mean and covariance of the mixture, and the mixture's
/// own log-likelihood.
fn mixed(candidates: &[(Mode, f64)]) -> (Mode, f64) {
    let best = candidates
        .iter()
        .map(|c| c.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = candidates.iter().map(|c| (c.1 - best).exp()).sum();
    let mean = |of: &dyn Fn(&Mode) -> f64| -> f64 {
        let weighted = candidates
            .iter()
            .map(|(mode, fits)| (fits - best).exp() * of(mode));
        weighted.sum::<f64>() / total
    };
    let (drift, bias) = (mean(&|m| m.drift_mm), mean(&|m| m.bias_mm));
    let mode = Mode {
        drift_mm: drift,
        bias_mm: bias,
        drift_variance: mean(&|m| m.drift_variance + (m.drift_mm - drift).powi(2)),
        covariance: mean(&|m| m.covariance + (m.drift_mm - drift) * (m.bias_mm - bias)),
        bias_variance: mean(&|m| m.bias_variance + (m.bias_mm - bias).powi(2)),
        scatter_mm: mean(&|m| m.scatter_mm * m.scatter_mm).sqrt(),
    };
    (mode, best + total.ln())
}

/// The advances of a quilt up to `row`, from its gaps and the trims that were advised for them.
///
/// Every gap is taken at x = ± `half_width_mm` and 0. Gaps may come in any order; when one is there more
/// than once, the last one counts.
pub fn advances(
    plan: &Plan,
    gaps: &[GapRecord],
    trims: &[Advised],
    row: u32,
    half_width_mm: f64,
) -> Vec<Advance> {
    (2..=row)
        .map(|to_row| {
            let advised = trims.iter().rev().find(|a| a.to_row == to_row);
            let trim_mm = advised.map_or([0.0; 3], |a| [a.trim.left, a.trim.centre, a.trim.right]);
            let gap = gaps
                .iter()
                .rev()
                .find(|g| g.to_row == to_row && g.from_row + 1 == to_row);
            let seen = gap.and_then(|gap| {
                let places = gap::spacing_across(gap, half_width_mm)?;
                let deviation = places.map(|p| p.value - plan.spacing_mm);
                let u = mode_u(places.map(|p| p.u), gap.skew_mm_per_m.u, half_width_mm);
                let whole = deviation.iter().chain(&u).all(|v| v.is_finite());
                whole.then_some((deviation, u))
            });
            Advance {
                to_row,
                deviation_mm: seen.map(|s| s.0),
                u_mm: seen.map_or([0.0; 3], |s| s.1),
                trim_mm,
                squared: advised.is_some_and(|a| a.squared),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::{close, computed};
    use super::*;

    /// The three-state matrix form, computed with numpy (make.py), against the two-state form here.
    #[test]
    fn the_filter_is_the_one_in_matrix_form() {
        let reference = &computed()["kalman"];
        let number = |key: &str| reference[key].as_f64().unwrap();
        let mut mode = Mode::at_row_1(0.0, number("prior_sd"), number("advance_sd"));
        let mut likelihood = 0.0;
        let list = |key: &str| reference[key].as_array().unwrap().clone();
        let rows = list("gaps")
            .into_iter()
            .zip(list("trims"))
            .zip(list("steps"));
        for ((gap, trim), step) in rows {
            let trim = trim.as_f64().unwrap();
            mode = match gap.as_f64() {
                None => mode.advanced(trim),
                Some(value) => {
                    let u = number("measurement_u");
                    let (next, fits) = mode.measured(trim, Uncertain { value, u });
                    likelihood += fits;
                    next
                }
            };
            close(mode.drift_mm, &step["drift"], 1e-9);
            close(mode.bias_mm, &step["bias"], 1e-9);
            close(mode.drift_variance, &step["var_drift"], 1e-9);
            close(mode.covariance, &step["cov"], 1e-9);
            close(mode.bias_variance, &step["var_bias"], 1e-9);
        }
        close(likelihood, &reference["log_likelihood"], 1e-9);
    }

    /// Grubbs' extended harmonic rule (adjustment_checks.json): gains and remaining variances.
    #[test]
    fn the_bias_gain_is_grubbs_extended_harmonic_rule() {
        let checks: serde_json::Value = serde_json::from_str(include_str!(
            "../../tests/reference/learn/adjustment_checks.json"
        ))
        .unwrap();
        let tables = checks["grubbs_extended"]["tables"].as_array().unwrap();
        assert_eq!(tables.len(), 3);
        for table in tables {
            let prior = table["prior_variance_over_s2"].as_f64().unwrap();
            let mut mode = Mode::at_row_1(0.0, prior.sqrt(), 1.0);
            for step in table["steps"].as_array().unwrap() {
                let before = mode.bias_mm;
                mode = mode
                    .measured(
                        0.0,
                        Uncertain {
                            value: before + 1.0,
                            u: 0.0,
                        },
                    )
                    .0;
                close(mode.bias_mm - before, &step["gain"], 1e-9);
                close(
                    mode.bias_variance,
                    &step["posterior_variance_over_s2"],
                    1e-9,
                );
            }
        }
    }

    #[test]
    fn modes_and_places_are_two_views_of_the_same() {
        let places = [1.0, 3.5, 4.0];
        assert_eq!(to_modes(places), [3.0, 1.5, 1.0]);
        assert_eq!(to_places([3.0, 1.5, 1.0]), places);
    }

    fn advance(to_row: u32, deviation: f64, trim: f64) -> Advance {
        Advance {
            to_row,
            deviation_mm: Some([deviation; 3]),
            u_mm: [0.2; 3],
            trim_mm: [trim; 3],
            squared: false,
        }
    }

    #[test]
    fn what_was_meant_is_bias_and_trim_but_not_the_turn_that_set_square() {
        let mut rows: Vec<Advance> = (2..8).map(|r| advance(r, 1.0, 0.0)).collect();
        let [left, right] = [3.0, -3.0];
        rows[5] = Advance {
            deviation_mm: Some([1.0 + left, 1.0, 1.0 + right]),
            trim_mm: [left, 0.0, right],
            ..rows[5]
        };
        let state = QuiltState::after(&rows, &Prior::default(), 1000.0);
        let bias = state.modes.map(|m| m.bias_mm);
        assert_eq!(state.meant_mm, [bias[0], bias[1] - 3.0]);
        rows[5].squared = true;
        let squared = QuiltState::after(&rows, &Prior::default(), 1000.0);
        assert_eq!(squared.meant_mm, [bias[0], 0.0]);
        assert_eq!(squared.modes, state.modes);
    }

    #[test]
    fn a_quilter_who_ignores_the_advice_is_noticed() {
        let ignored: Vec<Advance> = (2..10).map(|r| advance(r, 2.0, -1.5)).collect();
        let mut ignored = ignored;
        ignored[0].trim_mm = [0.0; 3];
        let state = QuiltState::after(&ignored, &Prior::default(), 1000.0);
        assert!(!state.followed);
        // The bias is what the gaps say: 2 mm, drawn a little towards 0.
        assert!((1.4..2.0).contains(&state.modes[0].bias_mm), "{state:?}");
        let mut followed: Vec<Advance> = (2..10).map(|r| advance(r, 0.2, -1.8)).collect();
        followed[0] = advance(2, 2.1, 0.0);
        assert!(QuiltState::after(&followed, &Prior::default(), 1000.0).followed);
    }

    #[test]
    fn a_gap_nobody_measured_only_adds_uncertainty() {
        let mut rows: Vec<Advance> = (2..6).map(|r| advance(r, 1.0, 0.0)).collect();
        let whole = QuiltState::after(&rows, &Prior::default(), 1000.0);
        rows[2].deviation_mm = None;
        let holed = QuiltState::after(&rows, &Prior::default(), 1000.0);
        assert!(holed.modes[0].drift_variance > whole.modes[0].drift_variance + 0.3);
        assert!((holed.modes[0].drift_mm - whole.modes[0].drift_mm).abs() < 1.0);
    }
}

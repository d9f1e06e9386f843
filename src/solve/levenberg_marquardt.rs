//! Levenberg–Marquardt on dense normal equations that the problem fills row by row.
//!
//! Minimises Σ ρ(rᵢ) over residuals rᵢ already divided by their standard uncertainty. The Jacobian is
//! never built: each residual adds its few non-zero derivatives. D. W. Marquardt, SIAM J. 11(2), 1963
//! (damping of the scaled diagonal); P. J. Huber, Robust Statistics, 1981 (reweighting).

use nalgebra::{DMatrix, DVector};

/// How a residual counts, with its bend given in standard uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// r².
    Squared,
    /// r² up to the bend, linear beyond.
    Huber(f64),
    /// c²·ln(1 + r²/c²): outliers fade out.
    Cauchy(f64),
    /// Bounded: nothing beyond the bend pulls at all.
    Tukey(f64),
}

impl Loss {
    /// ρ(r), equal to r² for small r.
    pub fn cost(self, r: f64) -> f64 {
        match self {
            Loss::Squared => r * r,
            Loss::Huber(c) if r.abs() > c => c * (2.0 * r.abs() - c),
            Loss::Huber(_) => r * r,
            Loss::Cauchy(c) => c * c * (r / c).powi(2).ln_1p(),
            Loss::Tukey(c) if r.abs() > c => c * c / 3.0,
            Loss::Tukey(c) => c * c / 3.0 * (1.0 - (1.0 - (r / c).powi(2)).powi(3)),
        }
    }

    /// ρ′(r)/(2r): the weight of r² in the reweighted problem.
    pub fn weight(self, r: f64) -> f64 {
        match self {
            Loss::Squared => 1.0,
            Loss::Huber(c) if r.abs() > c => c / r.abs(),
            Loss::Huber(_) => 1.0,
            Loss::Cauchy(c) => 1.0 / (1.0 + (r / c).powi(2)),
            Loss::Tukey(c) if r.abs() > c => 0.0,
            Loss::Tukey(c) => (1.0 - (r / c).powi(2)).powi(2),
        }
    }
}

/// JᵀWJ, JᵀWr and the cost, filled residual by residual.
#[derive(Debug, Clone)]
pub struct NormalEquations {
    matrix: DMatrix<f64>,
    gradient: DVector<f64>,
    cost: f64,
    residuals: usize,
}

impl NormalEquations {
    /// Empty equations of n unknowns; of none, only the cost is summed.
    pub fn new(n: usize) -> Self {
        NormalEquations {
            matrix: DMatrix::zeros(n, n),
            gradient: DVector::zeros(n),
            cost: 0.0,
            residuals: 0,
        }
    }

    /// Adds one residual (in standard uncertainties) with its non-zero derivatives.
    pub fn add(&mut self, residual: f64, derivatives: &[(usize, f64)], loss: Loss) {
        self.cost += loss.cost(residual);
        self.residuals += 1;
        if self.gradient.is_empty() {
            return;
        }
        let weight = loss.weight(residual);
        let n = self.gradient.len();
        // Column by column, as the matrix lies in memory.
        let columns = self.matrix.as_mut_slice();
        for &(j, dj) in derivatives {
            self.gradient[j] += weight * dj * residual;
            let column = &mut columns[j * n..(j + 1) * n];
            for &(i, di) in derivatives {
                if j <= i {
                    column[i] += weight * di * dj;
                }
            }
        }
    }

    /// Adds `count` residuals at once, all squared, with their derivatives by the same `unknowns`, which are in order: `products` are
    /// those of each of their columns with each, the residuals' last.
    ///
    /// One product of matrices is many times faster than residual by residual.
    pub fn add_products(&mut self, unknowns: &[usize], products: &DMatrix<f64>, count: usize) {
        let last = products.nrows() - 1;
        self.cost += products[(last, last)];
        self.residuals += count;
        if self.gradient.is_empty() {
            return;
        }
        for (a, &j) in unknowns.iter().enumerate() {
            self.gradient[j] += products[(last, a)];
            for (b, &i) in unknowns.iter().enumerate().skip(a) {
                self.matrix[(i, j)] += products[(b, a)];
            }
        }
    }
}

/// A least-squares problem.
pub trait Problem {
    /// Number of unknowns.
    fn parameter_count(&self) -> usize;
    /// Adds every residual at `parameters`; derivatives may be left empty unless asked for.
    fn linearise(&self, parameters: &[f64], with_gradients: bool, equations: &mut NormalEquations);
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Most iterations; more cost time, fewer risk an unfinished solve. Default 40.
    pub iterations: usize,
    /// Relative fall of the cost below which it has converged. Default 1e-9.
    pub relative_cost: f64,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            iterations: 40,
            relative_cost: 1e-9,
        }
    }
}

/// Why it stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stop {
    /// The cost fell no more.
    Converged,
    /// The last iteration allowed still lowered the cost.
    OutOfIterations,
}

/// Why there is no solution.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SolveError {
    /// The observations say nothing about an unknown.
    #[error("the observations do not determine unknown {index}")]
    Undetermined {
        /// The unknown's index.
        index: usize,
    },
    /// The cost is not a number at the start.
    #[error("the first guess cannot be evaluated")]
    BadStart,
}

/// The minimum found.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Estimates.
    pub parameters: Vec<f64>,
    /// Σ ρ(rᵢ) there.
    pub cost: f64,
    /// (JᵀWJ)⁻¹ there, not scaled by a variance factor.
    pub covariance: DMatrix<f64>,
    /// Number of residuals, priors included.
    pub residual_count: usize,
    /// Iterations taken.
    pub iterations: usize,
    /// Why it stopped.
    pub stop: Stop,
}

/// Finds the minimum nearest to `start`.
///
/// # Errors
///
/// [`SolveError::Undetermined`] when the scaled normal matrix is singular, [`SolveError::BadStart`]
/// when the cost at the start is not finite.
pub fn minimise(
    problem: &impl Problem,
    start: &[f64],
    options: &Options,
) -> Result<Solution, SolveError> {
    let n = problem.parameter_count();
    let linearised = |p: &[f64], with_gradients: bool| {
        // The cost alone needs no room for a matrix.
        let mut equations = NormalEquations::new(if with_gradients { n } else { 0 });
        problem.linearise(p, with_gradients, &mut equations);
        equations.matrix.fill_upper_triangle_with_lower_triangle();
        equations
    };
    let mut parameters = start.to_vec();
    let mut now = linearised(&parameters, true);
    if !now.cost.is_finite() {
        return Err(SolveError::BadStart);
    }
    let mut damping = 1e-4;
    let mut stop = Stop::OutOfIterations;
    let mut iterations = 0;
    while iterations < options.iterations {
        iterations += 1;
        let scale = scales(&now.matrix)?;
        let scaled = scaled_matrix(&now.matrix, &scale);
        let rhs = DVector::from_fn(n, |i, _| -now.gradient[i] * scale[i]);
        let mut damped = scaled.clone();
        for i in 0..n {
            damped[(i, i)] += damping;
        }
        let Some(factor) = damped.cholesky() else {
            damping *= 10.0;
            if damping > 1e12 {
                break;
            }
            continue;
        };
        let step = factor.solve(&rhs);
        let trial: Vec<f64> = (0..n).map(|i| parameters[i] + step[i] * scale[i]).collect();
        let cost = linearised(&trial, false).cost;
        if cost.is_finite() && cost <= now.cost {
            let fall = (now.cost - cost) / now.cost.max(f64::MIN_POSITIVE);
            parameters = trial;
            now = linearised(&parameters, true);
            damping = (damping * 0.2).max(1e-12);
            if fall < options.relative_cost {
                stop = Stop::Converged;
                break;
            }
        } else {
            damping *= 8.0;
            if damping > 1e12 {
                // No step lowers the cost any more: this is the minimum to working precision.
                stop = Stop::Converged;
                break;
            }
        }
    }
    let scale = scales(&now.matrix)?;
    let inverse = scaled_matrix(&now.matrix, &scale)
        .cholesky()
        .ok_or_else(|| SolveError::Undetermined {
            index: weakest(&now.matrix, &scale),
        })?
        .inverse();
    let covariance = DMatrix::from_fn(n, n, |i, j| inverse[(i, j)] * scale[i] * scale[j]);
    Ok(Solution {
        parameters,
        cost: now.cost,
        covariance,
        residual_count: now.residuals,
        iterations,
        stop,
    })
}

fn scales(matrix: &DMatrix<f64>) -> Result<Vec<f64>, SolveError> {
    (0..matrix.nrows())
        .map(|i| {
            let d = matrix[(i, i)];
            if d > 0.0 {
                Ok(1.0 / d.sqrt())
            } else {
                Err(SolveError::Undetermined { index: i })
            }
        })
        .collect()
}

fn scaled_matrix(matrix: &DMatrix<f64>, scale: &[f64]) -> DMatrix<f64> {
    DMatrix::from_fn(scale.len(), scale.len(), |i, j| {
        matrix[(i, j)] * scale[i] * scale[j]
    })
}

fn weakest(matrix: &DMatrix<f64>, scale: &[f64]) -> usize {
    let eigen = scaled_matrix(matrix, scale).symmetric_eigen();
    let least = eigen.eigenvalues.imin();
    eigen.eigenvectors.column(least).iamax()
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Curve<'a> {
        xy: &'a [(f64, f64)],
        f: fn(&[f64], f64) -> f64,
        n: usize,
        loss: Loss,
    }
    impl Problem for Curve<'_> {
        fn parameter_count(&self) -> usize {
            self.n
        }
        fn linearise(&self, p: &[f64], _: bool, equations: &mut NormalEquations) {
            for &(x, y) in self.xy {
                let f = (self.f)(p, x);
                let derivatives: Vec<(usize, f64)> = (0..self.n)
                    .map(|i| {
                        let h = 1e-6 * p[i].abs().max(1e-9);
                        let (mut up, mut down) = (p.to_vec(), p.to_vec());
                        up[i] += h;
                        down[i] -= h;
                        (i, ((self.f)(&up, x) - (self.f)(&down, x)) / (2.0 * h))
                    })
                    .collect();
                equations.add(f - y, &derivatives, self.loss);
            }
        }
    }

    /// NIST/ITL Statistical Reference Datasets, nonlinear set Misra1a (lower difficulty), start 2:
    /// certified b1 = 2.3894212918E+02, b2 = 5.5015643181E-04, their standard deviations 2.7070075241
    /// and 7.2668688436E-06, residual sum of squares 1.2455138894E-01 on 12 degrees of freedom.
    #[test]
    fn misra1a_comes_out_to_six_certified_digits() {
        let xy = [
            (77.6, 10.07),
            (114.9, 14.73),
            (141.1, 17.94),
            (190.8, 23.93),
            (239.9, 29.61),
            (289.0, 35.18),
            (332.8, 40.02),
            (378.4, 44.82),
            (434.8, 50.76),
            (477.3, 55.05),
            (536.8, 61.01),
            (593.1, 66.40),
            (689.1, 75.47),
            (760.0, 81.78),
        ];
        let problem = Curve {
            xy: &xy,
            f: |p, x| p[0] * (1.0 - (-p[1] * x).exp()),
            n: 2,
            loss: Loss::Squared,
        };
        let options = Options {
            iterations: 200,
            relative_cost: 1e-14,
        };
        let s = minimise(&problem, &[250.0, 0.0005], &options).unwrap();
        assert!(
            (s.parameters[0] / 2.3894212918e2 - 1.0).abs() < 1e-6,
            "{:?}",
            s.parameters
        );
        assert!((s.parameters[1] / 5.5015643181e-4 - 1.0).abs() < 1e-6);
        assert!((s.cost / 1.2455138894e-1 - 1.0).abs() < 1e-6);
        let u = (s.covariance[(0, 0)] * s.cost / 12.0).sqrt();
        assert!((u / 2.7070075241 - 1.0).abs() < 1e-4, "{u}");
    }

    /// GUM (JCGM 100:2008) table H.6: thermometer calibration line, slope 0.002 18.
    #[test]
    fn outlier_in_the_gum_line_is_ignored_under_a_robust_loss() {
        let mut xy: Vec<(f64, f64)> = [
            (21.521, -0.171),
            (22.012, -0.169),
            (22.512, -0.166),
            (23.003, -0.159),
            (23.507, -0.164),
            (23.999, -0.165),
            (24.513, -0.156),
            (25.002, -0.157),
            (25.503, -0.159),
            (26.010, -0.161),
            (26.511, -0.160),
        ]
        .map(|(t, b)| (t - 20.0, b / 0.0035))
        .to_vec();
        xy.push((5.0, 20.0));
        let line = |loss| Curve {
            xy: &xy,
            f: |p, x| p[0] + p[1] * x,
            n: 2,
            loss,
        };
        let slope = |loss| {
            minimise(&line(loss), &[-49.0, 0.6], &Options::default())
                .unwrap()
                .parameters[1]
                * 0.0035
        };
        assert!((slope(Loss::Tukey(5.0)) - 0.00218).abs() < 0.0002);
        assert!((slope(Loss::Squared) - 0.00218).abs() > 0.001);
    }

    #[test]
    fn unknown_without_observation_is_named() {
        let line = Curve {
            xy: &[(0.0, 1.0), (0.0, 2.0)],
            f: |p, x| p[0] + p[1] * x,
            n: 2,
            loss: Loss::Squared,
        };
        let error = minimise(&line, &[0.0, 1.0], &Options::default()).unwrap_err();
        assert_eq!(error, SolveError::Undetermined { index: 1 });
    }
}

//! Cameras, photos, cards and rows as one least-squares problem.
//!
//! Unknown are the camera (within its prior), a pose per photo, a pose per card (its height and rock
//! within their priors), the quilt's sag, the design's stretch, and offset, slope, bow and shift per
//! row. Observed are card corners and places of the stitched line, each along its curve's normal. The
//! stitching, with the design as the ruler, tells how the quilt's own plane lies against the cards;
//! what it cannot tell stays within the priors and so in the uncertainty.

mod hand;
mod known;
mod observed;
mod residuals;
mod seen;
mod state;

pub use hand::{Hand, Place};
pub use known::{CameraPrior, Prior, Priors};
pub use observed::{CornerObservation, LineObservation, PhotoObservations};
pub use state::{RowPlace, State, Stretch};

use crate::geometry::{Point2, Vector2};
use crate::solve::levenberg_marquardt::{Loss, Options, Problem, Solution, SolveError, minimise};
use nalgebra::{DMatrix, DVector, Matrix3x2};
use seen::moves_on;
use std::collections::BTreeMap;

/// The problem: observations, priors, and the loss under which stitching is trusted.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// Cameras before the photos were looked at.
    pub cameras: Vec<CameraPrior>,
    /// Observations by photo.
    pub photos: Vec<PhotoObservations>,
    /// Cards, quilt and design before the photos were looked at.
    pub priors: Priors,
    /// Numbers of cameras, photos, cards and rows; its first card fixes the frame.
    pub start: State,
    /// Loss of a place of the stitched line, in units of its standard uncertainty.
    pub line_loss: Loss,
    /// How the hand strays, where places of the line hang together; then [`LineObservation::u_px`] is what is left at each place by
    /// itself, and the line's loss is the squares. `None`: each place strays by itself.
    pub hand: Option<Hand>,
}

/// The solved problem.
#[derive(Debug, Clone)]
pub struct Solved {
    /// Estimates.
    pub state: State,
    /// Covariance of all parameters, in the order of [`State::row_index`].
    pub covariance: DMatrix<f64>,
    /// Iterations taken.
    pub iterations: usize,
}

/// What an estimate, and so its uncertainty, rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// Where the card's corners lie in the photo.
    Corners,
    /// The stitching: the hand's wobble, and how much of the line is seen.
    Stitching,
    /// What is known of the camera.
    Lens,
    /// How high cards lie above the stitching.
    CardHeight,
    /// How cards rock.
    CardTilt,
    /// How the quilt sags, or rises and falls.
    Sag,
    /// How the design is stretched.
    Stretch,
    /// How rows bend.
    Rows,
}

impl Joint {
    /// Solves the problem.
    ///
    /// # Errors
    ///
    /// [`SolveError`] when the normal equations are singular or the iteration fails.
    pub fn solve(&self) -> Result<Solved, SolveError> {
        self.solve_with(&Options::default())
    }

    /// As [`Joint::solve`], but stops when the cost falls by less than a thousandth: for a state from which
    /// the stitching is looked for anew.
    ///
    /// # Errors
    ///
    /// As [`Joint::solve`].
    pub fn solve_roughly(&self) -> Result<Solved, SolveError> {
        self.solve_with(&Options {
            iterations: 15,
            relative_cost: 1e-3,
        })
    }

    fn solve_with(&self, options: &Options) -> Result<Solved, SolveError> {
        let solution: Solution = minimise(self, &self.start.to_parameters(&self.cameras), options)?;
        Ok(Solved {
            state: State::from_parameters(&solution.parameters, &self.start, &self.cameras),
            covariance: solution.covariance,
            iterations: solution.iterations,
        })
    }

    /// By how much worse what is known without the stitching (corners, camera, cards, sag, stretch) fits a state than where it
    /// fits best: a difference of sums of squared residuals, about chi-squared with as many degrees of freedom as the
    /// stitching settles.
    ///
    /// # Errors
    ///
    /// [`SolveError`] as [`Joint::solve`].
    pub fn strain(&self, state: &State) -> Result<f64, SolveError> {
        let mut alone = self.clone();
        for photo in &mut alone.photos {
            photo.lines.clear();
        }
        alone.start = State {
            rows: Vec::new(),
            habit_mm: Vec::new(),
            ..state.clone()
        };
        let cost = |state: &State| {
            let mut sum = 0.0;
            let p = state.to_parameters(&alone.cameras);
            alone.visit(&p, false, &mut |_, r, _, loss| sum += loss.cost(r));
            sum
        };
        let best = alone.solve_roughly()?.state;
        Ok(cost(&alone.start) - cost(&best))
    }

    /// The start with its first parameters moved, in the order of the solution.
    pub fn moved(&self, by: &[f64]) -> State {
        let mut p = self.start.to_parameters(&self.cameras);
        for (p, by) in p.iter_mut().zip(by) {
            *p += by;
        }
        State::from_parameters(&p, &self.start, &self.cameras)
    }

    /// The place on the quilt seen at a photo position, with its derivatives by parameter; `None` when the ray misses
    /// the quilt.
    ///
    /// The place moves so that what a parameter does to its picture is made good (implicit differentiation).
    pub fn place_with_gradient(
        &self,
        state: &State,
        photo: usize,
        px: Point2,
    ) -> Option<(Point2, Vec<(usize, Vector2)>)> {
        let p = state.to_parameters(&self.cameras);
        let relief = state.surface.relief.clone();
        let view = self.seen_by(&p, photo, &relief);
        let place = view.at.quilt_from_photo(px)?;
        let surface = &view.at.view.surface;
        let space = surface.at(place.x, place.y);
        let seen = view.look(&space)?;
        let moves = moves_on(surface, place, &space);
        let back = -(seen.by_space * Matrix3x2::from_columns(&moves)).try_inverse()?;
        let mut gradient: Vec<(usize, Vector2)> =
            seen.by_view.iter().map(|(i, d)| (*i, back * d)).collect();
        for (i, h, surface) in &view.sagged {
            let moved = (surface.at(place.x, place.y) - space) / *h;
            gradient.push((*i, back * (seen.by_space * moved)));
        }
        if let Some(relief) = &relief {
            let shares = relief.shares(place.x, place.y);
            let lower = back * seen.by_space.column(2);
            let heights = shares.index.iter().zip(shares.z);
            gradient.extend(heights.map(|(i, share)| (self.relief_at() + i, lower * share)));
        }
        Some((place, gradient))
    }

    /// By how much of the variance of linear functions of the parameters each source is to blame, in the
    /// functions' unit squared; a function is the list of its derivatives by parameter.
    ///
    /// With v = C·g, the variance gᵀCg is the sum of w·(aᵀv)² over all whitened observations and priors with
    /// gradient a and weight w, as C is the inverse of the sum of w·aaᵀ: each source has its own sum.
    pub fn variances_by_source<const N: usize>(
        &self,
        state: &State,
        covariance: &DMatrix<f64>,
        gradients: &[Vec<(usize, f64)>; N],
    ) -> [BTreeMap<Source, f64>; N] {
        let pulls = gradients.each_ref().map(|gradient| {
            let mut g = DVector::zeros(self.parameter_count());
            for (i, d) in gradient {
                g[*i] += d;
            }
            covariance * g
        });
        let mut shares: [BTreeMap<Source, f64>; N] = std::array::from_fn(|_| BTreeMap::new());
        self.visit(
            &state.to_parameters(&self.cameras),
            true,
            &mut |source, residual, a, loss| {
                for (v, shares) in pulls.iter().zip(&mut shares) {
                    let pull: f64 = a.iter().map(|(i, d)| d * v[*i]).sum();
                    *shares.entry(source).or_default() += loss.weight(residual) * pull * pull;
                }
            },
        );
        shares
    }
}

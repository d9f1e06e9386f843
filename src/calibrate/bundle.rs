//! Camera, shapes of the cards and all their poses as one least-squares problem.
//!
//! The unknowns all views share (camera, shapes of the cards) and the six of each view's pose make
//! block-arrow normal equations; the poses are eliminated view by view by the Schur complement, so that
//! what is left to solve does not grow with the number of photos:
//!
//! ```text
//! | A   B | |a|   |g|        S = A − Σ Bᵥ Cᵥ⁻¹ Bᵥᵀ        S·a = g − Σ Bᵥ Cᵥ⁻¹ hᵥ
//! | Bᵀ  C |·|c| = |h|        Cᵥ·cᵥ = hᵥ − Bᵥᵀ·a           cov(a) = S⁻¹
//! ```
//!
//! B. Triggs, P. McLauchlan, R. Hartley, A. Fitzgibbon, "Bundle adjustment — a modern synthesis", 2000,
//! section 6. Damping after D. W. Marquardt, SIAM J. 11(2), 1963.

use crate::geometry::{Point2, Vector2};
use crate::plane::camera::{CAMERA_VALUES, Camera, Pose};
use crate::solve::levenberg_marquardt::{Loss, SolveError, Stop};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix6, Rotation3, Vector3, Vector6};
use rayon::prelude::*;

/// A point of a card located in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlanePoint {
    /// On the card as drawn, mm (any unit will do for a camera's sake).
    pub on_card: Point2,
    /// In the photo, px; pixel (0, 0) has its centre at (0.5, 0.5).
    pub in_photo_px: Point2,
    /// Inverse square root of its covariance, 1/px.
    pub whitening: Matrix2<f64>,
}

/// A card as seen in one photo.
#[derive(Debug, Clone, PartialEq)]
pub struct CardView {
    /// Which of the problem's cards.
    pub card: usize,
    /// Its points.
    pub points: Vec<PlanePoint>,
}

/// How a print differs from a flat one with the same scale along x and y.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CardShape {
    /// Print scale along y over that along x, less 1.
    pub y_to_x: f64,
    /// Lift of the middle over the edges along x, x·y and y, mm at half sizes: z = c₁u² + c₂uv + c₃v²
    /// with (u, v) on the card in half sizes and z away from the viewer.
    pub bend: [f64; 3],
    /// Half width and half height of the pattern, mm.
    pub half: (f64, f64),
}

/// Number of unknowns of a card's shape.
pub const SHAPE_VALUES: usize = 4;

impl CardShape {
    /// A true and flat card of this half width and half height, mm.
    pub fn flat(half: (f64, f64)) -> CardShape {
        CardShape {
            half,
            ..CardShape::default()
        }
    }

    fn values(&self) -> [f64; SHAPE_VALUES] {
        [self.y_to_x, self.bend[0], self.bend[1], self.bend[2]]
    }

    fn with_values(&self, v: &[f64]) -> CardShape {
        CardShape {
            y_to_x: v[0],
            bend: [v[1], v[2], v[3]],
            half: self.half,
        }
    }

    fn monomials(&self, p: Point2) -> [f64; 3] {
        let (u, v) = (p.x / self.half.0, p.y / self.half.1);
        [u * u, u * v, v * v]
    }

    /// The point in space of a point of the drawing, in the card's own frame, mm.
    pub fn in_space(&self, p: Point2) -> Vector3<f64> {
        let z: f64 = self
            .monomials(p)
            .iter()
            .zip(self.bend)
            .map(|(m, c)| m * c)
            .sum();
        Vector3::new(p.x, p.y * (1.0 + self.y_to_x), z)
    }
}

/// An unknown of the head (camera and cards' shapes): fixed, free, or free within a prior.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unknown {
    /// Taken as it is at the start.
    Fixed,
    /// Estimated from the photos alone.
    Free,
    /// Estimated, with this standard uncertainty about its value at the start known beforehand.
    Within(f64),
}

/// The problem.
#[derive(Debug, Clone, PartialEq)]
pub struct Bundle {
    /// Cards in photos.
    pub views: Vec<CardView>,
    /// First guess.
    pub start: Estimate,
    /// How each of [`Camera::values`] is treated.
    pub camera: [Unknown; CAMERA_VALUES],
    /// How each card's y-to-x scale, and each of its three bends, is treated.
    pub shape: [Unknown; SHAPE_VALUES],
    /// Standard uncertainty of ln(f_y/f_x) about 0, when something is known of it.
    pub square_u: Option<f64>,
    /// Loss of a point's distance, in standard uncertainties.
    pub loss: Loss,
    /// Relative fall of the cost below which it has converged.
    pub relative_cost: f64,
}

/// Camera, shapes of the cards, pose of each view.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// The camera.
    pub camera: Camera,
    /// The cards.
    pub shapes: Vec<CardShape>,
    /// Card's frame in the camera's, per view.
    pub poses: Vec<Pose>,
}

/// The solved problem.
#[derive(Debug, Clone)]
pub struct BundleSolution {
    /// Estimates.
    pub estimate: Estimate,
    /// Σ ρ(rᵢ), priors included.
    pub cost: f64,
    /// Covariance of the head: [`Camera::values`], then four values a card; not scaled by a variance
    /// factor. Fixed ones have none.
    pub head_covariance: DMatrix<f64>,
    /// Covariance of each view's pose (rotation about the camera's axes, rad; translation, mm).
    pub pose_covariances: Vec<Matrix6<f64>>,
    /// Unknowns estimated.
    pub unknowns: usize,
    /// Observations, priors included.
    pub observations: usize,
    /// Iterations taken.
    pub iterations: usize,
    /// Why it stopped.
    pub stop: Stop,
}

impl BundleSolution {
    /// Observations less unknowns.
    pub fn degrees_of_freedom(&self) -> f64 {
        self.observations as f64 - self.unknowns as f64
    }
}

/// Residual of a point that cannot be projected at all, in standard uncertainties.
const UNSEEN: f64 = 1e3;
const MOST_ITERATIONS: usize = 60;

/// Unknowns of the head one view depends on: the camera's, and its own card's shape.
const OWN: usize = CAMERA_VALUES + SHAPE_VALUES;

/// Products of one view's derivatives by its part of the head and by its pose.
struct Products {
    lower: [[f64; OWN + 6]; OWN + 6],
    gradient: [f64; OWN + 6],
    cost: f64,
}

impl Products {
    fn square(&self, i: usize, j: usize) -> f64 {
        self.lower[i.max(j)][i.min(j)]
    }
}

struct ViewEquations {
    b: DMatrix<f64>,
    c: Matrix6<f64>,
    h: Vector6<f64>,
}

struct Equations {
    a: DMatrix<f64>,
    g: DVector<f64>,
    views: Vec<ViewEquations>,
    cost: f64,
}

impl Bundle {
    fn head_len(&self) -> usize {
        CAMERA_VALUES + SHAPE_VALUES * self.start.shapes.len()
    }

    fn unknown(&self, i: usize) -> Unknown {
        match i.checked_sub(CAMERA_VALUES) {
            None => self.camera[i],
            Some(i) => self.shape[i % SHAPE_VALUES],
        }
    }

    /// Whitened residual (seen from estimated) of each point of a view; `None` where unseen.
    pub fn residuals(&self, estimate: &Estimate, view: usize) -> Vec<Option<Vector2>> {
        let CardView { card, points } = &self.views[view];
        let rotation = estimate.poses[view].matrix();
        let shape = &estimate.shapes[*card];
        points
            .iter()
            .map(|p| {
                let at = rotation * shape.in_space(p.on_card) + estimate.poses[view].translation;
                let px = estimate.camera.project(&at)?;
                Some(p.whitening * (px - p.in_photo_px))
            })
            .collect()
    }

    /// The same in pixels, not whitened.
    pub fn residuals_px(&self, estimate: &Estimate, view: usize) -> Vec<Option<Vector2>> {
        let whitened = self.residuals(estimate, view);
        let points = &self.views[view].points;
        let unwhiten = |p: &PlanePoint, r: Vector2| p.whitening.try_inverse().map(|w| w * r);
        points
            .iter()
            .zip(whitened)
            .map(|(p, r)| unwhiten(p, r?))
            .collect()
    }

    fn cost(&self, estimate: &Estimate) -> f64 {
        let points: f64 = (0..self.views.len())
            .flat_map(|view| self.residuals(estimate, view))
            .map(|r| self.loss.cost(r.map_or(UNSEEN, |r| r.norm())))
            .sum();
        let priors: f64 = self.priors(estimate).map(|(_, r, _)| r * r).sum();
        points + priors
    }

    /// Priors: residual and its derivatives by the head.
    #[allow(clippy::type_complexity)]
    fn priors<'a>(
        &'a self,
        estimate: &Estimate,
    ) -> impl Iterator<Item = (usize, f64, Vec<(usize, f64)>)> + 'a {
        let (now, known) = (head(estimate), head(&self.start));
        let square = self.square_u.map(|u| {
            let derivatives = vec![(0, -1.0 / (now[0] * u)), (1, 1.0 / (now[1] * u))];
            (0, (now[1] / now[0]).ln() / u, derivatives)
        });
        (0..self.head_len())
            .filter_map(move |i| match self.unknown(i) {
                Unknown::Within(u) => Some((i, (now[i] - known[i]) / u, vec![(i, 1.0 / u)])),
                _ => None,
            })
            .chain(square)
    }

    fn equations(&self, estimate: &Estimate, free: &[usize]) -> Equations {
        let n = free.len();
        let mut place = vec![None; self.head_len()];
        for (k, i) in free.iter().enumerate() {
            place[*i] = Some(k);
        }
        let mut out = Equations {
            a: DMatrix::zeros(n, n),
            g: DVector::zeros(n),
            views: Vec::with_capacity(self.views.len()),
            cost: 0.0,
        };
        let products: Vec<Products> = (0..self.views.len())
            .into_par_iter()
            .map(|i| self.view_equations(estimate, i))
            .collect();
        for (view, own) in self.views.iter().zip(products) {
            out.cost += own.cost;
            let at = CAMERA_VALUES + SHAPE_VALUES * view.card;
            let index = |k: usize| match k.checked_sub(CAMERA_VALUES) {
                None => place[k],
                Some(k) => place[at + k],
            };
            let here: Vec<(usize, usize)> = (0..OWN).filter_map(|k| Some((k, index(k)?))).collect();
            let mut b = DMatrix::zeros(n, 6);
            for (k, i) in &here {
                out.g[*i] -= own.gradient[*k];
                for (l, j) in &here {
                    if j <= i {
                        out.a[(*i, *j)] += own.square(*k, *l);
                    }
                }
                for l in 0..6 {
                    b[(*i, l)] = own.square(OWN + l, *k);
                }
            }
            out.views.push(ViewEquations {
                b,
                c: Matrix6::from_fn(|i, j| own.square(OWN + i, OWN + j)),
                h: Vector6::from_fn(|i, _| -own.gradient[OWN + i]),
            });
        }
        for (_, r, derivatives) in self.priors(estimate) {
            out.cost += r * r;
            let here: Vec<(usize, f64)> = derivatives
                .iter()
                .filter_map(|(i, d)| Some((place[*i]?, *d)))
                .collect();
            for (i, d) in &here {
                out.g[*i] -= d * r;
                for (j, e) in &here {
                    if j <= i {
                        out.a[(*i, *j)] += d * e;
                    }
                }
            }
        }
        out.a.fill_upper_triangle_with_lower_triangle();
        out
    }

    /// JᵀWJ and JᵀWr of one view's points.
    fn view_equations(&self, estimate: &Estimate, view: usize) -> Products {
        let pose = &estimate.poses[view];
        let rotation = pose.matrix();
        let (y, z) = (rotation * Vector3::y(), rotation * Vector3::z());
        let shape = &estimate.shapes[self.views[view].card];
        let mut out = Products {
            lower: [[0.0; OWN + 6]; OWN + 6],
            gradient: [0.0; OWN + 6],
            cost: 0.0,
        };
        for p in &self.views[view].points {
            let turned = rotation * shape.in_space(p.on_card);
            let Some((px, by_place, by_camera)) = estimate
                .camera
                .project_with_derivatives(&(turned + pose.translation))
            else {
                out.cost += self.loss.cost(UNSEEN);
                continue;
            };
            let r = p.whitening * (px - p.in_photo_px);
            let weight = self.loss.weight(r.norm());
            out.cost += self.loss.cost(r.norm());
            let by_place = p.whitening * by_place;
            let [uu, uv, vv] = shape.monomials(p.on_card);
            let by_z = by_place * z;
            let by_turn = -by_place * turned.cross_matrix();
            let mut j = [Vector2::zeros(); OWN + 6];
            for (to, d) in j.iter_mut().zip(&by_camera) {
                *to = p.whitening * d;
            }
            j[CAMERA_VALUES] = by_place * y * p.on_card.y;
            j[CAMERA_VALUES + 1] = by_z * uu;
            j[CAMERA_VALUES + 2] = by_z * uv;
            j[CAMERA_VALUES + 3] = by_z * vv;
            for i in 0..3 {
                j[OWN + i] = by_turn.column(i).into_owned();
                j[OWN + 3 + i] = by_place.column(i).into_owned();
            }
            for i in 0..OWN + 6 {
                let (x, y) = (weight * j[i].x, weight * j[i].y);
                out.gradient[i] += x * r.x + y * r.y;
                for (to, d) in out.lower[i].iter_mut().zip(&j[..=i]) {
                    *to += x * d.x + y * d.y;
                }
            }
        }
        out
    }

    /// Finds the minimum nearest to the start.
    ///
    /// # Errors
    ///
    /// [`SolveError::Undetermined`] when the photos leave an unknown open (its index counts
    /// [`Camera::values`], the cards' shapes, then the poses), [`SolveError::BadStart`] when the start
    /// cannot be evaluated.
    pub fn solve(&self) -> Result<BundleSolution, SolveError> {
        let free: Vec<usize> = (0..self.head_len())
            .filter(|i| self.unknown(*i) != Unknown::Fixed)
            .collect();
        let mut estimate = self.start.clone();
        let mut now = self.equations(&estimate, &free);
        if !now.cost.is_finite() {
            return Err(SolveError::BadStart);
        }
        let (mut damping, mut iterations, mut stop) = (1e-3, 0, Stop::OutOfIterations);
        while iterations < MOST_ITERATIONS {
            iterations += 1;
            let step = now.step(damping);
            let moved = step.map(|(head, poses)| moved(&estimate, &free, &head, &poses));
            let cost = moved.as_ref().map_or(f64::INFINITY, |e| self.cost(e));
            match moved {
                Some(moved) if cost.is_finite() && cost <= now.cost => {
                    let fall = (now.cost - cost) / now.cost.max(f64::MIN_POSITIVE);
                    estimate = moved;
                    now = self.equations(&estimate, &free);
                    damping = (damping * 0.1).max(1e-15);
                    if fall < self.relative_cost {
                        stop = Stop::Converged;
                        break;
                    }
                }
                _ => {
                    damping *= 10.0;
                    if damping > 1e12 {
                        // No step lowers the cost any more: the minimum to working precision.
                        stop = Stop::Converged;
                        break;
                    }
                }
            }
        }
        let (head_free, pose_covariances) = now.covariances(&free, self.head_len())?;
        let n = self.head_len();
        let mut head_covariance = DMatrix::zeros(n, n);
        for (i, fi) in free.iter().enumerate() {
            for (j, fj) in free.iter().enumerate() {
                head_covariance[(*fi, *fj)] = head_free[(i, j)];
            }
        }
        let points: usize = self.views.iter().map(|v| v.points.len()).sum();
        Ok(BundleSolution {
            cost: now.cost,
            head_covariance,
            pose_covariances,
            unknowns: free.len() + 6 * self.views.len(),
            observations: 2 * points + self.priors(&estimate).count(),
            estimate,
            iterations,
            stop,
        })
    }
}

fn head(estimate: &Estimate) -> Vec<f64> {
    let mut v = estimate.camera.values().to_vec();
    v.extend(estimate.shapes.iter().flat_map(CardShape::values));
    v
}

fn moved(
    estimate: &Estimate,
    free: &[usize],
    head_step: &DVector<f64>,
    poses: &[Vector6<f64>],
) -> Estimate {
    let mut values = head(estimate);
    for (k, i) in free.iter().enumerate() {
        values[*i] += head_step[k];
    }
    let camera: [f64; CAMERA_VALUES] = std::array::from_fn(|i| values[i]);
    Estimate {
        camera: Camera::from_values(&camera),
        shapes: estimate
            .shapes
            .iter()
            .zip(values[CAMERA_VALUES..].chunks(SHAPE_VALUES))
            .map(|(shape, v)| shape.with_values(v))
            .collect(),
        poses: estimate
            .poses
            .iter()
            .zip(poses)
            .map(|(pose, step)| {
                let turn = Rotation3::from_scaled_axis(Vector3::new(step[0], step[1], step[2]));
                Pose {
                    rotation: (turn * pose.matrix()).scaled_axis(),
                    translation: pose.translation + Vector3::new(step[3], step[4], step[5]),
                }
            })
            .collect(),
    }
}

impl Equations {
    /// The damped step of head and poses; `None` when it is not to be had.
    fn step(&self, damping: f64) -> Option<(DVector<f64>, Vec<Vector6<f64>>)> {
        let mut s = self.a.clone();
        for i in 0..s.nrows() {
            s[(i, i)] *= 1.0 + damping;
        }
        let mut rhs = self.g.clone();
        let mut factors = Vec::with_capacity(self.views.len());
        for view in &self.views {
            let mut c = view.c;
            for i in 0..6 {
                c[(i, i)] *= 1.0 + damping;
            }
            let factor = c.cholesky()?;
            let solved = factor.solve(&view.b.transpose());
            s -= &view.b * &solved;
            rhs -= &view.b * factor.solve(&view.h);
            factors.push(factor);
        }
        let scale = s.diagonal().map(|d| 1.0 / d.max(f64::MIN_POSITIVE).sqrt());
        let scaled = DMatrix::from_fn(s.nrows(), s.ncols(), |i, j| s[(i, j)] * scale[i] * scale[j]);
        let head = scaled
            .cholesky()?
            .solve(&rhs.component_mul(&scale))
            .component_mul(&scale);
        let poses = self
            .views
            .iter()
            .zip(factors)
            .map(|(view, factor)| factor.solve(&(view.h - view.b.transpose() * &head)))
            .collect();
        Some((head, poses))
    }

    /// Covariance of the head, and of each view's pose: C⁻¹ + (C⁻¹Bᵀ)·cov(a)·(C⁻¹Bᵀ)ᵀ.
    #[allow(clippy::type_complexity)]
    fn covariances(
        &self,
        free: &[usize],
        head_len: usize,
    ) -> Result<(DMatrix<f64>, Vec<Matrix6<f64>>), SolveError> {
        let mut s = self.a.clone();
        let mut inverses = Vec::with_capacity(self.views.len());
        for (i, view) in self.views.iter().enumerate() {
            let index = head_len + 6 * i;
            let inverse = view
                .c
                .cholesky()
                .ok_or(SolveError::Undetermined { index })?
                .inverse();
            s -= &view.b * inverse * view.b.transpose();
            inverses.push(inverse);
        }
        let undetermined = |k: usize| SolveError::Undetermined { index: free[k] };
        // What the photos leave open has no more than rounding of its own diagonal left.
        if let Some(k) = (0..s.nrows()).find(|k| s[(*k, *k)] <= 1e-13 * self.a[(*k, *k)]) {
            return Err(undetermined(k));
        }
        let scale = s.diagonal().map(|d| 1.0 / d.sqrt());
        let scaled = DMatrix::from_fn(s.nrows(), s.ncols(), |i, j| s[(i, j)] * scale[i] * scale[j]);
        let inverse = scaled
            .clone()
            .cholesky()
            .map(|c| c.inverse())
            .ok_or_else(|| {
                let eigen = scaled.symmetric_eigen();
                undetermined(eigen.eigenvectors.column(eigen.eigenvalues.imin()).iamax())
            })?;
        let head = DMatrix::from_fn(s.nrows(), s.ncols(), |i, j| {
            inverse[(i, j)] * scale[i] * scale[j]
        });
        let poses = self
            .views
            .iter()
            .zip(inverses)
            .map(|(view, inverse)| {
                let gain = inverse * view.b.transpose();
                let more = &gain * &head * gain.transpose();
                inverse + Matrix6::from_fn(|i, j| more[(i, j)])
            })
            .collect();
        Ok((head, poses))
    }
}

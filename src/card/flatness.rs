//! Do the corners of each card lie as those of a flat card must?
//!
//! Per card a homography and a quadratic bend, for the photo one radial term about a centre near its
//! middle, all in one least-squares fit. A bent card and a bent lens move corners in different
//! patterns, and where they do not, the bend's uncertainty says so. With K the pinhole at an assumed
//! focal length, B = K⁻¹·H = (b₁ b₂ b₃), (x, y) on the card in half sizes and z its lift:
//!
//! ```text
//! n = (b₁ × b₂)/√(|b₁||b₂|)      p = K·(x·b₁ + y·b₂ + b₃ + z·n)      z = −(c₁x² + c₂xy + c₃y²)
//! p_d = centre + (p − centre)·(1 + k₁·|p − centre|²/f²)
//! ```
//!
//! R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed. 2004, sections 7.4 and 8.1.

use super::CornerInPhoto;
use super::geometry::CardId;
use crate::geometry::homography::Homography;
use crate::geometry::{Matrix3, Point2, Vector2};
use crate::solve::levenberg_marquardt::{Loss, NormalEquations, Options, Problem, Stop, minimise};
use nalgebra::{Matrix2, Vector3};

/// Prior scatter of the radial term (phones: up to about 0.1; cheap or wide lenses: 0.3).
const K1_PRIOR: f64 = 0.3;
/// Prior scatter of the lens' centre from the picture's middle, share of the longer side.
const CENTRE_PRIOR: f64 = 0.015;
/// Prior scatter of a bend, mm: paper taped to board lies within 1 mm, loose paper does not.
const BEND_PRIOR_MM: f64 = 4.0;
/// What the model leaves out (higher lens terms, board that is not quite quadratic), px.
const MODEL_U_PX: f64 = 0.02;
/// What holds a bend that two rows of patches cannot show at nothing, mm.
const UNSEEN_BEND_MM: f64 = 1e-3;
const SHARED: usize = 3;
const PER_CARD: usize = 11;
/// Of a card's unknowns the first that is a bend.
const FIRST_BEND: usize = 8;
/// What flat cards are bent by, and bent ones, standard deviations, mm, and the share of bent ones: common practice, no source.
const FLAT_BEND_MM: f64 = 0.02;
const TRUE_BEND_MM: f64 = 1.5;
const BENT_SHARE: f64 = 0.2;

/// The fit of one card.
#[derive(Debug, Clone, PartialEq)]
pub struct Flatness {
    /// Greatest of the three bends, mm over the card's half size; positive: the middle stands up.
    pub bend_mm: f64,
    /// Its standard uncertainty, mm; infinite when the fit did not come to an end.
    pub u_mm: f64,
    /// RMS of the corners' distances from the fit, in their stated standard uncertainties.
    pub misfit: f64,
    /// For each corner, its distance from the fit: px, and in standard uncertainties (√(rᵀC⁻¹r)).
    pub distances: Vec<(f64, f64)>,
    /// For each corner, how far the likely bend moves it in the photo from where it would lie on the card's mean plane, px, and
    /// the covariance of that, px².
    pub moved_px: Vec<(Vector2, Matrix2<f64>)>,
}

/// Fits all cards of a photo; `None` for a card whose corners cannot be fitted or that has fewer than
/// seven (the fit has eleven unknowns a card).
pub fn check_flatness(
    cards: &[(CardId, &[CornerInPhoto])],
    size_px: (u32, u32),
    focal_px: f64,
) -> Vec<Option<Flatness>> {
    let middle = Vector2::new(f64::from(size_px.0), f64::from(size_px.1)) / 2.0;
    let mut views = Vec::new();
    let mut index = Vec::new();
    for (card, corners) in cards {
        let view = (corners.len() >= 7).then(|| View::new(*card, corners, middle, focal_px));
        index.push(view.flatten().map(|view| {
            views.push(view);
            views.len() - 1
        }));
    }
    let mut fit = Fit {
        loss: Loss::Huber(4.0),
        views,
        focal_px,
        middle,
        centre_u_px: CENTRE_PRIOR * f64::from(size_px.0.max(size_px.1)),
    };
    let n = fit.parameter_count();
    let options = Options {
        iterations: 60,
        relative_cost: 1e-6,
    };
    // From afar Cauchy's loss is flat and leads nowhere, so a convex one goes first.
    let rough = minimise(&fit, &vec![0.0; n], &options);
    fit.loss = Loss::Cauchy(4.0);
    let solution = rough.and_then(|rough| minimise(&fit, &rough.parameters, &options));
    let Ok(solution) = solution else {
        return vec![None; cards.len()];
    };
    let p = &solution.parameters;
    index
        .into_iter()
        .map(|i| {
            let i = i?;
            let own = SHARED + PER_CARD * i;
            let distances: Vec<(f64, f64)> = (0..fit.views[i].corners.len())
                .map(|k| {
                    let d = fit.residual(i, k, &p[..SHARED], &p[own..own + PER_CARD]);
                    (d.norm(), (fit.views[i].corners[k].whiten * d).norm())
                })
                .collect();
            let unknowns = 2.0 * distances.len() as f64 - 9.0;
            let sum: f64 = distances.iter().map(|d| d.1.min(6.0).powi(2)).sum();
            let misfit = (sum / unknowns.max(1.0)).sqrt();
            let (bend_mm, variance) = (FIRST_BEND..PER_CARD)
                .map(|k| (p[own + k], solution.covariance[(own + k, own + k)]))
                .max_by(|a, b| (a.0.abs() / a.1.sqrt()).total_cmp(&(b.0.abs() / b.1.sqrt())))?;
            let at = own + FIRST_BEND;
            let covariance =
                solution.covariance.fixed_view::<3, 3>(at, at) * misfit.max(1.0).powi(2);
            let measured = Vector3::from_column_slice(&p[at..at + 3]);
            let bends = if solution.stop == Stop::Converged {
                likely_bends(&measured, &covariance, fit.views[i].two_rows)?
            } else {
                (Vector3::zeros(), Matrix3::zeros())
            };
            let moved_px = (0..distances.len())
                .map(|k| fit.moved_by_bend(i, k, &p[..SHARED], &p[own..own + PER_CARD], &bends))
                .collect();
            Some(Flatness {
                bend_mm,
                u_mm: if solution.stop == Stop::Converged {
                    variance.sqrt() * misfit.max(1.0)
                } else {
                    f64::INFINITY
                },
                misfit,
                distances,
                moved_px,
            })
        })
        .collect()
}

/// By how much a place of the card, in half sizes, stands out for each millimetre of its bends.
fn lifts(place: Point2) -> [f64; 3] {
    [-place.x * place.x, -place.x * place.y, -place.y * place.y]
}

/// The bends a card is likely to have and their covariance, mm and mm²: what was measured against what flat cards and bent ones
/// have, each as far as it explains the measured. So a flat card's chance bends stay out of its corners, a bent one's come in whole.
fn likely_bends(
    measured_mm: &Vector3<f64>,
    covariance_mm2: &Matrix3,
    two_rows: bool,
) -> Option<(Vector3<f64>, Matrix3)> {
    // Of each kind: how likely it is given the measured (but for a common factor), the mean, the covariance.
    let kind = |share: f64, u_mm: f64| {
        let across = if two_rows { UNSEEN_BEND_MM } else { u_mm };
        let prior = Matrix3::from_diagonal(&Vector3::new(u_mm, u_mm, across).map(|u| u * u));
        let expected = (prior + covariance_mm2).cholesky()?;
        let gain = prior * expected.inverse();
        let distance2 = measured_mm.dot(&expected.solve(measured_mm));
        let density = (-distance2 / 2.0).exp() / expected.l().diagonal().product();
        Some((share * density, gain * measured_mm, prior - gain * prior))
    };
    let kinds = [
        kind(1.0 - BENT_SHARE, FLAT_BEND_MM)?,
        kind(BENT_SHARE, TRUE_BEND_MM)?,
    ];
    let sum: f64 = kinds.iter().map(|k| k.0).sum();
    if sum <= 0.0 {
        // Both densities vanish only far out, where there is no doubt.
        return Some((kinds[1].1, kinds[1].2));
    }
    let mean: Vector3<f64> = kinds.iter().map(|k| k.1 * (k.0 / sum)).sum();
    let covariance = kinds.iter().fold(Matrix3::zeros(), |all, (likely, m, c)| {
        let d = m - mean;
        all + (c + d * d.transpose()) * (likely / sum)
    });
    Some((mean, covariance))
}

struct Corner {
    /// In half sizes of the card.
    place: Point2,
    seen: Point2,
    whiten: Matrix2<f64>,
}

struct View {
    /// K⁻¹·H from half sizes.
    start: Matrix3,
    /// Half sizes, mm.
    half_mm: (f64, f64),
    two_rows: bool,
    corners: Vec<Corner>,
}

impl View {
    fn new(
        card: CardId,
        corners: &[CornerInPhoto],
        middle: Vector2,
        focal_px: f64,
    ) -> Option<View> {
        let (w, h) = card.size_mm();
        let half_mm = (w / 2.0, h / 2.0);
        let corners: Vec<Corner> = corners
            .iter()
            .map(|c| {
                let covariance = c.covariance_px2 + Matrix2::identity() * (MODEL_U_PX * MODEL_U_PX);
                Some(Corner {
                    place: Point2::new(c.on_card_mm.x / half_mm.0, c.on_card_mm.y / half_mm.1),
                    seen: c.in_photo_px,
                    whiten: covariance.cholesky()?.l().try_inverse()?,
                })
            })
            .collect::<Option<_>>()?;
        let source: Vec<Point2> = corners.iter().map(|c| c.place).collect();
        let target: Vec<Point2> = corners
            .iter()
            .map(|c| Point2::from((c.seen.coords - middle) / focal_px))
            .collect();
        let h = Homography::from_points(&source, &target).ok()?;
        Some(View {
            start: *h.matrix(),
            half_mm,
            two_rows: card.grid().1 == 1,
            corners,
        })
    }
}

struct Fit {
    loss: Loss,
    views: Vec<View>,
    focal_px: f64,
    middle: Vector2,
    centre_u_px: f64,
}

impl Fit {
    /// Fitted less seen place, px.
    fn residual(&self, view: usize, corner: usize, lens: &[f64], own: &[f64]) -> Vector2 {
        let place = self.views[view].corners[corner].place;
        let by_bend = lifts(place);
        let lift = (0..3).map(|k| own[FIRST_BEND + k] * by_bend[k]).sum();
        self.residual_lifted(view, corner, lens, own, lift)
    }

    /// How far likely bends and their covariance, mm and mm², move a corner in the photo against the card's mean plane, px,
    /// and the covariance of that.
    fn moved_by_bend(
        &self,
        view: usize,
        corner: usize,
        lens: &[f64],
        own: &[f64],
        (bends_mm, covariance_mm2): &(Vector3<f64>, Matrix3),
    ) -> (Vector2, Matrix2<f64>) {
        let flat = self.residual_lifted(view, corner, lens, own, 0.0);
        let per_mm = self.residual_lifted(view, corner, lens, own, 1.0) - flat;
        let place = self.views[view].corners[corner].place;
        // On a rectangle x² is a third in the mean, and xy nothing.
        let above_mean = Vector3::from(lifts(place)) + Vector3::new(1.0, 0.0, 1.0) / 3.0;
        let lift = above_mean.dot(bends_mm);
        let variance = above_mean.dot(&(covariance_mm2 * above_mean));
        (per_mm * lift, per_mm * per_mm.transpose() * variance)
    }

    /// As [`Fit::residual`] where the card stands so far out from its middle's tangent plane, mm.
    fn residual_lifted(
        &self,
        view: usize,
        corner: usize,
        lens: &[f64],
        own: &[f64],
        lift: f64,
    ) -> Vector2 {
        let v = &self.views[view];
        let c = &v.corners[corner];
        let e = Matrix3::new(
            own[0], own[1], own[2], own[3], own[4], own[5], own[6], own[7], 0.0,
        );
        // Unknowns as small changes of the start, in thousandths, keep all of one size.
        let b = v.start * (Matrix3::identity() + e * 1e-3);
        let (b1, b2) = (b.column(0).into_owned(), b.column(1).into_owned());
        let (m1, m2) = (b1 / v.half_mm.0, b2 / v.half_mm.1);
        let normal: Vector3<f64> = m1.cross(&m2) / (m1.norm() * m2.norm()).sqrt();
        let (x, y) = (c.place.x, c.place.y);
        // The normal of a right-handed (x right, y down) frame points away from the camera.
        let p = b1 * x + b2 * y + b.column(2) - normal * lift;
        let centre = Vector2::new(lens[1], lens[2]) / self.focal_px;
        let d = Vector2::new(p.x / p.z, p.y / p.z) - centre;
        let bent = centre + d * (1.0 + lens[0] * d.norm_squared());
        self.middle + bent * self.focal_px - c.seen.coords
    }
}

impl Problem for Fit {
    fn parameter_count(&self) -> usize {
        SHARED + PER_CARD * self.views.len()
    }

    fn linearise(&self, p: &[f64], with_gradients: bool, equations: &mut NormalEquations) {
        // Steps small against each unknown's effect of nonlinearity, large against rounding.
        let steps: [f64; SHARED + PER_CARD] = std::array::from_fn(|i| match i {
            0 => 1e-4,
            1 | 2 => 0.1,
            _ => 1e-2,
        });
        for view in 0..self.views.len() {
            let own = SHARED + PER_CARD * view;
            let mut unknowns = [0.0; SHARED + PER_CARD];
            unknowns[..SHARED].copy_from_slice(&p[..SHARED]);
            unknowns[SHARED..].copy_from_slice(&p[own..own + PER_CARD]);
            let index = |i: usize| if i < SHARED { i } else { own + i - SHARED };
            for (k, corner) in self.views[view].corners.iter().enumerate() {
                let at = |u: &[f64; SHARED + PER_CARD]| {
                    corner.whiten * self.residual(view, k, &u[..SHARED], &u[SHARED..])
                };
                let r = at(&unknowns);
                let mut derivatives = [Vec::new(), Vec::new()];
                if with_gradients {
                    for i in 0..SHARED + PER_CARD {
                        let mut moved = unknowns;
                        moved[i] += steps[i];
                        let d = (at(&moved) - r) / steps[i];
                        derivatives[0].push((index(i), d.x));
                        derivatives[1].push((index(i), d.y));
                    }
                }
                equations.add(r.x, &derivatives[0], self.loss);
                equations.add(r.y, &derivatives[1], self.loss);
            }
            for i in FIRST_BEND..PER_CARD {
                // Two rows of patches say nothing about a bend between them.
                let unseen = i == PER_CARD - 1 && self.views[view].two_rows;
                let u = if unseen {
                    UNSEEN_BEND_MM
                } else {
                    BEND_PRIOR_MM
                };
                equations.add(p[own + i] / u, &[(own + i, 1.0 / u)], Loss::Squared);
            }
        }
        equations.add(p[0] / K1_PRIOR, &[(0, 1.0 / K1_PRIOR)], Loss::Squared);
        let u = self.centre_u_px;
        for (i, offset) in p.iter().enumerate().take(SHARED).skip(1) {
            equations.add(offset / u, &[(i, 1.0 / u)], Loss::Squared);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::CornerKind;

    /// Corners of a sheet, tilted by 35 degrees 1.2 m in front of a pinhole of 3000 px, whose middle stands out by `bend_mm` from its
    /// left and right edges; with its mean plane at the same place whatever the bend.
    fn corners(card: CardId, bend_mm: f64) -> Vec<CornerInPhoto> {
        let half = card.size_mm().0 / 2.0;
        let (sin, cos) = 35f64.to_radians().sin_cos();
        let place = |p: Point2| {
            let lift = bend_mm * (1.0 / 3.0 - (p.x / half).powi(2));
            // The card turned about its x-axis; lifted towards the camera.
            let (y, z) = (p.y * cos + lift * sin, 1200.0 + p.y * sin - lift * cos);
            Point2::new(2000.0 + 3000.0 * p.x / z, 1500.0 + 3000.0 * y / z)
        };
        let corner = |p: Point2| CornerInPhoto {
            on_card_mm: p,
            in_photo_px: place(p),
            covariance_px2: Matrix2::identity() * 0.03 * 0.03,
            kind: CornerKind::Patch,
        };
        card.patches_mm().into_iter().map(corner).collect()
    }

    #[test]
    fn corners_of_a_bent_card_are_moved_to_where_a_flat_one_has_them() {
        let card = CardId::Sheet(1);
        let flat = corners(card, 0.0);
        for bend_mm in [-2.0, 1.0, 2.0] {
            let bent = corners(card, bend_mm);
            let fits = check_flatness(&[(card, &bent)], (4000, 3000), 3000.0);
            let fit = fits[0].as_ref().unwrap();
            assert!((fit.bend_mm - bend_mm).abs() < 0.2, "{}", fit.bend_mm);
            let off_px = |moved: bool| {
                let corners = bent.iter().zip(&flat).zip(&fit.moved_px);
                let offs = corners.map(|((bent, flat), (by_px, _))| {
                    let by_px = if moved { *by_px } else { Vector2::zeros() };
                    (bent.in_photo_px - by_px - flat.in_photo_px).norm()
                });
                offs.fold(0.0, f64::max)
            };
            assert!(off_px(false) > 0.5, "{bend_mm}: {}", off_px(false));
            assert!(
                off_px(true) < 0.15 * off_px(false),
                "{bend_mm}: {} {}",
                off_px(true),
                off_px(false)
            );
        }
    }
}

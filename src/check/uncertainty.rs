//! What makes a gap uncertain beside the solved problem, and all of it by cause.

use super::records::coverage;
use super::{Place, shared_range};
use crate::budget::{Budget, Cause};
use crate::card::geometry::print_scale_u_mm;
use crate::geometry::Point2;
use crate::plan::Plan;
use crate::plane::camera::PreparedView;
use crate::row::measure::Measured;
use nalgebra::{DMatrix, DVector};

/// How far a quilt under tension stands off the smooth surface that is fitted, RMS, mm: ripples along the
/// rollers, puff, pleats (common practice, no source).
const RIPPLE_MM: f64 = 0.2;

/// What ripples do to the distance of two rows: each is seen off by its own height times the slant of the
/// view, and rows lie too far apart to ripple alike. Standard uncertainty, mm.
pub(crate) fn ripple_u_mm(measured: &Measured, place: Point2) -> f64 {
    let slant = |view: &PreparedView| {
        let eye = view.eye();
        ((place.y - eye.y) / eye.z).abs()
    };
    let least = measured.views.iter().map(slant).fold(f64::MAX, f64::min);
    std::f64::consts::SQRT_2 * RIPPLE_MM * least.min(2.0)
}

/// What it does to a spacing that the line was learned from the photo itself, with a plane that is not quite known;
/// standard uncertainty, mm (tried on practice photos).
const LEARNED_U_MM: f64 = 0.25;

/// The same for a plan; none where it names a design.
pub(super) fn learned_u_mm(plan: &Plan) -> f64 {
    if plan.has_design() { 0.0 } else { LEARNED_U_MM }
}

/// Share of a row's line that is found where nothing of it is in the way.
const NEARLY_ALL: f64 = 0.85;

/// Covariance of some parameters once all others are known: C_aa − C_ab·C_bb⁻¹·C_ba (T. W. Anderson, An Introduction to
/// Multivariate Statistical Analysis, theorem 2.5.1, from memory). `None` where the covariance is singular.
fn given_all_others(covariance: &DMatrix<f64>, parameters: &[usize]) -> Option<DMatrix<f64>> {
    let n = covariance.nrows();
    let others: Vec<usize> = (0..n).filter(|i| !parameters.contains(i)).collect();
    // Lengths, angles and curvatures stand beside each other: in units of their own deviations they are alike.
    let own = DVector::from_fn(n, |i, _| covariance[(i, i)].sqrt().max(f64::MIN_POSITIVE));
    let block = |rows: &[usize], columns: &[usize]| {
        DMatrix::from_fn(rows.len(), columns.len(), |i, k| {
            let (i, k) = (rows[i], columns[k]);
            covariance[(i, k)] / (own[i] * own[k])
        })
    };
    let shared = block(parameters, &others);
    let told = block(&others, &others)
        .cholesky()?
        .solve(&shared.transpose());
    let left = block(parameters, parameters) - shared * told;
    Some(DMatrix::from_fn(left.nrows(), left.ncols(), |i, k| {
        left[(i, k)] * own[parameters[i]] * own[parameters[k]]
    }))
}

impl Place {
    /// The part of a gap's u at left, centre and right, mm, that a better photo would leave.
    ///
    /// Rows are fitted to a line that strays as the hand does. Where all of a row's line is seen and the quilt's plane is
    /// known, nothing is left to chance: the row lies where it was stitched, and only where it would lie on average stays
    /// uncertain. That is the rows' covariance given all else, as far as the rows are found; where less than
    /// [`NEARLY_ALL`] is, a better photo would show more, and who says that it was the hand?
    pub(super) fn hand_u_mm(&self, measured: &Measured, upper: usize, lower: usize) -> [f64; 3] {
        let (left, right) = self.whole_width(shared_range(measured, upper, lower));
        let found = [upper, lower].map(|row| coverage(&measured.rows[row]).min(1.0));
        let found = found[0].min(found[1]);
        if found < NEARLY_ALL {
            return [0.0; 3];
        }
        let rows = [upper, lower].map(|row| measured.state.row_index(row));
        let parameters: Vec<usize> = rows.iter().flat_map(|first| *first..first + 4).collect();
        let Some(covariance) = given_all_others(&measured.covariance, &parameters) else {
            return [0.0; 3];
        };
        [left, (left + right) / 2.0, right].map(|x| {
            let weights = [Place::baseline_at(x, -1.0), Place::baseline_at(x, 1.0)].concat();
            let weights = DVector::from_vec(weights);
            let variance = weights.dot(&(&covariance * &weights));
            (found * variance.max(0.0)).sqrt()
        })
    }

    /// What the uncertainty of a gap at left, centre and right rests on.
    pub(super) fn budget(
        &self,
        measured: &Measured,
        upper: usize,
        lower: usize,
        plan: &Plan,
    ) -> Budget {
        let (left, right) = self.whole_width(shared_range(measured, upper, lower));
        let xs = [left, (left + right) / 2.0, right];
        let gradients = xs.map(|x| {
            [(lower, 1.0), (upper, -1.0)]
                .into_iter()
                .flat_map(|(row, sign)| {
                    let first = measured.state.row_index(row);
                    (first..).zip(Place::baseline_at(x, sign))
                })
                .collect::<Vec<(usize, f64)>>()
        });
        let solved =
            measured
                .problem
                .variances_by_source(&measured.state, &measured.covariance, &gradients);
        let bar_mm = measured.card_scale * crate::card::geometry::CHECK_BAR_MM;
        Budget::new(std::array::from_fn(|k| {
            let x = xs[k];
            let below = Point2::new(x, measured.state.rows[lower].y(x));
            let spacing = below.y - measured.state.rows[upper].y(x);
            solved[k]
                .iter()
                .map(|(source, variance)| (Cause::Solved(*source), *variance))
                .chain([
                    (Cause::Ripples, ripple_u_mm(measured, below).powi(2)),
                    (Cause::Print, print_scale_u_mm(spacing, bar_mm).powi(2)),
                    (Cause::Learned, learned_u_mm(plan).powi(2)),
                ])
                .filter(|(cause, _)| *cause != Cause::Learned || !plan.has_design())
                .collect()
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two of three known, and one of two whatever their units: var(1 − ρ²), the textbook's case.
    #[test]
    fn what_is_left_once_all_else_is_known() {
        let (sd, rho) = ([0.02, 300.0], 0.6);
        let two = DMatrix::from_fn(2, 2, |i, k| sd[i] * sd[k] * if i == k { 1.0 } else { rho });
        let left = given_all_others(&two, &[0]).unwrap();
        assert!((left[(0, 0)] - sd[0] * sd[0] * (1.0 - rho * rho)).abs() < 1e-15);
        // A row of n places that stray by s, on a quilt whose height is known to t: the mean is known to s²/n + t²,
        // and to s²/n once the height is known.
        let (straying, height) = (0.04, 0.09);
        let row = DMatrix::from_row_slice(2, 2, &[straying + height, height, height, height]);
        let left = given_all_others(&row, &[0]).unwrap();
        assert!((left[(0, 0)] - straying).abs() < 1e-12);
        // The block of the inverse, inverted, is the same.
        let three = DMatrix::from_row_slice(3, 3, &[4.0, 1.0, 0.5, 1.0, 3.0, -0.7, 0.5, -0.7, 2.0]);
        let inverse = three.clone().try_inverse().unwrap();
        let block = inverse
            .view((0, 0), (2, 2))
            .into_owned()
            .try_inverse()
            .unwrap();
        assert!((given_all_others(&three, &[0, 1]).unwrap() - block).norm() < 1e-12);
        assert_eq!(
            given_all_others(&DMatrix::from_element(2, 2, 1.0), &[0]).map(|m| m[(0, 0)] < 1e-9),
            Some(true)
        );
    }
}

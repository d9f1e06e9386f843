//! What makes a gap uncertain beside the solved problem, and all of it by cause.

use super::{Place, shared_range};
use crate::budget::{Budget, Cause};
use crate::card::geometry::print_scale_u_mm;
use crate::geometry::Point2;
use crate::plan::Plan;
use crate::plane::camera::PreparedView;
use crate::row::measure::Measured;

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

impl Place {
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

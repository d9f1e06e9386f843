//! The paper's plane, its curl and the lens, from a card and from the design's own repeats.
//!
//! A card at the edge of a paper a metre long leaves millimetres at its far end: a little rock, lens terms,
//! curl. All repeats of a printed design are alike, though, and that settles them: the repeat averaged so
//! far is laid on every repeat seen and solved together with the card's corners, as the rows of a quilt
//! are with their design (`plane::joint`). Its length and height stay free: only the card knows them.

use super::repeat::{Course, Laid, STRAY_MM, Template};
use crate::geometry::Vector2;
use crate::plane::camera::PreparedView;
use crate::plane::joint::CameraPrior;
use crate::plane::joint::{
    Joint, LineObservation, PhotoObservations, Prior, Priors, RowPlace, Solved, State,
};
use crate::solve::levenberg_marquardt::{Loss, SolveError};

/// Every so many places of a course are observed.
const OBSERVE_EVERY: usize = 4;
/// Distances along the line over which its differences from the mean hang together, in observations: the
/// variance of a mean is this many times that of independent ones (5 observations are 20 mm).
const INFLATION: f64 = 5.0;
/// Least standard uncertainty of a place of the line, mm: printing and paper.
const LEAST_U_MM: f64 = 0.08;

/// Standard uncertainty of how high the paper itself lies above what the card lies on, mm.
const PAPER_LIFT_U_MM: f64 = 1.0;

/// What is known before: a card on a board of some height lies flat on a paper that is nearly flat, on which
/// rows are printed straight. Common practice, no source.
pub fn priors(board_mm: Prior) -> Priors {
    Priors {
        card_height_mm: Prior::new(board_mm.mean, board_mm.u.hypot(PAPER_LIFT_U_MM)),
        card_tilt: Prior::new(0.0, 0.25_f64.to_radians()),
        // Half a metre away the paper may stand some 5 mm up.
        sag_s: Prior::new(0.0, 2e-5),
        sag_x: Prior::new(0.0, 2e-5),
        // The mean repeat's own size says nothing: free.
        stretch: Prior::new(0.0, 0.05),
        stretch_difference: Prior::new(0.0, 0.05),
        bow: Prior::new(0.0, 1e-8),
        ..Priors::default()
    }
}

/// Solves cards and courses together. `laid` are the courses on the template, in `state`'s frame, whose
/// x-axis is the design's.
///
/// # Errors
///
/// [`SolveError`] as the joint solve's.
pub fn settle(
    state: &State,
    camera: &CameraPrior,
    priors: &Priors,
    corners: &PhotoObservations,
    template: &Template,
    laid: &[(&Course, &Laid)],
    rms_mm: f64,
) -> Result<Solved, SolveError> {
    let view = state.view(0, 0);
    let u_mm = rms_mm.max(LEAST_U_MM) * INFLATION.sqrt();
    let mut photo = PhotoObservations {
        lines: Vec::new(),
        ..corners.clone()
    };
    let mut start = state.clone();
    start.rows.clear();
    for (row, (course, laid)) in laid.iter().enumerate() {
        start.rows.push(RowPlace {
            offset: laid.start.y,
            slope: 0.0,
            bow: 0.0,
            shift: laid.start.x,
        });
        photo
            .lines
            .extend(observations(row, course, laid, template, &view, u_mm));
    }
    Joint {
        cameras: vec![*camera],
        photos: vec![photo],
        priors: *priors,
        start,
        line_loss: Loss::Cauchy(2.5),
        hand: None,
    }
    .solve()
}

fn observations<'a>(
    row: usize,
    course: &'a Course,
    laid: &'a Laid,
    template: &'a Template,
    view: &'a PreparedView,
    u_mm: f64,
) -> impl Iterator<Item = LineObservation> + 'a {
    let n = course.count();
    (2..n.saturating_sub(2))
        .step_by(OBSERVE_EVERY)
        .filter(|i| course.found[*i])
        .filter_map(move |i| {
            let (repeats, sample, off) = laid.places[i];
            if off.abs() >= STRAY_MM {
                return None;
            }
            let point = &template.samples[sample];
            let way = course.in_photo_px[i + 2] - course.in_photo_px[i - 2];
            let along = way.try_normalize(1e-9)?;
            let normal = Vector2::new(-along.y, along.x);
            let across = Vector2::new(-point.tangent.y, point.tangent.x);
            let px_per_mm = view.photo_per_mm(course.on_paper[i], across)?.norm();
            Some(LineObservation {
                row,
                along_mm: repeats as f64 * template.design.repeat_mm + point.position.x,
                across_mm: point.position.y,
                in_photo_px: course.in_photo_px[i],
                normal,
                u_px: u_mm * px_per_mm,
                arc_mm: 0.0,
                normal_on_quilt: Vector2::zeros(),
                phase: 0.0,
                px_per_mm: 0.0,
            })
        })
}

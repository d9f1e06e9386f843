//! A rail's edge, a border or a seam beside a row, taken for the outermost strokes of its design.
//!
//! Such a line goes straight on where the design turns away. So along the heights at which a row's outermost strokes were
//! found, a line is looked for where the design has none.

use super::measure::Job;
use super::told::{FOUND_STRENGTH, Told};
use super::trace::{REACH_MM, TracePoint, samples};
use crate::design::DesignPoint;
use crate::geometry::{Point2, Vector2};
use crate::line::strip::Strip;
use crate::plane::camera::PreparedView;
use crate::plane::joint::State;
use crate::solve::median::median;

/// Height of the design from its outermost point inwards that is looked at, mm.
const OUTERMOST_MM: f64 = 8.0;
/// Cosine of the angle with the row up to which a stroke may be mistaken for a line along it.
const LEVEL_COSINE: f64 = 0.94;
/// Length found that is worth a doubt, and that has to be seen between the strokes, samples of a millimetre.
const WORTH: usize = 60;
/// Nearest that the design may come to a place between strokes, mm.
const CLEAR_MM: f64 = 10.0;
/// How far from the height of the strokes the line may be found between them, mm.
const SAME_MM: f32 = 2.5;
/// Share of the length between strokes on which a line is found if it goes straight on.
const GOES_ON: f64 = 0.5;

/// Where and by what a row was traced.
pub(super) struct Traced<'a> {
    pub(super) job: &'a Job<'a>,
    pub(super) state: &'a State,
    pub(super) view: &'a PreparedView,
    pub(super) photo: usize,
    pub(super) told: &'a Told,
    /// One repeat in steps of a millimetre.
    pub(super) design: &'a [DesignPoint],
    /// Outlines of the cards' paper on the quilt.
    pub(super) papers: &'a [[Point2; 4]],
}

/// Which outermost strokes of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Side {
    Top,
    Bottom,
}

impl Side {
    /// Height of the design's outermost point on this side, mm.
    fn outermost(self, design: &[DesignPoint]) -> f64 {
        let heights = design.iter().map(|d| d.position.y);
        match self {
            Side::Top => heights.fold(f64::INFINITY, f64::min),
            Side::Bottom => heights.fold(f64::NEG_INFINITY, f64::max),
        }
    }
}

/// Takes back a row's outermost strokes on one side.
pub(super) fn drop_outermost(design: &[DesignPoint], side: Side, points: &mut [TracePoint]) {
    let outermost = side.outermost(design);
    let is_outermost = |p: &&mut TracePoint| (p.across_mm - outermost).abs() < OUTERMOST_MM;
    points
        .iter_mut()
        .filter(is_outermost)
        .for_each(|p| p.found = false);
}

/// Whether what was found along a row's outermost strokes on one side goes straight on between them; `points` are those
/// of one photo.
pub(super) fn goes_straight_on(
    traced: &Traced,
    row: usize,
    side: Side,
    points: &[TracePoint],
) -> bool {
    let outermost = side.outermost(traced.design);
    let is_stroke = |p: &TracePoint| {
        p.found && p.normal.y.abs() > LEVEL_COSINE && (p.across_mm - outermost).abs() < OUTERMOST_MM
    };
    let strokes: Vec<(f64, f64)> = points
        .iter()
        .filter(|p| is_stroke(p))
        .map(|p| (p.along_mm, p.across_mm + p.deviation_mm * p.normal.y))
        .collect();
    let Some((height, slope)) = straight_through(&strokes) else {
        return false;
    };
    // The design repeats: whether it comes near is the same in every repeat.
    let repeat_mm = traced.job.design.repeat_mm;
    let line: Vec<DesignPoint> = (0..repeat_mm as usize)
        .map(|x| DesignPoint {
            position: Point2::new(x as f64, height),
            tangent: Vector2::x(),
            arc_mm: x as f64,
            is_last: false,
        })
        .collect();
    let is_clear = |x: f64| {
        traced.design.iter().all(|d| {
            let apart = (d.position.x - x).rem_euclid(repeat_mm);
            let apart = apart.min(repeat_mm - apart);
            apart.hypot(d.position.y - height) > CLEAR_MM
        })
    };
    let clear: Vec<bool> = line.iter().map(|d| is_clear(d.position.x)).collect();
    if !clear.contains(&true) {
        return false;
    }
    let mut state = traced.state.clone();
    let place = &mut state.rows[row];
    place.offset -= slope * place.shift;
    place.slope += slope;
    let luma = traced.job.photos[traced.photo].luma;
    let along = samples(
        traced.job,
        &state,
        traced.view,
        luma,
        &line,
        row,
        traced.papers,
    );
    let strip = Strip::new(luma, along, REACH_MM);
    let found = traced.told.line(&strip, 1.0);
    let (from, to) = strokes
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), s| (a.min(s.0), b.max(s.0)));
    let (mut seen, mut goes_on) = (0, 0);
    for (i, (sample, point)) in strip.samples.iter().zip(&found).enumerate() {
        let between = (from..to).contains(&sample.along_mm) && clear[i % clear.len()];
        if between && !point.strength.is_nan() && !sample.beside_card {
            seen += 1;
            let same = point.strength >= FOUND_STRENGTH && point.across_mm.abs() < SAME_MM;
            goes_on += usize::from(same);
        }
    }
    seen >= WORTH && goes_on as f64 > GOES_ON * seen as f64
}

/// Height at the start of the row, and slope, of a straight line through most of the places (along, height), by the
/// medians of either half; `None` where there are too few to matter.
fn straight_through(places: &[(f64, f64)]) -> Option<(f64, f64)> {
    if places.len() < WORTH {
        return None;
    }
    let mut sorted = places.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (left, right) = sorted.split_at(sorted.len() / 2);
    let middle = |half: &[(f64, f64)]| {
        let (along, heights): (Vec<f64>, Vec<f64>) = half.iter().copied().unzip();
        Some((
            median(along, f64::total_cmp)?,
            median(heights, f64::total_cmp)?,
        ))
    };
    let (a, b) = (middle(left)?, middle(right)?);
    let slope = (b.1 - a.1) / (b.0 - a.0).max(100.0);
    Some((a.1 - slope * a.0, slope))
}

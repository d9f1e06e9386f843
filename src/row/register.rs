//! Brings rows that have been found roughly onto their stitching, stretch by stretch.
//!
//! The plane of a card that lies on puffy cloth is centimetres off at the far end of the photo, so a
//! row found as a whole fits only in the middle. Each stretch of it, about a hand long, is moved about
//! in the line map until its curve lies on evidence; the stretches together give the quilt's plane.

use crate::design::DesignPoint;
use crate::geometry::{Point2, Vector2};
use crate::line::map::{CELL_MM, DIRECTIONS, LineMap};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{LineObservation, State};
use rayon::prelude::*;
use std::f64::consts::PI;

/// Length of a stretch along the row, mm.
const STRETCH_MM: f64 = 100.0;
/// Half side of the square of moves a stretch's best place has to stand out in, mm.
const AROUND_MM: f64 = 18.0;
/// Step in which a stretch is moved, mm.
const STEP_MM: f64 = 3.0;
/// Fewest points of the design by which a stretch is placed.
const FEWEST: usize = 10;
/// How far a stretch's best place stands out before it is trusted, in standard deviations.
const STANDS_OUT: f32 = 2.5;
/// Standard uncertainty of a point of a stretch that has been placed in the map, mm.
const PLACED_U_MM: f64 = 2.0;

/// A map together with the views under which it was made.
pub struct Mapped<'a> {
    /// The evidence.
    pub map: &'a LineMap,
    /// View of each photo when the map was made.
    pub views: &'a [PreparedView],
    /// Size of each photo, px.
    pub sizes: &'a [(u32, u32)],
}

struct CurvePoint {
    along: f64,
    across: f64,
    on_map: Point2,
    /// Direction bin of the normal in the map, with its fraction.
    bin: (usize, f32),
    normal_on_map: Vector2,
}

/// Observations of every row's stretches, photo by photo.
///
/// `points` is one repeat of the design; `reach_mm` how far a stretch may lie from where `state` puts
/// it.
pub fn place_stretches(
    mapped: &Mapped,
    state: &State,
    points: &[DesignPoint],
    repeat_mm: f64,
    reach_mm: f64,
) -> Vec<Vec<LineObservation>> {
    let photos = state.poses.len();
    (0..photos)
        .map(|photo| {
            let view = state.view(photo, photo);
            (0..state.rows.len())
                .flat_map(|row| {
                    place_row(
                        mapped, state, &view, photo, points, repeat_mm, row, reach_mm,
                    )
                })
                .collect()
        })
        .collect()
}

#[allow(clippy::too_many_arguments)]
fn place_row(
    mapped: &Mapped,
    state: &State,
    view: &PreparedView,
    photo: usize,
    points: &[DesignPoint],
    repeat_mm: f64,
    row: usize,
    reach_mm: f64,
) -> Vec<LineObservation> {
    let (width, height) = mapped.sizes[photo];
    let old = &mapped.views[photo];
    let place = &state.rows[row];
    // Which repeats can be in view: the map's own reach across is enough.
    let reach = mapped.map.width.max(mapped.map.height) as f64 * CELL_MM;
    let first = ((-reach - place.shift) / repeat_mm).floor() as i64;
    let last = ((reach - place.shift) / repeat_mm).ceil() as i64;
    let mut stretches: std::collections::BTreeMap<i64, Vec<CurvePoint>> = Default::default();
    for repeat in first..=last {
        for point in points {
            let along = repeat as f64 * repeat_mm + point.position.x;
            let across = point.position.y;
            let on_quilt = place.on_quilt(along, across, &state.stretch);
            let to_map = |p: Point2| {
                let px = view.photo_from_quilt(p)?;
                let inside = px.x > 2.0
                    && px.y > 2.0
                    && px.x < f64::from(width) - 2.0
                    && px.y < f64::from(height) - 2.0;
                inside.then(|| old.quilt_from_photo(px)).flatten()
            };
            let ahead = on_quilt + point.tangent * 2.0;
            let (Some(on_map), Some(ahead)) = (to_map(on_quilt), to_map(ahead)) else {
                continue;
            };
            if !mapped.map.is_seen(on_map) {
                continue;
            }
            let tangent = ahead - on_map;
            let normal = Vector2::new(-tangent.y, tangent.x).normalize();
            let turn = (normal.y.atan2(normal.x) / PI).rem_euclid(1.0) * DIRECTIONS as f64;
            stretches
                .entry((along / STRETCH_MM).floor() as i64)
                .or_default()
                .push(CurvePoint {
                    along,
                    across,
                    on_map,
                    bin: (turn as usize % DIRECTIONS, turn.fract() as f32),
                    normal_on_map: normal,
                });
        }
    }
    stretches
        .into_par_iter()
        .filter(|(_, points)| points.len() >= FEWEST)
        .flat_map_iter(|(_, points)| {
            let moved = best_move(mapped.map, &points, reach_mm);
            let every = points.len().div_ceil(12);
            points
                .into_iter()
                .step_by(every)
                .filter_map(|p| {
                    let found = p.on_map + moved?;
                    let in_photo_px = old.photo_from_quilt(found)?;
                    let normal_px = old.photo_per_mm(found, p.normal_on_map)?;
                    let px_per_mm = normal_px.norm();
                    // The normal of the curve in the photo, not the picture of its normal.
                    let along_px = old
                        .photo_per_mm(found, Vector2::new(p.normal_on_map.y, -p.normal_on_map.x))?;
                    let normal = Vector2::new(-along_px.y, along_px.x).normalize();
                    Some(LineObservation {
                        row,
                        along_mm: p.along,
                        across_mm: p.across,
                        in_photo_px,
                        normal,
                        u_px: PLACED_U_MM * px_per_mm,
                        arc_mm: 0.0,
                        normal_on_quilt: Vector2::zeros(),
                        phase: 0.0,
                        px_per_mm: 0.0,
                    })
                })
                .collect::<Vec<_>>()
        })
        .collect()
}

/// The move within `reach_mm`, mm in the map, under which the points lie on most evidence; `None` when
/// it does not stand out among the moves around.
fn best_move(map: &LineMap, points: &[CurvePoint], reach_mm: f64) -> Option<Vector2> {
    let n = (AROUND_MM / STEP_MM).round() as i64;
    let side = (2 * n + 1) as usize;
    let mut scores = vec![0.0f32; side * side];
    for p in points {
        let (bin, part) = p.bin;
        for (k, score) in scores.iter_mut().enumerate() {
            let by = Vector2::new(
                ((k % side) as i64 - n) as f64 * STEP_MM,
                ((k / side) as i64 - n) as f64 * STEP_MM,
            );
            *score += map.evidence_near(p.on_map + by, bin, part);
        }
    }
    let count = scores.len() as f32;
    let mean = scores.iter().sum::<f32>() / count;
    let spread = (scores.iter().map(|s| (s - mean).powi(2)).sum::<f32>() / count).sqrt();
    let within = (reach_mm / STEP_MM).round() as i64;
    let allowed = |k: usize| {
        let (i, j) = ((k % side) as i64 - n, (k / side) as i64 - n);
        i.abs() <= within && j.abs() <= within
    };
    let (best, top) = scores
        .iter()
        .copied()
        .enumerate()
        .filter(|(k, _)| allowed(*k))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (i, j) = (best % side, best / side);
    // A best place at the rim is no peak.
    let rim = [i, j].iter().any(|&k| (k as i64 - n).abs() >= within);
    if rim || top - mean < STANDS_OUT * spread {
        return None;
    }
    let vertex = |low: f32, high: f32| {
        let bend = low - 2.0 * top + high;
        if bend < 0.0 {
            f64::from(0.5 * (low - high) / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        }
    };
    let dx = vertex(scores[best - 1], scores[best + 1]);
    let dy = vertex(scores[best - side], scores[best + side]);
    Some(Vector2::new(
        ((i as i64 - n) as f64 + dx) * STEP_MM,
        ((j as i64 - n) as f64 + dy) * STEP_MM,
    ))
}

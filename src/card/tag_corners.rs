//! Corners of a tag's black square, from straight lines along its four edges.
//!
//! Second best to the checker patches: ink spread and a wrong tone curve move every black edge outwards
//! or inwards, which the stated covariance allows for. Used where too few patches are seen.

use super::geometry::TAG_SIDE_MM;
use super::tag36h11::CELLS;
use crate::geometry::{Point2, Vector2};
use image::GrayImage;
use nalgebra::Matrix2;

/// What moves an edge as a whole, standard uncertainty: px by tone curve and sharpening, mm by ink. On
/// practice photos a third of it would do (`tests/card_detect.rs`), but there the tone curve is known.
const EDGE_U_PX: f64 = 0.15;
const EDGE_U_MM: f64 = 0.04;

/// Refines the corners of a tag (top left, top right, bottom right, bottom left) whose edges lie
/// within half a cell of the straight lines between `corners_px`; the ink has grown by
/// `ink_growth_mm` over each edge. Gives the corners with their covariance, px².
///
/// `None` when an edge leaves the photo or is not seen along half its length.
pub fn refine_tag_corners(
    photo: &GrayImage,
    light: &[f64; 256],
    corners_px: &[Point2; 4],
    ink_growth_mm: f64,
) -> Option<[(Point2, Matrix2<f64>); 4]> {
    let mut corners = *corners_px;
    let mut scatter = [0.0; 4];
    // Twice: the second time the samples are centred on the edge.
    for _ in 0..2 {
        let mut lines = [(Point2::origin(), Vector2::zeros()); 4];
        for side in 0..4 {
            (lines[side], scatter[side]) = edge(photo, light, &corners, side)?;
        }
        for corner in 0..4 {
            corners[corner] = crossing(lines[(corner + 3) % 4], lines[corner])?;
        }
    }
    let size_px = (0..4)
        .map(|i| (corners[(i + 1) % 4] - corners[i]).norm())
        .sum::<f64>()
        / 4.0;
    let px_per_mm = size_px / TAG_SIDE_MM;
    let middle = corners.iter().map(|p| p.coords).sum::<Vector2>() / 4.0;
    let grown = 1.0 + 2.0 * ink_growth_mm / TAG_SIDE_MM;
    let systematic = EDGE_U_PX.powi(2) + (EDGE_U_MM * px_per_mm).powi(2);
    Some(std::array::from_fn(|i| {
        let place = Point2::from(middle + (corners[i].coords - middle) / grown);
        let noise = scatter[i].powi(2) + scatter[(i + 3) % 4].powi(2);
        (place, Matrix2::identity() * (systematic + noise))
    }))
}

type Line = (Point2, Vector2);

fn crossing((p, d): Line, (q, e): Line) -> Option<Point2> {
    let det = d.x * e.y - d.y * e.x;
    if det.abs() < 0.05 * d.norm() * e.norm() {
        return None;
    }
    let w = q - p;
    Some(p + d * ((w.x * e.y - w.y * e.x) / det))
}

/// Line along one side and the standard uncertainty of its place at its ends, px.
fn edge(
    photo: &GrayImage,
    light: &[f64; 256],
    corners: &[Point2; 4],
    side: usize,
) -> Option<(Line, f64)> {
    let (from, to) = (corners[side], corners[(side + 1) % 4]);
    let along = to - from;
    let length = along.norm();
    let direction = along / length;
    let outward = Vector2::new(direction.y, -direction.x);
    let across = corners[(side + 2) % 4] - to + (corners[(side + 3) % 4] - from);
    let cell = (across.dot(&outward) / 2.0).abs() / CELLS as f64;
    let reach = 0.75 * cell;
    let steps = ((2.0 * reach / 0.5).ceil() as usize).clamp(8, 80);
    let count = ((0.76 * length) as usize).clamp(8, 60);
    let mut places = Vec::with_capacity(count);
    for k in 0..count {
        let t = length * (0.12 + 0.76 * (k as f64 + 0.5) / count as f64);
        let mut profile = Vec::with_capacity(steps);
        for i in 0..steps {
            let s = reach * (2.0 * (i as f64 + 0.5) / steps as f64 - 1.0);
            profile.push(sample(photo, light, from + direction * t + outward * s)?);
        }
        let end = (steps / 5).max(1);
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let (black, white) = (mean(&profile[..end]), mean(&profile[steps - end..]));
        if white - black < 0.01 {
            continue;
        }
        // Length of the black part: blur, the same to both sides, does not change it. Sharpening lifts the white and
        // sinks the black beside an edge, the one by more than the other; that is cut off.
        profile.iter_mut().for_each(|v| *v = v.clamp(black, white));
        let share = (white - mean(&profile)) / (white - black);
        places.push((t, 2.0 * reach * share - reach));
    }
    // Twice the median distance from the median keeps out what lies over the edge.
    for _ in 0..2 {
        let (a, b) = straight(&places)?;
        let mut off: Vec<f64> = places.iter().map(|(t, s)| (s - a - b * t).abs()).collect();
        off.sort_by(f64::total_cmp);
        let limit = 4.0 * off[off.len() / 2] + 0.02;
        places.retain(|(t, s)| (s - a - b * t).abs() <= limit);
    }
    if 2 * places.len() < count {
        return None;
    }
    let (a, b) = straight(&places)?;
    let variance = places
        .iter()
        .map(|(t, s)| (s - a - b * t).powi(2))
        .sum::<f64>()
        / (places.len() - 2) as f64;
    let start = from + outward * a;
    // At the ends of a line the variance is four times that of its middle.
    let u = (4.0 * variance / places.len() as f64).sqrt();
    Some(((start, direction + outward * b), u))
}

fn straight(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    if points.len() < 4 {
        return None;
    }
    let n = points.len() as f64;
    let (mt, ms) = points
        .iter()
        .fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let tt: f64 = points.iter().map(|p| (p.0 - mt).powi(2)).sum();
    let ts: f64 = points.iter().map(|p| (p.0 - mt) * (p.1 - ms)).sum();
    (tt > 0.0).then(|| (ms - ts / tt * mt, ts / tt))
}

/// Light between pixels, bilinear; pixel (0, 0) has its centre at (0.5, 0.5).
fn sample(photo: &GrayImage, light: &[f64; 256], p: Point2) -> Option<f64> {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    if !(x >= 0.0 && y >= 0.0) {
        return None;
    }
    let (i, j) = (x as u32, y as u32);
    if i + 1 >= photo.width() || j + 1 >= photo.height() {
        return None;
    }
    let (fx, fy) = (x - f64::from(i), y - f64::from(j));
    let at = |i, j| light[usize::from(photo.get_pixel(i, j)[0])];
    Some(
        (1.0 - fy) * ((1.0 - fx) * at(i, j) + fx * at(i + 1, j))
            + fy * ((1.0 - fx) * at(i, j + 1) + fx * at(i + 1, j + 1)),
    )
}

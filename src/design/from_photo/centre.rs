//! Puts a trail onto the middle of its ink.

use super::ink::Ink;
use crate::geometry::{Point2, Vector2};

/// Distance of places along the trail, mm.
pub const STEP_MM: f64 = 0.5;
/// Half width of the window that smooths the skeleton's staircase, places.
const SMOOTH_HALF: usize = 2;
/// Half width of the window in which the tangent is taken, places.
const TANGENT_HALF: usize = 3;
/// Half width of the window over which the middles are averaged, places.
const AVERAGE_HALF: usize = 2;
/// Scatter of the weight around the middle, widths of the line, and at least px: ink of a neighbouring line
/// counts little.
const WEIGHT_WIDTHS: f64 = 0.45;
const WEIGHT_PX: f64 = 0.9;
/// How far the middle may lie from the skeleton, widths and px on top.
const MOST_OFF_WIDTHS: f64 = 0.5;
const MOST_OFF_PX: f64 = 1.0;
/// Least darkness on the middle of a line, share of the usual one.
const LEAST_SHARE: f32 = 0.25;

/// A place of a line in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinePlace {
    /// Middle of the line, px of the photo.
    pub in_photo_px: Point2,
    /// Whether there is ink; else it was bridged.
    pub found: bool,
}

/// The middle of the ink along a course given in px of the ink's picture, `width_px` wide.
pub fn centred(course: &[Point2], width_px: f64, ink: &Ink) -> Vec<LinePlace> {
    let even = smoothed(&resampled(course, STEP_MM / ink.mm_per_px), SMOOTH_HALF);
    let normals = normals(&even);
    let sigma = (WEIGHT_WIDTHS * width_px).max(WEIGHT_PX);
    let most = MOST_OFF_WIDTHS * width_px + MOST_OFF_PX;
    let offsets: Vec<Option<f64>> = even
        .iter()
        .zip(&normals)
        .map(|(p, n)| middle(ink, *p, n, sigma, most))
        .collect();
    let count = even.len();
    (0..count)
        .map(|i| {
            let near = i.saturating_sub(AVERAGE_HALF)..(i + AVERAGE_HALF + 1).min(count);
            let (mut sum, mut weight) = (0.0, 0.0);
            for j in near {
                if let Some(offset) = offsets[j] {
                    let w = (AVERAGE_HALF + 1 - i.abs_diff(j)) as f64;
                    sum += w * offset;
                    weight += w;
                }
            }
            let offset = if weight > 0.0 { sum / weight } else { 0.0 };
            LinePlace {
                in_photo_px: (even[i] + normals[i] * offset) * f64::from(ink.shrink),
                found: offsets[i].is_some(),
            }
        })
        .collect()
}

/// Offset of the ink's middle from a place along a normal, px: the mean of the darkness under a bell that is
/// moved onto it (mean shift; K. Fukunaga, L. Hostetler, IEEE Transactions on Information Theory 21(1),
/// 1975). Light falls evenly on both sides of a crossing line, so that moves it little.
fn middle(ink: &Ink, place: Point2, normal: &Vector2, sigma: f64, most: f64) -> Option<f64> {
    const STEP_PX: f64 = 0.5;
    let reach = most + 2.5 * sigma;
    let n = (reach / STEP_PX).ceil() as i32;
    let floor = (0.15 * ink.level).max(2.0 * ink.noise);
    let profile: Vec<(f64, f64)> = (-n..=n)
        .map(|k| {
            let u = f64::from(k) * STEP_PX;
            (u, f64::from((ink.at(place + normal * u) - floor).max(0.0)))
        })
        .collect();
    let mut at = 0.0;
    for _ in 0..6 {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (u, dark) in &profile {
            let w = dark * (-0.5 * ((u - at) / sigma).powi(2)).exp();
            sum += w * u;
            weight += w;
        }
        if weight <= 0.0 {
            return None;
        }
        at = sum / weight;
    }
    let dark = ink.at(place + normal * at);
    (at.abs() <= most && dark >= LEAST_SHARE * ink.level).then_some(at)
}

/// A course at equal steps.
pub fn resampled(course: &[Point2], step: f64) -> Vec<Point2> {
    let mut out: Vec<Point2> = course.first().copied().into_iter().collect();
    let mut left = step;
    for pair in course.windows(2) {
        let way = pair[1] - pair[0];
        let length = way.norm();
        let mut done = 0.0;
        while length - done >= left {
            done += left;
            out.push(pair[0] + way * (done / length));
            left = step;
        }
        left -= length - done;
    }
    out
}

/// Triangular mean over neighbours; the window shrinks towards the ends, which stay.
fn smoothed(points: &[Point2], half: usize) -> Vec<Point2> {
    let n = points.len();
    (0..n)
        .map(|i| {
            let h = half.min(i).min(n - 1 - i);
            let (mut sum, mut weight) = (Vector2::zeros(), 0.0);
            for (j, p) in (i - h..).zip(&points[i - h..=i + h]) {
                let w = (h + 1 - i.abs_diff(j)) as f64;
                sum += p.coords * w;
                weight += w;
            }
            Point2::from(sum / weight)
        })
        .collect()
}

/// Unit normals of a course at equal steps.
pub fn normals(points: &[Point2]) -> Vec<Vector2> {
    let n = points.len();
    (0..n)
        .map(|i| {
            let way =
                points[(i + TANGENT_HALF).min(n - 1)] - points[i.saturating_sub(TANGENT_HALF)];
            let t = way.try_normalize(1e-9).unwrap_or(Vector2::x());
            Vector2::new(-t.y, t.x)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::RgbImage;

    /// Bars of known middle, drawn by area: the middle of the ink is found to a twentieth of a pixel, from
    /// a course that runs half a pixel beside it.
    #[test]
    fn middle_of_a_bar_is_found_far_below_a_pixel() {
        for (width, slope) in [(1.2, 0.0), (3.3, 0.13), (6.4, -0.4)] {
            let across = |x: f64, y: f64| (y - 40.3 - slope * (x - 80.0)) / 1f64.hypot(slope);
            let photo = RgbImage::from_fn(160, 80, |x, y| {
                let mut dark = 0.0;
                for k in 0..64 {
                    let (u, v) = (
                        f64::from(k % 8) / 8.0 + 0.0625,
                        f64::from(k / 8) / 8.0 + 0.0625,
                    );
                    let d = across(f64::from(x) + u, f64::from(y) + v);
                    dark += f64::from(u8::from(d.abs() <= width / 2.0)) / 64.0;
                }
                image::Rgb([(230.0 * (1.0 - 0.6 * dark)) as u8; 3])
            });
            let ink = Ink::new(&photo, 0.4, &[]);
            let course: Vec<Point2> = (20..140)
                .map(|x| Point2::new(f64::from(x), 40.8 + slope * (f64::from(x) - 80.0)))
                .collect();
            let found = centred(&course, width, &ink);
            let inner = &found[10..found.len() - 10];
            assert!(inner.iter().all(|p| p.found));
            let worst = inner
                .iter()
                .map(|p| across(p.in_photo_px.x, p.in_photo_px.y).abs())
                .fold(0.0, f64::max);
            assert!(worst < 0.05, "{worst} of {width}");
        }
    }

    #[test]
    fn equal_steps_along_a_corner_are_equal() {
        let corner = [
            Point2::new(0.0, 0.0),
            Point2::new(3.5, 0.0),
            Point2::new(3.5, 2.0),
        ];
        let points = resampled(&corner, 1.0);
        assert_eq!(points.len(), 6);
        assert_eq!(points[4], Point2::new(3.5, 0.5));
    }
}

//! Locates the middles of a card's checker patches to a few hundredths of a pixel.
//!
//! A patch is a saddle point: two crossing edges, each blurred alike. In linear light (the tone curve
//! of IEC 61966-2-1 undone) it is fitted by
//!
//! ```text
//! I(p) = m + g·p − c·erf(u/(√2 s))·erf(v/(√2 s))
//! ```
//!
//! with u and v the distances from the two edges on the card, mm. Its middle does not move with blur,
//! exposure or ink spread: the patch is symmetric under half a turn.

use super::geometry::{CardId, PATCH_SIDE_MM};
use super::{CornerInPhoto, CornerKind};
use crate::geometry::{Point2, homography::Homography};
use image::GrayImage;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};
use std::sync::LazyLock;

/// Part of the patch's half side that is fitted: the outer edges stay out.
const WINDOW: f64 = 0.72;
/// Fewest pixels in the window.
const FEWEST_PIXELS: usize = 16;
/// Least contrast in linear light, of full scale.
const LEAST_CONTRAST: f64 = 0.02;
/// Largest RMS of what the fit leaves, as a share of the contrast.
const WORST_FIT: f64 = 0.22;
/// Unknowns: middle x, y, mean, two slopes, contrast, blur.
const N: usize = 7;

static LINEAR: LazyLock<[f32; 256]> = LazyLock::new(|| {
    std::array::from_fn(|v| {
        let c = v as f64 / 255.0;
        let linear = if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        };
        linear as f32
    })
});

/// The card's patches as seen, starting from a plane that is right to a pixel or two.
pub fn refine_patches(
    luma: &GrayImage,
    card: CardId,
    photo_from_card: &Homography,
) -> Vec<CornerInPhoto> {
    card.patches_mm()
        .into_iter()
        .filter_map(|on_card_mm| {
            let (in_photo_px, covariance_px2) = refine(luma, on_card_mm, photo_from_card)?;
            Some(CornerInPhoto {
                on_card_mm,
                in_photo_px,
                covariance_px2,
                kind: CornerKind::Patch,
            })
        })
        .collect()
}

fn refine(
    luma: &GrayImage,
    on_card: Point2,
    photo_from_card: &Homography,
) -> Option<(Point2, Matrix2<f64>)> {
    let expected = photo_from_card.apply(on_card);
    let step = 0.5;
    let axis = |d: Vector2<f64>| {
        (photo_from_card.apply(on_card + d * step) - photo_from_card.apply(on_card - d * step))
            / (2.0 * step)
    };
    let px_per_mm = Matrix2::from_columns(&[axis(Vector2::x()), axis(Vector2::y())]);
    let mm_per_px = px_per_mm.try_inverse()?;
    let half_mm = PATCH_SIDE_MM / 2.0 * WINDOW;
    let (w, h) = (luma.width() as i64, luma.height() as i64);
    let pixels = luma.as_raw();
    // Twice: the window of the first fit was laid where the patch was expected.
    let mut middle = expected;
    let mut result = None;
    for _ in 0..2 {
        let reach = (px_per_mm.column(0).abs() + px_per_mm.column(1).abs()) * half_mm;
        let (x0, x1) = (
            (middle.x - reach.x).floor() as i64,
            (middle.x + reach.x).ceil() as i64,
        );
        let (y0, y1) = (
            (middle.y - reach.y).floor() as i64,
            (middle.y + reach.y).ceil() as i64,
        );
        if x0 < 0 || y0 < 0 || x1 >= w || y1 >= h || (x1 - x0) * (y1 - y0) > 250_000 {
            return None;
        }
        let mut samples: Vec<(Vector2<f64>, f64)> = Vec::new();
        let mut saturated = 0;
        // Large patches are thinned: a few hundred pixels say it all.
        let stride = (((x1 - x0) as usize).max((y1 - y0) as usize) / 28).max(1);
        for y in (y0..=y1).step_by(stride) {
            for x in (x0..=x1).step_by(stride) {
                let offset = Vector2::new(x as f64 + 0.5, y as f64 + 0.5) - middle.coords;
                let on = mm_per_px * offset;
                if on.x.abs() <= half_mm && on.y.abs() <= half_mm {
                    let value = pixels[(y * w + x) as usize];
                    saturated += usize::from(value >= 254);
                    samples.push((offset, f64::from(LINEAR[usize::from(value)])));
                }
            }
        }
        if samples.len() < FEWEST_PIXELS || saturated * 5 > samples.len() * 4 {
            return None;
        }
        let fit = fit(&samples, &mm_per_px, &px_per_mm)?;
        middle += fit.0;
        result = Some((middle, fit.1));
    }
    // Further off than the other corners allow, it is something else.
    let off_mm = (mm_per_px * (middle - expected)).norm();
    result.filter(|_| off_mm < PATCH_SIDE_MM * 0.3)
}

/// Gauss–Newton on the saddle; the middle's offset and its covariance, px.
fn fit(
    samples: &[(Vector2<f64>, f64)],
    mm_per_px: &Matrix2<f64>,
    px_per_mm: &Matrix2<f64>,
) -> Option<(Vector2<f64>, Matrix2<f64>)> {
    let n = samples.len() as f64;
    let mean = samples.iter().map(|s| s.1).sum::<f64>() / n;
    // Contrast from the quarters' means: white where u·v < 0.
    let quarter = |white: bool| {
        let (sum, count) = samples
            .iter()
            .filter(|(p, _)| {
                let q = mm_per_px * p;
                (q.x * q.y < 0.0) == white
            })
            .fold((0.0, 0.0), |(s, n), (_, v)| (s + v, n + 1.0));
        sum / f64::max(count, 1.0)
    };
    let contrast = (quarter(true) - quarter(false)) / 2.0;
    if contrast < LEAST_CONTRAST / 2.0 {
        return None;
    }
    let px = mm_per_px.determinant().abs().sqrt();
    let mut p = SVector::<f64, N>::from_column_slice(&[0.0, 0.0, mean, 0.0, 0.0, contrast, px]);
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut cost = f64::MAX;
    for _ in 0..12 {
        normal.fill(0.0);
        let mut right = SVector::<f64, N>::zeros();
        cost = 0.0;
        let sigma = p[6];
        for (at, value) in samples {
            let local = at - Vector2::new(p[0], p[1]);
            let q = mm_per_px * local;
            let (eu, du) = edge(q.x, sigma);
            let (ev, dv) = edge(q.y, sigma);
            let model = p[2] + p[3] * local.x + p[4] * local.y - p[5] * eu * ev;
            let r = value - model;
            // Slopes along u and v carry over to the picture by the plane.
            let along = Vector2::new(-p[5] * du * ev, -p[5] * eu * dv);
            let d_middle = -(mm_per_px.transpose() * along) - Vector2::new(p[3], p[4]);
            let d_sigma = p[5] * (du * q.x * ev + eu * dv * q.y) / sigma;
            let row = SVector::<f64, N>::from_column_slice(&[
                d_middle.x,
                d_middle.y,
                1.0,
                local.x,
                local.y,
                -eu * ev,
                d_sigma,
            ]);
            normal += row * row.transpose();
            right += row * r;
            cost += r * r;
        }
        let mut damped = normal;
        for i in 0..N {
            damped[(i, i)] *= 1.0 + 1e-3;
        }
        let change = damped.cholesky()?.solve(&right);
        p += change;
        p[6] = p[6].clamp(0.25 * px, PATCH_SIDE_MM / 3.0);
        let moved = Vector2::new(p[0], p[1]);
        if (mm_per_px * moved).norm() > PATCH_SIDE_MM * 0.35 {
            return None;
        }
        if change.fixed_rows::<2>(0).norm() < 1e-3 {
            break;
        }
    }
    let rms = (cost / n).sqrt();
    if p[5] < LEAST_CONTRAST || rms > WORST_FIT * p[5] {
        return None;
    }
    let variance = cost / (n - N as f64).max(1.0);
    let inverse = normal.cholesky()?.inverse();
    let covariance: Matrix2<f64> = inverse.fixed_view::<2, 2>(0, 0) * variance;
    let _ = px_per_mm;
    Some((Vector2::new(p[0], p[1]), covariance))
}

/// erf(x/(√2 s)) and its derivative along x.
fn edge(x: f64, sigma: f64) -> (f64, f64) {
    let t = x / (std::f64::consts::SQRT_2 * sigma);
    let slope = (2.0 / std::f64::consts::PI).sqrt() / sigma * (-t * t).exp();
    (erf(t), slope)
}

/// Error function to 1.5e-7: Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26.
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let poly = ((((1.061_405_429 * t - 1.453_152_027) * t + 1.421_413_741) * t - 0.284_496_736)
        * t
        + 0.254_829_592)
        * t;
    let y = 1.0 - poly * (-x * x).exp();
    if x < 0.0 { -y } else { y }
}

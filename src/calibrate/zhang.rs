//! First guess of a camera from homographies of flat cards, in closed form.
//!
//! Z. Zhang, "A flexible new technique for camera calibration", IEEE TPAMI 22(11), 2000, section 3.1: with
//! H = (h₁ h₂ h₃) ~ K·(r₁ r₂ t) and ω = K⁻ᵀK⁻¹, each view gives two equations linear in ω,
//!
//! ```text
//! h₁ᵀ·ω·h₂ = 0        h₁ᵀ·ω·h₁ = h₂ᵀ·ω·h₂
//! ```

use crate::geometry::homography::Homography;
use crate::geometry::{Matrix3, Point2};
use crate::plane::camera::{Camera, Distortion};
use nalgebra::{DMatrix, Matrix2, Vector2};

/// Camera from at least three homographies photo-from-card, by Zhang's closed form; `None` when they do
/// not hold a real camera.
pub fn closed_form(homographies: &[Homography], size_px: (u32, u32)) -> Option<Camera> {
    let (normalise, scale, middle) = normalisation(size_px);
    let rows: Vec<[f64; 6]> = homographies
        .iter()
        .flat_map(|h| {
            let h = unit(normalise * h.matrix());
            let v = |i: usize, j: usize| {
                let (a, b) = (h.column(i), h.column(j));
                [
                    a[0] * b[0],
                    a[0] * b[1] + a[1] * b[0],
                    a[1] * b[1],
                    a[2] * b[0] + a[0] * b[2],
                    a[2] * b[1] + a[1] * b[2],
                    a[2] * b[2],
                ]
            };
            let (v12, v11, v22) = (v(0, 1), v(0, 0), v(1, 1));
            [v12, std::array::from_fn(|i| v11[i] - v22[i])]
        })
        .collect();
    if rows.len() < 6 {
        return None;
    }
    let matrix = DMatrix::from_fn(rows.len(), 6, |i, j| rows[i][j]);
    let svd = matrix.svd(false, true);
    let v_t = svd.v_t?;
    let b = v_t.row(svd.singular_values.imin());
    // Zhang, appendix B.
    let (b11, b12, b22, b13, b23, b33) = (b[0], b[1], b[2], b[3], b[4], b[5]);
    let determinant = b11 * b22 - b12 * b12;
    let v0 = (b12 * b13 - b11 * b23) / determinant;
    let lambda = b33 - (b13 * b13 + v0 * (b12 * b13 - b11 * b23)) / b11;
    let alpha = (lambda / b11).sqrt();
    let beta = (lambda * b11 / determinant).sqrt();
    let gamma = -b12 * alpha * alpha * beta / lambda;
    let u0 = gamma * v0 / beta - b13 * alpha * alpha / lambda;
    if ![alpha, beta, gamma, u0, v0].iter().all(|v| v.is_finite()) {
        return None;
    }
    Some(Camera {
        focal_px: alpha * scale,
        aspect: beta / alpha,
        skew_px: gamma * scale,
        centre_px: middle + Vector2::new(u0, v0) * scale,
        distortion: Distortion::default(),
    })
}

/// The focal length alone, with square pixels and the principal point in the middle of the picture: the
/// same equations with one unknown, 1/f². `None` when all cards are seen face-on.
pub fn focal_only(homographies: &[Homography], size_px: (u32, u32)) -> Option<Camera> {
    let (normalise, scale, middle) = normalisation(size_px);
    let (mut top, mut bottom) = (0.0, 0.0);
    for h in homographies {
        let h = unit(normalise * h.matrix());
        let (a, b) = (h.column(0), h.column(1));
        // (a·b)/f² + a₃b₃ = 0, (|a|² − |b|²)/f² + a₃² − b₃² = 0.
        let xy = Matrix2::new(a[0], b[0], a[1], b[1]);
        let (p, q) = (xy.column(0), xy.column(1));
        let equations = [
            (p.dot(&q), a[2] * b[2]),
            (
                p.norm_squared() - q.norm_squared(),
                a[2] * a[2] - b[2] * b[2],
            ),
        ];
        for (left, right) in equations {
            top -= left * right;
            bottom += left * left;
        }
    }
    let inverse_square = top / bottom;
    (inverse_square.is_finite() && inverse_square > 0.0)
        .then(|| Camera::new(scale / inverse_square.sqrt(), middle, Distortion::default()))
}

/// First guess: Zhang's closed form where it gives what a camera can be, else the focal length alone, else
/// a lens as of most telephones (26 mm on 36 × 24 mm film; common practice, no source).
pub fn first_guess(homographies: &[Homography], size_px: (u32, u32)) -> Camera {
    let (_, scale, middle) = normalisation(size_px);
    let likely = |c: &Camera| {
        let off = c.centre_px - middle;
        (0.3..8.0).contains(&(c.focal_px / scale))
            && (0.8..1.25).contains(&c.aspect)
            && off.norm() < 0.3 * scale
            && c.skew_px.abs() < 0.05 * c.focal_px
    };
    let skewless = |c: Camera| Camera { skew_px: 0.0, ..c };
    closed_form(homographies, size_px)
        .filter(likely)
        .map(skewless)
        .or_else(|| focal_only(homographies, size_px).filter(likely))
        .unwrap_or_else(|| Camera::new(1.2 * scale, middle, Distortion::default()))
}

/// Photo coordinates with the picture's middle at the origin and half its diagonal as the unit.
fn normalisation(size_px: (u32, u32)) -> (Matrix3, f64, Point2) {
    let (w, h) = (f64::from(size_px.0), f64::from(size_px.1));
    let scale = 0.5 * w.hypot(h);
    let matrix = Matrix3::new(
        1.0 / scale,
        0.0,
        -w / (2.0 * scale),
        0.0,
        1.0 / scale,
        -h / (2.0 * scale),
        0.0,
        0.0,
        1.0,
    );
    (matrix, scale, Point2::new(w / 2.0, h / 2.0))
}

/// Scaled so that each view weighs the same, whatever the card's unit.
fn unit(h: Matrix3) -> Matrix3 {
    let size = (h.column(0).norm() * h.column(1).norm()).sqrt();
    h / size
}

//! Homographies between planes from point pairs.

use super::{Matrix3, Point2};
use nalgebra::DMatrix;

/// A homography, target-from-source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homography(Matrix3);

/// Why points give no homography.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HomographyError {
    /// Fewer than four pairs.
    #[error("a homography needs at least 4 point pairs, found {found}")]
    TooFew {
        /// Pairs given.
        found: usize,
    },
    /// Points on one line, or all but one.
    #[error("the points lie on one line")]
    Degenerate,
}

impl Homography {
    /// From a matrix.
    pub fn new(matrix: Matrix3) -> Self {
        Homography(matrix)
    }

    /// The 3 × 3 matrix.
    pub fn matrix(&self) -> &Matrix3 {
        &self.0
    }

    /// Target point of a source point.
    pub fn apply(&self, p: Point2) -> Point2 {
        let v = self.0 * nalgebra::Vector3::new(p.x, p.y, 1.0);
        Point2::new(v.x / v.z, v.y / v.z)
    }

    /// Source-from-target; `None` when singular.
    pub fn inverse(&self) -> Option<Homography> {
        self.0.try_inverse().map(Homography)
    }

    /// Least-squares homography by the normalised direct linear transform, then two rounds of weighting
    /// with the projective depth, which makes the algebraic distance the distance in the target.
    ///
    /// R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed. 2004, algorithm 4.2 and section 4.2.1.
    ///
    /// # Errors
    ///
    /// [`HomographyError`] for fewer than four pairs or points on a line.
    pub fn from_points(
        source: &[Point2],
        target: &[Point2],
    ) -> Result<Homography, HomographyError> {
        let n = source.len().min(target.len());
        if n < 4 {
            return Err(HomographyError::TooFew { found: n });
        }
        let (ts, s) = normalised(&source[..n]).ok_or(HomographyError::Degenerate)?;
        let (tt, t) = normalised(&target[..n]).ok_or(HomographyError::Degenerate)?;
        let mut weights = vec![1.0; n];
        let mut h = Matrix3::identity();
        for _ in 0..4 {
            let mut a = DMatrix::zeros((2 * n).max(9), 9);
            for i in 0..n {
                let (x, y, u, v, w) = (s[i].x, s[i].y, t[i].x, t[i].y, weights[i]);
                let rows = [
                    [x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, -u],
                    [0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, -v],
                ];
                for (k, row) in rows.iter().enumerate() {
                    for (j, value) in row.iter().enumerate() {
                        a[(2 * i + k, j)] = w * value;
                    }
                }
            }
            let svd = a.svd(false, true);
            let sv = &svd.singular_values;
            let mut order: Vec<usize> = (0..9).collect();
            order.sort_by(|&i, &j| sv[j].total_cmp(&sv[i]));
            // Rank 8 is needed; 1e-9 of the largest is rounding for coordinates of order 1.
            if sv[order[7]] < 1e-9 * sv[order[0]] {
                return Err(HomographyError::Degenerate);
            }
            let v = svd.v_t.ok_or(HomographyError::Degenerate)?;
            let row = v.row(order[8]);
            h = Matrix3::from_fn(|i, j| row[3 * i + j]);
            for i in 0..n {
                let depth = h[(2, 0)] * s[i].x + h[(2, 1)] * s[i].y + h[(2, 2)];
                if depth == 0.0 {
                    return Err(HomographyError::Degenerate);
                }
                weights[i] = 1.0 / depth.abs();
            }
        }
        let back = tt.try_inverse().ok_or(HomographyError::Degenerate)?;
        let mut m = back * h * ts;
        if m.determinant().abs() < 1e-300 {
            return Err(HomographyError::Degenerate);
        }
        if m[(2, 2)] != 0.0 {
            m /= m[(2, 2)];
        }
        Ok(Homography(m))
    }
}

/// Moves the points' mean to the origin and their mean distance from it to √2.
fn normalised(points: &[Point2]) -> Option<(Matrix3, Vec<Point2>)> {
    let n = points.len() as f64;
    let (mx, my) = points
        .iter()
        .fold((0.0, 0.0), |m, p| (m.0 + p.x / n, m.1 + p.y / n));
    let distance = points
        .iter()
        .map(|p| (p.x - mx).hypot(p.y - my))
        .sum::<f64>()
        / n;
    if !(distance.is_finite() && distance > 0.0) {
        return None;
    }
    let k = std::f64::consts::SQRT_2 / distance;
    let m = Matrix3::new(k, 0.0, -k * mx, 0.0, k, -k * my, 0.0, 0.0, 1.0);
    Some((
        m,
        points
            .iter()
            .map(|p| Point2::new(k * (p.x - mx), k * (p.y - my)))
            .collect(),
    ))
}

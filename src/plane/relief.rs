//! Gentle hills of a relaxed quilt, over what the sag of a band can follow.
//!
//! Heights lie on a square grid and are joined by uniform cubic B-splines (C. de Boor, A Practical Guide
//! to Splines, 1978, chapter IX): smooth to the second derivative, and each place depends on 4 × 4 heights.

use crate::geometry::Point2;

/// Heights a place depends on.
pub const AT_A_PLACE: usize = 16;

/// A height field z(x, s) over a rectangle of the quilt; level ground beyond its rim.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief {
    /// Place of the first height, mm.
    pub origin: Point2,
    /// Distance of neighbouring heights, mm.
    pub step_mm: f64,
    /// Heights across.
    pub columns: usize,
    /// Heights down.
    pub rows: usize,
    /// Spline coefficients, row by row, mm; positive away from the camera.
    pub heights_mm: Vec<f64>,
}

/// The heights a place depends on, with their shares in z and in its slopes.
#[derive(Debug, Clone, Copy)]
pub struct Shares {
    /// Index of each height.
    pub index: [usize; AT_A_PLACE],
    /// Share in z.
    pub z: [f64; AT_A_PLACE],
    /// Share in dz/dx, 1/mm.
    pub dx: [f64; AT_A_PLACE],
    /// Share in dz/ds, 1/mm.
    pub ds: [f64; AT_A_PLACE],
}

impl Relief {
    /// Level ground over the rectangle from `min` to `max`, in steps of `step_mm`.
    pub fn level(min: Point2, max: Point2, step_mm: f64) -> Relief {
        // One step more on every side, so that the whole rectangle has its 4 × 4 heights.
        let count = |from: f64, to: f64| ((to - from) / step_mm).ceil().max(1.0) as usize + 3;
        let (columns, rows) = (count(min.x, max.x), count(min.y, max.y));
        Relief {
            origin: Point2::new(min.x - step_mm, min.y - step_mm),
            step_mm,
            columns,
            rows,
            heights_mm: vec![0.0; columns * rows],
        }
    }

    /// What a place depends on; beyond the rim the nearest place of the rim counts, with no slope.
    pub fn shares(&self, x: f64, s: f64) -> Shares {
        let along = |at: f64, origin: f64, n: usize| {
            let u = (at - origin) / self.step_mm;
            let inside = u.clamp(1.0, n as f64 - 2.0 - 1e-9);
            let first = inside.floor();
            let (w, d) = cubic(inside - first);
            let slope = if u == inside { 1.0 / self.step_mm } else { 0.0 };
            (first as usize - 1, w, d.map(|d| d * slope))
        };
        let (i, wx, dx) = along(x, self.origin.x, self.columns);
        let (j, ws, ds) = along(s, self.origin.y, self.rows);
        let of = |f: &dyn Fn(usize, usize) -> f64| std::array::from_fn(|k| f(k % 4, k / 4));
        Shares {
            index: std::array::from_fn(|k| (j + k / 4) * self.columns + i + k % 4),
            z: of(&|a, b| wx[a] * ws[b]),
            dx: of(&|a, b| dx[a] * ws[b]),
            ds: of(&|a, b| wx[a] * ds[b]),
        }
    }

    /// z with its slopes dz/dx and dz/ds.
    pub fn at(&self, x: f64, s: f64) -> (f64, f64, f64) {
        let shares = self.shares(x, s);
        let sum = |weights: &[f64; AT_A_PLACE]| {
            let pairs = shares.index.iter().zip(weights);
            pairs.map(|(i, w)| self.heights_mm[*i] * w).sum::<f64>()
        };
        (sum(&shares.z), sum(&shares.dx), sum(&shares.ds))
    }
}

/// Weights of the four neighbours of a uniform cubic B-spline at t in 0…1, and their derivatives by t.
fn cubic(t: f64) -> ([f64; 4], [f64; 4]) {
    let (t2, t3, r) = (t * t, t * t * t, 1.0 - t);
    (
        [
            r * r * r / 6.0,
            (3.0 * t3 - 6.0 * t2 + 4.0) / 6.0,
            (-3.0 * t3 + 3.0 * t2 + 3.0 * t + 1.0) / 6.0,
            t3 / 6.0,
        ],
        [
            -r * r / 2.0,
            (9.0 * t2 - 12.0 * t) / 6.0,
            (-9.0 * t2 + 6.0 * t + 3.0) / 6.0,
            t2 / 2.0,
        ],
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A uniform cubic B-spline whose coefficients lie on a plane is that plane (linear precision, de Boor,
    /// chapter IX), and its shares add up to one everywhere (partition of unity).
    #[test]
    fn heights_on_a_plane_give_the_plane_with_its_slopes() {
        let mut relief = Relief::level(
            Point2::new(-300.0, 100.0),
            Point2::new(700.0, 1500.0),
            130.0,
        );
        for row in 0..relief.rows {
            for column in 0..relief.columns {
                let x = relief.origin.x + column as f64 * relief.step_mm;
                let s = relief.origin.y + row as f64 * relief.step_mm;
                relief.heights_mm[row * relief.columns + column] = 2.0 + 0.01 * x - 0.02 * s;
            }
        }
        for (x, s) in [(-300.0, 100.0), (0.3, 777.0), (699.0, 1499.0)] {
            let (z, dx, ds) = relief.at(x, s);
            assert!(
                (z - (2.0 + 0.01 * x - 0.02 * s)).abs() < 1e-9,
                "{z} at {x}, {s}"
            );
            assert!((dx - 0.01).abs() < 1e-12 && (ds + 0.02).abs() < 1e-12);
            let ones: f64 = relief.shares(x, s).z.iter().sum();
            assert!((ones - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn slopes_are_the_derivatives_of_the_heights() {
        let mut relief = Relief::level(Point2::origin(), Point2::new(900.0, 600.0), 150.0);
        for (k, z) in relief.heights_mm.iter_mut().enumerate() {
            *z = ((k * k * 7 + 3) % 11) as f64 - 5.0;
        }
        let h = 1e-4;
        for (x, s) in [(10.0, 20.0), (444.0, 301.0), (860.0, 580.0)] {
            let (_, dx, ds) = relief.at(x, s);
            let z = |x: f64, s: f64| relief.at(x, s).0;
            assert!((dx - (z(x + h, s) - z(x - h, s)) / (2.0 * h)).abs() < 1e-7);
            assert!((ds - (z(x, s + h) - z(x, s - h)) / (2.0 * h)).abs() < 1e-7);
        }
    }
}

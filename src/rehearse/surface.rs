//! The practice quilt's surface: where a place on the fabric is in the world.
//!
//! Fabric frame: x across from the quilt's centre line, s down the quilt along the cloth (arc length).
//! Between the rollers the cloth sags as a parabola; the stitching lies on this surface and the puff
//! of the batting rises from it.

use crate::geometry::Point2;
use nalgebra::{Point3, Vector3};
use serde::{Deserialize, Serialize};

/// A parabola of given length and sag, measured along its arc: z = sag·(1 − (2y/length)²).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SagCurve {
    c: f64,
    sag: f64,
    half: f64,
}

impl SagCurve {
    /// Sag in the middle of a span of `length`, same unit.
    pub fn new(sag: f64, length: f64) -> Self {
        SagCurve {
            c: 4.0 * sag / (length * length),
            sag,
            half: length / 2.0,
        }
    }

    /// Depth and slope of the curve at `y` from its middle; level beyond its ends.
    pub fn depth(&self, y: f64) -> (f64, f64) {
        if y.abs() > self.half {
            (0.0, 0.0)
        } else {
            (self.sag - self.c * y * y, -2.0 * self.c * y)
        }
    }

    /// Arc length from the middle to `y`: with `a = 2·c·y`, `s = y·(√(1 + a²) + asinh(a)/a) / 2`.
    pub fn arc(&self, y: f64) -> f64 {
        let inside = y.clamp(-self.half, self.half);
        let a = 2.0 * self.c * inside;
        let arc = if a.abs() < 0.13 {
            // Series of the same, a part in 3e11 off at most; drawing asks for it once per pixel.
            let a2 = a * a;
            inside
                * (1.0
                    + a2 * (1.0 / 6.0
                        + a2 * (-1.0 / 40.0 + a2 * (1.0 / 112.0 - a2 * 5.0 / 1152.0))))
        } else {
            inside / 2.0 * ((1.0 + a * a).sqrt() + a.asinh() / a)
        };
        arc + (y - inside)
    }

    /// The inverse of [`SagCurve::arc`].
    pub fn fabric_at(&self, s: f64) -> f64 {
        let mut y = s;
        for _ in 0..20 {
            let slope = self.depth(y).1;
            let step = (self.arc(y) - s) / (1.0 + slope * slope).sqrt();
            y -= step;
            if step.abs() < 1e-12 {
                break;
            }
        }
        y
    }
}

/// The cloth between the rollers.
#[derive(Debug, Clone)]
pub struct Surface {
    along: SagCurve,
    across: SagCurve,
    middle_s: f64,
    ripple: f64,
    ripple_k: [f64; 2],
    ripple_phase: [f64; 2],
    waves: Vec<Wave>,
}

/// One hill after another along a direction: the cloth is lifted by `height_mm·sin(…)`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wave {
    /// Half height.
    pub height_mm: f64,
    /// Length from top to top.
    pub length_mm: f64,
    /// Direction in which it goes on, from +x towards +y.
    pub along_deg: f64,
    /// Where it begins.
    pub phase_deg: f64,
}

impl Wave {
    /// Depth (a hill is negative) with its slopes at (x, y).
    fn depth(&self, x: f64, y: f64) -> (f64, f64, f64) {
        let k = std::f64::consts::TAU / self.length_mm.max(1.0);
        let (sin, cos) = self.along_deg.to_radians().sin_cos();
        let (up, run) = (k * (x * cos + y * sin) + self.phase_deg.to_radians()).sin_cos();
        let slope = -self.height_mm * k * run;
        (-self.height_mm * up, slope * cos, slope * sin)
    }
}

impl Surface {
    /// The band around `middle_s` (mm down the quilt), `depth_mm` from roller to roller, sagging by
    /// `sag_mm` there and by `sag_across_mm` over `width_mm`; ripples of `ripple_mm` height and
    /// `wavelength_mm` length.
    pub fn new(
        middle_s: f64,
        (sag_mm, depth_mm): (f64, f64),
        (sag_across_mm, width_mm): (f64, f64),
        (ripple_mm, wavelength_mm): (f64, f64),
        phase: [f64; 2],
    ) -> Self {
        let k = std::f64::consts::TAU / wavelength_mm.max(1.0);
        Surface {
            along: SagCurve::new(sag_mm, depth_mm),
            across: SagCurve::new(sag_across_mm, width_mm),
            middle_s,
            ripple: ripple_mm,
            ripple_k: [k, k * 0.73],
            ripple_phase: phase,
            waves: Vec::new(),
        }
    }

    /// A quilt off the frame: no rollers, but hills. Fabric places are those seen from straight above; what a
    /// hill's slope g shortens, g²/2, some ten-thousandths, is left out.
    pub fn relaxed(middle_s: f64, waves: &[Wave]) -> Self {
        let level = Surface::new(middle_s, (0.0, 1.0), (0.0, 1.0), (0.0, 1.0), [0.0; 2]);
        Surface {
            waves: waves.to_vec(),
            ..level
        }
    }

    /// Depth below the plane through the rollers, with its slopes along x and y.
    fn depth(&self, x: f64, y: f64) -> (f64, f64, f64) {
        let (z_y, dz_y) = self.along.depth(y);
        let (z_x, dz_x) = self.across.depth(x);
        if !self.waves.is_empty() {
            return self
                .waves
                .iter()
                .map(|wave| wave.depth(x, y))
                .fold((z_y + z_x, dz_x, dz_y), |sum, wave| {
                    (sum.0 + wave.0, sum.1 + wave.1, sum.2 + wave.2)
                });
        }
        if self.ripple == 0.0 {
            return (z_y + z_x, dz_x, dz_y);
        }
        let a = self.ripple_k[0] * x + self.ripple_phase[0];
        let b = self.ripple_k[1] * y + self.ripple_phase[1];
        (
            z_y + z_x + self.ripple * a.sin() * b.sin(),
            dz_x + self.ripple * self.ripple_k[0] * a.cos() * b.sin(),
            dz_y + self.ripple * self.ripple_k[1] * a.sin() * b.cos(),
        )
    }

    /// The place of fabric point (x, s) in the world.
    pub fn world(&self, fabric: Point2) -> Point3<f64> {
        let y = self.along.fabric_at(fabric.y - self.middle_s);
        Point3::new(fabric.x, y, self.depth(fabric.x, y).0)
    }

    /// The fabric point above or below world place (x, y).
    pub fn fabric(&self, x: f64, y: f64) -> Point2 {
        Point2::new(x, self.middle_s + self.along.arc(y))
    }

    /// Slopes dz/dx and dz/dy of the surface at world (x, y).
    pub fn slopes(&self, x: f64, y: f64) -> (f64, f64) {
        let (_, dx, dy) = self.depth(x, y);
        (dx, dy)
    }

    /// Where a ray meets the surface; `None` when the ray does not come down to it. A `guess` of how
    /// far along the ray saves time and changes nothing above 1e-8 mm.
    pub fn meet(
        &self,
        from: &Point3<f64>,
        ray: &Vector3<f64>,
        guess: Option<f64>,
    ) -> Option<Meeting> {
        if ray.z <= 1e-3 {
            return None;
        }
        let mut t = guess.unwrap_or(-from.z / ray.z);
        for _ in 0..30 {
            let (x, y) = (from.x + t * ray.x, from.y + t * ray.y);
            let (z, dx, dy) = self.depth(x, y);
            let step = (from.z + t * ray.z - z) / (ray.z - dx * ray.x - dy * ray.y);
            t -= step;
            // Newton's method squares the error: with curvatures below 0.02/mm less than 2e-8 mm are
            // left after a step this small.
            if step.abs() < 1e-3 {
                return Some(Meeting {
                    along: t,
                    x: from.x + t * ray.x,
                    y: from.y + t * ray.y,
                    slopes: (dx, dy),
                });
            }
        }
        None
    }
}

/// Where a ray meets the surface.
#[derive(Debug, Clone, Copy)]
pub struct Meeting {
    /// How far along the ray, in lengths of the ray.
    pub along: f64,
    /// World x.
    pub x: f64,
    /// World y.
    pub y: f64,
    /// Slopes dz/dx and dz/dy there.
    pub slopes: (f64, f64),
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Arc length of the parabola against Simpson's rule on ∫ √(1 + z'²) dy.
    #[test]
    fn arc_length_along_the_sag_matches_numerical_integration() {
        let curve = SagCurve::new(12.0, 400.0);
        let (n, to) = (2000, 190.0);
        let h = to / f64::from(n);
        let f = |i: i32| (1.0 + curve.depth(f64::from(i) * h).1.powi(2)).sqrt();
        let inner: f64 = (1..n)
            .map(|i| f(i) * if i % 2 == 1 { 4.0 } else { 2.0 })
            .sum();
        let simpson = h / 3.0 * (f(0) + inner + f(n));
        assert!((curve.arc(to) - simpson).abs() < 1e-9);
        assert!((curve.fabric_at(curve.arc(to)) - to).abs() < 1e-9);
    }
}

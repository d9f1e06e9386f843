//! The pinhole camera with its lens: from points in the camera frame to the photo and back.

use super::{Point2, Vector2};
use nalgebra::{Matrix2, Matrix2x3, Vector3};

/// Pinhole camera with a distorting lens. With (x, y) the normalised image coordinates of a point:
///
/// ```text
/// r² = x² + y²        d = 1 + k1·r² + k2·r⁴ + k3·r⁶
/// x_d = x·d + 2·p1·x·y + p2·(r² + 2x²)        y_d = y·d + p1·(r² + 2y²) + 2·p2·x·y
/// px = c_x + f·x_d + skew·y_d                 py = c_y + f·aspect·y_d
/// ```
///
/// D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971; order and
/// signs of the terms as in OpenCV ("Camera Calibration and 3D Reconstruction").
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Camera {
    /// Focal length along x, px.
    pub focal_px: f64,
    /// Focal length along y over that along x; 1 for square pixels.
    pub aspect: f64,
    /// How far a step down moves the picture to the right, px; 0 unless rows and columns of pixels are
    /// not square to each other.
    pub skew_px: f64,
    /// Principal point, px; pixel (0, 0) has its centre at (0.5, 0.5).
    pub centre_px: Point2,
    /// What the lens does to straight lines.
    pub distortion: Distortion,
}

/// Distortion of a lens, in normalised image coordinates (see [`Camera`]).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Distortion {
    /// Radial terms k1, k2, k3.
    pub radial: [f64; 3],
    /// Tangential terms p1, p2.
    pub tangential: [f64; 2],
}

impl Distortion {
    /// One radial term and nothing else.
    pub fn k1(k1: f64) -> Distortion {
        Distortion {
            radial: [k1, 0.0, 0.0],
            tangential: [0.0; 2],
        }
    }

    /// Where a point of normalised image coordinates goes, with the matrix of derivatives by them.
    pub fn apply(&self, x: f64, y: f64) -> (Vector2, Matrix2<f64>) {
        let ([k1, k2, k3], [p1, p2]) = (self.radial, self.tangential);
        let r2 = x * x + y * y;
        let d = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        // Twice the derivative of d by r².
        let e = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3));
        let mixed = e * x * y + 2.0 * p1 * x + 2.0 * p2 * y;
        (
            Vector2::new(
                x * d + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
                y * d + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
            ),
            Matrix2::new(
                d + e * x * x + 2.0 * p1 * y + 6.0 * p2 * x,
                mixed,
                mixed,
                d + e * y * y + 6.0 * p1 * y + 2.0 * p2 * x,
            ),
        )
    }

    /// Whether the picture folds over at or before a radius: the distorted radius hardly grows there.
    fn folds(&self, r2: f64) -> bool {
        let [k1, k2, k3] = self.radial;
        1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + r2 * 7.0 * k3)) <= 0.1
    }

    /// The point that [`Distortion::apply`] takes to (xd, yd), by Newton's method.
    pub fn undo(&self, xd: f64, yd: f64) -> (f64, f64) {
        if *self == Distortion::default() {
            return (xd, yd);
        }
        let (mut x, mut y) = (xd, yd);
        for _ in 0..20 {
            let (at, slope) = self.apply(x, y);
            let off = at - Vector2::new(xd, yd);
            // Beyond a fold there is nothing to find; a short step keeps the last place in reach.
            let Some(inverse) = slope.try_inverse() else {
                break;
            };
            let step = inverse * off;
            let shorten = (0.3 / step.norm().max(1e-300)).min(1.0);
            (x, y) = (x - shorten * step.x, y - shorten * step.y);
            if step.norm_squared() < 1e-24 {
                break;
            }
        }
        (x, y)
    }
}

/// Number of values of [`Camera::values`].
pub const CAMERA_VALUES: usize = 10;

impl Camera {
    /// A camera with square pixels.
    pub fn new(focal_px: f64, centre_px: Point2, distortion: Distortion) -> Camera {
        Camera {
            focal_px,
            aspect: 1.0,
            skew_px: 0.0,
            centre_px,
            distortion,
        }
    }

    /// f_x, f_y, c_x, c_y, k1, k2, k3, p1, p2, skew; focal lengths, principal point and skew in px.
    pub fn values(&self) -> [f64; CAMERA_VALUES] {
        let ([k1, k2, k3], [p1, p2]) = (self.distortion.radial, self.distortion.tangential);
        [
            self.focal_px,
            self.focal_px * self.aspect,
            self.centre_px.x,
            self.centre_px.y,
            k1,
            k2,
            k3,
            p1,
            p2,
            self.skew_px,
        ]
    }

    /// The inverse of [`Camera::values`].
    pub fn from_values(v: &[f64; CAMERA_VALUES]) -> Camera {
        Camera {
            focal_px: v[0],
            aspect: v[1] / v[0],
            skew_px: v[9],
            centre_px: Point2::new(v[2], v[3]),
            distortion: Distortion {
                radial: [v[4], v[5], v[6]],
                tangential: [v[7], v[8]],
            },
        }
    }

    /// Photo position of a distorted image point, px.
    fn pixel(&self, distorted: &Vector2) -> Point2 {
        Point2::new(
            self.centre_px.x + self.focal_px * distorted.x + self.skew_px * distorted.y,
            self.centre_px.y + self.focal_px * self.aspect * distorted.y,
        )
    }

    /// Photo position of a point in the camera frame, px; `None` behind the camera or where the lens
    /// folds the picture over.
    pub fn project(&self, p: &Vector3<f64>) -> Option<Point2> {
        if p.z <= 1e-9 {
            return None;
        }
        let (x, y) = (p.x / p.z, p.y / p.z);
        if self.distortion.folds(x * x + y * y) {
            return None;
        }
        Some(self.pixel(&self.distortion.apply(x, y).0))
    }

    /// As [`Camera::project`], with the derivatives by the point and by each of [`Camera::values`].
    pub fn project_with_derivatives(
        &self,
        p: &Vector3<f64>,
    ) -> Option<(Point2, Matrix2x3<f64>, [Vector2; CAMERA_VALUES])> {
        let px = self.project(p)?;
        let (x, y) = (p.x / p.z, p.y / p.z);
        let (d, slope) = self.distortion.apply(x, y);
        let f = Matrix2::new(
            self.focal_px,
            self.skew_px,
            0.0,
            self.focal_px * self.aspect,
        );
        let z = 1.0 / p.z;
        let normalised = Matrix2x3::new(z, 0.0, -x * z, 0.0, z, -y * z);
        let r2 = x * x + y * y;
        let by = |x: f64, y: f64| f * Vector2::new(x, y);
        let radial = |power: f64| by(x * power, y * power);
        Some((
            px,
            f * slope * normalised,
            [
                Vector2::new(d.x, 0.0),
                Vector2::new(0.0, d.y),
                Vector2::new(1.0, 0.0),
                Vector2::new(0.0, 1.0),
                radial(r2),
                radial(r2 * r2),
                radial(r2 * r2 * r2),
                by(2.0 * x * y, r2 + 2.0 * y * y),
                by(r2 + 2.0 * x * x, 2.0 * x * y),
                Vector2::new(d.y, 0.0),
            ],
        ))
    }

    /// Ray (x, y, 1) in the camera frame of a photo position.
    pub fn ray(&self, px: Point2) -> Vector3<f64> {
        let yd = (px.y - self.centre_px.y) / (self.focal_px * self.aspect);
        let xd = (px.x - self.centre_px.x - self.skew_px * yd) / self.focal_px;
        let (x, y) = self.distortion.undo(xd, yd);
        Vector3::new(x, y, 1.0)
    }
}

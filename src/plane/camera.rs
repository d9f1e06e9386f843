//! Pinhole camera with lens distortion, its pose, and the gently sagging quilt.

use crate::geometry::{Point2, Vector2};
use nalgebra::{Matrix2, Matrix2x3, Rotation3, Vector3};

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

/// Where the quilt frame stands in the camera frame: camera = R·quilt + t.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Rotation vector (axis times angle), rad.
    pub rotation: Vector3<f64>,
    /// Translation, mm.
    pub translation: Vector3<f64>,
}

/// The quilt's surface: z = sag_s·s² + sag_x·x², with s measured along the fabric.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Surface {
    /// Quadratic coefficient down the quilt, 1/mm; z points away from the camera, so a band that hangs
    /// between its rails has a negative one.
    pub sag_s: f64,
    /// Quadratic coefficient across the quilt, 1/mm.
    pub sag_x: f64,
}

/// A card lying on the quilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardPose {
    /// x of the card's middle on the quilt, mm.
    pub x: f64,
    /// s of the card's middle on the quilt, mm.
    pub s: f64,
    /// Angle from the quilt's x-axis to the card's, rad, positive clockwise on screen.
    pub angle: f64,
    /// Height of the card's middle above the stitching, mm.
    pub height: f64,
    /// Rise of the card per mm along its own x-axis, against the surface below it.
    pub tilt_x: f64,
    /// Rise of the card per mm along its own y-axis, against the surface below it.
    pub tilt_y: f64,
}

/// A photo's whole mapping from the quilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// The lens.
    pub camera: Camera,
    /// Where the quilt is.
    pub pose: Pose,
    /// Its shape.
    pub surface: Surface,
}

impl Surface {
    /// Point in space of a place on the quilt, mm.
    ///
    /// y(s) = s − ⅔·sag_s²·s³ keeps s an arc length to third order.
    pub fn at(&self, x: f64, s: f64) -> Vector3<f64> {
        Vector3::new(
            x,
            s - 2.0 / 3.0 * self.sag_s * self.sag_s * s * s * s,
            self.sag_s * s * s + self.sag_x * x * x,
        )
    }
}

impl CardPose {
    /// Point in space of a point on the card (card frame, true mm), in the quilt frame.
    pub fn in_space(&self, on_card: Point2, surface: &Surface) -> Vector3<f64> {
        let (sin, cos) = self.angle.sin_cos();
        let (dx, ds) = (
            cos * on_card.x - sin * on_card.y,
            sin * on_card.x + cos * on_card.y,
        );
        let base = surface.at(self.x, self.s);
        // Tangent plane of the surface below the card's middle, plus the card's own rock.
        let slope_x = 2.0 * surface.sag_x * self.x;
        let slope_s = 2.0 * surface.sag_s * self.s;
        let rise = self.tilt_x * on_card.x + self.tilt_y * on_card.y;
        let z = slope_x * dx + slope_s * ds - rise;
        // A rigid board: a rise shortens its footprint along the steepest direction, to second order.
        let (gx, gs) = (
            slope_x - (self.tilt_x * cos - self.tilt_y * sin),
            slope_s - (self.tilt_x * sin + self.tilt_y * cos),
        );
        let along = 0.5 * (gx * dx + gs * ds);
        base + Vector3::new(dx - along * gx, ds - along * gs, z - self.height)
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

impl Pose {
    /// The rotation as a matrix.
    pub fn matrix(&self) -> Rotation3<f64> {
        Rotation3::from_scaled_axis(self.rotation)
    }
}

impl View {
    /// A faster form with the rotation worked out.
    pub fn prepare(&self) -> PreparedView {
        PreparedView {
            view: *self,
            rotation: self.pose.matrix(),
        }
    }
}

/// A [`View`] with its rotation matrix worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PreparedView {
    /// The view.
    pub view: View,
    rotation: Rotation3<f64>,
}

impl PreparedView {
    /// Where the camera's centre stands in the quilt frame, mm; z is negative on the camera's side.
    pub fn eye(&self) -> Vector3<f64> {
        -(self.rotation.inverse() * self.view.pose.translation)
    }

    /// Photo position of a point in the quilt frame in space, px.
    pub fn photo_from_space(&self, p: &Vector3<f64>) -> Option<Point2> {
        self.view
            .camera
            .project(&(self.rotation * p + self.view.pose.translation))
    }

    /// Photo position of a place (x, s) on the quilt, px.
    pub fn photo_from_quilt(&self, place: Point2) -> Option<Point2> {
        self.photo_from_space(&self.view.surface.at(place.x, place.y))
    }

    /// Place (x, s) on the quilt seen at a photo position; `None` when the ray misses the quilt.
    pub fn quilt_from_photo(&self, px: Point2) -> Option<Point2> {
        let direction = self.rotation.inverse() * self.view.camera.ray(px);
        let eye = -(self.rotation.inverse() * self.view.pose.translation);
        let mut z = 0.0;
        let mut place = Point2::origin();
        for _ in 0..8 {
            let t = (z - eye.z) / direction.z;
            if !t.is_finite() || t <= 0.0 {
                return None;
            }
            let (x, y) = (eye.x + t * direction.x, eye.y + t * direction.y);
            let q = self.view.surface.sag_s;
            let s = y + 2.0 / 3.0 * q * q * y * y * y;
            place = Point2::new(x, s);
            z = self.view.surface.at(x, s).z;
        }
        Some(place)
    }

    /// Photo displacement per mm of a displacement on the quilt at `place`, px/mm.
    pub fn photo_per_mm(&self, place: Point2, direction: Vector2) -> Option<Vector2> {
        let step = 0.5;
        let a = self.photo_from_quilt(place + direction * step)?;
        let b = self.photo_from_quilt(place - direction * step)?;
        Some((a - b) / (2.0 * step))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view() -> PreparedView {
        View {
            camera: Camera::new(3000.0, Point2::new(2010.0, 1490.0), Distortion::k1(-0.05)),
            pose: Pose {
                rotation: Vector3::new(0.5, -0.1, 0.05),
                translation: Vector3::new(-100.0, 50.0, 1300.0),
            },
            surface: Surface {
                sag_s: 1e-4,
                sag_x: 2e-6,
            },
        }
        .prepare()
    }

    #[test]
    fn quilt_place_survives_the_way_to_the_photo_and_back() {
        let v = view();
        for (x, s) in [(0.0, 0.0), (400.0, -150.0), (-500.0, 220.0)] {
            let px = v.photo_from_quilt(Point2::new(x, s)).unwrap();
            let back = v.quilt_from_photo(px).unwrap();
            assert!(
                (back - Point2::new(x, s)).norm() < 1e-3,
                "{back} from ({x}, {s})"
            );
        }
    }

    #[test]
    fn card_without_height_or_tilt_lies_in_the_flat_quilt() {
        let card = CardPose {
            x: 30.0,
            s: 40.0,
            angle: 0.3,
            height: 0.0,
            tilt_x: 0.0,
            tilt_y: 0.0,
        };
        let p = card.in_space(Point2::new(100.0, 0.0), &Surface::default());
        let expected = Vector3::new(
            30.0 + 100.0 * 0.3_f64.cos(),
            40.0 + 100.0 * 0.3_f64.sin(),
            0.0,
        );
        assert!((p - expected).norm() < 1e-9, "{p}");
    }

    #[test]
    fn rocked_card_stays_a_rigid_board() {
        let card = CardPose {
            x: 0.0,
            s: 200.0,
            angle: 0.7,
            height: 5.0,
            tilt_x: 0.02,
            tilt_y: -0.025,
        };
        let surface = Surface {
            sag_s: 1e-4,
            sag_x: 0.0,
        };
        let a = card.in_space(Point2::new(-110.0, -80.0), &surface);
        let b = card.in_space(Point2::new(110.0, 80.0), &surface);
        // Fourth-order terms of a 3 degree slope: well below a micrometre.
        assert!(
            ((a - b).norm() - 2.0 * (110.0_f64.hypot(80.0))).abs() < 1e-3,
            "{}",
            (a - b).norm()
        );
    }
}

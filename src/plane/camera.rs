//! Where a camera stands, and the gently sagging quilt before it.

use super::relief::Relief;
pub use crate::geometry::camera::{CAMERA_VALUES, Camera, Distortion};
use crate::geometry::{Point2, Vector2};
use nalgebra::{Matrix3, Rotation3, Vector3};
use std::sync::Arc;

/// Where the quilt frame stands in the camera frame: camera = R·quilt + t.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Rotation vector (axis times angle), rad.
    pub rotation: Vector3<f64>,
    /// Translation, mm.
    pub translation: Vector3<f64>,
}

/// The quilt's surface: z = sag_s·s² + sag_x·x² + relief, with s measured along the fabric.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Surface {
    /// Quadratic coefficient down the quilt, 1/mm; z points away from the camera, so a band that hangs
    /// between its rails has a negative one.
    pub sag_s: f64,
    /// Quadratic coefficient across the quilt, 1/mm.
    pub sag_x: f64,
    /// Hills of a relaxed quilt. They are gentle (slopes of some hundredths), so places are counted as seen
    /// from above: what a slope g shortens, g²/2, is left out.
    pub relief: Option<Arc<Relief>>,
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
#[derive(Debug, Clone, PartialEq)]
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
        let hill = self.relief.as_ref().map_or(0.0, |relief| relief.at(x, s).0);
        Vector3::new(
            x,
            s - 2.0 / 3.0 * self.sag_s * self.sag_s * s * s * s,
            self.sag_s * s * s + self.sag_x * x * x + hill,
        )
    }

    /// Slopes dz/dx and dz/ds at a place.
    pub fn slopes(&self, x: f64, s: f64) -> (f64, f64) {
        let (_, dx, ds) = self.relief.as_ref().map_or((0.0, 0.0, 0.0), |r| r.at(x, s));
        (2.0 * self.sag_x * x + dx, 2.0 * self.sag_s * s + ds)
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
        let (slope_x, slope_s) = surface.slopes(self.x, self.s);
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
            view: self.clone(),
            rotation: self.pose.matrix(),
        }
    }
}

/// A [`View`] with its rotation matrix worked out.
#[derive(Debug, Clone, PartialEq)]
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

    /// The pose's rotation as a matrix.
    pub fn rotation(&self) -> &Matrix3<f64> {
        self.rotation.matrix()
    }

    /// A point of the quilt frame in the camera's, mm.
    pub fn in_camera(&self, p: &Vector3<f64>) -> Vector3<f64> {
        self.rotation * p + self.view.pose.translation
    }

    /// Photo position of a point in the quilt frame in space, px.
    pub fn photo_from_space(&self, p: &Vector3<f64>) -> Option<Point2> {
        self.view.camera.project(&self.in_camera(p))
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
                relief: None,
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
            relief: None,
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

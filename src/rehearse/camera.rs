//! The practice camera: a pinhole with radial distortion, written apart from the measuring code so
//! that a mistake in one does not hide in the other.
//!
//! World frame: mm, x across the quilt, y down it, z away from the viewer (below the quilt), the
//! origin in the middle of the free band. Distortion as in OpenCV's camera model (OpenCV
//! documentation, "Camera Calibration and 3D Reconstruction"): `x_d = x·(1 + k1·r² + k2·r⁴)`.

use crate::geometry::Point2;
use nalgebra::{Matrix3, Point3, Rotation3, Vector3};

/// A posed camera.
#[derive(Debug, Clone)]
pub struct Camera {
    /// Picture width, px.
    pub width_px: u32,
    /// Picture height, px.
    pub height_px: u32,
    /// Focal length, px.
    pub focal_px: f64,
    /// Principal point; pixel (0, 0) has its centre at (0.5, 0.5).
    pub principal_px: Point2,
    /// Radial distortion, second and fourth order.
    pub k: [f64; 2],
    /// Camera axes in the world: `camera = rotation · (world − centre)`.
    pub rotation: Matrix3<f64>,
    /// Projection centre in the world, mm.
    pub centre: Point3<f64>,
    undistortion: Vec<f64>,
    largest_r: f64,
}

/// Entries of the table from distorted to undistorted radius; linear steps then err below 1e-7.
const TABLE: usize = 8192;

/// How the camera looks at the quilt.
#[derive(Debug, Clone, Copy)]
pub struct Pose {
    /// Point the optical axis goes through.
    pub target: Point3<f64>,
    /// Distance from there to the projection centre, mm.
    pub distance_mm: f64,
    /// Angle between the optical axis and straight down, radians.
    pub tilt: f64,
    /// Towards which side the camera stands, radians from +y (the front of the frame) to +x.
    pub from: f64,
    /// Turn of the camera about its own axis, radians.
    pub roll: f64,
}

impl Camera {
    /// A camera at `pose`.
    pub fn new(
        size_px: (u32, u32),
        focal_px: f64,
        principal_px: Point2,
        k: [f64; 2],
        pose: &Pose,
    ) -> Camera {
        // The optical axis: straight down (+z), leaning away from the side the camera stands on.
        let side = Vector3::new(pose.from.sin(), pose.from.cos(), 0.0);
        let axis = Vector3::z() * pose.tilt.cos() - side * pose.tilt.sin();
        // Picture axes for tilt about the horizontal axis square to `side`, so that no roll comes in.
        let about = Vector3::z().cross(&axis);
        let lean = if about.norm() > 0.0 {
            Rotation3::from_axis_angle(&nalgebra::Unit::new_normalize(about), pose.tilt)
        } else {
            Rotation3::identity()
        };
        let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), pose.roll);
        let rotation = (lean * turn).inverse().into_inner();
        let centre = pose.target - axis * pose.distance_mm;
        let corner = |x: f64, y: f64| {
            ((x - principal_px.x).powi(2) + (y - principal_px.y).powi(2)).sqrt() / focal_px
        };
        let (w, h) = (f64::from(size_px.0), f64::from(size_px.1));
        let largest_r = [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]
            .map(|(x, y)| corner(x, y))
            .into_iter()
            .fold(0.0, f64::max)
            * 1.01;
        let undistortion = (0..=TABLE)
            .map(|i| undistorted_per_distorted(largest_r * i as f64 / TABLE as f64, k))
            .collect();
        Camera {
            width_px: size_px.0,
            height_px: size_px.1,
            focal_px,
            principal_px,
            k,
            rotation,
            centre,
            undistortion,
            largest_r,
        }
    }

    /// Where a point of the world falls in the picture, px (also outside the picture); `None` behind
    /// the camera.
    pub fn project(&self, world: &Point3<f64>) -> Option<Point2> {
        let c = self.rotation * (world - self.centre);
        if c.z <= 0.0 {
            return None;
        }
        let (x, y) = (c.x / c.z, c.y / c.z);
        let r2 = x * x + y * y;
        let d = 1.0 + r2 * (self.k[0] + r2 * self.k[1]);
        Some(Point2::new(
            self.principal_px.x + self.focal_px * x * d,
            self.principal_px.y + self.focal_px * y * d,
        ))
    }

    /// Direction in the world, from the projection centre, of what is seen at `px`; one unit along
    /// the optical axis long.
    pub fn ray(&self, px: Point2) -> Vector3<f64> {
        let x = (px.x - self.principal_px.x) / self.focal_px;
        let y = (px.y - self.principal_px.y) / self.focal_px;
        let scale = if self.k == [0.0, 0.0] {
            1.0
        } else {
            let at = (x * x + y * y).sqrt() / self.largest_r * TABLE as f64;
            let i = (at as usize).min(TABLE - 1);
            let (a, b) = (self.undistortion[i], self.undistortion[i + 1]);
            a + (b - a) * (at - i as f64)
        };
        self.rotation
            .tr_mul(&Vector3::new(x * scale, y * scale, 1.0))
    }

    /// Whether a place lies in the picture, at least `margin_px` from its border.
    pub fn holds(&self, px: Point2, margin_px: f64) -> bool {
        px.x >= margin_px
            && px.y >= margin_px
            && px.x <= f64::from(self.width_px) - margin_px
            && px.y <= f64::from(self.height_px) - margin_px
    }
}

/// Undistorted radius divided by distorted radius, by Newton's method.
fn undistorted_per_distorted(distorted: f64, k: [f64; 2]) -> f64 {
    if distorted == 0.0 {
        return 1.0;
    }
    let mut r = distorted;
    for _ in 0..50 {
        let r2 = r * r;
        let f = r * (1.0 + r2 * (k[0] + r2 * k[1])) - distorted;
        let slope = 1.0 + r2 * (3.0 * k[0] + 5.0 * r2 * k[1]);
        // Strong barrel distortion folds back; what lies beyond the fold is not seen by the lens.
        let step = f / slope.max(0.05);
        r -= step;
        if step.abs() < 1e-13 {
            break;
        }
    }
    r / distorted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(serde::Deserialize)]
    struct Case {
        tilt_deg: f64,
        from_deg: f64,
        roll_deg: f64,
        k: [f64; 2],
        focal_px: f64,
        size_px: (u32, u32),
        principal_px: [f64; 2],
        target: [f64; 3],
        distance_mm: f64,
        points: Vec<[f64; 3]>,
        photo_px: Vec<[f64; 2]>,
    }

    #[derive(serde::Deserialize)]
    struct Reference {
        cases: Vec<Case>,
    }

    /// Source: OpenCV `projectPoints`, see `tests/reference/rehearse_project_points.py`.
    #[test]
    fn points_fall_where_opencv_projects_them_and_rays_lead_back() {
        let reference: Reference = serde_json::from_str(include_str!(
            "../../tests/reference/rehearse_project_points.json"
        ))
        .unwrap();
        let mut in_view = 0;
        for case in &reference.cases {
            let camera = Camera::new(
                case.size_px,
                case.focal_px,
                Point2::from(case.principal_px),
                case.k,
                &Pose {
                    target: Point3::from(case.target),
                    distance_mm: case.distance_mm,
                    tilt: case.tilt_deg.to_radians(),
                    from: case.from_deg.to_radians(),
                    roll: case.roll_deg.to_radians(),
                },
            );
            for (point, expected) in case.points.iter().zip(&case.photo_px) {
                let world = Point3::from(*point);
                let px = camera.project(&world).unwrap();
                // Same formula in double precision: rounding alone may differ.
                assert!(
                    (px - Point2::from(*expected)).norm() < 1e-6,
                    "{px} {expected:?}"
                );
                if camera.holds(px, 0.0) {
                    in_view += 1;
                    let to_point = (world - camera.centre).normalize();
                    let angle = camera.ray(px).normalize().cross(&to_point).norm();
                    // A thousandth of a pixel at 1200 px focal length.
                    assert!(angle < 1e-3 / 1200.0, "{angle}");
                }
            }
        }
        assert!(in_view >= 30, "{in_view}");
    }
}

//! Where a point in space is seen in a photo, with its derivatives.

use super::Joint;
use super::state::{PER_CAMERA, PER_PHOTO, pose};
use crate::geometry::{Point2, Vector2};
use crate::plane::camera::{PreparedView, Surface, View};
use crate::plane::relief::Relief;
use nalgebra::{Matrix2x3, Matrix3, Rotation3, Vector3};
use std::sync::Arc;

/// Steps of the derivatives by the two sags, 1/mm: small against their curvature, large against rounding.
const SAG_STEPS: [f64; 2] = [1e-8, 1e-9];

/// By how much a point of the quilt moves in space when its place moves across or down, mm per mm.
pub(super) fn moves_on(
    surface: &Surface,
    place: Point2,
    space: &Vector3<f64>,
) -> [Vector3<f64>; 2] {
    const STEP_MM: f64 = 1e-3;
    [(STEP_MM, 0.0), (0.0, STEP_MM)]
        .map(|(dx, ds)| (surface.at(place.x + dx, place.y + ds) - space) / STEP_MM)
}

/// A photo's view at the present parameters, with what its derivatives are made of.
pub(super) struct SeenBy {
    pub(super) at: PreparedView,
    /// Derivatives of the rotation's matrix by the pose's three rotations.
    turns: [Matrix3<f64>; 3],
    /// Change of the radial terms per unit of the camera's fourth unknown.
    bend: [f64; 3],
    camera_at: usize,
    pose_at: usize,
    /// The surface with each of its sags moved a little: index of the unknown, step, surface.
    pub(super) sagged: [(usize, f64, Surface); 2],
}

/// Where a point in space is seen, px.
pub(super) struct Seen {
    pub(super) px: Point2,
    /// Derivatives by the point.
    pub(super) by_space: Matrix2x3<f64>,
    /// Derivatives by the unknowns of camera and pose, with their indices.
    pub(super) by_view: [(usize, Vector2); PER_CAMERA + PER_PHOTO],
}

impl SeenBy {
    pub(super) fn look(&self, space: &Vector3<f64>) -> Option<Seen> {
        let camera = &self.at.view.camera;
        let (px, by_point, by_value) =
            camera.project_with_derivatives(&self.at.in_camera(space))?;
        let (f_x, f_y) = (camera.focal_px, camera.focal_px * camera.aspect);
        let bent: Vector2 = (0..3).map(|k| by_value[4 + k] * self.bend[k]).sum();
        let (c, q) = (self.camera_at, self.pose_at);
        let turn = |k: usize| by_point * (self.turns[k] * space);
        Some(Seen {
            px,
            by_space: by_point * self.at.rotation(),
            by_view: [
                // The first unknown is ln f; the aspect is kept.
                (c, by_value[0] * f_x + by_value[1] * f_y),
                (c + 1, by_value[2]),
                (c + 2, by_value[3]),
                (c + 3, bent),
                (q, turn(0)),
                (q + 1, turn(1)),
                (q + 2, turn(2)),
                (q + 3, by_point.column(0).into_owned()),
                (q + 4, by_point.column(1).into_owned()),
                (q + 5, by_point.column(2).into_owned()),
            ],
        })
    }
}

impl Joint {
    /// A photo's view at the present parameters, ready for derivatives.
    pub(super) fn seen_by(&self, p: &[f64], photo: usize, relief: &Option<Arc<Relief>>) -> SeenBy {
        let camera = self.photos[photo].camera;
        let (camera_at, pose_at) = (self.camera_at(camera), self.photo_at(photo));
        let sagged = |by: [f64; 2]| Surface {
            sag_s: p[0] + by[0],
            sag_x: p[1] + by[1],
            relief: relief.clone(),
        };
        let pose = pose(&p[pose_at..pose_at + PER_PHOTO]);
        // Central differences of a rotation's matrix: good to some 1e-11.
        const TURN: f64 = 1e-5;
        let turned = |axis: usize, by: f64| {
            let mut rotation = pose.rotation;
            rotation[axis] += by;
            Rotation3::from_scaled_axis(rotation).into_inner()
        };
        let [h_s, h_x] = SAG_STEPS;
        SeenBy {
            at: View {
                camera: self.cameras[camera].camera_at(&p[camera_at..camera_at + PER_CAMERA]),
                pose,
                surface: sagged([0.0; 2]),
            }
            .prepare(),
            turns: [0, 1, 2].map(|k| (turned(k, TURN) - turned(k, -TURN)) / (2.0 * TURN)),
            bend: self.cameras[camera].bend,
            camera_at,
            pose_at,
            sagged: [(0, h_s, sagged([h_s, 0.0])), (1, h_x, sagged([0.0, h_x]))],
        }
    }
}

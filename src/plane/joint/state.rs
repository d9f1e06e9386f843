//! What is estimated, and its order in the vector of parameters.

use super::Joint;
use super::known::CameraPrior;
use super::observed::LineObservation;
use crate::geometry::Point2;
use crate::plane::camera::{Camera, CardPose, Pose, PreparedView, Surface, View};
use crate::plane::relief::Relief;
use nalgebra::{Rotation3, Vector3};
use std::sync::Arc;

/// A row's place on the quilt: y(x) = offset + slope·x + bow·x², the design's start at x = shift.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RowPlace {
    /// y at x = 0, mm.
    pub offset: f64,
    /// Slope, mm per mm.
    pub slope: f64,
    /// Quadratic coefficient, 1/mm.
    pub bow: f64,
    /// x of the reference point of the design, mm.
    pub shift: f64,
}

impl RowPlace {
    /// y of the baseline, mm.
    pub fn y(&self, x: f64) -> f64 {
        self.offset + (self.slope + self.bow * x) * x
    }

    /// Place on the quilt of a point of the design, `along`/`across` unstretched mm.
    pub fn on_quilt(&self, along: f64, across: f64, stretch: &Stretch) -> Point2 {
        let x = self.shift + along * (1.0 + stretch.x);
        Point2::new(x, self.y(x) + across * (1.0 + stretch.y))
    }
}

/// Relative stretch of the design on the quilt.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stretch {
    /// Along the row.
    pub x: f64,
    /// Across the row.
    pub y: f64,
}

/// Everything that is estimated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    /// The quilt's shape.
    pub surface: Surface,
    /// The design's stretch.
    pub stretch: Stretch,
    /// Cameras.
    pub cameras: Vec<Camera>,
    /// Pose of each photo.
    pub poses: Vec<Pose>,
    /// Pose of each card.
    pub cards: Vec<CardPose>,
    /// Place of each row.
    pub rows: Vec<RowPlace>,
    /// How far the stitching strays from the design in the same way in every repeat, mm along the curve's normal, at
    /// equal steps of the curve's length; empty where it is taken to stray nowhere.
    pub habit_mm: Vec<f64>,
}

/// Numbers of parameters: of quilt and design (two sags, two stretches), then of each camera, photo, card and row.
pub(super) const GLOBALS: usize = 4;
pub(super) const PER_CAMERA: usize = 4;
pub(super) const PER_PHOTO: usize = 6;
pub(super) const PER_CARD: usize = 6;
pub(super) const PER_ROW: usize = 4;

impl State {
    /// The view of a photo.
    pub fn view(&self, photo: usize, camera: usize) -> PreparedView {
        View {
            camera: self.cameras[camera],
            pose: self.poses[photo],
            surface: self.surface.clone(),
        }
        .prepare()
    }

    /// The same scene in a frame whose x-axis stands at `angle` (rad) in this one, same origin. Sag and
    /// relief are taken as they are: they are solved anew.
    pub fn turned(&self, angle: f64) -> State {
        let about_z = Rotation3::from_axis_angle(&Vector3::z_axis(), angle);
        let (sin, cos) = angle.sin_cos();
        State {
            poses: self
                .poses
                .iter()
                .map(|pose| Pose {
                    rotation: (pose.matrix() * about_z).scaled_axis(),
                    translation: pose.translation,
                })
                .collect(),
            cards: self
                .cards
                .iter()
                .map(|card| CardPose {
                    x: cos * card.x + sin * card.s,
                    s: cos * card.s - sin * card.x,
                    angle: card.angle - angle,
                    ..*card
                })
                .collect(),
            ..self.clone()
        }
    }

    /// Indices of the design's stretch along and across in the solution.
    pub const STRETCH_INDEX: [usize; 2] = [2, 3];

    /// Index of a row's first parameter (offset, slope, bow, shift) in the solution.
    pub fn row_index(&self, row: usize) -> usize {
        GLOBALS
            + PER_CAMERA * self.cameras.len()
            + PER_PHOTO * self.poses.len()
            + PER_CARD * self.cards.len()
            + PER_ROW * row
    }

    /// Index of a card's first parameter (x, s, angle, height, tilts) in the solution.
    pub fn card_index(&self, card: usize) -> usize {
        self.row_index(0) - PER_CARD * (self.cards.len() - card)
    }

    pub(super) fn to_parameters(&self, priors: &[CameraPrior]) -> Vec<f64> {
        let mut p = vec![
            self.surface.sag_s,
            self.surface.sag_x,
            self.stretch.x,
            self.stretch.y,
        ];
        for (prior, camera) in priors.iter().zip(&self.cameras) {
            p.extend(prior.to_parameters(camera));
        }
        for pose in &self.poses {
            p.extend(pose.rotation.iter().chain(pose.translation.iter()));
        }
        for c in &self.cards {
            p.extend([c.x, c.s, c.angle, c.height, c.tilt_x, c.tilt_y]);
        }
        for r in &self.rows {
            p.extend([r.offset, r.slope, r.bow, r.shift]);
        }
        if let Some(relief) = &self.surface.relief {
            p.extend(&relief.heights_mm);
        }
        p.extend(&self.habit_mm);
        p
    }

    /// The relief with the heights of a parameter vector; `None` when there is none.
    pub(super) fn relief_of(&self, p: &[f64]) -> Option<Arc<Relief>> {
        self.surface.relief.as_ref().map(|relief| {
            let from = self.row_index(self.rows.len());
            Arc::new(Relief {
                heights_mm: p[from..from + relief.heights_mm.len()].to_vec(),
                ..Relief::clone(relief)
            })
        })
    }

    pub(super) fn from_parameters(p: &[f64], shape: &State, priors: &[CameraPrior]) -> State {
        let mut rest = &p[GLOBALS..];
        let mut take = |n: usize| {
            let (head, tail) = rest.split_at(n);
            rest = tail;
            head
        };
        State {
            surface: Surface {
                sag_s: p[0],
                sag_x: p[1],
                relief: shape.relief_of(p),
            },
            stretch: Stretch { x: p[2], y: p[3] },
            cameras: priors
                .iter()
                .map(|prior| prior.camera_at(take(PER_CAMERA)))
                .collect(),
            poses: shape.poses.iter().map(|_| pose(take(PER_PHOTO))).collect(),
            cards: shape.cards.iter().map(|_| card(take(PER_CARD))).collect(),
            rows: shape.rows.iter().map(|_| row(take(PER_ROW))).collect(),
            habit_mm: p[p.len() - shape.habit_mm.len()..].to_vec(),
        }
    }

    /// By how much the stitching's habit moves a place of the line along its normal in the photo, px.
    pub fn habit_px(&self, line: &LineObservation) -> f64 {
        strayed_mm(&self.habit_mm, line.phase) * line.px_per_mm
    }
}

/// The two values of a habit between which a phase lies, and how much each counts; the last is followed by the first.
pub(super) fn habit_shares(values: usize, phase: f64) -> Option<[(usize, f64); 2]> {
    let at = phase.rem_euclid(1.0) * values as f64;
    let (i, t) = (at.floor() as usize, at.fract());
    (values > 0).then(|| [(i % values, 1.0 - t), ((i + 1) % values, t)])
}

/// A habit at a phase, mm.
pub(super) fn strayed_mm(habit_mm: &[f64], phase: f64) -> f64 {
    let shares = habit_shares(habit_mm.len(), phase);
    let shares = shares.iter().flatten();
    shares.map(|(i, share)| share * habit_mm[*i]).sum()
}

pub(super) fn pose(p: &[f64]) -> Pose {
    Pose {
        rotation: Vector3::new(p[0], p[1], p[2]),
        translation: Vector3::new(p[3], p[4], p[5]),
    }
}

pub(super) fn card(p: &[f64]) -> CardPose {
    CardPose {
        x: p[0],
        s: p[1],
        angle: p[2],
        height: p[3],
        tilt_x: p[4],
        tilt_y: p[5],
    }
}

pub(super) fn row(p: &[f64]) -> RowPlace {
    RowPlace {
        offset: p[0],
        slope: p[1],
        bow: p[2],
        shift: p[3],
    }
}

/// Where each part of the parameters begins.
impl Joint {
    pub(super) fn camera_at(&self, camera: usize) -> usize {
        GLOBALS + PER_CAMERA * camera
    }

    pub(super) fn photo_at(&self, photo: usize) -> usize {
        self.camera_at(self.start.cameras.len()) + PER_PHOTO * photo
    }

    pub(super) fn card_at(&self, card: usize) -> usize {
        self.photo_at(self.start.poses.len()) + PER_CARD * card
    }

    pub(super) fn relief_at(&self) -> usize {
        self.start.row_index(self.start.rows.len())
    }

    pub(super) fn habit_at(&self) -> usize {
        let heights = self.start.surface.relief.as_ref();
        self.relief_at() + heights.map_or(0, |relief| relief.heights_mm.len())
    }
}

//! What is known before the photo is looked at.

use super::state::PER_CAMERA;
use crate::geometry::Point2;
use crate::plane::camera::Camera;

/// A value known beforehand, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Expected value.
    pub mean: f64,
    /// Standard uncertainty.
    pub u: f64,
}

impl Prior {
    /// A prior.
    pub const fn new(mean: f64, u: f64) -> Self {
        Prior { mean, u }
    }
}

/// What is known of a camera before the photo is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraPrior {
    /// What it is expected to be. Focal length and principal point are solved within their
    /// uncertainties, and the radial terms along `bend`; the rest is taken as it is.
    pub camera: Camera,
    /// Relative standard uncertainty of the focal length (`u` of ln f).
    pub focal_relative_u: f64,
    /// Standard uncertainty of the principal point along each axis, px.
    pub centre_u_px: f64,
    /// Change of k1, k2, k3 at one standard uncertainty, in the direction that is known least.
    pub bend: [f64; 3],
}

impl CameraPrior {
    /// The unknowns of a camera: ln f, c_x, c_y, and how many standard uncertainties its radial terms
    /// stand from the expected ones.
    pub(super) fn to_parameters(self, camera: &Camera) -> [f64; PER_CAMERA] {
        let (known, now) = (self.camera.distortion.radial, camera.distortion.radial);
        let length2: f64 = self.bend.iter().map(|b| b * b).sum();
        let along: f64 = (0..3).map(|i| (now[i] - known[i]) * self.bend[i]).sum();
        [
            camera.focal_px.ln(),
            camera.centre_px.x,
            camera.centre_px.y,
            if length2 > 0.0 { along / length2 } else { 0.0 },
        ]
    }

    /// The camera of such unknowns.
    pub(super) fn camera_at(&self, p: &[f64]) -> Camera {
        let mut camera = Camera {
            focal_px: p[0].exp(),
            centre_px: Point2::new(p[1], p[2]),
            ..self.camera
        };
        for (k, b) in camera.distortion.radial.iter_mut().zip(self.bend) {
            *k += p[3] * b;
        }
        camera
    }
}

/// What is known of cards, quilt and design before the photo is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priors {
    /// Height of a card above the stitching, mm: its thickness and the puff of the batting.
    pub card_height_mm: Prior,
    /// Rock of a card on the quilt, as a slope.
    pub card_tilt: Prior,
    /// Sag down the quilt, 1/mm.
    pub sag_s: Prior,
    /// Sag across the quilt, 1/mm.
    pub sag_x: Prior,
    /// Stretch of the design common to x and y, relative.
    pub stretch: Prior,
    /// Difference of the stretch in y from that in x, relative.
    pub stretch_difference: Prior,
    /// Quadratic coefficient of a row's bow, 1/mm.
    pub bow: Prior,
    /// Heights of a relaxed quilt's hills, mm.
    pub relief_mm: Prior,
    /// How far the stitching strays from the design in the same way in every repeat, mm.
    pub habit_mm: Prior,
}

impl Default for Priors {
    /// Heights and rock as in the starting design's trial: cards 2–7 mm above the stitching (uniform:
    /// 4.5 ± 1.45), rocked by 0.2–1.5 degrees (0.8 degrees a side); a band of 500 mm sags by up to
    /// some 12 mm; a design is stretched by some 0.2 %. Common practice and trials, no source.
    fn default() -> Self {
        Priors {
            card_height_mm: Prior::new(4.5, 1.45),
            card_tilt: Prior::new(0.0, 0.8_f64.to_radians()),
            sag_s: Prior::new(-0.6e-4, 0.8e-4),
            sag_x: Prior::new(0.0, 0.5e-5),
            stretch: Prior::new(0.0, 0.002),
            stretch_difference: Prior::new(0.0, 0.0015),
            bow: Prior::new(0.0, 1.5e-5),
            relief_mm: Prior::new(0.0, 5.0),
            habit_mm: Prior::new(0.0, 0.3),
        }
    }
}

//! Over what random scenes range.

use super::scene::{FABRIC_CLASSES, FabricClass};
use serde::{Deserialize, Serialize};

/// From … to.
pub type Range = [f64; 2];

/// Which cards a random scene carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CardChoice {
    /// One sheet.
    OneSheet,
    /// Two strips, one to the left and one to the right.
    TwoStrips,
    /// One or the other.
    Either,
}

/// Over what random scenes range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneRange {
    /// Size of the picture.
    pub megapixels: f64,
    /// Scale where the camera points.
    pub mm_per_px: Range,
    /// 35 mm equivalent focal length.
    pub focal_35mm: Range,
    /// Tilt, any direction but mostly from the front.
    pub tilt_deg: Range,
    /// Roll, to both sides.
    pub roll_deg: f64,
    /// Principal point off the middle, fraction.
    pub off_centre: f64,
    /// Radial distortion.
    pub k1: Range,
    /// Cards.
    pub cards: CardChoice,
    /// Height of a card above the stitching.
    pub card_height_mm: Range,
    /// Rock of a card about both axes, to both sides.
    pub card_rock_deg: f64,
    /// Real length of the check bar.
    pub card_bar_mm: Range,
    /// Greatest curl of a card.
    pub card_curl_mm: f64,
    /// Share of scenes in which the card lies at any angle to which its arrow still points to the rows
    /// already stitched, instead of within 12 degrees.
    pub any_angle: f64,
    /// Sag over the free depth.
    pub sag_mm: Range,
    /// Sag over the width of the quilt.
    pub sag_across_mm: Range,
    /// Free depth.
    pub depth_mm: Range,
    /// Largest ripple.
    pub ripple_mm: f64,
    /// Planned spacing.
    pub spacing_mm: Range,
    /// Stretch of the design.
    pub stretch: Range,
    /// Scatter of a gap against the plan.
    pub gap_scatter_mm: f64,
    /// Scatter of the slope from row to row, mm/m.
    pub slope_scatter_mm_per_m: f64,
    /// Scatter of the bow from row to row.
    pub bow_scatter_mm: f64,
    /// Scatter of the shift.
    pub shift_scatter_mm: f64,
    /// RMS of the wobble.
    pub wobble_rms_mm: Range,
    /// Correlation length of the wobble.
    pub wobble_correlation_mm: Range,
    /// RMS of the slow wander.
    pub wander_rms_mm: Range,
    /// Share of scenes with missed parts.
    pub missed: f64,
    /// Fabrics to choose from.
    pub fabrics: Vec<FabricClass>,
    /// Contrast of the thread against the ground, 0 same colour … 1 black on white.
    pub thread_contrast: Range,
    /// Depth of the groove.
    pub groove_depth_mm: Range,
    /// Blur.
    pub blur_px: Range,
    /// Largest motion blur.
    pub motion_px: f64,
    /// Shot noise.
    pub shot_noise: Range,
    /// JPEG quality.
    pub jpeg_quality: Range,
    /// Share of scenes with something in the way.
    pub objects: f64,
}

impl SceneRange {
    /// The range in which measuring has to work.
    pub fn full_range() -> Self {
        SceneRange {
            megapixels: 12.0,
            mm_per_px: [0.3, 0.6],
            focal_35mm: [24.0, 28.0],
            tilt_deg: [0.0, 40.0],
            roll_deg: 10.0,
            off_centre: 0.01,
            k1: [-0.08, 0.05],
            cards: CardChoice::Either,
            card_height_mm: [2.0, 7.0],
            card_rock_deg: 1.5,
            card_bar_mm: [148.0, 151.0],
            card_curl_mm: 0.0,
            any_angle: 0.15,
            sag_mm: [0.0, 12.0],
            sag_across_mm: [0.0, 2.0],
            depth_mm: [400.0, 600.0],
            ripple_mm: 1.5,
            spacing_mm: [140.0, 160.0],
            stretch: [-0.003, 0.003],
            gap_scatter_mm: 2.0,
            slope_scatter_mm_per_m: 1.5,
            bow_scatter_mm: 1.5,
            shift_scatter_mm: 4.0,
            wobble_rms_mm: [0.2, 1.0],
            wobble_correlation_mm: [6.0, 20.0],
            wander_rms_mm: [0.0, 0.3],
            missed: 0.25,
            fabrics: FABRIC_CLASSES.to_vec(),
            thread_contrast: [0.05, 0.8],
            groove_depth_mm: [0.5, 2.5],
            blur_px: [0.5, 2.0],
            motion_px: 2.5,
            shot_noise: [5e-5, 4e-4],
            jpeg_quality: [75.0, 95.0],
            objects: 0.1,
        }
    }

    /// Good light, plain cloth, bright thread, a flat card, a steady camera.
    pub fn easy() -> Self {
        SceneRange {
            tilt_deg: [0.0, 15.0],
            roll_deg: 3.0,
            off_centre: 0.0,
            k1: [0.0, 0.0],
            cards: CardChoice::OneSheet,
            card_rock_deg: 0.3,
            card_bar_mm: [150.0, 150.0],
            any_angle: 0.0,
            sag_mm: [0.0, 3.0],
            sag_across_mm: [0.0, 0.0],
            ripple_mm: 0.0,
            stretch: [0.0, 0.0],
            wobble_rms_mm: [0.2, 0.4],
            wander_rms_mm: [0.0, 0.0],
            missed: 0.0,
            fabrics: vec![FabricClass::Solid, FabricClass::Tonal],
            thread_contrast: [0.5, 0.8],
            blur_px: [0.6, 1.0],
            motion_px: 0.0,
            shot_noise: [5e-5, 1e-4],
            jpeg_quality: [90.0, 95.0],
            objects: 0.0,
            ..SceneRange::full_range()
        }
    }

    /// The same range in a smaller picture: the field of view shrinks, the scale stays.
    pub fn with_megapixels(self, megapixels: f64) -> Self {
        SceneRange { megapixels, ..self }
    }
}

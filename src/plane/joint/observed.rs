//! What is observed in photos.

use crate::geometry::{Point2, Vector2};
use nalgebra::Matrix2;

/// A card corner located in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CornerObservation {
    /// On the card, true mm (printer scale taken out).
    pub on_card_mm: Point2,
    /// In the photo, px.
    pub in_photo_px: Point2,
    /// Inverse square root of its covariance: whitens a residual, 1/px.
    pub whitening: Matrix2<f64>,
}

/// A place of the stitched line located in a photo along its curve's normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineObservation {
    /// Which row of the problem.
    pub row: usize,
    /// Along the unstretched row from its reference point, mm (repeats counted in).
    pub along_mm: f64,
    /// Across, from the baseline, mm, unstretched.
    pub across_mm: f64,
    /// In the photo, px.
    pub in_photo_px: Point2,
    /// Unit normal of the curve in the photo.
    pub normal: Vector2,
    /// Standard uncertainty along the normal, px.
    pub u_px: f64,
    /// Along the row's curve, mm, repeats counted in.
    pub arc_mm: f64,
    /// Normal of the curve on the quilt; shorter than 1 where it is the mean of a bent piece.
    pub normal_on_quilt: Vector2,
    /// Where on the repeat's curve it lies, 0…1 of its length.
    pub phase: f64,
    /// By how much the line moves along the normal when it strays a millimetre to the same side on the quilt, px; 0 where
    /// the design's own shape is not in question.
    pub px_per_mm: f64,
}

/// One photo's observations.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PhotoObservations {
    /// Which camera of the problem.
    pub camera: usize,
    /// Corners by card of the problem.
    pub cards: Vec<(usize, Vec<CornerObservation>)>,
    /// Places of the stitched line.
    pub lines: Vec<LineObservation>,
}

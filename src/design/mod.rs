//! The continuous-line design: one repeat of it as a curve, read from SVG or DXF.

use crate::geometry::Point2;

/// One repeat of a continuous-line design.
///
/// Frame: mm, x along the row, y down the quilt. The curve starts at x = 0 and ends at x =
/// `repeat_mm` with the same y; y = 0, the design's reference line, is half-way between the highest
/// and the lowest point of the curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// The stitched line in stitching order, dense enough that chords stay within 0.02 mm of the curve.
    pub curve_mm: Vec<Point2>,
    /// Length of one repeat along the row, mm.
    pub repeat_mm: f64,
}

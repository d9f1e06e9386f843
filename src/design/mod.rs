//! The continuous-line design: one repeat of it as a curve, read from SVG or DXF.

pub mod demo;
pub mod from_photo;
pub mod import;

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
    /// Points of the curve after which the line is not known up to the next one, ascending; empty but for a design
    /// that was learned from its own rows.
    pub breaks: Vec<usize>,
}

/// A point of a design at equal steps of arc length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DesignPoint {
    /// Position, mm.
    pub position: Point2,
    /// Unit tangent in stitching direction.
    pub tangent: crate::geometry::Vector2,
    /// Arc length from the start of the repeat, mm.
    pub arc_mm: f64,
    /// The line is not known from here on to the next point.
    pub is_last: bool,
}

impl Design {
    /// The known pieces of the line, in order.
    fn pieces(&self) -> impl Iterator<Item = &[Point2]> {
        let starts = std::iter::once(0).chain(self.breaks.iter().map(|last| last + 1));
        let ends = self.breaks.iter().map(|last| last + 1);
        starts
            .zip(ends.chain([self.curve_mm.len()]))
            .filter_map(|(from, to)| self.curve_mm.get(from..to))
    }

    /// Height from the highest to the lowest point, mm.
    pub fn height_mm(&self) -> f64 {
        let ys = self.curve_mm.iter().map(|p| p.y);
        ys.clone().fold(f64::MIN, f64::max) - ys.fold(f64::MAX, f64::min)
    }

    /// Length of the stitched line in one repeat, mm.
    pub fn arc_mm(&self) -> f64 {
        self.pieces().map(length_mm).sum()
    }

    /// Points at equal steps of arc length of about `step_mm` over one repeat; the end of the repeat,
    /// which is the start of the next, is left out.
    pub fn sample(&self, step_mm: f64) -> Vec<DesignPoint> {
        if self.breaks.is_empty() {
            let mut points = equal_steps(&self.curve_mm, step_mm);
            self.turn_ends(&mut points);
            return points;
        }
        let mut points = Vec::new();
        let mut before = 0.0;
        for piece in self.pieces() {
            let first = points.len();
            points.extend(equal_steps(piece, step_mm));
            for point in &mut points[first..] {
                point.arc_mm += before;
            }
            if let Some(last) = points.last_mut() {
                last.is_last = true;
            }
            before += length_mm(piece);
        }
        points
    }

    /// Tangents over two steps, also from one repeat to the next: chords of a flattened curve turn in jumps.
    fn turn_ends(&self, points: &mut [DesignPoint]) {
        let repeat = nalgebra::Vector2::new(self.repeat_mm, 0.0);
        let n = points.len();
        let places: Vec<Point2> = points.iter().map(|p| p.position).collect();
        for (i, point) in points.iter_mut().enumerate() {
            let next = if i + 1 < n {
                places[i + 1]
            } else {
                places[0] + repeat
            };
            let last = if i > 0 {
                places[i - 1]
            } else {
                places[n - 1] - repeat
            };
            if let Some(tangent) = (next - last).try_normalize(1e-9) {
                point.tangent = tangent;
            }
        }
    }
}

fn length_mm(curve_mm: &[Point2]) -> f64 {
    curve_mm.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Points at equal steps of about `step_mm` along a curve, its end left out; tangents are its chords'.
fn equal_steps(curve_mm: &[Point2], step_mm: f64) -> Vec<DesignPoint> {
    let total = length_mm(curve_mm);
    let count = (total / step_mm).round().max(8.0) as usize;
    let step = total / count as f64;
    let mut points = Vec::with_capacity(count);
    let mut before = 0.0;
    for pair in curve_mm.windows(2) {
        let along = pair[1] - pair[0];
        let length = along.norm();
        while points.len() < count && points.len() as f64 * step < before + length {
            let arc_mm = points.len() as f64 * step;
            points.push(DesignPoint {
                position: pair[0] + along * ((arc_mm - before) / length),
                tangent: along / length,
                arc_mm,
                is_last: false,
            });
        }
        before += length;
    }
    points
}

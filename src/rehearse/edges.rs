//! The edges of a practice quilt off the frame: trimmed a little askew, wavy, and the shadow they throw.

use super::render::Stage;
use super::scene::Scene;
use super::seeded::Seeded;
use super::stitching::Patch;
use crate::geometry::Point2;
use serde::{Deserialize, Serialize};

/// A side of the quilt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Before the first row.
    Top,
    /// Beyond the last row.
    Bottom,
    /// At the rows' left ends.
    Left,
    /// At their right ends.
    Right,
}

/// All four.
pub const SIDES: [Side; 4] = [Side::Top, Side::Bottom, Side::Left, Side::Right];

/// How far an edge lies inside the side of a true rectangle: `in + slope·t + wave·sin(2π·t/length + phase)`, t along
/// the side from its middle.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EdgeShape {
    /// In the middle.
    pub in_mm: f64,
    /// More per m along x or s.
    pub slope_mm_per_m: f64,
    /// Half height of its wave.
    pub wave_mm: f64,
    /// Length of the wave; none when 0.
    pub wave_length_mm: f64,
    /// Where it begins.
    pub phase_deg: f64,
}

impl EdgeShape {
    /// How far it lies inside, `t` mm along the side.
    pub fn inside_mm(&self, t: f64) -> f64 {
        let turn = match self.wave_length_mm > 0.0 {
            true => t / self.wave_length_mm * std::f64::consts::TAU,
            false => 0.0,
        };
        self.in_mm
            + self.slope_mm_per_m / 1000.0 * t
            + self.wave_mm * (turn + self.phase_deg.to_radians()).sin()
    }

    fn random(rng: &mut Seeded, half_mm: f64) -> EdgeShape {
        let slope_mm_per_m = rng.between(-3.0, 3.0);
        let wave_mm = rng.between(0.0, 2.5);
        EdgeShape {
            // Nowhere outside the rectangle.
            in_mm: wave_mm + slope_mm_per_m.abs() / 1000.0 * half_mm,
            slope_mm_per_m,
            wave_mm,
            wave_length_mm: rng.between(350.0, 1200.0),
            phase_deg: rng.between(0.0, 360.0),
        }
    }
}

/// The edges of a quilt.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct QuiltEdges {
    /// Before the first row.
    pub top: EdgeShape,
    /// Beyond the last row.
    pub bottom: EdgeShape,
    /// At the left.
    pub left: EdgeShape,
    /// At the right.
    pub right: EdgeShape,
    /// How high the edge stands above the ground, which throws a shadow; none at 0.
    pub thick_mm: f64,
}

impl QuiltEdges {
    /// Edges cut by hand.
    pub fn random(rng: &mut Seeded, width_mm: f64, length_mm: f64) -> QuiltEdges {
        let [across, down] = [width_mm / 2.0, length_mm / 2.0];
        QuiltEdges {
            top: EdgeShape::random(rng, across),
            bottom: EdgeShape::random(rng, across),
            left: EdgeShape::random(rng, down),
            right: EdgeShape::random(rng, down),
            thick_mm: rng.between(2.0, 8.0),
        }
    }

    fn of(&self, side: Side) -> &EdgeShape {
        match side {
            Side::Top => &self.top,
            Side::Bottom => &self.bottom,
            Side::Left => &self.left,
            Side::Right => &self.right,
        }
    }

    /// How far a place lies outside the nearest edge, mm; negative inside. `cloth` is the true rectangle.
    pub fn outside_mm(&self, p: Point2, cloth: &Patch) -> f64 {
        SIDES
            .map(|side| {
                let (beyond, t) = beyond(side, p, cloth);
                beyond + self.of(side).inside_mm(t)
            })
            .into_iter()
            .fold(f64::MIN, f64::max)
    }
}

/// How far a place lies beyond a side of the rectangle, and where along it, from its middle.
fn beyond(side: Side, p: Point2, cloth: &Patch) -> (f64, f64) {
    let along_s = p.y - f64::midpoint(cloth.s0, cloth.s1);
    let along_x = p.x - f64::midpoint(cloth.x0, cloth.x1);
    match side {
        Side::Top => (cloth.s0 - p.y, along_x),
        Side::Bottom => (p.y - cloth.s1, along_x),
        Side::Left => (cloth.x0 - p.x, along_s),
        Side::Right => (p.x - cloth.x1, along_s),
    }
}

/// The straight line that lies best along an edge as drawn (least squares), in the fabric frame: the side's own
/// coordinate (s of top and bottom, x of left and right) at the middle of the side, and its change per mm along the
/// side. `None` for a quilt on the frame.
pub fn edge_line(scene: &Scene, side: Side) -> Option<(f64, f64)> {
    let edges = &scene.relaxed.as_ref()?.edges;
    let nothing = crate::design::Design {
        curve_mm: Vec::new(),
        repeat_mm: 1.0,
        breaks: Vec::new(),
    };
    let bare = Scene {
        rows: Vec::new(),
        ..scene.clone()
    };
    let cloth = Stage::new(&bare, &nothing).cloth;
    let (at, inwards, half) = match side {
        Side::Top => (cloth.s0, 1.0, (cloth.x1 - cloth.x0) / 2.0),
        Side::Bottom => (cloth.s1, -1.0, (cloth.x1 - cloth.x0) / 2.0),
        Side::Left => (cloth.x0, 1.0, (cloth.s1 - cloth.s0) / 2.0),
        Side::Right => (cloth.x1, -1.0, (cloth.s1 - cloth.s0) / 2.0),
    };
    let (mut sum, mut moment, mut square) = (0.0, 0.0, 0.0);
    let n = 2000;
    for i in 0..n {
        let t = half * ((2 * i + 1) as f64 / n as f64 - 1.0);
        let place = at + inwards * edges.of(side).inside_mm(t);
        sum += place;
        moment += t * place;
        square += t * t;
    }
    Some((sum / n as f64, moment / square))
}

//! What ends the cloth and lies around it: binding, rails, batting, floor.

use super::painter::Painter;
use crate::geometry::Point2;
use crate::rehearse::fabric::{cover, linear};
use crate::rehearse::scene::{Colour, Rail, Relaxed};
use crate::rehearse::seeded::value_noise;

impl Painter<'_> {
    /// Light that a finished quilt's edge lets through to a place of the ground beside it.
    pub(super) fn beside_edge(&self, relaxed: &Relaxed, p: Point2) -> f32 {
        let edges = &relaxed.edges;
        let to_lamp = self.lamp.toward;
        let level = to_lamp[0].hypot(to_lamp[1]);
        let far = edges.thick_mm * f64::from(level / to_lamp[2].max(0.05));
        let toward = nalgebra::Vector2::from(self.lamp.level.map(f64::from));
        let outside = edges.outside_mm(p + toward * far, &self.stage.cloth);
        // The lamp is no point: its shadow's border widens with the way.
        let shade = cover(-outside as f32, 1.0 + 0.15 * far as f32);
        1.0 - 0.8 * (1.0 - self.lamp.diffuse) * shade
    }

    /// The binding round the edge of a finished quilt, over what is `inside` mm from that edge.
    pub(super) fn bound(&self, relaxed: &Relaxed, top: Colour, inside: f32, along: f32) -> Colour {
        let wide = relaxed.binding_mm as f32;
        if inside > wide + 2.0 {
            return top;
        }
        let seam = 1.0 - 0.35 * (-((inside - wide) / 1.2).powi(2)).exp();
        if inside > wide {
            return top.map(|c| c * seam);
        }
        let v = (2.0 * inside / wide - 1.0).clamp(-1.0, 1.0);
        let round = 0.7 + 0.3 * (1.0 - v * v).sqrt();
        let weave = 1.0 + 0.06 * value_noise(self.seed ^ 21, along / 3.0, inside / 3.0);
        linear(relaxed.binding).map(|c| c * round * weave * seam)
    }

    pub(super) fn rail(&self, x: f32, s: f32, fp: f32) -> Colour {
        let cloth = &self.stage.cloth;
        let around = &self.scene.around;
        let (out, kind) = if f64::from(s) < cloth.s0 {
            (cloth.s0 as f32 - s, around.top)
        } else {
            (s - cloth.s1 as f32, around.bottom)
        };
        let thick = around.rail_mm as f32;
        if out > thick {
            return self.ground(x, s, out - thick);
        }
        let v = 2.0 * out / thick - 1.0;
        let round = (1.0 - v * v).max(0.0).sqrt();
        let shine = |at: f32, w: f32| (-((v - at) / w).powi(2)).exp();
        match kind {
            Rail::Metal => {
                let c = 0.18 + 0.25 * round + 0.6 * shine(-0.25, 0.12) + 0.25 * shine(0.45, 0.2);
                let brushed = 1.0 + 0.05 * value_noise(self.seed ^ 6, x / 40.0, s * 2.0);
                [c * brushed, c * brushed, c * brushed * 1.02]
            }
            Rail::Dark => {
                let c = 0.015 + 0.03 * round + 0.12 * shine(-0.3, 0.1);
                [c; 3]
            }
            Rail::Rolled => {
                if x.abs() > cloth.x1 as f32 {
                    return self.ground(x, s, out);
                }
                let turned = s + (v.clamp(-0.99, 0.99).asin() - v) * thick / 2.0;
                let c = self.cloth.at(x, turned, fp);
                let dents = 1.0 + 0.10 * value_noise(self.seed ^ 8, x / 30.0, s / 12.0);
                c.colour.map(|c| c * (0.25 + 0.7 * round) * dents)
            }
        }
    }

    /// Batting and backing sticking out at the quilt's sides, then the floor.
    pub(super) fn side(&self, x: f32, s: f32, out: f32, at_end: bool) -> Colour {
        let along = if at_end { x } else { s };
        let batting = self.scene.around.batting_mm as f32
            * (1.0 + 0.15 * value_noise(self.seed ^ 13, along / 25.0, 0.5));
        let fuzz = 1.0
            + 0.08 * value_noise(self.seed ^ 14, x / 2.0, s / 2.0)
            + 0.08 * value_noise(self.seed ^ 15, x / 11.0, s / 11.0);
        let edge = 1.0 - 0.5 * (-out / 3.0).exp();
        if out < batting {
            [0.72 * fuzz * edge, 0.70 * fuzz * edge, 0.64 * fuzz * edge]
        } else if at_end || out < batting + 70.0 {
            // Backing; at the ends it runs on to the roller.
            let edge = 1.0 - 0.5 * (-(out - batting) / 4.0).exp();
            let c = linear(self.scene.fabric.second);
            c.map(|c| (0.3 * c + 0.15) * fuzz * edge)
        } else {
            self.ground(x, s, out - batting - 70.0)
        }
    }

    pub(super) fn ground(&self, x: f32, s: f32, out: f32) -> Colour {
        let n = value_noise(self.seed ^ 17, x / 300.0, s / 90.0)
            + 0.5 * value_noise(self.seed ^ 18, x / 60.0, s / 60.0);
        let on_wall = self.scene.relaxed.as_ref().is_some_and(|r| r.on_wall);
        let board = if !on_wall && (s / 120.0).rem_euclid(1.0) < 0.02 {
            0.6
        } else {
            1.0
        };
        let dark = 1.0 - 0.7 * (-out / 60.0).exp();
        self.floor
            .map(|c| (c * (0.6 + 0.2 * n) * dark * board).max(0.0))
    }
}

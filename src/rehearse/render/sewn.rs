//! The quilt top in the picture, with its stitching.

use super::painter::Painter;
use crate::geometry::Point2;
use crate::rehearse::fabric::cover;
use crate::rehearse::scene::Colour;
use crate::rehearse::stitching::Stitch;
use nalgebra::Vector3;

/// A stitch as it lies about a place of the cloth, mm.
struct Near {
    /// Its first hole, seen from the place.
    from: (f32, f32),
    /// Unit vector along it.
    direction: (f32, f32),
    length: f32,
    /// Distance of the nearer hole.
    hole_mm: f32,
}

impl Near {
    fn new(stitch: &Stitch, p: Point2) -> Near {
        let rel = |q: Point2| ((q.x - p.x) as f32, (q.y - p.y) as f32);
        let (ax, ay) = rel(stitch.from);
        let (bx, by) = rel(stitch.to);
        let (ex, ey) = (bx - ax, by - ay);
        let length = (ex * ex + ey * ey).sqrt().max(1e-3);
        Near {
            from: (ax, ay),
            direction: (ex / length, ey / length),
            length,
            hole_mm: (ax * ax + ay * ay).min(bx * bx + by * by).sqrt(),
        }
    }

    /// Where a point beside the place lies: along the stitch from its first hole, and across it.
    fn along_across(&self, x: f32, y: f32) -> (f32, f32) {
        let ((ax, ay), (ex, ey)) = (self.from, self.direction);
        (
            (x - ax) * ex + (y - ay) * ey,
            (x - ax) * -ey + (y - ay) * ex,
        )
    }
}

impl Painter<'_> {
    pub(super) fn top(
        &self,
        p: Point2,
        (sx, sy): (f64, f64),
        ray: &Vector3<f64>,
        fp: f32,
    ) -> Colour {
        let (xf, sf) = (p.x as f32, p.y as f32);
        let mut cloth = self.cloth.at(xf, sf, fp);
        if let Some(print) = &self.print {
            cloth.colour = print.over(cloth.colour, p, fp);
        }
        let puff = self.puff.at(p.x, p.y);
        // The surface's z points down, heights point up.
        let (dx, dy) = (
            puff[0] + cloth.slope[0] - sx as f32,
            puff[1] + cloth.slope[1] - sy as f32,
        );
        let deep = 1.0 - 0.18 * puff[2] * (self.scene.puff.depth_mm as f32 / 2.0).min(1.2);
        let place = self.cast_shadow(p) * self.shadow_band(sf) * self.near_rail(sf);
        let directed = self.directed(p);
        let lit = self.lamp.on(dx, dy, directed) * deep;
        let mut colour = cloth.colour.map(|c| c * lit);
        self.sew(p, ray, fp, directed, &mut colour);
        colour.map(|c| c * place)
    }

    /// Holes, the thread's shadow and the thread itself.
    fn sew(&self, p: Point2, ray: &Vector3<f64>, fp: f32, directed: f32, colour: &mut Colour) {
        let half = self.scene.thread.width_mm as f32 / 2.0;
        let toward = self.lamp.level;
        let mut hole = 0f32;
        let mut shade = 0f32;
        let mut top: Option<(f32, Colour)> = None;
        for stitch in self.grid.near(p.x, p.y) {
            let near = Near::new(stitch, p);
            if stitch.sewn {
                hole = hole.max(cover(0.32 - near.hole_mm, fp.max(0.25)));
            }
            // The lamp's side of this place: is the thread there?
            let (st, sd) = near.along_across(
                toward[0] * self.shadow_mm * 0.6,
                toward[1] * self.shadow_mm * 0.6,
            );
            let past = (-st).max(st - near.length).max(0.0);
            let soft = fp.max(0.25) + self.shadow_mm * 0.5;
            let reach = half + self.shadow_mm * 0.3;
            shade = shade.max(cover(reach - (sd * sd + past * past).sqrt(), soft));
            let thread = self.thread(stitch, &near, ray, fp, directed);
            if let Some((alpha, c)) = thread.filter(|(alpha, _)| top.is_none_or(|t| *alpha > t.0)) {
                top = Some((alpha, c));
            }
        }
        let cast = (1.0 - 0.6 * self.lamp.diffuse) * directed.min(1.0);
        let holes = 0.55 * self.scene.thread.holes;
        let dark = (1.0 - holes * hole) * (1.0 - holes * shade * cast);
        *colour = colour.map(|c| c * dark);
        if let Some((alpha, c)) = top {
            *colour = std::array::from_fn(|i| colour[i] * (1.0 - alpha) + c[i] * alpha);
        }
    }

    /// The thread's share of a pixel and its colour there; none where it is not seen.
    fn thread(
        &self,
        stitch: &Stitch,
        near: &Near,
        ray: &Vector3<f64>,
        fp: f32,
        directed: f32,
    ) -> Option<(f32, Colour)> {
        let thread = &self.scene.thread;
        let half = thread.width_mm as f32 / 2.0;
        let (ex, ey) = near.direction;
        let (t, across) = near.along_across(0.0, 0.0);
        let from_end = t.min(near.length - t);
        let taper = if stitch.sewn {
            ((from_end + 0.25) / 0.5).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let wide = half * taper * if stitch.sewn { 1.0 } else { 0.7 };
        let alpha = cover(wide - across.abs(), fp)
            * cover(from_end + if stitch.sewn { 0.0 } else { half }, fp.max(0.2))
            // A thread thinner than the pixel never covers it.
            * (2.0 * wide / fp).min(1.0);
        if alpha <= 0.0 {
            return None;
        }
        let v = (across / wide.max(0.05)).clamp(-0.95, 0.95);
        let slope = -v / (1.0 - v * v).sqrt() * 0.8;
        // Ends dive into the cloth.
        let dive = if stitch.sewn {
            0.5 * (1.0 - (from_end / 0.6).clamp(0.0, 1.0))
                * if t < near.length / 2.0 { 1.0 } else { -1.0 }
        } else {
            0.0
        };
        let lit = self
            .lamp
            .on(slope * -ey + dive * ex, slope * ex + dive * ey, directed);
        let ends = if stitch.sewn {
            0.62 + 0.38 * (from_end / 0.5).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let twist = if fp < 0.6 {
            0.10 * (std::f32::consts::TAU * (t / 0.8 + 0.35 * v)).sin() * (1.0 - fp / 0.6)
        } else {
            0.0
        };
        // Gloss of a fibre: strongest square to the half-way direction (Kajiya and Kay 1989).
        let (n, to_lamp) = (ray.norm(), self.lamp.toward);
        let half_way = [
            to_lamp[0] - (ray.x / n) as f32,
            to_lamp[1] - (ray.y / n) as f32,
            to_lamp[2] + (ray.z / n) as f32,
        ];
        let norm = half_way.iter().map(|c| c * c).sum::<f32>().sqrt();
        let along = (ex * half_way[0] + ey * half_way[1]) / norm;
        let glint = thread.gloss
            * (1.0 - along * along).max(0.0).powi(12)
            * (1.0 - v * v)
            * (1.0 - self.lamp.diffuse * 0.7)
            * directed.min(1.0);
        let own = self.thread_colour(stitch.along_mm);
        let colour = own.map(|c| (c * (1.0 + twist) + 0.25 * glint) * lit * ends);
        Some((alpha, colour))
    }

    fn thread_colour(&self, along_mm: f64) -> Colour {
        let Some(second) = self.second else {
            return self.thread;
        };
        let turn = std::f64::consts::TAU * along_mm / self.scene.thread.round_mm.max(1.0);
        let t = (0.5 + 0.9 * turn.sin()).clamp(0.0, 1.0) as f32;
        std::array::from_fn(|i| self.thread[i] + (second[i] - self.thread[i]) * t)
    }
}

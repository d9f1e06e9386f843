//! What each pixel sees, and the light on it.

use super::lamp::Lamp;
use super::stage::{Stage, object_distance};
use crate::geometry::Point2;
use crate::rehearse::cards::CardInWorld;
use crate::rehearse::fabric::{ClothMap, cover, linear};
use crate::rehearse::paper::PrintMap;
use crate::rehearse::scene::{Colour, Scene};
use crate::rehearse::seeded::{derive, value_noise};
use crate::rehearse::stitching::{Patch, PuffMap, Stitch, StitchGrid, loose_threads};
use nalgebra::Vector3;
use rayon::prelude::*;

/// All that a pixel depends on.
pub(super) struct Painter<'a> {
    pub(super) scene: &'a Scene,
    pub(super) stage: &'a Stage,
    pub(super) cloth: ClothMap,
    pub(super) print: Option<PrintMap>,
    pub(super) grid: StitchGrid,
    pub(super) puff: PuffMap,
    pub(super) lamp: Lamp,
    pub(super) gradient: [f32; 2],
    pub(super) thread: Colour,
    pub(super) second: Option<Colour>,
    pub(super) floor: Colour,
    pub(super) seed: u32,
    pub(super) shadow_mm: f32,
}

/// The light that falls on each pixel, line by line.
pub(super) fn paint(scene: &Scene, stage: &Stage, print: Option<PrintMap>) -> Vec<[f32; 3]> {
    let margin = Patch {
        x0: stage.seen.x0 - 20.0,
        x1: stage.seen.x1 + 20.0,
        s0: stage.seen.s0 - 20.0,
        s1: stage.seen.s1 + 20.0,
    };
    let mut stitches: Vec<Stitch> = stage
        .rows
        .iter()
        .flatten()
        .filter(|s| margin.holds(s.middle(), 0.0))
        .copied()
        .collect();
    let puff = PuffMap::new(&stitches, stage.seen, scene);
    stitches.extend(
        loose_threads(scene, &stage.cloth)
            .into_iter()
            .filter(|s| margin.holds(s.middle(), 0.0)),
    );
    let light = &scene.light;
    let up = light.elevation_deg.clamp(5.0, 90.0).to_radians();
    let painter = Painter {
        scene,
        stage,
        cloth: ClothMap::new(&scene.fabric, derive(scene.quilt.seed, 51) as u32),
        print,
        grid: StitchGrid::new(stitches, stage.seen),
        puff,
        lamp: Lamp::new(light),
        gradient: [
            light.gradient_deg.to_radians().cos() as f32,
            light.gradient_deg.to_radians().sin() as f32,
        ],
        thread: linear(scene.thread.colour),
        second: scene.thread.second.map(linear),
        floor: linear(scene.around.floor),
        seed: derive(scene.quilt.seed, 52) as u32,
        shadow_mm: (0.25 / up.tan()).min(0.8) as f32,
    };
    let (w, h) = (
        stage.camera.width_px as usize,
        stage.camera.height_px as usize,
    );
    let boxes: Vec<[f64; 4]> = stage.cards.iter().map(|c| pixel_box(stage, c)).collect();
    let mut out = vec![[0f32; 3]; w * h];
    out.par_chunks_mut(w).enumerate().for_each(|(j, line)| {
        let mut guess = Guess::default();
        for (i, pixel) in line.iter_mut().enumerate() {
            let px = Point2::new(i as f64 + 0.5, j as f64 + 0.5);
            *pixel = painter.pixel(px, &boxes, &mut guess);
        }
    });
    out
}

/// Pixels a card may touch: left, top, right, bottom.
fn pixel_box(stage: &Stage, card: &CardInWorld) -> [f64; 4] {
    let (a, b) = card.print.half_paper;
    let mut found = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
    for i in 0..=8 {
        for j in 0..=8 {
            let p = Point2::new(
                a * (f64::from(i) / 4.0 - 1.0),
                b * (f64::from(j) / 4.0 - 1.0),
            );
            if let Some(px) = stage.camera.project(&card.world(p)) {
                found = [
                    found[0].min(px.x - 4.0),
                    found[1].min(px.y - 4.0),
                    found[2].max(px.x + 4.0),
                    found[3].max(px.y + 4.0),
                ];
            }
        }
    }
    found
}

/// How far away the cloth will be at the next pixel, from the two before.
#[derive(Debug, Clone, Copy, Default)]
struct Guess {
    last: Option<f64>,
    step: f64,
}

impl Guess {
    fn next(&self) -> Option<f64> {
        self.last.map(|t| t + self.step)
    }

    fn found(&mut self, t: f64) {
        self.step = self.last.map_or(0.0, |last| t - last);
        self.last = Some(t);
    }
}

impl Painter<'_> {
    fn pixel(&self, px: Point2, boxes: &[[f64; 4]], guess: &mut Guess) -> [f32; 3] {
        let camera = &self.stage.camera;
        let ray = camera.ray(px);
        let light = self.light_at(px);
        let mut over: Option<(f32, Colour)> = None;
        for object in &self.stage.objects {
            let Some(d) = object_distance(object, &camera.centre, &ray) else {
                continue;
            };
            let v = (d / object.2) as f32;
            if v < 1.1 {
                let fp = self.scene.camera.mm_per_px as f32;
                let alpha = cover((object.2 - d) as f32, fp);
                let round = (1.0 - v * v).max(0.0).sqrt();
                let skin = 1.0 + 0.08 * value_noise(9, px.x as f32 / 9.0, px.y as f32 / 9.0);
                over = Some((alpha, object.3.map(|c| c * (0.35 + 0.65 * round) * skin)));
            }
        }
        let mut colour = [0.0; 3];
        let mut covered = 0.0;
        if over.is_none_or(|o| o.0 < 1.0) {
            for (n, b) in boxes.iter().enumerate() {
                let near = px.x >= b[0] && px.x <= b[2] && px.y >= b[1] && px.y <= b[3];
                let seen = near.then(|| self.card(n, px, &ray)).flatten();
                if let Some((alpha, c)) = seen.filter(|(alpha, _)| *alpha > covered) {
                    (covered, colour) = (alpha, c);
                }
            }
            if covered < 1.0 {
                let below = self.below(&ray, guess);
                colour = std::array::from_fn(|i| colour[i] * covered + below[i] * (1.0 - covered));
            }
        }
        if let Some((alpha, c)) = over {
            colour = std::array::from_fn(|i| colour[i] * (1.0 - alpha) + c[i] * alpha);
        }
        std::array::from_fn(|i| colour[i] * light[i])
    }

    /// Cloth, rails and floor.
    fn below(&self, ray: &Vector3<f64>, guess: &mut Guess) -> Colour {
        let camera = &self.stage.camera;
        let Some(met) = self.stage.surface.meet(&camera.centre, ray, guess.next()) else {
            *guess = Guess::default();
            return self.floor.map(|c| c * 0.5);
        };
        guess.found(met.along);
        let p = self.stage.surface.fabric(met.x, met.y);
        let cosine = (ray.z / ray.norm()).max(0.05);
        let fp = (met.along / camera.focal_px / cosine.sqrt()) as f32;
        let cloth = &self.stage.cloth;
        let (xf, sf) = (p.x as f32, p.y as f32);
        if let Some(relaxed) = &self.scene.relaxed {
            let out = relaxed.edges.outside_mm(p, cloth);
            if out > 0.0 {
                let light = self.beside_edge(relaxed, p);
                return self.ground(xf, sf, out as f32).map(|c| c * light);
            }
            let top = self.top(p, met.slopes, ray, fp);
            return self.bound(relaxed, top, -out as f32, (xf + sf) * 0.7);
        }
        if p.y < cloth.s0 || p.y > cloth.s1 {
            return self.rail(xf, sf, fp);
        }
        // How far outside the quilt's nearest edge.
        let beside = (cloth.x0 - p.x).max(p.x - cloth.x1);
        let beyond = (-p.y).max(p.y - self.scene.quilt.length_mm);
        let out = beside.max(beyond);
        if out > 0.0 {
            return self.side(xf, sf, out as f32, beyond >= beside);
        }
        self.top(p, met.slopes, ray, fp)
    }

    /// Light that falls evenly but for a gradient, two colours and the lens.
    fn light_at(&self, px: Point2) -> [f32; 3] {
        let camera = &self.stage.camera;
        let light = &self.scene.light;
        let w = f64::from(camera.width_px);
        let (u, v) = (
            ((px.x - camera.principal_px.x) / w) as f32,
            ((px.y - camera.principal_px.y) / w) as f32,
        );
        let along = u * self.gradient[0] + v * self.gradient[1];
        let gradient = (1.0 + light.gradient * along).max(0.05);
        // The corner of a 4:3 picture is 0.625 widths from its middle.
        let vignette = 1.0 - self.scene.picture.vignetting * (u * u + v * v) / 0.39;
        let level = light.exposure / 0.9 * gradient * vignette.max(0.0);
        let warm = light.mixed * (0.5 + along).clamp(0.0, 1.0);
        [
            level * (1.0 + 0.18 * warm),
            level,
            level * (1.0 - 0.35 * warm),
        ]
    }

    pub(super) fn shadow_band(&self, s: f32) -> f32 {
        let light = &self.scene.light;
        if light.shadow >= 1.0 {
            return 1.0;
        }
        let t = ((s - light.shadow_s_mm as f32) / 25.0 + 0.5).clamp(0.0, 1.0);
        1.0 + (light.shadow - 1.0) * t * t * (3.0 - 2.0 * t)
    }

    /// Share of the directed light that bars above the quilt let through to a place of the cloth.
    pub(super) fn directed(&self, p: Point2) -> f32 {
        self.scene.light.bars.iter().fold(1.0, |light, bar| {
            let from = (p.y - bar.s_mm - bar.slope_mm_per_m / 1000.0 * p.x).abs();
            let soft = bar.soft_mm.max(0.1);
            let t = ((bar.width_mm / 2.0 - from) / soft + 0.5).clamp(0.0, 1.0) as f32;
            light * (1.0 + (bar.directed - 1.0) * t * t * (3.0 - 2.0 * t))
        })
    }

    /// The soft shadow of cards and objects on the cloth.
    pub(super) fn cast_shadow(&self, p: Point2) -> f32 {
        let lamp = self.lamp.toward;
        let mut light = 1.0f32;
        for (n, card) in self.scene.cards.iter().enumerate() {
            let d = p - Point2::new(card.x_mm, card.s_mm);
            let (a, b) = self.stage.cards[n].print.half_paper;
            if d.norm() > a.hypot(b) + 30.0 {
                continue;
            }
            let far = card.height_mm as f32 / lamp[2];
            let (qx, qy) = (
                d.x + f64::from(lamp[0] * far),
                d.y + f64::from(lamp[1] * far),
            );
            let (s, c) = card.angle_deg.to_radians().sin_cos();
            let (u, v) = (qx * c + qy * s, qy * c - qx * s);
            let edge = |at: f64, half: f64| cover((half - at.abs()) as f32, 3.0);
            let direct = edge(u, a) * edge(v, b);
            // Light from everywhere is kept off close to the edge too.
            let (u0, v0) = (d.x * c + d.y * s, d.y * c - d.x * s);
            let near = |at: f64, half: f64| cover((half - at.abs()) as f32 + 1.0, 10.0);
            let ambient = 0.5 * near(u0, a) * near(v0, b);
            light *= 1.0 - 0.85 * (1.0 - self.lamp.diffuse) * direct - self.lamp.diffuse * ambient;
        }
        for object in &self.stage.objects {
            let far = f64::from(20.0 / lamp[2]);
            let q = Point2::new(
                p.x + f64::from(lamp[0]) * far,
                p.y + f64::from(lamp[1]) * far,
            );
            let middle_s = self.scene.band.middle_s_mm;
            let (a, b) = (object.0.xy(), object.1.xy());
            let q = Point2::new(q.x, q.y - middle_s);
            let d = b - a;
            let along = ((q - a).dot(&d) / d.norm_squared().max(1e-9)).clamp(0.0, 1.0);
            let distance = (q - (a + d * along)).norm();
            light *= 1.0 - 0.5 * cover((object.2 - distance) as f32, 25.0);
        }
        light.max(0.1)
    }

    /// The rails keep light off the last centimetres of the cloth.
    pub(super) fn near_rail(&self, s: f32) -> f32 {
        if self.scene.relaxed.is_some() {
            return 1.0;
        }
        let cloth = &self.stage.cloth;
        let d = (s - cloth.s0 as f32).min(cloth.s1 as f32 - s).max(0.0);
        1.0 - 0.45 * (-d / 14.0).exp()
    }
}

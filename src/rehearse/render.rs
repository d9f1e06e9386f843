//! From a scene to a picture.
//!
//! One ray per pixel; everything on the cloth is drawn with edges as soft as the pixel is wide. Cards
//! are sampled 64 times per pixel near their edges, because their corners have to be true to 0.02 px.
//! All light is linear until the very end.

use super::camera::{Camera, Pose};
use super::cards::CardInWorld;
use super::fabric::{ClothMap, cover, linear};
use super::paper::{PracticePaper, PrintMap};
use super::scene::{Colour, Light, Rail, Relaxed, Scene};
use super::seeded::{derive, mix, value_noise};
use super::stitching::{Patch, PuffMap, Stitch, StitchGrid, loose_threads, stitch_row};
use super::surface::Surface;
use super::truth::{Truth, truth};
use crate::design::Design;
use crate::geometry::Point2;
use image::RgbImage;
use nalgebra::Point3;
use rayon::prelude::*;

/// A practice photo with its truth.
#[derive(Debug, Clone)]
pub struct Rehearsed {
    /// The picture.
    pub photo: RgbImage,
    /// What is true of it.
    pub truth: Truth,
}

/// A scene set up in the world, before any light falls on it.
#[derive(Debug)]
pub struct Stage {
    /// The camera.
    pub camera: Camera,
    /// The cloth.
    pub surface: Surface,
    /// The cards, as in the scene.
    pub cards: Vec<CardInWorld>,
    /// Bars in the way: ends in the world, radius, colour.
    pub objects: Vec<(Point3<f64>, Point3<f64>, f64, Colour)>,
    /// The part of the cloth between the rollers and the quilt's edges.
    pub cloth: Patch,
    /// The part of it that may be in view.
    pub seen: Patch,
    /// The stitches of each row of the scene.
    pub rows: Vec<Vec<Stitch>>,
}

impl Stage {
    /// Sets up a scene.
    pub fn new(scene: &Scene, design: &Design) -> Stage {
        let band = &scene.band;
        let phase = [1, 2].map(|n| {
            let bits = derive(scene.quilt.seed, 40 + n);
            (bits >> 11) as f64 / (1u64 << 53) as f64 * std::f64::consts::TAU
        });
        let surface = match &scene.relaxed {
            Some(relaxed) => Surface::relaxed(band.middle_s_mm, &relaxed.waves),
            None => Surface::new(
                band.middle_s_mm,
                (band.sag_mm, band.depth_mm),
                (band.sag_across_mm, scene.quilt.width_mm),
                (band.ripple_mm, band.ripple_wavelength_mm),
                phase,
            ),
        };
        let half_arc = match &scene.relaxed {
            Some(_) => scene.quilt.length_mm / 2.0,
            None => surface.fabric(0.0, band.depth_mm / 2.0).y - band.middle_s_mm,
        };
        let cloth = Patch {
            x0: -scene.quilt.width_mm / 2.0,
            x1: scene.quilt.width_mm / 2.0,
            s0: band.middle_s_mm - half_arc,
            s1: band.middle_s_mm + half_arc,
        };
        let held = &scene.camera;
        let (w, h) = held.size_px();
        let diagonal = f64::from(w).hypot(f64::from(h));
        // Diagonal of the 36 × 24 mm film frame.
        let focal_px = held.focal_35mm / 36f64.hypot(24.0) * diagonal;
        let principal_px = Point2::new(
            f64::from(w) * (0.5 + held.off_centre[0]),
            f64::from(h) * (0.5 + held.off_centre[1]),
        );
        let camera = Camera::new(
            (w, h),
            focal_px,
            principal_px,
            [held.k1, held.k2],
            &Pose {
                target: surface.world(Point2::new(held.target_x_mm, held.target_s_mm)),
                distance_mm: held.mm_per_px * focal_px,
                tilt: held.tilt_deg.to_radians(),
                from: held.from_deg.to_radians(),
                roll: held.roll_deg.to_radians(),
            },
        );
        let cards = scene
            .cards
            .iter()
            .map(|card| CardInWorld::new(card, &surface))
            .collect();
        let objects = scene
            .objects
            .iter()
            .map(|o| {
                let up = |p: [f64; 2]| {
                    let mut w = surface.world(Point2::new(p[0], p[1]));
                    w.z -= o.height_mm;
                    w
                };
                (up(o.from_mm), up(o.to_mm), o.radius_mm, linear(o.colour))
            })
            .collect();
        let seen = seen_patch(&camera, &surface, &cloth);
        // Rows rolled away are not laid out at all.
        let tall = design
            .curve_mm
            .iter()
            .fold(0.0, |m: f64, p| m.max(p.y.abs()))
            + 60.0;
        let rows = scene
            .rows
            .iter()
            .map(|row| {
                let off = (row.offset_mm - band.middle_s_mm).abs();
                let lean = (row.slope_mm_per_m / 2000.0 * scene.quilt.width_mm).abs();
                if off > half_arc + tall + lean + row.bow_mm.abs() {
                    Vec::new()
                } else {
                    stitch_row(scene, design, row)
                }
            })
            .collect();
        Stage {
            camera,
            surface,
            cards,
            objects,
            cloth,
            seen,
            rows,
        }
    }

    /// Where a fabric point falls in the picture, px.
    pub fn project(&self, fabric: Point2) -> Option<Point2> {
        self.camera.project(&self.surface.world(fabric))
    }

    /// The fabric point seen at a place of the picture, whether or not something hides it.
    pub fn fabric_at(&self, px: Point2) -> Option<Point2> {
        let ray = self.camera.ray(px);
        let met = self.surface.meet(&self.camera.centre, &ray, None)?;
        Some(self.surface.fabric(met.x, met.y))
    }

    /// Whether a card or an object hides the cloth at a place of the picture.
    pub fn hidden(&self, px: Point2) -> bool {
        let ray = self.camera.ray(px);
        let from = &self.camera.centre;
        self.cards.iter().any(|card| {
            card.meet(from, &ray).is_some_and(|(p, _)| {
                p.x.abs() <= card.print.half_paper.0 && p.y.abs() <= card.print.half_paper.1
            })
        }) || self
            .objects
            .iter()
            .any(|o| object_distance(o, from, &ray).is_some_and(|d| d <= o.2))
    }

    /// Whether an object (not a card) lies over what is seen along a ray.
    pub fn object_over(&self, ray: &nalgebra::Vector3<f64>) -> bool {
        let from = &self.camera.centre;
        self.objects
            .iter()
            .any(|o| object_distance(o, from, ray).is_some_and(|d| d <= o.2))
    }

    /// The paper's corners in the picture.
    pub fn paper_px(&self, card: &CardInWorld) -> Vec<Option<Point2>> {
        let (a, b) = card.print.half_paper;
        [(-a, -b), (a, -b), (a, b), (-a, b)]
            .map(|(u, v)| self.camera.project(&card.world(Point2::new(u, v))))
            .to_vec()
    }
}

impl Scene {
    /// Whether a card laid there is in view, lies on the cloth and off the cards already there.
    pub(super) fn shows_whole(&self, card: &super::scene::CardOnQuilt) -> bool {
        let mut bare = self.clone();
        bare.rows.clear();
        bare.cards = vec![card.clone()];
        let nothing = Design {
            curve_mm: Vec::new(),
            repeat_mm: 1.0,
            breaks: Vec::new(),
        };
        let stage = Stage::new(&bare, &nothing);
        let laid = &stage.cards[0];
        let (a, b) = laid.print.half_paper;
        let turn = card.angle_deg.to_radians();
        let on_cloth = [(-a, -b), (a, -b), (a, b), (-a, b)].iter().all(|(u, v)| {
            let p = Point2::new(
                card.x_mm + u * turn.cos() - v * turn.sin(),
                card.s_mm + u * turn.sin() + v * turn.cos(),
            );
            stage.cloth.holds(p, -2.0)
        });
        let margin = 0.01 * f64::from(stage.camera.width_px);
        let in_view = stage
            .paper_px(laid)
            .iter()
            .all(|p| p.is_some_and(|p| stage.camera.holds(p, margin)));
        let apart = self.cards.iter().all(|other| {
            let (c, _) = other.card.size_mm();
            (other.x_mm - card.x_mm).hypot(other.s_mm - card.s_mm) > c + 90.0
        });
        on_cloth && in_view && apart
    }
}

/// The part of the cloth that may be in view, by looking along the border of the picture.
fn seen_patch(camera: &Camera, surface: &Surface, cloth: &Patch) -> Patch {
    let (w, h) = (f64::from(camera.width_px), f64::from(camera.height_px));
    let mut seen = Patch {
        x0: f64::MAX,
        x1: f64::MIN,
        s0: f64::MAX,
        s1: f64::MIN,
    };
    for i in 0..=40 {
        let t = f64::from(i) / 40.0;
        for px in [(t * w, 0.0), (t * w, h), (0.0, t * h), (w, t * h)] {
            let ray = camera.ray(Point2::new(px.0, px.1));
            let p = match surface.meet(&camera.centre, &ray, None) {
                Some(met) => surface.fabric(met.x, met.y),
                // Above the horizon: everything on that side.
                None => Point2::new(
                    if ray.x < 0.0 { -1e9 } else { 1e9 },
                    if ray.y < 0.0 { -1e9 } else { 1e9 },
                ),
            };
            seen.x0 = seen.x0.min(p.x - 5.0);
            seen.x1 = seen.x1.max(p.x + 5.0);
            seen.s0 = seen.s0.min(p.y - 5.0);
            seen.s1 = seen.s1.max(p.y + 5.0);
        }
    }
    let x0 = seen.x0.clamp(cloth.x0, cloth.x1 - 1.0);
    let s0 = seen.s0.clamp(cloth.s0, cloth.s1 - 1.0);
    Patch {
        x0,
        x1: seen.x1.clamp(x0 + 1.0, cloth.x1),
        s0,
        s1: seen.s1.clamp(s0 + 1.0, cloth.s1),
    }
}

type ObjectInWorld = (Point3<f64>, Point3<f64>, f64, Colour);

/// Distance of a ray from an object's axis, mm, in the plane of its height.
fn object_distance(
    object: &ObjectInWorld,
    from: &Point3<f64>,
    ray: &nalgebra::Vector3<f64>,
) -> Option<f64> {
    if ray.z <= 1e-3 {
        return None;
    }
    let z = 0.5 * (object.0.z + object.1.z);
    let t = (z - from.z) / ray.z;
    let p = Point2::new(from.x + t * ray.x, from.y + t * ray.y);
    let (a, b) = (object.0.xy(), object.1.xy());
    let d = b - a;
    let along = ((p - a).dot(&d) / d.norm_squared().max(1e-9)).clamp(0.0, 1.0);
    Some((p - (a + d * along)).norm())
}

/// Draws a scene.
pub fn render(scene: &Scene, design: &Design) -> Rehearsed {
    let stage = Stage::new(scene, design);
    let light = paint(scene, &stage, None);
    let photo = develop(scene, &stage, light);
    let truth = truth(scene, design, &stage, &photo);
    Rehearsed { photo, truth }
}

/// Draws a photo of a printed paper.
pub fn render_paper(paper: &PracticePaper) -> RgbImage {
    let stage = Stage::new(&paper.scene, &paper.design);
    let light = paint(&paper.scene, &stage, Some(PrintMap::new(&paper.print)));
    develop(&paper.scene, &stage, light)
}

/// Light on a surface with slopes (dh/dx, dh/dy), 1 on a level one.
struct Lamp {
    toward: [f32; 3],
    /// The same, seen from above, of unit length.
    level: [f32; 2],
    diffuse: f32,
    /// Towards the second lamp, and its share of the directed light.
    second: Option<([f32; 3], f32)>,
}

impl Lamp {
    fn new(light: &Light) -> Lamp {
        let second = light.second;
        let toward = direction(light.from_deg, light.elevation_deg);
        let from = light.from_deg.to_radians();
        Lamp {
            toward,
            level: [from.cos() as f32, from.sin() as f32],
            diffuse: light.diffuse,
            second: second.map(|lamp| (direction(lamp.from_deg, lamp.elevation_deg), lamp.share)),
        }
    }

    /// Light where `directed` of the directed light arrives.
    fn on(&self, dx: f32, dy: f32, directed: f32) -> f32 {
        let up = 1.0 / (1.0 + dx * dx + dy * dy).sqrt();
        let from = |toward: [f32; 3]| {
            ((toward[2] - toward[0] * dx - toward[1] * dy) * up / toward[2]).max(0.0)
        };
        let first = from(self.toward);
        let direct = self.second.map_or(first, |(toward, share)| {
            first + share * (from(toward) - first)
        });
        self.diffuse * (0.5 + 0.5 * up) + (1.0 - self.diffuse) * directed * direct
    }
}

/// Unit vector towards a lamp, z up.
fn direction(from_deg: f64, elevation_deg: f64) -> [f32; 3] {
    let (from, up) = (
        from_deg.to_radians(),
        elevation_deg.clamp(5.0, 90.0).to_radians(),
    );
    [
        (from.cos() * up.cos()) as f32,
        (from.sin() * up.cos()) as f32,
        up.sin() as f32,
    ]
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

struct Painter<'a> {
    scene: &'a Scene,
    stage: &'a Stage,
    cloth: ClothMap,
    print: Option<PrintMap>,
    grid: StitchGrid,
    puff: PuffMap,
    lamp: Lamp,
    gradient: [f32; 2],
    thread: Colour,
    second: Option<Colour>,
    floor: Colour,
    seed: u32,
    shadow_mm: f32,
}

fn paint(scene: &Scene, stage: &Stage, print: Option<PrintMap>) -> Vec<[f32; 3]> {
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
                if px.x >= b[0] && px.x <= b[2] && px.y >= b[1] && px.y <= b[3] {
                    let (alpha, c) = self.card(n, px, &ray);
                    if alpha > covered {
                        (covered, colour) = (alpha, c);
                    }
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

    /// A card's share of a pixel and its colour.
    fn card(&self, n: usize, px: Point2, ray: &nalgebra::Vector3<f64>) -> (f32, Colour) {
        let card = &self.stage.cards[n];
        let laid = &self.scene.cards[n];
        let camera = &self.stage.camera;
        let meet = |px: Point2| card.meet(&camera.centre, &camera.ray(px)).map(|m| m.0);
        let Some((p, _)) = card.meet(&camera.centre, ray) else {
            return (0.0, [0.0; 3]);
        };
        let (a, b) = card.print.half_paper;
        let (Some(right), Some(down)) = (
            meet(Point2::new(px.x + 0.5, px.y)),
            meet(Point2::new(px.x, px.y + 0.5)),
        ) else {
            return (0.0, [0.0; 3]);
        };
        // Card millimetres per pixel along the picture's axes.
        let (dx, dy) = ((right - p) * 2.0, (down - p) * 2.0);
        let reach = 0.5 * (dx.x.abs() + dy.x.abs()).max(dx.y.abs() + dy.y.abs());
        if p.x.abs() > a + reach || p.y.abs() > b + reach {
            return (0.0, [0.0; 3]);
        }
        let inside = |q: Point2| q.x.abs() <= a && q.y.abs() <= b;
        let (mut on_paper, mut black) = (0u32, 0u32);
        let mut samples = 1;
        if card.print.has_edge_near(p.x, p.y, reach) {
            samples = 64;
            for k in 0..64u32 {
                // Rank-1 lattice: 64 different abscissae and ordinates, centred on the pixel.
                let x = (f64::from(k) + 0.5) / 64.0 - 0.5;
                let y = (f64::from(k * 27 % 64) + 0.5) / 64.0 - 0.5;
                let q = p + dx * x + dy * y;
                if inside(q) {
                    on_paper += 1;
                    black += u32::from(card.print.is_black(q.x, q.y));
                }
            }
        } else if inside(p) {
            on_paper = 1;
            black = u32::from(card.print.is_black(p.x, p.y));
        }
        if on_paper == 0 {
            return (0.0, [0.0; 3]);
        }
        let alpha = on_paper as f32 / samples as f32;
        let ink = black as f32 / on_paper as f32;
        let (u, v) = (p.x as f32, p.y as f32);
        let shade = 1.0
            + 0.03 * (u / 148.0) * (if n.is_multiple_of(2) { 1.0 } else { -1.0 })
            + 0.012 * value_noise(3, u / 60.0, v / 60.0)
            + 0.006 * value_noise(4, u / 0.8, v / 0.8);
        // A rocked card meets the light at another angle.
        let normal = card.axes * nalgebra::Vector3::z();
        let s = self.stage.surface.fabric(card.middle.x, card.middle.y).y + p.y;
        let (sine, cosine) = laid.angle_deg.to_radians().sin_cos();
        let on_cloth = Point2::new(
            laid.x_mm + p.x * cosine - p.y * sine,
            laid.s_mm + p.x * sine + p.y * cosine,
        );
        let lit = self.lamp.on(
            (normal.x / normal.z) as f32,
            (normal.y / normal.z) as f32,
            self.directed(on_cloth),
        );
        let level = lit * shade * self.shadow_band(s as f32);
        let reflectance = laid.paper + (laid.ink - laid.paper) * ink;
        (
            alpha,
            [
                reflectance * level,
                reflectance * level,
                reflectance * level * 0.985,
            ],
        )
    }

    fn shadow_band(&self, s: f32) -> f32 {
        let light = &self.scene.light;
        if light.shadow >= 1.0 {
            return 1.0;
        }
        let t = ((s - light.shadow_s_mm as f32) / 25.0 + 0.5).clamp(0.0, 1.0);
        1.0 + (light.shadow - 1.0) * t * t * (3.0 - 2.0 * t)
    }

    /// Share of the directed light that bars above the quilt let through to a place of the cloth.
    fn directed(&self, p: Point2) -> f32 {
        self.scene.light.bars.iter().fold(1.0, |light, bar| {
            let from = (p.y - bar.s_mm - bar.slope_mm_per_m / 1000.0 * p.x).abs();
            let soft = bar.soft_mm.max(0.1);
            let t = ((bar.width_mm / 2.0 - from) / soft + 0.5).clamp(0.0, 1.0) as f32;
            light * (1.0 + (bar.directed - 1.0) * t * t * (3.0 - 2.0 * t))
        })
    }

    /// Cloth, rails and floor.
    fn below(&self, ray: &nalgebra::Vector3<f64>, guess: &mut Guess) -> Colour {
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

    /// Light that a finished quilt's edge lets through to a place of the ground beside it.
    fn beside_edge(&self, relaxed: &Relaxed, p: Point2) -> f32 {
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
    fn bound(&self, relaxed: &Relaxed, top: Colour, inside: f32, along: f32) -> Colour {
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

    fn top(
        &self,
        p: Point2,
        (sx, sy): (f64, f64),
        ray: &nalgebra::Vector3<f64>,
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
    fn sew(
        &self,
        p: Point2,
        ray: &nalgebra::Vector3<f64>,
        fp: f32,
        directed: f32,
        colour: &mut Colour,
    ) {
        let thread = &self.scene.thread;
        let half = thread.width_mm as f32 / 2.0;
        let to_lamp = self.lamp.toward;
        let toward = self.lamp.level;
        let mut hole = 0f32;
        let mut shade = 0f32;
        let mut top: Option<(f32, Colour)> = None;
        for stitch in self.grid.near(p.x, p.y) {
            let rel = |q: Point2| ((q.x - p.x) as f32, (q.y - p.y) as f32);
            let (ax, ay) = rel(stitch.from);
            let (bx, by) = rel(stitch.to);
            let (ex, ey) = (bx - ax, by - ay);
            let length = (ex * ex + ey * ey).sqrt().max(1e-3);
            let (ex, ey) = (ex / length, ey / length);
            let distance = |ox: f32, oy: f32| {
                let t = (ox - ax) * ex + (oy - ay) * ey;
                let across = (ox - ax) * -ey + (oy - ay) * ex;
                (t, across)
            };
            if stitch.sewn {
                let d = (ax * ax + ay * ay).min(bx * bx + by * by).sqrt();
                hole = hole.max(cover(0.32 - d, fp.max(0.25)));
            }
            // The lamp's side of this place: is the thread there?
            let (st, sd) = distance(
                toward[0] * self.shadow_mm * 0.6,
                toward[1] * self.shadow_mm * 0.6,
            );
            let past = (-st).max(st - length).max(0.0);
            let soft = fp.max(0.25) + self.shadow_mm * 0.5;
            let reach = half + self.shadow_mm * 0.3;
            shade = shade.max(cover(reach - (sd * sd + past * past).sqrt(), soft));

            let (t, across) = distance(0.0, 0.0);
            let from_end = t.min(length - t);
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
                continue;
            }
            let v = (across / wide.max(0.05)).clamp(-0.95, 0.95);
            let slope = -v / (1.0 - v * v).sqrt() * 0.8;
            // Ends dive into the cloth.
            let dive = if stitch.sewn {
                0.5 * (1.0 - (from_end / 0.6).clamp(0.0, 1.0))
                    * if t < length / 2.0 { 1.0 } else { -1.0 }
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
            let own = self.thread_colour(stitch.along_mm);
            // Gloss of a fibre: strongest square to the half-way direction (Kajiya and Kay 1989).
            let n = ray.norm();
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
            let c = own.map(|c| (c * (1.0 + twist) + 0.25 * glint) * lit * ends);
            if top.is_none_or(|(a, _)| alpha > a) {
                top = Some((alpha, c));
            }
        }
        let cast = (1.0 - 0.6 * self.lamp.diffuse) * directed.min(1.0);
        let holes = 0.55 * thread.holes;
        let dark = (1.0 - holes * hole) * (1.0 - holes * shade * cast);
        *colour = colour.map(|c| c * dark);
        if let Some((alpha, c)) = top {
            *colour = std::array::from_fn(|i| colour[i] * (1.0 - alpha) + c[i] * alpha);
        }
    }

    fn thread_colour(&self, along_mm: f64) -> Colour {
        let Some(second) = self.second else {
            return self.thread;
        };
        let turn = std::f64::consts::TAU * along_mm / self.scene.thread.round_mm.max(1.0);
        let t = (0.5 + 0.9 * turn.sin()).clamp(0.0, 1.0) as f32;
        std::array::from_fn(|i| self.thread[i] + (second[i] - self.thread[i]) * t)
    }

    /// The soft shadow of cards and objects on the cloth.
    fn cast_shadow(&self, p: Point2) -> f32 {
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
    fn near_rail(&self, s: f32) -> f32 {
        if self.scene.relaxed.is_some() {
            return 1.0;
        }
        let cloth = &self.stage.cloth;
        let d = (s - cloth.s0 as f32).min(cloth.s1 as f32 - s).max(0.0);
        1.0 - 0.45 * (-d / 14.0).exp()
    }

    fn rail(&self, x: f32, s: f32, fp: f32) -> Colour {
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
    fn side(&self, x: f32, s: f32, out: f32, at_end: bool) -> Colour {
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

    fn ground(&self, x: f32, s: f32, out: f32) -> Colour {
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

/// Lens, sensor and camera software: blur, noise, tone.
fn develop(scene: &Scene, stage: &Stage, mut light: Vec<[f32; 3]>) -> RgbImage {
    let (w, h) = (
        stage.camera.width_px as usize,
        stage.camera.height_px as usize,
    );
    let picture = &scene.picture;
    if picture.blur_px > 0.0 {
        blur(&mut light, w, h, &gaussian(picture.blur_px));
    }
    if picture.motion_px > 0.0 {
        light = motion(&light, w, h, picture.motion_px, picture.motion_deg);
    }
    let seed = derive(scene.seed, 61);
    let (shot, read) = (picture.shot_noise, picture.read_noise);
    light.par_iter_mut().enumerate().for_each(|(i, pixel)| {
        for (c, value) in pixel.iter_mut().enumerate() {
            let bits = mix(seed ^ ((3 * i + c) as u64));
            // Four 16-bit uniforms summed are normal enough: variance 4/12.
            let sum = (0..4)
                .map(|k| (bits >> (16 * k) & 0xffff) as f32)
                .sum::<f32>();
            let normal = (sum / 65535.0 - 2.0) * 3f32.sqrt();
            let sigma = (shot * value.max(0.0) + read * read).sqrt();
            *value = (*value + sigma * normal).min(1.0);
        }
    });
    // Interpolating the colour mosaic ties the noise of neighbours together.
    blur(&mut light, w, h, &[0.12, 0.76, 0.12]);
    if picture.sharpen > 0.0 {
        let mut soft = light.clone();
        blur(&mut soft, w, h, &gaussian(1.2));
        light.par_iter_mut().zip(&soft).for_each(|(pixel, soft)| {
            for (v, s) in pixel.iter_mut().zip(soft) {
                *v += picture.sharpen * (*v - s);
            }
        });
    }
    let table: Vec<u8> = (0..=16384)
        .map(|i| (255.0 * srgb(i as f32 / 16384.0)).round() as u8)
        .collect();
    let bytes: Vec<u8> = light
        .par_iter()
        .flat_map_iter(|pixel| {
            let table = &table;
            pixel
                .iter()
                .map(move |v| table[(v.clamp(0.0, 1.0) * 16384.0 + 0.5) as usize])
        })
        .collect();
    RgbImage::from_raw(w as u32, h as u32, bytes).unwrap_or_default()
}

/// sRGB from linear light (IEC 61966-2-1).
fn srgb(v: f32) -> f32 {
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

fn gaussian(sigma: f64) -> Vec<f32> {
    let radius = (3.5 * sigma).ceil() as i32;
    let weights: Vec<f64> = (-radius..=radius)
        .map(|i| (-0.5 * (f64::from(i) / sigma).powi(2)).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}

/// Convolves rows, then columns, with an odd symmetric kernel; the border repeats.
fn blur(light: &mut [[f32; 3]], w: usize, h: usize, kernel: &[f32]) {
    let radius = kernel.len() / 2;
    light.par_chunks_mut(w).for_each(|line| {
        let padded: Vec<[f32; 3]> = (0..w + 2 * radius)
            .map(|i| line[i.saturating_sub(radius).min(w - 1)])
            .collect();
        for (i, pixel) in line.iter_mut().enumerate() {
            let mut sum = [0f32; 3];
            for (k, p) in kernel.iter().zip(&padded[i..]) {
                for c in 0..3 {
                    sum[c] += k * p[c];
                }
            }
            *pixel = sum;
        }
    });
    let source = light.to_vec();
    light.par_chunks_mut(w).enumerate().for_each(|(j, line)| {
        line.fill([0.0; 3]);
        for (k, weight) in kernel.iter().enumerate() {
            let row = (j + k).saturating_sub(radius).min(h - 1);
            for (pixel, p) in line.iter_mut().zip(&source[row * w..(row + 1) * w]) {
                for c in 0..3 {
                    pixel[c] += weight * p[c];
                }
            }
        }
    });
}

/// Averages along a straight path, centred, so that nothing moves.
fn motion(light: &[[f32; 3]], w: usize, h: usize, length: f64, degrees: f64) -> Vec<[f32; 3]> {
    let taps = (2.0 * length).ceil() as usize + 1;
    let (s, c) = degrees.to_radians().sin_cos();
    let offsets: Vec<(isize, isize, [f32; 4])> = (0..taps)
        .map(|k| {
            let at = length * ((k as f64 + 0.5) / taps as f64 - 0.5);
            let (x, y) = (at * c, at * s);
            let (fx, fy) = (x.floor(), y.floor());
            let (u, v) = ((x - fx) as f32, (y - fy) as f32);
            let weights = [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v];
            (fx as isize, fy as isize, weights)
        })
        .collect();
    let mut out = vec![[0f32; 3]; w * h];
    out.par_chunks_mut(w).enumerate().for_each(|(j, line)| {
        for (i, pixel) in line.iter_mut().enumerate() {
            let mut sum = [0f32; 3];
            for (dx, dy, weights) in &offsets {
                for (n, weight) in weights.iter().enumerate() {
                    let x = (i as isize + dx + (n % 2) as isize).clamp(0, w as isize - 1);
                    let y = (j as isize + dy + (n / 2) as isize).clamp(0, h as isize - 1);
                    let p = light[y as usize * w + x as usize];
                    for c in 0..3 {
                        sum[c] += weight * p[c];
                    }
                }
            }
            *pixel = sum.map(|v| v / taps as f32);
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::super::scene::{CardOnQuilt, FabricClass, SceneRange};
    use super::super::trial_design;
    use super::*;
    use crate::card::geometry::CardId;

    fn linear_at(photo: &RgbImage, x: u32, y: u32) -> f64 {
        let g = f32::from(photo.get_pixel(x, y).0[1]) / 255.0;
        f64::from(linear([g; 3])[0])
    }

    /// A still, even, noiseless picture of a card.
    fn plain() -> Scene {
        let mut scene = Scene::default();
        scene.camera.megapixels = 2.0;
        scene.fabric.class = FabricClass::Solid;
        scene.fabric.weave = 0.0;
        scene.puff.depth_mm = 0.0;
        scene.thread.gloss = 0.0;
        scene.light.diffuse = 1.0;
        scene.light.gradient = 0.0;
        scene.light.mixed = 0.0;
        scene.picture.vignetting = 0.0;
        scene.picture.shot_noise = 0.0;
        scene.picture.read_noise = 0.0;
        scene
    }

    /// Where the edge from `a` to `b` is in the picture, from the light itself: the sum over a window
    /// of pixels across the edge, black on the side of `inward`, tells how much of the window is white.
    /// Returns the mean distance from the stated edge, px.
    fn edge_error(photo: &RgbImage, a: Point2, b: Point2, inward: Point2) -> f64 {
        let steep = (b.y - a.y).abs() > (b.x - a.x).abs();
        let along = |p: Point2| if steep { p.y } else { p.x };
        let across = |p: Point2| if steep { p.x } else { p.y };
        let (low, high) = (along(a).min(along(b)) + 8.0, along(a).max(along(b)) - 8.0);
        let black_first = across(inward) < across(a);
        let mut errors = Vec::new();
        for line in low.ceil() as i64..high.floor() as i64 {
            let t = (line as f64 + 0.5 - along(a)) / (along(b) - along(a));
            let stated = across(a) + t * (across(b) - across(a));
            let start = stated.floor() as i64 - 5;
            let light: Vec<f64> = (start..start + 11)
                .map(|i| {
                    let (x, y) = if steep { (i, line) } else { (line, i) };
                    linear_at(photo, x as u32, y as u32)
                })
                .collect();
            let (first, last) = (light[0], light[10]);
            let white_share: f64 = light.iter().map(|v| (v - first) / (last - first)).sum();
            let found = (start + 11) as f64 - white_share;
            assert!((last > first) == black_first);
            errors.push(found - stated);
        }
        errors.iter().sum::<f64>() / errors.len() as f64
    }

    #[test]
    fn card_edges_in_the_picture_are_where_the_truth_says() {
        let mut scene = plain();
        scene.camera.tilt_deg = 25.0;
        scene.camera.roll_deg = 4.0;
        scene.camera.from_deg = 20.0;
        scene.camera.off_centre = [0.008, -0.006];
        scene.cards = vec![CardOnQuilt {
            card: CardId::Sheet(2),
            s_mm: 930.0,
            angle_deg: 7.0,
            height_mm: 6.0,
            rock_x_deg: 1.2,
            rock_y_deg: -1.4,
            bar_mm: 148.7,
            ink_spread_mm: 0.0,
            ..CardOnQuilt::default()
        }];
        let Rehearsed { photo, truth } = render(&scene, &trial_design());
        let mut errors = Vec::new();
        for tag in &truth.cards[0].tags_px {
            let middle = nalgebra::center(&tag[0], &tag[2]);
            for side in 0..4 {
                errors.push(edge_error(&photo, tag[side], tag[(side + 1) % 4], middle));
            }
        }
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        // 48 edges; the paper's own grey gradient of some percent moves a single one by hundredths.
        assert!(rms < 0.02, "{rms} {errors:?}");
        assert!(mean.abs() < 0.005, "{mean}");
    }

    #[test]
    fn thread_in_the_picture_is_where_the_truth_says() {
        let mut scene = plain();
        scene.cards.clear();
        scene.band.sag_mm = 10.0;
        scene.camera.tilt_deg = 30.0;
        scene.camera.k1 = -0.06;
        scene.thread.colour = [1.0; 3];
        scene.fabric.colour = [0.1; 3];
        let stage = Stage::new(&scene, &trial_design());
        let photo = render(&scene, &trial_design()).photo;
        let (mut sum, mut count) = (0.0, 0.0);
        for stitch in stage.rows.iter().flatten().step_by(7) {
            // Stitches that run across the picture: the thread's centroid in a column of pixels.
            let (from, to) = (stage.project(stitch.from), stage.project(stitch.to));
            let (Some(from), Some(to)) = (from, to) else {
                continue;
            };
            let px = nalgebra::center(&from, &to);
            let level = (to.y - from.y).abs() < 0.2 * (to.x - from.x).abs();
            if !level || !stage.camera.holds(px, 20.0) || !stage.cloth.holds(stitch.middle(), -40.0)
            {
                continue;
            }
            let (column, row) = (px.x.floor(), px.y.floor());
            let stated = px.y + (to.y - from.y) / (to.x - from.x) * (column + 0.5 - px.x);
            let ground = linear_at(&photo, column as u32, row as u32 - 7);
            let (mut light, mut moment) = (0.0, 0.0);
            for j in -5..=5 {
                let v = linear_at(&photo, column as u32, (row as i64 + j) as u32) - ground;
                light += v;
                moment += v * (row + j as f64 + 0.5);
            }
            sum += moment / light - stated;
            count += 1.0;
        }
        let mean: f64 = sum / count;
        assert!(count > 100.0, "{count}");
        // Shadow, holes and the shadow's side are even in this light; what is left is sampling.
        assert!(mean.abs() < 0.03, "{mean} px over {count} stitches");
    }

    #[test]
    fn same_seed_gives_the_same_picture_and_another_seed_another() {
        let range = SceneRange::full_range().with_megapixels(0.3);
        let photo = |seed| render(&Scene::random(seed, &range), &trial_design()).photo;
        assert!(photo(5) == photo(5));
        assert!(photo(5) != photo(6));
    }

    #[test]
    fn thread_count_does_not_change_the_picture() {
        let scene = Scene::random(8, &SceneRange::full_range().with_megapixels(0.2));
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            pool.unwrap()
                .install(|| render(&scene, &trial_design()).photo)
        };
        assert!(with(1) == with(3));
    }
}

//! A scene set up in the world: camera, cloth, cards, stitches.

use crate::design::Design;
use crate::geometry::Point2;
use crate::rehearse::camera::{Camera, Pose};
use crate::rehearse::cards::CardInWorld;
use crate::rehearse::fabric::linear;
use crate::rehearse::scene::{CameraHeld, CardOnQuilt, Colour, Scene};
use crate::rehearse::seeded::derive;
use crate::rehearse::stitching::{Patch, Stitch, stitch_row};
use crate::rehearse::surface::Surface;
use nalgebra::{Point3, Vector3};

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
    pub objects: Vec<ObjectInWorld>,
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
        let surface = surface(scene);
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
        let camera = camera(&scene.camera, &surface);
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
        }) || self.object_over(&ray)
    }

    /// Whether an object (not a card) lies over what is seen along a ray.
    pub fn object_over(&self, ray: &Vector3<f64>) -> bool {
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
    pub(in crate::rehearse) fn shows_whole(&self, card: &CardOnQuilt) -> bool {
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

/// The cloth's shape.
fn surface(scene: &Scene) -> Surface {
    let band = &scene.band;
    let phase = [1, 2].map(|n| {
        let bits = derive(scene.quilt.seed, 40 + n);
        (bits >> 11) as f64 / (1u64 << 53) as f64 * std::f64::consts::TAU
    });
    match &scene.relaxed {
        Some(relaxed) => Surface::relaxed(band.middle_s_mm, &relaxed.waves),
        None => Surface::new(
            band.middle_s_mm,
            (band.sag_mm, band.depth_mm),
            (band.sag_across_mm, scene.quilt.width_mm),
            (band.ripple_mm, band.ripple_wavelength_mm),
            phase,
        ),
    }
}

/// The camera where it is held.
fn camera(held: &CameraHeld, surface: &Surface) -> Camera {
    let (w, h) = held.size_px();
    let diagonal = f64::from(w).hypot(f64::from(h));
    // Diagonal of the 36 × 24 mm film frame.
    let focal_px = held.focal_35mm / 36f64.hypot(24.0) * diagonal;
    let principal_px = Point2::new(
        f64::from(w) * (0.5 + held.off_centre[0]),
        f64::from(h) * (0.5 + held.off_centre[1]),
    );
    Camera::new(
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
    )
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

/// A bar in the way: its ends in the world, radius, colour.
pub type ObjectInWorld = (Point3<f64>, Point3<f64>, f64, Colour);

/// Distance of a ray from an object's axis, mm, in the plane of its height.
pub(super) fn object_distance(
    object: &ObjectInWorld,
    from: &Point3<f64>,
    ray: &Vector3<f64>,
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

//! Practice photos for calibrating a lens: one sheet card on a table, from varied angles.

use super::{CardOnQuilt, FabricClass, Picture, Scene};
use crate::card::geometry::CardId;

/// Tilt, side the camera stands on, roll (degrees), and by how much it aims past the card, mm.
const VIEWS: [(f64, f64, f64, [f64; 2]); 12] = [
    (6.0, 20.0, 0.0, [62.0, -42.0]),
    (35.0, 0.0, 3.0, [-55.0, 28.0]),
    (38.0, 90.0, -4.0, [50.0, -38.0]),
    (36.0, 180.0, 5.0, [45.0, 5.0]),
    (40.0, 270.0, 2.0, [-55.0, -30.0]),
    (28.0, 45.0, 88.0, [40.0, 30.0]),
    (30.0, 225.0, 92.0, [-20.0, -45.0]),
    (33.0, 135.0, -6.0, [-50.0, -25.0]),
    (33.0, 315.0, 4.0, [55.0, 35.0]),
    (22.0, 10.0, 180.0, [50.0, -30.0]),
    (24.0, 190.0, -90.0, [15.0, 40.0]),
    (8.0, 60.0, 8.0, [-60.0, 40.0]),
];

/// A photo of the card for calibrating one invented camera with a lens that bends by k1 = −0.2, k2 = 0.06.
///
/// `number` counts from 0; after twelve the views come again from a quarter turn further on. The card fills
/// about two thirds of the picture's width, however many `megapixels` it has.
pub fn calibration_scene(number: usize, megapixels: f64) -> Scene {
    let mut scene = Scene::default();
    // A table: plain, flat, nothing stitched.
    scene.rows.clear();
    scene.band.sag_mm = 0.0;
    scene.fabric.class = FabricClass::Solid;
    scene.fabric.weave = 0.1;
    scene.light.mixed = 0.0;
    scene.cards = vec![CardOnQuilt {
        card: CardId::Sheet(1),
        s_mm: scene.band.middle_s_mm,
        height_mm: 3.0,
        ..CardOnQuilt::default()
    }];
    scene.picture = Picture {
        blur_px: 0.7,
        jpeg_quality: 80,
        ..Picture::default()
    };
    scene.seed = number as u64 + 1;
    let (tilt, from, roll, aim) = VIEWS[number % VIEWS.len()];
    let camera = &mut scene.camera;
    camera.megapixels = megapixels;
    camera.off_centre = [0.006, -0.009];
    camera.k1 = -0.2;
    camera.k2 = 0.06;
    camera.tilt_deg = tilt;
    camera.from_deg = from + 90.0 * (number / VIEWS.len()) as f64;
    camera.roll_deg = roll;
    camera.mm_per_px = 0.24 * (2.0 / megapixels).sqrt();
    camera.target_x_mm = aim[0];
    camera.target_s_mm = scene.band.middle_s_mm + aim[1];
    scene
}

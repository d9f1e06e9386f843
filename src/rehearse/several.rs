//! Several overlapping photos of one row, from the quilt's left side to its right.

use super::range::SceneRange;
use super::scene::{CameraHeld, CardOnQuilt, Scene};
use super::seeded::{Seeded, derive};
use crate::card::geometry::CardId;

/// Cloth or floor in view beyond each side of the quilt, mm.
const BEYOND_MM: f64 = 130.0;
/// Width of the overlap of neighbouring photos, mm: a sheet laid askew, with room around it.
const OVERLAP_MM: f64 = 390.0;
/// By how far a card lies off the overlap's middle, mm.
const OFF_MM: f64 = 45.0;

impl Scene {
    /// The same quilt in `photos` overlapping photos that hold the newest row from side to side, with one
    /// sheet card in each overlap and sometimes one more in the middle, laid as carelessly as `range` says.
    ///
    /// All show the same rows, cards, cloth and lens; the camera's stand, tilt and roll change from photo to
    /// photo within `range`, and its distance to the quilt is what the width asks for.
    pub fn several(&self, photos: u32, range: &SceneRange) -> Vec<Scene> {
        let mut rng = Seeded::new(derive(self.seed, 41));
        let count = f64::from(photos.max(1));
        let all = self.quilt.width_mm + 2.0 * BEYOND_MM;
        let view = (all + (count - 1.0) * OVERLAP_MM) / count;
        let (width_px, _) = self.camera.size_px();
        let scenes: Vec<Scene> = (0..photos.max(1))
            .map(|i| Scene {
                seed: derive(self.seed, 300 + u64::from(i)) >> 12,
                camera: CameraHeld {
                    mm_per_px: view / f64::from(width_px),
                    target_x_mm: -all / 2.0 + view / 2.0 + f64::from(i) * (view - OVERLAP_MM),
                    tilt_deg: rng.between(range.tilt_deg[0], range.tilt_deg[1]),
                    from_deg: rng.between(-35.0, 35.0),
                    roll_deg: rng.between(-range.roll_deg, range.roll_deg),
                    ..self.camera.clone()
                },
                cards: Vec::new(),
                ..self.clone()
            })
            .collect();
        let like = self.cards.first().cloned().unwrap_or_default();
        let newest_s = self.rows.last().map_or(0.0, |r| r.offset_mm);
        let mut cards: Vec<CardOnQuilt> = Vec::new();
        let mut lay = |x_mm: f64, seen_by: &[Scene]| {
            let number = 1 + cards.len() as u16;
            for _ in 0..200 {
                let card = CardOnQuilt {
                    card: CardId::Sheet(number),
                    x_mm: x_mm + rng.between(-OFF_MM, OFF_MM),
                    s_mm: newest_s + rng.between(-1.2, 0.9) * self.quilt.spacing_mm,
                    angle_deg: rng.between(-12.0, 12.0),
                    height_mm: rng.between(range.card_height_mm[0], range.card_height_mm[1]),
                    rock_x_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    rock_y_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    curl_mm: rng.between(0.0, range.card_curl_mm),
                    ..like.clone()
                };
                if seen_by.iter().all(|scene| scene.shows_whole(&card)) {
                    cards.push(card);
                    break;
                }
            }
        };
        for pair in scenes.windows(2) {
            let x = f64::midpoint(pair[0].camera.target_x_mm, pair[1].camera.target_x_mm);
            lay(x, pair);
        }
        if scenes.len() < 2 || derive(self.seed, 42) & 1 == 1 {
            let middle = &scenes[scenes.len() / 2..=scenes.len() / 2];
            lay(middle[0].camera.target_x_mm, middle);
        }
        scenes
            .into_iter()
            .map(|scene| Scene {
                cards: cards.clone(),
                ..scene
            })
            .collect()
    }
}

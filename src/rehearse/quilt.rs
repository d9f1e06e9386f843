//! A whole practice quilt: one photo per row, the rows' own errors kept from photo to photo.

use super::scene::{CardOnQuilt, Row, Scene, SceneRange};
use super::seeded::{Seeded, derive};
use serde::{Deserialize, Serialize};

/// How an advance goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Advance {
    /// Every gap is this much too large, mm.
    pub bias_mm: f64,
    /// Scatter of the gaps, mm.
    pub scatter_mm: f64,
    /// Every gap is this much larger at the right edge than at the left, mm.
    pub right_minus_left_mm: f64,
    /// Scatter of that difference, mm.
    pub side_scatter_mm: f64,
    /// Scatter of the bow of a row against the row before it, mm.
    pub bow_scatter_mm: f64,
    /// Scatter of the shift of a row, mm.
    pub shift_scatter_mm: f64,
}

impl Default for Advance {
    fn default() -> Self {
        Advance {
            bias_mm: 0.8,
            scatter_mm: 1.0,
            right_minus_left_mm: 1.0,
            side_scatter_mm: 1.0,
            bow_scatter_mm: 0.6,
            shift_scatter_mm: 2.0,
        }
    }
}

/// Consecutive photos of one quilt: photo n shows rows up to n. A row is the same in every photo, its
/// wobble included; camera, light and cards change from photo to photo.
pub fn rehearse_quilt(rows: u32, seed: u64, advance: &Advance, range: &SceneRange) -> Vec<Scene> {
    let base = Scene::random(derive(seed, 100), range);
    let width = base.quilt.width_mm;
    let mut rng = Seeded::new(derive(seed, 101));
    let mut all: Vec<Row> = Vec::new();
    for row in 1..=rows.max(1) {
        let mut next = match all.last() {
            None => Row {
                row,
                offset_mm: 90.0,
                ..Row::default()
            },
            Some(last) => {
                let side = advance.right_minus_left_mm + advance.side_scatter_mm * rng.normal();
                Row {
                    row,
                    offset_mm: last.offset_mm
                        + base.quilt.spacing_mm
                        + advance.bias_mm
                        + advance.scatter_mm * rng.normal(),
                    slope_mm_per_m: last.slope_mm_per_m + side / (width / 1000.0),
                    bow_mm: last.bow_mm + advance.bow_scatter_mm * rng.normal(),
                    shift_mm: 0.0,
                    missed: Vec::new(),
                }
            }
        };
        next.shift_mm = advance.shift_scatter_mm * rng.normal();
        all.push(next);
    }
    (1..=all.len())
        .map(|n| {
            let photo = Scene::random(derive(seed, 200 + n as u64), range);
            let newest = &all[n - 1];
            // Everything that stood about the random photo's newest row moves to this quilt's.
            let there = photo.rows.last().map_or(0.0, |r| r.offset_mm);
            let move_s = newest.offset_mm - there;
            let mut scene = Scene {
                seed: photo.seed,
                quilt: base.quilt.clone(),
                hand: base.hand.clone(),
                thread: base.thread.clone(),
                fabric: base.fabric.clone(),
                puff: base.puff.clone(),
                around: base.around.clone(),
                rows: all[..n].to_vec(),
                band: photo.band.clone(),
                light: photo.light.clone(),
                cards: Vec::<CardOnQuilt>::new(),
                objects: photo.objects.clone(),
                camera: photo.camera.clone(),
                picture: photo.picture.clone(),
            };
            scene.band.middle_s_mm += move_s;
            scene.camera.target_s_mm += move_s;
            scene.light.shadow_s_mm += move_s;
            for object in &mut scene.objects {
                object.from_mm[1] += move_s;
                object.to_mm[1] += move_s;
            }
            for card in &photo.cards {
                let mut card = card.clone();
                card.s_mm += move_s;
                scene.cards.push(card);
            }
            scene
        })
        .collect()
}

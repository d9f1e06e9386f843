//! A whole practice quilt: one photo per row, the rows' own errors kept from photo to photo.

use super::random::Given;
use super::range::SceneRange;
use super::scene::{Quilt, Row, Scene};
use super::seeded::{Seeded, derive, short_seed};
use crate::plan::Plan;
use serde::{Deserialize, Serialize};

/// How an advance goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
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

/// A practice quilt from its first row to its last.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PracticeQuilt {
    /// The quilt and how its design is laid out.
    pub quilt: Quilt,
    /// Number of rows.
    pub rows: u32,
    /// Planned s of row 1's baseline, mm.
    pub first_row_mm: f64,
    /// What goes wrong at each advance.
    pub advance: Advance,
}

impl PracticeQuilt {
    /// The quilt of a plan; row 1's first repeat starts at the quilt's left edge.
    pub fn from_plan(plan: &Plan, seed: u64, advance: Advance) -> PracticeQuilt {
        PracticeQuilt {
            quilt: Quilt {
                seed: short_seed(seed, 4),
                width_mm: plan.width_mm,
                length_mm: plan.length_mm,
                design_start_mm: -plan.width_mm / 2.0,
                stagger: plan.stagger,
                spacing_mm: plan.spacing_mm,
                stretch_x: 0.0,
                stretch_y: 0.0,
            },
            rows: plan.rows,
            first_row_mm: plan.first_row_mm,
            advance,
        }
    }

    /// All its rows as stitched in the end, top to bottom.
    pub fn all_rows(&self) -> Vec<Row> {
        let mut rng = Seeded::new(derive(self.quilt.seed, 101));
        let advance = &self.advance;
        let mut rows: Vec<Row> = Vec::new();
        for row in 1..=self.rows {
            let mut next = match rows.last() {
                None => Row {
                    row,
                    offset_mm: self.first_row_mm,
                    ..Row::default()
                },
                Some(last) => {
                    let side = advance.right_minus_left_mm + advance.side_scatter_mm * rng.normal();
                    Row {
                        row,
                        offset_mm: last.offset_mm
                            + self.quilt.spacing_mm
                            + advance.bias_mm
                            + advance.scatter_mm * rng.normal(),
                        slope_mm_per_m: last.slope_mm_per_m + side / (self.quilt.width_mm / 1000.0),
                        bow_mm: last.bow_mm + advance.bow_scatter_mm * rng.normal(),
                        shift_mm: 0.0,
                        missed: Vec::new(),
                        wrong_turns: Vec::new(),
                    }
                }
            };
            next.shift_mm = advance.shift_scatter_mm * rng.normal();
            rows.push(next);
        }
        rows
    }
}

/// Consecutive photos of one quilt: photo n shows rows up to n. A row is the same in every photo, its
/// wobble included, and so are cloth, thread, camera and cards; the pose, the light and where the
/// cards lie change from photo to photo, within `range`.
pub fn rehearse_quilt(practice: &PracticeQuilt, seed: u64, range: &SceneRange) -> Vec<Scene> {
    let all = practice.all_rows();
    let mut scenes: Vec<Scene> = Vec::new();
    for n in 1..=all.len() {
        let given = Given {
            quilt: practice.quilt.clone(),
            rows: all[..n].to_vec(),
            like: scenes.first().cloned().map(Box::new),
        };
        scenes.push(Scene::of_quilt(
            short_seed(seed, 200 + n as u64),
            range,
            given,
        ));
    }
    scenes
}

#[cfg(test)]
mod tests {
    use super::super::render::Stage;
    use super::super::trial_design;
    use super::*;

    #[test]
    fn a_row_is_stitched_the_same_in_every_photo_of_its_quilt() {
        let practice = PracticeQuilt {
            quilt: Quilt::default(),
            rows: 4,
            first_row_mm: 90.0,
            advance: Advance::default(),
        };
        let range = SceneRange::full_range().with_megapixels(2.0);
        let scenes = rehearse_quilt(&practice, 3, &range);
        assert_eq!(
            scenes.iter().map(|s| s.rows.len()).collect::<Vec<_>>(),
            [1, 2, 3, 4]
        );
        let stitches = |photo: usize| {
            let stage = Stage::new(&scenes[photo], &trial_design());
            stage.rows[1]
                .iter()
                .map(|s| (s.from, s.to))
                .collect::<Vec<_>>()
        };
        assert!(stitches(1).len() > 1000);
        assert!(stitches(1) == stitches(2));
        assert_ne!(scenes[1].camera.tilt_deg, scenes[2].camera.tilt_deg);
        assert_eq!(scenes[1].cards[0].card, scenes[2].cards[0].card);
        assert_eq!(scenes[1].cards[0].bar_mm, scenes[2].cards[0].bar_mm);
    }

    #[test]
    fn advances_have_their_stated_bias_and_scatter() {
        let practice = PracticeQuilt {
            quilt: Quilt::default(),
            rows: 2001,
            first_row_mm: 90.0,
            advance: Advance::default(),
        };
        let rows = practice.all_rows();
        let errors: Vec<f64> = rows
            .windows(2)
            .map(|p| p[1].offset_mm - p[0].offset_mm - practice.quilt.spacing_mm)
            .collect();
        let n = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let sd = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / n).sqrt();
        // Four standard errors of 2000 values: 1/√2000 and 1/√4000.
        assert!((mean - practice.advance.bias_mm).abs() < 4.0 * 0.0224);
        assert!((sd - practice.advance.scatter_mm).abs() < 4.0 * 0.0158);
    }
}

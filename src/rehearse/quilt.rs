//! A whole practice quilt: one photo per row, the rows' own errors kept from photo to photo.

use super::scene::{Given, Quilt, Row, Scene, SceneRange, short_seed};
use super::seeded::{Seeded, derive};
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

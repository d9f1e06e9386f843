//! A finished quilt as plain data: what `--json` prints and the journal keeps.
//!
//! Lengths mm, slopes mm/m, `u` standard uncertainty in the same unit. Rows, gaps, drift and photos are those of
//! [`crate::record`] (`rowsight.row/1`). Keys may be added, never renamed; unknown is `null`, never 0.

use crate::card::geometry::CardId;
use crate::record::{
    Action, At, DriftRecord, GapRecord, PhotoRecord, Record, RowRecord, SpacingRecord,
    VerdictRecord,
};
use crate::units::Uncertain;
use crate::verdict::conformity::{Finding, judge, worst};
use serde::{Deserialize, Serialize};

/// Name and version of the document.
pub const SCHEMA: &str = "rowsight.finished/1";

/// A finished quilt: the JSON document `rowsight.finished/1`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FinishedRecord {
    /// [`SCHEMA`].
    pub schema: String,
    /// The judgement in one sentence; lengths in the plan's unit.
    pub judgement: String,
    /// Photos measured.
    pub photos: Vec<PhotoRecord>,
    /// Photos that were not, each with the reason.
    pub not_used: Vec<NotUsed>,
    /// Rows of the plan.
    pub plan_rows: u32,
    /// Rows found.
    pub rows_found: u32,
    /// How the quilting has drawn the quilt in.
    pub shrinkage: Shrinkage,
    /// Every row found, top to bottom; offsets in one common frame.
    pub rows: Vec<RowRecord>,
    /// Gaps between neighbouring rows, top to bottom, against the plan.
    pub gaps: Vec<GapRecord>,
    /// Drift of each row against the plan, from row 1.
    pub drift: Vec<DriftRecord>,
    /// The same against the plan drawn in as the height of the design was.
    pub drift_as_shrunk: Vec<DriftRecord>,
    /// The quilt's edges, where they are seen; `null` in what an older version kept.
    #[serde(default)]
    pub edges: Option<EdgesRecord>,
    /// Drift of each row from the quilt's top edge instead of row 1, against the plan drawn in as the height of the
    /// design was; `null` where the edge is neither seen nor told.
    #[serde(default)]
    pub drift_from_edge: Option<FromEdge>,
    /// What the tolerances of the plan say of the quilt as it has shrunk.
    pub relative: Relative,
    /// What else was noticed, one sentence each.
    pub notes: Vec<String>,
}

impl FinishedRecord {
    /// The same as a check's record, for what draws checks: there is nothing to do next. Gaps are held against the
    /// plan drawn in as the quilt was; at the sides only those that are not surely within `tolerance_mm`.
    pub fn as_check(&self, tolerance_mm: f64) -> Record {
        let gaps = self.gaps.iter().cloned().map(|mut gap| {
            gap.plan_mm *= 1.0 + self.shrinkage.down.value;
            let plan_mm = gap.plan_mm;
            gap.spacing.retain(|s| {
                let value = s.value - plan_mm;
                let off = Uncertain { value, u: s.u };
                s.at == At::Centre || judge(off, tolerance_mm) != Finding::Inside
            });
            gap
        });
        let r = &self.relative;
        Record {
            schema: crate::record::SCHEMA.to_owned(),
            photos: self.photos.clone(),
            rows: self.rows.clone(),
            gaps: gaps.collect(),
            drift: self.drift_as_shrunk.clone(),
            verdict: VerdictRecord {
                // Nothing is left to do; this sets the colour.
                action: match worst([r.gaps, r.drift, r.skew, r.bow]) {
                    Finding::Inside => Action::CarryOn,
                    Finding::Near => Action::Trim,
                    Finding::Beyond => Action::ReSquare,
                    Finding::Unsettled => Action::Retake,
                },
                reasons: vec![self.judgement.clone()],
                next_advance_mm: None,
            },
        }
    }
}

/// What is seen of the quilt's edges; `null`, or no place, where an edge is not clear.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct EdgesRecord {
    /// Above the first row.
    pub top: Option<EdgeRecord>,
    /// Below the last row.
    pub bottom: Option<EdgeRecord>,
    /// At the rows' left ends.
    pub left: Option<EdgeRecord>,
    /// At their right ends.
    pub right: Option<EdgeRecord>,
    /// From the top edge down to the first row's baseline, at left, centre, right.
    pub above_first: Vec<SpacingRecord>,
    /// From the last row's baseline down to the bottom edge.
    pub below_last: Vec<SpacingRecord>,
    /// From corner to corner, the edges taken as straight.
    pub width_at_top_mm: Option<Uncertain>,
    /// The same at the bottom.
    pub width_at_bottom_mm: Option<Uncertain>,
    /// The same at the left.
    pub length_at_left_mm: Option<Uncertain>,
    /// The same at the right.
    pub length_at_right_mm: Option<Uncertain>,
    /// Top left to bottom right less bottom left to top right: 0 when the quilt is square, positive when its top is
    /// pushed to the left.
    pub diagonals_differ_mm: Option<Uncertain>,
}

/// One edge of the quilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EdgeRecord {
    /// Its straight line against row 1 (top, bottom) or against square to row 1 (left, right), mm/m; positive turned
    /// clockwise.
    pub lean_mm_per_m: Uncertain,
    /// RMS distance of the edge from its straight line, mm.
    pub wave_mm: f64,
    /// Share of its length in view on which it shows, 0…1.
    pub share: f64,
    /// From where it is seen, x of top and bottom, y of left and right, mm.
    pub seen_from_mm: f64,
    /// To where.
    pub seen_to_mm: f64,
}

/// Drift from the top edge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FromEdge {
    /// What tells where the edge is.
    pub told_by: ToldBy,
    /// Rows, top to bottom.
    pub rows: Vec<DriftRecord>,
}

/// What tells where an edge is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ToldBy {
    /// It is seen in the photos.
    Photos,
    /// Cards of which the quilter says how far below it they lie.
    Cards,
}

/// A card of which the quilter says where it lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardPlace {
    /// The card.
    pub card: CardId,
    /// How far its middle lies to the right of the quilt's middle, mm.
    pub right_mm: Option<f64>,
    /// How far its middle lies below the quilt's top edge, mm.
    pub below_top_mm: Option<f64>,
}

/// A photo that is not part of the measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotUsed {
    /// Path as given.
    pub path: String,
    /// Why, with the path.
    pub why: String,
    /// What to do.
    pub remedy: String,
}

/// Relative change of lengths against the plan: −0.02 is 2 % shorter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shrinkage {
    /// Along the rows, by the design's repeats.
    pub across: Uncertain,
    /// Down the quilt, by the design's height.
    pub down: Uncertain,
}

/// A quilt against its tolerances, each at 95 %, with the plan drawn in as the design's height was.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Relative {
    /// The gap that is furthest off, with its lower row.
    pub worst_gap_mm: Option<(u32, Uncertain)>,
    /// All gaps.
    pub gaps: Finding,
    /// The last row's drift, at left, centre or right, whichever is most.
    pub last_drift_mm: Option<Uncertain>,
    /// All rows' drift.
    pub drift: Finding,
    /// All rows' skew against row 1.
    pub skew: Finding,
    /// All rows' bow.
    pub bow: Finding,
}

impl Default for Relative {
    fn default() -> Self {
        Relative {
            worst_gap_mm: None,
            gaps: Finding::Unsettled,
            last_drift_mm: None,
            drift: Finding::Unsettled,
            skew: Finding::Unsettled,
            bow: Finding::Unsettled,
        }
    }
}

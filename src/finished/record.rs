//! A finished quilt as plain data: what `--json` prints and the journal keeps.
//!
//! Lengths mm, slopes mm/m, `u` standard uncertainty in the same unit. Rows, gaps, drift and photos are those of
//! [`crate::record`] (`rowsight.row/1`). Keys may be added, never renamed; unknown is `null`, never 0.

use crate::record::{
    Action, At, DriftRecord, GapRecord, PhotoRecord, Record, RowRecord, VerdictRecord,
};
use crate::units::Uncertain;
use crate::verdict::conformity::{Finding, judge};
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
        Record {
            schema: crate::record::SCHEMA.to_owned(),
            photos: self.photos.clone(),
            rows: self.rows.clone(),
            gaps: gaps.collect(),
            drift: self.drift_as_shrunk.clone(),
            verdict: VerdictRecord {
                action: Action::CarryOn,
                reasons: vec![self.judgement.clone()],
                next_advance_mm: None,
            },
        }
    }
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

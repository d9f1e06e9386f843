//! A whole quilt from its journal: the JSON document `rowsight.report/1`, a table as CSV, a page to keep.
//!
//! Lengths mm, slopes mm/m, `u` standard uncertainty in the same unit. Keys may be added, never
//! renamed; unknown is `null`, never 0.

mod map;
mod off_frame;
mod page;
mod words;

pub use off_frame::{Drawn, OffFrame};
pub use page::{Picture, Shows, page};

use crate::gap::{self, places};
use crate::journal::{SavedCheck, SavedFinished, gaps_of};
use crate::plan::Plan;
use crate::record::{
    Action, At, DriftRecord, GapRecord, InPhoto, OffDesign, PhotoRecord, RowRecord, Stretch,
    XOrigin,
};
use crate::units::{LengthUnit, Uncertain};
use crate::verdict::conformity::{Finding, judge, worst};
use serde::{Deserialize, Serialize};

/// Name and version of the document.
pub const SCHEMA: &str = "rowsight.report/1";

/// A quilt as measured: the JSON document `rowsight.report/1`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct QuiltReport {
    /// [`SCHEMA`].
    pub schema: String,
    /// Name of the quilt's folder.
    pub quilt: String,
    /// The verdict on the whole quilt in one sentence; lengths in the plan's unit.
    pub verdict: String,
    /// What was planned.
    pub plan: PlanRecord,
    /// Rows measured, in order. A check that asked for a retake is not here.
    pub rows: Vec<MeasuredRow>,
    /// Rows of the plan that are not measured.
    pub not_measured: Vec<u32>,
    /// Rows whose photo has to be taken again; they are not measured either.
    pub retake: Vec<u32>,
    /// Gaps that a later photo shows again; the first measurement is the one that counts.
    pub seen_again: Vec<SeenAgain>,
    /// What the report does not know, one sentence each, in a quilter's words.
    pub not_known: Vec<String>,
    /// The finished quilt off the frame; `null` when it is not measured.
    #[serde(default)]
    pub off_frame: Option<OffFrame>,
}

/// The plan's numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanRecord {
    /// Unit that lengths in sentences are written in.
    pub unit: LengthUnit,
    /// Width of the quilt, mm.
    pub width_mm: f64,
    /// Length of the quilt, mm.
    pub length_mm: f64,
    /// Number of rows.
    pub rows: u32,
    /// y of row 1 below the quilt's first edge, mm.
    pub first_row_mm: f64,
    /// Spacing of the rows, mm.
    pub spacing_mm: f64,
    /// Accepted difference of a gap from the spacing, mm.
    pub tolerance_spacing_mm: f64,
    /// Accepted drift, mm.
    pub tolerance_drift_mm: f64,
    /// Accepted skew, mm/m.
    pub tolerance_skew_mm_per_m: f64,
    /// Accepted bow, mm.
    pub tolerance_bow_mm: f64,
}

/// A measured row.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredRow {
    /// Row number, 1 first.
    pub row: u32,
    /// When it was saved, local time.
    pub saved: jiff::civil::DateTime,
    /// What the check said to do.
    pub action: Action,
    /// What x = 0 means.
    pub x_origin: XOrigin,
    /// Left end of what was seen, mm.
    pub seen_from_mm: f64,
    /// Right end of what was seen, mm.
    pub seen_to_mm: f64,
    /// Gap to the row above; `null` for row 1 and where the row above was not seen.
    pub gap: Option<GapRecord>,
    /// Drift against the plan with row 1 as the datum; `null` when a gap above is unknown.
    pub drift: Option<DriftRecord>,
    /// x of the drift's left, centre and right, mm.
    pub drift_x_mm: Option<[f64; 3]>,
    /// Slope against row 1, mm/m; positive when the right end lies further down.
    pub skew_mm_per_m: Option<Uncertain>,
    /// Bow, mm; positive when the middle lies further down.
    pub bow_mm: Uncertain,
    /// Shift of the design against the row above and the plan's stagger, mm; positive to the right.
    pub shift_mm: Option<Uncertain>,
    /// RMS distance of the stitching from the design, mm.
    pub wobble_mm: f64,
    /// Share of the line that was found, 0…1.
    pub coverage: f64,
    /// Parts of the design that were not stitched.
    pub missed: Vec<Stretch>,
    /// Where a photo shows each of them.
    #[serde(default)]
    pub missed_in_photo: Vec<Option<InPhoto>>,
    /// Parts stitched off the design.
    pub off_design: Vec<OffDesign>,
    /// What the plan's tolerances say.
    pub findings: Findings,
    /// The photos measured.
    pub photos: Vec<PhotoRecord>,
    /// Notes.
    pub notes: Vec<String>,
}

/// A row against the tolerances, each at 95 %; the worst of left, centre and right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Findings {
    /// The gap above.
    pub gap: Option<Finding>,
    /// Drift; `null` for row 1, which is the datum.
    pub drift: Option<Finding>,
    /// Skew; `null` for row 1.
    pub skew: Option<Finding>,
    /// Bow.
    pub bow: Finding,
}

/// A gap measured again in the photo of a later row.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeenAgain {
    /// Row above the gap.
    pub from_row: u32,
    /// Row below the gap.
    pub to_row: u32,
    /// The row whose photo shows it again.
    pub in_photo_of_row: u32,
    /// Later less first spacing in the middle of what each shows, mm; `u` as if independent.
    pub difference_mm: Uncertain,
}

/// Gathers a quilt's checks that count, in row order, into a report, with the finished quilt if it is measured.
pub fn report(
    name: &str,
    plan: &Plan,
    checks: &[SavedCheck],
    finished: Option<&SavedFinished>,
) -> QuiltReport {
    let settled: Vec<SavedCheck> = checks
        .iter()
        .filter(|c| c.record.verdict.action != Action::Retake)
        .cloned()
        .collect();
    let gaps = gaps_of(&settled);
    let rows: Vec<MeasuredRow> = settled
        .iter()
        .filter_map(|check| measured_row(check, plan, &gaps))
        .collect();
    let not_measured = (1..=plan.rows)
        .filter(|n| !rows.iter().any(|r| r.row == *n))
        .collect();
    let retake = checks
        .iter()
        .filter(|c| c.record.verdict.action == Action::Retake)
        .map(|c| c.row)
        .collect();
    let mut report = QuiltReport {
        schema: SCHEMA.to_owned(),
        quilt: name.to_owned(),
        verdict: String::new(),
        plan: plan_record(plan),
        rows,
        not_measured,
        retake,
        seen_again: seen_again(&settled, &gaps),
        not_known: Vec::new(),
        off_frame: None,
    };
    report.off_frame = finished.map(|f| OffFrame::new(f, &report.rows));
    if report.rows.is_empty() && report.off_frame.is_some() {
        // Only the finished quilt was measured; its own words say what of it is not known.
        report.not_measured.clear();
    }
    report.verdict = words::verdict(&report);
    report.not_known = words::not_known(&report, plan);
    report
}

fn plan_record(plan: &Plan) -> PlanRecord {
    PlanRecord {
        unit: plan.unit,
        width_mm: plan.width_mm,
        length_mm: plan.length_mm,
        rows: plan.rows,
        first_row_mm: plan.first_row_mm,
        spacing_mm: plan.spacing_mm,
        tolerance_spacing_mm: plan.tolerance.spacing_mm,
        tolerance_drift_mm: plan.tolerance.drift_mm,
        tolerance_skew_mm_per_m: plan.tolerance.skew_mm_per_m,
        tolerance_bow_mm: plan.tolerance.bow_mm,
    }
}

fn measured_row(check: &SavedCheck, plan: &Plan, gaps: &[GapRecord]) -> Option<MeasuredRow> {
    let record = &check.record;
    let index = record.rows.iter().position(|r| r.row == check.row)?;
    let row = &record.rows[index];
    let gap = record.gaps.iter().find(|g| g.to_row == check.row).cloned();
    let position = gap::position(plan, gaps, check.row).ok();
    let above = index.checked_sub(1).map(|i| &record.rows[i]);
    let shift_mm = above
        .filter(|above| above.row + 1 == row.row)
        .map(|above| shift_between(above, row, plan.told_repeat_mm()));
    let skew_mm_per_m = position.map(|p| p.skew_mm_per_m);
    let tolerance = &plan.tolerance;
    // Row 1 cannot drift or lean against itself.
    let against_datum = position.filter(|_| check.row > 1);
    let findings = Findings {
        gap: gap.as_ref().and_then(places).map(|p| {
            worst(p.map(|s| {
                let off = Uncertain {
                    value: s.value - plan.spacing_mm,
                    u: s.u,
                };
                judge(off, tolerance.spacing_mm)
            }))
        }),
        drift: against_datum
            .map(|p| worst(sides(&p.drift).map(|(_, d)| judge(d, tolerance.drift_mm)))),
        skew: against_datum.map(|p| judge(p.skew_mm_per_m, tolerance.skew_mm_per_m)),
        bow: judge(row.bow_mm, tolerance.bow_mm),
    };
    Some(MeasuredRow {
        row: check.row,
        saved: check.saved,
        action: record.verdict.action,
        x_origin: row.x_origin,
        seen_from_mm: row.seen_from_mm,
        seen_to_mm: row.seen_to_mm,
        gap,
        drift: position.map(|p| p.drift),
        drift_x_mm: position.and_then(|p| p.x_mm),
        skew_mm_per_m,
        bow_mm: row.bow_mm,
        shift_mm,
        wobble_mm: row.wobble_mm,
        coverage: row.coverage,
        missed: row.missed.clone(),
        missed_in_photo: row.missed_in_photo.clone(),
        off_design: row.off_design.clone(),
        findings,
        photos: record.photos.clone(),
        notes: check.notes.clone(),
    })
}

/// Shift of a row against the one above it, both measured against the topmost row of one photo.
///
/// What the two shifts share is not in the record, so their variances are added: never too small.
fn shift_between(above: &RowRecord, row: &RowRecord, repeat_mm: Option<f64>) -> Uncertain {
    let off = row.shift_mm.value - above.shift_mm.value;
    Uncertain {
        // A design moved by whole repeats is not moved.
        value: repeat_mm.map_or(off, |repeat| off - (off / repeat).round() * repeat),
        u: row.shift_mm.u.hypot(above.shift_mm.u),
    }
}

fn seen_again(checks: &[SavedCheck], gaps: &[GapRecord]) -> Vec<SeenAgain> {
    let centre = |gap: &GapRecord| places(gap).map(|p| p[1]);
    let later = checks
        .iter()
        .flat_map(|c| c.record.gaps.iter().map(move |g| (c.row, g)));
    later
        .filter(|(row, gap)| gap.to_row < *row)
        .filter_map(|(row, gap)| {
            let first = gaps.iter().find(|g| g.to_row == gap.to_row)?;
            let (a, b) = (centre(first)?, centre(gap)?);
            Some(SeenAgain {
                from_row: gap.from_row,
                to_row: gap.to_row,
                in_photo_of_row: row,
                difference_mm: Uncertain {
                    value: b.value - a.value,
                    u: a.u.hypot(b.u),
                },
            })
        })
        .collect()
}

/// Drift at left, centre and right.
fn sides(drift: &DriftRecord) -> [(At, Uncertain); 3] {
    [
        (At::Left, drift.left),
        (At::Centre, drift.centre),
        (At::Right, drift.right),
    ]
}

/// The report as the JSON document `rowsight.report/1`, with a line feed.
///
/// # Errors
///
/// When it cannot be written as JSON; numbers and text always can.
pub fn json(report: &QuiltReport) -> Result<String, serde_json::Error> {
    Ok(serde_json::to_string_pretty(report)? + "\n")
}

/// The rows as comma-separated values (RFC 4180) with a heading, one line a row, unknown left empty.
///
/// # Errors
///
/// When the bytes cannot be written; into memory they always can.
pub fn csv(report: &QuiltReport) -> Result<Vec<u8>, csv::Error> {
    let mut out = csv::Writer::from_writer(Vec::new());
    let with_u = |name: &str, unit: &str| [format!("{name}_{unit}"), format!("{name}_u_{unit}")];
    let mut heading: Vec<String> = ["row", "saved", "action"].map(str::to_owned).to_vec();
    for quantity in ["gap", "drift"] {
        for at in ["left", "centre", "right"] {
            heading.extend(with_u(&format!("{quantity}_{at}"), "mm"));
        }
    }
    heading.extend(with_u("skew", "mm_per_m"));
    heading.extend(with_u("bow", "mm"));
    heading.extend(with_u("shift", "mm"));
    heading.extend(["wobble_mm", "coverage", "missed_parts", "missed_mm"].map(str::to_owned));
    out.write_record(&heading)?;
    for row in &report.rows {
        let action = serde_json::to_value(row.action).unwrap_or_default();
        let mut cells = vec![
            row.row.to_string(),
            row.saved.to_string(),
            action.as_str().unwrap_or_default().to_owned(),
        ];
        let gap = row.gap.as_ref().and_then(places).map_or([None; 3], |p| {
            p.map(|s| {
                Some(Uncertain {
                    value: s.value,
                    u: s.u,
                })
            })
        });
        let drift = row
            .drift
            .as_ref()
            .map_or([None; 3], |d| sides(d).map(|(_, v)| Some(v)));
        let rest = [row.skew_mm_per_m, Some(row.bow_mm), row.shift_mm];
        for value in gap.into_iter().chain(drift).chain(rest) {
            cells.extend(value.map_or([String::new(), String::new()], |v| {
                [format!("{:.3}", v.value), format!("{:.3}", v.u)]
            }));
        }
        let missed_mm: f64 = row.missed.iter().map(|m| m.to_mm - m.from_mm).sum();
        cells.extend([
            format!("{:.3}", row.wobble_mm),
            format!("{:.3}", row.coverage),
            row.missed.len().to_string(),
            // An empty sum is -0.
            format!("{:.1}", missed_mm + 0.0),
        ]);
        out.write_record(&cells)?;
    }
    out.into_inner().map_err(|e| e.into_error().into())
}

#[cfg(test)]
mod tests;

//! The finished quilt in the report, beside the rows measured on the frame.

use super::{Findings, MeasuredRow, QuiltReport, sides};
use crate::finished::{FinishedRecord, change, shrinkage};
use crate::gap::places;
use crate::journal::SavedFinished;
use crate::record::{Action, RowRecord, XOrigin};
use crate::units::Uncertain;
use crate::verdict::conformity::{judge, worst};
use serde::{Deserialize, Serialize};

/// The finished quilt as measured off the frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OffFrame {
    /// When it was saved, local time.
    pub saved: jiff::civil::DateTime,
    /// What was measured.
    pub finished: FinishedRecord,
    /// How it compares with the rows measured on the frame.
    pub drawn_in: Drawn,
}

/// Relative change from the frame to the finished quilt: −0.02 is 2 % shorter.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Drawn {
    /// Down the quilt, by the mean of the gaps measured both times, at the centre.
    pub down: Option<Uncertain>,
    /// Number of these gaps.
    pub gaps: usize,
    /// Across the quilt, by the mean length of the rows seen from side to side both times. A row's ends are
    /// seen to a centimetre; that is the uncertainty.
    pub across: Option<Uncertain>,
    /// Number of these rows.
    pub rows: usize,
}

/// How nearly a row's end is seen, mm.
const END_U_MM: f64 = 8.0;

impl OffFrame {
    /// The measurement, compared with the rows of the frame.
    pub(super) fn new(saved: &SavedFinished, on_frame: &[MeasuredRow]) -> OffFrame {
        let finished = saved.record.clone();
        OffFrame {
            saved: saved.saved,
            drawn_in: drawn_in(&finished, on_frame),
            finished,
        }
    }

    /// The rows as those of a report, against the plan drawn in as the quilt was.
    pub(super) fn as_report(&self, of: &QuiltReport) -> QuiltReport {
        let finished = &self.finished;
        let shrinkage = &finished.shrinkage;
        let (across, down) = (1.0 + shrinkage.across.value, 1.0 + shrinkage.down.value);
        let mut plan = of.plan.clone();
        plan.width_mm *= across;
        plan.length_mm *= down;
        plan.first_row_mm *= down;
        plan.spacing_mm *= down;
        let rows: Vec<MeasuredRow> = (0..finished.rows.len())
            .map(|i| self.measured_row(i, &plan))
            .collect();
        QuiltReport {
            not_measured: Vec::new(),
            retake: Vec::new(),
            seen_again: Vec::new(),
            not_known: Vec::new(),
            off_frame: None,
            verdict: finished.judgement.clone(),
            plan,
            rows,
            schema: of.schema.clone(),
            quilt: of.quilt.clone(),
        }
    }

    fn measured_row(&self, index: usize, plan: &super::PlanRecord) -> MeasuredRow {
        let finished = &self.finished;
        let row: &RowRecord = &finished.rows[index];
        let gap = finished.gaps.iter().find(|g| g.to_row == row.row).cloned();
        let drift = finished
            .drift_as_shrunk
            .iter()
            .find(|d| d.row == row.row)
            .copied();
        let middle = f64::midpoint(row.seen_from_mm, row.seen_to_mm);
        let above = index.checked_sub(1).map(|i| &finished.rows[i]);
        let findings = Findings {
            gap: gap.as_ref().and_then(places).map(|at| {
                worst(at.map(|s| {
                    let off = Uncertain {
                        value: s.value - plan.spacing_mm,
                        u: s.u.hypot(plan.spacing_mm * finished.shrinkage.down.u),
                    };
                    judge(off, plan.tolerance_spacing_mm)
                }))
            }),
            drift: drift
                .filter(|_| index > 0)
                .map(|d| worst(sides(&d).map(|(_, v)| judge(v, plan.tolerance_drift_mm)))),
            skew: (index > 0).then(|| judge(row.slope_mm_per_m, plan.tolerance_skew_mm_per_m)),
            bow: judge(row.bow_mm, plan.tolerance_bow_mm),
        };
        MeasuredRow {
            row: row.row,
            saved: self.saved,
            action: Action::CarryOn,
            x_origin: row.x_origin,
            seen_from_mm: row.seen_from_mm,
            seen_to_mm: row.seen_to_mm,
            drift_x_mm: drift.map(|_| [row.seen_from_mm, middle, row.seen_to_mm]),
            drift,
            skew_mm_per_m: Some(row.slope_mm_per_m),
            bow_mm: row.bow_mm,
            shift_mm: above.map(|above| Uncertain {
                value: row.shift_mm.value - above.shift_mm.value,
                u: row.shift_mm.u.hypot(above.shift_mm.u),
            }),
            wobble_mm: row.wobble_mm,
            coverage: row.coverage,
            missed: row.missed.clone(),
            missed_in_photo: row.missed_in_photo.clone(),
            off_design: row.off_design.clone(),
            findings,
            photos: match index {
                0 => finished.photos.clone(),
                _ => Vec::new(),
            },
            notes: Vec::new(),
            gap,
        }
    }

    /// How much the quilting has drawn the design in.
    pub(super) fn shrinkage_in_words(&self, plan: &super::PlanRecord) -> String {
        format!(
            "Measured {}, relaxed. {} All below is held against the plan drawn in by as much.",
            self.saved.strftime("%Y-%m-%d"),
            shrinkage(&self.finished.shrinkage, plan.spacing_mm, plan.unit),
        )
    }

    /// The finished quilt against the rows on the frame.
    pub(super) fn compared_in_words(&self) -> Option<String> {
        let drawn = &self.drawn_in;
        let counted = |n: usize, what: &str| match n {
            1 => format!("one {what}"),
            n => format!("{n} {what}s"),
        };
        let down = drawn.down.map(|v| {
            let gaps = counted(drawn.gaps, "gap");
            format!("{} down it, by {gaps} measured both times", shorter(v))
        });
        let across = drawn.across.map(|v| {
            let rows = counted(drawn.rows, "row");
            format!(
                "{} across it, by the length of {rows} seen from side to side both times",
                shorter(v)
            )
        });
        let both: Vec<String> = down.into_iter().chain(across).collect();
        (!both.is_empty()).then(|| {
            format!(
                "Against the quilt under tension on the frame it is {}.",
                both.join("; and ")
            )
        })
    }
}

fn shorter(v: Uncertain) -> String {
    change(v, "shorter", "longer")
}

/// Mean ratio less one of pairs (relaxed, tensioned).
fn ratio(pairs: &[(Uncertain, Uncertain)]) -> Option<Uncertain> {
    let n = pairs.len() as f64;
    let sum = |f: &dyn Fn(&(Uncertain, Uncertain)) -> f64| pairs.iter().map(f).sum::<f64>();
    let (relaxed, tensioned) = (sum(&|p| p.0.value), sum(&|p| p.1.value));
    // What photos have in common (a card's height, the print) does not average out: the mean of the
    // uncertainties, not that of a mean.
    let u = sum(&|p| p.0.u.hypot(p.1.u)) / n / (tensioned / n);
    (!pairs.is_empty() && tensioned > 0.0).then(|| Uncertain {
        value: relaxed / tensioned - 1.0,
        u,
    })
}

fn drawn_in(finished: &FinishedRecord, on_frame: &[MeasuredRow]) -> Drawn {
    let gaps: Vec<(Uncertain, Uncertain)> = on_frame
        .iter()
        .filter_map(|row| {
            let tensioned = places(row.gap.as_ref()?)?[1];
            let relaxed = finished.gaps.iter().find(|g| g.to_row == row.row)?;
            Some((places(relaxed)?[1].spacing(), tensioned.spacing()))
        })
        .collect();
    let length = |from: f64, to: f64| Uncertain {
        value: to - from,
        u: END_U_MM * std::f64::consts::SQRT_2,
    };
    let rows: Vec<(Uncertain, Uncertain)> = on_frame
        .iter()
        .filter(|row| row.x_origin == XOrigin::Quilt)
        .filter_map(|row| {
            let relaxed = finished.rows.iter().find(|r| r.row == row.row)?;
            let tensioned = length(row.seen_from_mm, row.seen_to_mm);
            let relaxed_length = length(relaxed.seen_from_mm, relaxed.seen_to_mm);
            // From side to side both times: nearly as long as the other one.
            let near = (relaxed_length.value / tensioned.value - 1.0).abs() < 0.06;
            (relaxed.x_origin == XOrigin::Quilt && near).then_some((relaxed_length, tensioned))
        })
        .collect();
    Drawn {
        down: ratio(&gaps),
        gaps: gaps.len(),
        across: ratio(&rows),
        rows: rows.len(),
    }
}

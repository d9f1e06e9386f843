//! A quilt's verdict in one sentence, and what its report does not know.

use super::{MeasuredRow, QuiltReport, sides};
use crate::gap::distortion::skew_percent;
use crate::gap::places;
use crate::plan::Plan;
use crate::record::XOrigin;
use crate::verdict::conformity::Finding;
use crate::verdict::words::{interval, is_nothing, length, list, number, side};

/// How far a ruler laid on the check bar is read wrong, mm (common practice, no source).
const BAR_MISREAD_MM: f64 = 0.2;
/// Length of the printed check bar, mm.
const BAR_MM: f64 = 150.0;

/// The verdict on the whole quilt: how many rows are measured, and what is beyond its tolerance.
pub(super) fn verdict(report: &QuiltReport) -> String {
    let plan = &report.plan;
    if report.rows.is_empty() {
        let off_frame = report.off_frame.as_ref();
        return off_frame.map_or("No row is measured yet.".to_owned(), |o| {
            o.finished.judgement.clone()
        });
    }
    let measured = match report.rows.len() {
        n if n as u32 == plan.rows => format!("all {n} rows are measured"),
        n if n as u32 > plan.rows => {
            format!(
                "{n} rows are measured, though the plan has only {}",
                plan.rows
            )
        }
        1 => format!("1 of {} rows is measured", plan.rows),
        n => format!("{n} of {} rows are measured", plan.rows),
    };
    let faults = [gaps(report), drift(report), skew(report), bow(report)];
    let mut faults: Vec<String> = faults.into_iter().flatten().collect();
    let missed: usize = report.rows.iter().map(|r| r.missed.len()).sum();
    match missed {
        0 => {}
        1 => faults.push("one part of the design was missed".to_owned()),
        n => faults.push(format!("{n} parts of the design were missed")),
    }
    let off_design: usize = report.rows.iter().map(|r| r.off_design.len()).sum();
    match off_design {
        0 => {}
        1 => faults.push("one stretch was stitched off the design".to_owned()),
        n => faults.push(format!("{n} stretches were stitched off the design")),
    }
    if !faults.is_empty() {
        return format!("Not as planned: {measured}; {}.", faults.join("; "));
    }
    let open = report.rows.iter().filter(|r| is_open(r)).count();
    if open == 0 && report.not_measured.is_empty() {
        return format!(
            "As planned: {measured}, and every gap, drift, skew and bow is inside what the plan accepts."
        );
    }
    let rows = if open == 1 {
        "one row is"
    } else {
        "some rows are"
    };
    match open {
        0 => format!(
            "As planned so far: {measured}, and nothing measured is beyond what the plan accepts."
        ),
        _ => format!(
            "As planned as far as can be told: {measured}, none is shown to be beyond what the plan accepts, and \
             {rows} too near the limit or too uncertain to say more."
        ),
    }
}

/// Whether something of a row is neither inside nor beyond, or not known at all.
fn is_open(row: &MeasuredRow) -> bool {
    let f = &row.findings;
    let settled = |finding: Option<Finding>| finding == Some(Finding::Inside);
    let against_datum = row.row == 1 || (settled(f.gap) && settled(f.drift) && settled(f.skew));
    !against_datum || f.bow != Finding::Inside
}

/// The rows beyond a tolerance, and the one with the greatest amount.
fn beyond(
    report: &QuiltReport,
    finding: impl Fn(&MeasuredRow) -> Option<Finding>,
    amount: impl Fn(&MeasuredRow) -> f64,
) -> Option<(usize, &MeasuredRow)> {
    let rows: Vec<&MeasuredRow> = report
        .rows
        .iter()
        .filter(|r| finding(r) == Some(Finding::Beyond))
        .collect();
    let most = rows
        .iter()
        .max_by(|a, b| amount(a).abs().total_cmp(&amount(b).abs()))?;
    Some((rows.len(), most))
}

/// The gap's greatest difference from the plan and where, mm.
fn gap_off(row: &MeasuredRow, spacing_mm: f64) -> (&'static str, f64) {
    let places = row.gap.as_ref().and_then(places);
    places
        .into_iter()
        .flatten()
        .map(|p| (side(p.at), p.value - spacing_mm))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .unwrap_or(("centre", 0.0))
}

fn drift_off(row: &MeasuredRow) -> (&'static str, f64) {
    row.drift
        .iter()
        .flat_map(sides)
        .map(|(at, d)| (side(at), d.value))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .unwrap_or(("centre", 0.0))
}

fn most_of_all(count: usize) -> &'static str {
    if count > 1 { "most of all " } else { "" }
}

fn gaps(report: &QuiltReport) -> Option<String> {
    let (plan, unit) = (&report.plan, report.plan.unit);
    let off = |r: &MeasuredRow| gap_off(r, plan.spacing_mm).1;
    let (count, worst) = beyond(report, |r| r.findings.gap, off)?;
    let (at, mm) = gap_off(worst, plan.spacing_mm);
    let of = report
        .rows
        .iter()
        .filter(|r| r.findings.gap.is_some())
        .count();
    let are = if count == 1 { "is" } else { "are" };
    Some(format!(
        "{count} of {of} gaps {are} more than {} off, {}gap {} to {} ({} too {} at the {at})",
        length(plan.tolerance_spacing_mm, unit),
        most_of_all(count),
        worst.row - 1,
        worst.row,
        length(mm.abs(), unit),
        if mm > 0.0 { "wide" } else { "narrow" },
    ))
}

fn drift(report: &QuiltReport) -> Option<String> {
    let (plan, unit) = (&report.plan, report.plan.unit);
    let (count, worst) = beyond(report, |r| r.findings.drift, |r| drift_off(r).1)?;
    let (at, mm) = drift_off(worst);
    Some(format!(
        "{} drifted by more than {}, {}row {} ({} too far {} at the {at})",
        rows(count, "row has", "rows have"),
        length(plan.tolerance_drift_mm, unit),
        most_of_all(count),
        worst.row,
        length(mm.abs(), unit),
        if mm > 0.0 { "down" } else { "up" },
    ))
}

fn skew(report: &QuiltReport) -> Option<String> {
    let value = |r: &MeasuredRow| r.skew_mm_per_m.map_or(0.0, |s| s.value);
    let (count, worst) = beyond(report, |r| r.findings.skew, value)?;
    Some(format!(
        "{} more askew than {:.2} %, {}row {} ({:.2} %, {} end down)",
        rows(count, "row is", "rows are"),
        skew_percent(report.plan.tolerance_skew_mm_per_m),
        most_of_all(count),
        worst.row,
        skew_percent(value(worst)),
        if value(worst) > 0.0 { "right" } else { "left" },
    ))
}

fn bow(report: &QuiltReport) -> Option<String> {
    let unit = report.plan.unit;
    let (count, worst) = beyond(report, |r| Some(r.findings.bow), |r| r.bow_mm.value)?;
    Some(format!(
        "{} bowed by more than {}, {}row {} ({}, middle {})",
        rows(count, "row is", "rows are"),
        length(report.plan.tolerance_bow_mm, unit),
        most_of_all(count),
        worst.row,
        length(worst.bow_mm.value.abs(), unit),
        if worst.bow_mm.value > 0.0 {
            "down"
        } else {
            "up"
        },
    ))
}

fn rows(count: usize, one: &str, many: &str) -> String {
    match count {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}

/// `row 3`, or `rows 3, 5 and 7`.
pub(super) fn row_list(rows: &[u32]) -> String {
    let numbers: Vec<String> = rows.iter().map(u32::to_string).collect();
    let s = if rows.len() == 1 { "" } else { "s" };
    format!("row{s} {}", list(&numbers))
}

/// What the report does not know, one sentence each.
pub(super) fn not_known(report: &QuiltReport, plan: &Plan) -> Vec<String> {
    let unit = plan.unit;
    let mut said = Vec::new();
    if !report.not_measured.is_empty() {
        said.push(format!(
            "Nothing is known of {}.",
            row_list(&report.not_measured)
        ));
    }
    if !report.retake.is_empty() {
        said.push(format!(
            "The photo of {} has to be taken again; its numbers are not used.",
            row_list(&report.retake)
        ));
    }
    let adrift: Vec<u32> = report
        .rows
        .iter()
        .filter(|r| r.drift.is_none())
        .map(|r| r.row)
        .collect();
    if !adrift.is_empty() {
        said.push(format!(
            "A gap above {} was never measured, so there is no drift and no skew, and the map shows only the plan.",
            row_list(&adrift)
        ));
    }
    let seen = report.rows.iter().map(|r| r.seen_to_mm - r.seen_from_mm);
    let (least, most) = seen.fold((f64::MAX, 0.0_f64), |(a, b), w| (a.min(w), b.max(w)));
    if report.rows.iter().any(|r| r.x_origin == XOrigin::View) {
        said.push(format!(
            "{} the quilt's {} of width, {} to {} of a row was in view; the rest of the rows was not checked.",
            match report.off_frame {
                Some(_) => "On the frame, of",
                None => "Of",
            },
            length(plan.width_mm, unit),
            number(least.min(plan.width_mm), unit),
            length(most.min(plan.width_mm), unit),
        ));
        said.push(
            "Left, centre and right are the ends and the middle of what a photo shows, not of the quilt. Where a \
             photo lies across the quilt is not recognised: the map puts the middle of each in the middle of the \
             quilt."
                .to_owned(),
        );
    }
    let edge = (report.off_frame.as_ref()).and_then(|off| off.finished.drift_from_edge.as_ref());
    said.push(
        match edge {
            None => {
                "Everything is measured from row 1. Whether row 1 itself lies where the plan wants it, and straight with \
                 the edge of the quilt, is not measured."
            }
            Some(_) => {
                "Drift and skew in the charts are measured from row 1. Where row 1 itself lies is only measured on the \
                 finished quilt, under “Edges and margins”."
            }
        }
        .to_owned(),
    );
    let last_mm = report
        .rows
        .last()
        .map_or(0.0, |r| f64::from(r.row - 1) * plan.spacing_mm);
    let common_mm = last_mm * BAR_MISREAD_MM / BAR_MM;
    if !is_nothing(common_mm, unit) {
        said.push(format!(
            "All photos share the ruler's reading of the cards' check bar. Read {} wrong, it moves the last row by \
             {}, which is not in the intervals.",
            length(BAR_MISREAD_MM, crate::units::LengthUnit::Millimetre),
            length(common_mm, unit),
        ));
    }
    said.push(
        "Missed parts are reported only where the line is plain on both sides, so some are not: look along the rows \
         yourself."
            .to_owned(),
    );
    said.push(match report.off_frame {
        None => {
            "The quilt was measured stretched on the frame; off the frame, quilting and washing shrink it by an amount \
             that is not known here."
        }
        Some(_) => {
            "Places on the finished quilt are those seen from straight above: what its hills and hollows shorten, some \
             ten-thousandths, is left out."
        }
    }
    .to_owned());
    said
}

/// How well two measurements of the same gap agree, when there are any.
pub(super) fn agreement(report: &QuiltReport) -> Option<String> {
    let unit = report.plan.unit;
    let most = report.seen_again.iter().max_by(|a, b| {
        let size = |s: &super::SeenAgain| s.difference_mm.value.abs();
        size(a).total_cmp(&size(b))
    })?;
    let holds = report
        .seen_again
        .iter()
        .filter(|s| s.difference_mm.value.abs() <= crate::verdict::words::K_95 * s.difference_mm.u)
        .count();
    let times = match report.seen_again.len() {
        1 => "One gap was".to_owned(),
        n => format!("{n} gaps were"),
    };
    Some(format!(
        "{times} seen again in a later photo: in the middle the two measurements differ by {} at most (gap {} to \
         {}, ± {}), and {holds} of {} by no more than their intervals allow.",
        length(most.difference_mm.value.abs(), unit),
        most.from_row,
        most.to_row,
        interval(most.difference_mm.u, unit),
        report.seen_again.len(),
    ))
}

//! A finished quilt on the terminal.

use super::{Style, plain, wrap};
use crate::finished::{FinishedRecord, PlannedMargins, edges_in_words, shrinkage};
use crate::gap::places;
use crate::plan::Plan;
use crate::record::{GapRecord, RowRecord};
use crate::units::LengthUnit;
use crate::verdict::words::{interval, number, signed, unit_name};

/// The judgement, a table of all rows, and what did not fit.
pub fn finished(record: &FinishedRecord, plan: &Plan, style: Style) -> String {
    let width = style.width.max(40);
    let mut text = wrap(&record.judgement, "", width);
    text += "\n";
    text += &table(record, plan);
    text += "\n";
    let unit = unit_name(plan.unit);
    let unit_in_words = match plan.unit {
        LengthUnit::Inch => "inches",
        LengthUnit::Millimetre => "millimetres",
    };
    text += &wrap(
        &format!(
            "Lengths in {unit_in_words}. Gap: to the row above, at the left, in the middle and at the right, ± the \
             widest 95 % interval of the three. Drift: how far the row's middle lies too low (+) or too high (-), \
             counted from row 1, for a quilt that has shrunk as this one. Skew and shift: against row 1; + the right \
             end lies lower, + the design lies to the right."
        ),
        "  ",
        width,
    );
    text += &wrap(
        &shrinkage(&record.shrinkage, plan.spacing_mm, plan.unit),
        "  ",
        width,
    );
    let margins = PlannedMargins::new(
        plan.length_mm,
        plan.first_row_mm,
        plan.rows,
        plan.spacing_mm,
    );
    for sentence in edges_in_words(record, margins, plan.unit) {
        text += &wrap(&sentence, "  ", width);
    }
    for row in record.rows.iter().filter(|r| !r.missed.is_empty()) {
        let parts: Vec<String> = row
            .missed
            .iter()
            .map(|m| {
                format!(
                    "{} to {}",
                    signed(m.from_mm, plan.unit),
                    signed(m.to_mm, plan.unit)
                )
            })
            .collect();
        let said = format!(
            "Row {} is not stitched from {} {unit} of the middle.",
            row.row,
            parts.join(", from ")
        );
        text += &wrap(&said, "  ", width);
    }
    for note in &record.notes {
        text += &wrap(note, "- ", width);
    }
    for photo in &record.not_used {
        text += &wrap(&format!("{}; {}.", photo.why, photo.remedy), "- ", width);
    }
    text
}

fn table(record: &FinishedRecord, plan: &Plan) -> String {
    let unit = plan.unit;
    let lines: Vec<Vec<String>> = record
        .rows
        .iter()
        .map(|row: &RowRecord| {
            let gap = record
                .gaps
                .iter()
                .find(|g: &&GapRecord| g.to_row == row.row);
            let dash = || "-".to_owned();
            let mut cells = vec![row.row.to_string()];
            match gap.and_then(places) {
                Some(at) => {
                    cells.extend(at.map(|s| number(s.value, unit)));
                    let widest = at.iter().map(|s| s.u).fold(0.0, f64::max);
                    cells.push(interval(widest, unit));
                }
                None => cells.extend([dash(), dash(), dash(), dash()]),
            }
            let drift = record.drift_as_shrunk.iter().find(|d| d.row == row.row);
            match drift.filter(|d| d.row > 1) {
                Some(d) => cells.extend([
                    signed(d.centre.value, unit),
                    interval(d.centre.u, unit),
                    format!("{:+.2}", row.slope_mm_per_m.value / 10.0 + 0.0),
                ]),
                None => cells.extend([dash(), dash(), dash()]),
            }
            cells.push(signed(row.bow_mm.value, unit));
            cells.push(if row.row > 1 {
                signed(row.shift_mm.value, unit)
            } else {
                dash()
            });
            cells
        })
        .collect();
    plain(
        &[
            "Row", "gap left", "centre", "right", "±", "drift", "±", "skew %", "bow", "shift",
        ],
        &lines,
    )
}

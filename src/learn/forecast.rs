//! Where the rows to come will fall, and what would make the last one come out even.

use super::correction::{Limits, Weights, correct, gains};
use super::state::{Mode, QuiltState, places_of, to_modes};
use crate::plan::Plan;
use crate::units::Uncertain;

/// Where a row will fall below the quilt's first edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowAhead {
    /// The row.
    pub row: u32,
    /// At left, centre, right when the trims are rolled as advised, mm.
    pub corrected_mm: [Uncertain; 3],
    /// At left, centre, right when every advance goes as so far, without trims, mm.
    pub untouched_mm: [Uncertain; 3],
}

/// What lies ahead of the newest row.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// The newest row.
    pub row: u32,
    /// The rows to come, in order.
    pub rows: Vec<RowAhead>,
    /// From the last row's design to the quilt's last edge when the trims are rolled as advised, mm.
    pub free_bottom_mm: Uncertain,
    /// The same without trims, mm.
    pub free_bottom_untouched_mm: Uncertain,
    /// From the quilt's first edge to row 1's design, mm.
    pub free_top_mm: f64,
    /// Rows that fit in all, at the planned spacing from where the newest row lies.
    pub rows_that_fit: u32,
    /// Change of every gap left that makes the bottom as wide as the top, mm; `None` with no gap left.
    pub even_change_mm: Option<f64>,
    /// Share of the design's height that would still fit below the last full row, 0…1.
    pub partial_row: f64,
}

/// Looks ahead from the state at `row`.
pub fn forecast(
    plan: &Plan,
    design_height_mm: f64,
    state: &QuiltState,
    row: u32,
    limits: Limits,
    step_mm: f64,
) -> Forecast {
    let left = plan.rows.saturating_sub(row);
    let weights = Weights::default();
    let correction = correct(state, left, weights, limits, step_mm);
    let gains = gains(left, weights);
    let drift_now = state.drift_mm();
    let on = |row: u32, drift: [Uncertain; 3]| {
        drift.map(|d| Uncertain {
            value: plan.baseline_mm(row) + d.value,
            u: d.u,
        })
    };
    let mut untouched = state.modes;
    // Expected drift with the trims, and the variance that steering leaves of what is still to come.
    let mut steered = state.modes.map(|mode| (mode.drift_mm, 0.0));
    let mut rows = Vec::new();
    for (i, trim) in correction.trims_mm.iter().enumerate() {
        let to = row + 1 + i as u32;
        untouched = untouched.map(|mode| mode.advanced(0.0));
        let trims = to_modes(*trim);
        for (mode, (now, steered)) in state.modes.iter().zip(&mut steered).enumerate() {
            let (now, (drift, variance)) = (now, steered);
            // No roller steers the sag.
            let kept = if mode < 2 { 1.0 - gains[i] } else { 1.0 };
            *drift += trims[mode] + now.bias_mm;
            // The bias is known better with every row: what it adds is counted with the first.
            let of_bias = if i == 0 { now.bias_variance } else { 0.0 };
            *variance = kept * kept * *variance + now.scatter_mm * now.scatter_mm + of_bias;
        }
        let corrected = places_of([0, 1, 2].map(|m| Uncertain {
            value: steered[m].0,
            u: (steered[m].1 + state.modes[m].drift_variance).sqrt(),
        }));
        rows.push(RowAhead {
            row: to,
            corrected_mm: on(to, corrected),
            untouched_mm: on(to, places_of([0, 1, 2].map(|m| Mode::drift(&untouched[m])))),
        });
    }
    let half = design_height_mm / 2.0;
    let below = |centre: Uncertain| Uncertain {
        value: plan.length_mm - half - centre.value,
        u: centre.u,
    };
    let now_mm = plan.baseline_mm(row) + drift_now[1].value;
    let here = Uncertain {
        value: now_mm,
        u: drift_now[1].u,
    };
    let last = rows.last();
    let more = ((plan.length_mm - half - now_mm) / plan.spacing_mm + 1e-9).floor();
    let rows_that_fit = row + more.max(0.0) as u32;
    let last_full_mm = now_mm + f64::from(rows_that_fit - row) * plan.spacing_mm;
    let next_top_mm = last_full_mm + plan.spacing_mm - half;
    let even_mm = plan.length_mm - plan.first_row_mm;
    Forecast {
        row,
        free_bottom_mm: below(last.map_or(here, |r| r.corrected_mm[1])),
        free_bottom_untouched_mm: below(last.map_or(here, |r| r.untouched_mm[1])),
        free_top_mm: plan.first_row_mm - half,
        rows_that_fit,
        even_change_mm: (left > 0).then(|| (even_mm - now_mm) / f64::from(left) - plan.spacing_mm),
        partial_row: ((plan.length_mm - next_top_mm) / design_height_mm).clamp(0.0, 1.0),
        rows,
    }
}

//! Where the rows to come will fall, and what would make the last one come out even.

use super::correction::{Gain, Limits, Weights, correct, gains};
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
    /// Rows that fit in all, at the planned spacing from where the newest row lies; fewer than there are when that one
    /// lies past the edge.
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
    let mut steered = state.modes.map(|mode| Steered::new(&mode));
    let mut rows = Vec::new();
    for (i, trim) in correction.trims_mm.iter().enumerate() {
        let to = row + 1 + i as u32;
        untouched = untouched.map(|mode| mode.advanced(0.0));
        let trims = to_modes(*trim);
        for (mode, (now, steered)) in state.modes.iter().zip(&mut steered).enumerate() {
            // No roller steers the sag.
            let gain = if mode < 2 { Some(gains[i]) } else { None };
            // The bias is known better with every row: what it adds is counted with the first.
            let of_bias = if i == 0 { now.bias_variance } else { 0.0 };
            steered.advance(now, trims[mode], gain, state.u_mm[mode], of_bias);
        }
        let corrected = places_of(steered.each_ref().map(Steered::drift));
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
    // The newest rows may lie past the edge themselves.
    let rows_that_fit = (f64::from(row) + more).max(0.0) as u32;
    let next_top_mm = now_mm + (more + 1.0) * plan.spacing_mm - half;
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

/// A mode to come, steered: its expected drift, the variances of what will be known of the drift and be meant
/// with the newest gap, and what no photo will tell, mm².
struct Steered {
    drift_mm: f64,
    of_drift: f64,
    of_meant: f64,
    covariance: f64,
    untold: f64,
}

impl Steered {
    fn new(now: &Mode) -> Steered {
        Steered {
            drift_mm: now.drift_mm,
            of_drift: 0.0,
            of_meant: 0.0,
            covariance: 0.0,
            untold: now.drift_variance,
        }
    }

    /// One more advance; without a gain nothing is steered.
    fn advance(&mut self, mode: &Mode, trim_mm: f64, gain: Option<Gain>, u_mm: f64, of_bias: f64) {
        self.drift_mm += trim_mm + mode.bias_mm;
        let [scatter, u] = [mode.scatter_mm, u_mm].map(|mm| mm * mm);
        // Of every gap to come the photo tells all but this much, which adds up.
        let untold = scatter * u / (scatter + u).max(1e-12);
        self.untold += untold;
        // g' = m = meant·g − drift·d, then d' = d + m + what the photo tells.
        let Gain { meant, drift } = gain.unwrap_or_default();
        let kept = 1.0 - drift;
        let (dd, gg, dg) = (self.of_drift, self.of_meant, self.covariance);
        self.of_meant = meant * meant * gg - 2.0 * meant * drift * dg + drift * drift * dd;
        self.covariance = meant * meant * gg + meant * (kept - drift) * dg - drift * kept * dd;
        self.of_drift = meant * meant * gg + 2.0 * meant * kept * dg + kept * kept * dd + scatter
            - untold
            + of_bias;
    }

    fn drift(&self) -> Uncertain {
        Uncertain {
            value: self.drift_mm,
            u: (self.of_drift + self.untold).sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::learn::correction::step_mm;
    use crate::learn::state::{self, Prior, to_places};
    use crate::plan::Tolerance;
    use crate::rehearse::advances::{Policy, Quilter, mode_u, play};
    use crate::rehearse::{Advance, Seeded};
    use crate::units::LengthUnit;
    use crate::verdict::{limits, unseen_mm};

    fn plan() -> Plan {
        Plan {
            unit: LengthUnit::Millimetre,
            width_mm: 2000.0,
            length_mm: 2200.0,
            design_file: "waves.svg".into(),
            repeat_mm: 250.0,
            spacing_mm: 150.0,
            stagger: 0.5,
            rows: 14,
            first_row_mm: 100.0,
            card_bar_mm: 150.0,
            tolerance: Tolerance::default(),
            roll: Default::default(),
            earlier: Vec::new(),
        }
    }

    fn on_plan(drift: f64) -> QuiltState {
        let zero = Uncertain {
            value: drift,
            u: 0.0,
        };
        QuiltState::unknown(&Prior::default(), 1000.0).with_drift([zero; 3], 0.0)
    }

    /// By hand: rows 150 mm apart from 100 mm, design 100 mm high, quilt 2200 mm long. From row 4, which
    /// should lie at 550 mm and lies at 560 mm, 10 more rows go on to 2060 mm, 90 mm above the edge.
    #[test]
    fn rows_that_fit_and_the_even_ending_are_as_reckoned_by_hand() {
        let looked = forecast(
            &plan(),
            100.0,
            &on_plan(10.0),
            4,
            limits(&plan(), 1000.0, 3.0),
            0.5,
        );
        assert_eq!(looked.rows_that_fit, 14);
        assert_eq!(looked.free_top_mm, 50.0);
        // 2100 − 560 over 10 gaps is 154 mm.
        assert!((looked.even_change_mm.unwrap() - 4.0).abs() < 1e-9);
        assert!((looked.free_bottom_untouched_mm.value - 90.0).abs() < 1e-9);
        // Row 15 would begin at 2060 + 150 − 50 = 2160 mm: 40 of its 100 mm fit.
        assert!((looked.partial_row - 0.4).abs() < 1e-9);
        let at_the_end = forecast(
            &plan(),
            100.0,
            &on_plan(0.0),
            14,
            limits(&plan(), 1000.0, 3.0),
            0.5,
        );
        assert!(at_the_end.rows.is_empty() && at_the_end.even_change_mm.is_none());
    }

    /// The last row of played quilts, seen from row 6, for a quilter who takes the advice and one who does
    /// not. Biases are drawn from the spreads that the filter believes in.
    #[test]
    fn intervals_of_the_last_row_hold_the_truth_in_about_95_of_100() {
        let plan = plan();
        let from = 6;
        for (policy, corrected) in [
            (Policy::Advice { squares: false }, true),
            (Policy::Never, false),
        ] {
            let (runs, mut held) = (1200, 0);
            for seed in 0..runs {
                let mut random = Seeded::new(seed);
                let spread = match random.unit() {
                    x if x < 0.6 => 0.1,
                    x if x < 0.85 => 0.8,
                    _ => 3.0,
                };
                let advance = Advance {
                    bias_mm: spread * random.normal(),
                    right_minus_left_mm: 1.2 * spread * random.normal(),
                    scatter_mm: 1.0,
                    side_scatter_mm: 1.2,
                    bow_scatter_mm: 0.3,
                    shift_scatter_mm: 0.0,
                };
                let quilter = Quilter {
                    advance,
                    growth_mm: 0.0,
                    change: None,
                    measurement_u_mm: 0.3,
                    step_mm: None,
                    may_show: false,
                    policy,
                };
                let rows = play(&plan, &quilter, 1000 + seed);
                let u = mode_u(&quilter);
                let advances: Vec<state::Advance> = rows[1..from]
                    .iter()
                    .map(|r| state::Advance {
                        to_row: r.row,
                        deviation_mm: Some(to_places(r.measured)),
                        u_mm: u,
                        trim_mm: r.trim,
                        squared: false,
                    })
                    .collect();
                let state = QuiltState::after(&advances, &Prior::default(), 1000.0);
                let limits = limits(&plan, 1000.0, unseen_mm(&plan, u[0].hypot(u[1])));
                let looked = forecast(
                    &plan,
                    100.0,
                    &state,
                    from as u32,
                    limits,
                    step_mm(plan.unit),
                );
                let last = looked.rows.last().unwrap();
                let [_, centre, _] = if corrected {
                    last.corrected_mm
                } else {
                    last.untouched_mm
                };
                let truth = plan.baseline_mm(14) + to_places(rows[13].drift)[1];
                held += u32::from((truth - centre.value).abs() <= 1.96 * centre.u);
            }
            let share = f64::from(held) / runs as f64;
            // Four standard errors of 1200 runs are 2.5 points; on the safe side is allowed.
            assert!((0.925..=0.99).contains(&share), "{policy:?}: {share}");
        }
    }
}

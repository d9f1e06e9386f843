//! A whole quilt's advances in numbers alone, fast enough to play thousands: a quilter with habits of his
//! own, measurements that are uncertain, and advice that is taken or not.

use super::Advance;
use super::seeded::Seeded;
use crate::learn::correction::{Correction, Limits, Weights, correct, step_mm};
use crate::learn::resquare::{ReSquare, re_square};
use crate::learn::state::{self, Belief, Prior, QuiltState, Sides, to_modes, to_places};
use crate::plan::Plan;
use crate::verdict::{limits, unseen_mm};

/// What the quilter does about the measurements.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Policy {
    /// Nothing, ever.
    Never,
    /// Takes back the whole of every gap's deviation from the next advance on (Deming's rule 2).
    EachTime,
    /// What the verdict advises; whether to set square when it says so.
    Advice {
        /// Sets the quilt square when advised to.
        squares: bool,
    },
    /// The same control with scatter, measurement and spread of biases known exactly, and trims of any
    /// size to any fraction: the optimum for these weights, a yardstick.
    Optimum {
        /// Standard deviation of the bias of middle and lean from quilt to quilt, mm.
        bias_sd_mm: [f64; 2],
    },
}

/// A quilter at the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quilter {
    /// How the advances go.
    pub advance: Advance,
    /// How much more every advance goes than the one before, as a roller that is always turned alike
    /// does when the roll grows, mm a row.
    pub growth_mm: f64,
    /// From this row on the advances go otherwise.
    pub change: Option<(u32, Advance)>,
    /// Standard uncertainty of a measured gap in the middle, mm.
    pub measurement_u_mm: f64,
    /// The least step a trim is rolled in, mm; that of the plan's unit when left out, 0 for any.
    pub step_mm: Option<f64>,
    /// What is done about it.
    pub policy: Policy,
}

/// Uncertainty of lean and sag in that of the middle: of the practice photos' results, skew 0.24 mm/m over
/// half of 84 in against 0.34 mm.
const LEAN_U: f64 = 0.75;

/// One row as it was played; modes and places in mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlayedRow {
    /// Its number.
    pub row: u32,
    /// The gap above it against the plan: middle, lean, sag. 0 for row 1.
    pub gap: Sides,
    /// The same as measured.
    pub measured: Sides,
    /// The trim rolled for it at left, centre, right.
    pub trim: Sides,
    /// The trim advised for it at left, centre, right.
    pub advised: Sides,
    /// Its drift: middle, lean, sag.
    pub drift: Sides,
    /// The bias of its advance: middle and lean.
    pub bias: [f64; 2],
    /// Advice to set the quilt square, given at this row.
    pub re_square: Option<ReSquare>,
}

const UNBOUNDED: Limits = Limits {
    lean_mm: f64::INFINITY,
    drift_mm: f64::INFINITY,
    unseen_mm: f64::INFINITY,
};

/// The measurement's uncertainty of each mode.
pub fn mode_u(quilter: &Quilter) -> Sides {
    let u = quilter.measurement_u_mm;
    [u, LEAN_U * u, LEAN_U * u]
}

/// Plays all rows of the plan's quilt.
pub fn play(plan: &Plan, quilter: &Quilter, seed: u64) -> Vec<PlayedRow> {
    let mut random = Seeded::new(seed);
    let half_width_mm = plan.width_mm / 2.0;
    let u = mode_u(quilter);
    let limits = limits(plan, half_width_mm, unseen_mm(plan, u[0].hypot(u[1])));
    let mut rows = vec![PlayedRow {
        row: 1,
        gap: [0.0; 3],
        measured: [0.0; 3],
        trim: [0.0; 3],
        advised: [0.0; 3],
        drift: [0.0; 3],
        bias: [0.0; 2],
        re_square: None,
    }];
    let mut advances: Vec<state::Advance> = Vec::new();
    let (mut trim, mut advised) = ([0.0; 3], [0.0; 3]);
    // Since the quilt was last set square; the lean before it is gone.
    let mut squared_lean = 0.0;
    let belief = Prior::default();
    for row in 2..=plan.rows {
        let goes = match quilter.change {
            Some((from, changed)) if row >= from => changed,
            _ => quilter.advance,
        };
        let bias = [
            goes.bias_mm + quilter.growth_mm * f64::from(row - 2),
            goes.right_minus_left_mm / 2.0,
        ];
        let own = [
            bias[0] + goes.scatter_mm * random.normal(),
            bias[1] + goes.side_scatter_mm / 2.0 * random.normal(),
            goes.bow_scatter_mm * random.normal(),
        ];
        let rolled = to_modes(trim);
        let last = rows.last().map_or([0.0; 3], |r: &PlayedRow| r.drift);
        let squared = std::mem::take(&mut squared_lean);
        let gap = [own[0] + rolled[0], own[1] + rolled[1] - squared, own[2]];
        let measured = [0, 1, 2].map(|i| gap[i] + u[i] * random.normal());
        let mut played = PlayedRow {
            row,
            gap,
            measured,
            trim,
            advised,
            drift: [0, 1, 2].map(|i| last[i] + gap[i]),
            bias,
            re_square: None,
        };
        advances.push(state::Advance {
            to_row: row,
            deviation_mm: Some(to_places(measured)),
            u_mm: u,
            // Setting square is a turn like any other, known and meant.
            trim_mm: {
                let [l, c, r] = advised;
                [l + squared, c, r - squared]
            },
        });
        let left = plan.rows - row;
        let (state, correction) = match quilter.policy {
            Policy::Optimum { bias_sd_mm } => {
                let goes = &quilter.advance;
                let prior = Prior([
                    Belief::known(bias_sd_mm[0], goes.scatter_mm),
                    Belief::known(bias_sd_mm[1], goes.side_scatter_mm / 2.0),
                    Belief::known(0.0, goes.bow_scatter_mm),
                ]);
                let state = QuiltState::known(&advances, &prior, half_width_mm);
                (
                    state,
                    correct(&state, left, Weights::default(), UNBOUNDED, 0.0),
                )
            }
            _ => {
                let state = QuiltState::after(&advances, &belief, half_width_mm);
                let step = quilter.step_mm.unwrap_or(step_mm(plan.unit));
                let correction = correct(&state, left, Weights::default(), limits, step);
                (state, correction)
            }
        };
        advised = correction.next_mm();
        played.re_square = re_square(&state, &correction, left, limits);
        match quilter.policy {
            Policy::Never => trim = [0.0; 3],
            Policy::EachTime => {
                let [m, h, _] = measured;
                let now = to_modes(trim);
                trim = to_places([now[0] - m, now[1] - h, 0.0]);
            }
            Policy::Advice { squares } => {
                if squares && played.re_square.is_some() && left > 0 {
                    squared_lean = state.modes[1].drift_mm;
                    advised = after_squaring(&state, left, limits, plan);
                }
                trim = advised;
            }
            Policy::Optimum { .. } => trim = advised,
        }
        rows.push(played);
    }
    rows
}

/// The trim once the lean has been set square.
fn after_squaring(state: &QuiltState, left: u32, limits: Limits, plan: &Plan) -> Sides {
    let mut square = *state;
    square.modes[1].drift_mm = 0.0;
    let Correction { trims_mm, .. } = correct(
        &square,
        left,
        Weights::default(),
        limits,
        step_mm(plan.unit),
    );
    trims_mm.first().copied().unwrap_or_default()
}

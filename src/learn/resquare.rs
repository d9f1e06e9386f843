//! When trims are not enough, so that the quilt has to be set square on the bars again.

use super::correction::{Correction, Limits};
use super::state::{Mode, QuiltState, Sides, to_modes};
use crate::units::Uncertain;
use crate::verdict::conformity::conformance_probability;

/// Why a quilt has to be set square.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReSquare {
    /// It leans by more than its tolerance, and one advance cannot take that out without showing.
    Crooked,
    /// Its lean is on the way out of the tolerance within two rows.
    Leaving,
    /// The rows left are too few to bring it back without showing.
    TooLate,
}

/// How many rows ahead a lean is looked at.
const ROWS_AHEAD: usize = 2;

/// One gap is no trend, however well earlier quilts say what to make of it: from so many on the lean is looked at
/// ahead. With one, `examples/closed_loop.rs` sets square for nothing on a quilt that goes otherwise than the earlier ones.
const GAPS_OF_A_TREND: usize = 2;

/// A reason has to be at least so likely. Chosen in simulation (`examples/closed_loop.rs`): with more, a lean that
/// is measured poorly is missed too often; with less, more than 3 of 100 quilts are set square for nothing.
const LIKELY: f64 = 0.8;

/// Whether a value lies beyond ± `limit`, likely enough.
fn beyond(value: Uncertain, limit: f64) -> bool {
    value.value.abs() > limit && conformance_probability(value, -limit, limit) <= 1.0 - LIKELY
}

/// Whether the quilt has to be set square, and why; four to one at least that it is so.
///
/// What lies ahead is judged with the trims that were worked out; without them when the quilter does not
/// roll them. `None` with no advance left.
pub fn re_square(
    state: &QuiltState,
    correction: &Correction,
    advances_left: u32,
    limits: Limits,
) -> Option<ReSquare> {
    if advances_left == 0 {
        return None;
    }
    let [middle, lean, _] = state.modes;
    if beyond(lean.drift(), limits.lean_mm) && lean.drift_mm.abs() > limits.unseen_mm {
        return Some(ReSquare::Crooked);
    }
    let ahead = ROWS_AHEAD.min(advances_left as usize);
    let trims: Vec<Sides> = match state.followed {
        true => correction.trims_mm.iter().take(ahead).copied().collect(),
        false => vec![[0.0; 3]; ahead],
    };
    let two_rows_on = trims
        .iter()
        .fold(lean, |mode, trim| mode.advanced(to_modes(*trim)[1]));
    if state.measured >= GAPS_OF_A_TREND && beyond(two_rows_on.drift(), limits.lean_mm) {
        return Some(ReSquare::Leaving);
    }
    // Of the middle, only what even the largest unseen changes of all gaps left cannot bring back.
    let most = f64::from(advances_left) * limits.unseen_mm;
    let left_over = |mode: &Mode| Uncertain {
        value: (mode.drift_mm.abs() - most).max(0.0),
        u: mode.drift_variance.sqrt(),
    };
    (beyond(left_over(&middle), limits.drift_mm) || beyond(left_over(&lean), limits.lean_mm))
        .then_some(ReSquare::TooLate)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        lean_mm: 3.0,
        drift_mm: 9.0,
        unseen_mm: 2.6,
    };

    fn state(middle: f64, lean: f64, lean_bias: f64, followed: bool) -> QuiltState {
        let mode = |drift_mm, bias_mm| Mode {
            drift_mm,
            bias_mm,
            drift_variance: 0.1,
            scatter_mm: 0.4,
            ..Mode::default()
        };
        QuiltState {
            modes: [mode(middle, 0.0), mode(lean, lean_bias), mode(0.0, 0.0)],
            meant_mm: [0.0, lean_bias],
            half_width_mm: 1000.0,
            followed,
            measured: 6,
            u_mm: [0.0; 3],
        }
    }

    fn decided(state: QuiltState, advances_left: u32) -> Option<ReSquare> {
        let correction = super::super::correction::correct(
            &state,
            advances_left,
            Default::default(),
            LIMITS,
            0.0,
        );
        re_square(&state, &correction, advances_left, LIMITS)
    }

    #[test]
    fn each_reason_is_given_when_it_applies_and_none_when_trims_are_enough() {
        assert_eq!(decided(state(0.0, 0.0, 0.0, true), 6), None);
        assert_eq!(
            decided(state(0.0, 4.5, 0.0, true), 6),
            Some(ReSquare::Crooked)
        );
        // 2 mm and 1.5 mm more each row: 5 mm in two rows, unless it is trimmed away.
        assert_eq!(
            decided(state(0.0, 2.0, 1.5, false), 6),
            Some(ReSquare::Leaving)
        );
        assert_eq!(decided(state(0.0, 2.0, 1.5, true), 6), None);
        let after_one_gap = QuiltState {
            measured: 1,
            ..state(0.0, 2.0, 1.5, false)
        };
        assert_eq!(decided(after_one_gap, 6), None);
        // 20 mm, of which two rows can hide 5.2 mm; six rows hide 15.6 mm, which leaves 4.4 mm.
        assert_eq!(
            decided(state(20.0, 0.0, 0.0, true), 2),
            Some(ReSquare::TooLate)
        );
        assert_eq!(decided(state(20.0, 0.0, 0.0, true), 6), None);
        assert_eq!(decided(state(20.0, 9.0, 0.0, true), 0), None);
    }
}

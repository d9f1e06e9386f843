//! The next advances' trims: drift and lean back to the plan with the least visible change of any gap.
//!
//! The eye compares a gap with its neighbour. Chance is in every gap and past mending; what steering adds to
//! the change from one gap to the next is the change of the trim. For the middle and for the lean, with d the
//! drift, g what the newest gap was meant to be (bias and trim), m what the next one is meant to be, and n
//! advances left:
//!
//! ```text
//! d' = d + m    g' = m      minimise  Σ (m − g)² + q Σ d'² + f dₙ²
//! V(d, g) = A d² + 2 B d g + C g², 0 after the last row;   w = f for the last advance, else q
//! c = w + A + B             H = 1 + w + A + 2 B + C
//! m = (g − c d)/H           A' = w + A − c²/H      B' = c/H      C' = 1 − 1/H
//! ```
//!
//! (linear-quadratic control by the Riccati recursion; B. D. O. Anderson and J. B. Moore, Optimal
//! Control: Linear Quadratic Methods, 1990, chapter 2). The trim is m − b with the bias b. The estimates of the
//! filter stand for d and b; as no trim makes a measurement better or worse, that is the optimum even while
//! bias and scatter are being learned (Y. Bar-Shalom and E. Tse, IEEE Trans. Automatic Control 19, 1974).
//!
//! A gap may differ from the plan by no more than what shows, and a trim is a whole number of the least
//! steps that a person can roll to: what is less than half a step is left alone, and stays in the drift.

use super::state::{QuiltState, Sides, to_places};
use crate::units::{INCH, LengthUnit};

/// What a correction weighs, against the change of what is meant from one gap to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// Weight q of a row's drift.
    pub drift: f64,
    /// Weight f of the last row's drift.
    pub end: f64,
}

impl Default for Weights {
    /// Found by reckoning exactly, without chance, what they come to for 36 kinds of quilters
    /// (`tests/reference/learn/steering.py`): last row and lean within a third of what no correction leaves
    /// wherever the measurement allows it, and of the weights that do so, those with the evenest gaps.
    fn default() -> Self {
        Weights {
            drift: 0.01,
            end: 2.0,
        }
    }
}

/// The next gap is meant to differ from the plan by `meant` times what the newest one was meant to, less `drift`
/// times the drift.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Gain {
    /// On what the newest gap was meant to be.
    pub meant: f64,
    /// On the drift.
    pub drift: f64,
}

/// Gains for the next advance, the one after it, and so on to the last.
pub fn gains(advances_left: u32, weights: Weights) -> Vec<Gain> {
    let (mut a, mut b, mut c) = (0.0, 0.0, 0.0);
    let mut gains: Vec<Gain> = (0..advances_left)
        .map(|after| {
            let w = if after == 0 {
                weights.end
            } else {
                weights.drift
            };
            let h = 1.0 + w + a + 2.0 * b + c;
            let to_drift = w + a + b;
            a += w - to_drift * to_drift / h;
            b = to_drift / h;
            c = 1.0 - 1.0 / h;
            Gain {
                meant: 1.0 / h,
                drift: to_drift / h,
            }
        })
        .collect();
    gains.reverse();
    gains
}

/// The least step a trim is made in, mm: 1/32 in, or 0.5 mm (common practice, no source).
pub fn step_mm(unit: LengthUnit) -> f64 {
    match unit {
        LengthUnit::Inch => INCH.0 / 32.0,
        LengthUnit::Millimetre => 0.5,
    }
}

/// How far a quilt may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Half of the most that the right end may lie further down than the left, mm.
    pub lean_mm: f64,
    /// The most that a row may lie off its planned place, mm.
    pub drift_mm: f64,
    /// The most that a gap may differ from the plan without showing, mm.
    pub unseen_mm: f64,
}

/// Trims for all advances left.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Trim at left, centre, right of the next advance and of those after it, mm; as they will be if
    /// nothing unforeseen happens.
    pub trims_mm: Vec<Sides>,
    /// Greatest drift at an end that is expected to be left at the last row, mm.
    pub remains_mm: f64,
}

impl Correction {
    /// Trim of the next advance at left, centre, right, mm.
    pub fn next_mm(&self) -> Sides {
        self.trims_mm.first().copied().unwrap_or_default()
    }

    /// How many advances take the same trim at the left, and at the right, the next one included; 0
    /// where the next one takes none.
    pub fn run(&self, side: usize) -> usize {
        let first = self.next_mm()[side];
        if first == 0.0 {
            return 0;
        }
        self.trims_mm
            .iter()
            .take_while(|t| (t[side] - first).abs() < 1e-9)
            .count()
    }
}

/// The trims that the state asks for, rounded to whole steps; a `step_mm` of 0 rounds nothing.
pub fn correct(
    state: &QuiltState,
    advances_left: u32,
    weights: Weights,
    limits: Limits,
    step_mm: f64,
) -> Correction {
    let unseen_mm = limits.unseen_mm;
    let [middle, lean, _] = state.modes;
    let (mut d, mut h) = (middle.drift_mm, lean.drift_mm);
    let [mut gap, mut tilt] = state.meant_mm;
    let trims_mm = gains(advances_left, weights)
        .into_iter()
        .map(|gain| {
            let (mut m, mut n) = (
                gain.meant * gap - gain.drift * d,
                gain.meant * tilt - gain.drift * h,
            );
            // Both ends of the gap have to stay below what shows.
            let most = m.abs() + n.abs();
            if most > unseen_mm {
                (m, n) = (m * unseen_mm / most, n * unseen_mm / most);
            }
            let (trim, turn) = (m - middle.bias_mm, n - lean.bias_mm);
            let outside = d.abs() > limits.drift_mm || h.abs() > limits.lean_mm;
            let least = if outside { QUARTER } else { HALF };
            let [left, right] =
                [trim - turn, trim + turn].map(|mm| whole_steps(mm, step_mm, least));
            let [trim, turn] = [f64::midpoint(left, right), (right - left) / 2.0];
            (gap, tilt) = (trim + middle.bias_mm, turn + lean.bias_mm);
            (d, h) = (d + gap, h + tilt);
            to_places([trim, turn, 0.0])
        })
        .collect();
    Correction {
        trims_mm,
        remains_mm: d.abs() + h.abs(),
    }
}

/// Less than this share of a step is left alone; when the quilt is outside of its limits, less than a quarter.
const HALF: f64 = 0.5;
const QUARTER: f64 = 0.25;

fn whole_steps(mm: f64, step_mm: f64, least: f64) -> f64 {
    if step_mm <= 0.0 {
        return mm;
    }
    let steps = mm / step_mm;
    let whole = match steps.abs() {
        share if share < least => 0.0,
        share => share.round().max(1.0).copysign(steps),
    };
    // Adding zero turns -0.0 into 0.0.
    whole * step_mm + 0.0
}

#[cfg(test)]
mod tests {
    use super::super::state::Mode;
    use super::super::statistics::tests::{close, computed, numbers};
    use super::*;

    fn wide(unseen_mm: f64) -> Limits {
        Limits {
            lean_mm: 3.0,
            drift_mm: 9.0,
            unseen_mm,
        }
    }

    fn at(middle: f64, lean: f64, bias: [f64; 2]) -> QuiltState {
        let mode = |drift_mm, bias_mm| Mode {
            drift_mm,
            bias_mm,
            ..Mode::default()
        };
        QuiltState {
            modes: [mode(middle, bias[0]), mode(lean, bias[1]), mode(0.0, 0.0)],
            meant_mm: bias,
            half_width_mm: 1000.0,
            followed: true,
            measured: 5,
            u_mm: [0.0; 3],
        }
    }

    /// scipy.linalg.solve_discrete_are (make.py): far from the end the gains are the stationary ones.
    #[test]
    fn far_from_the_end_the_gains_are_those_of_scipys_riccati_solution() {
        for case in computed()["riccati"]["stationary"].as_array().unwrap() {
            let weights = Weights {
                drift: case["q"].as_f64().unwrap(),
                end: 2.0,
            };
            let gain = gains(500, weights)[0];
            close(gain.meant, &case["meant"], 1e-9);
            close(gain.drift, &case["drift"], 1e-9);
        }
    }

    /// The same problem solved at once by least squares with numpy (make.py), without a recursion.
    #[test]
    fn the_moves_are_those_of_the_whole_problem_solved_at_once() {
        for case in computed()["riccati"]["finite"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let weights = Weights {
                drift: number("q"),
                end: number("end"),
            };
            let mut state = at(number("drift"), 0.0, [0.0; 2]);
            state.meant_mm[0] = number("meant");
            let rows = number("rows") as u32;
            let correction = correct(&state, rows, weights, wide(1e9), 0.0);
            for (got, expected) in correction.trims_mm.iter().zip(numbers(&case["moves"])) {
                assert!((got[1] - expected).abs() < 1e-9, "{got:?} {expected}");
            }
        }
    }

    /// A bias is not taken back at once, which would be a change from gap to gap as large as itself.
    #[test]
    fn a_bias_is_taken_out_over_several_rows() {
        let state = at(2.0, 0.0, [2.0, 0.0]);
        let correction = correct(&state, 12, Weights::default(), wide(9.0), 0.0);
        let mut last = 0.0;
        for trim in &correction.trims_mm[..4] {
            assert!((0.1..1.1).contains(&(last - trim[1])), "{correction:?}");
            last = trim[1];
        }
        assert!(correction.remains_mm < 0.7, "{correction:?}");
    }

    #[test]
    fn what_is_outside_of_its_limits_is_not_left_alone_for_want_of_half_a_step() {
        let limits = |lean_mm| Limits {
            lean_mm,
            ..wide(3.0)
        };
        let state = at(0.0, 2.0, [0.0; 2]);
        let inside = correct(&state, 5, Weights::default(), limits(3.0), 0.5);
        assert_eq!(inside.next_mm(), [0.0; 3]);
        let outside = correct(&state, 5, Weights::default(), limits(1.5), 0.5);
        assert_eq!(outside.next_mm(), [0.5, 0.0, -0.5]);
    }

    #[test]
    fn no_gap_shows_and_the_bias_is_taken_out_on_top() {
        let weights = Weights::default();
        let correction = correct(&at(20.0, -6.0, [1.0, 0.0]), 4, weights, wide(3.0), 0.0);
        for trim in &correction.trims_mm {
            for end in [trim[0], trim[2]] {
                assert!((end + 1.0).abs() <= 3.0 + 1e-9, "{trim:?}");
            }
        }
        assert!(correction.remains_mm > 10.0);
    }

    #[test]
    fn what_is_less_than_a_step_is_left_alone() {
        let small = correct(
            &at(0.6, 0.2, [0.1, 0.0]),
            8,
            Weights::default(),
            wide(3.0),
            0.5,
        );
        assert_eq!(small.next_mm(), [0.0; 3]);
        let large = correct(
            &at(0.0, 4.0, [0.0; 2]),
            4,
            Weights::default(),
            wide(3.0),
            0.5,
        );
        let [left, centre, right] = large.next_mm();
        assert!(left > 0.0 && right < 0.0 && centre == 0.0, "{large:?}");
        assert!((left / 0.5).fract() == 0.0 && large.run(0) >= 1);
    }
}

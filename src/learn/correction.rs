//! The next advances' trims: drift and lean back to the plan with the least visible change of any gap.
//!
//! For the middle and for the lean, with d the drift, m the gap's expected deviation from the plan and
//! n advances left:
//!
//! ```text
//! d' = d + m        minimise  Σ m² + q Σ d² + f d_n²
//! P₀ = f            K = P/(1 + P)            P' = q + P/(1 + P)            m = −K d
//! ```
//!
//! (linear-quadratic control by the Riccati recursion; B. D. O. Anderson and J. B. Moore, Optimal
//! Control: Linear Quadratic Methods, 1990, chapter 2). By certainty equivalence the estimates of the
//! filter stand for d and the bias b, and the trim is m − b. A gap may differ from the plan by no more
//! than what shows, and a trim is a whole number of the least steps that a person can roll to; what
//! is less than a step is left alone, which is the dead band.

use super::state::{QuiltState, Sides, to_places};
use crate::units::{INCH, LengthUnit};

/// What a correction weighs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// Weight q of a row's drift against a gap's change.
    pub drift: f64,
    /// Weight f of the last row's drift against a gap's change.
    pub end: f64,
}

impl Default for Weights {
    /// Found in simulation (`examples/closed_loop.rs`): the last row's drift a third of what no correction
    /// leaves wherever the measurement allows that, at gaps about 1.15 times as uneven as those of a
    /// quilter without bias who is left alone.
    fn default() -> Self {
        Weights {
            drift: 0.01,
            end: 1.5,
        }
    }
}

/// Gains K for the next advance, the one after it, and so on to the last.
pub fn gains(advances_left: u32, weights: Weights) -> Vec<f64> {
    let mut p = weights.end;
    let mut gains: Vec<f64> = (0..advances_left)
        .map(|_| {
            let gain = p / (1.0 + p);
            p = weights.drift + gain;
            gain
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

/// The trims that the state asks for.
///
/// A `step_mm` of 0 rounds nothing. Less than a whole step is left alone while there is time for it and
/// middle and lean are inside half of their limits; else less than half a step.
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
    let trims_mm = gains(advances_left, weights)
        .into_iter()
        .zip((1..=advances_left).rev())
        .map(|(gain, ahead)| {
            let (mut m, mut n) = (-gain * d, -gain * h);
            // Both ends of the gap have to stay below what shows.
            let most = m.abs() + n.abs();
            if most > unseen_mm {
                (m, n) = (m * unseen_mm / most, n * unseen_mm / most);
            }
            let (trim, turn) = (m - middle.bias_mm, n - lean.bias_mm);
            let calm = d.abs() <= limits.drift_mm / 2.0 && h.abs() <= limits.lean_mm / 2.0;
            let dead_mm = step_mm * if calm && ahead > TIME_LEFT { 1.0 } else { 0.5 };
            let left = whole_steps(trim - turn, step_mm, dead_mm);
            let right = whole_steps(trim + turn, step_mm, dead_mm);
            let [trim, turn] = [f64::midpoint(left, right), (right - left) / 2.0];
            (d, h) = (d + trim + middle.bias_mm, h + turn + lean.bias_mm);
            let [left, centre, right] = to_places([trim, turn, 0.0]);
            [left, centre, right]
        })
        .collect();
    Correction {
        trims_mm,
        remains_mm: d.abs() + h.abs(),
    }
}

/// With more advances left than this there is time to leave a small trim alone.
const TIME_LEFT: u32 = 3;

fn whole_steps(mm: f64, step_mm: f64, dead_mm: f64) -> f64 {
    if step_mm <= 0.0 {
        return mm;
    }
    if mm.abs() < dead_mm {
        return 0.0;
    }
    // Adding zero turns -0.0 into 0.0.
    (mm / step_mm).round() * step_mm + 0.0
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
            half_width_mm: 1000.0,
            followed: true,
            measured: 5,
            u_mm: [0.0; 3],
        }
    }

    /// scipy.linalg.solve_discrete_are (make.py): far from the end the gain is the stationary one.
    #[test]
    fn far_from_the_end_the_gain_is_that_of_scipys_riccati_solution() {
        for case in computed()["riccati"]["stationary"].as_array().unwrap() {
            let weights = Weights {
                drift: case["q"].as_f64().unwrap(),
                end: 2.0,
            };
            close(gains(500, weights)[0], &case["gain"], 1e-9);
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
            let state = at(number("drift"), 0.0, [0.0; 2]);
            let rows = number("rows") as u32;
            let correction = correct(&state, rows, weights, wide(1e9), 0.0);
            for (got, expected) in correction.trims_mm.iter().zip(numbers(&case["moves"])) {
                assert!((got[1] - expected).abs() < 1e-9, "{got:?} {expected}");
            }
        }
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

//! What the stitching does in the same way in every repeat: corners cut, a light that shifts one flank of the line.
//!
//! It is no chance: taken for that, it would be fitted by tilting and bending the quilt. So it is solved for together
//! with them, as far as the repeats agree on it.

use super::trace::{RowTrace, TracePoint};

/// Length of curve over which the habit is one value, samples of a millimetre.
const STEP: usize = 20;
/// Repeats that have to show a part of the curve before it says anything of a habit.
const FEWEST: usize = 4;
/// However well repeats seem to agree with the design, they may all stray by this, mm: on 140 practice photos without any
/// habit 0.3 costs nothing against 0.1 and 0, and faint lines that lean to one flank are measured better.
const LEAST_U_MM: f64 = 0.3;

/// How far the stitching strays in the same way in every repeat.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Habit {
    /// Along the curve's normal at equal steps of its length, mm.
    pub(super) values_mm: Vec<f64>,
    /// How large such values are, mm: their standard deviation beyond what chance makes.
    pub(super) u_mm: f64,
}

/// The repeats of a row in each photo.
fn repeats(trace: &RowTrace, samples: usize) -> impl Iterator<Item = &[TracePoint]> {
    trace
        .by_photo()
        .flat_map(move |photo| photo.chunks(samples))
}

/// Which value each of a curve's samples lies nearest to.
fn nearest(sample: usize, samples: usize, values: usize) -> usize {
    (sample * values + samples / 2) / samples % values
}

impl Habit {
    /// Of all rows of a measurement; `samples` is the number of millimetre samples in one repeat.
    pub(super) fn of(traces: &[RowTrace], samples: usize) -> Habit {
        let values = (samples / STEP).clamp(6, 40);
        // Mean deviation of each part in each repeat that shows most of it.
        let mut means: Vec<Vec<f64>> = vec![Vec::new(); values];
        for repeat in traces.iter().flat_map(|trace| repeats(trace, samples)) {
            let mut parts = vec![(0.0, 0usize); values];
            for (i, point) in repeat.iter().enumerate().filter(|(_, p)| p.found) {
                let part = &mut parts[nearest(i, samples, values)];
                *part = (part.0 + point.deviation_mm, part.1 + 1);
            }
            for ((sum, found), means) in parts.into_iter().zip(&mut means) {
                if 2 * found * values > samples {
                    means.push(sum / found as f64);
                }
            }
        }
        // Each part's mean over the repeats, and the variance of that mean.
        let told: Vec<Option<(f64, f64)>> = means
            .iter()
            .map(|means| {
                let n = means.len() as f64;
                let mean = means.iter().sum::<f64>() / n;
                let squares: f64 = means.iter().map(|m| (m - mean).powi(2)).sum();
                (means.len() >= FEWEST).then(|| (mean, squares / (n - 1.0) / n))
            })
            .collect();
        let known = told.iter().flatten();
        let parts = known.clone().count().max(1) as f64;
        let beyond_chance: f64 = known
            .map(|(mean, variance)| mean * mean - variance)
            .sum::<f64>()
            / parts;
        let u_mm = beyond_chance.max(0.0).sqrt().max(LEAST_U_MM);
        let shrunk = |(mean, variance): (f64, f64)| mean * u_mm * u_mm / (u_mm * u_mm + variance);
        Habit {
            values_mm: told
                .into_iter()
                .map(|part| part.map_or(0.0, shrunk))
                .collect(),
            u_mm,
        }
    }

    /// A row's deviations without the habit, mm; NaN where the line was not found.
    pub(super) fn taken_from(&self, trace: &RowTrace, samples: usize) -> Vec<f64> {
        let values = self.values_mm.len();
        repeats(trace, samples)
            .flat_map(|repeat| repeat.iter().enumerate())
            .map(|(i, point)| match point.found {
                true => point.deviation_mm - self.values_mm[nearest(i, samples, values)],
                false => f64::NAN,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::trace::test_points;
    use std::f64::consts::TAU;

    const SAMPLES: usize = 400;

    /// Eight repeats whose hand strays by `habit` at each sample, and by slow chance of 0.3 mm.
    fn row(habit: impl Fn(usize) -> f64) -> RowTrace {
        let mut points = test_points(8 * SAMPLES, |_| 20.0);
        for (i, point) in points.iter_mut().enumerate() {
            // Waves of lengths that no repeat is a multiple of.
            let chance = 0.3 * (i as f64 / 45.3).sin() + 0.3 * (i as f64 / 29.1).cos();
            point.deviation_mm = habit(i % SAMPLES) + chance;
        }
        RowTrace { points }
    }

    #[test]
    fn what_all_repeats_do_is_habit_and_the_rest_is_chance() {
        let corner = |i: usize| 0.8 * (TAU * 2.0 * i as f64 / SAMPLES as f64).sin();
        let rows = [row(corner), row(corner)];
        let habit = Habit::of(&rows, SAMPLES);
        assert_eq!(habit.values_mm.len(), SAMPLES / STEP);
        for (k, value) in habit.values_mm.iter().enumerate() {
            let expected = corner(k * STEP);
            assert!(
                (value - expected).abs() < 0.2,
                "{k}: {value} for {expected}"
            );
        }
        // Root mean square of the wave.
        assert!(
            (habit.u_mm - 0.8 / 2f64.sqrt()).abs() < 0.1,
            "{}",
            habit.u_mm
        );
        let spread = |values: &[f64]| {
            (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
        };
        let chance = spread(&habit.taken_from(&rows[0], SAMPLES));
        assert!((chance - 0.3).abs() < 0.06, "{chance}");
    }

    #[test]
    fn a_hand_without_a_habit_has_none_and_two_repeats_tell_none() {
        let habit = Habit::of(&[row(|_| 0.0)], SAMPLES);
        assert!(habit.values_mm.iter().all(|v| v.abs() < 0.2), "{habit:?}");
        let mut short = row(|i| 0.01 * i as f64);
        short.points.truncate(2 * SAMPLES);
        assert_eq!(
            Habit::of(&[short], SAMPLES).values_mm,
            vec![0.0; SAMPLES / STEP]
        );
    }
}

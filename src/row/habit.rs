//! What the stitching does in the same way in every repeat: corners cut, a light that shifts one flank of the line.
//!
//! It is no chance: taken for that, it would be fitted by tilting and bending the quilt. So it is solved for together
//! with them, as far as the repeats agree on it.

use super::trace::RowTrace;

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
        for trace in traces {
            for photo in trace.points.chunk_by(|a, b| a.photo == b.photo) {
                let mut parts = vec![(0.0, 0usize); values];
                for (i, point) in photo.iter().enumerate() {
                    let part = &mut parts[nearest(i % samples, samples, values)];
                    if point.found {
                        *part = (part.0 + point.deviation_mm, part.1 + 1);
                    }
                    if i % samples == samples - 1 || i == photo.len() - 1 {
                        for (part, means) in parts.iter_mut().zip(&mut means) {
                            if 2 * part.1 * values > samples {
                                means.push(part.0 / part.1 as f64);
                            }
                            *part = (0.0, 0);
                        }
                    }
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
        let photos = trace.points.chunk_by(|a, b| a.photo == b.photo);
        photos
            .flat_map(|photo| photo.iter().enumerate())
            .map(|(i, point)| match point.found {
                true => point.deviation_mm - self.values_mm[nearest(i % samples, samples, values)],
                false => f64::NAN,
            })
            .collect()
    }
}

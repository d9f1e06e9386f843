//! How a hand strays from the design: what its places tell although they stray together.
//!
//! A hand that is off here is off a centimetre on. Taken for independent, such places pull at whatever bends: a long wave
//! along a steep flank looks like a bow of the row or a tilt of the quilt. So strays are a random process along the line, and
//! observations are whitened by it: each is held against what those before it led to expect.

use crate::geometry::Vector2;
use nalgebra::{Matrix2, Matrix4, Vector4};

/// A hand's strays: to all sides alike, each a Matérn process of order 3/2 along the line (C. E. Rasmussen and C. K. I. Williams,
/// Gaussian Processes for Machine Learning, 2006, eq. 4.17).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hand {
    /// Standard deviation along x, and along y, mm.
    pub spread_mm: f64,
    /// Length along the line over which strays hang together, mm; their correlation is 0.48 at this distance.
    pub reach_mm: f64,
}

/// A place at which a hand's stray is seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Along the line, mm; places come in this order.
    pub arc_mm: f64,
    /// By how much what is seen grows when the line strays by a millimetre along x and along y, in the standard uncertainty
    /// with which it is seen.
    pub across: Vector2,
}

/// What a place adds to what is known from those before it.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// How stray and its slope, along x or along y, go on from the place before.
    onward: Matrix2<f64>,
    across: Vector2,
    gain: Vector4<f64>,
    /// Standard deviation of what is new.
    spread: f64,
}

/// Whitens whatever is linear in what is seen at the places of a line, by a Kalman filter (S. Särkkä, Bayesian Filtering and
/// Smoothing, 2013, sec. 4.3; the process as a state of stray and slope: J. Hartikainen and S. Särkkä, MLSP 2010).
#[derive(Debug, Clone)]
pub struct Whitening {
    steps: Vec<Step>,
}

impl Hand {
    /// The whitening at these places.
    pub fn whitening(&self, places: impl IntoIterator<Item = Place>) -> Whitening {
        let rate = 3f64.sqrt() / self.reach_mm;
        let variance = self.spread_mm * self.spread_mm;
        let usual = Matrix4::from_diagonal(&Vector4::new(
            variance,
            variance * rate * rate,
            variance,
            variance * rate * rate,
        ));
        let mut known = usual;
        let mut before_mm: Option<f64> = None;
        let step = |place: Place| {
            let onward = before_mm.map_or(Matrix2::zeros(), |before_mm| {
                let by = place.arc_mm - before_mm;
                let (turn, decay) = (rate * by, (-rate * by).exp());
                Matrix2::new(1.0 + turn, by, -rate * turn, 1.0 - turn) * decay
            });
            before_mm = Some(place.arc_mm);
            let mut both = Matrix4::zeros();
            both.fixed_view_mut::<2, 2>(0, 0).copy_from(&onward);
            both.fixed_view_mut::<2, 2>(2, 2).copy_from(&onward);
            known = usual + both * (known - usual) * both.transpose();
            let [x, y] = place.across.into();
            let seen = known.column(0) * x + known.column(2) * y;
            let new = seen[0] * x + seen[2] * y + 1.0;
            known -= seen * seen.transpose() / new;
            Step {
                onward,
                across: place.across,
                gain: seen / new,
                spread: new.sqrt(),
            }
        };
        Whitening {
            steps: places.into_iter().map(step).collect(),
        }
    }
}

impl Whitening {
    /// Whitens one column: what is seen, or its derivatives by an unknown, place by place, in units of its own standard uncertainty.
    /// Afterwards they are independent and of unit variance.
    pub fn whiten(&self, column: &mut [f64]) {
        let (mut x, mut y) = (Vector2::zeros(), Vector2::zeros());
        for (value, step) in column.iter_mut().zip(&self.steps) {
            x = step.onward * x;
            y = step.onward * y;
            let new = *value - step.across.x * x[0] - step.across.y * y[0];
            x += step.gain.fixed_rows::<2>(0) * new;
            y += step.gain.fixed_rows::<2>(2) * new;
            *value = new / step.spread;
        }
    }

    /// Logarithm of the determinant of the covariance.
    pub fn ln_determinant(&self) -> f64 {
        self.steps.iter().map(|step| 2.0 * step.spread.ln()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    /// Places on a wavy line, unevenly spread, two of them at the same spot, with a gap.
    fn places() -> Vec<Place> {
        let arcs = [0.0, 12.0, 24.0, 24.0, 37.5, 200.0, 212.0, 230.0, 231.0];
        let place = |(i, arc_mm): (usize, f64)| {
            let (sin, cos) = (arc_mm / 30.0).sin_cos();
            Place {
                arc_mm,
                across: Vector2::new(sin, cos) * (1.0 + 0.3 * (i % 3) as f64),
            }
        };
        arcs.into_iter().enumerate().map(place).collect()
    }

    #[test]
    fn whitening_is_that_of_the_whole_covariance() {
        // The covariance as the book has it, and its Cholesky factor by nalgebra.
        let hand = Hand {
            spread_mm: 0.7,
            reach_mm: 40.0,
        };
        let places = places();
        let n = places.len();
        let covariance = DMatrix::from_fn(n, n, |i, j| {
            let (a, b) = (places[i], places[j]);
            let d = 3f64.sqrt() * (a.arc_mm - b.arc_mm).abs() / 40.0;
            let process = 0.49 * (1.0 + d) * (-d).exp() * a.across.dot(&b.across);
            process + f64::from(u8::from(i == j))
        });
        let factor = covariance.clone().cholesky().expect("positive").unpack();
        let values = DVector::from_fn(n, |i, _| (1.7 * i as f64).sin() + 0.4);
        let whole = factor.solve_lower_triangular(&values).expect("regular");
        let whitening = hand.whitening(places);
        let mut ours = values.as_slice().to_vec();
        whitening.whiten(&mut ours);
        for (ours, whole) in ours.iter().zip(whole.iter()) {
            assert!((ours - whole).abs() < 1e-10, "{ours} {whole}");
        }
        let ln_determinant = covariance.determinant().ln();
        assert!((whitening.ln_determinant() - ln_determinant).abs() < 1e-9);
    }
}

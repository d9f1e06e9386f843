//! The record's frame, and linear functions of the rows' parameters in it.

use super::{Known, seen_range};
use crate::card::geometry::CardId;
use crate::plan::Plan;
use crate::record::{At, SIDE_MM, XOrigin};
use crate::row::ends::{Ends, ends};
use crate::row::measure::Measured;
use crate::units::{Uncertain, propagate};
use crate::verdict::Warning;

/// The record's frame: the topmost row's chord is the x-axis; x = 0 in the quilt's middle where that is
/// known, else in the middle of what is seen.
pub(crate) struct Place {
    /// x of the origin in the solved plane, mm.
    pub(crate) x_middle: f64,
    pub(crate) x_origin: XOrigin,
    pub(crate) half_width_mm: f64,
    /// The topmost row.
    pub(crate) datum: usize,
    /// Ends of what is seen of all rows, x in the solved plane, mm.
    pub(crate) left: f64,
    pub(crate) right: f64,
    /// Why the quilt's middle is not known although both its sides are seen.
    pub(crate) warning: Option<Warning>,
}

impl Place {
    /// The frame for the rows that go into the record.
    pub(crate) fn new(measured: &Measured, rows: &[usize], plan: &Plan, known: &Known) -> Place {
        let ranges: Vec<(f64, f64)> = rows
            .iter()
            .map(|i| seen_range(&measured.rows[*i]))
            .collect();
        let left = ranges.iter().map(|r| r.0).fold(f64::MAX, f64::min);
        let right = ranges.iter().map(|r| r.1).fold(f64::MIN, f64::max);
        let sides = ends(rows.iter().map(|i| &measured.rows[*i]));
        let by_cards = middle_by_cards(measured, &known.card_at);
        // Where the side is told, it is where two rows stop: one alone may have followed something beyond it.
        let seen = match known.at {
            Some(_) => (
                -farthest_shared(ranges.iter().map(|r| -r.0)),
                farthest_shared(ranges.iter().map(|r| r.1)),
            ),
            None => (left, right),
        };
        let (middle, warning) = match quilt_middle(seen, sides, plan.width_mm, known.at) {
            _ if by_cards.is_some() => (by_cards, None),
            Ok(middle) => (middle, None),
            Err(apart_mm) => {
                let [apart, width] = [apart_mm, plan.width_mm]
                    .map(|mm| crate::verdict::words::length(mm, plan.unit));
                let warning = Warning {
                    what: format!(
                        "The rows seem to end {apart} apart, but the plan says the quilt is {width} wide."
                    ),
                    remedy: "Correct the plan's width, or say with --at which part of the row the photo shows.".to_owned(),
                    spoils: false,
                };
                (None, Some(warning))
            }
        };
        Place {
            x_middle: middle.unwrap_or((left + right) / 2.0),
            x_origin: match middle {
                Some(_) => XOrigin::Quilt,
                None => XOrigin::View,
            },
            half_width_mm: plan.width_mm / 2.0,
            datum: rows.first().copied().unwrap_or(0),
            left,
            right,
            warning,
        }
    }

    /// The quilt's own ends for ends of what is seen that lie near them.
    pub(crate) fn whole_width(&self, (left, right): (f64, f64)) -> (f64, f64) {
        let end = |x: f64, side: f64| {
            let end = self.x_middle + side * self.half_width_mm;
            match self.x_origin {
                XOrigin::Quilt if (x - end).abs() <= SIDE_MM => end,
                _ => x,
            }
        };
        (end(left, -1.0), end(right, 1.0))
    }

    /// A linear function of the rows' parameters with its uncertainty: `terms` are (row, weights of
    /// offset, slope, bow, shift).
    pub(crate) fn linear(&self, measured: &Measured, terms: &[(usize, [f64; 4])]) -> Uncertain {
        let (value, gradient) = self.linear_with_gradient(measured, terms);
        Uncertain {
            value,
            u: propagate(&gradient, &measured.covariance),
        }
    }

    /// The same with its derivatives by parameter instead of its uncertainty.
    pub(crate) fn linear_with_gradient(
        &self,
        measured: &Measured,
        terms: &[(usize, [f64; 4])],
    ) -> (f64, Vec<(usize, f64)>) {
        let mut value = 0.0;
        let mut gradient: Vec<(usize, f64)> = Vec::new();
        for (row, weights) in terms {
            let place = &measured.state.rows[*row];
            let at = measured.state.row_index(*row);
            let parameters = [place.offset, place.slope, place.bow, place.shift];
            for (k, (w, p)) in weights.iter().zip(parameters).enumerate() {
                value += w * p;
                gradient.push((at + k, *w));
            }
        }
        (value, gradient)
    }

    /// Weights of a baseline's y at an x, times `sign`.
    pub(crate) fn baseline_at(x: f64, sign: f64) -> [f64; 4] {
        [sign, sign * x, sign * x * x, 0.0]
    }
}

/// The farthest of some ends that another one shares to 25 mm; the farthest of all where none does.
fn farthest_shared(ends: impl Iterator<Item = f64>) -> f64 {
    const SHARED_MM: f64 = 25.0;
    let mut ends: Vec<f64> = ends.collect();
    ends.sort_by(|a, b| b.total_cmp(a));
    let shared = ends.windows(2).find(|pair| pair[0] - pair[1] <= SHARED_MM);
    shared.map_or(ends.first().copied().unwrap_or(f64::MIN), |pair| pair[0])
}

/// The quilt's middle by cards whose places are told, x, mm: the mean of what they say.
fn middle_by_cards(measured: &Measured, told: &[(CardId, f64)]) -> Option<f64> {
    let middles: Vec<f64> = told
        .iter()
        .filter_map(|(card, right_mm)| {
            let at = measured.cards.iter().position(|c| c == card)?;
            Some(measured.state.cards[at].x - right_mm)
        })
        .collect();
    (!middles.is_empty()).then(|| middles.iter().sum::<f64>() / middles.len() as f64)
}

/// The quilt's middle, where its sides are seen or told; x of both in one frame, mm.
///
/// `seen` are the ends of what is seen of the rows.
///
/// # Errors
///
/// The distance of the two sides when it is not the plan's width.
fn quilt_middle(
    seen: (f64, f64),
    ends: Ends,
    width_mm: f64,
    told: Option<At>,
) -> Result<Option<f64>, f64> {
    let half = width_mm / 2.0;
    let (left, right) = (ends.left.unwrap_or(seen.0), ends.right.unwrap_or(seen.1));
    Ok(match (told, ends.left, ends.right) {
        (Some(At::Left), ..) => Some(left + half),
        (Some(At::Centre), ..) => Some((left + right) / 2.0),
        (Some(At::Right), ..) => Some(right - half),
        (None, Some(left), Some(right)) => {
            if (right - left - width_mm).abs() > SIDE_MM {
                return Err(right - left);
            }
            Some((left + right) / 2.0)
        }
        // One side settles it when the rows do not go on past where the other one has to be.
        (None, Some(left), None) => (seen.1 < left + width_mm + SIDE_MM).then_some(left + half),
        (None, None, Some(right)) => (seen.0 > right - width_mm - SIDE_MM).then_some(right - half),
        (None, None, None) => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quilt's middle by hand: sides 2000 mm apart at −900 and 1100.
    #[test]
    fn one_clear_side_and_the_plans_width_give_the_quilts_middle() {
        let both = Ends {
            left: Some(-900.0),
            right: Some(1100.0),
        };
        let seen = (-890.0, 1090.0);
        assert_eq!(quilt_middle(seen, both, 2000.0, None), Ok(Some(100.0)));
        let left = Ends {
            right: None,
            ..both
        };
        assert_eq!(
            quilt_middle((-890.0, 300.0), left, 2000.0, None),
            Ok(Some(100.0))
        );
        // The rows go on past where the other side has to be: the end was none, or the width is wrong.
        assert_eq!(quilt_middle((-890.0, 1200.0), left, 2000.0, None), Ok(None));
        assert_eq!(quilt_middle(seen, both, 1500.0, None), Err(2000.0));
        assert_eq!(quilt_middle(seen, Ends::default(), 2000.0, None), Ok(None));
    }
}

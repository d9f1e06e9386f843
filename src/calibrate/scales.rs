//! Are two cards that lie on one table printed at one scale?
//!
//! A card printed small seems far away: where two cards lie on one table, the camera's distances from their
//! planes, each in its own card's millimetres, are in the ratio of their print scales. A board that is
//! thicker shows as a constant difference instead, which photos from different distances tell apart:
//!
//! ```text
//! dᵢ = scale·eᵢ + height        Σ (dᵢ − scale·eᵢ − height)² + (height·σ_d/σ_h)² → min
//! ```

use super::bundle::{CardView, Estimate};
use super::error::Note;
use super::normal;
use crate::card::geometry::CardId;
use nalgebra::{Matrix2, Vector2};

/// Boards differ in thickness by this, standard uncertainty, mm.
const HEIGHT_U_MM: f64 = 2.0;
/// A table is flat, and cards lie on it, to this, mm.
const TABLE_U_MM: f64 = 1.0;
/// Print scales are called different from this on: 1 %, when it is also four standard uncertainties.
const DIFFERENT: f64 = 0.01;

/// Notes on cards whose print scales differ. `owners` holds the photo of each view.
pub fn compare(
    cards: &[CardId],
    owners: &[usize],
    views: &[CardView],
    estimate: &Estimate,
) -> Vec<Note> {
    let distance = |view: usize| {
        let pose = &estimate.poses[view];
        normal(pose).dot(&pose.translation)
    };
    let mut notes = Vec::new();
    for a in 0..cards.len() {
        for b in a + 1..cards.len() {
            let pairs: Vec<(f64, f64)> = (0..views.len())
                .filter(|i| views[*i].card == a)
                .filter_map(|i| {
                    let other = (0..views.len())
                        .find(|k| owners[*k] == owners[i] && views[*k].card == b)?;
                    Some((distance(i), distance(other)))
                })
                .collect();
            if let Some((scale, u)) = ratio(&pairs)
                && (scale - 1.0).abs() > DIFFERENT.max(4.0 * u)
            {
                notes.push(Note::TwoScales {
                    card: cards[b],
                    other: cards[a],
                    percent: 100.0 * (scale - 1.0),
                });
            }
        }
    }
    notes
}

/// Print scale of the second card over that of the first, with its standard uncertainty, from the
/// distances of both from the camera; `None` from fewer than two photos.
fn ratio(pairs: &[(f64, f64)]) -> Option<(f64, f64)> {
    if pairs.len() < 2 {
        return None;
    }
    // Seen in its own millimetres, a card printed large (scale > 1) seems near: d = scale·e.
    let mut normal = Matrix2::zeros();
    let mut right = Vector2::zeros();
    for (d, e) in pairs {
        let row = Vector2::new(*e, 1.0) / TABLE_U_MM;
        normal += row * row.transpose();
        right += row * (d / TABLE_U_MM);
    }
    normal[(1, 1)] += 1.0 / (HEIGHT_U_MM * HEIGHT_U_MM);
    let covariance = normal.try_inverse()?;
    Some(((covariance * right).x, covariance[(0, 0)].sqrt()))
}

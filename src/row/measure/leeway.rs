//! Planes as far off as the cards leave open, tried where rows are too faint to show on the plane that the cards give.
//!
//! A card that rocks by a degree lifts the plane by centimetres at the photo's far end, and the repeats of a row no
//! longer fall on each other. Rows that are plain show all the same, and their stitching then gives the plane; faint ones
//! do not. So for these the plane is looked for together with the rows, along the few ways in which it may lie
//! otherwise.

use super::find::placed;
use super::lay_out::LaidOut;
use crate::geometry::Point2;
use crate::plane::joint::{Joint, State};
use crate::row::search::{self, Found, Wanted};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// How many ways are tried, those first that move the quilt most.
const WAYS: usize = 3;
/// How far the plane is moved each way at first, standard deviations.
const FIRST_STEP: f64 = 1.4;
/// How far at most.
const FARTHEST: f64 = 2.5;
/// How many of these are looked at on the full map.
const CLOSER_LOOKS: usize = 6;
/// Farthest from a card that the plane matters, mm.
const REACH_MM: f64 = 900.0;
/// Distance of the places at which it is looked at, mm.
const EVERY_MM: f64 = 150.0;

/// Rows as found on a plane of their own.
pub(super) struct OnPlane {
    /// The rows, in the frame of `state`.
    pub(super) found: Found,
    /// Everything else, in a frame turned by the rows' direction.
    pub(super) state: State,
}

/// A direction and how far the plane is moved each way.
#[derive(Debug, Clone, Copy)]
struct Trial {
    angle: f64,
    by: [f64; WAYS],
}

/// Finds the rows in one of the directions (rad), each with what it is to count more; and their plane.
pub(super) fn find(
    laid_out: &LaidOut,
    wanted: &Wanted,
    directions: &[(f64, f64)],
) -> Option<OnPlane> {
    let LaidOut {
        joint, map, views, ..
    } = laid_out;
    let ways = ways(laid_out);
    let state = |trial: &Trial| moved(joint, &ways, &trial.by).turned(trial.angle);
    let steps = [-FIRST_STEP, 0.0, FIRST_STEP];
    let coarse = map.halved();
    let trials: Vec<(f64, Trial)> = directions
        .iter()
        .flat_map(|&(angle, more)| {
            let planes = steps.iter().flat_map(|a| steps.map(|b| [*a, b, 0.0]));
            planes.map(move |by| (more, Trial { angle, by }))
        })
        .collect();
    let mut looks: Vec<(f64, f64, Trial)> = trials
        .into_par_iter()
        .map(|(more, trial)| {
            let frame = placed(&coarse, views, &state(&trial), trial.angle);
            let strength = search::strength(&coarse, wanted, &frame);
            (strength + more, more, trial)
        })
        .collect();
    looks.sort_by(|a, b| b.0.total_cmp(&a.0));

    let strength = |trial: &Trial| {
        let frame = placed(map, views, &state(trial), trial.angle);
        search::strength(map, wanted, &frame)
    };
    let (_, best) = looks[..CLOSER_LOOKS.min(looks.len())]
        .par_iter()
        .map(|(_, more, trial)| (strength(trial) + more, *trial))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let best = climbed(best, &strength);
    let state = state(&best);
    let found = search::rows_in(map, wanted, &placed(map, views, &state, best.angle))?;
    Some(OnPlane { found, state })
}

/// The trial moved uphill, each way by itself, in ever smaller steps.
fn climbed(mut trial: Trial, strength: &(impl Fn(&Trial) -> f64 + Sync)) -> Trial {
    let mut best = strength(&trial);
    for step in [0.8, 0.4] {
        for _ in 0..2 {
            let tries: Vec<Trial> = (0..=WAYS)
                .flat_map(|way| [-step, step].map(|by| (way, by)))
                .map(|(way, by)| {
                    let mut tried = trial;
                    match tried.by.get_mut(way) {
                        Some(now) => *now = (*now + by).clamp(-FARTHEST, FARTHEST),
                        None => tried.angle += by.to_radians(),
                    }
                    tried
                })
                .collect();
            let next = tries
                .into_par_iter()
                .map(|tried| (strength(&tried), tried))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            match next {
                Some((higher, tried)) if higher > best => (best, trial) = (higher, tried),
                _ => break,
            }
        }
    }
    trial
}

/// Ways in which the plane may lie otherwise, a standard deviation each, as moves of the joint problem's parameters:
/// the principal components of the places' covariance, without what only moves or turns the quilt as a whole, which
/// the search for rows does anyway.
fn ways(laid_out: &LaidOut) -> Vec<DVector<f64>> {
    let LaidOut {
        joint,
        covariance,
        map,
        views,
        ..
    } = laid_out;
    let middles = laid_out.card_middles();
    let every = (EVERY_MM / map.cell_mm) as usize;
    let n = covariance.nrows();
    let mut places: Vec<Point2> = Vec::new();
    let mut gradients: Vec<[DVector<f64>; 2]> = Vec::new();
    for (i, j) in (0..map.height)
        .step_by(every)
        .flat_map(|j| (0..map.width).step_by(every).map(move |i| (i, j)))
    {
        let place = Point2::new(
            map.origin.x + i as f64 * map.cell_mm,
            map.origin.y + j as f64 * map.cell_mm,
        );
        let near = middles.iter().any(|m| (m - place).norm() < REACH_MM);
        if !near || !map.seen[j * map.width + i] {
            continue;
        }
        let seen = views.iter().enumerate().find_map(|(photo, view)| {
            joint.place_with_gradient(&joint.start, photo, view.photo_from_quilt(place)?)
        });
        if let Some((place, gradient)) = seen {
            let mut by = [DVector::zeros(n), DVector::zeros(n)];
            for (parameter, moves) in gradient {
                by[0][parameter] += moves.x;
                by[1][parameter] += moves.y;
            }
            places.push(place);
            gradients.push(by);
        }
    }
    let rows = 2 * places.len();
    let jacobian = DMatrix::from_fn(rows, n, |i, k| gradients[i / 2][i % 2][k]);
    // Moves and turn of the whole, made orthonormal.
    let whole = DMatrix::from_fn(rows, 3, |i, k| match (k, i % 2) {
        (0, 0) | (1, 1) => 1.0,
        (2, 0) => -places[i / 2].y,
        (2, 1) => places[i / 2].x,
        _ => 0.0,
    });
    if rows < 8 {
        return Vec::new();
    }
    let whole = whole.qr().q();
    let jacobian = &jacobian - &whole * (whole.transpose() * &jacobian);
    let moved = (&jacobian * covariance * jacobian.transpose()).symmetric_eigen();
    let mut order: Vec<usize> = (0..rows).collect();
    order.sort_by(|a, b| moved.eigenvalues[*b].total_cmp(&moved.eigenvalues[*a]));
    order
        .into_iter()
        .take(WAYS)
        .filter(|i| moved.eigenvalues[*i] > 0.0)
        .map(|i| {
            let way = moved.eigenvectors.column(i) / moved.eigenvalues[i].sqrt();
            covariance * jacobian.transpose() * way
        })
        .collect()
}

fn moved(joint: &Joint, ways: &[DVector<f64>], by: &[f64; WAYS]) -> State {
    let n = ways.first().map_or(0, DVector::len);
    let sum = ways
        .iter()
        .zip(by)
        .fold(DVector::zeros(n), |sum, (way, by)| sum + way * *by);
    joint.moved(sum.as_slice())
}

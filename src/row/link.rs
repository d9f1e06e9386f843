//! Photos that share no card, joined by rows that both show.
//!
//! Rows repeat, so where one photo lies against another is open by whole repeats along the row and whole rows
//! down the quilt. No hand strays the same way twice: the wobble tells.

use super::measure::{CannotMeasure, Job, Measured, Rough, RoughRow, follow, with_rows_turned};
use super::trace::RowTrace;
use super::wobble::{Fingerprint, Likeness, Products, TOLD_SAMPLES, first_repeat};
use crate::design::Design;
use crate::geometry::Vector2;
use crate::line::strip::ARC_STEP_MM;
use crate::plane::camera::{CardPose, Pose};
use crate::plane::joint::{Joint, PhotoObservations, RowPlace, State};
use crate::solve::levenberg_marquardt::Loss;
use nalgebra::Vector3;

/// By how much the likeness at the place taken has to be above that at any other.
const CLEARLY: f64 = 0.2;

/// Rows that two measurements have in common.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Row of the first and row of the second that are one, by their places in the lists.
    rows: Vec<(usize, usize)>,
    /// Numbers of a repeat in the first and the second that are one, for each pair of rows.
    repeats: Vec<(i64, i64)>,
    /// Index of a row in the second less its index in the first.
    index_difference: i32,
}

/// Finds the rows that two measurements have in common; `None` where that is not clear.
pub fn tie(first: &Measured, second: &Measured, design: &Design) -> Option<Tie> {
    let samples = design.sample(ARC_STEP_MM).len();
    let prints = |measured: &Measured| -> Vec<(Fingerprint, i64)> {
        let rows = measured.rows.iter();
        rows.map(|row| numbered(&row.trace, samples, design))
            .collect()
    };
    let (a, b) = (prints(first), prints(second));
    let differences: std::collections::BTreeSet<i32> = first
        .rows
        .iter()
        .flat_map(|r| second.rows.iter().map(|s| s.index - r.index))
        .collect();
    let pairs = |difference: i32| -> Vec<(usize, usize)> {
        let partner = |i: usize| {
            let index = first.rows[i].index + difference;
            second.rows.iter().position(|s| s.index == index)
        };
        (0..a.len())
            .filter_map(|i| Some((i, partner(i)?)))
            .collect()
    };
    // Repeat k of the first is repeat k + shift of the second, for all pairs alike.
    let mut tried: Vec<(Likeness, i32, i64)> = Vec::new();
    for difference in differences {
        let pairs = pairs(difference);
        let (Some(least), Some(most)) = (
            pairs.iter().map(|(i, j)| from(&a[*i], &b[*j]).0).min(),
            pairs.iter().map(|(i, j)| from(&a[*i], &b[*j]).1).max(),
        ) else {
            continue;
        };
        for shift in least..=most {
            let mut sums = Products::default();
            for (i, j) in &pairs {
                let ((print, first), (other, second)) = (&a[*i], &b[*j]);
                sums += print.products(other, shift + first - second);
            }
            tried.push((sums.likeness(), difference, shift));
        }
    }
    tried.retain(|t| t.0.samples >= TOLD_SAMPLES);
    tried.sort_by(|s, t| t.0.correlation.total_cmp(&s.0.correlation));
    let (best, index_difference, shift) = *tried.first()?;
    let next = tried.get(1).map_or(0.0, |t| t.0.correlation);
    if !best.is_same_row() || best.correlation < next + CLEARLY {
        return None;
    }
    let rows = pairs(index_difference);
    Some(Tie {
        repeats: rows
            .iter()
            .map(|(i, _)| (a[*i].1, a[*i].1 + shift))
            .collect(),
        rows,
        index_difference,
    })
}

/// Share of what a photo has in view of the rows below which it does not show them, if another photo finds
/// [`PLAIN_SHARE`] of it. Photos of one row find a half and more, of different rows less than a tenth.
const STRANGE_SHARE: f64 = 0.2;
const PLAIN_SHARE: f64 = 0.5;
/// Length in view from which a photo is judged by that, samples of a millimetre.
const JUDGED_SAMPLES: usize = 300;
/// Likeness below which what two photos show in the same place is not one stitching; it is above 0.9 where it is.
const STRANGE_LIKENESS: f64 = 0.4;

/// Two photos of one measurement that do not show the same stitching in the same place: they are of different
/// rows, or a card was moved between them.
pub fn clash(measured: &Measured, design: &Design) -> Option<(usize, usize)> {
    if measured.views.len() < 2 {
        return None;
    }
    let rows_in = |photo: usize| -> Vec<RowTrace> {
        let rows = measured.rows.iter();
        rows.map(|row| row.trace.of_photo(photo)).collect()
    };
    let photos: Vec<Vec<RowTrace>> = (0..measured.views.len()).map(rows_in).collect();
    let shares = photos.iter().enumerate().filter_map(|(photo, rows)| {
        let (found, visible) = rows.iter().fold((0, 0), |(found, visible), row| {
            let (f, v) = row.found_of_visible();
            (found + f, visible + v)
        });
        (visible >= JUDGED_SAMPLES).then(|| (photo, found as f64 / visible as f64))
    });
    let shares: Vec<(usize, f64)> = shares.collect();
    let plainest = shares.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let strange = shares.iter().find(|s| s.1 < STRANGE_SHARE);
    if let Some(strange) = strange.filter(|_| plainest.1 >= PLAIN_SHARE) {
        return Some((plainest.0, strange.0));
    }
    let samples = design.sample(ARC_STEP_MM).len();
    let prints: Vec<Vec<(Fingerprint, i64)>> = photos
        .iter()
        .map(|rows| {
            rows.iter()
                .map(|row| numbered(row, samples, design))
                .collect()
        })
        .collect();
    let mut pairs = (0..prints.len()).flat_map(|b| (0..b).map(move |a| (a, b)));
    pairs.find(|(a, b)| {
        let mut sums = Products::default();
        for ((print, first), (other, second)) in prints[*a].iter().zip(&prints[*b]) {
            sums += print.products(other, first - second);
        }
        let likeness = sums.likeness();
        likeness.samples >= TOLD_SAMPLES && likeness.correlation < STRANGE_LIKENESS
    })
}

/// A row's fingerprint and the number of the repeat it begins with.
fn numbered(trace: &RowTrace, samples: usize, design: &Design) -> (Fingerprint, i64) {
    (
        Fingerprint::new(trace, samples, design.repeat_mm),
        first_repeat(trace, design.repeat_mm),
    )
}

/// Shifts of whole repeats, first against second, in which two prints may overlap.
fn from((a, first): &(Fingerprint, i64), (b, second): &(Fingerprint, i64)) -> (i64, i64) {
    let shifts = a.shifts(b);
    (
        shifts.start() + second - first,
        shifts.end() + second - first,
    )
}

/// Measures the photos of two measurements as one; `job` has the first one's photos, then the second one's.
///
/// # Errors
///
/// As [`super::measure::measure`].
pub fn measure_tied(
    job: &Job,
    first: &Measured,
    second: &Measured,
    tie: &Tie,
) -> Result<Measured, CannotMeasure> {
    let mut rough = joined(first, second, tie, job.design.repeat_mm);
    rough.joint.start = rough.joint.solve_roughly()?.state;
    follow(job, rough)
}

/// A row of the joined measurement: its index in the first, and its places in the two lists.
type JoinedRow = (i32, Option<usize>, Option<usize>);

fn joined(first: &Measured, second: &Measured, tie: &Tie, repeat_mm: f64) -> Rough {
    let moved = carried_over(&first.state, &second.state, tie, repeat_mm);
    let mut rows: Vec<JoinedRow> = first
        .rows
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let pair = tie.rows.iter().find(|(a, _)| *a == i);
            (r.index, Some(i), pair.map(|p| p.1))
        })
        .collect();
    for (j, r) in second.rows.iter().enumerate() {
        if !tie.rows.iter().any(|(_, b)| *b == j) {
            rows.push((r.index - tie.index_difference, None, Some(j)));
        }
    }
    rows.sort_by_key(|r| r.0);
    let now = |list: fn(&JoinedRow) -> Option<usize>, old: usize| {
        rows.iter().position(|r| list(r) == Some(old)).unwrap_or(0)
    };
    let mut photos: Vec<PhotoObservations> = first.problem.photos.clone();
    for line in photos.iter_mut().flat_map(|p| &mut p.lines) {
        line.row = now(|r| r.1, line.row);
    }
    // Where the second counts its repeats from, in the first's count.
    let along = |j: usize| {
        let pair = tie.rows.iter().position(|(_, b)| *b == j);
        pair.map_or(0.0, |p| {
            (tie.repeats[p].0 - tie.repeats[p].1) as f64 * repeat_mm
        })
    };
    for photo in &second.problem.photos {
        let mut photo = photo.clone();
        photo.camera += first.problem.cameras.len();
        for (card, _) in &mut photo.cards {
            *card += first.cards.len();
        }
        for line in &mut photo.lines {
            line.along_mm += along(line.row);
            line.row = now(|r| r.2, line.row);
        }
        photos.push(photo);
    }
    let places = rows
        .iter()
        .map(|(_, i, j)| match (i, j) {
            (Some(i), _) => first.state.rows[*i],
            (None, Some(j)) => moved.rows[*j],
            (None, None) => RowPlace::default(),
        })
        .collect();
    let start = State {
        surface: first.state.surface.clone(),
        stretch: first.state.stretch,
        cameras: [&first.state.cameras[..], &moved.cameras].concat(),
        poses: [&first.state.poses[..], &moved.poses].concat(),
        cards: [&first.state.cards[..], &moved.cards].concat(),
        rows: places,
        habit_mm: Vec::new(),
    };
    let score = |measured: &Measured, i: &Option<usize>| i.map_or(0.0, |i| measured.rows[i].score);
    // What lies below the last row is said by who sees that row.
    let last = rows.last();
    let below = |measured: &Measured, i: Option<usize>| {
        (i == measured.rows.len().checked_sub(1))
            .then_some(measured.next_score)
            .flatten()
    };
    let next_score = last.and_then(|(_, i, j)| {
        let said = [below(first, *i), below(second, *j)];
        said.into_iter().flatten().reduce(f64::max)
    });
    Rough {
        joint: Joint {
            cameras: [&first.problem.cameras[..], &second.problem.cameras].concat(),
            photos,
            priors: first.problem.priors,
            start,
            line_loss: Loss::Huber(2.5),
            hand: None,
        },
        cards: [&first.cards[..], &second.cards].concat(),
        rows: rows
            .iter()
            .map(|(index, i, j)| RoughRow {
                index: *index,
                score: score(first, i).max(score(second, j)),
            })
            .collect(),
        next_score,
        other_stagger: first.other_stagger.or(second.other_stagger),
    }
}

/// The second scene in the first one's frame.
fn carried_over(first: &State, second: &State, tie: &Tie, repeat_mm: f64) -> State {
    let n = tie.rows.len() as f64;
    let turn = tie
        .rows
        .iter()
        .map(|(i, j)| second.rows[*j].slope.atan() - first.rows[*i].slope.atan())
        .sum::<f64>()
        / n;
    let turned = with_rows_turned(second, turn);
    // The start of a repeat both see, in each frame.
    let by = tie
        .rows
        .iter()
        .zip(&tie.repeats)
        .map(|((i, j), (k, l))| {
            let at = |state: &State, row: usize, repeat: i64| {
                let along = repeat as f64 * repeat_mm;
                state.rows[row].on_quilt(along, 0.0, &state.stretch)
            };
            at(first, *i, *k) - at(&turned, *j, *l)
        })
        .sum::<Vector2>()
        / n;
    moved(&turned, by)
}

/// The scene in a frame whose origin lies at −`by` in the present one.
fn moved(state: &State, by: Vector2) -> State {
    let back = Vector3::new(by.x, by.y, 0.0);
    State {
        poses: state
            .poses
            .iter()
            .map(|pose| Pose {
                translation: pose.translation - pose.matrix() * back,
                ..*pose
            })
            .collect(),
        cards: state
            .cards
            .iter()
            .map(|card| CardPose {
                x: card.x + by.x,
                s: card.s + by.y,
                ..*card
            })
            .collect(),
        rows: state
            .rows
            .iter()
            .map(|row| RowPlace {
                offset: row.offset + by.y - row.slope * by.x + row.bow * by.x * by.x,
                slope: row.slope - 2.0 * row.bow * by.x,
                bow: row.bow,
                shift: row.shift + by.x,
            })
            .collect(),
        ..state.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point2;
    use crate::plane::camera::Surface;
    use crate::plane::camera::{Camera, View};

    /// A moved frame shows every point of the quilt at the same pixel.
    #[test]
    fn a_moved_scene_looks_the_same() {
        let state = State {
            cameras: vec![Camera::new(
                3000.0,
                Point2::new(2000.0, 1500.0),
                Default::default(),
            )],
            poses: vec![Pose {
                rotation: Vector3::new(0.3, -0.2, 0.1),
                translation: Vector3::new(50.0, -30.0, 1300.0),
            }],
            rows: vec![RowPlace {
                offset: 12.0,
                slope: 0.01,
                bow: 1e-5,
                shift: -40.0,
            }],
            ..State::default()
        };
        let by = Vector2::new(310.0, -95.0);
        let turn = 0.02;
        let other = moved(&with_rows_turned(&state, turn), by);
        let view = |state: &State| {
            View {
                camera: state.cameras[0],
                pose: state.poses[0],
                surface: Surface::default(),
            }
            .prepare()
        };
        for x in [-200.0, 0.0, 150.0] {
            let here = state.rows[0].on_quilt(x, 0.0, &state.stretch);
            let there = {
                let (sin, cos) = turn.sin_cos();
                Point2::new(
                    cos * here.x + sin * here.y + by.x,
                    cos * here.y - sin * here.x + by.y,
                )
            };
            let (a, b) = (
                view(&state).photo_from_quilt(here).unwrap(),
                view(&other).photo_from_quilt(there).unwrap(),
            );
            assert!((a - b).norm() < 1e-6, "{a} {b}");
            // Bends are small, so a turn leaves a row's bow what it was to a hundredth of a millimetre.
            assert!((other.rows[0].y(there.x) - there.y).abs() < 0.01);
        }
    }
}

//! Which places of the followed lines count, and how much, before everything is solved for the last time.

use crate::plane::camera::PreparedView;
use crate::plane::joint::{Joint, LineObservation, Prior, State};
use crate::row::habit::Habit;
use crate::row::spread::{inflation, robust_spread};
use crate::row::trace::{OBSERVE_EVERY, RowTrace};
use std::collections::{BTreeMap, BTreeSet};

/// Observations of a stretch of line that is judged as a whole: a hand's breadth.
const STRETCH: usize = 14;
/// How far the middle of a stretch may lie off, in standard deviations of all stretches' and mm at least.
const STRETCH_OFF: f64 = 3.5;
const STRETCH_OFF_MM: f64 = 0.6;

/// Settles who is an outlier, what is habit and what chance; `samples` is the number of millimetre samples in one
/// repeat, `scales_mm` the spread of each row's deviations its observations were made with.
///
/// What the hand does in the same way in every repeat is no chance: it is to be solved for. Deviations of a hand hang
/// together over centimetres, so each place counts less than its own spread says.
pub(super) fn settle(joint: &mut Joint, traces: &[RowTrace], scales_mm: &[f64], samples: usize) {
    let habit = Habit::of(traces, samples);
    let inflations: Vec<f64> = traces
        .iter()
        .zip(scales_mm)
        .map(|(trace, scale_mm)| {
            let chance = habit.taken_from(trace, samples);
            let now_mm = robust_spread(&chance).clamp(0.3, 1.5);
            inflation(&chance, OBSERVE_EVERY) * (now_mm / scale_mm).powi(2)
        })
        .collect();
    joint.priors.habit_mm = Prior::new(0.0, habit.u_mm);
    joint.start.habit_mm = habit.values_mm;
    let mut placed: Vec<Vec<Placed>> = Vec::new();
    for (photo, observations) in joint.photos.iter_mut().enumerate() {
        let view = joint.start.view(photo, photo);
        let lines = std::mem::take(&mut observations.lines).into_iter();
        let place = |line| Placed {
            off_px: off_px(&joint.start, &view, &line),
            line,
        };
        placed.push(lines.map(place).collect());
    }
    drop_stray_stretches(&mut placed);
    let shown_in = photos_by_part(&placed);
    for (observations, placed) in joint.photos.iter_mut().zip(placed) {
        let kept = placed
            .into_iter()
            .filter_map(|Placed { mut line, off_px }| {
                let weight = joint.line_loss.weight(off_px? / line.u_px);
                // What the hand did at a place is the same in all photos that show it: together they know no more.
                let photos = f64::from(shown_in[&part_of(&line)]);
                line.u_px *= (inflations[line.row] * photos / weight.max(1e-9)).sqrt();
                (weight > 0.01).then_some(line)
            });
        observations.lines = kept.collect();
    }
}

/// A place of the line, and how far it lies off the state, px along its normal; `None` where it cannot be seen.
#[derive(Debug, Clone, Copy)]
struct Placed {
    line: LineObservation,
    off_px: Option<f64>,
}

/// As [`Placed::off_px`].
fn off_px(state: &State, view: &PreparedView, line: &LineObservation) -> Option<f64> {
    let place = state.rows[line.row].on_quilt(line.along_mm, line.across_mm, &state.stretch);
    let px = view.photo_from_quilt(place)?;
    Some(line.normal.dot(&(px - line.in_photo_px)) + state.habit_px(line))
}

/// Stretches of the lines, in their order.
fn stretches(lines: &[Placed]) -> impl Iterator<Item = &[Placed]> {
    let rows = lines.chunk_by(|a, b| a.line.row == b.line.row);
    rows.flat_map(|row| row.chunks(STRETCH))
}

/// Leaves out stretches that lie off as wholes: something beside the stitching was followed there, and each of its
/// places by itself lies no farther off than a hand may stray.
fn drop_stray_stretches(photos: &mut [Vec<Placed>]) {
    let off_mm = |stretch: &[Placed]| {
        let seen = stretch.iter().filter_map(|p| Some((p.off_px?, p.line)));
        let mm = seen.map(|(off_px, line)| off_px / line.px_per_mm.max(1e-9));
        mm.sum::<f64>() / stretch.len() as f64
    };
    let all: Vec<f64> = photos
        .iter()
        .flat_map(|p| stretches(p))
        .map(off_mm)
        .collect();
    let most_mm = (STRETCH_OFF * robust_spread(&all)).max(STRETCH_OFF_MM);
    for lines in photos {
        let kept = stretches(lines).filter(|stretch| off_mm(stretch).abs() <= most_mm);
        *lines = kept.flatten().copied().collect();
    }
}

/// Row, and part of its design, a few centimetres wide, on which a place of the line lies.
fn part_of(line: &LineObservation) -> (usize, i64, i64) {
    const PART_MM: f64 = 25.0;
    let part = |mm: f64| (mm / PART_MM).floor() as i64;
    (line.row, part(line.along_mm), part(line.across_mm))
}

/// How many photos show each part of the rows' lines.
fn photos_by_part(photos: &[Vec<Placed>]) -> BTreeMap<(usize, i64, i64), u32> {
    let mut shown = BTreeMap::new();
    for photo in photos {
        let parts: BTreeSet<_> = photo.iter().map(|p| part_of(&p.line)).collect();
        for part in parts {
            *shown.entry(part).or_default() += 1;
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Point2, Vector2};

    /// Two pixels to the millimetre.
    fn placed(row: usize, along_mm: f64, across_mm: f64, off_mm: f64) -> Placed {
        Placed {
            off_px: Some(2.0 * off_mm),
            line: LineObservation {
                row,
                along_mm,
                across_mm,
                in_photo_px: Point2::origin(),
                normal: Vector2::new(0.0, 1.0),
                u_px: 1.0,
                phase: 0.0,
                px_per_mm: 2.0,
            },
        }
    }

    #[test]
    fn a_stretch_that_lies_off_as_a_whole_is_left_out_and_a_hand_that_wanders_is_not() {
        // The hand wanders by 0.4 mm, and two stretches follow something 1.5 mm off.
        let followed_else = 2 * STRETCH..4 * STRETCH;
        let off_mm = |i: usize| match followed_else.contains(&i) {
            true => 1.5,
            false => 0.4 * (i as f64 / 5.0).sin(),
        };
        let along_mm = |i: usize| 3.0 * i as f64 - 420.0;
        let mut photos = [(0..280)
            .map(|i| placed(0, along_mm(i), 0.0, off_mm(i)))
            .collect()];
        drop_stray_stretches(&mut photos);
        let left: Vec<f64> = photos[0].iter().map(|p| p.line.along_mm).collect();
        assert_eq!(left.len(), 280 - 2 * STRETCH);
        let gone = |i: usize| !left.contains(&along_mm(i));
        assert!(followed_else.into_iter().all(gone));
    }

    #[test]
    fn a_place_seen_in_two_photos_counts_two_and_twice_in_one_counts_one() {
        let here = placed(0, 30.0, -3.0, 0.0);
        let beside = placed(0, 60.0, -3.0, 0.0);
        let below = placed(1, 30.0, -3.0, 0.0);
        let shown = photos_by_part(&[vec![here, here, beside], vec![below], vec![here]]);
        let counts = [here, beside, below].map(|p| shown[&part_of(&p.line)]);
        assert_eq!(counts, [2, 1, 1]);
    }
}

//! Which places of the followed lines count, and how much, before everything is solved for the last time.

use crate::geometry::{Point2, Vector2};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{Joint, LineObservation, Prior, State};
use crate::row::habit::Habit;
use crate::row::hand::{self, Strayed};
use crate::row::spread::{inflation, robust_spread};
use crate::row::trace::{OBSERVE_EVERY, RowTrace};
use crate::solve::median::median;
use std::collections::{BTreeMap, BTreeSet};

/// Observations of a stretch of line that is judged as a whole: a hand's breadth.
const STRETCH: usize = 14;
/// How far the middle of a stretch may lie off, in standard deviations of all stretches' and mm at least.
const STRETCH_OFF: f64 = 3.5;
const STRETCH_OFF_MM: f64 = 0.6;
/// Observations that are taken together as one before everything is solved: 12 mm of line, over which a hand strays as one.
const PIECE: usize = 4;

/// Settles who is an outlier, what is habit, and how the hand strays; `samples` is the number of millimetre samples in one
/// repeat, `scales_mm` the spread of each row's deviations its observations were made with.
///
/// What the hand does in the same way in every repeat is no chance: it is to be solved for. What else it strays hangs together
/// along the line, so that is learned, and solved with; but for a whole quilt there each place counts less than its own spread says.
pub(super) fn settle(
    joint: &mut Joint,
    traces: &[RowTrace],
    scales_mm: &[f64],
    samples: usize,
    whole_quilt: bool,
) {
    let habit = Habit::of(traces, samples);
    joint.priors.habit_mm = Prior::new(0.0, habit.u_mm);
    joint.start.habit_mm = habit.values_mm.clone();
    let mut placed: Vec<Vec<Placed>> = Vec::new();
    for (photo, observations) in joint.photos.iter_mut().enumerate() {
        let view = joint.start.view(photo, photo);
        let lines = std::mem::take(&mut observations.lines).into_iter();
        let place = |line| Placed::new(&joint.start, &view, line);
        placed.push(lines.filter_map(place).collect());
    }
    drop_stray_stretches(&mut placed);
    for lines in &mut placed {
        lines.retain_mut(|placed| {
            let weight = joint.line_loss.weight(placed.off_px / placed.line.u_px);
            placed.line.u_px /= weight.max(1e-9).sqrt();
            weight > 0.01
        });
    }
    if whole_quilt {
        let inflations = inflations(&habit, traces, scales_mm, samples);
        weigh_down(joint, placed, &inflations);
    } else {
        learn_hand(joint, placed, traces);
    }
}

/// Places that count less than their own spread says, by their rows' `inflations`.
fn weigh_down(joint: &mut Joint, placed: Vec<Vec<Placed>>, inflations: &[f64]) {
    let shown_in = photos_by_part(&placed);
    for (observations, placed) in joint.photos.iter_mut().zip(placed) {
        let weighed = |Placed { mut line, .. }: Placed| {
            // What the hand did at a place is the same in all photos that show it: together they know no more.
            let photos = f64::from(shown_in[&part_of(&line)]);
            line.u_px *= (inflations[line.row] * photos).sqrt();
            line
        };
        observations.lines = placed.into_iter().map(weighed).collect();
    }
}

/// Places that hang together as a hand strays, which is learned from them.
fn learn_hand(joint: &mut Joint, mut placed: Vec<Vec<Placed>>, traces: &[RowTrace]) {
    for lines in &mut placed {
        let whole = |piece| Placed::of_piece(&joint.start, piece);
        *lines = pieces(lines).map(whole).collect();
    }
    let own_u_mms = placed.iter().flatten().map(Placed::own_u_mm).collect();
    // Against this the places' own uncertainties count.
    let usual_u_mm = median(own_u_mms, f64::total_cmp).unwrap_or(1.0);
    let mut rows: Vec<Vec<Strayed>> = vec![Vec::new(); joint.start.rows.len()];
    for placed in placed.iter().flatten() {
        rows[placed.line.row].push(placed.strayed(usual_u_mm));
    }
    for row in &mut rows {
        row.sort_by(|a, b| a.arc_mm.total_cmp(&b.arc_mm));
    }
    let is_faint = traces.iter().any(|t| t.points.iter().any(|p| p.is_faint));
    let learned = hand::learn(&rows, is_faint).widened(widening(traces));
    for (observations, placed) in joint.photos.iter_mut().zip(placed) {
        let with_own = |placed: Placed| LineObservation {
            u_px: placed.line.u_px * learned.own_mm / usual_u_mm,
            ..placed.line
        };
        observations.lines = placed.into_iter().map(with_own).collect();
    }
    joint.hand = Some(learned.hand);
}

/// By how much the variance of a mean of each row's places is larger than of as many independent ones.
fn inflations(habit: &Habit, traces: &[RowTrace], scales_mm: &[f64], samples: usize) -> Vec<f64> {
    let rows = traces.iter().zip(scales_mm);
    rows.map(|(trace, scale_mm)| {
        let chance = habit.taken_from(trace, samples);
        let now_mm = robust_spread(&chance).clamp(0.3, 1.5);
        inflation(&chance, OBSERVE_EVERY) * (now_mm / scale_mm).powi(2)
    })
    .collect()
}

/// By how much more lines stray than is seen of them: what is found of a line is what strays least.
fn widening(traces: &[RowTrace]) -> f64 {
    let counts = traces.iter().map(RowTrace::found_of_visible);
    let (found, visible) = counts.fold((0, 0), |(f, v), (found, visible)| (f + found, v + visible));
    (visible as f64 / found.max(1) as f64).sqrt().max(1.0)
}

/// A place of the line, where the state puts it, and how far that lies off along its normal, px.
#[derive(Debug, Clone, Copy)]
struct Placed {
    line: LineObservation,
    put_px: Point2,
    off_px: f64,
}

impl Placed {
    /// `None` where the place cannot be seen.
    fn new(state: &State, view: &PreparedView, line: LineObservation) -> Option<Placed> {
        let place = state.rows[line.row].on_quilt(line.along_mm, line.across_mm, &state.stretch);
        let put_px = view.photo_from_quilt(place)?;
        Some(Placed {
            put_px,
            off_px: line.normal.dot(&(put_px - line.in_photo_px)) + state.habit_px(&line),
            line,
        })
    }

    /// A length along the normal, mm on the quilt.
    fn mm(&self, px: f64) -> f64 {
        px / self.line.px_per_mm.abs().max(1e-9)
    }

    fn off_mm(&self) -> f64 {
        self.mm(self.off_px)
    }

    /// Standard uncertainty of the place by itself.
    fn own_u_mm(&self) -> f64 {
        self.mm(self.line.u_px)
    }

    /// As a place that says how the hand strays.
    fn strayed(&self, usual_u_mm: f64) -> Strayed {
        Strayed {
            arc_mm: self.line.arc_mm,
            along_mm: self.line.along_mm,
            normal: self.line.normal_on_quilt,
            off_mm: self.off_mm(),
            own: self.own_u_mm() / usual_u_mm,
        }
    }

    /// A piece of line as one place: the means of its places, where the state puts the middle one.
    fn of_piece(state: &State, piece: &[Placed]) -> Placed {
        let middle = piece[piece.len() / 2];
        let weights = || piece.iter().map(|p| p.line.u_px.powi(-2));
        let total: f64 = weights().sum();
        let mean = |of: &dyn Fn(&Placed) -> f64| {
            let sum: f64 = piece.iter().zip(weights()).map(|(p, w)| w * of(p)).sum();
            sum / total
        };
        let mean_of = |of: &dyn Fn(&LineObservation) -> Vector2| {
            Vector2::new(mean(&|p| of(&p.line).x), mean(&|p| of(&p.line).y))
        };
        let normal = mean_of(&|line| line.normal);
        let off_px = mean(&|p| p.off_px);
        let without_habit = off_px - state.habit_px(&middle.line);
        Placed {
            put_px: middle.put_px,
            off_px,
            line: LineObservation {
                in_photo_px: middle.put_px - normal * (without_habit / normal.norm_squared()),
                normal,
                u_px: total.sqrt().recip(),
                arc_mm: mean(&|p| p.line.arc_mm),
                normal_on_quilt: mean_of(&|line| line.normal_on_quilt),
                px_per_mm: mean(&|p| p.line.px_per_mm),
                ..middle.line
            },
        }
    }
}

/// The lines in pieces, each of at most [`PIECE`] places that follow one another.
fn pieces(places: &[Placed]) -> impl Iterator<Item = &[Placed]> {
    let follows = |a: &Placed, b: &Placed| {
        let gap_mm = b.line.arc_mm - a.line.arc_mm;
        a.line.row == b.line.row && gap_mm > 0.0 && gap_mm < 1.5 * OBSERVE_EVERY as f64
    };
    let runs = places.chunk_by(follows);
    runs.flat_map(|run| run.chunks(PIECE))
}

/// Stretches of the lines, in their order.
fn stretches(lines: &[Placed]) -> impl Iterator<Item = &[Placed]> {
    let rows = lines.chunk_by(|a, b| a.line.row == b.line.row);
    rows.flat_map(|row| row.chunks(STRETCH))
}

/// Leaves out stretches that lie off as wholes: something beside the stitching was followed there, and each of its
/// places by itself lies no farther off than a hand may stray.
fn drop_stray_stretches(photos: &mut [Vec<Placed>]) {
    let off_mm =
        |stretch: &[Placed]| stretch.iter().map(Placed::off_mm).sum::<f64>() / stretch.len() as f64;
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
            put_px: Point2::new(0.0, 2.0 * off_mm),
            off_px: 2.0 * off_mm,
            line: LineObservation {
                row,
                along_mm,
                across_mm,
                in_photo_px: Point2::origin(),
                normal: Vector2::new(0.0, 1.0),
                u_px: 1.0,
                arc_mm: along_mm,
                normal_on_quilt: Vector2::y(),
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

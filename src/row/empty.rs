//! Stretches of a row's design along which a photo shows no line.
//!
//! How far a line stands out is held against what lies beside it, and so it is lost among the stripes of a busy print
//! as well as where nothing was stitched. The line's own bend across, in grey levels, tells these apart: among stripes it
//! is what it is before and after them, where nothing was stitched it vanishes. It vanishes as well under a hand or a
//! rail, and on cloth of the thread's own tone; so the cloth has to go on with the same tone at both ends, and the line
//! with the same sign.

use super::trace::TracePoint;
use crate::line::strip::running_mean;
use crate::solve::median::median;
use std::ops::Range;

/// Half length of the mean in which the bend is judged, samples of a millimetre: chance bends change sign.
const MEAN_HALF: usize = 4;
/// Half length of line whose bend is what is usual in its middle, samples, and in what steps it is looked at.
const USUAL_HALF: usize = 300;
const USUAL_STEP: usize = 50;
/// Found samples by which a usual bend is known at least.
const FEWEST: usize = 50;
/// Bends weaker than this share of the usual one may be of an empty stretch.
const WEAK: f32 = 0.3;
/// Shortest stretch, samples: 30, less what its ends lend it of their strength.
const SHORTEST: usize = 26;
/// Chance answers of this length do not end a stretch, samples, nor longer ones up to this share of the empty line on
/// either side of them.
const BRIDGED: usize = 12;
const BRIDGED_SHARE: f64 = 0.5;
/// Length of line on either side with whose bend and cloth a stretch is compared, samples, and how much of it has to be
/// visible.
const BESIDE: usize = 40;
const BESIDE_VISIBLE: usize = 15;
/// Mean bend along a stretch as a share of that on either side, at most.
const VANISHED: f32 = 0.25;
/// By how much the cloth's tone may differ from that on either side, as a share: more is another thing.
const OTHER_TONE: f32 = 0.2;
/// Nothing that hides the row may be nearer to a stretch than this, samples.
const CLEAR_OF_CARDS: usize = 12;

/// Share of the bend beside a stretch at which the line is back, and the samples from its end on whose bend that is.
const BACK: f32 = 0.7;
const FULL: Range<usize> = 10..50;

/// A stretch without a line, though there is one on both sides of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Empty {
    /// Which samples of the run.
    pub range: Range<usize>,
    /// Samples from its ends to where the line is back in full, both sides together: what was not stitched ends within
    /// a stitch or two, which smoothing makes 4 each; thread that passes the cloth's tone fades and comes back.
    pub fading: usize,
}

/// Empty stretches of a run through a row in one photo.
pub(super) fn empty_stretches(points: &[TracePoint]) -> Vec<Empty> {
    let signed: Vec<f32> = points.iter().map(|p| p.bend).collect();
    let bends = running_mean(&signed, MEAN_HALF);
    let usual = usual_bends(points, &bends);
    let is_weak: Vec<bool> = points
        .iter()
        .zip(bends.iter().zip(&usual))
        .map(|(p, (bend, usual))| p.is_clear() && bend.abs() < WEAK * usual)
        .collect();
    let visible = |range: Range<usize>| points[range].iter().all(TracePoint::is_visible);
    let mut stretches: Vec<Range<usize>> = Vec::new();
    for next in runs_of(&is_weak) {
        match stretches.last_mut() {
            Some(last)
                if {
                    let shorter = last.len().min(next.len()) as f64;
                    let longest = BRIDGED.max((BRIDGED_SHARE * shorter) as usize);
                    next.start - last.end <= longest && visible(last.end..next.start)
                } =>
            {
                last.end = next.end;
            }
            _ => stretches.push(next),
        }
    }
    stretches.retain(|stretch| {
        stretch.len() >= SHORTEST
            && nothing_near(points, stretch)
            && vanishes(points, &bends, stretch)
    });
    let empty = |range: Range<usize>| Empty {
        fading: fading(points, &bends, &range),
        range,
    };
    stretches.into_iter().map(empty).collect()
}

fn fading(points: &[TracePoint], bends: &[f32], stretch: &Range<usize>) -> usize {
    let back = |side: &mut dyn Iterator<Item = usize>| -> usize {
        let visible = side.filter(|i| points[*i].is_visible()).take(FULL.end);
        let sizes: Vec<f32> = visible.map(|i| bends[i].abs()).collect();
        let full = sizes.iter().skip(FULL.start).copied().collect();
        let full = median(full, f32::total_cmp).unwrap_or(f32::MAX);
        let back = sizes.iter().position(|b| *b > BACK * full);
        back.unwrap_or(sizes.len())
    };
    back(&mut (0..stretch.start).rev()) + back(&mut (stretch.end..points.len()))
}

/// Median size of the found line's bend around each sample; not a number where too little is found.
fn usual_bends(points: &[TracePoint], bends: &[f32]) -> Vec<f32> {
    let mut usual = vec![f32::NAN; points.len()];
    for (step, part) in usual.chunks_mut(USUAL_STEP).enumerate() {
        let middle = step * USUAL_STEP + USUAL_STEP / 2;
        let around = middle.saturating_sub(USUAL_HALF)..(middle + USUAL_HALF).min(points.len());
        let found = around.filter(|i| points[*i].found);
        let sizes: Vec<f32> = found.map(|i| bends[i].abs()).collect();
        if sizes.len() >= FEWEST {
            part.fill(median(sizes, f32::total_cmp).unwrap_or(f32::NAN));
        }
    }
    usual
}

fn runs_of(is_weak: &[bool]) -> Vec<Range<usize>> {
    let mut start = 0;
    let mut runs = Vec::new();
    for run in is_weak.chunk_by(|a, b| a == b) {
        if run[0] {
            runs.push(start..start + run.len());
        }
        start += run.len();
    }
    runs
}

/// Whether neither a card nor what is out of sight comes near.
fn nothing_near(points: &[TracePoint], stretch: &Range<usize>) -> bool {
    let from = stretch.start.saturating_sub(CLEAR_OF_CARDS);
    let to = (stretch.end + CLEAR_OF_CARDS).min(points.len());
    points[from..to].iter().all(TracePoint::is_clear)
}

/// Whether the bend vanishes although the cloth goes on on both sides, and on it the line, light or dark on both.
fn vanishes(points: &[TracePoint], bends: &[f32], stretch: &Range<usize>) -> bool {
    let middle = |range: Range<usize>| -> Option<(f32, f32)> {
        let clear = || range.clone().filter(|i| points[*i].is_clear());
        if clear().count() < BESIDE_VISIBLE {
            return None;
        }
        let bend = median(clear().map(|i| bends[i]).collect(), f32::total_cmp)?;
        let cloth = median(clear().map(|i| points[i].cloth).collect(), f32::total_cmp)?;
        Some((bend, cloth))
    };
    let before = middle(stretch.start.saturating_sub(BESIDE)..stretch.start);
    let after = middle(stretch.end..(stretch.end + BESIDE).min(points.len()));
    let (Some(before), Some(here), Some(after)) = (before, middle(stretch.clone()), after) else {
        return false;
    };
    let goes_on = |side: (f32, f32)| {
        here.0.abs() <= VANISHED * side.0.abs() && (here.1 - side.1).abs() <= OTHER_TONE * here.1
    };
    before.0 * after.0 > 0.0 && goes_on(before) && goes_on(after)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::trace::test_points;

    /// Bend and tone of the cloth by sample.
    fn run(shown: impl Fn(usize) -> (f32, f32)) -> Vec<TracePoint> {
        let mut points = test_points(600, |_| 20.0);
        for (i, p) in points.iter_mut().enumerate() {
            (p.bend, p.cloth) = shown(i);
        }
        points
    }

    #[test]
    fn a_stretch_without_a_bend_on_the_same_cloth_is_empty() {
        let gap = |i: usize| (200..260).contains(&i);
        let found = empty_stretches(&run(|i| if gap(i) { (1.0, 121.0) } else { (-40.0, 118.0) }));
        // The mean reaches 4 samples in from both ends.
        let [Empty { range, fading }] = found.as_slice() else {
            panic!("{found:?}")
        };
        assert!(*fading <= 8, "{fading}");
        assert!(
            range.start.abs_diff(200) <= 4 && range.end.abs_diff(260) <= 4,
            "{range:?}"
        );
        // A chance answer in the middle does not end it.
        let chance = |i: usize| (225..230).contains(&i);
        let found = empty_stretches(&run(|i| match (gap(i), chance(i)) {
            (true, false) => (1.0, 121.0),
            _ => (-40.0, 118.0),
        }));
        assert_eq!(found.len(), 1, "{found:?}");
    }

    #[test]
    fn thread_that_fades_and_comes_back_is_told_by_its_ends() {
        // Over 40 mm down to the cloth's tone, 40 mm like it, and back.
        let bend = |i: usize| -40.0 * ((i.abs_diff(300) as f32 - 20.0) / 40.0).clamp(0.0, 1.0);
        let found = empty_stretches(&run(|i| (bend(i), 118.0)));
        let [Empty { fading, .. }] = found.as_slice() else {
            panic!("{found:?}")
        };
        // From where the mean has 0.3 of the full bend to where it has 0.7, on both sides, is 32.
        assert!(*fading >= 28, "{fading}");
    }

    #[test]
    fn what_only_hides_the_line_is_not_empty() {
        let gap = |i: usize| (200..260).contains(&i);
        let found = |shown: &dyn Fn(usize) -> (f32, f32)| empty_stretches(&run(shown));
        // Something of another tone lies over it.
        assert_eq!(
            found(&|i| if gap(i) { (1.0, 170.0) } else { (-40.0, 118.0) }),
            []
        );
        // The thread passes from darker than the cloth to lighter.
        let fading = |i: usize| match i {
            0..200 => -40.0,
            200..260 => 0.0,
            _ => 40.0,
        };
        assert_eq!(found(&|i| (fading(i), 118.0)), []);
        // Half of the bend is left.
        assert_eq!(found(&|i| (if gap(i) { -20.0 } else { -40.0 }, 118.0)), []);
        // Too short to be told from chance.
        assert_eq!(
            found(&|i| (if (200..222).contains(&i) { 0.0 } else { -40.0 }, 118.0)),
            []
        );
    }
}

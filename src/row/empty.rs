//! Stretches of a row's design along which a photo shows no line.
//!
//! How far a line stands out is held against what lies beside it, and so it is lost among the stripes of a busy print
//! as well as where nothing was stitched. The line's own bend across, in grey levels, tells these apart: among stripes it
//! is what it is before and after them, where nothing was stitched it vanishes. It is also weak where the light falls along
//! the line, but then at the same place of the design in every repeat. So bends are held against what the design's other
//! repeats show at the same place, and each sample says how much likelier it is without a line than with one. The path
//! through both states, with a price on each change, gives the stretches.

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
/// Repeats by which it is known what the design shows at a place, and the share of the usual bend that says something.
const FEWEST_REPEATS: usize = 5;
const LEAST_SHOWN: f32 = 0.25;
/// Spread of a bend, as a share of what is expected, where there is no line.
const EMPTY_SPREAD: f32 = 0.14;
/// Spread of its logarithm where there is one, and the share of either that may be anything up to twice the expected.
const LINE_LOG_SPREAD: f32 = 0.6;
const ANYTHING: f32 = 0.1;
/// Most one sample says, and how many samples of the mean say the same.
const MOST_SAID: f32 = 2.5;
const SAY_THE_SAME: f32 = 6.0;
/// Price of a change from line to no line or back; with both, a stretch has to be `exp(9)` times likelier empty.
const CHANGE: f32 = 4.5;
/// Shortest stretch, samples, and known ones of it: 30, less what its ends lend it of their strength.
const SHORTEST: usize = 24;
const FEWEST_KNOWN: usize = 18;
/// Least usual strength: where the line can hardly be told from chance, which gives 2, an empty place means
/// nothing.
const CLEAR: f32 = 8.0;
/// Bend, as a share of what is expected, that is as good as none, and how much of the found line may have no more: stitching
/// then vanishes by itself.
const WEAK: f32 = 0.3;
const MOST_WEAK: f64 = 0.02;
/// Strength in the middle of a stretch, as a share of the photos' usual one, at most.
const NO_LINE: f32 = 0.25;
/// Bend up to which a stretch shows no line in another repeat, as a share of what is expected, and that of the next
/// repeats from which they are stitched.
const NOT_THERE: f32 = 0.35;
const NEXT_THERE: f32 = 0.6;
/// Share of what is known of a stretch that has to be known of another repeat's for them to be compared.
const COMPARABLE: f64 = 0.6;
/// Repeats there have to be to compare with, and the share of them, and of those of the same row, that may not be there.
const FEWEST_OTHERS: usize = 4;
const OTHERS_MISSING: f64 = 0.5;
const OF_ROW_MISSING: f64 = 0.34;
/// Samples on either side and at either end of a stretch by which the cloth's tone is judged, and by how much it may
/// differ, as a share: more is another thing that lies over it.
const BESIDE: usize = 25;
const OTHER_TONE: f32 = 0.25;
/// Cloth is like that of a sample when its luma differs by no more than this share and so many grey levels; so much of
/// the found line has to lie on such cloth, samples; and the share of that which may be of the other sign, lighter than
/// the cloth or darker.
const LIKE_SHARE: f32 = 0.1;
const LIKE_LEVELS: f32 = 4.0;
const FEWEST_LIKE: f64 = 50.0;
const OTHER_SIGN: f64 = 0.15;
/// Share of a stretch on such cloth, and of the line on such cloth that is found, at least.
const WOULD_SHOW: f64 = 0.5;
const FOUND_ON_LIKE: f64 = 0.3;

/// Stretches of runs through rows, samples, along which the design was not stitched.
///
/// A stretch is looked at where the line's bend vanishes against what the design shows there (`Bends::empty_stretches`).
/// That also happens where a rail lies over the row, so the cloth has to go on with its tone and the next repeats have to
/// be stitched there, and most others. And a thread is lost on cloth of its own tone: so on cloth like the stretch's the
/// line has to be found elsewhere, lighter everywhere or darker everywhere. Where the found line's bend vanishes now and then all
/// over the photo, as with a thread of changing colour, nothing is said, nor of lines followed as faint ones.
///
/// `runs` are rows in a photo each, sample by sample from the start of a repeat, which has so many `samples`.
pub(super) fn empty_stretches(runs: &[&[TracePoint]], samples: usize) -> Vec<Vec<Range<usize>>> {
    let none = vec![Vec::new(); runs.len()];
    let found = runs.iter().flat_map(|run| run.iter()).filter(|p| p.found);
    let usual = match median(found.map(|p| p.strength).collect(), f32::total_cmp) {
        Some(usual) if usual >= CLEAR && samples > 0 => usual,
        _ => return none,
    };
    let bends = Bends::new(runs, samples);
    if bends.weak_share(runs) > MOST_WEAK {
        return none;
    }
    let on_cloth = OnCloth::new(runs);
    let of_run = |(number, run): (usize, &&[TracePoint])| -> Vec<Range<usize>> {
        if run.iter().any(|p| p.is_faint) {
            return Vec::new();
        }
        let found = ends(run.iter().filter(|p| p.found));
        let mut stretches = bends.empty_stretches(number);
        stretches.retain(|stretch| {
            let points = &run[stretch.clone()];
            let (from, to) = ends(points);
            let clear = points.iter().filter(|p| p.is_clear());
            let strength = median(clear.map(|p| p.strength).collect(), f32::total_cmp);
            from > found.0
                && to < found.1
                && strength.is_some_and(|strength| strength <= NO_LINE * usual)
                && cloth_goes_on(run, stretch)
                && on_cloth.line_would_show(points)
                && stitched_elsewhere(&bends.relative, number, stretch, samples)
        });
        stretches
    };
    runs.iter().enumerate().map(of_run).collect()
}

/// Least and greatest x on the quilt, mm.
pub(super) fn ends<'a>(points: impl IntoIterator<Item = &'a TracePoint>) -> (f64, f64) {
    points.into_iter().fold((f64::MAX, f64::MIN), |(a, b), p| {
        (a.min(p.on_quilt.x), b.max(p.on_quilt.x))
    })
}

/// Whether the cloth has the same tone at both ends of a stretch as beside them.
fn cloth_goes_on(points: &[TracePoint], stretch: &Range<usize>) -> bool {
    let tone = |points: &mut dyn Iterator<Item = &TracePoint>| {
        let clear = points.filter(|p| p.is_clear()).take(BESIDE);
        median(clear.map(|p| p.cloth).collect(), f32::total_cmp)
    };
    let here = &points[stretch.clone()];
    let same = |inside: Option<f32>, outside: Option<f32>| match (inside, outside) {
        (Some(inside), Some(outside)) => (inside - outside).abs() <= OTHER_TONE * inside,
        // Nothing else of the row is seen there.
        (Some(_), None) => true,
        (None, _) => false,
    };
    same(
        tone(&mut here.iter()),
        tone(&mut points[..stretch.start].iter().rev()),
    ) && same(
        tone(&mut here.iter().rev()),
        tone(&mut points[stretch.end..].iter()),
    )
}

/// How much of the lines lies on cloth of each tone, samples: found and lighter, found and darker, not found.
struct OnCloth {
    /// Sums over all darker tones, grey level by grey level.
    sums: Vec<[f64; 3]>,
}

impl OnCloth {
    fn new(runs: &[&[TracePoint]]) -> OnCloth {
        let mut counts = vec![[0.0; 3]; 256];
        for p in runs
            .iter()
            .flat_map(|run| run.iter())
            .filter(|p| p.is_clear())
        {
            let kind = match (p.found, p.bend > 0.0) {
                (true, true) => 0,
                (true, false) => 1,
                (false, _) => 2,
            };
            counts[p.cloth.clamp(0.0, 255.0) as usize][kind] += 1.0;
        }
        let mut sums = vec![[0.0; 3]];
        for (level, count) in counts.iter().enumerate() {
            let before = sums[level];
            sums.push([0, 1, 2].map(|kind| before[kind] + count[kind]));
        }
        OnCloth { sums }
    }

    /// What lies on cloth like this.
    fn like(&self, cloth: f32) -> [f64; 3] {
        let near = LIKE_SHARE * cloth + LIKE_LEVELS;
        let level = |tone: f32| tone.clamp(0.0, 255.0) as usize;
        let (darker, all) = (level(cloth - near), level(cloth + near) + 1);
        [0, 1, 2].map(|kind| self.sums[all][kind] - self.sums[darker][kind])
    }

    /// Whether a thread would show on the cloth of a stretch.
    fn line_would_show(&self, stretch: &[TracePoint]) -> bool {
        let (mut shows, mut shares) = (0.0, Vec::new());
        for p in stretch.iter().filter(|p| p.is_clear()) {
            let [lighter, darker, lost] = self.like(p.cloth);
            let found = lighter + darker;
            let is_one_sign = lighter.min(darker) <= OTHER_SIGN * found;
            shows += f64::from(u8::from(found >= FEWEST_LIKE && is_one_sign));
            shares.push(found / f64::max(found + lost, 1.0));
        }
        shows >= WOULD_SHOW * shares.len() as f64
            && median(shares, f64::total_cmp).is_some_and(|share| share >= FOUND_ON_LIKE)
    }
}

/// Whether other repeats are stitched where a stretch of run `here` is not, by all runs' bends.
fn stitched_elsewhere(
    bends: &[Vec<f32>],
    here: usize,
    stretch: &Range<usize>,
    samples: usize,
) -> bool {
    let empty = &bends[here][stretch.clone()];
    let known = empty.iter().filter(|b| !b.is_nan()).count();
    let (mut others, mut of_row) = (Vec::new(), Vec::new());
    let mut next_there = true;
    for (number, run) in bends.iter().enumerate() {
        let mut start = stretch.start % samples;
        while start + stretch.len() <= run.len() {
            let there = run[start..start + stretch.len()].iter().zip(empty);
            let both = there.filter(|(a, b)| !a.is_nan() && !b.is_nan());
            let there: Vec<f32> = both.map(|(there, _)| *there).collect();
            let is_here = number == here && start == stretch.start;
            if !is_here
                && there.len() as f64 >= COMPARABLE * known as f64
                && let Some(bend) = median(there, f32::total_cmp)
            {
                others.push(bend);
                if number == here {
                    of_row.push(bend);
                    // A rail that lies askew over the row hides one repeat after the other.
                    next_there &= start.abs_diff(stretch.start) != samples || bend >= NEXT_THERE;
                }
            }
            start += samples;
        }
    }
    let missing = |bends: &[f32]| {
        let missing = bends.iter().filter(|b| **b < NOT_THERE).count();
        missing as f64 / bends.len() as f64
    };
    next_there
        && others.len() >= FEWEST_OTHERS
        && missing(&others) <= OTHERS_MISSING
        && !of_row.is_empty()
        && missing(&of_row) <= OF_ROW_MISSING
}

/// Bends of all lines of a photo, or of several, against what the design's repeats show.
struct Bends {
    /// By run and sample, as a share of what is expected there; NaN where nothing is seen or known.
    relative: Vec<Vec<f32>>,
}

impl Bends {
    fn new(runs: &[&[TracePoint]], samples: usize) -> Bends {
        let shares: Vec<Vec<f32>> = runs.iter().map(|run| share_of_usual(run)).collect();
        let shown: Vec<f32> = (0..samples).map(|i| shown(&shares, i, samples)).collect();
        let relative: Vec<Vec<f32>> = shares
            .into_iter()
            .map(|run| {
                let by_place = run.into_iter().zip(shown.iter().cycle());
                by_place.map(|(share, shown)| share / shown).collect()
            })
            .collect();
        Bends { relative }
    }

    /// Share of the found line whose bend is as good as none.
    fn weak_share(&self, runs: &[&[TracePoint]]) -> f64 {
        let all = runs.iter().zip(&self.relative);
        let points = all.flat_map(|(run, relative)| run.iter().zip(relative));
        let found = points.filter(|(p, r)| p.found && !r.is_nan());
        let (weak, all) = found.fold((0, 0), |(weak, all), (_, r)| {
            (weak + usize::from(*r < WEAK), all + 1)
        });
        weak as f64 / f64::from(all.max(1))
    }

    /// Stretches of a run without a bend, samples.
    fn empty_stretches(&self, run: usize) -> Vec<Range<usize>> {
        let relative = &self.relative[run];
        let is_known = |i: &usize| !relative[*i].is_nan();
        let likelier: Vec<f32> = relative.iter().map(|r| likelier_empty(*r)).collect();
        let mut stretches = Vec::new();
        let mut start = 0;
        for state in path(&likelier).chunk_by(|a, b| a == b) {
            let range = start..start + state.len();
            start = range.end;
            let known = || range.clone().filter(is_known);
            if state[0]
                && let (Some(first), Some(last)) = (known().next(), known().next_back())
                && known().count() >= FEWEST_KNOWN
                && last + 1 - first >= SHORTEST
            {
                stretches.push(first..last + 1);
            }
        }
        stretches
    }
}

/// Size of a run's bends as a share of the usual one around; NaN where nothing is seen.
fn share_of_usual(points: &[TracePoint]) -> Vec<f32> {
    let signed: Vec<f32> = points.iter().map(|p| p.bend).collect();
    let bends = running_mean(&signed, MEAN_HALF);
    let usual = usual_bends(points, &bends);
    let share = |((p, bend), usual): ((&TracePoint, &f32), f32)| match p.is_clear() {
        true => bend.abs() / usual,
        false => f32::NAN,
    };
    points.iter().zip(&bends).zip(usual).map(share).collect()
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

/// Median of what all repeats show at a place of the design; NaN where that says nothing.
fn shown(shares: &[Vec<f32>], place: usize, samples: usize) -> f32 {
    let repeats = shares
        .iter()
        .flat_map(|run| run.iter().skip(place).step_by(samples));
    let seen: Vec<f32> = repeats.copied().filter(|s| !s.is_nan()).collect();
    if seen.len() < FEWEST_REPEATS {
        return f32::NAN;
    }
    let shown = median(seen, f32::total_cmp).filter(|shown| *shown >= LEAST_SHOWN);
    shown.unwrap_or(f32::NAN)
}

/// Logarithm of how much likelier a bend is where there is no line (normal about nothing) than where there is one
/// (log-normal about what is expected); 0 where it is not known.
fn likelier_empty(relative: f32) -> f32 {
    if relative.is_nan() {
        return 0.0;
    }
    let normal = |z: f32| (-0.5 * z * z).exp() / std::f32::consts::TAU.sqrt();
    let anything = ANYTHING / 2.0;
    let without = 2.0 * normal(relative / EMPTY_SPREAD) / EMPTY_SPREAD;
    let size = relative.max(0.02);
    let with = normal(size.ln() / LINE_LOG_SPREAD) / (size * LINE_LOG_SPREAD);
    let said = ((1.0 - ANYTHING) * without + anything) / ((1.0 - ANYTHING) * with + anything);
    said.ln().clamp(-MOST_SAID, MOST_SAID) / SAY_THE_SAME
}

/// The likeliest states, `true` for empty (Viterbi, as in `line::strip`).
fn path(likelier_empty: &[f32]) -> Vec<bool> {
    let mut from = Vec::with_capacity(likelier_empty.len());
    let (mut line, mut empty) = (0.0, -CHANGE);
    for said in likelier_empty {
        let (was_empty, went_on) = (empty - CHANGE > line, empty > line - CHANGE);
        from.push((was_empty, went_on));
        (line, empty) = (line.max(empty - CHANGE), empty.max(line - CHANGE) + said);
    }
    let mut state = empty - CHANGE > line;
    let mut states: Vec<bool> = from
        .into_iter()
        .rev()
        .map(|(was_empty, went_on)| {
            let here = state;
            state = if here { went_on } else { was_empty };
            here
        })
        .collect();
    states.reverse();
    states
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::trace::test_points;

    const SAMPLES: usize = 300;

    /// Empty stretches of a run of six repeats, by each sample's bend.
    fn found(bend: impl Fn(usize) -> f32) -> Vec<Range<usize>> {
        let mut points = test_points(6 * SAMPLES, |_| 20.0);
        for (i, p) in points.iter_mut().enumerate() {
            p.bend = bend(i);
        }
        Bends::new(&[&points], SAMPLES).empty_stretches(0)
    }

    #[test]
    fn a_stretch_without_a_bend_is_empty() {
        let gap = |i: usize| (700..760).contains(&i);
        let stretches = found(|i| if gap(i) { 1.0 } else { -40.0 });
        // The mean reaches 4 samples in from both ends.
        let [range] = stretches.as_slice() else {
            panic!("{stretches:?}")
        };
        let (from, to) = (range.start.abs_diff(700), range.end.abs_diff(760));
        assert!(from <= 4 && to <= 4, "{range:?}");
        // A chance answer in the middle does not end it.
        let chance = |i: usize| (725..730).contains(&i);
        let stretches = found(|i| match (gap(i), chance(i)) {
            (true, false) => 1.0,
            _ => -40.0,
        });
        assert_eq!(stretches.len(), 1, "{stretches:?}");
        // Half of the bend is left; too short to be told from chance.
        assert_eq!(found(|i| if gap(i) { -20.0 } else { -40.0 }), []);
        let short = |i: usize| (700..722).contains(&i);
        assert_eq!(found(|i| if short(i) { 1.0 } else { -40.0 }), []);
    }

    #[test]
    fn what_every_repeat_shows_weakly_is_not_empty() {
        // A bend of a third along a part of the design, and nothing at another: neither says anything.
        let weak = |i: usize| (50..120).contains(&(i % SAMPLES));
        let never = |i: usize| (200..240).contains(&(i % SAMPLES));
        let bend = |i: usize| match (weak(i), never(i)) {
            (true, _) => -13.0,
            (_, true) => 0.5,
            _ => -40.0,
        };
        assert_eq!(found(bend), []);
        // In one repeat the weak part is not stitched: that is plain against the others.
        let stretches = found(|i| {
            if (650..720).contains(&i) {
                0.5
            } else {
                bend(i)
            }
        });
        assert_eq!(stretches.len(), 1, "{stretches:?}");
    }

    #[test]
    fn a_found_line_that_is_weak_now_and_then_is_counted() {
        let mut points = test_points(6 * SAMPLES, |_| 20.0);
        for (i, p) in points.iter_mut().enumerate() {
            p.bend = if (700..790).contains(&i) { 1.0 } else { -40.0 };
        }
        // 90 samples, less 4 at each end, of 1800.
        let share = Bends::new(&[&points], SAMPLES).weak_share(&[&points]);
        assert!((share - 82.0 / 1800.0).abs() < 0.003, "{share}");
    }

    /// Empty stretches of the first of three runs, by the cloth's tone on its sample; the third lies on lighter cloth.
    fn on_cloth(cloth: impl Fn(usize) -> f32) -> Vec<Range<usize>> {
        let gap = |run: usize, i: usize| run == 0 && (700..760).contains(&i);
        let run = |run: usize| -> Vec<TracePoint> {
            let strength = |i| if gap(run, i) { 1.5 } else { 20.0 };
            let mut points = test_points(6 * SAMPLES, strength);
            for (i, p) in points.iter_mut().enumerate() {
                p.cloth = [cloth(i), 120.0, 170.0][run];
            }
            points
        };
        let runs = [run(0), run(1), run(2)];
        let runs: Vec<&[TracePoint]> = runs.iter().map(Vec::as_slice).collect();
        empty_stretches(&runs, SAMPLES).swap_remove(0)
    }

    #[test]
    fn what_only_lies_over_the_line_is_not_empty() {
        assert_eq!(on_cloth(|_| 120.0).len(), 1);
        // Something of another tone, on which the line shows elsewhere.
        let over = |i: usize| (690..770).contains(&i);
        assert_eq!(on_cloth(|i| if over(i) { 170.0 } else { 120.0 }), []);
        // Cloth that goes on on both sides, and on which too little of the line shows.
        let other = |i: usize| (680..780).contains(&i);
        assert_eq!(on_cloth(|i| if other(i) { 60.0 } else { 120.0 }), []);
    }

    /// The path of most gain by trying all of them.
    #[test]
    fn the_path_is_the_best_of_all() {
        let said = [-2.0, 3.0, 4.0, -1.0, 5.0, -3.0, -4.0, 2.0, 1.0, -2.0];
        let gain = |states: &[bool]| -> f32 {
            let said = states.iter().zip(said).filter(|(s, _)| **s).map(|(_, g)| g);
            // Before and after there is a line.
            let ends = u8::from(states[0]) + u8::from(states[states.len() - 1]);
            let changes = states.windows(2).filter(|w| w[0] != w[1]).count();
            said.sum::<f32>() - CHANGE * (f32::from(ends) + changes as f32)
        };
        let all = (0..1u32 << said.len())
            .map(|bits| -> Vec<bool> { (0..said.len()).map(|i| bits >> i & 1 == 1).collect() });
        let best = all.max_by(|a, b| gain(a).total_cmp(&gain(b))).unwrap();
        assert_eq!(path(&said), best);
        assert!(best.iter().any(|s| *s));
    }
}

//! Stretches stitched off the design: a wrong turn, or the line lost and found again.
//!
//! Where a row's line is not found although it goes on plainly on both sides, and its bend vanishes there
//! (`empty_stretches`), it may not have been stitched at all, or somewhere else. So a line is looked for to both sides, further off than a hand wobbles and clear of what else is
//! stitched there. Prints and seams answer as well: what was found has to stand out from what is found in the same
//! way beside the other repeats of the same stretch, which were stitched where they belong.

use super::empty::{empty_stretches, ends};
use super::measure::Job;
use super::trace::{Learned, RowTrace, TracePoint};
use crate::design::DesignPoint;
use crate::geometry::Point2;
use crate::geometry::cells::Cells;
use crate::line::strip::{ACROSS_STEP_MM, Strip, StripSample};
use crate::plane::joint::State;
use crate::solve::median::median;
use std::ops::Range;

/// How far to both sides of the design a line is looked for, mm.
const REACH_MM: f64 = 30.0;
/// Nearer than this it is the row's own line and its wobble, mm.
const OWN_MM: f64 = 4.5;
/// Nearer than this to any other fitted line it is that line, mm.
const OTHERS_MM: f64 = 4.0;
/// Parts of the row's own line that are this far on along it are other lines, samples.
const ELSEWHERE: usize = 25;
/// Shortest stretch on which the line is not found that is looked at, samples of a millimetre.
const SHORTEST: usize = 40;
/// Finds shorter than this do not end such a stretch, samples.
const BRIDGED: usize = 12;
/// How much of it has to be empty, samples.
const EMPTY_SAMPLES: usize = 20;
/// Length on either side on which the line has to be found, samples, and the share of it.
const BESIDE: usize = 60;
const BESIDE_FOUND: f64 = 0.4;
/// Across-samples that are taken together, and by how many of these the line may move in a step along.
const POOLED: usize = 3;
/// Length in which a line beside is judged, samples.
const JUDGED: usize = 25;
/// Other repeats there have to be to compare with, and how many are.
const FEWEST_OTHERS: usize = 5;
const MOST_OTHERS: usize = 14;
/// Shares of what the row's own line usually shows there: so much a line beside has to show at least, and the design
/// itself at most.
const AS_USUAL: f32 = 0.95;
const EMPTY: f32 = 0.75;
/// By how much a line beside has to outdo what is found beside the other repeats, in their middle and at most: a
/// print answers everywhere alike.
const OUTDOES: f32 = 1.1;
const NEAR_LIKELIEST: f32 = 0.9;

/// A stretch stitched off the design.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Astray {
    /// Left end, x on the quilt, mm.
    pub from_mm: f64,
    /// Right end, mm.
    pub to_mm: f64,
    /// Greatest distance from the design, mm.
    pub off_mm: f64,
}

/// A line beside the design.
struct Beside {
    /// Mean evidence over the best stretch.
    score: f32,
    /// Samples of the run, first and last, on which it stands out, and its greatest distance from the design, mm.
    samples: Range<usize>,
    off_mm: f64,
    /// Mean evidence where the design itself is.
    on_design: f32,
}

/// A run through a row's repeats in one photo.
struct Run<'a> {
    row: usize,
    photo: usize,
    points: &'a [TracePoint],
    samples: Vec<StripSample>,
}

/// A place of a fitted line: which run, which sample of it, where.
type Place = (usize, usize, Point2);

/// All fitted lines, for telling what else is stitched at a place.
struct Lines(Cells<Place>);

impl Lines {
    fn new(runs: &[Run]) -> Lines {
        let places = runs.iter().enumerate().flat_map(|(number, run)| {
            let points = run.points.iter().enumerate().step_by(2);
            points.map(move |(i, p)| (p.on_quilt, (number, i, p.on_quilt)))
        });
        Lines(Cells::new(OTHERS_MM, places))
    }

    /// Whether another line than that of `run` about `sample` lies at the place.
    fn others_at(&self, place: &Point2, run: usize, sample: usize) -> bool {
        let (i, j) = self.0.of(*place);
        (-1..=1).any(|a| {
            (-1..=1).any(|b| {
                self.0.at((i + a, j + b)).iter().any(|(r, s, p)| {
                    (*r != run || s.abs_diff(sample) > ELSEWHERE) && (p - place).norm() < OTHERS_MM
                })
            })
        })
    }
}

/// Stretches stitched off the design, for each row.
///
/// `design` is one repeat in steps of a millimetre; `papers` the outlines of the cards' paper on the quilt.
pub(super) fn astray(
    job: &Job,
    state: &State,
    design: &[DesignPoint],
    traces: &[RowTrace],
    learned: &Learned,
    papers: &[[Point2; 4]],
) -> Vec<Vec<Astray>> {
    let runs: Vec<Run> = traces
        .iter()
        .enumerate()
        .flat_map(|(row, trace)| trace.by_photo().map(move |points| (row, points)))
        .map(|(row, points)| {
            let photo = points[0].photo;
            let view = state.view(photo, photo);
            let luma = job.photos[photo].luma;
            let samples = super::trace::samples(job, state, &view, luma, design, row, papers);
            Run {
                row,
                photo,
                points,
                samples,
            }
        })
        // The same places in the same order, or they cannot be compared.
        .filter(|run| run.samples.len() == run.points.len())
        .collect();
    let lines = Lines::new(&runs);
    let points: Vec<&[TracePoint]> = runs.iter().map(|run| run.points).collect();
    let empty = empty_stretches(&points, design.len());
    let look = |number: usize, range: Range<usize>| {
        beside(job, learned, &lines, &runs[number], number, range)
    };
    let mut found: Vec<Vec<Astray>> = vec![Vec::new(); traces.len()];
    for (number, run) in runs.iter().enumerate() {
        for lost in lost(run.points, &empty[number]) {
            if lost_beside(run.points, &lost, design.len()) {
                continue;
            }
            let Some(here) = look(number, lost.clone()) else {
                continue;
            };
            let others: Vec<Beside> = same_elsewhere(&runs, number, &lost, design.len())
                .into_iter()
                .take(MOST_OTHERS)
                .filter_map(|(other, range)| look(other, range))
                .collect();
            let likeliest = others.iter().map(|o| o.score).fold(0.0, f32::max);
            let middle =
                median(others.iter().map(|o| o.score).collect(), f32::total_cmp).unwrap_or(0.0);
            let usual =
                median(others.iter().map(|o| o.on_design).collect(), f32::total_cmp).unwrap_or(0.0);
            if others.len() < FEWEST_OTHERS
                || here.score < AS_USUAL * usual
                || here.on_design > EMPTY * usual
                || here.score < OUTDOES * middle
                || here.score < NEAR_LIKELIEST * likeliest
            {
                continue;
            }
            let off = lost.start + here.samples.start..lost.start + here.samples.end;
            let (from_mm, to_mm) = ends(&run.points[off]);
            found[run.row].push(Astray {
                from_mm,
                to_mm,
                off_mm: here.off_mm,
            });
        }
    }
    found.into_iter().map(joined).collect()
}

/// Stretches on which a line is not found although it goes on on both sides, and part of which is among the `empty` ones.
fn lost(points: &[TracePoint], empty: &[Range<usize>]) -> Vec<Range<usize>> {
    let mut is_lost: Vec<bool> = points
        .iter()
        .map(|p| p.is_visible() && !p.beside_card && !p.found)
        .collect();
    let found = |i: usize| points[i].found;
    // Short finds in between are chance.
    let mut start = 0;
    while start < points.len() {
        let end = (start..points.len())
            .find(|i| found(*i) != found(start))
            .unwrap_or(points.len());
        if found(start) && end - start < BRIDGED && start > 0 && end < points.len() {
            is_lost[start..end].fill(true);
        }
        start = end;
    }
    let share = |range: Range<usize>| {
        let n = range.len().max(1) as f64;
        range.filter(|i| found(*i)).count() as f64 / n
    };
    let is_empty = |lost: Range<usize>| {
        empty.iter().any(|e| {
            let shared = e.end.min(lost.end).saturating_sub(e.start.max(lost.start));
            shared >= EMPTY_SAMPLES
        })
    };
    let mut all = Vec::new();
    let mut start = 0;
    while start < points.len() {
        let end = (start..points.len())
            .find(|i| is_lost[*i] != is_lost[start])
            .unwrap_or(points.len());
        if is_lost[start]
            && end - start >= SHORTEST
            && start >= BESIDE
            && end + BESIDE <= points.len()
            && share(start - BESIDE..start) >= BESIDE_FOUND
            && share(end..end + BESIDE) >= BESIDE_FOUND
            && is_empty(start..end)
        {
            all.push(start..end);
        }
        start = end;
    }
    all
}

/// Whether the same stretch is lost in the repeat before or after as well: then a rail or a hand's shadow lies over it,
/// and what is found beside is its edge.
fn lost_beside(points: &[TracePoint], lost: &Range<usize>, samples: usize) -> bool {
    let is_lost = |range: Range<usize>| {
        let points = points.get(range).unwrap_or_default();
        let visible = points.iter().filter(|p| p.is_visible()).count();
        let found = points.iter().filter(|p| p.found).count();
        2 * visible >= lost.len() && 5 * found < 2 * visible
    };
    let after = lost.start + samples..lost.end + samples;
    let before = lost.start.checked_sub(samples);
    is_lost(after) || before.is_some_and(|start| is_lost(start..lost.end - samples))
}

/// The same stretch of the design in other repeats where it was found, nearest first.
fn same_elsewhere(
    runs: &[Run],
    here: usize,
    lost: &Range<usize>,
    samples: usize,
) -> Vec<(usize, Range<usize>)> {
    let mut all = Vec::new();
    let place = runs[here].points[lost.start].on_quilt;
    for (number, run) in runs.iter().enumerate() {
        let mut start = lost.start % samples;
        while start + lost.len() <= run.points.len() {
            let range = start..start + lost.len();
            let points = &run.points[range.clone()];
            let found = points.iter().filter(|p| p.found).count();
            if found as f64 >= 0.6 * lost.len() as f64 {
                all.push(((points[0].on_quilt - place).norm(), number, range));
            }
            start += samples;
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter()
        .map(|(_, number, range)| (number, range))
        .collect()
}

/// The likeliest line beside a stretch of the design; `None` where too little can be seen.
fn beside(
    job: &Job,
    learned: &Learned,
    lines: &Lines,
    run: &Run,
    number: usize,
    range: Range<usize>,
) -> Option<Beside> {
    let luma = job.photos[run.photo].luma;
    let (w, h) = (f64::from(luma.width()), f64::from(luma.height()));
    let inside = |p: Point2| p.x > 1.0 && p.y > 1.0 && p.x < w - 1.0 && p.y < h - 1.0;
    let samples: Vec<StripSample> = run.samples[range.clone()]
        .iter()
        .map(|s| StripSample {
            visible: s.visible
                && inside(s.px + s.per_mm * REACH_MM)
                && inside(s.px - s.per_mm * REACH_MM),
            ..*s
        })
        .collect();
    let seen = samples.iter().filter(|s| s.visible).count();
    if (seen as f64) < 0.8 * samples.len() as f64 || seen < SHORTEST {
        return None;
    }
    let strip = Strip::new(luma, samples, REACH_MM);
    let evidence = learned.evidence(run.photo, &strip)?;
    let across = 2 * strip.half + 1;
    let columns = across / POOLED;
    let off_mm = |k: usize| ((k * POOLED + POOLED / 2) as f64 - strip.half as f64) * ACROSS_STEP_MM;
    let mut gains = [
        vec![0.0f32; columns * strip.samples.len()],
        vec![0.0f32; columns * strip.samples.len()],
    ];
    let mut on_design = (0.0, 0.0);
    for (i, sample) in strip.samples.iter().enumerate() {
        let line = &evidence[i * across..(i + 1) * across];
        if line[0].is_nan() {
            continue;
        }
        let near = (OWN_MM / ACROSS_STEP_MM) as usize;
        let own = &line[strip.half - near..=strip.half + near];
        on_design.0 += own.iter().fold(0.0, |a: f32, e| a.max(e.abs()));
        on_design.1 += 1.0;
        for k in 0..columns {
            let off = off_mm(k);
            if off.abs() < OWN_MM {
                continue;
            }
            let place = sample.on_quilt + sample.normal_on_quilt * off;
            if lines.others_at(&place, number, range.start + i) {
                continue;
            }
            let cells = &line[k * POOLED..(k + 1) * POOLED];
            gains[0][i * columns + k] = cells.iter().fold(0.0, |a: f32, e| a.max(*e));
            gains[1][i * columns + k] = cells.iter().fold(0.0, |a: f32, e| a.max(-e));
        }
    }
    let best = gains
        .iter()
        .map(|gain| judged(&path(gain, columns), gain, columns))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let (score, samples, ks) = best;
    let off = samples
        .clone()
        .map(|i| off_mm(ks[i]).abs())
        .fold(0.0, f64::max);
    Some(Beside {
        score,
        samples,
        off_mm: off,
        on_design: on_design.0 / f32::max(on_design.1, 1.0),
    })
}

/// Best mean over a stretch of a path, where about it the path stands out, and the path.
fn judged(path: &[usize], gain: &[f32], columns: usize) -> (f32, Range<usize>, Vec<usize>) {
    let on: Vec<f32> = path
        .iter()
        .enumerate()
        .map(|(i, k)| gain[i * columns + k])
        .collect();
    let length = JUDGED.min(on.len());
    let mean = |from: usize, n: usize| {
        let part = &on[from..(from + n).min(on.len())];
        part.iter().sum::<f32>() / part.len().max(1) as f32
    };
    let at = (0..=on.len() - length)
        .max_by(|a, b| mean(*a, length).total_cmp(&mean(*b, length)))
        .unwrap_or(0);
    let score = mean(at, length);
    const STEP: usize = 8;
    let (mut from, mut to) = (at, at + length);
    while from >= STEP && mean(from - STEP, STEP) >= 0.5 * score {
        from -= STEP;
    }
    while to + STEP <= on.len() && mean(to, STEP) >= 0.5 * score {
        to += STEP;
    }
    (score, from..to, path.to_vec())
}

/// The path of most gain, moving by at most one across a step (Viterbi, as in `line::strip`).
fn path(gain: &[f32], columns: usize) -> Vec<usize> {
    const BEND_COST: f32 = 0.3;
    let n = gain.len() / columns;
    let mut total = gain[..columns].to_vec();
    let mut from = vec![0i8; n * columns];
    for i in 1..n {
        let last = total.clone();
        for k in 0..columns {
            let mut best = (last[k], 0i8);
            if k > 0 && last[k - 1] - BEND_COST > best.0 {
                best = (last[k - 1] - BEND_COST, -1);
            }
            if k + 1 < columns && last[k + 1] - BEND_COST > best.0 {
                best = (last[k + 1] - BEND_COST, 1);
            }
            total[k] = best.0 + gain[i * columns + k];
            from[i * columns + k] = best.1;
        }
    }
    let mut k = (0..columns)
        .max_by(|a, b| total[*a].total_cmp(&total[*b]))
        .unwrap_or(0);
    let mut path = vec![0; n];
    for i in (0..n).rev() {
        path[i] = k;
        k = (k as i64 + i64::from(from[i * columns + k])) as usize;
    }
    path
}

/// Several strands of the line may be off along the same x.
fn joined(mut all: Vec<Astray>) -> Vec<Astray> {
    all.sort_by(|a, b| a.from_mm.total_cmp(&b.from_mm));
    let mut joined: Vec<Astray> = Vec::new();
    for next in all {
        match joined.last_mut() {
            Some(last) if next.from_mm <= last.to_mm + 15.0 => {
                last.to_mm = last.to_mm.max(next.to_mm);
                last.off_mm = last.off_mm.max(next.off_mm);
            }
            _ => joined.push(next),
        }
    }
    joined
}

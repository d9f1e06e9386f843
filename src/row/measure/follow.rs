//! The rows' lines followed at full size, and everything solved with them.

use super::settle::settle;
use super::{CannotMeasure, Job, Measured, Rough, RowMeasured, paper};
use crate::card::geometry::CHECK_BAR_MM;
use crate::geometry::Point2;
use crate::line::strip::ARC_STEP_MM;
use crate::plane::camera::PreparedView;
use crate::plane::joint::State;
use crate::row::astray::astray;
use crate::row::spread::{inflation, robust_spread};
use crate::row::trace::{Learned, OBSERVE_EVERY, RowTrace, Stray, trace_rows};
use crate::solve::levenberg_marquardt::Loss;

/// Share of the longest row's found length below which a row has no trustworthy place; and of the newest one, which hands
/// and cards hide and for which the photo was taken, if it strays no more than the steadiest: a ghost is never so steady.
const LEAST_SHARE: f64 = 0.4;
const LEAST_NEWEST_SHARE: f64 = 0.25;

/// Loss of the line's places, and how many times a hand's straying they may lie off, pass by pass.
const PASSES: [(Loss, f64); 3] = [
    (Loss::Huber(2.5), 6.0),
    (Loss::Cauchy(2.5), 3.0),
    (Loss::Tukey(4.5), 2.5),
];
/// How many times a pass is repeated at most, all together.
const MOST_MORE_PASSES: usize = 4;

/// Follows the rows' lines at full size and solves everything with them.
pub(in crate::row) fn follow(job: &Job, rough: Rough) -> Result<Measured, CannotMeasure> {
    let Rough {
        mut joint,
        cards,
        rows: mut kept,
        next_score,
    } = rough;
    let fine = job.design.sample(ARC_STEP_MM);
    let mut traces: Vec<RowTrace> = Vec::new();
    let mut learned = Learned::default();
    let mut scales_mm = vec![2.0f64; kept.len()];
    let mut dropped_below = None;
    let mut hand_mm = 2.0;
    let mut pass = 0;
    let mut found_before_mm = f64::MAX;
    let mut more_passes = MOST_MORE_PASSES;
    while let Some(&(loss, farthest)) = PASSES.get(pass) {
        let papers: Vec<[Point2; 4]> = cards
            .iter()
            .enumerate()
            .map(|(i, card)| paper(*card, &joint.start, i, job.card_bar_mm))
            .collect();
        let strays: Vec<Stray> = scales_mm
            .iter()
            .map(|scale_mm| Stray {
                expected_mm: (1.5 * scale_mm).max(1.0),
                farthest_mm: farthest * hand_mm,
            })
            .collect();
        traces = trace_rows(job, &joint.start, &fine, &strays, &papers, &mut learned);
        for photo in &mut joint.photos {
            photo.lines.clear();
        }
        for (row, trace) in traces.iter().enumerate() {
            scales_mm[row] = robust_spread(&trace.deviations_mm()).clamp(0.3, 1.5);
            for (photo, line) in trace.observations(row, scales_mm[row], fine.len()) {
                joint.photos[photo].lines.push(line);
            }
        }
        // What the hand does is the same in all rows; the row seen best shows it.
        let longest = traces.iter().map(RowTrace::found_mm).fold(0.0, f64::max);
        hand_mm = traces
            .iter()
            .zip(&scales_mm)
            .filter(|(trace, _)| trace.found_mm() > 0.5 * longest)
            .fold(1.2, |least: f64, (_, scale)| least.min(*scale))
            .max(0.4);
        joint.line_loss = loss;
        joint.start = joint.solve_roughly()?.state;
        // Where the plane was far off, each pass brings more of the lines into reach.
        let found_mm: f64 = traces.iter().map(RowTrace::found_mm).sum();
        let on_the_way = pass > 0 && more_passes > 0 && found_mm > 1.05 * found_before_mm;
        found_before_mm = found_mm;
        if on_the_way {
            more_passes -= 1;
            continue;
        }
        pass += 1;
        // Where all rows are looked for together their places are known; of a row a part will do.
        let least_share = if job.relaxed.is_some() {
            0.12
        } else {
            LEAST_SHARE
        };
        // A row mostly hidden, or a ghost: little of it is found, or it strays as no hand does.
        let good: Vec<bool> = traces
            .iter()
            .zip(&scales_mm)
            .enumerate()
            .map(|(row, (trace, scale_mm))| {
                let is_newest = row + 1 == traces.len();
                let least_share = match is_newest && *scale_mm < 1.15 * hand_mm {
                    true => least_share.min(LEAST_NEWEST_SHARE),
                    false => least_share,
                };
                trace.found_mm() > least_share * longest && *scale_mm < 1.6 * hand_mm + 0.3
            })
            .collect();
        if farthest < 3.5 && good.iter().any(|g| !g) {
            let keep = |i: usize| good[i];
            let last = good.iter().rposition(|g| *g).unwrap_or(0);
            dropped_below = traces[last + 1..]
                .iter()
                .map(|t| t.found_mm() / longest.max(1.0))
                .reduce(f64::max);
            retain(&mut traces, keep);
            retain(&mut scales_mm, keep);
            retain(&mut kept, keep);
            retain(&mut joint.start.rows, keep);
            let now: Vec<usize> = good
                .iter()
                .scan(0, |n, g| {
                    *n += usize::from(*g);
                    Some(*n)
                })
                .collect();
            for photo in &mut joint.photos {
                photo.lines.retain(|line| good[line.row]);
                for line in &mut photo.lines {
                    line.row = now[line.row] - 1;
                }
            }
            if kept.is_empty() {
                return Err(CannotMeasure::NoRow);
            }
        }
    }
    settle(&mut joint, &traces, &scales_mm, fine.len());
    joint.line_loss = Loss::Squared;
    let solved = joint.solve()?;
    let views: Vec<PreparedView> = (0..job.photos.len())
        .map(|i| solved.state.view(i, i))
        .collect();
    // Finished quilts are seen from too far off.
    let astray = match job.relaxed {
        Some(_) => vec![Vec::new(); traces.len()],
        None => {
            let papers: Vec<[Point2; 4]> = cards
                .iter()
                .enumerate()
                .map(|(i, card)| paper(*card, &solved.state, i, job.card_bar_mm))
                .collect();
            astray(job, &solved.state, &fine, &traces, &learned, &papers)
        }
    };
    let rows = kept
        .iter()
        .zip(traces)
        .zip(astray)
        .enumerate()
        .map(|(i, ((row, trace), astray))| RowMeasured {
            astray,
            ..finish(
                i,
                row.index - kept[0].index,
                row.score,
                trace,
                &solved.state,
                &views,
            )
        })
        .collect();
    Ok(Measured {
        state: solved.state,
        covariance: solved.covariance,
        problem: joint,
        views,
        cards,
        rows,
        next_score,
        dropped_below,
        card_scale: job.card_bar_mm / CHECK_BAR_MM,
    })
}

fn retain<T>(values: &mut Vec<T>, keep: impl Fn(usize) -> bool) {
    let mut i = 0;
    values.retain(|_| {
        i += 1;
        keep(i - 1)
    });
}

/// The row's line held against the design as finally fitted.
fn finish(
    row: usize,
    index: i32,
    score: f64,
    mut trace: RowTrace,
    state: &State,
    views: &[PreparedView],
) -> RowMeasured {
    for p in &mut trace.points {
        p.on_quilt = state.rows[row].on_quilt(p.along_mm, p.across_mm, &state.stretch);
        if let Some(found) = views[p.photo].quilt_from_photo(p.in_photo_px)
            && p.is_visible()
        {
            p.deviation_mm = p.normal.dot(&(found - p.on_quilt));
        }
    }
    let deviations = trace.deviations_mm();
    RowMeasured {
        index,
        score,
        wobble_mm: robust_spread(&deviations),
        inflation: inflation(&deviations, OBSERVE_EVERY),
        astray: Vec::new(),
        trace,
    }
}

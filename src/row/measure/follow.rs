//! The rows' lines followed at full size, and everything solved with them.

use super::settle::settle;
use super::{CannotMeasure, Job, LEAST_FOUND, Measured, Rough, RowMeasured, paper};
use crate::card::geometry::CHECK_BAR_MM;
use crate::design::DesignPoint;
use crate::geometry::Point2;
use crate::line::strip::ARC_STEP_MM;
use crate::plane::camera::PreparedView;
use crate::plane::joint::State;
use crate::row::astray::astray;
use crate::row::spread::robust_spread;
use crate::row::told::Stray;
use crate::row::trace::{Learned, RowTrace, trace_rows};
use crate::solve::levenberg_marquardt::Loss;

/// Share of the longest row's found length below which a row has no trustworthy place; and of the newest one, which hands
/// and cards hide and for which the photo was taken, if it strays no more than the steadiest: a ghost is never so steady.
const LEAST_SHARE: f64 = 0.4;
const LEAST_NEWEST_SHARE: f64 = 0.25;

/// Passes over the lines, and how far from the design each looks, in strays of the hand.
const PASSES: [(Loss, f64); 3] = [
    (Loss::Huber(2.5), 6.0),
    (Loss::Cauchy(2.5), 3.0),
    (Loss::Tukey(4.5), 2.5),
];
/// How many times passes are repeated at most, all together.
const MOST_MORE_PASSES: usize = 4;
/// By how much more of the lines a pass finds when it is worth repeating.
const MORE_FOUND: f64 = 1.05;
/// A pass that looks no farther than this tells rows from ghosts.
const TELLING: f64 = 3.5;

/// No hand strays by so much, RMS mm: what was followed jumps from one wall of a groove to the other, or is something else.
const NO_HAND_MM: f64 = 0.9;
/// Of what a line strays, what is left at most when it is told rightly.
const STEADIER: f64 = 0.75;

/// Follows the rows' lines at full size and solves everything with them; by the groove they lie in where a line as such strays as
/// no hand does.
pub(in crate::row) fn follow(job: &Job, rough: Rough) -> Result<Measured, CannotMeasure> {
    if job.relaxed.is_some() {
        return follow_by(job, rough, Learned::default());
    }
    let again = rough.clone();
    let by_line = follow_by(job, rough, Learned::default())?;
    if by_line.strayed_mm() < NO_HAND_MM {
        return Ok(by_line);
    }
    match follow_by(job, again, Learned::by_groove()) {
        Ok(by_groove)
            if by_groove.strayed_mm() < STEADIER * by_line.strayed_mm()
                && by_groove.found_mm() > STEADIER * by_line.found_mm() =>
        {
            Ok(by_groove)
        }
        _ => Ok(by_line),
    }
}

/// As [`follow`], by what is known of the lines' looks.
fn follow_by(job: &Job, rough: Rough, learned: Learned) -> Result<Measured, CannotMeasure> {
    let mut following = Following {
        job,
        fine: job.design.sample(ARC_STEP_MM),
        traces: Vec::new(),
        learned,
        scales_mm: vec![2.0; rough.rows.len()],
        hand_mm: 2.0,
        dropped_below: None,
        rough,
    };
    let (mut pass, mut more_passes) = (0, MOST_MORE_PASSES);
    let mut found_before_mm = f64::MAX;
    while let Some(&(loss, farthest)) = PASSES.get(pass) {
        following.trace(farthest);
        let joint = &mut following.rough.joint;
        joint.line_loss = loss;
        joint.start = joint.solve_roughly()?.state;
        // Where the plane was far off, each pass brings more of the lines into reach.
        let found_mm = following.traces.iter().map(RowTrace::found_mm).sum();
        let grew = pass > 0 && found_mm > MORE_FOUND * found_before_mm;
        found_before_mm = found_mm;
        if grew && more_passes > 0 {
            more_passes -= 1;
            continue;
        }
        pass += 1;
        if farthest < TELLING {
            // What the last pass does not find stays unfound.
            let least_found = if pass < PASSES.len() {
                0.0
            } else {
                LEAST_FOUND
            };
            following.drop_ghosts(least_found)?;
        }
    }
    following.measured()
}

/// Rows while their lines are followed, pass by pass.
struct Following<'a> {
    job: &'a Job<'a>,
    rough: Rough,
    /// One repeat of the design, finely sampled.
    fine: Vec<DesignPoint>,
    /// Each row's line as last followed.
    traces: Vec<RowTrace>,
    learned: Learned,
    /// Spread of each row's deviations, mm.
    scales_mm: Vec<f64>,
    /// Spread of a steady row, mm.
    hand_mm: f64,
    /// As [`Measured::dropped_below`].
    dropped_below: Option<f64>,
}

impl Following<'_> {
    /// Outlines of the cards' papers.
    fn papers(&self, state: &State) -> Vec<[Point2; 4]> {
        let cards = self.rough.cards.iter().enumerate();
        cards
            .map(|(i, card)| paper(*card, state, i, self.job.card_bar_mm))
            .collect()
    }

    /// Length found of the row of which most was found, mm.
    fn longest_mm(&self) -> f64 {
        let found = self.traces.iter().map(RowTrace::found_mm);
        found.fold(0.0, f64::max)
    }

    /// Follows the lines; what is found becomes what is solved from.
    fn trace(&mut self, farthest: f64) {
        let strays: Vec<Stray> = self
            .scales_mm
            .iter()
            .map(|scale_mm| Stray {
                expected_mm: (1.5 * scale_mm).max(1.0),
                farthest_mm: farthest * self.hand_mm,
            })
            .collect();
        let papers = self.papers(&self.rough.joint.start);
        let joint = &mut self.rough.joint;
        let (start, learned) = (&joint.start, &mut self.learned);
        self.traces = trace_rows(self.job, start, &self.fine, &strays, &papers, learned);
        for photo in &mut joint.photos {
            photo.lines.clear();
        }
        let repeat_mm = self.job.design.repeat_mm;
        for (row, trace) in self.traces.iter().enumerate() {
            let scale_mm = robust_spread(&trace.deviations_mm()).clamp(0.3, 1.5);
            self.scales_mm[row] = scale_mm;
            for (photo, line) in trace.observations(row, scale_mm, self.fine.len(), repeat_mm) {
                joint.photos[photo].lines.push(line);
            }
        }
        // What the hand does is the same in all rows; the row seen best shows it.
        let longest_mm = self.longest_mm();
        self.hand_mm = self
            .traces
            .iter()
            .zip(&self.scales_mm)
            .filter(|(trace, _)| trace.found_mm() > 0.5 * longest_mm)
            .fold(1.2, |least: f64, (_, scale_mm)| least.min(*scale_mm))
            .max(0.4);
    }

    /// Which rows are no ghosts and not mostly hidden: enough of them is found, and they stray as a hand does. `least_found` is
    /// the share of its own line that has to be found of a row; the newest one stays, so that too little of it is told.
    fn trusted(&self, least_found: f64) -> Vec<bool> {
        let longest_mm = self.longest_mm();
        // Where all rows are looked for together their places are known; of a row a part will do.
        let least_share = match self.job.relaxed {
            Some(_) => 0.12,
            None => LEAST_SHARE,
        };
        // The newest row is the lowest one that is no ghost.
        let mut is_newest = true;
        let rows = self.traces.iter().zip(&self.scales_mm).rev();
        let mut trusted: Vec<bool> = rows
            .map(|(trace, scale_mm)| {
                let least_share = match is_newest && *scale_mm < 1.15 * self.hand_mm {
                    true => least_share.min(LEAST_NEWEST_SHARE),
                    false => least_share,
                };
                let (found, visible) = trace.found_of_visible();
                let own = is_newest
                    || self.job.relaxed.is_some()
                    || found as f64 >= least_found * visible as f64;
                let trusted = own
                    && trace.found_mm() > least_share * longest_mm
                    && *scale_mm < 1.6 * self.hand_mm + 0.3;
                is_newest &= !trusted;
                trusted
            })
            .collect();
        trusted.reverse();
        trusted
    }

    /// Drops the rows that are not to be trusted, everywhere.
    fn drop_ghosts(&mut self, least_found: f64) -> Result<(), CannotMeasure> {
        let good = self.trusted(least_found);
        if good.iter().all(|g| *g) {
            return Ok(());
        }
        let Some(last) = good.iter().rposition(|g| *g) else {
            return Err(CannotMeasure::NoRow);
        };
        let longest_mm = self.longest_mm().max(1.0);
        self.dropped_below = self.traces[last + 1..]
            .iter()
            .map(|t| t.found_mm() / longest_mm)
            .reduce(f64::max);
        let keep = |i: usize| good[i];
        retain(&mut self.traces, keep);
        retain(&mut self.scales_mm, keep);
        retain(&mut self.rough.rows, keep);
        retain(&mut self.rough.joint.start.rows, keep);
        for photo in &mut self.rough.joint.photos {
            photo.lines.retain(|line| good[line.row]);
            for line in &mut photo.lines {
                line.row = good[..line.row].iter().filter(|g| **g).count();
            }
        }
        Ok(())
    }

    /// Everything solved for the last time, and each row held against the design.
    fn measured(mut self) -> Result<Measured, CannotMeasure> {
        let joint = &mut self.rough.joint;
        let whole_quilt = self.job.relaxed.is_some();
        settle(
            joint,
            &self.traces,
            &self.scales_mm,
            self.fine.len(),
            whole_quilt,
        );
        joint.line_loss = Loss::Squared;
        let solved = joint.solve()?;
        let views: Vec<PreparedView> = (0..self.job.photos.len())
            .map(|i| solved.state.view(i, i))
            .collect();
        // Finished quilts are seen from too far off.
        let astray = match self.job.relaxed {
            Some(_) => vec![Vec::new(); self.traces.len()],
            None => astray(
                self.job,
                &solved.state,
                &self.fine,
                &self.traces,
                &self.learned,
                &self.papers(&solved.state),
            ),
        };
        let Rough {
            joint,
            cards,
            rows: kept,
            next_score,
            other_stagger,
        } = self.rough;
        let rows = kept
            .iter()
            .zip(self.traces)
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
            other_stagger,
            dropped_below: self.dropped_below,
            card_scale: self.job.card_bar_mm / CHECK_BAR_MM,
        })
    }
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
    RowMeasured {
        index,
        score,
        by_threads: false,
        wobble_mm: robust_spread(&trace.deviations_mm()),
        astray: Vec::new(),
        trace,
    }
}

//! Parts of a row that were not stitched, and how close neighbouring rows come.

use super::empty::{empty_stretches, ends};
use super::measure::{Measured, RowMeasured};
use super::trace::TracePoint;
use crate::design::Design;
use crate::geometry::cells::Cells;
use crate::geometry::{Point2, Vector2};
use crate::record::InPhoto;
use std::collections::BTreeMap;

/// Stretches along x, on the quilt, mm, on which the design was not stitched; for each row.
///
/// `samples` is the number of samples in one repeat.
pub fn missed(rows: &[RowMeasured], samples: usize) -> Vec<Vec<(f64, f64)>> {
    let (of_row, runs): (Vec<usize>, Vec<&[TracePoint]>) = rows
        .iter()
        .enumerate()
        .flat_map(|(row, r)| r.trace.by_photo().map(move |points| (row, points)))
        .unzip();
    let mut missed: Vec<Vec<(f64, f64)>> = vec![Vec::new(); rows.len()];
    for (run, stretches) in empty_stretches(&runs, samples).into_iter().enumerate() {
        let along_x = stretches
            .into_iter()
            .map(|stretch| ends(&runs[run][stretch]));
        missed[of_row[run]].extend(along_x);
    }
    missed.into_iter().map(joined).collect()
}

/// Cloth shown around a missed part, mm, and points of its line that are kept, one in so many.
const AROUND_MM: f64 = 30.0;
const KEEP_EVERY: usize = 3;

/// Where a photo shows a part of a row that was not stitched, `(from, to)` along x on the quilt; `None` where its
/// surroundings are not all in the photo that shows most of it.
pub fn shown_missed(measured: &Measured, row: usize, (from, to): (f64, f64)) -> Option<InPhoto> {
    let points = &measured.rows[row].trace.points;
    let of_part =
        |p: &&TracePoint| p.is_visible() && !p.found && p.on_quilt.x >= from && p.on_quilt.x <= to;
    let in_photo = |photo: usize| {
        points
            .iter()
            .filter(of_part)
            .filter(move |p| p.photo == photo)
    };
    let photo = (0..measured.views.len()).max_by_key(|photo| in_photo(*photo).count())?;
    let mut runs: Vec<Vec<Point2>> = Vec::new();
    let mut last: Option<Point2> = None;
    for p in in_photo(photo).map(|p| p.on_quilt) {
        match runs
            .last_mut()
            .filter(|_| last.is_some_and(|l| (l - p).norm() < 3.0))
        {
            Some(run) => run.push(p),
            None => runs.push(vec![p]),
        }
        last = Some(p);
    }
    let all = || runs.iter().flatten();
    let least = |f: fn(&Point2) -> f64| all().map(f).fold(f64::MAX, f64::min) - AROUND_MM;
    let most = |f: fn(&Point2) -> f64| all().map(f).fold(f64::MIN, f64::max) + AROUND_MM;
    let (left, top, right, bottom) = (least(|p| p.x), least(|p| p.y), most(|p| p.x), most(|p| p.y));
    if left >= right {
        return None;
    }
    let view = &measured.views[photo];
    let mut corners_px = [[0.0; 2]; 4];
    let corners = [(left, top), (right, top), (right, bottom), (left, bottom)];
    for (px, (x, y)) in corners_px.iter_mut().zip(corners) {
        let at = view.photo_from_quilt(Point2::new(x, y))?;
        *px = [at.x, at.y];
    }
    let kept = |run: &Vec<Point2>| {
        let every = run.iter().step_by(KEEP_EVERY).chain(run.last());
        every.map(|p| [p.x - left, p.y - top]).collect()
    };
    Some(InPhoto {
        photo,
        corners_px,
        size_mm: [right - left, bottom - top],
        line_mm: runs.iter().map(kept).collect(),
    })
}

/// One stretch of x may hold several pieces of the curve.
fn joined(mut stretches: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    stretches.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut joined: Vec<(f64, f64)> = Vec::new();
    for (a, b) in stretches {
        match joined.last_mut() {
            Some(last) if a <= last.1 + 5.0 => last.1 = last.1.max(b),
            _ => joined.push((a, b)),
        }
    }
    joined
}

/// Where the stitching of two neighbouring rows comes nearest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// Distance, mm; negative when they cross, by how far.
    pub distance_mm: f64,
    /// Half-way between the two lines there, on the quilt, mm.
    pub x_mm: f64,
    /// By how much each line, the upper and the lower one, strays from its own row's design toward the other there, mm.
    pub strays_mm: [f64; 2],
}

/// A place of a line, and how far it strays from its design there, mm.
#[derive(Debug, Clone, Copy)]
struct Stitched {
    at: Point2,
    off: Vector2,
}

/// Where the stitching found of two neighbouring rows comes nearest; `None` when too little of either is seen.
pub fn clearance(upper: &RowMeasured, lower: &RowMeasured) -> Option<Nearest> {
    let line = |row: &RowMeasured| -> Vec<Stitched> {
        let found = row.trace.points.iter().step_by(2).filter(|p| p.found);
        found
            .map(|p| {
                let off = p.normal * p.deviation_mm;
                Stitched {
                    at: p.on_quilt + off,
                    off,
                }
            })
            .collect()
    };
    nearest(&line(upper), &line(lower))
}

/// Least distance of two rows as planned, mm, as in [`Nearest::distance_mm`].
pub fn planned_clearance_mm(design: &Design, spacing_mm: f64, stagger: f64) -> Option<f64> {
    let points = design.sample(2.0);
    let row = |moved: f64, down: f64| -> Vec<Stitched> {
        (-1..=1)
            .flat_map(|k| {
                points.iter().map(move |p| {
                    let x = p.position.x + (f64::from(k) + moved) * design.repeat_mm;
                    Stitched {
                        at: Point2::new(x, p.position.y + down),
                        off: Vector2::zeros(),
                    }
                })
            })
            .collect()
    };
    nearest(&row(0.0, 0.0), &row(stagger, spacing_mm)).map(|n| n.distance_mm)
}

/// Where two point rows come nearest; where the upper one reaches below the lower one, where it does so most.
fn nearest(upper: &[Stitched], lower: &[Stitched]) -> Option<Nearest> {
    if upper.len() < 50 || lower.len() < 50 {
        return None;
    }
    const CELL: f64 = 20.0;
    let grid = Cells::new(CELL, lower.iter().map(|p| (p.at, p)));
    let mut least = f64::MAX;
    let mut pair: Option<(&Stitched, &Stitched)> = None;
    for p in upper {
        let (i, j) = grid.of(p.at);
        for di in -5..=5i64 {
            for dj in -5..=5i64 {
                // Farther cells than the best so far cannot better it.
                let gap = (di.abs().max(dj.abs()) - 1).max(0) as f64 * CELL;
                if gap >= least {
                    continue;
                }
                for &q in grid.at((i + di, j + dj)) {
                    let distance = (p.at - q.at).norm();
                    if distance < least {
                        (least, pair) = (distance, Some((p, q)));
                    }
                }
            }
        }
    }
    let (p, q) = pair?;
    // Two lines sampled every 2 mm that cross come nearer than half a step.
    if least < 1.5
        && let Some((depth, p, q)) = deepest(upper, lower)
        && depth > 1.5
    {
        return Some(between(-depth, p, q, Vector2::y()));
    }
    let toward = (q.at - p.at).try_normalize(1e-9).unwrap_or(Vector2::y());
    Some(between(least, p, q, toward))
}

fn between(distance_mm: f64, upper: &Stitched, lower: &Stitched, toward: Vector2) -> Nearest {
    Nearest {
        distance_mm,
        x_mm: f64::midpoint(upper.at.x, lower.at.x),
        strays_mm: [upper.off.dot(&toward), -lower.off.dot(&toward)],
    }
}

/// Where the upper line reaches furthest below the lower one: how far, and a place of each.
fn deepest<'a>(
    upper: &'a [Stitched],
    lower: &'a [Stitched],
) -> Option<(f64, &'a Stitched, &'a Stitched)> {
    let outermost = |line: &'a [Stitched], sign: f64| {
        let mut found: BTreeMap<i64, &Stitched> = BTreeMap::new();
        for p in line {
            let here = found.entry((p.at.x / 5.0).floor() as i64).or_insert(p);
            if sign * p.at.y > sign * here.at.y {
                *here = p;
            }
        }
        found
    };
    let (lowest, highest) = (outermost(upper, 1.0), outermost(lower, -1.0));
    lowest
        .into_iter()
        .filter_map(|(bin, p)| {
            let q = highest.get(&bin)?;
            Some((p.at.y - q.at.y, p, *q))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::trace::{RowTrace, test_points};

    const SAMPLES: usize = 300;

    /// Rows of six repeats, as strong as `strength` says for row, repeat and sample.
    fn rows(strength: impl Fn(usize, usize, usize) -> f32) -> Vec<RowMeasured> {
        let row = |row: usize| {
            let points = test_points(6 * SAMPLES, |i| strength(row, i / SAMPLES, i % SAMPLES));
            RowMeasured {
                index: row as i32,
                score: 20.0,
                by_threads: false,
                trace: RowTrace { points },
                wobble_mm: 0.5,
                astray: Vec::new(),
            }
        };
        (0..3).map(row).collect()
    }

    #[test]
    fn an_empty_stretch_is_missed_where_other_repeats_are_stitched() {
        let gap = |row, repeat, i| row == 1 && repeat == 2 && (100..140).contains(&i);
        let found = missed(
            &rows(|row, repeat, i| if gap(row, repeat, i) { 1.5 } else { 20.0 }),
            SAMPLES,
        );
        // The ends lend it two samples each of their strength.
        assert_eq!(found, [vec![], vec![(702.0, 737.0)], vec![]]);
        // Too short to be told from chance; too faint a line everywhere.
        let short = |row, repeat, i| gap(row, repeat, i) && i < 120;
        let found = rows(|row, repeat, i| if short(row, repeat, i) { 1.5 } else { 20.0 });
        assert_eq!(missed(&found, SAMPLES), vec![vec![]; 3]);
        let faint = rows(|row, repeat, i| if gap(row, repeat, i) { 0.5 } else { 7.0 });
        assert_eq!(missed(&faint, SAMPLES), vec![vec![]; 3]);
    }

    #[test]
    fn what_hides_the_same_place_of_the_design_again_and_again_is_not_missed() {
        let stripe = rows(|_, _, i| if (100..140).contains(&i) { 1.5 } else { 20.0 });
        assert_eq!(missed(&stripe, SAMPLES), vec![vec![]; 3]);
        // A rail askew over one row: two repeats side by side.
        let rail = rows(|row, repeat, i| {
            let hidden = row == 0 && (2..=3).contains(&repeat) && (100..140).contains(&i);
            if hidden { 1.5 } else { 20.0 }
        });
        assert_eq!(missed(&rail, SAMPLES), vec![vec![]; 3]);
    }

    #[test]
    fn nothing_is_said_where_the_thread_is_lighter_as_well_as_darker_than_such_cloth() {
        let gap = |row, repeat, i| row == 1 && repeat == 2 && (100..140).contains(&i);
        let mut rows = rows(|row, repeat, i| if gap(row, repeat, i) { 1.5 } else { 20.0 });
        for p in &mut rows[2].trace.points {
            p.bend = -p.bend;
        }
        assert_eq!(missed(&rows, SAMPLES), vec![vec![]; 3]);
    }

    #[test]
    fn an_end_of_the_stitching_is_not_missed() {
        // Nothing goes on beyond.
        let end = rows(|row, repeat, i| {
            if row == 1 && repeat * SAMPLES + i > 1500 {
                1.5
            } else {
                20.0
            }
        });
        assert_eq!(missed(&end, SAMPLES), vec![vec![]; 3]);
    }

    /// A level line and below it one with a tooth that points up at x = 300, by hand: 40 apart, 10 at the tooth; a
    /// tooth of 45 crosses by 5.
    #[test]
    fn rows_come_nearest_where_one_has_a_tooth() {
        let line = |y: f64, tooth: f64| -> Vec<Stitched> {
            let at = |i: i32| {
                let x = f64::from(i) * 2.0;
                let off = Vector2::new(0.0, -(tooth - (x - 300.0).abs()).max(0.0));
                Stitched {
                    at: Point2::new(x, y) + off,
                    off,
                }
            };
            (0..400).map(at).collect()
        };
        let near = nearest(&line(0.0, 0.0), &line(40.0, 30.0)).unwrap();
        assert!((near.distance_mm - 10.0).abs() < 1e-9, "{near:?}");
        assert!((near.x_mm - 300.0).abs() < 1e-9);
        assert_eq!(near.strays_mm, [0.0, 30.0]);
        let across = nearest(&line(0.0, 0.0), &line(40.0, 45.0)).unwrap();
        assert!((across.distance_mm + 5.0).abs() < 1e-9, "{across:?}");
        assert!((across.x_mm - 300.0).abs() < 1e-9);
    }
}

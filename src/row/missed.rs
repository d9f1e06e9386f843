//! Parts of a row that were not stitched, and how close neighbouring rows come.

use super::measure::RowMeasured;
use super::trace::TracePoint;
use crate::design::Design;
use crate::geometry::Point2;

/// Shortest stretch of the line that is reported, mm: 30, less what its ends lend it of their strength.
const SHORTEST_MM: usize = 26;
/// Strength below which no line is found; and half of the stretch has to be weaker than the second.
const NOTHING: f32 = 6.0;
const CLEARLY_NOTHING: f32 = 3.5;
/// The row has to be followed on this share of its line before an empty stretch means anything.
const FOLLOWED: f64 = 0.6;
/// Strength the rest of the row must have.
const CLEAR: f32 = 10.0;
/// How far beyond a stretch its stitching has to go on, samples.
const BESIDE: usize = 50;
/// How strong it has to be there, in the middle.
const PLAIN: f32 = 13.0;
/// Stretches that begin or end this near to where nothing is visible are hidden, not missed, samples.
const NEAR_EDGE: usize = 8;

/// Stretches along x, on the quilt, mm, on which the design was not stitched.
///
/// Only a row that is plainly seen elsewhere can miss something; and a stretch at a height of the
/// design at which most repeats are not found is hidden (behind a rail), not missed.
pub fn missed(row: &RowMeasured) -> Vec<(f64, f64)> {
    let points = &row.trace.points;
    let visible: Vec<&TracePoint> = points.iter().filter(|p| p.is_visible()).collect();
    let found = visible.iter().filter(|p| p.found).count();
    let (from, to) = visible
        .iter()
        .filter(|p| p.found)
        .fold((f64::MAX, f64::MIN), |(a, b), p| {
            (a.min(p.on_quilt.x), b.max(p.on_quilt.x))
        });
    let inside: Vec<&&TracePoint> = visible
        .iter()
        .filter(|p| p.on_quilt.x > from && p.on_quilt.x < to)
        .collect();
    let mut strengths: Vec<f32> = inside.iter().map(|p| p.strength).collect();
    if inside.is_empty() || (found as f64) < FOLLOWED * inside.len() as f64 {
        return Vec::new();
    }
    let middle = strengths.len() / 2;
    if *strengths.select_nth_unstable_by(middle, f32::total_cmp).1 < CLEAR {
        return Vec::new();
    }
    // Share found by height of the design, in steps of 10 mm.
    let level = |p: &TracePoint| (p.across_mm / 10.0).floor() as i64;
    let mut levels: std::collections::BTreeMap<i64, (u32, u32)> = Default::default();
    for p in &inside {
        let entry = levels.entry(level(p)).or_default();
        entry.0 += u32::from(p.found);
        entry.1 += 1;
    }
    let hidden_level = |p: &TracePoint| {
        levels
            .get(&level(p))
            .is_none_or(|(f, n)| f64::from(*f) < 0.5 * f64::from(*n))
    };
    let empty = |p: &TracePoint| p.is_visible() && p.strength < NOTHING;
    let mut stretches: Vec<(f64, f64)> = Vec::new();
    let mut start = 0;
    for run in points.chunk_by(|a, b| empty(a) == empty(b) && a.photo == b.photo) {
        let end = start + run.len();
        let before = &points[start.saturating_sub(NEAR_EDGE)..start];
        let after = &points[end..(end + NEAR_EDGE).min(points.len())];
        let in_view = before.len() == NEAR_EDGE
            && after.len() == NEAR_EDGE
            && before.iter().chain(after).all(TracePoint::is_visible);
        let hidden = run.iter().filter(|p| hidden_level(p)).count() * 3 > run.len();
        let (a, b) = run.iter().fold((f64::MAX, f64::MIN), |(a, b), p| {
            (a.min(p.on_quilt.x), b.max(p.on_quilt.x))
        });
        let mut strengths: Vec<f32> = run.iter().map(|p| p.strength).collect();
        let half = strengths.len() / 2;
        let quiet = *strengths.select_nth_unstable_by(half, f32::total_cmp).1 < CLEARLY_NOTHING;
        // Stitching has to go on at both ends: otherwise something lies over the row.
        // And plainly so: on a print that hides the line here and there, an empty stretch says nothing.
        let goes_on = |side: &[TracePoint]| {
            let mut strengths: Vec<f32> = side
                .iter()
                .filter(|p| p.found)
                .map(|p| p.strength)
                .collect();
            let half = strengths.len() / 2;
            strengths.len() * 2 >= BESIDE
                && *strengths.select_nth_unstable_by(half, f32::total_cmp).1 >= PLAIN
        };
        let beside = [
            &points[start.saturating_sub(BESIDE)..start],
            &points[end..(end + BESIDE).min(points.len())],
        ];
        let resumes = beside.into_iter().all(goes_on);
        if empty(&run[0])
            && run.len() >= SHORTEST_MM
            && quiet
            && resumes
            && in_view
            && !hidden
            && a > from
            && b < to
        {
            stretches.push((a, b));
        }
        start = end;
    }
    // One stretch of x may hold several pieces of the curve.
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

/// Least distance between the stitching found of two neighbouring rows, mm; negative when they cross,
/// by how far. `None` when too little of either is seen.
pub fn clearance_mm(upper: &RowMeasured, lower: &RowMeasured) -> Option<f64> {
    let line = |row: &RowMeasured| -> Vec<Point2> {
        row.trace
            .points
            .iter()
            .step_by(2)
            .filter(|p| p.found)
            .map(|p| p.on_quilt + p.normal * p.deviation_mm)
            .collect()
    };
    least_distance(&line(upper), &line(lower))
}

/// The same for two rows as planned.
pub fn planned_clearance_mm(design: &Design, spacing_mm: f64, stagger: f64) -> Option<f64> {
    let points = design.sample(2.0);
    let row = |moved: f64, down: f64| -> Vec<Point2> {
        (-1..=1)
            .flat_map(|k| {
                points.iter().map(move |p| {
                    let x = p.position.x + (f64::from(k) + moved) * design.repeat_mm;
                    Point2::new(x, p.position.y + down)
                })
            })
            .collect()
    };
    least_distance(&row(0.0, 0.0), &row(stagger, spacing_mm))
}

/// Least distance of two point rows; where the upper one reaches below the lower one, minus the depth.
fn least_distance(upper: &[Point2], lower: &[Point2]) -> Option<f64> {
    if upper.len() < 50 || lower.len() < 50 {
        return None;
    }
    const CELL: f64 = 20.0;
    let mut grid: std::collections::HashMap<(i64, i64), Vec<Point2>> = Default::default();
    let cell = |p: &Point2| ((p.x / CELL).floor() as i64, (p.y / CELL).floor() as i64);
    for p in lower {
        grid.entry(cell(p)).or_default().push(*p);
    }
    let mut least = f64::MAX;
    for p in upper {
        let (i, j) = cell(p);
        for di in -5..=5i64 {
            for dj in -5..=5i64 {
                // Farther cells than the best so far cannot better it.
                let gap = (di.abs().max(dj.abs()) - 1).max(0) as f64 * CELL;
                if gap >= least {
                    continue;
                }
                for q in grid.get(&(i + di, j + dj)).into_iter().flatten() {
                    least = least.min((p - q).norm());
                }
            }
        }
    }
    if least == f64::MAX {
        return None;
    }
    // Two lines sampled every 2 mm that cross come nearer than half a step.
    if least < 1.5 {
        let bin = |p: &Point2| (p.x / 5.0).floor() as i64;
        let mut lowest: std::collections::BTreeMap<i64, f64> = Default::default();
        for p in upper {
            let y = lowest.entry(bin(p)).or_insert(f64::MIN);
            *y = y.max(p.y);
        }
        let mut highest: std::collections::BTreeMap<i64, f64> = Default::default();
        for p in lower {
            let y = highest.entry(bin(p)).or_insert(f64::MAX);
            *y = y.min(p.y);
        }
        let depth = lowest
            .iter()
            .filter_map(|(k, y)| Some(y - highest.get(k)?))
            .fold(0.0, f64::max);
        if depth > 1.5 {
            return Some(-depth);
        }
    }
    Some(least)
}

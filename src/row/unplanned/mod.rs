//! Rows without a design: the line is learned from the rows themselves, then they are measured by it.
//!
//! Neighbouring rows are the same line moved down and along. So the map of line evidence is laid on itself
//! (`lattice`): where it fits gives the repeat and the step from row to row. All repeats are laid on each other
//! (`pile`), the line is followed through the pile (`line`), and from there on rows are looked for, followed and
//! solved for as with a design. Where the line is drawn wrong it is so in all rows alike, which leaves their spacing
//! right; how long a repeat really is, and how high, is told by the cards alone.

mod lattice;
mod line;
mod pile;

use super::measure::{CannotMeasure, Job, Measured, lay_out, measure};
use crate::design::Design;
use crate::geometry::{Point2, Vector2};
use crate::line::strip::ARC_STEP_MM;
use crate::plane::joint::{Prior, Priors};
use lattice::{Asked, Lattice};
use line::Line;
use pile::Pile;

/// How far the map's likeness to itself has to stand out before rows are believed: under the repeat, and under the
/// step from row to row.
const LEAST_REPEAT: f64 = 4.0;
const LEAST_STEP: f64 = 4.2;
/// And both together, the repeat's weighted, and counted up to some score.
const LEAST_BOTH: f64 = 6.2;
const MOST_REPEAT: f64 = 10.0;
/// How much less any other step has to stand out.
const RIVAL_SHARE: f64 = 0.7;
/// Share of the repeat along which the line has to be known.
const LEAST_KNOWN: f64 = 0.5;
/// How far from the middle of the row's line a piece of it may lie, as a share of the gap, to be told from the
/// next row's.
const OWN_ROW: f64 = 0.4;
/// Share of the line as first followed that has to be found stitched.
const LEAST_KEPT: f64 = 0.6;
/// How far above or below the longest piece another one may reach, mm: what lies further off may be the next row's.
const BEYOND_MM: f64 = 12.0;
/// Fewest rows and repeats that have to fit each other.
const LEAST_ROWS: usize = 2;
const LEAST_COPIES: usize = 4;
/// Share of a place's repeats in which the line has to be found, for the place to be kept: of what is usual, and at
/// least.
const OF_USUAL: f64 = 0.5;
const LEAST_FOUND: f64 = 0.3;

/// What is expected of stretches when the line was learned in the photo itself: its size is the card's plane's.
pub fn priors(repeat_is_told: bool) -> Priors {
    let usual = Priors::default();
    Priors {
        stretch: if repeat_is_told {
            usual.stretch
        } else {
            Prior::new(0.0, 0.012)
        },
        stretch_difference: Prior::new(0.0, 0.012),
        ..usual
    }
}

/// Learns one repeat of the line from rows in the photos; the job's own design is not looked at.
///
/// `repeat_mm` is the length of a repeat where it is told.
///
/// # Errors
///
/// [`CannotMeasure::NoTwoRows`], [`CannotMeasure::PatternRepeats`], or that the cards give no plane.
pub fn learn(job: &Job, repeat_mm: Option<f64>) -> Result<Design, CannotMeasure> {
    let rough = first_line(job, repeat_mm)?;
    let with = |design: &Design| {
        measure(&Job {
            design,
            priors: priors(repeat_mm.is_some()),
            ..*job
        })
        .map_err(|_| CannotMeasure::NoTwoRows)
    };
    let measured = with(&rough)?;
    corrected(&rough, &measured, repeat_mm.is_some()).ok_or(CannotMeasure::NoTwoRows)
}

fn first_line(job: &Job, repeat_mm: Option<f64>) -> Result<Design, CannotMeasure> {
    let laid_out = lay_out(job)?;
    let middles = laid_out.card_middles();
    let n = middles.len().max(1) as f64;
    let around = Point2::from(middles.iter().map(|m| m.coords).sum::<Vector2>() / n);
    let asked = Asked {
        spacing_mm: job.spacing_mm,
        stagger: job.stagger,
        repeat_mm,
    };
    let found = lattice::find(&laid_out.map, around, &asked);
    let found = found.ok_or(CannotMeasure::NoTwoRows)?;
    believed(&found)?;
    let pile = Pile::new(&laid_out.map, around, &found);
    let mut rows: Vec<i64> = pile.fitting.iter().map(|c| c.down).collect();
    rows.sort_unstable();
    rows.dedup();
    if rows.len() < LEAST_ROWS || pile.fitting.len() < LEAST_COPIES {
        return Err(CannotMeasure::NoTwoRows);
    }
    let lines = line::follow(&pile);
    let design = of_lines(&lines, &pile).ok_or(CannotMeasure::NoTwoRows)?;
    Ok(match repeat_mm {
        Some(told) => scaled(&design, told / design.repeat_mm),
        None => design,
    })
}

fn believed(found: &Lattice) -> Result<(), CannotMeasure> {
    let both = found.step_score + lattice::REPEAT_SHARE * found.repeat_score.min(MOST_REPEAT);
    if found.repeat_score < LEAST_REPEAT || found.step_score < LEAST_STEP || both < LEAST_BOTH {
        return Err(CannotMeasure::NoTwoRows);
    }
    if found.rival_score > RIVAL_SHARE * found.step_score {
        return Err(CannotMeasure::PatternRepeats);
    }
    Ok(())
}

fn scaled(design: &Design, by: f64) -> Design {
    Design {
        curve_mm: design.curve_mm.iter().map(|p| p * by).collect(),
        repeat_mm: design.repeat_mm * by,
        breaks: design.breaks.clone(),
    }
}

/// Lowest and highest y.
fn height(points: &[Point2]) -> (f64, f64) {
    points
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.y), b.max(p.y)))
}

/// One repeat of the design out of lines in the pile.
fn of_lines(lines: &[Line], pile: &Pile) -> Option<Design> {
    let first = lines.first()?;
    let of_first = height(&first.points);
    let middle = f64::midpoint(of_first.0, of_first.1);
    let mut pieces: Vec<Vec<Point2>> = Vec::new();
    if first.is_closed {
        pieces.push(first.points.clone());
    } else {
        for line in lines {
            let (top, bottom) = height(&line.points);
            let off = f64::midpoint(top, bottom) - middle;
            let down = (off / pile.gap_mm).round();
            let down_mm = down * pile.gap_mm;
            let beyond = (of_first.0 - (top - down_mm)).max(bottom - down_mm - of_first.1);
            if (off - down_mm).abs() > OWN_ROW * pile.gap_mm || beyond > BEYOND_MM {
                continue;
            }
            let mut back = -pile.row_step() * down;
            let x = line.points.iter().map(|p| p.x).sum::<f64>() / line.points.len() as f64;
            back.x -= ((x + back.x) / pile.repeat_mm).floor() * pile.repeat_mm;
            pieces.push(line.points.iter().map(|p| p + back).collect());
        }
        let x = |piece: &Vec<Point2>| piece.iter().map(|p| p.x).sum::<f64>() / piece.len() as f64;
        pieces.sort_by(|a, b| x(a).total_cmp(&x(b)));
        if known_share(&pieces, pile.repeat_mm) < LEAST_KNOWN {
            return None;
        }
    }
    Some(of_pieces(pieces, pile.repeat_mm, first.is_closed))
}

/// Share of a repeat along which there is any line.
fn known_share(pieces: &[Vec<Point2>], repeat_mm: f64) -> f64 {
    const BINS: usize = 40;
    let mut known = [false; BINS];
    for p in pieces.iter().flatten() {
        let part = (p.x / repeat_mm).rem_euclid(1.0) * BINS as f64;
        known[(part as usize).min(BINS - 1)] = true;
    }
    known.iter().filter(|k| **k).count() as f64 / BINS as f64
}

/// A design whose y is counted from half its height; a closed one is one piece, whose end is the next one's start.
fn of_pieces(pieces: Vec<Vec<Point2>>, repeat_mm: f64, is_closed: bool) -> Design {
    let all: Vec<Point2> = pieces.iter().flatten().copied().collect();
    let (top, bottom) = height(&all);
    let x = if is_closed {
        all.first().map_or(0.0, |p| p.x)
    } else {
        0.0
    };
    let start = Vector2::new(x, f64::midpoint(top, bottom));
    let mut breaks = Vec::new();
    let mut count = 0;
    for piece in &pieces {
        count += piece.len();
        breaks.push(count - 1);
    }
    if is_closed {
        breaks.clear();
    }
    Design {
        curve_mm: all.into_iter().map(|p| p - start).collect(),
        repeat_mm,
        breaks,
    }
}

/// The line moved to the middle of what was stitched, at each of its places; without places where hardly anything
/// was.
fn corrected(design: &Design, measured: &Measured, repeat_is_told: bool) -> Option<Design> {
    let points = design.sample(ARC_STEP_MM);
    let n = points.len();
    let mut off: Vec<Vec<f64>> = vec![Vec::new(); n];
    let mut seen = vec![0usize; n];
    for row in &measured.rows {
        for photo in row.trace.by_photo() {
            for (i, p) in photo.iter().enumerate().filter(|(_, p)| p.is_visible()) {
                seen[i % n] += 1;
                if p.found {
                    off[i % n].push(p.deviation_mm);
                }
            }
        }
    }
    let share = |off: &Vec<f64>, seen: &usize| off.len() as f64 / (*seen).max(1) as f64;
    let mut shares: Vec<f64> = off.iter().zip(&seen).map(|(o, s)| share(o, s)).collect();
    shares.sort_by(f64::total_cmp);
    let usual = shares.get(n / 2).copied().unwrap_or(0.0);
    let least = LEAST_FOUND.max(OF_USUAL * usual);
    let middle: Vec<f64> = off
        .iter_mut()
        .zip(&seen)
        .map(|(off, seen)| {
            if off.len() < 3 || share(off, seen) < least {
                return f64::NAN;
            }
            let at = off.len() / 2;
            *off.select_nth_unstable_by(at, f64::total_cmp).1
        })
        .collect();
    let stretch = measured.state.stretch;
    let (x, y) = match repeat_is_told {
        true => (1.0, (1.0 + stretch.y) / (1.0 + stretch.x)),
        false => (1.0 + stretch.x, 1.0 + stretch.y),
    };
    let is_closed = design.breaks.is_empty() && middle.iter().all(|m| !m.is_nan());
    let mut pieces: Vec<Vec<Point2>> = vec![Vec::new()];
    for (i, p) in points.iter().enumerate() {
        // Over a stitch or two: the middle of a few repeats is not smooth.
        let near = (0..5)
            .filter_map(|k| middle.get((i + k).checked_sub(2)?))
            .copied();
        let (sum, count) = near
            .filter(|m| !m.is_nan())
            .fold((0.0, 0.0), |(s, c), m| (s + m, c + 1.0));
        if !middle[i].is_nan() {
            let normal = Vector2::new(-p.tangent.y, p.tangent.x);
            let place = p.position + normal * (sum / count);
            pieces
                .last_mut()?
                .push(Point2::new(place.x * x, place.y * y));
        }
        if (middle[i].is_nan() || p.is_last) && !pieces.last()?.is_empty() {
            pieces.push(Vec::new());
        }
    }
    pieces.retain(|piece| piece.len() >= 12);
    let repeat_mm = design.repeat_mm * x;
    if is_closed && let Some(first) = pieces.first().and_then(|p| p.first()).copied() {
        pieces
            .last_mut()?
            .push(first + Vector2::new(repeat_mm, 0.0));
    }
    if known_share(&pieces, repeat_mm) < LEAST_KNOWN {
        return None;
    }
    // A line of which much is not stitched was followed wrongly.
    let corrected = of_pieces(pieces, repeat_mm, is_closed);
    (corrected.arc_mm() >= LEAST_KEPT * x * design.arc_mm()).then_some(corrected)
}

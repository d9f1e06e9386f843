//! The line followed through the pile of all repeats.

use super::pile::Pile;
use crate::geometry::{Point2, Vector2};
use std::f64::consts::{FRAC_PI_2, PI};

/// Step along the line, mm.
const STEP_MM: f64 = 2.0;
/// Turns that are tried at each step, degrees, and the cost of a degree, in the pile's noise.
const TURNS_DEG: [f64; 9] = [-32.0, -24.0, -16.0, -8.0, 0.0, 8.0, 16.0, 24.0, 32.0];
const TURN_COST: f32 = 0.02;
/// Steps that are looked ahead.
const AHEAD: usize = 3;
/// Evidence from which a line is begun, and below which, as a running mean, it ends; in the pile's noise.
const BEGINS: f32 = 4.5;
const GOES_ON: f32 = 1.8;
/// How much of the running mean a new step makes.
const NEW: f32 = 0.25;
/// Angle between directions that are taken for the same, rad.
const ALIKE: f64 = 0.5;
/// Steps on a line known already after which a line ends.
const MEETS: usize = 3;
/// Shortest line that is kept, mm.
const SHORTEST_MM: f64 = 30.0;
/// Longest, in repeats along with the gap: a line that never ends is none.
const MOST_STEPS: usize = 2500;
/// A long line that rises and falls by less is no part of a design, mm.
const LEVEL_MM: f64 = 10.0;
/// How near to a whole repeat a line that has closed has to end, mm.
const CLOSES_MM: f64 = 9.0;

/// A line in the pile, unrolled.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    /// Points, mm; of a closed line the last one is the first of the next repeat.
    pub(super) points: Vec<Point2>,
    /// It is one whole repeat of the design.
    pub(super) is_closed: bool,
}

/// What has been followed already: directions of the tangent by cell, over half a turn.
struct Known {
    tangents: Vec<Vec<f64>>,
}

impl Known {
    fn holds(&self, pile: &Pile, place: Point2, tangent: f64) -> bool {
        self.tangents[pile.cell_of(place)]
            .iter()
            .any(|t| apart(*t, tangent) < ALIKE)
    }

    fn add(&mut self, pile: &Pile, place: Point2, tangent: f64) {
        // As wide as the line's evidence.
        for k in -2..=2 {
            let normal = Vector2::new(-tangent.sin(), tangent.cos()) * f64::from(k);
            let at = pile.cell_of(place + normal * 1.5);
            self.tangents[at].push(tangent);
        }
    }
}

/// Angle between two directions without sense, rad, 0…π/2.
fn apart(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(PI);
    d.min(PI - d)
}

/// All lines in the pile, longest first.
pub(super) fn follow(pile: &Pile) -> Vec<Line> {
    let mut known = Known {
        tangents: vec![Vec::new(); pile.cells()],
    };
    let mut lines = Vec::new();
    for (place, normal) in pile.strongest(BEGINS * pile.noise) {
        let tangent = normal - FRAC_PI_2;
        if known.holds(pile, place, tangent) {
            continue;
        }
        let line = one(pile, &known, place, tangent);
        for pair in line.points.windows(2) {
            let d = pair[1] - pair[0];
            known.add(pile, pair[0], d.y.atan2(d.x));
        }
        if length(&line.points) >= SHORTEST_MM && !is_level(&line, pile) {
            lines.push(line);
        } else {
            known.add(pile, place, tangent);
        }
    }
    lines.sort_by(|a, b| length(&b.points).total_cmp(&length(&a.points)));
    lines
}

/// Whether it is a bar or a seam along the rows rather than part of a design.
fn is_level(line: &Line, pile: &Pile) -> bool {
    let (least, most) = line.points.iter().fold(
        (
            Point2::new(f64::MAX, f64::MAX),
            Point2::new(f64::MIN, f64::MIN),
        ),
        |(a, b), p| (a.inf(p), b.sup(p)),
    );
    most.x - least.x > 0.4 * pile.repeat_mm && most.y - least.y < LEVEL_MM
}

fn length(points: &[Point2]) -> f64 {
    points.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// The line through a place.
fn one(pile: &Pile, known: &Known, place: Point2, tangent: f64) -> Line {
    let start = centred(pile, place, tangent);
    let ahead = run(pile, known, start, tangent);
    if let Some(closed) = closed(pile, &ahead) {
        return Line {
            points: closed,
            is_closed: true,
        };
    }
    let back = run(pile, known, start, tangent + PI);
    let mut points: Vec<Point2> = back.into_iter().skip(1).rev().collect();
    points.extend(ahead);
    match closed(pile, &points) {
        Some(points) => Line {
            points,
            is_closed: true,
        },
        None => Line {
            points,
            is_closed: false,
        },
    }
}

/// Follows the line one way until it fades or meets what is known, itself included.
fn run(pile: &Pile, known: &Known, start: Point2, tangent: f64) -> Vec<Point2> {
    let mut own = Known {
        tangents: vec![Vec::new(); pile.cells()],
    };
    let mut points = vec![start];
    let mut heading = tangent;
    let mut mean = BEGINS * pile.noise;
    let mut met = 0;
    while points.len() < MOST_STEPS {
        let here = points[points.len() - 1];
        let Some((next, turned)) = best_step(pile, here, heading) else {
            break;
        };
        heading = turned;
        let value = pile.evidence(next, heading + FRAC_PI_2);
        mean += NEW * (value - mean);
        if mean < GOES_ON * pile.noise {
            break;
        }
        let again = known.holds(pile, next, heading) || own.holds(pile, next, heading);
        met = if again { met + 1 } else { 0 };
        points.push(next);
        if met >= MEETS {
            break;
        }
        // Its own last steps are not to stop it.
        if points.len() > 6 {
            let at = points.len() - 6;
            let d = points[at] - points[at - 1];
            own.add(pile, points[at], d.y.atan2(d.x));
        }
    }
    if met < MEETS {
        // What faded was none of it.
        let faded = points
            .iter()
            .rev()
            .zip(headings(&points))
            .take_while(|(p, h)| pile.evidence(**p, h + FRAC_PI_2) < GOES_ON * pile.noise);
        let faded = faded.count();
        points.truncate(points.len() - faded.min(points.len() - 1));
    }
    points
}

/// Headings at the points, last first.
fn headings(points: &[Point2]) -> impl Iterator<Item = f64> + '_ {
    let n = points.len();
    (0..n).rev().map(move |i| {
        let (a, b) = (points[i.saturating_sub(1)], points[(i + 1).min(n - 1)]);
        (b.y - a.y).atan2(b.x - a.x)
    })
}

/// The step that sees most evidence ahead, and its heading.
fn best_step(pile: &Pile, here: Point2, heading: f64) -> Option<(Point2, f64)> {
    let ahead = |turn: f64| {
        let mut at = here;
        let mut way = heading;
        let mut sum = 0.0;
        for _ in 0..AHEAD {
            way += turn.to_radians() / 2.0;
            at += Vector2::new(way.cos(), way.sin()) * STEP_MM;
            sum += pile.evidence(at, way + FRAC_PI_2);
            way += turn.to_radians() / 2.0;
        }
        sum / AHEAD as f32 - TURN_COST * pile.noise * turn.abs() as f32
    };
    let turn = TURNS_DEG
        .into_iter()
        .max_by(|a, b| ahead(*a).total_cmp(&ahead(*b)))?;
    let way = heading + turn.to_radians();
    let middle = heading + turn.to_radians() / 2.0;
    let next = here + Vector2::new(middle.cos(), middle.sin()) * STEP_MM;
    Some((centred(pile, next, way), way))
}

/// A place moved across its line onto its middle, by half a step at most.
fn centred(pile: &Pile, place: Point2, tangent: f64) -> Point2 {
    let normal = Vector2::new(-tangent.sin(), tangent.cos());
    let at = |k: f64| pile.evidence(place + normal * k, tangent + FRAC_PI_2);
    let (low, middle, high) = (at(-1.5), at(0.0), at(1.5));
    let bend = low - 2.0 * middle + high;
    let by = if bend < 0.0 {
        f64::from((0.5 * (low - high) / bend).clamp(-1.0, 1.0)) * 1.5
    } else {
        0.0
    };
    place + normal * by.clamp(-1.0, 1.0)
}

/// One whole repeat of a line that comes back to itself a repeat further on.
fn closed(pile: &Pile, points: &[Point2]) -> Option<Vec<Point2>> {
    let last = *points.last()?;
    let earlier = &points[..points.len().saturating_sub(20)];
    [1.0, -1.0].into_iter().find_map(|sign| {
        let aim = last - Vector2::new(sign * pile.repeat_mm, 0.0);
        let away = |p: &Point2| (p - aim).norm();
        let (from, nearest) = earlier
            .iter()
            .enumerate()
            .min_by(|a, b| away(a.1).total_cmp(&away(b.1)))?;
        if away(nearest) > CLOSES_MM {
            return None;
        }
        let mut whole = points[from..].to_vec();
        // What is left open is spread over the whole.
        let open = (whole[0] - aim) / (whole.len() - 1) as f64;
        for (i, p) in whole.iter_mut().enumerate() {
            *p += open * i as f64;
        }
        if sign < 0.0 {
            whole.reverse();
        }
        Some(whole)
    })
}

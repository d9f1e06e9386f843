//! The repeat along the rows and the step from row to row, from the map's likeness to itself.
//!
//! A map of rows moved along by a repeat of the design lies on itself, and so it does moved down by a gap and along by
//! the rows' shift: the correlation of the map with itself has peaks there and nowhere else. A print that
//! repeats has peaks of its own, more than one of them where a gap may lie: then nothing is told.

use crate::geometry::{Point2, Vector2};
use crate::line::map::{DIRECTIONS, LineMap};
use crate::row::search::CHANCE_SCORE;
use crate::solve::median::median;
use rayon::prelude::*;

/// Half size of the part of the map that is looked at, along and across, around the cards, mm.
pub(super) const HALF_MM: [f64; 2] = [750.0, 450.0];
/// Repeats that are looked for where none is told, mm.
const REPEAT_MM: [f64; 2] = [85.0, 560.0];
/// How far a told repeat may be off in the map, whose plane is the card's, relative.
const REPEAT_REACH: f64 = 0.04;
/// How far rows may be turned against the map, as a slope.
const SLOPE: f64 = 0.27;
/// How far from the plan a gap is looked for: share of the spacing, and mm along.
const GAP_REACH: f64 = 0.25;
const SHIFT_REACH_MM: f64 = 45.0;
/// Half side of the neighbourhood that evidence is compared with, cells.
const NEIGHBOURHOOD: usize = 8;
/// Evidence this many times its standard deviation above the mean around counts no more.
const CLIP: f32 = 3.0;

/// Repeats that are looked at closely.
const CANDIDATES: usize = 10;
/// Distance along from the cards at which the map counts less when it is laid over itself, mm.
const FOLD_MM: f64 = 380.0;
/// How much the score of a repeat counts beside that of the step from row to row, and up to what score.
pub(super) const REPEAT_SHARE: f64 = 0.25;
const MOST_REPEAT: f64 = 20.0;
/// Steps further apart than this are not the same, mm.
const RIVAL_MM: f64 = 28.0;

/// What is looked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Planned distance from one row to the next, mm.
    pub spacing_mm: f64,
    /// Planned move of each row's design against the row before, as a fraction of the repeat.
    pub stagger: f64,
    /// Length of a repeat, mm, where it is told.
    pub repeat_mm: Option<f64>,
}

/// How the rows lie in the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lattice {
    /// From a place of the design to the same place of the next repeat, in the map, mm.
    pub repeat: Vector2,
    /// From a place of a row to the same place of the next row, in the map, mm.
    pub step: Vector2,
    /// How far the map's likeness under the repeat stands out, in robust standard deviations.
    pub repeat_score: f64,
    /// The same under the step from row to row.
    pub step_score: f64,
    /// The same under the likeliest other step.
    pub rival_score: f64,
}

/// Evidence beyond that around, of size one, nought where unseen; by direction.
pub(super) struct Field {
    pub(super) width: usize,
    pub(super) height: usize,
    cell_mm: f64,
    pub(super) excess: Vec<Vec<f32>>,
    pub(super) seen: Vec<f32>,
}

impl Field {
    pub(super) fn new(map: &LineMap) -> Field {
        let n = map.width * map.height;
        let seen: Vec<f32> = map.seen.iter().map(|s| f32::from(u8::from(*s))).collect();
        let excess = (0..DIRECTIONS)
            .into_par_iter()
            .map(|d| {
                let one: Vec<f32> = (0..n)
                    .map(|i| {
                        if map.seen[i] {
                            map.evidence[i][d]
                        } else {
                            f32::NAN
                        }
                    })
                    .collect();
                let around = crate::line::map::box_mean(&one, map.width, map.height, NEIGHBOURHOOD);
                let mut excess: Vec<f32> = one
                    .iter()
                    .zip(&around)
                    .map(|(e, a)| if a.is_nan() { 0.0 } else { e - a })
                    .collect();
                let power: f32 = excess.iter().map(|e| e * e).sum();
                let size = (power / seen.iter().sum::<f32>().max(1.0)).sqrt().max(1e-6);
                for e in &mut excess {
                    *e = (*e / size).min(CLIP);
                }
                excess
            })
            .collect();
        Field {
            width: map.width,
            height: map.height,
            cell_mm: map.cell_mm,
            excess,
            seen,
        }
    }

    /// Sum of products with itself moved by whole cells, over the square root of their number.
    fn likeness(&self, dx: i64, dy: i64) -> f32 {
        let (w, h) = (self.width as i64, self.height as i64);
        let (x0, x1) = ((-dx).max(0), (w - dx).min(w));
        let (y0, y1) = ((-dy).max(0), (h - dy).min(h));
        if x1 - x0 < 4 || y1 - y0 < 4 {
            return 0.0;
        }
        let (mut sum, mut count) = (0.0, 0.0);
        for y in y0..y1 {
            let from = (y * w + x0) as usize..(y * w + x1) as usize;
            let to = ((y + dy) * w + x0 + dx) as usize..((y + dy) * w + x1 + dx) as usize;
            for excess in &self.excess {
                sum += dot(&excess[from.clone()], &excess[to.clone()]);
            }
            count += dot(&self.seen[from], &self.seen[to]);
        }
        if count < 0.1 * (w * h) as f32 {
            0.0
        } else {
            sum / (count * DIRECTIONS as f32).sqrt()
        }
    }
}

fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = a8
        .remainder()
        .iter()
        .zip(b8.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a8.zip(b8) {
        for (lane, (x, y)) in lanes.iter_mut().zip(x.iter().zip(y)) {
            *lane += x * y;
        }
    }
    lanes.iter().sum::<f32>() + rest
}

/// Likeness by move, `dx` from −reach to reach, `dy` from 0 to depth, in robust standard deviations.
struct Likeness {
    reach: i64,
    depth: i64,
    cell_mm: f64,
    values: Vec<f32>,
}

impl Likeness {
    fn new(field: &Field, reach_mm: f64, depth_mm: f64) -> Likeness {
        let cells = |mm: f64| (mm / field.cell_mm).ceil() as i64;
        let (reach, depth) = (cells(reach_mm), cells(depth_mm));
        let side = 2 * reach + 1;
        let mut values: Vec<f32> = (0..side * (depth + 1))
            .into_par_iter()
            .map(|i| field.likeness(i % side - reach, i / side))
            .collect();
        // What does not vary along a row, or down the quilt, is bars, seams and stripes.
        let near = |i: i64, j: i64| i.abs() <= 4 && j <= 4;
        let at = |i: i64, j: i64| (j * side + i + reach) as usize;
        let raw = values.clone();
        for j in 0..=depth {
            let line: Vec<f32> = (-reach..=reach)
                .filter(|i| !near(*i, j))
                .map(|i| raw[at(i, j)])
                .collect();
            let middle = median(line, f32::total_cmp).unwrap_or(0.0);
            for i in -reach..=reach {
                values[at(i, j)] -= middle;
            }
        }
        for i in -reach..=reach {
            let line: Vec<f32> = (0..=depth)
                .filter(|j| !near(i, *j))
                .map(|j| values[at(i, j)])
                .collect();
            let middle = median(line, f32::total_cmp).unwrap_or(0.0);
            for j in 0..=depth {
                values[at(i, j)] -= middle;
            }
        }
        let spread = 1.4826
            * median(values.iter().map(|v| v.abs()).collect(), f32::total_cmp).unwrap_or(0.0);
        for v in &mut values {
            *v /= spread.max(1e-6);
        }
        Likeness {
            reach,
            depth,
            cell_mm: field.cell_mm,
            values,
        }
    }

    fn at(&self, i: i64, j: i64) -> Option<f64> {
        let (i, j) = if j < 0 { (-i, -j) } else { (i, j) };
        (i.abs() <= self.reach && j <= self.depth)
            .then(|| f64::from(self.values[(j * (2 * self.reach + 1) + i + self.reach) as usize]))
    }

    /// Between cells, mm; `None` beyond what is known.
    fn at_mm(&self, by: Vector2) -> Option<f64> {
        let (x, y) = (by.x / self.cell_mm, by.y / self.cell_mm);
        let (i, j) = (x.floor(), y.floor());
        let (tx, ty) = (x - i, y - j);
        let (i, j) = (i as i64, j as i64);
        let top = self.at(i, j)? * (1.0 - tx) + self.at(i + 1, j)? * tx;
        let bottom = self.at(i, j + 1)? * (1.0 - tx) + self.at(i + 1, j + 1)? * tx;
        Some(top * (1.0 - ty) + bottom * ty)
    }
}

/// Finds how rows lie in the map around a place; `None` where nothing can be.
pub fn find(map: &LineMap, around: Point2, asked: &Asked) -> Option<Lattice> {
    let near = map.around(around, HALF_MM);
    let coarse = near.halved();
    if coarse.width < 20 || coarse.height < 20 {
        return None;
    }
    let field = Field::new(&coarse);
    let likeness = Likeness::new(&field, 620.0, SLOPE * 620.0);
    let origin = coarse.origin - around;
    // A repeat is believed when rows follow each other under it.
    let repeats: Vec<(Folded, f64, f64)> = likely_repeats(&likeness, asked)
        .into_par_iter()
        .filter_map(|(repeat, _)| {
            let best = folded_best(&field, origin, repeat);
            let steps = Fold::new(&field, origin, best.repeat).steps(asked)?;
            let score = best.score(&field, origin);
            // Rows follow each other under two repeats as well, but then it is less of a repeat.
            let both =
                steps.score - steps.rival.max(CHANCE_SCORE) + REPEAT_SHARE * score.min(MOST_REPEAT);
            Some((best, score, both))
        })
        .collect();
    let (best, repeat_score, _) = repeats.into_iter().max_by(|a, b| a.2.total_cmp(&b.2))?;
    let fine = Field::new(&near);
    let fold = Fold::new(&fine, near.origin - around, best.repeat);
    let steps = fold.steps(asked)?;
    Some(Lattice {
        repeat: best.repeat,
        step: steps.step,
        repeat_score,
        step_score: steps.score,
        rival_score: steps.rival,
    })
}

/// Score of moves together: as of a sum of independent ones.
fn together(scores: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = scores.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if n > 0.0 { sum / f64::sqrt(n) } else { 0.0 }
}

/// Moves along the rows under which the map is most like itself, with their scores, best first.
fn likely_repeats(likeness: &Likeness, asked: &Asked) -> Vec<(Vector2, f64)> {
    let [least, most] = match asked.repeat_mm {
        Some(mm) => [(1.0 - REPEAT_REACH) * mm, (1.0 + REPEAT_REACH) * mm],
        None => REPEAT_MM,
    };
    let cell = likeness.cell_mm;
    let reach = (most / cell).ceil() as i64;
    let slope = (SLOPE * most / cell).ceil() as i64;
    let mut peaks: Vec<(Vector2, f64)> = Vec::new();
    for i in 1..=reach {
        for j in -slope..=slope {
            let by = Vector2::new(i as f64, j as f64) * cell;
            let length = by.norm();
            if length < least || length > most || by.y.abs() > SLOPE * by.x {
                continue;
            }
            let Some(here) = likeness.at(i, j) else {
                continue;
            };
            let is_peak = (-1..=1)
                .all(|a| (-1..=1).all(|b| likeness.at(i + a, j + b).is_none_or(|v| v <= here)));
            if !is_peak {
                continue;
            }
            let by = peak(likeness, i, j);
            // Whole multiples are repeats as well.
            let score = together((1..=4).filter_map(|k| likeness.at_mm(by * f64::from(k))));
            peaks.push((by, score));
        }
    }
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    peaks.truncate(CANDIDATES);
    peaks
}

/// Vertex of the parabolas through a peak.
fn peak(likeness: &Likeness, i: i64, j: i64) -> Vector2 {
    let here = likeness.at(i, j).unwrap_or(0.0);
    let vertex = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) if a + b < 2.0 * here => {
            (0.5 * (a - b) / (a - 2.0 * here + b)).clamp(-0.5, 0.5)
        }
        _ => 0.0,
    };
    let dx = vertex(likeness.at(i - 1, j), likeness.at(i + 1, j));
    let dy = vertex(likeness.at(i, j - 1), likeness.at(i, j + 1));
    Vector2::new(i as f64 + dx, j as f64 + dy) * likeness.cell_mm
}

/// A repeat, and how much stronger the map is when it is laid over itself by it.
#[derive(Debug, Clone, Copy)]
struct Folded {
    repeat: Vector2,
    energy: f64,
}

impl Folded {
    fn new(field: &Field, origin: Vector2, repeat: Vector2) -> Folded {
        let energy = Fold::new(field, origin, repeat).energy();
        Folded { repeat, energy }
    }

    /// How far its energy stands out from that of repeats that are none.
    fn score(&self, field: &Field, origin: Vector2) -> f64 {
        const OTHERS: [f64; 14] = [
            0.78, 0.81, 0.84, 0.87, 0.9, 0.92, 0.94, 1.06, 1.08, 1.11, 1.14, 1.17, 1.2, 1.23,
        ];
        let others: Vec<f64> = OTHERS
            .par_iter()
            .map(|by| Folded::new(field, origin, self.repeat * *by).energy)
            .collect();
        let n = others.len() as f64;
        let mean = others.iter().sum::<f64>() / n;
        let spread = (others.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / n).sqrt();
        (self.energy - mean) / spread.max(1e-9)
    }
}

/// The strongest repeat near one: finer and finer steps of length and direction.
fn folded_best(field: &Field, origin: Vector2, about: Vector2) -> Folded {
    let mut best = Folded::new(field, origin, about);
    for (along, turn) in [(5.0, 0.02), (2.5, 0.01), (1.2, 0.005), (0.6, 0.0025)] {
        // From where the last finer step ended, until no step is better.
        for _ in 0..3 {
            let before = best;
            let across = Vector2::new(-before.repeat.y, before.repeat.x);
            let steps = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
            for (a, t) in steps {
                let moved =
                    before.repeat + before.repeat.normalize() * (a * along) + across * (t * turn);
                let tried = Folded::new(field, origin, moved);
                if tried.energy > best.energy {
                    best = tried;
                }
            }
            if best.energy <= before.energy {
                break;
            }
        }
    }
    best
}

/// The map laid over itself, repeat on repeat: each place in standard deviations of chance.
struct Fold {
    along: Vector2,
    across: Vector2,
    repeat_mm: f64,
    cell_mm: f64,
    columns: usize,
    rows: usize,
    /// By direction, row, column.
    values: Vec<Vec<f32>>,
    seen: Vec<f32>,
}

impl Fold {
    /// `origin` is the place of the field's first cell.
    fn new(field: &Field, origin: Vector2, repeat: Vector2) -> Fold {
        let repeat_mm = repeat.norm();
        let along = repeat / repeat_mm;
        let across = Vector2::new(-along.y, along.x);
        let cell_mm = field.cell_mm;
        let columns = (repeat_mm / cell_mm).round().max(4.0) as usize;
        let half_mm = HALF_MM[1] + 0.3 * HALF_MM[0];
        let rows = (2.0 * half_mm / cell_mm) as usize;
        let n = columns * rows;
        let mut sum = vec![0.0f32; n * DIRECTIONS];
        let (mut weight, mut power) = (vec![0.0f32; n], vec![0.0f32; n]);
        for at in (0..field.width * field.height).filter(|at| field.seen[*at] > 0.0) {
            let cell = Vector2::new((at % field.width) as f64, (at / field.width) as f64);
            let place = origin + cell * cell_mm;
            let (u, v) = (place.dot(&along), place.dot(&across));
            let row = ((v + half_mm) / cell_mm).floor();
            if row < 0.0 || row >= rows as f64 {
                continue;
            }
            // Far from the cards their plane is not the quilt's.
            let w = (-0.5 * (u / FOLD_MM).powi(2)).exp() as f32;
            let column = (u / repeat_mm).rem_euclid(1.0) * columns as f64;
            let to = row as usize * columns + (column as usize).min(columns - 1);
            weight[to] += w;
            power[to] += w * w;
            for (s, excess) in sum[to * DIRECTIONS..].iter_mut().zip(&field.excess) {
                *s += w * excess[at];
            }
        }
        let seen: Vec<f32> = power
            .iter()
            .map(|p| f32::from(u8::from(*p > 0.01)))
            .collect();
        let values = (0..DIRECTIONS)
            .map(|d| {
                let mut values = vec![0.0f32; n];
                for row in 0..rows {
                    let line = row * columns..(row + 1) * columns;
                    // What does not vary along the row is taken out.
                    let total: f32 = line.clone().map(|i| sum[i * DIRECTIONS + d]).sum();
                    let mean = total / weight[line.clone()].iter().sum::<f32>().max(1e-3);
                    for i in line.filter(|i| seen[*i] > 0.0) {
                        values[i] = (sum[i * DIRECTIONS + d] - weight[i] * mean) / power[i].sqrt();
                    }
                }
                values
            })
            .collect();
        Fold {
            along,
            across,
            repeat_mm,
            cell_mm,
            columns,
            rows,
            values,
            seen,
        }
    }

    /// Mean square of its values: one where nothing repeats.
    fn energy(&self) -> f64 {
        let sum: f32 = self.values.iter().flatten().map(|v| v * v).sum();
        f64::from(sum / (DIRECTIONS as f32 * self.seen.iter().sum::<f32>().max(1.0)))
    }

    /// Likeness to itself moved by columns and rows.
    fn likeness(&self, by_column: usize, by_row: usize) -> f32 {
        let (mut sum, mut count) = (0.0, 0.0);
        for row in 0..self.rows.saturating_sub(by_row) {
            let (from, to) = (row * self.columns, (row + by_row) * self.columns);
            let wrap = self.columns - by_column;
            let mut add = |a: std::ops::Range<usize>, b: std::ops::Range<usize>| {
                for values in &self.values {
                    sum += dot(&values[a.clone()], &values[b.clone()]);
                }
                count += dot(&self.seen[a], &self.seen[b]);
            };
            add(from..from + wrap, to + by_column..to + self.columns);
            add(from + wrap..from + self.columns, to..to + by_column);
        }
        sum / (count * DIRECTIONS as f32).max(1.0).sqrt()
    }

    /// The likeliest step from row to row.
    fn steps(&self, asked: &Asked) -> Option<Steps> {
        let cells = |mm: f64| mm / self.cell_mm;
        let spacing = cells(asked.spacing_mm);
        let first = (0.5 * spacing) as usize;
        let last = ((1.5 * spacing) as usize).min(self.rows * 2 / 3);
        if last <= first + 4 {
            return None;
        }
        let (columns, depth) = (self.columns, last - first + 1);
        let mut all: Vec<f32> = (0..depth * columns)
            .into_par_iter()
            .map(|k| self.likeness(k % columns, first + k / columns))
            .collect();
        // Stripes across the rows are alike at any step down.
        for column in 0..columns {
            let middle = median(
                (0..depth).map(|j| all[j * columns + column]).collect(),
                f32::total_cmp,
            )
            .unwrap_or(0.0);
            for j in 0..depth {
                all[j * columns + column] -= middle;
            }
        }
        let spread =
            1.4826 * median(all.iter().map(|v| v.abs()).collect(), f32::total_cmp).unwrap_or(0.0);
        let at = |i: i64, j: i64| {
            let i = i.rem_euclid(columns as i64) as usize;
            let j = usize::try_from(j - first as i64)
                .ok()
                .filter(|j| *j < depth)?;
            Some(f64::from(all[j * columns + i] / spread.max(1e-6)))
        };
        let per_mm = columns as f64 / self.repeat_mm;
        let planned = (asked.stagger * columns as f64).round() as i64;
        let reach = (GAP_REACH * spacing).round() as i64;
        let shift_reach = (SHIFT_REACH_MM.min(self.repeat_mm / 3.0) * per_mm).round() as i64;
        let mut places: Vec<(f64, i64, i64)> = (-reach..=reach)
            .flat_map(|b| (-shift_reach..=shift_reach).map(move |a| (a, b)))
            .filter_map(|(a, b)| {
                let (i, j) = (planned + a, spacing.round() as i64 + b);
                Some((at(i, j)?, i, j))
            })
            .collect();
        places.sort_by(|a, b| b.0.total_cmp(&a.0));
        let &(score, i, j) = places.first()?;
        let apart = |p: &&(f64, i64, i64)| {
            let (x, y) = ((p.1 - i) as f64 / per_mm, (p.2 - j) as f64 * self.cell_mm);
            x.hypot(y) > RIVAL_MM
        };
        let rival = places.iter().find(apart).map_or(0.0, |r| r.0);
        let vertex = |a: Option<f64>, c: Option<f64>| match (a, c) {
            (Some(a), Some(c)) if a + c < 2.0 * score => {
                (0.5 * (a - c) / (a - 2.0 * score + c)).clamp(-0.5, 0.5)
            }
            _ => 0.0,
        };
        let s = (i as f64 + vertex(at(i - 1, j), at(i + 1, j))) / per_mm;
        let d = (j as f64 + vertex(at(i, j - 1), at(i, j + 1))) * self.cell_mm;
        let s = s - (s / self.repeat_mm).round() * self.repeat_mm;
        Some(Steps {
            step: self.along * s + self.across * d,
            score,
            rival,
        })
    }
}

/// A step from row to row, how far it stands out, and how far the likeliest other one does.
struct Steps {
    step: Vector2,
    score: f64,
    rival: f64,
}

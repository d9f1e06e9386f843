//! All repeats of all rows laid on each other, each moved to where it fits the others best.

use super::lattice::{Field, HALF_MM, Lattice};
use crate::geometry::{Point2, Vector2};
use crate::line::map::{DIRECTIONS, LineMap};
use crate::solve::median::median;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Side of a cell of the pile, mm.
const CELL_MM: f64 = 2.0;
/// Distance from the cards at which a repeat counts less at first, mm: there the card's plane is nearly the quilt's.
const NEAR_MM: f64 = 280.0;
/// Moves that are tried: steps to each side, and their size, mm.
const MOVES: i64 = 5;
const MOVE_MM: f64 = 2.0;
/// Passes in which repeats are moved onto the others.
const PASSES: usize = 3;
/// How far a repeat has to stand out before it counts, in standard deviations of its fits elsewhere.
pub(super) const FITS: f64 = 5.0;
/// Share of a repeat's cells that have to be seen.
const LEAST_SEEN: f64 = 0.5;

/// Evidence by direction over one repeat along and one gap across, both closed: beyond its end along it starts
/// anew, beyond its end across it does so moved by the rows' shift.
pub(super) struct Pile {
    pub(super) repeat_mm: f64,
    pub(super) gap_mm: f64,
    shift_mm: f64,
    columns: usize,
    rows: usize,
    /// Mean evidence by direction, row, column.
    mean: Vec<Vec<f32>>,
    /// Robust standard deviation of the mean evidence.
    pub(super) noise: f32,
    /// Angle from the map's x-axis to the rows', rad.
    pub(super) angle: f64,
    /// Repeats that fit the others, by their numbers along and down.
    pub(super) fitting: Vec<Copy>,
    /// All repeats that are seen well enough.
    pub(super) seen: usize,
}

/// One repeat of one row against all the others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Copy {
    pub(super) along: i64,
    pub(super) down: i64,
    /// How far its fit stands out.
    pub(super) score: f64,
}

/// A cell of the map and its place in the pile, mm.
type Cell = (usize, f64, f64);

/// One repeat of one row in the map: its cells with their places in the pile, mm.
struct Window {
    number: (i64, i64),
    cells: Vec<Cell>,
    by: Vector2,
    weight: f32,
    score: f64,
}

/// Sums that make a pile.
struct Sums {
    evidence: Vec<Vec<f32>>,
    weight: Vec<f32>,
}

impl Pile {
    /// Piles up the part of the map around a place.
    pub(super) fn new(map: &LineMap, around: Point2, lattice: &Lattice) -> Pile {
        let near = map.around(around, HALF_MM);
        let field = Field::new(&near);
        let along = lattice.repeat.normalize();
        let across = Vector2::new(-along.y, along.x);
        let (repeat_mm, gap_mm) = (lattice.repeat.norm(), lattice.step.dot(&across));
        let mut pile = Pile {
            repeat_mm,
            gap_mm,
            shift_mm: lattice.step.dot(&along),
            columns: (repeat_mm / CELL_MM).round() as usize,
            rows: (gap_mm / CELL_MM).round() as usize,
            mean: Vec::new(),
            noise: 1.0,
            angle: along.y.atan2(along.x),
            fitting: Vec::new(),
            seen: 0,
        };
        let mut windows = pile.windows(&near, &field, around, along, across);
        pile.seen = windows.len();
        for _ in 0..PASSES {
            let sums = pile.sums(&windows, &field);
            windows
                .par_iter_mut()
                .for_each(|window| pile.fit(window, &sums, &field));
            let best = windows.iter().map(|w| w.score).fold(0.0, f64::max);
            for window in &mut windows {
                let fits = window.score >= FITS.max(0.3 * best);
                window.weight = if fits { 1.0 } else { 0.0 };
            }
        }
        let fitting = windows.iter().filter(|w| w.weight > 0.0);
        pile.fitting = fitting
            .map(|w| Copy {
                along: w.number.0,
                down: w.number.1,
                score: w.score,
            })
            .collect();
        let sums = pile.sums(&windows, &field);
        pile.mean = sums.mean();
        let all = pile.mean.iter().flatten().map(|v| v.abs()).collect();
        if let Some(usual) = median(all, f32::total_cmp) {
            pile.noise = 1.4826 * usual;
        }
        pile
    }

    fn windows(
        &self,
        map: &LineMap,
        field: &Field,
        around: Point2,
        along: Vector2,
        across: Vector2,
    ) -> Vec<Window> {
        let mut cells: BTreeMap<(i64, i64), Vec<Cell>> = BTreeMap::new();
        for at in (0..field.width * field.height).filter(|at| field.seen[*at] > 0.0) {
            let (column, row) = (at % field.width, at / field.width);
            let place = map.origin + Vector2::new(column as f64, row as f64) * map.cell_mm - around;
            let down = (place.dot(&across) / self.gap_mm).floor();
            let u = place.dot(&along) - down * self.shift_mm;
            let k = (u / self.repeat_mm).floor();
            let (u, v) = (
                u - k * self.repeat_mm,
                place.dot(&across) - down * self.gap_mm,
            );
            cells
                .entry((k as i64, down as i64))
                .or_default()
                .push((at, u, v));
        }
        let whole = self.repeat_mm * self.gap_mm / map.cell_mm.powi(2);
        cells
            .into_iter()
            .filter(|(_, cells)| cells.len() as f64 >= LEAST_SEEN * whole)
            .map(|(number, cells)| {
                let (k, j) = (number.0 as f64 + 0.5, number.1 as f64 + 0.5);
                let x = k * self.repeat_mm + number.1 as f64 * self.shift_mm;
                let away = x.hypot(j * self.gap_mm) / NEAR_MM;
                Window {
                    number,
                    cells,
                    by: Vector2::zeros(),
                    weight: (-0.5 * away * away).exp() as f32,
                    score: 0.0,
                }
            })
            .collect()
    }

    fn sums(&self, windows: &[Window], field: &Field) -> Sums {
        let mut sums = Sums {
            evidence: vec![vec![0.0; self.columns * self.rows]; DIRECTIONS],
            weight: vec![0.0; self.columns * self.rows],
        };
        for window in windows.iter().filter(|w| w.weight > 1e-3) {
            self.lay(&mut sums, window, field, window.weight);
        }
        sums
    }

    /// Lays a window on the sums.
    fn lay(&self, sums: &mut Sums, window: &Window, field: &Field, weight: f32) {
        for (cell, u, v) in &window.cells {
            for (at, share) in self.corners(u - window.by.x, v - window.by.y) {
                let w = weight * share;
                sums.weight[at] += w;
                for (sum, excess) in sums.evidence.iter_mut().zip(&field.excess) {
                    sum[at] += w * excess[*cell];
                }
            }
        }
    }

    /// Moves a window to where it fits the others best.
    fn fit(&self, window: &mut Window, sums: &Sums, field: &Field) {
        let mut others = Sums {
            evidence: sums.evidence.clone(),
            weight: sums.weight.clone(),
        };
        if window.weight > 1e-3 {
            self.lay(&mut others, window, field, -window.weight);
        }
        let mean = others.mean();
        let fit = |by: Vector2| -> f64 {
            let mut sum = 0.0;
            for (cell, u, v) in &window.cells {
                let at = self.nearest(u - by.x, v - by.y);
                for (mean, excess) in mean.iter().zip(&field.excess) {
                    sum += f64::from(mean[at] * excess[*cell]);
                }
            }
            sum
        };
        // What chance gives: far from where it belongs.
        let elsewhere: Vec<f64> = (1..6)
            .flat_map(|i| (0..5).map(move |j| (f64::from(i) / 6.0, f64::from(j) / 5.0)))
            .map(|(i, j)| fit(Vector2::new(i * self.repeat_mm, j * self.gap_mm)))
            .collect();
        let n = elsewhere.len() as f64;
        let average = elsewhere.iter().sum::<f64>() / n;
        let spread = (elsewhere.iter().map(|e| (e - average).powi(2)).sum::<f64>() / n).sqrt();
        let mut best = (f64::MIN, window.by);
        for k in 0..(2 * MOVES + 1).pow(2) {
            let (i, j) = (k % (2 * MOVES + 1) - MOVES, k / (2 * MOVES + 1) - MOVES);
            let by = window.by + Vector2::new(i as f64, j as f64) * MOVE_MM;
            let here = fit(by);
            if here > best.0 {
                best = (here, by);
            }
        }
        window.by = best.1;
        window.score = (best.0 - average) / spread.max(1e-9);
    }

    /// From a place of a row to the same place of the next row, mm.
    pub(super) fn row_step(&self) -> Vector2 {
        Vector2::new(self.shift_mm, self.gap_mm)
    }

    fn nearest(&self, u: f64, v: f64) -> usize {
        let (u, v) = self.wrapped(u, v);
        let column = (u / self.repeat_mm * self.columns as f64) as usize;
        let row = (v / self.gap_mm * self.rows as f64) as usize;
        row.min(self.rows - 1) * self.columns + column.min(self.columns - 1)
    }

    /// A place brought into the pile.
    fn wrapped(&self, u: f64, v: f64) -> (f64, f64) {
        let down = (v / self.gap_mm).floor();
        (
            (u - down * self.shift_mm).rem_euclid(self.repeat_mm),
            v - down * self.gap_mm,
        )
    }

    /// The four cells around a place with their shares.
    fn corners(&self, u: f64, v: f64) -> [(usize, f32); 4] {
        let (cell_u, cell_v) = (
            self.repeat_mm / self.columns as f64,
            self.gap_mm / self.rows as f64,
        );
        let (x, y) = (u / cell_u - 0.5, v / cell_v - 0.5);
        let (i, j) = (x.floor(), y.floor());
        let (tx, ty) = ((x - i) as f32, (y - j) as f32);
        [
            (0.0, 0.0, (1.0 - tx) * (1.0 - ty)),
            (1.0, 0.0, tx * (1.0 - ty)),
            (0.0, 1.0, (1.0 - tx) * ty),
            (1.0, 1.0, tx * ty),
        ]
        .map(|(a, b, share)| {
            (
                self.nearest((i + a + 0.5) * cell_u, (j + b + 0.5) * cell_v),
                share,
            )
        })
    }

    /// Mean evidence at a place for a line whose normal stands at `normal` (rad) to the rows.
    pub(super) fn evidence(&self, place: Point2, normal: f64) -> f32 {
        let turn =
            ((normal + self.angle) / std::f64::consts::PI).rem_euclid(1.0) * DIRECTIONS as f64;
        let (bin, part) = (turn as usize % DIRECTIONS, turn.fract() as f32);
        let next = (bin + 1) % DIRECTIONS;
        self.corners(place.x, place.y)
            .into_iter()
            .map(|(at, share)| {
                share * (self.mean[bin][at] + part * (self.mean[next][at] - self.mean[bin][at]))
            })
            .sum()
    }

    /// Middles of all cells with the directions of a line's normal there, strongest first, from `least` on.
    pub(super) fn strongest(&self, least: f32) -> Vec<(Point2, f64)> {
        let mut all: Vec<(f32, usize, usize)> = Vec::new();
        for (bin, mean) in self.mean.iter().enumerate() {
            let strong = mean.iter().enumerate().filter(|(_, v)| **v >= least);
            all.extend(strong.map(|(at, v)| (*v, bin, at)));
        }
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        all.into_iter()
            .map(|(_, bin, at)| {
                let (column, row) = ((at % self.columns) as f64, (at / self.columns) as f64);
                let place = Point2::new(
                    (column + 0.5) * self.repeat_mm / self.columns as f64,
                    (row + 0.5) * self.gap_mm / self.rows as f64,
                );
                let normal = bin as f64 * std::f64::consts::PI / DIRECTIONS as f64 - self.angle;
                (place, normal)
            })
            .collect()
    }

    /// Cell of a place, for marking what has been looked at.
    pub(super) fn cell_of(&self, place: Point2) -> usize {
        self.nearest(place.x, place.y)
    }

    pub(super) fn cells(&self) -> usize {
        self.columns * self.rows
    }
}

impl Sums {
    fn mean(&self) -> Vec<Vec<f32>> {
        self.evidence
            .iter()
            .map(|sum| {
                let pairs = sum.iter().zip(&self.weight);
                pairs
                    .map(|(s, w)| if *w > 0.05 { s / w } else { 0.0 })
                    .collect()
            })
            .collect()
    }
}

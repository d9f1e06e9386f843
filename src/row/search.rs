//! Finds rows in a line map by the design as a whole.
//!
//! A row repeats its design over the whole width, so the map's evidence is laid over itself, repeat on
//! repeat, and one repeat of the design is matched against the pile: a matched filter metres long that
//! finds rows no local detector sees. What does not vary along the row (rails, seams and shadows along
//! it) is taken out before; what does not follow the design averages out.

use crate::design::Design;
use crate::geometry::Point2;
use crate::line::map::{DIRECTIONS, LineMap};
use crate::solve::median::median;
use pulp::Arch;
use rayon::prelude::*;
use std::f64::consts::PI;

/// What rows to look for.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// One repeat of the design.
    pub design: &'a Design,
    /// Planned distance from one row to the next, mm.
    pub spacing_mm: f64,
    /// Planned move of each row's design against the row before, as a fraction of the repeat.
    pub stagger: f64,
    /// Middles of the cards in the map's frame, mm: they lie beside the rows.
    pub cards: &'a [Point2],
    /// All rows that there are, where the whole quilt is in view: they are looked for together.
    pub all_rows: Option<u32>,
}

impl Wanted<'_> {
    /// Score from which a row is taken for found at the place the plan expects it. Where all rows of a quilt are
    /// looked for together, each may be fainter.
    pub fn expected_score(&self) -> f64 {
        self.all_rows.map_or(EXPECTED_SCORE, |_| 4.0)
    }

    /// How far beyond what chance reaches so near the plan it has to be as well.
    fn expected_beyond(&self) -> f64 {
        self.all_rows.map_or(2.7, |_| 0.0)
    }

    /// Rows in a row that may be too faint before one is followed no further.
    fn holes(&self) -> i32 {
        self.all_rows.map_or(2, |_| 3)
    }
}

/// A row found, in the frame turned by [`Found::angle`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FoundRow {
    /// Baseline's place down the quilt, mm.
    pub across_mm: f64,
    /// Where along the row a repeat of the design starts, mm, 0…repeat.
    pub along_mm: f64,
    /// How far the match stands out, in robust standard deviations of matches elsewhere.
    pub score: f64,
    /// How many rows below the topmost one found it lies; a row too faint to find leaves a hole.
    pub index: i32,
}

/// Rows found, top to bottom.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Direction of the rows in the map's frame, rad, positive clockwise on screen.
    pub angle: f64,
    /// The rows.
    pub rows: Vec<FoundRow>,
    /// Best score at the place below the last row found where the next one would lie; `None` when that
    /// place is not in view.
    pub next_score: Option<f64>,
    /// How far the best row and its neighbours stand out together.
    pub strength: f64,
    /// Share of a repeat by which rows move from one to the next, where with another one than planned far more stands out.
    pub other_stagger: Option<f64>,
}

impl Found {
    /// Best score of a row.
    pub fn best_score(&self) -> f64 {
        self.rows.iter().map(|r| r.score).fold(0.0, f64::max)
    }

    /// The point (along, across) of the turned frame in the map's frame.
    pub fn to_map(&self, along: f64, across: f64) -> Point2 {
        let (sin, cos) = self.angle.sin_cos();
        Point2::new(cos * along - sin * across, sin * along + cos * across)
    }
}

/// Staggers that are in use, shares of a repeat, the commonest first (common practice, no source).
const STAGGERS: [f64; 6] = [0.5, 0.0, 0.25, 0.75, 1.0 / 3.0, 2.0 / 3.0];
/// Differences of strength that chance makes.
const AS_STRONG: f64 = 3.0;
/// Difference from the planned stagger up to which it is the same.
const SAME_STAGGER: f64 = 0.06;
/// Rows with another stagger have to stand out so many times as far, and by so much more.
const OTHER_STAGGER: (f64, f64) = (1.2, 6.0);
/// Score from which a row is taken for found, wherever it lies.
pub const SURE_SCORE: f64 = 7.0;
/// Score from which a row is taken for found at the place the plan expects it.
pub const EXPECTED_SCORE: f64 = 5.0;
/// How many directions of the first look are looked at closely, each with its neighbours.
const CLOSER_LOOKS: usize = 3;
/// How many directions of those are looked at in the whole map.
const LAST_LOOKS: usize = 3;
/// Step of the direction, rad: half a step moves the ends of a metre by less than two cells.
const ANGLE_STEP: f64 = PI / 180.0;
/// How far from the plan a neighbouring row is looked for: share of the spacing, and mm along.
const GAP_REACH: f64 = 0.25;
const SHIFT_REACH_MM: f64 = 45.0;
/// How far from the plan a neighbouring row mostly lies, across and along, mm (common practice, no source).
const GAP_SD_MM: f64 = 6.0;
const SHIFT_SD_MM: f64 = 10.0;

/// How far across from a card's middle the nearest row may lie: mm, and rows. Further off lie the floor
/// and the frame.
const CARD_REACH_MM: f64 = 150.0;
const CARD_REACH_ROWS: f64 = 1.5;

/// Directions every two degrees of the whole circle, rad, of which those are taken that are asked for.
pub fn directions(wanted: impl Fn(f64) -> bool) -> Vec<f64> {
    (0..(PI / ANGLE_STEP).round() as i32)
        .map(|i| f64::from(i) * 2.0 * ANGLE_STEP)
        .filter(|angle| wanted(*angle))
        .collect()
}

/// Those of `angles` (rad), and angles beside them, in which rows stand out most, best first.
pub fn best_directions(map: &LineMap, wanted: &Wanted, angles: &[f64]) -> Vec<f64> {
    // A first look in a coarse map says which directions are worth a closer one.
    let coarse = map.halved();
    let best_of = |angles: &[f64]| -> Vec<f64> {
        let mut looks: Vec<(f64, f64)> = angles
            .par_iter()
            .map(|&angle| (strength(&coarse, wanted, &Frame::Turned(angle)), angle))
            .collect();
        looks.sort_by(|a, b| b.0.total_cmp(&a.0));
        looks.into_iter().map(|look| look.1).collect()
    };
    let mut closer: Vec<f64> = best_of(angles)
        .iter()
        .take(CLOSER_LOOKS)
        .flat_map(|angle| [angle - ANGLE_STEP, *angle, angle + ANGLE_STEP])
        .collect();
    closer.sort_by(f64::total_cmp);
    closer.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    let mut best = best_of(&closer);
    best.truncate(LAST_LOOKS);
    best
}

/// Looks for rows in one of some directions (rad).
pub fn search(map: &LineMap, wanted: &Wanted, angles: &[f64]) -> Option<Found> {
    let look = angles
        .par_iter()
        .filter_map(|&angle| Look::new(map, wanted, &Frame::Turned(angle)))
        .max_by(|a, b| a.strength(wanted).total_cmp(&b.strength(wanted)))?;
    Some(look.found(wanted))
}

/// How far the best row and its neighbours, or all rows of the quilt, stand out together in a frame.
pub fn strength(map: &LineMap, wanted: &Wanted, frame: &Frame) -> f64 {
    Look::new(map, wanted, frame).map_or(0.0, |look| look.strength(wanted))
}

/// Score of the best match of a curve that was not stitched, in a direction (rad): what chance reaches there.
pub fn chance_reaches(map: &LineMap, wanted: &Wanted, angle: f64) -> f64 {
    let frame = Frame::Turned(angle);
    [1.13, 0.89]
        .into_par_iter()
        .map(|by| Scores::new(map, wanted.design, &frame, Curve::Drawn(by)).best())
        .reduce(|| 0.0, f64::max)
}

/// The map looked at in a frame whose x-axis runs along rows.
struct Look {
    scores: Scores,
    comb: Comb,
    /// Mean angle from the map's x-axis to the rows', rad.
    angle: f64,
}

impl Look {
    /// `None` where no place is in reach, or the frame is no plane of a quilt.
    fn new(map: &LineMap, wanted: &Wanted, frame: &Frame) -> Option<Look> {
        if !frame.is_of_a_quilt(map) {
            return None;
        }
        let scores = Scores::new(map, wanted.design, frame, Curve::Design);
        let comb = scores.best_comb(wanted, &frame.cards(wanted))?;
        Some(Look {
            scores,
            comb,
            angle: frame.angle(),
        })
    }

    /// How far the best row and its neighbours, or all rows of the quilt, stand out together.
    fn strength(&self, wanted: &Wanted) -> f64 {
        match wanted.all_rows {
            None => self.comb.strength,
            Some(most) => best_window(&self.rows(wanted).0, most).0,
        }
    }

    /// Another stagger than planned with which far more stands out.
    fn other_stagger(&self, wanted: &Wanted, frame: &Frame) -> Option<f64> {
        let cards = frame.cards(wanted);
        let apart = |a: f64, b: f64| ((a - b + 0.5).rem_euclid(1.0) - 0.5).abs();
        let others = STAGGERS
            .into_iter()
            .filter(|stagger| apart(*stagger, wanted.stagger) > SAME_STAGGER);
        let strengths: Vec<(f64, f64)> = others
            .filter_map(|stagger| {
                let wanted = Wanted { stagger, ..*wanted };
                let comb = self.scores.best_comb(&wanted, &cards)?;
                Some((stagger, comb.strength))
            })
            .collect();
        let most = strengths.iter().map(|s| s.1).fold(0.0, f64::max);
        let least = OTHER_STAGGER.0 * self.comb.strength + OTHER_STAGGER.1;
        let mut as_strong = strengths.into_iter().filter(|s| s.1 > most - AS_STRONG);
        as_strong.next().filter(|_| most > least).map(|s| s.0)
    }

    fn rows(&self, wanted: &Wanted) -> (Vec<FoundRow>, Option<f64>) {
        self.scores
            .rows_through(self.comb.column, self.comb.row, wanted)
    }

    fn found(&self, wanted: &Wanted) -> Found {
        let (mut rows, next_score) = self.rows(wanted);
        if let Some(most) = wanted.all_rows {
            rows = with_plain_neighbours(&rows, best_window(&rows, most).1).to_vec();
            let first = rows.first().map_or(0, |r| r.index);
            for row in &mut rows {
                row.index -= first;
            }
        }
        Found {
            angle: self.angle,
            rows,
            next_score,
            strength: self.comb.strength,
            other_stagger: None,
        }
    }
}

/// Score of a row that chance reaches near any place.
pub(super) const CHANCE_SCORE: f64 = 3.5;

/// Score that chance hardly passes anywhere as near the plan as (along, across), mm, `rows` rows away: √(2 ln n), which
/// the expected greatest of n normal values stays below, with n the matches of their own within that ellipse.
fn chance_score((along_mm, across_mm): (f64, f64), rows: f64) -> f64 {
    /// A match of its own takes about 6 mm by 8 mm.
    const OWN_MM2: f64 = 48.0;
    let square = (along_mm / SHIFT_SD_MM).powi(2) + (across_mm / GAP_SD_MM).powi(2);
    let matches = 3.0 + PI * SHIFT_SD_MM * GAP_SD_MM / OWN_MM2 * square / rows;
    (2.0 * matches.ln()).sqrt()
}

/// Of rows found one after the other, those `most` neighbouring ones that together stand out most, and how far.
fn best_window(rows: &[FoundRow], most: u32) -> (f64, &[FoundRow]) {
    let mut best = (0.0, rows);
    for (i, first) in rows.iter().enumerate() {
        let inside = rows[i..]
            .iter()
            .take_while(|r| r.index < first.index + most as i32)
            .count();
        let window = &rows[i..i + inside];
        let strength: f64 = window
            .iter()
            .map(|r| (r.score - CHANCE_SCORE).max(0.0))
            .sum();
        if strength > best.0 {
            best = (strength, window);
        }
    }
    best
}

/// A window of rows and those before and after it that stand out as plainly: the plan may have another number.
fn with_plain_neighbours<'a>(rows: &'a [FoundRow], window: &[FoundRow]) -> &'a [FoundRow] {
    let scores = window.iter().map(|r| r.score).collect();
    let plain =
        median(scores, f64::total_cmp).map_or(f64::MAX, |middle| SURE_SCORE.max(0.6 * middle));
    let at = |index: Option<i32>| {
        rows.iter()
            .position(|r| Some(r.index) == index)
            .unwrap_or(0)
    };
    let mut from = at(window.first().map(|r| r.index));
    let mut to = at(window.last().map(|r| r.index));
    while from > 0 && rows[from - 1].index + 1 == rows[from].index && rows[from - 1].score >= plain
    {
        from -= 1;
    }
    while to + 1 < rows.len()
        && rows[to].index + 1 == rows[to + 1].index
        && rows[to + 1].score >= plain
    {
        to += 1;
    }
    rows.get(from..=to).unwrap_or(rows)
}

/// Looks for rows in a frame whose x-axis runs along them; finds none where the frame is no plane of a quilt.
pub fn rows_in(map: &LineMap, wanted: &Wanted, frame: &Frame) -> Option<Found> {
    let look = Look::new(map, wanted, frame)?;
    let other_stagger = match wanted.all_rows {
        None => look.other_stagger(wanted, frame),
        Some(_) => None,
    };
    Some(Found {
        other_stagger,
        ..look.found(wanted)
    })
}

/// Where the map's cells lie in the frame in which rows are looked for.
pub enum Frame {
    /// The map's own frame, its x-axis turned by an angle (rad).
    Turned(f64),
    /// Worked out cell by cell after the quilt's plane has been found; with the mean angle.
    Placed {
        /// (along, across) by cell, mm; not a number where unknown.
        places: Vec<(f32, f32)>,
        /// Mean angle from the map's x-axis to the rows', rad.
        angle: f64,
        /// Across places of the cards' middles, mm.
        cards: Vec<f64>,
    },
}

impl Frame {
    fn angle(&self) -> f64 {
        match self {
            Frame::Turned(angle) | Frame::Placed { angle, .. } => *angle,
        }
    }

    /// Across places of the cards' middles, mm.
    fn cards(&self, wanted: &Wanted) -> Vec<f64> {
        match self {
            Frame::Turned(angle) => {
                let (sin, cos) = angle.sin_cos();
                let across = |card: &Point2| cos * card.y - sin * card.x;
                wanted.cards.iter().map(across).collect()
            }
            Frame::Placed { cards, .. } => cards.clone(),
        }
    }

    /// `(sin, cos)` are those of its angle.
    fn place(
        &self,
        map: &LineMap,
        (sin, cos): (f64, f64),
        column: usize,
        row: usize,
    ) -> Option<(f64, f64)> {
        match self {
            Frame::Turned(_) => {
                let x = map.origin.x + column as f64 * map.cell_mm;
                let y = map.origin.y + row as f64 * map.cell_mm;
                Some((cos * x + sin * y, cos * y - sin * x))
            }
            Frame::Placed { places, .. } => {
                let (along, across) = places[row * map.width + column];
                along
                    .is_finite()
                    .then_some((f64::from(along), f64::from(across)))
            }
        }
    }

    /// Whether it is about as large as the map. A plane that was fitted to rows which are none may bend the map
    /// into anything.
    fn is_of_a_quilt(&self, map: &LineMap) -> bool {
        const MOST: f64 = 4.0;
        let (top, bottom) = self.reach_across(map);
        let (w, h) = (map.width as f64, map.height as f64);
        top < bottom && bottom - top <= MOST * map.cell_mm * w.hypot(h)
    }

    /// Least and greatest across of the cells seen.
    fn reach_across(&self, map: &LineMap) -> (f64, f64) {
        let mut reach = (f64::MAX, f64::MIN);
        let turned = self.angle().sin_cos();
        for row in 0..map.height {
            let line = &map.seen[row * map.width..(row + 1) * map.width];
            let ends = [line.iter().position(|s| *s), line.iter().rposition(|s| *s)];
            for column in ends.into_iter().flatten() {
                if let Some((_, across)) = self.place(map, turned, column, row) {
                    reach = (reach.0.min(across), reach.1.max(across));
                }
            }
        }
        if reach.0 > reach.1 { (0.0, 0.0) } else { reach }
    }
}

/// Which curve is matched.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Curve {
    Design,
    /// Drawn out along the row, repeat and all.
    Drawn(f64),
}

/// Match scores over one repeat along and the whole view down.
struct Scores {
    /// Score by [column][row], column = place of the repeat's start.
    score: Vec<Vec<f32>>,
    columns: usize,
    rows: usize,
    /// Along-row size of a column, mm.
    column_mm: f64,
    /// Across size of a row, mm.
    row_mm: f64,
    /// Across place of row 0, mm.
    top_mm: f64,
}

/// A match near where the plan expects a row.
struct Near {
    score: f64,
    /// The score beyond what chance reaches so near the plan.
    beyond: f64,
    column: usize,
    row: usize,
}

struct Comb {
    strength: f64,
    column: usize,
    row: usize,
}

impl Scores {
    fn new(map: &LineMap, design: &Design, frame: &Frame, curve: Curve) -> Scores {
        let draw = if let Curve::Drawn(by) = curve {
            by
        } else {
            1.0
        };
        let repeat = design.repeat_mm * draw;
        let columns = (repeat / map.cell_mm).round().max(8.0) as usize;
        let column_mm = repeat / columns as f64;
        let fold = Fold::new(map, frame, repeat, columns);
        // One repeat as cells and direction bins.
        let mut cells: Vec<(usize, i64, [f32; DIRECTIONS])> = Vec::new();
        for p in design.sample(2.0) {
            let (along, across) = (p.position.x * draw, p.position.y);
            let tangent = nalgebra::Vector2::new(p.tangent.x * draw, p.tangent.y);
            let normal = tangent.y.atan2(tangent.x) + PI / 2.0 + frame.angle();
            let turn = (normal / PI).rem_euclid(1.0) * DIRECTIONS as f64;
            let (bin, part) = (turn.floor(), turn.fract() as f32);
            let column = (along / column_mm).round().rem_euclid(columns as f64) as usize % columns;
            let row = (across / map.cell_mm).round() as i64;
            let at = match cells.iter().position(|c| c.0 == column && c.1 == row) {
                Some(at) => at,
                None => {
                    cells.push((column, row, [0.0; DIRECTIONS]));
                    cells.len() - 1
                }
            };
            cells[at].2[bin as usize % DIRECTIONS] += 1.0 - part;
            cells[at].2[(bin as usize + 1) % DIRECTIONS] += part;
        }
        let rows = fold.rows;
        let score_of = |start: usize| -> Vec<f32> {
            let mut sum = vec![0.0f32; rows];
            let mut weight = vec![0.0f32; rows];
            for (column, offset, bins) in &cells {
                let at = (start + column) % columns;
                let from = (-offset).max(0) as usize;
                let to = (rows as i64 - offset).clamp(0, rows as i64) as usize;
                if from >= to {
                    continue;
                }
                let source = |from: usize| (from as i64 + offset) as usize;
                let range = source(from)..source(to - 1) + 1;
                let mut power = 0.0;
                for (bin, share) in bins.iter().enumerate().filter(|(_, s)| **s > 0.0) {
                    power += share * share;
                    let line = &fold.excess[bin][at][range.clone()];
                    for (s, e) in sum[from..to].iter_mut().zip(line) {
                        *s += share * e;
                    }
                }
                for (w, n) in weight[from..to].iter_mut().zip(&fold.variance[at][range]) {
                    *w += power * n;
                }
            }
            sum.iter()
                .zip(&weight)
                .map(|(s, w)| if *w > 0.0 { s / w.sqrt() } else { f32::NAN })
                .collect()
        };
        // Written out once more for processors with wider registers.
        let processor = Arch::new();
        let score: Vec<Vec<f32>> = (0..columns)
            .map(|start| processor.dispatch(|| score_of(start)))
            .collect();
        // A row of which less than a tenth is seen has no trustworthy place.
        let full: f32 = cells
            .iter()
            .map(|c| c.2.iter().map(|s| s * s).sum::<f32>())
            .sum();
        let mut scores = Scores {
            score,
            columns,
            rows,
            column_mm,
            row_mm: map.cell_mm,
            top_mm: fold.top_mm,
        };
        scores.blank_where_little_is_seen(&fold, &cells, full);
        scores.standardise();
        scores
    }

    fn blank_where_little_is_seen(
        &mut self,
        fold: &Fold,
        cells: &[(usize, i64, [f32; DIRECTIONS])],
        full: f32,
    ) {
        // Not the most: where a bent surface is seen edge-on, far off, the map piles up.
        let mut counts: Vec<f32> = fold
            .mean_count
            .iter()
            .copied()
            .filter(|n| *n > 0.0)
            .collect();
        counts.sort_by(f32::total_cmp);
        let deepest = counts.get(counts.len() * 9 / 10).copied().unwrap_or(0.0);
        for row in 0..self.rows {
            // Mean count over the design's height, whatever its start: columns differ little.
            let mut seen = 0.0;
            for (_, offset, bins) in cells {
                let at = row as i64 + offset;
                if (0..self.rows as i64).contains(&at) {
                    let n = fold.mean_count[at as usize];
                    seen += bins.iter().map(|s| s * s).sum::<f32>() * n;
                }
            }
            if seen < 0.15 * full * deepest {
                for column in &mut self.score {
                    column[row] = f32::NAN;
                }
            }
        }
    }

    /// Turns scores into robust standard deviations from their median.
    fn standardise(&mut self) {
        let mut all: Vec<f32> = self
            .score
            .iter()
            .flatten()
            .copied()
            .filter(|s| s.is_finite())
            .collect();
        if all.len() < 100 {
            return;
        }
        let middle = all.len() / 2;
        let median = *all.select_nth_unstable_by(middle, f32::total_cmp).1;
        let mut away: Vec<f32> = all.iter().map(|s| (s - median).abs()).collect();
        let spread = 1.4826 * *away.select_nth_unstable_by(middle, f32::total_cmp).1;
        for s in self.score.iter_mut().flatten() {
            *s = (*s - median) / spread.max(1e-6);
        }
    }

    fn best(&self) -> f64 {
        f64::from(
            self.score
                .iter()
                .flatten()
                .copied()
                .filter(|s| s.is_finite())
                .fold(0.0, f32::max),
        )
    }

    /// The place within a window around the plan's, `steps` rows away, where the score is furthest beyond what
    /// chance reaches so near the plan.
    fn best_near(&self, column: f64, row: f64, steps: f64, reach: (f64, f64)) -> Option<Near> {
        let across = (reach.1 / self.row_mm).round() as i64;
        let along = ((reach.0 / self.column_mm).round() as i64).min(self.columns as i64 / 3);
        let (c0, r0) = (column.round() as i64, row.round() as i64);
        let mut best: Option<Near> = None;
        for r in (r0 - across).max(0)..=(r0 + across).min(self.rows as i64 - 1) {
            let down = (r - r0) as f64 * self.row_mm;
            for c in c0 - along..=c0 + along {
                let column = c.rem_euclid(self.columns as i64) as usize;
                let score = f64::from(self.score[column][r as usize]);
                // Cheaper than a logarithm at every place.
                if !(score.is_finite() && best.as_ref().is_none_or(|b| score > b.beyond)) {
                    continue;
                }
                let off = ((c - c0) as f64 * self.column_mm, down);
                let beyond = score - chance_score(off, steps);
                if best.as_ref().is_none_or(|b| beyond > b.beyond) {
                    best = Some(Near {
                        score,
                        beyond,
                        column,
                        row: r as usize,
                    });
                }
            }
        }
        best
    }

    fn step(&self, wanted: &Wanted) -> (f64, f64) {
        (
            wanted.stagger * self.columns as f64,
            wanted.spacing_mm / self.row_mm,
        )
    }

    fn reach(wanted: &Wanted) -> (f64, f64) {
        match wanted.all_rows {
            None => (SHIFT_REACH_MM, GAP_REACH * wanted.spacing_mm),
            // The fewer places are tried, the less chance reaches.
            Some(_) => (0.7 * SHIFT_REACH_MM, 0.5 * GAP_REACH * wanted.spacing_mm),
        }
    }

    /// The place beside a card at which a row and its neighbours together stand out most.
    fn best_comb(&self, wanted: &Wanted, cards: &[f64]) -> Option<Comb> {
        let reach_mm = CARD_REACH_MM + CARD_REACH_ROWS * wanted.spacing_mm;
        let beside_card: Vec<bool> = (0..self.rows)
            .map(|row| {
                let across = self.top_mm + row as f64 * self.row_mm;
                cards.iter().any(|card| (across - card).abs() < reach_mm)
            })
            .collect();
        // Local maxima first: few, and the only places worth the neighbours' cost.
        let mut peaks: Vec<(f32, usize, usize)> = Vec::new();
        for c in 0..self.columns {
            let (left, right) = (
                &self.score[(c + self.columns - 1) % self.columns],
                &self.score[(c + 1) % self.columns],
            );
            for r in (1..self.rows.saturating_sub(1)).filter(|r| beside_card[*r]) {
                let here = &self.score[c];
                let s = here[r];
                if s > 3.0 && s >= here[r - 1] && s >= here[r + 1] && s >= left[r] && s >= right[r]
                {
                    peaks.push((s, c, r));
                }
            }
        }
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        peaks.truncate(12);
        let (along, down) = self.step(wanted);
        peaks
            .iter()
            .map(|&(s, column, row)| {
                let mut strength = f64::from(s);
                for k in [-2.0, -1.0, 1.0, 2.0f64] {
                    let near = self.best_near(
                        column as f64 + k * along,
                        row as f64 + k * down,
                        k.abs(),
                        Scores::reach(wanted),
                    );
                    strength += near.map_or(0.0, |near| near.beyond.max(0.0));
                }
                Comb {
                    strength,
                    column,
                    row,
                }
            })
            .max_by(|a, b| a.strength.total_cmp(&b.strength))
    }

    /// Follows the rows up and down from one of them.
    fn rows_through(
        &self,
        column: usize,
        row: usize,
        wanted: &Wanted,
    ) -> (Vec<FoundRow>, Option<f64>) {
        let (along, down) = self.step(wanted);
        let seed = self.found(column, row, f64::from(self.score[column][row]), 0);
        let mut rows = vec![seed];
        let mut next_score = None;
        for direction in [-1i32, 1] {
            let (mut c, mut r, mut index) = (column as f64, row as f64, 0);
            let mut missing = 0;
            while missing < wanted.holes() {
                let sign = f64::from(direction);
                let steps = f64::from(missing + 1);
                let reach = Scores::reach(wanted);
                let near = self.best_near(
                    c + sign * steps * along,
                    r + sign * steps * down,
                    steps,
                    (reach.0, reach.1 * steps.sqrt()),
                );
                let Some(near) = near else {
                    break;
                };
                if direction == 1 && missing == 0 {
                    next_score = Some(near.score);
                }
                if near.score >= wanted.expected_score() && near.beyond >= wanted.expected_beyond()
                {
                    index += direction * (missing + 1);
                    rows.push(self.found(near.column, near.row, near.score, index));
                    (c, r, missing) = (near.column as f64, near.row as f64, 0);
                    if direction == 1 {
                        next_score = None;
                    }
                } else {
                    missing += 1;
                }
            }
        }
        rows.sort_by_key(|row| row.index);
        let first = rows[0].index;
        for row in &mut rows {
            row.index -= first;
        }
        (rows, next_score)
    }

    fn found(&self, column: usize, row: usize, score: f64, index: i32) -> FoundRow {
        FoundRow {
            across_mm: self.top_mm + row as f64 * self.row_mm,
            along_mm: column as f64 * self.column_mm,
            score,
            index,
        }
    }
}

/// The map's evidence laid over itself, repeat on repeat.
struct Fold {
    /// Evidence beyond the mean along the row, summed over repeats, by [direction][column][row].
    excess: Vec<Vec<Vec<f32>>>,
    /// Variance of the excess to be expected at each place, by [column][row]: the number of cells on it
    /// times the evidence's own variance around that row, so that a rail does not shout.
    variance: Vec<Vec<f32>>,
    /// Mean of the count over the columns.
    mean_count: Vec<f32>,
    rows: usize,
    top_mm: f64,
}

impl Fold {
    fn new(map: &LineMap, frame: &Frame, repeat: f64, columns: usize) -> Fold {
        let (top_mm, bottom) = frame.reach_across(map);
        let rows = ((bottom - top_mm) / map.cell_mm).ceil() as usize + 1;
        let mut sum = vec![[0.0f32; DIRECTIONS]; columns * rows];
        let mut count = vec![vec![0.0f32; rows]; columns];
        let per_mm = columns as f64 / repeat;
        let (per_repeat, per_row) = (1.0 / repeat, 1.0 / map.cell_mm);
        let turned = frame.angle().sin_cos();
        for j in 0..map.height {
            for i in 0..map.width {
                let at = j * map.width + i;
                if !map.seen[at] {
                    continue;
                }
                let Some((along, across)) = frame.place(map, turned, i, j) else {
                    continue;
                };
                // Remainder and rounding by whole numbers: calls of the mathematical library for each cell took
                // longer than all else here.
                let repeats = along * per_repeat;
                let whole = repeats as i64 - i64::from(repeats < 0.0);
                let column = ((along - whole as f64 * repeat) * per_mm) as usize;
                let column = column.min(columns - 1);
                // A surface that bends away far off folds the map there: what lands beyond its own ends
                // would pile up on them.
                let row = (across - top_mm) * per_row + 0.5;
                if row < 0.0 || row >= rows as f64 {
                    continue;
                }
                let row = row as usize;
                count[column][row] += 1.0;
                for (s, e) in sum[column * rows + row].iter_mut().zip(&map.evidence[at]) {
                    *s += e;
                }
            }
        }
        // The mean along the row at each place across, over a few rows for steadiness.
        let mut mean_count = vec![0.0f32; rows];
        let mut mean = vec![[0.0f32; DIRECTIONS]; rows];
        for row in 0..rows {
            let mut n = 0.0;
            for column in 0..columns {
                n += count[column][row];
                for (m, s) in mean[row].iter_mut().zip(&sum[column * rows + row]) {
                    *m += s;
                }
            }
            mean_count[row] = n / columns as f32;
            for m in &mut mean[row] {
                *m /= n.max(1.0);
            }
        }
        let excess: Vec<Vec<Vec<f32>>> = (0..DIRECTIONS)
            .map(|d| {
                (0..columns)
                    .map(|column| {
                        (0..rows)
                            .map(|row| {
                                sum[column * rows + row][d] - count[column][row] * mean[row][d]
                            })
                            .collect()
                    })
                    .collect()
            })
            .collect();
        let noise = noise(&excess, &mean_count, columns, rows);
        let variance = count
            .iter()
            .map(|c| c.iter().zip(&noise).map(|(n, v)| n * v).collect())
            .collect();
        Fold {
            excess,
            variance,
            mean_count,
            rows,
            top_mm,
        }
    }
}

/// Variance of the evidence per cell and direction around each row, over about 20 mm across.
fn noise(excess: &[Vec<Vec<f32>>], mean_count: &[f32], columns: usize, rows: usize) -> Vec<f32> {
    const REACH: usize = 3;
    let mut energy = vec![0.0f32; rows];
    for line in excess.iter().flatten() {
        for (e, x) in energy.iter_mut().zip(line) {
            *e += x * x;
        }
    }
    (0..rows)
        .map(|row| {
            let near = row.saturating_sub(REACH)..(row + REACH + 1).min(rows);
            let cells: f32 =
                mean_count[near.clone()].iter().sum::<f32>() * (columns * DIRECTIONS) as f32;
            energy[near].iter().sum::<f32>() / cells.max(1.0) + 1e-4
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::demo;

    /// A plane fitted to rows that are none took the map's cells anywhere, and the search all memory there is.
    /// Expected greatest of n normal values: L. H. C. Tippett, Biometrika 17, 1925, table (from memory): 1.54 of 10, 2.51 of 100.
    #[test]
    fn chance_reaches_less_nearer_the_plan() {
        // So many matches of their own lie within these ellipses.
        for (matches, greatest) in [(10.0, 1.54), (100.0, 2.51f64)] {
            let across =
                GAP_SD_MM * ((matches - 3.0) * 48.0 / (PI * SHIFT_SD_MM * GAP_SD_MM)).sqrt();
            let score = chance_score((0.0, across), 1.0);
            assert!(
                (greatest..greatest + 0.7).contains(&score),
                "{matches}: {score}"
            );
        }
        assert!(chance_score((0.0, 0.0), 1.0) < 1.5);
        assert!(chance_score((20.0, 0.0), 1.0) < chance_score((40.0, 0.0), 1.0));
        assert!(chance_score((20.0, 9.0), 2.0) < chance_score((20.0, 9.0), 1.0));
        // At the farthest places looked at it is what chance reaches near any place.
        assert!((chance_score((SHIFT_REACH_MM, 38.0), 1.0) - CHANCE_SCORE).abs() < 0.3);
    }

    #[test]
    fn a_map_bent_beyond_any_quilt_has_no_rows() {
        let (width, height) = (40, 30);
        let map = LineMap {
            origin: Point2::origin(),
            width,
            height,
            cell_mm: 2.0,
            evidence: vec![[1.0; DIRECTIONS]; width * height],
            seen: vec![true; width * height],
        };
        let placed = |by: f32| Frame::Placed {
            places: (0..width * height)
                .map(|i| (2.0 * (i % width) as f32, by * (i / width) as f32))
                .collect(),
            angle: 0.0,
            cards: vec![30.0],
        };
        assert!(placed(2.0).is_of_a_quilt(&map));
        assert!(!placed(1e9).is_of_a_quilt(&map));
        let design = demo::by_name("meander", 60.0, 20.0).unwrap();
        let wanted = Wanted {
            design: &design,
            spacing_mm: 30.0,
            stagger: 0.0,
            cards: &[Point2::new(40.0, 30.0)],
            all_rows: None,
        };
        assert_eq!(rows_in(&map, &wanted, &placed(1e9)), None);
    }
}

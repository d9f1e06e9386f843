//! Joins strokes to trails: straight through crossings, over gaps where both sides point at each other.
//!
//! Between two ends a distance d apart the line is taken as an arc. With α and β the angles by which it
//! leaves one end's direction and meets the other's, an arc has α = β and bends by (α + β)/d; the two
//! ends' own bends say how much it should. The cost of a join is
//!
//! ```text
//! (α − β)² + ((α + β) − κ·d)² + c·(α² + β²) + g·(d/reach)²
//! ```
//!
//! The second term falls away where an end is too short to tell its bend, as dashes are.

use super::strokes::{End, Stroke};
use crate::geometry::{Point2, Vector2};
use std::collections::HashMap;

/// Gaps up to this, mm, or this many widths are bridged at first sight: crossings and dashes.
const REACH_MM: f64 = 8.0;
const REACH_WIDTHS: f64 = 5.0;
/// Gaps of a line followed for a while that are bridged after that, mm: a fold, a gleam of light.
const FAR_MM: f64 = 22.0;
/// The line has to be this long on both sides of such a gap, mm.
const FAR_LEAST_MM: f64 = 20.0;
/// Longest point in which two stretches of the line run into each other, mm.
const STEM_MM: f64 = 45.0;
/// Greatest cost of a join, and of one over a large gap.
const MOST_COST: f64 = 0.5;
const MOST_FAR_COST: f64 = 0.25;
/// Greatest angle between an end and the way across, rad.
const MOST_TURN: f64 = 1.1;
/// Weight of turning at all, and of the gap's length.
const TURN_COST: f64 = 0.1;
const GAP_COST: f64 = 0.3;
/// Ends are placed to about half a pixel, so nearer ones tell no angle, px.
const LEAST_BASE_PX: f64 = 3.0;

/// A line followed as far as it goes.
#[derive(Debug, Clone, PartialEq)]
pub struct Trail {
    /// Its course, px of the ink's picture.
    pub points: Vec<Point2>,
}

/// Number of an end: twice the stroke's, one more for its last end.
type EndId = usize;

struct Links {
    strokes: Vec<Stroke>,
    partner: Vec<Option<EndId>>,
}

/// Joins strokes; trails of at least `least_px`, longest first.
pub fn follow(strokes: &[Stroke], width_px: f64, mm_per_px: f64, least_px: f64) -> Vec<Trail> {
    let mut links = Links {
        strokes: strokes.to_vec(),
        partner: vec![None; 2 * strokes.len()],
    };
    let reach = (REACH_MM / mm_per_px).max(REACH_WIDTHS * width_px);
    let all: Vec<EndId> = (0..2 * strokes.len()).collect();
    links.join(&all, reach, MOST_COST);
    links.double(reach, STEM_MM / mm_per_px);
    links.open_rings(reach);
    // What is long by now may go on behind a larger gap.
    let long = FAR_LEAST_MM / mm_per_px;
    let open: Vec<EndId> = links
        .chains()
        .iter()
        .filter(|c| !c.closed && links.length(&c.ends) >= long)
        .flat_map(|c| [c.ends[0], c.ends[c.ends.len() - 1]])
        .collect();
    links.join(&open, FAR_MM / mm_per_px, MOST_FAR_COST);
    let mut trails: Vec<(f64, Trail)> = links
        .chains()
        .iter()
        .filter(|c| !c.closed)
        .map(|c| (links.length(&c.ends), links.trail(&c.ends)))
        .filter(|t| t.0 >= least_px)
        .collect();
    trails.sort_by(|a, b| b.0.total_cmp(&a.0));
    trails.into_iter().map(|t| t.1).collect()
}

/// Cost of joining two ends; `None` where they do not point at each other.
fn cost(a: &End, b: &End, reach: f64) -> Option<f64> {
    let across = b.place - a.place;
    let d = across.norm();
    if d > reach {
        return None;
    }
    let (alpha, beta) = if d < LEAST_BASE_PX {
        // Too near for a way across: half of the whole turn each.
        let turn = angle(&a.out, &-b.out);
        (turn / 2.0, turn / 2.0)
    } else {
        (angle(&a.out, &across), angle(&across, &-b.out))
    };
    if alpha.abs() > MOST_TURN || beta.abs() > MOST_TURN {
        return None;
    }
    // b's bend is told for the way out of b: on the way into it the other side is right.
    let bend = a.bend.zip(b.bend).map(|(a, b)| 0.5 * (a - b));
    let unlike_bend = bend.map_or(0.0, |k| alpha + beta - k * d.max(LEAST_BASE_PX));
    Some(
        (alpha - beta).powi(2)
            + unlike_bend.powi(2)
            + TURN_COST * (alpha * alpha + beta * beta)
            + GAP_COST * (d / reach).powi(2),
    )
}

fn angle(from: &Vector2, to: &Vector2) -> f64 {
    from.perp(to).atan2(from.dot(to))
}

/// Strokes joined in a row, each given by the end at which it is entered and the one at which it is left.
struct Chain {
    ends: Vec<EndId>,
    closed: bool,
}

impl Links {
    fn end(&self, id: EndId) -> &End {
        &self.strokes[id / 2].ends[id % 2]
    }

    /// Joins free ends among those given, the cheapest pairs first.
    fn join(&mut self, ends: &[EndId], reach: f64, most: f64) {
        let cell = |p: Point2| ((p.x / reach).floor() as i64, (p.y / reach).floor() as i64);
        let free: Vec<EndId> = ends
            .iter()
            .copied()
            .filter(|e| self.partner[*e].is_none())
            .collect();
        let mut cells: HashMap<(i64, i64), Vec<EndId>> = HashMap::new();
        for e in &free {
            cells.entry(cell(self.end(*e).place)).or_default().push(*e);
        }
        let mut pairs: Vec<(f64, EndId, EndId)> = Vec::new();
        for a in &free {
            let (i, j) = cell(self.end(*a).place);
            for near in (-1..=1).flat_map(|v| (-1..=1).map(move |u| (i + u, j + v))) {
                for b in cells.get(&near).into_iter().flatten() {
                    if a < b
                        && a / 2 != b / 2
                        && let Some(cost) = cost(self.end(*a), self.end(*b), reach)
                        && cost <= most
                    {
                        pairs.push((cost, *a, *b));
                    }
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (_, a, b) in pairs {
            if self.partner[a].is_none() && self.partner[b].is_none() {
                self.partner[a] = Some(b);
                self.partner[b] = Some(a);
            }
        }
    }

    /// Strokes on which the line runs twice: an end is left over at one of their ends that would join it as
    /// well as the one that does, and either so is one at the other end (two lines run over each other for a
    /// while), or the stroke ends there (a point, drawn up and down). They are doubled.
    fn double(&mut self, reach: f64, longest_point: f64) {
        let free: Vec<EndId> = (0..self.partner.len())
            .filter(|e| self.partner[*e].is_none())
            .collect();
        for stroke in 0..self.strokes.len() {
            let [first, last] = [2 * stroke, 2 * stroke + 1];
            let left_over = |at: EndId| {
                free.iter()
                    .filter(|b| self.partner[**b].is_none() && **b / 2 != stroke)
                    .filter_map(|b| Some((cost(self.end(*b), self.end(at), reach)?, *b)))
                    .filter(|c| c.0 <= MOST_COST)
                    .min_by(|a, b| a.0.total_cmp(&b.0))
                    .map(|c| c.1)
            };
            let is_point = self.strokes[stroke].length_px() <= longest_point;
            let twin = self.partner.len();
            let joins = match (self.partner[first], self.partner[last]) {
                (Some(_), Some(_)) => match (left_over(first), left_over(last)) {
                    (Some(a), Some(b)) if a != b => [(a, twin), (b, twin + 1)],
                    _ => continue,
                },
                (Some(_), None) if is_point => match left_over(first) {
                    Some(a) => [(a, twin), (last, twin + 1)],
                    None => continue,
                },
                (None, Some(_)) if is_point => match left_over(last) {
                    Some(b) => [(first, twin), (b, twin + 1)],
                    None => continue,
                },
                _ => continue,
            };
            self.strokes.push(self.strokes[stroke].clone());
            self.partner.extend([None, None]);
            for (a, b) in joins {
                self.partner[a] = Some(b);
                self.partner[b] = Some(a);
            }
        }
    }

    /// A continuous line has no rings of its own: a ring that touches another line at a crossing was joined
    /// to itself there by mistake. The two joins of the crossing are changed over.
    fn open_rings(&mut self, reach: f64) {
        loop {
            let chains = self.chains();
            let Some(ring) = chains.iter().find_map(|c| {
                if !c.closed {
                    return None;
                }
                self.exchange(c, &chains, reach)
            }) else {
                return;
            };
            for (a, b) in ring {
                self.partner[a] = Some(b);
                self.partner[b] = Some(a);
            }
        }
    }

    /// The cheapest exchange of a join of a ring with one of another chain.
    fn exchange(&self, ring: &Chain, chains: &[Chain], reach: f64) -> Option<[(EndId, EndId); 2]> {
        let joins = |c: &Chain| -> Vec<(EndId, EndId)> {
            c.ends
                .iter()
                .filter_map(|e| Some((*e, self.partner[*e]?)))
                .filter(|(a, b)| a < b)
                .collect()
        };
        let mut best: Option<(f64, [(EndId, EndId); 2])> = None;
        let own = joins(ring);
        for other in chains.iter().filter(|c| c.ends[0] != ring.ends[0]) {
            for (r, s) in joins(other) {
                for (p, q) in &own {
                    for change in [[(*p, r), (*q, s)], [(*p, s), (*q, r)]] {
                        let costs = change.map(|(a, b)| cost(self.end(a), self.end(b), reach));
                        if let [Some(a), Some(b)] = costs
                            && best.is_none_or(|best| a + b < best.0)
                        {
                            best = Some((a + b, change));
                        }
                    }
                }
            }
        }
        best.map(|b| b.1)
    }

    fn chains(&self) -> Vec<Chain> {
        let mut seen = vec![false; self.strokes.len()];
        let mut chains = Vec::new();
        let mut follow = |first: EndId, seen: &mut Vec<bool>| {
            let mut ends = Vec::new();
            let mut at = first;
            loop {
                seen[at / 2] = true;
                ends.extend([at, at ^ 1]);
                match self.partner[at ^ 1] {
                    Some(next) if next == first => {
                        chains.push(Chain { ends, closed: true });
                        return;
                    }
                    Some(next) => at = next,
                    None => {
                        chains.push(Chain {
                            ends,
                            closed: false,
                        });
                        return;
                    }
                }
            }
        };
        for end in 0..self.partner.len() {
            if self.partner[end].is_none() && !seen[end / 2] {
                follow(end, &mut seen);
            }
        }
        for end in 0..self.partner.len() {
            if !seen[end / 2] {
                follow(end, &mut seen);
            }
        }
        chains
    }

    fn length(&self, ends: &[EndId]) -> f64 {
        ends.chunks_exact(2)
            .map(|pair| self.strokes[pair[0] / 2].length_px())
            .sum()
    }

    /// The course through all strokes of a chain; between two of them a cubic that leaves and meets them in
    /// their own directions.
    fn trail(&self, ends: &[EndId]) -> Trail {
        let mut points: Vec<Point2> = Vec::new();
        for pair in ends.chunks_exact(2) {
            let (enter, leave) = (pair[0], pair[1]);
            if let Some(before) = self.partner[enter].filter(|_| !points.is_empty()) {
                points.extend(bridge(self.end(before), self.end(enter)));
            }
            let own = &self.strokes[enter / 2].points;
            if enter < leave {
                points.extend(own);
            } else {
                points.extend(own.iter().rev());
            }
        }
        Trail { points }
    }
}

/// Points about a pixel apart between two ends (Hermite's cubic, tangents as long as the gap).
fn bridge(from: &End, to: &End) -> Vec<Point2> {
    let d = (to.place - from.place).norm();
    let n = d.ceil() as usize;
    (1..n)
        .map(|i| {
            let t = i as f64 / n as f64;
            let (t2, t3) = (t * t, t * t * t);
            let coords = from.place.coords * (2.0 * t3 - 3.0 * t2 + 1.0)
                + from.out * d * (t3 - 2.0 * t2 + t)
                + to.place.coords * (3.0 * t2 - 2.0 * t3)
                - to.out * d * (t3 - t2);
            Point2::from(coords)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end_at(place: (f64, f64), out_deg: f64, bend: Option<f64>) -> End {
        let a = out_deg.to_radians();
        End {
            place: Point2::new(place.0, place.1),
            out: Vector2::new(a.cos(), a.sin()),
            bend,
        }
    }

    #[test]
    fn both_ends_of_a_gap_in_an_arc_are_joined_for_almost_nothing() {
        // Circle of radius 50 about the origin, a gap of 0.2 rad at angle 0; on screen this way round
        // bends to the right.
        let (a, b) = (-0.1f64, 0.1f64);
        let at = |t: f64| (50.0 * t.cos(), 50.0 * t.sin());
        let before = end_at(at(a), 90.0 + a.to_degrees(), Some(1.0 / 50.0));
        let after = end_at(at(b), -90.0 + b.to_degrees(), Some(-1.0 / 50.0));
        let found = cost(&before, &after, 1000.0).unwrap();
        // Turning alone costs 0.1·2·0.1².
        assert!(found < 0.0025, "{found}");
    }

    #[test]
    fn a_shallow_crossing_is_followed_straight_through() {
        // Two lines crossing at 24 degrees; their ends 10 px from the crossing.
        let ends: Vec<End> = [192.0, 168.0, 12.0, -12.0]
            .iter()
            .map(|deg: &f64| {
                let a = deg.to_radians();
                end_at((10.0 * a.cos(), 10.0 * a.sin()), deg + 180.0, Some(0.0))
            })
            .collect();
        let straight = cost(&ends[0], &ends[2], 100.0).unwrap();
        let bounced = cost(&ends[0], &ends[3], 100.0).unwrap();
        assert!(straight < 0.3 * bounced, "{straight} {bounced}");
    }
}

//! How a line repeats: the step that lays it onto itself, and one repeat averaged over all that are seen.

use super::centre::{normals, resampled};
use crate::design::{Design, DesignPoint};
use crate::geometry::{Point2, Vector2};
use crate::solve::median::median;

/// Distance of places along a line on the paper, mm.
pub const STEP_MM: f64 = 1.0;
/// Shortest repeat that is looked for, mm, along the line.
const LEAST_REPEAT_MM: f64 = 20.0;
/// The line has to overlap itself by this share of the repeat's own length to show that it repeats: a shorter
/// piece may look like another by chance.
const LEAST_OVERLAP: f64 = 0.3;
/// How alike directions of the line have to be for a step to be tried, correlation.
const LEAST_LIKENESS: f64 = 0.4;
/// Most steps that are tried.
const MOST_TRIED: usize = 12;
/// Two courses are laid onto each other by places at most this far apart along the line, mm.
const WINDOW_MM: f64 = 12.0;
/// Places further off than this are of another line, mm: joined to it by mistake, or not it at all.
pub const STRAY_MM: f64 = 4.0;
/// Share of such places beyond which all of it is another line.
const MOST_STRAY: f64 = 0.12;

/// A line on the paper: places at equal steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// On the paper, mm.
    pub on_paper: Vec<Point2>,
    /// The same in the photo, px.
    pub in_photo_px: Vec<Point2>,
    /// Whether there is ink.
    pub found: Vec<bool>,
}

/// A step that lays a line onto itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// From a place to the same place of the next repeat, mm.
    pub way: Vector2,
    /// The same along the line, places.
    pub places: usize,
    /// RMS distance of the line from itself after the step, mm.
    pub rms_mm: f64,
}

impl Course {
    /// Of places in the photo with their places on the paper; two of them lie about half a millimetre apart.
    pub fn new(places: &[(Point2, Point2, bool)]) -> Course {
        let on_paper: Vec<Point2> = places.iter().map(|p| p.0).collect();
        let even = resampled(&on_paper, STEP_MM);
        // Each even place lies between two of the places given.
        let mut at = 0;
        let mut along = 0.0;
        let (mut px, mut found) = (
            Vec::with_capacity(even.len()),
            Vec::with_capacity(even.len()),
        );
        for k in 0..even.len() {
            let goal = k as f64 * STEP_MM;
            while at + 2 < places.len() {
                let length = (on_paper[at + 1] - on_paper[at]).norm();
                if along + length >= goal {
                    break;
                }
                along += length;
                at += 1;
            }
            let next = (at + 1).min(places.len() - 1);
            let length = (on_paper[next] - on_paper[at]).norm().max(1e-9);
            let t = ((goal - along) / length).clamp(0.0, 1.0);
            px.push(places[at].1 + (places[next].1 - places[at].1) * t);
            found.push(places[at].2 && places[next].2);
        }
        Course {
            on_paper: even,
            in_photo_px: px,
            found,
        }
    }

    /// Number of places.
    pub fn count(&self) -> usize {
        self.on_paper.len()
    }

    /// Length along the line, mm.
    pub fn length_mm(&self) -> f64 {
        self.count() as f64 * STEP_MM
    }

    /// The line the other way round.
    pub fn reversed(mut self) -> Course {
        self.on_paper.reverse();
        self.in_photo_px.reverse();
        self.found.reverse();
        self
    }
}

/// Unit tangents over a few places.
fn tangents(points: &[Point2]) -> Vec<Vector2> {
    normals(points)
        .into_iter()
        .map(|n| Vector2::new(n.y, -n.x))
        .collect()
}

/// Steps that may lay a line onto itself, those along whose overlap its directions are alike, each moved to
/// where it fits best; the shortest first.
pub fn steps(course: &Course) -> Vec<Step> {
    let n = course.count();
    let t = tangents(&course.on_paper);
    let mean = t.iter().sum::<Vector2>() / n.max(1) as f64;
    let bare: Vec<Vector2> = t.iter().map(|t| t - mean).collect();
    let power: f64 = bare.iter().map(|b| b.norm_squared()).sum::<f64>() / n.max(1) as f64;
    let first = (LEAST_REPEAT_MM / STEP_MM) as usize;
    let last = (n as f64 / (1.0 + LEAST_OVERLAP)) as usize;
    let likeness: Vec<f64> = (0..last)
        .map(|lag| {
            if lag < first {
                return 0.0;
            }
            let overlap = n - lag;
            bare[..overlap]
                .iter()
                .zip(&bare[lag..])
                .map(|(a, b)| a.dot(b))
                .sum::<f64>()
                / (overlap as f64 * power.max(1e-12))
        })
        .collect();
    let mut peaks: Vec<usize> = (1..last.saturating_sub(1))
        .filter(|k| {
            likeness[*k] > LEAST_LIKENESS
                && likeness[*k] >= likeness[k - 1]
                && likeness[*k] > likeness[k + 1]
        })
        .collect();
    peaks.sort_by(|a, b| likeness[*b].total_cmp(&likeness[*a]));
    peaks.truncate(MOST_TRIED);
    let mut steps: Vec<Step> = peaks.iter().filter_map(|lag| fit(course, *lag)).collect();
    // A line drawn up and down a point comes back to where it was: that is no step.
    steps.retain(|s| s.way.norm() >= LEAST_REPEAT_MM);
    steps.sort_by_key(|s| s.places);
    // Peaks side by side lead to the same step.
    steps.dedup_by(|a, b| (a.way - b.way).norm() < 3.0);
    steps
}

/// Moves a line onto itself, `lag` places on.
fn fit(course: &Course, lag: usize) -> Option<Step> {
    let points = &course.on_paper;
    let n = points.len();
    let window = (WINDOW_MM / STEP_MM) as usize;
    let normals = normals(points);
    // Across a narrow point the nearest place may run the other way.
    let nearest = |i: usize, goal: Point2, from: usize, to: usize| {
        (from..to)
            .filter(|j| normals[i].dot(&normals[*j]) > 0.0)
            .min_by(|a, b| {
                let distance = |j: usize| (points[j] - goal).norm_squared();
                distance(*a).total_cmp(&distance(*b))
            })
    };
    let ways: Vec<Vector2> = (0..n - lag).map(|i| points[i + lag] - points[i]).collect();
    let mut way = middle_way(&ways)?;
    let mut rms_mm = f64::MAX;
    let mut lags: Vec<usize> = vec![lag];
    for _ in 0..8 {
        let mut equations: Vec<(Vector2, f64)> = Vec::new();
        lags.clear();
        for i in (0..n - lag).filter(|i| course.found[*i]) {
            let goal = points[i] + way;
            let from = (i + lag).saturating_sub(window);
            let Some(j) = nearest(i, goal, from, (i + lag + window + 1).min(n)) else {
                continue;
            };
            // The window's or the line's end is not the nearest place, only the last one looked at.
            if !course.found[j] || j == from || j + 1 >= n {
                continue;
            }
            lags.push(j - i);
            equations.push((normals[j], normals[j].dot(&(points[j] - goal))));
        }
        if equations.len() < 10 {
            return None;
        }
        let mut sizes: Vec<f64> = equations.iter().map(|e| e.1.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let bend = (3.0 * 1.4826 * sizes[sizes.len() / 2]).max(0.05);
        way += solve_shift(&equations, bend);
        rms_mm = without_strays(sizes.iter().copied())?;
    }
    lags.sort_unstable();
    Some(Step {
        way,
        places: lags[lags.len() / 2],
        rms_mm,
    })
}

/// RMS of distances without those of another line; `None` where these are too many.
fn without_strays(distances: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut used, mut all) = (0.0, 0.0, 0.0);
    for d in distances {
        all += 1.0;
        if d.abs() < STRAY_MM {
            sum += d * d;
            used += 1.0;
        }
    }
    (used > (1.0 - MOST_STRAY) * all).then(|| (sum / f64::max(used, 1.0)).sqrt())
}

/// The shift that takes out distances along normals, least squares with Huber's weights.
fn solve_shift(equations: &[(Vector2, f64)], bend: f64) -> Vector2 {
    let mut matrix = nalgebra::Matrix2::<f64>::identity() * 1e-9;
    let mut right = Vector2::zeros();
    for (n, r) in equations {
        let w = (bend / r.abs().max(1e-12)).min(1.0);
        matrix += n * n.transpose() * w;
        right += n * (w * r);
    }
    matrix.try_inverse().map_or(Vector2::zeros(), |m| m * right)
}

fn middle_way(ways: &[Vector2]) -> Option<Vector2> {
    let middle = |of: fn(&Vector2) -> f64| median(ways.iter().map(of).collect(), f64::total_cmp);
    Some(Vector2::new(middle(|w| w.x)?, middle(|w| w.y)?))
}

/// One repeat, its line going along x from (0, 0) to (repeat, 0).
#[derive(Debug, Clone)]
pub struct Template {
    /// The repeat.
    pub design: Design,
    /// At equal steps.
    pub samples: Vec<DesignPoint>,
}

/// How a course lies on a template: its start, and for each place where on the template it is.
#[derive(Debug, Clone)]
pub struct Laid {
    /// Where a repeat of the template starts on the paper, mm.
    pub start: Vector2,
    /// For each place: whole repeats from the start, place in the template, distance along its normal, mm.
    pub places: Vec<(i64, usize, f64)>,
    /// RMS of the distances where there is ink, mm.
    pub rms_mm: f64,
}

impl Template {
    /// Of points from (0, 0) to (repeat, 0).
    pub fn new(curve_mm: Vec<Point2>, repeat_mm: f64) -> Template {
        let design = Design {
            curve_mm,
            repeat_mm,
            breaks: Vec::new(),
        };
        let samples = design.sample(STEP_MM);
        Template { design, samples }
    }

    /// One repeat of a course, from a place of it on, whose step lies along x.
    pub fn of_course(course: &Course, step: &Step, from: usize) -> Template {
        let piece = &course.on_paper[from..=from + step.places];
        let origin = piece[0];
        let repeat = step.way.x;
        // The places counted end near the step's end: spread what is left over the whole.
        let off = piece[piece.len() - 1] - origin - Vector2::new(repeat, 0.0);
        let n = (piece.len() - 1) as f64;
        let curve = piece
            .iter()
            .enumerate()
            .map(|(i, p)| Point2::from(p - origin - off * (i as f64 / n)))
            .collect();
        Template::new(curve, repeat)
    }

    fn place(&self, repeats: i64, sample: usize) -> Point2 {
        self.samples[sample].position + Vector2::new(repeats as f64 * self.design.repeat_mm, 0.0)
    }

    /// Lays a course onto the template; `None` where it is another line.
    pub fn lay(&self, course: &Course) -> Option<Laid> {
        let n = self.samples.len();
        let t = tangents(&course.on_paper);
        if t.len() < 20 {
            return None;
        }
        // As long as one repeat from the middle: further on the lengths may have drifted apart.
        let piece = n.min(t.len());
        let from = (t.len() - piece) / 2;
        let likeness = |phase: usize| -> f64 {
            (0..piece)
                .map(|i| t[from + i].dot(&self.samples[(i + phase) % n].tangent))
                .sum()
        };
        let phase = (0..n).max_by(|a, b| likeness(*a).total_cmp(&likeness(*b)))?;
        let offsets: Vec<Vector2> = (0..piece)
            .map(|i| {
                let s = i + phase;
                course.on_paper[from + i] - self.place((s / n) as i64, s % n)
            })
            .collect();
        let mut start = middle_way(&offsets)?;
        let mut laid = None;
        for _ in 0..4 {
            let places = self.track(course, &t, (from, phase), &start);
            let used: Vec<usize> = (0..places.len()).filter(|i| course.found[*i]).collect();
            let equations: Vec<(Vector2, f64)> = used
                .iter()
                .map(|i| {
                    let (_, s, off) = places[*i];
                    let tangent = self.samples[s].tangent;
                    (Vector2::new(-tangent.y, tangent.x), off)
                })
                .collect();
            if equations.len() < 20 {
                return None;
            }
            start += solve_shift(&equations, 0.5);
            laid = Some((without_strays(equations.iter().map(|e| e.1)), places));
        }
        let (rms_mm, places) = laid?;
        Some(Laid {
            start,
            places,
            rms_mm: rms_mm?,
        })
    }

    /// The way through the template that lies nearest to a course: from one place of the course to the next
    /// it goes on by none, one or two places, within `BAND` of even progress from place `from` of the course
    /// at `phase` of the template. Dynamic programming (R. Bellman, Dynamic Programming, 1957), as for
    /// signals that run unevenly; a line that turns round in a narrow point is not mistaken for its way back.
    fn track(
        &self,
        course: &Course,
        ways: &[Vector2],
        (from, phase): (usize, usize),
        start: &Vector2,
    ) -> Vec<(i64, usize, f64)> {
        const BAND: i64 = 40;
        const WIDE: usize = 2 * BAND as usize + 1;
        /// Cost of uneven progress, mm².
        const UNEVEN: f64 = 0.02;
        /// Cost of running the other way, mm².
        const OTHER_WAY: f64 = 4.0;
        let n = self.samples.len() as i64;
        let at = |i: usize, state: usize| {
            let a = i as i64 - from as i64 + phase as i64 + state as i64 - BAND;
            (a.div_euclid(n), a.rem_euclid(n) as usize)
        };
        let price = |i: usize, state: usize| {
            let (k, s) = at(i, state);
            let off = (self.place(k, s) + start - course.on_paper[i]).norm_squared();
            off.min(STRAY_MM.powi(2)) + OTHER_WAY * (1.0 - self.samples[s].tangent.dot(&ways[i]))
        };
        let count = course.count();
        let mut back = vec![0i8; count * WIDE];
        let mut total: Vec<f64> = (0..WIDE).map(|state| price(0, state)).collect();
        let mut next = vec![0.0; WIDE];
        for i in 1..count {
            for state in 0..WIDE {
                let mut best = (total[state], 0i8);
                for by in [-1i8, 1] {
                    let before = state as i64 + i64::from(by);
                    if (0..WIDE as i64).contains(&before) {
                        let sum = total[before as usize] + UNEVEN;
                        if sum < best.0 {
                            best = (sum, by);
                        }
                    }
                }
                back[i * WIDE + state] = best.1;
                next[state] = best.0 + price(i, state);
            }
            std::mem::swap(&mut total, &mut next);
        }
        let mut state = (0..WIDE)
            .min_by(|a, b| total[*a].total_cmp(&total[*b]))
            .unwrap_or(0);
        let mut places = vec![(0, 0, 0.0); count];
        for i in (0..count).rev() {
            let (k, s) = at(i, state);
            let off = course.on_paper[i] - start - self.place(k, s);
            places[i] = (k, s, self.samples[s].tangent.perp(&off));
            state = (state as i64 + i64::from(back[i * WIDE + state])) as usize;
        }
        places
    }

    /// The template moved along its normals to the mean of the courses laid on it; also how many places of
    /// it in a row no course covers with ink, at most.
    pub fn averaged(&self, courses: &[(&Course, &Laid)]) -> (Template, usize) {
        let n = self.samples.len();
        let mut sums = vec![(0.0, 0.0); n];
        for (course, laid) in courses {
            for (i, (_, s, off)) in laid.places.iter().enumerate() {
                if course.found[i] && off.abs() < STRAY_MM {
                    // Huber's weight: a stretch that went astray moves nothing much.
                    let w = (1.0 / off.abs().max(1e-9)).min(1.0);
                    sums[*s].0 += w * off;
                    sums[*s].1 += w;
                }
            }
        }
        let mean = |s: usize| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for d in [n - 1, 0, 1] {
                let w = if d == 0 { 2.0 } else { 1.0 };
                let (a, b) = sums[(s + d) % n];
                sum += w * a;
                weight += w * b;
            }
            if weight > 0.0 { sum / weight } else { 0.0 }
        };
        let bare = sums
            .chunk_by(|a, b| (a.1 == 0.0) == (b.1 == 0.0))
            .filter(|run| run[0].1 == 0.0)
            .map(<[_]>::len)
            .max()
            .unwrap_or(0);
        let mut curve: Vec<Point2> = (0..n)
            .map(|s| {
                let d = &self.samples[s];
                d.position + Vector2::new(-d.tangent.y, d.tangent.x) * mean(s)
            })
            .collect();
        let first = curve[0];
        curve.push(first + Vector2::new(self.design.repeat_mm, 0.0));
        let curve = curve.iter().map(|p| Point2::from(p - first)).collect();
        (Template::new(curve, self.design.repeat_mm), bare)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::demo;

    fn course(name: &str, repeat: f64, repeats: f64) -> Course {
        let design = demo::by_name(name, repeat, 90.0).unwrap();
        let whole: Vec<Point2> = (0..repeats.ceil() as i64)
            .flat_map(|k| {
                let by = Vector2::new(k as f64 * repeat, 0.0);
                design.curve_mm[1..].iter().map(move |p| p + by)
            })
            .collect();
        let count = (whole.len() as f64 * repeats / repeats.ceil()) as usize;
        let places: Vec<(Point2, Point2, bool)> = resampled(&whole[..count], 0.5)
            .into_iter()
            .map(|p| (p, p, true))
            .collect();
        Course::new(&places)
    }

    #[test]
    fn shortest_step_that_fits_is_the_repeat() {
        for name in demo::NAMES {
            let line = course(name, 200.0, 2.7);
            let steps = steps(&line);
            let best = steps.iter().map(|s| s.rms_mm).fold(f64::MAX, f64::min);
            let first = steps.iter().find(|s| s.rms_mm < 2.0 * best + 0.1).unwrap();
            // Places a millimetre apart on bends of 10 mm: chords 0.01 mm off.
            assert!(
                (first.way - Vector2::new(200.0, 0.0)).norm() < 0.1,
                "{name} {steps:?}"
            );
            assert!(first.rms_mm < 0.05, "{name} {first:?}");
        }
    }

    #[test]
    fn course_laid_on_its_own_template_fits_everywhere() {
        let line = course("loops", 180.0, 3.2);
        let step = fit(&line, steps(&line)[0].places).unwrap();
        let template = Template::of_course(&line, &step, 100);
        let laid = template.lay(&line).unwrap();
        assert!(laid.rms_mm < 0.1, "{}", laid.rms_mm);
        let (averaged, bare) = template.averaged(&[(&line, &laid)]);
        assert_eq!(bare, 0);
        assert!((averaged.design.height_mm() - 90.0).abs() < 0.1);
        let other = template.lay(&course("petals", 180.0, 3.2));
        assert!(other.is_none_or(|laid| laid.rms_mm > 1.5));
    }
}

//! From a skeleton to strokes: stretches of line between ends and crossings.

use super::thin::{around, changes, neighbours};
use crate::geometry::{Point2, Vector2};
use crate::solve::median::median;
use image::{GrayImage, Luma};
use imageproc::distance_transform::euclidean_squared_distance_transform;

/// Around a crossing the skeleton is bent by the other line: this much of the line's width is cut out on
/// each side, and this many pixels more.
const CUT_WIDTHS: f64 = 0.75;
const CUT_PX: f64 = 1.5;
/// Stretches shorter than this many widths next to a crossing are the ink's own shape, not a line.
const SPUR_WIDTHS: f64 = 1.2;
/// Stretches shorter than this many widths between two crossings are where two lines run over each other.
const SHARED_WIDTHS: f64 = 2.5;
/// Strokes longer than this say how wide the lines are, mm.
const LONG_MM: f64 = 15.0;
/// Length over which the way a line ends is fitted, widths and its bounds in mm.
const END_WIDTHS: f64 = 5.0;
const END_MM: (f64, f64) = (4.0, 9.0);
/// Shorter ends have no bend that could be told, mm: with places good to a third of a pixel of 0.4 mm a
/// parabola over 8 mm tells it to about 0.013/mm.
const BEND_MM: f64 = 7.0;

/// A stretch of line, px of the ink's picture, pixel (0, 0) with its centre at (0.5, 0.5).
#[derive(Debug, Clone, PartialEq)]
pub struct Stroke {
    /// Its course.
    pub points: Vec<Point2>,
    /// Its first and its last end.
    pub ends: [End; 2],
}

/// How a stroke ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// Where, px.
    pub place: Point2,
    /// Which way it leads out, unit length.
    pub out: Vector2,
    /// Its bend there as it leads out, 1/px, positive to the right of its way on screen; not told by a short
    /// stroke.
    pub bend: Option<f64>,
}

impl Stroke {
    /// Length, px.
    pub fn length_px(&self) -> f64 {
        length(&self.points)
    }
}

fn length(points: &[Point2]) -> f64 {
    points.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Strokes of a picture.
#[derive(Debug, Clone)]
pub struct Strokes {
    /// All of them.
    pub strokes: Vec<Stroke>,
    /// Usual width of the lines, px.
    pub width_px: f64,
}

/// Cuts a skeleton into strokes. `mask` is the ink it was thinned from.
pub fn strokes(mask: &[bool], skeleton: &[bool], width: usize, mm_per_px: f64) -> Strokes {
    let height = mask.len() / width.max(1);
    let paper = GrayImage::from_fn(width as u32, height as u32, |x, y| {
        Luma([u8::from(!mask[y as usize * width + x as usize]) * 255])
    });
    // To the nearest pixel of paper's centre: half a pixel more than to the ink's edge.
    let distance2 = euclidean_squared_distance_transform(&paper);
    let wide = |i: usize| {
        let d = distance2
            .get_pixel((i % width) as u32, (i / width) as u32)
            .0[0]
            .sqrt();
        (2.0 * d - 1.0).max(1.0)
    };
    let line: Vec<usize> = (0..skeleton.len()).filter(|i| skeleton[*i]).collect();
    let rough_px = median(line.iter().map(|i| wide(*i)).collect(), f64::total_cmp).unwrap_or(1.0);
    let first = cut_up(skeleton, &line, width, &wide, rough_px, mm_per_px);
    // Words and the table's grain are no measure: the width is that of what runs on.
    let long = first
        .iter()
        .filter(|s| s.length_px() > LONG_MM / mm_per_px)
        .flat_map(|s| &s.points)
        .map(|p| wide(p.y as usize * width + p.x as usize))
        .collect();
    let width_px = median(long, f64::total_cmp).unwrap_or(rough_px);
    Strokes {
        strokes: cut_up(skeleton, &line, width, &wide, width_px, mm_per_px),
        width_px,
    }
}

fn cut_up(
    skeleton: &[bool],
    line: &[usize],
    width: usize,
    wide: &dyn Fn(usize) -> f64,
    width_px: f64,
    mm_per_px: f64,
) -> Vec<Stroke> {
    let height = skeleton.len() / width.max(1);

    let mut left = skeleton.to_vec();
    let mut cut = vec![false; skeleton.len()];
    for i in line {
        if changes(&neighbours(skeleton, width, *i)) < 3 {
            continue;
        }
        let reach = CUT_WIDTHS * wide(*i).min(4.0 * width_px) + CUT_PX;
        let (x, y) = ((i % width) as f64, (i / width) as f64);
        let r = reach.ceil();
        for v in (y - r).max(0.0) as usize..=((y + r) as usize).min(height - 1) {
            for u in (x - r).max(0.0) as usize..=((x + r) as usize).min(width - 1) {
                if (u as f64 - x).hypot(v as f64 - y) <= reach {
                    let at = v * width + u;
                    cut[at] |= left[at];
                    left[at] = false;
                }
            }
        }
    }
    let mut found = Vec::new();
    for start in line {
        if !left[*start] || changes(&neighbours(&left, width, *start)) > 1 {
            continue;
        }
        let chain = walk(&mut left, width, *start);
        let beside_cut = |i: usize| {
            around(width, i).iter().any(|n| {
                cut[*n]
                    || around_inside(width, *n, cut.len())
                        .is_some_and(|a| a.iter().any(|m| cut[*m]))
            })
        };
        let (Some(first), Some(last)) = (chain.first(), chain.last()) else {
            continue;
        };
        let crossings = usize::from(beside_cut(*first)) + usize::from(beside_cut(*last));
        let points: Vec<Point2> = chain
            .iter()
            .map(|i| Point2::new((i % width) as f64 + 0.5, (i / width) as f64 + 0.5))
            .collect();
        let least = [0.0, SPUR_WIDTHS, SHARED_WIDTHS][crossings] * width_px;
        if points.len() < 3 || length(&points) < least {
            continue;
        }
        let reach = (END_WIDTHS * width_px).clamp(END_MM.0 / mm_per_px, END_MM.1 / mm_per_px);
        let bend_px = BEND_MM / mm_per_px;
        let backwards: Vec<Point2> = points.iter().rev().copied().collect();
        let ends = [
            end(&points, reach, bend_px),
            end(&backwards, reach, bend_px),
        ];
        found.push(Stroke { points, ends });
    }
    found
}

/// As [`around`], for a pixel that may be outermost.
fn around_inside(width: usize, i: usize, count: usize) -> Option<[usize; 8]> {
    (i > width && i + width + 1 < count).then(|| around(width, i))
}

/// Takes the line that begins at a pixel out of `left`; its pixels in order.
fn walk(left: &mut [bool], width: usize, start: usize) -> Vec<usize> {
    let mut chain = vec![start];
    let mut at = start;
    left[start] = false;
    loop {
        let near = around(width, at);
        // Straight neighbours first: at a corner of a staircase both are there.
        let next = [0, 2, 4, 6, 1, 3, 5, 7]
            .into_iter()
            .map(|k: usize| near[k])
            .find(|n| left[*n]);
        let Some(next) = next else {
            return chain;
        };
        left[next] = false;
        chain.push(next);
        at = next;
    }
}

/// The end at the first of `points`: a parabola in arc length fitted to the first `reach` px, or a straight
/// line where there are less than `bend_px`.
fn end(points: &[Point2], reach: f64, bend_px: f64) -> End {
    let mut along = vec![0.0];
    for pair in points.windows(2) {
        let s = along[along.len() - 1] + (pair[1] - pair[0]).norm();
        if s > reach {
            break;
        }
        along.push(s);
    }
    let n = along.len();
    let bent = n >= 6 && along[n - 1] >= bend_px;
    // Least squares of x and y on 1, t, t² with t = −s, which grows outwards.
    let terms = if bent { 3 } else { 2 };
    let mut normal = nalgebra::DMatrix::<f64>::zeros(terms, terms);
    let mut right = nalgebra::DMatrix::<f64>::zeros(terms, 2);
    for (s, p) in along.iter().zip(points) {
        let t: Vec<f64> = (0..terms as i32).map(|k| (-s).powi(k)).collect();
        for i in 0..terms {
            for j in 0..terms {
                normal[(i, j)] += t[i] * t[j];
            }
            right[(i, 0)] += t[i] * p.x;
            right[(i, 1)] += t[i] * p.y;
        }
    }
    let first = points[0];
    let straight = |out: Vector2| End {
        place: first,
        out,
        bend: None,
    };
    let chord = (first - points[(n - 1).max(1).min(points.len() - 1)])
        .try_normalize(1e-9)
        .unwrap_or(Vector2::x());
    let Some(fit) = normal.lu().solve(&right) else {
        return straight(chord);
    };
    let speed = Vector2::new(fit[(1, 0)], fit[(1, 1)]);
    let Some(out) = speed.try_normalize(1e-9) else {
        return straight(chord);
    };
    let bend = bent.then(|| {
        let curve = Vector2::new(fit[(2, 0)], fit[(2, 1)]) * 2.0;
        speed.perp(&curve) / speed.norm().powi(3)
    });
    End {
        place: Point2::new(fit[(0, 0)], fit[(0, 1)]),
        out,
        bend,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A circle's arc leaving to the right and downwards: bend 1/radius, tangent at the end.
    #[test]
    fn end_of_an_arc_has_the_circles_tangent_and_bend() {
        let radius = 30.0;
        let points: Vec<Point2> = (0..40)
            .map(|i| {
                let angle = -0.03 * f64::from(i);
                Point2::new(radius * angle.sin(), radius * (1.0 - angle.cos()))
            })
            .collect();
        let end = end(&points, 15.0, 5.0);
        assert!(end.place.coords.norm() < 0.05, "{end:?}");
        assert!((end.out - Vector2::x()).norm() < 0.02, "{end:?}");
        // The parabola's third-order error over half a radius: a tenth.
        assert!((end.bend.unwrap() * radius - 1.0).abs() < 0.1, "{end:?}");
    }

    #[test]
    fn cross_of_two_bars_gives_four_strokes() {
        let (w, h) = (60usize, 60usize);
        let mask: Vec<bool> = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 - 30.0, (i / w) as f64 - 30.0);
                let on = |a: f64, b: f64| a.abs() < 2.0 && b.abs() < 26.0;
                on(0.8 * x + 0.6 * y, 0.8 * y - 0.6 * x) || on(y, x)
            })
            .collect();
        let skeleton = super::super::thin::thin(&mask, w);
        let found = strokes(&mask, &skeleton, w, 0.4);
        assert_eq!(found.strokes.len(), 4, "{:?}", found.strokes);
        assert!((found.width_px - 4.0).abs() <= 1.0, "{}", found.width_px);
    }
}

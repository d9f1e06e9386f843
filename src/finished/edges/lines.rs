//! The quilt's edges as lines: found along each side, told from seams, shadows and the floor's own lines.

use super::steps::{BIN_MM, Band, CELL_MM, CONTEXT, Path, SHOWS, evidence, paths};
use crate::geometry::Point2;
use crate::line::map::covers;
use crate::plane::camera::PreparedView;
use crate::row::spread::{inflation, robust_spread};
use image::GrayImage;
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;
use std::ops::Range;

/// A side of the quilt, by the rows: they run from left to right, the first one is at the top.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Top,
    Bottom,
    Left,
    Right,
}

pub(super) const SIDES: [Side; 4] = [Side::Top, Side::Bottom, Side::Left, Side::Right];

/// Where along and beyond a side its edge is looked for, mm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Where {
    pub side: Side,
    /// Along the side: the quilt's ends, or those of what is seen.
    pub along: (f64, f64),
    /// Whether the quilt ends there.
    pub ends_known: bool,
    /// Outwards from `base`.
    pub out: (f64, f64),
    /// The side's own coordinate at `out` 0: at + slope·t + bow·t².
    pub base: [f64; 3],
}

impl Where {
    fn base(&self, t: f64) -> f64 {
        self.base[0] + t * (self.base[1] + t * self.base[2])
    }

    fn outwards(&self) -> f64 {
        match self.side {
            Side::Top | Side::Left => -1.0,
            Side::Bottom | Side::Right => 1.0,
        }
    }

    /// The side's own coordinate: y of top and bottom, x of left and right.
    fn coordinate(&self, t: f64, out: f64) -> f64 {
        self.base(t) + self.outwards() * out
    }

    fn place(&self, t: f64, out: f64) -> Point2 {
        on_side(self.side, t, self.coordinate(t, out))
    }
}

/// The place on the quilt `t` along a side where the side's own coordinate is `at`.
pub(super) fn on_side(side: Side, t: f64, at: f64) -> Point2 {
    match side {
        Side::Top | Side::Bottom => Point2::new(t, at),
        Side::Left | Side::Right => Point2::new(at, t),
    }
}

/// A photo in which edges are looked for.
pub(super) struct Seen<'a> {
    pub luma: &'a GrayImage,
    pub view: &'a PreparedView,
}

/// An edge as seen: the side's own coordinate is `at + slope·(t − middle)`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Edge {
    pub side: Side,
    pub middle: f64,
    pub at: f64,
    pub slope: f64,
    /// Of `at` and `slope`, by the edge's own waves.
    pub covariance: Matrix2<f64>,
    /// From where to where it shows, t.
    pub seen: (f64, f64),
    /// RMS distance from its straight line, mm.
    pub wave_mm: f64,
    /// Share of the side's length in view on which it shows.
    pub share: f64,
}

impl Edge {
    pub fn coordinate(&self, t: f64) -> f64 {
        self.at + self.slope * (t - self.middle)
    }
}

/// Beyond its ends an edge is looked for over this length: a floor board's joint goes on there, an edge does not, mm.
const BEYOND_MM: f64 = 170.0;
/// From here on beyond the rows' ends the quilt has surely ended, mm.
const ENDED_MM: f64 = 45.0;
/// Columns of a bin.
const COLUMNS: usize = 8;
/// Share of the bins in view that show an edge, and mean of step over variation, at least.
const LEAST_SHARE: f32 = 0.75;
const LEAST_STRENGTH: f32 = 1.3;
/// Share of a line's strength from which on something of the same kind beyond its ends is its continuation.
const GOES_ON: f32 = 0.6;
/// Share of a line's strength that its echo beside it may have.
const ECHO: f32 = 0.62;
/// An edge shows on at least this length, and on this share of the side's.
const LEAST_SEEN_MM: f64 = 300.0;
const LEAST_OF_SIDE: f64 = 0.5;
/// How wide bindings are, mm (common practice, no source: 3/8 to 1/2 in), and to how much one has the same width all
/// round, mm.
const BINDING_MM: std::ops::Range<f64> = 6.0..18.0;
const SAME_WIDTH_MM: f64 = 2.0;
/// Standard uncertainty of what the eye takes for the edge of a round binding with its own shade beside it, mm
/// (tried on practice photos).
const EDGE_U_MM: f64 = 0.6;

/// A line that may be the edge.
#[derive(Debug, Clone)]
struct Candidate {
    sign: f32,
    strength: f32,
    /// Outwards, in the middle of what shows.
    out: f64,
    edge: Edge,
    /// Whether it was seen to stop at the quilt's ends; `None` where these are not in view.
    stops: Option<bool>,
}

/// The edges on all sides; `None` where an edge is not clear.
pub(super) fn edges(
    sides: &[Option<Where>; 4],
    photos: &[Seen],
    papers: &[[Point2; 4]],
) -> [Option<Edge>; 4] {
    let found = sides
        .each_ref()
        .map(|side| side.map_or(Vec::new(), |side| candidates(&side, photos, papers)));
    agreed(&found)
}

/// The binding as several sides show it: its width, mm, and whether its outer line is brighter outside (1) or darker
/// (−1).
#[derive(Debug, Clone, Copy)]
struct Binding {
    width: f64,
    outer_sign: f32,
}

impl Binding {
    /// The pair of neighbouring lines that most sides have alike: binding and floor are the same all round.
    ///
    /// A single line all round may as well be the binding's seam with a binding of the floor's tone beyond it. What is
    /// brighter outside may be the border of a shadow, which falls on neighbouring sides but never on opposite ones.
    fn common(found: &[Vec<Candidate>; 4]) -> Option<Binding> {
        let pairs = |side: &Vec<Candidate>| -> Vec<Binding> {
            let pairs = side.windows(2).map(|pair| Binding {
                width: pair[1].out - pair[0].out,
                outer_sign: pair[1].sign,
            });
            pairs.filter(|b| BINDING_MM.contains(&b.width)).collect()
        };
        let all = found.each_ref().map(pairs);
        let alike = |a: &Binding, b: &Binding| {
            (a.width - b.width).abs() <= SAME_WIDTH_MM && a.outer_sign == b.outer_sign
        };
        let has = |b: &Binding| {
            all.each_ref()
                .map(|side| side.iter().any(|other| alike(b, other)))
        };
        let is_clear = |b: &&Binding| match has(b) {
            [top, bottom, left, right] if b.outer_sign > 0.0 => top && bottom || left && right,
            sides => sides.iter().filter(|has| **has).count() >= 2,
        };
        let sides = |b: &&Binding| has(b).iter().filter(|has| **has).count();
        let best = all.iter().flatten().filter(is_clear).max_by_key(sides)?;
        Some(*best)
    }

    /// The outermost line with the binding inside of it.
    fn edge<'a>(&self, lines: &'a [Candidate]) -> Option<&'a Candidate> {
        let has_binding = |line: &&Candidate| {
            let width = |inner: &Candidate| line.out - inner.out;
            line.sign == self.outer_sign
                && lines
                    .iter()
                    .any(|inner| (width(inner) - self.width).abs() <= SAME_WIDTH_MM)
        };
        lines.iter().rfind(has_binding)
    }
}

/// The edges of all sides, of their lines, inmost first.
fn agreed(found: &[Vec<Candidate>; 4]) -> [Option<Edge>; 4] {
    let binding = Binding::common(found);
    found
        .each_ref()
        .map(|lines| binding?.edge(lines).map(|line| line.edge.clone()))
}

/// Lines along a side, inmost first.
fn candidates(side: &Where, photos: &[Seen], papers: &[[Point2; 4]]) -> Vec<Candidate> {
    let from = side.along.0 - ENDED_MM - BEYOND_MM;
    let count = ((side.along.1 + ENDED_MM + BEYOND_MM - from) / BIN_MM).ceil() as usize;
    let context = CONTEXT as f64 * CELL_MM;
    let cells = ((side.out.1 - side.out.0 + 2.0 * context) / CELL_MM).ceil() as usize;
    let out_from = side.out.0 - context;
    let middle = |bin: usize| from + (bin as f64 + 0.5) * BIN_MM;
    let bands: Vec<Band> = photos
        .par_iter()
        .map(|photo| band(side, photo, papers, (from, count), (out_from, cells)))
        .collect();
    let all = evidence(&bands);
    let bin_at = |t: f64| (((t - from) / BIN_MM).round().max(0.0) as usize).min(count);
    let within = bin_at(side.along.0)..bin_at(side.along.1);
    let inside: Vec<Band> = bands.iter().map(|b| part(b, &within)).collect();
    let mut found: Vec<Candidate> = paths(&inside, &all[within.clone()])
        .into_iter()
        .filter(|path| path.share >= LEAST_SHARE && path.strength >= LEAST_STRENGTH)
        .filter_map(|path| {
            let places: Vec<(f64, f64)> = (path.places.iter().enumerate())
                .map(|(i, cell)| {
                    let t = middle(within.start + i);
                    (t, side.coordinate(t, out_from + cell * CELL_MM))
                })
                .collect();
            let edge = fitted(side, &places, &path)?;
            let out = |t: f64| side.outwards() * (edge.coordinate(t) - side.base(t));
            let cell = |bin: usize| (out(middle(bin)) - out_from) / CELL_MM;
            Some(Candidate {
                sign: path.sign,
                strength: path.strength,
                out: out(edge.middle),
                stops: stops(side, &all, (path.sign, path.strength), middle, cell),
                edge,
            })
        })
        .filter(|line| line.stops != Some(false))
        .collect();
    found.sort_by(|a, b| a.out.total_cmp(&b.out));
    without_shades(found)
}

/// Leaves out what is beside a far stronger line: it leads the straight lines on its sides astray, and what they then
/// say is an echo of it. The same line found twice counts once.
fn without_shades(mut lines: Vec<Candidate>) -> Vec<Candidate> {
    let shaded = |line: &Candidate, by: &Candidate| {
        let apart = (line.out - by.out).abs();
        apart < CONTEXT as f64 * CELL_MM + 1.5 && line.strength < ECHO * by.strength
    };
    let kept: Vec<bool> = (lines.iter())
        .map(|line| !lines.iter().any(|by| shaded(line, by)))
        .collect();
    let mut kept = kept.into_iter();
    lines.retain(|_| kept.next().unwrap_or(true));
    lines.dedup_by(|b, a| {
        let same = b.out - a.out < 2.0;
        if same && b.strength > a.strength {
            std::mem::swap(a, b);
        }
        same
    });
    lines
}

fn part(band: &Band, bins: &Range<usize>) -> Band {
    Band {
        bins: bins.len(),
        cells: band.cells,
        luma: band.luma[bins.start * band.cells..bins.end * band.cells].to_vec(),
    }
}

/// Whether a line ends where the quilt does; `None` where nothing is in view there.
fn stops(
    side: &Where,
    all: &[Vec<f32>],
    (sign, strength): (f32, f32),
    middle: impl Fn(usize) -> f64,
    cell: impl Fn(usize) -> f64,
) -> Option<bool> {
    if !side.ends_known {
        return None;
    }
    let beyond = |bin: &usize| {
        let t = middle(*bin);
        t < side.along.0 - ENDED_MM || t > side.along.1 + ENDED_MM
    };
    let (mut seen, mut goes_on) = (0, 0);
    for bin in (0..all.len()).filter(beyond) {
        let Ok(at) = usize::try_from(cell(bin).round() as i64) else {
            continue;
        };
        let near = at.saturating_sub(4)..(at + 5).min(all[bin].len());
        let Some(near) = all[bin].get(near) else {
            continue;
        };
        let shown = near.iter().filter(|t| t.is_finite());
        let (n, most) = shown.fold((0, f32::MIN), |(n, m), t| (n + 1, m.max(sign * t)));
        seen += i32::from(n > 4);
        goes_on += i32::from(n > 4 && most >= SHOWS.max(GOES_ON * strength));
    }
    (seen >= 2).then_some(2 * goes_on < seen)
}

/// The straight line through the places of an edge, wild ones left out.
fn fitted(side: &Where, places: &[(f64, f64)], path: &Path) -> Option<Edge> {
    let mut kept: Vec<(f64, f64)> = places.iter().copied().filter(|p| p.1.is_finite()).collect();
    for _ in 0..4 {
        let (middle, at, slope) = straight(&kept)?;
        let off: Vec<f64> = (kept.iter())
            .map(|p| p.1 - at - slope * (p.0 - middle))
            .collect();
        let most = 3.5 * robust_spread(&off).max(0.3);
        let before = kept.len();
        let mut off = off.iter();
        kept.retain(|_| off.next().is_some_and(|d| d.abs() <= most));
        if kept.len() == before {
            break;
        }
    }
    let (middle, at, slope) = straight(&kept)?;
    let n = kept.len() as f64;
    let seen = (
        kept[0].0 - BIN_MM / 2.0,
        kept[kept.len() - 1].0 + BIN_MM / 2.0,
    );
    let long_enough =
        n * BIN_MM >= LEAST_SEEN_MM && n * BIN_MM >= LEAST_OF_SIDE * (side.along.1 - side.along.0);
    if !long_enough || n < 6.0 {
        return None;
    }
    // Residuals in their places along the edge, so that what hangs together is counted as such.
    let off: Vec<f64> = places
        .iter()
        .map(|p| match kept.contains(p) {
            true => p.1 - at - slope * (p.0 - middle),
            false => f64::NAN,
        })
        .collect();
    let squares: f64 = off.iter().filter(|d| d.is_finite()).map(|d| d * d).sum();
    let variance = squares / (n - 2.0) * inflation(&off, 1);
    let moment: f64 = kept.iter().map(|p| (p.0 - middle).powi(2)).sum();
    Some(Edge {
        side: side.side,
        middle,
        at,
        slope,
        covariance: Matrix2::from_diagonal(&Vector2::new(
            variance / n + EDGE_U_MM * EDGE_U_MM,
            variance / moment,
        )),
        seen,
        wave_mm: (squares / n).sqrt(),
        share: f64::from(path.share),
    })
}

/// Mean of t, the value there, and the slope (least squares).
fn straight(places: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let n = places.len() as f64;
    if n < 3.0 {
        return None;
    }
    let (t, y) = places
        .iter()
        .fold((0.0, 0.0), |(t, y), p| (t + p.0 / n, y + p.1 / n));
    let (moment, product) = places.iter().fold((0.0, 0.0), |(m, q), p| {
        (m + (p.0 - t).powi(2), q + (p.0 - t) * (p.1 - y))
    });
    Some((t, y, product / moment))
}

/// A photo straightened along a side.
fn band(
    side: &Where,
    photo: &Seen,
    papers: &[[Point2; 4]],
    (from, bins): (f64, usize),
    (out_from, cells): (f64, usize),
) -> Band {
    let (w, h) = photo.luma.dimensions();
    let pixels = photo.luma.as_raw();
    let sample = |t: f64, out: f64| -> Option<f32> {
        let place = side.place(t, out);
        let px = photo.view.photo_from_quilt(place)?;
        let (x, y) = (px.x - 0.5, px.y - 0.5);
        let inside = x >= 0.0 && y >= 0.0 && x < f64::from(w - 1) && y < f64::from(h - 1);
        if !inside || papers.iter().any(|paper| covers(paper, place)) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (u, v) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = |i: usize, j: usize| f32::from(pixels[j * w as usize + i]);
        let top = at(i, j) + u * (at(i + 1, j) - at(i, j));
        let bottom = at(i, j + 1) + u * (at(i + 1, j + 1) - at(i, j + 1));
        Some(top + v * (bottom - top))
    };
    let mut luma = vec![f32::NAN; bins * cells];
    for bin in 0..bins {
        let ts: [f64; COLUMNS] = std::array::from_fn(|c| {
            from + (bin as f64 + (c as f64 + 0.5) / COLUMNS as f64) * BIN_MM
        });
        // Most photos show little of a side.
        let ends = [0.0, 0.5, 1.0].map(|k| out_from + k * cells as f64 * CELL_MM);
        if ends
            .iter()
            .all(|out| sample(ts[COLUMNS / 2], *out).is_none())
        {
            continue;
        }
        for cell in 0..cells {
            let out = out_from + (cell as f64 + 0.5) * CELL_MM;
            let seen = ts.iter().filter_map(|t| sample(*t, out));
            let (n, sum) = seen.fold((0, 0.0), |(n, s), v| (n + 1, s + v));
            if n >= COLUMNS / 2 {
                luma[bin * cells + cell] = sum / n as f32;
            }
        }
    }
    Band { bins, cells, luma }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(side: Side, out: f64, sign: f32) -> Candidate {
        Candidate {
            sign,
            strength: 3.0,
            out,
            edge: Edge {
                side,
                middle: 0.0,
                at: out,
                slope: 0.0,
                covariance: Matrix2::identity(),
                seen: (-500.0, 500.0),
                wave_mm: 0.3,
                share: 1.0,
            },
            stops: Some(true),
        }
    }

    /// Where the edges are taken to be, of lines (out, sign) on each side.
    fn chosen(lines: [&[(f64, f32)]; 4]) -> [Option<f64>; 4] {
        let mut sides = SIDES.iter();
        let found = lines.map(|lines| {
            let side = sides.next().copied().unwrap_or(Side::Top);
            lines
                .iter()
                .map(|(out, sign)| line(side, *out, *sign))
                .collect()
        });
        agreed(&found).map(|edge| edge.map(|e| e.at))
    }

    #[test]
    fn the_edge_is_where_the_binding_ends_and_a_shadow_beyond_it_is_none() {
        let plain: &[(f64, f32)] = &[(88.0, 1.0), (99.5, -1.0)];
        let shaded: &[(f64, f32)] = &[(70.0, 1.0), (81.0, -1.0), (95.0, 1.0)];
        let found = chosen([plain, shaded, plain, shaded]);
        assert_eq!(found, [Some(99.5), Some(81.0), Some(99.5), Some(81.0)]);
    }

    #[test]
    fn a_single_line_all_round_may_be_the_seam_and_is_not_taken() {
        let seam: &[(f64, f32)] = &[(88.0, -1.0)];
        assert_eq!(chosen([seam; 4]), [None; 4]);
        // The two flanks of a dark seam are no binding either.
        let flanks: &[(f64, f32)] = &[(86.0, -1.0), (90.0, 1.0)];
        assert_eq!(chosen([flanks; 4]), [None; 4]);
    }

    #[test]
    fn a_side_that_lacks_the_binding_is_not_seen() {
        let plain: &[(f64, f32)] = &[(88.0, 1.0), (99.5, -1.0)];
        let seam: &[(f64, f32)] = &[(70.0, 1.0)];
        let found = chosen([plain, seam, plain, &[]]);
        assert_eq!(found, [Some(99.5), None, Some(99.5), None]);
    }

    #[test]
    fn a_shadow_on_neighbouring_sides_is_no_binding() {
        let shaded: &[(f64, f32)] = &[(88.0, -1.0), (98.0, 1.0)];
        let plain: &[(f64, f32)] = &[(88.0, -1.0)];
        assert_eq!(chosen([shaded, plain, shaded, plain]), [None; 4]);
        // On opposite sides it is one.
        let found = chosen([shaded, shaded, plain, plain]);
        assert_eq!(found, [Some(98.0), Some(98.0), None, None]);
    }

    #[test]
    fn an_echo_beside_a_stronger_line_is_left_out() {
        let weak = Candidate {
            strength: 1.5,
            ..line(Side::Top, 107.0, 1.0)
        };
        let kept = without_shades(vec![line(Side::Top, 99.5, -1.0), weak]);
        assert_eq!(kept.len(), 1);
        assert_eq!(kept[0].out, 99.5);
    }
}

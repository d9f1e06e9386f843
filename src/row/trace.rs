//! A row's stitched line, traced in the photos at full size along the whole curve.

use super::measure::Job;
use super::straight::{Side, Traced, drop_outermost, goes_straight_on};
use crate::design::DesignPoint;
use crate::geometry::{Point2, Vector2};
use crate::line::map::covers;
use crate::line::strip::{LINE_SIGMAS_MM, LinePoint, Look, Shown, Strip, StripSample};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{LineObservation, State};
use image::GrayImage;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// How far to both sides of the fitted design the line is looked for, mm.
pub(super) const REACH_MM: f64 = 6.0;
/// Strength from which the line is taken for found; a path through nothing mostly stays below it.
pub(super) const FOUND_STRENGTH: f32 = 6.0;
/// By how much strengths are larger by other means than by the thread, whose evidence is clipped: along rows that are not
/// there one place in twenty is then found (practice photos with another design), as by the others.
const THREAD_STRENGTH: f32 = 1.4;
/// Half length of the window in which most of the line has to be found before any of it counts, samples.
const SUPPORT_HALF: usize = 30;
/// Share of the window.
const SUPPORT_SHARE: f32 = 0.6;
/// Samples at each end of a found run that may still be led astray by what ends it.
const RUN_END: usize = 6;
/// Share of the line that stands out, but not near the fitted design, from which the fit is not there yet.
const FIT_IS_OFF: f64 = 0.3;
/// Step of the design's height in which a rail's cover is judged, mm.
const LEVEL_MM: f64 = 12.0;
/// Stretch along the row in which the quilt's end is judged, mm.
const WINDOW_MM: f64 = 80.0;
/// Windows from one find to the next up to which they belong together.
const ISLAND_GAP: i64 = 2;
/// Share of what is found of the row below which an island does not count.
const ISLAND_SHARE: f64 = 0.12;
/// Samples before a break of the line that are left out.
const BREAK_SAMPLES: usize = 4;
/// Every so many samples make one observation.
pub const OBSERVE_EVERY: usize = 3;

/// A point of a row's line in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Which photo.
    pub photo: usize,
    /// Along the unstretched row, mm.
    pub along_mm: f64,
    /// Across from the baseline of the design there, unstretched, mm.
    pub across_mm: f64,
    /// Where the line was found in the photo, px.
    pub in_photo_px: Point2,
    /// Unit normal of the curve in the photo.
    pub normal_px: Vector2,
    /// Photo displacement per mm along the quilt's normal, px/mm.
    pub px_per_mm: f64,
    /// On the quilt where the fitted design is, mm.
    pub on_quilt: Point2,
    /// Normal of the design there.
    pub normal: Vector2,
    /// How far the stitching lies from the fitted design along the normal, mm.
    pub deviation_mm: f64,
    /// How far the line stands out, see [`LinePoint::strength`]; NaN where nothing is visible.
    pub strength: f32,
    /// Bend of the luma across the line, see [`Shown::bend`].
    pub bend: f32,
    /// Luma of the cloth beside the line, grey levels; NaN where nothing is visible.
    pub cloth: f32,
    /// Whether a card lies within reach of the line: its edge outshouts a thread.
    pub beside_card: bool,
    /// Whether the line counts here: strong enough, and in company.
    pub found: bool,
}

impl TracePoint {
    /// Whether the place can be seen.
    pub fn is_visible(&self) -> bool {
        !self.strength.is_nan()
    }

    /// Whether it can, and no card's edge lies within reach of it.
    pub fn is_clear(&self) -> bool {
        self.is_visible() && !self.beside_card
    }
}

/// A row's line in all photos.
#[derive(Debug, Clone, Default)]
pub struct RowTrace {
    /// Point by point along the curve, photo after photo.
    pub points: Vec<TracePoint>,
}

impl RowTrace {
    /// What one photo shows of it.
    pub(super) fn of_photo(&self, photo: usize) -> RowTrace {
        let of_it = |p: &&TracePoint| p.photo == photo;
        RowTrace {
            points: self.points.iter().filter(of_it).cloned().collect(),
        }
    }

    /// Takes back what was found at heights of the design, or stretches along the row, of which most was
    /// not: there a rail lies over the row, or the quilt has ended, and what answers is their edges.
    fn drop_what_hides(&mut self) {
        let height = |p: &TracePoint| (0, (p.across_mm / LEVEL_MM).floor() as i64);
        let stretch = |p: &TracePoint| (1, (p.along_mm / WINDOW_MM).floor() as i64);
        let mut shares: BTreeMap<(u8, i64), (u32, u32)> = BTreeMap::new();
        for p in self.points.iter().filter(|p| p.is_visible()) {
            for key in [height(p), stretch(p)] {
                let share = shares.entry(key).or_default();
                share.0 += u32::from(p.found);
                share.1 += 1;
            }
        }
        // Against what the better places reach: on a busy print even they are not found whole.
        let part_of_good = |kind: u8| {
            let mut all: Vec<f64> = shares
                .iter()
                .filter(|((k, _), (_, n))| *k == kind && *n >= 20)
                .map(|(_, (found, n))| f64::from(*found) / f64::from(*n))
                .collect();
            if all.is_empty() {
                return 0.0;
            }
            let at = all.len() * 3 / 4;
            [0.7, 0.5][usize::from(kind)] * *all.select_nth_unstable_by(at, f64::total_cmp).1
        };
        let least = [part_of_good(0), part_of_good(1)];
        for p in &mut self.points {
            p.found &= [height(p), stretch(p)].iter().all(|key| {
                shares.get(key).is_some_and(|(found, n)| {
                    f64::from(*found) >= least[usize::from(key.0)] * f64::from(*n)
                })
            });
        }
    }

    /// Takes back islands: short finds far from the rest of the row, which would have all the leverage at
    /// its end and nothing beside them to speak against.
    fn drop_islands(&mut self) {
        let window = |p: &TracePoint| (p.along_mm / WINDOW_MM).floor() as i64;
        let mut found: BTreeMap<i64, usize> = BTreeMap::new();
        for p in self.points.iter().filter(|p| p.found) {
            *found.entry(window(p)).or_default() += 1;
        }
        let total: usize = found.values().sum();
        let windows: Vec<(i64, usize)> = found.into_iter().collect();
        for island in windows.chunk_by(|a, b| b.0 - a.0 <= ISLAND_GAP) {
            let size: usize = island.iter().map(|w| w.1).sum();
            if (size as f64) < ISLAND_SHARE * total as f64 {
                let (from, to) = (island[0].0, island[island.len() - 1].0);
                for p in &mut self.points {
                    p.found &= !(from..=to).contains(&window(p));
                }
            }
        }
    }

    /// Deviations where the line was found, NaN elsewhere.
    pub fn deviations_mm(&self) -> Vec<f64> {
        self.points
            .iter()
            .map(|p| if p.found { p.deviation_mm } else { f64::NAN })
            .collect()
    }

    /// On how many of the points that are visible the line was found, and how many these are.
    pub fn found_of_visible(&self) -> (usize, usize) {
        let visible = self.points.iter().filter(|p| p.is_visible()).count();
        (self.points.iter().filter(|p| p.found).count(), visible)
    }

    /// Length of line found, mm.
    pub fn found_mm(&self) -> f64 {
        self.found_of_visible().0 as f64 * crate::line::strip::ARC_STEP_MM
    }

    /// Observations of the joint problem, with `u_px` standing for `u_mm` on the quilt.
    pub fn observations(
        &self,
        row: usize,
        u_mm: f64,
        samples: usize,
    ) -> Vec<(usize, LineObservation)> {
        self.points
            .chunk_by(|a, b| a.photo == b.photo)
            .flat_map(|photo| photo.chunks_exact(OBSERVE_EVERY).enumerate())
            .filter(|(_, chunk)| chunk.iter().all(|p| p.found))
            .map(|(i, chunk)| {
                let n = chunk.len() as f64;
                let middle = &chunk[OBSERVE_EVERY / 2];
                let strength = chunk.iter().map(|p| p.strength).sum::<f32>() / n as f32;
                let weight = f64::from((strength - 4.0) / 14.0).clamp(0.1, 1.0).powi(2);
                // The mean place along the normal; along the curve it does not matter.
                let mean = chunk.iter().map(|p| p.in_photo_px.coords).sum::<Vector2>() / n;
                let off = middle.normal_px.dot(&(mean - middle.in_photo_px.coords));
                let observation = LineObservation {
                    row,
                    along_mm: middle.along_mm,
                    across_mm: middle.across_mm,
                    in_photo_px: middle.in_photo_px + middle.normal_px * off,
                    normal: middle.normal_px,
                    u_px: middle.px_per_mm * u_mm / weight.sqrt(),
                    phase: ((i * OBSERVE_EVERY + OBSERVE_EVERY / 2) % samples) as f64
                        / samples as f64,
                    px_per_mm: middle.px_per_mm,
                };
                (middle.photo, observation)
            })
            .collect()
    }
}

/// By what the line is told in a photo.
#[derive(Debug, Clone)]
pub(super) enum Told {
    /// By its bend across at a scale, mm.
    Bend(f64),
    /// By the thread alone, see [`Strip::threads`].
    Thread,
    /// By its own look, learned from what was traced.
    Look(Box<Look>),
}

impl Told {
    pub(super) fn evidence(&self, strip: &Strip) -> Vec<f32> {
        strip.evidence(&match self {
            Told::Bend(sigma_mm) => strip.bends(*sigma_mm),
            Told::Thread => strip.threads(),
            Told::Look(look) => strip.likeness(look),
        })
    }

    /// The line in a strip, its strength such that [`FOUND_STRENGTH`] means as much whatever it is told by.
    pub(super) fn line(&self, strip: &Strip, expected_mm: f64) -> Vec<LinePoint> {
        let mut line = strip.line(&self.evidence(strip), expected_mm);
        if matches!(self, Told::Thread) {
            for point in &mut line {
                point.strength *= THREAD_STRENGTH;
            }
        }
        line
    }
}

/// What passes over the rows have learned of each photo.
#[derive(Debug, Clone, Default)]
pub struct Learned {
    /// By photo.
    told: Vec<Option<Told>>,
    /// Photos, and sides of all rows, on which a rail or a seam was taken for the outermost strokes.
    rails: BTreeSet<(usize, Side)>,
    passes: usize,
}

impl Learned {
    /// Evidence in a strip of a photo, by what tells the line best there; `None` where nothing was learned.
    pub(super) fn evidence(&self, photo: usize, strip: &Strip) -> Option<Vec<f32>> {
        let told = self.told.get(photo)?.as_ref()?;
        Some(told.evidence(strip))
    }
}

/// Share of the lines in view below which, found by their bend, the thread alone is tried; and how much more it has to find.
const MOSTLY_LOST: f64 = 0.6;
const THREAD_FINDS_MORE: f64 = 1.2;

/// Passes in which the line is told by its bend and by its look, and the better way is taken.
const BOTH_WAYS: usize = 1;

/// The rows' lines in a photo, and by what they were told.
struct Followed {
    told: Told,
    /// See [`typical_strength`].
    strength: f32,
    /// By row.
    lines: Vec<Vec<LinePoint>>,
}

impl Followed {
    fn by(told: Told, strips: &[Strip], strays: &[Stray]) -> Followed {
        let lines: Vec<Vec<LinePoint>> = strips
            .par_iter()
            .zip(strays)
            .map(|(strip, stray)| told.line(strip, stray.expected_mm))
            .collect();
        Followed {
            told,
            strength: typical_strength(lines.iter().flatten()),
            lines,
        }
    }

    /// By the bend at the scale at which it is strongest; by the thread alone where that loses most of the lines and the
    /// thread does not.
    fn at_first(strips: &[Strip], strays: &[Stray]) -> Followed {
        let by_bend = |sigma_mm: &f64| Followed::by(Told::Bend(*sigma_mm), strips, strays);
        let mut best = by_bend(&LINE_SIGMAS_MM[0]);
        for other in LINE_SIGMAS_MM[1..].iter().map(by_bend) {
            if other.strength > best.strength {
                best = other;
            }
        }
        let (found, visible) = best.found_of_visible(strays);
        if found as f64 >= MOSTLY_LOST * visible as f64 {
            return best;
        }
        let by_thread = Followed::by(Told::Thread, strips, strays);
        match by_thread.found_of_visible(strays).0 as f64 > THREAD_FINDS_MORE * found as f64 {
            true => by_thread,
            false => best,
        }
    }

    /// On how many samples the lines are found, and how many are visible.
    fn found_of_visible(&self, strays: &[Stray]) -> (usize, usize) {
        let lines = self.lines.iter().zip(strays);
        let found = lines.flat_map(|(line, stray)| supported(line, stray.farthest_mm));
        let seen = self.lines.iter().flatten().filter(|p| !p.strength.is_nan());
        (found.filter(|found| *found).count(), seen.count())
    }

    /// Their own look, where it can be learned.
    fn look(&self, strips: &[Strip]) -> Option<Told> {
        let lines = self.lines.iter().map(Vec::as_slice);
        let pairs: Vec<(&Strip, &[LinePoint])> = strips.iter().zip(lines).collect();
        let look = Look::learn(&pairs, FOUND_STRENGTH)?;
        Some(Told::Look(Box::new(look)))
    }

    /// Whether the lines told by their look are followed better than as before.
    fn is_better_than(&self, before: &Followed, strays: &[Stray]) -> bool {
        match before.told {
            // Clipped evidence does not compare with the look's.
            Told::Thread => self.found_of_visible(strays).0 > before.found_of_visible(strays).0,
            _ => self.strength > before.strength,
        }
    }
}

/// How far a row's line may lie from the fitted design.
#[derive(Debug, Clone, Copy)]
pub struct Stray {
    /// As a rule, mm.
    pub expected_mm: f64,
    /// At most, over a hand's breadth (RMS), mm: further off it is something else, a rail, a seam, a print.
    pub farthest_mm: f64,
}

/// Traces the rows of `state`, each with its stray.
///
/// `design` is one repeat in steps of a millimetre; `papers` the outlines of the cards' paper on the
/// quilt; `learned` goes from one pass to the next.
pub fn trace_rows(
    job: &Job,
    state: &State,
    design: &[DesignPoint],
    strays: &[Stray],
    papers: &[[Point2; 4]],
    learned: &mut Learned,
) -> Vec<RowTrace> {
    let mut traces = vec![RowTrace::default(); strays.len()];
    learned.told.resize(job.photos.len(), None);
    for (photo, input) in job.photos.iter().enumerate() {
        let view = state.view(photo, photo);
        let strips: Vec<Strip> = (0..strays.len())
            .into_par_iter()
            .map(|row| {
                let samples = samples(job, state, &view, input.luma, design, row, papers);
                Strip::new(input.luma, samples, REACH_MM)
            })
            .collect();
        let by = |told: Told| Followed::by(told, &strips, strays);
        let mut followed = match &learned.told[photo] {
            Some(told) => by(told.clone()),
            None => Followed::at_first(&strips, strays),
        };
        if let Some(look) = followed.look(&strips) {
            if learned.passes < BOTH_WAYS {
                let by_look = by(look);
                if by_look.is_better_than(&followed, strays) {
                    followed = by_look;
                }
            } else if matches!(followed.told, Told::Look(_)) {
                followed.told = look;
            }
        }
        let Followed { told, lines, .. } = followed;
        for (((trace, strip), line), stray) in
            traces.iter_mut().zip(&strips).zip(&lines).zip(strays)
        {
            let found = supported(line, stray.farthest_mm);
            let shown = strip.shown(line);
            trace
                .points
                .extend(points(photo, strip, line, &shown, &found));
        }
        let traced = Traced {
            job,
            state,
            view: &view,
            photo,
            told: &told,
            design,
            papers,
        };
        if let Some(last) = strays.len().checked_sub(1)
            && learned.passes > 0
        {
            let first = |trace: &RowTrace| trace.points.partition_point(|p| p.photo < photo);
            let rails: Vec<(usize, Side)> = [(0, Side::Top), (last, Side::Bottom)]
                .into_par_iter()
                .filter(|(row, side)| {
                    // What was no rail the pass before is none now.
                    let in_doubt = learned.passes == 1 || learned.rails.contains(&(photo, *side));
                    let points = &traces[*row].points[first(&traces[*row])..];
                    in_doubt && goes_straight_on(&traced, *row, *side, points)
                })
                .collect();
            for (row, side) in rails {
                let from = first(&traces[row]);
                drop_outermost(design, side, &mut traces[row].points[from..]);
                learned.rails.insert((photo, side));
            }
        }
        learned.told[photo] = Some(told);
    }
    learned.passes += 1;
    for trace in &mut traces {
        trace.drop_what_hides();
        trace.drop_islands();
    }
    traces
}

fn points<'a>(
    photo: usize,
    strip: &'a Strip,
    line: &'a [LinePoint],
    shown: &'a [Shown],
    found: &'a [bool],
) -> impl Iterator<Item = TracePoint> + 'a {
    strip.samples.iter().zip(line).zip(shown).zip(found).map(
        move |(((sample, point), shown), found)| TracePoint {
            photo,
            along_mm: sample.along_mm,
            across_mm: sample.across_mm,
            in_photo_px: sample.px + sample.per_mm * f64::from(point.across_mm),
            normal_px: sample.normal_px,
            px_per_mm: sample.per_mm.dot(&sample.normal_px).abs(),
            on_quilt: sample.on_quilt,
            normal: sample.normal_on_quilt,
            deviation_mm: f64::from(point.across_mm),
            strength: point.strength,
            bend: shown.bend,
            cloth: shown.cloth,
            beside_card: sample.beside_card,
            found: *found,
        },
    )
}

/// Three quarters of the visible line are weaker than this.
fn typical_strength<'a>(line: impl Iterator<Item = &'a LinePoint>) -> f32 {
    let mut all: Vec<f32> = line.map(|p| p.strength).filter(|s| s.is_finite()).collect();
    if all.is_empty() {
        return 0.0;
    }
    let at = all.len() * 3 / 4;
    *all.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Where the line counts: strong, most of its neighbourhood strong too, not far off there, and not at
/// the end of a run.
fn supported(line: &[LinePoint], farthest_mm: f64) -> Vec<bool> {
    let n = line.len();
    let strong: Vec<bool> = line.iter().map(|p| p.strength >= FOUND_STRENGTH).collect();
    let mut sums = vec![(0u32, 0u32, 0.0f64); n + 1];
    for (i, p) in line.iter().enumerate() {
        let (s, v, q) = sums[i];
        let off = if strong[i] {
            f64::from(p.across_mm).powi(2)
        } else {
            0.0
        };
        sums[i + 1] = (
            s + u32::from(strong[i]),
            v + u32::from(!p.strength.is_nan()),
            q + off,
        );
    }
    let (mut near, mut far) = (0usize, 0usize);
    let judged: Vec<(bool, bool)> = (0..n)
        .map(|i| {
            let (from, to) = (
                i.saturating_sub(SUPPORT_HALF),
                (i + SUPPORT_HALF + 1).min(n),
            );
            let (a, b) = (sums[from], sums[to]);
            let strong_here = (b.0 - a.0).max(1);
            let share = strong_here as f32 / (b.1 - a.1).max(1) as f32;
            let off_mm = ((b.2 - a.2) / f64::from(strong_here)).sqrt();
            let run = i.saturating_sub(RUN_END)..(i + RUN_END + 1).min(n);
            let stands_out = share >= SUPPORT_SHARE && strong[run].iter().all(|s| *s);
            let is_near = off_mm <= farthest_mm;
            near += usize::from(stands_out && is_near);
            far += usize::from(stands_out && !is_near);
            (stands_out, is_near)
        })
        .collect();
    // Where so much of the line lies off, it is the fit that does.
    let fit_is_off = far as f64 > FIT_IS_OFF * (near + far) as f64;
    judged
        .into_iter()
        .map(|(stands_out, is_near)| stands_out && (is_near || fit_is_off))
        .collect()
}

/// The whole curve of a row in a photo, sample by sample, repeat after repeat.
pub(super) fn samples(
    job: &Job,
    state: &State,
    view: &PreparedView,
    luma: &GrayImage,
    design: &[DesignPoint],
    row: usize,
    papers: &[[Point2; 4]],
) -> Vec<StripSample> {
    let (w, h) = (f64::from(luma.width()), f64::from(luma.height()));
    let place = &state.rows[row];
    let repeat = job.design.repeat_mm;
    let inside = |px: Point2| px.x > 1.0 && px.y > 1.0 && px.x < w - 1.0 && px.y < h - 1.0;
    // Repeats of which any part may be in view, by their middles and ends.
    let in_view = |k: i64| {
        design.iter().step_by(20).any(|d| {
            let along = k as f64 * repeat + d.position.x;
            view.photo_from_quilt(place.on_quilt(along, d.position.y, &state.stretch))
                .is_some_and(inside)
        })
    };
    let reach = (3200.0 / repeat) as i64;
    let about = view
        .quilt_from_photo(Point2::new(w / 2.0, h / 2.0))
        .map_or(0, |m| ((m.x - place.shift) / repeat).floor() as i64);
    let repeats: Vec<i64> = (about - reach..=about + reach)
        .filter(|k| in_view(*k))
        .collect();
    let (Some(first), Some(last)) = (repeats.first(), repeats.last()) else {
        return Vec::new();
    };
    // Where the line is not known it must not be smoothed into what is.
    let beside_break: Vec<bool> = (0..design.len())
        .map(|i| {
            design[i..(i + BREAK_SAMPLES).min(design.len())]
                .iter()
                .any(|d| d.is_last)
        })
        .collect();
    let mut samples = Vec::new();
    for k in *first..=*last {
        for (d, beside_break) in design.iter().zip(&beside_break) {
            let along = k as f64 * repeat + d.position.x;
            let across = d.position.y;
            let on_quilt = place.on_quilt(along, across, &state.stretch);
            let slope = place.slope + 2.0 * place.bow * on_quilt.x;
            let tangent = Vector2::new(
                d.tangent.x * (1.0 + state.stretch.x),
                d.tangent.y * (1.0 + state.stretch.y) + slope * d.tangent.x,
            )
            .normalize();
            let normal = Vector2::new(-tangent.y, tangent.x);
            let projected = (|| {
                let px = view.photo_from_quilt(on_quilt)?;
                let per_mm = view.photo_per_mm(on_quilt, normal)?;
                let along_px = view.photo_per_mm(on_quilt, tangent)?;
                let normal_px = Vector2::new(-along_px.y, along_px.x).try_normalize(1e-9)?;
                Some((px, per_mm, normal_px))
            })();
            let sample = match projected {
                Some((px, per_mm, normal_px)) => {
                    let ends = [px + per_mm * REACH_MM, px - per_mm * REACH_MM];
                    let under = |p: Point2| papers.iter().any(|paper| covers(paper, p));
                    let free = ends.iter().all(|p| inside(*p)) && !under(on_quilt) && !beside_break;
                    let beside = [-REACH_MM, REACH_MM].map(|by| under(on_quilt + normal * by));
                    StripSample {
                        along_mm: along,
                        across_mm: across,
                        on_quilt,
                        normal_on_quilt: normal,
                        px,
                        per_mm,
                        normal_px,
                        visible: free,
                        beside_card: beside[0] || beside[1],
                    }
                }
                None => StripSample {
                    along_mm: along,
                    across_mm: across,
                    on_quilt,
                    normal_on_quilt: normal,
                    px: Point2::origin(),
                    per_mm: Vector2::zeros(),
                    normal_px: Vector2::zeros(),
                    visible: false,
                    beside_card: false,
                },
            };
            samples.push(sample);
        }
    }
    samples
}

/// A level run in one photo, as strong as `strength` says, dark on a mid-grey cloth.
#[cfg(test)]
pub(super) fn test_points(samples: usize, strength: impl Fn(usize) -> f32) -> Vec<TracePoint> {
    let point = |i: usize| {
        let strength = strength(i);
        TracePoint {
            photo: 0,
            along_mm: i as f64,
            across_mm: 0.0,
            in_photo_px: Point2::origin(),
            normal_px: Vector2::y(),
            px_per_mm: 2.0,
            on_quilt: Point2::new(i as f64, 0.0),
            normal: Vector2::y(),
            deviation_mm: 0.0,
            strength,
            bend: -2.0 * strength,
            cloth: 120.0,
            beside_card: false,
            found: strength > FOUND_STRENGTH,
        }
    };
    (0..samples).map(point).collect()
}

//! A row's stitched line, traced in the photos at full size along the whole curve.

use super::measure::Job;
use super::straight::{Side, Traced, drop_outermost, goes_straight_on};
use super::told::{Followed, Stray, Told, supported};
use crate::design::DesignPoint;
use crate::geometry::{Point2, Vector2};
use crate::line::map::covers;
use crate::line::strip::{ARC_STEP_MM, LinePoint, Shown, Strip, StripSample};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{LineObservation, State};
use image::GrayImage;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// How far to both sides of the fitted design the line is looked for, mm.
pub(super) const REACH_MM: f64 = 6.0;
/// Share of what is found in good places below which something hides the row: by the design's height, and along the row.
const LEAST_OF_PLAIN: [f64; 2] = [0.7, 0.5];
/// The same for faint lines, of which more or less is found by chance; a rail's edge counts no more than a thread there.
const LEAST_OF_FAINT: [f64; 2] = [0.35, 0.25];
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
    /// Whether the line was followed as a faint one: a place without it means nothing.
    pub is_faint: bool,
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

    /// What each photo shows of it: sample by sample along the curve, from the start of a repeat.
    pub(super) fn by_photo(&self) -> impl Iterator<Item = &[TracePoint]> {
        self.points.chunk_by(|a, b| a.photo == b.photo)
    }

    /// Takes back what was found at heights of the design, or stretches along the row, of which most was
    /// not: there a rail lies over the row, or the quilt has ended, and what answers is their edges. `least` as
    /// [`LEAST_OF_PLAIN`].
    fn drop_what_hides(&mut self, least: [f64; 2]) {
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
            least[usize::from(kind)] * *all.select_nth_unstable_by(at, f64::total_cmp).1
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
        self.found_of_visible().0 as f64 * ARC_STEP_MM
    }

    /// Observations of the joint problem, with `u_px` standing for `u_mm` on the quilt.
    pub fn observations(
        &self,
        row: usize,
        u_mm: f64,
        samples: usize,
        repeat_mm: f64,
    ) -> Vec<(usize, LineObservation)> {
        self.by_photo()
            .flat_map(|photo| {
                let repeat = repeat_at_start(photo, repeat_mm);
                let start_mm = repeat as f64 * samples as f64 * ARC_STEP_MM;
                let chunks = photo.chunks_exact(OBSERVE_EVERY).enumerate();
                chunks.map(move |(i, chunk)| (start_mm, i, chunk))
            })
            .filter(|(_, _, chunk)| chunk.iter().all(|p| p.found))
            .map(|(start_mm, i, chunk)| {
                let n = chunk.len() as f64;
                let at = i * OBSERVE_EVERY + OBSERVE_EVERY / 2;
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
                    arc_mm: start_mm + at as f64 * ARC_STEP_MM,
                    normal_on_quilt: middle.normal,
                    phase: (at % samples) as f64 / samples as f64,
                    px_per_mm: middle.px_per_mm,
                };
                (middle.photo, observation)
            })
            .collect()
    }
}

/// Number of the repeat with which what a photo shows of a row starts.
pub(super) fn repeat_at_start(photo: &[TracePoint], repeat_mm: f64) -> i64 {
    (photo[0].along_mm / repeat_mm + 1e-6).floor() as i64
}

/// What passes over the rows have learned of each photo.
#[derive(Debug, Clone, Default)]
pub struct Learned {
    /// Lines are grooves lit from the side.
    by_groove: bool,
    /// By photo.
    told: Vec<Option<Told>>,
    /// Photos whose lines are told by their bend, or by the look it showed: that holds for the passes that follow.
    settled: BTreeSet<usize>,
    /// Photos, and sides of all rows, on which a rail or a seam was taken for the outermost strokes.
    rails: BTreeSet<(usize, Side)>,
    passes: usize,
}

impl Learned {
    /// Nothing yet, but that lines are to be told as grooves lit from the side.
    pub(super) fn by_groove() -> Learned {
        Learned {
            by_groove: true,
            ..Learned::default()
        }
    }

    /// Evidence in a strip of a photo, by what tells the line best there; `None` where nothing was learned.
    pub(super) fn evidence(&self, photo: usize, strip: &Strip) -> Option<Vec<f32>> {
        let told = self.told.get(photo)?.as_ref()?;
        Some(told.evidence(strip))
    }
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
        let is_settled = learned.settled.contains(&photo);
        let mut followed = match &learned.told[photo] {
            Some(told) if is_settled => by(told.clone()),
            // What is faint from afar may be plain once the design fits.
            _ if learned.by_groove => by(Told::Slope),
            Some(Told::Bend { wall_mm, .. }) => Followed::anew(&strips, strays, *wall_mm),
            _ => Followed::anew(&strips, strays, Vector2::zeros()),
        };
        let is_plain = is_settled || matches!(followed.told, Told::Bend { .. } | Told::Slope);
        let has_look = matches!(followed.told, Told::Look(_));
        // Settled for the bend, no look is asked for.
        if is_plain
            && (has_look || !is_settled)
            && let Some(look) = followed.look(&strips)
        {
            if is_settled {
                followed.told = Told::Look(look);
            } else {
                let by_look = by(Told::Look(look));
                if by_look.strength > followed.strength {
                    followed = by_look;
                }
            }
        }
        if is_plain {
            learned.settled.insert(photo);
        }
        if followed.learn_walls(&strips, strays) {
            // From their middles the look may be another one.
            learned.settled.remove(&photo);
        }
        let Followed { told, lines, .. } = followed;
        for (((trace, strip), line), stray) in
            traces.iter_mut().zip(&strips).zip(&lines).zip(strays)
        {
            let found = supported(line, stray.farthest_mm);
            let shown = strip.shown(line);
            trace
                .points
                .extend(points(photo, strip, line, &shown, &found, told.is_faint()));
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
    let least = match learned.told.iter().flatten().any(Told::is_faint) {
        true => LEAST_OF_FAINT,
        false => LEAST_OF_PLAIN,
    };
    for trace in &mut traces {
        trace.drop_what_hides(least);
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
    is_faint: bool,
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
            is_faint,
            found: *found,
        },
    )
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
            is_faint: false,
            found: strength > super::told::FOUND_STRENGTH,
        }
    };
    (0..samples).map(point).collect()
}

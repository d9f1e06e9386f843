//! A row's stitched line, traced in the photos at full size along the whole curve.

use super::groove;
use super::measure::Job;
use super::spread::robust_spread;
use super::straight::{Side, Traced, drop_outermost, goes_straight_on};
use crate::design::DesignPoint;
use crate::geometry::{Point2, Vector2};
use crate::line::map::covers;
use crate::line::strip::{
    ARC_STEP_MM, Freedom, LINE_SIGMAS_MM, LinePoint, Look, Shown, Strip, StripSample,
};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{LineObservation, State};
use image::GrayImage;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// How far to both sides of the fitted design the line is looked for, mm.
pub(super) const REACH_MM: f64 = 6.0;
/// Strength from which the line is taken for found; a path through nothing mostly stays below it.
pub(super) const FOUND_STRENGTH: f32 = 6.0;
/// By how much strengths are larger for a plain line than for a faint one, by the thread, whose evidence is clipped, and by its
/// look: along rows that are not there no more than one place in twelve is then found (practice photos with another design).
const THREAD_STRENGTH: f32 = 2.0;
const FAINT_LOOK_STRENGTH: f32 = 1.5;
/// How far a faint line strays as a rule at least, mm: what is found of it is what strays least.
const FAINT_STRAY_MM: f64 = 2.0;
/// Half length of the window in which most of the line has to be found before any of it counts, samples.
const SUPPORT_HALF: usize = 30;
/// Share of the window.
const SUPPORT_SHARE: f32 = 0.6;
/// Samples at each end of a found run that may still be led astray by what ends it.
const RUN_END: usize = 6;
/// Share of the line that stands out, but not near the fitted design, from which the fit is not there yet.
const FIT_IS_OFF: f64 = 0.3;
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

/// By what the line is told in a photo.
#[derive(Debug, Clone)]
pub(super) enum Told {
    /// By its bend across at a scale, mm; light lines lie so far from the middle of their grooves on the quilt, mm, and dark ones
    /// to the other side (see [`super::groove`]).
    Bend { sigma_mm: f64, wall_mm: Vector2 },
    /// By its slope across: a groove lit from the side.
    Slope,
    /// By the thread alone, see [`Strip::threads`].
    Thread,
    /// By its own look, learned from what was traced.
    Look(Box<Look>),
    /// By its own look, learned where the thread alone tells it, and as a faint line: the thread says best whether there is a
    /// line, its look says where. A groove's lit and shaded walls are threads too.
    FaintLook(Box<Look>),
}

impl Told {
    pub(super) fn evidence(&self, strip: &Strip) -> Vec<f32> {
        strip.evidence(&match self {
            Told::Bend { sigma_mm, .. } => strip.bends(*sigma_mm),
            Told::Slope => strip.slopes(),
            Told::Thread => strip.threads(),
            Told::Look(look) | Told::FaintLook(look) => strip.likeness(look),
        })
    }

    /// The line in a strip, its strength such that [`FOUND_STRENGTH`] means as much whatever it is told by.
    pub(super) fn line(&self, strip: &Strip, expected_mm: f64) -> Vec<LinePoint> {
        let evidence = self.evidence(strip);
        let strength = match self {
            Told::Thread => THREAD_STRENGTH,
            Told::FaintLook(_) => FAINT_LOOK_STRENGTH,
            Told::Slope | Told::Look(_) => {
                return strip.line(&evidence, expected_mm, Freedom::PLAIN);
            }
            Told::Bend { wall_mm, .. } => {
                let mut line = strip.line(&evidence, expected_mm, Freedom::PLAIN);
                for (point, sample) in line.iter_mut().zip(&strip.samples) {
                    let light_off_mm = sample.normal_on_quilt.dot(wall_mm) as f32;
                    point.across_mm -= point.evidence.signum() * light_off_mm;
                }
                return line;
            }
        };
        let expected_mm = expected_mm.max(FAINT_STRAY_MM);
        let mut line = strip.line(&evidence, expected_mm, Freedom::FAINT);
        for point in &mut line {
            point.strength *= strength;
        }
        line
    }

    /// Whether the line is followed as a faint one.
    fn is_faint(&self) -> bool {
        matches!(self, Told::Thread | Told::FaintLook(_))
    }
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

/// Share of the lines in view from which on they are found well enough; below, the thread alone is tried.
const MOSTLY_FOUND: f64 = 0.6;
/// Strength of the best quarter of a line from which on it is plain where it is seen, however much of it is hidden.
const PLAIN_STRENGTH: f32 = 3.0 * FOUND_STRENGTH;
/// Spread about the fitted design up to which what is found counts in full, mm; chance scatters over all that is in reach.
const STEADY_MM: f64 = 0.5;
/// How much of what the thread finds its look has to find to be taken.
const LOOK_FINDS: f64 = 0.7;

/// How far walls lie from the middle of their groove from which they are no chance, mm.
const WALL_MM: f64 = 0.25;

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

    /// By the bend at the scale at which it is strongest; where that loses most of the lines and the thread alone shows more, by
    /// that or by the look that it shows.
    fn anew(strips: &[Strip], strays: &[Stray], wall_mm: Vector2) -> Followed {
        let by_bend = |sigma_mm: &f64| {
            let sigma_mm = *sigma_mm;
            Followed::by(Told::Bend { sigma_mm, wall_mm }, strips, strays)
        };
        let mut best = by_bend(&LINE_SIGMAS_MM[0]);
        for other in LINE_SIGMAS_MM[1..].iter().map(by_bend) {
            if other.strength > best.strength {
                best = other;
            }
        }
        if best.are_mostly_found(strays) || best.strength >= PLAIN_STRENGTH {
            return best;
        }
        let by_thread = Followed::by(Told::Thread, strips, strays);
        let thread_worth = by_thread.worth(strays);
        if thread_worth <= best.worth(strays) {
            return best;
        }
        let Some(look) = by_thread.look(strips) else {
            return by_thread;
        };
        let by_look = Followed::by(Told::Look(look.clone()), strips, strays);
        if by_look.are_mostly_found(strays) || by_look.worth(strays) > thread_worth {
            return by_look;
        }
        let by_faint_look = Followed::by(Told::FaintLook(look), strips, strays);
        match by_faint_look.worth(strays) > LOOK_FINDS * thread_worth {
            true => by_faint_look,
            false => by_thread,
        }
    }

    /// Samples of each row on which its line is found, with their numbers.
    fn found_by_row(
        &self,
        strays: &[Stray],
    ) -> impl Iterator<Item = impl Iterator<Item = (usize, &LinePoint)>> {
        self.lines.iter().zip(strays).map(|(line, stray)| {
            let found = supported(line, stray.farthest_mm);
            let samples = line.iter().enumerate().zip(found);
            samples.filter_map(|(sample, found)| found.then_some(sample))
        })
    }

    /// Places on which the lines are found.
    fn found(&self, strays: &[Stray]) -> impl Iterator<Item = &LinePoint> {
        self.found_by_row(strays).flatten().map(|(_, point)| point)
    }

    /// How much is found, less where it scatters as chance does, samples.
    fn worth(&self, strays: &[Stray]) -> f64 {
        let across_mm: Vec<f64> = self.found(strays).map(|p| f64::from(p.across_mm)).collect();
        across_mm.len() as f64 / robust_spread(&across_mm).max(STEADY_MM)
    }

    /// Whether the lines are found on most of what is visible of them.
    fn are_mostly_found(&self, strays: &[Stray]) -> bool {
        let visible = self.lines.iter().flatten().filter(|p| !p.strength.is_nan());
        self.found(strays).count() as f64 >= MOSTLY_FOUND * visible.count() as f64
    }

    /// Their own look, where it can be learned.
    fn look(&self, strips: &[Strip]) -> Option<Box<Look>> {
        let lines = self.lines.iter().map(Vec::as_slice);
        let pairs: Vec<(&Strip, &[LinePoint])> = strips.iter().zip(lines).collect();
        let is_groove = match &self.told {
            Told::Look(look) | Told::FaintLook(look) => look.is_groove(),
            _ => false,
        };
        Look::learn(&pairs, FOUND_STRENGTH, is_groove).map(Box::new)
    }

    /// Learns how far the walls of lit grooves that were followed lie from their middles; whether that is new.
    fn learn_walls(&mut self, strips: &[Strip], strays: &[Stray]) -> bool {
        let Told::Bend { sigma_mm, wall_mm } = self.told else {
            return false;
        };
        let mut places = Vec::new();
        for (row, (found, strip)) in self.found_by_row(strays).zip(strips).enumerate() {
            let followed = found.step_by(OBSERVE_EVERY);
            places.extend(followed.map(|(i, point)| groove::Place {
                row,
                normal: strip.samples[i].normal_on_quilt,
                off_mm: f64::from(point.across_mm),
                is_light: point.evidence > 0.0,
            }));
        }
        // Walls of one kind alone were none.
        let farther_mm = groove::light_wall_mm(&places).unwrap_or(-wall_mm);
        let is_new = farther_mm.norm() > WALL_MM;
        if is_new {
            let wall_mm = wall_mm + farther_mm;
            self.told = Told::Bend { sigma_mm, wall_mm };
        }
        is_new
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
            is_faint: false,
            found: strength > FOUND_STRENGTH,
        }
    };
    (0..samples).map(point).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::Seeded;
    use image::Luma;

    /// Cloth of noise, 10 grey levels, at half a millimetre a pixel, with a thread of one pixel that strays as a hand does.
    fn strip(thread_levels: f64, seed: u64) -> Strip {
        let mut rng = Seeded::new(seed);
        let (length_px, middle_px) = (2400, 40.0);
        let strays_px =
            |x: u32| 1.6 * (std::f64::consts::TAU * f64::from(x) / 300.0).sin() + middle_px;
        let luma = GrayImage::from_fn(length_px, 80, |x, y| {
            let off = f64::from(y) + 0.5 - strays_px(x);
            let thread = thread_levels * (1.0 - off.abs()).max(0.0);
            Luma([(120.0 + 10.0 * rng.normal() + thread).round() as u8])
        });
        let sample = |i: u32| StripSample {
            along_mm: f64::from(i),
            across_mm: 0.0,
            on_quilt: Point2::new(f64::from(i), 0.0),
            normal_on_quilt: Vector2::y(),
            px: Point2::new(2.0 * f64::from(i) + 10.0, middle_px),
            per_mm: Vector2::new(0.0, 2.0),
            normal_px: Vector2::y(),
            visible: true,
            beside_card: false,
        };
        let samples = (0..length_px / 2 - 10).map(sample).collect();
        Strip::new(&luma, samples, REACH_MM)
    }

    /// Share of the line that is found within half a millimetre of where it is.
    fn share(told: Told, strip: &Strip) -> f64 {
        let line = told.line(strip, 2.0);
        let found = supported(&line, REACH_MM);
        let right = line
            .iter()
            .zip(&found)
            .zip(0u32..)
            .filter(|((p, found), i)| {
                let place = 0.8 * (std::f64::consts::TAU * f64::from(2 * i + 10) / 300.0).sin();
                **found && (f64::from(p.across_mm) - place).abs() < 0.5
            });
        right.count() as f64 / line.len() as f64
    }

    #[test]
    fn a_faint_line_is_followed_by_its_thread_and_noise_is_not() {
        for seed in 0..4 {
            let faint = strip(9.0, seed);
            assert!(share(Told::Thread, &faint) > 0.8, "{seed}");
            let bend = Told::Bend {
                sigma_mm: 0.6,
                wall_mm: Vector2::zeros(),
            };
            // What the plain line's freedom makes of it.
            assert!(share(bend, &faint) < 0.2, "{seed}");
            assert!(share(Told::Thread, &strip(0.0, seed)) < 0.1, "{seed}");
        }
    }
}

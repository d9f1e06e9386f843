//! Measures rows: from cards and pictures to every row's place on the quilt, with its uncertainty.

use super::astray::{Astray, astray};
use super::habit::Habit;
use super::register::{Mapped, place_stretches};
use super::relaxed;
use super::search::{self, EXPECTED_SCORE, Found, Frame, SURE_SCORE, Wanted};
use super::spread::{inflation, robust_spread};
use super::trace::{Learned, OBSERVE_EVERY, RowTrace, Stray, trace_rows};
use crate::card::CardInPhoto;
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use crate::design::Design;
use crate::geometry::Point2;
use crate::line::map::{CELL_MM, LineMap, MapPhoto, half_size, seen_region};
use crate::line::strip::ARC_STEP_MM;
use crate::plane::camera::PreparedView;
use crate::plane::camera::Surface;
use crate::plane::joint::{
    CameraPrior, Joint, LineObservation, PhotoObservations, Prior, Priors, RowPlace, State, Stretch,
};
use crate::plane::start::{PhotoCards, StartError, card_list, from_cards};
use crate::solve::levenberg_marquardt::{Loss, SolveError};
use image::GrayImage;
use nalgebra::DMatrix;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::{FRAC_PI_2, PI};
use std::sync::Arc;

/// One photo to be measured.
#[derive(Debug, Clone)]
pub struct PhotoView<'a> {
    /// Luma, upright.
    pub luma: &'a GrayImage,
    /// Cards found in it.
    pub cards: &'a [CardInPhoto],
    /// What is known of its camera.
    pub camera: CameraPrior,
}

/// What to measure.
#[derive(Debug, Clone, Copy)]
pub struct Job<'a> {
    /// Photos of the same stretch of quilt, linked by shared cards.
    pub photos: &'a [PhotoView<'a>],
    /// One repeat of the design.
    pub design: &'a Design,
    /// Planned distance of neighbouring rows, mm.
    pub spacing_mm: f64,
    /// Planned stagger, fraction of the repeat.
    pub stagger: f64,
    /// What a ruler reads on the printed check bar, mm.
    pub card_bar_mm: f64,
    /// What is known of cards, quilt and design.
    pub priors: Priors,
    /// The quilt lies finished off the frame, all these rows of it in any direction, shrunk, on hills.
    pub relaxed: Option<u32>,
}

impl Job<'_> {
    /// The design as it lies on the quilt.
    fn design_on_quilt(&self, state: &State) -> Cow<'_, Design> {
        match self.relaxed {
            Some(_) => Cow::Owned(relaxed::stretched(
                self.design,
                state.stretch.x,
                state.stretch.y,
            )),
            None => Cow::Borrowed(self.design),
        }
    }
}

/// Why nothing was measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CannotMeasure {
    /// The cards give no plane.
    #[error(transparent)]
    Cards(#[from] StartError),
    /// The plane cannot be solved.
    #[error("the cards do not settle where the quilt lies ({0})")]
    Plane(#[from] SolveError),
    /// The photo does not show the quilt.
    #[error("the photo shows too little of the quilt beside the card")]
    NoView,
    /// No row stands out.
    #[error("no row of the design stands out in the photo")]
    NoRow,
    /// Without a design: no two rows that are alike.
    #[error("no two rows that are stitched alike stand out in the photo")]
    NoTwoRows,
    /// Without a design: something else repeats where rows would.
    #[error(
        "the fabric's own pattern repeats in the photo, so that rows cannot be told from it without a design"
    )]
    PatternRepeats,
    /// The rows of a finished quilt do not stand out.
    #[error(
        "the rows of the design do not stand out well enough in the photos to tell where they are"
    )]
    NoQuilt,
}

/// A row as measured.
#[derive(Debug, Clone)]
pub struct RowMeasured {
    /// How many rows below the topmost one found; a hole where one is too faint.
    pub index: i32,
    /// Match of the whole row, in robust standard deviations.
    pub score: f64,
    /// Its line, along the row.
    pub trace: RowTrace,
    /// RMS of the line about the fitted design, mm.
    pub wobble_mm: f64,
    /// By how much residuals hang together: the variance of a mean is this many times that of as many
    /// independent ones.
    pub inflation: f64,
    /// Where it was stitched off the design.
    pub astray: Vec<Astray>,
}

/// Everything measured.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Estimates; rows as in `rows`.
    pub state: State,
    /// Covariance of all parameters.
    pub covariance: DMatrix<f64>,
    /// The problem that was solved, for what each uncertainty rests on.
    pub problem: Joint,
    /// View of each photo.
    pub views: Vec<PreparedView>,
    /// Cards in the order of the state.
    pub cards: Vec<CardId>,
    /// Rows, top to bottom.
    pub rows: Vec<RowMeasured>,
    /// Best match at the place below the last row.
    pub next_score: Option<f64>,
    /// Best match of a curve that was not stitched.
    pub decoy_score: f64,
    /// A row below the last one that was found but could not be followed: the share of the longest
    /// row's length that was.
    pub dropped_below: Option<f64>,
    /// True length of what is one millimetre on the card's drawing.
    pub card_scale: f64,
}

/// Share of the longest row's found length below which a row has no trustworthy place.
const LEAST_SHARE: f64 = 0.4;

/// Scale from which a photo is mapped at full size, mm/px: half of it would be coarser than the map's cells.
const COARSE_MM_PER_PX: f64 = 0.45;

/// Scale in the picture's middle, mm/px.
fn mm_per_px(view: &PreparedView, luma: &GrayImage) -> f64 {
    let (w, h) = (f64::from(luma.width()), f64::from(luma.height()));
    let middle = view.quilt_from_photo(Point2::new(w / 2.0, h / 2.0));
    let along = middle.and_then(|p| view.photo_per_mm(p, nalgebra::Vector2::x()));
    along.map_or(0.0, |px| 1.0 / px.norm())
}

/// Outline of the paper a card is printed on, on the quilt, mm.
pub(crate) fn paper(card: CardId, state: &State, index: usize, bar_mm: f64) -> [Point2; 4] {
    let (w, h) = card.paper_half_mm();
    let scale = bar_mm / CHECK_BAR_MM;
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(i, j)| {
        let p = state.cards[index].in_space(Point2::new(i * w, j * h) * scale, &state.surface);
        Point2::new(p.x, p.y)
    })
}

/// Measures the rows in the photos.
///
/// # Errors
///
/// [`CannotMeasure`] when the cards give no plane or no row stands out.
pub fn measure(job: &Job) -> Result<Measured, CannotMeasure> {
    follow(job, find_rows(job)?)
}

/// Cameras, cards and rows found, before the line itself is followed.
#[derive(Debug, Clone)]
pub(super) struct Rough {
    /// Where everything lies about; its line observations are replaced.
    pub(super) joint: Joint,
    /// Cards in the order of the state.
    pub(super) cards: Vec<CardId>,
    /// The rows of the state, top to bottom.
    pub(super) rows: Vec<RoughRow>,
    /// As [`Measured::next_score`].
    pub(super) next_score: Option<f64>,
    /// As [`Measured::decoy_score`].
    pub(super) decoy_score: f64,
}

/// What the search says of a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct RoughRow {
    /// As [`RowMeasured::index`], from any row.
    pub(super) index: i32,
    /// As [`RowMeasured::score`].
    pub(super) score: f64,
}

/// Cards, cameras and the map of line evidence, before any row is known.
pub(super) struct LaidOut {
    /// Cards and cameras; no rows yet.
    pub(super) joint: Joint,
    /// Cards in the order of the state.
    pub(super) cards: Vec<CardId>,
    /// The map, in the frame of the first card.
    pub(super) map: LineMap,
    /// View of each photo under which the map was made.
    views: Vec<PreparedView>,
    /// Size of each photo, px.
    sizes: Vec<(u32, u32)>,
}

impl LaidOut {
    /// Middles of the cards, mm.
    pub(super) fn card_middles(&self) -> Vec<Point2> {
        let cards = self.joint.start.cards.iter();
        cards.map(|card| Point2::new(card.x, card.s)).collect()
    }
}

/// Lays the photos out by their cards and maps them; the job's design is not looked at.
pub(super) fn lay_out(job: &Job) -> Result<LaidOut, CannotMeasure> {
    let photo_cards: Vec<PhotoCards> = job
        .photos
        .iter()
        .enumerate()
        .map(|(i, p)| PhotoCards {
            camera: i,
            cards: p.cards.to_vec(),
        })
        .collect();
    let cameras: Vec<CameraPrior> = job.photos.iter().map(|p| p.camera).collect();
    let cards = card_list(&photo_cards);
    let (start, photos) = from_cards(&photo_cards, &cameras, &job.priors, job.card_bar_mm)?;
    let mut joint = Joint {
        cameras,
        photos,
        priors: match job.relaxed {
            Some(_) => relaxed::priors_without_hills(),
            None => job.priors,
        },
        start,
        line_loss: Loss::Cauchy(2.0),
    };
    let solved = joint.solve()?;
    joint.start = solved.state;

    // The map, in the frame of the first card.
    let sizes: Vec<(u32, u32)> = job.photos.iter().map(|p| p.luma.dimensions()).collect();
    let views: Vec<PreparedView> = (0..job.photos.len())
        .map(|i| joint.start.view(i, i))
        .collect();
    // A whole quilt is seen from afar, where half size would be too coarse.
    let halves: Vec<Option<GrayImage>> = job
        .photos
        .iter()
        .zip(&views)
        .map(|(p, view)| {
            let coarse = job.relaxed.is_some() && mm_per_px(view, p.luma) > COARSE_MM_PER_PX;
            (!coarse).then(|| half_size(p.luma))
        })
        .collect();
    let papers: Vec<[Point2; 4]> = cards
        .iter()
        .enumerate()
        .map(|(i, card)| paper(*card, &joint.start, i, job.card_bar_mm))
        .collect();
    let region = views
        .iter()
        .zip(&sizes)
        .filter_map(|(view, (w, h))| seen_region(view, *w, *h))
        .reduce(|a, b| crate::line::map::Region {
            min: Point2::new(a.min.x.min(b.min.x), a.min.y.min(b.min.y)),
            max: Point2::new(a.max.x.max(b.max.x), a.max.y.max(b.max.y)),
        })
        .ok_or(CannotMeasure::NoView)?;
    let map_photos: Vec<MapPhoto> = halves
        .iter()
        .zip(job.photos)
        .zip(&views)
        .map(|((half, photo), view)| MapPhoto {
            luma: half.as_ref().unwrap_or(photo.luma),
            shrunk: if half.is_some() { 2 } else { 1 },
            view: view.clone(),
            cards: papers.clone(),
        })
        .collect();
    let map = LineMap::new(&map_photos, region);
    Ok(LaidOut {
        joint,
        cards,
        map,
        views,
        sizes,
    })
}

fn find_rows(job: &Job) -> Result<Rough, CannotMeasure> {
    let laid_out = lay_out(job)?;
    let middles = laid_out.card_middles();
    let LaidOut {
        mut joint,
        cards,
        map,
        views,
        sizes,
    } = laid_out;
    let mapped = Mapped {
        map: &map,
        views: &views,
        sizes: &sizes,
    };

    // Rows as wholes.
    let wanted = Wanted {
        design: job.design,
        spacing_mm: job.spacing_mm,
        stagger: job.stagger,
        cards: &middles,
        all_rows: job.relaxed,
    };
    let found = match job.relaxed {
        Some(_) => {
            let found = relaxed::find(&map, &wanted, &joint.start.cards);
            let found = found.ok_or(CannotMeasure::NoQuilt)?;
            joint.start.stretch = Stretch {
                x: found.shrinkage,
                y: found.shrinkage,
            };
            found.found
        }
        None => find(&map, &wanted).ok_or(CannotMeasure::NoRow)?,
    };
    joint.start = joint.start.turned(found.angle);
    let sure = found.rows.iter().map(|r| r.score).fold(0.0, f64::max) * 0.4;
    joint.start.rows = found
        .rows
        .iter()
        .filter(|row| row.score >= sure.max(wanted.expected_score()))
        .map(row_place)
        .collect();
    let mut turned = found.angle;

    // Onto their stitching, stretch by stretch.
    let coarse = job.design.sample(4.0);
    for reach_mm in [14.0, 10.0, 8.0] {
        let rows: Vec<usize> = (0..joint.start.rows.len()).collect();
        let lines = place_stretches(
            &mapped,
            &joint.start,
            &coarse,
            job.design.repeat_mm,
            &rows,
            reach_mm,
        );
        for (photo, lines) in joint.photos.iter_mut().zip(lines) {
            photo.lines = lines;
        }
        joint.start = joint.solve_roughly()?.state;
    }
    turned += straighten(&mut joint.start);
    if job.relaxed.is_some() {
        let relief = relaxed::level_relief(&joint, job.spacing_mm);
        joint.start.surface = Surface {
            relief: Some(Arc::new(relief)),
            ..joint.start.surface
        };
        joint.priors = job.priors;
        joint.start = joint.solve_roughly()?.state;
    }

    // Once more as wholes, now that the plane is known: faint rows show, ghosts fall behind.
    let frame = placed(&map, &views, &joint.start, turned);
    let design = job.design_on_quilt(&joint.start);
    let wanted = Wanted {
        design: &design,
        ..wanted
    };
    let again = search::rows_in(&map, &wanted, &frame).ok_or(CannotMeasure::NoRow)?;
    if job
        .relaxed
        .is_some_and(|planned| !relaxed::stand_out(&again, planned))
    {
        return Err(CannotMeasure::NoQuilt);
    }
    let share = if job.relaxed.is_some() { 0.0 } else { 0.25 };
    let sure = again.rows.iter().map(|r| r.score).fold(0.0, f64::max) * share;
    let kept: Vec<search::FoundRow> = again
        .rows
        .iter()
        .copied()
        .filter(|row| row.score >= sure.max(wanted.expected_score()))
        .collect();
    let mean_bow = mean(joint.start.rows.iter().map(|r| r.bow));
    joint.start.rows = kept
        .iter()
        .map(|row| RowPlace {
            bow: mean_bow,
            ..row_place(row)
        })
        .collect();
    let all: Vec<usize> = (0..joint.start.rows.len()).collect();
    let lines = place_stretches(
        &mapped,
        &joint.start,
        &coarse,
        job.design.repeat_mm,
        &all,
        6.0,
    );
    for (photo, lines) in joint.photos.iter_mut().zip(lines) {
        photo.lines = lines;
    }
    joint.start = joint.solve_roughly()?.state;
    let rows = kept
        .iter()
        .map(|row| RoughRow {
            index: row.index,
            score: row.score,
        })
        .collect();
    Ok(Rough {
        joint,
        cards,
        rows,
        next_score: again.next_score,
        decoy_score: again.decoy_score,
    })
}

/// Row, and part of its design, a few centimetres wide, on which a place of the line lies.
fn part_of(line: &LineObservation) -> (usize, i64, i64) {
    const PART_MM: f64 = 25.0;
    let part = |mm: f64| (mm / PART_MM).floor() as i64;
    (line.row, part(line.along_mm), part(line.across_mm))
}

/// How many photos show each part of the rows' lines.
fn photos_by_part(photos: &[PhotoObservations]) -> BTreeMap<(usize, i64, i64), u32> {
    let mut shown = BTreeMap::new();
    for photo in photos {
        let parts: BTreeSet<_> = photo.lines.iter().map(part_of).collect();
        for part in parts {
            *shown.entry(part).or_default() += 1;
        }
    }
    shown
}

/// Observations of a stretch of line that is judged as a whole: a hand's breadth.
const STRETCH: usize = 14;
/// How far the middle of a stretch may lie off, in standard deviations of all stretches' and mm at least.
const STRETCH_OFF: f64 = 3.5;
const STRETCH_OFF_MM: f64 = 0.6;

/// How far a place of the line lies off the state, px along its normal; `None` where it cannot be seen.
fn off_px(state: &State, view: &PreparedView, line: &LineObservation) -> Option<f64> {
    let place = state.rows[line.row].on_quilt(line.along_mm, line.across_mm, &state.stretch);
    let px = view.photo_from_quilt(place)?;
    Some(line.normal.dot(&(px - line.in_photo_px)) + state.habit_px(line))
}

/// Leaves out stretches that lie off as wholes: something beside the stitching was followed there, and each of its
/// places by itself lies no farther off than a hand may stray.
fn drop_stray_stretches(joint: &mut Joint) {
    let state = &joint.start;
    let off: Vec<Vec<f64>> = joint
        .photos
        .iter()
        .enumerate()
        .map(|(photo, observations)| {
            let view = state.view(photo, photo);
            let rows = observations.lines.chunk_by(|a, b| a.row == b.row);
            rows.flat_map(|row| row.chunks(STRETCH))
                .map(|stretch| {
                    let mm = stretch.iter().filter_map(|line| {
                        Some(off_px(state, &view, line)? / line.px_per_mm.max(1e-9))
                    });
                    mm.sum::<f64>() / stretch.len() as f64
                })
                .collect()
        })
        .collect();
    let most_mm = (STRETCH_OFF * robust_spread(&off.concat())).max(STRETCH_OFF_MM);
    for (observations, off) in joint.photos.iter_mut().zip(off) {
        let mut off = off.into_iter();
        let rows = observations.lines.chunk_by(|a, b| a.row == b.row);
        let stretches = rows.flat_map(|row| row.chunks(STRETCH));
        observations.lines = stretches
            .filter(|_| off.next().is_some_and(|mm| mm.abs() <= most_mm))
            .flatten()
            .copied()
            .collect();
    }
}

/// Follows the rows' lines at full size and solves everything with them.
pub(super) fn follow(job: &Job, rough: Rough) -> Result<Measured, CannotMeasure> {
    let Rough {
        mut joint,
        cards,
        rows: mut kept,
        next_score,
        decoy_score,
    } = rough;
    let fine = job.design.sample(ARC_STEP_MM);
    let mut traces: Vec<RowTrace> = Vec::new();
    let mut learned = Learned::default();
    let mut scales_mm = vec![2.0f64; kept.len()];
    let passes = [
        (Loss::Huber(2.5), 6.0),
        (Loss::Cauchy(2.5), 3.0),
        (Loss::Tukey(4.5), 2.5),
    ];
    let mut dropped_below = None;
    let mut hand_mm = 2.0;
    for (loss, farthest) in passes {
        let papers: Vec<[Point2; 4]> = cards
            .iter()
            .enumerate()
            .map(|(i, card)| paper(*card, &joint.start, i, job.card_bar_mm))
            .collect();
        let strays: Vec<Stray> = scales_mm
            .iter()
            .map(|scale_mm| Stray {
                expected_mm: (1.5 * scale_mm).max(1.0),
                farthest_mm: farthest * hand_mm,
            })
            .collect();
        traces = trace_rows(job, &joint.start, &fine, &strays, &papers, &mut learned);
        for photo in &mut joint.photos {
            photo.lines.clear();
        }
        for (row, trace) in traces.iter().enumerate() {
            scales_mm[row] = robust_spread(&trace.deviations_mm()).clamp(0.3, 1.5);
            for (photo, line) in trace.observations(row, scales_mm[row], fine.len()) {
                joint.photos[photo].lines.push(line);
            }
        }
        // What the hand does is the same in all rows; the row seen best shows it.
        let longest = traces.iter().map(RowTrace::found_mm).fold(0.0, f64::max);
        hand_mm = traces
            .iter()
            .zip(&scales_mm)
            .filter(|(trace, _)| trace.found_mm() > 0.5 * longest)
            .fold(1.2, |least: f64, (_, scale)| least.min(*scale))
            .max(0.4);
        joint.line_loss = loss;
        joint.start = joint.solve_roughly()?.state;
        // Where all rows are looked for together their places are known; of a row a part will do.
        let least_share = if job.relaxed.is_some() {
            0.12
        } else {
            LEAST_SHARE
        };
        // A row mostly hidden, or a ghost: little of it is found, or it strays as no hand does.
        let good: Vec<bool> = traces
            .iter()
            .zip(&scales_mm)
            .map(|(trace, scale_mm)| {
                trace.found_mm() > least_share * longest && *scale_mm < 1.6 * hand_mm + 0.3
            })
            .collect();
        if farthest < 3.5 && good.iter().any(|g| !g) {
            let keep = |i: usize| good[i];
            let last = good.iter().rposition(|g| *g).unwrap_or(0);
            dropped_below = traces[last + 1..]
                .iter()
                .map(|t| t.found_mm() / longest.max(1.0))
                .reduce(f64::max);
            retain(&mut traces, keep);
            retain(&mut scales_mm, keep);
            retain(&mut kept, keep);
            retain(&mut joint.start.rows, keep);
            let now: Vec<usize> = good
                .iter()
                .scan(0, |n, g| {
                    *n += usize::from(*g);
                    Some(*n)
                })
                .collect();
            for photo in &mut joint.photos {
                photo.lines.retain(|line| good[line.row]);
                for line in &mut photo.lines {
                    line.row = now[line.row] - 1;
                }
            }
            if kept.is_empty() {
                return Err(CannotMeasure::NoRow);
            }
        }
    }
    // Who is an outlier is settled now. What the hand does in the same way in every repeat is no chance: it is solved for.
    // Deviations of a hand hang together over centimetres, so each place counts less than its own spread says.
    let habit = Habit::of(&traces, fine.len());
    let beside_habit: Vec<Vec<f64>> = traces
        .iter()
        .map(|trace| habit.taken_from(trace, fine.len()))
        .collect();
    let inflations: Vec<f64> = beside_habit
        .iter()
        .zip(&scales_mm)
        .map(|(deviations, scale_mm)| {
            let now_mm = robust_spread(deviations).clamp(0.3, 1.5);
            inflation(deviations, OBSERVE_EVERY) * (now_mm / scale_mm).powi(2)
        })
        .collect();
    joint.priors.habit_mm = Prior::new(0.0, habit.u_mm);
    joint.start.habit_mm = habit.values_mm;
    drop_stray_stretches(&mut joint);
    let shown_in = photos_by_part(&joint.photos);
    for (photo, observations) in joint.photos.iter_mut().enumerate() {
        let view = joint.start.view(photo, photo);
        observations.lines.retain_mut(|line| {
            let Some(off_px) = off_px(&joint.start, &view, line) else {
                return false;
            };
            let residual = off_px / line.u_px;
            let weight = joint.line_loss.weight(residual);
            // What the hand did at a place is the same in all photos that show it: together they know no more.
            let photos = f64::from(shown_in[&part_of(line)]);
            line.u_px *= (inflations[line.row] * photos / weight.max(1e-9)).sqrt();
            weight > 0.01
        });
    }
    joint.line_loss = Loss::Squared;
    let solved = joint.solve()?;
    let views: Vec<PreparedView> = (0..job.photos.len())
        .map(|i| solved.state.view(i, i))
        .collect();
    // Finished quilts are seen from too far off.
    let astray = match job.relaxed {
        Some(_) => vec![Vec::new(); traces.len()],
        None => {
            let papers: Vec<[Point2; 4]> = cards
                .iter()
                .enumerate()
                .map(|(i, card)| paper(*card, &solved.state, i, job.card_bar_mm))
                .collect();
            astray(job, &solved.state, &fine, &traces, &learned, &papers)
        }
    };
    let rows = kept
        .iter()
        .zip(traces)
        .zip(astray)
        .enumerate()
        .map(|(i, ((row, trace), astray))| RowMeasured {
            astray,
            ..finish(
                i,
                row.index - kept[0].index,
                row.score,
                trace,
                &solved.state,
                &views,
            )
        })
        .collect();
    Ok(Measured {
        state: solved.state,
        covariance: solved.covariance,
        problem: joint,
        views,
        cards,
        rows,
        next_score,
        decoy_score,
        dropped_below,
        card_scale: job.card_bar_mm / CHECK_BAR_MM,
    })
}

fn retain<T>(values: &mut Vec<T>, keep: impl Fn(usize) -> bool) {
    let mut i = 0;
    values.retain(|_| {
        i += 1;
        keep(i - 1)
    });
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if n > 0.0 { sum / n } else { 0.0 }
}

fn row_place(row: &search::FoundRow) -> RowPlace {
    RowPlace {
        offset: row.across_mm,
        slope: 0.0,
        bow: 0.0,
        shift: row.along_mm,
    }
}

/// Cards mostly lie along the rows; where nothing stands out so, any angle is tried.
fn find(map: &LineMap, wanted: &Wanted) -> Option<Found> {
    let strongest = |found: &Found| found.rows.iter().map(|r| r.score).fold(0.0, f64::max);
    let near = search::search(map, wanted, 0.0, 13f64.to_radians());
    if let Some(found) = &near
        && strongest(found) >= SURE_SCORE.max(1.1 * found.decoy_score.min(12.0))
    {
        return near;
    }
    let upright = search::search(map, wanted, 0.0, FRAC_PI_2);
    let turned = search::search(map, wanted, PI, FRAC_PI_2);
    match (upright, turned) {
        // The card's arrow says which way is up unless the stitching says clearly otherwise.
        (Some(upright), Some(turned)) if strongest(&turned) < 1.08 * strongest(&upright) => {
            Some(upright)
        }
        (upright, None) => upright,
        (_, turned) => turned,
    }
    .filter(|found| strongest(found) >= EXPECTED_SCORE)
}

/// Turns the frame so that the rows' mean slope is nought; by how much.
fn straighten(state: &mut State) -> f64 {
    let angle = mean(state.rows.iter().map(|r| r.slope)).atan();
    *state = with_rows_turned(state, angle);
    angle
}

/// The scene in a frame turned by `angle`, rad, rows and all.
pub(super) fn with_rows_turned(state: &State, angle: f64) -> State {
    let (sin, cos) = angle.sin_cos();
    let rows = state
        .rows
        .iter()
        .map(|row| {
            // The point of the baseline at which a repeat of the design starts, in the new frame.
            let (x, y) = (row.shift, row.y(row.shift));
            let (new_x, new_y) = (cos * x + sin * y, cos * y - sin * x);
            let slope = row.slope - angle.tan();
            RowPlace {
                offset: new_y - slope * new_x - row.bow * new_x * new_x,
                slope,
                bow: row.bow,
                shift: new_x,
            }
        })
        .collect();
    State {
        rows,
        ..state.turned(angle)
    }
}

/// Where the map's cells lie on the quilt as now known.
fn placed(map: &LineMap, old: &[PreparedView], state: &State, angle: f64) -> Frame {
    // Smooth: worked out on a lattice and interpolated between.
    const LATTICE: usize = 8;
    let (lw, lh) = (map.width / LATTICE + 2, map.height / LATTICE + 2);
    let lattice: Vec<(f32, f32)> = (0..lw * lh)
        .map(|i| {
            let place = Point2::new(
                map.origin.x + (i % lw * LATTICE) as f64 * CELL_MM,
                map.origin.y + (i / lw * LATTICE) as f64 * CELL_MM,
            );
            // The photo whose middle is nearest would do best; the differences are small here.
            old.iter()
                .enumerate()
                .find_map(|(photo, view)| {
                    let px = view.photo_from_quilt(place)?;
                    state.view(photo, photo).quilt_from_photo(px)
                })
                .map_or((f32::NAN, f32::NAN), |p| (p.x as f32, p.y as f32))
        })
        .collect();
    let places = (0..map.width * map.height)
        .map(|i| {
            let (x, y) = (i % map.width, i / map.width);
            let (lx, ly) = (x / LATTICE, y / LATTICE);
            let (tx, ty) = (
                (x % LATTICE) as f32 / LATTICE as f32,
                (y % LATTICE) as f32 / LATTICE as f32,
            );
            let at = |i: usize, j: usize| lattice[(ly + j) * lw + lx + i];
            let blend = |f: fn((f32, f32)) -> f32| {
                let top = f(at(0, 0)) + tx * (f(at(1, 0)) - f(at(0, 0)));
                let bottom = f(at(0, 1)) + tx * (f(at(1, 1)) - f(at(0, 1)));
                top + ty * (bottom - top)
            };
            (blend(|p| p.0), blend(|p| p.1))
        })
        .collect();
    let cards = state.cards.iter().map(|card| card.s).collect();
    Frame::Placed {
        places,
        angle,
        cards,
    }
}

/// The row's line held against the design as finally fitted.
fn finish(
    row: usize,
    index: i32,
    score: f64,
    mut trace: RowTrace,
    state: &State,
    views: &[PreparedView],
) -> RowMeasured {
    for p in &mut trace.points {
        p.on_quilt = state.rows[row].on_quilt(p.along_mm, p.across_mm, &state.stretch);
        if let Some(found) = views[p.photo].quilt_from_photo(p.in_photo_px)
            && p.is_visible()
        {
            p.deviation_mm = p.normal.dot(&(found - p.on_quilt));
        }
    }
    let deviations = trace.deviations_mm();
    RowMeasured {
        index,
        score,
        wobble_mm: robust_spread(&deviations),
        inflation: inflation(&deviations, OBSERVE_EVERY),
        astray: Vec::new(),
        trace,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Vector2;

    #[test]
    fn a_place_seen_in_two_photos_counts_two_and_twice_in_one_counts_one() {
        let line = |row, along_mm, across_mm| LineObservation {
            row,
            along_mm,
            across_mm,
            in_photo_px: Point2::origin(),
            normal: Vector2::new(1.0, 0.0),
            u_px: 1.0,
            phase: 0.0,
            px_per_mm: 0.0,
        };
        let photo = |lines: &[LineObservation]| PhotoObservations {
            lines: lines.to_vec(),
            ..PhotoObservations::default()
        };
        let (here, beside, below) = (
            line(0, 30.0, -3.0),
            line(0, 60.0, -3.0),
            line(1, 30.0, -3.0),
        );
        let photos = [
            photo(&[here, here, beside]),
            photo(&[below]),
            photo(&[here]),
        ];
        let shown = photos_by_part(&photos);
        let counts = [here, beside, below].map(|l| shown[&part_of(&l)]);
        assert_eq!(counts, [2, 1, 1]);
    }
}

//! Measures rows: from cards and pictures to every row's place on the quilt, with its uncertainty.

use super::register::{Mapped, place_stretches};
use super::search::{self, EXPECTED_SCORE, Found, Frame, SURE_SCORE, Wanted};
use crate::card::CardInPhoto;
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use crate::design::{Design, DesignPoint};
use crate::geometry::{Point2, Vector2};
use crate::line::map::{CELL_MM, LineMap, MapPhoto, half_size, seen_region};
use crate::line::strip::{ARC_STEP_MM, LINE_SIGMAS_MM, LinePoint, Strip, StripSample};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{CameraPrior, Joint, LineObservation, Priors, RowPlace, Solved, State};
use crate::plane::start::{PhotoCards, StartError, card_list, from_cards};
use crate::solve::levenberg_marquardt::{Loss, SolveError};
use image::GrayImage;
use nalgebra::DMatrix;
use rayon::prelude::*;

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
}

/// A point of a row's line in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Which photo.
    pub photo: usize,
    /// Along the unstretched row, mm.
    pub along_mm: f64,
    /// Across from the baseline of the design there, unstretched, mm.
    pub across_mm: f64,
    /// Where the stitching was found in the photo, px.
    pub in_photo_px: Point2,
    /// On the quilt where the fitted design is, mm.
    pub on_quilt: Point2,
    /// Normal of the design there.
    pub normal: Vector2,
    /// How far the stitching lies from the fitted design along the normal, mm.
    pub deviation_mm: f64,
    /// How far the line stands out, see [`LinePoint::strength`]; NaN where nothing is visible.
    pub strength: f32,
}

/// Strength from which the line is taken for found; a path through nothing mostly
/// stays below it.
pub const FOUND_STRENGTH: f32 = 6.0;

impl TracePoint {
    /// Whether stitching was found here.
    pub fn is_found(&self) -> bool {
        self.strength >= FOUND_STRENGTH
    }

    /// Whether the place can be seen.
    pub fn is_visible(&self) -> bool {
        !self.strength.is_nan()
    }
}

/// A row as measured.
#[derive(Debug, Clone)]
pub struct RowMeasured {
    /// How many rows below the topmost one found; a hole where one is too faint.
    pub index: i32,
    /// Match of the whole row, in robust standard deviations.
    pub score: f64,
    /// Its line, along the row.
    pub trace: Vec<TracePoint>,
    /// RMS of the line about the fitted design, mm.
    pub wobble_mm: f64,
    /// By how much residuals hang together: the variance of a mean is this many times that of as many
    /// independent ones.
    pub inflation: f64,
}

/// Everything measured.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Estimates; rows as in `rows`.
    pub state: State,
    /// Covariance of all parameters.
    pub covariance: DMatrix<f64>,
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
}

/// Outline of the paper a card is printed on, on the quilt, mm.
fn paper(card: CardId, state: &State, index: usize, bar_mm: f64) -> [Point2; 4] {
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
    let photo_cards: Vec<PhotoCards> = job
        .photos
        .iter()
        .enumerate()
        .map(|(i, p)| PhotoCards { camera: i, cards: p.cards.to_vec() })
        .collect();
    let cameras: Vec<CameraPrior> = job.photos.iter().map(|p| p.camera).collect();
    let cards = card_list(&photo_cards);
    let (start, photos) = from_cards(&photo_cards, &cameras, &job.priors, job.card_bar_mm)?;
    let mut joint = Joint {
        cameras,
        photos,
        priors: job.priors,
        start,
        line_loss: Loss::Cauchy(2.0),
    };
    let solved = joint.solve()?;
    joint.start = solved.state;

    // The map, in the frame of the first card.
    let sizes: Vec<(u32, u32)> = job.photos.iter().map(|p| p.luma.dimensions()).collect();
    let views: Vec<PreparedView> = (0..job.photos.len()).map(|i| joint.start.view(i, i)).collect();
    let halves: Vec<GrayImage> = job.photos.iter().map(|p| half_size(p.luma)).collect();
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
        .zip(&views)
        .map(|(half, view)| MapPhoto { half, view: *view, cards: papers.clone() })
        .collect();
    let map = LineMap::new(&map_photos, region);
    let mapped = Mapped { map: &map, views: &views, sizes: &sizes };

    // Rows as wholes.
    let wanted = Wanted {
        design: job.design,
        spacing_mm: job.spacing_mm,
        stagger: job.stagger,
    };
    let found = find(&map, &wanted).ok_or(CannotMeasure::NoRow)?;
    joint.start = joint.start.turned(found.angle);
    let sure = found.rows.iter().map(|r| r.score).fold(0.0, f64::max) * 0.4;
    joint.start.rows = found
        .rows
        .iter()
        .filter(|row| row.score >= sure.max(EXPECTED_SCORE))
        .map(row_place)
        .collect();
    let map_angle = found.angle;
    let mut turned = found.angle;

    // Onto their stitching, stretch by stretch.
    let coarse = job.design.sample(3.0);
    for reach_mm in [14.0, 10.0, 8.0] {
        let rows: Vec<usize> = (0..joint.start.rows.len()).collect();
        let lines =
            place_stretches(&mapped, &joint.start, &coarse, job.design.repeat_mm, &rows, reach_mm);
        for (photo, lines) in joint.photos.iter_mut().zip(lines) {
            photo.lines = lines;
        }
        let before = joint.start.clone();
        let now = joint.solve()?;
        joint.start = now.state;
        if std::env::var("ROWSIGHT_TRACE").is_ok() {
            for (name, state) in [("before", &before), ("after", &joint.start)] {
                let mut r: Vec<f64> = joint.photos[0].lines.iter().map(|l| { let v = state.view(0, 0); let p = state.rows[l.row].on_quilt(l.along_mm, l.across_mm, &state.stretch); v.photo_from_quilt(p).map_or(99.0, |px| (l.normal.dot(&(px - l.in_photo_px)) / l.u_px * 2.0).abs()) }).collect();
                r.push(0.0); r.sort_by(f64::total_cmp);
                eprintln!("  {name} n {} median {:.2} p75 {:.2} p90 {:.2} it {} rows {:?} f {:.0} k1 {:.3} sag {:.2e} tilt {:?}", r.len(), r[r.len()/2], r[r.len()*3/4], r[r.len()*9/10], now.iterations, state.rows.iter().map(|r| (r.slope * 1e4).round() / 10.0).collect::<Vec<_>>(), state.cameras[0].focal_px, state.cameras[0].k1, state.surface.sag_s, state.cards.iter().map(|c| ((c.tilt_x * 5730.0).round() / 100.0, (c.tilt_y * 5730.0).round() / 100.0)).collect::<Vec<_>>());
            }
        }
    }
    turned += straighten(&mut joint.start);

    // Once more as wholes, now that the plane is known: faint rows show, ghosts fall behind.
    let frame = placed(&map, &views, &joint.start, turned);
    let again = search::rows_in(&map, &wanted, &frame).ok_or(CannotMeasure::NoRow)?;
    if std::env::var("ROWSIGHT_TRACE").is_ok() {
        eprintln!("turn {:.2} first {:?}", map_angle.to_degrees(), found.rows.iter().map(|r| (r.score * 10.0).round() / 10.0).collect::<Vec<_>>());
        eprintln!("again {:?} next {:?} decoy {:.1}", again.rows.iter().map(|r| ((r.score * 10.0).round() / 10.0, r.index)).collect::<Vec<_>>(), again.next_score, again.decoy_score);
    }
    let sure = again.rows.iter().map(|r| r.score).fold(0.0, f64::max) * 0.25;
    let kept: Vec<_> = again
        .rows
        .iter()
        .filter(|row| row.score >= sure.max(EXPECTED_SCORE))
        .collect();
    let mean_bow = mean(joint.start.rows.iter().map(|r| r.bow));
    joint.start.rows = kept
        .iter()
        .map(|row| RowPlace { bow: mean_bow, ..row_place(row) })
        .collect();
    let all: Vec<usize> = (0..joint.start.rows.len()).collect();
    let lines = place_stretches(&mapped, &joint.start, &coarse, job.design.repeat_mm, &all, 6.0);
    for (photo, lines) in joint.photos.iter_mut().zip(lines) {
        photo.lines = lines;
    }
    joint.start = joint.solve()?.state;

    // Along the line itself, at full size.
    let fine = job.design.sample(ARC_STEP_MM);
    let mut traces: Vec<Vec<TracePoint>> = Vec::new();
    let mut solved: Option<Solved> = None;
    let mut expected_mm = vec![3.0; all.len()];
    for (pass, reach_mm) in [(0, 6.0), (1, 6.0), (2, 6.0)] {
        let papers: Vec<[Point2; 4]> = cards
            .iter()
            .enumerate()
            .map(|(i, card)| paper(*card, &joint.start, i, job.card_bar_mm))
            .collect();
        let traced: Vec<Traced> = all
            .par_iter()
            .map(|&row| trace(job, &joint.start, &fine, row, &papers, reach_mm, expected_mm[row]))
            .collect();
        for photo in &mut joint.photos {
            photo.lines.clear();
        }
        for (row, traced) in traced.iter().enumerate() {
            let scale_mm = traced.scale_mm.clamp(0.3, 1.5);
            expected_mm[row] = (1.5 * scale_mm).max(1.0);
            let scale = if pass < 2 { scale_mm } else { scale_mm * traced.inflation.sqrt() };
            for (photo, mut line) in traced.observations.iter().copied() {
                line.row = row;
                line.u_px *= scale;
                joint.photos[photo].lines.push(line);
            }
        }
        joint.line_loss = Loss::Cauchy(3.0);
        let now = joint.solve()?;
        joint.start = now.state.clone();
        solved = Some(now);
        traces = traced.into_iter().map(|t| t.points).collect();
    }
    let solved = solved.ok_or(CannotMeasure::NoRow)?;
    let views: Vec<PreparedView> =
        (0..job.photos.len()).map(|i| solved.state.view(i, i)).collect();
    let rows = kept
        .iter()
        .zip(traces)
        .enumerate()
        .map(|(i, (row, trace))| finish(i, row.index - kept[0].index, row.score, trace, &solved.state, &views))
        .collect();
    Ok(Measured {
        state: solved.state,
        covariance: solved.covariance,
        views,
        cards,
        rows,
        next_score: again.next_score,
        decoy_score: again.decoy_score,
    })
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if n > 0.0 { sum / n } else { 0.0 }
}

fn row_place(row: &search::FoundRow) -> RowPlace {
    RowPlace { offset: row.across_mm, slope: 0.0, bow: 0.0, shift: row.along_mm }
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
    let any = search::search(map, wanted, 0.0, 180f64.to_radians());
    match (near, any) {
        // The card's arrow says which way is up unless the stitching says clearly otherwise.
        (Some(near), Some(any)) if strongest(&any) < 1.3 * strongest(&near) => Some(near),
        (_, any) => any,
    }
    .filter(|found| strongest(found) >= EXPECTED_SCORE)
}

/// Turns the frame so that the rows' mean slope is nought; by how much.
fn straighten(state: &mut State) -> f64 {
    let angle = mean(state.rows.iter().map(|r| r.slope)).atan();
    let turned = state.turned(angle);
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
    *state = State { rows, ..turned };
    angle
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
    Frame::Placed { places, angle }
}

/// A row's line and what it says.
struct Traced {
    points: Vec<TracePoint>,
    /// Photo and observation with `u_px` for one millimetre.
    observations: Vec<(usize, LineObservation)>,
    scale_mm: f64,
    inflation: f64,
}

#[allow(clippy::too_many_arguments)]
fn trace(
    job: &Job,
    state: &State,
    design: &[DesignPoint],
    row: usize,
    papers: &[[Point2; 4]],
    reach_mm: f64,
    expected_mm: f64,
) -> Traced {
    let mut points = Vec::new();
    let mut observations = Vec::new();
    for (photo, input) in job.photos.iter().enumerate() {
        let view = state.view(photo, photo);
        let samples = samples(job, state, &view, input.luma, design, row, papers, reach_mm);
        if samples.len() < 30 {
            continue;
        }
        let strip = Strip::new(input.luma, samples, reach_mm);
        // The scale at which the line stands out most.
        let (_, line, evidence) = LINE_SIGMAS_MM
            .iter()
            .map(|sigma_mm| {
                let evidence = strip.evidence(&strip.bends(*sigma_mm));
                let line = strip.line(&evidence, expected_mm);
                (typical_strength(&line), line, evidence)
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or_default();
        if let Ok(dir) = std::env::var("ROWSIGHT_STRIPS") {
            let across = 2 * strip.half + 1;
            let n = strip.samples.len();
            let im = image::RgbImage::from_fn(n as u32, across as u32 * 2 + 4, |x, y| {
                let (i, k) = (x as usize, y as usize % (across + 4));
                if k >= across { return image::Rgb([0, 0, 60]); }
                let v = if (y as usize) < across + 4 { strip.values[i * across + k] } else { evidence[i * across + k] * 30.0 + 128.0 };
                let g = if v.is_nan() { 0 } else { v.clamp(0.0, 255.0) as u8 };
                let on = ((line[i].across_mm / 0.3) as f64 + strip.half as f64 - k as f64).abs() < 0.6;
                image::Rgb(if on && (y as usize) > across { [255, 0, 0] } else { [g, g, g] })
            });
            im.save(format!("{dir}/strip{row}-{reach_mm}.png")).unwrap();
        }
        for (sample, found) in strip.samples.iter().zip(&line) {
            points.push(TracePoint {
                photo,
                along_mm: sample.along_mm,
                across_mm: sample.across_mm,
                in_photo_px: sample.px + sample.per_mm * f64::from(found.across_mm),
                on_quilt: sample.on_quilt,
                normal: sample.normal_on_quilt,
                deviation_mm: f64::from(found.across_mm),
                strength: found.strength,
            });
        }
        observations.extend(observe(&strip.samples, &line, row).into_iter().map(|o| (photo, o)));
    }
    let deviations: Vec<f64> = points
        .iter()
        .map(|p| if p.is_found() { p.deviation_mm } else { f64::NAN })
        .collect();
    Traced {
        scale_mm: robust_spread(&deviations),
        inflation: inflation(&deviations, OBSERVE_EVERY),
        points,
        observations,
    }
}

/// Three quarters of the visible line are weaker than this.
fn typical_strength(line: &[LinePoint]) -> f32 {
    let mut all: Vec<f32> = line.iter().map(|p| p.strength).filter(|s| s.is_finite()).collect();
    if all.is_empty() {
        return 0.0;
    }
    let at = all.len() * 3 / 4;
    *all.select_nth_unstable_by(at, f32::total_cmp).1
}

/// Every so many samples make one observation.
const OBSERVE_EVERY: usize = 3;

fn observe(samples: &[StripSample], line: &[LinePoint], row: usize) -> Vec<LineObservation> {
    samples
        .chunks_exact(OBSERVE_EVERY)
        .zip(line.chunks_exact(OBSERVE_EVERY))
        .filter_map(|(samples, found)| {
            if found.iter().any(|f| f.strength.is_nan() || f.strength < FOUND_STRENGTH) {
                return None;
            }
            let across = found.iter().map(|f| f64::from(f.across_mm)).sum::<f64>() / found.len() as f64;
            let strength = found.iter().map(|f| f.strength).sum::<f32>() / found.len() as f32;
            let weight = f64::from((strength - 4.0) / 8.0).clamp(0.1, 1.0);
            let middle = &samples[OBSERVE_EVERY / 2];
            let px_per_mm = middle.per_mm.dot(&middle.normal_px).abs();
            Some(LineObservation {
                row,
                along_mm: middle.along_mm,
                across_mm: middle.across_mm,
                in_photo_px: middle.px + middle.per_mm * across,
                normal: middle.normal_px,
                u_px: px_per_mm / weight.sqrt(),
            })
        })
        .collect()
}

#[allow(clippy::too_many_arguments)]
fn samples(
    job: &Job,
    state: &State,
    view: &PreparedView,
    luma: &GrayImage,
    design: &[DesignPoint],
    row: usize,
    papers: &[[Point2; 4]],
    reach_mm: f64,
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
    let repeats: Vec<i64> = (about - reach..=about + reach).filter(|k| in_view(*k)).collect();
    let (Some(first), Some(last)) = (repeats.first(), repeats.last()) else {
        return Vec::new();
    };
    let mut samples = Vec::new();
    for k in *first..=*last {
        for d in design {
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
                    let ends = [px + per_mm * reach_mm, px - per_mm * reach_mm];
                    let free = ends.iter().all(|p| inside(*p))
                        && !papers.iter().any(|paper| crate::line::map::covers(paper, on_quilt));
                    StripSample {
                        along_mm: along,
                        across_mm: across,
                        on_quilt,
                        normal_on_quilt: normal,
                        px,
                        per_mm,
                        normal_px,
                        visible: free,
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
                },
            };
            samples.push(sample);
        }
    }
    samples
}

/// 1.4826 times the median distance from the median; NaN are left out.
fn robust_spread(values: &[f64]) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if v.len() < 3 {
        return 1.0;
    }
    let middle = v.len() / 2;
    let median = *v.select_nth_unstable_by(middle, f64::total_cmp).1;
    for x in &mut v {
        *x = (*x - median).abs();
    }
    1.4826 * *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// How many times the variance of a mean of every `step`-th value exceeds that of independent values:
/// the autocorrelation time, summed until it falls below 0.1.
fn inflation(values: &[f64], step: usize) -> f64 {
    let spread = robust_spread(values);
    let v: Vec<f64> = values
        .iter()
        .map(|x| x.clamp(-3.0 * spread, 3.0 * spread))
        .collect();
    let product = |lag: usize| {
        let (sum, n) = v
            .iter()
            .zip(&v[lag.min(v.len())..])
            .filter(|(a, b)| a.is_finite() && b.is_finite())
            .fold((0.0, 0.0), |(s, n), (a, b)| (s + a * b, n + 1.0));
        if n > 0.0 { sum / n } else { 0.0 }
    };
    let zero = product(0).max(1e-12);
    let mut total = 1.0;
    let mut lag = step;
    while lag < 300 && lag < v.len() {
        let rho = product(lag) / zero;
        if rho < 0.1 {
            break;
        }
        total += 2.0 * rho;
        lag += step;
    }
    total
}

/// The row's line held against the design as finally fitted.
fn finish(
    row: usize,
    index: i32,
    score: f64,
    mut trace: Vec<TracePoint>,
    state: &State,
    views: &[PreparedView],
) -> RowMeasured {
    for p in &mut trace {
        p.on_quilt = state.rows[row].on_quilt(p.along_mm, p.across_mm, &state.stretch);
        if let Some(found) = views[p.photo].quilt_from_photo(p.in_photo_px)
            && !p.strength.is_nan()
        {
            p.deviation_mm = p.normal.dot(&(found - p.on_quilt));
        }
    }
    let deviations: Vec<f64> = trace
        .iter()
        .map(|p| if p.is_found() { p.deviation_mm } else { f64::NAN })
        .collect();
    RowMeasured {
        index,
        score,
        wobble_mm: robust_spread(&deviations),
        inflation: inflation(&deviations, OBSERVE_EVERY),
        trace,
    }
}

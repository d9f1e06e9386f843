//! Rows found as wholes, moved onto their stitching by stretches, and found once more on the plane that this gives.

use super::lay_out::LaidOut;
use super::leeway::{self, OnPlane};
use super::{CannotMeasure, Job};
use crate::card::geometry::CardId;
use crate::design::DesignPoint;
use crate::geometry::Point2;
use crate::line::map::LineMap;
use crate::plane::camera::{PreparedView, Surface};
use crate::plane::joint::{Joint, RowPlace, State, Stretch};
use crate::row::register::{Mapped, place_stretches};
use crate::row::relaxed;
use crate::row::search::{self, EXPECTED_SCORE, Found, FoundRow, Frame, Wanted};
use std::f64::consts::{FRAC_PI_2, PI, TAU};
use std::sync::Arc;

/// How far from a likely direction rows may run, rad.
const LIKELY_REACH: f64 = 13.0 * PI / 180.0;
/// Score at which no other direction needs to be tried: without a row one photo in a hundred reaches it by chance.
const PLAIN_SCORE: f64 = 16.0;
/// How much further rows of another direction have to stand out, all together: there are a dozen times as many
/// directions, in which few rows run.
const UNLIKELY_BY: f64 = 5.0;
/// Share of the strength of the rows as first found below which a plane bent onto their stretches is wrong. The plane that
/// was looked for is the one on which rows stand out most, so that a little less says nothing.
const LEAST_STRENGTH: f64 = 0.8;

/// Cameras, cards and rows found, before the line itself is followed.
#[derive(Debug, Clone)]
pub(in crate::row) struct Rough {
    /// Where everything lies about; its line observations are replaced.
    pub(in crate::row) joint: Joint,
    /// Cards in the order of the state.
    pub(in crate::row) cards: Vec<CardId>,
    /// The rows of the state, top to bottom.
    pub(in crate::row) rows: Vec<RoughRow>,
    /// As [`Measured::next_score`].
    pub(in crate::row) next_score: Option<f64>,
    /// As [`Found::other_stagger`].
    pub(in crate::row) other_stagger: Option<f64>,
}

/// What the search says of a row.
#[derive(Debug, Clone, Copy)]
pub(in crate::row) struct RoughRow {
    /// As [`RowMeasured::index`], from any row.
    pub(in crate::row) index: i32,
    /// As [`RowMeasured::score`].
    pub(in crate::row) score: f64,
}

/// Which rows are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Faintness {
    /// Those that are plain on the plane that the cards give.
    Plain,
    /// Those too that only show on a plane of their own.
    Faint,
}

/// Finds the rows in the photos, or in those of a finished quilt.
pub(super) fn find_rows(
    job: &Job,
    laid_out: &LaidOut,
    faintness: Faintness,
) -> Result<Rough, CannotMeasure> {
    let middles = laid_out.card_middles();
    let wanted = Wanted {
        design: job.design,
        spacing_mm: job.spacing_mm,
        stagger: job.stagger,
        cards: &middles,
        all_rows: job.relaxed,
    };
    let wholes = find_wholes(job, laid_out, &wanted, faintness)?;
    let mut joint = laid_out.joint.clone();
    let mapped = Mapped {
        map: &laid_out.map,
        views: &laid_out.views,
        sizes: &laid_out.sizes,
    };
    let coarse = job.design.sample(4.0);
    let mut turned = wholes.found.angle;
    joint.start = State {
        rows: plain(&wholes.found, 0.4, &wanted).map(row_place).collect(),
        ..wholes.state.clone()
    };
    for reach_mm in [14.0, 10.0, 8.0] {
        move_onto_stitching(&mut joint, &mapped, &coarse, job, reach_mm)?;
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
    let (rows, again) = find_again(job, &mapped, &wanted, turned, wholes, &mut joint)?;
    move_onto_stitching(&mut joint, &mapped, &coarse, job, 6.0)?;
    Ok(Rough {
        joint,
        cards: laid_out.cards.clone(),
        rows,
        next_score: again.next_score,
        other_stagger: again.other_stagger,
    })
}

/// Finds rows as wholes, on a plane in a frame turned along them.
fn find_wholes(
    job: &Job,
    laid_out: &LaidOut,
    wanted: &Wanted,
    faintness: Faintness,
) -> Result<OnPlane, CannotMeasure> {
    if job.relaxed.is_none() {
        return find(laid_out, wanted, faintness).ok_or(CannotMeasure::NoRow);
    }
    let start = &laid_out.joint.start;
    let found = relaxed::find(&laid_out.map, wanted, &start.cards);
    let relaxed::FoundRelaxed { found, shrinkage } = found.ok_or(CannotMeasure::NoQuilt)?;
    let stretch = Stretch {
        x: shrinkage,
        y: shrinkage,
    };
    let state = State {
        stretch,
        ..start.turned(found.angle)
    };
    Ok(OnPlane { found, state })
}

/// Moves the rows onto their stitching, stretch by stretch, and solves with what is found there.
fn move_onto_stitching(
    joint: &mut Joint,
    mapped: &Mapped,
    coarse: &[DesignPoint],
    job: &Job,
    reach_mm: f64,
) -> Result<(), CannotMeasure> {
    let repeat_mm = job.design.repeat_mm;
    let lines = place_stretches(mapped, &joint.start, coarse, repeat_mm, reach_mm);
    for (photo, lines) in joint.photos.iter_mut().zip(lines) {
        photo.lines = lines;
    }
    joint.start = joint.solve_roughly()?.state;
    Ok(())
}

/// Finds rows as wholes once more, now that the plane is known: faint rows show, ghosts fall behind. `turned` is how
/// far the frame was turned since the map was drawn, rad; `first` is how they were found at first. Gives the rows, and all that was found.
fn find_again(
    job: &Job,
    mapped: &Mapped,
    wanted: &Wanted,
    turned: f64,
    first: OnPlane,
    joint: &mut Joint,
) -> Result<(Vec<RoughRow>, Found), CannotMeasure> {
    let frame = placed(mapped.map, mapped.views, &joint.start, turned);
    let design = job.design_on_quilt(&joint.start);
    let wanted = Wanted {
        design: &design,
        ..*wanted
    };
    let mut again = search::rows_in(mapped.map, &wanted, &frame).ok_or(CannotMeasure::NoRow)?;
    if job.relaxed.is_none() && again.strength < LEAST_STRENGTH * first.found.strength {
        (again, joint.start) = (first.found, first.state);
    }
    if job
        .relaxed
        .is_some_and(|planned| !relaxed::stand_out(&again, planned))
    {
        return Err(CannotMeasure::NoQuilt);
    }
    let share = if job.relaxed.is_some() { 0.0 } else { 0.25 };
    let bow = mean(joint.start.rows.iter().map(|r| r.bow));
    joint.start.rows = plain(&again, share, &wanted)
        .map(|row| RowPlace {
            bow,
            ..row_place(row)
        })
        .collect();
    let rows = plain(&again, share, &wanted).map(|row| RoughRow {
        index: row.index,
        score: row.score,
    });
    Ok((rows.collect(), again))
}

/// Rows that match at least as well as expected, and a share of the best as well.
fn plain<'a>(found: &'a Found, share: f64, wanted: &Wanted) -> impl Iterator<Item = &'a FoundRow> {
    let least = (found.best_score() * share).max(wanted.expected_score());
    found.rows.iter().filter(move |row| row.score >= least)
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if n > 0.0 { sum / n } else { 0.0 }
}

fn row_place(row: &FoundRow) -> RowPlace {
    RowPlace {
        offset: row.across_mm,
        slope: 0.0,
        bow: 0.0,
        shift: row.along_mm,
    }
}

/// Cards mostly lie along the rows, and rows mostly across the picture; where nothing stands out so, any direction is
/// tried, and planes that the cards leave open.
fn find(laid_out: &LaidOut, wanted: &Wanted, faintness: Faintness) -> Option<OnPlane> {
    let map = &laid_out.map;
    let off = |a: f64, b: f64| ((a - b + PI).rem_euclid(TAU) - PI).abs();
    let likely = laid_out.likely_directions();
    let is_likely = |angle: f64| likely.iter().any(|l| off(angle, *l) <= LIKELY_REACH);
    let best = |wanted_angle: &dyn Fn(f64) -> bool| {
        search::best_directions(map, wanted, &search::directions(wanted_angle))
    };
    let near = best(&is_likely);
    if let Some(found) = search::search(map, wanted, &near)
        && found.best_score() >= PLAIN_SCORE
    {
        let state = laid_out.joint.start.turned(found.angle);
        return Some(OnPlane { found, state });
    }
    if faintness == Faintness::Plain {
        return None;
    }
    // The card's arrow says which way is up unless the stitching says clearly otherwise.
    let is_up = |angle: f64| off(angle, 0.0) <= FRAC_PI_2;
    let up = best(&|a| !is_likely(a) && is_up(a));
    let down = best(&|a| !is_likely(a) && !is_up(a));
    let tries = [(near, UNLIKELY_BY), (up, 1.0), (down, 0.0)];
    let tries: Vec<(f64, f64)> = tries
        .iter()
        .flat_map(|(angles, more)| angles.iter().map(|angle| (*angle, *more)))
        .collect();
    leeway::find(laid_out, wanted, &tries)
        .filter(|on_plane| on_plane.found.best_score() >= EXPECTED_SCORE)
}

/// Turns the frame so that the rows' mean slope is nought; by how much.
fn straighten(state: &mut State) -> f64 {
    let angle = mean(state.rows.iter().map(|r| r.slope)).atan();
    *state = with_rows_turned(state, angle);
    angle
}

/// The scene in a frame turned by `angle`, rad, rows and all.
pub(in crate::row) fn with_rows_turned(state: &State, angle: f64) -> State {
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
pub(super) fn placed(map: &LineMap, old: &[PreparedView], state: &State, angle: f64) -> Frame {
    let new: Vec<PreparedView> = (0..old.len()).map(|i| state.view(i, i)).collect();
    // Smooth: worked out on a lattice and interpolated between.
    const LATTICE: usize = 8;
    let (lw, lh) = (map.width / LATTICE + 2, map.height / LATTICE + 2);
    let lattice: Vec<(f32, f32)> = (0..lw * lh)
        .map(|i| {
            let place = Point2::new(
                map.origin.x + (i % lw * LATTICE) as f64 * map.cell_mm,
                map.origin.y + (i / lw * LATTICE) as f64 * map.cell_mm,
            );
            // The photo whose middle is nearest would do best; the differences are small here.
            old.iter()
                .zip(&new)
                .find_map(|(old, new)| new.quilt_from_photo(old.photo_from_quilt(place)?))
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

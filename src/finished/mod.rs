//! A finished quilt off the frame: all its rows in one frame, from one photo or from overlapping ones.
//!
//! The photos share cards, and cards, hills, rows and cameras are one problem ([`crate::row::measure`] with
//! `relaxed`). Here the rows get their numbers and the numbers their words.

mod cards;
mod edge_words;
mod edges;
mod record;
mod words;

pub use edge_words::{PlannedMargins, edges as edges_in_words};
pub use record::{
    CardPlace, EdgeRecord, EdgesRecord, FinishedRecord, FromEdge, NotUsed, Relative, SCHEMA,
    Shrinkage, ToldBy,
};
pub use words::{change, is_followed, shrinkage};

use crate::calibrate::profile::Profile;
use crate::card::geometry::print_scale_u_mm;
use crate::card::{CardError, CardInPhoto, CardWarning, FoundCards};
use crate::check::{
    CheckError, Drawn, Known, LeftOut, Place, cards_in, drawn, linked, photo_records,
};
use crate::check::{ripple_u_mm, share_found, shared_range};
use crate::design::Design;
use crate::geometry::Point2;
use crate::line::periodic::Repeats;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::joint::State;
use crate::record::DriftRecord;
use crate::row::measure::{Job, Measured, PhotoView, measure};
use crate::row::relaxed;
use crate::units::{Uncertain, propagate};
use crate::verdict::words::capital;
use edges::Edges;
use rayon::prelude::*;

/// A finished quilt as measured.
#[derive(Debug, Clone)]
pub struct Finished {
    /// The numbers.
    pub record: FinishedRecord,
    /// Which of the photos given were measured, in their order: those of the record and of `drawn`.
    pub used: Vec<usize>,
    /// What an overlay draws.
    pub drawn: Drawn,
}

/// Measures a finished quilt. `profiles` holds the calibrated camera of each photo where one is known, `told` cards
/// whose places the quilter knows. While rows are looked for, what repeats in the cloth is taken out of the photos'
/// pictures, in place: forty of them are not held twice.
///
/// # Errors
///
/// [`CheckError`] when no photo can be measured; a photo that does not fit is left out and named in the record.
pub fn measure_finished(
    photos: &mut [Photo],
    plan: &Plan,
    design: &Design,
    profiles: &[Option<Profile>],
    told: &[CardPlace],
) -> Result<Finished, CheckError> {
    let (cameras, found) = cards_in(photos, profiles);
    let repeats: Vec<Option<Repeats>> = (photos.par_iter_mut())
        .map(|photo| Repeats::taken_out(&mut photo.luma))
        .collect();
    let path = |i: usize| {
        let photo = photos.get(i);
        photo.map_or_else(String::new, |p| p.path.display().to_string())
    };
    let mut not_used: Vec<(usize, NotUsed)> = Vec::new();
    let mut leave_out = |photo: usize, left_out: LeftOut| {
        not_used.push((
            photo,
            NotUsed {
                path: path(photo),
                why: left_out.what,
                remedy: left_out.remedy,
            },
        ));
    };
    // Photos in which the same cards lie otherwise are of another quilt, or the cards have been moved.
    let moved = cards::moved(&found, &cameras, plan.card_bar_mm);
    let kept: Vec<usize> = (0..photos.len()).filter(|i| !moved.contains(i)).collect();
    for photo in &moved {
        leave_out(*photo, cards::left_out(&path(*photo)));
    }
    let found: Vec<Result<FoundCards, CardError>> =
        kept.iter().map(|i| found[*i].clone()).collect();
    let group = linked(&found).map_err(|(photo, error)| CheckError::Cards {
        path: path(kept[photo]),
        error,
    })?;
    let (linked_ones, others) = group.largest();
    for (photo, why) in &others {
        leave_out(kept[*photo], LeftOut::new(&path(kept[*photo]), why));
    }
    let mut used: Vec<usize> = linked_ones.iter().map(|i| kept[*i]).collect();
    let mut found: Vec<FoundCards> = found
        .into_iter()
        .enumerate()
        .filter(|(i, _)| linked_ones.contains(i))
        .filter_map(|(_, found)| found.ok())
        .collect();
    let measured = loop {
        let cards: Vec<Vec<CardInPhoto>> = found.iter().map(|f| f.cards.clone()).collect();
        let views: Vec<PhotoView> = used
            .iter()
            .zip(&cards)
            .map(|(i, cards)| PhotoView {
                luma: &photos[*i].luma,
                cards,
                camera: cameras[*i],
            })
            .collect();
        let measured = measure(&Job {
            photos: &views,
            design,
            spacing_mm: plan.spacing_mm,
            stagger: plan.stagger,
            card_bar_mm: plan.card_bar_mm,
            priors: relaxed::priors(),
            relaxed: Some(plan.rows),
        })
        .map_err(|error| CheckError::Rows {
            path: path(used[0]),
            error,
        })?;
        // A photo in which hardly anything of the rows is found where the others say they are.
        match cards::stranger(&measured).filter(|_| used.len() > 2) {
            Some(photo) => {
                leave_out(used[photo], cards::stranger_left_out(&path(used[photo])));
                used.remove(photo);
                found.remove(photo);
                let cards: Vec<_> = found.iter().cloned().map(Ok).collect();
                let Ok(group) = linked(&cards) else {
                    break measured;
                };
                let (linked_ones, others) = group.largest();
                for (photo, why) in &others {
                    leave_out(used[*photo], LeftOut::new(&path(used[*photo]), why));
                }
                let keep = |i: &usize| linked_ones.contains(i);
                used = (0..used.len()).filter(keep).map(|i| used[i]).collect();
                found = (0..found.len())
                    .filter(keep)
                    .map(|i| found[i].clone())
                    .collect();
            }
            None => break measured,
        }
    };
    // Edges are looked for in the photos as they are: what is taken out of the cloth rings a little beyond its edge.
    for (photo, repeats) in photos.iter_mut().zip(&repeats) {
        if let Some(repeats) = repeats {
            repeats.put_back(&mut photo.luma);
        }
    }
    not_used.sort_by_key(|(photo, _)| *photo);
    let not_used = not_used.into_iter().map(|(_, left_out)| left_out).collect();
    let used_photos: Vec<&Photo> = used.iter().map(|i| &photos[*i]).collect();
    let (record, drawn) = record_of(
        &measured,
        &used_photos,
        &found,
        plan,
        design,
        not_used,
        told,
    );
    Ok(Finished {
        record,
        used,
        drawn,
    })
}

/// Least share of a row's line in view that has to be followed.
const LEAST_FOLLOWED: f64 = 0.12;

/// The measurement as a record, and what overlays draw.
fn record_of(
    measured: &Measured,
    photos: &[&Photo],
    found: &[FoundCards],
    plan: &Plan,
    design: &Design,
    not_used: Vec<NotUsed>,
    told: &[CardPlace],
) -> (FinishedRecord, Drawn) {
    // Of a row of which hardly anything could be followed the place is not to be trusted.
    let numbered: Vec<(usize, u32)> = (measured.rows.iter().enumerate())
        .filter(|(_, row)| share_found(row) >= LEAST_FOLLOWED)
        .map(|(i, row)| (i, row.index as u32 + 1))
        .collect();
    let all: Vec<usize> = numbered.iter().map(|(i, _)| *i).collect();
    // The quilt has shrunk, and its width with it.
    let shrunk = Plan {
        width_mm: plan.width_mm * (1.0 + measured.state.stretch.x),
        ..plan.clone()
    };
    let known = Known {
        card_at: (told.iter())
            .filter_map(|t| Some((t.card, t.right_mm?)))
            .collect(),
        ..Known::default()
    };
    let place = Place::new(measured, &all, &shrunk, &known);
    let (rows, gaps) = place.rows_and_gaps(measured, &numbered, plan, design);
    let cards: Vec<Vec<CardInPhoto>> = found.iter().map(|f| f.cards.clone()).collect();
    let mut drawn = drawn(measured, &all, &rows, &place, &cards, plan, design);
    // Against the plan the whole quilt has shrunk; a single row's planned place would mislead.
    for row in &mut drawn.rows {
        row.planned_baseline_mm = None;
    }
    let drift = |as_shrunk: bool| -> Vec<DriftRecord> {
        let row = |&(i, number)| drift_of(measured, &place, i, number, plan, as_shrunk);
        numbered.iter().map(row).collect()
    };
    let stretch = |k: usize, value: f64| Uncertain {
        value,
        u: propagate(&[(State::STRETCH_INDEX[k], 1.0)], &measured.covariance)
            .hypot(print_scale_u_mm(1.0, plan.card_bar_mm)),
    };
    let shrinkage = Shrinkage {
        across: stretch(0, measured.state.stretch.x),
        down: stretch(1, measured.state.stretch.y),
    };
    let mut notes = Vec::new();
    let numbers: Vec<u32> = rows.iter().map(|r| r.row).collect();
    notes.extend(words::numbering(&numbers, plan.rows));
    let lying: Vec<_> = measured
        .cards
        .iter()
        .copied()
        .zip(measured.state.cards.iter().copied())
        .collect();
    notes.extend(words::arrows(&lying));
    notes.extend(
        place
            .warning
            .as_ref()
            .map(|w| format!("{} {}", w.what, w.remedy)),
    );
    notes.extend(card_notes(photos, found));
    let ends = numbered.first().zip(numbered.last());
    let edges = ends.map(|(first, last)| {
        let ends = (first.0, last.0);
        let edges = Edges::look(measured, &place, photos, plan, ends, last.1);
        (Some(edges.record(ends)), edges.drift(&numbered, told))
    });
    let (edges, drift_from_edge) = edges.unwrap_or_default();
    let mut record = FinishedRecord {
        schema: SCHEMA.to_owned(),
        judgement: String::new(),
        photos: photo_records(photos, &cards, measured),
        not_used,
        plan_rows: plan.rows,
        rows_found: rows.len() as u32,
        shrinkage,
        rows,
        gaps,
        drift: drift(false),
        drift_as_shrunk: drift(true),
        edges,
        drift_from_edge,
        relative: Relative::default(),
        notes,
    };
    record.relative = words::relative(&record, plan);
    record.notes.extend(words::hardly_followed(&record));
    record.judgement = words::judgement(&record, plan);
    (record, drawn)
}

/// How far a row lies from its planned place below row 1, or below where row 1 was taken to be; against the
/// plan, or against the plan drawn in as the design's own height was.
fn drift_of(
    measured: &Measured,
    place: &Place,
    row: usize,
    number: u32,
    plan: &Plan,
    as_shrunk: bool,
) -> DriftRecord {
    let planned = f64::from(number - 1) * plan.spacing_mm;
    let (left, right) = place.whole_width(shared_range(measured, 0, row));
    let at = |x: f64| {
        let terms = [
            (row, Place::baseline_at(x, 1.0)),
            (0, Place::baseline_at(x, -1.0)),
        ];
        let (y, mut gradient) = place.linear_with_gradient(measured, &terms);
        let mut value = y - planned;
        if as_shrunk {
            value -= planned * measured.state.stretch.y;
            gradient.push((State::STRETCH_INDEX[1], -planned));
        }
        let below = Point2::new(x, measured.state.rows[row].y(x));
        let solved = propagate(&gradient, &measured.covariance);
        let ripples = if row == 0 {
            0.0
        } else {
            ripple_u_mm(measured, below)
        };
        // Read on the same check bar, the design's height is wrong by the same share.
        let print = if as_shrunk {
            0.0
        } else {
            print_scale_u_mm(y, plan.card_bar_mm)
        };
        Uncertain {
            value,
            u: solved.hypot(ripples).hypot(print),
        }
    };
    DriftRecord {
        row: number,
        left: at(left),
        centre: at(f64::midpoint(left, right)),
        right: at(right),
    }
}

/// What was noticed about the cards, photo by photo.
fn card_notes(photos: &[&Photo], found: &[FoundCards]) -> Vec<String> {
    let of = |(photo, found): (&&Photo, &FoundCards)| -> Vec<String> {
        let name = photo.path.file_name().unwrap_or_default().to_string_lossy();
        let worth_saying = found.warnings.iter().filter(|w| {
            // On a whole quilt a card at the picture's edge is in another photo whole.
            matches!(
                w,
                CardWarning::Curled { .. } | CardWarning::ForeignTag { .. }
            )
        });
        worth_saying
            .map(|w| format!("{name}: {}.", capital(&w.to_string())))
            .collect()
    };
    photos.iter().zip(found).flat_map(of).collect()
}

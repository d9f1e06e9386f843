//! From photos of a row to its record. [`look`] finds cards, plane and rows in them; [`judge`] says which rows these are
//! and holds them against plan and journal; [`check`] does both.

mod error;
mod number;
mod photos;
mod picture;
mod place;
mod records;
mod seen;
mod trouble;
mod uncertainty;

pub use error::CheckError;
pub use photos::LeftOut;
pub use picture::Drawn;

pub(crate) use photos::{cards_in, linked};
pub(crate) use picture::drawn;
pub(crate) use place::Place;
use records::neighbours;
pub(crate) use records::photo_records;
pub(crate) use seen::{row_seen, seen_range, share_found, shared_range};
pub(crate) use uncertainty::ripple_u_mm;

use crate::budget::Budget;
use crate::calibrate::profile::Profile;
use crate::card::geometry::CardId;
use crate::card::{CardInPhoto, FoundCards};
use crate::design::Design;
use crate::gap;
use crate::line::periodic::without_repeats;
use crate::line::strip::ARC_STEP_MM;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::record::{At, GapRecord, Record, SCHEMA};
use crate::row::chance::RowSeen;
use crate::row::measure::{CannotMeasure, Measured, PhotoView};
use crate::row::wobble::Fingerprint;
use crate::verdict::{Situation, Warning, decide};
use image::GrayImage;
use number::number;
use photos::{Grouped, measure_groups};
use rayon::prelude::*;
use trouble::{LEAST_FOUND_LEARNED, different_rows, look_for_trouble, unseen_cards};

/// What the journal knows when a photo comes in.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Gaps measured so far, oldest first.
    pub gaps: Vec<GapRecord>,
    /// Trims advised so far: the row that the advance led to, and the trim.
    pub trims: Vec<crate::learn::state::Advised>,
    /// Fingerprints of the rows measured so far, by row number.
    pub fingerprints: Vec<(u32, Fingerprint)>,
    /// Newest row in the journal.
    pub newest: Option<u32>,
    /// Calibrated camera of each photo, in their order; `None`, or nothing, where none is known.
    pub cameras: Vec<Option<Profile>>,
    /// Which part of the row the photos show, where the quilter says so.
    pub at: Option<At>,
    /// Cards of which the quilter says how far right of the quilt's middle their own middle lies, mm.
    pub card_at: Vec<(CardId, f64)>,
}

/// A finished check.
#[derive(Debug, Clone)]
pub struct Check {
    /// The numbers and the verdict.
    pub record: Record,
    /// The newest row's number.
    pub row: u32,
    /// It is a row the journal has already.
    pub is_retake: bool,
    /// A row of the journal was recognised in it by its wobble, so that its number is not only assumed.
    pub is_recognised: bool,
    /// What was noticed beside the numbers.
    pub warnings: Vec<Warning>,
    /// Fingerprint of the newest row.
    pub fingerprint: Fingerprint,
    /// What the uncertainty of the newest gap rests on.
    pub budget: Option<Budget>,
    /// What an overlay draws.
    pub drawn: Drawn,
    /// Which of the photos given were measured, in the order of the record's and of `drawn`.
    pub used: Vec<usize>,
    /// Photos that were not.
    pub left_out: Vec<LeftOut>,
}

/// What a row's photos show by themselves, before the journal says which row it is.
#[derive(Debug)]
pub struct Looked {
    measured: Measured,
    /// Which of the photos given were measured.
    used: Vec<usize>,
    /// Cards of each of those.
    found: Vec<FoundCards>,
    left_out: Vec<LeftOut>,
    rows: Vec<SeenRow>,
    /// The design, or the line learned from the photos where the plan has none.
    design: Design,
    is_planned: bool,
}

/// A row in a photo by which it can be recognised.
#[derive(Debug, Clone)]
pub struct SeenRow {
    /// How many rows below the topmost one found.
    pub index: i32,
    /// Its own wobble.
    pub fingerprint: Fingerprint,
    /// How plain it is.
    pub seen: RowSeen,
}

impl Looked {
    /// The rows found, top to bottom.
    pub fn rows(&self) -> &[SeenRow] {
        &self.rows
    }
}

/// Checks the row just stitched; without a design it is measured against the row above it alone.
///
/// `row` overrides the numbering by the journal.
///
/// # Errors
///
/// [`CheckError`], one sentence each.
pub fn check(
    photos: &[Photo],
    plan: &Plan,
    design: Option<&Design>,
    known: &Known,
    row: Option<u32>,
) -> Result<Check, CheckError> {
    in_plan(row, plan)?;
    let looked = look(photos, plan, design, &known.cameras)?;
    judge(looked, photos, plan, known, row)
}

/// Looks at photos of a row: cards, plane, rows. Nothing of it depends on other rows' photos. `profiles` are of
/// calibrated cameras, in the photos' order. Without a design the rows' line is learned from the photos.
///
/// # Errors
///
/// [`CheckError`], one sentence each.
pub fn look(
    photos: &[Photo],
    plan: &Plan,
    design: Option<&Design>,
    profiles: &[Option<Profile>],
) -> Result<Looked, CheckError> {
    let path = |i: usize| {
        photos
            .get(i)
            .map_or_else(String::new, |p| p.path.display().to_string())
    };
    let (cameras, found) = cards_in(photos, profiles);
    let linked = linked(&found).map_err(|(photo, error)| CheckError::Cards {
        path: path(photo),
        error,
    })?;
    let cards: Vec<Vec<CardInPhoto>> = found
        .iter()
        .map(|f| f.as_ref().map_or_else(|_| Vec::new(), |f| f.cards.clone()))
        .collect();
    // Once for each photo: rows are looked for, joined and followed in the same picture.
    let plain: Vec<Option<GrayImage>> = photos
        .par_iter()
        .map(|photo| without_repeats(&photo.luma))
        .collect();
    let view = |i: usize| PhotoView {
        luma: plain[i].as_ref().unwrap_or(&photos[i].luma),
        cards: &cards[i],
        camera: cameras[i],
    };
    let is_planned = design.is_some();
    let Grouped {
        measured,
        used,
        design,
    } = measure_groups(&linked.groups, view, plan, design).map_err(|error| CheckError::Rows {
        path: path(linked.groups[0][0]),
        error,
    })?;
    let left_out = linked
        .others(&used)
        .into_iter()
        .map(|(photo, why)| LeftOut::new(&path(photo), &why))
        .collect();
    let found = used.iter().filter_map(|i| found[*i].clone().ok()).collect();
    Ok(Looked {
        rows: rows_seen(&measured, &design, is_planned),
        measured,
        used,
        found,
        left_out,
        design,
        is_planned,
    })
}

/// What the rows found can be recognised by.
fn rows_seen(measured: &Measured, design: &Design, is_planned: bool) -> Vec<SeenRow> {
    let samples = design.sample(ARC_STEP_MM).len();
    measured
        .rows
        .iter()
        .map(|r| SeenRow {
            index: r.index,
            fingerprint: match is_planned {
                true => Fingerprint::new(&r.trace, samples, design.repeat_mm),
                // A line that was learned begins elsewhere in each photo.
                false => Fingerprint::none(),
            },
            seen: row_seen(r),
        })
        .collect()
}

/// Whether rows seen in a photo tell which row the newest one is, by what is known of the quilt; without any
/// row known, it is the first photo of the quilt.
pub fn is_recognised(rows: &[SeenRow], known: &Known) -> bool {
    known.newest.is_none() || number(rows, known, None).is_recognised
}

/// What was seen, numbered, held against plan and journal. `photos` are those looked at; their pictures may be
/// gone by now.
///
/// # Errors
///
/// [`CheckError`], one sentence each.
pub fn judge(
    looked: Looked,
    photos: &[Photo],
    plan: &Plan,
    known: &Known,
    row: Option<u32>,
) -> Result<Check, CheckError> {
    in_plan(row, plan)?;
    let numbering = number(&looked.rows, known, row);
    let newest = numbering.newest;
    in_plan(Some(newest), plan)?;
    let Looked {
        measured,
        used,
        found,
        left_out,
        rows: mut seen,
        design,
        is_planned,
    } = looked;
    let photos: Vec<&Photo> = used.iter().map(|i| &photos[*i]).collect();
    let cards: Vec<Vec<CardInPhoto>> = found.iter().map(|f| f.cards.clone()).collect();
    let least_found = if is_planned { 0.0 } else { LEAST_FOUND_LEARNED };
    let numbered = numbered(&measured, newest, least_found);
    let rows: Vec<usize> = numbered.iter().map(|(i, _)| *i).collect();
    let place = Place::new(&measured, &rows, plan, known);

    let mut warnings = numbering.warnings;
    warnings.extend(unseen_cards(&measured, known));
    warnings.extend(place.warning.clone());
    warnings.extend(left_out.iter().map(LeftOut::warning));
    warnings.extend(different_rows(&measured, &design, &photos));
    warnings.extend(look_for_trouble(
        &measured, &found, &photos, plan, is_planned,
    ));

    let (row_records, gap_records) = place.rows_and_gaps(&measured, &numbered, plan, &design);
    let (Some(newest_record), Some(&newest_row)) = (row_records.last(), rows.last()) else {
        return Err(CheckError::Rows {
            path: photos[0].path.display().to_string(),
            error: CannotMeasure::NoRow,
        });
    };
    let newest_gap = neighbours(&numbered)
        .next_back()
        .map(|((upper, _), (lower, _))| (upper, lower))
        .filter(|(_, lower)| *lower == newest_row);
    let budget = newest_gap.map(|(upper, lower)| place.budget(&measured, upper, lower, plan));
    let hand_u_mm = newest_gap.map(|(upper, lower)| place.hand_u_mm(&measured, upper, lower));

    let all_gaps = gap::joined(&known.gaps, &gap_records, newest_record.row);
    let shown: Vec<u32> = row_records.iter().map(|r| r.row).collect();
    let drift = gap::drift(plan, &all_gaps)
        .into_iter()
        .filter(|d| shown.contains(&d.row))
        .collect();
    let situation = Situation {
        hand_u_mm: hand_u_mm.unwrap_or_default(),
        ..Situation::new(
            plan,
            newest_record,
            &gap_records,
            &known.gaps,
            &known.trims,
            &warnings,
        )
    };
    let verdict = decide(plan, &situation);
    let drawn = drawn(
        &measured,
        &rows,
        &row_records,
        &place,
        &cards,
        plan,
        &design,
    );
    let record = Record {
        schema: SCHEMA.to_owned(),
        photos: photo_records(&photos, &cards, &measured),
        rows: row_records,
        gaps: gap_records,
        drift,
        verdict,
    };
    Ok(Check {
        record,
        row: newest,
        is_retake: numbering.is_retake,
        is_recognised: numbering.is_recognised,
        warnings,
        fingerprint: seen.swap_remove(newest_row).fingerprint,
        budget,
        drawn,
        used,
        left_out,
    })
}

/// The rows that go into the record, each with its number.
///
/// `least_found` is the share of a row's line that has to be found, but for the newest one, of which a warning tells.
fn numbered(measured: &Measured, newest: u32, least_found: f64) -> Vec<(usize, u32)> {
    let last = measured.rows.len().saturating_sub(1);
    let last_index = measured.rows.last().map_or(0, |r| r.index);
    measured
        .rows
        .iter()
        .enumerate()
        .filter_map(|(i, row)| {
            // Rows above row 1 cannot be: the plan or the numbering is wrong.
            let number = i64::from(newest) - i64::from(last_index - row.index);
            let number = u32::try_from(number).ok().filter(|number| *number >= 1)?;
            (i == last || share_found(row) >= least_found).then_some((i, number))
        })
        .collect()
}

fn in_plan(row: Option<u32>, plan: &Plan) -> Result<(), CheckError> {
    match row.filter(|row| *row == 0 || *row > plan.rows) {
        Some(row) => Err(CheckError::NotInPlan {
            row,
            rows: plan.rows,
        }),
        None => Ok(()),
    }
}

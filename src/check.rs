//! From photos of a row to its record: cards, plane, rows, numbers, verdict.

use crate::budget::{Budget, Cause};
use crate::calibrate::profile::Profile;
use crate::card::CardInPhoto;
use crate::card::geometry::{CardId, print_scale_u_mm};
use crate::card::{CardError, CardWarning, DetectOptions, FoundCards, find_cards};
use crate::design::Design;
use crate::gap;
use crate::geometry::Point2;
use crate::line::periodic::without_repeats;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::camera::PreparedView;
use crate::plane::joint::{CameraPrior, Priors};
use crate::plane::start::camera_prior;
use crate::record::{
    At, GapRecord, OffDesign, PhotoRecord, Record, RowRecord, SCHEMA, SIDE_MM, SpacingRecord,
    Stretch, XOrigin,
};
use crate::report::overlay::OverlayRow;
use crate::row::chance::{Chance, RowSeen, Standing};
use crate::row::ends::{Ends, ends};
use crate::row::link;
use crate::row::measure::{CannotMeasure, Job, Measured, PhotoView, measure};
use crate::row::missed::{clearance, missed, planned_clearance_mm, shown_missed};
use crate::row::search::SURE_SCORE;
use crate::row::unplanned;
use crate::row::wobble::{Fingerprint, Likeness};
use crate::units::{Uncertain, propagate};
use crate::verdict::{Situation, Warning, decide};
use image::GrayImage;
use rayon::prelude::*;
use std::borrow::Cow;

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

/// A photo that could not be measured with the others.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The photo and why.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

impl LeftOut {
    pub(crate) fn new(path: &str, why: &Unlinked) -> LeftOut {
        match why {
            Unlinked::Cards(error) => LeftOut {
                what: format!("{path}: {error}, so it was left out"),
                remedy: error.remedy().to_owned(),
            },
            Unlinked::NoSharedCard => LeftOut {
                what: format!(
                    "{path}: it shares no card with the other photos, and no stretch of a row seen in both tells where it belongs, so it was left out"
                ),
                remedy: "lay a card where two photos overlap, all of it in both, and retake them, \
                         or measure this photo by itself"
                    .to_owned(),
            },
        }
    }

    fn warning(&self) -> Warning {
        Warning {
            what: self.what.clone() + ".",
            remedy: capital(&self.remedy) + ".",
            spoils: false,
        }
    }
}

/// Why a photo is not part of the measurement.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Unlinked {
    /// Nothing to measure by.
    Cards(CardError),
    /// Its cards are in none of the others, and no row seen in both joins it to them.
    NoSharedCard,
}

/// Photos by what joins them, and those without a card.
pub(crate) struct Linked {
    /// Photos that shared cards join, the largest group first, the first of equal ones; never empty.
    groups: Vec<Vec<usize>>,
    left_out: Vec<(usize, Unlinked)>,
}

impl Linked {
    /// The largest group, and all other photos, each with the reason, in their order.
    pub(crate) fn largest(self) -> (Vec<usize>, Vec<(usize, Unlinked)>) {
        let used = self.groups.first().cloned().unwrap_or_default();
        let others = self.others(&used);
        (used, others)
    }

    /// All photos but those used, each with the reason, in their order.
    fn others(self, used: &[usize]) -> Vec<(usize, Unlinked)> {
        let apart = self.groups.into_iter().flatten();
        let apart = apart.filter(|photo| !used.contains(photo));
        let mut others = self.left_out;
        others.extend(apart.map(|photo| (photo, Unlinked::NoSharedCard)));
        others.sort_by_key(|(photo, _)| *photo);
        others
    }
}

/// What is known of each photo's camera, and the cards found in it; `profiles` are of calibrated cameras, in the
/// photos' order.
pub(crate) fn cards_in(
    photos: &[Photo],
    profiles: &[Option<Profile>],
) -> (Vec<CameraPrior>, Vec<Result<FoundCards, CardError>>) {
    photos
        .par_iter()
        .enumerate()
        .map(|(i, photo)| {
            let (w, h) = photo.luma.dimensions();
            let profile = profiles.get(i).and_then(Option::as_ref);
            let prior = match profile {
                Some(profile) => profile.prior(photo.facts.orientation, (w, h)),
                None => camera_prior(&photo.facts, w, h),
            };
            let says_focal = photo.facts.focal_length_35mm.is_some();
            let options = DetectOptions {
                focal_px: says_focal.then_some(prior.camera.focal_px),
                camera: profile.map(|_| prior.camera),
                ..DetectOptions::default()
            };
            (prior, find_cards(&photo.luma, &options))
        })
        .unzip()
}

/// The photos that shared cards join, and those without a card, each with the reason.
///
/// # Errors
///
/// The first photo with its error when none has a card.
pub(crate) fn linked(
    found: &[Result<FoundCards, CardError>],
) -> Result<Linked, (usize, CardError)> {
    let mut groups: Vec<(Vec<usize>, Vec<CardId>)> = Vec::new();
    let mut left_out = Vec::new();
    for (photo, found) in found.iter().enumerate() {
        let mut joined = match found {
            Ok(found) => (
                vec![photo],
                found.cards.iter().map(|c| c.card).collect::<Vec<_>>(),
            ),
            Err(error) => {
                left_out.push((photo, Unlinked::Cards(error.clone())));
                continue;
            }
        };
        // All groups this photo shares a card with become one.
        groups.retain(|(photos, cards): &(Vec<usize>, Vec<CardId>)| {
            let shares = cards.iter().any(|card| joined.1.contains(card));
            if shares {
                joined.0.extend(photos);
                joined.1.extend(cards);
            }
            !shares
        });
        groups.push(joined);
    }
    for (photos, _) in &mut groups {
        photos.sort_unstable();
    }
    groups.sort_by_key(|(photos, _)| (std::cmp::Reverse(photos.len()), photos[0]));
    if groups.is_empty() {
        return Err(match left_out.into_iter().next() {
            Some((photo, Unlinked::Cards(error))) => (photo, error),
            _ => (0, CardError::NoCard { smallest_px: 0.0 }),
        });
    }
    Ok(Linked {
        groups: groups.into_iter().map(|(photos, _)| photos).collect(),
        left_out,
    })
}

/// Photos measured together.
struct Grouped {
    measured: Measured,
    /// Which photos, in the order of the measurement.
    used: Vec<usize>,
    /// The design they were measured by: the plan's, or what was learned from the rows themselves.
    design: Design,
}

/// Stands where a design is not known.
static NO_LINE: Design = Design {
    curve_mm: Vec::new(),
    repeat_mm: 1.0,
    breaks: Vec::new(),
};

/// Measures the first group of photos and, as far as rows seen in both join them, the others with it; says
/// which photos were measured. Without a design the line is learned from the first group.
///
/// # Errors
///
/// [`CannotMeasure`] of the first group.
fn measure_groups<'a>(
    groups: &[Vec<usize>],
    view: impl Fn(usize) -> PhotoView<'a>,
    plan: &Plan,
    design: Option<&Design>,
) -> Result<Grouped, CannotMeasure> {
    type Work<'w> = dyn Fn(&Job) -> Result<Measured, CannotMeasure> + 'w;
    let repeat_mm = plan.told_repeat_mm().filter(|_| design.is_none());
    let base = Job {
        photos: &[],
        design: design.unwrap_or(&NO_LINE),
        spacing_mm: plan.spacing_mm,
        stagger: plan.stagger,
        card_bar_mm: plan.card_bar_mm,
        priors: Priors::default(),
        relaxed: None,
    };
    let design = match design {
        Some(design) => Cow::Borrowed(design),
        None => {
            let views: Vec<PhotoView> = groups[0].iter().map(|i| view(*i)).collect();
            Cow::Owned(unplanned::learn(
                &Job {
                    photos: &views,
                    ..base
                },
                repeat_mm,
            )?)
        }
    };
    let priors = match design {
        Cow::Borrowed(_) => Priors::default(),
        Cow::Owned(_) => unplanned::priors(repeat_mm.is_some()),
    };
    let with_photos = |photos: &[usize], work: &Work| {
        let views: Vec<PhotoView> = photos.iter().map(|i| view(*i)).collect();
        work(&Job {
            design: &design,
            priors,
            photos: &views,
            ..base
        })
    };
    let mut used = groups[0].clone();
    let mut measured = with_photos(&used, &measure)?;
    let mut others: Vec<(&Vec<usize>, Measured)> = groups[1..]
        .iter()
        .filter_map(|group| Some((group, with_photos(group, &measure).ok()?)))
        .collect();
    // Each one joined may show a row that joins the next.
    while let Some((at, tie)) = others
        .iter()
        .enumerate()
        .find_map(|(at, (_, other))| Some((at, link::tie(&measured, other, &design)?)))
    {
        let (photos, other) = others.remove(at);
        let all = [&used[..], photos].concat();
        let together = with_photos(&all, &|job| {
            link::measure_tied(job, &measured, &other, &tie)
        });
        if let Ok(together) = together {
            (measured, used) = (together, all);
        }
    }
    Ok(Grouped {
        measured,
        used,
        design: design.into_owned(),
    })
}

/// What an overlay draws, in the record's frame.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// View of each photo, of the solved plane.
    views: Vec<PreparedView>,
    /// x of the record's origin in the solved plane, mm.
    x_middle: f64,
    /// Rows.
    pub rows: Vec<OverlayRow>,
    /// Outlines of the cards in each photo, px.
    pub cards_px: Vec<Vec<Vec<Point2>>>,
}

impl Drawn {
    /// Takes a point of the record's frame to a photo, px.
    pub fn to_photo(&self, photo: usize, place: Point2) -> Option<Point2> {
        self.views[photo].photo_from_quilt(Point2::new(place.x + self.x_middle, place.y))
    }
}

/// Why there is no record.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CheckError {
    /// A photo's cards.
    #[error("{path}: {error}; {}", error.remedy())]
    Cards {
        /// The photo.
        path: String,
        /// Why.
        error: CardError,
    },
    /// The rows.
    #[error("{path}: {error}; {}", remedy(error))]
    Rows {
        /// The photo, or the first of several.
        path: String,
        /// Why.
        error: CannotMeasure,
    },
    /// The row is not in the plan.
    #[error(
        "row {row} is not in the plan, which has {rows} rows; check --row, or change `rows` in plan.toml"
    )]
    NotInPlan {
        /// The row.
        row: u32,
        /// Rows of the plan.
        rows: u32,
    },
}

fn remedy(error: &CannotMeasure) -> &'static str {
    match error {
        CannotMeasure::NoRow => {
            "see that the newest row and the one above it are in the photo, that the plan names the right design, and retake it in light that falls across the quilt"
        }
        CannotMeasure::NoQuilt => {
            "see that the plan names the right design with its repeat and spacing, and take the photos again from nearer, in light that falls across the quilt from one side"
        }
        CannotMeasure::NoTwoRows => {
            "without a design two whole rows have to be in the photo: see that they are, that the plan's spacing and stagger are right, and retake it in light that falls across the quilt; or give the design, from a photo of its printed paper with `rowsight design --from-photo`"
        }
        CannotMeasure::PatternRepeats => {
            "give the design, from a photo of its printed paper with `rowsight design --from-photo`, or the plan's repeat if that is not in it yet"
        }
        _ => "lay a card flat beside the row, all of it in the photo, and retake it",
    }
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
    /// Best match of a curve that was not stitched: what chance reaches in these photos.
    pub fn decoy_score(&self) -> f64 {
        self.measured.decoy_score
    }

    /// The rows found, top to bottom.
    pub fn rows(&self) -> &[SeenRow] {
        &self.rows
    }
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
    let Grouped {
        measured,
        used,
        design: measured_by,
    } = measure_groups(&linked.groups, view, plan, design).map_err(|error| CheckError::Rows {
        path: path(linked.groups[0][0]),
        error,
    })?;
    let is_planned = design.is_some();
    let design = measured_by;
    let left_out: Vec<LeftOut> = linked
        .others(&used)
        .into_iter()
        .map(|(photo, why)| LeftOut::new(&path(photo), &why))
        .collect();
    let found = used.iter().filter_map(|i| found[*i].clone().ok()).collect();
    let samples = design.sample(crate::line::strip::ARC_STEP_MM).len();
    let rows = measured
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
        .collect();
    Ok(Looked {
        measured,
        used,
        found,
        left_out,
        rows,
        design,
        is_planned,
    })
}

/// Whether rows seen in a photo tell which row the newest one is, by what is known of the quilt; without any
/// row known, it is the first photo of the quilt.
pub fn is_recognised(rows: &[SeenRow], known: &Known) -> bool {
    known.newest.is_none() || number(rows, known, None).is_recognised
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

fn in_plan(row: Option<u32>, plan: &Plan) -> Result<(), CheckError> {
    match row.filter(|row| *row == 0 || *row > plan.rows) {
        Some(row) => Err(CheckError::NotInPlan {
            row,
            rows: plan.rows,
        }),
        None => Ok(()),
    }
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
    let Looked {
        measured,
        used,
        found,
        left_out,
        rows: mut seen,
        design,
        is_planned,
    } = looked;
    let design = &design;
    let photos: Vec<&Photo> = used.iter().map(|i| &photos[*i]).collect();
    let path = |i: usize| photos[i].path.display().to_string();
    let cards: Vec<Vec<CardInPhoto>> = found.iter().map(|f| f.cards.clone()).collect();
    let samples = design.sample(crate::line::strip::ARC_STEP_MM).len();
    let newest = numbering.newest;
    if newest > plan.rows {
        return Err(CheckError::NotInPlan {
            row: newest,
            rows: plan.rows,
        });
    }
    let last_index = measured.rows.last().map_or(0, |r| r.index);
    let number_of = |i: usize| i64::from(newest) - i64::from(last_index - measured.rows[i].index);
    let least_found = if is_planned { 0.0 } else { LEAST_FOUND_LEARNED };
    // Rows above row 1 cannot be: the plan or the numbering is wrong.
    let rows: Vec<usize> = (0..measured.rows.len())
        .filter(|i| number_of(*i) >= 1)
        // The newest one is warned of instead.
        .filter(|i| *i + 1 == measured.rows.len() || share_found(&measured.rows[*i]) >= least_found)
        .collect();
    let mut warnings = numbering.warnings;
    let place = Place::new(&measured, &rows, plan, known);
    let unseen = known.card_at.iter().map(|(card, _)| *card);
    for card in unseen.filter(|card| !measured.cards.contains(card)) {
        warnings.push(Warning {
            what: format!(
                "{} is not in the photo, so its place says nothing.",
                capital(&card.to_string())
            ),
            remedy: "Name a card that is in it.".to_owned(),
            spoils: false,
        });
    }
    warnings.extend(place.warning.clone());
    warnings.extend(left_out.iter().map(LeftOut::warning));
    warnings.extend(look_for_trouble(&measured, &found, &photos, is_planned));

    let missed = missed(&measured.rows, samples);
    let row_records: Vec<RowRecord> = rows
        .iter()
        .map(|&i| {
            let number = number_of(i) as u32;
            place.row(&measured, i, number, &missed[i], plan, design)
        })
        .collect();
    let gap_records: Vec<GapRecord> = rows
        .windows(2)
        .filter(|pair| number_of(pair[1]) == number_of(pair[0]) + 1)
        .map(|pair| {
            place.gap(
                &measured,
                pair[0],
                pair[1],
                number_of(pair[0]) as u32,
                plan,
                design,
            )
        })
        .collect();
    let photo_records = photos
        .iter()
        .enumerate()
        .map(|(i, photo)| photo_record(i, photo, &cards[i], &measured, plan))
        .collect();
    let all_gaps = [known.gaps.clone(), gap_records.clone()].concat();
    let shown: Vec<u32> = row_records.iter().map(|r| r.row).collect();
    let drift = gap::drift(plan, &all_gaps)
        .into_iter()
        .filter(|d| shown.contains(&d.row))
        .collect();
    let Some(newest_record) = row_records.last() else {
        return Err(CheckError::Rows {
            path: path(0),
            error: CannotMeasure::NoRow,
        });
    };
    let budget = rows
        .windows(2)
        .next_back()
        .filter(|pair| number_of(pair[1]) == number_of(pair[0]) + 1)
        .map(|pair| place.budget(&measured, pair[0], pair[1], plan));
    let situation = Situation::new(
        plan,
        newest_record,
        &gap_records,
        &known.gaps,
        &known.trims,
        &warnings,
    );
    let verdict = decide(plan, &situation);
    let drawn = drawn(
        &measured,
        &rows,
        &number_of,
        &row_records,
        &place,
        &cards,
        plan,
        design,
    );
    let record = Record {
        schema: SCHEMA.to_owned(),
        photos: photo_records,
        rows: row_records,
        gaps: gap_records,
        drift,
        verdict,
    };
    let newest_row = rows.last().copied().unwrap_or(0);
    let fingerprint = seen.swap_remove(newest_row).fingerprint;
    Ok(Check {
        record,
        row: newest,
        is_retake: numbering.is_retake,
        is_recognised: numbering.is_recognised,
        warnings,
        fingerprint,
        budget,
        drawn,
        used,
        left_out,
    })
}

struct Numbering {
    newest: u32,
    is_retake: bool,
    is_recognised: bool,
    warnings: Vec<Warning>,
}

/// Which row the newest one in the photo is: as told, by its own wobble, or the next after the
/// journal's newest.
fn number(rows: &[SeenRow], known: &Known, told: Option<u32>) -> Numbering {
    let in_journal = |row: u32| known.fingerprints.iter().any(|(r, _)| *r == row);
    let last_index = rows.last().map_or(0, |r| r.index);
    // What the rows seen say: each one that is known by its wobble gives the newest one's number. Two rows may
    // be alike by chance (0.6 was seen between rows of one hand), so the others of that photo have to agree.
    let agreed = |newest: u32| {
        let pairs: Vec<Likeness> = rows
            .iter()
            .filter_map(|row| {
                let number = newest.checked_sub((last_index - row.index) as u32)?;
                let old = known.fingerprints.iter().find(|(n, _)| *n == number)?;
                Some(row.fingerprint.likeness(&old.1))
            })
            .collect();
        Likeness::agreed(&pairs)
    };
    let recognised = rows
        .iter()
        .flat_map(|row| {
            let below = (last_index - row.index) as u32;
            let alike = known
                .fingerprints
                .iter()
                .filter(|(_, old)| row.fingerprint.likeness(old).is_same_row());
            alike.map(move |(number, _)| *number + below)
        })
        .filter_map(|newest| {
            let agreed = agreed(newest)?;
            agreed.is_same_row().then_some((agreed.correlation, newest))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, newest)| newest);
    let mut warnings = Vec::new();
    let expected = known.newest.map_or(last_index as u32 + 1, |n| n + 1);
    let newest = match (told, recognised) {
        (Some(told), Some(seen)) if told != seen => {
            warnings.push(Warning {
                what: format!(
                    "By its own wobble the newest row looks like row {seen}, not row {told}."
                ),
                remedy: format!("Leave --row out, or undo row {told} if it is wrong."),
                spoils: false,
            });
            told
        }
        (Some(told), _) => told,
        (None, Some(seen)) => {
            // A row was skipped: the next advance was not photographed.
            seen
        }
        (None, None) => expected,
    };
    Numbering {
        newest,
        is_retake: in_journal(newest),
        // The row that comes next anyway needs less to be known.
        is_recognised: recognised.is_some()
            || newest == expected && agreed(expected).is_some_and(|a| a.is_likely_same_row()),
        warnings,
    }
}

/// What the measuring noticed that the numbers do not say.
///
/// Of a row of a known design chance tells whether to believe it; what was learned from the photo itself is judged by
/// how far it stands out. A row that is there may still be seen too little to be measured.
fn look_for_trouble(
    measured: &Measured,
    found: &[FoundCards],
    photos: &[&Photo],
    is_planned: bool,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    for (photo, found) in found.iter().enumerate() {
        for warning in &found.warnings {
            warnings.push(Warning {
                what: capital(&warning.to_string()) + ".",
                remedy: match warning {
                    CardWarning::Curled { .. } => {
                        "Then retake the photo: a bent card bends every number.".to_owned()
                    }
                    CardWarning::PartlyHidden { .. } => {
                        "Uncover it or move it into the photo for smaller uncertainties.".to_owned()
                    }
                    CardWarning::LeftOut(error) => capital(error.remedy()) + ".",
                    CardWarning::ForeignTag { .. } => "Take it off the quilt.".to_owned(),
                },
                spoils: matches!(warning, CardWarning::Curled { mm, .. } if mm.abs() > 4.0),
            });
        }
        if let Some(really) = photos[photo].really {
            warnings.push(Warning {
                what: format!(
                    "{} is really {really}; it was read as that.",
                    photos[photo].path.display()
                ),
                remedy: "Give it the right ending.".to_owned(),
                spoils: false,
            });
        }
    }
    let longest = measured
        .rows
        .iter()
        .map(|r| r.trace.found_mm())
        .fold(0.0, f64::max);
    if let Some(newest) = measured.rows.last() {
        let share = share_found(newest);
        let doubt = doubt(&Chance::of(&row_seen(newest))).filter(|_| is_planned);
        let least_found = match is_planned {
            true => LEAST_FOUND,
            false => LEAST_FOUND_LEARNED,
        };
        if let Some(doubt) = doubt {
            warnings.push(doubt);
        } else if share < least_found {
            warnings.push(Warning {
                what: format!(
                    "The newest row's stitching could be followed on only {:.0} % of its line.",
                    100.0 * share
                ),
                remedy: "Retake it from nearer, with light falling across the quilt from one side."
                    .to_owned(),
                spoils: true,
            });
        }
        if !is_planned && newest.score < SURE_SCORE {
            warnings.push(Warning {
                what: "The newest row hardly stands out from the fabric.".to_owned(),
                remedy: "Retake it with light falling across the quilt from one side.".to_owned(),
                spoils: true,
            });
        }
        if newest.trace.found_mm() < 0.5 * longest {
            warnings.push(Warning {
                what: "Much less is seen of the newest row than of the one above it.".to_owned(),
                remedy: "See that the whole row is in the photo and no card lies on it.".to_owned(),
                spoils: false,
            });
        }
    }
    if let Some(below) = measured.dropped_below {
        warnings.push(Warning {
            what: "There may be one more row below, too faint to measure.".to_owned(),
            remedy: "Retake the photo with light falling across the quilt from one side."
                .to_owned(),
            spoils: below > 0.3,
        });
    }
    warnings
}

/// What to say of a newest row that chance may have shown.
fn doubt(chance: &Chance) -> Option<Warning> {
    let what = match chance.standing {
        Standing::Found => return None,
        Standing::Doubtful => "It is doubtful whether the newest row is one",
        Standing::NotFound => "The newest row is not to be told from the fabric",
    };
    Some(Warning {
        what: format!(
            "{what}: by chance alone a line as plain as this shows in {}.",
            chance.words()
        ),
        remedy: "See that the whole row is in the photo and the plan names its design, and retake it from nearer, with \
                 light falling across the quilt from one side."
            .to_owned(),
        spoils: true,
    })
}

pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

fn row_seen(row: &crate::row::measure::RowMeasured) -> RowSeen {
    let points = row.trace.points.iter();
    let visible = points.clone().filter(|p| p.is_visible()).count();
    let found = points.filter(|p| p.found).count();
    RowSeen::of_places(row.score, visible, found, row.wobble_mm)
}

pub(crate) fn share_found(row: &crate::row::measure::RowMeasured) -> f64 {
    row_seen(row).share()
}

/// RMS distance of a card's corners from the solved plane, px, and the greatest in mm.
fn corner_misfit(measured: &Measured, photo: usize, card: &CardInPhoto) -> (f64, f64) {
    let Some(index) = measured.cards.iter().position(|c| *c == card.card) else {
        return (0.0, 0.0);
    };
    let view = &measured.views[photo];
    let pose = &measured.state.cards[index];
    let mut sum = 0.0;
    let mut worst: f64 = 0.0;
    for corner in &card.corners {
        let on_card = corner.on_card_mm * measured.card_scale;
        let space = pose.in_space(on_card, &measured.state.surface);
        let Some(px) = view.photo_from_space(&space) else {
            continue;
        };
        let off = (px - corner.in_photo_px).norm();
        sum += off * off;
        worst = worst.max(off * mm_per_px(view, Point2::new(pose.x, pose.s)));
    }
    ((sum / card.corners.len().max(1) as f64).sqrt(), worst)
}

fn mm_per_px(view: &PreparedView, place: Point2) -> f64 {
    let along = view
        .photo_per_mm(place, nalgebra::Vector2::x())
        .map_or(1.0, |v| v.norm());
    let down = view
        .photo_per_mm(place, nalgebra::Vector2::y())
        .map_or(1.0, |v| v.norm());
    2.0 / (along + down)
}

pub(crate) fn photo_record(
    i: usize,
    photo: &Photo,
    cards: &[CardInPhoto],
    measured: &Measured,
    _plan: &Plan,
) -> PhotoRecord {
    let corners: usize = cards.iter().map(|c| c.corners.len()).sum();
    let square: f64 = cards
        .iter()
        .map(|c| corner_misfit(measured, i, c).0.powi(2) * c.corners.len() as f64)
        .sum();
    let middle = measured
        .rows
        .last()
        .map(seen_range)
        .map_or(Point2::origin(), |(from, to)| {
            let x = (from + to) / 2.0;
            Point2::new(x, measured.state.rows[measured.rows.len() - 1].y(x))
        });
    PhotoRecord {
        path: photo.path.display().to_string(),
        cards: cards.iter().map(|c| c.card.to_string()).collect(),
        corners,
        residual_px: (square / corners.max(1) as f64).sqrt(),
        mm_per_px: mm_per_px(&measured.views[i], middle),
        sha256: photo.sha256.clone(),
    }
}

/// Ends of what was found of a row, x on the quilt, mm.
pub(crate) fn seen_range(row: &crate::row::measure::RowMeasured) -> (f64, f64) {
    row.trace
        .points
        .iter()
        .filter(|p| p.found)
        .map(|p| p.on_quilt.x)
        .fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)))
}

/// How far a quilt under tension stands off the smooth surface that is fitted, RMS, mm: ripples along the
/// rollers, puff, pleats (common practice, no source).
const RIPPLE_MM: f64 = 0.2;

/// What ripples do to the distance of two rows: each is seen off by its own height times the slant of the
/// view, and rows lie too far apart to ripple alike. Standard uncertainty, mm.
pub(crate) fn ripple_u_mm(measured: &Measured, place: Point2) -> f64 {
    let slant = |view: &PreparedView| {
        let eye = view.eye();
        ((place.y - eye.y) / eye.z).abs()
    };
    let least = measured.views.iter().map(slant).fold(f64::MAX, f64::min);
    std::f64::consts::SQRT_2 * RIPPLE_MM * least.min(2.0)
}

/// How near to a stretch off the design a missed one is the same, mm.
const BESIDE_MM: f64 = 20.0;

/// Share of a row's line that has to be found for its place to hold; and where the line was learned from the rows
/// themselves, which may have learned something else.
const LEAST_FOUND: f64 = 0.3;
const LEAST_FOUND_LEARNED: f64 = 0.4;

/// How far a line has to stray toward the next row to be named for coming near it, mm.
const PLAIN_STRAY_MM: f64 = 1.0;

/// What it does to a spacing that the line was learned from the photo itself, with a plane that is not quite known;
/// standard uncertainty, mm (tried on practice photos).
const LEARNED_U_MM: f64 = 0.25;

fn learned_u_mm(plan: &Plan) -> f64 {
    if plan.has_design() { 0.0 } else { LEARNED_U_MM }
}

/// Ends of what is seen of both rows, x on the quilt, mm.
pub(crate) fn shared_range(measured: &Measured, upper: usize, lower: usize) -> (f64, f64) {
    let (a, b) = (
        seen_range(&measured.rows[upper]),
        seen_range(&measured.rows[lower]),
    );
    (a.0.max(b.0), a.1.min(b.1))
}

/// The farthest of some ends that another one shares to 25 mm; the farthest of all where none does.
fn farthest_shared(ends: impl Iterator<Item = f64>) -> f64 {
    const SHARED_MM: f64 = 25.0;
    let mut ends: Vec<f64> = ends.collect();
    ends.sort_by(|a, b| b.total_cmp(a));
    let shared = ends.windows(2).find(|pair| pair[0] - pair[1] <= SHARED_MM);
    shared.map_or(ends.first().copied().unwrap_or(f64::MIN), |pair| pair[0])
}

/// The quilt's middle by cards whose places are told, x, mm: the mean of what they say.
fn middle_by_cards(measured: &Measured, told: &[(CardId, f64)]) -> Option<f64> {
    let middles: Vec<f64> = told
        .iter()
        .filter_map(|(card, right_mm)| {
            let at = measured.cards.iter().position(|c| c == card)?;
            Some(measured.state.cards[at].x - right_mm)
        })
        .collect();
    (!middles.is_empty()).then(|| middles.iter().sum::<f64>() / middles.len() as f64)
}

/// The quilt's middle, where its sides are seen or told; x of both in one frame, mm.
///
/// `seen` are the ends of what is seen of the rows.
///
/// # Errors
///
/// The distance of the two sides when it is not the plan's width.
fn quilt_middle(
    seen: (f64, f64),
    ends: Ends,
    width_mm: f64,
    told: Option<At>,
) -> Result<Option<f64>, f64> {
    let half = width_mm / 2.0;
    let (left, right) = (ends.left.unwrap_or(seen.0), ends.right.unwrap_or(seen.1));
    Ok(match (told, ends.left, ends.right) {
        (Some(At::Left), ..) => Some(left + half),
        (Some(At::Centre), ..) => Some((left + right) / 2.0),
        (Some(At::Right), ..) => Some(right - half),
        (None, Some(left), Some(right)) => {
            if (right - left - width_mm).abs() > SIDE_MM {
                return Err(right - left);
            }
            Some((left + right) / 2.0)
        }
        // One side settles it when the rows do not go on past where the other one has to be.
        (None, Some(left), None) => (seen.1 < left + width_mm + SIDE_MM).then_some(left + half),
        (None, None, Some(right)) => (seen.0 > right - width_mm - SIDE_MM).then_some(right - half),
        (None, None, None) => None,
    })
}

/// The record's frame: the topmost row's chord is the x-axis; x = 0 in the quilt's middle where that is
/// known, else in the middle of what is seen.
pub(crate) struct Place {
    pub(crate) x_middle: f64,
    pub(crate) x_origin: XOrigin,
    pub(crate) half_width_mm: f64,
    pub(crate) datum: usize,
    pub(crate) left: f64,
    pub(crate) right: f64,
    pub(crate) warning: Option<Warning>,
}

impl Place {
    pub(crate) fn new(measured: &Measured, rows: &[usize], plan: &Plan, known: &Known) -> Place {
        let ranges: Vec<(f64, f64)> = rows
            .iter()
            .map(|i| seen_range(&measured.rows[*i]))
            .collect();
        let left = ranges.iter().map(|r| r.0).fold(f64::MAX, f64::min);
        let right = ranges.iter().map(|r| r.1).fold(f64::MIN, f64::max);
        let sides = ends(rows.iter().map(|i| &measured.rows[*i]));
        let by_cards = middle_by_cards(measured, &known.card_at);
        // Where the side is told, it is where two rows stop: one alone may have followed something beyond it.
        let seen = match known.at {
            Some(_) => (
                -farthest_shared(ranges.iter().map(|r| -r.0)),
                farthest_shared(ranges.iter().map(|r| r.1)),
            ),
            None => (left, right),
        };
        let (middle, warning) = match quilt_middle(seen, sides, plan.width_mm, known.at) {
            _ if by_cards.is_some() => (by_cards, None),
            Ok(middle) => (middle, None),
            Err(apart_mm) => {
                let [apart, width] = [apart_mm, plan.width_mm]
                    .map(|mm| crate::verdict::words::length(mm, plan.unit));
                let warning = Warning {
                    what: format!(
                        "The rows seem to end {apart} apart, but the plan says the quilt is {width} wide."
                    ),
                    remedy: "Correct the plan's width, or say with --at which part of the row the photo shows.".to_owned(),
                    spoils: false,
                };
                (None, Some(warning))
            }
        };
        Place {
            x_middle: middle.unwrap_or((left + right) / 2.0),
            x_origin: match middle {
                Some(_) => XOrigin::Quilt,
                None => XOrigin::View,
            },
            half_width_mm: plan.width_mm / 2.0,
            datum: rows.first().copied().unwrap_or(0),
            left,
            right,
            warning,
        }
    }

    /// The quilt's own ends for ends of what is seen that lie near them.
    pub(crate) fn whole_width(&self, (left, right): (f64, f64)) -> (f64, f64) {
        let end = |x: f64, side: f64| {
            let end = self.x_middle + side * self.half_width_mm;
            match self.x_origin {
                XOrigin::Quilt if (x - end).abs() <= SIDE_MM => end,
                _ => x,
            }
        };
        (end(left, -1.0), end(right, 1.0))
    }

    /// A linear function of the rows' parameters with its uncertainty: `terms` are (row, weights of
    /// offset, slope, bow, shift).
    pub(crate) fn linear(&self, measured: &Measured, terms: &[(usize, [f64; 4])]) -> Uncertain {
        let (value, gradient) = self.linear_with_gradient(measured, terms);
        Uncertain {
            value,
            u: propagate(&gradient, &measured.covariance),
        }
    }

    /// The same with its derivatives by parameter instead of its uncertainty.
    pub(crate) fn linear_with_gradient(
        &self,
        measured: &Measured,
        terms: &[(usize, [f64; 4])],
    ) -> (f64, Vec<(usize, f64)>) {
        let mut value = 0.0;
        let mut gradient: Vec<(usize, f64)> = Vec::new();
        for (row, weights) in terms {
            let place = &measured.state.rows[*row];
            let at = measured.state.row_index(*row);
            let parameters = [place.offset, place.slope, place.bow, place.shift];
            for (k, (w, p)) in weights.iter().zip(parameters).enumerate() {
                value += w * p;
                gradient.push((at + k, *w));
            }
        }
        (value, gradient)
    }

    pub(crate) fn baseline_at(x: f64, sign: f64) -> [f64; 4] {
        [sign, sign * x, sign * x * x, 0.0]
    }

    pub(crate) fn row(
        &self,
        measured: &Measured,
        i: usize,
        number: u32,
        missed: &[(f64, f64)],
        plan: &Plan,
        design: &Design,
    ) -> RowRecord {
        let row = &measured.rows[i];
        let (from, to) = seen_range(row);
        let half = (to - from) / 2.0;
        // Against the topmost row, at the middle of the view and over the view's width.
        let x = self.x_middle;
        let offset = self.linear(
            measured,
            &[
                (i, Place::baseline_at(x, 1.0)),
                (self.datum, Place::baseline_at(x, -1.0)),
            ],
        );
        let chord = |sign: f64| [0.0, sign, sign * (self.left + self.right), 0.0];
        let slope = self.linear(measured, &[(i, chord(1.0)), (self.datum, chord(-1.0))]);
        let bow = self.linear(measured, &[(i, [0.0, 0.0, -half * half, 0.0])]);
        let shift = self.shift(measured, i, plan, design);
        let trace = &row.trace;
        let off_design: Vec<OffDesign> = row
            .astray
            .iter()
            .map(|part| OffDesign {
                from_mm: part.from_mm - self.x_middle,
                to_mm: part.to_mm - self.x_middle,
                off_mm: part.off_mm,
            })
            .collect();
        // What was stitched elsewhere was not missed.
        let elsewhere = |a: f64, b: f64| {
            let mut parts = row.astray.iter();
            parts.any(|part| a < part.to_mm + BESIDE_MM && b > part.from_mm - BESIDE_MM)
        };
        let missed: Vec<(f64, f64)> = missed
            .iter()
            .copied()
            .filter(|(a, b)| !elsewhere(*a, *b))
            .collect();
        let missed_in_photo = missed
            .iter()
            .map(|part| shown_missed(measured, i, *part))
            .collect();
        let missed: Vec<Stretch> = missed
            .iter()
            .map(|(a, b)| Stretch {
                from_mm: a - self.x_middle,
                to_mm: b - self.x_middle,
            })
            .collect();
        let visible = trace
            .points
            .iter()
            .filter(|p| p.is_visible() && p.on_quilt.x >= from && p.on_quilt.x <= to)
            .count();
        let found = trace.points.iter().filter(|p| p.found).count();
        RowRecord {
            row: number,
            x_origin: self.x_origin,
            seen_from_mm: from - self.x_middle,
            seen_to_mm: to - self.x_middle,
            offset_mm: offset,
            slope_mm_per_m: Uncertain {
                value: slope.value * 1000.0,
                u: slope.u * 1000.0,
            },
            bow_mm: bow,
            shift_mm: shift,
            wobble_mm: row.wobble_mm,
            coverage: found as f64 / visible.max(1) as f64,
            missed,
            missed_in_photo,
            off_design,
            chance: plan.has_design().then(|| Chance::of(&row_seen(row))),
        }
    }

    /// Shift of a row's design against the plan, relative to the topmost row.
    fn shift(&self, measured: &Measured, i: usize, plan: &Plan, design: &Design) -> Uncertain {
        let sum = self.linear(
            measured,
            &[
                (i, [0.0, 0.0, 0.0, 1.0]),
                (self.datum, [0.0, 0.0, 0.0, -1.0]),
            ],
        );
        let rows = f64::from(measured.rows[i].index - measured.rows[self.datum].index);
        let repeat = design.repeat_mm * (1.0 + measured.state.stretch.x);
        let planned = (rows * plan.stagger).rem_euclid(1.0) * repeat;
        let off = sum.value - planned;
        Uncertain {
            value: off - (off / repeat).round() * repeat,
            u: sum.u,
        }
    }

    /// What the uncertainty of a gap at left, centre and right rests on.
    fn budget(&self, measured: &Measured, upper: usize, lower: usize, plan: &Plan) -> Budget {
        let (left, right) = self.whole_width(shared_range(measured, upper, lower));
        let xs = [left, (left + right) / 2.0, right];
        let gradients = xs.map(|x| {
            [(lower, 1.0), (upper, -1.0)]
                .into_iter()
                .flat_map(|(row, sign)| {
                    let first = measured.state.row_index(row);
                    (first..).zip(Place::baseline_at(x, sign))
                })
                .collect::<Vec<(usize, f64)>>()
        });
        let solved =
            measured
                .problem
                .variances_by_source(&measured.state, &measured.covariance, &gradients);
        let bar_mm = measured.card_scale * crate::card::geometry::CHECK_BAR_MM;
        Budget::new(std::array::from_fn(|k| {
            let x = xs[k];
            let below = Point2::new(x, measured.state.rows[lower].y(x));
            let spacing = below.y - measured.state.rows[upper].y(x);
            solved[k]
                .iter()
                .map(|(source, variance)| (Cause::Solved(*source), *variance))
                .chain([
                    (Cause::Ripples, ripple_u_mm(measured, below).powi(2)),
                    (Cause::Print, print_scale_u_mm(spacing, bar_mm).powi(2)),
                    (Cause::Learned, learned_u_mm(plan).powi(2)),
                ])
                .filter(|(cause, _)| *cause != Cause::Learned || !plan.has_design())
                .collect()
        }))
    }

    pub(crate) fn gap(
        &self,
        measured: &Measured,
        upper: usize,
        lower: usize,
        from_row: u32,
        plan: &Plan,
        design: &Design,
    ) -> GapRecord {
        let (left, right) = self.whole_width(shared_range(measured, upper, lower));
        let difference = |x: f64| {
            self.linear(
                measured,
                &[
                    (lower, Place::baseline_at(x, 1.0)),
                    (upper, Place::baseline_at(x, -1.0)),
                ],
            )
        };
        let spacing = [
            (At::Left, left),
            (At::Centre, (left + right) / 2.0),
            (At::Right, right),
        ]
        .into_iter()
        .map(|(at, x)| {
            let spacing = difference(x);
            let below = Point2::new(x, measured.state.rows[lower].y(x));
            let ripple_u = ripple_u_mm(measured, below);
            let print_u = print_scale_u_mm(spacing.value, plan.card_bar_mm);
            SpacingRecord {
                at,
                x_mm: x - self.x_middle,
                value: spacing.value,
                u: spacing
                    .u
                    .hypot(ripple_u)
                    .hypot(print_u)
                    .hypot(learned_u_mm(plan)),
            }
        })
        .collect();
        let chord = |sign: f64| [0.0, sign, sign * (left + right), 0.0];
        let skew = self.linear(measured, &[(lower, chord(1.0)), (upper, chord(-1.0))]);
        let half = (right - left) / 2.0;
        let sagitta = |sign: f64| [0.0, 0.0, -sign * half * half, 0.0];
        let bow = self.linear(measured, &[(lower, sagitta(1.0)), (upper, sagitta(-1.0))]);
        let at_centre = difference((left + right) / 2.0);
        let nearest = clearance(&measured.rows[upper], &measured.rows[lower]);
        GapRecord {
            from_row,
            to_row: from_row + 1,
            plan_mm: plan.spacing_mm,
            clearance_mm: nearest.map(|nearest| {
                // The two lines' own places on top of the gap's.
                Uncertain {
                    value: nearest.distance_mm,
                    u: (at_centre.u.powi(2) + 2.0 * 0.3f64.powi(2)).sqrt(),
                }
            }),
            // What was learned from the rows themselves is no plan.
            plan_clearance_mm: plan
                .has_design()
                .then(|| planned_clearance_mm(design, plan.spacing_mm, plan.stagger))
                .flatten(),
            clearance_x_mm: nearest.map(|nearest| nearest.x_mm - self.x_middle),
            clearance_row: nearest.and_then(|nearest| {
                let [above, below] = nearest.strays_mm;
                (above.max(below) >= PLAIN_STRAY_MM).then_some(if above > below {
                    from_row
                } else {
                    from_row + 1
                })
            }),
            spacing,
            skew_mm_per_m: Uncertain {
                value: skew.value * 1000.0,
                u: skew.u * 1000.0,
            },
            bow_mm: bow,
        }
    }
}

#[allow(clippy::too_many_arguments)]
pub(crate) fn drawn(
    measured: &Measured,
    rows: &[usize],
    number_of: &dyn Fn(usize) -> i64,
    records: &[RowRecord],
    place: &Place,
    cards: &[Vec<CardInPhoto>],
    plan: &Plan,
    design: &Design,
) -> Drawn {
    let state = &measured.state;
    let baseline = |i: usize, from: f64, to: f64, by: f64| -> Vec<Point2> {
        (0..=24)
            .map(|k| {
                let x = from + (to - from) * f64::from(k) / 24.0;
                Point2::new(x - place.x_middle, state.rows[i].y(x) + by)
            })
            .collect()
    };
    let recorded = |p: Point2| Point2::new(p.x - place.x_middle, p.y);
    let stretches = |i: usize, test: &dyn Fn(&crate::row::trace::TracePoint) -> bool| {
        measured.rows[i]
            .trace
            .points
            .chunk_by(|a, b| test(a) == test(b) && a.photo == b.photo)
            .filter(|run| run.len() >= 12 && test(&run[0]))
            .map(|run| run.iter().map(|p| recorded(p.on_quilt)).collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    let samples = design.sample(crate::line::strip::ARC_STEP_MM);
    // The whole curve, whichever photo saw which part of it.
    let fitted = |i: usize, from: f64, to: f64| -> Vec<Vec<Point2>> {
        let repeat = design.repeat_mm * (1.0 + state.stretch.x);
        let number = |x: f64| ((x - state.rows[i].shift) / repeat).floor() as i64;
        let points = (number(from) - 1..=number(to) + 1)
            .flat_map(|k| samples.iter().map(move |d| (k, d)))
            .map(|(k, d)| {
                let along = k as f64 * design.repeat_mm + d.position.x;
                let place = state.rows[i].on_quilt(along, d.position.y, &state.stretch);
                (d.is_last, place)
            });
        // What lies beyond the view, or is not known, parts the line.
        let mut pieces = vec![Vec::new()];
        for (is_last, p) in points {
            let inside = p.x >= from && p.x <= to;
            if let Some(piece) = pieces.last_mut().filter(|_| inside) {
                piece.push(recorded(p));
            }
            if is_last || !inside {
                pieces.push(Vec::new());
            }
        }
        pieces.retain(|piece| piece.len() > 1);
        pieces
    };
    let overlay_rows = rows
        .iter()
        .zip(records)
        .map(|(&i, record)| {
            let (from, to) = seen_range(&measured.rows[i]);
            let upper = rows
                .iter()
                .position(|r| *r == i)
                .and_then(|k| k.checked_sub(1));
            let planned = upper
                .filter(|k| number_of(rows[*k]) + 1 == number_of(i))
                .map(|k| baseline(rows[k], from, to, plan.spacing_mm));
            let missed_here = |p: &crate::row::trace::TracePoint| {
                record.missed.iter().any(|m| {
                    let x = p.on_quilt.x - place.x_middle;
                    x >= m.from_mm && x <= m.to_mm
                }) && !p.found
                    && p.is_visible()
            };
            let within =
                |p: &crate::row::trace::TracePoint| p.on_quilt.x >= from && p.on_quilt.x <= to;
            OverlayRow {
                number: record.row,
                line_mm: fitted(i, from, to),
                baseline_mm: baseline(i, from, to, 0.0),
                planned_baseline_mm: planned,
                missed: stretches(i, &missed_here),
                weak: stretches(i, &|p| {
                    p.is_visible() && !p.found && within(p) && !missed_here(p)
                }),
            }
        })
        .collect();
    let cards_px = cards
        .iter()
        .zip(&measured.views)
        .map(|(cards, view)| {
            cards
                .iter()
                .map(|card| outline_px(measured, view, card))
                .collect()
        })
        .collect();
    Drawn {
        views: measured.views.clone(),
        x_middle: place.x_middle,
        rows: overlay_rows,
        cards_px,
    }
}

fn outline_px(measured: &Measured, view: &PreparedView, card: &CardInPhoto) -> Vec<Point2> {
    let id: CardId = card.card;
    let Some(index) = measured.cards.iter().position(|c| *c == id) else {
        return Vec::new();
    };
    let (w, h) = id.size_mm();
    [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]
        .into_iter()
        .filter_map(|(i, j)| {
            let on_card = Point2::new(i * w, j * h) * measured.card_scale;
            view.photo_from_space(
                &measured.state.cards[index].in_space(on_card, &measured.state.surface),
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quilt's middle by hand: sides 2000 mm apart at −900 and 1100.
    #[test]
    fn one_clear_side_and_the_plans_width_give_the_quilts_middle() {
        let both = Ends {
            left: Some(-900.0),
            right: Some(1100.0),
        };
        let seen = (-890.0, 1090.0);
        assert_eq!(quilt_middle(seen, both, 2000.0, None), Ok(Some(100.0)));
        let left = Ends {
            right: None,
            ..both
        };
        assert_eq!(
            quilt_middle((-890.0, 300.0), left, 2000.0, None),
            Ok(Some(100.0))
        );
        // The rows go on past where the other side has to be: the end was none, or the width is wrong.
        assert_eq!(quilt_middle((-890.0, 1200.0), left, 2000.0, None), Ok(None));
        assert_eq!(quilt_middle(seen, both, 1500.0, None), Err(2000.0));
        assert_eq!(quilt_middle(seen, Ends::default(), 2000.0, None), Ok(None));
    }
}

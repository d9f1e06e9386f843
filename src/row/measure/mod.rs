//! Measures rows: from cards and pictures to every row's place on the quilt, with its uncertainty.

mod find;
mod follow;
mod lay_out;
mod leeway;
mod settle;

pub(super) use find::{Rough, RoughRow, with_rows_turned};
pub(super) use follow::follow;
pub(super) use lay_out::lay_out;

use super::astray::Astray;
use super::relaxed;
use super::trace::RowTrace;
use crate::card::CardInPhoto;
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use crate::design::Design;
use crate::geometry::Point2;
use crate::plane::camera::PreparedView;
use crate::plane::joint::{CameraPrior, Joint, Priors, State};
use crate::plane::start::StartError;
use crate::solve::levenberg_marquardt::SolveError;
use find::{Faintness, find_rows};
use image::GrayImage;
use lay_out::LaidOut;
use nalgebra::DMatrix;
use std::borrow::Cow;

/// Share of what is seen of a row's line that has to be found for its place to hold; of less, the places found may as
/// well be something else's.
pub(crate) const LEAST_FOUND: f64 = 0.3;

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
    /// Whether that is by the thread alone, see [`crate::line::map::LineMap::of_threads`].
    pub by_threads: bool,
    /// Its line, along the row.
    pub trace: RowTrace,
    /// RMS of the line about the fitted design, mm.
    pub wobble_mm: f64,
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
    /// Share of a repeat by which the rows are moved from one to the next, where it is clearly not the planned one.
    pub other_stagger: Option<f64>,
    /// A row below the last one that was found but could not be followed: the share of the longest
    /// row's length that was.
    pub dropped_below: Option<f64>,
    /// True length of what is one millimetre on the card's drawing.
    pub card_scale: f64,
}

/// Share of the newest row's line that is followed as a rule.
const MOSTLY: f64 = 0.6;

impl Measured {
    /// Whether the newest row's line was followed as rows' lines mostly are.
    fn is_mostly_followed(&self) -> bool {
        self.rows.last().is_some_and(|row| {
            let (found, visible) = row.trace.found_of_visible();
            found as f64 >= MOSTLY * visible as f64
        })
    }

    /// How far the lines lie off the design, RMS over the rows, mm.
    fn strayed_mm(&self) -> f64 {
        let squares: f64 = self.rows.iter().map(|row| row.wobble_mm.powi(2)).sum();
        (squares / self.rows.len().max(1) as f64).sqrt()
    }

    /// Length of line found, mm.
    fn found_mm(&self) -> f64 {
        self.rows.iter().map(|row| row.trace.found_mm()).sum()
    }
}

/// Measures the rows in the photos.
///
/// # Errors
///
/// [`CannotMeasure`] when the cards give no plane or no row stands out.
pub fn measure(job: &Job) -> Result<Measured, CannotMeasure> {
    let mut laid_out = lay_out(job)?;
    let rows = |laid_out: &LaidOut, faintness| {
        find_rows(job, laid_out, faintness).and_then(|rough| follow(job, rough))
    };
    if job.relaxed.is_some() {
        return rows(&laid_out, Faintness::Faint);
    }
    let plain = rows(&laid_out, Faintness::Plain);
    if plain.as_ref().is_ok_and(Measured::is_mostly_followed) {
        return plain;
    }
    // What is left is a few photos; for these there is time.
    let threads = laid_out.map_of_threads(job);
    let grooves = std::mem::replace(&mut laid_out.map, threads);
    let mut faint = rows(&laid_out, Faintness::Faint);
    if let Ok(faint) = &mut faint {
        for row in &mut faint.rows {
            row.by_threads = true;
        }
    }
    if plain.is_err() && faint.is_err() {
        // In little light the noise is as fine as a thread.
        laid_out.map = grooves;
        faint = rows(&laid_out, Faintness::Faint);
    }
    match (plain, faint) {
        (Ok(plain), Ok(faint)) if faint.found_mm() > plain.found_mm() => Ok(faint),
        (Ok(plain), _) => Ok(plain),
        (Err(_), faint) => faint,
    }
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

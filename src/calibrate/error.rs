//! Why a camera could not be calibrated, what was left out, and what to do, in plain words.

use crate::card::geometry::CardId;
use crate::geometry::Point2;

/// Why there is no calibrated camera.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CannotCalibrate {
    /// Not enough photos with a card.
    #[error("{} with a usable card, and a lens needs at least {needed}", match found { 0 => "no photo".to_owned(), 1 => "only one photo".to_owned(), n => format!("only {n} photos") })]
    TooFewPhotos {
        /// Photos with a card.
        found: usize,
        /// Photos needed.
        needed: usize,
    },
    /// The camera always looked straight at the card.
    #[error(
        "all {photos} photos look straight at the card (tilted by {most_deg:.0} degrees at most), which leaves the focal length open"
    )]
    FaceOn {
        /// Photos with a card.
        photos: usize,
        /// Greatest tilt, degrees.
        most_deg: f64,
    },
    /// The same view again and again.
    #[error("the {photos} photos show the card from only {directions} {}, and a lens needs at least 3", if *directions == 1 { "direction" } else { "directions" })]
    SameWay {
        /// Photos with a card.
        photos: usize,
        /// Directions that differ.
        directions: usize,
    },
    /// The focal length is known too badly.
    #[error("the focal length comes out no better than {percent:.1} % either way")]
    FocalOpen {
        /// Half width of its 95 % interval, %.
        percent: f64,
    },
    /// Too many photos do not fit the others.
    #[error("only {fit} of the {of} photos fit one and the same lens")]
    NotOneCamera {
        /// Photos that fit.
        fit: usize,
        /// Photos given.
        of: usize,
    },
    /// The photos do not fit one lens.
    #[error("the photos do not fit one and the same lens: their corners lie {off_px:.1} px off")]
    Misfit {
        /// How far off the corners are, px.
        off_px: f64,
    },
    /// A card is bent.
    #[error("{card} is not flat: its middle stands about {:.1} mm {}", mm.abs(), if *mm > 0.0 { "up" } else { "down" })]
    Curled {
        /// Which card.
        card: CardId,
        /// How far the middle stands above (+) or below (−) the edges, mm.
        mm: f64,
    },
    /// A card is printed with different scales along x and y.
    #[error("{card} is printed {:.1} % too {} for its width", percent.abs(), if *percent > 0.0 { "high" } else { "low" })]
    UnevenPrint {
        /// Which card.
        card: CardId,
        /// Scale along y over that along x, less 1, %.
        percent: f64,
    },
    /// The photos come from different cameras, none of them often enough.
    #[error(
        "the photos were taken with {cameras} different cameras, lenses or settings, none of them in {needed} photos"
    )]
    Mixed {
        /// How many cameras.
        cameras: usize,
        /// Photos needed of one.
        needed: usize,
    },
    /// The equations have no solution.
    #[error("the corners found in the photos do not settle a lens")]
    NoSolution,
}

impl CannotCalibrate {
    /// What to do about it, one line.
    pub fn remedy(&self) -> &'static str {
        match self {
            CannotCalibrate::TooFewPhotos { .. } => {
                "take 8 to 20 photos of a sheet card, all of it in the picture and sharp"
            }
            CannotCalibrate::FaceOn { .. } | CannotCalibrate::FocalOpen { .. } => {
                "take more photos slanted by 30 to 45 degrees: over the card's left, right, top and bottom edge"
            }
            CannotCalibrate::SameWay { .. } => {
                "walk around the card: take photos slanted over its left, right, top and bottom edge"
            }
            CannotCalibrate::NotOneCamera { .. }
            | CannotCalibrate::Misfit { .. }
            | CannotCalibrate::Mixed { .. } => {
                "take all photos of one card with one lens, without zoom, and give only these"
            }
            CannotCalibrate::Curled { .. } => {
                "glue it flat on stiff board, then take the photos again"
            }
            CannotCalibrate::UnevenPrint { .. } => {
                "print it again on another printer, or with another driver setting, and take the photos again"
            }
            CannotCalibrate::NoSolution => {
                "take the photos again: the whole card in each, sharp, from different sides"
            }
        }
    }
}

/// Why there is no calibrated camera, with what was left out before that was clear.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{reason}")]
pub struct Refusal {
    /// Why.
    pub reason: CannotCalibrate,
    /// What was left out or noticed.
    pub notes: Vec<Note>,
}

impl From<CannotCalibrate> for Refusal {
    fn from(reason: CannotCalibrate) -> Refusal {
        Refusal {
            reason,
            notes: Vec::new(),
        }
    }
}

/// Something that was left out or noticed while the rest went on.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Note {
    /// A photo that does not fit the lens of the others.
    #[error(
        "{name} was left out: its corners are {residual_px:.2} px off the lens of the others, which fit to {usual_px:.2} px; another camera, lens or zoom, a card that bent or moved, or blur"
    )]
    StrangePhoto {
        /// The photo.
        name: String,
        /// RMS of its corners, px.
        residual_px: f64,
        /// RMS of the others' corners, px.
        usual_px: f64,
    },
    /// A corner in the wrong place.
    #[error("{name}: one corner of {card} ({:.0} mm right, {:.0} mm down of its middle) was left out, {off_px:.1} px off; something covered it", on_card_mm.x, on_card_mm.y)]
    StrangeCorner {
        /// The photo.
        name: String,
        /// The card.
        card: CardId,
        /// Which corner.
        on_card_mm: Point2,
        /// How far off, px.
        off_px: f64,
    },
    /// A card of which too little is seen.
    #[error("{name}: {card} was left out, only {found} of its corners are seen")]
    FewCorners {
        /// The photo.
        name: String,
        /// The card.
        card: CardId,
        /// Corners located.
        found: usize,
    },
    /// A photo without a card that can be used; the reason and what to do.
    #[error("{name} was left out: {reason}")]
    NoCard {
        /// The photo.
        name: String,
        /// Why, and what to do.
        reason: String,
    },
    /// The same file twice.
    #[error("{name} was left out: it is the same picture as {first}")]
    SameFile {
        /// The photo.
        name: String,
        /// The one before it.
        first: String,
    },
    /// A photo by another camera.
    #[error("{name} was left out: {why}")]
    OtherCamera {
        /// The photo.
        name: String,
        /// In what it differs.
        why: String,
    },
    /// Two cards that do not have the same print scale.
    #[error(
        "{card} is printed {:.1} % {} than {other}, or they do not lie on one table; the lens does not mind, but print both again at 100 % before they lie on one quilt",
        percent.abs(), if *percent > 0.0 { "larger" } else { "smaller" }
    )]
    TwoScales {
        /// One card.
        card: CardId,
        /// The other.
        other: CardId,
        /// Scale of the one over that of the other, less 1, %.
        percent: f64,
    },
    /// A print with slightly different scales along x and y.
    #[error("{card} is printed {:.2} % too {} for its width; this is taken into account here, not when you measure", percent.abs(), if *percent > 0.0 { "high" } else { "low" })]
    SlightlyUneven {
        /// Which card.
        card: CardId,
        /// Scale along y over that along x, less 1, %.
        percent: f64,
    },
}

//! The printed measuring cards: their geometry, printing them, and finding them in a photo.

pub mod detect;
pub mod error;
pub mod flatness;
pub mod gather;
pub mod geometry;
pub mod locate;
pub mod nothing;
pub mod print;
pub mod refine;
pub mod tag36h11;
pub mod tag_corners;
pub mod tags;

pub use detect::{DetectOptions, FoundCards, find_cards};
pub use error::{CardError, CardWarning};

use crate::geometry::Point2;
use geometry::CardId;

/// A card as found in one photo.
#[derive(Debug, Clone, PartialEq)]
pub struct CardInPhoto {
    /// Which card.
    pub card: CardId,
    /// Its corners that could be located, at least four and not all on one line.
    pub corners: Vec<CornerInPhoto>,
    /// Ids of the tags that were read.
    pub tags: Vec<u16>,
}

/// One known point of a card, located in a photo.
#[derive(Debug, Clone, PartialEq)]
pub struct CornerInPhoto {
    /// In the card frame as printed at 100 %, mm.
    pub on_card_mm: Point2,
    /// In the photo, px; pixel (0, 0) has its centre at (0.5, 0.5).
    pub in_photo_px: Point2,
    /// Covariance of `in_photo_px`, px².
    pub covariance_px2: nalgebra::Matrix2<f64>,
    /// What kind of corner it is.
    pub kind: CornerKind,
}

/// Kinds of corners on a card.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CornerKind {
    /// Middle of a checker patch: a saddle point, which blur and ink spread do not move.
    Patch,
    /// Corner of a tag's black square.
    Tag,
}

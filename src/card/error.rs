//! What can go wrong with a card in a photo, and what to do about it.

use super::geometry::CardId;

/// Something about a card that does not stop measuring.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CardWarning {
    /// Bent paper or board.
    #[error("{card} is not flat: its middle stands about {:.0} mm {}; tape it to stiff board", mm.abs(), if *mm > 0.0 { "up" } else { "down" })]
    Curled {
        /// Which card.
        card: CardId,
        /// How far the middle stands above (+) or below (−) the edges, mm.
        mm: f64,
    },
    /// Fewer than half of its corners are seen.
    #[error("{card} is partly hidden or out of the picture: {found} of its {of} patches seen")]
    PartlyHidden {
        /// Which card.
        card: CardId,
        /// Patches located.
        found: usize,
        /// Patches on the card.
        of: usize,
    },
    /// A card that was recognised but could not be used, while others could.
    #[error("{0}; it was left out")]
    LeftOut(CardError),
    /// Tags of the family that no card carries.
    #[error("a tag with number {id} belongs to none of our cards; it was left out")]
    ForeignTag {
        /// Its id.
        id: u16,
    },
}

/// Why a photo gives no card.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CardError {
    /// Nothing that looks like a card.
    #[error("no measuring card found: no tag at least {smallest_px:.0} px wide could be read")]
    NoCard {
        /// Smallest tag that would have been read, px of the photo.
        smallest_px: f64,
    },
    /// Tags of the family, but not ours.
    #[error(
        "no measuring card found, only a tag with number {id}, which none of our cards carries"
    )]
    ForeignTags {
        /// One of them.
        id: u16,
    },
    /// Nothing found, and all edges in the photo are soft.
    #[error(
        "no measuring card found, and the photo looks blurred: its sharpest edges are {edge_px:.0} px wide"
    )]
    Blurred {
        /// Width of the sharpest edges from 10 to 90 %, px.
        edge_px: f64,
    },
    /// A card is there, but its patches melt into grey.
    #[error(
        "{card} is too blurred to measure: blur of {blur_px:.1} px, at most {limit_px:.1} px can be used"
    )]
    TooBlurred {
        /// Which card.
        card: CardId,
        /// Standard deviation of the blur, px.
        blur_px: f64,
        /// Largest usable, px.
        limit_px: f64,
    },
    /// Nothing found, and much of the photo is plain white.
    #[error(
        "no measuring card found, and the photo is over-exposed: {percent:.0} % of it is plain white"
    )]
    OverExposed {
        /// Share of clipped pixels, %.
        percent: f64,
    },
    /// Nothing found, and the photo is nearly black.
    #[error("no measuring card found, and the photo is nearly black")]
    TooDark,
    /// Too little of the only card is seen.
    #[error(
        "{card} is mostly hidden: {found} of its corners could be located, 4 not on one line are needed"
    )]
    MostlyHidden {
        /// Which card.
        card: CardId,
        /// Corners located.
        found: usize,
    },
    /// Two prints of one card.
    #[error("{card} is in the photo twice: every card may be used only once, print another number")]
    Twice {
        /// Which card.
        card: CardId,
    },
    /// The tag reader could not start.
    #[error("the tag reader could not be started: {reason}")]
    Detector {
        /// What it says.
        reason: String,
    },
}

impl CardError {
    /// What to do about it, one line.
    pub fn remedy(&self) -> &'static str {
        match self {
            CardError::NoCard { .. } => {
                "lay a card flat beside the row, all of it in view and in focus, and take the photo again"
            }
            CardError::ForeignTags { .. } => {
                "print our own cards with `rowsight card` and lay one beside the row"
            }
            CardError::Blurred { .. } | CardError::TooBlurred { .. } => {
                "with a card in view, hold the phone still, tap on the card to focus, and take the photo again"
            }
            CardError::OverExposed { .. } => {
                "turn the flash off or keep the sun off the card, and take the photo again"
            }
            CardError::TooDark => "switch a lamp on and take the photo again",
            CardError::MostlyHidden { .. } => {
                "move hands, tools and folds off the card and take the photo again"
            }
            CardError::Twice { .. } => "take one of the two away, or print one with another number",
            CardError::Detector { .. } => "close other programs and try again",
        }
    }
}

//! Geometry of the measuring cards, as printed at 100 %.
//!
//! Card frame: millimetres, origin at the middle of the pattern, x right, y down as the card is read
//! with its arrow ("this edge toward the rows already stitched") pointing up, to −y. The pattern is a
//! grid of tag36h11 tags, with a 2 × 2 checker patch in each crossing of the gaps between and around
//! them; a patch's top left and bottom right quarters are black, and its middle is a saddle point.
//! This geometry has shipped and never changes: people keep printed cards for years.

use crate::geometry::Point2;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Side of a tag's black square, mm.
pub const TAG_SIDE_MM: f64 = 42.0;
/// White gap between neighbouring tags, and around the outer ones, mm.
pub const GAP_MM: f64 = 12.6;
/// Distance from one tag to the next, and from one patch to the next, mm.
pub const PITCH_MM: f64 = TAG_SIDE_MM + GAP_MM;
/// Side of a whole checker patch, mm.
pub const PATCH_SIDE_MM: f64 = 7.2;
/// Length of the printed check bar at 100 %, mm.
pub const CHECK_BAR_MM: f64 = 150.0;
/// Number of sheets that have ids of their own.
pub const SHEETS: u16 = 20;
/// Number of strips that have ids of their own.
pub const STRIPS: u16 = 60;
/// First tag id of strip 1; sheets use the ids below it.
pub const FIRST_STRIP_TAG: u16 = SHEETS * 12;
/// First tag id that belongs to no card.
pub const END_OF_TAGS: u16 = FIRST_STRIP_TAG + STRIPS * 4;

/// Which card: a sheet (4 × 3 tags) or a strip (4 × 1 tags), with the number printed on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum CardId {
    /// Sheet number 1…20.
    Sheet(u16),
    /// Strip number 1…60.
    Strip(u16),
}

impl fmt::Display for CardId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CardId::Sheet(number) => write!(f, "sheet {number}"),
            CardId::Strip(number) => write!(f, "strip {number}"),
        }
    }
}

impl CardId {
    /// The card by the name printed on it, as in `strip 3`.
    pub fn from_name(name: &str) -> Option<CardId> {
        let (kind, number) = name.split_once(' ')?;
        let number: u16 = number.trim().parse().ok()?;
        match kind.to_lowercase().as_str() {
            "sheet" if (1..=SHEETS).contains(&number) => Some(CardId::Sheet(number)),
            "strip" if (1..=STRIPS).contains(&number) => Some(CardId::Strip(number)),
            _ => None,
        }
    }

    /// The card a tag belongs to and the tag's place on it, counted row by row from the top left;
    /// `None` for an id that no card carries.
    pub fn of_tag(tag_id: u16) -> Option<(CardId, usize)> {
        if tag_id < FIRST_STRIP_TAG {
            Some((CardId::Sheet(tag_id / 12 + 1), usize::from(tag_id % 12)))
        } else if tag_id < END_OF_TAGS {
            let in_strips = tag_id - FIRST_STRIP_TAG;
            Some((CardId::Strip(in_strips / 4 + 1), usize::from(in_strips % 4)))
        } else {
            None
        }
    }

    /// Columns and rows of tags.
    pub fn grid(self) -> (usize, usize) {
        match self {
            CardId::Sheet(_) => (4, 3),
            CardId::Strip(_) => (4, 1),
        }
    }

    /// Width and height of the whole pattern, mm.
    pub fn size_mm(self) -> (f64, f64) {
        let (columns, rows) = self.grid();
        (
            columns as f64 * PITCH_MM + GAP_MM,
            rows as f64 * PITCH_MM + GAP_MM,
        )
    }

    /// The tag ids on this card, row by row from the top left.
    pub fn tag_ids(self) -> std::ops::Range<u16> {
        match self {
            CardId::Sheet(number) => 12 * (number - 1)..12 * number,
            CardId::Strip(number) => {
                FIRST_STRIP_TAG + 4 * (number - 1)..FIRST_STRIP_TAG + 4 * number
            }
        }
    }

    /// Top left corner of the tag at `place` (row by row), in the card frame.
    pub fn tag_top_left_mm(self, place: usize) -> Point2 {
        let (columns, _) = self.grid();
        let (width, height) = self.size_mm();
        let (column, row) = (place % columns, place / columns);
        Point2::new(
            GAP_MM + column as f64 * PITCH_MM - width / 2.0,
            GAP_MM + row as f64 * PITCH_MM - height / 2.0,
        )
    }

    /// Corners of the tag's black square: top left, top right, bottom right, bottom left of the
    /// upright tag, in the card frame.
    pub fn tag_corners_mm(self, place: usize) -> [Point2; 4] {
        let p = self.tag_top_left_mm(place);
        [
            (0.0, 0.0),
            (TAG_SIDE_MM, 0.0),
            (TAG_SIDE_MM, TAG_SIDE_MM),
            (0.0, TAG_SIDE_MM),
        ]
        .map(|(x, y)| Point2::new(p.x + x, p.y + y))
    }

    /// Half width and half height of the paper a card is printed on, as printed at 100 %, mm: an A4
    /// page for a sheet, half of one for a strip. A letter page is smaller by a centimetre or so.
    pub fn paper_half_mm(self) -> (f64, f64) {
        match self {
            CardId::Sheet(_) => (148.5, 105.0),
            CardId::Strip(_) => (148.5, 52.5),
        }
    }

    /// Middles of the checker patches, row by row from the top left, in the card frame.
    pub fn patches_mm(self) -> Vec<Point2> {
        let (columns, rows) = self.grid();
        let (width, height) = self.size_mm();
        let at = |n: usize, extent: f64| GAP_MM / 2.0 + n as f64 * PITCH_MM - extent / 2.0;
        (0..=rows)
            .flat_map(|row| {
                (0..=columns).map(move |column| Point2::new(at(column, width), at(row, height)))
            })
            .collect()
    }
}

/// What reading the check bar to a quarter of a millimetre leaves of a length. Standard uncertainty, mm.
pub fn print_scale_u_mm(length_mm: f64, bar_mm: f64) -> f64 {
    const HALF_A_STEP_MM: f64 = 0.125;
    length_mm.abs() * HALF_A_STEP_MM / 3f64.sqrt() / bar_mm
}

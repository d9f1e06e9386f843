//! Printing the measuring cards: PDF and SVG drawn from one page description.
//!
//! [`layout`] says what stands where on each page, in millimetres; [`pdf`] and [`svg_pages`] only
//! write that down in their format, so the two cannot differ.
//!
//! ```
//! use rowsight::card::print::{CardOrder, Numbers, Paper, pdf};
//!
//! let two_sheets = Numbers { first: 1, count: 2 };
//! let four_strips = Numbers { first: 1, count: 4 };
//! let order = CardOrder::new(Paper::Letter, two_sheets, four_strips)?;
//! let file = pdf(&order)?;
//! assert!(file.starts_with(b"%PDF-"));
//! # Ok::<(), rowsight::card::print::PrintError>(())
//! ```

pub mod layout;
mod pdf_file;
mod svg_file;
mod text_width;

use crate::card::geometry::{CardId, SHEETS, STRIPS};
use std::collections::HashSet;
use std::str::FromStr;

/// Paper the cards are printed on, landscape. The cards are the same on both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 297 × 210 mm (ISO 216).
    A4,
    /// 11 × 8.5 in (ANSI/ASME Y14.1, size A).
    Letter,
}

impl Paper {
    /// Width and height of the page, landscape, mm.
    pub fn size_mm(self) -> (f64, f64) {
        match self {
            Paper::A4 => (297.0, 210.0),
            Paper::Letter => (279.4, 215.9),
        }
    }
}

impl FromStr for Paper {
    type Err = PrintError;

    /// Reads `a4` or `letter`, in capitals or not.
    fn from_str(name: &str) -> Result<Self, Self::Err> {
        match name.to_ascii_lowercase().as_str() {
            "a4" => Ok(Paper::A4),
            "letter" => Ok(Paper::Letter),
            _ => Err(PrintError::UnknownPaper {
                found: name.to_owned(),
            }),
        }
    }
}

/// A run of card numbers: `count` of them, from `first` on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Numbers {
    /// The first number, 1 or more.
    pub first: u16,
    /// How many; 0 for none.
    pub count: u16,
}

/// Which cards to print, and on what paper.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardOrder {
    /// The paper.
    pub paper: Paper,
    /// Sheet numbers, 1…20, in printing order; one on a page.
    pub sheets: Vec<u16>,
    /// Strip numbers, 1…60, in printing order; two on a page.
    pub strips: Vec<u16>,
}

/// Why cards cannot be printed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PrintError {
    /// Neither a sheet nor a strip was ordered.
    #[error("no cards to print; ask for at least one sheet or strip")]
    NothingOrdered,
    /// There is no sheet of this number.
    #[error(
        "sheet numbers run from 1 to {SHEETS}, found {found}; ask for fewer, or begin at a lower number"
    )]
    NoSuchSheet {
        /// The number ordered.
        found: u32,
    },
    /// There is no strip of this number.
    #[error(
        "strip numbers run from 1 to {STRIPS}, found {found}; ask for fewer, or begin at a lower number"
    )]
    NoSuchStrip {
        /// The number ordered.
        found: u32,
    },
    /// Two equal cards in one photo could not be told apart, so none is printed twice.
    #[error("each card is printed once, found {card} twice")]
    Repeated {
        /// The card ordered twice.
        card: CardId,
    },
    /// Not a paper the cards are laid out for.
    #[error("paper is a4 or letter, found {found:?}")]
    UnknownPaper {
        /// The name given.
        found: String,
    },
}

impl CardOrder {
    /// Orders the cards of two runs of numbers.
    ///
    /// # Errors
    ///
    /// [`PrintError::NothingOrdered`] when both counts are 0; [`PrintError::NoSuchSheet`] and
    /// [`PrintError::NoSuchStrip`] with the first number out of range.
    pub fn new(paper: Paper, sheets: Numbers, strips: Numbers) -> Result<Self, PrintError> {
        let order = CardOrder {
            paper,
            sheets: run(sheets, SHEETS).map_err(|found| PrintError::NoSuchSheet { found })?,
            strips: run(strips, STRIPS).map_err(|found| PrintError::NoSuchStrip { found })?,
        };
        order.check()?;
        Ok(order)
    }

    /// The fields are open, so the printers check again.
    fn check(&self) -> Result<(), PrintError> {
        if self.sheets.is_empty() && self.strips.is_empty() {
            return Err(PrintError::NothingOrdered);
        }
        if let Some(&found) = self.sheets.iter().find(|n| !(1..=SHEETS).contains(*n)) {
            let found = u32::from(found);
            return Err(PrintError::NoSuchSheet { found });
        }
        if let Some(&found) = self.strips.iter().find(|n| !(1..=STRIPS).contains(*n)) {
            let found = u32::from(found);
            return Err(PrintError::NoSuchStrip { found });
        }
        let sheets = self.sheets.iter().map(|&n| CardId::Sheet(n));
        let mut cards = sheets.chain(self.strips.iter().map(|&n| CardId::Strip(n)));
        let mut seen = HashSet::new();
        match cards.find(|&card| !seen.insert(card)) {
            Some(card) => Err(PrintError::Repeated { card }),
            None => Ok(()),
        }
    }
}

/// The numbers of a run, or its first number outside 1…`last`. Summed in `u32`: the counts come from
/// a command line and may be anything.
fn run(numbers: Numbers, last: u16) -> Result<Vec<u16>, u32> {
    let first = u32::from(numbers.first);
    (first..first + u32::from(numbers.count))
        .map(|n| match u16::try_from(n) {
            Ok(number) if (1..=last).contains(&number) => Ok(number),
            _ => Err(n),
        })
        .collect()
}

/// The cards as one PDF file: a page to a sheet, then a page to two strips.
///
/// The same order gives the same bytes. Viewers are asked to print it unscaled.
///
/// # Errors
///
/// When nothing is ordered, a number is out of range, or a card is ordered twice.
pub fn pdf(order: &CardOrder) -> Result<Vec<u8>, PrintError> {
    Ok(pdf_file::write(&layout::pages(order)?))
}

/// The cards as SVG documents, one a page, in the page order of [`pdf`].
///
/// # Errors
///
/// As for [`pdf`].
pub fn svg_pages(order: &CardOrder) -> Result<Vec<String>, PrintError> {
    Ok(layout::pages(order)?.iter().map(svg_file::write).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order(sheets: (u16, u16), strips: (u16, u16)) -> Result<CardOrder, PrintError> {
        let numbers = |(first, count)| Numbers { first, count };
        CardOrder::new(Paper::A4, numbers(sheets), numbers(strips))
    }

    #[test]
    fn first_number_and_count_give_the_numbers_printed() {
        let order = order((19, 2), (58, 3)).unwrap();
        assert_eq!(order.sheets, [19, 20]);
        assert_eq!(order.strips, [58, 59, 60]);
    }

    #[test]
    fn orders_that_cannot_be_printed_are_refused_with_the_number_at_fault() {
        assert_eq!(order((1, 0), (1, 0)), Err(PrintError::NothingOrdered));
        assert_eq!(
            order((20, 2), (1, 0)),
            Err(PrintError::NoSuchSheet { found: 21 })
        );
        assert_eq!(
            order((0, 1), (1, 0)),
            Err(PrintError::NoSuchSheet { found: 0 })
        );
        assert_eq!(
            order((1, 0), (u16::MAX, u16::MAX)),
            Err(PrintError::NoSuchStrip { found: 65535 })
        );
        let twice = CardOrder {
            paper: Paper::A4,
            sheets: vec![],
            strips: vec![3, 3],
        };
        let card = CardId::Strip(3);
        assert_eq!(pdf(&twice), Err(PrintError::Repeated { card }));
        assert_eq!(svg_pages(&twice), Err(PrintError::Repeated { card }));
    }
}

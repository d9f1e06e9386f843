//! What stands where on the printed pages.
//!
//! Pages and cards are described as filled areas and texts in millimetres, x right, y down, from the
//! page's top left corner, or from the middle of the pattern in the card frame. A card with its
//! labels is the same block on every paper; a page centres its blocks.

use super::text_width::width_in_ems;
use super::{CardOrder, PrintError};
use crate::card::geometry::{CHECK_BAR_MM, CardId, PATCH_SIDE_MM, TAG_SIDE_MM};
use crate::card::tag36h11::{CELLS, white_cells};
use crate::geometry::{Point2, Vector2};
use crate::units::INCH;

/// What every page leaves unprinted along its edges, mm. Home printers leave 3 to 6 mm (common
/// practice, no source).
pub const BORDER_MM: f64 = 6.0;
/// Height of the band of labels above the pattern: number and arrow, mm.
pub const TOP_BAND_MM: f64 = 8.0;
/// Height of the band of labels below the pattern: the check bar, mm.
pub const BOTTOM_BAND_MM: f64 = 10.0;

/// The words at the arrows.
pub const TOP_EDGE_WORDS: &str = "this edge toward the rows already stitched";

/// Font size of the card's number, mm.
const NUMBER_SIZE_MM: f64 = 5.2;
/// Font size of the words at the arrows, mm.
const WORDS_SIZE_MM: f64 = 4.2;
/// Font size of everything else, mm; 8 points, the least that reads well at arm's length.
const SMALL_SIZE_MM: f64 = 2.8;
/// Distance between lines of small text, mm.
const SMALL_LEADING_MM: f64 = 3.3;
/// Height of the check bar, mm.
const BAR_HEIGHT_MM: f64 = 2.0;
/// Width of the bar's tick lines, mm.
const TICK_WIDTH_MM: f64 = 0.3;
/// Length of the bar's tick lines below it, mm.
const TICK_LENGTH_MM: f64 = 1.8;
/// Length of a dash of the cutting line, and of the space after it, mm.
const DASH_MM: f64 = 3.0;

/// One printed page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Width and height, mm.
    pub size_mm: (f64, f64),
    /// The cards on it, top one first.
    pub cards: Vec<PlacedCard>,
    /// Everything drawn on it, in the page frame.
    pub marks: Vec<Mark>,
}

/// A card on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedCard {
    /// Which card.
    pub card: CardId,
    /// Middle of its pattern, the origin of the card frame, on the page, mm.
    pub middle_on_page_mm: Point2,
}

/// One thing drawn, all in black.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// Filled polygons that may touch but not overlap. They are filled as one path, because separate
    /// ones show a hair of white along shared edges on screen and on some printers.
    Area(Vec<Vec<Point2>>),
    /// One line of text.
    Text(Label),
}

/// One line of text in Helvetica or a like font; printable ASCII.
#[derive(Debug, Clone, PartialEq)]
pub struct Label {
    /// Point on the baseline that the text is placed by, mm.
    pub at: Point2,
    /// Which part of the text stands at that point.
    pub anchor: Anchor,
    /// Font size, mm.
    pub size_mm: f64,
    /// The text.
    pub text: String,
}

/// Which part of a text stands at its given point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The start: text runs right from the point.
    Start,
    /// The middle.
    Middle,
    /// The end: text runs up to the point.
    End,
}

impl Label {
    /// Width of the text set in Helvetica, mm.
    pub fn width_mm(&self) -> f64 {
        self.size_mm * width_in_ems(&self.text)
    }

    /// Where the text starts on its baseline when set in Helvetica, mm.
    pub fn start_mm(&self) -> Point2 {
        let before = match self.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => self.width_mm() / 2.0,
            Anchor::End => self.width_mm(),
        };
        Point2::new(self.at.x - before, self.at.y)
    }
}

impl Mark {
    /// The mark moved by a displacement, mm.
    pub fn moved(&self, by: Vector2) -> Mark {
        match self {
            Mark::Area(polygons) => {
                let moved = |polygon: &Vec<Point2>| polygon.iter().map(|p| p + by).collect();
                Mark::Area(polygons.iter().map(moved).collect())
            }
            Mark::Text(label) => Mark::Text(Label {
                at: label.at + by,
                ..label.clone()
            }),
        }
    }

    /// Top left and bottom right corners of the smallest upright rectangle that holds the mark, mm.
    /// For text it is Helvetica's own: ascent 0.718 and descent 0.207 of the size (Adobe, core font
    /// metrics).
    pub fn bounds_mm(&self) -> (Point2, Point2) {
        match self {
            Mark::Area(polygons) => {
                let corners = || polygons.iter().flatten();
                let least = |f: fn(&Point2) -> f64| corners().map(f).fold(f64::INFINITY, f64::min);
                let most =
                    |f: fn(&Point2) -> f64| corners().map(f).fold(f64::NEG_INFINITY, f64::max);
                (
                    Point2::new(least(|p| p.x), least(|p| p.y)),
                    Point2::new(most(|p| p.x), most(|p| p.y)),
                )
            }
            Mark::Text(label) => {
                let start = label.start_mm();
                (
                    Point2::new(start.x, start.y - 0.718 * label.size_mm),
                    Point2::new(start.x + label.width_mm(), start.y + 0.207 * label.size_mm),
                )
            }
        }
    }
}

/// The pages of an order: a page to a sheet, then a page to two strips.
///
/// # Errors
///
/// When nothing is ordered, a number is out of range, or a card is ordered twice.
pub fn pages(order: &CardOrder) -> Result<Vec<Page>, PrintError> {
    order.check()?;
    let size_mm = order.paper.size_mm();
    let sheets = order.sheets.iter().map(|&n| vec![CardId::Sheet(n)]);
    let strips = order.strips.chunks(2);
    let strips = strips.map(|two| two.iter().map(|&n| CardId::Strip(n)).collect());
    Ok(sheets
        .chain(strips)
        .map(|cards: Vec<CardId>| page(size_mm, &cards))
        .collect())
}

/// A page with one sheet, or with one or two strips from the top.
fn page(size_mm: (f64, f64), cards: &[CardId]) -> Page {
    let (width, height) = size_mm;
    let places = match cards[0] {
        CardId::Sheet(_) => 1,
        CardId::Strip(_) => 2,
    };
    let place_height = height / f64::from(places);
    let cards: Vec<PlacedCard> = (0..places)
        .zip(cards)
        .map(|(place, &card)| {
            let middle_of_block = (f64::from(place) + 0.5) * place_height;
            let y = middle_of_block + (TOP_BAND_MM - BOTTOM_BAND_MM) / 2.0;
            PlacedCard {
                card,
                middle_on_page_mm: Point2::new(width / 2.0, y),
            }
        })
        .collect();
    let mut marks = Vec::new();
    for placed in &cards {
        let card = pattern(placed.card).into_iter().chain(labels(placed.card));
        marks.extend(card.map(|mark| mark.moved(placed.middle_on_page_mm.coords)));
    }
    for cut in 1..places {
        let y = f64::from(cut) * place_height;
        let (block_width, _) = CardId::Strip(1).size_mm();
        marks.extend(cutting_line(width / 2.0, y, block_width));
    }
    Page {
        size_mm,
        cards,
        marks,
    }
}

/// The tags and the checker patches of a card, in the card frame.
pub fn pattern(card: CardId) -> Vec<Mark> {
    let tags = card.tag_ids().enumerate().map(|(place, tag_id)| {
        let corner = card.tag_top_left_mm(place);
        Mark::Area(
            black_runs(tag_id)
                .map(|(row, from, to)| {
                    let cell = |n: usize| n as f64 * TAG_SIDE_MM / CELLS as f64;
                    rectangle(
                        corner + Vector2::new(cell(from), cell(row)),
                        corner + Vector2::new(cell(to), cell(row + 1)),
                    )
                })
                .collect(),
        )
    });
    let half = PATCH_SIDE_MM / 2.0;
    let diagonal = Vector2::new(half, half);
    let patches = card.patches_mm().into_iter().map(|middle| {
        Mark::Area(vec![
            rectangle(middle - diagonal, middle),
            rectangle(middle, middle + diagonal),
        ])
    });
    tags.chain(patches).collect()
}

/// The black cells of a tag as runs along its rows: row, first column, column past the last.
fn black_runs(tag_id: u16) -> impl Iterator<Item = (usize, usize, usize)> {
    white_cells(tag_id)
        .into_iter()
        .enumerate()
        .flat_map(|(row, white)| {
            let mut runs = Vec::new();
            let mut column = 0;
            for run in white.chunk_by(|a, b| a == b) {
                if !run[0] {
                    runs.push((row, column, column + run.len()));
                }
                column += run.len();
            }
            runs
        })
}

/// Everything printed around the pattern, in the card frame; none of it reaches into the pattern,
/// whose outer gap keeps the tags readable.
pub fn labels(card: CardId) -> Vec<Mark> {
    let (width, height) = card.size_mm();
    let (left, right) = (-width / 2.0, width / 2.0);
    let (top, bottom) = (-height / 2.0, height / 2.0);
    let small = |x: f64, y: f64, anchor: Anchor, text: &str| {
        label(Point2::new(x, y), anchor, SMALL_SIZE_MM, text)
    };

    let baseline = top - 2.8;
    let number = format!("rowsight {card}");
    let number = label(
        Point2::new(left, baseline),
        Anchor::Start,
        NUMBER_SIZE_MM,
        &number,
    );
    let words = Label {
        at: Point2::new(0.0, baseline),
        anchor: Anchor::Middle,
        size_mm: WORDS_SIZE_MM,
        text: TOP_EDGE_WORDS.to_owned(),
    };
    // Room for the wider letters that an SVG viewer may put in Helvetica's place.
    let arrow_x = 0.68 * words.width_mm();
    let arrow_top = top - TOP_BAND_MM;
    let mut marks = vec![
        number,
        Mark::Text(words),
        up_arrow(Point2::new(-arrow_x, arrow_top)),
        up_arrow(Point2::new(arrow_x, arrow_top)),
    ];
    let print_lines = [
        "Print at 100 %, no fit to page.",
        "Mount flat on stiff board.",
    ];
    marks.extend(print_lines.iter().rev().zip(0u8..).map(|(text, line)| {
        let y = baseline - f64::from(line) * SMALL_LEADING_MM;
        small(right, y, Anchor::End, text)
    }));

    let bar_top_left = Point2::new(left, bottom + 1.0);
    marks.push(check_bar(bar_top_left));
    let numbers_y = bar_top_left.y + BAR_HEIGHT_MM + TICK_LENGTH_MM + 2.7;
    marks.extend((1..=5).map(|inches| {
        let x = left + f64::from(inches) * INCH.0;
        let text = match inches {
            5 => "5 in".to_owned(),
            _ => inches.to_string(),
        };
        small(x, numbers_y, Anchor::Middle, &text)
    }));
    marks.push(small(left + CHECK_BAR_MM, numbers_y, Anchor::End, "150 mm"));
    let bar_lines = [
        "Check bar: lay a ruler on it, end to end, and",
        "enter what the ruler reads as --card-bar.",
        "At 100 % it is 150 mm, or 5 29/32 in, long.",
    ];
    marks.extend(bar_lines.iter().zip(0u8..).map(|(text, line)| {
        let y = bar_top_left.y + 1.9 + f64::from(line) * SMALL_LEADING_MM;
        small(left + CHECK_BAR_MM + 8.0, y, Anchor::Start, text)
    }));
    marks
}

/// The check bar: solid from end to end, with a tick below each whole inch and one flush with either end,
/// so that nothing sticks out beyond the length to be measured.
fn check_bar(top_left: Point2) -> Mark {
    let at = |x: f64, y: f64| top_left + Vector2::new(x, y);
    let tick = |from: f64| {
        rectangle(
            at(from, BAR_HEIGHT_MM),
            at(from + TICK_WIDTH_MM, BAR_HEIGHT_MM + TICK_LENGTH_MM),
        )
    };
    let mut polygons = vec![
        rectangle(top_left, at(CHECK_BAR_MM, BAR_HEIGHT_MM)),
        tick(0.0),
        tick(CHECK_BAR_MM - TICK_WIDTH_MM),
    ];
    polygons.extend((1..=5).map(|inches| tick(f64::from(inches) * INCH.0 - TICK_WIDTH_MM / 2.0)));
    Mark::Area(polygons)
}

/// An arrow that points up, 6 mm wide, its tip at the point given.
fn up_arrow(tip: Point2) -> Mark {
    let outline = [
        (0.0, 0.0),
        (3.0, 3.6),
        (0.9, 3.6),
        (0.9, 6.4),
        (-0.9, 6.4),
        (-0.9, 3.6),
        (-3.0, 3.6),
    ];
    let outline = outline.map(|(x, y)| tip + Vector2::new(x, y));
    Mark::Area(vec![outline.to_vec()])
}

/// A dashed line across the page to cut two strips apart.
fn cutting_line(middle_x: f64, y: f64, length: f64) -> [Mark; 2] {
    let left = middle_x - length / 2.0;
    let dashes = (length / (2.0 * DASH_MM)).floor() as usize;
    let dash = |n: usize| {
        let x = left + n as f64 * 2.0 * DASH_MM;
        rectangle(Point2::new(x, y - 0.1), Point2::new(x + DASH_MM, y + 0.1))
    };
    [
        Mark::Area((0..=dashes).map(dash).collect()),
        label(
            Point2::new(left, y - 1.2),
            Anchor::Start,
            SMALL_SIZE_MM,
            "cut here",
        ),
    ]
}

fn label(at: Point2, anchor: Anchor, size_mm: f64, text: &str) -> Mark {
    Mark::Text(Label {
        at,
        anchor,
        size_mm,
        text: text.to_owned(),
    })
}

fn rectangle(top_left: Point2, bottom_right: Point2) -> Vec<Point2> {
    vec![
        top_left,
        Point2::new(bottom_right.x, top_left.y),
        bottom_right,
        Point2::new(top_left.x, bottom_right.y),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::print::Paper;

    fn every_card(paper: Paper) -> Vec<Page> {
        let order = CardOrder {
            paper,
            sheets: (1..=20).collect(),
            strips: (1..=60).collect(),
        };
        pages(&order).unwrap()
    }

    /// Rounding of sums of a few hundred millimetres in `f64`.
    const ROUNDING_MM: f64 = 1e-9;

    #[test]
    fn patterns_have_their_published_size() {
        // The sizes are those of the card's specification: 231.0 × 176.4 mm and 231.0 × 67.2 mm.
        // The patches stand half a gap in from the edge, so they reach to 12.6/2 − 7.2/2 = 2.7 mm
        // from it on all sides.
        for (card, width, height) in [
            (CardId::Sheet(20), 231.0, 176.4),
            (CardId::Strip(60), 231.0, 67.2),
        ] {
            let bounds: Vec<_> = pattern(card).iter().map(Mark::bounds_mm).collect();
            let least = bounds
                .iter()
                .fold(Point2::origin(), |a, (min, _)| a.inf(min));
            let most = bounds
                .iter()
                .fold(Point2::origin(), |a, (_, max)| a.sup(max));
            let expected = Point2::new(width / 2.0 - 2.7, height / 2.0 - 2.7);
            assert!((most - expected).norm() < ROUNDING_MM, "{card}: {most}");
            assert!(
                (least + expected.coords).coords.norm() < ROUNDING_MM,
                "{card}: {least}"
            );
        }
    }

    #[test]
    fn everything_stays_clear_of_the_edges_of_both_papers() {
        for paper in [Paper::A4, Paper::Letter] {
            let (width, height) = paper.size_mm();
            for mark in every_card(paper).iter().flat_map(|page| &page.marks) {
                let (min, max) = mark.bounds_mm();
                assert!(
                    min.x >= BORDER_MM && min.y >= BORDER_MM,
                    "{paper:?}: {mark:?}"
                );
                let (right, bottom) = (width - max.x, height - max.y);
                assert!(
                    right >= BORDER_MM && bottom >= BORDER_MM,
                    "{paper:?}: {mark:?}"
                );
            }
        }
    }

    #[test]
    fn nothing_but_the_pattern_is_printed_inside_its_outer_gap() {
        for paper in [Paper::A4, Paper::Letter] {
            for page in every_card(paper) {
                for placed in &page.cards {
                    let (width, height) = placed.card.size_mm();
                    let half = Vector2::new(width / 2.0, height / 2.0);
                    let least = placed.middle_on_page_mm - half;
                    let most = placed.middle_on_page_mm + half;
                    let inside = page.marks.iter().filter(|mark| {
                        let (min, max) = mark.bounds_mm();
                        min.x < most.x && max.x > least.x && min.y < most.y && max.y > least.y
                    });
                    let (columns, rows) = placed.card.grid();
                    let pattern_marks = columns * rows + (columns + 1) * (rows + 1);
                    assert_eq!(inside.count(), pattern_marks, "{}", placed.card);
                }
            }
        }
    }

    #[test]
    fn no_two_marks_of_a_page_overlap() {
        for paper in [Paper::A4, Paper::Letter] {
            for page in every_card(paper) {
                let bounds: Vec<_> = page.marks.iter().map(Mark::bounds_mm).collect();
                for (n, (a_min, a_max)) in bounds.iter().enumerate() {
                    for (m, (b_min, b_max)) in bounds.iter().enumerate().skip(n + 1) {
                        let apart = a_max.x <= b_min.x
                            || b_max.x <= a_min.x
                            || a_max.y <= b_min.y
                            || b_max.y <= a_min.y;
                        assert!(apart, "{:?} on {:?}", page.marks[n], page.marks[m]);
                    }
                }
            }
        }
    }

    #[test]
    fn every_card_carries_its_number_its_arrow_words_and_its_bar() {
        let pages = every_card(Paper::Letter);
        assert_eq!(pages.len(), 20 + 30);
        for page in pages {
            let texts: Vec<&str> = page
                .marks
                .iter()
                .filter_map(|mark| match mark {
                    Mark::Text(label) => Some(label.text.as_str()),
                    Mark::Area(_) => None,
                })
                .collect();
            for placed in &page.cards {
                let number = format!("rowsight {}", placed.card);
                assert_eq!(texts.iter().filter(|&&t| t == number).count(), 1);
            }
            let count = |words: &str| texts.iter().filter(|t| t.contains(words)).count();
            assert_eq!(count(TOP_EDGE_WORDS), page.cards.len());
            assert_eq!(count("--card-bar"), page.cards.len());
            assert_eq!(count("Print at 100 %"), page.cards.len());
            let bars = page.marks.iter().filter(|mark| {
                let (min, max) = mark.bounds_mm();
                let is_area = matches!(mark, Mark::Area(_));
                is_area && (max.x - min.x - 150.0).abs() < ROUNDING_MM
            });
            assert_eq!(bars.count(), page.cards.len());
        }
    }

    #[test]
    fn a_tags_black_and_white_cells_fill_its_square() {
        // 36 code cells inside a one-cell border: 8 × 8 − 6 × 6 border cells are always black.
        for tag_id in [0, 239, 240, 479] {
            let black: usize = black_runs(tag_id).map(|(_, from, to)| to - from).sum();
            let white = white_cells(tag_id).iter().flatten().filter(|&&w| w).count();
            assert_eq!(black + white, 64);
            assert!(black > 28, "tag {tag_id}: {black}");
        }
    }
}

//! The page's tags as blocks: headings, paragraphs, lists, tables, figures, pairs side by side.

use super::drawing::{self, Mark, Stroke};
use super::face::Face;
use super::flow::{Block, Element, Placed, Role, stack};
use super::sheet::{Colour, Sheet, colour};
use super::text::{Run, Setting, lines, natural_widths, runs, set_lines};
use crate::report::colours::LIGHT;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use image::ImageDecoder;
use image::codecs::jpeg::JpegDecoder;
use kurbo::{Rect, Shape};
use roxmltree::Node;

const BODY: Setting = setting(9.5, 13.5);
const LEAD: Setting = setting(11.0, 15.0);
const SMALL: Setting = setting(8.0, 10.8);

/// Room between the columns of a pair, and between figures below each other.
const GUTTER: f64 = 22.0;
const BETWEEN: f64 = 10.0;
/// Room inside the frame of the verdict.
const PADDING: f64 = 8.0;
/// Room between the columns of a table.
const COLUMN_GAP: f64 = 9.0;
/// Room above and below the text of a table's row.
const ROW_PADDING: f64 = 2.0;
/// A map needs no more than 11 cm, as in the page's own rules for print.
const MAP_WIDE: f64 = 110.0 * super::POINTS_PER_MM;
/// A table higher than this share of a page is not set beside a figure.
const HIGHEST_BESIDE: f64 = 0.45;
/// A table lower than this share of a page is not broken.
const HIGHEST_KEPT: f64 = 0.3;
/// A figure whose neighbour is set below it takes this share of the width.
const ALONE: f64 = 0.72;
/// A word longer than this share of a table's width may be broken.
const LONGEST_WORD: f64 = 0.3;
/// A drawing leaves this much of a page to its heading and caption.
const FOR_HEADING_AND_CAPTION: f64 = 90.0;

const fn setting(size: f64, leading: f64) -> Setting {
    Setting { size, leading }
}

/// A JPEG of the document.
#[derive(Debug, Clone)]
pub(super) struct Photo {
    pub jpeg: Vec<u8>,
    pub width_px: u32,
    pub height_px: u32,
    pub grey: bool,
}

/// A document's blocks, and what they refer to by number.
#[derive(Debug)]
pub(super) struct Content<'a> {
    sheet: &'a Sheet,
    room_high: f64,
    pub elements: Vec<Element>,
    pub photos: Vec<Photo>,
    /// Headings of the tables.
    pub headings: Vec<Block>,
}

impl<'a> Content<'a> {
    /// `room_high`: height of a page's text, points.
    pub fn new(sheet: &'a Sheet, room_high: f64) -> Content<'a> {
        Content {
            sheet,
            room_high,
            elements: Vec::new(),
            photos: Vec::new(),
            headings: Vec::new(),
        }
    }

    fn element(&mut self, role: Role, parent: Option<usize>) -> usize {
        self.elements.push(Element {
            role,
            parent,
            alternative: None,
        });
        self.elements.len() - 1
    }

    /// The blocks of what an element holds, `wide` points wide.
    pub fn blocks(&mut self, holder: Node, wide: f64) -> Vec<Block> {
        let mut blocks = Vec::new();
        for node in holder.children().filter(Node::is_element) {
            match node.tag_name().name() {
                "h1" => blocks.push(self.heading(node, wide, 1)),
                "h2" => blocks.push(self.heading(node, wide, 2)),
                "h3" | "h4" => blocks.push(self.heading(node, wide, 3)),
                "ul" | "ol" => blocks.extend(self.list(node, wide)),
                "table" => blocks.extend(self.table(node, wide)),
                "figure" | "svg" | "img" => blocks.push(self.figure(node, wide)),
                "div" if is_of(node, "pair") || is_of(node, "parts") => {
                    blocks.extend(self.pairs(node, wide))
                }
                "div" | "section" | "main" | "article" | "header" | "footer" => {
                    blocks.extend(self.blocks(node, wide));
                }
                "style" | "script" | "title" => {}
                _ => blocks.extend(self.paragraph(node, wide)),
            }
        }
        blocks
    }

    fn heading(&mut self, node: Node, wide: f64, level: u8) -> Block {
        let (setting, above, below) = match level {
            1 => (setting(17.0, 21.0), 24.0, 5.0),
            2 => (setting(12.5, 16.0), 18.0, 3.0),
            _ => (setting(10.0, 13.5), 10.0, 1.0),
        };
        let lines = lines(&runs(node, self.sheet, true), setting.size, wide);
        let element = self.element(Role::Heading(level), None);
        Block {
            above,
            height: setting.leading * lines.len() as f64 + below,
            marks: placed(set_lines(&lines, setting, 0.0, 0.0), Some(element)),
            keep_with_next: true,
            row_of: None,
        }
    }

    fn paragraph(&mut self, node: Node, wide: f64) -> Vec<Block> {
        let (verdict, caution) = (is_of(node, "verdict"), is_of(node, "caution"));
        let setting = if verdict { LEAD } else { BODY };
        let inset = match (verdict, caution) {
            (true, _) => PADDING,
            (_, true) => 11.0,
            _ => 0.0,
        };
        let (top, right) = if verdict {
            (PADDING, PADDING)
        } else {
            (0.0, 0.0)
        };
        let lines = lines(
            &runs(node, self.sheet, verdict),
            setting.size,
            wide - inset - right,
        );
        if lines.is_empty() {
            return Vec::new();
        }
        let element = self.element(Role::Paragraph, None);
        let mut blocks = Vec::new();
        for lines in lines.chunks(self.most_lines(setting)) {
            let height = setting.leading * lines.len() as f64 + 2.0 * top;
            let mut marks = Vec::new();
            if verdict {
                let frame = Rect::new(0.75, 0.75, wide - 0.75, height - 0.75);
                marks.push(outlined(frame, colour(LIGHT.ink), 1.5));
            }
            if caution {
                let bar = Rect::new(0.0, 0.0, 3.0, height);
                marks.push(Mark::area(bar, colour(LIGHT.series[2])));
            }
            let mut marks = placed(marks, None);
            marks.extend(placed(set_lines(lines, setting, inset, top), Some(element)));
            blocks.push(Block {
                above: match (blocks.is_empty(), verdict || caution) {
                    (false, _) => 0.0,
                    (_, true) => 8.0,
                    _ => 6.0,
                },
                height,
                marks,
                keep_with_next: false,
                row_of: None,
            });
        }
        blocks
    }

    /// Text of more lines may be broken over pages.
    fn most_lines(&self, setting: Setting) -> usize {
        (0.3 * self.room_high / setting.leading) as usize
    }

    fn list(&mut self, node: Node, wide: f64) -> Vec<Block> {
        let list = self.element(Role::List, None);
        let indent = 12.0;
        let mut blocks = Vec::new();
        for item in node.children().filter(|n| n.has_tag_name("li")) {
            let lines = lines(&runs(item, self.sheet, false), BODY.size, wide - indent);
            let element = self.element(Role::ListItem, Some(list));
            let body = self.element(Role::ListBody, Some(element));
            let dot = vec![vec![Run {
                text: "•".to_owned(),
                face: Face::Regular,
                colour: colour(LIGHT.ink),
            }]];
            for (k, lines) in lines.chunks(self.most_lines(BODY)).enumerate() {
                let mut marks = match k {
                    0 => placed(set_lines(&dot, BODY, 2.0, 0.0), None),
                    _ => Vec::new(),
                };
                marks.extend(placed(set_lines(lines, BODY, indent, 0.0), Some(body)));
                blocks.push(Block {
                    above: match (blocks.is_empty(), k) {
                        (true, _) => 5.0,
                        (_, 0) => 2.0,
                        _ => 0.0,
                    },
                    height: BODY.leading * lines.len() as f64,
                    marks,
                    keep_with_next: false,
                    row_of: None,
                });
            }
        }
        blocks
    }

    /// A photo or drawing with its caption.
    fn figure(&mut self, node: Node, wide: f64) -> Block {
        let element = self.element(Role::Figure, None);
        let wide = if is_of(node, "map") {
            wide.min(MAP_WIDE)
        } else {
            wide
        };
        let mut parts: Vec<Block> = Vec::new();
        let inside: Vec<Node> = match node.tag_name().name() {
            "figure" => node.children().filter(Node::is_element).collect(),
            _ => vec![node],
        };
        for part in inside {
            match part.tag_name().name() {
                "svg" | "img" => {
                    let (marks, height) = self.picture(part, wide);
                    self.elements[element].alternative = alternative(part);
                    parts.push(Block {
                        above: BETWEEN,
                        height,
                        marks: placed(marks, Some(element)),
                        ..Block::default()
                    });
                }
                _ => {
                    let lines = lines(&runs(part, self.sheet, false), SMALL.size, wide);
                    let caption = self.element(Role::Caption, Some(element));
                    parts.push(Block {
                        above: 3.0,
                        height: SMALL.leading * lines.len() as f64,
                        marks: placed(set_lines(&lines, SMALL, 0.0, 0.0), Some(caption)),
                        ..Block::default()
                    });
                }
            }
        }
        stack(parts)
    }

    /// Marks of a photo or drawing and how high it is. A photo that is no JPEG is left out.
    fn picture(&mut self, node: Node, wide: f64) -> (Vec<Mark>, f64) {
        let highest = self.room_high - FOR_HEADING_AND_CAPTION;
        let fitted = |w: f64, h: f64| (wide * h / w).min(highest) / h;
        if node.has_tag_name("img") {
            let source = node.attribute("src").unwrap_or("");
            let Some(number) = self.photo(source) else {
                return (Vec::new(), 0.0);
            };
            let photo = &self.photos[number];
            let (w, h) = (f64::from(photo.width_px), f64::from(photo.height_px));
            let frame = Rect::new(0.0, 0.0, w, h).scale_from_origin(fitted(w, h));
            return (vec![Mark::Photo { frame, number }], frame.height());
        }
        let Some((w, h)) = drawing::size(node) else {
            return (Vec::new(), 0.0);
        };
        let scale = fitted(w, h);
        let sheet = self.sheet;
        let marks = drawing::draw(node, sheet, scale * w, &mut |uri| self.photo(uri));
        (marks, scale * h)
    }

    /// Numbers a JPEG given as a data URI (RFC 2397).
    fn photo(&mut self, uri: &str) -> Option<usize> {
        let data = uri.strip_prefix("data:image/jpeg;base64,")?;
        let jpeg = STANDARD.decode(data).ok()?;
        let decoder = JpegDecoder::new(std::io::Cursor::new(&jpeg)).ok()?;
        let (width_px, height_px) = decoder.dimensions();
        let grey = decoder.color_type() == image::ColorType::L8;
        drop(decoder);
        self.photos.push(Photo {
            jpeg,
            width_px,
            height_px,
            grey,
        });
        Some(self.photos.len() - 1)
    }

    /// Children side by side, two and two; where that makes a long table, below each other.
    fn pairs(&mut self, node: Node, wide: f64) -> Vec<Block> {
        let column = (wide - GUTTER) / 2.0;
        let children: Vec<Node> = node.children().filter(Node::is_element).collect();
        let mut blocks: Vec<Block> = Vec::new();
        for two in children.chunks(2) {
            let before = (self.elements.len(), self.headings.len(), self.photos.len());
            let side_by_side: Vec<Block> = two
                .iter()
                .map(|child| stack(self.child(*child, column)))
                .collect();
            let is_long = |(child, part): (&Node, &Block)| {
                child.has_tag_name("table") && part.height > HIGHEST_BESIDE * self.room_high
            };
            if two.iter().zip(&side_by_side).any(is_long) {
                self.elements.truncate(before.0);
                self.headings.truncate(before.1);
                self.photos.truncate(before.2);
                for child in two {
                    let share = if child.has_tag_name("table") {
                        1.0
                    } else {
                        ALONE
                    };
                    blocks.extend(self.child(*child, share * wide));
                }
                continue;
            }
            let mut row = Block {
                above: BETWEEN,
                ..Block::default()
            };
            for (k, mut part) in side_by_side.into_iter().enumerate() {
                part.shift((column + GUTTER) * k as f64, 0.0);
                row.height = row.height.max(part.height);
                row.marks.append(&mut part.marks);
            }
            blocks.push(row);
        }
        blocks
    }

    fn child(&mut self, node: Node, wide: f64) -> Vec<Block> {
        match node.tag_name().name() {
            "table" => self.table(node, wide),
            "figure" | "svg" | "img" => vec![self.figure(node, wide)],
            "div" | "section" => self.blocks(node, wide),
            _ => self.paragraph(node, wide),
        }
    }

    fn table(&mut self, node: Node, wide: f64) -> Vec<Block> {
        let table = self.element(Role::Table, None);
        let number = self.headings.len();
        self.headings.push(Block::default());
        let mut blocks = Vec::new();
        if let Some(caption) = node.children().find(|n| n.has_tag_name("caption")) {
            let lines = lines(&runs(caption, self.sheet, false), SMALL.size, wide);
            let element = self.element(Role::Caption, Some(table));
            blocks.push(Block {
                above: BETWEEN,
                height: SMALL.leading * lines.len() as f64 + 2.0,
                marks: placed(set_lines(&lines, SMALL, 0.0, 0.0), Some(element)),
                keep_with_next: true,
                row_of: None,
            });
        }
        let rows: Vec<(bool, Vec<Cell>)> = node
            .descendants()
            .filter(|n| n.has_tag_name("tr"))
            .map(|tr| {
                let heads = tr.parent().is_some_and(|p| p.has_tag_name("thead"));
                (heads, self.cells(tr))
            })
            .collect();
        let cells: Vec<&Vec<Cell>> = rows.iter().map(|(_, cells)| cells).collect();
        let widths = column_widths(&cells, wide);
        let body = rows.iter().filter(|(heads, _)| !heads).count();
        let mut index = 0;
        for (heads, cells) in &rows {
            let mut block = self.row(cells, &widths, *heads, table);
            if *heads {
                block.keep_with_next = true;
                if self.headings[number].marks.is_empty() {
                    self.headings[number] = block.clone();
                }
            } else {
                // Neither the first row nor the last one stands alone.
                block.keep_with_next = body > 1 && (index == 0 || index + 2 == body);
                block.row_of = Some(number);
                index += 1;
            }
            blocks.push(block);
        }
        let all_high: f64 = blocks.iter().map(|b| b.height).sum();
        if all_high < HIGHEST_KEPT * self.room_high {
            let all_but_last = blocks.iter_mut().rev().skip(1);
            all_but_last.for_each(|row| row.keep_with_next = true);
        }
        blocks
    }

    fn cells(&self, tr: Node) -> Vec<Cell> {
        let beyond = is_of(tr, "beyond");
        let cells = tr.children().filter(Node::is_element);
        cells
            .enumerate()
            .map(|(i, cell)| {
                let heading = cell.has_tag_name("th");
                let mut runs = runs(cell, self.sheet, heading);
                if i == 0 && beyond {
                    // What the page's style sheet puts there.
                    if let Some(last) = runs.last_mut() {
                        last.text.push_str("\u{a0}!");
                    }
                }
                Cell { heading, runs }
            })
            .collect()
    }

    fn row(&mut self, cells: &[Cell], widths: &[f64], heads: bool, table: usize) -> Block {
        let row = self.element(Role::TableRow, Some(table));
        let mut marks = Vec::new();
        let (mut x, mut height) = (0.0, SMALL.leading);
        for (cell, wide) in cells.iter().zip(widths) {
            let lines = lines(&cell.runs, SMALL.size, *wide);
            let role = match cell.heading {
                true => Role::TableHeading(!heads),
                false => Role::TableCell,
            };
            let element = self.element(role, Some(row));
            marks.extend(placed(
                set_lines(&lines, SMALL, x, ROW_PADDING),
                Some(element),
            ));
            height = f64::max(height, SMALL.leading * lines.len() as f64);
            x += wide + COLUMN_GAP;
        }
        if !heads {
            let rule = Rect::new(0.0, 0.0, x - COLUMN_GAP, 0.6);
            marks.extend(placed(vec![Mark::area(rule, colour(LIGHT.band))], None));
        }
        Block {
            above: 0.0,
            height: height + 2.0 * ROW_PADDING,
            marks,
            keep_with_next: false,
            row_of: None,
        }
    }
}

struct Cell {
    heading: bool,
    runs: Vec<Run>,
}

/// Widths of a table's columns: what its text asks for and a share of what is left; where there is too little, the
/// longest word and a share of the rest.
fn column_widths(rows: &[&Vec<Cell>], wide: f64) -> Vec<f64> {
    let count = rows.iter().map(|r| r.len()).max().unwrap_or(0);
    if count == 0 {
        return Vec::new();
    }
    let room = wide - COLUMN_GAP * (count - 1) as f64;
    let mut most = vec![1.0f64; count];
    let mut least = vec![1.0f64; count];
    for row in rows {
        for (i, cell) in row.iter().enumerate() {
            let (whole, longest) = natural_widths(&cell.runs, SMALL.size);
            // A hair more, so that rounding does not break what just fits.
            most[i] = most[i].max(whole + 0.01);
            least[i] = least[i].max((longest + 0.01).min(LONGEST_WORD * room));
        }
    }
    let sum = |v: &[f64]| v.iter().sum::<f64>();
    let (all_most, all_least) = (sum(&most), sum(&least));
    let share = |low: &[f64], high: &[f64], t: f64| {
        let pairs = low.iter().zip(high);
        pairs.map(|(l, h)| l + t * (h - l)).collect()
    };
    if all_most <= room {
        most.iter().map(|m| m * room / all_most).collect()
    } else if all_least <= room {
        share(&least, &most, (room - all_least) / (all_most - all_least))
    } else {
        // Words are broken where they are longest.
        let fair = room / count as f64;
        let capped: Vec<f64> = least.iter().map(|l| l.min(fair)).collect();
        let spare = room - sum(&capped);
        let over: Vec<f64> = least.iter().zip(&capped).map(|(l, c)| l - c).collect();
        let all_over = sum(&over).max(1e-9);
        capped
            .iter()
            .zip(over)
            .map(|(c, o)| c + spare * o / all_over)
            .collect()
    }
}

fn is_of(node: Node, class: &str) -> bool {
    let classes = node.attribute("class").unwrap_or("");
    classes.split_whitespace().any(|c| c == class)
}

/// What a picture shows, in words: `alt`, or an SVG's title and description.
fn alternative(node: Node) -> Option<String> {
    if let Some(words) = node.attribute("alt") {
        return Some(words.to_owned());
    }
    let named = |name: &str| {
        let child = node.children().find(|n| n.tag_name().name() == name);
        child.and_then(|n| n.text()).map(str::to_owned)
    };
    let words: Vec<String> = [named("title"), named("desc")]
        .into_iter()
        .flatten()
        .collect();
    (!words.is_empty()).then(|| words.join(". "))
}

fn placed(marks: Vec<Mark>, element: Option<usize>) -> Vec<Placed> {
    let marks = marks.into_iter();
    marks.map(|mark| Placed { mark, element }).collect()
}

fn outlined(rect: Rect, colour: Colour, width: f64) -> Mark {
    Mark::Shape {
        path: rect.to_path(0.1),
        fill: None,
        stroke: Some(Stroke {
            colour,
            width,
            dashes: Vec::new(),
        }),
        opacity: 1.0,
    }
}

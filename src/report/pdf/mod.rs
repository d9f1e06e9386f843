//! Our own HTML pages as PDF files to hand over: `content` reads the tags into blocks, `flow` lays blocks onto pages,
//! `write` makes the file. The page stays the only place where a report is worded.
//!
//! Lengths in points (1/72 in), y down from the upper left corner of a page.

mod content;
mod drawing;
mod face;
mod flow;
mod sheet;
mod text;
mod write;

use crate::card::print::Paper;
use content::Content;
use drawing::Mark;
use face::{Face, UNKNOWN, set, width};
use flow::Placed;
use kurbo::Point;
use roxmltree::{Document, Node};
use sheet::{Sheet, colour};
use std::collections::BTreeSet;

/// Width and height of an upright page, points.
fn upright(paper: Paper) -> (f64, f64) {
    let (long_mm, short_mm) = paper.size_mm();
    (short_mm * POINTS_PER_MM, long_mm * POINTS_PER_MM)
}

/// A page that cannot be laid out.
#[derive(Debug, thiserror::Error)]
#[error("the page is not well-formed: {0}")]
pub struct PageError(#[from] roxmltree::Error);

/// Points per millimetre; a point is 1/72 in (ISO 32000-1, 8.3.2.3).
const POINTS_PER_MM: f64 = 72.0 / 25.4;
/// Room round the text, points; most printers reach that far.
const MARGIN: f64 = 15.0 * POINTS_PER_MM;
/// Room at the foot for the page's number.
const FOOT: f64 = 22.0;
const FOOT_SIZE: f64 = 7.5;

/// The laid-out document of a page: its title, and marks per page.
struct Laid<'a> {
    title: String,
    language: String,
    content: Content<'a>,
    pages: Vec<Vec<Placed>>,
}

/// A page of ours (HTML as `report::quilt::page` writes it, with its style sheet) as a PDF file.
///
/// Known are headings, paragraphs, lists, tables, figures with SVG drawings or JPEG photos as data URIs, `div.pair`
/// for things side by side, and `strong`, `br`, `span` inside text. The same page gives the same bytes.
///
/// # Errors
///
/// When the page is not well-formed; pages made by this program are.
pub fn pdf(html: &str, paper: Paper) -> Result<Vec<u8>, PageError> {
    let text = to_set(html);
    let document = Document::parse(&text)?;
    let sheet = style(&document);
    let laid = lay_out(&document, &sheet, paper);
    Ok(write::write(&write::Document {
        title: &laid.title,
        language: &laid.language,
        page_size: upright(paper),
        pages: laid.pages,
        elements: &laid.content.elements,
        photos: &laid.content.photos,
    }))
}

/// Said at the end of a file in which question marks stand for signs.
const NOT_SHOWN: &str = "A “?” in a name or a note may stand for a sign that this file cannot show. The report as a web page shows it.";

/// The page as it is set: well-formed, and with a word on what is missing.
fn to_set(html: &str) -> String {
    let text = well_formed(html);
    match not_shown(&text).is_empty() {
        true => text,
        false => text.replacen("</body>", &format!("<p>{NOT_SHOWN}</p></body>"), 1),
    }
}

/// The signs of a page that a PDF cannot show, each once; there a question mark stands for them.
pub fn not_shown(html: &str) -> Vec<char> {
    let signs: BTreeSet<char> = html.chars().filter(|c| !c.is_ascii()).collect();
    let is_shown = |c: char| set(c, Face::Regular).character != UNKNOWN;
    signs.into_iter().filter(|c| !is_shown(*c)).collect()
}

fn style(document: &Document) -> Sheet {
    let styles = document.descendants().filter(|n| n.has_tag_name("style"));
    let text: String = styles.filter_map(|n| n.text()).collect();
    Sheet::read(&text)
}

fn lay_out<'a>(document: &Document, sheet: &'a Sheet, paper: Paper) -> Laid<'a> {
    let (wide, high) = upright(paper);
    let room = (wide - 2.0 * MARGIN, high - 2.0 * MARGIN - FOOT);
    let root = document.root_element();
    let named = |name: &str| document.descendants().find(|n| n.has_tag_name(name));
    let title = named("title")
        .and_then(|n| n.text())
        .unwrap_or("")
        .to_owned();
    let mut content = Content::new(sheet, room.1);
    let body: Node = named("body").unwrap_or(root);
    let blocks = content.blocks(body, room.0);
    let mut pages = flow::pages(blocks, &content.headings, room.1);
    let count = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        for placed in page.iter_mut() {
            placed.mark.shift(MARGIN, MARGIN);
        }
        page.extend(foot(&title, i + 1, count, (wide, high)));
    }
    Laid {
        title,
        language: root.attribute("lang").unwrap_or("en").to_owned(),
        content,
        pages,
    }
}

/// Title and page number at the foot of a page.
fn foot(title: &str, number: usize, count: usize, (wide, high): (f64, f64)) -> Vec<Placed> {
    let quiet = colour(crate::report::colours::LIGHT.quiet);
    let numbered = format!("Page {number} of {count}");
    let end = wide - MARGIN - width(&numbered, Face::Regular, FOOT_SIZE);
    let mut shown = title.to_owned();
    while width(&shown, Face::Regular, FOOT_SIZE) > end - MARGIN - 20.0 && shown.pop().is_some() {}
    if shown != title {
        shown.push('…');
    }
    let texts = [(MARGIN, shown), (end, numbered)];
    let mark = |(x, text): (f64, String)| Placed {
        mark: Mark::Text {
            at: Point::new(x, high - MARGIN),
            turn: 0.0,
            size: FOOT_SIZE,
            face: Face::Regular,
            colour: quiet,
            text,
        },
        element: None,
    };
    texts.into_iter().map(mark).collect()
}

/// HTML as XML: without its document type, void tags closed, no characters that XML forbids.
fn well_formed(html: &str) -> String {
    const VOID: [&str; 6] = ["meta", "img", "br", "hr", "link", "input"];
    let mut rest = html;
    if let Some(after) = rest.trim_start().strip_prefix("<!DOCTYPE") {
        rest = after.split_once('>').map_or("", |(_, body)| body);
    }
    let mut text = String::with_capacity(html.len() + 64);
    while let Some(start) = rest.find('<') {
        let tag = &rest[start + 1..];
        let name_end = tag
            .find(|c: char| !c.is_ascii_alphanumeric())
            .unwrap_or(tag.len());
        let is_void = VOID.contains(&&tag[..name_end]);
        let mut quoted = false;
        let end = tag.find(|c| {
            quoted ^= c == '"';
            c == '>' && !quoted
        });
        let Some(end) = end.filter(|_| is_void) else {
            text.push_str(&rest[..=start]);
            rest = tag;
            continue;
        };
        text.push_str(&rest[..start + 1 + end]);
        if !tag[..end].ends_with('/') {
            text.push('/');
        }
        rest = &tag[end..];
    }
    text.push_str(rest);
    // XML 1.0, production 2.
    let forbidden = |c: char| {
        (c < ' ' && !matches!(c, '\t' | '\n' | '\r')) || matches!(c, '\u{fffe}' | '\u{ffff}')
    };
    match text.contains(forbidden) {
        true => text.replace(forbidden, " "),
        false => text,
    }
}

#[cfg(test)]
mod tests;

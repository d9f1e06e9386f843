//! Page descriptions as a PDF file.

use super::layout::{Mark, Page};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

const FONT: Name<'static> = Name(b"F1");

/// Points per millimetre; a point is 1/72 in (ISO 32000-1, 8.3.2.3).
const POINTS_PER_MM: f64 = 72.0 / 25.4;

/// Writes the pages as one file, without a date or a random id, so that its bytes are reproducible.
pub(super) fn write(pages: &[Page]) -> Vec<u8> {
    let mut ids = (1..).map(Ref::new);
    let mut next_id = || ids.next().expect("more pages than PDF can number");
    let (catalog, tree, info, font) = (next_id(), next_id(), next_id(), next_id());
    let page_ids: Vec<(Ref, Ref)> = pages.iter().map(|_| (next_id(), next_id())).collect();

    let mut pdf = Pdf::new();
    let mut root = pdf.catalog(catalog);
    root.pages(tree);
    // Print dialogs start with "fit to page" unless told otherwise (ISO 32000-1, table 150).
    let mut preferences = root.viewer_preferences();
    preferences.pair(Name(b"PrintScaling"), Name(b"None"));
    preferences.finish();
    root.finish();
    pdf.document_info(info).title(TextStr("rowsight cards"));
    pdf.type1_font(font)
        .base_font(Name(b"Helvetica"))
        .encoding_predefined(Name(b"WinAnsiEncoding"));
    pdf.pages(tree)
        .kids(page_ids.iter().map(|&(page, _)| page))
        .count(i32::try_from(pages.len()).expect("more pages than PDF can count"));

    for (page, &(page_id, content_id)) in pages.iter().zip(&page_ids) {
        let (width, height) = page.size_mm;
        let mut entry = pdf.page(page_id);
        entry.media_box(Rect::new(
            0.0,
            0.0,
            (width * POINTS_PER_MM) as f32,
            (height * POINTS_PER_MM) as f32,
        ));
        entry.parent(tree).contents(content_id);
        entry.resources().fonts().pair(FONT, font);
        entry.finish();
        pdf.stream(content_id, &content(page));
    }
    pdf.finish()
}

/// The page's content stream, in millimetres with y down by one transform at its head.
fn content(page: &Page) -> Vec<u8> {
    let (_, height) = page.size_mm;
    let scale = POINTS_PER_MM as f32;
    let mut content = Content::new();
    content.transform([
        scale,
        0.0,
        0.0,
        -scale,
        0.0,
        (height * POINTS_PER_MM) as f32,
    ]);
    for mark in &page.marks {
        match mark {
            Mark::Area(polygons) => {
                for polygon in polygons {
                    let mut corners = polygon.iter().map(|p| (p.x as f32, p.y as f32));
                    if let Some((x, y)) = corners.next() {
                        content.move_to(x, y);
                    }
                    for (x, y) in corners {
                        content.line_to(x, y);
                    }
                    content.close_path();
                }
                content.fill_nonzero();
            }
            Mark::Text(label) => {
                let start = label.start_mm();
                content
                    .begin_text()
                    .set_font(FONT, label.size_mm as f32)
                    // Letters stand upright only when y is turned back.
                    .set_text_matrix([1.0, 0.0, 0.0, -1.0, start.x as f32, start.y as f32])
                    .show(Str(label.text.as_bytes()))
                    .end_text();
            }
        }
    }
    content.finish().into_vec()
}

//! A page description as an SVG document.

use super::layout::{Anchor, Mark, Page};

/// Writes one page; user units are millimetres.
pub(super) fn write(page: &Page) -> String {
    let (width, height) = page.size_mm;
    let cards: Vec<String> = page.cards.iter().map(|c| c.card.to_string()).collect();
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\">\n\
         <title>rowsight {}</title>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n",
        cards.join(", ")
    );
    for mark in &page.marks {
        svg.push_str(&element(mark));
    }
    svg.push_str("</svg>\n");
    svg
}

fn element(mark: &Mark) -> String {
    match mark {
        Mark::Area(polygons) => {
            let path: String = polygons
                .iter()
                .map(|polygon| {
                    let corners = polygon
                        .iter()
                        .map(|p| format!("{} {}", number(p.x), number(p.y)));
                    format!("M{}Z", corners.collect::<Vec<_>>().join("L"))
                })
                .collect();
            format!("<path d=\"{path}\"/>\n")
        }
        Mark::Text(label) => {
            let anchor = match label.anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            // The viewer's font may be wider than Helvetica; the length asked for keeps the layout.
            let mut text = format!(
                "<text x=\"{}\" y=\"{}\" font-size=\"{}\" text-anchor=\"{anchor}\" \
                 textLength=\"{}\" lengthAdjust=\"spacingAndGlyphs\">",
                number(label.at.x),
                number(label.at.y),
                number(label.size_mm),
                number(label.width_mm()),
            );
            for character in label.text.chars() {
                match character {
                    '&' => text.push_str("&amp;"),
                    '<' => text.push_str("&lt;"),
                    _ => text.push(character),
                }
            }
            text.push_str("</text>\n");
            text
        }
    }
}

/// A coordinate to a ten-thousandth of a millimetre, without trailing zeros.
fn number(mm: f64) -> String {
    let text = format!("{mm:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

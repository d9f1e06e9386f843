use super::*;

/// A page with every tag that pages use.
const PAGE: &str = "<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\"><title>autumn &amp; winter</title>\
    <style>:root{--quiet:#595959}figcaption{color:var(--quiet)}a>b{color:#fff}</style></head><body><main>\
    <h1>Rows against the plan</h1><p class=\"verdict\">Not as planned: 2 rows lie askew.</p>\
    <section><h2>Map</h2><figure class=\"map\"><svg viewBox=\"0 0 440 300\"><title>The map</title><desc>Two rows</desc>\
    <rect x=\"1\" y=\"1\" width=\"400\" height=\"280\"/><text x=\"9\" y=\"20\" font-size=\"12\">first</text></svg>\
    <figcaption>Drawn <strong>5 times</strong> as large; ± 95 %.</figcaption></figure></section>\
    <div class=\"pair\"><figure><img src=\"data:image/jpeg;base64,/9j/\" alt=\"no photo\"><figcaption>Row 1</figcaption>\
    </figure><table><caption>Gaps</caption><thead><tr><th scope=\"col\">Gap</th><th scope=\"col\">left</th></tr></thead>\
    <tbody>ROWS</tbody></table></div><ul><li>Nothing is known of row 4.</li></ul>\
    <p class=\"caution\">machine stopped,<br>hands clear\u{1}</p></main></body></html>";

fn with_rows(count: usize) -> String {
    let row = |i| {
        format!("<tr class=\"beyond\"><th scope=\"row\">{i}</th><td>6 1/16 ±\u{a0}1/32</td></tr>")
    };
    PAGE.replace("ROWS", &(1..=count).map(row).collect::<String>())
}

/// The text of every page, marks in their order.
fn texts(html: &str, paper: Paper) -> Vec<Vec<String>> {
    let text = to_set(html);
    let document = Document::parse(&text).unwrap();
    let sheet = style(&document);
    let laid = lay_out(&document, &sheet, paper);
    let (wide, high) = upright(paper);
    let text_of = |placed: &Placed| match &placed.mark {
        Mark::Text {
            at,
            size,
            face,
            text,
            ..
        } => {
            // Nothing runs over the paper's margins.
            let end = at.x + width(text.trim_end(), *face, *size);
            assert!(
                at.x >= MARGIN - 0.01 && end <= wide - MARGIN + 0.01,
                "{text}"
            );
            assert!(at.y > MARGIN && at.y <= high - MARGIN, "{text}");
            Some(text.clone())
        }
        _ => None,
    };
    let pages = laid.pages.iter();
    pages
        .map(|page| page.iter().filter_map(text_of).collect())
        .collect()
}

#[test]
fn no_word_of_the_page_is_lost_and_the_pages_are_numbered() {
    let pages = texts(&with_rows(3), Paper::Letter);
    assert_eq!(pages.len(), 1);
    let text = pages[0].join(" ");
    for words in [
        "Rows against the plan",
        "Not as planned: 2 rows lie askew.",
        "Map",
        "first",
        "Drawn",
        "5 times",
        "as large; ±\u{a0}95\u{a0}%.",
        "Row 1",
        "Gaps",
        "left",
        "3\u{a0}!",
        "6 1/16 ±\u{a0}1/32",
        "Nothing is known of row 4.",
        "machine stopped, hands clear",
        "autumn & winter",
        "Page 1 of 1",
    ] {
        assert!(text.contains(words), "{words} in {text}");
    }
    // Titles and descriptions of drawings are for those who listen.
    assert!(!text.contains("The map") && !text.contains("viewBox"));
}

/// Who is handed the file is told; a page of signs that are all there says nothing.
#[test]
fn signs_that_cannot_be_shown_are_said_to_be_missing() {
    assert_eq!(not_shown(PAGE), []);
    let page = PAGE.replace("Rows against the plan", "秋の秋 ?");
    assert_eq!(not_shown(&page), ['の', '秋']);
    let text = |html: &str| {
        let text = texts(html, Paper::A4).concat().join(" ");
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(text(&page).contains(NOT_SHOWN), "{}", text(&page));
    assert!(!text(PAGE).contains(NOT_SHOWN));
}

#[test]
fn a_long_table_goes_on_under_its_heading_with_every_row_once() {
    let pages = texts(&with_rows(120), Paper::A4);
    assert!(pages.len() > 2);
    let with_rows: Vec<&Vec<String>> = pages
        .iter()
        .filter(|p| p.iter().any(|t| t.ends_with('!')))
        .collect();
    assert!(with_rows.len() > 1);
    for page in with_rows {
        assert_eq!(page.iter().filter(|t| *t == "Gap").count(), 1);
    }
    let rows: Vec<String> = pages.concat();
    let rows: Vec<&String> = rows.iter().filter(|t| t.ends_with('!')).collect();
    let expected: Vec<String> = (1..=120).map(|i| format!("{i}\u{a0}!")).collect();
    assert!(rows.iter().eq(&expected.iter().collect::<Vec<_>>()));
    let count = pages.len();
    assert!(pages[count - 1].contains(&format!("Page {count} of {count}")));
}

/// That nothing lies below the margin is what `texts` looks after.
#[test]
fn a_note_longer_than_a_page_goes_on_over_the_page() {
    let words: Vec<String> = (1..2000).map(|i| format!("word{i}")).collect();
    let note = words.join(" ");
    let page = with_rows(1)
        .replace("hands clear", &note)
        .replace("row 4.", &note);
    let pages = texts(&page, Paper::A4);
    assert!(pages.len() > 2);
    let whole = pages.concat().join(" ");
    for word in ["word1 ", "word1000 ", "word1999"] {
        assert_eq!(whole.matches(word).count(), 2, "{word}");
    }
}

/// Sizes: ISO 216 in points, and 8 1/2 by 11 in. What stands for what in the file: ISO 32000-1, 7.7 and 14.7.
#[test]
fn the_file_has_pages_of_the_papers_size_a_language_and_words_for_figures() {
    for (paper, size) in [
        (Paper::A4, "/MediaBox [0 0 595.2756 841.8898]"),
        (Paper::Letter, "/MediaBox [0 0 612 792]"),
    ] {
        let bytes = pdf(&with_rows(3), paper).unwrap();
        assert_eq!(bytes, pdf(&with_rows(3), paper).unwrap());
        let text = String::from_utf8_lossy(&bytes);
        assert!(text.starts_with("%PDF-1.7") && text.ends_with("%%EOF"));
        for part in [
            size,
            "/Lang (en)",
            "/Alt (The map. Two rows)",
            "/Title (autumn & winter)",
            "/Title (Map)",
        ] {
            assert!(text.contains(part), "{part}");
        }
        assert_eq!(text.matches("/Type /Page\n").count(), 1);
    }
}

#[test]
fn a_page_that_is_not_well_formed_is_an_error() {
    assert!(pdf("<html><p>", Paper::A4).is_err());
    assert!(pdf("", Paper::A4).is_err());
    assert_eq!(
        well_formed("<img alt=\"a > b\"><br/>"),
        "<img alt=\"a > b\"/><br/>"
    );
}

//! The printed cards as files: page sizes, print settings, and the ready-made PDFs.

use rowsight::card::print::{CardOrder, Numbers, Paper, pdf, svg_pages};
use std::path::PathBuf;

fn two_sheets_and_four_strips(paper: Paper) -> CardOrder {
    let sheets = Numbers { first: 1, count: 2 };
    let strips = Numbers { first: 1, count: 4 };
    CardOrder::new(paper, sheets, strips).unwrap()
}

/// The four numbers of each `/MediaBox` in the file, in points.
fn media_boxes(file: &[u8]) -> Vec<Vec<f64>> {
    let text = String::from_utf8_lossy(file);
    text.split("/MediaBox [")
        .skip(1)
        .map(|rest| {
            let numbers = rest.split(']').next().unwrap().split_whitespace();
            numbers.map(|n| n.parse().unwrap()).collect()
        })
        .collect()
}

/// A4 is 210 × 297 mm (ISO 216), Letter 8.5 × 11 in (ANSI/ASME Y14.1); a point is 1/72 in
/// (ISO 32000-1, 8.3.2.3).
#[test]
fn pdf_pages_are_landscape_and_have_the_papers_size() {
    for (paper, width, height) in [
        (Paper::A4, 297.0 * 72.0 / 25.4, 210.0 * 72.0 / 25.4),
        (Paper::Letter, 792.0, 612.0),
    ] {
        let boxes = media_boxes(&pdf(&two_sheets_and_four_strips(paper)).unwrap());
        assert_eq!(boxes.len(), 4, "two pages of sheets, two of strips");
        for found in boxes {
            // Numbers in the file are rounded to single precision.
            let near = |a: f64, b: f64| (a - b).abs() < 1e-4;
            assert_eq!(found[..2], [0.0, 0.0]);
            assert!(near(found[2], width) && near(found[3], height), "{found:?}");
        }
    }
}

/// ISO 32000-1, table 150: `PrintScaling` is `None` or `AppDefault`.
#[test]
fn pdf_asks_the_print_dialog_not_to_scale() {
    let file = pdf(&two_sheets_and_four_strips(Paper::A4)).unwrap();
    let text = String::from_utf8_lossy(&file);
    let preferences = text.split("/ViewerPreferences").nth(1).unwrap();
    let preferences = preferences.split(">>").next().unwrap();
    assert!(preferences.contains("/PrintScaling /None"), "{preferences}");
}

#[test]
fn an_odd_strip_gets_a_page_of_its_own() {
    let order = CardOrder {
        paper: Paper::Letter,
        sheets: vec![],
        strips: vec![1, 2, 7],
    };
    let pages = svg_pages(&order).unwrap();
    assert_eq!(pages.len(), 2);
    assert!(pages[1].contains("rowsight strip 7"));
    assert!(!pages[1].contains("rowsight strip 2"));
}

/// SVG 1.1, 8.2: width and height give the size, the viewBox makes user units millimetres.
#[test]
fn svg_pages_are_well_formed_and_measure_in_millimetres() {
    for page in svg_pages(&two_sheets_and_four_strips(Paper::Letter)).unwrap() {
        let document = roxmltree::Document::parse(&page).unwrap();
        let root = document.root_element();
        assert_eq!(root.attribute("width"), Some("279.4mm"));
        assert_eq!(root.attribute("height"), Some("215.9mm"));
        assert_eq!(root.attribute("viewBox"), Some("0 0 279.4 215.9"));
    }
}

/// Set `ROWSIGHT_REFRESH=1` to write them anew; read the difference before committing.
#[test]
fn ready_made_pdfs_are_what_the_program_prints() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("calibration");
    for (name, paper) in [("a4", Paper::A4), ("letter", Paper::Letter)] {
        let path = folder.join(format!("cards-{name}.pdf"));
        let printed = pdf(&two_sheets_and_four_strips(paper)).unwrap();
        if std::env::var_os("ROWSIGHT_REFRESH").is_some() {
            std::fs::write(&path, &printed).unwrap();
        }
        let kept = std::fs::read(&path).unwrap();
        assert!(kept == printed, "{} differs", path.display());
    }
}

//! A folder of photos measured in one go, and the report of it.

mod common;

use common::rowsight;
use rowsight::rehearse::Truth;
use rowsight::report::quilt::QuiltReport;
use std::path::{Path, PathBuf};

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/harvest")
}

/// A quilt without rows, and photos of the sample's rows under other names, in `named`'s order by name.
fn quilt(named: &[(&str, u32)]) -> (tempfile::TempDir, String) {
    let place = tempfile::tempdir().unwrap();
    for name in ["plan.toml", "meander.svg"] {
        std::fs::copy(sample().join(name), place.path().join(name)).unwrap();
    }
    std::fs::create_dir(place.path().join("taken")).unwrap();
    for (name, row) in named {
        let from = sample().join(format!("row-photos/row-{row:02}.jpg"));
        std::fs::copy(from, place.path().join("taken").join(name)).unwrap();
    }
    let path = place.path().display().to_string();
    (place, path)
}

fn report(folder: &str) -> QuiltReport {
    let (code, out, err) = rowsight(&["report", folder, "--json"]);
    assert_eq!(code, 0, "{err}");
    serde_json::from_str(&out).unwrap()
}

/// Rows 1 to 3 with the third before the second by name, a copy and a broken file among them. The truth beside
/// the photos says which row each shows and how far apart they are.
#[test]
fn photos_in_any_order_become_rows_and_a_broken_one_is_named() {
    let (place, folder) = quilt(&[("1.jpg", 1), ("2.jpg", 3), ("3.jpg", 2), ("10.jpg", 1)]);
    let taken = place.path().join("taken");
    std::fs::write(taken.join("4.jpg"), b"not a photo").unwrap();
    let photos = taken.display().to_string();
    let (code, out, err) = rowsight(&["batch", &folder, &photos]);
    assert_eq!(code, 2, "{out}{err}");
    assert!(err.contains("4.jpg") && !err.contains("panicked"), "{err}");
    assert!(
        out.contains("3 photos measured, 1 not; 1 photo passed over"),
        "{out}"
    );

    let report = report(&folder);
    for (row, name) in report.rows.iter().zip(["1.jpg", "3.jpg", "2.jpg"]) {
        assert!(row.photos[0].path.ends_with(name), "row {}", row.row);
        let path = sample().join(format!("row-photos/row-{:02}.truth.json", row.row));
        let truth: Truth = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let Some(gap) = &row.gap else { continue };
        let set = truth.row(row.row).unwrap();
        let to_quilt =
            (set.seen_from_mm + set.seen_to_mm - row.seen_from_mm - row.seen_to_mm) / 2.0;
        for place in &gap.spacing {
            let x = place.x_mm + to_quilt;
            let spacing = truth.spacing_at(row.row - 1, row.row, x).unwrap();
            // Four standard uncertainties: six values, one in ten thousand times by chance.
            assert!(
                (place.value - spacing).abs() < 4.0 * place.u,
                "row {}: {place:?} {spacing}",
                row.row
            );
        }
    }
    assert_eq!(report.rows.len(), 3);

    // Again: only what is not in the journal is looked at.
    let (code, out, _) = rowsight(&["batch", &folder, &photos]);
    assert_eq!(code, 2);
    assert!(
        out.contains("0 photos measured, 1 not; 4 photos passed over"),
        "{out}"
    );

    let (code, out, err) = rowsight(&["report", &folder]);
    assert_eq!((code, out.trim()), (0, report.verdict.as_str()), "{err}");
    let page = std::fs::read_to_string(place.path().join("report.html")).unwrap();
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 3);
}

/// The photo of row 6 shows rows 4 to 6, none of which is known from rows 1 and 2. Rows 2 and 6 of this quilt are
/// alike by chance, which once made row 6 a retake of row 2.
#[test]
fn a_photo_that_fits_nowhere_is_listed_and_not_guessed() {
    let (place, folder) = quilt(&[("1.jpg", 1), ("2.jpg", 6), ("3.jpg", 2)]);
    let photos = place.path().join("taken").display().to_string();
    let (code, _, err) = rowsight(&["batch", &folder, &photos, "--no-overlay"]);
    assert_eq!(code, 2);
    assert!(
        err.contains("2.jpg: no row in it is known already"),
        "{err}"
    );
    let rows: Vec<u32> = report(&folder).rows.iter().map(|r| r.row).collect();
    assert_eq!(rows, [1, 2]);
}

/// The sample is planned in inches; a plan in mm gets A4 (ISO 216). What stands in the file: ISO 32000-1, 7.7.
#[test]
fn the_report_as_a_pdf_is_on_the_plans_paper_and_shows_its_photos() {
    let (place, folder) = quilt(&[("1.jpg", 1)]);
    let photos = place.path().join("taken").display().to_string();
    assert_eq!(rowsight(&["batch", &folder, &photos]).0, 0);
    let file = place.path().join("harvest.pdf");
    let path = file.display().to_string();
    let read = |paper: &str, photos: usize| {
        let bytes = std::fs::read(&file).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        assert!(text.starts_with("%PDF-1.7") && text.ends_with("%%EOF"));
        let pages = text.matches("/Type /Page\n").count();
        assert!(pages >= 3, "{pages}");
        assert_eq!(text.matches(paper).count(), pages);
        assert_eq!(text.matches("/DCTDecode").count(), photos);
        assert!(text.contains("/Alt (Map of the quilt"));
        bytes
    };
    let (code, out, err) = rowsight(&["report", &folder, "--pdf", &path]);
    assert_eq!(code, 0, "{err}");
    assert!(
        out.contains("rows") && err.contains("harvest.pdf"),
        "{out}{err}"
    );
    let page = std::fs::read_to_string(place.path().join("report.html")).unwrap();
    let known = "a body br caption circle desc div ellipse figcaption figure g h1 h2 h3 head html image img li line main \
                 meta ol p path polygon polyline rect section span strong style svg table tbody td text th thead title \
                 tr ul";
    for tag in page.split('<').skip(2).filter(|t| !t.starts_with('/')) {
        let end = tag.find(|c: char| !c.is_ascii_alphanumeric()).unwrap();
        // What is not among these is not drawn: see `report::pdf`.
        assert!(
            known.split_whitespace().any(|k| k == &tag[..end]),
            "{}",
            &tag[..end]
        );
    }
    let first = read("/MediaBox [0 0 612 792]", 1);
    rowsight(&["report", &folder, "--pdf", &path]);
    assert_eq!(first, std::fs::read(&file).unwrap());

    let plan = place.path().join("plan.toml");
    let text = std::fs::read_to_string(&plan).unwrap();
    std::fs::write(&plan, text.replace("unit = \"in\"", "unit = \"mm\"")).unwrap();
    std::fs::remove_file(place.path().join("report.html")).unwrap();
    let (code, _, err) = rowsight(&["report", &folder, "--json", "--no-photos", "--pdf", &path]);
    assert_eq!(code, 0, "{err}");
    read("/MediaBox [0 0 595.2756 841.8898]", 0);
    assert!(!place.path().join("report.html").exists());

    let nowhere = place
        .path()
        .join("nowhere/harvest.pdf")
        .display()
        .to_string();
    let (code, _, err) = rowsight(&["report", &folder, "--pdf", &nowhere]);
    assert_eq!(code, 2, "{err}");
    assert!(
        err.contains(
            "harvest.pdf cannot be written: there is no such folder; make it, or name another"
        ),
        "{err}"
    );
}

#[test]
fn each_quilt_gets_a_report_and_a_bad_one_stops_none() {
    let place = tempfile::tempdir().unwrap();
    let (good, _) = quilt(&[("1.jpg", 1)]);
    let good_at = place.path().join("good");
    std::fs::rename(good.path(), &good_at).unwrap();
    let bad = place.path().join("bad");
    std::fs::create_dir_all(&bad).unwrap();
    std::fs::write(bad.join("plan.toml"), "rows = \"many\"").unwrap();
    std::fs::create_dir(place.path().join("no-quilt")).unwrap();
    let (code, out, err) = rowsight(&["batch", "--each", &place.path().display().to_string()]);
    assert_eq!(code, 2, "{out}{err}");
    assert!(err.contains("bad") && !err.contains("no-quilt"), "{err}");
    assert!(good_at.join("report.html").exists());
    assert!(out.contains("1 of 6"), "{out}");
}

#[test]
fn an_empty_journal_has_no_report() {
    let (place, folder) = quilt(&[]);
    let (code, _, err) = rowsight(&["report", &folder]);
    assert_eq!(code, 2);
    assert!(
        err.contains("no row of") && err.contains("rowsight snap"),
        "{err}"
    );
    assert!(!place.path().join("report.html").exists());
}

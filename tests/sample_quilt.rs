//! The sample quilt from first photo to last, held against the truth that lies beside the photos.
//!
//! The photos are drawn by `rowsight::rehearse`, which shares no geometry with the measuring code; its
//! projection is checked against OpenCV (`tests/reference/rehearse_project_points.py`).

use rowsight::check::{Known, check};
use rowsight::journal::{Journal, KeptPhoto, NewCheck, gaps_of};
use rowsight::record::{Action, Record};
use rowsight::rehearse::Truth;
use rowsight::{design, photo, plan};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/harvest")
}

fn truth(row: u32) -> Truth {
    let path = folder().join(format!("row-photos/row-{row:02}.truth.json"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Differences from the true spacing, at the same places: x of the record counts from the middle of
/// what is seen, x of the truth from the quilt's centre line; the row's ends tell one from the other.
fn compare(record: &Record, truth: &Truth) -> Vec<(f64, f64)> {
    let mut errors = Vec::new();
    for gap in &record.gaps {
        let seen = record.rows.iter().find(|r| r.row == gap.to_row).unwrap();
        let Some(set) = truth.row(gap.to_row) else {
            continue;
        };
        let to_quilt =
            (set.seen_from_mm + set.seen_to_mm - seen.seen_from_mm - seen.seen_to_mm) / 2.0;
        for measured in &gap.spacing {
            let x = measured.x_mm + to_quilt;
            if let Some(spacing) = truth.spacing_at(gap.from_row, gap.to_row, x) {
                errors.push((measured.value - spacing, measured.u));
            }
        }
    }
    errors
}

fn is_said_to_be_counted(checked: &rowsight::check::Check) -> bool {
    let what = "No row in the photo was known again by its wobble";
    let reasons = &checked.record.verdict.reasons;
    reasons.iter().any(|reason| reason.starts_with(what))
}

#[test]
fn six_rows_are_numbered_measured_and_kept() {
    let quilt = folder();
    let plan = plan::file::read(&quilt).unwrap();
    let design = design::import::read(&quilt.join(&plan.design_file), Some(plan.repeat_mm))
        .unwrap()
        .design;
    let place = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(place.path()).unwrap();
    let mut errors = Vec::new();
    let snap = |journal: &mut Journal, photo_row: u32| {
        let path = quilt.join(format!("row-photos/row-{photo_row:02}.jpg"));
        let photos = [photo::read(&path).unwrap()];
        let checks = journal.current().unwrap();
        let known = Known {
            trims: Vec::new(),
            gaps: gaps_of(&checks),
            fingerprints: checks
                .iter()
                .filter_map(|c| Some((c.row, c.fingerprint.clone()?)))
                .collect(),
            newest: checks.last().map(|c| c.row),
            ..Known::default()
        };
        let checked = check(&photos, &plan, Some(&design), &known, None).unwrap();
        let kept = [KeptPhoto {
            sha256: &photos[0].sha256,
            path: &path,
            bytes: &photos[0].bytes,
        }];
        journal
            .save(&NewCheck {
                row: checked.row,
                record: &checked.record,
                fingerprint: &checked.fingerprint,
                photos: &kept,
                plan: "",
            })
            .unwrap();
        checked
    };
    for row in 1..=6 {
        let checked = snap(&mut journal, row);
        assert_eq!((checked.row, checked.is_retake), (row, false));
        assert!(!is_said_to_be_counted(&checked), "row {row}");
        let now = compare(&checked.record, &truth(row));
        println!("row {row}: {now:.2?}");
        // What the newest gap's uncertainty rests on adds up to it (GUM, JCGM 100:2008, 5.1.2).
        if let (Some(gap), Some(budget)) = (checked.record.gaps.last(), &checked.budget) {
            for (stated, sum) in gap.spacing.iter().zip(budget.u_mm()) {
                assert!((stated.u / sum - 1.0).abs() < 1e-3, "{} {sum}", stated.u);
            }
        }
        errors.extend(now);
    }
    // An earlier photo again: its newest row is known by its wobble.
    let again = snap(&mut journal, 4);
    assert_eq!((again.row, again.is_retake), (4, true));

    // Row 6 after row 2 shows nothing known: that it was only counted is said.
    journal.undo().unwrap();
    for _ in 3..=6 {
        journal.undo().unwrap();
    }
    let counted = snap(&mut journal, 6);
    assert_eq!((counted.row, counted.is_retake), (3, false));
    assert!(
        is_said_to_be_counted(&counted),
        "{:?}",
        counted.record.verdict.reasons
    );

    let n = errors.len() as f64;
    let rms = (errors.iter().map(|(e, _)| e * e).sum::<f64>() / n).sqrt();
    let worst = errors
        .iter()
        .map(|(e, u)| (e / u).abs())
        .fold(0.0, f64::max);
    assert!(errors.len() >= 15, "{} spacings", errors.len());
    // What rowsight asks of itself: 0.25 mm RMS, and no value further than 4 u from the truth.
    assert!(rms <= 0.25, "RMS {rms:.3} mm");
    assert!(worst <= 4.0, "{worst:.1} u");
}

/// What is said of the sample's row 4 with the plan's design so much too wide, and too high where `as_a_whole`.
fn with_design_too_large(by: f64, as_a_whole: bool) -> rowsight::check::Check {
    let quilt = folder();
    let mut plan = plan::file::read(&quilt).unwrap();
    plan.repeat_mm *= 1.0 + by;
    let mut design = design::import::read(&quilt.join(&plan.design_file), Some(plan.repeat_mm))
        .unwrap()
        .design;
    if !as_a_whole {
        design
            .curve_mm
            .iter_mut()
            .for_each(|point| point.y /= 1.0 + by);
    }
    let photos = [photo::read(&quilt.join("row-photos/row-04.jpg")).unwrap()];
    check(&photos, &plan, Some(&design), &Known::default(), Some(4)).unwrap()
}

/// What is told of a repeat that is not the plan's.
fn told_of_repeat(checked: &rowsight::check::Check) -> &rowsight::verdict::Warning {
    let mut warnings = checked.warnings.iter();
    let told = warnings.find(|w| w.what.starts_with("By the cards the design is stitched"));
    told.expect("the repeat is told")
}

/// A repeat that is read off 3/8 in wrong moved every spacing by 3 mm, as the design was taken for the ruler.
#[test]
fn a_wrong_repeat_in_the_plan_is_told_and_moves_no_spacing() {
    for wrong in [-0.03, 0.04] {
        let checked = with_design_too_large(wrong, true);
        for (error, u) in compare(&checked.record, &truth(4)) {
            assert!(
                error.abs() < 0.9 && error.abs() < 3.0 * u,
                "{wrong}: {error} ± {u}"
            );
        }
        let told = told_of_repeat(&checked);
        assert!(told.remedy.contains("9 in") && !told.spoils, "{told:?}");
        // A wrong bar looks the same.
        assert!(told.remedy.contains("ruler on the card's bar"), "{told:?}");
    }
}

/// So large a difference may be another design, and asks for the plan to be set right.
#[test]
fn a_repeat_that_is_far_off_the_plan_is_not_measured_with_confidence() {
    for as_a_whole in [true, false] {
        let checked = with_design_too_large(0.08, as_a_whole);
        assert_eq!(
            checked.record.verdict.action,
            Action::Retake,
            "{as_a_whole}"
        );
        if as_a_whole {
            let told = told_of_repeat(&checked);
            assert!(told.remedy.contains("9 in") && told.spoils, "{told:?}");
        }
    }
}

/// Rows that are half a repeat apart: with another stagger in the plan a row's neighbours are not found, or another row is taken for one.
#[test]
fn a_wrong_stagger_in_the_plan_is_told() {
    let quilt = folder();
    for (wrong, told) in [(0.0, true), (0.25, true), (0.5, false)] {
        let mut plan = plan::file::read(&quilt).unwrap();
        plan.stagger = wrong;
        let design = design::import::read(&quilt.join(&plan.design_file), Some(plan.repeat_mm))
            .unwrap()
            .design;
        let photos = [photo::read(&quilt.join("row-photos/row-04.jpg")).unwrap()];
        let checked = check(&photos, &plan, Some(&design), &Known::default(), Some(4)).unwrap();
        let mut warnings = checked.warnings.iter();
        let is_told = warnings.any(|w| w.remedy.contains("stagger = 0.5") && w.spoils);
        assert_eq!(is_told, told, "{wrong}");
        let is_retake = checked.record.verdict.action == Action::Retake;
        assert_eq!(is_retake, told, "{wrong}");
    }
}

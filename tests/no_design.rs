//! Rows measured without a design, and lines stitched off the design, on practice photos drawn here; their truth is
//! the drawing's own, which shares no geometry with the measuring code.

#[path = "../examples/evaluate.rs"]
#[allow(dead_code)]
mod evaluate;

mod common;

use common::rowsight;
use rowsight::check::{Check, CheckError, Known, check};
use rowsight::design::Design;
use rowsight::photo::{self, Photo};
use rowsight::rehearse::{PhotoClass, Scene, WrongTurn, render, trial_design};
use std::path::Path;

const MEGAPIXELS: f64 = 3.0;

fn photo_of(scene: &Scene) -> Photo {
    let jpeg = render(scene, &trial_design()).jpeg().unwrap();
    photo::decode(jpeg, Path::new("row.jpg")).unwrap()
}

fn checked(scene: &Scene, design: Option<&Design>) -> Result<Check, CheckError> {
    let plan = scene.plan(design);
    let newest = scene.rows.last().map(|r| r.row);
    check(&[photo_of(scene)], &plan, design, &Known::default(), newest)
}

/// Repeat told and not told; errors against the truth within three of the u stated, and below 1 mm. Which photos are refused is chance
/// (23 of 30 such photos were measured, none wrongly), so five of these eight are asked for.
#[test]
fn rows_without_a_design_have_their_true_spacing() {
    let folder = tempfile::tempdir().unwrap();
    let mut found = 0;
    for seed in 6000..6008 {
        let case = evaluate::case_of(PhotoClass::Easy, seed, MEGAPIXELS);
        let (_, tally, line) = evaluate::measured(&case, folder.path(), true).unwrap();
        assert_eq!(tally.wrong, 0, "{line}");
        assert_eq!(
            tally.found,
            usize::from(!tally.spacing.is_empty()),
            "{line}"
        );
        found += tally.found;
        for (error, u) in &tally.spacing {
            assert!(
                error.abs() < 1.0 && error.abs() < 3.0 * u,
                "{error} {u}: {line}"
            );
        }
    }
    assert!(found >= 5, "{found} of 8");
}

/// Prints that repeat, with nothing stitched on them, are not measured instead of rows.
#[test]
fn a_print_without_rows_is_refused() {
    for class in [
        PhotoClass::Checks,
        PhotoClass::Stripes,
        PhotoClass::SmallPrint,
    ] {
        let mut scene = Scene::of_class(class, 6010, MEGAPIXELS, &trial_design());
        scene.rows.clear();
        let error = checked(&scene, None).unwrap_err();
        let said = error.to_string();
        assert!(
            matches!(error, CheckError::Rows { .. }),
            "{class:?}: {said}"
        );
        assert!(said.contains("--from-photo"), "{said}");
    }
}

#[test]
fn a_wrong_turn_is_told_with_its_place_and_how_far_off_it_is() {
    let design = trial_design();
    let mut scene = Scene::of_class(PhotoClass::Easy, 6030, 4.0, &design);
    // From far enough to have several rows and repeats in view.
    scene.camera.mm_per_px = 0.6;
    scene.objects.clear();
    let (last, middle) = (scene.rows.len() - 1, scene.camera.target_x_mm);
    scene.rows[last].wrong_turns.push(WrongTurn {
        from_mm: middle - 55.0,
        to_mm: middle + 55.0,
        aside_mm: 18.0,
    });
    let checked = checked(&scene, Some(&design)).unwrap();
    let rows = &checked.record.rows;
    let [part] = rows[rows.len() - 1].off_design[..] else {
        let seen: Vec<_> = rows
            .iter()
            .map(|r| (r.row, r.coverage, &r.missed))
            .collect();
        panic!("{seen:?}");
    };
    // The ends of a turn are ramps; the middle of what is told lies within it.
    assert!(
        part.to_mm - part.from_mm > 20.0 && part.to_mm - part.from_mm < 120.0,
        "{part:?}"
    );
    assert!((part.off_mm - 18.0).abs() < 5.0, "{part:?}");
    assert!(
        rows[..rows.len() - 1]
            .iter()
            .all(|r| r.off_design.is_empty())
    );
    assert!(checked.record.verdict.reasons[0].contains("stitched off the design"));
}

/// The sample quilt as one would plan and check it without its design.
#[test]
fn a_quilt_without_a_design_is_planned_checked_listed_and_reported() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("quilt").display().to_string();
    let plan = [
        "plan",
        &folder,
        "--width",
        "60in",
        "--length",
        "40in",
        "--no-design",
        "--spacing",
        "6in",
        "--stagger",
        "0.5",
        "--rows",
        "6",
        "--card-bar",
        "149.6mm",
    ];
    let (code, out, err) = rowsight(&plan);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("No design"), "{out}");
    let photo =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/harvest/row-photos/row-03.jpg");
    let photo = photo.display().to_string();
    let (code, out, err) = rowsight(&["snap", &folder, &photo, "--row", "3", "--json"]);
    assert!(code == 0 || code == 1, "{code} {err}");
    let record: serde_json::Value = serde_json::from_str(&out).unwrap();
    let gaps = record["gaps"].as_array().unwrap();
    assert!(!gaps.is_empty(), "{out}");
    for gap in gaps {
        assert!(gap["plan_clearance_mm"].is_null());
        for spacing in gap["spacing"].as_array().unwrap() {
            // Drawn with gaps of 6 in and errors of 1/32 in each, and leans of 1/16 in.
            assert!(
                (spacing["value"].as_f64().unwrap() - 152.4).abs() < 5.0,
                "{gap}"
            );
        }
    }
    assert!(place.path().join("quilt/overlays/row-03.jpg").exists());
    for command in ["log", "report", "forecast"] {
        let (code, _, err) = rowsight(&[command, &folder]);
        assert_eq!(code, 0, "{command}: {err}");
    }
    let (code, _, err) = rowsight(&["rehearse", &folder]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("has no design"), "{err}");
}

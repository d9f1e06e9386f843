//! A finished quilt off the frame, measured as one plane. Truth from the drawing of the practice photos, which
//! shares no geometry with the measuring.

mod common;

use common::rowsight;
use rowsight::finished::{Finished, FinishedRecord, measure_finished};
use rowsight::photo::{self, Photo};
use rowsight::plan::Plan;
use rowsight::record::XOrigin;
use rowsight::rehearse::Truth;
use rowsight::report::quilt::QuiltReport;
use std::path::{Path, PathBuf};

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/harvest")
}

fn photos() -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(sample().join("finished"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "jpg"))
        .collect();
    paths.sort();
    paths
}

fn truth() -> Truth {
    let text = std::fs::read(sample().join("finished/finished.truth.json")).unwrap();
    serde_json::from_slice(&text).unwrap()
}

fn measured(paths: &[PathBuf]) -> (Finished, Plan) {
    let plan = rowsight::plan::file::read(&sample()).unwrap();
    let design = sample().join(&plan.design_file);
    let design = rowsight::design::import::read(&design, Some(plan.repeat_mm))
        .unwrap()
        .design;
    let mut photos: Vec<Photo> = paths
        .iter()
        .map(|path| photo::read(path).unwrap())
        .collect();
    (
        measure_finished(&mut photos, &plan, &design, &[], &[]).unwrap(),
        plan,
    )
}

#[test]
fn every_row_of_the_sample_is_found_and_measured_in_one_frame() {
    let mut paths = photos();
    // Any order.
    paths.reverse();
    let (finished, plan) = measured(&paths);
    let (record, truth) = (&finished.record, truth());
    assert_eq!(record.photos.len(), paths.len());
    assert!(record.not_used.is_empty(), "{:?}", record.not_used);
    let numbers: Vec<u32> = record.rows.iter().map(|r| r.row).collect();
    assert_eq!(numbers, (1..=plan.rows).collect::<Vec<_>>());
    assert!(record.rows.iter().all(|r| r.x_origin == XOrigin::Quilt));
    let s = |row: u32, x: f64| truth.row(row).unwrap().stitched.s_at(x);
    let mut squares = Vec::new();
    for gap in &record.gaps {
        for at in &gap.spacing {
            let error = at.value - (s(gap.to_row, at.x_mm) - s(gap.from_row, at.x_mm));
            // Four standard uncertainties: 15 values, one in a thousand times by chance.
            assert!(
                error.abs() < 4.0 * at.u,
                "{} to {}: {error} {at:?}",
                gap.from_row,
                gap.to_row
            );
            squares.push(error * error);
        }
    }
    assert_eq!(squares.len(), 15);
    let rms = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    assert!(rms < 0.3, "{rms}");
    let last = record.drift.last().unwrap();
    let planned = f64::from(plan.rows - 1) * plan.spacing_mm;
    let off = last.centre.value - (s(plan.rows, 0.0) - s(1, 0.0) - planned);
    assert!(
        off.abs() < 1.0 && off.abs() < 4.0 * last.centre.u,
        "{off} {:?}",
        last.centre
    );
    let quilt = &truth.scene.quilt;
    for (measured, set) in [
        (record.shrinkage.across, quilt.stretch_x),
        (record.shrinkage.down, quilt.stretch_y),
    ] {
        assert!(
            (measured.value - set).abs() < 4.0 * measured.u,
            "{measured:?} {set}"
        );
    }
}

/// Two rows measured on the frame, then the finished quilt with a copy, a broken file and a picture without a card
/// among its photos: each is named, nothing is lost, and the report compares the two measurements.
#[test]
fn what_does_not_fit_is_named_and_the_report_compares_with_the_frame() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().display().to_string();
    for name in ["plan.toml", "meander.svg"] {
        std::fs::copy(sample().join(name), place.path().join(name)).unwrap();
    }
    let taken = place.path().join("taken");
    std::fs::create_dir(&taken).unwrap();
    for path in photos() {
        std::fs::copy(&path, taken.join(path.file_name().unwrap())).unwrap();
    }
    std::fs::copy(&photos()[0], taken.join("same.jpg")).unwrap();
    let half = std::fs::read(&photos()[0]).unwrap();
    std::fs::write(taken.join("half.jpg"), &half[..half.len() / 2]).unwrap();
    let grey = image::GrayImage::from_fn(900, 700, |x, y| {
        image::Luma([((x * 7 + y * 13) % 251) as u8])
    });
    grey.save(taken.join("bare.png")).unwrap();

    for row in [1, 2, 3] {
        let photo = sample().join(format!("row-photos/row-{row:02}.jpg"));
        let photo = photo.display().to_string();
        let (code, _, err) = rowsight(&[
            "snap",
            &folder,
            &photo,
            "--no-overlay",
            "--row",
            &row.to_string(),
        ]);
        assert!(code <= 1, "{err}");
    }
    let (code, out, err) = rowsight(&[
        "batch",
        &folder,
        "--finished",
        &taken.display().to_string(),
        "--json",
    ]);
    assert_eq!(code, 2, "{err}");
    let record: FinishedRecord = serde_json::from_str(&out).unwrap();
    assert_eq!(record.rows_found, 6);
    assert_eq!(record.photos.len(), photos().len());
    let mut named: Vec<&str> = record
        .not_used
        .iter()
        .map(|n| n.path.rsplit('/').next().unwrap())
        .collect();
    named.sort_unstable();
    assert_eq!(named, ["bare.png", "half.jpg", "same.jpg"]);
    for photo in &record.not_used {
        assert!(
            photo.why.contains(&photo.path) && !photo.remedy.is_empty(),
            "{photo:?}"
        );
        assert!(err.contains(&photo.why), "{err}");
    }

    let (code, out, err) = rowsight(&["report", &folder, "--json"]);
    assert_eq!(code, 0, "{err}");
    let report: QuiltReport = serde_json::from_str(&out).unwrap();
    assert_eq!(report.rows.len(), 3);
    let off = report.off_frame.unwrap();
    // Read and written once more, a number may have lost its last bit.
    assert_eq!(off.finished.judgement, record.judgement);
    assert_eq!(off.finished.not_used, record.not_used);
    for (kept, gap) in off.finished.gaps.iter().zip(&record.gaps) {
        for (a, b) in kept.spacing.iter().zip(&gap.spacing) {
            assert!((a.value - b.value).abs() < 1e-9 && (a.u - b.u).abs() < 1e-9);
        }
    }
    assert_eq!(off.drawn_in.gaps, 2);
    let (down, set) = (off.drawn_in.down.unwrap(), truth().scene.quilt.stretch_y);
    assert!((down.value - set).abs() < 4.0 * down.u, "{down:?} {set}");
}

//! A calibrated lens in the measuring of rows: sample photos to a profile, then rows photographed with the
//! same strong lens, measured with and without it. Truth from the drawing of the practice photos.

use rowsight::calibrate::profile::{CameraKey, Profile, profile, stored_cards};
use rowsight::calibrate::{CalibrationPhoto, calibrate};
use rowsight::card::{DetectOptions, find_cards};
use rowsight::check::{Known, check};
use rowsight::photo::{self, Photo};
use rowsight::plan::{Plan, Tolerance};
use rowsight::rehearse::{Rehearsed, Scene, SceneRange, render, trial_design};
use rowsight::units::LengthUnit;
use std::path::Path;

/// The profile of the camera that took `calibration/sample`.
fn sample_profile() -> Profile {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/sample");
    let mut key = None;
    let photos: Vec<CalibrationPhoto> = (1..=12)
        .map(|i| {
            let name = format!("card-{i:02}.jpg");
            let photo = photo::read(&folder.join(&name)).unwrap();
            let size = photo.luma.dimensions();
            key = Some(CameraKey::of_photo(&photo.facts, size));
            let options = DetectOptions {
                judge: false,
                ..DetectOptions::default()
            };
            let found = find_cards(&photo.luma, &options).unwrap();
            CalibrationPhoto {
                name,
                cards: stored_cards(&found.cards, photo.facts.orientation, size),
            }
        })
        .collect();
    let key = key.unwrap();
    let calibration = calibrate(&photos, key.size_px).unwrap();
    profile("sample", &key, &calibration, jiff::civil::date(2024, 5, 17))
}

/// Source: the truth file written when the photos were drawn.
#[test]
fn sample_photos_give_the_lens_they_were_drawn_with() {
    #[derive(serde::Deserialize)]
    struct Truth {
        focal_px: f64,
        principal_px: [f64; 2],
        k1: f64,
        k2: f64,
    }
    let text = include_str!("../calibration/sample/truth.json");
    let truth: Truth = serde_json::from_str(text).unwrap();
    let found = sample_profile();
    let lens = &found.lens;
    for (i, (mine, true_value)) in [
        (lens.fx_px, truth.focal_px),
        (lens.fy_px, truth.focal_px),
        (lens.cx_px, truth.principal_px[0]),
        (lens.cy_px, truth.principal_px[1]),
        (lens.k1, truth.k1),
        (lens.k2, truth.k2),
    ]
    .into_iter()
    .enumerate()
    {
        let u = lens.covariance[i][i].sqrt();
        assert!(
            (mine - true_value).abs() < 3.0 * u,
            "value {i}: {mine} ± {u}, {true_value}"
        );
    }
    // In one pixel's tenth on a picture 1632 px wide.
    assert!((lens.fx_px - truth.focal_px).abs() < 0.2, "{}", lens.fx_px);
    assert!(found.quality.flat_px < 0.3, "{}", found.quality.flat_px);
}

/// A scene with the sample camera's lens.
fn scene(seed: u64) -> Scene {
    let mut scene = Scene::random(seed, &SceneRange::easy().with_megapixels(2.0));
    let camera = &mut scene.camera;
    camera.focal_35mm = 26.0;
    camera.off_centre = [0.006, -0.009];
    (camera.k1, camera.k2) = (-0.2, 0.06);
    scene
}

/// Differences of measured spacings from the truth, with their u, at left, centre and right.
fn differences(scene: &Scene, drawn: &Rehearsed, profile: Option<&Profile>) -> Vec<(f64, f64)> {
    let design = trial_design();
    let photo: Photo = photo::decode(drawn.jpeg().unwrap(), Path::new("row.jpg")).unwrap();
    let plan = Plan {
        unit: LengthUnit::Millimetre,
        width_mm: scene.quilt.width_mm,
        length_mm: scene.quilt.length_mm,
        design_file: String::new(),
        repeat_mm: design.repeat_mm,
        spacing_mm: scene.quilt.spacing_mm,
        stagger: scene.quilt.stagger,
        rows: 100,
        first_row_mm: 90.0,
        card_bar_mm: scene.cards[0].bar_mm,
        tolerance: Tolerance::default(),
        roll: Default::default(),
        earlier: Vec::new(),
    };
    let known = Known {
        cameras: vec![profile.cloned()],
        ..Known::default()
    };
    let newest = drawn.truth.rows.last().unwrap().row;
    let Ok(checked) = check(&[photo], &plan, Some(&design), &known, Some(newest)) else {
        return Vec::new();
    };
    let (gaps, truths) = (&checked.record.gaps, &drawn.truth.gaps);
    gaps.iter()
        .flat_map(|gap| {
            let truth = truths.iter().find(|t| t.to_row == gap.to_row);
            let at = |i: usize| {
                Some((
                    gap.spacing[i].value - truth?.spacing[i].stitched_mm,
                    gap.spacing[i].u,
                ))
            };
            (0..3).filter_map(at).collect::<Vec<_>>()
        })
        .collect()
}

fn rms(values: &[(f64, f64)]) -> f64 {
    (values.iter().map(|v| v.0 * v.0).sum::<f64>() / values.len() as f64).sqrt()
}

/// `FROM=0 TO=20 cargo test --test calibrated_row -- --ignored --nocapture`
#[test]
#[ignore = "draws 20 photos: two minutes"]
fn rows_under_a_strong_lens_are_measured_better_with_its_profile() {
    let of = |name: &str, default: u64| {
        let value = std::env::var(name).ok();
        value.and_then(|v| v.parse().ok()).unwrap_or(default)
    };
    let profile = sample_profile();
    let (mut with, mut without) = (Vec::new(), Vec::new());
    for seed in of("FROM", 0)..of("TO", 20) {
        let scene = scene(seed);
        let drawn = render(&scene, &trial_design());
        let a = differences(&scene, &drawn, Some(&profile));
        let b = differences(&scene, &drawn, None);
        println!(
            "seed {seed}: {} with, {:.2} mm; {} without, {:.2} mm",
            a.len(),
            rms(&a),
            b.len(),
            rms(&b)
        );
        with.extend(a);
        without.extend(b);
    }
    let held = |v: &[(f64, f64)]| {
        v.iter().filter(|(d, u)| d.abs() <= 1.96 * u).count() as f64 / v.len() as f64
    };
    for (name, v) in [("with", &with), ("without", &without)] {
        println!(
            "{name}: {} spacings, RMS {:.2} mm, {:.1} % held",
            v.len(),
            rms(v),
            100.0 * held(v)
        );
    }
    assert!(with.len() >= without.len());
    assert!(rms(&with) < rms(&without));
    // 95 stated; with a few dozen rows that hang together 90 leaves room for chance.
    assert!(held(&with) > 0.9, "{}", held(&with));
}

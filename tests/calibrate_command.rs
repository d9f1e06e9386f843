//! `rowsight calibrate` and `snap` with a camera profile as a person meets them, each test with a data folder
//! of its own.

use assert_cmd::Command;
use image::ImageEncoder;
use std::path::{Path, PathBuf};

struct Run {
    code: i32,
    out: String,
    err: String,
}

fn rowsight(data: &Path, arguments: &[&str]) -> Run {
    let output = Command::cargo_bin("rowsight")
        .unwrap()
        .args(arguments)
        .env("ROWSIGHT_DATA", data)
        .env_remove("NO_COLOR")
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Run {
        code: output.status.code().unwrap(),
        out: text(&output.stdout),
        err: text(&output.stderr),
    }
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn card(i: u32) -> String {
    root()
        .join(format!("calibration/sample/card-{i:02}.jpg"))
        .display()
        .to_string()
}

fn cards(numbers: impl IntoIterator<Item = u32>) -> Vec<String> {
    numbers.into_iter().map(card).collect()
}

fn calibrate(data: &Path, photos: &[String], more: &[&str]) -> Run {
    let mut arguments = vec!["calibrate"];
    arguments.extend(photos.iter().map(String::as_str));
    arguments.extend(more);
    rowsight(data, &arguments)
}

/// A copy of a photo with other EXIF data, or none.
fn copy(photo: &str, to: &Path, exif: Option<Vec<u8>>) -> String {
    let picture = image::open(photo).unwrap().into_rgb8();
    let mut bytes = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 92);
    if let Some(exif) = exif {
        encoder.set_exif_metadata(exif).unwrap();
    }
    let (w, h) = picture.dimensions();
    encoder
        .write_image(picture.as_raw(), w, h, image::ExtendedColorType::Rgb8)
        .unwrap();
    std::fs::write(to, bytes).unwrap();
    to.display().to_string()
}

fn refused(run: &Run, says: &str) {
    assert_eq!(run.code, 2, "{} {}", run.out, run.err);
    assert!(run.err.contains(says), "`{says}` not in: {}", run.err);
    assert!(!run.err.contains("panicked"), "{}", run.err);
}

#[test]
fn profile_is_made_listed_shown_renamed_exported_and_removed() {
    let data = tempfile::tempdir().unwrap();
    let data = data.path();
    let run = rowsight(data, &["calibrate", "--list"]);
    assert_eq!(run.code, 0);
    assert!(
        run.out.contains("No camera has been calibrated yet"),
        "{}",
        run.out
    );

    let pictures = data.join("pictures");
    let run = calibrate(
        data,
        &cards(1..=12),
        &["--pictures", &pictures.display().to_string()],
    );
    assert_eq!(run.code, 0, "{} {}", run.out, run.err);
    assert!(
        run.out.contains("12 photos") && run.out.contains("Good:"),
        "{}",
        run.out
    );
    assert!(
        run.out.lines().all(|l| l.chars().count() <= 80),
        "{}",
        run.out
    );
    for name in ["coverage.svg", "residuals.svg"] {
        let text = std::fs::read_to_string(pictures.join(name)).unwrap();
        roxmltree::Document::parse(&text).unwrap();
    }

    let run = rowsight(data, &["calibrate", "--list"]);
    assert!(run.out.starts_with("Practice Camera 1: "), "{}", run.out);
    let run = rowsight(
        data,
        &["calibrate", "--rename", "practice camera 1", "My Phone"],
    );
    assert_eq!(run.code, 0, "{}", run.err);
    let run = rowsight(data, &["calibrate", "--show", "my phone"]);
    assert!(
        run.out.starts_with("My Phone: ") && run.out.contains("k1"),
        "{}",
        run.out
    );
    refused(
        &rowsight(data, &["calibrate", "--show", "Practice Camera 1"]),
        "no camera profile named",
    );
    let run = rowsight(data, &["calibrate", "--export", "My Phone"]);
    let profile: toml::Table = toml::from_str(&run.out).unwrap();
    assert_eq!(profile["format"].as_str(), Some("rowsight.camera/1"));
    assert_eq!(profile["lens"]["covariance"].as_array().unwrap().len(), 9);

    // Calibrated again, it keeps its name, and the older file is kept.
    let run = calibrate(data, &cards(1..=11), &[]);
    assert!(run.err.contains("`My Phone`"), "{}", run.err);
    assert!(data.join("cameras/my-phone.toml.before").exists());
    let run = rowsight(data, &["calibrate", "--remove", "My Phone"]);
    assert_eq!(run.code, 0, "{}", run.err);
    assert!(data.join("cameras/my-phone.toml.removed").exists());
    let run = rowsight(data, &["calibrate", "--list"]);
    assert!(run.out.contains("No camera"), "{}", run.out);
}

/// A phone held upright or upside down stores the sensor's picture and says how to turn it (Exif 2.32, tag
/// 274); the lens does not turn with it.
#[test]
fn photos_that_are_to_be_turned_give_the_same_lens() {
    let lens = |data: &Path, photos: &[String]| -> Vec<f64> {
        let run = calibrate(data, photos, &["--name", "phone"]);
        assert_eq!(run.code, 0, "{} {}", run.out, run.err);
        let run = rowsight(data, &["calibrate", "--export", "phone"]);
        let profile: toml::Table = toml::from_str(&run.out).unwrap();
        let lens = profile["lens"].as_table().unwrap();
        let number = |v: &toml::Value| v.as_float().or(v.as_integer().map(|i| i as f64));
        let numbers: Vec<f64> = lens
            .values()
            .flat_map(|v| match v {
                toml::Value::Array(values) => values.iter().filter_map(number).collect(),
                v => number(v).into_iter().collect::<Vec<_>>(),
            })
            .collect();
        assert!(numbers.len() >= 6, "{}", run.out);
        numbers
    };
    let (plain, turned) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let photos: Vec<String> = (1..=12)
        .map(|i| {
            let mut bytes = std::fs::read(card(i)).unwrap();
            // Tag 274, a short, one of it, upper left.
            let entry = [0x12, 0x01, 3, 0, 1, 0, 0, 0, 1, 0];
            let at = bytes.windows(10).position(|w| w == entry).unwrap();
            bytes[at + 8] = [1, 6, 3, 8][i as usize % 4];
            let path = turned.path().join(format!("card-{i:02}.jpg"));
            std::fs::write(&path, bytes).unwrap();
            path.display().to_string()
        })
        .collect();
    let (a, b) = (
        lens(plain.path(), &cards(1..=12)),
        lens(turned.path(), &photos),
    );
    assert_eq!(a.len(), b.len());
    // Patches are cut from a turned picture, so rounding differs; far below what the lens is known to.
    for (a, b) in a.iter().zip(&b).take(4) {
        assert!((a - b).abs() < 2e-4 * a.abs().max(1.0), "{a} {b}");
    }
}

#[test]
fn bad_sets_are_refused_in_one_sentence_with_what_to_do() {
    let data = tempfile::tempdir().unwrap();
    let data = data.path();
    refused(
        &calibrate(data, &cards(1..=3), &[]),
        "only 3 photos with a usable card",
    );
    refused(
        &calibrate(data, &["no-such.jpg".to_owned()], &[]),
        "no-such.jpg cannot be opened",
    );
    // The same photos twice are the same photos.
    let run = calibrate(data, &[cards(1..=3), cards(1..=3)].concat(), &[]);
    refused(&run, "it is the same picture as card-01.jpg");
    refused(&run, "only 3 photos");
    let row = root()
        .join("sample-images/harvest/meander.svg")
        .display()
        .to_string();
    refused(&calibrate(data, &[row], &[]), "meander.svg is not a photo");
    assert!(!data.join("cameras").exists(), "a profile was kept");
    // Nothing to do is said by the usage.
    assert_eq!(rowsight(data, &["calibrate"]).code, 2);
}

/// Small, blurred and noisy photos: measured, but the lens stays open.
#[test]
fn a_lens_known_too_badly_is_not_kept_and_what_is_missing_is_said() {
    let place = tempfile::tempdir().unwrap();
    let data = place.path();
    let mut noise = 1u32;
    let photos: Vec<String> = [2, 3, 4, 7, 11, 12]
        .into_iter()
        .map(|i| {
            let picture = image::open(card(i)).unwrap().into_luma8();
            let filter = image::imageops::FilterType::Triangle;
            let small = image::imageops::resize(&picture, 816, 612, filter);
            let mut soft = image::imageops::blur(&small, 1.4);
            for p in soft.pixels_mut() {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                p.0[0] = p.0[0].saturating_add_signed(((noise >> 24) as i32 % 64 - 32) as i8);
            }
            let path = data.join(format!("soft-{i}.png"));
            soft.save(&path).unwrap();
            path.display().to_string()
        })
        .collect();
    let run = calibrate(data, &photos, &["--name", "soft"]);
    assert_eq!(run.code, 3, "{} {}", run.out, run.err);
    assert!(
        run.out.contains("Not good enough yet") && run.out.contains("What is missing"),
        "{}",
        run.out
    );
    assert!(run.err.contains("No profile was kept"), "{}", run.err);
    assert!(!data.join("cameras").exists());
}

#[test]
fn a_broken_profile_is_named_and_stops_nothing() {
    let data = tempfile::tempdir().unwrap();
    let data = data.path();
    std::fs::create_dir_all(data.join("cameras")).unwrap();
    std::fs::write(data.join("cameras/old.toml"), "format = 3").unwrap();
    let run = rowsight(data, &["calibrate", "--list"]);
    assert_eq!(run.code, 0);
    assert!(
        run.err.contains("old.toml is not a camera profile"),
        "{}",
        run.err
    );
}

#[test]
fn photos_by_another_lens_are_left_out_and_those_that_say_nothing_need_a_name() {
    let place = tempfile::tempdir().unwrap();
    let data = place.path();
    let mut photos = cards(1..=8);
    let zoomed = rowsight::rehearse::exif(11.78, 52.0, "2024:05:17 10:00:00");
    photos.push(copy(&card(9), &data.join("zoomed.jpg"), Some(zoomed)));
    let run = calibrate(data, &photos, &["--look"]);
    assert_eq!(run.code, 0, "{} {}", run.out, run.err);
    assert!(
        run.err
            .contains("zoomed.jpg was left out: it was taken with another lens or zoom"),
        "{}",
        run.err
    );
    assert!(run.out.contains("8 photos"), "{}", run.out);

    let silent: Vec<String> = (1..=12)
        .map(|i| copy(&card(i), &data.join(format!("silent-{i}.jpg")), None))
        .collect();
    refused(&calibrate(data, &silent, &[]), "--name");
    let run = calibrate(data, &silent, &["--name", "Old phone"]);
    assert_eq!(run.code, 0, "{} {}", run.out, run.err);
    assert!(data.join("cameras/old-phone.toml").exists());
}

/// The sample quilt's photos are taken by a camera of the same make and model, but with another size.
#[test]
fn snap_uses_a_profile_only_for_its_own_camera_and_says_so() {
    let place = tempfile::tempdir().unwrap();
    let data = place.path();
    assert_eq!(calibrate(data, &cards(1..=12), &[]).code, 0);
    let quilt = root().join("sample-images/harvest").display().to_string();
    let photo = root()
        .join("sample-images/harvest/row-photos/row-02.jpg")
        .display()
        .to_string();
    let snap = |more: &[&str]| {
        let mut arguments = vec!["snap", &quilt, &photo, "--row", "2", "--look"];
        arguments.extend(more);
        rowsight(data, &arguments)
    };
    let run = snap(&[]);
    assert!(run.code < 2, "{}", run.err);
    assert!(
        run.err.contains("does not fit the camera profile")
            && run.err.contains("pixels instead of"),
        "{}",
        run.err
    );
    refused(&snap(&["--camera", "Practice Camera 1"]), "does not fit");
    refused(
        &snap(&["--camera", "nobody"]),
        "no camera profile named `nobody`",
    );

    // A profile of the photo's own size is used without being told, and gives the same gap: the sample photos
    // have no distortion, and neither has this profile.
    let text = rowsight(data, &["calibrate", "--export", "Practice Camera 1"]).out;
    let mut own: toml::Table = toml::from_str(&text).unwrap();
    let (w, h) = image::image_dimensions(&photo).unwrap();
    own.insert("name".into(), "own".into());
    let camera = own["camera"].as_table_mut().unwrap();
    let numbers = [i64::from(w), i64::from(h)].map(toml::Value::Integer);
    camera.insert("size_px".into(), toml::Value::Array(numbers.to_vec()));
    let focal_35mm = camera["focal_length_35mm"].as_float().unwrap();
    let focal_px = focal_35mm / 36f64.hypot(24.0) * f64::from(w).hypot(f64::from(h));
    let lens = own["lens"].as_table_mut().unwrap();
    for (key, value) in [
        ("fx_px", focal_px),
        ("fy_px", focal_px),
        ("cx_px", f64::from(w) / 2.0),
        ("cy_px", f64::from(h) / 2.0),
        ("k1", 0.0),
        ("k2", 0.0),
    ] {
        lens.insert(key.into(), value.into());
    }
    std::fs::write(
        data.join("cameras/own.toml"),
        toml::to_string(&own).unwrap(),
    )
    .unwrap();
    let gap = |run: &Run| {
        let record: serde_json::Value = serde_json::from_str(&run.out).unwrap();
        let centre = &record["gaps"][0]["spacing"][1];
        (
            centre["value"].as_f64().unwrap(),
            centre["u"].as_f64().unwrap(),
        )
    };
    let with = snap(&["--json"]);
    assert!(
        with.err.contains("lens as calibrated, profile `own`"),
        "{}",
        with.err
    );
    let none = tempfile::tempdir().unwrap();
    let without = rowsight(
        none.path(),
        &["snap", &quilt, &photo, "--row", "2", "--look", "--json"],
    );
    let (a, b) = (gap(&with), gap(&without));
    assert!((a.0 - b.0).abs() < 2.0 * b.1, "{a:?} {b:?}");
    assert_eq!(snap(&["--camera", "own"]).code, with.code);
}

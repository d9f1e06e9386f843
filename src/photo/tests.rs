use super::decode::upright;
use super::*;
use image::{DynamicImage, GrayImage, Luma};
use std::path::Path;

/// Where the stored picture's first row and first column lie as seen, by orientation: the table of tag
/// Orientation (0x0112) in the EXIF standard, CIPA DC-008-2019, 4.6.4.
const SIDES: [(&str, &str); 8] = [
    ("top", "left"),
    ("top", "right"),
    ("bottom", "right"),
    ("bottom", "left"),
    ("left", "top"),
    ("right", "top"),
    ("right", "bottom"),
    ("left", "bottom"),
];

#[test]
fn every_orientation_is_turned_as_the_standard_says() {
    let (w, h) = (3u32, 2u32);
    let stored = GrayImage::from_fn(w, h, |x, y| Luma([(10 * y + x) as u8]));
    for (orientation, (row_side, column_side)) in (1u8..).zip(SIDES) {
        let seen = upright(DynamicImage::ImageLuma8(stored.clone()), orientation).into_luma8();
        let (sw, sh) = seen.dimensions();
        for (column, row, value) in stored.enumerate_pixels() {
            let place = |side: &str, n: u32| match side {
                "top" => (None, Some(n)),
                "bottom" => (None, Some(sh - 1 - n)),
                "left" => (Some(n), None),
                _ => (Some(sw - 1 - n), None),
            };
            let (a, b) = (place(row_side, row), place(column_side, column));
            let (x, y) = (a.0.or(b.0).unwrap(), a.1.or(b.1).unwrap());
            assert_eq!(seen.get_pixel(x, y), value, "orientation {orientation}");
        }
    }
}

/// Pixels by Pillow (tests/reference/photo/make.py, version in photos.json).
#[test]
fn every_encoding_is_read_as_pillow_reads_it() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/photo");
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("photos.json")).unwrap())
            .unwrap();
    let spots = truth["spots"].as_array().unwrap();
    for (name, luma) in truth["luma"].as_object().unwrap() {
        let photo = read(&folder.join(name)).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(photo.luma.dimensions(), (720, 480), "{name}");
        let colour = photo.colour().unwrap();
        for (spot, expected) in spots.iter().zip(luma.as_array().unwrap()) {
            let (x, y) = (
                spot[0].as_u64().unwrap() as u32,
                spot[1].as_u64().unwrap() as u32,
            );
            let expected = expected.as_i64().unwrap();
            let found = i64::from(photo.luma.get_pixel(x, y)[0]);
            // Rounding of the same transforms; how inks become light differs a little more.
            let within = if name == "cmyk.jpg" { 12 } else { 4 };
            assert!(
                (found - expected).abs() <= within,
                "{name} at {x}, {y}: {found} {expected}"
            );
            let [r, g, b] = colour.get_pixel(x, y).0.map(f64::from);
            let bt601 = 0.299 * r + 0.587 * g + 0.114 * b;
            assert!(
                (bt601 - expected as f64).abs() <= within as f64,
                "{name} colour: {bt601} {expected}"
            );
        }
    }
    let facts = read(&folder.join("baseline.jpg")).unwrap().facts;
    assert_eq!(facts.make.as_deref(), Some("Maker"));
    assert_eq!(facts.model.as_deref(), Some("Model 9"));
    assert_eq!(facts.focal_length_35mm, Some(26.0));
    assert!((facts.focal_length_mm.unwrap() - 5.89).abs() < 1e-9);
    assert_eq!(facts.taken.unwrap().to_string(), "2024-05-17T10:11:12");
    assert_eq!(
        read(&folder.join("turned.jpg")).unwrap().facts.orientation,
        6
    );
}

#[test]
fn sizes_are_checked_before_anything_is_unpacked() {
    // A PNG header of 60000 × 60000 and nothing behind it; the checksum is not looked at first.
    let mut bomb = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\xea\x60\0\0\xea\x60\x08\x02\0\0\0".to_vec();
    bomb.extend([0; 4]);
    assert!(decode(bomb, Path::new("bomb.png")).is_err());
    let small = GrayImage::new(40, 30);
    let mut bytes = std::io::Cursor::new(Vec::new());
    small.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    assert!(matches!(
        decode(bytes.into_inner(), Path::new("small.png")),
        Err(PhotoError::TooSmall {
            width: 40,
            height: 30,
            ..
        })
    ));
}

/// Pixels by libheif (tests/reference/photo/make_heic.py, versions in heic.json); one is stored on its side.
#[cfg(feature = "heic")]
#[test]
fn heic_is_read_as_libheif_reads_it() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/photo");
    let truth = std::fs::read_to_string(folder.join("heic.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    for (name, turn) in [("plain.heic", 1), ("turned.heic", 6)] {
        let photo = read(&folder.join(name)).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(photo.luma.dimensions(), (720, 480), "{name}");
        assert_eq!(photo.facts.orientation, turn, "{name}");
        assert_eq!(photo.facts.focal_length_35mm, Some(26.0), "{name}");
        assert_eq!(photo.colour().unwrap().dimensions(), (720, 480), "{name}");
        let expected = truth["luma"][name].as_array().unwrap();
        for (spot, expected) in truth["spots"].as_array().unwrap().iter().zip(expected) {
            let [x, y] = [0, 1].map(|i| spot[i].as_u64().unwrap() as u32);
            let found = i64::from(photo.luma.get_pixel(x, y)[0]);
            let expected = expected.as_i64().unwrap();
            assert!(
                (found - expected).abs() <= 4,
                "{name} {x} {y}: {found} {expected}"
            );
        }
    }
}

/// Without the feature it is said what it is and what to do.
#[cfg(not(feature = "heic"))]
#[test]
fn heic_is_named_with_the_remedy() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/photo");
    let error = read(&folder.join("plain.heic")).unwrap_err().to_string();
    assert!(error.contains("HEIC") && error.contains("JPEG"), "{error}");
}

/// Decoded once for both, a JPEG has the same luma as alone, and the colours of the `image` crate's own conversion to
/// two levels.
#[test]
fn a_jpeg_decoded_for_luma_and_colour_at_once_is_the_same_picture() {
    for name in [
        "baseline.jpg",
        "progressive.jpg",
        "turned.jpg",
        "gray.jpg",
        "cmyk.jpg",
    ] {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/reference/photo")
            .join(name);
        let alone = read(&path).unwrap();
        let (photo, small) = read_with_small(&path, 100_000).unwrap();
        assert_eq!(photo.luma, alone.luma, "{name}");
        assert_eq!((photo.sha256, small.scale), (alone.sha256.clone(), 1.0));
        let colour = alone.colour().unwrap();
        assert_eq!(small.picture.dimensions(), colour.dimensions(), "{name}");
        let most = (small.picture.as_raw().iter().zip(colour.as_raw()))
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(most <= Some(2), "{name}: {most:?}");
    }
}

/// A device or a pipe may never come to an end.
#[cfg(unix)]
#[test]
fn what_is_no_file_is_not_read() {
    for path in ["/dev/zero", "/dev/null"] {
        let error = read(Path::new(path)).unwrap_err().to_string();
        assert!(error.contains("it is no file"), "{error}");
    }
}

//! A practice photo as files: a JPEG that looks like a camera's, and its truth beside it.

use super::render::Rehearsed;
use super::scene::Scene;
use image::codecs::jpeg::JpegEncoder;
use image::{ImageEncoder, RgbImage};
use std::path::{Path, PathBuf};

/// Why a practice photo could not be written.
#[derive(Debug, thiserror::Error)]
pub enum RehearseError {
    /// The picture could not be packed.
    #[error("practice photo cannot be packed as JPEG: {0}")]
    Jpeg(#[from] image::ImageError),
    /// The truth could not be written as JSON.
    #[error("truth of the practice photo cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A file could not be written.
    #[error("cannot write {path}: {source}", path = .path.display())]
    Write {
        /// Which file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}

/// EXIF data (EXIF 2.3, without the "Exif\0\0" header) of the invented camera: make "Practice", model
/// "Camera 1", focal lengths, and when the picture was "taken".
///
/// `taken` is written as EXIF wants it: "2024:05:17 10:20:30".
pub fn exif(focal_mm: f64, focal_35mm: f64, taken: &str) -> Vec<u8> {
    const ASCII: u16 = 2;
    const SHORT: u16 = 3;
    const LONG: u16 = 4;
    const RATIONAL: u16 = 5;
    let text = |s: &str| {
        let mut bytes = s.as_bytes().to_vec();
        bytes.push(0);
        bytes
    };
    let rational = |v: f64| {
        let mut bytes = ((v * 100.0).round() as u32).to_le_bytes().to_vec();
        bytes.extend(100u32.to_le_bytes());
        bytes
    };
    type Entry = (u16, u16, u32, Vec<u8>);
    let ascii = |tag: u16, s: &str| -> Entry {
        let bytes = text(s);
        (tag, ASCII, bytes.len() as u32, bytes)
    };
    // A directory at `at`: entries in order of their tags, long values behind them.
    let directory = |at: usize, entries: &[Entry]| {
        let mut head = (entries.len() as u16).to_le_bytes().to_vec();
        let mut tail = Vec::new();
        let tail_at = at + 2 + 12 * entries.len() + 4;
        for (tag, kind, count, value) in entries {
            head.extend(tag.to_le_bytes());
            head.extend(kind.to_le_bytes());
            head.extend(count.to_le_bytes());
            if value.len() <= 4 {
                let mut four = value.clone();
                four.resize(4, 0);
                head.extend(four);
            } else {
                head.extend(((tail_at + tail.len()) as u32).to_le_bytes());
                tail.extend(value);
                if tail.len() % 2 == 1 {
                    tail.push(0);
                }
            }
        }
        head.extend(0u32.to_le_bytes());
        head.extend(tail);
        head
    };
    let main = |exif_at: u32| -> Vec<Entry> {
        vec![
            ascii(0x010f, "Practice"),
            ascii(0x0110, "Camera 1"),
            (0x0112, SHORT, 1, 1u16.to_le_bytes().to_vec()),
            ascii(0x0132, taken),
            (0x8769, LONG, 1, exif_at.to_le_bytes().to_vec()),
        ]
    };
    let mut out = b"II\x2a\x00\x08\x00\x00\x00".to_vec();
    let exif_at = 8 + directory(8, &main(0)).len();
    out.extend(directory(8, &main(exif_at as u32)));
    out.extend(directory(
        exif_at,
        &[
            (0x9000, 7, 4, b"0230".to_vec()),
            ascii(0x9003, taken),
            (0x920a, RATIONAL, 1, rational(focal_mm)),
            (
                0xa405,
                SHORT,
                1,
                (focal_35mm.round() as u16).to_le_bytes().to_vec(),
            ),
        ],
    ));
    out
}

impl Rehearsed {
    /// The photo as a JPEG file's bytes, with EXIF data.
    ///
    /// # Errors
    ///
    /// [`RehearseError::Jpeg`] when the picture is too large for the format.
    pub fn jpeg(&self) -> Result<Vec<u8>, RehearseError> {
        jpeg(&self.photo, &self.truth.scene)
    }
}

/// A picture of a scene as a JPEG file's bytes, with EXIF data.
///
/// # Errors
///
/// [`RehearseError::Jpeg`] when the picture is too large for the format.
pub fn jpeg(photo: &RgbImage, scene: &Scene) -> Result<Vec<u8>, RehearseError> {
    let focal_35mm = scene.camera.focal_35mm;
    // A phone's sensor with a diagonal of 9.8 mm.
    let focal_mm = focal_35mm * 9.8 / 36f64.hypot(24.0);
    let minute = scene.seed % 60;
    let newest = scene.rows.last().map_or(0, |r| r.row % 24);
    let taken = format!("2024:05:17 {newest:02}:{minute:02}:00");
    let mut bytes = Vec::new();
    let quality = scene.picture.jpeg_quality.clamp(1, 100);
    let mut encoder = JpegEncoder::new_with_quality(&mut bytes, quality);
    encoder
        .set_exif_metadata(exif(focal_mm, focal_35mm, &taken))
        .map_err(image::ImageError::Unsupported)?;
    encoder.write_image(
        photo.as_raw(),
        photo.width(),
        photo.height(),
        image::ExtendedColorType::Rgb8,
    )?;
    Ok(bytes)
}

/// Writes `stem.jpg` and `stem.truth.json` into `folder`; returns both paths.
///
/// # Errors
///
/// When packing or writing fails; the path is in the message.
pub fn write(
    folder: &Path,
    stem: &str,
    rehearsed: &Rehearsed,
) -> Result<(PathBuf, PathBuf), RehearseError> {
    let put = |name: String, bytes: &[u8]| {
        let path = folder.join(name);
        std::fs::write(&path, bytes).map_err(|source| RehearseError::Write {
            path: path.clone(),
            source,
        })?;
        Ok::<_, RehearseError>(path)
    };
    let photo = put(format!("{stem}.jpg"), &rehearsed.jpeg()?)?;
    let json = serde_json::to_vec_pretty(&rehearsed.truth)?;
    let truth = put(format!("{stem}.truth.json"), &json)?;
    Ok((photo, truth))
}

#[cfg(test)]
mod tests {
    use super::super::{Scene, Truth, render, trial_design};
    use super::*;
    use exif::{In, Tag, Value};

    /// Read back by the `kamadak-exif` and `image` crates.
    #[test]
    fn written_files_can_be_read_back_with_camera_facts_and_truth() {
        let mut scene = Scene::default();
        scene.camera.megapixels = 0.2;
        let rehearsed = render(&scene, &trial_design());
        let folder = tempfile::tempdir().unwrap();
        let (photo, truth) = write(folder.path(), "row-07", &rehearsed).unwrap();

        let size = image::image_dimensions(&photo).unwrap();
        assert_eq!([size.0, size.1], rehearsed.truth.size_px);
        let mut reader = std::io::BufReader::new(std::fs::File::open(&photo).unwrap());
        let facts = exif::Reader::new()
            .read_from_container(&mut reader)
            .unwrap();
        let text = |tag| {
            let field = facts.get_field(tag, In::PRIMARY).unwrap();
            field.display_value().to_string()
        };
        assert_eq!(text(Tag::Make), "\"Practice\"");
        assert_eq!(text(Tag::Model), "\"Camera 1\"");
        assert_eq!(text(Tag::FocalLengthIn35mmFilm), "26");
        assert_eq!(text(Tag::DateTimeOriginal), "2024-05-17 07:01:00");
        let focal = facts.get_field(Tag::FocalLength, In::PRIMARY).unwrap();
        let Value::Rational(focal) = &focal.value else {
            panic!("{focal:?}");
        };
        // 26 mm · 9.8 / 43.27, to the hundredth that is written.
        assert!((focal[0].to_f64() - 5.89).abs() < 1e-9);

        let back: Truth = serde_json::from_slice(&std::fs::read(&truth).unwrap()).unwrap();
        assert_eq!(back.scene, scene);
        assert_eq!(back.rows.len(), rehearsed.truth.rows.len());
    }
}

//! From a file's bytes to an upright picture.

use super::heic;
use super::kind::{Kind, kind};
use super::shrink::shrink;
use super::{CaptureFacts, Photo};
use image::{DynamicImage, GrayImage, ImageDecoder, ImageFormat, ImageReader, RgbImage};
use sha2::{Digest, Sha256};
use std::io::Cursor;
use std::path::{Path, PathBuf};
use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

/// Largest file, bytes.
const LARGEST_FILE: u64 = 300_000_000;
/// Largest picture, px: 108 megapixels and a little.
const MOST_PIXELS: u64 = 120_000_000;
/// Smallest picture, px.
const FEWEST_PIXELS: u64 = 300_000;
/// Longest side, px.
const LONGEST_SIDE: usize = 24_000;
/// Most memory a decoder may ask for, bytes.
const MOST_MEMORY: u64 = 700_000_000;

/// Why a photo cannot be used. Messages name the file and what to do next.
#[derive(Debug, thiserror::Error)]
pub enum PhotoError {
    /// The file cannot be opened.
    #[error("{} cannot be opened ({reason}); check the name and that you may read it", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        reason: String,
    },
    /// A folder was given.
    #[error("{} is a folder; name the photo in it", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
    },
    /// No bytes in it.
    #[error("{} is empty; copy the photo from the phone again", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The file ends before the picture does.
    #[error("{} ends in the middle of the picture; copy it from the phone again", path.display())]
    Truncated {
        /// The file.
        path: PathBuf,
    },
    /// Not a picture.
    #[error("{} is not a photo but {what}; give a JPEG, PNG, WebP or TIFF", path.display())]
    NotAPhoto {
        /// The file.
        path: PathBuf,
        /// What it is.
        what: &'static str,
    },
    /// A HEIC picture.
    #[error(
        "{} is a HEIC picture that this build does not read; set the phone's camera to its most compatible format (JPEG), share the photo as JPEG, or build rowsight with `--features heic`",
        path.display()
    )]
    Heic {
        /// The file.
        path: PathBuf,
    },
    /// Too many pixels.
    #[error("{} is {width} × {height} pixels, more than the 120 megapixels a photo may have; take it with an ordinary setting", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Width in its header, px.
        width: u64,
        /// Height in its header, px.
        height: u64,
    },
    /// Too few pixels.
    #[error("{} is only {width} × {height} pixels; send the photo from the phone at its original size", path.display())]
    TooSmall {
        /// The file.
        path: PathBuf,
        /// Width, px.
        width: u64,
        /// Height, px.
        height: u64,
    },
    /// The file is larger than any photo.
    #[error("{} is {megabytes} MB, larger than any photo; check that it is the right file", path.display())]
    HugeFile {
        /// The file.
        path: PathBuf,
        /// Its size.
        megabytes: u64,
    },
    /// The decoder gave up.
    #[error("{} is damaged ({reason}); copy it from the phone again", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the decoder says.
        reason: String,
    },
}

/// Reads a photo from a file.
///
/// # Errors
///
/// [`PhotoError`] with the file's name, what is wrong and what to do next.
pub fn read(path: &Path) -> Result<Photo, PhotoError> {
    decode(bytes_of(path)?, path)
}

/// When a photo was taken, where it says so, and its SHA-256 in hexadecimal; a JPEG's pixels are not decoded.
///
/// # Errors
///
/// As [`read`], as far as that shows without the pixels.
pub fn glance(path: &Path) -> Result<(Option<jiff::civil::DateTime>, String), PhotoError> {
    let bytes = bytes_of(path)?;
    if kind(&bytes) == Kind::Picture(ImageFormat::Jpeg) {
        let (_, _, facts) = jpeg_headers(&bytes, path)?;
        return Ok((facts.taken, sha256(&bytes)));
    }
    let photo = decode(bytes, path)?;
    Ok((photo.facts.taken, photo.sha256))
}

/// A photo in colour, made smaller, to draw on.
#[derive(Debug, Clone, PartialEq)]
pub struct Small {
    /// The picture, upright.
    pub picture: RgbImage,
    /// Its pixels per pixel of the photo.
    pub scale: f64,
}

impl Small {
    /// A photo as it is.
    pub fn whole(picture: RgbImage) -> Small {
        Small {
            picture,
            scale: 1.0,
        }
    }

    fn of(picture: &RgbImage, longest: u32) -> Small {
        let (picture, scale) = shrink(picture, longest);
        Small { picture, scale }
    }
}

/// As [`read`], with the photo in colour, at most `longest` px on its longer side; a JPEG is decoded once for both.
///
/// # Errors
///
/// As [`read`].
pub fn read_with_small(path: &Path, longest: u32) -> Result<(Photo, Small), PhotoError> {
    let bytes = bytes_of(path)?;
    if kind(&bytes) == Kind::Picture(ImageFormat::Jpeg)
        && let Some((luma, small, facts)) = jpeg_with_small(&bytes, path, longest)?
    {
        let orientation = facts.orientation;
        let photo = photo(bytes, path, luma, facts);
        let picture = upright(DynamicImage::ImageRgb8(small.picture), orientation).into_rgb8();
        return Ok((photo, Small { picture, ..small }));
    }
    let photo = decode(bytes, path)?;
    let small = Small::of(&photo.colour()?, longest);
    Ok((photo, small))
}

/// A photo in colour alone, upright.
///
/// # Errors
///
/// As [`read`].
pub fn picture(path: &Path, longest: u32) -> Result<Small, PhotoError> {
    let bytes = bytes_of(path)?;
    if kind(&bytes) == Kind::Picture(ImageFormat::Jpeg)
        && let Some((_, small, facts)) = jpeg_with_small(&bytes, path, longest)?
    {
        let picture =
            upright(DynamicImage::ImageRgb8(small.picture), facts.orientation).into_rgb8();
        return Ok(Small { picture, ..small });
    }
    Ok(Small::of(&decode(bytes, path)?.colour()?, longest))
}

/// Luma and small picture of a JPEG, as stored; `None` when it is in inks.
fn jpeg_with_small(
    bytes: &[u8],
    path: &Path,
    longest: u32,
) -> Result<Option<(GrayImage, Small, CaptureFacts)>, PhotoError> {
    let (mut decoder, (width, height), facts) = jpeg_headers(bytes, path)?;
    if decoder.input_colorspace() != Some(ColorSpace::YCbCr) {
        return Ok(None);
    }
    decoder.set_options(jpeg_options().jpeg_set_out_colorspace(ColorSpace::YCbCr));
    let pixels = decoder.decode().map_err(|e| damaged(path, e.to_string()))?;
    let fewer = || damaged(path, "fewer pixels than its size says".to_owned());
    let luma: Vec<u8> = pixels.chunks_exact(3).map(|p| p[0]).collect();
    let luma = GrayImage::from_raw(width, height, luma).ok_or_else(fewer)?;
    // Means may be taken before the colours are turned into red, green and blue as well as after.
    let pixels = RgbImage::from_raw(width, height, pixels).ok_or_else(fewer)?;
    let mut small = Small::of(&pixels, longest);
    for pixel in small.picture.pixels_mut() {
        pixel.0 = rgb(pixel.0);
    }
    Ok(Some((luma, small, facts)))
}

/// Red, green and blue of a JPEG's luma and chroma (JFIF, ITU-T T.871, section 7).
fn rgb([y, cb, cr]: [u8; 3]) -> [u8; 3] {
    let (y, cb, cr) = (f32::from(y), f32::from(cb) - 128.0, f32::from(cr) - 128.0);
    let value = |v: f32| (v + 0.5).clamp(0.0, 255.0) as u8;
    [
        value(y + 1.402 * cr),
        value(y - (0.114 * 1.772 * cb + 0.299 * 1.402 * cr) / 0.587),
        value(y + 1.772 * cb),
    ]
}

fn sha256(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest.iter().map(|b| format!("{b:02x}")).collect()
}

fn bytes_of(path: &Path) -> Result<Vec<u8>, PhotoError> {
    let unreadable = |e: std::io::Error| PhotoError::Unreadable {
        path: path.to_owned(),
        reason: match e.kind() {
            std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
            std::io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
            _ => e.to_string(),
        },
    };
    let facts = std::fs::metadata(path).map_err(unreadable)?;
    if facts.is_dir() {
        return Err(PhotoError::Folder {
            path: path.to_owned(),
        });
    }
    // A pipe or a device may never come to an end.
    if !facts.is_file() {
        return Err(PhotoError::Unreadable {
            path: path.to_owned(),
            reason: "it is no file".to_owned(),
        });
    }
    if facts.len() > LARGEST_FILE {
        return Err(PhotoError::HugeFile {
            path: path.to_owned(),
            megabytes: facts.len() / 1_000_000,
        });
    }
    std::fs::read(path).map_err(unreadable)
}

/// Decodes a photo from the bytes of a file; `path` is for messages.
///
/// # Errors
///
/// As [`read`].
pub fn decode(bytes: Vec<u8>, path: &Path) -> Result<Photo, PhotoError> {
    if bytes.is_empty() {
        return Err(PhotoError::Empty {
            path: path.to_owned(),
        });
    }
    let kind = kind(&bytes);
    let format = match kind {
        Kind::Picture(format) => Some(format),
        Kind::Heic => None,
        Kind::Other(what) => {
            return Err(PhotoError::NotAPhoto {
                path: path.to_owned(),
                what,
            });
        }
        Kind::Unknown => {
            return Err(PhotoError::NotAPhoto {
                path: path.to_owned(),
                what: "a file of unknown type",
            });
        }
    };
    let (picture, facts) = match format {
        None => {
            let stored = heic::luma(&bytes, path)?;
            let facts = CaptureFacts {
                orientation: stored.orientation,
                ..facts(stored.exif.as_deref())
            };
            (stored.picture, facts)
        }
        Some(ImageFormat::Jpeg) => jpeg_luma(&bytes, path)?,
        Some(format) => {
            let (picture, exif) = other(&bytes, path, format)?;
            (luma_of(picture), facts(exif.as_deref()))
        }
    };
    Ok(photo(bytes, path, picture, facts))
}

/// A photo of its luma as stored.
fn photo(bytes: Vec<u8>, path: &Path, luma: GrayImage, facts: CaptureFacts) -> Photo {
    Photo {
        path: path.to_owned(),
        really: really(path, kind(&bytes)),
        luma: upright(DynamicImage::ImageLuma8(luma), facts.orientation).into_luma8(),
        facts,
        sha256: sha256(&bytes),
        bytes,
    }
}

/// The picture in colour, turned upright.
pub(super) fn colour(bytes: &[u8], path: &Path, orientation: u8) -> Result<RgbImage, PhotoError> {
    let picture = match kind(bytes) {
        Kind::Picture(format) => other(bytes, path, format)?.0,
        _ => DynamicImage::ImageRgb8(heic::colour(bytes, path)?.picture),
    };
    Ok(upright(picture, orientation).into_rgb8())
}

pub(super) fn check_size(path: &Path, width: u64, height: u64) -> Result<(), PhotoError> {
    let path = || path.to_owned();
    if width * height > MOST_PIXELS || width.max(height) > LONGEST_SIDE as u64 {
        Err(PhotoError::TooLarge {
            path: path(),
            width,
            height,
        })
    } else if width * height < FEWEST_PIXELS {
        Err(PhotoError::TooSmall {
            path: path(),
            width,
            height,
        })
    } else {
        Ok(())
    }
}

fn jpeg_options() -> DecoderOptions {
    DecoderOptions::default()
        .set_max_width(1 << 16)
        .set_max_height(1 << 16)
}

type Jpeg<'a> = JpegDecoder<ZCursor<&'a [u8]>>;

/// A JPEG of a sound size with its headers read, for its luma; its width and height, and what the camera says.
fn jpeg_headers<'a>(
    bytes: &'a [u8],
    path: &Path,
) -> Result<(Jpeg<'a>, (u32, u32), CaptureFacts), PhotoError> {
    let damaged = |reason: String| damaged(path, reason);
    let options = jpeg_options().jpeg_set_out_colorspace(ColorSpace::Luma);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder
        .decode_headers()
        .map_err(|e| match ends_early(bytes) {
            true => PhotoError::Truncated {
                path: path.to_owned(),
            },
            false => damaged(e.to_string()),
        })?;
    let (width, height) = decoder
        .dimensions()
        .ok_or_else(|| damaged("no size".to_owned()))?;
    check_size(path, width as u64, height as u64)?;
    if ends_early(bytes) {
        return Err(PhotoError::Truncated {
            path: path.to_owned(),
        });
    }
    let facts = facts(decoder.exif().map(Vec::as_slice));
    Ok((decoder, (width as u32, height as u32), facts))
}

fn damaged(path: &Path, reason: String) -> PhotoError {
    PhotoError::Damaged {
        path: path.to_owned(),
        reason,
    }
}

/// Luma of a JPEG, without decoding its colour.
fn jpeg_luma(bytes: &[u8], path: &Path) -> Result<(GrayImage, CaptureFacts), PhotoError> {
    let (mut decoder, (width, height), facts) = jpeg_headers(bytes, path)?;
    // Inks are not luma: a CMYK photo takes the way through colour.
    let in_inks = matches!(
        decoder.input_colorspace(),
        Some(ColorSpace::CMYK | ColorSpace::YCCK)
    );
    let luma = if in_inks {
        luma_of(other(bytes, path, ImageFormat::Jpeg)?.0)
    } else {
        let pixels = decoder.decode().map_err(|e| damaged(path, e.to_string()))?;
        GrayImage::from_raw(width, height, pixels)
            .ok_or_else(|| damaged(path, "fewer pixels than its size says".to_owned()))?
    };
    Ok((luma, facts))
}

/// Luma as in a JPEG: Y of ITU-R BT.601, full range (JFIF, ITU-T T.871).
fn luma_of(picture: DynamicImage) -> GrayImage {
    if let DynamicImage::ImageLuma8(luma) = picture {
        return luma;
    }
    let rgb = picture.into_rgb8();
    let luma = rgb
        .as_raw()
        .chunks_exact(3)
        .map(|p| {
            let [r, g, b] = [p[0], p[1], p[2]].map(u32::from);
            ((19_595 * r + 38_470 * g + 7_471 * b + 32_768) >> 16) as u8
        })
        .collect();
    GrayImage::from_raw(rgb.width(), rgb.height(), luma).unwrap_or_default()
}

/// Whether a JPEG lacks its end marker (ITU-T T.81, B.1.1.3: EOI is FF D9). Some phones append data
/// behind it, so it is looked for from the end of the file backwards.
fn ends_early(bytes: &[u8]) -> bool {
    !bytes.windows(2).rev().any(|pair| pair == b"\xFF\xD9")
}

/// Any picture the `image` crate reads, with its EXIF block.
fn other(
    bytes: &[u8],
    path: &Path,
    format: ImageFormat,
) -> Result<(DynamicImage, Option<Vec<u8>>), PhotoError> {
    let failed = |e: image::ImageError| match e {
        image::ImageError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::Truncated {
                path: path.to_owned(),
            }
        }
        e => PhotoError::Damaged {
            path: path.to_owned(),
            reason: e.to_string(),
        },
    };
    let mut decoder = ImageReader::with_format(Cursor::new(bytes), format)
        .into_decoder()
        .map_err(failed)?;
    let (width, height) = decoder.dimensions();
    check_size(path, u64::from(width), u64::from(height))?;
    let mut limits = image::Limits::default();
    limits.max_alloc = Some(MOST_MEMORY);
    decoder.set_limits(limits).map_err(failed)?;
    let exif = decoder.exif_metadata().ok().flatten();
    let picture = DynamicImage::from_decoder(decoder).map_err(failed)?;
    Ok((on_white(picture), exif))
}

/// A see-through picture laid on white.
fn on_white(picture: DynamicImage) -> DynamicImage {
    if !picture.color().has_alpha() {
        return picture;
    }
    let rgba = picture.into_rgba8();
    let rgb = RgbImage::from_fn(rgba.width(), rgba.height(), |x, y| {
        let [r, g, b, a] = rgba.get_pixel(x, y).0;
        let over =
            |c: u8| ((u16::from(c) * u16::from(a) + 255 * (255 - u16::from(a)) + 127) / 255) as u8;
        image::Rgb([over(r), over(g), over(b)])
    });
    DynamicImage::ImageRgb8(rgb)
}

/// What the file's name should have said, when it says something else.
fn really(path: &Path, kind: Kind) -> Option<&'static str> {
    let Kind::Picture(format) = kind else {
        return None;
    };
    let named = path.extension().and_then(ImageFormat::from_extension);
    let name = match format {
        ImageFormat::Jpeg => "a JPEG",
        ImageFormat::Png => "a PNG",
        ImageFormat::WebP => "a WebP",
        _ => "a TIFF",
    };
    (named.is_some() && named != Some(format)).then_some(name)
}

/// Turns a picture upright: the meanings of the EXIF tag Orientation (CIPA DC-008, tag 0x0112).
pub(super) fn upright(picture: DynamicImage, orientation: u8) -> DynamicImage {
    match orientation {
        2 => picture.fliph(),
        3 => picture.rotate180(),
        4 => picture.flipv(),
        5 => picture.rotate90().fliph(),
        6 => picture.rotate90(),
        7 => picture.rotate270().fliph(),
        8 => picture.rotate270(),
        _ => picture,
    }
}

/// The facts in an EXIF block; a broken block gives what it still holds.
fn facts(block: Option<&[u8]>) -> CaptureFacts {
    let mut facts = CaptureFacts {
        orientation: 1,
        ..CaptureFacts::default()
    };
    let Some(block) = block else { return facts };
    let block = block.strip_prefix(b"Exif\0\0").unwrap_or(block);
    let parsed = exif::Reader::new()
        .continue_on_error(true)
        .read_raw(block.to_vec());
    let exif = match parsed.or_else(|e| e.distill_partial_result(|_| {})) {
        Ok(exif) => exif,
        Err(_) => return facts,
    };
    let field = |tag| exif.get_field(tag, exif::In::PRIMARY);
    let text = |tag| {
        let exif::Value::Ascii(lines) = &field(tag)?.value else {
            return None;
        };
        let line = String::from_utf8_lossy(lines.first()?);
        let line = line.trim_matches(['\0', ' ']).to_owned();
        (!line.is_empty()).then_some(line)
    };
    let positive = |tag| {
        let value = match &field(tag)?.value {
            exif::Value::Rational(v) => v.first()?.to_f64(),
            exif::Value::Short(v) => f64::from(*v.first()?),
            exif::Value::Long(v) => f64::from(*v.first()?),
            _ => return None,
        };
        (value.is_finite() && value > 0.0).then_some(value)
    };
    facts.make = text(exif::Tag::Make);
    facts.model = text(exif::Tag::Model);
    facts.focal_length_mm = positive(exif::Tag::FocalLength);
    facts.focal_length_35mm = positive(exif::Tag::FocalLengthIn35mmFilm);
    facts.taken = text(exif::Tag::DateTimeOriginal)
        .and_then(|t| jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", t).ok());
    if let Some(turn) = field(exif::Tag::Orientation).and_then(|f| f.value.get_uint(0))
        && (1..=8).contains(&turn)
    {
        facts.orientation = turn as u8;
    }
    facts
}

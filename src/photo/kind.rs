//! What a file is by its first bytes, whatever its name says.

use image::ImageFormat;

/// What a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A picture that can be decoded.
    Picture(ImageFormat),
    /// A HEIC, HEIF or AVIF picture.
    Heic,
    /// Something else, in words.
    Other(&'static str),
    /// Nothing known.
    Unknown,
}

/// Looks at the first bytes (the magic numbers of the formats' own specifications).
pub fn kind(bytes: &[u8]) -> Kind {
    let starts = |magic: &[u8]| bytes.starts_with(magic);
    let at = |from: usize, magic: &[u8]| bytes.get(from..from + magic.len()) == Some(magic);
    if starts(b"\xFF\xD8\xFF") {
        Kind::Picture(ImageFormat::Jpeg)
    } else if starts(b"\x89PNG\r\n\x1a\n") {
        Kind::Picture(ImageFormat::Png)
    } else if starts(b"RIFF") && at(8, b"WEBP") {
        Kind::Picture(ImageFormat::WebP)
    } else if starts(b"II*\0") || starts(b"MM\0*") {
        if at(8, b"CR") {
            Kind::Other("a camera raw file")
        } else {
            Kind::Picture(ImageFormat::Tiff)
        }
    } else if at(4, b"ftyp") {
        match bytes.get(8..12) {
            Some(b"heic" | b"heix" | b"hevc" | b"heim" | b"heis" | b"mif1" | b"msf1" | b"avif") => {
                Kind::Heic
            }
            Some(b"crx ") => Kind::Other("a camera raw file"),
            _ => Kind::Other("a video"),
        }
    } else if starts(b"%PDF") {
        Kind::Other("a PDF")
    } else if starts(b"PK\x03\x04") {
        Kind::Other("a ZIP archive")
    } else if starts(b"GIF8") {
        Kind::Other("a GIF picture")
    } else if starts(b"BM") {
        Kind::Other("a BMP picture")
    } else if bytes.len() > 16
        && bytes
            .iter()
            .take(512)
            .all(|b| matches!(b, 9 | 10 | 13 | 32..=126))
    {
        Kind::Other("a text file")
    } else {
        Kind::Unknown
    }
}

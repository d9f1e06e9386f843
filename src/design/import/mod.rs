//! Reads a design file and makes one repeat of a continuous line of it.

mod dxf;
mod join;
mod svg;

use super::Design;
use crate::geometry::Point2;
use std::path::{Path, PathBuf};

/// Most points a design may have after its curves have been broken into chords.
const MOST_POINTS: usize = 2_000_000;
/// Largest design file, bytes.
const LARGEST_FILE: u64 = 64_000_000;
/// Deepest nesting of references.
const DEEPEST: usize = 24;
/// Farthest place of a drawing from its origin, mm. A curve that goes farther would be broken into chords without end.
const FARTHEST_MM: f64 = 1e8;
/// Longest line of one repeat, mm.
const LONGEST_MM: f64 = 1e6;
/// Highest degree of a spline.
const HIGHEST_DEGREE: usize = 25;
/// Chords stay this close to their curve, mm.
const CHORD_MM: f64 = 0.01;

/// A design as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Imported {
    /// One repeat.
    pub design: Design,
    /// By how much the drawing was scaled to make the repeat as long as asked.
    pub scale: f64,
    /// What a person should know, one sentence each.
    pub notes: Vec<String>,
}

/// Why a file gives no design. The file's name is put before the message by [`read`].
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DesignError {
    /// The file cannot be opened.
    #[error("it cannot be opened ({0}); check the name")]
    Unreadable(String),
    /// Larger than any design.
    #[error("it is {0} MB, larger than any design; check that it is the right file")]
    HugeFile(u64),
    /// Neither SVG nor DXF.
    #[error("it is neither SVG nor DXF; save the design as one of these")]
    UnknownType,
    /// Not well formed.
    #[error("it cannot be read ({0}); save it again from the drawing program")]
    Broken(String),
    /// Nothing drawn.
    #[error("it holds no path, line or arc; draw the design as one continuous line")]
    NoPath,
    /// Too many points.
    #[error("it has more than {} million points; simplify the line in the drawing program", MOST_POINTS / 1_000_000)]
    TooManyPoints,
    /// A part refers to itself.
    #[error("`{0}` refers to itself, again and again; break the loop in the drawing program")]
    SelfReference(String),
    /// A reference leads nowhere.
    #[error("it refers to `{0}`, which is not in it; put the part into the file")]
    MissingReference(String),
    /// Several separate lines.
    #[error(
        "it holds {pieces} lines that do not join, the next one {gap_mm:.1} mm away from ({x:.1}, {y:.1}); join them into one continuous line"
    )]
    Pieces {
        /// How many remain apart.
        pieces: usize,
        /// Distance to the nearest one, mm.
        gap_mm: f64,
        /// End of the line so far, mm.
        x: f64,
        /// See `x`.
        y: f64,
    },
    /// The line ends where it began.
    #[error(
        "its line ends where it begins, so it does not lead on to the next repeat; open it at the left and right ends"
    )]
    Closed,
    /// The ends are at different heights.
    #[error(
        "its line begins {offset_mm:.1} mm higher or lower than it ends, over a repeat of {repeat_mm:.1} mm, so a repeat does not end where the next begins; move one of the ends"
    )]
    NotRepeating {
        /// Difference, mm.
        offset_mm: f64,
        /// Repeat, mm.
        repeat_mm: f64,
    },
    /// Straight line.
    #[error("its line is only {0:.1} mm high; rowsight needs a design that goes up and down")]
    Straight(f64),
    /// Longer than any design.
    #[error(
        "the line of one repeat is {0:.0} m long, longer than any design; check its size, and give the length of one repeat with --repeat"
    )]
    TooLong(f64),
    /// No physical size and none given.
    #[error("it has no real size; give the length of one repeat with --repeat")]
    NoSize,
    /// Not a finite number, or more than 100 km from the drawing's origin.
    #[error(
        "it holds a coordinate that is no number or beyond all bounds; save it again from the drawing program"
    )]
    NotFinite,
}

/// Lines of a drawing, mm, y down.
pub(super) struct Drawn {
    /// Separate pieces of line.
    pub pieces: Vec<Vec<Point2>>,
    /// Whether the file says how large a millimetre is.
    pub has_size: bool,
}

/// Reads a design file. `repeat_mm` scales one repeat to that length.
///
/// # Errors
///
/// The file's name and [`DesignError`].
pub fn read(path: &Path, repeat_mm: Option<f64>) -> Result<Imported, (PathBuf, DesignError)> {
    read_bytes(path, repeat_mm).map_err(|e| (path.to_owned(), e))
}

fn read_bytes(path: &Path, repeat_mm: Option<f64>) -> Result<Imported, DesignError> {
    let unreadable = |e: std::io::Error| {
        DesignError::Unreadable(match e.kind() {
            std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
            std::io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
            _ => e.to_string(),
        })
    };
    let facts = std::fs::metadata(path).map_err(unreadable)?;
    if !facts.is_file() {
        return Err(DesignError::Unreadable("it is no file".to_owned()));
    }
    if facts.len() > LARGEST_FILE {
        return Err(DesignError::HugeFile(facts.len() / 1_000_000));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    decode(&bytes, repeat_mm)
}

/// Makes a design of a file's bytes.
///
/// # Errors
///
/// [`DesignError`].
pub fn decode(bytes: &[u8], repeat_mm: Option<f64>) -> Result<Imported, DesignError> {
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(4096)]);
    let head = head.trim_start_matches(['\u{feff}', ' ', '\t', '\r', '\n']);
    let drawn = if head.starts_with('<') {
        svg::lines(&String::from_utf8_lossy(bytes))?
    } else if head.starts_with('0') || head.starts_with("999") || head.contains("Binary DXF") {
        dxf::lines(bytes)?
    } else {
        return Err(DesignError::UnknownType);
    };
    one_repeat(drawn, repeat_mm)
}

/// From loose pieces to one repeat in the frame of [`Design`].
fn one_repeat(drawn: Drawn, repeat_mm: Option<f64>) -> Result<Imported, DesignError> {
    let mut notes = Vec::new();
    let mut line = join::join(drawn.pieces)?;
    if line.iter().any(|p| !(p.x.is_finite() && p.y.is_finite())) {
        return Err(DesignError::NotFinite);
    }
    if line[line.len() - 1].x < line[0].x {
        line.reverse();
    }
    let (first, last) = (line[0], line[line.len() - 1]);
    let (run, rise) = (last.x - first.x, last.y - first.y);
    let extent = join::extent(&line);
    if run <= 0.05 * extent {
        return Err(DesignError::Closed);
    }
    let scale = match repeat_mm {
        Some(repeat) => repeat / run,
        None if drawn.has_size => 1.0,
        None => return Err(DesignError::NoSize),
    };
    if rise.abs() > 0.02 * run {
        return Err(DesignError::NotRepeating {
            offset_mm: rise.abs() * scale,
            repeat_mm: run * scale,
        });
    }
    if (rise * scale).abs() > 0.2 {
        notes.push(format!(
            "The design's ends differ in height by {:.1} mm; it was levelled.",
            (rise * scale).abs()
        ));
    }
    if drawn.has_size && !(0.9..=1.1).contains(&scale) {
        notes.push(format!(
            "The design was drawn with a repeat of {run:.1} mm and scaled by {scale:.3} to the repeat asked for."
        ));
    }
    // Level by shear, scale, put the reference line half-way.
    for p in &mut line {
        p.y -= rise * (p.x - first.x) / run;
    }
    let (top, bottom) = line
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.y), b.max(p.y)));
    let middle = (top + bottom) / 2.0;
    let curve_mm: Vec<Point2> = line
        .iter()
        .map(|p| Point2::new((p.x - first.x) * scale, (p.y - middle) * scale))
        .collect();
    let height = (bottom - top) * scale;
    if height < 3.0 {
        return Err(DesignError::Straight(height));
    }
    let design = Design {
        repeat_mm: run * scale,
        curve_mm,
        breaks: Vec::new(),
    };
    let long_mm = design.arc_mm();
    if long_mm > LONGEST_MM {
        return Err(DesignError::TooLong(long_mm / 1000.0));
    }
    Ok(Imported {
        design,
        scale,
        notes,
    })
}

/// Writes a design as SVG in millimetres.
pub fn to_svg(design: &Design) -> String {
    use std::fmt::Write;
    let left = design
        .curve_mm
        .iter()
        .map(|p| p.x)
        .fold(f64::MAX, f64::min)
        .min(0.0);
    let right = design.curve_mm.iter().map(|p| p.x).fold(f64::MIN, f64::max);
    let half = design.height_mm() / 2.0;
    let (w, h) = (right - left, 2.0 * half);
    let mut path = String::new();
    for (i, p) in design.curve_mm.iter().enumerate() {
        let _ = write!(
            path,
            "{}{:.3} {:.3}",
            if i == 0 { "M" } else { "L" },
            p.x,
            p.y
        );
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w:.3}mm\" height=\"{h:.3}mm\" \
         viewBox=\"{left:.3} {:.3} {w:.3} {h:.3}\">\n\
         <title>One repeat of a continuous-line design, {:.1} mm long</title>\n\
         <path fill=\"none\" stroke=\"#000\" stroke-width=\"1\" d=\"{path}\"/>\n</svg>\n",
        -half, design.repeat_mm
    )
}

#[cfg(test)]
mod tests;

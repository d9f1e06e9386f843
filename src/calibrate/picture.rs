//! Pictures of a calibration: where in the picture cards were seen, and what the fit leaves.

use super::advice::region_name;
use super::{Calibration, STRANGE_PHOTO};
use std::fmt::Write;

const SEEN: &str = "#1f4e79";
const MISSING: &str = "#b5460f";

/// Start of a picture with a frame as large as the photo, room for a line of words above and below.
fn head(size_px: (u32, u32), title: &str, description: &str) -> (String, f64) {
    let (w, h) = (f64::from(size_px.0), f64::from(size_px.1));
    let text = w.max(h) / 38.0;
    let margin = 2.6 * text;
    let mut out = String::new();
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"{:.1} {:.1} {:.1} {:.1}\" role=\"img\" \
         aria-labelledby=\"title desc\" font-family=\"sans-serif\" font-size=\"{text:.1}\">\n\
         <title id=\"title\">{title}</title>\n<desc id=\"desc\">{description}</desc>\n\
         <rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#fff\"/>\n\
         <rect width=\"{w:.0}\" height=\"{h:.0}\" fill=\"#faf6ee\" stroke=\"#333\" stroke-width=\"{:.1}\"/>\n",
        -text,
        -margin,
        w + 2.0 * text,
        h + 2.0 * margin,
        -text,
        -margin,
        w + 2.0 * text,
        h + 2.0 * margin,
        text / 8.0
    );
    (out, text)
}

/// Where the cards' corners were seen, ninth by ninth; ninths with too few are hatched and named.
pub fn coverage(calibration: &Calibration) -> String {
    let coverage = &calibration.coverage;
    let (w, h) = (f64::from(coverage.size_px.0), f64::from(coverage.size_px.1));
    let missing: Vec<&str> = (0..9)
        .filter(|i| coverage.is_missing(i / 3, i % 3))
        .map(|i| region_name(i / 3, i % 3))
        .collect();
    let description = if missing.is_empty() {
        "Cards were seen in all nine parts of the picture.".to_owned()
    } else {
        format!(
            "No or too few cards were seen in these parts: {}.",
            missing.join(", ")
        )
    };
    let (mut out, text) = head(coverage.size_px, "Where the cards were seen", &description);
    let _ = writeln!(
        out,
        "<defs><pattern id=\"hatch\" width=\"{0:.1}\" height=\"{0:.1}\" patternUnits=\"userSpaceOnUse\" \
         patternTransform=\"rotate(45)\"><rect width=\"{1:.1}\" height=\"{0:.1}\" fill=\"{MISSING}\" \
         fill-opacity=\"0.35\"/></pattern></defs>",
        text * 0.8,
        text * 0.25
    );
    for i in 0..9 {
        let (row, column) = (i / 3, i % 3);
        let (x, y) = (w / 3.0 * column as f64, h / 3.0 * row as f64);
        let missing = coverage.is_missing(row, column);
        let fill = if missing { "url(#hatch)" } else { "none" };
        let _ = writeln!(
            out,
            "<rect x=\"{x:.0}\" y=\"{y:.0}\" width=\"{:.0}\" height=\"{:.0}\" fill=\"{fill}\" \
             stroke=\"#999\" stroke-width=\"{:.1}\" stroke-dasharray=\"{:.1}\"/>",
            w / 3.0,
            h / 3.0,
            text / 14.0,
            text / 3.0
        );
    }
    for (at, _) in calibration.views.iter().flat_map(|v| &v.corners) {
        let _ = writeln!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{:.1}\" fill=\"{SEEN}\"/>",
            at.x,
            at.y,
            text / 5.0
        );
    }
    for i in 0..9 {
        let (row, column) = (i / 3, i % 3);
        let (colour, words) = if coverage.is_missing(row, column) {
            (
                MISSING,
                format!("{}: missing", coverage.corners[row][column]),
            )
        } else {
            (SEEN, format!("{} corners", coverage.corners[row][column]))
        };
        let _ = writeln!(
            out,
            "<text x=\"{:.0}\" y=\"{:.0}\" fill=\"{colour}\" stroke=\"#faf6ee\" stroke-width=\"{:.1}\" \
             paint-order=\"stroke\">{words}</text>",
            w / 3.0 * column as f64 + 0.5 * text,
            h / 3.0 * row as f64 + 1.3 * text,
            text / 3.0
        );
    }
    let slants: Vec<String> = coverage
        .slanted
        .iter()
        .map(|(side, count)| format!("{side} {count}"))
        .collect();
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"{:.0}\">Where the cards were seen in {} photos</text>\n\
         <text x=\"0\" y=\"{:.0}\">Slanted photos by the edge that was nearest: {}</text>\n</svg>",
        -text,
        calibration.photos.len(),
        h + 1.6 * text,
        slants.join(", ")
    );
    out
}

/// What is left of each corner after the fit, as needles drawn large; a photo that stands out is red.
pub fn residuals(calibration: &Calibration) -> String {
    let size_px = calibration.coverage.size_px;
    let h = f64::from(size_px.1);
    let description = format!(
        "Each needle starts where a corner was seen and points to where the lens puts it; RMS {:.3} pixels.",
        calibration.residual_px
    );
    let (mut out, text) = head(size_px, "What the lens leaves unexplained", &description);
    // A needle of RMS length is one letter long.
    let scale = text / calibration.residual_px.max(1e-6);
    for view in &calibration.views {
        let n = view.corners.len().max(1) as f64;
        let rms = (view.corners.iter().map(|c| c.1.norm_squared()).sum::<f64>() / n).sqrt();
        let colour = if rms > 0.5 * STRANGE_PHOTO * calibration.residual_px {
            MISSING
        } else {
            SEEN
        };
        for (at, off) in &view.corners {
            let _ = writeln!(
                out,
                "<path d=\"M{0:.1} {1:.1}l{2:.1} {3:.1}\" stroke=\"{colour}\" stroke-width=\"{4:.1}\"/>\
                 <circle cx=\"{0:.1}\" cy=\"{1:.1}\" r=\"{5:.1}\" fill=\"{colour}\"/>",
                at.x,
                at.y,
                off.x * scale,
                off.y * scale,
                text / 9.0,
                text / 8.0
            );
        }
    }
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"{:.0}\">What the fit leaves at each corner, drawn {scale:.0} times as large</text>\n\
         <path d=\"M0 {:.0}h{:.1}\" stroke=\"#333\" stroke-width=\"{:.1}\"/>\n\
         <text x=\"{:.0}\" y=\"{:.0}\">this long: {:.2} px</text>\n</svg>",
        -text,
        h + 1.3 * text,
        5.0 * text,
        text / 6.0,
        5.5 * text,
        h + 1.6 * text,
        5.0 * calibration.residual_px
    );
    out
}

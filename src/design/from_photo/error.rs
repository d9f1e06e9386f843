//! Why a photo of a paper gives no design, and what to do.

use crate::plane::start::StartError;
use crate::solve::levenberg_marquardt::SolveError;

/// Why a photo gives no design.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PaperError {
    /// The cards give no plane.
    #[error("{0}; lay the card flat beside the line, all of it in the photo, and retake it")]
    Cards(#[from] StartError),
    /// The plane cannot be solved.
    #[error(
        "the card does not settle where the paper lies ({0}); lay it flat, all of it in the photo, and retake it"
    )]
    Plane(#[from] SolveError),
    /// No long line.
    #[error(
        "no line longer than {} mm was found on the paper; photograph it from nearer, in even light, with the line dark on the paper",
        super::LEAST_LINE_MM
    )]
    NoLine,
    /// Lines that cannot be told apart.
    #[error(
        "there are {0} long lines of different designs; say with --line which one, counted from the top of the photo, or cover the others"
    )]
    SeveralLines(usize),
    /// There is no such line.
    #[error("there is no line {asked}: {found} were found; count from the top of the photo")]
    NoSuchLine {
        /// Asked for.
        asked: usize,
        /// Found.
        found: usize,
    },
    /// It does not repeat.
    #[error(
        "the longest line was followed for {followed_mm:.0} mm and does not repeat in it; photograph at least one and a half repeats with nothing on the line, or close its breaks with a pen"
    )]
    NoRepeat {
        /// Length followed.
        followed_mm: f64,
    },
    /// Several lengths are possible.
    #[error("the line may repeat every {}; say which with --repeat", lengths(.0))]
    SeveralRepeats(Vec<f64>),
    /// Not the length asked for.
    #[error(
        "the line does not repeat every {asked_mm:.1} mm but every {}; check --repeat, and the check bar of the card (--card-bar)",
        lengths(found_mm)
    )]
    OtherRepeat {
        /// Asked for.
        asked_mm: f64,
        /// Found.
        found_mm: Vec<f64>,
    },
    /// Repeats differ.
    #[error(
        "the repeats on the paper differ by {rms_mm:.1} mm (RMS), too much for a design; smooth the paper flat, put more of it into the photo and retake it"
    )]
    Differ {
        /// RMS difference.
        rms_mm: f64,
    },
    /// Much of the line is not of the repeat found.
    #[error(
        "the line seems to repeat every {repeat_mm:.1} mm, but {foreign_mm:.0} mm of line on the paper do not; close breaks of the line with a pen, cover what is no part of the design, or give the length with --repeat"
    )]
    Foreign {
        /// Repeat found.
        repeat_mm: f64,
        /// Length of line that does not fit it.
        foreign_mm: f64,
    },
    /// A part is hidden in all repeats.
    #[error(
        "{missing_mm:.0} mm of the design are seen in no repeat; move the card off the line or show more repeats"
    )]
    Unseen {
        /// Length along the line.
        missing_mm: f64,
    },
}

fn lengths(mm: &[f64]) -> String {
    let each: Vec<String> = mm.iter().map(|v| format!("{v:.1} mm")).collect();
    each.join(" or ")
}

//! How likely chance alone is to show a row as plain as one that was found.
//!
//! What tells a row that is there from one that is none is not how far its design stands out as a whole: seams, checks and
//! rows of another design reach any score here and there. It is how much of its line is found when it is followed, and
//! over what length: of a line that is none some places are found everywhere, and much of it only where little is in
//! view. Both together are weighed as the surprise of a coin: if each place were found by chance with probability p₀,
//! finding a share f of n places has probability about exp(−n·D) (Chernoff's bound; Cover and Thomas, Elements of
//! Information Theory, 2nd ed., theorem 11.1.4), with D = f·ln(f/p₀) + (1 − f)·ln((1 − f)/(1 − p₀)).
//!
//! Places along a line hang together and cloth is no coin, so n·D is a measure only. How often chance reaches a value of
//! it is taken from photos that show no row of the plan's design, with a generalised Pareto distribution for its tail
//! (Coles, An Introduction to Statistical Modeling of Extreme Values, 2001, section 4.2).

use crate::line::strip::ARC_STEP_MM;
use serde::{Deserialize, Serialize};

/// Share of a line's places that chance finds: the middle of the newest rows in photos without the plan's design.
const CHANCE_SHARE: f64 = 0.08;
/// Length of line that counts as one place, mm.
const PLACE_MM: f64 = 100.0;

/// What was seen of a row's line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineSeen {
    /// Length in view, mm.
    pub visible_mm: f64,
    /// Length of it on which stitching was found, mm.
    pub found_mm: f64,
}

impl LineSeen {
    /// From the number of places a step of [`ARC_STEP_MM`] apart.
    pub fn of_places(visible: usize, found: usize) -> LineSeen {
        LineSeen {
            visible_mm: visible as f64 * ARC_STEP_MM,
            found_mm: found as f64 * ARC_STEP_MM,
        }
    }

    /// Share of what is in view on which stitching was found, 0…1.
    pub fn share(&self) -> f64 {
        (self.found_mm / self.visible_mm.max(1.0)).clamp(0.0, 1.0)
    }

    /// n·D: how surprising it would be by chance, nats; 0 when no more is found than chance finds.
    pub fn surprise(&self) -> f64 {
        let (f, p) = (self.share(), CHANCE_SHARE);
        if f <= p {
            return 0.0;
        }
        let rest = if f < 1.0 {
            (1.0 - f) * ((1.0 - f) / (1.0 - p)).ln()
        } else {
            0.0
        };
        self.visible_mm / PLACE_MM * (f * (f / p).ln() + rest)
    }
}

/// Tail of the surprise of the newest row in photos that show no row of the plan's design: a generalised Pareto
/// distribution beyond a threshold, fitted by `tests/reference/chance/make.py`.
struct Tail {
    /// Surprise from which on the distribution holds, nats.
    threshold: f64,
    /// Share of such photos that reach it.
    reached: f64,
    /// Scale, nats.
    scale: f64,
    /// Shape; positive: heavier than an exponential.
    shape: f64,
}

const TAIL: Tail = Tail {
    threshold: 2.0,
    reached: 1e-9,
    scale: 1.0,
    shape: 0.1,
};

/// The least chance that is told: fewer than this the photos behind it cannot show.
pub const LEAST_CHANCE: f64 = 1e-4;
/// Chance up to which a row is found.
pub const FOUND_CHANCE: f64 = 1e-3;
/// Chance up to which a row is doubtful; beyond, it is not found.
pub const DOUBTFUL_CHANCE: f64 = 0.05;

/// Whether a row is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Chance shows as much in at most one of 1,000 photos.
    Found,
    /// In at most one of 20.
    Doubtful,
    /// More often.
    NotFound,
}

/// How likely chance alone shows as much of a row.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Chance {
    /// Share of photos showing no row of the plan's design in which the newest row looks as plain, [`LEAST_CHANCE`]…1.
    pub probability: f64,
    /// What that makes of the row.
    pub standing: Standing,
}

impl Chance {
    /// Of a row whose line was followed.
    pub fn of(line: &LineSeen) -> Chance {
        let beyond = line.surprise() - TAIL.threshold;
        let probability = if beyond < 0.0 {
            // Not the tail's: only that it is no rarer than the threshold.
            1.0
        } else {
            TAIL.reached * pareto_survival(beyond, TAIL.scale, TAIL.shape)
        };
        let probability = probability.max(LEAST_CHANCE);
        Chance {
            probability,
            standing: if probability <= FOUND_CHANCE {
                Standing::Found
            } else if probability <= DOUBTFUL_CHANCE {
                Standing::Doubtful
            } else {
                Standing::NotFound
            },
        }
    }

    /// How often, in words: "1 of 5,000 photos".
    pub fn words(&self) -> String {
        if self.probability <= LEAST_CHANCE {
            return "fewer than 1 of 10,000 photos".to_owned();
        }
        if self.probability > DOUBTFUL_CHANCE {
            return "more than 1 of 20 photos".to_owned();
        }
        // Two digits: more is not known.
        let one_of = 1.0 / self.probability;
        let unit = 10f64.powf(one_of.log10().floor() - 1.0).max(1.0);
        let one_of = ((one_of / unit).round() * unit) as u64;
        match one_of / 1000 {
            0 => format!("1 of {one_of} photos"),
            thousands => format!("1 of {thousands},{:03} photos", one_of % 1000),
        }
    }
}

/// Survival function of the generalised Pareto distribution (Coles 2001, equation 4.2).
fn pareto_survival(x: f64, scale: f64, shape: f64) -> f64 {
    if shape.abs() < 1e-9 {
        return (-x / scale).exp();
    }
    (1.0 + shape * x / scale).max(0.0).powf(-1.0 / shape)
}

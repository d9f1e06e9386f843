//! How likely chance alone is to show a row as plain as one that was found.
//!
//! How far a design stands out as a whole (the search's score) does not tell a row that is there from one that is none: seams,
//! checks and rows of another design reach any score here and there. How much of its line is found when it is followed,
//! and over what length, tells better: of a line that is none some places are found everywhere, and much of it only where
//! little is in view. That is weighed as the surprise of a coin: if each place were found by chance with probability p₀,
//! finding a share f of n places has probability at most exp(−n·D), with D = f·ln(f/p₀) + (1 − f)·ln((1 − f)/(1 − p₀))
//! (Chernoff's bound; Hoeffding, Journal of the American Statistical Association 58, 1963, theorem 1). The two
//! hardly hang together where no row is (rank correlation 0.1), so both are used: the geometric mean of score and
//! surprise, of which neither alone is enough.
//!
//! Places along a line hang together and cloth is no coin, so this is a measure only. How often chance reaches a value of
//! it is taken from photos that show rows of another design (where no row is it reaches only a third as far), with a generalised Pareto distribution for its tail
//! (Coles, An Introduction to Statistical Modeling of Extreme Values, 2001, section 4.2).
//!
//! For a design that is the stitched one mirrored or drawn out the told rate is too small: where they agree the line found
//! is real stitching.

use crate::line::strip::ARC_STEP_MM;
use serde::{Deserialize, Serialize};

/// Share of a line's places that chance finds: the middle of the newest rows in photos without the plan's design.
const CHANCE_SHARE: f64 = 0.08;
/// Length of line that counts as one place, mm.
const PLACE_MM: f64 = 100.0;

/// What a score by the thread alone counts: without the row threads reach farther than grooves, and the levels below were found
/// without them. At half, the strength that one of 100 trials with another design reaches is 8.5, as it was by grooves (8.6).
const THREAD_SCORE: f64 = 0.5;

/// Wobble up to which a row is a hand's without question, mm; places that chance finds scatter by 0.9 to 2 mm where much is
/// found, a hand by 0.3 to 1 mm (practice photos).
const HAND_MM: f64 = 1.0;

/// What was seen of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowSeen {
    /// Match of the whole row, in robust standard deviations.
    pub score: f64,
    /// Whether that is by the thread alone.
    pub by_threads: bool,
    /// Length in view, mm.
    pub visible_mm: f64,
    /// Length of it on which stitching was found, mm.
    pub found_mm: f64,
    /// Scatter of what was found about the fitted design, mm.
    pub wobble_mm: f64,
}

impl RowSeen {
    /// From the number of places a step of [`ARC_STEP_MM`] apart.
    pub fn of_places(score: f64, visible: usize, found: usize, wobble_mm: f64) -> RowSeen {
        RowSeen {
            score,
            by_threads: false,
            visible_mm: visible as f64 * ARC_STEP_MM,
            found_mm: found as f64 * ARC_STEP_MM,
            wobble_mm,
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

    /// Geometric mean of score and surprise, less where places scatter as no steady hand does: what chance is judged by.
    pub fn strength(&self) -> f64 {
        let score = match self.by_threads {
            true => THREAD_SCORE * self.score,
            false => self.score,
        };
        (score.max(0.0) * self.surprise()).sqrt() / (self.wobble_mm / HAND_MM).max(1.0)
    }
}

/// Tail of the strength of the newest row in photos that show rows of another design: a generalised Pareto
/// distribution beyond a threshold, fitted by `tests/reference/chance/make.py`.
struct Tail {
    /// Strength from which on the distribution holds.
    threshold: f64,
    /// Share of such photos that reach it.
    reached: f64,
    /// Scale.
    scale: f64,
    /// Shape; positive is heavier than an exponential, negative has an end.
    shape: f64,
}

const TAIL: Tail = Tail {
    threshold: 3.840,
    reached: 0.1002,
    scale: 3.487,
    shape: -0.418,
};

/// The least chance that is told: fewer than this the photos behind it cannot show.
pub const LEAST_CHANCE: f64 = 5e-4;
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
    /// Share of photos with rows of another design in which the newest row looks as plain, [`LEAST_CHANCE`]…1.
    pub probability: f64,
    /// What that makes of the row.
    pub standing: Standing,
}

impl Chance {
    /// Of a row whose line was followed.
    pub fn of(row: &RowSeen) -> Chance {
        let beyond = row.strength() - TAIL.threshold;
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
            return "fewer than 1 of 2,000 photos".to_owned();
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

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// Made by `tests/reference/chance/make.py` with scipy.
    fn reference() -> Value {
        serde_json::from_str(include_str!("../../tests/reference/chance/chance.json")).unwrap()
    }

    fn numbers(value: &Value) -> Vec<f64> {
        let list = value.as_array().unwrap();
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    }

    #[test]
    fn tail_and_surprise_are_those_of_scipy() {
        let reference = reference();
        for pair in reference["survival"].as_array().unwrap() {
            let pair = numbers(pair);
            let survival = pareto_survival(pair[0], TAIL.scale, TAIL.shape);
            // The constants are rounded to three digits.
            assert!((survival - pair[1]).abs() < 2e-3, "{pair:?} {survival}");
        }
        for pair in reference["exponential"].as_array().unwrap() {
            let pair = numbers(pair);
            let scale = reference["tail"]["scale"].as_f64().unwrap();
            assert!((pareto_survival(pair[0], scale, 0.0) - pair[1]).abs() < 1e-12);
        }
        for place in reference["strength"].as_array().unwrap() {
            let place = numbers(place);
            let row = RowSeen::of_places(place[0], place[1] as usize, place[2] as usize, place[3]);
            assert!((row.strength() - place[4]).abs() < 1e-9, "{place:?}");
        }
    }

    #[test]
    fn the_constants_are_the_fit_to_what_was_counted() {
        let reference = reference();
        let tail = &reference["tail"];
        for (name, constant) in [
            ("threshold", TAIL.threshold),
            ("reached", TAIL.reached),
            ("scale", TAIL.scale),
            ("shape", TAIL.shape),
        ] {
            let fitted = tail[name].as_f64().unwrap();
            assert!((constant - fitted).abs() < 1e-3, "{name}: {fitted}");
        }
        // And the photos themselves, counted: what is told is not rarer than what happened, but for chance (two
        // standard deviations of a count).
        let beyond = numbers(&reference["beyond"]);
        let trials = reference["trials"].as_f64().unwrap();
        for share in [0.05, 0.02, 0.01, 0.005] {
            let told = |strength: f64| {
                TAIL.reached * pareto_survival(strength - TAIL.threshold, TAIL.scale, TAIL.shape)
            };
            let happened = beyond.iter().filter(|s| told(**s) <= share).count() as f64;
            let expected = share * trials;
            assert!(
                happened < expected + 2.0 * expected.sqrt() + 1.0,
                "{share}: {happened} for {expected}"
            );
        }
    }

    #[test]
    fn much_of_a_long_line_is_found_and_little_of_it_or_much_of_a_short_one_is_not() {
        let standing =
            |visible, found| Chance::of(&RowSeen::of_places(15.0, visible, found, 0.7)).standing;
        assert_eq!(standing(3000, 2200), Standing::Found);
        assert_eq!(standing(3000, 300), Standing::NotFound);
        assert_eq!(standing(60, 40), Standing::NotFound);
        assert_eq!(standing(0, 0), Standing::NotFound);
        let found = Chance::of(&RowSeen::of_places(30.0, 3000, 3000, 0.7));
        assert_eq!(found.probability, LEAST_CHANCE);
        assert_eq!(found.words(), "fewer than 1 of 2,000 photos");
    }

    #[test]
    fn chance_is_told_as_one_of_so_many_photos() {
        let words = |probability| {
            let standing = Standing::Found;
            Chance {
                probability,
                standing,
            }
            .words()
        };
        assert_eq!(words(6e-4), "1 of 1,700 photos");
        assert_eq!(words(1.0 / 1234.0), "1 of 1,200 photos");
        assert_eq!(words(0.04), "1 of 25 photos");
        assert_eq!(words(1.0), "more than 1 of 20 photos");
    }
}

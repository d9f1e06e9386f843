//! Rows of a quilt off the frame: any direction, shrunk by its quilting, on gentle hills.
//!
//! On the frame the rows lie about along the card and the design has its planned size to some tenths of a
//! per cent. Off the frame cards lie at any angle, and the quilting has drawn the cloth in by some per cent,
//! which over a whole row is many times the width of a line. So direction and shrinkage are looked for together,
//! first over about a metre, where both need to be known less well, then over the whole quilt.

use super::search::{self, Found, Frame, Wanted};
use crate::design::Design;
use crate::geometry::Point2;
use crate::line::map::LineMap;
use crate::plane::camera::CardPose;
use crate::plane::joint::{Joint, Prior, Priors};
use crate::plane::relief::Relief;
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};

/// Half side of the part of the quilt first looked at, mm.
const FIRST_LOOK_MM: f64 = 520.0;
/// Relative shrinkages of the first look: between −5 % and +1 % none is more than 1 % off (common practice, no
/// source: quilting and washing draw a quilt in by 1 to 4 %).
const SHRINKAGES: [f64; 3] = [-0.04, -0.02, 0.0];
/// Step of the direction of the first look, rad.
const ANGLE_STEP: f64 = PI / 90.0;
/// First looks that are followed up.
const CLOSER_LOOKS: usize = 6;
/// By how much a direction in which most cards' arrows point up is preferred: of designs that look the same upside
/// down the cards tell, of others the stitching. The first are matched as well either way to about a tenth, the others
/// three times better one way (practice photos).
const ARROWS_COUNT: f64 = 1.25;
/// Distance of the heights that describe the hills, mm.
const RELIEF_STEP_MM: f64 = 160.0;

/// By how much curves that were not stitched are drawn out along the row: what chance reaches.
const DECOYS: [f64; 4] = [0.13, -0.11, 0.21, -0.17];
/// How many times further than those the rows together have to stand out.
const STANDS_OUT: f64 = 2.0;

/// Rows found on a relaxed quilt.
#[derive(Debug, Clone)]
pub struct FoundRelaxed {
    /// The rows.
    pub found: Found,
    /// Relative change of the design's size.
    pub shrinkage: f64,
}

/// A design drawn out by relative amounts along and across.
pub fn stretched(design: &Design, along: f64, across: f64) -> Design {
    let place = |p: &Point2| Point2::new(p.x * (1.0 + along), p.y * (1.0 + across));
    Design {
        curve_mm: design.curve_mm.iter().map(place).collect(),
        repeat_mm: design.repeat_mm * (1.0 + along),
        breaks: design.breaks.clone(),
    }
}

/// What is expected of a relaxed quilt. Shrinkage by some per cent, along as across to one; a sag of a few
/// millimetres a metre and hills on top of it (common practice, no source).
pub fn priors() -> Priors {
    Priors {
        sag_s: Prior::new(0.0, 5e-6),
        sag_x: Prior::new(0.0, 5e-6),
        stretch: Prior::new(0.0, 0.03),
        stretch_difference: Prior::new(0.0, 0.012),
        bow: Prior::new(0.0, 1.5e-5),
        ..Priors::default()
    }
}

/// The same before the hills are solved for: cards then stand for the hill they lie on.
pub fn priors_without_hills() -> Priors {
    Priors {
        card_height_mm: Prior::new(4.5, 4.0),
        card_tilt: Prior::new(0.0, 2.5_f64.to_radians()),
        ..priors()
    }
}

/// Most cards' arrows point up the quilt when its rows run in this direction: share of those that tell, less
/// those that tell otherwise, −1…1. A card on its side tells nothing.
pub fn arrows_up(cards: &[CardPose], rows_angle: f64) -> f64 {
    let told: Vec<f64> = cards
        .iter()
        .map(|card| (card.angle - rows_angle).cos())
        .filter(|up| up.abs() > 0.35)
        .collect();
    match told.len() {
        0 => 0.0,
        n => told.iter().map(|up| up.signum()).sum::<f64>() / n as f64,
    }
}

/// What is wanted on a quilt drawn in, with the design as it is there.
fn shrunk<'a>(wanted: &Wanted<'a>, design: &'a Design, shrinkage: f64) -> Wanted<'a> {
    Wanted {
        design,
        spacing_mm: wanted.spacing_mm * (1.0 + shrinkage),
        ..*wanted
    }
}

/// Finds the rows in whatever direction they run.
pub fn find(map: &LineMap, wanted: &Wanted, cards: &[CardPose]) -> Option<FoundRelaxed> {
    let preferred = |angle: f64| match arrows_up(cards, angle) {
        up if up > 0.3 => ARROWS_COUNT,
        _ => 1.0,
    };
    let looks = |map: &LineMap, tries: &[(f64, f64)]| -> Vec<(f64, f64, f64)> {
        let mut looks: Vec<(f64, f64, f64)> = tries
            .par_iter()
            .map(|&(angle, shrinkage)| {
                let design = stretched(wanted.design, shrinkage, shrinkage);
                let strength = search::strength(
                    map,
                    &shrunk(wanted, &design, shrinkage),
                    &Frame::Turned(angle),
                );
                (strength * preferred(angle), angle, shrinkage)
            })
            .collect();
        looks.sort_by(|a, b| b.0.total_cmp(&a.0));
        looks
    };
    let coarse = map.halved();
    let n = cards.len().max(1) as f64;
    let middle = cards.iter().fold(Point2::origin(), |sum, c| {
        sum + nalgebra::Vector2::new(c.x, c.s) / n
    });
    let first: Vec<(f64, f64)> = (0..(TAU / ANGLE_STEP).round() as i32)
        .flat_map(|i| SHRINKAGES.map(|s| (f64::from(i) * ANGLE_STEP, s)))
        .collect();
    let first = looks(&coarse.around(middle, [FIRST_LOOK_MM; 2]), &first);
    let near = |looks: &[(f64, f64, f64)], most: usize, angle_by: f64, shrinkage_by: f64| {
        let mut tries: Vec<(f64, f64)> = Vec::new();
        for (_, angle, shrinkage) in looks.iter().take(most) {
            for i in -1..=1 {
                for k in -1..=1 {
                    tries.push((
                        angle + f64::from(i) * angle_by,
                        shrinkage + f64::from(k) * shrinkage_by,
                    ));
                }
            }
        }
        tries
    };
    let second = looks(
        &coarse,
        &near(&first, CLOSER_LOOKS, ANGLE_STEP / 2.0, 0.0067),
    );
    let third = looks(&coarse, &near(&second, 2, ANGLE_STEP / 4.0, 0.0033));
    let fourth = looks(map, &near(&third, 1, ANGLE_STEP / 8.0, 0.0017));
    let (_, angle, shrinkage) = *fourth.first()?;
    let design = stretched(wanted.design, shrinkage, shrinkage);
    let wanted = shrunk(wanted, &design, shrinkage);
    let strength = search::strength(map, &wanted, &Frame::Turned(angle));
    let chance = DECOYS
        .map(|by| {
            let drawn = stretched(&design, by, 0.0);
            let wanted = Wanted {
                design: &drawn,
                ..wanted
            };
            search::strength(map, &wanted, &Frame::Turned(angle))
        })
        .into_iter()
        .fold(0.0, f64::max);
    if strength < STANDS_OUT * chance {
        return None;
    }
    let found = search::rows_in(map, &wanted, &Frame::Turned(angle))?;
    Some(FoundRelaxed { found, shrinkage })
}

/// Score beyond what chance reaches near any place that the plan's rows have to have in the mean.
const LEAST_MEAN_EXCESS: f64 = 2.0;

/// Whether rows still stand out when they are looked for again on the plane they gave: on a wrong one they do not.
pub fn stand_out(found: &Found, planned: u32) -> bool {
    let excess = |row: &search::FoundRow| (row.score - search::CHANCE_SCORE).max(0.0);
    let sum: f64 = found.rows.iter().map(excess).sum();
    sum >= LEAST_MEAN_EXCESS * f64::from(planned.max(3))
}

/// Level ground under all that has been observed, its hills to be solved for.
pub fn level_relief(joint: &Joint, margin_mm: f64) -> Relief {
    let state = &joint.start;
    let lines =
        joint.photos.iter().flat_map(|p| &p.lines).map(|line| {
            state.rows[line.row].on_quilt(line.along_mm, line.across_mm, &state.stretch)
        });
    let cards = state.cards.iter().map(|card| Point2::new(card.x, card.s));
    let (mut min, mut max) = (
        Point2::new(f64::MAX, f64::MAX),
        Point2::new(f64::MIN, f64::MIN),
    );
    for p in lines.chain(cards) {
        min = Point2::new(min.x.min(p.x), min.y.min(p.y));
        max = Point2::new(max.x.max(p.x), max.y.max(p.y));
    }
    let margin = nalgebra::Vector2::new(50.0, margin_mm);
    Relief::level(min - margin, max + margin, RELIEF_STEP_MM)
}

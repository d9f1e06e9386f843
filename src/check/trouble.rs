//! What the measuring noticed that the numbers do not say.

use super::{Known, row_seen, share_found};
use crate::card::{CardWarning, FoundCards};
use crate::design::Design;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::start::{Cut, cut};
use crate::row::chance::{Chance, Standing};
use crate::row::link;
use crate::row::measure::{LEAST_FOUND, Measured};
use crate::row::search::SURE_SCORE;
use crate::units::LengthUnit;
use crate::verdict::Warning;
use crate::verdict::words::{capital, length};

/// Share of a row's line that has to be found for its place to hold where the line was learned from the rows
/// themselves, which may have learned something else.
pub(super) const LEAST_FOUND_LEARNED: f64 = 0.4;

/// Strain of one photo up to which the plan's design may be what was stitched: 46 at most in 140 practice photos measured
/// rightly, 23 in 95 % of them, 13 in 56 photos drawn by other means.
const MOST_STRAIN: f64 = 150.0;

/// Relative stretch from which the plan's repeat is wrong and not the quilt drawn in or the pattern printed a little off.
const WRONG_REPEAT: f64 = 0.012;

/// Relative stretch beyond which it is no wrong repeat that is measured all the same, but perhaps another design: copies drawn out
/// by 8 to 30 % were found with stretches of 6 and 10 %; repeats wrong by up to 4 % are measured rightly (`tests/sample_quilt.rs`).
const OTHER_DESIGN: f64 = 0.05;

/// Cards whose places are told, but which are not in the photos.
pub(super) fn unseen_cards(measured: &Measured, known: &Known) -> Vec<Warning> {
    let told = known.card_at.iter().map(|(card, _)| *card);
    told.filter(|card| !measured.cards.contains(card))
        .map(|card| Warning {
            what: format!(
                "{} is not in the photo, so its place says nothing.",
                capital(&card.to_string())
            ),
            remedy: "Name a card that is in it.".to_owned(),
            spoils: false,
        })
        .collect()
}

/// Photos given as one row that are of different ones.
pub(super) fn different_rows(
    measured: &Measured,
    design: &Design,
    photos: &[&Photo],
) -> Option<Warning> {
    let (a, b) = link::clash(measured, design)?;
    let path = |i: usize| photos[i].path.display();
    Some(Warning {
        what: format!(
            "{} and {} do not show the same stitching in the same place: they are of different rows, or a card was moved between them.",
            path(a),
            path(b)
        ),
        remedy: "Measure photos of different rows one by one; leave the cards where they are while you photograph one row."
            .to_owned(),
        spoils: true,
    })
}

/// Share of the longest row's line found of what may be a row below, from which the newest row is in doubt: about twice what chance finds.
const LEAST_BELOW: f64 = 0.15;

/// What the measuring noticed that the numbers do not say.
///
/// `is_planned`: the design is the plan's, not learned from the photo.
pub(super) fn look_for_trouble(
    measured: &Measured,
    found: &[FoundCards],
    photos: &[&Photo],
    plan: &Plan,
    is_planned: bool,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    for (photo, found) in photos.iter().zip(found) {
        warnings.extend(found.warnings.iter().map(of_card));
        warnings.extend(of_ending(photo));
        warnings.extend(of_cut(photo));
    }
    warnings.extend(of_newest(measured, is_planned));
    if is_planned {
        warnings.extend(of_strain(measured));
        warnings.extend(of_repeat(measured, plan));
        warnings.extend(of_stagger(measured, plan));
    }
    if let Some(below) = measured.dropped_below {
        warnings.push(Warning {
            what: "There may be one more row below, too faint to measure.".to_owned(),
            remedy: "Retake the photo with light falling across the quilt from one side."
                .to_owned(),
            spoils: below > LEAST_BELOW,
        });
    }
    warnings
}

/// Rows moved against one another otherwise than planned: those that fit the plan may not be neighbours.
fn of_stagger(measured: &Measured, plan: &Plan) -> Option<Warning> {
    let really = measured.other_stagger?;
    let share = |stagger: f64| format!("{}", (1000.0 * stagger).round() / 1000.0);
    Some(Warning {
        what: format!(
            "From row to row the design seems to move by {} of its repeat, not by {} as planned.",
            share(really),
            share(plan.stagger)
        ),
        remedy: format!(
            "If it does, set stagger = {} in plan.toml and measure this photo again.",
            share(really)
        ),
        spoils: true,
    })
}

/// A design that was stitched larger or smaller than planned: its rows are measured by the cards all the same, unless so much so that
/// it may be another one.
fn of_repeat(measured: &Measured, plan: &Plan) -> Option<Warning> {
    let stretch = measured.state.stretch;
    let larger = 0.5 * (stretch.x + stretch.y);
    (larger.abs() > WRONG_REPEAT).then(|| {
        let bar = length(plan.card_bar_mm, LengthUnit::Millimetre);
        let length = |mm: f64| length(mm, plan.unit);
        let really = length(plan.repeat_mm * (1.0 + stretch.x));
        let spoils = larger.abs() > OTHER_DESIGN;
        Warning {
            what: format!(
                "By the cards the design is stitched {:.0} % {} than planned: it repeats every {really}, not every {}.",
                100.0 * larger.abs(),
                if larger > 0.0 { "larger" } else { "smaller" },
                length(plan.repeat_mm)
            ),
            // A bar taken for longer than it is makes all else as much larger.
            remedy: match spoils {
                true => format!(
                    "See that the plan names the design that was stitched and that a ruler on the card's bar reads {bar}; if both is so, \
                     set repeat = \"{really}\" in plan.toml and measure this photo again."
                ),
                false => format!(
                    "Lay a ruler on the card's bar: if it does not read {bar}, set card-bar in plan.toml to what it reads, for then \
                     every number is as wrong; if it does, set repeat = \"{really}\"."
                ),
            },
            spoils,
        }
    })
}

/// Rows that fit the design only on a plane that the cards deny: another design, looked for until the plane was bent.
fn of_strain(measured: &Measured) -> Option<Warning> {
    let strain = measured.problem.strain(&measured.state).ok()?;
    (strain > MOST_STRAIN * measured.views.len() as f64).then(|| Warning {
        what: "The rows fit the plan's design only if the cards lay quite otherwise than they do."
            .to_owned(),
        remedy: "See that the plan names the design that was stitched and the bar's length on the card; if it does, lay the card flat and retake the photo."
            .to_owned(),
        spoils: true,
    })
}

/// Bend of a card beyond which what is taken out of it is no longer enough, mm.
const BENT_TOO_FAR_MM: f64 = 4.0;

fn of_card(warning: &CardWarning) -> Warning {
    let spoils = matches!(warning, CardWarning::Curled { mm, .. } if mm.abs() > BENT_TOO_FAR_MM);
    Warning {
        what: capital(&warning.to_string()) + ".",
        remedy: match warning {
            CardWarning::Curled { .. } if spoils => {
                "Then retake the photo: so bent a card bends every number.".to_owned()
            }
            CardWarning::Curled { .. } => {
                "Its bend was reckoned with as far as it shows; a flat card measures better."
                    .to_owned()
            }
            CardWarning::PartlyHidden { .. } => {
                "Uncover it or move it into the photo for smaller uncertainties.".to_owned()
            }
            CardWarning::LeftOut(error) => capital(error.remedy()) + ".",
            CardWarning::ForeignTag { .. } => "Take it off the quilt.".to_owned(),
        },
        spoils,
    }
}

/// A photo of which a part was cut away.
fn of_cut(photo: &Photo) -> Option<Warning> {
    let (w, h) = photo.luma.dimensions();
    (cut(w, h) == Cut::ByHand).then(|| Warning {
        what: format!(
            "{} has a shape that no camera gives a photo, as if a part had been cut away: where its lens looked is known less well.",
            photo.path.display()
        ),
        remedy: "Give the whole photo, as the camera made it.".to_owned(),
        spoils: false,
    })
}

/// A photo whose name ends otherwise than its kind.
fn of_ending(photo: &Photo) -> Option<Warning> {
    let really = photo.really?;
    Some(Warning {
        what: format!(
            "{} is really {really}; it was read as that.",
            photo.path.display()
        ),
        remedy: "Give it the right ending.".to_owned(),
        spoils: false,
    })
}

/// What makes the newest row doubtful.
///
/// Of a row of a known design chance tells whether to believe it; what was learned from the photo itself is judged by
/// how far it stands out. A row that is there may still be seen too little to be measured.
fn of_newest(measured: &Measured, is_planned: bool) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let Some(newest) = measured.rows.last() else {
        return warnings;
    };
    let share = share_found(newest);
    let least_found = match is_planned {
        true => LEAST_FOUND,
        false => LEAST_FOUND_LEARNED,
    };
    if let Some(doubt) = doubt(&Chance::of(&row_seen(newest))).filter(|_| is_planned) {
        warnings.push(doubt);
    } else if share < least_found {
        warnings.push(Warning {
            what: format!(
                "The newest row's stitching could be followed on only {:.0} % of its line.",
                100.0 * share
            ),
            remedy: "Retake it from nearer, with light falling across the quilt from one side."
                .to_owned(),
            spoils: true,
        });
    }
    if !is_planned && newest.score < SURE_SCORE {
        warnings.push(Warning {
            what: "The newest row hardly stands out from the fabric.".to_owned(),
            remedy: "Retake it with light falling across the quilt from one side.".to_owned(),
            spoils: true,
        });
    }
    let longest = measured
        .rows
        .iter()
        .map(|r| r.trace.found_mm())
        .fold(0.0, f64::max);
    if newest.trace.found_mm() < 0.5 * longest {
        warnings.push(Warning {
            what: "Much less is seen of the newest row than of the one above it.".to_owned(),
            remedy: "See that the whole row is in the photo and no card lies on it.".to_owned(),
            spoils: false,
        });
    }
    warnings
}

/// What to say of a newest row that chance may have shown.
fn doubt(chance: &Chance) -> Option<Warning> {
    let what = match chance.standing {
        Standing::Found => return None,
        Standing::Doubtful => "It is doubtful whether the newest row is one",
        Standing::NotFound => "The newest row is not to be told from the fabric",
    };
    Some(Warning {
        what: format!(
            "{what}: by chance alone a line as plain as this shows in {}.",
            chance.words()
        ),
        remedy: "See that the whole row is in the photo and the plan names its design, and retake it from nearer, with \
                 light falling across the quilt from one side."
            .to_owned(),
        spoils: true,
    })
}

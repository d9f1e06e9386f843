//! The reasons for a verdict in a quilter's words: row, side, amount, fix.

use super::conformity::Finding;
use super::words::{
    advance_comes_out, interval, is_nothing, length, list, origin, side, unit_name,
};
use super::{Advance, Judged, Judgement, Situation};
use crate::learn::correction::Correction;
use crate::learn::resquare::ReSquare;
use crate::plan::Plan;
use crate::record::{Action, At};
use crate::units::LengthUnit;

/// Less of the plan's width than this in view, and the unseen ends are mentioned.
const SEEN_SHARE: f64 = 0.9;

/// Factor from a standard uncertainty to a one-sided 95 % bound, normal distribution (JCGM 106:2012).
const K_ONE_SIDED: f64 = 1.645;
/// Share of the planned clearance below which rows are said to come near.
const NEAR_SHARE: f64 = 0.5;

const PLACES: [At; 3] = [At::Left, At::Centre, At::Right];

/// Writes the reasons, the most important first, one sentence each.
pub(super) fn write(
    plan: &Plan,
    situation: &Situation,
    judged: &Judged,
    action: Action,
    advance: Option<&Advance>,
) -> Vec<String> {
    let facts = Facts {
        plan,
        situation,
        judged,
        unit: plan.unit,
    };
    // Before the photo is taken again nothing is settled.
    let mut reasons = match action {
        Action::Retake => facts.why_retake(),
        _ => Vec::new(),
    };
    reasons.extend(facts.missed());
    reasons.extend(facts.off_design());
    match action {
        Action::Retake => {}
        Action::ReSquare => {
            reasons.extend(facts.why_re_square(advance.and_then(|advance| advance.squares)));
            reasons.extend(advance.and_then(|advance| facts.what_to_roll(action, advance)));
        }
        Action::Trim => {
            reasons.extend(facts.why_trim());
            reasons.extend(facts.earlier_quilts());
            reasons.extend(advance.and_then(|advance| facts.what_to_roll(action, advance)));
        }
        Action::CarryOn => reasons.extend(facts.why_carry_on()),
    }
    if action != Action::Retake {
        reasons.extend(facts.clearance());
        reasons.extend(facts.what_is_not_known());
    }
    let noticed = situation
        .warnings
        .iter()
        .filter(|w| !w.spoils || action != Action::Retake);
    reasons.extend(noticed.map(|warning| format!("{} {}", warning.what, warning.remedy)));
    reasons
}

struct Facts<'a> {
    plan: &'a Plan,
    situation: &'a Situation<'a>,
    judged: &'a Judged,
    unit: LengthUnit,
}

impl Facts<'_> {
    fn missed(&self) -> Vec<String> {
        let measured = self.situation.measured;
        let origin = origin(measured.x_origin);
        let sentence = |from_mm: f64, to_mm: f64| {
            let middle_mm = f64::midpoint(from_mm, to_mm);
            let direction = if middle_mm < 0.0 { "left" } else { "right" };
            format!(
                "Stitch the missed part of row {} before you roll on: the row is not stitched over {} of its \
                 width, {} {direction} of {origin}.",
                self.situation.row,
                length(to_mm - from_mm, self.unit),
                length(middle_mm.abs(), self.unit),
            )
        };
        measured
            .missed
            .iter()
            .map(|missed| sentence(missed.from_mm, missed.to_mm))
            .collect()
    }

    fn off_design(&self) -> Vec<String> {
        let measured = self.situation.measured;
        let sentence = |from_mm: f64, to_mm: f64, off_mm: f64| {
            let middle_mm = f64::midpoint(from_mm, to_mm);
            let direction = if middle_mm < 0.0 { "left" } else { "right" };
            format!(
                "Look at row {}, {} {direction} of {}, and take the stretch out before you roll on if it shows: it \
                 was stitched off the design, by up to {} over {} of the row's width.",
                self.situation.row,
                length(middle_mm.abs(), self.unit),
                origin(measured.x_origin),
                length(off_mm, self.unit),
                length(to_mm - from_mm, self.unit),
            )
        };
        let parts = measured.off_design.iter();
        parts
            .map(|part| sentence(part.from_mm, part.to_mm, part.off_mm))
            .collect()
    }

    /// Rows that cross, or come much nearer than planned, though they were not planned to.
    fn clearance(&self) -> Option<String> {
        let gap = self.situation.gap?;
        let (clearance, x_mm) = (gap.clearance_mm?, gap.clearance_x_mm?);
        let most_mm = clearance.value + K_ONE_SIDED * clearance.u;
        let crosses = most_mm < 0.0 && gap.plan_clearance_mm.is_none_or(|plan| plan >= 0.0);
        let is_near = gap
            .plan_clearance_mm
            .is_some_and(|plan| most_mm < NEAR_SHARE * plan);
        if !crosses && !is_near {
            return None;
        }
        let rows = format!("Rows {} and {}", gap.from_row, gap.to_row);
        let what = match crosses {
            true => format!("{rows} cross by {}", length(-clearance.value, self.unit)),
            false => format!(
                "{rows} come as near as {}",
                length(clearance.value.max(0.0), self.unit)
            ),
        };
        let planned = match gap.plan_clearance_mm {
            Some(mm) if !crosses => format!(" (planned {})", length(mm, self.unit)),
            _ => String::new(),
        };
        let strays = gap.clearance_row.map_or_else(String::new, |row| {
            let other = if row == gap.to_row {
                gap.from_row
            } else {
                gap.to_row
            };
            format!("; there row {row} strays from its line toward row {other}")
        });
        let direction = if x_mm < 0.0 { "left" } else { "right" };
        Some(format!(
            "{what}{planned}, {} {direction} of {}{strays}.",
            length(x_mm.abs(), self.unit),
            origin(self.situation.measured.x_origin),
        ))
    }

    fn why_retake(&self) -> Vec<String> {
        let spoilt: Vec<String> = self
            .situation
            .warnings
            .iter()
            .filter(|warning| warning.spoils)
            .map(|warning| format!("{} {}", warning.what, warning.remedy))
            .collect();
        if !spoilt.is_empty() {
            return spoilt;
        }
        let row = self.situation.row;
        let Some(spacing) = self.judged.spacing else {
            return vec![format!(
                "The gap between rows {} and {row} could not be measured: take the photo again with \
                 both rows and a card in view.",
                row - 1,
            )];
        };
        let unsettled: Vec<(At, Judgement)> = PLACES
            .into_iter()
            .zip(spacing)
            .filter(|(_, spacing)| spacing.finding == Finding::Unsettled)
            .collect();
        let names: Vec<&str> = unsettled.iter().map(|(at, _)| side(*at)).collect();
        let worst_u = unsettled
            .iter()
            .fold(0.0, |u: f64, (_, s)| u.max(s.deviation.u));
        let where_to = match names[..] {
            [one] if one != "centre" => format!("nearer to the {one} end"),
            _ => "at each end".to_owned(),
        };
        vec![
            format!(
                "Gap {}-{row} is known only to ± {} at the {}: too coarse to hold it against the {} that \
                 the plan accepts.",
                row - 1,
                self.interval_with_unit(worst_u),
                list(&names),
                length(self.plan.tolerance.spacing_mm, self.unit),
            ),
            format!(
                "Lay a card {where_to}, flat and close to the rows, come nearer, hold the phone \
                 still, and take the photo again."
            ),
        ]
    }

    fn why_re_square(&self, squares: Option<ReSquare>) -> Vec<String> {
        let mut reasons = Vec::new();
        let next = self.situation.row + 1;
        // Four to one is enough to set square, so what is less than shown is not called certain.
        let shown = self
            .judged
            .skew
            .is_some_and(|skew| skew.finding == Finding::Beyond);
        let likely = if shown { "" } else { "most likely " };
        match squares {
            Some(ReSquare::Crooked | ReSquare::Leaving) => reasons.extend(self.skew()),
            Some(ReSquare::TooLate) => reasons.extend(self.deviations()),
            None => {}
        }
        reasons.extend(squares.map(|why| match why {
            ReSquare::Crooked => format!(
                "That is {likely}too much to roll out in one advance without showing: undo the advance and \
                 set the quilt square on the bars before row {next}.",
            ),
            ReSquare::Leaving => format!(
                "It leans further from row to row and most likely will not be inside what the plan accepts two \
                 rows on: undo the advance and set the quilt square on the bars before row {next}.",
            ),
            ReSquare::TooLate => format!(
                "The rows left are most likely too few to bring row {} back to its place without showing: undo \
                 the advance and set the quilt on the bars again before row {next}.",
                self.situation.row,
            ),
        }));
        if squares.is_some() {
            reasons.push(format!(
                "Then check with a tape that row {} lies equally far from the roller at left, centre and right.",
                self.situation.row,
            ));
        }
        if self.judged.is_slack_or_tight() {
            reasons.push(self.bow());
            reasons.push(format!(
                "Rollers are straight and cannot take a bow out: undo the advance, smooth the quilt \
                 from the middle to both ends, and clamp it evenly before row {}.",
                self.situation.row + 1,
            ));
        }
        reasons
    }

    fn why_trim(&self) -> Vec<String> {
        let mut reasons = self.deviations();
        if self
            .judged
            .skew
            .is_some_and(Judgement::calls_for_correction)
        {
            reasons.extend(self.skew());
        }
        if self.judged.bow.calls_for_correction() {
            reasons.push(self.bow());
            reasons.push(
                "Rollers cannot take a bow out: smooth the middle of the quilt before you clamp it."
                    .to_owned(),
            );
        }
        reasons
    }

    /// Before any gap is measured a trim can only come from earlier quilts.
    fn earlier_quilts(&self) -> Option<String> {
        let quilts = match self.plan.earlier.len() {
            1 => "your last quilt".to_owned(),
            n => format!("your last {n} quilts"),
        };
        let bias = self.situation.state.bias_mm().map(|bias| bias.value);
        let known = self.situation.row == 1 && !self.plan.earlier.is_empty();
        known.then(|| {
            format!(
                "Going by {quilts}, an advance of yours {}.",
                advance_comes_out(bias, self.unit)
            )
        })
    }

    fn why_carry_on(&self) -> Vec<String> {
        let row = self.situation.row;
        let mut reasons = self.deviations();
        if row == 1 {
            reasons.push("Row 1 is the row that all others are measured against.".to_owned());
        } else if reasons.is_empty() {
            reasons.push(format!(
                "Gap {}-{row} is within {} of the plan at left, centre and right.",
                row - 1,
                length(self.plan.tolerance.spacing_mm, self.unit),
            ));
        }
        let off = self.judged.spacing.into_iter().flatten();
        if super::rows_left(self.plan, row) > 0 && off.clone().any(Judgement::calls_for_correction)
        {
            reasons.push(
                "The advance is past and the row lies near enough to its place: leave the next advance as \
                 planned."
                    .to_owned(),
            );
        }
        if super::rows_left(self.plan, row) == 0 {
            if self
                .judged
                .skew
                .is_some_and(Judgement::calls_for_correction)
            {
                reasons.extend(self.skew());
            }
            reasons.push(format!(
                "Row {row} is the last row: no advance is left to change."
            ));
        }
        reasons
    }

    /// Spacing and drift that are near or beyond their tolerance.
    fn deviations(&self) -> Vec<String> {
        let row = self.situation.row;
        let tolerance = &self.plan.tolerance;
        let gap = format!("Gap {}-{row} is", row - 1);
        let of_gap = self.places(
            &gap,
            self.judged.spacing,
            tolerance.spacing_mm,
            |mm, beyond| match (mm > 0.0, beyond) {
                (true, true) => "too wide",
                (false, true) => "too narrow",
                (true, false) => "on the wide side",
                (false, false) => "on the narrow side",
            },
        );
        let lies = format!("Row {row} lies");
        let of_row = self.places(&lies, self.judged.drift, tolerance.drift_mm, |mm, _| {
            if mm > 0.0 {
                "further down the quilt than planned"
            } else {
                "short of its planned place"
            }
        });
        of_gap.into_iter().chain(of_row).collect()
    }

    /// One sentence for the places that call for correction, one for each direction.
    fn places(
        &self,
        subject: &str,
        places: Option<[Judgement; 3]>,
        limit_mm: f64,
        direction: impl Fn(f64, bool) -> &'static str,
    ) -> Vec<String> {
        let called: Vec<(At, f64, f64)> = PLACES
            .into_iter()
            .zip(places.into_iter().flatten())
            .filter(|(_, judged)| judged.calls_for_correction())
            .map(|(at, judged)| (at, judged.deviation.value, judged.deviation.u))
            .collect();
        let beyond = places
            .into_iter()
            .flatten()
            .any(|judged| judged.finding == Finding::Beyond);
        let of_sign = |sign: f64| {
            let group: Vec<_> = called.iter().filter(|(_, mm, _)| mm * sign > 0.0).collect();
            let (_, first_mm, _) = group.first()?;
            let amounts: Vec<String> = group
                .iter()
                .map(|(at, mm, _)| format!("{} at the {}", length(mm.abs(), self.unit), side(*at)))
                .collect();
            let largest_u = group.iter().fold(0.0, |u: f64, (_, _, next)| u.max(*next));
            Some(format!(
                "{subject} {}: {} (± {}; the plan accepts {}).",
                direction(*first_mm, beyond),
                list(&amounts),
                self.interval_with_unit(largest_u),
                length(limit_mm, self.unit),
            ))
        };
        [of_sign(1.0), of_sign(-1.0)]
            .into_iter()
            .flatten()
            .collect()
    }

    fn skew(&self) -> Option<String> {
        let skew = self.judged.skew?.deviation;
        let datum = match &self.situation.position {
            Ok(_) => "row 1".to_owned(),
            Err(_) => format!("row {}", self.situation.row - 1),
        };
        let (lower, upper) = if skew.value > 0.0 {
            ("right", "left")
        } else {
            ("left", "right")
        };
        let width_mm = 2.0 * self.judged.half_width_mm;
        let across_mm = |mm_per_m: f64| (mm_per_m * width_mm / 1000.0).abs();
        Some(format!(
            "Row {} leans against {datum}: its {lower} end lies {} further down than its {upper} end, \
             over {} (± {}; the plan accepts {}).",
            self.situation.row,
            length(across_mm(skew.value), self.unit),
            length(width_mm, self.unit),
            self.interval_with_unit(across_mm(skew.u)),
            length(across_mm(self.plan.tolerance.skew_mm_per_m), self.unit),
        ))
    }

    fn bow(&self) -> String {
        let bow = self.judged.bow.deviation;
        let (direction, cause) = if bow.value > 0.0 {
            ("further down", "the quilt was slack in the middle")
        } else {
            (
                "higher",
                "the quilt was tighter in the middle than at its ends",
            )
        };
        format!(
            "Row {} bows: its middle lies {} {direction} than its ends (± {}; the plan accepts {}); \
             most likely {cause}.",
            self.situation.row,
            length(bow.value.abs(), self.unit),
            self.interval_with_unit(bow.u),
            length(self.plan.tolerance.bow_mm, self.unit),
        )
    }

    fn what_to_roll(&self, action: Action, advance: &Advance) -> Option<String> {
        let then = match action {
            Action::ReSquare => "After that, against the plan",
            _ => "Next advances against the plan",
        };
        let plan = match trims_in_words(&advance.correction, self.unit) {
            None if action == Action::ReSquare => return None,
            None => {
                "Roll the next advance as planned: the row lies where the plan wants it.".to_owned()
            }
            Some(said) => format!("{then}: {said}.{}", self.where_the_ends_are(advance)),
        };
        let drift_mm = self.plan.tolerance.drift_mm;
        let remains = if advance.correction.remains_mm > drift_mm {
            let stays = length(advance.correction.remains_mm, self.unit);
            format!(" The rows left cannot take out all of it without showing; {stays} stays.")
        } else {
            String::new()
        };
        let ignored = if advance.followed {
            ""
        } else {
            " The gaps look as if the trims advised so far had not been rolled."
        };
        Some(format!("{plan}{remains}{ignored}"))
    }

    /// What left and right of the advice mean where the photo does not show the whole row.
    fn where_the_ends_are(&self, advance: &Advance) -> String {
        let [left, _, right] = advance.correction.next_mm();
        let width_mm = 2.0 * self.judged.half_width_mm;
        let shows_all = width_mm >= SEEN_SHARE * self.plan.width_mm;
        if shows_all || self.situation.gap.is_none() || is_nothing(right - left, self.unit) {
            return String::new();
        }
        format!(
            " Left and right are the ends of what was in view, {} apart; further out the difference grows in \
             step.",
            length(width_mm, self.unit),
        )
    }

    fn what_is_not_known(&self) -> Vec<String> {
        let row = self.situation.row;
        let mut reasons = Vec::new();
        if !self.plan.has_design() && row > 1 {
            reasons.push(format!(
                "Without a design row {row} is held against row {} alone, and is not known again in another photo: \
                 give --row when you retake it.",
                row - 1,
            ));
        }
        if let Err(missing) = self.situation.position {
            reasons.push(format!(
                "How far row {row} has drifted since row 1 is not known: {missing}. Row {} is taken \
                 to lie as planned.",
                row - 1,
            ));
        }
        let unsettled_drift = self.judged.drift.into_iter().flatten();
        let worst_drift_u = unsettled_drift
            .filter(|drift| drift.finding == Finding::Unsettled)
            .map(|drift| drift.deviation.u)
            .fold(0.0, f64::max);
        if worst_drift_u > 0.0 {
            reasons.push(format!(
                "How far row {row} has drifted since row 1 is known only to ± {}: check it with a \
                 tape from the quilt's top edge.",
                self.interval_with_unit(worst_drift_u),
            ));
        }
        if self.judged.bow.finding == Finding::Unsettled {
            reasons.push(format!(
                "The bow of row {row} is known only to ± {}.",
                self.interval_with_unit(self.judged.bow.deviation.u),
            ));
        }
        if self
            .judged
            .skew
            .is_some_and(|skew| skew.finding == Finding::Unsettled)
        {
            reasons.push(format!(
                "How much row {row} leans is not known well enough to judge."
            ));
        }
        let seen_mm = self.situation.measured.seen_to_mm - self.situation.measured.seen_from_mm;
        if seen_mm < SEEN_SHARE * self.plan.width_mm {
            reasons.push(format!(
                "Only {} of the quilt's {} was in view: the rest of the row is not checked.",
                length(seen_mm, self.unit),
                length(self.plan.width_mm, self.unit),
            ));
        }
        reasons
    }

    fn interval_with_unit(&self, u_mm: f64) -> String {
        format!("{} {}", interval(u_mm, self.unit), unit_name(self.unit))
    }
}

/// The next trims as half a sentence: "1/16 in less for three rows on the right; nothing on the left".
/// `None` when the next advance takes none.
pub fn trims_in_words(correction: &Correction, unit: LengthUnit) -> Option<String> {
    let [left, _, right] = correction.next_mm();
    let of = |side: usize, mm: f64| {
        let direction = if mm > 0.0 { "more" } else { "less" };
        let rows = rows_in_words(correction.run(side));
        let same_way = correction.trims_mm.iter().map(|t| t[side] * mm.signum());
        let most = same_way.fold(0.0, f64::max);
        let later = match is_nothing(most - mm.abs(), unit) {
            true => String::new(),
            false => format!(" (later up to {})", length(most, unit)),
        };
        format!("{} {direction} for {rows}{later}", length(mm.abs(), unit))
    };
    match (is_nothing(left, unit), is_nothing(right, unit)) {
        (true, true) => None,
        (false, true) => Some(format!("{} on the left; nothing on the right", of(0, left))),
        (true, false) => Some(format!(
            "{} on the right; nothing on the left",
            of(2, right)
        )),
        (false, false) if of(0, left) == of(2, right) => {
            Some(format!("{}, all across", of(0, left)))
        }
        (false, false) => Some(format!(
            "{} on the left; {} on the right",
            of(0, left),
            of(2, right)
        )),
    }
}

fn rows_in_words(rows: usize) -> String {
    const WORDS: [&str; 10] = [
        "no rows",
        "one row",
        "two rows",
        "three rows",
        "four rows",
        "five rows",
        "six rows",
        "seven rows",
        "eight rows",
        "nine rows",
    ];
    WORDS
        .get(rows)
        .map_or_else(|| format!("{rows} rows"), |w| (*w).to_owned())
}

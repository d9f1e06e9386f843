//! What to do next: carry on, trim the next advance, re-square, or retake the photo.
//!
//! # What decides
//!
//! Four kinds of deviation are judged against the plan's tolerances by [`conformity::judge`], each
//! with its own uncertainty: the newest gap's spacing at left, centre and right; the newest row's
//! drift at left, centre and right; its skew against row 1; its bow. Each is found *inside*, *near*
//! the limit, *beyond* it, or *unsettled*. The first rule that applies decides:
//!
//! | | rule | action |
//! | --- | --- | --- |
//! | 1 | a warning says that the numbers cannot be trusted, or the gap was not measured | retake |
//! | 2 | skew beyond its tolerance, and taking it out in one advance would open or close the gap at an end by more than may show; or bow beyond its tolerance | re-square |
//! | 3 | spacing unsettled at a place: the uncertainty is too large for the tolerance, and it matters | retake |
//! | 4 | spacing, drift, skew or bow near or beyond | trim |
//! | 5 | otherwise | carry on |
//!
//! Why so:
//!
//! - Only spacing calls for a retake, because a better photo betters it. Drift is known as well as
//!   all its gaps together, and a retake of the last photo does not help; an unsettled drift, skew or
//!   bow is said in the reasons and decides nothing.
//! - Re-square is real work, so it needs a fault shown at 95 %. A trim costs nothing, so a value near
//!   its limit is enough. Below that nothing is corrected: correcting chance errors doubles their
//!   variance (Deming 1986, rule 2 of the funnel).
//! - Skew too large for one advance is not spread over many: a quilt that sits crooked on the bars
//!   leans further with every turn (common practice, no source). A roller is straight, so bow
//!   cannot be rolled out at all: the middle is slack or tight and has to be set again.
//!
//! # How much
//!
//! The correction is the straight line, offset and skew, that brings the row's drift as close to 0
//! as a straight roller can, with the sign turned. It is divided over the fewest advances that leave
//! every single gap inside the spacing tolerance, the guard band taken off. Positive: roll on
//! further.
//!
//! Row 1 is the datum: it has no gap, so only its own bow and missed parts are judged. A row whose
//! chain of gaps to row 1 is broken is judged by its own gap, as if the row above lay on the plan.

pub mod conformity;
mod reasons;
pub mod words;

use crate::gap::{self, MissingGap, RowPosition};
use crate::plan::Plan;
use crate::record::{
    Action, AdvanceTrim, GapRecord, Record, RowRecord, SpacingRecord, VerdictRecord,
};
use crate::units::Uncertain;
use conformity::{Finding, guard_band, judge};

/// The usual caution, for everything that is done at the rollers or the needle.
pub const CAUTION: &str = "Before you touch the rollers or the needle: machine stopped, hands clear, \
    and hold the roller before you unlock it. Your machine's manual and your local rules come first.";

/// The caution for taking a photo again.
pub const PHOTO_CAUTION: &str = "Before you lay a card on the quilt: machine stopped, hands clear of \
    the needle, both feet on the floor. Your machine's manual and your local rules come first.";

/// Something the measuring noticed that the numbers do not say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning {
    /// What was noticed, one sentence: "Sheet 1 does not lie flat."
    pub what: String,
    /// What helps, one sentence.
    pub remedy: String,
    /// Whether the numbers cannot be trusted because of it.
    pub spoils: bool,
}

/// All that is known about the newest row when the verdict is due.
#[derive(Debug, Clone)]
pub struct Situation<'a> {
    /// The newest row.
    pub row: u32,
    /// It as measured.
    pub measured: &'a RowRecord,
    /// The gap between it and the row above, if both were seen.
    pub gap: Option<&'a GapRecord>,
    /// Its place against row 1, or the gap that nobody measured.
    pub position: Result<RowPosition, MissingGap>,
    /// What the measuring noticed.
    pub warnings: &'a [Warning],
}

impl<'a> Situation<'a> {
    /// Gathers the situation of a just measured row.
    ///
    /// `gaps_in_photo` are the gaps of this check; `gaps_of_quilt` those the journal holds (without
    /// this check's), oldest first.
    pub fn new(
        plan: &Plan,
        measured: &'a RowRecord,
        gaps_in_photo: &'a [GapRecord],
        gaps_of_quilt: &[GapRecord],
        warnings: &'a [Warning],
    ) -> Self {
        let all = [gaps_of_quilt, gaps_in_photo].concat();
        Situation {
            row: measured.row,
            measured,
            gap: gaps_in_photo
                .iter()
                .rev()
                .find(|gap| gap.to_row == measured.row),
            position: gap::position(plan, &all, measured.row),
            warnings,
        }
    }
}

/// Decides what to do next; the rules are in the [module](self)'s description.
pub fn decide(plan: &Plan, situation: &Situation) -> VerdictRecord {
    let judged = Judged::new(plan, situation);
    let action = choose(plan, situation, &judged);
    let advance = advance(plan, situation, &judged, action);
    let reasons = reasons::write(plan, situation, &judged, action, advance.as_ref());
    let next_advance_mm = advance.map(|advance| advance.next_mm);
    VerdictRecord {
        action,
        reasons,
        next_advance_mm,
    }
}

/// The caution to show with a finished check.
pub fn caution(record: &Record) -> &'static str {
    match record.verdict.action {
        Action::Retake => PHOTO_CAUTION,
        Action::CarryOn | Action::Trim | Action::ReSquare => CAUTION,
    }
}

/// The verdict in plain words, for the first line of every report.
pub fn headline(record: &Record) -> &'static str {
    let missed = record.rows.last().is_some_and(|row| !row.missed.is_empty());
    match (record.verdict.action, missed) {
        (Action::CarryOn, false) => "Carry on",
        (Action::CarryOn, true) => "Stitch the missed part, then carry on",
        (Action::Trim, false) => "Trim the next advance",
        (Action::Trim, true) => "Stitch the missed part, then trim the next advance",
        (Action::ReSquare, _) => "Re-square before the next row",
        (Action::Retake, _) => "Retake the photo",
    }
}

/// A deviation and what it says about its tolerance.
#[derive(Debug, Clone, Copy)]
struct Judgement {
    deviation: Uncertain,
    finding: Finding,
}

impl Judgement {
    fn new(deviation: Uncertain, limit: f64) -> Self {
        Judgement {
            deviation,
            finding: judge(deviation, limit),
        }
    }

    fn calls_for_correction(self) -> bool {
        matches!(self.finding, Finding::Near | Finding::Beyond)
    }
}

/// Every deviation of the newest row, judged. Places are left, centre, right.
struct Judged {
    spacing: Option<[Judgement; 3]>,
    drift: Option<[Judgement; 3]>,
    skew: Option<Judgement>,
    bow: Judgement,
    /// Half of the distance between left and right, mm; 0 without a gap.
    half_width_mm: f64,
    /// The most a single gap may be changed without showing, mm.
    unseen_mm: f64,
}

impl Judged {
    fn new(plan: &Plan, situation: &Situation) -> Self {
        let tolerance = &plan.tolerance;
        let places = situation.gap.and_then(gap::places);
        let from_plan = |place: SpacingRecord| Uncertain {
            value: place.value - plan.spacing_mm,
            u: place.u,
        };
        let spacing =
            places.map(|places| places.map(|p| Judgement::new(from_plan(p), tolerance.spacing_mm)));
        let position = situation
            .position
            .as_ref()
            .ok()
            .filter(|_| situation.row > 1);
        let drift = position.map(|position| {
            let drift = position.drift;
            [drift.left, drift.centre, drift.right]
                .map(|place| Judgement::new(place, tolerance.drift_mm))
        });
        let skew = position
            .map(|position| position.skew_mm_per_m)
            .or(situation.gap.map(|gap| gap.skew_mm_per_m))
            .map(|skew| Judgement::new(skew, tolerance.skew_mm_per_m));
        let bow = Judgement::new(situation.measured.bow_mm, tolerance.bow_mm);

        let half_width_mm = places.map_or(0.0, |[left, _, right]| (right.x_mm - left.x_mm) / 2.0);
        let largest_u = places.map_or(0.0, |places| places.iter().fold(0.0, |u, p| p.u.max(u)));
        let unseen_mm = (tolerance.spacing_mm - guard_band(largest_u))
            .max(tolerance.spacing_mm * (1.0 - conformity::LARGEST_GUARD_SHARE));
        Judged {
            spacing,
            drift,
            skew,
            bow,
            half_width_mm,
            unseen_mm,
        }
    }

    /// Row 1, which has no gap, has no skew either: it is the datum.
    fn sits_crooked(&self) -> bool {
        self.skew.is_some_and(|skew| {
            let at_an_end_mm = skew.deviation.value.abs() / 1000.0 * self.half_width_mm;
            skew.finding == Finding::Beyond && at_an_end_mm > self.unseen_mm
        })
    }

    fn is_slack_or_tight(&self) -> bool {
        self.bow.finding == Finding::Beyond
    }
}

fn choose(plan: &Plan, situation: &Situation, judged: &Judged) -> Action {
    let gap_is_needed = situation.row > 1;
    let last_row = rows_left(plan, situation.row) == 0;
    let any = |places: Option<[Judgement; 3]>, test: &dyn Fn(Judgement) -> bool| {
        places.is_some_and(|places| places.into_iter().any(test))
    };
    let corrects = |judgement: Judgement| judgement.calls_for_correction();
    if situation.warnings.iter().any(|warning| warning.spoils)
        || (gap_is_needed && judged.spacing.is_none())
    {
        Action::Retake
    } else if !last_row && (judged.sits_crooked() || judged.is_slack_or_tight()) {
        Action::ReSquare
    } else if any(judged.spacing, &|spacing| {
        spacing.finding == Finding::Unsettled
    }) {
        Action::Retake
    } else if !last_row
        && (any(judged.spacing, &corrects)
            || any(judged.drift, &corrects)
            || judged.skew.is_some_and(corrects)
            || corrects(judged.bow))
    {
        Action::Trim
    } else {
        // After the last row there is no advance left to change.
        Action::CarryOn
    }
}

/// A correction and over how many advances it is spread.
struct Advance {
    next_mm: AdvanceTrim,
    /// Advances that take the same correction, the next one included; 0 when nothing is corrected.
    advances: u32,
    /// Greatest drift that is left when the quilt is finished, mm.
    remains_mm: f64,
}

/// The change of the next advance; `None` when nothing is known or no row is left.
fn advance(plan: &Plan, situation: &Situation, judged: &Judged, action: Action) -> Option<Advance> {
    let rows_left = rows_left(plan, situation.row);
    if action == Action::Retake || rows_left == 0 {
        return None;
    }
    let places = judged.drift.or(judged.spacing);
    let (Action::Trim | Action::ReSquare, Some(places)) = (action, places) else {
        let next_mm = AdvanceTrim::default();
        return Some(Advance {
            next_mm,
            advances: 0,
            remains_mm: 0.0,
        });
    };
    let [left, centre, right] = places.map(|place| place.deviation.value);
    if !(left + centre + right).is_finite() {
        return None;
    }
    // The straight line with the smallest greatest distance from the three places.
    let offset_mm = -((left + right) / 2.0 + centre) / 2.0;
    let half_skew_mm = -(right - left) / 2.0;

    // Set square on the bars, the quilt takes the whole skew out at once; what is spread is the rest.
    let (at_once_mm, spread_mm) = match action {
        Action::ReSquare if judged.sits_crooked() => (half_skew_mm, 0.0),
        _ => (0.0, half_skew_mm),
    };
    let greatest_mm = offset_mm.abs() + spread_mm.abs();
    let needed = (greatest_mm / judged.unseen_mm).max(1.0);
    let (advances, share) = if needed.ceil() > f64::from(rows_left) {
        (rows_left, judged.unseen_mm / greatest_mm)
    } else {
        (needed.ceil() as u32, 1.0 / needed.ceil())
    };
    let trim_at = |side: f64| share * (offset_mm + side * spread_mm) + side * at_once_mm;
    Some(Advance {
        next_mm: AdvanceTrim {
            left: trim_at(-1.0),
            centre: trim_at(0.0),
            right: trim_at(1.0),
        },
        advances,
        remains_mm: (greatest_mm * (1.0 - share * f64::from(advances))).max(0.0),
    })
}

fn rows_left(plan: &Plan, row: u32) -> u32 {
    plan.rows.saturating_sub(row)
}

#[cfg(test)]
mod tests;

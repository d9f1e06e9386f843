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
//! | 2 | trims are not enough to bring lean or drift back ([`crate::learn::resquare`]); or bow beyond its tolerance | re-square |
//! | 3 | spacing unsettled at a place: the uncertainty is too large for the tolerance, and it matters | retake |
//! | 4 | the correction rule asks for a trim ([`crate::learn::correction`]); or bow near its limit | trim |
//! | 5 | otherwise | carry on |
//!
//! Why so:
//!
//! - Only spacing calls for a retake, because a better photo betters it; as far as the hand's own straying makes it
//!   uncertain none does, and such a place counts as near the limit. Drift is known as well as
//!   all its gaps together, and a retake of the last photo does not help; an unsettled drift, skew or
//!   bow is said in the reasons and decides nothing.
//! - Re-square is real work, but a quilt that leans shows for good: it needs a fault that is four times more
//!   likely than none. A trim costs nothing, but correcting
//!   chance errors doubles their variance (Deming 1986, rule 2 of the funnel), so what is trimmed is
//!   what the filter makes of all gaps so far, not the last one.
//! - A roller is straight, so bow cannot be rolled out: the middle is slack or tight and has to be set
//!   again.
//!
//! A gap that is off is said even when nothing is to be done about it: the one advance is past.
//!
//! Row 1 is the datum: it has no gap, so only its own bow and missed parts are judged; a trim then comes from the
//! quilter's earlier quilts ([`crate::learn::earlier`]), where the plan holds any. A row whose
//! chain of gaps to row 1 is broken is judged by its own gap, as if the row above lay on the plan.

pub mod conformity;
pub mod reasons;
pub mod words;

use crate::gap::{self, MissingGap, RowPosition};
use crate::learn::correction::{Correction, Limits, Weights, correct, step_mm};
use crate::learn::resquare::{ReSquare, re_square};
use crate::learn::state::{Advised, QuiltState, advances};
use crate::plan::Plan;
use crate::record::{
    Action, AdvanceTrim, GapRecord, Record, RowRecord, SpacingRecord, VerdictRecord,
};
use crate::units::Uncertain;
use conformity::{Finding, guard_band, judge};
use words::capital;

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
    /// Drift and bias as the filter sees them.
    pub state: QuiltState,
    /// What the measuring noticed.
    pub warnings: &'a [Warning],
    /// The part of the gap's u at left, centre and right, mm, that the hand's straying makes and a better photo would leave.
    pub hand_u_mm: [f64; 3],
}

impl<'a> Situation<'a> {
    /// Gathers the situation of a just measured row.
    ///
    /// `gaps_in_photo` are the gaps of this check; `gaps_of_quilt` those the journal holds (without
    /// this check's), oldest first; `trims` what was advised for the advance to a row.
    pub fn new(
        plan: &Plan,
        measured: &'a RowRecord,
        gaps_in_photo: &'a [GapRecord],
        gaps_of_quilt: &[GapRecord],
        trims: &[Advised],
        warnings: &'a [Warning],
    ) -> Self {
        let row = measured.row;
        let all = gap::joined(gaps_of_quilt, gaps_in_photo, row);
        let gap = gaps_in_photo.iter().rev().find(|gap| gap.to_row == row);
        let position = gap::position(plan, &all, row);
        Situation {
            row,
            measured,
            gap,
            state: state(plan, &all, trims, measured, gap, position.is_ok()),
            position,
            warnings,
            hand_u_mm: [0.0; 3],
        }
    }
}

/// What the filter makes of the gaps. When the chain to row 1 is broken, the row above is taken to lie on
/// the plan, and only the bias is learned from the rest.
fn state(
    plan: &Plan,
    gaps: &[GapRecord],
    trims: &[Advised],
    measured: &RowRecord,
    gap: Option<&GapRecord>,
    unbroken: bool,
) -> QuiltState {
    let places = gap.and_then(gap::places);
    // Left and right are the ends of what is seen, of row 1 as of every gap.
    let seen_mm = measured.seen_to_mm - measured.seen_from_mm;
    let without_gap = if measured.row == 1 {
        seen_mm
    } else {
        plan.width_mm
    };
    let half_width_mm = places.map_or(without_gap / 2.0, |[l, _, r]| (r.x_mm - l.x_mm) / 2.0);
    let advances = advances(plan, gaps, trims, measured.row, half_width_mm);
    let state = QuiltState::of(plan, &advances, half_width_mm);
    match (unbroken, gap, places) {
        (false, Some(gap), Some(places)) => {
            let own = places.map(|p| Uncertain {
                value: p.value - plan.spacing_mm,
                u: p.u,
            });
            state.with_drift(own, gap.skew_mm_per_m.u)
        }
        _ => state,
    }
}

/// Decides what to do next; the rules are in the [module](self)'s description.
pub fn decide(plan: &Plan, situation: &Situation) -> VerdictRecord {
    let judged = Judged::new(plan, situation);
    let correction = correction(plan, situation, &judged);
    let squares = squares(plan, situation, &judged, &correction);
    let action = choose(plan, situation, &judged, &correction, squares);
    let advance = advance(plan, situation, &judged, action, correction, squares);
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
    caution_for(record.verdict.action)
}

/// The caution to show with what is asked for.
pub fn caution_for(action: Action) -> &'static str {
    match action {
        Action::Retake => PHOTO_CAUTION,
        Action::CarryOn | Action::Trim | Action::ReSquare => CAUTION,
    }
}

/// The verdict in plain words, for the first line of every report.
///
/// What comes before an advance comes first, as in the reasons.
pub fn headline(record: &Record) -> String {
    let then = match record.verdict.action {
        Action::CarryOn => "carry on",
        Action::Trim => "trim the next advance",
        Action::ReSquare => "re-square before the next row",
        Action::Retake => return "Retake the photo".to_owned(),
    };
    match record.rows.last() {
        Some(row) if !row.missed.is_empty() => format!("Stitch the missed part, then {then}"),
        Some(row) if !row.off_design.is_empty() => {
            format!("Look at what lies off the design, then {then}")
        }
        _ => capital(then),
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

    /// Unsettled is what a better photo would settle; where the hand's straying alone leaves it open, it is near the limit.
    fn settled_by_a_better_photo(self, limit: f64, hand_u: f64) -> Self {
        let Uncertain { value, u } = self.deviation;
        let photo = Uncertain {
            value,
            u: (u * u - hand_u * hand_u).max(0.0).sqrt(),
        };
        match (self.finding, judge(photo, limit)) {
            (Finding::Unsettled, Finding::Unsettled) => self,
            (Finding::Unsettled, _) => Judgement {
                finding: Finding::Near,
                ..self
            },
            _ => self,
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
        let spacing = places.map(|places| {
            std::array::from_fn(|k| {
                let judged = Judgement::new(from_plan(places[k]), tolerance.spacing_mm);
                judged.settled_by_a_better_photo(tolerance.spacing_mm, situation.hand_u_mm[k])
            })
        });
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
        let unseen_mm = unseen_mm(plan, largest_u);
        Judged {
            spacing,
            drift,
            skew,
            bow,
            half_width_mm,
            unseen_mm,
        }
    }

    fn limits(&self, plan: &Plan) -> Limits {
        limits(plan, self.half_width_mm, self.unseen_mm)
    }

    fn is_slack_or_tight(&self) -> bool {
        self.bow.finding == Finding::Beyond
    }
}

fn choose(
    plan: &Plan,
    situation: &Situation,
    judged: &Judged,
    correction: &Correction,
    squares: Option<ReSquare>,
) -> Action {
    let gap_is_needed = situation.row > 1;
    let last_row = rows_left(plan, situation.row) == 0;
    let unsettled = judged
        .spacing
        .is_some_and(|places| places.iter().any(|s| s.finding == Finding::Unsettled));
    if situation.warnings.iter().any(|warning| warning.spoils)
        || (gap_is_needed && judged.spacing.is_none())
    {
        Action::Retake
    } else if !last_row && (squares.is_some() || judged.is_slack_or_tight()) {
        Action::ReSquare
    } else if unsettled {
        Action::Retake
    } else if !last_row && (correction.next_mm() != [0.0; 3] || judged.bow.calls_for_correction()) {
        Action::Trim
    } else {
        // After the last row there is no advance left to change.
        Action::CarryOn
    }
}

/// What the correction rule asks for; nothing where the state is no number.
fn correction(plan: &Plan, situation: &Situation, judged: &Judged) -> Correction {
    let left = rows_left(plan, situation.row);
    correct(
        &situation.state,
        left,
        Weights::default(),
        judged.limits(plan),
        step_mm(plan.unit),
    )
}

/// Whether the quilt has to be set square, and why.
fn squares(
    plan: &Plan,
    situation: &Situation,
    judged: &Judged,
    correction: &Correction,
) -> Option<ReSquare> {
    let left = rows_left(plan, situation.row);
    // Row 1 is the datum: it cannot lie crooked against itself.
    (situation.row > 1)
        .then(|| re_square(&situation.state, correction, left, judged.limits(plan)))
        .flatten()
}

/// A correction and what it leaves.
struct Advance {
    next_mm: AdvanceTrim,
    /// The trims of all advances left.
    correction: Correction,
    /// Why the quilt is set square first, if it is because of lean or drift.
    squares: Option<ReSquare>,
    /// Whether the trims advised so far seem to have been rolled.
    followed: bool,
}

/// The change of the next advance; `None` when nothing is known or no row is left.
fn advance(
    plan: &Plan,
    situation: &Situation,
    judged: &Judged,
    action: Action,
    correction: Correction,
    squares: Option<ReSquare>,
) -> Option<Advance> {
    let left = rows_left(plan, situation.row);
    if action == Action::Retake || left == 0 {
        return None;
    }
    let correction = match (action, squares) {
        // Set square on the bars, the quilt takes the whole lean out at once; what is left is the rest.
        (Action::ReSquare, Some(ReSquare::Crooked | ReSquare::Leaving)) => {
            let square = Situation {
                state: situation.state.set_square(),
                ..situation.clone()
            };
            self::correction(plan, &square, judged)
        }
        _ => correction,
    };
    let [left_mm, centre_mm, right_mm] = correction.next_mm();
    // What setting square itself turns is part of the advice.
    let turn_mm = match squares {
        Some(ReSquare::Crooked | ReSquare::Leaving) if action == Action::ReSquare => {
            situation.state.modes[1].drift_mm
        }
        _ => 0.0,
    };
    Some(Advance {
        next_mm: AdvanceTrim {
            left: left_mm + turn_mm,
            centre: centre_mm,
            right: right_mm - turn_mm,
        },
        correction,
        squares,
        followed: situation.state.followed,
    })
}

/// The most that a gap known to `u_mm` may differ from the plan without showing: its tolerance, the guard
/// band taken off, mm.
pub fn unseen_mm(plan: &Plan, u_mm: f64) -> f64 {
    let most = plan.tolerance.spacing_mm;
    (most - guard_band(u_mm)).max(most * (1.0 - conformity::LARGEST_GUARD_SHARE))
}

/// The plan's limits at ends this far from the middle.
pub fn limits(plan: &Plan, half_width_mm: f64, unseen_mm: f64) -> Limits {
    Limits {
        lean_mm: plan.tolerance.skew_mm_per_m * half_width_mm / 1000.0,
        drift_mm: plan.tolerance.drift_mm,
        unseen_mm,
    }
}

fn rows_left(plan: &Plan, row: u32) -> u32 {
    plan.rows.saturating_sub(row)
}

#[cfg(test)]
mod tests;

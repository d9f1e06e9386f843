//! `rowsight forecast`

use super::note::{ROLL, in_force, trims_rolled, value_at};
use super::{Outcome, say};
use crate::gap::{self, places};
use crate::journal::{Habit, Journal, SavedCheck, gaps_of};
use crate::learn::correction::step_mm;
use crate::learn::forecast::{Forecast, forecast};
use crate::learn::roll;
use crate::learn::state::{QuiltState, advances};
use crate::plan::Plan;
use crate::record::{Action, GapRecord};
use crate::report::Style;
use crate::units::{Uncertain, parse_positive_length};
use crate::verdict::words::{
    advance_comes_out, interval, is_nothing, length, number, signed, unit_name,
};
use crate::verdict::{CAUTION, limits, unseen_mm};
use anyhow::bail;
use clap::Args;
use std::path::PathBuf;

/// Where will the rows to come fall, and does the last one come out even?
///
/// Uses the journal; before the first row it shows the plan.
///
/// Example: rowsight forecast harvest
#[derive(Args)]
pub struct ForecastArguments {
    /// Folder of the quilt
    folder: PathBuf,
}

pub fn run(arguments: &ForecastArguments, style: Style) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    let (mut plan, design) = super::plan::load(folder)?;
    // Without a design a row takes up all of its gap.
    let design_height_mm = design.map_or(plan.spacing_mm, |d| d.height_mm());
    let (checks, habits) = match Journal::open_to_read(folder)? {
        Some(journal) => (journal.current()?, journal.habits()?),
        None => (Vec::new(), Vec::new()),
    };
    let checks: Vec<SavedCheck> = checks
        .into_iter()
        .filter(|c| c.record.verdict.action != Action::Retake)
        .collect();
    let gaps = gaps_of(&checks);
    let row = checks.last().map_or(1, |c| c.row);
    if row > plan.rows {
        bail!(
            "row {row} is in the journal, but the plan of {} has only {} rows; change `rows` in its plan.toml",
            folder.display(),
            plan.rows
        );
    }
    let state = state(&plan, &gaps, &checks, &habits, row);
    let u = gaps
        .iter()
        .filter_map(places)
        .flatten()
        .fold(0.0, |u: f64, p| u.max(p.u));
    let limits = limits(&plan, state.half_width_mm, unseen_mm(&plan, u));
    let looked = forecast(
        &plan,
        design_height_mm,
        &state,
        row,
        limits,
        step_mm(plan.unit),
    );
    let estimated = estimate_loft(&mut plan, design_height_mm, &habits);
    say(&text(
        &plan,
        design_height_mm,
        &looked,
        &state,
        checks.is_empty(),
        style,
    ));
    if let Err(missing) = gap::position(&plan, &gaps, row) {
        say(&crate::report::wrap(
            &format!("How far row {row} has drifted is known less well: {missing}."),
            "  ",
            style.width,
        ));
    }
    if let Some(text) = roll_table(&plan, design_height_mm, estimated) {
        say(&text);
    }
    say(&crate::report::wrap(CAUTION, "  ! ", style.width));
    Ok(Outcome::Fine)
}

fn state(
    plan: &Plan,
    gaps: &[GapRecord],
    checks: &[SavedCheck],
    habits: &[Habit],
    row: u32,
) -> QuiltState {
    let half_width_mm = gaps
        .last()
        .and_then(places)
        .map_or(plan.width_mm / 2.0, |[l, _, r]| (r.x_mm - l.x_mm) / 2.0);
    let trims = trims_rolled(checks, habits);
    let advances = advances(plan, gaps, &trims, row, half_width_mm);
    QuiltState::of(plan, &advances, half_width_mm)
}

/// Takes the layer's thickness from diameters that were noted, when the plan does not have it; whether it
/// did.
fn estimate_loft(plan: &mut Plan, design_height_mm: f64, habits: &[Habit]) -> bool {
    let (Some(bar), None) = (plan.roll.bar_mm, plan.roll.loft_mm) else {
        return false;
    };
    let habits = in_force(habits);
    let measured: Vec<(f64, f64)> = habits
        .iter()
        .filter(|h| h.name == ROLL)
        .filter_map(|h| {
            let diameter = parse_positive_length(value_at(&habits, ROLL, h.row)?).ok()?;
            let rolled = (plan.baseline_mm(h.row) - design_height_mm / 2.0).max(0.0);
            Some((rolled, diameter.0))
        })
        .collect();
    plan.roll.loft_mm = roll::loft_from_diameters(bar, &measured);
    plan.roll.loft_mm.is_some()
}

fn text(
    plan: &Plan,
    design_height_mm: f64,
    looked: &Forecast,
    state: &QuiltState,
    nothing_measured: bool,
    style: Style,
) -> String {
    let unit = plan.unit;
    let show = |mm: f64| length(mm, unit);
    let with = |v: Uncertain| format!("{} ± {}", number(v.value, unit), interval(v.u, unit));
    let mut text = match nothing_measured {
        true => format!(
            "FORECAST   before the first row of {} planned\n\n",
            plan.rows
        ),
        false => format!("FORECAST   after row {} of {}\n\n", looked.row, plan.rows),
    };
    let mut say = |line: &str| text += &crate::report::wrap(line, "  - ", style.width);
    if nothing_measured && !plan.earlier.is_empty() {
        let bias = state.bias_mm().map(|bias| bias.value);
        say(&format!(
            "Going by your earlier quilts, an advance of yours {}.",
            advance_comes_out(bias, unit)
        ));
    }
    // Without a design only the rows' middles are known.
    let (subject, half_mm) = match plan.has_design() {
        true => ("The design ends", 0.0),
        false => ("The last row lies", design_height_mm / 2.0),
    };
    let from_edge = |v: Uncertain| {
        let way = if v.value < 0.0 { "past" } else { "above" };
        let value = v.value.abs();
        format!(
            "{} {} {way} the last edge",
            with(Uncertain { value, ..v }),
            unit_name(unit)
        )
    };
    let middle = |v: Uncertain| Uncertain {
        value: v.value + half_mm,
        ..v
    };
    let bottom = middle(looked.free_bottom_mm);
    let no_row_is_left = looked.rows.is_empty();
    let rolled = match no_row_is_left {
        true => "",
        false => " when you roll as advised",
    };
    say(&format!(
        "{subject} {}{rolled} (at the top {} are free).",
        from_edge(bottom),
        show(looked.free_top_mm + half_mm),
    ));
    let untouched = middle(looked.free_bottom_untouched_mm);
    let differs = !is_nothing(untouched.value - bottom.value, unit);
    if differs {
        say(&format!("If you change nothing: {}.", from_edge(untouched)));
    }
    match looked.even_change_mm {
        Some(change) if !is_nothing(change, unit) => say(&format!(
            "To end as far from the last edge as you began from the first, make every gap left {} {}.",
            show(change.abs()),
            if change > 0.0 { "wider" } else { "narrower" },
        )),
        Some(_) => say("At the planned spacing it comes out even."),
        None => say("No gap is left to change."),
    }
    let rows = looked.rows_that_fit;
    let relation = match rows.cmp(&plan.rows) {
        std::cmp::Ordering::Less => format!(", {} fewer than planned", plan.rows - rows),
        std::cmp::Ordering::Equal => ", as planned".to_owned(),
        std::cmp::Ordering::Greater => format!(", {} more than planned", rows - plan.rows),
    };
    // As advised they may end elsewhere than these.
    let from = match nothing_measured || no_row_is_left {
        true => String::new(),
        false => format!(", counted from where row {} lies", looked.row),
    };
    say(&match rows {
        1 => format!("One row fits at the planned spacing{from}{relation}."),
        n => format!("{n} rows fit at the planned spacing{from}{relation}."),
    });
    if rows >= looked.row && looked.partial_row > 0.05 && plan.has_design() {
        say(&format!(
            "Below them {} of a further row would fit ({:.0} % of the design's height).",
            show(looked.partial_row * design_height_mm),
            100.0 * looked.partial_row,
        ));
    }
    if !state.followed {
        say("The gaps look as if the trims advised so far had not been rolled.");
    }
    if !no_row_is_left {
        let heading = format!("Row ({} below the first edge)", unit_name(unit));
        let lines: Vec<Vec<String>> = looked
            .rows
            .iter()
            .map(|ahead| {
                let planned = plan.baseline_mm(ahead.row);
                let off = ahead.untouched_mm[1].value - planned;
                let mut cells = vec![ahead.row.to_string(), number(planned, unit)];
                cells.push(with(ahead.corrected_mm[1]));
                cells.push(with(ahead.untouched_mm[1]));
                cells.push(signed(off, unit));
                cells
            })
            .collect();
        text.push('\n');
        text += &crate::report::plain(
            &[&heading, "plan", "as advised", "untouched", "off plan"],
            &lines,
        );
        text += &crate::report::wrap(
            "In the middle of the quilt; ± is a 95 % interval. Off plan: + is further down.",
            "  ",
            style.width,
        );
    }
    text
}

fn roll_table(plan: &Plan, design_height_mm: f64, estimated: bool) -> Option<String> {
    let rows = roll::at_rows(plan, design_height_mm)?;
    let unit = plan.unit;
    let mut text = String::from("\n");
    if estimated {
        text += &format!(
            "  One layer is {} thick, from the diameters noted\n",
            length(plan.roll.loft_mm?, unit)
        );
    }
    let lines: Vec<Vec<String>> = rows
        .iter()
        .map(|at| {
            vec![
                at.row.to_string(),
                number(at.rolled_mm, unit),
                number(at.diameter_mm, unit),
                at.free_mm.map_or("-".to_owned(), |mm| number(mm, unit)),
                number(at.turn_mm, unit),
                at.free_mm.map_or(String::new(), |mm| {
                    if mm < design_height_mm {
                        "too little"
                    } else {
                        ""
                    }
                    .to_owned()
                }),
            ]
        })
        .collect();
    let heading = format!("Roll at row ({})", unit_name(unit));
    text += &crate::report::plain(
        &[
            &heading,
            "rolled",
            "across",
            "depth left",
            "one turn moves",
            "",
        ],
        &lines,
    );
    Some(text)
}

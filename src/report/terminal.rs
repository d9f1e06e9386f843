//! A finished check as text for a terminal of 80 columns: the verdict first, then what to roll, then
//! the measurements. Everything can be read without colour.

use super::Style;
use super::table::{plain, wrap};
use crate::gap::distortion::skew_percent;
use crate::plan::Plan;
use crate::record::{
    Action, At, DriftRecord, GapRecord, PhotoRecord, Record, RowRecord, SIDE_MM, XOrigin,
};
use crate::units::{LengthUnit, Uncertain};
use crate::verdict::words::{
    K_95, beside, interval, length, never_nothing, number, signed, unit_name,
};
use crate::verdict::{caution, headline};

const BLUE: &str = "\x1b[1;37;44m";
const YELLOW: &str = "\x1b[1;30;43m";
const RED: &str = "\x1b[1;37;41m";
const PLAIN: &str = "\x1b[0m";
/// All codes that a terminal is given.
pub(crate) const CODES: [&str; 4] = [BLUE, YELLOW, RED, PLAIN];

/// Writes a finished check; lengths in the plan's unit, intervals 95 %.
pub fn terminal(record: &Record, plan: &Plan, style: Style) -> String {
    let style = Style {
        width: style.width.max(40),
        ..style
    };
    let newest = record.rows.last();
    let mut text = first_line(record, plan, newest, style);
    text.push('\n');
    for reason in &record.verdict.reasons {
        text += &wrap(reason, "  - ", style.width);
    }
    let tables = [
        next_advance(record, plan),
        gaps(&record.gaps, plan),
        rows(&record.rows, plan),
        drift(&record.drift, newest, plan),
    ];
    for table in tables.into_iter().flatten() {
        text.push('\n');
        text += &table;
    }
    text.push('\n');
    for photo in &record.photos {
        text += &wrap(&photo_line(photo), "  ", style.width);
    }
    text += &wrap(&legend(&record.rows, plan), "  ", style.width);
    text.push('\n');
    text += &wrap(caution(record), "  ! ", style.width);
    text
}

/// The verdict, set off by capitals, and by colour where there is colour.
fn first_line(record: &Record, plan: &Plan, newest: Option<&RowRecord>, style: Style) -> String {
    let verdict = headline(record).to_uppercase();
    let of_row = newest.map_or(String::new(), |row| {
        format!("   row {} of {}", row.row, plan.rows)
    });
    // Bold, and background colours that differ in brightness too; reset at the end.
    let (start, end) = match (style.colour, record.verdict.action) {
        (false, _) => ("", ""),
        (true, Action::CarryOn) => (BLUE, PLAIN),
        (true, Action::Trim) => (YELLOW, PLAIN),
        (true, Action::ReSquare | Action::Retake) => (RED, PLAIN),
    };
    let bar = if style.colour { " " } else { "" };
    format!("{start}{bar}{verdict}{bar}{end}{of_row}\n")
}

fn next_advance(record: &Record, plan: &Plan) -> Option<String> {
    let trim = record.verdict.next_advance_mm?;
    let sides = [trim.left, trim.centre, trim.right];
    let unit = unit_name(plan.unit);
    let heading = match record.verdict.action {
        Action::ReSquare => format!("Squaring and next advance ({unit})"),
        _ => format!("Next advance ({unit})"),
    };
    let change = sides.map(|mm| signed(mm, plan.unit));
    let roll = sides.map(|mm| number(plan.spacing_mm + mm, plan.unit));
    Some(plain(
        &[&heading, "left", "centre", "right"],
        &[
            labelled("roll on by", roll),
            labelled("against the plan", change),
        ],
    ))
}

fn gaps(gaps: &[GapRecord], plan: &Plan) -> Option<String> {
    let unit = plan.unit;
    let heading = format!("Gap ({})", unit_name(unit));
    let spacing = |gap: &GapRecord, at: At| {
        gap.spacing
            .iter()
            .find(|place| place.at == at)
            .map_or("-".to_owned(), |place| {
                with_interval(place.value, place.u, unit)
            })
    };
    let spacings: Vec<Vec<String>> = gaps
        .iter()
        .map(|gap| {
            let mut cells = vec![between(gap), number(gap.plan_mm, unit)];
            cells.extend([At::Left, At::Centre, At::Right].map(|at| spacing(gap, at)));
            cells
        })
        .collect();
    let shapes: Vec<Vec<String>> = gaps
        .iter()
        .map(|gap| {
            let Uncertain { value, u } = gap.skew_mm_per_m;
            let clearance = gap.clearance_mm.map_or("-".to_owned(), |clearance| {
                with_interval(clearance.value, clearance.u, unit)
            });
            vec![
                between(gap),
                skew_with_side(value, u),
                with_interval(gap.bow_mm.value, gap.bow_mm.u, unit),
                clearance,
                gap.clearance_x_mm
                    .map_or("-".to_owned(), |x| beside(x, unit)),
                gap.plan_clearance_mm
                    .map_or("-".to_owned(), |mm| number(mm, unit)),
            ]
        })
        .collect();
    (!gaps.is_empty()).then(|| {
        plain(&[&heading, "plan", "left", "centre", "right"], &spacings)
            + "\n"
            + &plain(
                &[&heading, "skew %", "bow", "closest", "at", "planned"],
                &shapes,
            )
    })
}

fn rows(rows: &[RowRecord], plan: &Plan) -> Option<String> {
    let unit = plan.unit;
    let heading = format!("Row ({})", unit_name(unit));
    let cells = |row: &RowRecord| {
        vec![
            row.row.to_string(),
            skew_with_side(row.slope_mm_per_m.value, row.slope_mm_per_m.u),
            with_interval(row.bow_mm.value, row.bow_mm.u, unit),
            with_interval(row.shift_mm.value, row.shift_mm.u, unit),
            never_nothing(row.wobble_mm, unit),
            format!("{:.0} %", (100.0 * row.coverage).floor()),
            missed(row, unit),
        ]
    };
    let lines: Vec<Vec<String>> = rows.iter().map(cells).collect();
    let heading = [
        heading.as_str(),
        "slope %",
        "bow",
        "shift",
        "wobble",
        "found",
        "missed",
    ];
    (!rows.is_empty()).then(|| plain(&heading, &lines))
}

fn drift(drift: &[DriftRecord], newest: Option<&RowRecord>, plan: &Plan) -> Option<String> {
    let newest = newest?.row;
    let drift = drift
        .iter()
        .find(|drift| drift.row == newest)
        .filter(|drift| drift.row > 1)?;
    let heading = format!("Drift since row 1 ({})", unit_name(plan.unit));
    let sides =
        [drift.left, drift.centre, drift.right].map(|side| signed_with_interval(side, plan.unit));
    Some(plain(
        &[&heading, "left", "centre", "right"],
        &[labelled(&format!("row {newest}"), sides)],
    ))
}

fn photo_line(photo: &PhotoRecord) -> String {
    let cards = if photo.cards.is_empty() {
        "no card".to_owned()
    } else {
        photo.cards.join(", ")
    };
    format!(
        "{}: {cards}; {} corners, {:.2} px from the plane; {:.2} mm per pixel.",
        photo.path, photo.corners, photo.residual_px, photo.mm_per_px
    )
}

fn legend(rows: &[RowRecord], plan: &Plan) -> String {
    let newest = rows.last();
    let half = plan.width_mm / 2.0;
    let sides = match newest.filter(|row| row.x_origin == XOrigin::Quilt) {
        Some(row)
            if (row.seen_from_mm + half).abs() <= SIDE_MM
                && (row.seen_to_mm - half).abs() <= SIDE_MM =>
        {
            "Left, centre and right are the quilt's ends and middle.".to_owned()
        }
        Some(row) => {
            let place = |mm: f64| {
                let side = if mm < 0.0 { "left" } else { "right" };
                format!("{} {side}", length(mm.abs(), plan.unit))
            };
            format!(
                "Left, centre and right are the ends and the middle of what is seen: from {} to {} of the quilt's middle.",
                place(row.seen_from_mm),
                place(row.seen_to_mm)
            )
        }
        None => "Left, centre and right are the ends and the middle of what is seen.".to_owned(),
    };
    // Along the line a missed part is longer.
    let missed = match rows.iter().any(|row| !row.missed.is_empty()) {
        true => " Missed: over how much of the row's width.",
        false => "",
    };
    format!("{sides} ± is a 95 % interval. Drift and bow: + is further down the quilt.{missed}")
}

fn between(gap: &GapRecord) -> String {
    format!("{} to {}", gap.from_row, gap.to_row)
}

fn labelled<const N: usize>(label: &str, cells: [String; N]) -> Vec<String> {
    std::iter::once(label.to_owned()).chain(cells).collect()
}

/// Whether this is what all is counted from, and nought but for rounding.
fn is_datum(value: f64, u: f64) -> bool {
    value.abs() < 1e-6 && u < 1e-6
}

/// A length with its interval; what is nought because all is counted from it has none.
pub(crate) fn with_interval(mm: f64, u_mm: f64, unit: LengthUnit) -> String {
    if is_datum(mm, u_mm) {
        return "0".to_owned();
    }
    format!("{} ± {}", number(mm, unit), interval(u_mm, unit))
}

/// A change with its sign and its interval; nought as in [`with_interval`].
pub(crate) fn signed_with_interval(v: Uncertain, unit: LengthUnit) -> String {
    if is_datum(v.value, v.u) {
        return "0".to_owned();
    }
    format!("{} ± {}", signed(v.value, unit), interval(v.u, unit))
}

/// A slope as percent of the width, with the end that lies further down: `0.12 ± 0.05 right`.
pub(super) fn skew_with_side(mm_per_m: f64, u: f64) -> String {
    let percent = format!("{:.2}", skew_percent(mm_per_m));
    if is_datum(mm_per_m, u) {
        return "0".to_owned();
    }
    let side = match mm_per_m {
        _ if percent == "0.00" => "",
        down if down > 0.0 => " right",
        _ => " left",
    };
    format!("{percent} ± {:.2}{side}", K_95 * skew_percent(u))
}

/// What was missed; where nothing was, how far the row was stitched off the design.
fn missed(row: &RowRecord, unit: LengthUnit) -> String {
    let off = row.off_design.iter().map(|part| part.off_mm);
    match row.missed[..] {
        [] if !row.off_design.is_empty() => {
            format!("off {}", number(off.fold(0.0, f64::max), unit))
        }
        [] => "none".to_owned(),
        [one] => length(one.to_mm - one.from_mm, unit),
        _ => format!("{} parts", row.missed.len()),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::plan::Tolerance;
    use crate::record::{AdvanceTrim, SCHEMA, SpacingRecord, Stretch, VerdictRecord};

    /// A check with every part filled in; invented numbers.
    pub(crate) fn example(unit: LengthUnit) -> (Record, Plan) {
        let plan = Plan {
            unit,
            width_mm: 2133.6,
            length_mm: 2438.4,
            design_file: "meander.svg".into(),
            repeat_mm: 254.0,
            spacing_mm: 152.4,
            stagger: 0.5,
            rows: 16,
            first_row_mm: 76.2,
            card_bar_mm: 149.6,
            tolerance: Tolerance {
                spacing_mm: 3.175,
                drift_mm: 6.35,
                skew_mm_per_m: 3.0,
                bow_mm: 3.175,
            },
            roll: Default::default(),
            earlier: Vec::new(),
        };
        let uncertain = |value, u| Uncertain { value, u };
        let row = |row, offset, missed| RowRecord {
            row,
            x_origin: XOrigin::View,
            seen_from_mm: -610.0,
            seen_to_mm: 590.0,
            offset_mm: uncertain(offset, 0.1),
            slope_mm_per_m: uncertain(-1.2, 0.3),
            bow_mm: uncertain(0.6, 0.3),
            shift_mm: uncertain(-127.0, 0.6),
            wobble_mm: 1.1,
            coverage: 0.987,
            missed,
            missed_in_photo: Vec::new(),
            off_design: Vec::new(),
            chance: None,
        };
        let gap = |from_row, spacing: [f64; 3]| GapRecord {
            from_row,
            to_row: from_row + 1,
            plan_mm: 152.4,
            clearance_mm: Some(uncertain(12.1, 0.5)),
            plan_clearance_mm: Some(12.7),
            clearance_x_mm: Some(-212.7),
            clearance_row: Some(7),
            spacing: [(At::Left, -600.0), (At::Centre, 0.0), (At::Right, 600.0)]
                .into_iter()
                .zip(spacing)
                .map(|((at, x_mm), value)| SpacingRecord {
                    at,
                    x_mm,
                    value,
                    u: 0.25,
                })
                .collect(),
            skew_mm_per_m: uncertain(1.9, 0.3),
            bow_mm: uncertain(0.1, 0.25),
        };
        let record = Record {
            schema: SCHEMA.into(),
            photos: vec![PhotoRecord {
                path: "photos/row-07-from-the-back-of-the-frame-with-a-rather-long-name.jpg".into(),
                cards: vec!["sheet 1".into(), "strip 3".into()],
                corners: 118,
                residual_px: 0.061,
                mm_per_px: 0.412,
                sha256: String::new(),
            }],
            rows: vec![
                row(6, -154.0, Vec::new()),
                row(7, 0.0, vec![Stretch { from_mm: 310.0, to_mm: 355.0 }]),
            ],
            gaps: vec![gap(6, [152.9, 154.4, 155.2])],
            drift: vec![DriftRecord {
                row: 7,
                left: uncertain(0.5, 0.6),
                centre: uncertain(1.5, 0.6),
                right: uncertain(2.5, 0.6),
            }],
            verdict: VerdictRecord {
                action: Action::Trim,
                reasons: vec![
                    "Gap 6-7 is too wide: 1/8 in at the right (± 1/32 in; the plan accepts 1/8 in)."
                        .into(),
                    "Roll the next advance 1/32 in less at the left, 1/16 in less at the centre and \
                     3/32 in less at the right than planned."
                        .into(),
                ],
                next_advance_mm: Some(AdvanceTrim { left: -0.5, centre: -1.5, right: -2.5 }),
            },
        };
        (record, plan)
    }

    #[test]
    fn every_line_fits_80_columns_in_both_units() {
        for unit in [LengthUnit::Inch, LengthUnit::Millimetre] {
            let (record, plan) = example(unit);
            for line in terminal(&record, &plan, Style::default()).lines() {
                assert!(line.chars().count() <= 80, "{line}");
            }
        }
    }

    #[test]
    fn the_first_line_is_the_verdict_and_no_colour_means_no_escape_codes() {
        let (mut record, plan) = example(LengthUnit::Inch);
        record.rows[1].missed.clear();
        let text = terminal(&record, &plan, Style::default());
        assert_eq!(
            text.lines().next(),
            Some("TRIM THE NEXT ADVANCE   row 7 of 16")
        );
        assert!(!text.contains('\x1b'));
        let coloured = terminal(
            &record,
            &plan,
            Style {
                colour: true,
                ..Style::default()
            },
        );
        assert!(coloured.starts_with("\x1b["));
        assert_eq!(
            coloured.matches('\x1b').count(),
            2,
            "the verdict alone is coloured"
        );
    }

    /// The amounts a quilter sets by, read from the text by hand: 6 in plan, 1/32 in less and so on.
    #[test]
    fn amounts_for_the_next_advance_stand_under_left_centre_and_right() {
        let (record, plan) = example(LengthUnit::Inch);
        let text = terminal(&record, &plan, Style::default());
        let words = |line: &str| line.split_whitespace().collect::<Vec<_>>().join(" ");
        let line = |start: &str| {
            text.lines()
                .map(words)
                .find(|line| line.starts_with(start))
                .expect(start)
        };
        assert_eq!(line("roll on by"), "roll on by 5 31/32 5 15/16 5 29/32");
        assert_eq!(
            line("against the plan"),
            "against the plan -1/32 -1/16 -3/32"
        );
        assert_eq!(
            line("6 to 7 6"),
            "6 to 7 6 6 1/32 ± 1/32 6 3/32 ± 1/32 6 1/8 ± 1/32"
        );
    }

    #[test]
    fn a_missed_part_is_said_to_be_measured_across_the_row() {
        let (mut record, plan) = example(LengthUnit::Inch);
        let says = |record: &Record| {
            let text = terminal(record, &plan, Style::default());
            let words: Vec<&str> = text.split_whitespace().collect();
            words
                .join(" ")
                .contains("Missed: over how much of the row's width.")
        };
        assert!(says(&record));
        record.rows[1].missed.clear();
        assert!(!says(&record));
    }

    #[test]
    fn the_caution_is_always_there() {
        let (mut record, plan) = example(LengthUnit::Inch);
        for action in [
            Action::CarryOn,
            Action::Trim,
            Action::ReSquare,
            Action::Retake,
        ] {
            record.verdict.action = action;
            let text = terminal(&record, &plan, Style::default());
            assert!(text.contains("machine stopped, hands clear"), "{action:?}");
        }
    }

    #[test]
    fn a_retake_shows_no_amounts_to_roll() {
        let (mut record, plan) = example(LengthUnit::Inch);
        record.verdict.action = Action::Retake;
        record.verdict.next_advance_mm = None;
        record.gaps.clear();
        record.drift.clear();
        let text = terminal(&record, &plan, Style::default());
        assert!(text.starts_with("RETAKE THE PHOTO"));
        assert!(!text.contains("roll on by"), "{text}");
    }
}

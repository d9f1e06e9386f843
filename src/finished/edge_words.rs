//! What is seen of a finished quilt's edges, in a quilter's words.

use super::record::{EdgesRecord, FinishedRecord, FromEdge, ToldBy};
use crate::record::SpacingRecord;
use crate::units::{LengthUnit, Uncertain};
use crate::verdict::words::{
    K_95, interval, is_nothing, length, list, number, side, signed, unit_name,
};

/// Planned margins, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlannedMargins {
    /// From the top edge to row 1.
    pub above_first_mm: f64,
    /// From the last row to the bottom edge.
    pub below_last_mm: f64,
}

impl PlannedMargins {
    /// Of a quilt `length_mm` long with `rows` rows `spacing_mm` apart, the first one `first_row_mm` below its edge.
    pub fn new(length_mm: f64, first_row_mm: f64, rows: u32, spacing_mm: f64) -> PlannedMargins {
        let last_mm = first_row_mm + (f64::from(rows) - 1.0) * spacing_mm;
        PlannedMargins {
            above_first_mm: first_row_mm,
            below_last_mm: length_mm - last_mm,
        }
    }
}

/// What is known of the edges, one sentence each; none when they were not looked for.
pub fn edges(record: &FinishedRecord, planned: PlannedMargins, unit: LengthUnit) -> Vec<String> {
    let Some(edges) = &record.edges else {
        return Vec::new();
    };
    let shrunk = |mm: f64| mm * (1.0 + record.shrinkage.down.value);
    let last = record.rows.last().map_or(0, |r| r.row);
    let margin = |which: &str, at: &[SpacingRecord], planned_mm: Option<f64>| {
        let planned = planned_mm.map_or(String::new(), |mm| {
            format!(
                "; the plan, drawn in as the quilt is, has {}",
                length(shrunk(mm), unit)
            )
        });
        (!at.is_empty()).then(|| format!("{which} {}{planned}.", places(at, unit)))
    };
    let below = (last == record.plan_rows).then_some(planned.below_last_mm);
    [
        margin(
            "From the top edge to row 1 there are",
            &edges.above_first,
            Some(planned.above_first_mm),
        ),
        margin(
            &format!("From row {last} to the bottom edge there are"),
            &edges.below_last,
            below,
        ),
        size(edges, unit),
        edges.diagonals_differ_mm.map(|d| square(d, unit)),
        record.drift_from_edge.as_ref().and_then(|d| drift(d, unit)),
        not_seen(edges),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// `5 in at the left, 5 1/8 in at the centre, … (± 1/8)`.
fn places(at: &[SpacingRecord], unit: LengthUnit) -> String {
    let all: Vec<String> = (at.iter())
        .map(|s| format!("{} at the {}", length(s.value, unit), side(s.at)))
        .collect();
    let widest = at.iter().map(|s| s.u).fold(0.0, f64::max);
    format!("{} (± {})", list(&all), interval(widest, unit))
}

fn size(edges: &EdgesRecord, unit: LengthUnit) -> Option<String> {
    let named = [
        (edges.width_at_top_mm, "wide at the top"),
        (edges.width_at_bottom_mm, "wide at the bottom"),
        (edges.length_at_left_mm, "long at the left"),
        (edges.length_at_right_mm, "long at the right"),
    ];
    let known: Vec<(Uncertain, &str)> = named
        .iter()
        .filter_map(|(v, how)| Some(((*v)?, *how)))
        .collect();
    let widest = known.iter().map(|(v, _)| v.u).fold(0.0, f64::max);
    let all: Vec<String> = (known.iter())
        .map(|(v, how)| format!("{} {how}", length(v.value, unit)))
        .collect();
    (!all.is_empty()).then(|| {
        format!(
            "From edge to edge the quilt is {} (± {}).",
            list(&all),
            interval(widest, unit)
        )
    })
}

fn square(differ: Uncertain, unit: LengthUnit) -> String {
    let by = format!(
        "{} ± {} {}",
        number(differ.value.abs(), unit),
        interval(differ.u, unit),
        unit_name(unit)
    );
    if differ.value.abs() <= K_95 * differ.u || is_nothing(differ.value, unit) {
        return format!(
            "Its two diagonals are equal as far as can be told ({by} apart), so it is square."
        );
    }
    let way = if differ.value > 0.0 { "left" } else { "right" };
    format!("Its two diagonals differ by {by}: the top is pushed to the {way} against the bottom.")
}

fn drift(from_edge: &FromEdge, unit: LengthUnit) -> Option<String> {
    let (first, last) = (from_edge.rows.first()?, from_edge.rows.last()?);
    let by = match from_edge.told_by {
        ToldBy::Photos => "as seen",
        ToldBy::Cards => "as told by the cards' places",
    };
    let at = |v: Uncertain| format!("{} ± {}", signed(v.value, unit), interval(v.u, unit));
    let mut said = format!(
        "Counted from the top edge, {by}, instead of row 1, the middle of row {} lies {}",
        first.row,
        at(first.centre)
    );
    if last.row != first.row {
        said += &format!(" and that of row {} {}", last.row, at(last.centre));
    }
    Some(format!(
        "{said} {} off its place (+ too low), for a quilt that has shrunk as this one.",
        unit_name(unit)
    ))
}

fn not_seen(edges: &EdgesRecord) -> Option<String> {
    let sides = [
        (edges.top.is_none(), "top"),
        (edges.bottom.is_none(), "bottom"),
        (edges.left.is_none(), "left"),
        (edges.right.is_none(), "right"),
    ];
    let missing: Vec<&str> = sides.iter().filter(|s| s.0).map(|s| s.1).collect();
    let (s, are) = if missing.len() == 1 {
        ("", "is")
    } else {
        ("s", "are")
    };
    (!missing.is_empty()).then(|| {
        format!(
            "The {} edge{s} of the quilt {are} not seen clearly enough, so nothing is said of what lies between the rows \
             and {}; a hand's breadth of floor of another tone than the binding has to be in view beyond an edge.",
            list(&missing),
            if missing.len() == 1 { "it" } else { "them" },
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::At;
    use LengthUnit::{Inch, Millimetre};

    fn about(value: f64, u: f64) -> Uncertain {
        Uncertain { value, u }
    }

    #[test]
    fn an_edge_that_is_not_clear_is_said_to_be_not_seen() {
        let said = not_seen(&EdgesRecord::default()).unwrap();
        assert!(said.contains("top, bottom, left and right edges"), "{said}");
    }

    #[test]
    fn margins_name_their_places_and_the_widest_interval() {
        let at = |at, value, u| SpacingRecord {
            at,
            x_mm: 0.0,
            value,
            u,
        };
        let three = [
            at(At::Left, 127.0, 0.4),
            at(At::Centre, 130.175, 0.3),
            at(At::Right, 130.175, 0.3),
        ];
        let said = places(&three, Inch);
        assert_eq!(
            said,
            "5 in at the left, 5 1/8 in at the centre and 5 1/8 in at the right (± 1/32)"
        );
    }

    #[test]
    fn a_difference_of_the_diagonals_within_its_interval_is_no_finding() {
        assert!(square(about(3.0, 2.0), Millimetre).contains("equal as far as can be told"));
        let pushed = square(about(-9.0, 2.0), Millimetre);
        assert!(
            pushed.contains("differ by 9.0 ± 4.0 mm: the top is pushed to the right"),
            "{pushed}"
        );
    }
}

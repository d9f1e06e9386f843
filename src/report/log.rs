//! The rows of a quilt so far, one line each.

use super::Style;
use super::table::{plain, wrap};
use super::terminal::{signed_with_interval, with_interval};
use crate::gap::places;
use crate::plan::Plan;
use crate::record::{Action, Record};
use crate::verdict::words::unit_name;

/// One check in the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct LogEntry<'a> {
    /// When it was saved, local time.
    pub saved: jiff::civil::DateTime,
    /// The check.
    pub record: &'a Record,
    /// Whether it still counts.
    pub standing: Standing,
    /// Notes added to it.
    pub notes: &'a [String],
}

/// Whether a check in the journal still counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// It counts.
    Current,
    /// A later photo of the same row took its place.
    Retaken,
    /// It was taken back.
    Undone,
}

/// Writes the journal as a table, one line per check in the order given; notes stand below it.
/// Lengths in the plan's unit.
pub fn log_table(entries: &[LogEntry], plan: &Plan, style: Style) -> String {
    if entries.is_empty() {
        return "No row has been checked yet.\n".to_owned();
    }
    let gap = format!("gap ({})", unit_name(plan.unit));
    let drift = format!("drift ({})", unit_name(plan.unit));
    let lines: Vec<Vec<String>> = entries.iter().map(|entry| line(entry, plan)).collect();
    let mut text = plain(
        &["Row", "saved", "verdict", &gap, &drift, "missed", ""],
        &lines,
    );
    text += &wrap(
        "Gap to the row above and drift since row 1, in the middle; ± is a 95 % interval.",
        "  ",
        style.width,
    );
    for (entry, note) in entries
        .iter()
        .flat_map(|e| e.notes.iter().map(move |note| (e, note)))
    {
        let row = entry.record.rows.last().map_or(0, |row| row.row);
        text += &wrap(note, &format!("  row {row}: "), style.width);
    }
    text
}

fn line(entry: &LogEntry, plan: &Plan) -> Vec<String> {
    let unit = plan.unit;
    let newest = entry.record.rows.last();
    let row = newest.map(|row| row.row);
    let gap = entry
        .record
        .gaps
        .iter()
        .find(|gap| Some(gap.to_row) == row)
        .and_then(places);
    let gap = gap.map(|[_, at, _]| with_interval(at.value, at.u, unit));
    let drift = entry
        .record
        .drift
        .iter()
        .find(|drift| Some(drift.row) == row)
        .map(|d| d.centre);
    let drift = drift.map(|at| signed_with_interval(at, unit));
    let missed = newest.map(|row| row.missed.len());
    let standing = match entry.standing {
        Standing::Current => "",
        Standing::Retaken => "retaken",
        Standing::Undone => "undone",
    };
    let or_dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    vec![
        or_dash(row.map(|row| row.to_string())),
        entry.saved.strftime("%Y-%m-%d %H:%M").to_string(),
        action(entry.record.verdict.action).to_owned(),
        or_dash(gap),
        or_dash(drift),
        or_dash(missed.map(|parts| {
            if parts == 0 {
                "none".into()
            } else {
                parts.to_string()
            }
        })),
        standing.to_owned(),
    ]
}

pub(crate) fn action(action: Action) -> &'static str {
    match action {
        Action::CarryOn => "carry on",
        Action::Trim => "trim",
        Action::ReSquare => "re-square",
        Action::Retake => "retake",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::terminal::tests::example;
    use crate::units::LengthUnit;

    #[test]
    fn every_check_is_one_line_of_at_most_80_columns_and_notes_follow() {
        let (record, plan) = example(LengthUnit::Inch);
        let notes = ["thread broke".to_owned()];
        let saved = jiff::civil::date(2026, 5, 3).at(14, 5, 0, 0);
        let entry = |standing, notes| LogEntry {
            saved,
            record: &record,
            standing,
            notes,
        };
        let entries = [
            entry(Standing::Retaken, &[]),
            entry(Standing::Current, &notes),
        ];
        let text = log_table(&entries, &plan, Style::default());
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        let words = |line: &str| line.split_whitespace().collect::<Vec<_>>().join(" ");
        let lines: Vec<String> = text.lines().map(words).collect();
        assert_eq!(
            lines[1],
            "7 2026-05-03 14:05 trim 6 3/32 ± 1/32 +1/16 ± 1/16 1 retaken"
        );
        assert!(!lines[2].contains("retaken"));
        assert_eq!(lines.last().unwrap(), "row 7: thread broke");
    }

    #[test]
    fn an_empty_journal_says_so() {
        let (_, plan) = example(LengthUnit::Inch);
        assert_eq!(
            log_table(&[], &plan, Style::default()),
            "No row has been checked yet.\n"
        );
    }
}

//! What the uncertainty of the newest gap rests on, as text.

use super::Style;
use super::table::{plain, wrap};
use crate::budget::Budget;
use crate::plan::Plan;
use crate::record::Record;
use crate::verdict::words::{interval, unit_name};

/// Causes worth a row of the table: the rest together is less than one part in fifty.
const LEAST_SHARE: f64 = 0.02;
/// Causes whose remedies are named.
const REMEDIES: usize = 2;

/// The newest gap's uncertainty: how large, what it rests on, and what would make it smaller.
pub fn explain(record: &Record, budget: Option<&Budget>, plan: &Plan, style: Style) -> String {
    let chance = record
        .rows
        .last()
        .and_then(|row| Some((row.row, row.chance?)));
    let chance = chance.map_or(String::new(), |(row, chance)| {
        let words = format!(
            "Row {row}: by chance alone a line as plain as this shows in {}.",
            chance.words()
        );
        wrap(&words, "  ", style.width)
    });
    let (Some(budget), Some(gap)) = (budget, record.gaps.last()) else {
        return chance
            + &wrap(
                "No gap above the newest row was measured, so there is no uncertainty to explain.",
                "  ",
                style.width,
            );
    };
    let heading = format!(
        "What makes gap {} to {} uncertain",
        gap.from_row, gap.to_row
    );
    let total = budget
        .u_mm()
        .map(|u| format!("± {} {}", interval(u, plan.unit), unit_name(plan.unit)));
    let mut table = vec![
        std::iter::once("all together (95 %)".to_owned())
            .chain(total)
            .collect::<Vec<_>>(),
    ];
    let shares = budget.shares();
    let large = |shares: &[f64; 3]| shares.iter().any(|s| *s >= LEAST_SHARE);
    for (cause, share) in shares.iter().filter(|(_, s)| large(s)) {
        table.push(
            std::iter::once(cause.words().to_owned())
                .chain(share.map(|s| format!("{:.0} %", 100.0 * s)))
                .collect(),
        );
    }
    let mut text = plain(&[&heading, "left", "centre", "right"], &table);
    text += &wrap(
        "Shares are of the squared uncertainty: halving a cause of 60 % takes about a quarter off the whole.",
        "  ",
        style.width,
    );
    for (cause, _) in shares.iter().take(REMEDIES) {
        let words = format!("Against {}: {}.", cause.words(), cause.remedy());
        text += &wrap(&words, "  - ", style.width);
    }
    text + &chance
}

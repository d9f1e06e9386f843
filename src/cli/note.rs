//! `rowsight note`

use super::{Outcome, hint, say};
use crate::journal::{Habit, Journal, SavedCheck};
use crate::learn::state::Advised;
use anyhow::{anyhow, bail};
use clap::Args;
use std::path::PathBuf;

/// The habit that says whether advised trims are rolled.
pub const TRIM: &str = "trim";
/// The habit that gives the roll's measured diameter.
pub const ROLL: &str = "roll";

/// Note a habit that holds from a row on, so that `tune` can say what it does
///
/// A habit is a word and a value: straps=yes, tension=firm, straps=no. Two words mean something here:
/// trim=no says that advised trims are not rolled, and roll=88mm is the take-up roll measured across at
/// that row (machine stopped, hands clear of the needle). Without a habit the ones noted are listed. Free text belongs to `rowsight log --note`.
///
/// Example: rowsight note harvest --row 5 straps=yes
#[derive(Args)]
pub struct NoteArguments {
    /// Folder of the quilt
    folder: PathBuf,
    /// Habits, each as name=value
    #[arg(value_name = "NAME=VALUE")]
    habits: Vec<String>,
    /// The first row it holds for [default: the next row to be stitched]
    #[arg(long, value_name = "NUMBER", value_parser = super::whole_number, allow_hyphen_values = true)]
    row: Option<u32>,
}

pub fn run(arguments: &NoteArguments) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    let plan = crate::plan::file::read(folder)?;
    if arguments.habits.is_empty() {
        let habits = match Journal::open_to_read(folder)? {
            Some(journal) => journal.habits()?,
            None => Vec::new(),
        };
        if habits.is_empty() {
            say("No habit is noted yet; write one like straps=yes.\n");
        }
        for habit in in_force(&habits) {
            say(&format!(
                "From row {} on: {}={}\n",
                habit.row, habit.name, habit.value
            ));
        }
        return Ok(Outcome::Fine);
    }
    let parsed: Vec<(String, String)> = arguments
        .habits
        .iter()
        .map(|text| parse(text))
        .collect::<anyhow::Result<_>>()?;
    let row = match arguments.row {
        Some(row) => row,
        None => match Journal::open_to_read(folder)? {
            Some(journal) => journal.newest_row()?.map_or(1, |row| row + 1),
            None => 1,
        },
    };
    if row == 0 || row > plan.rows {
        bail!("--row is {row}; the plan has rows 1 to {}", plan.rows);
    }
    let mut journal = Journal::open(folder)?;
    let before = journal.habits()?;
    for (name, value) in parsed {
        let contradicted = before
            .iter()
            .rev()
            .find(|h| h.row == row && h.name == name)
            .filter(|h| h.value != value);
        if let Some(old) = contradicted {
            hint(&format!(
                "Row {row} had {name}={}; from now on {name}={value} counts.",
                old.value
            ));
        }
        journal.add_habit(&Habit {
            row,
            name: name.clone(),
            value: value.clone(),
        })?;
        hint(&format!("Noted from row {row} on: {name}={value}."));
    }
    Ok(Outcome::Fine)
}

fn parse(text: &str) -> anyhow::Result<(String, String)> {
    let (name, value) = text
        .split_once('=')
        .ok_or_else(|| anyhow!("`{text}` is not a habit; write it like straps=yes"))?;
    let tidy = |part: &str| part.trim().to_lowercase();
    let (name, value) = (tidy(name), tidy(value));
    let plain = |part: &str| {
        !part.is_empty() && part.chars().count() <= 40 && !part.chars().any(char::is_control)
    };
    if !plain(&name) || !plain(&value) {
        bail!("`{text}` is not a habit; write a short name and a value, like straps=yes");
    }
    if name == TRIM && value != "yes" && value != "no" {
        bail!("`{text}` is not known; write trim=yes or trim=no");
    }
    if name == ROLL {
        crate::units::parse_positive_length(&value).map_err(|e| anyhow!("roll: {e}"))?;
    }
    Ok((name, value))
}

/// The habits that count, by row: what was noted last for a row and a name.
pub fn in_force(habits: &[Habit]) -> Vec<Habit> {
    let mut kept: Vec<Habit> = Vec::new();
    for habit in habits {
        kept.retain(|k| k.row != habit.row || k.name != habit.name);
        kept.push(habit.clone());
    }
    kept.sort_by(|a, b| (a.row, &a.name).cmp(&(b.row, &b.name)));
    kept
}

/// The value of a habit for the advance that leads to a row; `habits` as [`in_force`] gives them.
pub fn value_at<'a>(habits: &'a [Habit], name: &str, row: u32) -> Option<&'a str> {
    let found = habits.iter().rev().find(|h| h.name == name && h.row <= row);
    found.map(|h| h.value.as_str())
}

/// The trims that were advised and, as far as is noted, rolled: the row the advance led to and the trim.
pub fn trims_rolled(checks: &[SavedCheck], habits: &[Habit]) -> Vec<Advised> {
    let habits = in_force(habits);
    checks
        .iter()
        .filter_map(|c| Advised::by(c.row, &c.record.verdict))
        .filter(|a| value_at(&habits, TRIM, a.to_row) != Some("no"))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn habit(row: u32, name: &str, value: &str) -> Habit {
        Habit {
            row,
            name: name.to_owned(),
            value: value.to_owned(),
        }
    }

    #[test]
    fn a_habit_holds_from_its_row_on_and_the_last_word_counts() {
        let noted = [
            habit(5, "straps", "yes"),
            habit(9, "straps", "no"),
            habit(5, "tension", "firm"),
            habit(9, "straps", "yes"),
        ];
        let habits = in_force(&noted);
        assert_eq!(habits.len(), 3);
        assert_eq!(value_at(&habits, "straps", 4), None);
        assert_eq!(value_at(&habits, "straps", 7), Some("yes"));
        assert_eq!(value_at(&habits, "straps", 9), Some("yes"));
    }

    #[test]
    fn what_is_no_habit_is_refused() {
        assert_eq!(
            parse(" Straps = Yes ").unwrap(),
            ("straps".into(), "yes".into())
        );
        for text in [
            "straps",
            "=yes",
            "straps=",
            "trim=maybe",
            "roll=fat",
            "roll=0mm",
        ] {
            assert!(parse(text).is_err(), "{text}");
        }
    }
}

//! `rowsight log`

use super::{Outcome, hint, say};
use crate::journal::Journal;
use crate::report::log::{LogEntry, Standing};
use crate::report::{Style, log_table};
use anyhow::bail;
use clap::Args;
use std::path::PathBuf;

/// Show the rows so far; undo, restore, or add a note
///
/// Example: rowsight log harvest --note "side straps on" --row 5
#[derive(Args)]
pub struct LogArguments {
    /// Folder of the quilt
    folder: PathBuf,
    /// Take the last check back; nothing is erased
    #[arg(long, conflicts_with_all = ["restore", "note"])]
    undo: bool,
    /// Bring back what was undone last
    #[arg(long, conflicts_with = "note")]
    restore: bool,
    /// Add a note to a row, the newest one unless --row names another
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Row of the note
    #[arg(long, value_name = "NUMBER", requires = "note", value_parser = super::whole_number, allow_hyphen_values = true)]
    row: Option<u32>,
    /// Save what can be read of a damaged journal; a copy of the old file is kept
    #[arg(long, conflicts_with_all = ["undo", "restore", "note"])]
    repair: bool,
    /// Show retaken and undone checks too
    #[arg(long)]
    all: bool,
    /// Print the checks as JSON, one document a line
    #[arg(long)]
    json: bool,
}

/// What no reader sees and a terminal obeys.
fn no_text(c: char) -> bool {
    c.is_control() && !c.is_whitespace()
}

/// A note without control characters, its words a blank apart.
fn tidy(note: &str) -> String {
    let text = note.replace(no_text, "");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

pub fn run(arguments: &LogArguments, style: Style) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    let plan = crate::plan::file::read(folder)?;
    if arguments.repair {
        if !folder.join(crate::journal::FILE_NAME).exists() {
            bail!("{} has no journal to repair", folder.display());
        }
        let repaired = crate::journal::repair(folder)?;
        let saved = match repaired.checks {
            0 => "No check could be read; the journal is begun anew".to_owned(),
            1 => "1 check is in the repaired journal".to_owned(),
            n => format!("{n} checks are in the repaired journal"),
        };
        hint(&format!(
            "{saved}; the old file is kept as {}.",
            repaired.copy.display()
        ));
    }
    let Some(mut journal) = Journal::open_to_read(folder)? else {
        if arguments.undo || arguments.restore || arguments.note.is_some() {
            bail!(
                "no row of {} has been checked yet; begin with `rowsight snap`",
                folder.display()
            );
        }
        let nothing = "No row has been checked yet.\n";
        match arguments.json {
            // No document is what there is; words are none.
            true => hint(nothing.trim_end()),
            false => say(nothing),
        }
        return Ok(Outcome::Fine);
    };
    if arguments.undo {
        let row = journal.undo()?;
        hint(&format!(
            "The last check of row {row} is taken back; --restore brings it again."
        ));
    }
    if arguments.restore {
        let row = journal.restore()?;
        hint(&format!("The check of row {row} counts again."));
    }
    if let Some(note) = &arguments.note {
        let tidy = tidy(note);
        if tidy.is_empty() {
            bail!("the note is empty; write it in quotes, like --note \"side straps on\"");
        }
        let row = journal.add_note(arguments.row, &tidy)?;
        hint(&match note.contains(no_text) {
            true => format!("Noted at row {row}, without the control characters in it."),
            false => format!("Noted at row {row}."),
        });
    }
    let checks = if arguments.all {
        journal.history()?
    } else {
        journal.current()?
    };
    if arguments.json {
        for check in &checks {
            say(&(serde_json::to_string(&check.record)? + "\n"));
        }
        return Ok(Outcome::Fine);
    }
    let entries: Vec<LogEntry> = checks
        .iter()
        .map(|c| LogEntry {
            saved: c.saved,
            record: &c.record,
            standing: c.standing,
            notes: &c.notes,
        })
        .collect();
    say(&log_table(&entries, &plan, style));
    let undone = checks
        .iter()
        .filter(|c| c.standing == Standing::Undone)
        .count();
    if undone > 0 {
        hint(&format!(
            "{undone} undone; --restore brings them back one by one."
        ));
    }
    Ok(Outcome::Fine)
}

//! The command line: arguments in, words out, an exit code.

mod batch;
mod calibrate;
mod card;
mod design;
mod finished;
mod forecast;
mod log;
mod mistakes;
mod note;
mod plan;
mod rehearse;
mod report;
mod side_by_side;
mod snap;
mod tune;

use crate::plan::file::FILE_NAME;
use crate::record::Action;
use crate::report::terminal::CODES;
use crate::report::{Style, without_controls};
use crate::units::{INCH, parse_length};
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::ExitCode;

/// How a command ended; when several photos end differently, the greater of the ranks counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Done, or measured: carry on.
    Fine,
    /// Measured: trim or re-square.
    Act,
    /// Measured, but the photo has to be retaken.
    Retake,
    /// Not measured, or the command could not be carried out.
    Failed,
}

impl Outcome {
    fn of(action: Action) -> Outcome {
        match action {
            Action::CarryOn => Outcome::Fine,
            Action::Trim | Action::ReSquare => Outcome::Act,
            Action::Retake => Outcome::Retake,
        }
    }

    /// The process's exit code.
    pub fn code(self) -> u8 {
        match self {
            Outcome::Fine => 0,
            Outcome::Act => 1,
            Outcome::Failed => 2,
            Outcome::Retake => 3,
        }
    }
}

/// Checks, from a phone photo, how evenly and how straight the rows of a hand-guided quilt lie, and says
/// what to do at the next advance.
#[derive(Parser)]
#[command(name = "rowsight", version, after_help = EXIT_CODES)]
struct Arguments {
    /// Colour on the terminal; NO_COLOR switches it off too
    #[arg(long, value_enum, default_value_t = ColourChoice::Auto, global = true, value_name = "WHEN")]
    color: ColourChoice,
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 done, or measured: carry on; 1 measured: trim or re-square; \
2 not measured or not done; 3 measured, but retake the photo.";

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum ColourChoice {
    Auto,
    Always,
    Never,
}

#[derive(Subcommand)]
enum Command {
    Card(card::CardArguments),
    Calibrate(calibrate::CalibrateArguments),
    Design(design::DesignArguments),
    Plan(plan::PlanArguments),
    Snap(snap::SnapArguments),
    Log(log::LogArguments),
    Forecast(forecast::ForecastArguments),
    Note(note::NoteArguments),
    Tune(tune::TuneArguments),
    Batch(batch::BatchArguments),
    Report(report::ReportArguments),
    Rehearse(rehearse::RehearseArguments),
}

/// Runs the command line of this process.
pub fn run() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return not_run(&error),
    };
    let style = style(arguments.color);
    let result = match arguments.command {
        Command::Card(a) => card::run(&a),
        Command::Calibrate(a) => calibrate::run(&a),
        Command::Design(a) => design::run(&a),
        Command::Plan(a) => plan::run(&a, style),
        Command::Snap(a) => snap::run(&a, style),
        Command::Log(a) => log::run(&a, style),
        Command::Forecast(a) => forecast::run(&a, style),
        Command::Tune(a) => tune::run(&a, style),
        Command::Note(a) => note::run(&a),
        Command::Batch(a) => batch::run(&a, style),
        Command::Report(a) => report::run(&a, style),
        Command::Rehearse(a) => rehearse::run(&a),
    };
    match result {
        Ok(outcome) => ExitCode::from(outcome.code()),
        Err(error) => {
            complain(&in_full(&error));
            ExitCode::from(Outcome::Failed.code())
        }
    }
}

/// What is said instead of running a command: help and version where they are wanted, else what the mistake is.
fn not_run(error: &clap::Error) -> ExitCode {
    use clap::error::ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand as NoCommand;
    if !error.use_stderr() || error.kind() == NoCommand {
        let _ = error.print();
    } else {
        let known = Arguments::command();
        let mut asked = std::env::args_os().skip(1);
        let asked = asked.find_map(|a| Some(known.find_subcommand(a)?.get_name().to_owned()));
        let command = ["rowsight".to_owned()].into_iter().chain(asked);
        complain(&mistakes::in_words(
            error,
            &command.collect::<Vec<_>>().join(" "),
        ));
    }
    ExitCode::from(match error.use_stderr() {
        true => Outcome::Failed.code(),
        false => Outcome::Fine.code(),
    })
}

fn style(choice: ColourChoice) -> Style {
    let no_colour = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|t| t == "dumb");
    let colour = match choice {
        ColourChoice::Always => true,
        ColourChoice::Never => false,
        ColourChoice::Auto => std::io::stdout().is_terminal() && !no_colour && !dumb,
    };
    Style {
        colour,
        width: columns(),
    }
}

/// Width of the text, characters.
fn columns() -> usize {
    let width = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok());
    usize::clamp(width.unwrap_or(80), 40, 100)
}

/// Writes to stdout. Nobody listening any more is no mistake, and what is still to be done is done; anything else that keeps words from
/// where they were sent ends with what is wrong.
fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    let text = without_controls(text, &CODES);
    let written = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    if let Err(error) = written
        && error.kind() != std::io::ErrorKind::BrokenPipe
    {
        complain(&format!(
            "what was to be shown cannot be written ({error}); free some space where it goes, or send it elsewhere"
        ));
        std::process::exit(i32::from(Outcome::Failed.code()));
    }
}

/// An error with its causes, those left out that the one before says already, as errors of files and pictures do.
fn in_full(error: &anyhow::Error) -> String {
    let mut said: Vec<String> = Vec::new();
    for cause in error.chain() {
        let cause = cause.to_string();
        if said.last().is_none_or(|before| !before.contains(&cause)) {
            said.push(cause);
        }
    }
    said.join(": ")
}

/// What went wrong, on stderr.
fn complain(text: &str) {
    to_stderr(&format!("rowsight: {text}"));
}

/// A hint on stderr.
fn hint(text: &str) {
    to_stderr(text);
}

/// On a terminal words are not cut in two at its edge; what another program reads stays one line.
fn to_stderr(text: &str) {
    let text = &without_controls(text, &[]);
    let mut out = std::io::stderr();
    let _ = match out.is_terminal() {
        true => write!(out, "{}", crate::report::wrap(text, "", columns())),
        false => writeln!(out, "{text}"),
    };
}

/// A file that the user names to be written. What it ends in has to be what is written, so that a slip never takes the
/// place of a plan, a journal or a photo.
fn written_as(option: &str, path: &Path, endings: &[&str]) -> anyhow::Result<()> {
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    let ending = ending.to_lowercase();
    if path.file_name().is_some_and(|name| name == FILE_NAME) || !endings.contains(&&*ending) {
        let endings: Vec<String> = endings.iter().map(|e| format!(".{e}")).collect();
        anyhow::bail!(
            "{option} {}: the name of this file has to end in {}; nothing was written",
            path.display(),
            endings.join(" or ")
        );
    }
    Ok(())
}

/// A whole number as people write it.
fn whole_number(text: &str) -> Result<u32, String> {
    (text.trim().parse()).map_err(|_| "write a whole number, such as 3".to_owned())
}

/// A share as people write it: `0.5`, `0,5`, `1/2` or `½`.
fn share(text: &str) -> Result<f64, String> {
    // A length in inches has every way to write a number.
    match parse_length(&format!("{text}in")) {
        Ok(mm) if !text.contains(|c: char| c.is_alphabetic() || "\"'".contains(c)) => {
            Ok(mm.0 / INCH.0)
        }
        _ => Err("write a share, such as 0.5 or 1/2".to_owned()),
    }
}

/// Progress on stderr, on a terminal only.
fn spinner(text: &str) -> indicatif::ProgressBar {
    if !std::io::stderr().is_terminal() {
        return indicatif::ProgressBar::hidden();
    }
    let bar = indicatif::ProgressBar::new_spinner();
    bar.set_message(text.to_owned());
    bar.enable_steady_tick(std::time::Duration::from_millis(120));
    bar
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_read_as_people_write_it() {
        for text in ["0.5", "0,5", "1/2", "½", " 0.5 "] {
            assert_eq!(share(text), Ok(0.5), "{text}");
        }
        assert_eq!(share("0"), Ok(0.0));
        for text in ["", "half", "1/0", "0.5m", "NaN", "1e400", "5 ft 3"] {
            assert!(share(text).is_err(), "{text}");
        }
    }

    /// A picture's and a practice photo's errors name their cause, and give it as their cause too.
    #[test]
    fn what_the_system_says_is_said_once() {
        use crate::rehearse::RehearseError;
        let none = || std::io::Error::from_raw_os_error(2);
        let system = none().to_string();
        let picture = anyhow::Error::from(image::ImageError::from(none()));
        assert_eq!(
            in_full(&picture.context("a.jpg cannot be read")),
            format!("a.jpg cannot be read: {system}")
        );
        let path = "b.jpg".into();
        let source = none();
        assert_eq!(
            in_full(&RehearseError::Write { path, source }.into()),
            format!("cannot write b.jpg: {system}")
        );
        let other = anyhow::anyhow!("inner").context("middle").context("outer");
        assert_eq!(in_full(&other), "outer: middle: inner");
    }

    #[test]
    fn a_file_is_only_written_under_a_name_of_its_kind() {
        let pages = ["html", "htm"];
        assert!(written_as("-o", Path::new("a b/Ü.HTML"), &pages).is_ok());
        for name in ["journal.db", "row-01.jpg", "report", "plan.toml"] {
            assert!(written_as("-o", Path::new(name), &pages).is_err(), "{name}");
        }
        assert!(written_as("-o", Path::new("q/plan.toml"), &["toml"]).is_err());
    }
}

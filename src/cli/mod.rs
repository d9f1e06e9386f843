//! The command line: arguments in, words out, an exit code.

mod batch;
mod calibrate;
mod card;
mod design;
mod finished;
mod forecast;
mod log;
mod note;
mod plan;
mod rehearse;
mod report;
mod side_by_side;
mod snap;
mod tune;

use crate::record::Action;
use crate::report::Style;
use clap::{Parser, Subcommand, ValueEnum};
use std::io::{IsTerminal, Write};
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
        Err(error) => {
            // Help and version are wanted and go to stdout; the rest is a mistake.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() {
                Outcome::Failed.code()
            } else {
                0
            });
        }
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
        Command::Report(a) => report::run(&a),
        Command::Rehearse(a) => rehearse::run(&a),
    };
    match result {
        Ok(outcome) => ExitCode::from(outcome.code()),
        Err(error) => {
            complain(&format!("{error:#}"));
            ExitCode::from(Outcome::Failed.code())
        }
    }
}

fn style(choice: ColourChoice) -> Style {
    let no_colour = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|t| t == "dumb");
    let colour = match choice {
        ColourChoice::Always => true,
        ColourChoice::Never => false,
        ColourChoice::Auto => std::io::stdout().is_terminal() && !no_colour && !dumb,
    };
    let width = std::env::var("COLUMNS")
        .ok()
        .and_then(|c| c.parse().ok())
        .unwrap_or(80);
    Style {
        colour,
        width: usize::clamp(width, 40, 100),
    }
}

/// Writes to stdout; a closed pipe ends quietly.
fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    if out
        .write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .is_err()
    {
        std::process::exit(0);
    }
}

/// One line on stderr.
fn complain(text: &str) {
    let _ = writeln!(std::io::stderr(), "rowsight: {text}");
}

/// A hint on stderr.
fn hint(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
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

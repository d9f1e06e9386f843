//! Mistakes on the command line, said as everything else is: one sentence what, where, what next.

use crate::units::parse_length;
use clap::error::{ContextKind, ContextValue, Error, ErrorKind};
use std::error::Error as _;

/// A mistake in the arguments of `command`, such as `rowsight snap`, in one sentence.
pub(super) fn in_words(error: &Error, command: &str) -> String {
    let all = |kind| match error.get(kind) {
        Some(ContextValue::Strings(texts)) => texts.clone(),
        Some(ContextValue::String(text)) => vec![text.clone()],
        _ => Vec::new(),
    };
    let one = |kind| all(kind).into_iter().next().unwrap_or_default();
    // An option without the name of its value.
    let bare = |kind| one(kind).split(" <").next().unwrap_or_default().to_owned();
    let next = |meant| match all(meant).first() {
        Some(meant) => format!("did you mean `{meant}`?"),
        None => format!("`{command} --help` shows how"),
    };
    let (argument, value) = (ContextKind::InvalidArg, one(ContextKind::InvalidValue));
    match error.kind() {
        ErrorKind::InvalidSubcommand => {
            let wrong = one(ContextKind::InvalidSubcommand);
            let next = next(ContextKind::SuggestedSubcommand);
            format!("there is no command `{wrong}`; {next}")
        }
        ErrorKind::UnknownArgument => {
            let wrong = one(argument);
            let next = match is_of_a_length(&wrong) {
                true => {
                    "put quotes round a length with a blank in it, as in \"84 1/2in\"".to_owned()
                }
                false => next(ContextKind::SuggestedArg),
            };
            format!("`{command}` does not know `{wrong}`; {next}")
        }
        ErrorKind::MissingRequiredArgument => {
            let missing = and(&all(argument), "and").replace('|', " or ");
            let next = next(ContextKind::SuggestedArg);
            format!("`{command}` lacks {missing}; {next}")
        }
        ErrorKind::InvalidValue if value.is_empty() => {
            let next = next(ContextKind::SuggestedValue);
            format!("{} needs a value; {next}", one(argument))
        }
        ErrorKind::InvalidValue => {
            let possible = and(&all(ContextKind::ValidValue), "or");
            let meant = one(ContextKind::SuggestedValue);
            let meant = match meant.is_empty() {
                true => String::new(),
                false => format!("; did you mean `{meant}`?"),
            };
            format!("{} {value}: write {possible}{meant}", bare(argument))
        }
        ErrorKind::ValueValidation => {
            let reason = error.source().map_or_else(String::new, |e| e.to_string());
            format!("{} {value}: {reason}", bare(argument))
        }
        ErrorKind::ArgumentConflict => {
            let (this, other) = (bare(argument), bare(ContextKind::PriorArg));
            match this == other {
                true => format!("{this} stands there twice; give it once"),
                false => format!("{this} and {other} do not go together; leave one out"),
            }
        }
        ErrorKind::InvalidUtf8 => {
            format!(
                "`{command}` cannot read an argument, which is no text in UTF-8; give the file another name"
            )
        }
        _ => {
            let text = error.to_string();
            let first = text.lines().next().unwrap_or_default();
            let first = first.trim_start_matches("error: ");
            format!("{first}; {}", next(ContextKind::SuggestedArg))
        }
    }
}

/// Whether this is what a shell makes of a length with a blank in it: its latter half, such as `1/2in`, `1/2` or `in`. A
/// whole number may be anything.
fn is_of_a_length(text: &str) -> bool {
    let whole = [text.to_owned(), format!("{text}in"), format!("1{text}")];
    !text.chars().all(|c| c.is_ascii_digit()) && whole.iter().any(|text| parse_length(text).is_ok())
}

/// Words in a row, the last one after `and`.
fn and(words: &[String], and: &str) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} {and} {last}", most.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::Arguments;
    use super::in_words;
    use clap::Parser;

    #[test]
    fn every_mistake_says_what_is_wrong_and_what_to_do_in_one_line() {
        for (line, says) in [
            ("snapp", "there is no command `snapp`; did you mean `snap`?"),
            (
                "xyz",
                "there is no command `xyz`; `rowsight x --help` shows how",
            ),
            (
                "snap --jsn q a",
                "`rowsight x` does not know `--jsn`; did you mean `--json`?",
            ),
            (
                "card --paper a4 b",
                "`rowsight x` does not know `b`; `rowsight x --help` shows how",
            ),
            (
                "plan q --width 84 1/2in",
                "`rowsight x` does not know `1/2in`; put quotes round a length with a blank in it, as in \"84 1/2in\"",
            ),
            (
                "plan q --width 84 in",
                "`rowsight x` does not know `in`; put quotes round a length with a blank in it, as in \"84 1/2in\"",
            ),
            (
                "plan q --width 84 1/2 in",
                "`rowsight x` does not know `1/2`; put quotes round a length with a blank in it, as in \"84 1/2in\"",
            ),
            (
                "log q 5",
                "`rowsight x` does not know `5`; `rowsight x --help` shows how",
            ),
            (
                "snap",
                "`rowsight x` lacks <FOLDER> and <PHOTO>...; `rowsight x --help` shows how",
            ),
            (
                "log q --note",
                "--note <TEXT> needs a value; `rowsight x --help` shows how",
            ),
            (
                "plan q --unit i",
                "--unit i: write in or mm; did you mean `in`?",
            ),
            ("plan q --unit furlong", "--unit furlong: write in or mm"),
            (
                "plan q --rows x",
                "--rows x: write a whole number, such as 3",
            ),
            (
                "plan q --rows 4294967296",
                "--rows 4294967296: write a whole number, such as 3",
            ),
            (
                "plan q --no-design --design a",
                "--no-design and --design do not go together; leave one out",
            ),
            (
                "plan q --width 1in --width 2in",
                "--width stands there twice; give it once",
            ),
        ] {
            let words = ["rowsight"].into_iter().chain(line.split(' '));
            let error = Arguments::try_parse_from(words).err().unwrap();
            assert_eq!(in_words(&error, "rowsight x"), says, "{line}");
        }
    }
}

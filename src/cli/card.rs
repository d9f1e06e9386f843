//! `rowsight card`

use super::{Outcome, hint};
use crate::card::print::{CardOrder, Numbers, Paper, pdf, svg_pages};
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Print measuring cards as PDF or SVG
///
/// Example: rowsight card --paper letter --sheets 2 --strips 4 -o cards.pdf
#[derive(Args)]
pub struct CardArguments {
    /// Paper of your printer
    #[arg(long, value_enum)]
    paper: PaperName,
    /// How many sheets (one on a page)
    #[arg(long, default_value_t = 1, value_name = "COUNT")]
    sheets: u16,
    /// How many strips (two on a page), for a narrow free band
    #[arg(long, default_value_t = 2, value_name = "COUNT")]
    strips: u16,
    /// Number of the first sheet, 1 to 20; every card on a quilt needs a number of its own
    #[arg(long, default_value_t = 1, value_name = "NUMBER")]
    first_sheet: u16,
    /// Number of the first strip, 1 to 60
    #[arg(long, default_value_t = 1, value_name = "NUMBER")]
    first_strip: u16,
    /// File to write; .pdf holds all pages, .svg is numbered page by page
    #[arg(short, long, default_value = "cards.pdf", value_name = "FILE")]
    output: PathBuf,
}

#[derive(Clone, Copy, ValueEnum)]
enum PaperName {
    A4,
    Letter,
}

pub fn run(arguments: &CardArguments) -> anyhow::Result<Outcome> {
    let paper = match arguments.paper {
        PaperName::A4 => Paper::A4,
        PaperName::Letter => Paper::Letter,
    };
    let order = CardOrder::new(
        paper,
        Numbers {
            first: arguments.first_sheet,
            count: arguments.sheets,
        },
        Numbers {
            first: arguments.first_strip,
            count: arguments.strips,
        },
    )?;
    let output = &arguments.output;
    let ending = output
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase());
    let write = |path: &std::path::Path, bytes: &[u8]| {
        write_whole(path, bytes).with_context(|| format!("{} cannot be written", path.display()))
    };
    let written = match ending.as_deref() {
        Some("pdf") => {
            write(output, &pdf(&order)?)?;
            output.display().to_string()
        }
        Some("svg") => {
            let pages = svg_pages(&order)?;
            let stem = output.file_stem().unwrap_or_default().to_string_lossy();
            let numbered = |number| output.with_file_name(format!("{stem}-{number}.svg"));
            let paths: Vec<PathBuf> = match pages.len() {
                1 => vec![output.clone()],
                count => (1..=count).map(numbered).collect(),
            };
            for (path, page) in paths.iter().zip(&pages) {
                write(path, page.as_bytes())?;
            }
            match &paths[..] {
                [first, .., last] => format!("{} to {}", first.display(), last.display()),
                _ => output.display().to_string(),
            }
        }
        _ => bail!(
            "{} ends neither in .pdf nor in .svg; name the file with one of these",
            output.display()
        ),
    };
    hint(&format!(
        "Wrote {written}. Print at 100 %, glue each card on stiff board, then lay a ruler on the check bar \
and give what it reads as --card-bar."
    ));
    Ok(Outcome::Fine)
}

//! `rowsight report`

use super::{Outcome, complain, hint, in_full, say, written_as};
use crate::card::print::Paper;
use crate::journal::{Journal, kept_path};
use crate::photo::{self, shrink::shrink};
use crate::record::{InPhoto, PhotoRecord};
use crate::report::missed_part::cut_out;
use crate::report::pdf::{not_shown, pdf};
use crate::report::quilt::{self, Picture, QuiltReport, Shows};
use crate::report::{Style, wrap};
use crate::units::LengthUnit;
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use clap::Args;
use image::codecs::jpeg::JpegEncoder;
use image::{ImageEncoder, RgbImage};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Write a page to keep of all rows checked so far
///
/// One HTML file with the verdict, a map, charts, tables and the overlays that `snap` drew; it needs no
/// network and prints on A4 and Letter. With --pdf the same as a PDF file to hand over.
///
/// Example: rowsight report harvest --pdf harvest.pdf --csv harvest.csv
#[derive(Args)]
pub struct ReportArguments {
    /// Folder of the quilt
    folder: PathBuf,
    /// The page [default: report.html in the quilt's folder]
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Write the page as a PDF too: on A4 when the plan is in mm, on US Letter when it is in inches
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
    /// Write the rows as comma-separated values too (lengths in mm)
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Print the numbers as one JSON document (lengths in mm) and write no page unless -o names it
    #[arg(long)]
    json: bool,
    /// Leave the photos out
    #[arg(long)]
    no_photos: bool,
}

/// Longer side of a picture in the page, px.
const LONGEST_PX: u32 = 900;
const JPEG_QUALITY: u8 = 70;

pub fn run(arguments: &ReportArguments, style: Style) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    for (option, path, endings) in [
        ("-o", &arguments.output, &["html", "htm"][..]),
        ("--pdf", &arguments.pdf, &["pdf"]),
        ("--csv", &arguments.csv, &["csv", "txt"]),
    ] {
        if let Some(path) = path {
            written_as(option, path, endings)?;
        }
    }
    let report = gather(folder)?;
    if let Some(path) = &arguments.csv {
        write(path, &quilt::csv(&report)?)?;
    }
    if arguments.json {
        say(&quilt::json(&report)?);
    }
    let page = match &arguments.output {
        Some(path) => Some(path.clone()),
        None if arguments.json => None,
        None => Some(folder.join("report.html")),
    };
    if page.is_some() || arguments.pdf.is_some() {
        let html = html(folder, &report, !arguments.no_photos);
        if let Some(path) = page {
            write(&path, html.as_bytes())?;
        }
        if let Some(path) = &arguments.pdf {
            let bytes = pdf(&html, paper(report.plan.unit))
                .with_context(|| format!("{} cannot be laid out", path.display()))?;
            write(path, &bytes)?;
            let missing: String = not_shown(&html).into_iter().collect();
            if !missing.is_empty() {
                hint(&format!(
                    "The PDF shows a question mark for each of {missing}; the HTML report shows them."
                ));
            }
        }
    }
    if !arguments.json {
        // One line for another program.
        say(&match std::io::stdout().is_terminal() {
            true => wrap(&report.verdict, "", style.width),
            false => format!("{}\n", report.verdict),
        });
    }
    Ok(Outcome::Fine)
}

/// Writes a quilt's page into its folder.
pub(super) fn write_page(folder: &Path) -> anyhow::Result<QuiltReport> {
    let report = gather(folder)?;
    let html = html(folder, &report, true);
    write(&folder.join("report.html"), html.as_bytes())?;
    Ok(report)
}

fn html(folder: &Path, report: &QuiltReport, photos: bool) -> String {
    let pictures = match photos {
        true => pictures(folder, report),
        false => Vec::new(),
    };
    quilt::page(report, &pictures)
}

/// Who plans in inches has Letter paper (common practice, no source).
fn paper(unit: LengthUnit) -> Paper {
    match unit {
        LengthUnit::Inch => Paper::Letter,
        LengthUnit::Millimetre => Paper::A4,
    }
}

/// The report of a quilt's journal.
fn gather(folder: &Path) -> anyhow::Result<QuiltReport> {
    let plan = crate::plan::file::read(folder)?;
    let journal = Journal::open_to_read(folder)?;
    let of_journal = journal.map(|journal| Ok((journal.current()?, journal.finished()?)));
    let (checks, finished) = of_journal
        .transpose()
        .map_err(|e: crate::journal::JournalError| e)?
        .unwrap_or_default();
    if checks.is_empty() && finished.is_none() {
        bail!(
            "no row of {} has been checked yet; begin with `rowsight snap`, or `rowsight batch` for many photos",
            folder.display()
        );
    }
    Ok(quilt::report(
        &name(folder),
        &plan,
        &checks,
        finished.as_ref(),
    ))
}

/// A quilt goes by its folder's name.
pub(super) fn name(folder: &Path) -> String {
    let whole = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    whole.file_name().map_or_else(
        || folder.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    write_whole(path, bytes).with_context(|| format!("{} cannot be written", path.display()))?;
    hint(&format!("Wrote {}.", path.display()));
    Ok(())
}

/// The overlays of the rows in the report, made small, and cut-outs of missed parts; one that cannot be read is named
/// and left out.
fn pictures(folder: &Path, report: &QuiltReport) -> Vec<Picture> {
    let of_rows = report.rows.iter().flat_map(|row| {
        let paths = super::snap::overlay_paths(folder, row.row, row.photos.len());
        paths.into_iter().map(|path| (Shows::Row(row.row), path))
    });
    let finished = report
        .off_frame
        .as_ref()
        .map_or(0, |off| off.finished.photos.len());
    let of_finished =
        (0..finished).map(|i| (Shows::Finished, super::finished::overlay_path(folder, i)));
    let mut pictures = Vec::new();
    for (shows, path) in of_rows.chain(of_finished).filter(|(_, path)| path.exists()) {
        match small(&path).and_then(|picture| encoded(shows, &picture)) {
            Ok(picture) => pictures.push(picture),
            Err(error) => complain(&format!(
                "{}; it is left out of the report",
                in_full(&error)
            )),
        }
    }
    pictures.extend(cut_outs(folder, report));
    pictures
}

/// A picture of each missed part, from its photo where that is still to be had.
fn cut_outs(folder: &Path, report: &QuiltReport) -> Vec<Picture> {
    let mut parts: Vec<(&PhotoRecord, &InPhoto, Shows)> = Vec::new();
    for row in &report.rows {
        parts.extend(shown_parts(
            row.row,
            false,
            &row.photos,
            &row.missed_in_photo,
        ));
    }
    for finished in report.off_frame.iter().map(|off| &off.finished) {
        for row in &finished.rows {
            parts.extend(shown_parts(
                row.row,
                true,
                &finished.photos,
                &row.missed_in_photo,
            ));
        }
    }
    // Each photo is decoded once; a part whose photo is gone has no picture.
    parts.sort_by_key(|(photo, ..)| photo.sha256.clone());
    let mut pictures = Vec::new();
    for of_photo in parts.chunk_by(|a, b| a.0.sha256 == b.0.sha256) {
        let Some(photo) = kept_photo(folder, of_photo[0].0) else {
            continue;
        };
        for (_, part, shows) in of_photo {
            let picture = cut_out(&photo, part).and_then(|p| encoded(*shows, &p).ok());
            pictures.extend(picture);
        }
    }
    pictures.sort_by_key(|p| match p.shows {
        Shows::Missed { row, part, .. } => (row, part),
        _ => (0, 0),
    });
    pictures
}

/// The parts of a row that photos show.
fn shown_parts<'a>(
    row: u32,
    finished: bool,
    photos: &'a [PhotoRecord],
    shown: &'a [Option<InPhoto>],
) -> impl Iterator<Item = (&'a PhotoRecord, &'a InPhoto, Shows)> {
    shown.iter().enumerate().filter_map(move |(part, shown)| {
        let shown = shown.as_ref()?;
        let shows = Shows::Missed {
            row,
            part,
            finished,
        };
        Some((photos.get(shown.photo)?, shown, shows))
    })
}

/// A measured photo in colour: the journal's copy, or the file it came from where that is still the same.
fn kept_photo(folder: &Path, photo: &PhotoRecord) -> Option<RgbImage> {
    let came_from = PathBuf::from(&photo.path);
    [kept_path(folder, &photo.sha256, &came_from), came_from]
        .iter()
        .filter(|path| path.is_file())
        .find_map(|path| {
            let read = photo::read(path).ok()?;
            (read.sha256 == photo.sha256).then(|| read.colour().ok())?
        })
}

fn small(path: &Path) -> anyhow::Result<RgbImage> {
    let picture = image::open(path)
        .with_context(|| format!("{} cannot be read", path.display()))?
        .into_rgb8();
    Ok(shrink(&picture, LONGEST_PX).0)
}

fn encoded(shows: Shows, picture: &RgbImage) -> anyhow::Result<Picture> {
    let (width, height) = picture.dimensions();
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, JPEG_QUALITY).write_image(
        picture.as_raw(),
        width,
        height,
        image::ExtendedColorType::Rgb8,
    )?;
    Ok(Picture {
        shows,
        jpeg,
        width,
        height,
    })
}

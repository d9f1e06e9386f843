//! `rowsight design`

use super::plan::UnitName;
use super::{Outcome, hint, say, snap, spinner, written_as};
use crate::card::{DetectOptions, find_cards};
use crate::design::Design;
use crate::design::from_photo::{PaperPhoto, TracedDesign, trace};
use crate::design::import::to_svg;
use crate::photo;
use crate::plane::joint::Prior;
use crate::plane::start::camera_prior;
use crate::report::paper::draw;
use crate::units::{LengthUnit, Uncertain, parse_positive_length};
use crate::verdict::words::{K_95, interval, length, number, unit_name};
use crate::whole_file::write_whole;
use anyhow::{Context, anyhow, bail};
use clap::Args;
use std::path::{Path, PathBuf};

/// Height of a card's print above the paper where nothing is said: foam board or stiff card. Common
/// practice, no source.
const USUAL_BOARD_MM: Prior = Prior::new(2.0, 1.2);
/// Standard uncertainty of a board's thickness as told, mm.
const TOLD_BOARD_U_MM: f64 = 0.3;

/// Make a design file from a photo of its printed paper
///
/// Lay the paper flat with a measuring card beside the line, its arrow towards the top of the design and none of it on the
/// line, and photograph at least one and a half repeats from above. The line is traced, its repeat found, and one repeat written as SVG for
/// `rowsight plan --design`. Look at the picture before you trust it.
///
/// Example: rowsight design --from-photo paper.jpg --card-bar 149.6mm -o design.svg
#[derive(Args)]
pub struct DesignArguments {
    /// Photo of the paper, with a measuring card in it
    #[arg(long, value_name = "PHOTO")]
    from_photo: PathBuf,
    /// SVG file to write
    #[arg(short, long, default_value = "design.svg", value_name = "FILE")]
    output: PathBuf,
    /// What a ruler reads on the printed 150 mm check bar [default: 150mm]
    #[arg(long, value_name = "LENGTH")]
    card_bar: Option<String>,
    /// Thickness of the board that the card is mounted on [default: taken as 2 mm, give or take]
    #[arg(long, value_name = "LENGTH")]
    board: Option<String>,
    /// Length of one repeat, if you know it: settles which of several it is, and the design is made that long
    #[arg(long, value_name = "LENGTH")]
    repeat: Option<String>,
    /// Which line, counted from the top of the photo, where the paper shows several designs
    #[arg(long, value_name = "NUMBER")]
    line: Option<usize>,
    /// Picture to check the trace by, PNG or JPEG [default: beside the SVG, ending in .png]
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Show lengths in inches or millimetres [default: as the repeat is given, else millimetres]
    #[arg(long, value_enum)]
    unit: Option<UnitName>,
    /// Camera profile, when the photo does not say what took it
    #[arg(long, value_name = "NAME")]
    camera: Option<String>,
}

fn given(name: &str, text: Option<&String>) -> anyhow::Result<Option<f64>> {
    text.map(|t| parse_positive_length(t).map(|mm| mm.0))
        .transpose()
        .map_err(|e| anyhow!("--{name}: {e}"))
}

pub fn run(arguments: &DesignArguments) -> anyhow::Result<Outcome> {
    let card_bar_mm = given("card-bar", arguments.card_bar.as_ref())?.unwrap_or(150.0);
    if !(140.0..=160.0).contains(&card_bar_mm) {
        bail!(
            "--card-bar is {card_bar_mm:.1} mm; the printed bar is about 150 mm long, so measure it again or print the card at 100 %"
        );
    }
    let board_mm = given("board", arguments.board.as_ref())?
        .map_or(USUAL_BOARD_MM, |mm| Prior::new(mm, TOLD_BOARD_U_MM));
    let repeat_mm = given("repeat", arguments.repeat.as_ref())?;
    let path = &arguments.from_photo;
    let shown = path.display();
    let picture = arguments
        .picture
        .clone()
        .unwrap_or_else(|| arguments.output.with_extension("png"));
    let format = picture_format(&picture)?;
    written_as("-o", &arguments.output, &["svg"])?;
    if picture.exists() && picture.canonicalize().ok() == path.canonicalize().ok() {
        bail!(
            "{shown} would be written over by the picture to check the trace by; name another with --picture"
        );
    }

    let progress = spinner("tracing");
    let photo = photo::read(path)?;
    let profiles = progress
        .suspend(|| snap::cameras(std::slice::from_ref(&photo), arguments.camera.as_deref()))?;
    let size = photo.luma.dimensions();
    let camera = profiles.first().and_then(Option::as_ref).map_or_else(
        || camera_prior(&photo.facts, size.0, size.1),
        |profile| profile.prior(photo.facts.orientation, size),
    );
    let found = find_cards(&photo.luma, &DetectOptions::default())
        .map_err(|e| anyhow!("{shown}: {e}; {}", e.remedy()))?;
    let colour = photo.colour()?;
    let traced = trace(&PaperPhoto {
        colour: &colour,
        cards: &found.cards,
        camera,
        card_bar_mm,
        board_mm,
        repeat_mm,
        line: arguments.line,
    })
    .map_err(|e| anyhow!("{shown}: {e}"));
    progress.finish_and_clear();
    let traced = traced?;
    let unit = match (arguments.unit, &arguments.repeat) {
        (Some(UnitName::In), _) => LengthUnit::Inch,
        (Some(UnitName::Mm), _) | (None, None) => LengthUnit::Millimetre,
        (None, Some(text)) if text.trim_end().ends_with('m') => LengthUnit::Millimetre,
        (None, Some(_)) => LengthUnit::Inch,
    };

    let design = match repeat_mm {
        Some(asked_mm) => scaled(&traced.design, asked_mm / traced.design.repeat_mm),
        None => traced.design.clone(),
    };
    write_whole(&arguments.output, to_svg(&design).as_bytes())
        .with_context(|| format!("{} cannot be written", arguments.output.display()))?;
    let drawn = draw(&colour, &traced, unit);
    let mut bytes = std::io::Cursor::new(Vec::new());
    drawn.write_to(&mut bytes, format)?;
    write_whole(&picture, &bytes.into_inner())
        .with_context(|| format!("{} cannot be written", picture.display()))?;

    say(&describe(&traced, &design, repeat_mm, unit));
    if arguments.card_bar.is_none() {
        hint(
            "The check bar on your card is taken as exactly 150 mm; lay a ruler on it and give what it reads as --card-bar.",
        );
    }
    hint(&format!(
        "Wrote {} and, to check it by eye, {}.",
        arguments.output.display(),
        picture.display()
    ));
    Ok(Outcome::Fine)
}

fn picture_format(path: &Path) -> anyhow::Result<image::ImageFormat> {
    match image::ImageFormat::from_path(path) {
        Ok(format @ (image::ImageFormat::Png | image::ImageFormat::Jpeg)) => Ok(format),
        _ => bail!(
            "--picture {}: the picture can be a .png or a .jpg; name it so",
            path.display()
        ),
    }
}

/// A design made larger or smaller.
fn scaled(design: &Design, factor: f64) -> Design {
    Design {
        curve_mm: design.curve_mm.iter().map(|p| p * factor).collect(),
        repeat_mm: design.repeat_mm * factor,
        breaks: design.breaks.clone(),
    }
}

fn describe(
    traced: &TracedDesign,
    design: &Design,
    asked_mm: Option<f64>,
    unit: LengthUnit,
) -> String {
    let Uncertain { value, u } = traced.repeat_mm;
    let mut text = format!(
        "Repeat {} ± {} {} (95 %), height {}\n",
        number(value, unit),
        interval(u, unit),
        unit_name(unit),
        length(traced.design.height_mm(), unit),
    );
    if let Some(asked_mm) = asked_mm {
        text += &format!(
            "Scaled to the repeat of {} asked for",
            length(asked_mm, unit)
        );
        text += &if (asked_mm - value).abs() > K_95 * u {
            format!(
                "; the paper measures {} {}, more than the measurement is uncertain by\n",
                length((asked_mm - value).abs(), unit),
                if asked_mm > value { "less" } else { "more" },
            )
        } else {
            format!(", height {}\n", length(design.height_mm(), unit))
        };
    }
    let repeats: f64 = traced.rows.iter().map(|r| r.repeats).sum();
    text += &format!(
        "Seen: {repeats:.1} repeats in {}; they agree to {:.2} mm (RMS)\n",
        match traced.rows.len() {
            1 => "one row".to_owned(),
            n => format!("{n} rows"),
        },
        traced.agreement_mm,
    );
    for pair in traced.rows.windows(2) {
        let stagger = (pair[1].shift_mm - pair[0].shift_mm).rem_euclid(traced.design.repeat_mm)
            / traced.design.repeat_mm;
        text += &format!(
            "Next row on the paper {} below, moved along by {:.2} of a repeat\n",
            length(pair[1].below_first_mm - pair[0].below_first_mm, unit),
            // Almost a whole repeat is almost none.
            if stagger > 0.995 { 0.0 } else { stagger },
        );
    }
    let longest = traced
        .bridges
        .iter()
        .map(|b| b.length_mm)
        .fold(0.0, f64::max);
    text += &match traced.bridges.len() {
        0 => "Bridged: nothing\n".to_owned(),
        1 => format!("Bridged: one gap of {longest:.0} mm, ringed in the picture\n"),
        n => format!("Bridged: {n} gaps of up to {longest:.0} mm, ringed in the picture\n"),
    };
    text
}

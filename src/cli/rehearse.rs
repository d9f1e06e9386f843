//! `rowsight rehearse`

use super::{Outcome, hint, say};
use crate::rehearse::{
    Advance, FabricClass, PracticeQuilt, SceneRange, Truth, rehearse_quilt, render, write,
};
use crate::units::parse_length;
use crate::verdict::words::length;
use anyhow::{Context, anyhow};
use clap::Args;
use indicatif::ProgressBar;
use std::path::PathBuf;

/// Draw practice photos of an invented quilt, with the truth beside them
///
/// The quilt is the one of the plan; each photo shows it after one more row, with the errors of an
/// advance that is a little off. Measure them with `snap` and compare with the truth files.
///
/// Example: rowsight rehearse harvest --rows 3 --gap-error 1/16in
#[derive(Args)]
pub struct RehearseArguments {
    /// Folder of the quilt, with its plan
    folder: PathBuf,
    /// How many rows to draw, one photo each
    #[arg(long, default_value_t = 3, value_name = "COUNT")]
    rows: u32,
    /// Another seed, another quilt
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How much too far each advance goes [default: 1/32 in]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    gap_error: Option<String>,
    /// How much farther the right end goes than the left at each advance [default: 1/32 in]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    lean: Option<String>,
    /// Fabric: solid, tonal, small-print, large-print, stripes, checks, patchwork, batik [default: by
    /// the seed]
    #[arg(long, value_name = "NAME")]
    fabric: Option<String>,
    /// Easy light, steady hand, bright thread
    #[arg(long)]
    easy: bool,
    /// Size of the photos in megapixels; a smaller photo shows less of the quilt
    #[arg(long, default_value_t = 12.0, value_name = "MP")]
    megapixels: f64,
    /// JPEG quality, 1 to 100 [default: by the seed, 75 to 95]
    #[arg(long, value_name = "QUALITY")]
    quality: Option<u8>,
    /// Where the photos go [default: the folder `practice` of the quilt]
    #[arg(short, long, value_name = "FOLDER")]
    output: Option<PathBuf>,
}

pub fn run(arguments: &RehearseArguments) -> anyhow::Result<Outcome> {
    let (plan, design) = super::plan::load(&arguments.folder)?;
    if !(0.3..=50.0).contains(&arguments.megapixels) {
        anyhow::bail!("--megapixels is {}; give 0.3 to 50", arguments.megapixels);
    }
    if arguments.rows == 0 || arguments.rows > plan.rows {
        anyhow::bail!(
            "--rows is {}; the plan has {} rows",
            arguments.rows,
            plan.rows
        );
    }
    let of = |name: &str, text: &Option<String>, or: f64| match text {
        None => Ok(or),
        Some(text) => parse_length(text)
            .map(|mm| mm.0)
            .map_err(|e| anyhow!("--{name}: {e}")),
    };
    let mut range = if arguments.easy {
        SceneRange::easy()
    } else {
        SceneRange::full_range()
    }
    .with_megapixels(arguments.megapixels);
    // Practice cards have the bar the plan says.
    range.card_bar_mm = [plan.card_bar_mm; 2];
    if let Some(name) = &arguments.fabric {
        let class: FabricClass = serde_json::from_value(serde_json::Value::String(name.clone()))
            .map_err(|_| {
                anyhow!("--fabric {name} is not known; `rowsight rehearse --help` lists them")
            })?;
        range.fabrics = vec![class];
    }
    if let Some(quality) = arguments.quality {
        range.jpeg_quality = [f64::from(quality.clamp(1, 100)); 2];
    }
    let advance = Advance {
        bias_mm: of("gap-error", &arguments.gap_error, 0.8)?,
        right_minus_left_mm: of("lean", &arguments.lean, 0.8)?,
        ..Advance::default()
    };
    let practice = PracticeQuilt {
        rows: arguments.rows,
        ..PracticeQuilt::from_plan(&plan, arguments.seed, advance)
    };
    let output = arguments
        .output
        .clone()
        .unwrap_or_else(|| arguments.folder.join("practice"));
    std::fs::create_dir_all(&output)
        .with_context(|| format!("the folder {} cannot be made", output.display()))?;
    let scenes = rehearse_quilt(&practice, arguments.seed, &range);
    let progress = ProgressBar::new(scenes.len() as u64);
    for (row, scene) in (1..).zip(&scenes) {
        let rehearsed = render(scene, &design);
        let (photo, _) = write(&output, &format!("row-{row:02}"), &rehearsed)?;
        progress.suspend(|| say(&line(&photo.display().to_string(), &rehearsed.truth, &plan)));
        progress.inc(1);
    }
    progress.finish_and_clear();
    hint("The truth lies beside each photo; measure them in order with `rowsight snap`.");
    Ok(Outcome::Fine)
}

fn line(path: &str, truth: &Truth, plan: &crate::plan::Plan) -> String {
    let gap = truth.gaps.last().map_or_else(String::new, |gap| {
        let at: Vec<String> = gap
            .spacing
            .iter()
            .map(|s| length(s.stitched_mm, plan.unit))
            .collect();
        format!(", true gap {}", at.join(" / "))
    });
    let row = truth.rows.last().map_or(0, |r| r.row);
    format!("{path}: row {row}{gap}\n")
}

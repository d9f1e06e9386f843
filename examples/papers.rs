//! How well a design is traced from a photo of its paper: random practice papers, and what is measured off
//! them against what was printed.
//!
//! `cargo run --release --example papers -- [--from 0] [--to 30] [--mp 4] [--folder FOLDER] [--told]`
//!
//! Columns: seed, design, repeats in view, rows; error of the repeat in per cent and in stated standard
//! uncertainties; RMS distance of the traced line from the printed one; agreement of the repeats as stated;
//! or why there is no design. With `--told` the thickness of the card's board is told.

use rowsight::card::{DetectOptions, find_cards};
use rowsight::design::from_photo::{PaperPhoto, trace};
use rowsight::photo;
use rowsight::plane::joint::Prior;
use rowsight::plane::start::camera_prior;
use rowsight::rehearse::{distance_rms_mm, jpeg, practice_paper, render_paper};
use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let text = |name: &str| {
        let at = arguments.iter().position(|a| a == name)?;
        arguments.get(at + 1)
    };
    let value = |name: &str, or: f64| text(name).and_then(|t| t.parse().ok()).unwrap_or(or);
    let folder = text("--folder").map(PathBuf::from);
    if let Some(folder) = &folder {
        std::fs::create_dir_all(folder)?;
    }
    let told = arguments.iter().any(|a| a == "--told");
    let (mut lines, mut lengths, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    let seeds = value("--from", 0.0) as u64..value("--to", 30.0) as u64;
    let drawn = seeds.end - seeds.start;
    for seed in seeds {
        let paper = practice_paper(seed, value("--mp", 4.0));
        let bytes = jpeg(&render_paper(&paper), &paper.scene)?;
        let path = PathBuf::from(format!("paper-{seed:03}.jpg"));
        if let Some(folder) = &folder {
            std::fs::write(folder.join(&path), &bytes)?;
        }
        let photo = photo::decode(bytes, &path)?;
        let card = &paper.scene.cards[0];
        // What a person reads off a ruler.
        let bar_mm = (card.bar_mm * 4.0).round() / 4.0;
        let (width, height) = photo.luma.dimensions();
        let colour = photo.colour()?;
        let line = &paper.print[0];
        let head = format!(
            "{seed:4} {:4.1} mm wide, {:3.0} mm high, {}{} row(s), bar {bar_mm:.2}",
            line.width_mm,
            paper.design.height_mm(),
            if line.dash_mm.is_some() {
                "dashed, "
            } else {
                ""
            },
            paper.rows.len(),
        );
        let found = match find_cards(&photo.luma, &DetectOptions::default()) {
            Ok(found) => found,
            Err(error) => {
                println!("{head}: {error}");
                continue;
            }
        };
        let board_mm = if told {
            Prior::new(card.height_mm, 0.3)
        } else {
            Prior::new(2.0, 1.2)
        };
        let traced = trace(&PaperPhoto {
            colour: &colour,
            cards: &found.cards,
            camera: camera_prior(&photo.facts, width, height),
            card_bar_mm: bar_mm,
            board_mm,
            repeat_mm: None,
            line: None,
        });
        match traced {
            Err(error) => println!("{head}: {error}"),
            Ok(traced) => {
                let rms = distance_rms_mm(&traced.design, &paper.design);
                let off = traced.repeat_mm.value - paper.design.repeat_mm;
                let percent = 100.0 * off / paper.design.repeat_mm;
                println!(
                    "{head}: repeat {percent:+.3} % ({:+.1} u), line {rms:.3} mm, agreement {:.3} mm, {} gaps",
                    off / traced.repeat_mm.u,
                    traced.agreement_mm,
                    traced.bridges.len(),
                );
                lines.push(rms);
                lengths.push(percent);
                ratios.push(off / traced.repeat_mm.u);
            }
        }
    }
    let n = lines.len();
    let rms = |v: &[f64]| (v.iter().map(|x| x * x).sum::<f64>() / v.len().max(1) as f64).sqrt();
    let most = |v: &[f64]| v.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
    let within = |v: &[f64], limit: f64| v.iter().filter(|x| x.abs() <= limit).count();
    println!("{n} of {drawn} papers traced");
    println!(
        "line: {} of {n} within 0.4 mm, RMS {:.3}, worst {:.3} mm",
        within(&lines, 0.4),
        rms(&lines),
        most(&lines)
    );
    println!(
        "repeat: {} of {n} within 0.3 %, RMS {:.3} %, worst {:.3} %; 95 % interval holds in {}",
        within(&lengths, 0.3),
        rms(&lengths),
        most(&lengths),
        within(&ratios, 1.96)
    );
    Ok(())
}

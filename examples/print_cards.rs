//! Writes the measuring cards for both papers into a folder, as PDF and as SVG pages:
//! `cargo run --example print_cards -- FOLDER`.

use rowsight::card::print::{CardOrder, Numbers, Paper, pdf, svg_pages};
use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| ".".to_owned()));
    let sheets = Numbers { first: 1, count: 2 };
    let strips = Numbers { first: 1, count: 4 };
    for (name, paper) in [("a4", Paper::A4), ("letter", Paper::Letter)] {
        let order = CardOrder::new(paper, sheets, strips)?;
        std::fs::write(folder.join(format!("cards-{name}.pdf")), pdf(&order)?)?;
        for (page, svg) in (1..).zip(svg_pages(&order)?) {
            std::fs::write(folder.join(format!("cards-{name}-{page}.svg")), svg)?;
        }
    }
    Ok(())
}

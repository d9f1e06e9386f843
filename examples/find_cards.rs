//! Lists the measuring cards found in JPEG photos, and how long the steps took:
//! `cargo run --example find_cards -- photo.jpg`
use rowsight::card::tags::{ReadOptions, Shrunk, read_tags};
use rowsight::card::{DetectOptions, find_cards};
use std::time::Instant;

fn main() -> anyhow::Result<()> {
    for path in std::env::args().skip(1) {
        let bytes = std::fs::read(&path)?;
        let luma = zune_core::options::DecoderOptions::default()
            .jpeg_set_out_colorspace(zune_core::colorspace::ColorSpace::Luma);
        let cursor = zune_core::bytestream::ZCursor::new(&bytes);
        let mut decoder = zune_jpeg::JpegDecoder::new_with_options(cursor, luma);
        let pixels = decoder.decode()?;
        let (width, height) = decoder.dimensions().unwrap_or_default();
        let luma = image::GrayImage::from_raw(width as u32, height as u32, pixels)
            .ok_or_else(|| anyhow::anyhow!("{path}: not a grey picture"))?;
        let coarse = ReadOptions {
            least_contrast: 24,
            most_wrong_bits: 1,
        };
        let start = Instant::now();
        let small = Shrunk::new(&luma, (width.max(height) as u32 / 1000).max(1));
        let shrunk = start.elapsed();
        let tags = read_tags(&small, &coarse)?;
        let read = start.elapsed();
        let again = Instant::now();
        let found = find_cards(&luma, &DetectOptions::default());
        let whole = again.elapsed();
        println!(
            "{path}: {width} x {height}, {} tags; shrink {shrunk:.1?}, read {:.1?}, all {whole:.1?}",
            tags.len(),
            read - shrunk
        );
        match found {
            Err(error) => println!("  {error}\n  try: {}", error.remedy()),
            Ok(found) => {
                for card in &found.cards {
                    println!(
                        "  {}: {} corners, tags {:?}",
                        card.card,
                        card.corners.len(),
                        card.tags
                    );
                }
                println!("  blur {:.2} px", found.blur_px.unwrap_or(f64::NAN));
                for warning in &found.warnings {
                    println!("  {warning}");
                }
            }
        }
    }
    Ok(())
}

//! Why a photo shows no card, as far as the picture says.

use super::error::CardError;
use super::tags::Shrunk;
use image::GrayImage;

/// Blur of the sharpest edges in a picture of 1000 px from which it, and not a missing card, is the
/// reason that nothing was found.
const MOST_BLUR_PX: f64 = 2.4;

/// Why nothing was found, as far as the picture says.
///
/// `small` is the coarsest picture, `finest_factor` the shrink factor of the finest one searched.
pub fn nothing_found(small: &Shrunk, finest_factor: u32) -> CardError {
    let pixels = small.picture.as_raw();
    let share = |f: fn(u8) -> bool| {
        pixels.iter().filter(|v| f(**v)).count() as f64 / pixels.len().max(1) as f64
    };
    let clipped = share(|v| v >= 252);
    if clipped > 0.3 {
        return CardError::OverExposed {
            percent: 100.0 * clipped,
        };
    }
    if share(|v| v > 40) < 0.01 {
        return CardError::TooDark;
    }
    // In a picture of 1000 px a card that would be of use has cells of 2 px and more.
    let blur = sharpest_edge(&small.picture);
    if blur > MOST_BLUR_PX {
        // From 10 to 90 % of a Gaussian edge: 2.56 standard deviations.
        return CardError::Blurred {
            edge_px: 2.56 * blur * f64::from(small.factor),
        };
    }
    CardError::NoCard {
        smallest_px: 20.0_f64.max(12.0 * f64::from(finest_factor)),
    }
}

/// Blur of the sharpest strong edges of a picture, standard deviation, px: contrast over slope.
///
/// For a step of height C blurred by σ the steepest slope is C/(√(2π)·σ). Of all places whose contrast
/// along the row is among the strongest twentieth, the twentieth percentile. The slope is taken over
/// 4 px, clear of noise; that alone looks like a blur of 1.6 px.
fn sharpest_edge(picture: &GrayImage) -> f64 {
    const REACH: usize = 20;
    let width = picture.width() as usize;
    let mut edges: Vec<(u8, f64)> = Vec::new();
    for row in picture.as_raw().chunks_exact(width.max(1)).step_by(3) {
        for window in row.windows(2 * REACH + 1).step_by(REACH) {
            let low = window.iter().min().copied().unwrap_or(0);
            let high = window.iter().max().copied().unwrap_or(0);
            let rise = window
                .windows(5)
                .map(|p| p[0].abs_diff(p[4]))
                .max()
                .unwrap_or(0);
            let slope = f64::from(rise.max(1)) / 4.0;
            let contrast = high - low;
            edges.push((contrast, f64::from(contrast) / (2.507 * slope)));
        }
    }
    edges.sort_by_key(|e| std::cmp::Reverse(e.0));
    edges.truncate(edges.len().div_ceil(20));
    let mut blurs: Vec<f64> = edges.into_iter().map(|e| e.1).collect();
    blurs.sort_by(f64::total_cmp);
    blurs.get(blurs.len() / 20).copied().unwrap_or(0.0)
}

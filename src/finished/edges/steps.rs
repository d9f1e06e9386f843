//! Long steps of brightness along a side of the quilt, in a band laid along it.
//!
//! A band is the photo straightened along a side: bins of a few centimetres along it, cells of a millimetre outwards.
//! A step is judged against how much the picture varies on both sides of it, so that a print's own outlines do not
//! count as much as the end of the quilt. Steps are followed over all bins by dynamic programming (R. Bellman, 1957),
//! the strongest first.

/// Side of a cell outwards, mm.
pub(super) const CELL_MM: f64 = 1.0;
/// Length of a bin along the side, mm.
pub(super) const BIN_MM: f64 = 32.0;
/// Cells on each side of a step by which it is judged, those next to it left out: there it is blurred.
const JUDGED: usize = 8;
const BLURRED: usize = 1;
/// Cells beside a step that have to be seen.
pub(super) const CONTEXT: usize = JUDGED + BLURRED;
/// Cells on each side by which it is placed.
const PLACED: usize = 3;
/// Grey levels of noise that any two places may differ by.
const NOISE_LEVELS: f32 = 2.5;
/// Step over variation from which a bin shows the step.
pub(super) const SHOWS: f32 = 1.0;
/// What one bin can say at most for a path, and against it.
const MOST: f32 = 3.0;
const LEAST: f32 = -0.5;
/// Cells a path may move from one bin to the next, and what each costs, squared.
const MOVE: i64 = 3;
const MOVE_COST: f32 = 0.04;
/// Cells around a path that no other one of its sign may use.
const APART: usize = 4;
/// Paths looked for, of each sign.
const PATHS: usize = 5;

/// Mean luma by bin and cell; not a number where nothing is seen.
#[derive(Debug, Clone)]
pub(super) struct Band {
    pub bins: usize,
    pub cells: usize,
    pub luma: Vec<f32>,
}

impl Band {
    fn profile(&self, bin: usize) -> &[f32] {
        &self.luma[bin * self.cells..(bin + 1) * self.cells]
    }
}

/// A step followed along the side.
#[derive(Debug, Clone)]
pub(super) struct Path {
    /// Brighter outside (1) or darker (−1).
    pub sign: f32,
    /// By bin, the cell from which on it is the other side; fractions of a cell. Not a number where it does not show.
    pub places: Vec<f64>,
    /// Mean of step over variation where anything is seen.
    pub strength: f32,
    /// Share of the bins seen in which it shows.
    pub share: f32,
}

/// Mean and variance of some cells; `None` where one is not seen.
fn mean_and_variance(cells: &[f32]) -> Option<(f32, f32)> {
    let n = cells.len() as f32;
    let mean = cells.iter().sum::<f32>() / n;
    mean.is_finite().then(|| {
        let squares: f32 = cells.iter().map(|v| (v - mean).powi(2)).sum();
        (mean, squares / n)
    })
}

/// The straight line through some cells (least squares), carried on to the border before the first of them, and the variance about it; `None` where one is not seen.
fn at_border(cells: impl Iterator<Item = f32> + Clone, n: usize) -> Option<(f32, f32)> {
    let count = n as f32;
    let middle = (count - 1.0) / 2.0;
    let mean = cells.clone().sum::<f32>() / count;
    if !mean.is_finite() {
        return None;
    }
    let moment = count * (count * count - 1.0) / 12.0;
    let product: f32 = cells
        .clone()
        .enumerate()
        .map(|(i, v)| (i as f32 - middle) * v)
        .sum();
    let slope = product / moment;
    let squares: f32 = cells
        .enumerate()
        .map(|(i, v)| (v - mean - slope * (i as f32 - middle)).powi(2))
        .sum();
    let to_border = middle + 0.5 + BLURRED as f32;
    Some((mean - slope * to_border, squares / (count - 2.0)))
}

/// Step over variation at each border of cells of a profile; not a number where nothing is seen. What falls or rises
/// evenly on both sides, as the shade on the floor beside a quilt does, is no step.
fn judged(profile: &[f32]) -> Vec<f32> {
    (0..profile.len())
        .map(|i| {
            if i < CONTEXT || i + CONTEXT > profile.len() {
                return f32::NAN;
            }
            let (inside, outside) = (&profile[..i - BLURRED], &profile[i + BLURRED..]);
            let over =
                |step: f32, variance: f32| step / (variance + NOISE_LEVELS * NOISE_LEVELS).sqrt();
            let far = {
                let inside = inside.iter().rev().take(JUDGED).copied();
                let outside = outside.iter().take(JUDGED).copied();
                at_border(inside, JUDGED).zip(at_border(outside, JUDGED))
            };
            let near = {
                let inside = mean_and_variance(&inside[inside.len() - PLACED..]);
                inside.zip(mean_and_variance(&outside[..PLACED]))
            };
            let (Some((a, b)), Some((c, d))) = (far, near) else {
                return f32::NAN;
            };
            // Beside a step the lines are led astray, but nothing changes there.
            let (far, near) = (over(b.0 - a.0, a.1 + b.1), over(d.0 - c.0, c.1 + d.1));
            match far * near > 0.0 {
                true => far.signum() * far.abs().min(near.abs()),
                false => 0.0,
            }
        })
        .collect()
}

/// Step over variation by bin and cell, the mean of all photos that show it.
pub(super) fn evidence(bands: &[Band]) -> Vec<Vec<f32>> {
    let Some(first) = bands.first() else {
        return Vec::new();
    };
    (0..first.bins)
        .map(|bin| {
            let mut sum = vec![0.0f32; first.cells];
            let mut count = vec![0.0f32; first.cells];
            for band in bands {
                for (i, t) in judged(band.profile(bin)).into_iter().enumerate() {
                    if t.is_finite() {
                        sum[i] += t;
                        count[i] += 1.0;
                    }
                }
            }
            // 0/0 is not a number, as it should be.
            sum.iter().zip(&count).map(|(s, n)| s / n).collect()
        })
        .collect()
}

/// The strongest steps over these bins, either sign.
pub(super) fn paths(bands: &[Band], evidence: &[Vec<f32>]) -> Vec<Path> {
    let mut found = Vec::new();
    for sign in [1.0, -1.0] {
        let mut scores: Vec<Vec<f32>> = evidence
            .iter()
            .map(|bin| bin.iter().map(|t| (sign * t).clamp(LEAST, MOST)).collect())
            .collect();
        for _ in 0..PATHS {
            let Some(cells) = strongest(&scores) else {
                break;
            };
            found.extend(path(bands, evidence, &cells, sign));
            for (bin, cell) in scores.iter_mut().zip(&cells) {
                let near = cell.saturating_sub(APART)..(cell + APART + 1).min(bin.len());
                bin[near].fill(LEAST);
            }
        }
    }
    found
}

/// The path of the greatest sum of scores, as a cell in each bin.
fn strongest(scores: &[Vec<f32>]) -> Option<Vec<usize>> {
    let cells = scores.first()?.len();
    // What is not seen speaks neither for nor against.
    let score = |bin: usize, cell: usize| match scores[bin][cell] {
        s if s.is_nan() => 0.0,
        s => s,
    };
    let mut best: Vec<f32> = (0..cells).map(|cell| score(0, cell)).collect();
    let mut came: Vec<Vec<usize>> = Vec::new();
    for bin in 1..scores.len() {
        let mut from = vec![0; cells];
        let next = (0..cells)
            .map(|cell| {
                let reach = (-MOVE..=MOVE).filter_map(|by| {
                    let other = usize::try_from(cell as i64 + by).ok()?;
                    let before = best.get(other)?;
                    Some((other, before - MOVE_COST * (by * by) as f32))
                });
                let (other, before) = reach
                    .max_by(|a, b| a.1.total_cmp(&b.1))
                    .unwrap_or((cell, 0.0));
                from[cell] = other;
                before + score(bin, cell)
            })
            .collect();
        best = next;
        came.push(from);
    }
    let last = (0..cells).max_by(|a, b| best[*a].total_cmp(&best[*b]))?;
    let mut path = vec![last];
    for from in came.iter().rev() {
        path.push(from[path[path.len() - 1]]);
    }
    path.reverse();
    Some(path)
}

fn path(bands: &[Band], evidence: &[Vec<f32>], cells: &[usize], sign: f32) -> Option<Path> {
    let mut places = vec![f64::NAN; cells.len()];
    let (mut sum, mut seen, mut shows) = (0.0f32, 0u32, 0u32);
    for (bin, cell) in cells.iter().enumerate() {
        let t = sign * evidence[bin][*cell];
        if t.is_nan() {
            continue;
        }
        seen += 1;
        sum += t.min(MOST);
        if t >= SHOWS {
            shows += 1;
            places[bin] = placed(bands, bin, *cell, sign).unwrap_or(f64::NAN);
        }
    }
    (seen > 0).then(|| Path {
        sign,
        places,
        strength: sum / seen as f32,
        share: shows as f32 / seen as f32,
    })
}

/// Where a step is, to a fraction of a cell: the top of its slope, the mean over the photos that show it.
fn placed(bands: &[Band], bin: usize, near: usize, sign: f32) -> Option<f64> {
    let places = bands.iter().filter_map(|band| {
        let profile = band.profile(bin);
        let slope = |i: usize| -> Option<f32> {
            let inside = profile.get(i.checked_sub(PLACED)?..i)?;
            let outside = profile.get(i..i + PLACED)?;
            let (a, b) = (mean_and_variance(inside)?, mean_and_variance(outside)?);
            Some(sign * (b.0 - a.0))
        };
        let reach = near.saturating_sub(APART)..=near + APART;
        let (top, _) = reach
            .filter_map(|i| Some((i, slope(i)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let (a, b, c) = (slope(top.checked_sub(1)?)?, slope(top)?, slope(top + 1)?);
        let bend = a - 2.0 * b + c;
        let by = if bend < 0.0 {
            0.5 * (a - c) / bend
        } else {
            0.0
        };
        Some(top as f64 + f64::from(by.clamp(-1.0, 1.0)))
    });
    let all: Vec<f64> = places.collect();
    (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Grey 60 inside, 150 outside, the step at 25.4 + a slow wave; noise of 4 levels.
    fn band(bins: usize) -> (Band, Vec<f64>) {
        let cells = 60;
        let places: Vec<f64> = (0..bins)
            .map(|b| 25.4 + 2.0 * (b as f64 / 4.0).sin())
            .collect();
        let mut luma = Vec::new();
        let mut state = 1u32;
        for place in &places {
            for i in 0..cells {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = 4.0 * (f64::from(state >> 8) / f64::from(1 << 23) - 1.0);
                let outside = (i as f64 + 1.0 - place).clamp(0.0, 1.0);
                luma.push((60.0 + 90.0 * outside + noise) as f32);
            }
        }
        (Band { bins, cells, luma }, places)
    }

    #[test]
    fn a_wavy_step_is_followed_to_a_fraction_of_a_cell() {
        let (band, places) = band(30);
        let bands = [band];
        let all = evidence(&bands);
        let found = paths(&bands, &all);
        let best = found
            .iter()
            .max_by(|a, b| a.strength.total_cmp(&b.strength))
            .unwrap();
        assert_eq!((best.sign, best.share), (1.0, 1.0));
        for (found, set) in best.places.iter().zip(&places) {
            assert!((found - set).abs() < 0.35, "{found} {set}");
        }
    }

    #[test]
    fn an_even_rise_is_no_step() {
        let rise: Vec<f32> = (0..60).map(|i| 40.0 + 3.0 * i as f32).collect();
        assert!(
            judged(&rise)
                .iter()
                .filter(|t| t.is_finite())
                .all(|t| t.abs() < 0.01)
        );
    }

    #[test]
    fn nothing_is_found_in_noise_and_where_nothing_is_seen() {
        let (mut band, _) = band(20);
        for (i, v) in band.luma.iter_mut().enumerate() {
            *v = 100.0 + 20.0 * ((i * 7919 % 101) as f32 / 50.0 - 1.0);
        }
        let all = evidence(std::slice::from_ref(&band));
        assert!(paths(&[band.clone()], &all).iter().all(|p| p.share < 0.5));
        band.luma.fill(f32::NAN);
        let all = evidence(std::slice::from_ref(&band));
        assert!(paths(&[band], &all).is_empty());
    }
}

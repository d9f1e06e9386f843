//! The photo straightened along a row's curve, and the stitched line found in it.
//!
//! A strip runs along the curve, one sample per millimetre, and reaches some millimetres to both sides
//! along the curve's normal. In it the stitching is a nearly straight line, light or dark or only a
//! groove, that strays as a hand strays: slowly. It is the path through the strip that collects most
//! evidence (A. Viterbi, IEEE Trans. Inf. Theory 13(2), 1967), refined between the samples by the
//! vertex of a parabola.

use super::correlate;
use crate::geometry::{Point2, Vector2};
use image::GrayImage;
use nalgebra::{SMatrix, SVector};
use pulp::Arch;

/// Step along the curve, mm.
pub const ARC_STEP_MM: f64 = 1.0;
/// Step across the curve, mm.
pub const ACROSS_STEP_MM: f64 = 0.3;
/// Scales of the second derivative across, mm: a thread, a thread in its groove, a soft groove.
pub const LINE_SIGMAS_MM: [f64; 3] = [0.6, 1.1, 1.8];
/// Scale of the first derivative across, mm: a groove with one wall lit and one in the shade.
pub const GROOVE_SIGMA_MM: f64 = 0.6;
/// Scale at which a line is shown for what it is, mm.
const SHOWN_SIGMA_MM: f64 = LINE_SIGMAS_MM[1];
/// Half length of the smoothing along the curve, samples: a stitch and its needle holes.
const ALONG_HALF: usize = 3;
/// A thread's own scale, mm, and half length of the smoothing of what is told at it, samples.
const THREAD_SIGMA_MM: f64 = 0.5;
const THREAD_ALONG_HALF: usize = 5;
/// What a bend as strong as is usual around counts, in levels: far above what counts as nothing.
const THREAD_LEVELS: f32 = 10.0;
/// Half length of the neighbourhood evidence is compared with, samples.
pub const NEIGHBOURHOOD: usize = 25;
/// Across-samples from the line within which its own flanks answer.
const BESIDE: usize = 8;
/// Evidence above this many times the local mean hardly counts more.
const CLIP: f32 = 4.0;
/// How much it still counts there: on plain cloth a line and its flanks all lie above, and the line is the
/// highest of them.
const BEYOND_CLIP: f32 = 0.1;

/// Half width of the profile by which a row knows its own line, samples.
const LOOK_HALF: usize = 9;
const LOOK: usize = 2 * LOOK_HALF + 1;
/// Directions of the line in which its look is learned.
const LOOK_DIRECTIONS: usize = 12;
/// Samples of the line by which a look is learned at least.
const LEAST_LOOK: f32 = 200.0;
/// Weight of the mean look in each direction's, samples.
const LOOK_LEAN: f32 = 40.0;
/// Share of the mean variance that is added to every profile sample beside the line: keeps the inverse tame.
const LOOK_FLOOR: f32 = 0.05;
/// By how much more profiles have to agree as they are than up to their sign where they are of a groove.
const GROOVE_AGREES: f32 = 1.1;

/// How freely a line is taken to stray and to change; costs in evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Freedom {
    /// Of a step of one across-sample between neighbouring samples.
    bend_cost: f32,
    /// Of a change from a light line to a dark one: at a seam, seldom.
    flip_cost: f32,
    /// Of a sample that strays as far as is expected.
    stray_cost: f32,
    /// Half length of the running mean in which the line's strength is judged, samples.
    strength_half: usize,
}

impl Freedom {
    /// Of a plain line: it goes wherever it is seen.
    pub const PLAIN: Freedom = Freedom {
        bend_cost: 0.25,
        flip_cost: 10.0,
        stray_cost: 0.12,
        strength_half: 8,
    };
    /// Of a faint one. A path that may go anywhere finds something everywhere; the less freely it strays, the less it finds
    /// where no line is, and the less of a line that is there is lost to it.
    pub const FAINT: Freedom = Freedom {
        bend_cost: 4.0,
        flip_cost: 40.0,
        stray_cost: 0.5,
        strength_half: 15,
    };
}

/// Where one sample of a strip lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripSample {
    /// Along the unstretched row, mm.
    pub along_mm: f64,
    /// Across from the baseline, unstretched, mm.
    pub across_mm: f64,
    /// On the quilt, mm.
    pub on_quilt: Point2,
    /// Unit normal of the curve on the quilt.
    pub normal_on_quilt: Vector2,
    /// In the photo, px.
    pub px: Point2,
    /// Photo displacement per mm along the quilt's normal, px/mm.
    pub per_mm: Vector2,
    /// Unit normal of the curve in the photo.
    pub normal_px: Vector2,
    /// In the photo, on the quilt, and free of cards.
    pub visible: bool,
    /// A card lies within the strip's reach.
    pub beside_card: bool,
}

/// A straightened stretch of a photo: `smooth[sample][across]`, across from −half to +half.
#[derive(Debug, Clone)]
pub struct Strip {
    /// Samples, one per step along the curve.
    pub samples: Vec<StripSample>,
    /// Samples to each side of the curve.
    pub half: usize,
    /// Luma smoothed along the curve over the visible samples around, row-major, `2·half + 1` a sample; NaN
    /// where it is not visible.
    smooth: Vec<f32>,
    /// The same as it is.
    raw: Vec<f32>,
}

/// The stitched line in a strip, by sample.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LinePoint {
    /// Where it lies along the normal, mm; meaningless where `evidence` is not a number.
    pub across_mm: f32,
    /// Evidence on it, in means of the evidence around; NaN where nothing is visible.
    pub evidence: f32,
    /// How far the line stands out: evidence on it over a centimetre or two along the curve, against
    /// evidence beside it. Chance gives about 2.
    pub strength: f32,
}

/// What a strip shows at its line, by sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Second derivative of the luma across the line at a thread's scale, as in [`Strip::bends`], held against nothing:
    /// positive on a light line, grey levels. NaN where nothing is visible.
    pub bend: f32,
    /// Mean luma beside the line and its flanks, grey levels; NaN where nothing is visible.
    pub cloth: f32,
}

impl Strip {
    /// Samples the photo.
    pub fn new(luma: &GrayImage, samples: Vec<StripSample>, reach_mm: f64) -> Strip {
        let half = (reach_mm / ACROSS_STEP_MM).round() as usize;
        let across = 2 * half + 1;
        let (w, h) = (luma.width() as usize, luma.height() as usize);
        let pixels = luma.as_raw();
        let mut values = vec![f32::NAN; samples.len() * across];
        for (sample, line) in samples.iter().zip(values.chunks_exact_mut(across)) {
            if !sample.visible {
                continue;
            }
            let step = sample.per_mm * ACROSS_STEP_MM;
            let start = sample.px - step * half as f64 - Vector2::new(0.5, 0.5);
            let (mut x, mut y) = (start.x as f32, start.y as f32);
            let (dx, dy) = (step.x as f32, step.y as f32);
            for v in line {
                let (i, j) = (x as usize, y as usize);
                if x >= 0.0 && y >= 0.0 && i + 1 < w && j + 1 < h {
                    let (tx, ty) = (x - i as f32, y - j as f32);
                    let at = |i: usize, j: usize| f32::from(pixels[j * w + i]);
                    let top = at(i, j) + tx * (at(i + 1, j) - at(i, j));
                    let bottom = at(i, j + 1) + tx * (at(i + 1, j + 1) - at(i, j + 1));
                    *v = top + ty * (bottom - top);
                }
                x += dx;
                y += dy;
            }
        }
        let smooth = smoothed(&samples, &values, across, ALONG_HALF);
        Strip {
            samples,
            half,
            smooth,
            raw: values,
        }
    }

    fn across(&self) -> usize {
        2 * self.half + 1
    }

    /// Second derivative across at a scale of `sigma_mm`, smoothed along the curve: positive on a light
    /// line. NaN where it is not visible.
    pub fn bends(&self, sigma_mm: f64) -> Vec<f32> {
        filtered(
            &self.smooth,
            self.across(),
            &second_derivative_kernel(sigma_mm),
        )
    }

    /// First derivative across, smoothed along the curve: largest in the middle of a groove of which one wall is lit and the
    /// other in the shade, where a bend is largest on either wall. NaN where it is not visible.
    pub fn slopes(&self) -> Vec<f32> {
        filtered(
            &self.smooth,
            self.across(),
            &first_derivative_kernel(GROOVE_SIGMA_MM),
        )
    }

    /// Second derivative across at a thread's own scale, no stronger one counting more than is usual around, and only
    /// then smoothed along the curve: what a print's figures do both ways cancels, as in
    /// [`super::map::LineMap::of_threads`]. Positive on a light line, NaN where it is not visible.
    pub fn threads(&self) -> Vec<f32> {
        let across = self.across();
        let kernel = second_derivative_kernel(THREAD_SIGMA_MM);
        let mut bends = filtered(&self.raw, across, &kernel);
        let around = mean_sizes_around(&bends, across);
        for (line, mean) in bends.chunks_exact_mut(across).zip(around) {
            for b in line {
                *b = THREAD_LEVELS * (*b / (mean + 0.1)).clamp(-1.0, 1.0);
            }
        }
        smoothed(&self.samples, &bends, across, THREAD_ALONG_HALF)
    }

    /// What the strip shows at a line found in it.
    pub fn shown(&self, line: &[LinePoint]) -> Vec<Shown> {
        let across = self.across();
        let kernel = second_derivative_kernel(SHOWN_SIGMA_MM);
        let reach = kernel.len() / 2;
        self.smooth
            .chunks_exact(across)
            .zip(line)
            .map(|(values, point)| {
                let k = (point.across_mm / ACROSS_STEP_MM as f32).round() + self.half as f32;
                if point.strength.is_nan() || values[0].is_nan() {
                    return Shown {
                        bend: f32::NAN,
                        cloth: f32::NAN,
                    };
                }
                let k = (k.max(0.0) as usize).min(across - 1);
                // The ends are continued, so that every place has a whole window.
                let at = |j: usize| values[(k + j).saturating_sub(reach).min(across - 1)];
                let bend = kernel.iter().enumerate().map(|(j, w)| w * at(j)).sum();
                let beside = values.iter().enumerate();
                let beside = beside.filter(|(i, _)| i.abs_diff(k) > BESIDE);
                let (sum, n) = beside.fold((0.0, 0.0), |(s, n), (_, v)| (s + v, n + 1.0));
                Shown {
                    bend,
                    cloth: sum / n,
                }
            })
            .collect()
    }

    /// Response to a look: how alike each place is to it. NaN where it is not visible.
    pub fn likeness(&self, look: &Look) -> Vec<f32> {
        let across = self.across();
        let smooth = &self.smooth;
        let mut out = vec![f32::NAN; smooth.len()];
        let mut padded = vec![0.0f32; across + 2 * LOOK_HALF];
        for (i, (values, o)) in smooth
            .chunks_exact(across)
            .zip(out.chunks_exact_mut(across))
            .enumerate()
        {
            if values[0].is_nan() {
                continue;
            }
            let (bin, part) = self.look_direction(i);
            let next = (bin + 1) % LOOK_DIRECTIONS;
            let filter = look.filters[bin] * (1.0 - part) + look.filters[next] * part;
            // The ends are continued, so that every place has a whole window.
            padded[..LOOK_HALF].fill(values[0]);
            padded[LOOK_HALF..LOOK_HALF + across].copy_from_slice(values);
            padded[LOOK_HALF + across..].fill(values[across - 1]);
            correlate(&padded, filter.as_slice(), o);
            if look.is_groove {
                o.iter_mut().for_each(|v| *v = v.max(0.0));
            }
        }
        out
    }

    /// Direction of the curve's normal in the photo: bin and the way to the next.
    fn look_direction(&self, sample: usize) -> (usize, f32) {
        let n = self.samples[sample].per_mm;
        let turn =
            (n.y.atan2(n.x) / std::f64::consts::TAU).rem_euclid(1.0) * LOOK_DIRECTIONS as f64;
        (turn as usize % LOOK_DIRECTIONS, turn.fract() as f32)
    }

    /// Evidence: the bend over its mean size around, clipped, positive for a light line.
    pub fn evidence(&self, bends: &[f32]) -> Vec<f32> {
        let across = self.across();
        let around = mean_sizes_around(bends, across);
        bends
            .chunks_exact(across)
            .zip(around)
            .flat_map(|(line, mean)| {
                line.iter().map(move |b| {
                    let evidence = b / (mean + 0.1);
                    let clipped = evidence.clamp(-CLIP, CLIP);
                    clipped + BEYOND_CLIP * (evidence - clipped)
                })
            })
            .collect()
    }

    /// The line: the path of most evidence through each visible run of the strip.
    ///
    /// `expected_mm` is how far the stitching strays from the curve as a rule: a path that strays further
    /// has to collect more.
    pub fn line(&self, evidence: &[f32], expected_mm: f64, freedom: Freedom) -> Vec<LinePoint> {
        let per_step = (ACROSS_STEP_MM / expected_mm) as f32;
        let strays: Vec<f32> = (0..self.across())
            .map(|k| freedom.stray_cost * ((k as f32 - self.half as f32) * per_step).powi(2))
            .collect();
        let across = self.across();
        let mut points = vec![
            LinePoint {
                across_mm: 0.0,
                evidence: f32::NAN,
                strength: f32::NAN
            };
            self.samples.len()
        ];
        let seen = |i: usize| !evidence[i * across].is_nan();
        let mut start = 0;
        while start < self.samples.len() {
            if !seen(start) {
                start += 1;
                continue;
            }
            let mut end = start;
            while end < self.samples.len() && seen(end) {
                end += 1;
            }
            if end - start >= 8 {
                let run = &evidence[start * across..end * across];
                let path = best_path(run, across, &strays, freedom);
                let strengths = strengths(run, across, &path, freedom.strength_half);
                for (i, point) in points[start..end].iter_mut().enumerate() {
                    let line = &run[i * across..(i + 1) * across];
                    let (k, sign) = path[i];
                    let vertex = if k > 0 && k + 1 < across {
                        let (low, top, high) =
                            (sign * line[k - 1], sign * line[k], sign * line[k + 1]);
                        let bend = low - 2.0 * top + high;
                        if bend < 0.0 {
                            (0.5 * (low - high) / bend).clamp(-0.5, 0.5)
                        } else {
                            0.0
                        }
                    } else {
                        0.0
                    };
                    *point = LinePoint {
                        across_mm: (k as f32 + vertex - self.half as f32) * ACROSS_STEP_MM as f32,
                        evidence: line[k],
                        strength: strengths[i],
                    };
                }
            }
            start = end;
        }
        points
    }
}

/// What the line looks like in a photo: the filter across it that tells it best from what lies beside it,
/// by the line's direction, as light falls into its groove differently from every side.
///
/// The filter is the linear discriminant (R. A. Fisher, Annals of Eugenics 7, 1936): the mean profile across
/// the line as traced so far, through the inverse covariance of profiles beside it, so that what the
/// fabric does all the time counts little.
#[derive(Debug, Clone)]
pub struct Look {
    /// The walls of a lit groove, whatever the thread in it: nothing looks like their opposite.
    is_groove: bool,
    filters: [Profile; LOOK_DIRECTIONS],
}

type Profile = SVector<f32, LOOK>;

impl Look {
    /// Whether it is that of a groove lit from one side.
    pub fn is_groove(&self) -> bool {
        self.is_groove
    }

    /// Learns the look from strips of one photo and the lines found in them, where these are at least
    /// as strong as `least`. A line is taken as what it is up to its sign: the same thread is light on
    /// one patch and dark on the next; but where profiles agree better as they are, or `is_groove` says so, they are of a
    /// groove lit from one side. `None` where too little is known.
    pub fn learn(strips: &[(&Strip, &[LinePoint])], least: f32, is_groove: bool) -> Option<Look> {
        let mut of_threads = [Profile::zeros(); LOOK_DIRECTIONS];
        let mut of_grooves = [Profile::zeros(); LOOK_DIRECTIONS];
        let mut weights = [0.0f32; LOOK_DIRECTIONS];
        let mut beside = SMatrix::<f32, LOOK, LOOK>::zeros();
        let mut beside_n = 0.0;
        for (strip, line) in strips {
            let across = strip.across();
            let smooth = &strip.smooth;
            // A profile of size one, without its mean; less where there is nothing but noise.
            let profile = |i: usize, k: usize| -> Option<Profile> {
                let from = k.checked_sub(LOOK_HALF)?;
                let at = i * across + from;
                if from + LOOK > across || smooth[i * across].is_nan() {
                    return None;
                }
                let v = Profile::from_column_slice(&smooth[at..at + LOOK]);
                let v = v.add_scalar(-v.mean());
                Some(v / v.norm().max(1.0))
            };
            for (i, p) in line.iter().enumerate() {
                let k = (p.across_mm / ACROSS_STEP_MM as f32).round() + strip.half as f32;
                if p.strength.is_nan() || k < 0.0 {
                    continue;
                }
                let k = k as usize;
                if p.strength >= least
                    && let Some(v) = profile(i, k)
                {
                    let (bin, part) = strip.look_direction(i);
                    for (bin, share) in [(bin, 1.0 - part), ((bin + 1) % LOOK_DIRECTIONS, part)] {
                        of_threads[bin] += v * share * p.evidence.signum();
                        of_grooves[bin] += v * share;
                        weights[bin] += share;
                    }
                }
                // Beside the line neighbours are alike: every fourth will do.
                if i % 4 != 0 {
                    continue;
                }
                for j in (LOOK_HALF..across - LOOK_HALF).step_by(3) {
                    if j.abs_diff(k) > LOOK_HALF
                        && let Some(v) = profile(i, j)
                    {
                        beside += v * v.transpose();
                        beside_n += 1.0;
                    }
                }
            }
        }
        let total: f32 = weights.iter().sum();
        if total < LEAST_LOOK || beside_n < LEAST_LOOK {
            return None;
        }
        // What means by direction leave of the sum of squares is least where they agree best.
        let agree = |looks: &[Profile; LOOK_DIRECTIONS]| -> f32 {
            let shares = looks.iter().zip(&weights);
            shares.map(|(l, w)| l.norm_squared() / w.max(1.0)).sum()
        };
        let is_groove = is_groove || agree(&of_grooves) > GROOVE_AGREES * agree(&of_threads);
        let looks = if is_groove { of_grooves } else { of_threads };
        beside /= beside_n;
        let floor = LOOK_FLOOR * beside.trace() / LOOK as f32;
        let inverse = (beside + SMatrix::identity() * floor).try_inverse()?;
        // A direction of which little is known leans on the mean of all.
        let mean = looks.iter().sum::<Profile>() / total;
        Some(Look {
            is_groove,
            filters: std::array::from_fn(|d| {
                let look = (looks[d] + mean * LOOK_LEAN) / (weights[d] + LOOK_LEAN);
                let filter = inverse * look;
                let filter = filter.add_scalar(-filter.mean());
                filter / filter.norm().max(1e-6)
            }),
        })
    }
}

/// Evidence on the path against evidence of the same sign beside it, both as running means over `half` samples to both sides.
fn strengths(evidence: &[f32], across: usize, path: &[(usize, f32)], half: usize) -> Vec<f32> {
    let (on, beside): (Vec<f32>, Vec<f32>) = evidence
        .chunks_exact(across)
        .zip(path)
        .map(|(line, &(k, sign))| {
            let (sum, n) = line
                .iter()
                .enumerate()
                .filter(|(i, _)| i.abs_diff(k) > BESIDE)
                .fold((0.0, 0.0), |(s, n), (_, e)| {
                    (s + (sign * e).max(0.0), n + 1.0)
                });
            (sign * line[k], if n > 0.0 { sum / n } else { f32::NAN })
        })
        .unzip();
    let (on, beside) = (running_mean(&on, half), running_mean(&beside, half));
    on.iter().zip(beside).map(|(a, b)| a / (b + 0.1)).collect()
}

/// `values[sample][across]` with a kernel of odd length laid across at every place; NaN where they are.
fn filtered(values: &[f32], across: usize, kernel: &[f32]) -> Vec<f32> {
    let reach = kernel.len() / 2;
    let mut out = vec![f32::NAN; values.len()];
    let mut padded = vec![0.0f32; across + 2 * reach];
    for (line, o) in values
        .chunks_exact(across)
        .zip(out.chunks_exact_mut(across))
    {
        if line[0].is_nan() || line[across - 1].is_nan() {
            continue;
        }
        // The ends are continued, so that every place has a whole window.
        padded[..reach].fill(line[0]);
        padded[reach..reach + across].copy_from_slice(line);
        padded[reach + across..].fill(line[across - 1]);
        correlate(&padded, kernel, o);
    }
    out
}

/// Mean size of the bends around each sample.
fn mean_sizes_around(bends: &[f32], across: usize) -> Vec<f32> {
    let means: Vec<f32> = bends
        .chunks_exact(across)
        .map(|line| line.iter().map(|b| b.abs()).sum::<f32>() / across as f32)
        .collect();
    running_mean(&means, NEIGHBOURHOOD)
}

/// `values[sample][across]` smoothed along the curve over the visible samples up to `half` to both sides; NaN where it is
/// not visible.
fn smoothed(samples: &[StripSample], values: &[f32], across: usize, half: usize) -> Vec<f32> {
    let n = samples.len();
    let mut smooth = vec![f32::NAN; n * across];
    for i in 0..n {
        if !samples[i].visible {
            continue;
        }
        let near = i.saturating_sub(half)..(i + half + 1).min(n);
        let out = &mut smooth[i * across..(i + 1) * across];
        out.fill(0.0);
        let mut weight = 0.0;
        for j in near {
            let line = &values[j * across..(j + 1) * across];
            if !samples[j].visible || line[0].is_nan() || line[across - 1].is_nan() {
                continue;
            }
            let w = 1.0 - (i as f32 - j as f32).abs() / (half as f32 + 1.0);
            weight += w;
            for (o, v) in out.iter_mut().zip(line) {
                *o += w * v;
            }
        }
        for o in out {
            *o = if weight > 0.0 { *o / weight } else { f32::NAN };
        }
    }
    smooth
}

/// Minus the second derivative of a Gaussian, without a mean.
fn second_derivative_kernel(sigma_mm: f64) -> Vec<f32> {
    kernel(sigma_mm, |t| 1.0 - t * t)
}

/// The first derivative of a Gaussian.
fn first_derivative_kernel(sigma_mm: f64) -> Vec<f32> {
    kernel(sigma_mm, |t| t)
}

/// A Gaussian times a factor by the distance in standard deviations, without a mean.
fn kernel(sigma_mm: f64, factor: impl Fn(f64) -> f64) -> Vec<f32> {
    let sigma = sigma_mm / ACROSS_STEP_MM;
    let reach = (3.0 * sigma).ceil() as i32;
    let mut kernel: Vec<f64> = (-reach..=reach)
        .map(|i| {
            let t = f64::from(i) / sigma;
            factor(t) * (-0.5 * t * t).exp()
        })
        .collect();
    let mean = kernel.iter().sum::<f64>() / kernel.len() as f64;
    kernel.iter_mut().for_each(|k| *k -= mean);
    kernel.into_iter().map(|k| k as f32).collect()
}

/// Mean of `values` up to `half` to both sides of each, of those that are numbers.
pub(crate) fn running_mean(values: &[f32], half: usize) -> Vec<f32> {
    let mut sums = vec![(0.0f64, 0u32)];
    for v in values {
        let (s, n) = sums[sums.len() - 1];
        sums.push(if v.is_nan() {
            (s, n)
        } else {
            (s + f64::from(*v), n + 1)
        });
    }
    (0..values.len())
        .map(|i| {
            let (a, b) = (
                sums[i.saturating_sub(half)],
                sums[(i + half + 1).min(values.len())],
            );
            if b.1 > a.1 {
                ((b.0 - a.0) / f64::from(b.1 - a.1)) as f32
            } else {
                f32::NAN
            }
        })
        .collect()
}

/// Step back to the line of the other sign.
const FLIP: i8 = 2;

/// The path through `evidence[sample][across]` with the largest sum, changing by at most one across
/// sample a step; with the sign under which it runs.
fn best_path(
    evidence: &[f32],
    across: usize,
    strays: &[f32],
    freedom: Freedom,
) -> Vec<(usize, f32)> {
    let Freedom {
        bend_cost,
        flip_cost,
        ..
    } = freedom;
    let n = evidence.len() / across;
    // Two layers: a light line, a dark line; each with a place beyond its ends that no path comes from.
    let width = across + 2;
    let layer = || vec![f32::NEG_INFINITY; width];
    let (mut total, mut next) = ([layer(), layer()], [layer(), layer()]);
    for (k, e) in evidence[..across].iter().enumerate() {
        total[0][k + 1] = e.max(0.0);
        total[1][k + 1] = (-e).max(0.0);
    }
    let mut from = vec![0i8; 2 * n * across];
    let processor = Arch::new();
    for i in 1..n {
        let line = &evidence[i * across..(i + 1) * across];
        let back = &mut from[2 * i * across..2 * (i + 1) * across];
        for (light, sign) in [(0, 1.0f32), (1, -1.0)] {
            let (this, other) = (&total[light], &total[1 - light][1..=across]);
            let (left, stay, right) = (&this[..across], &this[1..=across], &this[2..]);
            let next = &mut next[light][1..=across];
            let back = &mut back[light * across..(light + 1) * across];
            // Without branches, so that many places are worked on at once.
            processor.dispatch(|| {
                for k in 0..across {
                    let (mut best, mut step) = (stay[k], 0);
                    for (total, by) in [
                        (left[k] - bend_cost, -1),
                        (right[k] - bend_cost, 1),
                        (other[k] - flip_cost, FLIP),
                    ] {
                        step = if total > best { by } else { step };
                        best = if total > best { total } else { best };
                    }
                    next[k] = best + (sign * line[k]).max(0.0) - strays[k];
                    back[k] = step;
                }
            });
        }
        std::mem::swap(&mut total, &mut next);
    }
    let ends = total.iter().flat_map(|layer| &layer[1..=across]);
    let (mut light, mut at) = ends
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map_or((0, 0), |(state, _)| (state / across, state % across));
    let mut path = vec![(0, 1.0); n];
    for i in (0..n).rev() {
        path[i] = (at, if light == 0 { 1.0 } else { -1.0 });
        match from[(2 * i + light) * across + at] {
            FLIP => light = 1 - light,
            step => at = at.saturating_add_signed(isize::from(step)),
        }
    }
    path
}
